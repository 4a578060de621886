"""Where the plant of an axis is taken: positions, conditions and corners of the envelope."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from servosim._block_faults import shown
from servosim._equations import nothing_held
from servosim._record import layout_of, record
from servosim.axis import Axis
from servosim.errors import ParameterError
from servosim.linear import _steady_kernels as kernels
from servosim.linear._form_kernels import SLIDING

CONDITIONS = ("null", "edge", "rest", "rapid")
EDGE_OPENING = 0.01  # beyond the larger overlap, fraction of the rated stroke
FARTHEST = 0.99  # of the stroke, where a rapid move that is asked for too much ends
CORNER_KEYS = {  # key of the envelope: key of the file
    "workpiece_mass": "table.workpiece_mass",
    "temperature": "oil.temperature",
    "free_air": "oil.free_air",
    "supply_pressure": "supply.pressure",
}
CORNER_WORDS = {
    "workpiece_mass": ("workpiece", "kg"),
    "temperature": ("oil at", "degC"),
    "free_air": ("air", "%"),
    "supply_pressure": ("supply", "bar"),
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
        Velocity of the table [m/s]; nan if its condition has no steady motion in this direction.
    thrust, normal_thrust : float
        External force along the axis against extension, and across it [N]; nan if none centres the
        spool.
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


class _Wish(NamedTuple):
    """A point that is asked for by what shall hold there."""

    axis: Axis
    position: float
    condition: str
    direction: float
    corner: Mapping[str, float]


def numbers_of(axes: Sequence[Axis]) -> tuple[Any, Any, Any, Any]:
    """Return what the kernels of steady states take.

    Parameters
    ----------
    axes : sequence of Axis
        One for each task, one at least.

    Returns
    -------
    p, lean : record arrays, shape (n,)
        Numbers of the axes, and a copy of them to be overwritten.
    w : record of Held
        Inputs of an axis left alone.
    m : record of Move
        A move, which isn't read.
    """
    layout = layout_of(axes[0].parameters)
    known: dict[int, NDArray[np.float64]] = {}
    rows = np.empty((len(axes), layout.n_words))
    for k, axis in enumerate(axes):
        if id(axis) not in known:
            known[id(axis)] = layout.words(axis.parameters)
        rows[k] = known[id(axis)]
    move = record(axes[0].move)
    return layout.records(rows), layout.records(rows.copy()), record(nothing_held()), move


def _edge(axis: Axis, direction: float) -> float:
    """Return the spool position at which the driving lands are just outside their overlap [-]."""
    v = axis.parameters.valve
    overlap = max(v.L_PA, v.L_BT) if direction > 0.0 else max(v.L_PB, v.L_AT)
    return math.copysign(max(overlap, 0.0) + EDGE_OPENING, direction)


def _points(wishes: Sequence[_Wish]) -> tuple[Point, ...]:
    """Return the points that wishes lead to."""
    tasks = np.zeros((len(wishes), kernels.N_TASK))
    tasks[:, 1] = SLIDING
    for task, wish in zip(tasks, wishes, strict=True):
        task[2] = wish.position
        if wish.condition == "null":
            task[0] = kernels.THRUST
        elif wish.condition == "edge":
            task[0], task[4] = kernels.VELOCITY, _edge(wish.axis, wish.direction)
        elif wish.condition == "rapid":
            most = min(FARTHEST, wish.axis.parameters.controller.u_max)
            task[0], task[4] = kernels.VELOCITY, math.copysign(most, wish.direction)
    found = np.zeros((len(wishes), kernels.N_FOUND))
    wanted = np.array([wish.condition != "rest" for wish in wishes])
    if wanted.any():
        p, lean, w, m = numbers_of([wish.axis for wish in wishes if wish.condition != "rest"])
        solved = np.zeros((int(wanted.sum()), kernels.N_FOUND))
        kernels.steady_states(p, lean, w, m, tasks[wanted], solved)
        found[wanted] = solved
    return tuple(
        _point(wish, row[0] == kernels.STEADY, float(row[3]), float(row[4]))
        for wish, row in zip(wishes, found, strict=True)
    )


def _point(wish: _Wish, steady: bool, velocity: float, thrust: float) -> Point:
    """Return the point of a wish, with what was found for it; nan where nothing was."""
    axis, position, condition, direction, corner = wish
    v = F = 0.0
    note = ""
    if condition == "null":
        F = thrust if steady else math.nan
    elif condition != "rest":
        # with the load's help the axis may move the other way: that is no point of this direction
        v = velocity if steady and velocity * direction > 0.0 else math.nan
    if condition == "rapid":
        asked = math.copysign(axis.file.reference.velocity, direction)
        if axis.file.reference.velocity == 0.0:
            note = f"the reference states no velocity: {v:.4g} m/s at full command"
        elif not abs(asked) > abs(v):
            v = asked
        else:
            note = (
                f"the reference asks for {asked:.4g} m/s; valve, supply and limit of the command "
                f"give {v:.4g} m/s"
            )
    return Point(axis, position, v, F, condition=condition, corner=corner, note=note)


def _wishes(
    axis: Axis,
    position: float,
    conditions: Sequence[str],
    directions: Sequence[float],
    corner: Mapping[str, float],
) -> list[_Wish]:
    unknown = [c for c in conditions if c not in CONDITIONS]
    if unknown:
        raise ParameterError(
            f"condition {', '.join(unknown)} is not known; choose among {', '.join(CONDITIONS)}"
        )
    return [
        _Wish(axis, position, condition, direction, corner)
        for condition in conditions
        for direction in (directions if condition in ("edge", "rapid") else (0.0,))
    ]


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
    return _points(_wishes(axis, position, conditions, directions, corner))


def envelope_ends(axis: Axis) -> dict[str, tuple[float, ...]]:
    """Return both ends of each range of the file's envelope, one of a range without width.

    Parameters
    ----------
    axis : Axis
        The axis.

    Returns
    -------
    dict of str to tuple of float
        Keys of the envelope and values [SI].
    """
    ranges = {key: getattr(axis.file.envelope, key) for key in CORNER_KEYS}
    return {key: (low,) if low == high else (low, high) for key, (low, high) in ranges.items()}


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
        If the axis contradicts itself in a corner.
    """
    ends, own = envelope_ends(axis), {}
    for key, path in CORNER_KEYS.items():
        table, name = path.split(".")
        own[key] = getattr(getattr(axis.file, table), name)
    found: list[tuple[Axis, Mapping[str, float]]] = [(axis, _NOTHING)] if middle else []
    for values in itertools.product(*ends.values()):
        corner = {k: v for k, v in zip(ends, values, strict=True) if v != own[k]}
        if corner or not middle:
            found.append((_in_corner(axis, corner), MappingProxyType(corner)))
    return tuple(found)


