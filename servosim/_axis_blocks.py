"""The blocks of an axis around their compiled functions, exact or in a form fit to be linearised.

The exact blocks, joined, give the rates that the simulation integrates. In the form for an
operating point a stated equivalent replaces what has no derivative: plays (hysteresis, threshold,
backlash) and the integral's dead zone and clamp pass with gain one, and friction takes one of the
forms of ``_load_form``. Energies, the tank's temperature and states of the controller that its
gains leave idle act on nothing and belong to the exact form alone. The scale's cyclic error stays
at rest, where the slope of the reading depends on the place within its period; in motion it
averages out and is left out. End stops belong to the exact form alone.
"""

from __future__ import annotations

from typing import Any, Literal

from servosim._blocks import Block, kernel_block
from servosim._equations import QUADRATURES, energy_rates
from servosim._load_form import Form, load
from servosim._record import record
from servosim.axis import Axis
from servosim.components import controller as controller_block
from servosim.components import cylinder as cylinder_block
from servosim.components import lock as lock_block
from servosim.components import supply as supply_block
from servosim.components import transducer as transducer_block
from servosim.components import valve as valve_block
from servosim.errors import ParameterError

_UNLIMITED = 1e30
_PORT_FLOWS = ("port_flow_a", "port_flow_b")
_DISPLACED = ("displaced_flow_a", "displaced_flow_b")
_LOCK_FLOWS = ("lock_flow_a", "lock_flow_b")
_PRESSURES = ("pressure_a", "pressure_b")
_LINES = ("line_pressure_a", "line_pressure_b")
_ENERGY_INPUTS = (
    *valve_block.OUTPUTS,
    *_PRESSURES,
    *_LINES,
    "supply_pressure",
    "pump_pressure",
    "pump_flow",
    "drawn_flow",
    "hydraulic_force",
    "piston_velocity",
    *_LOCK_FLOWS,
)


def valve(axis: Axis) -> Block:
    """Return the valve's block: spool and flows through the lands."""
    p = axis.record.valve
    second = axis.file.valve.dynamics == "second_order"
    return kernel_block(
        "valve",
        states=valve_block.STATES if second else valve_block.STATES[:1],
        inputs=valve_block.INPUTS,
        outputs=valve_block.OUTPUTS,
        kernel_states=valve_block.STATES,
        kernel_inputs=valve_block.INPUTS,
        rates=lambda t, x, u: valve_block.derivative(t, x, u, p),
        values=lambda t, x, u: valve_block.output(t, x, u, p),
    )


def ports(axis: Axis) -> Block:
    """Return the junction of the lands: port flows, and the flow drawn with the pilot's."""
    p = axis.record.valve

    def _values(t: float, x: Any, u: Any) -> tuple[float, ...]:
        q_PA, q_BT, q_PB, q_AT, p_S = u
        return q_PA - q_AT, q_BT - q_PB, q_PA + q_PB + valve_block.pilot_flow(p_S, p)

    inputs = (*valve_block.OUTPUTS, "supply_pressure")
    return kernel_block(
        "ports",
        states=(),
        inputs=inputs,
        outputs=(*_PORT_FLOWS, "drawn_flow"),
        kernel_inputs=inputs,
        values=_values,
    )


def lock(axis: Axis, side: Literal["a", "b"]) -> Block:
    """Return the block of one side of the lock: flow from line to chamber."""
    p = axis.record.lock
    inputs = (f"pressure_{side}", f"line_pressure_{side}", f"lock_area_{side}")
    return kernel_block(
        f"lock_{side}",
        states=(),
        inputs=inputs,
        outputs=(f"lock_flow_{side}",),
        kernel_inputs=inputs,
        values=lambda t, x, u: (lock_block.output(t, u, p),),
    )


