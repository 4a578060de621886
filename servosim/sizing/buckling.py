"""Load under which a rod buckles: Euler's column, and a shorter one by Johnson's parabola.

A slender column buckles elastically at Euler's load. Below the slenderness where Euler's stress
reaches half of the yield strength, Johnson's parabola leads down to the yield strength itself.

Assumptions. Straight rod of one diameter over the whole length between the mountings, which counts
the stiffer tube as rod (safe side); the load in the middle; no weight across.

Sources. Euler's column as in any text on strength of materials (such as S. S. Bhavikatti,
*Strength of Materials*, ch. 9); J. B. Johnson's parabola, from memory.
"""

from __future__ import annotations

from types import MappingProxyType

import numpy as np

from servosim.sizing.calculation import Calculation, formula
from servosim.sizing.combinations import Array

# buckling length over length; 0.699 is pi over the first root of tan x = x
END_FACTORS = MappingProxyType(
    {"fixed_fixed": 0.5, "fixed_guided": 0.7, "pinned_pinned": 1.0, "fixed_free": 2.0}
)
_EULER = "Euler's column, Bhavikatti, ch. 9"


@formula(
    "L_k",
    "buckling length",
    "k*L_B",
    "m",
    "Euler's column: 0.5 fixed at both ends, 0.7 fixed and pinned, 1 pinned, 2 fixed and free",
    k=("factor of the ends", "1"),
    L_B=("length from mounting to mounting", "m"),
)
def buckling_length(k: Array, L_B: Array) -> Array:
    """Return the buckling length [m]."""
    return k * L_B


@formula(
    "lambda_k",
    "slenderness of the rod",
    "4*L_k/d",
    "1",
    "definition, length over radius of gyration d/4",
    L_k=("buckling length", "m"),
    d=("rod", "m"),
)
def slenderness(L_k: Array, d: Array) -> Array:
    """Return the slenderness of a round rod [-]."""
    return 4.0 * L_k / d


@formula(
    "lambda_0",
    "slenderness below which the column isn't elastic",
    "sqrt(2*pi**2*E/R_e)",
    "1",
    "Johnson's parabola, from memory: Euler's stress is half of the yield strength",
    E=("modulus of elasticity", "Pa"),
    R_e=("yield strength", "Pa"),
)
def limiting_slenderness(E: Array, R_e: Array) -> Array:
    """Return the slenderness where Euler's hyperbola and Johnson's parabola meet [-]."""
    return np.sqrt(2.0 * np.pi**2 * E / R_e)


@formula(
    "F_E",
    "Euler's load",
    "pi**3*E*d**4/(64*L_k**2)",
    "N",
    _EULER,
    E=("modulus of elasticity", "Pa"),
    d=("rod", "m"),
    L_k=("buckling length", "m"),
)
def euler_load(E: Array, d: Array, L_k: Array) -> Array:
    """Return Euler's buckling load of a round rod [N]."""
    return np.pi**3 * E * d**4 / (64.0 * L_k**2)


@formula(
    "F_J",
    "load of a short column",
    "pi/4*d**2*R_e*(1 - R_e*lambda_k**2/(4*pi**2*E))",
    "N",
    "Johnson's parabola, from memory",
    d=("rod", "m"),
    R_e=("yield strength", "Pa"),
    lambda_k=("slenderness", "1"),
    E=("modulus of elasticity", "Pa"),
)
def johnson_load(d: Array, R_e: Array, lambda_k: Array, E: Array) -> Array:
    """Return the load of a short column after Johnson [N]."""
    return np.pi / 4.0 * d**2 * R_e * (1.0 - R_e * lambda_k**2 / (4.0 * np.pi**2 * E))


@formula(
    "F_k",
    "buckling load",
    "where(lambda_k >= lambda_0, F_E, F_J)",
    "N",
    "definition",
    lambda_k=("slenderness", "1"),
    lambda_0=("slenderness below which the column isn't elastic", "1"),
    F_E=("Euler's load", "N"),
    F_J=("load of a short column", "N"),
)
def column_load(lambda_k: Array, lambda_0: Array, F_E: Array, F_J: Array) -> Array:
    """Return the buckling load [N]."""
    return np.where(lambda_k >= lambda_0, F_E, F_J)


@formula(
    "n_k",
    "safety against buckling",
    "F_k/F",
    "1",
    "definition",
    F_k=("buckling load", "N"),
    F=("greatest push of the oil", "N"),
)
def buckling_safety(F_k: Array, F: Array) -> Array:
    """Return the safety against buckling [-]."""
    return F_k / F


def buckling_load_of(
    rod: Array,
    length: float,
    mounting: str,
    modulus: float,
    strength: float,
    calc: Calculation,
) -> Array:
    """Return the load under which a rod buckles.

    Parameters
    ----------
    rod : ndarray
        Diameter [m].
    length : float
        From mounting to mounting when fully extended [m].
    mounting : str
        Ends of the column, a key of ``END_FACTORS``.
    modulus, strength : float
        Modulus of elasticity and yield strength of the rod [Pa].
    calc : Calculation
        Keeps the steps.

    Returns
    -------
    ndarray
        Load without safety [N].
    """
    L_k = calc.of(buckling_length, f"mounting {mounting}", k=END_FACTORS[mounting], L_B=length)
    lambda_k = calc.of(slenderness, L_k=L_k, d=rod)
    limit = calc.of(limiting_slenderness, E=modulus, R_e=strength)
    elastic = calc.of(euler_load, E=modulus, d=rod, L_k=L_k)
    plastic = calc.of(johnson_load, d=rod, R_e=strength, lambda_k=lambda_k, E=modulus)
    found: Array = calc.of(column_load, lambda_k=lambda_k, lambda_0=limit, F_E=elastic, F_J=plastic)
    return found
