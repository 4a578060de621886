"""What a table says about one of its keys: kind, unit, limits, when it is read."""

from __future__ import annotations

import json
import math
import types
from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import Enum
from functools import cached_property
from typing import Any, Final, Literal, NamedTuple, Union, get_args, get_origin

from pydantic.fields import FieldInfo

from servosim import units

Kind = Literal["quantity", "number", "choice", "text", "switch", "interval"]
Limit = str | float | None


class Missing(Enum):
    """Sign that no value was stated, where None is a value of its own."""

    MISSING = "missing"


MISSING: Final = Missing.MISSING
EXTRA_KEY = "servosim"


class Range(NamedTuple):
    """Lowest and highest value of an interval, in SI units."""

    low: float
    high: float


@dataclass(frozen=True)
class Field:
    """What a table says about one of its keys.

    Parameters
    ----------
    kind : str
        One of quantity, number, choice, text, switch, interval.
    doc : str
        Sentence for the user.
    unit : str
        Spelling of the unit for examples and for writing, or "".
    symbol : str
        Symbol in the equations, or "".
    low, high, above, below : str or float or None
        Limits as text with a unit or in SI units; `low` and `high` belong to the range.
    absent : object
        SI value when the key is left out, or `MISSING` if it may not be.
    when : tuple of (str, tuple)
        Keys of the same table and the values of them for which this key is read.
    unread : object
        Value of the attribute when the key is not read.
    many : bool
        Whether a list of values is wanted.
    count : tuple of int
        Fewest and most entries of a list; None for no bound.
    name : str
        The key.
    options : tuple of str
        Values of a choice.
    whole : bool
        Whether a number must be an integer.
    """

    kind: Kind
    doc: str
    unit: str = ""
    symbol: str = ""
    low: Limit = None
    high: Limit = None
    above: Limit = None
    below: Limit = None
    absent: Any = MISSING
    when: tuple[tuple[str, tuple[Any, ...]], ...] = ()
    unread: Any = MISSING
    many: bool = False
    count: tuple[int, int | None] = (1, None)
    name: str = ""
    options: tuple[str, ...] = ()
    whole: bool = False

    @cached_property
    def limits(self) -> dict[str, float]:
        """The stated limits in SI units [SI unit of the field]."""
        stated = {"low": self.low, "high": self.high, "above": self.above, "below": self.below}
        return {
            name: units.parse(limit, self.unit) if isinstance(limit, str) else float(limit)
            for name, limit in stated.items()
            if limit is not None
        }

    @property
    def neutral(self) -> Any:
        """Value of the attribute when the key is not read."""
        if self.unread is not MISSING:
            return self.unread
        if self.many:
            return ()
        if self.kind == "number":
            return 0 if self.whole else 0.0
        values = {"quantity": 0.0, "switch": False, "interval": Range(0.0, 0.0)}
        return values.get(self.kind, "")

    @property
    def required(self) -> bool:
        """Whether the key must be given wherever it is read."""
        return self.absent is MISSING

    @cached_property
    def _ends(self) -> tuple[float, float, float, float]:
        limits, no = self.limits, math.inf
        ends = limits.get("low", -no), limits.get("high", no)
        return *ends, limits.get("above", -no), limits.get("below", no)

    def admits(self, value: float) -> bool:
        """Return whether an SI value is within the limits."""
        low, high, above, below = self._ends
        return math.isfinite(value) and low <= value <= high and above < value < below

    def show(self, value: float) -> str:
        """Return an SI value as text in the unit of the field."""
        if self.kind == "number" and self.whole:
            return str(int(value))
        return units.format_quantity(value, self.unit or "1")

    @property
    def bounds(self) -> str:
        """The limits in words, or ""."""
        words = {"low": "at least", "above": "more than", "high": "at most", "below": "less than"}
        stated = {"low": self.low, "high": self.high, "above": self.above, "below": self.below}
        parts = []
        for name, word in words.items():
            if name in self.limits:
                limit = stated[name]
                text = limit if isinstance(limit, str) else self.show(self.limits[name])
                parts.append(f"{word} {text}")
        return " and ".join(parts)

    def examples(self) -> Iterator[float]:
        """Yield SI values to show as an example, likely ones first."""
        unit = self.unit or "1"
        for number in (10, 1, 0.1, 100, 1000, 0.01, 20, 5, 50, 1e-3, 1e4, 1e5, 1e6, -1, 0):
            yield units.parse(f"{number:g} {unit}", unit)
        bounds = [self.limits[name] for name in ("low", "above", "high", "below")
                  if name in self.limits]  # fmt: skip
        yield sum(bounds) / max(len(bounds), 1)
        yield from bounds

    @property
    def example(self) -> str:
        """An example of the value as it stands in a file."""
        if self.kind == "choice":
            return json.dumps(self.options[0])
        if self.kind == "text":
            return '"..."'
        if self.kind == "switch":
            return "true"
        value = next((value for value in self.examples() if self.admits(value)), 0.0)
        if self.kind == "number" and self.whole:
            value = math.ceil(value)
        text = self.show(value)
        if self.kind == "quantity" and self.unit != "1":
            text = json.dumps(text, ensure_ascii=False)
        if self.kind == "interval":
            text = json.dumps(text, ensure_ascii=False)
            return f"[{text}, {text}]"
        return f"[{', '.join([text] * max(self.count[0], 1))}]" if self.many else text


def without_none(annotation: Any) -> tuple[Any, bool]:
    """Return an annotation without None, and whether None was part of it."""
    if get_origin(annotation) in (Union, types.UnionType):
        rest = [part for part in get_args(annotation) if part is not type(None)]
        if len(rest) == 1 and len(get_args(annotation)) == 2:
            return rest[0], True
    return annotation, False


def stated_field(name: str, info: FieldInfo) -> Field | None:
    """Return what a class body states about a key, with what the annotation adds to it.

    Parameters
    ----------
    name : str
        The key.
    info : pydantic.fields.FieldInfo
        What pydantic collected about it.

    Returns
    -------
    Field or None
        None if the key was stated without one of the helpers and is no text.

    Raises
    ------
    TypeError
        If the annotation does not fit the helper: a mistake in the class, not in a file.
    """
    annotation, optional = without_none(info.annotation)
    extra = info.json_schema_extra
    field: Any = extra.get(EXTRA_KEY) if isinstance(extra, dict) else None
    if field is None:
        if annotation is not str:
            return None
        absent = MISSING if info.is_required() else info.default
        field = Field("text", info.description or "", absent=absent)
    if optional and field.absent is not None:
        raise TypeError(f"{name}: only a key with absent=None may be annotated with None")
    many = get_origin(annotation) is tuple
    element = get_args(annotation)[0] if many else annotation
    fits = {
        "quantity": element is float,
        "number": element in (int, float),
        "choice": get_origin(element) is Literal,
        "text": element is str,
        "switch": element is bool,
        "interval": element is Range,
    }[field.kind]
    if not fits or many != field.many:
        raise TypeError(f"{name}: the annotation {info.annotation} does not fit {field.kind}()")
    options = get_args(element) if field.kind == "choice" else ()
    return replace(field, name=name, options=options, whole=element is int)
