"""Figures of a study over its dimensions: a map over two of them, bands over one parameter."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.colors import ListedColormap
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import NullLocator
from numpy.typing import NDArray

from servosim.errors import Fault, ParameterError
from servosim.panels.drawing import BLUE, VERMILION
from servosim.panels.study_drawing import (
    COLOURS,
    Array,
    Scale,
    axes,
    edges,
    frame,
    legend_below,
    legend_inside,
    limits_of,
    metric_scale,
    name_places,
    near_and_far,
    note_far_limits,
    parameter_scale,
)
from servosim.studies.result import StudyResult

PARTS = 20  # most equal shares of the samples over which percentiles are taken
LEAST_IN_PART = 20
WITHIN, OUTSIDE = "#7FB7D9", "#F2D3B8"  # light shades of blue and vermilion
_HALF = 0.5  # of its cases that a cell must hold to be coloured


def grid_paths(result: StudyResult) -> dict[str, str]:
    """Return the grid dimensions with more than one place, longest first, each with its path."""
    found: dict[str, str] = {}
    sizes = dict(zip(result.plan.dims, result.plan.shape, strict=True))
    for one in result.plan.inputs:
        if one.dim != "case" and sizes[one.dim] > 1:
            found.setdefault(one.dim, one.path)
    return dict(sorted(found.items(), key=lambda pair: -sizes[pair[0]]))


def plot_map(
    result: StudyResult,
    metric: str | None,
    ax: Axes | None = None,
    *,
    x: str | None = None,
    y: str | None = None,
    percent: float = 50.0,
) -> Axes:
    """Draw a figure, or the share of good cases, as colours over two dimensions of a grid.

    Parameters
    ----------
    result : StudyResult
        The study.
    metric : str or None
        Name of the figure; None for the share of the cases that meet all limits.
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.
    x, y : str, optional
        Dimensions; the longest two if none are given.
    percent : float, optional
        Percentile [%] shown where other dimensions (samples, repeats) vary too.

    Returns
    -------
    matplotlib.axes.Axes
        Colours with a scale, lines at the limits; cells where less than half of the cases hold the
        figure are hatched: one way if they failed, another if they ran without it.

    Raises
    ------
    ParameterError
        If the study has no two such dimensions.
    """
    found = grid_paths(result)
    x, y = _pair(found, x, y)
    ax = axes(ax)
    others = [k for k, dim in enumerate(result.plan.dims) if dim not in (x, y)]
    order = (result.plan.dims.index(y), result.plan.dims.index(x), *others)

    def cells(values: NDArray[Any]) -> NDArray[Any]:
        shaped = np.transpose(values.reshape(result.plan.shape), order)
        return shaped.reshape(shaped.shape[0], shaped.shape[1], -1)

    failed = cells(result.status != 0).mean(axis=-1) > _HALF
    if metric is None:
        passed = cells(result.passed().values.ravel())
        shown = passed.mean(axis=-1)
        missing, scale, limits = np.zeros_like(failed), Scale("share of the cases [%]", "%"), []
        many = f"share of {passed.shape[-1]} cases a cell, " if passed.shape[-1] > 1 else ""
        title = f"{many}within all limits"
    else:
        values = cells(result.figure(metric))
        held = (~np.isnan(values)).mean(axis=-1) >= _HALF
        shown = np.full(held.shape, np.nan)
        if held.any():
            shown[held] = np.nanpercentile(values[held], percent, axis=-1)
        missing = ~held & ~failed
        limits = limits_of(result, metric)
        near, _ = near_and_far(limits, shown)
        scale = metric_scale(metric, np.concatenate([shown.ravel(), near]))
        title = metric.replace("_", " ")
        if values.shape[-1] > 1:
            which = "median" if percent == 50.0 else f"{percent:g} % point"
            title += f", {which} of {values.shape[-1]} cases a cell"
    across, up = parameter_scale(result, found[x]), parameter_scale(result, found[y])
    centres = [_centres(result, dim, one) for dim, one in ((x, across), (y, up))]
    if metric is None and len(others) == 0:
        handles = _pass_or_fail(ax, centres, shown > 0.5)
    else:
        _colour(ax, centres, np.asarray(scale.of(shown)), scale, share=metric is None)
        handles = _mark_limits(ax, centres, (across, up), shown, limits, scale)
    _measure(ax, centres)
    handles += _hatch(ax, centres, failed, missing)
    frame(ax, across.label, up.label, grid="")
    name_places(ax, "x", across)
    name_places(ax, "y", up)
    ax.set_title(title, fontsize="medium", loc="left")
    legend_below(ax, handles)
    return ax


def _pair(found: dict[str, str], x: str | None, y: str | None) -> tuple[str, str]:
    """Return the dimensions of a map."""
    for dim in (x, y):
        if dim is not None and dim not in found:
            raise ParameterError(
                Fault(what=f"no dimension '{dim}' for a map", expected=", ".join(found) or "a grid")
            )
    rest = [dim for dim in found if dim not in (x, y)]
    if x is None and rest:
        x = rest.pop(0)
    if y is None and rest:
        y = rest.pop(0)
    if x is None or y is None or x == y:
        raise ParameterError(
            Fault(
                what="a map needs two dimensions of a grid", expected="two parameters with values"
            )
        )
    return x, y


def _centres(result: StudyResult, dim: str, scale: Scale) -> Array:
    one = next(one for one in result.plan.inputs if one.dim == dim)
    if scale.names:
        return np.arange(len(one.values), dtype=np.float64)
    return np.asarray(scale.of(np.asarray(one.values)), dtype=np.float64)


def _colour(ax: Axes, centres: list[Array], shown: Array, scale: Scale, share: bool) -> None:
    (x, _), (y, _) = (edges(one) for one in centres)
    mesh = ax.pcolormesh(
        x, y, np.ma.masked_invalid(shown), cmap=COLOURS, vmin=0.0 if share else None,
        vmax=100.0 if share else None,
    )  # fmt: skip
    figure = ax.get_figure()
    if figure is not None:
        bar = figure.colorbar(mesh, ax=ax, pad=0.02, label=scale.label)
        bar.outline.set_visible(False)


def _pass_or_fail(ax: Axes, centres: list[Array], passed: NDArray[np.bool_]) -> list[Any]:
    """Colour cells of one case each; return entries for the legend."""
    (x, _), (y, _) = (edges(one) for one in centres)
    colours = ListedColormap([OUTSIDE, WITHIN])
    ax.pcolormesh(x, y, passed.astype(float), cmap=colours, vmin=0.0, vmax=1.0)
    return [Patch(color=WITHIN, label="within"), Patch(color=OUTSIDE, label="outside")]


def _measure(ax: Axes, centres: list[Array]) -> None:
    """Space both axes as their cells are, and number few places one by one."""
    for which, values in zip("xy", centres, strict=True):
        if edges(values)[1]:
            getattr(ax, f"set_{which}scale")("log")
        axis = ax.xaxis if which == "x" else ax.yaxis
        if len(values) <= 7:
            axis.set_ticks(values, [f"{one:.4g}".replace("-", "−") for one in values])
            axis.set_minor_locator(NullLocator())


def _mark_limits(
    ax: Axes,
    centres: list[Array],
    scales: tuple[Scale, Scale],
    shown: Array,
    limits: list[float],
    scale: Scale,
) -> list[Any]:
    """Draw a line where the figure crosses each limit; return entries for the legend."""
    handles = []
    smooth = not any(one.names for one in scales) and min(shown.shape) > 2
    held = shown[~np.isnan(shown)]
    for limit in limits:
        label = f"limit {scale.text(limit)}"
        if not ((held <= limit).any() and (held > limit).any()):
            handles.append(Line2D([], [], color="none", label=f"{label}, crossed nowhere"))
            continue
        for colour, width in (("white", 3.6), (VERMILION, 1.8)):
            if smooth:
                ax.contour(*centres, shown, levels=[limit], colors=[colour], linewidths=width)
            else:
                lines = _borders(centres, shown <= limit, np.isnan(shown))
                ax.add_collection(LineCollection(lines, colors=colour, linewidths=width))
        handles.append(Line2D([], [], color=VERMILION, linewidth=1.8, label=label))
    return handles


def _borders(centres: list[Array], low: NDArray[np.bool_], void: NDArray[np.bool_]) -> list[Any]:
    """Return the borders between cells on two sides of a limit."""
    (x, _), (y, _) = (edges(one) for one in centres)
    lines = []
    for j, k in zip(
        *np.nonzero((low[:, 1:] != low[:, :-1]) & ~void[:, 1:] & ~void[:, :-1]), strict=True
    ):
        lines.append([(x[k + 1], y[j]), (x[k + 1], y[j + 1])])
    for j, k in zip(*np.nonzero((low[1:] != low[:-1]) & ~void[1:] & ~void[:-1]), strict=True):
        lines.append([(x[k], y[j + 1]), (x[k + 1], y[j + 1])])
    return lines


def _hatch(
    ax: Axes, centres: list[Array], failed: NDArray[np.bool_], missing: NDArray[np.bool_]
) -> list[Any]:
    """Hatch the cells without a colour; return entries for the legend."""
    (x, _), (y, _) = (edges(one) for one in centres)
    handles = []
    for cells, hatch, label in (
        (failed, "////", "failed"),
        (missing, "....", "ran without this figure"),
    ):
        if not cells.any():
            continue
        quiet: dict[str, Any] = {"hatch": hatch, "edgecolor": "0.45", "linewidth": 0.0}
        masked = np.ma.masked_where(~cells, np.ones(cells.shape))
        ax.pcolor(x, y, masked, cmap="Greys", vmin=0.0, vmax=20.0, **quiet)
        handles.append(Patch(facecolor="0.95", label=label, **quiet))
    return handles


def plot_bands(
    result: StudyResult, metric: str, ax: Axes | None = None, *, over: str | None = None
) -> Axes:
    """Draw how a figure spreads over one parameter: median and percentiles of all other variation.

    Parameters
    ----------
    result : StudyResult
        The study.
    metric : str
        Name of the figure.
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.
    over : str, optional
        Path of the parameter, "table.key"; the one with the largest effect if none is given.

    Returns
    -------
    matplotlib.axes.Axes
        Along a grid at each of its places; along a sampled parameter over equal shares of the
        samples, each at its median.

    Raises
    ------
    ParameterError
        If the study doesn't vary the parameter.
    """
    ax = axes(ax)
    if over is None:
        effects = result.effects(metric)
        over = effects[0].parameter if effects else result.plan.paths[0]
    column = result.plan.values(over)
    across = parameter_scale(result, over)
    x, values = np.asarray(across.of(column), dtype=np.float64), result.figure(metric)
    limits, far = near_and_far(limits_of(result, metric), values)
    up = metric_scale(metric, np.concatenate([values, limits]))
    sampled = any(one.path == over and one.dim == "case" for one in result.plan.inputs)
    at, parts, shared = _parts(x, sampled and not across.names)
    rows = np.full((5, len(parts)), np.nan)
    for k, part in enumerate(parts):
        held = values[part][~np.isnan(values[part])]
        if len(held):
            rows[:, k] = np.percentile(held, [5.0, 25.0, 50.0, 75.0, 95.0])
    rows = np.asarray(up.of(rows))
    most = max(len(part) for part in parts)
    if most > 1 and across.names:
        ax.vlines(at, rows[0], rows[4], color=BLUE, alpha=0.35, linewidth=8.0, label="5 to 95 %")
        ax.vlines(at, rows[1], rows[3], color=BLUE, alpha=0.45, linewidth=16.0, label="25 to 75 %")
    elif most > 1:
        ax.fill_between(at, rows[0], rows[4], color=BLUE, alpha=0.15, lw=0, label="5 to 95 %")
        ax.fill_between(at, rows[1], rows[3], color=BLUE, alpha=0.25, lw=0, label="25 to 75 %")
    style = "none" if across.names else "-"
    label = "median" if most > 1 else metric.replace("_", " ")
    ax.plot(at, rows[2], color=BLUE, linestyle=style, marker="o", ms=4.0, lw=1.3, label=label)
    for limit in limits:
        text = f"limit {up.text(limit)}"
        ax.axhline(float(up.of(limit)), color=VERMILION, linestyle="--", linewidth=1.3, label=text)
    note_far_limits(ax, up, far)
    lacking = [k for k, part in enumerate(parts) if np.isnan(values[part]).any()]
    if lacking:
        none = int(np.isnan(values).sum())
        text = f"cases without it ({none})"
        place = ax.get_xaxis_transform()
        ax.plot(
            at[lacking], np.full(len(lacking), 0.02), "x", color=VERMILION, ms=5.0, label=text,
            transform=place, clip_on=False,
        )  # fmt: skip
    frame(ax, across.label, up.label)
    name_places(ax, "x", across)
    if shared:
        ax.set_title(f"{len(parts)} equal shares of {len(x)} samples", fontsize="small", loc="left")
    legend_inside(ax)
    return ax


def _parts(x: Array, sampled: bool) -> tuple[Array, list[NDArray[np.int64]], bool]:
    """Return the places of the bands, the cases of each, and whether they are shares of samples."""
    held = np.flatnonzero(~np.isnan(x))
    places = np.unique(x[held])
    if not sampled or len(places) <= PARTS:
        return places, [np.flatnonzero(x == one) for one in places], False
    order = held[np.argsort(x[held], kind="stable")]
    parts = np.array_split(order, max(min(PARTS, len(held) // LEAST_IN_PART), 3))
    return np.array([np.median(x[part]) for part in parts]), parts, True
