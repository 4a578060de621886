"""Run a study: hand out what is not finished yet, keep what comes back, say how far it is."""

from __future__ import annotations

import os
import time as clock
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from servosim.errors import ParameterError, StudyError
from servosim.result import Status
from servosim.studies.chunks import MOST_CASES, Figures, Span, chunk_size, spans_of, task_of
from servosim.studies.executors import crew_of, is_whole, work
from servosim.studies.labelled import Kept
from servosim.studies.plan import Plan
from servosim.studies.result import StudyResult
from servosim.studies.store import Store, prepare_store
from servosim.version import __version__

if TYPE_CHECKING:
    from servosim.axis import Axis


@dataclass(frozen=True)
class Progress:
    """How far a study is.

    Attributes
    ----------
    done, total : int
        Cases that are computed, those that were found in the store included, and cases in all.
    failed : int
        Those of this session that did not run to their end.
    elapsed : float
        Time since this session began [s].
    left : float or None
        Time that the rest will take [s], at the pace since the first chunk of this session came
        back, because start-up and compiling lie before it; None before anything is done.
    """

    done: int
    total: int
    failed: int
    elapsed: float
    left: float | None


class _Tally:
    """Counts cases, and tells the caller."""

    def __init__(self, total: int, tell: Callable[[Progress], Any] | None) -> None:
        self.total, self.tell = total, tell
        self.found = self.computed = self.failed = 0
        self.restart()

    def restart(self) -> None:
        """Begin to measure the pace."""
        self.begin = clock.monotonic()
        self.first: tuple[float, int] | None = None

    def add(self, figures: Figures) -> None:
        self.computed += len(figures.status)
        self.failed += int(np.count_nonzero(figures.status != Status.COMPLETE))
        if self.first is None:
            self.first = (clock.monotonic() - self.begin, self.computed)

    def watch(self, done: int, total: int) -> None:
        """Tell how far it is, with the cases done of the chunk at hand."""
        if self.tell is None:
            return
        elapsed, computed = clock.monotonic() - self.begin, self.computed + done
        rest = self.total - self.found - computed
        time, cases = self.first or (0.0, 0)
        if computed <= cases:
            time, cases = 0.0, 0
        left = (elapsed - time) / (computed - cases) * rest if computed else None
        self.tell(Progress(self.found + computed, self.total, self.failed, elapsed, left))


class _Memory:
    """Figures of all cases in arrays, for a study without a store."""

    def __init__(self, n: int) -> None:
        self.n = n
        self.columns: dict[str, NDArray[Any]] = {
            "status": np.zeros(n, dtype=np.int8),
            "reason": np.full(n, "", dtype=object),
        }
        self.chunks: dict[Span, Figures] = {}

    def add(self, figures: Figures) -> None:
        rows = slice(*figures.span)
        self.columns["status"][rows] = figures.status
        self.columns["reason"][rows] = figures.reasons
        for name, values in figures.metrics.items():
            if name not in self.columns:
                self.columns[name] = np.full(self.n, np.nan)
            self.columns[name][rows] = values
        for kind, happened in figures.events.items():
            name = f"event_{kind}"
            if name not in self.columns:
                self.columns[name] = np.zeros(self.n, dtype=np.bool_)
            self.columns[name][rows] = happened
        if figures.traces:
            self.chunks[figures.span] = figures

    def cases(self, names: tuple[str, ...]) -> Kept:
        """Return all of it, when every chunk was added."""
        time = max((one.time for one in self.chunks.values()), key=len, default=np.zeros(0))
        traces = {name: np.full((self.n, len(time)), np.nan) for name in names}
        while self.chunks:  # each is let go of when it is copied
            span, figures = self.chunks.popitem()
            for name, values in figures.traces.items():
                traces[name][slice(*span), : values.shape[1]] = values
        return Kept(self.columns, traces, time, __version__)


