"""Figures of the spread of a study: yield, parallel curves, change over ranges, Sobol indices."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib import colormaps
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.colors import Colormap, ListedColormap
from matplotlib.lines import Line2D
from numpy.typing import NDArray

from servosim._practical import percentage
from servosim.panels.drawing import BLUE, GREEN, ORANGE, SKY, VERMILION
from servosim.panels.study_drawing import (
    COLOURS,
    Array,
    Scale,
    axes,
    counted,
    frame,
    legend_inside,
    limits_of,
    metric_scale,
    near_and_far,
    note_far_limits,
    parameter_scale,
    rounded,
)
from servosim.studies.result import Effect, StudyResult
from servosim.studies.statistics import interval_of

_COUNTS = 60  # of cases for which the band around a distribution is worked out
_MOST_STEPS = 2000  # of the curve of a distribution
_MOST_MARKS = 12


def plot_yield(result: StudyResult, metric: str, ax: Axes | None = None) -> Axes:
    """Draw the cumulative distribution of a figure with its limit and the share that meets it.

    Parameters
    ----------
    result : StudyResult
        The study.
    metric : str
        Name of the figure.
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.

    Returns
    -------
    matplotlib.axes.Axes
        Share of all cases [%] up to each value, with its 95 % band if the cases were drawn at
        random. Cases that failed or lack the figure never join, so that the curve ends below 100 %.
    """
    ax = axes(ax)
    values = result.figure(metric)
    held = np.sort(values[~np.isnan(values)])
    limits, far = near_and_far(limits_of(result, metric), values)
    scale = metric_scale(metric, np.concatenate([values, limits]))
    draws, _ = result.draws()
    if len(held):
        pad = 0.04 * (held[-1] - held[0]) or 0.05 * abs(held[0]) or 1.0 / float(scale.of(1.0))
        ends = np.array([min([held[0], *limits]) - pad, max([held[-1], *limits]) + pad])
        kept = np.unique(np.linspace(0, len(held) - 1, min(len(held), _MOST_STEPS)).astype(int))
        x = np.concatenate([ends[:1], held[kept], ends[1:]])
        y = np.concatenate([[0], kept + 1, [len(held)]]) / len(values)
        if draws is not None:
            at = np.unique(np.concatenate([x, limits]))
            band = 100.0 * _band(values, draws, at)
            ax.fill_between(
                scale.of(at), band[:, 0], band[:, 1], color=BLUE, alpha=0.2, lw=0, step="post",
                label="95 % band",
            )  # fmt: skip
        label = counted(len(values))
        ax.step(scale.of(x), 100.0 * y, where="post", color=BLUE, linewidth=1.4, label=label)
        ax.set_xlim(*scale.of(ends))
    for limit in limits:
        text = f"limit {scale.text(limit)}"
        line = float(scale.of(limit))
        ax.axvline(line, color=VERMILION, linestyle="--", linewidth=1.4, label=text)
    note_far_limits(ax, scale, far)
    frame(ax, scale.label, "share of the cases [%]")
    ax.set_ylim(-2.0, 102.0)
    ax.set_title(
        _share_title(result, metric, len(values) - len(held)), fontsize="small", loc="left"
    )
    legend_inside(ax)
    return ax


def _band(values: Array, draws: NDArray[np.int64], at: Array) -> Array:
    """Return the intervals of the share up to each place, shape (n_place, 2)."""
    drawn = values[draws >= 0]
    n, n_draws = len(drawn), len(np.unique(draws[draws >= 0]))
    counts = np.searchsorted(np.sort(drawn[~np.isnan(drawn)]), at, "right")
    # worked out at some counts, closer at both ends where the intervals bend, straight in between
    few = np.linspace(0, n, _COUNTS).astype(int)
    near = np.arange(min(n, _COUNTS // 3) + 1)
    some = np.unique(np.concatenate([few, near, n - near]))
    known = np.array([interval_of(int(k), n, n_draws, 0.95) for k in some])
    return np.column_stack([np.interp(counts, some, ends) for ends in known.T])


def _share_title(result: StudyResult, metric: str, lacking: int) -> str:
    """Return the share within the limit, and how many cases lack the figure, in words."""
    parts = []
    if metric in result.plan.limits:
        share = result.yield_({metric: result.plan.limits[metric]}).each[metric]
        text = f"{percentage(share.share)} % within"
        if np.isfinite(share.low):
            text += f" ({percentage(share.low)} to {percentage(share.high)} %)"
        parts.append(text)
    if lacking:
        failed = int((result.status != 0).sum())
        words = [f"{failed} failed"] if failed else []
        words += [f"{lacking - failed} without this figure"] if lacking > failed else []
        parts.append(", ".join(words))
    return "; ".join(parts)


def plot_tornado(
    result: StudyResult, metric: str, ax: Axes | None = None, *, most: int = 12
) -> Axes:
    """Draw how the mean of a figure changes over the range of each parameter.

    Parameters
    ----------
    result : StudyResult
        The study.
    metric : str
        Name of the figure.
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.
    most : int, optional
        Most parameters to show, those with the largest change.

    Returns
    -------
    matplotlib.axes.Axes
        One bar a parameter from its low to its high end, largest first, beside it the ends of the
        parameter. A thin frame spans the means over the whole range, which is wider where the
        figure turns in between; whiskers are two standard errors of the change.
    """
    ax = axes(ax)
    effects = result.effects(metric)[:most]
    values = result.figure(metric)
    limits, _ = near_and_far(limits_of(result, metric), values)
    scale = metric_scale(metric, np.concatenate([values, limits]))
    if not effects:
        ax.text(0.5, 0.5, "nothing varies it", ha="center", transform=ax.transAxes)
        return frame(ax, scale.label, "")
    middle = float(scale.of(float(np.nanmean(values))))
    for place, one in enumerate(effects):
        _bar(ax, place, one, middle, scale, parameter_scale(result, one.parameter))
    names = [parameter_scale(result, one.parameter).label.split(" [")[0] for one in effects]
    ax.set_yticks(range(len(effects)), [name.replace(" ", "\n", 1) for name in names])
    ax.invert_yaxis()
    ax.axvline(middle, color="0.4", linewidth=0.8)
    ends = np.array([middle, *(float(scale.of(x)) for one in effects for x in _reach(one))])
    pad = 0.25 * np.ptp(ends) or 0.05 * abs(middle) or 1.0
    ax.set_xlim(ends.min() - pad, ends.max() + pad)
    for limit in limits:
        x = float(scale.of(limit))
        if ends.min() - pad <= x <= ends.max() + pad:
            ax.axvline(x, color=VERMILION, linestyle="--", linewidth=1.3)
    frame(ax, f"mean {scale.label}", "", grid="x")
    ax.tick_params(axis="y", length=0)
    handles = [
        Line2D([], [], color=c, lw=6, label=t) for c, t in ((SKY, "low end"), (ORANGE, "high end"))
    ]
    ax.legend(handles=handles, fontsize="small", frameon=False, loc="lower right")
    ways = {
        "means at the ends": "grid: means at both ends",
        "conditional means": "samples: means of the lowest and the highest tenth",
        "regression": "samples: regression from 5 to 95 %",
    }
    used = [ways[way] for way in dict.fromkeys(one.method for one in effects)]
    lacking = int(np.isnan(values).sum())
    if lacking:
        used.append(f"without it: {lacking} of {len(values)} cases")
    ax.set_title("\n".join(used), fontsize="small", loc="left")
    return ax


def _reach(effect: Effect) -> tuple[float, ...]:
    """Return how far a bar reaches to both sides [SI]."""
    error = 2.0 * effect.error if np.isfinite(effect.error) else 0.0
    return (*effect.span, effect.means[1] - error, effect.means[1] + error)


def _bar(
    ax: Axes, place: int, effect: Effect, middle: float, scale: Scale, parameter: Scale
) -> None:
    """Draw one bar of a tornado: its two ends from the middle, span, error, and values."""
    low, high = (float(scale.of(mean)) - middle for mean in effect.means)
    begin, end = (float(scale.of(mean)) for mean in effect.span)
    ax.barh(place, end - begin, left=begin, height=0.66, color="none", edgecolor="0.45", lw=0.7)
    one_side = low * high > 0.0
    error = 2.0 * abs(float(scale.of(effect.error))) if np.isfinite(effect.error) else 0.0
    for reach, at, colour, shift, whisker in (
        (low, effect.at[0], SKY, -0.16, 0.0),
        (high, effect.at[1], ORANGE, 0.16, error),
    ):
        y = place + (shift if one_side else 0.0)
        ax.barh(y, reach, left=middle, height=0.3 if one_side else 0.62, color=colour)
        if whisker:
            ax.errorbar(middle + reach, y, xerr=whisker, color="0.25", capsize=2.5, lw=0.8)
        right = reach > 0.0 or (reach == 0.0 and colour == ORANGE)
        tip = middle + reach + (whisker if right else -whisker)
        far = middle + high + (error if right else -error)  # of the whisker
        outer = [tip, end if right else begin, *([] if one_side else [far])]
        tip = max(outer) if right else min(outer)
        ax.annotate(
            parameter.text(at), (tip, y), xytext=(4 if right else -4, 0),
            textcoords="offset points", ha="left" if right else "right", va="center",
            fontsize="x-small",
        )  # fmt: skip


def plot_sobol(result: StudyResult, metric: str, ax: Axes | None = None, *, at: Any = None) -> Axes:
    """Draw first-order and total Sobol indices of a figure with their intervals.

    Parameters
    ----------
    result : StudyResult
        A study by method "sensitivity".
    metric : str
        Name of the figure.
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.
    at : mapping of str to float or str, optional
        Point of the grid, see :meth:`StudyResult.sensitivity`.

    Returns
    -------
    matplotlib.axes.Axes
        Two bars a parameter, the largest total first.
    """
    indices = result.sensitivity(metric, at=at)
    ax = axes(ax)
    order = np.argsort(-indices.total, kind="stable")
    for shift, share, error, colour, label in (
        (-0.19, indices.first, indices.first_error, SKY, "alone (first order)"),
        (0.19, indices.total, indices.total_error, BLUE, "with all it takes part in (total)"),
    ):
        ax.barh(
            np.arange(len(order)) + shift, 100.0 * share[order], xerr=100.0 * error[order],
            height=0.36, color=colour, label=label, error_kw={"linewidth": 0.9, "capsize": 2.5},
        )  # fmt: skip
    scales = [parameter_scale(result, indices.factors[k]) for k in order]
    names = [one.label.split(" [")[0].replace(" ", "\n", 1) for one in scales]
    ax.set_yticks(range(len(order)), names)
    ax.invert_yaxis()
    ax.axvline(0.0, color="0.4", linewidth=0.8)
    frame(ax, f"share of the variance of {metric.replace('_', ' ')} [%]", "", grid="x")
    ax.tick_params(axis="y", length=0)
    ax.legend(fontsize="small", frameon=False, loc="lower right")
    title = f"{indices.blocks} blocks of cases, 95 % intervals"
    if indices.left_out:
        title += f"; incomplete and left out: {indices.left_out}"
    ax.set_title(title, fontsize="small", loc="left")
    return ax


def plot_parallel(
    result: StudyResult,
    metric: str,
    ax: Axes | None = None,
    *,
    parameters: Sequence[str] | None = None,
    most: int = 1500,
) -> Axes:
    """Draw each case as a polyline over the parameters to a figure.

    Parameters
    ----------
    result : StudyResult
        The study.
    metric : str
        Name of the figure.
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.
    parameters : sequence of str, optional
        Paths in the order of the axes; those with the largest effects if none are given.
    most : int, optional
        Most lines to draw; of more cases every so manieth is drawn.

    Returns
    -------
    matplotlib.axes.Axes
        Coloured by whether the case meets the limits of the study, or by the figure if it has none.
    """
    ax = axes(ax, (8.6, 4.4))
    if parameters is None:
        parameters = [one.parameter for one in result.effects(metric)[:6]]
        parameters = parameters or [group[0] for group in result.factors][:6]
    values = result.figure(metric)
    limits, far = near_and_far(limits_of(result, metric), values)
    scales = [parameter_scale(result, path) for path in parameters]
    columns = [
        np.asarray(scale.of(result.plan.values(path)), dtype=np.float64)
        for scale, path in zip(scales, parameters, strict=True)
    ]
    scale = metric_scale(metric, np.concatenate([values, limits]))
    shown = np.asarray(scale.of(values), dtype=np.float64)
    ends = [_ends(column) for column in (*columns, shown)]
    heights = [
        _height(column, low, high)
        for column, (low, high) in zip((*columns, shown), ends, strict=True)
    ]
    heights[-1] = np.where(np.isnan(values), 1.1, heights[-1])
    drawn = np.unique(np.linspace(0, result.plan.n - 1, min(most, result.plan.n)).astype(np.int64))
    lines = np.stack(
        [np.column_stack([np.arange(len(heights)), row]) for row in np.array(heights).T[drawn]]
    )
    options: dict[str, Any] = {"linewidth": 0.9, "rasterized": len(drawn) > 300}
    if result.plan.limits:
        passed = result.passed().values.ravel()[drawn]
        groups = (
            (passed, BLUE, "within all limits", "-"),
            (~passed, VERMILION, "outside, or without a figure", (0, (5, 1.5))),
        )
        for which, colour, label, style in sorted(groups, key=lambda one: -int(one[0].sum())):
            shade = {"alpha": _alpha(int(which.sum())), "linestyles": [style], **options}
            ax.add_collection(LineCollection(list(lines[which]), colors=colour, **shade))
            ax.plot([], [], color=colour, linestyle=style, label=f"{label} ({int(which.sum())})")
        below: dict[str, Any] = {"loc": "upper left", "bbox_to_anchor": (0.0, -0.2), "ncols": 2}
        ax.legend(fontsize="small", frameon=False, **below)
    else:
        shade = {"alpha": _alpha(len(drawn)), **options}
        dark: Colormap = ListedColormap(
            colormaps[COLOURS](np.linspace(0.0, 0.88, 256))
        )  # seen on white
        dark = dark.with_extremes(bad="0.6")
        part = LineCollection(list(lines), array=shown[drawn], cmap=dark, **shade)
        ax.add_collection(part)
        figure = ax.get_figure()
        if figure is not None:
            bar = figure.colorbar(part, ax=ax, pad=0.09, label=scale.label)
            if bar.solids is not None:
                bar.solids.set_alpha(1.0)
    for place, (one, (low, high)) in enumerate(zip((*scales, scale), ends, strict=True)):
        _upright(ax, place, one, low, high)
    for limit in (*limits, *far):
        y = _height(np.array([float(scale.of(limit))]), *ends[-1])[0]
        text = f"limit {scale.text(limit)}"
        if not 0.0 <= y <= 1.0:  # at the end that it lies behind
            text, y = f"{text}, {'above' if y > 1.0 else 'below'}", float(y > 1.0)
        else:
            mark = [len(scales) - 0.12, len(scales) + 0.12]
            ax.plot(mark, [y, y], color=GREEN, linewidth=3.0, zorder=4)
        ax.annotate(
            text, (len(scales) + 0.14, y), va="center", fontsize="x-small", color=GREEN,
            annotation_clip=False,
        )  # fmt: skip
    if np.isnan(values).any():
        ax.annotate("none", (len(scales) + 0.05, 1.1), va="center", fontsize="x-small")
    words = [one.label.replace(" [", "\n[").replace(" ", "\n", 1) for one in (*scales, scale)]
    ax.set_xticks(range(len(words)), words, fontsize="small")
    ax.set_xlim(-0.35, len(scales) + 0.55)
    ax.set_ylim(-0.06, 1.16)
    ax.set_yticks([])
    ax.tick_params(axis="x", length=0)
    for spine in ax.spines.values():
        spine.set_visible(False)
    if len(drawn) < result.plan.n:
        text = f"{len(drawn)} of {result.plan.n} cases, evenly chosen"
        ax.set_title(text, fontsize="small", loc="left")
    return ax


def _alpha(lines: int) -> float:
    return float(np.clip(60.0 / max(lines, 1), 0.12, 0.9))


def _ends(column: Array) -> tuple[float, float]:
    held = column[np.isfinite(column)]
    return (float(held.min()), float(held.max())) if len(held) else (0.0, 1.0)


def _height(column: Array, low: float, high: float) -> NDArray[np.float64]:
    if high == low:
        return np.where(np.isnan(column), np.nan, 0.5)
    return (column - low) / (high - low)


def _upright(ax: Axes, place: int, scale: Scale, low: float, high: float) -> None:
    """Draw one upright axis with its own numbers or names."""
    ax.vlines(place, 0.0, 1.0, color="0.25", linewidth=1.0, zorder=3)
    if scale.names:
        marks = [(float(k), name.replace("_", " ")) for k, name in enumerate(scale.names)]
    else:
        places = np.linspace(low, high, 5).tolist() if high > low else [low]
        marks = list(zip(places, rounded(places, high - low), strict=True))
    for value, text in marks[:_MOST_MARKS]:
        y = float(_height(np.array([value]), low, high)[0])
        ax.plot([place - 0.02, place], [y, y], color="0.25", linewidth=0.8, zorder=3)
        ax.annotate(
            text, (place, y), xytext=(-4, 0), textcoords="offset points", ha="right", va="center",
            fontsize="x-small", zorder=5,
            bbox={"facecolor": "white", "alpha": 0.75, "edgecolor": "none", "pad": 0.6},
        )  # fmt: skip
