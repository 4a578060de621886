"""What the demands of a requirement file show to be impossible, whatever parts are chosen."""

from __future__ import annotations

import math
from itertools import accumulate, pairwise
from typing import TYPE_CHECKING

from servosim._block_faults import shown
from servosim.errors import Fault, ParameterError
from servosim.motion import READS, closed_form
from servosim.program import Reference

if TYPE_CHECKING:
    from servosim.sizing.requirement import RequirementFile

_NO_MOVE = 1e-9  # m; sums of decimal texts leave less
_QUICK = 1e6  # 1/s, velocity gain of a loop that costs no time


def fault(table: str, key: str, what: str, expected: str) -> Fault:
    """Return a fault without its file, which the reader adds."""
    return Fault(table=table, key=key, what=what, expected=expected)


def quickest(reference: Reference, distance: float, window: float) -> float:
    """Return the time of a move with an infinitely quick loop.

    Parameters
    ----------
    reference : Reference
        Any but a step.
    distance : float
        Its length [m].
    window : float
        Half width of the window [m], which the references over the distance read.

    Returns
    -------
    float
        Time from the start to the end of the reference, or to the window [s]; infinite if the
        stages of a staged reference end outside the window.

    Raises
    ------
    ParameterError
        If the values of the reference contradict each other.
    """
    known = {"velocity_gain": _QUICK, "window": window}
    values = {
        name: known[name] if name in known else getattr(reference, name)
        for name in READS[reference.kind]
    }
    return closed_form(reference.kind, distance, **values).move_time


def _pattern_faults(f: RequirementFile) -> list[Fault]:
    """Return the moves that have no length, leave the travel, or are shorter than the window."""
    work, found = f.work, []
    places = [*accumulate(work.distances, initial=work.start), work.start]
    if work.start > work.stroke + _NO_MOVE:
        found.append(
            fault(
                "work",
                "start",
                f"{shown(work.start, 'mm')} is {shown(work.start - work.stroke, 'mm')} beyond "
                "the table's travel",
                f"0 mm to the stroke, {shown(work.stroke, 'mm')}",
            )
        )
    for number, (distance, place) in enumerate(
        zip(work.distances, places[1:-1], strict=True), start=1
    ):
        beyond = max(place - work.stroke, -place)
        if abs(distance) <= _NO_MOVE:
            found.append(
                fault("work", "distances", f"move {number} has no length", "moves other than 0 mm")
            )
        elif beyond > _NO_MOVE and not found:
            low, high = min(places), max(places)
            found.append(
                fault(
                    "work",
                    "distances",
                    f"move {number} of {shown(distance, 'mm')} ends at {shown(place, 'mm')}, "
                    f"{shown(beyond, 'mm')} outside the table's travel of "
                    f"{shown(work.stroke, 'mm')}",
                    f"a pattern within 0 mm to {shown(work.stroke, 'mm')}: it takes "
                    f"{shown(high - low, 'mm')}"
                    + (
                        f", which fits with start = {shown(work.start - low, 'mm')}"
                        if high - low <= work.stroke + _NO_MOVE
                        else f", a stroke of at least {shown(high - low, 'mm')}"
                    ),
                )
            )
    lengths = [abs(b - a) for a, b in pairwise(places)]
    lengths = [one for one in lengths if one > _NO_MOVE]
    shortest = min(lengths, default=math.inf)
    if f.accuracy.half_width >= shortest:
        found.append(
            fault(
                "accuracy",
                "half_width",
                f"{shown(f.accuracy.half_width, 'um')} lets the shortest move of "
                f"{shown(shortest, 'mm')} end where it starts",
                f"less than {shown(shortest, 'mm')}, or longer moves in work.distances",
            )
        )
    return found


