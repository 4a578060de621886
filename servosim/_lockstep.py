"""Cases side by side: which of them can share lanes, their memory, and what comes out of each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim import _figure_sums as sums
from servosim import _figures, _integrate, _samples
from servosim import _sequence as sequence
from servosim._equations import STATES, AxisParameters, nothing_held
from servosim._equilibrium import begin_many
from servosim._events import HIGHEST_PRESSURE
from servosim._figure_spans import Spans, new_spans
from servosim._figure_sums import N_GATHERED
from servosim._jit import kernel
from servosim._lanes import WIDTH, aligned
from servosim._record import Layout, layout_of
from servosim._step import ROWS
from servosim.axis import Axis
from servosim.program import Move, thrust_at
from servosim.result import Run, Status
from servosim.simulate import error_scale, is_noisy, noise_of, samples_late, samples_of
from servosim.version import __version__

# a lane that needs more steps than these holds up its neighbours: it is run alone
MOST_IN_A_SAMPLE = 500
MOST_PER_SAMPLE = 8
_BLOCKS = len(AxisParameters._fields) - 2  # the last two are whole numbers


@dataclass(frozen=True)
class Cases:
    """Cases ready to run.

    Attributes
    ----------
    axes : tuple of Axis
        Their axes.
    moves : tuple of Move
        Their moves.
    seeds : tuple of int
        Seeds of their noise.
    parameters, programs : ndarray, shape (n_case, n_words)
        Numbers of axes and moves as words of memory.
    """

    axes: tuple[Axis, ...]
    moves: tuple[Move, ...]
    seeds: tuple[int, ...]
    parameters: NDArray[np.float64]
    programs: NDArray[np.float64]

    @cached_property
    def sets(self) -> list[NDArray[np.intp]]:
        """Cases that run together, WIDTH at most: same switches, same number of samples."""
        switches = layout_of(self.axes[0].parameters).switches(self.parameters)
        programs = layout_of(self.moves[0]).switches(self.programs)[:, :-1]  # but for the seed
        times = np.array(
            [
                (samples_of(axis, move), samples_late(axis), is_noisy(axis))
                for axis, move in zip(self.axes, self.moves, strict=True)
            ]
        )
        keys = np.concatenate([switches, programs, times], axis=1)
        _, kind = np.unique(keys, axis=0, return_inverse=True)
        order = np.argsort(kind.ravel(), kind="stable")
        edges = np.flatnonzero(np.diff(kind.ravel()[order])) + 1
        return [
            part[k : k + WIDTH]
            for part in np.split(order, edges)
            for k in range(0, len(part), WIDTH)
        ]


def cases_of(
    axes: Sequence[Axis], moves: Sequence[Move] | None, seeds: Sequence[int] | None
) -> Cases:
    """Return cases ready to run.

    Parameters
    ----------
    axes : sequence of Axis
        One axis a case, one at least.
    moves : sequence of Move, optional
        One move a case; the axis' own if none are given.
    seeds : sequence of int, optional
        Seeds of the noise; the moves' own if none are given.

    Returns
    -------
    Cases
        The cases.
    """
    chosen = [axis.move for axis in axes] if moves is None else list(moves)
    numbers = [move.seed for move in chosen] if seeds is None else [int(seed) for seed in seeds]
    return Cases(
        axes=tuple(axes),
        moves=tuple(chosen),
        seeds=tuple(numbers),
        parameters=_parameter_rows([axis.parameters for axis in axes]),
        programs=_move_rows(chosen),
    )


def _parameter_rows(values: Sequence[AxisParameters]) -> NDArray[np.float64]:
    """Return the numbers of axes as rows of words; a block that many share is put down once."""
    rows = np.empty((len(values), layout_of(values[0]).n_words))
    known: dict[int, NDArray[np.float64]] = {}  # by identity: the values outlive it
    for k, value in enumerate(values):
        at = 0
        for part in value[:_BLOCKS]:
            if id(part) not in known:
                known[id(part)] = layout_of(part).words(part)
            words = known[id(part)]
            rows[k, at : at + len(words)] = words
            at += len(words)
        rows[k, at:].view(np.int64)[:] = value[_BLOCKS:]
    return rows


def _move_rows(values: Sequence[Move]) -> NDArray[np.float64]:
    """Return moves as rows of words; one that many cases share is put down once."""
    layout = layout_of(values[0])
    known = {id(value): value for value in values}
    words = {key: layout.words(value) for key, value in known.items()}
    return np.stack([words[id(value)] for value in values])


@dataclass(frozen=True)
class Ended:
    """What the lanes of a set gave, in the order of its cases.

    Attributes
    ----------
    status : ndarray, shape (n,)
        Code of each run.
    rests : ndarray, shape (n, 2)
        Spool at rest [-] and flow left over [m3/s] at the beginning.
    figures : ndarray, shape (n, N_FIGURES)
        Figures [SI] in the order of their definitions.
    memory : ndarray, shape (SIZE, n)
        Memory of the sequence.
    events : ndarray, shape (N_EVENTS, 4, n)
        What the loop noted.
    gathered : ndarray, shape (N_GATHERED, n)
        See ``_figure_sums``.
    locked_error : ndarray, shape (n,)
        Target less position of the table as the lock was confirmed [m].
    pushed : ndarray, shape (n,)
        1 if the tool pushed as the lock was told to open.
    states, record : ndarray, shape (n_t, n_states, n) and (n_t, N_RECORD, n), or None
        All traces, if they were asked for.
    """

    status: NDArray[np.float64]
    rests: NDArray[np.float64]
    figures: NDArray[np.float64]
    memory: NDArray[np.float64]
    events: NDArray[np.float64]
    gathered: NDArray[np.float64]
    locked_error: NDArray[np.float64]
    pushed: NDArray[np.float64]
    states: NDArray[np.float64] | None
    record: NDArray[np.float64] | None


class Buffers:
    """Large work space of one thread, used again by each set of the same number of samples."""

    def __init__(self) -> None:
        self._n_t = -1

    def of(self, n_t: int) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Return room for noise, readings and what is kept of each sample, not cleared."""
        if n_t != self._n_t:
            self._n_t, self._noise = n_t, np.empty((WIDTH, n_t, 3))
            self._readings, self._kept = aligned(n_t + 1, 1, WIDTH), aligned(n_t + 1, 2, WIDTH)
        return self._noise, self._readings, self._kept


