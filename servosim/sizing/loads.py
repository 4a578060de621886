"""Formulas of the forces on the table, and of the time of a cycle.

Sources. Newton's law; friction as in ``components/load.py``.
"""

from __future__ import annotations

import numpy as np

from servosim.sizing.calculation import formula
from servosim.sizing.combinations import Array

_LOAD = "definition, forces of the table as in its equations of motion"


@formula(
    "F_c",
    "friction of the ways",
    "mu*maximum(M*g*cos(theta) + N_0 + n_T*F_N, 0)",
    "N",
    "Coulomb's law",
    mu=("coefficient of friction", "1"),
    M=("table and workpiece", "kg"),
    g=("gravity", "m/s2"),
    theta=("inclination", "rad"),
    N_0=("load on the ways beside the weight", "N"),
    n_T=("share of the thrust across the axis", "1"),
    F_N=("thrust across the axis", "N"),
)
def way_friction(
    mu: Array, M: Array, g: Array, theta: Array, N_0: Array, n_T: Array, F_N: Array
) -> Array:
    """Return the friction of the ways [N]."""
    return mu * np.maximum(M * g * np.cos(theta) + N_0 + n_T * F_N, 0.0)


@formula(
    "F_cb",
    "counterbalance at a position",
    "(F_0 + A*p_0)*(V_0/(V_0 + A*(x - x_0)))**n - A*p_0",
    "N",
    "p V^n constant in absolute pressure",
    F_0=("force at its reference position", "N"),
    A=("area of its piston", "m2"),
    p_0=("atmospheric pressure", "Pa"),
    V_0=("gas at the reference position", "m3"),
    x=("position", "m"),
    x_0=("reference position", "m"),
    n=("exponent of the gas", "1"),
)
def counterbalance_at(
    F_0: Array, A: Array, p_0: Array, V_0: Array, x: Array, x_0: Array, n: Array
) -> Array:
    """Return the counterbalance's force at a position [N]."""
    return (F_0 + A * p_0) * (V_0 / (V_0 + A * (x - x_0))) ** n - A * p_0


@formula(
    "F_ext",
    "force on the table in motion, without inertia and seals",
    "s*(F_c + B*abs(v)) + M*g*sin(theta) - F_cb + F_L",
    "N",
    _LOAD,
    s=("direction of the motion", "1"),
    F_c=("friction of the ways", "N"),
    B=("viscous friction of the ways", "N s/m"),
    v=("velocity", "m/s"),
    M=("table and workpiece", "kg"),
    g=("gravity", "m/s2"),
    theta=("inclination", "rad"),
    F_cb=("counterbalance", "N"),
    F_L=("thrust against extension", "N"),
)
def external_force_of(
    s: Array,
    F_c: Array,
    B: Array,
    v: Array,
    M: Array,
    g: Array,
    theta: Array,
    F_cb: Array,
    F_L: Array,
) -> Array:
    """Return the force on the moving table without inertia and seals [N]."""
    return s * (F_c + B * np.absolute(v)) + M * g * np.sin(theta) - F_cb + F_L


@formula(
    "F_h",
    "force on the held table, without friction",
    "M*g*sin(theta) - F_cb + F_L",
    "N",
    _LOAD,
    M=("table and workpiece", "kg"),
    g=("gravity", "m/s2"),
    theta=("inclination", "rad"),
    F_cb=("counterbalance", "N"),
    F_L=("thrust against extension", "N"),
)
def held_force_of(M: Array, g: Array, theta: Array, F_cb: Array, F_L: Array) -> Array:
    """Return the force on the held table without friction [N]."""
    return M * g * np.sin(theta) - F_cb + F_L


@formula(
    "F_p",
    "force on the held piston or nut",
    "F_h + M_g*g*sin(theta)",
    "N",
    _LOAD,
    F_h=("force on the held table", "N"),
    M_g=("piston and rod, or nut", "kg"),
    g=("gravity", "m/s2"),
    theta=("inclination", "rad"),
)
def held_at_piston(F_h: Array, M_g: Array, g: Array, theta: Array) -> Array:
    """Return the force on the held piston [N]."""
    return F_h + M_g * g * np.sin(theta)


@formula(
    "p_low",
    "lowest supply pressure",
    "p_S*(1 - e)",
    "Pa",
    "requirement, [conditions] supply_variation",
    p_S=("nominal supply pressure", "Pa"),
    e=("variation of the supply pressure", "1"),
)
def lowest_supply(p_S: Array, e: Array) -> Array:
    """Return the lowest supply pressure [Pa]."""
    return p_S * (1.0 - e)


@formula(
    "p_high",
    "highest supply pressure",
    "p_S*(1 + e)",
    "Pa",
    "requirement, [conditions] supply_variation",
    p_S=("nominal supply pressure", "Pa"),
    e=("variation of the supply pressure", "1"),
)
def highest_supply(p_S: Array, e: Array) -> Array:
    """Return the highest supply pressure [Pa]."""
    return p_S * (1.0 + e)


@formula(
    "t_lk",
    "time that closing and opening the lock add to a stop",
    "t_d + t_v + t_c + t_o + t_r",
    "s",
    "requirement, [lock]",
    t_d=("dwell in the lock's window", "s"),
    t_v=("longer delay of closing", "s"),
    t_c=("closing time", "s"),
    t_o=("opening time", "s"),
    t_r=("dwell before the next motion", "s"),
)
def locking_time_of(t_d: Array, t_v: Array, t_c: Array, t_o: Array, t_r: Array) -> Array:
    """Return the time that a lock adds to a stop [s]."""
    return t_d + t_v + t_c + t_o + t_r


@formula(
    "t_n",
    "time that a cycle needs",
    "t_mov + n*(t_dw + t_lk)",
    "s",
    "definition",
    t_mov=("time of all moves until the window", "s"),
    n=("moves of a cycle", "1"),
    t_dw=("time in position", "s"),
    t_lk=("closing and opening of the lock", "s"),
)
def needed_cycle_time(t_mov: Array, n: Array, t_dw: Array, t_lk: Array) -> Array:
    """Return the time that a cycle needs [s]."""
    return t_mov + n * (t_dw + t_lk)


@formula(
    "t_c",
    "time there is for a cycle",
    "1/N",
    "s",
    "definition",
    N=("cycles a second, those an hour over 3600", "1/s"),
)
def allowed_cycle_time(N: Array) -> Array:
    """Return the time there is for a cycle [s]."""
    return 1.0 / N


@formula(
    "omega_m",
    "frequency that the motion needs",
    "maximum(pi/t_a, K_v)",
    "rad/s",
    "own choice: the quickest change of velocity as half a period of a cosine, or the loop's own "
    "bandwidth, whichever is higher",
    t_a=("shortest time of a change of velocity", "s"),
    K_v=("velocity gain that the settling time needs", "1/s"),
)
def motion_frequency_of(t_a: Array, K_v: Array) -> Array:
    """Return the frequency that the motion needs [rad/s]."""
    return np.maximum(np.pi / t_a, K_v)
