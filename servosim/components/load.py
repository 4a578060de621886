"""Table and ways: one mass or two, friction, gravity, counterbalance, thrust and holding brake.

Physics. Piston and table are one rigid mass, or two joined by a spring and damper with optional
backlash. Friction of the ways grows with the load on them; the drill's thrust across the axis
presses the table down. A holding brake is a stiff spring to ground that slips at its holding force.

Assumptions. With one mass the seals and the ways share one bristle. The base does not yield.

Validity. Straight ways; no tilting of the table.

Sources. Friction: see ``friction.py``. Newton's law otherwise.
"""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

from servosim._elementary import power
from servosim._jit import inner_kernel, kernel
from servosim._lanes import some, where
from servosim.components.friction import (
    LUGRE,
    LUGRE_PLAIN,
    STRIBECK,
    FrictionParameters,
    friction,
)
from servosim.components.oil import ATMOSPHERE
from servosim.params import Table as ParameterTable
from servosim.params import choice, number, quantity

GRAVITY = 9.80665

STATES = (
    "piston_position",
    "piston_velocity",
    "table_position",
    "table_velocity",
    "way_bristle",
    "seal_bristle",
)
INPUTS = (
    "hydraulic_force",
    "end_stop_force",
    "seal_coulomb",
    "seal_static",
    "thrust",
    "normal_thrust",
    "brake_engaged",
    "brake_position",
)
OUTPUTS = (
    "piston_position",
    "piston_velocity",
    "table_position",
    "table_velocity",
    "friction_force",
)

_LUGRE = ("lugre", "lugre_plain")


class Table(ParameterTable):
    """Moving table, its ways and what holds it against gravity."""

    mass: float = quantity(
        "kg", above=0, high="1000 t", symbol="M_t", doc="Table without workpiece."
    )
    workpiece_mass: float = quantity("kg", low=0, high="1000 t", symbol="M_w", doc="Workpiece.")
    inclination: float = quantity(
        "deg",
        low="-90 deg",
        high="90 deg",
        symbol="theta",
        doc="Slope of the axis; 90 deg is vertical, extension upward.",
    )
    friction: Literal["lugre", "lugre_plain", "stribeck"] = choice(
        "Friction of ways and seals: elasto-plastic bristle, plain bristle, memoryless curve."
    )
    coulomb_coefficient: float = number(
        low=0, high=1, symbol="mu_c", doc="Sliding friction over the load on the ways."
    )
    static_coefficient: float = number(
        low=0, high=1, symbol="mu_s", doc="Break-away friction over the load on the ways."
    )
    way_preload: float = quantity(
        "N", low=0, high="10000 kN", symbol="N_0", doc="Load on the ways beside the weight."
    )
    normal_thrust_factor: float = number(
        low=0, high=10, symbol="n_T", doc="Share of the thrust across the axis that loads the ways."
    )
    stribeck_velocity: float = quantity(
        "mm/s", above=0, high="1 m/s", symbol="v_s", doc="Velocity of the falling friction."
    )
    stribeck_exponent: float = number(low=0.5, high=4, symbol="delta", doc="Exponent of the curve.")
    viscous_friction: float = quantity(
        "N s/m", low=0, high="1e7 N s/m", symbol="B", doc="Viscous friction of the ways."
    )
    smoothing_velocity: float = quantity(
        "mm/s",
        above=0,
        high="1 m/s",
        when={"friction": ("stribeck",)},
        symbol="v_0",
        doc="Velocity that smooths the memoryless curve around rest.",
    )
    bristle_stiffness: float = quantity(
        "N/um",
        above=0,
        high="1e5 N/um",
        when={"friction": _LUGRE},
        symbol="sigma_0",
        doc="Stiffness of the bristle.",
    )
    bristle_damping: float = quantity(
        "N s/m",
        low=0,
        high="1e8 N s/m",
        when={"friction": _LUGRE},
        symbol="sigma_1",
        doc="Damping of the bristle at rest.",
    )
    bristle_damping_velocity: float = quantity(
        "mm/s",
        above=0,
        high="10 m/s",
        when={"friction": _LUGRE},
        symbol="v_d",
        doc="Velocity over which the bristle's damping fades.",
    )
    elastic_fraction: float = quantity(
        "%",
        above=0,
        below="100 %",
        when={"friction": ("lugre",)},
        symbol="z_ba",
        doc="Purely elastic deflection as a part of Coulomb friction over bristle stiffness.",
    )
    counterbalance: Literal["none", "constant", "accumulator"] = choice("Force against gravity.")
    counterbalance_force: float = quantity(
        "N",
        low=0,
        high="10000 kN",
        when={"counterbalance": ("constant", "accumulator")},
        symbol="F_cb",
        doc="Force in extension, at the reference position.",
    )
    counterbalance_position: float = quantity(
        "mm",
        low=0,
        high="20 m",
        when={"counterbalance": ("accumulator",)},
        doc="Position where the force is stated.",
    )
    counterbalance_area: float = quantity(
        "cm2", above=0, high="1 m2", when={"counterbalance": ("accumulator",)}, doc="Piston area."
    )
    counterbalance_gas_volume: float = quantity(
        "L",
        above=0,
        high="1000 L",
        when={"counterbalance": ("accumulator",)},
        doc="Gas volume at the reference position.",
    )
    counterbalance_exponent: float = number(
        low=1, high=1.67, when={"counterbalance": ("accumulator",)}, doc="Polytropic exponent."
    )


