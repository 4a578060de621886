"""Closed forms of stops and moves for values already checked.

The formulas stand in the notes of :func:`servosim.motion.closed_form`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from servosim.motion._profile import s_curve_peak


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


def stop(kind: str, value: Mapping[str, float]) -> Stop:
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


def move(kind: str, travel: float, value: Mapping[str, float]) -> tuple[float, float, float]:
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
        v = min(v, s_curve_peak(travel, a, d, j))
        return v, travel / v + 0.5 * (_ramp_time(v, a, j) + _ramp_time(v, d, j)), 0.0
    Kv, d = value["velocity_gain"], value.get("deceleration", math.inf)
    return *_run_in_move(travel, v, a, Kv, d, value["window"]), 0.0
