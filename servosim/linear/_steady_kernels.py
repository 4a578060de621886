"""Steady states of an axis in compiled code, many in one call.

In a steady state pressures and velocities are constant. One number of it is looked for beside the
pressures: the spool for a velocity and a thrust, the velocity for a spool, or the thrust for which
the spool stands where it should. Newton's steps, shortened until they help, start from orifices
without leakage; where corners of the pump's characteristic hold them up, pressure is halved in.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim._equations import STATES, AxisParameters, look_around
from servosim._equilibrium import line_drop, rest, steady_force
from servosim._jit import kernel
from servosim.components.load import way_levels
from servosim.components.supply import COMPENSATED, FIXED, IDEAL, pump_target, relief_flow
from servosim.components.transducer import scale_value
from servosim.components.valve import area_fraction, pilot_flow
from servosim.components.valve import output as land_flows
from servosim.linear._form_kernels import (
    N_FORM,
    SLIDING,
    VISCOUS,
    Vector,
    form_rates,
    make_lean,
    seal_levels,
    write_shares,
)
from servosim.program import Move

SPOOL, VELOCITY, THRUST = 0, 1, 2  # what is looked for
STEADY, NOT_HELD, NOT_MOVED, NOT_FINITE = 0, 1, 2, 3
N_TASK = 7  # what is looked for, friction, position, velocity, spool, thrust, normal thrust
N_FOUND = 8  # status, left over, spool, velocity, thrust, flow gains, flow-pressure coefficient

_LEFT_OVER = 1e-8  # of the flow at full command and of the piston's greatest force
_MOST_STEPS = 60
_MOST_CUTS = 14
_MOST_HALVINGS = 60
_FARTHEST = 0.9999  # of the stroke
_LARGE = 1e30


@kernel
def _opening_for(area: float, p: AxisParameters) -> float:
    """Return the opening of a land for a part of its full area, by bisection."""
    low, high = 0.0, 1.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        if area_fraction(middle, p.valve) < area:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


@kernel
def _pump_pressure(drawn: float, p: AxisParameters) -> float:
    """Return the pressure of the pump that gives a flow."""
    u = p.supply
    if u.kind == COMPENSATED:
        return u.p_set - u.band * min(drawn / u.q_max, 1.0)
    if u.kind == FIXED:
        return u.p_relief + max(u.q_max - drawn, 0.0) / u.G_relief
    return u.p_set


@kernel
def _guess(
    what: int, x: Vector, F: float, friction_force: float, p: AxisParameters, fed: bool
) -> None:
    """Write spool or velocity, and pressures, of orifices without leakage into the state.

    ``fed``: the supply pressure in the state is kept, else it is that of the pump at its flow.
    """
    i, c, v, u = p.index, p.cylinder, p.valve, p.supply
    if what == THRUST:
        x[i.pressure_a] = 0.5 * (x[i.supply_pressure] + u.p_T)
        x[i.pressure_b] = x[i.pressure_a] if c.has_b == 1 else 0.0
        return
    velocity, xs = x[i.piston_velocity], x[i.spool]
    plus = velocity > 0.0 if what == SPOOL else xs > 0.0
    sign = 1.0 if plus else -1.0
    overlap = max(v.L_PA, 0.0) if plus else max(v.L_PB, 0.0)
    F += sign * friction_force
    viscous = p.load.B + p.load.B_s
    inverse = c.A_A**3 / v.K_A**2 + (c.A_B**3 / v.K_B**2 if c.has_b == 1 else 0.0)
    driving, back = (c.A_A, c.A_B) if plus else (c.A_B, c.A_A)
    p_S = x[i.supply_pressure]
    area = 1.0
    if what == VELOCITY:
        area = max(area_fraction(max(abs(xs) - overlap, 1e-4), v), 1e-6)
    size = abs(velocity)
    for _ in range(4):  # pressure of the pump, viscous force and velocity depend on each other
        if what == VELOCITY:
            left = max(driving * p_S - back * u.p_T - sign * F - viscous * size, 0.0)
            size = area * math.sqrt(left / inverse)
        drawn = driving * size + pilot_flow(p_S, v)
        if u.kind != IDEAL and not fed:
            if what == VELOCITY and drawn > u.q_max:
                size = 0.98 * u.q_max / max(driving, 1e-12)
                drop = (size / area) ** 2 * inverse
                p_S = (drop + back * u.p_T + sign * F + viscous * size) / max(driving, 1e-12)
                x[i.pump_pressure] = p_S + line_drop(u.q_max, p)
            else:
                x[i.pump_pressure] = _pump_pressure(drawn, p)
                p_S = x[i.pump_pressure] - line_drop(drawn, p)
            x[i.supply_pressure] = p_S
    F += viscous * sign * size
    if what == SPOOL:
        left = driving * p_S - back * u.p_T - sign * F
        area = min(size / math.sqrt(left / inverse), 0.98) if left > 0.0 else 0.98
        x[i.spool] = sign * min(_opening_for(area, p) + overlap, 0.99)
    else:
        x[i.piston_velocity] = x[i.table_velocity] = sign * size
    drop = (c.A_A * size / (v.K_A * area)) ** 2
    x[i.pressure_a] = p_S - drop if plus else u.p_T + drop
    x[i.pressure_b] = (c.A_A * x[i.pressure_a] - F) / c.A_B if c.has_b == 1 else 0.0


@kernel
def _newton(
    what: int,
    x: Vector,
    w: Any,
    lean: Any,
    p: AxisParameters,
    m: Move,
    f: Vector,
    form: int,
    fed: bool,
) -> float:
    """Solve for a steady state from the guess in the state, and return what is left over.

    ``fed``: the supply keeps its pressure, whatever is drawn.
    """
    i, u = p.index, p.supply
    two, ideal = p.load.two == 1, u.kind == IDEAL or fed
    places, zeros = np.zeros(6, np.int64), np.zeros(6, np.int64)
    scale, weight = np.zeros(6), np.zeros(6)
    compliance = 1e-9 * (p.cylinder.V_A0 + p.cylinder.A_A * p.cylinder.L)
    by_flow = compliance / (p.valve.K_A * math.sqrt(u.p_set))
    by_force = (p.load.M_p + p.load.M_t) / (p.cylinder.A_A * u.p_set)
    n = 1
    for k in range(4):
        if (k == 1 and p.cylinder.has_b == 0) or (k >= 2 and ideal) or (k == 3 and u.line == 0):
            continue
        place = i.pressure_a if k == 0 else i.pressure_b if k == 1 else i.pump_pressure
        place = i.supply_pressure if k == 3 else place
        places[n], zeros[n - 1], scale[n], weight[n - 1] = place, place, 1e6, by_flow
        n += 1
    zeros[n - 1], weight[n - 1] = i.piston_velocity, by_force
    if two:
        places[n], scale[n] = i.piston_position, 1e-6
        zeros[n], weight[n] = i.table_velocity, by_force
        n += 1
    scale[0] = 1e-2 if what != THRUST else 1e3
    z, trial, r = np.zeros(n), np.zeros(n), np.zeros(n)
    above, below, J, dx = np.zeros(n), np.zeros(n), np.zeros((n, n)), np.zeros(len(STATES))
    z[0] = x[i.spool] if what == SPOOL else x[i.piston_velocity] if what == VELOCITY else w.thrust
    z[0] /= scale[0]
    for j in range(1, n):
        z[j] = x[places[j]] / scale[j]
    worst = _residual(what, z, r, x, w, lean, p, m, f, form, places, zeros, scale, weight, dx)
    for _ in range(_MOST_STEPS):
        if not worst > 1e-14:
            break
        look_around(x, w, lean)
        for j in range(n):
            kept, h = z[j], 1e-3
            z[j] = kept + h
            _residual(what, z, above, x, w, lean, p, m, f, form, places, zeros, scale, weight, dx)
            z[j] = kept - h
            _residual(what, z, below, x, w, lean, p, m, f, form, places, zeros, scale, weight, dx)
            z[j] = kept
            for k in range(n):
                J[k, j] = (above[k] - below[k]) / (2.0 * h)
                if not abs(J[k, j]) < _LARGE:
                    return np.inf
        step = np.linalg.lstsq(J, r)[0]  # the shortest one where a number acts on nothing
        share, best = 1.0, np.inf
        for _ in range(_MOST_CUTS):
            for j in range(n):
                trial[j] = z[j] - share * step[j]
            if what == SPOOL:
                limit = _FARTHEST / scale[0]
                trial[0] = min(max(trial[0], -limit), limit)
            best = _residual(
                what, trial, above, x, w, lean, p, m, f, form, places, zeros, scale, weight, dx
            )
            if best < worst:
                break
            share *= 0.5
        if not best < worst:
            break
        gain = worst / best if best > 0.0 else np.inf
        for j in range(n):
            z[j], r[j] = trial[j], above[j]
        worst = best
        if gain < 1.5 and worst < 1e-11:
            break
    return _residual(what, z, r, x, w, lean, p, m, f, form, places, zeros, scale, weight, dx)


@kernel
def _residual(
    what: int,
    z: Vector,
    r: Vector,
    x: Vector,
    w: Any,
    lean: Any,
    p: AxisParameters,
    m: Move,
    f: Vector,
    form: int,
    places: NDArray[np.int64],
    zeros: NDArray[np.int64],
    scale: Vector,
    weight: Vector,
    dx: Vector,
) -> float:
    """Write the rates that shall vanish, in parts of flow and force, and return the greatest."""
    i = p.index
    free = z[0] * scale[0]
    if what == SPOOL:
        x[i.spool] = free
    elif what == VELOCITY:
        x[i.piston_velocity] = x[i.table_velocity] = free
        write_shares(free, form, p, f)
    else:
        w.thrust = free
    for j in range(1, z.shape[0]):
        x[places[j]] = z[j] * scale[j]
    if p.supply.kind == COMPENSATED:
        x[i.pump_flow] = pump_target(x[i.pump_pressure], p.supply)
    w.spool_command = x[i.spool]
    form_rates(x, w, lean, p, m, f, dx)
    worst = 0.0
    for j in range(z.shape[0]):
        r[j] = dx[zeros[j]] * weight[j]
        worst = max(worst, abs(r[j]))
        if not abs(r[j]) < _LARGE:
            return np.inf
    return worst


@kernel
def _begin(task: Vector, x: Vector, w: Any, p: AxisParameters) -> float:
    """Write the state of an axis that stands, and return what it leaves over, as a part."""
    i, u, position = p.index, p.supply, task[2]
    for j in range(x.shape[0]):
        x[j] = 0.0
    force, on_table = steady_force(position, task[5], p)
    balance = rest(force, p)
    x[i.spool] = balance.spool
    x[i.pressure_a], x[i.pressure_b] = balance.p_A, balance.p_B
    x[i.pump_pressure], x[i.supply_pressure] = balance.p_P, balance.p_S
    x[i.pump_flow] = u.q_max if u.kind == FIXED else balance.drawn
    x[i.gas_temperature], x[i.tank_temperature] = u.T_a, p.oil.temperature
    x[i.table_position] = position
    x[i.piston_position] = position + (on_table / p.load.k_s if p.load.two == 1 else 0.0)
    w.thrust, w.normal, w.spool_command = task[5], task[6], balance.spool
    w.inverse_a = w.inverse_b = w.inverse_line_a = w.inverse_line_b = 0.0
    w.inverse_pump = w.inverse_supply = 0.0  # no pressure is at hand yet: another oil
    return balance.residual / (p.valve.K_A * math.sqrt(u.p_set))


@kernel
def _from_guess(
    task: Vector, x: Vector, w: Any, lean: Any, p: AxisParameters, m: Move, f: Vector, fed: bool
) -> float:
    """Solve for a moving state from orifices without leakage, and return what is left over."""
    i, what, form = p.index, int(task[0]), int(task[1])
    x[i.piston_velocity] = x[i.table_velocity] = task[3]
    if what != SPOOL:
        x[i.spool] = task[4]
    level = 0.0
    if form == SLIDING and what != THRUST:
        middle = 0.5 * p.supply.p_set
        level = way_levels(task[6], p.load)[0] + seal_levels(middle, middle, p)[0]
    _guess(what, x, steady_force(task[2], task[5], p)[0], level, p, fed)
    write_shares(x[i.piston_velocity], form, p, f)
    return _newton(what, x, w, lean, p, m, f, form, fed)


@kernel
def _by_supply(
    task: Vector, x: Vector, w: Any, lean: Any, p: AxisParameters, m: Move, f: Vector
) -> float:
    """Solve for a moving state at supply pressures that are halved in, and return what is left.

    Where the pump gives its all its characteristic has corners, which hold Newton's steps up. At a
    given pressure the equations are smooth, and what the pump has too much falls with pressure.
    """
    i, u = p.index, p.supply
    low = u.p_T
    high = u.p_set if u.kind == COMPENSATED else u.p_relief + u.q_max / u.G_relief
    left = np.inf
    for _ in range(_MOST_HALVINGS):
        p_S = 0.5 * (low + high)
        x[i.pump_pressure] = x[i.supply_pressure] = p_S
        left = _from_guess(task, x, w, lean, p, m, f, True)
        if not left < _LEFT_OVER or abs(x[i.spool]) >= _FARTHEST:
            low = p_S  # too little to move the load like this
            left = np.inf
            continue
        inputs = (0.0, x[i.pressure_a], x[i.pressure_b], p_S, u.p_T)
        q = land_flows(0.0, (x[i.spool], 0.0), inputs, p.valve)
        drawn = q[0] + q[2] + pilot_flow(p_S, p.valve)
        p_P = p_S + line_drop(drawn, p)
        x[i.pump_flow] = pump_target(p_P, u)
        if u.line == 1:
            x[i.pump_pressure] = p_P
        over = x[i.pump_flow] - relief_flow(p_P, u) - drawn
        left = max(left, abs(over) / (p.valve.K_A * math.sqrt(u.p_set)))
        if over > 0.0:
            low = p_S
        else:
            high = p_S
    return left


@kernel
def _directly(
    task: Vector, x: Vector, w: Any, lean: Any, p: AxisParameters, m: Move, f: Vector
) -> tuple[int, float]:
    """Do :func:`steady_state` by Newton's steps from one guess."""
    i, what = p.index, int(task[0])
    for j in range(f.shape[0]):
        f[j] = 0.0
    left = _begin(task, x, w, p)
    at_rest = what == SPOOL and task[3] == 0.0
    if at_rest:
        if not left <= _LEFT_OVER:
            return NOT_HELD, left
    else:
        # friction in steady motion has no memory: the sliding form with its viscous slope
        make_lean(lean, p, VISCOUS, True)
        x[i.pump_pressure] = x[i.supply_pressure] = p.supply.p_set
        left = _from_guess(task, x, w, lean, p, m, f, False)
        if not left < _LEFT_OVER and p.supply.kind != IDEAL:
            left = _by_supply(task, x, w, lean, p, m, f)
        if not left < _LEFT_OVER or abs(x[i.spool]) >= _FARTHEST:
            return NOT_MOVED, left
    # readings stand behind by their lags
    v = x[i.piston_velocity]
    s = p.transducer
    measured = x[i.table_position] if s.on_table == 1 else x[i.piston_position]
    x[i.scale_reading] = scale_value(measured, s) - s.scale * v / s.rate
    if s.has_pressure == 1:
        x[i.pressure_reading_a], x[i.pressure_reading_b] = x[i.pressure_a], x[i.pressure_b]
    return STEADY, left


