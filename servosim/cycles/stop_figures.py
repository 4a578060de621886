"""Figures of a stop: way, time, pressures, and the balance of its energies."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import simpson

from servosim import _sequence as sequence
from servosim._parts import ACCUMULATOR
from servosim._record import record
from servosim.components.load import GRAVITY, LoadParameters, counterbalance_force
from servosim.cycles.figures import STOP_FIGURES
from servosim.metrics import metrics
from servosim.result import Run

STOPPED = 0.01  # of the velocity at the fault: below it the table counts as stopped
STILL = 0.1  # s, shortest rest at the end

Array = NDArray[np.float64]


def figures_of(run: Run, fault_time: float, target: float) -> dict[str, float]:
    """Return the figures of a stop.

    Parameters
    ----------
    run : Run
        The run from the fault on.
    fault_time : float
        Time of the fault from the start of the move [s].
    target : float
        Target of that move [m].

    Returns
    -------
    dict of str to float
        Figures of ``STOP_FIGURES`` [SI]; nan where there is none.
    """
    found = dict.fromkeys(STOP_FIGURES, math.nan)
    x, v, t = run.state("table_position"), run.state("table_velocity"), run.time
    sign = math.copysign(1.0, v[0])
    way, speed = sign * (x - x[0]), sign * v
    found["fault_time"], found["fault_position"] = fault_time, float(x[0])
    found["fault_velocity"] = float(v[0])
    found["stopping_distance"], found["stopping_time"] = _stop(t, way, speed)
    # between two samples the table stops a little beyond the farther of them
    found["farthest"] = max(float(way.max()), float(np.nan_to_num(found["stopping_distance"])))
    found["rest_time"] = rest_time(run)
    found["end_position"], found["end_velocity"] = float(x[-1]), float(v[-1])
    found["end_error"] = target - float(x[-1])
    if len(t) > 1:
        period = run.axis.parameters.controller.period
        found["deceleration_peak"] = float(-np.diff(speed).min() / period)
    traces = run.traces
    struck = np.abs(traces["end_stop_force"])
    piston = run.state("piston_position")
    beyond = (piston < 0.0) | (piston > run.axis.parameters.cylinder.L)
    if beyond.any():
        k = max(int(np.argmax(beyond)) - 1, 0)
        found["end_stop_velocity"] = float(run.state("piston_velocity")[k])
        found["end_stop_force"] = float(struck.max())
    named = metrics(run)
    for name in ("pressure_max", "pressure_min", "supply_pressure_min", "cavitation_time"):
        value = named[name].value
        found[name] = math.nan if value is None else value
    lines = [traces["line_pressure_a"].max(), traces["line_pressure_b"].max()]
    found["line_pressure_max"] = float(max(lines))
    found["lock_time"] = float(run.memory[sequence.T_LOCKED])
    if not (run.axis.parameters.lock.kind or run.axis.parameters.lock.brake):
        found["lock_time"] = math.nan
    found.update(_energies(run, traces))
    return found


def _stop(t: Array, way: Array, speed: Array) -> tuple[float, float]:
    """Return way and time of the first stop, with the speed straight between the samples."""
    least = STOPPED * speed[0]
    stopped = speed <= least
    if not stopped.any() or not speed[0] > 0.0:
        return math.nan, math.nan
    k = int(np.argmax(stopped))
    part = (t[k] - t[k - 1]) * (speed[k - 1] - least) / (speed[k - 1] - speed[k])
    return float(way[k - 1] + 0.5 * part * (speed[k - 1] + least)), float(t[k - 1] + part)


def rest_time(run: Run) -> float:
    """Return from when on the table stays where it ends, nan if it still moves."""
    x, window = run.state("table_position"), run.move.window
    away = np.abs(x - x[-1]) > window
    k = len(x) - int(np.argmax(away[::-1])) if away.any() else 0
    return float(run.time[k]) if k < len(x) and run.time[-1] - run.time[k] >= STILL else math.nan


def _energies(run: Run, traces: dict[str, Array]) -> dict[str, float]:
    """Return kinetic energies and works; sums over the samples by Simpson's rule."""
    load, t = run.axis.parameters.load, run.time
    v_t, v_p = run.state("table_velocity"), run.state("piston_velocity")
    kinetic = 0.5 * load.M_t * v_t**2 + 0.5 * load.M_p * v_p**2

    def work(force: str, velocity: Array) -> float:
        return float(simpson(traces[force] * velocity, x=t)) if len(t) > 1 else 0.0

    x, x_p = run.state("table_position"), run.state("piston_position")
    gravity = GRAVITY * load.sin * (load.M_t * (x[-1] - x[0]) + load.M_g * (x_p[-1] - x_p[0]))
    gravity -= _carried(float(x[0]), float(x[-1]), load)
    oil = run.state("mechanical_work")
    found = {
        "kinetic_energy": float(kinetic[0]),
        "kinetic_energy_end": float(kinetic[-1]),
        "oil_work": float(oil[-1] - oil[0]),
        "friction_work": work("friction_force", v_t),
        "brake_work": work("brake_force", v_t),
        "end_stop_work": work("end_stop_force", v_p),
        "thrust_work": work("thrust", v_t),
        "gravity_work": float(gravity),
    }
    spent = sum(found[f"{name}_work"] for name in ("friction", "brake", "end_stop", "thrust"))
    found["balance"] = (
        found["kinetic_energy"]
        + found["oil_work"]
        - spent
        - found["gravity_work"]
        - found["kinetic_energy_end"]
    )
    return found


def _carried(begin: float, end: float, load: LoadParameters) -> float:
    """Return the work of a counterbalance over a way [J]."""
    if load.cb == ACCUMULATOR:
        path, block = np.linspace(begin, end, 201), record(load)
        return float(np.trapezoid([counterbalance_force(x, block) for x in path], path))
    return load.F_cb * (end - begin)
