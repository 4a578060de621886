"""The standard positioning test on many virtual machines of a simulated axis.

Every machine goes through the cycle of ISO 230-2: all targets in one direction and back, five runs.
Its deviations come from moves of the axis whose conditions differ as :mod:`.scatter` and
:mod:`.machines` say. Two positions are read at each stop, by two sets of moves:

- **unlocked**: the lock is kept open, the loop holds the table, the mean of the last 20 ms after it
  has come to rest;
- **locked**, if the axis has a lock: it closes by the file's own sequence, the mean of the first
  100 ms after it is confirmed closed.

No tool pushes. What is read is the true position of the table at the tool, as a laser would, free
of error of its own.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from servosim.axis import Axis
from servosim.ensemble import ensemble
from servosim.errors import Fault, ParameterError
from servosim.positioning.approaches import (
    Approaches,
    approaches_of,
    cycle_of,
    stop_times,
)
from servosim.positioning.deviations import Array, Deviations
from servosim.positioning.machines import (
    Machine,
    changes_of_machine,
    machine_of,
    with_controller,
)
from servosim.positioning.scatter import Conditions, changes_of, oil_temperatures, stops_of
from servosim.positioning.standard_cycle import TestCycle
from servosim.result import Status
from servosim.tuning.cases import sound_corners

MACHINES = 200
READINGS = {  # figure of a move that is the error, target less position
    "unlocked": "resting_error",
    "locked": "resting_error_locked",
}
_FREE = {"thrust.mode": "none"}
_OPEN = {"lock.kind": "none", "lock.brake": "none"}
_OF_NO_CONCERN = ("lock_never_opened",)  # a move ends once its position is read
_ONCE = 1200  # moves at a time, which bounds the memory


@dataclass(frozen=True, eq=False)
class Tested:
    """The test of one virtual machine.

    Attributes
    ----------
    machine : Machine
        The machine.
    deviations : dict of str to Deviations
        By reading, ``"unlocked"`` and, with a lock, ``"locked"``; nan where a stop gave none.
    missing : dict of str to int
        Stops without a deviation, by reading.
    unsettled : int
        Unlocked stops that did not stay inside the file's window.
    events : dict of str to int
        Kinds of events, and how many moves had them.
    reason : str
        Why the first move that broke off did, or "".
    """

    machine: Machine
    deviations: dict[str, Deviations]
    missing: dict[str, int]
    unsettled: int
    events: dict[str, int]
    reason: str


@dataclass(frozen=True, eq=False)
class Acceptance:
    """Tests of many virtual machines.

    Attributes
    ----------
    axis : Axis
        The axis of the file.
    cycle : TestCycle
        Targets and stops, the same for all machines.
    conditions : Conditions
        How the test was taken.
    seed : int
        Seed of targets, machines and noise.
    asked : tuple of int
        Numbers of the machines that were asked for.
    tested : tuple of Tested
        Those whose test was finished, in the order of their numbers.
    readings : tuple of str
        ``("unlocked",)`` or ``("unlocked", "locked")``.
    duration : float
        Time of one test at the machine [s].
    oil : tuple of float
        Lowest and highest temperature of the oil at its targets [K].
    moves : int
        Moves that were simulated for the machines tested.
    """

    axis: Axis
    cycle: TestCycle
    conditions: Conditions
    seed: int
    asked: tuple[int, ...]
    tested: tuple[Tested, ...]
    readings: tuple[str, ...]
    duration: float
    oil: tuple[float, float]
    moves: int

    @property
    def interrupted(self) -> bool:
        """Whether machines are missing because the run was interrupted."""
        return len(self.tested) < len(self.asked)


def run_acceptance(
    axis: Axis,
    *,
    machines: int | Sequence[int] = MACHINES,
    runs: int | None = None,
    targets: int | Sequence[float] | None = None,
    low: float | None = None,
    high: float | None = None,
    seed: int = 0,
    conditions: Conditions | None = None,
    workers: int = 1,
    progress: Callable[[int, int], Any] | None = None,
) -> Acceptance:
    """Take the standard positioning test on virtual machines of an axis.

    Parameters
    ----------
    axis : Axis
        The axis.
    machines : int or sequence of int, optional
        How many machines, or their numbers: a machine depends on its number and the seed alone.
    runs : int, optional
        Runs in each direction; 5, or 1 above 2000 mm, if not given.
    targets : int or sequence of float, optional
        How many targets, or their positions [m]; as many as the standard asks for if not given.
    low, high : float, optional
        Ends of the measured length [m]; the usable stroke if not given.
    seed : int, optional
        Seed of targets, machines and noise.
    conditions : Conditions, optional
        How the test is taken.
    workers : int, optional
        Threads that share the moves; the results don't depend on them.
    progress : callable, optional
        Called now and then with the moves done and the moves in all. If it raises
        KeyboardInterrupt, the machines that are finished are returned.

    Returns
    -------
    Acceptance
        The tests.

    Raises
    ------
    ParameterError
        If the measured length, the targets or the runs are not allowed, or the envelope holds
        values that contradict the file.

    Examples
    --------
    >>> import servosim
    >>> axis = servosim.read_axis("params/tube_sheet_table.toml")
    >>> found = run_acceptance(axis, machines=1, runs=2, seed=3)
    >>> found.readings, found.tested[0].deviations["locked"].positive.shape
    (('unlocked', 'locked'), (5, 2))
    """
    taken = conditions or Conditions()
    numbers = _numbers(machines)
    cycle = cycle_of(axis, runs=runs, targets=targets, low=low, high=high, seed=seed)
    if (taken.oil, taken.unknowns, taken.supply) != ("file", "file", "file"):
        _check_envelope(axis)
    has_lock = axis.file.lock.kind != "none" or axis.file.lock.brake != "none"
    free = axis.replace(_FREE)
    unlocked = free.replace(_OPEN) if has_lock else free
    bases = {"unlocked": unlocked} | ({"locked": free} if has_lock else {})
    ways = {name: approaches_of(base, cycle) for name, base in bases.items()}
    times = stop_times(axis, cycle, taken.pause)
    job = _Job(axis, cycle, taken, seed, bases, ways, times)
    each = job.moves
    size = max(1, _ONCE // each)
    tested: list[Tested] = []
    total = each * len(numbers)
    try:
        for k in range(0, len(numbers), size):
            part = numbers[k : k + size]

            def told(done: int, _: int, before: int = each * k) -> None:
                if progress is not None:
                    progress(before + done, total)

            tested += _tests(job, part, workers, told)
    except KeyboardInterrupt:
        if not tested:
            raise
    oil = oil_temperatures(axis, times[list(ways["unlocked"].places)], taken)
    return Acceptance(
        axis=axis,
        cycle=cycle,
        conditions=taken,
        seed=seed,
        asked=numbers,
        tested=tuple(tested),
        readings=tuple(bases),
        duration=float(times[-1]),
        oil=(float(oil.min()), float(oil.max())),
        moves=each * len(tested),
    )


@dataclass(frozen=True, eq=False)
class _Job:
    """What is the same for all machines."""

    axis: Axis
    cycle: TestCycle
    conditions: Conditions
    seed: int
    bases: dict[str, Axis]
    ways: dict[str, Approaches]
    times: Array

    @property
    def moves(self) -> int:
        """Moves of one machine."""
        return sum(len(way.moves) for way in self.ways.values())


def _numbers(machines: int | Sequence[int]) -> tuple[int, ...]:
    """Return the numbers of the machines that are asked for."""
    found = tuple(range(machines)) if isinstance(machines, int) else tuple(map(int, machines))
    if not found or min(found) < 0:
        what = f"{machines!r}"
        raise ParameterError(Fault("", "", "machines", what, "one machine at least, from 0"))
    return tuple(sorted(set(found)))


def _check_envelope(axis: Axis) -> None:
    """Refuse an envelope with corners in which the axis does not exist."""
    _, faults = sound_corners(axis)
    if faults:
        expected = "an envelope in which the axis can be, or the file's own values"
        raise ParameterError([Fault(axis.path, "envelope", "", one, expected) for one in faults])


def _tests(
    job: _Job, numbers: Sequence[int], workers: int, progress: Callable[[int, int], Any]
) -> Iterator[Tested]:
    """Take the tests of some machines in one call of the ensemble."""
    axes: list[Axis] = []
    seeds: list[int] = []
    machines = [machine_of(job.axis, job.conditions, job.seed, number) for number in numbers]
    for machine in machines:
        for own_seeds, own_axes in _stops(job, machine):
            axes += own_axes
            seeds += own_seeds
    moves = [way for name in job.bases for way in job.ways[name].moves] * len(machines)
    found = ensemble(axes, moves=moves, seeds=seeds, workers=workers, progress=progress)
    n = job.moves
    for k, machine in enumerate(machines):
        own = slice(k * n, (k + 1) * n)
        whole = found.status[own] == Status.COMPLETE
        at, deviations, missing = 0, {}, {}
        for name in job.bases:
            m = len(job.ways[name].places)
            errors = found.metrics[READINGS[name]][own][at : at + m]
            deviations[name] = _deviations(job.cycle, job.ways[name], -errors)
            missing[name] = int(np.count_nonzero(np.isnan(errors)))
            at += m
        m = len(job.ways["unlocked"].places)
        settled = found.metrics["settled"][own][:m]
        yield Tested(
            machine=machine,
            deviations=deviations,
            missing=missing,
            unsettled=int(np.count_nonzero(settled != 1.0)),
            events=_counted(found.events[own]),
            reason="" if whole.all() else next(one for one in found.reasons[own] if one),
        )


def _stops(job: _Job, machine: Machine) -> Iterator[tuple[list[int], list[Axis]]]:
    """Return for each reading the seeds and the axes of a machine's stops."""
    changes = changes_of_machine(job.axis, machine, job.conditions)
    supply = changes.get("supply.pressure", job.axis.file.supply.pressure)
    stops = stops_of(
        job.axis, job.cycle, job.times, job.conditions, job.seed, machine.number, supply
    )
    places = job.ways["unlocked"].places
    at_stop = [changes_of(job.axis, stops, k, job.conditions) for k in places]
    for base in job.bases.values():
        own = base.replace(changes) if changes else base
        axes = [with_controller(own.replace(one) if one else own, base) for one in at_stop]
        yield [int(stops.seeds[k]) for k in places], axes  # one stop has one noise, read twice


def _deviations(cycle: TestCycle, way: Approaches, values: Array) -> Deviations:
    """Return the deviations of a test by target, direction and run."""
    table = {sign: np.full((len(cycle.targets), cycle.runs), np.nan) for sign in "+-"}
    for k, value in zip(way.places, values, strict=True):
        stop = cycle.stops[k]
        table[stop.direction][stop.target, stop.run - 1] = value
    return Deviations(cycle.targets, table["+"], table["-"])


def _counted(events: Iterable[tuple[str, ...]]) -> dict[str, int]:
    return dict(Counter(kind for one in events for kind in one if kind not in _OF_NO_CONCERN))