@kernel
def _by_halving(
    task: Vector, x: Vector, w: Any, lean: Any, p: AxisParameters, m: Move, f: Vector
) -> tuple[int, float]:
    """Look for the spool of a velocity between its ends, where Newton's steps found none.

    Where the pump gives its all the equations have corners, but the velocity grows with the spool.
    If the velocity is beyond what the last stroke gives, that is what the state holds in the end.
    """
    i, v = p.index, task[3]
    other = task.copy()
    other[0] = VELOCITY
    other[4] = math.copysign(0.999, v)
    status, left = _directly(other, x, w, lean, p, m, f)
    most = x[i.piston_velocity]
    if status != STEADY or abs(v) > abs(most) or most * v < 0.0:
        return NOT_MOVED, left
    low, high = 0.0, 0.999
    for _ in range(_MOST_HALVINGS):
        middle = 0.5 * (low + high)
        other[4] = math.copysign(middle, v)
        status, left = _directly(other, x, w, lean, p, m, f)
        found = x[i.piston_velocity]
        if (status == STEADY and found == v) or high - low < 1e-15:
            break
        # friction holds a table still that little flow would move: no steady motion there
        if status != STEADY or abs(found) < abs(v) or found * v < 0.0:
            low = middle
        else:
            high = middle
    if status == STEADY and abs(x[i.piston_velocity] - v) > 1e-9 * abs(v):
        status = NOT_MOVED
    return status, left


