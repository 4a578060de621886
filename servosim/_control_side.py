"""What the control side does at a time: command, plays, held inputs, its next corner."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim import _sequence as sequence
from servosim._equations import AxisParameters, wanted
from servosim._jit import kernel
from servosim._lanes import no, some, where
from servosim.components import controller as controller_block
from servosim.components.load import brake_anchor
from servosim.components.lock import pilot_opens
from servosim.components.valve import command_path, dither
from servosim.program import TIMED, Move, thrust_at


@kernel
def apply(
    t: float,
    here: bool,
    u: float,
    x: NDArray[np.float64],
    d: NDArray[np.float64],
    p: AxisParameters,
) -> None:
    """Give a command to the valve where it is due: plays, limit, memories."""
    p_S, added = x[p.index.supply_pressure], dither(t, p.valve)
    u_h, narrow, wide = command_path(u, d[sequence.NARROW], d[sequence.WIDE], p_S, added, p.valve)
    d[sequence.SPOOL_COMMAND] = where(here, u_h, d[sequence.SPOOL_COMMAND])
    d[sequence.NARROW] = where(here, narrow, d[sequence.NARROW])
    d[sequence.WIDE] = where(here, wide, d[sequence.WIDE])


@kernel
def hold(
    t: float,
    t_thrust: float,
    d: NDArray[np.float64],
    p: AxisParameters,
    m: Move,
    w: Any,
) -> None:
    """Write the inputs that are held from a time on until the next corner into the record w."""
    k = p.lock
    F, F_slope = thrust_at(t, t_thrust, m.thrust_along, m.thrust_t)
    N, N_slope = thrust_at(t, t_thrust, m.thrust_normal, m.thrust_t)
    area_a, area_b = d[sequence.AREA_A], d[sequence.AREA_B]
    slope_a = slope_b = 0.0
    phase = d[sequence.PHASE]
    if sequence.commanded(p):
        closing = phase == sequence.CLOSING
        shut = (phase == sequence.LOCKED) | (phase == sequence.MATCHING)
        shut |= phase == sequence.OPENING
        area_a = where(shut, d[sequence.MERGED_A], 1.0)
        area_b = where(shut, d[sequence.MERGED_B], 1.0)
        if some(closing):
            begin = d[sequence.T_CLOSE]
            area, slope = sequence.ramp_at(t, begin + k.delay_A, k.t_close)
            area_a, slope_a = where(closing, area, area_a), where(closing, slope, 0.0)
            area, slope = sequence.ramp_at(t, begin + k.delay_B, k.t_close)
            area_b, slope_b = where(closing, area, area_b), where(closing, slope, 0.0)
        d[sequence.AREA_A], d[sequence.AREA_B] = area_a, area_b
    elif sequence.opposite_piloted(p):
        slope_a, slope_b = d[sequence.COURSE_A] / k.t_close, d[sequence.COURSE_B] / k.t_close
        # at the end of its stroke a check rests; a corner of time stands there
        slope_a = where(sequence.stroke_left(area_a, slope_a) == 0.0, 0.0, slope_a)
        slope_b = where(sequence.stroke_left(area_b, slope_b) == 0.0, 0.0, slope_b)
    w.t_0 = t
    w.spool_command = d[sequence.SPOOL_COMMAND]
    w.alive = where(sequence.loop_alive(d, p), 1.0, 0.0)
    w.integrating = where(sequence.integrating(d, p), 1.0, 0.0)
    w.moving = where((phase == sequence.FREE) | (phase == sequence.CLOSING), 1.0, 0.0)
    w.reference = d[sequence.HELD]
    w.narrow, w.wide = d[sequence.NARROW], d[sequence.WIDE]
    w.dither = dither(t, p.valve)
    w.thrust, w.thrust_slope = F, F_slope
    w.normal, w.normal_slope = N, N_slope
    w.area_a, w.area_slope_a = area_a, slope_a
    w.area_b, w.area_slope_b = area_b, slope_b
    w.displaced_a, w.displaced_b = -k.V_pop * slope_a, -k.V_pop * slope_b
    w.merged_a, w.merged_b = d[sequence.MERGED_A], d[sequence.MERGED_B]
    w.brake, w.brake_position = d[sequence.BRAKE], d[sequence.BRAKE_POSITION]


@kernel
def control(
    t: float,
    y: float,
    p_A: float,
    p_B: float,
    x: NDArray[np.float64],
    d: NDArray[np.float64],
    row: NDArray[np.float64],
    p: AxisParameters,
    m: Move,
) -> float:
    """Return the sampled controller's command and write what it used into the record."""
    c, i = p.controller, p.index
    phase = d[sequence.PHASE]
    moving = (phase == sequence.FREE) | (phase == sequence.CLOSING)
    r, v_r, a_r, v_s, scheduled = wanted(t, y, moving, d[sequence.HELD], c.K_v, m)
    d[sequence.HELD] = r
    row[3], row[4], row[5] = r, v_r, a_r
    if c.sampled == 0:
        row[15] = x[i.integral]
        return 0.0
    inputs = (r, v_r, a_r, v_s, scheduled, y, p_A, p_B)
    s = sequence.INTEGRAL
    frozen = no(sequence.integrating(d, p))
    integral, position, velocity, slow, estimate = controller_block.update(
        t, (d[s], d[s + 1], d[s + 2], d[s + 3], d[s + 4]), inputs, frozen, c
    )
    d[s], d[s + 1], d[s + 2], d[s + 3], d[s + 4] = integral, position, velocity, slow, estimate
    row[15] = integral
    u = c.trim
    if p.lock.prematch == 1:
        matching = phase == sequence.MATCHING
        chamber = controller_block.load_pressure(p_A, p_B, c)
        line = controller_block.load_pressure(x[i.line_pressure_a], x[i.line_pressure_b], c)
        gathered = d[sequence.MATCH] + c.period * p.lock.k_prematch * (chamber - line)
        gathered = where(matching, gathered, d[sequence.MATCH])
        d[sequence.MATCH] = gathered
        u += where(matching | (phase == sequence.OPENING), gathered, 0.0)
    resting = min(max(u, -c.u_max), c.u_max)
    by_law = controller_block.law((integral, position, velocity, slow, estimate), inputs, c)
    return where(sequence.loop_alive(d, p), by_law, resting)


