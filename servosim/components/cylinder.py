"""Cylinder, or motor on a screw: chambers, lines, leakage, seals and end stops.

Physics. Each side has a chamber (piston to lock) and a line (lock to valve, hoses). While the lock
is open they are one volume; while it closes or is closed they have pressures of their own. The
stiffness of the oil, the wall and the hoses act in parallel, each with its own volume. A motor with
screw keeps its volumes constant and drives through the lead of the screw.

Assumptions. Volumetric flows (not mass flows) enter the chambers, so balances close up to the known
p/K term; internal and external leakage are laminar; seal friction has a part that grows with the
sum of the chamber pressures (own form); the screw's efficiency acts on the transmitted force, its
sign blended through one watt of power. Dead volumes of a motor include half its displacement.

Validity. Piston inside its stroke and slightly beyond (end stops); pressures above air release.

Sources. H. E. Merritt, *Hydraulic Control Systems*, Wiley 1967, ch. 6 (from memory).
"""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

from servosim._jit import inner_kernel
from servosim._lanes import some, where
from servosim.components.oil import FAR, Near, OilParameters, compressibility, compressibility_parts
from servosim.params import Table, choice, quantity

STATES = ("pressure_a", "pressure_b", "line_pressure_a", "line_pressure_b")
INPUTS = (
    "port_flow_a",
    "port_flow_b",
    "lock_flow_a",
    "lock_flow_b",
    "displaced_flow_a",
    "displaced_flow_b",
    "merged_a",
    "merged_b",
    "piston_position",
    "piston_velocity",
)
OUTPUTS = ("hydraulic_force", "end_stop_force", "seal_coulomb", "seal_static")

NOWHERE = (FAR, FAR, FAR, FAR)
_LINEAR = ("double_rod", "single_rod", "plunger")
_RODS = ("double_rod", "single_rod")


class Cylinder(Table):
    """Actuator between the valve's ports (or the lock) and the table."""

    kind: Literal["double_rod", "single_rod", "plunger", "motor_screw"] = choice("Actuator.")
    bore_diameter: float = quantity(
        "mm",
        above=0,
        high="1 m",
        when={"kind": _LINEAR},
        symbol="D",
        doc="Bore, or diameter of the plunger.",
    )
    rod_diameter: float = quantity(
        "mm", above=0, high="1 m", when={"kind": _RODS}, symbol="d", doc="Rod, on side B if single."
    )
    stroke: float = quantity(
        "mm",
        above=0,
        high="20 m",
        symbol="L",
        doc="Travel from stop to stop, along the table's way.",
    )
    dead_volume_a: float = quantity(
        "cm3",
        above=0,
        high="100 L",
        symbol="V_A0",
        doc="Side A, from the retracted piston to the lock.",
    )
    dead_volume_b: float = quantity(
        "cm3",
        above=0,
        high="100 L",
        symbol="V_B0",
        doc="Side B, from the extended piston to the lock.",
    )
    line_volume_a: float = quantity(
        "cm3", above=0, high="100 L", symbol="V_lA", doc="Side A, from the lock to the valve."
    )
    line_volume_b: float = quantity(
        "cm3", above=0, high="100 L", symbol="V_lB", doc="Side B, from the lock to the valve."
    )
    wall: Literal["rigid", "elastic"] = choice("Walls of cylinder and pipes.")
    wall_modulus: float = quantity(
        "GPa",
        above=0,
        high="1000 GPa",
        when={"wall": ("elastic",)},
        symbol="K_wall",
        doc="Pressure over relative growth of the volume inside the walls.",
    )
    hose: Literal["none", "flexible"] = choice("Hoses in the lines.")
    hose_volume_a: float = quantity(
        "cm3",
        low=0,
        high="100 L",
        when={"hose": ("flexible",)},
        doc="Share of line A that is hose.",
    )
    hose_volume_b: float = quantity(
        "cm3",
        low=0,
        high="100 L",
        when={"hose": ("flexible",)},
        doc="Share of line B that is hose.",
    )
    hose_modulus: float = quantity(
        "MPa",
        above=0,
        high="100 GPa",
        when={"hose": ("flexible",)},
        symbol="K_hose",
        doc="Pressure over relative growth of the hose's volume.",
    )
    internal_leakage: float = quantity(
        "cm3/min/bar", low=0, high="10 L/min/bar", symbol="C_i", doc="Leakage past the piston."
    )
    external_leakage_a: float = quantity(
        "cm3/min/bar", low=0, high="10 L/min/bar", symbol="C_eA", doc="Leakage from side A outward."
    )
    external_leakage_b: float = quantity(
        "cm3/min/bar", low=0, high="10 L/min/bar", symbol="C_eB", doc="Leakage from side B outward."
    )
    seal_friction: float = quantity(
        "N", low=0, high="1000 kN", symbol="F_cs", doc="Coulomb friction of the seals, no pressure."
    )
    seal_breakaway: float = quantity(
        "N", low=0, high="1000 kN", symbol="F_ss", doc="Static friction of the seals, no pressure."
    )
    seal_pressure_friction: float = quantity(
        "N/bar", low=0, high="10000 N/bar", symbol="k_ps", doc="Seal friction over pA + pB."
    )
    seal_viscous: float = quantity(
        "N s/m", low=0, high="1e7 N s/m", symbol="B_s", doc="Viscous friction of the seals."
    )
    end_stop_stiffness: float = quantity(
        "N/um", above=0, high="1e5 N/um", symbol="k_e", doc="Stiffness beyond the ends of stroke."
    )
    end_stop_damping: float = quantity(
        "N s/m", low=0, high="1e8 N s/m", symbol="c_e", doc="Damping beyond the ends of stroke."
    )
    displacement: float = quantity(
        "cm3/rev",
        above=0,
        high="100000 cm3/rev",
        when={"kind": ("motor_screw",)},
        symbol="D",
        doc="Displacement of the motor.",
    )
    screw_lead: float = quantity(
        "mm/rev",
        above=0,
        high="1 m/rev",
        when={"kind": ("motor_screw",)},
        symbol="h",
        doc="Lead of the screw.",
    )
    rotor_inertia: float = quantity(
        "kg m2",
        above=0,
        high="1000 kg m2",
        when={"kind": ("motor_screw",)},
        symbol="J",
        doc="Inertia of motor, coupling and screw.",
    )
    screw_efficiency: float = quantity(
        "%",
        above=0,
        high="100 %",
        when={"kind": ("motor_screw",)},
        symbol="eta",
        doc="Share of the motor's force that reaches the nut.",
    )


