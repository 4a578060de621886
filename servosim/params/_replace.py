"""A document with other values: only the tables that change are looked at, if they are sound."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache, lru_cache
from typing import Any, TypeVar

from servosim.errors import Fault, ParameterError
from servosim.params._blocks import copy_of, private_of
from servosim.params._changes import Changes, raw, raw_table, read_before, split
from servosim.params._fields import Range
from servosim.params._resolve import resolve
from servosim.params._tables import Document, Table, build, fields_of, places_of, resolve_document
from servosim.params._values import Wrong, raw_from_text, raw_of, value_of

_Document = TypeVar("_Document", bound=Document)
_Table = TypeVar("_Table", bound=Table)
_PLAIN = (float, int, str, bool, tuple, Range)

_split_once = lru_cache(maxsize=4096)(split)


def replace(document: _Document, changes: Mapping[str, Any]) -> _Document:
    """Return a checked copy of a document with other values.

    Parameters
    ----------
    document : Document
        What to start from; it is not changed.
    changes : mapping of str to object
        By path such as "valve.rated_flow": text with a unit or number [SI unit of the key], None
        to leave the key out. By the name of a table: a whole table, None to leave it out.

    Returns
    -------
    Document
        Keys that are no longer read because a choice changed are dropped.

    Raises
    ------
    ParameterError
        With every fault found.
    """
    made = _replace_within(document, changes)
    return replace_whole(document, changes) if made is None else made


def replace_whole(document: _Document, changes: Mapping[str, Any]) -> _Document:
    """Do as :func:`replace` by reading the whole document anew: the judge of the short way."""
    made = Changes(type(document), raw(document), strict=False)
    made.apply(changes)
    if made.faults:
        raise ParameterError(made.faults)
    found = resolve_document(type(document), made.data, strict=False, droppable=made.droppable())
    return build(type(document), found, "")


def _replace_within(document: _Document, changes: Mapping[str, Any]) -> _Document | None:
    """Return a checked copy for which only the tables that change were looked at.

    Returns
    -------
    Document or None
        None if a change is not of a known single key in a table that is there.

    Raises
    ------
    ParameterError
        With every fault found: the tables that don't change have none by themselves.
    """
    kind: Any = type(document)
    places = places_of(kind)
    wanted: dict[str, dict[str, Any]] = {}
    for path, value in changes.items():
        try:
            table, index, key = _split_once(kind, path)
        except ParameterError:
            return None
        if index or not table or not key:
            return None
        if isinstance(value, str):
            value = raw_from_text(fields_of(places[table].kind)[key], value)
        if table in wanted:
            wanted[table][key] = value
        else:
            wanted[table] = {key: value}
    tables: dict[str, Any] = {}
    faults: dict[str, tuple[Fault, ...]] = {}
    for name, raws in wanted.items():
        before = getattr(document, name)
        if not isinstance(before, Table):
            return None
        try:
            tables[name] = _with_values(before, raws) or _table_anew(before, name, raws)
        except ParameterError as error:
            faults[name] = error.faults
    if faults:
        raise ParameterError(fault for name in places for fault in faults.get(name, ()))
    changed = copy_of(document, tables)
    found = changed._faults()
    if found:
        raise ParameterError(found)
    return changed


def _table_anew(table: Table, name: str, raws: Mapping[str, Any]) -> Table:
    """Return a table resolved as a whole with some values changed, or raise its faults."""
    kind, before = type(table), raw_table(table)
    data = {key: one for key, one in {**before, **raws}.items() if one is not None}
    droppable = read_before(kind, before, set(raws), strict=False)
    found = resolve(fields_of(kind), data, strict=False, table=name, droppable=droppable)
    return build(kind, found, name)


@cache
def _controls_of(kind: type[Table]) -> frozenset[str]:
    """Return the keys of a table on which it depends whether other keys are read."""
    return frozenset(key for field in fields_of(kind).values() for key, _ in field.when)


def _with_values(table: _Table, raws: Mapping[str, Any]) -> _Table | None:
    """Return a table with the values of some keys changed, without a look at the others.

    Parameters
    ----------
    table : Table
        What to start from; it is not changed.
    raws : mapping of str to object
        New raw values by key; a bare number is meant in SI units.

    Returns
    -------
    Table or None
        Checked as a whole table would be. None if the short way doesn't do: a value is left out, a
        choice has others hang on it, a key is not read, or there is a fault to be told.
    """
    kind: Any = type(table)
    fields, controls, private = fields_of(kind), _controls_of(kind), private_of(table)
    unread, given, unwritten = private["_unread"], private["_given"], private["_unwritten"]
    values: dict[str, Any] = {}
    given, unwritten = dict(given), dict(unwritten)
    for name, one in raws.items():
        field = fields[name]
        if one is None or name in controls or name in unread:
            return None
        if type(one) is float and field.kind == "quantity" and not field.many:
            value: Any = one + 0.0  # the usual case, as value_of() has it
            if not field.admits(value):
                return None
        else:
            try:
                value = value_of(field, one, strict=False)
            except Wrong:
                return None
            if type(value) not in _PLAIN:
                return None
        values[name] = value
        if type(value) is float and not isinstance(one, str):
            unwritten[name] = one
        else:
            given[name] = raw_of(field, one, value)
            unwritten.pop(name, None)
    made = copy_of(table, values, _given=given, _unwritten=unwritten)
    return None if made._faults() else made
