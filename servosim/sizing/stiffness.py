"""Lowest natural frequency along the travel, and the locked table.

Sources. Beside each formula, see :mod:`servosim.sizing.springs` and :mod:`servosim.sizing.holding`.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from servosim.sizing import holding
from servosim.sizing.bodies import Bodies
from servosim.sizing.calculation import Calculation
from servosim.sizing.combinations import Array, Combinations
from servosim.sizing.duty import Duty
from servosim.sizing.forces import holds_of, write_hold
from servosim.sizing.loads import highest_supply, lowest_supply
from servosim.sizing.requirement import RequirementFile
from servosim.sizing.springs import (
    coupled_damping_of,
    damping_of,
    dead_side,
    joint_modulus,
    oil_modulus,
    oil_stiffness_of,
    one_mass_frequency,
    piston_share,
    port_conductance,
    rest_pressure_a,
    rest_pressure_b,
    softest_position_of,
    two_mass_frequency,
)


def oil_springs(
    requirement: RequirementFile,
    duty: Duty,
    c: Combinations,
    bodies: Bodies,
    lines: dict[str, Array],
    calc: Calculation,
) -> dict[str, Array]:
    """Return the lowest natural frequency along the travel.

    Parameters
    ----------
    requirement : RequirementFile
        Oil, conditions and travel.
    duty : Duty
        Masses and held forces.
    c : Combinations
        Parts of each candidate.
    bodies : Bodies
        Their actuators.
    lines : dict of str to ndarray
        As :func:`service_lines` has them.
    calc : Calculation
        Keeps the steps.

    Returns
    -------
    dict of str to ndarray
        ``modulus_a`` and ``_b``, ``rest_pressure_a`` and ``_b``, ``natural_frequency``,
        ``natural_position``, ``damping_ratio``, as in ``actuators.Actuators``.
    """
    given = requirement.conditions
    heaviest = int(np.where(duty.held_thrust == 0.0, np.abs(duty.held_force), -1.0).argmax())
    rest: dict[str, Any] = {
        "F": holds_of(requirement, duty, bodies)[:, heaviest],
        "A_A": bodies.area_a,
        "A_B": bodies.area_b,
        "p_T": requirement.pressures.return_pressure,
    }
    with calc.section("Actuator: natural frequency"):
        write_hold(requirement, duty, bodies, heaviest, calc)
        rest["p_S"] = calc.of(lowest_supply, p_S=c.pressure, e=given.supply_variation)
        p_A, p_B = calc.of(rest_pressure_a, **rest), calc.of(rest_pressure_b, **rest)
        worst = given.temperature.high, given.free_air.high
        K_A, K_B = (
            calc.of(joint_modulus, side, K_w=lines["wall_modulus"],
                    K=oil_modulus(requirement.oil, p, *worst, calc, side))
            for side, p in (("side A", p_A), ("side B", p_B))
        )  # fmt: skip
        spring = _sides(bodies, lines, K_A, K_B, calc, locked=False)
        position = _softest(requirement, bodies, spring, calc)
        stiffness = calc.of(
            oil_stiffness_of,
            **spring,
            z=bodies.moving_volume,
            x=position,
            L=requirement.actuator_stroke,
        )
        frequency = _frequency(stiffness, bodies, duty.heaviest, calc)
        z, L = bodies.moving_volume, requirement.actuator_stroke
        V_A = spring["V_A"] + z * bodies.area_a * position
        V_B = spring["V_B"] + z * bodies.area_b * (L - position)
        valve = [
            np.array([getattr(one, key) for one in requirement.valve])[c.valve]
            for key in ("null_leakage", "pilot_leakage")
        ]
        lands = calc.of(
            port_conductance, q_0=valve[0], q_p=valve[1], p_r=requirement.valves.rating_pressure
        )
        sides = {"G": lands, "C_e": bodies.external_leakage, "A_A": bodies.area_a, "K_A": K_A,
                 "V_A": V_A, "A_B": bodies.area_b, "K_B": K_B, "V_B": V_B,
                 "C_i": bodies.internal_leakage, "omega_h": frequency}  # fmt: skip
        damping = _damping(requirement, bodies, duty.heaviest, sides, calc)
    return {
        "rest_pressure_a": p_A,
        "rest_pressure_b": p_B,
        "modulus_a": K_A,
        "modulus_b": K_B,
        "natural_frequency": frequency,
        "natural_position": position,
        "damping_ratio": damping,
    }  # fmt: skip


def _sides(
    bodies: Any, lines: Any, K_A: Array, K_B: Array, calc: Calculation, *, locked: bool
) -> dict[str, Any]:
    """Return areas, moduli and dead volumes of both sides, with or without the lines."""
    part = 0.0 if locked else 1.0
    dead: list[Array] = [
        calc.of(dead_side, f"side {side.upper()}", V_0=getattr(bodies, f"dead_volume_{side}"),
                V_l=part * lines[f"line_volume_{side}"], K_e=K,
                V_h=part * lines[f"hose_volume_{side}"], K_h=lines["hose_modulus"])
        for side, K in (("a", K_A), ("b", K_B))
    ]  # fmt: skip
    return {"A_A": bodies.area_a, "A_B": bodies.area_b, "K_A": K_A, "K_B": K_B,
            "V_A": dead[0], "V_B": dead[1]}  # fmt: skip


def _softest(
    requirement: RequirementFile, bodies: Bodies, spring: dict[str, Any], calc: Calculation
) -> Array:
    """Return where along the travel the oil is softest; a motor's is the same everywhere."""
    begin = requirement.travel_begins
    with np.errstate(divide="ignore"):  # a plunger is softest when it is out
        found: Array = calc.of(softest_position_of, **spring, L=requirement.actuator_stroke,
                               x_1=begin, x_2=begin + requirement.work.stroke)  # fmt: skip
    return found


