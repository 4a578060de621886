"""Moves of a list: what is asked of the axis at one position, and the axis as it is there."""

from __future__ import annotations

import math

import numpy as np

from servosim._samples import RECORD
from servosim.axis import Axis
from servosim.components.lock import NONE
from servosim.cycles.positions import Position
from servosim.params._blocks import copy_of
from servosim.program import STAGED, TIMED, Move, move_of
from servosim.result import Run

_SPARE = 1.0  # s, more than any lock's own sequence needs beyond its stated times
_TEMPERATURE_STEP = 0.1  # K


def at_temperature(axis: Axis, now: Axis, temperature: float) -> Axis:
    """Return the axis with the oil that the tank gives it.

    Parameters
    ----------
    axis : Axis
        The axis of the file.
    now : Axis
        The axis with which the position before was computed.
    temperature : float
        Temperature of the tank [K].

    Returns
    -------
    Axis
        The present one, or one whose viscosity, density, stiffness, leakage and null are those at
        the new temperature if that has changed by 0.1 K. The controller keeps its numbers.

    Raises
    ------
    ParameterError
        If the temperature is outside the range of the oil's equations.
    """
    if abs(temperature - now.file.oil.temperature) < _TEMPERATURE_STEP:
        return now
    warm = axis.replace({"oil.temperature": temperature})
    control = axis.parameters.controller
    if warm.parameters.controller != control:
        vars(warm)["parameters"] = warm.parameters._replace(controller=control)
    return warm


def free_to_turn(axis: Axis) -> Axis:
    """Return the axis with a lock that never closes by itself, for a point only run through."""
    made = Axis(axis.file, axis.path)
    lock = axis.parameters.lock._replace(ahead=0, dwell=math.inf)
    vars(made)["parameters"] = axis.parameters._replace(lock=lock)
    return made


def with_release(axis: Axis) -> Axis:
    """Return the axis with a release dwell of one sample at least.

    At the sample of its confirmed opening a lock joins chambers and lines; the next move begins
    after that sample.
    """
    p = axis.parameters
    if not has_lock(axis) or p.lock.release_dwell >= p.controller.period:
        return axis
    made = Axis(axis.file, axis.path)
    lock = p.lock._replace(release_dwell=p.controller.period)
    vars(made)["parameters"] = p._replace(lock=lock)
    return made


def has_lock(axis: Axis) -> bool:
    """Tell whether the axis has a lock or a brake."""
    lock = axis.parameters.lock
    return lock.kind != NONE or lock.brake == 1


def feed_delay(axis: Axis) -> float:
    """Return the time from the lock, or the last auxiliary action, to the thrust [s]."""
    thrust = axis.file.thrust
    return thrust.delay if thrust.mode == "locked" else 0.0


def feed_span(axis: Axis, position: Position) -> float:
    """Return the time that the feed takes in all [s], with delay and ramps; zero without one."""
    if position.feed_time == 0.0:
        return 0.0
    return feed_delay(axis) + 2.0 * _ramp(axis) + position.feed_time


def auxiliary_span(position: Position) -> float:
    """Return the time of the auxiliary actions [s]."""
    return math.fsum(time for _, time in position.auxiliary)


def _ramp(axis: Axis) -> float:
    return max(axis.file.thrust.ramp, 1e-9)  # a step is a very short ramp


def planned(axis: Axis, position: Position, start: float, patience: float) -> Move:
    """Return the move to a position and what happens there.

    Parameters
    ----------
    axis : Axis
        The axis; its tables ``reference`` and ``window`` count, of ``thrust`` delay and ramp.
    position : Position
        Where to, and what happens there.
    start : float
        Reference at which the move begins [m].
    patience : float
        How long the axis may take to settle after the end of the reference [s].

    Returns
    -------
    Move
        Lock, auxiliary actions, feed with thrust, dwell, release. Its duration is the longest that
        is waited for.
    """
    file = axis.file
    velocity = file.reference.velocity * position.speed
    slow = min(file.reference.creep_velocity, velocity)
    reference = copy_of(file.reference, {"velocity": velocity, "creep_velocity": slow})
    auxiliary, feed = auxiliary_span(position), feed_span(axis, position)
    times = {
        "start": start,
        "target": position.target,
        "hold_time": auxiliary + feed + position.dwell,
    }
    push = {
        "mode": "locked" if feed else "none",
        "along": position.thrust_along,
        "normal": position.thrust_normal,
        "delay": auxiliary + feed_delay(axis),
        "ramp": _ramp(axis),
        "feed_time": position.feed_time,
    }
    table, thrust = copy_of(file.move, times), copy_of(file.thrust, push)
    move = move_of(reference, file.window, table, thrust)
    lock = axis.parameters.lock
    own = lock.t_prematch * lock.prematch + lock.release_dwell + lock.t_open + lock.t_brake_open
    own += lock.dwell if math.isfinite(lock.dwell) else 0.0
    return move._replace(
        duration=approach_time(axis, move) + patience + move.hold_time + own + _SPARE
    )


def approach_time(axis: Axis, move: Move) -> float:
    """Return how long the reference takes [s]; over the distance without its exponential end."""
    if move.kind == TIMED:
        return max(move.profile.t_end, 0.0)
    way = abs(move.target - move.start)
    time = way / move.v + move.v / move.a + (move.v / move.d if move.d > 0.0 else 0.0)
    if move.kind == STAGED:
        time += min(move.d_creep, way) / move.v_creep
    return time


def turning_time(move: Move, run: Run) -> float:
    """Return when a point that is only run through has been reached.

    Parameters
    ----------
    move : Move
        The move to it.
    run : Run
        Run of that move.

    Returns
    -------
    float
        The first sample [s] after the end of the reference at which the reading is inside the
        window; nan if it never is.
    """
    reading = run.record[:, RECORD.index("measured_position")]
    inside = np.abs(reading - move.target) <= move.window
    if move.kind == TIMED:
        inside &= run.time >= move.profile.t_end
    return float(run.time[np.argmax(inside)]) if inside.any() else math.nan
