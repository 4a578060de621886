"""The bases of every block of parameters and of the files made of them."""

from __future__ import annotations

import dataclasses
from collections.abc import Collection, Mapping
from functools import cache
from typing import Any, ClassVar, NamedTuple, Self, TypeVar, get_args, get_origin

from pydantic import PrivateAttr

from servosim.errors import Fault, ParameterError
from servosim.params._blocks import Block, private_of
from servosim.params._derived import Derived, Rules
from servosim.params._fields import Field, stated_field, without_none
from servosim.params._resolve import Resolved, not_a_table, resolve
from servosim.params._statements import text
from servosim.params._values import nearest, raw_of, shown_name


class Place(NamedTuple):
    """Where a document holds tables: under one head, one that may be left out, or a list."""

    kind: type[Table]
    optional: bool
    many: bool
    absent: Any


_Built = TypeVar("_Built", bound=Block)


class Table(Block):
    """Base of a table of parameters: values in SI units, frozen, no key unknown.

    The class body states each key with ``quantity``, ``number``, ``choice``, ``text``, ``switch``
    or ``interval``. A table can be built from texts with units and from SI values alike.

    Parameters
    ----------
    **data : object
        Value of each key: text with a unit, or number [SI unit of the key].

    Raises
    ------
    ParameterError
        With every fault found.
    """

    source: str = text("Where the values of this table come from.", absent="")

    def __init__(self, **data: Any) -> None:
        found = resolve(fields_of(type(self)), data, strict=False)
        if found.faults:
            raise ParameterError(found.faults)
        self._settle(found)
        faults = self._faults()
        if faults:
            raise ParameterError(faults)

    @classmethod
    def __pydantic_init_subclass__(cls, **kwargs: Any) -> None:
        """Refuse a class whose statements contradict each other, as soon as it is written."""
        fields_of(cls)

    def replace(self, **changes: Any) -> Self:
        """Return a checked copy with other values.

        Parameters
        ----------
        **changes : object
            Number [SI unit of the key] or text with a unit; None leaves the key out.

        Returns
        -------
        Table
            Keys that are no longer read because a choice changed are dropped.

        Raises
        ------
        ParameterError
            With every fault of the new values.
        """
        fields = fields_of(type(self))
        given = given_of(self)
        data = {**given, **changes}
        data = {name: value for name, value in data.items() if value is not None}
        droppable = [name for name in given if name not in changes]
        found = resolve(fields, data, strict=False, droppable=droppable)
        return build(type(self), found, "")


def build(kind: type[_Built], found: Resolved, table: str) -> _Built:
    """Return the table or document of values that were checked, or raise its faults."""
    faults = found.faults
    if not faults:
        instance = kind.__new__(kind)
        instance._settle(found)
        faults = [dataclasses.replace(one, table=one.table or table) for one in instance._faults()]
        if not faults:
            return instance
    raise ParameterError(faults)


def given_of(block: Block) -> dict[str, Any]:
    """Return what a file holds of the keys that were given: the texts they had, or new ones.

    Parameters
    ----------
    block : Table or Document
        Where to look. The text of a value that was replaced is made when it is first asked for,
        because the shortest text that reads back to the very number costs more than the rest.

    Returns
    -------
    dict of str to object
        Raw values by key; it must not be changed.
    """
    private = private_of(block)
    given: dict[str, Any] = private["_given"]
    if private["_unwritten"]:
        fields, given = fields_of(type(block)), dict(given)
        for name, raw in private["_unwritten"].items():
            given[name] = raw_of(fields[name], raw, getattr(block, name))
        private["_given"], private["_unwritten"] = given, {}
    return given


class Document(Block):
    """Base of a parameter file: tables by name, perhaps a few texts above them.

    Annotate a key with a :class:`Table`, with ``Table | None`` if the table may be left out, or
    with ``tuple[Table, ...]`` for a list of tables (``[[name]]`` in the file).

    Parameters
    ----------
    **data : object
        Tables, or mappings of their keys to values.

    Raises
    ------
    ParameterError
        With every fault found.
    """

    rules: ClassVar[Rules] = Rules({})
    _derived: Derived | None = PrivateAttr(default=None)

    def __init__(self, **data: Any) -> None:
        self._settle(resolve_document(type(self), data, strict=False))
        faults = self._faults()
        if faults:
            raise ParameterError(faults)

    @classmethod
    def __pydantic_init_subclass__(cls, **kwargs: Any) -> None:
        """Refuse a class whose statements contradict each other, as soon as it is written."""
        fields_of(cls)

    def derive(self, name: str) -> Any:
        """Return what follows from the tables by one of the rules of the class.

        Parameters
        ----------
        name : str
            Name of the rule, or of a table.

        Returns
        -------
        object
            Computed once; copies with other values share it as far as it holds for them.
        """
        return self.derived()(name)

    def derived(self) -> Derived:
        """Return all that follows from the tables, to be called by name, see :meth:`derive`."""
        private = private_of(self)
        found: Derived | None = private["_derived"]
        if found is None or found.values is not self.__dict__:
            found = private["_derived"] = Derived(self.rules, self.__dict__, found)
        return found

    def __getstate__(self) -> dict[Any, Any]:
        """Return what crosses to another process: values and texts, not what follows from them."""
        state = super().__getstate__()
        state["__pydantic_private__"] = {**state["__pydantic_private__"], "_derived": None}
        return state

    def warnings(self) -> list[Fault]:
        """Return what is allowed but deserves a second look; a subclass may state some.

        Returns
        -------
        list of Fault
            Empty if there is nothing to say.
        """
        return []


