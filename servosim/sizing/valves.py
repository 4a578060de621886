"""The valve: rated flow, pressures of both chambers, resolution, leakage and lag, for every one.

Every point of the duty cycle is solved with the supply as low as it is admitted to be, and again
with it as high: the first gives the opening and the lowest pressure, the second the highest.

Sources. As in :mod:`servosim.sizing.land_flow` and :mod:`servosim.sizing.resolution`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from servosim.components.load import GRAVITY
from servosim.sizing import land_flow as lands
from servosim.sizing import resolution as null
from servosim.sizing.calculation import Calculation
from servosim.sizing.combinations import Array, Check, Combinations
from servosim.sizing.duty import Duty
from servosim.sizing.land_flow import Leakage, Point, Side
from servosim.sizing.lands import ValveFigures, figures_of, null_figures
from servosim.sizing.oil_states import write_oil
from servosim.sizing.requirement import RequirementFile
from servosim.sizing.valve_paths import (
    AxisLands,
    axis_lands,
    flow_pressure_curve,
    highest_supply_of,
    losses_of,
    lowest_supply_of,
    speed_at,
    write_force_at,
)
from servosim.sizing.valve_rules import checks_of

if TYPE_CHECKING:
    from servosim.sizing.actuators import Actuators

__all__ = ["Valves", "flow_pressure_curve", "valves_of"]

_RAPID = 0.99  # of the highest velocity of its direction


@dataclass(frozen=True)
class Valves:
    """What the valve of each combination does; shape (n,) unless said otherwise.

    Attributes
    ----------
    opening : ndarray, shape (n, n_p)
        Part of the command that each point needs at the lowest supply; nan if it cannot be reached.
    pressure_a, pressure_b, flow_supply : ndarray, shape (n, n_p)
        Chamber pressures [Pa] and flow drawn [m3/s] at each point and the lowest supply.
    required_flow : ndarray
        Rated flow, at the valve's rated drop, that the cycle needs, without reserve [m3/s].
    velocity_out, velocity_in : ndarray
        At full command, lowest supply and heaviest adverse force of the rapid points [m/s].
    rapid_opening : ndarray
        Largest command at rapid velocity [-].
    peak_flow, mean_flow : ndarray
        Greatest flow drawn, and mean flow of the motion over the cycle [m3/s].
    lowest_pressure, highest_pressure : ndarray
        Of both chambers over the points [Pa].
    lowest_supply, highest_supply : ndarray
        Supply pressures that were counted with [Pa].
    frequency : ndarray
        Where the spool lags 90 degrees, small signals [rad/s].
    large_signal_frequency : ndarray
        To which the stroke time lets it follow with the opening of the rapid velocity [rad/s].
    limit_share : ndarray
        Share of the loop's stability limit that the spool's lag leaves [-].
    loop_gain : ndarray
        Velocity gain counted with for the resolution [1/s].
    smallest_step, resting_error_estimate : ndarray
        Smallest step of the table, and error at which it may be left standing [m].
    pressure_gain, null_leakage : ndarray
        Load pressure over command at null [Pa]; leakage at null with the pilot's [m3/s].
    port_velocity : ndarray
        In the valve's ports at the greatest flow [m/s].
    coefficient_a, coefficient_b : ndarray
        Flow over the root of the drop of the fully open lands [m3/s/sqrt(Pa)].
    service_loss : ndarray
        Greatest loss between valve and chamber over the points, coldest oil at work [Pa].
    """

    opening: Array
    pressure_a: Array
    pressure_b: Array
    flow_supply: Array
    required_flow: Array
    velocity_out: Array
    velocity_in: Array
    rapid_opening: Array
    peak_flow: Array
    mean_flow: Array
    lowest_pressure: Array
    highest_pressure: Array
    lowest_supply: Array
    highest_supply: Array
    frequency: Array
    large_signal_frequency: Array
    limit_share: Array
    loop_gain: Array
    smallest_step: Array
    resting_error_estimate: Array
    pressure_gain: Array
    null_leakage: Array
    port_velocity: Array
    coefficient_a: Array
    coefficient_b: Array
    service_loss: Array


def valves_of(
    requirement: RequirementFile,
    duty: Duty,
    actuators: Actuators,
    c: Combinations,
    calc: Calculation,
) -> tuple[Valves, list[Check]]:
    """Return what the valve of each combination does, and the rules on it.

    Parameters
    ----------
    requirement : RequirementFile
        What is asked for and what is at hand.
    duty : Duty
        Points of the cycle.
    actuators : Actuators
        Areas, leakage and force at each point.
    c : Combinations
        Parts of the n combinations.
    calc : Calculation
        Keeps the steps if there is one combination.

    Returns
    -------
    valves : Valves
        Figures.
    checks : list of Check
        Rules on flow, opening, spool, resolution, leakage, ports and pressures.
    """
    v = figures_of(requirement, c.valve)
    write_oil(requirement, calc)
    with calc.section("Valve: rating and supply"):
        given = "requirement, [[valve]]"
        calc.given("q_n", "rated flow of the valve", v.rated_flow, "m3/s", given)
        calc.given("dp_n", "rated drop of the valve", v.rated_pressure_drop, "Pa", given)
        K_A = calc.of(lands.land_coefficient, rated_flow=v.rated_flow,
                      rated_drop=v.rated_pressure_drop)  # fmt: skip
        K_B = calc.of(lands.land_coefficient_b, K_A=K_A, area_ratio=v.area_ratio)
        conditions, sag = requirement.conditions, requirement.power_unit.sag
        low = calc.of(lowest_supply_of, nominal=c.pressure,
                      variation=conditions.supply_variation, sag=sag,
                      loss=requirement.lines.pressure_loss)  # fmt: skip
        high = calc.of(highest_supply_of, nominal=c.pressure,
                       variation=conditions.supply_variation)  # fmt: skip
    axis = axis_lands(actuators, K_A, K_B)
    tank = requirement.pressures.return_pressure
    loss_of = losses_of(requirement, axis.bore)
    inlet, outlet = _sides(duty, axis, loss_of)
    speed, force = np.abs(duty.velocity), duty.direction * actuators.force
    at_low, at_high = (
        lands.state_at(speed, force, one[:, None], tank, inlet, outlet, axis.leakage)
        for one in (low, high)
    )
    share, opening = at_low.share, lands.command_for(overlap=v.overlap[:, None], w=at_low.share)
    out = duty.direction > 0
    rapid = _rapid(duty)
    point = _Governing(requirement, duty, axis, inlet, outlet, force, tank, calc)
    most = _worst(share, np.nanargmax)
    with calc.section("Valve: flow at the point that needs most"):
        found = point.of(most, low, at_low)
        required = calc.of(lands.needed_rated_flow, rated_flow=v.rated_flow,
                           w=_all_reached(share) if found is None else found.share)  # fmt: skip
    lowest = np.minimum(at_low.pressure_in, at_low.pressure_out)
    highest = np.maximum(at_high.pressure_in, at_high.pressure_out)
    with calc.section("Valve: lowest chamber pressure"):
        point.of(_worst(lowest, np.nanargmin), low, at_low)
    with calc.section("Valve: highest chamber pressure"):
        point.of(_worst(highest, np.nanargmax), high, at_high)
    with calc.section("Valve: velocity at full command"):
        speeds = [
            _top_speed(calc, axis, loss_of, low, tank, duty, force, rapid & way, sign)
            for sign, way in ((1.0, out), (-1.0, ~out))
        ]
    rapid_opening = _most(opening[:, rapid])
    flows = _flows(calc, duty, actuators, v, at_low)
    lag = _lag(calc, requirement, duty, actuators, v, rapid_opening)
    steps = _steps(calc, requirement, duty, actuators, v, c.valve, low - tank,
                   np.fmax(*speeds), lag["loop_gain"])  # fmt: skip
    valves = Valves(
        opening=opening,
        pressure_a=np.where(out, at_low.pressure_in, at_low.pressure_out),
        pressure_b=np.where(out, at_low.pressure_out, at_low.pressure_in),
        flow_supply=at_low.flow_in,
        required_flow=required,
        velocity_out=speeds[0],
        velocity_in=speeds[1],
        rapid_opening=rapid_opening,
        lowest_pressure=np.fmin.reduce(lowest, axis=1),
        highest_pressure=np.fmax.reduce(highest, axis=1),
        lowest_supply=low,
        highest_supply=high,
        frequency=v.natural_frequency,
        coefficient_a=K_A,
        coefficient_b=K_B,
        service_loss=np.maximum(inlet.loss, outlet.loss).max(axis=1),
        **flows,
        **lag,
        **steps,
    )
    return valves, checks_of(requirement, duty, actuators, valves, v, calc)


def _sides(duty: Duty, axis: AxisLands, loss_of: Callable[..., Any]) -> tuple[Side, Side]:
    """Return the sides that fill and empty at each point, arrays of shape (n, n_p)."""
    out, speed = duty.direction > 0, np.abs(duty.velocity)
    lost_a, lost_b = loss_of(axis.area_a * speed), loss_of(axis.area_b * speed)
    a, b = (axis.area_a, axis.K_A, lost_a), (axis.area_b, axis.K_B, lost_b)
    inlet = Side(*(np.where(out, one, other) for one, other in zip(a, b, strict=True)))
    outlet = Side(*(np.where(out, other, one) for one, other in zip(a, b, strict=True)))
    return inlet, outlet


def _rapid(duty: Duty) -> Any:
    """Return which points run steadily at the highest velocity of their direction."""
    found = np.zeros(len(duty.velocity), dtype=bool)
    for way in (duty.direction > 0, duty.direction < 0):
        steady = way & (duty.acceleration == 0.0)
        speed = np.where(steady if steady.any() else way, np.abs(duty.velocity), -1.0)
        if way.any():
            found |= (speed >= _RAPID * speed.max()) & (speed >= 0.0)
    return found


def _worst(values: Array, which: Callable[..., Any]) -> int:
    """Return the governing point of a single combination; the first that is not reached."""
    row = values[0] if len(values) else np.zeros(1)
    missing = np.isnan(row)
    return int(np.argmax(missing)) if missing.any() else int(which(row))


def _all_reached(values: Array) -> Array:
    """Return the largest over the points, nan where one is not reached, shape (n,)."""
    return np.asarray(values.max(axis=1))


def _most(values: Array) -> Array:
    """Return the largest over the points, nan where one is not reached; zero without points."""
    return _all_reached(values) if values.shape[1] else np.zeros(len(values))


class _Governing(NamedTuple):
    """Writes down the point that governs, if there is one combination whose steps are kept."""

    requirement: RequirementFile
    duty: Duty
    axis: AxisLands
    inlet: Side
    outlet: Side
    force: Array
    tank: float
    calc: Calculation

    def of(self, place: int, supply: Array, found: Point) -> Point | None:
        """Return the state at a point, written down; none if nothing is written."""
        if not self.calc.records:
            return None
        calc, note = self.calc, self.duty.words[place]
        speed = abs(float(self.duty.velocity[place]))
        calc.given("v", "speed", speed, "m/s", "duty cycle", note)
        calc.given("F", "force of the oil in the direction of the motion",
                   self.force[0, place], "N", "duty cycle", note)  # fmt: skip
        one = (0, place)
        loss_of = losses_of(self.requirement, self.axis.bore[0])
        areas = self.inlet.area[one], self.outlet.area[one]
        alike = areas[0] == areas[1]
        lost = [0.0, 0.0]
        if speed > 0.0:
            lost[0] = loss_of(areas[0] * speed, calc, "inlet and outlet" if alike else "inlet")
            lost[1] = lost[0] if alike else loss_of(areas[1] * speed, calc, "outlet")
        inlet, outlet = (
            Side(side.area[one], side.coefficient[one], loss)
            for side, loss in zip((self.inlet, self.outlet), lost, strict=True)
        )
        leakage = Leakage(*(part[0, 0] for part in self.axis.leakage))
        return lands.state_at(speed, self.force[one], supply[0], self.tank, inlet, outlet,
                              leakage, calc, note)  # fmt: skip


def _top_speed(
    calc: Calculation, axis: AxisLands, loss_of: Callable[..., Any], supply: Array, tank: float,
    duty: Duty, force: Array, points: Any, sign: float,
) -> Array:  # fmt: skip
    """Return the velocity at full command against the heaviest force of some points, (n,)."""
    if not points.any():
        return np.full(len(supply), np.nan)
    heaviest = force[:, points].max(axis=1)
    found = speed_at(heaviest[:, None], 1.0, supply[:, None], tank, axis, loss_of, sign)[:, 0]
    way = "out" if sign > 0 else "in"
    calc.given("F", f"heaviest force at rapid velocity, {way}", heaviest, "N", "duty cycle")
    calc.given("v_max", f"velocity at full command, {way}", found, "m/s",
               "root of the force on the curve with both lands fully open")  # fmt: skip
    if calc.records and found[0] > 0.0:
        write_force_at(float(found[0]), float(supply[0]), tank, axis, loss_of, sign, calc)
    return found


def _flows(
    calc: Calculation, duty: Duty, actuators: Actuators, v: ValveFigures, state: Point
) -> dict[str, Array]:
    """Return greatest and mean flow and the velocity in the ports."""
    with calc.section("Valve: flows and ports"):
        peak = np.fmax(state.flow_in, state.flow_out)
        drawn = calc.given("q_max", "greatest flow drawn over the cycle",
                           np.max(state.flow_in, axis=1), "m3/s", "duty cycle")  # fmt: skip
        ports = calc.of(null.port_velocity, flow=np.max(peak, axis=1), diameter=v.port_diameter)
        mean = calc.of(null.mean_motion_flow, A_A=actuators.area_a, travel_out=duty.travel_out,
                       A_B=actuators.area_b, travel_in=duty.travel_in,
                       cycle_time=duty.cycle_time)  # fmt: skip
    return {"peak_flow": drawn, "port_velocity": ports, "mean_flow": mean}


def _lag(
    calc: Calculation, requirement: RequirementFile, duty: Duty, actuators: Actuators,
    v: ValveFigures, rapid_opening: Array,
) -> dict[str, Array]:  # fmt: skip
    """Return what the spool's lag means for the loop."""
    with calc.section("Valve: lag of the spool"):
        omega_v = calc.given("omega_v", "frequency at 90 degrees, small signals",
                             v.natural_frequency, "rad/s", "requirement, [[valve]]",
                             "a second order lags 90 degrees at its natural frequency")  # fmt: skip
        large = calc.of(null.large_signal_frequency, amplitude=rapid_opening,
                        stroke_time=v.stroke_time)  # fmt: skip
        omega = actuators.natural_frequency
        spool: dict[str, Any] = {"zeta_v": v.damping_ratio, "r": omega_v / omega}
        response = calc.of(null.response_in_phase, **spool)
        fed = float(requirement.controller.stabilising_feedback != "none")
        zeta = calc.of(null.counted_damping, zeta=actuators.damping_ratio, feedback=fed,
                       response=response)  # fmt: skip
        both: dict[str, Any] = {"zeta": zeta, **spool}
        b = calc.of(null.crossing_coefficient, **both)
        X = calc.of(null.crossing, b=b, r=both["r"])
        share = calc.of(null.limit_share, X=X, **both)
        needed = duty.velocity_gain_needed
        gain = calc.of(null.loop_gain, zeta=zeta, omega=omega, share=share,
                       gain_margin=requirement.margins.gain_margin,
                       needed=needed if np.isfinite(needed) else 0.0)  # fmt: skip
    return {"large_signal_frequency": large, "limit_share": share, "loop_gain": gain}


