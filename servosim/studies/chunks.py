"""Cases as they travel: a chunk goes out as bytes, its figures come back as a few arrays.

A chunk is a run of consecutive cases. What a worker needs stands in its :class:`Task`, so that it
can be computed by any thread, process or machine; the axes of its cases are made there. Figures of
a case depend on nothing but the case: not on its chunk, its worker, or the order of the work.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from servosim._collector import collector_rests
from servosim._definitions import DEFINITIONS
from servosim._jit import source_hash
from servosim.axis import Axis
from servosim.ensemble import ensemble
from servosim.errors import ParameterError, StudyError
from servosim.result import Status
from servosim.studies.plan import Plan
from servosim.version import __version__

MOST_CASES = 3000
MOST_BYTES = 64e6  # of the traces of one chunk
MOST_OUT = 256e6  # of the traces of all chunks that may be out at a time
FEWEST_CASES = 8  # below, handing out costs more than it spreads
_SHARES = 4  # chunks that each worker gets at least, as long as they do not get too small


class Span(NamedTuple):
    """Consecutive cases: from ``first`` up to, not including, ``last``."""

    first: int
    last: int

    def __str__(self) -> str:
        if self.last - self.first == 1:
            return f"case {self.first}"
        return f"cases {self.first} to {self.last - 1}"


class Task(NamedTuple):
    """What a worker needs to compute a chunk; small, and without ties to this process."""

    span: Span
    plan: bytes
    code: str


@dataclass(frozen=True)
class Figures:
    """What a chunk gave, case by case.

    Attributes
    ----------
    span : Span
        Its cases.
    status : ndarray of int8, shape (n_chunk,)
        How each case ended, see :class:`servosim.Status`.
    reasons : tuple of str
        Why a case did not run to its end; empty for one that did.
    metrics : dict of str to ndarray, shape (n_chunk,)
        Figures [SI] by name in the order of their definitions, nan where a run doesn't hold it.
    events : dict of str to ndarray of bool, shape (n_chunk,)
        In which cases each kind of event happened; kinds that happened in none are left out.
    traces : dict of str to ndarray, shape (n_chunk, n_t)
        Signals that were asked for [SI], nan after the end of a run.
    time : ndarray, shape (n_t,)
        Samples of the traces [s].
    """

    span: Span
    status: NDArray[np.int8]
    reasons: tuple[str, ...]
    metrics: dict[str, NDArray[np.float64]]
    events: dict[str, NDArray[np.bool_]]
    traces: dict[str, NDArray[np.float64]] = field(default_factory=dict)
    time: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))


@functools.cache
def code_in_use() -> str:
    """Return what must be the same wherever cases of one study are computed.

    Returns
    -------
    str
        Version of servosim, and a hash of its equations and of the compiler's version.
    """
    return f"servosim {__version__}, equations {source_hash()}"


def spans_of(n: int, size: int) -> list[Span]:
    """Return the chunks of a number of cases.

    Parameters
    ----------
    n : int
        Number of cases.
    size : int
        Number of cases of a chunk; the last one may be shorter.

    Returns
    -------
    list of Span
        In order.
    """
    return [Span(k, min(k + size, n)) for k in range(0, n, size)]


def chunk_size(plan: Plan, most: int, width: int) -> int:
    """Return how many cases to put into a chunk.

    Parameters
    ----------
    plan : Plan
        The plan.
    most : int
        Number of cases that a chunk may have.
    width : int
        Number of workers.

    Returns
    -------
    int
        At most ``most``; fewer if there would be too few chunks for the workers, or if the traces
        of a chunk would take much memory.
    """
    share = -(-len(plan) // (_SHARES * width)) if width > 1 else len(plan)
    size = min(most, max(share, FEWEST_CASES))
    if plan.traces:
        duration = plan.axis.move.duration
        if "move.duration" in plan.paths:
            duration = float(np.max(np.asarray(plan.values("move.duration"), dtype=np.float64)))
        samples = round(duration / plan.axis.parameters.controller.period) + 1
        most_bytes = min(MOST_BYTES, MOST_OUT / (2.0 * width))
        size = min(size, int(most_bytes / (8.0 * samples * len(plan.traces))))
    return max(size, 1)


def task_of(plan: Plan, span: Span) -> Task:
    """Return the task of a chunk.

    Parameters
    ----------
    plan : Plan
        The plan of all cases.
    span : Span
        The cases of the chunk.

    Returns
    -------
    Task
        The task.
    """
    return Task(span, plan.subset(*span).pack(), code_in_use())


def compute(task: Task, watch: Callable[[int, int], Any] | None = None) -> Figures:
    """Compute the cases of a chunk.

    Parameters
    ----------
    task : Task
        The chunk.
    watch : callable, optional
        Called now and then with the cases done and the cases in all; what it raises ends the work.

    Returns
    -------
    Figures
        Their figures. A case that cannot be made or does not run to its end is a row.

    Raises
    ------
    StudyError
        If this process has another version of servosim than the one that asks.
    """
    if task.code != code_in_use():
        raise StudyError(
            f"The worker has {code_in_use()}, the study is led by {task.code}: their results "
            "could differ. Install the same servosim, numpy and numba on every machine."
        )
    plan, n = Plan.unpack(task.plan), task.span.last - task.span.first
    status = np.full(n, Status.REFUSED, dtype=np.int8)
    reasons = [""] * n
    axes: list[Axis] = []
    rows: list[int] = []
    with collector_rests():
        for k in range(n):
            try:
                axis = plan.case_axis(k)
                _ = axis.move
            except ParameterError as error:
                reasons[k] = str(error)
            else:
                axes.append(axis)
                rows.append(k)
        found = ensemble(axes, tolerance=plan.tolerance, traces=plan.traces, progress=watch)
    at = np.array(rows, dtype=np.int64)
    status[at] = found.status
    events: dict[str, NDArray[np.bool_]] = {}
    for j, k in enumerate(rows):
        reasons[k] = found.reasons[j]
        for kind in found.events[j]:
            events.setdefault(kind, np.zeros(n, dtype=np.bool_))[k] = True
    metrics = {name: _spread(found.metrics[name], at, n) for name in DEFINITIONS}
    traces = {name: _spread(found.traces[name], at, n) for name in plan.traces if rows}
    kinds = dict(sorted(events.items()))
    return Figures(task.span, status, tuple(reasons), metrics, kinds, traces, found.time)


def _spread(values: NDArray[np.float64], rows: NDArray[np.int64], n: int) -> NDArray[np.float64]:
    """Return values at their rows among n, nan elsewhere."""
    if len(rows) == n:
        return values
    out = np.full((n, *values.shape[1:]), np.nan)
    out[rows] = values
    return out
