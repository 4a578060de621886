"""The moves with which gains are tried: corners of the envelope, places on the stroke, seeds.

A search needs many moves, so they are made short: the table starts just so far from the target that
it comes to its full velocity, nothing locks it, and the run ends when it has rested for long. What
the table does at the target is the same; the file's own move is the judge at the end.

A corner is a machine whose oil, pressure or workpiece is not the file's, while the numbers in its
controller are: gains are divided by the velocity gain of the file, not of the corner.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np

from servosim.axis import Axis
from servosim.errors import ParameterError
from servosim.linear.points import CORNER_KEYS, envelope_ends
from servosim.motion import Schedule, closed_form
from servosim.motion._values import READS
from servosim.tuning.demands import Demands
from servosim.units import convert, format_quantity

_WORDS = {  # key of the envelope: unit to show, words
    "workpiece_mass": ("kg", "workpiece"),
    "temperature": ("degC", "oil"),
    "free_air": ("%", "air"),
    "supply_pressure": ("bar", "supply"),
}
_CLEAR = 0.04  # of the stroke, left free at its ends
_FADED = 7.0  # time constants of the loop in which the start is forgotten
_REST = 20.0  # time constants of the loop in which the table rests
_LONGEST_REST = 2.5  # s
_NOTHING: Mapping[str, float] = MappingProxyType({})


@dataclass(frozen=True)
class Place:
    """Where a move goes.

    Attributes
    ----------
    start, target : float
        Positions [m].
    """

    start: float
    target: float

    @property
    def words(self) -> str:
        """The way in words."""
        a, b = (format_quantity(round(x, 6), "mm") for x in (self.start, self.target))
        return f"{a} to {b}"


@dataclass(frozen=True)
class Case:
    """One machine of the envelope and one way that it goes.

    Attributes
    ----------
    corner : mapping of str to float
        Keys of the envelope and their values [SI]; empty for the file's own.
    place : Place
        Where it goes.
    """

    corner: Mapping[str, float]
    place: Place

    @property
    def words(self) -> str:
        """The case in words."""
        return f"{corner_words(self.corner)}, {self.place.words}"

    @property
    def changes(self) -> dict[str, float]:
        """Keys of the file that make the corner [SI]."""
        return {CORNER_KEYS[key]: value for key, value in self.corner.items()}


def corner_words(corner: Mapping[str, float]) -> str:
    """Return a corner of the envelope in words."""
    parts = []
    for key, value in corner.items():
        unit, words = _WORDS[key]
        parts.append(f"{words} {shown(value, unit)}")
    return ", ".join(parts) or "the file's own values"


def shown(value: float, unit: str, digits: int = 3) -> str:
    """Return an SI value for people, with so many digits and a unit."""
    if not math.isfinite(value):
        return "not known"
    number = float(f"{convert(value, unit):.{digits}g}")
    return f"{number:g} {unit}" if unit != "1" else f"{number:g}"


def corners(axis: Axis) -> Sequence[Mapping[str, float]]:
    """Return the corners of the file's envelope; ranges without width don't double them."""
    ends = envelope_ends(axis)
    return [
        MappingProxyType(dict(zip(ends, values, strict=True)))
        for values in itertools.product(*ends.values())
    ]


def sound_corners(axis: Axis) -> tuple[Sequence[Mapping[str, float]], list[str]]:
    """Return the corners in which the axis exists, and a sentence on each of the others.

    Parameters
    ----------
    axis : Axis
        The axis.

    Returns
    -------
    corners : sequence of mapping of str to float
        Those that the file admits; the file's own values if it admits none.
    faults : list of str
        What contradicts itself in the others.
    """
    found, faults = [], []
    for corner in corners(axis):
        try:
            axis.replace({CORNER_KEYS[key]: value for key, value in corner.items()})
        except ParameterError as error:
            reason = str(error).splitlines()[0]
            faults.append(f"the envelope contradicts itself with {corner_words(corner)}: {reason}")
        else:
            found.append(corner)
    return found or [MappingProxyType({})], faults


def within(axis: Axis, count: int, seed: int) -> Sequence[Mapping[str, float]]:
    """Return machines drawn at random, evenly, from inside the envelope."""
    rng = np.random.default_rng([seed, 77])
    drawn = rng.random((count, len(CORNER_KEYS)))
    found = []
    for row in drawn:
        corner = {}
        for key, share in zip(CORNER_KEYS, row, strict=True):
            low, high = getattr(axis.file.envelope, key)
            corner[key] = low + share * (high - low)
        found.append(MappingProxyType(corner))
    return found


def schedule_of(axis: Axis, travel: float, slowest: float = 1.0) -> Schedule:
    """Return the closed forms of the file's reference over a travel.

    Parameters
    ----------
    axis : Axis
        The axis.
    travel : float
        Length of the move [m].
    slowest : float
        Deceleration over the file's [-].

    Returns
    -------
    Schedule
        Times and distances of an axis that follows ideally.
    """
    f = axis.file
    values = {
        "velocity_gain": f.controller.velocity_gain,
        "window": f.window.half_width,
        "deceleration": f.reference.deceleration * slowest,
    }
    reads = READS[f.reference.kind]
    given = {key: values.get(key, getattr(f.reference, key, 0.0)) for key in reads}
    return closed_form(f.reference.kind, travel, **given)


def approach(axis: Axis, slowest: float = 1.0) -> float:
    """Return the distance from the target at which a short move starts [m].

    Parameters
    ----------
    axis : Axis
        The axis.
    slowest : float
        Least deceleration that is tried over the file's [-].

    Returns
    -------
    float
        The length of the file's own move if a shorter one would not reach the velocity.
    """
    f = axis.file
    r, whole = f.reference, abs(f.move.target - f.move.start)
    if r.kind == "step":
        return whole
    up = 0.5 * r.velocity * (r.velocity / r.acceleration)
    if r.kind == "s_curve":
        up += 0.5 * r.velocity * r.acceleration / r.jerk
    need = 1.05 * (up + schedule_of(axis, whole, slowest).stop.distance)
    need += r.velocity * max(_FADED / f.controller.velocity_gain, 0.05)
    return need if need < 0.75 * whole else whole


def _duration(axis: Axis, distance: float, slowest: float) -> float:
    """Return a time in which the axis has gone a distance and rested for long [s]."""
    f = axis.file
    rest = min(max(_REST / f.controller.velocity_gain, 0.4), _LONGEST_REST)
    if f.lock.trigger == "window_dwell":
        rest = max(rest, f.lock.dwell + 0.1)
    time = schedule_of(axis, distance, slowest).move_time
    return rest + (time if math.isfinite(time) else f.move.duration)


def short_axis(axis: Axis, slowest: float = 1.0) -> Axis:
    """Return an axis for short moves: nothing locks or pushes, the run ends after a long rest.

    Parameters
    ----------
    axis : Axis
        The axis.
    slowest : float
        Least deceleration that is tried over the file's [-].

    Returns
    -------
    Axis
        The axis, its move of the short length.
    """
    changes: dict[str, Any] = {"thrust.mode": "none"}
    if axis.file.lock.brake != "none":
        changes["lock.brake"] = "none"
    if axis.file.lock.kind != "none":
        changes["lock.kind"] = "none"
    distance = approach(axis, slowest)
    changes["move.duration"] = math.ceil(100.0 * _duration(axis, distance, slowest)) / 100.0
    return axis.replace(changes)


def reach(axis: Axis, demands: Demands) -> tuple[float, float]:
    """Return the positions between which moves are tried, clear of the ends of the stroke [m]."""
    stroke = axis.file.cylinder.stroke
    low, high = demands.stroke or (0.0, stroke)
    m = axis.file.move
    clear = _CLEAR * stroke
    low, high = max(low, clear), min(high, stroke - clear)
    return min(low, m.start, m.target), max(high, m.start, m.target)


def places(axis: Axis, demands: Demands, *, ends: bool, distance: float) -> list[Place]:
    """Return where the moves go: to the file's target, back to its start, to the ends.

    Parameters
    ----------
    axis : Axis
        The axis.
    demands : Demands
        Tells whether both directions count.
    ends : bool
        Whether the ends of the stroke are among them.
    distance : float
        Length of the moves [m].

    Returns
    -------
    list of Place
        One or two for the file's move, two for the ends.
    """
    m = axis.file.move
    way = math.copysign(1.0, m.target - m.start)
    found = [Place(m.target - way * distance, m.target)]
    if demands.directions == "both":
        found.append(Place(m.start + way * distance, m.start))
    if not ends:
        return found
    low, high = reach(axis, demands)
    run = min(distance, high - low)
    if demands.directions == "both":
        more = [Place(low + run, low), Place(high - run, high)]
    elif way > 0.0:
        more = [Place(low, low + run), Place(high - run, high)]
    else:
        more = [Place(low + run, low), Place(high, high - run)]
    return found + [one for one in more if not any(_same(one, other) for other in found)]


def _same(a: Place, b: Place) -> bool:
    """Tell whether two places are the same but for rounding."""
    return max(abs(a.start - b.start), abs(a.target - b.target)) < 1e-9


def envelope_cases(
    axis: Axis, demands: Demands, *, ends: bool = True, slowest: float = 1.0
) -> list[Case]:
    """Return all cases: every corner of the envelope and every place.

    Parameters
    ----------
    axis : Axis
        The axis.
    demands : Demands
        Tells whether both directions count.
    ends : bool
        Whether the ends of the stroke are among them.
    slowest : float
        Least deceleration that is tried over the file's [-].

    Returns
    -------
    list of Case
        Corner by corner.
    """
    found = places(axis, demands, ends=ends, distance=approach(axis, slowest))
    return [Case(corner, place) for corner in sound_corners(axis)[0] for place in found]


def random_cases(
    axis: Axis, demands: Demands, count: int, seed: int, *, slowest: float = 1.0
) -> list[Case]:
    """Return cases drawn at random: machines inside the envelope, places within the stroke.

    Parameters
    ----------
    axis : Axis
        The axis.
    demands : Demands
        Tells whether both directions count.
    count, seed : int
        How many, and the seed of the draw.
    slowest : float
        Least deceleration that is tried over the file's [-].

    Returns
    -------
    list of Case
        The cases.
    """
    rng = np.random.default_rng([seed, 78])
    m = axis.file.move
    low, high = reach(axis, demands)
    run = min(approach(axis, slowest), high - low)
    found: list[Case] = []
    if sound_corners(axis)[1]:
        return []  # between impossible corners nothing is sure to exist
    for corner in within(axis, count, seed):
        way = math.copysign(1.0, m.target - m.start)
        share, turn = rng.random(2)
        if demands.directions == "both" and turn < 0.5:
            way = -way
        start = low + share * (high - low - run)
        start, target = (start, start + run) if way > 0.0 else (start + run, start)
        found.append(Case(corner, Place(start, target)))
    return found


def file_cases(axis: Axis, demands: Demands) -> list[Case]:
    """Return the file's own move in every corner, and back if both directions count."""
    m = axis.file.move
    found = [Place(m.start, m.target)]
    if demands.directions == "both":
        found.append(Place(m.target, m.start))
    return [Case(corner, place) for corner in sound_corners(axis)[0] for place in found]
