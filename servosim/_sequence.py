"""The lock's sequence in compiled form: close, hold, match, open, release.

The memory of the sequence is one flat array, so that a run can go on from the end of another.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from servosim._equations import AxisParameters
from servosim._jit import kernel
from servosim._lanes import isnan, no, some, where
from servosim.components.cylinder import chamber_compliance, volumes
from servosim.components.lock import BLOCKING, CHECK, NONE, SPOOL, pilot_opens
from servosim.components.oil import ATMOSPHERE

FREE, CLOSING, LOCKED, MATCHING, OPENING, RELEASED = 0, 1, 2, 3, 4, 5
PHASES = ("free", "closing", "locked", "matching", "opening", "released")

# places in the memory
PHASE = 0
T_INSIDE = 1  # since when the reading is inside the lock's window, s
T_CLOSE = 2  # command to close
T_LOCKED = 3  # confirmed closed, or in position without a lock
T_OPEN = 4  # command to open
T_FREE = 5  # confirmed open
MERGED_A = 6
MERGED_B = 7
AREA_A = 8
AREA_B = 9
BRAKE = 10
BRAKE_POSITION = 11
HELD = 12  # reference held after release, m
NARROW = 13  # memories of the valve's plays
WIDE = 14
SPOOL_COMMAND = 15
MATCH = 16  # command gathered while matching pressures
INTEGRAL = 17  # states of the sampled controller, five places
T_MATCH = 22
BLOCKED = 23  # 1 if a check would not open
COURSE_A = 24  # opposite-piloted checks: 1 opens, -1 closes
COURSE_B = 25
TAKEN_OVER = 26  # 1 once the reference took over the position after release
SIZE = 27

MIXING_STEPS = 32


@kernel
def clear(d: NDArray[np.float64], p: AxisParameters) -> None:
    """Write the memory of an axis that stands with its lock open."""
    for j in range(SIZE):
        d[j] = 0.0
    d[T_INSIDE] = d[T_CLOSE] = d[T_LOCKED] = d[T_OPEN] = d[T_FREE] = d[T_MATCH] = math.nan
    d[MERGED_A] = d[MERGED_B] = 0.0 if opposite_piloted(p) else 1.0
    d[AREA_A] = d[AREA_B] = 1.0


@kernel
def opposite_piloted(p: AxisParameters) -> bool:
    """Tell whether the pressure of the opposite line opens each check."""
    return p.lock.kind == CHECK and p.lock.opposite == 1


@kernel
def commanded(p: AxisParameters) -> bool:
    """Tell whether elements close and open on command and part the lines from the chambers."""
    return p.lock.kind in (BLOCKING, CHECK) and not opposite_piloted(p)


@kernel
def loop_alive(d: NDArray[np.float64], p: AxisParameters) -> bool:
    """Tell whether the position loop gives the command; otherwise it rests at null.

    A lock with elements of its own closes first and the valve goes to null then; a spool centre or
    checks piloted by the opposite line close by the valve's null itself.
    """
    phase = d[PHASE]
    alive = (phase == FREE) | ((phase == RELEASED) & (d[TAKEN_OVER] == 1.0))
    if not (p.lock.kind == SPOOL or opposite_piloted(p)):
        alive |= phase == CLOSING
    return alive


@kernel
def integrating(d: NDArray[np.float64], p: AxisParameters) -> bool:
    """Tell whether the integral may grow: not from the command to close until confirmed open."""
    return loop_alive(d, p) & (d[PHASE] != CLOSING)


@kernel
def closing_end(d: NDArray[np.float64], p: AxisParameters) -> float:
    """Return the time at which lock and brake are closed [s]; opposite-piloted checks: unknown."""
    end = d[T_CLOSE]
    if commanded(p):
        end += max(p.lock.delay_A, p.lock.delay_B) + p.lock.t_close
    if p.lock.brake == 1:
        end = max(end, d[T_CLOSE] + p.lock.t_brake_close)
    return end


@kernel
def opening_end(d: NDArray[np.float64], p: AxisParameters) -> float:
    """Return the time at which lock and brake are open [s]."""
    end = d[T_OPEN]
    if commanded(p):
        end += p.lock.t_open
    if p.lock.brake == 1:
        end = max(end, d[T_OPEN] + p.lock.t_brake_open)
    return end


@kernel
def sequence(
    t: float,
    y: float,
    spool: float,
    target: float,
    hold_time: float,
    d: NDArray[np.float64],
    p: AxisParameters,
) -> None:
    """Advance the sequence at a sample; the memory is changed in place.

    Parameters
    ----------
    t : float
        Time of the sample [s].
    y : float
        Reading of the scale [m].
    spool : float
        Position of the spool [-]: a spool that locks has to be inside its overlap.
    target : float
        Target of the move [m].
    hold_time : float
        Time from the confirmed lock to the command to open [s].
    d : ndarray, shape (SIZE,)
        Memory.
    p : AxisParameters
        Numbers of the axis.
    """
    k, eps = p.lock, 1e-9
    phase = d[PHASE]
    free = phase == FREE
    distance = abs(target - y)
    if k.ahead == 1:
        trigger = distance <= k.ahead_distance
    else:
        since = where(isnan(d[T_INSIDE]), t, d[T_INSIDE])
        d[T_INSIDE] = where(free, where(distance > k.window, math.nan, since), d[T_INSIDE])
        trigger = t - d[T_INSIDE] >= k.dwell - eps  # false for nan
    trigger &= free & isnan(d[T_LOCKED])
    if k.kind == NONE and k.brake == 0:
        d[T_LOCKED] = where(trigger, t, d[T_LOCKED])
    else:
        d[T_CLOSE] = where(trigger, t, d[T_CLOSE])
        d[PHASE] = where(trigger, CLOSING, d[PHASE])
    closed = phase == CLOSING
    if some(closed):
        closed &= t >= closing_end(d, p) - eps
        if k.kind == SPOOL:
            v = p.valve
            closed &= abs(spool) < min(min(v.L_PA, v.L_BT), min(v.L_PB, v.L_AT))
        if opposite_piloted(p):
            closed &= (d[AREA_A] == 0.0) & (d[AREA_B] == 0.0)
        d[T_LOCKED] = where(closed, t, d[T_LOCKED])
        d[PHASE] = where(closed, LOCKED, d[PHASE])
    over = (phase == LOCKED) & (t >= d[T_LOCKED] + hold_time - eps)
    if k.prematch == 1:
        d[T_MATCH] = where(over, t, d[T_MATCH])
        d[PHASE] = where(over, MATCHING, d[PHASE])
        over = (phase == MATCHING) & (t >= d[T_MATCH] + k.t_prematch - eps)
    d[T_OPEN] = where(over, t, d[T_OPEN])
    d[PHASE] = where(over, OPENING, d[PHASE])


@kernel
def free_again(hold_time: float, d: NDArray[np.float64], p: AxisParameters) -> float:
    """Return when the axis may move on [s], nan as long as that is not known.

    With a lock or brake that is its release dwell after the confirmed opening, without either the
    end of the hold.
    """
    if p.lock.kind == NONE and p.lock.brake == 0:
        return d[T_LOCKED] + hold_time
    return d[T_FREE] + p.lock.release_dwell


@kernel
def earlier(t: float, corner: float, first: float) -> float:
    """Return the corner if it lies after the time t and before the first, else the first."""
    return where((t < corner) & (corner < first), corner, first)


@kernel
def next_corner(t: float, t_end: float, d: NDArray[np.float64], p: AxisParameters) -> float:
    """Return the first time after ``t`` at which lock or brake change their course [s]."""
    k = p.lock
    first = t_end
    closing, opening = d[PHASE] == CLOSING, d[PHASE] == OPENING
    if some(closing):
        if commanded(p):
            for delay in (k.delay_A, k.delay_B):
                begin = d[T_CLOSE] + delay
                first = where(closing, earlier(t, begin, first), first)
                first = where(closing, earlier(t, begin + k.t_close, first), first)
        if k.brake == 1:
            first = where(closing, earlier(t, d[T_CLOSE] + k.t_brake_close, first), first)
    if some(opening):
        first = where(opening, earlier(t, opening_end(d, p), first), first)
        if k.brake == 1:
            first = where(opening, earlier(t, d[T_OPEN] + k.t_brake_open, first), first)
    return first


@kernel
def ramp_at(t: float, begin: float, length: float) -> tuple[float, float]:
    """Return area and slope of a closing ramp just after a time."""
    before, after = t < begin, t >= begin + length
    area = where(before, 1.0, where(after, 0.0, 1.0 - (t - begin) / length))
    return area, where(before | after, 0.0, -1.0 / length)


@kernel
def stroke_left(area: float, slope: float) -> float:
    """Return the time until a check on its way is quite open or quite shut [s]."""
    left = where(slope < 0.0, area, 1.0 - area)
    return where(slope == 0.0, 0.0, left / abs(slope))


@kernel
def area_after(area: float, slope: float, time: float) -> float:
    """Return the area after a time; what rounding leaves of a stroke counts as its end."""
    area += slope * time
    return where(area < 1e-9, 0.0, where(area < 1.0 - 1e-9, area, 1.0))


@kernel
def taken_volume(V: float, hose: float, begin: float, end: float, p: AxisParameters) -> float:
    """Return the oil that a volume takes up between two pressures, the integral of C dp [m3].

    Simpson's rule over the root of absolute pressure: free air makes the oil softest low down.
    """
    floor = p.oil.p_floor - ATMOSPHERE  # stiffness stays that of the floor below it
    soft = chamber_compliance(V, floor, p.cylinder, p.oil) + hose
    below = soft * (min(end, floor) - min(begin, floor))
    first = math.sqrt(max(begin, floor) + ATMOSPHERE)
    step = (math.sqrt(max(end, floor) + ATMOSPHERE) - first) / MIXING_STEPS
    total = 0.0 * step
    for k in range(MIXING_STEPS + 1):
        root = first + k * step
        weight = 1.0 if k in (0, MIXING_STEPS) else 2.0 + 2.0 * (k % 2)
        C = chamber_compliance(V, root * root - ATMOSPHERE, p.cylinder, p.oil) + hose
        total += weight * C * 2.0 * root
    return below + total * step / 3.0


@kernel
def mixed_pressure(
    V_c: float, V_l: float, p_c: float, p_l: float, hose: float, p: AxisParameters
) -> float:
    """Return the pressure at which chamber and line settle when they mix [Pa].

    What one takes up the other gives; for equal stiffness the pressures mix by volume.
    """
    low, high = min(p_c, p_l), max(p_c, p_l)
    mean = 0.5 * (low + high)
    for _ in range(60):  # Newton's steps; one that leaves the bracket is halved instead
        gained = taken_volume(V_c, 0.0, p_c, mean, p) + taken_volume(V_l, hose, p_l, mean, p)
        low, high = where(gained > 0.0, low, mean), where(gained > 0.0, mean, high)
        softness = chamber_compliance(V_c, mean, p.cylinder, p.oil) + hose
        softness += chamber_compliance(V_l, mean, p.cylinder, p.oil)
        new = mean - gained / softness
        new = where((new >= low) & (new <= high), new, 0.5 * (low + high))
        still = abs(new - mean) >= 1e-3  # Pa
        mean = where(still, new, mean)
        if not some(still):
            break
    return mean


@kernel
def act(
    t: float, here: bool, x: NDArray[np.float64], d: NDArray[np.float64], p: AxisParameters
) -> bool:
    """Do what lock and brake do at a time: split, engage, mix. Return whether the state jumped.

    Parameters
    ----------
    t : float
        Time [s].
    here : bool
        Whether it is this time at all; nothing is done otherwise.
    x : ndarray, shape (n_states,)
        State; pressures jump when an opened lock mixes them.
    d : ndarray, shape (SIZE,)
        Memory, changed in place.
    p : AxisParameters
        Numbers of the axis.
    """
    k, i, eps = p.lock, p.index, 1e-12
    phase = d[PHASE]
    closing, opening = here & (phase == CLOSING), here & (phase == OPENING)
    if k.brake == 1:
        # the sequence may have called it locked at this very sample
        engages = (closing | (here & (phase == LOCKED))) & (d[BRAKE] == 0.0)
        engages &= t >= d[T_CLOSE] + k.t_brake_close - eps
        d[BRAKE_POSITION] = where(engages, x[i.table_position], d[BRAKE_POSITION])
        d[BRAKE] = where(engages, 1.0, d[BRAKE])
        d[BRAKE] = where(opening & (t >= d[T_OPEN] + k.t_brake_open - eps), 0.0, d[BRAKE])
    if some(closing) and commanded(p):
        d[MERGED_A] = where(closing & (t >= d[T_CLOSE] + k.delay_A - eps), 0.0, d[MERGED_A])
        d[MERGED_B] = where(closing & (t >= d[T_CLOSE] + k.delay_B - eps), 0.0, d[MERGED_B])
    opening &= t >= opening_end(d, p) - eps
    jumps = opening & no(opening)
    if some(opening):
        if commanded(p):
            jumps = _mix(opening, x, d, p)
            opening &= d[BLOCKED] == 0.0
        d[PHASE] = where(opening, RELEASED, d[PHASE])
        d[T_FREE] = where(opening, t, d[T_FREE])
    return jumps


@kernel
def _mix(here: bool, x: NDArray[np.float64], d: NDArray[np.float64], p: AxisParameters) -> bool:
    """Join chambers and lines that the lock opens; return whether pressures jumped."""
    k, i, c = p.lock, p.index, p.cylinder
    opens_a, opens_b = here, here
    if k.kind == CHECK:  # each check by itself; a plunger has one
        p_S = x[i.supply_pressure]
        opens_a &= pilot_opens(p_S, x[i.pressure_a], x[i.line_pressure_a], k)
        if c.has_b == 1:
            opens_b &= pilot_opens(p_S, x[i.pressure_b], x[i.line_pressure_b], k)
    opens_a &= d[MERGED_A] == 0.0
    opens_b &= d[MERGED_B] == 0.0
    V_A, V_B = volumes(x[i.piston_position], c)
    p_A, p_lA = x[i.pressure_a], x[i.line_pressure_a]
    joint = mixed_pressure(V_A, c.V_lA, p_A, p_lA, c.hose_A, p)
    x[i.pressure_a], x[i.line_pressure_a] = where(opens_a, joint, p_A), where(opens_a, joint, p_lA)
    if c.has_b == 1:
        p_B, p_lB = x[i.pressure_b], x[i.line_pressure_b]
        joint = mixed_pressure(V_B, c.V_lB, p_B, p_lB, c.hose_B, p)
        x[i.pressure_b] = where(opens_b, joint, p_B)
        x[i.line_pressure_b] = where(opens_b, joint, p_lB)
    d[MERGED_A], d[MERGED_B] = where(opens_a, 1.0, d[MERGED_A]), where(opens_b, 1.0, d[MERGED_B])
    left = where(d[MERGED_A] + d[MERGED_B] == 2.0, 0.0, 1.0)
    d[BLOCKED] = where(here, left, d[BLOCKED])
    return opens_a | opens_b
