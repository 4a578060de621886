"""The power unit as the sizing sees it: series to choose from, or the one that is kept."""

from __future__ import annotations

from typing import NamedTuple

from servosim.sizing.requirement import RequirementFile

_IDEAL_PUMP = 1.0  # m3/s, stands for a supply of constant pressure


class UnitData(NamedTuple):
    """Series and characteristics of the power unit.

    Attributes
    ----------
    compensated : bool
        Whether the pump swivels back at its set pressure.
    pump_flows, accumulators : tuple of float
        Series [m3/s, m3].
    flow_reserve : float
        Reserve of the pump [-].
    band : float
        Range of the compensator [Pa].
    gradient : float
        Flow of the relief valve over pressure [m3/s/Pa].
    relief_margin : float
        Relief valve above the set pressure [Pa].
    gas_exponent : float
        Of fast changes [-].
    relief, precharge, capacity, cooling : float or None
        What a unit that is kept states: relief setting [Pa], precharge at room temperature [Pa,
        gauge], heat capacity [J/K] and heat transfer [W/K] of its tank.
    """

    compensated: bool
    pump_flows: tuple[float, ...]
    accumulators: tuple[float, ...]
    flow_reserve: float
    band: float
    gradient: float
    relief_margin: float
    gas_exponent: float
    relief: float | None = None
    precharge: float | None = None
    capacity: float | None = None
    cooling: float | None = None


def unit_data(requirement: RequirementFile) -> UnitData:
    """Return the power unit: that of the table ``[supply]`` if there is one, or the series.

    Parameters
    ----------
    requirement : RequirementFile
        What is at hand.

    Returns
    -------
    UnitData
        A kept unit has series of one size and no reserve.
    """
    x, kept = requirement.power_unit, requirement.supply
    if kept is None:
        return UnitData(
            compensated=x.pump == "compensated_pump",
            pump_flows=x.pump_flows,
            accumulators=x.accumulator_volumes,
            flow_reserve=x.flow_reserve,
            band=x.compensator_band,
            gradient=x.relief_gradient,
            relief_margin=x.relief_margin,
            gas_exponent=x.gas_exponent,
        )
    ideal, gas = kept.kind == "ideal", kept.accumulator == "gas"
    compensated = kept.kind != "fixed_pump"
    return UnitData(
        compensated=compensated,
        pump_flows=(_IDEAL_PUMP if ideal else kept.pump_flow,),
        accumulators=(kept.accumulator_volume,) if gas else (),
        flow_reserve=0.0,
        band=kept.compensator_band if kept.kind == "compensated_pump" else 0.0,
        gradient=x.relief_gradient if ideal else kept.relief_gradient,
        relief_margin=x.relief_margin,
        gas_exponent=kept.gas_exponent if gas else x.gas_exponent,
        relief=kept.relief_pressure if kept.kind == "compensated_pump" else None,
        precharge=kept.precharge_pressure if gas else None,
        capacity=kept.tank_heat_capacity,
        cooling=kept.cooling,
    )
