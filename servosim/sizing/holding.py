"""The held table: stiffness of the locked oil, deflection under thrust, drift, trapped heat.

While the lock is closed the oil between piston and lock is a spring of its own, without the lines.
A lock whose element is the spool keeps the lines with the chambers. A holding brake stands beside
the oil; without lock and brake the position loop holds, which the moves of the tried combinations
show and no sum here.

Presliding friction adds its bristles' stiffness and is told apart: it can't be counted on.

Sources. Springs in parallel and in series; leakage over area (from memory); trapped oil as in the
trade's 11 bar/K.
"""

from __future__ import annotations

import numpy as np

from servosim.sizing.calculation import formula
from servosim.sizing.combinations import Array


@formula(
    "k_t",
    "stiffness of the held table",
    "k_h + k_b",
    "N/m",
    "springs in parallel",
    k_h=("stiffness of the locked oil", "N/m"),
    k_b=("stiffness of the brake", "N/m"),
)
def held_stiffness(k_h: Array, k_b: Array) -> Array:
    """Return the stiffness of oil and brake [N/m]."""
    return k_h + k_b


@formula(
    "k_t",
    "stiffness of the held table, with what joins it to the piston",
    "k_h/(1 + k_h/k_s) + k_b",
    "N/m",
    "oil and coupling in series, the brake on the table beside them",
    k_h=("stiffness of the locked oil", "N/m"),
    k_s=("stiffness from piston to table", "N/m"),
    k_b=("stiffness of the brake", "N/m"),
)
def table_stiffness(k_h: Array, k_s: Array, k_b: Array) -> Array:
    """Return the stiffness of the held table [N/m]."""
    return k_h / (1.0 + k_h / k_s) + k_b


@formula(
    "k_f",
    "stiffness with presliding friction, which can't be counted on",
    "k_t + sigma_0",
    "N/m",
    "springs in parallel",
    k_t=("stiffness of the held table", "N/m"),
    sigma_0=("bristles of the friction", "N/m"),
)
def stiffness_with_friction(k_t: Array, sigma_0: Array) -> Array:
    """Return the stiffness with the bristles of friction [N/m]."""
    return k_t + sigma_0


@formula(
    "delta",
    "deflection under thrust",
    "abs(F_L)/k_t",
    "m",
    "definition",
    F_L=("thrust along the axis", "N"),
    k_t=("stiffness of the held table", "N/m"),
)
def deflection_of(F_L: Array, k_t: Array) -> Array:
    """Return the deflection of the held table [m]."""
    with np.errstate(divide="ignore", invalid="ignore"):  # nothing but the position loop holds it
        return np.absolute(F_L) / k_t


@formula(
    "dp_l",
    "greatest pressure across the closed lock",
    "maximum(p_S - minimum(p_A, p_B), maximum(p_A, p_B) - p_T)",
    "Pa",
    "own choice: the lines may have run to supply or return",
    p_S=("highest supply pressure", "Pa"),
    p_A=("pressure of side A", "Pa"),
    p_B=("pressure of side B", "Pa"),
    p_T=("return pressure", "Pa"),
)
def lock_pressure(p_S: Array, p_A: Array, p_B: Array, p_T: Array) -> Array:
    """Return the greatest pressure across the closed lock [Pa]."""
    return np.maximum(p_S - np.minimum(p_A, p_B), np.maximum(p_A, p_B) - p_T)


@formula(
    "q_l",
    "leakage that moves the held piston, at most",
    "G*dp_l + C_i*abs(p_A - p_B) + C_e*maximum(p_A, p_B)",
    "m3/s",
    "laminar leakage of lock, piston and case",
    G=("leakage of the lock", "m3/s/Pa"),
    dp_l=("pressure across the lock", "Pa"),
    C_i=("leakage from side to side", "m3/s/Pa"),
    p_A=("pressure of side A", "Pa"),
    p_B=("pressure of side B", "Pa"),
    C_e=("leakage of a side outward", "m3/s/Pa"),
)
def holding_leakage(G: Array, dp_l: Array, C_i: Array, p_A: Array, p_B: Array, C_e: Array) -> Array:
    """Return the leakage that moves a held piston [m3/s]."""
    return G * dp_l + C_i * np.absolute(p_A - p_B) + C_e * np.maximum(p_A, p_B)


@formula(
    "x_q",
    "drift through leakage over the time it is held",
    "q_l*t/A",
    "m",
    "leakage over area, from memory; the smaller area, safe side",
    q_l=("leakage", "m3/s"),
    t=("time it is held", "s"),
    A=("smaller area", "m2"),
)
def leakage_drift(q_l: Array, t: Array, A: Array) -> Array:
    """Return the drift through leakage [m]."""
    return q_l * t / A