def study(
    axis: Axis | Plan | str | os.PathLike[str],
    over: Mapping[Any, Any] | None = None,
    *,
    move: Mapping[str, Any] | None = None,
    cases: Sequence[Mapping[str, Any]] | None = None,
    samples: int | None = None,
    method: str | None = None,
    correlation: Mapping[tuple[str, str], float] | None = None,
    seed: int | None = None,
    noise: str | None = None,
    repeats: int | None = None,
    traces: Sequence[str] | None = None,
    limits: Mapping[str, Any] | None = None,
    tolerance: float | None = None,
    title: str | None = None,
    store: str | os.PathLike[str] | None = None,
    executor: Executor | str | None = None,
    workers: int | None = None,
    chunk: int = MOST_CASES,
    fresh: bool = False,
    progress: Callable[[Progress], Any] | None = None,
) -> StudyResult:
    """Simulate the cases of a study.

    Parameters
    ----------
    axis : Axis or Plan or path
        The axis whose values are varied; or a plan or study file, which state all that follows up
        to ``title`` themselves.
    over : mapping, optional
        "table.key", or a tuple of them that vary together, to its values: a list, or one of
        ``Between``, ``Uniform``, ``Normal`` and the like.
    move : mapping, optional
        Keys of the table ``move`` in place of the file's.
    cases : sequence of mapping, optional
        Cases one by one, each a mapping of "table.key" to a value.
    samples : int, optional
        Number of samples [-] of what has a distribution.
    method : str, optional
        How they are drawn: "latin_hypercube" if not given, "sobol", "random", "sensitivity".
    correlation : mapping, optional
        Rank correlation [-] of pairs of sampled parameters.
    seed : int, optional
        Seed [-] of the samples; 0 if not given.
    noise : str, optional
        "common" if every case has the noise of the file's seed, "varied" if each has its own.
    repeats : int, optional
        How often [-] each case is repeated with other noise; 1 if not given.
    traces : sequence of str, optional
        Signals to keep, see ``servosim.traces.SIGNALS``.
    limits : mapping, optional
        What the figures must keep to.
    tolerance : float, optional
        Largest error of a step [-] relative to the scale of each state.
    title : str, optional
        What the study is.
    store : path, optional
        Folder that keeps finished chunks; ``.study`` is appended if it is not there. The same study
        run again goes on where it stopped. Without one, figures are kept in memory alone.
    executor : concurrent.futures.Executor or str, optional
        Who computes: an executor; "threads", "processes"; "local" for a dask cluster on this
        machine, or the address of a dask scheduler.
    workers : int, optional
        Number of workers [-]: threads, or processes if there are more than 8000 cases, which a
        script may start below ``if __name__ == "__main__":`` only. Without it and an executor, the
        calling thread computes.
    chunk : int, optional
        Most cases [-] that are handed out and kept as one.
    fresh : bool, optional
        Whether a store of another study is emptied instead of refused.
    progress : callable, optional
        Called with a :class:`Progress` now and then, in the calling thread.

    Returns
    -------
    StudyResult
        Figures of every case. They are the same bits whoever computed them, in whatever order.

    Raises
    ------
    ParameterError
        If the study cannot be planned, or the store is another's.
    StudyError
        If it stopped before its end; what was finished is in the store.
    KeyboardInterrupt
        If it was interrupted; the text says what is kept.

    Examples
    --------
    >>> import servosim
    >>> axis = servosim.read_axis("params/tube_sheet_table.toml")
    >>> gains = {"controller.velocity_gain": ["15 1/s", "20 1/s"]}
    >>> result = servosim.study(axis, gains, move={"duration": "0.5 s"})
    >>> len(result)
    2
    """
    stated = {
        "over": over,
        "move": move,
        "cases": cases,
        "samples": samples,
        "method": method,
        "correlation": correlation,
        "seed": seed,
        "noise": noise,
        "repeats": repeats,
        "traces": traces,
        "limits": limits,
        "tolerance": tolerance,
        "title": title,
    }
    plan = _plan(axis, {name: value for name, value in stated.items() if value is not None})
    if not is_whole(chunk, 1):
        raise ParameterError(f"chunk: {chunk!r}; expected a whole number of cases, one or more")
    if progress is not None and not callable(progress):
        raise ParameterError(f"progress: {progress!r}; expected a function of one argument")
    crew = crew_of(executor, workers, plan.n)
    ended = False
    try:
        size = chunk_size(plan, int(chunk), crew.width)
        keeper = _Memory(plan.n) if store is None else prepare_store(store, plan, size, fresh=fresh)
        tally = _Tally(plan.n, progress)

        def take(figures: Figures) -> None:
            keeper.add(figures)
            tally.add(figures)

        try:
            spans = spans_of(plan.n, size)
            if isinstance(keeper, Store):
                sound = set(keeper.sound(lambda: tally.watch(0, 0)))
                spans = [span for span in keeper.spans if span not in sound]
                tally.found = plan.n - sum(last - first for first, last in spans)
            tally.restart()
            work(crew, spans, lambda span: task_of(plan, span), take, tally.watch)
            tally.watch(0, 0)
        except KeyboardInterrupt:
            raise KeyboardInterrupt(f"interrupted: {_left(keeper, tally)}") from None
        except StudyError as error:
            raise StudyError(f"{error} {_left(keeper, tally)}.") from error.__cause__
        ended = True
    finally:
        crew.close(at_once=not ended)
    if isinstance(keeper, Store):
        keeper.tidy()
        return StudyResult(plan, keeper)
    return StudyResult(plan, keeper.cases(plan.traces))


def _plan(axis: Axis | Plan | str | os.PathLike[str], stated: dict[str, Any]) -> Plan:
    """Return the plan of a call of :func:`study`."""
    if not isinstance(axis, Plan | str | os.PathLike):
        from servosim.studies.design import plan_of

        return plan_of(axis, stated.pop("over", None), **stated)
    if stated:
        raise ParameterError(
            f"{', '.join(stated)}: given beside a plan or study file, which states them itself; "
            "expected to be stated there alone"
        )
    if isinstance(axis, Plan):
        return axis
    from servosim.studies.files import read_study

    return read_study(axis)


def _left(keeper: Store | _Memory, tally: _Tally) -> str:
    """Return what a study that stops before its end leaves behind."""
    done = f"{tally.found + tally.computed} of {tally.total} cases are computed"
    if isinstance(keeper, Store):
        return f"{done} and kept in {keeper.path}; run the same study again to go on"
    return f"{done}, and lost, because the study has no store"
