"""One step of the compiled integration: Tsitouras' 5(4) pair with error control.

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
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim._elementary import power
from servosim._equations import QUADRATURES, AxisParameters, axis_rhs, look_around
from servosim._jit import kernel
from servosim._lanes import isfinite, no, some, where
from servosim.components.transducer import lag_after, lag_weights, reading_after
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
STAGES = 7
SPARE = STAGES  # one more row of rates: where a fresh first stage is computed
STEP_OK, STEP_NOT_FINITE, STEP_LIMIT = 0, 1, 2
MOST_STEPS = 20000
SMALLEST_STEP = 1e-12


@kernel
def attempt(
    t: float,
    h: float,
    fresh: bool,
    x: NDArray[np.float64],
    w: Any,
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
    w, p, m : record of Held, AxisParameters, Move
        Inputs, numbers of the axis, the move.
    K : ndarray, shape (8, n_states)
        Rates of the stages, written in place; the last but one is the rate at the new state, the
        last is spare.
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
    inner = n - QUADRATURE_STATES  # nothing depends on the quadratures
    # one place calls the right-hand side, so that its code stands once; the sums are written out,
    # because a loop over the earlier stages would cost as much as the equations
    for s in range(0 if some(fresh) else 1, STAGES):
        a0, a1, a2 = h * A[s, 0], h * A[s, 1], h * A[s, 2]
        a3, a4, a5 = h * A[s, 3], h * A[s, 4], h * A[s, 5]
        if s == 0:
            for j in range(inner):
                y[j] = x[j]
        elif s == 1:
            for j in range(inner):
                y[j] = x[j] + a0 * K[0, j]
        elif s == 2:
            for j in range(inner):
                y[j] = x[j] + (a0 * K[0, j] + a1 * K[1, j])
        elif s == 3:
            for j in range(inner):
                y[j] = x[j] + (a0 * K[0, j] + a1 * K[1, j] + a2 * K[2, j])
        elif s == 4:
            for j in range(inner):
                y[j] = x[j] + ((a0 * K[0, j] + a1 * K[1, j]) + (a2 * K[2, j] + a3 * K[3, j]))
        elif s == 5:
            for j in range(inner):
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
        axis_rhs(t + C[s] * h, y, w, p, m, K[SPARE if s == 0 else s])
        if s == 0:
            for j in range(n):
                K[0, j] = where(fresh, K[SPARE, j], K[0, j])
    worst = total = 0.0 * h
    for j in range(inner):
        e = E[0] * K[0, j] + E[1] * K[1, j] + E[2] * K[2, j] + E[3] * K[3, j]
        e = abs(h * (e + E[4] * K[4, j] + E[5] * K[5, j] + E[6] * K[6, j])) * weight[j]
        worst = max(worst, e)
        total += e
    return where(isfinite(total), worst, math.inf)


@kernel
def hits_stop(x: NDArray[np.float64], new: NDArray[np.float64], p: AxisParameters) -> bool:
    """Tell whether the spool runs through one of its stops in a step."""
    i = p.index.spool
    return (abs(x[i]) < 1.0) & (abs(new[i]) > 1.0)


@kernel
def follow(
    here: bool,
    h: float,
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    p: AxisParameters,
    K: NDArray[np.float64],
) -> None:
    """Advance the lagged readings in ``x`` over a step that ends at ``y``, see ``lag_after``."""
    i, s = p.index, p.transducer
    place = i.table_position if s.on_table == 1 else i.piston_position
    begin = x[i.scale_reading]
    reading = reading_after(begin, h, x[place], y[place], K[0, place], K[6, place], s)
    x[i.scale_reading] = where(here, reading, begin)
    if s.has_pressure == 1:
        weights = lag_weights(h * s.p_rate)
        for side in range(2):
            k = i.pressure_a if side == 0 else i.pressure_b
            r = i.pressure_reading_a if side == 0 else i.pressure_reading_b
            begin = x[r]
            reading = lag_after(begin, weights, h, x[k], y[k], K[0, k], K[6, k])
            x[r] = where(here, reading, begin)


@kernel
def advance(
    here: bool,
    t: float,
    t_end: float,
    course: tuple[float, float, float],
    fresh: bool,
    fixed_steps: int,
    tolerance: float,
    x: NDArray[np.float64],
    w: Any,
    p: AxisParameters,
    m: Move,
    K: NDArray[np.float64],
    y: NDArray[np.float64],
    weight: NDArray[np.float64],
    extremes: NDArray[np.float64],
) -> tuple[float, float, tuple[float, float, float], bool]:
    """Try one step towards the end of a stretch of time in which nothing jumps.

    Parameters
    ----------
    here : bool
        Whether a step is wanted; a lane that waits makes one of no length.
    t, t_end : float
        Time, and the end of the stretch [s].
    course : tuple of float
        Step to try [s], and the lengths [s] between which the spool comes to its stop, zero and
        infinite if it doesn't.
    fresh : bool
        Whether the first row of K must be computed; otherwise it is the rate at ``t`` already.
    fixed_steps : int
        Equal steps in each sample without error control, or zero.
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
    status : float
        STEP_OK, STEP_NOT_FINITE or STEP_LIMIT.
    t : float
        Time reached [s].
    course : tuple of float
        For the next step.
    fresh : bool
        For the next step.
    """
    n, i_s = p.n_x, p.index.spool
    h, low, high = course
    left = t_end - t
    halving = high < math.inf
    step = min(h, left)
    if fixed_steps > 0:
        step = min(p.controller.period / fixed_steps, left)
    last = no(halving) & (step >= left * (1.0 - 1e-12))
    if fixed_steps == 0:
        step = where(step > 0.5 * left, 0.5 * left, step)
    step = where(last, left, where(halving, 0.5 * (low + high), step))
    step = where(here, step, 0.0)
    look_around(x, w, p)
    error = attempt(t, step, fresh & here, x, w, p, m, K, y, weight)
    fresh &= no(here)
    # the step that this error allows, over the present one
    ratio = 0.9 * power(tolerance / max(error, 1e-30), 0.2)
    refused = here & no(halving) & (error > tolerance)
    if fixed_steps > 0:
        refused &= no(here)
    lost = here & no(refused) & (error == math.inf)
    too_short = refused & no(refused)
    if some(refused):
        shorter = step * where(error < math.inf, max(ratio, 0.1), 0.1)
        h = where(refused, shorter, h)
        too_short = refused & (h < SMALLEST_STEP)
        lost |= too_short & (error == math.inf)
    status = where(lost, STEP_NOT_FINITE, where(too_short, STEP_LIMIT, STEP_OK + 0.0 * t))
    done = here & no(refused) & no(lost)
    if p.valve.order == 2:
        hits = done & hits_stop(x, y, p)
        if some(hits | halving):
            wide = (high == math.inf) | (high - low > 1e-12)
            short = done & no(hits) & halving & wide
            high = where(hits & wide, step, high)
            low = where(short, step, low)
            stops = hits & no(wide)
            done &= no(short) & no(hits & wide)
            y[i_s] = where(stops, where(y[i_s] > 0.0, 1.0, -1.0), y[i_s])
            y[p.index.spool_rate] = where(stops, 0.0, y[p.index.spool_rate])
            fresh |= stops
            last &= no(stops)
            low, high = where(done, 0.0, low), where(done, math.inf, high)
    if p.controller.sampled == 1:
        follow(done, step, x, y, p, K)
    t = where(done, where(last, t_end, t + step), t)
    if some(no(done)):
        for j in range(n):
            x[j] = where(done, y[j], x[j])
            K[0, j] = where(done, K[6, j], K[0, j])
    else:
        for j in range(n):
            x[j], K[0, j] = y[j], K[6, j]
    if fixed_steps == 0:
        grow = min(ratio, 5.0)
        longer = max(step * grow, where(last, h, 0.0))
        longer = where(grow >= 1.0, longer, step * max(grow, 0.2))
        h = where(done, longer, h)
    for c in range(2):
        value = x[p.index.pressure_a] if c == 0 else x[p.index.pressure_b]
        above, below = done & (value > extremes[c, 0]), done & (value < extremes[2 + c, 0])
        extremes[c, 1] = where(above, t, extremes[c, 1])
        extremes[c, 0] = where(above, value, extremes[c, 0])
        extremes[2 + c, 1] = where(below, t, extremes[2 + c, 1])
        extremes[2 + c, 0] = where(below, value, extremes[2 + c, 0])
    return status, t, (h, low, high), fresh
