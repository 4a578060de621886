"""The single panels of a cycle and of its stops: data in, axes out, practical units."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.axes import Axes

from servosim._practical import percentage
from servosim.cycles.result import PARTS, Cycle, Stop
from servosim.panels.drawing import (
    BLACK,
    BLUE,
    GREEN,
    MICROMETRES,
    ORANGE,
    PURPLE,
    SIDES,
    SKY,
    VERMILION,
    axes,
    draw_target,
    mm,
    um,
)
from servosim.units import convert

_PARTS = {
    "time_moving": ("moving", BLUE),
    "time_settling": ("settling", SKY),
    "time_locking": ("locking", BLACK),
    "time_auxiliary": ("auxiliary actions", ORANGE),
    "time_feed": ("feed", GREEN),
    "time_dwell": ("dwell", PURPLE),
    "time_release": ("release", VERMILION),
    "time_overruns": ("overruns", "0.55"),
}
_ERRORS = (
    ("error_before_lock", "before the lock", SKY, "o"),
    ("error_locked", "locked", BLUE, "s"),
    ("error_under_thrust", "under thrust", VERMILION, "^"),
)
_MOST_MARKERS = 60  # up to here they are large
_BEFORE, _AFTER = 0.1, 0.2  # s around the quickest change of a pressure


def _dress(ax: Axes, label: str, *, legend: bool = True) -> Axes:
    """Label the axes, draw a quiet grid, put the legend beside."""
    ax.set_ylabel(label)
    ax.ticklabel_format(axis="y", style="plain", useOffset=False)
    ax.grid(True, color="0.85", linewidth=0.6)
    ax.set_axisbelow(True)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    if legend and ax.get_legend_handles_labels()[0]:
        ax.legend(
            loc="upper left",
            bbox_to_anchor=(1.01, 1.02),
            fontsize="small",
            frameon=False,
            borderaxespad=0.0,
        )
    return ax


def _over_time(ax: Axes, cycle: Cycle, label: str) -> Axes:
    end = cycle.totals["cycle_time"]
    if end > 0.0:
        ax.set_xlim(0.0, end)
    ax.set_xlabel("time of the cycle [s]")
    return _dress(ax, label)


def plot_path(cycle: Cycle, ax: Axes | None = None) -> Axes:
    """Draw the position over the cycle, and where each position was locked.

    Parameters
    ----------
    cycle : Cycle
        The cycle.
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.

    Returns
    -------
    matplotlib.axes.Axes
        Position [mm] over time [s].
    """
    ax = axes(ax)
    t, table = cycle.traces, cycle.table
    ax.plot(t["time"], mm(t["position"]), color=BLUE, linewidth=0.9, label="table")
    locked = table["begin"] + table["move_time"]
    ax.plot(
        locked,
        mm(table["target"]),
        color=VERMILION,
        linestyle="none",
        marker="o",
        markersize=_size(cycle, 4.0, 2.0),
        label="locked",
    )
    return _over_time(ax, cycle, "position [mm]")


def _size(cycle: Cycle, large: float, small: float) -> float:
    return large if cycle.done <= _MOST_MARKERS else small


def plot_hole_errors(cycle: Cycle, ax: Axes | None = None) -> Axes:
    """Draw the errors at each position with the window.

    Parameters
    ----------
    cycle : Cycle
        The cycle.
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.

    Returns
    -------
    matplotlib.axes.Axes
        Target less position [um] over the time [s] at which each was locked.
    """
    ax = axes(ax)
    table = cycle.table
    w = float(um(cycle.axis.file.window.half_width))
    draw_target(ax, w, f"window ±{w:g} {MICROMETRES}")
    locked = table["begin"] + table["move_time"]
    for name, label, colour, marker in _ERRORS:
        values = um(table[name])
        if not np.isnan(values).all():
            ax.plot(
                locked,
                values,
                color=colour,
                linestyle="none",
                marker=marker,
                markersize=_size(cycle, 5.0, 3.0),
                markeredgewidth=0.0,
                label=label,
            )
    loose = table["settled"] == 0.0
    if loose.any():
        ax.plot(
            locked[loose],
            um(table["error_before_lock"][loose]),
            color=BLACK,
            linestyle="none",
            marker="x",
            label="not settled",
        )
    return _over_time(ax, cycle, f"target less\nposition [{MICROMETRES}]")


def plot_supply(cycle: Cycle, ax: Axes | None = None) -> Axes:
    """Draw the supply pressure over the cycle, and the lowest at each position.

    Parameters
    ----------
    cycle : Cycle
        The cycle.
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.

    Returns
    -------
    matplotlib.axes.Axes
        Gauge pressure [bar] over time [s].
    """
    ax = axes(ax)
    t, table = cycle.traces, cycle.table
    ax.plot(
        t["time"], convert(t["supply_pressure"], "bar"), color=BLACK, linewidth=0.6, label="supply"
    )
    lowest = table["supply_pressure_min"]
    ax.plot(
        [*table["begin"], cycle.totals["cycle_time"]],
        convert(np.append(lowest, lowest[-1:]), "bar"),
        color=ORANGE,
        drawstyle="steps-post",
        linewidth=1.0,
        label="lowest of a move",
    )
    return _over_time(ax, cycle, "supply\npressure [bar]")


def plot_temperatures(cycle: Cycle, ax: Axes | None = None) -> Axes:
    """Draw the temperature of the oil in the tank and of the accumulator's gas.

    Parameters
    ----------
    cycle : Cycle
        The cycle.
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.

    Returns
    -------
    matplotlib.axes.Axes
        Temperature [°C] over time [s].
    """
    ax = axes(ax)
    t, table = cycle.traces, cycle.table
    ax.plot(
        t["time"],
        convert(t["tank_temperature"], "degC"),
        color=VERMILION,
        linewidth=1.3,
        label="oil in the tank",
    )
    if not np.isnan(table["gas_temperature"]).all():
        ax.plot(
            table["begin"] + table["time"],
            convert(table["gas_temperature"], "degC"),
            color=SKY,
            linestyle="--",
            linewidth=1.1,
            label="accumulator's gas",
        )
    low, high = ax.get_ylim()
    if high - low < 1.0:  # less than a degree is shown as little
        middle = 0.5 * (low + high)
        ax.set_ylim(middle - 0.5, middle + 0.5)
    return _over_time(ax, cycle, "temperature\n[°C]")


def plot_time_shares(cycle: Cycle, ax: Axes | None = None) -> Axes:
    """Draw where the time of a cycle goes.

    Parameters
    ----------
    cycle : Cycle
        The cycle.
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.

    Returns
    -------
    matplotlib.axes.Axes
        A bar for each part, time [s], with its share.
    """
    ax = axes(ax)
    whole = cycle.totals["cycle_time"]
    names = [name for name in (*PARTS, "time_overruns") if cycle.totals[name] > 0.0]
    times = [cycle.totals[name] for name in names]
    bars = ax.barh(
        [_PARTS[name][0] for name in names], times, color=[_PARTS[name][1] for name in names]
    )
    texts = [f"{time:.1f} s, {percentage(time / whole)} %" for time in times]
    ax.bar_label(bars, texts, padding=4, fontsize="small")
    ax.invert_yaxis()
    ax.set_xlim(0.0, 1.25 * max(times, default=1.0))
    ax.set_xlabel("time in all [s]")
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    return ax


def plot_stop_position(stop: Stop, ax: Axes | None = None) -> Axes:
    """Draw the position before and after a fault.

    Parameters
    ----------
    stop : Stop
        The stop.
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.

    Returns
    -------
    matplotlib.axes.Axes
        Position [mm] over the time from the fault [s].
    """
    ax = axes(ax)
    traces, f = stop.traces(), stop.figures
    ax.axhline(mm(stop.before.move.target), color=GREEN, linestyle="-.", lw=1.0, label="target")
    ax.plot(traces["time"], mm(traces["table_position"]), color=BLUE, lw=1.4, label="table")
    sign = math.copysign(1.0, f["fault_velocity"])
    if not math.isnan(f["stopping_distance"]):
        place = f["fault_position"] + sign * f["stopping_distance"]
        ax.plot(
            [f["stopping_time"]],
            [mm(place)],
            color=VERMILION,
            marker="o",
            markersize=5,
            linestyle="none",
            label="stopped",
        )
    return _from_fault(ax, stop, "position [mm]")


def plot_stop_pressures(stop: Stop, ax: Axes | None = None, *, close: bool = False) -> Axes:
    """Draw the pressures before and after a fault.

    Parameters
    ----------
    stop : Stop
        The stop.
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.
    close : bool, optional
        Whether only the time around the quickest change after the fault is shown.

    Returns
    -------
    matplotlib.axes.Axes
        Gauge pressures [bar] over the time from the fault [s].
    """
    ax = axes(ax)
    traces = stop.traces()
    t = traces["time"]
    sides = SIDES if stop.before.axis.parameters.cylinder.has_b else SIDES[:1]
    supply = convert(traces["supply_pressure"], "bar")
    ax.plot(t, supply, color=BLACK, linestyle="-.", lw=1.0, label="supply")
    for side, colour, style in sides:
        pressure = convert(traces[f"pressure_{side}"], "bar")
        ax.plot(t, pressure, color=colour, linestyle=style, lw=1.2, label=f"chamber {side.upper()}")
    _from_fault(ax, stop, "pressure [bar]")
    if close:
        change = np.zeros(len(t))
        for side, _, _ in sides:
            change[1:] = np.maximum(change[1:], np.abs(np.diff(traces[f"pressure_{side}"])))
        quickest = float(t[int(np.argmax(np.where(t > 0.0, change, -1.0)))])
        ax.set_xlim(max(quickest - _BEFORE, float(t[0])), min(quickest + _AFTER, float(t[-1])))
    return ax


def _from_fault(ax: Axes, stop: Stop, label: str) -> Axes:
    ax.axvline(0.0, color="0.45", linestyle=":", linewidth=1.2, label="fault")
    ax.set_xlabel("time from the fault [s]")
    ax.set_xlim(-float(stop.before.time[-1]), float(stop.run.time[-1]))
    return _dress(ax, label, legend=False)
