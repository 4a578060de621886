"""The error budget of an axis: every cause by closed form and by simulation, combined and ranked.

The same causes are summed up three times: by their closed forms, by what each does alone in the
simulation, and by what its removal from the whole changes. Each sum is drawn as positioning tests
and stands beside a simulated test with everything at once (:mod:`.acceptance`). Where causes don't
just add up, the sums differ, and the largest works of one cause on another say why.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from servosim.axis import Axis
from servosim.errors import Fault, ParameterError
from servosim.positioning.acceptance import Acceptance, run_acceptance
from servosim.positioning.approaches import approaches_of, cycle_of, stop_times
from servosim.positioning.causes import Cause, causes_of
from servosim.positioning.closed_terms import closed_term, worst_of
from servosim.positioning.combined import Combined, combine
from servosim.positioning.deviations import Array
from servosim.positioning.effects import Effect
from servosim.positioning.held_terms import HELD
from servosim.positioning.population import population
from servosim.positioning.remedies import GainRemedy, Remedy, halving, twice_the_gain
from servosim.positioning.scatter import Conditions, oil_temperatures
from servosim.positioning.standard_cycle import TestCycle
from servosim.positioning.surroundings import Surroundings
from servosim.positioning.switched import FREE, OPEN, Switched, simulate_causes
from servosim.positioning.term import SIGMAS, Term
from servosim.tuning.cases import sound_corners

TESTED = 16  # virtual machines of the test that the sums are compared with
COMPARED = ("A", "R", "B", "E", "M")
LONG_COMPARED = ("B", "E", "M")
_MEDIAN = 1.2533  # standard error of a median over that of a mean, of normal numbers
_FINE = 5e-8  # m, finer than anybody measures at a machine (own choice)
_NOTHING = 1e-9  # m, below which a cause is not worth a line
_CORNERS = {
    "null shift with temperature": ("oil low", "oil high"),
    "null shift with supply": ("supply low", "supply high"),
}


@dataclass(frozen=True, eq=False)
class Line:
    """One cause in the budget.

    Attributes
    ----------
    term : Term
        Its closed form in the conditions of the test.
    worst, where : float, str
        Largest size by closed form over the envelope [m], and at which end.
    alone, without : float or None
        Size in the simulation by itself, and among the others [m]; None if no move holds it.
    without_worst, without_where : float, str
        Largest of the second kind over the ends of the envelope [m], and where.
    gains : float
        What its removal takes from the accuracy A of the simulated moves [m]; negative if A grows;
        nan if it was not simulated.
    remedy : Remedy
        What would halve it.
    """

    term: Term
    worst: float
    where: str
    alone: float | None
    without: float | None
    without_worst: float
    without_where: str
    gains: float
    remedy: Remedy

    @property
    def cause(self) -> Cause:
        """The cause."""
        return self.term.cause

    @property
    def rank(self) -> float:
        """Size by which the causes are put in order: the largest of its three [m]."""
        return max(self.term.size, self.alone or 0.0, self.without or 0.0)


@dataclass(frozen=True, eq=False)
class Budget:
    """The error budget of an axis.

    Attributes
    ----------
    axis : Axis
        The axis.
    reading : str
        ``"unlocked"`` or ``"locked"``: which position is meant.
    conditions : Conditions
        How the test is taken.
    cycle : TestCycle
        Targets and stops.
    oil : tuple of float
        Temperatures of the oil between which the test is taken [K].
    lines : tuple of Line
        The causes, the largest first.
    absent : tuple of str
        Causes that the file puts to nothing.
    switched : Switched
        The simulated moves.
    closed, alone, without : Combined
        The sums by closed forms, by causes alone, and by causes removed.
    acceptance : Acceptance
        Test with everything at once.
    tested, unlocked : dict of str to tuple of float
        Percentiles 2.5, 50 and 97.5 of its figures over the machines [m], and those of the unlocked
        position in the same test.
    uncertainty : dict of str to float
        95 % half width of the median of each, by the number of machines [m].
    gain : GainRemedy
        What twice the velocity gain would do.
    seed : int
        Seed of everything.
    """

    axis: Axis
    reading: str
    conditions: Conditions
    cycle: TestCycle
    oil: tuple[float, float]
    lines: tuple[Line, ...]
    absent: tuple[str, ...]
    switched: Switched
    closed: Combined
    alone: Combined
    without: Combined
    acceptance: Acceptance
    tested: dict[str, tuple[float, float, float]]
    unlocked: dict[str, tuple[float, float, float]]
    uncertainty: dict[str, float]
    gain: GainRemedy
    seed: int

    @property
    def sums(self) -> dict[str, Combined]:
        """The three sums by name."""
        return {"closed": self.closed, "alone": self.alone, "without": self.without}

    def within(self, name: str, symbol: str) -> float:
        """Return by how much the median of a sum may differ from the test's and agree [m].

        Half the 95 % interval of the test's median, and 0.05 um at least; for sums of simulated
        effects with what the noise does to those.
        """
        floor = _FINE if name == "closed" else max(self.switched.floor, _FINE)
        return math.hypot(self.uncertainty.get(symbol, math.nan), floor)

    def agrees(self, name: str, symbol: str) -> bool:
        """Tell whether the median of a sum agrees with the test's."""
        gap = self.sums[name].figures[symbol][1] - self.tested[symbol][1]
        return abs(gap) <= self.within(name, symbol)


