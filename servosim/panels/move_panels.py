"""The single panels of a move: position, error, velocity, spool, pressures, lock."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.axes import Axes

from servosim import _sequence as sequence
from servosim._spans import column, spans_of
from servosim.components.lock import BLOCKING, CHECK
from servosim.panels.drawing import (
    BLACK,
    BLUE,
    GREEN,
    MICROMETRES,
    ORANGE,
    PURPLE,
    SIDES,
    SKY,
    axes,
    draw_target,
    dress,
    error_limits,
    free,
    inset_place,
    mm,
    settling_range,
    shade,
    um,
)
from servosim.result import Run
from servosim.units import convert


def plot_position(
    run: Run, ax: Axes | None = None, *, inset: bool = True, phases: bool = True
) -> Axes:
    """Draw true, measured and reference position and the target, with the error as an inset.

    Parameters
    ----------
    run : Run
        The run.
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.
    inset : bool, optional
        Whether the error around settling is drawn in the empty corner.
    phases : bool, optional
        Whether the phases of lock and thrust are named.

    Returns
    -------
    matplotlib.axes.Axes
        Position [mm] over time [s].
    """
    ax = axes(ax)
    shade(ax, run, phases)
    t, m = run.time, run.move
    ax.axhline(mm(m.target), color=GREEN, linestyle="-.", linewidth=1.0, label="target")
    in_time = not math.isnan(spans_of(run).reference_end)
    if in_time:
        r = np.where(free(run), column(run, "reference_position"), np.nan)
        ax.plot(t, mm(r), color=BLACK, linestyle="--", linewidth=1.0, label="reference")
    y = column(run, "measured_position")
    ax.plot(t, mm(y), color=ORANGE, linestyle=":", linewidth=2.2, label="measured")
    ax.plot(t, mm(run.state("table_position")), color=BLUE, linewidth=1.3, label="table, true")
    dress(ax, run, "position [mm]")
    if m.target == m.start and len(t) > 0:
        ax.set_ylim(mm(m.target - 30.0 * m.window), mm(m.target + 6.0 * m.window))
    place = inset_place(run) if inset else None
    if place is not None:
        small = ax.inset_axes(place)
        _error_into(small, run, legend=False)
        small.set_xlim(settling_range(run))
        small.set_title("error around settling", fontsize="small", loc="left", pad=3)
        small.set_xlabel("")
        small.set_ylabel(f"[{MICROMETRES}]", fontsize="small", labelpad=1)
        small.tick_params(labelsize="small")
        for spine in small.spines.values():
            spine.set_visible(True)
            spine.set_color("0.5")
    return ax


def plot_error(run: Run, ax: Axes | None = None) -> Axes:
    """Draw the error at its own scale, with window and target.

    Parameters
    ----------
    run : Run
        The run.
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.

    Returns
    -------
    matplotlib.axes.Axes
        Target less position [um] over time [s]; the vertical range is that of the rest.
    """
    ax = axes(ax)
    _error_into(ax, run, legend=True)
    return ax


def _error_into(ax: Axes, run: Run, legend: bool) -> None:
    shade(ax, run, names=legend)
    t, target, w = run.time, run.move.target, float(um(run.move.window))
    draw_target(ax, w, f"window ±{w:g} {MICROMETRES}")
    y = column(run, "measured_position")
    ax.plot(t, um(target - y), color=ORANGE, linestyle=":", linewidth=1.2, label="measured")
    true = target - run.state("table_position")
    ax.plot(t, um(true), color=BLUE, linewidth=1.3, label="table, true")
    dress(ax, run, f"target less position [{MICROMETRES}]", legend)
    ax.set_ylim(error_limits(run, w))


def plot_velocity(run: Run, ax: Axes | None = None) -> Axes:
    """Draw the velocity of the table and of the reference.

    Parameters
    ----------
    run : Run
        The run.
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.

    Returns
    -------
    matplotlib.axes.Axes
        Velocity [mm/s] over time [s].
    """
    ax = axes(ax)
    shade(ax, run, names=False)
    if not math.isnan(spans_of(run).reference_end):
        v = np.where(free(run), column(run, "reference_velocity"), np.nan)
        ax.plot(
            run.time,
            convert(v, "mm/s"),
            color=BLACK,
            linestyle="--",
            linewidth=1.0,
            label="reference",
        )
    v = convert(run.state("table_velocity"), "mm/s")
    ax.plot(run.time, v, color=BLUE, linewidth=1.3, label="table, true")
    return dress(ax, run, "velocity [mm/s]")


def plot_spool(run: Run, ax: Axes | None = None) -> Axes:
    """Draw the command of the controller and the position of the spool.

    Parameters
    ----------
    run : Run
        The run.
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.

    Returns
    -------
    matplotlib.axes.Axes
        Command and spool [% of rated] over time [s].
    """
    ax = axes(ax)
    shade(ax, run, names=False)
    u, xs = column(run, "command"), run.state("spool")
    limit = 100.0 * min(run.axis.parameters.controller.u_max, 1.0)
    largest = max(float(np.nanmax(np.abs(u), initial=0.0)), float(np.nanmax(xs, initial=0.0)))
    if 100.0 * largest > 0.8 * limit:
        for sign in (-1.0, 1.0):
            label = "limit" if sign > 0.0 else None
            ax.axhline(sign * limit, color="0.5", linewidth=0.8, linestyle=":", label=label)
    ax.plot(run.time, convert(u, "%"), color=ORANGE, linestyle="--", linewidth=1.1, label="command")
    ax.plot(run.time, convert(xs, "%"), color=BLUE, linewidth=1.2, label="spool")
    return dress(ax, run, "spool [%]")


def plot_pressures(run: Run, ax: Axes | None = None) -> Axes:
    """Draw the pressures of chambers and supply, and of the lines while the lock parts them.

    Parameters
    ----------
    run : Run
        The run.
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.

    Returns
    -------
    matplotlib.axes.Axes
        Gauge pressure [bar] over time [s].
    """
    ax = axes(ax)
    shade(ax, run, names=False)
    t, p = run.time, run.axis.parameters
    sides = ("a", "b") if p.cylinder.has_b else ("a",)
    ax.plot(
        t,
        convert(run.state("supply_pressure"), "bar"),
        color=BLACK,
        linestyle="-.",
        linewidth=1.0,
        label="supply",
    )
    for side, colour, style in (("a", SKY, ":"), ("b", ORANGE, "--")):
        parted = column(run, f"merged_{side}") < 0.5
        if side in sides and parted.any() and p.lock.kind in (BLOCKING, CHECK):
            line = np.where(parted, run.state(f"line_pressure_{side}"), np.nan)
            label = f"line {side.upper()}, locked"
            ax.plot(t, convert(line, "bar"), color=colour, linestyle=style, lw=1.8, label=label)
    for side, colour, dashes in SIDES:
        if side in sides:
            pressure = convert(run.state(f"pressure_{side}"), "bar")
            label = f"chamber {side.upper()}"
            ax.plot(t, pressure, color=colour, linestyle=dashes, linewidth=1.3, label=label)
    return dress(ax, run, "pressure [bar]")


def plot_lock(run: Run, ax: Axes | None = None) -> Axes:
    """Draw the open area of the lock, the brake, and the thrust of the tool.

    Parameters
    ----------
    run : Run
        The run.
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.

    Returns
    -------
    matplotlib.axes.Axes
        Open area and brake [%] over time [s], thrust [N] on a second scale at the right; without
        lock and brake the thrust alone.
    """
    ax = axes(ax)
    shade(ax, run, names=False)
    t, lock = run.time, run.axis.parameters.lock
    if lock.kind in (BLOCKING, CHECK):
        for side, colour, dashes in SIDES:
            area = convert(column(run, f"lock_area_{side}"), "%")
            ax.plot(t, area, color=colour, linestyle=dashes, label=f"lock open, {side.upper()}")
    elif lock.kind:
        loose = np.isin(column(run, "lock_phase"), (sequence.FREE, sequence.RELEASED))
        ax.plot(t, np.where(loose, 100.0, 0.0), color=BLUE, label="position loop on")
    if lock.brake:
        brake = convert(column(run, "brake"), "%")
        ax.plot(t, brake, color=BLACK, linestyle=":", linewidth=1.6, label="brake engaged")
    if not (lock.kind or lock.brake):
        _thrust_into(ax, ax, run)
        return dress(ax, run, "thrust [N]")
    ax.set_ylim(-8.0, 108.0)
    force = ax.twinx()
    largest = _thrust_into(force, ax, run)
    force.set_visible(largest > 0.0)
    force.set_ylabel("thrust [N]")
    for side in ("top", "left"):
        force.spines[side].set_visible(False)
    label = "lock open" if not lock.brake else "lock, brake" if lock.kind else "brake engaged"
    dress(ax, run, f"{label} [%]")
    legend = ax.get_legend()
    if legend is not None and largest > 0.0:  # beside the scale of the thrust
        legend.set_bbox_to_anchor((1.12, 1.02), transform=ax.transAxes)
    return ax


def _thrust_into(force: Axes, ax: Axes, run: Run) -> float:
    """Draw the thrust, name it in the legend of the other axes, return its largest size [N]."""
    least = largest = 0.0
    for name, label, colour, style in (
        ("thrust", "thrust along", PURPLE, "-."),
        ("normal_thrust", "thrust across", GREEN, "--"),
    ):
        values = column(run, name)
        if not values.any():
            continue
        least = min(least, float(np.nanmin(values)))
        largest = max(largest, float(np.nanmax(np.abs(values))))
        force.plot(run.time, values, color=colour, linestyle=style, linewidth=1.2)
        ax.plot([], [], color=colour, linestyle=style, linewidth=1.2, label=label)
    if largest > 0.0:  # its zero is that of the other scale, unless the thrust changes its sign
        force.set_ylim(-0.08 * largest if least == 0.0 else -1.08 * largest, 1.08 * largest)
    return largest