def _frequency(stiffness: Array, bodies: Any, table: float, calc: Calculation) -> Array:
    """Return the natural frequency of one mass or two, shape of the stiffness."""
    found = np.empty_like(stiffness)
    mass = bodies.weight_mass + bodies.screw_mass
    one = np.isinf(bodies.coupling_stiffness)
    if one.any():
        M_p = mass[one] if stiffness.ndim == 1 else mass[one, np.newaxis]
        found[one] = calc.of(one_mass_frequency, k_h=stiffness[one], M_t=table, M_p=M_p)
    if not one.all():
        k_s, M_p = bodies.coupling_stiffness[~one], mass[~one]
        if stiffness.ndim > 1:
            k_s, M_p = k_s[:, np.newaxis], M_p[:, np.newaxis]
        found[~one] = calc.of(two_mass_frequency, k_h=stiffness[~one], k_s=k_s, M_t=table, M_p=M_p)
    return found


def _damping(
    requirement: RequirementFile, bodies: Bodies, table: float, sides: dict[str, Any],
    calc: Calculation,
) -> Array:  # fmt: skip
    """Return the damping ratio of one mass or two, shape (n,)."""
    ways, found = requirement.table.viscous_friction, np.empty_like(bodies.area_a)
    mass = bodies.weight_mass + bodies.screw_mass
    one = np.isinf(bodies.coupling_stiffness)
    if one.any():
        rest: dict[str, Any] = {name: values[one] for name, values in sides.items()}
        found[one] = calc.of(damping_of, B=ways + bodies.seal_viscous[one], M=table + mass[one],
                             **rest)  # fmt: skip
    if not one.all():
        rest = {name: values[~one] for name, values in sides.items()}
        share = calc.of(piston_share, omega_h=rest["omega_h"], M_t=table,
                        k_s=bodies.coupling_stiffness[~one])  # fmt: skip
        found[~one] = calc.of(coupled_damping_of, B_t=ways, s_p=share, M_t=table, M_p=mass[~one],
                              c_s=bodies.coupling_damping[~one], B_p=bodies.seal_viscous[~one],
                              **rest)  # fmt: skip
    return found


def along(requirement: RequirementFile, duty: Duty, actuators: Any, positions: Array) -> Array:
    """Return the natural frequency at positions on the cylinder.

    Parameters
    ----------
    requirement : RequirementFile
        What is asked for.
    duty : Duty
        The heaviest mass.
    actuators : Actuators
        Of n candidates.
    positions : ndarray
        Positions from the retracted end [m], shape (n_pos,).

    Returns
    -------
    ndarray
        Natural frequencies [rad/s], shape (n, n_pos).
    """
    quiet = Calculation()
    lines = {
        name: getattr(actuators, name)
        for name in (
            "line_volume_a",
            "line_volume_b",
            "hose_volume_a",
            "hose_volume_b",
            "hose_modulus",
        )
    }
    spring = _sides(actuators, lines, actuators.modulus_a, actuators.modulus_b, quiet, locked=False)
    columns = {name: values[:, np.newaxis] for name, values in spring.items()}
    stiffness = oil_stiffness_of(
        **columns,
        z=actuators.moving_volume[:, np.newaxis],
        x=positions,
        L=requirement.actuator_stroke,
    )
    return _frequency(stiffness, actuators, duty.heaviest, quiet)  # fmt: skip


