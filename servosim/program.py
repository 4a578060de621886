"""What the axis is asked to do: reference, window, move, thrust; numbers for the kernels."""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from servosim._jit import kernel
from servosim._lanes import some, where
from servosim.motion import (
    Profile,
    exponential_velocity,
    plan_s_curve,
    plan_step,
    plan_trapezoid,
    square_root_velocity,
    staged_velocity,
)
from servosim.params import Range, Table, choice, interval, number, quantity

TIMED, SQUARE_ROOT, EXPONENTIAL, STAGED = 0, 1, 2, 3
_SPEED = ("trapezoid", "s_curve", "staged", "exponential", "square_root")


class Reference(Table):
    """How the target is approached."""

    kind: Literal["step", "trapezoid", "s_curve", "staged", "exponential", "square_root"] = choice(
        "Reference in time (step, trapezoid, s_curve) or over the remaining distance."
    )
    velocity: float = quantity(
        "mm/s", above=0, high="10 m/s", when={"kind": _SPEED}, symbol="v", doc="Rapid velocity."
    )
    acceleration: float = quantity(
        "m/s2", above=0, high="100 m/s2", when={"kind": _SPEED}, symbol="a", doc="Acceleration."
    )
    deceleration: float = quantity(
        "m/s2",
        above=0,
        high="100 m/s2",
        when={"kind": ("trapezoid", "s_curve", "square_root", "staged")},
        symbol="d",
        doc="Deceleration; for staged what the axis is expected to reach between stages.",
    )
    jerk: float = quantity(
        "m/s3", above=0, high="1e5 m/s3", when={"kind": ("s_curve",)}, symbol="j", doc="Jerk."
    )
    creep_velocity: float = quantity(
        "mm/s", above=0, high="1 m/s", when={"kind": ("staged",)}, doc="Creep velocity."
    )
    creep_distance: float = quantity(
        "mm", above=0, high="10 m", when={"kind": ("staged",)}, doc="Remaining distance of creep."
    )
    stop_distance: float = quantity(
        "mm", low=0, high="1 m", when={"kind": ("staged",)}, doc="Remaining distance of the stop."
    )


class Window(Table):
    """When the axis counts as settled."""

    half_width: float = quantity(
        "um", above=0, high="100 mm", symbol="w", doc="Settled within target plus or minus this."
    )


class MoveTable(Table):
    """The move of the file."""

    start: float = quantity("mm", low=0, high="20 m", doc="Position where the move starts.")
    target: float = quantity("mm", low=0, high="20 m", doc="Position where it shall end.")
    duration: float = quantity("s", above=0, high="3600 s", doc="Time that is simulated.")
    hold_time: float = quantity(
        "s", above=0, high="3600 s", doc="From the confirmed lock until it is opened again."
    )
    seed: int = number(low=0, high=2**31 - 1, doc="Seed of the noise.")


class Thrust(Table):
    """Load of the tool."""

    mode: Literal["none", "locked", "time"] = choice(
        "No thrust; thrust once the axis is locked (or in position without a lock); or in time."
    )
    along: float = quantity(
        "N",
        low="-10000 kN",
        high="10000 kN",
        when={"mode": ("locked", "time")},
        symbol="F_L",
        doc="Thrust along the axis, positive against extension.",
    )
    normal: float = quantity(
        "N",
        low="-10000 kN",
        high="10000 kN",
        when={"mode": ("locked", "time")},
        symbol="F_N",
        doc="Thrust across the axis, positive onto the ways.",
    )
    delay: float = quantity(
        "s",
        low=0,
        high="3600 s",
        when={"mode": ("locked", "time")},
        doc="From lock, or from start.",
    )
    ramp: float = quantity(
        "ms",
        low=0,
        high="60 s",
        when={"mode": ("locked", "time")},
        doc="Time to full thrust and back.",
    )
    feed_time: float = quantity(
        "s", above=0, high="3600 s", when={"mode": ("locked", "time")}, doc="Time of full thrust."
    )


class Envelope(Table):
    """Ranges over which the axis must work."""

    workpiece_mass: Range = interval("kg", low=0, doc="Workpiece.")
    temperature: Range = interval("degC", low="-20 degC", high="100 degC", doc="Oil temperature.")
    free_air: Range = interval("%", low=0, high="20 %", doc="Free air at atmospheric pressure.")
    supply_pressure: Range = interval("bar", above=0, high="500 bar", doc="Supply pressure.")


