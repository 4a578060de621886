"""Limits that the figures of a move must keep to."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from servosim import units
from servosim.errors import Fault, ParameterError, UnitError
from servosim.params._values import nearest, shown, shown_name

_EXPECTED = '{low = "...", high = "..."}, one of them or both'


@dataclass(frozen=True)
class Limit:
    """What a figure must keep to; both ends pass.

    Parameters
    ----------
    low, high : float, optional
        Lowest and highest value that passes [SI unit of the figure].
    """

    low: float = -math.inf
    high: float = math.inf


def limits_of(stated: Mapping[str, Any] | None, *, strict: bool = False) -> dict[str, Limit]:
    """Return limits in SI units.

    Parameters
    ----------
    stated : mapping of str to object or None
        By name of the figure a :class:`Limit`, a mapping with ``low`` and ``high`` or a pair
        (low, high); texts with a unit or SI values, None for an open end.
    strict : bool
        Whether they come from a file, where a bare number has no unit.

    Returns
    -------
    dict of str to Limit
        In SI units.

    Raises
    ------
    ParameterError
        With every fault found.
    """
    from servosim._definitions import DEFINITIONS

    faults: list[Fault] = []
    found = {}
    if not isinstance(stated, Mapping | None):
        raise ParameterError(Fault("", "limits", "", f"{shown(stated)} is no table of figures"))
    for name, raw in (stated or {}).items():
        key = shown_name(name)
        if name not in DEFINITIONS:
            close = nearest(str(name), DEFINITIONS)
            expected = "" if close else f"one of {', '.join(DEFINITIONS)}"
            faults.append(Fault("", "limits", key, "unknown figure", expected, close))
            continue
        try:
            found[name] = _limit(raw, DEFINITIONS[name][0], strict)
        except ValueError as error:
            faults.append(Fault("", "limits", key, str(error), _EXPECTED))
    if faults:
        raise ParameterError(faults)
    return found


def _limit(raw: Any, unit: str, strict: bool) -> Limit:
    """Return one limit; a ValueError says what is wrong with it."""
    if isinstance(raw, Limit):
        raw = {"low": raw.low, "high": raw.high}
    elif isinstance(raw, tuple | list) and len(raw) == 2:
        raw = dict(zip(("low", "high"), raw, strict=True))
    if not isinstance(raw, Mapping) or not raw or not set(raw) <= {"low", "high"}:
        raise ValueError(f"{shown(raw)} is no limit")
    ends = {"low": -math.inf, "high": math.inf}
    for end, value in raw.items():
        if value is not None:
            ends[end] = _end(value, unit, strict)
    for end, number in ends.items():
        if math.isnan(number):
            raise ValueError(f"the {end} end is not a number")
    if not ends["low"] <= ends["high"]:
        raise ValueError(f"the low end {ends['low']:g} {unit} is above the high end "
                         f"{ends['high']:g} {unit}")  # fmt: skip
    if ends == {"low": -math.inf, "high": math.inf}:
        raise ValueError("both ends are open, so that every figure keeps to it")
    if ends["low"] == math.inf or ends["high"] == -math.inf:
        raise ValueError("no figure can keep to it")
    return Limit(**ends)


def _end(value: Any, unit: str, strict: bool) -> float:
    if isinstance(value, str):
        try:
            return units.parse(value, unit)
        except UnitError as error:
            raise ValueError(str(error)) from None
    if isinstance(value, bool) or not hasattr(value, "__float__"):
        raise ValueError(f"{shown(value)} is no quantity")
    if strict and unit != "1":
        raise ValueError(f"the number {shown(value)} has no unit")
    return float(value)
