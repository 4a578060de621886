"""The panels of a tuning: errors of moves, margins along the stroke, trade-off, hardware."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from matplotlib.axes import Axes

from servosim.panels.drawing import BLACK, BLUE, GREEN, MICROMETRES, STYLES, VERMILION
from servosim.panels.linear_panels import Array, decibels, frame, legend_of, new_axes
from servosim.units import convert

Trace = tuple[Array, Array]

_MOST_GAIN, _MOST_PHASE = 40.0, 120.0  # dB and deg: what lies beyond is drawn at the edge
_LEAST_GAIN, _LEAST_PHASE = -6.0, -36.0  # the same below


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
    legend_of(ax, loc="upper center", ncols=2, columnspacing=1.2)
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


def plot_margins_along(
    position: Array,
    gain_margin: Array,
    phase_margin: Array,
    ax: Axes | None = None,
    *,
    stretch: tuple[float, float] | None = None,
    required: tuple[float, float] | None = None,
) -> Axes:
    """Draw the margins along the stroke, and the stretch for which they are asked.

    Parameters
    ----------
    position : ndarray, shape (n,)
        Positions of the table, rising [m].
    gain_margin, phase_margin : ndarray, shape (n,)
        Least margins there [ratio, rad]; below one and below zero where the loop is unstable.
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.
    stretch : tuple of float, optional
        Positions between which the margins are asked for [m].
    required : tuple of float, optional
        Gain margin [ratio] and phase margin [rad] that are asked for.

    Returns
    -------
    matplotlib.axes.Axes
        Gain margin [dB] over position [mm]; the phase margin [deg] stands on a second scale whose
        zero is the same. What lies beyond -6 to 40 dB or -36 to 120 deg is drawn at the edge.
    """
    ax = new_axes(ax)
    x = convert(position, "mm")
    if stretch is not None:
        low, high = (float(convert(end, "mm")) for end in stretch)
        label = f"asked for, {low:.0f} to {high:.0f} mm"
        ax.axvspan(low, high, color=GREEN, alpha=0.12, linewidth=0, label=label)
    gain = np.clip(decibels(gain_margin), _LEAST_GAIN, _MOST_GAIN)
    ax.plot(x, gain, color=BLUE, marker="o", markersize=4, linewidth=1.4, label="gain margin")
    dashes = (0, (6, 1.5))
    ax.plot([], [], color=VERMILION, ls=dashes, marker="^", ms=4, label="phase margin")
    ax.axhline(0.0, color=BLACK, linewidth=0.9)
    angle = np.clip(np.rad2deg(phase_margin), _LEAST_PHASE, _MOST_PHASE)
    other = ax.twinx()
    other.plot(x, angle, color=VERMILION, linestyle=dashes, marker="^", markersize=4, lw=1.2)
    if required is not None:
        ax.axhline(float(decibels(required[0])), color=BLUE, linestyle=":", linewidth=1.2)
        other.axhline(math.degrees(required[1]), color=VERMILION, linestyle=":", linewidth=1.2)
        ax.plot([], [], color=BLACK, linestyle=":", linewidth=1.2, label="asked for")
    frame(ax, "position of the table [mm]", "least gain margin [dB]")
    other.set_ylabel("least phase margin [deg]", color=VERMILION)
    other.tick_params(axis="y", colors=VERMILION)
    other.spines["top"].set_visible(False)
    # the same zero: 1 dB stands as high as 6 deg
    low = min(-1.0, float(np.nanmin(gain, initial=0.0)), float(np.nanmin(angle, initial=0.0)) / 6)
    high = max(float(np.nanmax(gain, initial=0.0)), float(np.nanmax(angle, initial=0.0)) / 6, 1.0)
    limits = np.array([1.05 * low, 1.45 * high])
    ax.set_ylim(*limits)
    other.set_ylim(*(6.0 * limits))
    if len(x):
        ax.set_xlim(float(x[0]), float(x[-1]))
    legend_of(ax, loc="upper center", ncols=2, columnspacing=1.2)
    return ax
