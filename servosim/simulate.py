"""Simulate a move: prepare the compiled loop, run it, say in words how it ended."""

from __future__ import annotations

import time as clock
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor, wait
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim import _integrate, _samples, _sequence
from servosim._equations import QUADRATURES, STATES, nothing_held
from servosim._equilibrium import begin
from servosim._events import SCALES, events_of, message
from servosim._figure_sums import N_GATHERED
from servosim._record import record
from servosim._step import MOST_STEPS, ROWS
from servosim.axis import Axis
from servosim.errors import Fault, ParameterError, SimulationError
from servosim.program import Move
from servosim.result import Run, Standing, Status
from servosim.version import __version__

TOLERANCE = 1e-5
READINGS = ("measured_position", "measured_pressure_a", "measured_pressure_b")


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


def samples_of(axis: Axis, move: Move) -> int:
    """Return the number of samples of a move."""
    return round(move.duration / axis.parameters.controller.period) + 1


def is_noisy(axis: Axis) -> bool:
    """Tell whether a sampled controller sees noise."""
    p = axis.parameters
    return p.controller.sampled == 1 and (p.transducer.noise > 0.0 or p.transducer.p_noise > 0.0)


def noise_of(
    axis: Axis, seed: int, n_t: int, out: NDArray[np.float64] | None = None
) -> NDArray[np.float64]:
    """Return the normal numbers of the transducers' noise.

    Parameters
    ----------
    axis : Axis
        The axis.
    seed : int
        Seed of the generator.
    n_t : int
        Number of samples.
    out : ndarray, shape (n_t, 3), optional
        Where to write them, if there are any.

    Returns
    -------
    ndarray, shape (n_t, 3) or (0, 3)
        Position, pressure A, pressure B; empty if no transducer is noisy.
    """
    if not is_noisy(axis):
        return np.zeros((0, 3))
    # sample by sample, so that a longer run begins with the same noise
    generator = np.random.Generator(np.random.SFC64(seed))  # the quickest of numpy's
    return generator.standard_normal((n_t, 3) if out is None else None, out=out)


