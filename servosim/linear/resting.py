"""The band of the error at rest: what it is made of, and what moves of the simulation leave.

The prediction adds the shares of :mod:`servosim.linear._resting_shares`, in the worst case and as
the root of their squares. The simulation moves the axis to several positions from both sides with
different noise, its lock open, and measures where it comes to rest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from servosim.axis import Axis
from servosim.ensemble import ensemble
from servosim.errors import ParameterError
from servosim.linear._resting_shares import Band, Share, resting_shares
from servosim.linear.comparison import softest
from servosim.program import TIMED
from servosim.result import Status

__all__ = ["Band", "Resting", "Scatter", "Share", "resting_band"]

Array = NDArray[np.float64]

_MEAN = 0.05  # s over which the position at rest is taken
_SETTLES = 18.0  # time constants 1/K_v after the end of the reference
_INTEGRATES = 12.0  # times K_v/K_i besides
_LONGEST = 20.0  # s
_TRAVEL = 0.05  # m of a move, or a tenth of the stroke
_SPREAD = (0.2, 0.5, 0.8)  # further positions, shares of the stroke
_UNEVEN = 0.381966  # of a period of the scale, so that targets don't share their place in it
_FLOOR = 1e-8  # m, below which nothing is told apart
_STILL = 0.1  # of the band by which the last means of a run may differ


@dataclass(frozen=True)
class Scatter:
    """Where the simulation came to rest.

    Attributes
    ----------
    positions : ndarray, shape (n,)
        Targets [m].
    errors : ndarray, shape (n, 2, n_seed)
        Target less table position [m], approached in extension and in retraction; nan where a run
        didn't reach its end.
    low, high : float
        Smallest and largest of them, less the offset of the scale at their own position [m].
    reversal : float
        Mean in extension less mean in retraction [m].
    still : bool
        Whether every table had come to rest.
    """

    positions: Array
    errors: Array
    low: float
    high: float
    reversal: float
    still: bool


@dataclass(frozen=True)
class Resting:
    """Band of the error at rest, predicted and simulated.

    Attributes
    ----------
    axis : Axis
        The axis.
    position : float
        Position of the table [m].
    shares : tuple of Share
        What the error is made of.
    offset : float
        Sum of what is the same each time [m].
    worst_case, root_sum_square : float
        Half width by the sum of the shares, and by the root of their squares [m].
    low, high : float
        Ends of the band in the worst case, target less table position [m].
    scatter : Scatter or None
        What the simulation gave.
    inside : float
        Share of the simulated errors that lie in the band of their position [-], nan without.
    verdict : str
        Whether the two agree.
    notes : tuple of str
        What a reader must know.
    """

    axis: Axis
    position: float
    shares: tuple[Share, ...]
    offset: float
    worst_case: float
    root_sum_square: float
    low: float
    high: float
    scatter: Scatter | None
    inside: float
    verdict: str
    notes: tuple[str, ...]


def resting_band(
    axis: Axis,
    position: float | None = None,
    *,
    seeds: int = 4,
    workers: int = 1,
    simulated: bool = True,
) -> Resting:
    """Return the band of the error at rest.

    Parameters
    ----------
    axis : Axis
        The axis; its lock is left open.
    position : float, optional
        Position of the table [m]; where the oil is softest if not given. The simulation takes it
        and three others.
    seeds : int, optional
        Runs for each position and direction, which differ in their noise [-].
    workers : int, optional
        Threads that share the runs; the results don't depend on them.
    simulated : bool, optional
        Whether the moves are simulated.

    Returns
    -------
    Resting
        Shares, sums, scatter and verdict.

    Raises
    ------
    ParameterError
        If the position lies outside the stroke, seeds are fewer than one, or nothing holds the
        axis at rest.
    """
    stroke = axis.file.cylinder.stroke
    x = softest(axis) if position is None else position
    if not 0.0 <= x <= stroke:
        raise ParameterError(
            f"position {x:g} m lies outside the stroke of {stroke:g} m; choose one inside"
        )
    if seeds < 1:
        raise ParameterError(f"seeds {seeds}: expected one run at least for each position")
    band = resting_shares(axis, x)
    scatter, inside = None, math.nan
    verdict = "not simulated"
    if simulated:
        scatter, inside = _scatter(axis, x, seeds, workers)
        verdict = _verdict(band, scatter, inside)
    return Resting(
        axis=axis,
        position=x,
        shares=band.shares,
        offset=band.offset,
        worst_case=band.worst_case,
        root_sum_square=band.root_sum_square,
        low=band.low,
        high=band.high,
        scatter=scatter,
        inside=inside,
        verdict=verdict,
        notes=_notes(axis),
    )


def _targets(axis: Axis, position: float) -> Array:
    """Return positions over the stroke, each at another place within the period of the scale."""
    stroke, t = axis.file.cylinder.stroke, axis.file.transducer
    travel = _travel(axis)
    places = np.clip([position, *(s * stroke for s in _SPREAD)], travel, stroke - travel)
    period = t.cyclic_period if t.cyclic_error > 0.0 else t.resolution
    return np.asarray(places + np.arange(len(places)) * _UNEVEN * period)


def _travel(axis: Axis) -> float:
    return min(_TRAVEL, 0.1 * axis.file.cylinder.stroke)


def _scatter(axis: Axis, position: float, seeds: int, workers: int) -> tuple[Scatter, float]:
    """Return where simulated moves come to rest, and the share inside the band."""
    free = axis.replace({"lock.kind": "none", "lock.brake": "none", "thrust.mode": "none"})
    targets, travel = _targets(axis, position), _travel(axis)
    c = axis.parameters.controller
    rest = _SETTLES / c.K_v + (_INTEGRATES * c.K_v / c.K_i if c.K_i > 0.0 else 0.0)
    moves = []
    for target in targets.tolist():
        for start in (target - travel, target + travel):
            move = free.plan(start=start, target=target)
            way = move.profile.t_end if move.kind == TIMED else _approach(free, travel)
            length = min(way + rest, _LONGEST)
            moves += [move._replace(duration=length)] * seeds
    found = ensemble(
        [free] * len(moves),
        moves=moves,
        seeds=list(range(len(moves))),
        traces=("table_position",),
        workers=workers,
    )
    kept = max(int(_MEAN / c.period), 1)
    ends = np.full(len(moves), np.nan)
    drift = np.zeros(len(moves))
    for k, (row, move) in enumerate(zip(found.traces["table_position"], moves, strict=True)):
        if found.status[k] == Status.COMPLETE:
            x = row[np.isfinite(row)]
            ends[k] = move.target - np.mean(x[-kept:])
            drift[k] = np.mean(x[-kept:]) - np.mean(x[-3 * kept : -2 * kept])
    errors = ends.reshape(len(targets), 2, seeds)
    bands = [resting_shares(axis, x) for x in targets.tolist()]
    scale = np.array([sum(s.value for s in b.shares if s.name == "scale") for b in bands])
    low = np.array([b.low for b in bands])[:, None, None]
    high = np.array([b.high for b in bands])[:, None, None]
    width = float(np.max(high - low))
    inside = float(np.mean((errors >= low - _FLOOR) & (errors <= high + _FLOOR)))
    plain = errors - scale[:, None, None]
    scatter = Scatter(
        positions=targets,
        errors=errors,
        low=float(np.nanmin(plain)),
        high=float(np.nanmax(plain)),
        reversal=float(np.nanmean(errors[:, 0]) - np.nanmean(errors[:, 1])),
        still=bool(np.all(np.abs(drift) <= max(_STILL * width, _FLOOR))),
    )
    return scatter, inside


def _approach(axis: Axis, distance: float) -> float:
    """Return a time within which a reference over the distance has run in, generously [s]."""
    r, K_v = axis.file.reference, axis.parameters.controller.K_v
    way = distance / r.velocity + 2.0 * r.velocity / max(r.acceleration, 1e-9) + 8.0 / K_v
    if r.kind == "staged":
        way += r.creep_distance / r.creep_velocity
    return float(way)


def _verdict(band: Band, scatter: Scatter, inside: float) -> str:
    """Return in words how simulated scatter and predicted band compare."""
    low, high = 1e6 * scatter.low, 1e6 * scatter.high
    scale = sum(s.value for s in band.shares if s.name == "scale")
    wanted = f"{1e6 * (band.low - scale):.3g} to {1e6 * (band.high - scale):.3g} um"
    seen = f"simulated moves rest {low:.3g} to {high:.3g} um short of the target"
    if np.any(np.isnan(scatter.errors)):
        return f"{seen}, some runs did not reach their end; the predicted band is {wanted}"
    if not scatter.still:
        return f"{seen} and still move: the axis creeps or swings; the predicted band is {wanted}"
    if inside == 1.0:
        width = band.high - band.low
        if width <= _FLOOR:
            return f"{seen}, where the prediction is {wanted}"
        part = 100.0 * (scatter.high - scatter.low) / width
        return f"{seen}, all within the predicted {wanted}; they use {part:.0f} % of it"
    return f"{seen}; {100.0 * (1.0 - inside):.0f} % of them lie outside the predicted {wanted}"


def _notes(axis: Axis) -> tuple[str, ...]:
    notes = []
    c, lock = axis.parameters.controller, axis.file.lock.kind
    if lock != "none":
        notes.append("the lock is left open: closing it shifts the table besides")
    if axis.file.table.friction == "stribeck":
        notes.append("friction without memory can't hold a table: it has no share at rest")
    if c.K_i > 0.0:
        notes.append(
            "the integral takes bias, plays, friction and load down to its dead zone, if it is "
            "given the time and doesn't hunt"
        )
    return tuple(notes)