class CylinderParameters(NamedTuple):
    """Numbers of the actuator for the kernels."""

    A_A: float  # m2
    A_B: float
    moving: int  # 1 if the volumes follow the piston, 0 for a motor
    L: float
    V_A0: float
    V_B0: float
    V_lA: float
    V_lB: float
    wall: float  # 1/K_wall, 1/Pa
    hose_A: float  # V_hose/K_hose, m3/Pa
    hose_B: float
    C_i: float
    C_eA: float
    C_eB: float
    seal_c: float
    seal_s: float
    seal_p: float
    seal_B: float
    k_e: float
    c_e: float
    eta: float
    screw_mass: float  # rotor inertia seen along the screw, kg
    has_b: int  # 0 for a plunger


def cylinder_parameters(cylinder: Cylinder) -> CylinderParameters:
    """Return the numbers that the kernels use.

    Parameters
    ----------
    cylinder : Cylinder
        Table of the actuator.

    Returns
    -------
    CylinderParameters
        Plain floats, SI. Areas of a motor are displacement over lead, ``A = 2 pi D / h``.
    """
    full = math.pi / 4.0 * cylinder.bore_diameter**2
    rod = math.pi / 4.0 * cylinder.rod_diameter**2
    A_A, A_B, mass, eta = full, full - rod, 0.0, 1.0
    if cylinder.kind == "double_rod":
        A_A = full - rod
    elif cylinder.kind == "plunger":
        A_B = 0.0
    elif cylinder.kind == "motor_screw":
        A_A = A_B = cylinder.displacement / cylinder.screw_lead
        mass = cylinder.rotor_inertia / cylinder.screw_lead**2
        eta = cylinder.screw_efficiency
    flexible = cylinder.hose == "flexible"
    return CylinderParameters(
        A_A=A_A,
        A_B=A_B,
        moving=int(cylinder.kind != "motor_screw"),
        L=cylinder.stroke,
        V_A0=cylinder.dead_volume_a,
        V_B0=cylinder.dead_volume_b,
        V_lA=cylinder.line_volume_a,
        V_lB=cylinder.line_volume_b,
        wall=1.0 / cylinder.wall_modulus if cylinder.wall == "elastic" else 0.0,
        hose_A=cylinder.hose_volume_a / cylinder.hose_modulus if flexible else 0.0,
        hose_B=cylinder.hose_volume_b / cylinder.hose_modulus if flexible else 0.0,
        C_i=cylinder.internal_leakage,
        C_eA=cylinder.external_leakage_a,
        C_eB=cylinder.external_leakage_b,
        seal_c=cylinder.seal_friction,
        seal_s=cylinder.seal_breakaway,
        seal_p=cylinder.seal_pressure_friction,
        seal_B=cylinder.seal_viscous,
        k_e=cylinder.end_stop_stiffness,
        c_e=cylinder.end_stop_damping,
        eta=eta,
        screw_mass=mass,
        has_b=int(cylinder.kind != "plunger"),
    )


@inner_kernel
def volumes(x_p: float, p: CylinderParameters) -> tuple[float, float]:
    """Return the chamber volumes from piston to lock on sides A and B [m3]."""
    if p.moving == 0:
        return p.V_A0, p.V_B0
    x = min(max(x_p, 0.0), p.L)
    return p.V_A0 + p.A_A * x, p.V_B0 + p.A_B * (p.L - x)


