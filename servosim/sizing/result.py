"""What a sizing found: ranked combinations, what rejected the others, and what would help."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass
from os import PathLike
from typing import TYPE_CHECKING, Any

import numpy as np

from servosim.errors import Fault, ParameterError
from servosim.params import dumps, write
from servosim.sizing.calculation import Step
from servosim.sizing.combinations import Check, Combinations, Flags, Numbers
from servosim.sizing.curves import Curves
from servosim.sizing.findings import (
    Candidate,
    Change,
    Column,
    Conflict,
    Figure,
    Relaxation,
    RuleCount,
    Standing,
    Tried,
    WhatIf,
)
from servosim.sizing.requirement import RequirementFile
from servosim.tuning.result import Constraint

if TYPE_CHECKING:
    import xarray

__all__ = [
    "CAUTIONS",
    "Candidate",
    "Change",
    "Column",
    "Conflict",
    "Figure",
    "Relaxation",
    "RuleCount",
    "Sizing",
    "Standing",
    "Tried",
    "WhatIf",
]

CAUTIONS = (
    "These are calculations with the data of the file; they release nothing to be built or run. "
    "Have parts confirmed by their makers' data, pressure equipment by the rules of its place.",
    "Before any work isolate the supply and bleed it; accumulators and locked oil stay under "
    "pressure after the pump has stopped, and a vertical load comes down when its oil is let go.",
    "The hydraulic lock is part of the positioning and no safety function: leave safety functions "
    "to licensed practice; ISO 4413 and ISO 12100 apply to hydraulics and to the whole machine.",
    "Start at low pressure and low gain, the tool away from the work, with a way to stop that does "
    "not depend on this loop.",
)


@dataclass(frozen=True)
class Sizing:
    """What :func:`servosim.size` found.

    Attributes
    ----------
    requirement : RequirementFile
        What was asked for.
    combinations : Combinations
        All that the requirement offers, n of them.
    checks : tuple of Check
        Every rule of the algebra over all of them.
    columns : mapping of str to Column
        Every algebraic figure over all of them.
    passes : ndarray of bool, shape (n,)
        Which keep every rule of the algebra.
    chosen : ndarray of int
        Rows that were to be tuned and moved, the most promising first.
    ranked : tuple of Tried
        Those that keep everything, the best first.
    failed : tuple of Tried
        Those that were moved and missed a goal, the nearest first.
    nearest : tuple of Candidate
        Rejected by algebra, the nearest to keeping everything first; some tens.
    rules : tuple of RuleCount
        What each rule rejected, the most first; rules that rejected nothing come last.
    sheet : tuple of Step
        Every step of the calculation of :attr:`shown`.
    curves : Curves or None
        What the plots show of :attr:`shown`.
    what_if : tuple of WhatIf
        Sensitivity of the winner; empty without a winner.
    conflicts : tuple of Conflict
        Without a solution: what cannot be kept together.
    relaxations : tuple of Relaxation
        Without a solution: the nearest changes that give one, the smallest change first.
    notes : tuple of str
        What a reader must know about how this was found.
    moves : int
        Moves that were simulated.
    interrupted : bool
        Whether it was broken off; then this is what was known by then.
    cautions : tuple of str
        To be printed with every result.
    """

    requirement: RequirementFile
    combinations: Combinations
    checks: tuple[Check, ...]
    columns: Mapping[str, Column]
    passes: Flags
    chosen: Numbers
    ranked: tuple[Tried, ...]
    failed: tuple[Tried, ...]
    nearest: tuple[Candidate, ...]
    rules: tuple[RuleCount, ...]
    sheet: tuple[Step, ...]
    curves: Curves | None
    what_if: tuple[WhatIf, ...]
    conflicts: tuple[Conflict, ...]
    relaxations: tuple[Relaxation, ...]
    notes: tuple[str, ...]
    moves: int
    interrupted: bool = False
    cautions: tuple[str, ...] = CAUTIONS

    @property
    def feasible(self) -> bool:
        """Whether a combination keeps every rule and every goal."""
        return bool(self.ranked)

    @property
    def best(self) -> Tried | None:
        """The winner, or None."""
        return self.ranked[0] if self.ranked else None

    @property
    def shown(self) -> Candidate | None:
        """The combination of the sheet and the curves: the winner, else the nearest one."""
        for one in (*self.ranked, *self.failed):
            return one.candidate
        return self.nearest[0] if self.nearest else None

    def text(self) -> str:
        """Return the winner as a parameter file.

        Returns
        -------
        str
            TOML.

        Raises
        ------
        ParameterError
            If nothing keeps every rule and goal.
        """
        return dumps(self._winner().axis.file)

    def write(self, path: str | PathLike[str]) -> None:
        """Write the winner as a parameter file, beside and renamed.

        Parameters
        ----------
        path : str or path
            The file to write.

        Raises
        ------
        ParameterError
            If nothing keeps every rule and goal, or the file cannot be written.
        """
        write(self._winner().axis.file, path)

    def _winner(self) -> Tried:
        if self.best is None:
            raise ParameterError(
                Fault("", "", "", "no combination keeps every rule and goal, so none is written",
                      "see the conflicts and the relaxations")
            )  # fmt: skip
        return self.best

    def dataset(self) -> xarray.Dataset:
        """Return all combinations labelled: parts, figures, slack of each rule, what became of it.

        Returns
        -------
        xarray.Dataset
            One row for each combination, SI units in the attributes.
        """
        from servosim.sizing.labelled import dataset_of

        return dataset_of(self)

    def as_dict(self) -> dict[str, Any]:
        """Return everything as plain values for JSON, SI units, None for what is not known.

        Returns
        -------
        dict
            Names of the attributes; of all the combinations only how many there are and pass
            (:meth:`dataset` holds them). Units and words of the algebraic figures of every
            candidate stand once in ``figures``, those of the rules in ``rules``; ``text`` is the
            winner's file.
        """
        skipped = ("requirement", "combinations", "checks", "columns", "passes")
        found = {f.name: _plain(getattr(self, f.name)) for f in fields(self)
                 if f.name not in skipped}  # fmt: skip
        return found | {
            "title": self.requirement.title,
            "feasible": self.feasible,
            "considered": len(self.combinations),
            "pass_algebra": int(np.count_nonzero(self.passes)),
            "figures": {
                name: {"words": one.words, "unit": one.unit, "shown_unit": one.shown_unit}
                for name, one in self.columns.items()
            },
            "text": self.text() if self.feasible else None,
        }


_EXTRA: dict[type, tuple[str, ...]] = {
    Standing: ("kept",),
    Constraint: ("kept",),
    Tried: ("feasible",),
    WhatIf: ("feasible",),
}


def _plain(value: Any) -> Any:
    """Return a value as JSON can hold it."""
    if isinstance(value, Candidate):
        rules = {
            one.name: {
                "value": _plain(one.value),
                "limit": _plain(one.limit),
                "slack": _plain(one.slack),
                "kept": one.kept,
            }
            for one in value.rules
        }
        return {
            "number": value.number,
            "words": value.words,
            "parts": _plain(value.parts),
            "figures": {name: _plain(one.value) for name, one in value.figures.items()},
            "rules": rules,
        }  # fmt: skip
    if is_dataclass(value) and not isinstance(value, type):
        names = [f.name for f in fields(value)] + [*_EXTRA.get(type(value), ())]
        return {name: _plain(getattr(value, name)) for name in names if name != "axis"}
    if isinstance(value, Mapping):
        if value and all(isinstance(one, Figure) for one in value.values()):
            return {str(key): _plain(one.value) for key, one in value.items()}
        return {str(key): _plain(one) for key, one in value.items()}
    if isinstance(value, tuple | list | np.ndarray):
        return [_plain(one) for one in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
