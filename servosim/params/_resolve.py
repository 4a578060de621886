"""From the raw keys of a table to its SI values, collecting every fault on the way."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import Any

from servosim.errors import Fault
from servosim.params._fields import Field
from servosim.params._values import Wrong, nearest, raw_of, shown, shown_kind, shown_name, value_of

_MOST_UNKNOWN = 20


@dataclass
class Resolved:
    """The outcome for one table: SI values, what to write in a file, what is not read."""

    values: dict[str, Any] = field(default_factory=dict)
    given: dict[str, Any] = field(default_factory=dict)
    unread: list[str] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)


class _Unknown:
    """Sign that a choice is missing or wrong, so that what hangs on it is open."""


_UNKNOWN = _Unknown()


class Activity:
    """Which keys of a table are read, given the choices made in it.

    Parameters
    ----------
    fields : mapping of str to Field
        What the table states.
    data : mapping of str to object
        Its raw values.
    strict : bool
        Whether the values come from a file.
    """

    def __init__(self, fields: Mapping[str, Field], data: Mapping[str, Any], strict: bool) -> None:
        self._fields, self._data, self._strict = fields, data, strict
        self._controls: dict[str, Any] = {}

    def _control(self, key: str) -> Any:
        if key not in self._controls:
            self._controls[key] = self._control_value(self._fields[key])
        return self._controls[key]

    def _control_value(self, field: Field) -> Any:
        is_read = self.is_read(field)
        if is_read is None:
            return _UNKNOWN
        if not is_read:
            return field.neutral
        if field.name not in self._data:
            return _UNKNOWN if field.required else field.absent
        try:
            return value_of(field, self._data[field.name], strict=self._strict)
        except Wrong:
            return _UNKNOWN

    def is_read(self, field: Field) -> bool | None:
        """Return whether a key is read, None if that cannot be told."""
        found = [(self._control(key), values) for key, values in field.when]
        if any(value is not _UNKNOWN and value not in values for value, values in found):
            return False
        return None if any(value is _UNKNOWN for value, _ in found) else True

    def reason(self, field: Field) -> Wrong:
        """Return why a key is not read."""
        for key, values in field.when:
            value = self._control(key)
            if value is not _UNKNOWN and value not in values:
                if self.is_read(self._fields[key]) is False:
                    return self.reason(self._fields[key])
                would_do = " or ".join(shown(one) for one in values)
                return Wrong(
                    f"not read when {key} = {shown(value)}",
                    f"{key} = {would_do}, or the key left out",
                )
        return Wrong("not read")


def resolve(
    fields: Mapping[str, Field],
    data: Mapping[str, Any],
    *,
    strict: bool,
    table: str = "",
    droppable: Collection[str] = (),
) -> Resolved:
    """Return the SI values of a table, or its faults.

    Parameters
    ----------
    fields : mapping of str to Field
        What the table states about its keys.
    data : mapping of str to object
        Its raw values.
    strict : bool
        Whether they come from a file, where a quantity needs its unit.
    table : str
        Name of the table for the faults.
    droppable : collection of str
        Keys that may be given without being read: they were read before a choice was changed.

    Returns
    -------
    Resolved
        Values of every key if there are no faults.
    """
    found = Resolved()
    activity = Activity(fields, data, strict)

    def blame(key: str, wrong: Wrong) -> None:
        found.faults.append(
            Fault("", table, shown_name(key), wrong.what, wrong.expected, wrong.nearest)
        )

    for key in [key for key in data if key not in fields][:_MOST_UNKNOWN]:
        close = nearest(str(key), fields)
        blame(key, Wrong("unknown key", "" if close else f"one of {', '.join(fields)}", close))
    for name, one in fields.items():
        is_read = activity.is_read(one)
        if is_read is False:
            found.unread.append(name)
            found.values[name] = one.neutral
            if name in data and name not in droppable:
                blame(name, activity.reason(one))
        elif name in data:
            try:
                value = value_of(one, data[name], strict=strict)
            except Wrong as wrong:
                blame(name, wrong)
            else:
                found.values[name] = value
                if value is not None:
                    found.given[name] = raw_of(one, data[name], value)
        elif not one.required:
            found.values[name] = one.absent
        elif is_read:
            blame(name, missing(one))
    return found


def missing(field: Field) -> Wrong:
    """Return what to say about a key that must be given and is not."""
    example = f"for example {field.name} = {field.example}"
    if field.kind == "choice":
        example = f"{field.name} = " + " or ".join(f'"{option}"' for option in field.options)
    elif field.bounds:
        example += f", {field.bounds}"
    what = f"missing ({field.doc.strip().rstrip('.')})" if field.doc else "missing"
    if field.when:
        what += f", wanted when {conditions(field)}"
    return Wrong(what, example)


def conditions(field: Field) -> str:
    """Return in words when a key is read."""
    return " and ".join(
        f"{key} = {' or '.join(shown(value) for value in values)}" for key, values in field.when
    )


def not_a_table(table: str, raw: Any) -> Fault:
    """Return what to say about a value that stands where a table is wanted."""
    name, number, _ = table.partition(" ")
    head = f"[[{name}]]" if number else f"[{name}]"
    what = f"{shown_kind(raw)} where a table is wanted"
    return Fault("", table, "", what, f"a line {head} and its keys below")
