"""Search for gains: populations of candidates over the worst cases, then over all of them.

A candidate is simulated only if its margins are large enough. It is simulated in few cases: those
that were the worst for earlier candidates. What comes out is tried in all cases, and cases in which
it does worse are added for the next round.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import differential_evolution

from servosim.axis import Axis
from servosim.errors import ParameterError
from servosim.tuning.bench import Bench, Outcomes
from servosim.tuning.cases import Case
from servosim.tuning.demands import Demands, Effort
from servosim.tuning.objective import DISMISSED, UNSETTLED, Terms, costs_of, terms_of
from servosim.tuning.result import LoopStage
from servosim.tuning.unknowns import (
    Unknown,
    changes_of,
    first_population,
    fixed_changes,
    get,
    is_read,
    shares_of,
    unknowns_of,
)

Array = NDArray[np.float64]

_SEARCH_SEEDS = (11, 12)
_TIGHT = 0.85  # share of the allowed overshoot that a search with few seeds may use
_DOUBTFUL = 2  # candidates without the margins that are simulated at first
_VOICES = 8  # cases that each good candidate names as its worst
_MANY_SEEDS = tuple(range(41, 47))
_CHOSEN = 5  # candidates of the last population that are tried in all cases with many seeds
_CAREFUL = 0.9  # share of the allowed overshoot that these may use at least
_CONFIRMED = 6  # candidates of a population that are tried in all cases


class Screen(Protocol):
    """Tells how much is missing of the margins, without moves."""

    def missing(self, changes: Mapping[str, Any]) -> float:
        """Return what is missing as a share of the limits, zero if they are kept."""


@dataclass
class Found:
    """Where a search stands.

    Attributes
    ----------
    stage : LoopStage
        The kind of stabilising feedback that was searched.
    unknowns : list of Unknown
        What was searched.
    fixed : dict of str to object
        What goes with it.
    population, energies : ndarray, shapes (n, n_unknown) and (n,)
        Candidates as shares of the ranges, the best first, and their costs.
    best : ndarray, shape (n_unknown,)
        The best in all cases.
    cost : float
        Its cost in all cases.
    integral, gentle : bool
        Whether an integral, or lower acceleration and jerk, were tried.
    """

    stage: LoopStage
    unknowns: list[Unknown]
    fixed: dict[str, Any]
    population: Array
    energies: Array
    best: Array
    cost: float
    integral: bool
    gentle: bool

    @property
    def changes(self) -> dict[str, Any]:
        """Changes of the file [SI]."""
        return changes_of(self.unknowns, self.best, self.fixed)

    @property
    def kept(self) -> bool:
        """Whether every demand is met in the moves of the search."""
        return self.cost < UNSETTLED


@dataclass
class Search:
    """Searches gains of one axis.

    Attributes
    ----------
    axis : Axis
        The axis of the file.
    demands : Demands
        With every default filled in.
    effort : Effort
        How much work it may take.
    bench : Bench
        Runs short moves.
    cases : list of Case
        All cases.
    screen : Screen
        Tells margins.
    seed : int
        Source of chance.
    tightness : float
        Share of the allowed overshoot and swing that may be used.
    active : list of int
        Cases with which candidates are tried.
    """

    axis: Axis
    demands: Demands
    effort: Effort
    bench: Bench
    cases: list[Case]
    screen: Screen
    seed: int
    tightness: float = _TIGHT
    active: list[int] = field(default_factory=list)

    def judge(
        self,
        candidates: Sequence[Mapping[str, Any]],
        cases: Sequence[Case],
        seeds: Sequence[int],
        tightness: float | None = None,
    ) -> tuple[Array, Terms, Outcomes]:
        """Simulate candidates and return their costs and how the demands stand."""
        found = self.bench.run(candidates, cases, seeds)
        terms = terms_of(found, self.demands, self.tightness if tightness is None else tightness)
        return costs_of(terms, found, self.demands), terms, found

    def costs(
        self, candidates: Sequence[Mapping[str, Any]], cases: Sequence[Case], seeds: Sequence[int]
    ) -> Array:
        """Return costs, with only those candidates simulated whose margins are large enough."""
        costs = np.empty(len(candidates))
        lacking = np.array([self._missing(one) for one in candidates])
        costs[lacking > 0.0] = DISMISSED + lacking[lacking > 0.0]
        kept = np.flatnonzero(lacking <= 0.0)
        if len(kept):
            costs[kept] = self.judge([candidates[int(k)] for k in kept], cases, seeds)[0]
        return costs

    def _missing(self, changes: Mapping[str, Any]) -> float:
        try:
            return self.screen.missing(changes)
        except ParameterError:
            return 100.0

    def begin(
        self,
        stage: LoopStage,
        *,
        integral: bool = False,
        gentle: bool = False,
        known: Sequence[Mapping[str, Any]] = (),
    ) -> Found:
        """Return a first population, its best in all cases, and the cases that are the worst.

        Parameters
        ----------
        stage : LoopStage
            Kind of stabilising feedback with the gains that the margins propose.
        integral, gentle : bool
            Whether an integral, or lower acceleration and jerk, are tried.
        known : sequence of mapping of str to object
            Values that are known to be of use.

        Returns
        -------
        Found
            Costs are those in all cases.
        """
        unknowns = unknowns_of(self.axis, stage, integral=integral, gentle=gentle)
        fixed = fixed_changes(self.axis, stage, integral=integral)
        own = {one.key: get(self.axis, one.key) for one in unknowns if is_read(self.axis, one.key)}
        places = [shares_of(unknowns, values) for values in (*known, {}, own)]
        rng = np.random.default_rng([self.seed, 5])
        population = first_population(unknowns, 3 * self.effort.population, places, rng)
        candidates = [changes_of(unknowns, one, fixed) for one in population]
        lacking = np.array([self._missing(one) for one in candidates])
        # as many as a population has, those with enough margin foremost
        kept = np.argsort(np.maximum(lacking, 0.0), kind="stable")[: self.effort.population]
        population, lacking = population[kept], lacking[kept]
        candidates = [candidates[int(k)] for k in kept]
        costs = DISMISSED + np.maximum(lacking, 0.0)
        # those without the margins may shake for long: only a few of them, if there are no others
        tried = max(int(np.count_nonzero(lacking <= 0.0)), _DOUBTFUL)
        simulated, terms, _ = self.judge(candidates[:tried], self.cases, _SEARCH_SEEDS[:1])
        costs[:tried] = np.where(lacking[:tried] > 0.0, costs[:tried], simulated)
        order = np.argsort(costs, kind="stable")
        named = [k for k in order if k < tried]
        self._add_worst(terms, np.array(named[: max(4, len(order) // 3)]), self.effort.cases)
        best = population[order[0]]
        return Found(stage, unknowns, fixed, population[order], costs[order], best,
                     float(costs[order[0]]), integral, gentle)  # fmt: skip

    def _add_worst(self, terms: Terms, candidates: NDArray[np.intp], most: int) -> None:
        """Add cases that are the worst ones of some candidates, until there are so many."""
        votes = np.zeros(len(self.cases))
        for k in candidates:
            bad = terms.violation[k] + 1e-3 * terms.time[k]
            named = np.argsort(-bad, kind="stable")[:_VOICES]
            votes[named] += np.arange(len(named), 0, -1)
        for k in np.argsort(-votes, kind="stable"):
            if len(self.active) >= most or votes[k] <= 0.0:
                break
            if k not in self.active:
                self.active.append(int(k))

    def improve(self, found: Found) -> Found:
        """Return where a search stands after one round over the active cases.

        Parameters
        ----------
        found : Found
            Where it stands.

        Returns
        -------
        Found
            Its best one tried in all cases; worse cases join the active ones.
        """
        cases = [self.cases[k] for k in self.active]
        unknowns, fixed = found.unknowns, found.fixed
        known: dict[bytes, float] = {}

        def func(columns: Array) -> Array:
            rows = np.ascontiguousarray(np.atleast_2d(columns.T))
            keys = [row.tobytes() for row in rows]
            fresh = [k for k, key in enumerate(keys) if key not in known]
            if fresh:
                tried = [changes_of(unknowns, rows[k], fixed) for k in fresh]
                costs = self.costs(tried, cases, _SEARCH_SEEDS[:1])
                known.update((keys[k], float(c)) for k, c in zip(fresh, costs, strict=True))
            return np.array([known[key] for key in keys])

        ended = differential_evolution(
            func,
            [(0.0, 1.0)] * len(unknowns),
            strategy="best1bin",
            init=found.population,
            maxiter=self.effort.generations,
            mutation=(0.2, 0.8),
            recombination=0.7,
            tol=0.0,
            rng=np.random.default_rng([self.seed, 6]),
            polish=False,
            vectorized=True,
            updating="deferred",
        )
        order = np.argsort(ended.population_energies, kind="stable")
        population, energies = ended.population[order], ended.population_energies[order]
        return self._confirm(found, population, energies)

    def choose(self, found: Found) -> Found:
        """Return a search whose best is the best of a few in all cases with many seeds."""
        few = [found.best, *found.population[:_CHOSEN]]
        tightness = max(self.tightness, _CAREFUL)
        best, cost = self._everywhere(found, few, _MANY_SEEDS, tightness)
        return replace(found, best=best, cost=cost)

    def _confirm(self, found: Found, population: Array, energies: Array) -> Found:
        """Try the best of a population in all cases; those in which they do worst become active."""
        few = [found.best, *population[:_CONFIRMED]]
        best, cost = self._everywhere(found, few, _SEARCH_SEEDS, self.tightness)
        return replace(found, population=population, energies=energies, best=best, cost=cost)

    def _everywhere(
        self, found: Found, few: Sequence[Array], seeds: Sequence[int], tightness: float
    ) -> tuple[Array, float]:
        """Return the best of some candidates in all cases, and its cost.

        Candidates without the margins are left out, but for the best of them if there is no other.
        """
        tried = [changes_of(found.unknowns, one, found.fixed) for one in few]
        lacking = np.array([self._missing(one) for one in tried])
        rows = np.flatnonzero(lacking <= 0.0)
        rows = rows if len(rows) else np.array([int(np.argmin(lacking))])
        costs, terms, _ = self.judge([tried[int(k)] for k in rows], self.cases, seeds, tightness)
        costs = np.where(lacking[rows] > 0.0, DISMISSED + lacking[rows], costs)
        order = np.argsort(costs, kind="stable")
        self._refresh(terms, order[: _CONFIRMED // 2])
        k = int(order[0])
        return few[int(rows[k])], float(costs[k])

    def _refresh(self, terms: Terms, candidates: NDArray[np.intp]) -> None:
        """Let the worst cases of the best candidates be active, and the newest of the others."""
        before, self.active = self.active, []
        self._add_worst(terms, candidates, self.effort.cases)
        for k in before:
            if len(self.active) < self.effort.cases and k not in self.active:
                self.active.append(k)

    def renewed(self, found: Found, round_: int) -> Found:
        """Return a search whose population has fresh candidates in place of its worst."""
        rng = np.random.default_rng([self.seed, 7, round_])
        n = len(found.unknowns)
        population = found.population.copy()
        for k in range(len(population)):
            if k == len(population) - 1:
                population[k] = found.best
            elif k % 3 == 2:
                population[k] = np.clip(found.best + 0.1 * rng.standard_normal(n), 0.0, 1.0)
        return replace(found, population=population)
