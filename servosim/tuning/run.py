"""Tune an axis: margins first, then moves over the envelope, then judgement and diagnosis."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from servosim.axis import Axis
from servosim.errors import ParameterError
from servosim.tuning.assessment import judge_of
from servosim.tuning.bench import Bench
from servosim.tuning.cases import envelope_cases, short_axis, shown, sound_corners
from servosim.tuning.demands import Demands, Effort
from servosim.tuning.diagnosis import diagnosis_of
from servosim.tuning.hardware import Workshop
from servosim.tuning.lock_window import lock_window
from servosim.tuning.loop_gains import Loops, points_at
from servosim.tuning.loop_stages import choose_stretch, positions_of, stretches
from servosim.tuning.neighbours import Neighbour, limits_of, neighbours_of
from servosim.tuning.result import (
    Assessment,
    HardwareChange,
    LoopStage,
    StrokePoint,
    TradeOffPoint,
    Tuned,
)
from servosim.tuning.search import Found, Search
from servosim.tuning.sheet import sheet_of
from servosim.tuning.trade_off import trade_off
from servosim.tuning.unknowns import SLOWEST, get
from servosim.tuning.words import failures_of
from servosim.tuning.written import texts_of

Tell = Callable[[str, int, int], Any]

_CLOSE = 0.8  # kinds of feedback with this share of the best one's velocity gain are tried too
_PATIENCE = 3  # further rounds with an integral until it keeps every demand
_MORE = 2  # rounds after checks that fail
_TIGHTER = 0.75  # of the allowed overshoot, after a check that failed


def tune(
    axis: Axis,
    *,
    demands: Demands | None = None,
    workers: int = 1,
    seed: int = 0,
    progress: Tell | None = None,
    effort: Effort | None = None,
) -> Tuned:
    """Propose gains for an axis, and say what limits them.

    Parameters
    ----------
    axis : Axis
        The axis.
    demands : Demands, optional
        What must be kept over the envelope of the file.
    workers : int, optional
        Threads that share the moves [-]; the result doesn't depend on them.
    seed : int, optional
        Source of chance [-]: the same seed gives the same result.
    progress : callable, optional
        Called with the name of the stage, what is done of it and how much there is.
    effort : Effort, optional
        How much work it may take.

    Returns
    -------
    Tuned
        The best that was found, ``feasible`` or not.

    Raises
    ------
    ParameterError
        If a demand cannot be meant, or the axis does not exist in a corner of its envelope.

    Examples
    --------
    >>> import servosim
    >>> axis = servosim.read_axis("params/tube_sheet_table.toml")
    >>> tuned = servosim.tune(axis, workers=2)  # doctest: +SKIP
    >>> tuned.write("tuned.toml")  # doctest: +SKIP
    """
    if not isinstance(workers, int) or workers < 1:
        raise ParameterError(f"workers: {workers!r}; expected a whole number, one or more")
    if not isinstance(seed, int) or seed < 0:
        raise ParameterError(f"seed: {seed!r}; expected a whole number, zero or more")
    wanted = (demands or Demands()).of(axis)
    return _Tuning(axis, wanted, effort or Effort(), workers, seed, progress or _silent).run()


def _silent(stage: str, done: int, total: int) -> None:
    """Tell nothing."""


@dataclass
class _Proposal:
    """One set of gains that was judged."""

    changes: dict[str, Any]
    texts: dict[str, Any]
    axis: Axis
    after: Assessment
    found: Found | None

    @property
    def rank(self) -> tuple[float, float]:
        """What is missing in all, then the time to settle: the smaller the better."""
        missing = sum(min(max(-one.slack, 0.0), 10.0) for one in self.after.constraints)
        time = self.after.figures["settling_time"].worst
        return missing, time if math.isfinite(time) else math.inf


class _Tuning:
    """One tuning, step by step."""

    def __init__(
        self, axis: Axis, demands: Demands, effort: Effort, workers: int, seed: int, tell: Tell
    ) -> None:
        self.axis, self.demands, self.effort = axis, demands, effort
        self.workers, self.seed, self.tell = workers, seed, tell
        self.notes: list[str] = []
        self.proposals: list[_Proposal] = []
        self.interrupted = False

    def run(self) -> Tuned:
        """Return what was found."""
        self._prepare()
        self.tell("before", 0, 1)
        before = self._judged({}, None)
        self.tell("before", 1, 1)
        try:
            self._propose()
        except KeyboardInterrupt:
            if len(self.proposals) < 2:
                raise
            self._broken_off("the search")
        best = min(self.proposals, key=lambda one: one.rank)
        if best is before and len(self.proposals) > 1:
            self.notes.append("nothing better than the values of the file was found")
        return self._explained(before.after, best)

    def _broken_off(self, where: str) -> None:
        self.interrupted = True
        self.notes.append(f"broken off in {where}: the best that was known by then")

    def _prepare(self) -> None:
        axis, demands, effort = self.axis, self.demands, self.effort
        self.tell("margins", 0, 1)
        _, self.faults = sound_corners(axis)
        levels = stretches(axis) if demands.stroke is None else [demands.stroke]
        points = points_at(axis, positions_of(levels, effort.positions))
        self.loops = Loops(axis, demands, points)
        demands, self.stages, self.stretches = choose_stretch(self.loops, demands, self.seed)
        self.demands = demands
        self.judge = judge_of(axis, demands, effort, self.loops, workers=self.workers,
                              seed=self.seed)  # fmt: skip
        self.tell("margins", 1, 1)
        self.bench = Bench(short_axis(axis, SLOWEST), self.workers)
        cases = envelope_cases(axis, demands, slowest=SLOWEST)
        self.search = Search(axis, demands, effort, self.bench, cases, self.loops, self.seed)

    def _judged(self, changes: Mapping[str, Any], found: Found | None) -> _Proposal:
        """Judge changes in the rounded form in which the file holds them."""
        texts = texts_of(self.axis, changes)
        tuned = self.axis.replace(texts) if texts else self.axis
        rounded = {key: get(tuned, key) for key in texts}
        self.tell("check", 0, 1)
        made = _Proposal(rounded, texts, tuned, self.judge(rounded), found)
        self.tell("check", 1, 1)
        self.proposals.append(made)
        return made

    def _propose(self) -> None:
        """Search round by round, check, and search on with what a check that fails has found."""
        found, rounds = self._first_searches()
        try:
            while rounds < self.effort.rounds:
                rounds += 1
                self.tell("search", rounds, self.effort.rounds)
                found = self.search.improve(self.search.renewed(found, rounds))
        except KeyboardInterrupt:
            self._broken_off("the search")
        for more in range(_MORE + 1):
            if not self.interrupted:
                found = self.search.choose(found)
            proposal = self._judged(found.changes | self._window(found.changes), found)
            if proposal.after.feasible or self.interrupted or more == _MORE:
                return
            self._learn(proposal)
            self.tell("search", rounds, rounds)
            found = self.search.improve(self.search.renewed(found, rounds + more + 1))

    def _first_searches(self) -> tuple[Found, int]:
        """Search with each kind that the margins favour, with an integral if there is need.

        Returns
        -------
        Found
            The best of them.
        int
            How many rounds that took, one for each kind.
        """
        top = self.stages[0].velocity_gain
        kinds = [s for s in self.stages if s.velocity_gain >= _CLOSE * top][:2]
        found = [self._round(stage) for stage in kinds]
        best = min(found, key=lambda one: one.cost)
        if not best.kept:
            known = [one.changes for one in found if one.stage.kind == kinds[0].kind]
            with_integral = self._round(kinds[0], integral=True, known=known)
            for k in range(_PATIENCE):  # it asks for more, and reaches further
                if not with_integral.kept:
                    with_integral = self.search.improve(self.search.renewed(with_integral, 90 + k))
            found.append(with_integral)
            best = min(found, key=lambda one: one.cost)
        if not best.kept and self._strains(best):
            found.append(self._round(best.stage, integral=best.integral, gentle=True,
                                     known=[best.changes]))  # fmt: skip
            best = min(found, key=lambda one: one.cost)
        if best.integral:
            self.notes.append("an integral is proposed because without one no gains were found "
                              "that keep every demand")  # fmt: skip
        return best, len(found)

    def _round(
        self,
        stage: LoopStage,
        *,
        integral: bool = False,
        gentle: bool = False,
        known: Sequence[Mapping[str, Any]] = (),
    ) -> Found:
        """Return what one round of search from a first population gives."""
        self.tell("search", 1, self.effort.rounds)
        begun = self.search.begin(stage, integral=integral, gentle=gentle, known=known)
        return self.search.improve(begun)

    def _strains(self, found: Found) -> bool:
        """Tell whether pressure or cavitation keeps a candidate from being good."""
        _, terms, _ = self.search.judge([found.changes], self.search.cases, (11,))
        return any(terms.missing[n].max() > 0.0 for n in ("pressure_max", "cavitation_time"))

    def _window(self, changes: Mapping[str, Any]) -> dict[str, Any]:
        """Return the lock's window that suits gains."""
        _, _, moves = self.search.judge([changes], self.search.cases, (11, 12))
        window = lock_window(self.axis, moves.of(0))
        return {} if window is None else {"lock.window": window}

    def _learn(self, proposal: _Proposal) -> None:
        """Take up the cases and points in which a proposal failed, and ask for more."""
        missed = {one.name for one in proposal.after.constraints if not one.kept}
        if missed & {"overshoot", "limit_cycle_amplitude", "settled"}:
            self.search.tightness *= _TIGHTER
        if any("margin" in name for name in missed):
            self.loops.learn(proposal.changes)
        for case in self.judge.worst_cases(proposal.changes):
            if case not in self.search.cases:
                self.search.cases.append(case)
            place = self.search.cases.index(case)
            if place not in self.search.active:
                self.search.active.append(place)

    def _explained(self, before: Assessment, best: _Proposal) -> Tuned:
        """Return the result with trade-off, limits of each gain, and changes of hardware."""
        found = best.found
        curve: tuple[TradeOffPoint, ...] = ()
        near: list[Neighbour] = []
        usual: HardwareChange | None = None
        options: tuple[HardwareChange, ...] = ()
        try:
            if not self.interrupted and found is not None:
                self.search.tightness = 1.0
                self.tell("trade-off", 0, 1)
                near = neighbours_of(self.search, self.loops, found.unknowns, best.changes)
                curve = trade_off(self.search, self.loops, best.changes, self.effort.trade_off,
                                  self.judge.delay)  # fmt: skip
                self.tell("trade-off", 1, 1)
                shop = Workshop(self.axis, self.demands, self.effort, self.search, self.loops,
                                found, best.changes, self.judge.delay)  # fmt: skip
                usual, options = shop.rank(self.tell)
        except KeyboardInterrupt:
            self._broken_off("trade-off or diagnosis")
        keys = {one.key for one in found.unknowns} if found is not None else set()
        diagnosis = diagnosis_of(best.axis, best.after, near, usual, options, self.stages)
        return Tuned(
            axis=best.axis,
            original=self.axis,
            demands=self.demands,
            changes=best.changes,
            texts=best.texts,
            before=before,
            after=best.after,
            loops=self.stages,
            stretches=self.stretches,
            along_stroke=tuple(StrokePoint(*one) for one in self.loops.along(best.changes)),
            trade_off=curve,
            sheet=sheet_of(self.axis, best.axis, self._limits(best, near), keys),
            diagnosis=diagnosis,
            feasible=best.after.feasible and not self.faults,
            failures=(*self.faults, *failures_of(best.after.constraints)),
            notes=(*self.notes, *self._standing_notes()),
            moves=self.bench.moves + self.judge.short.moves + self.judge.full.moves,
            interrupted=self.interrupted,
        )

    def _limits(self, best: _Proposal, near: list[Neighbour]) -> dict[str, str]:
        """Return for each key what keeps it from going further."""
        rest = best.after.figures["resting_error"].worst
        limits = {
            "controller.stabilising_feedback": _by_margins(self.stages),
            "controller.integral_limit": "what the null strays over the envelope, and half of the "
            "overlap; more would be wound up on the way and let the table pass its target",
            "lock.window": f"the largest error at rest that was seen, {shown(rest, 'um')}, with "
            "room for the error of the reading",
        }
        return limits | limits_of(best.axis, near)

    def _standing_notes(self) -> list[str]:
        """Return what holds for every result of this axis."""
        low, high = self.demands.stroke or (0.0, self.axis.file.cylinder.stroke)
        stroke = self.axis.file.cylinder.stroke
        found = []
        if low > 0.0 or high < stroke:
            found.append(
                f"margins and moves are demanded from {shown(low, 'mm')} to {shown(high, 'mm')} of "
                f"the stroke of {shown(stroke, 'mm')}; over more of it the natural frequency "
                "differs so much that no gains of use have the margins: see those along the stroke"
            )
        found += [
            "in the corners of the envelope the controller keeps the numbers of the file, as a "
            "machine does; the file's own move is checked with corners written into the file too",
        ]
        found += self.loops.notes
        return found


def _by_margins(stages: Sequence[LoopStage]) -> str:
    """Return what the margins admit with each kind of stabilising feedback, in words."""
    parts = [f"{one.kind}: {shown(one.velocity_gain, '1/s')}" for one in stages]
    return f"highest velocity gain by margins alone: {', '.join(parts)}"
