"""Units in which people of the trade read a number: which one suits a quantity and its size."""

from __future__ import annotations

import math

UNITS = {
    "Pa": "bar",
    "m3/s": "L/min",
    "m3": "L",
    "J": "kJ",
    "m2": "cm2",
    "m3/s/sqrt(Pa)": "L/min/sqrt(bar)",
    "m2/s": "mm2/s",
}


def practical_unit(unit: str, size: float) -> str:
    """Return the unit in which a number is read.

    Parameters
    ----------
    unit : str
        SI unit.
    size : float
        Size of the number [SI]: a length below 1 mm is read in um.

    Returns
    -------
    str
        Spelling that :func:`servosim.units.convert` takes.

    Examples
    --------
    >>> practical_unit("m", 4.2e-6), practical_unit("m", 0.15), practical_unit("Pa", 14e6)
    ('um', 'mm', 'bar')
    """
    size = abs(size)
    if unit == "m":
        return "um" if size < 1e-3 else "mm"
    if unit == "m/s":
        return "um/min" if 0.0 < size < 1e-5 else "mm/s"
    return UNITS.get(unit, unit)


def percentage(share: float) -> str:
    """Return a share as a percentage that is never rounded to none or all.

    Parameters
    ----------
    share : float
        From 0 to 1 [-].

    Returns
    -------
    str
        Without the sign of per cent; one decimal, more near the ends, so that what is missing to
        none or all shows with two digits.

    Examples
    --------
    >>> percentage(0.775), percentage(0.99996), percentage(1.0), percentage(0.0)
    ('77.5', '99.9960', '100', '0')
    """
    if math.isnan(share):
        return "-"
    small = 100.0 * min(share, 1.0 - share)
    if small < 1e-9:  # but for rounding
        return f"{100.0 * share:.0f}"
    return f"{100.0 * share:.{max(1, 1 - math.floor(math.log10(small)))}f}"
