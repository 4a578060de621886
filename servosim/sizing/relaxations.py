"""The nearest changes of a requirement with which something on offer keeps every rule."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields

import numpy as np

from servosim.errors import ParameterError
from servosim.sizing.candidates import combinations_of, parts_words
from servosim.sizing.combinations import Array, Check, Combinations, Flags
from servosim.sizing.conflicts import kept_of, missing_of
from servosim.sizing.findings import Change, Relaxation
from servosim.sizing.knobs import Knob, knobs_of
from servosim.sizing.requirement import RequirementFile

Judge = Callable[[RequirementFile, Combinations], Flags]

USUAL = (
    "reference.velocity",
    "reference.acceleration",
    "reference.deceleration",
    "reference.jerk",
    "accuracy.settling_time",
    "accuracy.half_width",
    "accuracy.deflection",
    "conditions.workpiece_mass",
    "thrust.along",
    "work.cycles_per_hour",
    "pressures.nominal",
    "cylinders.bores",
    "cylinders.rods",
    "valve.rated_flow",
    "valve.natural_frequency",
    "valve.hysteresis",
)
_NEAREST = 150  # rows that every key is tried on, whatever their rules say would help
_FINE = 0.004  # of the amount: how closely the least change is found
_LESS = 0.985  # of the amount, with which nothing on offer must pass
_MOST_SHRINKINGS = 20
_PAIRS = 16
_FEW = (0.03, 0.1, 0.3, 1.0, 4.0)  # amounts for several keys at once
_OF_SERIES = ("cylinders.", "screws.", "pressures.", "power_unit.with", "power_unit.without")


@dataclass
class _Search:
    """Everything that the search for relaxations needs."""

    requirement: RequirementFile
    c: Combinations
    judge: Judge
    missing: Array

    def passing(self, turned: Sequence[tuple[Knob, float]], c: Combinations | None) -> _Passed:
        """Return what passes with some knobs turned, of some combinations or of all on offer."""
        try:
            changed, changes = _turned(self.requirement, turned)
            offered = combinations_of(changed) if c is None else c
            return _Passed(changed, offered, self.judge(changed, offered), changes)
        except ParameterError:
            nothing = self.c.take(np.zeros(0, dtype=np.intp))
            return _Passed(self.requirement, nothing, np.zeros(0, dtype=bool), ())


@dataclass(frozen=True)
class _Passed:
    """What passes with a changed requirement."""

    requirement: RequirementFile
    combinations: Combinations
    flags: Flags
    changes: tuple[Change, ...]

    @property
    def some(self) -> bool:
        """Whether anything passes."""
        return bool(self.flags.any())


def relaxations_of(
    requirement: RequirementFile,
    c: Combinations,
    checks: Sequence[Check],
    judge: Judge,
) -> Iterator[Relaxation]:
    """Yield the least changes that let something on offer keep every rule of the algebra.

    For each key that a broken rule names, and for some usual ones, its value is moved step by step
    until something passes; the least amount is then found by bisection between the last that did
    not and the first that did, on the combinations whose broken rules the key can repair and the
    nearest others, and checked on all: with 2 % less of the change nothing passes. If no single key
    suffices, pairs are tried, turned together and then each turned back as far as it goes; if no
    pair suffices, all keys of the nearest combination.

    Parameters
    ----------
    requirement : RequirementFile
        Which nothing on offer keeps.
    c : Combinations
        All that is on offer.
    checks : sequence of Check
        Every rule over all of them.
    judge : callable
        Returns which of some combinations keep every rule of another requirement.

    Yields
    ------
    Relaxation
        As they are found; see :func:`smallest_first`.
    """
    broken = ~kept_of(checks)
    eased = [{check.key, *check.relaxes} for check in checks]
    missing = missing_of(checks)
    near = np.zeros(len(c), dtype=bool)
    near[np.argsort(missing, kind="stable")[:_NEAREST]] = True
    keys = _keys_of(broken, eased, missing)
    helps = {key: np.array([key in one for one in eased]) for key in keys}
    addressed = {key: ~np.any(broken & ~helps[key], axis=1) for key in keys}
    search = _Search(requirement, c, judge, missing)
    found = False
    for key in keys:
        for knob in knobs_of(requirement, [key]):
            if key not in USUAL and not knob.steps and not addressed[key].any():
                continue
            one = _least(search, [knob], addressed[key] | near)
            if one is not None:
                found = True
                yield one
    if found:
        return
    for pair in _pairs(keys, broken, helps, missing):
        able = ~np.any(broken & ~(helps[pair[0]] | helps[pair[1]]), axis=1)
        for knobs in itertools.product(*(knobs_of(requirement, [key]) for key in pair)):
            one = _least(search, knobs, able | near)
            if one is not None:
                found = True
                yield one
    if found or not len(c):
        return
    nearest = int(np.argmin(missing))
    names = sorted({key for j in np.flatnonzero(broken[nearest]) for key in eased[j]})
    every = [k for key in names for k in knobs_of(requirement, [key])[:1] if not k.steps]
    one = _least(search, every, near) if every else None
    if one is not None:
        yield one


def smallest_first(found: Sequence[Relaxation]) -> tuple[Relaxation, ...]:
    """Return relaxations in order: fewer changes first, then the smaller relative change."""
    return tuple(sorted(found, key=lambda one: (len(one.changes), _size(one))))


def _size(one: Relaxation) -> float:
    """Return how large the changes of a relaxation are, as the logarithm of a factor."""
    total = 0.0
    for change in one.changes:
        a, b = abs(change.before), abs(change.after)
        if change.unit == "K":
            total += abs(change.before - change.after) / 20.0
        elif a > 0.0 and b > 0.0:
            total += abs(math.log(a / b))
        else:
            total += 0.7
    return total


def _keys_of(broken: Flags, eased: Sequence[set[str]], missing: Array) -> list[str]:
    """Return the keys that may help, those of the rules that reject the nearest rows first."""
    order = np.argsort(missing, kind="stable")[: 5 * _NEAREST]
    weight = broken[order].sum(axis=0)
    named = [key for j in np.argsort(-weight, kind="stable") if weight[j] for key in
             sorted(eased[j])]  # fmt: skip
    return list(dict.fromkeys([*named, *USUAL]))


def _pairs(
    keys: Sequence[str], broken: Flags, helps: dict[str, Flags], missing: Array
) -> list[tuple[str, str]]:
    """Return the pairs of keys that together ease all broken rules of some row, nearest first."""
    found = []
    for a, b in itertools.combinations(keys, 2):
        able = ~np.any(broken & ~(helps[a] | helps[b]), axis=1)
        if able.any():
            found.append((float(missing[able].min()), (a, b)))
    found.sort(key=lambda one: one[0])
    return [pair for _, pair in found[:_PAIRS]]


def _turned(
    requirement: RequirementFile, turned: Sequence[tuple[Knob, float]]
) -> tuple[RequirementFile, tuple[Change, ...]]:
    """Return a requirement with several knobs turned, and the changes."""
    changes = []
    for knob, amount in turned:
        if amount <= 0.0:
            continue
        same = [one for one in knobs_of(requirement, [knob.key]) if one.words == knob.words]
        if not same:
            raise ParameterError(f"{knob.key}: cannot be relaxed beside the others")
        requirement, change = same[0].at(amount)
        changes.append(change)
    return requirement, tuple(changes)


def _least(search: _Search, knobs: Sequence[Knob], rows: Flags) -> Relaxation | None:
    """Return the least turn of some knobs with which something passes, or None."""
    wide = any(one.steps and one.key.startswith((*_OF_SERIES, "valve.")) for one in knobs)
    subset = None if wide else search.c.take(np.flatnonzero(rows))
    scales = [1.0 if one.steps else 0.0 for one in knobs]
    if all(one.steps for one in knobs):
        grids = itertools.product(*(one.amounts for one in knobs))
        for amounts in sorted(grids, key=sum):
            passed = search.passing(list(zip(knobs, amounts, strict=True)), subset)
            if passed.some:
                return _told(search, knobs, list(amounts))
        return None

    def turned(x: float) -> list[float]:
        return [one if one else min(x, knob.amounts[-1])
                for one, knob in zip(scales, knobs, strict=True)]  # fmt: skip

    def works(amounts: Sequence[float], among: Combinations | None = subset) -> bool:
        return search.passing(list(zip(knobs, amounts, strict=True)), among).some

    amounts = _FEW if len(knobs) > 1 else next(one.amounts for one in knobs if not one.steps)
    low = 0.0
    for high in amounts:
        if works(turned(high)):
            break
        low = high
    else:
        return None
    high = _bisected(lambda x: works(turned(x)), low, high)
    best = turned(high)
    if len(knobs) > 1:
        best = _trimmed(works, knobs, best)
    return _told(search, knobs, best, checked=len(knobs) == 1)


def _bisected(works: Callable[[float], bool], low: float, high: float) -> float:
    """Return the least amount that works, to a small part of it, between two that don't and do."""
    while high - low > _FINE * high:
        middle = 0.5 * (low + high)
        if works(middle):
            high = middle
        else:
            low = middle
    return high


