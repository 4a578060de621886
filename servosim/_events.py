"""What happened in a run, in words: its status and its events, each with a remedy."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from servosim import _integrate, _sequence
from servosim._step import MOST_STEPS, QUADRATURE_STATES
from servosim.axis import STATE_UNITS, Axis
from servosim.components.lock import CHECK
from servosim.program import Move
from servosim.result import Event, Status

# size of each state against which the error of a step counts; pressures relative to 100 bar
SCALES = {
    "spool": 3.0,
    "spool_rate": 1000.0,
    "pressure_a": 1e7,
    "pressure_b": 1e7,
    "line_pressure_a": 1e7,
    "line_pressure_b": 1e7,
    "pump_pressure": 1e7,
    "supply_pressure": 1e7,
    "pump_flow": 1e-3,
    "gas_temperature": 300.0,
    "tank_temperature": 300.0,
    "piston_position": 1e-3,
    "piston_velocity": 0.1,
    "table_position": 1e-3,
    "table_velocity": 0.1,
    "way_bristle": 3e-3,
    "seal_bristle": 3e-3,
    "scale_reading": 1e-2,
    "pressure_reading_a": 1e7,
    "pressure_reading_b": 1e7,
    "integral": 0.01,
    "filtered_position": 1e-3,
    "filtered_velocity": 0.1,
    "slow_pressure": 1e7,
    "load_estimate": 1e7,
    "supplied_energy": 1.0,
    "mechanical_work": 1.0,
    "heat": 1.0,
    "drawn_volume": 1.0,
}


def message(axis: Axis, status: Status, t: float, x: NDArray[np.float64]) -> str:
    """Return the sentence for a status."""
    if status == Status.COMPLETE:
        return f"The move ran to its end at {t:.3f} s."
    if status == Status.INTERRUPTED:
        return f"The move was interrupted at {t:.3f} s; what was computed is kept."
    names = axis.states[: axis.parameters.n_x - QUADRATURE_STATES]
    sizes = [abs(x[getattr(axis.parameters.index, n)]) / SCALES[n] for n in names]
    name = names[int(np.argmax(sizes))]
    value = f"{x[getattr(axis.parameters.index, name)]:.6g} {STATE_UNITS[name]}"
    if status == Status.NOT_FINITE:
        return (
            f"The state stopped being a finite number at {t:.6f} s; the largest one before was "
            f"{name} = {value}. A parameter is probably out of its range (bristle or "
            "coupling too stiff, volume or mass too small): try the values one by one."
        )
    return (
        f"At {t:.6f} s one sample needed more than {MOST_STEPS} steps; the largest state was "
        f"{name} = {value}. A pole is too fast for the sample (bristle, "
        "coupling, end stop or a volume near zero): soften it, or enlarge the volume."
    )


def _check_passes(
    axis: Axis, record: NDArray[np.float64], states: NDArray[np.float64]
) -> list[Event]:
    """Return an event if closed checks let oil pass from the lines into the chambers."""
    p, found = axis.parameters, []
    if p.lock.kind != CHECK:
        return []
    locked = record[:, _integrate.RECORD.index("lock_phase")] == _sequence.LOCKED
    for side in ("a", "b"):
        chamber = states[:, getattr(p.index, f"pressure_{side}")]
        over = states[:, getattr(p.index, f"line_pressure_{side}")] - chamber
        passing = locked & (over > 1.001 * p.lock.p_cr + 1e3)
        if passing.any():
            k = int(np.argmax(passing))
            time = k * p.controller.period
            sentence = (
                f"Locked, check {side.upper()} lets oil pass from {time:.3f} s on: its line stands "
                f"{over[k] / 1e5:.2f} bar above the chamber, the spring holds "
                f"{p.lock.p_cr / 1e5:.2f} bar. A closed valve centre leaves both lines "
                "near half the supply pressure: "
                "vent them, or let the load bring the chambers above that."
            )
            value, count = float(over[k]), int(passing.sum())
            name = f"line_pressure_{side}"
            found.append(Event("check_passes", time, name, value, p.lock.p_cr, count, sentence))
    return found


def events_of(
    axis: Axis,
    move: Move,
    noted: NDArray[np.float64],
    memory: NDArray[np.float64],
    record: NDArray[np.float64],
    states: NDArray[np.float64],
) -> tuple[Event, ...]:
    """Return what happened on the way, in words."""
    found = []

    def add(kind: str, row: NDArray[np.float64], state: str, sentence: str) -> None:
        found.append(
            Event(kind, float(row[0]), state, float(row[1]), float(row[2]), int(row[3]), sentence)
        )

    row = noted[_integrate.CAVITATION]
    if row[3]:
        index = axis.parameters.index
        k = min(round(row[0] / axis.parameters.controller.period), len(states) - 1)
        side = "pressure_a" if states[k, index.pressure_a] <= row[1] else "pressure_b"
        add(
            "cavitation",
            row,
            side,
            f"The oil cavitates: {side} = {row[1] / 1e5:.2f} bar at {row[0]:.3f} s is below the "
            f"air release pressure of {row[2] / 1e5:.2f} bar (gauge). Decelerate less, raise the "
            "supply or return pressure, or choose a smaller valve.",
        )
    row = noted[_integrate.END_STOP]
    if row[3]:
        add(
            "end_stop",
            row,
            "piston_position",
            f"The piston ran into its end stop: {row[1] * 1e3:.3f} mm at {row[0]:.3f} s, the "
            f"stroke ends at {row[2] * 1e3:.1f} mm. Check the target, the gain's "
            "sign and the overshoot.",
        )
    row = noted[_integrate.BRAKE_SLIP]
    if row[3]:
        add(
            "brake_slip",
            row,
            "table_position",
            f"The holding brake slips at {row[0]:.3f} s: it would have to hold more than "
            f"{row[2]:.0f} N. Choose a stronger brake or less load.",
        )
    row = noted[_integrate.CHECK_STAYS_SHUT]
    if row[3]:
        add(
            "check_stays_shut",
            row,
            "pressure_a",
            f"A pilot-operated check does not open at {row[0]:.3f} s: the pilot pressure of "
            f"{row[2] / 1e5:.1f} bar does not lift it against the locked pressure. Choose a larger "
            "pilot ratio or match the pressures first.",
        )
    found.extend(_check_passes(axis, record, states))
    limit = 0.999 * min(axis.parameters.controller.u_max, 1.0)
    saturated = np.abs(record[:, 0]) >= limit
    if saturated.any():
        first = int(np.argmax(saturated))
        add(
            "valve_saturation",
            np.array(
                [
                    first * axis.parameters.controller.period,
                    record[first, 0],
                    limit,
                    saturated.sum(),
                ]
            ),
            "spool",
            f"The command is at its limit for {100 * saturated.mean():.1f} % of the time, first at "
            f"{first * axis.parameters.controller.period:.3f} s. Ask for less velocity or "
            "acceleration, or choose a larger valve.",
        )
    if axis.parameters.lock.kind or axis.parameters.lock.brake:
        end = len(record) * axis.parameters.controller.period
        if np.isnan(memory[_sequence.T_LOCKED]):
            error = abs(record[-1, 2] - move.target) if len(record) else np.nan
            add(
                "lock_never_closed",
                np.array([end, error, axis.parameters.lock.window, 1.0]),
                "scale_reading",
                f"The lock never closed: the error is still {error * 1e6:.2f} um at the end. Give "
                "the move more time, a wider lock window, or more gain.",
            )
        elif np.isnan(memory[_sequence.T_FREE]) and not np.isnan(memory[_sequence.T_OPEN]):
            add(
                "lock_never_opened",
                np.array([memory[_sequence.T_OPEN], 0.0, 0.0, 1.0]),
                "line_pressure_a",
                "The lock was told to open and isn't open at the end of the move.",
            )
    return tuple(found)