def run_budget(
    axis: Axis,
    *,
    reading: str | None = None,
    workpiece_temperature: float | None = None,
    conditions: Conditions | None = None,
    seed: int = 0,
    machines: int = TESTED,
    workers: int = 1,
    progress: Callable[[int, int], Any] | None = None,
) -> Budget:
    """Return the error budget of an axis.

    Parameters
    ----------
    axis : Axis
        The axis.
    reading : str, optional
        ``"unlocked"`` or ``"locked"``; the position in which the tool works if not given.
    workpiece_temperature : float, optional
        Temperature of the workpiece while it is drilled [K]; 20 degC if not given.
    conditions : Conditions, optional
        How the test is taken.
    seed : int, optional
        Seed of targets, noise, machines and draws.
    machines : int, optional
        Virtual machines of the test that the sums are compared with.
    workers : int, optional
        Threads that share the moves; the results don't depend on them.
    progress : callable, optional
        Called with the moves done and the moves in all.

    Returns
    -------
    Budget
        The budget.

    Raises
    ------
    ParameterError
        If the axis has no such position, does not come to rest at its targets, or the envelope
        contradicts the file.
    """
    lock = axis.file.lock
    has_lock = lock.kind != "none" or lock.brake != "none"
    chosen = reading or ("locked" if has_lock else "unlocked")
    known = ("unlocked", "locked") if has_lock else ("unlocked",)
    if chosen not in known:
        what = f"{chosen!r} is not read on this axis"
        raise ParameterError(Fault("", "", "position", what, f"one of {', '.join(known)}"))
    _, faults = sound_corners(axis)
    if faults:
        expected = "an envelope in which the axis can be, or the file's own values"
        raise ParameterError([Fault(axis.path, "envelope", "", one, expected) for one in faults])
    taken = conditions or Conditions()
    cycle = cycle_of(axis, seed=seed)
    heat = 0.0 if workpiece_temperature is None else workpiece_temperature - 293.15
    causes, absent = causes_of(axis, heat)
    causes = tuple(one for one in causes if chosen == "locked" or not _of_lock(one, has_lock))
    warmed, oil = _warmed(axis, cycle, taken, chosen)
    around = _around(axis, cycle.targets, oil, taken, heat)
    terms = [closed_term(one, around) for one in causes]

    def told(done: int, moves: int) -> None:
        if progress is not None:
            progress(done, 2 * moves)

    switched = simulate_causes(
        axis, causes, cycle, chosen, seed=seed, workers=workers, progress=told
    )

    def told_again(done: int, moves: int) -> None:
        if progress is not None:
            progress(moves + done, 2 * moves)

    acceptance = run_acceptance(
        axis, machines=machines, seed=seed, conditions=taken, workers=workers, progress=told_again
    )
    if acceptance.interrupted:
        raise KeyboardInterrupt
    people = population(acceptance, chosen)
    tested = {symbol: people.percentiles(symbol) for symbol in people.figures}
    open_people = people if chosen == "unlocked" else population(acceptance, "unlocked")
    few = np.sqrt(max(len(acceptance.tested), 1))
    uncertainty = {
        symbol: float(2.0 * _MEDIAN * np.nanstd(values, ddof=1) / few)
        for symbol, values in people.figures.items()
        if np.isfinite(values).sum() > 1
    }
    near = Surroundings(axis, switched.targets, around.oil, around.supply, around.workpiece, heat)
    alone = _terms_of(switched, switched.alone, causes, near)
    without = _terms_of(switched, switched.without, causes, near)
    few_warmed = warmed[:, _places(cycle.targets, switched.targets)]
    lines = [_line(term, around, switched) for term in terms]
    absent += tuple(one.cause.name for one in lines if max(one.rank, one.worst) < _NOTHING)
    lines = [one for one in lines if max(one.rank, one.worst) >= _NOTHING]
    return Budget(
        axis=axis,
        reading=chosen,
        conditions=taken,
        cycle=cycle,
        oil=oil,
        lines=tuple(sorted(lines, key=lambda one: -one.rank)),
        absent=absent,
        switched=switched,
        closed=combine(terms, warmed, seed=seed),
        alone=combine(alone, few_warmed, remainder=switched.nothing.table, seed=seed),
        without=combine(without, few_warmed, remainder=switched.nothing.table, seed=seed),
        acceptance=acceptance,
        tested=tested,
        unlocked={symbol: open_people.percentiles(symbol) for symbol in people.figures},
        uncertainty=uncertainty,
        gain=twice_the_gain(axis, tuple(one.cause.name for one in terms if one.size > _NOTHING)),
        seed=seed,
    )


def _of_lock(cause: Cause, has_lock: bool) -> bool:
    """Tell whether a cause acts in the lock alone."""
    if cause.name == "deflection under thrust":
        return has_lock
    return cause.name in HELD


