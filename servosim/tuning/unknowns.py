"""What is searched: which values of the file may change, in which range, and where it begins."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim.axis import Axis
from servosim.params import fields_of
from servosim.tuning.result import LoopStage

Array = NDArray[np.float64]

TIMED_KINDS = ("trapezoid", "s_curve")
SLOWEST, FASTEST = 0.6, 4.0  # of the file's deceleration
_LOWEST_GAIN = 0.3  # of the gain that the margins admit


@dataclass(frozen=True)
class Unknown:
    """One value of the file that is searched.

    Attributes
    ----------
    key : str
        Key of the file.
    low, high : float
        Range [SI].
    start : float
        Where the search begins [SI].
    log : bool
        Whether the range is divided in ratios.
    """

    key: str
    low: float
    high: float
    start: float
    log: bool = False

    def value(self, share: float) -> float:
        """Return the value at a share of the range from 0 to 1."""
        share = min(max(share, 0.0), 1.0)
        if self.log:
            return self.low * (self.high / self.low) ** share
        return self.low + share * (self.high - self.low)

    def share(self, value: float) -> float:
        """Return the share of the range at which a value lies, within it."""
        value = min(max(value, self.low), self.high)
        if self.log:
            return math.log(value / self.low) / math.log(self.high / self.low)
        return (value - self.low) / (self.high - self.low)


def is_read(axis: Axis, key: str) -> bool:
    """Tell whether the file's choices make a key count."""
    table, name = key.split(".")
    return name not in getattr(axis.file, table)._unread


def get(axis: Axis, key: str) -> Any:
    """Return a value of the file."""
    table, name = key.split(".")
    return getattr(getattr(axis.file, table), name)


def lag_of(axis: Axis) -> float:
    """Return the delay of valve, sampling and computing for slow motion [s]."""
    f = axis.file
    v, c = f.valve, f.controller
    lag = v.time_constant
    if v.dynamics == "second_order":
        lag = 2.0 * v.damping_ratio / v.natural_frequency
    return lag + (0.5 * c.period + c.computing_delay if c.kind == "sampled" else 0.0)


def null_shift(axis: Axis) -> tuple[float, float]:
    """Return the valve's null at the file's values, and how far it strays over the envelope [-]."""
    v, e = axis.file.valve, axis.file.envelope
    warm = [v.null_shift_temperature * (t - v.rating_temperature) for t in e.temperature]
    pressed = [v.null_shift_pressure * (p - v.rating_pressure) for p in e.supply_pressure]
    shift = v.null_shift_temperature * (axis.file.oil.temperature - v.rating_temperature)
    shift += v.null_shift_pressure * (axis.file.supply.pressure - v.rating_pressure)
    spread = max(warm) - min(warm) + max(pressed) - min(pressed)
    return v.null_bias + shift, 0.5 * spread + 0.5 * (v.hysteresis + v.threshold)


def integral_limit(axis: Axis) -> float:
    """Return the velocity that an integral must be able to ask for at rest [m/s].

    What the null strays over the envelope, and as much again as half of the overlap that is not
    compensated; more would only be wound up on the way and let the table pass its target.
    """
    p = axis.parameters.controller
    _, stray = null_shift(axis)
    overlap = 0.25 * max(p.L_plus, p.L_minus, 0.0)
    return max(p.g_plus, p.g_minus) * max(1.5 * stray + overlap, 5e-4)


def moved_mass(axis: Axis) -> float:
    """Return the mass that the piston moves [kg]."""
    load = axis.parameters.load
    return float(load.M_p + load.M_t)


def feedback_unknowns(axis: Axis, stage: LoopStage) -> list[Unknown]:
    """Return the unknowns of one kind of stabilising feedback."""
    found = []
    for key, best in stage.gains.items():
        if key in ("high_pass_frequency", "filter_frequency"):
            low, high = 0.5 * best, 2.0 * best
            if axis.file.controller.kind == "sampled":
                high = min(high, 0.8 * math.pi / axis.file.controller.period)
            found.append(Unknown(f"controller.{key}", low, max(high, 1.5 * best), best, log=True))
        elif best > 0.0:
            found.append(Unknown(f"controller.{key}", 0.3 * best, 1.8 * best, best, log=True))
    return found


