"""Closed forms of what happens once the table is held: lock, thrust, leakage and warming.

The table hangs on the springs ``A^2/C`` of the locked oil, and where it sticks on the bristles of
its friction besides.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from servosim._equilibrium import holding_velocity, rest, steady_force
from servosim._warnings import oil_spring
from servosim.axis import Axis
from servosim.components.controller import load_pressure
from servosim.components.cylinder import chamber_compliance, volumes
from servosim.components.cylinder import output as cylinder_output
from servosim.components.load import way_levels
from servosim.components.valve import null_shift
from servosim.linear.closed_forms import lock_stiffness
from servosim.positioning.causes import Cause
from servosim.positioning.deviations import Array
from servosim.positioning.scatter import time_constant
from servosim.positioning.term import MERRITT, Term, both_sides


class Springs(NamedTuple):
    """What holds the table at a position."""

    C_A: float  # m3/Pa
    C_B: float
    oil: float  # N/m
    bristles: float  # N/m, zero without friction that sticks
    static: float  # N, that they hold


def springs_of(axis: Axis, position: float) -> Springs:
    """Return the springs that hold a locked table.

    Parameters
    ----------
    axis : Axis
        The axis.
    position : float
        Position [m].

    Returns
    -------
    Springs
        Compliances of the chambers at the pressures of rest, and what follows from them.
    """
    f, p = axis.file, axis.record
    at = rest(float(steady_force(position, 0.0, p)[0]), p)
    V_A, V_B = volumes(position, p.cylinder)
    C_A = float(chamber_compliance(V_A, at.p_A, p.cylinder, p.oil))
    C_B = float(chamber_compliance(V_B, at.p_B, p.cylinder, p.oil))
    A_A, A_B = float(p.cylinder.A_A), float(p.cylinder.A_B)
    oil = float(lock_stiffness(A_A, C_A, A_B, C_B if A_B > 0.0 else 1.0))
    if f.lock.brake == "holding":
        oil += f.lock.brake_stiffness
    if f.table.friction == "stribeck":
        return Springs(C_A, C_B, oil, 0.0, 0.0)
    both = (float(at.p_A), float(at.p_B)) * 2
    seals = cylinder_output(0.0, both, (position, 0.0), p.cylinder)[3]
    static = float(way_levels(0.0, p.load)[1] + seals)
    return Springs(C_A, C_B, oil, f.table.bristle_stiffness if static > 0.0 else 0.0, static)


def _moved(force: float, s: Springs) -> float:
    """Return how far a force moves a held table: the bristles help as far as they hold [m]."""
    stuck = force / (s.oil + s.bristles)
    if abs(stuck) * s.bristles <= s.static:
        return stuck
    return math.copysign((abs(force) - s.static) / s.oil, force)


def _lock_shift(cause: Cause, axis: Axis, targets: Array) -> Term:
    c, V = axis.parameters.cylinder, axis.file.lock.displaced_volume
    stuck, free, held = [], [], [springs_of(axis, float(x)) for x in targets]
    for s in held:
        force = V * (c.A_A / s.C_A - (c.A_B / s.C_B if c.A_B > 0.0 else 0.0))
        stuck.append(_moved(force, s))
        free.append(force / s.oil)
    s = held[int(np.argmax(np.abs(free)))]
    return Term(
        cause, np.array([stuck] * 2),
        "V_pop (A_A/C_A - A_B/C_B)/(A_A^2/C_A + A_B^2/C_B + sigma_0), both sides closing together; "
        "up to as much without sigma_0 if friction is used up",
        (("V_pop", V, "m3"), ("k_oil", s.oil, "N/m"), ("sigma_0", s.bristles, "N/m")),
        "balance of the volumes and of the force; exact in that limit",
        law="between", other=np.array([free] * 2),
    )  # fmt: skip


def _creep(cause: Cause, axis: Axis, targets: Array) -> Term:
    lock, K_v = axis.file.lock, axis.parameters.controller.K_v
    left = lock.window * math.exp(-K_v * lock.dwell)
    if axis.parameters.controller.K_i > 0.0:
        left = -left  # an integral comes past the target and creeps back
    return Term(
        cause, both_sides(-left, targets),
        "-+w exp(-K_v t_dwell): what a first-order loop still has to go, with an integral +-",
        (("w", lock.window, "m"), ("K_v", K_v, "1/s"), ("t_dwell", lock.dwell, "s")),
        "run-in of a first-order loop from the edge of the lock's window; exact in that limit",
    )  # fmt: skip


def _thrust(cause: Cause, axis: Axis, targets: Array) -> Term:
    F = axis.file.thrust.along
    locked = axis.file.lock.kind != "none" or axis.file.lock.brake != "none"
    stuck, free, held = [], [], []
    for x in targets.tolist():
        s = springs_of(axis, x)
        if not locked:
            s = s._replace(oil=oil_spring(axis.file, x, locked=False))
        held.append(s)
        free.append(-F / s.oil if locked else -_in_loop(axis, x, F))
        stuck.append(-_moved(F, s) if locked or s.bristles > 0.0 else free[-1])
    s = held[int(np.argmax(np.abs(free)))]
    loose = (
        "F_L/(A_A^2/C_A + A_B^2/C_B)" if locked else "what the loop gives way, F_L K_ce/(K_v A^2)"
    )
    return Term(
        cause, np.array([stuck] * 2),
        f"from -F_L/(A_A^2/C_A + A_B^2/C_B + sigma_0), stuck, to {loose} if friction is used up",
        (("F_L", F, "N"), ("k_oil", s.oil, "N/m"), ("sigma_0", s.bristles, "N/m")),
        f"stiffness of trapped oil: {MERRITT} ch. 6",
        law="between", other=np.array([free] * 2),
    )  # fmt: skip


def _in_loop(axis: Axis, position: float, force: float) -> float:
    """Return the change of the error with which the loop holds a further force [m]."""
    p = axis.record
    errors = []
    for thrust in (0.0, force):
        at = rest(float(steady_force(position, thrust, p)[0]), p)
        slow = load_pressure(at.p_A, at.p_B, p.controller) if p.transducer.has_pressure else 0.0
        command = at.spool - null_shift(at.p_S, p.valve)
        errors.append(float(holding_velocity(command, float(slow), p) / p.controller.K_v))
    return errors[1] - errors[0]


def _drift(cause: Cause, axis: Axis, targets: Array) -> Term:
    f, p = axis.file, axis.record
    G, hold = float(p.lock.G) if f.lock.kind != "spool" else 0.0, f.move.hold_time
    line = rest(0.0, p)
    values = []
    for x in targets.tolist():
        s, c = springs_of(axis, x), p.cylinder
        at = rest(float(steady_force(x, 0.0, p)[0]), p)
        across = c.C_i * (at.p_A - at.p_B)
        q_A = G * (line.p_A - at.p_A) - across - c.C_eA * at.p_A
        q_B = -G * (line.p_B - at.p_B) - across + c.C_eB * at.p_B
        force = c.A_A * q_A / s.C_A + (c.A_B * q_B / s.C_B if c.A_B > 0.0 else 0.0)
        values.append(_moved(float(force) * hold, s))
    return Term(
        cause, np.array([values] * 2),
        "(A_A q_A/C_A + A_B q_B/C_B) t/(A_A^2/C_A + A_B^2/C_B + sigma_0), slope at its beginning",
        (("leakage of the lock", G, "m3/s/Pa"), ("t", hold, "s")),
        "balance of the volumes",
    )  # fmt: skip


def _warming(cause: Cause, axis: Axis, targets: Array) -> Term:
    f, c = axis.file, axis.parameters.cylinder
    low, high = f.envelope.temperature
    warm = (high - low) / time_constant(axis) * f.move.hold_time
    alpha = f.oil.thermal_expansion - 3.0 * f.oil.steel_expansion
    values = []
    for x in targets.tolist():
        V_A, V_B = (float(v) for v in volumes(x, axis.record.cylinder))
        spring = c.A_A**2 / V_A + (c.A_B**2 / V_B if c.A_B > 0.0 else 0.0)
        values.append((c.A_A - c.A_B) * alpha * warm / spring)
    return Term(
        cause, np.array([values] * 2),
        "(A_A - A_B) (alpha_oil - 3 alpha_steel) dT/(A_A^2/V_A + A_B^2/V_B), friction left out",
        (("dT over the hold", warm, "K"), ("alpha", alpha, "1/K")),
        "balance of the volumes; dT by the fastest warming that envelope and tank allow",
    )  # fmt: skip


HELD: dict[str, Callable[[Cause, Axis, Array], Term]] = {
    "lock shift": _lock_shift,
    "creep when the lock shuts": _creep,
    "deflection under thrust": _thrust,
    "drift over the hold": _drift,
    "warming of the locked oil": _warming,
}
