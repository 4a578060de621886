"""Trying gains: candidates times cases times seeds in one call of the ensemble."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim.axis import Axis
from servosim.ensemble import ensemble
from servosim.errors import ParameterError
from servosim.program import Move
from servosim.result import Status
from servosim.tuning.cases import Case

Array = NDArray[np.float64]

_STRIDE = 1000  # between the seeds of two cases
FIGURES = (
    "settled",
    "settling_time",
    "overshoot",
    "following_error_peak",
    "resting_error",
    "resting_error_locked",
    "lock_time",
    "lock_shift",
    "hold_drift",
    "thrust_deflection",
    "thrust_deflection_peak",
    "limit_cycle_amplitude",
    "pressure_max",
    "pressure_min",
    "supply_pressure_min",
    "cavitation_time",
    "valve_saturation",
)


@dataclass(frozen=True)
class Outcomes:
    """What candidates did in cases.

    Attributes
    ----------
    figures : dict of str to ndarray, shape (n_candidate, n_case, n_seed)
        Figures of the moves [SI], nan where a move doesn't hold one.
    broken : ndarray of bool, shape (n_candidate, n_case, n_seed)
        Whether a move did not run to its end.
    cases : tuple of Case
        The cases.
    duration : float
        Time that was simulated [s].
    reason : str
        Why the first broken one broke, or "".
    """

    figures: dict[str, Array]
    broken: NDArray[np.bool_]
    cases: tuple[Case, ...]
    duration: float
    reason: str = ""

    def of(self, candidate: int) -> Outcomes:
        """Return the outcomes of one candidate."""
        one = slice(candidate, candidate + 1)
        return Outcomes(
            {name: values[one] for name, values in self.figures.items()},
            self.broken[one],
            self.cases,
            self.duration,
            self.reason,
        )


@dataclass
class Bench:
    """Runs candidates of one axis over cases and counts the moves.

    Attributes
    ----------
    base : Axis
        The axis of the moves: the file's, or the short one made of it.
    workers : int
        Threads that share the moves.
    rated : bool
        Whether a corner keeps the numbers of the file's controller, as a machine does. Else each
        corner is the file with other values, as a user would write it, and its controller is scaled
        to its own supply and load.
    moves : int
        Moves that were simulated.
    control : Axis, optional
        Axis whose controller's numbers every corner keeps, if they are not the base's own: for
        gains that stay in the machine while more than its envelope changes.
    """

    base: Axis
    workers: int = 1
    rated: bool = True
    moves: int = 0
    control: Axis | None = None
    _corners: dict[tuple[tuple[str, float], ...], Axis] = field(default_factory=dict)

    def corner(self, case: Case) -> Axis:
        """Return the axis of a case's corner, with the base's gains."""
        key = tuple(case.corner.items())
        if key not in self._corners:
            self._corners[key] = self.base.replace(case.changes)
        return self._corners[key]

    def machines(
        self, changes: Mapping[str, Any], cases: Sequence[Case]
    ) -> tuple[list[Axis], list[Move]]:
        """Return the axis and the move of each case for one candidate.

        Raises
        ------
        ParameterError
            If the values of the candidate are not allowed in a corner.
        """
        own = self.base.replace(dict(changes)) if changes else self.base
        # gains and reference act by the controller's numbers and the move alone
        alone = all(key.split(".")[0] in ("controller", "reference") for key in changes)
        made: dict[int, Axis] = {}
        moves: dict[tuple[float, float], Move] = {}
        axes, ways = [], []
        for case in cases:
            corner = self.corner(case)
            if id(corner) not in made:
                kept = self.rated and alone
                axis = corner if kept or not changes else corner.replace(dict(changes))
                made[id(corner)] = machine(axis, self.control or own) if self.rated else axis
            way = (case.place.start, case.place.target)
            if way not in moves:
                moves[way] = own.plan(start=way[0], target=way[1])
            axes.append(made[id(corner)])
            ways.append(moves[way])
        return axes, ways

    def run(
        self,
        candidates: Sequence[Mapping[str, Any]],
        cases: Sequence[Case],
        seeds: Sequence[int],
    ) -> Outcomes:
        """Simulate every candidate in every case with every seed.

        Parameters
        ----------
        candidates : sequence of mapping of str to object
            Keys of the file and their values.
        cases : sequence of Case
            The cases.
        seeds : sequence of int
            Seeds of the transducers' noise, the same for all candidates; other noise in each case.

        Returns
        -------
        Outcomes
            A candidate whose values contradict the file is broken in every case.
        """
        return run_jobs([Job(self, candidates, cases, seeds)], self.workers)[0]


@dataclass(frozen=True)
class Job:
    """Candidates of one axis that are to be run in cases.

    Attributes
    ----------
    bench : Bench
        The axis; it counts the moves.
    candidates : sequence of mapping of str to object
        Keys of the file and their values.
    cases : sequence of Case
        The cases.
    seeds : sequence of int
        Seeds of the transducers' noise, the same for all candidates; other noise in each case.
    """

    bench: Bench
    candidates: Sequence[Mapping[str, Any]]
    cases: Sequence[Case]
    seeds: Sequence[int]


def run_jobs(jobs: Sequence[Job], workers: int = 1) -> list[Outcomes]:
    """Simulate what several axes have to do, all of it in one call of the ensemble.

    Parameters
    ----------
    jobs : sequence of Job
        Axes with their candidates, cases and seeds.
    workers : int
        Threads that share the moves.

    Returns
    -------
    list of Outcomes
        One for each job. A candidate whose values contradict the file is broken in every case.
    """
    axes: list[Axis] = []
    moves: list[Move] = []
    numbers: list[int] = []
    kept: list[list[int]] = []
    refused: list[str] = []
    for job in jobs:
        kept.append([])
        refused.append("")
        for k, changes in enumerate(job.candidates):
            try:
                own, ways = job.bench.machines(changes, job.cases)
            except ParameterError as error:
                refused[-1] = refused[-1] or str(error)
                continue
            kept[-1].append(k)
            for place, (axis, way) in enumerate(zip(own, ways, strict=True)):
                axes.extend([axis] * len(job.seeds))
                moves.extend([way] * len(job.seeds))
                numbers.extend(seed + _STRIDE * place for seed in job.seeds)
    found = ensemble(axes, moves=moves, seeds=numbers, workers=workers) if axes else None
    outcomes, at = [], 0
    for job, rows, reason in zip(jobs, kept, refused, strict=True):
        shape = (len(job.candidates), len(job.cases), len(job.seeds))
        figures = {name: np.full(shape, np.nan) for name in FIGURES}
        broken = np.ones(shape, dtype=bool)
        part = (len(rows), *shape[1:])
        own_rows = slice(at, at := at + math.prod(part))
        if found is not None and rows:
            for name in FIGURES:
                figures[name][rows] = found.metrics[name][own_rows].reshape(part)
            broken[rows] = (found.status[own_rows] != Status.COMPLETE).reshape(part)
            reason = reason or next((one for one in found.reasons[own_rows] if one), "")
        job.bench.moves += math.prod(part)
        duration = job.bench.base.file.move.duration
        outcomes.append(Outcomes(figures, broken, tuple(job.cases), duration, reason))
    return outcomes


def machine(corner: Axis, rated: Axis) -> Axis:
    """Return the axis of a corner whose controller has the numbers of the file's.

    Parameters
    ----------
    corner : Axis
        The axis with the corner's oil, load and supply.
    rated : Axis
        The axis of the file, with the same gains.

    Returns
    -------
    Axis
        Gains divided by the velocity gains of the file, its nominal load and drops.
    """
    made = Axis(corner.file, corner.path)
    control = rated.parameters.controller
    vars(made)["parameters"] = corner.parameters._replace(controller=control)
    return made
