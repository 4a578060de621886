"""From the figures of a valve's rating to the numbers of its kernels.

The flow coefficient follows from rated flow and drop, the clearance of the lands from the null
leakage or the pressure gain. Both figures of null are solved with the very land equation that the
simulation uses, ports blocked and tank at zero, between brackets inside compiled code: ensembles
rate thousands of valves, one for each case.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

from servosim._brackets import next_share
from servosim._jit import kernel
from servosim.components.oil import Oil, density, viscosity
from servosim.components.valve import (
    CURVE,
    FIRST_ORDER,
    KNOTS,
    LINEAR,
    SECOND_ORDER,
    Valve,
    ValveParameters,
    area_fraction,
    land_flow,
)

_SMALLEST_CLEARANCE = 1e-8
_LARGEST_CLEARANCE = 1.0
_PRESSURE_DIGITS = 1e-16  # of the supply pressure
_LEAKAGE_DIGITS = 1e-15  # of the clearance
_GAIN_DIGITS = 1e-12  # of the clearance: the gain is a difference and holds eleven digits
_HALVED = 0.5  # power of e: wider brackets are halved where there may be several clearances
_MOST_TRIALS = 100
_TINY = 1e-300


class Lands(NamedTuple):
    """What the flow through the lands hangs on, for the search of their clearance."""

    K_A: float
    K_B: float
    L_PA: float
    L_BT: float
    L_PB: float
    L_AT: float
    c: float
    dp_t: float
    curve: int
    knots_x: tuple[float, ...]
    knots_y: tuple[float, ...]


@kernel
def blocked_port_pressure(
    xs: float, L_P: float, L_T: float, K: float, p_S: float, sign: float, p: ValveParameters
) -> float:
    """Return the pressure of a blocked port at spool position xs, tank at zero [Pa]."""
    o_P, o_T = sign * xs - L_P, -sign * xs - L_T
    x_1, x_2 = 0.0, p_S
    f_1, f_2 = land_flow(o_P, p_S, K, p), -land_flow(o_T, p_S, K, p)
    share = f_1 * f_1 / (f_1 * f_1 + f_2 * f_2)  # what two sharp edges would make of it
    for _ in range(_MOST_TRIALS):
        x = x_1 + share * (x_2 - x_1)
        f = land_flow(o_P, p_S - x, K, p) - land_flow(o_T, x, K, p)
        if (f > 0.0) == (f_1 > 0.0):
            x_3, f_3 = x_1, f_1
        else:
            x_3, f_3, x_2, f_2 = x_2, f_2, x_1, f_1
        x_1, f_1 = x, f
        width = abs(x_2 - x_1)
        if f == 0.0 or width <= 2.0 * _PRESSURE_DIGITS * p_S:
            break
        share = next_share(x_1, f_1, x_2, f_2, x_3, f_3, _PRESSURE_DIGITS * p_S / width)
    return x_1 if abs(f_1) <= abs(f_2) else x_2


@kernel
def _alike(p: ValveParameters) -> bool:
    """Return whether port B at -xs is what port A is at xs; flow coefficients cancel out."""
    return p.L_PA == p.L_PB and p.L_AT == p.L_BT


@kernel
def null_leakage(p_S: float, p: ValveParameters) -> float:
    """Return the flow from supply to tank at null with blocked ports, without the pilot [m3/s]."""
    p_A = blocked_port_pressure(0.0, p.L_PA, p.L_AT, p.K_A, p_S, 1.0, p)
    p_B = p_A
    if not _alike(p):
        p_B = blocked_port_pressure(0.0, p.L_PB, p.L_BT, p.K_B, p_S, -1.0, p)
    return land_flow(-p.L_PA, p_S - p_A, p.K_A, p) + land_flow(-p.L_PB, p_S - p_B, p.K_B, p)


@kernel
def null_pressure_gain(p_S: float, p: ValveParameters) -> float:
    """Return the change of load pressure over spool travel at null, ports blocked [Pa]."""
    step = 1e-5 * p.c
    up = blocked_port_pressure(step, p.L_PA, p.L_AT, p.K_A, p_S, 1.0, p)
    down = blocked_port_pressure(-step, p.L_PA, p.L_AT, p.K_A, p_S, 1.0, p)
    if _alike(p):
        return (up - down) / step
    up -= blocked_port_pressure(step, p.L_PB, p.L_BT, p.K_B, p_S, -1.0, p)
    down -= blocked_port_pressure(-step, p.L_PB, p.L_BT, p.K_B, p_S, -1.0, p)
    return (up - down) / (2.0 * step)


def transition_pressure(valve: Valve, oil: Oil, temperature: float) -> float:
    """Return the transition pressure of a land opened by the whole rated stroke.

    Parameters
    ----------
    valve : Valve
        Table of the valve.
    oil : Oil
        Table of the oil.
    temperature : float
        Oil temperature [K].

    Returns
    -------
    float
        Pressure [Pa] ``rho/2 (Re_t nu / (2 C_d x_n))^2``, where the Reynolds number of the jet,
        taken with twice the gap as hydraulic diameter, reaches its transition value.

    Notes
    -----
    With C_d = 0.611 and Re_t = 128 C_d^2 / pi = 15.2 the laminar limit is that of a slit,
    ``q = pi b^2 W dp / (32 mu)``.
    """
    nu, rho = viscosity(oil, temperature), density(oil, temperature)
    gap_velocity = valve.transition_reynolds * nu
    gap_velocity /= 2.0 * valve.discharge_coefficient * valve.rated_stroke
    return 0.5 * rho * gap_velocity**2


def _knots(valve: Valve) -> tuple[int, tuple[float, ...], tuple[float, ...]]:
    if valve.opening == "linear":
        return LINEAR, (0.0,) * KNOTS, (0.0,) * KNOTS
    if valve.opening == "dual_gain":
        x, y = [0.0, valve.knee_opening, 1.0], [0.0, valve.knee_area, 1.0]
    else:
        x, y = list(valve.opening_table), list(valve.area_table)
    x += [1.0] * (KNOTS - len(x))
    y += [1.0] * (KNOTS - len(y))
    return CURVE, tuple(x), tuple(y)


@kernel
def _with_clearance(c: float, flow_scale: float, ratio: float, p: Lands) -> Lands:
    """Return lands with a clearance and the flow coefficients that go with it."""
    o_1 = 0.5 * ((1.0 - p.L_PA) + math.sqrt((1.0 - p.L_PA) ** 2 + 4.0 * c * c))
    o_2 = 0.5 * ((1.0 - p.L_BT) + math.sqrt((1.0 - p.L_BT) ** 2 + 4.0 * c * c))
    a_1, a_2 = area_fraction(o_1, p), area_fraction(o_2, p)  # type: ignore[arg-type]
    K_A = flow_scale * math.sqrt(1.0 / (a_1 * a_1) + 1.0 / (a_2 * a_2))
    return Lands(
        K_A, K_A * ratio, p.L_PA, p.L_BT, p.L_PB, p.L_AT, c, p.dp_t, p.curve, p.knots_x, p.knots_y
    )


@kernel
def _excess(log_c: float, by_leakage: bool, target: float, p_S: float, flow_scale: float,
            ratio: float, p: Lands) -> float:  # fmt: skip
    """Return by what power of e the clearance is too wide for the target."""
    lands: Any = _with_clearance(math.exp(log_c), flow_scale, ratio, p)
    if by_leakage:
        return math.log(max(null_leakage(p_S, lands) / target, _TINY))
    return -math.log(max(null_pressure_gain(p_S, lands) / target, _TINY))


@kernel
def _solve_lands(
    by_leakage: bool, target: float, p_S: float, flow_scale: float, ratio: float,
    L_PA: float, L_BT: float, L_PB: float, L_AT: float, dp_t: float,
    curve: int, knots_x: tuple[float, ...], knots_y: tuple[float, ...],
) -> tuple[float, float, float]:  # fmt: skip
    """Return flow coefficients and the clearance whose null figure is the target.

    The clearance is negative if there is none. Leakage grows with it; the pressure gain falls, but
    with a knee in the area or unlike overlaps it may do so by ups and downs.
    """
    p = Lands(1.0, ratio, L_PA, L_BT, L_PB, L_AT, 1.0, dp_t, curve, knots_x, knots_y)
    x_1, x_2 = math.log(_SMALLEST_CLEARANCE), math.log(_LARGEST_CLEARANCE)
    f_1 = _excess(x_1, by_leakage, target, p_S, flow_scale, ratio, p)
    if f_1 >= 0.0:
        return 1.0, ratio, -1.0
    f_2 = _excess(x_2, by_leakage, target, p_S, flow_scale, ratio, p)
    if f_2 < 0.0:
        return 1.0, ratio, -2.0
    share, digits = 0.5, _LEAKAGE_DIGITS if by_leakage else _GAIN_DIGITS
    for _ in range(_MOST_TRIALS):
        x = x_1 + share * (x_2 - x_1)
        f = _excess(x, by_leakage, target, p_S, flow_scale, ratio, p)
        if (f > 0.0) == (f_1 > 0.0):
            x_3, f_3 = x_1, f_1
        else:
            x_3, f_3, x_2, f_2 = x_2, f_2, x_1, f_1
        x_1, f_1 = x, f
        width = abs(x_2 - x_1)
        if f == 0.0 or width <= 2.0 * digits:
            break
        if by_leakage or width <= _HALVED:
            share = next_share(x_1, f_1, x_2, f_2, x_3, f_3, digits / width)
    found = _with_clearance(math.exp(x_1 if abs(f_1) <= abs(f_2) else x_2), flow_scale, ratio, p)
    return found.K_A, found.K_B, found.c


def rate_valve(valve: Valve, oil: Oil) -> ValveParameters:
    """Return the kernel's numbers of a valve, with its clearance solved at the rating.

    Parameters
    ----------
    valve : Valve
        Table of the valve.
    oil : Oil
        Table of the oil; its temperature sets viscosity and null shift of the result.

    Returns
    -------
    ValveParameters
        Plain numbers; ``c`` is -1 where even the smallest clearance leaks more (or gives less
        pressure gain) than the file states, and -2 where the largest leaks less.
    """
    curve, knots_x, knots_y = _knots(valve)
    w, t, H = valve.wide_play_weight, valve.threshold, valve.hysteresis
    shift = valve.null_shift_temperature * (oil.temperature - valve.rating_temperature)
    second = valve.dynamics == "second_order"
    by_leakage = valve.leakage_given != "pressure_gain"
    dp_t = dp_rating = transition_pressure(valve, oil, valve.rating_temperature)
    if oil.temperature != valve.rating_temperature:
        dp_t = transition_pressure(valve, oil, oil.temperature)
    K_A, K_B, c = _solve_lands(
        by_leakage,
        valve.null_leakage - valve.pilot_leakage if by_leakage else valve.pressure_gain,
        valve.rating_pressure,
        valve.rated_flow / math.sqrt(valve.rated_pressure_drop),
        valve.area_ratio,
        valve.overlap_pa,
        valve.overlap_bt,
        valve.overlap_pb,
        valve.overlap_at,
        dp_rating,
        curve,
        knots_x,
        knots_y,
    )
    return ValveParameters(
        K_A=K_A,
        K_B=K_B,
        L_PA=valve.overlap_pa,
        L_BT=valve.overlap_bt,
        L_PB=valve.overlap_pb,
        L_AT=valve.overlap_at,
        c=c,
        dp_t=dp_t,
        curve=curve,
        knots_x=knots_x,  # type: ignore[arg-type]
        knots_y=knots_y,  # type: ignore[arg-type]
        order=SECOND_ORDER if second else FIRST_ORDER,
        omega=valve.natural_frequency if second else 1.0,
        zeta=valve.damping_ratio if second else 1.0,
        tau=1.0 if second else valve.time_constant,
        rate=1.0 / valve.stroke_time,
        piloted=int(valve.piloted == "yes"),
        p_rating=valve.rating_pressure,
        q_pilot=valve.pilot_leakage,
        K_spool=0.5 * valve.natural_frequency / valve.damping_ratio
        if valve.dynamics == "second_order"
        else 0.0,
        K_pilot=valve.pilot_leakage / math.sqrt(valve.rating_pressure),
        r_narrow=0.5 * t,
        r_wide=0.5 * max(H - (1.0 - w) * t, 0.0) / w,
        w=w,
        bias=valve.null_bias + shift,
        bias_pressure=valve.null_shift_pressure,
        dither=valve.dither_amplitude,
        omega_dither=valve.dither_frequency,
    )
