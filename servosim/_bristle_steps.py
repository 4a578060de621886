"""Steps of a bristle: its fast decay is followed exactly, what is left of its rate by quadrature.

A bristle in sliding decays with ``lambda = sigma_0 |v|/g(v)``, thousands of times a second at
rapid, while all else of an axis is slow. In a step its rate is written as ``N - lambda z`` with the
lambda of the step's beginning. The exponential takes the second part; ``N``, which hardly changes,
is what the stages of the Runge-Kutta method see. A deflection that has settled stays settled,
however long the step is against ``1/lambda``.

Sources. S. M. Cox and P. C. Matthews, "Exponential time differencing for stiff systems", Journal of
Computational Physics 176, 2002 (from memory): the method of order four. With lambda zero it is the
classical method of Runge and Kutta, which the other states of the axis follow in the same stages.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from servosim._elementary import exponential
from servosim._jit import kernel
from servosim._lanes import where

# of the work space of one bristle
RATE, HALF, MIDDLE, WHOLE, FIRST, BETWEEN, LAST, N_0, N_1, N_2, HALF_WAY = range(11)
N_BRISTLE = 11

_SLOW = 0.1  # lambda h below which the exponential has nothing to do: all steps of a table at rest
_FAST = 700.0  # beyond this nothing is left of it that a double could hold
_NO_DEFLECTION = 1e-15  # m, too little to tell the decay from


@kernel
def decay(v: float, z: float, z_rate: float, h: float) -> float:
    """Return the decay of a bristle at the beginning of a step [1/s].

    Parameters
    ----------
    v : float
        Sliding velocity [m/s].
    z, z_rate : float
        Deflection [m] and its rate [m/s].
    h : float
        Length of the step [s].

    Returns
    -------
    float
        ``(v - z_rate)/z``, zero where it is slow against the step. Any number is allowed here: it
        decides how much of the rate is taken exactly, and nothing else.
    """
    bent = abs(z) > _NO_DEFLECTION
    rate = (v - z_rate) / where(bent, z, 1.0)
    x = rate * h
    return where(bent & (x > _SLOW), min(rate, _FAST / where(x > _SLOW, h, 1.0)), 0.0)


@kernel
def weights(x: float) -> tuple[float, float, float, float, float, float]:
    """Return what a step weighs the parts of a bristle's rate with.

    Parameters
    ----------
    x : float
        Decay times length of the step, zero or more than 0.1 [-].

    Returns
    -------
    half, middle, whole : float
        ``exp(-x/2)``, ``(1 - exp(-x/2))/(x/2)`` and ``exp(-x)``.
    first, between, last : float
        Weights of N in the first stage, in each of the two in between, and in the last, over the
        length of the step; 1/6, 1/3 and 1/6 without decay.
    """
    fast = x > 0.0
    x = where(fast, x, 1.0)
    half = exponential(-0.5 * x)
    whole = half * half
    r = 1.0 / x
    r3 = r * r * r
    middle = 2.0 * r * (1.0 - half)
    first = r3 * ((4.0 - x) - whole * (4.0 + x * (3.0 + x)))
    between = 2.0 * r3 * ((x - 2.0) + whole * (x + 2.0))
    last = r3 * ((4.0 - x * (3.0 - x)) - whole * (4.0 + x))
    return (
        where(fast, half, 1.0),
        where(fast, middle, 1.0),
        where(fast, whole, 1.0),
        where(fast, first, 1.0 / 6.0),
        where(fast, between, 1.0 / 3.0),
        where(fast, last, 1.0 / 6.0),
    )


@kernel
def next_deflection(
    s: int,
    h: float,
    v: float,
    z_0: float,
    z: float,
    z_rate: float,
    b: NDArray[np.float64],
) -> float:
    """Return the deflection of a bristle in the next stage of a step.

    Parameters
    ----------
    s : int
        That stage, 1 to 4; the last one is the end of the step.
    h : float
        Length of the step [s].
    v : float
        Sliding velocity at the beginning of the step [m/s].
    z_0 : float
        Deflection there [m].
    z, z_rate : float
        Deflection [m] and its rate [m/s] in the stage before.
    b : ndarray, shape (N_BRISTLE,)
        Work space of this bristle, kept from stage to stage.

    Returns
    -------
    float
        Deflection [m].
    """
    if s == 1:
        b[RATE] = decay(v, z, z_rate, h)
        half, middle, whole, first, between, last = weights(b[RATE] * h)
        b[HALF], b[MIDDLE], b[WHOLE] = half, 0.5 * h * middle, whole
        b[FIRST], b[BETWEEN], b[LAST] = h * first, h * between, h * last
    N = z_rate + b[RATE] * z
    if s == 1:
        b[N_0] = N
        b[HALF_WAY] = b[HALF] * z_0 + b[MIDDLE] * N
        return b[HALF_WAY]
    if s == 2:
        b[N_1] = N
        return b[HALF] * z_0 + b[MIDDLE] * N
    if s == 3:
        b[N_2] = N
        return b[HALF] * b[HALF_WAY] + b[MIDDLE] * (2.0 * N - b[N_0])
    return b[WHOLE] * z_0 + (b[FIRST] * b[N_0] + b[BETWEEN] * (b[N_1] + b[N_2]) + b[LAST] * N)
