"""Figures of a move in array form, to judge the compiled ones; for tests alone.

The same definitions, with masks, means and searches over whole arrays instead of loops.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from servosim import _sequence as sequence
from servosim._samples import RECORD
from servosim.metrics import DEFINITIONS
from servosim.program import TIMED
from servosim.result import Run, Status

Array = NDArray[np.float64]
Span = tuple[int, int]

RINGING = 0.1
FADED = 7.0
LONG_REST = 10.0
RESTING = 0.02
LEAST_DRIFT_TIME = 0.3
_EPS = 1e-9


def figures_of(run: Run) -> dict[str, float | None]:
    """Return the figures of a run by name in SI units, None where it doesn't hold one."""
    spans, x = spans_of(run), run.state("table_position")
    values: dict[str, float | None] = dict.fromkeys(DEFINITIONS)
    if len(run.time) > 0:
        values |= _approach(run, spans, x)
        values |= _following(run, spans, x)
        values |= _rest(run, spans, x)
        values |= _hold(run, spans, x)
        values |= _thrust(spans, x)
        values |= _power(run, spans)
    return {
        name: float(value) if value is not None and math.isfinite(value) else None
        for name, value in values.items()
    }


@dataclass(frozen=True)
class Spans:
    """Spans and times of one run."""

    period: float
    n: int
    whole: bool
    has_lock: bool
    ahead: bool
    dwell: float
    close: float
    locked: float
    match: float
    open: float
    free: float
    reference_end: float
    thrust_begin: float
    thrust_full: float
    thrust_fall: float
    thrust_end: float

    def sample(self, time: float) -> int:
        return math.ceil(time / self.period - 1e-6)

    @property
    def end(self) -> float:
        return (self.n - 1) * self.period

    def span(self, begin: float, end: float) -> Span | None:
        if not (math.isfinite(begin) and math.isfinite(end)):
            return None
        first, last = self.sample(begin), math.floor(end / self.period + 1e-6)
        if first < 0 or last < first or last >= self.n:
            return None
        return first, last + 1

    @property
    def approach(self) -> Span | None:
        ends = [self.first_release] if self.ahead else [self.close]
        if self.thrust_begin >= self.locked - _EPS:  # after it closes, if there is a lock
            ends.append(self.thrust_begin)
        known = [time for time in ends if not math.isnan(time)]
        if known and min(known) <= self.end + _EPS:
            return self.span(0.0, min(known))
        return self.span(0.0, self.end) if self.whole else None

    @property
    def first_release(self) -> float:
        return self.open if math.isnan(self.match) else self.match

    @property
    def rest(self) -> Span | None:
        span = self.approach
        if span is None or self.ahead:
            return None
        end = (span[1] - 1) * self.period
        over = 0.0 if math.isnan(self.reference_end) else self.reference_end
        closes = self.has_lock and not math.isnan(self.close)
        if not closes and end - self.dwell < over - _EPS:
            return None
        return self.span(max(end - self.dwell, 0.0), end)

    @property
    def after_lock(self) -> Span | None:
        if not self.has_lock or math.isnan(self.locked):
            return None
        ends = [self.locked + RINGING, self.first_release, self.end]
        if self.thrust_end > self.locked:
            ends.append(max(self.thrust_begin, self.locked))
        return self.span(self.locked, min(t for t in ends if not math.isnan(t)))

    @property
    def hold(self) -> Span | None:
        if not self.has_lock:
            return None
        end = self.first_release
        if math.isnan(end) and self.whole:
            end = self.end
        return self.span(self.locked, end)

    @property
    def thrust_in_place(self) -> bool:
        if not self.thrust_begin >= self.locked - _EPS:  # false for nan
            return False
        ends = [t for t in (self.first_release, self.end) if not math.isnan(t)]
        return self.thrust_end <= min(ends) + _EPS


def spans_of(run: Run) -> Spans:
    """Return the spans of a run."""
    p, m, d = run.axis.parameters, run.move, run.memory
    profile = m.profile
    in_time = m.kind == TIMED and profile.t_end > profile.t[0]
    has_lock = bool(p.lock.kind or p.lock.brake)
    locked = float(d[sequence.T_LOCKED])
    begin = locked if m.thrust_locked == 1 else 0.0
    if p.lock.ahead and not has_lock:
        locked = math.nan
    corners = [begin + float(t) for t in m.thrust_t]
    if not all(math.isfinite(t) for t in corners):
        corners = [math.nan] * 4
    return Spans(
        period=p.controller.period,
        n=len(run.time),
        whole=run.status == Status.COMPLETE,
        has_lock=has_lock,
        ahead=bool(p.lock.ahead) and has_lock,
        dwell=p.lock.dwell,
        close=float(d[sequence.T_CLOSE]),
        locked=locked,
        match=float(d[sequence.T_MATCH]),
        open=float(d[sequence.T_OPEN]),
        free=float(d[sequence.T_FREE]),
        reference_end=float(profile.t_end) if in_time else math.nan,
        thrust_begin=corners[0],
        thrust_full=corners[1],
        thrust_fall=corners[2],
        thrust_end=corners[3],
    )


def column(run: Run, name: str) -> Array:
    values: Array = run.record[:, RECORD.index(name)]
    return values


def stretches(mask: NDArray[np.bool_]) -> list[Span]:
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def turning_points(x: Array, least: float) -> tuple[NDArray[np.int64], Array]:
    if len(x) < 3:
        return np.zeros(0, dtype=np.int64), np.zeros(0)
    step = np.sign(np.diff(x))
    moving = np.flatnonzero(step)
    turn = moving[1:][step[moving[1:]] != step[moving[:-1]]]
    found: list[int] = []
    at, way = 0, 0
    low = high = float(x[0])
    for k in (*turn.tolist(), len(x) - 1):
        value = float(x[k])
        if way == 0:
            low, high = min(low, value), max(high, value)
            if value - low > least or high - value > least:
                way, at = (1 if value - low > least else -1), k
        elif way * (value - x[at]) >= 0.0:
            at = k
        elif way * (x[at] - value) > least:
            found.append(at)
            way, at = -way, k
    samples = np.array(found, dtype=np.int64)
    return samples, x[samples]


def _mean(x: Array, span: Span | None) -> float | None:
    return None if span is None else float(x[span[0] : span[1]].mean())


def _largest(departure: Array) -> float:
    return float(departure[np.argmax(np.abs(departure))])


def settling_sample(run: Run, spans: Spans, x: Array) -> int | None:
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
    force = np.abs(column(run, "thrust")) + np.abs(column(run, "normal_thrust"))
    # a sample on a corner of the thrust is free of it, however its time is rounded
    free = force <= 1e-5 * force.max()
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
