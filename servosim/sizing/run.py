"""Size an axis: everything on offer by algebra, the most promising in moves, the best explained."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from servosim.axis import Axis
from servosim.errors import ParameterError, ServosimError
from servosim.params import replace
from servosim.sizing.axes import axis_of, parts_of
from servosim.sizing.calculation import Calculation, Step
from servosim.sizing.candidates import combinations_of
from servosim.sizing.confirmed import confirmed
from servosim.sizing.conflicts import conflicts_of, counts_of, shown
from servosim.sizing.curves import Curves
from servosim.sizing.drawn import curves_of, settling_points
from servosim.sizing.findings import Conflict, Relaxation, Tried, WhatIf
from servosim.sizing.goals import goals_of
from servosim.sizing.moved_relaxations import moved_relaxations
from servosim.sizing.power_failure import HOLDERS
from servosim.sizing.relaxations import relaxations_of, smallest_first
from servosim.sizing.requirement import RequirementFile
from servosim.sizing.result import Sizing
from servosim.sizing.screening import Worked, choose, nearest, passing, screened, worked
from servosim.sizing.sensitivity import neighbour, neighbours, what_if
from servosim.sizing.trials import Trial, try_axes

Tell = Callable[[str, int, int], Any]

_NEAREST = 40  # of those that algebra rejected are described
_FIRST_SHARE = 0.5  # of as many again are moved if the first all fail


def size(
    requirement: RequirementFile,
    *,
    workers: int = 1,
    seed: int | None = None,
    tried: int | None = None,
    progress: Tell | None = None,
) -> Sizing:
    """Choose cylinder or motor, valve and power unit for what a table must do.

    Every combination that the requirement offers is looked at by algebra. The most promising of
    those that keep every rule are tuned from their margins with a short search on moves, then moved
    over the envelope; those that keep everything there too are ranked.

    Parameters
    ----------
    requirement : RequirementFile
        What the table must do, and what there is to choose from; see ``read_requirement``.
    workers : int, optional
        Threads that share the moves [-]; the result doesn't depend on them.
    seed : int, optional
        Source of chance [-]; by default ``choice.seed`` of the requirement.
    tried : int, optional
        Combinations that are tuned and moved [-]; by default ``choice.tried``.
    progress : callable, optional
        Called with the name of the stage, what is done of it and how much there is.

    Returns
    -------
    Sizing
        The ranking, or without a solution what conflicts and what would help.

    Raises
    ------
    ParameterError
        If the requirement cannot be meant, or offers nothing.

    Examples
    --------
    >>> import servosim
    >>> requirement = servosim.read_requirement("params/tube_sheet_requirement.toml")
    >>> sizing = servosim.size(requirement, workers=2)  # doctest: +SKIP
    >>> sizing.write("sized.toml")  # doctest: +SKIP
    """
    for name, value, least in (("workers", workers, 1), ("seed", seed, 0), ("tried", tried, 1)):
        if value is None:
            continue
        if isinstance(value, bool) or not isinstance(value, int) or value < least:
            raise ParameterError(f"{name}: {value!r}; expected a whole number, {least} or more")
    given = {"choice.seed": seed, "choice.tried": tried}
    changes = {key: value for key, value in given.items() if value is not None}
    asked = replace(requirement, changes) if changes else requirement
    return _Sizing(asked, workers, progress or _silent).run()


def _silent(stage: str, done: int, total: int) -> None:
    """Tell nothing."""


class _Sizing:
    """One sizing, step by step; what is known survives an interruption."""

    def __init__(self, requirement: RequirementFile, workers: int, tell: Tell) -> None:
        self.requirement, self.workers, self.tell = requirement, workers, tell
        self.notes: list[str] = []
        self.tried: dict[int, Tried] = {}
        self.chosen: list[int] = []
        self.moves = 0
        self.interrupted = False
        self.what_if: list[WhatIf] = []
        self.conflicts: tuple[Conflict, ...] = ()
        self.relaxations: list[Relaxation] = []

    def run(self) -> Sizing:
        """Return what was found."""
        self.tell("algebra", 0, 1)
        c = combinations_of(self.requirement)
        self.found = screened(self.requirement, c)
        self.tell("algebra", 1, 1)
        try:
            self._move()
            if self.interrupted:
                pass
            elif self._ranked():
                self._sensitivity()
            else:
                self._no_solution()
        except KeyboardInterrupt:
            self._broken_off()
        return self._result()

    def _broken_off(self) -> None:
        if not self.interrupted:
            self.interrupted = True
            self.notes.append("broken off: the ranking holds what had been moved by then")

    def _move(self) -> None:
        """Tune and move the most promising; if all fail, some more, chosen on."""
        count = self.requirement.choice.tried
        first = choose(self.found, count)
        self._try(first)
        if self.interrupted or not len(first) or self._ranked():
            return
        more = choose(self.found, math.ceil(_FIRST_SHARE * count), without=first.tolist())
        if len(more):
            self.notes.append(f"the first {len(first)} combinations all failed in moves, so "
                              f"{len(more)} more were moved")  # fmt: skip
            self._try(more)

    def _try(self, rows: Sequence[int] | np.ndarray[Any, Any]) -> None:
        """Tune and move some combinations."""
        axes, of_row = [], []
        for k in (int(row) for row in rows if int(row) not in self.tried):
            axis = self._axis(self.requirement, k)
            if axis is not None:
                axes.append(axis)
                of_row.append(k)
        self.chosen += of_row
        told = {
            k: self._told(k, trial)
            for k, trial in zip(of_row, self._trials(self.requirement, axes), strict=True)
            if trial is not None
        }
        self.tried |= told
        kept = [one for one in told.values() if one.feasible]
        self.tried |= {one.candidate.number: one for one in self._confirmed(kept)}

    def _confirmed(self, kept: Sequence[Tried]) -> list[Tried]:
        """Return what keeps everything with what its own file shows; it may fail by that."""
        found, moves = confirmed(
            self.requirement, kept, workers=self.workers,
            progress=lambda done, total: self.tell("files", done, total),
        )  # fmt: skip
        self.moves += moves
        lost = sum(not one.feasible for one in found)
        if lost:
            self.notes.append(
                f"{lost} of {len(found)} that kept everything in the search missed a "
                "goal in the moves of their own file with corners written into it"
            )
        return found

    def _axis(self, requirement: RequirementFile, k: int) -> Axis | None:
        """Return the axis of a row, or None with a note."""
        one = self.found.combinations.take(np.array([k]))
        try:
            parts = worked(requirement, one, Calculation())
            made = parts_of(requirement, one, parts.actuators, parts.power, 0)
            return axis_of(requirement, made)
        except ServosimError as error:
            words = self.found.candidate(k).words
            self.notes.append(f"{words} cannot be simulated: {str(error).splitlines()[0]}")
            return None

    def _trials(self, requirement: RequirementFile, axes: list[Axis]) -> list[Trial | None]:
        """Return what moves gave; None for an axis that was not judged when it was broken off."""
        if not axes:
            return []
        trials = try_axes(
            axes, goals_of(requirement), workers=self.workers,
            seed=self.requirement.choice.seed, progress=self.tell,
        )  # fmt: skip
        self.moves += sum(one.moves for one in trials if one is not None)
        if any(one is None for one in trials):
            self._broken_off()
        return trials

    def _told(self, k: int, trial: Trial) -> Tried:
        return Tried(
            candidate=self.found.candidate(k),
            axis=trial.axis,
            gains=trial.texts,
            simulated=trial.figures,
            goals=trial.constraints,
            notes=tuple(one for one in (trial.reason, *trial.notes) if one),
        )

    def _ranked(self) -> list[Tried]:
        """Return what keeps everything, the best first."""
        kept = [one for one in self.tried.values() if one.feasible]
        return sorted(kept, key=lambda one: preferred(self.requirement, one))

    def _sensitivity(self) -> None:
        """Look at the winner under other circumstances, and at its neighbours."""
        best = self._ranked()[0]
        beside = neighbours(self.found, best.candidate.number)
        passes = self.found.passes
        untried = [k for k in beside.values() if passes[k] and k not in self.tried]
        if untried:
            self._try(untried)
        ranked = self._ranked()
        if ranked[0] is not best:
            self.notes.append("a neighbour of the first winner, moved as well, took its place")
            best = ranked[0]
            beside = neighbours(self.found, best.candidate.number)
        goals = goals_of(self.requirement)
        for one in what_if(self.found, best, goals, lambda k, n: self.tell("what if", k, n)):
            self.what_if.append(one)
        self.what_if += [
            neighbour(self.found, name, k, self.tried.get(k)) for name, k in beside.items()
        ]

    def _no_solution(self) -> None:
        """Find what cannot be kept together, and what would help."""
        if self.found.passes.any():
            found = moved_relaxations(self.requirement, self._failed(), self._shows)
            for k, one in enumerate(found):
                self.relaxations.append(one)
                self.tell("relaxations", k + 1, k + 2)
            return
        self.tell("conflicts", 0, 1)
        self.conflicts = conflicts_of(self.found.checks, lambda k: self.found.candidate(k).words)
        self.tell("conflicts", 1, 1)
        for k, one in enumerate(
            relaxations_of(self.requirement, self.found.combinations, self.found.checks, passing)
        ):
            self.relaxations.append(one)
            self.tell("relaxations", k + 1, k + 2)

    def _shows(self, requirement: RequirementFile, k: int) -> bool:
        """Tell whether a row keeps everything of another requirement, in moves too."""
        one = self.found.combinations.take(np.array([k]))
        if not passing(requirement, one).all():
            return False
        axis = self._axis(requirement, k)
        if axis is None:
            return False
        trials = self._trials(requirement, [axis])
        told = [self._told(k, one) for one in trials if one is not None and one.feasible]
        found, moves = confirmed(requirement, told, workers=self.workers)
        self.moves += moves
        return bool(found) and found[0].feasible

    def _failed(self) -> list[Tried]:
        """Return what missed a goal in moves, the nearest first."""

        def missing(one: Tried) -> float:
            return sum(min(-goal.slack, 10.0) if goal.slack == goal.slack else 10.0
                       for goal in one.missed)  # fmt: skip

        return sorted((one for one in self.tried.values() if not one.feasible), key=missing)

    def _result(self) -> Sizing:
        ranked = tuple(_placed(one, place) for place, one in enumerate(self._ranked(), 1))
        failed = tuple(self._failed())
        rejected = nearest(self.found, _NEAREST)
        near = tuple(self.found.candidate(int(k)) for k in rejected)
        row = next(iter((*(one.candidate.number for one in (*ranked, *failed)),
                           *(one.number for one in near))), None)  # fmt: skip
        sheet, curves = self._explained(row, (*ranked, *failed))
        return Sizing(
            requirement=self.requirement,
            combinations=self.found.combinations,
            checks=self.found.checks,
            columns=self.found.columns,
            passes=self.found.passes,
            chosen=np.array(self.chosen, dtype=np.intp),
            ranked=ranked,
            failed=failed,
            nearest=near,
            rules=counts_of(self.found.checks),
            sheet=sheet,
            curves=curves,
            what_if=tuple(self.what_if),
            conflicts=self.conflicts,
            relaxations=smallest_first(self.relaxations),
            notes=(*self.notes, *(str(one) for one in self.requirement.warnings())),
            moves=self.moves,
            interrupted=self.interrupted,
        )

    def _explained(
        self, row: int | None, tried: Sequence[Tried]
    ) -> tuple[tuple[Step, ...], Curves | None]:
        """Return the sheet of one combination, and the lines of the plots."""
        if row is None:
            return (), None
        one = self.found.combinations.take(np.array([row]))
        calc = Calculation(records=True)
        found = worked(self.requirement, one, calc)
        points = settling_points(self.requirement, self.found.combinations, self.found.columns,
                                 tried)  # fmt: skip
        curves, notes = curves_of(self.requirement, one, found, points)
        self.notes += notes
        self._state(found)
        return tuple(calc.steps), curves

    def _state(self, found: Worked) -> None:
        """Note what is no number: who holds the table without power, and how clean the oil is."""
        words = HOLDERS[int(found.actuators.holder[0])]
        speed = float(found.actuators.sinking_velocity[0])
        if not math.isfinite(speed):
            words += "; it runs away"
        elif speed > 0.0:
            words += f"; it moves at {shown(speed, 'mm/s')} then"
        self.notes.append(f"when power fails the table is {words}")
        self.notes.append(f"cleanliness of the oil to aim at: ISO 4406 {found.power.cleanliness[0]}"
                          " (common practice, no source)")  # fmt: skip


def _placed(one: Tried, place: int) -> Tried:
    return Tried(one.candidate, one.axis, one.gains, one.simulated, one.goals, one.notes, place)


def preferred(requirement: RequirementFile, one: Tried) -> tuple[float, ...]:
    """Return the place of a combination by the requirement's preference: the less the better.

    Parameters
    ----------
    requirement : RequirementFile
        States the preference.
    one : Tried
        A combination that was moved.

    Returns
    -------
    tuple of float
        Motor power, then power of the shaft; settling time in moves; deflection in moves if thrust
        was on, else by algebra; or what is left of the scarcest rule or goal, its sign turned. Then
        the settling time.
    """
    figures, moved = one.candidate.figures, one.simulated

    def algebra(name: str) -> float:
        value = figures[name].value if name in figures else math.inf
        return value if math.isfinite(value) else math.inf

    def seen(*names: str) -> float:
        for name in names:
            if name in moved and math.isfinite(moved[name].worst):
                return float(moved[name].worst)
        return math.inf

    time = seen("settling_time")
    prefer = requirement.choice.prefer
    if prefer == "settling_time":
        return (time,)
    if prefer == "stiffness":
        held = seen("thrust_deflection_peak", "thrust_deflection")
        return (held if math.isfinite(held) else algebra("deflection"), time)
    if prefer == "reserve":
        slacks = [rule.slack for rule in one.candidate.rules] + [g.slack for g in one.goals]
        return (-min(slacks), time)
    return algebra("motor_power"), algebra("shaft_power"), time
