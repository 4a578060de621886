"""From one raw value of a file, a command line or a caller to its SI value, or a fault."""

from __future__ import annotations

import datetime
import math
import numbers
import re
from collections.abc import Iterable, Sequence
from difflib import get_close_matches
from typing import Any

from servosim import units
from servosim.errors import UnitError
from servosim.params._fields import Field, Range

_KINDS = {str: "the text", bool: "the switch", dict: "a table", list: "a list", tuple: "a list"}


class Wrong(Exception):
    """A value that cannot be used: what is wrong, what is expected, the nearest name."""

    def __init__(self, what: str, expected: str = "", nearest: str = "") -> None:
        super().__init__(what)
        self.what, self.expected, self.nearest = what, expected, nearest


def nearest(name: str, known: Iterable[str]) -> str:
    """Return the known name closest to one that is not known, or ""."""
    matches = get_close_matches(name[:60], list(known), n=1, cutoff=0.6)
    return matches[0] if matches else ""


def shown_name(name: object) -> str:
    """Return a key as it can stand on one line of a message."""
    text = str(name)
    return text if re.fullmatch(r"[A-Za-z0-9_.-]{1,60}", text) else shown(text)


def shown(raw: object) -> str:
    """Return a raw value as it can stand on one line of a message."""
    if isinstance(raw, bool):
        return str(raw).lower()
    if isinstance(raw, datetime.date | datetime.time):
        return raw.isoformat()
    try:
        text = repr(raw)
    except (ValueError, RecursionError):  # an integer or a nesting beyond what can be written
        return "the value"
    return text if len(text) <= 60 else text[:57] + "..."


def shown_kind(raw: object) -> str:
    """Return a raw value with the kind of thing it is."""
    if isinstance(raw, list | tuple | dict):
        return _KINDS.get(type(raw), "a list")
    if isinstance(raw, numbers.Real) and not isinstance(raw, bool):
        return f"the number {shown(raw)}"
    return f"{_KINDS.get(type(raw), 'the value')} {shown(raw)}"


def value_of(field: Field, raw: Any, *, strict: bool) -> Any:
    """Return the SI value of a raw one.

    Parameters
    ----------
    field : Field
        What the table states about the key.
    raw : object
        Value as read; texts carry units.
    strict : bool
        Whether it comes from a file, where a bare number has no unit; from a caller a bare number
        is an SI value.

    Returns
    -------
    float or int or str or bool or tuple or Range
        Value [SI unit of the field].

    Raises
    ------
    Wrong
        If the value cannot be used.
    """
    if raw is None and field.absent is None:
        return None
    if field.kind == "interval":
        return _interval(field, raw, strict)
    if not field.many:
        return _single(field, raw, strict)
    entries = _entries(field, raw)
    fewest, most = field.count
    if len(entries) < fewest or (most is not None and len(entries) > most):
        bounds = f"at least {fewest}" if most is None else f"{fewest} to {most}"
        raise Wrong(f"a list of {len(entries)} entries", f"{bounds} entries")
    values = []
    for index, entry in enumerate(entries, 1):
        try:
            values.append(_single(field, entry, strict))
        except Wrong as wrong:
            raise Wrong(f"entry {index}: {wrong.what}", wrong.expected) from None
    return tuple(values)


def _entries(field: Field, raw: Any) -> Sequence[Any]:
    raw = raw.tolist() if hasattr(raw, "tolist") else raw
    if not isinstance(raw, list | tuple):
        raise Wrong(f"{shown_kind(raw)} where a list is wanted", field.example)
    return raw


def _single(field: Field, raw: Any, strict: bool) -> Any:
    if field.kind == "choice":
        return _option(field, raw)
    if field.kind == "text":
        return _text(raw)
    if field.kind == "switch":
        if not isinstance(raw, bool):
            raise Wrong(f"{shown_kind(raw)} where a switch is wanted", "true or false")
        return raw
    if field.kind == "number":
        value = _number(field, raw)
    else:
        value = _quantity(field, raw, strict)
    if not field.admits(value):
        text = " ".join(raw.split()) if isinstance(raw, str) else field.show(value)
        raise Wrong(f"{text} is out of range", field.bounds)
    return value


def _quantity(field: Field, raw: Any, strict: bool) -> float:
    if isinstance(raw, str):
        try:
            return units.parse(raw, field.unit)
        except UnitError as error:
            raise Wrong(str(error)) from None
    if isinstance(raw, bool) or not isinstance(raw, numbers.Real):
        raise Wrong(f"{shown_kind(raw)} where a quantity is wanted", field.example)
    if strict and field.unit != "1":
        raise Wrong(f"{shown_kind(raw)} has no unit", f"a text with the unit, '{shown(raw)} "
                    f"{field.unit}' if that is what is meant")  # fmt: skip
    return _finite(field, raw)


