"""Words that text and figures of a cycle share."""

from __future__ import annotations

from servosim.components.oil import ATMOSPHERE
from servosim.units import convert


def pressure_range(low: float, high: float) -> str:
    """Return the lowest and the highest pressure in words.

    Parameters
    ----------
    low, high : float
        Gauge pressures [Pa].

    Returns
    -------
    str
        In bar with three figures; what is computed below a vacuum is called one.

    Examples
    --------
    >>> pressure_range(5.26e6, 9.04e6), pressure_range(-1.04e5, 3.4e6)
    ('52.6 to 90.4 bar', 'vacuum to 34 bar')
    """
    least = "vacuum" if low < -ATMOSPHERE else f"{float(convert(low, 'bar')):.3g}"
    return f"{least} to {float(convert(high, 'bar')):.3g} bar"
