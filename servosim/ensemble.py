"""Many moves at once: a list of axes in, their figures out, without files or stores in between.

Cases of one kind run side by side in lanes of the processor's vectors, by the very equations and
steps of :func:`servosim.simulate` and to the same bits, whichever cases are neighbours.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import nullcontext
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim._definitions import DEFINITIONS
from servosim._lockstep import Cases, cases_of, events_of_set, run_of, run_set
from servosim.axis import Axis
from servosim.errors import ParameterError
from servosim.metrics import metrics
from servosim.program import Move
from servosim.result import Run, Status
from servosim.simulate import TOLERANCE, rest_fault, simulate


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
    """
    n = len(axes)
    figures = np.full((len(DEFINITIONS), n), np.nan)
    found = Ensemble(
        status=np.zeros(n, dtype=np.int8),
        reasons=[""] * n,
        events=[()] * n,
        metrics=dict(zip(DEFINITIONS, figures, strict=True)),
    )
    if n == 0:
        return found
    cases = cases_of(axes, moves, seeds)
    sets = cases.sets
    kept: list[dict[str, NDArray[np.float64]]] = [{}] * n

    def work(chosen: NDArray[np.intp]) -> int:
        _run(cases, chosen, tolerance, tuple(traces), found, figures, kept)
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


def _run(
    cases: Cases,
    chosen: NDArray[np.intp],
    tolerance: float,
    traces: tuple[str, ...],
    found: Ensemble,
    figures: NDArray[np.float64],
    kept: list[dict[str, NDArray[np.float64]]],
) -> None:
    """Run a set of cases and write down what they gave; one that stumbles is run again alone."""
    ended = run_set(cases, chosen, tolerance, bool(traces))
    kinds = events_of_set(cases, chosen, ended)
    figures[:, chosen] = ended.figures.T
    for lane, k in enumerate(chosen):
        axis, move, seed = cases.axes[k], cases.moves[k], cases.seeds[k]
        fault = rest_fault(axis, move.start, *ended.rests[lane])
        if fault is not None:
            found.status[k], found.reasons[k] = Status.REFUSED, str(ParameterError(fault))
            figures[:, k] = np.nan
        elif ended.status[lane] != Status.COMPLETE:
            run = simulate(axis, move, seed=seed, tolerance=tolerance, on_failure="return")
            found.status[k] = run.status
            found.reasons[k] = "" if run.status == Status.COMPLETE else run.message
            found.events[k] = tuple(dict.fromkeys(event.kind for event in run.events))
            values = [metric.value for metric in metrics(run).values()]
            figures[:, k] = [np.nan if value is None else value for value in values]
            kept[k] = _signals_of(run, traces)
        else:
            found.events[k] = kinds[lane]
            if traces:
                kept[k] = _signals_of(run_of(cases, int(k), lane, ended, tolerance), traces)


def _signals_of(run: Run, traces: tuple[str, ...]) -> dict[str, NDArray[np.float64]]:
    """Return the wanted signals of a run with their times."""
    return {name: run.traces[name] for name in traces} | {"time": run.time} if traces else {}
