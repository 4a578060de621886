"""Gains by margins alone: for each stabilising feedback the highest velocity gain, in few steps.

The velocity gain multiplies the loop by way of the position error and nothing else. So for given
stabilising feedback the margins of many velocity gains come from one pass over the frequencies, and
only the feedback itself is searched: a coarse grid, then downhill from its best place.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import fmin

from servosim.axis import Axis
from servosim.errors import ParameterError
from servosim.tuning.loop_gains import Loops
from servosim.tuning.result import LoopStage
from servosim.tuning.words import comparison

Array = NDArray[np.float64]

_FEEDBACK = (0.06, 0.12, 0.25, 0.45, 0.8, 1.4)  # of the scale that raises the damping ratio by 0.3
_CORNER = {  # of the scale of the corner of filter or high pass
    "high_pass_frequency": (0.3, 0.8, 2.0, 5.0),
    "filter_frequency": (0.5, 1.0, 2.0),
}
_LEAST_FEEDBACK, _MOST_FEEDBACK = 0.02, 5.0  # of its scale
_LEAST_CORNER, _MOST_CORNER = 0.2, 12.0
_COMPENSATED, _SMOOTH = 0.65, 1.8  # share of the overlap; smoothing over the overlap
_STEPS_DOWN = 8  # velocity gains with margins that are asked whether they are stable
_STEP = 0.35  # of the logarithm, first steps downhill
_DOWNHILL = 20  # evaluations from where the search begins
_GAINS = np.geomspace(0.01, 0.6, 16)  # of the natural frequency, velocity gains that are looked at
_FEE = 0.02  # of the logarithm of the velocity gain, against ever more feedback
_NONE = 10.0  # cost of a feedback with which no velocity gain has the margins
_ROOM = 0.02  # share of the limits by which quick margins may be too good
_ROUNDS = 4  # searches at most, each with the points in which the last one failed


def stage_by_margins(loops: Loops, kind: str, begin: Sequence[float] = ()) -> LoopStage:
    """Return the best gains of one kind and the highest velocity gain that they admit.

    Parameters
    ----------
    loops : Loops
        Margins over the envelope.
    kind : str
        Kind of stabilising feedback.
    begin : sequence of float, optional
        Gains over their scales that are good for a similar axis: the search begins there, without
        the grid.

    Returns
    -------
    LoopStage
        Velocity gain zero if no gains have the margins that are wanted.
    """
    scales = loops.scales(kind)
    place: Array = np.log(np.array(begin)) if len(begin) == len(scales) else np.zeros(0)
    highest = 0.0
    for _ in range(_ROUNDS):
        place = _place(loops, kind, scales, place)
        gain, _ = _highest(loops, kind, scales, place)
        highest = _sure(loops, _changes(loops, kind, scales, place, gain)) if gain > 0.0 else 0.0
        if highest >= 0.95 * gain:
            break
        loops.learn(_changes(loops, kind, scales, place, gain))
    changes = _changes(loops, kind, scales, place, highest or 0.01 * loops.natural_frequency)
    tight = min(loops.constraints(changes), key=lambda one: one.slack)
    gains = {name: changes[f"controller.{name}"] for name in scales}
    return LoopStage(kind, gains, highest, comparison(tight))


def over_scales(loops: Loops, stage: LoopStage) -> tuple[float, ...]:
    """Return the gains of a stage over their scales, so that they mean something for others."""
    scales = loops.scales(stage.kind)
    return tuple(stage.gains[name] / scales[name] for name in scales)


def _changes(
    loops: Loops, kind: str, scales: dict[str, float], place: Array, gain: float
) -> dict[str, Any]:
    """Return changes of the file for logarithms of gains over their scales."""
    found: dict[str, Any] = {"controller.stabilising_feedback": kind}
    for (name, scale), share in zip(scales.items(), place, strict=True):
        value = scale * math.exp(share)
        found[f"controller.{name}"] = loops.below_nyquist(value) if "freq" in name else value
    return {
        **found,
        **overlap_changes(loops.axis),
        "controller.velocity_gain": gain,
        "controller.integral_gain": 0.0,
    }


def overlap_changes(axis: Axis) -> dict[str, float]:
    """Return the compensation of the overlap with which margins are taken.

    A gentle one: where the command jumps over the overlap the loop has the steepest slope, and
    that would limit the velocity gain.
    """
    v = axis.file.valve
    overlap = max(v.overlap_pa, v.overlap_bt, v.overlap_pb, v.overlap_at)
    if overlap <= 0.0:
        return {}
    return {
        "controller.overlap_compensation": _COMPENSATED,
        "controller.overlap_smoothing": max(_SMOOTH * overlap, 0.002),
    }


def _place(loops: Loops, kind: str, scales: dict[str, float], begin: Array) -> Array:
    """Return logarithms of the best gains over their scales."""
    if not scales:
        return np.zeros(0)

    def cost(place: Array) -> float:
        return _cost(loops, kind, scales, np.asarray(place, dtype=float))

    if not len(begin):
        grids = [np.log(_FEEDBACK if "feedback" in name else _CORNER[name]) for name in scales]
        mesh = np.stack([one.ravel() for one in np.meshgrid(*grids, indexing="ij")], axis=1)
        begin = mesh[int(np.argmin([cost(row) for row in mesh]))]
    simplex = np.vstack([begin, begin + _STEP * np.diag(np.where(begin > 0.0, -1.0, 1.0))])
    ended = fmin(cost, begin, maxfun=_DOWNHILL, initial_simplex=simplex, xtol=0.03, ftol=0.01,
                 disp=False)  # fmt: skip
    return _within(ended)


def _cost(loops: Loops, kind: str, scales: dict[str, float], place: Array) -> float:
    """Return the less, the higher the velocity gain that has the margins."""
    inside = _within(place)
    away = float(np.abs(place - inside).sum())
    try:
        gain, lacks = _highest(loops, kind, scales, inside)
    except ParameterError:
        return 3.0 * _NONE
    if gain <= 0.0:
        return _NONE + min(max(lacks, 0.0), _NONE) + away
    fee = _FEE * max(float(place[0]), 0.0) + away
    return fee - math.log(gain / loops.natural_frequency)


def _within(place: Array) -> Array:
    """Return logarithms of gains over their scales within the range that is of use."""
    low = np.log([_LEAST_FEEDBACK, _LEAST_CORNER][: len(place)])
    high = np.log([_MOST_FEEDBACK, _MOST_CORNER][: len(place)])
    return np.asarray(np.clip(place, low, high))


def _highest(
    loops: Loops, kind: str, scales: dict[str, float], place: Array
) -> tuple[float, float]:
    """Return the highest velocity gain with the margins in the tightest points, zero if none.

    Returns
    -------
    gain : float
        The gain [1/s].
    lacks : float
        The least that is missing of the margins with any gain, as a share of the limits.
    """
    omega, quick = loops.natural_frequency, loops.quick(kind)
    gains = loops.gains(_changes(loops, kind, scales, place, omega))
    lacks = loops.shares(*quick.along(gains, _GAINS)) + _ROOM
    kept = np.flatnonzero(lacks <= 0.0)
    for k in kept[::-1][:_STEPS_DOWN]:
        gain = omega * float(_GAINS[k])
        if quick.stable({**gains, "velocity_gain": gain}):
            if k + 1 < len(_GAINS) and np.isfinite(lacks[k + 1]) and lacks[k] < 0.0:
                share = lacks[k] / (lacks[k] - lacks[k + 1])
                gain *= float(_GAINS[k + 1] / _GAINS[k]) ** float(share)
            return gain, float(lacks[k])
    least = float(np.min(lacks))
    return 0.0, least if len(kept) == 0 else 1.0


def _sure(loops: Loops, changes: dict[str, Any]) -> float:
    """Return the highest velocity gain with enough margin in all points, sought downwards."""
    top = float(changes["controller.velocity_gain"])
    for share in (1.0, 0.96, 0.9, 0.8, 0.65, 0.5):
        tried = {**changes, "controller.velocity_gain": share * top}
        if loops.lacking(loops.all, tried) <= 0.0:
            return share * top
    return 0.0
