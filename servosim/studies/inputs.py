"""What varies in a study: one parameter and its values along a dimension of the cases."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Values = Array | tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Input:
    """One parameter and its values along a dimension.

    Attributes
    ----------
    path : str
        "table.key".
    name : str
        Its name in the results.
    dim : str
        The dimension along which it varies.
    values : ndarray of float64 or tuple of str
        One value for each place along the dimension [unit]; names for a choice. Where a case of a
        list leaves the value of the file: nan, or "".
    unit, spelling : str
        SI unit, and unit in which the file shows it; "" for a choice.
    """

    path: str
    name: str
    dim: str
    values: Values
    unit: str
    spelling: str

    def column(self, dims: Sequence[str], shape: Sequence[int]) -> Values:
        """Return the value of every case.

        Parameters
        ----------
        dims : sequence of str
            Dimensions of the cases, the last one running fastest.
        shape : sequence of int
            Their sizes.

        Returns
        -------
        ndarray of float64 or tuple of str, shape (n,)
            Values [unit].
        """
        place = list(dims).index(self.dim)
        before, after = math.prod(shape[:place]), math.prod(shape[place + 1 :])
        if isinstance(self.values, tuple):
            inner = [name for name in self.values for _ in range(after)]
            return tuple(inner) * before
        return np.tile(np.repeat(self.values, after), before)

    def taken(self, dim: str, places: NDArray[np.intp]) -> Input:
        """Return the input with the values of some places, along another dimension."""
        if isinstance(self.values, tuple):
            values: Values = tuple(self.values[place] for place in places.tolist())
        else:
            values = self.values[places]
        return replace(self, dim=dim, values=values)

    def parts(self) -> tuple[dict[str, Any], NDArray[Any]]:
        """Return the input as plain values and an array with its bytes in one order."""
        about: dict[str, Any] = {
            name: getattr(self, name) for name in ("path", "name", "dim", "unit", "spelling")
        }
        if not isinstance(self.values, tuple):
            return about, np.asarray(self.values, dtype="<f8")
        about["names"] = names = sorted(set(self.values))
        index = {name: k for k, name in enumerate(names)}
        return about, np.array([index[name] for name in self.values], dtype="<i8")

    @staticmethod
    def joined(about: Mapping[str, Any], held: NDArray[Any]) -> Input:
        """Return the input that :meth:`parts` took apart."""
        one = dict(about)
        names = one.pop("names", None)
        values: Values = held.astype(np.float64)
        if names is not None:
            values = tuple(names[k] for k in held.tolist())
        return Input(values=values, **one)
