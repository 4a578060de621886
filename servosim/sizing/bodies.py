"""Cylinders, and motors on a screw, as what the rest of the sums needs to know of them.

Areas, masses, seals, volumes up to the lock and leakage, for parts of a series or for an existing
one, whose own data are then used. Masses and seals of a series grow with the bore as the file says.

Sources. Geometry. A motor on a screw acts as a piston of the area displacement over lead.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields

import numpy as np

from servosim.components.cylinder import cylinder_parameters
from servosim.errors import ParameterError
from servosim.sizing.body_forms import (
    POISSON,
    breakaway_of,
    dead_volume_of,
    motor_friction_of,
    motor_volume_of,
    piston_area,
    piston_mass_of,
    pressure_friction_of,
    ring_area,
    screw_area,
    screw_mass_of,
    seal_friction_of,
    tube_modulus,
)
from servosim.sizing.calculation import Calculation
from servosim.sizing.combinations import (
    DOUBLE_ROD,
    SCREW,
    SINGLE_ROD,
    Array,
    Combinations,
    Numbers,
)
from servosim.sizing.requirement import RequirementFile

_REFERENCE_BORE = 0.1  # for which mass and pressure-dependent friction are stated, m


@dataclass(frozen=True)
class Bodies:
    """Actuators without their lines; every array has the shape (n,).

    Attributes
    ----------
    area_a, area_b : ndarray
        Effective areas [m2].
    weight_mass, screw_mass : ndarray
        Mass on the piston's side that gravity feels, and a rotor seen along its screw [kg].
    seal_friction, seal_breakaway : ndarray
        Sliding and static friction without pressure [N].
    seal_pressure_friction : ndarray
        Friction over the sum of the pressures [N/Pa].
    seal_viscous : ndarray
        Viscous friction [N s/m].
    dead_volume_a, dead_volume_b : ndarray
        Oil from the piston at its end to the lock [m3].
    internal_leakage, external_leakage : ndarray
        From side to side, and of each side outward [m3/s/Pa].
    efficiency : ndarray
        Share of the oil's force that reaches the table, below one for a screw.
    tube_modulus : ndarray
        Pressure over relative growth of the tube [Pa], infinite if it counts as rigid.
    coupling_stiffness : ndarray
        Stiffness from piston to table [N/m], infinite if they are one mass.
    coupling_damping : ndarray
        Damping from piston to table [N s/m], zero if they are one mass.
    brake_stiffness, brake_force : ndarray
        Holding brake [N/m, N]; zero without one.
    moving_volume : ndarray
        One if the volumes follow the piston, zero for a motor.
    """

    area_a: Array
    area_b: Array
    weight_mass: Array
    screw_mass: Array
    seal_friction: Array
    seal_breakaway: Array
    seal_pressure_friction: Array
    seal_viscous: Array
    dead_volume_a: Array
    dead_volume_b: Array
    internal_leakage: Array
    external_leakage: Array
    efficiency: Array
    tube_modulus: Array
    coupling_stiffness: Array
    coupling_damping: Array
    brake_stiffness: Array
    brake_force: Array
    moving_volume: Array


def bodies_of(requirement: RequirementFile, c: Combinations, calc: Calculation) -> Bodies:
    """Return the actuators of all combinations.

    Parameters
    ----------
    requirement : RequirementFile
        Series, or an existing cylinder.
    c : Combinations
        Parts of each candidate.
    calc : Calculation
        Keeps the steps.

    Returns
    -------
    Bodies
        Their data.

    Raises
    ------
    ParameterError
        If a combination needs a table that the requirement does not have.
    """
    with calc.section("Actuator: areas, masses, seals and oil"):
        if requirement.cylinder is not None:
            return _filled(len(c), [(np.arange(len(c)), _kept(requirement, calc))])
        parts: list[tuple[Numbers, Mapping[str, Array | float]]] = []
        for kind in (DOUBLE_ROD, SINGLE_ROD, SCREW):
            rows = np.flatnonzero(c.actuator == kind)
            if len(rows):
                sub = c.take(rows)
                parts.append(
                    (rows, _screws(requirement, sub, calc) if kind == SCREW
                     else _cylinders(requirement, sub, kind, calc))
                )  # fmt: skip
        return _filled(len(c), parts)


def _filled(n: int, parts: list[tuple[Numbers, Mapping[str, Array | float]]]) -> Bodies:
    """Return the arrays of all candidates, put together from those of each kind."""
    found = {one.name: np.full(n, np.nan) for one in fields(Bodies)}
    for rows, part in parts:
        for name, values in part.items():
            found[name][rows] = values
    return Bodies(**found)


def _coupling(requirement: RequirementFile) -> float:
    """Return the stiffness from piston to table [N/m], infinite for one mass."""
    structure = requirement.structure
    return structure.coupling_stiffness if structure.masses == "two" else np.inf


def _coupling_damping(requirement: RequirementFile) -> float:
    """Return the damping from piston to table [N s/m], zero for one mass."""
    structure = requirement.structure
    return structure.coupling_damping if structure.masses == "two" else 0.0


def _brake(requirement: RequirementFile) -> tuple[float, float]:
    """Return stiffness and force of a brake on the lock [N/m, N], zero without."""
    lock = requirement.lock
    return (lock.brake_stiffness, lock.brake_force) if lock.brake == "holding" else (0.0, 0.0)


def _kept(requirement: RequirementFile, calc: Calculation) -> dict[str, Array | float]:
    """Return the data of an existing actuator, from its own table."""
    kept = requirement.cylinder
    assert kept is not None
    p = cylinder_parameters(kept)
    source = "requirement, [cylinder], an existing part"
    calc.given("A_A", "area of side A", p.A_A, "m2", source)
    calc.given("A_B", "area of side B", p.A_B, "m2", source)
    stiffness, force = _brake(requirement)
    return {
        "area_a": p.A_A,
        "area_b": p.A_B,
        "weight_mass": calc.given(
            "M_p", "piston with rod, or nut", requirement.structure.piston_mass, "kg",
            "requirement, [structure]"),
        "screw_mass": calc.given("M_J", "rotor along the screw", p.screw_mass, "kg", source),
        "seal_friction": calc.given("F_s", "sliding friction of the seals", p.seal_c, "N", source),
        "seal_breakaway": calc.given("F_b", "static friction of the seals", p.seal_s, "N", source),
        "seal_pressure_friction": calc.given(
            "k_p", "seal friction over the sum of the pressures", p.seal_p, "N/Pa", source),
        "seal_viscous": calc.given(
            "B_s", "viscous friction of the seals", p.seal_B, "N s/m", source),
        "dead_volume_a": calc.given("V_A0", "oil of side A to the lock", p.V_A0, "m3", source),
        "dead_volume_b": calc.given("V_B0", "oil of side B to the lock", p.V_B0, "m3", source),
        "internal_leakage": p.C_i,
        "external_leakage": max(p.C_eA, p.C_eB),
        "efficiency": p.eta,
        "tube_modulus": calc.given(
            "K_w", "modulus of the walls", 1.0 / p.wall if p.wall > 0.0 else np.inf, "Pa", source),
        "coupling_stiffness": _coupling(requirement),
        "coupling_damping": _coupling_damping(requirement),
        "brake_stiffness": stiffness,
        "brake_force": force,
        "moving_volume": float(p.moving),
    }  # fmt: skip


def _cylinders(
    requirement: RequirementFile, c: Combinations, kind: int, calc: Calculation
) -> dict[str, Array | float]:
    """Return the data of cylinders of the series."""
    series = requirement.cylinders
    if series is None:
        raise ParameterError("no [cylinders] in the requirement, but cylinders are to be sized")
    D, d = c.bore, c.rod
    area_b = calc.of(ring_area, "side B", D=D, d=d)
    area_a = area_b if kind == DOUBLE_ROD else calc.of(piston_area, "side A", D=D)
    if kind == DOUBLE_ROD:
        calc.given("A_A", "area of side A, as of side B", area_a, "m2", "geometry")
    rods = 2.0 if kind == DOUBLE_ROD else 1.0
    sliding = calc.of(seal_friction_of, f=series.seal_friction, D=D, n=rods, d=d)
    stiffness, force = _brake(requirement)
    return {
        "area_a": area_a,
        "area_b": area_b,
        "weight_mass": calc.of(piston_mass_of, M_100=series.piston_mass, D=D,
                               D_100=_REFERENCE_BORE),
        "screw_mass": 0.0,
        "seal_friction": sliding,
        "seal_breakaway": calc.of(breakaway_of, r=series.seal_breakaway, F_s=sliding),
        "seal_pressure_friction": calc.of(
            pressure_friction_of, k_100=series.seal_pressure_friction, D=D,
            D_100=_REFERENCE_BORE),
        "seal_viscous": series.seal_viscous,
        "dead_volume_a": calc.of(dead_volume_of, "side A", A=area_a, l_0=series.dead_length,
                                 V_l=series.lock_volume),
        "dead_volume_b": calc.of(dead_volume_of, "side B", A=area_b, l_0=series.dead_length,
                                 V_l=series.lock_volume),
        "internal_leakage": series.internal_leakage,
        "external_leakage": 0.0,
        "efficiency": 1.0,
        "tube_modulus": calc.of(tube_modulus, E=series.wall_elasticity, s=series.wall_share,
                                nu=POISSON),
        "coupling_stiffness": _coupling(requirement),
        "coupling_damping": _coupling_damping(requirement),
        "brake_stiffness": stiffness,
        "brake_force": force,
        "moving_volume": 1.0,
    }  # fmt: skip


def _screws(
    requirement: RequirementFile, c: Combinations, calc: Calculation
) -> dict[str, Array | float]:
    """Return the data of motors and screws of the series."""
    series = requirement.screws
    if series is None:
        raise ParameterError("no [screws] in the requirement, but screws are to be sized")
    h, V_m = c.lead, c.displacement
    area = calc.of(screw_area, V_m=V_m, h=h)
    sliding = calc.of(motor_friction_of, T_f=series.motor_friction, h=h)
    volume = calc.of(motor_volume_of, V_m=V_m, V_l=series.lock_volume)
    return {
        "area_a": area,
        "area_b": area,
        "weight_mass": series.nut_mass,
        "screw_mass": calc.of(screw_mass_of, J=series.rotor_inertia, h=h),
        "seal_friction": sliding,
        "seal_breakaway": calc.of(breakaway_of, r=series.motor_breakaway, F_s=sliding),
        "seal_pressure_friction": 0.0,
        "seal_viscous": 0.0,
        "dead_volume_a": volume,
        "dead_volume_b": volume,
        "internal_leakage": series.cross_leakage,
        "external_leakage": series.case_leakage,
        "efficiency": series.screw_efficiency,
        "tube_modulus": np.inf,
        "coupling_stiffness": series.screw_stiffness,
        "coupling_damping": series.screw_damping,
        "brake_stiffness": series.brake_stiffness,
        "brake_force": series.brake_force,
        "moving_volume": 0.0,
    }  # fmt: skip