def held_table(
    requirement: RequirementFile,
    duty: Duty,
    c: Combinations,
    bodies: Bodies,
    lines: dict[str, Array],
    springs: dict[str, Array],
    calc: Calculation,
) -> dict[str, Array]:
    """Return stiffness, deflection and drift of the held table.

    Parameters
    ----------
    requirement : RequirementFile
        Lock, thrust and time of the hold.
    duty : Duty
        Thrust on the held table.
    c : Combinations
        Parts of each candidate.
    bodies : Bodies
        Their actuators.
    lines, springs : dict of str to ndarray
        As :func:`service_lines` and :func:`oil_springs` have them.
    calc : Calculation
        Keeps the steps.

    Returns
    -------
    dict of str to ndarray
        ``lock_stiffness``, ``stiffness_with_friction``, ``deflection``, ``drift``,
        ``warming_shift``, ``trapped_pressure``, as in ``actuators.Actuators``.
    """
    lock, oil, given = requirement.lock, requirement.oil, requirement.conditions
    K_A, K_B, braked = springs["modulus_a"], springs["modulus_b"], bodies.brake_stiffness > 0.0
    table, hold = requirement.table, requirement.accuracy.hold_time
    with calc.section("Actuator: held table"):
        spring = _sides(bodies, lines, K_A, K_B, calc, locked=lock.kind != "spool")
        position = _softest(requirement, bodies, spring, calc)
        stiffness = calc.of(
            oil_stiffness_of,
            "least along the travel",
            **spring,
            z=bodies.moving_volume,
            x=position,
            L=requirement.actuator_stroke,
        )
        # the drain of a motor empties what is locked: its brake holds alone
        counts = (lock.kind != "none") & ~((bodies.moving_volume == 0.0) & braked)
        held = calc.given(
            "k_h",
            "of it what is counted on",
            np.where(counts, stiffness, 0.0),
            "N/m",
            "none without a lock, and beside the brake of a motor",
        )
        at_table = _at_table(held, bodies, calc)
        with_friction = calc.of(
            holding.stiffness_with_friction, k_t=at_table, sigma_0=table.bristle_stiffness
        )
        deflection = calc.of(holding.deflection_of, F_L=duty.thrust, k_t=at_table)
        p_A, p_B = springs["rest_pressure_a"], springs["rest_pressure_b"]
        highest = calc.of(highest_supply, p_S=c.pressure, e=given.supply_variation)
        across = calc.of(
            holding.lock_pressure,
            p_S=highest,
            p_A=p_A,
            p_B=p_B,
            p_T=requirement.pressures.return_pressure,
        )
        leakage = calc.of(
            holding.holding_leakage,
            G=lock.leakage,
            dp_l=across,
            C_i=bodies.internal_leakage,
            p_A=p_A,
            p_B=p_B,
            C_e=bodies.external_leakage,
        )
        smaller = np.where(
            bodies.area_b > 0.0, np.minimum(bodies.area_a, bodies.area_b), bodies.area_a
        )
        leaked = calc.of(holding.leakage_drift, q_l=leakage, t=hold, A=smaller)
        expansion = oil.thermal_expansion - 3.0 * oil.steel_expansion
        shift = calc.of(
            holding.warming_shift,
            A_A=bodies.area_a,
            K_A=K_A,
            A_B=bodies.area_b,
            K_B=K_B,
            alpha=expansion,
            k_h=stiffness,
        )
        trapped = calc.of(holding.trapped_pressure, alpha=expansion, K_e=np.maximum(K_A, K_B))
        drift = calc.of(holding.drift_of, x_q=leaked, x_T=shift, r=oil.warming_rate, t=hold)
        loop = ~braked & (lock.kind == "none")
        drift = calc.given(
            "x_d",
            "drift that counts",
            np.where(loop, np.nan, np.where(braked, 0.0, drift)),
            "m",
            "none where a brake holds; without lock and brake the loop holds, "
            "which moves have to show",
        )
    return {
        "lock_stiffness": np.where(loop, np.nan, at_table),
        "stiffness_with_friction": np.where(loop, np.nan, with_friction),
        "deflection": np.where(loop, np.nan, deflection),
        "drift": drift,
        "warming_shift": shift,
        "trapped_pressure": trapped,
    }  # fmt: skip


def _at_table(held: Array, bodies: Bodies, calc: Calculation) -> Array:
    """Return the stiffness at the table, with what joins two masses."""
    found = np.empty_like(held)
    one = np.isinf(bodies.coupling_stiffness)
    if one.any():
        found[one] = calc.of(holding.held_stiffness, k_h=held[one], k_b=bodies.brake_stiffness[one])
    if not one.all():
        found[~one] = calc.of(
            holding.table_stiffness,
            k_h=held[~one],
            k_s=bodies.coupling_stiffness[~one],
            k_b=bodies.brake_stiffness[~one],
        )
    return found
