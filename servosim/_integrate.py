"""The compiled loop over the samples of a move.

Steps land on every sample, new command, delayed reading, corner of thrust and reference, and event
of the lock; between them inputs are held and :func:`servosim._step.stretch` integrates.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim import _sequence as sequence
from servosim._equations import AxisParameters, continuous_command, spool_command
from servosim._jit import kernel
from servosim._step import STEP_OK, stretch
from servosim.components import controller as controller_block
from servosim.components.load import brake_anchor, brake_force
from servosim.components.lock import pilot_opens
from servosim.components.transducer import pressure_sample, rounded
from servosim.components.valve import command_path, dither
from servosim.components.valve import derivative as valve_derivative
from servosim.motion import profile_at
from servosim.program import TIMED, Move, schedule_velocity, thrust_at

# columns of the record, one row a sample
RECORD = (
    "command",
    "spool_command",
    "measured_position",
    "reference_position",
    "reference_velocity",
    "reference_acceleration",
    "measured_pressure_a",
    "measured_pressure_b",
    "lock_phase",
    "lock_area_a",
    "lock_area_b",
    "thrust",
    "normal_thrust",
    "brake",
    "brake_position",
    "sampled_integral",
    "merged_a",
    "merged_b",
)
N_RECORD = len(RECORD)

# events: time, value, limit
CAVITATION, END_STOP, BRAKE_SLIP, CHECK_STAYS_SHUT = 0, 1, 2, 3
N_EVENTS = 4


@kernel
def _note(event: NDArray[np.float64], t: float, value: float, limit: float) -> None:
    """Keep the first occurrence of an event and count its samples."""
    if event[3] == 0.0:
        event[0], event[1], event[2] = t, value, limit
    event[3] += 1.0


@kernel
def _watch(
    t: float,
    x: NDArray[np.float64],
    d: NDArray[np.float64],
    events: NDArray[np.float64],
    p: AxisParameters,
) -> None:
    """Note what a user must know about this sample."""
    i = p.index
    lowest = x[i.pressure_a]
    if p.cylinder.has_b == 1:
        lowest = min(lowest, x[i.pressure_b])
    if lowest < p.oil.p_release:
        _note(events[CAVITATION], t, lowest, p.oil.p_release)
    x_p = x[i.piston_position]
    if x_p < 0.0:
        _note(events[END_STOP], t, x_p, 0.0)
    elif x_p > p.cylinder.L:
        _note(events[END_STOP], t, x_p, p.cylinder.L)
    if d[sequence.BRAKE] == 1.0:
        force = brake_force(
            x[i.table_position], x[i.table_velocity], 1.0, d[sequence.BRAKE_POSITION], p.load
        )
        if abs(force) >= p.load.F_b:
            _note(events[BRAKE_SLIP], t, force, p.load.F_b)
    if d[sequence.BLOCKED] == 1.0:
        _note(events[CHECK_STAYS_SHUT], t, x[i.pressure_a], x[i.supply_pressure])


@kernel
def _apply(
    t: float, u: float, x: NDArray[np.float64], d: NDArray[np.float64], p: AxisParameters
) -> None:
    """Give a command to the valve: plays, limit, memories."""
    p_S, added = x[p.index.supply_pressure], dither(t, p.valve)
    u_h, narrow, wide = command_path(u, d[sequence.NARROW], d[sequence.WIDE], p_S, added, p.valve)
    d[sequence.SPOOL_COMMAND] = u_h
    d[sequence.NARROW], d[sequence.WIDE] = narrow, wide


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
    slope_a = slope_b = push_a = push_b = 0.0
    phase = int(d[sequence.PHASE])
    if sequence.commanded(p):
        if phase == sequence.CLOSING:
            t_c = d[sequence.T_CLOSE]
            area_a, slope_a = sequence.ramp_at(t, t_c + k.delay_A, k.t_close)
            area_b, slope_b = sequence.ramp_at(t, t_c + k.delay_B, k.t_close)
            push_a, push_b = -k.V_pop * slope_a, -k.V_pop * slope_b
        elif phase in (sequence.LOCKED, sequence.MATCHING, sequence.OPENING):
            area_a, area_b = d[sequence.MERGED_A], d[sequence.MERGED_B]
        else:
            area_a = area_b = 1.0
        d[sequence.AREA_A], d[sequence.AREA_B] = area_a, area_b
    elif sequence.opposite_piloted(p):
        slope_a, slope_b = d[sequence.COURSE_A] / k.t_close, d[sequence.COURSE_B] / k.t_close
        # at the end of its stroke a check rests; a corner of time stands there
        if sequence.stroke_left(area_a, slope_a) == 0.0:
            slope_a = 0.0
        if sequence.stroke_left(area_b, slope_b) == 0.0:
            slope_b = 0.0
        push_a, push_b = -k.V_pop * slope_a, -k.V_pop * slope_b
    w.t_0 = t
    w.spool_command = d[sequence.SPOOL_COMMAND]
    w.alive = 1 if sequence.loop_alive(d, p) else 0
    w.integrating = 1 if sequence.integrating(d, p) else 0
    w.moving = 1 if phase in (sequence.FREE, sequence.CLOSING) else 0
    w.reference = d[sequence.HELD]
    w.narrow, w.wide = d[sequence.NARROW], d[sequence.WIDE]
    w.dither = dither(t, p.valve)
    w.thrust, w.thrust_slope = F, F_slope
    w.normal, w.normal_slope = N, N_slope
    w.area_a, w.area_slope_a = area_a, slope_a
    w.area_b, w.area_slope_b = area_b, slope_b
    w.displaced_a, w.displaced_b = push_a, push_b
    w.merged_a, w.merged_b = d[sequence.MERGED_A], d[sequence.MERGED_B]
    w.brake, w.brake_position = d[sequence.BRAKE], d[sequence.BRAKE_POSITION]


@kernel
def _control(
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
    phase = int(d[sequence.PHASE])
    r, v_r, a_r, v_s, scheduled = d[sequence.HELD], 0.0, 0.0, 0.0, 0.0
    if phase in (sequence.FREE, sequence.CLOSING):
        if m.kind == TIMED:
            r, v_r, a_r = profile_at(t, m.profile)
        else:
            r, scheduled = m.target, 1.0
            v_s = schedule_velocity(m.target - y, t, c.K_v, m)
        d[sequence.HELD] = r
    row[3], row[4], row[5] = r, v_r, a_r
    alive = sequence.loop_alive(d, p)
    if c.sampled == 0:
        row[15] = x[i.integral]
        return 0.0
    inputs = (r, v_r, a_r, v_s, scheduled, y, p_A, p_B)
    s = sequence.INTEGRAL
    states = controller_block.update(
        t, (d[s], d[s + 1], d[s + 2], d[s + 3], d[s + 4]), inputs, not sequence.integrating(d, p), c
    )
    for j in range(5):
        d[s + j] = states[j]
    row[15] = states[0]
    if alive:
        return controller_block.law(states, inputs, c)
    u = c.trim
    if p.lock.prematch == 1 and phase in (sequence.MATCHING, sequence.OPENING):
        if phase == sequence.MATCHING:
            chamber = controller_block.load_pressure(p_A, p_B, c)
            line = controller_block.load_pressure(x[i.line_pressure_a], x[i.line_pressure_b], c)
            d[sequence.MATCH] += c.period * p.lock.k_prematch * (chamber - line)
        u += d[sequence.MATCH]
    return min(max(u, -c.u_max), c.u_max)


@kernel
def _opposite_checks(x: NDArray[np.float64], d: NDArray[np.float64], p: AxisParameters) -> None:
    """Decide for a sample whether each check opens or closes by the opposite line's pressure."""
    i = p.index
    opens_a = pilot_opens(x[i.line_pressure_b], x[i.pressure_a], x[i.line_pressure_a], p.lock)
    opens_b = pilot_opens(x[i.line_pressure_a], x[i.pressure_b], x[i.line_pressure_b], p.lock)
    d[sequence.COURSE_A] = 1.0 if opens_a else -1.0
    d[sequence.COURSE_B] = 1.0 if opens_b else -1.0


