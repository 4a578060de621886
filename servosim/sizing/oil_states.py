"""Viscosity and density of the oil in the states that lines and heat are counted with.

The numbers are those of :mod:`servosim.components.oil`; here they are steps of the sheet.

Sources. ASTM D341 (Walther equation with the constant 0.7), written with the first of both given
points as reference; linear expansion from 15 degC.
"""

from __future__ import annotations

import numpy as np

from servosim.components.oil import REFERENCE_DENSITY_TEMPERATURE
from servosim.sizing.calculation import Calculation, formula
from servosim.sizing.combinations import Array
from servosim.sizing.requirement import RequirementFile

_WALTHER = "Walther equation, ASTM D341"
_UNIT = 1e-6  # m2/s: the equation takes viscosity in mm2/s


@formula(
    "Y",
    "ordinate of a point of the viscosity line",
    "log10(log10(nu/nu_u + 0.7))",
    "1",
    _WALTHER,
    nu=("kinematic viscosity", "m2/s"),
    nu_u=("unit of the equation", "m2/s"),
)
def viscosity_ordinate(nu: Array, nu_u: Array) -> Array:
    """Return the double logarithm of a viscosity [-]."""
    return np.log10(np.log10(nu / nu_u + 0.7))


@formula(
    "b",
    "slope of the viscosity line",
    "(Y_1 - Y_2)/log10(T_2/T_1)",
    "1",
    _WALTHER,
    Y_1=("ordinate of the first point", "1"),
    Y_2=("ordinate of the second point", "1"),
    T_1=("temperature of the first point", "K"),
    T_2=("temperature of the second point", "K"),
)
def viscosity_slope(Y_1: Array, Y_2: Array, T_1: Array, T_2: Array) -> Array:
    """Return the slope of the viscosity line [-]."""
    return (Y_1 - Y_2) / np.log10(T_2 / T_1)


@formula(
    "nu",
    "kinematic viscosity",
    "nu_u*(10**(10**(Y_1 - b*log10(T/T_1))) - 0.7)",
    "m2/s",
    _WALTHER,
    nu_u=("unit of the equation", "m2/s"),
    Y_1=("ordinate of the first point", "1"),
    b=("slope of the viscosity line", "1"),
    T=("temperature", "K"),
    T_1=("temperature of the first point", "K"),
)
def viscosity_at(nu_u: Array, Y_1: Array, b: Array, T: Array, T_1: Array) -> Array:
    """Return the kinematic viscosity at a temperature [m2/s]."""
    return nu_u * (10.0 ** (10.0 ** (Y_1 - b * np.log10(T / T_1))) - 0.7)


@formula(
    "rho",
    "density of the oil, without pressure",
    "rho_15*(1 - alpha*(T - T_15))",
    "kg/m3",
    "requirement, [oil]; linear expansion",
    rho_15=("density at 15 degC", "kg/m3"),
    alpha=("thermal expansion", "1/K"),
    T=("temperature", "K"),
    T_15=("temperature of the stated density", "K"),
)
def density_at(rho_15: Array, alpha: Array, T: Array, T_15: Array) -> Array:
    """Return the density of the oil at a temperature [kg/m3]."""
    return rho_15 * (1.0 - alpha * (T - T_15))


def write_oil(requirement: RequirementFile, calc: Calculation) -> None:
    """Keep the steps of viscosity and density, if a sheet is written.

    Parameters
    ----------
    requirement : RequirementFile
        Oil and temperatures.
    calc : Calculation
        Keeps the steps.
    """
    if not calc.records:
        return
    oil, conditions = requirement.oil, requirement.conditions
    with calc.section("Oil: viscosity and density"):
        Y_1, Y_2 = (
            calc.of(viscosity_ordinate, note, nu=nu, nu_u=_UNIT)
            for note, nu in (("first point", oil.viscosity_1), ("second point", oil.viscosity_2))
        )
        T_1 = oil.viscosity_temperature_1
        b = calc.of(viscosity_slope, Y_1=Y_1, Y_2=Y_2, T_1=T_1, T_2=oil.viscosity_temperature_2)
        states = (
            ("coldest oil at work", conditions.temperature.low),
            ("coldest start", conditions.coldest_start),
            ("hottest oil at work", conditions.temperature.high),
        )
        for note, T in states:
            calc.of(viscosity_at, note, nu_u=_UNIT, Y_1=Y_1, b=b, T=T, T_1=T_1)
        for note, T in states:
            calc.of(density_at, note, rho_15=oil.density, alpha=oil.thermal_expansion, T=T,
                    T_15=REFERENCE_DENSITY_TEMPERATURE)  # fmt: skip
