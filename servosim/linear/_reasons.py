"""Why a number deviates from its formula: one thing of the axis taken as ideal at a time."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from servosim.linear._compared_numbers import ROWS, Numbers
from servosim.linear._idealisations import IDEALISATIONS, Idealisation, idealised

AGREES = 0.01  # deviation up to which nothing is left to explain
WORTH_NAMING = 0.1  # share of a deviation that a reason must remove
_MOST_REASONS = 3
_CANDIDATES = 6  # for the second reason and the third
_PAIRED = 4  # of these, two may work against each other


@dataclass(frozen=True)
class Reason:
    """What makes a number deviate from its formula.

    Attributes
    ----------
    idealisation : str
        What was taken as ideal.
    cause : str
        What makes the difference without it.
    removed : float
        Share of the whole deviation that goes with it, those before it taken as ideal too [-].
    """

    idealisation: str
    cause: str
    removed: float


def deviation(closed: float, truly: float) -> float:
    """Return a formula's number over the exact one, less one; nan where that is zero."""
    return closed / truly - 1.0 if truly != 0.0 else math.nan


class _Trials:
    """Deviations of an axis with some things taken as ideal, each computed once."""

    def __init__(self, base: Numbers) -> None:
        self.base = base
        self.numbers: dict[tuple[str, ...], Numbers | None] = {(): base}
        self.found: dict[tuple[tuple[str, ...], int], float] = {}

    def _with(self, chosen: tuple[Idealisation, ...]) -> Numbers | None:
        key = tuple(one.name for one in chosen)
        if key not in self.numbers:
            before = self._with(chosen[:-1])
            self.numbers[key] = None if before is None else self._idealised(before, chosen[-1])
        return self.numbers[key]

    def _idealised(self, before: Numbers, one: Idealisation) -> Numbers | None:
        b = self.base
        if one.leak_alone:
            leak = idealised(before.leak_axis, one)
            if leak is None:
                return None
            return Numbers(before.axis, b.position, b.condition, b.force, leak)
        axis = idealised(before.axis, one)
        if axis is None:
            return None
        leak = None
        if before.leak_axis is not before.axis:
            leak = idealised(before.leak_axis, one) or before.leak_axis
        return Numbers(axis, b.position, b.condition, b.force, leak)

    def of(self, k: int, chosen: tuple[Idealisation, ...]) -> float:
        """Return a row's deviation, infinite where there is none."""
        key = tuple(one.name for one in chosen), k
        if key not in self.found:
            numbers = self._with(chosen)
            value = math.nan if numbers is None else deviation(*ROWS[k].values(numbers))
            self.found[key] = value if math.isfinite(value) else math.inf
        return self.found[key]


def reasons_of(
    base: Numbers, rows: Sequence[int], values: Sequence[tuple[float, float]]
) -> list[tuple[tuple[Reason, ...], float]]:
    """Return for each row its reasons, and what share of its deviation they remove together.

    Parameters
    ----------
    base : Numbers
        The axis as it is.
    rows : sequence of int
        Places in ``ROWS``.
    values : sequence of tuple of float
        Their numbers by the formula and exactly [SI].

    Returns
    -------
    list of (tuple of Reason, float)
        Reasons in the order in which they are taken away; nan for a row that agrees.

    Notes
    -----
    The first reason is the one that removes most alone; each further one removes most of what is
    then left. Where no single one removes any, two that work against each other may.
    """
    trials = _Trials(base)
    pairs = zip(rows, values, strict=True)
    return [_of_row(trials, k, deviation(*value)) for k, value in pairs]


def _of_row(trials: _Trials, k: int, before: float) -> tuple[tuple[Reason, ...], float]:
    """Return the reasons of a row and the share of its deviation that they remove together."""
    if not (math.isfinite(before) and abs(before) > AGREES):
        return (), math.nan
    left = before
    chosen: tuple[Idealisation, ...] = ()
    named: list[Reason] = []
    candidates: list[tuple[Idealisation, ...]]
    candidates = [(one,) for one in IDEALISATIONS if ROWS[k].name not in one.not_for]
    while len(named) < _MOST_REASONS and abs(left) > max(AGREES, WORTH_NAMING * abs(before)):
        tried = np.array([trials.of(k, (*chosen, *some)) for some in candidates])
        moved = np.where(np.isfinite(tried), np.abs(tried - left), -1.0)
        order = np.argsort(-moved).tolist()
        best = int(np.argmin(np.abs(tried)))
        step, after = candidates[best], float(tried[best])
        if not abs(left) - abs(after) >= WORTH_NAMING * abs(before):
            pairs = list(itertools.combinations([candidates[i][0] for i in order[:_PAIRED]], 2))
            sizes = [trials.of(k, (*chosen, *pair)) for pair in pairs]
            if not sizes:
                break
            best = int(np.argmin(np.abs(sizes)))
            step, after = pairs[best], sizes[best]
        removed = (abs(left) - abs(after)) / abs(before)
        if not removed >= WORTH_NAMING:
            break
        named.append(
            Reason(
                " together with ".join(one.name for one in step),
                " together with ".join(one.cause for one in step),
                removed,
            )
        )
        chosen, left = (*chosen, *step), after
        rest = [candidates[i] for i in order[: _CANDIDATES + 2]]
        candidates = [some for some in rest if some[0] not in step]
    return tuple(named), 1.0 - abs(left) / abs(before)
