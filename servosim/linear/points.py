"""Where the plant of an axis is taken: positions, conditions and corners of the envelope."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import NamedTuple

import numpy as np
from scipy import optimize

from servosim._equilibrium import rest, steady_force
from servosim.axis import Axis
from servosim.components.controller import velocity_gains
from servosim.components.valve import area_fraction
from servosim.errors import ParameterError

CONDITIONS = ("null", "edge", "rest", "rapid")
EDGE_OPENING = 0.01  # beyond the larger overlap, fraction of the rated stroke
_CORNER_KEYS = {
    "workpiece_mass": "table.workpiece_mass",
    "temperature": "oil.temperature",
    "free_air": "oil.free_air",
    "supply_pressure": "supply.pressure",
}
_NOTHING: Mapping[str, float] = MappingProxyType({})


class Point(NamedTuple):
    """Where one plant is taken.

    Attributes
    ----------
    axis : Axis
        The axis, of a corner of the envelope that corner's.
    position : float
        Position of the table [m].
    velocity : float
        Velocity of the table [m/s].
    thrust, normal_thrust : float
        External force along the axis against extension, and across it [N].
    friction : str
        ``viscous``, ``sliding`` or ``presliding``.
    condition : str
        One of :data:`CONDITIONS`, or "" if none of them was asked for.
    corner : mapping of str to float
        Keys of the envelope whose values differ from the file's, with these values [SI].
    note : str
        What a reader must know about this point, or "".
    """

    axis: Axis
    position: float
    velocity: float = 0.0
    thrust: float = 0.0
    normal_thrust: float = 0.0
    friction: str = "sliding"
    condition: str = ""
    corner: Mapping[str, float] = _NOTHING
    note: str = ""


def _null_thrust(axis: Axis, position: float) -> float:
    """Return the thrust at which the spool rests exactly in its centre [N]."""
    p = axis.record
    c, s = axis.parameters.cylinder, axis.parameters.supply
    edge = 0.02 * (s.p_set - s.p_T)  # at null no chamber comes so near to supply or tank
    low = c.A_A * (s.p_T + edge) - c.A_B * (s.p_set - edge)
    high = c.A_A * (s.p_set - edge) - c.A_B * (s.p_T + edge)

    def _spool(force: float) -> float:
        return float(rest(force, p).spool)

    force = optimize.brentq(_spool, low, high, xtol=1e-9 * (high - low), rtol=1e-15)
    return float(force - steady_force(position, 0.0, p)[0])


def _edge_velocity(axis: Axis, position: float, direction: float) -> float:
    """Return the velocity of lands that are open by EDGE_OPENING [m/s]."""
    p = axis.parameters
    c, v, s = p.cylinder, p.valve, p.supply
    force = float(steady_force(position, 0.0, axis.record)[0])
    plus, minus, _, _ = velocity_gains(c.A_A, c.A_B, v.K_A, v.K_B, s.p_set, s.p_T, force)
    gain = plus if direction > 0.0 else minus
    return math.copysign(gain * float(area_fraction(EDGE_OPENING, axis.record.valve)), direction)


def condition_points(
    axis: Axis,
    position: float,
    *,
    conditions: Sequence[str] = CONDITIONS,
    directions: Sequence[float] = (1.0, -1.0),
    corner: Mapping[str, float] = _NOTHING,
) -> tuple[Point, ...]:
    """Return the points of an axis at one position, one or two for each condition.

    Parameters
    ----------
    axis : Axis
        The axis.
    position : float
        Position of the table [m].
    conditions : sequence of str, optional
        Which of ``null`` (at rest with the spool centred, by the thrust that this needs), ``edge``
        (steady motion with the lands just outside their overlap), ``rest`` (at rest under the
        file's weight) and ``rapid`` (steady motion at the velocity of the reference).
    directions : sequence of float, optional
        Signs of the velocity for the conditions in motion.
    corner : mapping of str to float, optional
        What the axis differs in from its file, for the words about the worst case.

    Returns
    -------
    tuple of Point
        The points, friction in its sliding form.

    Raises
    ------
    ParameterError
        If a condition is unknown.
    """
    unknown = [c for c in conditions if c not in CONDITIONS]
    if unknown:
        raise ParameterError(
            f"condition {', '.join(unknown)} is not known; choose among {', '.join(CONDITIONS)}"
        )
    points = []
    for condition in conditions:
        if condition == "null":
            thrust = _null_thrust(axis, position)
            points.append(Point(axis, position, thrust=thrust, condition=condition, corner=corner))
        elif condition == "rest":
            points.append(Point(axis, position, condition=condition, corner=corner))
        else:
            for direction in directions:
                if condition == "edge":
                    v = _edge_velocity(axis, position, direction)
                else:
                    v = math.copysign(axis.file.reference.velocity, direction)
                points.append(Point(axis, position, v, condition=condition, corner=corner))
    return tuple(points)


def envelope_corners(
    axis: Axis, *, middle: bool = True
) -> tuple[tuple[Axis, Mapping[str, float]], ...]:
    """Return the axis in every corner of its file's envelope.

    Parameters
    ----------
    axis : Axis
        The axis.
    middle : bool, optional
        Whether the axis as the file has it comes first.

    Returns
    -------
    tuple of (Axis, mapping of str to float)
        Axes, and the values [SI] in which each differs from the file.

    Raises
    ------
    ParameterError
        If an axis of a corner contradicts itself.
    """
    ends = {}
    for key in _CORNER_KEYS:
        low, high = getattr(axis.file.envelope, key)
        ends[key] = (low,) if low == high else (low, high)
    found: list[tuple[Axis, Mapping[str, float]]] = [(axis, _NOTHING)] if middle else []
    for values in itertools.product(*ends.values()):
        corner = dict(zip(ends, values, strict=True))
        changed = axis.replace({_CORNER_KEYS[key]: value for key, value in corner.items()})
        found.append((changed, MappingProxyType(corner)))
    return tuple(found)


def envelope_points(
    axis: Axis, *, positions: int = 11, conditions: Sequence[str] = CONDITIONS
) -> tuple[Point, ...]:
    """Return the points of a whole envelope: positions, corners and conditions.

    Parameters
    ----------
    axis : Axis
        The axis.
    positions : int, optional
        Number of positions [-] evenly over the stroke, both ends among them.
    conditions : sequence of str, optional
        See :func:`condition_points`.

    Returns
    -------
    tuple of Point
        Corner by corner, in each position by position.

    Raises
    ------
    ParameterError
        If an axis of a corner contradicts itself.
    """
    return tuple(
        point
        for changed, corner in envelope_corners(axis)
        for position in np.linspace(0.0, axis.file.cylinder.stroke, positions).tolist()
        for point in condition_points(changed, position, conditions=conditions, corner=corner)
    )
