"""One step and one stretch of the compiled integration: Tsitouras' 5(4) pair with error control.

The pair is explicit: with inputs held over a sample and samples of about a millisecond no pole of
an axis needs an implicit method, and a pole that is too fast shows as an error and shortens the
step. Its last stage is the rate at the new point, so a stretch that begins with unchanged inputs
has its first stage for nothing.

Source. Ch. Tsitouras, "Runge-Kutta pairs of order 5(4) satisfying only the first column simplifying
assumption", Computers & Mathematics with Applications 62, 2011 (coefficients from memory; a test
checks all order conditions).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from servosim._equations import QUADRATURES, AxisParameters, Held, axis_rhs
from servosim._jit import kernel
from servosim.components.transducer import lag_after, reading_after
from servosim.program import Move

C = (0.0, 0.161, 0.327, 0.9, 0.9800255409045097, 1.0, 1.0)
A = np.array(  # row s: weights of the earlier stages for stage s; the last row is the solution
    [
        [0.0, 0.0, 0.0, 0.0, 0.0, 0.0],
        [0.161, 0.0, 0.0, 0.0, 0.0, 0.0],
        [-0.008480655492356989, 0.335480655492357, 0.0, 0.0, 0.0, 0.0],
        [2.8971530571054935, -6.359448489975075, 4.3622954328695815, 0.0, 0.0, 0.0],
        [
            5.325864828439257,
            -11.748883564062828,
            7.4955393428898365,
            -0.09249506636175525,
            0.0,
            0.0,
        ],
        [
            5.86145544294642,
            -12.92096931784711,
            8.159367898576159,
            -0.071584973281401,
            -0.028269050394068383,
            0.0,
        ],
        [
            0.09646076681806523,
            0.01,
            0.4798896504144996,
            1.379008574103742,
            -3.290069515436081,
            2.324710524099774,
        ],
    ]
)
E = np.array(  # solution less its companion of order four
    [
        -0.00178001105222577714,
        -0.0008164344596567469,
        0.007880878010261995,
        -0.1447110071732629,
        0.5823571654525552,
        -0.45808210592918697,
        1.0 / 66.0,
    ]
)

QUADRATURE_STATES = len(QUADRATURES)
STEP_OK, STEP_NOT_FINITE, STEP_LIMIT = 0, 1, 2
MOST_STEPS = 20000
SMALLEST_STEP = 1e-12


@kernel
def attempt(
    t: float,
    h: float,
    fresh: bool,
    x: NDArray[np.float64],
    w: Held,
    p: AxisParameters,
    m: Move,
    K: NDArray[np.float64],
    y: NDArray[np.float64],
    weight: NDArray[np.float64],
) -> float:
    """Try a step and return its error in units of the scale.

    Parameters
    ----------
    t, h : float
        Time and length of the step [s].
    fresh : bool
        Whether the rate at ``x`` must be computed; otherwise the first row of K holds it.
    x : ndarray, shape (n_states,)
        State at the time.
    w, p, m : Held, AxisParameters, Move
        Inputs, numbers of the axis, the move.
    K : ndarray, shape (7, n_states)
        Rates of the stages, written in place; the last row is the rate at the new state.
    y : ndarray, shape (n_states,)
        The new state afterwards. Inactive states must already stand in it.
    weight : ndarray, shape (n_states,)
        One over the size of each state against which its error counts.

    Returns
    -------
    float
        Largest error of an active state over its scale, quadratures apart; infinite if the step
        left the finite numbers.
    """
    n = p.n_x
    # one place calls the right-hand side, so that its code stands once; the sums are written out,
    # because a loop over the earlier stages would cost as much as the equations
    for s in range(0 if fresh else 1, 7):
        a0, a1, a2 = h * A[s, 0], h * A[s, 1], h * A[s, 2]
        a3, a4, a5 = h * A[s, 3], h * A[s, 4], h * A[s, 5]
        if s == 0:
            for j in range(n):
                y[j] = x[j]
        elif s == 1:
            for j in range(n):
                y[j] = x[j] + a0 * K[0, j]
        elif s == 2:
            for j in range(n):
                y[j] = x[j] + (a0 * K[0, j] + a1 * K[1, j])
        elif s == 3:
            for j in range(n):
                y[j] = x[j] + (a0 * K[0, j] + a1 * K[1, j] + a2 * K[2, j])
        elif s == 4:
            for j in range(n):
                y[j] = x[j] + ((a0 * K[0, j] + a1 * K[1, j]) + (a2 * K[2, j] + a3 * K[3, j]))
        elif s == 5:
            for j in range(n):
                y[j] = x[j] + (
                    (a0 * K[0, j] + a1 * K[1, j]) + (a2 * K[2, j] + a3 * K[3, j]) + a4 * K[4, j]
                )
        else:
            for j in range(n):
                y[j] = x[j] + (
                    (a0 * K[0, j] + a1 * K[1, j])
                    + (a2 * K[2, j] + a3 * K[3, j])
                    + (a4 * K[4, j] + a5 * K[5, j])
                )
        axis_rhs(t + C[s] * h, y, w, p, m, K[s])
    worst = 0.0
    total = 0.0
    for j in range(n - QUADRATURE_STATES):
        e = E[0] * K[0, j] + E[1] * K[1, j] + E[2] * K[2, j] + E[3] * K[3, j]
        e = abs(h * (e + E[4] * K[4, j] + E[5] * K[5, j] + E[6] * K[6, j])) * weight[j]
        worst = max(worst, e)
        total += e
    if not math.isfinite(total):
        return math.inf
    return worst


@kernel
def hits_stop(x: NDArray[np.float64], new: NDArray[np.float64], p: AxisParameters) -> bool:
    """Tell whether the spool runs through one of its stops in a step."""
    i = p.index.spool
    return (abs(x[i]) < 1.0 and abs(new[i]) > 1.0) and p.valve.order == 2


@kernel
def follow(
    h: float,
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    p: AxisParameters,
    K: NDArray[np.float64],
) -> None:
    """Advance the lagged readings in ``x`` over a step that ends at ``y``, see ``lag_after``."""
    i, s = p.index, p.transducer
    place = i.table_position if s.on_table == 1 else i.piston_position
    x[i.scale_reading] = reading_after(
        x[i.scale_reading], h, x[place], y[place], K[0, place], K[6, place], s
    )
    if s.has_pressure == 1:
        z = h * s.p_rate
        a, b = i.pressure_a, i.pressure_b
        x[i.pressure_reading_a] = lag_after(
            x[i.pressure_reading_a], z, h, x[a], y[a], K[0, a], K[6, a]
        )
        x[i.pressure_reading_b] = lag_after(
            x[i.pressure_reading_b], z, h, x[b], y[b], K[0, b], K[6, b]
        )


@kernel
def stretch(
    t: float,
    t_end: float,
    h: float,
    fresh: bool,
    fixed: float,
    tolerance: float,
    x: NDArray[np.float64],
    w: Held,
    p: AxisParameters,
    m: Move,
    K: NDArray[np.float64],
    y: NDArray[np.float64],
    weight: NDArray[np.float64],
    extremes: NDArray[np.float64],
) -> tuple[int, float, float, int]:
    """Integrate over a stretch of time in which nothing jumps.

    Parameters
    ----------
    t, t_end : float
        Ends of the stretch [s].
    h : float
        Step to try first [s].
    fresh : bool
        Whether the first row of K must be computed; otherwise it is the rate at ``t`` already.
    fixed : float
        Length of fixed steps [s], or zero for error control.
    tolerance : float
        Largest accepted error over scale.
    x : ndarray, shape (n_states,)
        State, advanced in place.
    w, p, m, K, y, weight : see :func:`attempt`
        Inputs, axis, move, work space.
    extremes : ndarray, shape (4, 2)
        Highest and lowest pressure of chambers A and B with their times, updated in place.

    Returns
    -------
    status : int
        STEP_OK, STEP_NOT_FINITE or STEP_LIMIT.
    t : float
        Time reached [s].
    h : float
        Step to try next [s].
    steps : int
        Steps tried.
    """
    n = p.n_x
    i_A, i_B, i_s = p.index.pressure_a, p.index.pressure_b, p.index.spool
    tries = 0
    low, high = 0.0, math.inf  # a step between which the spool comes to its stop
    while t < t_end:
        if tries >= MOST_STEPS:
            return STEP_LIMIT, t, h, tries
        tries += 1
        left = t_end - t
        if high < math.inf:
            step, last = 0.5 * (low + high), False
        else:
            step = min(h if fixed == 0.0 else fixed, left)
            last = step >= left * (1.0 - 1e-12)
            if last:
                step = left
            elif fixed == 0.0 and step > 0.5 * left:
                step = 0.5 * left
        error = attempt(t, step, fresh, x, w, p, m, K, y, weight)
        fresh = False
        if fixed == 0.0 and error > tolerance and high == math.inf:
            h = (
                step * max(0.9 * (tolerance / error) ** 0.2, 0.1)
                if error < math.inf
                else 0.1 * step
            )
            if h < SMALLEST_STEP:
                return STEP_NOT_FINITE if error == math.inf else STEP_LIMIT, t, h, tries
            continue
        if error == math.inf:
            return STEP_NOT_FINITE, t, h, tries
        if hits_stop(x, y, p):
            if high == math.inf or high - low > 1e-12:
                high = step
                continue
            y[i_s] = 1.0 if y[i_s] > 0.0 else -1.0
            y[p.index.spool_rate] = 0.0
            fresh, last = True, False
        elif high < math.inf and high - low > 1e-12:
            low = step
            continue
        low, high = 0.0, math.inf
        if w.exact_readings == 1:
            follow(step, x, y, p, K)
        t = t_end if last else t + step
        for j in range(n):
            x[j] = y[j]
            K[0, j] = K[6, j]
        if fixed == 0.0:
            grow = 5.0 if error == 0.0 else min(0.9 * (tolerance / error) ** 0.2, 5.0)
            h = max(step * grow, h if last else 0.0) if grow >= 1.0 else step * max(grow, 0.2)
        for c in range(2):
            value = x[i_A] if c == 0 else x[i_B]
            if value > extremes[c, 0]:
                extremes[c, 0], extremes[c, 1] = value, t
            if value < extremes[2 + c, 0]:
                extremes[2 + c, 0], extremes[2 + c, 1] = value, t
    return STEP_OK, t, h, tries
