"""Figure of an error budget: ranked bars, closed form beside simulation, and the figures compared.

Data in, figure out, micrometres on every axis. Nothing here shows a window or changes a global
setting.
"""

from __future__ import annotations

import math

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from servosim.panels.drawing import BLUE, GREEN, MICROMETRES, ORANGE, VERMILION, axes, um
from servosim.positioning.budget import COMPARED, LONG_COMPARED, Budget

_BARS = (  # name, colour, hatch
    ("closed form, in the test", BLUE, ""),
    ("simulated alone", ORANGE, "///"),
    ("simulated among the others", VERMILION, "..."),
)
_SUMS = (("closed", BLUE, "o"), ("alone", ORANGE, "^"), ("without", VERMILION, "s"))
_NAMES = {"closed": "closed forms", "alone": "each alone", "without": "each removed"}
_HOW = {
    "offset": "offset",
    "side": "reversal",
    "along": "along",
    "stop": "stop to stop",
    "test": "over the test",
    "tool": "at the tool",
}


def plot_budget(found: Budget, name: str) -> Figure:
    """Draw a budget.

    Parameters
    ----------
    found : Budget
        The budget.
    name : str
        File of the axis.

    Returns
    -------
    matplotlib.figure.Figure
        Causes above, figures of ISO 230-2 below.
    """
    height = 0.52 * len(found.lines) + 1.2
    figure = Figure(figsize=(9.5, height + 3.6), layout="constrained")
    top, bottom = figure.subplots(2, 1, height_ratios=(height, 2.8))
    plot_causes(found, top)
    plot_compared(found, bottom)
    figure.suptitle(f"error budget, {found.reading} position: {name}", fontsize="medium")
    return figure


def plot_causes(found: Budget, ax: Axes | None = None) -> Axes:
    """Draw the size of each cause, the largest on top.

    Parameters
    ----------
    found : Budget
        The budget.
    ax : matplotlib.axes.Axes, optional
        Where to draw.

    Returns
    -------
    matplotlib.axes.Axes
        Bars by closed form and by simulation; a line marks the largest closed form over the
        envelope, the shaded part what the noise of the moves hides.
    """
    ax = axes(ax)
    place = np.arange(len(found.lines))
    none = math.nan
    sizes = [
        [one.term.size for one in found.lines],
        [none if one.alone is None else one.alone for one in found.lines],
        [none if one.without is None else one.without for one in found.lines],
    ]
    width = 0.26
    for k, ((label, colour, hatch), values) in enumerate(zip(_BARS, sizes, strict=True)):
        ax.barh(
            place + (k - 1) * width, um(np.array(values)), width, color=colour, hatch=hatch,
            edgecolor="white", linewidth=0.4, label=label,
        )  # fmt: skip
    worst = um(np.array([one.worst for one in found.lines]))
    ax.plot(worst, place - width, "|", color="black", markersize=9, label="closed form, envelope")
    if found.switched.floor > 0.0:
        ax.axvspan(0.0, float(um(found.switched.floor)), color="0.85", zorder=0,
                   label="hidden by the noise of the moves")  # fmt: skip
    ax.set_yticks(place, [f"{one.cause.name}\n{_HOW[one.cause.acts]}" for one in found.lines],
                  fontsize="small")  # fmt: skip
    ax.invert_yaxis()
    ax.set_xlim(left=0.0)
    ax.set_xlabel(f"size [{MICROMETRES}]")
    ax.legend(fontsize="small", loc="lower right", framealpha=0.95)
    return _quiet(ax, "x")


def plot_compared(found: Budget, ax: Axes | None = None) -> Axes:
    """Draw the figures of ISO 230-2 by the sums beside those of the simulated test.

    Parameters
    ----------
    found : Budget
        The budget.
    ax : matplotlib.axes.Axes, optional
        Where to draw.

    Returns
    -------
    matplotlib.axes.Axes
        Medians with 95 % of the machines.
    """
    ax = axes(ax)
    symbols = LONG_COMPARED if math.isnan(found.tested["A"][1]) else COMPARED
    place = np.arange(len(symbols), dtype=float)
    sets = [("simulated test", GREEN, "D", [found.tested[s] for s in symbols])]
    sets += [(_NAMES[k], c, m, [found.sums[k].figures[s] for s in symbols]) for k, c, m in _SUMS]
    for k, (label, colour, mark, values) in enumerate(sets):
        low, middle, high = um(np.array(values)).T
        ax.errorbar(
            place + (k - 1.5) * 0.17, middle, yerr=[middle - low, high - middle], fmt=mark,
            color=colour, capsize=3, markersize=5, label=label,
        )  # fmt: skip
    ax.set_xticks(place, symbols)
    ax.set_ylim(bottom=0.0)
    ax.set_ylabel(f"median, 95 % of\nmachines [{MICROMETRES}]")
    ax.legend(fontsize="small", loc="upper left", bbox_to_anchor=(1.01, 1.0), frameon=False)
    return _quiet(ax, "y")


def _quiet(ax: Axes, direction: str) -> Axes:
    ax.grid(True, axis="x" if direction == "x" else "y", color="0.88", linewidth=0.6)
    ax.set_axisbelow(True)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    return ax