def run_set(
    cases: Cases, chosen: NDArray[np.intp], tolerance: float, traces: bool, buffers: Buffers
) -> Ended:
    """Run a set of cases in lanes.

    Parameters
    ----------
    cases : Cases
        The cases.
    chosen : ndarray of int, shape (n,)
        Which of them, of one kind, WIDTH at most.
    tolerance : float
        Largest error of a step over scale.
    traces : bool
        Whether all traces are kept.
    buffers : Buffers
        Work space.

    Returns
    -------
    Ended
        What came out.
    """
    n, n_states = len(chosen), len(STATES)
    lane = np.concatenate([chosen, np.repeat(chosen[-1:], WIDTH - n)])
    first, move = cases.axes[lane[0]], cases.moves[lane[0]]
    axis_layout, move_layout = layout_of(first.parameters), layout_of(move)
    parameters, programs = cases.parameters[lane], cases.programs[lane]
    p, m = axis_layout.records(parameters), move_layout.records(programs)
    x, d = aligned(n_states, WIDTH), aligned(sequence.SIZE, WIDTH)
    rests = np.empty((WIDTH, 2))
    begin_many(p, m, x, d, rests)
    n_t = samples_of(first, move)
    noise, readings, kept = buffers.of(n_t)
    n_noise = n_t if is_noisy(first) else 0
    if n_noise:
        for k in range(n):
            noise_of(cases.axes[lane[k]], cases.seeds[lane[k]], n_t, noise[k])
        noise[n:] = noise[n - 1]
    limits = (MOST_IN_A_SAMPLE, MOST_PER_SAMPLE * n_t)
    counts = np.array([n_t, n_states, samples_late(first), n_noise, 0, 0, *limits, int(traces), 0])
    space = aligned(ROWS + 1, n_states, WIDTH)
    space[ROWS] = x
    rows = n_t + 1 if traces else 1
    X, R = aligned(rows, n_states, WIDTH), aligned(rows, _samples.N_RECORD, WIDTH)
    gathered, ended = aligned(N_GATHERED, WIDTH), aligned(4, WIDTH)
    events, extremes = aligned(_samples.N_EVENTS, 4, WIDTH), aligned(4, 2, WIDTH)
    progress = np.zeros(2, dtype=np.int64)
    _integrate.run_lanes(
        axis_layout.block(parameters),
        move_layout.block(programs),
        _held(),
        x,
        d,
        noise,
        counts,
        1.0 / error_scale(first),
        tolerance,
        space,
        aligned(2, sequence.SIZE, WIDTH),
        readings,
        X,
        R,
        kept,
        gathered,
        events,
        extremes,
        progress,
        ended,
    )
    figures = np.full((n, _figures.N_FIGURES), np.nan)
    more = np.zeros((n, 2))
    judge(p, m, d, kept, gathered, new_spans(), figures, more)
    return Ended(
        status=ended[0, :n],
        rests=rests[:n],
        figures=figures,
        memory=d[:, :n],
        events=events[:, :, :n],
        gathered=gathered[:, :n],
        locked_error=more[:, 0],
        pushed=more[:, 1],
        states=X[:-1, :, :n] if traces else None,
        record=R[:-1, :, :n] if traces else None,
    )


