"""Position controller: gains in physical terms, sampled or continuous.

Physics. The wanted velocity is the position error times the velocity gain, with feed-forwards and
an integral, less the stabilising feedback; divided by the velocity gain of the valve and cylinder
in that direction it becomes an opening, to which the inverse of the overlap is added. Filters are
part of the controller and have states: a second-order filter gives velocity and acceleration of the
reading, a low pass gives the slow part of the load pressure.

Assumptions. Sampled filters are the exact step-invariant forms of the continuous ones, so both
kinds of controller tend to the same law as the period goes to zero.

Sources. Velocity gain of an axis with unequal areas and loads: orifice equation of both lands in
series with the piston (H. E. Merritt, *Hydraulic Control Systems*, Wiley 1967, ch. 6, from memory).
"""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

from servosim._jit import kernel
from servosim._lanes import where
from servosim.params import Table, choice, number, quantity

STATES = ("integral", "filtered_position", "filtered_velocity", "slow_pressure", "load_estimate")
INPUTS = (
    "reference_position",
    "reference_velocity",
    "reference_acceleration",
    "schedule_velocity",
    "scheduled",
    "scale_reading",
    "pressure_reading_a",
    "pressure_reading_b",
)
OUTPUTS = ("command",)
ControllerStates = tuple[float, float, float, float, float]
ControllerInputs = tuple[float, float, float, float, float, float, float, float]


class Controller(Table):
    """Position controller of the axis."""

    kind: Literal["sampled", "continuous"] = choice("Sampled, or continuous for teaching.")
    period: float = quantity(
        "ms", low="0.05 ms", high="50 ms", symbol="T_s", doc="Sampling period; recording step."
    )
    computing_delay: float = quantity(
        "ms",
        low=0,
        high="50 ms",
        when={"kind": ("sampled",)},
        symbol="T_c",
        doc="From the sample to the new command, at most one period.",
    )
    velocity_gain: float = quantity(
        "1/s", above=0, high="1000 1/s", symbol="K_v", doc="Velocity over position error."
    )
    velocity_feedforward: float = quantity(
        "%", low=0, high="150 %", symbol="k_ff", doc="Share of the reference velocity."
    )
    acceleration_feedforward: float = quantity(
        "ms", low="-1 s", high="1 s", symbol="k_a", doc="Velocity over reference acceleration."
    )
    integral_gain: float = quantity(
        "1/s2", low=0, high="1e5 1/s2", symbol="K_i", doc="Velocity over integral of the error."
    )
    integral_dead_zone: float = quantity(
        "um", low=0, high="100 mm", symbol="e_d", doc="Error that the integral leaves alone."
    )
    integral_limit: float = quantity(
        "mm/s", low=0, high="10 m/s", symbol="v_i", doc="Largest velocity from the integral."
    )
    stabilising_feedback: Literal["none", "acceleration", "load_pressure"] = choice(
        "Feedback that adds damping."
    )
    acceleration_feedback: float = quantity(
        "ms",
        low=0,
        high="10 s",
        when={"stabilising_feedback": ("acceleration",)},
        symbol="k_acc",
        doc="Velocity taken off per acceleration.",
    )
    load_pressure_feedback: float = quantity(
        "(mm/s)/bar",
        low=0,
        high="1000 (mm/s)/bar",
        when={"stabilising_feedback": ("load_pressure",)},
        symbol="k_p",
        doc="Velocity taken off per load pressure.",
    )
    high_pass_frequency: float = quantity(
        "Hz",
        above=0,
        high="1 kHz",
        when={"stabilising_feedback": ("load_pressure",)},
        symbol="omega_h",
        doc="Corner of the high pass on load pressure.",
    )
    velocity_feedback: float = quantity(
        "%", low=0, high="1000 %", absent=0.0, symbol="k_v", doc="Share of the velocity taken off."
    )
    filter_frequency: float = quantity(
        "Hz", above=0, high="5 kHz", symbol="omega_f", doc="Derivative filter, natural frequency."
    )
    filter_damping: float = quantity(
        "%", low="10 %", high="300 %", symbol="zeta_f", doc="Derivative filter, damping ratio."
    )
    overlap_compensation: float = quantity(
        "%", low=0, high="150 %", symbol="k_o", doc="Share of the overlap that is jumped."
    )
    overlap_smoothing: float = quantity(
        "%", above=0, high="20 %", symbol="delta_o", doc="Opening over which the jump is spread."
    )
    null_trim: float = quantity(
        "%", low="-20 %", high="20 %", symbol="u_t", doc="Command added against the valve's bias."
    )
    load_pressure_correction: Literal["none", "square_root"] = choice(
        "Correction of the velocity gain for the load."
    )
    correction_frequency: float = quantity(
        "Hz",
        above=0,
        high="100 Hz",
        when={"load_pressure_correction": ("square_root",)},
        symbol="omega_c",
        doc="Low pass of the correction, well below the axis' natural frequency.",
    )
    correction_floor: float = quantity(
        "%",
        low="1 %",
        high="100 %",
        when={"load_pressure_correction": ("square_root",)},
        doc="Least share of the nominal pressure drop under the root.",
    )
    output_limit: float = quantity(
        "%", above=0, high="100 %", symbol="u_max", doc="Largest command."
    )
    output_counts: int = number(
        low=0, high=2**31, absent=0, doc="Counts of the output at full command; 0: not stated."
    )


