"""Combinations of parts, side by side in arrays, and the rules that each must keep."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Numbers = NDArray[np.intp]

DOUBLE_ROD, SINGLE_ROD, SCREW = 0, 1, 2
ACTUATORS = ("double_rod", "single_rod", "motor_screw")
PUMP, ACCUMULATOR = 0, 1
ARRANGEMENTS = ("pump alone", "pump with accumulator")


@dataclass(frozen=True)
class Combinations:
    """Parts of each candidate; every array has the shape (n,).

    Attributes
    ----------
    actuator : ndarray of int
        DOUBLE_ROD, SINGLE_ROD or SCREW.
    bore, rod : ndarray
        Diameters of a cylinder [m]; zero for a screw.
    displacement, lead : ndarray
        Of motor and screw [m3/rad, m/rad]; zero for a cylinder.
    pressure : ndarray
        Nominal supply pressure at the valve [Pa].
    valve : ndarray of int
        Which valve of the requirement.
    arrangement : ndarray of int
        PUMP or ACCUMULATOR.
    """

    actuator: Numbers
    bore: Array
    rod: Array
    displacement: Array
    lead: Array
    pressure: Array
    valve: Numbers
    arrangement: Numbers

    def __len__(self) -> int:
        """Return how many there are."""
        return len(self.actuator)

    def take(self, rows: Any) -> Combinations:
        """Return some of them, by a mask or by their numbers."""
        return Combinations(**{one.name: getattr(self, one.name)[rows] for one in fields(self)})


@dataclass(frozen=True)
class Check:
    """One rule, and how each candidate stands to it.

    Attributes
    ----------
    name : str
        Short name in words with underscores, such as ``"buckling"``.
    words : str
        The rule in a sentence without its numbers.
    key : str
        Key of the requirement that sets the limit, such as ``"margins.buckling"``.
    value, limit : ndarray, shape (n,)
        The figure and what it must keep to [SI].
    unit, shown_unit : str
        SI unit, and the unit for people, such as ``"bar"``.
    upper : bool
        Whether the limit is the largest value that passes, else the least.
    source : str
        Where the rule comes from, or ``common practice, no source``.
    relaxes : tuple of str
        Keys of the requirement whose relaxation makes this rule easier, for a file without
        solution.
    """

    name: str
    words: str
    key: str
    value: Array
    limit: Array
    unit: str
    shown_unit: str
    upper: bool
    source: str
    relaxes: tuple[str, ...] = ()

    @property
    def slack(self) -> Array:
        """What is left as a share of the limit, below zero where the rule is broken, shape (n,).

        A figure that could not be found breaks the rule by all.
        """
        scale = np.maximum(np.abs(self.limit), 1e-30)
        left = (self.limit - self.value if self.upper else self.value - self.limit) / scale
        found: Array = np.where(np.isnan(left), -np.inf, left)
        return found

    @property
    def kept(self) -> Flags:
        """Whether the rule is kept, shape (n,)."""
        found: Flags = self.slack >= -1e-12
        return found
