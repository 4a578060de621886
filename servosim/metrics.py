"""The figures of a move, each with one definition.

All positions are those of the table at the tool. The unlocked move is judged up to the command that
closes the lock; without a lock, up to a thrust that waits for the table to be in place. A figure
that the run does not hold, because it ended early, never settled or has no such phase, is None.

Sources. Rise time from 10 % to 90 %, overshoot and settling time: common practice, no source.
Following error at constant velocity ``v (1 - k_ff + k_v)/Kv``: a type-one loop with feed-forward
and velocity feedback (H. E. Merritt, *Hydraulic Control Systems*, Wiley 1967, ch. 6, from memory,
for the part v/Kv). The limits for ringing, faded transients and repeated reversals are own choices.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from servosim._definitions import DEFINITIONS
from servosim._spans import (
    FADED,
    LONG_REST,
    RINGING,
    Array,
    Span,
    Spans,
    column,
    spans_of,
    stretches,
    turning_points,
)
from servosim.result import Run

RESTING = 0.02  # last part of the unlocked rest whose mean is the resting error, s
LEAST_DRIFT_TIME = 0.3  # hold without thrust below which a rate of drift means nothing, s

__all__ = ["DEFINITIONS", "Metric", "metrics", "settling_sample"]


@dataclass(frozen=True)
class Metric:
    """One figure of a move.

    Attributes
    ----------
    value : float or None
        The figure [SI], None if the run doesn't hold it.
    unit : str
        SI unit.
    definition : str
        What it is, in a sentence.
    """

    value: float | None
    unit: str
    definition: str


def metrics(run: Run) -> dict[str, Metric]:
    """Return the figures of a move.

    Parameters
    ----------
    run : Run
        The run, whole or ended early.

    Returns
    -------
    dict of str to Metric
        By name in the order of ``DEFINITIONS``; values in SI units or None, never nan.

    Examples
    --------
    >>> import servosim
    >>> run = servosim.simulate(servosim.read_axis("params/tube_sheet_table.toml"))
    >>> servosim.metrics(run)["following_error_peak"].unit
    'm'
    """
    spans = spans_of(run)
    x = run.state("table_position")
    values: dict[str, float | None] = dict.fromkeys(DEFINITIONS)
    if len(run.time) > 0:
        values |= _approach(run, spans, x)
        values |= _following(run, spans, x)
        values |= _rest(run, spans, x)
        values |= _hold(run, spans, x)
        values |= _thrust(spans, x)
        values |= _power(run, spans)
    return {
        name: Metric(_finite(values[name]), unit, definition)
        for name, (unit, definition) in DEFINITIONS.items()
    }


def _finite(value: float | None) -> float | None:
    return float(value) if value is not None and math.isfinite(value) else None


def _mean(x: Array, span: Span | None) -> float | None:
    return None if span is None else float(x[span[0] : span[1]].mean())


def _largest(departure: Array) -> float:
    """Return the largest value in size, with its sign."""
    return float(departure[np.argmax(np.abs(departure))])


def settling_sample(run: Run, spans: Spans, x: Array) -> int | None:
    """Return the sample from which the table stays in the window, or None.

    Parameters
    ----------
    run : Run
        The run.
    spans : Spans
        Its spans.
    x : ndarray, shape (n_t,)
        Position of the table [m].

    Returns
    -------
    int or None
        Sample number.
    """
    span = spans.approach
    if span is None:
        return None
    outside = np.flatnonzero(~(np.abs(run.move.target - x[: span[1]]) <= run.move.window))
    first = int(outside[-1]) + 1 if len(outside) else 0
    stay = (span[1] - 1 - first) * spans.period
    if first >= span[1] or stay < 0.5 * spans.dwell - 1e-9:
        return None
    return first


def _passage(time: Array, way: Array, level: float) -> float | None:
    """Return when a way first reaches a level, between the samples, or None."""
    k = int(np.argmax(way >= level))
    if not way[k] >= level:
        return None
    if k == 0:
        return float(time[0])
    part = (level - way[k - 1]) / (way[k] - way[k - 1])
    return float(time[k - 1] + part * (time[k] - time[k - 1]))


def _approach(run: Run, spans: Spans, x: Array) -> dict[str, float | None]:
    span, m = spans.approach, run.move
    if span is None:
        return {}
    found: dict[str, float | None] = {"settled": 0.0}
    k = settling_sample(run, spans, x)
    if k is not None:
        found |= {"settled": 1.0, "settling_time": float(run.time[k])}
        found["settling_time_after_reference"] = run.time[k] - spans.reference_end
    distance = abs(m.target - m.start)
    if distance > 0.0:
        sign = math.copysign(1.0, m.target - m.start)
        way = sign * (x[: span[1]] - m.start)
        found["overshoot"] = max(float((sign * (x[: span[1]] - m.target)).max()), 0.0)
        low, high = (_passage(run.time, way, part * distance) for part in (0.1, 0.9))
        found["rise_time"] = None if low is None or high is None else high - low
    return found


def _following(run: Run, spans: Spans, x: Array) -> dict[str, float | None]:
    end = spans.reference_end
    if math.isnan(end):
        return {}
    profile, c = run.move.profile, run.axis.parameters.controller
    begin = float(profile.t[0])
    last = end if math.isnan(spans.close) else min(end, spans.close)
    lag = column(run, "reference_position") - x
    found: dict[str, float | None] = {}
    span = spans.span(begin, last)
    if span is not None:
        part = lag[span[0] : span[1]]
        found["following_error_peak"] = float(np.abs(part).max())
        found["following_error_rms"] = math.sqrt(float(np.mean(part * part)))
    ends = np.append(profile.t[1:], end)
    still = (profile.a == 0.0) & (profile.j == 0.0) & (profile.v != 0.0) & (ends > profile.t)
    if still.any():
        i = int(np.argmax(still))
        from_, to = float(profile.t[i]) + FADED / c.K_v, min(float(ends[i]), last)
        span = spans.span(from_, to) if to - from_ >= 1.0 / c.K_v else None
        if span is not None:
            found["following_error_steady"] = float(
                profile.direction * lag[span[0] : span[1]].mean()
            )
            if c.K_i == 0.0:
                v = abs(float(profile.v[i]))
                found["following_error_steady_formula"] = v * (1.0 - c.k_ff + c.k_v) / c.K_v
    return found


def _rest(run: Run, spans: Spans, x: Array) -> dict[str, float | None]:
    found: dict[str, float | None] = {}
    m, span = run.move, spans.rest
    if span is not None:
        part = x[span[0] : span[1]]
        if not math.isnan(spans.close) or float(np.ptp(part)) <= m.window:
            last = part[-max(round(RESTING / spans.period), 1) :]
            found["resting_error"] = m.target - float(last.mean())
    found["limit_cycle_amplitude"] = _limit_cycle(run, spans, x)
    return found


def _limit_cycle(run: Run, spans: Spans, x: Array) -> float | None:
    """Return the amplitude of a limit cycle, zero if there is none, None if it can't be told."""
    span, m = spans.approach, run.move
    if span is None or spans.ahead:
        return None
    begin = settling_sample(run, spans, x)
    if begin is None:
        inside = np.flatnonzero(np.abs(m.target - x[: span[1]]) <= m.window)
        candidates = [int(inside[0])] if len(inside) else []
        if not math.isnan(spans.reference_end):
            candidates.append(spans.sample(spans.reference_end))
        if not candidates:
            return None
        begin = max(candidates)
    if begin >= span[1]:
        return None
    part = x[(begin + span[1]) // 2 : span[1]]
    turns, at = turning_points(part, 0.01 * m.window)
    if len(turns) == 0:
        long = (span[1] - begin) * spans.period >= LONG_REST / run.axis.parameters.controller.K_v
        return 0.0 if long else None
    if len(turns) == 1:
        return None
    period = 2.0 * float(np.diff(turns).mean())
    if len(part) - 1 - turns[-1] > 1.5 * period:
        return 0.0
    swings = np.abs(np.diff(at))
    if len(swings) < 6:
        return None
    lasting = swings[-2:].mean() >= 0.7 * swings[:2].mean()
    return float(swings[-4:].max()) / 2.0 if lasting else 0.0


def _hold(run: Run, spans: Spans, x: Array) -> dict[str, float | None]:
    found: dict[str, float | None] = {"lock_time": spans.locked}
    locked_position = _mean(x, spans.after_lock)
    if locked_position is not None:
        found["resting_error_locked"] = run.move.target - locked_position
        found["lock_shift"] = locked_position - float(x[spans.sample(spans.close)])
    if spans.hold is not None:
        drift, time = _drift(run, spans, x, spans.hold)
        if time > 0.0:
            found["hold_drift"] = drift
        if time >= LEAST_DRIFT_TIME:
            found["hold_drift_rate"] = drift / time
    if spans.has_lock and not math.isnan(spans.free):
        after = max(run.axis.parameters.lock.release_dwell, RINGING)
        span = spans.span(spans.open, spans.free + after)
        if span is not None:
            part = x[span[0] : span[1]]
            found["unlock_bump"] = _largest(part - part[0])
    return found


def _drift(run: Run, spans: Spans, x: Array, hold: Span) -> tuple[float, float]:
    """Return drift and time [m, s] summed over the parts of the hold without thrust or ringing."""
    free = (column(run, "thrust") == 0.0) & (column(run, "normal_thrust") == 0.0)
    skip = round(RINGING / spans.period)
    drift = time = 0.0
    for begin, end in stretches(free[hold[0] : hold[1]]):
        first, last = hold[0] + begin + skip, hold[0] + end - 1
        if last > first:
            drift += float(x[last] - x[first])
            time += (last - first) * spans.period
    return drift, time


def _thrust(spans: Spans, x: Array) -> dict[str, float | None]:
    if not spans.thrust_in_place:
        return {}
    found: dict[str, float | None] = {}
    before = x[math.floor(spans.thrust_begin / spans.period + 1e-6)]
    middle = 0.5 * (spans.thrust_full + spans.thrust_fall)
    full = _mean(x, spans.span(middle, spans.thrust_fall))
    if full is not None:
        found["thrust_deflection"] = full - before
    span = spans.span(spans.thrust_begin, spans.thrust_end)
    if span is not None:
        found["thrust_deflection_peak"] = _largest(x[span[0] : span[1]] - before)
    later = spans.thrust_end + RINGING
    release = spans.first_release
    if later <= spans.end + 1e-9 and (math.isnan(release) or later <= release + 1e-9):
        found["thrust_set"] = x[math.floor(later / spans.period + 1e-6)] - before
    return found


def _power(run: Run, spans: Spans) -> dict[str, float | None]:
    p, end = run.axis.parameters, spans.end
    chambers = [run.state("pressure_a")]
    high, low = [run.extremes[0, 0]], [run.extremes[2, 0]]
    if p.cylinder.has_b:
        chambers.append(run.state("pressure_b"))
        high.append(run.extremes[1, 0])
        low.append(run.extremes[3, 0])
    below = np.minimum.reduce(chambers) < p.oil.p_release
    drawn = run.state("drawn_volume")
    limit = 0.999 * min(p.controller.u_max, 1.0)
    found: dict[str, float | None] = {
        "pressure_max": float(np.max(high)),
        "pressure_min": float(np.min(low)),
        "supply_pressure_min": float(run.state("supply_pressure").min()),
        "cavitation_time": float(below.sum()) * spans.period,
        "energy": run.state("supplied_energy")[-1],
        "work": run.state("mechanical_work")[-1],
        "heat": run.state("heat")[-1],
        "valve_saturation": float(np.mean(np.abs(column(run, "command")) >= limit)),
    }
    if spans.n > 1:
        found["flow_peak"] = float(np.diff(drawn).max()) / spans.period
        found["flow_mean"] = (drawn[-1] - drawn[0]) / end
    return found
