"""Figures of a cycle, one function each: data in, axes out, practical units on every axis.

The timeline of a whole list, where its time goes, and stops in the middle of a move. Nothing here
shows a window or changes a global setting; colours are those of :mod:`servosim.plots`.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence

from matplotlib.figure import Figure

from servosim.cycles.result import COMPLETE, Cycle, Stop
from servosim.errors import Fault, ParameterError
from servosim.panels.cycle_panels import (
    plot_hole_errors,
    plot_path,
    plot_stop_position,
    plot_stop_pressures,
    plot_supply,
    plot_temperatures,
    plot_time_shares,
)
from servosim.panels.cycle_words import pressure_range
from servosim.panels.drawing import MICROMETRES, VERMILION, mm, um
from servosim.units import convert

__all__ = [
    "plot_cycle",
    "plot_hole_errors",
    "plot_path",
    "plot_stop_position",
    "plot_stop_pressures",
    "plot_stops",
    "plot_supply",
    "plot_temperatures",
    "plot_time_shares",
]

_LETTERS = 130  # in a line below the page
_CAUTION = (
    "The hydraulic lock is no safety function; stored pressure stays after the pump has stopped. "
    "Safe stops: ISO 12100, ISO 13849-1 and the local code, by licensed practice."
)


def plot_cycle(cycle: Cycle) -> Figure:
    """Draw the timeline of a cycle on a page.

    Parameters
    ----------
    cycle : Cycle
        The cycle.

    Returns
    -------
    matplotlib.figure.Figure
        Over one axis of time: position, errors at each position with the window, supply pressure,
        temperatures; below, where the time goes.

    Raises
    ------
    ParameterError
        If no position was done.
    """
    if not cycle.done:
        what = "a cycle in which no position was done"
        raise ParameterError(Fault(what=what, expected="one position at least"))
    figure = Figure(figsize=(11.0, 13.0), layout="constrained")
    above, below = figure.subfigures(2, 1, squeeze=False, height_ratios=(4.0, 1.1))[:, 0]
    panels = above.subplots(4, 1, sharex=True, height_ratios=(1.4, 1.4, 0.9, 0.8))
    for draw, ax in zip(
        (plot_path, plot_hole_errors, plot_supply, plot_temperatures), panels, strict=True
    ):
        draw(cycle, ax)
    for ax in panels[:-1]:
        ax.set_xlabel("")
    above.align_ylabels(list(panels))
    shares = below.subplots()
    plot_time_shares(cycle, shares)
    shares.set_title("where the time goes", fontsize="small", loc="left")
    title = cycle.positions.title or cycle.positions.path or "targets typed by hand"
    figure.suptitle(f"{title}\n{cycle.axis.file.title}\n{_headline(cycle)}", fontsize="medium")
    notes = [] if cycle.status == COMPLETE else [cycle.message]
    word = "move" if cycle.totals["overruns"] else "position"
    notes += [
        f"{one.kind.replace('_', ' ')} at {one.count} {word}{'s' * (one.count != 1)}"
        for one in cycle.warnings
    ]
    if notes:
        text = "\n".join(textwrap.wrap("Note: " + "; ".join(notes), _LETTERS))
        figure.supxlabel(text, fontsize="small", color=VERMILION)
    return figure


def _headline(cycle: Cycle) -> str:
    """Return the totals that matter most, in one line."""
    t = cycle.totals
    parts = [f"{t['positions']:.0f} positions in {t['cycle_time']:.1f} s"]
    if t["rate"] > 0.0:
        parts.append(f"{3600.0 * t['rate']:.0f} an hour")
    for name, word in (("error_locked", "locked"), ("error_under_thrust", "under thrust")):
        if not math.isnan(t[name]):
            size = f"{float(um(t[name])):+.1f} {MICROMETRES}".replace("-", "−")
            parts.append(f"largest error {word} {size}")
    return ", ".join(parts)


def plot_stops(stops: Sequence[Stop]) -> Figure:
    """Draw stops in the middle of a move on a page.

    Parameters
    ----------
    stops : sequence of Stop
        The cases.

    Returns
    -------
    matplotlib.figure.Figure
        For each case a row: position and pressures over time from the fault, and the pressures
        around their quickest change.

    Raises
    ------
    ParameterError
        If there are none.
    """
    if not stops:
        raise ParameterError(Fault(what="no stops to draw", expected="one at least"))
    figure = Figure(figsize=(13.0, 1.2 + 2.6 * len(stops)), layout="constrained")
    rows = figure.subfigures(len(stops), 1, squeeze=False)[:, 0]
    for place, (stop, row) in enumerate(zip(stops, rows, strict=True)):
        panels = row.subplots(1, 3, width_ratios=(1.2, 1.2, 1.0))
        plot_stop_position(stop, panels[0])
        plot_stop_pressures(stop, panels[1])
        plot_stop_pressures(stop, panels[2], close=True)
        panels[2].set_title("around the quickest change", fontsize="small", loc="left")
        row.suptitle(f"{stop.title}: {_stopped(stop)}", fontsize="small", x=0.01, ha="left")
        if place == 0:
            for ax in (panels[0], panels[2]):
                ax.legend(fontsize="x-small", loc="best", framealpha=0.8)
    figure.suptitle(_move(stops[0]), fontsize="medium")
    text = "\n".join(textwrap.wrap(_CAUTION, _LETTERS + 20))
    figure.supxlabel(text, fontsize="small", color=VERMILION)
    return figure


def _move(stop: Stop) -> str:
    """Return which move it is."""
    m = stop.before.move
    speed = abs(float(convert(stop.figures["fault_velocity"], "mm/s")))
    ends = f"{float(mm(m.start)):g} mm to {float(mm(m.target)):g} mm"
    return f"{stop.before.axis.file.title}\nstops from {speed:.1f} mm/s in the move from {ends}"


def _stopped(stop: Stop) -> str:
    """Return the figures of a stop in one line."""
    f = stop.figures
    parts = [f"does not stop in {stop.run.time[-1]:.1f} s"]
    if not math.isnan(f["stopping_distance"]):
        parts = [f"stops in {float(mm(f['stopping_distance'])):.3g} mm, {f['stopping_time']:.3f} s"]
    if f["farthest"] > 1.05 * f["stopping_distance"]:
        parts.append(f"goes on to {float(mm(f['farthest'])):.3g} mm")
    if not math.isnan(f["end_stop_velocity"]):
        hit = abs(float(convert(f["end_stop_velocity"], "mm/s")))
        parts.append(f"hits the end stop at {hit:.3g} mm/s")
    chambers = pressure_range(f["pressure_min"], f["pressure_max"])
    return ", ".join([*parts, f"chambers {chambers}"])