class ControllerParameters(NamedTuple):
    """Numbers of the controller for the kernels."""

    sampled: int
    period: float
    delay: float
    K_v: float
    k_ff: float
    k_a: float
    K_i: float
    e_d: float
    v_i: float
    k_acc: float
    k_p: float
    k_v: float
    omega_h: float
    omega_f: float
    zeta_f: float
    a_h: float  # sampled low pass of the load pressure: 1 - exp(-omega Ts)
    a_c: float
    F11: float  # sampled derivative filter, x+ = F x + G y
    F12: float
    F21: float
    F22: float
    G1: float
    G2: float
    k_o: float
    L_plus: float
    L_minus: float
    delta_o: float
    trim: float
    correct: int
    omega_c: float
    floor: float
    u_max: float
    g_plus: float  # velocity gain in extension, m/s for full command
    g_minus: float
    A_A: float
    A_B: float
    drop_plus: float  # force left for the valve at nominal load, N
    drop_minus: float
    F_nominal: float


def velocity_gains(
    A_A: float, A_B: float, K_A: float, K_B: float, p_S: float, p_T: float, F: float
) -> tuple[float, float, float, float]:
    """Return the velocity gain of each direction for a steady load.

    Parameters
    ----------
    A_A, A_B : float
        Piston areas [m2]; A_B is zero for a plunger.
    K_A, K_B : float
        Flow coefficients of the lands [m3/s/sqrt(Pa)].
    p_S, p_T : float
        Supply and return pressure [Pa].
    F : float
        Steady load against extension [N].

    Returns
    -------
    g_plus, g_minus, drop_plus, drop_minus : float
        Velocity for full opening [m/s] in extension and retraction; force that is left for the
        valve's drops [N], zero or less if the load can't be moved that way.

    Notes
    -----
    ``g+ = sqrt[(A_A pS - A_B pT - F)/(A_A^3/K_A^2 + A_B^3/K_B^2)]`` and
    ``g- = sqrt[(A_B pS - A_A pT + F)/(A_B^3/K_B^2 + A_A^3/K_A^2)]``.
    """
    plus = A_A * p_S - A_B * p_T - F
    minus = A_B * p_S - A_A * p_T + F
    both = A_A**3 / K_A**2 + (A_B**3 / K_B**2 if A_B > 0.0 else 0.0)
    return math.sqrt(max(plus, 0.0) / both), math.sqrt(max(minus, 0.0) / both), plus, minus


