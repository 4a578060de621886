"""The compiled loop over the samples of a move.

Steps land on every sample, new command, delayed reading, corner of thrust and reference, and event
of the lock; between them inputs are held and :func:`servosim._step.advance` integrates.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim import _figure_sums as sums
from servosim import _sequence as sequence
from servosim._equations import AxisParameters, continuous_command, spool_command, wanted
from servosim._jit import kernel
from servosim._lanes import as_lanes, as_row, as_rows, as_stack, get, no, put, some, where
from servosim._step import STAGES, STEP_LIMIT, STEP_OK, advance
from servosim.components import controller as controller_block
from servosim.components.load import brake_anchor, brake_force
from servosim.components.lock import CHECK, pilot_opens
from servosim.components.transducer import pressure_sample, rounded
from servosim.components.valve import command_path, dither
from servosim.components.valve import derivative as valve_derivative
from servosim.program import TIMED, Move, thrust_at

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
CAVITATION, END_STOP, BRAKE_SLIP, CHECK_STAYS_SHUT, CHECK_A_PASSES, CHECK_B_PASSES = range(6)
N_EVENTS = 6


@kernel
def _note(event: NDArray[np.float64], here: bool, t: float, value: float, limit: float) -> None:
    """Keep the first occurrence of an event and count its samples."""
    first = here & (event[3] == 0.0)
    event[0], event[1] = where(first, t, event[0]), where(first, value, event[1])
    event[2] = where(first, limit, event[2])
    event[3] += where(here, 1.0, 0.0)


@kernel
def _watch(
    t: float,
    here: bool,
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
    x_p = x[i.piston_position]
    inside = min(max(x_p, 0.0), p.cylinder.L)
    thin, beyond = lowest < p.oil.p_release, x_p != inside
    if some(thin | beyond):
        _note(events[CAVITATION], here & thin, t, lowest, p.oil.p_release)
        _note(events[END_STOP], here & beyond, t, x_p, inside)
    if p.lock.brake == 1:
        anchor, x_t = d[sequence.BRAKE_POSITION], x[i.table_position]
        force = brake_force(x_t, x[i.table_velocity], d[sequence.BRAKE], anchor, p.load)
        slips = (d[sequence.BRAKE] == 1.0) & (abs(force) >= p.load.F_b)
        _note(events[BRAKE_SLIP], here & slips, t, force, p.load.F_b)
    shut = d[sequence.BLOCKED] == 1.0
    if some(shut):
        p_S = x[i.supply_pressure]
        _note(events[CHECK_STAYS_SHUT], here & shut, t, x[i.pressure_a], p_S)
    if p.lock.kind == CHECK:
        held, least = p.lock.p_cr, 1.001 * p.lock.p_cr + 1e3
        locked = here & (d[sequence.PHASE] == sequence.LOCKED)
        over = x[i.line_pressure_a] - x[i.pressure_a]
        _note(events[CHECK_A_PASSES], locked & (over > least), t, over, held)
        over = x[i.line_pressure_b] - x[i.pressure_b]
        _note(events[CHECK_B_PASSES], locked & (over > least), t, over, held)


@kernel
def _apply(
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
def _opposite_checks(x: NDArray[np.float64], d: NDArray[np.float64], p: AxisParameters) -> None:
    """Decide for a sample whether each check opens or closes by the opposite line's pressure."""
    i = p.index
    opens_a = pilot_opens(x[i.line_pressure_b], x[i.pressure_a], x[i.line_pressure_a], p.lock)
    opens_b = pilot_opens(x[i.line_pressure_a], x[i.pressure_b], x[i.line_pressure_b], p.lock)
    d[sequence.COURSE_A] = where(opens_a, 1.0, -1.0)
    d[sequence.COURSE_B] = where(opens_b, 1.0, -1.0)


