"""What follows from the tables of a document: computed once, kept by changed copies as it holds.

A rule is a pure function and the names of what it is given: tables of the document or results of
other rules. A function can read nothing but its arguments, so a result holds for as long as these
are the same objects (or equal plain values): a document with one table changed takes over all that
does not follow from that table. Results must not be changed by who gets them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from operator import itemgetter
from typing import Any, NamedTuple

_PLAIN = (float, int, str, bool)


class Rule(NamedTuple):
    """How one result is computed.

    Attributes
    ----------
    function : callable
        Pure function of its positional arguments.
    needs : tuple of str
        Names of its arguments: tables of the document, or other rules.
    """

    function: Callable[..., Any]
    needs: tuple[str, ...]


class Rules:
    """Rules by name, and the tables that each result hangs on.

    Parameters
    ----------
    rules : mapping of str to Rule
        The rules; a name in `needs` that is none of theirs is a table of the document.
    """

    def __init__(self, rules: Mapping[str, Rule]) -> None:
        self.rules = dict(rules)
        self.tables = {name: frozenset(self._tables_of(name)) for name in self.rules}
        self.plans = {name: self._plan(rule) for name, rule in self.rules.items()}

    def _plan(self, rule: Rule) -> tuple[Any, ...]:
        """Return the function, its arguments, and those that are tables, with a way to get them."""
        tables = [need for need in rule.needs if need not in self.rules]
        get = itemgetter(*tables) if len(tables) == len(rule.needs) > 1 else None
        needs = tuple((need, need in self.rules) for need in rule.needs)
        return rule.function, needs, frozenset(tables), get

    def _tables_of(self, name: str) -> set[str]:
        if name not in self.rules:
            return {name}
        return {table for need in self.rules[name].needs for table in self._tables_of(need)}


class Derived:
    """Results of the rules for one document.

    Parameters
    ----------
    rules : Rules
        The rules of its class.
    values : dict of str to object
        Tables of the document by name. They must stay the same objects.
    before : Derived, optional
        Results of the document that this one was changed from.
    """

    __slots__ = ("_changed", "_known", "_old", "_rules", "values")

    def __init__(self, rules: Rules, values: dict[str, Any], before: Derived | None = None) -> None:
        self._rules, self.values = rules, values
        self._known: dict[str, tuple[tuple[Any, ...], Any]] = {}
        self._old: dict[str, tuple[tuple[Any, ...], Any]] = {}
        self._changed: set[str] = set()
        if before is not None:
            was, tables, known = before.values, rules.tables, before._known.copy()
            changed = {name for name, value in values.items() if value is not was.get(name)}
            self._changed = changed
            self._known = {n: held for n, held in known.items() if tables[n].isdisjoint(changed)}
            self._old = {**before._old, **known}

    def __call__(self, name: str) -> Any:
        """Return a table or the result of a rule.

        Parameters
        ----------
        name : str
            Its name.

        Returns
        -------
        object
            The table, or what the function of the rule returned. What it raised is raised again,
            and is not kept.
        """
        known = self._known.get(name)
        if known is not None:
            return known[1]
        if name not in self._rules.plans:
            return self.values[name]
        function, needs, tables, get = self._rules.plans[name]
        values: dict[str, Any] = self.values
        given: tuple[Any, ...] = ()
        if get is not None:
            given = get(values)
        else:
            for need, is_rule in needs:
                given += (self(need) if is_rule else values[need],)
        held = self._old.get(name) if tables.isdisjoint(self._changed) else None
        if held is None or not _same(held[0], given):
            held = given, function(*given)
        self._known[name] = held
        return held[1]


def _same(before: tuple[Any, ...], now: tuple[Any, ...]) -> bool:
    """Return whether arguments are the same objects, or equal plain values of one type."""
    for a, b in zip(before, now, strict=True):
        if a is not b and not (type(a) in _PLAIN and type(a) is type(b) and a == b):
            return False
    return True
