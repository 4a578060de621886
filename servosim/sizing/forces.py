"""Forces of the cycle at the piston and what the actuator can give against them.

Sources. Newton's law and balances of forces; rules of the trade beside each formula.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from servosim.components.load import GRAVITY
from servosim.sizing.bodies import Bodies
from servosim.sizing.calculation import Calculation, formula
from servosim.sizing.combinations import Array, Combinations
from servosim.sizing.duty import Duty
from servosim.sizing.loads import held_at_piston
from servosim.sizing.requirement import RequirementFile

_STALL = "Electrohydraulic valves, a technical look, p. 4: stall force 30 % above the force needed"


@formula(
    "F_m",
    "force on the piston's rod or the nut",
    "F_ext + (M_t + M_p)*a + M_g*g*sin(theta) + s*(F_s + k_p*(p_S + p_T) + B_s*abs(v))",
    "N",
    "Newton's law",
    F_ext=("force on the table without inertia", "N"),
    M_t=("table and workpiece", "kg"),
    M_p=("piston and rod, or nut and rotor", "kg"),
    a=("acceleration", "m/s2"),
    M_g=("of it what gravity feels", "kg"),
    g=("gravity", "m/s2"),
    theta=("inclination", "rad"),
    s=("direction of the motion", "1"),
    F_s=("friction of the seals without pressure", "N"),
    k_p=("seal friction over the sum of the pressures", "N/Pa"),
    p_S=("supply pressure", "Pa"),
    p_T=("return pressure", "Pa"),
    B_s=("viscous friction of the seals", "N s/m"),
    v=("velocity", "m/s"),
)
def moving_force(
    F_ext: Array,
    M_t: Array,
    M_p: Array,
    a: Array,
    M_g: Array,
    g: Array,
    theta: Array,
    s: Array,
    F_s: Array,
    k_p: Array,
    p_S: Array,
    p_T: Array,
    B_s: Array,
    v: Array,
) -> Array:
    """Return the force that moves table and piston, seals included [N]."""
    seals = F_s + k_p * (p_S + p_T) + B_s * np.absolute(v)
    return F_ext + (M_t + M_p) * a + M_g * g * np.sin(theta) + s * seals


@formula(
    "F",
    "force of the oil",
    "where(F_m*s >= 0, F_m/eta, F_m/(2 - eta))",
    "N",
    "loss of the screw as in the equations of the actuator; eta = 1 for a cylinder",
    F_m=("force on rod or nut", "N"),
    s=("direction of the motion", "1"),
    eta=("efficiency of the screw", "1"),
)
def oil_force(F_m: Array, s: Array, eta: Array) -> Array:
    """Return the force of the oil for a force on rod or nut [N]."""
    return np.where(F_m * s >= 0.0, F_m / eta, F_m / (2.0 - eta))


@formula(
    "F_out",
    "stall force in extension at the lowest supply pressure",
    "A_A*p_S*(1 - e) - A_B*p_T",
    "N",
    "balance of forces",
    A_A=("area of side A", "m2"),
    p_S=("supply pressure", "Pa"),
    e=("fall of the supply pressure", "1"),
    A_B=("area of side B", "m2"),
    p_T=("return pressure", "Pa"),
)
def stall_force_out(A_A: Array, p_S: Array, e: Array, A_B: Array, p_T: Array) -> Array:
    """Return the stall force in extension [N]."""
    return A_A * p_S * (1.0 - e) - A_B * p_T


@formula(
    "F_in",
    "stall force in retraction at the lowest supply pressure",
    "A_B*p_S*(1 - e) - A_A*p_T",
    "N",
    "balance of forces",
    A_B=("area of side B", "m2"),
    p_S=("supply pressure", "Pa"),
    e=("fall of the supply pressure", "1"),
    A_A=("area of side A", "m2"),
    p_T=("return pressure", "Pa"),
)
def stall_force_in(A_B: Array, p_S: Array, e: Array, A_A: Array, p_T: Array) -> Array:
    """Return the stall force in retraction [N]."""
    return A_B * p_S * (1.0 - e) - A_A * p_T


@formula(
    "r_F",
    "reserve of force: stall force over the greatest force needed, less one",
    "F_st/N - 1",
    "1",
    _STALL,
    F_st=("stall force", "N"),
    N=("greatest force needed", "N"),
)
def force_reserve_of(F_st: Array, N: Array) -> Array:
    """Return what the stall force has beyond the force needed, as a share of it [-]."""
    return F_st / N - 1.0


@formula(
    "p_L",
    "load pressure over what the supply leaves, in the worst moment of motion",
    "F/(A*p_S - A_o*p_T)",
    "1",
    "two thirds give the most power through a given valve (Merritt 1967, from memory); no limit",
    F=("force of the oil in the direction of motion", "N"),
    A=("area on which the supply acts", "m2"),
    p_S=("supply pressure", "Pa"),
    A_o=("area on which the return acts", "m2"),
    p_T=("return pressure", "Pa"),
)
def load_share_of(F: Array, A: Array, p_S: Array, A_o: Array, p_T: Array) -> Array:
    """Return the share of the supply's force that the load takes [-]."""
    return F / (A * p_S - A_o * p_T)


