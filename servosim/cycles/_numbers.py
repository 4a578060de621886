"""Numbers as they are written: texts to decimals, sums without rounding, exact changes of unit."""

from __future__ import annotations

import re
from collections.abc import Iterable
from decimal import Clamped, Context, Decimal, Inexact, InvalidOperation, Overflow, Rounded
from fractions import Fraction

from servosim.units import _scale, si_unit

_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_COMMA_NUMBER = re.compile(r"[+-]?(?:[0-9]+,?[0-9]*|,[0-9]+)(?:[eE][+-]?[0-9]+)?")
_LONGEST = 40
_SMALLEST, _LARGEST = -30, 20  # powers of ten between which a number can be meant
# Wide enough for any sum of numbers within these bounds; a digit lost would be an error, not a sum.
_EXACT = Context(prec=200, traps=[Inexact, Rounded, InvalidOperation, Overflow, Clamped])


class NotANumber(ValueError):
    """A text that is no number; the message says why, without the text itself."""


def decimal_of(text: str, *, comma: bool = False) -> Decimal:
    """Return the number in a text, digit for digit.

    Parameters
    ----------
    text : str
        Such as "412.50".
    comma : bool
        Whether the decimals stand after a comma instead of a point.

    Returns
    -------
    decimal.Decimal
        Exactly what is written.

    Raises
    ------
    NotANumber
        If the text is not one number in plain digits, or of a size that cannot be meant.
    """
    text = text.strip()
    if (_COMMA_NUMBER if comma else _NUMBER).fullmatch(text) is None:
        raise NotANumber(_reason(text, comma))
    if len(text) > _LONGEST:
        raise NotANumber(f"has more than {_LONGEST} characters")
    number = Decimal(text.replace(",", "."))
    exponent = number.as_tuple().exponent
    if not isinstance(exponent, int) or exponent < _SMALLEST or number.adjusted() > _LARGEST:
        raise NotANumber("is too large, or has too many decimals, to be meant")
    return number


def _reason(text: str, comma: bool) -> str:
    """Return why a text is not a number."""
    if re.fullmatch(r"[+-]?(nan|inf|infinity)", text, re.IGNORECASE):
        return "is not a finite number"
    if any(dash in text for dash in "\N{MINUS SIGN}\N{EN DASH}\N{EM DASH}"):
        return "has a dash in the place of a minus '-'"
    if comma and "." in text:
        return "has a point, although the file states decimals after a comma"
    if "," in text and re.fullmatch(r"[0-9+\-.,\s]+", text):
        return "has a comma; decimals stand after a point, thousands are not parted"
    if re.fullmatch(r"[+-]?[0-9.,]+[\s'_\u00a0\u2009\u202f\u2019][0-9.,\s'_\u2019]+", text):
        return "is a number broken in two"
    if (comma and _COMMA_NUMBER.match(text)) or _NUMBER.match(text):
        return "has something behind the number; units stand in the header"
    return "is not a number"


def exact_sum(numbers: Iterable[Decimal]) -> Decimal:
    """Return a sum in decimal arithmetic in which no digit is lost.

    Parameters
    ----------
    numbers : iterable of decimal.Decimal
        What is added, as made by :func:`decimal_of`.

    Returns
    -------
    decimal.Decimal
        The sum; 0 of nothing.
    """
    total = Decimal(0)
    for number in numbers:
        total = _EXACT.add(total, number)
    return total


def exact(number: Decimal, unit: str) -> Fraction:
    """Return a number with a unit as an exact SI value.

    Parameters
    ----------
    number : decimal.Decimal
        Number [unit].
    unit : str
        Accepted spelling of a unit without an offset.

    Returns
    -------
    fractions.Fraction
        Value [SI unit of the group], not rounded.
    """
    return Fraction(number) * _scale(unit).factor


def in_unit(value: Fraction, unit: str) -> Decimal | None:
    """Return an exact SI value as a number in a unit, if its decimals come to an end.

    Parameters
    ----------
    value : fractions.Fraction
        Value [SI unit of the group].
    unit : str
        Accepted spelling of a unit without an offset.

    Returns
    -------
    decimal.Decimal or None
        Number [unit]; None if no finite number of decimals holds it.
    """
    number = value / _scale(unit).factor
    rest = number.denominator
    twos = fives = 0
    while rest % 2 == 0:
        rest, twos = rest // 2, twos + 1
    while rest % 5 == 0:
        rest, fives = rest // 5, fives + 1
    places = max(twos, fives)
    if rest != 1 or places > 60:
        return None
    return _EXACT.scaleb(Decimal(int(number * 10**places)), -places)


def shown(value: Fraction, *units: str) -> str:
    """Return an exact value with the first of some units in which its decimals come to an end.

    Parameters
    ----------
    value : fractions.Fraction
        Value [SI unit of the group].
    *units : str
        Accepted spellings in the order of preference.

    Returns
    -------
    str
        Such as "412.5 mm"; "about 16.24 in" with 17 digits if no unit will do.
    """
    for unit in (*units, si_unit(units[0])):
        number = in_unit(value, unit)
        if number is not None:
            return with_unit(plain(number), unit)
    rough = Context(prec=17)
    rest = value / _scale(units[0]).factor
    quotient = rough.divide(Decimal(rest.numerator), Decimal(rest.denominator))
    return "about " + with_unit(plain(quotient), units[0])


def with_unit(number: str, unit: str) -> str:
    """Return the text of a number with its unit; plain numbers have none.

    Parameters
    ----------
    number : str
        Text of the number.
    unit : str
        Accepted spelling.

    Returns
    -------
    str
        Such as "412.5 mm".
    """
    return number if unit in ("", "1") else f"{number} {unit}"


def plain(number: Decimal) -> str:
    """Return a decimal in full digits, without trailing zeros or exponent.

    Parameters
    ----------
    number : decimal.Decimal
        Any finite number.

    Returns
    -------
    str
        Such as "1250".
    """
    text = format(number, "f")
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text
