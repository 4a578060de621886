"""Flow and supply pressure of one combination over a cycle, by the gas law, for a plot.

Physics. The pump follows its characteristic at once; the gas of an accumulator exchanges heat with
the room by its time constant; the compressibility of the oil is left out.

Sources. As :mod:`servosim.components.supply`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from servosim.components.oil import ATMOSPHERE
from servosim.sizing.accumulators import deficit
from servosim.sizing.combinations import ACCUMULATOR, Array, Combinations
from servosim.sizing.cycle_flow import cycle_steps, drawn_flow
from servosim.sizing.duty import Duty
from servosim.sizing.requirement import RequirementFile
from servosim.sizing.unit_data import UnitData, unit_data

if TYPE_CHECKING:
    from servosim.sizing.actuators import Actuators
    from servosim.sizing.power import Power
    from servosim.sizing.valves import Valves

_POINTS = 3000
_CYCLES = 3  # gone through, the last is shown


def supply_over_cycle(
    requirement: RequirementFile,
    duty: Duty,
    actuators: Actuators,
    valves: Valves,
    power: Power,
    c: Combinations,
    k: int,
) -> tuple[Array, Array, Array]:
    """Return the flow drawn from the supply and its pressure over one cycle.

    Parameters
    ----------
    requirement : RequirementFile
        What is asked for.
    duty : Duty
        Time of the cycle.
    actuators, valves, power : Actuators, Valves, Power
        Areas, null leakage, pump and accumulator.
    c : Combinations
        Parts of the combinations.
    k : int
        Which of them.

    Returns
    -------
    time, flow, pressure : ndarray, shape (n_t,)
        Time from the start of the cycle [s], flow [m3/s], pressure [Pa]; nan without a pump.
    """
    ways = [cycle_steps(requirement, duty.cycle_time, stop) for stop in (None, duty.shortest_stop)]
    unit, row = unit_data(requirement), [k]
    leak = np.nan_to_num(valves.null_leakage[row])
    flows = drawn_flow(ways[0], actuators.area_a[row], actuators.area_b[row], leak)
    # the pauses with which the accumulator has to give more
    steps = max(ways, key=lambda way: float(deficit(flows, way.step, power.pump_flow[row])[0]))
    drawn = flows[0]
    ends = np.cumsum(steps.step)
    time = np.linspace(0.0, ends[-1], _POINTS)
    flow = drawn[np.minimum(np.searchsorted(ends, time), len(drawn) - 1)]
    nominal, pump = float(c.pressure[k]), float(power.pump_flow[k])
    if c.arrangement[k] != ACCUMULATOR:
        slope = pump / unit.band if unit.compensated and unit.band > 0.0 else unit.gradient
        if unit.compensated and unit.band == 0.0:
            return time, flow, np.full_like(time, nominal)
        return time, flow, nominal - np.minimum(flow, pump) / slope
    if not np.isfinite(pump + power.accumulator_volume[k]):
        return time, flow, np.full_like(time, np.nan)
    pressure = _with_gas(requirement, unit, time, flow, nominal, pump,
                         float(power.accumulator_volume[k]),
                         float(power.precharge_pressure[k]) + ATMOSPHERE)  # fmt: skip
    return time, flow, pressure


def _with_gas(
    requirement: RequirementFile, unit: UnitData, time: Array, flow: Array, nominal: float,
    pump: float, volume: float, precharge: float,
) -> Array:  # fmt: skip
    """Return the pressure of pump and accumulator, by small steps, of the last of some cycles."""
    room, tau = requirement.conditions.ambient_temperature, requirement.power_unit.gas_time_constant
    if requirement.supply is not None:
        tau = requirement.supply.gas_time_constant
    content, kappa = precharge * volume / room, unit.gas_exponent
    T, V = room, precharge * volume / (nominal + ATMOSPHERE)
    found, dt = np.empty(len(time)), time[1] - time[0]
    for _ in range(_CYCLES):
        for place, q in enumerate(flow):
            p = content * T / V - ATMOSPHERE
            found[place] = p
            given = _pump_flow(unit, nominal, pump, p)
            change = (q - given) * dt
            # exact for the step without heat, then the heat of the step
            T = room + (T * (V / (V + change)) ** (kappa - 1.0) - room) * np.exp(-dt / tau)
            V += change
    return found


def _pump_flow(unit: UnitData, nominal: float, pump: float, p: float) -> float:
    """Return what the pump, less its relief valve, gives at a pressure [m3/s]."""
    if unit.compensated:
        return pump * min(max((nominal - p) / max(unit.band, 1.0), 0.0), 1.0)
    return pump - unit.gradient * max(p - (nominal - pump / unit.gradient), 0.0)
