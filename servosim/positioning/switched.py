"""Causes switched off and on in simulated moves: what the place of the tool owes to each.

Moves go to the same targets from both sides with the same noise, once with everything, once without
a cause, once with it alone. The first difference is what a cause does among the others, the second
what it does by itself, which is what a closed form knows. Where the two part, causes work on each
other, and pairs of them, switched on together, tell which. Moves with everything and other noise
tell below which size nothing is told apart.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np

from servosim.axis import Axis
from servosim.ensemble import ensemble
from servosim.errors import Fault, ParameterError
from servosim.positioning.acceptance import READINGS
from servosim.positioning.approaches import approaches_of
from servosim.positioning.causes import AT_REST, Cause, changes_without
from servosim.positioning.deviations import Array
from servosim.positioning.effects import Effect, Pair, effect_of, scatter_within
from servosim.positioning.evaluation import figures
from servosim.positioning.machines import with_controller
from servosim.positioning.standard_cycle import TestCycle
from servosim.positioning.surroundings import corners_of
from servosim.program import Move

SEEDS = 4
MOST_TARGETS = 5
FREE = {"thrust.mode": "none"}
OPEN = {"lock.kind": "none", "lock.brake": "none"}
_AGAIN = 7919  # added to the seeds of the moves with other noise
_NOISES = ("noise of the scale", "noise of the pressure readings")
_FRICTION = "friction over the pressure gain"
_SHIFTS = ("null shift with temperature", "null shift with supply")
_EVERYTHING = "_everything"
_STRIDE = 101


@dataclass(frozen=True, eq=False)
class Switched:
    """What the simulated moves say.

    Attributes
    ----------
    targets : ndarray, shape (m,)
        Targets of the moves [m].
    whole, nothing : Effect
        Where the axis stops with everything and with every cause switched off.
    without, alone : dict of str to Effect
        By cause: everything less everything but it; it less nothing.
    figures : dict of str to dict
        Figures of ISO 230-2 [m] of the moves: ``""`` with everything, by cause without it; the
        scatter of all targets is taken as one.
    corners : dict of str to dict
        By cause and end of the envelope, what it does there among the others.
    pairs : tuple of Pair
        The largest first.
    floor : float
        Size that a change of nothing but the noise has [m].
    tool : dict of str to ndarray, shape (2, m)
        What happens once the table is held: deflection and drift [m].
    left : tuple of str
        Causes that stay on when every other is off, because the table swings without.
    moves, missing : int
        Moves that were simulated, and those that gave no position.
    """

    targets: Array
    whole: Effect
    nothing: Effect
    without: dict[str, Effect]
    alone: dict[str, Effect]
    figures: dict[str, dict[str, float]]
    corners: dict[str, dict[str, Effect]]
    pairs: tuple[Pair, ...]
    floor: float
    tool: dict[str, Array]
    left: tuple[str, ...]
    moves: int
    missing: int


@dataclass(frozen=True, eq=False)
class _Way:
    """Moves to each target from both sides."""

    targets: Array
    moves: tuple[Move, ...]  # 2 m, positive direction first


def simulate_causes(
    axis: Axis,
    causes: Sequence[Cause],
    cycle: TestCycle,
    reading: str,
    *,
    seed: int = 0,
    seeds: int = SEEDS,
    workers: int = 1,
    progress: Callable[[int, int], Any] | None = None,
) -> Switched:
    """Simulate moves with causes switched off and on.

    Parameters
    ----------
    axis : Axis
        The axis of the file.
    causes : sequence of Cause
        The causes; those that no move holds are left out.
    cycle : TestCycle
        Its targets are taken, five of them if there are more.
    reading : str
        ``"unlocked"`` or ``"locked"``, see :mod:`servosim.positioning.acceptance`.
    seed, seeds : int, optional
        Seed of the noise, and how many moves with different noise go to each target from each side.
    workers : int, optional
        Threads that share the moves; the results don't depend on them.
    progress : callable, optional
        Called with the moves done and the moves in all.

    Returns
    -------
    Switched
        The effects.

    Raises
    ------
    ParameterError
        If the moves with everything give no position, with the reason.
    """
    locked = reading == "locked"
    base = axis.replace(FREE if locked else FREE | OPEN)
    calm = AT_REST / axis.file.controller.velocity_gain if locked else 0.0
    way = _way_of(base, cycle, calm)
    held = [one for one in causes if one.off and one.acts != "tool"]
    held = [one for one in held if locked or any(not k.startswith("lock.") for k in one.off)]
    names = [one.name for one in held]
    jobs = _Jobs(axis, base, tuple(held), way, locked, seed)
    noisy = seeds if any(name in _NOISES for name in names) else 1
    everything = frozenset(names)
    left = _left_on(jobs, names, workers)

    def count(active: frozenset[str], n: int) -> int:
        return n if any(name in _NOISES for name in active) else 1

    whole = jobs.add(everything, noisy)
    again = jobs.add(everything, noisy, shift=_AGAIN)
    without = {k: jobs.add(everything - {k}, noisy) for k in names}
    nothing = jobs.add(left, 1)
    others = [k for k in names if k not in left]
    alone = {k: jobs.add(left | {k}, count(frozenset({k}), noisy)) for k in others}
    single = [k for k in others if k not in _SHIFTS]
    pairs = {
        two: jobs.add(left | set(two), count(frozenset(two), min(2, noisy)))
        for two in combinations(single, 2)
    }
    corners: dict[str, dict[str, int]] = {k: {} for k in (_EVERYTHING, *names)}
    for words, changes in corners_of(axis):
        try:
            places = {_EVERYTHING: jobs.add(everything, 1, changes)}
            places |= {k: jobs.add(everything - {k}, 1, changes) for k in names}
        except ParameterError:  # values of the corner contradict one of the variants
            continue
        for k, place in places.items():
            corners[k][words] = place
    x = jobs.run(workers, progress)
    if not _known(x[whole]):
        raise ParameterError(_nothing(axis, locked, jobs.reason))

    def less(a: int, b: int) -> Effect:
        n = min(x[a].shape[2], x[b].shape[2])
        more = x[a] if x[a].shape[2] > 1 else None
        fewer = x[b] if x[b].shape[2] > 1 else None
        change = x[a] - x[b] if n == 1 else x[a][..., :n] - x[b][..., :n]
        return effect_of(change, more, fewer)

    rests = [k for k in names if _known(x[without[k]])]
    return Switched(
        targets=way.targets,
        whole=effect_of(x[whole], x[whole]),
        nothing=effect_of(x[nothing]),
        without={k: less(whole, without[k]) for k in rests},
        alone={k: less(place, nothing) for k, place in alone.items() if _known(x[place])},
        figures={"": _figures(x[whole])} | {k: _figures(x[without[k]]) for k in rests},
        corners={
            k: {
                w: less(corners[_EVERYTHING][w], place)
                for w, place in corners[k].items()
                if _known(x[place]) and _known(x[corners[_EVERYTHING][w]])
            }
            for k in names
        },
        pairs=_pairs(x, pairs, alone, x[nothing]),
        floor=effect_of(x[whole] - x[again]).size if noisy > 1 and _known(x[again]) else 0.0,
        tool=_tool(axis, cycle, workers, seed),
        left=tuple(sorted(left)),
        moves=jobs.moves,
        missing=sum(int(np.isnan(one).sum()) for one in x),
    )


def _known(x: Array) -> bool:
    """Tell whether each target was reached from both sides."""
    return not bool(np.isnan(x).all(axis=2).any())


def _left_on(jobs: _Jobs, names: Sequence[str], workers: int) -> frozenset[str]:
    """Return the causes without which the table never rests, friction or none.

    Raises
    ------
    ParameterError
        If it does not rest with everything either.
    """
    whole, bare = jobs.add(frozenset(names), 1), jobs.add(frozenset(), 1)
    x = jobs.run(workers, None)
    jobs.clear()
    if not _known(x[whole]):
        raise ParameterError(_nothing(jobs.axis, jobs.locked, jobs.reason))
    if _known(x[bare]) or _FRICTION not in names:
        return frozenset()
    return frozenset({_FRICTION})


class _Jobs:
    """Variants of the axis, simulated in one call of the ensemble."""

    def __init__(
        self, axis: Axis, base: Axis, held: tuple[Cause, ...], way: _Way, locked: bool, seed: int
    ) -> None:
        self.axis, self.base, self.held, self.way = axis, base, held, way
        self.locked, self.seed, self.reason, self.moves = locked, seed, "", 0
        self.shapes: list[int] = []
        self.axes: list[Axis] = []
        self.plans: list[Move] = []
        self.seeds: list[int] = []

    def add(
        self,
        active: frozenset[str],
        n: int,
        changes: dict[str, float] | None = None,
        shift: int = 0,
    ) -> int:
        """Add a variant with some causes active, and return its number."""
        other = changes_without(self.axis, self.held, active, locked=self.locked)
        other |= changes or {}
        made = with_controller(self.base.replace(other), self.base) if other else self.base
        for k, move in enumerate(self.way.moves):
            for j in range(n):
                self.axes.append(made)
                self.plans.append(move)
                self.seeds.append((self.seed % 100003) + _STRIDE * k + j + shift)
        self.shapes.append(n)
        return len(self.shapes) - 1

    def clear(self) -> None:
        """Forget the variants."""
        for one in (self.shapes, self.axes, self.plans, self.seeds):
            one.clear()

    def run(self, workers: int, progress: Callable[[int, int], Any] | None) -> list[Array]:
        """Return the deviations of each variant [m], shape (2, m, n)."""
        found = ensemble(
            self.axes, moves=self.plans, seeds=self.seeds, workers=workers, progress=progress
        )
        name = READINGS["locked" if self.locked else "unlocked"]
        values, at, out = -found.metrics[name], 0, []
        self.reason = next((one for one in found.reasons if one), "")
        self.moves = len(self.axes)
        m = len(self.way.targets)
        for n in self.shapes:
            out.append(values[at : at + 2 * m * n].reshape(2, m, n))
            at += 2 * m * n
        return out


def _way_of(base: Axis, cycle: TestCycle, longer: float) -> _Way:
    """Return the moves to some targets from both sides, as the test makes them, but longer [s]."""
    ways = approaches_of(base, cycle)
    found: dict[tuple[str, int], Move] = {}
    for place, move in zip(ways.places, ways.moves, strict=True):
        stop = cycle.stops[place]
        found.setdefault((stop.direction, stop.target), move)
    m = len(cycle.targets)
    chosen = sorted({round(k) for k in np.linspace(0, m - 1, min(m, MOST_TARGETS)).tolist()})
    plans = [found[(sign, k)] for sign in "+-" for k in chosen]
    moves = tuple(one._replace(duration=one.duration + longer) for one in plans)
    return _Way(cycle.targets[chosen], moves)


def _figures(x: Array) -> dict[str, float]:
    """Return the figures of a variant; one scatter for all its targets, because noise is alike."""
    mean = np.nanmean(x, axis=2)
    s = np.full(mean.shape[1], np.sqrt(scatter_within(x)))
    return {k: float(v) for k, v in figures(mean[0], mean[1], s, s).items()}


def _pairs(
    x: list[Array], pairs: dict[tuple[str, str], int], alone: dict[str, int], zero: Array
) -> tuple[Pair, ...]:
    """Return how causes work on each other, the largest first."""
    if not _known(zero):
        return ()
    found = []
    for two, place in pairs.items():
        if not all(_known(x[k]) for k in (place, *(alone[name] for name in two))):
            continue
        a, b = (np.nanmean(x[alone[k]], axis=2) for k in two)
        both = np.nanmean(x[place], axis=2) - a - b + zero[..., 0]
        found.append(Pair(two, effect_of(both[..., None])))
    return tuple(sorted(found, key=lambda one: -one.effect.size))


def _tool(axis: Axis, cycle: TestCycle, workers: int, seed: int) -> dict[str, Array]:
    """Return deflection and drift of a held table under the file's thrust, by side and target."""
    if axis.file.thrust.mode == "none" and axis.file.lock.kind == "none":
        return {}
    t = axis.file.thrust
    longer = axis.file.move.hold_time
    if t.mode != "none":
        longer += t.delay + 2.0 * t.ramp + t.feed_time
    way = _way_of(axis, cycle, longer)
    moves = list(way.moves)
    found = ensemble(
        [axis] * len(moves), moves=moves, seeds=[seed % 100003] * len(moves), workers=workers
    )
    shape = (2, len(way.targets))
    out = {}
    for name, figure in (
        ("deflection under thrust", "thrust_deflection"),
        ("drift over the hold", "hold_drift"),
    ):
        values = found.metrics[figure].reshape(shape)
        if not np.isnan(values).any():
            out[name] = values
    return out


def _nothing(axis: Axis, locked: bool, reason: str) -> Fault:
    """Return why there is no budget."""
    why = reason or (
        "the table never came into the lock's window for its dwell"
        if locked
        else "the table was still moving"
    )
    what = f"some targets were never reached: {why}"
    return Fault(axis.path, "", "", what, "an axis that comes to rest at its targets")