def cyclic_slope(point: Point) -> tuple[float, float]:
    """Return what the cyclic error of the scale adds to the slope of the reading at a point.

    Parameters
    ----------
    point : Point
        The point.

    Returns
    -------
    here, most : float
        ``2 pi e_c/lambda cos(2 pi x/lambda + phi)`` [-] there, and the most within a period; both
        zero in motion, which passes period after period.
    """
    t = point.axis.file.transducer
    if point.velocity != 0.0 or t.cyclic_error == 0.0:
        return 0.0, 0.0
    wave = 2.0 * math.pi / t.cyclic_period
    most = t.cyclic_error * wave
    return most * math.cos(wave * point.position + t.cyclic_phase), most


def corner_in_words(corner: Mapping[str, float]) -> str:
    """Return the values of a corner in words.

    Parameters
    ----------
    corner : mapping of str to float
        Keys of the envelope and values [SI]; others are left out.

    Returns
    -------
    str
        Such as "oil at 25 degC, supply 130 bar"; empty if nothing differs from the file.
    """
    known = [(CORNER_WORDS[key], value) for key, value in corner.items() if key in CORNER_WORDS]
    return ", ".join(f"{words} {shown(value, unit)}" for (words, unit), value in known)


def _in_corner(axis: Axis, corner: Mapping[str, float]) -> Axis:
    """Return the axis with the values of a corner; faults say that it is one."""
    try:
        return axis.replace({CORNER_KEYS[key]: value for key, value in corner.items()})
    except ParameterError as error:
        place = corner_in_words(corner)
        raise ParameterError(
            replace(fault, what=f"in a corner of [envelope] ({place}): {fault.what}")
            for fault in error.faults
        ) from None


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
    wishes: list[_Wish] = []
    for changed, corner in envelope_corners(axis):
        for position in np.linspace(0.0, axis.file.cylinder.stroke, positions).tolist():
            wishes += _wishes(changed, position, conditions, (1.0, -1.0), corner)
    return _points(wishes) if wishes else ()
