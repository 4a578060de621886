"""What happened in a run, in words: its status and its events, each with a remedy."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from servosim import _samples, _sequence
from servosim._equations import STATE_UNITS
from servosim._step import MOST_STEPS, QUADRATURE_STATES
from servosim.axis import Axis
from servosim.program import Move
from servosim.result import Event, Status

HIGHEST_PRESSURE = 400e5  # validity of the oil's equations, Pa
# size of each state against which the error of a step counts; pressures relative to 100 bar
SCALES = {
    "spool": 3.0,
    "spool_rate": 1000.0,
    "pressure_a": 1e7,
    "pressure_b": 1e7,
    "line_pressure_a": 1e8,  # a line holds a hundredth of what moves the table
    "line_pressure_b": 1e8,
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


def _check_passes(noted: NDArray[np.float64]) -> list[Event]:
    """Return an event if closed checks let oil pass from the lines into the chambers."""
    found = []
    for side, row in (("a", _samples.CHECK_A_PASSES), ("b", _samples.CHECK_B_PASSES)):
        time, over, held, count = noted[row]
        if count:
            sentence = (
                f"Locked, check {side.upper()} lets oil pass from {time:.3f} s on: its line stands "
                f"{over / 1e5:.2f} bar above the chamber, the spring holds "
                f"{held / 1e5:.2f} bar. A closed valve centre leaves both lines "
                "near half the supply pressure: "
                "vent them, or let the load bring the chambers above that."
            )
            name = f"line_pressure_{side}"
            found.append(
                Event("check_passes", time, name, float(over), float(held), int(count), sentence)
            )
    return found


def events_of(
    axis: Axis,
    move: Move,
    noted: NDArray[np.float64],
    memory: NDArray[np.float64],
    record: NDArray[np.float64],
    states: NDArray[np.float64],
    extremes: NDArray[np.float64],
    complete: bool,
) -> tuple[Event, ...]:
    """Return what happened on the way, in words; of a run that broke off not what it never did."""
    found = []

    def add(kind: str, row: NDArray[np.float64], state: str, sentence: str) -> None:
        found.append(
            Event(kind, float(row[0]), state, float(row[1]), float(row[2]), int(row[3]), sentence)
        )

    row = noted[_samples.CAVITATION]
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
    row = noted[_samples.END_STOP]
    if row[3] and not (row[0] == 0.0 and abs(row[1] - row[2]) < 1e-4):  # it may start at the end
        add(
            "end_stop",
            row,
            "piston_position",
            f"The piston ran into its end stop: {row[1] * 1e3:.3f} mm at {row[0]:.3f} s, the "
            f"stroke ends at {row[2] * 1e3:.1f} mm. Check the target, the gain's "
            "sign and the overshoot.",
        )
    row = noted[_samples.BRAKE_SLIP]
    if row[3]:
        add(
            "brake_slip",
            row,
            "table_position",
            f"The holding brake slips at {row[0]:.3f} s: it would have to hold more than "
            f"{row[2]:.0f} N. Choose a stronger brake or less load.",
        )
    row = noted[_samples.CHECK_STAYS_SHUT]
    if row[3]:
        add(
            "check_stays_shut",
            row,
            "pressure_a",
            f"A pilot-operated check does not open at {row[0]:.3f} s: the pilot pressure of "
            f"{row[2] / 1e5:.1f} bar does not lift it against the locked pressure. Choose a larger "
            "pilot ratio or match the pressures first.",
        )
    found.extend(_check_passes(noted))
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
    found.extend(_pressure_events(axis, extremes, states))
    if complete:
        found.extend(_lock_events(axis, move, memory, record, states))
    return tuple(found)


def _length(value: float) -> str:
    """Return a length in the unit in which one reads it."""
    return f"{value * 1e3:.3f} mm" if abs(value) >= 1e-3 else f"{value * 1e6:.2f} um"


def _pressure_events(
    axis: Axis, extremes: NDArray[np.float64], states: NDArray[np.float64]
) -> list[Event]:
    """Return events of pressures beyond the model's validity and of a supply that gives way."""
    found = []
    for side, (value, time) in zip(("a", "b"), extremes[:2], strict=True):
        if value > HIGHEST_PRESSURE:
            sentence = (
                f"Chamber {side.upper()} reaches {value / 1e5:.0f} bar at {time:.3f} s: the oil's "
                f"equations hold to {HIGHEST_PRESSURE / 1e5:.0f} bar, and hardware to its rating. "
                "Check thrust, displaced volume, warming and areas."
            )
            name, limit = f"pressure_{side}", HIGHEST_PRESSURE
            found.append(Event("pressure_too_high", time, name, value, limit, 1, sentence))
    p = axis.parameters
    if p.supply.kind and len(states):
        pressure = states[:, p.index.supply_pressure]
        low = pressure < 0.7 * p.supply.p_set
        if low.any():
            k = int(np.argmax(low))
            time, least = k * p.controller.period, float(pressure.min())
            sentence = (
                f"The supply gives way: {least / 1e5:.1f} bar at the least, below 70 % of "
                f"{p.supply.p_set / 1e5:.0f} bar from {time:.3f} s on. More pump flow, an "
                "accumulator, or less velocity."
            )
            limit = 0.7 * p.supply.p_set
            count = int(low.sum())
            found.append(
                Event("supply_sags", time, "supply_pressure", least, limit, count, sentence)
            )
    return found


