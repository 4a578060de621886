"""The line of the table that one position gives, from its run."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from servosim import _sequence as sequence
from servosim._figure_spans import sample_at, sample_before
from servosim.cycles.figures import COLUMNS
from servosim.cycles.moves import auxiliary_span, feed_span, has_lock
from servosim.cycles.positions import Position
from servosim.metrics import metrics
from servosim.program import TIMED
from servosim.result import Run

# columns that are figures of a move under a name of their own
_FIGURES = {
    "move_time": "lock_time",
    "settled": "settled",
    "settling_time": "settling_time",
    "overshoot": "overshoot",
    "error_before_lock": "resting_error",
    "error_locked": "resting_error_locked",
    "lock_shift": "lock_shift",
    "deflection": "thrust_deflection",
    "drift": "hold_drift",
    "drift_rate": "hold_drift_rate",
    "energy": "energy",
    "work": "work",
    "heat": "heat",
    "flow_mean": "flow_mean",
    "flow_peak": "flow_peak",
    "supply_pressure_min": "supply_pressure_min",
    "pressure_max": "pressure_max",
    "pressure_min": "pressure_min",
    "cavitation_time": "cavitation_time",
    "valve_saturation": "valve_saturation",
}
# what a point that is only run through has no use for
_IN_PLACE = (
    "settled",
    "settling_time",
    "move_time",
    "error_before_lock",
    "error_locked",
    "lock_shift",
)


def row_of(run: Run, position: Position, begin: float) -> tuple[float, ...]:
    """Return the columns of a position.

    Parameters
    ----------
    run : Run
        The part of the cycle that belongs to it, from the start of its move to its release.
    position : Position
        The position.
    begin : float
        Time of the cycle at which it begins [s].

    Returns
    -------
    tuple of float
        In the order of ``COLUMNS`` [SI], nan where there is nothing.
    """
    found = dict.fromkeys(COLUMNS, math.nan)
    figures = metrics(run)
    for column, name in _FIGURES.items():
        value = figures[name].value
        if value is not None and not (position.overrun and column in _IN_PLACE):
            found[column] = value
    index, states = run.axis.parameters.index, run.states
    found["line"], found["overrun"] = float(position.line), float(position.overrun)
    found["begin"], found["time"] = begin, float(run.time[-1])
    found["start"], found["target"] = run.move.start, run.move.target
    found["drawn_volume"] = float(states[-1, index.drawn_volume] - states[0, index.drawn_volume])
    found["oil_temperature"] = run.axis.file.oil.temperature
    found["tank_temperature"] = float(states[-1, index.tank_temperature])
    if "gas_temperature" in run.axis.states:
        found["gas_temperature"] = float(states[-1, index.gas_temperature])
    _under_thrust(run, found)
    _bump(run, found)
    if position.overrun:
        found["time_moving"] = found["time"]
    else:
        _shares(run, position, found)
    return tuple(found.values())


def _under_thrust(run: Run, found: dict[str, float]) -> None:
    """Add the error under thrust: that before the thrust, less the deflection."""
    if math.isnan(found["deflection"]):
        return
    push = run.memory[sequence.T_LOCKED] + run.move.thrust_t[0]
    before = run.state("table_position")[sample_before(push, run.axis.parameters.controller.period)]
    found["error_under_thrust"] = float(run.move.target - before - found["deflection"])


def _bump(run: Run, found: dict[str, float]) -> None:
    """Add the largest departure from the command to open to the end."""
    opens = run.memory[sequence.T_OPEN]
    if math.isnan(opens):
        return
    x: NDArray[np.float64] = run.state("table_position")
    away = x[sample_at(opens, run.axis.parameters.controller.period) :]
    away = away - away[0]
    found["unlock_bump"] = float(away[np.argmax(np.abs(away))])


def _shares(run: Run, position: Position, found: dict[str, float]) -> None:
    """Add where the time of the position goes."""
    memory, move = run.memory, run.move
    locked = float(memory[sequence.T_LOCKED])
    close = float(memory[sequence.T_CLOSE]) if has_lock(run.axis) else locked
    if move.kind == TIMED:
        arrived = max(move.profile.t_end, 0.0)
    else:
        arrived = float(memory[sequence.T_INSIDE])  # nan for a lock that closes ahead
    arrived = close if math.isnan(arrived) else min(arrived, close)
    auxiliary, feed = auxiliary_span(position), feed_span(run.axis, position)
    found["time_moving"], found["time_settling"] = arrived, close - arrived
    found["time_locking"], found["time_auxiliary"] = locked - close, auxiliary
    found["time_feed"], found["time_dwell"] = feed, position.dwell
    # what is left of a sample at the end of the hold belongs here
    found["time_release"] = found["time"] - locked - move.hold_time