def cylinder(axis: Axis, split: bool, form: Form | None) -> Block:
    """Return the cylinder's block, chambers and lines merged (lock open) or split."""
    p, oil = axis.record.cylinder, axis.record.oil
    if form is not None:  # at the very end of the stroke the point is that of a piston just free
        p = record(axis.parameters.cylinder._replace(k_e=0.0, c_e=0.0))
    states: tuple[str, ...] = cylinder_block.STATES if split else _PRESSURES
    if p.has_b == 0:
        states = tuple(n for n in states if not n.endswith("_b"))
    merged = 0.0 if split else 1.0

    def _values(t: float, x: Any, u: Any) -> tuple[float, ...]:
        return (*x, *cylinder_block.output(t, x, (u[8], u[9]), p))

    return kernel_block(
        "cylinder",
        states=states,
        inputs=(
            *_PORT_FLOWS,
            *(_LOCK_FLOWS if split else ()),
            *_DISPLACED,
            "piston_position",
            "piston_velocity",
        ),
        outputs=(*cylinder_block.STATES, *cylinder_block.OUTPUTS),
        kernel_states=cylinder_block.STATES,
        kernel_inputs=cylinder_block.INPUTS,
        fixed={"merged_a": merged, "merged_b": merged},
        same={} if split else dict(zip(_LINES, _PRESSURES, strict=True)),
        rates=lambda t, x, u: cylinder_block.derivative(t, x, u, p, oil),
        values=_values,
    )


def supply(axis: Axis, form: Form | None) -> Block:
    """Return the supply's block; its heat is an input of the exact form only."""
    f, p, oil = axis.file.supply, axis.record.supply, axis.record.oil
    states: tuple[str, ...] = ()
    if f.kind != "ideal":
        states += ("pump_pressure",) if f.line == "lumped" else ()
        states += ("supply_pressure",)
        states += ("pump_flow",) if f.kind == "compensated_pump" else ()
        states += ("gas_temperature",) if f.accumulator == "gas" else ()
    if form is None:
        states += ("tank_temperature",)

    def _values(t: float, x: Any, u: Any) -> tuple[float, ...]:
        return (*supply_block.output(t, x, p), x[0], x[2])

    return kernel_block(
        "supply",
        states=states,
        inputs=supply_block.INPUTS if form is None else supply_block.INPUTS[:1],
        outputs=(*supply_block.OUTPUTS, "pump_pressure", "pump_flow"),
        kernel_states=supply_block.STATES,
        kernel_inputs=supply_block.INPUTS,
        fixed={
            "supply_pressure": p.p_set,
            "pump_pressure": p.p_set,
            "pump_flow": p.q_max,
            "gas_temperature": p.T_a,
            "tank_temperature": axis.parameters.oil.temperature,
        },
        same={} if "pump_pressure" in states else {"pump_pressure": "supply_pressure"},
        rates=lambda t, x, u: supply_block.derivative(t, x, u, p, oil),
        values=_values,
    )


def transducer(axis: Axis, form: Form | None) -> Block:
    """Return the transducer's block; pressures that aren't measured read zero."""
    p = axis.record.transducer
    if form is not None and form.velocity != 0.0:
        p = record(axis.parameters.transducer._replace(e_c=0.0))
    return kernel_block(
        "transducer",
        states=transducer_block.STATES if p.has_pressure == 1 else transducer_block.STATES[:1],
        inputs=transducer_block.INPUTS,
        outputs=transducer_block.OUTPUTS,
        kernel_states=transducer_block.STATES,
        kernel_inputs=transducer_block.INPUTS,
        rates=lambda t, x, u: transducer_block.derivative(t, x, u, p),
        values=lambda t, x, u: transducer_block.output(t, x, p),
    )


def energy(axis: Axis, split: bool) -> Block:
    """Return the block of energies: what pump, piston and losses turn over."""
    p = axis.record

    def _powers(u: Any) -> tuple[float, float, float, float]:
        p_S, p_P, q_p, drawn, force, v = u[8:14]
        supply_state = (p_P, p_S, q_p, 0.0, 0.0)
        powers = energy_rates(tuple(u[:4]), tuple(u[14:]), tuple(u[4:8]), supply_state, force, v, p)
        return (*powers, drawn)

    return kernel_block(
        "energy",
        states=QUADRATURES,
        inputs=_ENERGY_INPUTS if split else _ENERGY_INPUTS[:-2],
        outputs=("heat",),
        kernel_states=QUADRATURES,
        kernel_inputs=_ENERGY_INPUTS,
        rates=lambda t, x, u: _powers(u),
        values=lambda t, x, u: (_powers(u)[2],),
    )


