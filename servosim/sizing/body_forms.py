"""Formulas of cylinders and of motors on a screw: areas, masses, seals, volumes, walls.

Sources. Geometry; Lame's tube.
"""

from __future__ import annotations

import numpy as np

from servosim.sizing.calculation import formula
from servosim.sizing.combinations import Array

_OF_SERIES = "requirement, [cylinders]; own choice how it grows with the bore"
POISSON = 0.3


@formula(
    "A",
    "area of the piston",
    "pi/4*D**2",
    "m2",
    "geometry",
    D=("bore", "m"),
)
def piston_area(D: Array) -> Array:
    """Return the area of a bore [m2]."""
    return np.pi / 4.0 * D**2


@formula(
    "A",
    "area of the annulus around the rod",
    "pi/4*(D**2 - d**2)",
    "m2",
    "geometry",
    D=("bore", "m"),
    d=("rod", "m"),
)
def ring_area(D: Array, d: Array) -> Array:
    """Return the area around a rod [m2]."""
    return np.pi / 4.0 * (D**2 - d**2)


@formula(
    "A",
    "area as which a motor acts through a screw",
    "V_m/h",
    "m2",
    "definition, displacement over lead",
    V_m=("displacement of the motor", "m3/rad"),
    h=("lead of the screw", "m/rad"),
)
def screw_area(V_m: Array, h: Array) -> Array:
    """Return the area as which a motor on a screw acts [m2]."""
    return V_m / h


@formula(
    "M_p",
    "piston with rod",
    "M_100*(D/D_100)**2",
    "kg",
    _OF_SERIES,
    M_100=("for a bore of 100 mm", "kg"),
    D=("bore", "m"),
    D_100=("that bore", "m"),
)
def piston_mass_of(M_100: Array, D: Array, D_100: Array) -> Array:
    """Return the mass of piston and rod [kg]."""
    return M_100 * (D / D_100) ** 2


@formula(
    "M_J",
    "inertia of motor and screw as seen along it",
    "J/h**2",
    "kg",
    "kinetic energy of rotation",
    J=("inertia", "kg m2"),
    h=("lead of the screw", "m/rad"),
)
def screw_mass_of(J: Array, h: Array) -> Array:
    """Return the mass that a rotating inertia is along a screw [kg]."""
    return J / h**2


@formula(
    "F_s",
    "sliding friction of the seals without pressure",
    "f*pi*(D + n*d)",
    "N",
    "requirement, [cylinders], over the length of their edges",
    f=("friction over length", "N/m"),
    D=("bore", "m"),
    n=("rods", "1"),
    d=("rod", "m"),
)
def seal_friction_of(f: Array, D: Array, n: Array, d: Array) -> Array:
    """Return the friction of the seals of piston and rods [N]."""
    return f * np.pi * (D + n * d)


@formula(
    "F_s",
    "friction of the motor along the screw",
    "T_f/h",
    "N",
    "work of a radian",
    T_f=("friction torque", "N m"),
    h=("lead of the screw", "m/rad"),
)
def motor_friction_of(T_f: Array, h: Array) -> Array:
    """Return the friction of a motor along its screw [N]."""
    return T_f / h


@formula(
    "F_b",
    "break-away friction of the seals",
    "r*F_s",
    "N",
    "requirement",
    r=("static over sliding friction", "1"),
    F_s=("sliding friction", "N"),
)
def breakaway_of(r: Array, F_s: Array) -> Array:
    """Return the static friction of the seals [N]."""
    return r * F_s


@formula(
    "k_p",
    "seal friction over the sum of the pressures",
    "k_100*D/D_100",
    "N/Pa",
    _OF_SERIES,
    k_100=("for a bore of 100 mm", "N/Pa"),
    D=("bore", "m"),
    D_100=("that bore", "m"),
)
def pressure_friction_of(k_100: Array, D: Array, D_100: Array) -> Array:
    """Return the seal friction over the sum of the pressures [N/Pa]."""
    return k_100 * D / D_100


@formula(
    "V_0",
    "oil from the piston at its end to the lock",
    "A*l_0 + V_l",
    "m3",
    "geometry",
    A=("area", "m2"),
    l_0=("length left beyond the piston", "m"),
    V_l=("oil from port to lock", "m3"),
)
def dead_volume_of(A: Array, l_0: Array, V_l: Array) -> Array:
    """Return the oil that stays between piston and lock [m3]."""
    return A * l_0 + V_l


@formula(
    "V_0",
    "oil of half a turn of the motor and of its block",
    "pi*V_m + V_l",
    "m3",
    "own choice: half of the displacement stands on each side",
    V_m=("displacement of the motor", "m3/rad"),
    V_l=("oil from port to lock", "m3"),
)
def motor_volume_of(V_m: Array, V_l: Array) -> Array:
    """Return the oil on each side of a motor [m3]."""
    return np.pi * V_m + V_l


@formula(
    "K_w",
    "modulus of the tube: pressure over relative growth of its volume",
    "E/(2*(((1 + 2*s)**2 + 1)/((1 + 2*s)**2 - 1) + nu))",
    "Pa",
    "Lame's thick tube without force along it; thin walls: E t/D (H. Mann, lecture notes)",
    E=("modulus of elasticity", "Pa"),
    s=("wall over bore", "1"),
    nu=("Poisson's ratio", "1"),
)
def tube_modulus(E: Array, s: Array, nu: Array) -> Array:
    """Return the modulus of a tube's bore [Pa]."""
    square = (1.0 + 2.0 * s) ** 2
    return E / (2.0 * ((square + 1.0) / (square - 1.0) + nu))
