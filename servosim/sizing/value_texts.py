"""Values of a requirement as texts in the units of its file, rounded as far as a change needs."""

from __future__ import annotations

import math
import re
from typing import Any

from servosim._spellings import SPELLINGS
from servosim.params._tables import fields_of, given_of
from servosim.sizing.requirement import RequirementFile
from servosim.units import convert, group_of, parse


def rounded(value: float, unit: str, step: float, way: float) -> tuple[str, float]:
    """Return a value as a text, to no more digits than a step needs, and what the text says.

    Parameters
    ----------
    value : float
        The value [SI].
    unit : str
        Unit of the text.
    step : float
        Size of the change [SI]: the text is exact to half a per cent of it.
    way : float
        Above zero to round up, below zero down, zero to the nearest.

    Returns
    -------
    text : str
        With the unit.
    value : float
        What it says [SI].
    """
    factor = abs(convert(1.0, unit) - convert(0.0, unit))  # units of an SI unit
    number = convert(value, unit)
    size = max(0.005 * step * factor, 1e-12 * max(abs(number), 1e-6))
    digit = 10.0 ** math.floor(math.log10(size))
    raw = number / digit
    whole = math.ceil(raw - 1e-6) if way > 0 else math.floor(raw + 1e-6) if way < 0 else round(raw)
    places = max(0, -math.floor(math.log10(digit) + 0.5))
    text = f"{whole * digit:.{places}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    said = text if unit in ("1", "") else f"{text} {unit}"
    return said, parse(said, unit) if unit not in ("1", "") else float(text)


def text_of(value: float, unit: str) -> str:
    """Return a value of the file as a text, to six digits."""
    number = f"{float(f'{convert(value, unit):.6g}'):.12g}"
    return number if unit in ("1", "") else f"{number} {unit}"


def unit_of(requirement: RequirementFile, key: str) -> str:
    """Return the unit in which the file states a value."""
    table, name = key.split(".")
    held = getattr(requirement, table)
    kind: Any = type(held)
    unit = str(fields_of(kind)[name].unit or "1")
    given = given_of(held).get(name)
    first = given[0] if isinstance(given, tuple | list) and given else given
    if isinstance(first, str):
        match = re.fullmatch(r"\s*[-+0-9.eE]+\s*(.*?)\s*", first)
        if match and match[1] in SPELLINGS[group_of(unit)]:
            unit = match[1]
    return unit


def si_of(unit: str) -> str:
    """Return the SI unit of a unit."""
    return SPELLINGS[group_of(unit or "1")][0]


def is_whole(requirement: RequirementFile, key: str) -> bool:
    """Return whether a value of the file is a whole number."""
    table, name = key.split(".")
    kind: Any = type(getattr(requirement, table))
    return bool(fields_of(kind)[name].whole)


def raw_value(requirement: RequirementFile, key: str, text: str, value: float) -> Any:
    """Return what to hand to ``replace``: a text where the key has a unit, else the number."""
    table, name = key.split(".")
    kind: Any = type(getattr(requirement, table))
    field = fields_of(kind)[name]
    if field.kind == "number":
        return round(value) if field.whole else value
    return text
