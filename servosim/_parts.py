"""What follows from the tables of an axis, part by part, each from no more tables than it needs.

Checks, warnings and kernels want the same numbers, and an axis that differs from another in one
table shares with it all that doesn't follow from that table: see :mod:`servosim.params`.
"""

from __future__ import annotations

from operator import attrgetter
from typing import NamedTuple, cast

from servosim._record import record
from servosim.components.controller import Controller, ControllerParameters, controller_parameters
from servosim.components.cylinder import Cylinder, CylinderParameters, cylinder_parameters
from servosim.components.load import (
    GRAVITY,
    LoadParameters,
    Structure,
    Table,
    counterbalance_force,
    load_parameters,
)
from servosim.components.lock import Lock, lock_parameters
from servosim.components.oil import oil_parameters
from servosim.components.supply import Supply, supply_parameters
from servosim.components.transducer import transducer_parameters
from servosim.components.valve import ValveParameters
from servosim.components.valve_rating import rate_valve
from servosim.params import Rule
from servosim.program import Move, MoveTable, Reference, Thrust, Window, move_of

ACCUMULATOR = 2  # counterbalance whose force depends on the position


def _bare_load(
    table: Table, structure: Structure, cylinder: Cylinder, actuator: CylinderParameters
) -> LoadParameters:
    """Return table and ways without a brake."""
    return load_parameters(table, structure, cylinder.seal_viscous, actuator.screw_mass)


def _load(bare: LoadParameters, lock: Lock) -> LoadParameters:
    """Return table and ways with the brake."""
    if lock.brake != "holding":
        return bare
    return bare._replace(k_b=lock.brake_stiffness, c_b=lock.brake_damping, F_b=lock.brake_force)


def _steady_load(bare: LoadParameters, start: float) -> float:
    """Return gravity less counterbalance against extension at the move's start [N]."""
    weight = (bare.M_t + bare.M_g) * GRAVITY * bare.sin
    if bare.cb == ACCUMULATOR:
        return float(weight - counterbalance_force(start, record(bare)))
    return float(weight - bare.F_cb)


def _valve(rated: ValveParameters, actuator: CylinderParameters) -> ValveParameters:
    """Return the valve's numbers; on a plunger nothing is connected to side B."""
    return rated if actuator.has_b else rated._replace(K_B=0.0)


def _controller(
    controller: Controller,
    actuator: CylinderParameters,
    valve: ValveParameters,
    supply: Supply,
    load: float,
) -> ControllerParameters:
    """Return the controller's numbers, which hold the gains of the axis as it is rated."""
    return controller_parameters(
        controller,
        (actuator.A_A, actuator.A_B),
        (valve.K_A, valve.K_B),
        (supply.pressure, supply.return_pressure),
        load,
        (
            max(0.5 * (valve.L_PA + valve.L_BT), 0.0),  # underlap needs no jump
            max(0.5 * (valve.L_PB + valve.L_AT), 0.0),
        ),
    )


class _Times(NamedTuple):
    """The table of the move without its seed: another noise needs no other plan."""

    start: float
    target: float
    duration: float
    hold_time: float
    seed: int = 0


def _plan(
    reference: Reference,
    window: Window,
    thrust: Thrust,
    start: float,
    target: float,
    duration: float,
    hold_time: float,
) -> Move:
    """Return the move with the seed zero."""
    times = _Times(start, target, duration, hold_time)
    return move_of(reference, window, cast(MoveTable, times), thrust)


def _move(planned: Move, seed: int) -> Move:
    """Return the move with its seed."""
    return planned._replace(seed=seed)


PARTS: dict[str, Rule] = {
    "rated_valve": Rule(rate_valve, ("valve", "oil")),
    "cylinder_parameters": Rule(cylinder_parameters, ("cylinder",)),
    **{key: Rule(attrgetter(key), ("move",)) for key in _Times._fields},
    "bare_load": Rule(_bare_load, ("table", "structure", "cylinder", "cylinder_parameters")),
    "steady_load": Rule(_steady_load, ("bare_load", "start")),
    "oil_parameters": Rule(oil_parameters, ("oil",)),
    "valve_parameters": Rule(_valve, ("rated_valve", "cylinder_parameters")),
    "load_parameters": Rule(_load, ("bare_load", "lock")),
    "supply_parameters": Rule(supply_parameters, ("supply",)),
    "transducer_parameters": Rule(transducer_parameters, ("transducer",)),
    "controller_parameters": Rule(
        _controller,
        ("controller", "cylinder_parameters", "valve_parameters", "supply", "steady_load"),
    ),
    "lock_parameters": Rule(lock_parameters, ("lock",)),
    "planned_move": Rule(_plan, ("reference", "window", "thrust", *_Times._fields[:-1])),
    "own_move": Rule(_move, ("planned_move", "seed")),
}