class Structure(ParameterTable):
    """How piston and table hang together."""

    masses: Literal["one", "two"] = choice("Piston and table as one rigid mass or two.")
    piston_mass: float = quantity(
        "kg", above=0, high="100 t", symbol="M_p", doc="Piston with rod, or nut of the screw."
    )
    coupling_stiffness: float = quantity(
        "N/um",
        above=0,
        high="1e6 N/um",
        when={"masses": ("two",)},
        symbol="k_s",
        doc="Stiffness from piston to table.",
    )
    coupling_damping: float = quantity(
        "N s/m",
        low=0,
        high="1e8 N s/m",
        when={"masses": ("two",)},
        symbol="c_s",
        doc="Damping from piston to table.",
    )
    backlash: float = quantity(
        "um",
        low=0,
        high="10 mm",
        when={"masses": ("two",)},
        symbol="b",
        doc="Free travel between them.",
    )
    seal_bristle_stiffness: float = quantity(
        "N/um",
        low=0,
        high="1e5 N/um",
        absent=0.0,
        when={"masses": ("two",)},
        symbol="sigma_0s",
        doc="Stiffness of the seals' bristle.",
    )
    seal_bristle_damping: float = quantity(
        "N s/m",
        low=0,
        high="1e8 N s/m",
        absent=0.0,
        when={"masses": ("two",)},
        symbol="sigma_1s",
        doc="Damping of the seals' bristle at rest.",
    )


class LoadParameters(NamedTuple):
    """Numbers of table and ways for the kernels."""

    two: int
    M_p: float
    M_t: float
    M_inverse: float  # of both masses together, 1/kg
    M_g: float  # weight on the piston's side: rotating inertia has none, kg
    sin: float
    cos: float
    mu_c: float
    mu_s: float
    N_0: float
    n_T: float
    B: float  # ways
    B_s: float  # seals
    way: FrictionParameters
    seal: FrictionParameters
    k_s: float
    c_s: float
    b: float
    cb: int  # 0 none, 1 constant, 2 accumulator
    F_cb: float
    x_cb: float
    A_cb: float
    V_cb: float
    n_cb: float
    k_b: float  # brake
    c_b: float
    F_b: float


def load_parameters(
    table: Table, structure: Structure, seal_viscous: float, screw_mass: float
) -> LoadParameters:
    """Return the numbers that the kernels use, without a brake.

    Parameters
    ----------
    table : Table
        Table and ways.
    structure : Structure
        One mass or two.
    seal_viscous : float
        Viscous friction of the seals [N s/m].
    screw_mass : float
        Inertia of a motor and screw, seen along the screw [kg].

    Returns
    -------
    LoadParameters
        Plain numbers, SI.
    """
    model = {"stribeck": STRIBECK, "lugre": LUGRE, "lugre_plain": LUGRE_PLAIN}[table.friction]
    bristle = model != STRIBECK
    two = structure.masses == "two"
    way = FrictionParameters(
        model=model,
        v_s_inverse=1.0 / table.stribeck_velocity,
        delta=table.stribeck_exponent,
        v_0=1.0 if bristle else table.smoothing_velocity,
        sigma_0=table.bristle_stiffness if bristle else 1.0,
        sigma_1=table.bristle_damping,
        v_d_inverse=1.0 / table.bristle_damping_velocity if bristle else 1.0,
        elastic=table.elastic_fraction,
    )
    seal = way._replace(
        sigma_0=structure.seal_bristle_stiffness or 1.0,
        sigma_1=structure.seal_bristle_damping,
    )
    return LoadParameters(
        two=int(two),
        M_p=structure.piston_mass + screw_mass,
        M_t=table.mass + table.workpiece_mass,
        M_inverse=1.0 / (structure.piston_mass + screw_mass + table.mass + table.workpiece_mass),
        M_g=structure.piston_mass,
        sin=math.sin(table.inclination),
        cos=math.cos(table.inclination),
        mu_c=table.coulomb_coefficient,
        mu_s=table.static_coefficient,
        N_0=table.way_preload,
        n_T=table.normal_thrust_factor,
        B=table.viscous_friction,
        B_s=seal_viscous,
        way=way,
        seal=seal,
        k_s=structure.coupling_stiffness,
        c_s=structure.coupling_damping,
        b=structure.backlash,
        cb={"none": 0, "constant": 1, "accumulator": 2}[table.counterbalance],
        F_cb=table.counterbalance_force,
        x_cb=table.counterbalance_position,
        A_cb=table.counterbalance_area,
        V_cb=table.counterbalance_gas_volume if table.counterbalance == "accumulator" else 1.0,
        n_cb=table.counterbalance_exponent,
        k_b=0.0,
        c_b=0.0,
        F_b=0.0,
    )


