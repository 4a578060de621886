"""References of the independent model: cubic pieces in time, or a plan over the distance left."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from scipy.optimize import brentq


def _speed_change(v: float, a: float, j: float) -> list[tuple[float, float]]:
    """Pieces (duration, jerk) that change the velocity by v with limited jerk and acceleration."""
    if v >= a * a / j:
        return [(a / j, j), (v / a - a / j, 0.0), (a / j, -j)]
    return [(math.sqrt(v / j), j), (0.0, 0.0), (math.sqrt(v / j), -j)]


def _s_curve(distance: float, v: float, a: float, d: float, j: float) -> list[tuple[float, float]]:
    def run(peak: float) -> float:  # mean velocity of a symmetrical change is half of it
        times = [sum(p[0] for p in _speed_change(peak, x, j)) for x in (a, d)]
        return 0.5 * peak * sum(times)

    if run(v) > distance:
        v = brentq(lambda peak: run(peak) - distance, 1e-12, v, xtol=1e-15)
    cruise = (distance - run(v)) / v
    slow = [(T, -x) for T, x in _speed_change(v, d, j)]
    return [*_speed_change(v, a, j), (max(cruise, 0.0), 0.0), *slow]


def course_of(f: Any) -> np.ndarray:
    """Rows t, r, v, a, j of the reference in time; the last holds the target."""
    start, target, ref = f.move.start, f.move.target, f.reference
    distance, way = abs(target - start), math.copysign(1.0, target - start)
    rows = []
    t, r, v, a = 0.0, 0.0, 0.0, 0.0
    if distance > 0.0 and ref.kind == "s_curve":
        pieces = _s_curve(distance, ref.velocity, ref.acceleration, ref.deceleration, ref.jerk)
        for T, j in pieces:
            if T > 0.0:
                rows.append((t, r, v, a, j))
                r += T * (v + T * (a / 2.0 + T * j / 6.0))
                v += T * (a + T * j / 2.0)
                a += T * j
                t += T
    elif distance > 0.0 and ref.kind == "trapezoid":
        up, down = ref.acceleration, ref.deceleration
        peak = min(ref.velocity, math.sqrt(2.0 * distance / (1.0 / up + 1.0 / down)))
        cruise = (distance - 0.5 * peak**2 * (1.0 / up + 1.0 / down)) / peak
        for T, a in ((peak / up, up), (cruise, 0.0), (peak / down, -down)):
            if T > 1e-15:
                rows.append((t, r, v, a, 0.0))
                r += T * (v + T * a / 2.0)
                v += T * a
                t += T
    course = np.array([*rows, (t, distance, 0.0, 0.0, 0.0)])
    course[:, 1:] *= way
    course[:, 1] += start
    return course


def plan_of(f: Any) -> np.ndarray:
    """Kind and values of a schedule over the remaining distance, see ``plant.schedule``."""
    ref = f.reference
    kind = {"square_root": 1.0, "exponential": 2.0, "staged": 3.0}.get(ref.kind, 0.0)
    keys = (
        "velocity",
        "acceleration",
        "deceleration",
        "creep_velocity",
        "creep_distance",
        "stop_distance",
    )
    values = [getattr(ref, key, None) or 0.0 for key in keys]
    return np.array([kind, *values, f.move.target])


def thrust_at(t: float, f: Any, full: float) -> tuple[float, float]:
    """Thrust and its slope at a time counted from its reference: ramp, feed, ramp."""
    if f.thrust.mode == "none":
        return 0.0, 0.0
    times = thrust_corners(f)
    values = (0.0, full, full, 0.0)
    for i in range(3):
        if times[i] <= t < times[i + 1]:
            slope = (values[i + 1] - values[i]) / (times[i + 1] - times[i])
            return values[i] + slope * (t - times[i]), slope
    return 0.0, 0.0


def thrust_corners(f: Any) -> np.ndarray:
    if f.thrust.mode == "none":
        return np.zeros(0)
    ramp = max(f.thrust.ramp, 1e-9)
    return f.thrust.delay + np.cumsum([0.0, ramp, f.thrust.feed_time, ramp])
