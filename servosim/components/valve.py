"""Servo-valve: four metering lands, and the motion of the spool.

Physics. Each land opens with the spool less its own overlap; radial clearance makes a closed land
leak. Flow changes smoothly from laminar (closed, narrow gap) to turbulent (open). The command
passes null bias and shift, then threshold and hysteresis as two plays in parallel; the spool
follows as a first- or second-order system with a rate limit and stops.

Assumptions. Flow forces are inside the spool's own loop; the rated opening has a constant discharge
coefficient; oil temperature acts on the laminar part through viscosity. Dither is added before the
plays, because its purpose is to keep them moving.

Validity. Servo- and proportional valves with spool position control, up to their natural frequency.

Sources. H. E. Merritt, *Hydraulic Control Systems*, Wiley 1967, ch. 3 and 5 (from memory); laminar
limit of a slit: q = pi b^2 W dp / (32 mu) (R. von Wuest, quoted in Merritt ch. 3, from memory).
"""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

from servosim._elementary import inverse_fourth_root, inverse_fourth_roots, sine
from servosim._jit import inner_kernel, kernel
from servosim._lanes import some, where
from servosim.params import Table, choice, number, quantity

STATES = ("spool", "spool_rate")
INPUTS = (
    "spool_command",
    "line_pressure_a",
    "line_pressure_b",
    "supply_pressure",
    "return_pressure",
)
OUTPUTS = ("flow_pa", "flow_bt", "flow_pb", "flow_at")

LINEAR, CURVE = 0, 1
FIRST_ORDER, SECOND_ORDER = 1, 2
KNOTS = 8


