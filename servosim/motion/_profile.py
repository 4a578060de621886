"""References in time: the table of cubic segments, its reader and its writers.

All follow from kinematics. The writers are kernels, so that a compiled loop can plan again from a
measured position; they check nothing. Profiles of the plans are read-only, another type to the
compiler: a loop that plans again lets a writer make its first profile too.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from servosim._jit import kernel
from servosim._lanes import where


class Profile(NamedTuple):
    """Reference in time: up to seven cubic segments, then the target held for ever.

    Arrays have shape (8,). Segments without length stand at the end and hold the target.
    """

    t: NDArray[np.float64]  # start of the segment [s]
    x: NDArray[np.float64]  # position there [m]
    v: NDArray[np.float64]  # velocity there [m/s]
    a: NDArray[np.float64]  # acceleration just after the corner [m/s2]
    j: NDArray[np.float64]  # jerk of the segment [m/s3]
    t_end: float  # end of the last segment [s]
    start: float  # position before the profile [m]
    target: float  # position after it [m]
    direction: float  # 1, -1, or 0 for a move of no length


@kernel
def profile_at(t: float, profile: Profile) -> tuple[float, float, float]:
    """Return the reference position, velocity and acceleration at a time.

    Parameters
    ----------
    t : float
        Time [s]. At a corner the values are those of the segment that begins there.
    profile : Profile
        Table made by one of the plans.

    Returns
    -------
    tuple of float
        Position r [m], velocity v_r [m/s] and acceleration a_r [m/s2]: exactly the start and zeros
        before the profile, exactly the target and zeros from its end on.
    """
    begin, x, v_0, a, j = profile.t[0], profile.x[0], profile.v[0], profile.a[0], profile.j[0]
    for k in range(1, 8):
        later = t >= profile.t[k]
        begin, x = where(later, profile.t[k], begin), where(later, profile.x[k], x)
        v_0, a = where(later, profile.v[k], v_0), where(later, profile.a[k], a)
        j = where(later, profile.j[k], j)
    h = t - begin
    v = v_0 + h * (a + 0.5 * h * j)
    r = x + h * (v_0 + h * (0.5 * a + h * j / 6.0))
    # rounding must not carry the reference past its ends nor turn it round
    low, high = min(profile.start, profile.target), max(profile.start, profile.target)
    v = profile.direction * max(profile.direction * v, 0.0)
    r = min(max(r, low), high)
    before, after = t < profile.t[0], t >= profile.t_end
    over = before | after
    r = where(before, profile.start, where(after, profile.target, r))
    return r, where(over, 0.0, v), where(over, 0.0, a + h * j)


@kernel
def _put(
    table: NDArray[np.float64], k: int, t: float, x: float, v: float, a: float, j: float
) -> None:
    """Write the state at the start of segment k."""
    table[0, k] = t
    table[1, k] = x
    table[2, k] = v
    table[3, k] = a
    table[4, k] = j


@kernel
def _close(
    table: NDArray[np.float64], k: int, t_end: float, start: float, target: float
) -> Profile:
    """Hold the target from segment k on and return the profile that reads the table."""
    for i in range(k, 8):
        _put(table, i, t_end, target, 0.0, 0.0, 0.0)
    direction = float(np.sign(target - start))
    return Profile(
        table[0], table[1], table[2], table[3], table[4], t_end, start, target, direction
    )


@kernel
def write_step(table: NDArray[np.float64], start: float, target: float, t_start: float) -> Profile:
    """Write a step into a table; no check of the arguments (see :func:`plan_step`).

    Parameters
    ----------
    table : ndarray, shape (5, 8)
        Written in place, rows t [s], x [m], v [m/s], a [m/s2], j [m/s3].
    start, target : float
        Positions [m].
    t_start : float
        Time of the step [s].

    Returns
    -------
    Profile
        Its arrays are the rows of the table.
    """
    return _close(table, 0, t_start, start, target)


@kernel
def write_trapezoid(
    table: NDArray[np.float64],
    start: float,
    target: float,
    v_max: float,
    a: float,
    d: float,
    t_start: float,
) -> Profile:
    """Write a trapezoid into a table; no check of the arguments (see :func:`plan_trapezoid`).

    Parameters
    ----------
    table : ndarray, shape (5, 8)
        Written in place, rows t [s], x [m], v [m/s], a [m/s2], j [m/s3].
    start, target : float
        Positions [m].
    v_max, a, d : float
        Limits of velocity [m/s], acceleration and deceleration [m/s2].
    t_start : float
        Start of the move [s].

    Returns
    -------
    Profile
        Its arrays are the rows of the table.
    """
    distance = abs(target - start)
    if distance == 0.0:
        return _close(table, 0, t_start, start, target)
    sign = 1.0 if target > start else -1.0
    peak = math.sqrt(2.0 * distance / (1.0 / a + 1.0 / d))
    v = min(peak, v_max)
    cruise = max(distance / v - 0.5 * (v / a + v / d), 0.0) if peak > v_max else 0.0
    k = 0
    t = t_start
    _put(table, k, t, start, 0.0, sign * a, 0.0)
    t_next = t + v / a
    k += t_next > t  # a segment too short for the clock is overwritten by the next
    _put(table, k, t_next, start + sign * 0.5 * v * v / a, sign * v, 0.0, 0.0)
    t = t_next
    t_next = t + cruise
    k += t_next > t
    _put(table, k, t_next, target - sign * 0.5 * v * v / d, sign * v, -sign * d, 0.0)
    t = t_next
    t_next = t + v / d
    k += t_next > t
    return _close(table, k, t_next, start, target)


@kernel
def s_curve_peak(distance: float, a: float, d: float, j: float) -> float:
    """Velocity an S-curve would reach in a distance without a velocity limit.

    A change of velocity by V takes T = V/a + a/j, or 2 sqrt(V/j) if V < a2/j so that a is not
    reached, and the distance V T/2. Acceleration and deceleration together fill the distance.
    """
    low, high = min(a, d), max(a, d)
    v = float(np.cbrt(0.25 * distance * distance * j))  # 2 V sqrt(V/j) = distance
    if v <= low * low / j:
        return v
    # only the lower limit is reached: with u = sqrt(V/j), u (j u + low) = sqrt(2 low distance)
    q = math.sqrt(2.0 * low * distance)
    u = 2.0 * q / (low + math.sqrt(low * low + 4.0 * j * q))
    if j * u <= high:
        return j * u * u
    # both are reached: V2 (1/a + 1/d) + V (a + d)/j = 2 distance
    b = (a + d) / j
    return 4.0 * distance / (b + math.sqrt(b * b + 8.0 * distance * (1.0 / a + 1.0 / d)))


@kernel
def write_s_curve(
    table: NDArray[np.float64],
    start: float,
    target: float,
    v_max: float,
    a: float,
    d: float,
    j: float,
    t_start: float,
) -> Profile:
    """Write an S-curve into a table; no check of the arguments (see :func:`plan_s_curve`).

    Parameters
    ----------
    table : ndarray, shape (5, 8)
        Written in place, rows t [s], x [m], v [m/s], a [m/s2], j [m/s3].
    start, target : float
        Positions [m].
    v_max, a, d : float
        Limits of velocity [m/s], acceleration and deceleration [m/s2].
    j : float
        Limit of jerk [m/s3].
    t_start : float
        Start of the move [s].

    Returns
    -------
    Profile
        Its arrays are the rows of the table.
    """
    distance = abs(target - start)
    if distance == 0.0:
        return _close(table, 0, t_start, start, target)
    sign = 1.0 if target > start else -1.0
    peak = s_curve_peak(distance, a, d, j)
    v = min(peak, v_max)
    # time of each jerk and of the constant acceleration between; none of it if v < a2/j
    t_ja, t_jd = min(a / j, math.sqrt(v / j)), min(d / j, math.sqrt(v / j))
    t_ca, t_cd = max(v / a - a / j, 0.0), max(v / d - d / j, 0.0)
    span_a, span_d = 2.0 * t_ja + t_ca, 2.0 * t_jd + t_cd
    cruise = max(distance / v - 0.5 * (span_a + span_d), 0.0) if peak > v_max else 0.0
    s_a, s_d = 0.5 * v * span_a, 0.5 * v * span_d
    # positions are counted from the nearer end, so that nothing adds up along the move
    k = 0
    t = t_start
    _put(table, k, t, start, 0.0, 0.0, sign * j)
    t_next = t + t_ja
    k += t_next > t
    x, dv = start + sign * j * t_ja**3 / 6.0, 0.5 * j * t_ja * t_ja
    _put(table, k, t_next, x, sign * dv, sign * j * t_ja, 0.0)
    t = t_next
    t_next = t + t_ca
    k += t_next > t
    x = start + sign * (s_a - v * t_ja + j * t_ja**3 / 6.0)
    _put(table, k, t_next, x, sign * (v - dv), sign * j * t_ja, -sign * j)
    t = t_next
    t_next = t + t_ja
    k += t_next > t
    _put(table, k, t_next, start + sign * s_a, sign * v, 0.0, 0.0)
    t = t_next
    t_next = t + cruise
    k += t_next > t
    _put(table, k, t_next, target - sign * s_d, sign * v, 0.0, -sign * j)
    t = t_next
    t_next = t + t_jd
    k += t_next > t
    x, dv = target - sign * (s_d - v * t_jd + j * t_jd**3 / 6.0), 0.5 * j * t_jd * t_jd
    _put(table, k, t_next, x, sign * (v - dv), -sign * j * t_jd, 0.0)
    t = t_next
    t_next = t + t_cd
    k += t_next > t
    _put(table, k, t_next, target - sign * j * t_jd**3 / 6.0, sign * dv, -sign * j * t_jd, sign * j)
    t = t_next
    t_next = t + t_jd
    k += t_next > t
    return _close(table, k, t_next, start, target)