def _trimmed(
    works: Callable[[Sequence[float]], bool], knobs: Sequence[Knob], amounts: list[float]
) -> list[float]:
    """Return amounts of several knobs, each turned back as far as it goes."""
    for k, knob in enumerate(knobs):

        def one(x: float, k: int = k) -> bool:
            return works([*amounts[:k], x, *amounts[k + 1 :]])

        if one(0.0):
            amounts[k] = 0.0
        elif not knob.steps:
            amounts[k] = _bisected(one, 0.0, amounts[k])
    return amounts


def _told(
    search: _Search, knobs: Sequence[Knob], amounts: list[float], checked: bool = False
) -> Relaxation | None:
    """Return a relaxation as it stands with all that is on offer; a single one with no less."""
    every = list(zip(knobs, amounts, strict=True))
    passed = search.passing(every, None)
    for _ in range(_MOST_SHRINKINGS if checked and not knobs[0].steps else 0):
        if not passed.some:
            break
        less = search.passing([(knobs[0], _LESS * amounts[0])], None)
        if not less.some:
            break

        def works(x: float) -> bool:
            return search.passing([(knobs[0], x)], None).some

        amounts = [_bisected(works, 0.0, _LESS * amounts[0])]
        passed = search.passing([(knobs[0], amounts[0])], None)
    if not passed.some:
        return None
    offered, flags = passed.combinations, passed.flags
    k = _nearest_of(search, offered, flags)
    words = parts_words(passed.requirement, offered, k)
    number = _number_of(search.c, offered, k)
    count = int(np.count_nonzero(flags))
    return Relaxation(passed.changes, number, words, count, False,
                      _sentence(passed.changes, words, count))  # fmt: skip