@formula(
    "F_p",
    "greatest push on the rod, at the highest supply pressure",
    "maximum(A_A*p_S*(1 + e) - A_B*p_T, F_h)",
    "N",
    "balance of forces, the table standing against a stop",
    A_A=("area of side A", "m2"),
    p_S=("supply pressure", "Pa"),
    e=("rise of the supply pressure", "1"),
    A_B=("area of side B", "m2"),
    p_T=("return pressure", "Pa"),
    F_h=("greatest force on the held table", "N"),
)
def greatest_push(A_A: Array, p_S: Array, e: Array, A_B: Array, p_T: Array, F_h: Array) -> Array:
    """Return the greatest push on the rod [N]."""
    return np.maximum(A_A * p_S * (1.0 + e) - A_B * p_T, F_h)


@formula(
    "n_m",
    "highest speed of the motor",
    "v/h",
    "rad/s",
    "geometry",
    v=("highest velocity", "m/s"),
    h=("lead of the screw", "m/rad"),
)
def motor_speed_of(v: Array, h: Array) -> Array:
    """Return the speed of a motor on a screw [rad/s]."""
    return v / h


@formula(
    "T_m",
    "greatest torque of the motor in the cycle",
    "F*h",
    "N m",
    "work of a radian",
    F=("greatest force of the oil", "N"),
    h=("lead of the screw", "m/rad"),
)
def motor_torque_of(F: Array, h: Array) -> Array:
    """Return the torque of a motor on a screw [N m]."""
    return F * h


@formula(
    "r_v",
    "velocity out over velocity in with the same opening and no load",
    "sqrt(A_A/A_B)",
    "1",
    "symmetric valve (Merritt 1967, Watton and others, from memory)",
    A_A=("area of side A", "m2"),
    A_B=("area of side B", "m2"),
)
def velocity_ratio_of(A_A: Array, A_B: Array) -> Array:
    """Return the ratio of the no-load velocities on a symmetric valve [-]."""
    with np.errstate(divide="ignore"):
        return np.sqrt(A_A / A_B)


def forces_of(
    requirement: RequirementFile, duty: Duty, c: Combinations, bodies: Bodies, calc: Calculation
) -> dict[str, Array]:
    """Return the force of the oil at every duty point, and the reserve of the stall forces.

    Parameters
    ----------
    requirement : RequirementFile
        What is asked for.
    duty : Duty
        Corner points of the cycle.
    c : Combinations
        Parts of each candidate.
    bodies : Bodies
        Their actuators.
    calc : Calculation
        Keeps the steps, of the worst point in each direction.

    Returns
    -------
    dict of str to ndarray
        ``force`` (n, n_p), ``need_out``, ``need_in``, ``stall_out``, ``stall_in``,
        ``force_reserve``, ``load_share``, as in ``actuators.Actuators``.
    """
    static = np.array([phase in ("starting", "creeping") for phase in duty.phase])
    p_T, low = requirement.pressures.return_pressure, requirement.conditions.supply_variation
    theta = requirement.table.inclination

    def column(values: Array) -> Array:
        return values[:, np.newaxis]

    given: dict[str, Any] = {
        "F_ext": duty.external_force,
        "M_t": duty.table_mass,
        "M_p": column(bodies.weight_mass + bodies.screw_mass),
        "a": duty.acceleration,
        "M_g": column(bodies.weight_mass),
        "g": GRAVITY,
        "theta": theta,
        "s": duty.direction,
        "F_s": np.where(static, column(bodies.seal_breakaway), column(bodies.seal_friction)),
        "k_p": column(bodies.seal_pressure_friction),
        "p_S": column(c.pressure),
        "p_T": p_T,
        "B_s": column(bodies.seal_viscous),
        "v": duty.velocity,
    }
    moved = moving_force(**given)
    eta = column(bodies.efficiency)
    force = oil_force(F_m=moved, s=duty.direction, eta=eta)
    held = holds_of(requirement, duty, bodies)
    if requirement.lock.kind != "none":
        held = held[:, duty.held_thrust == 0.0]
    need_out = np.maximum(force.max(axis=1), held.max(axis=1))
    need_in = np.maximum((-force).max(axis=1), (-held).max(axis=1))
    with calc.section("Forces: what the oil must give"):
        if calc.records:
            for worst, way in ((force.argmax(axis=1)[0], "out"), (force.argmin(axis=1)[0], "in")):
                one = {
                    name: np.broadcast_to(values, force.shape)[0, worst]
                    for name, values in given.items()
                }
                note = f"greatest {way}: {duty.words[worst]}"
                rod = calc.of(moving_force, note, **one)
                calc.of(oil_force, note, F_m=rod, s=one["s"], eta=bodies.efficiency)
        calc.given("N_out", "greatest force in extension", need_out, "N", "of all points and holds")
        calc.given("N_in", "greatest force in retraction", need_in, "N", "of all points and holds")
        stall_out = calc.of(
            stall_force_out, A_A=bodies.area_a, p_S=c.pressure, e=low, A_B=bodies.area_b, p_T=p_T
        )
        stall_in = calc.of(
            stall_force_in, A_B=bodies.area_b, p_S=c.pressure, e=low, A_A=bodies.area_a, p_T=p_T
        )
        reserve = _reserve(calc, (stall_out, stall_in), (need_out, need_in))
        share = _share(calc, duty, c, bodies, force, p_T)
    return {
        "force": force,
        "need_out": need_out,
        "need_in": need_in,
        "stall_out": stall_out,
        "stall_in": stall_in,
        "force_reserve": reserve,
        "load_share": share,
    }  # fmt: skip