def simulate(
    axis: Axis,
    move: Move | None = None,
    *,
    seed: int | None = None,
    tolerance: float = TOLERANCE,
    fixed_steps: int = 0,
    replay: Run | None = None,
    begin_from: Standing | None = None,
    goes_on: bool = False,
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
    begin_from : Standing, optional
        Where another run ended, instead of a state of rest at the start of the move; energies are
        counted anew.
    goes_on : bool, optional
        Whether another run shall go on from the end of this one: then it ends as soon as the axis
        may move again, at the end of its duration at the latest, and has its ``standing``.
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
    if seed is not None and (not isinstance(seed, int) or seed < 0):
        raise ParameterError(f"seed: {seed!r}; expected a whole number, zero or more")
    if not tolerance > 0.0 or fixed_steps < 0:
        raise ParameterError("tolerance must be positive and fixed_steps not negative")
    entered = clock.perf_counter()
    move = axis.move if move is None else move
    p = axis.record
    n_t = samples_of(axis, move)
    x, memory, m = np.empty(len(STATES)), np.empty(_sequence.SIZE), record(move)
    if begin_from is None:
        balance = begin(p, m, x, memory)
        fault = rest_fault(axis, move.start, balance.spool, balance.residual)
        if fault is not None:
            raise ParameterError(fault)
    else:
        x[:], memory[:] = begin_from.state, begin_from.memory
        for name in QUADRATURES:
            x[getattr(axis.parameters.index, name)] = 0.0
    X, R = np.zeros((n_t + 1, len(STATES))), np.zeros((n_t + 1, _samples.N_RECORD))
    events = np.zeros((_samples.N_EVENTS, 4))
    extremes = np.zeros((4, 2))
    done = np.zeros(2, dtype=np.int64)
    seen = np.zeros((0, 3))
    if replay is not None:
        columns = [_samples.RECORD.index(name) for name in READINGS]
        seen = np.ascontiguousarray(replay.record[:, columns])
    noise = noise_of(axis, move.seed if seed is None else seed, n_t)
    late = samples_late(axis)
    limits = (MOST_STEPS, MOST_STEPS * n_t)
    counts = np.array(
        [n_t, len(STATES), late, len(noise), len(seen), fixed_steps, *limits, 1, int(goes_on)]
    )
    space, kept = np.zeros((ROWS, len(STATES))), np.empty((n_t + 1, 2))
    gathered, before = np.zeros(N_GATHERED), np.empty(_sequence.SIZE)
    ready = clock.perf_counter()
    code, samples, t, steps = _watched(
        (
            *(p, m, x, memory, record(nothing_held()), noise, seen, np.empty((n_t + 1, 1))),
            *(counts, 1.0 / error_scale(axis), tolerance, space, x.copy()),
            *(X, R, kept, np.zeros(_samples.N_RECORD), before),
            *(gathered, events, extremes, done),
        ),
        done,
        n_t,
        progress,
    )
    end = clock.perf_counter()
    samples = int(samples)
    whole = samples == n_t or (goes_on and not done[1])
    status = Status(int(code)) if whole or code else Status.INTERRUPTED
    run = Run(
        axis=axis,
        move=move,
        status=status,
        message=message(axis, status, t, X[max(samples - 1, 0)]),
        events=events_of(
            axis,
            move,
            events,
            memory,
            R[:samples],
            X[:samples],
            extremes,
            status == Status.COMPLETE,
        ),
        time=np.arange(samples, dtype=np.float64) * axis.parameters.controller.period,
        states=X[:samples],
        record=R[:samples],
        memory=memory,
        extremes=extremes,
        steps=int(steps),
        compile_time=ready - entered,
        run_time=end - ready,
        version=__version__,
        options={"tolerance": tolerance, "fixed_steps": fixed_steps, "seed": seed},
        standing=Standing(x, before) if goes_on and status == Status.COMPLETE else None,
    )
    if status != Status.COMPLETE and on_failure == "raise":
        raise SimulationError(run.message, run)
    return run


def samples_late(axis: Axis) -> int:
    """Return the whole samples by which a reading comes late."""
    p = axis.parameters
    return int(p.transducer.delay / p.controller.period + 1e-9)


def rest_faults(axis: Axis) -> list[Fault]:
    """Return what keeps an axis from standing still at the start of its move.

    Parameters
    ----------
    axis : Axis
        The axis.

    Returns
    -------
    list of Fault
        Empty if a position of the spool balances both chambers.
    """
    x, memory = np.empty(len(STATES)), np.empty(_sequence.SIZE)
    balance = begin(axis.record, record(axis.move), x, memory)
    fault = rest_fault(axis, axis.move.start, balance.spool, balance.residual)
    return [] if fault is None else [fault]


def rest_fault(axis: Axis, start: float, spool: float, residual: float) -> Fault | None:
    """Return what keeps an axis from standing still at a position, or None.

    Parameters
    ----------
    axis : Axis
        The axis.
    start : float
        The position [m].
    spool : float
        Spool at rest [-].
    residual : float
        Flow that is left over [m3/s].

    Returns
    -------
    Fault or None
        None if the position of the spool balances both chambers.
    """
    if abs(spool) < 0.999 and residual <= 1e-3 * axis.file.valve.rated_flow:
        return None
    return Fault(
        file=axis.path,
        table="move",
        key="start",
        what=f"no state of rest at {start * 1e3:g} mm: with the spool at "
        f"{spool:.3f} of its stroke {residual * 6e4:.4g} L/min are left over",
        expected="a load, leakage and supply that the valve can balance",
    )


def _watched(
    arguments: tuple[Any, ...],
    done: NDArray[np.int64],
    n_t: int,
    progress: Callable[[int, int], Any] | None,
) -> tuple[float, float, float, float]:
    """Run the loop; with a callback in its own thread, so that it can be watched and stopped."""
    if progress is None:
        return _integrate.run(*arguments)
    with ThreadPoolExecutor(max_workers=1) as pool:
        future = pool.submit(_integrate.run, *arguments)
        try:
            while not wait([future], timeout=0.05).done:
                progress(int(done[0]), n_t)
        except KeyboardInterrupt:
            done[1] = 1  # the loop ends at its next sample and keeps what it has
        return future.result()