@kernel
def run(
    p: AxisParameters,
    m: Move,
    x: NDArray[np.float64],
    d: NDArray[np.float64],
    w: Any,
    noise: NDArray[np.float64],
    replay: NDArray[np.float64],
    weight: NDArray[np.float64],
    tolerance: float,
    fixed_steps: int,
    X: NDArray[np.float64],
    R: NDArray[np.float64],
    events: NDArray[np.float64],
    extremes: NDArray[np.float64],
    progress: NDArray[np.int64],
) -> tuple[int, int, float, int]:
    """Run a move sample by sample.

    Parameters
    ----------
    p : AxisParameters
        Numbers of the axis.
    m : Move
        The move.
    x : ndarray, shape (n_states,)
        Initial state, advanced in place.
    d : ndarray, shape (sequence.SIZE,)
        Memory of sequence, controller and plays, advanced in place.
    w : record of Held
        The held inputs, overwritten.
    noise : ndarray, shape (3, n_t)
        Standard normal numbers for position and both pressures; shape (3, 0) for none.
    replay : ndarray, shape (n_t, 3)
        Readings of another run that the controller shall see instead of its own (position, both
        pressures), so that all its decisions are the same; shape (0, 3) for none.
    weight : ndarray, shape (n_states,)
        One over the scale of each state's error.
    tolerance : float
        Largest error of a step over scale.
    fixed_steps : int
        Steps in each sample without error control, or zero.
    X : ndarray, shape (n_t, n_states)
        States at the samples, written in place.
    R : ndarray, shape (n_t, N_RECORD)
        Record at the samples, written in place, see ``RECORD``.
    events : ndarray, shape (N_EVENTS, 4)
        First time, value, limit and count of each event, written in place.
    extremes : ndarray, shape (4, 2)
        Highest and lowest pressures of both chambers with their times, written in place.
    progress : ndarray, shape (2,)
        Samples done, written while running; the run stops if the second entry is set.

    Returns
    -------
    status : int
        Code of the last stretch.
    samples : int
        Rows of X and R that are filled.
    t : float
        Time reached [s].
    steps : int
        Steps tried in all.
    """
    n_t = X.shape[0]
    i, c, T_s = p.index, p.controller, p.controller.period
    n_states = x.shape[0]
    K = np.zeros((7, n_states))
    y_work = x.copy()
    readings = np.empty(n_t)
    late = int(p.transducer.delay / T_s + 1e-9)
    part = p.transducer.delay - late * T_s
    if part < 1e-9 * T_s:
        part = 0.0
    readings[0] = x[i.scale_reading]
    fixed = T_s / fixed_steps if fixed_steps > 0 else 0.0
    has_noise = noise.shape[1] > 0
    opposite = sequence.opposite_piloted(p)
    w.exact_readings = c.sampled
    h = T_s
    fresh = n_t > 0  # a literal True would be compiled as a case of its own
    steps = 0
    t_done = 0.0
    for c_ in range(2):
        value = x[i.pressure_a] if c_ == 0 else x[i.pressure_b]
        extremes[c_, 0] = extremes[2 + c_, 0] = value
    for k in range(n_t):
        t = k * T_s
        row = R[k]
        if part == 0.0:
            readings[k] = x[i.scale_reading]
        y = readings[max(k - late, 0)]
        p_A = p_B = 0.0
        if p.transducer.has_pressure == 1:
            p_A, p_B = x[i.pressure_reading_a], x[i.pressure_reading_b]
        if c.sampled == 1:
            n_y = noise[0, k] if has_noise else 0.0
            y = rounded(y + p.transducer.noise * n_y, p.transducer.resolution)
            if p.transducer.has_pressure == 1:
                n_A = noise[1, k] if has_noise else 0.0
                n_B = noise[2, k] if has_noise else 0.0
                p_A = pressure_sample(p_A, n_A, p.transducer)
                p_B = pressure_sample(p_B, n_B, p.transducer)
            if k < replay.shape[0]:
                y, p_A, p_B = replay[k, 0], replay[k, 1], replay[k, 2]
        phase_before = d[sequence.PHASE]
        sequence.sequence(t, y, x[i.spool], m.target, m.hold_time, d, p)
        if sequence.act(t, x, d, p) or d[sequence.PHASE] != phase_before:
            fresh = True
        if opposite:
            _opposite_checks(x, d, p)
            fresh = True
        if int(d[sequence.PHASE]) == sequence.RELEASED and d[sequence.TAKEN_OVER] == 0.0:
            d[sequence.HELD] = y  # on release the reference is where the table stands
            d[sequence.TAKEN_OVER] = 1.0
        t_thrust = 0.0
        if m.thrust_locked == 1:
            t_thrust = d[sequence.T_LOCKED] if d[sequence.T_LOCKED] >= 0.0 else math.inf
        u = _control(t, y, p_A, p_B, x, d, row, p, m)
        u_time = math.inf
        if c.sampled == 1:
            # a delay of one period falls on the next sample exactly, whatever the rounding
            u_time = t + c.delay if c.delay < T_s * (1.0 - 1e-9) else (k + 1) * T_s
            if c.delay == 0.0:
                _apply(t, u, x, d, p)
                u_time = math.inf
        elif sequence.loop_alive(d, p):
            hold(t, t_thrust, d, p, m, w)
            states, inputs = continuous_command(t, x, w, p, m)
            u = controller_block.law(states, inputs, c)
            _apply(t, u, x, d, p)
        else:
            u = c.trim
            _apply(t, u, x, d, p)
        hold(t, t_thrust, d, p, m, w)
        row[0], row[1], row[2] = u, spool_command(t, x, w, p, m), y
        row[6], row[7] = p_A, p_B
        row[8] = d[sequence.PHASE]
        row[9], row[10], row[11], row[12] = w.area_a, w.area_b, w.thrust, w.normal
        row[13], row[14] = w.brake, w.brake_position
        row[16], row[17] = w.merged_a, w.merged_b
        for j in range(n_states):
            X[k, j] = x[j]
        _watch(t, x, d, events, p)
        progress[0] = k + 1
        if k == n_t - 1 or progress[1] != 0:
            return STEP_OK, k + 1, t, steps

        t_next = (k + 1) * T_s
        read_time = t_next - part if part > 0.0 else math.inf
        while t < t_next:
            t_to = sequence.next_corner(t, t_next, d, p)
            if opposite:
                for j in range(2):
                    course = d[sequence.COURSE_A + j] / p.lock.t_close
                    corner = t + sequence.stroke_left(d[sequence.AREA_A + j], course)
                    if t < corner < t_to:
                        t_to = corner
            if t < u_time < t_to:
                t_to = u_time
            if t < read_time < t_to:
                t_to = read_time
            for j in range(4):
                corner = t_thrust + m.thrust_t[j]
                if t < corner < t_to:
                    t_to = corner
            if c.sampled == 0 and m.kind == TIMED:
                for j in range(8):
                    if t < m.profile.t[j] < t_to:
                        t_to = m.profile.t[j]
                if t < m.profile.t_end < t_to:
                    t_to = m.profile.t_end
            thrust_slope, normal_slope = w.thrust_slope, w.normal_slope
            slope_a, slope_b = w.area_slope_a, w.area_slope_b
            hold(t, t_thrust, d, p, m, w)
            if not fresh:
                # only the command may have jumped: repair the spool's rate, keep the others
                same = w.thrust_slope == thrust_slope and w.normal_slope == normal_slope
                same = same and w.area_slope_a == slope_a and w.area_slope_b == slope_b
                if not same or c.sampled == 0:
                    fresh = True
                else:
                    inputs_v = (
                        w.spool_command,
                        x[i.line_pressure_a],
                        x[i.line_pressure_b],
                        x[i.supply_pressure],
                        p.supply.p_T,
                    )
                    d_xs, d_vs = valve_derivative(
                        t, (x[i.spool], x[i.spool_rate]), inputs_v, p.valve
                    )
                    K[0, i.spool_rate] = d_vs
                    K[0, i.spool] = d_xs
            status, t_done, h, tried = stretch(
                t, t_to, h, fresh, fixed, tolerance, x, w, p, m, K, y_work, weight, extremes
            )
            steps += tried
            if status != STEP_OK:
                return status, k + 1, t_done, steps
            fresh = False
            t = t_to
            if opposite:
                span = t - w.t_0
                d[sequence.AREA_A] = sequence.area_after(w.area_a, w.area_slope_a, span)
                d[sequence.AREA_B] = sequence.area_after(w.area_b, w.area_slope_b, span)
            if d[sequence.BRAKE] == 1.0:
                place = x[i.table_position]
                d[sequence.BRAKE_POSITION] = brake_anchor(place, d[sequence.BRAKE_POSITION], p.load)
            if t >= u_time:
                _apply(t, u, x, d, p)
                u_time = math.inf
            if t >= read_time:
                readings[k + 1] = x[i.scale_reading]
                read_time = math.inf
            if t < t_next:
                before_brake = d[sequence.BRAKE]
                before_merged = d[sequence.MERGED_A] + d[sequence.MERGED_B]
                jumped = sequence.act(t, x, d, p)
                after_merged = d[sequence.MERGED_A] + d[sequence.MERGED_B]
                if jumped or before_brake != d[sequence.BRAKE] or after_merged != before_merged:
                    fresh = True
    return STEP_OK, n_t, t_done, steps
