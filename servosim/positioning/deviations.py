"""Deviations of one positioning test: where the axis stopped, less where it should have.

A deviation is the **position reached less the target**, as the standard has it: positive lies
beyond the target in extension. It has the opposite sign of the error of a move, which is the target
less the position.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from servosim.errors import Fault, ParameterError

Array = NDArray[np.float64]
DIRECTIONS = ("+", "-")
LONGEST_SHORT_AXIS = 2.0  # m; beyond it one approach in each direction is enough
_ROUNDING = 1e-9  # m by which a travel may pass the limit through rounding alone


@dataclass(frozen=True, eq=False)
class Deviations:
    """Deviations of one test.

    Parameters
    ----------
    targets : array_like, shape (m,)
        Target positions [m], ascending.
    positive : array_like, shape (m, n)
        Position reached less target [m], approached in positive direction (extension); nan where a
        run was not taken.
    negative : array_like, shape (m, k)
        The same, approached in negative direction.
    travel : float, optional
        Length over which the test was taken [m]; from the first to the last target if not given.
    notes : tuple of str, optional
        What deserves a second look in how they were obtained.
    remarks : tuple of str, optional
        What whoever took them wrote down beside, such as machine and instrument.

    Raises
    ------
    ParameterError
        If shapes don't agree, targets don't ascend, or a number is infinite.

    Examples
    --------
    >>> Deviations([0.1, 0.5], [[1e-6, 3e-6], [2e-6, 2e-6]], [[0, 0], [1e-6, 1e-6]]).travel
    0.4
    """

    targets: Array
    positive: Array
    negative: Array
    travel: float = math.nan
    notes: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()

    def __init__(
        self,
        targets: ArrayLike,
        positive: ArrayLike,
        negative: ArrayLike,
        travel: float = math.nan,
        notes: tuple[str, ...] = (),
        remarks: tuple[str, ...] = (),
    ) -> None:
        arrays = {
            "targets": np.array(targets, dtype=np.float64),
            "positive": np.array(positive, dtype=np.float64),
            "negative": np.array(negative, dtype=np.float64),
        }
        if faults := _faults(**arrays):
            raise ParameterError(faults)
        if math.isnan(travel):
            travel = float(arrays["targets"][-1] - arrays["targets"][0])
        elif not (math.isfinite(travel) and travel >= 0.0):
            raise ParameterError(Fault("", "", "travel", f"is {travel} m", "a length"))
        for name, array in arrays.items():
            array.flags.writeable = False
            object.__setattr__(self, name, array)
        object.__setattr__(self, "travel", travel)
        object.__setattr__(self, "notes", tuple(notes))
        object.__setattr__(self, "remarks", tuple(remarks))

    @property
    def long_axis(self) -> bool:
        """Whether the test is one of a long axis, of more than 2000 mm."""
        return self.travel > LONGEST_SHORT_AXIS + _ROUNDING

    @property
    def runs(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Approaches of each target in positive and in negative direction, shapes (m,)."""
        return _counts(self.positive), _counts(self.negative)

    def by_direction(self) -> dict[str, Array]:
        """Return the deviations by direction, ``"+"`` and ``"-"``, shapes (m, n) [m]."""
        return {"+": self.positive, "-": self.negative}


def _counts(x: Array) -> NDArray[np.int64]:
    return np.asarray(np.count_nonzero(~np.isnan(x), axis=1), dtype=np.int64)


def _faults(targets: Array, positive: Array, negative: Array) -> list[Fault]:
    """Return what is wrong with the arrays of a test."""
    if targets.ndim != 1 or len(targets) == 0:
        return [Fault("", "", "targets", f"have shape {targets.shape}", "one target at least")]
    faults = []
    if not np.isfinite(targets).all():
        faults.append(Fault("", "", "targets", "are not all finite", "lengths"))
    elif np.any(np.diff(targets) <= 0.0):
        faults.append(Fault("", "", "targets", "do not ascend", "each target once, ascending"))
    for name, x in (("positive", positive), ("negative", negative)):
        if x.ndim != 2 or len(x) != len(targets):
            expected = f"{len(targets)} rows, one for each target, and a column for each run"
            faults.append(Fault("", "", name, f"has shape {x.shape}", expected))
        elif np.isinf(x).any():
            faults.append(Fault("", "", name, "holds an infinite deviation", "lengths, or nan"))
    return faults
