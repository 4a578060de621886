"""Pump, accumulator and relief valve of every combination.

The smallest pump of the series is taken for which the series has an accumulator too. The move is
counted from the pressure below which the pump gives its whole flow: what the accumulator holds
above that is left out (safe side).
"""

from __future__ import annotations

from typing import Any

import numpy as np

from servosim.components.oil import ATMOSPHERE
from servosim.sizing import accumulators as gas
from servosim.sizing.calculation import Calculation, formula
from servosim.sizing.combinations import Array
from servosim.sizing.lines import or_largest, smallest_of
from servosim.sizing.requirement import RequirementFile
from servosim.sizing.unit_data import UnitData


@formula(
    "p_R",
    "pressure at which the relief valve opens",
    "nominal + margin",
    "Pa",
    "requirement, [power_unit] relief_margin",
    nominal=("set pressure of the compensator", "Pa"),
    margin=("relief valve above it", "Pa"),
)
def relief_setting(nominal: Array, margin: Array) -> Array:
    """Return the setting of the relief valve beside a compensated pump [Pa]."""
    return nominal + margin


@formula(
    "p_Rmax",
    "pressure at which the relief valve passes the pump's whole flow",
    "opening + pump_flow/gradient",
    "Pa",
    "characteristic of the relief valve, as the supply of the axis file",
    opening=("pressure at which it opens", "Pa"),
    pump_flow=("flow of the pump", "m3/s"),
    gradient=("flow of the relief valve over pressure", "m3/s/Pa"),
)
def relief_full(opening: Array, pump_flow: Array, gradient: Array) -> Array:
    """Return the pressure at which the relief valve passes the pump's whole flow [Pa]."""
    return opening + pump_flow / gradient


def pump_and_gas(
    requirement: RequirementFile, unit: UnitData, nominal: Array, charged: Any, wanted: Array,
    peak: Array, drawn: Array, step: Array, calc: Calculation,
) -> dict[str, Array]:  # fmt: skip
    """Return pump and accumulator: the smallest pump for which there is an accumulator."""
    pump, given, needed, precharge = _selected(requirement, unit, nominal, charged, wanted, drawn,
                                               step)  # fmt: skip
    used = or_largest(pump, unit.pump_flows)
    with calc.section("Power unit: pump and sag"):
        calc.given(
            "q_p",
            "flow of the pump, of the series",
            pump,
            "m3/s",
            "requirement, [power_unit] pump_flows",
            "smallest with an accumulator of the series" if charged.all() else "",
        )
        full = _full_pressure(unit, nominal, used, calc)
        if unit.compensated:
            alone = calc.of(gas.compensated_pressure, nominal=nominal, band=unit.band,
                            flow=np.minimum(peak, used), pump_flow=used)  # fmt: skip
        else:
            alone = calc.of(gas.relieved_pressure, nominal=nominal, flow=np.minimum(peak, used),
                            gradient=unit.gradient)  # fmt: skip
    if not charged.any():
        with calc.section("Power unit: pump and sag"):
            sag = calc.of(gas.sag_of, nominal=nominal, lowest=alone)
        none = np.zeros(len(nominal))
        return {
            "pump_flow": pump, "given_volume": none, "needed_accumulator_volume": none,
            "accumulator_volume": none, "precharge_pressure": none, "hot_precharge": none,
            "full_pressure": full, "sag_adiabatic": sag, "sag_isothermal": sag,
            "lowest_pressure": alone,
        }  # fmt: skip
    x, conditions = requirement.power_unit, requirement.conditions
    room, (coldest, hottest) = conditions.ambient_temperature, gas_temperatures(requirement)
    with calc.section("Power unit: accumulator"):
        volume = calc.given("V_g", "volume that the accumulator has to give", given, "m3",
                            "integral of drawn less pump flow over the cycle",
                            "the worse of two: all pauses alike, or stops as short as they can be "
                            "and what is left of the cycle after its last move")  # fmt: skip
        lowest = calc.of(gas.sagged_pressure, nominal=nominal, sag=x.sag)
        p_0 = precharge
        if unit.precharge is None:
            weak = nominal * (1.0 - conditions.supply_variation)
            weakest = calc.of(gas.sagged_pressure, "lowest supply", nominal=weak, sag=x.sag)
            p_0 = calc.of(
                gas.cold_precharge, p_a=ATMOSPHERE, share=x.precharge_share, lowest=weakest
            )
        at_room, hot = (
            calc.of(gas.precharge_at, words, precharge=p_0, temperature=temperature,
                    coldest=coldest)
            for words, temperature in (("room", room), ("hottest gas", hottest))
        )  # fmt: skip
        calc.of(gas.least_gas_volume, p_a=ATMOSPHERE, volume=volume, p_0=p_0, p_1=full, p_2=lowest,
                exponent=unit.gas_exponent)  # fmt: skip
        calc.of(
            gas.least_gas_volume,
            "isothermal, for comparison",
            p_a=ATMOSPHERE,
            volume=volume,
            p_0=p_0,
            p_1=full,
            p_2=lowest,
            exponent=1.0,
        )
        bottle = smallest_of(needed, unit.accumulators)
        calc.given("V_0", "gas volume of the accumulator, of the series", bottle, "m3",
                   "requirement, [power_unit] accumulator_volumes")  # fmt: skip
        V_1 = calc.of(
            gas.full_gas_volume,
            p_a=ATMOSPHERE,
            V_0=or_largest(bottle, unit.accumulators),
            p_0=p_0,
            p_1=full,
        )
        after, slow = (
            calc.of(
                gas.pressure_after,
                words,
                p_a=ATMOSPHERE,
                p_1=full,
                volume=volume,
                V_1=V_1,
                exponent=exponent,
            )
            for words, exponent in (("no heat exchanged", unit.gas_exponent), ("isothermal", 1.0))
        )
        after, slow = np.where(charged, after, alone), np.where(charged, slow, alone)
        sags = [calc.of(gas.sag_of, nominal=nominal, lowest=one) for one in (after, slow)]
    return {
        "pump_flow": pump,
        "given_volume": np.where(charged, given, 0.0),
        "needed_accumulator_volume": np.where(charged, needed, 0.0),
        "accumulator_volume": np.where(charged, bottle, 0.0),
        "precharge_pressure": np.where(charged, at_room - ATMOSPHERE, 0.0),
        "hot_precharge": np.where(charged, hot - ATMOSPHERE, 0.0),
        "full_pressure": full,
        "sag_adiabatic": sags[0],
        "sag_isothermal": sags[1],
        "lowest_pressure": after,
    }


