"""Figures of a study, one function each: result in, axes out, practical units on every axis.

Nothing here shows a window or changes a global setting. Colours of lines are those of
:mod:`servosim.plots`, colours of values run evenly from dark to light.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from matplotlib.figure import Figure

from servosim._practical import percentage
from servosim.panels.drawing import VERMILION
from servosim.panels.study_drawing import chosen, counted
from servosim.panels.study_maps import grid_paths, plot_bands, plot_map
from servosim.panels.study_spreads import plot_parallel, plot_sobol, plot_tornado, plot_yield
from servosim.studies.result import StudyResult

__all__ = [
    "plot_bands",
    "plot_map",
    "plot_parallel",
    "plot_sobol",
    "plot_study",
    "plot_tornado",
    "plot_yield",
]

_MOST_METRICS = 4
_Panel = tuple[bool, Callable[..., object], str | None]  # over the whole width, function, figure


def plot_study(result: StudyResult, metrics: Sequence[str] | None = None) -> Figure:
    """Draw a page of what suits the plan of a study.

    Parameters
    ----------
    result : StudyResult
        The study.
    metrics : sequence of str, optional
        Figures to show, the first one in most detail; those with limits if none are given, else
        the usual ones that vary.

    Returns
    -------
    matplotlib.figure.Figure
        Over a grid: maps of the figures and, with samples at each point, of the share within all
        limits. Of samples: distributions with their limits, Sobol indices where the study is made
        for them, else changes over each range, parallel curves, and the first figure over the
        parameter that moves it most.
    """
    names = chosen(metrics, result)[:_MOST_METRICS]
    panels = _panels(result, names)
    rows: list[list[_Panel]] = []
    for panel in panels:
        if panel[0] or not rows or len(rows[-1]) == 2 or rows[-1][0][0]:
            rows.append([panel])
        else:
            rows[-1].append(panel)
    figure = Figure(figsize=(12.0, 1.0 + 4.0 * len(rows)), layout="constrained")
    grid = figure.add_gridspec(len(rows), 2)
    for row, line in enumerate(rows):
        for place, (wide, draw, metric) in enumerate(line):
            alone = len(line) == 1 and draw is not plot_map
            cell = grid[row, :] if wide or alone else grid[row, place]
            draw(result, metric, figure.add_subplot(cell))
    title = result.plan.title or result.plan.axis.file.title
    figure.suptitle(f"{title}\n{_headline(result)}", fontsize="medium")
    failed = int((result.status != 0).sum())
    if failed:
        text = f"Note: {failed} of {len(result)} cases failed"
        figure.supxlabel(text, fontsize="small", color=VERMILION)
    return figure


def _panels(result: StudyResult, names: list[str]) -> list[_Panel]:
    """Return what to draw, in order."""
    found: list[_Panel] = []
    grid = grid_paths(result)
    sampled = any(one.dim == "case" for one in result.plan.inputs)
    if len(grid) > 1:
        found += [(False, plot_map, name) for name in names]
        others = math.prod(result.plan.shape) > math.prod(_sizes(result, list(grid)[:2]))
        if result.plan.limits and (others or len(names) > 1):
            found.append((False, plot_map, None))
        if len(found) % 2:
            found.append((False, plot_tornado, names[0]))
    elif grid:
        path = next(iter(grid.values()))

        def over_grid(result: StudyResult, metric: str, ax: object) -> None:
            plot_bands(result, metric, ax, over=path)  # type: ignore[arg-type]

        found += [(False, over_grid, name) for name in names]
    if sampled or not grid:
        found += [(False, plot_yield, name) for name in names]
    if result.plan.design.get("sensitivity") and not grid and "repeat" not in result.plan.dims:
        found += [(False, plot_sobol, name) for name in names[:2]]
    if sampled:
        found += [(False, plot_tornado, names[0]), (False, plot_bands, names[0])]
    if len(result.factors) > (1 if sampled else 2):
        found.append((True, plot_parallel, names[0]))
    return found


def _sizes(result: StudyResult, dims: list[str]) -> list[int]:
    sizes = dict(zip(result.plan.dims, result.plan.shape, strict=True))
    return [sizes[dim] for dim in dims]


def _headline(result: StudyResult) -> str:
    """Return the number of cases and the share within the limits."""
    text = counted(len(result))
    if not result.plan.limits:
        return text
    overall = result.yield_().overall
    text += f", {percentage(overall.share)} % within all limits"
    if math.isfinite(overall.low):
        text += f" (95 %: {percentage(overall.low)} to {percentage(overall.high)} %)"
    return text
