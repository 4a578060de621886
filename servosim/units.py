"""Units at the border: texts such as "210 bar" to SI numbers and back, exactly.

Only the spellings listed in :data:`SPELLINGS` pass; there are no prefixes to guess with, so "mb" is
unknown instead of a millibarn. The spellings are grouped by the quantity they measure: a text is
accepted where its spelling stands in the same group as the unit of the field. The arithmetic runs
in exact fractions and is rounded once, so "63 mm" is exactly the number 0.063.

The angle is a base dimension here: "25 1/s" (a gain) and "25 rad/s" (a frequency) cannot be mixed
up, and a hertz is one cycle, 2 pi rad, a second. "degC" is an absolute temperature only; a field
whose unit is "K" holds a temperature difference, a field whose unit is "degC" an absolute one.
"""

from __future__ import annotations

import difflib
import math
import re
from decimal import ROUND_HALF_EVEN, Context, Decimal
from fractions import Fraction
from functools import cache
from typing import TYPE_CHECKING, Any, NamedTuple, cast, overload

from servosim._spellings import DEFINITIONS, DEGREES, EXPRESSIONS, GROUPS, MICRO, SPELLINGS
from servosim.errors import UnitError

if TYPE_CHECKING:
    import numpy as np
    import pint

    Array = np.ndarray[Any, Any]

_NUMBER = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
_TEXT = re.compile(rf"({_NUMBER})\s*(.*)", re.DOTALL)
_LONGEST_NUMBER = 64
_LONGEST_TEXT = 200


_HOME: dict[str, str] = {
    spelling: group
    for group, spellings in reversed(SPELLINGS.items())
    for spelling in reversed(spellings)
}


class _Scale(NamedTuple):
    """SI value = number * factor + offset."""

    factor: Fraction
    offset: Fraction


@cache
def _registry() -> pint.UnitRegistry[Any]:
    """Return the registry of exactly our own definitions; pint is imported here, not before."""
    import pint

    registry: pint.UnitRegistry[Any] = pint.UnitRegistry(None, non_int_type=Fraction)
    for definition in re.split(r"[;\n]", DEFINITIONS):
        if definition.strip():
            registry.define(definition.strip())
    for definition in DEGREES:
        registry.define(definition)
    return registry


def _expression(spelling: str) -> str:
    """Return an accepted spelling in the words of the registry."""
    for ours, theirs in EXPRESSIONS.items():
        spelling = spelling.replace(ours, theirs)
    for sign in MICRO:
        spelling = spelling.replace(sign, "u")
    return spelling


@cache
def _scale(spelling: str) -> _Scale:
    registry = _registry()
    expression = _expression(spelling)
    if expression == "1":
        return _Scale(Fraction(1), Fraction(0))
    unit = registry.Unit(expression)
    at_zero, at_one = (
        registry.Quantity(Fraction(number), unit).to_base_units().magnitude for number in (0, 1)
    )
    return _Scale(at_one - at_zero, at_zero)


def dimension_of(spelling: str) -> dict[str, Fraction]:
    """Return the dimension of an accepted spelling, worked out by the registry, for checks.

    Parameters
    ----------
    spelling : str
        An accepted spelling.

    Returns
    -------
    dict of str to fractions.Fraction
        Exponent of each base dimension, such as ``{"[length]": 1, "[time]": -1}``.
    """
    expression = _expression(spelling)
    if expression == "1":
        return {}
    dimension = _registry().Unit(expression).dimensionality
    return {str(name): cast(Fraction, exponent) for name, exponent in dimension.items()}


def group_of(unit: str) -> str:
    """Return the group of units that a spelling stands for, such as "pressure".

    Parameters
    ----------
    unit : str
        An accepted spelling. "K" stands for a temperature difference.

    Returns
    -------
    str
        Key of :data:`SPELLINGS`.

    Raises
    ------
    UnitError
        If the spelling is not on the list.
    """
    try:
        return _HOME[unit]
    except KeyError:
        raise UnitError(f"unknown unit '{unit}'{_close(unit, tuple(_HOME))}") from None


def si_unit(unit: str) -> str:
    """Return the SI spelling of the group that a unit belongs to.

    Parameters
    ----------
    unit : str
        An accepted spelling, such as "L/min".

    Returns
    -------
    str
        Such as "m3/s"; "1" for plain numbers, "K" for temperatures.

    Raises
    ------
    UnitError
        If the spelling is not on the list.
    """
    return SPELLINGS[group_of(unit)][0]