@kernel
def steady_state(
    task: Vector, x: Vector, w: Any, lean: Any, p: AxisParameters, m: Move, f: Vector
) -> tuple[int, float]:
    """Write the steady state that a task describes, and return a status and what is left over."""
    status, left = _directly(task, x, w, lean, p, m, f)
    if status == NOT_MOVED and task[0] == SPOOL:
        status, left = _by_halving(task, x, w, lean, p, m, f)
    return status, left


@kernel
def steady_states(
    p: NDArray[np.void],
    lean: NDArray[np.void],
    w: Any,
    m: Move,
    tasks: Vector,
    found: Vector,
) -> None:
    """Find the steady states of tasks.

    Parameters
    ----------
    p, lean : record arrays, shape (n,)
        Numbers of the axes, and a copy of them that is overwritten.
    w : record of Held
        Overwritten.
    m : Move
        Any move; it isn't read.
    tasks : ndarray, shape (n, N_TASK)
        What is looked for, form of friction, position of the table [m], velocity [m/s], spool [-],
        thrust and normal thrust [N].
    found : ndarray, shape (n, N_FOUND)
        Status, part of flow or force that is left over, spool, velocity and thrust; written.
    """
    x, f = np.zeros(len(STATES)), np.zeros(N_FORM)
    for k in range(tasks.shape[0]):
        status, left = steady_state(tasks[k], x, w, lean[k], p[k], m, f)
        i = p[k].index
        found[k, 0], found[k, 1], found[k, 2] = status, left, x[i.spool]
        found[k, 3], found[k, 4] = x[i.piston_velocity], w.thrust
