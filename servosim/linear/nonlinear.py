"""The nonlinear axis as a system of the control library, by the compiled right-hand side.

It is what the simulation integrates, with three exceptions: plays of the valve (threshold and
hysteresis) pass with gain one, because they have a memory that no state holds; the tank keeps its
temperature; and a sampled controller stands there with the continuous law behind it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, NamedTuple, cast

import numpy as np
from numpy.typing import NDArray

from servosim._equations import STATES, axis_rhs, nothing_held
from servosim._load_form import steady_bristle
from servosim._record import record
from servosim._statespace import nonlinear_system
from servosim.axis import Axis
from servosim.components import controller as controller_block
from servosim.components.controller import ControllerStates
from servosim.components.cylinder import output as cylinder_output
from servosim.components.load import way_levels
from servosim.components.valve import command_path
from servosim.linear.loops import CLOSED_INPUTS, CLOSED_OUTPUTS
from servosim.linear.plants import INPUTS, OUTPUTS
from servosim.linear.points import Point

Array = NDArray[np.float64]

_BRISTLES = ("way_bristle", "seal_bristle")
_SEEN = {"position": "table_position", "velocity": "table_velocity"}


class Nonlinear(NamedTuple):
    """A nonlinear system and where it starts.

    Attributes
    ----------
    system : control.NonlinearIOSystem
        The system, SI units.
    states, inputs : ndarray, shapes (n_x,), (n_u,)
        Values at the operating point [SI].
    """

    system: Any
    states: Array
    inputs: Array


class _Frame(NamedTuple):
    """An axis between command and readings: its states among all, and where it starts."""

    axis: Axis
    names: tuple[str, ...]
    places: NDArray[np.int64]
    twins: tuple[tuple[int, int], ...]  # places that follow others
    whole: Array
    held: Any


def _whole_state(point: Point, known: Mapping[str, float]) -> Array:
    """Return all states at a point from those of the plant."""
    p, load = point.axis.parameters, point.axis.parameters.load
    i, x = p.index, np.zeros(len(STATES))
    x[i.supply_pressure] = x[i.pump_pressure] = p.supply.p_set
    x[i.pump_flow], x[i.gas_temperature] = p.supply.q_max, p.supply.T_a
    x[i.tank_temperature] = p.oil.temperature
    lines = {"line_pressure_a": "pressure_a", "line_pressure_b": "pressure_b"}
    for line, chamber in lines.items():
        x[getattr(i, line)] = known.get(line, known.get(chamber, 0.0))
    for name, value in known.items():
        x[getattr(i, name)] = value
    if "pump_pressure" not in known:
        x[i.pump_pressure] = x[i.supply_pressure]
    if load.two and load.b > 0.0:  # the plant takes up the backlash without its travel
        stretch = x[i.piston_position] - x[i.table_position]
        x[i.piston_position] += math.copysign(0.5 * load.b, stretch) if stretch else 0.0
    pressures = (x[i.pressure_a], x[i.pressure_b])
    v = float(point.velocity)
    seals = cylinder_output(0.0, (*pressures, *pressures), (0.0, 0.0), point.axis.record.cylinder)
    ways = way_levels(point.normal_thrust, point.axis.record.load)
    if not load.two:
        ways = (ways[0] + seals[2], ways[1] + seals[3])
    x[i.way_bristle] = steady_bristle(v, *ways, point.axis.record.load.way)
    if load.two:
        x[i.seal_bristle] = steady_bristle(v, *seals[2:], point.axis.record.load.seal)
    return x


def _frame(point: Point, lock: str, states: tuple[str, ...], known: Mapping[str, float]) -> _Frame:
    p = point.axis.parameters
    bristles = tuple(n for n in _BRISTLES if getattr(p.index, n) < p.n_x)
    names = (*states, *bristles)
    open_lock = lock == "open"
    pairs = (("line_pressure_a", "pressure_a"), ("line_pressure_b", "pressure_b"))
    twins = tuple((getattr(p.index, a), getattr(p.index, b)) for a, b in pairs if open_lock)
    held = record(nothing_held())
    held.thrust, held.normal = point.thrust, point.normal_thrust
    if not open_lock:
        held.merged_a = held.merged_b = held.area_a = held.area_b = 0.0
    places = np.array([getattr(p.index, name) for name in names])
    return _Frame(point.axis, names, places, twins, _whole_state(point, known), held)


def _rates(frame: _Frame) -> Any:
    """Return a function of time, states and (command of the spool, thrusts): rates, all states."""
    p, move = frame.axis.record, record(frame.axis.move)
    x, dx, held = frame.whole.copy(), np.zeros(len(STATES)), frame.held

    def _of(t: float, own: Array, u: Array) -> tuple[Array, Array]:
        x[frame.places] = own
        for line, chamber in frame.twins:
            x[line] = x[chamber]
        held.spool_command, held.thrust, held.normal = u
        axis_rhs(0.0, x, held, p, move, dx)
        return dx[frame.places], x

    return _of


def nonlinear_plant(
    point: Point, lock: str, states: tuple[str, ...], known: Mapping[str, float], command: float
) -> Nonlinear:
    """Return the axis between the spool's command and the readings.

    Parameters
    ----------
    point : Point
        Where it starts.
    lock : str
        ``open`` or ``closed``.
    states : tuple of str
        States of the linear plant; bristles come behind them.
    known : mapping of str to float
        Their values [SI].
    command : float
        Command of the spool [-].

    Returns
    -------
    Nonlinear
        With inputs and outputs of the linear plant.
    """
    frame = _frame(point, lock, states, known)
    rates = _rates(frame)
    seen = [getattr(point.axis.parameters.index, name) for name in OUTPUTS]

    def _output(t: float, x: Array, u: Array) -> Array:
        return np.array(rates(t, x, u)[1][seen])

    system = nonlinear_system(
        lambda t, x, u: rates(t, x, u)[0].copy(),
        _output,
        states=frame.names,
        inputs=INPUTS,
        outputs=OUTPUTS,
        name="axis",
    )
    inputs = np.array([command, point.thrust, point.normal_thrust])
    return Nonlinear(system, frame.whole[frame.places], inputs)


def nonlinear_loop(
    point: Point,
    states: tuple[str, ...],
    known: Mapping[str, float],
    rated: Axis,
    wanted_velocity: float,
) -> Nonlinear:
    """Return the axis with its loop closed by the continuous law.

    Parameters
    ----------
    point : Point
        Where it starts; in motion its reference has to be a ramp.
    states : tuple of str
        States of the linear plant; bristles and states of the controller come behind them.
    known : mapping of str to float
        Values of the plant's states [SI].
    rated : Axis
        Axis whose controller is at work.
    wanted_velocity : float
        Velocity for which the controller gives the command of this point [m/s].

    Returns
    -------
    Nonlinear
        From references, thrusts and noise of the reading, see ``loops.CLOSED_INPUTS``.
    """
    frame = _frame(point, "open", states, known)
    rates, n_x = _rates(frame), len(frame.places)
    c, index = rated.record.controller, point.axis.parameters.index
    valve = record(point.axis.parameters.valve._replace(r_narrow=0.0, r_wide=0.0))
    seen = {
        name: getattr(index, _SEEN.get(name, name))
        for name in CLOSED_OUTPUTS
        if name not in ("error", "control_error", "command")
    }
    readings = [index.scale_reading, index.pressure_reading_a, index.pressure_reading_b]
    own = controller_block.STATES
    control, inputs = _control_start(point, frame.whole, rated, wanted_velocity)
    start = np.concatenate([frame.whole[frame.places], control])

    def _all(t: float, x: Array, u: Array) -> tuple[Array, Array, tuple[float, ...]]:
        frame.whole[frame.places] = x[:n_x]
        y, p_A, p_B = (float(frame.whole[k]) for k in readings)
        seen_by_law = (float(u[0]), float(u[1]), float(u[2]), 0.0, 0.0, y + float(u[5]), p_A, p_B)
        control_states = cast(ControllerStates, tuple(float(v) for v in x[n_x:]))
        command = controller_block.output(t, control_states, seen_by_law, c)
        p_S = float(frame.whole[index.supply_pressure])
        spool, _, _ = command_path(command, 0.0, 0.0, p_S, 0.0, valve)
        d, full = rates(t, x[:n_x], np.array([spool, u[3], u[4]]))
        d_c = controller_block.derivative(t, control_states, seen_by_law, c)
        return np.concatenate([d, d_c]), full, (command, seen_by_law[5])

    def _output(t: float, x: Array, u: Array) -> Array:
        _, full, (command, reading) = _all(t, x, u)
        values = {name: full[place] for name, place in seen.items()}
        values["error"] = u[0] - values["position"]
        values["control_error"] = u[0] - reading
        values["command"] = command
        return np.array([values[name] for name in CLOSED_OUTPUTS])

    system = nonlinear_system(
        lambda t, x, u: _all(t, x, u)[0],
        _output,
        states=(*frame.names, *own),
        inputs=CLOSED_INPUTS,
        outputs=CLOSED_OUTPUTS,
        name="loop",
    )
    return Nonlinear(system, start, inputs)


def _control_start(
    point: Point, whole: Array, rated: Axis, wanted_velocity: float
) -> tuple[Array, Array]:
    """Return the controller's states at the point, and the inputs of the loop."""
    c, i = rated.parameters.controller, point.axis.parameters.index
    y = float(whole[i.scale_reading])
    v = float(point.velocity) * point.axis.parameters.transducer.scale
    p_A, p_B = float(whole[i.pressure_reading_a]), float(whole[i.pressure_reading_b])
    load = controller_block.load_pressure(p_A, p_B, rated.record.controller)
    left = wanted_velocity - (c.k_ff - c.k_v) * v
    integral = left if c.K_i > 0.0 else 0.0
    states = {
        "integral": integral,
        "filtered_position": y - 2.0 * c.zeta_f / c.omega_f * v,
        "filtered_velocity": v,
        "slow_pressure": load,
        "load_estimate": load,
    }
    reference = y + (left - integral) / c.K_v
    inputs = np.array([reference, v, 0.0, point.thrust, point.normal_thrust, 0.0])
    return np.array([states[name] for name in controller_block.STATES]), inputs
