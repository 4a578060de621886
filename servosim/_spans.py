"""Times and spans of a run, and columns of its record by name."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from servosim._figure_spans import Spans, find_spans, new_spans
from servosim._record import record
from servosim._samples import RECORD
from servosim.result import Run, Status

Array = NDArray[np.float64]

__all__ = ["Array", "Spans", "column", "spans_of"]


def spans_of(run: Run) -> Spans:
    """Return the spans of a run.

    Parameters
    ----------
    run : Run
        The run, whole or ended early.

    Returns
    -------
    record of Spans
        Times and spans.
    """
    found = new_spans()
    whole = int(run.status == Status.COMPLETE)
    find_spans(run.axis.record, record(run.move), run.memory, len(run.time), whole, found)
    return found


def column(run: Run, name: str) -> Array:
    """Return a column of the record by name, shape (n_t,), SI units."""
    values: Array = run.record[:, RECORD.index(name)]
    return values
