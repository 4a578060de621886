"""What the tests of many virtual machines say together: figures, share that passes, which is worst.

The share of machines that pass has the interval of E. B. Wilson ("Probable inference, the law of
succession, and statistical inference", Journal of the American Statistical Association 22, 1927,
from memory), computed by scipy: the machines are drawn at random and independently.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from servosim.errors import Fault, ParameterError, SimulationError
from servosim.positioning.acceptance import Acceptance, Tested
from servosim.positioning.deviations import Array
from servosim.positioning.evaluation import SYMBOLS, evaluate
from servosim.positioning.judged import Judged, judge
from servosim.positioning.verdicts import COMMON_PRACTICE, tolerance_faults, within

LEVEL = 0.95
LEAST_SHARE = 0.95  # of machines that must pass (own choice)
PERCENT = (2.5, 50.0, 97.5)


@dataclass(frozen=True)
class Passing:
    """How many machines keep to their tolerances.

    Attributes
    ----------
    passed, machines : int
        Those that pass, and all that were tested; one with a stop that gave no position does not.
    share : float
        One over the other [-].
    low, high : float
        Ends of the share's interval [-].
    """

    passed: int
    machines: int
    share: float
    low: float
    high: float


@dataclass(frozen=True, eq=False)
class Population:
    """Figures of all machines for one reading.

    Attributes
    ----------
    reading : str
        ``"unlocked"`` or ``"locked"``.
    numbers : ndarray of int, shape (n,)
        Numbers of the machines.
    figures : dict of str to ndarray, shape (n,)
        Figures [m] by the standard's symbols; nan for a machine that can't be evaluated, and where
        a long axis has none.
    complete : ndarray of bool, shape (n,)
        Whether every stop of a machine gave a position.
    limits : dict of str to float
        Tolerances [m] by symbol.
    order : ndarray of int, shape (n,)
        Places of the machines from the best to the worst: by the largest figure over its tolerance,
        on a long axis without any by E. Machines with a stop missing are last.
    each : dict of str to Passing
        By symbol, for every tolerance that is evaluated.
    passing : Passing or None
        Machines that keep to all tolerances; None if one of them is not evaluated.
    """

    reading: str
    numbers: NDArray[np.int64]
    figures: dict[str, Array]
    complete: NDArray[np.bool_]
    limits: dict[str, float]
    order: NDArray[np.int64]
    each: dict[str, Passing]
    passing: Passing | None

    def percentiles(self, symbol: str) -> tuple[float, float, float]:
        """Return the values below which 2.5, 50 and 97.5 % of the machines lie, nan if none [m]."""
        values = self.figures[symbol]
        values = values[~np.isnan(values)]
        if not len(values):
            return math.nan, math.nan, math.nan
        low, middle, high = np.percentile(values, PERCENT)
        return float(low), float(middle), float(high)

    @property
    def median(self) -> int:
        """Place of the median machine, of those that were evaluated; -1 if none was."""
        known = [k for k in self.order if self.complete[k]]
        return int(known[(len(known) - 1) // 2]) if known else -1

    @property
    def worst(self) -> int:
        """Place of the worst machine."""
        return int(self.order[-1])


@dataclass(frozen=True, eq=False)
class Simulated:
    """A simulated test with everything that is said about it.

    Attributes
    ----------
    acceptance : Acceptance
        The tests.
    name : str
        File of the axis.
    reading : str
        The one that the tolerances mean.
    populations : dict of str to Population
        By reading.
    median : Judged
        The test of the median machine.
    given : bool
        Whether somebody asked for the tolerances; else they are common practice.
    least_share : float
        Share of machines that must pass [-].
    """

    acceptance: Acceptance
    name: str
    reading: str
    populations: dict[str, Population]
    median: Judged
    given: bool
    least_share: float

    @property
    def population(self) -> Population:
        """Machines by the reading that the tolerances mean."""
        return self.populations[self.reading]

    @property
    def met(self) -> bool | None:
        """Whether as many machines pass as must; None if that is not evaluated."""
        passing = self.population.passing
        return None if passing is None else passing.share >= self.least_share

    @property
    def doubtful(self) -> bool:
        """Whether more machines might tell otherwise."""
        passing = self.population.passing
        return passing is not None and passing.low < self.least_share <= passing.high


def population(
    acceptance: Acceptance,
    reading: str,
    *,
    practice: str = "2s",
    tolerances: Mapping[str, float] | None = None,
) -> Population:
    """Return the figures of all machines for one reading.

    Parameters
    ----------
    acceptance : Acceptance
        The tests.
    reading : str
        ``"unlocked"`` or ``"locked"``.
    practice : str, optional
        "2s" or "3s".
    tolerances : mapping of str to float, optional
        Largest size allowed [m] by symbol; common practice if none are given.

    Returns
    -------
    Population
        The figures and which machines pass.

    Raises
    ------
    ParameterError
        If the axis has no such reading, there are too few runs, or practice or tolerances are not
        known.
    """
    if reading not in acceptance.readings:
        what = f"{reading!r} is not read on this axis"
        expected = f"one of {', '.join(acceptance.readings)}"
        raise ParameterError(Fault("", "", "reading", what, expected))
    if faults := tolerance_faults(tolerances or {}):
        raise ParameterError(faults)
    limits = dict(tolerances or COMMON_PRACTICE)
    tested = acceptance.tested
    complete = np.array([one.missing[reading] == 0 for one in tested])
    figures = _figures(tested, reading, complete, practice)
    known = {symbol: limit for symbol, limit in limits.items() if _evaluated(figures, symbol)}
    keeps = {symbol: within(np.abs(figures[symbol]), known[symbol]) & complete for symbol in known}
    whole = len(known) == len(limits) or not complete.any()
    all_kept = np.logical_and.reduce(list(keeps.values())) if keeps else np.zeros_like(complete)
    return Population(
        reading=reading,
        numbers=np.array([one.machine.number for one in tested]),
        figures=figures,
        complete=complete,
        limits=limits,
        order=_order(figures, known, complete),
        each={symbol: passing_of(kept) for symbol, kept in keeps.items()},
        passing=passing_of(all_kept) if whole else None,
    )


def simulated(
    acceptance: Acceptance,
    *,
    name: str,
    reading: str = "unlocked",
    practice: str = "2s",
    tolerances: Mapping[str, float] | None = None,
    least_share: float = LEAST_SHARE,
) -> Simulated:
    """Return everything that is said about simulated tests.

    Parameters
    ----------
    acceptance : Acceptance
        The tests.
    name : str
        File of the axis.
    reading : str, optional
        The one that the tolerances mean.
    practice, tolerances : optional
        See :func:`population`.
    least_share : float, optional
        Share of machines that must pass [-].

    Returns
    -------
    Simulated
        The result.

    Raises
    ------
    ParameterError
        See :func:`population`.
    SimulationError
        If no machine could be evaluated, with the reason.
    """
    if not 0.0 < least_share <= 1.0:
        what = f"is {100.0 * least_share:g} %"
        raise ParameterError(Fault("", "", "share of machines", what, "above 0 %, 100 % at most"))
    found = {
        one: population(acceptance, one, practice=practice, tolerances=tolerances)
        for one in (reading, *(other for other in acceptance.readings if other != reading))
    }
    place = found[reading].median
    if place < 0:
        raise SimulationError(_nothing(acceptance, name, reading))
    tested = acceptance.tested[place]
    return Simulated(
        acceptance=acceptance,
        name=name,
        reading=reading,
        populations=found,
        median=judge(
            tested.deviations[reading],
            name=name,
            title=acceptance.axis.file.title,
            practice=practice,
            tolerances=tolerances,
            seed=acceptance.seed,
        ),
        given=bool(tolerances),
        least_share=least_share,
    )


def passing_of(kept: NDArray[np.bool_]) -> Passing:
    """Return how many machines pass, with the interval of their share.

    Parameters
    ----------
    kept : ndarray of bool, shape (n,)
        Whether each machine passes.

    Returns
    -------
    Passing
        Count, share and its 95 % interval.

    Examples
    --------
    >>> found = passing_of(np.array([True, True, True, False]))
    >>> found.passed, found.share
    (3, 0.75)
    """
    from scipy import stats

    passed, n = int(np.count_nonzero(kept)), len(kept)
    ends = stats.binomtest(passed, n).proportion_ci(LEVEL, "wilson")
    return Passing(passed, n, passed / n, float(ends.low), float(ends.high))


def _figures(
    tested: tuple[Tested, ...], reading: str, complete: NDArray[np.bool_], practice: str
) -> dict[str, Array]:
    """Return the figures of the machines, nan for one with a stop missing."""
    found = {symbol: np.full(len(tested), np.nan) for symbol in SYMBOLS}
    for k, one in enumerate(tested):
        if complete[k]:
            for symbol, value in evaluate(
                one.deviations[reading], practice=practice
            ).symbols.items():
                found[symbol][k] = value
    return found


def _evaluated(figures: Mapping[str, Array], symbol: str) -> bool:
    return bool(np.isfinite(figures[symbol]).any())


def _order(
    figures: Mapping[str, Array], limits: Mapping[str, float], complete: NDArray[np.bool_]
) -> NDArray[np.int64]:
    """Return the places of the machines from the best to the worst."""
    shares = [np.abs(figures[symbol]) / limit for symbol, limit in limits.items()]
    rank = np.max(shares, axis=0) if shares else figures["E"]
    return np.argsort(np.where(complete, rank, np.inf), kind="stable").astype(np.int64)


def _nothing(acceptance: Acceptance, name: str, reading: str) -> str:
    """Return why no machine could be evaluated."""
    missing = sum(one.missing[reading] for one in acceptance.tested)
    stops = len(acceptance.tested) * 2 * acceptance.cycle.runs * len(acceptance.cycle.targets)
    reason = next((one.reason for one in acceptance.tested if one.reason), "")
    if not reason:
        reason = (
            "the table never came into the lock's window for its dwell"
            if reading == "locked"
            else "the table was still moving"
        )
    what = f"no machine reached all of its targets, {missing} of {stops} stops gave no position"
    return f"{name}: {what}: {reason}; try servosim move on the file to see how it ends"
