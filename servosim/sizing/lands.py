"""Figures of the valves at hand, solved once for each of them with the lands of the simulation.

Null leakage and pressure gain follow from the land equation that a move is simulated with
(:mod:`servosim.components.valve_rating`), in the oil in which they are worst.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from servosim.components.oil import Oil
from servosim.components.valve_rating import null_leakage, null_pressure_gain, rate_valve
from servosim.sizing.at_hand import ValveAtHand, ValveData, valve_of
from servosim.sizing.combinations import Array, Numbers
from servosim.sizing.requirement import RequirementFile

_FIGURES = (
    "rated_flow",
    "rated_pressure_drop",
    "overlap",
    "area_ratio",
    "natural_frequency",
    "damping_ratio",
    "stroke_time",
    "threshold",
    "hysteresis",
    "port_diameter",
    "highest_pressure",
)


@dataclass(frozen=True)
class ValveFigures:
    """Figures of the valve of each combination, shape (n,), SI units as in the requirement.

    Attributes
    ----------
    rated_flow, rated_pressure_drop, overlap, area_ratio : ndarray
        Rating [m3/s, Pa], overlap and area ratio [-].
    natural_frequency, damping_ratio, stroke_time : ndarray
        Motion of the spool [rad/s, -, s].
    threshold, hysteresis : ndarray
        Over the full command [-].
    port_diameter, highest_pressure : ndarray
        [m, Pa].
    """

    rated_flow: Array
    rated_pressure_drop: Array
    overlap: Array
    area_ratio: Array
    natural_frequency: Array
    damping_ratio: Array
    stroke_time: Array
    threshold: Array
    hysteresis: Array
    port_diameter: Array
    highest_pressure: Array


def figures_of(requirement: RequirementFile, valve: Numbers) -> ValveFigures:
    """Return the figures of the valve of each combination.

    Parameters
    ----------
    requirement : RequirementFile
        Has the valves at hand.
    valve : ndarray of int, shape (n,)
        Which of them each combination has.

    Returns
    -------
    ValveFigures
        Arrays of shape (n,).
    """
    columns = {
        name: np.array([float(getattr(one, name)) for one in requirement.valve])
        for name in _FIGURES
    }
    return ValveFigures(**{name: column[valve] for name, column in columns.items()})


def null_figures(
    requirement: RequirementFile, valve: Numbers, pressure: Array
) -> tuple[Array, Array, Array]:
    """Return leakage of the lands and of the pilot at null, and the pressure gain.

    Parameters
    ----------
    requirement : RequirementFile
        Has the valves at hand and the range of temperatures.
    valve : ndarray of int, shape (n,)
        Valve of each combination.
    pressure : ndarray, shape (n,)
        Supply less return pressure [Pa].

    Returns
    -------
    lands, pilot, gain : ndarray, shape (n,)
        Leakage in the hottest oil [m3/s], and load pressure over command in that oil, in which it
        is least [Pa]; nan where the stated leakage does not go with the rating.
    """
    oil = requirement.oil.model_copy(update={"temperature": requirement.conditions.temperature[1]})
    pairs, place = np.unique(np.stack([valve.astype(float), pressure]), axis=1, return_inverse=True)
    found = np.empty((3, pairs.shape[1]))
    for column, (number, p_S) in enumerate(pairs.T):
        found[:, column] = _null(requirement.valve[int(number)], requirement.valves, oil, p_S)
    lands, pilot, gain = found[:, place.reshape(-1)]
    return lands, pilot, gain


@lru_cache(maxsize=4096)
def _null(one: ValveAtHand, common: ValveData, oil: Oil, p_S: float) -> tuple[float, float, float]:
    numbers: Any = rate_valve(valve_of(one, common), oil)
    if numbers.c < 0.0:
        return np.nan, np.nan, np.nan
    pilot = numbers.K_pilot * np.sqrt(p_S)
    return null_leakage(p_S, numbers), pilot, null_pressure_gain(p_S, numbers)
