"""Frequencies that resolve plants and loops, sharp peaks among them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from servosim.linear.timing import Timing

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

LOWEST = 1e-3  # first frequency of a grid, rad/s
_SLOW, _PER_DECADE, _SLOW_PER_DECADE = 1.0, 30, 10
_LIGHT = 0.5  # damping ratio below which a mode gets frequencies of its own
_BESIDE = np.array([-4.0, -2.0, -1.0, -0.5, 0.0, 0.5, 1.0, 2.0, 4.0])  # in half widths of the peak
_TURN = 0.4  # largest turn by dead times between two frequencies, rad
_SHARP = 0.6  # |1 + L| of the inner loop below which its poles get frequencies of their own
_BESIDE_SHARP = np.array([-3.0, -1.5, -0.7, 0.0, 0.7, 1.5, 3.0])


def frequencies(eigenvalues: ComplexArray, timing: Timing) -> Array:
    """Return frequencies that resolve each plant, the lightly damped modes among them.

    Parameters
    ----------
    eigenvalues : ndarray of complex, shape (n, n_x)
        Poles of the plants [1/s].
    timing : Timing
        Of their controllers.

    Returns
    -------
    ndarray, shape (n, n_f)
        Growing frequencies [rad/s]; the last is Nyquist's of a sampled controller, or lies beyond
        the fastest mode.
    """
    lam = eigenvalues
    size = np.abs(lam)
    highest = timing.highest
    if not np.isfinite(highest):
        highest = 10.0 * float(np.max(size))
    slow = np.geomspace(LOWEST, _SLOW, int(_SLOW_PER_DECADE * np.log10(_SLOW / LOWEST)) + 1)
    count = int(np.ceil(_PER_DECADE * np.log10(highest / _SLOW))) + 1
    base = np.concatenate([slow[:-1], np.geomspace(_SLOW, highest, max(count, 2))])
    T, d, D = timing
    dead = 1.5 * T + d + D
    if dead > 0.0:  # dead times turn the response evenly over frequency, not over its logarithm
        wide = np.flatnonzero(np.diff(base) * dead > _TURN)
        if len(wide):
            base = base[: wide[0] + 1]
            even = np.arange(base[-1] + _TURN / dead, highest, _TURN / dead)
            base = np.concatenate([base, even])
        base = np.append(base[base < highest * (1.0 - 1e-9)], highest)
    grid = np.broadcast_to(base, (len(lam), len(base)))
    light = (lam.imag > 0.0) & (-lam.real < _LIGHT * size) & (size < highest)
    most = int(np.max(np.count_nonzero(light, axis=1)))
    if most == 0:
        return np.array(grid)
    order = np.argsort(~light, axis=1, kind="stable")[:, :most]
    chosen = np.take_along_axis(lam, order, axis=1)
    here = np.take_along_axis(light, order, axis=1)
    half = np.maximum(np.abs(chosen.real), 1e-6 * np.abs(chosen))
    own = np.abs(chosen.imag)[:, :, None] + half[:, :, None] * _BESIDE
    own = np.where(here[:, :, None], own, np.nan).reshape(len(lam), -1)
    return merged(grid, own)


def merged(grid: Array, own: Array) -> Array:
    """Return a grid with some frequencies added, growing in each row.

    Parameters
    ----------
    grid : ndarray, shape (n, n_f)
        Growing frequencies [rad/s].
    own : ndarray, shape (n, m)
        Frequencies [rad/s] to be added; others near the beginning of the grid stand for those that
        aren't finite or lie outside it.

    Returns
    -------
    ndarray, shape (n, n_f + m)
        Growing frequencies [rad/s]; coinciding ones are moved apart a little.
    """
    joined = np.sort(np.concatenate([grid, inside(grid, own)], axis=1), axis=1)
    ranks = 1.0 + 1e-12 * np.arange(joined.shape[1])
    return np.asarray(np.maximum.accumulate(joined / ranks, axis=1) * ranks)


def inside(grid: Array, own: Array) -> Array:
    """Return frequencies, those replaced that aren't finite or lie outside a grid; see merged."""
    m = own.shape[1]
    # numbers that no grid has, so that nothing coincides
    filler = grid[:, :1] + (grid[:, 1:2] - grid[:, :1]) * np.linspace(0.1234567, 0.9, m)
    usable = np.isfinite(own) & (own > grid[:, :1]) & (own < grid[:, -1:] * (1.0 - 1e-9))
    return np.asarray(np.where(usable, own, filler))


def sharp_poles(omega: Array, inner: ComplexArray) -> Array | None:
    """Return frequencies around poles of 1/(1 + inner) near the limit of stability, shape (n, m).

    A step of Newton's from the lowest places of |1 + inner| tells how far beside the frequency axis
    the pole lies, and so how wide its peak is.
    """
    distance = np.abs(1.0 + inner)
    middle = distance[:, 1:-1]
    low = (middle <= distance[:, :-2]) & (middle <= distance[:, 2:]) & (middle < _SHARP)
    if not np.any(low):
        return None
    rows, places = np.nonzero(low)
    order = np.lexsort((middle[rows, places], rows))
    rows, places = rows[order], places[order] + 1
    rank = np.arange(len(rows)) - np.searchsorted(rows, rows)
    rows, places, rank = rows[rank < 2], places[rank < 2], rank[rank < 2]
    run = omega[rows, places + 1] - omega[rows, places - 1]
    slope = (inner[rows, places + 1] - inner[rows, places - 1]) / run
    step = -(1.0 + inner[rows, places]) / slope
    half = np.clip(np.abs(step.imag), 1e-6 * omega[rows, places], run)
    own = np.full((len(omega), 2, len(_BESIDE_SHARP)), np.nan)
    centre = omega[rows, places] + np.clip(step.real, -0.5 * run, 0.5 * run)
    own[rows, rank] = centre[:, None] + half[:, None] * _BESIDE_SHARP
    return own.reshape(len(omega), -1)
