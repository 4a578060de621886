"""Ways to tune a candidate on moves: what is searched, where it begins, what is tried next.

Unknowns are shares of ranges that hang on each axis' own margins. So a place that is good for one
candidate means something for its neighbours, and is tried there too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim.axis import Axis
from servosim.errors import ParameterError
from servosim.sizing.contenders import Contender
from servosim.tuning.bench import Outcomes
from servosim.tuning.loop_stages import precise
from servosim.tuning.result import LoopStage
from servosim.tuning.unknowns import (
    Unknown,
    changes_of,
    fixed_changes,
    integral_limit,
    is_read,
    unknowns_of,
)

Array = NDArray[np.float64]

_GENTLEST = 0.5  # of the deceleration that is asked for
# velocity gain that the null's stray needs without integral, over that by margins: below the first
# an integral is not needed, above the second nothing else helps
_EASY, _HOPELESS = 0.3, 3.0
# shares of the ranges where the search begins; found with axes of several sizes (own choice)
_START = {
    "velocity_gain": 0.72,
    "velocity_feedforward": 0.92,
    "acceleration_feedforward": 0.32,
    "overlap_compensation": 0.6,
    "overlap_smoothing": 0.93,
    "null_trim": 0.47,
    "integral_gain": 0.5,
    "integral_dead_zone": 0.2,
    "integral_limit": 0.4,
    "deceleration": 0.65,
}
_START_WITHOUT = {"velocity_gain": 0.8, "velocity_feedforward": 0.75}
_LOWER = 0.07  # by which velocity gain and integral are lowered if margins are missing
_TRIES, _FIRST_TRIES = 2, 8


@dataclass
class Arm:
    """One way to tune a candidate: with or without an integral.

    Attributes
    ----------
    contender : Contender
        The candidate.
    integral : bool
        Whether it has an integral.
    unknowns : tuple of Unknown
        What is searched.
    fixed : dict of str to object
        What goes with it.
    tried : list of (float, ndarray)
        Costs and shares of the ranges, the best first.
    active : list of int
        Cases of the contender in which it is tried.
    tightness : float
        Share of what a search may use of its limits; less after a check that failed.
    confirmed : bool
        Whether its best place keeps everything in all cases.
    whole : Outcomes or None
        Whole moves with its best place, of a candidate that was given up for them.
    """

    contender: Contender
    integral: bool
    unknowns: tuple[Unknown, ...]
    fixed: dict[str, Any]
    tried: list[tuple[float, Array]] = field(default_factory=list)
    active: list[int] = field(default_factory=list)
    tightness: float = 1.0
    confirmed: bool = False
    whole: Outcomes | None = None

    @property
    def keys(self) -> tuple[str, ...]:
        """Keys of the unknowns."""
        return tuple(one.key for one in self.unknowns)

    @property
    def cost(self) -> float:
        """The lowest cost so far."""
        return self.tried[0][0] if self.tried else np.inf

    @property
    def best(self) -> Array:
        """Shares of the ranges with the lowest cost."""
        return self.tried[0][1]

    def changes(self, shares: Array) -> dict[str, Any]:
        """Return the changes of the file for shares of the ranges."""
        return changes_of(self.unknowns, shares, self.fixed)

    def lacks(self, shares: Array) -> float:
        """Return what is missing of the margins, roughly, below zero if nothing is."""
        changes = self.changes(shares)
        try:
            for loops in (self.contender.loops, *self.contender.others):
                lacks = loops.missing_margins(changes)
                if lacks <= 0.0:
                    lacks = loops.missing(changes)
                if lacks > 0.0:
                    return lacks
        except ParameterError:
            return 100.0
        return 0.0

    def has_margins(self, shares: Array) -> bool:
        """Tell whether the margins are kept in all points, exactly; if not the worst are learnt."""
        contender, changes = self.contender, self.changes(shares)
        screens = [contender.loops, *contender.others]
        for loops in (contender.loops, contender.other_loops, *contender.others):
            if loops.lacking(loops.all, changes) > 0.0:
                loops.learn(changes)
                if not any(loops is one for one in screens):
                    contender.others.append(loops)
                return False
        return True

    def start(self) -> Array:
        """Return where the search begins."""
        known = _START if self.integral else _START | _START_WITHOUT
        names = [one.key.split(".")[1] for one in self.unknowns]
        return np.array([known.get(name, one.share(one.start))
                         for name, one in zip(names, self.unknowns, strict=True)])  # fmt: skip

    def with_margins(self, shares: Array, tries: int = _TRIES) -> Array | None:
        """Return shares that have the margins, velocity gain lowered if need be, or None."""
        lowered = [k for k, key in enumerate(self.keys)
                   if key in ("controller.velocity_gain", "controller.integral_gain")]  # fmt: skip
        tried = np.clip(shares, 0.0, 1.0)
        for _ in range(tries):
            if self.lacks(tried) <= 0.0:
                return tried
            tried = tried.copy()
            tried[lowered] = np.maximum(tried[lowered] - _LOWER, 0.0)
        return None

    def note(self, costs: Sequence[float], places: Sequence[Array]) -> None:
        """Take down what was tried."""
        self.tried += [(float(cost), place) for cost, place in zip(costs, places, strict=True)]
        self.tried.sort(key=lambda one: one[0])


def arms_of(contender: Contender, stage: LoopStage) -> list[Arm]:
    """Return the ways to tune a candidate with its best kind of stabilising feedback.

    Parameters
    ----------
    contender : Contender
        The candidate.
    stage : LoopStage
        What its margins admit.

    Returns
    -------
    list of Arm
        Without an integral only if the velocity gain may be large enough for the null's stray.
    """
    axis = contender.axis
    need = precise(axis) / stage.velocity_gain
    choices = (False,) if need < _EASY else (True,) if need > _HOPELESS else (False, True)
    arms = [
        Arm(contender, integral, tuple(_unknowns(axis, stage, integral)),
            fixed_changes(axis, stage, integral=integral))
        for integral in choices
    ]  # fmt: skip
    for arm in arms:
        if arm.integral:  # it has its own tightest points, those of the least loop gain
            contender.loops.learn(arm.changes(arm.start()))
    return arms


def _unknowns(axis: Axis, stage: LoopStage, integral: bool) -> list[Unknown]:
    """Return what is searched; of the reference nothing but a gentler deceleration."""
    found = [one for one in unknowns_of(axis, stage, integral=integral)
             if one.key.split(".")[0] == "controller"]  # fmt: skip
    if is_read(axis, "reference.deceleration") and axis.file.reference.kind != "staged":
        asked = axis.file.reference.deceleration
        found.append(Unknown("reference.deceleration", _GENTLEST * asked, asked, asked, log=True))
    if integral:
        most = integral_limit(axis)
        found.append(Unknown("controller.integral_limit", 0.3 * most, 1.2 * most, most, log=True))
    return found


def proposals(
    arm: Arm, others: Sequence[Array], count: int, spread: float, draws: Array
) -> list[Array]:
    """Return places to try: those of others, and some around the best ones.

    Parameters
    ----------
    arm : Arm
        The way to tune.
    others : sequence of ndarray
        Places that are good for other candidates.
    count : int
        How many are wanted; fewer come if margins are missing.
    spread : float
        Standard deviation around the best places [share of the range].
    draws : ndarray, shape (n, n_unknown or more)
        Normal numbers.

    Returns
    -------
    list of ndarray
        Shares of the ranges.
    """
    centres, wanted = [place for _, place in arm.tried[:3]], [*others]
    if not centres:
        begin = arm.start()
        kept = arm.with_margins(begin, _FIRST_TRIES)
        centres = [begin if kept is None else kept]
        wanted = [*centres, *wanted]
    n = len(arm.unknowns)
    for k, row in enumerate(draws):
        centre = centres[k % len(centres)]
        # every other one changes few of the values, so that what helps is told apart
        mask = 1.0 if k % 2 == 0 else (np.abs(np.roll(row[:n], 1)) > 0.8)
        wanted.append(centre + spread * row[:n] * mask)
    found: list[Array] = []
    known = {place.tobytes() for _, place in arm.tried}
    for place in wanted:
        if len(found) >= count:
            break
        kept = arm.with_margins(place)
        if kept is not None and kept.tobytes() not in known:
            known.add(kept.tobytes())
            found.append(kept)
    return found


def narrowed(arms: Sequence[Arm], close: float) -> list[Arm]:
    """Return the better way to tune each candidate, and others that cost little more."""
    least: dict[int, float] = {}
    for arm in arms:
        number = arm.contender.number
        least[number] = min(least.get(number, np.inf), arm.cost)
    found: list[Arm] = []
    taken: set[int] = set()
    for arm in arms:
        number = arm.contender.number
        best = arm.cost <= least[number] and number not in taken
        if best or (close > 0.0 and arm.cost < least[number] + close):
            found.append(arm)
        if best:
            taken.add(number)
    return found
