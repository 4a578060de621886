"""Last check of tuned candidates: whole moves, both directions, every corner, other noise."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from servosim.axis import Axis
from servosim.sizing.arms import Arm
from servosim.sizing.contenders import Contender
from servosim.sizing.goals import Goals
from servosim.sizing.verdicts import Group, constraints_of, figures_of
from servosim.tuning.bench import Bench, Job, Outcomes, run_jobs
from servosim.tuning.cases import Case, Place, within
from servosim.tuning.lock_window import lock_window
from servosim.tuning.loop_gains import Loops
from servosim.tuning.result import Constraint, Spread
from servosim.tuning.unknowns import get
from servosim.tuning.written import texts_of

_FIRST_SEEDS = (101,)
_MORE_SEEDS = (103, 104)  # of machines inside the envelope
_WHOLE_SEED = 111
_HELD = ("hold_drift", "thrust_deflection_peak")
_SURE = 0.1  # share of a limit that few moves must miss it by to tell
_RANDOM = 24  # machines drawn at random from inside the envelope
_NEAR = 1.0  # share of a limit: candidates that miss by less in short moves make whole ones too


@dataclass
class Checked:
    """One tuned candidate, and what its moves gave.

    Attributes
    ----------
    arm : Arm
        How it was tuned.
    axis : Axis
        With its gains, rounded as the file holds them.
    changes : dict of str to object
        Keys of the file and their new values [SI].
    texts : dict of str to object
        The same as the file writes them.
    groups : list of Group
        Its moves.
    moves : int
        How many those are.
    others : list of Loops
        Loops in more points than those of the contender, in which margins were taken.
    """

    arm: Arm
    axis: Axis
    changes: dict[str, Any]
    texts: dict[str, Any]
    groups: list[Group] = field(default_factory=list)
    moves: int = 0
    others: list[Loops] = field(default_factory=list)

    @property
    def contender(self) -> Contender:
        """The candidate."""
        return self.arm.contender

    def take(self, outcomes: Outcomes, whole: bool) -> None:
        """Take down moves."""
        contender = self.contender
        velocity = self.axis.file.reference.velocity
        delays = np.zeros(len(outcomes.cases))
        if not whole and velocity > 0.0:
            full = {contender.short(one).words: one for one in contender.places}
            for k, case in enumerate(outcomes.cases):
                way = full[case.place.words]
                longer = abs(way.target - way.start) - abs(case.place.target - case.place.start)
                delays[k] = longer / velocity
        self.groups.append(Group(outcomes, delays, whole))
        self.moves += outcomes.broken.size

    def judged(self, goals: Goals) -> tuple[dict[str, Spread], tuple[Constraint, ...]]:
        """Return figures and goals."""
        figures = figures_of(self.groups)
        demands = self.contender.demands
        return figures, constraints_of(self.axis, goals, demands, self.groups, figures)

    def kept(self, goals: Goals) -> bool:
        """Tell whether every goal is kept so far."""
        return all(one.kept for one in self.judged(goals)[1])


def rounded(arm: Arm) -> Checked:
    """Return a candidate with the best values of its search as the file holds them."""
    axis = arm.contender.axis
    texts = texts_of(axis, arm.changes(arm.best))
    tuned = axis.replace(texts) if texts else axis
    return Checked(arm, tuned, {key: get(tuned, key) for key in texts}, texts)


def check(
    candidates: Sequence[Checked], goals: Goals, workers: int, seed: int, *, thorough: bool = True
) -> None:
    """Move tuned candidates over their envelopes.

    Parameters
    ----------
    candidates : sequence of Checked
        They are given the lock's window that suits, and their moves.
    goals : Goals
        What they must keep to.
    workers : int
        Threads that share the moves.
    seed : int
        Source of the machines that are drawn at random.
    thorough : bool
        Whether those that keep everything are moved with more noise, with machines inside the
        envelope, and as a user would write each corner into the file.
    """
    _short(candidates, _FIRST_SEEDS, workers)
    near = [one for one in candidates if _is_near(one, goals)]
    for one in near:
        if "lock.window" not in one.changes:
            _give_window(one)
    jobs = [Job(Bench(one.axis), [{}], whole_cases(one.contender), (_WHOLE_SEED,)) for one in near]
    for one, found in zip(near, run_jobs(jobs, workers), strict=True):
        one.take(found, True)
    if not thorough:
        return
    good = [one for one in near if one.kept(goals)]
    _short(good, _MORE_SEEDS, workers, seed)
    _written(good, workers)


def _written(candidates: Sequence[Checked], workers: int) -> None:
    """Move candidates as a user does who writes each corner into the file, with its own noise."""
    jobs, owners = [], []
    for one in candidates:
        move = one.axis.file.move
        bench = Bench(one.axis, rated=False)
        for corner in one.contender.corners:
            case = Case(corner, Place(move.start, move.target))
            jobs.append(Job(bench, [{}], [case], (move.seed,)))
            owners.append(one)
    for one, found in zip(owners, run_jobs(jobs, workers), strict=True):
        one.take(found, True)


def brief_check(candidates: Sequence[Checked], workers: int) -> None:
    """Move candidates that were given up in every corner, with short moves and one noise."""
    _short(candidates, _FIRST_SEEDS, workers)
    for one in candidates:
        if one.arm.whole is not None:
            one.take(one.arm.whole, True)


def fails_held(arms: Sequence[Arm], goals: Goals, workers: int) -> list[bool]:
    """Tell of each candidate whether thrust or hold move it too far, whatever its gains are.

    Parameters
    ----------
    arms : sequence of Arm
        Candidates with gains that are not far off.
    goals : Goals
        What they must keep to.
    workers : int
        Threads that share the moves.

    Returns
    -------
    list of bool
        By whole moves with the softest oil.
    """
    candidates = [rounded(arm) for arm in arms]
    jobs = []
    for one in candidates:
        cases = [case for case in whole_cases(one.contender) if _is_soft(one.axis, case)]
        jobs.append(Job(Bench(one.axis), [{}], cases, (_WHOLE_SEED,)))
    found = []
    for one, outcomes in zip(candidates, run_jobs(jobs, workers), strict=True):
        one.take(outcomes, True)
        figures, constraints = one.judged(goals)
        shift = figures["lock_shift"].worst
        one.contender.lock_shift = shift if math.isfinite(shift) else 0.0
        lost = [c for c in constraints if c.name in _HELD and c.slack < -_SURE]
        found.append(bool(lost))
        one.arm.whole = outcomes if lost else None
    return found


def _is_soft(axis: Axis, case: Case) -> bool:
    """Tell whether the oil of a case is the softest of the envelope: warm, and full of air."""
    e = axis.file.envelope
    return all(case.corner.get(key, getattr(e, key).high) == getattr(e, key).high
               for key in ("temperature", "free_air"))  # fmt: skip


def whole_cases(contender: Contender) -> list[Case]:
    """Return every corner with every whole move."""
    return [Case(corner, place) for corner in contender.corners for place in contender.places]


def _short(
    candidates: Sequence[Checked], seeds: Sequence[int], workers: int, drawn: int | None = None
) -> None:
    """Move the last stretches in every corner, or with a seed machines inside the envelope."""
    jobs = []
    for one in candidates:
        contender = one.contender
        cases = contender.cases
        if drawn is not None:
            ways = [contender.short(place) for place in contender.places]
            machines = within(contender.axis, _RANDOM, drawn)
            cases = [Case(m, ways[k % len(ways)]) for k, m in enumerate(machines)]
        moved = {k: v for k, v in one.changes.items() if not k.startswith("lock.")}
        jobs.append(Job(contender.bench, [moved], cases, seeds))
    for one, found in zip(candidates, run_jobs(jobs, workers), strict=True):
        one.take(found, False)


def _is_near(one: Checked, goals: Goals) -> bool:
    """Tell whether a candidate misses so little in short moves that whole ones are worth it."""
    return all(c.slack > -_NEAR for c in one.judged(goals)[1])


def _give_window(one: Checked) -> None:
    """Give a candidate the window of the lock that suits its errors at rest."""
    axis = one.contender.axis
    errors = np.concatenate(
        [group.outcomes.figures["resting_error"].ravel() for group in one.groups]
    )
    seen = replace(one.groups[0].outcomes, figures={"resting_error": errors})
    window = lock_window(axis, seen)
    if window is None:
        return
    more = texts_of(axis, {"lock.window": window})
    if more:
        one.axis = one.axis.replace(more)
        one.texts |= more
        one.changes["lock.window"] = get(one.axis, "lock.window")


def with_wider_window(one: Checked) -> Checked:
    """Return a candidate whose lock did not always close, with a window for all that was seen."""
    again = Checked(one.arm, one.axis, dict(one.changes), dict(one.texts), list(one.groups))
    _give_window(again)
    again.groups, again.moves = [], one.moves
    return again
