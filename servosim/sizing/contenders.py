"""Candidates on trial: each axis with its corners, places, loops and gains by margins alone."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from servosim.axis import Axis
from servosim.errors import ParameterError
from servosim.linear.points import CORNER_KEYS, Point, condition_points
from servosim.sizing.goals import Goals
from servosim.sizing.margin_gains import over_scales, stage_by_margins
from servosim.tuning.bench import Bench
from servosim.tuning.cases import (
    Case,
    Place,
    approach,
    schedule_of,
    short_axis,
    shown,
    sound_corners,
)
from servosim.tuning.demands import Demands
from servosim.tuning.loop_gains import Loops
from servosim.tuning.result import LoopStage

SLOW = ("null", "edge", "rest")  # rapid motion damps: its points are looked at in the end
_TRIALS = (0.4, 1.0)  # of the scale of the gains, by which the tightest points are found
_OIL_SPRING = ("pressure_a", "pressure_b", "line_pressure_a", "line_pressure_b", "piston_position",
               "piston_velocity", "table_position", "table_velocity")  # fmt: skip
_NEAR = 0.12  # of the stretch: positions closer than that are taken once
_REST = 0.35  # s, after the longest settling time that passes, in which swings show
_LONGEST_REST = 6.0  # s, after the reference's end
_FAIR = 0.3  # of another axis' velocity gain over natural frequency: less is worth a wider search


@dataclass
class Contender:
    """One candidate on trial.

    Attributes
    ----------
    number : int
        Its place in the list.
    axis : Axis
        As it was given.
    demands : Demands
        What it must keep to in its own moves.
    places : list of Place
        Moves that are tried, the file's own last if it is none of the cycle's.
    distance : float
        Length of the short moves at most [m].
    delay : float
        Time by which the longest move is longer than the short one [s].
    corners : sequence of mapping
        Corners of the envelope.
    bench : Bench
        Runs its short moves.
    loops : Loops
        Tells margins, in half of the corners until those of all are asked for.
    goals : Goals
        What it must keep to.
    stage : LoopStage or None
        By margins alone, the best kind of stabilising feedback.
    others : list of Loops
        Loops in other points that count too, once margins were missed there.
    lock_shift : float
        By how much the lock was seen to shift the table [m].
    """

    number: int
    axis: Axis
    demands: Demands
    places: list[Place]
    distance: float
    delay: float
    corners: Sequence[Mapping[str, float]]
    bench: Bench
    loops: Loops
    goals: Goals
    stage: LoopStage | None = None
    others: list[Loops] = field(default_factory=list)
    lock_shift: float = 0.0

    @cached_property
    def other_loops(self) -> Loops:
        """Loops in the other half of the corners."""
        others = [self.corners[k] for k in half_of(len(self.corners), 1)]
        return _loops(self.axis, self.demands, self.goals, others)

    @property
    def cases(self) -> list[Case]:
        """Every corner with the last stretch of every move."""
        return [Case(corner, self.short(place)) for corner in self.corners for place in self.places]

    def short(self, place: Place) -> Place:
        """Return the last stretch of a move."""
        run = min(self.distance, abs(place.target - place.start))
        way = math.copysign(1.0, place.target - place.start)
        return Place(place.target - way * run, place.target)


def contender_of(number: int, axis: Axis, goals: Goals) -> Contender:
    """Return a candidate ready for trial.

    Parameters
    ----------
    number : int
        Its place in the list.
    axis : Axis
        The axis.
    goals : Goals
        What it must keep to.

    Returns
    -------
    Contender
        Without gains.

    Raises
    ------
    ParameterError
        If it doesn't exist in a corner of its envelope, or cannot go where it must.
    """
    corners, faults = sound_corners(axis)
    if faults:
        raise ParameterError(faults[0])
    low, high = goals.stretch(axis)
    stroke = axis.file.cylinder.stroke
    if goals.begin(axis) < -1e-9:
        raise ParameterError(
            f"the stroke of {shown(stroke, 'mm')} is shorter than the table's travel of "
            f"{shown(goals.travel, 'mm')}"
        )
    if low < -1e-9 or high > stroke + 1e-9:
        raise ParameterError(
            f"moves from {shown(low, 'mm')} to {shown(high, 'mm')} leave the stroke of "
            f"{shown(stroke, 'mm')}"
        )
    demands = goals.demands(axis)
    distance, delay = approach(axis), delay_of(axis)
    late = goals.settling_time - delay
    ideal = schedule_of(axis, distance).move_time
    base = short_axis(axis)
    lasts = max(base.file.move.duration, late + _REST)
    if math.isfinite(ideal):
        lasts = min(lasts, ideal + _LONGEST_REST)
    base = base.replace({"move.duration": math.ceil(100.0 * lasts) / 100.0})
    return Contender(
        number=number,
        axis=axis,
        demands=replace(demands, settling_time=late),
        places=goals.places(axis),
        distance=distance,
        delay=delay,
        corners=corners,
        bench=Bench(base),
        loops=_loops(axis, demands, goals, [corners[k] for k in half_of(len(corners), 0)]),
        goals=goals,
    )


def half_of(count: int, half: int) -> list[int]:
    """Return one half of the corners: both ends of every range, each with both of every other."""
    return [k for k in range(count) if (k.bit_count() + half) % 2 == 0] or [0]


def _loops(
    axis: Axis, demands: Demands, goals: Goals, corners: Sequence[Mapping[str, float]]
) -> Loops:
    """Return the loops in some corners, their scales by the mass on the oil spring.

    An accumulator swings on its line too, more slowly; that is not what gains are measured by.
    """
    points: list[Point] = []
    for corner in corners:
        changed = axis.replace({CORNER_KEYS[key]: value for key, value in corner.items()})
        for position in positions_of(axis, goals):
            points += condition_points(changed, position, conditions=SLOW, corner=corner)
    loops = Loops(axis, demands, points, trials=_TRIALS)
    loops.lean = True
    plants = loops.all.plants
    rows = [k for k, name in enumerate(plants.states) if name in _OIL_SPRING]
    still = np.array([point.velocity == 0.0 for point in loops.all.points])
    poles = np.linalg.eigvals(plants.A[still][:, rows][:, :, rows])
    omega = float(np.min(np.abs(poles[poles.imag > 1.0]), initial=math.inf))
    loops.known_frequency = omega if math.isfinite(omega) else None
    return loops


def delay_of(axis: Axis) -> float:
    """Return the time by which the file's move is longer than the short one [s]."""
    own = axis.file.move
    velocity = axis.file.reference.velocity
    longer = abs(own.target - own.start) - approach(axis)
    return max(longer, 0.0) / velocity if velocity > 0.0 else 0.0