def step_invariant_filter(omega: float, zeta: float, period: float) -> tuple[float, ...]:
    """Return the sampled form of the derivative filter for an input held over the period.

    Parameters
    ----------
    omega, zeta : float
        Natural frequency [rad/s] and damping ratio of
        ``dx1 = x2, dx2 = omega^2 (y - x1) - 2 zeta omega x2``.
    period : float
        Sampling period [s].

    Returns
    -------
    tuple of float
        F11, F12, F21, F22, G1, G2 of ``x+ = F x + G y``, by the matrix exponential.
    """
    s = zeta * omega
    square = omega * omega - s * s
    if abs(square) < 1e-9 * omega * omega:
        even, odd = 1.0, period
    elif square > 0.0:
        w = math.sqrt(square)
        even, odd = math.cos(w * period), math.sin(w * period) / w
    else:
        w = math.sqrt(-square)
        even, odd = math.cosh(w * period), math.sinh(w * period) / w
    fade = math.exp(-s * period)
    F11, F12 = fade * (even + s * odd), fade * odd
    F21, F22 = -fade * omega * omega * odd, fade * (even - s * odd)
    return F11, F12, F21, F22, 1.0 - F11, -F21


def controller_parameters(
    controller: Controller,
    areas: tuple[float, float],
    flow_coefficients: tuple[float, float],
    pressures: tuple[float, float],
    load: float,
    overlaps: tuple[float, float],
) -> ControllerParameters:
    """Return the numbers that the kernels use.

    Parameters
    ----------
    controller : Controller
        Table of the controller.
    areas : tuple of float
        Piston areas A and B [m2].
    flow_coefficients : tuple of float
        Flow coefficients of the lands at A and B [m3/s/sqrt(Pa)].
    pressures : tuple of float
        Nominal supply and return pressure [Pa].
    load : float
        Nominal steady load against extension [N].
    overlaps : tuple of float
        Mean overlap of the lands that open in extension and in retraction [-].

    Returns
    -------
    ControllerParameters
        Plain numbers, SI.
    """
    c = controller
    g_plus, g_minus, drop_plus, drop_minus = velocity_gains(
        *areas, *flow_coefficients, *pressures, load
    )
    F = step_invariant_filter(c.filter_frequency, c.filter_damping, c.period)
    correct = c.load_pressure_correction == "square_root"
    return ControllerParameters(
        sampled=int(c.kind == "sampled"),
        period=c.period,
        delay=c.computing_delay,
        K_v=c.velocity_gain,
        k_ff=c.velocity_feedforward,
        k_a=c.acceleration_feedforward,
        K_i=c.integral_gain,
        e_d=c.integral_dead_zone,
        v_i=c.integral_limit,
        k_acc=c.acceleration_feedback,
        k_p=c.load_pressure_feedback,
        k_v=c.velocity_feedback,
        omega_h=c.high_pass_frequency,
        omega_f=c.filter_frequency,
        zeta_f=c.filter_damping,
        a_h=-math.expm1(-c.high_pass_frequency * c.period),
        a_c=-math.expm1(-c.correction_frequency * c.period),
        F11=F[0],
        F12=F[1],
        F21=F[2],
        F22=F[3],
        G1=F[4],
        G2=F[5],
        k_o=c.overlap_compensation,
        L_plus=overlaps[0],
        L_minus=overlaps[1],
        delta_o=c.overlap_smoothing,
        trim=c.null_trim,
        correct=int(correct),
        omega_c=c.correction_frequency,
        floor=c.correction_floor if correct else 1.0,
        u_max=c.output_limit,
        g_plus=g_plus,
        g_minus=g_minus,
        A_A=areas[0],
        A_B=areas[1],
        drop_plus=drop_plus,
        drop_minus=drop_minus,
        F_nominal=load,
    )


@kernel
def load_pressure(p_A: float, p_B: float, p: ControllerParameters) -> float:
    """Return the load pressure pA - pB A_B/A_A [Pa]."""
    return p_A - p_B * p.A_B / p.A_A


@kernel
def law(
    x: ControllerStates,
    u: ControllerInputs,
    p: ControllerParameters,
) -> float:
    """Return the command for filter states and inputs, see ``STATES`` and ``INPUTS`` [-].

    ``v_d = Kv (r - y) + k_ff v_r + k_a a_r + integral - k_v v_f - k_acc a_f - k_p HP[p_L]``, or
    with a distance-based schedule its velocity in place of the first two terms.
    """
    integral, y_f, v_f, slow, estimate = x[0], x[1], x[2], x[3], x[4]
    a_f = p.omega_f * p.omega_f * (u[5] - y_f) - 2.0 * p.zeta_f * p.omega_f * v_f
    p_L = load_pressure(u[6], u[7], p)
    v_d = where(u[4] > 0.5, u[3], p.K_v * (u[0] - u[5]) + p.k_ff * u[1])
    v_d += p.k_a * u[2] + integral - p.k_v * v_f - p.k_acc * a_f - p.k_p * (p_L - slow)
    return opening_command(v_d, estimate, p)


