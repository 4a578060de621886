"""What keeps each gain from going further: the same moves with one value changed at a time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from servosim.axis import Axis
from servosim.tuning.loop_gains import Loops
from servosim.tuning.search import Search
from servosim.tuning.unknowns import Unknown, get
from servosim.tuning.words import comparison, worst_term
from servosim.tuning.written import text_of

_RATIO = 1.2  # of gains and frequencies
_STEP = 0.1  # of the range of others
_SAME = 2e-3  # s, differences of time that mean nothing
_SEEDS = (21, 22)


@dataclass(frozen=True)
class Neighbour:
    """One value changed, and what that did.

    Attributes
    ----------
    key : str
        Key of the file.
    up : bool
        Whether it was raised.
    value : float
        The changed value [SI].
    words : str
        What it did.
    forbidden : bool
        Whether a demand is missed with it.
    """

    key: str
    up: bool
    value: float
    words: str
    forbidden: bool


def neighbours_of(
    search: Search, loops: Loops, unknowns: Sequence[Unknown], changes: Mapping[str, Any]
) -> list[Neighbour]:
    """Return what happens when each value is changed alone, up and down.

    Parameters
    ----------
    search : Search
        Knows the worst cases.
    loops : Loops
        Tells margins.
    unknowns : sequence of Unknown
        What was searched.
    changes : mapping of str to object
        The proposed values [SI].

    Returns
    -------
    list of Neighbour
        Two for each unknown, fewer where its range ends.
    """
    tried: list[tuple[Unknown, bool, float]] = []
    for one in unknowns:
        value = float(changes.get(one.key, get(search.axis, one.key)))
        step = _STEP * (one.high - one.low)
        up = value * _RATIO if one.log else value + step
        down = value / _RATIO if one.log else value - step
        tried += [(one, True, up), (one, False, down)]
    cases = [search.cases[k] for k in search.active]
    candidates = [{**changes, one.key: value} for one, _, value in tried]
    everything = [dict(changes), *candidates]
    _, terms, found = search.judge(everything, cases, _SEEDS, 1.0)
    usual = float(terms.time[0].max())
    result = []
    for k, (one, is_up, value) in enumerate(tried, 1):
        lacking = [c for c in loops.constraints(candidates[k - 1], few=True) if not c.kept]
        if np.all(found.broken[k]):
            words, forbidden = "the file does not allow it", True
        elif lacking:
            worst = min(lacking, key=lambda c: c.slack)
            words, forbidden = comparison(worst), True
        else:
            words = worst_term(terms, found, k)
            forbidden = bool(words)
            if not words:
                later = float(terms.time[k].max()) - usual
                words = "makes no difference"
                if abs(later) > _SAME:
                    words = (
                        f"settles {1e3 * abs(later):.0f} ms {'later' if later > 0 else 'sooner'}"
                    )
        result.append(Neighbour(one.key, is_up, value, words, forbidden))
    return result


def limits_of(axis: Axis, neighbours: Sequence[Neighbour]) -> dict[str, str]:
    """Return for each key what a higher and a lower value would do, in words."""
    found: dict[str, list[str]] = {}
    for one in neighbours:
        text = text_of(axis, one.key, one.value)
        found.setdefault(one.key, []).append(f"{text}: {one.words}")
    return {key: "; ".join(parts) for key, parts in found.items()}