@inner_kernel
def chamber_compliance(
    V: float, pressure: float, p: CylinderParameters, oil: OilParameters
) -> float:
    """Return the compliance of a rigid or elastic volume filled with oil [m3/Pa]."""
    return V * (compressibility(pressure, oil) + p.wall)


@inner_kernel
def output(
    t: float, x: tuple[float, float, float, float], u: tuple[float, float], p: CylinderParameters
) -> tuple[float, float, float, float]:
    """Return force, end-stop force and the friction levels of the seals [N], see ``OUTPUTS``.

    Parameters
    ----------
    t : float
        Time [s], not read.
    x : tuple of float
        States, see ``STATES``.
    u : tuple of float
        Piston position [m] and velocity [m/s].
    p : CylinderParameters
        Numbers of the actuator.

    Returns
    -------
    tuple of float
        Force of the oil on the load in extension, force of the stops against extension, Coulomb
        and static level of the seals.
    """
    p_A, p_B = x[0], x[1]
    x_p, v_p = u[0], u[1]
    force = p.A_A * p_A - p.A_B * p_B
    if some(p.eta < 1.0):
        # driving forces lose (1 - eta); back-driven ones have to overcome the same loss
        power = force * v_p
        force *= 1.0 - (1.0 - p.eta) * power / math.sqrt(power * power + 1.0)
    stop = 0.0
    beyond, before = x_p > p.L, x_p < 0.0
    if some(beyond | before):
        upper = max(p.k_e * (x_p - p.L) + p.c_e * v_p, 0.0)
        lower = min(p.k_e * x_p + p.c_e * v_p, 0.0)
        stop = where(beyond, upper, where(before, lower, 0.0))
    pressed = p.seal_p * max(p_A + p_B, 0.0)
    return force, stop, p.seal_c + pressed, p.seal_s + pressed


@inner_kernel
def _apart(
    pressure: float,
    V: float,
    hose: float,
    flow: float,
    near: Near,
    p: CylinderParameters,
    oil: OilParameters,
) -> float:
    """Return the rate of pressure of a volume by itself [Pa/s]."""
    soft, whole = compressibility_parts(pressure, near, oil)
    soft += p.wall * whole
    return flow * whole / (V * soft + hose * whole)


@inner_kernel
def derivative(
    t: float,
    x: tuple[float, float, float, float],
    u: tuple[float, float, float, float, float, float, float, float, float, float],
    p: CylinderParameters,
    oil: OilParameters,
    near: tuple[Near, Near, Near, Near] = NOWHERE,
) -> tuple[float, float, float, float]:
    """Return the rates of the four pressures [Pa/s], see ``STATES`` and ``INPUTS``.

    ``near`` are pressures at hand near those of the states, which save time.

    While a side is merged (its lock is open) chamber and line are one volume with one pressure.
    """
    p_A, p_B, p_lA, p_lB = x[0], x[1], x[2], x[3]
    x_p, v_p = u[8], u[9]
    V_A, V_B = volumes(x_p, p)
    leak = p.C_i * (p_A - p_B)
    in_A = -p.A_A * v_p - leak - p.C_eA * p_A
    in_B = p.A_B * v_p + leak - p.C_eB * p_B
    warm = oil.expansion * oil.warming
    apart_A, apart_B = u[6] < 0.5, u[7] < 0.5
    W_A, W_B = V_A + p.V_lA, V_B + p.V_lB
    d_A = _apart(p_A, W_A, p.hose_A, u[0] + in_A + u[4] + W_A * warm, near[0], p, oil)
    d_lA = d_A
    if p.has_b == 0:
        if some(apart_A):
            inner = _apart(p_A, V_A, 0.0, u[2] + in_A + u[4] + V_A * warm, near[0], p, oil)
            outer = u[0] - u[2] + p.V_lA * warm
            d_lA = where(apart_A, _apart(p_lA, p.V_lA, p.hose_A, outer, near[2], p, oil), d_lA)
            d_A = where(apart_A, inner, d_A)
        return d_A, 0.0, d_lA, 0.0
    d_B = _apart(p_B, W_B, p.hose_B, -u[1] + in_B + u[5] + W_B * warm, near[1], p, oil)
    d_lB = d_B
    if some(apart_A | apart_B):
        inner_A = _apart(p_A, V_A, 0.0, u[2] + in_A + u[4] + V_A * warm, near[0], p, oil)
        inner_B = _apart(p_B, V_B, 0.0, u[3] + in_B + u[5] + V_B * warm, near[1], p, oil)
        outer_A, outer_B = u[0] - u[2] + p.V_lA * warm, -u[1] - u[3] + p.V_lB * warm
        d_lA = where(apart_A, _apart(p_lA, p.V_lA, p.hose_A, outer_A, near[2], p, oil), d_lA)
        d_lB = where(apart_B, _apart(p_lB, p.V_lB, p.hose_B, outer_B, near[3], p, oil), d_lB)
        d_A, d_B = where(apart_A, inner_A, d_A), where(apart_B, inner_B, d_B)
    return d_A, d_B, d_lA, d_lB
