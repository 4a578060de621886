"""The power unit of every combination: pump, accumulator, lines, motor, heat, tank and cooler.

Sources. As in :mod:`servosim.sizing.accumulators`, :mod:`servosim.sizing.heat` and
:mod:`servosim.sizing.power_lines`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from servosim.sizing import accumulators as gas
from servosim.sizing.calculation import Calculation, formula
from servosim.sizing.combinations import ACCUMULATOR, Array, Check, Combinations
from servosim.sizing.cycle_flow import cycle_steps, drawn_flow
from servosim.sizing.duty import Duty
from servosim.sizing.heat_balance import heat_of, motor_of
from servosim.sizing.lines import or_largest
from servosim.sizing.pattern import pattern_of
from servosim.sizing.power_lines import lines_of
from servosim.sizing.power_rules import checks_of
from servosim.sizing.pump_choice import pump_and_gas, relief_of
from servosim.sizing.requirement import RequirementFile
from servosim.sizing.supply_cycle import supply_over_cycle
from servosim.sizing.unit_data import unit_data
from servosim.sizing.valves import Valves

if TYPE_CHECKING:
    from servosim.sizing.actuators import Actuators

__all__ = ["Power", "power_of", "supply_over_cycle"]

_PRACTICE = "common practice, no source"
_HIGH = 210e5  # Pa, above which oil is kept one class cleaner


@dataclass(frozen=True)
class Power:
    """Power unit of each combination, shape (n,); nan where a series has nothing large enough.

    Attributes
    ----------
    mean_flow, peak_flow, return_flow : ndarray
        Drawn from the supply over the cycle and at most, and returned at most, with the valve's
        null leakage [m3/s].
    needed_pump_flow, pump_flow : ndarray
        With reserve, and of the series [m3/s].
    given_volume : ndarray
        What the accumulator has to give at most [m3], zero without.
    needed_accumulator_volume, accumulator_volume : ndarray
        Gas volume, and that of the series [m3], zero without.
    precharge_pressure, hot_precharge : ndarray
        Precharge at room temperature and in the hottest gas, gauge [Pa]; zero without.
    sag_adiabatic, sag_isothermal : ndarray
        Fall of the supply pressure in a move as a share of the nominal, gas exchanging no heat or
        all of it [-]; the same for a pump alone.
    lowest_pressure : ndarray
        Supply pressure after the sharper fall [Pa].
    full_pressure : ndarray
        Up to which the pump gives its whole flow [Pa].
    relief_pressure, relief_full_pressure : ndarray
        At which the relief valve opens, and passes the pump's whole flow [Pa].
    peak_shaft_power, shaft_power, electric_power : ndarray
        At the pump's shaft at most and on average; mean input of the motor [W].
    needed_motor_power, motor_power : ndarray
        Least rating of the motor, and that of the series [W].
    work, heat : ndarray
        Mean useful power, and mean heat into the oil [W].
    needed_cooler_power, cooler_power : ndarray
        Least power of the cooler, and that of the series [W].
    needed_tank_volume, tank_volume : ndarray
        Least volume of the tank, and that of the series [m3].
    oil_temperature : ndarray
        Steady temperature in the tank [K].
    throttled_warming : ndarray
        By how much oil throttled from supply to tank warms up [K].
    tank_heat_capacity, cooling : ndarray
        Of the oil in the tank [J/K]; of tank and cooler [W/K].
    pressure_bore, return_bore, suction_bore : ndarray
        Bores of the lines [m].
    pressure_velocity, return_velocity, suction_velocity : ndarray
        Mean velocity at the greatest flow [m/s].
    pressure_loss, return_loss, service_loss : ndarray
        Losses at the greatest flow in the coldest oil at work [Pa].
    cold_loss : ndarray
        Loss of the pressure line at the pump's flow, coldest start [Pa].
    cold_suction : ndarray
        Absolute pressure at the pump's inlet, coldest start [Pa].
    line_volume : ndarray
        Oil in the pressure line [m3].
    cleanliness : tuple of str
        Cleanliness of the oil to aim at, ISO 4406 codes (common practice, no source).
    """

    mean_flow: Array
    peak_flow: Array
    return_flow: Array
    needed_pump_flow: Array
    pump_flow: Array
    given_volume: Array
    needed_accumulator_volume: Array
    accumulator_volume: Array
    precharge_pressure: Array
    hot_precharge: Array
    sag_adiabatic: Array
    sag_isothermal: Array
    lowest_pressure: Array
    full_pressure: Array
    relief_pressure: Array
    relief_full_pressure: Array
    peak_shaft_power: Array
    shaft_power: Array
    electric_power: Array
    needed_motor_power: Array
    motor_power: Array
    work: Array
    heat: Array
    needed_cooler_power: Array
    cooler_power: Array
    needed_tank_volume: Array
    tank_volume: Array
    oil_temperature: Array
    throttled_warming: Array
    tank_heat_capacity: Array
    cooling: Array
    pressure_bore: Array
    return_bore: Array
    suction_bore: Array
    pressure_velocity: Array
    return_velocity: Array
    suction_velocity: Array
    pressure_loss: Array
    return_loss: Array
    service_loss: Array
    cold_loss: Array
    cold_suction: Array
    line_volume: Array
    cleanliness: tuple[str, ...]


@formula(
    "q",
    "flow with the null leakage of the valve",
    "motion + leakage",
    "m3/s",
    "sum; the valve leaks in motion and at rest",
    motion=("flow of the motion", "m3/s"),
    leakage=("null leakage", "m3/s"),
)
def with_leakage(motion: Array, leakage: Array) -> Array:
    """Return a flow with the valve's null leakage [m3/s]."""
    return motion + leakage