def events_of_set(cases: Cases, chosen: NDArray[np.intp], ended: Ended) -> list[tuple[str, ...]]:
    """Return the kinds of events of each case of a set that ran to its end.

    Parameters
    ----------
    cases, chosen : see :func:`run_set`
        The cases.
    ended : Ended
        What came out.

    Returns
    -------
    list of tuple of str
        In the order in which :func:`servosim._events.events_of` tells them.
    """
    noted, memory, gathered = ended.events, ended.memory, ended.gathered
    count = noted[:, 3] > 0.0
    first = cases.axes[chosen[0]].parameters
    axes = [cases.axes[k].parameters for k in chosen]
    begins_there = (noted[_samples.END_STOP, 0] == 0.0) & (
        np.abs(noted[_samples.END_STOP, 1] - noted[_samples.END_STOP, 2]) < 1e-4
    )
    set_pressure = np.array([p.supply.p_set for p in axes])
    window = np.array([cases.moves[k].window for k in chosen])
    highest = gathered[[sums.HIGHEST_A, sums.HIGHEST_B]].max(axis=0)
    never = np.isnan(memory[sequence.T_LOCKED])
    locks = bool(first.lock.kind or first.lock.brake)
    opens = ~np.isnan(memory[sequence.T_OPEN]) & ~never
    passes = count[_samples.CHECK_A_PASSES] | count[_samples.CHECK_B_PASSES]
    happened = {
        "cavitation": count[_samples.CAVITATION],
        "end_stop": count[_samples.END_STOP] & ~begins_there,
        "brake_slip": count[_samples.BRAKE_SLIP],
        "check_stays_shut": count[_samples.CHECK_STAYS_SHUT],
        "check_passes": passes,
        "valve_saturation": gathered[sums.LIMITED] > 0.0,
        "pressure_too_high": highest > HIGHEST_PRESSURE,
        "supply_sags": (gathered[sums.LOWEST_SUPPLY] < 0.7 * set_pressure)
        & bool(first.supply.kind),
        "lock_never_closed": never & locks,
        "locked_outside_window": (np.abs(ended.locked_error) > window) & ~never & locks,
        "lock_never_opened": opens & np.isnan(memory[sequence.T_FREE]) & locks,
        "opened_under_thrust": opens & (ended.pushed > 0.0) & locks,
    }
    return [
        tuple(kind for kind, flags in happened.items() if flags[lane])
        for lane in range(len(chosen))
    ]


