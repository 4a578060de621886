"""Traces over the whole cycle in constant memory: every so many samples, fewer as it grows."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from servosim._samples import RECORD
from servosim.cycles.figures import TRACES
from servosim.result import Run

MOST_POINTS = 40_000
_FIRST_INTERVAL = 0.01  # s
_STATES = {
    "position": "table_position",
    "pressure_a": "pressure_a",
    "pressure_b": "pressure_b",
    "supply_pressure": "supply_pressure",
    "tank_temperature": "tank_temperature",
}


class Timeline:
    """Gathers points of the traces from one part after another.

    Parameters
    ----------
    period : float
        Sampling period [s].
    interval : float or None
        Time between the points [s], rounded to whole samples; None for 10 ms at first, which
        doubles whenever there are more than ``MOST_POINTS`` of them.
    """

    def __init__(self, period: float, interval: float | None) -> None:
        wanted = _FIRST_INTERVAL if interval is None else interval
        self._period, self._step = period, max(round(wanted / period), 1)
        self._thins = interval is None
        self._samples = 0  # of all parts so far; the last of a part is the first of the next
        self._drawn = 0.0
        self._chunks: list[NDArray[np.float64]] = []
        self._points = 0

    @property
    def interval(self) -> float:
        """Time between the points [s]."""
        return self._step * self._period

    @property
    def time(self) -> float:
        """Time of the cycle so far [s]."""
        return self._samples * self._period

    def add(self, run: Run, place: int) -> None:
        """Take the points of the next part.

        Parameters
        ----------
        run : Run
            The part.
        place : int
            Place of its position in the list.
        """
        last = len(run.time) - 1
        picked = np.arange(-self._samples % self._step, last, self._step)
        made = np.empty((len(TRACES), len(picked)))
        for row, name in zip(made, TRACES, strict=True):
            if name in _STATES:
                row[:] = run.state(_STATES[name])[picked]
            elif name in RECORD:
                row[:] = run.record[picked, RECORD.index(name)]
        rows = dict(zip(TRACES, made, strict=True))
        rows["time"][:] = (self._samples + picked) * self._period
        rows["error"][:] = run.move.target - rows["position"]
        drawn = run.state("drawn_volume")
        rows["supply_flow"][:] = self._drawn + drawn[picked]  # a difference makes it a flow
        rows["place"][:] = place
        self._chunks.append(made)
        self._points += len(picked)
        self._samples += last
        self._drawn += float(drawn[-1])
        while self._thins and self._points > MOST_POINTS:
            whole = np.concatenate(self._chunks, axis=1)[:, ::2].copy()
            self._chunks, self._points, self._step = [whole], whole.shape[1], 2 * self._step

    def traces(self, places: int) -> dict[str, NDArray[np.float64]]:
        """Return the traces of ``TRACES`` [SI] over the first so many positions."""
        empty = np.empty((len(TRACES), 0))
        whole = np.concatenate([empty, *self._chunks], axis=1)
        whole = whole[:, whole[list(TRACES).index("place")] < places]
        found = dict(zip(TRACES, whole, strict=True))
        volume = found["supply_flow"]
        found["supply_flow"] = np.diff(volume, prepend=volume[:1]) / self.interval
        return found