def _close(name: str, known: tuple[str, ...]) -> str:
    """Return a clause naming the known spellings close to a name, or ""."""
    folded: dict[str, list[str]] = {}
    for spelling in known:
        folded.setdefault(spelling.casefold(), []).append(spelling)
    matches = difflib.get_close_matches(name.casefold()[:40], folded, n=3, cutoff=0.6)
    names = [spelling for match in matches for spelling in folded[match]]
    return f"; nearest: {', '.join(names[:4])}" if names else ""


def _named(group: str) -> str:
    """Return the name of a group with its article."""
    return f"{'an' if group[0] in 'aeio' else 'a'} {group}"


def quoted(text: str) -> str:
    """Return a text in quotes, short enough for a message and on one line."""
    return repr(text if len(text) <= 60 else text[:57] + "...")


def _fraction(number: str, text: str) -> Fraction:
    """Return a number's text as an exact fraction, refusing what no float can hold."""
    value = float(number)
    if len(number) > _LONGEST_NUMBER or not math.isfinite(value):
        raise UnitError(f"{quoted(text)} is not a number this program can hold")
    if value == 0.0 and re.search("[1-9]", re.split("[eE]", number)[0]):
        raise UnitError(f"{quoted(text)} is too close to zero to be held; write 0 if it is meant")
    return Fraction(0) if value == 0.0 else Fraction(number)


def _float(value: Fraction) -> float:
    """Return the nearest float, infinite beyond the largest, never a negative zero."""
    try:
        return float(value) + 0.0
    except OverflowError:
        return math.inf if value > 0 else -math.inf


def _split(text: str, unit: str) -> tuple[str, str]:
    """Return the number and the unit in a text, or say why there are none."""
    if len(text) > _LONGEST_TEXT:
        raise UnitError(f"{quoted(text)} is too long for a number with a unit")
    match = _TEXT.fullmatch(text.strip())
    if match is None:
        if re.match(r"\s*[+-]?(inf|nan)", text, re.IGNORECASE):
            raise UnitError(f"{quoted(text)} is not finite")
        raise UnitError(f"{quoted(text)} has no number; write for example '{_example(unit)}'")
    number, spelling = match[1], " ".join(match[2].split())
    if spelling.startswith(","):
        raise UnitError(f"{quoted(text)} has a comma; write the decimals after a point")
    if re.match(r"[0-9._]", spelling) and spelling not in _HOME and not spelling.startswith("1/"):
        raise UnitError(f"{quoted(text)} has a number broken in two; write it without gaps")
    if not spelling:
        if unit != "1":
            raise UnitError(f"{quoted(text)} has no unit; write the unit: '{number} {unit}'")
        spelling = "1"
    return number, spelling


def _example(unit: str) -> str:
    return "0.5" if unit == "1" else f"10 {unit}"


def parse(text: str, unit: str) -> float:
    """Return the SI value of a text with a number and a unit.

    Parameters
    ----------
    text : str
        Such as "140 bar". A number alone is accepted only where `unit` is "1".
    unit : str
        Any accepted spelling of the dimension wanted. "degC" wants an absolute temperature,
        "K" a temperature difference.

    Returns
    -------
    float
        Value [SI unit of the group], the exact value rounded once.

    Raises
    ------
    UnitError
        If there is no number, no unit, an unknown unit, a unit of another dimension, or a value
        that is not finite or below absolute zero.

    Examples
    --------
    >>> parse("140 bar", "MPa")
    14000000.0
    >>> parse("20 degC", "degC")
    293.15
    """
    group = group_of(unit)
    number, spelling = _split(text, unit)
    if spelling not in SPELLINGS[group]:
        would_do = f"write {_named(group)} in {GROUPS[group]}"
        if spelling in _HOME:
            raise UnitError(f"{quoted(text)} is {_named(_HOME[spelling])}; {would_do}")
        close = _close(spelling, SPELLINGS[group]) or _close(spelling, tuple(_HOME))
        raise UnitError(f"unknown unit {quoted(spelling)} in {quoted(text)}{close}; {would_do}")
    factor, offset = _scale(spelling)
    value = _float(_fraction(number, text) * factor + offset)
    if not math.isfinite(value):
        raise UnitError(f"{quoted(text)} is not finite in SI units")
    if group == "temperature" and value < 0.0:
        raise UnitError(f"{quoted(text)} is below absolute zero")
    return value


