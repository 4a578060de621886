"""Position transducer and pressure transducers.

Physics. The scale reads position with a linear error, thermal growth of the scale, an offset and a
cyclic error; its electronics lag; then transport delay, noise, and last the rounding to the
resolution. Pressure transducers lag, add noise and round.

Assumptions. One measuring point, on the piston or on the table at the tool. The workpiece is meant
at 20 degC, the reference temperature of length (ISO 1, from memory).

Validity. Speeds below the transducer's own limit.

Sources. Plain definitions of these errors.
"""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

from servosim._elementary import exponential, sine, sine_cosine
from servosim._jit import inner_kernel, kernel
from servosim._lanes import some, where
from servosim.params import Table, choice, quantity

STATES = ("scale_reading", "pressure_reading_a", "pressure_reading_b")
INPUTS = ("piston_position", "table_position", "pressure_a", "pressure_b")
OUTPUTS = ("scale_reading", "pressure_reading_a", "pressure_reading_b")

SCALE_REFERENCE_TEMPERATURE = 293.15


class Transducer(Table):
    """Scale on the axis and pressure transducers at the ports of the cylinder."""

    location: Literal["table", "piston"] = choice("What the scale reads.")
    resolution: float = quantity(
        "um", low=0, high="10 mm", symbol="delta", doc="Step of the reading; zero means none."
    )
    scale_error: float = quantity(
        "um/m", low="-0.01 1", high="0.01 1", symbol="e_lin", doc="Linear."
    )
    scale_expansion: float = quantity(
        "um/m/K", low=0, high="1e-4 1/K", symbol="alpha_s", doc="Thermal growth of the scale."
    )
    scale_temperature: float = quantity(
        "degC", low="-20 degC", high="80 degC", symbol="T_s", doc="Scale; reference is 20 degC."
    )
    zero_offset: float = quantity("um", low="-1 m", high="1 m", symbol="e_0", doc="Offset of zero.")
    cyclic_error: float = quantity(
        "um", low=0, high="10 mm", symbol="e_c", doc="Amplitude of the cyclic error."
    )
    cyclic_period: float = quantity(
        "mm", above=0, high="10 m", symbol="lambda", doc="Period of the cyclic error."
    )
    cyclic_phase: float = quantity(
        "deg", low="-360 deg", high="360 deg", symbol="phi", doc="Phase of the cyclic error."
    )
    time_constant: float = quantity(
        "ms", low="0.001 ms", high="1 s", symbol="tau_y", doc="Lag of the electronics."
    )
    delay: float = quantity("ms", low=0, high="100 ms", symbol="T_y", doc="Transport delay.")
    noise: float = quantity("um", low=0, high="10 mm", symbol="n_y", doc="Noise, root mean square.")
    pressure: Literal["none", "both_ports"] = choice("Pressure transducers at the chambers.")
    pressure_resolution: float = quantity(
        "bar", low=0, high="50 bar", when={"pressure": ("both_ports",)}, doc="Step of the reading."
    )
    pressure_noise: float = quantity(
        "bar",
        low=0,
        high="50 bar",
        when={"pressure": ("both_ports",)},
        doc="Noise, root mean square.",
    )
    pressure_time_constant: float = quantity(
        "ms",
        low="0.001 ms",
        high="1 s",
        when={"pressure": ("both_ports",)},
        doc="Lag of the pressure transducers.",
    )
    pressure_range: float = quantity(
        "bar", above=0, high="1000 bar", when={"pressure": ("both_ports",)}, doc="Largest reading."
    )


class TransducerParameters(NamedTuple):
    """Numbers of the transducers for the kernels."""

    on_table: int
    scale: float
    offset: float
    e_c: float
    wave: float
    phase: float
    rate: float  # 1/time constant
    delay: float
    resolution: float
    noise: float
    has_pressure: int
    p_rate: float
    p_resolution: float
    p_noise: float
    p_range: float


def transducer_parameters(transducer: Transducer) -> TransducerParameters:
    """Return the numbers that the kernels use.

    Parameters
    ----------
    transducer : Transducer
        Table of the transducers.

    Returns
    -------
    TransducerParameters
        Plain numbers, SI.
    """
    pressure = transducer.pressure == "both_ports"
    growth = transducer.scale_expansion
    growth *= transducer.scale_temperature - SCALE_REFERENCE_TEMPERATURE
    return TransducerParameters(
        on_table=int(transducer.location == "table"),
        scale=1.0 + transducer.scale_error - growth,
        offset=transducer.zero_offset,
        e_c=transducer.cyclic_error,
        wave=2.0 * math.pi / transducer.cyclic_period,
        phase=transducer.cyclic_phase,
        rate=1.0 / transducer.time_constant,
        delay=transducer.delay,
        resolution=transducer.resolution,
        noise=transducer.noise,
        has_pressure=int(pressure),
        p_rate=1.0 / transducer.pressure_time_constant if pressure else 1.0,
        p_resolution=transducer.pressure_resolution,
        p_noise=transducer.pressure_noise,
        p_range=transducer.pressure_range if pressure else 1.0,
    )


@inner_kernel
def scale_value(x: float, p: TransducerParameters) -> float:
    """Return the scale's value at a position, before lag, delay, noise and rounding [m]."""
    value = x * p.scale + p.offset
    if some(p.e_c != 0.0):
        value += p.e_c * sine(p.wave * x + p.phase)
    return value