def gas_temperatures(requirement: RequirementFile) -> tuple[float, float]:
    """Return coldest and hottest gas: between the room and the oil at work [K]."""
    conditions = requirement.conditions
    both = (conditions.ambient_temperature, *conditions.temperature)
    return min(both), max(both)


def _full_pressure(unit: UnitData, nominal: Array, pump: Array, calc: Calculation) -> Array:
    if unit.compensated:
        return np.asarray(calc.of(gas.full_flow_pressure, nominal=nominal, band=unit.band))
    return np.asarray(
        calc.of(gas.opening_pressure, nominal=nominal, pump_flow=pump, gradient=unit.gradient)
    )


def _selected(
    requirement: RequirementFile, unit: UnitData, nominal: Array, charged: Any, wanted: Array,
    drawn: Array, step: Array,
) -> tuple[Array, Array, Array, Array]:  # fmt: skip
    """Return pump, volume to give, least gas volume, and precharge in the coldest gas."""
    x, silent = requirement.power_unit, Calculation()
    coldest, _ = gas_temperatures(requirement)
    if unit.precharge is None:
        weakest = nominal * (1.0 - requirement.conditions.supply_variation) * (1.0 - x.sag)
        p_0 = np.asarray(
            gas.cold_precharge(share=x.precharge_share, lowest=weakest, p_a=ATMOSPHERE)
        )
    else:
        room = requirement.conditions.ambient_temperature
        p_0 = np.full(len(nominal), (unit.precharge + ATMOSPHERE) * coldest / room)
    lowest = gas.sagged_pressure(nominal=nominal, sag=x.sag)
    pump = smallest_of(wanted, unit.pump_flows)
    given, needed = np.zeros(len(nominal)), np.zeros(len(nominal))
    rows = np.flatnonzero(charged)
    largest = max(unit.accumulators) if unit.accumulators else 0.0
    while rows.size:
        tried = or_largest(pump[rows], unit.pump_flows)
        full = _full_pressure(unit, nominal[rows], tried, silent)
        given[rows] = gas.deficit(drawn[rows], step, tried)
        needed[rows] = gas.least_gas_volume(p_a=ATMOSPHERE,
            volume=given[rows], p_0=p_0[rows], p_1=full, p_2=lowest[rows],
            exponent=unit.gas_exponent,
        )  # fmt: skip
        short = ~(needed[rows] <= largest * (1.0 + 1e-9))
        larger = smallest_of(tried * (1.0 + 1e-6), unit.pump_flows)
        again = short & ~np.isnan(larger) & ~np.isnan(pump[rows])
        rows, larger = rows[again], larger[again]
        pump[rows] = larger
    return pump, given, needed, p_0


def relief_of(unit: UnitData, nominal: Array, pump: Array, calc: Calculation) -> dict[str, Array]:
    """Return where the relief valve opens and where it passes the pump's whole flow.

    Parameters
    ----------
    unit : UnitData
        Characteristics.
    nominal, pump : ndarray, shape (n,)
        Nominal pressure [Pa] and flow of the pump [m3/s].
    calc : Calculation
        Keeps the steps.

    Returns
    -------
    dict of str to ndarray
        Fields of :class:`servosim.sizing.power.Power`.
    """
    if unit.compensated:
        opening = (
            calc.of(relief_setting, nominal=nominal, margin=unit.relief_margin)
            if unit.relief is None
            else np.full(len(nominal), unit.relief)
        )
    else:
        opening = calc.of(gas.opening_pressure, nominal=nominal, pump_flow=pump,
                          gradient=unit.gradient)  # fmt: skip
    full = calc.of(relief_full, opening=opening, pump_flow=pump, gradient=unit.gradient)
    return {"relief_pressure": opening, "relief_full_pressure": full}
