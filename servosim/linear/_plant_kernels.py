"""Linear plants in compiled code, many points in one call."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim._equations import STATES, AxisParameters, look_around
from servosim._jit import kernel
from servosim.components.valve import output as land_flows
from servosim.linear._form_kernels import (
    HALVINGS,
    N_FORM,
    PRESLIDING,
    Vector,
    extrapolate,
    form_rates,
    friction_slopes,
    make_lean,
    write_shares,
)
from servosim.linear._steady_kernels import NOT_FINITE, STEADY, steady_state
from servosim.program import Move


@kernel
def _load_flow(xs: float, d: float, x: Vector, p: AxisParameters) -> float:
    """Return the flow towards extension at a spool and a load pressure more by d [m3/s]."""
    i, c = p.index, p.cylinder
    squares = c.A_A * c.A_A + c.A_B * c.A_B
    p_A = x[i.pressure_a] + d * c.A_A * c.A_A / squares
    p_B = x[i.pressure_b] - d * c.A_A * c.A_B / squares
    q = land_flows(0.0, (xs, 0.0), (0.0, p_A, p_B, x[i.supply_pressure], p.supply.p_T), p.valve)
    return c.A_A * (c.A_A * (q[0] - q[3]) + c.A_B * (q[1] - q[2])) / squares


@kernel
def _flow_gain(xs: float, x: Vector, p: AxisParameters) -> float:
    """Return the slope of the load flow over the spool [m3/s]."""
    rows, new, best, error = np.zeros((HALVINGS, 1)), np.zeros(1), np.zeros(1), np.zeros(1)
    for k in range(HALVINGS):
        h = 2e-3 / 2.0**k
        width = (xs + h) - (xs - h)
        new[0] = (_load_flow(xs + h, 0.0, x, p) - _load_flow(xs - h, 0.0, x, p)) / width
        extrapolate(k, new, rows, best, error)
    return best[0]


@kernel
def _flow_pressure(xs: float, x: Vector, p: AxisParameters) -> float:
    """Return how much load flow a load pressure costs [m3/s/Pa]."""
    rows, new, best, error = np.zeros((HALVINGS, 1)), np.zeros(1), np.zeros(1), np.zeros(1)
    for k in range(HALVINGS):
        h = 2e4 / 2.0**k
        new[0] = (_load_flow(xs, -h, x, p) - _load_flow(xs, h, x, p)) / (2.0 * h)
        extrapolate(k, new, rows, best, error)
    return best[0]


@kernel
def linear_plants(
    p: NDArray[np.void],
    lean: NDArray[np.void],
    w: Any,
    m: Move,
    tasks: Vector,
    places: NDArray[np.int64],
    steps: Vector,
    edge: float,
    found: Vector,
    A: Vector,
    B: Vector,
    states: Vector,
) -> None:
    """Find the steady states of tasks and differentiate the axis there.

    Parameters
    ----------
    p, lean, w, m, tasks
        See ``_steady_kernels.steady_states``; ``lean`` comes in as a copy of ``p``.
    places : ndarray of int, shape (n, n_x)
        Places of the plant's states among all states.
    steps : ndarray, shape (n_x + 3,)
        First steps of the differences: states, then command, thrust and normal thrust [SI].
    edge : float
        Opening beyond the larger overlap at which the flow gain is compared [-].
    found : ndarray, shape (n, N_FOUND)
        Besides what ``steady_states`` writes: flow gain [m3/s], the larger of those just
        outside the overlap, flow-pressure coefficient [m3/s/Pa].
    A, B : ndarray, shapes (n, n_x, n_x), (n, n_x, 3)
        Matrices of rates over states and over command, thrust and normal thrust, written.
    states : ndarray, shape (n, n_x)
        States at the points, written.
    """
    n_x = places.shape[1]
    x, dx, f = np.zeros(len(STATES)), np.zeros(len(STATES)), np.zeros(N_FORM)
    rows, best, error = np.zeros((HALVINGS, n_x)), np.zeros(n_x), np.zeros(n_x)
    up, new = np.zeros(n_x), np.zeros(n_x)
    for k in range(tasks.shape[0]):
        task, real, own = tasks[k], p[k], lean[k]
        i, form, normal = real.index, int(task[1]), task[6]
        status, left = steady_state(task, x, w, own, real, m, f)
        found[k, 0], found[k, 1], found[k, 2] = status, left, x[i.spool]
        v = x[i.piston_velocity]
        found[k, 3], found[k, 4] = v, w.thrust
        if status != STEADY:
            continue
        xs, valve = x[i.spool], real.valve
        plus = max(valve.L_PA, valve.L_BT, 0.0) + edge
        minus = -max(valve.L_PB, valve.L_AT, 0.0) - edge
        found[k, 5] = _flow_gain(xs, x, real)
        found[k, 6] = max(_flow_gain(plus, x, real), _flow_gain(minus, x, real))
        found[k, 7] = _flow_pressure(xs, x, real)
        make_lean(own, real, form, v != 0.0)
        if form == PRESLIDING:
            f[6], f[7], f[8] = x[i.table_position], x[i.piston_position], 1.0
        else:
            write_shares(v, form, real, f)
            own.load.B, own.load.B_s = friction_slopes(v, x, normal, form, real, f)
        w.spool_command = xs
        look_around(x, w, own)
        for j in range(n_x):
            states[k, j] = x[places[k, j]]
        for column in range(n_x + 3):
            for h_k in range(HALVINGS):
                h = steps[column] / 2.0**h_k
                at = xs
                if column < n_x:
                    at = x[places[k, column]]
                elif column == n_x + 1:
                    at = w.thrust
                elif column == n_x + 2:
                    at = normal
                for side in range(2):
                    value = at + h if side == 0 else at - h
                    if column < n_x:
                        x[places[k, column]] = value
                    elif column == n_x:
                        w.spool_command = value
                    elif column == n_x + 1:
                        w.thrust = value
                    else:
                        w.normal = value
                    form_rates(x, w, own, real, m, f, dx)
                    for j in range(n_x):
                        if side == 0:
                            up[j] = dx[places[k, j]]
                        else:
                            new[j] = (up[j] - dx[places[k, j]]) / ((at + h) - (at - h))
                if column < n_x:
                    x[places[k, column]] = at
                elif column == n_x:
                    w.spool_command = at
                elif column == n_x + 1:
                    w.thrust = at
                else:
                    w.normal = at
                extrapolate(h_k, new, rows, best, error)
            for j in range(n_x):
                if column < n_x:
                    A[k, j, column] = best[j]
                else:
                    B[k, j, column - n_x] = best[j]
                if not abs(best[j]) < np.inf:
                    found[k, 0] = NOT_FINITE
