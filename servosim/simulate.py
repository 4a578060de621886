"""Simulate a move: prepare the compiled loop, run it, say in words how it ended."""

from __future__ import annotations

import threading
import time as clock
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim import _integrate, _sequence
from servosim._equilibrium import Rest, initial_state
from servosim._record import record
from servosim.axis import STATE_UNITS, STATES, Axis, nothing_held
from servosim.errors import Fault, ParameterError, SimulationError
from servosim.components.lock import CHECK
from servosim.program import Move
from servosim.result import Event, Run, Status
from servosim.version import __version__

TOLERANCE = 1e-6
READINGS = ("measured_position", "measured_pressure_a", "measured_pressure_b")
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


def error_scale(axis: Axis) -> NDArray[np.float64]:
    """Return the scale of each state's error.

    Parameters
    ----------
    axis : Axis
        The axis.

    Returns
    -------
    ndarray, shape (n_states,)
        Scales [SI unit of each state], in the order of the state vector.
    """
    scale = np.ones(len(STATES))
    for name in reversed(STATES):
        scale[getattr(axis.parameters.index, name)] = SCALES[name]
    return scale


def noise_of(axis: Axis, seed: int, n_t: int) -> NDArray[np.float64]:
    """Return the normal numbers of the transducers' noise.

    Parameters
    ----------
    axis : Axis
        The axis.
    seed : int
        Seed of the generator.
    n_t : int
        Number of samples.

    Returns
    -------
    ndarray, shape (3, n_t) or (3, 0)
        Position, pressure A, pressure B; empty if no transducer is noisy.
    """
    p = axis.parameters
    if p.controller.sampled == 0 or (p.transducer.noise == 0.0 and p.transducer.p_noise == 0.0):
        return np.zeros((3, 0))
    # sample by sample, so that a longer run begins with the same noise
    numbers = np.random.default_rng(seed).standard_normal((n_t, 3))
    return np.ascontiguousarray(numbers.T)


def simulate(
    axis: Axis,
    move: Move | None = None,
    *,
    seed: int | None = None,
    tolerance: float = TOLERANCE,
    fixed_steps: int = 0,
    replay: Run | None = None,
    on_failure: str = "raise",
    progress: Callable[[int, int], Any] | None = None,
) -> Run:
    """Simulate one move of an axis.

    Parameters
    ----------
    axis : Axis
        The axis, see :func:`servosim.read_axis`.
    move : Move, optional
        The move; the file's own if none is given.
    seed : int, optional
        Seed of the transducers' noise; the move's own if none is given.
    tolerance : float, optional
        Largest error of a step [-] relative to the scale of each state (``SCALES``).
    fixed_steps : int, optional
        If positive, that many equal steps in each sample without error control.
    replay : Run, optional
        Another run of the same length: its readings are given to the sampled controller, so that
        quantiser and lock decide as they did there and only the integration differs.
    on_failure : {"raise", "return"}, optional
        Whether a run that does not reach its end raises or is returned with its status.
    progress : callable, optional
        Called now and then with the samples done and the samples in all.

    Returns
    -------
    Run
        The run with its status, events, traces and record.

    Raises
    ------
    SimulationError
        If the run ends early and ``on_failure`` is ``"raise"``; it carries the run.
    ParameterError
        If an option is not allowed.

    Examples
    --------
    >>> import servosim
    >>> run = servosim.simulate(servosim.read_axis("params/tube_sheet_table.toml"))
    >>> run.status.name
    'COMPLETE'
    """
    if on_failure not in ("raise", "return"):
        raise ParameterError(f'on_failure: {on_failure!r}; expected "raise" or "return"')
    if not tolerance > 0.0 or fixed_steps < 0:
        raise ParameterError("tolerance must be positive and fixed_steps not negative")
    begin = clock.perf_counter()
    move = axis.move if move is None else move
    p = axis.record
    n_t = round(move.duration / p.controller.period) + 1
    timed = move.kind == 0
    x, balance, integral, command = initial_state(move.start, timed, p)
    _check_rest(axis, balance)
    memory = _sequence.new_memory(p)
    memory[_sequence.HELD] = move.start
    shifted = command + p.valve.bias
    shifted += p.valve.bias_pressure * (x[p.index.supply_pressure] - p.valve.p_rating)
    memory[_sequence.NARROW] = memory[_sequence.WIDE] = shifted
    memory[_sequence.COMMAND], memory[_sequence.SPOOL_COMMAND] = command, shifted
    s = _sequence.INTEGRAL
    memory[s : s + 5] = (
        integral,
        x[p.index.filtered_position],
        0.0,
        x[p.index.slow_pressure],
        x[p.index.load_estimate],
    )
    X, R = np.zeros((n_t, len(STATES))), np.zeros((n_t, _integrate.N_RECORD))
    events = np.zeros((_integrate.N_EVENTS, 4))
    extremes = np.zeros((4, 2))
    done = np.zeros(2, dtype=np.int64)
    seen = np.zeros((0, 3))
    if replay is not None:
        columns = [_integrate.RECORD.index(name) for name in READINGS]
        seen = np.ascontiguousarray(replay.record[:, columns])
    noise = noise_of(axis, move.seed if seed is None else seed, n_t)
    arguments = (p, record(move), x, memory, record(nothing_held()), noise, seen, error_scale(axis), tolerance)
    arguments = (*arguments, fixed_steps)
    ready = clock.perf_counter()
    code, samples, t, steps = _watched(
        (*arguments, X, R, events, extremes, done), done, n_t, progress
    )
    end = clock.perf_counter()
    status = Status(code) if samples == n_t or code else Status.INTERRUPTED
    run = Run(
        axis=axis,
        move=move,
        status=status,
        message=_message(axis, status, t, X[max(samples - 1, 0)]),
        events=_events(axis, move, events, memory, R[:samples], X[:samples]),
        time=np.arange(samples) * p.controller.period,
        states=X[:samples],
        record=R[:samples],
        memory=memory,
        extremes=extremes,
        steps=steps,
        compile_time=ready - begin,
        run_time=end - ready,
        version=__version__,
        options={"tolerance": tolerance, "fixed_steps": fixed_steps, "seed": seed},
    )
    if status != Status.COMPLETE and on_failure == "raise":
        raise SimulationError(run.message, run)
    return run


