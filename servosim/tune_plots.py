"""Figures of a tuning, one function each: data in, axes out, practical units on every axis.

Error of the moves before and after, the trade-off between settling time, margin and overshoot, and
what a change of hardware would give. Nothing here shows a window or changes a global setting;
colours are those of :mod:`servosim.plots`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from servosim._drawing import BLACK, BLUE, GREEN, MICROMETRES, STYLES, VERMILION
from servosim._linear_panels import Array, decibels, frame, legend_of, new_axes
from servosim.axis import Axis
from servosim.ensemble import ensemble
from servosim.tuning.bench import Bench
from servosim.tuning.cases import Case, Place, corners
from servosim.tuning.result import Tuned
from servosim.units import convert

__all__ = ["plot_errors", "plot_hardware", "plot_trade_off", "plot_tuning"]

Trace = tuple[Array, Array]

_AFTER_REST = 0.5  # s that are shown after the last move has settled
_MOST_BARS = 6


def plot_errors(
    traces: Mapping[str, Sequence[Trace]],
    window: float,
    ax: Axes | None = None,
    *,
    settling: Mapping[str, float] | None = None,
    overshoot: float = math.nan,
) -> Axes:
    """Draw the error of moves around the end, one colour for each set of gains.

    Parameters
    ----------
    traces : mapping of str to sequence of (ndarray, ndarray)
        What each set of moves is, to times [s] and how far the table is short of the target [m]
        of each move: positive before the target, negative past it; at most six sets.
    window : float
        Half width of the window [m].
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.
    settling : mapping of str to float, optional
        Settling time of each set [s], marked by a line.
    overshoot : float, optional
        Largest overshoot that is allowed [m].

    Returns
    -------
    matplotlib.axes.Axes
        Way left to the target [um] over time [s]; the vertical range is that of the rest.
    """
    ax = new_axes(ax, (9.0, 4.2))
    w = float(convert(window, "um"))
    ax.axhspan(-w, w, color=GREEN, alpha=0.12, linewidth=0, label=f"window ±{w:g} {MICROMETRES}")
    for edge in (-w, w):
        ax.axhline(edge, color=GREEN, linewidth=0.7)
    if math.isfinite(overshoot):
        level = -float(convert(overshoot, "um"))
        text = f"overshoot allowed, {-level:.3g} {MICROMETRES}"
        ax.axhline(level, color=BLACK, linestyle=":", linewidth=1.1, label=text)
    for (label, moves), (colour, style) in zip(traces.items(), STYLES, strict=False):
        time = (settling or {}).get(label, math.nan)
        text = f"{label}, settled in {time:.3f} s" if math.isfinite(time) else label
        thin = 1.4 if len(moves) == 1 else 0.8
        for k, (t, error) in enumerate(moves):
            ax.plot(
                t, convert(error, "um"), color=colour, linestyle=style, linewidth=thin,
                alpha=1.0 if len(moves) == 1 else 0.65, label=None if k else text,
            )  # fmt: skip
        if math.isfinite(time):
            ax.axvline(time, color=colour, linestyle=style, linewidth=0.8)
    frame(ax, "time [s]", f"way left to the target [{MICROMETRES}]")
    ax.axhline(0.0, color=GREEN, linestyle="-.", linewidth=1.0)
    begin, end, low, high = _near_the_end(traces, window)
    ax.set_xlim(begin, end)
    ax.set_ylim(float(convert(low, "um")), float(convert(high, "um")))
    legend_of(ax, loc="upper right")
    return ax


def _near_the_end(
    traces: Mapping[str, Sequence[Trace]], window: float
) -> tuple[float, float, float, float]:
    """Return the times [s] and errors [m] that show how all moves come to rest."""
    first, last, low, high = math.inf, 0.0, -3.0 * window, 6.0 * window
    for t, error in (move for moves in traces.values() for move in moves):
        finite = np.isfinite(error)
        if not finite.any():
            continue
        far = np.flatnonzero(finite & (np.abs(error) > 6.0 * window))
        # a move that never comes near is shown from its last tenth
        came = far[-1] if len(far) and far[-1] < len(t) - 1 else int(0.9 * (len(t) - 1))
        first = min(first, float(t[came] if len(far) else t[0]))
        last = max(last, float(t[-1]))
        low = min(low, 1.15 * float(np.nanmin(error[came:])))
        high = max(high, min(1.15 * float(np.nanmax(error[came + 1 :], initial=0.0)), 20 * window))
    if not math.isfinite(first):
        return 0.0, 1.0, low, high
    return max(first - 0.06 * (last - first), 0.0), last, max(low, -40.0 * window), high


def plot_trade_off(
    gain_margin: Array,
    settling_time: Array,
    overshoot: Array,
    ax: Axes | None = None,
    *,
    chosen: int | None = None,
    required: float = math.nan,
    limit: float = math.nan,
) -> Axes:
    """Draw what margin costs in settling time and overshoot.

    Parameters
    ----------
    gain_margin : ndarray, shape (n,)
        Least gain margin over the envelope [ratio].
    settling_time : ndarray, shape (n,)
        Settling time [s]; nan where it does not settle.
    overshoot : ndarray, shape (n,)
        Overshoot of the table [m].
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.
    chosen : int, optional
        Which point is proposed.
    required : float, optional
        Gain margin that is asked for [ratio].
    limit : float, optional
        Largest overshoot that is allowed [m].

    Returns
    -------
    matplotlib.axes.Axes
        Settling time [s] over gain margin [dB]; marks are filled where the overshoot is within its
        limit. Overshoot [um] stands on a second scale at the right.
    """
    ax = new_axes(ax)
    order = np.argsort(gain_margin)
    x, t = decibels(gain_margin)[order], np.asarray(settling_time, dtype=np.float64)[order]
    um = convert(np.asarray(overshoot, dtype=np.float64)[order], "um")
    most = float(convert(limit, "um")) if math.isfinite(limit) else math.inf
    ax.plot(x, t, color=BLUE, linewidth=1.4)
    for kept, face, label in (
        (um <= most, BLUE, "settling time, overshoot within the limit"),
        (~(um <= most), "white", "settling time, overshoot too large"),
    ):
        if kept.any():
            ax.plot(x[kept], t[kept], ls="none", marker="o", color=BLUE, mfc=face, label=label)
    other = ax.twinx()
    other.plot(x, um, color=VERMILION, linestyle=(0, (6, 1.5)), marker="^", ms=4, linewidth=1.2)
    ax.plot([], [], color=VERMILION, ls=(0, (6, 1.5)), marker="^", ms=4, label="overshoot")
    if math.isfinite(most):
        other.axhline(most, color=VERMILION, linestyle=":", linewidth=1.2)
        ax.plot([], [], color=VERMILION, ls=":", label=f"overshoot allowed, {most:.3g} µm")
    if math.isfinite(required):
        level = float(decibels(required))
        ax.axvline(level, color=GREEN, ls="--", lw=1.4, label=f"asked for: {level:.3g} dB")
    if chosen is not None:
        at = int(np.flatnonzero(order == chosen)[0])
        ax.plot(
            x[at], t[at], marker="o", markersize=14, color=BLACK, markerfacecolor="none",
            linestyle="none", label="proposed",
        )  # fmt: skip
    frame(ax, "least gain margin over the envelope [dB]", "settling time [s]")
    other.set_ylabel(f"overshoot [{MICROMETRES}]", color=VERMILION)
    other.tick_params(axis="y", colors=VERMILION)
    other.spines["top"].set_visible(False)
    held = um[np.isfinite(um)]
    top = max([float(held.max(initial=0.0)), most if math.isfinite(most) else 0.0])
    other.set_ylim(0.0, 2.0 * top if top > 0.0 else 1.0)
    low, high = ax.get_ylim()
    ax.set_ylim(low, high + 0.6 * (high - low))
    legend_of(ax, loc="upper center", ncols=2)
    return ax


def plot_hardware(
    changes: Mapping[str, float], now: float, ax: Axes | None = None, *, label: str, unit: str
) -> Axes:
    """Draw what each change of hardware would give.

    Parameters
    ----------
    changes : mapping of str to float
        What is changed, to the figure it gives [SI]; nan where none was found.
    now : float
        The figure of the axis as it is [SI].
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.
    label : str
        Name of the figure.
    unit : str
        Its practical unit.

    Returns
    -------
    matplotlib.axes.Axes
        A bar for each change, from the figure of the axis as it is.
    """
    ax = new_axes(ax)
    base = float(convert(now, unit))
    names = list(changes)
    values = np.array([float(convert(changes[name], unit)) for name in names])
    place = np.arange(len(names))[::-1]
    colours = [BLUE if value <= base else VERMILION for value in values]
    ax.barh(place, values - base, left=base, color=colours, height=0.6)
    spread = max(float(np.nanmax(np.abs(values - base), initial=0.0)), 1e-3 * abs(base), 1e-12)
    for y, value in zip(place, values, strict=True):
        known = math.isfinite(value)
        right = known and value >= base
        ax.annotate(
            f"{value:.4g}" if known else "not settled", (value if known else base, y),
            xytext=(4 if right or not known else -4, 0), textcoords="offset points",
            ha="left" if right or not known else "right", va="center", fontsize="small",
        )  # fmt: skip
    ax.axvline(base, color=BLACK, linewidth=1.2, label=f"as it is, {base:.4g} {unit}")
    frame(ax, f"{label} [{unit}]", "")
    ax.set_yticks(place, names)
    ax.set_xlim(base - 1.35 * spread, base + 1.35 * spread)
    ax.grid(False, axis="y")
    ax.set_ylim(-0.6, len(names) + 0.1)
    legend_of(ax, loc="upper right")
    return ax


def plot_tuning(tuned: Tuned) -> Figure:
    """Draw a tuning on a page.

    Parameters
    ----------
    tuned : Tuned
        The result of :func:`servosim.tune`.

    Returns
    -------
    matplotlib.figure.Figure
        Error of the file's move in every corner of its envelope, before and after; the trade-off
        between margin, settling time and overshoot; and what other hardware would give, as far as
        they were worked out.
    """
    hardware = {
        one.name: one.settling_time
        for one in tuned.diagnosis.changes[:_MOST_BARS]
        if math.isfinite(one.settling_time)
    }
    below = [name for name, there in (("family", tuned.trade_off), ("bars", hardware)) if there]
    rows = 2 if below else 1
    figure = Figure(figsize=(12.0, 0.8 + 4.4 * rows), layout="constrained")
    grid = figure.add_gridspec(rows, max(len(below), 1))
    sets = {"the file as it is": _moves(tuned.original), "tuned": _moves(tuned.axis)}
    ends = [time for _, time in sets.values() if math.isfinite(time)]
    end = max(ends) + _AFTER_REST if len(ends) == len(sets) else math.inf
    plot_errors(
        {
            name: [(t[t <= end], way[t <= end]) for t, way in moves]
            for name, (moves, _) in sets.items()
        },
        tuned.axis.file.window.half_width,
        figure.add_subplot(grid[0, :]),
        settling={name: time for name, (_, time) in sets.items()},
        overshoot=tuned.demands.overshoot or math.nan,
    ).set_title("the file's move in all corners of its envelope", fontsize="small", loc="left")
    for place, name in enumerate(below):
        ax = figure.add_subplot(grid[1, place])
        if name == "family":
            _trade_off_into(ax, tuned)
        else:
            now = tuned.after.figures["settling_time"].worst
            plot_hardware(hardware, now, ax, label="worst settling time", unit="s")
            title = "other hardware, tuned anew for it"
            ax.set_title(title, fontsize="small", loc="left")
    figure.suptitle(f"{tuned.axis.file.title}\n{_headline(tuned)}", fontsize="medium")
    if tuned.failures:
        text = "Not met: " + "; ".join(tuned.failures)
        figure.supxlabel(text, fontsize="small", color=VERMILION, wrap=True)
    return figure


def _trade_off_into(ax: Axes, tuned: Tuned) -> None:
    """Draw the trade-off of a tuning."""
    family = tuned.trade_off
    chosen = [k for k, one in enumerate(family) if one.chosen]
    plot_trade_off(
        np.array([one.gain_margin for one in family]),
        np.array([one.settling_time for one in family]),
        np.array([one.overshoot for one in family]),
        ax,
        chosen=chosen[0] if chosen else None,
        required=tuned.demands.gain_margin,
        limit=tuned.demands.overshoot or math.nan,
    )


def _headline(tuned: Tuned) -> str:
    """Return what changed most, in one line."""
    parts = []
    for name, title, unit in (
        ("settling_time", "worst settling time", "s"),
        ("overshoot", "overshoot", "um"),
    ):
        pair = [one.figures.get(name) for one in (tuned.before, tuned.after)]
        texts = [_number(one.worst if one is not None else math.nan, unit) for one in pair]
        parts.append(f"{title} {texts[0]} \u2192 {texts[1]}")
    gains = [one.file.controller.velocity_gain for one in (tuned.original, tuned.axis)]
    parts.append(f"velocity gain {gains[0]:.4g} \u2192 {gains[1]:.4g} 1/s")
    return ", ".join(parts)


def _number(value: float, unit: str) -> str:
    """Return an SI value with three figures and its unit."""
    if not math.isfinite(value):
        return "none"
    return f"{float(convert(value, unit)):.3g} {unit}".replace("um", MICROMETRES)


def _moves(axis: Axis) -> tuple[list[Trace], float]:
    """Return the way left in the file's move in each corner, and when the last one settles [s].

    A corner is a machine with the controller of the file; the time is nan if one does not settle.
    """
    m = axis.file.move
    place = Place(m.start, m.target)
    cases = [Case({}, place), *(Case(corner, place) for corner in corners(axis))]
    machines, moves = Bench(axis).machines({}, cases)
    found = ensemble(machines, moves=moves, traces=("table_position",))
    way = math.copysign(1.0, m.target - m.start)
    left = [way * (m.target - x) for x in found.traces["table_position"]]
    return [(found.time, one) for one in left], float(found.metrics["settling_time"].max())