def unknowns_of(
    axis: Axis, stage: LoopStage, *, integral: bool = False, gentle: bool = False
) -> list[Unknown]:
    """Return what is searched for one kind of stabilising feedback.

    Parameters
    ----------
    axis : Axis
        The axis of the file.
    stage : LoopStage
        What the margins say about this kind.
    integral : bool
        Whether an integral with dead zone is tried.
    gentle : bool
        Whether acceleration and jerk may be lowered too.

    Returns
    -------
    list of Unknown
        The unknowns.
    """
    f = axis.file
    c, r, w = f.controller, f.reference, f.window.half_width
    top = stage.velocity_gain if stage.velocity_gain > 0.0 else 2.0 * c.velocity_gain
    found = [
        Unknown("controller.velocity_gain", _LOWEST_GAIN * top, 1.5 * top, 0.85 * top, log=True)
    ]
    found += feedback_unknowns(axis, stage)
    if r.kind in TIMED_KINDS:
        lag = lag_of(axis) + stage.gains.get("acceleration_feedback", 0.0)
        area = axis.parameters.cylinder.A_A
        lag += stage.gains.get("load_pressure_feedback", 0.0) * moved_mass(axis) / area
        ka = min(max(3.0 * lag, 1.5 * abs(c.acceleration_feedforward)), 1.0)
        found.append(
            Unknown("controller.velocity_feedforward", 0.5, 1.15, 1.06 if integral else 0.95)
        )
        found.append(Unknown("controller.acceleration_feedforward", 0.0, ka, min(lag, ka)))
    v = f.valve
    overlap = max(v.overlap_pa, v.overlap_bt, v.overlap_pb, v.overlap_at)
    if overlap > 0.0:
        found.append(Unknown("controller.overlap_compensation", 0.0, 1.2, 0.85))
        smooth = (0.0005, max(2.0 * overlap, 0.002))
        start = max(c.overlap_smoothing, overlap if integral else 0.0)
        found.append(Unknown("controller.overlap_smoothing", *smooth, start, log=True))
    null, stray = null_shift(axis)
    if stray > 0.0 or null != 0.0 or c.null_trim != 0.0:
        stray = max(stray, 0.0005)
        low, high = -null - 0.6 * stray, -null + 0.6 * stray
        found.append(Unknown("controller.null_trim", max(low, -0.2), min(high, 0.2), -null))
    if is_read(axis, "reference.deceleration") and r.kind != "staged":
        high = FASTEST * r.deceleration
        if r.kind == "s_curve":
            high = min(high, max(math.sqrt(r.velocity * r.jerk), 1.2 * r.deceleration))
        found.append(Unknown("reference.deceleration", SLOWEST * r.deceleration, min(high, 100.0),
                             (0.85 if integral else 1.0) * r.deceleration, log=True))  # fmt: skip
    if gentle:
        for name in ("acceleration", "jerk"):
            if is_read(axis, f"reference.{name}"):
                value = getattr(r, name)
                found.append(Unknown(f"reference.{name}", 0.15 * value, value, value, log=True))
    if f.lock.trigger == "ahead" and f.lock.kind != "none":
        at = f.lock.ahead_distance
        found.append(Unknown("lock.ahead_distance", 0.2 * at, 5.0 * at, at, log=True))
    if integral:
        found.append(
            Unknown(
                "controller.integral_gain", 0.02 * top**2, 0.5 * top**2, 0.15 * top**2, log=True
            )
        )
        found.append(Unknown("controller.integral_dead_zone", 0.1 * w, 0.9 * w, 0.4 * w))
    return [_within_limits(one) for one in found]


def _within_limits(one: Unknown) -> Unknown:
    """Return an unknown whose range the file admits."""
    from servosim.document import AxisFile
    from servosim.params import places_of

    table, name = one.key.split(".")
    limits = fields_of(places_of(AxisFile)[table].kind)[name].limits
    low = max(one.low, limits.get("low", -math.inf))
    high = min(one.high, limits.get("high", math.inf))
    return Unknown(one.key, low, high, min(max(one.start, low), high), one.log)


def fixed_changes(axis: Axis, stage: LoopStage, *, integral: bool) -> dict[str, Any]:
    """Return values that go with a kind of feedback and are not searched.

    Parameters
    ----------
    axis : Axis
        The axis of the file.
    stage : LoopStage
        The kind of stabilising feedback and its gains.
    integral : bool
        Whether an integral is tried.

    Returns
    -------
    dict of str to object
        Keys of the file and their values [SI].
    """
    c = axis.file.controller
    changes: dict[str, Any] = {}
    if c.stabilising_feedback != stage.kind:
        changes["controller.stabilising_feedback"] = stage.kind
        changes |= {f"controller.{key}": value for key, value in stage.gains.items()}
    if integral:
        changes["controller.integral_limit"] = integral_limit(axis)
    elif c.integral_gain != 0.0:
        changes["controller.integral_gain"] = 0.0
    return changes


def changes_of(
    unknowns: Sequence[Unknown], shares: Array, fixed: Mapping[str, Any]
) -> dict[str, Any]:
    """Return the changes of the file for shares of the ranges."""
    own = {one.key: one.value(float(s)) for one, s in zip(unknowns, shares, strict=True)}
    return {**fixed, **own}


def shares_of(unknowns: Sequence[Unknown], values: Mapping[str, Any]) -> Array:
    """Return the shares of the ranges for values, the start where none is given."""
    return np.array([one.share(float(values.get(one.key, one.start))) for one in unknowns])


def first_population(
    unknowns: Sequence[Unknown], size: int, known: Sequence[Array], rng: np.random.Generator
) -> Array:
    """Return a population around known places: these, close ones, and some from everywhere.

    Parameters
    ----------
    unknowns : sequence of Unknown
        The unknowns.
    size : int
        Number of candidates.
    known : sequence of ndarray
        Shares of the ranges that are known to be of use, the best first.
    rng : numpy Generator
        Source of chance.

    Returns
    -------
    ndarray, shape (size, n_unknown)
        Shares of the ranges.
    """
    n = len(unknowns)
    rows = [np.clip(one, 0.0, 1.0) for one in known][:size]
    while len(rows) < size:
        k = len(rows)
        if k % 4 == 3:
            rows.append(rng.random(n))
        else:
            around = rows[k % max(len(known), 1)]
            rows.append(np.clip(around + 0.15 * rng.standard_normal(n), 0.0, 1.0))
    return np.array(rows)
