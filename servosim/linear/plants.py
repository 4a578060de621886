"""Linear plants of many operating points: matrices with the points first."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from servosim._equations import QUADRATURES, STATES, StateIndex
from servosim.axis import Axis
from servosim.components import controller as controller_block
from servosim.components import cylinder as cylinder_block
from servosim.components import load as load_block
from servosim.components import supply as supply_block
from servosim.components import transducer as transducer_block
from servosim.components import valve as valve_block
from servosim.errors import ParameterError
from servosim.linear import _steady_kernels as kernels
from servosim.linear._plant_kernels import linear_plants
from servosim.linear.points import EDGE_OPENING, Point, numbers_of

Array = NDArray[np.float64]

INPUTS = ("spool_command", "thrust", "normal_thrust")
OUTPUTS = (
    "table_position",
    "table_velocity",
    "piston_position",
    "piston_velocity",
    "spool",
    "pressure_a",
    "pressure_b",
    "supply_pressure",
    "scale_reading",
    "pressure_reading_a",
    "pressure_reading_b",
)
FRICTION_FORMS = ("viscous", "sliding", "presliding")  # in the order of the kernels' numbers
_SUPPLY = OUTPUTS.index("supply_pressure")
_NO_C = np.zeros((len(OUTPUTS), 0))
_ORDER = (
    *valve_block.STATES,
    *cylinder_block.STATES,
    *load_block.STATES,
    *supply_block.STATES,
    *transducer_block.STATES,
)
_NOT_OF_THE_PLANT = (
    "line_pressure_a",  # with the lock open one volume with the chamber
    "line_pressure_b",
    "tank_temperature",
    "way_bristle",  # friction has a form without them
    "seal_bristle",
    *controller_block.STATES,
    *QUADRATURES,
)
# first step of the differences, by what stands in the name of the signal; later steps are halves
_FIRST_STEPS = (
    ("spool_rate", 1e-2),
    ("spool_command", 1e-3),
    ("spool", 2e-3),
    ("pressure", 2e4),
    ("flow", 1e-6),
    ("velocity", 1e-4),
    ("reading", 1e-6),
    ("position", 1e-6),
    ("temperature", 0.1),
    ("thrust", 1.0),
)
MEANINGLESS = 0.2  # flow gain at null over that just outside the overlap


@dataclass(frozen=True)
class Plants:
    """Plants of many points, from the spool's command and thrust to what is seen of the axis.

    Attributes
    ----------
    points : tuple of Point
        Points that exist, shape (n,).
    refused : tuple of (Point, str)
        Points where the axis has no steady state, with the reason.
    states, inputs, outputs : tuple of str
        Names in the order of the matrices.
    A, B, C : ndarray, shapes (n, n_x, n_x), (n, n_x, n_u), (n, n_y, n_x)
        Matrices of the deviations [SI]; no input acts on an output at once.
    x : ndarray, shape (n, n_x)
        States at the points [SI].
    spool_command : ndarray, shape (n,)
        Command that the spool has there [-].
    flow_gain, flow_pressure_coefficient, pressure_gain : ndarray, shape (n,)
        Null coefficients at the points: load flow over spool [m3/s], load flow over load pressure
        [m3/s/Pa] and their ratio [Pa].
    null_shift_slope : ndarray, shape (n,)
        What the null of the valve shifts with supply pressure [1/Pa]. This path is part of A: the
        input ``spool_command`` stands for the controller's command, and the shift is added to it.
    meaningless : ndarray of bool, shape (n,)
        Whether the valve's overlap leaves so little flow gain at this point that its margins say
        nothing about the axis.
    """

    points: tuple[Point, ...]
    refused: tuple[tuple[Point, str], ...]
    states: tuple[str, ...]
    inputs: tuple[str, ...]
    outputs: tuple[str, ...]
    A: Array
    B: Array
    C: Array
    x: Array
    spool_command: Array
    flow_gain: Array
    flow_pressure_coefficient: Array
    pressure_gain: Array
    null_shift_slope: Array
    meaningless: NDArray[np.bool_]


class _Frame(NamedTuple):
    """Where the states of an axis and what is seen of it stand among all states."""

    states: tuple[str, ...]
    places: NDArray[np.int64]
    C: Array


@cache
def _frame(index: StateIndex, n_all: int) -> _Frame:
    """Return the states of a plant: the active ones between command and readings, twins once."""
    place = index._asdict()
    taken: dict[int, str] = {}
    for name in STATES:
        here = place[name]
        idle = here >= n_all or name in _NOT_OF_THE_PLANT
        if not idle and here not in taken:
            shared = name == "pump_pressure" and here == place["supply_pressure"]
            taken[here] = "supply_pressure" if shared else name
    order = [n for n in _ORDER if n in taken.values()]
    at = {name: here for here, name in taken.items()}
    C = np.zeros((len(OUTPUTS), len(order)))
    for row, name in enumerate(OUTPUTS):
        if place[name] in taken:
            C[row, order.index(taken[place[name]])] = 1.0
    C.setflags(write=False)
    return _Frame(tuple(order), np.array([at[n] for n in order]), C)


def _wrong(point: Point) -> str:
    """Return why a point can't be one of its axis, or ""."""
    position, stroke = point.position, point.axis.file.cylinder.stroke
    if not 0.0 <= position <= stroke:
        return f"position {position:g} m lies outside the stroke of {stroke:g} m"
    if math.isnan(point.thrust):
        return "no thrust makes the spool rest in its centre"
    if math.isnan(point.velocity) and point.condition:
        return (
            "valve, supply and load give no steady motion in this direction "
            f"under this condition ({point.condition})"
        )
    for name in ("velocity", "thrust", "normal_thrust"):
        if not math.isfinite(getattr(point, name)):
            return f"{name} {getattr(point, name):g} isn't a finite number"
    if point.friction == "presliding":
        if point.velocity != 0.0:
            return f"at {point.velocity:g} m/s the axis slides: presliding friction is one at rest"
        if point.axis.file.table.friction == "stribeck":
            return (
                '[table] friction: "stribeck" has no bristle, so there is no presliding stiffness'
            )
    return ""