def _law(axis: Axis, form: Form | None) -> tuple[Any, tuple[str, ...]]:
    """Return the controller's numbers and the states that act on its command."""
    if form is None:
        return axis.record.controller, controller_block.STATES
    p = axis.parameters.controller._replace(e_d=0.0, v_i=_UNLIMITED)
    idle = {"integral": p.K_i == 0.0, "load_estimate": p.correct == 0}
    return record(p), tuple(n for n in controller_block.STATES if not idle.get(n, False))


def controller(axis: Axis, form: Form | None) -> Block:
    """Return the controller's continuous law, of a sampled controller the law behind it."""
    p, states = _law(axis, form)
    return kernel_block(
        "controller",
        states=states,
        inputs=controller_block.INPUTS,
        outputs=controller_block.OUTPUTS,
        kernel_states=controller_block.STATES,
        kernel_inputs=controller_block.INPUTS,
        rates=lambda t, x, u: controller_block.derivative(t, x, u, p),
        values=lambda t, x, u: (controller_block.output(t, x, u, p),),
    )


def sampled_controller(axis: Axis, form: Form | None) -> Block:
    """Return the controller as it runs, once a sample; its computing delay isn't part of it."""
    p, states = _law(axis, form)

    def _values(t: float, x: Any, u: Any) -> tuple[float, ...]:
        return (controller_block.law(controller_block.update(t, x, u, False, p), u, p),)

    return kernel_block(
        "sampled_controller",
        states=states,
        inputs=controller_block.INPUTS,
        outputs=controller_block.OUTPUTS,
        kernel_states=controller_block.STATES,
        kernel_inputs=controller_block.INPUTS,
        rates=lambda t, x, u: controller_block.update(t, x, u, False, p),
        values=_values,
        period=float(p.period),
    )


def command_path(axis: Axis) -> Block:
    """Return the command's way to the spool: bias, null shift, limit, and plays of gain one."""
    p = record(axis.parameters.valve._replace(r_narrow=0.0, r_wide=0.0))
    inputs = ("command", "supply_pressure", "dither")
    return kernel_block(
        "command_path",
        states=(),
        inputs=inputs,
        outputs=("spool_command",),
        kernel_inputs=inputs,
        values=lambda t, x, u: valve_block.command_path(u[0], 0.0, 0.0, u[1], u[2], p)[:1],
    )


def plant_blocks(axis: Axis, *, split: bool = False, form: Form | None = None) -> tuple[Block, ...]:
    """Return the blocks between the spool's command and the readings of the transducers.

    Parameters
    ----------
    axis : Axis
        The axis.
    split : bool, optional
        Whether chambers and lines have pressures of their own, the lock's area being an input.
    form : Form, optional
        Form of an operating point; the exact blocks if not given.

    Returns
    -------
    tuple of Block
        To be joined; their free inputs are the spool's command, thrust, brake and what the lock
        displaces.

    Raises
    ------
    ParameterError
        If the axis has no lock that could split it, or no bristle that could be a spring.
    """
    if split and axis.file.lock.kind not in ("blocking_valve", "pilot_check"):
        raise ParameterError(
            f'[lock] kind: "{axis.file.lock.kind}" has no element between line and chamber; '
            'choose "blocking_valve" or "pilot_check", or keep the lock open'
        )
    spring = form is not None and form.friction == "presliding"
    if spring and axis.file.table.friction == "stribeck":
        raise ParameterError(
            '[table] friction: "stribeck" has no bristle, so there is no presliding stiffness; '
            'choose "lugre" or another form of friction'
        )
    locks = (lock(axis, "a"), lock(axis, "b")) if split else ()
    return (
        valve(axis),
        ports(axis),
        *locks,
        cylinder(axis, split, form),
        load(axis, form),
        supply(axis, form),
        transducer(axis, form),
        *((energy(axis, split),) if form is None else ()),
    )


def control_blocks(axis: Axis, *, form: Form | None = None) -> tuple[Block, ...]:
    """Return the continuous blocks between the readings and the spool's command.

    Parameters
    ----------
    axis : Axis
        The axis.
    form : Form, optional
        Form of an operating point; the exact blocks if not given.

    Returns
    -------
    tuple of Block
        Controller and the command's way to the spool.
    """
    return controller(axis, form), command_path(axis)
