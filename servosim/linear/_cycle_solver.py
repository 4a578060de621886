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
_BESIDE = 1.5  # cells around the middle of its own in which a solution is searched
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
        Growing grids, in units of the nonlinearity's input and [rad/s]; solutions closer together
        than a cell may be missed.

    Returns
    -------
    tuple of Solution
        In the order of their amplitudes.

    Notes
    -----
    A cell of the grid in which real and imaginary part both change their sign is searched from its
    middle. Stability is Loeb's criterion: with U and V the real and imaginary part of the balance,
    ``dU/dA dV/dw - dV/dA dU/dw > 0`` (Gelb and Vander Velde 1968, from memory): to first order a
    change of amplitude then decays.
    """
    F = balance(amplitudes, frequencies)
    x, y = np.log(amplitudes), np.log(frequencies)
    places = np.argwhere(_changes(F.real) & _changes(F.imag))
    cell = np.array([x[1] - x[0], y[1] - y[0]])

    def _at(z: Array) -> Array:
        value = balance(np.exp(z[:1]), np.exp(z[1:]))[0, 0]
        return np.array([value.real, value.imag])

    found: list[Array] = []
    for i, j in places:
        middle = np.array([0.5 * (x[i] + x[i + 1]), 0.5 * (y[j] + y[j + 1])])
        around = (middle - _BESIDE * cell, middle + _BESIDE * cell)
        sought = optimize.least_squares(
            _at, middle, bounds=around, x_scale=cell, ftol=1e-15, xtol=1e-15, gtol=1e-15
        )
        z = np.asarray(sought.x)
        if np.max(np.abs(_at(z))) > _DIGITS:
            continue
        if not any(np.max(np.abs(z - other)) < 1e-3 * np.max(cell) for other in found):
            found.append(z)
    made = [Solution(float(np.exp(z[0])), float(np.exp(z[1])), _stable(_at, z)) for z in found]
    return tuple(sorted(made))


def _changes(values: Array) -> NDArray[np.bool_]:
    """Return the cells of a grid in which values change their sign."""
    positive = values > 0.0
    corners = (positive[1:, 1:], positive[1:, :-1], positive[:-1, 1:], positive[:-1, :-1])
    count = sum(c.astype(int) for c in corners)
    return np.asarray((count > 0) & (count < 4))


def _stable(at: Callable[[Array], Array], z: Array) -> bool:
    """Return Loeb's criterion at a solution, slopes over the logarithms, which keep the sign."""
    by_amplitude = at(z + _BY_A) - at(z - _BY_A)
    by_frequency = at(z + _BY_W) - at(z - _BY_W)
    return bool(by_amplitude[0] * by_frequency[1] - by_amplitude[1] * by_frequency[0] > 0.0)
