"""What is read, noted and kept at a sample: the record, the events and the sums for the figures."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim import _figure_sums as sums
from servosim import _sequence as sequence
from servosim._equations import AxisParameters
from servosim._jit import kernel
from servosim._lanes import get, put, some, where
from servosim.components.load import brake_force
from servosim.components.lock import CHECK
from servosim.components.transducer import pressure_sample, rounded

# columns of the record, one row a sample
RECORD = (
    "command",
    "spool_command",
    "measured_position",
    "reference_position",
    "reference_velocity",
    "reference_acceleration",
    "measured_pressure_a",
    "measured_pressure_b",
    "lock_phase",
    "lock_area_a",
    "lock_area_b",
    "thrust",
    "normal_thrust",
    "brake",
    "brake_position",
    "sampled_integral",
    "merged_a",
    "merged_b",
)
N_RECORD = len(RECORD)

# events: time, value, limit
CAVITATION, END_STOP, BRAKE_SLIP, CHECK_STAYS_SHUT, CHECK_A_PASSES, CHECK_B_PASSES = range(6)
N_EVENTS = 6


@kernel
def _note(event: NDArray[np.float64], here: bool, t: float, value: float, limit: float) -> None:
    """Keep the first occurrence of an event and count its samples."""
    first = here & (event[3] == 0.0)
    event[0], event[1] = where(first, t, event[0]), where(first, value, event[1])
    event[2] = where(first, limit, event[2])
    event[3] += where(here, 1.0, 0.0)


@kernel
def watch(
    t: float,
    here: bool,
    x: NDArray[np.float64],
    d: NDArray[np.float64],
    events: NDArray[np.float64],
    p: AxisParameters,
) -> None:
    """Note what a user must know about this sample."""
    i = p.index
    lowest = x[i.pressure_a]
    if p.cylinder.has_b == 1:
        lowest = min(lowest, x[i.pressure_b])
    x_p = x[i.piston_position]
    inside = min(max(x_p, 0.0), p.cylinder.L)
    thin, beyond = lowest < p.oil.p_release, x_p != inside
    if some(thin | beyond):
        _note(events[CAVITATION], here & thin, t, lowest, p.oil.p_release)
        _note(events[END_STOP], here & beyond, t, x_p, inside)
    if p.lock.brake == 1:
        anchor, x_t = d[sequence.BRAKE_POSITION], x[i.table_position]
        force = brake_force(x_t, x[i.table_velocity], d[sequence.BRAKE], anchor, p.load)
        slips = (d[sequence.BRAKE] == 1.0) & (abs(force) >= p.load.F_b)
        _note(events[BRAKE_SLIP], here & slips, t, force, p.load.F_b)
    shut = d[sequence.BLOCKED] == 1.0
    if some(shut):
        p_S = x[i.supply_pressure]
        _note(events[CHECK_STAYS_SHUT], here & shut, t, x[i.pressure_a], p_S)
    if p.lock.kind == CHECK:
        held, least = p.lock.p_cr, 1.001 * p.lock.p_cr + 1e3
        locked = here & (d[sequence.PHASE] == sequence.LOCKED)
        over = x[i.line_pressure_a] - x[i.pressure_a]
        _note(events[CHECK_A_PASSES], locked & (over > least), t, over, held)
        over = x[i.line_pressure_b] - x[i.pressure_b]
        _note(events[CHECK_B_PASSES], locked & (over > least), t, over, held)


@kernel
def read(
    k: float,
    reading: float,
    x: NDArray[np.float64],
    noise: NDArray[np.float64],
    replay: NDArray[np.float64],
    readings: NDArray[np.float64],
    counts: NDArray[np.int64],
    p: AxisParameters,
) -> tuple[float, float, float]:
    """Return what the controller sees of position and pressures at sample k, see :func:`run`."""
    late, n_noise, n_replay = counts[2], counts[3], counts[4]
    s, i = p.transducer, p.index
    y, p_A, p_B = reading, 0.0 * reading, 0.0 * reading
    if late > 0:
        put(readings, k, 0, reading)
        y = get(readings, max(k - late, 0.0), 0)
    if s.has_pressure == 1:
        p_A, p_B = x[i.pressure_reading_a], x[i.pressure_reading_b]
    if p.controller.sampled == 0:
        return y, p_A, p_B
    n_y = n_A = n_B = 0.0 * y
    if n_noise > 0:
        row = min(k, n_noise - 1.0)
        n_y, n_A, n_B = get(noise, row, 0), get(noise, row, 1), get(noise, row, 2)
    y = rounded(y + s.noise * n_y, s.resolution)
    if s.has_pressure == 1:
        p_A, p_B = pressure_sample(p_A, n_A, s), pressure_sample(p_B, n_B, s)
    if n_replay > 0:
        row, seen = min(k, n_replay - 1.0), k < n_replay
        y = where(seen, get(replay, row, 0), y)
        p_A = where(seen, get(replay, row, 1), p_A)
        p_B = where(seen, get(replay, row, 2), p_B)
    return y, p_A, p_B


@kernel
def begin_sums(
    x: NDArray[np.float64],
    gathered: NDArray[np.float64],
    extremes: NDArray[np.float64],
    p: AxisParameters,
) -> None:
    """Write the sums and extremes of a run that begins."""
    for side in range(2):
        value = x[p.index.pressure_a] if side == 0 else x[p.index.pressure_b]
        extremes[side, 0] = extremes[2 + side, 0] = value
        extremes[side, 1] = extremes[2 + side, 1] = 0.0
    for j in range(len(sums.NOTHING_GATHERED)):
        gathered[j] = sums.NOTHING_GATHERED[j]
    gathered[sums.DRAWN_FIRST] = x[p.index.drawn_volume]


@kernel
def gather(
    here: bool, u: float, x: NDArray[np.float64], gathered: NDArray[np.float64], p: AxisParameters
) -> None:
    """Gather for the figures what this sample adds."""
    i = p.index
    second = i.pressure_b if p.cylinder.has_b == 1 else i.pressure_a
    before = (gathered[0], gathered[1], gathered[2], gathered[3], gathered[4])
    pressures = (x[i.supply_pressure], x[i.pressure_a], x[second])
    limit = sums.command_limit(p.controller.u_max)
    drawn, release = x[i.drawn_volume], p.oil.p_release
    lowest, below, limited, growth, last = sums.gather(before, *pressures, drawn, u, release, limit)
    gathered[0], gathered[1] = where(here, lowest, before[0]), where(here, below, before[1])
    gathered[2], gathered[3] = where(here, limited, before[2]), where(here, growth, before[3])
    gathered[4] = where(here, last, before[4])


@kernel
def end_sums(
    x: NDArray[np.float64],
    gathered: NDArray[np.float64],
    extremes: NDArray[np.float64],
    p: AxisParameters,
) -> None:
    """Add to the sums of a run what is known at its end."""
    i = p.index
    gathered[sums.ENERGY], gathered[sums.WORK] = x[i.supplied_energy], x[i.mechanical_work]
    gathered[sums.HEAT] = x[i.heat]
    for j in range(4):
        gathered[sums.HIGHEST_A + j] = extremes[j, 0]


@kernel
def keep(
    k: float,
    x: NDArray[np.float64],
    w: Any,
    row: NDArray[np.float64],
    X: NDArray[np.float64],
    R: NDArray[np.float64],
    n_states: int,
) -> None:
    """Write all states and the record of sample k."""
    row[9], row[10], row[11], row[12] = w.area_a, w.area_b, w.thrust, w.normal
    row[13], row[14] = w.brake, w.brake_position
    row[16], row[17] = w.merged_a, w.merged_b
    for j in range(N_RECORD):
        put(R, k, j, row[j])
    for j in range(n_states):
        put(X, k, j, x[j])
