"""Lines for the plots of a sizing, of the combination that is shown and of all that were moved."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TypeVar

import numpy as np

from servosim.sizing.actuators import natural_frequency_along
from servosim.sizing.combinations import Combinations
from servosim.sizing.curves import AlongStroke, Curves, Locus, SettlingPoints, SupplyCycle
from servosim.sizing.findings import Column, Tried
from servosim.sizing.requirement import RequirementFile
from servosim.sizing.screening import Worked
from servosim.sizing.supply_cycle import supply_over_cycle
from servosim.sizing.valves import flow_pressure_curve

_POINTS = 121
_DROP = 7e6  # Pa, at which rated flows of different valves are compared

_Line = TypeVar("_Line")


def curves_of(
    requirement: RequirementFile,
    c: Combinations,
    found: Worked,
    settling: SettlingPoints | None,
) -> tuple[Curves, tuple[str, ...]]:
    """Return the lines of one combination.

    Parameters
    ----------
    requirement : RequirementFile
        What is asked for.
    c : Combinations
        The one combination.
    found : Worked
        Its algebra.
    settling : SettlingPoints or None
        Of all combinations that were moved.

    Returns
    -------
    curves : Curves
        Those that could be had.
    notes : tuple of str
        Which could not.
    """
    notes: list[str] = []

    def had(words: str, made: Callable[[], _Line]) -> _Line | None:
        try:
            with np.errstate(all="ignore"):
                return made()
        except (ValueError, ArithmeticError) as error:
            notes.append(f"no curve of the {words}: {error}")
            return None

    curves = Curves(
        had("load against the valve", lambda: _locus(requirement, found)),
        had("natural frequency", lambda: _along(requirement, c, found)),
        had("supply over the cycle", lambda: _supply(requirement, c, found)),
        settling,
    )
    return curves, tuple(notes)


def _locus(requirement: RequirementFile, found: Worked) -> Locus:
    """Return the load of the cycle against the valve's curve."""
    actuators, valves, duty = found.actuators, found.valves, found.duty
    out, back = float(actuators.stall_out[0]), float(actuators.stall_in[0])
    high, low = abs(out), -abs(back)
    force = np.linspace(low, high, _POINTS)
    used = requirement.margins.highest_opening
    full_out, full_in = flow_pressure_curve(requirement, actuators, valves, 0, force)
    used_out, used_in = flow_pressure_curve(requirement, actuators, valves, 0, force, used)
    return Locus(
        words=duty.words,
        velocity=duty.velocity,
        force=actuators.force[0],
        opening=valves.opening[0],
        curve_force=force,
        full_out=np.abs(full_out),
        full_in=-np.abs(full_in),
        used_out=np.abs(used_out),
        used_in=-np.abs(used_in),
        used_opening=used,
        stall_out=high,
        stall_in=low,
    )


def _along(requirement: RequirementFile, c: Combinations, found: Worked) -> AlongStroke:
    """Return the natural frequency along the travel of the table."""
    begin = requirement.travel_begins
    position = np.linspace(begin, begin + requirement.work.stroke, _POINTS)
    frequency = natural_frequency_along(requirement, found.duty, c, found.actuators, position)[0]
    needed = requirement.margins.axis_to_motion_frequency * found.duty.motion_frequency
    return AlongStroke(
        position,
        frequency,
        float(needed),
        float(found.actuators.natural_frequency[0]),
        float(found.actuators.natural_position[0]),
    )


def _supply(requirement: RequirementFile, c: Combinations, found: Worked) -> SupplyCycle:
    """Return flow and pressure over a cycle."""
    power = found.power
    time, flow, pressure = supply_over_cycle(
        requirement, found.duty, found.actuators, found.valves, power, c, 0
    )
    nominal = float(c.pressure[0])
    return SupplyCycle(
        time,
        flow,
        pressure,
        float(power.mean_flow[0]),
        float(power.pump_flow[0]),
        nominal,
        nominal * (1.0 - requirement.power_unit.sag),
    )


def settling_points(
    requirement: RequirementFile,
    c: Combinations,
    columns: Mapping[str, Column],
    tried: Sequence[Tried],
) -> SettlingPoints | None:
    """Return settling time and power of everything that was moved, over its parts.

    Parameters
    ----------
    requirement : RequirementFile
        What is asked for.
    c : Combinations
        All combinations.
    columns : mapping of str to Column
        Their figures.
    tried : sequence of Tried
        Those that were moved.

    Returns
    -------
    SettlingPoints or None
        None if nothing was moved.
    """
    if not tried:
        return None
    rows = np.array([one.candidate.number for one in tried])
    valves = [requirement.valve[k] for k in c.valve[rows]]
    times = [
        one.simulated["settling_time"].worst if "settling_time" in one.simulated else np.nan
        for one in tried
    ]
    return SettlingPoints(
        number=rows,
        words=tuple(one.candidate.words for one in tried),
        area=columns["area_a"].values[rows],
        bore=np.where(c.bore[rows] > 0.0, c.bore[rows], np.nan),
        rated_flow=np.array(
            [one.rated_flow * np.sqrt(_DROP / one.rated_pressure_drop) for one in valves]
        ),
        pressure=c.pressure[rows],
        settling_time=np.array(times, dtype=float),
        predicted=columns["predicted_settling_time"].values[rows],
        motor_power=columns["motor_power"].values[rows],
        kept=np.array([one.feasible for one in tried]),
        allowed=requirement.accuracy.settling_time,
    )