def _reference_faults(f: RequirementFile) -> list[Fault]:
    """Return what keeps the reference from ending in time, if nothing else does."""
    r, accuracy = f.reference, f.accuracy
    if r.kind == "step":
        return [
            fault(
                "reference",
                "kind",
                "a step states neither velocity nor acceleration to size parts from",
                "one of " + ", ".join(repr(kind) for kind in READS if kind != "step"),
            )
        ]
    if r.kind == "staged":
        if r.creep_velocity > r.velocity:
            return [
                fault(
                    "reference",
                    "creep_velocity",
                    f"{shown(r.creep_velocity, 'mm/s')} is more than the rapid velocity",
                    f"at most {shown(r.velocity, 'mm/s')}",
                )
            ]
        if r.stop_distance > r.creep_distance:
            return [
                fault(
                    "reference",
                    "stop_distance",
                    f"{shown(r.stop_distance, 'mm')} is more than creep_distance",
                    f"at most {shown(r.creep_distance, 'mm')}",
                )
            ]
    longest = f.longest_move
    if longest <= _NO_MOVE:
        return []
    try:
        least = quickest(r, longest, accuracy.half_width)
    except ParameterError as error:
        return [
            Fault(table="reference", key=one.key, what=one.what, expected=one.expected)
            for one in error.faults
        ]
    if math.isinf(least):
        return [
            fault(
                "accuracy",
                "half_width",
                f"{shown(accuracy.half_width, 'um')}: the stages of the reference end outside it",
                "stages that end inside: another reference.stop_distance",
            )
        ]
    if accuracy.settling_time > least:
        return []
    return [
        fault(
            "accuracy",
            "settling_time",
            f"{shown(accuracy.settling_time, 's')} end {shown(least - accuracy.settling_time, 's')}"
            f" before the reference itself of the longest move of {shown(longest, 'mm')} does",
            f"more than {shown(least, 's')}"
            + (
                f", or reference.velocity above {shown(faster, 'mm/s')}"
                if (faster := _velocity_for(f, longest)) < math.inf
                else ", or more acceleration and deceleration: no velocity is high enough"
            ),
        )
    ]


def _velocity_for(f: RequirementFile, distance: float) -> float:
    """Return the rapid velocity whose reference ends in the settling time, infinite if none [m/s].

    By halving: the time of a reference never grows with its rapid velocity.
    """
    wanted, low, high = f.accuracy.settling_time, f.reference.velocity, 10.0

    def late(velocity: float) -> bool:
        faster = f.reference.replace(velocity=velocity)
        return quickest(faster, distance, f.accuracy.half_width) >= wanted

    if late(high):
        return math.inf
    while high > low * (1.0 + 1e-6):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if late(middle) else (low, middle)
    return high


def _held_faults(f: RequirementFile) -> list[Fault]:
    """Return what does not fit into the time that the table is held."""
    thrust, hold = f.thrust, f.accuracy.hold_time
    needed = thrust.delay + 2.0 * thrust.ramp + thrust.feed_time
    if thrust.mode != "locked" or needed <= hold * (1.0 + 1e-9):
        return []
    return [
        fault(
            "accuracy",
            "hold_time",
            f"{shown(hold, 's')} end {shown(needed - hold, 's')} before the thrust on the held "
            "table does",
            f"at least {shown(needed, 's')}: delay, feed_time and twice the ramp of [thrust]",
        )
    ]


def _condition_faults(f: RequirementFile) -> list[Fault]:
    """Return temperatures and nominal values outside the ranges that are asked for."""
    c, found = f.conditions, []
    for key, value, unit, where in (
        ("workpiece_mass", f.table.workpiece_mass, "kg", ("table", "workpiece_mass")),
        ("temperature", f.oil.temperature, "degC", ("oil", "temperature")),
        ("free_air", f.oil.free_air, "%", ("oil", "free_air")),
    ):
        low, high = getattr(c, key)
        if not low <= value <= high:
            found.append(
                fault(
                    *where,
                    f"{shown(value, unit)} is outside conditions.{key}",
                    f"{shown(low, unit)} to {shown(high, unit)}",
                )
            )
    if c.coldest_start > c.temperature.low:
        found.append(
            fault(
                "conditions",
                "coldest_start",
                f"{shown(c.coldest_start, 'degC')} is warmer than the coldest oil at work",
                f"at most {shown(c.temperature.low, 'degC')}",
            )
        )
    return found


def asked_faults(f: RequirementFile) -> list[Fault]:
    """Return what the demands alone make impossible.

    Parameters
    ----------
    f : RequirementFile
        Whose tables are sound by themselves.

    Returns
    -------
    list of Fault
        Empty if nothing contradicts.
    """
    return [
        *_pattern_faults(f),
        *_reference_faults(f),
        *_held_faults(f),
        *_condition_faults(f),
    ]