@formula(
    "x_T",
    "shift of the held piston for a kelvin of warming",
    "abs(A_A*K_A - A_B*K_B)*alpha/k_h",
    "m/K",
    "volumes V alpha dT of both sides against the spring of the oil; for one modulus "
    "(A_A - A_B) alpha dT/(A_A^2/V_A + A_B^2/V_B)",
    A_A=("area of side A", "m2"),
    K_A=("modulus of side A", "Pa"),
    A_B=("area of side B", "m2"),
    K_B=("modulus of side B", "Pa"),
    alpha=("expansion of the oil less that of the steel around it", "1/K"),
    k_h=("stiffness of the locked oil", "N/m"),
)
def warming_shift(
    A_A: Array, K_A: Array, A_B: Array, K_B: Array, alpha: Array, k_h: Array
) -> Array:
    """Return the shift of a held piston for a kelvin [m/K]."""
    return np.absolute(A_A * K_A - A_B * K_B) * alpha / k_h


@formula(
    "p_1",
    "pressure that trapped oil gains for a kelvin of warming if nothing yields",
    "alpha*K_e",
    "Pa/K",
    "thermal expansion against the modulus; about 11 bar/K, fluidpower.pro",
    alpha=("expansion of the oil less that of the steel around it", "1/K"),
    K_e=("modulus of oil and wall", "Pa"),
)
def trapped_pressure(alpha: Array, K_e: Array) -> Array:
    """Return the pressure that trapped oil gains for a kelvin [Pa/K]."""
    return alpha * K_e


@formula(
    "x_d",
    "drift over the time it is held",
    "x_q + x_T*abs(r)*t",
    "m",
    "sum of both, safe side",
    x_q=("through leakage", "m"),
    x_T=("shift for a kelvin", "m/K"),
    r=("warming rate of the oil", "K/s"),
    t=("time it is held", "s"),
)
def drift_of(x_q: Array, x_T: Array, r: Array, t: Array) -> Array:
    """Return the drift over the time it is held [m]."""
    return x_q + x_T * np.absolute(r) * t


@formula(
    "p_B",
    "pressure of side B if it is blocked while A is under supply, with the load pushing",
    "where(A_B > 0, (A_A*p_S - F)/A_B, p_S)",
    "Pa",
    "balance of forces (pressure intensification; Esposito, ex. 8-6)",
    A_A=("area of side A", "m2"),
    p_S=("highest supply pressure", "Pa"),
    F=("least force that the oil has to overcome; negative if the load pushes", "N"),
    A_B=("area of side B", "m2"),
)
def intensified_b(A_A: Array, p_S: Array, F: Array, A_B: Array) -> Array:
    """Return the pressure of side B, blocked [Pa]."""
    with np.errstate(divide="ignore", invalid="ignore"):  # a plunger has no side B
        return np.where(A_B > 0.0, (A_A * p_S - F) / A_B, p_S)


@formula(
    "p_A",
    "pressure of side A if it is blocked while B is under supply, with the load pushing",
    "(A_B*p_S + F)/A_A",
    "Pa",
    "balance of forces (pressure intensification)",
    A_B=("area of side B", "m2"),
    p_S=("highest supply pressure", "Pa"),
    F=("greatest force on side A; positive if the load pushes", "N"),
    A_A=("area of side A", "m2"),
)
def intensified_a(A_B: Array, p_S: Array, F: Array, A_A: Array) -> Array:
    """Return the pressure of side A, blocked [Pa]."""
    return (A_B * p_S + F) / A_A


@formula(
    "r_B",
    "reserve of the brake over gravity and thrust",
    "F_B/F_h - 1",
    "1",
    "definition",
    F_B=("force at which the brake slips", "N"),
    F_h=("greatest force on the held table", "N"),
)
def brake_reserve(F_B: Array, F_h: Array) -> Array:
    """Return what a brake holds beyond the force on the table, as a share of it [-]."""
    return F_B / F_h - 1.0


@formula(
    "v_max",
    "velocity that is allowed without power",
    "x/t",
    "m/s",
    "own choice: the drift that is allowed over the time it is held",
    x=("drift allowed", "m"),
    t=("time it is held", "s"),
)
def allowed_sinking(x: Array, t: Array) -> Array:
    """Return the velocity that is allowed without power [m/s]."""
    return x / t
