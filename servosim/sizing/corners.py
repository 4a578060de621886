"""Corner points of a move in one direction, by the reference's phases.

Between the points of a reference with constant rates the force changes linearly with the velocity,
so that no state of the cycle needs more than its corners; a limited jerk gets a point more on each
of its bends.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from servosim.sizing.kinematics import reached_rate
from servosim.sizing.pattern import Pattern
from servosim.sizing.requirement import RequirementFile

PHASES = ("starting", "accelerating", "rapid", "decelerating", "stopping", "creeping")
_BENDS = ("acceleration falling", "deceleration rising")


class Corner(NamedTuple):
    """One point of a direction: phase, sizes of velocity and rate, static friction or not."""

    phase: str
    velocity: float
    acceleration: float
    static: bool
    duration: float


def corners_of(requirement: RequirementFile, pattern: Pattern, direction: float) -> list[Corner]:
    """Return the points of one direction, with the limits of its quickest move.

    Parameters
    ----------
    requirement : RequirementFile
        Reference and window.
    pattern : Pattern
        Moves of the cycle.
    direction : float
        One for extension, minus one for retraction; there must be a move in it.

    Returns
    -------
    list of Corner
        Sizes of velocity [m/s], acceleration along the motion [m/s2], and times of the phase in
        all moves of the direction [s].
    """
    r = requirement.reference
    moves = [one for one in pattern.moves if one.direction == direction]
    peak = max(moves, key=lambda one: one.peak)
    v = peak.peak
    up, rapid, down, run_in = (
        math.fsum(getattr(one, name) for one in moves)
        for name in ("accelerating", "rapid", "decelerating", "run_in")
    )
    gain = pattern.velocity_gain
    a, d, slow = r.acceleration, r.deceleration, 0.0
    creep = gain * requirement.accuracy.half_width if gain < math.inf else 0.0
    if r.kind == "s_curve":
        a, d = (float(reached_rate(a=one, v_p=v, j=r.jerk)) for one in (a, d))
        at_a, at_d = a**2 / (2.0 * r.jerk), d**2 / (2.0 * r.jerk)
        return [
            Corner("starting", 0.0, 0.0, True, 0.0),
            Corner("accelerating", v - at_a, a, False, up),
            Corner(_BENDS[0], v - 0.25 * at_a, 0.5 * a, False, 0.0),
            Corner("rapid", v, 0.0, False, rapid),
            Corner(_BENDS[1], v - 0.25 * at_d, -0.5 * d, False, 0.0),
            Corner("decelerating", v - at_d, -d, False, down),
            Corner("stopping", at_d, -d, False, 0.0),
            Corner("creeping", creep, 0.0, True, run_in),
        ]
    if r.kind == "exponential":
        d = v * (gain if gain < math.inf else requirement.controller.velocity_gain)
        slow = v  # it slows down less and less
    elif r.kind == "staged":
        creep = r.creep_velocity
    return [
        Corner("starting", 0.0, a, True, 0.0),
        Corner("accelerating", v, a, False, up),
        Corner("rapid", v, 0.0, False, rapid),
        Corner("decelerating", v, -d, False, down),
        Corner("stopping", slow, -d, False, 0.0),
        Corner("creeping", creep, 0.0, True, run_in),
    ]
