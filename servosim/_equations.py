"""The equations of an axis: all blocks joined, the order of its states and its right-hand side.

The blocks meet here by the names of their signals; no equation of a block stands here. States that
an axis doesn't use lie behind the active ones and rest, or share a place with their twin (the table
of a one-mass axis is its piston, the line of an axis without a lock is its chamber).
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from servosim._jit import inner_kernel, kernel
from servosim._lanes import some, where
from servosim.components import controller as controller_block
from servosim.components import cylinder as cylinder_block
from servosim.components import load as load_block
from servosim.components import lock as lock_block
from servosim.components import supply as supply_block
from servosim.components import transducer as transducer_block
from servosim.components import valve as valve_block
from servosim.components.controller import (
    ControllerInputs,
    ControllerParameters,
    ControllerStates,
)
from servosim.components.cylinder import CylinderParameters
from servosim.components.load import LoadParameters
from servosim.components.lock import LockParameters
from servosim.components.oil import OilParameters, nearby
from servosim.components.supply import SupplyParameters
from servosim.components.transducer import TransducerParameters
from servosim.components.valve import ValveParameters
from servosim.motion import profile_at
from servosim.program import TIMED, Move, schedule_velocity

QUADRATURES = ("supplied_energy", "mechanical_work", "heat", "drawn_volume")
STATES = (
    *valve_block.STATES,
    *cylinder_block.STATES,
    *supply_block.STATES,
    *load_block.STATES,
    *transducer_block.STATES,
    *controller_block.STATES,
    *QUADRATURES,
)
STATE_UNITS = {
    "spool": "1",
    "spool_rate": "1/s",
    "pressure_a": "Pa",
    "pressure_b": "Pa",
    "line_pressure_a": "Pa",
    "line_pressure_b": "Pa",
    "pump_pressure": "Pa",
    "supply_pressure": "Pa",
    "pump_flow": "m3/s",
    "gas_temperature": "K",
    "tank_temperature": "K",
    "piston_position": "m",
    "piston_velocity": "m/s",
    "table_position": "m",
    "table_velocity": "m/s",
    "way_bristle": "m",
    "seal_bristle": "m",
    "scale_reading": "m",
    "pressure_reading_a": "Pa",
    "pressure_reading_b": "Pa",
    "integral": "m/s",
    "filtered_position": "m",
    "filtered_velocity": "m/s",
    "slow_pressure": "Pa",
    "load_estimate": "Pa",
    "supplied_energy": "J",
    "mechanical_work": "J",
    "heat": "J",
    "drawn_volume": "m3",
}


class StateIndex(NamedTuple):
    """Place of each state in the state vector, see ``STATES``."""

    spool: int
    spool_rate: int
    pressure_a: int
    pressure_b: int
    line_pressure_a: int
    line_pressure_b: int
    pump_pressure: int
    supply_pressure: int
    pump_flow: int
    gas_temperature: int
    tank_temperature: int
    piston_position: int
    piston_velocity: int
    table_position: int
    table_velocity: int
    way_bristle: int
    seal_bristle: int
    scale_reading: int
    pressure_reading_a: int
    pressure_reading_b: int
    integral: int
    filtered_position: int
    filtered_velocity: int
    slow_pressure: int
    load_estimate: int
    supplied_energy: int
    mechanical_work: int
    heat: int
    drawn_volume: int


class AxisParameters(NamedTuple):
    """All numbers of an axis for the kernels."""

    oil: OilParameters
    valve: ValveParameters
    cylinder: CylinderParameters
    load: LoadParameters
    supply: SupplyParameters
    transducer: TransducerParameters
    controller: ControllerParameters
    lock: LockParameters
    index: StateIndex  # type: ignore[assignment]  # of a tuple, which is not used here
    n_x: int  # states that are integrated, first in the vector; the last four are quadratures
    n_all: int  # these and the readings that follow them exactly


class Held(NamedTuple):
    """What the control side holds between two corners of time; slopes count from ``t_0``."""

    t_0: float
    spool_command: float  # used unless the continuous loop is alive
    alive: float  # 1 if a continuous controller gives the command
    integrating: float  # 1 if its integral may grow
    moving: float  # 1 while the reference of the move is followed, 0 if it is held
    reference: float  # held reference, m
    narrow: float  # memories of the valve's plays
    wide: float
    dither: float
    thrust: float
    thrust_slope: float
    normal: float
    normal_slope: float
    area_a: float
    area_slope_a: float
    area_b: float
    area_slope_b: float
    displaced_a: float  # flow pushed into the chambers by the closing lock, m3/s
    displaced_b: float
    merged_a: float
    merged_b: float
    brake: float
    brake_position: float
    exact_readings: int  # 1 if the loop advances the lagged readings itself
    inverse_a: float  # pressures at hand, see ``components.oil``: chambers, lines, pump, supply
    volume_a: float
    inverse_b: float
    volume_b: float
    inverse_line_a: float
    volume_line_a: float
    inverse_line_b: float
    volume_line_b: float
    inverse_pump: float
    volume_pump: float
    inverse_supply: float
    volume_supply: float


def nothing_held() -> Held:
    """Return inputs of an axis left alone: null command, open lock, no thrust."""
    return Held(*(0.0,) * 13, 1.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0, 1.0, 0.0, 0.0, 0, *(0.0,) * 12)


@kernel
def wanted(
    t: float, y: float, moving: bool, held: float, K_v: float, m: Move
) -> tuple[float, float, float, float, float]:
    """Return the controller's references at a time, the first five of its ``INPUTS``.

    Parameters
    ----------
    t : float
        Time [s].
    y : float
        Reading of the scale [m].
    moving : bool
        Whether the move's reference is followed; otherwise the held one.
    held : float
        Held reference [m].
    K_v : float
        Velocity gain [1/s].
    m : Move
        The move.

    Returns
    -------
    tuple of float
        Position [m], velocity [m/s], acceleration [m/s2], velocity of a schedule over the
        remaining distance [m/s], and 1 where that one counts.
    """
    if m.kind == TIMED:
        r, v, a = profile_at(t, m.profile)
        return where(moving, r, held), where(moving, v, 0.0), where(moving, a, 0.0), 0.0, 0.0
    v = where(moving, schedule_velocity(m.target - y, t, K_v, m), 0.0)
    return where(moving, m.target, held), 0.0, 0.0, v, where(moving, 1.0, 0.0)


@kernel
def continuous_command(
    t: float, x: NDArray[np.float64], w: Held, p: AxisParameters, m: Move
) -> tuple[ControllerStates, ControllerInputs]:
    """Return states and inputs of the continuous controller."""
    i, c = p.index, p.controller
    y = x[i.scale_reading]
    p_A, p_B = x[i.pressure_reading_a], x[i.pressure_reading_b]
    states = (
        x[i.integral],
        x[i.filtered_position],
        x[i.filtered_velocity],
        x[i.slow_pressure],
        x[i.load_estimate],
    )
    return states, (*wanted(t, y, w.moving > 0.5, w.reference, c.K_v, m), y, p_A, p_B)


@kernel
def spool_command(t: float, x: NDArray[np.float64], w: Held, p: AxisParameters, m: Move) -> float:
    """Return the spool command that acts at this time [-]."""
    u_h = w.spool_command
    if p.controller.sampled == 0 and some(w.alive > 0.5):
        states, inputs = continuous_command(t, x, w, p, m)
        u = controller_block.output(t, states, inputs, p.controller)
        given, _, _ = valve_block.command_path(
            u, w.narrow, w.wide, x[p.index.supply_pressure], w.dither, p.valve
        )
        u_h = where(w.alive > 0.5, given, u_h)
    return u_h


@inner_kernel
def lock_areas(t: float, w: Held) -> tuple[float, float]:
    """Return the open area of both sides of the lock, 0 to 1."""
    h = t - w.t_0
    a = min(max(w.area_a + w.area_slope_a * h, 0.0), 1.0)
    return a, min(max(w.area_b + w.area_slope_b * h, 0.0), 1.0)


@inner_kernel
def valve_flows(
    t: float, x: NDArray[np.float64], p: AxisParameters
) -> tuple[float, float, float, float]:
    """Return the flows through the lands P-A, B-T, P-B, A-T [m3/s]."""
    i = p.index
    inputs = (
        0.0,
        x[i.line_pressure_a],
        x[i.line_pressure_b],
        x[i.supply_pressure],
        p.supply.p_T,
    )
    return valve_block.output(t, (x[i.spool], 0.0), inputs, p.valve)


@inner_kernel
def lock_flows(t: float, x: NDArray[np.float64], w: Held, p: AxisParameters) -> tuple[float, float]:
    """Return the flows from lines to chambers through the lock [m3/s], zero where merged."""
    i = p.index
    apart_a, apart_b = w.merged_a < 0.5, w.merged_b < 0.5
    if some(apart_a | apart_b):
        area_a, area_b = lock_areas(t, w)
        q_A = lock_block.output(t, (x[i.pressure_a], x[i.line_pressure_a], area_a), p.lock)
        q_B = lock_block.output(t, (x[i.pressure_b], x[i.line_pressure_b], area_b), p.lock)
        return where(apart_a, q_A, 0.0), where(apart_b, q_B, 0.0)
    return 0.0, 0.0


@inner_kernel
def load_inputs(
    t: float, x: NDArray[np.float64], w: Held, p: AxisParameters
) -> tuple[float, float, float, float, float, float, float, float]:
    """Return the inputs of the load block, see its ``INPUTS``."""
    i, h = p.index, t - w.t_0
    pressures = (
        x[i.pressure_a],
        x[i.pressure_b],
        x[i.line_pressure_a],
        x[i.line_pressure_b],
    )
    force, stop, seal_c, seal_s = cylinder_block.output(
        t, pressures, (x[i.piston_position], x[i.piston_velocity]), p.cylinder
    )
    return (
        force,
        stop,
        seal_c,
        seal_s,
        w.thrust + w.thrust_slope * h,
        w.normal + w.normal_slope * h,
        w.brake,
        w.brake_position,
    )


@inner_kernel
def load_states(
    x: NDArray[np.float64], p: AxisParameters
) -> tuple[float, float, float, float, float, float]:
    """Return the states of the load block, see its ``STATES``."""
    i = p.index
    return (
        x[i.piston_position],
        x[i.piston_velocity],
        x[i.table_position],
        x[i.table_velocity],
        x[i.way_bristle],
        x[i.seal_bristle],
    )


@inner_kernel
def energy_rates(
    lands: tuple[float, float, float, float],
    lock: tuple[float, float],
    pressures: tuple[float, float, float, float],
    supply: tuple[float, float, float, float, float],
    force: float,
    v: float,
    p: AxisParameters,
) -> tuple[float, float, float]:
    """Return power from the pump, power to the load and power turned into heat [W].

    Parameters
    ----------
    lands : tuple of float
        Flows P-A, B-T, P-B, A-T [m3/s].
    lock : tuple of float
        Flows from lines to chambers [m3/s], zero where they are one volume.
    pressures : tuple of float
        Chambers A and B, lines A and B [Pa].
    supply : tuple of float
        States of the supply, see its ``STATES``.
    force : float
        Force on the load, behind the screw of a motor [N].
    v : float
        Velocity of the piston [m/s].
    p : AxisParameters
        Numbers of the axis.

    Returns
    -------
    tuple of float
        What the pump gives less what works and heats is stored in compressed oil and gas, but for
        the p/K term of volumetric flows. Heat arises in lands, pilot, leakages, lock, line, relief
        valve and screw.
    """
    p_A, p_B, p_lA, p_lB = pressures
    q_PA, q_BT, q_PB, q_AT = lands
    p_S, c = supply[1], p.cylinder
    pilot = valve_block.pilot_flow(p_S, p.valve)
    supplied, heat = supply_block.losses(supply, p.supply)
    if p.supply.kind == supply_block.IDEAL:
        supplied = p_S * (q_PA + q_PB + pilot)
    work = force * v
    heat += pilot * p_S
    heat += q_PA * (p_S - p_lA) + q_PB * (p_S - p_lB) + q_AT * p_lA + q_BT * p_lB
    heat += c.C_i * (p_A - p_B) * (p_A - p_B) + c.C_eA * p_A * p_A + c.C_eB * p_B * p_B
    heat += lock[0] * (p_lA - p_A) + lock[1] * (p_lB - p_B)
    heat += (c.A_A * p_A - c.A_B * p_B) * v - work
    return supplied, work, heat


@kernel
def look_around(x: NDArray[np.float64], w: Any, p: AxisParameters) -> None:
    """Renew the pressures at hand in the held inputs for the state at the beginning of a step."""
    i, oil = p.index, p.oil
    w.inverse_a, w.volume_a = nearby(x[i.pressure_a], (w.inverse_a, w.volume_a), oil)
    if p.cylinder.has_b == 1:
        w.inverse_b, w.volume_b = nearby(x[i.pressure_b], (w.inverse_b, w.volume_b), oil)
    if i.line_pressure_a != i.pressure_a:
        near = (w.inverse_line_a, w.volume_line_a)
        w.inverse_line_a, w.volume_line_a = nearby(x[i.line_pressure_a], near, oil)
        near = (w.inverse_line_b, w.volume_line_b)
        w.inverse_line_b, w.volume_line_b = nearby(x[i.line_pressure_b], near, oil)
    if p.supply.kind != supply_block.IDEAL:
        near = (w.inverse_pump, w.volume_pump)
        w.inverse_pump, w.volume_pump = nearby(x[i.pump_pressure], near, oil)
    if p.supply.line == 1:
        near = (w.inverse_supply, w.volume_supply)
        w.inverse_supply, w.volume_supply = nearby(x[i.supply_pressure], near, oil)


@kernel
def axis_rhs(
    t: float,
    x: NDArray[np.float64],
    w: Held,
    p: AxisParameters,
    m: Move,
    dx: NDArray[np.float64],
) -> None:
    """Write the rate of every state into ``dx``: the blocks, joined by signal name.

    Parameters
    ----------
    t : float
        Time [s].
    x : ndarray, shape (n_states,)
        State in the order of ``p.index``, SI units.
    w : Held
        Inputs held by the control side.
    p : AxisParameters
        Numbers of the axis.
    m : Move
        The move, read by a continuous controller.
    dx : ndarray, shape (n_states,)
        Written in place.
    """
    i = p.index
    p_A, p_B = x[i.pressure_a], x[i.pressure_b]
    p_lA, p_lB = x[i.line_pressure_a], x[i.line_pressure_b]
    p_S = x[i.supply_pressure]
    # friction is the longest chain of operations: begun first, it waits beside all the others
    inputs = load_inputs(t, x, w, p)
    d_load = load_block.derivative(t, load_states(x, p), inputs, p.load)
    dx[i.table_position] = d_load[2]
    dx[i.table_velocity] = d_load[3]
    dx[i.piston_position] = d_load[0]
    dx[i.piston_velocity] = d_load[1]
    dx[i.way_bristle] = d_load[4]
    dx[i.seal_bristle] = d_load[5]

    q_PA, q_BT, q_PB, q_AT = valve_flows(t, x, p)
    q_lkA, q_lkB = lock_flows(t, x, w, p)

    u_h = spool_command(t, x, w, p, m)
    d_xs, d_vs = valve_block.derivative(
        t,
        (x[i.spool], x[i.spool_rate]),
        (u_h, p_lA, p_lB, p_S, p.supply.p_T),
        p.valve,
    )
    dx[i.spool_rate] = d_vs
    dx[i.spool] = d_xs

    d_A, d_B, d_lA, d_lB = cylinder_block.derivative(
        t,
        (p_A, p_B, p_lA, p_lB),
        (
            q_PA - q_AT,
            q_BT - q_PB,
            q_lkA,
            q_lkB,
            w.displaced_a,
            w.displaced_b,
            w.merged_a,
            w.merged_b,
            x[i.piston_position],
            x[i.piston_velocity],
        ),
        p.cylinder,
        p.oil,
        (
            (w.inverse_a, w.volume_a),
            (w.inverse_b, w.volume_b),
            (w.inverse_line_a, w.volume_line_a),
            (w.inverse_line_b, w.volume_line_b),
        ),
    )
    dx[i.line_pressure_a] = d_lA
    dx[i.line_pressure_b] = d_lB
    dx[i.pressure_a] = d_A
    dx[i.pressure_b] = d_B

    pilot = valve_block.pilot_flow(p_S, p.valve)
    drawn = q_PA + q_PB + pilot
    supply_state = (
        x[i.pump_pressure],
        p_S,
        x[i.pump_flow],
        x[i.gas_temperature],
        x[i.tank_temperature],
    )
    supplied, work, heat = energy_rates(
        (q_PA, q_BT, q_PB, q_AT),
        (q_lkA, q_lkB),
        (p_A, p_B, p_lA, p_lB),
        supply_state,
        inputs[0],
        x[i.piston_velocity],
        p,
    )
    near = ((w.inverse_pump, w.volume_pump), (w.inverse_supply, w.volume_supply))
    d_supply = supply_block.derivative(t, supply_state, (drawn, heat), p.supply, p.oil, near)
    dx[i.pump_pressure] = d_supply[0]
    dx[i.supply_pressure] = d_supply[1]
    dx[i.pump_flow] = d_supply[2]
    dx[i.gas_temperature] = d_supply[3]
    dx[i.tank_temperature] = d_supply[4]

    if w.exact_readings == 0:
        d_y, d_yA, d_yB = transducer_block.derivative(
            t,
            (x[i.scale_reading], x[i.pressure_reading_a], x[i.pressure_reading_b]),
            (x[i.piston_position], x[i.table_position], p_A, p_B),
            p.transducer,
        )
        dx[i.pressure_reading_a] = d_yA
        dx[i.pressure_reading_b] = d_yB
        dx[i.scale_reading] = d_y

    if p.controller.sampled == 0:
        states, law_inputs = continuous_command(t, x, w, p, m)
        d_c = controller_block.derivative(t, states, law_inputs, p.controller)
        dx[i.integral] = where(w.integrating > 0.5, d_c[0], 0.0)
        dx[i.filtered_position] = d_c[1]
        dx[i.filtered_velocity] = d_c[2]
        dx[i.slow_pressure] = d_c[3]
        dx[i.load_estimate] = d_c[4]

    dx[i.supplied_energy] = supplied
    dx[i.mechanical_work] = work
    dx[i.heat] = heat
    dx[i.drawn_volume] = drawn
