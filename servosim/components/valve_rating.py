"""From the figures of a valve's rating to the numbers of its kernels.

The flow coefficient follows from rated flow and drop, the clearance of the lands from the null
leakage or the pressure gain. Both figures of null are solved with the very land equation that the
simulation uses, ports blocked and tank at zero, by bisection on monotone functions inside compiled
code: ensembles rate thousands of valves, one for each case.
"""

from __future__ import annotations

import math
from typing import Any

from servosim._jit import kernel
from servosim._record import record
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


@kernel
def blocked_port_pressure(
    xs: float, L_P: float, L_T: float, K: float, p_S: float, sign: float, p: ValveParameters
) -> float:
    """Return the pressure of a blocked port at spool position xs, tank at zero [Pa]."""
    low, high = 0.0, p_S
    for _ in range(60):
        middle = 0.5 * (low + high)
        q_in = land_flow(sign * xs - L_P, p_S - middle, K, p)
        q_out = land_flow(-sign * xs - L_T, middle, K, p)
        if q_in > q_out:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


@kernel
def null_leakage(p_S: float, p: ValveParameters) -> float:
    """Return the flow from supply to tank at null with blocked ports, without the pilot [m3/s]."""
    p_A = blocked_port_pressure(0.0, p.L_PA, p.L_AT, p.K_A, p_S, 1.0, p)
    p_B = blocked_port_pressure(0.0, p.L_PB, p.L_BT, p.K_B, p_S, -1.0, p)
    return land_flow(-p.L_PA, p_S - p_A, p.K_A, p) + land_flow(-p.L_PB, p_S - p_B, p.K_B, p)


@kernel
def null_pressure_gain(p_S: float, p: ValveParameters) -> float:
    """Return the change of load pressure over spool travel at null, ports blocked [Pa]."""
    step = 1e-5 * p.c
    up = blocked_port_pressure(step, p.L_PA, p.L_AT, p.K_A, p_S, 1.0, p)
    up -= blocked_port_pressure(step, p.L_PB, p.L_BT, p.K_B, p_S, -1.0, p)
    down = blocked_port_pressure(-step, p.L_PA, p.L_AT, p.K_A, p_S, 1.0, p)
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
def _set_clearance(c: float, flow_scale: float, ratio: float, p: Any) -> None:
    """Write a clearance and the flow coefficients that go with it into the record p."""
    o_1 = 0.5 * ((1.0 - p.L_PA) + math.sqrt((1.0 - p.L_PA) ** 2 + 4.0 * c * c))
    o_2 = 0.5 * ((1.0 - p.L_BT) + math.sqrt((1.0 - p.L_BT) ** 2 + 4.0 * c * c))
    a_1, a_2 = area_fraction(o_1, p), area_fraction(o_2, p)
    p.c = c
    p.K_A = flow_scale * math.sqrt(1.0 / (a_1 * a_1) + 1.0 / (a_2 * a_2))
    p.K_B = p.K_A * ratio


@kernel
def _fits(
    c: float,
    by_leakage: bool,
    target: float,
    p_S: float,
    flow_scale: float,
    ratio: float,
    p: Any,
) -> bool:
    """Set a clearance and tell whether it leaks too little, or gives too much pressure gain."""
    _set_clearance(c, flow_scale, ratio, p)
    if by_leakage:
        return null_leakage(p_S, p) < target
    return null_pressure_gain(p_S, p) > target


@kernel
def _solve_lands(
    by_leakage: bool, target: float, p_S: float, flow_scale: float, ratio: float, p: Any
) -> None:
    """Set the clearance whose null figure is the target; a negative one if there is none."""
    low, high = math.log(_SMALLEST_CLEARANCE), math.log(_LARGEST_CLEARANCE)
    if not _fits(_SMALLEST_CLEARANCE, by_leakage, target, p_S, flow_scale, ratio, p):
        p.c = -1.0
        return
    if _fits(_LARGEST_CLEARANCE, by_leakage, target, p_S, flow_scale, ratio, p):
        p.c = -2.0
        return
    for _ in range(60):
        middle = 0.5 * (low + high)
        if _fits(math.exp(middle), by_leakage, target, p_S, flow_scale, ratio, p):
            low = middle
        else:
            high = middle
    _set_clearance(math.exp(0.5 * (low + high)), flow_scale, ratio, p)


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
    raw = ValveParameters(
        K_A=1.0,
        K_B=valve.area_ratio,
        L_PA=valve.overlap_pa,
        L_BT=valve.overlap_bt,
        L_PB=valve.overlap_pb,
        L_AT=valve.overlap_at,
        c=1.0,
        dp_t=transition_pressure(valve, oil, valve.rating_temperature),
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
    flow_scale = valve.rated_flow / math.sqrt(valve.rated_pressure_drop)
    by_leakage = valve.leakage_given != "pressure_gain"
    target = valve.null_leakage - valve.pilot_leakage if by_leakage else valve.pressure_gain
    lands = record(raw)
    _solve_lands(by_leakage, target, valve.rating_pressure, flow_scale, valve.area_ratio, lands)
    return raw._replace(
        K_A=float(lands.K_A),
        K_B=float(lands.K_B),
        c=float(lands.c),
        dp_t=transition_pressure(valve, oil, oil.temperature),
    )