def _swings(y: NDArray[np.float64], window: float) -> float:
    """Return the peak-to-peak swing of readings that keep crossing their mean, else zero."""
    if len(y) < 16:
        return 0.0
    around = y - y.mean()
    crossings = int(np.count_nonzero(around[1:] * around[:-1] < 0.0))
    size = float(np.ptp(around))
    late = float(np.ptp(around[len(around) // 2 :]))
    lasting = crossings >= 6 and late > 0.5 * size
    return size if lasting and size > 2.0 * window else 0.0


def _lock_events(
    axis: Axis,
    move: Move,
    memory: NDArray[np.float64],
    record: NDArray[np.float64],
    states: NDArray[np.float64],
) -> list[Event]:
    """Return events of a lock that did not do what the move asked of it."""
    p, found = axis.parameters, []
    if not (p.lock.kind or p.lock.brake):
        return []
    T = p.controller.period
    end = (len(record) - 1) * T
    y = record[:, _samples.RECORD.index("measured_position")]
    locked, released = memory[_sequence.T_LOCKED], memory[_sequence.T_FREE]
    x = states[:, p.index.table_position]

    def add(kind: str, time: float, state: str, value: float, limit: float, text: str) -> None:
        found.append(Event(kind, float(time), state, float(value), float(limit), 1, text))

    if np.isnan(locked):
        error = abs(y[-1] - move.target)
        head = f"The lock never closed: at the end the error is {_length(error)}."
        swing = _swings(y[-max(len(y) // 4, 1) :], p.lock.window)
        if not np.isnan(memory[_sequence.T_CLOSE]):
            head = (
                f"The lock was told to close at {memory[_sequence.T_CLOSE]:.3f} s and isn't "
                "confirmed closed at the end."
            )
            remedy = "Give the move more time; a spool has to come inside its overlap."
        elif end < move.profile.t_end:
            remedy = f"The reference ends at {move.profile.t_end:.3f} s: give the move more time."
        elif swing > 0.0:
            remedy = (
                f"The table swings by {_length(swing)} from peak to peak: take less gain, or less "
                "stabilising feedback if that is what rings."
            )
        elif error <= p.lock.window:
            remedy = "It is inside the lock's window: give the dwell more time or make it shorter."
        else:
            remedy = (
                "It rests or creeps outside the lock's window: trim the null, let an integral with "
                "dead zone help, give it more time or a wider window."
            )
        add("lock_never_closed", end, "scale_reading", error, p.lock.window, f"{head} {remedy}")
        return found
    k = min(max(round(locked / T), 0), len(x) - 1)
    error = float(move.target - x[k])
    if locked >= 0.0 and abs(error) > move.window:  # a run that goes on may begin locked
        add(
            "locked_outside_window",
            locked,
            "table_position",
            error,
            move.window,
            f"The lock closed {_length(error)} off the target, outside the window of "
            f"{_length(move.window)}: a smaller lock window, a longer dwell, or less "
            "speed at closing.",
        )
    opening = memory[_sequence.T_OPEN]
    if np.isnan(released) and not np.isnan(opening):
        text = "The lock was told to open and isn't open at the end of the move."
        add("lock_never_opened", opening, "line_pressure_a", 0.0, 0.0, text)
    if opening >= 0.0:
        force = record[min(round(opening / T), len(record) - 1)]
        along = force[_samples.RECORD.index("thrust")]
        across = force[_samples.RECORD.index("normal_thrust")]
        if along != 0.0 or across != 0.0:
            add(
                "opened_under_thrust",
                opening,
                "table_position",
                along,
                0.0,
                f"The lock opens at {opening:.3f} s while the tool still pushes: hold longer.",
            )
    return found
