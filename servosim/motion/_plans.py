"""Plans of the references in time: checked arguments in, read-only profiles out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from servosim.motion._profile import Profile, write_s_curve, write_step, write_trapezoid
from servosim.motion._values import READS, check_finite, checked


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
    check_finite("step", start=start, target=target, t_start=t_start)
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
    check_finite("trapezoid", start=start, target=target, t_start=t_start)
    given = {"velocity": velocity, "acceleration": acceleration, "deceleration": deceleration}
    v, a, d = checked("trapezoid", READS["trapezoid"], given).values()
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
    check_finite("s_curve", start=start, target=target, t_start=t_start)
    given = {
        "velocity": velocity,
        "acceleration": acceleration,
        "deceleration": deceleration,
        "jerk": jerk,
    }
    v, a, d, j = checked("s_curve", READS["s_curve"], given).values()
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
