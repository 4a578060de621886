"""The load's block with the form of friction that an operating point chooses.

``viscous``
    Coulomb friction is left out: the textbooks' comparison.
``sliding``
    The slope of the steady friction curve at the velocity of the point, never below zero, for
    margins. At rest it is the slope beside rest. Levels that follow the pressures keep doing so.
``presliding``
    The bristle as a spring and damper to ground at the point: the plant has no integrator left.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from servosim._blocks import Block, differentiate, kernel_block
from servosim._record import record
from servosim.axis import Axis
from servosim.components import load as load_block
from servosim.components.friction import STRIBECK, friction, steady_level

FRICTION_FORMS = ("viscous", "sliding", "presliding")


class Form(NamedTuple):
    """What the blocks of an operating point need to know of it.

    Attributes
    ----------
    friction : str
        ``viscous``, ``sliding`` or ``presliding``.
    velocity : float
        Velocity of the axis [m/s].
    piston_position, table_position : float
        Where the bristles stand unloaded [m].
    way_slope, seal_slope : float
        Slope of friction over velocity, viscous part included [N s/m]; with one mass the ways' is
        that of both.
    """

    friction: str
    velocity: float
    piston_position: float
    table_position: float
    way_slope: float
    seal_slope: float


def steady_bristle(v: float, F_c: float, F_s: float, p: Any) -> float:
    """Return the deflection of the bristle in steady sliding.

    Parameters
    ----------
    v : float
        Velocity [m/s]; at rest the bristle counts as unloaded.
    F_c, F_s : float
        Coulomb and static level [N].
    p : FrictionParameters
        Numbers of the contact.

    Returns
    -------
    float
        Deflection [m], zero for a memoryless curve.
    """
    if p.model == STRIBECK or v == 0.0:
        return 0.0
    return math.copysign(float(steady_level(v, F_c, F_s, p) / p.sigma_0), v)


def steady_friction(v: float, F_c: float, F_s: float, p: Any) -> float:
    """Return the friction of steady sliding, without its viscous part.

    Parameters
    ----------
    v : float
        Velocity [m/s]; a bristle at rest counts as unloaded.
    F_c, F_s : float
        Coulomb and static level [N].
    p : FrictionParameters
        Numbers of the contact.

    Returns
    -------
    float
        Force against the motion [N].
    """
    return float(friction(v, steady_bristle(v, F_c, F_s, p), F_c, F_s, p)[0])


def friction_slope(v: float, F_c: float, F_s: float, B: float, p: Any) -> float:
    """Return the slope of the steady friction curve, not below zero.

    Parameters
    ----------
    v : float
        Velocity [m/s]; at zero the slope beside zero is meant.
    F_c, F_s : float
        Coulomb and static level [N].
    B : float
        Viscous friction [N s/m].
    p : FrictionParameters
        Numbers of the contact.

    Returns
    -------
    float
        Slope [N s/m].
    """
    if v != 0.0 or p.model == STRIBECK:
        step = 0.25 * abs(v) if v != 0.0 else 0.1 * float(p.v_0)
        slope = differentiate(lambda w: np.array([steady_friction(w, F_c, F_s, p)]), v, step)[0]
    elif p.delta > 1.0:
        slope = 0.0
    else:  # the Stribeck exponential has a corner, or a vertical tangent, at rest
        slope = -(F_s - F_c) * p.v_s_inverse if p.delta == 1.0 else -math.inf
    return max(float(B + slope), 0.0)


def friction_slopes(
    form: str, v: float, ways: tuple[float, float], seals: tuple[float, float], p: Any
) -> tuple[float, float]:
    """Return the slopes of friction over velocity of ways and seals in a form of friction.

    Parameters
    ----------
    form : str
        ``viscous``, ``sliding`` or ``presliding``.
    v : float
        Velocity [m/s].
    ways, seals : tuple of float
        Coulomb and static levels [N]; with one mass the ways have both and the seals none.
    p : LoadParameters
        Numbers of the load.

    Returns
    -------
    way, seal : float
        Slopes [N s/m]; with one mass the first is that of both and the second is zero.
    """
    two = p.two == 1
    B = float(p.B) if two else float(p.B + p.B_s)
    B_s = float(p.B_s) if two else 0.0
    if form != "sliding":
        return B, B_s
    seal = friction_slope(v, *seals, B_s, p.seal) if two else 0.0
    return friction_slope(v, *ways, B, p.way), seal


def load(axis: Axis, form: Form | None) -> Block:
    """Return the load's block, one mass or two, with the friction of the form."""
    p = axis.record.load
    two = p.two == 1
    states: tuple[str, ...] = load_block.STATES[:4] if two else load_block.STATES[:2]
    same = {} if two else {"table_position": "piston_position", "table_velocity": "piston_velocity"}
    if form is None and axis.file.table.friction != "stribeck":
        states += ("way_bristle", "seal_bristle") if two else ("way_bristle",)

    def _block(rates: Any, values: Any) -> Block:
        return kernel_block(
            "load",
            states=states,
            inputs=load_block.INPUTS,
            outputs=load_block.OUTPUTS,
            kernel_states=load_block.STATES,
            kernel_inputs=load_block.INPUTS,
            same=same,
            rates=rates,
            values=values,
        )

    if form is None:
        return _block(
            lambda t, x, u: load_block.derivative(t, x, u, p),
            lambda t, x, u: load_block.output(t, x, u, p),
        )
    smooth = axis.parameters.load._replace(b=0.0)
    if form.friction == "presliding":
        tight = record(smooth)

        def _on_bristles(x: Any) -> Any:
            return (*x[:4], x[2] - form.table_position, x[0] - form.piston_position)

        return _block(
            lambda t, x, u: load_block.derivative(t, _on_bristles(x), u, tight),
            lambda t, x, u: load_block.output(t, _on_bristles(x), u, tight),
        )
    v = form.velocity
    smooth = smooth._replace(mu_c=0.0, mu_s=0.0, B=form.way_slope, B_s=form.seal_slope)
    lean = record(smooth)
    e_w = e_s = (0.0, 0.0)
    if form.friction == "sliding":
        e_w = steady_friction(v, 1.0, 0.0, p.way), steady_friction(v, 0.0, 1.0, p.way)
        e_s = steady_friction(v, 1.0, 0.0, p.seal), steady_friction(v, 0.0, 1.0, p.seal)
    viscous = (float(p.B), float(p.B_s)) if two else (float(p.B + p.B_s), 0.0)
    way_offset = (viscous[0] - form.way_slope) * v
    seal_offset = (viscous[1] - form.seal_slope) * v

    def _levels(u: Any) -> tuple[float, float]:
        """Return what friction has beyond the slope times velocity: ways, seals."""
        F_c, F_s = load_block.way_levels(u[5], p)
        if not two:
            return e_w[0] * (F_c + u[2]) + e_w[1] * (F_s + u[3]) + way_offset, 0.0
        way = e_w[0] * F_c + e_w[1] * F_s + way_offset
        return way, e_s[0] * u[2] + e_s[1] * u[3] + seal_offset

    def _shifted(u: Any) -> Any:
        way, seal = _levels(u)
        return (u[0] - seal, u[1], 0.0, 0.0, u[4] + way, *u[5:])

    def _values(t: float, x: Any, u: Any) -> tuple[float, ...]:
        values = load_block.output(t, x, _shifted(u), lean)
        return (*values[:4], values[4] + sum(_levels(u)))

    return _block(lambda t, x, u: load_block.derivative(t, x, _shifted(u), lean), _values)
