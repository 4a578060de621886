"""Figures of a tuning, one function each: data in, axes out, practical units on every axis.

Error of the moves before and after, the trade-off between settling time, margin and overshoot, and
what a change of hardware would give. Nothing here shows a window or changes a global setting;
colours are those of :mod:`servosim.plots`.
"""

from __future__ import annotations

import math
import textwrap

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from servosim.axis import Axis
from servosim.ensemble import ensemble
from servosim.panels.drawing import MICROMETRES, VERMILION
from servosim.panels.tune_panels import (
    Trace,
    plot_errors,
    plot_hardware,
    plot_margins_along,
    plot_trade_off,
)
from servosim.tuning.bench import Bench
from servosim.tuning.cases import Case, Place, corners
from servosim.tuning.result import Tuned
from servosim.units import convert

__all__ = ["plot_errors", "plot_hardware", "plot_margins_along", "plot_trade_off", "plot_tuning"]

_AFTER_REST = 0.25  # s that are shown after the last move has settled
_MOST_BARS = 6
_LETTERS = 160  # in a line below the page


def plot_tuning(tuned: Tuned) -> Figure:
    """Draw a tuning on a page.

    Parameters
    ----------
    tuned : Tuned
        The result of :func:`servosim.tune`.

    Returns
    -------
    matplotlib.figure.Figure
        Error of the file's move in every corner of its envelope, before and after; margins along
        the stroke; the trade-off between margin, settling time and overshoot; and what other
        hardware would give, as far as they were worked out.
    """
    hardware = {
        f"{one.name}{'' if one.violation <= 0.0 else ' *'}": one.settling_time
        for one in tuned.diagnosis.changes[:_MOST_BARS]
        if math.isfinite(one.settling_time)
    }
    parts = {"along": tuned.along_stroke, "family": tuned.trade_off}
    beside = [name for name, there in parts.items() if there]
    rows = 1 + bool(beside) + bool(hardware)
    figure = Figure(figsize=(13.0, 0.8 + 4.4 * rows), layout="constrained")
    # each row is laid out by itself, so that long names in one do not narrow the others
    strips = figure.subfigures(rows, 1, squeeze=False)[:, 0]
    sets = {"the file as it is": _moves(tuned.original)}
    if tuned.changes:
        sets["tuned"] = _moves(tuned.axis)
    ends = [time for _, time in sets.values() if math.isfinite(time)]
    end = max(ends) + _AFTER_REST if len(ends) == len(sets) else math.inf
    plot_errors(
        {
            name: [(t[t <= end], way[t <= end]) for t, way in moves]
            for name, (moves, _) in sets.items()
        },
        tuned.axis.file.window.half_width,
        strips[0].subplots(),
        settling={name: time for name, (_, time) in sets.items()},
        overshoot=tuned.demands.overshoot or math.nan,
    ).set_title("the file's move in all corners of its envelope", fontsize="small", loc="left")
    if beside:
        panels = strips[1].subplots(1, len(beside), squeeze=False)[0]
        for ax, name in zip(panels, beside, strict=True):
            (_along_into if name == "along" else _trade_off_into)(ax, tuned)
    if hardware:
        ax = strips[-1].subplots()
        now = tuned.after.figures["settling_time"].worst
        plot_hardware(hardware, now, ax, label="worst settling time", unit="s")
        title = "other hardware, tuned anew for it; * demands not met"
        ax.set_title(title, fontsize="small", loc="left")
    figure.suptitle(f"{tuned.axis.file.title}\n{_headline(tuned)}", fontsize="medium")
    if tuned.failures:
        text = "\n".join(textwrap.wrap("Not met: " + "; ".join(tuned.failures), _LETTERS))
        figure.supxlabel(text, fontsize="small", color=VERMILION)
    return figure


def _along_into(ax: Axes, tuned: Tuned) -> None:
    """Draw the proposal's margins along the stroke."""
    along = tuned.along_stroke
    plot_margins_along(
        np.array([one.position for one in along]),
        np.array([one.gain_margin for one in along]),
        np.array([one.phase_margin for one in along]),
        ax,
        stretch=tuned.demands.stroke,
        required=(tuned.demands.gain_margin, tuned.demands.phase_margin),
    )
    ax.set_title("worst of all corners and conditions", fontsize="small", loc="left")


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