@kernel
def opposite_checks(x: NDArray[np.float64], d: NDArray[np.float64], p: AxisParameters) -> None:
    """Decide for a sample whether each check opens or closes by the opposite line's pressure."""
    i = p.index
    opens_a = pilot_opens(x[i.line_pressure_b], x[i.pressure_a], x[i.line_pressure_a], p.lock)
    opens_b = pilot_opens(x[i.line_pressure_a], x[i.pressure_b], x[i.line_pressure_b], p.lock)
    d[sequence.COURSE_A] = where(opens_a, 1.0, -1.0)
    d[sequence.COURSE_B] = where(opens_b, 1.0, -1.0)


@kernel
def next_corner(
    t: float,
    t_next: float,
    t_thrust: float,
    u_time: float,
    read_time: float,
    d: NDArray[np.float64],
    p: AxisParameters,
    m: Move,
) -> float:
    """Return the next time at which anything that is held or followed has a corner [s]."""
    t_to = sequence.next_corner(t, t_next, d, p)
    if sequence.opposite_piloted(p):
        for j in range(2):
            course = d[sequence.COURSE_A + j] / p.lock.t_close
            left = sequence.stroke_left(d[sequence.AREA_A + j], course)
            t_to = sequence.earlier(t, t + left, t_to)
    t_to = sequence.earlier(t, u_time, t_to)
    t_to = sequence.earlier(t, read_time, t_to)
    for j in range(4):
        t_to = sequence.earlier(t, t_thrust + m.thrust_t[j], t_to)
    if p.controller.sampled == 0 and m.kind == TIMED:
        for j in range(8):
            t_to = sequence.earlier(t, m.profile.t[j], t_to)
        t_to = sequence.earlier(t, m.profile.t_end, t_to)
    return t_to


@kernel
def carry_on(
    t: float,
    here: bool,
    x: NDArray[np.float64],
    d: NDArray[np.float64],
    w: Any,
    p: AxisParameters,
) -> None:
    """Take checks that open by the opposite line, and a slipping brake, along with a step."""
    if sequence.opposite_piloted(p):
        span = t - w.t_0
        area_a = sequence.area_after(w.area_a, w.area_slope_a, span)
        area_b = sequence.area_after(w.area_b, w.area_slope_b, span)
        d[sequence.AREA_A] = where(here, area_a, d[sequence.AREA_A])
        d[sequence.AREA_B] = where(here, area_b, d[sequence.AREA_B])
    if p.lock.brake == 1:
        anchor = brake_anchor(x[p.index.table_position], d[sequence.BRAKE_POSITION], p.load)
        drags = here & (d[sequence.BRAKE] == 1.0)
        d[sequence.BRAKE_POSITION] = where(drags, anchor, d[sequence.BRAKE_POSITION])
