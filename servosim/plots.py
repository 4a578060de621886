"""Figures of a move, one function each: data in, axes out, practical units on every axis.

Nothing here shows a window or changes a global setting: figures are made without the plotting
library's state machine, so that they work in any program and thread.

Source. Colours: M. Okabe, K. Ito, "Color Universal Design", 2008 (from memory); every line also has
a style of its own, for print in black and white.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from matplotlib.figure import Figure

from servosim._whole_file import whole_file
from servosim.errors import Fault, ParameterError
from servosim.metrics import metrics
from servosim.panels.drawing import (
    MICROMETRES,
    STYLES,
    VERMILION,
    draw_target,
    dress,
    error_limits,
    mm,
    phase_spans,
    um,
)
from servosim.panels.move_panels import (
    plot_error,
    plot_lock,
    plot_position,
    plot_pressures,
    plot_spool,
    plot_velocity,
)
from servosim.result import Run, Status
from servosim.units import convert

__all__ = [
    "compare_moves",
    "phase_spans",
    "plot_error",
    "plot_lock",
    "plot_move",
    "plot_position",
    "plot_pressures",
    "plot_spool",
    "plot_velocity",
    "save_figure",
]

SUFFIXES = (".png", ".svg", ".pdf")


def _headline(run: Run) -> str:
    """Return the figures of the move that matter most, in one line."""
    found = {name: metric.value for name, metric in metrics(run).items()}
    parts = []
    if found["settled"] == 0.0:
        parts.append("not settled")
    for name, title in (
        ("settling_time", "settling "),
        ("overshoot", "overshoot "),
        ("resting_error", "resting error "),
        ("lock_shift", "lock shift "),
        ("thrust_deflection", "under thrust "),
        ("unlock_bump", "unlock bump "),
        ("limit_cycle_amplitude", "limit cycle ±"),
    ):
        value = found[name]
        if value is None or (name == "limit_cycle_amplitude" and value == 0.0):
            continue
        if name == "settling_time":
            parts.append(f"{title}{value:.3f} s")
        else:
            sign = "" if name in ("overshoot", "limit_cycle_amplitude") else "+"
            parts.append(title + _length(value, sign))
    middle = (len(parts) + 1) // 2 if len(parts) > 4 else len(parts)
    lines = (parts[:middle], parts[middle:])
    return ",\n".join(", ".join(line) for line in lines if line)


def _length(value: float, sign: str) -> str:
    """Return a length in um, from a millimetre on in mm."""
    if abs(value) < 1e-3:
        text = f"{float(um(value)):{sign}.1f} {MICROMETRES}"
    else:
        text = f"{float(mm(value)):{sign}.2f} mm"
    return text.replace("-", "−")


def plot_move(run: Run) -> Figure:
    """Draw the whole move on a page.

    Parameters
    ----------
    run : Run
        The run.

    Returns
    -------
    matplotlib.figure.Figure
        Five panels over one time axis: position with the error as an inset, velocity, spool,
        pressures, lock and thrust.
    """
    figure = Figure(figsize=(9.0, 11.5), layout="constrained")
    panels = figure.subplots(5, 1, sharex=True, height_ratios=(2.4, 1.0, 1.0, 1.2, 1.0))
    plot_position(run, panels[0])
    for draw, ax in zip(
        (plot_velocity, plot_spool, plot_pressures, plot_lock), panels[1:], strict=True
    ):
        draw(run, ax)
    for ax in panels[:-1]:
        ax.set_xlabel("")
    figure.align_ylabels(list(panels))
    m, kind = run.move, run.axis.file.reference.kind.replace("_", "-")
    move = f"{float(mm(m.start)):g} mm to {float(mm(m.target)):g} mm, {kind} reference"
    title = f"{run.axis.file.title}\n{move}\n{_headline(run)}".rstrip()
    figure.suptitle(title, fontsize="medium")
    notes = [event.kind.replace("_", " ") for event in run.events]
    if run.status != Status.COMPLETE:
        notes.insert(0, run.message)
    if notes:
        figure.supxlabel("Note: " + "; ".join(notes), fontsize="small", color=VERMILION, wrap=True)
    return figure


def compare_moves(runs: Sequence[Run], labels: Sequence[str]) -> Figure:
    """Draw several moves over each other.

    Parameters
    ----------
    runs : sequence of Run
        The runs, at most six.
    labels : sequence of str
        What tells them apart.

    Returns
    -------
    matplotlib.figure.Figure
        Position, velocity, and the error at the scale of the rest.

    Raises
    ------
    ParameterError
        If there are no runs, too many, or not as many labels.
    """
    if len(runs) != len(labels) or not 0 < len(runs) <= len(STYLES):
        raise ParameterError(
            Fault(
                what=f"{len(runs)} runs with {len(labels)} labels",
                expected=f"as many labels as runs, 1 to {len(STYLES)}",
            )
        )
    figure = Figure(figsize=(9.0, 9.0), layout="constrained")
    panels = figure.subplots(3, 1, sharex=True, height_ratios=(1.0, 1.0, 1.4))
    longest = max(runs, key=lambda run: float(run.time[-1]))
    limits = []
    for run, label, (colour, style) in zip(runs, labels, STYLES, strict=False):
        x, v = run.state("table_position"), run.state("table_velocity")
        for ax, values, name in zip(
            panels,
            (mm(x), convert(v, "mm/s"), um(run.move.target - x)),
            (label, None, None),
            strict=True,
        ):
            ax.plot(run.time, values, color=colour, linestyle=style, linewidth=1.3, label=name)
        limits.append(error_limits(run, float(um(run.move.window))))
    w = float(um(max(run.move.window for run in runs)))
    draw_target(panels[2], w, f"window ±{w:g} {MICROMETRES}")
    dress(panels[0], longest, "position [mm]")
    dress(panels[1], longest, "velocity [mm/s]")
    dress(panels[2], longest, f"target less position [{MICROMETRES}]")
    panels[2].set_ylim(min(low for low, _ in limits), max(high for _, high in limits))
    for ax in panels[:-1]:
        ax.set_xlabel("")
    figure.align_ylabels(list(panels))
    return figure


def save_figure(figure: Figure, path: str | os.PathLike[str]) -> None:
    """Write a figure to a file.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        The figure.
    path : str or os.PathLike
        The file, ending in ``.png``, ``.svg`` or ``.pdf``; written beside and renamed.

    Raises
    ------
    ParameterError
        If the suffix is another, or the file cannot be written.
    """
    suffix = Path(path).suffix.lower()
    if suffix not in SUFFIXES:
        raise ParameterError(
            Fault(
                file=str(path),
                what=f"a figure cannot be written as '{suffix}'",
                expected=", ".join(SUFFIXES),
            )
        )
    with whole_file(path) as beside:
        figure.savefig(beside, format=suffix[1:], dpi=150)
