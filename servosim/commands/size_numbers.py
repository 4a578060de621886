"""Numbers of a calculation as text: the unit in which each is read, and how many digits it has."""

from __future__ import annotations

import math
import re

from servosim import units
from servosim.commands.formula_text import GAP, unit_text

DIGITS = 5
_EXACT = 8  # digits up to which a short number is written in full
# practical units by SI unit: each from its size on [SI], the smallest first
_PRACTICAL: dict[str, tuple[tuple[float, str], ...]] = {
    "m": ((0.0, "um"), (1e-3, "mm"), (5.0, "m")),
    "m2": ((0.0, "mm2"), (1e-4, "cm2"), (1.0, "m2")),
    "m3": ((0.0, "mm3"), (1e-7, "cm3"), (1e-3, "L")),
    "m/s": ((0.0, "um/s"), (1e-4, "mm/s"), (2.0, "m/s")),
    "s": ((0.0, "ms"), (0.1, "s")),
    "N": ((0.0, "N"), (1e4, "kN")),
    "Pa": ((0.0, "Pa"), (100.0, "bar"), (1e8, "MPa"), (1e9, "GPa")),
    "m3/s": ((0.0, "cm3/min"), (1e-6, "L/min")),
    "W": ((0.0, "W"), (1e3, "kW")),
    "J": ((0.0, "J"), (1e3, "kJ")),
    "N/m": ((0.0, "N/m"), (1e5, "N/um")),
    "m2/s": ((0.0, "mm2/s"),),
    "Pa s": ((0.0, "mPa s"),),
    "m3/s/Pa": ((0.0, "cm3/min/bar"), (1e-10, "L/min/bar")),
    "m3/s/sqrt(Pa)": ((0.0, "L/min/sqrt(bar)"),),
    "m3/rad": ((0.0, "cm3/rad"),),
    "1/Pa": ((0.0, "1/GPa"),),
    "N/Pa": ((0.0, "N/bar"),),
    "Pa/K": ((0.0, "MPa/K"),),
    "Pa/s": ((0.0, "bar/s"),),
    "m/s/Pa": ((0.0, "mm/s/bar"),),
    "N s/m": ((0.0, "N s/m"), (1e4, "kN s/m")),
    "J/K": ((0.0, "J/K"), (1e3, "kJ/K")),
    "kg m2": ((0.0, "kg cm2"), (1.0, "kg m2")),
}
_ZERO = {"m": "mm", "m2": "cm2", "m3": "L", "m/s": "mm/s", "s": "s", "Pa": "bar", "m3/s": "L/min"}


def practical(value: float, unit: str) -> str:
    """Return the unit in which a number of the sheet is read.

    Parameters
    ----------
    value : float
        The number [SI].
    unit : str
        Its SI unit.

    Returns
    -------
    str
        A unit that is a plain multiple of the SI unit, so that formulas hold in it.

    Examples
    --------
    >>> practical(0.063, "m"), practical(1.4e9, "Pa"), practical(14e6, "Pa"), practical(3.0, "kg")
    ('mm', 'GPa', 'bar', 'kg')
    """
    choices = _PRACTICAL.get(unit, ((0.0, unit),))
    size = abs(value)
    if size == 0.0 or math.isnan(size):
        return _ZERO.get(unit, choices[0][1])
    return [name for least, name in choices if size >= least * (1.0 - 1e-12)][-1]


def number_text(value: float, unit: str, shown: str, digits: int = DIGITS) -> str:
    """Return an SI value in a unit, with its unit behind a no-break space.

    Parameters
    ----------
    value : float
        The value [SI].
    unit : str
        Its SI unit; one that is not on the list of units must be shown as it is.
    shown : str
        Unit to show.
    digits : int, optional
        Digits that count.

    Returns
    -------
    str
        Such as "12.5 L/min"; "none" if there is no value, "∞" if it has no limit.
    """
    if math.isnan(value):
        return "none"
    if math.isinf(value):
        return "∞" if value > 0.0 else "-∞"
    text = _bare(float(value) if shown == unit else units.convert(float(value), shown), digits)
    return text if shown in ("", "1") else f"{text}{GAP}{shown}"


def _bare(number: float, digits: int) -> str:
    """Return a number with so many digits, its exponent without zeros."""
    text = f"{number + 0.0:.{digits}g}"
    return re.sub(r"e([+-])0*(\d+)$", r"e\1\2", text).replace("e+", "e")


def argument_text(value: float, unit: str, shown: str, digits: int) -> str:
    """Return an argument as :func:`number_text` does, in full if it is a short number.

    Parameters
    ----------
    value, unit, shown, digits
        As of :func:`number_text`.

    Returns
    -------
    str
        Such as "9.80665 m/s2", although that has more than five digits.
    """
    full = number_text(value, unit, shown, _EXACT)
    if math.isfinite(value) and math.isclose(read_back(full, value, shown, unit), value,
                                             rel_tol=1e-13):  # fmt: skip
        return full
    return number_text(value, unit, shown, digits)


def read_back(text: str, value: float, shown: str, unit: str) -> float:
    """Return what a reader of a printed number takes it for.

    Parameters
    ----------
    text : str
        The printed number.
    value : float
        What it stands for if it is no number, such as "none" [SI].
    shown, unit : str
        Unit in which it is printed, and the SI unit.

    Returns
    -------
    float
        The number [SI].
    """
    number = text.partition(GAP)[0]
    try:
        read = float(number.replace("∞", "inf"))
    except ValueError:
        return value
    return read if shown == unit or math.isinf(read) else units.parse(f"{number} {shown}", unit)


def with_unit(text: str, plain: bool = False) -> str:
    """Return a printed number with the powers of its unit raised."""
    number, gap, unit = text.partition(GAP)
    number = number.replace("∞", "inf") if plain else number
    return f"{number}{gap}{unit_text(unit, plain=plain)}"