class Valve(Table):
    """Servo-valve with four metering lands; openings are fractions of the rated stroke."""

    rated_flow: float = quantity(
        "L/min",
        above=0,
        high="5000 L/min",
        symbol="q_n",
        doc="Flow at rated command and drop, side A.",
    )
    rated_pressure_drop: float = quantity(
        "bar", above=0, high="400 bar", symbol="dp_n", doc="Total drop over both lands at rating."
    )
    rated_stroke: float = quantity(
        "mm", low="0.01 mm", high="20 mm", symbol="x_n", doc="Spool stroke at rated command."
    )
    overlap_pa: float = quantity(
        "%",
        low="-50 %",
        high="50 %",
        symbol="L_PA",
        doc="Overlap of the land P to A (underlap < 0).",
    )
    overlap_bt: float = quantity(
        "%",
        low="-50 %",
        high="50 %",
        symbol="L_BT",
        doc="Overlap of the land B to T (underlap < 0).",
    )
    overlap_pb: float = quantity(
        "%",
        low="-50 %",
        high="50 %",
        symbol="L_PB",
        doc="Overlap of the land P to B (underlap < 0).",
    )
    overlap_at: float = quantity(
        "%",
        low="-50 %",
        high="50 %",
        symbol="L_AT",
        doc="Overlap of the land A to T (underlap < 0).",
    )
    area_ratio: float = number(
        low=0.1, high=10, absent=1.0, symbol="K_B/K_A", doc="Lands and flow at B over those at A."
    )
    leakage_given: Literal["null_leakage", "pressure_gain", "both"] = choice(
        "What fixes the clearance of the lands; with both, the leakage does, the gain is checked."
    )
    null_leakage: float = quantity(
        "L/min",
        above=0,
        high="100 L/min",
        when={"leakage_given": ("null_leakage", "both")},
        symbol="q_null",
        doc="Leakage at null, ports blocked, with the pilot stage's share.",
    )
    pilot_leakage: float = quantity(
        "L/min",
        low=0,
        high="50 L/min",
        symbol="q_pilot",
        doc="Share of the pilot stage in the leakage.",
    )
    pressure_gain: float = quantity(
        "bar",
        above=0,
        high="1000000 bar",
        when={"leakage_given": ("pressure_gain", "both")},
        symbol="K_p0",
        doc="Load pressure over spool travel at null, for a whole rated stroke.",
    )
    rating_pressure: float = quantity(
        "bar", above=0, high="500 bar", symbol="p_r", doc="Supply pressure of the null figures."
    )
    rating_temperature: float = quantity(
        "degC", low="-20 degC", high="100 degC", symbol="T_r", doc="Oil temperature of the figures."
    )
    discharge_coefficient: float = number(
        low=0.3, high=1, symbol="C_d", doc="Discharge coefficient of an open land."
    )
    transition_reynolds: float = number(
        low=1, high=500, symbol="Re_t", doc="Reynolds number where laminar and turbulent flow meet."
    )
    opening: Literal["linear", "dual_gain", "table"] = choice("Flow area over opening.")
    knee_opening: float = quantity(
        "%", above=0, below="100 %", when={"opening": ("dual_gain",)}, doc="Opening at the knee."
    )
    knee_area: float = quantity(
        "%", above=0, below="100 %", when={"opening": ("dual_gain",)}, doc="Flow area at the knee."
    )
    opening_table: tuple[float, ...] = quantity(
        "%",
        many=True,
        low=0,
        high="100 %",
        when={"opening": ("table",)},
        doc="Openings, rising from 0 % to 100 %, at most 8.",
    )
    area_table: tuple[float, ...] = quantity(
        "%",
        many=True,
        low=0,
        high="100 %",
        when={"opening": ("table",)},
        doc="Flow areas at these openings, rising from 0 % to 100 %.",
    )
    dynamics: Literal["first_order", "second_order"] = choice("Order of the spool's motion.")
    natural_frequency: float = quantity(
        "Hz",
        above=0,
        high="2000 Hz",
        when={"dynamics": ("second_order",)},
        symbol="omega_v",
        doc="Natural frequency of the spool's loop.",
    )
    damping_ratio: float = number(
        low=0.1,
        high=3,
        when={"dynamics": ("second_order",)},
        symbol="zeta_v",
        doc="Damping ratio of the spool's loop.",
    )
    time_constant: float = quantity(
        "ms",
        above=0,
        high="1 s",
        when={"dynamics": ("first_order",)},
        symbol="tau_v",
        doc="Time constant of the spool's loop.",
    )
    stroke_time: float = quantity(
        "ms", above=0, high="10 s", symbol="t_stroke", doc="Shortest time from 0 to 100 % stroke."
    )
    piloted: Literal["no", "yes"] = choice(
        "Whether the spool's greatest speed follows the root of supply pressure."
    )
    threshold: float = quantity(
        "%", low=0, high="10 %", symbol="t", doc="Change of command that first moves the spool."
    )
    hysteresis: float = quantity(
        "%", low=0, high="20 %", symbol="H", doc="Width of the loop over the full rated command."
    )
    wide_play_weight: float = number(
        above=0, below=1, symbol="w", doc="Share of the wide play that makes the hysteresis loop."
    )
    null_bias: float = quantity(
        "%", low="-20 %", high="20 %", symbol="u_0", doc="Spool command at zero command."
    )
    null_shift_temperature: float = quantity(
        "%/K",
        low="-1 %/K",
        high="1 %/K",
        symbol="du_0/dT",
        doc="Shift of null with oil temperature.",
    )
    null_shift_pressure: float = quantity(
        "%/bar", low="-1 %/bar", high="1 %/bar", symbol="du_0/dp", doc="Shift of null with supply."
    )
    dither_amplitude: float = quantity(
        "%", low=0, high="10 %", absent=0.0, symbol="u_d", doc="Amplitude of the dither."
    )
    dither_frequency: float = quantity(
        "Hz", low=0, high="1000 Hz", absent=0.0, symbol="f_d", doc="Frequency of the dither."
    )
    signal: Literal["none", "voltage", "current"] = choice(
        "Kind of the command's signal, for a sheet of gains in its unit.", absent="none"
    )
    rated_voltage: float = quantity(
        "V",
        above=0,
        high="100 V",
        when={"signal": ("voltage",)},
        doc="Signal at full command.",
    )
    rated_current: float = quantity(
        "mA",
        above=0,
        high="10 A",
        when={"signal": ("current",)},
        doc="Signal at full command.",
    )


