"""What a change of an axis does to where it stops, in the parts that a positioning test tells."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from servosim.positioning.deviations import Array


@dataclass(frozen=True, eq=False)
class Effect:
    """What a change of the axis does to where it stops, position less target.

    Attributes
    ----------
    offset : float
        The same at every stop [m].
    side : float
        With its sign in positive, with the other in negative direction [m].
    along : ndarray, shape (m,)
        At each target besides [m].
    stop : float
        Standard deviation from stop to stop [m].
    variance : float
        The same as a variance with its sign [m2]: a cause that shakes the others loose takes
        scatter away.
    """

    offset: float
    side: float
    along: Array
    stop: float
    variance: float = 0.0

    @property
    def size(self) -> float:
        """Root of the sum of the squares of its parts, the stop's with two standard deviations."""
        half = 0.5 * float(np.ptp(self.along))
        return float(np.sqrt(self.offset**2 + self.side**2 + half**2 + (2.0 * self.stop) ** 2))

    @property
    def table(self) -> Array:
        """Fixed part [m], shape (2, m): positive direction, negative direction."""
        both = self.offset + self.along
        return np.array([both + self.side, both - self.side])


@dataclass(frozen=True)
class Pair:
    """How two causes work on each other.

    Attributes
    ----------
    names : tuple of str
        The two.
    effect : Effect
        Both together, less each by itself.
    """

    names: tuple[str, str]
    effect: Effect


def effect_of(change: Array, more: Array | None = None, less: Array | None = None) -> Effect:
    """Return the parts of a change.

    Parameters
    ----------
    change : ndarray, shape (2, m, n)
        Change of the place [m] by direction, target and noise.
    more, less : ndarray, shape (2, m, n), optional
        Places with and without it [m], which tell its scatter from stop to stop.

    Returns
    -------
    Effect
        Parts, less what the noise alone would make of them. What is neither the direction's nor
        the target's counts as scatter.
    """
    n = change.shape[2]
    inside = [0.0 if x is None else scatter_within(x) for x in (more, less)]
    chance = sum(inside) / n if n > 1 else 0.0  # variance of a cell's mean by the noise alone
    cells = np.nanmean(change, axis=2)
    offset = float(np.mean(cells))
    side = float(0.5 * (np.mean(cells[0]) - np.mean(cells[1])))
    along = np.mean(cells, axis=0) - offset
    rest = cells - offset - along - side * np.array([[1.0], [-1.0]])
    spread = float(np.mean(along**2))
    if spread > 0.0:
        along = along * np.sqrt(max(1.0 - 0.5 * chance / spread, 0.0))
    variance = max(float(np.mean(rest**2)) - 0.5 * chance, 0.0)
    if n > 1:
        variance += inside[0] - inside[1]
    return Effect(offset, side, along, float(np.sqrt(max(variance, 0.0))), variance)


def scatter_within(x: Array) -> float:
    """Return the mean variance over the noise, shape (2, m, n) to a number [m2]."""
    return float(np.nanmean(np.nanvar(x, axis=2, ddof=1))) if x.shape[2] > 1 else 0.0
