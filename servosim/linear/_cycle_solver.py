"""All solutions of the harmonic balance ``1 + N(A, w) L(w) = 0``, and whether they are stable."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

# gains over amplitudes (n_A, 1) and frequencies (n_w,), of shape (n_A, n_w)
Balance = Callable[[Array, Array], Complex]

_DIGITS = 1e-8  # of the balance, which is of the order of one
_BESIDE = 2.0  # cells around its start in which a solution is searched
_SLACK = 0.1  # of a half cell, beyond its edges
_SAME = 1e-3  # cells by which two solutions differ at least
_BY_A, _BY_W = np.array([1e-4, 0.0]), np.array([0.0, 1e-4])  # of logarithms, for the slopes


class Solution(NamedTuple):
    """One solution of the harmonic balance.

    Attributes
    ----------
    amplitude : float
        Amplitude at the input of the nonlinearity, in its unit.
    frequency : float
        Frequency [rad/s].
    stable : bool
        Whether a swing that is a little larger shrinks back to it, and a smaller one grows to it.
    """

    amplitude: float
    frequency: float
    stable: bool


def solutions(balance: Balance, amplitudes: Array, frequencies: Array) -> tuple[Solution, ...]:
    """Return all solutions of a harmonic balance within ranges.

    Parameters
    ----------
    balance : callable
        ``balance(A, w)`` returns ``1 + N(A, w) L(w)`` for amplitudes of shape (n_A,) and
        frequencies of shape (n_w,), as an array of shape (n_A, n_w).
    amplitudes, frequencies : ndarray
        Growing grids, in units of the nonlinearity's input and [rad/s], so close that the balance
        runs nearly straight from one to the next; solutions closer together may be missed.

    Returns
    -------
    tuple of Solution
        In the order of their amplitudes.

    Notes
    -----
    The grid is cut into triangles; where the balance, taken as straight over one of them, has its
    zero inside, the solution is searched from there. Stability is Loeb's criterion: with U and V
    the real and imaginary part of the balance, ``dU/dA dV/dw - dV/dA dU/dw > 0`` (Gelb and Vander
    Velde 1968, from memory): to first order a change of amplitude then decays.
    """
    x, y = np.log(amplitudes), np.log(frequencies)

    def _at(z: Array) -> Array:
        value = balance(np.exp(z[:1]), np.exp(z[1:]))[0, 0]
        return np.array([value.real, value.imag])

    found: list[Array] = []
    for start in _starts(balance(amplitudes, frequencies)):
        around = np.array([_between(x, start[0]), _between(y, start[1])])
        cell = np.array([_width(x, start[0]), _width(y, start[1])])
        low, high = around - _BESIDE * cell, around + _BESIDE * cell

        def _near(z: Array, low: Array = low, high: Array = high, cell: Array = cell) -> Array:
            inside = np.clip(z, low, high)  # a search that strays is led back
            return _at(inside) + (z - inside) / cell

        z = np.asarray(optimize.root(_near, around, method="hybr", options={"xtol": 1e-12}).x)
        if np.any(z != np.clip(z, low, high)) or np.max(np.abs(_at(z))) > _DIGITS:
            continue
        if not any(np.max(np.abs(z - other) / cell) < _SAME for other in found):
            found.append(z)
    made = [Solution(float(np.exp(z[0])), float(np.exp(z[1])), _stable(_at, z)) for z in found]
    return tuple(sorted(made))


def _between(grid: Array, place: float) -> float:
    """Return a value between those of a grid, at a place counted in cells."""
    return float(np.interp(place, np.arange(len(grid)), grid))


def _width(grid: Array, place: float) -> float:
    """Return the width of the cell at a place counted in cells."""
    k = min(max(int(place), 0), len(grid) - 2)
    return float(grid[k + 1] - grid[k])


def _starts(F: Complex) -> Array:
    """Return where a balance on a grid has zeros, straight over half cells, in cells [-]."""
    corner, beside, above, across = F[:-1, :-1], F[1:, :-1], F[:-1, 1:], F[1:, 1:]
    starts = []
    for origin, one, two, sign in ((corner, beside, above, 1.0), (across, above, beside, -1.0)):
        # origin + a (one - origin) + b (two - origin) = 0, real and imaginary part
        p, q = one - origin, two - origin
        area = p.real * q.imag - p.imag * q.real
        with np.errstate(divide="ignore", invalid="ignore"):
            a = (q.real * origin.imag - q.imag * origin.real) / area
            b = (p.imag * origin.real - p.real * origin.imag) / area
        inside = (a >= -_SLACK) & (b >= -_SLACK) & (a + b <= 1.0 + _SLACK)
        places = np.argwhere(inside).astype(float)
        shift = np.stack([a[inside], b[inside]], axis=1)
        starts.append(places + shift if sign > 0.0 else places + 1.0 - shift)
    return np.concatenate(starts)


def _stable(at: Callable[[Array], Array], z: Array) -> bool:
    """Return Loeb's criterion at a solution, slopes over the logarithms, which keep the sign."""
    by_amplitude = at(z + _BY_A) - at(z - _BY_A)
    by_frequency = at(z + _BY_W) - at(z - _BY_W)
    return bool(by_amplitude[0] * by_frequency[1] - by_amplitude[1] * by_frequency[0] > 0.0)
