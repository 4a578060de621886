"""Linear plants of many operating points: matrices with the points first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim._blocks import differentiate
from servosim.axis import Axis
from servosim.blocks import linear_axis, operating_point
from servosim.components.valve import output as land_flows
from servosim.errors import ParameterError
from servosim.linear.points import EDGE_OPENING, Point

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


def load_flow(xs: float, p_A: float, p_B: float, p_S: float, axis: Axis) -> float:
    """Return the flow towards extension, the mean of both sides weighted by their areas [m3/s].

    The flow of the lands per piston velocity: ``(A_A qA + A_B qB)/(A_A^2 + A_B^2) A_A``.
    """
    p = axis.parameters
    q = land_flows(0.0, (xs, 0.0), (0.0, p_A, p_B, p_S, p.supply.p_T), axis.record.valve)
    A_A, A_B = p.cylinder.A_A, p.cylinder.A_B
    return float(A_A * (A_A * (q[0] - q[3]) + A_B * (q[1] - q[2])) / (A_A**2 + A_B**2))


def _coefficients(axis: Axis, xs: float, p_A: float, p_B: float, p_S: float) -> tuple[float, float]:
    """Return flow gain and flow-pressure coefficient."""
    A_A, A_B = axis.parameters.cylinder.A_A, axis.parameters.cylinder.A_B
    share = A_A * A_B / (A_A**2 + A_B**2)  # the load pressure moves both chambers against another
    split = A_A**2 / (A_A**2 + A_B**2)
    gain = differentiate(lambda s: np.array([load_flow(s, p_A, p_B, p_S, axis)]), xs, 2e-3)[0]
    slope = differentiate(
        lambda d: np.array([load_flow(xs, p_A + split * d, p_B - share * d, p_S, axis)]), 0.0, 2e4
    )[0]
    return float(gain), float(-slope)


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
        If the axes have different states.
    """
    rows: list[tuple[Any, ...]] = []
    kept: list[Point] = []
    refused = []
    states: tuple[str, ...] = ()
    for point in points:
        try:
            at = operating_point(
                point.axis,
                position=point.position,
                velocity=point.velocity,
                thrust=point.thrust,
                normal_thrust=point.normal_thrust,
                friction=point.friction,
            )
        except ParameterError as error:
            refused.append((point, str(error)))
            continue
        whole = linear_axis(point.axis, at, closed_loop=False)
        names = tuple(whole.state_labels)
        if kept and names != states:
            raise ParameterError(
                "the axes of these points have different states "
                f"({', '.join(set(names) ^ set(states))}); put each kind of axis by itself"
            )
        states = names
        kept.append(point)
        u = [whole.input_labels.index(n) for n in INPUTS]
        seen = np.zeros((len(OUTPUTS), len(names)))
        for row, n in enumerate(OUTPUTS):
            if n in names:
                seen[row, names.index(n)] = 1.0
            else:
                seen[row] = whole.C[whole.output_labels.index(n)]
        s = at.states
        where = s["pressure_a"], s["pressure_b"], s["supply_pressure"]
        gain, slope = _coefficients(point.axis, s["spool"], *where)
        v = point.axis.parameters.valve
        edges = (max(v.L_PA, v.L_BT) + EDGE_OPENING, -max(v.L_PB, v.L_AT) - EDGE_OPENING)
        shift = float(v.bias_pressure)
        if "supply_pressure" in names:
            whole.A[:, names.index("supply_pressure")] += shift * whole.B[:, u[0]]
        largest = max(_coefficients(point.axis, e, *where)[0] for e in edges)
        rows.append(
            (
                whole.A,
                whole.B[:, u],
                seen,
                np.array([s[n] for n in names]),
                s["spool"],
                gain,
                slope,
                shift,
                gain < MEANINGLESS * largest,
            )
        )
    n_x = len(states)
    if not rows:
        empty = np.zeros(0)
        return Plants(
            (), tuple(refused), states, INPUTS, OUTPUTS,
            np.zeros((0, n_x, n_x)), np.zeros((0, n_x, len(INPUTS))),
            np.zeros((0, len(OUTPUTS), n_x)), np.zeros((0, n_x)),
            empty, empty, empty, empty, empty, np.zeros(0, dtype=bool),
        )  # fmt: skip
    A, B, C, x, spool, gains, slopes, shifts, meaningless = (
        np.array(column) for column in zip(*rows, strict=True)
    )
    return Plants(
        tuple(kept), tuple(refused), states, INPUTS, OUTPUTS, A, B, C, x, spool,
        gains, slopes, gains / slopes, shifts, meaningless,
    )  # fmt: skip
