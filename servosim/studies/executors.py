"""Who computes the chunks: this process, threads, processes, any executor, or a dask cluster.

All of them are executors of ``concurrent.futures`` in the end, so one loop hands out the work:
never more than twice as many chunks as there are workers are out at a time, results are taken in
whatever order they come, and what a killed worker held is tried again on fresh workers.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections import Counter, deque
from collections.abc import Callable, Iterable
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    CancelledError,
    Executor,
    Future,
    ProcessPoolExecutor,
    ThreadPoolExecutor,
    wait,
)
from functools import partial
from multiprocessing.connection import Connection
from typing import Any

import numpy as np

from servosim.errors import ParameterError, ServosimError, StudyError
from servosim.studies.chunks import Figures, Span, Task, compute

# Threads share one interpreter. The kernels run without its lock; what is done around them needs
# it, some 0.3 ms a case whatever the move. Processes do not share it and take seconds to start, so
# that they win where there are very many cases.
MOST_FOR_THREADS = 8000
RETRIES = 2  # of a chunk whose worker was killed
_LOOK = 0.25  # time between two looks at the clock while chunks are out, s
_WORKERS = "workers: {}; expected a whole number, one or more"


# the process that leads decides what an interruption means
_DEAF = "import signal\nsignal.signal(signal.SIGINT, signal.SIG_IGN)\n"


class Crew:
    """An executor, how many it computes at a time, and how to end it.

    This one computes in the calling thread; the others are told apart by what they override.
    """

    width = 1
    ahead = 1  # chunks handed out for each worker

    def submit(self, task: Task, watch: Callable[[int, int], Any]) -> Future[Figures]:
        """Hand out a chunk; ``watch`` is called where that can be done from this process."""
        future: Future[Figures] = Future()
        future.set_result(compute(task, watch))
        return future

    def begun(self) -> int:
        """Return how many cases are done of the chunks that are out, as far as that is known."""
        return 0

    def taken(self, span: Span) -> None:
        """Note that the figures of a chunk have been taken."""

    def renew(self) -> bool:
        """Put fresh workers in the place of broken ones; return whether that can be done."""
        return False

    def close(self, at_once: bool) -> None:
        """End the workers, those at work included if it has to be at once."""


class _Stopped(Exception):
    """Raised inside a thread whose work is no longer wanted."""


class _Threads(Crew):
    ahead = 2

    def __init__(self, workers: int) -> None:
        self.width = workers
        self._stop = threading.Event()
        self._done: dict[Span, int] = {}
        self._pool = ThreadPoolExecutor(workers, thread_name_prefix="study")

    def submit(self, task: Task, watch: Callable[[int, int], Any]) -> Future[Figures]:
        return self._pool.submit(compute, task, partial(self._look, task.span))

    def _look(self, span: Span, done: int, total: int) -> None:
        if self._stop.is_set():
            raise _Stopped
        self._done[span] = done

    def begun(self) -> int:
        return sum(list(self._done.values()))  # a copy, because the threads go on

    def taken(self, span: Span) -> None:
        self._done.pop(span, None)

    def close(self, at_once: bool) -> None:
        if at_once:
            self._stop.set()
        self._pool.shutdown(wait=True, cancel_futures=True)


def _attend(line: Connection) -> None:
    """Make a worker process leave when the process that leads is gone or lets go of it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)

    def leave() -> None:
        try:
            line.recv_bytes()  # nothing is ever sent: it returns when the other end is closed
        except (EOFError, OSError):
            os._exit(1)

    threading.Thread(target=leave, daemon=True).start()


class _Processes(Crew):
    ahead = 2

    def __init__(self, workers: int) -> None:
        self.width = workers
        self._begin()

    def _begin(self) -> None:
        # spawned, because threads of the compiler and of libraries do not survive a fork
        context = multiprocessing.get_context("spawn")
        self._end, self._held = context.Pipe(duplex=False)
        self._pool = ProcessPoolExecutor(
            self.width, mp_context=context, initializer=_attend, initargs=(self._end,)
        )

    def submit(self, task: Task, watch: Callable[[int, int], Any]) -> Future[Figures]:
        return self._pool.submit(compute, task)

    def renew(self) -> bool:
        self.close(at_once=True)
        self._begin()
        return True

    def close(self, at_once: bool) -> None:
        if at_once:
            self._held.close()
        self._pool.shutdown(wait=True, cancel_futures=True)
        self._held.close()
        self._end.close()


