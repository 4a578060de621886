"""Gas accumulator: volume for a flow that the pump does not give, sag, precharge over temperature.

Physics. Gas in absolute pressure: isothermal while it is filled slowly, polytropic with the
exponent of fast changes in a move. The precharge follows the gas temperature at constant volume.
The volume that the accumulator gives is the integral of drawn less pump flow over the cycle.

Sources. Ideal gas; *Sullivan* is J. Sullivan, *Fluid Power: Theory & Applications*, 4th ed.
"""

from __future__ import annotations

import numpy as np

from servosim.sizing.calculation import formula
from servosim.sizing.combinations import Array

_GAS = "ideal gas, isothermal filling, polytropic discharge; Sullivan, ex. 12.4 for exponent 1"


@formula(
    "p_1",
    "pressure below which a compensated pump gives its whole flow",
    "nominal - band",
    "Pa",
    "characteristic of the pump, as the supply of the axis file",
    nominal=("nominal supply pressure", "Pa"),
    band=("range over which the flow falls to zero", "Pa"),
)
def full_flow_pressure(nominal: Array, band: Array) -> Array:
    """Return the pressure up to which a compensated pump gives its whole flow [Pa]."""
    return nominal - band


@formula(
    "p_1",
    "pressure at which the relief valve of a fixed pump opens",
    "nominal - pump_flow/gradient",
    "Pa",
    "characteristic of the relief valve, as the supply of the axis file",
    nominal=("nominal supply pressure, at which it passes the whole flow", "Pa"),
    pump_flow=("flow of the pump", "m3/s"),
    gradient=("flow of the relief valve over pressure", "m3/s/Pa"),
)
def opening_pressure(nominal: Array, pump_flow: Array, gradient: Array) -> Array:
    """Return the pressure at which the relief valve of a fixed pump opens [Pa]."""
    return nominal - pump_flow / gradient


@formula(
    "p_2",
    "lowest pressure that the sag admits",
    "nominal*(1 - sag)",
    "Pa",
    "requirement, [power_unit] sag",
    nominal=("nominal supply pressure", "Pa"),
    sag=("largest fall in a move", "1"),
)
def sagged_pressure(nominal: Array, sag: Array) -> Array:
    """Return the lowest pressure that the sag admits [Pa]."""
    return nominal * (1.0 - sag)


@formula(
    "p_0c",
    "precharge in the coldest gas, absolute",
    "share*(lowest + p_a)",
    "Pa",
    "requirement, [power_unit] precharge_share",
    share=("precharge over the lowest supply pressure", "1"),
    lowest=("lowest supply pressure: sag and variation", "Pa"),
    p_a=("pressure of the atmosphere", "Pa"),
)
def cold_precharge(share: Array, lowest: Array, p_a: Array) -> Array:
    """Return the precharge in the coldest gas, absolute [Pa]."""
    return share * (lowest + p_a)


@formula(
    "p_0",
    "precharge at another gas temperature, absolute",
    "precharge*temperature/coldest",
    "Pa",
    "ideal gas at constant volume",
    precharge=("precharge in the coldest gas, absolute", "Pa"),
    temperature=("gas temperature", "K"),
    coldest=("coldest gas temperature", "K"),
)
def precharge_at(precharge: Array, temperature: Array, coldest: Array) -> Array:
    """Return the precharge at another gas temperature, absolute [Pa]."""
    return precharge * temperature / coldest


@formula(
    "V_0",
    "least gas volume of the accumulator",
    "volume/(p_0/(p_1 + p_a)*(((p_1 + p_a)/(p_2 + p_a))**(1/exponent) - 1))",
    "m3",
    _GAS,
    volume=("volume to give", "m3"),
    p_0=("precharge, absolute", "Pa"),
    p_1=("pressure when full", "Pa"),
    p_2=("lowest pressure", "Pa"),
    exponent=("exponent of fast changes of the gas", "1"),
    p_a=("pressure of the atmosphere", "Pa"),
)
def least_gas_volume(
    volume: Array, p_0: Array, p_1: Array, p_2: Array, exponent: Array, p_a: Array
) -> Array:
    """Return the gas volume that gives a volume between two pressures; nan if p_1 <= p_2 [m3]."""
    full, low = np.asarray(p_1) + p_a, np.asarray(p_2) + p_a
    ratio = np.where(full > low, full / low, np.nan)
    return volume / (p_0 / full * (ratio ** (1.0 / exponent) - 1.0))


@formula(
    "V_1",
    "gas volume when full",
    "V_0*p_0/(p_1 + p_a)",
    "m3",
    "ideal gas, isothermal filling",
    V_0=("gas volume at precharge", "m3"),
    p_0=("precharge, absolute", "Pa"),
    p_1=("pressure when full", "Pa"),
    p_a=("pressure of the atmosphere", "Pa"),
)
def full_gas_volume(V_0: Array, p_0: Array, p_1: Array, p_a: Array) -> Array:
    """Return the gas volume of a full accumulator [m3]."""
    return V_0 * p_0 / (p_1 + p_a)