def holds_of(requirement: RequirementFile, duty: Duty, bodies: Any) -> Array:
    """Return the force on the held piston for each hold of the duty [N], shape (n, n_h).

    Parameters
    ----------
    requirement : RequirementFile
        Inclination.
    duty : Duty
        Forces on the held table.
    bodies : Bodies or Actuators
        Their weights.

    Returns
    -------
    ndarray
        Positive if the oil has to push in extension.
    """
    weight = bodies.weight_mass[:, np.newaxis]
    found: Array = held_at_piston(
        F_h=duty.held_force, M_g=weight, g=GRAVITY, theta=requirement.table.inclination
    )
    return found  # fmt: skip


def write_hold(
    requirement: RequirementFile, duty: Duty, bodies: Any, number: int, calc: Calculation
) -> None:
    """Keep the step of one hold, if there is one candidate to be written down."""
    if calc.records:
        calc.of(held_at_piston, duty.held_words[number], F_h=duty.held_force[number],
                M_g=bodies.weight_mass, g=GRAVITY,
                theta=requirement.table.inclination)  # fmt: skip


def _reserve(calc: Calculation, stalls: tuple[Array, Array], needs: tuple[Array, Array]) -> Array:
    """Return the reserve of the direction that has less, infinite if none needs a force."""
    both = []
    for stall, need in zip(stalls, needs, strict=True):
        one = np.full(len(need), np.inf)
        rows = need > 0.0
        one[rows] = force_reserve_of(F_st=stall[rows], N=need[rows])
        both.append(one)
    if calc.records:
        way = int(both[1][0] < both[0][0])
        if needs[way][0] > 0.0:
            calc.of(force_reserve_of, ("extension", "retraction")[way], F_st=stalls[way],
                    N=needs[way])  # fmt: skip
    found: Array = np.minimum(*both)
    return found


def _share(
    calc: Calculation, duty: Duty, c: Combinations, bodies: Bodies, force: Array, p_T: float
) -> Array:
    """Return the greatest share of the supply's force that is taken in motion."""
    moving = np.flatnonzero(duty.velocity != 0.0)
    s = duty.direction[moving]
    areas = np.stack([bodies.area_a, bodies.area_b], axis=1)
    ahead = np.where(s > 0.0, areas[:, :1], areas[:, 1:])
    behind = np.where(s > 0.0, areas[:, 1:], areas[:, :1])
    pressure = c.pressure[:, np.newaxis]
    along = force[:, moving] * s
    with np.errstate(divide="ignore", invalid="ignore"):  # a plunger is not pushed back
        shares = load_share_of(F=along, A=ahead, p_S=pressure, A_o=behind, p_T=p_T)
    if calc.records:
        worst = int(shares[0].argmax())
        calc.of(load_share_of, duty.words[moving[worst]], F=along[0, worst], A=ahead[0, worst],
                p_S=c.pressure, A_o=behind[0, worst], p_T=p_T)  # fmt: skip
    found: Array = shares.max(axis=1)
    return found
