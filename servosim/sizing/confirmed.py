"""The files of those that keep everything, moved once more as they would be written.

Trials move short stretches and whole moves with the controller's numbers held; here the file's own
move is run with each corner of its envelope written into the file, as ``servosim move --set`` does
it, and judged by the figures that ``servosim move`` tells.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from servosim.axis import Axis
from servosim.ensemble import ensemble
from servosim.linear.points import CORNER_KEYS
from servosim.result import Status
from servosim.sizing.findings import Tried
from servosim.sizing.requirement import RequirementFile
from servosim.tuning.cases import corner_words, sound_corners
from servosim.tuning.result import Constraint, Spread

_OWN = "the file as written"


def confirmed(
    requirement: RequirementFile,
    tried: Sequence[Tried],
    *,
    workers: int,
    progress: Callable[[int, int], Any] | None = None,
) -> tuple[list[Tried], int]:
    """Return combinations with what their own files show, the worse of it and what trials told.

    Parameters
    ----------
    requirement : RequirementFile
        What must be kept.
    tried : sequence of Tried
        Combinations with their gains.
    workers : int
        Threads [-].
    progress : callable, optional
        Told how many moves are done, of how many.

    Returns
    -------
    tried : list of Tried
        In the same order; a goal that the file's own moves miss is missed.
    moves : int
        Moves that were simulated.
    """
    axes: list[Axis] = []
    words: list[list[str]] = []
    for one in tried:
        corners, _ = sound_corners(one.axis)
        axes.append(one.axis)
        axes += [
            one.axis.replace({CORNER_KEYS[key]: value for key, value in corner.items()})
            for corner in corners
        ]
        words.append([_OWN, *(f"{_OWN}, with {corner_words(corner)}" for corner in corners)])
    if not axes:
        return [], 0
    found = ensemble(axes, workers=workers, progress=progress)
    told, first = [], 0
    for one, names in zip(tried, words, strict=True):
        rows = slice(first, first + len(names))
        first += len(names)
        figures = {name: values[rows] for name, values in found.metrics.items()}
        sound = found.status[rows] == int(Status.COMPLETE)
        told.append(_worse(one, _judged(requirement, one.axis, figures, sound, names), figures,
                           names))  # fmt: skip
    return told, len(axes)


def _limits(requirement: RequirementFile, axis: Axis) -> dict[str, tuple[str, float, str, str]]:
    """Return the limit of each figure: what it is, the limit, SI unit and unit for people."""
    a, m, f = requirement.accuracy, requirement.margins, axis.file
    limits = {
        "settling_time": ("time to settle", a.settling_time, "s", "s"),
        "overshoot": ("overshoot of the table", a.overshoot, "m", "um"),
        "resting_error": ("error at rest", a.resting_error, "m", "um"),
        "pressure_max": ("highest pressure in a chamber", m.chamber_pressure, "Pa", "bar"),
        "cavitation_time": ("time with cavitation", 0.0, "s", "s"),
    }
    if f.lock.kind != "none" or f.lock.brake != "none":
        locked = max(a.half_width, a.resting_error)
        limits["resting_error_locked"] = ("error of the locked table", locked, "m", "um")
        limits["hold_drift"] = ("drift of the held table", a.drift, "m", "um")
    if f.thrust.mode != "none" and (f.thrust.along != 0.0 or f.thrust.normal != 0.0):
        limits["thrust_deflection_peak"] = (
            "deflection of the table under thrust", a.deflection, "m", "um",
        )  # fmt: skip
    return limits


def _judged(
    requirement: RequirementFile,
    axis: Axis,
    figures: dict[str, np.ndarray[Any, Any]],
    sound: np.ndarray[Any, Any],
    names: Sequence[str],
) -> list[Constraint]:
    """Return how the moves stand to the limits; a figure that a move doesn't hold is missed."""
    found = []
    for name, (label, limit, unit, shown) in _limits(requirement, axis).items():
        size = np.where(sound, np.abs(figures[name]), np.nan)
        lacking = np.isnan(size)
        if lacking.any():
            where = names[int(np.argmax(lacking))]
            found.append(Constraint(name, label, math.nan, limit, unit, shown, True, -1.0, where))
            continue
        k = int(np.argmax(size))
        value = float(size[k])
        slack = (limit - value) / limit if limit > 0.0 else (0.0 if value <= limit else -1.0)
        found.append(Constraint(name, label, value, limit, unit, shown, True, slack, names[k]))
    return found


def _worse(
    one: Tried,
    judged: Sequence[Constraint],
    figures: dict[str, np.ndarray[Any, Any]],
    names: Sequence[str],
) -> Tried:
    """Return a combination with the worse of what was known and what its file shows."""
    goals = {goal.name: goal for goal in one.goals}
    simulated = dict(one.simulated)
    for goal in judged:
        if goal.name not in goals or not goal.slack >= goals[goal.name].slack:
            goals[goal.name] = goal
            known = simulated.get(goal.name)
            median = known.median if known is not None else _median(figures[goal.name])
            simulated[goal.name] = Spread(goal.value, median, goal.unit, goal.shown_unit,
                                          goal.where)  # fmt: skip
    return dataclasses.replace(one, goals=tuple(goals.values()), simulated=simulated)


def _median(values: np.ndarray[Any, Any]) -> float:
    held = values[~np.isnan(values)]
    return float(np.median(held)) if len(held) else math.nan