@kernel
def opening_command(v_d: float, estimate: float, p: ControllerParameters) -> float:
    """Return the command for a wanted velocity: velocity gain, overlap inverse, trim, limit."""
    forward = v_d >= 0.0
    g = where(forward, p.g_plus, p.g_minus)
    if p.correct == 1:
        extra = p.A_A * estimate - p.F_nominal
        drop = where(forward, p.drop_plus, p.drop_minus)
        ratio = (drop - where(forward, extra, -extra)) / drop
        g *= math.sqrt(max(ratio, p.floor))
    o = v_d / g
    L = where(forward, p.L_plus, p.L_minus)
    u = o + p.k_o * L * o / math.sqrt(o * o + p.delta_o * p.delta_o) + p.trim
    return min(max(u, -p.u_max), p.u_max)


@kernel
def integral_rate(integral: float, u: ControllerInputs, p: ControllerParameters) -> float:
    """Return the rate of the integral [m/s2]: dead zone, and no growth beyond the clamp.

    Under a schedule over the remaining distance it integrates in the straight part alone, where the
    velocity is the gain times the error; else it would wind up over the whole way.
    """
    e = u[0] - u[5]
    curved = (u[4] > 0.5) & (abs(u[3] - p.K_v * e) > 1e-9 * abs(u[3]))
    rate = p.K_i * (e - min(max(e, -p.e_d), p.e_d))
    full = ((integral >= p.v_i) & (rate > 0.0)) | ((integral <= -p.v_i) & (rate < 0.0))
    return where(curved | full, 0.0, rate)


@kernel
def derivative(
    t: float,
    x: ControllerStates,
    u: ControllerInputs,
    p: ControllerParameters,
) -> ControllerStates:
    """Return the rates of the continuous controller's states, see ``STATES`` and ``INPUTS``."""
    p_L = load_pressure(u[6], u[7], p)
    a_f = p.omega_f * p.omega_f * (u[5] - x[1]) - 2.0 * p.zeta_f * p.omega_f * x[2]
    return (
        integral_rate(x[0], u, p),
        x[2],
        a_f,
        p.omega_h * (p_L - x[3]),
        p.omega_c * (p_L - x[4]),
    )


@kernel
def output(
    t: float,
    x: ControllerStates,
    u: ControllerInputs,
    p: ControllerParameters,
) -> float:
    """Return the command of the continuous controller [-]."""
    return law(x, u, p)


@kernel
def update(
    t: float,
    x: ControllerStates,
    u: ControllerInputs,
    frozen: bool,
    p: ControllerParameters,
) -> ControllerStates:
    """Return the sampled controller's states for this sample, before :func:`law` is asked.

    Parameters
    ----------
    t : float
        Time [s], not read.
    x : tuple of float
        States after the last sample, see ``STATES``.
    u : tuple of float
        Inputs of this sample, see ``INPUTS``.
    frozen : bool
        True while the lock isn't confirmed open: the integral rests, the filters track.
    p : ControllerParameters
        Numbers of the controller.

    Returns
    -------
    tuple of float
        States that this sample's command uses.
    """
    p_L = load_pressure(u[6], u[7], p)
    grown = x[0] + p.period * integral_rate(x[0], u, p)
    integral = where(frozen, x[0], min(max(grown, -p.v_i), p.v_i))
    return (
        integral,
        p.F11 * x[1] + p.F12 * x[2] + p.G1 * u[5],
        p.F21 * x[1] + p.F22 * x[2] + p.G2 * u[5],
        x[3] + p.a_h * (p_L - x[3]),
        x[4] + p.a_c * (p_L - x[4]),
    )
