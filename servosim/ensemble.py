"""Many moves at once: a list of axes in, their figures out, without files or stores in between.

Cases of one kind run side by side in lanes of the processor's vectors, by the very equations and
steps of :func:`servosim.simulate` and to the same bits, whichever cases are neighbours.
"""

from __future__ import annotations

import difflib
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import nullcontext
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim._collector import collector_rests
from servosim._definitions import DEFINITIONS
from servosim._jit import COMPILES
from servosim._lockstep import Buffers, Cases, cases_of, events_of_set, run_of, run_set
from servosim.axis import Axis
from servosim.errors import ParameterError
from servosim.metrics import metrics
from servosim.program import Move
from servosim.result import Run, Status
from servosim.simulate import TOLERANCE, rest_fault, simulate
from servosim.traces import SIGNALS


@dataclass(frozen=True)
class Ensemble:
    """What many moves gave, case by case in the order of the axes.

    Attributes
    ----------
    status : ndarray of int8, shape (n_case,)
        How each case ended, see :class:`servosim.Status`.
    reasons : list of str
        Why a case did not run to its end, in a sentence; empty for one that did.
    events : list of tuple of str
        Kinds of the events of each case, see :class:`servosim.Event`.
    metrics : dict of str to ndarray, shape (n_case,)
        Figures by name in the order of their definitions [SI], nan where a run doesn't hold it.
    traces : dict of str to ndarray, shape (n_case, n_t)
        Signals that were asked for [SI], nan after the end of a run.
    time : ndarray, shape (n_t,)
        Samples of the traces [s]; empty without traces.
    """

    status: NDArray[np.int8]
    reasons: list[str]
    events: list[tuple[str, ...]]
    metrics: dict[str, NDArray[np.float64]]
    traces: dict[str, NDArray[np.float64]] = field(default_factory=dict)
    time: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))


def ensemble(
    axes: Sequence[Axis],
    *,
    moves: Sequence[Move] | None = None,
    seeds: Sequence[int] | None = None,
    tolerance: float = TOLERANCE,
    traces: Sequence[str] = (),
    workers: int = 1,
    progress: Callable[[int, int], Any] | None = None,
) -> Ensemble:
    """Simulate one move of each axis and return their figures.

    Parameters
    ----------
    axes : sequence of Axis
        One axis a case.
    moves : sequence of Move, optional
        One move a case; the axis' own if none are given.
    seeds : sequence of int, optional
        Seeds of the transducers' noise; the moves' own if none are given.
    tolerance : float, optional
        Largest error of a step [-] relative to the scale of each state.
    traces : sequence of str, optional
        Signals to keep, see ``servosim.traces.SIGNALS``.
    workers : int, optional
        Threads that share the cases; the results don't depend on them.
    progress : callable, optional
        Called now and then with the cases done and the cases in all.

    Returns
    -------
    Ensemble
        Figures, and how each case ended. A case that fails is a row, not an exception.

    Raises
    ------
    ParameterError
        If an option is not allowed, or there are not as many moves or seeds as axes.

    Examples
    --------
    >>> import servosim
    >>> axis = servosim.read_axis("params/tube_sheet_table.toml")
    >>> gains = [axis.replace({"controller.velocity_gain": f"{k} 1/s"}) for k in (18, 22)]
    >>> found = servosim.ensemble(gains)
    >>> found.metrics["settling_time"].shape
    (2,)
    """
    _check(axes, moves, seeds, tolerance, traces, workers)
    n = len(axes)
    figures = np.full((len(DEFINITIONS), n), np.nan)
    found = Ensemble(
        status=np.zeros(n, dtype=np.int8),
        reasons=[""] * n,
        events=[()] * n,
        metrics=dict(zip(DEFINITIONS, figures, strict=True)),
    )
    if n == 0:
        return replace(found, traces={name: np.zeros((0, 0)) for name in traces})
    with collector_rests():
        cases = cases_of(axes, moves, seeds)
        sets = cases.sets
        kept: list[dict[str, NDArray[np.float64]]] = [{}] * n
        own = threading.local()

        def work(chosen: NDArray[np.intp]) -> int:
            if not hasattr(own, "buffers"):
                own.buffers = Buffers()
            _run(cases, chosen, tolerance, tuple(traces), own.buffers, found, figures, kept)
            return len(chosen)

        done = 0
        with ThreadPoolExecutor(max_workers=workers) if workers > 1 else nullcontext() as pool:
            try:
                for count in map(work, sets) if pool is None else pool.map(work, sets):
                    done += count
                    if progress is not None:
                        progress(done, n)
            except BaseException:
                if pool is not None:
                    pool.shutdown(cancel_futures=True)
                raise
    if not traces:
        return found
    longest = max((part.get("time", np.zeros(0)) for part in kept), key=len)
    signals = {name: np.full((n, len(longest)), np.nan) for name in traces}
    for k, part in enumerate(kept):
        for name in traces:
            values = part.get(name, np.zeros(0))
            signals[name][k, : len(values)] = values
    return replace(found, traces=signals, time=longest)


