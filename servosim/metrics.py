"""The figures of a move, each with one definition.

All positions are those of the table at the tool. The unlocked move is judged up to the command that
closes the lock; without a lock, up to a thrust that waits for the table to be in place. A figure
that the run does not hold, because it ended early, never settled or has no such phase, is None.

Sources. Rise time from 10 % to 90 %, overshoot and settling time: common practice, no source.
Following error at constant velocity ``v (1 - k_ff + k_v)/Kv``: a type-one loop with feed-forward
and velocity feedback (H. E. Merritt, *Hydraulic Control Systems*, Wiley 1967, ch. 6, from memory,
for the part v/Kv). The limits for ringing, faded transients and repeated reversals are own choices.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from servosim import _figure_rest, _figures
from servosim._definitions import DEFINITIONS
from servosim._figure_spans import Spans, new_spans
from servosim._figure_sums import gather_traces
from servosim._record import record
from servosim._spans import Array, column
from servosim.result import Run, Status

__all__ = ["DEFINITIONS", "Metric", "metrics", "settling_sample"]


@dataclass(frozen=True)
class Metric:
    """One figure of a move.

    Attributes
    ----------
    value : float or None
        The figure [SI], None if the run doesn't hold it.
    unit : str
        SI unit.
    definition : str
        What it is, in a sentence.
    """

    value: float | None
    unit: str
    definition: str


def metrics(run: Run) -> dict[str, Metric]:
    """Return the figures of a move.

    Parameters
    ----------
    run : Run
        The run, whole or ended early.

    Returns
    -------
    dict of str to Metric
        By name in the order of ``DEFINITIONS``; values in SI units or None, never nan.

    Examples
    --------
    >>> import servosim
    >>> run = servosim.simulate(servosim.read_axis("params/tube_sheet_table.toml"))
    >>> servosim.metrics(run)["following_error_peak"].unit
    'm'
    """
    found = _values(run).tolist()
    return {
        name: Metric(None if math.isnan(value) else value, unit, definition)
        for (name, (unit, definition)), value in zip(DEFINITIONS.items(), found, strict=True)
    }


def _values(run: Run) -> Array:
    """Return the figures in the order of their definitions, nan where the run doesn't hold one."""
    n, p = len(run.time), run.axis.record
    out = np.full(_figures.N_FIGURES, np.nan)
    if n == 0:
        return out
    gathered = gather_traces(p, run.states, column(run, "command"), run.extremes)
    x, reference = run.state("table_position"), column(run, "reference_position")
    whole, m, spans = int(run.status == Status.COMPLETE), record(run.move), new_spans()
    _figures.figures(p, m, run.memory, n, whole, x, reference, gathered, spans, out)
    return out


def settling_sample(run: Run, spans: Spans, x: Array) -> int | None:
    """Return the sample from which the table stays in the window, or None.

    Parameters
    ----------
    run : Run
        The run.
    spans : record of Spans
        Its spans.
    x : ndarray, shape (n_t,)
        Position of the table [m].

    Returns
    -------
    int or None
        Sample number.
    """
    k = _figure_rest.settling_sample(spans, x)
    return None if k < 0 else k
