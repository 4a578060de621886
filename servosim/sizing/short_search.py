"""Short search on moves, many candidates side by side: one call of the ensemble a round.

Each candidate is tried in the few cases that were the worst for it. Now and then its best places
are tried in all cases, worse cases join, and the candidates that miss the most are dropped.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim.sizing.arms import Arm, narrowed, proposals
from servosim.sizing.contenders import Contender
from servosim.tuning.bench import Job, Outcomes, run_jobs
from servosim.tuning.demands import Demands
from servosim.tuning.objective import DISMISSED, UNSETTLED, Terms, costs_of, terms_of

Array = NDArray[np.float64]

_SEEDS = (11, 12)
_TIGHT = 0.85  # share of overshoot and swing that may be used, for a search sees few seeds
_TIGHT_REST = 0.9  # the same of the error at rest
_TIGHT_TIME = 0.98  # and of the settling time
_FIRST = 4  # places of the first round
_EACH = 8  # places of each other round
_CASES = 8  # cases that are active
_CONFIRMED = 2  # best places that are tried in half of the corners, at last in all
_SHARED = 2  # places of other candidates that are tried
_SPREADS = (0.12, 0.1, 0.08, 0.06, 0.05, 0.04, 0.04, 0.03)  # round by round
_CYCLES = 3  # of two rounds and a confirmation
_KEPT = (0.6, 0.6)  # share of the candidates that go on after each cycle
_NEARLY = UNSETTLED + 0.6  # cost below which a candidate always goes on
_CLOSE = 0.5  # costs of two ways to tune one candidate that are not yet told apart
_DRAWS = 3  # times as many are drawn, for some lack the margins


@dataclass
class Progress:
    """Tells how far the search is."""

    tell: Callable[[str, int, int], Any]
    total: int
    done: int = 0

    def step(self) -> None:
        """Tell one round more."""
        self.done += 1
        self.tell("search", min(self.done, self.total), self.total)


@dataclass
class ShortSearch:
    """Searches gains of many candidates at once.

    Attributes
    ----------
    arms : list of Arm
        Ways to tune that are still in it.
    workers : int
        Threads that share the moves.
    seed : int
        Source of chance.
    tell : callable
        Called with the name of the stage, what is done and how much there is.
    hopeless : callable, optional
        Takes arms, tells for each whether it fails by what gains don't change.
    dropped : list of Arm
        Ways that were given up.
    """

    arms: list[Arm]
    workers: int
    seed: int
    tell: Callable[[str, int, int], Any]
    hopeless: Callable[[Sequence[Arm]], Sequence[bool]] | None = None
    dropped: list[Arm] = field(default_factory=list)
    rounds: int = 0

    def run(self) -> None:
        """Search; every arm then holds its places with their costs in all cases, best first."""
        progress = Progress(self.tell, 2 + 3 * _CYCLES)
        self._first()
        progress.step()
        for cycle in range(_CYCLES):
            for _ in range(2):
                self._explore()
                progress.step()
            if cycle == 0:
                self.arms = narrowed(self.arms, 0.0)
            self._confirm(None if cycle == _CYCLES - 1 else cycle)
            progress.step()
            if cycle == 0:
                self._drop_hopeless()
            if cycle < _CYCLES - 1:
                self._drop(_KEPT[cycle])

    def improve(self, arms: Sequence[Arm]) -> None:
        """Search on with some candidates for one cycle."""
        before, self.arms = self.arms, list(arms)
        for _ in range(2):
            self._explore()
        self._confirm(None)
        self.arms = before

    def _first(self) -> None:
        """Try the first places in half of the corners, the longest ways out and back."""
        draws = self._draws(_FIRST)
        jobs, tried = [], []
        for arm in self.arms:
            places = proposals(arm, (), _FIRST, _SPREADS[0], draws)
            cases = few_cases(arm)
            tried.append((arm, places, cases))
            jobs.append(_job(arm, places, cases, 1))
        for (arm, places, cases), found in zip(tried, run_jobs(jobs, self.workers), strict=True):
            if not places:
                arm.note([DISMISSED + arm.lacks(arm.start())], [arm.start()])
                continue
            costs, terms = judged(arm, found)
            arm.note(costs.tolist(), places)
            arm.active = [cases[k] for k in _worst(terms, costs, _CASES)]
        self.arms = narrowed(self.arms, _CLOSE)

    def _explore(self) -> None:
        """Try places around the best and those of others in the active cases."""
        self.rounds += 1
        spread = _SPREADS[min(self.rounds, len(_SPREADS) - 1)]
        draws = self._draws(_EACH)
        jobs, tried = [], []
        for arm in self.arms:
            places = proposals(arm, self._shared(arm), _EACH, spread, draws)
            if places:
                tried.append((arm, places))
                jobs.append(_job(arm, places, arm.active or few_cases(arm), 1))
        for (arm, places), found in zip(tried, run_jobs(jobs, self.workers), strict=True):
            arm.note(judged(arm, found)[0].tolist(), places)

    def _confirm(self, half: int | None) -> None:
        """Try the best places in all cases, or with one half of the corners; the worst stay active.

        Parameters
        ----------
        half : int or None
            Which half of the corners; None for all of them.
        """
        jobs, tried = [], []
        for arm in self.arms:
            places = [place for _, place in arm.tried[:_CONFIRMED]]
            cases = _cases(arm, half)
            tried.append((arm, places, cases))
            jobs.append(_job(arm, places, cases, 1))
        for (arm, places, cases), found in zip(tried, run_jobs(jobs, self.workers), strict=True):
            costs, terms = judged(arm, found)
            if arm.tried[0][0] >= DISMISSED:
                costs = np.maximum(costs, DISMISSED)
            arm.tried = []
            arm.note(costs.tolist(), places)
            arm.active = [cases[k] for k in _worst(terms, costs, _CASES)]

    def _shared(self, arm: Arm) -> list[Array]:
        """Return the best places of other candidates with the same unknowns."""
        others = [one for one in self.arms
                  if one.keys == arm.keys and one is not arm and one.tried]  # fmt: skip
        if not others:
            return []
        ranked = sorted(others, key=lambda one: (one.cost, one.contender.number))
        near = sorted(ranked[: 2 * _SHARED + 2], key=lambda one: _away(one, arm))
        return [one.best for one in near[:_SHARED]]

    def _drop(self, share: float) -> None:
        """Give up the candidates that miss the most."""
        order = sorted(self.arms, key=lambda one: (one.cost, one.contender.number))
        if not order:
            return
        keep = max(math.ceil(share * len(order)), 1)
        kept = [one for k, one in enumerate(order) if k < keep or one.cost < _NEARLY]
        self.dropped += [one for one in order if one not in kept]
        self.arms = sorted(kept, key=lambda one: one.contender.number)

    def _drop_hopeless(self) -> None:
        """Give up the candidates that fail whatever their gains are."""
        if self.hopeless is None:
            return
        verdicts = self.hopeless(self.arms)
        pairs = list(zip(self.arms, verdicts, strict=True))
        self.dropped += [arm for arm, lost in pairs if lost]
        self.arms = [arm for arm, lost in pairs if not lost]

    def _draws(self, count: int) -> Array:
        """Return normal numbers, the same for every candidate."""
        rng = np.random.default_rng([self.seed, 31, self.rounds])
        widest = max((len(one.unknowns) for one in self.arms), default=0)
        return rng.standard_normal((_DRAWS * count, widest))


def _away(one: Arm, arm: Arm) -> float:
    """Return how different two axes are: in areas, rated flow and supply pressure."""
    a, b = one.contender.axis.parameters, arm.contender.axis.parameters
    pairs = [(a.cylinder.A_A, b.cylinder.A_A), (a.cylinder.A_B, b.cylinder.A_B),
             (a.valve.K_A, b.valve.K_A)]  # fmt: skip
    return sum(abs(math.log(max(x, 1e-12) / max(y, 1e-12))) for x, y in pairs)


def searched(demands: Demands, tightness: float) -> Demands:
    """Return demands a little tighter, for a search sees few seeds and no machine between."""
    assert demands.resting_error is not None and demands.settling_time is not None
    return replace(
        demands,
        resting_error=_TIGHT_REST * tightness * demands.resting_error,
        settling_time=_TIGHT_TIME * demands.settling_time,
    )


def judged(arm: Arm, found: Outcomes) -> tuple[Array, Terms]:
    """Return the costs of places, and how the demands stand."""
    demands = searched(arm.contender.demands, arm.tightness)
    terms = terms_of(found, demands, _TIGHT * arm.tightness)
    return costs_of(terms, found, demands), terms


def _job(arm: Arm, places: Sequence[Array], cases: Sequence[int], seeds: int) -> Job:
    every = arm.contender.cases
    return Job(arm.contender.bench, [arm.changes(one) for one in places],
               [every[k] for k in cases], _SEEDS[:seeds])  # fmt: skip


def few_cases(arm: Arm) -> list[int]:
    """Return half of the corners with the longest way out and the longest way back."""
    contender = arm.contender
    ways = [one.target - one.start for one in contender.places]
    both = sorted({int(np.argmax(ways)), int(np.argmin(ways))})
    n = len(contender.places)
    return [k * n + way for k in half_of(contender, 0) for way in both]


def _cases(arm: Arm, half: int | None) -> list[int]:
    """Return all cases, or those of one half of the corners."""
    contender = arm.contender
    n = len(contender.places)
    rows = range(len(contender.corners)) if half is None else half_of(contender, half)
    return [k * n + way for k in rows for way in range(n)]


def half_of(contender: Contender, half: int) -> list[int]:
    """Return every other corner: both ends of every range, each with both ends of every other."""
    count = len(contender.corners)
    return [k for k in range(count) if (k.bit_count() + half) % 2 == 0] or [0]


def _worst(terms: Terms, costs: Array, count: int) -> list[int]:
    """Return the cases in which the better places do worst."""
    good = np.argsort(costs, kind="stable")[: max(2, len(costs) // 3)]
    votes = np.zeros(terms.time.shape[1])
    for k in good:
        bad = terms.violation[k] + 1e-3 * terms.time[k]
        named = np.argsort(-bad, kind="stable")[:count]
        votes[named] += np.arange(len(named), 0, -1)
    return [int(k) for k in np.argsort(-votes, kind="stable")[:count]]