class _Borrowed(Crew):
    """An executor of the user, who also ends it."""

    ahead = 2

    def __init__(self, pool: Executor, workers: int | None) -> None:
        own = getattr(pool, "_max_workers", None)
        self.width = workers or (own if isinstance(own, int) else os.cpu_count() or 1)
        self._pool = pool

    def submit(self, task: Task, watch: Callable[[int, int], Any]) -> Future[Figures]:
        return self._pool.submit(compute, task)


class _Cluster(Crew):
    """Workers of dask, here or elsewhere; they may come and go while the study runs."""

    ahead = 2

    def __init__(self, address: str | None, workers: int | None) -> None:
        try:
            from distributed import Client
        except ImportError:
            raise ParameterError(
                "executor: a dask cluster was asked for, and distributed is not installed; "
                "expected it to be: pip install 'servosim[dask]'"
            ) from None
        try:
            self._client = (
                Client(
                    n_workers=workers,
                    threads_per_worker=1,
                    dashboard_address=None,
                    preload=[_DEAF],
                )
                if address is None
                else Client(address, timeout=10)
            )
        except (OSError, ValueError) as error:  # what it raises if nobody answers
            raise ParameterError(
                f"executor: {address!r}: no dask scheduler answers there ({error}); expected the "
                'address of one that runs, such as "tcp://host:8786"'
            ) from None
        self._pool = self._client.get_executor(pure=False, retries=0)

    @property
    def width(self) -> int:  # type: ignore[override]
        return max(1, sum(self._client.nthreads().values()))

    def submit(self, task: Task, watch: Callable[[int, int], Any]) -> Future[Figures]:
        return self._pool.submit(compute, task)

    def close(self, at_once: bool) -> None:
        self._pool.shutdown(wait=not at_once)
        self._client.close()


def is_whole(value: Any, least: int) -> bool:
    """Return whether a value is a whole number.

    Parameters
    ----------
    value : object
        Anything.
    least : int
        The lowest that will do [-].

    Returns
    -------
    bool
        True for an integer of Python or numpy that is no less; False for a switch.
    """
    is_integer = isinstance(value, int | np.integer) and not isinstance(value, bool)
    return is_integer and bool(value >= least)


def crew_of(executor: Executor | str | None, workers: int | None, cases: int = 0) -> Crew:
    """Return who computes the chunks.

    Parameters
    ----------
    executor : concurrent.futures.Executor or str, optional
        An executor, which stays open; ``"threads"``, ``"processes"``; ``"local"`` for a dask
        cluster on this machine; or the address of a dask scheduler. Without one, this thread
        computes for no more than one worker, and several are threads, or processes if there are
        very many cases.
    workers : int, optional
        Number of workers; the processors of this machine if a kind is named without it.
    cases : int, optional
        Number of cases that they are for [-].

    Returns
    -------
    Crew
        To be closed in the end.

    Raises
    ------
    ParameterError
        If there is no such executor, or a cluster does not answer.
    """
    if workers is not None:
        if not is_whole(workers, 1):
            raise ParameterError(_WORKERS.format(repr(workers)))
        workers = int(workers)
    if isinstance(executor, Executor):
        return _Borrowed(executor, workers)
    if executor is None:
        if workers is None or workers == 1:
            return Crew()
        return _Threads(workers) if cases <= MOST_FOR_THREADS else _Processes(workers)
    if isinstance(executor, str):
        if executor == "local" or "://" in executor:
            return _Cluster(None if executor == "local" else executor, workers)
        kinds = {"threads": _Threads, "processes": _Processes}
        if executor in kinds:
            return kinds[executor](workers or os.cpu_count() or 1)
    raise ParameterError(
        f'executor: {executor!r}; expected "threads", "processes", "local" (dask on this '
        'machine), the address of a dask scheduler such as "tcp://host:8786", or an executor of '
        "concurrent.futures"
    )


