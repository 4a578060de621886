"""Rules on the valve: enough flow, not too much of it, quick enough, tight, no cavitation.

Sources. *A technical look* is "Electrohydraulic valves, a technical look", application pages of a
catalogue of servo-valves; *training notes* are "Sizing of electro-hydraulic drive systems" v3.6.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from servosim.sizing import resolution as null
from servosim.sizing.calculation import Calculation, formula
from servosim.sizing.combinations import Array, Check
from servosim.sizing.kinematics import ramp_time, smooth_ramp_time
from servosim.sizing.lands import ValveFigures
from servosim.sizing.requirement import RequirementFile

if TYPE_CHECKING:
    from servosim.sizing.actuators import Actuators
    from servosim.sizing.duty import Duty
    from servosim.sizing.valves import Valves

_PRACTICE = "common practice, no source"
_MOTION = (
    "reference.velocity",
    "reference.acceleration",
    "reference.deceleration",
    "conditions.workpiece_mass",
)
_SUPPLY = ("conditions.supply_variation", "power_unit.sag")


@formula(
    "q_r",
    "rated flow with reserve",
    "needed*(1 + reserve)",
    "m3/s",
    "reserve of 10 %: Electrohydraulic valves, a technical look, p. 4",
    needed=("rated flow that the cycle needs", "m3/s"),
    reserve=("reserve", "1"),
)
def with_reserve(needed: Array, reserve: Array) -> Array:
    """Return a flow with its reserve [m3/s]."""
    return needed * (1.0 + reserve)


@formula(
    "r",
    "frequency of the valve over that of the axis",
    "valve/axis",
    "1",
    "at least 3: Electrohydraulic valves, a technical look, p. 4",
    valve=("frequency at 90 degrees", "rad/s"),
    axis=("lowest natural frequency", "rad/s"),
)
def frequency_ratio(valve: Array, axis: Array) -> Array:
    """Return the ratio of the valve's frequency to the axis' [-]."""
    return valve / axis


@formula(
    "s_0",
    "null leakage over the mean flow of the cycle",
    "leakage/mean_flow",
    "1",
    "definition",
    leakage=("null leakage", "m3/s"),
    mean_flow=("mean flow that the motion draws", "m3/s"),
)
def leakage_share(leakage: Array, mean_flow: Array) -> Array:
    """Return the null leakage as a share of the mean flow [-]."""
    return leakage / mean_flow


def checks_of(
    requirement: RequirementFile,
    duty: Duty,
    actuators: Actuators,
    valves: Valves,
    v: ValveFigures,
    calc: Calculation,
) -> list[Check]:
    """Return the rules on the valve.

    Parameters
    ----------
    requirement : RequirementFile
        Sets the limits.
    duty : Duty
        Points of the cycle.
    actuators : Actuators
        Natural frequency.
    valves : Valves
        What the valve does.
    v : ValveFigures
        Figures of its data sheet.
    calc : Calculation
        Keeps the steps.

    Returns
    -------
    list of Check
        One per rule.
    """
    margins, n = requirement.margins, len(v.rated_flow)

    def rule(
        name: str, words: str, key: str, value: Any, limit: Any, units: tuple[str, str],
        upper: bool, source: str, *relaxes: str,
    ) -> Check:  # fmt: skip
        value, limit = (np.broadcast_to(np.asarray(one, dtype=float), n) for one in (value, limit))
        relaxes = tuple(dict.fromkeys((key, *relaxes)))
        return Check(name, words, key, value, limit, *units, upper, source, relaxes)

    with calc.section("Valve: rules"):
        wanted = calc.of(with_reserve, needed=valves.required_flow, reserve=margins.flow_reserve)
        ratio = calc.of(frequency_ratio, valve=valves.frequency, axis=actuators.natural_frequency)
        steps = calc.of(null.steps_in_window, half_width=requirement.accuracy.half_width,
                        step=valves.smallest_step)  # fmt: skip
        leak = calc.of(leakage_share, leakage=valves.null_leakage, mean_flow=valves.mean_flow)
        opening_time = calc.of(null.opening_time, command=valves.rapid_opening,
                               stroke_time=v.stroke_time)  # fmt: skip
        ramp = _quickest_ramp(requirement, duty, calc)
    plain, share, bar, flow = ("1", "1"), ("1", "%"), ("Pa", "bar"), ("m3/s", "L/min")
    return [
        rule("valve_flow", "The valve's rated flow covers what the cycle needs, with reserve",
             "margins.flow_reserve", v.rated_flow, wanted, flow, False,
             "Electrohydraulic valves, a technical look, p. 4", *_MOTION, *_SUPPLY),
        rule("valve_opening", "The command at rapid velocity stays below its limit",
             "margins.highest_opening", valves.rapid_opening, margins.highest_opening, share, True,
             _PRACTICE, *_MOTION, *_SUPPLY),
        rule("valve_frequency", "The spool lags 90 degrees only far above the axis' frequency",
             "margins.valve_to_axis_frequency", ratio, margins.valve_to_axis_frequency, plain,
             False, "Electrohydraulic valves, a technical look, p. 4"),
        rule("spool_time", "The spool opens for rapid velocity within the shortest ramp",
             "reference.acceleration", opening_time, ramp, ("s", "ms"), True,
             "own rule: a slower spool cannot follow the reference", "reference.deceleration",
             "reference.velocity"),
        rule("valve_too_big", "The valve is not so big that its smallest step misses the window",
             "margins.smallest_step", steps, margins.smallest_step, plain, False,
             "own rule, from the repeatable error of Esposito, ex. 17-1", "accuracy.half_width"),
        rule("null_leakage", "The null leakage stays small against the mean flow of the cycle",
             "margins.null_leakage_share", leak, margins.null_leakage_share, share, True,
             _PRACTICE, "work.cycles_per_hour"),
        rule("port_velocity", "The oil in the valve's ports is slow enough",
             "margins.port_velocity", valves.port_velocity, margins.port_velocity, ("m/s", "m/s"),
             True, "30 m/s: Sizing of electro-hydraulic drive systems, training notes v3.6",
             "reference.velocity"),
        rule("cavitation", "No chamber's pressure falls too low in motion",
             "margins.lowest_pressure", valves.lowest_pressure, margins.lowest_pressure, bar, False,
             _PRACTICE, "reference.deceleration", "conditions.workpiece_mass", *_SUPPLY),
        rule("pressure_peak", "No chamber's pressure rises too high in motion",
             "margins.chamber_pressure", valves.highest_pressure, margins.chamber_pressure, bar,
             True, "rating of cylinder and hoses", "reference.deceleration",
             "conditions.workpiece_mass", "conditions.supply_variation"),
        rule("valve_pressure", "The valve stands the highest pressure at its ports",
             "conditions.supply_variation",
             np.fmax(valves.highest_pressure, valves.highest_supply), v.highest_pressure, bar, True,
             "rating of the valve", "reference.deceleration", "conditions.workpiece_mass"),
    ]  # fmt: skip


def _quickest_ramp(requirement: RequirementFile, duty: Duty, calc: Calculation) -> Array:
    """Return the shortest time between rest and rapid velocity that the reference states [s]."""
    r = requirement.reference
    peak = max(duty.peak_out, duty.peak_in)
    rates = [r.acceleration]
    if r.kind != "exponential":
        rates.append(r.deceleration)
    steepest = max(rates)
    if r.kind == "s_curve":
        ramp = calc.of(smooth_ramp_time, v_p=peak, a=steepest, j=r.jerk)
    else:
        ramp = calc.of(ramp_time, v_p=peak, a=steepest)
    return np.asarray(ramp, dtype=float)
