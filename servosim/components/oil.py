"""Hydraulic oil: viscosity, density and the bulk modulus of oil with free air.

Physics. Viscosity follows the Walther equation through two given points. The liquid's bulk modulus
grows with pressure and falls with temperature; free air, given as its volume fraction at
atmospheric pressure, follows a polytropic law and softens the mixture at low pressure.

Assumptions. Air neither dissolves nor leaves the oil during a move. The oil's temperature is one
number for the whole axis. Below an air-release pressure the oil counts as cavitating: the equations
still run (the stiffness is evaluated at a floor of pressure), but the run says so.

Validity. Mineral oil between -10 and 90 degC and up to 400 bar.

Sources. ASTM D341 (Walther equation, constant 0.7); M. G. Rabie, *Fluid Power Engineering*,
McGraw-Hill 2009, section 2 (oil with free gas).
"""

from __future__ import annotations

import math
from typing import NamedTuple

from servosim._elementary import power
from servosim._jit import inner_kernel
from servosim._lanes import no, some, where
from servosim.params import Table, number, quantity

ATMOSPHERE = 101325.0
REFERENCE_DENSITY_TEMPERATURE = 288.15
# a pressure at hand: one over its absolute value, and what the free air keeps of its volume there
Near = tuple[float, float]
FAR: Near = (0.0, 0.0)  # none


class Oil(Table):
    """Oil of the axis; the temperature is that of the move."""

    viscosity_1: float = quantity(
        "mm2/s",
        low="0.5 mm2/s",
        high="20000 mm2/s",
        symbol="nu_1",
        doc="Kinematic viscosity, first point.",
    )
    viscosity_temperature_1: float = quantity(
        "degC", low="-50 degC", high="200 degC", symbol="T_1", doc="Temperature of the first point."
    )
    viscosity_2: float = quantity(
        "mm2/s",
        low="0.5 mm2/s",
        high="20000 mm2/s",
        symbol="nu_2",
        doc="Kinematic viscosity, second point.",
    )
    viscosity_temperature_2: float = quantity(
        "degC",
        low="-50 degC",
        high="200 degC",
        symbol="T_2",
        doc="Temperature of the second point.",
    )
    density: float = quantity(
        "kg/m3", low="600 kg/m3", high="2000 kg/m3", symbol="rho_15", doc="Density at 15 degC."
    )
    thermal_expansion: float = quantity(
        "1/K", low=0, high="0.005 1/K", symbol="alpha", doc="Volume expansion of the oil."
    )
    bulk_modulus: float = quantity(
        "GPa",
        low="0.1 GPa",
        high="5 GPa",
        symbol="K_0",
        doc="Bulk modulus of the liquid at zero gauge pressure and its reference temperature.",
    )
    bulk_modulus_temperature: float = quantity(
        "degC",
        low="-50 degC",
        high="200 degC",
        symbol="T_0",
        doc="Reference temperature of the bulk modulus.",
    )
    bulk_modulus_pressure_slope: float = number(
        low=0, high=30, symbol="m", doc="Growth of the bulk modulus with pressure."
    )
    bulk_modulus_temperature_slope: float = quantity(
        "MPa/K",
        low=0,
        high="50 MPa/K",
        symbol="k_T",
        doc="Fall of the bulk modulus with temperature.",
    )
    free_air: float = quantity(
        "%",
        low=0,
        high="20 %",
        symbol="a_0",
        doc="Free air as a fraction of volume at atmospheric pressure.",
    )
    polytropic_exponent: float = number(
        low=1, high=1.67, symbol="n", doc="Polytropic exponent of the free air."
    )
    temperature: float = quantity(
        "degC", low="-20 degC", high="100 degC", symbol="T", doc="Oil temperature of the move."
    )
    air_release_pressure: float = quantity(
        "bar",
        low="0.02 bar",
        high="1 bar",
        symbol="p_air",
        doc="Absolute pressure below which air comes out and the oil counts as cavitating.",
    )
    pressure_floor: float = quantity(
        "bar",
        low="0.001 bar",
        high="1 bar",
        symbol="p_floor",
        doc="Absolute pressure below which the stiffness of the oil is no longer reduced.",
    )
    warming_rate: float = quantity(
        "K/min",
        low="-60 K/min",
        high="60 K/min",
        absent=0.0,
        symbol="dT/dt",
        doc="Rate at which the oil in the chambers warms up during the move.",
    )
    steel_expansion: float = quantity(
        "1/K",
        low=0,
        high="5e-5 1/K",
        symbol="alpha_steel",
        doc="Linear expansion of the steel around the oil.",
    )


