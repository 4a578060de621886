"""Friction of ways and seals: Stribeck curve and elasto-plastic LuGre bristles.

Physics. ``stribeck`` is a memoryless curve, smoothed around zero velocity; it cannot stick and
serves for sizing. ``lugre`` carries a bristle deflection z; in its elasto-plastic form the bristle
is purely elastic below a break-away deflection, so that a table at rest does not creep.

Sources. C. Canudas de Wit, H. Olsson, K. J. Astrom, P. Lischinsky, "A new model for control of
systems with friction", IEEE Trans. Automatic Control 40(3), 1995, eqs. 3-5; P. Dupont,
V. Hayward, B. Armstrong, F. Altpeter, "Single state elastoplastic friction models", IEEE Trans.
Automatic Control 47(5), 2002, eqs. 6-9 (from memory).
"""

from __future__ import annotations

import math
from typing import NamedTuple

from servosim._elementary import exponential, power, sine_near
from servosim._jit import inner_kernel
from servosim._lanes import no, some, where

STRIBECK, LUGRE, LUGRE_PLAIN = 0, 1, 2


class FrictionParameters(NamedTuple):
    """Numbers of a friction contact for the kernels; force levels come with each call."""

    model: int  # STRIBECK, LUGRE or LUGRE_PLAIN
    v_s_inverse: float  # one over the Stribeck velocity, s/m
    delta: float  # Stribeck exponent
    v_0: float  # smoothing velocity of the memoryless curve, m/s
    sigma_0: float  # bristle stiffness, N/m
    sigma_1: float  # bristle damping, N s/m
    v_d_inverse: float  # one over the velocity over which the bristle damping fades, s/m
    elastic: float  # break-away deflection as a fraction of F_c/sigma_0


@inner_kernel
def _near_one(square: float) -> float:
    """Return exp(-square) for squares up to 0.002, where five terms of the series are exact."""
    return 1.0 - square * (1.0 - square * (0.5 - square * (1.0 / 6.0 - square * (1.0 / 24.0))))


@inner_kernel
def fadings(a: float, b: float) -> tuple[float, float]:
    """Return exp(-a) and exp(-b) of two squares.

    Beyond 50, where nothing of a force is left (2e-22), it is zero at once; near zero, where a
    table at rest stays, a short series does.
    """
    near_a, near_b = a < 0.002, b < 0.002
    fade_a, fade_b = where(near_a, _near_one(a), 0.0), where(near_b, _near_one(b), 0.0)
    between_a, between_b = no(near_a | (a >= 50.0)), no(near_b | (b >= 50.0))
    if some(between_a | between_b):  # side by side: each alone would have to wait for itself
        exp_a, exp_b = exponential(-a), exponential(-b)
        fade_a, fade_b = where(between_a, exp_a, fade_a), where(between_b, exp_b, fade_b)
    return fade_a, fade_b


@inner_kernel
def _stribeck(v: float, p: FrictionParameters) -> float:
    """Return |v/v_s|^delta."""
    ratio = v * p.v_s_inverse
    raised = ratio * ratio
    if some(p.delta != 2.0):
        raised = where(p.delta == 2.0, raised, power(abs(ratio), p.delta))
    return raised


@inner_kernel
def steady_level(v: float, F_c: float, F_s: float, p: FrictionParameters) -> float:
    """Return the Stribeck level g(v) = F_c + (F_s - F_c) exp(-|v/v_s|^delta) [N]."""
    fade, _ = fadings(_stribeck(v, p), 0.0)
    return F_c + (F_s - F_c) * fade


@inner_kernel
def friction(
    v: float, z: float, F_c: float, F_s: float, p: FrictionParameters
) -> tuple[float, float]:
    """Return friction force without the viscous part, and the rate of the bristle.

    Parameters
    ----------
    v : float
        Sliding velocity [m/s].
    z : float
        Bristle deflection [m]; not read by the memoryless curve.
    F_c, F_s : float
        Coulomb and static level [N] at the present normal load.
    p : FrictionParameters
        Numbers of the contact.

    Returns
    -------
    force, z_rate : float
        Force against the motion [N], rate of the deflection [m/s].
    """
    ratio = v * p.v_d_inverse
    fade, damping = fadings(_stribeck(v, p), ratio * ratio)
    g = F_c + (F_s - F_c) * fade
    if p.model == STRIBECK:
        return g * v / math.sqrt(v * v + p.v_0 * p.v_0), 0.0
    # deflections are compared as forces: sigma_0 z against the level g of steady sliding
    force = p.sigma_0 * z
    slip = abs(v) * force / g
    if p.model == LUGRE:
        elastic = p.elastic * min(F_c, g)
        size = abs(force)
        pushed = (size > elastic) & (z * v > 0.0)
        slip = where(pushed, slip, 0.0)
        between = pushed & (size < g)
        if some(between):
            part = min(max((size - elastic) / (g - elastic), 0.0), 1.0)
            slip *= where(between, 0.5 * sine_near(math.pi * (part - 0.5)) + 0.5, 1.0)
    rubs = g > 0.0
    z_rate = where(rubs, v - slip, 0.0)
    return where(rubs, force + p.sigma_1 * damping * z_rate, 0.0), z_rate