class Move(NamedTuple):
    """One move, ready for the kernels; SI units. Make it with :func:`move_of`.

    Attributes
    ----------
    start, target : float
        Positions [m].
    kind : int
        TIMED, or the kind of schedule over the remaining distance.
    profile : Profile
        Reference in time; a step for the distance-based kinds.
    v, a, d, v_creep, d_creep, d_stop : float
        Limits and distances of a schedule [m/s, m/s2, m].
    window : float
        Half width of the window [m].
    duration, hold_time : float
        Simulated time and time locked [s].
    thrust_locked : int
        1 if the thrust's times count from the confirmed lock, 0 if from the start.
    thrust_t, thrust_along, thrust_normal : ndarray, shape (4,)
        Corners of the thrust [s, N, N]; zero before and after.
    seed : int
        Seed of the noise.
    """

    start: float
    target: float
    kind: int
    profile: Profile
    v: float
    a: float
    d: float
    v_creep: float
    d_creep: float
    d_stop: float
    window: float
    duration: float
    hold_time: float
    thrust_locked: int
    thrust_t: NDArray[np.float64]
    thrust_along: NDArray[np.float64]
    thrust_normal: NDArray[np.float64]
    seed: int


def plan(reference: Reference, start: float, target: float) -> Profile:
    """Return the reference in time of a move that starts at time zero.

    Parameters
    ----------
    reference : Reference
        Table of the reference.
    start, target : float
        Positions [m].

    Returns
    -------
    Profile
        Table of cubic segments; a step for the distance-based kinds.
    """
    r = reference
    if r.kind == "trapezoid":
        return plan_trapezoid(start, target, r.velocity, r.acceleration, r.deceleration, 0.0)
    if r.kind == "s_curve":
        return plan_s_curve(start, target, r.velocity, r.acceleration, r.deceleration, r.jerk, 0.0)
    return plan_step(start, target, 0.0)


def move_of(reference: Reference, window: Window, move: MoveTable, thrust: Thrust) -> Move:
    """Return the move that four tables of a parameter file describe.

    Parameters
    ----------
    reference : Reference
        How the target is approached.
    window : Window
        When the axis counts as settled.
    move : MoveTable
        Start, target and times.
    thrust : Thrust
        Load of the tool.

    Returns
    -------
    Move
        The move in SI units.
    """
    kind = {"square_root": SQUARE_ROOT, "exponential": EXPONENTIAL, "staged": STAGED}
    times, along, normal = np.full(4, np.inf), np.zeros(4), np.zeros(4)
    if thrust.mode != "none":
        ramp = max(thrust.ramp, 1e-9)  # a step is a very short ramp
        times = thrust.delay + np.cumsum([0.0, ramp, thrust.feed_time, ramp])
        along[1:3], normal[1:3] = thrust.along, thrust.normal
    return Move(
        start=move.start,
        target=move.target,
        kind=kind.get(reference.kind, TIMED),
        profile=plan(reference, move.start, move.target),
        v=reference.velocity,
        a=reference.acceleration,
        d=reference.deceleration,
        v_creep=reference.creep_velocity,
        d_creep=reference.creep_distance,
        d_stop=reference.stop_distance,
        window=window.half_width,
        duration=move.duration,
        hold_time=move.hold_time,
        thrust_locked=int(thrust.mode == "locked"),
        thrust_t=times,
        thrust_along=along,
        thrust_normal=normal,
        seed=move.seed,
    )


@kernel
def schedule_velocity(x_r: float, t: float, K_v: float, move: Move) -> float:
    """Return the velocity of a distance-based schedule [m/s].

    Parameters
    ----------
    x_r : float
        Remaining distance, target minus measured position [m].
    t : float
        Time since the start of the move [s]; the speed is at most acceleration times it.
    K_v : float
        Velocity gain of the loop [1/s].
    move : Move
        The move.

    Returns
    -------
    float
        Signed velocity towards the target.
    """
    if move.kind == SQUARE_ROOT:
        v = square_root_velocity(x_r, move.d, K_v, move.v)
    elif move.kind == EXPONENTIAL:
        v = exponential_velocity(x_r, K_v, move.v)
    else:
        v = staged_velocity(x_r, move.v, move.v_creep, move.d_creep, move.d_stop)
    limit = move.a * max(t, 0.0)
    return min(max(v, -limit), limit)


@kernel
def thrust_at(
    t: float, begin: float, values: NDArray[np.float64], times: NDArray[np.float64]
) -> tuple[float, float]:
    """Return a thrust and its slope just after a time [N, N/s].

    The corners are ``begin + times``, the very sums on which the steps land: a difference of times
    would be rounded and could miss a corner by a whole stretch.
    """
    value, slope = 0.0, 0.0
    for i in range(3):
        corner = begin + times[i]
        inside = (corner <= t) & (t < begin + times[i + 1])
        if some(inside):
            rise = (values[i + 1] - values[i]) / (times[i + 1] - times[i])
            value = where(inside, values[i] + rise * (t - corner), value)
            slope = where(inside, rise, slope)
    return value, slope
