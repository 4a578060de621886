"""References of a move and the distances and times in which they stop.

Two families. References in time (step, trapezoid, S-curve) are tables of cubic segments: a plan
fills the table once and :func:`profile_at` reads it. References in distance (square root,
exponential, staged) give a schedule velocity for the remaining distance measured at each sample;
:func:`ramp` limits how fast the velocity may grow at the start.

Symbols: remaining distance x_r [m] (target minus position), acceleration a and deceleration d
[m/s2], jerk j [m/s3], velocity gain Kv [1/s], window w [m]. All formulas follow from kinematics;
the square-root schedule is the one continuous with its slope at v = d/Kv.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from types import MappingProxyType
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from servosim._jit import kernel
from servosim.errors import Fault, ParameterError


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


# ------------------------------------------------------------------ references in time


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
    if t < profile.t[0]:
        return profile.start, 0.0, 0.0
    if t >= profile.t_end:
        return profile.target, 0.0, 0.0
    i = 0
    for k in range(1, 8):
        i += t >= profile.t[k]
    h = t - profile.t[i]
    a, j = profile.a[i], profile.j[i]
    v = profile.v[i] + h * (a + 0.5 * h * j)
    r = profile.x[i] + h * (profile.v[i] + h * (0.5 * a + h * j / 6.0))
    # rounding must not carry the reference past its ends nor turn it round
    low, high = min(profile.start, profile.target), max(profile.start, profile.target)
    v = profile.direction * max(profile.direction * v, 0.0)
    return min(max(r, low), high), v, a + h * j


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
def _s_curve_peak(distance: float, a: float, d: float, j: float) -> float:
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
    peak = _s_curve_peak(distance, a, d, j)
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


def _frozen(table: NDArray[np.float64], profile: Profile) -> Profile:
    table.setflags(write=False)
    return Profile(table[0], table[1], table[2], table[3], table[4], *profile[5:])


def plan_step(start: float, target: float, t_start: float) -> Profile:
    """Plan a step of the reference.

    Parameters
    ----------
    start, target : float
        Positions before and after [m].
    t_start : float
        Time of the step [s].

    Returns
    -------
    Profile
        Without any segment of length; its arrays are read-only.

    Raises
    ------
    ParameterError
        If a value is not finite.
    """
    _check_finite("step", start=start, target=target, t_start=t_start)
    table = np.empty((5, 8))
    return _frozen(table, write_step(table, float(start), float(target), float(t_start)))


def plan_trapezoid(
    start: float,
    target: float,
    velocity: float,
    acceleration: float,
    deceleration: float,
    t_start: float,
) -> Profile:
    """Plan a move with constant acceleration, cruise and constant deceleration.

    Parameters
    ----------
    start, target : float
        Positions at rest [m].
    velocity : float
        Limit of the velocity [m/s]; a move too short to reach it becomes a triangle with
        the peak ``sqrt(2 L/(1/a + 1/d))``.
    acceleration, deceleration : float
        Magnitudes [m/s2].
    t_start : float
        Start of the move [s].

    Returns
    -------
    Profile
        Up to three segments; its arrays are read-only.

    Raises
    ------
    ParameterError
        If a value is not finite or a limit not above zero.
    """
    _check_finite("trapezoid", start=start, target=target, t_start=t_start)
    given = {"velocity": velocity, "acceleration": acceleration, "deceleration": deceleration}
    v, a, d = _checked("trapezoid", READS["trapezoid"], given).values()
    table = np.empty((5, 8))
    profile = write_trapezoid(table, float(start), float(target), v, a, d, float(t_start))
    return _frozen(table, profile)


def plan_s_curve(
    start: float,
    target: float,
    velocity: float,
    acceleration: float,
    deceleration: float,
    jerk: float,
    t_start: float,
) -> Profile:
    """Plan a move with limited jerk: seven segments, fewer where a limit is not reached.

    Parameters
    ----------
    start, target : float
        Positions at rest [m].
    velocity : float
        Limit of the velocity [m/s].
    acceleration, deceleration : float
        Limits of the magnitudes [m/s2].
    jerk : float
        Magnitude [m/s3], the same in all segments that have any.
    t_start : float
        Start of the move [s].

    Returns
    -------
    Profile
        Up to seven segments; its arrays are read-only.

    Raises
    ------
    ParameterError
        If a value is not finite or a limit not above zero.
    """
    _check_finite("s_curve", start=start, target=target, t_start=t_start)
    given = {
        "velocity": velocity,
        "acceleration": acceleration,
        "deceleration": deceleration,
        "jerk": jerk,
    }
    v, a, d, j = _checked("s_curve", READS["s_curve"], given).values()
    table = np.empty((5, 8))
    profile = write_s_curve(table, float(start), float(target), v, a, d, j, float(t_start))
    return _frozen(table, profile)


def corners(profile: Profile) -> NDArray[np.float64]:
    """List the times at which a segment begins or the profile ends.

    Parameters
    ----------
    profile : Profile
        Table made by one of the plans.

    Returns
    -------
    ndarray, shape (n,)
        Strictly increasing times [s], 1 (step) to 8 of them; an integrator lands on each.
    """
    return np.unique(profile.t)


# -------------------------------------------------------------- references in distance


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
    v = v_creep if x > d_stop else 0.0
    return math.copysign(v_rapid if x > d_creep else v, x_r)


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


# ------------------------------------------------------------------------ closed forms

READS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "step": (),
        "trapezoid": ("velocity", "acceleration", "deceleration"),
        "s_curve": ("velocity", "acceleration", "deceleration", "jerk"),
        "staged": (
            "velocity",
            "acceleration",
            "deceleration",
            "creep_velocity",
            "creep_distance",
            "stop_distance",
            "window",
        ),
        "exponential": ("velocity", "acceleration", "velocity_gain", "window"),
        "square_root": ("velocity", "acceleration", "deceleration", "velocity_gain", "window"),
    }
)
"""The kinds of reference and the values that the closed forms of each read."""


_UNITS = {
    "start": "m",
    "target": "m",
    "t_start": "s",
    "travel": "m",
    "velocity": "m/s",
    "acceleration": "m/s2",
    "deceleration": "m/s2",
    "jerk": "m/s3",
    "velocity_gain": "1/s",
    "creep_velocity": "m/s",
    "creep_distance": "m",
    "stop_distance": "m",
    "window": "m",
}


def _nearest(name: object, known: Iterable[str]) -> str:
    return "".join(get_close_matches(str(name), list(known), 1))


def _number(value: object) -> float:
    try:
        return float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return math.nan


def _check_finite(kind: str, **values: float) -> None:
    faults = [
        Fault(
            key=name,
            what=f"{value!r} {_UNITS[name]} of the {kind} reference",
            expected="a finite number",
        )
        for name, value in values.items()
        if not math.isfinite(_number(value))
    ]
    if faults:
        raise ParameterError(faults)


def _check_kind(kind: str) -> None:
    if kind not in READS:
        what, expected = f"{kind!r} is no kind of reference", "one of " + ", ".join(READS)
        raise ParameterError(Fault(what=what, expected=expected, nearest=_nearest(kind, READS)))


def _checked(kind: str, names: Iterable[str], given: Mapping[str, float]) -> dict[str, float]:
    """Return the named values in order, or raise with every fault found."""
    names = tuple(names)
    faults = []
    for name in given:
        if name not in names:
            nearest = "" if name in _UNITS else _nearest(name, names)
            expected = "only " + (", ".join(names) or "the travel")
            faults.append(
                Fault("", "", name, f"not read by the {kind} reference", expected, nearest)
            )
    values = {}
    for name in names:
        unit, least = _UNITS[name], "at least" if name == "stop_distance" else "more than"
        expected = f"a finite number, {least} 0 {unit}"
        if name not in given:
            faults.append(
                Fault(key=name, what=f"missing for the {kind} reference", expected=expected)
            )
            continue
        values[name] = value = _number(given[name])
        good = value >= 0.0 if name == "stop_distance" else value > 0.0
        no_ramp = name == "acceleration" and kind in ("staged", "exponential", "square_root")
        if not good or (math.isinf(value) and not no_ramp):
            what = f"{given[name]!r} {unit} is out of range for the {kind} reference"
            faults.append(Fault(key=name, what=what, expected=expected))
    for name, limit in (("creep_velocity", "velocity"), ("stop_distance", "creep_distance")):
        if not faults and name in names and values[name] > values[limit]:
            what = f"{values[name]!r} {_UNITS[name]} is more than {limit}"
            faults.append(Fault("", "", name, what, f"at most {values[limit]!r} {_UNITS[limit]}"))
    if faults:
        raise ParameterError(faults)
    return values


@dataclass(frozen=True)
class Stop:
    """Stopping from the full velocity by the schedule.

    Attributes
    ----------
    distance : float
        Distance run from the first command to slow down until rest [m].
    time : float
        Time from that command to the end of the reference, or, where the schedule acts on the
        remaining distance, until the target is nearer than the window [s]; infinite if a staged
        stop comes to rest outside the window.
    remaining : float
        Distance left at rest [m]; not zero only for ``staged``, negative past the target.
    """

    distance: float
    time: float
    remaining: float = 0.0


@dataclass(frozen=True)
class Schedule:
    """Closed forms of one reference over one move from rest.

    Attributes
    ----------
    kind : str
        One of the keys of ``READS``.
    travel : float
        Length of the move [m].
    peak_velocity : float
        Highest velocity of this move [m/s]; infinite for a step.
    move_time : float
        From the start to the end of the reference, or until the target is nearer than the window
        [s]; infinite if a staged move comes to rest outside the window.
    remaining : float
        Distance left at rest [m]; not zero only for ``staged``, negative past the target.
    stop : Stop
        Stopping from the full velocity, whether or not this move reaches it.
    """

    kind: str
    travel: float
    peak_velocity: float
    move_time: float
    remaining: float
    stop: Stop


_Phase = tuple[float, float, float]  # velocities at both ends [m/s], length [m]; v2 linear in x


def _leg(v: float, v_command: float, length: float, a: float, d: float) -> list[_Phase]:
    """Run a length from velocity v under one command, changing at a or d to reach it."""
    if length <= 0.0:
        return []
    rate = a if v_command > v else -d
    change = (v_command * v_command - v * v) / (2.0 * rate)
    if change >= length:
        return [(v, math.sqrt(max(v * v + 2.0 * rate * length, 0.0)), length)]
    return [(v, v_command, change), (v_command, v_command, length - change)]


def _time_to(phases: list[_Phase], distance: float) -> float:
    """Time to run a distance through the phases; the last is used up at most."""
    time, left = 0.0, distance
    for v, v_end, length in phases:
        if left <= 0.0:
            break
        if length > 0.0:
            x = min(left, length)
            v_x = math.sqrt(v * v + (v_end * v_end - v * v) * (x / length))
            time += 2.0 * x / (v + v_x)
            left -= x
    return time


def _staged(travel: float, v: float, value: Mapping[str, float]) -> tuple[float, float, float]:
    """Peak velocity, time to the window and distance left, from velocity v at a distance."""
    a, d = value.get("acceleration", math.inf), value["deceleration"]
    d_creep, d_stop = value["creep_distance"], value["stop_distance"]
    phases = _leg(v, value["velocity"], travel - d_creep, a, d)
    v_switch = phases[-1][1] if phases else v
    phases += _leg(v_switch, value["creep_velocity"], min(travel, d_creep) - d_stop, a, d)
    v_off = phases[-1][1] if phases else v
    phases.append((v_off, 0.0, v_off * v_off / (2.0 * d)))
    left = travel - sum(length for _, _, length in phases)
    peak = max(max(phase[0], phase[1]) for phase in phases)
    if "window" not in value:
        return peak, math.nan, left
    w = value["window"]
    return peak, _time_to(phases, travel - w) if abs(left) <= w else math.inf, left


def _run_in(v: float, Kv: float, d: float) -> float:
    """Distance of the square-root schedule from velocity v; d infinite: exponential."""
    return v / Kv if v <= d / Kv else v * v / (2.0 * d) + d / (2.0 * Kv * Kv)


def _run_in_time(v: float, Kv: float, d: float, w: float) -> float:
    """Time of the square-root schedule from velocity v to a window w."""
    if w >= _run_in(v, Kv, d):
        return 0.0
    v_k = min(v, d / Kv)  # where the exponential end begins, at the distance v_k/Kv
    if w < v_k / Kv:
        return (v - v_k) / d + math.log(v_k / (Kv * w)) / Kv
    return (v - math.sqrt(2.0 * d * (w - d / (2.0 * Kv * Kv)))) / d


def _run_in_move(
    travel: float, v_max: float, a: float, Kv: float, d: float, w: float
) -> tuple[float, float]:
    """Peak velocity and time to the window of a move that ends on the square-root schedule."""
    # start ramp and run-in fill the travel: v2/(2a) + v/Kv, or v2/(2a) + v2/(2d) + d/(2 Kv2)
    v = 2.0 * travel / (1.0 / Kv + math.sqrt(1.0 / (Kv * Kv) + 2.0 * travel / a))
    if v > d / Kv:
        v = math.sqrt(2.0 * (travel - d / (2.0 * Kv * Kv)) / (1.0 / a + 1.0 / d))
    v = min(v, v_max)
    s_a = v * v / (2.0 * a)
    phases = [(0.0, v, s_a), (v, v, max(travel - s_a - _run_in(v, Kv, d), 0.0))]
    return v, _time_to(phases, travel - w) + _run_in_time(v, Kv, d, w)


def _ramp_time(v: float, rate: float, jerk: float) -> float:
    """Time of a change of velocity with limited jerk; its distance is v/2 times as long."""
    return v / rate + rate / jerk if v >= rate * rate / jerk else 2.0 * math.sqrt(v / jerk)


def _stop(kind: str, value: Mapping[str, float]) -> Stop:
    if kind == "step":
        return Stop(0.0, 0.0)
    v, w = value["velocity"], value.get("window", math.inf)
    if kind == "trapezoid":
        d = value["deceleration"]
        return Stop(v * v / (2.0 * d), v / d)
    if kind == "s_curve":
        time = _ramp_time(v, value["deceleration"], value["jerk"])
        return Stop(0.5 * v * time, time)
    if kind == "staged":
        _, time, left = _staged(value["creep_distance"], v, value)
        return Stop(value["creep_distance"] - left, time, left)
    Kv, d = value["velocity_gain"], value.get("deceleration", math.inf)
    return Stop(_run_in(v, Kv, d), _run_in_time(v, Kv, d, w))


def _move(kind: str, travel: float, value: Mapping[str, float]) -> tuple[float, float, float]:
    """Peak velocity, time and distance left of a move."""
    if travel == 0.0:
        return 0.0, 0.0, 0.0
    if kind == "step":
        return math.inf, 0.0, 0.0
    v, a = value["velocity"], value["acceleration"]
    if kind == "staged":
        return _staged(travel, 0.0, value)
    if kind == "trapezoid":
        d = value["deceleration"]
        v = min(v, math.sqrt(2.0 * travel / (1.0 / a + 1.0 / d)))
        return v, travel / v + 0.5 * v * (1.0 / a + 1.0 / d), 0.0
    if kind == "s_curve":
        d, j = value["deceleration"], value["jerk"]
        v = min(v, _s_curve_peak(travel, a, d, j))
        return v, travel / v + 0.5 * (_ramp_time(v, a, j) + _ramp_time(v, d, j)), 0.0
    Kv, d = value["velocity_gain"], value.get("deceleration", math.inf)
    return *_run_in_move(travel, v, a, Kv, d, value["window"]), 0.0


def closed_form(
    kind: str,
    travel: float,
    *,
    velocity: float | None = None,
    acceleration: float | None = None,
    deceleration: float | None = None,
    jerk: float | None = None,
    velocity_gain: float | None = None,
    creep_velocity: float | None = None,
    creep_distance: float | None = None,
    stop_distance: float | None = None,
    window: float | None = None,
) -> Schedule:
    """Return stopping distance, stopping time and move time of an ideally followed reference.

    Parameters
    ----------
    kind : str
        ``step``, ``trapezoid``, ``s_curve``, ``staged``, ``exponential`` or ``square_root``.
        Give exactly the values that ``READS[kind]`` names.
    travel : float
        Length of the move [m]; the sign does not matter.
    velocity : float, optional
        Limit of the velocity, in stages the rapid velocity, v1 below [m/s].
    acceleration : float, optional
        Limit of the start ramp [m/s2]; may be infinite where the schedule acts on distance.
    deceleration : float, optional
        Deceleration, in stages the one that the table actually has [m/s2].
    jerk : float, optional
        Limit of the jerk [m/s3].
    velocity_gain : float, optional
        Velocity gain Kv [1/s].
    creep_velocity : float, optional
        Velocity of the second stage, at most ``velocity`` [m/s].
    creep_distance, stop_distance : float, optional
        Remaining distances at which creep and stop are commanded [m].
    window : float, optional
        Remaining distance at which the time of a schedule in distance ends [m].

    Returns
    -------
    Schedule
        Closed forms for this move.

    Raises
    ------
    ParameterError
        For an unknown kind, a value missing, not read by the kind, out of range or contradictory.

    Notes
    -----
    ``step``: the reference stops in no distance and no time, by definition; the table does not.

    ``trapezoid``: distance ``v1^2/(2d)``, time ``v1/d``.

    ``s_curve``: time ``v1/d + d/j`` if ``v1 >= d^2/j``, else ``2 sqrt(v1/j)``; distance v1/2
    times as long.

    ``square_root``: distance ``v1^2/(2d) + d/(2 Kv^2)``, or ``v1/Kv`` if ``v1 <= d/Kv``. Time to
    the window ``v1/d - 1/Kv + ln(d/(Kv^2 w))/Kv``; if ``w > d/Kv^2`` ``(v1 - v_w)/d`` with v_w the
    schedule at w; if ``v1 <= d/Kv`` ``ln(v1/(Kv w))/Kv``; zero if the window is longer than the
    stopping distance. A short move leaves the start ramp where both meet:
    ``v^2/(2a) + distance(v) = travel``.

    ``exponential``: the limit of the square root for infinite d: ``v1/Kv``, ``ln(v1/(Kv w))/Kv``.

    ``staged``: from v1 at the creep distance xc with deceleration d to the creep velocity vc, on
    at vc to the stop distance xs, then to rest: distance ``xc - xs + vc^2/(2d)``, distance left
    ``xs - vc^2/(2d)``. If d is too weak to reach vc before xs the distance is ``v1^2/(2d)``.

    Examples
    --------
    >>> values = dict(velocity=0.25, acceleration=1.0, deceleration=1.0, velocity_gain=25.0)
    >>> schedule = closed_form("square_root", 0.6, window=10e-6, **values)
    >>> f"{schedule.stop.distance * 1e3:.2f} mm, {schedule.stop.time:.3f} s"
    '32.05 mm, 0.413 s'
    """
    given = {
        "velocity": velocity,
        "acceleration": acceleration,
        "deceleration": deceleration,
        "jerk": jerk,
        "velocity_gain": velocity_gain,
        "creep_velocity": creep_velocity,
        "creep_distance": creep_distance,
        "stop_distance": stop_distance,
        "window": window,
    }
    _check_kind(kind)
    _check_finite(kind, travel=travel)
    values = _checked(kind, READS[kind], {k: x for k, x in given.items() if x is not None})
    peak, time, left = _move(kind, abs(float(travel)), values)
    return Schedule(kind, abs(float(travel)), peak, time, left, _stop(kind, values))


def stopping_distance(kind: str, **values: float) -> float:
    """Distance from the first command to slow down until rest.

    Parameters
    ----------
    kind : str
        As in :func:`closed_form`, where the formulas stand.
    **values : float
        The values of ``READS[kind]`` without acceleration and window [SI units].

    Returns
    -------
    float
        Distance from the full velocity [m]; zero for a step.

    Raises
    ------
    ParameterError
        As in :func:`closed_form`.
    """
    _check_kind(kind)
    names = tuple(n for n in READS[kind] if n not in ("acceleration", "window"))
    return _stop(kind, _checked(kind, names, values)).distance


def stopping_time(kind: str, **values: float) -> float:
    """Time from the first command to slow down until the end or the window.

    Parameters
    ----------
    kind : str
        As in :func:`closed_form`, where the formulas stand.
    **values : float
        The values of ``READS[kind]`` without acceleration [SI units].

    Returns
    -------
    float
        Time from the full velocity [s]; zero for a step, infinite if a staged stop comes to rest
        outside the window.

    Raises
    ------
    ParameterError
        As in :func:`closed_form`.
    """
    _check_kind(kind)
    names = tuple(n for n in READS[kind] if n != "acceleration")
    return _stop(kind, _checked(kind, names, values)).time


def move_time(kind: str, travel: float, **values: float) -> float:
    """Time of a whole move from rest to the end or the window.

    Parameters
    ----------
    kind : str
        As in :func:`closed_form`, where the formulas stand.
    travel : float
        Length of the move [m].
    **values : float
        The values of ``READS[kind]`` [SI units].

    Returns
    -------
    float
        Time [s]; zero for a step, infinite if a staged move comes to rest outside the window.

    Raises
    ------
    ParameterError
        As in :func:`closed_form`.
    """
    _check_kind(kind)
    _check_finite(kind, travel=travel)
    return _move(kind, abs(float(travel)), _checked(kind, READS[kind], values))[1]
