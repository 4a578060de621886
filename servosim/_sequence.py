"""The lock's sequence in compiled form: close, hold, match, open, release.

The memory of the sequence is one flat array, so that a run can go on from the end of another.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from servosim._equations import AxisParameters
from servosim._jit import kernel
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
def new_memory(p: AxisParameters) -> NDArray[np.float64]:
    """Return the memory of an axis that stands with its lock open."""
    d = np.zeros(SIZE)
    d[T_INSIDE] = d[T_CLOSE] = d[T_LOCKED] = d[T_OPEN] = d[T_FREE] = d[T_MATCH] = math.nan
    d[MERGED_A] = d[MERGED_B] = 0.0 if opposite_piloted(p) else 1.0
    d[AREA_A] = d[AREA_B] = 1.0
    return d


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
    phase = int(d[PHASE])
    if phase == CLOSING:
        return not (p.lock.kind == SPOOL or opposite_piloted(p))
    return phase == FREE or (phase == RELEASED and d[TAKEN_OVER] == 1.0)


@kernel
def integrating(d: NDArray[np.float64], p: AxisParameters) -> bool:
    """Tell whether the integral may grow: not from the command to close until confirmed open."""
    return loop_alive(d, p) and int(d[PHASE]) != CLOSING


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
    phase = int(d[PHASE])
    if phase == FREE:
        distance = abs(target - y)
        if k.ahead == 1:
            trigger = distance <= k.ahead_distance
        else:
            if distance > k.window:
                d[T_INSIDE] = math.nan
            elif math.isnan(d[T_INSIDE]):
                d[T_INSIDE] = t
            trigger = t - d[T_INSIDE] >= k.dwell - eps  # false for nan
        if trigger and math.isnan(d[T_LOCKED]):
            if k.kind == NONE and k.brake == 0:
                d[T_LOCKED] = t
            else:
                d[T_CLOSE] = t
                d[PHASE] = CLOSING
    elif phase == CLOSING:
        closed = t >= closing_end(d, p) - eps
        if k.kind == SPOOL:
            v = p.valve
            closed = closed and abs(spool) < min(min(v.L_PA, v.L_BT), min(v.L_PB, v.L_AT))
        if opposite_piloted(p):
            closed = closed and d[AREA_A] == 0.0 and d[AREA_B] == 0.0
        if closed:
            d[T_LOCKED] = t
            d[PHASE] = LOCKED
    elif phase == LOCKED:
        if t >= d[T_LOCKED] + hold_time - eps:
            if k.prematch == 1:
                d[T_MATCH] = t
                d[PHASE] = MATCHING
            else:
                d[T_OPEN] = t
                d[PHASE] = OPENING
    elif phase == MATCHING and t >= d[T_MATCH] + k.t_prematch - eps:
        d[T_OPEN] = t
        d[PHASE] = OPENING


@kernel
def next_corner(t: float, t_end: float, d: NDArray[np.float64], p: AxisParameters) -> float:
    """Return the first time after ``t`` at which lock or brake change their course [s]."""
    k = p.lock
    first = t_end
    phase = int(d[PHASE])
    if phase == CLOSING:
        if commanded(p):
            for delay in (k.delay_A, k.delay_B):
                begin = d[T_CLOSE] + delay
                if t < begin < first:
                    first = begin
                if t < begin + k.t_close < first:
                    first = begin + k.t_close
        if k.brake == 1 and t < d[T_CLOSE] + k.t_brake_close < first:
            first = d[T_CLOSE] + k.t_brake_close
    elif phase == OPENING:
        end = opening_end(d, p)
        if t < end < first:
            first = end
        if k.brake == 1 and t < d[T_OPEN] + k.t_brake_open < first:
            first = d[T_OPEN] + k.t_brake_open
    return first


@kernel
def ramp_at(t: float, begin: float, length: float) -> tuple[float, float]:
    """Return area and slope of a closing ramp just after a time."""
    if t < begin:
        return 1.0, 0.0
    if t >= begin + length:
        return 0.0, 0.0
    return 1.0 - (t - begin) / length, -1.0 / length


@kernel
def stroke_left(area: float, slope: float) -> float:
    """Return the time until a check on its way is quite open or quite shut [s]."""
    if slope < 0.0:
        return area / -slope
    if slope > 0.0:
        return (1.0 - area) / slope
    return 0.0


@kernel
def area_after(area: float, slope: float, time: float) -> float:
    """Return the area after a time; what rounding leaves of a stroke counts as its end."""
    area += slope * time
    if area < 1e-9:
        return 0.0
    return min(area, 1.0) if area < 1.0 - 1e-9 else 1.0


@kernel
def taken_volume(V: float, hose: float, begin: float, end: float, p: AxisParameters) -> float:
    """Return the oil that a volume takes up between two pressures, the integral of C dp [m3].

    Simpson's rule over the root of absolute pressure: free air makes the oil softest low down.
    """
    floor = p.oil.p_floor - ATMOSPHERE
    if begin < floor or end < floor:  # stiffness stays that of the floor below it
        C = chamber_compliance(V, floor, p.cylinder, p.oil) + hose
        below = C * (min(end, floor) - min(begin, floor))
        return below + _taken_above(V, hose, max(begin, floor), max(end, floor), p)
    return _taken_above(V, hose, begin, end, p)


@kernel
def _taken_above(V: float, hose: float, begin: float, end: float, p: AxisParameters) -> float:
    first = math.sqrt(begin + ATMOSPHERE)
    step = (math.sqrt(end + ATMOSPHERE) - first) / MIXING_STEPS
    total = 0.0
    for k in range(MIXING_STEPS + 1):
        root = first + k * step
        weight = 1.0 if k in (0, MIXING_STEPS) else 2.0 + 2.0 * (k % 2)
        C = chamber_compliance(V, root * root - ATMOSPHERE, p.cylinder, p.oil) + hose
        total += weight * C * 2.0 * root
    return total * step / 3.0


@kernel
def mixed_pressure(
    V_c: float, V_l: float, p_c: float, p_l: float, hose: float, p: AxisParameters
) -> float:
    """Return the pressure at which chamber and line settle when they mix [Pa].

    What one takes up the other gives; for equal stiffness the pressures mix by volume.
    """
    low, high = min(p_c, p_l), max(p_c, p_l)
    for _ in range(60):
        mean = 0.5 * (low + high)
        gained = taken_volume(V_c, 0.0, p_c, mean, p) + taken_volume(V_l, hose, p_l, mean, p)
        if gained > 0.0:
            high = mean
        else:
            low = mean
        if high - low < 1e-3:
            break
    return 0.5 * (low + high)


@kernel
def act(t: float, x: NDArray[np.float64], d: NDArray[np.float64], p: AxisParameters) -> bool:
    """Do what lock and brake do at a time: split, engage, mix. Return whether the state jumped.

    Parameters
    ----------
    t : float
        Time [s].
    x : ndarray, shape (n_states,)
        State; pressures jump when an opened lock mixes them.
    d : ndarray, shape (SIZE,)
        Memory, changed in place.
    p : AxisParameters
        Numbers of the axis.
    """
    k, i, eps = p.lock, p.index, 1e-12
    phase = int(d[PHASE])
    if k.brake == 1:
        # the sequence may have called it locked at this very sample
        closing = phase in (CLOSING, LOCKED)
        if closing and d[BRAKE] == 0.0 and t >= d[T_CLOSE] + k.t_brake_close - eps:
            d[BRAKE], d[BRAKE_POSITION] = 1.0, x[i.table_position]
        if phase == OPENING and t >= d[T_OPEN] + k.t_brake_open - eps:
            d[BRAKE] = 0.0
    if phase == CLOSING and commanded(p):
        if t >= d[T_CLOSE] + k.delay_A - eps:
            d[MERGED_A] = 0.0
        if t >= d[T_CLOSE] + k.delay_B - eps:
            d[MERGED_B] = 0.0
    if phase == OPENING and t >= opening_end(d, p) - eps:
        if not commanded(p):
            d[PHASE], d[T_FREE] = RELEASED, t
            return False
        opens_a = opens_b = True
        if k.kind == CHECK:  # each check by itself; a plunger has one
            p_S = x[i.supply_pressure]
            opens_a = pilot_opens(p_S, x[i.pressure_a], x[i.line_pressure_a], k)
            opens_b = pilot_opens(p_S, x[i.pressure_b], x[i.line_pressure_b], k)
            opens_b = opens_b or p.cylinder.has_b == 0
        V_A, V_B = volumes(x[i.piston_position], p.cylinder)
        jumps = False
        if opens_a and d[MERGED_A] == 0.0:
            p_A = mixed_pressure(
                V_A, p.cylinder.V_lA, x[i.pressure_a], x[i.line_pressure_a], p.cylinder.hose_A, p
            )
            x[i.pressure_a] = x[i.line_pressure_a] = p_A
            d[MERGED_A], jumps = 1.0, True
        if opens_b and d[MERGED_B] == 0.0:
            if p.cylinder.has_b == 1:
                p_B = mixed_pressure(
                    V_B,
                    p.cylinder.V_lB,
                    x[i.pressure_b],
                    x[i.line_pressure_b],
                    p.cylinder.hose_B,
                    p,
                )
                x[i.pressure_b] = x[i.line_pressure_b] = p_B
            d[MERGED_B], jumps = 1.0, True
        d[BLOCKED] = 0.0 if d[MERGED_A] + d[MERGED_B] == 2.0 else 1.0
        if d[BLOCKED] == 0.0:
            d[PHASE], d[T_FREE] = RELEASED, t
        return jumps
    return False