def positions_of(axis: Axis, goals: Goals) -> list[float]:
    """Return positions at which margins are taken: both ends of the moves, and between [m].

    Parameters
    ----------
    axis : Axis
        The axis; its own move goes where its natural frequency is the lowest.
    goals : Goals
        Knows the moves.

    Returns
    -------
    list of float
        In rising order.
    """
    low, high = goals.stretch(axis)
    low, high = max(low, 0.0), min(high, axis.file.cylinder.stroke)
    own, near = axis.file.move.target, _NEAR * (high - low)
    return [low, own if low + near < own < high - near else 0.5 * (low + high), high]


def find_stage(contender: Contender, begin: LoopStage | None, shares: Sequence[float]) -> LoopStage:
    """Return the best gains by margins alone.

    Parameters
    ----------
    contender : Contender
        The candidate.
    begin : LoopStage, optional
        What a similar axis has; every kind of feedback is looked at if it is of no use.
    shares : sequence of float
        That one's gains over their scales, its velocity gain over the natural frequency last.

    Returns
    -------
    LoopStage
        Velocity gain zero if no gains have the margins.
    """
    loops = contender.loops
    kinds = [k for k in contender.demands.stabilising_feedback if k != "none"]
    found: list[LoopStage] = []
    if begin is not None and begin.kind in kinds:
        fair = _FAIR * shares[-1] * loops.natural_frequency
        for start in (shares[:-1], ()):
            found.append(stage_by_margins(loops, begin.kind, start))
            if found[-1].velocity_gain >= fair:
                return found[-1]
        kinds.remove(begin.kind)
    found += [stage_by_margins(loops, kind) for kind in kinds]
    if all(one.velocity_gain <= 0.0 for one in found):
        found.append(stage_by_margins(loops, "none"))
    return max(found, key=lambda one: one.velocity_gain)


def shares_of_stage(contender: Contender, stage: LoopStage) -> tuple[float, ...]:
    """Return the gains of a stage over their scales, its velocity gain over natural frequency."""
    loops = contender.loops
    return (*over_scales(loops, stage), stage.velocity_gain / loops.natural_frequency)
