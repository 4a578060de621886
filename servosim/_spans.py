"""Spans of a move over which its figures are judged, and plain sums over them.

A span is a pair of sample numbers, first and one past the last, or None where the run doesn't hold
it. All follow from the times that the lock's sequence noted, the thrust and the reference.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from servosim import _sequence as sequence
from servosim._integrate import RECORD
from servosim.program import TIMED
from servosim.result import Run, Status

Array = NDArray[np.float64]
Span = tuple[int, int]

# time after the confirmed lock and after a thrust that belongs to their ringing (own choice)
RINGING = 0.1
# a velocity error has faded to 0.1 % of its change after this many time constants 1/Kv
FADED = 7.0
# shortest unlocked rest that can show there is no limit cycle, in time constants 1/Kv (own choice)
LONG_REST = 10.0
_EPS = 1e-9


@dataclass(frozen=True)
class Spans:
    """Spans and times of one run.

    Attributes
    ----------
    period : float
        Sampling period [s].
    n : int
        Number of samples.
    whole : bool
        Whether the run reached its end.
    has_lock : bool
        Whether the axis has a lock or a brake.
    ahead : bool
        Whether the lock closes on the moving table.
    dwell : float
        Time inside the lock's window before it closes [s], zero for one that closes ahead.
    close, locked, match, open, free : float
        Times of the sequence [s], nan if they did not come. Without a lock ``locked`` is the end
        of the dwell in place, nan if there is no dwell to tell it.
    reference_end : float
        End of the reference in time [s], nan if it has none.
    thrust_begin, thrust_full, thrust_fall, thrust_end : float
        Corners of the thrust [s], nan if it did not come.
    """

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
        """Return the first sample at or after a time [s]."""
        return math.ceil(time / self.period - 1e-6)

    @property
    def end(self) -> float:
        """Time of the last sample [s]."""
        return (self.n - 1) * self.period

    def span(self, begin: float, end: float) -> Span | None:
        """Return the samples from one time to another [s], or None if the run lacks some."""
        if not (math.isfinite(begin) and math.isfinite(end)):
            return None
        first, last = self.sample(begin), math.floor(end / self.period + 1e-6)
        if first < 0 or last < first or last >= self.n:
            return None
        return first, last + 1

    @property
    def approach(self) -> Span | None:
        """Samples of the unlocked move: to the command to close, or to a thrust that waits for it.

        With a lock that closes ahead of the target, closing is the stop itself: the span then goes
        on to the thrust, the command to open, or the end. None if the run broke off before its end.
        """
        ends = [self.first_release] if self.ahead else [self.close]
        if self.thrust_begin >= self.locked - _EPS:  # after it closes, if there is a lock
            ends.append(self.thrust_begin)
        known = [time for time in ends if not math.isnan(time)]
        if known and min(known) <= self.end + _EPS:
            return self.span(0.0, min(known))
        return self.span(0.0, self.end) if self.whole else None

    @property
    def first_release(self) -> float:
        """Time at which the lock begins to be released [s], nan if it did not come."""
        return self.open if math.isnan(self.match) else self.match

    @property
    def rest(self) -> Span | None:
        """Samples of the last dwell of the unlocked move, once the reference is over."""
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
        """Samples just after the confirmed lock, before thrust and release."""
        if not self.has_lock or math.isnan(self.locked):
            return None
        ends = [self.locked + RINGING, self.first_release, self.end]
        if self.thrust_end > self.locked:
            ends.append(max(self.thrust_begin, self.locked))
        return self.span(self.locked, min(t for t in ends if not math.isnan(t)))

    @property
    def hold(self) -> Span | None:
        """Samples from the confirmed lock to its release, or to the end of a whole run."""
        if not self.has_lock:
            return None
        end = self.first_release
        if math.isnan(end) and self.whole:
            end = self.end
        return self.span(self.locked, end)

    @property
    def thrust_in_place(self) -> bool:
        """Whether the whole thrust acts on a table that has come to its place, in the run."""
        if not self.thrust_begin >= self.locked - _EPS:  # false for nan
            return False
        ends = [t for t in (self.first_release, self.end) if not math.isnan(t)]
        return self.thrust_end <= min(ends) + _EPS


def spans_of(run: Run) -> Spans:
    """Return the spans of a run.

    Parameters
    ----------
    run : Run
        The run, whole or ended early.

    Returns
    -------
    Spans
        Times and spans.
    """
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
    """Return a column of the record by name, shape (n_t,), SI units."""
    values: Array = run.record[:, RECORD.index(name)]
    return values


def stretches(mask: NDArray[np.bool_]) -> list[Span]:
    """Return the runs of true values of a mask as spans."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def turning_points(x: Array, least: float) -> tuple[NDArray[np.int64], Array]:
    """Return where a trace turns back by more than a least swing.

    Parameters
    ----------
    x : ndarray, shape (n_t,)
        The trace.
    least : float
        Swings not larger than this don't count [unit of x].

    Returns
    -------
    samples : ndarray, shape (n_turns,)
        Sample numbers of alternating highs and lows, without the ends of the trace.
    values : ndarray, shape (n_turns,)
        The trace there.
    """
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