def _steps(
    calc: Calculation, requirement: RequirementFile, duty: Duty, actuators: Actuators,
    v: ValveFigures, valve: Any, supply: Array, velocity: Array, gain: Array,
) -> dict[str, Array]:  # fmt: skip
    """Return leakage and pressure gain at null, smallest step and resting error."""
    table = requirement.table
    lands_leak, pilot, pressure_gain = null_figures(requirement, valve, supply)
    with calc.section("Valve: null"):
        leak = calc.of(null.null_leakage_of, lands=lands_leak, pilot=pilot)
        calc.given("K_p", "pressure gain at null", pressure_gain, "Pa",
                   "land equation of the simulation, hottest oil, lowest supply")  # fmt: skip
        stuck = calc.of(null.static_friction, gravity=GRAVITY, mu_s=table.static_coefficient,
                        mass=duty.table_mass.max(), cosine=np.cos(table.inclination),
                        preload=table.way_preload, breakaway=actuators.seal_breakaway)  # fmt: skip
        areas: dict[str, Any] = {"A_A": actuators.area_a, "A_B": actuators.area_b}
        pushed = calc.of(null.friction_command, friction=stuck, pressure_gain=pressure_gain,
                         **areas)  # fmt: skip
        least = calc.of(null.smallest_command, threshold=v.threshold, hysteresis=v.hysteresis,
                        friction=pushed)  # fmt: skip
        resting = calc.of(null.resting_command, hysteresis=v.hysteresis, overlap=v.overlap,
                          compensation=requirement.controller.overlap_compensation,
                          friction=pushed)  # fmt: skip
        slope = calc.of(null.null_velocity_gain, velocity=velocity, overlap=v.overlap)
        step = calc.of(null.error_of, "smallest step of the table", command=least,
                       velocity_gain=slope, K_v=gain)  # fmt: skip
        rest = calc.of(null.error_of, "error at which the table may be left standing",
                       command=resting, velocity_gain=slope, K_v=gain)  # fmt: skip
    return {
        "null_leakage": leak, "pressure_gain": pressure_gain,
        "smallest_step": step, "resting_error_estimate": rest,
    }  # fmt: skip
