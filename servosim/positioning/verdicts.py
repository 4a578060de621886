"""Whether the figures of a test keep to their tolerances.

Common practice for a positioning table of a drilling machine, no source: +-12.7 um overall, which
is an accuracy A of 25.4 um, and a repeatability R of 2.54 um.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from servosim.errors import Fault, ParameterError
from servosim.positioning.bootstrap import Uncertainty
from servosim.positioning.deviations import Array
from servosim.positioning.evaluation import SYMBOLS, Evaluation

COMMON_PRACTICE: dict[str, float] = {"A": 25.4e-6, "R": 2.54e-6}  # m
_ROUNDING = 1e-9  # share of a tolerance that is no excess


@dataclass(frozen=True)
class Verdict:
    """One figure against its tolerance.

    Attributes
    ----------
    symbol : str
        The figure.
    limit : float
        Its tolerance, the largest that is allowed [m].
    value : float
        What was found [m], nan if not evaluated.
    met : bool or None
        Whether it keeps to the tolerance; None if not evaluated.
    doubtful : bool
        Whether the tolerance lies inside the figure's interval, so that a longer test might say
        otherwise.
    given : bool
        Whether somebody asked for this tolerance; else it is common practice.
    """

    symbol: str
    limit: float
    value: float
    met: bool | None
    doubtful: bool
    given: bool


def verdicts(
    evaluation: Evaluation,
    tolerances: Mapping[str, float] | None = None,
    intervals: Uncertainty | None = None,
) -> tuple[Verdict, ...]:
    """Return the figures against their tolerances.

    Parameters
    ----------
    evaluation : Evaluation
        The test.
    tolerances : mapping of str to float, optional
        Largest size allowed [m] by symbol; common practice if none are given.
    intervals : Uncertainty, optional
        Intervals of the figures.

    Returns
    -------
    tuple of Verdict
        In the order of the standard's symbols.

    Raises
    ------
    ParameterError
        If a symbol is not known or a tolerance is not above zero.
    """
    if faults := tolerance_faults(tolerances or {}):
        raise ParameterError(faults)
    limits = tolerances or COMMON_PRACTICE
    return tuple(
        _verdict(evaluation, symbol, limits[symbol], intervals, bool(tolerances))
        for symbol in SYMBOLS
        if symbol in limits
    )


def tolerance_faults(tolerances: Mapping[str, float]) -> list[Fault]:
    """Return what is wrong with tolerances [m] by symbol."""
    faults = []
    for symbol, limit in tolerances.items():
        if symbol not in SYMBOLS:
            expected = f"one of {', '.join(SYMBOLS)}"
            faults.append(Fault("", "", "tolerance", f"{symbol!r} is no figure", expected))
        if not (math.isfinite(limit) and limit > 0.0):
            what = f"{limit * 1e6:.9g} um for {symbol}"
            faults.append(Fault("", "", "tolerance", what, "a length above zero"))
    return faults


def _verdict(
    evaluation: Evaluation, symbol: str, limit: float, intervals: Uncertainty | None, given: bool
) -> Verdict:
    value = abs(evaluation.symbols[symbol])
    if math.isnan(value):
        return Verdict(symbol, limit, value, None, False, given)
    doubtful = False
    if intervals is not None:
        low, high = intervals.intervals[symbol]
        sizes = (max(low, -high, 0.0), max(abs(low), abs(high)))  # of the mean reversal as well
        doubtful = sizes[0] <= limit < sizes[1]
    met = bool(within(np.asarray(value), limit))
    return Verdict(symbol, limit, value, met, doubtful, given)


def within(sizes: Array, limit: float) -> NDArray[np.bool_]:
    """Return which sizes keep to a tolerance, which rounding alone does not break."""
    return np.asarray(sizes <= limit * (1.0 + _ROUNDING))
