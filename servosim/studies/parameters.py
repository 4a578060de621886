"""One key of the parameter file that a study varies: its field, and values for it."""

from __future__ import annotations

import numbers
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np

from servosim import units
from servosim.errors import Fault, ParameterError, UnitError
from servosim.params import Field, fields_of, get, places_of, shown_value
from servosim.params._values import Wrong, raw_from_text, shown_kind, value_of

if TYPE_CHECKING:
    from servosim.document import AxisFile

_KINDS = {"text": "a text", "interval": "a range"}


@dataclass(frozen=True)
class Parameter:
    """One key that a study varies.

    Attributes
    ----------
    path : str
        Its place in the parameter file, "table.key".
    field : Field
        What the table states about it.
    """

    path: str
    field: Field

    @property
    def is_choice(self) -> bool:
        """Whether its values are names or switches and no numbers."""
        return self.field.kind in ("choice", "switch")

    @property
    def spelling(self) -> str:
        """Unit in which its values are shown, "1" for plain numbers, "" for names."""
        return "" if self.is_choice else self.field.unit or "1"

    @property
    def unit(self) -> str:
        """SI unit of its values, "" for names."""
        return "" if self.is_choice else units.si_unit(self.spelling)

    @property
    def difference(self) -> str:
        """Unit of a difference of two values: "K" for temperatures."""
        return "K" if units.group_of(self.spelling) == "temperature" else self.spelling

    @property
    def quantity(self) -> str:
        """What its values measure, such as "pressure"; "" for names."""
        return "" if self.is_choice else units.group_of(self.spelling)

    def fault(self, what: str, expected: str = "", nearest: str = "") -> Fault:
        """Return a fault at the place of the parameter."""
        table, _, key = self.path.partition(".")
        return Fault("", table, key, what, expected, nearest)

    def value(self, raw: Any, *, strict: bool = False, bounded: bool = True) -> float | str:
        """Return the SI value of a raw one, or its name.

        Parameters
        ----------
        raw : object
            Text with a unit, SI number, name or switch.
        strict : bool
            Whether it comes from a file, where a bare number has no unit.
        bounded : bool
            Whether it must be within the limits of the field.

        Returns
        -------
        float or str
            Number [SI unit of the field], or the name of a choice; a switch as "true" or "false".

        Raises
        ------
        ParameterError
            If the value cannot be used.
        """
        field = self.field
        if isinstance(raw, np.generic):
            raw = raw.item()
        if field.whole and isinstance(raw, float) and raw.is_integer():
            raw = int(raw)
        if isinstance(raw, str):
            raw = raw_from_text(field, raw)
        try:
            if bounded or self.is_choice:
                value = value_of(field, raw, strict=strict)
            else:
                value = self.number(raw, self.spelling, strict=strict)
        except Wrong as wrong:
            raise ParameterError(self.fault(wrong.what, wrong.expected, wrong.nearest)) from None
        if field.kind == "switch":
            return "true" if value else "false"
        return value if isinstance(value, str) else float(value)

    def number(self, raw: Any, unit: str, *, strict: bool = False) -> float:
        """Return the SI value of a text with a unit or of an SI number, without any limits.

        Parameters
        ----------
        raw : object
            Text with a unit, or number.
        unit : str
            Any spelling of the dimension wanted.
        strict : bool
            Whether it comes from a file, where a bare number has no unit.

        Returns
        -------
        float
            Value [SI unit].

        Raises
        ------
        ParameterError
            If it is no such value.
        """
        if isinstance(raw, str):
            try:
                return units.parse(raw, unit)
            except UnitError as error:
                raise ParameterError(self.fault(str(error))) from None
        if isinstance(raw, bool) or not isinstance(raw, numbers.Real):
            raise ParameterError(self.fault(f"{shown_kind(raw)} where a quantity is wanted"))
        if strict and unit != "1":
            what = f"{shown_kind(raw)} has no unit"
            raise ParameterError(self.fault(what, f"a text with the unit, such as '{raw} {unit}'"))
        value = float(raw) + 0.0
        if not np.isfinite(value):
            raise ParameterError(self.fault(f"{raw} is not finite"))
        return value

    def given(self, value: float | str) -> Any:
        """Return a value as :meth:`servosim.Axis.replace` takes it."""
        if isinstance(value, str):
            return value
        is_whole = self.field.whole and float(value).is_integer()
        return int(value) if is_whole else float(value)

    def show(self, value: float | str) -> str:
        """Return a value as text with the unit of the field."""
        if isinstance(value, str):
            return value
        if not np.isfinite(value):
            return f"{value} {self.unit}"
        return self.field.show(value)


@cache
def field_of(path: str) -> Field:
    """Return what the parameter file states about a path that is known.

    Parameters
    ----------
    path : str
        "table.key".

    Returns
    -------
    Field
        The statement.
    """
    from servosim.document import AxisFile

    table, _, key = path.partition(".")
    return fields_of(places_of(AxisFile)[table].kind)[key]


def parameter_of(file: AxisFile, path: Any) -> Parameter:
    """Return the parameter at a path.

    Parameters
    ----------
    file : AxisFile
        The parameter file that is varied.
    path : str
        "table.key".

    Returns
    -------
    Parameter
        Path and field.

    Raises
    ------
    ParameterError
        If there is no such key, or a study cannot vary it.
    """
    if not isinstance(path, str):
        what = f"{path!r} is no name of a parameter"
        raise ParameterError(Fault(what=what, expected="a text such as 'valve.rated_flow'"))
    path = path.strip()
    get(file, path)  # refuses unknown names with the nearest one
    table, _, key = path.partition(".")
    if not key:
        what = "a table or text of the whole file" if table in places_of(type(file)) else "a text"
        fault = Fault("", table, "", f"{what} cannot be varied", "a key, such as valve.rated_flow")
        raise ParameterError(fault)
    found = Parameter(path, field_of(path))
    kind = _KINDS.get(found.field.kind, "a list" if found.field.many else "")
    if kind:
        raise ParameterError(found.fault(f"{kind} cannot be varied", "a number, name or switch"))
    return found


def base_value(file: AxisFile, found: Parameter) -> float | str | None:
    """Return the value of a parameter in the file itself.

    Parameters
    ----------
    file : AxisFile
        The parameter file that is varied.
    found : Parameter
        Where to look.

    Returns
    -------
    float or str or None
        Value [SI unit of the field] or name; None if the file does not read or hold it.
    """
    table, _, key = found.path.partition(".")
    value = get(file, found.path)
    if value is None or shown_value(getattr(file, table), key) == "not read":
        return None
    if found.field.kind == "switch":
        return "true" if value else "false"
    return value if isinstance(value, str) else float(value)
