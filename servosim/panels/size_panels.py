"""The panels of a sizing: load against valve, natural frequency, supply over a cycle, settling."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from servosim.panels.drawing import BLACK, BLUE, GREEN, SKY, STYLES, VERMILION
from servosim.panels.linear_panels import Array, frame, hertz, legend_of, new_axes
from servosim.sizing.combinations import Numbers
from servosim.sizing.curves import AlongStroke, Locus, SettlingPoints, SupplyCycle
from servosim.units import convert

_MOST_NAMED = 7  # points of the load that are named
_LONGEST_NAME = 60
_MARKERS = "osD^vP*Xp<>"
_SCREWS = "motor with screw"


def plot_load_locus(locus: Locus, ax: Axes | None = None) -> Axes:
    """Draw the load of the cycle against what the valve gives.

    Parameters
    ----------
    locus : Locus
        Points of the cycle and curves of the valve.
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.

    Returns
    -------
    matplotlib.axes.Axes
        Velocity [mm/s] over force of the oil on the piston [kN]; both directions. A point between
        the curves at the used opening can be reached with what the margins demand. The points that
        need most of the valve are named beside the axes.
    """
    ax = new_axes(ax, (9.0, 5.0))
    _draw_locus(ax, locus)
    frame(ax, "force of the oil on the piston, positive out [kN]", "velocity [mm/s]")
    whole = _force_range([*locus.force, locus.stall_out, locus.stall_in, 0.0], 0.06)
    load = _force_range([*locus.force, 0.0], 1.0)
    is_small = load[1] - load[0] < 0.5 * (whole[1] - whole[0])
    _set_limits(ax, locus, load if is_small else whole)
    names = _name_points(ax, locus)
    if is_small:  # the whole curve below the key, with the part that is shown
        inset = ax.inset_axes((1.06, 0.0, 0.4, 0.36))
        _draw_locus(inset, locus, small=True)
        _set_limits(inset, locus, whole)
        inset.axvspan(*load, color="0.5", alpha=0.25, linewidth=0)
        inset.tick_params(labelsize="x-small")
        inset.set_title("up to stall, with the part on the left", fontsize="x-small", loc="left")
    # the key of the numbers below that of the lines, both beside the axes
    beside: dict[str, Any] = {
        "loc": "upper left",
        "bbox_to_anchor": (1.01, 1.02),
        "borderaxespad": 0.0,
    }
    handles, labels = ax.get_legend_handles_labels()
    handles += [ax.plot([], [], linestyle="none")[0] for _ in names]
    ax.legend(handles, [*labels, *names], fontsize="small", frameon=False, **beside)
    return ax


def _draw_locus(ax: Axes, locus: Locus, *, small: bool = False) -> None:
    """Draw curves, points and stall."""
    width = 0.9 if small else 1.4
    x = convert(locus.curve_force, "kN")
    opening = f"{100.0 * locus.used_opening:.3g} %"
    for out, back, style, label in (
        (locus.full_out, locus.full_in, "-", "valve, full command"),
        (locus.used_out, locus.used_in, "--", f"valve, {opening} of the command"),
    ):
        ax.plot(x, convert(out, "mm/s"), color=BLUE, linestyle=style, linewidth=width, label=label)
        ax.plot(x, convert(back, "mm/s"), color=BLUE, linestyle=style, linewidth=width)
    between = np.isfinite(locus.used_out) & np.isfinite(locus.used_in)
    ax.fill_between(
        x, convert(locus.used_in, "mm/s"), convert(locus.used_out, "mm/s"), where=between,
        color=GREEN, alpha=0.08, linewidth=0,
    )  # fmt: skip
    force, speed = convert(locus.force, "kN"), convert(locus.velocity, "mm/s")
    beyond = ~(locus.opening <= locus.used_opening * (1.0 + 1e-9))
    size = 1.5 if small else 4.5
    ax.plot(
        force[~beyond], speed[~beyond], linestyle="none", marker="o", markersize=size, color=BLACK,
        label="points of the cycle",
    )  # fmt: skip
    if beyond.any():
        ax.plot(
            force[beyond], speed[beyond], linestyle="none", marker="X", markersize=1.5 * size,
            color=VERMILION, label="beyond the margins",
        )  # fmt: skip
    stalls = [
        float(convert(stall, "kN"))
        for stall in (locus.stall_in, locus.stall_out)
        if math.isfinite(stall)
    ]
    for stall in stalls:
        ax.axvline(stall, color="0.55", linestyle=":", linewidth=1.1)
    at = " and ".join(f"{stall:.3g}" for stall in stalls)
    ax.plot([], [], color="0.55", linestyle=":", linewidth=1.1, label=f"stall, {at} kN")
    ax.axhline(0.0, color=BLACK, linewidth=0.8)
    ax.axvline(0.0, color=BLACK, linewidth=0.8)


def _force_range(forces: Sequence[float], room: float) -> tuple[float, float]:
    """Return a range around forces [kN], with room at each side as a share of it."""
    shown = [float(convert(float(one), "kN")) for one in forces if math.isfinite(one)]
    low, high = min(shown), max(shown)
    more = room * max(high - low, 1e-6)
    return low - more, high + more


def _set_limits(ax: Axes, locus: Locus, forces: tuple[float, float]) -> None:
    """Show a range of forces, and all velocities of the cycle and of the valve at its loads."""
    ax.set_xlim(*forces)
    loads = [float(one) for one in locus.force if math.isfinite(one)]
    inside = (locus.curve_force >= min([0.0, *loads])) & (locus.curve_force <= max([0.0, *loads]))
    if not inside.any():  # all loads lie between two points of the curves
        inside = np.abs(locus.curve_force) <= np.abs(locus.curve_force).min() * (1.0 + 1e-9)
    speeds = [*locus.velocity, *locus.full_out[inside], *locus.full_in[inside]]
    shown = [float(convert(float(one), "mm/s")) for one in speeds if math.isfinite(one)]
    low, high = min([*shown, 0.0]), max([*shown, 0.0])
    room = 0.12 * max(high - low, 1e-6)
    ax.set_ylim(low - room, high + room)


def _name_points(ax: Axes, locus: Locus) -> list[str]:
    """Write numbers at the points that need most of the valve, and return what they are."""
    needed = np.where(np.isnan(locus.opening), np.inf, locus.opening)
    order = np.argsort(-needed, kind="stable")
    places: list[tuple[float, float]] = []
    names: list[str] = []
    (x0, x1), (y0, y1) = ax.get_xlim(), ax.get_ylim()
    for k in order:
        x = float(convert(float(locus.force[k]), "kN"))
        y = float(convert(float(locus.velocity[k]), "mm/s"))
        share = ((x - x0) / (x1 - x0), (y - y0) / (y1 - y0))
        if any(math.dist(share, other) < 0.035 for other in places):
            continue
        places.append(share)
        opening = locus.opening[k]
        tail = "not reached" if math.isnan(opening) else f"{100.0 * opening:.3g} %"
        names.append(f"{len(names) + 1}  {_short(locus.words[k])}: {tail}")
        ax.annotate(
            str(len(names)), (x, y), xytext=(4, 4), textcoords="offset points", fontsize="small"
        )
        if len(names) == _MOST_NAMED:
            break
    return names


def _short(words: str) -> str:
    return words if len(words) <= _LONGEST_NAME else f"{words[: _LONGEST_NAME - 1]}…"


def plot_frequency_along(along: AlongStroke, ax: Axes | None = None) -> Axes:
    """Draw the natural frequency along the stroke.

    Parameters
    ----------
    along : AlongStroke
        Frequencies by position, and what is needed.
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.

    Returns
    -------
    matplotlib.axes.Axes
        Natural frequency [Hz] over position from the retracted end [mm], with its lowest place and
        what the motion needs.
    """
    ax = new_axes(ax)
    x, y = convert(along.position, "mm"), hertz(along.frequency)
    ax.plot(x, y, color=BLUE, linewidth=1.6, label="natural frequency, worst of the conditions")
    low = float(hertz(along.lowest))
    at = float(convert(along.lowest_position, "mm"))
    ax.plot(
        [at], [low], marker="o", color=BLUE, linestyle="none",
        label=f"lowest: {low:.3g} Hz at {at:.0f} mm",
    )  # fmt: skip
    needed = float(hertz(along.needed))
    if math.isfinite(needed):
        ax.axhline(
            needed, color=VERMILION, linestyle="--", linewidth=1.4,
            label=f"needed: {needed:.3g} Hz",
        )  # fmt: skip
    frame(ax, "position from the retracted end [mm]", "natural frequency [Hz]")
    finite = y[np.isfinite(y)]
    top = max([low, needed if math.isfinite(needed) else 0.0])
    # the ends of the stroke may be far stiffer than what is looked for
    high = min(float(finite.max(initial=top)), 3.0 * top) if top > 0.0 else 1.0
    ax.set_ylim(0.0, 1.3 * high)
    if len(x) > 1:
        ax.set_xlim(float(x.min()), float(x.max()))
    legend_of(ax, loc="upper center")
    return ax


def plot_supply_cycle(cycle: SupplyCycle, ax: Axes | None = None) -> Axes:
    """Draw flow and supply pressure over one cycle.

    Parameters
    ----------
    cycle : SupplyCycle
        Both over time.
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.

    Returns
    -------
    matplotlib.axes.Axes
        Flow [L/min] over time [s]; the pressure [bar] stands on a second scale at the right.
    """
    ax = new_axes(ax, (9.0, 4.6))
    flow = convert(cycle.flow, "L/min")
    ax.fill_between(cycle.time, 0.0, flow, color=SKY, alpha=0.35, linewidth=0, step=None)
    ax.plot(cycle.time, flow, color=BLUE, linewidth=1.2, label="flow drawn")
    for value, style, name in (
        (cycle.mean_flow, "-.", "mean flow"),
        (cycle.pump_flow, ":", "flow of the pump"),
    ):
        if math.isfinite(value):
            number = float(convert(value, "L/min"))
            label = f"{name}, {number:.3g} L/min"
            ax.axhline(number, color=BLUE, linestyle=style, linewidth=1.3, label=label)
    other = ax.twinx()
    other.plot(cycle.time, convert(cycle.pressure, "bar"), color=VERMILION, linewidth=1.5)
    ax.plot([], [], color=VERMILION, linewidth=1.5, label="supply pressure")
    dashes: tuple[tuple[float, Any, str], ...] = (
        (cycle.nominal_pressure, (0, (6, 1.5)), "nominal"),
        (cycle.lowest_admitted, (0, (1, 1)), "lowest admitted"),
    )
    for value, dash, name in dashes:
        if math.isfinite(value):
            number = float(convert(value, "bar"))
            other.axhline(number, color=VERMILION, linestyle=dash, linewidth=1.0)
            label = f"{name}, {number:.4g} bar"
            ax.plot([], [], color=VERMILION, linestyle=dash, linewidth=1.0, label=label)
    frame(ax, "time in the cycle [s]", "flow [L/min]")
    other.set_ylabel("supply pressure [bar]", color=VERMILION)
    other.tick_params(axis="y", colors=VERMILION)
    other.spines["top"].set_visible(False)
    # flow in the lower half, pressure in the upper third: they do not cross
    most = max(
        float(np.nanmax(flow, initial=0.0)), float(convert(cycle.pump_flow, "L/min")) or 0.0, 1e-6
    )
    ax.set_ylim(0.0, 2.4 * most)
    _pressure_limits(other, cycle)
    if len(cycle.time) > 1:
        ax.set_xlim(float(cycle.time[0]), float(cycle.time[-1]))
    legend_of(
        ax, loc="upper center", ncols=3, columnspacing=1.2, bbox_to_anchor=(0.5, -0.14),
        frameon=False,
    )  # fmt: skip
    return ax


def _pressure_limits(ax: Axes, cycle: SupplyCycle) -> None:
    """Put the pressures into the upper half of the axes."""
    values = [*cycle.pressure, cycle.nominal_pressure, cycle.lowest_admitted]
    shown = [float(convert(float(one), "bar")) for one in values if math.isfinite(one)]
    low, high = min(shown, default=0.0), max(shown, default=1.0)
    span = max(high - low, 0.01 * high, 1e-6)
    ax.set_ylim(low - 1.4 * span, high + 0.15 * span)


def plot_settling(points: SettlingPoints, ax: Axes | None = None) -> Axes:
    """Draw the settling time over valve size and bore of everything that was moved.

    Parameters
    ----------
    points : SettlingPoints
        What was moved.
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.

    Returns
    -------
    matplotlib.axes.Axes
        Worst settling time [s] over the valve's flow at 70 bar [L/min], a line for each bore; an
        open mark missed a goal, a cross above did not settle. The first row is the winner.
    """
    ax = new_axes(ax, (9.0, 5.0))
    flow = convert(points.rated_flow, "L/min")
    finite = points.settling_time[np.isfinite(points.settling_time)]
    top = max([*finite, points.allowed]) if math.isfinite(points.allowed) else max([*finite, 1.0])
    low = min([*finite, points.allowed]) if len(finite) else 0.0
    room = max(top - low, 0.05 * top)
    never = top + 0.12 * room
    for k, (label, rows) in enumerate(_by_size(points)):
        colour, style = STYLES[k % len(STYLES)]
        order = rows[np.argsort(flow[rows], kind="stable")]
        time = np.where(
            np.isfinite(points.settling_time[order]), points.settling_time[order], never
        )
        kept, settles = points.kept[order], np.isfinite(points.settling_time[order])
        marker = _MARKERS[k % len(_MARKERS)]
        if label != _SCREWS:  # one bore: the best of each valve
            best = _best_of_each(flow[order], time)
            best = best[settles[best]]
            ax.plot(
                flow[order][best], time[best], color=colour, linestyle=style, linewidth=1.0,
                alpha=0.7,
            )  # fmt: skip
        drawn: dict[str, Any] = {
            "linestyle": "none",
            "marker": marker,
            "color": colour,
            "markersize": 6.5,
        }
        if kept.any():
            ax.plot(flow[order][kept], time[kept], label=label, zorder=3, **drawn)
        missed = ~kept & settles
        ax.plot(flow[order][missed], time[missed], markerfacecolor="white", **drawn)
        if not kept.any():
            ax.plot([], [], label=label, markerfacecolor="white", **drawn)
        ax.plot(
            flow[order][~settles], time[~settles], linestyle="none", marker="x", color=colour,
            markersize=7, markeredgewidth=1.8,
        )  # fmt: skip
    if math.isfinite(points.allowed):
        ax.axhline(
            points.allowed, color=GREEN, linestyle="--", linewidth=1.4,
            label=f"allowed, {points.allowed:.4g} s",
        )  # fmt: skip
    if len(points.number) and points.kept.any():
        first = int(np.flatnonzero(points.kept)[0])
        ax.plot(
            flow[first], points.settling_time[first], marker="o", markersize=14, color=BLACK,
            markerfacecolor="none", linestyle="none", label="winner",
        )  # fmt: skip
    grey: dict[str, Any] = {"linestyle": "none", "color": "0.35"}
    if not points.kept.all():
        ax.plot([], [], marker="o", markerfacecolor="white", label="open: misses a goal", **grey)
    if not np.isfinite(points.settling_time).all():
        ax.plot([], [], marker="x", markeredgewidth=1.8, label="cross: does not settle", **grey)
    frame(ax, "flow of the valve at 70 bar [L/min]", "worst settling time [s]")
    sizes = np.unique(flow[np.isfinite(flow)])
    if len(sizes) > 1 and sizes[-1] > 4.0 * sizes[0]:
        ax.set_xscale("log")
        apart = [k for k in range(len(sizes)) if k == 0 or sizes[k] > 1.12 * sizes[k - 1]]
        ax.set_xticks(sizes[apart], [f"{one:.3g}" for one in sizes[apart]])
        ax.set_xticks([], minor=True)
    ax.set_ylim(low - 0.1 * room, never + 0.08 * room)
    ax.legend(
        fontsize="small", loc="upper left", bbox_to_anchor=(1.01, 1.02), frameon=False,
        borderaxespad=0.0, handlelength=2.8,
    )  # fmt: skip
    return ax


def _by_size(points: SettlingPoints) -> list[tuple[str, Numbers]]:
    """Return the rows of each bore, and of all motors with screw."""
    bores = np.unique(points.bore[np.isfinite(points.bore)])
    found = [
        (f"bore {float(convert(float(one), 'mm')):.4g} mm", np.flatnonzero(points.bore == one))
        for one in bores
    ]
    screws = np.flatnonzero(~np.isfinite(points.bore))
    return [*found, (_SCREWS, screws)] if len(screws) else found


def _best_of_each(flow: Array, time: Array) -> Numbers:
    """Return the row of the shortest time for each flow."""
    rows = []
    for one in np.unique(flow):
        same = np.flatnonzero(flow == one)
        rows.append(int(same[np.argmin(time[same])]))
    return np.array(rows, dtype=np.intp)