def _finite(field: Field, raw: Any) -> float:
    try:
        value = float(raw) + 0.0  # no negative zero
    except OverflowError:
        value = math.inf
    if not math.isfinite(value):
        raise Wrong(f"{shown(raw)} is not finite", field.bounds)
    return value


def _number(field: Field, raw: Any) -> float | int:
    if isinstance(raw, bool) or not isinstance(raw, numbers.Real):
        raise Wrong(f"{shown_kind(raw)} where a number without unit is wanted", field.example)
    if not field.whole:
        return _finite(field, raw)
    if not isinstance(raw, numbers.Integral):
        raise Wrong(f"{shown(raw)} is not a whole number", field.example)
    if abs(int(raw)) >= 2**63:
        raise Wrong(f"{shown(raw)} is too large for a whole number", field.bounds)
    return int(raw)


def _option(field: Field, raw: Any) -> str:
    expected = "one of " + ", ".join(repr(option) for option in field.options)
    if not isinstance(raw, str):
        raise Wrong(f"{shown_kind(raw)} where a name is wanted", expected)
    if raw not in field.options:
        raise Wrong(f"unknown choice {shown(raw)}", expected, nearest(raw, field.options))
    return raw


def _text(raw: Any) -> str:
    if not isinstance(raw, str):
        raise Wrong(f"{shown_kind(raw)} where a text is wanted", 'a text in quotes, "..."')
    try:
        raw.encode()
    except UnicodeEncodeError:
        raise Wrong(f"{shown(raw)} has characters that cannot be written in a file") from None
    return raw


def _interval(field: Field, raw: Any, strict: bool) -> Range:
    entries = _entries(field, raw)
    if len(entries) != 2:
        raise Wrong(f"a list of {len(entries)} entries", f"two: lowest, highest; {field.example}")
    ends = []
    for entry, name in zip(entries, ("lowest", "highest"), strict=True):
        try:
            ends.append(_single(field, entry, strict))
        except Wrong as wrong:
            raise Wrong(f"{name}: {wrong.what}", wrong.expected) from None
    if ends[0] > ends[1]:
        raise Wrong(f"the lowest, {field.show(ends[0])}, is above the highest, "
                    f"{field.show(ends[1])}", "the lowest first")  # fmt: skip
    return Range(*ends)


def raw_of(field: Field, raw: Any, value: Any) -> Any:
    """Return what is written in a file for a value: the text it came from, or a new one.

    Parameters
    ----------
    field : Field
        What the table states about the key.
    raw : object
        Value it was read from.
    value : object
        The SI value of it.

    Returns
    -------
    str or int or float or bool or tuple
        As TOML holds it; a list as a tuple.
    """
    if value is None:
        return None
    if field.kind not in ("quantity", "interval", "number"):
        return value
    if field.many or field.kind == "interval":
        raws = raw.tolist() if hasattr(raw, "tolist") else raw
        return tuple(_raw_single(field, *pair) for pair in zip(raws, value, strict=True))
    return _raw_single(field, raw, value)


def _raw_single(field: Field, raw: Any, value: Any) -> Any:
    if isinstance(raw, str):
        return raw
    if field.kind == "number" or field.unit == "1":
        return int(value) if isinstance(raw, numbers.Integral) else value
    return units.format_quantity(value, field.unit)


def raw_from_text(field: Field, text: str) -> Any:
    """Return the raw value meant by a text of a command line, where nothing is quoted.

    Parameters
    ----------
    field : Field
        What the table states about the key.
    text : str
        Such as "25 1/s", "true", "3", or "800 kg, 1.2 t" for a list.

    Returns
    -------
    object
        A raw value; if the text makes no sense it is returned as it is, to be refused later.
    """
    if field.many or field.kind == "interval":
        return [_scalar_from_text(field, part) for part in text.strip(" []").split(",")]
    return _scalar_from_text(field, text)


def _scalar_from_text(field: Field, text: str) -> Any:
    if field.kind == "switch":
        return {"true": True, "false": False}.get(text.strip().lower(), text)
    if field.kind == "number":
        for kind in (int, float):
            try:
                return kind(text)
            except ValueError:
                continue
    if field.kind in ("quantity", "interval"):
        return text.strip(" \"'")
    return text
