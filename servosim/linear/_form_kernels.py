"""Forms of friction in compiled code, and Ridders' extrapolated differences.

The plant is the derivative of the very right-hand side that is integrated, with friction in one of
the forms of ``_load_form``: its levels and slopes are added to a table that slides freely, plays
pass with gain one, end stops don't act.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim._equations import AxisParameters, Held, axis_rhs
from servosim._jit import kernel
from servosim.components.cylinder import output as cylinder_output
from servosim.components.friction import STRIBECK, FrictionParameters, friction, steady_level
from servosim.components.load import way_levels
from servosim.program import Move

VISCOUS, SLIDING, PRESLIDING = 0, 1, 2
N_FORM = 9  # see form_rates
HALVINGS = 9

Vector = NDArray[np.float64]


@kernel
def extrapolate(k: int, new: Vector, rows: Vector, best: Vector, error: Vector) -> None:
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
        rows = np.zeros((HALVINGS, 1))
        for k in range(HALVINGS):
            h = step / 2.0**k
            width = (v + h) - (v - h)
            up, down = _steady_friction(v + h, F_c, F_s, p), _steady_friction(v - h, F_c, F_s, p)
            new[0] = (up - down) / width
            extrapolate(k, new, rows, best, error)
        slope = best[0]
    elif p.delta > 1.0:
        slope = 0.0
    else:
        slope = -(F_s - F_c) * p.v_s_inverse if p.delta == 1.0 else -np.inf
    return max(B + slope, 0.0)


@kernel
def seal_levels(p_A: float, p_B: float, p: AxisParameters) -> tuple[float, float]:
    """Return the Coulomb and static level of the seals [N]."""
    levels = cylinder_output(0.0, (p_A, p_B, p_A, p_B), (0.0, 0.0), p.cylinder)
    return levels[2], levels[3]


@kernel
def make_lean(lean: Any, p: AxisParameters, form: int, moving: bool) -> None:
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
def form_rates(
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
    seal_c, seal_s = seal_levels(x[i.pressure_a], x[i.pressure_b], p)
    if p.load.two == 0:
        way = f[0] * (way_c + seal_c) + f[1] * (way_s + seal_s) + f[4]
        dx[i.piston_velocity] -= way * p.load.M_inverse
        return
    dx[i.table_velocity] -= (f[0] * way_c + f[1] * way_s + f[4]) / p.load.M_t
    dx[i.piston_velocity] -= (f[2] * seal_c + f[3] * seal_s + f[5]) / p.load.M_p


@kernel
def write_shares(v: float, form: int, p: AxisParameters, f: Vector) -> None:
    """Write the shares of the levels in steady friction at a velocity."""
    f[0] = f[1] = f[2] = f[3] = 0.0
    if form == SLIDING:
        f[0] = _steady_friction(v, 1.0, 0.0, p.load.way)
        f[1] = _steady_friction(v, 0.0, 1.0, p.load.way)
        if p.load.two == 1:
            f[2] = _steady_friction(v, 1.0, 0.0, p.load.seal)
            f[3] = _steady_friction(v, 0.0, 1.0, p.load.seal)


@kernel
def friction_slopes(
    v: float, x: Vector, normal: float, form: int, p: AxisParameters, f: Vector
) -> Any:
    """Return the slopes of friction of ways and seals, and write what is left of it at v."""
    i, two = p.index, p.load.two == 1
    B = p.load.B if two else p.load.B + p.load.B_s
    B_s = p.load.B_s if two else 0.0
    if form != SLIDING:
        return B, B_s
    way_c, way_s = way_levels(normal, p.load)
    seal_c, seal_s = seal_levels(x[i.pressure_a], x[i.pressure_b], p)
    if two:
        seal = friction_slope(v, seal_c, seal_s, B_s, p.load.seal)
        way = friction_slope(v, way_c, way_s, B, p.load.way)
    else:
        seal = 0.0
        way = friction_slope(v, way_c + seal_c, way_s + seal_s, B, p.load.way)
    f[4], f[5] = (B - way) * v, (B_s - seal) * v
    return way, seal
