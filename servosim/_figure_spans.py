"""Times and spans of a move over which its figures are judged, in compiled form.

A span is a pair of sample numbers, its begin and one past its end; both are zero where the run
doesn't hold it. All follow from the times that the lock's sequence noted, the thrust and the
reference.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple, cast

from numpy.typing import NDArray

from servosim import _sequence as sequence
from servosim._equations import AxisParameters
from servosim._jit import kernel
from servosim._record import record
from servosim.program import TIMED, Move

# time after the confirmed lock and after a thrust that belongs to their ringing (own choice)
RINGING = 0.1
# a velocity error has faded to 0.1 % of its change after this many time constants 1/Kv
FADED = 7.0
# shortest unlocked rest that can show there is no limit cycle, in time constants 1/Kv (own choice)
LONG_REST = 10.0
EPS = 1e-9


class Spans(NamedTuple):
    """Times and spans of one run, a record for the kernels.

    Times are nan if they did not come. Without a lock ``locked`` is the end of the dwell in place,
    nan if there is no dwell to tell it.
    """

    period: float = 0.0  # sampling period [s]
    n: int = 0  # number of samples
    end: float = 0.0  # time of the last sample [s]
    has_lock: int = 0  # 1 with a lock or a brake
    ahead: int = 0  # 1 if the lock closes on the moving table
    dwell: float = 0.0  # time inside the lock's window before it closes [s]; zero for one ahead
    start: float = 0.0  # start, target [m] and half width of the window [m]
    target: float = 0.0
    window: float = 0.0
    long_rest: float = 0.0  # shortest rest that can show there is no limit cycle [s]
    close: float = 0.0  # command to close [s]
    locked: float = 0.0  # confirmed closed [s]
    first_release: float = 0.0  # when the lock begins to be released [s]
    free: float = 0.0  # confirmed open [s]
    reference_end: float = 0.0  # end of a reference in time [s]
    direction: float = 0.0  # of the reference, 1 or -1
    steady_lag: float = 0.0  # lag of a type-one loop at constant velocity [m], nan if it has none
    thrust_begin: float = 0.0  # corners of the thrust [s]
    thrust_full: float = 0.0
    thrust_fall: float = 0.0
    thrust_end: float = 0.0
    thrust_in_place: int = 0  # 1 if the whole thrust acts, in the run, on a table in its place
    approach_end: int = 0  # unlocked move: to the command to close, or a thrust that waits for it
    rest_begin: int = 0  # last dwell of the unlocked move, once the reference is over
    rest_end: int = 0
    moving_begin: int = 0  # the reference moves, unlocked
    moving_end: int = 0
    steady_begin: int = 0  # it moves at constant velocity and the transient has faded
    steady_end: int = 0
    after_begin: int = 0  # just after the confirmed lock, before thrust and release
    after_end: int = 0
    hold_begin: int = 0  # from the confirmed lock to its release, or to the end of a whole run
    hold_end: int = 0
    push_begin: int = 0  # the thrust pushes
    push_end: int = 0
    bump_begin: int = 0  # from the command to open until the release dwell is over
    bump_end: int = 0


def new_spans() -> Spans:
    """Return an empty record of spans."""
    return cast(Spans, record(Spans()))


@kernel
def sample_at(time: float, period: float) -> int:
    """Return the first sample at or after a time."""
    return math.ceil(time / period - 1e-6)


@kernel
def sample_before(time: float, period: float) -> int:
    """Return the last sample at or before a time."""
    return math.floor(time / period + 1e-6)


@kernel
def span_of(begin: float, end: float, period: float, n: int) -> tuple[int, int]:
    """Return the samples from one time to another, or zeros if the run lacks some.

    Parameters
    ----------
    begin, end : float
        Times [s], nan if they did not come.
    period : float
        Sampling period [s].
    n : int
        Number of samples.

    Returns
    -------
    tuple of int
        First sample and one past the last.
    """
    if (begin >= 0.0) & (begin <= end + period) & (end < math.inf):  # false for nan
        first, last = sample_at(begin, period), sample_before(end, period)
        if (first <= last) & (last < n):
            return first, last + 1
    return 0, 0


@kernel
def find_spans(p: AxisParameters, m: Move, d: NDArray[Any], n: int, whole: int, s: Any) -> None:
    """Write times and spans of a run.

    With a lock that closes ahead of the target, closing is the stop itself: the approach then goes
    on to the thrust, the command to open, or the end. There is no approach if the run broke off
    before its end.

    Parameters
    ----------
    p : AxisParameters
        Numbers of the axis.
    m : Move
        The move.
    d : ndarray, shape (sequence.SIZE,)
        Memory of the sequence after the run.
    n : int
        Number of samples.
    whole : int
        1 if the run reached its end.
    s : record of Spans
        Overwritten.
    """
    period, dwell = p.controller.period, p.lock.dwell
    has_lock = (p.lock.kind != 0) | (p.lock.brake != 0)
    ahead = has_lock & (p.lock.ahead != 0)
    end = (n - 1) * period
    close, locked, opens = d[sequence.T_CLOSE], d[sequence.T_LOCKED], d[sequence.T_OPEN]
    release = d[sequence.T_MATCH] if d[sequence.T_MATCH] >= 0.0 else opens
    begin = locked if m.thrust_locked == 1 else 0.0
    begin += 0.0 * m.thrust_t[3]  # nan without a thrust, whose corners are infinite
    push, over = begin + m.thrust_t[0], begin + m.thrust_t[3]
    if (p.lock.ahead != 0) & (not has_lock):
        locked = math.nan
    s.period, s.n, s.end = period, n, end
    s.has_lock, s.ahead, s.dwell = has_lock, ahead, dwell
    s.start, s.target, s.window = m.start, m.target, m.window
    s.long_rest = LONG_REST / p.controller.K_v
    s.close, s.locked, s.first_release, s.free = close, locked, release, d[sequence.T_FREE]
    s.thrust_begin, s.thrust_full = push, begin + m.thrust_t[1]
    s.thrust_fall, s.thrust_end = begin + m.thrust_t[2], over

    # in comparisons a time that did not come is infinitely late
    released = release if release >= 0.0 else math.inf
    closed = close if close >= 0.0 else math.inf
    waits = push >= locked - EPS  # after it closes, if there is a lock
    s.thrust_in_place = waits & (over <= min(released, end) + EPS)
    stop = released if ahead else closed
    if waits:
        stop = min(stop, push)
    if stop > end + EPS:
        stop = end if whole == 1 else math.nan
    _, past = span_of(0.0, stop, period, n)
    s.approach_end = past

    reference_end = _follow(p, m, closed, s)
    last = (past - 1) * period
    at_rest = (has_lock & (closed < math.inf)) | (last - dwell >= reference_end - EPS)
    begin = max(last - dwell, 0.0) if at_rest & (not ahead) else math.nan
    s.rest_begin, s.rest_end = span_of(begin, last, period, n)

    until = min(locked + RINGING, released, end)
    if over > locked:
        until = min(until, max(push, locked))
    if not has_lock:
        opens = locked = math.nan
    s.after_begin, s.after_end = span_of(locked, until, period, n)
    until = end if (whole == 1) & (released == math.inf) else release
    s.hold_begin, s.hold_end = span_of(locked, until, period, n)
    until = s.free + max(p.lock.release_dwell, RINGING)
    s.bump_begin, s.bump_end = span_of(opens, until, period, n)

    s.push_begin = s.push_end = n
    force = abs(m.thrust_along[1]) + abs(m.thrust_along[2])
    force += abs(m.thrust_normal[1]) + abs(m.thrust_normal[2])
    if (force > 0.0) & (push <= end):
        # samples at the corners are free of thrust
        s.push_begin = sample_before(push, period) + 1
        s.push_end = sample_at(min(over, end + period), period)


@kernel
def _follow(p: AxisParameters, m: Move, closed: float, s: Any) -> float:
    """Write the spans of a reference in time and return its end, zero if it has none."""
    c, profile, end = p.controller, m.profile, m.profile.t_end
    s.direction = profile.direction
    s.reference_end = s.steady_lag = math.nan
    s.moving_begin = s.moving_end = s.steady_begin = s.steady_end = 0
    if (m.kind != TIMED) | (not end > profile.t[0]):
        return 0.0
    s.reference_end = end
    last = min(end, closed)
    s.moving_begin, s.moving_end = span_of(profile.t[0], last, s.period, s.n)
    until = end
    i = 7
    while i >= 0:
        t, v = profile.t[i], profile.v[i]
        if (v != 0.0) & (until > t) & (profile.a[i] == 0.0) & (profile.j[i] == 0.0):
            # the first such stretch is found last and counts
            begin, past = t + FADED / c.K_v, min(until, last)
            if past - begin < 1.0 / c.K_v:
                past = math.nan
            s.steady_begin, s.steady_end = span_of(begin, past, s.period, s.n)
            v = abs(v) if c.K_i == 0.0 else math.nan
            s.steady_lag = v * (1.0 - c.k_ff + c.k_v) / c.K_v
        until = t
        i -= 1
    return end
