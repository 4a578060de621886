"""Many moves at once: a list of axes in, their figures out, without files or stores in between."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim._definitions import DEFINITIONS
from servosim.axis import Axis
from servosim.errors import ParameterError
from servosim.metrics import metrics
from servosim.program import Move
from servosim.result import Status
from servosim.simulate import TOLERANCE, simulate


@dataclass(frozen=True)
class Ensemble:
    """What many moves gave, case by case in the order of the axes.

    Attributes
    ----------
    status : ndarray of int8, shape (n_case,)
        How each case ended, see :class:`servosim.Status`.
    reasons : tuple of str
        Why a case did not run to its end, in a sentence; empty for one that did.
    events : tuple of tuple of str
        Kinds of the events of each case, see :class:`servosim.Event`.
    metrics : dict of str to ndarray, shape (n_case,)
        Figures by name in the order of their definitions [SI], nan where a run doesn't hold it.
    traces : dict of str to ndarray, shape (n_case, n_t)
        Signals that were asked for [SI], nan after the end of a run.
    time : ndarray, shape (n_t,)
        Samples of the traces [s]; empty without traces.
    """

    status: NDArray[np.int8]
    reasons: tuple[str, ...]
    events: tuple[tuple[str, ...], ...]
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
    status = np.zeros(n, dtype=np.int8)
    reasons, events = [""] * n, [()] * n  # type: list[str], list[tuple[str, ...]]
    figures = {name: np.full(n, np.nan) for name in DEFINITIONS}
    kept: list[dict[str, NDArray[np.float64]]] = [{}] * n
    for k, axis in enumerate(axes):
        move = axis.move if moves is None else moves[k]
        seed = None if seeds is None else int(seeds[k])
        try:
            run = simulate(axis, move, seed=seed, tolerance=tolerance, on_failure="return")
        except ParameterError as error:
            status[k], reasons[k] = Status.REFUSED, str(error)
            continue
        status[k] = run.status
        reasons[k] = "" if run.status == Status.COMPLETE else run.message
        events[k] = tuple(dict.fromkeys(event.kind for event in run.events))
        for name, metric in metrics(run).items():
            figures[name][k] = np.nan if metric.value is None else metric.value
        kept[k] = {name: run.traces[name] for name in traces} | {"time": run.time}
        if progress is not None:
            progress(k + 1, n)
    if not traces:
        return Ensemble(status, tuple(reasons), tuple(events), figures)
    longest = max((part.get("time", np.zeros(0)) for part in kept), key=len, default=np.zeros(0))
    signals = {name: np.full((n, len(longest)), np.nan) for name in traces}
    for k, part in enumerate(kept):
        for name in traces:
            values = part.get(name, np.zeros(0))
            signals[name][k, : len(values)] = values
    return Ensemble(status, tuple(reasons), tuple(events), figures, signals, longest)
