"""Causes of error combined: worst case, root of the sum of squares, and drawn at random.

A draw is a whole positioning test of one machine: what is fixed in the machine is drawn once, what
changes from stop to stop at each of its stops, in the order of the cycle. So the draws give the
error at the tool and the figures of ISO 230-2 by its own definitions.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from servosim.positioning.deviations import Array
from servosim.positioning.evaluation import SYMBOLS, figures
from servosim.positioning.term import SIGMAS, Term

MACHINES = 2000
PERCENT = (2.5, 50.0, 97.5)
_ONCE = 250  # machines at a time, which bounds the memory


@dataclass(frozen=True, eq=False)
class Combined:
    """Causes combined.

    Attributes
    ----------
    offset : float
        Sum of what is the same at every stop [m].
    worst_case, root_sum_square : float
        Half width around it by the sum of the half widths, and by the root of their squares [m].
    interval : tuple of float
        Percentiles 2.5, 50 and 97.5 of the error at the tool over all draws [m].
    figures : dict of str to tuple of float
        The same percentiles of the figures of ISO 230-2 over the machines [m]; what happens once
        the table is held is not in them.
    machines : int
        Tests drawn.
    """

    offset: float
    worst_case: float
    root_sum_square: float
    interval: tuple[float, float, float]
    figures: dict[str, tuple[float, float, float]]
    machines: int

    @property
    def worst(self) -> float:
        """Largest error at the tool in the worst case [m]."""
        return abs(self.offset) + self.worst_case


def combine(
    terms: Sequence[Term],
    warmed: Array,
    *,
    remainder: Array | None = None,
    machines: int = MACHINES,
    seed: int = 0,
    factor: float = 2.0,
) -> Combined:
    """Combine causes.

    Parameters
    ----------
    terms : sequence of Term
        The causes, all for the same targets.
    warmed : ndarray, shape (2, m, n)
        How far the oil has warmed at each stop, from 0 at the beginning to 1 at the end of the
        test, by direction, target and run.
    remainder : ndarray, shape (2, m), optional
        What is left with every cause switched off [m].
    machines : int, optional
        Tests to draw.
    seed : int, optional
        Seed; the draws depend on it and on the order of the causes alone.
    factor : float, optional
        Half width of the bands of the figures, as a number of standard deviations.

    Returns
    -------
    Combined
        The sums and the draws.
    """
    offset = float(sum(one.offset for one in terms))
    halves = np.array([one.half_width for one in terms])
    if remainder is not None:
        left = float(np.mean(remainder))
        offset += left
        halves = np.append(halves, np.max(np.abs(remainder - left)))
    places: list[Array] = []
    found: dict[str, list[Array]] = {symbol: [] for symbol in SYMBOLS}
    for k, begin in enumerate(range(0, machines, _ONCE)):
        n = min(_ONCE, machines - begin)
        x = np.zeros((n, *warmed.shape))
        tool = np.zeros_like(x)
        for j, term in enumerate(terms):
            rng = np.random.default_rng([seed, k, j])
            part = draw(term, warmed, n, rng)
            if term.cause.acts == "tool":
                tool += part
            else:
                x += part
        if remainder is not None:
            x += remainder[None, :, :, None]
        places.append((x + tool).ravel())
        s = np.std(x, axis=-1, ddof=1) if x.shape[-1] > 1 else np.full(x.shape[:-1], math.nan)
        mean = np.mean(x, axis=-1)
        for symbol, values in figures(mean[:, 0], mean[:, 1], s[:, 0], s[:, 1], factor).items():
            found[symbol].append(np.asarray(values))
    return Combined(
        offset=offset,
        worst_case=float(np.sum(halves)),
        root_sum_square=float(np.sqrt(np.sum(halves**2))),
        interval=_percentiles(np.concatenate(places)),
        figures={symbol: _percentiles(np.concatenate(v)) for symbol, v in found.items()},
        machines=machines,
    )


def draw(term: Term, warmed: Array, machines: int, rng: np.random.Generator) -> Array:
    """Return what a cause does at every stop of drawn tests.

    Parameters
    ----------
    term : Term
        The cause.
    warmed : ndarray, shape (2, m, n)
        See :func:`combine`.
    machines : int
        Tests to draw.
    rng : numpy.random.Generator
        Where the numbers come from.

    Returns
    -------
    ndarray, shape (machines, 2, m, n)
        Deviations [m].
    """
    shape = (machines, *warmed.shape)
    fixed = term.table[None, :, :, None]
    other = fixed if term.other is None else term.other[None, :, :, None]
    if term.law == "phase":
        phi = rng.uniform(-math.pi, math.pi, (machines, 1, 1, 1))
        return np.broadcast_to(fixed * np.cos(phi) + other * np.sin(phi), shape)
    if term.law == "between":
        fixed = fixed + rng.random((machines, 1, 1, 1)) * (other - fixed)
    elif term.law == "trend":
        fixed = fixed + warmed[None] * (other - fixed)
    if term.width == 0.0:
        return np.broadcast_to(fixed, shape)
    if term.law == "normal":
        return np.asarray(fixed + term.width / SIGMAS * rng.standard_normal(shape))
    return np.asarray(fixed + term.width * rng.uniform(-1.0, 1.0, shape))


def _percentiles(values: Array) -> tuple[float, float, float]:
    known = values[~np.isnan(values)]
    if not len(known):
        return math.nan, math.nan, math.nan
    low, middle, high = np.percentile(known, PERCENT)
    return float(low), float(middle), float(high)
