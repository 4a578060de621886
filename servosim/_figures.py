"""The figures of a move in compiled form: one definition for a single run and for many.

Only the table's position and the reference are needed sample by sample; the rest has been gathered
by ``_figure_sums.py``. Sums are taken in the order of the samples, over departures rather than
positions, which keeps their digits. The meaning of each figure stands in ``_definitions.py``, the
sources in ``metrics.py``.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from servosim import _figure_sums as sums
from servosim._equations import AxisParameters
from servosim._figure_rest import limit_cycle, settling_sample
from servosim._figure_spans import (
    EPS,
    RINGING,
    Spans,
    find_spans,
    sample_at,
    sample_before,
    span_of,
)
from servosim._jit import kernel
from servosim.program import Move

Array = NDArray[np.float64]

RESTING = 0.02  # last part of the unlocked rest whose mean is the resting error, s
LEAST_DRIFT_TIME = 0.3  # hold without thrust below which a rate of drift means nothing, s

# places of the figures, in the order of their definitions
(
    SETTLED,
    SETTLING_TIME,
    SETTLING_TIME_AFTER_REFERENCE,
    RISE_TIME,
    OVERSHOOT,
    FOLLOWING_ERROR_PEAK,
    FOLLOWING_ERROR_RMS,
    FOLLOWING_ERROR_STEADY,
    FOLLOWING_ERROR_STEADY_FORMULA,
    RESTING_ERROR,
    RESTING_ERROR_LOCKED,
    LOCK_TIME,
    LOCK_SHIFT,
    HOLD_DRIFT,
    HOLD_DRIFT_RATE,
    THRUST_DEFLECTION,
    THRUST_DEFLECTION_PEAK,
    THRUST_SET,
    UNLOCK_BUMP,
    LIMIT_CYCLE_AMPLITUDE,
    PRESSURE_MAX,
    PRESSURE_MIN,
    SUPPLY_PRESSURE_MIN,
    CAVITATION_TIME,
    FLOW_PEAK,
    FLOW_MEAN,
    ENERGY,
    WORK,
    HEAT,
    VALVE_SATURATION,
) = range(30)
N_FIGURES = 30


@kernel
def _mean(x: Array, begin: int, end: int, base: float) -> float:
    """Return the mean departure of a trace from a base over a span."""
    total = 0.0
    for k in range(begin, end):
        total += x[k] - base
    return total / (end - begin)


@kernel
def _largest(x: Array, begin: int, end: int, base: float) -> float:
    """Return the first departure that is the largest in size, with its sign; nan over no span."""
    found = 0.0 / (end - begin)
    for k in range(begin, end):
        departure = x[k] - base
        if abs(departure) > abs(found):
            found = departure
    return found


@kernel
def _passage(s: Spans, x: Array, part: float) -> float:
    """Return when a part of the way is first gone, between the samples, or nan."""
    distance = s.target - s.start
    sign = math.copysign(1.0, distance)
    level = part * abs(distance)
    before = t = 0.0
    for k in range(s.approach_end):
        way = sign * (x[k] - s.start)
        if way >= level:
            return t + (k * s.period - t) * (level - before) / (way - before)
        before, t = way, k * s.period
    return math.nan


@kernel
def _approach(s: Spans, x: Array, out: Array) -> None:
    distance = s.target - s.start
    if distance == 0.0:
        return
    sign = math.copysign(1.0, distance)
    over = 0.0
    for k in range(s.approach_end):
        over = sums.greatest(over, sign * (x[k] - s.target))
    out[OVERSHOOT] = over
    out[RISE_TIME] = _passage(s, x, 0.9) - _passage(s, x, 0.1)


@kernel
def _following(s: Spans, x: Array, reference: Array, out: Array) -> None:
    """Write errors of following; without their span they are nan by division by zero."""
    n = s.moving_end - s.moving_begin
    peak = total = 0.0 / n
    for k in range(s.moving_begin, s.moving_end):
        lag = reference[k] - x[k]
        peak = sums.greatest(peak, abs(lag))
        total += lag * lag
    out[FOLLOWING_ERROR_PEAK] = peak
    out[FOLLOWING_ERROR_RMS] = math.sqrt(total / n)
    n = s.steady_end - s.steady_begin
    total = 0.0 / n
    for k in range(s.steady_begin, s.steady_end):
        total += reference[k] - x[k]
    out[FOLLOWING_ERROR_STEADY] = s.direction * total / n
    out[FOLLOWING_ERROR_STEADY_FORMULA] = s.steady_lag + 0.0 * total


@kernel
def _rest(s: Spans, x: Array) -> float:
    """Return the error at rest, nan if the table rests nowhere."""
    begin, end = s.rest_begin, s.rest_end
    low = high = x[begin]
    for k in range(begin, end):
        low, high = sums.least(low, x[k]), sums.greatest(high, x[k])
    if (not s.close >= 0.0) & (not high - low <= s.window):
        return math.nan
    begin = max(end - max(round(RESTING / s.period), 1), begin)
    return 0.0 - _mean(x, begin, end, s.target)


@kernel
def _drift(s: Spans, x: Array, out: Array) -> None:
    """Sum the drift over the parts of the hold without thrust or ringing."""
    skip, past = round(RINGING / s.period), s.n - 1
    # before the thrust, and after it
    first = min(s.hold_begin + skip, past)
    last = max(min(s.hold_end, s.push_begin) - 1, first)
    begin = min(max(s.hold_begin, s.push_end) + skip, past)
    end = max(s.hold_end - 1, begin)
    time = (last - first + end - begin) * s.period
    if time > 0.0:
        drift = x[last] - x[first] + (x[end] - x[begin])
        out[HOLD_DRIFT] = drift
        if time >= LEAST_DRIFT_TIME:
            out[HOLD_DRIFT_RATE] = drift / time


@kernel
def _thrust(s: Spans, x: Array, out: Array) -> None:
    before = x[sample_before(s.thrust_begin, s.period)]
    middle = 0.5 * (s.thrust_full + s.thrust_fall)
    begin, end = span_of(middle, s.thrust_fall, s.period, s.n)
    out[THRUST_DEFLECTION] = _mean(x, begin, end, before)
    begin, end = span_of(s.thrust_begin, s.thrust_end, s.period, s.n)
    out[THRUST_DEFLECTION_PEAK] = _largest(x, begin, end, before)
    later = s.thrust_end + RINGING
    if (later <= s.end + EPS) & (not later > s.first_release + EPS):
        out[THRUST_SET] = x[sample_before(later, s.period)] - before


@kernel
def _power(s: Spans, has_b: int, gathered: Array, out: Array) -> None:
    a, b = sums.HIGHEST_A, sums.LOWEST_A  # without a second chamber the first one counts twice
    out[PRESSURE_MAX] = sums.greatest(gathered[a], gathered[a + has_b])
    out[PRESSURE_MIN] = sums.least(gathered[b], gathered[b + has_b])
    out[SUPPLY_PRESSURE_MIN] = gathered[sums.LOWEST_SUPPLY]
    out[CAVITATION_TIME] = gathered[sums.BELOW] * s.period
    out[ENERGY] = gathered[sums.ENERGY]
    out[WORK] = gathered[sums.WORK]
    out[HEAT] = gathered[sums.HEAT]
    out[VALVE_SATURATION] = gathered[sums.LIMITED] / s.n
    # a single sample gives infinite growth and no time
    out[FLOW_PEAK] = gathered[sums.LARGEST_GROWTH] / s.period
    out[FLOW_MEAN] = (gathered[sums.DRAWN_LAST] - gathered[sums.DRAWN_FIRST]) / s.end


@kernel
def figures(
    p: AxisParameters,
    m: Move,
    d: Array,
    n: int,
    whole: int,
    x: Array,
    reference: Array,
    gathered: Array,
    s: Spans,
    out: Array,
) -> None:
    """Write the figures of a move.

    Parameters
    ----------
    p : AxisParameters
        Numbers of the axis.
    m : Move
        The move.
    d : ndarray, shape (sequence.SIZE,)
        Memory of the sequence after the run.
    n : int
        Number of samples that the run holds, one at least.
    whole : int
        1 if the run reached its end.
    x, reference : ndarray, shape (n or more,)
        Table position and reference position at the samples [m]; any stride.
    gathered : ndarray, shape (N_GATHERED,)
        What ``_figure_sums`` gathered.
    s : record of Spans
        The run's times and spans, overwritten.
    out : ndarray, shape (N_FIGURES,)
        The figures [SI] in the order of their definitions, all nan beforehand; they stay so where
        the run doesn't hold one.
    """
    find_spans(p, m, d, n, whole, s)
    out[LOCK_TIME] = s.locked
    if s.approach_end > 0:
        settled = settling_sample(s, x)
        out[SETTLED] = 0.0
        if settled >= 0:
            out[SETTLED] = 1.0
            out[SETTLING_TIME] = settled * s.period
            out[SETTLING_TIME_AFTER_REFERENCE] = settled * s.period - s.reference_end
        _approach(s, x, out)
        out[LIMIT_CYCLE_AMPLITUDE] = limit_cycle(s, x, settled)
    _following(s, x, reference, out)
    out[RESTING_ERROR] = _rest(s, x)
    if s.after_end > 0:
        departure = _mean(x, s.after_begin, s.after_end, s.target)
        out[RESTING_ERROR_LOCKED] = 0.0 - departure
        if s.close <= s.locked:
            out[LOCK_SHIFT] = departure - (x[sample_at(s.close, s.period)] - s.target)
    _drift(s, x, out)
    out[UNLOCK_BUMP] = _largest(x, s.bump_begin, s.bump_end, x[s.bump_begin])
    if s.thrust_in_place == 1:
        _thrust(s, x, out)
    _power(s, p.cylinder.has_b, gathered, out)
    for j in range(N_FIGURES):
        out[j] += 0.0 * out[j]  # nan in place of infinite
