"""Totals of a cycle from its table, and its warnings from the events of its parts."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from servosim.cycles.figures import COLUMNS, PARTS, TOTALS
from servosim.cycles.positions import Position
from servosim.cycles.result import Warned
from servosim.result import Event

Table = dict[str, NDArray[np.float64]]


def table_of(rows: Sequence[tuple[float, ...]]) -> Table:
    """Return the table by column, shape (n,) each, from the lines of its positions."""
    columns = np.array(rows, dtype=np.float64).reshape(len(rows), len(COLUMNS)).T
    return {name: column.copy() for name, column in zip(COLUMNS, columns, strict=True)}


def totals_of(table: Table, tank_temperature: float) -> dict[str, float]:
    """Return the totals of a table.

    Parameters
    ----------
    table : dict of str to ndarray, shape (n,)
        The table.
    tank_temperature : float
        Temperature of the oil in the tank at the beginning [K].

    Returns
    -------
    dict of str to float
        Figures of ``TOTALS`` [SI]; those that nothing tells are nan.
    """
    through = table["overrun"] == 1.0
    time = math.fsum(table["time"])
    found = dict.fromkeys(TOTALS, math.nan)
    found["positions"], found["overruns"] = float(np.sum(~through)), float(np.sum(through))
    found["cycle_time"] = time
    for part in PARTS:
        found[part] = math.fsum(table[part][~through])
    found["time_overruns"] = math.fsum(table["time"][through])
    found["travel"] = math.fsum(np.abs(table["target"] - table["start"]))
    for name in ("energy", "work", "heat", "drawn_volume"):
        found[name] = math.fsum(table[name])
    found["unsettled"] = float(np.sum(table["settled"] == 0.0))
    found["tank_temperature_begin"] = found["tank_temperature_end"] = tank_temperature
    if len(through):
        found["tank_temperature_end"] = float(table["tank_temperature"][-1])
        for name in ("flow_peak", "pressure_max"):
            found[name] = float(table[name].max())
        for name in ("supply_pressure_min", "pressure_min"):
            found[name] = float(table[name].min())
    if time > 0.0:
        found["rate"] = found["positions"] / time
        found["power_mean"], found["heat_mean"] = found["energy"] / time, found["heat"] / time
        found["flow_mean"] = found["drawn_volume"] / time
    for name in ("error_before_lock", "error_locked", "error_under_thrust", "drift"):
        held = table[name][~np.isnan(table[name])]
        if len(held):
            found[name] = float(held[np.argmax(np.abs(held))])
    return found


class Warnings:
    """Counts what happens in a cycle, by kind."""

    def __init__(self) -> None:
        self._found: dict[str, Warned] = {}

    def add(self, events: Sequence[Event], position: Position, begin: float) -> None:
        """Count the events of a part.

        Parameters
        ----------
        events : sequence of Event
            What happened in it.
        position : Position
            The position it belongs to.
        begin : float
            Time of the cycle at which it begins [s].
        """
        for event in {event.kind: event for event in reversed(events)}.values():
            first = self._found.get(event.kind)
            if first is None:
                time = begin + event.time
                made = Warned(event.kind, 1, position.line, time, event.sentence)
            else:
                made = Warned(first.kind, first.count + 1, first.line, first.time, first.sentence)
            self._found[event.kind] = made

    def all(self) -> tuple[Warned, ...]:
        """Return the warnings, the most frequent first."""
        return tuple(sorted(self._found.values(), key=lambda one: (-one.count, one.time)))