def run_of(cases: Cases, k: int, lane: int, ended: Ended, tolerance: float) -> Run:
    """Return a case of a set as a run of its own, for its traces.

    Parameters
    ----------
    cases : Cases
        The cases.
    k, lane : int
        Number of the case, and its place in the set.
    ended : Ended
        What came out, with all traces.
    tolerance : float
        Largest error of a step over scale.

    Returns
    -------
    Run
        Without events and times of computing.
    """
    axis, move = cases.axes[k], cases.moves[k]
    assert ended.states is not None and ended.record is not None
    states = np.ascontiguousarray(ended.states[:, :, lane])
    return Run(
        axis=axis,
        move=move,
        status=Status.COMPLETE,
        message="",
        events=(),
        time=np.arange(len(states), dtype=np.float64) * axis.parameters.controller.period,
        states=states,
        record=np.ascontiguousarray(ended.record[:, :, lane]),
        memory=ended.memory[:, lane].copy(),
        extremes=np.zeros((4, 2)),
        steps=0,
        compile_time=0.0,
        run_time=0.0,
        version=__version__,
        options={"tolerance": tolerance, "fixed_steps": 0, "seed": cases.seeds[k]},
    )


def _held() -> Any:
    """Return held inputs of lanes, all of nothing."""
    layout, rows = _nothing_held()
    return layout.block(rows)


@lru_cache(maxsize=1)
def _nothing_held() -> tuple[Layout, NDArray[np.float64]]:
    """Return the layout of held inputs, and rows of nothing."""
    held = nothing_held()
    layout = layout_of(held)
    return layout, np.stack([layout.words(held)] * WIDTH)


@kernel
def judge(
    p: NDArray[np.void],
    m: NDArray[np.void],
    d: NDArray[np.float64],
    kept: NDArray[np.float64],
    gathered: NDArray[np.float64],
    s: Spans,
    figures: NDArray[np.float64],
    more: NDArray[np.float64],
) -> None:
    """Write the figures of the runs of a set, and what their events need of the traces.

    Parameters
    ----------
    p, m : record arrays, shape (WIDTH,)
        Numbers of axes and moves.
    d : ndarray, shape (SIZE, WIDTH)
        Memory of the sequences.
    kept : ndarray, shape (n_t + 1, 2, WIDTH)
        Position of the table and reference; the last row is spare.
    gathered : ndarray, shape (N_GATHERED, WIDTH)
        See ``_figure_sums``.
    s : record of Spans
        Work space.
    figures : ndarray, shape (n, N_FIGURES)
        Written in place; nan beforehand.
    more : ndarray, shape (n, 2)
        Error as the lock was confirmed [m], and 1 if the tool pushed as it was told to open.
    """
    n_t = kept.shape[0] - 1
    x, reference = np.empty(n_t), np.empty(n_t)
    memory, sums = np.empty(d.shape[0]), np.empty(gathered.shape[0])
    for lane in range(figures.shape[0]):
        for k in range(n_t):
            x[k], reference[k] = kept[k, 0, lane], kept[k, 1, lane]
        for j in range(d.shape[0]):
            memory[j] = d[j, lane]
        for j in range(gathered.shape[0]):
            sums[j] = gathered[j, lane]
        move, period = m[lane], p[lane].controller.period
        _figures.figures(p[lane], move, memory, n_t, 1, x, reference, sums, s, figures[lane])
        locked, opens = memory[sequence.T_LOCKED], memory[sequence.T_OPEN]
        if locked >= 0.0:
            more[lane, 0] = move.target - x[min(round(locked / period), n_t - 1)]
        if opens >= 0.0:
            t = min(round(opens / period), n_t - 1) * period
            begin = locked if move.thrust_locked == 1 else 0.0
            along, _ = thrust_at(t, begin, move.thrust_along, move.thrust_t)
            across, _ = thrust_at(t, begin, move.thrust_normal, move.thrust_t)
            more[lane, 1] = 1.0 if along != 0.0 or across != 0.0 else 0.0
