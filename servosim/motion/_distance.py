"""References in distance: schedule velocity for the remaining distance, and the start ramp."""

from __future__ import annotations

import math

from servosim._jit import kernel
from servosim._lanes import where


@kernel
def square_root_velocity(x_r: float, d: float, Kv: float, v_max: float) -> float:
    """Schedule velocity of the square-root deceleration, limited to v_max.

    Parameters
    ----------
    x_r : float
        Remaining distance, target minus position [m].
    d : float
        Deceleration [m/s2].
    Kv : float
        Velocity gain near the target [1/s]; the schedule is nowhere steeper.
    v_max : float
        Limit of the velocity [m/s].

    Returns
    -------
    float
        Velocity with the sign of x_r [m/s].

    Notes
    -----
    ``|x_r| <= d/Kv2: Kv |x_r|``, beyond: ``sqrt(2 d (|x_r| - d/(2 Kv2)))``. The second equals
    ``sqrt((d/Kv)2 + 2 d (|x_r| - d/Kv2))``, so one root with two clipped distances serves both.
    """
    x = abs(x_r)
    x_k = d / (Kv * Kv)
    v_k = Kv * min(x, x_k)
    return math.copysign(min(math.sqrt(v_k * v_k + 2.0 * d * max(x - x_k, 0.0)), v_max), x_r)


@kernel
def exponential_velocity(x_r: float, Kv: float, v_max: float) -> float:
    """Schedule velocity of the plain proportional run-in, limited to v_max.

    Parameters
    ----------
    x_r : float
        Remaining distance, target minus position [m].
    Kv : float
        Velocity gain [1/s].
    v_max : float
        Limit of the velocity [m/s].

    Returns
    -------
    float
        Velocity with the sign of x_r [m/s].
    """
    return max(-v_max, min(v_max, Kv * x_r))


@kernel
def staged_velocity(
    x_r: float, v_rapid: float, v_creep: float, d_creep: float, d_stop: float
) -> float:
    """Schedule velocity in stages: rapid, creep, stop, as with on-off valves.

    Parameters
    ----------
    x_r : float
        Remaining distance, target minus position [m].
    v_rapid, v_creep : float
        Velocities of the stages [m/s].
    d_creep, d_stop : float
        Remaining distances from which on the creep and the stop are commanded [m].

    Returns
    -------
    float
        Velocity with the sign of x_r [m/s]. There is no hysteresis at the switching distances.
    """
    x = abs(x_r)
    v = where(x > d_stop, v_creep, 0.0)
    return math.copysign(where(x > d_creep, v_rapid, v), x_r)


@kernel
def ramp(v_previous: float, v_schedule: float, a: float, dt: float) -> float:
    """Limit the growth of a schedule velocity from one sample to the next.

    Parameters
    ----------
    v_previous : float
        Velocity commanded at the last sample [m/s].
    v_schedule : float
        Velocity the schedule asks for [m/s].
    a : float
        Acceleration limit [m/s2].
    dt : float
        Sample period [s].

    Returns
    -------
    float
        Velocity to command [m/s]. The magnitude grows by a dt at most and falls freely; when the
        sign changes it falls to zero at once and grows from there.
    """
    with_schedule = max(math.copysign(1.0, v_schedule) * v_previous, 0.0)
    return math.copysign(min(abs(v_schedule), with_schedule + a * dt), v_schedule)