def _check_rest(axis: Axis, balance: Rest) -> None:
    """Refuse an axis that cannot stand still: no spool position balances its chambers."""
    if abs(balance.spool) < 0.999 and balance.residual <= 1e-6 * axis.parameters.valve.K_A * 1e3:
        return
    raise ParameterError(
        Fault(
            file=axis.path,
            table="move",
            key="start",
            what=f"no state of rest at {axis.move.start * 1e3:g} mm: with the spool at {balance.spool:.3f} of its "
            f"stroke {balance.residual * 6e4:.4g} L/min are left over",
            expected="a load, leakage and supply that the valve can balance",
        )
    )


def _watched(
    arguments: tuple[Any, ...],
    done: NDArray[np.int64],
    n_t: int,
    progress: Callable[[int, int], Any] | None,
) -> tuple[int, int, float, int]:
    """Run the loop; with a callback in a thread of its own, so that it can be watched and stopped."""
    if progress is None:
        return _integrate.run(*arguments)  # type: ignore[no-any-return]
    result: list[Any] = []
    worker = threading.Thread(target=lambda: result.append(_integrate.run(*arguments)), daemon=True)
    worker.start()
    try:
        while worker.is_alive():
            worker.join(0.05)
            progress(int(done[0]), n_t)
    except KeyboardInterrupt:
        done[1] = 1
        worker.join()
    return result[0]  # type: ignore[no-any-return]


def _message(axis: Axis, status: Status, t: float, x: NDArray[np.float64]) -> str:
    """Return the sentence for a status."""
    if status == Status.COMPLETE:
        return f"The move ran to its end at {t:.3f} s."
    if status == Status.INTERRUPTED:
        return f"The move was interrupted at {t:.3f} s; what was computed is kept."
    scale = error_scale(axis)
    names = axis.states[: axis.parameters.n_x - 4]
    sizes = [abs(x[getattr(axis.parameters.index, n)]) / scale[k] for k, n in enumerate(names)]
    name = names[int(np.argmax(sizes))]
    value = f"{x[getattr(axis.parameters.index, name)]:.6g} {STATE_UNITS[name]}"
    if status == Status.NOT_FINITE:
        return (
            f"The state stopped being a finite number at {t:.6f} s; the largest one before was {name} "
            f"= {value}. A parameter is probably out of its range (bristle or coupling too stiff, "
            "volume or mass too small): try the values one by one."
        )
    return (
        f"At {t:.6f} s one sample needed more than {_limit()} steps; the largest state was {name} = "
        f"{value}. A pole is too fast for the sample (bristle, coupling, end stop or a volume near "
        "zero): soften it, or enlarge the volume."
    )


def _limit() -> int:
    from servosim._step import MOST_STEPS

    return MOST_STEPS


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
                f"{over[k] / 1e5:.2f} bar above the chamber, the spring holds {p.lock.p_cr / 1e5:.2f} "
                "bar. A closed valve centre leaves both lines near half the supply pressure: vent "
                "them, or let the load bring the chambers above that."
            )
            value, count = float(over[k]), int(passing.sum())
            name = f"line_pressure_{side}"
            found.append(Event("check_passes", time, name, value, p.lock.p_cr, count, sentence))
    return found


def _events(
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
            f"The oil cavitates: {side} = {row[1] / 1e5:.2f} bar at {row[0]:.3f} s is below the air "
            f"release pressure of {row[2] / 1e5:.2f} bar (gauge). Decelerate less, raise the supply "
            "or return pressure, or choose a smaller valve.",
        )
    row = noted[_integrate.END_STOP]
    if row[3]:
        add(
            "end_stop",
            row,
            "piston_position",
            f"The piston ran into its end stop: {row[1] * 1e3:.3f} mm at {row[0]:.3f} s, the stroke "
            f"ends at {row[2] * 1e3:.1f} mm. Check the target, the gain's sign and the overshoot.",
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
                [first * axis.parameters.controller.period, record[first, 0], limit, saturated.sum()]
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
                f"The lock never closed: the error is still {error * 1e6:.2f} um at the end. Give the "
                "move more time, a wider lock window, or more gain.",
            )
        elif np.isnan(memory[_sequence.T_FREE]) and not np.isnan(memory[_sequence.T_OPEN]):
            add(
                "lock_never_opened",
                np.array([memory[_sequence.T_OPEN], 0.0, 0.0, 1.0]),
                "line_pressure_a",
                "The lock was told to open and isn't open at the end of the move.",
            )
    return tuple(found)
