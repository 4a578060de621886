"""How a table states its keys: quantities, numbers, choices, texts, switches and intervals."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pydantic

from servosim import units
from servosim.params._fields import EXTRA_KEY, MISSING, Field, Limit

When = Mapping[str, tuple[Any, ...]] | None


def _declare(field: Field) -> Any:
    """Return a field as pydantic wants it; the values are checked before they reach pydantic."""
    extra: Any = {EXTRA_KEY: field}
    default: Any = {} if field.required and not field.when else {"default": None}
    return pydantic.Field(description=field.doc, json_schema_extra=extra, **default)


def _conditions(when: When) -> tuple[tuple[str, tuple[Any, ...]], ...]:
    for key, values in (when or {}).items():
        if isinstance(values, str) or not isinstance(values, tuple | list):
            raise TypeError(f"when: the values of '{key}' must be a tuple, not {values!r}")
    return tuple((key, tuple(values)) for key, values in (when or {}).items())


def quantity(
    unit: str,
    *,
    low: Limit = None,
    high: Limit = None,
    above: Limit = None,
    below: Limit = None,
    symbol: str = "",
    doc: str,
    many: bool = False,
    count: tuple[int, int | None] = (1, None),
    absent: Any = MISSING,
    when: When = None,
    unread: Any = MISSING,
) -> Any:
    """State a key that holds a number with a unit; annotate it float or tuple[float, ...].

    Parameters
    ----------
    unit : str
        Accepted spelling of the unit to write and to show. "1" for a plain number, "degC" for an
        absolute temperature, "K" for a temperature difference.
    low, high : str or float, optional
        Limits that belong to the range, as text with a unit or in SI units.
    above, below : str or float, optional
        Limits that do not belong to the range.
    symbol : str
        Symbol in the equations.
    doc : str
        Sentence for the user.
    many : bool
        Whether a list of values is wanted.
    count : tuple of int
        Fewest and most entries of a list; None for no bound.
    absent : float or tuple of float or None, optional
        SI value if the key is left out. Without it the key must be given.
    when : mapping of str to tuple, optional
        Keys of the same table and the values for which this key is read, all of them at once.
    unread : float or tuple of float, optional
        Value of the attribute when the key is not read, 0.0 or () by default.

    Returns
    -------
    Any
        Default of the annotated attribute, for the class body of a table.

    Raises
    ------
    UnitError
        If the unit is not an accepted spelling.
    """
    units.group_of(unit)
    return _declare(
        Field("quantity", doc, unit, symbol, low, high, above, below, absent, _conditions(when),
              unread, many, count)
    )  # fmt: skip


def interval(
    unit: str,
    *,
    low: Limit = None,
    high: Limit = None,
    above: Limit = None,
    below: Limit = None,
    symbol: str = "",
    doc: str,
    absent: Any = MISSING,
    when: When = None,
    unread: Any = MISSING,
) -> Any:
    """State a key that holds a lowest and a highest value; annotate it Range.

    Parameters
    ----------
    unit, low, high, above, below, symbol, doc, absent, when, unread
        As for :func:`quantity`; the limits hold for both values.

    Returns
    -------
    Any
        Default of the annotated attribute, for the class body of a table.

    Raises
    ------
    UnitError
        If the unit is not an accepted spelling.
    """
    units.group_of(unit)
    return _declare(
        Field("interval", doc, unit, symbol, low, high, above, below, absent, _conditions(when),
              unread)
    )  # fmt: skip


def number(
    *,
    low: float | None = None,
    high: float | None = None,
    above: float | None = None,
    below: float | None = None,
    symbol: str = "",
    doc: str,
    many: bool = False,
    count: tuple[int, int | None] = (1, None),
    absent: Any = MISSING,
    when: When = None,
    unread: Any = MISSING,
) -> Any:
    """State a key that holds a bare number; annotate it int, float or a tuple of these.

    Parameters
    ----------
    low, high, above, below, symbol, doc, many, count, absent, when, unread
        As for :func:`quantity`.

    Returns
    -------
    Any
        Default of the annotated attribute, for the class body of a table.
    """
    return _declare(
        Field("number", doc, "", symbol, low, high, above, below, absent, _conditions(when),
              unread, many, count)
    )  # fmt: skip


def choice(doc: str, *, absent: Any = MISSING, when: When = None, unread: Any = MISSING) -> Any:
    """State a key that holds one of a few names; annotate it Literal[...].

    Parameters
    ----------
    doc : str
        Sentence for the user.
    absent, when, unread
        As for :func:`quantity`; not read means "".

    Returns
    -------
    Any
        Default of the annotated attribute, for the class body of a table.
    """
    return _declare(Field("choice", doc, absent=absent, when=_conditions(when), unread=unread))


def text(doc: str, *, absent: Any = MISSING, when: When = None, unread: Any = MISSING) -> Any:
    """State a key that holds free text; annotate it str.

    Parameters
    ----------
    doc : str
        Sentence for the user.
    absent, when, unread
        As for :func:`quantity`; not read means "".

    Returns
    -------
    Any
        Default of the annotated attribute, for the class body of a table.
    """
    return _declare(Field("text", doc, absent=absent, when=_conditions(when), unread=unread))


def switch(doc: str, *, absent: Any = MISSING, when: When = None, unread: Any = MISSING) -> Any:
    """State a key that is true or false; annotate it bool.

    Parameters
    ----------
    doc : str
        Sentence for the user.
    absent, when, unread
        As for :func:`quantity`; not read means False.

    Returns
    -------
    Any
        Default of the annotated attribute, for the class body of a table.
    """
    return _declare(Field("switch", doc, absent=absent, when=_conditions(when), unread=unread))
