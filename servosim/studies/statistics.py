"""Counting cases: shares with their confidence, the worst ones, the reasons of those that failed.

Sources. Interval of a share: E. B. Wilson, "Probable inference, the law of succession, and
statistical inference", Journal of the American Statistical Association 22, 1927 (from memory),
computed by scipy. It holds for cases drawn at random, independently; for a Latin hypercube or a
Sobol sequence, which fill the ranges more evenly, it is as a rule wider than it need be.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from servosim.result import Status

Array = NDArray[np.float64]
LOW_IS_WORSE = ("settled", "pressure_min", "supply_pressure_min")
_NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?")


@dataclass(frozen=True)
class Share:
    """How many of the cases pass.

    Attributes
    ----------
    passed, n : int
        Cases that pass, and cases in all; those that failed or don't hold the figure count as not
        passed.
    share : float
        One over the other [-], nan if there are none.
    low, high : float
        Ends of the confidence interval of the share [-]; nan where the cases are not drawn at
        random, so that the share is no chance.
    """

    passed: int
    n: int
    share: float
    low: float
    high: float


@dataclass(frozen=True)
class Yield:
    """Share of the cases that meet the limits.

    Attributes
    ----------
    overall : Share
        Cases that meet all of them.
    each : dict of str to Share
        Cases that meet the limit of one figure, by its name.
    confidence : float
        Of the intervals [-].
    note : str
        What the intervals stand on, or why there are none.
    """

    overall: Share
    each: dict[str, Share]
    confidence: float
    note: str


@dataclass(frozen=True)
class Worst:
    """One of the worst cases.

    Attributes
    ----------
    case : int
        Its number.
    seed : int
        Seed of its noise.
    value : float
        The figure [SI].
    changes : dict of str to str or float
        What makes it from the file of the axis: ``"table.key"`` to value [SI] or choice.
    """

    case: int
    seed: int
    value: float
    changes: dict[str, str | float]


@dataclass(frozen=True)
class Failure:
    """Cases that did not run to their end for one reason.

    Attributes
    ----------
    status : str
        Name of the status, see :class:`servosim.Status`.
    reason : str
        The reason of the first of them; others may name other numbers.
    count : int
        How many there are.
    cases : ndarray of int, shape (count,)
        Their numbers.
    """

    status: str
    reason: str
    count: int
    cases: NDArray[np.int64]


def meets(values: Array, low: float, high: float) -> NDArray[np.bool_]:
    """Return which figures lie within a limit.

    Parameters
    ----------
    values : ndarray
        Figures [SI]; one that is missing (nan) does not.
    low, high : float
        Limits that still pass [SI], infinite where there is none.

    Returns
    -------
    ndarray of bool
        The shape of `values`.
    """
    return (values >= low) & (values <= high)


def share_of(
    passed: NDArray[np.bool_], confidence: float, draws: NDArray[np.int64] | None
) -> Share:
    """Return how many cases pass.

    Parameters
    ----------
    passed : ndarray of bool, shape (n_case,)
        Whether each case passes.
    confidence : float
        Of the interval [-].
    draws : ndarray of int, shape (n_case,), or None
        Number of the draw that each case belongs to, -1 for one that is not counted; cases of one
        draw are not independent. None if nothing was drawn.

    Returns
    -------
    Share
        With Wilson's interval for as many draws as there are. If cases share a draw, its ends are
        those of the whole numbers of draws around the share.
    """
    counted = passed if draws is None else passed[draws >= 0]
    n, k = len(counted), int(counted.sum())
    if n == 0:
        return Share(0, 0, math.nan, math.nan, math.nan)
    if draws is None:
        return Share(k, n, k / n, math.nan, math.nan)
    n_draws = len(np.unique(draws[draws >= 0]))
    return Share(k, n, k / n, *interval_of(k, n, n_draws, confidence))


def interval_of(passed: int, n: int, draws: int, confidence: float) -> tuple[float, float]:
    """Return Wilson's interval of a share.

    Parameters
    ----------
    passed, n : int
        Cases that pass, and cases in all.
    draws : int
        How many of them are independent.
    confidence : float
        Of the interval [-].

    Returns
    -------
    tuple of (float, float)
        Its ends [-]; if there are fewer draws than cases, those of the whole numbers of draws
        around the share.
    """
    from scipy.stats import binomtest

    fewest, most = passed * draws // n, -(-passed * draws // n)
    low = binomtest(fewest, draws).proportion_ci(confidence, "wilson").low
    high = binomtest(most, draws).proportion_ci(confidence, "wilson").high
    return float(low), float(high)


def percentiles_over(values: Array, axes: Sequence[int], percent: Sequence[float]) -> Array:
    """Return percentiles over some dimensions, without what is missing.

    Parameters
    ----------
    values : ndarray
        Figures, nan where they are missing.
    axes : sequence of int
        Numbers of the dimensions to take together.
    percent : sequence of float, length n
        Which [%].

    Returns
    -------
    ndarray, shape (n, ...)
        Over the other dimensions in their order; nan where nothing is held.
    """
    moved = np.moveaxis(values, tuple(axes), tuple(range(-len(axes), 0)))
    flat = moved.reshape(*moved.shape[: values.ndim - len(axes)], -1)
    found = np.full((len(percent), *flat.shape[:-1]), np.nan)
    held = ~np.isnan(flat).all(axis=-1)
    if held.any():
        found[:, held] = np.nanpercentile(flat[held], percent, axis=-1)
    return found


def worst_first(values: Array, low: float, high: float, falls: bool, n: int) -> NDArray[np.int64]:
    """Return the cases with the worst figures, the worst first.

    Parameters
    ----------
    values : ndarray, shape (n_case,)
        Figures [SI]; missing ones (nan) are left out.
    low, high : float
        Limits [SI], infinite where there is none: with one of them the figure on its side is the
        worse, with both the one that is farther from the middle between them, with none the larger
        in size.
    falls : bool
        Whether, without limits, the lower figure is the worse.
    n : int
        How many are wanted.

    Returns
    -------
    ndarray of int, shape (n,) or less
        Case numbers; of equal figures the first case comes first.
    """
    if math.isfinite(low) and math.isfinite(high):
        badness = np.abs(values - 0.5 * (low + high))
    elif math.isfinite(high):
        badness = values
    elif math.isfinite(low) or falls:
        badness = -values
    else:
        badness = np.abs(values)
    held = np.flatnonzero(~np.isnan(badness))
    if len(held) > 10 * n > 0:  # what may be among them, before it is put in order
        least = np.partition(badness[held], len(held) - n)[len(held) - n]
        held = held[badness[held] >= least]
    order = np.argsort(-badness[held], kind="stable")
    return held[order[:n]]


def failures_of(status: NDArray[np.int8], reasons: Mapping[int, str]) -> tuple[Failure, ...]:
    """Return why cases failed, the most frequent reason first.

    Parameters
    ----------
    status : ndarray of int, shape (n_case,)
        How each case ended.
    reasons : mapping of int to str
        Reason of each case that did not run to its end. Reasons that differ in their numbers alone
        count as one.

    Returns
    -------
    tuple of Failure
        Empty if all ran to their end.
    """
    groups: dict[tuple[int, str], list[int]] = {}
    for case, reason in reasons.items():
        groups.setdefault((int(status[case]), _NUMBER.sub("#", reason)), []).append(case)
    found = [
        Failure(Status(code).name, reasons[cases[0]], len(cases), np.array(cases, dtype=np.int64))
        for (code, _), cases in groups.items()
    ]
    return tuple(sorted(found, key=lambda one: (-one.count, one.cases[0])))
