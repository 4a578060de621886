"""The state in which an axis stands still: all balances solved, nothing guessed.

Force balance leaves one unknown pressure; with the spool's position there are two equations, the
flow balances of both chambers, each monotone in its unknown. They are solved in narrowing brackets
inside compiled code, because an ensemble needs one equilibrium for each of its cases. Friction is
taken as unloaded: of all the states a table with friction can rest in, the middle one.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from servosim import _sequence as sequence
from servosim._brackets import next_share
from servosim._equations import STATES, AxisParameters
from servosim._jit import kernel
from servosim.components.controller import load_pressure, opening_command
from servosim.components.load import GRAVITY, counterbalance_force
from servosim.components.orifice import drop_at
from servosim.components.supply import COMPENSATED, FIXED, IDEAL
from servosim.components.transducer import scale_value
from servosim.components.valve import null_shift, pilot_flow
from servosim.components.valve import output as land_flows
from servosim.program import TIMED, Move

_ITERATIONS = 200
_PRESSURE_MARGIN = 1e6
_PRESSURE_DIGITS = 1e-13  # of the supply pressure
_SPOOL_DIGITS = 1e-14  # of the stroke


class Rest(NamedTuple):
    """Spool, pressures and drawn flow of an axis at rest."""

    spool: float
    p_A: float
    p_B: float
    p_S: float
    p_P: float
    drawn: float  # with the pilot, m3/s
    residual: float  # largest flow that is left over, m3/s


@kernel
def _pressure_b(p_A: float, F: float, p: AxisParameters) -> float:
    """Return the pressure in B that balances a force with that in A; zero for a plunger."""
    return (p.cylinder.A_A * p_A - F) / p.cylinder.A_B if p.cylinder.has_b == 1 else 0.0


@kernel
def _into_chambers(
    xs: float, p_A: float, F: float, p_S: float, p: AxisParameters
) -> tuple[float, float]:
    """Return what flows into chambers A and B at rest, with the force in balance."""
    c = p.cylinder
    p_B = _pressure_b(p_A, F, p)
    q = land_flows(0.0, (xs, 0.0), (0.0, p_A, p_B, p_S, p.supply.p_T), p.valve)
    leak = c.C_i * (p_A - p_B) if c.has_b == 1 else c.C_i * p_A
    return q[0] - q[3] - leak - c.C_eA * p_A, q[2] - q[1] + leak - c.C_eB * p_B


@kernel
def _narrower(
    x: float, f: float, x_1: float, f_1: float, x_2: float, f_2: float
) -> tuple[float, float, float, float, float, float]:
    """Return the bracket with a new trial as its first end, and the end that it leaves behind."""
    if (f > 0.0) == (f_1 > 0.0):
        return x, f, x_2, f_2, x_1, f_1
    return x, f, x_1, f_1, x_2, f_2


@kernel
def _pressure_for(xs: float, F: float, p_S: float, p: AxisParameters) -> float:
    """Return the pressure in A at which nothing flows into A on balance."""
    x_1, x_2 = -_PRESSURE_MARGIN, p_S + _PRESSURE_MARGIN
    f_1, f_2 = _into_chambers(xs, x_1, F, p_S, p)[0], _into_chambers(xs, x_2, F, p_S, p)[0]
    share = 0.5
    for _ in range(_ITERATIONS):
        x = x_1 + share * (x_2 - x_1)
        f = _into_chambers(xs, x, F, p_S, p)[0]
        x_1, f_1, x_2, f_2, x_3, f_3 = _narrower(x, f, x_1, f_1, x_2, f_2)
        width = abs(x_2 - x_1)
        if f == 0.0 or width <= _PRESSURE_DIGITS * p_S:
            break
        share = next_share(x_1, f_1, x_2, f_2, x_3, f_3, 0.5 * _PRESSURE_DIGITS * p_S / width)
    return x_1


@kernel
def _balance_at(xs: float, F: float, p_S: float, p: AxisParameters) -> tuple[float, float]:
    """Return pressure in A, and a flow that grows with the spool and is zero in balance."""
    if p.cylinder.has_b == 0:
        p_A = F / p.cylinder.A_A
        return p_A, _into_chambers(xs, p_A, F, p_S, p)[0]
    p_A = _pressure_for(xs, F, p_S, p)
    return p_A, -_into_chambers(xs, p_A, F, p_S, p)[1]


@kernel
def _spool_for(F: float, p_S: float, p: AxisParameters) -> tuple[float, float]:
    """Return spool position and pressure in A at which both chambers balance."""
    x_1, x_2 = -1.0, 1.0
    p_A, f_1 = _balance_at(x_1, F, p_S, p)
    p_A, f_2 = _balance_at(x_2, F, p_S, p)
    share, xs = 0.5, 0.0
    for _ in range(_ITERATIONS):
        xs = x_1 + share * (x_2 - x_1)
        p_A, f = _balance_at(xs, F, p_S, p)
        x_1, f_1, x_2, f_2, x_3, f_3 = _narrower(xs, f, x_1, f_1, x_2, f_2)
        width = abs(x_2 - x_1)
        if f == 0.0 or width <= _SPOOL_DIGITS:
            break
        share = next_share(x_1, f_1, x_2, f_2, x_3, f_3, 0.5 * _SPOOL_DIGITS / width)
    return xs, p_A


@kernel
def line_drop(q: float, p: AxisParameters) -> float:
    """Return the loss of the pressure line at a flow [Pa], the inverse of its flow equation."""
    if p.supply.line == 0:
        return 0.0
    return drop_at(q, p.supply.K_line, p.supply.dp_line)


@kernel
def _drawn_at(p_S: float, F: float, p: AxisParameters) -> tuple[float, float, float, float]:
    """Return spool, both chamber pressures and the drawn flow at a supply pressure."""
    xs, p_A = _spool_for(F, p_S, p)
    p_B = _pressure_b(p_A, F, p)
    q = land_flows(0.0, (xs, 0.0), (0.0, p_A, p_B, p_S, p.supply.p_T), p.valve)
    return xs, p_A, p_B, q[0] + q[2] + pilot_flow(p_S, p.valve)


@kernel
def rest(F: float, p: AxisParameters) -> Rest:
    """Return spool and pressures that hold a force at rest.

    Parameters
    ----------
    F : float
        Force that the oil must give in extension [N].
    p : AxisParameters
        Numbers of the axis.

    Returns
    -------
    Rest
        The balance and what it leaves over.
    """
    u = p.supply
    p_P = p_S = u.p_set
    xs = p_A = p_B = drawn = 0.0
    for _ in range(60):
        xs, p_A, p_B, drawn = _drawn_at(p_S, F, p)
        if u.kind == IDEAL:
            break
        if u.kind == COMPENSATED:
            new = u.p_set - u.band * drawn / u.q_max
        else:
            new = u.p_relief + (u.q_max - drawn) / u.G_relief
        moved = abs(new - p_P)
        p_P = new
        p_S = p_P - line_drop(drawn, p)
        if moved <= 1e-6:
            break
    if u.kind != IDEAL and drawn > u.q_max:
        # the pump can't feed this at its pressure: the pressure sinks until it can
        low, high = u.p_T, p_S
        for _ in range(60):
            p_S = 0.5 * (low + high)
            xs, p_A, p_B, drawn = _drawn_at(p_S, F, p)
            if drawn > u.q_max:
                high = p_S
            else:
                low = p_S
        p_P = p_S + line_drop(drawn, p)
    into_a, into_b = _into_chambers(xs, p_A, F, p_S, p)
    residual = abs(into_a) if p.cylinder.has_b == 0 else max(abs(into_a), abs(into_b))
    return Rest(xs, p_A, p_B, p_S, p_P, drawn, residual)


@kernel
def holding_velocity(u: float, estimate: float, p: AxisParameters) -> float:
    """Return the wanted velocity for which the controller gives a command, by bisection [m/s]."""
    c = p.controller
    high = 2.0 * max(c.g_plus, c.g_minus)
    low = -high
    for _ in range(100):
        middle = 0.5 * (low + high)
        if opening_command(middle, estimate, c) < u:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


@kernel
def position_for(reading: float, p: AxisParameters) -> float:
    """Return the true position at which the scale gives a reading [m]."""
    x = reading
    for _ in range(50):
        x += (reading - scale_value(x, p.transducer)) / p.transducer.scale
    return x


@kernel
def steady_force(x_t: float, thrust: float, p: AxisParameters) -> tuple[float, float]:
    """Return the force on piston and on table that must be held at rest [N]."""
    on_table = p.load.M_t * GRAVITY * p.load.sin - counterbalance_force(x_t, p.load) + thrust
    return on_table + p.load.M_g * GRAVITY * p.load.sin, on_table


@kernel
def initial_state(
    start: float, loop_holds: bool, p: AxisParameters
) -> tuple[NDArray[np.float64], Rest, float, float]:
    """Return the whole state of an axis that stands at its start with its loop closed.

    Parameters
    ----------
    start : float
        Reference position [m], as the scale reads.
    loop_holds : bool
        Whether the position loop holds the axis; then the position has the error that the loop
        needs for its command, unless the integral gives it.
    p : AxisParameters
        Numbers of the axis.

    Returns
    -------
    x : ndarray, shape (n_states,)
        State in the order of ``p.index``; quadratures are zero.
    balance : Rest
        Spool and pressures.
    integral : float
        Integral of the controller [m/s].
    command : float
        Command that holds the axis [-].
    """
    i, c = p.index, p.controller
    x = np.zeros(len(STATES))
    position = position_for(start, p)  # of the body that the scale reads
    x_t = x_p = position
    balance = Rest(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    integral = command = 0.0
    for _ in range(5):  # force of a gas counterbalance depends on the position, weakly
        force, on_table = steady_force(x_t, 0.0, p)
        balance = rest(force, p)
        command = balance.spool - null_shift(balance.p_S, p.valve)
        slow = load_pressure(balance.p_A, balance.p_B, c)
        v = holding_velocity(command, slow, p)
        error = v / c.K_v
        integral = 0.0
        if c.K_i > 0.0:
            integral = min(max(v, -c.v_i), c.v_i)
            error = (v - integral) / c.K_v
        if not loop_holds:
            error = 0.0
        position = position_for(start - error, p)
        before = x_t
        x_t = x_p = position
        if p.load.two == 1:
            stretch = on_table / p.load.k_s
            if on_table > 0.0:
                stretch += 0.5 * p.load.b
            elif on_table < 0.0:
                stretch -= 0.5 * p.load.b
            if p.transducer.on_table == 1:
                x_p = x_t + stretch
            else:
                x_t = x_p - stretch
        if p.load.cb != 2 or abs(x_t - before) < 1e-13:
            break
    reading = scale_value(position, p.transducer)
    x[i.spool] = balance.spool
    x[i.pressure_a] = balance.p_A
    x[i.pressure_b] = balance.p_B
    x[i.line_pressure_a] = balance.p_A
    x[i.line_pressure_b] = balance.p_B
    x[i.pump_pressure] = balance.p_P
    x[i.supply_pressure] = balance.p_S
    x[i.pump_flow] = p.supply.q_max if p.supply.kind == FIXED else balance.drawn
    x[i.gas_temperature] = p.supply.T_a
    x[i.tank_temperature] = p.oil.temperature
    x[i.table_position] = x_t
    x[i.piston_position] = x_p
    x[i.scale_reading] = reading
    x[i.pressure_reading_a] = balance.p_A
    x[i.pressure_reading_b] = balance.p_B
    x[i.integral] = integral
    x[i.filtered_position] = reading
    x[i.slow_pressure] = x[i.load_estimate] = load_pressure(balance.p_A, balance.p_B, c)
    return x, balance, integral, command


@kernel
def begin(p: AxisParameters, m: Move, x: NDArray[np.float64], d: NDArray[np.float64]) -> Rest:
    """Write the state and the memory with which a move begins.

    Parameters
    ----------
    p : AxisParameters
        Numbers of the axis.
    m : Move
        The move.
    x : ndarray, shape (n_states,)
        State at rest [SI], written in place.
    d : ndarray, shape (SIZE,)
        Memory of sequence, plays and controller, written in place.

    Returns
    -------
    Rest
        Spool and pressures at rest, and what they leave over.
    """
    i = p.index
    state, balance, integral, _ = initial_state(m.start, m.kind == TIMED, p)
    for j in range(len(STATES)):
        x[j] = state[j]
    sequence.clear(d, p)
    d[sequence.HELD] = m.start
    # at rest the plays pass the command on, and what reaches the spool is where it stands
    d[sequence.NARROW] = d[sequence.WIDE] = d[sequence.SPOOL_COMMAND] = balance.spool
    s = sequence.INTEGRAL
    d[s], d[s + 1], d[s + 2] = integral, x[i.filtered_position], 0.0
    d[s + 3], d[s + 4] = x[i.slow_pressure], x[i.load_estimate]
    return balance


@kernel
def begin_many(
    p: NDArray[np.void],
    m: NDArray[np.void],
    x: NDArray[np.float64],
    d: NDArray[np.float64],
    rests: NDArray[np.float64],
) -> None:
    """Do :func:`begin` for many cases.

    Parameters
    ----------
    p, m : record arrays, shape (n_case,)
        Numbers of the axes and moves.
    x, d : ndarray, shape (n_states, n_case) and (SIZE, n_case)
        Written in place.
    rests : ndarray, shape (n_case, 2)
        Spool at rest [-] and flow left over [m3/s], written in place.
    """
    state, memory = np.empty(x.shape[0]), np.empty(d.shape[0])
    for k in range(p.shape[0]):
        balance = begin(p[k], m[k], state, memory)
        rests[k, 0], rests[k, 1] = balance.spool, balance.residual
        for j in range(x.shape[0]):
            x[j, k] = state[j]
        for j in range(d.shape[0]):
            d[j, k] = memory[j]
