"""Targets and approaches of the standard positioning test.

Up to 2000 mm: five targets per metre at least and five in all, five runs in each direction. Above:
mean interval of 250 mm, one run in each direction. Targets stand at ``P_i = (i - 1) p + r`` with a
random r, which is different at each, so that periodic errors of scale or screw don't hide; r keeps
within 30 % of the interval p. In the *linear* cycle the table goes through all targets in one
direction and back; in the *step* cycle it makes all runs at a target before it goes to the next;
that one is optional and not for acceptance.

Source: ISO 230-2:2006 and 2014, clauses 5 and 6, from memory; one approach in each direction above
2000 mm: GOST ISO 230-2-2016, clause 6.2, published.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from servosim.errors import Fault, ParameterError
from servosim.positioning.deviations import LONGEST_SHORT_AXIS, Array

RUNS = 5
CYCLES = ("linear", "step")
_LEAST_TARGETS = 5
_TARGETS_PER_METRE = 5
_LONG_INTERVAL = 0.25  # m
_SPREAD = 0.3  # of r, as a share of the interval
_ROUNDING = 1e-9
_DECIMALS = 6  # targets are stated to the micrometre


class Stop(NamedTuple):
    """One stop of a test cycle."""

    position: float  # m
    target: int  # number of the target from 0, -1 where the table only turns
    direction: str  # of the approach, "+" or "-"
    run: int  # from 1


@dataclass(frozen=True, eq=False)
class TestCycle:
    """Targets and stops of a positioning test.

    Attributes
    ----------
    targets : ndarray, shape (m,)
        Target positions [m], ascending.
    runs : int
        Runs in each direction.
    kind : str
        "linear" or "step".
    overrun : float
        How far the table goes beyond a target to approach it from the other side [m].
    stops : tuple of Stop
        Everything the table does, in order; it begins where it turns below the first target.
    """

    __test__ = False  # no case for a test runner

    targets: Array
    runs: int
    kind: str
    overrun: float
    stops: tuple[Stop, ...]


def standard_number(travel: float) -> int:
    """Return how many targets the standard asks for.

    Parameters
    ----------
    travel : float
        Measured length [m].

    Returns
    -------
    int
        Number of targets.

    Examples
    --------
    >>> standard_number(0.6), standard_number(2.0), standard_number(3.0)
    (5, 10, 13)
    """
    if travel <= LONGEST_SHORT_AXIS + _ROUNDING:
        return max(_LEAST_TARGETS, math.ceil(_TARGETS_PER_METRE * travel - _ROUNDING))
    return round(travel / _LONG_INTERVAL) + 1


def standard_targets(low: float, high: float, *, number: int | None = None, seed: int = 0) -> Array:
    """Return targets of a test over a length.

    Parameters
    ----------
    low, high : float
        Ends of the measured length [m].
    number : int, optional
        How many targets, if not as many as the standard asks for.
    seed : int, optional
        Seed of the random parts.

    Returns
    -------
    ndarray, shape (m,)
        Targets [m], ascending, to the micrometre. The random parts of the first and last one point
        inwards, so that all lie between the ends.

    Raises
    ------
    ParameterError
        If the ends are not in order, less than a millimetre apart, or there is but one target.
    """
    if not (math.isfinite(low) and math.isfinite(high) and high - low >= 1e-3):
        what = f"from {low * 1e3:.9g} mm to {high * 1e3:.9g} mm"
        raise ParameterError(Fault("", "", "measured length", what, "1 mm at least, low end first"))
    m = standard_number(high - low) if number is None else number
    if m < 2:
        raise ParameterError(Fault("", "", "number of targets", f"is {m}", "2 or more"))
    interval = (high - low) / (m - 1)
    share = np.random.default_rng(seed).uniform(-_SPREAD, _SPREAD, m)
    share[0], share[-1] = abs(share[0]), -abs(share[-1])
    targets = np.round(low + interval * (np.arange(m) + share), _DECIMALS)
    return np.asarray(np.clip(targets, low, high), dtype=np.float64)


def standard_cycle(
    targets: Array, *, runs: int | None = None, kind: str = "linear", overrun: float = 5e-3
) -> TestCycle:
    """Return the stops of a test over targets.

    Parameters
    ----------
    targets : ndarray, shape (m,)
        Targets [m], ascending.
    runs : int, optional
        Runs in each direction; 5, or 1 above 2000 mm, if not given.
    kind : str, optional
        "linear" or "step".
    overrun : float, optional
        How far the table goes beyond a target to approach it from the other side [m].

    Returns
    -------
    TestCycle
        The cycle.

    Raises
    ------
    ParameterError
        If targets don't ascend, there is no run, the kind is not known, or the overrun is none, or
        in a step cycle so large that it reaches the next target.
    """
    x = np.asarray(targets, dtype=np.float64)
    if runs is None:
        runs = RUNS if float(x[-1] - x[0]) <= LONGEST_SHORT_AXIS + _ROUNDING else 1
    faults = []
    if x.ndim != 1 or len(x) < 2 or not np.all(np.diff(x) > 0.0):
        faults.append(Fault("", "", "targets", "do not ascend", "two at least, ascending"))
    if runs < 1:
        faults.append(Fault("", "", "runs", f"is {runs}", "1 or more"))
    if kind not in CYCLES:
        expected = f"one of {', '.join(CYCLES)}"
        faults.append(Fault("", "", "kind", f"{kind!r} is no cycle", expected))
    if not (math.isfinite(overrun) and overrun > 0.0):
        faults.append(Fault("", "", "overrun", f"is {overrun * 1e3:.9g} mm", "above zero"))
    elif kind == "step" and not faults and overrun >= float(np.min(np.diff(x))):
        what = f"{overrun * 1e3:.9g} mm reaches the next target"
        faults.append(Fault("", "", "overrun", what, "less than the least interval"))
    if faults:
        raise ParameterError(faults)
    stops = (_linear if kind == "linear" else _step)(x, runs, overrun)
    return TestCycle(x, runs, kind, overrun, tuple(stops))


def _linear(x: Array, runs: int, overrun: float) -> list[Stop]:
    """Return up and down through all targets, once for each run."""
    low, high = float(x[0]) - overrun, float(x[-1]) + overrun
    stops = []
    for run in range(1, runs + 1):
        stops.append(Stop(low, -1, "-", run))
        stops += [Stop(float(p), i, "+", run) for i, p in enumerate(x)]
        stops.append(Stop(high, -1, "+", run))
        stops += [Stop(float(p), i, "-", run) for i, p in reversed(list(enumerate(x)))]
    return stops


def _step(x: Array, runs: int, overrun: float) -> list[Stop]:
    """Return all runs at each target before the next."""
    stops = []
    for i, p in enumerate(map(float, x)):
        for run in range(1, runs + 1):
            coming = "+" if i > 0 and run == 1 else "-"  # from the target before, or back
            stops.append(Stop(p - overrun, -1, coming, run))
            stops.append(Stop(p, i, "+", run))
            stops.append(Stop(p + overrun, -1, "+", run))
            stops.append(Stop(p, i, "-", run))
    return stops
