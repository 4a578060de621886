"""Rules that cannot be kept together, found from how every combination stands to every rule."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import pairwise

import numpy as np

from servosim.sizing.combinations import Array, Check, Flags
from servosim.sizing.findings import Conflict, RuleCount, Standing
from servosim.units import convert

CAP = 10.0  # a rule is never counted as missed by more than ten times its limit
_MOST_RULES = 4  # rules of one conflict, unless it takes more
_MOST_CONFLICTS = 12


def slacks_of(checks: Sequence[Check]) -> Array:
    """Return what is left in each rule as a share of its limit, shape (n, n_checks)."""
    return np.column_stack([one.slack for one in checks])


def kept_of(checks: Sequence[Check]) -> Flags:
    """Return whether each rule is kept, shape (n, n_checks)."""
    return np.column_stack([one.kept for one in checks])


def missing_of(checks: Sequence[Check]) -> Array:
    """Return the sum of what is missing in all rules, as shares of the limits, shape (n,).

    Zero if all are kept; a rule counts ten at most, also if its figure could not be found.
    """
    short = np.where(kept_of(checks), 0.0, -slacks_of(checks))
    total: Array = np.clip(short, 0.0, CAP).sum(axis=1)
    return total


def standing_of(check: Check, k: int) -> Standing:
    """Return how one combination stands to one rule."""
    return Standing(
        name=check.name,
        words=check.words,
        key=check.key,
        value=float(check.value[k]),
        limit=float(check.limit[k]),
        unit=check.unit,
        shown_unit=check.shown_unit,
        upper=check.upper,
        slack=float(check.slack[k]),
        source=check.source,
    )


def counts_of(checks: Sequence[Check]) -> tuple[RuleCount, ...]:
    """Return what each rule rejected, the most first.

    Parameters
    ----------
    checks : sequence of Check
        Every rule over all combinations.

    Returns
    -------
    tuple of RuleCount
        One for each rule.
    """
    broken = ~kept_of(checks)
    alone = broken & (broken.sum(axis=1) == 1)[:, None]
    found = []
    for j, check in enumerate(checks):
        rows = np.flatnonzero(broken[:, j])
        nearest = None
        if len(rows):
            nearest = standing_of(check, int(rows[np.argmax(check.slack[rows])]))
        found.append(
            RuleCount(check.name, check.words, check.key, check.source, _limits(check), len(rows),
                      int(np.count_nonzero(alone[:, j])), nearest)
        )  # fmt: skip
    return tuple(sorted(found, key=lambda one: -one.broken))


def conflicts_of(checks: Sequence[Check], words: Callable[[int], str]) -> tuple[Conflict, ...]:
    """Return the smallest sets of rules that no combination keeps together.

    A set of rules is in conflict if every combination breaks one of them: it meets every
    combination's set of broken rules. Of those sets the minimal ones are given: leave any rule out,
    and some combination keeps the rest.

    Parameters
    ----------
    checks : sequence of Check
        Every rule over all combinations.
    words : callable
        Returns the parts of a row in words.

    Returns
    -------
    tuple of Conflict
        The smallest sets first, of one size those whose best compromise misses most; at most
        twelve. Empty if some combination keeps everything.
    """
    if not checks or not len(checks[0].value):
        return ()
    sets = minimal_sets(~kept_of(checks))
    short = np.clip(np.where(kept_of(checks), 0.0, -slacks_of(checks)), 0.0, CAP)
    total = short.sum(axis=1)
    found = []
    for one in sets:
        missed = short[:, one].sum(axis=1)
        k = int(np.lexsort((total, missed))[0])
        rules = tuple(standing_of(checks[j], k) for j in one)
        parts = words(k)
        found.append((len(one), -missed[k], Conflict(rules, k, parts, _sentence(rules, parts))))
    found.sort(key=lambda one: one[:2])
    return tuple(one for _, _, one in found[:_MOST_CONFLICTS])


def minimal_sets(broken: Flags) -> list[tuple[int, ...]]:
    """Return the minimal sets of columns that meet every row's broken ones.

    Parameters
    ----------
    broken : ndarray of bool, shape (n, n_checks)
        Which rule each row breaks.

    Returns
    -------
    list of tuple of int
        Sets of up to four rules, or the smallest there are if they need more; empty if a row breaks
        nothing. Built up row by row (C. Berge, *Hypergraphs*, North-Holland 1989, ch. 2; from
        memory), of rows only those whose set of broken rules contains no other row's.
    """
    rows = {sum(1 << int(j) for j in np.flatnonzero(row)) for row in np.unique(broken, axis=0)}
    if not rows or 0 in rows:
        return []
    edges: list[int] = []
    for row in sorted(rows, key=int.bit_count):
        if not any(edge & row == edge for edge in edges):
            edges.append(row)
    for most in (_MOST_RULES, 2 * _MOST_RULES, broken.shape[1]):
        sets = {0}
        for edge in edges:
            meeting = {one for one in sets if one & edge}
            wider = {one | bit for one in sets - meeting for bit in _bits(edge)}
            new = {one for one in wider if one.bit_count() <= most}
            sets = meeting | {one for one in new if not any(old & one == old for old in meeting)}
        if sets:
            return sorted(tuple(bit.bit_length() - 1 for bit in _bits(one)) for one in sets)
    return []


def _bits(value: int) -> list[int]:
    """Return each bit of a whole number as a number of its own, the lowest first."""
    found = []
    while value:
        found.append(value & -value)
        value &= value - 1
    return found


def shown(value: float, unit: str) -> str:
    """Return an SI value for people, to three digits with its unit."""
    if math.isnan(value):
        return "not to be had"
    if math.isinf(value):
        return "infinite" if value > 0.0 else "minus infinite"
    number = f"{float(f'{convert(value, unit):.3g}'):g}"
    return number if unit == "1" else f"{number} {unit}"


def missed_words(rule: Standing) -> str:
    """Return by how much a rule is missed, or that it is kept, in words."""
    value, limit = shown(rule.value, rule.shown_unit), shown(rule.limit, rule.shown_unit)
    if value == limit and not rule.kept:  # told apart by more digits
        digits = [f"{convert(one, rule.shown_unit):.6g}" for one in (rule.value, rule.limit)]
        value, limit = (f"{one} {rule.shown_unit}".removesuffix(" 1") for one in digits)
    bound = "at most" if rule.upper else "at least"
    said = f"{rule.name.replace('_', ' ')} {value}, {bound} {limit} is wanted"
    if rule.kept:
        return f"{said}: kept"
    if not math.isfinite(rule.slack):
        return said
    return f"{said}: missed by {100.0 * -rule.slack:.3g} %"


def _sentence(rules: Sequence[Standing], parts: str) -> str:
    """Return a conflict in words."""
    names = [f"{one.name.replace('_', ' ')} [{one.key}]" for one in rules]
    if len(rules) == 1:
        head = f"nothing on offer keeps {names[0]}"
    else:
        some = "both " if len(rules) == 2 else ""
        head = f"nothing on offer keeps {some}{', '.join(names[:-1])} and {names[-1]} together"
        head += ", though any one fewer can be kept" if len(rules) > 2 else ""
    return f"{head}. Nearest, with {parts}: {'; '.join(missed_words(one) for one in rules)}"


def _limits(check: Check) -> str:
    """Return the limit of a rule, or the range of it, in words."""
    limits = check.limit[np.isfinite(check.limit)]
    if not len(limits):
        return "none"
    ends = [shown(float(one), check.shown_unit) for one in (limits.min(), limits.max())]
    return ends[0] if all(a == b for a, b in pairwise(ends)) else f"{ends[0]} to {ends[1]}"
