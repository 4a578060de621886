"""Steady states and linear plants in compiled code, many points in one call.

A steady state has constant pressures and velocities. One number of it is looked for beside the
pressures: the spool for a velocity and a thrust, the velocity for a spool, or the thrust for which
the spool stands where it should. Newton's steps, shortened until they help, start from orifices
without leakage. The plant is the derivative of the very right-hand side that is integrated, with
friction in one of the forms of ``_load_form``: its levels and slopes are added to a table that
slides freely, plays pass with gain one, end stops don't act.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim._equations import STATES, AxisParameters, Held, axis_rhs, look_around
from servosim._equilibrium import line_drop, rest, steady_force
from servosim._jit import kernel
from servosim.components.cylinder import output as cylinder_output
from servosim.components.friction import STRIBECK, FrictionParameters, friction, steady_level
from servosim.components.load import way_levels
from servosim.components.supply import COMPENSATED, FIXED, IDEAL, pump_target, relief_flow
from servosim.components.transducer import scale_value
from servosim.components.valve import area_fraction, pilot_flow
from servosim.components.valve import output as land_flows
from servosim.program import Move

VISCOUS, SLIDING, PRESLIDING = 0, 1, 2
SPOOL, VELOCITY, THRUST = 0, 1, 2  # what is looked for
STEADY, NOT_HELD, NOT_MOVED, NOT_FINITE = 0, 1, 2, 3
N_TASK = 7  # what is looked for, friction, position, velocity, spool, thrust, normal thrust
N_FOUND = 8  # status, left over, spool, velocity, thrust, flow gains, flow-pressure coefficient

_LEFT_OVER = 1e-8  # of the flow at full command and of the piston's greatest force
_HALVINGS = 9
_MOST_STEPS = 60
_MOST_CUTS = 14
_MOST_HALVINGS = 60
_FARTHEST = 0.9999  # of the stroke
_LARGE = 1e30

Vector = NDArray[np.float64]


@kernel
def _extrapolate(k: int, new: Vector, rows: Vector, best: Vector, error: Vector) -> None:
    """Take the k-th central difference, of half the step before, into Ridders' table.

    ``rows`` holds the last row of the table, order by order; ``best`` is the extrapolation that
    differs least from its neighbours, by ``error``.
    """
    for m in range(best.shape[0]):
        value, factor = new[m], 1.0
        if k == 0:
            best[m], error[m] = value, np.inf
        for j in range(k):
            factor *= 4.0
            old = rows[j, m]
            higher = (factor * value - old) / (factor - 1.0)
            guess = max(abs(higher - value), abs(higher - old))
            if guess < error[m]:
                best[m], error[m] = higher, guess
            rows[j, m] = value
            value = higher
        rows[k, m] = value


@kernel
def _steady_friction(v: float, F_c: float, F_s: float, p: FrictionParameters) -> float:
    """Return the friction of steady sliding without its viscous part, unloaded at rest."""
    z = 0.0
    if p.model != STRIBECK and v != 0.0:
        z = math.copysign(steady_level(v, F_c, F_s, p) / p.sigma_0, v)
    return friction(v, z, F_c, F_s, p)[0]


@kernel
def friction_slope(v: float, F_c: float, F_s: float, B: float, p: FrictionParameters) -> float:
    """Return the slope of the steady friction curve, not below zero, see ``_load_form``."""
    if v != 0.0 or p.model == STRIBECK:
        step = 0.25 * abs(v) if v != 0.0 else 0.1 * p.v_0
        new, best, error = np.zeros(1), np.zeros(1), np.zeros(1)
        rows = np.zeros((_HALVINGS, 1))
        for k in range(_HALVINGS):
            h = step / 2.0**k
            width = (v + h) - (v - h)
            up, down = _steady_friction(v + h, F_c, F_s, p), _steady_friction(v - h, F_c, F_s, p)
            new[0] = (up - down) / width
            _extrapolate(k, new, rows, best, error)
        slope = best[0]
    elif p.delta > 1.0:
        slope = 0.0
    else:
        slope = -(F_s - F_c) * p.v_s_inverse if p.delta == 1.0 else -np.inf
    return max(B + slope, 0.0)


@kernel
def _seal_levels(p_A: float, p_B: float, p: AxisParameters) -> tuple[float, float]:
    """Return the Coulomb and static level of the seals [N]."""
    levels = cylinder_output(0.0, (p_A, p_B, p_A, p_B), (0.0, 0.0), p.cylinder)
    return levels[2], levels[3]


@kernel
def _make_lean(lean: Any, p: AxisParameters, form: int, moving: bool) -> None:
    """Take out of numbers of an axis what has no derivative, and friction but in presliding."""
    lean.cylinder.k_e = 0.0
    lean.cylinder.c_e = 0.0
    lean.load.b = 0.0
    lean.controller.sampled = 1  # its command is an input
    if moving:
        lean.transducer.e_c = 0.0
    if form != PRESLIDING:
        lean.load.mu_c = 0.0
        lean.load.mu_s = 0.0
        lean.cylinder.seal_c = 0.0
        lean.cylinder.seal_s = 0.0
        lean.cylinder.seal_p = 0.0
        if p.load.two == 0:
            lean.load.B = p.load.B + p.load.B_s
            lean.load.B_s = 0.0


@kernel
def _rates(
    x: Vector, w: Held, lean: AxisParameters, p: AxisParameters, m: Move, f: Vector, dx: Vector
) -> None:
    """Write the rates of all states in a form of friction.

    ``f`` holds the form: share of Coulomb and of static level in the friction of the ways, the same
    of the seals, what friction of ways and seals has besides [N], the positions of table and piston
    where the bristles stand unloaded, and 1 for presliding.
    """
    i = p.index
    x[i.line_pressure_a] = x[i.pressure_a]
    if p.cylinder.has_b == 1:
        x[i.line_pressure_b] = x[i.pressure_b]
    if f[8] == 1.0:
        x[i.way_bristle] = x[i.table_position] - f[6]
        x[i.seal_bristle] = x[i.piston_position] - f[7]
        axis_rhs(0.0, x, w, lean, m, dx)
        return
    axis_rhs(0.0, x, w, lean, m, dx)
    way_c, way_s = way_levels(w.normal, p.load)
    seal_c, seal_s = _seal_levels(x[i.pressure_a], x[i.pressure_b], p)
    if p.load.two == 0:
        way = f[0] * (way_c + seal_c) + f[1] * (way_s + seal_s) + f[4]
        dx[i.piston_velocity] -= way * p.load.M_inverse
        return
    dx[i.table_velocity] -= (f[0] * way_c + f[1] * way_s + f[4]) / p.load.M_t
    dx[i.piston_velocity] -= (f[2] * seal_c + f[3] * seal_s + f[5]) / p.load.M_p


@kernel
def _shares(v: float, form: int, p: AxisParameters, f: Vector) -> None:
    """Write the shares of the levels in steady friction at a velocity."""
    f[0] = f[1] = f[2] = f[3] = 0.0
    if form == SLIDING:
        f[0] = _steady_friction(v, 1.0, 0.0, p.load.way)
        f[1] = _steady_friction(v, 0.0, 1.0, p.load.way)
        if p.load.two == 1:
            f[2] = _steady_friction(v, 1.0, 0.0, p.load.seal)
            f[3] = _steady_friction(v, 0.0, 1.0, p.load.seal)


@kernel
def _slopes(v: float, x: Vector, normal: float, form: int, p: AxisParameters, f: Vector) -> Any:
    """Return the slopes of friction of ways and seals, and write what is left of it at v."""
    i, two = p.index, p.load.two == 1
    B = p.load.B if two else p.load.B + p.load.B_s
    B_s = p.load.B_s if two else 0.0
    if form != SLIDING:
        return B, B_s
    way_c, way_s = way_levels(normal, p.load)
    seal_c, seal_s = _seal_levels(x[i.pressure_a], x[i.pressure_b], p)
    if two:
        seal = friction_slope(v, seal_c, seal_s, B_s, p.load.seal)
        way = friction_slope(v, way_c, way_s, B, p.load.way)
    else:
        seal = 0.0
        way = friction_slope(v, way_c + seal_c, way_s + seal_s, B, p.load.way)
    f[4], f[5] = (B - way) * v, (B_s - seal) * v
    return way, seal


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
        _shares(free, form, p, f)
    else:
        w.thrust = free
    for j in range(1, z.shape[0]):
        x[places[j]] = z[j] * scale[j]
    if p.supply.kind == COMPENSATED:
        x[i.pump_flow] = pump_target(x[i.pump_pressure], p.supply)
    w.spool_command = x[i.spool]
    _rates(x, w, lean, p, m, f, dx)
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
        level = way_levels(task[6], p.load)[0] + _seal_levels(middle, middle, p)[0]
    _guess(what, x, steady_force(task[2], task[5], p)[0], level, p, fed)
    _shares(x[i.piston_velocity], form, p, f)
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
    """Do :func:`_steady` by Newton's steps from one guess."""
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
        _make_lean(lean, p, VISCOUS, True)
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
def _steady(
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
    x, f = np.zeros(len(STATES)), np.zeros(9)
    for k in range(tasks.shape[0]):
        status, left = _steady(tasks[k], x, w, lean[k], p[k], m, f)
        i = p[k].index
        found[k, 0], found[k, 1], found[k, 2] = status, left, x[i.spool]
        found[k, 3], found[k, 4] = x[i.piston_velocity], w.thrust


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
    rows, new, best, error = np.zeros((_HALVINGS, 1)), np.zeros(1), np.zeros(1), np.zeros(1)
    for k in range(_HALVINGS):
        h = 2e-3 / 2.0**k
        width = (xs + h) - (xs - h)
        new[0] = (_load_flow(xs + h, 0.0, x, p) - _load_flow(xs - h, 0.0, x, p)) / width
        _extrapolate(k, new, rows, best, error)
    return best[0]


@kernel
def _flow_pressure(xs: float, x: Vector, p: AxisParameters) -> float:
    """Return how much load flow a load pressure costs [m3/s/Pa]."""
    rows, new, best, error = np.zeros((_HALVINGS, 1)), np.zeros(1), np.zeros(1), np.zeros(1)
    for k in range(_HALVINGS):
        h = 2e4 / 2.0**k
        new[0] = (_load_flow(xs, -h, x, p) - _load_flow(xs, h, x, p)) / (2.0 * h)
        _extrapolate(k, new, rows, best, error)
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
        See :func:`steady_states`; ``lean`` comes in as a copy of ``p``.
    places : ndarray of int, shape (n, n_x)
        Places of the plant's states among all states.
    steps : ndarray, shape (n_x + 3,)
        First steps of the differences: states, then command, thrust and normal thrust [SI].
    edge : float
        Opening beyond the larger overlap at which the flow gain is compared [-].
    found : ndarray, shape (n, N_FOUND)
        Besides what :func:`steady_states` writes: flow gain [m3/s], the larger of those just
        outside the overlap, flow-pressure coefficient [m3/s/Pa].
    A, B : ndarray, shapes (n, n_x, n_x), (n, n_x, 3)
        Matrices of rates over states and over command, thrust and normal thrust, written.
    states : ndarray, shape (n, n_x)
        States at the points, written.
    """
    n_x = places.shape[1]
    x, dx, f = np.zeros(len(STATES)), np.zeros(len(STATES)), np.zeros(9)
    rows, best, error = np.zeros((_HALVINGS, n_x)), np.zeros(n_x), np.zeros(n_x)
    up, new = np.zeros(n_x), np.zeros(n_x)
    for k in range(tasks.shape[0]):
        task, real, own = tasks[k], p[k], lean[k]
        i, form, normal = real.index, int(task[1]), task[6]
        status, left = _steady(task, x, w, own, real, m, f)
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
        _make_lean(own, real, form, v != 0.0)
        if form == PRESLIDING:
            f[6], f[7], f[8] = x[i.table_position], x[i.piston_position], 1.0
        else:
            _shares(v, form, real, f)
            own.load.B, own.load.B_s = _slopes(v, x, normal, form, real, f)
        w.spool_command = xs
        look_around(x, w, own)
        for j in range(n_x):
            states[k, j] = x[places[k, j]]
        for column in range(n_x + 3):
            for h_k in range(_HALVINGS):
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
                    _rates(x, w, own, real, m, f, dx)
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
                _extrapolate(h_k, new, rows, best, error)
            for j in range(n_x):
                if column < n_x:
                    A[k, j, column] = best[j]
                else:
                    B[k, j, column - n_x] = best[j]
                if not abs(best[j]) < np.inf:
                    found[k, 0] = NOT_FINITE
