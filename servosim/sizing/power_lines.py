"""Bores of the lines of the power unit: velocity, loss at peak flow, suction when cold.

A line gets the smallest bore of the series that keeps both its velocity and its loss; where none
does, the largest, so that the rule that is broken says by how much.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from servosim.components.load import GRAVITY
from servosim.components.oil import ATMOSPHERE, density, viscosity
from servosim.sizing.calculation import Calculation, formula
from servosim.sizing.combinations import Array
from servosim.sizing.lines import Line, least_bore, loss, mean_velocity
from servosim.sizing.requirement import RequirementFile


class PowerLines(NamedTuple):
    """Lines of each combination, shape (n,).

    Attributes
    ----------
    pressure_bore, return_bore, suction_bore : ndarray
        Bores [m].
    pressure_velocity, return_velocity, suction_velocity : ndarray
        Mean velocity at the greatest flow [m/s].
    pressure_loss, return_loss : ndarray
        At the greatest flow in the coldest oil at work [Pa].
    cold_loss : ndarray
        Of the pressure line, pump's flow, coldest start [Pa].
    cold_suction : ndarray
        Absolute pressure at the pump's inlet, coldest start [Pa].
    line_volume : ndarray
        Oil in the pressure line [m3].
    """

    pressure_bore: Array
    return_bore: Array
    suction_bore: Array
    pressure_velocity: Array
    return_velocity: Array
    suction_velocity: Array
    pressure_loss: Array
    return_loss: Array
    cold_loss: Array
    cold_suction: Array
    line_volume: Array


@formula(
    "p_su",
    "absolute pressure at the pump's inlet",
    "p_a - density*(gravity*head + velocity**2/2) - loss",
    "Pa",
    "Bernoulli's equation from the level of the oil",
    p_a=("pressure of the atmosphere", "Pa"),
    density=("density of the cold oil", "kg/m3"),
    gravity=("acceleration of gravity", "m/s2"),
    head=("pump above the level of the oil", "m"),
    velocity=("velocity in the suction line", "m/s"),
    loss=("loss of the suction line", "Pa"),
)
def inlet_pressure(
    p_a: Array, density: Array, gravity: Array, head: Array, velocity: Array, loss: Array
) -> Array:
    """Return the absolute pressure at the pump's inlet [Pa]."""
    return p_a - density * (gravity * head + velocity**2 / 2.0) - loss


@formula(
    "V_P",
    "oil in the pressure line",
    "pi/4*bore**2*length",
    "m3",
    "definition",
    bore=("bore", "m"),
    length=("length", "m"),
)
def line_volume_of(bore: Array, length: Array) -> Array:
    """Return the volume of a line [m3]."""
    return np.pi / 4.0 * bore**2 * length


def lines_of(
    requirement: RequirementFile,
    pressure_flow: Array,
    return_flow: Array,
    pump_flow: Array,
    calc: Calculation,
) -> PowerLines:
    """Return the lines between tank, pump and valve.

    Parameters
    ----------
    requirement : RequirementFile
        Has lengths, fittings, limits and the series of bores.
    pressure_flow, return_flow, pump_flow : ndarray, shape (n,)
        Greatest flow to the valve, from the valve, and of the pump [m3/s].
    calc : Calculation
        Keeps the steps.

    Returns
    -------
    PowerLines
        Bores, velocities, losses.
    """
    x, oil, conditions = requirement.lines, requirement.oil, requirement.conditions
    cool = _oil(oil, conditions.temperature.low)
    cold = _oil(oil, conditions.coldest_start)
    sizes = np.sort(np.array(x.bores))
    to_valve = Line(x.pressure_length, x.pressure_fittings, x.roughness)
    to_tank = Line(x.return_length, x.return_fittings, x.roughness)
    to_pump = Line(x.suction_length, x.suction_fittings, x.roughness)

    def tried(flow: Array, velocity: float, line: Line, state: Any, most: Any) -> Array:
        lost = loss(flow[:, None], sizes, line, *state)
        slow = mean_velocity(flow=flow[:, None], bore=sizes) <= velocity * (1.0 + 1e-9)
        return _first(slow & (lost <= most), sizes)

    with calc.section("Power unit: pressure line"):
        supply = tried(pressure_flow, x.pressure_velocity, to_valve, cool, x.pressure_loss)
        _explain(calc, pressure_flow, x.pressure_velocity, supply)
        v_P = mean_velocity(flow=pressure_flow, bore=supply)
        lost = loss(pressure_flow, supply, to_valve, *cool, calc, "coldest oil at work")
        frozen = loss(pump_flow, supply, to_valve, *cold, calc, "coldest start, flow of the pump")
        volume = calc.of(line_volume_of, bore=supply, length=x.pressure_length)
    with calc.section("Power unit: return line"):
        # without a stated return pressure as much as in the pressure line
        most = requirement.pressures.return_pressure or x.pressure_loss
        back = tried(return_flow, x.return_velocity, to_tank, cool, most)
        _explain(calc, return_flow, x.return_velocity, back)
        v_T = mean_velocity(flow=return_flow, bore=back)
        back_loss = loss(return_flow, back, to_tank, *cool, calc, "coldest oil at work")
    with calc.section("Power unit: suction line"):
        heads = ATMOSPHERE - cold[1] * GRAVITY * x.suction_head - x.lowest_suction
        speed_head = cold[1] / 2.0 * mean_velocity(flow=pump_flow[:, None], bore=sizes) ** 2
        suction = tried(pump_flow, x.suction_velocity, to_pump, cold, heads - speed_head)
        _explain(calc, pump_flow, x.suction_velocity, suction)
        v_S = mean_velocity(flow=pump_flow, bore=suction)
        sucked = loss(pump_flow, suction, to_pump, *cold, calc, "coldest start")
        inlet = calc.of(
            inlet_pressure,
            p_a=ATMOSPHERE,
            gravity=GRAVITY,
            density=cold[1],
            head=x.suction_head,
            velocity=v_S,
            loss=sucked,
        )
    return PowerLines(supply, back, suction, v_P, v_T, v_S, lost, back_loss, frozen, inlet, volume)


def _oil(oil: Any, temperature: float) -> tuple[float, float]:
    return viscosity(oil, temperature), density(oil, temperature)


def _first(kept: Any, sizes: Array) -> Array:
    """Return the first size that is kept, the largest if none is."""
    place = np.where(kept.any(axis=1), kept.argmax(axis=1), len(sizes) - 1)
    return np.asarray(sizes[place])


def _explain(calc: Calculation, flow: Array, velocity: float, bore: Array) -> None:
    calc.of(least_bore, flow=flow, velocity=velocity)
    calc.given("d", "bore of the series: smallest that keeps velocity and loss", bore, "m",
               "requirement, [lines] bores")  # fmt: skip
