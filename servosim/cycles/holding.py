"""The reference of an operator's hold: it decelerates from where it is to rest.

Kinematics alone. A trapezoid decelerates at its deceleration at once. An S-curve turns its
acceleration to minus a_p with its jerk j, keeps that for a while and turns it back to zero; from
velocity v and acceleration a (both in the direction of the motion) the change of velocity is
``a^2/(2 j) - a_p^2/j - a_p t_c = -v``, with a_p the deceleration d, or
``sqrt(j v + a^2/2)`` and t_c = 0 where that is less.
"""

from __future__ import annotations

import math

import numpy as np

from servosim.motion import Profile, plan_step
from servosim.program import Reference


def shifted_profile(profile: Profile, by: float) -> Profile:
    """Return a profile whose times are less by ``by`` [s]."""
    return profile._replace(t=profile.t - by, t_end=profile.t_end - by)


def hold_profile(
    reference: Reference, reading: float, now: tuple[float, float, float], timed: bool, lag: float
) -> Profile:
    """Return the reference that comes to rest from where it is, beginning at time zero.

    Parameters
    ----------
    reference : Reference
        Table of the reference.
    reading : float
        Reading of the scale [m].
    now : tuple of float
        Position [m], velocity [m/s] and acceleration [m/s2] of the reference; of a schedule over
        the distance the velocity of the table counts alone.
    timed : bool
        Whether it is a reference in time.
    lag : float
        By how much a reference in time leads the table at that velocity [m].

    Returns
    -------
    Profile
        Of a reference in time its own deceleration and jerk; a step jumps to where the table is. A
        schedule over the distance gives way to a ramp in time at its deceleration, its acceleration
        if it has none.
    """
    if reference.kind == "step":
        return plan_step(reading, reading, 0.0)
    x, v, a = now if timed else (reading + lag, now[1], 0.0)
    sign = math.copysign(1.0, v if v != 0.0 else a)
    speed, d = abs(v), reference.deceleration or reference.acceleration
    if speed == 0.0 and a == 0.0:
        return plan_step(x, x, 0.0)
    if reference.kind == "s_curve":
        segments = _s_curve(speed, sign * a, d, reference.jerk)
    else:
        segments = [(speed / d, -d, 0.0)]
    return _joined(x, speed, sign, segments)


def _s_curve(v: float, a: float, d: float, j: float) -> list[tuple[float, float, float]]:
    """Return time, acceleration at its beginning and jerk of each segment."""
    peak = max(math.sqrt(j * v + 0.5 * a * a), -a)
    constant = 0.0
    if peak > d:
        peak = max(d, -a)
        constant = max((v + 0.5 * a * a / j - peak * peak / j) / peak, 0.0)
    return [((a + peak) / j, a, -j), (constant, -peak, 0.0), (peak / j, -peak, j)]


def _joined(x: float, v: float, sign: float, segments: list[tuple[float, float, float]]) -> Profile:
    """Return the profile of segments one after the other, from position x and speed v on."""
    table = np.zeros((5, 8))
    t, way, k = 0.0, 0.0, 0
    for time, a, j in segments:
        if not time > 0.0:
            continue
        table[:, k] = t, x + sign * way, sign * v, sign * a, sign * j
        way += time * (v + time * (0.5 * a + time * j / 6.0))
        v += time * (a + 0.5 * time * j)
        t += time
        k += 1
    end = x + sign * way
    table[0, k:], table[1, k:] = t, end
    times, x_s, v_s, a_s, j_s = table
    return Profile(times, x_s, v_s, a_s, j_s, t, x, end, float(np.sign(end - x)))
