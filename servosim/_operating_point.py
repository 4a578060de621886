"""The states and signals at which an axis rests or moves steadily.

Everything but the positions is constant there. The axis is free at this point: neither end stop nor
brake acts, and friction at rest is unloaded. The tank's temperature, which takes hours to settle,
stays that of the oil.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from servosim._axis_blocks import control_blocks, plant_blocks
from servosim._blocks import Block, join
from servosim._equilibrium import holding_velocity, rest, steady_force
from servosim._load_form import FRICTION_FORMS, Form, friction_slopes, steady_bristle
from servosim.axis import Axis
from servosim.components.controller import velocity_gains
from servosim.components.cylinder import output as cylinder_output
from servosim.components.load import way_levels
from servosim.components.supply import pump_target
from servosim.components.transducer import scale_value
from servosim.errors import ParameterError

_LEFT_OVER = 1e-8  # of the flow at full command and of the piston's greatest force


@dataclass(frozen=True)
class OperatingPoint:
    """Where an axis rests or moves steadily, and the form in which it is linearised there.

    Attributes
    ----------
    position, velocity : float
        Of the table [m], [m/s].
    thrust, normal_thrust : float
        External force along the axis against extension, and across it [N].
    friction : str
        Form of friction: ``viscous``, ``sliding`` or ``presliding``.
    lock : str
        ``open`` (chamber and line are one volume) or ``closed`` (split, the lock's area is zero).
    states : mapping of str to float
        Every state of every block [SI].
    signals : mapping of str to float
        Every input and output of every block [SI].
    rates : mapping of str to float
        Rates of the states of the joined blocks [SI]: positions move with the velocity, all else
        should be near zero. A closed chamber that leaks shows here that it can't be at rest.
    form : Form
        What the blocks of this point need to know of it.
    """

    position: float
    velocity: float
    thrust: float
    normal_thrust: float
    friction: str
    lock: str
    states: Mapping[str, float]
    signals: Mapping[str, float]
    rates: Mapping[str, float]
    form: Form


def _check(axis: Axis, position: float, velocity: float, friction: str, lock: str) -> None:
    if friction not in FRICTION_FORMS:
        raise ParameterError(
            f'friction = "{friction}" is no form of friction; choose one of '
            f"{', '.join(FRICTION_FORMS)}"
        )
    if lock not in ("open", "closed"):
        raise ParameterError(f'lock = "{lock}" is neither "open" nor "closed"')
    if not 0.0 <= position <= axis.file.cylinder.stroke:
        raise ParameterError(
            f"position {position:g} m lies outside the stroke of "
            f"{axis.file.cylinder.stroke:g} m; choose one inside, away from the end stops"
        )
    if not math.isfinite(velocity):
        raise ParameterError(f"velocity {velocity:g} m/s isn't a finite number")
    if velocity != 0.0 and (friction == "presliding" or lock == "closed"):
        raise ParameterError(
            f"velocity {velocity:g} m/s: presliding friction and a closed lock hold the axis at "
            'rest; choose velocity zero, or the form "sliding" with an open lock'
        )


def _standing(axis: Axis, position: float, velocity: float, thrust: float) -> dict[str, float]:
    """Return the states of an axis that stands, its readings and control left open."""
    p = axis.record
    force, on_table = steady_force(position, thrust, p)
    balance = rest(force, p)
    scale = p.valve.K_A * math.sqrt(p.supply.p_set)
    if not balance.residual <= _LEFT_OVER * scale:
        raise ParameterError(
            f"nothing holds {float(force):g} N at rest: with the spool at "
            f"{100.0 * float(balance.spool):.3g} % a flow of {float(balance.residual):.2g} m3/s is "
            "left over; the supply's pressure on the piston gives less force than the load and the "
            "thrust ask for; lower the thrust or raise the pressure"
        )
    stretch = on_table / p.load.k_s if p.load.two == 1 else 0.0
    return {
        "spool": float(balance.spool),
        "spool_rate": 0.0,
        "pressure_a": float(balance.p_A),
        "pressure_b": float(balance.p_B),
        "pump_pressure": float(balance.p_P),
        "supply_pressure": float(balance.p_S),
        "pump_flow": float(balance.drawn),
        "gas_temperature": float(p.supply.T_a),
        "tank_temperature": axis.parameters.oil.temperature,
        "piston_position": position + float(stretch),
        "piston_velocity": velocity,
        "table_position": position,
        "table_velocity": velocity,
    }


def _guess(axis: Axis, states: dict[str, float], thrust: float) -> None:
    """Write spool and pressures of orifices without leakage that move the piston steadily."""
    p, velocity = axis.parameters, states["piston_velocity"]
    c, v, p_S, p_T = p.cylinder, p.valve, p.supply.p_set, p.supply.p_T
    force = float(steady_force(states["table_position"], thrust, axis.record)[0])
    force += (p.load.B + p.load.B_s) * velocity
    plus, minus, _, _ = velocity_gains(c.A_A, c.A_B, v.K_A, v.K_B, p_S, p_T, force)
    gain = plus if velocity > 0.0 else minus
    o = min(abs(velocity) / gain, 1.0) if gain > 0.0 else 1.0
    drop_A = (c.A_A * velocity / (v.K_A * o)) ** 2
    states["pressure_a"] = p_S - drop_A if velocity > 0.0 else p_T + drop_A
    states["pressure_b"] = (c.A_A * states["pressure_a"] - force) / c.A_B if c.has_b else 0.0
    overlap = v.L_PA if velocity > 0.0 else v.L_PB
    states["spool"] = math.copysign(o + max(overlap, 0.0), velocity)


def _move(axis: Axis, plant: Block, states: dict[str, float], inputs: dict[str, float]) -> None:
    """Write the spool, pressures and stretch at which all but the positions are constant."""
    p, two = axis.parameters, axis.parameters.load.two == 1
    pressures = [n for n in plant.states if "pressure" in n and "reading" not in n]
    unknown = ["spool", *pressures, *(["piston_position"] if two else [])]
    zero = [*pressures, "piston_velocity", *(["table_velocity"] if two else [])]
    places = [plant.states.index(n) for n in unknown]
    rows = [plant.states.index(n) for n in zero]
    scale = np.array([{"spool": 1e-2, "piston_position": 1e-6}.get(n, 1e6) for n in unknown])
    # rates of pressure as parts of the valve's flow, rates of velocity as parts of the force
    compliance = 1e-9 * (p.cylinder.V_A0 + p.cylinder.A_A * p.cylinder.L)
    flow, force = p.valve.K_A * math.sqrt(p.supply.p_set), p.cylinder.A_A * p.supply.p_set
    mass = p.load.M_p + p.load.M_t
    weights = np.array([flow / compliance if "pressure" in n else force / mass for n in zero])
    x = np.array([states.get(n, 0.0) for n in plant.states])  # readings don't act on the plant
    u = np.array([inputs.get(n, 0.0) for n in plant.inputs])
    pump = "pump_pressure" if "pump_pressure" in pressures else "supply_pressure"

    def _fill(z: NDArray[np.float64]) -> None:
        x[places] = z * scale
        u[plant.inputs.index("spool_command")] = x[plant.states.index("spool")]
        if "pump_flow" in plant.states:
            target = pump_target(x[plant.states.index(pump)], axis.record.supply)
            x[plant.states.index("pump_flow")] = target

    def _left(z: NDArray[np.float64]) -> NDArray[np.float64]:
        _fill(z)
        return plant.derivative(0.0, x, u)[rows] / weights

    found = optimize.root(_left, x[places] / scale, method="hybr", options={"xtol": 1e-14})
    worst = float(np.max(abs(_left(found.x))))
    spool = float(x[plant.states.index("spool")])
    if not worst < _LEFT_OVER or abs(spool) >= 1.0:
        raise ParameterError(
            f"no steady motion at {states['piston_velocity']:g} m/s: the search ended with the "
            f"spool at {100.0 * min(max(spool, -1.0), 1.0):.3g} % and a part {worst:.2g} of flow "
            "or force left over; valve, pump or pressure don't give this velocity against this "
            "load; lower the velocity or the thrust"
        )
    solved = dict(zip(plant.states, x.tolist(), strict=True))
    states.update({n: solved[n] for n in (*unknown, "pump_flow") if n in solved})
    if "pump_pressure" not in solved:
        states["pump_pressure"] = states["supply_pressure"]


def _complete(axis: Axis, states: dict[str, float], normal_thrust: float, form: Form) -> Form:
    """Write bristles, lines and readings, and return the form with its slopes of friction."""
    p, v = axis.record, form.velocity
    pressures = (states["pressure_a"], states["pressure_b"])
    states["line_pressure_a"], states["line_pressure_b"] = pressures
    x_p = states["piston_position"]
    levels = cylinder_output(0.0, (*pressures, *pressures), (x_p, v), p.cylinder)[2:]
    ways = way_levels(normal_thrust, p.load)
    if p.load.two == 0:
        ways, levels = (ways[0] + levels[0], ways[1] + levels[1]), (0.0, 0.0)
    states["way_bristle"] = steady_bristle(v, *ways, p.load.way)
    states["seal_bristle"] = steady_bristle(v, *levels, p.load.seal)
    measured = states["table_position"] if p.transducer.on_table == 1 else x_p
    lag = float(p.transducer.scale) * v / float(p.transducer.rate)
    states["scale_reading"] = float(scale_value(measured, p.transducer)) - lag
    seen = pressures if p.transducer.has_pressure == 1 else (0.0, 0.0)
    states["pressure_reading_a"], states["pressure_reading_b"] = seen
    way_slope, seal_slope = friction_slopes(form.friction, v, ways, levels, p.load)
    return form._replace(way_slope=way_slope, seal_slope=seal_slope, piston_position=x_p)


def _control(axis: Axis, states: dict[str, float]) -> dict[str, float]:
    """Write the controller's states and return the inputs that give the spool its command."""
    p, c = axis.record, axis.parameters.controller
    v = states["table_velocity"] * float(p.transducer.scale)
    slow = states["pressure_reading_a"] - states["pressure_reading_b"] * c.A_B / c.A_A
    shift = p.valve.bias_pressure * (states["supply_pressure"] - p.valve.p_rating)
    command = states["spool"] - float(p.valve.bias + shift)
    left = float(holding_velocity(command, slow, p)) - c.k_ff * v + c.k_v * v
    states["integral"] = left if c.K_i > 0.0 else 0.0
    error = 0.0 if c.K_i > 0.0 else left / c.K_v
    states["filtered_position"] = states["scale_reading"] - 2.0 * c.zeta_f / c.omega_f * v
    states["filtered_velocity"] = v
    states["slow_pressure"] = states["load_estimate"] = slow
    return {"reference_position": states["scale_reading"] + error, "reference_velocity": v}


def operating_point(
    axis: Axis,
    *,
    position: float,
    velocity: float = 0.0,
    thrust: float = 0.0,
    normal_thrust: float = 0.0,
    friction: str = "sliding",
    lock: str = "open",
) -> OperatingPoint:
    """Return the point where an axis rests or moves steadily.

    Parameters
    ----------
    axis : Axis
        The axis.
    position : float
        Position of the table [m].
    velocity : float, optional
        Velocity of the table [m/s].
    thrust : float, optional
        External force along the axis, against extension [N].
    normal_thrust : float, optional
        Thrust across the axis that presses the table down [N].
    friction : str, optional
        ``viscous`` (Coulomb friction left out), ``sliding`` (slope of the steady curve, not below
        zero) or ``presliding`` (bristle as a spring to ground).
    lock : str, optional
        ``open``, or ``closed`` for the stiffness of the held axis.

    Returns
    -------
    OperatingPoint
        States and signals; plays and dead zones count as passed with gain one.

    Raises
    ------
    ParameterError
        If the request contradicts itself, or valve, supply and controller can't give it.

    Examples
    --------
    >>> from servosim.axis import read_axis
    >>> from servosim.blocks import operating_point
    >>> axis = read_axis("params/tube_sheet_table.toml")
    >>> point = operating_point(axis, position=0.35, velocity=0.05)
    >>> abs(point.rates["pressure_a"]) < 1.0  # Pa/s
    True
    """
    _check(axis, position, velocity, friction, lock)
    split, v = lock == "closed", float(velocity)
    states = _standing(axis, position, v, thrust)
    p = axis.parameters.load
    viscous = (p.B, p.B_s) if p.two else (p.B + p.B_s, 0.0)
    form = Form(friction, v, states["piston_position"], position, *viscous)
    inputs = {"thrust": thrust, "normal_thrust": normal_thrust}
    if v != 0.0:
        _guess(axis, states, thrust)
        _move(axis, join(plant_blocks(axis, form=form)), states, inputs)
    form = _complete(axis, states, normal_thrust, form)
    inputs |= _control(axis, states)
    area = 0.0 if split else 1.0
    inputs |= {"lock_area_a": area, "lock_area_b": area}
    whole = join((*plant_blocks(axis, split=split, form=form), *control_blocks(axis, form=form)))
    x = np.array([states[n] for n in whole.states])
    u = np.array([inputs.get(n, 0.0) for n in whole.inputs])
    signals = {"lock_flow_a": 0.0, "lock_flow_b": 0.0, "heat": 0.0} | inputs
    signals |= dict(zip(whole.inputs, u.tolist(), strict=True))
    signals |= dict(zip(whole.outputs, whole.output(0.0, x, u).tolist(), strict=True))
    if abs(signals["spool_command"] - states["spool"]) > 1e-9:
        raise ParameterError(
            f"the controller's limits leave the spool at {100.0 * signals['spool_command']:.3g} %, "
            f"but this point needs {100.0 * states['spool']:.3g} %; raise [controller] "
            "output_limit, or lower velocity or thrust"
        )
    rates = dict(zip(whole.states, whole.derivative(0.0, x, u).tolist(), strict=True))
    return OperatingPoint(
        position,
        v,
        thrust,
        normal_thrust,
        friction,
        lock,
        MappingProxyType(states),
        MappingProxyType(signals),
        MappingProxyType(rates),
        form,
    )
