"""Supply: ideal pressure, or pump with relief valve, accumulator and line, and the tank's heat.

Physics. A compensated pump follows its characteristic (full flow up to a band below the set
pressure, none at the set pressure) as a first-order lag; a fixed pump gives its full flow. A relief
valve opens in proportion to overpressure. A gas accumulator adds the compliance of its gas, whose
temperature relaxes to ambient: adiabatic in a fast move, isothermal over a hold. Pump and valve may
be joined by a lumped line with a quadratic loss between two volumes, so no algebraic loop appears.

Assumptions. A check valve after the pump keeps flow from returning; return pressure is constant.

Validity. Pressures above atmosphere; line dynamics (wave travel) faster than the axis.

Sources. Gas: ideal gas law with heat exchange; energy balance of the gas
``m c_v dT = -p dV - (m c_v/tau) (T - T_a) dt``.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

from servosim._jit import inner_kernel, kernel
from servosim._lanes import where
from servosim.components.oil import (
    ATMOSPHERE,
    FAR,
    Near,
    OilParameters,
    compressibility_parts,
)
from servosim.components.orifice import coefficient, flow_through
from servosim.params import Table, choice, number, quantity

STATES = ("pump_pressure", "supply_pressure", "pump_flow", "gas_temperature", "tank_temperature")
INPUTS = ("drawn_flow", "heat")
OUTPUTS = ("supply_pressure", "return_pressure")

IDEAL, COMPENSATED, FIXED = 0, 1, 2
_PUMPS = ("compensated_pump", "fixed_pump")


class Supply(Table):
    """Power unit as the valve sees it."""

    kind: Literal["ideal", "compensated_pump", "fixed_pump"] = choice("Source of pressure.")
    pressure: float = quantity(
        "bar",
        above=0,
        high="500 bar",
        symbol="p_S",
        doc="Constant pressure, or set pressure of the pump's compensator; with a fixed pump the "
        "pressure at which the relief valve passes its whole flow.",
    )
    return_pressure: float = quantity(
        "bar", low=0, high="50 bar", symbol="p_T", doc="Pressure in the valve's return port."
    )
    pump_flow: float = quantity(
        "L/min",
        above=0,
        high="5000 L/min",
        when={"kind": _PUMPS},
        symbol="q_p",
        doc="Greatest flow.",
    )
    compensator_band: float = quantity(
        "bar",
        above=0,
        high="100 bar",
        when={"kind": ("compensated_pump",)},
        doc="Pressure range below the set pressure over which the flow falls to zero.",
    )
    compensator_time: float = quantity(
        "ms",
        above=0,
        high="5 s",
        when={"kind": ("compensated_pump",)},
        symbol="tau_p",
        doc="Time constant of the compensator.",
    )
    relief_pressure: float = quantity(
        "bar",
        above=0,
        high="500 bar",
        when={"kind": ("compensated_pump",)},
        symbol="p_r",
        doc="Pressure at which the relief valve opens.",
    )
    relief_gradient: float = quantity(
        "L/min/bar",
        above=0,
        high="1000 L/min/bar",
        when={"kind": _PUMPS},
        symbol="G_r",
        doc="Flow of the relief valve over its overpressure.",
    )
    pump_line_volume: float = quantity(
        "L",
        above=0,
        high="1000 L",
        when={"kind": _PUMPS},
        symbol="V_P",
        doc="Oil at pump pressure.",
    )
    accumulator: Literal["none", "gas"] = choice("Gas accumulator on the pump's side.")
    accumulator_volume: float = quantity(
        "L",
        above=0,
        high="1000 L",
        when={"accumulator": ("gas",)},
        symbol="V_0",
        doc="Gas volume at precharge.",
    )
    precharge_pressure: float = quantity(
        "bar",
        above=0,
        high="500 bar",
        when={"accumulator": ("gas",)},
        symbol="p_0",
        doc="Precharge (gauge) at ambient temperature.",
    )
    gas_exponent: float = number(
        low=1.01,
        high=2,
        when={"accumulator": ("gas",)},
        symbol="kappa",
        doc="Adiabatic exponent of the gas.",
    )
    gas_time_constant: float = quantity(
        "s",
        above=0,
        high="3600 s",
        when={"accumulator": ("gas",)},
        symbol="tau_g",
        doc="Time constant of heat exchange of the gas.",
    )
    line: Literal["none", "lumped"] = choice("Pressure line from pump to valve.")
    line_flow: float = quantity(
        "L/min",
        above=0,
        high="5000 L/min",
        when={"line": ("lumped",)},
        doc="Flow of the stated loss.",
    )
    line_drop: float = quantity(
        "bar", above=0, high="100 bar", when={"line": ("lumped",)}, doc="Loss at this flow."
    )
    line_volume: float = quantity(
        "L",
        above=0,
        high="100 L",
        when={"line": ("lumped",)},
        symbol="V_S",
        doc="Oil at the valve.",
    )
    ambient_temperature: float = quantity(
        "degC", low="-40 degC", high="80 degC", symbol="T_a", doc="Ambient temperature."
    )
    tank_heat_capacity: float = quantity(
        "kJ/K", above=0, high="1e6 kJ/K", symbol="C_T", doc="Heat capacity of tank and oil."
    )
    cooling: float = quantity(
        "W/K", low=0, high="1e5 W/K", symbol="hA", doc="Heat given off per degree above ambient."
    )


class SupplyParameters(NamedTuple):
    """Numbers of the power unit for the kernels."""

    kind: int
    p_set: float
    p_T: float
    q_max: float
    band: float
    tau: float
    p_relief: float
    G_relief: float
    V_P: float
    gas: int
    V_0: float
    p_0: float  # absolute
    kappa: float
    tau_g: float
    line: int
    K_line: float
    dp_line: float  # transition pressure of the line's loss
    V_S: float
    T_a: float
    C_T: float
    hA: float
    gas_content: float  # p V/T of the gas, J/K
    gas_rate: float  # 1/tau_g
    kappa_inverse: float
    C_inverse: float  # 1/C_T
    band_inverse: float
    pump_rate: float  # 1/tau


def supply_parameters(supply: Supply) -> SupplyParameters:
    """Return the numbers that the kernels use.

    Parameters
    ----------
    supply : Supply
        Table of the power unit.

    Returns
    -------
    SupplyParameters
        Plain numbers, SI. The loss of the line is laminar well below its stated drop, quadratic
        above.
    """
    kind = {"ideal": IDEAL, "compensated_pump": COMPENSATED, "fixed_pump": FIXED}[supply.kind]
    gas, line = supply.accumulator == "gas", supply.line == "lumped"
    relief = supply.relief_pressure
    if kind == FIXED:
        relief = supply.pressure - supply.pump_flow / supply.relief_gradient
    return SupplyParameters(
        kind=kind,
        p_set=supply.pressure,
        p_T=supply.return_pressure,
        q_max=supply.pump_flow,
        band=supply.compensator_band if kind == COMPENSATED else 1.0,
        tau=supply.compensator_time if kind == COMPENSATED else 1.0,
        p_relief=relief,
        G_relief=supply.relief_gradient,
        V_P=supply.pump_line_volume,
        gas=int(gas),
        V_0=supply.accumulator_volume,
        p_0=supply.precharge_pressure + ATMOSPHERE,
        kappa=supply.gas_exponent if gas else 1.4,
        tau_g=supply.gas_time_constant if gas else 1.0,
        line=int(line),
        K_line=coefficient(supply.line_flow, supply.line_drop) if line else 0.0,
        dp_line=supply.line_drop,
        V_S=supply.line_volume,
        T_a=supply.ambient_temperature,
        C_T=supply.tank_heat_capacity,
        hA=supply.cooling,
        gas_content=supply.accumulator_volume
        * (supply.precharge_pressure + ATMOSPHERE)
        / supply.ambient_temperature,
        gas_rate=1.0 / supply.gas_time_constant if gas else 1.0,
        C_inverse=1.0 / supply.tank_heat_capacity,
        band_inverse=1.0 / supply.compensator_band if kind == COMPENSATED else 1.0,
        pump_rate=1.0 / supply.compensator_time if kind == COMPENSATED else 1.0,
        kappa_inverse=1.0 / supply.gas_exponent if gas else 1.0 / 1.4,
    )


@inner_kernel
def pump_target(p_P: float, p: SupplyParameters) -> float:
    """Return the flow that the pump settles at for a pressure [m3/s]."""
    if p.kind == FIXED:
        return p.q_max
    return p.q_max * min(max((p.p_set - p_P) * p.band_inverse, 0.0), 1.0)


@inner_kernel
def relief_flow(p_P: float, p: SupplyParameters) -> float:
    """Return the flow of the relief valve [m3/s]."""
    return p.G_relief * max(p_P - p.p_relief, 0.0)


@inner_kernel
def line_flow(p_P: float, p_S: float, p: SupplyParameters) -> float:
    """Return the flow from pump to valve [m3/s], laminar well below the stated drop.

    Hydraulic lines pass from laminar to turbulent flow near their usual velocity (own choice).
    """
    return flow_through(p.K_line, p_P - p_S, p.dp_line)


@inner_kernel
def gas_compliance(p_P: float, T_g: float, p: SupplyParameters) -> tuple[float, float]:
    """Return compliance of the gas [m3/Pa] and the flow into it by its own cooling [m3/s].

    From ``p V = m R T`` and the energy balance of the gas:
    ``-dV/dt = V/(kappa p) dp/dt + V (T - T_a)/(kappa tau T)``.
    """
    if p.gas == 0:
        return 0.0, 0.0
    compliance, cooling, _ = _gas(p_P, T_g, p)
    return compliance, cooling


@inner_kernel
def _gas(p_P: float, T_g: float, p: SupplyParameters) -> tuple[float, float, float]:
    """Return compliance and cooling of the gas, and 1/p of it; all zero if it is not charged."""
    p_abs = p_P + ATMOSPHERE
    charged = p_abs * p.T_a > p.p_0 * T_g
    p_inverse = where(charged, 1.0 / p_abs, 0.0)
    V_over_T = p.gas_content * p_inverse * p.kappa_inverse
    return V_over_T * T_g * p_inverse, V_over_T * (T_g - p.T_a) * p.gas_rate, p_inverse


@inner_kernel
def derivative(
    t: float,
    x: tuple[float, float, float, float, float],
    u: tuple[float, float],
    p: SupplyParameters,
    oil: OilParameters,
    near: tuple[Near, Near] = (FAR, FAR),
) -> tuple[float, float, float, float, float]:
    """Return the rates of the supply's states, see ``STATES`` and ``INPUTS``.

    ``near`` are pressures at hand near those of pump and valve, which save time.

    Without a line both pressures are one state and have one rate.
    """
    p_P, p_S, q_p, T_g, T = x[0], x[1], x[2], x[3], x[4]
    d_T = (u[1] - p.hA * (T - p.T_a)) * p.C_inverse
    if p.kind == IDEAL:
        return 0.0, 0.0, 0.0, 0.0, d_T
    d_q = 0.0
    if p.kind == COMPENSATED:
        d_q = (pump_target(p_P, p) - q_p) * p.pump_rate
    C_gas = q_cooling = p_inverse = 0.0
    if p.gas == 1:
        C_gas, q_cooling, p_inverse = _gas(p_P, T_g, p)
    soft, whole = compressibility_parts(p_P, near[0], oil)
    C_P = p.V_P * soft + C_gas * whole  # times whole
    net = q_p - relief_flow(p_P, p) - q_cooling
    if p.line == 1:
        q_line = line_flow(p_P, p_S, p)
        d_P = (net - q_line) * whole / C_P
        soft, whole = compressibility_parts(p_S, near[1], oil)
        d_S = (q_line - u[0]) * whole / (p.V_S * soft)
    else:
        d_P = (net - u[0]) * whole / C_P
        d_S = d_P
    d_gas = 0.0
    if p.gas == 1:
        # T (kappa - 1) times -dV/V, which is (C_gas dp + q_cooling) over V
        relaxing = (T_g - p.T_a) * p.gas_rate
        warmed = T_g * d_P * p_inverse + where(C_gas > 0.0, relaxing, 0.0)
        d_gas = (1.0 - p.kappa_inverse) * warmed - relaxing
    return d_P, d_S, d_q, d_gas, d_T


@kernel
def output(
    t: float, x: tuple[float, float, float, float, float], p: SupplyParameters
) -> tuple[float, float]:
    """Return supply and return pressure at the valve [Pa], see ``OUTPUTS``."""
    return x[1], p.p_T


@inner_kernel
def losses(x: tuple[float, float, float, float, float], p: SupplyParameters) -> tuple[float, float]:
    """Return the power delivered by the pump and the power lost in relief valve and line [W]."""
    p_P, p_S, q_p = x[0], x[1], x[2]
    if p.kind == IDEAL:
        return 0.0, 0.0
    lost = relief_flow(p_P, p) * p_P
    if p.line == 1:
        lost += line_flow(p_P, p_S, p) * (p_P - p_S)
    return q_p * p_P, lost