def _reason(point: Point, row: Array) -> str:
    """Return why the kernels found no plant at a point."""
    left, spool = row[1], 100.0 * row[2]
    if row[0] == kernels.NOT_HELD:
        return (
            f"nothing holds the load with a thrust of {point.thrust:g} N at rest: with the spool "
            f"at {spool:.3g} % a part {left:.2g} of the valve's flow is left over; lower the "
            "thrust or raise the supply's pressure"
        )
    if row[0] == kernels.NOT_MOVED:
        return (
            f"no steady motion at {point.velocity:g} m/s: against this load valve and supply give "
            f"{row[3]:.4g} m/s with the spool at {spool:.3g} %; lower the velocity or the thrust"
        )
    return "the derivative isn't finite here; choose a point away from this limit"


def plants(points: Sequence[Point]) -> Plants:
    """Return the linear plants of points.

    Parameters
    ----------
    points : sequence of Point
        The points; their axes must have the same states.

    Returns
    -------
    Plants
        Plants of the points that exist, in their order.

    Raises
    ------
    ParameterError
        If the axes have different states, or a form of friction is unknown.

    Notes
    -----
    The matrices are derivatives of what the simulation integrates, by extrapolated central
    differences; they equal :func:`servosim.blocks.linear_axis` but for the shift of the null.
    """
    unknown = {point.friction for point in points} - set(FRICTION_FORMS)
    if unknown:
        raise ParameterError(
            f"{', '.join(sorted(unknown))} is no form of friction; choose one of "
            f"{', '.join(FRICTION_FORMS)}"
        )
    frames = {id(axis): _frame_of(axis) for axis in {id(p.axis): p.axis for p in points}.values()}
    kinds = {frame.states for frame in frames.values()}
    if len(kinds) > 1:
        every = [name for kind in kinds for name in kind]
        odd = {name for name in every if every.count(name) < len(kinds)}
        raise ParameterError(
            f"the axes of these points have different states ({', '.join(sorted(odd))}); take each "
            "kind of axis by itself"
        )
    why = [_wrong(point) for point in points]
    asked = [k for k, reason in enumerate(why) if not reason]
    n = len(asked)
    frame = next(iter(frames.values())) if frames else _Frame((), np.zeros(0, np.int64), _NO_C)
    n_x = len(frame.states)
    found, x = np.zeros((n, kernels.N_FOUND)), np.zeros((n, n_x))
    A, B = np.zeros((n, n_x, n_x)), np.zeros((n, n_x, len(INPUTS)))
    if n:
        p, lean, w, m = numbers_of([points[k].axis for k in asked])
        # places differ between axes of the same states if other states stand between them
        places = np.stack([frames[id(points[k].axis)].places for k in asked])
        tasks = np.array([_task(points[k]) for k in asked])
        steps = np.array([_first_step(name) for name in (*frame.states, *INPUTS)])
        linear_plants(p, lean, w, m, tasks, places, steps, EDGE_OPENING, found, A, B, x)
    good = np.flatnonzero(found[:, 0] == kernels.STEADY)
    for k, row in zip(asked, found, strict=True):
        if row[0] != kernels.STEADY:
            why[k] = _reason(points[k], row)
    shift = np.array([points[asked[k]].axis.parameters.valve.bias_pressure for k in good])
    A, B, found = A[good], B[good], found[good]
    A += shift[:, None, None] * B[:, :, :1] * frame.C[_SUPPLY]
    return Plants(
        points=tuple(points[asked[k]] for k in good),
        refused=tuple((point, reason) for point, reason in zip(points, why, strict=True) if reason),
        states=frame.states,
        inputs=INPUTS,
        outputs=OUTPUTS,
        A=A,
        B=B,
        C=np.broadcast_to(frame.C, (len(good), *frame.C.shape)).copy(),
        x=x[good],
        spool_command=found[:, 2],
        flow_gain=found[:, 5],
        flow_pressure_coefficient=found[:, 7],
        pressure_gain=found[:, 5] / found[:, 7],
        null_shift_slope=shift,
        meaningless=found[:, 5] < MEANINGLESS * found[:, 6],
    )


def _frame_of(axis: Axis) -> _Frame:
    return _frame(axis.parameters.index, axis.parameters.n_all)


def _task(point: Point) -> tuple[float, ...]:
    """Return a point as the kernels take it."""
    form = FRICTION_FORMS.index(point.friction)
    asked = point.position, point.velocity, 0.0, point.thrust, point.normal_thrust
    return (kernels.SPOOL, form, *asked)


def _first_step(name: str) -> float:
    return next(step for part, step in _FIRST_STEPS if part in name)
