"""Candidates on trial: tuned from margins with a short search on moves, then moved over everything.

All candidates go through each stage together, so that one call of the ensemble holds the moves of
all of them. Nothing depends on the number of threads.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np

from servosim.axis import Axis
from servosim.errors import ParameterError
from servosim.linear.points import CORNER_KEYS, Point, condition_points
from servosim.sizing.arms import Arm, arms_of
from servosim.sizing.checks import (
    Checked,
    brief_check,
    check,
    fails_held,
    rounded,
    with_wider_window,
)
from servosim.sizing.contenders import (
    SLOW,
    Contender,
    contender_of,
    find_stage,
    shares_of_stage,
)
from servosim.sizing.goals import Goals
from servosim.sizing.replays import replay
from servosim.sizing.short_search import ShortSearch
from servosim.sizing.trial import Trial, gain_figure, given_up, missing_of, without_gain
from servosim.sizing.verdicts import margin_figures
from servosim.tuning.loop_gains import Loops
from servosim.tuning.result import Constraint, LoopStage

__all__ = ["Trial", "replay", "try_axes"]

Tell = Callable[[str, int, int], Any]

_POSITIONS = 4  # along the stretch, for the margins that are claimed
_RESCUES = 1  # searches after a check that failed narrowly
_RESCUED = 16  # candidates at most that are searched on so
_NARROW = 2.0  # share of a limit by which it may be missed
_TUNABLE = ("settled", "locked", "settling_time", "overshoot", "resting_error",
            "resting_error_locked", "limit_cycle_amplitude")  # fmt: skip
_TIGHTER = 0.8  # of the limits, after a check that failed
_AFTER_BREAK = 6  # candidates that are still judged if the search is broken off


def try_axes(
    axes: Sequence[Axis],
    goals: Goals,
    *,
    workers: int = 1,
    seed: int = 0,
    progress: Tell | None = None,
) -> list[Trial | None]:
    """Tune candidates from their margins with a short search on moves, and move them.

    Parameters
    ----------
    axes : sequence of Axis
        Complete axes, one a candidate.
    goals : Goals
        What each must keep to over its envelope.
    workers : int, optional
        Threads that share the work [-]; the result doesn't depend on them.
    seed : int, optional
        Source of chance [-].
    progress : callable, optional
        Called with the name of the stage, what is done of it and how much there is.

    Returns
    -------
    list of Trial or None
        In the order of the axes. If it is broken off by the keyboard, those that were the best by
        then are judged with fewer moves, and None stands for the others.
    """
    return _Trials(axes, goals, workers, seed, progress or _silent).run()


def _silent(stage: str, done: int, total: int) -> None:
    """Tell nothing."""


class _Trials:
    """Trials of a list of axes, stage by stage."""

    def __init__(
        self, axes: Sequence[Axis], goals: Goals, workers: int, seed: int, tell: Tell
    ) -> None:
        self.axes, self.goals = axes, goals
        self.workers, self.seed, self.tell = workers, seed, tell
        self.trials: list[Trial | None] = [None] * len(axes)
        self.contenders: dict[int, Contender] = {}
        self.search = ShortSearch(
            [], workers, seed, tell, lambda arms: fails_held(arms, goals, workers)
        )

    def run(self) -> list[Trial | None]:
        """Return the trials."""
        try:
            self._margins()
            self.search.arms = [arm for c in self.contenders.values() if c.stage is not None
                                for arm in arms_of(c, c.stage)]  # fmt: skip
            self.search.run()
            self._check()
        except KeyboardInterrupt:
            self._broken_off()
        return self.trials

    def _margins(self) -> None:
        """Find gains by margins; those without are given up."""
        n, done = len(self.axes), 0
        self.tell("margins", 0, n)
        begun: dict[str, tuple[LoopStage, tuple[float, ...]]] = {}

        def one(k: int) -> tuple[int, Contender | None, str]:
            try:
                contender = contender_of(k, self.axes[k], self.goals)
                kind = self.axes[k].file.cylinder.kind
                contender.stage = find_stage(contender, *begun.get(kind, (None, ())))
            except ParameterError as error:
                return k, None, str(error).splitlines()[0]
            return k, contender, ""

        firsts: dict[str, int] = {}
        for k, axis in enumerate(self.axes):
            firsts.setdefault(axis.file.cylinder.kind, k)
        leading = list(firsts.values())
        rest = [k for k in range(n) if k not in leading]
        with ThreadPoolExecutor(max_workers=self.workers) as pool:
            try:
                for numbers in (leading, rest):
                    for k, contender, reason in pool.map(one, numbers):
                        done += 1
                        self.tell("margins", done, n)
                        if contender is None or contender.stage is None:
                            self.trials[k] = given_up(self.axes[k], None, (), reason)
                            continue
                        stage = contender.stage
                        if stage.velocity_gain <= 0.0:
                            self.trials[k] = without_gain(contender)
                            continue
                        self.contenders[k] = contender
                        if numbers is leading:
                            kind = contender.axis.file.cylinder.kind
                            begun[kind] = stage, shares_of_stage(contender, stage)
            except BaseException:
                pool.shutdown(cancel_futures=True)
                raise
        self.contenders = dict(sorted(self.contenders.items()))

    def _check(self) -> None:
        """Check all candidates; those that fail narrowly are searched on."""
        dropped = {arm.contender.number: rounded(arm) for arm in self.search.dropped}
        checked = {arm.contender.number: rounded(arm) for arm in self.search.arms}
        total = 2 * (_RESCUES + 1)
        self.tell("check", 0, total)
        brief_check(list(dropped.values()), self.workers)
        for k in [k for k, one in dropped.items() if one.kept(self.goals)]:
            checked[k] = rounded(dropped.pop(k).arm)  # better than it seemed
        check(list(checked.values()), self.goals, self.workers, self.seed)
        self.tell("check", 1, total)
        self._judge({**dropped, **checked})
        for again in range(_RESCUES):
            narrow = {k: checked[k] for k in self._narrow(list(checked))}
            wider = {k: with_wider_window(one) for k, one in narrow.items()
                     if self._misses_lock_alone(k)}  # fmt: skip
            arms = [one.arm for k, one in narrow.items() if k not in wider]
            self._learn(arms, checked)
            if arms:
                seen = [checked[arm.contender.number].groups[0].outcomes for arm in arms]
                self.search.improve(arms, seen)
            self.tell("check", 2 + 2 * again, total)
            more = wider | {arm.contender.number: rounded(arm) for arm in arms}
            check(list(more.values()), self.goals, self.workers, self.seed)
            self._judge(more)
            checked |= more
            self.tell("check", 3 + 2 * again, total)
        self.tell("check", total, total)

    def _learn(self, arms: Sequence[Arm], checked: Mapping[int, Checked]) -> None:
        """Take up the points in which margins failed, and ask for more where moves failed."""
        for arm in arms:
            trial = self.trials[arm.contender.number]
            missed = [one.name for one in trial.missed] if trial is not None else []
            if any("margin" in name for name in missed):
                one = checked[arm.contender.number]
                arm.contender.others = list(one.others)
                for loops in (arm.contender.loops, *one.others):
                    loops.learn(one.changes)
            if any("margin" not in name for name in missed):
                arm.tightness *= _TIGHTER

    def _misses_lock_alone(self, k: int) -> bool:
        trial = self.trials[k]
        return trial is not None and {one.name for one in trial.missed} == {"locked"}

    def _narrow(self, numbers: Sequence[int]) -> list[int]:
        """Return candidates that miss so little that searching on is worth it, the best few."""
        found = []
        for k in numbers:
            trial = self.trials[k]
            if trial is None or trial.feasible:
                continue
            if all(
                (one.slack > -_NARROW or one.name == "locked")
                and (one.name in _TUNABLE or "margin" in one.name)
                for one in trial.missed
            ):
                found.append((missing_of(trial), k))
        return sorted(k for _, k in sorted(found)[:_RESCUED])

    def _judge(self, checked: Mapping[int, Checked]) -> None:
        """Write down trials, unless an earlier one of the same candidate was better."""

        def one(item: tuple[int, Checked]) -> tuple[int, Trial]:
            return item[0], self._trial(item[1])

        with ThreadPoolExecutor(max_workers=self.workers) as pool:
            for k, trial in pool.map(one, checked.items()):
                before = self.trials[k]
                if before is None or missing_of(trial) <= missing_of(before):
                    self.trials[k] = trial

    def _trial(self, checked: Checked, note: str = "") -> Trial:
        contender = checked.contender
        figures, constraints = checked.judged(self.goals)
        loops = contender.loops
        margins = loops.constraints(checked.changes)
        if all(one.kept for one in (*constraints, *margins)):
            checked.others = [contender.other_loops, _between(checked)]
            for other in checked.others:
                margins = _worse(margins, other.constraints(checked.changes))
        notes = [note] if note else []
        asked = contender.axis.file.reference.deceleration
        if checked.changes.get("reference.deceleration", asked) < asked:
            notes.append("it decelerates more gently than asked for; its settling time counts so")
        if checked.arm.integral:
            notes.append("with an integral, against what the null of the valve strays")
        return Trial(
            axis=checked.axis,
            changes=checked.changes,
            texts=checked.texts,
            stage=contender.stage,
            figures={**figures, **margin_figures(margins), **gain_figure(checked.axis)},
            constraints=(*constraints, *margins),
            moves=contender.bench.moves + checked.moves,
            notes=(*notes, *loops.notes),
        )

    def _broken_off(self) -> None:
        """Judge the best few quickly; a second interruption ends that too."""
        arms = [arm for arm in self.search.arms if arm.tried
                and self.trials[arm.contender.number] is None]  # fmt: skip
        best: dict[int, Checked] = {}
        for arm in sorted(arms, key=lambda one: one.cost):
            if len(best) < _AFTER_BREAK and arm.contender.number not in best:
                best[arm.contender.number] = rounded(arm)
        try:
            check(list(best.values()), self.goals, self.workers, self.seed, thorough=False)
            for k, one in best.items():
                self.trials[k] = self._trial(one, "broken off: judged with few moves")
        except KeyboardInterrupt:
            return


def _between(checked: Checked) -> Loops:
    """Return the loops in more positions in the tightest corners, and in rapid motion in all."""
    contender, axis = checked.contender, checked.contender.axis
    kind = checked.axis.file.controller.stabilising_feedback
    ends = [point.position for point in contender.loops.all.points]
    places = np.linspace(min(ends), max(ends), _POSITIONS)[1:-1].tolist()
    tight = {tuple(point.corner.items()) for point in contender.loops.few(kind).points}
    points: list[Point] = []
    for corner in contender.corners:
        changed = axis.replace({CORNER_KEYS[key]: value for key, value in corner.items()})
        points += condition_points(
            changed, axis.file.move.target, conditions=("rapid",), corner=corner
        )
        for place in places if tuple(corner.items()) in tight else ():
            points += condition_points(changed, place, conditions=SLOW, corner=corner)
    loops = Loops(axis, contender.demands, points)
    loops.known_frequency, loops.lean = contender.loops.known_frequency, True
    return loops


def _worse(some: Sequence[Constraint], others: Sequence[Constraint]) -> tuple[Constraint, ...]:
    """Return of each demand that with less left."""
    return tuple(min(pair, key=lambda one: one.slack) for pair in zip(some, others, strict=True))
