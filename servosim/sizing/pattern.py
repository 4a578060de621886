"""The moves of one cycle: how long each takes, how fast it gets, and what the loop must do for it.

Every move follows the reference of the requirement ideally. What is then left to the target is run
in by the position loop alone, which a first-order lag of the velocity gain describes; feed-forward
isn't counted on, because it is only as good as the valve's gain is known (own choice, safe side).

Sources. Kinematics; :mod:`servosim.motion` for the schedules over the remaining distance.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import optimize

from servosim.errors import Fault, ParameterError
from servosim.motion import READS, closed_form, stopping_time
from servosim.program import Reference
from servosim.sizing.calculation import Calculation
from servosim.sizing.kinematics import (
    distance_left,
    exponential_time,
    peak_velocity,
    ramp_time,
    reference_time,
    run_in_time,
    settling_time_of,
    smooth_distance_left,
    smooth_ramp_time,
    square_root_time,
)
from servosim.sizing.requirement import RequirementFile

TIMED = ("trapezoid", "s_curve")
_GAINS = (1e-2, 1e4)  # velocity gains between which the needed one is looked for, 1/s


@dataclass(frozen=True)
class Move:
    """One move of the pattern, followed ideally.

    Attributes
    ----------
    start, target : float
        Positions of the table from the beginning of its travel [m].
    peak : float
        Highest velocity [m/s].
    accelerating, rapid, decelerating, run_in : float
        Times of its phases [s]; the last until the window.
    reference_time : float
        Time of the reference alone, or with an infinitely quick loop [s].
    quickest : float
        Shortest time of a change between rest and peak velocity that the reference states [s].
    """

    start: float
    target: float
    peak: float
    accelerating: float
    rapid: float
    decelerating: float
    run_in: float
    reference_time: float
    quickest: float

    @property
    def distance(self) -> float:
        """Length of the move [m]."""
        return abs(self.target - self.start)

    @property
    def direction(self) -> float:
        """One in extension, minus one in retraction."""
        return math.copysign(1.0, self.target - self.start)

    @property
    def time(self) -> float:
        """Time until the window [s]."""
        return self.accelerating + self.rapid + self.decelerating + self.run_in


@dataclass(frozen=True)
class Pattern:
    """The moves of one cycle.

    Attributes
    ----------
    moves : tuple of Move
        In their order, the return last; moves of no length are left out.
    longest : Move
        The longest of them.
    velocity_gain : float
        Least velocity gain with which the longest move settles in time [1/s]; zero if the reference
        reads none, infinite if there is none.
    """

    moves: tuple[Move, ...]
    longest: Move
    velocity_gain: float


def targets_of(requirement: RequirementFile) -> list[tuple[float, float]]:
    """Return start and target of every move of one cycle [m], the return last.

    Parameters
    ----------
    requirement : RequirementFile
        What is asked for.

    Returns
    -------
    list of (float, float)
        Positions from the beginning of the table's travel; moves of no length are left out.

    Raises
    ------
    ParameterError
        If the table does not move at all, or by steps, which no axis can follow.
    """
    work = requirement.work
    if requirement.reference.kind == "step":
        raise ParameterError(
            Fault("", "reference", "kind", "a step states neither velocity nor acceleration, from "
                  "which parts could be sized", "one of " + ", ".join(list(READS)[1:]))
        )  # fmt: skip
    # sums of decimal texts: less than a nanometre is no move
    places = [work.start, *(work.start + np.cumsum(work.distances)), work.start]
    moves = [
        (float(one), float(other))
        for one, other in itertools.pairwise(places)
        if abs(other - one) > 1e-9
    ]
    if not moves:
        raise ParameterError(
            Fault("", "work", "distances", "no move has a length", "distances other than 0 mm")
        )
    return moves


def _values(reference: Reference, gain: float, window: float) -> dict[str, float]:
    """Return what the closed forms of a reference read."""
    known: dict[str, Any] = {"velocity_gain": gain, "window": window}
    return {
        name: known[name] if name in known else getattr(reference, name)
        for name in READS[reference.kind]
    }


def _followed(
    reference: Reference, start: float, target: float, gain: float, window: float
) -> Move:
    """Return one move with the times of its phases."""
    r, s = reference, abs(target - start)
    found = closed_form(r.kind, s, **_values(r, gain, window))
    v = found.peak_velocity
    if r.kind in TIMED:
        if r.kind == "s_curve":
            up, down = (
                stopping_time("s_curve", velocity=v, deceleration=rate, jerk=r.jerk)
                for rate in (r.acceleration, r.deceleration)
            )
            left = smooth_distance_left(v_p=v, K_v=gain, d=r.deceleration, j=r.jerk)
        else:
            up, down = v / r.acceleration, v / r.deceleration
            left = distance_left(v_p=v, K_v=gain, d=r.deceleration)
        run_in = float(run_in_time(e_0=left, w=window, K_v=gain))
        rapid = max(found.move_time - up - down, 0.0)
        quickest = min(up, down)
        return Move(start, target, v, up, rapid, down, run_in, found.move_time, quickest)
    up, whole = v / r.acceleration, found.move_time
    if r.kind == "staged":
        down = max(v - r.creep_velocity, 0.0) / r.deceleration
        run_in = (r.creep_distance - r.stop_distance) / r.creep_velocity
        least = whole
    else:
        slowest = v if r.kind == "exponential" else min(v, r.deceleration / gain)
        down = 0.0 if r.kind == "exponential" else (v - slowest) / r.deceleration
        run_in = float(run_in_time(e_0=slowest / gain, w=window, K_v=gain))
        least = closed_form(r.kind, s, **_values(r, 1e6, window)).move_time
    rapid = max(whole - up - down - run_in, 0.0)
    quickest = up if r.kind == "exponential" else min(up, v / r.deceleration)
    return Move(start, target, v, up, rapid, down, run_in, least, quickest)


def _needed_gain(reference: Reference, distance: float, window: float, time: float) -> float:
    """Return the least velocity gain with which a move is in its window in time [1/s]."""
    if reference.kind == "staged":
        return 0.0

    def late(gain: float) -> float:
        return _followed(reference, 0.0, distance, gain, window).time - time

    low, high = _GAINS
    if not late(high) < 0.0:
        return math.inf
    if late(low) <= 0.0:
        return low
    return float(math.exp(optimize.brentq(lambda x: late(math.exp(x)), math.log(low),
                                          math.log(high), rtol=1e-12)))  # fmt: skip


def settled_after(requirement: RequirementFile, gain: float) -> float:
    """Return the time in which the longest move comes into its window with a velocity gain [s].

    Parameters
    ----------
    requirement : RequirementFile
        What is asked for.
    gain : float
        Velocity gain [1/s].

    Returns
    -------
    float
        The reference followed ideally, and what it leaves run in by a first-order lag.
    """
    longest = max(abs(target - start) for start, target in targets_of(requirement))
    window = requirement.accuracy.half_width
    return _followed(requirement.reference, 0.0, longest, gain, window).time


def pattern_of(requirement: RequirementFile, calc: Calculation) -> Pattern:
    """Return the moves of one cycle and the velocity gain that the longest of them needs.

    Parameters
    ----------
    requirement : RequirementFile
        What is asked for.
    calc : Calculation
        Keeps the steps of the longest move.

    Returns
    -------
    Pattern
        The moves.

    Raises
    ------
    ParameterError
        If nothing moves, or by steps.
    """
    reference, accuracy = requirement.reference, requirement.accuracy
    ways = targets_of(requirement)
    window = accuracy.half_width
    longest = max(abs(target - start) for start, target in ways)
    gain = _needed_gain(reference, longest, window, accuracy.settling_time)
    counted = gain if 0.0 < gain < math.inf else requirement.controller.velocity_gain
    counted = counted or 1.0
    moves = tuple(_followed(reference, *way, counted, window) for way in ways)
    found = Pattern(moves, max(moves, key=lambda one: one.distance), gain)
    _write(requirement, found, counted, calc)
    return found


def _write(requirement: RequirementFile, pattern: Pattern, gain: float, calc: Calculation) -> None:
    """Keep the steps of the longest move."""
    r, move, w = requirement.reference, pattern.longest, requirement.accuracy.half_width
    with calc.section("Motion: longest move"):
        calc.given("s", "longest move of the cycle", move.distance, "m", "requirement, [work]")
        calc.given(
            "K_v",
            "least velocity gain with which it is in the window in time",
            pattern.velocity_gain,
            "1/s",
            "root of the settling time" if r.kind != "staged" else "not read by stages",
            f"with the reference {r.kind}",
        )
        if r.kind in TIMED:
            _write_timed(r, move, gain, w, calc)
        else:
            _write_schedule(r, move, gain, w, calc)


def _write_timed(r: Reference, move: Move, gain: float, w: float, calc: Calculation) -> None:
    """Keep the steps of a move whose reference is one in time."""
    if r.kind == "trapezoid":
        v = calc.of(
            peak_velocity, v=r.velocity, s=move.distance, a=r.acceleration, d=r.deceleration
        )
        up = calc.of(ramp_time, "accelerating", v_p=v, a=r.acceleration)
        down = calc.of(ramp_time, "decelerating", v_p=v, a=r.deceleration)
        left = distance_left
        rates: dict[str, Any] = {"d": r.deceleration}
    else:
        v = _peak(r, move, calc)
        up = calc.of(smooth_ramp_time, "accelerating", v_p=v, a=r.acceleration, j=r.jerk)
        down = calc.of(smooth_ramp_time, "decelerating", v_p=v, a=r.deceleration, j=r.jerk)
        left = smooth_distance_left
        rates = {"d": r.deceleration, "j": r.jerk}
    time = calc.of(reference_time, s=move.distance, v_p=v, t_a=up, t_d=down)
    error = calc.of(left, v_p=v, K_v=gain, **rates)
    run_in = calc.of(run_in_time, e_0=error, w=w, K_v=gain)
    calc.of(settling_time_of, t_m=time, t_w=run_in)  # fmt: skip


def _write_schedule(r: Reference, move: Move, gain: float, w: float, calc: Calculation) -> None:
    """Keep the steps of a move whose reference acts over the remaining distance."""
    v = _peak(r, move, calc)
    known: dict[str, Any] = {"v": v, "a": r.acceleration, "s": move.distance, "K_v": gain, "w": w}
    if r.kind == "square_root":
        known["d"] = r.deceleration
    made = {"square_root": square_root_time, "exponential": exponential_time}.get(r.kind)
    # the formulas are those of a move long enough for all its phases
    if made is not None and math.isclose(made(**known), move.time, rel_tol=1e-9):
        calc.of(made, **known)
    else:
        calc.given("t_s", "time from the start to the window", move.time, "s",
                   f"closed form of the reference {r.kind}, phase by phase")  # fmt: skip


def _peak(r: Reference, move: Move, calc: Calculation) -> float:
    """Keep and return the peak velocity [m/s]."""
    found: float = calc.given(
        "v_p",
        "peak velocity",
        move.peak,
        "m/s",
        f"closed form of the reference {r.kind}",
        "the rapid velocity is reached"
        if move.peak >= r.velocity
        else "the move is too short for the rapid velocity",
    )
    return found
