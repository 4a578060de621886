"""Gains judged over the whole envelope: figures and demands, each with its worst case."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from servosim.axis import Axis
from servosim.simulate import is_noisy
from servosim.tuning.bench import Bench, Outcomes
from servosim.tuning.cases import (
    Case,
    approach,
    envelope_cases,
    file_cases,
    random_cases,
    short_axis,
)
from servosim.tuning.demands import Demands, Effort
from servosim.tuning.judged_figures import JUDGED
from servosim.tuning.objective import quantile, terms_of, worst_of
from servosim.tuning.result import Assessment, Constraint, Spread
from servosim.tuning.unknowns import SLOWEST

Array = NDArray[np.float64]

_RANDOM = 24  # machines drawn at random from inside the envelope
_FULL_SEEDS = 4  # seeds of the file's own move in each corner
_FIGURES = {
    name: JUDGED[name]
    for name in (
        "settling_time",
        "overshoot",
        "following_error_peak",
        "resting_error",
        "resting_error_locked",
        "lock_time",
        "limit_cycle_amplitude",
        "pressure_max",
        "pressure_min",
        "supply_pressure_min",
        "cavitation_time",
        "valve_saturation",
    )
}


class MarginsOf(Protocol):
    """Tells the worst margins of some gains over the envelope."""

    def constraints(self, changes: Mapping[str, Any]) -> tuple[Constraint, ...]:
        """Return gain and phase margin of both cuts with their worst points."""


@dataclass
class Judge:
    """Judges gains of one axis over its envelope.

    Attributes
    ----------
    short : Bench
        Runs short moves that nothing locks, each corner with the file's controller.
    full : Bench
        Runs the file's own move as a user would, lock and all.
    cases : list of Case
        Corners and places of the short moves, then machines drawn at random.
    own : list of Case
        Corners with the file's own move, in both directions if both count.
    delay : float
        Time by which the file's own move is longer than the short one [s].
    """

    demands: Demands
    effort: Effort
    short: Bench
    full: Bench
    cases: list[Case]
    own: list[Case]
    delay: float
    margins: MarginsOf | None
    seeds: Sequence[int]

    def __call__(
        self, changes: Mapping[str, Any], tell: Callable[[int, int], Any] = lambda done, total: None
    ) -> Assessment:
        """Return how an axis with these changes does.

        Parameters
        ----------
        changes : mapping of str to object
            Keys of the file and their values.
        tell : callable
            Called with what is done and how much there is.
        """
        before = self.short.moves + self.full.moves
        short = self.short.run([changes], self.cases, self.seeds).of(0)
        tell(1, 2)
        full = self.full.run([changes], self.own, self.seeds[:_FULL_SEEDS]).of(0)
        tell(2, 2)
        both = (short, full)
        constraints = self._constraints(both)
        margins = self.margins.constraints(changes) if self.margins is not None else ()
        figures = {name: self._spread(name, both) for name in _FIGURES}
        for one in margins:
            figures[one.name] = Spread(one.value, math.nan, one.unit, one.shown_unit, one.where)
        moves = self.short.moves + self.full.moves - before
        return Assessment(figures, (*constraints, *margins), moves)

    def worst_cases(self, changes: Mapping[str, Any], count: int = 4) -> list[Case]:
        """Return the short cases in which an axis does worst, with few seeds."""
        found = self.short.run([changes], self.cases, self.seeds[:2])
        terms = terms_of(found, self.demands)
        bad = terms.violation[0] + 1e-3 * terms.time[0]
        return [self.cases[k] for k in np.argsort(-bad, kind="stable")[:count]]

    def _values(self, name: str, found: Outcomes, full: bool) -> Array:
        """Return the values of a figure in each case, shape (n_case,), the worst of the seeds."""
        values = found.figures[name][0]
        if name == "settling_time" and not full:
            values = values + self.delay
        if name == "overshoot":
            filled = np.where(np.isnan(values), np.inf, values)
            top = quantile(filled, self.demands.overshoot_share)
            return np.where(np.isfinite(top), top, np.nan)
        if name == "limit_cycle_amplitude":  # where none could be told there is none that lasts
            return quantile(np.nan_to_num(values), self.demands.overshoot_share)
        largest, size, _, _ = _FIGURES[name]
        return worst_of(np.abs(values) if size else values, largest)

    def _spread(self, name: str, both: tuple[Outcomes, Outcomes]) -> Spread:
        largest, size, unit, shown = _FIGURES[name]
        locked = name in ("resting_error_locked", "lock_time")
        parts = [(both[1], True)] if locked else [(both[0], False), (both[1], True)]
        values = np.concatenate([self._values(name, one, full) for one, full in parts])
        cases = [case for one, _ in parts for case in one.cases]
        each = np.concatenate(
            [
                (
                    one.figures[name][0] + (0.0 if full or name != "settling_time" else self.delay)
                ).ravel()
                for one, full in parts
            ]
        )
        each = np.abs(each[~np.isnan(each)]) if size else each[~np.isnan(each)]
        median = float(np.median(each)) if len(each) else math.nan
        lost = self._lost(name, parts)
        if lost is not None:  # a move that never settles is worse than any that does
            return Spread(math.nan, median, unit, shown, lost.words)
        if np.all(np.isnan(values)):
            return Spread(math.nan, math.nan, unit, shown, "")
        filled = np.where(np.isnan(values), -np.inf if largest else np.inf, values)
        k = int(np.argmax(filled) if largest else np.argmin(filled))
        return Spread(float(values[k]), median, unit, shown, cases[k].words)

    @staticmethod
    def _lost(name: str, parts: list[tuple[Outcomes, bool]]) -> Case | None:
        """Return the first case of a move that did not settle, for times to settle."""
        if name not in ("settling_time", "overshoot"):
            return None
        for one, _ in parts:
            bad = one.broken[0] if name == "overshoot" else np.isnan(one.figures[name][0])
            rows = np.flatnonzero(bad.any(axis=-1))
            if len(rows):
                return one.cases[int(rows[0])]
        return None

    def _constraints(self, both: tuple[Outcomes, Outcomes]) -> tuple[Constraint, ...]:
        d = self.demands
        found = [self._settled(both)]
        limits = [
            ("overshoot", "overshoot of the table", d.overshoot),
            ("resting_error", "error at rest", d.resting_error),
            ("limit_cycle_amplitude", "swing of the table at rest", d.limit_cycle),
            ("pressure_max", "highest pressure in a chamber", d.pressure),
            ("cavitation_time", "time with cavitation", 0.0),
        ]
        if d.settling_time is not None:
            limits.append(("settling_time", "time to settle", d.settling_time))
        if self.full.base.file.lock.kind != "none" or self.full.base.file.lock.brake != "none":
            limits.append(("resting_error_locked", "error of the locked table", d.resting_error))
            found.append(self._locked(both[1]))
        for name, label, limit in limits:
            assert limit is not None
            spread = self._spread(name, both)
            found.append(_constraint(name, label, spread, limit))
        return tuple(found)

    @staticmethod
    def _locked(full: Outcomes) -> Constraint:
        """Return the demand that the lock closes."""
        share = np.where(full.broken[0], False, ~np.isnan(full.figures["lock_time"][0]))
        shares = share.mean(axis=-1)
        k = int(np.argmin(shares))
        value = float(shares[k])
        where = full.cases[k].words if value < 1.0 else ""
        label = "share of the file's own moves in which the lock closes, in the worst case"
        return Constraint("locked", label, value, 1.0, "1", "%", False, value - 1.0, where)

    @staticmethod
    def _settled(both: tuple[Outcomes, Outcomes]) -> Constraint:
        shares, cases = [], []
        for one in both:
            settled = np.nan_to_num(one.figures["settled"][0]) > 0.5
            shares.append(np.where(one.broken[0], False, settled).mean(axis=-1))
            cases += list(one.cases)
        share = np.concatenate(shares)
        k = int(np.argmin(share))
        value = float(share[k])
        where = cases[k].words if value < 1.0 else ""
        label = "share of the moves that settle, in the worst case"
        return Constraint("settled", label, value, 1.0, "1", "%", False, value - 1.0, where)


def _constraint(name: str, label: str, spread: Spread, limit: float) -> Constraint:
    """Return a demand for a figure that must not be larger than a limit."""
    value = spread.worst
    if math.isnan(value):
        # a figure that no move holds can't be judged; those that matter show as not settled
        slack = 0.0 if not spread.where else -1.0
    elif limit > 0.0:
        slack = 1.0 - value / limit
    else:
        slack = 0.0 if value <= limit else -1.0
    return Constraint(name, label, value, limit, spread.unit, spread.shown_unit, True, slack,
                      spread.where)  # fmt: skip


def judge_of(
    axis: Axis,
    demands: Demands,
    effort: Effort,
    margins: MarginsOf | None,
    *,
    workers: int,
    seed: int,
    slowest: float = SLOWEST,
) -> Judge:
    """Return what judges gains of an axis.

    Parameters
    ----------
    axis : Axis
        The axis of the file.
    demands : Demands
        With every default filled in.
    effort : Effort
        How many seeds.
    margins : MarginsOf or None
        Tells margins.
    workers, seed : int
        Threads, and the source of chance.
    slowest : float
        Least deceleration that is tried over the file's [-].

    Returns
    -------
    Judge
        To be called with changes.
    """
    distance = approach(axis, slowest)
    whole = abs(axis.file.move.target - axis.file.move.start)
    velocity = axis.file.reference.velocity
    delay = (whole - distance) / velocity if velocity > 0.0 else 0.0
    cases = envelope_cases(axis, demands, slowest=slowest)
    cases += random_cases(axis, demands, _RANDOM, seed, slowest=slowest)
    return Judge(
        demands=demands,
        effort=effort,
        short=Bench(short_axis(axis, slowest), workers),
        full=Bench(axis, workers, rated=False),
        cases=cases,
        own=file_cases(axis, demands),
        delay=delay,
        margins=margins,
        seeds=tuple(range(101, 101 + (effort.seeds if is_noisy(axis) else 1))),
    )