@formula(
    "q_R",
    "greatest flow that returns",
    "maximum(A_A*speed_in, A_B*speed_out) + leakage",
    "m3/s",
    "continuity",
    A_A=("piston area A", "m2"),
    speed_in=("highest velocity in retraction", "m/s"),
    A_B=("piston area B", "m2"),
    speed_out=("highest velocity in extension", "m/s"),
    leakage=("null leakage", "m3/s"),
)
def greatest_return(
    A_A: Array, speed_in: Array, A_B: Array, speed_out: Array, leakage: Array
) -> Array:
    """Return the greatest flow in the return line [m3/s]."""
    return np.maximum(A_A * speed_in, A_B * speed_out) + leakage


@formula(
    "q_P",
    "flow that the pump needs",
    "flow*(1 + reserve)",
    "m3/s",
    _PRACTICE,
    flow=("peak flow of a pump alone, mean flow with an accumulator", "m3/s"),
    reserve=("reserve", "1"),
)
def needed_pump(flow: Array, reserve: Array) -> Array:
    """Return the flow of the pump with its reserve [m3/s]."""
    return flow * (1.0 + reserve)


def power_of(
    requirement: RequirementFile,
    duty: Duty,
    actuators: Actuators,
    valves: Valves,
    c: Combinations,
    calc: Calculation,
) -> tuple[Power, list[Check]]:
    """Return the power unit of each combination, and the rules on it.

    Parameters
    ----------
    requirement : RequirementFile
        What is asked for and what is at hand.
    duty : Duty
        The cycle.
    actuators : Actuators
        Areas, stroke and force at each point.
    valves : Valves
        Flows and null leakage.
    c : Combinations
        Parts of the n combinations.
    calc : Calculation
        Keeps the steps if there is one combination.

    Returns
    -------
    power : Power
        Figures.
    checks : list of Check
        Rules on pump, accumulator, motor, oil and lines.
    """
    unit, n = unit_data(requirement), len(c)
    leak, charged = valves.null_leakage, c.arrangement == ACCUMULATOR
    # a valve whose leakage could not be found breaks a rule of its own
    always = np.nan_to_num(leak)
    steps = cycle_steps(requirement, duty.cycle_time)
    packed = cycle_steps(requirement, duty.cycle_time, duty.shortest_stop)
    drawn = drawn_flow(steps, actuators.area_a + 0.0, actuators.area_b + 0.0, always)
    with calc.section("Power unit: flow"):
        peak = calc.of(with_leakage, "peak", motion=valves.peak_flow, leakage=always)
        mean = calc.of(with_leakage, "mean of the cycle", motion=valves.mean_flow, leakage=always)
        back = calc.of(greatest_return, A_A=actuators.area_a, speed_in=duty.peak_in,
                       A_B=actuators.area_b, speed_out=duty.peak_out, leakage=always)  # fmt: skip
        base = np.where(charged, mean, peak)
        wanted = calc.of(needed_pump, flow=base, reserve=unit.flow_reserve)
    flows = {"mean_flow": mean, "peak_flow": peak, "return_flow": back, "needed_pump_flow": wanted}
    parts = pump_and_gas(requirement, unit, c.pressure, charged, wanted, peak, drawn,
                         np.stack([steps.step, packed.step]), calc)  # fmt: skip
    pump = or_largest(parts["pump_flow"], unit.pump_flows)
    if charged.all():
        longest = pattern_of(requirement, Calculation()).longest
        with calc.section("Power unit: accumulator"):
            calc.of(gas.volume_of_move, peak=peak, pump=pump, leakage=always,
                    accelerating=longest.accelerating, rapid=longest.rapid,
                    decelerating=longest.decelerating)  # fmt: skip
    with calc.section("Power unit: relief valve"):
        parts |= relief_of(unit, c.pressure, pump, calc)
    lines = lines_of(requirement, peak, back, pump, calc)
    with calc.section("Power unit: motor"):
        parts |= motor_of(requirement, unit, duty, c.pressure, charged, pump, mean, peak,
                        (drawn**2 * steps.step).sum(axis=1) / steps.step.sum(), calc)  # fmt: skip
    with calc.section("Power unit: heat"):
        parts |= heat_of(requirement, unit, duty, actuators, parts, pump, c.pressure, calc)
    codes = _cleanliness(requirement, c)
    with calc.section("Power unit: cleanliness of the oil"):
        calc.given(
            "p_S",
            "nominal supply pressure",
            c.pressure,
            "Pa",
            _PRACTICE,
            f"clean the oil to ISO 4406 {codes[0]} or better" if codes else "",
        )
    power = Power(
        **flows,
        **parts,
        **lines._asdict(),
        service_loss=valves.service_loss,
        cleanliness=codes,
    )
    return power, checks_of(requirement, unit, power, c.pressure, n)


def _cleanliness(requirement: RequirementFile, c: Combinations) -> tuple[str, ...]:
    """Return ISO 4406 codes to aim at (common practice, no source)."""
    codes = {
        ("servo", False): "16/14/11",
        ("servo", True): "15/13/10",
        ("proportional", False): "18/16/13",
        ("proportional", True): "17/15/12",
    }
    kinds = [one.kind for one in requirement.valve]
    return tuple(
        codes[kinds[valve], pressure > _HIGH]
        for valve, pressure in zip(c.valve, c.pressure, strict=True)
    )
