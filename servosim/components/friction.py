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

from servosim._elementary import exponential, power, sine
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
def faded(square: float) -> float:
    """Return exp(-square); beyond 50, where nothing of a force is left (2e-22), zero at once.

    Near zero, where a table at rest stays, five terms of the series are exact.
    """
    near, far = square < 0.004, square >= 50.0
    series = 1.0 - square * (1.0 - square * (0.5 - square * (1.0 / 6.0 - square * (1.0 / 24.0))))
    value = where(near, series, 0.0)
    between = no(near | far)
    if some(between):
        value = where(between, exponential(-square), value)
    return value


@inner_kernel
def steady_level(v: float, F_c: float, F_s: float, p: FrictionParameters) -> float:
    """Return the Stribeck level g(v) = F_c + (F_s - F_c) exp(-|v/v_s|^delta) [N]."""
    ratio = v * p.v_s_inverse
    raised = ratio * ratio
    if some(p.delta != 2.0):
        raised = where(p.delta == 2.0, raised, power(abs(ratio), p.delta))
    return F_c + (F_s - F_c) * faded(raised)


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
    g = steady_level(v, F_c, F_s, p)
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
            part = (size - elastic) / (g - elastic)
            slip *= where(between, 0.5 * sine(math.pi * (part - 0.5)) + 0.5, 1.0)
    rubs = g > 0.0
    z_rate = where(rubs, v - slip, 0.0)
    ratio = v * p.v_d_inverse
    return where(rubs, force + p.sigma_1 * faded(ratio * ratio) * z_rate, 0.0), z_rate