def _warmed(
    axis: Axis, cycle: TestCycle, conditions: Conditions, reading: str
) -> tuple[Array, tuple[float, float]]:
    """Return how far the oil has warmed at each stop, shape (2, m, n), and between which ends."""
    changes = FREE if reading == "locked" else FREE | OPEN
    ways = approaches_of(axis.replace(changes), cycle)
    times = stop_times(axis, cycle, conditions.pause)
    T = oil_temperatures(axis, times[list(ways.places)], conditions)
    low, high = float(T.min()), float(T.max())
    share = (T - low) / (high - low) if high > low else np.zeros_like(T)
    out = np.zeros((2, len(cycle.targets), cycle.runs))
    for place, value in zip(ways.places, share, strict=True):
        stop = cycle.stops[place]
        out["+-".index(stop.direction), stop.target, stop.run - 1] = value
    return out, (low, high)


def _around(
    axis: Axis, targets: Array, oil: tuple[float, float], conditions: Conditions, heat: float
) -> Surroundings:
    """Return the conditions of the test for the closed forms."""
    e, f = axis.file.envelope, axis.file
    supply = (f.supply.pressure,) * 2 if conditions.supply == "file" else e.supply_pressure
    drawn = conditions.unknowns == "drawn"
    mass = e.workpiece_mass if drawn else (f.table.workpiece_mass,) * 2
    return Surroundings(axis, targets, oil, supply, mass, heat)


def _places(targets: Array, chosen: Array) -> list[int]:
    return [int(np.argmin(np.abs(targets - x))) for x in chosen]


def _terms_of(
    switched: Switched, effects: dict[str, Effect], causes: tuple[Cause, ...], around: Surroundings
) -> list[Term]:
    """Return simulated effects as terms, so that they are drawn as the closed forms are."""
    found = []
    for one in causes:
        if one.name in switched.tool:
            table = switched.tool[one.name]
            found.append(Term(one, table, "simulated", (), "simulation"))
        elif one.name in effects:
            found.append(_term_of(one, effects[one.name], switched, around))
        elif not one.off and one.acts == "tool":
            found.append(closed_term(one, around))  # no move holds it; others are in the remainder
    return _with_scatter(found, effects)


def _with_scatter(terms: list[Term], effects: dict[str, Effect]) -> list[Term]:
    """Return terms whose scatter adds up to the sum of the variances with their signs."""
    own = [effects[one.cause.name] for one in terms if one.law == "normal"
           and one.cause.name in effects]  # fmt: skip
    taken = sum(one.stop**2 for one in own)
    whole = sum(effects[one.cause.name].variance for one in terms if one.cause.name in effects)
    share = math.sqrt(max(whole, 0.0) / taken) if taken > 0.0 else 1.0
    return [
        replace(one, width=share * one.width)
        if one.law == "normal" and one.cause.name in effects
        else one
        for one in terms
    ]


def _term_of(cause: Cause, effect: Effect, switched: Switched, around: Surroundings) -> Term:
    table, width = effect.table, SIGMAS * effect.stop
    if cause.name in _CORNERS:
        # what it does at the conditions of the test, between the ends of the envelope
        f = around.axis.file
        quantity = "temperature" if cause.name.endswith("temperature") else "supply_pressure"
        own = f.oil.temperature if quantity == "temperature" else f.supply.pressure
        ends = getattr(f.envelope, quantity)
        there = switched.corners[cause.name]
        known = [(own, effect.offset)]
        known += [
            (value, there[words].offset)
            for value, words in zip(ends, _CORNERS[cause.name], strict=True)
            if words in there
        ]
        at, value = (np.array(v) for v in zip(*sorted(known), strict=True))
        span = around.oil if quantity == "temperature" else around.supply
        low, high = (float(np.interp(x, at, value)) for x in span)
        shape = table.shape
        if quantity == "temperature":
            return Term(cause, np.full(shape, low), "simulated", (), "simulation",
                        law="trend", other=np.full(shape, high))  # fmt: skip
        return Term(cause, np.full(shape, 0.5 * (low + high)), "simulated", (), "simulation",
                    law="uniform", width=0.5 * abs(high - low))  # fmt: skip
    law = "normal" if width > 0.0 else "none"
    return Term(cause, table, "simulated", (), "simulation", law=law, width=width)


def _line(term: Term, around: Surroundings, switched: Switched) -> Line:
    """Return one line of the budget."""
    cause = term.cause
    worst, where = worst_of(cause, around)
    alone = without = None
    over = (math.nan, "")
    gains = math.nan
    name = cause.name
    if name in switched.alone:
        alone = switched.alone[name].size
    if name in switched.without:
        without = switched.without[name].size
        ends = [(one.size, words) for words, one in switched.corners[name].items()]
        over = max([(without, "the file's values"), *ends])
        gains = switched.figures[""]["A"] - switched.figures[name]["A"]
    if name in switched.tool:
        alone = float(np.max(np.abs(switched.tool[name])))
        without = alone
        over = (without, "the file's values")
    return Line(term, worst, where, alone, without, *over, gains, halving(cause, around))
