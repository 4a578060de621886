"""What the figures need of pressures, flow and command, gathered sample by sample.

A loop that simulates many moves need not keep these traces. :func:`gather` has no branch that
depends on the numbers, so that it may be called with one move or with several side by side.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim._equations import AxisParameters
from servosim._jit import inner_kernel, kernel

# lowest supply pressure, samples with a chamber below the air release, samples with the command at
# its limit, largest growth of the drawn volume in a sample, drawn volume of the last sample
Sums = tuple[float, float, float, float, float]
NOTHING_GATHERED: Sums = (math.inf, 0.0, 0.0, -math.inf, math.inf)

# places of what a run hands to the figures
LOWEST_SUPPLY, BELOW, LIMITED, LARGEST_GROWTH, DRAWN_LAST = 0, 1, 2, 3, 4  # the sums in their order
DRAWN_FIRST = 5  # drawn volume of the first sample [m3]
ENERGY, WORK, HEAT = 6, 7, 8  # of the last sample [J]
HIGHEST_A, HIGHEST_B, LOWEST_A, LOWEST_B = 9, 10, 11, 12  # pressures between the samples too [Pa]
N_GATHERED = 13


@inner_kernel
def where(condition: Any, a: Any, b: Any) -> Any:
    """Return the first value where a condition holds, else the second."""
    return a if condition else b


@inner_kernel
def least(a: Any, b: Any) -> Any:
    """Return the smaller value, or nan as soon as one is nan."""
    return where(b < a, b, where(b == b, a, b))


@inner_kernel
def greatest(a: Any, b: Any) -> Any:
    """Return the larger value, or nan as soon as one is nan."""
    return where(b > a, b, where(b == b, a, b))


@inner_kernel
def command_limit(u_max: Any) -> Any:
    """Return from which size on a command counts as limited [-]."""
    return 0.999 * min(u_max, 1.0)


@inner_kernel
def gather(
    sums: Any, p_S: Any, p_A: Any, p_B: Any, drawn: Any, u: Any, p_release: Any, limit: Any
) -> Any:
    """Return the sums with one more sample.

    Parameters
    ----------
    sums : tuple of five
        Sums so far, ``NOTHING_GATHERED`` before the first sample.
    p_S : float
        Supply pressure at the valve [Pa].
    p_A, p_B : float
        Pressures of the chambers [Pa]; twice A for a cylinder with one.
    drawn : float
        Volume drawn from the supply so far [m3].
    u : float
        Command [-].
    p_release : float
        Pressure below which the oil releases its air [Pa].
    limit : float
        See :func:`command_limit` [-].

    Returns
    -------
    tuple of five
        Lowest supply pressure [Pa], samples below the air release, samples with the command at its
        limit, largest growth of the drawn volume in a sample [m3], drawn volume [m3].
    """
    low, below, limited, growth, before = sums
    return (
        least(low, p_S),
        below + where(min(p_A, p_B) < p_release, 1.0, 0.0),
        limited + where(max(u, -u) >= limit, 1.0, 0.0),
        greatest(growth, drawn - before),
        drawn,
    )


@kernel
def gather_traces(
    p: AxisParameters,
    X: NDArray[np.float64],
    command: NDArray[np.float64],
    extremes: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return what the figures need of the traces of one run.

    Parameters
    ----------
    p : AxisParameters
        Numbers of the axis.
    X : ndarray, shape (n_t, n_states)
        States at the samples, one at least.
    command : ndarray, shape (n_t,)
        Command [-].
    extremes : ndarray, shape (4, 2)
        Highest pressure of A and B, lowest of A and B [Pa], each with its time [s].

    Returns
    -------
    ndarray, shape (N_GATHERED,)
        By the places named above.
    """
    i, limit = p.index, command_limit(p.controller.u_max)
    second = i.pressure_b if p.cylinder.has_b == 1 else i.pressure_a
    sums = NOTHING_GATHERED
    n = X.shape[0]
    for k in range(n):
        sums = gather(
            sums,
            X[k, i.supply_pressure],
            X[k, i.pressure_a],
            X[k, second],
            X[k, i.drawn_volume],
            command[k],
            p.oil.p_release,
            limit,
        )
    found = np.empty(N_GATHERED)
    for j in range(5):
        found[j] = sums[j]
    found[DRAWN_FIRST] = X[0, i.drawn_volume]
    found[ENERGY] = X[n - 1, i.supplied_energy]
    found[WORK] = X[n - 1, i.mechanical_work]
    found[HEAT] = X[n - 1, i.heat]
    for j in range(4):
        found[HIGHEST_A + j] = extremes[j, 0]
    return found