class OilParameters(NamedTuple):
    """Numbers of the oil for the kernels, at one temperature."""

    K_l0: float
    m: float
    a_0: float
    n: float
    expanded: float  # exponent of (p_abs/p0): what the free air keeps of its volume, -1/n
    series: tuple[float, float, float, float, float, float, float, float]  # binomial, of that
    p_floor: float
    p_release: float
    expansion: float  # alpha_oil - 3 alpha_steel, 1/K
    warming: float  # K/s
    rho: float
    nu: float
    temperature: float  # K


def walther_constants(oil: Oil) -> tuple[float, float]:
    """Return the constants of the Walther equation.

    Parameters
    ----------
    oil : Oil
        Table with two points of viscosity.

    Returns
    -------
    a, b : float
        Constants [-] of ``log10 log10(nu + 0.7) = a - b log10 T`` with nu in mm2/s and T in K.

    References
    ----------
    ASTM D341, Walther equation with the constant 0.7.
    """
    y_1 = math.log10(math.log10(oil.viscosity_1 * 1e6 + 0.7))
    y_2 = math.log10(math.log10(oil.viscosity_2 * 1e6 + 0.7))
    x_1 = math.log10(oil.viscosity_temperature_1)
    x_2 = math.log10(oil.viscosity_temperature_2)
    b = (y_1 - y_2) / (x_2 - x_1)
    return y_1 + b * x_1, b


def viscosity(oil: Oil, temperature: float) -> float:
    """Return the kinematic viscosity at a temperature.

    Parameters
    ----------
    oil : Oil
        Table with two points of viscosity.
    temperature : float
        Temperature [K].

    Returns
    -------
    float
        Kinematic viscosity [m2/s].

    References
    ----------
    ASTM D341, Walther equation with the constant 0.7.
    """
    a, b = walther_constants(oil)
    return float((10.0 ** (10.0 ** (a - b * math.log10(temperature))) - 0.7) * 1e-6)


def density(oil: Oil, temperature: float, pressure: float = 0.0) -> float:
    """Return the density of the liquid.

    Parameters
    ----------
    oil : Oil
        Table of the oil.
    temperature : float
        Temperature [K].
    pressure : float, optional
        Gauge pressure [Pa].

    Returns
    -------
    float
        Density [kg/m3]: ``rho_15 (1 - alpha (T - 288.15 K)) (1 + p/K_l)``.
    """
    modulus = liquid_modulus(oil, temperature) + oil.bulk_modulus_pressure_slope * pressure
    expansion = 1.0 - oil.thermal_expansion * (temperature - REFERENCE_DENSITY_TEMPERATURE)
    return oil.density * expansion * (1.0 + pressure / modulus)


def liquid_modulus(oil: Oil, temperature: float) -> float:
    """Return the bulk modulus of the air-free liquid at zero gauge pressure.

    Parameters
    ----------
    oil : Oil
        Table of the oil.
    temperature : float
        Temperature [K].

    Returns
    -------
    float
        Bulk modulus [Pa].
    """
    slope = oil.bulk_modulus_temperature_slope
    return oil.bulk_modulus - slope * (temperature - oil.bulk_modulus_temperature)