def _check(
    axes: Sequence[Axis],
    moves: Sequence[Move] | None,
    seeds: Sequence[int] | None,
    tolerance: float,
    traces: Sequence[str],
    workers: int,
) -> None:
    """Refuse options that can't be meant."""
    for name, values in (("moves", moves), ("seeds", seeds)):
        if values is not None and len(values) != len(axes):
            raise ParameterError(f"{name}: {len(values)} for {len(axes)} axes; expected one each")
    for seed in seeds if seeds is not None else ():
        if not isinstance(seed, (int, np.integer)) or seed < 0:
            raise ParameterError(f"seeds: {seed!r}; expected whole numbers, zero or more")
    if not tolerance > 0.0:
        raise ParameterError(f"tolerance: {tolerance!r}; expected a positive number")
    if not isinstance(workers, int) or workers < 1:
        raise ParameterError(f"workers: {workers!r}; expected a whole number, one or more")
    for name in traces:
        if name not in SIGNALS:
            close = difflib.get_close_matches(name, SIGNALS, n=1)
            hint = f"; nearest: {close[0]}" if close else ""
            raise ParameterError(f"traces: no signal {name!r}{hint}")


def _run(
    cases: Cases,
    chosen: NDArray[np.intp],
    tolerance: float,
    traces: tuple[str, ...],
    buffers: Buffers,
    found: Ensemble,
    figures: NDArray[np.float64],
    kept: list[dict[str, NDArray[np.float64]]],
) -> None:
    """Run a set of cases and write down what they gave; one that stumbles is run again alone."""

    def refuse(k: int, reason: str) -> None:
        found.status[k], found.reasons[k] = Status.REFUSED, reason
        figures[:, k] = np.nan

    def alone(k: int) -> None:
        try:
            run = simulate(
                cases.axes[k],
                cases.moves[k],
                seed=cases.seeds[k],
                tolerance=tolerance,
                on_failure="return",
            )
        except ParameterError as error:
            refuse(k, str(error))
            return
        found.status[k] = run.status
        found.reasons[k] = "" if run.status == Status.COMPLETE else run.message
        found.events[k] = tuple(dict.fromkeys(event.kind for event in run.events))
        values = [metric.value for metric in metrics(run).values()]
        figures[:, k] = [np.nan if value is None else value for value in values]
        kept[k] = _signals_of(run, traces)

    if not COMPILES:  # lanes are the compiler's: without it each case runs alone
        for k in chosen:
            alone(int(k))
        return
    ended = run_set(cases, chosen, tolerance, bool(traces), buffers)
    kinds = events_of_set(cases, chosen, ended)
    figures[:, chosen] = ended.figures.T
    for lane, k in enumerate(chosen.tolist()):
        fault = rest_fault(cases.axes[k], cases.moves[k].start, *ended.rests[lane])
        if fault is not None:
            refuse(k, str(ParameterError(fault)))
        elif ended.status[lane] != Status.COMPLETE:
            alone(k)
        else:
            found.events[k] = kinds[lane]
            if traces:
                kept[k] = _signals_of(run_of(cases, k, lane, ended, tolerance), traces)


def _signals_of(run: Run, traces: tuple[str, ...]) -> dict[str, NDArray[np.float64]]:
    """Return the wanted signals of a run with their times."""
    return {name: run.traces[name] for name in traces} | {"time": run.time} if traces else {}
