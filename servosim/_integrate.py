"""The compiled loop over the samples of a move.

Steps land on every sample, new command, delayed reading, corner of thrust and reference, and event
of the lock; between them inputs are held and :func:`servosim._step.advance` integrates.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim import _sequence as sequence
from servosim._control_side import (
    apply,
    carry_on,
    control,
    hold,
    next_corner,
    opposite_checks,
)
from servosim._equations import AxisParameters, continuous_command, spool_command
from servosim._jit import kernel
from servosim._lanes import as_lanes, as_row, as_rows, as_stack, isnan, no, put, some, where
from servosim._samples import begin_sums, end_sums, gather, keep, read, watch
from servosim._step import ROWS, STEP_LIMIT, STEP_OK, advance
from servosim.components import controller as controller_block
from servosim.components.valve import derivative as valve_derivative
from servosim.program import Move


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
    counts : ndarray of int, shape (10,)
        Samples, states, whole samples by which a reading comes late, rows of noise and of replay
        (zero for none), steps in each sample without error control (zero for error control), the
        steps after which a sample and a run are given up, 1 if X and R are to be filled, and 1 if
        another run goes on from the end of this one: then it ends as soon as the axis is free
        again, and ``spare`` holds the memory before its last sample. For a single run alone.
    weight : ndarray, shape (n_states,)
        One over the scale of each state's error.
    tolerance : float
        Largest error of a step over scale.
    K, y_work : ndarray, shape (ROWS, n_states) and (n_states,)
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
    goes_on = counts[9]
    i, c, T_s = p.index, p.controller, p.controller.period
    part = p.transducer.delay - late * T_s
    part = where(part < 1e-9 * T_s, 0.0, part)
    opposite = sequence.opposite_piloted(p)
    w.exact_readings = c.sampled
    begin_sums(x, gathered, extremes, p)
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
            if mixed or goes_on == 1:
                for j in range(sequence.SIZE):
                    spare[j] = d[j]
            reading = where(here & (part == 0.0), x[i.scale_reading], reading)
            y, p_A, p_B = read(k, reading, x, noise, replay, readings, counts, p)
            phase_before = d[sequence.PHASE]
            sequence.sequence(t, y, x[i.spool], m.target, m.hold_time, d, p)
            jumped = sequence.act(t, here, x, d, p) | (d[sequence.PHASE] != phase_before)
            fresh |= here & jumped
            if opposite:
                opposite_checks(x, d, p)
                fresh |= here
            # on release the reference is where the table stands
            released = (d[sequence.PHASE] == sequence.RELEASED) & (d[sequence.TAKEN_OVER] == 0.0)
            if some(released):
                d[sequence.HELD] = where(released, y, d[sequence.HELD])
                d[sequence.TAKEN_OVER] = where(released, 1.0, d[sequence.TAKEN_OVER])
            if m.thrust_locked == 1:
                locked = d[sequence.T_LOCKED]
                t_thrust = where(here, where(isnan(locked), math.inf, locked), t_thrust)
            command = control(t, y, p_A, p_B, x, d, row, p, m)
            if c.sampled == 1:
                # a delay of one period falls on the next sample exactly, whatever the rounding
                t_command = where(c.delay < T_s * (1.0 - 1e-9), t + c.delay, (k + 1.0) * T_s)
                at_once = c.delay == 0.0
                u_time = where(here, where(at_once, math.inf, t_command), u_time)
                if some(at_once):
                    apply(t, here & at_once, command, x, d, p)
            else:
                hold(t, t_thrust, d, p, m, w)
                states, inputs = continuous_command(t, x, w, p, m)
                by_law = controller_block.law(states, inputs, c)
                command = where(sequence.loop_alive(d, p), by_law, c.trim)
                apply(t, here, command, x, d, p)
            u = where(here, command, u)
            row[0], row[2], row[6], row[7] = command, y, p_A, p_B
            row[8] = d[sequence.PHASE]
            put(kept, k, 0, x[i.table_position])
            put(kept, k, 1, row[3])
            gather(here, command, x, gathered, p)
            watch(t, here, x, d, events, p)
            if mixed:
                for j in range(sequence.SIZE):
                    d[j] = where(here, d[j], spare[j])
            begins |= here
        hold(t, t_thrust, d, p, m, w)
        if some(here):
            if all_kept == 1:
                row[1] = spool_command(t, x, w, p, m)
                keep(k, x, w, row, X, R, n_states)
            tries = where(here, 0.0, tries)
            k = where(here, k + 1.0, k)
            samples = where(here, k, samples)
            t_next = where(here, k * T_s, t_next)
            read_time = where(here, where(part > 0.0, t_next - part, math.inf), read_time)
            running &= no(here & (k >= n_t))
            if goes_on == 1:
                running &= no(here & (t >= sequence.free_again(m.hold_time, d, p) - 1e-9))
            progress[0] += 1
            if no(some(running)) or progress[1] != 0:
                break
        t_to = next_corner(t, t_next, t_thrust, u_time, read_time, d, p, m)
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
        carry_on(t, running, x, d, w, p)
        due = begins & (t >= u_time)
        if some(due):
            apply(t, due, u, x, d, p)
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
    end_sums(x, gathered, extremes, p)
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
    space : ndarray, shape (ROWS + 1, n_states, WIDTH)
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
        as_row(space[ROWS]),
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
