"""Single values of a document by their path: get, change, compare, list."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

from servosim.errors import Fault, ParameterError
from servosim.params._blocks import Block
from servosim.params._fields import Field
from servosim.params._resolve import Activity
from servosim.params._tables import Document, Table, fields_of, given_of, places_of
from servosim.params._values import nearest, raw_from_text, raw_of, shown_name


class Path(NamedTuple):
    """A path such as "valve.rated_flow" or "moves.2.target", taken apart."""

    table: str
    number: int
    key: str


def split(kind: type[Document], path: str) -> Path:
    """Return a path in its parts, with every name known.

    Parameters
    ----------
    kind : type
        Subclass of Document.
    path : str
        "table.key", "table" or the name of a text of the document; "table.2.key" in a list of
        tables, counted from 1.

    Returns
    -------
    Path
        Table "" for the document itself, key "" for a table as a whole, number 0 for no list.

    Raises
    ------
    ParameterError
        If a name is not known; with the nearest one.
    """
    places, fields = places_of(kind), fields_of(kind)
    table, *rest = path.strip().split(".")
    if not rest and table in fields:
        return Path("", 0, table)
    if table not in places:
        paths = [f"{name}.{key}" for name, place in places.items() for key in fields_of(place.kind)]
        close = nearest(table, [*fields, *places])
        if not rest:
            inside = [one for one in paths if one.endswith(f".{table}")]
            close = inside[0] if inside else close or nearest(path, paths)
        elif close in places:
            close = nearest(f"{close}.{'.'.join(rest)}", paths) or close
        expected = "" if close else f"one of {', '.join([*fields, *places])}"
        raise ParameterError(Fault("", "", shown_name(path), "unknown name", expected, close))
    place, index = places[table], 0
    if place.many and rest:
        if not (
            rest[0].isascii() and rest[0].isdecimal() and 0 < len(rest[0]) < 7 and int(rest[0])
        ):
            what = "no number of a table in the list"
            raise ParameterError(Fault("", table, shown_name(path), what, f"{table}.1 or alike"))
        index = int(rest.pop(0))
    if not rest:
        return Path(table, index, "")
    key, keys = ".".join(rest), fields_of(place.kind)
    if key not in keys:
        close = nearest(key, keys)
        expected = "" if close else f"one of {', '.join(keys)}"
        raise ParameterError(Fault("", table, shown_name(key), "unknown key", expected, close))
    return Path(table, index, key)


def get(document: Document, path: str) -> Any:
    """Return one value of a document, or a table of it.

    Parameters
    ----------
    document : Document
        Where to look.
    path : str
        Such as "valve.rated_flow" or "valve"; "moves.2.target" in a list of tables.

    Returns
    -------
    object
        Value [SI unit of the key].

    Raises
    ------
    ParameterError
        If there is no such name, or its table was left out.
    """
    table, index, key = split(type(document), path)
    block: Any = getattr(document, table) if table else document
    if index:
        if index > len(block):
            what = f"there is no table number {index}"
            raise ParameterError(Fault("", table, key, what, f"1 to {len(block)}"))
        block = block[index - 1]
    if not key:
        return block
    if block is None:
        raise ParameterError(Fault("", table, key, f"the document has no table [{table}]"))
    return getattr(block, key)


def raw(document: Document) -> dict[str, Any]:
    """Return the values of a document as TOML holds them, only those that are read and given.

    Parameters
    ----------
    document : Document
        What to list.

    Returns
    -------
    dict
        Texts of the document, then tables by name as dictionaries.
    """
    values: dict[str, Any] = dict(given_of(document))
    for name, place in places_of(type(document)).items():
        held = getattr(document, name)
        if place.many:
            if held:
                values[name] = [raw_table(one) for one in held]
        elif held is not None:
            values[name] = raw_table(held)
    return values


def raw_table(table: Block) -> dict[str, Any]:
    """Return the given values of a table in the order in which the table states them."""
    given = given_of(table)
    return {name: given[name] for name in fields_of(type(table)) if name in given}


def read_before(
    kind: type[Table], data: Mapping[str, Any], changed: Collection[str], strict: bool
) -> list[str]:
    """Return the given keys that were read before some keys of the table changed.

    Parameters
    ----------
    kind : type
        Subclass of Table.
    data : mapping of str to object
        Raw values before the change.
    changed : collection of str
        Keys that are given anew; these must be read.
    strict : bool
        Whether the values come from a file.

    Returns
    -------
    list of str
        Keys that may be dropped if the change makes them unread.
    """
    fields = fields_of(kind)
    activity = Activity(fields, data, strict)
    return [
        name
        for name in data
        if name in fields and name not in changed and activity.is_read(fields[name]) is not False
    ]


class Changes:
    """Values to be changed in the raw values of a document, each with the faults it causes.

    Parameters
    ----------
    kind : type
        Subclass of Document.
    data : mapping
        Raw values before the change, a dictionary a table. They are not changed.
    strict : bool
        Whether the raw values come from a file.
    """

    def __init__(self, kind: type[Document], data: Mapping[str, Any], strict: bool) -> None:
        self.kind, self.strict = kind, strict
        self.before = data
        self.data: dict[str, Any] = {
            name: dict(held) if isinstance(held, Mapping) else held for name, held in data.items()
        }
        self.faults: list[Fault] = []
        self.changed: set[tuple[str, str]] = set()

    def apply(self, changes: Mapping[str, Any]) -> None:
        """Take up changes, texts with units or SI values by path; collect what is unknown."""
        for path, value in changes.items():
            try:
                self._apply(split(self.kind, path), value)
            except ParameterError as error:
                self.faults.extend(error.faults)

    def _apply(self, path: Path, value: Any) -> None:
        table, index, key = path
        place = places_of(self.kind).get(table)
        if place is None:
            self._set(self.data, fields_of(self.kind)[key], value)
        elif not key and not index:
            self.data[table] = value
        elif not key:
            raise ParameterError(Fault("", table, "", "a table of a list cannot be set", "a key"))
        else:
            held = self.data.get(table)
            if index and isinstance(held, list | tuple):
                held = self.data[table] = list(held)
                if index > len(held):
                    what = f"there is no table number {index}"
                    raise ParameterError(Fault("", table, key, what, f"1 to {len(held)}"))
                if isinstance(held[index - 1], Mapping):
                    held[index - 1] = dict(held[index - 1])
                held = held[index - 1]
            if held is None and place.optional:
                what = f"the document has no table [{table}]"
                raise ParameterError(Fault("", table, key, what, "the table in the file first"))
            if isinstance(held, dict):
                self._set(held, fields_of(place.kind)[key], value)
        self.changed.add((f"{table} {index}" if index else table, key))

    @staticmethod
    def _set(held: dict[str, Any], field: Field, value: Any) -> None:
        if value is None:
            held.pop(field.name, None)
        else:
            held[field.name] = raw_from_text(field, value) if isinstance(value, str) else value

    def droppable(self) -> dict[str, list[str]]:
        """Return for each table the given keys that may become unread by these changes."""
        found = {}
        for name, place in places_of(self.kind).items():
            held = self.before.get(name)
            tables = list(enumerate(held, 1)) if isinstance(held, list | tuple) else [(0, held)]
            for index, one in tables:
                label = f"{name} {index}" if index else name
                changed = {key for table, key in self.changed if table == label}
                if changed and isinstance(one, Mapping):
                    found[label] = read_before(place.kind, one, changed, self.strict)
        return found


@dataclass(frozen=True)
class Difference:
    """One value that differs between two documents.

    Parameters
    ----------
    table : str
        Name of the table, "" for a text of the document.
    key : str
        Name of the key, "" for a table as a whole.
    before, after : str
        The values as texts, with units.
    """

    table: str
    key: str
    before: str
    after: str

    def __str__(self) -> str:
        table = f"[{self.table}]" if self.table else ""
        place = " ".join(part for part in (table, self.key) if part)
        return f"{place}: {self.before} -> {self.after}"


def shown_value(block: Block, name: str) -> str:
    """Return a value of a table or document as text, as it was given or in the unit stated.

    Parameters
    ----------
    block : Table or Document
        Where to look.
    name : str
        The key.

    Returns
    -------
    str
        With its unit; "not read" if other choices leave it unread.
    """
    if name in block._unread:
        return "not read"
    field, value = fields_of(type(block))[name], getattr(block, name)
    given = given_of(block)
    held = given[name] if name in given else raw_of(field, value, value)
    if held is None:
        return "left out"
    if isinstance(held, tuple):
        return f"[{', '.join(map(str, held))}]"
    return str(held).lower() if isinstance(held, bool) else str(held)


def diff(a: Document, b: Document) -> list[Difference]:
    """Return where two documents differ in value; another spelling of a value is no difference.

    Parameters
    ----------
    a, b : Document
        Documents of the same class.

    Returns
    -------
    list of Difference
        In the order of the class body; empty if ``a == b``.

    Raises
    ------
    ParameterError
        If the documents are of different classes.
    """
    if type(a) is not type(b):
        raise ParameterError(
            f"a {type(a).__name__} and a {type(b).__name__} cannot be compared; "
            "expected two files of the same kind"
        )
    found = list(_diff_block("", a, b))
    for name, place in places_of(type(a)).items():
        before, after = getattr(a, name), getattr(b, name)
        if not place.many:
            found.extend(_diff_table(name, before, after))
            continue
        for index in range(max(len(before), len(after))):
            pair = (held[index] if index < len(held) else None for held in (before, after))
            found.extend(_diff_table(f"{name} {index + 1}", *pair))
    return found


def _diff_table(name: str, before: Table | None, after: Table | None) -> Iterable[Difference]:
    if before is None or after is None:
        if before is not after:
            words = ["no table" if table is None else "a table" for table in (before, after)]
            yield Difference(name, "", words[0], words[1])
        return
    yield from _diff_block(name, before, after)


def _diff_block(name: str, before: Block, after: Block) -> Iterable[Difference]:
    for key in fields_of(type(before)):
        is_read = [key not in block._unread for block in (before, after)]
        if getattr(before, key) != getattr(after, key) or is_read[0] != is_read[1]:
            yield Difference(name, key, shown_value(before, key), shown_value(after, key))


def si(document: Document) -> dict[str, Any]:
    """Return the values of a document as plain SI values, for JSON.

    Parameters
    ----------
    document : Document
        What to list.

    Returns
    -------
    dict
        Texts of the document, then a dictionary a table [SI unit of the key]; values taken when a
        key is left out are included, keys that are not read and tables left out are not.
    """
    values: dict[str, Any] = _si_block(document)
    for name, place in places_of(type(document)).items():
        held = getattr(document, name)
        if place.many:
            values[name] = [_si_block(table) for table in held]
        elif held is not None:
            values[name] = _si_block(held)
    return values


def _si_block(block: Block) -> dict[str, Any]:
    values = {}
    for name in fields_of(type(block)):
        if name not in block._unread:
            value = getattr(block, name)
            values[name] = list(value) if isinstance(value, tuple) else value
    return values