@formula(
    "p_2",
    "pressure after the volume is given",
    "(p_1 + p_a)/(1 + volume/V_1)**exponent - p_a",
    "Pa",
    _GAS,
    p_1=("pressure when full", "Pa"),
    volume=("volume to give", "m3"),
    V_1=("gas volume when full", "m3"),
    exponent=("exponent", "1"),
    p_a=("pressure of the atmosphere", "Pa"),
)
def pressure_after(p_1: Array, volume: Array, V_1: Array, exponent: Array, p_a: Array) -> Array:
    """Return the pressure after a volume is given [Pa]."""
    return (p_1 + p_a) / (1.0 + volume / V_1) ** exponent - p_a


@formula(
    "p_2",
    "supply pressure at peak flow from a compensated pump alone",
    "nominal - band*flow/pump_flow",
    "Pa",
    "characteristic of the pump, as the supply of the axis file",
    nominal=("nominal supply pressure", "Pa"),
    band=("range over which the flow falls to zero", "Pa"),
    flow=("peak flow", "m3/s"),
    pump_flow=("flow of the pump", "m3/s"),
)
def compensated_pressure(nominal: Array, band: Array, flow: Array, pump_flow: Array) -> Array:
    """Return the pressure of a compensated pump at a flow [Pa]."""
    return nominal - band * flow / pump_flow


@formula(
    "p_2",
    "supply pressure at peak flow from a fixed pump alone",
    "nominal - flow/gradient",
    "Pa",
    "characteristic of the relief valve, as the supply of the axis file",
    nominal=("nominal supply pressure, at which the relief valve passes the whole flow", "Pa"),
    flow=("peak flow", "m3/s"),
    gradient=("flow of the relief valve over pressure", "m3/s/Pa"),
)
def relieved_pressure(nominal: Array, flow: Array, gradient: Array) -> Array:
    """Return the pressure of a fixed pump with relief valve at a flow that is drawn [Pa]."""
    return nominal - flow / gradient


@formula(
    "s_p",
    "fall of the supply pressure in a move",
    "(nominal - lowest)/nominal",
    "1",
    "definition",
    nominal=("nominal supply pressure", "Pa"),
    lowest=("lowest supply pressure in the move", "Pa"),
)
def sag_of(nominal: Array, lowest: Array) -> Array:
    """Return the fall of the supply pressure as a share of the nominal one [-]."""
    return (nominal - lowest) / nominal


@formula(
    "V_s",
    "for comparison: what the longest move alone takes from the accumulator",
    "maximum(peak - pump, 0)*(rapid + (accelerating + decelerating)/2*maximum(peak - pump, 0)"
    "/(peak - leakage))",
    "m3",
    "flow over time: straight ramps, cut off at the pump's flow; moves in quick succession take "
    "more, see the integral",
    peak=("peak flow", "m3/s"),
    pump=("flow of the pump", "m3/s"),
    leakage=("null leakage", "m3/s"),
    accelerating=("time of its acceleration", "s"),
    rapid=("time at its highest velocity", "s"),
    decelerating=("time of its deceleration", "s"),
)
def volume_of_move(
    peak: Array, pump: Array, leakage: Array, accelerating: Array, rapid: Array,
    decelerating: Array,
) -> Array:  # fmt: skip
    """Return the volume that one move takes from the accumulator [m3]."""
    excess = np.maximum(peak - pump, 0.0)
    return excess * (rapid + (accelerating + decelerating) / 2.0 * excess / (peak - leakage))


@formula(
    "V_F",
    "oil in the full accumulator, which it sends back when it is let go",
    "V_0*(1 - p_0/(p_h + p_a))",
    "m3",
    "ideal gas, isothermal; nothing before the precharge is reached",
    V_0=("gas volume at precharge", "m3"),
    p_0=("precharge in the coldest gas, absolute", "Pa"),
    p_h=("highest supply pressure", "Pa"),
    p_a=("pressure of the atmosphere", "Pa"),
)
def oil_of_accumulator(V_0: Array, p_0: Array, p_h: Array, p_a: Array) -> Array:
    """Return the oil in a full accumulator [m3]."""
    return V_0 * (1.0 - p_0 / (p_h + p_a))


def deficit(flow: Array, step: Array, pump: Array, cycles: int = 2) -> Array:
    """Return the most that a pump lacks at once over a cycle that repeats.

    Parameters
    ----------
    flow : ndarray, shape (n, n_t)
        Mean flow drawn in each step of the cycle [m3/s].
    step : ndarray, shape (n_t,) or (n_s, n_t)
        Length of the steps [s]; of several ways to share out the pauses the worst counts.
    pump : ndarray, shape (n,)
        Flow of the pump [m3/s].
    cycles : int, optional
        How many cycles are gone through, from a full accumulator.

    Returns
    -------
    ndarray, shape (n,)
        Volume that the accumulator has to give [m3]; what it lacks is made up for before it is
        called full again.
    """
    most, over = np.zeros(len(pump)), flow - pump[:, None]
    for lengths in np.atleast_2d(step):
        lacking = np.zeros(len(pump))
        for _ in range(cycles):
            for column in (over * lengths).T:
                lacking = np.maximum(lacking + column, 0.0)
                most = np.maximum(most, lacking)
    return most