@cache
def places_of(kind: type[Document]) -> dict[str, Place]:
    """Return the tables that a document is made of, by name."""
    places = {}
    for name, info in kind.model_fields.items():
        annotation, optional = without_none(info.annotation)
        many = get_origin(annotation) is tuple
        element = get_args(annotation)[0] if many else annotation
        if isinstance(element, type) and issubclass(element, Table):
            absent = None if info.is_required() else info.get_default(call_default_factory=True)
            if absent is None and many:
                absent = ()
            places[name] = Place(element, optional or not info.is_required(), many, absent)
    return places


@cache
def fields_of(kind: type[Any]) -> dict[str, Field]:
    """Return what a table, or the top of a document, states about its keys.

    Parameters
    ----------
    kind : type
        Subclass of Table or Document.

    Returns
    -------
    dict of str to Field
        In the order of the class body, "source" last.

    Raises
    ------
    TypeError
        If the statements contradict each other: a mistake in the class, not in a file.
    """
    fields: dict[str, Field] = {}
    places = places_of(kind) if issubclass(kind, Document) else {}
    for name, info in kind.model_fields.items():
        field = stated_field(name, info)
        if field is not None:
            fields[name] = field
        elif name not in places:
            raise TypeError(f"{kind.__name__}.{name}: state it with quantity(), number() or alike")
    if "source" in fields and kind is not Table:
        fields["source"] = fields.pop("source")
    for name in fields:
        _check_conditions(kind.__name__, fields, name, ())
    return fields


def _check_conditions(
    table: str, fields: dict[str, Field], name: str, path: tuple[str, ...]
) -> None:
    """Refuse conditions that name no choice of the table, or that run in a circle."""
    if name in path:
        raise TypeError(f"{table}: the conditions of {' > '.join((*path, name))} run in a circle")
    for key, values in fields[name].when:
        control = fields.get(key)
        if control is None or control.many or control.kind not in ("choice", "switch", "number"):
            raise TypeError(f"{table}.{name}: when names '{key}', no choice of this table")
        if control.kind == "choice" and not set(values) <= set(control.options):
            raise TypeError(f"{table}.{name}: when has values that '{key}' cannot take: {values}")
        _check_conditions(table, fields, key, (*path, name))


def resolve_document(
    kind: type[Document],
    data: Mapping[str, Any],
    *,
    strict: bool,
    droppable: Mapping[str, Collection[str]] | None = None,
) -> Resolved:
    """Return the tables and texts of a document, or raise all their faults at once.

    Parameters
    ----------
    kind : type
        Subclass of Document.
    data : mapping of str to object
        Tables, or mappings of raw values; texts of the document.
    strict : bool
        Whether the values come from a file, where a quantity needs its unit.
    droppable : mapping of str to collection of str, optional
        For each table the keys that may be given without being read.

    Returns
    -------
    Resolved
        Without faults.

    Raises
    ------
    ParameterError
        With every fault found.
    """
    places, fields = places_of(kind), fields_of(kind)
    names = [*fields, *places]
    top = {key: value for key, value in data.items() if key in fields}
    found = resolve(fields, top, strict=strict)
    for key in [key for key in data if key not in names][:20]:
        close = nearest(str(key), names)
        what = "unknown table" if isinstance(data[key], Mapping) else "unknown key"
        expected = "" if close else f"one of {', '.join(names)}"
        head = (shown_name(key), "") if what == "unknown table" else ("", shown_name(key))
        found.faults.append(Fault("", *head, what, expected, close))
    for name, place in places.items():
        raw = data.get(name)
        if raw is None:
            found.values[name] = place.absent
            if not place.optional:
                stated = fields_of(place.kind).items()
                keys = ", ".join(key for key, one in stated if one.required and not one.when)
                doc = (place.kind.__doc__ or "").strip().split("\n")[0].rstrip(".")
                found.faults.append(
                    Fault("", name, "", f"missing table ({doc})", f"[{name}] with {keys}")
                )
            continue
        allowed = droppable or {}
        if not place.many:
            found.values[name] = _table(place.kind, raw, name, strict, allowed, found.faults)
        elif isinstance(raw, list | tuple):
            found.values[name] = tuple(
                _table(place.kind, one, f"{name} {index}", strict, allowed, found.faults)
                for index, one in enumerate(raw, 1)
            )
        else:
            found.faults.append(Fault("", name, "", "not a list of tables", f"[[{name}]] heads"))
    if found.faults:
        raise ParameterError(found.faults)
    return found


def _table(
    kind: type[Table],
    raw: Any,
    name: str,
    strict: bool,
    droppable: Mapping[str, Collection[str]],
    faults: list[Fault],
) -> Table | None:
    if isinstance(raw, kind):
        return raw
    if not isinstance(raw, Mapping):
        faults.append(not_a_table(name, raw))
        return None
    found = resolve(
        fields_of(kind), raw, strict=strict, table=name, droppable=droppable.get(name, ())
    )
    try:
        return build(kind, found, name)
    except ParameterError as error:
        faults.extend(error.faults)
        return None
