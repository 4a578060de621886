"""The window of the lock: wide enough that it closes in every corner, no wider than is needed."""

from __future__ import annotations

import math

import numpy as np

from servosim.axis import Axis
from servosim.tuning.bench import Outcomes

_ROOM = 1.3  # over the largest error at rest that was seen
_SIGMAS = 3.0


def reading_error(axis: Axis) -> float:
    """Return by how much a reading may differ from the table's position [m]."""
    t = axis.file.transducer
    return t.cyclic_error + _SIGMAS * t.noise + 0.5 * t.resolution


def closes_by_window(axis: Axis) -> bool:
    """Tell whether a lock or brake closes after a dwell in the lock's window."""
    k = axis.file.lock
    return (k.kind != "none" or k.brake != "none") and k.trigger == "window_dwell"


def lock_window(axis: Axis, rest: Outcomes) -> float | None:
    """Return the window that is proposed.

    Parameters
    ----------
    axis : Axis
        The axis of the file.
    rest : Outcomes
        Moves with the proposed gains, of one candidate.

    Returns
    -------
    float or None
        In steps of the transducer [m]; None if the axis has no such lock, or it never came to rest.
    """
    errors = np.abs(rest.figures["resting_error"])
    errors = errors[~np.isnan(errors)]
    if not closes_by_window(axis) or not len(errors):
        return None
    f = axis.file
    step = f.transducer.resolution or 0.01 * f.window.half_width
    need = _ROOM * float(errors.max()) + reading_error(axis)
    most = max(f.window.half_width - reading_error(axis), 1.1 * float(errors.max()))
    return max(math.ceil(min(need, most) / step - 1e-9), 1) * step
