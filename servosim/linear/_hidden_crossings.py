"""Pairs of crossings that hide between two frequencies of a grid.

A narrow peak of a loop may pass one, or its phase -180 degrees, and come back before the next
frequency of the grid, so that no change of sign tells of it. Where the nearest frequencies come
close to the level, the peak itself is sought; if it lies beyond the level, both crossings stand
beside it.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import elementwise

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Rows = NDArray[np.intp]
Flags = NDArray[np.bool_]

_REACH = 0.5  # of the fall to the lower neighbour: a peak that may rise by more is not of this grid


def _near(values: Array, level: float) -> Flags:
    """Return the inner places at which values have a peak just below a level."""
    middle, before, after = values[:, 1:-1], values[:, :-2], values[:, 2:]
    peak = (middle >= before) & (middle >= after) & (middle < level)
    return peak & (level - middle <= _REACH * (middle - np.minimum(before, after)))


def hidden_crossings(
    L: ComplexArray,
    x: Array,
    evaluate: Callable[[Array, Rows], ComplexArray],
    kinds: tuple[int, int],
) -> tuple[Rows, Rows, Array, Array]:
    """Return stretches of frequency with one hidden crossing each.

    Parameters
    ----------
    L : ndarray of complex, shape (n, n_f)
        Open loops [-].
    x : ndarray, shape (n, n_f)
        Logarithms of the frequencies [rad/s].
    evaluate : callable
        ``evaluate(omega, rows)`` gives loops at single frequencies.
    kinds : tuple of int
        What crossings of the gain and of the phase are called.

    Returns
    -------
    rows, kind : ndarray of int, shape (m,)
        Loop and kind of each crossing.
    first, last : ndarray, shape (m,)
        Ends of the stretch [log of rad/s].
    """
    size = np.abs(L)
    turned = L.imag / size
    left = L.real[:, 1:-1] < 0.0
    # each is a height whose peak just below a level may lie beyond it, with the sign of its search
    found = (
        (kinds[0], 1.0, _near(size, 1.0)),
        (kinds[0], -1.0, _near(1.0 / size, 1.0)),
        (kinds[1], 1.0, _near(turned, 0.0) & left),
        (kinds[1], -1.0, _near(-turned, 0.0) & left),
    )
    places = [np.nonzero(flags) for _, _, flags in found]
    rows = np.concatenate([p[0] for p in places])
    at = np.concatenate([p[1] for p in places]) + 1
    kind = np.repeat([k for k, _, _ in found], [len(p[0]) for p in places])
    sign = np.repeat([s for _, s, _ in found], [len(p[0]) for p in places])
    if not len(rows):
        return rows, kind, np.zeros(0), np.zeros(0)

    def below(at: Array, row: Rows, kind: Rows, sign: Array) -> Array:
        value = evaluate(np.exp(at), row)
        height = np.where(kind == kinds[0], np.log(np.abs(value)), value.imag / np.abs(value))
        return np.asarray(-sign * height)

    start, middle, end = x[rows, at - 1], x[rows, at], x[rows, at + 1]
    sought = elementwise.find_minimum(
        below,
        (start, middle, end),
        args=(rows, kind, sign),
        tolerances={"xatol": 1e-9, "xrtol": 1e-11, "fatol": 1e-14, "frtol": 1e-14},
    )
    beyond = np.isfinite(sought.f_x) & (sought.f_x < 0.0)
    rows, kind, top = rows[beyond], kind[beyond], np.asarray(sought.x)[beyond]
    middle, start, end = middle[beyond], start[beyond], end[beyond]
    # the frequency of the grid beside the peak lies before the level, as do both neighbours
    first = np.where(top < middle, start, middle)
    last = np.where(top < middle, middle, end)
    return (
        np.concatenate([rows, rows]),
        np.concatenate([kind, kind]),
        np.concatenate([first, top]),
        np.concatenate([top, last]),
    )
