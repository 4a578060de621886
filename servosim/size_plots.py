"""Figures of a sizing, one function each: data in, axes out, practical units on every axis.

Load of the cycle against the valve, natural frequency along the stroke, flow and supply pressure
over a cycle, settling time over valve and bore. Nothing here shows a window or changes a global
setting; colours are those of :mod:`servosim.plots`.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from servosim.panels.drawing import VERMILION
from servosim.panels.size_panels import (
    plot_frequency_along,
    plot_load_locus,
    plot_settling,
    plot_supply_cycle,
)
from servosim.sizing.result import Sizing

__all__ = [
    "VIEWS",
    "plot_frequency_along",
    "plot_load_locus",
    "plot_settling",
    "plot_sizing",
    "plot_supply_cycle",
]

_LETTERS = 150  # in a line of the title
_HEIGHTS = {"locus": 5.0, "frequency": 3.6, "supply": 4.3, "settling": 4.3}  # inches

_View = tuple[str, Callable[[Any, Axes], Axes], str]
VIEWS: dict[str, _View] = {
    "locus": (
        "locus",
        plot_load_locus,
        "load of the cycle against the valve: every point must lie between the curves",
    ),
    "frequency": (
        "along_stroke",
        plot_frequency_along,
        "natural frequency along the stroke, heaviest workpiece, most air, hottest oil",
    ),
    "supply": ("supply", plot_supply_cycle, "flow and supply pressure over one cycle, by algebra"),
    "settling": (
        "settling",
        plot_settling,
        "settling time in the worst case of everything that was tuned and moved",
    ),
}
"""What each view is: attribute of the curves, function that draws it, title."""


def plot_sizing(sizing: Sizing, view: str | None = None) -> Figure:
    """Draw a sizing on a page.

    Parameters
    ----------
    sizing : Sizing
        The result of :func:`servosim.size`.
    view : str, optional
        ``"locus"``, ``"frequency"``, ``"supply"`` or ``"settling"`` alone; all of them if not
        given.

    Returns
    -------
    matplotlib.figure.Figure
        Load of the cycle against the valve, natural frequency along the stroke, flow and supply
        pressure over the cycle of the winner (else of the nearest combination), and the settling
        times of all that were moved, as far as they are there.
    """
    names = [view] if view is not None else [*VIEWS]
    there = [name for name in names if getattr(sizing.curves, VIEWS[name][0], None) is not None]
    heights = [_HEIGHTS[name] for name in there] or [4.0]
    figure = Figure(figsize=(12.0, 1.0 + sum(heights)), layout="constrained")
    # each row is laid out by itself, so that long names in one do not narrow the others
    strips = figure.subfigures(len(heights), 1, squeeze=False, height_ratios=heights)[:, 0]
    for strip, name in zip(strips, there, strict=False):
        attribute, draw, title = VIEWS[name]
        ax = draw(getattr(sizing.curves, attribute), strip.subplots())
        ax.set_title(title, fontsize="small", loc="left")
    if not there:
        ax = strips[0].subplots()
        ax.set_axis_off()
        ax.text(0.5, 0.5, "nothing was worked out that could be drawn", ha="center")
    figure.suptitle("\n".join(_title(sizing)), fontsize="medium")
    if not sizing.feasible:
        figure.supxlabel(
            "Nothing that was tried keeps every rule and goal: this is the nearest combination.",
            fontsize="small", color=VERMILION,
        )  # fmt: skip
    return figure


def _title(sizing: Sizing) -> list[str]:
    shown = sizing.shown
    lines = textwrap.wrap(sizing.requirement.title, _LETTERS)
    return lines + (textwrap.wrap(shown.words, _LETTERS) if shown is not None else [])
