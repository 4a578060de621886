"""Powers, exponential and sine in arithmetic alone, for plain numbers and for lanes alike.

A call into the mathematics library would break the vector and, in a single run, make the compiled
code put all its numbers away. Every function here is a reduction to a short range and a series
that is cut where its next term falls below the last digit; a test compares all of them with the
library over their whole ranges.
"""

from __future__ import annotations

import math

from servosim._jit import inner_kernel
from servosim._lanes import guessed_fourth_root, parts, scaled, where

_ROOT_2 = math.sqrt(2.0)
_L = tuple(2.0 / math.log(2.0) / (2 * k + 1) for k in range(11))  # of 2 artanh(s)/ln 2
_E = tuple(math.log(2.0) ** k / math.factorial(k) for k in range(15))  # of 2^f
_S = tuple((-1.0) ** k / math.factorial(2 * k + 1) for k in range(12))  # of sin(x)
_C = tuple((-1.0) ** k / math.factorial(2 * k) for k in range(8))  # of cos(x)
_Q = (1.0 / 4.0, 5.0 / 32.0, 15.0 / 128.0)  # of (1 - r)^(-1/4)
_TURN = 1.0 / (2.0 * math.pi)
_LOG2_E = 1.0 / math.log(2.0)
_LEAST, _MOST = -1022.0, 1023.0


@inner_kernel
def log2(x: float) -> float:
    """Return the logarithm to base 2 of a positive number: 2 artanh((m - 1)/(m + 1))/ln 2 + k."""
    m, k = parts(x)
    large = m > _ROOT_2
    m = where(large, 0.5 * m, m)
    k = where(large, k + 1.0, k)
    s = (m - 1.0) / (m + 1.0)
    z = s * s
    z2 = z * z
    z4 = z2 * z2
    low = (_L[0] + _L[1] * z) + z2 * (_L[2] + _L[3] * z)
    high = (_L[4] + _L[5] * z) + z2 * (_L[6] + _L[7] * z)
    top = (_L[8] + _L[9] * z) + z2 * _L[10]
    return k + s * (low + z4 * (high + z4 * top))


@inner_kernel
def exp2(y: float) -> float:
    """Return two to a power; beyond the range of doubles that of its end."""
    y = min(max(y, _LEAST), _MOST)
    k = math.floor(y + 0.5)
    f = y - k
    f2 = f * f
    f4 = f2 * f2
    low = (_E[0] + _E[1] * f) + f2 * (_E[2] + _E[3] * f)
    middle = (_E[4] + _E[5] * f) + f2 * (_E[6] + _E[7] * f)
    high = (_E[8] + _E[9] * f) + f2 * (_E[10] + _E[11] * f)
    top = (_E[12] + _E[13] * f) + f2 * _E[14]
    return scaled(low + f4 * (middle + f4 * (high + f4 * top)), k)


@inner_kernel
def power(x: float, e: float) -> float:
    """Return a positive number to a power."""
    return exp2(e * log2(x))


@inner_kernel
def _corrected(y: float, x: float) -> float:
    """Return x^(-1/4) more exactly: the binomial series of ``(1 - r)^(-1/4)``, three terms."""
    y2 = y * y
    r = 1.0 - x * (y2 * y2)
    return y + y * r * (_Q[0] + r * (_Q[1] + r * _Q[2]))


@inner_kernel
def inverse_fourth_root(x: float) -> float:
    """Return x^(-1/4) of a positive number between 1e-250 and 1e250.

    The bits of a double, taken as a whole number, are about its logarithm: a quarter of them,
    turned round, is a guess within 4 %. Each correction is a series in ``r = 1 - x y^4``: the first
    leaves 2e-5, the second 1e-17.
    """
    return _corrected(_corrected(guessed_fourth_root(x), x), x)


@inner_kernel
def inverse_fourth_roots(
    a: float, b: float, c: float, d: float
) -> tuple[float, float, float, float]:
    """Return :func:`inverse_fourth_root` of four numbers, step by step side by side.

    Each step of one has to wait for the step before; the processor does the others meanwhile.
    """
    p, q = guessed_fourth_root(a), guessed_fourth_root(b)
    r, s = guessed_fourth_root(c), guessed_fourth_root(d)
    for _ in range(2):
        p, q, r, s = _corrected(p, a), _corrected(q, b), _corrected(r, c), _corrected(s, d)
    return p, q, r, s


@inner_kernel
def exponential(x: float) -> float:
    """Return e to a power."""
    return exp2(x * _LOG2_E)


@inner_kernel
def sine_near(x: float) -> float:
    """Return the sine of an angle from -pi/2 to pi/2."""
    z = x * x
    z2 = z * z
    z4 = z2 * z2
    low = (_S[0] + _S[1] * z) + z2 * (_S[2] + _S[3] * z)
    middle = (_S[4] + _S[5] * z) + z2 * (_S[6] + _S[7] * z)
    high = (_S[8] + _S[9] * z) + z2 * (_S[10] + _S[11] * z)
    return x * (low + z4 * (middle + z4 * high))


@inner_kernel
def sine(x: float) -> float:
    """Return the sine of an angle; its absolute error grows with the size of the angle."""
    turns = x * _TURN
    r = turns - math.floor(turns + 0.5)
    r = where(r > 0.25, 0.5 - r, where(r < -0.25, -0.5 - r, r))
    return sine_near(2.0 * math.pi * r)


@inner_kernel
def sine_cosine(x: float) -> tuple[float, float]:
    """Return sine and cosine of an angle; their absolute error grows with the size of the angle."""
    quarters = x * (4.0 * _TURN)
    q = math.floor(quarters + 0.5)
    y = (quarters - q) * (0.5 * math.pi)  # from -pi/4 to pi/4
    z = y * y
    z2 = z * z
    z4 = z2 * z2
    low = (_S[0] + _S[1] * z) + z2 * (_S[2] + _S[3] * z)
    s = y * (low + z4 * ((_S[4] + _S[5] * z) + z2 * (_S[6] + _S[7] * z)))
    low = (_C[0] + _C[1] * z) + z2 * (_C[2] + _C[3] * z)
    c = low + z4 * ((_C[4] + _C[5] * z) + z2 * (_C[6] + _C[7] * z))
    turned = q - 4.0 * math.floor(0.25 * q)  # 0, 1, 2 or 3 quarters
    odd = (turned == 1.0) | (turned == 3.0)
    sine_part, cosine_part = where(odd, c, s), where(odd, s, c)
    sine_part = where(turned >= 2.0, -sine_part, sine_part)
    middle = (turned == 1.0) | (turned == 2.0)
    return sine_part, where(middle, -cosine_part, cosine_part)
