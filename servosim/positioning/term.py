"""One line of the error budget by its closed form: fixed part, and how the rest is spread."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from servosim.positioning.causes import Cause
from servosim.positioning.deviations import Array

MERRITT = "Merritt 1967 (from memory)"
LAWS = ("none", "uniform", "normal", "phase", "between", "trend")
SIGMAS = 3.0  # standard deviations that a normal share counts with


@dataclass(frozen=True, eq=False)
class Term:
    """What a cause does to the place of the tool, position less target.

    Attributes
    ----------
    cause : Cause
        The cause.
    table : ndarray, shape (2, m)
        Fixed part [m] at each target, approached in positive and in negative direction.
    formula : str
        How it is computed.
    numbers : tuple of (str, float, str)
        Symbols of the formula, their values [SI] and the unit in which they are read.
    source : str
        Where the formula stands.
    law : str
        How the rest is spread: ``none``; ``uniform`` from stop to stop, plus or minus ``width``;
        ``normal`` from stop to stop, three standard deviations being ``width``; ``phase``, for each
        machine ``table cos(phi) + other sin(phi)`` with phi anywhere; ``between`` the table and the
        other one, even, for each machine; ``trend`` from the table to the other one as the oil
        warms.
    width : float
        Half width [m].
    other : ndarray or None, shape (2, m)
        Second table.
    at_file : ndarray or None, shape (2, m)
        Fixed part at the file's own values, if that is not ``table``.
    """

    cause: Cause
    table: Array
    formula: str
    numbers: tuple[tuple[str, float, str], ...]
    source: str
    law: str = "none"
    width: float = 0.0
    other: Array | None = None
    at_file: Array | None = None

    @property
    def size(self) -> float:
        """Largest departure that the cause makes [m]."""
        if self.law == "phase":
            return self.width
        tables = [self.table] if self.other is None else [self.table, self.other]
        return float(max(np.max(np.abs(one)) for one in tables)) + self.width

    @property
    def offset(self) -> float:
        """Part that is the same at every stop [m]."""
        if self.law == "phase":
            return 0.0
        tables = [self.table] if self.other is None else [self.table, self.other]
        return float(np.mean(tables))

    @property
    def half_width(self) -> float:
        """Largest departure from that part [m]."""
        if self.law == "phase":
            return self.width
        tables = [self.table] if self.other is None else [self.table, self.other]
        away = max(np.max(np.abs(one - self.offset)) for one in tables)
        return float(away) + self.width


def both_sides(value: float, targets: Array) -> Array:
    """Return a table with a value in positive and its opposite in negative direction [m].

    Parameters
    ----------
    value : float
        The value [m].
    targets : ndarray, shape (m,)
        The targets.

    Returns
    -------
    ndarray, shape (2, m)
        The table.

    Examples
    --------
    >>> both_sides(2.0, np.zeros(2)).tolist()
    [[2.0, 2.0], [-2.0, -2.0]]
    """
    return np.outer([value, -value], np.ones(len(targets)))
