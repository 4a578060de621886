"""Rules on the power unit: pump, accumulator, motor, oil and lines."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from servosim.sizing.combinations import Array, Check
from servosim.sizing.requirement import RequirementFile
from servosim.sizing.unit_data import UnitData

if TYPE_CHECKING:
    from servosim.sizing.power import Power

_PRACTICE = "common practice, no source"
_OFFER = "what is at hand"


def checks_of(
    requirement: RequirementFile, unit: UnitData, power: Power, nominal: Array, n: int
) -> list[Check]:
    """Return the rules on the power unit.

    Parameters
    ----------
    requirement : RequirementFile
        Sets the limits.
    unit : UnitData
        Series of the power unit.
    power : Power
        What was found.
    nominal : ndarray, shape (n,)
        Nominal supply pressure [Pa].
    n : int
        How many combinations there are.

    Returns
    -------
    list of Check
        One per rule.
    """
    x, lines, p = requirement.power_unit, requirement.lines, power

    def rule(
        name: str, words: str, key: str, value: Any, limit: Any, units: tuple[str, str],
        source: str, *relaxes: str, upper: bool = True,
    ) -> Check:  # fmt: skip
        value, limit = (np.broadcast_to(np.asarray(one, dtype=float), n) for one in (value, limit))
        keys = tuple(dict.fromkeys((key, *relaxes)))
        return Check(name, words, key, value, limit, *units, upper, source, keys)

    bar, flow, litre, watt = ("Pa", "bar"), ("m3/s", "L/min"), ("m3", "L"), ("W", "kW")
    speed = ("m/s", "m/s")
    lowest = nominal * (1.0 - requirement.conditions.supply_variation) * (1.0 - x.sag)
    kept, room = requirement.supply is not None, requirement.conditions.ambient_temperature
    most_back = requirement.pressures.return_pressure or lines.pressure_loss
    return [
        rule("pump_flow", "There is a pump for the flow with its reserve",
             "supply.pump_flow" if kept else "power_unit.pump_flows", p.needed_pump_flow,
             max(unit.pump_flows), flow, _OFFER, "reference.velocity", "work.cycles_per_hour",
             "power_unit.flow_reserve"),
        rule("accumulator_volume", "There is an accumulator for what the pump lacks in the cycle",
             "supply.accumulator_volume" if kept else "power_unit.accumulator_volumes",
             p.needed_accumulator_volume, max(unit.accumulators, default=0.0), litre, _OFFER,
             "power_unit.sag", "work.cycles_per_hour"),
        rule("sag", "The supply pressure does not fall too far in a move", "power_unit.sag",
             p.sag_adiabatic, x.sag, ("1", "%"), _PRACTICE),
        rule("precharge", "The hottest precharge stays below the lowest supply pressure",
             "power_unit.precharge_share", p.hot_precharge, lowest, bar, _PRACTICE,
             "conditions.temperature"),
        rule("relief_pressure", "What the relief valve lets rise stays within cylinder and hoses",
             "margins.chamber_pressure", p.relief_full_pressure,
             requirement.margins.chamber_pressure, bar, "rating of cylinder and hoses",
             "power_unit.relief_margin"),
        rule("motor_power", "There is a motor for the shaft power", "power_unit.motor_powers",
             p.needed_motor_power, max(x.motor_powers), watt, _OFFER, "reference.velocity",
             "work.cycles_per_hour"),
        rule("tank_volume", "There is a tank that is large enough", "power_unit.tank_volumes",
             p.needed_tank_volume, max(x.tank_volumes), litre, _PRACTICE, "power_unit.tank_time"),
        rule("oil_temperature", "The oil in the tank does not get too much warmer than the room",
             "power_unit.oil_temperature", p.oil_temperature - room, x.oil_temperature - room,
             ("K", "K"), "energy balance", "conditions.ambient_temperature",
             "work.cycles_per_hour"),
        rule("pressure_line_velocity", "The oil in the pressure line is slow enough",
             "lines.pressure_velocity", p.pressure_velocity, lines.pressure_velocity, speed,
             _PRACTICE, "reference.velocity"),
        rule("return_line_velocity", "The oil in the return line is slow enough",
             "lines.return_velocity", p.return_velocity, lines.return_velocity, speed, _PRACTICE,
             "reference.velocity"),
        rule("suction_line_velocity", "The oil in the suction line is slow enough",
             "lines.suction_velocity", p.suction_velocity, lines.suction_velocity, speed,
             _PRACTICE),
        rule("pressure_loss", "The pressure line loses little at peak flow",
             "lines.pressure_loss", p.pressure_loss, lines.pressure_loss, bar, _PRACTICE,
             "reference.velocity"),
        rule("return_loss", "The return line needs no more pressure than is counted with",
             "pressures.return_pressure", p.return_loss, most_back, bar,
              "definition of the return pressure", "reference.velocity"),
        rule("suction_pressure", "The pump does not cavitate when it is started cold",
             "lines.lowest_suction", p.cold_suction, lines.lowest_suction, bar, _PRACTICE,
             "conditions.coldest_start", "lines.suction_head", upper=False),
    ]  # fmt: skip
