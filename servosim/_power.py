"""A power with a fixed exponent, by table and series: the inner loops need one for each oil volume.

``x^e = 2^(e k) m_j^e (1 + d)^e`` with x = 2^k m, the mantissa m in one of 32 parts of [1, 2) of
which m_j is the middle, and d = m/m_j - 1, at most 1/64: eight terms of the binomial series. The
exponent belongs to an axis (the polytropic one of its air), so tables and series are made once, by
the library's own power. A test compares it with that over the whole range: they agree to 4e-15.
A call into the
mathematics library would cost three times as much, because the compiled code has to put all its
numbers away for it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from servosim._jit import inner_kernel

PARTS = 32
LEAST_EXPONENT = -16  # of two: 1.5e-5
EXPONENTS = 32
TERMS = 8


class PowerTable(NamedTuple):
    """Tables for x to a fixed power, x from 2^-16 to 2^16."""

    scale: tuple[float, ...]  # 2^(e k)
    inverse: tuple[float, ...]  # 1/m_j
    level: tuple[float, ...]  # m_j^e
    series: tuple[float, ...]  # binomial coefficients of e


def power_table(exponent: float) -> PowerTable:
    """Return the tables for an exponent.

    Parameters
    ----------
    exponent : float
        Any real exponent of moderate size [-].

    Returns
    -------
    PowerTable
        Tables of plain floats.
    """
    middles = 1.0 + (np.arange(PARTS) + 0.5) / PARTS
    series = [1.0]
    for k in range(1, TERMS):
        series.append(series[-1] * (exponent - k + 1.0) / k)
    twos = LEAST_EXPONENT + np.arange(EXPONENTS)
    return PowerTable(
        scale=tuple(float(v) for v in 2.0 ** (exponent * twos)),
        inverse=tuple(float(v) for v in 1.0 / middles),
        level=tuple(float(v) for v in middles**exponent),
        series=tuple(series),
    )


@inner_kernel
def power(x: float, table: PowerTable) -> float:
    """Return x to the power of the table, for x from 2^-16 to 2^16; beyond, that of the end."""
    bits: int = np.float64(x).view(np.int64)  # type: ignore[assignment]
    k = min(max((bits >> 52) - 1023 - LEAST_EXPONENT, 0), EXPONENTS - 1)
    j = (bits >> 47) & (PARTS - 1)
    m = np.int64((bits & 0x000FFFFFFFFFFFFF) | 0x3FF0000000000000).view(np.float64)
    d = m * table.inverse[j] - 1.0
    s = table.series
    d2 = d * d
    low = (1.0 + s[1] * d) + d2 * (s[2] + s[3] * d)
    high = (s[4] + s[5] * d) + d2 * (s[6] + s[7] * d)
    return table.scale[k] * table.level[j] * (low + d2 * d2 * high)
