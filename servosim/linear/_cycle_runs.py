"""Runs that confirm or refute a limit cycle: an axis with one nonlinearity left, and a step."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim.axis import Axis
from servosim.result import Status
from servosim.simulate import simulate

Array = NDArray[np.float64]

_PERIODS = 60.0  # of the predicted swing that a run lasts
_DECAYS = 25.0  # time constants 1/K_v that it lasts at least
_BY_INTEGRAL = 300.0  # times K_v/K_i: an integral that sticks and slips takes its time
_LONGEST = 40.0  # s
_KEPT = 0.9  # of a swing that must be left a quarter of the run later
_LEAST = 1e-3  # of the step: what is smaller counts as rest
_SMALLEST = 1e-9  # m
_REVERSALS = 6  # crossings of the middle in the second half of the run

_PLAYS: dict[str, Any] = {"valve.threshold": 0.0, "valve.hysteresis": 0.0}
_OVERLAP: dict[str, Any] = {
    **{f"valve.overlap_{n}": 0.0 for n in ("pa", "bt", "pb", "at")},
    "controller.overlap_compensation": 0.0,
}
_FRICTION: dict[str, Any] = {
    "table.coulomb_coefficient": 0.0,
    "table.static_coefficient": 0.0,
    "cylinder.seal_friction": 0.0,
    "cylinder.seal_breakaway": 0.0,
    "cylinder.seal_pressure_friction": 0.0,
}
_NULL: dict[str, Any] = {
    "valve.null_bias": 0.0,
    "valve.null_shift_temperature": 0.0,
    "valve.null_shift_pressure": 0.0,
    "controller.null_trim": 0.0,
}
_QUIET: dict[str, Any] = {
    "transducer.noise": 0.0,
    "valve.dither_amplitude": 0.0,
    "lock.kind": "none",
    "lock.brake": "none",
    "thrust.mode": "none",
    "reference.kind": "step",
}
_PARTS: dict[str, dict[str, Any]] = {
    "overlap": _OVERLAP,
    "plays": _PLAYS,
    "friction": _FRICTION,
    "rounding": {"transducer.resolution": 0.0},
    "pressure rounding": {"transducer.pressure_resolution": 0.0},
}


@dataclass(frozen=True)
class Seen:
    """What a simulation showed.

    Attributes
    ----------
    swings : bool
        Whether the table still swings at the end, no less than before.
    amplitude : float
        Half of its travel from peak to peak in the last quarter of the run [m].
    frequency : float
        Frequency of the swing [rad/s], nan if it doesn't swing.
    step : float
        Step of the reference that started it [m].
    duration : float
        Length of the run [s].
    """

    swings: bool
    amplitude: float
    frequency: float
    step: float
    duration: float


def quiet(axis: Axis) -> Axis:
    """Return an axis whose loop is alive for the whole run, without noise, dither and thrust."""
    changes = dict(_QUIET)
    if axis.file.valve.dither_amplitude == 0.0:
        del changes["valve.dither_amplitude"]
    if axis.file.transducer.pressure != "none":
        changes["transducer.pressure_noise"] = 0.0
    return axis.replace(changes)


def isolated(axis: Axis, *kept: str) -> Axis:
    """Return a quiet axis that keeps some of its nonlinearities.

    Parameters
    ----------
    axis : Axis
        The axis.
    *kept : str
        Which parts stay: ``overlap``, ``plays``, ``friction``, ``rounding``, ``pressure rounding``.
        Limits always stay; null bias and cyclic error never do.

    Returns
    -------
    Axis
        A new axis.
    """
    changes: dict[str, Any] = {**_NULL, "transducer.cyclic_error": 0.0}
    for name, values in _PARTS.items():
        if name == "pressure rounding" and axis.file.transducer.pressure == "none":
            continue
        if name not in kept:
            changes |= values
    if axis.file.structure.masses == "two":
        changes["structure.backlash"] = 0.0
    return quiet(axis).replace(changes)


def swing(axis: Axis, position: float, step: float, frequency: float = math.nan) -> Seen:
    """Return what becomes of a step.

    Parameters
    ----------
    axis : Axis
        Axis made by :func:`isolated` or :func:`quiet`.
    position : float
        Where it starts [m].
    step : float
        Step of the reference [m].
    frequency : float, optional
        Frequency of the swing that is expected [rad/s]; it sets the length of the run.

    Returns
    -------
    Seen
        What the table does in the second half of the run.

    Raises
    ------
    SimulationError
        If the run doesn't reach its end.
    """
    stroke = axis.file.cylinder.stroke
    step = min(step, 0.4 * stroke)
    target = position + step if position + step <= stroke else position - step
    c = axis.parameters.controller
    length = _DECAYS / c.K_v
    if math.isfinite(frequency):
        length = max(length, _PERIODS * 2.0 * math.pi / frequency)
    if c.K_i > 0.0:
        length = max(length, _BY_INTEGRAL * c.K_v / c.K_i)
    length = float(np.clip(length, 1.0, _LONGEST))
    move = {"move.start": position, "move.target": target, "move.duration": length}
    run = simulate(axis.replace(move), on_failure="return")
    if run.status != Status.COMPLETE:
        return Seen(True, math.inf, math.nan, step, length)  # it ran away
    return seen(run.time, run.state("table_position"), step)


def seen(time: Array, x: Array, step: float) -> Seen:
    """Return whether a trace still swings, and how.

    Parameters
    ----------
    time : ndarray, shape (n_t,)
        Times of a whole run [s].
    x : ndarray, shape (n_t,)
        Position of the table [m].
    step : float
        Step that started it [m].

    Returns
    -------
    Seen
        From the last two quarters of the run. A swing is one that crosses its middle again and
        again and has not lost a tenth of its travel from one quarter to the next.
    """
    n = len(x)
    third, last = x[n // 2 : 3 * n // 4], x[3 * n // 4 :]
    travel, before = float(np.ptp(last)), float(np.ptp(third))
    length = float(time[-1] - time[0])
    half = x[n // 2 :]
    at, up = _crossings(time[n // 2 :], half)
    least = max(_LEAST * abs(step), _SMALLEST)
    lasting = travel >= _KEPT * before and 0.5 * travel > least and len(at) >= _REVERSALS
    frequency = math.nan
    if lasting and len(up) > 1:
        frequency = 2.0 * math.pi * (len(up) - 1) / float(up[-1] - up[0])
    return Seen(lasting, 0.5 * travel, frequency, step, length)


def _crossings(time: Array, x: Array) -> tuple[Array, Array]:
    """Return the times at which a trace passes its middle, and those upward, small turns left out.

    It has passed once it is a tenth of its travel beyond.
    """
    middle = 0.5 * (np.max(x) + np.min(x))
    band = 0.1 * np.ptp(x)
    side = np.where(x > middle + band, 1, np.where(x < middle - band, -1, 0))
    places = np.flatnonzero(side)
    turns = np.flatnonzero(np.diff(side[places]))
    at = time[places[turns + 1]]
    upward = side[places[turns + 1]] > 0
    return at, at[upward]