def rounded_text(value: float, unit: str, figures: int = 4) -> str:
    """Return an SI value as text in a unit, rounded for people.

    Parameters
    ----------
    value : float
        The value [SI].
    unit : str
        Accepted spelling of the unit.
    figures : int
        Significant figures [-].

    Returns
    -------
    str
        Such as "12.35 mm".
    """
    return f"{convert(value, unit):.{figures}g} {unit}"


def position_text(value: float) -> str:
    """Return a position [m] in millimetres with all its figures."""
    return rounded_text(value, "mm", 7)


@overload
def convert(value: float, unit: str) -> float: ...
@overload
def convert(value: Array, unit: str) -> Array: ...
def convert(value: Any, unit: str) -> Any:
    """Return an SI value as a number in a unit, for plots and tables.

    Parameters
    ----------
    value : float or numpy.ndarray
        Value [SI unit of the group], any shape.
    unit : str
        Accepted spelling to express it in.

    Returns
    -------
    float or numpy.ndarray
        Number [unit], the shape of `value`.

    Raises
    ------
    UnitError
        If the spelling is not on the list.

    Examples
    --------
    >>> convert(14e6, "bar")
    140.0
    """
    group_of(unit)
    factor, offset = _scale(unit)
    if isinstance(value, float | int) and math.isfinite(value):
        return _float((Fraction(value) - offset) / factor)
    if offset:
        value = value - float(offset)
    if factor < 1:
        return value * float(1 / factor)
    return value / float(factor)


def format_quantity(value: float, unit: str) -> str:
    """Return the shortest text in a unit that :func:`parse` reads back as the same number.

    Parameters
    ----------
    value : float
        Value [SI unit of the group].
    unit : str
        Accepted spelling to write it in.

    Returns
    -------
    str
        Such as "140 bar"; in the SI unit if no 17 digits in `unit` give the value back.

    Raises
    ------
    UnitError
        If the spelling is not on the list or the value is not finite.

    Examples
    --------
    >>> format_quantity(14e6, "bar")
    '140 bar'
    """
    base = si_unit(unit)
    if not math.isfinite(value):
        raise UnitError(f"a value of {value} {base} cannot be written as a quantity")
    value = float(value) + 0.0
    for spelling in dict.fromkeys((unit, base)):
        factor, offset = _scale(spelling)
        number = (Fraction(value) - offset) / factor
        for digits in range(1, 18):
            decimal = Context(digits, ROUND_HALF_EVEN).divide(
                Decimal(number.numerator), Decimal(number.denominator)
            )
            if _float(Fraction(decimal) * factor + offset) == value and _held(decimal):
                return _written(decimal) if unit == "1" else f"{_written(decimal)} {spelling}"
    raise UnitError(f"a value of {value!r} {base} cannot be written as a quantity")


def _held(decimal: Decimal) -> bool:
    """Return whether the digits of a decimal are a float's own, so that they can be read."""
    return math.isfinite(float(decimal)) and (not decimal or float(decimal) != 0.0)


def _written(decimal: Decimal) -> str:
    """Return a decimal without trailing zeros, with an exponent if it is long."""
    if not decimal:
        return "0"
    sign, digits, _ = decimal.as_tuple()
    figures = "".join(map(str, digits)).rstrip("0")
    power = decimal.adjusted()
    if -5 <= power < 9:
        return format(decimal.normalize(Context(40)), "f")
    mantissa = figures[0] + ("." + figures[1:] if len(figures) > 1 else "")
    return f"{'-' if sign else ''}{mantissa}e{power}"


def pattern(unit: str) -> str:
    """Return a regular expression for the texts that :func:`parse` accepts, for a JSON schema.

    Parameters
    ----------
    unit : str
        An accepted spelling of the dimension.

    Returns
    -------
    str
        Expression in the dialect shared by ECMA 262 and Python.

    Raises
    ------
    UnitError
        If the spelling is not on the list.
    """
    names = [
        re.sub(r"([\^$.*+?()\[\]{}|\\])", r"\\\1", name)
        for name in sorted(SPELLINGS[group_of(unit)], key=len, reverse=True)
    ]
    after_gap = [name for name in names if name[0].isdigit()]  # "251/s" is not 25 1/s
    anywhere = [name for name in names if not name[0].isdigit()]
    parts = [rf"\s*(?:{'|'.join(anywhere)})"] if anywhere else []
    parts += [rf"\s+(?:{'|'.join(after_gap)})"] if after_gap else []
    return rf"^\s*{_NUMBER}(?:{'|'.join(parts)}){'?' if unit == '1' else ''}\s*$"
