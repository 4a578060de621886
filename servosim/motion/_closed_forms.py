"""Stopping distances, stopping times and move times for every kind of reference."""

from __future__ import annotations

from servosim.motion._stops import Schedule, move, stop
from servosim.motion._values import READS, check_finite, check_kind, checked


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
    check_kind(kind)
    check_finite(kind, travel=travel)
    values = checked(kind, READS[kind], {k: x for k, x in given.items() if x is not None})
    peak, time, left = move(kind, abs(float(travel)), values)
    return Schedule(kind, abs(float(travel)), peak, time, left, stop(kind, values))


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
    check_kind(kind)
    names = tuple(n for n in READS[kind] if n not in ("acceleration", "window"))
    return stop(kind, checked(kind, names, values)).distance


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
    check_kind(kind)
    names = tuple(n for n in READS[kind] if n != "acceleration")
    return stop(kind, checked(kind, names, values)).time


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
    check_kind(kind)
    check_finite(kind, travel=travel)
    return move(kind, abs(float(travel)), checked(kind, READS[kind], values))[1]
