"""The values that each kind of reference reads, and their checks."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from difflib import get_close_matches
from types import MappingProxyType

from servosim.errors import Fault, ParameterError

READS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "step": (),
        "trapezoid": ("velocity", "acceleration", "deceleration"),
        "s_curve": ("velocity", "acceleration", "deceleration", "jerk"),
        "staged": (
            "velocity",
            "acceleration",
            "deceleration",
            "creep_velocity",
            "creep_distance",
            "stop_distance",
            "window",
        ),
        "exponential": ("velocity", "acceleration", "velocity_gain", "window"),
        "square_root": ("velocity", "acceleration", "deceleration", "velocity_gain", "window"),
    }
)
"""The kinds of reference and the values that the closed forms of each read."""


_UNITS = {
    "start": "m",
    "target": "m",
    "t_start": "s",
    "travel": "m",
    "velocity": "m/s",
    "acceleration": "m/s2",
    "deceleration": "m/s2",
    "jerk": "m/s3",
    "velocity_gain": "1/s",
    "creep_velocity": "m/s",
    "creep_distance": "m",
    "stop_distance": "m",
    "window": "m",
}


def _nearest(name: object, known: Iterable[str]) -> str:
    return "".join(get_close_matches(str(name), list(known), 1))


def _number(value: object) -> float:
    try:
        return float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return math.nan


def check_finite(kind: str, **values: float) -> None:
    faults = [
        Fault(
            key=name,
            what=f"{value!r} {_UNITS[name]} of the {kind} reference",
            expected="a finite number",
        )
        for name, value in values.items()
        if not math.isfinite(_number(value))
    ]
    if faults:
        raise ParameterError(faults)


def check_kind(kind: str) -> None:
    if kind not in READS:
        what, expected = f"{kind!r} is no kind of reference", "one of " + ", ".join(READS)
        raise ParameterError(Fault(what=what, expected=expected, nearest=_nearest(kind, READS)))


def checked(kind: str, names: Iterable[str], given: Mapping[str, float]) -> dict[str, float]:
    """Return the named values in order, or raise with every fault found."""
    names = tuple(names)
    faults = []
    for name in given:
        if name not in names:
            nearest = "" if name in _UNITS else _nearest(name, names)
            expected = "only " + (", ".join(names) or "the travel")
            faults.append(
                Fault("", "", name, f"not read by the {kind} reference", expected, nearest)
            )
    values = {}
    for name in names:
        unit, least = _UNITS[name], "at least" if name == "stop_distance" else "more than"
        expected = f"a finite number, {least} 0 {unit}"
        if name not in given:
            faults.append(
                Fault(key=name, what=f"missing for the {kind} reference", expected=expected)
            )
            continue
        values[name] = value = _number(given[name])
        good = value >= 0.0 if name == "stop_distance" else value > 0.0
        no_ramp = name == "acceleration" and kind in ("staged", "exponential", "square_root")
        if not good or (math.isinf(value) and not no_ramp):
            what = f"{given[name]!r} {unit} is out of range for the {kind} reference"
            faults.append(Fault(key=name, what=what, expected=expected))
    for name, limit in (("creep_velocity", "velocity"), ("stop_distance", "creep_distance")):
        if not faults and name in names and values[name] > values[limit]:
            what = f"{values[name]!r} {_UNITS[name]} is more than {limit}"
            faults.append(Fault("", "", name, what, f"at most {values[limit]!r} {_UNITS[limit]}"))
    if faults:
        raise ParameterError(faults)
    return values
