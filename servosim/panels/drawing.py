"""What all figures of a move share: colours, axes, shaded phases, ranges of time and error."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from servosim import _sequence as sequence
from servosim._spans import column, spans_of
from servosim.metrics import settling_sample
from servosim.result import Run
from servosim.units import convert

BLACK, ORANGE, SKY, GREEN = "#000000", "#E69F00", "#56B4E9", "#009E73"
BLUE, VERMILION, PURPLE = "#0072B2", "#D55E00", "#CC79A7"
MICROMETRES = "µm"

_SHADES = {"closing": "0.80", "locked": "0.94", "thrust": "0.87", "opening": "0.80"}
STYLES: tuple[tuple[str, Any], ...] = (
    (BLUE, "-"),
    (VERMILION, (0, (6, 1.5))),
    (BLACK, "-."),
    (PURPLE, (0, (3, 1, 1, 1, 1, 1))),
    (ORANGE, (0, (9, 2))),
    (SKY, (0, (1, 1))),
)
SIDES: tuple[tuple[str, str, Any], ...] = (
    ("a", BLUE, "-"),
    ("b", VERMILION, (0, (6, 1.5))),
)


def axes(ax: Axes | None) -> Axes:
    """Return the axes given, or those of a new figure."""
    if ax is not None:
        return ax
    return Figure(figsize=(9.0, 4.0), layout="constrained").subplots()


def dress(ax: Axes, run: Run, label: str, legend: bool = True) -> Axes:
    """Label the axes, draw a quiet grid and put the legend where it covers nothing."""
    ax.set_xlabel("time [s]")
    ax.set_ylabel(label)
    ax.ticklabel_format(axis="y", style="plain", useOffset=False)
    ax.grid(True, color="0.85", linewidth=0.6)
    ax.set_axisbelow(True)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    if len(run.time) > 1:
        ax.set_xlim(0.0, float(run.time[-1]))
    if legend and ax.get_legend_handles_labels()[0]:
        ax.legend(
            loc="upper left",
            bbox_to_anchor=(1.01, 1.02),
            fontsize="small",
            frameon=False,
            handlelength=2.8,
            borderaxespad=0.0,
        )
    return ax


def phase_spans(run: Run) -> list[tuple[str, float, float]]:
    """Return the phases of lock and thrust.

    Parameters
    ----------
    run : Run
        The run.

    Returns
    -------
    list of tuple
        Name (``closing``, ``locked``, ``opening``, ``thrust``), begin and end [s].
    """
    spans = spans_of(run)
    last = spans.end
    found = []

    def add(name: str, begin: float, *ends: float) -> None:
        if math.isfinite(begin) and begin < last:
            end = min([t for t in ends if math.isfinite(t)] + [last])
            found.append((name, begin, end))

    if spans.has_lock:
        add("closing", spans.close, spans.locked)
        add("locked", spans.locked, spans.first_release)
        add("opening", spans.first_release, spans.free)
    if np.any(run.move.thrust_along) or np.any(run.move.thrust_normal):
        add("thrust", spans.thrust_begin, spans.thrust_end)
    return found


def shade(ax: Axes, run: Run, names: bool = True) -> None:
    """Shade the phases of lock and thrust; name those that are wide enough above the axes."""
    span = float(run.time[-1]) if len(run.time) > 1 else 1.0
    for name, begin, end in phase_spans(run):
        ax.axvspan(begin, end, color=_SHADES[name], linewidth=0, zorder=0)
        if names and end - begin > 0.05 * span:
            ax.annotate(
                name,
                (0.5 * (begin + end), 1.0),
                xycoords=ax.get_xaxis_transform(),
                xytext=(0, 1 if name == "thrust" else 11),
                textcoords="offset points",
                ha="center",
                va="bottom",
                fontsize="small",
                color="0.2",
            )


def draw_target(ax: Axes, window: float, label: str) -> None:
    """Draw the target at zero and the window around it, in the unit of the axes."""
    ax.axhspan(-window, window, color=GREEN, alpha=0.12, linewidth=0, label=label)
    for edge in (-window, window):
        ax.axhline(edge, color=GREEN, linewidth=0.7)
    ax.axhline(0.0, color=GREEN, linestyle="-.", linewidth=1.2, label="target")


def mm(x: Any) -> Any:
    """Return a length in mm."""
    return convert(x, "mm")


def um(x: Any) -> Any:
    """Return a length in um."""
    return convert(x, "um")


def free(run: Run) -> NDArray[np.bool_]:
    """Tell for each sample whether the reference is followed."""
    phase = column(run, "lock_phase")
    return np.isin(phase, (sequence.FREE, sequence.CLOSING))


def arrival(run: Run) -> float:
    """Return when the table has come to its place, or should have [s]."""
    spans = spans_of(run)
    sample = settling_sample(run, spans, run.state("table_position")) if spans.n else None
    if sample is not None:
        return float(run.time[sample])
    near = [t for t in (spans.reference_end, spans.close) if not math.isnan(t) and t < spans.end]
    return min(near) if near else 0.5 * spans.end


def settling_range(run: Run) -> tuple[float, float]:
    """Return the times around settling, lock and thrust that an inset shows [s]."""
    end = float(run.time[-1])
    begin = arrival(run)
    return max(begin - 0.08 * (end - begin), 0.0), end


def inset_place(run: Run) -> tuple[float, float, float, float] | None:
    """Return where in the position panel an inset covers no curve, as parts of the axes.

    That is the corner beside the rest of the move, from which on the table stays within four
    tenths of the way from its target; None if there is too little of it.
    """
    m, x = run.move, run.state("table_position")
    if len(x) < 3 or not np.isfinite(x).all():
        return None
    far = np.flatnonzero(np.abs(m.target - x) > 0.4 * abs(m.target - m.start))
    begin = (far[-1] + 1) / len(x) if len(far) and m.target != m.start else 0.0
    left = max(begin + 0.07, 0.46)
    if left > 0.7:
        return None
    return left, 0.14 if m.target >= m.start else 0.42, 0.99 - left, 0.44


def error_limits(run: Run, window: float) -> tuple[float, float]:
    """Return a range that shows the error once the table has come to its place [um]."""
    error = um(run.move.target - run.state("table_position"))
    rest = error[run.time >= arrival(run)]
    rest = rest[np.isfinite(rest)]
    low, high = (float(rest.min()), float(rest.max())) if len(rest) else (0.0, 0.0)
    low, high = min(low, -1.4 * window), max(high, 1.4 * window)
    return low - 0.08 * (high - low), high + 0.08 * (high - low)
