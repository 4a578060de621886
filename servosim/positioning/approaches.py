"""The moves of a simulated test: how far from a target they start, and how long they last.

A test has thousands of moves, so they are made short. A move starts where the table has its full
velocity, and what it did before is forgotten, before it begins to brake: nothing at the target can
tell whether it came from farther. A neighbour that is nearer than that is where it starts. A test
holds short moves against moves over the whole way, and against one that goes on from the stop
before with the state that this left.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from servosim.axis import Axis
from servosim.errors import Fault, ParameterError
from servosim.positioning.deviations import Array, Deviations
from servosim.positioning.standard_cycle import TestCycle, standard_cycle, standard_targets
from servosim.program import Move
from servosim.tuning.cases import schedule_of
from servosim.units import position_text

CLEAR = 0.04  # of the stroke, left free at its ends (own choice)
_FADED = 7.0  # time constants of the loop in which the start is forgotten
_LEAST_FADED = 0.05  # s
_RESERVE = 1.05
_REST = 20.0  # time constants of the loop in which the table rests
_INTEGRATES = 12.0  # time constants of an integral, in which it has done its work
_LEAST_REST, _LONGEST_REST = 0.4, 20.0  # s
_RINGING = 0.15  # s after the confirmed lock
_LOCK_TIMES = ("closing_time", "closing_delay_a", "closing_delay_b", "brake_closing_time")


@dataclass(frozen=True, eq=False)
class Approaches:
    """The stops of a cycle that stand at targets, and the moves to them.

    Attributes
    ----------
    places : tuple of int
        Their numbers in the cycle.
    moves : tuple of Move
        The short move to each.
    """

    places: tuple[int, ...]
    moves: tuple[Move, ...]


def usable_stroke(axis: Axis) -> tuple[float, float]:
    """Return the ends between which targets stand if none are given [m].

    Parameters
    ----------
    axis : Axis
        The axis.

    Returns
    -------
    low, high : float
        The stroke less a margin at each end, in half of which the table turns.
    """
    stroke = axis.file.cylinder.stroke
    return CLEAR * stroke, (1.0 - CLEAR) * stroke


def cycle_of(
    axis: Axis,
    *,
    runs: int | None = None,
    targets: int | Sequence[float] | None = None,
    low: float | None = None,
    high: float | None = None,
    seed: int = 0,
) -> TestCycle:
    """Return targets and stops of a test inside the stroke of an axis.

    Parameters
    ----------
    axis : Axis
        The axis.
    runs, targets, low, high, seed : optional
        See :func:`servosim.positioning.acceptance.run_acceptance`.

    Returns
    -------
    TestCycle
        The linear cycle; the table turns half way from the outer targets to the ends of the stroke,
        or in 2 % of the stroke if that is less.

    Raises
    ------
    ParameterError
        If ends, targets or runs are not allowed, or leave no room to turn.
    """
    stroke = axis.file.cylinder.stroke
    ends = usable_stroke(axis)
    first, last = ends[0] if low is None else low, ends[1] if high is None else high
    expected = f"0 mm to {position_text(stroke)}, the stroke"
    faults = [
        Fault("", "", name, f"is {position_text(value)}", expected)
        for name, value in (("low end", first), ("high end", last))
        if not 0.0 <= value <= stroke
    ]
    if faults:
        raise ParameterError(faults)
    if targets is None or isinstance(targets, int):
        x = standard_targets(first, last, number=targets, seed=seed)
    else:
        x = np.asarray(targets, dtype=np.float64)
    room = min(float(np.min(x)), stroke - float(np.max(x))) if x.size else 0.0
    overrun = min(0.5 * CLEAR * stroke, 0.5 * room)
    if not overrun > 0.0:
        reach = "none"
        if x.size:
            reach = f"from {position_text(float(np.min(x)))} to {position_text(float(np.max(x)))}"
        expected = (
            f"targets clear of both ends of the stroke of {position_text(stroke)}, to turn there"
        )
        raise ParameterError(Fault("", "", "targets", reach, expected))
    cycle = standard_cycle(x, runs=runs, overrun=overrun)
    if cycle.runs < 2 and not is_long(cycle):
        what = "a single run has no standard deviation"
        expected = "2 or more, 5 by the standard; one is enough above 2000 mm of travel"
        raise ParameterError(Fault("", "", "runs", what, expected))
    return cycle


def is_long(cycle: TestCycle) -> bool:
    """Tell whether a cycle is one of a long axis, of more than 2000 mm."""
    empty = np.full((len(cycle.targets), 1), math.nan)
    return Deviations(cycle.targets, empty, empty).long_axis


def approach_distance(axis: Axis) -> float:
    """Return how far from its target a short move starts [m].

    Parameters
    ----------
    axis : Axis
        The axis.

    Returns
    -------
    float
        Way to gain the velocity, way in which the start is forgotten, and way to stop; infinite for
        a reference that jumps, because its stop depends on the whole way.
    """
    f = axis.file
    r = f.reference
    if r.kind == "step":
        return math.inf
    up = 0.5 * r.velocity * (r.velocity / r.acceleration)
    if r.kind == "s_curve":
        up += 0.5 * r.velocity * r.acceleration / r.jerk
    stop = schedule_of(axis, f.cylinder.stroke).stop.distance
    faded = r.velocity * max(_FADED / f.controller.velocity_gain, _LEAST_FADED)
    need = _RESERVE * (up + stop) + faded
    return need if math.isfinite(need) else math.inf


def rest_time(axis: Axis) -> float:
    """Return the time in which the table comes to rest at a target, its lock open [s]."""
    c = axis.file.controller
    rest = _REST / c.velocity_gain
    if c.integral_gain > 0.0:
        rest += _INTEGRATES * c.velocity_gain / c.integral_gain
    return min(max(rest, _LEAST_REST), _LONGEST_REST)


def move_time(axis: Axis, distance: float) -> float:
    """Return the time of an ideal move over a distance [s]; the file's if it has no end."""
    time = schedule_of(axis, distance).move_time
    return time if math.isfinite(time) else axis.file.move.duration