def _binomial(e: float) -> tuple[float, float, float, float, float, float, float, float]:
    """Return the first coefficients of (1 + d)^e in powers of d."""
    c = [1.0]
    for k in range(1, 8):
        c.append(c[-1] * (e - k + 1.0) / k)
    return c[0], c[1], c[2], c[3], c[4], c[5], c[6], c[7]


def oil_parameters(oil: Oil) -> OilParameters:
    """Return the numbers that the kernels use, at the oil's temperature.

    Parameters
    ----------
    oil : Oil
        Table of the oil.

    Returns
    -------
    OilParameters
        Plain floats, SI.
    """
    return OilParameters(
        K_l0=liquid_modulus(oil, oil.temperature),
        m=oil.bulk_modulus_pressure_slope,
        a_0=oil.free_air,
        n=oil.polytropic_exponent,
        expanded=-1.0 / oil.polytropic_exponent,
        series=_binomial(-1.0 / oil.polytropic_exponent),
        p_floor=oil.pressure_floor,
        p_release=oil.air_release_pressure - ATMOSPHERE,
        expansion=oil.thermal_expansion - 3.0 * oil.steel_expansion,
        warming=oil.warming_rate,
        rho=density(oil, oil.temperature),
        nu=viscosity(oil, oil.temperature),
        temperature=oil.temperature,
    )


@inner_kernel
def compressibility(p: float, oil: OilParameters) -> float:
    """Return 1/K of oil with free air at gauge pressure p [1/Pa], see below."""
    softness, whole = compressibility_parts(p, FAR, oil)
    return softness / whole


@inner_kernel
def air_volume(p_abs: float, near: Near, oil: OilParameters) -> float:
    """Return what the free air keeps of its volume, ``(p0/p_abs)^(1/n)``.

    Within a 64th of a pressure of which it is known it follows from the binomial series, whose
    ninth term is below the last digit.
    """
    d = p_abs * near[0] - 1.0
    close = abs(d) < 1.0 / 64.0
    s = oil.series
    d2 = d * d
    low = (1.0 + s[1] * d) + d2 * (s[2] + s[3] * d)
    high = (s[4] + s[5] * d) + d2 * (s[6] + s[7] * d)
    volume = near[1] * (low + (d2 * d2) * high)
    if some(no(close)):
        volume = where(close, volume, power(p_abs * (1.0 / ATMOSPHERE), oil.expanded))
    return volume


@inner_kernel
def nearby(p: float, near: Near, oil: OilParameters) -> Near:
    """Return a pressure at hand, renewed where a gauge pressure has moved away from it."""
    p_abs = max(p + ATMOSPHERE, oil.p_floor)
    gone = no(abs(p_abs * near[0] - 1.0) < 1.0 / 256.0)
    inverse, volume = near
    if some(gone):
        inverse = where(gone, 1.0 / p_abs, inverse)
        volume = where(gone, power(p_abs * (1.0 / ATMOSPHERE), oil.expanded), volume)
    return inverse, volume


@inner_kernel
def compressibility_parts(p: float, near: Near, oil: OilParameters) -> tuple[float, float]:
    """Return 1/K of oil with free air at gauge pressure p as a ratio, for one division less.

    ``1/K = [(1 - a0)/K_l + a0 r/(n p_abs)] / [(1 - a0) + a0 r]`` with ``r = (p0/p_abs)^(1/n)``,
    evaluated at ``max(p_abs, p_floor)``; a0 is meant at atmospheric pressure p0
    (Rabie 2009, section 2, with the gas volume following the polytropic law).
    """
    p_abs = max(p + ATMOSPHERE, oil.p_floor)
    liquid = oil.K_l0 + oil.m * (p_abs - ATMOSPHERE)
    bare = 1.0 - oil.a_0
    n_p = oil.n * p_abs
    gas = oil.a_0 * air_volume(p_abs, near, oil)
    return bare * n_p + gas * liquid, liquid * n_p * (bare + gas)