@inner_kernel
def derivative(
    t: float,
    x: tuple[float, float, float],
    u: tuple[float, float, float, float],
    p: TransducerParameters,
) -> tuple[float, float, float]:
    """Return the rates of the lagged readings, see ``STATES`` and ``INPUTS``."""
    position = u[1] if p.on_table == 1 else u[0]
    d_s = p.rate * (scale_value(position, p) - x[0])
    if p.has_pressure == 0:
        return d_s, 0.0, 0.0
    return d_s, p.p_rate * (u[2] - x[1]), p.p_rate * (u[3] - x[2])


@kernel
def output(
    t: float, x: tuple[float, float, float], p: TransducerParameters
) -> tuple[float, float, float]:
    """Return the lagged readings, see ``OUTPUTS``."""
    return x[0], x[1], x[2]


@inner_kernel
def lag_weights(z: float) -> tuple[float, float, float, float, float]:
    """Return exp(-z) and the four weights I_k of :func:`lag_after` for a step of z time constants.

    ``I_k = 1 - k/z I_(k-1)`` loses no digits upward for a long step, and none downward from the
    series of I_3 for a short one.
    """
    fade = exponential(-z)
    inverse = 1.0 / z
    i0 = 1.0 - fade
    i1 = 1.0 - i0 * inverse
    i2 = 1.0 - 2.0 * i1 * inverse
    i3 = 1.0 - 3.0 * i2 * inverse
    short = z <= 1.0
    if some(short):
        y = min(z, 1.0)
        total = term = 0.25 * y
        for k in range(1, 20):
            term *= -y * (1.0 / (k + 4.0))
            total += term
        i3 = where(short, total, i3)
        i2 = where(short, y * (1.0 - i3) * (1.0 / 3.0), i2)
        i1 = where(short, 0.5 * y * (1.0 - i2), i1)
        i0 = where(short, y * (1.0 - i1), i0)
    return fade, i0, i1, i2, i3


@inner_kernel
def lag_after(
    s: float,
    weights: tuple[float, float, float, float, float],
    h: float,
    u0: float,
    u1: float,
    du0: float,
    du1: float,
) -> float:
    """Return a first-order lag after a step, driven by the cubic through both ends of the step.

    Parameters
    ----------
    s : float
        Value of the lag before the step.
    weights : tuple of float
        From :func:`lag_weights`, for the length of the step over the time constant.
    h : float
        Length of the step [s].
    u0, u1 : float
        Input at both ends.
    du0, du1 : float
        Rate of the input at both ends [1/s].

    Returns
    -------
    float
        ``s exp(-z) + sum_k a_k I_k`` with the cubic ``sum_k a_k theta^k`` over the step and
        ``I_k = z int_0^1 exp(-z (1 - theta)) theta^k dtheta``, exact for any ratio z.
    """
    a1 = h * du0
    a2 = 3.0 * (u1 - u0) - h * (2.0 * du0 + du1)
    a3 = 2.0 * (u0 - u1) + h * (du0 + du1)
    fade, i0, i1, i2, i3 = weights
    return s * fade + u0 * i0 + a1 * i1 + a2 * i2 + a3 * i3


@kernel
def reading_after(
    s: float, h: float, x0: float, x1: float, v0: float, v1: float, p: TransducerParameters
) -> float:
    """Return the lagged reading of the scale after a step.

    Parameters
    ----------
    s : float
        Lagged reading before the step [m].
    h : float
        Length of the step [s].
    x0, x1, v0, v1 : float
        Position [m] and velocity [m/s] at both ends.
    p : TransducerParameters
        Numbers of the transducers.

    Returns
    -------
    float
        Lagged reading [m]. The straight part of the scale follows :func:`lag_after`; the cyclic
        error runs through many periods in a step at speed and is taken as a sine of evenly growing
        phase: ``P = r (r sin phi - w cos phi)/(r^2 + w^2)`` solves ``P' = r (sin phi - P)`` for
        phi' = w.
    """
    weights = lag_weights(h * p.rate)
    end = lag_after(
        s, weights, h, p.offset + p.scale * x0, p.offset + p.scale * x1, p.scale * v0, p.scale * v1
    )
    if some(p.e_c != 0.0):
        sine_0, cosine_0 = sine_cosine(p.wave * x0 + p.phase)
        sine_1, cosine_1 = sine_cosine(p.wave * x1 + p.phase)
        w = p.wave * (x1 - x0) / h
        gain = p.e_c * p.rate / (p.rate * p.rate + w * w)
        begin = p.rate * sine_0 - w * cosine_0
        finish = p.rate * sine_1 - w * cosine_1
        end += gain * (finish - begin * weights[0])
    return end


@kernel
def rounded(value: float, step: float) -> float:
    """Return a value rounded to the nearest step; a step of zero leaves it as it is."""
    whole = where(step > 0.0, step, 1.0)
    return where(step > 0.0, whole * math.floor(value / whole + 0.5), value)


@kernel
def pressure_sample(value: float, normal: float, p: TransducerParameters) -> float:
    """Return a pressure as the controller reads it: noise, range, rounding [Pa]."""
    noisy = min(max(value + p.p_noise * normal, 0.0), p.p_range)
    return rounded(noisy, p.p_resolution)