def lock_time(axis: Axis) -> float:
    """Return the time that a lock takes from a table at rest until it holds it still [s]."""
    lock = axis.file.lock
    if lock.kind == "none" and lock.brake == "none":
        return 0.0
    dwell = lock.dwell if lock.trigger == "window_dwell" else 0.0
    return dwell + sum(getattr(lock, name, 0.0) or 0.0 for name in _LOCK_TIMES) + _RINGING


def stop_times(axis: Axis, cycle: TestCycle, pause: float) -> Array:
    """Return when each stop of a cycle is read.

    Parameters
    ----------
    axis : Axis
        The axis.
    cycle : TestCycle
        The stops.
    pause : float
        Time at rest at each target [s].

    Returns
    -------
    ndarray, shape (n,)
        Times since the test began [s], at the end of the pause. The moves have their whole length.
    """
    rest, lock = rest_time(axis), lock_time(axis)
    spans, before = [], cycle.stops[0].position
    for stop in cycle.stops:
        distance = abs(stop.position - before)
        moving = move_time(axis, distance) if distance > 0.0 else 0.0
        spans.append(moving + rest + (lock + pause if stop.target >= 0 else 0.0))
        before = stop.position
    return np.cumsum(np.array(spans))


def approaches_of(axis: Axis, cycle: TestCycle, *, whole: bool = False) -> Approaches:
    """Return the moves to the targets of a cycle.

    Parameters
    ----------
    axis : Axis
        The axis, its lock as it is to be in the moves.
    cycle : TestCycle
        The stops.
    whole : bool, optional
        Whether the moves begin at the stop before, however far it is.

    Returns
    -------
    Approaches
        Moves of one reference, which last until the table has come to rest and the lock holds it.
    """
    longest = math.inf if whole else approach_distance(axis)
    ends = rest_time(axis) + lock_time(axis)
    known: dict[tuple[float, float], Move] = {}
    places, moves = [], []
    before = cycle.stops[0].position
    for k, stop in enumerate(cycle.stops):
        way = stop.position - before
        before = stop.position
        if stop.target < 0:
            continue
        start = stop.position - math.copysign(min(abs(way), longest), way)
        key = (start, stop.position)
        if key not in known:
            duration = ends + move_time(axis, abs(stop.position - start))
            move = axis.plan(start=start, target=stop.position)
            known[key] = move._replace(duration=math.ceil(100.0 * duration) / 100.0)
        places.append(k)
        moves.append(known[key])
    return Approaches(tuple(places), tuple(moves))
