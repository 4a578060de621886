"""First stage: gains by margins alone, and the stretch of the stroke over which they are of use.

The natural frequency of a cylinder is lowest in mid-stroke and rises several times towards its
ends; the gains are the same everywhere. Margins that are wanted over the whole stroke may leave a
gain with which the table hardly moves. So the stretch is made narrower, towards that of the file's
own move, until the gain is a fair share of what that move by itself would admit.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import differential_evolution

from servosim.axis import Axis
from servosim.errors import ParameterError
from servosim.tuning.demands import Demands
from servosim.tuning.loop_gains import Loops
from servosim.tuning.result import Constraint, LoopStage, Stretch
from servosim.tuning.unknowns import null_shift
from servosim.tuning.words import comparison

Array = NDArray[np.float64]

FAIR = 0.5  # share of the narrowest stretch's velocity gain that a wider one must admit
_LEVELS = 4  # nested stretches, the whole stroke and the move's among them
_MEMBERS, _GENERATIONS, _FEWER = 12, 9, 6
_ROUNDS = 2  # searches at most, each with the points in which the last one failed
_FEE = 0.02  # of the logarithm of the velocity gain, against ever more feedback


def stretches(axis: Axis) -> list[tuple[float, float]]:
    """Return nested stretches of the stroke, from the whole to that of the file's move [m]."""
    m, stroke = axis.file.move, axis.file.cylinder.stroke
    low, high = sorted((m.start, m.target))
    shares = np.linspace(0.0, 1.0, _LEVELS).tolist()
    return [(s * low, stroke - s * (stroke - high)) for s in shares]


def positions_of(levels: Sequence[tuple[float, float]], count: int) -> list[float]:
    """Return the ends of stretches, and so many positions evenly inside the narrowest [m]."""
    inner = np.linspace(*levels[-1], max(count, 2))[1:-1].tolist()
    found = {round(x, 9) for pair in levels for x in pair} | {round(x, 9) for x in inner}
    return sorted(found)