@kernel
def _next_corner(
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
            t_to = earlier(t, t + left, t_to)
    t_to = earlier(t, u_time, t_to)
    t_to = earlier(t, read_time, t_to)
    for j in range(4):
        t_to = earlier(t, t_thrust + m.thrust_t[j], t_to)
    if p.controller.sampled == 0 and m.kind == TIMED:
        for j in range(8):
            t_to = earlier(t, m.profile.t[j], t_to)
        t_to = earlier(t, m.profile.t_end, t_to)
    return t_to


@kernel
def earlier(t: float, corner: float, t_to: float) -> float:
    """Return the corner if it lies after t and before t_to, else t_to."""
    return where((t < corner) & (corner < t_to), corner, t_to)


@kernel
def _read(
    k: float,
    reading: float,
    x: NDArray[np.float64],
    noise: NDArray[np.float64],
    replay: NDArray[np.float64],
    readings: NDArray[np.float64],
    counts: NDArray[np.int64],
    p: AxisParameters,
) -> tuple[float, float, float]:
    """Return what the controller sees of position and pressures at sample k, see :func:`run`."""
    late, n_noise, n_replay = counts[2], counts[3], counts[4]
    s, i = p.transducer, p.index
    y, p_A, p_B = reading, 0.0 * reading, 0.0 * reading
    if late > 0:
        put(readings, k, 0, reading)
        y = get(readings, max(k - late, 0.0), 0)
    if s.has_pressure == 1:
        p_A, p_B = x[i.pressure_reading_a], x[i.pressure_reading_b]
    if p.controller.sampled == 0:
        return y, p_A, p_B
    n_y = n_A = n_B = 0.0 * y
    if n_noise > 0:
        row = min(k, n_noise - 1.0)
        n_y, n_A, n_B = get(noise, row, 0), get(noise, row, 1), get(noise, row, 2)
    y = rounded(y + s.noise * n_y, s.resolution)
    if s.has_pressure == 1:
        p_A, p_B = pressure_sample(p_A, n_A, s), pressure_sample(p_B, n_B, s)
    if n_replay > 0:
        row, seen = min(k, n_replay - 1.0), k < n_replay
        y = where(seen, get(replay, row, 0), y)
        p_A = where(seen, get(replay, row, 1), p_A)
        p_B = where(seen, get(replay, row, 2), p_B)
    return y, p_A, p_B


@kernel
def _begin_sums(
    x: NDArray[np.float64],
    gathered: NDArray[np.float64],
    extremes: NDArray[np.float64],
    p: AxisParameters,
) -> None:
    """Write the sums and extremes of a run that begins."""
    for side in range(2):
        value = x[p.index.pressure_a] if side == 0 else x[p.index.pressure_b]
        extremes[side, 0] = extremes[2 + side, 0] = value
        extremes[side, 1] = extremes[2 + side, 1] = 0.0
    for j in range(len(sums.NOTHING_GATHERED)):
        gathered[j] = sums.NOTHING_GATHERED[j]
    gathered[sums.DRAWN_FIRST] = x[p.index.drawn_volume]


@kernel
def _gather(
    here: bool, u: float, x: NDArray[np.float64], gathered: NDArray[np.float64], p: AxisParameters
) -> None:
    """Gather for the figures what this sample adds."""
    i = p.index
    second = i.pressure_b if p.cylinder.has_b == 1 else i.pressure_a
    before = (gathered[0], gathered[1], gathered[2], gathered[3], gathered[4])
    pressures = (x[i.supply_pressure], x[i.pressure_a], x[second])
    limit = sums.command_limit(p.controller.u_max)
    drawn, release = x[i.drawn_volume], p.oil.p_release
    lowest, below, limited, growth, last = sums.gather(before, *pressures, drawn, u, release, limit)
    gathered[0], gathered[1] = where(here, lowest, before[0]), where(here, below, before[1])
    gathered[2], gathered[3] = where(here, limited, before[2]), where(here, growth, before[3])
    gathered[4] = where(here, last, before[4])


@kernel
def _end_sums(
    x: NDArray[np.float64],
    gathered: NDArray[np.float64],
    extremes: NDArray[np.float64],
    p: AxisParameters,
) -> None:
    """Add to the sums of a run what is known at its end."""
    i = p.index
    gathered[sums.ENERGY], gathered[sums.WORK] = x[i.supplied_energy], x[i.mechanical_work]
    gathered[sums.HEAT] = x[i.heat]
    for j in range(4):
        gathered[sums.HIGHEST_A + j] = extremes[j, 0]


@kernel
def _keep(
    k: float,
    x: NDArray[np.float64],
    w: Any,
    row: NDArray[np.float64],
    X: NDArray[np.float64],
    R: NDArray[np.float64],
    n_states: int,
) -> None:
    """Write all states and the record of sample k."""
    row[9], row[10], row[11], row[12] = w.area_a, w.area_b, w.thrust, w.normal
    row[13], row[14] = w.brake, w.brake_position
    row[16], row[17] = w.merged_a, w.merged_b
    for j in range(N_RECORD):
        put(R, k, j, row[j])
    for j in range(n_states):
        put(X, k, j, x[j])


@kernel
def _carry_on(
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


@kernel
def run(
    p: AxisParameters,
    m: Move,
    x: NDArray[np.float64],
    d: NDArray[np.float64],
    w: Any,
    noise: NDArray[np.float64],
    replay: NDArray[np.float64],
    readings: NDArray[np.float64],
    counts: NDArray[np.int64],
    weight: NDArray[np.float64],
    tolerance: float,
    K: NDArray[np.float64],
    y_work: NDArray[np.float64],
    X: NDArray[np.float64],
    R: NDArray[np.float64],
    kept: NDArray[np.float64],
    row: NDArray[np.float64],
    spare: NDArray[np.float64],
    gathered: NDArray[np.float64],
    events: NDArray[np.float64],
    extremes: NDArray[np.float64],
    progress: NDArray[np.int64],
) -> tuple[float, float, float, float]:
    """Run a move sample by sample, or one move in each lane.

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
    noise : ndarray, shape (n_noise, 3)
        Standard normal numbers for position and both pressures.
    replay : ndarray, shape (n_replay, 3)
        Readings of another run that the controller shall see instead of its own (position, both
        pressures), so that all its decisions are the same.
    readings : ndarray, shape (n_t + 1, 1)
        Work space for the readings on their way to the controller.
    counts : ndarray of int, shape (9,)
        Samples, states, whole samples by which a reading comes late, rows of noise and of replay
        (zero for none), steps in each sample without error control (zero for error control), the
        steps after which a sample and a run are given up, and 1 if X and R are to be filled.
    weight : ndarray, shape (n_states,)
        One over the scale of each state's error.
    tolerance : float
        Largest error of a step over scale.
    K, y_work : ndarray, shape (8, n_states) and (n_states,)
        Work space of the steps; the second holds the initial state.
    X : ndarray, shape (n_t + 1, n_states)
        States at the samples, written in place; the row behind the last is spare.
    R : ndarray, shape (n_t + 1, N_RECORD)
        Record at the samples, likewise, see ``RECORD``.
    kept : ndarray, shape (n_t + 1, 2)
        Position of the table and reference at the samples, likewise.
    row, spare : ndarray, shape (N_RECORD,) and (sequence.SIZE,)
        Work space.
    gathered : ndarray, shape (N_GATHERED,)
        What the figures need of the other traces, see ``_figure_sums``, written in place.
    events : ndarray, shape (N_EVENTS, 4)
        First time, value, limit and count of each event, written in place.
    extremes : ndarray, shape (4, 2)
        Highest and lowest pressures of both chambers with their times, written in place.
    progress : ndarray of int, shape (2,)
        Samples done, written while running; the run stops if the second entry is set.

    Returns
    -------
    status : float
        Code of the last stretch.
    samples : float
        Rows of X and R that are filled.
    t : float
        Time reached [s].
    steps : float
        Steps tried in all.
    """
    n_t, n_states, late = counts[0], counts[1], counts[2]
    fixed_steps, most, most_in_all, all_kept = counts[5], counts[6], counts[7], counts[8]
    i, c, T_s = p.index, p.controller, p.controller.period
    part = p.transducer.delay - late * T_s
    part = where(part < 1e-9 * T_s, 0.0, part)
    opposite = sequence.opposite_piloted(p)
    w.exact_readings = c.sampled
    _begin_sums(x, gathered, extremes, p)
    zero = 0.0 * T_s
    k, t, t_next, t_thrust, u = zero, zero, zero, zero, zero
    steps, tries, samples, status, reading = zero, zero, zero, zero, x[i.scale_reading]
    u_time = read_time = math.inf + zero
    course = (T_s, zero, math.inf + zero)
    slope_a, slope_b = zero, zero
    running = T_s > 0.0
    fresh = begins = running
    # each pass takes those that have come to a sample through it, then all of them one step on:
    # lanes keep their own time, so that one with many steps in a sample doesn't hold up the others
    while some(running):
        here = running & (t >= t_next)
        if some(here):
            mixed = some(no(here))
            if mixed:
                for j in range(sequence.SIZE):
                    spare[j] = d[j]
            reading = where(here & (part == 0.0), x[i.scale_reading], reading)
            y, p_A, p_B = _read(k, reading, x, noise, replay, readings, counts, p)
            phase_before = d[sequence.PHASE]
            sequence.sequence(t, y, x[i.spool], m.target, m.hold_time, d, p)
            jumped = sequence.act(t, here, x, d, p) | (d[sequence.PHASE] != phase_before)
            fresh |= here & jumped
            if opposite:
                _opposite_checks(x, d, p)
                fresh |= here
            # on release the reference is where the table stands
            released = (d[sequence.PHASE] == sequence.RELEASED) & (d[sequence.TAKEN_OVER] == 0.0)
            if some(released):
                d[sequence.HELD] = where(released, y, d[sequence.HELD])
                d[sequence.TAKEN_OVER] = where(released, 1.0, d[sequence.TAKEN_OVER])
            if m.thrust_locked == 1:
                locked = d[sequence.T_LOCKED]
                t_thrust = where(here, where(locked >= 0.0, locked, math.inf), t_thrust)
            command = _control(t, y, p_A, p_B, x, d, row, p, m)
            if c.sampled == 1:
                # a delay of one period falls on the next sample exactly, whatever the rounding
                t_command = where(c.delay < T_s * (1.0 - 1e-9), t + c.delay, (k + 1.0) * T_s)
                at_once = c.delay == 0.0
                u_time = where(here, where(at_once, math.inf, t_command), u_time)
                if some(at_once):
                    _apply(t, here & at_once, command, x, d, p)
            else:
                hold(t, t_thrust, d, p, m, w)
                states, inputs = continuous_command(t, x, w, p, m)
                by_law = controller_block.law(states, inputs, c)
                command = where(sequence.loop_alive(d, p), by_law, c.trim)
                _apply(t, here, command, x, d, p)
            u = where(here, command, u)
            row[0], row[2], row[6], row[7] = command, y, p_A, p_B
            row[8] = d[sequence.PHASE]
            put(kept, k, 0, x[i.table_position])
            put(kept, k, 1, row[3])
            _gather(here, command, x, gathered, p)
            _watch(t, here, x, d, events, p)
            if mixed:
                for j in range(sequence.SIZE):
                    d[j] = where(here, d[j], spare[j])
            begins |= here
        hold(t, t_thrust, d, p, m, w)
        if some(here):
            if all_kept == 1:
                row[1] = spool_command(t, x, w, p, m)
                _keep(k, x, w, row, X, R, n_states)
            tries = where(here, 0.0, tries)
            k = where(here, k + 1.0, k)
            samples = where(here, k, samples)
            t_next = where(here, k * T_s, t_next)
            read_time = where(here, where(part > 0.0, t_next - part, math.inf), read_time)
            running &= no(here & (k >= n_t))
            progress[0] += 1
            if no(some(running)) or progress[1] != 0:
                break
        t_to = _next_corner(t, t_next, t_thrust, u_time, read_time, d, p, m)
        if c.sampled == 0:
            fresh |= begins
        else:
            # only the command may have jumped: repair the spool's rate, keep the others
            fresh |= running & ((w.area_slope_a != slope_a) | (w.area_slope_b != slope_b))
            inputs_v = (
                w.spool_command,
                x[i.line_pressure_a],
                x[i.line_pressure_b],
                x[i.supply_pressure],
                p.supply.p_T,
            )
            d_xs, d_vs = valve_derivative(t, (x[i.spool], x[i.spool_rate]), inputs_v, p.valve)
            K[0, i.spool_rate], K[0, i.spool] = d_vs, d_xs
        slope_a, slope_b = w.area_slope_a, w.area_slope_b
        code, t, course, fresh = advance(
            running, t, t_to, course, fresh, fixed_steps, tolerance, x, w, p, m, K, y_work,
            weight, extremes
        )  # fmt: skip
        steps += where(running, 1.0, 0.0)
        tries += 1.0
        code = where((code == STEP_OK) & (tries >= most), STEP_LIMIT, code)
        code = where((code == STEP_OK) & (steps > most_in_all), STEP_LIMIT, code)
        failed = running & (code != STEP_OK)
        if some(failed):
            status = where(failed, code, status)
            running &= no(failed)
        begins = running & (t >= t_to)
        _carry_on(t, running, x, d, w, p)
        due = begins & (t >= u_time)
        if some(due):
            _apply(t, due, u, x, d, p)
            u_time = where(due, math.inf, u_time)
        due = begins & (t >= read_time)
        if some(due):
            reading = where(due, x[i.scale_reading], reading)
            read_time = where(due, math.inf, read_time)
        inside = begins & (t < t_next)
        if some(inside):
            braked, joined = d[sequence.BRAKE], d[sequence.MERGED_A] + d[sequence.MERGED_B]
            jumped = sequence.act(t, inside, x, d, p) | (braked != d[sequence.BRAKE])
            fresh |= jumped | (joined != d[sequence.MERGED_A] + d[sequence.MERGED_B])
    _end_sums(x, gathered, extremes, p)
    return status, samples, t, steps


@kernel
def run_lanes(
    p: Any,
    m: Any,
    w: Any,
    x: NDArray[np.float64],
    d: NDArray[np.float64],
    noise: NDArray[np.float64],
    counts: NDArray[np.int64],
    weight: NDArray[np.float64],
    tolerance: float,
    space: NDArray[np.float64],
    more_space: NDArray[np.float64],
    readings: NDArray[np.float64],
    X: NDArray[np.float64],
    R: NDArray[np.float64],
    kept: NDArray[np.float64],
    gathered: NDArray[np.float64],
    events: NDArray[np.float64],
    extremes: NDArray[np.float64],
    progress: NDArray[np.int64],
    ended: NDArray[np.float64],
) -> None:
    """Run one move in each lane, see :func:`run`: all arrays have the lanes as their last axis.

    Parameters
    ----------
    p, m, w : records of lanes
        Numbers of the axes, moves and held inputs, see ``_record.Layout.block``.
    noise : ndarray, shape (WIDTH, n_noise, 3)
        Of each case its own table.
    space : ndarray, shape (9, n_states, WIDTH)
        Work space; the last row holds the initial states.
    more_space : ndarray, shape (2, sequence.SIZE, WIDTH)
        Work space.
    ended : ndarray, shape (4, WIDTH)
        What :func:`run` returns, written in place.
    """
    status, samples, t, steps = run(
        as_lanes(p),
        as_lanes(m),
        as_row(x),
        as_row(d),
        as_lanes(w),
        as_stack(noise),
        as_stack(noise),
        as_rows(readings),
        counts,
        weight,
        tolerance,
        as_rows(space),
        as_row(space[STAGES + 1]),
        as_rows(X),
        as_rows(R),
        as_rows(kept),
        as_row(more_space[0]),
        as_row(more_space[1]),
        as_row(gathered),
        as_rows(events),
        as_rows(extremes),
        progress,
    )
    end = as_row(ended)
    end[0], end[1], end[2], end[3] = status, samples, t, steps
