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

from servosim.motion._closed_forms import (
    closed_form,
    move_time,
    stopping_distance,
    stopping_time,
)
from servosim.motion._distance import (
    exponential_velocity,
    ramp,
    square_root_velocity,
    staged_velocity,
)
from servosim.motion._plans import (
    corners,
    plan_s_curve,
    plan_step,
    plan_trapezoid,
)
from servosim.motion._profile import (
    Profile,
    profile_at,
    write_s_curve,
    write_step,
    write_trapezoid,
)
from servosim.motion._stops import Schedule, Stop
from servosim.motion._values import READS

__all__ = [
    "READS",
    "Profile",
    "Schedule",
    "Stop",
    "closed_form",
    "corners",
    "exponential_velocity",
    "move_time",
    "plan_s_curve",
    "plan_step",
    "plan_trapezoid",
    "profile_at",
    "ramp",
    "square_root_velocity",
    "staged_velocity",
    "stopping_distance",
    "stopping_time",
    "write_s_curve",
    "write_step",
    "write_trapezoid",
]
