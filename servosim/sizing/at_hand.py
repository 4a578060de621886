"""What the requirement file offers: pressures, cylinders, screws, valves, lines, power units.

A part that exists and is kept is a series of one size, or a whole table of the axis' own file in
the place of the series.
"""

from __future__ import annotations

from typing import Literal

from servosim.params import Range, Table, choice, interval, number, quantity, switch
from servosim.sizing.valve_at_hand import ValveAtHand, ValveData, valve_of

__all__ = [
    "Cylinders",
    "Lines",
    "PowerUnit",
    "Pressures",
    "Screws",
    "ValveAtHand",
    "ValveData",
    "valve_of",
]


class Pressures(Table):
    """Nominal supply pressures to choose from."""

    nominal: tuple[float, ...] = quantity(
        "bar",
        many=True,
        above=0,
        high="500 bar",
        doc="Pressures, such as those of ISO 3322.",
    )
    return_pressure: float = quantity(
        "bar", low=0, high="50 bar", symbol="p_T", doc="Pressure in the valve's return port."
    )


class Cylinders(Table):
    """Cylinders to choose from, and what all of them have in common."""

    double_rod: bool = switch("Whether cylinders with a rod on each side are considered.")
    single_rod: bool = switch("Whether cylinders with one rod are considered.")
    bores: tuple[float, ...] = quantity(
        "mm", many=True, above=0, high="1 m", symbol="D", doc="Bores, such as those of ISO 3320."
    )
    rods: tuple[float, ...] = quantity(
        "mm", many=True, above=0, high="1 m", symbol="d", doc="Rods, such as those of ISO 3320."
    )
    rod_share: Range = interval(
        "1", above=0, below=1, doc="Rod over bore: least and largest that is considered."
    )
    mounting: Literal["fixed_fixed", "fixed_guided", "pinned_pinned", "fixed_free"] = choice(
        "Ends of the column that may buckle: fixed and guided without turning; fixed and pinned in "
        "line; pinned at both; fixed and free."
    )
    buckling_length: float = quantity(
        "mm",
        above=0,
        high="50 m",
        symbol="L_B",
        doc="Length from mounting to mounting when fully extended.",
    )
    rod_modulus: float = quantity(
        "GPa", above=0, high="1000 GPa", symbol="E", doc="Modulus of elasticity of the rod."
    )
    rod_yield: float = quantity(
        "MPa", above=0, high="5 GPa", symbol="R_e", doc="Yield strength of the rod."
    )
    wall_share: float = quantity(
        "%", above=0, high="50 %", doc="Thickness of the tube's wall over the bore."
    )
    wall_elasticity: float = quantity(
        "GPa", above=0, high="1000 GPa", doc="Modulus of elasticity of the tube."
    )
    dead_length: float = quantity(
        "mm", above=0, high="1 m", doc="Chamber left beyond the piston at each end of the travel."
    )
    lock_volume: float = quantity(
        "cm3", low=0, high="100 L", doc="Oil from each port of the cylinder to the lock or valve."
    )
    seal_friction: float = quantity(
        "N/mm", low=0, high="1000 N/mm", doc="Friction of the seals over the length of their edges."
    )
    seal_breakaway: float = number(low=1, high=10, doc="Static over sliding friction of the seals.")
    seal_pressure_friction: float = quantity(
        "N/bar",
        low=0,
        high="10000 N/bar",
        doc="Seal friction over the sum of the pressures, for a bore of 100 mm; grows with it.",
    )
    seal_viscous: float = quantity(
        "N s/m", low=0, high="1e7 N s/m", doc="Viscous friction of the seals."
    )
    internal_leakage: float = quantity(
        "cm3/min/bar", low=0, high="10 L/min/bar", symbol="C_i", doc="Leakage past the piston."
    )
    piston_mass: float = quantity(
        "kg", above=0, high="100 t", doc="Piston and rod for a bore of 100 mm; grows with its area."
    )
    seal_velocity: float = quantity(
        "m/s", above=0, high="15 m/s", doc="Highest velocity that the seals admit."
    )
    end_stop_stiffness: float = quantity(
        "N/um", above=0, high="1e5 N/um", symbol="k_e", doc="Stiffness beyond the ends of stroke."
    )
    end_stop_damping: float = quantity(
        "N s/m", low=0, high="1e8 N s/m", symbol="c_e", doc="Damping beyond the ends of stroke."
    )


