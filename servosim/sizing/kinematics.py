"""Formulas of moves: peak velocity, times of ramps, what is left for the loop to run in.

A reference that is followed ideally, and behind it a first-order lag of the velocity gain.

Sources. Kinematics.
"""

from __future__ import annotations

import numpy as np

from servosim.sizing.calculation import formula
from servosim.sizing.combinations import Array

_KINEMATICS = "kinematics"
_LAG = "own choice: first-order lag of the loop, without feed-forward, safe side"


@formula(
    "v_p",
    "peak velocity of a move with constant acceleration and deceleration",
    "minimum(v, sqrt(2*s/(1/a + 1/d)))",
    "m/s",
    _KINEMATICS,
    v=("rapid velocity", "m/s"),
    s=("distance", "m"),
    a=("acceleration", "m/s2"),
    d=("deceleration", "m/s2"),
)
def peak_velocity(v: Array, s: Array, a: Array, d: Array) -> Array:
    """Return the peak velocity of a move with constant rates [m/s]."""
    return np.minimum(v, np.sqrt(2.0 * s / (1.0 / a + 1.0 / d)))


@formula(
    "t_a",
    "time of a change of velocity at a constant rate",
    "v_p/a",
    "s",
    _KINEMATICS,
    v_p=("peak velocity", "m/s"),
    a=("rate", "m/s2"),
)
def ramp_time(v_p: Array, a: Array) -> Array:
    """Return the time of a change of velocity at a constant rate [s]."""
    return v_p / a


@formula(
    "t_a",
    "time of a change of velocity with limited jerk",
    "where(v_p >= a**2/j, v_p/a + a/j, 2*sqrt(v_p/j))",
    "s",
    _KINEMATICS,
    v_p=("peak velocity", "m/s"),
    a=("largest rate", "m/s2"),
    j=("jerk", "m/s3"),
)
def smooth_ramp_time(v_p: Array, a: Array, j: Array) -> Array:
    """Return the time of a change of velocity with limited jerk [s]."""
    return np.where(v_p >= a**2 / j, v_p / a + a / j, 2.0 * np.sqrt(v_p / j))


@formula(
    "a_r",
    "acceleration that is reached within the limit of the jerk",
    "minimum(a, sqrt(v_p*j))",
    "m/s2",
    _KINEMATICS,
    a=("largest rate", "m/s2"),
    v_p=("peak velocity", "m/s"),
    j=("jerk", "m/s3"),
)
def reached_rate(a: Array, v_p: Array, j: Array) -> Array:
    """Return the acceleration reached within the limit of the jerk [m/s2]."""
    return np.minimum(a, np.sqrt(v_p * j))


@formula(
    "t_m",
    "time of the reference of a move; each ramp covers half of what the peak velocity would",
    "s/v_p + (t_a + t_d)/2",
    "s",
    _KINEMATICS,
    s=("distance", "m"),
    v_p=("peak velocity", "m/s"),
    t_a=("time of the acceleration", "s"),
    t_d=("time of the deceleration", "s"),
)
def reference_time(s: Array, v_p: Array, t_a: Array, t_d: Array) -> Array:
    """Return the time of the reference of a move [s]."""
    return s / v_p + 0.5 * (t_a + t_d)


@formula(
    "e_0",
    "distance left when the reference ends, at most",
    "minimum(v_p/K_v, d/K_v**2)",
    "m",
    _LAG,
    v_p=("peak velocity", "m/s"),
    K_v=("velocity gain", "1/s"),
    d=("deceleration", "m/s2"),
)
def distance_left(v_p: Array, K_v: Array, d: Array) -> Array:
    """Return the most that is left when a reference with constant rates ends [m]."""
    return np.minimum(v_p / K_v, d / K_v**2)


@formula(
    "e_0",
    "distance left when the reference ends, at most",
    "minimum(v_p/K_v, minimum(d/K_v**2, j/K_v**3))",
    "m",
    _LAG,
    v_p=("peak velocity", "m/s"),
    K_v=("velocity gain", "1/s"),
    d=("deceleration", "m/s2"),
    j=("jerk", "m/s3"),
)
def smooth_distance_left(v_p: Array, K_v: Array, d: Array, j: Array) -> Array:
    """Return the most that is left when a reference with limited jerk ends [m]."""
    return np.minimum(v_p / K_v, np.minimum(d / K_v**2, j / K_v**3))


@formula(
    "t_w",
    "time in which the loop brings what is left into the window",
    "log(maximum(e_0/w, 1))/K_v",
    "s",
    _LAG,
    e_0=("distance left", "m"),
    w=("half width of the window", "m"),
    K_v=("velocity gain", "1/s"),
)
def run_in_time(e_0: Array, w: Array, K_v: Array) -> Array:
    """Return the time in which a first-order lag comes into the window [s]."""
    return np.log(np.maximum(e_0 / w, 1.0)) / K_v


@formula(
    "t_s",
    "time from the start to the window",
    "t_m + t_w",
    "s",
    "definition",
    t_m=("time of the reference", "s"),
    t_w=("time in which the loop runs in", "s"),
)
def settling_time_of(t_m: Array, t_w: Array) -> Array:
    """Return the time from the start to the window [s]."""
    return t_m + t_w


@formula(
    "t_s",
    "time from the start to the window: ramp, rapid, deceleration, exponential end",
    "v/a + (s - v**2/(2*a) - v**2/(2*d) - d/(2*K_v**2))/v + v/d - 1/K_v + log(d/(K_v**2*w))/K_v",
    "s",
    "kinematics of the square-root schedule, continuous with its slope at v = d/K_v",
    v=("rapid velocity", "m/s"),
    a=("acceleration", "m/s2"),
    s=("distance", "m"),
    d=("deceleration", "m/s2"),
    K_v=("velocity gain", "1/s"),
    w=("half width of the window", "m"),
)
def square_root_time(v: Array, a: Array, s: Array, d: Array, K_v: Array, w: Array) -> Array:
    """Return the time of a long move by the square-root schedule [s]."""
    cruise = s - v**2 / (2.0 * a) - v**2 / (2.0 * d) - d / (2.0 * K_v**2)
    return v / a + cruise / v + v / d - 1.0 / K_v + np.log(d / (K_v**2 * w)) / K_v


@formula(
    "t_s",
    "time from the start to the window: ramp, rapid, exponential run-in",
    "v/a + (s - v**2/(2*a) - v/K_v)/v + log(v/(K_v*w))/K_v",
    "s",
    "kinematics of the proportional run-in",
    v=("rapid velocity", "m/s"),
    a=("acceleration", "m/s2"),
    s=("distance", "m"),
    K_v=("velocity gain", "1/s"),
    w=("half width of the window", "m"),
)
def exponential_time(v: Array, a: Array, s: Array, K_v: Array, w: Array) -> Array:
    """Return the time of a long move with an exponential run-in [s]."""
    return v / a + (s - v**2 / (2.0 * a) - v / K_v) / v + np.log(v / (K_v * w)) / K_v