def work(
    crew: Crew,
    spans: Iterable[Span],
    task_of: Callable[[Span], Task],
    take: Callable[[Figures], Any],
    watch: Callable[[int, int], Any],
) -> None:
    """Compute chunks and hand on each as it is finished.

    Parameters
    ----------
    crew : Crew
        Who computes.
    spans : iterable of Span
        The chunks.
    task_of : callable
        Returns the task of a chunk; called only when it is handed out.
    take : callable
        Called with the figures of each chunk, in this thread.
    watch : callable
        Called now and then in this thread with the cases done of the chunks that are out, and, if
        this thread computes, with those of its chunk in all; what it raises ends the work.

    Raises
    ------
    StudyError
        If a chunk cannot be computed: its worker was killed again and again, or failed in a way
        that no case should.
    """
    told: list[Exception] = []  # what the caller's own function raised, which is no chunk's fault

    def tell(done: int, total: int) -> None:
        try:
            watch(done, total)
        except Exception as error:
            told.append(error)
            raise

    waiting, suspects = deque(spans), deque[Span]()
    out: dict[Future[Figures], Span] = {}
    deaths: Counter[Span] = Counter()
    try:
        while waiting or suspects or out:
            # what was out when workers died goes alone, so that its next death is its own
            alone = bool(suspects) or any(deaths[span] for span in out.values())
            queue = suspects or waiting
            while queue and len(out) < (1 if alone else crew.ahead * crew.width):
                span = queue.popleft()
                try:
                    out[crew.submit(task_of(span), tell)] = span
                except BrokenExecutor:
                    queue.appendleft(span)
                    if not out:
                        _renew(crew, deaths, [span], suspects)
                        queue.popleft()
                    break
                except ServosimError:
                    raise
                except Exception as error:
                    if error in told:
                        raise
                    raise _failed(span, error) from error
            if not out:
                continue
            finished, _ = wait(out, _LOOK, FIRST_COMPLETED)
            lost = []
            for future in finished:
                span = out.pop(future)
                if isinstance(future.exception(), BrokenExecutor):
                    lost.append(span)
                else:
                    take(_result(future, span))
                    crew.taken(span)
            if lost:
                lost += [span for future, span in out.items() if not _ended_well(future)]
                for future, _ in [pair for pair in out.items() if _ended_well(pair[0])]:
                    take(future.result())
                out.clear()
                _renew(crew, deaths, lost, suspects)
            watch(crew.begun(), 0)
    except BaseException:
        for future in out:
            future.cancel()
        for future in [one for one in out if _ended_well(one)]:
            take(future.result())
        raise


def _ended_well(future: Future[Figures]) -> bool:
    return future.done() and not future.cancelled() and future.exception() is None


def _result(future: Future[Figures], span: Span) -> Figures:
    try:
        return future.result()
    except ServosimError:
        raise
    except (Exception, CancelledError) as error:
        raise _failed(span, error) from error


def _failed(span: Span, error: BaseException) -> StudyError:
    """Return the error of a chunk whose computation failed as no case should."""
    kind, text = type(error).__name__, str(error) or "no more is known"
    if kind in ("KilledWorker", "CancelledError"):
        text = "the workers that had it were lost; likely they had too little memory"
    if isinstance(error, MemoryError):
        text += "; smaller chunks (chunk=...) or fewer workers need less memory"
    return StudyError(f"The study stopped: {span} could not be computed: {kind}: {text}.")


def _renew(crew: Crew, deaths: Counter[Span], lost: list[Span], suspects: deque[Span]) -> None:
    """Get fresh workers for chunks whose workers died, or stop and say which those are."""
    deaths.update(lost)
    killers = [span for span in lost if deaths[span] > RETRIES]
    if not killers and crew.renew():
        suspects.extendleft(sorted(lost, reverse=True))
        return
    often = f" {RETRIES + 1} times" if killers else ""
    cases = ", ".join(str(span) for span in sorted(killers or lost))
    raise StudyError(
        f"The study stopped: the worker process that computed {cases} was killed or ended{often}. "
        "Likely there was too little memory (fewer workers or smaller chunks need less), or a "
        'script starts workers outside `if __name__ == "__main__":`.'
    )
