"""What the positions of a cycle have in common, and which of them stand out."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from servosim.cycles.result import Cycle

SIGNED = ("error_before_lock", "error_locked", "error_under_thrust", "drift", "unlock_bump")
FIGURES = ("move_time", "settling_time", *SIGNED, "time")


@dataclass(frozen=True)
class Statistic:
    """A figure over the positions of a cycle that hold it.

    Attributes
    ----------
    count : int
        Positions that hold it.
    mean, deviation : float
        Mean and standard deviation (of a sample, n - 1) [SI]; nan if there are too few.
    low, high : float
        Smallest and largest value [SI].
    low_line, high_line : int
        Lines of the list with these.
    """

    count: int
    mean: float
    deviation: float
    low: float
    high: float
    low_line: int
    high_line: int


def statistics(cycle: Cycle) -> dict[str, Statistic]:
    """Return the figures over the positions of a cycle, without points only run through.

    Parameters
    ----------
    cycle : Cycle
        The cycle.

    Returns
    -------
    dict of str to Statistic
        Those of ``FIGURES`` that any position holds.
    """
    held = cycle.table["overrun"] == 0.0
    lines = cycle.table["line"]
    found = {}
    for name in FIGURES:
        values = cycle.table[name]
        places = np.flatnonzero(held & ~np.isnan(values))
        if not len(places):
            continue
        some = values[places]
        low, high = places[np.argmin(some)], places[np.argmax(some)]
        found[name] = Statistic(
            count=len(places),
            mean=float(some.mean()),
            deviation=float(some.std(ddof=1)) if len(places) > 1 else math.nan,
            low=float(values[low]),
            high=float(values[high]),
            low_line=int(lines[low]),
            high_line=int(lines[high]),
        )
    return found


def outstanding(cycle: Cycle) -> dict[int, list[str]]:
    """Return the places of the positions that are the worst in something, and in what.

    Parameters
    ----------
    cycle : Cycle
        The cycle.

    Returns
    -------
    dict of int to list of str
        Figures of ``FIGURES`` by place: errors that are the largest in size, and the longest times.
    """
    found: dict[int, list[str]] = {}
    held = cycle.table["overrun"] == 0.0
    if not held.any():
        return found
    for name in FIGURES:
        values: NDArray[np.float64] = np.where(held, np.abs(cycle.table[name]), np.nan)
        if not np.isnan(values).all():
            found.setdefault(int(np.nanargmax(values)), []).append(name)
    return found
