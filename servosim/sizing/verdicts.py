"""What moves and margins say about a candidate: figures and goals, each with its worst case."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from servosim.axis import Axis
from servosim.sizing.goals import Goals
from servosim.tuning.bench import Outcomes
from servosim.tuning.demands import Demands
from servosim.tuning.judged_figures import JUDGED
from servosim.tuning.result import Constraint, Spread

Array = NDArray[np.float64]

_HELD = ("resting_error_locked", "lock_time", "lock_shift", "hold_drift", "thrust_deflection",
         "thrust_deflection_peak")  # fmt: skip
_WHOLE = ("settling_time", "overshoot")  # a move that doesn't hold them is worse than any other


@dataclass(frozen=True)
class Group:
    """Moves of one kind of one candidate.

    Attributes
    ----------
    outcomes : Outcomes
        Of one candidate.
    delays : ndarray, shape (n_case,)
        What the time to settle of the whole move is longer [s].
    whole : bool
        Whether they are whole moves, with lock, thrust and hold, not the last stretch alone.
    """

    outcomes: Outcomes
    delays: Array
    whole: bool

    def values(self, name: str) -> Array:
        """Return a figure, shape (n_case, n_seed) [SI], nan where a move doesn't hold it."""
        found = self.outcomes.figures[name][0]
        if name == "settling_time":
            found = found + self.delays[:, None]
        return np.abs(found) if JUDGED[name][1] else found


def figures_of(groups: Sequence[Group]) -> dict[str, Spread]:
    """Return every figure with its worst case.

    Parameters
    ----------
    groups : sequence of Group
        Moves of one candidate.

    Returns
    -------
    dict of str to Spread
        By name; a time to settle or an overshoot that a move doesn't hold is nan.
    """
    return {name: _spread(name, groups) for name in JUDGED}


def _spread(name: str, groups: Sequence[Group]) -> Spread:
    largest, _, unit, shown = JUDGED[name]
    told = [one for one in groups if one.whole or name not in _HELD]
    if name == "pressure_min" and any(not one.whole for one in told):
        told = [one for one in told if not one.whole]  # in motion: what is locked may lose pressure
    best, where, each = math.nan, "", []
    for group in told:
        values = group.values(name)
        each.append(values[~np.isnan(values)])
        if name in _WHOLE:
            lost = np.isnan(values) | group.outcomes.broken[0]
            rows = np.flatnonzero(lost.any(axis=1))
            if len(rows):
                median = float(np.median(np.concatenate(each))) if len(each[-1]) else math.nan
                words = group.outcomes.cases[int(rows[0])].words
                return Spread(math.nan, median, unit, shown, words)
        if np.all(np.isnan(values)):
            continue
        filled = np.where(np.isnan(values), -np.inf if largest else np.inf, values)
        worst = filled.max(axis=1) if largest else filled.min(axis=1)
        k = int(np.argmax(worst) if largest else np.argmin(worst))
        if math.isnan(best) or (worst[k] > best if largest else worst[k] < best):
            best, where = float(worst[k]), group.outcomes.cases[k].words
    known = np.concatenate(each) if each else np.zeros(0)
    median = float(np.median(known)) if len(known) else math.nan
    return Spread(best, median, unit, shown, where)


def constraints_of(
    axis: Axis,
    goals: Goals,
    demands: Demands,
    groups: Sequence[Group],
    figures: Mapping[str, Spread],
) -> tuple[Constraint, ...]:
    """Return how a candidate stands to what its moves must keep to.

    Parameters
    ----------
    axis : Axis
        The axis with its gains.
    goals : Goals
        What is asked for.
    demands : Demands
        The same as demands on tuning; the limit of swings at rest is taken from them.
    groups : sequence of Group
        Its moves.
    figures : mapping of str to Spread
        Figures of these moves.

    Returns
    -------
    tuple of Constraint
        In a fixed order.
    """
    f = axis.file
    whole = [one for one in groups if one.whole]
    held = bool(whole) and (f.lock.kind != "none" or f.lock.brake != "none")
    found = [_share("settled", "share of the moves that settle, in the worst case", groups)]
    limits: list[tuple[str, str, float]] = [
        ("settling_time", "time to settle", goals.settling_time),
        ("overshoot", "overshoot of the table", goals.overshoot),
        ("resting_error", "error at rest", goals.resting_error),
        ("limit_cycle_amplitude", "swing of the table at rest", float(demands.limit_cycle or 0.0)),
    ]
    if held:
        found.append(_share("locked", "share of the moves after which the lock closes, in the "
                            "worst case", whole))  # fmt: skip
        limits += [
            (
                "resting_error_locked",
                "error of the locked table",
                max(goals.half_width, goals.resting_error),
            ),
            ("hold_drift", "drift of the held table", goals.drift),
        ]
    if whole and f.thrust.mode != "none" and (f.thrust.along != 0.0 or f.thrust.normal != 0.0):
        limits.append(("thrust_deflection_peak", "deflection of the table under thrust",
                       goals.deflection))  # fmt: skip
    limits += [
        ("pressure_max", "highest pressure in a chamber", goals.chamber_pressure),
        ("cavitation_time", "time with cavitation", 0.0),
    ]
    found += [_limit(name, label, figures[name], limit, True) for name, label, limit in limits]
    found.append(_limit("pressure_min", "lowest pressure in a chamber in motion",
                        figures["pressure_min"], goals.lowest_pressure, False))  # fmt: skip
    return tuple(found)


def _share(name: str, label: str, groups: Sequence[Group]) -> Constraint:
    """Return the demand that every move settles, or that the lock closes after it."""
    worst, where = 1.0, ""
    for group in groups:
        figures, broken = group.outcomes.figures, group.outcomes.broken[0]
        if name == "settled":
            reached = np.nan_to_num(figures["settled"][0]) > 0.5
        else:
            reached = ~np.isnan(figures["lock_time"][0])
        shares = np.where(broken, False, reached).mean(axis=1)
        k = int(np.argmin(shares))
        if shares[k] < worst:
            worst, where = float(shares[k]), group.outcomes.cases[k].words
    return Constraint(name, label, worst, 1.0, "1", "%", False, worst - 1.0, where)


def _limit(name: str, label: str, spread: Spread, limit: float, upper: bool) -> Constraint:
    """Return the demand that a figure keeps to a limit."""
    value = spread.worst
    if math.isnan(value):
        # a figure that no move holds can't be judged; those that matter show as not settled
        slack = 0.0 if not spread.where else -1.0
    elif limit > 0.0:
        slack = (limit - value if upper else value - limit) / limit
    else:
        slack = 0.0 if (value <= limit if upper else value >= limit) else -1.0
    return Constraint(name, label, value, limit, spread.unit, spread.shown_unit, upper, slack,
                      spread.where)  # fmt: skip


def margin_figures(constraints: Sequence[Constraint]) -> dict[str, Spread]:
    """Return margins as figures, so that all figures are told alike."""
    return {
        one.name: Spread(one.value, math.nan, one.unit, one.shown_unit, one.where)
        for one in constraints
    }
