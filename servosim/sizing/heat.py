"""Shaft power, motor, heat, tank, cooler and oil temperature of a power unit.

Physics. Everything that goes in at the pump's shaft and is not work on the piston becomes heat of
the oil, the pump's own losses too. The tank's wall and the cooler give it off in proportion to how
much warmer than the room the oil is.

Assumptions. Steady state over many cycles; one temperature of the oil. A compensated pump that
gives no flow takes no power: what it does take is in its whole efficiency.

Sources. Energy balance; *Esposito* is A. Esposito, *Fluid Power with Applications*, ch. 5, 8, 11.
"""

from __future__ import annotations

import numpy as np

from servosim.sizing.calculation import formula
from servosim.sizing.combinations import Array

_BALANCE = "energy balance"
SPECIFIC_HEAT = 1800.0  # J/(kg K), Esposito, ex. 11-3
OVERLOAD_TIME = 15.0  # s
TANK = 0.1  # m3, for which the heat transfer is stated


@formula(
    "P_h",
    "hydraulic power",
    "pressure*flow",
    "W",
    "Esposito, ex. 8-2 and 5-5",
    pressure=("pressure", "Pa"),
    flow=("flow", "m3/s"),
)
def hydraulic_power(pressure: Array, flow: Array) -> Array:
    """Return the power of a flow under pressure [W]."""
    return pressure * flow


@formula(
    "P_s",
    "power at the pump's shaft",
    "pressure*flow/efficiency",
    "W",
    "definition of the whole efficiency; Esposito, ex. 11-5",
    pressure=("pressure at the pump", "Pa"),
    flow=("flow of the pump", "m3/s"),
    efficiency=("whole efficiency of the pump", "1"),
)
def shaft_power(pressure: Array, flow: Array, efficiency: Array) -> Array:
    """Return the power at the pump's shaft [W]."""
    return pressure * flow / efficiency


@formula(
    "q_m2",
    "mean square of the pump's flow over the cycle",
    "full*mean",
    "m6/s2",
    "definition; with an accumulator the pump gives its whole flow for a share of the time",
    full=("full flow of the pump", "m3/s"),
    mean=("mean flow", "m3/s"),
)
def mean_square_of(full: Array, mean: Array) -> Array:
    """Return the mean square of a flow that is full or nothing [m6/s2]."""
    return full * mean


@formula(
    "P_r",
    "root of the mean square of the shaft power",
    "peak*sqrt(mean_square)/flow",
    "W",
    "heating of the motor's windings; definition",
    peak=("shaft power at full flow of the pump", "W"),
    mean_square=("mean square of the pump's flow over the cycle", "m6/s2"),
    flow=("full flow of the pump", "m3/s"),
)
def effective_power(peak: Array, mean_square: Array, flow: Array) -> Array:
    """Return the root of the mean square of the shaft power [W]."""
    return peak * np.sqrt(mean_square) / flow


@formula(
    "k_o",
    "overload that the motor stands",
    "where(time > allowed, 1, 1.6)",
    "1",
    "1.6 times the rated torque for 15 s: IEC 60034-1 (from memory)",
    time=("longest time at the highest power", "s"),
    allowed=("longest time of an overload", "s"),
)
def overload_of(time: Array, allowed: Array) -> Array:
    """Return the overload that a motor stands for a time [-]."""
    factor: Array = np.where(np.asarray(time) > allowed, 1.0, 1.6)
    return factor


@formula(
    "P_m",
    "least rated power of the electric motor",
    "maximum(effective, peak/overload)",
    "W",
    "heating by the root of the mean square, torque by the overload",
    effective=("root of the mean square of the shaft power", "W"),
    peak=("highest shaft power", "W"),
    overload=("overload that the motor stands", "1"),
)
def least_motor_power(effective: Array, peak: Array, overload: Array) -> Array:
    """Return the least rated power of the motor [W]."""
    return np.maximum(effective, peak / overload)


@formula(
    "P_el",
    "mean electric power",
    "shaft/efficiency",
    "W",
    "definition of the efficiency",
    shaft=("mean power at the pump's shaft", "W"),
    efficiency=("efficiency of the motor", "1"),
)
def electric_input(shaft: Array, efficiency: Array) -> Array:
    """Return the mean electric input of the motor [W]."""
    return shaft / efficiency


@formula(
    "P_w",
    "useful power: mean work on the piston",
    "maximum(force_out*travel_out + force_in*travel_in, 0)/cycle_time",
    "W",
    "definition of work; over a cycle the changes of weight and inertia cancel",
    force_out=("force of the oil at rapid velocity, out", "N"),
    travel_out=("travel in extension in a cycle", "m"),
    force_in=("force of the oil at rapid velocity, in", "N"),
    travel_in=("travel in retraction in a cycle", "m"),
    cycle_time=("time of a cycle", "s"),
)
def useful_power(
    force_out: Array, travel_out: Array, force_in: Array, travel_in: Array, cycle_time: Array
) -> Array:
    """Return the mean useful power [W]."""
    return np.maximum(force_out * travel_out + force_in * travel_in, 0.0) / cycle_time


