"""Rules that an actuator must keep, all combinations side by side.

The two-thirds rule of load pressure is none of them: it says where a given valve gives the most
power, and its figure stands beside the reserve of force. A position loop without lock or brake is
judged by moves, not here.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from servosim.sizing.calculation import Calculation
from servosim.sizing.combinations import SCREW, Array, Check, Combinations
from servosim.sizing.duty import Duty
from servosim.sizing.forces import holds_of, write_hold
from servosim.sizing.holding import allowed_sinking, brake_reserve
from servosim.sizing.loads import highest_supply
from servosim.sizing.requirement import RequirementFile
from servosim.sizing.springs import frequency_ratio

_PRACTICE = "common practice, no source"
_SLOWER = ("reference.velocity", "reference.acceleration", "reference.deceleration")
_LIGHTER = ("conditions.workpiece_mass", *_SLOWER)


def rules_of(
    requirement: RequirementFile, duty: Duty, c: Combinations, actuators: Any, calc: Calculation
) -> list[Check]:
    """Return the rules that the actuators must keep, in the order of their sums.

    Parameters
    ----------
    requirement : RequirementFile
        Limits.
    duty : Duty
        What the motion needs.
    c : Combinations
        Parts of each candidate.
    actuators : Actuators
        Their figures.
    calc : Calculation
        Keeps the steps.

    Returns
    -------
    list of Check
        Each of shape (n,).
    """
    n, a, accuracy, margins = len(c), actuators, requirement.accuracy, requirement.margins

    def one(name: str, words: str, key: str, value: Array, limit: ArrayLike, units: tuple[str, str],
            upper: bool, source: str, *relaxes: str) -> Check:  # fmt: skip
        allowed = np.broadcast_to(np.asarray(limit, dtype=float), (n,))
        return Check(name, words, key, value, allowed, *units, upper, source, relaxes)

    highest = highest_supply(p_S=c.pressure, e=requirement.conditions.supply_variation)
    with calc.section("Actuator: rules"):
        swinging = calc.of(frequency_ratio, omega_h=a.natural_frequency,
                           omega_m=duty.motion_frequency)  # fmt: skip
    metres, pascals = ("m", "um"), ("Pa", "bar")
    found = [
        one("service_line", "A line of the series carries the actuator's flow at its velocity",
            "lines.bores", np.where(np.isnan(a.service_bore), np.inf, a.service_bore),
            max(requirement.lines.bores), ("m", "mm"), True, _PRACTICE,
            "lines.pressure_velocity", "reference.velocity"),
        one("force_reserve", "The stall force has its reserve over the greatest force of the cycle",
            "margins.force_reserve", a.force_reserve, margins.force_reserve, ("1", "%"), False,
            "Electrohydraulic valves, a technical look, p. 4",
            "margins.force_reserve", *_LIGHTER, "conditions.supply_variation", "thrust.along"),
    ]  # fmt: skip
    if requirement.cylinders is not None:
        found += [
            one("buckling", "The rod doesn't buckle at the greatest push", "margins.buckling",
                a.buckling_safety, margins.buckling, ("1", "1"), False,
                "Euler; Johnson's parabola below the limiting slenderness, from memory",
                "margins.buckling", "cylinders.buckling_length", "conditions.supply_variation"),
            one("seal_velocity", "The piston isn't faster than its seals admit",
                "cylinders.seal_velocity",
                np.where(a.moving_volume > 0.0, max(duty.peak_out, duty.peak_in), 0.0),
                requirement.cylinders.seal_velocity, ("m/s", "mm/s"), True, _PRACTICE,
                "cylinders.seal_velocity", "reference.velocity"),
        ]  # fmt: skip
    if requirement.cylinder is not None:
        found.append(
            one("cylinder_stroke", "The existing cylinder has the travel of the table",
                "work.stroke", np.full(n, requirement.cylinder.stroke), requirement.work.stroke,
                ("m", "mm"), False, "definition", "work.stroke")
        )  # fmt: skip
    if requirement.screws is not None:
        reserve = _brake(requirement, duty, c, a, calc)
        found += [
            one("motor_speed", "The motor isn't faster than it admits", "screws.highest_speed",
                a.motor_speed, requirement.screws.highest_speed, ("rad/s", "rpm"), True, _PRACTICE,
                "screws.highest_speed", "reference.velocity"),
            one("brake", "A motor has a brake that holds gravity and thrust with the reserve",
                "screws.brake_force", reserve, margins.force_reserve,
                ("1", "%"), False, "own choice, the reserve of force",
                "screws.brake_force", "margins.force_reserve", "thrust.along",
                "conditions.workpiece_mass"),
        ]  # fmt: skip
    found += [
        one("natural_frequency", "Oil and mass swing fast enough for the motion",
            "margins.axis_to_motion_frequency", swinging,
            margins.axis_to_motion_frequency, ("1", "1"), False,
            "gain of a third of the natural frequency (Esposito, ex. 17-1) for the gain that the "
            "settling time needs; own choice for the change of velocity",
            "margins.axis_to_motion_frequency", "accuracy.settling_time", *_LIGHTER,
            "conditions.free_air", "conditions.temperature"),
        one("deflection", "The held table gives way less under thrust", "accuracy.deflection",
            _unless_loop(a.deflection), accuracy.deflection, metres, True, "definition",
            "accuracy.deflection", "thrust.along", "conditions.free_air",
            "conditions.temperature"),
        one("drift", "The held table drifts less over its hold", "accuracy.drift",
            _unless_loop(a.drift), accuracy.drift, metres, True, "definition", "accuracy.drift",
            "accuracy.hold_time", "lock.leakage"),
        one("pressure_intensification",
            "A blocked side stands the pressure that the other and the load put on it",
            "margins.chamber_pressure",
            np.maximum(np.maximum(a.intensified_a, a.intensified_b), highest),
            margins.chamber_pressure, pascals, True, "balance of forces",
            "margins.chamber_pressure", "conditions.supply_variation",
            "conditions.workpiece_mass"),
        _failure(requirement, duty, a, one, calc),
    ]  # fmt: skip
    return found


def _unless_loop(values: Array) -> Array:
    """Return the values, zero where the position loop holds and moves have to show it."""
    found: Array = np.where(np.isnan(values), 0.0, values)
    return found


def _brake(
    requirement: RequirementFile, duty: Duty, c: Combinations, a: Any, calc: Calculation
) -> Array:
    """Return the reserve of the brake of motors, infinite for cylinders and without a load."""
    held = np.abs(holds_of(requirement, duty, a))
    load = held.max(axis=1)
    found = np.full(len(c), np.inf)
    rows = (c.actuator == SCREW) & (load > 0.0)
    if requirement.cylinder is not None:  # without a brake its drift is judged
        rows &= a.brake_force > 0.0
    if rows.any():
        with calc.section("Actuator: rules"):
            write_hold(requirement, duty, a, int(held[0].argmax()), calc)
            found[rows] = calc.of(brake_reserve, F_B=a.brake_force[rows], F_h=load[rows])
    return found


def _failure(
    requirement: RequirementFile, duty: Duty, a: Any, one: Any, calc: Calculation
) -> Check:
    """Return the rule for the loss of power."""
    if requirement.conditions.power_failure == "may_sink":
        fastest = max(duty.peak_out, duty.peak_in)
        words, limit = "Without power the table isn't faster than its rapid velocity", fastest
        source = "own choice"
        relaxes: tuple[str, ...] = ("reference.velocity",)
    else:
        words = "Without power the table stays, apart from the drift that is allowed"
        with calc.section("Actuator: rules"):
            limit = calc.of(allowed_sinking, x=requirement.accuracy.drift,
                            t=requirement.accuracy.hold_time)  # fmt: skip
        source = "own choice: no faster than the allowed drift over the time it is held"
        relaxes = ("conditions.power_failure", "accuracy.drift", "lock.leakage")
    found: Check = one("power_failure", words, "conditions.power_failure", a.sinking_velocity,
                       limit, ("m/s", "mm/s"), True, source, *relaxes)  # fmt: skip
    return found
