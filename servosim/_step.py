"""One step of the compiled integration: the classical Runge-Kutta method with error control.

The method is explicit: with inputs held over a sample and samples of about a millisecond few poles
of an axis are fast. The bristles of friction are, and their decay is followed exactly
(``_bristle_steps``); any other pole that is too fast shows as an error and shortens the step. The
rate at the new point is computed too: it is the first stage of the next step if inputs stay, and
tells the error of this one.

Sources. The method of order four: W. Kutta, "Beitrag zur naeherungsweisen Integration totaler
Differentialgleichungen", Zeitschrift fuer Mathematik und Physik 46, 1901 (from memory). Its
companion for the error has the weight of the last stage moved to the rate at the new point, which
stands at the same time: all conditions of order three ask for the sum of these two weights alone
(own derivation; a test checks all order conditions).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim._bristle_steps import next_deflection
from servosim._equations import QUADRATURES, AxisParameters, axis_rhs, look_around
from servosim._jit import kernel
from servosim._lanes import isfinite, no, some, where
from servosim.components.transducer import lag_after, lag_weights, reading_after
from servosim.components.valve import speed_limit, wanted_speed
from servosim.program import STAGED, Move

C = (0.0, 0.5, 0.5, 1.0, 1.0)
A = np.array(  # row s: weights of the earlier stages for stage s; the last row is the solution
    [
        [0.0, 0.0, 0.0, 0.0],
        [0.5, 0.0, 0.0, 0.0],
        [0.0, 0.5, 0.0, 0.0],
        [0.0, 0.0, 1.0, 0.0],
        [1.0 / 6.0, 1.0 / 3.0, 1.0 / 3.0, 1.0 / 6.0],
    ]
)
E = np.array([0.0, 0.0, 0.0, 1.0 / 6.0, -1.0 / 6.0])  # solution less its companion of order three

QUADRATURE_STATES = len(QUADRATURES)
STAGES = 5
SPARE = STAGES  # one more row of rates: where a fresh first stage is computed
WAY, SEAL = STAGES + 1, STAGES + 2  # rows of work space of the bristles
ROWS = STAGES + 3
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
    K : ndarray, shape (ROWS, n_states)
        Rates of the stages, written in place, row 4 is the rate at the new state; then a spare row
        and work space of the bristles.
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
    n, i = p.n_x, p.index
    inner = n - QUADRATURE_STATES  # nothing depends on the quadratures
    bent_way, bent_seal = i.way_bristle < inner, i.seal_bristle < inner
    z_way = z_seal = 0.0 * h
    # one place calls the right-hand side, so that its code stands once; the sums are written out,
    # because a loop over the earlier stages would cost as much as the equations
    for s in range(0 if some(fresh) else 1, STAGES):
        if s > 0:
            r = s - 1
            if bent_way:
                k, v, z = i.way_bristle, x[i.table_velocity], x[i.way_bristle]
                z_way = next_deflection(s, h, v, z, z if s == 1 else y[k], K[r, k], K[WAY])
            if bent_seal:
                k, v, z = i.seal_bristle, x[i.piston_velocity], x[i.seal_bristle]
                z_seal = next_deflection(s, h, v, z, z if s == 1 else y[k], K[r, k], K[SEAL])
        if s == 0:
            for j in range(inner):
                y[j] = x[j]
        elif s <= 2:
            a = h * A[1, 0]
            for j in range(inner):
                y[j] = x[j] + a * K[s - 1, j]
        elif s == 3:
            for j in range(inner):
                y[j] = x[j] + h * K[2, j]
        else:
            a, b = h * A[4, 0], h * A[4, 1]
            for j in range(n):
                y[j] = x[j] + (a * (K[0, j] + K[3, j]) + b * (K[1, j] + K[2, j]))
        if s > 0:
            if bent_way:
                y[i.way_bristle] = z_way
            if bent_seal:
                y[i.seal_bristle] = z_seal
        axis_rhs(t + C[s] * h, y, w, p, m, K[SPARE if s == 0 else s])
        if s == 0:
            for j in range(n):
                K[0, j] = where(fresh, K[SPARE, j], K[0, j])
    worst = total = 0.0 * h
    part = h * E[3]
    for j in range(inner):
        e = abs(part * (K[3, j] - K[4, j])) * weight[j]
        worst = max(worst, e)
        total += e
    return where(isfinite(total), worst, math.inf)


@kernel
def hits_stop(x: NDArray[np.float64], new: NDArray[np.float64], p: AxisParameters) -> bool:
    """Tell whether the spool runs through one of its stops in a step."""
    i = p.index.spool
    return (abs(x[i]) < 1.0) & (abs(new[i]) > 1.0)


@kernel
def share_to_kink(
    x: NDArray[np.float64], new: NDArray[np.float64], u_h: float, p: AxisParameters
) -> float:
    """Return the share of a step after which the spool's speed meets or leaves its limit.

    Parameters
    ----------
    x, new : ndarray, shape (n_states,)
        States at both ends of the step.
    u_h : float
        Spool command [-].
    p : AxisParameters
        Numbers of the axis.

    Returns
    -------
    float
        Share between 0 and 1, or 1 if the rate has no kink inside the step. Nearer to either end
        than a hundredth of the limit the kink counts as being there.
    """
    i, j = p.index.spool, p.index.supply_pressure
    limit, later = speed_limit(x[j], p.valve), speed_limit(new[j], p.valve)
    begin = abs(wanted_speed(x[i], u_h, p.valve)) - limit
    end = abs(wanted_speed(new[i], u_h, p.valve)) - later
    far = (abs(begin) > 0.01 * limit) & (abs(end) > 0.01 * limit)
    crosses = far & (((begin > 0.0) & (end <= 0.0)) | ((begin <= 0.0) & (end > 0.0)))
    return where(crosses, begin / where(crosses, begin - end, 1.0), 1.0)


@kernel
def share_to_switch(
    x: NDArray[np.float64], new: NDArray[np.float64], p: AxisParameters, m: Move
) -> float:
    """Return the share of a step after which a staged schedule, followed continuously, switches.

    Parameters
    ----------
    x, new : ndarray, shape (n_states,)
        States at both ends of the step.
    p, m : AxisParameters, Move
        Numbers of the axis, the move.

    Returns
    -------
    float
        Share between 0 and 1, or 1 if nothing switches more than 10 nm before the step's end. It
        ends 3 nm before the place: no stage of that step may see what comes after.
    """
    begin = abs(m.target - x[p.index.scale_reading])
    end = abs(m.target - new[p.index.scale_reading])
    share = 1.0 + 0.0 * begin
    for j in range(2):
        d = m.d_creep if j == 0 else m.d_stop
        crosses = ((begin > d) & (end <= d)) | ((begin <= d) & (end > d))
        crosses &= abs(end - d) > 1e-8
        before = max(abs(begin - d) - 3e-9, 0.0)
        share = min(share, where(crosses, before / where(crosses, abs(begin - end), 1.0), 1.0))
    return share


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
    reading = reading_after(begin, h, x[place], y[place], K[0, place], K[4, place], s)
    x[i.scale_reading] = where(here, reading, begin)
    if s.has_pressure == 1:
        weights = lag_weights(h * s.p_rate)
        for side in range(2):
            k = i.pressure_a if side == 0 else i.pressure_b
            r = i.pressure_reading_a if side == 0 else i.pressure_reading_b
            begin = x[r]
            reading = lag_after(begin, weights, h, x[k], y[k], K[0, k], K[4, k])
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
    # the step tried is 0.9 of what the error allows: if that goes to the end, the end is tried
    last = no(halving) & (step >= 0.9 * left)
    if fixed_steps == 0:
        step = where(step > 0.5 * left, 0.5 * left, step)
    step = where(last, left, where(halving, 0.5 * (low + high), step))
    step = where(here, step, 0.0)
    look_around(x, w, p)
    error = attempt(t, step, fresh & here, x, w, p, m, K, y, weight)
    fresh &= no(here)
    # the step that this error allows, over the present one
    ratio = 0.9 * math.sqrt(math.sqrt(tolerance / max(error, 1e-30)))
    share = 1.0 + 0.0 * t
    if p.controller.sampled == 1:
        share = share_to_kink(x, y, w.spool_command, p)
    elif m.kind == STAGED:
        share = share_to_switch(x, y, p, m)
    refused = here & no(halving) & ((error > tolerance) | (share < 1.0))
    if fixed_steps > 0:
        refused &= no(here)
    lost = here & no(refused) & (error == math.inf)
    too_short = refused & no(refused)
    if some(refused):
        shorter = step * where(error < math.inf, max(min(ratio, share), 0.1), 0.1)
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
            K[0, j] = where(done, K[4, j], K[0, j])
    else:
        for j in range(n):
            x[j], K[0, j] = y[j], K[4, j]
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