@formula(
    "Q",
    "heat that goes into the oil",
    "shaft - work",
    "W",
    _BALANCE,
    shaft=("mean power at the pump's shaft", "W"),
    work=("useful power", "W"),
)
def heat_into_oil(shaft: Array, work: Array) -> Array:
    """Return the mean heat that goes into the oil [W]."""
    return shaft - work


@formula(
    "V_t",
    "least volume of the tank",
    "pump_flow*time + accumulator + difference",
    "m3",
    "common practice, no source",
    pump_flow=("flow of the pump", "m3/s"),
    time=("tank's volume over the pump's flow", "s"),
    accumulator=("oil that the accumulator sends back", "m3"),
    difference=("oil that the actuator takes or sends back over its stroke", "m3"),
)
def least_tank_volume(
    pump_flow: Array, time: Array, accumulator: Array, difference: Array
) -> Array:
    """Return the least volume of the tank [m3]."""
    return pump_flow * time + accumulator + difference


@formula(
    "hA",
    "heat transfer of the tank's wall",
    "transfer*(volume/reference)**(2/3)",
    "W/K",
    "tanks of like shape: wall grows with volume to the power of two thirds",
    transfer=("heat transfer of a tank of 100 L", "W/K"),
    volume=("volume of the tank", "m3"),
    reference=("volume of the tank whose heat transfer is stated", "m3"),
)
def tank_transfer(transfer: Array, volume: Array, reference: Array) -> Array:
    """Return the heat transfer of a tank's wall [W/K]."""
    return transfer * (volume / reference) ** (2.0 / 3.0)


@formula(
    "P_c",
    "least power of the cooler",
    "maximum(heat - transfer*(limit - ambient), 0)",
    "W",
    _BALANCE,
    heat=("heat that goes into the oil", "W"),
    transfer=("heat transfer of the tank's wall", "W/K"),
    limit=("highest temperature of the oil in the tank", "K"),
    ambient=("temperature of the room", "K"),
)
def least_cooler_power(heat: Array, transfer: Array, limit: Array, ambient: Array) -> Array:
    """Return the least power of the cooler at the highest temperature of the oil [W]."""
    return np.maximum(heat - transfer * (limit - ambient), 0.0)


@formula(
    "hA_c",
    "heat transfer of tank and cooler",
    "transfer + cooler/(limit - ambient)",
    "W/K",
    "rating of the cooler at the highest temperature difference",
    transfer=("heat transfer of the tank's wall", "W/K"),
    cooler=("power of the cooler", "W"),
    limit=("highest temperature of the oil in the tank", "K"),
    ambient=("temperature of the room", "K"),
)
def whole_transfer(transfer: Array, cooler: Array, limit: Array, ambient: Array) -> Array:
    """Return the heat transfer of tank and cooler together [W/K]."""
    return transfer + cooler / (limit - ambient)


@formula(
    "T",
    "temperature of the oil in the tank",
    "ambient + heat/transfer",
    "K",
    _BALANCE,
    ambient=("temperature of the room", "K"),
    heat=("heat that goes into the oil", "W"),
    transfer=("heat transfer of tank and cooler", "W/K"),
)
def oil_temperature(ambient: Array, heat: Array, transfer: Array) -> Array:
    """Return the steady temperature of the oil in the tank [K]."""
    return ambient + heat / transfer


@formula(
    "C_t",
    "heat capacity of the oil in the tank",
    "density*volume*specific_heat",
    "J/K",
    "specific heat of 1800 J/(kg K): Esposito, ex. 11-3",
    density=("density of the oil", "kg/m3"),
    volume=("volume of the tank", "m3"),
    specific_heat=("specific heat of the oil", "J/kg/K"),
)
def heat_capacity(density: Array, volume: Array, specific_heat: Array) -> Array:
    """Return the heat capacity of the oil in the tank [J/K]."""
    return density * volume * specific_heat


@formula(
    "dT",
    "warming of oil that is throttled",
    "drop/(density*specific_heat)",
    "K",
    "all of the power into the oil: Esposito, ex. 11-2 and 11-3",
    drop=("pressure drop", "Pa"),
    density=("density of the oil", "kg/m3"),
    specific_heat=("specific heat of the oil", "J/kg/K"),
)
def throttled_warming(drop: Array, density: Array, specific_heat: Array) -> Array:
    """Return by how much oil warms up when it is throttled [K]."""
    return drop / (density * specific_heat)
