"""Trying gains: candidates times cases times seeds in one call of the ensemble."""

from __future__ import annotations

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
    """

    base: Axis
    workers: int = 1
    rated: bool = True
    moves: int = 0
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
                made[id(corner)] = machine(axis, own) if self.rated else axis
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
        shape = (len(candidates), len(cases), len(seeds))
        axes: list[Axis] = []
        moves: list[Move] = []
        numbers: list[int] = []
        kept, reason = [], ""
        for k, changes in enumerate(candidates):
            try:
                own, ways = self.machines(changes, cases)
            except ParameterError as error:
                reason = reason or str(error)
                continue
            kept.append(k)
            for place, (axis, way) in enumerate(zip(own, ways, strict=True)):
                axes.extend([axis] * len(seeds))
                moves.extend([way] * len(seeds))
                numbers.extend(seed + _STRIDE * place for seed in seeds)
        figures = {name: np.full(shape, np.nan) for name in FIGURES}
        broken = np.ones(shape, dtype=bool)
        if axes:
            found = ensemble(axes, moves=moves, seeds=numbers, workers=self.workers)
            self.moves += len(axes)
            part = (len(kept), len(cases), len(seeds))
            for name in FIGURES:
                figures[name][kept] = found.metrics[name].reshape(part)
            broken[kept] = (found.status != Status.COMPLETE).reshape(part)
            reason = reason or next((one for one in found.reasons if one), "")
        duration = self.base.file.move.duration
        return Outcomes(figures, broken, tuple(cases), duration, reason)


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
