"""Short search on moves, many candidates side by side: one call of the ensemble a round.

Each candidate is tried in the few cases that were the worst for it. Now and then its best places
are tried in all cases, worse cases join, and the candidates that miss the most are dropped.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim.sizing.arms import Arm, narrowed, proposals
from servosim.sizing.contenders import Contender, half_of
from servosim.tuning.bench import Job, Outcomes, run_jobs
from servosim.tuning.demands import Demands
from servosim.tuning.objective import DISMISSED, UNSETTLED, Terms, costs_of, terms_of

Array = NDArray[np.float64]

_SEEDS = (11,)
_TIGHT = 0.85  # share of overshoot and swing that may be used, for a search sees few seeds
_TIGHT_REST = 0.9  # the same of the error at rest
_LEAST_REST = 0.4  # of the error at rest, whatever the lock shifts
_TIGHT_TIME = 0.98  # and of the settling time
_FIRST = 4  # places of the first round
_EACH = 8  # places of each other round
_CASES = 8  # cases that are active
_MANY = 6  # corners that are gone through one way each at first
_CONFIRMED = 1  # places without a fault that are tried in all corners
_SHARED = 2  # places of other candidates that are tried
_SPREADS = (0.12, 0.1, 0.08, 0.06, 0.05, 0.04, 0.04, 0.03)  # round by round
_ROUNDS = 7  # after the first
_MORE_ROUNDS = 4  # after a check that failed
_KEPT_FIRST = 0.9  # share of the candidates that go on after the first round
_KEPT = {2: 0.75, 4: 0.7}  # and after some others
_NEARLY = UNSETTLED + 0.6  # cost below which a candidate always goes on
_CLOSE = 0.5  # costs of two ways to tune one candidate that are not yet told apart
_DRAWS = 3  # times as many are drawn, for some lack the margins


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
        """Search; each arm then holds its places with their costs, the best first."""
        total = 2 + _ROUNDS
        self.tell("search", 0, total)
        self._first()
        self.tell("search", 1, total)
        self._drop_hopeless()
        self._drop(_KEPT_FIRST)
        self.tell("search", 2, total)
        for k in range(_ROUNDS):
            if not any(self._is_open(arm) for arm in self.arms):
                break
            self._round()
            if k in _KEPT:
                self.arms = narrowed(self.arms, 0.0)
                self._drop(_KEPT[k])
            self.tell("search", 3 + k, total)
        self.arms = narrowed(self.arms, 0.0)
        self.tell("search", total, total)

    def improve(self, arms: Sequence[Arm], seen: Sequence[Outcomes]) -> None:
        """Search on with some candidates, after a check that failed.

        Parameters
        ----------
        arms : sequence of Arm
            The candidates.
        seen : sequence of Outcomes
            Short moves of each in all its cases: the worst become active.
        """
        before, self.arms = self.arms, list(arms)
        for arm, outcomes in zip(arms, seen, strict=True):
            costs, terms = judged(arm, outcomes)
            named = _worst(terms, costs, _CASES // 2)
            arm.active = [*named, *(k for k in arm.active if k not in named)][:_CASES]
            arm.confirmed = False
            arm.tried = [(UNSETTLED, arm.best)]  # it was not good enough
        for _ in range(_MORE_ROUNDS):
            if any(self._is_open(arm) for arm in arms):
                self._round()
        self.arms = before

    @staticmethod
    def _is_open(arm: Arm) -> bool:
        return not arm.confirmed

    def _round(self) -> None:
        """Try what keeps everything in all corners, and look for better gains for the others."""
        self.rounds += 1
        spread = _SPREADS[min(self.rounds, len(_SPREADS) - 1)]
        draws = self._draws(_EACH)
        jobs: list[Job] = []
        tried: list[tuple[Arm, list[Array], list[int] | None]] = []
        wanted = [arm for arm in self.arms if not arm.confirmed]
        faultless = self._each(wanted, _faultless)
        shared = {id(arm): self._shared(arm) for arm in wanted}
        searching = [arm for arm, places in zip(wanted, faultless, strict=True) if not places]
        found = self._each(
            searching, lambda arm: proposals(arm, shared[id(arm)], _EACH, spread, draws)
        )
        fresh = {id(arm): places for arm, places in zip(searching, found, strict=True)}
        for arm, places in zip(wanted, faultless, strict=True):
            if places:
                cases = list(range(len(arm.contender.cases)))
                tried.append((arm, places, cases))
                jobs.append(_job(arm, places, cases))
            elif fresh[id(arm)]:
                tried.append((arm, fresh[id(arm)], None))
                jobs.append(_job(arm, fresh[id(arm)], arm.active or few_cases(arm)))
        for (arm, places, every), moved in zip(tried, run_jobs(jobs, self.workers), strict=True):
            costs, terms = judged(arm, moved)
            if every is not None:
                arm.tried = []
                arm.active = [every[k] for k in _worst(terms, costs, _CASES)]
                arm.confirmed = bool(costs.min() < UNSETTLED)
            arm.note(costs.tolist(), places)

    def _first(self) -> None:
        """Try the first places in few cases."""
        draws = self._draws(_FIRST)
        jobs, tried = [], []
        first = self._each(self.arms, lambda arm: proposals(arm, (), _FIRST, _SPREADS[0], draws))
        for arm, places in zip(self.arms, first, strict=True):
            cases = few_cases(arm)
            tried.append((arm, places, cases))
            jobs.append(_job(arm, places, cases))
        for (arm, places, cases), found in zip(tried, run_jobs(jobs, self.workers), strict=True):
            if not places:
                arm.note([DISMISSED + arm.lacks(arm.start())], [arm.start()])
                continue
            costs, terms = judged(arm, found)
            arm.note(costs.tolist(), places)
            arm.active = [cases[k] for k in _worst(terms, costs, _CASES)]
        self.arms = narrowed(self.arms, _CLOSE)

    def _each(self, arms: Sequence[Arm], work: Callable[[Arm], list[Array]]) -> list[list[Array]]:
        """Return what work gives for each arm; those of one candidate share its loops, in turn."""
        groups: dict[int, list[Arm]] = {}
        for arm in arms:
            groups.setdefault(arm.contender.number, []).append(arm)

        def of_one(group: list[Arm]) -> list[tuple[int, list[Array]]]:
            return [(id(arm), work(arm)) for arm in group]

        with ThreadPoolExecutor(max_workers=self.workers) as pool:
            try:
                found = dict(pair for part in pool.map(of_one, groups.values()) for pair in part)
            except BaseException:
                pool.shutdown(cancel_futures=True)
                raise
        return [found[id(arm)] for arm in arms]

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
        best = sorted(narrowed(self.arms, 0.0), key=lambda one: (one.cost, one.contender.number))
        keep = math.ceil(share * len(best))
        lost = [one for k, one in enumerate(best) if k >= keep and one.cost >= _NEARLY]
        numbers = {one.contender.number for one in lost}
        self.dropped += lost
        self.arms = [one for one in self.arms if one.contender.number not in numbers]

    def _drop_hopeless(self) -> None:
        """Give up the candidates that fail whatever their gains are."""
        if self.hopeless is None:
            return
        best = narrowed(self.arms, 0.0)
        pairs = list(zip(best, self.hopeless(best), strict=True))
        lost = {arm.contender.number for arm, hopeless in pairs if hopeless}
        self.dropped += [arm for arm, hopeless in pairs if hopeless]
        self.arms = [arm for arm in self.arms if arm.contender.number not in lost]

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


def searched(arm: Arm) -> Demands:
    """Return demands a little tighter, for a search sees few seeds and no machine between.

    What the lock shifts the table is taken off the error at rest, down to a part of it.
    """
    contender = arm.contender
    demands, goals = contender.demands, contender.goals
    assert demands.resting_error is not None and demands.settling_time is not None
    locked = max(goals.half_width, goals.resting_error) - contender.lock_shift
    rest = min(demands.resting_error, max(locked, _LEAST_REST * demands.resting_error))
    return replace(
        demands,
        resting_error=_TIGHT_REST * arm.tightness * rest,
        settling_time=_TIGHT_TIME * demands.settling_time,
    )


def judged(arm: Arm, found: Outcomes) -> tuple[Array, Terms]:
    """Return the costs of places, and how the demands stand."""
    demands = searched(arm)
    terms = terms_of(found, demands, _TIGHT * arm.tightness)
    return costs_of(terms, found, demands), terms


def _job(arm: Arm, places: Sequence[Array], cases: Sequence[int]) -> Job:
    every = arm.contender.cases
    return Job(arm.contender.bench, [arm.changes(one) for one in places],
               [every[k] for k in cases], _SEEDS)  # fmt: skip


def few_cases(arm: Arm) -> list[int]:
    """Return half of the corners with the longest way out and the longest way back, in turn."""
    contender = arm.contender
    n, ways = len(contender.places), _longest(contender)
    rows = half_of(len(contender.corners), 0)
    if len(rows) < _MANY:  # so few that each is gone through both ways
        return [k * n + way for k in rows for way in ways]
    return [k * n + ways[place % len(ways)] for place, k in enumerate(rows)]


def _faultless(arm: Arm) -> list[Array]:
    """Return the best places that keep everything so far, the exact margins too."""
    if arm.confirmed:
        return []
    good = [place for cost, place in arm.tried if cost < UNSETTLED][:_CONFIRMED]
    found = [place for place in good if arm.has_margins(place)]
    lost = [place for place in good if not any(place is one for one in found)]
    arm.tried = [(DISMISSED if any(place is one for one in lost) else cost, place)
                 for cost, place in arm.tried]  # fmt: skip
    arm.tried.sort(key=lambda one: one[0])
    return found


def _longest(contender: Contender) -> list[int]:
    """Return the longest way out and the longest way back among the places."""
    ways = [one.target - one.start for one in contender.places]
    return sorted({int(np.argmax(ways)), int(np.argmin(ways))})


def _worst(terms: Terms, costs: Array, count: int) -> list[int]:
    """Return the cases in which the better places do worst."""
    good = np.argsort(costs, kind="stable")[: max(2, len(costs) // 3)]
    votes = np.zeros(terms.time.shape[1])
    for k in good:
        bad = terms.violation[k] + 1e-3 * terms.time[k]
        named = np.argsort(-bad, kind="stable")[:count]
        votes[named] += np.arange(len(named), 0, -1)
    return [int(k) for k in np.argsort(-votes, kind="stable")[:count]]