class ValveParameters(NamedTuple):
    """Numbers of the valve for the kernels."""

    K_A: float  # flow over area fraction and root of drop, lands at A, m3/s/sqrt(Pa)
    K_B: float
    L_PA: float
    L_BT: float
    L_PB: float
    L_AT: float
    c: float  # clearance, fraction of stroke
    dp_t: float  # transition pressure for unit opening at the present viscosity, Pa
    curve: int
    knots_x: tuple[float, float, float, float, float, float, float, float]
    knots_y: tuple[float, float, float, float, float, float, float, float]
    order: int
    omega: float
    zeta: float
    K_spool: float  # omega/(2 zeta), 1/s
    tau: float
    rate: float  # greatest spool speed, 1/s
    piloted: int
    p_rating: float
    q_pilot: float
    K_pilot: float  # the same over the root of the rating pressure, m3/s/sqrt(Pa)
    r_narrow: float  # half widths of the plays
    r_wide: float
    w: float
    bias: float  # null bias with its shifts at the present temperature
    bias_pressure: float  # 1/Pa
    dither: float
    omega_dither: float


@kernel
def area_fraction(o_eff: float, p: ValveParameters) -> float:
    """Return the flow area as a fraction of the rated one at an effective opening."""
    if p.curve == LINEAR:
        return o_eff
    area = p.knots_y[0] + max(o_eff - 1.0, 0.0)
    for i in range(KNOTS - 1):
        width = p.knots_x[i + 1] - p.knots_x[i]
        slope = (p.knots_y[i + 1] - p.knots_y[i]) / where(width > 0.0, width, 1.0)
        area += slope * min(max(o_eff - p.knots_x[i], 0.0), width)
    return area


@inner_kernel
def land_flow(o: float, dp: float, K: float, p: ValveParameters) -> float:
    """Return the flow through one land.

    Parameters
    ----------
    o : float
        Opening [-], fraction of rated stroke, negative inside the overlap.
    dp : float
        Pressure drop in the direction of the flow [Pa].
    K : float
        Flow coefficient [m3/s/sqrt(Pa)].
    p : ValveParameters
        Numbers of the valve.

    Returns
    -------
    float
        Flow [m3/s]: ``K o_eff dp / (dp^2 + dp_t^2)^(1/4)``, ``o_eff = (o + sqrt(o^2 + 4c^2))/2``,
        ``dp_t = dp_t1 / (c^2 + max(o, 0)^2)``.
    """
    part, inner, under = _land(o, dp, p)
    return K * part * dp * (inner * inverse_fourth_root(under))


@inner_kernel
def _land(o: float, dp: float, p: ValveParameters) -> tuple[float, float, float]:
    """Return three factors of a land's flow: K a dp D b^(-1/4), written without a division.

    With ``D = c^2 + max(o, 0)^2`` and ``dp_t = dp_t1/D`` the fourth root of ``dp^2 + dp_t^2`` is
    that of ``b = (dp^2 D^2 + dp_t1^2) D^2`` over D. Inside the overlap ``(o + root)/2`` is c^2 over
    ``w = (|o| + root)/2``, which keeps its digits, and 1/w goes into b too.
    """
    c2 = p.c * p.c
    size = abs(o)
    wide = 0.5 * (size + math.sqrt(size * size + 4.0 * c2))
    o_pos = max(o, 0.0)
    D = c2 + o_pos * o_pos
    drop = dp * D
    b = (drop * drop + p.dp_t * p.dp_t) * (D * D)
    if p.curve == LINEAR:
        below = where(o > 0.0, 1.0, wide * wide)
        return where(o > 0.0, wide, c2), D, b * (below * below)
    return area_fraction(where(o > 0.0, wide, c2 / wide), p), D, b


@inner_kernel
def output(
    t: float,
    x: tuple[float, float],
    u: tuple[float, float, float, float, float],
    p: ValveParameters,
) -> tuple[float, float, float, float]:
    """Return the flows through the lands P-A, B-T, P-B, A-T [m3/s], see ``OUTPUTS``."""
    xs = min(max(x[0], -1.0), 1.0)
    p_A, p_B, p_S, p_T = u[1], u[2], u[3], u[4]
    dp_PA, dp_BT, dp_PB, dp_AT = p_S - p_A, p_B - p_T, p_S - p_B, p_A - p_T
    a_PA, D_PA, b_PA = _land(xs - p.L_PA, dp_PA, p)
    a_BT, D_BT, b_BT = _land(xs - p.L_BT, dp_BT, p)
    a_PB, D_PB, b_PB = _land(-xs - p.L_PB, dp_PB, p)
    a_AT, D_AT, b_AT = _land(-xs - p.L_AT, dp_AT, p)
    r_PA, r_BT, r_PB, r_AT = inverse_fourth_roots(b_PA, b_BT, b_PB, b_AT)
    return (
        p.K_A * a_PA * dp_PA * (D_PA * r_PA),
        p.K_B * a_BT * dp_BT * (D_BT * r_BT),
        p.K_B * a_PB * dp_PB * (D_PB * r_PB),
        p.K_A * a_AT * dp_AT * (D_AT * r_AT),
    )


