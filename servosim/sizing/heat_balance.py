"""Motor, heat, tank and cooler of every combination."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from servosim.components.oil import ATMOSPHERE, density
from servosim.sizing import accumulators as gas
from servosim.sizing import heat as thermal
from servosim.sizing.calculation import Calculation
from servosim.sizing.combinations import Array
from servosim.sizing.duty import Duty
from servosim.sizing.lines import or_largest, smallest_of
from servosim.sizing.pump_choice import gas_temperatures
from servosim.sizing.requirement import RequirementFile
from servosim.sizing.unit_data import UnitData

if TYPE_CHECKING:
    from servosim.sizing.actuators import Actuators


def motor_of(
    requirement: RequirementFile, unit: UnitData, duty: Duty, nominal: Array, charged: Any,
    pump: Array, mean: Array, peak: Array, mean_square: Array, calc: Calculation,
) -> dict[str, Array]:  # fmt: skip
    """Return shaft power and motor."""
    x = requirement.power_unit
    if unit.compensated:
        most = np.where(charged, pump, np.minimum(peak, pump))
        average = np.minimum(mean, pump)
        at_most = np.where(charged, average / pump * duty.cycle_time, duty.longest_time)
    else:
        most, average, at_most = pump, pump, np.full(len(pump), duty.cycle_time)
    efficiency: dict[str, Any] = {"efficiency": x.pump_efficiency}
    top = calc.of(thermal.shaft_power, "at most", pressure=nominal, flow=most, **efficiency)
    shaft = calc.of(thermal.shaft_power, "mean", pressure=nominal, flow=average, **efficiency)
    square = thermal.mean_square_of(full=most, mean=average)
    if unit.compensated and not np.all(charged):
        square = np.where(charged, square, mean_square)
        calc.given("q_m2", "mean square of the pump's flow over the cycle", square, "m6/s2",
                   "integral over the cycle, ramps in steps")  # fmt: skip
    else:
        square = calc.of(thermal.mean_square_of, full=most, mean=average)
    effective = calc.of(thermal.effective_power, peak=top, mean_square=square, flow=most)
    overload = calc.of(thermal.overload_of, time=at_most, allowed=thermal.OVERLOAD_TIME)
    least = calc.of(thermal.least_motor_power, effective=effective, peak=top, overload=overload)
    motor = calc.given("P_N", "rated power of the motor, of the series",
                       smallest_of(least, x.motor_powers), "W",
                       "requirement, [power_unit] motor_powers")  # fmt: skip
    electric = calc.of(thermal.electric_input, shaft=shaft, efficiency=x.motor_efficiency)
    return {
        "peak_shaft_power": top, "shaft_power": shaft, "needed_motor_power": least,
        "motor_power": motor, "electric_power": electric,
    }  # fmt: skip


def heat_of(
    requirement: RequirementFile, unit: UnitData, duty: Duty, actuators: Actuators,
    parts: dict[str, Array], pump: Array, nominal: Array, calc: Calculation,
) -> dict[str, Array]:  # fmt: skip
    """Return useful work, heat, tank, cooler and the temperature of the oil."""
    x, room = requirement.power_unit, requirement.conditions.ambient_temperature
    forces = _least_forces(duty, actuators)
    work = calc.of(thermal.useful_power, "the variant with the least of it", force_out=forces[0],
                   travel_out=duty.travel_out, force_in=forces[1], travel_in=duty.travel_in,
                   cycle_time=duty.cycle_time)  # fmt: skip
    heat = calc.of(thermal.heat_into_oil, shaft=parts["shaft_power"], work=work)
    rho = density(requirement.oil, requirement.conditions.temperature.high)
    oil = _accumulator_oil(requirement, unit, parts, nominal, calc)
    difference = np.abs(actuators.area_a - actuators.area_b) * requirement.actuator_stroke
    least = calc.of(thermal.least_tank_volume, pump_flow=pump, time=x.tank_time,
                    accumulator=oil, difference=difference)  # fmt: skip
    tank = calc.given("V_T", "volume of the tank, of the series",
                      smallest_of(least, x.tank_volumes), "m3",
                      "requirement, [power_unit] tank_volumes")  # fmt: skip
    used = or_largest(tank, x.tank_volumes)
    limits: dict[str, Any] = {"limit": x.oil_temperature, "ambient": room}
    if unit.cooling is None:
        wall = calc.of(
            thermal.tank_transfer,
            reference=thermal.TANK,
            transfer=x.tank_heat_transfer,
            volume=used,
        )
        wanted = calc.of(thermal.least_cooler_power, heat=heat, transfer=wall, **limits)
        cooler = calc.given("P_C", "power of the cooler, of the series",
                            smallest_of(wanted, x.cooler_powers), "W",
                            "requirement, [power_unit] cooler_powers")  # fmt: skip
        transfer = calc.of(thermal.whole_transfer, transfer=wall,
                           cooler=or_largest(cooler, x.cooler_powers), **limits)  # fmt: skip
        capacity = calc.of(
            thermal.heat_capacity, specific_heat=thermal.SPECIFIC_HEAT, density=rho, volume=used
        )
    else:
        transfer, capacity = np.full(len(heat), unit.cooling), np.full(len(heat), unit.capacity)
        wanted = cooler = np.zeros(len(heat))
    warm = calc.of(thermal.oil_temperature, ambient=room, heat=heat, transfer=transfer)
    throttled = calc.of(
        thermal.throttled_warming, specific_heat=thermal.SPECIFIC_HEAT, drop=nominal, density=rho
    )
    return {
        "work": work, "heat": heat, "needed_tank_volume": least, "tank_volume": tank,
        "needed_cooler_power": wanted, "cooler_power": cooler, "oil_temperature": warm,
        "throttled_warming": throttled, "tank_heat_capacity": capacity, "cooling": transfer,
    }  # fmt: skip


def _accumulator_oil(
    requirement: RequirementFile, unit: UnitData, parts: dict[str, Array], nominal: Array,
    calc: Calculation,
) -> Array:  # fmt: skip
    """Return the oil in the full accumulator, in its coldest gas; zero without one."""
    bottle = or_largest(parts["accumulator_volume"], unit.accumulators or (0.0,))
    found, rows = np.zeros(len(nominal)), np.flatnonzero(bottle > 0.0)
    if len(rows):
        coldest = gas_temperatures(requirement)[0]
        room = requirement.conditions.ambient_temperature
        charged = parts["precharge_pressure"][rows] + ATMOSPHERE
        high = nominal[rows] * (1.0 + requirement.conditions.supply_variation)
        found[rows] = calc.of(gas.oil_of_accumulator, V_0=bottle[rows], p_h=high, p_a=ATMOSPHERE,
                              p_0=gas.precharge_at(precharge=charged, temperature=coldest,
                                                   coldest=room))  # fmt: skip
    return found


def _least_forces(duty: Duty, actuators: Actuators) -> tuple[Array, Array]:
    """Return force at rapid velocity out and in, of the variant with the least work, (n,)."""
    force, n = duty.direction * actuators.force, len(actuators.force)
    best = (np.zeros(n), np.zeros(n))
    least = np.full(n, np.inf)
    steady = np.array([one == "rapid" for one in duty.phase])
    for variant in np.unique(duty.variant):
        both = [
            force[:, steady & (duty.variant == variant) & (duty.direction == way)].mean(axis=1)
            if (steady & (duty.variant == variant) & (duty.direction == way)).any()
            else np.zeros(n)
            for way in (1.0, -1.0)
        ]
        done = both[0] * duty.travel_out + both[1] * duty.travel_in
        best = tuple(  # type: ignore[assignment]
            np.where(done < least, one, old) for one, old in zip(both, best, strict=True)
        )
        least = np.minimum(least, done)
    return best
