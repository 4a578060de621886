"""Figures of a positioning test: deviations with their bands over position, and the sheet's page.

Data in, axes out, practical units on every axis. Nothing here shows a window or changes a global
setting; colours are those of :mod:`servosim.plots`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure, FigureBase
from matplotlib.ticker import MaxNLocator

from servosim.panels.drawing import (
    BLACK,
    BLUE,
    GREEN,
    MICROMETRES,
    PURPLE,
    VERMILION,
    axes,
    mm,
    um,
)
from servosim.positioning.evaluation import Evaluation
from servosim.positioning.judged import Judged, decimals
from servosim.positioning.population import Simulated
from servosim.positioning.verdicts import Verdict

_LOOKS = {"+": (BLUE, "-", "^", -1.0), "-": (VERMILION, (0, (6, 1.5)), "v", 1.0)}
_SPREADS = {"unlocked": (BLUE, ""), "locked": (VERMILION, "///")}
_NAMES = {"+": "approaching +", "-": "approaching \u2212"}
_WIDEST = 5.0  # tolerance over accuracy that is still drawn
_PAGE = (8.27, 11.69)  # in, A4
_PLOT = 4.0  # in, height of the plot on the sheet
_EDGE = 0.4  # in
_LARGEST_LETTER = 7.0  # points
_LETTER_WIDTH = 0.603  # of letters of equal width, as a share of their size
_LINE_HEIGHT = 1.2  # of lines, as a share of their letters' size


def plot_deviations(e: Evaluation, ax: Axes | None = None, *, tolerance: float = math.nan) -> Axes:
    """Draw means and bands of both directions over position, and every run.

    Parameters
    ----------
    e : Evaluation
        The test.
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.
    tolerance : float, optional
        Largest accuracy allowed [m], drawn around the middle of what was found.

    Returns
    -------
    matplotlib.axes.Axes
        Deviation [um] over position [mm]; the lines at the edge span the accuracy A, or on a long
        axis, where there are no bands, the systematic deviation E.
    """
    ax = axes(ax)
    x = mm(e.deviations.targets)
    runs = e.deviations.by_direction()
    k, gap = e.factor, _gap(e)
    for direction, (mean, s) in e.by_direction().items():
        colour, line, mark, side = _LOOKS[direction]
        if not e.long_axis:
            low, high = um(mean - k * s), um(mean + k * s)
            ax.fill_between(x, low, high, color=colour, alpha=0.13, linewidth=0)
            for edge in (low, high):
                ax.plot(x, edge, color=colour, linestyle=line, linewidth=0.7)
        each = runs[direction]
        at = np.repeat(x + side * gap, each.shape[1])
        ax.plot(at, um(each.ravel()), ".", color=colour, markersize=3.5, alpha=0.55)
        ax.plot(
            x, um(mean), color=colour, linestyle=line, marker=mark, markersize=5, linewidth=1.6,
            label=f"mean, {_NAMES[direction]}",
        )  # fmt: skip
    ax.plot(x, um(e.mean_both), color=BLACK, linestyle=":", linewidth=1.2, label="mean of both")
    if not e.long_axis:
        ax.fill_between([], [], [], color="0.5", alpha=0.3, label=f"bands: mean \u00b1{k:g} s")
    ax.plot([], [], ".", color="0.4", markersize=3.5, label="single runs")
    _span(ax, e, tolerance)
    ax.axhline(0.0, color="0.3", linewidth=0.8)
    return _frame(ax, f"deviation [{MICROMETRES}]")


def _gap(e: Evaluation) -> float:
    """Return how far beside their target the runs are drawn [mm]."""
    x = mm(e.deviations.targets)
    return 0.006 * float(np.ptp(x)) if len(x) > 1 else 1.0


def _span(ax: Axes, e: Evaluation, tolerance: float) -> None:
    """Draw the lines between which the accuracy lies, and the tolerance around their middle."""
    symbol = "E" if e.long_axis else "A"
    k = 0.0 if e.long_axis else e.factor
    edges = [(mean, 0.0 if e.long_axis else s) for mean, s in e.by_direction().values()]
    high = max(float(np.max(mean + k * s)) for mean, s in edges)
    low = min(float(np.min(mean - k * s)) for mean, s in edges)
    label = f"{symbol} = {_number(e.symbols[symbol], decimals(e))}"
    for value, name in ((low, label), (high, None)):
        ax.axhline(float(um(value)), color=BLACK, linestyle="-.", linewidth=0.9, label=name)
    if math.isfinite(tolerance) and not e.long_axis:
        label = f"tolerance {_number(tolerance)}"
        if tolerance > _WIDEST * (high - low):  # lines would press the bands flat
            ax.plot([], [], color=GREEN, linewidth=1.3, label=f"{label}, beyond the plot")
            return
        middle = 0.5 * (low + high)
        for side, name in ((-0.5, label), (0.5, None)):
            edge = float(um(middle + side * tolerance))
            ax.axhline(edge, color=GREEN, linewidth=1.3, label=name)


def plot_repeatability(
    e: Evaluation, ax: Axes | None = None, *, tolerance: float = math.nan
) -> Axes:
    """Draw reversal and repeatability of each target.

    Parameters
    ----------
    e : Evaluation
        The test.
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.
    tolerance : float, optional
        Largest bidirectional repeatability allowed [m].

    Returns
    -------
    matplotlib.axes.Axes
        Sizes [um] over position [mm]; on a long axis the reversal alone.
    """
    ax = axes(ax)
    x = mm(e.deviations.targets)
    ax.plot(x, um(e.B_i), color=BLACK, linestyle=":", marker="s", markersize=4, label="reversal")
    if not e.long_axis:
        ax.plot(
            x, um(e.R_both), color=PURPLE, linestyle="-.", marker="o", markersize=5, linewidth=1.6,
            label="repeatability, bidirectional",
        )  # fmt: skip
        for direction, values in (("+", e.R_positive), ("-", e.R_negative)):
            colour, line, mark, _ = _LOOKS[direction]
            label = f"repeatability, {_NAMES[direction]}"
            ax.plot(
                x, um(values), color=colour, linestyle=line, marker=mark, markersize=4,
                linewidth=1.0, label=label,
            )  # fmt: skip
        if math.isfinite(tolerance):
            label = f"tolerance {_number(tolerance)}"
            ax.axhline(float(um(tolerance)), color=GREEN, linewidth=1.3, label=label)
    ax.axhline(0.0, color="0.3", linewidth=0.8)
    return _frame(ax, f"size [{MICROMETRES}]")


def _frame(ax: Axes, label: str) -> Axes:
    """Label the axes and put the legend where it covers nothing."""
    ax.set_xlabel("position [mm]")
    ax.set_ylabel(label)
    ax.ticklabel_format(style="plain", useOffset=False)
    ax.grid(True, color="0.85", linewidth=0.6)
    ax.set_axisbelow(True)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    ax.legend(
        loc="upper left", bbox_to_anchor=(1.01, 1.02), fontsize="small", frameon=False,
        handlelength=2.8, borderaxespad=0.0,
    )  # fmt: skip
    return ax


def plot_acceptance(found: Judged) -> Figure:
    """Draw a positioning test: deviations with their bands, and repeatability below.

    Parameters
    ----------
    found : Judged
        The result.

    Returns
    -------
    matplotlib.figure.Figure
        The figure.
    """
    figure = Figure(figsize=(11.0, 7.5), layout="constrained")
    _draw(figure, found)
    return figure


def _draw(figure: FigureBase, found: Judged | Simulated) -> None:
    """Draw the panels of a test with their title."""
    if isinstance(found, Simulated):
        _draw_simulated(figure, found)
        return
    _draw_test(figure, found)
    head = " \u2013 ".join(part for part in (found.name, found.title) if part)
    figure.suptitle(f"{head}\n{_headline(found)}", fontsize="medium")


def _draw_test(figure: FigureBase, found: Judged) -> None:
    """Draw both panels of one test."""
    e = found.evaluation
    limits = {one.symbol: one.limit for one in found.verdicts if one.given}
    above, below = figure.subplots(2, 1, sharex=True, height_ratios=(1.7, 1.0))
    plot_deviations(e, above, tolerance=limits.get("A", math.nan)).set_xlabel("")
    plot_repeatability(e, below, tolerance=limits.get("R", math.nan))


def plot_simulated(found: Simulated) -> Figure:
    """Draw a simulated test: the median machine, and how the figures spread over all machines.

    Parameters
    ----------
    found : Simulated
        The result.

    Returns
    -------
    matplotlib.figure.Figure
        The figure.
    """
    figure = Figure(figsize=(11.0, 10.0), layout="constrained")
    _draw(figure, found)
    return figure


def _draw_simulated(figure: FigureBase, found: Simulated) -> None:
    """Draw the median machine above and the spread over the machines below, with the title."""
    parts = figure.subfigures(2, 1, height_ratios=(2.4, 1.0), squeeze=False)[:, 0]
    _draw_test(parts[0], found.median)
    symbols = ("B", "E") if found.median.evaluation.long_axis else ("A", "R")
    for ax, symbol in zip(parts[1].subplots(1, 2), symbols, strict=True):
        plot_spread(found, symbol, ax)
    a, people = found.acceptance, found.population
    head = " \u2013 ".join(part for part in (found.name, a.axis.file.title) if part)
    number = int(people.numbers[people.median])
    which = f"median machine, number {number}" if len(a.tested) > 1 else f"machine {number}"
    text = f"{head}\nsimulated, {found.reading} position"
    if found.given and people.passing is not None:
        one = people.passing
        text += f": {one.passed} of {one.machines} machines keep to the tolerances"
    figure.suptitle(f"{text}\nabove: {which}", fontsize="medium")


def plot_spread(found: Simulated, symbol: str, ax: Axes | None = None) -> Axes:
    """Draw how a figure spreads over the machines, for each reading, with its tolerance.

    Parameters
    ----------
    found : Simulated
        The result.
    symbol : str
        The figure, by the standard's symbol.
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.

    Returns
    -------
    matplotlib.axes.Axes
        Number of machines over the figure [um]; bins are as many as the root of the machines.
    """
    ax = axes(ax)
    values = {
        name: um(people.figures[symbol][~np.isnan(people.figures[symbol])])
        for name, people in found.populations.items()
    }
    every = np.concatenate(list(values.values()))
    if len(every):
        low, high = float(every.min()), float(every.max())
        room = 0.03 * (high - low) or max(0.01 * abs(high), 0.01)
        number = min(max(round(math.sqrt(len(found.acceptance.tested))), 5), 40)
        edges = np.linspace(low - room, high + room, number * len(values) + 1).tolist()
        for name, one in values.items():
            colour, hatch = _SPREADS[name]
            ax.hist(one, edges, color=colour, alpha=0.45, edgecolor=colour, hatch=hatch, label=name)
    limit = found.population.limits.get(symbol)
    if limit is not None:
        label = f"tolerance {_number(limit)}"
        if not found.given:
            label = f"common practice {_number(limit)}"
        ax.axvline(float(um(limit)), color=GREEN, linewidth=1.3, label=label)
    ax.yaxis.set_major_locator(MaxNLocator("auto", integer=True, steps=[1, 2, 5, 10]))
    ax.set_xlabel(f"{symbol} [{MICROMETRES}]")
    ax.set_ylabel("machines")
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    ax.legend(
        loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3, fontsize="small", frameon=False
    )
    return ax


def _headline(found: Judged) -> str:
    """Return the figures that matter most, and the verdict if one was asked for."""
    symbols = found.evaluation.symbols
    shown = [name for name in ("A", "R", "B", "E") if not math.isnan(symbols[name])]
    places = decimals(found.evaluation)
    text = ", ".join(f"{name} = {_number(symbols[name], places)}" for name in shown)
    broken: list[Verdict] = [one for one in found.verdicts if one.met is False]
    if not found.given:
        return text
    if broken:
        over = ", ".join(f"{one.symbol} over {_number(one.limit)}" for one in broken)
        return f"{text}: tolerances not kept ({over})"
    return f"{text}: " + ("tolerances kept" if found.met else "not every tolerance can be judged")


def _number(value: float, places: int | None = None) -> str:
    """Return a length with its unit and as many decimals, or as it was given."""
    number = float(um(value))
    text = f"{number:.6g}" if places is None else f"{number:.{places}f}"
    return f"{text} {MICROMETRES}"


def plot_sheet(found: Judged | Simulated, lines: Sequence[str]) -> Figure:
    """Draw the page of the results sheet: the plot, and the sheet's text below.

    Parameters
    ----------
    found : Judged or Simulated
        The result.
    lines : sequence of str
        Text of the sheet.

    Returns
    -------
    matplotlib.figure.Figure
        As wide as a page of A4, as high as the text needs.
    """
    longest = max(map(len, lines))
    size = min(_LARGEST_LETTER, 72.0 * (_PAGE[0] - 2.0 * _EDGE) / (_LETTER_WIDTH * longest))
    text = _LINE_HEIGHT * size / 72.0 * len(lines) + _EDGE
    plot = _PLOT * (1.5 if isinstance(found, Simulated) else 1.0)
    height = max(_PAGE[1], plot + text)
    figure = Figure(figsize=(_PAGE[0], height), layout="constrained")
    heights = (plot, height - plot)
    parts = figure.subfigures(2, 1, height_ratios=heights, squeeze=False)[:, 0]
    _draw(parts[0], found)
    parts[1].text(
        _EDGE / _PAGE[0], 1.0, "\n".join(lines), family="monospace", fontsize=size, va="top",
        linespacing=_LINE_HEIGHT,
    )  # fmt: skip
    return figure