def stage_of(
    loops: Loops,
    kind: str,
    seed: int,
    begin: Mapping[str, float] | None = None,
    generations: int = _GENERATIONS,
) -> LoopStage:
    """Return the best gains of one kind and the highest velocity gain that they admit.

    Parameters
    ----------
    loops : Loops
        Margins over the envelope.
    kind : str
        Kind of stabilising feedback.
    seed : int
        Source of chance.
    begin : mapping of str to float, optional
        Gains that are known to be of use [SI].
    generations : int
        Of the search.

    Returns
    -------
    LoopStage
        Velocity gain zero if no gains have the margins that are wanted.
    """
    names, ranges, start = _ranges(loops, kind)

    def changes_of(x: Array) -> dict[str, Any]:
        values = {f"controller.{n}": math.exp(v) for n, v in zip(names, x, strict=True)}
        return {"controller.stabilising_feedback": kind, **values}

    def cost(columns: Array) -> Array:
        return np.array([_cost(loops, changes_of(x), x, start) for x in np.atleast_2d(columns.T)])

    known = [start + np.r_[math.log(f), np.zeros(len(start) - 1)] for f in (0.1, 0.3, 1.0, 2.0)]
    if begin:
        known.append(np.array([math.log(begin[name]) for name in names]))
    low, high = np.array(ranges).T
    rng = np.random.default_rng([seed, 9])
    best = known[0]
    for _ in range(_ROUNDS):
        drawn = low + rng.random((max(_MEMBERS - len(known), 2), len(ranges))) * (high - low)
        first = np.clip(np.array([*known, *drawn]), low, high)
        ended = differential_evolution(
            cost, ranges, init=first, maxiter=generations, strategy="currenttobest1bin",
            mutation=(0.3, 0.8), recombination=0.9, tol=0.0, rng=rng, polish=False,
            vectorized=True, updating="deferred",
        )  # fmt: skip
        best = ended.x
        if ended.fun >= 100.0 or loops.lacking(loops.all, changes_of(best)) <= 0.0:
            break
        loops.learn(changes_of(best))
        order = np.argsort(ended.population_energies, kind="stable")
        known = [ended.population[k] for k in order[: _MEMBERS // 2]]
    changes = changes_of(best)
    gain = _highest(loops, changes)
    changes["controller.velocity_gain"] = gain or changes["controller.velocity_gain"]
    tight = min(loops.constraints(changes), key=lambda one: one.slack)
    return LoopStage(kind, {n: changes[f"controller.{n}"] for n in names[1:]}, gain, _words(tight))


def _ranges(loops: Loops, kind: str) -> tuple[list[str], list[tuple[float, float]], Array]:
    """Return names, logarithms of ranges and of places to begin; the velocity gain first."""
    omega, scales = loops.natural_frequency, loops.scales(kind)
    ranges = [(math.log(0.001 * omega), math.log(1.0 * omega))]
    for name, value in scales.items():
        low, high = (0.02 * value, 5.0 * value) if "feedback" in name else (0.2 * value, 12 * value)
        if "frequency" in name:
            high = max(loops.below_nyquist(high), 1.2 * low)
        ranges.append((math.log(low), math.log(high)))
    start = np.log(np.array([0.15 * omega, *scales.values()]))
    return ["velocity_gain", *scales], ranges, start


def _cost(loops: Loops, changes: Mapping[str, Any], x: Array, start: Array) -> float:
    """Return the less, the higher the velocity gain that has the margins."""
    try:
        lacks = loops.missing(changes)
    except ParameterError:
        return 200.0
    fee = _FEE * max(float(x[1] - start[1]), 0.0) if len(x) > 1 else 0.0
    return 100.0 + lacks if lacks > 0.0 else fee - float(x[0])


def _highest(loops: Loops, changes: Mapping[str, Any]) -> float:
    """Return the highest velocity gain with enough margin in all points, sought downwards."""
    top = float(changes["controller.velocity_gain"])
    gain, good, bad = top, 0.0, math.inf
    for _ in range(7):
        if loops.lacking(loops.all, {**changes, "controller.velocity_gain": gain}) <= 0.0:
            good = gain
            if bad == math.inf or bad / good < 1.05:
                break
        else:
            bad = gain
        gain = 0.7 * bad if good == 0.0 else math.sqrt(good * bad)
    return good


def _words(tight: Constraint) -> str:
    return comparison(tight)


def stages_of(loops: Loops, kinds: Sequence[str], seed: int) -> tuple[LoopStage, ...]:
    """Return the first stage of each kind, the highest velocity gain first."""
    found = [stage_of(loops, kind, seed) for kind in kinds]
    return tuple(sorted(found, key=lambda one: -one.velocity_gain))


def precise(axis: Axis) -> float:
    """Return the velocity gain at which the null's stray leaves no more error than the window.

    ``g u/w``: the velocity gain g of valve and cylinder times what the null strays over the
    envelope, over the half width of the window [1/s]. With less only an integral can help.
    """
    p = axis.parameters.controller
    return max(p.g_plus, p.g_minus) * null_shift(axis)[1] / axis.file.window.half_width


def choose_stretch(
    loops: Loops, demands: Demands, seed: int
) -> tuple[Demands, tuple[LoopStage, ...], tuple[Stretch, ...]]:
    """Return the demands with the stretch of the stroke that is of use, and what led to it.

    Parameters
    ----------
    loops : Loops
        Margins over the whole stroke; restricted to the stretch in the end.
    demands : Demands
        If they name a stretch, it stays.
    seed : int
        Source of chance.

    Returns
    -------
    demands : Demands
        With ``stroke``.
    stages : tuple of LoopStage
        Each kind of stabilising feedback over that stretch, the highest velocity gain first.
    stretches : tuple of Stretch
        The stretches that were looked at, the widest first.
    """
    kinds = demands.stabilising_feedback
    if demands.stroke is not None:
        loops.restrict(*demands.stroke)
        found = stages_of(loops, kinds, seed)
        return demands, found, (Stretch(*demands.stroke, found[0].velocity_gain, found[0].kind),)
    levels = stretches(loops.axis)
    loops.restrict(*levels[-1])
    narrow = stages_of(loops, kinds, seed)
    looked = [Stretch(*levels[-1], narrow[0].velocity_gain, narrow[0].kind)]
    chosen, stages = levels[-1], narrow
    least = max(FAIR * narrow[0].velocity_gain, min(precise(loops.axis), narrow[0].velocity_gain))
    for level in reversed(levels[:-1]):  # outwards: the first that admits too little is the last
        loops.restrict(*level)
        best = narrow[0]
        begin = {**best.gains, "velocity_gain": max(best.velocity_gain, 1e-3)}
        wider = stage_of(loops, best.kind, seed, begin, _FEWER)
        looked.insert(0, Stretch(*level, wider.velocity_gain, wider.kind))
        if wider.velocity_gain < least:
            break
        stages, chosen = (wider, *narrow[1:]), level
    loops.restrict(*chosen)
    return replace(demands, stroke=chosen), stages, tuple(looked)