class Screws(Table):
    """Hydraulic motors that drive a screw, as an alternative to cylinders."""

    displacements: tuple[float, ...] = quantity(
        "cm3/rev", many=True, above=0, high="100000 cm3/rev", symbol="D", doc="Series of motors."
    )
    leads: tuple[float, ...] = quantity(
        "mm/rev", many=True, above=0, high="1 m/rev", symbol="h", doc="Leads of the screws."
    )
    rotor_inertia: float = quantity(
        "kg cm2", above=0, high="1000 kg m2", symbol="J", doc="Motor, coupling and screw."
    )
    screw_efficiency: float = quantity(
        "%", above=0, high="100 %", symbol="eta", doc="Share of the force that reaches the nut."
    )
    motor_friction: float = quantity(
        "N m", low=0, high="100 kN m", doc="Friction torque of the motor."
    )
    motor_breakaway: float = number(low=1, high=10, doc="Static over sliding friction torque.")
    nut_mass: float = quantity(
        "kg", above=0, high="100 t", symbol="M_p", doc="Nut and what moves with it."
    )
    lock_volume: float = quantity(
        "cm3", low=0, high="100 L", doc="Oil from each port of the motor to the lock or valve."
    )
    case_leakage: float = quantity(
        "cm3/min/bar", low=0, high="10 L/min/bar", doc="Leakage of each side to the case."
    )
    cross_leakage: float = quantity(
        "cm3/min/bar", low=0, high="10 L/min/bar", symbol="C_i", doc="Leakage from side to side."
    )
    highest_speed: float = quantity("rpm", above=0, high="100000 rpm", doc="Highest motor speed.")
    screw_stiffness: float = quantity(
        "N/um", above=0, high="1e5 N/um", doc="Screw, nut and bearings along the axis."
    )
    screw_damping: float = quantity(
        "N s/m", low=0, high="1e8 N s/m", doc="Damping of screw, nut and bearings."
    )
    brake_stiffness: float = quantity(
        "N/um", above=0, high="1e5 N/um", doc="Holding brake, without which a motor is not held."
    )
    brake_damping: float = quantity(
        "N s/m", low=0, high="1e8 N s/m", doc="Damping of the engaged brake."
    )
    brake_force: float = quantity("N", above=0, high="10000 kN", doc="Force at which it slips.")
    brake_closing_time: float = quantity("ms", low=0, high="5 s", doc="Command to engaged.")
    brake_opening_time: float = quantity("ms", low=0, high="5 s", doc="Command to released.")
    end_stop_stiffness: float = quantity(
        "N/um", above=0, high="1e5 N/um", symbol="k_e", doc="Stiffness beyond the ends of stroke."
    )
    end_stop_damping: float = quantity(
        "N s/m", low=0, high="1e8 N s/m", symbol="c_e", doc="Damping beyond the ends of stroke."
    )


class Lines(Table):
    """Pipes and hoses between tank, pump, valve and cylinder."""

    bores: tuple[float, ...] = quantity(
        "mm", many=True, above=0, high="500 mm", doc="Inner diameters to choose from."
    )
    wall: float = quantity("mm", above=0, high="50 mm", doc="Wall thickness of the pipes.")
    elasticity: float = quantity(
        "GPa", above=0, high="1000 GPa", doc="Modulus of elasticity of the pipes."
    )
    roughness: float = quantity("um", low=0, high="1 mm", doc="Roughness of the pipes' bore.")
    pressure_velocity: float = quantity(
        "m/s", above=0, high="30 m/s", doc="Highest mean velocity in pressure lines."
    )
    return_velocity: float = quantity(
        "m/s", above=0, high="30 m/s", doc="Highest mean velocity in return lines."
    )
    suction_velocity: float = quantity(
        "m/s", above=0, high="10 m/s", doc="Highest mean velocity in suction lines."
    )
    pressure_length: float = quantity("m", low=0, high="200 m", doc="Power unit to valve.")
    return_length: float = quantity("m", low=0, high="200 m", doc="Valve to tank.")
    suction_length: float = quantity("m", low=0, high="20 m", doc="Tank to pump.")
    suction_head: float = quantity(
        "m", low="-10 m", high="10 m", doc="Pump above the oil's level; negative below it."
    )
    service_length: float = quantity("m", low=0, high="50 m", doc="Pipe from valve to cylinder.")
    hose_length: float = quantity("m", low=0, high="50 m", doc="Hose from valve to cylinder.")
    hose_modulus: float = quantity(
        "MPa", above=0, high="100 GPa", doc="Pressure over relative growth of the hose's volume."
    )
    pressure_fittings: float = number(
        low=0, high=1000, doc="Sum of the loss coefficients of the fittings of the pressure line."
    )
    return_fittings: float = number(low=0, high=1000, doc="The same of the return line.")
    suction_fittings: float = number(low=0, high=1000, doc="The same of the suction line.")
    service_fittings: float = number(low=0, high=1000, doc="The same from valve to cylinder.")
    pressure_loss: float = quantity(
        "bar", above=0, high="100 bar", doc="Largest loss from power unit to valve at peak flow."
    )
    lowest_suction: float = quantity(
        "bar", low="0.1 bar", high="2 bar", doc="Least absolute pressure at the pump's inlet."
    )