@inner_kernel
def speed_limit(p_S: float, p: ValveParameters) -> float:
    """Return the spool's greatest speed at a supply pressure [1/s]."""
    return p.rate * math.sqrt(max(p_S, 0.0) / p.p_rating) if p.piloted == 1 else p.rate


@inner_kernel
def wanted_speed(xs: float, u_h: float, p: ValveParameters) -> float:
    """Return the speed that the spool would have without its limit [1/s]."""
    return (u_h - xs) / p.tau if p.order == FIRST_ORDER else p.K_spool * (u_h - xs)


@inner_kernel
def derivative(
    t: float,
    x: tuple[float, float],
    u: tuple[float, float, float, float, float],
    p: ValveParameters,
) -> tuple[float, float]:
    """Return the rates of spool position [1/s] and spool speed [1/s2], see ``STATES``.

    ``v_c = clip(omega/(2 zeta) (u - xs), +-1/t_stroke)``, ``dvs = 2 zeta omega (v_c - vs)``. At a
    stop the outward speed is zero. First order: the speed follows ``(u - xs)/tau`` at once.
    """
    xs, vs = x[0], x[1]
    rate = speed_limit(u[3], p)
    v_c = min(max(wanted_speed(xs, u[0], p), -rate), rate)
    if p.order == FIRST_ORDER:
        blocked = ((xs >= 1.0) & (v_c > 0.0)) | ((xs <= -1.0) & (v_c < 0.0))
        return where(blocked, 0.0, v_c), 0.0
    a = 2.0 * p.zeta * p.omega * (v_c - vs)
    if some(abs(xs) >= 1.0):
        top, bottom = (xs >= 1.0) & (vs >= 0.0), (xs <= -1.0) & (vs <= 0.0)
        a = where(top, min(a, 0.0), where(bottom, max(a, 0.0), a))
        vs = where(top | bottom, 0.0, vs)
    return vs, a


@kernel
def play(u: float, memory: float, half_width: float) -> float:
    """Return the output of a play (backlash) operator whose last output was ``memory``."""
    return max(u - half_width, min(u + half_width, memory))


@kernel
def dither(t: float, p: ValveParameters) -> float:
    """Return the dither that is added to the command at a time [-]."""
    if some(p.dither > 0.0):
        return p.dither * sine(p.omega_dither * t)
    return 0.0


@kernel
def null_shift(p_S: float, p: ValveParameters) -> float:
    """Return what bias and shifts add to the command at a supply pressure [-]."""
    return p.bias + p.bias_pressure * (p_S - p.p_rating)


@kernel
def command_path(
    u: float, narrow: float, wide: float, p_S: float, dither: float, p: ValveParameters
) -> tuple[float, float, float]:
    """Return the spool command after bias, plays and limit, and the two memories.

    ``u_h = (1 - w) P[u; t/2] + w P[u; (H - (1 - w) t)/(2 w)]``: the threshold stays t, and the
    loop over full command is H wide.
    """
    shifted = u + null_shift(p_S, p) + dither
    narrow = play(shifted, narrow, p.r_narrow)
    wide = play(shifted, wide, p.r_wide)
    u_h = (1.0 - p.w) * narrow + p.w * wide
    return min(max(u_h, -1.0), 1.0), narrow, wide


@inner_kernel
def pilot_flow(p_S: float, p: ValveParameters) -> float:
    """Return the pilot stage's flow [m3/s], an orifice with q_pilot at the rating pressure."""
    return p.K_pilot * math.sqrt(max(p_S, 0.0))