def _number_of(c: Combinations, offered: Combinations, k: int) -> int:
    """Return which of the original combinations one is; -1 if it was not on offer before."""
    if offered is c:
        return k
    same = np.ones(len(c), dtype=bool)
    for one in fields(Combinations):
        same &= getattr(c, one.name) == getattr(offered, one.name)[k]
    return int(np.argmax(same)) if same.any() else -1


def _nearest_of(search: _Search, offered: Combinations, flags: Flags) -> int:
    """Return that passing row which was nearest to passing before; one not on offer comes last."""
    best, least = -1, math.inf
    for k in np.flatnonzero(flags)[:200]:
        number = _number_of(search.c, offered, int(k))
        missing = float(search.missing[number]) if number >= 0 else 1e9
        if missing < least or best < 0:
            best, least = int(k), missing
    return best


def _sentence(changes: Sequence[Change], words: str, count: int) -> str:
    """Return a relaxation in words."""
    said = " and ".join(change_words(one) for one in changes)
    more = f" (and {count - 1} more)" if count > 1 else ""
    return f"with {said}, {words}{more} keeps every rule of the algebra"


def change_words(change: Change) -> str:
    """Return a change in words with its key."""
    name = f"{change.words} [{change.key}]"
    if len(change.text_after) > 40:  # a whole series: its new end is what matters
        return name
    return f"{name}: {change.text_after} instead of {change.text_before}"