@inner_kernel
def counterbalance_force(x: float, p: LoadParameters) -> float:
    """Return the force against gravity [N].

    Behind the piston of an accumulator ``p V^n`` holds in absolute pressure as the table moves.
    """
    if p.cb == 2:
        V = max(p.V_cb + p.A_cb * (x - p.x_cb), 1e-9)
        outside = p.A_cb * ATMOSPHERE
        return (p.F_cb + outside) * power(p.V_cb / V, p.n_cb) - outside
    return p.F_cb


@inner_kernel
def way_levels(normal_thrust: float, p: LoadParameters) -> tuple[float, float]:
    """Return the Coulomb and static friction of the ways [N] at a thrust across the axis."""
    N = max(p.M_t * GRAVITY * p.cos + p.N_0 + p.n_T * normal_thrust, 0.0)
    return p.mu_c * N, p.mu_s * N


@inner_kernel
def coupling_force(dx: float, dv: float, p: LoadParameters) -> float:
    """Return the force from piston to table [N] for a relative travel and velocity."""
    half = 0.5 * p.b
    stretch = dx - min(max(dx, -half), half)
    force = p.k_s * stretch + p.c_s * dv
    if some(p.b > 0.0):  # flanks push and never pull
        pushing = where(stretch > 0.0, max(force, 0.0), min(force, 0.0))
        force = where(p.b > 0.0, where(stretch == 0.0, 0.0, pushing), force)
    return force


@inner_kernel
def brake_anchor(x_t: float, x_b: float, p: LoadParameters) -> float:
    """Return where the holding brake's spring is anchored: a slipping brake takes it along [m]."""
    reach = p.F_b / p.k_b
    return x_t - min(max(x_t - x_b, -reach), reach)


@inner_kernel
def brake_force(x_t: float, v_t: float, engaged: float, x_b: float, p: LoadParameters) -> float:
    """Return the force of the holding brake against the table's motion [N]."""
    if some(engaged > 0.5):
        force = min(max(p.k_b * (x_t - x_b) + p.c_b * v_t, -p.F_b), p.F_b)
        return where(engaged > 0.5, force, 0.0)
    return 0.0


@inner_kernel
def forces(
    x: tuple[float, float, float, float, float, float],
    u: tuple[float, float, float, float, float, float, float, float],
    p: LoadParameters,
) -> tuple[float, float, float, float]:
    """Return friction of the piston side and of the ways [N], and the rates of both bristles.

    With one mass all friction counts as the ways' and the seals' bristle rests.
    """
    F_c, F_s = way_levels(u[5], p)
    if p.two == 0:
        force, z_rate = friction(x[1], x[4], F_c + u[2], F_s + u[3], p.way)
        return 0.0, force + (p.B + p.B_s) * x[1], z_rate, 0.0
    way, way_rate = friction(x[3], x[4], F_c, F_s, p.way)
    seal, seal_rate = friction(x[1], x[5], u[2], u[3], p.seal)
    return seal + p.B_s * x[1], way + p.B * x[3], way_rate, seal_rate


@inner_kernel
def derivative(
    t: float,
    x: tuple[float, float, float, float, float, float],
    u: tuple[float, float, float, float, float, float, float, float],
    p: LoadParameters,
) -> tuple[float, float, float, float, float, float]:
    """Return the rates of positions, velocities and bristles, see ``STATES`` and ``INPUTS``."""
    seal, way, way_rate, seal_rate = forces(x, u, p)
    x_t = x[2] if p.two == 1 else x[0]
    v_t = x[3] if p.two == 1 else x[1]
    held = brake_force(x_t, v_t, u[6], u[7], p)
    outer = counterbalance_force(x_t, p) - u[4] - held - way - p.M_t * GRAVITY * p.sin
    inner = u[0] - u[1] - seal - p.M_g * GRAVITY * p.sin
    if p.two == 0:
        a = (inner + outer) * p.M_inverse
        return x[1], a, x[1], a, way_rate, seal_rate
    link = coupling_force(x[0] - x[2], x[1] - x[3], p)
    return x[1], (inner - link) / p.M_p, x[3], (outer + link) / p.M_t, way_rate, seal_rate


@kernel
def output(
    t: float,
    x: tuple[float, float, float, float, float, float],
    u: tuple[float, float, float, float, float, float, float, float],
    p: LoadParameters,
) -> tuple[float, float, float, float, float]:
    """Return positions, velocities and total friction force, see ``OUTPUTS``."""
    seal, way, _, _ = forces(x, u, p)
    if p.two == 0:
        return x[0], x[1], x[0], x[1], way
    return x[0], x[1], x[2], x[3], way + seal
