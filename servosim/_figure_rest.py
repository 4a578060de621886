"""When a table comes to rest in its window, and whether it goes on swinging, in compiled form."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from servosim._figure_spans import Spans, sample_at
from servosim._jit import kernel

Array = NDArray[np.float64]


@kernel
def settling_sample(s: Spans, x: Array) -> int:
    """Return the sample from which the table stays in the window until the approach is over.

    Parameters
    ----------
    s : record of Spans
        Spans of the run.
    x : ndarray, shape (n_t,)
        Position of the table [m].

    Returns
    -------
    int
        Sample number, or -1 if there is no approach or the stay is shorter than half a dwell.
    """
    first = s.approach_end
    while first > 0 and abs(s.target - x[first - 1]) <= s.window:
        first -= 1
    stay = (s.approach_end - 1 - first) * s.period
    return first if stay >= max(0.5 * s.dwell - 1e-9, 0.0) else -1


@kernel
def turning_points(x: Array, begin: int, end: int, least: float, found: NDArray[np.int64]) -> int:
    """Find where a trace turns back by more than a least swing.

    Parameters
    ----------
    x : ndarray, shape (n_t,)
        The trace.
    begin, end : int
        First sample looked at, and one past the last.
    least : float
        Swings not larger than this don't count [unit of x].
    found : ndarray of int, shape (end - begin or more,)
        Sample numbers of alternating highs and lows, without the ends, written in place.

    Returns
    -------
    int
        How many were found.
    """
    count, at, way = 0, begin, 0.0
    low = high = x[begin]
    course = 0.0
    for k in range(begin, end):
        value = x[k]
        if k + 1 < end:
            # between the ends only a sample where the trace turns, be it ever so little, matters
            step = x[k + 1] - value
            turns = step * course < 0.0
            if step != 0.0:
                course = math.copysign(1.0, step)
            if not turns:
                continue
        if way == 0.0:
            low, high = min(low, value), max(high, value)
            if value - low > least or high - value > least:
                way = 1.0 if value - low > least else -1.0
                at = k
        elif way * (value - x[at]) >= 0.0:
            at = k
        elif way * (x[at] - value) > least:
            found[count] = at
            count += 1
            way, at = -way, k
    return count


@kernel
def limit_cycle(s: Spans, x: Array, settled: int) -> float:
    """Return the amplitude of a limit cycle.

    Parameters
    ----------
    s : record of Spans
        Spans of the run.
    x : ndarray, shape (n_t,)
        Position of the table [m].
    settled : int
        See :func:`settling_sample`.

    Returns
    -------
    float
        Half the largest of the last swings [m], zero if there is none, nan if it can't be told.
    """
    end, begin = s.approach_end, settled
    if begin < 0:
        for k in range(end):
            if abs(s.target - x[k]) <= s.window:
                begin = k
                break
        if s.reference_end >= 0.0:
            begin = max(begin, sample_at(s.reference_end, s.period))
    if (begin < 0) | (begin >= end) | (s.ahead == 1):
        return math.nan
    first = (begin + end) // 2
    turns = np.empty(end - first, np.int64)
    n = turning_points(x, first, end, 0.01 * s.window, turns)
    if n == 0:
        return 0.0 if (end - begin) * s.period >= s.long_rest else math.nan
    if n == 1:
        return math.nan
    last = turns[n - 1]
    if (end - 1 - last) * (n - 1) > 3.0 * (last - turns[0]):  # more than one and a half periods
        return 0.0
    if n < 7:
        return math.nan
    swings = 0.0  # the last two less seven tenths of the first two
    largest = 0.0
    for k in range(1, n):
        swing = abs(x[turns[k]] - x[turns[k - 1]])
        if k >= n - 4:
            largest = max(largest, swing)
        if k >= n - 2:
            swings += swing
        if k <= 2:
            swings -= 0.7 * swing
    return 0.5 * largest if swings >= 0.0 else 0.0
