"""Actuators of all combinations: forces, oil spring, holding, buckling, speeds, power failure.

Cylinders with one rod or two and motors on a screw go through the same sums. The modulus of the oil
is taken with its highest temperature, its most free air and the lowest supply pressure, at the
pressures of rest; masses are the heaviest. Where several duty points are in question, the worst one
counts and is named.

Sources. Beside each formula; rules beside each check.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from servosim.sizing import holding
from servosim.sizing.actuator_rules import rules_of
from servosim.sizing.bodies import Bodies, bodies_of
from servosim.sizing.buckling import buckling_load_of, buckling_safety
from servosim.sizing.calculation import Calculation
from servosim.sizing.combinations import Array, Check, Combinations, Numbers
from servosim.sizing.duty import Duty
from servosim.sizing.forces import (
    forces_of,
    greatest_push,
    holds_of,
    motor_speed_of,
    motor_torque_of,
    velocity_ratio_of,
    write_hold,
)
from servosim.sizing.loads import highest_supply
from servosim.sizing.power_failure import HOLDERS, holder_of, sinking_velocity
from servosim.sizing.requirement import RequirementFile
from servosim.sizing.service_lines import service_lines
from servosim.sizing.stiffness import along, held_table, oil_springs


@dataclass(frozen=True)
class Actuators:
    """Actuators of all combinations; arrays have the shape (n,) unless said otherwise.

    Attributes
    ----------
    area_a, area_b : ndarray
        Effective areas [m2].
    piston_mass, weight_mass, screw_mass : ndarray
        Added to the table's mass [kg]: the sum, what gravity feels of it, and the rotor's part.
    seal_friction, seal_breakaway, seal_pressure_friction, seal_viscous : ndarray
        Friction of the seals [N, N, N/Pa, N s/m].
    dead_volume_a, dead_volume_b, line_volume_a, line_volume_b : ndarray
        Oil from the piston at its end to the lock, and on to the valve [m3].
    hose_volume_a, hose_volume_b : ndarray
        Of the lines what is hose [m3].
    hose_modulus, wall_modulus : ndarray
        Pressure over relative growth of hoses and walls [Pa]; infinite if rigid.
    service_bore : ndarray
        Bore of the lines to the valve [m]; nan if the series has none.
    internal_leakage, external_leakage : ndarray
        From side to side, and of each side outward [m3/s/Pa].
    efficiency, coupling_stiffness, moving_volume : ndarray
        Share of the oil's force that reaches the table [-]; stiffness from piston to table [N/m];
        one if the volumes follow the piston.
    brake_stiffness, brake_force : ndarray
        Holding brake [N/m, N]; zero without one.
    force : ndarray, shape (n, n_p)
        Force of the oil at each duty point [N], with inertia and seals; the part of the seals that
        grows with pressure at the nominal supply.
    need_out, need_in, stall_out, stall_in : ndarray
        Greatest forces of the cycle and stall forces at the lowest supply [N].
    force_reserve, load_share : ndarray
        Stall force over need, less one; greatest share of the supply's force taken in motion [-].
    modulus_a, modulus_b : ndarray
        Of oil and wall on each side, for the lowest frequency [Pa].
    natural_frequency, natural_position, damping_ratio : ndarray
        Lowest along the travel [rad/s], where on the cylinder [m], estimate there [-].
    lock_stiffness, stiffness_with_friction : ndarray
        Least of the held table [N/m]; nan where the position loop holds it.
    deflection, drift, warming_shift, trapped_pressure : ndarray
        Under thrust and over the hold [m], nan where the position loop holds; shift for a kelvin
        [m/K] and pressure for a kelvin if nothing yields [Pa/K].
    buckling_load, buckling_safety : ndarray
        Load of the rod [N] and its safety [-]; infinite where there is no rod to buckle.
    intensified_a, intensified_b : ndarray
        Pressures of a blocked side while the other is under supply [Pa].
    velocity_ratio, motor_speed, motor_torque : ndarray
        No-load velocities out over in [-]; of a motor [rad/s, N m], zero for a cylinder.
    holder : ndarray of int
        What holds the table when power fails, index into ``power_failure.HOLDERS``.
    sinking_velocity : ndarray
        How fast it moves then [m/s]; infinite if the brake slips.
    """

    area_a: Array
    area_b: Array
    piston_mass: Array
    weight_mass: Array
    screw_mass: Array
    seal_friction: Array
    seal_breakaway: Array
    seal_pressure_friction: Array
    seal_viscous: Array
    dead_volume_a: Array
    dead_volume_b: Array
    line_volume_a: Array
    line_volume_b: Array
    hose_volume_a: Array
    hose_volume_b: Array
    hose_modulus: Array
    wall_modulus: Array
    service_bore: Array
    internal_leakage: Array
    external_leakage: Array
    efficiency: Array
    coupling_stiffness: Array
    moving_volume: Array
    brake_stiffness: Array
    brake_force: Array
    force: Array
    need_out: Array
    need_in: Array
    stall_out: Array
    stall_in: Array
    force_reserve: Array
    load_share: Array
    modulus_a: Array
    modulus_b: Array
    natural_frequency: Array
    natural_position: Array
    damping_ratio: Array
    lock_stiffness: Array
    stiffness_with_friction: Array
    deflection: Array
    drift: Array
    warming_shift: Array
    trapped_pressure: Array
    buckling_load: Array
    buckling_safety: Array
    intensified_a: Array
    intensified_b: Array
    velocity_ratio: Array
    motor_speed: Array
    motor_torque: Array
    holder: Numbers
    sinking_velocity: Array

    def __len__(self) -> int:
        """Return how many there are."""
        return len(self.area_a)

    def take(self, rows: Any) -> Actuators:
        """Return some of them, by a mask or by their numbers."""
        return Actuators(**{one.name: getattr(self, one.name)[rows] for one in fields(self)})


def actuators_of(
    requirement: RequirementFile, duty: Duty, c: Combinations, calc: Calculation
) -> tuple[Actuators, list[Check]]:
    """Return the actuators of all combinations, with everything that follows from them alone.

    Parameters
    ----------
    requirement : RequirementFile
        What is asked for, and what is at hand.
    duty : Duty
        Corner points of the cycle.
    c : Combinations
        Parts of each candidate.
    calc : Calculation
        Keeps the steps if it records; there must then be one candidate.

    Returns
    -------
    actuators : Actuators
        Their figures.
    checks : list of Check
        The rules that they must keep.

    Raises
    ------
    ParameterError
        If a combination needs a table that the requirement does not have.
    """
    bodies = bodies_of(requirement, c, calc)
    lines = service_lines(requirement, duty, bodies, calc)
    springs = oil_springs(requirement, duty, c, bodies, lines, calc)
    held = held_table(requirement, duty, c, bodies, lines, springs, calc)
    forces = forces_of(requirement, duty, c, bodies, calc)
    found: dict[str, Any] = {
        **{one.name: getattr(bodies, one.name) for one in fields(Bodies)},
        **lines,
        **springs,
        **held,
        **forces,
        **_buckling(requirement, duty, c, bodies, calc),
        **_blocked(requirement, duty, c, bodies, forces["force"], calc),
        **_speeds(duty, c, bodies, forces, calc),
        **_failure(requirement, duty, c, bodies, calc),
        "piston_mass": bodies.weight_mass + bodies.screw_mass,
    }
    actuators = Actuators(**{one.name: found[one.name] for one in fields(Actuators)})
    return actuators, rules_of(requirement, duty, c, actuators, calc)


def natural_frequency_along(
    requirement: RequirementFile,
    duty: Duty,
    c: Combinations,
    actuators: Actuators,
    positions: Array,
) -> Array:
    """Return the natural frequency along the stroke, heaviest mass and softest oil.

    Parameters
    ----------
    requirement : RequirementFile
        What is asked for.
    duty : Duty
        The heaviest mass.
    c : Combinations
        Parts of each candidate; not read, all is in their actuators.
    actuators : Actuators
        Of n candidates.
    positions : ndarray
        Positions from the retracted end [m], shape (n_pos,).

    Returns
    -------
    ndarray
        Natural frequencies [rad/s], shape (n, n_pos); a motor's is the same everywhere.
    """
    return along(requirement, duty, actuators, positions)


def _buckling(
    requirement: RequirementFile, duty: Duty, c: Combinations, bodies: Bodies, calc: Calculation
) -> dict[str, Array]:
    """Return buckling load and safety; infinite for screws and where no ends are stated."""
    n, series, kept = len(c), requirement.cylinders, requirement.cylinder
    load, safety = np.full(n, np.inf), np.full(n, np.inf)
    rows = np.flatnonzero(bodies.moving_volume == 1.0)
    if series is None or not len(rows):
        with calc.section("Actuator: buckling of the rod"):
            why = "a screw: its diameter isn't stated" if not len(rows) else "ends aren't stated"
            calc.given("n_k", "safety against buckling, not computed", safety, "1", why)
        return {"buckling_load": load, "buckling_safety": safety}
    rod = c.rod[rows]
    if kept is not None:
        rod = np.full(n, kept.bore_diameter if kept.kind == "plunger" else kept.rod_diameter)
    with calc.section("Actuator: buckling of the rod"):
        load[rows] = buckling_load_of(
            rod, series.buckling_length, series.mounting, series.rod_modulus, series.rod_yield, calc
        )
        push = calc.of(
            greatest_push,
            A_A=bodies.area_a[rows],
            p_S=c.pressure[rows],
            e=requirement.conditions.supply_variation,
            A_B=bodies.area_b[rows],
            p_T=requirement.pressures.return_pressure,
            F_h=holds_of(requirement, duty, bodies)[rows].max(axis=1),
        )
        safety[rows] = calc.of(buckling_safety, F_k=load[rows], F=push)
    return {"buckling_load": load, "buckling_safety": safety}  # fmt: skip


def _blocked(
    requirement: RequirementFile,
    duty: Duty,
    c: Combinations,
    bodies: Bodies,
    force: Array,
    calc: Calculation,
) -> dict[str, Array]:
    """Return the pressures of a side that is blocked while the other is under supply."""
    held = holds_of(requirement, duty, bodies)
    words = np.array([*duty.words, *(f"held, {one}" for one in duty.held_words)])
    every = np.concatenate([force, held], axis=1)
    standing = np.ones(held.shape[1], dtype=bool)
    out = np.concatenate([duty.direction > 0.0, standing])
    back = np.concatenate([duty.direction < 0.0, standing])
    least, most = every[:, out].min(axis=1), every[:, back].max(axis=1)
    with calc.section("Actuator: pressure intensification"):
        if calc.records:
            calc.given(
                "F",
                "least force of the oil, extending or held",
                least,
                "N",
                "forces above",
                str(words[out][every[0, out].argmin()]),
            )
            calc.given(
                "F",
                "greatest force of the oil, retracting or held",
                most,
                "N",
                "forces above",
                str(words[back][every[0, back].argmax()]),
            )
        supply = calc.of(highest_supply, p_S=c.pressure, e=requirement.conditions.supply_variation)
        p_B = calc.of(
            holding.intensified_b, A_A=bodies.area_a, p_S=supply, F=least, A_B=bodies.area_b
        )
        p_A = calc.of(
            holding.intensified_a, A_B=bodies.area_b, p_S=supply, F=most, A_A=bodies.area_a
        )
    return {"intensified_a": p_A, "intensified_b": p_B}  # fmt: skip


def _speeds(
    duty: Duty, c: Combinations, bodies: Bodies, forces: dict[str, Array], calc: Calculation
) -> dict[str, Array]:
    """Return the ratio of velocities, and speed and torque of motors."""
    speed, torque, ratio = np.zeros(len(c)), np.zeros(len(c)), np.ones(len(c))
    screws = (bodies.moving_volume == 0.0) & (c.lead > 0.0)
    rows = np.flatnonzero(screws)
    with calc.section("Actuator: speeds"):
        if len(rows):
            speed[rows] = calc.of(
                motor_speed_of, v=max(duty.peak_out, duty.peak_in), h=c.lead[rows]
            )
            most = np.maximum(forces["need_out"], forces["need_in"])[rows]
            torque[rows] = calc.of(motor_torque_of, F=most, h=c.lead[rows])
        rows = np.flatnonzero(~screws)
        if len(rows):
            ratio[rows] = calc.of(
                velocity_ratio_of, A_A=bodies.area_a[rows], A_B=bodies.area_b[rows]
            )
    return {"velocity_ratio": ratio, "motor_speed": speed, "motor_torque": torque}  # fmt: skip


def _failure(
    requirement: RequirementFile, duty: Duty, c: Combinations, bodies: Bodies, calc: Calculation
) -> dict[str, Any]:
    """Return what holds the table when power fails, and how fast it moves."""
    bare = np.flatnonzero(duty.held_thrust == 0.0)
    held = holds_of(requirement, duty, bodies)[:, bare]
    holder = holder_of(requirement, c, bodies.brake_force)
    with calc.section("Actuator: power failure"):
        write_hold(requirement, duty, bodies, int(bare[np.abs(held[0]).argmax()]), calc)
        velocity = sinking_velocity(
            requirement,
            c,
            holder,
            (bodies.area_a, bodies.area_b),
            bodies.internal_leakage + bodies.external_leakage,
            held,
            bodies.brake_force,
            calc,
        )
        calc.given(
            "v_g",
            "velocity of the table when power has failed",
            velocity,
            "m/s",
            "as above; zero where a brake holds",
            HOLDERS[int(holder[0])] if calc.records else "",
        )
    return {"holder": holder, "sinking_velocity": velocity}  # fmt: skip
