"""Formulas that compute on arrays of candidates and, for one candidate, write down every step.

A formula is a function with its text, symbol, unit and source beside it, so that the numbers of
thousands of candidates and the sheet of the chosen one come from the same line. The text is
written as the function computes it, in the names of its arguments; a test evaluates the texts.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import numpy as np


@dataclass(frozen=True)
class Formula:
    """One formula of the sheet, to be called like a function.

    Attributes
    ----------
    name : str
        Name of the function.
    symbol, words : str
        Letter of the result, and what it is.
    text : str
        The formula, such as ``"m*a"``, in the names of the arguments.
    unit : str
        SI unit of the result.
    source : str
        Author, year, section; ``common practice, no source``; ``definition``; or ``from memory``.
    arguments : dict of str to (str, str)
        What each argument is, and its SI unit.
    function : callable
        Computes it; works on arrays.
    """

    name: str
    symbol: str
    words: str
    text: str
    unit: str
    source: str
    arguments: dict[str, tuple[str, str]]
    function: Callable[..., Any]

    def __call__(self, **values: Any) -> Any:
        """Return the result [SI]."""
        return self.function(**values)


def formula(
    symbol: str, words: str, text: str, unit: str, source: str, **arguments: tuple[str, str]
) -> Callable[[Callable[..., Any]], Formula]:
    """Make a formula of a function.

    Parameters
    ----------
    symbol, words, text, unit, source, **arguments
        As the attributes of :class:`Formula`.

    Returns
    -------
    callable
        Decorator of the function, whose arguments must be those that are described.

    Raises
    ------
    TypeError
        If the arguments are not those of the function: a mistake in the program.
    """

    def made(function: Callable[..., Any]) -> Formula:
        names = function.__code__.co_varnames[: function.__code__.co_argcount]
        if names != tuple(arguments):
            raise TypeError(f"{function.__name__}: arguments {names}, described {(*arguments,)}")
        return Formula(function.__name__, symbol, words, text, unit, source, arguments, function)

    return made


@dataclass(frozen=True)
class Step:
    """One line of the sheet.

    Attributes
    ----------
    section : str
        Heading under which it stands.
    symbol, words, text, unit, source : str
        As of :class:`Formula`; a given value has no text.
    inputs : tuple of (str, str, float, str)
        Symbol, words, value and SI unit of what went in.
    value : float
        Result [SI].
    note : str
        What else should be known, such as which case of several was the worst.
    """

    section: str
    symbol: str
    words: str
    text: str
    unit: str
    source: str
    inputs: tuple[tuple[str, str, float, str], ...]
    value: float
    note: str = ""


@dataclass
class Calculation:
    """Computes formulas; if it records, it keeps a step of each.

    Attributes
    ----------
    records : bool
        Whether steps are kept: then every value must be a single number.
    steps : list of Step
        What was computed so far.
    """

    records: bool = False
    steps: list[Step] = field(default_factory=list)
    _section: str = ""

    @contextmanager
    def section(self, title: str) -> Iterator[None]:
        """Put the steps made inside under a heading."""
        before, self._section = self._section, title
        try:
            yield
        finally:
            self._section = before

    def of(self, made: Formula, note: str = "", **values: Any) -> Any:
        """Return the result of a formula [SI], and keep the step.

        Parameters
        ----------
        made : Formula
            What to compute.
        note : str, optional
            Remark for the sheet.
        **values : float or ndarray
            Arguments [SI].

        Returns
        -------
        float or ndarray
            The result [SI].
        """
        result = made(**values)
        if self.records:
            inputs = tuple(
                (name, words, number(values[name]), unit)
                for name, (words, unit) in made.arguments.items()
            )
            self._keep(made.symbol, made.words, made.text, made.unit, made.source, inputs,
                       number(result), note)  # fmt: skip
        return result

    def given(
        self, symbol: str, words: str, value: Any, unit: str, source: str, note: str = ""
    ) -> Any:
        """Return a value that was given, found by search or taken from a table, and keep it.

        Parameters
        ----------
        symbol, words : str
            Letter and what it is.
        value : float or ndarray
            The value [SI].
        unit, source : str
            SI unit; where it comes from, such as ``"requirement, [work] stroke"``.
        note : str, optional
            Remark for the sheet.

        Returns
        -------
        float or ndarray
            The value.
        """
        if self.records:
            self._keep(symbol, words, "", unit, source, (), number(value), note)
        return value

    def _keep(
        self,
        symbol: str,
        words: str,
        text: str,
        unit: str,
        source: str,
        inputs: tuple[tuple[str, str, float, str], ...],
        value: float,
        note: str,
    ) -> None:
        self.steps.append(
            Step(self._section, symbol, words, text, unit, source, inputs, value, note)
        )


def number(value: Any) -> float:
    """Return a single number, whether it comes alone or as an array of one.

    Raises
    ------
    ValueError
        If there are several: only one candidate can be written down.
    """
    return float(np.asarray(value, dtype=float).reshape(1)[0]) if np.size(value) == 1 else _many()


def _many() -> float:
    raise ValueError("only the calculation of a single candidate can be written down")