class PowerUnit(Table):
    """Pumps, accumulators, motors and tanks to choose from."""

    without_accumulator: bool = switch("Whether a pump for the peak flow is considered.")
    with_accumulator: bool = switch("Whether a smaller pump with accumulator is considered.")
    pump: Literal["compensated_pump", "fixed_pump"] = choice(
        "Pump that swivels back at its set pressure, or one whose relief valve passes the rest."
    )
    pump_flows: tuple[float, ...] = quantity(
        "L/min", many=True, above=0, high="5000 L/min", doc="Series of pumps, by their flow."
    )
    flow_reserve: float = quantity(
        "%", low=0, high="200 %", doc="Flow of the pump above what is needed."
    )
    pump_efficiency: float = quantity(
        "%", above=0, high="100 %", symbol="eta_p", doc="Whole efficiency of the pump."
    )
    compensator_band: float = quantity(
        "bar", above=0, high="100 bar", doc="Pressure range over which the flow falls to zero."
    )
    compensator_time: float = quantity(
        "ms", above=0, high="5 s", doc="Time constant of the compensator."
    )
    relief_margin: float = quantity(
        "bar", above=0, high="200 bar", doc="Relief valve opens so far above the set pressure."
    )
    relief_gradient: float = quantity(
        "L/min/bar", above=0, high="1000 L/min/bar", doc="Flow of the relief valve over pressure."
    )
    pump_line_volume: float = quantity(
        "L", above=0, high="1000 L", doc="Oil between pump and accumulator or pressure line."
    )
    accumulator_volumes: tuple[float, ...] = quantity(
        "L", many=True, above=0, high="1000 L", doc="Series of accumulators, by their gas volume."
    )
    precharge_share: float = quantity(
        "%", above=0, below="100 %", doc="Precharge over the lowest supply pressure, in the oil's "
        "lowest temperature."
    )  # fmt: skip
    gas_exponent: float = number(low=1.01, high=2, doc="Exponent of fast changes of the gas.")
    gas_time_constant: float = quantity(
        "s", above=0, high="3600 s", doc="Time in which the gas takes the room's temperature."
    )
    sag: float = quantity(
        "%", above=0, below="50 %", doc="Largest fall of the supply pressure in a move."
    )
    motor_powers: tuple[float, ...] = quantity(
        "kW", many=True, above=0, high="1000 kW", doc="Series of electric motors."
    )
    motor_efficiency: float = quantity(
        "%", above=0, high="100 %", doc="Efficiency of the electric motor."
    )
    tank_time: float = quantity(
        "min", above=0, high="60 min", doc="Tank's volume over the pump's flow."
    )
    tank_volumes: tuple[float, ...] = quantity(
        "L", many=True, above=0, high="100000 L", doc="Series of tanks."
    )
    tank_heat_transfer: float = quantity(
        "W/K",
        low=0,
        high="10000 W/K",
        doc="Of a tank of 100 L; grows with its wall.",
    )
    oil_temperature: float = quantity(
        "degC", above="0 degC", high="90 degC", doc="Highest temperature of the oil in the tank."
    )
    cooler_powers: tuple[float, ...] = quantity(
        "kW", many=True, low=0, high="1000 kW", doc="Series of coolers, at the highest temperature "
        "difference between oil and room; 0 for none."
    )  # fmt: skip
