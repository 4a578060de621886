"""What all figures of a study share: names with units, axes, cells, colours of pass and fail."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from servosim import units
from servosim._definitions import DEFINITIONS
from servosim._practical import practical_unit
from servosim.studies.result import StudyResult

Array = NDArray[np.float64]
COLOURS = "cividis"  # even steps of brightness, the same for the colour-blind
_SUPERSCRIPT = str.maketrans("23", "²³")


@dataclass(frozen=True)
class Scale:
    """How one quantity stands on an axis.

    Attributes
    ----------
    label : str
        Name with its unit.
    unit : str
        Unit of the numbers shown, "" for names.
    names : tuple of str
        Names of the places if it is a choice; its numbers are their places then.
    """

    label: str
    unit: str
    names: tuple[str, ...] = ()

    def of(self, values: Any) -> Any:
        """Return SI values, or names, as numbers on the axis."""
        if self.names:
            if isinstance(values, str):
                return float(self.names.index(values))
            return np.array([self.names.index(one) for one in values], dtype=np.float64)
        if self.unit == "%":  # also of shares
            return units.convert(values, "%")
        return units.convert(values, self.unit)

    def text(self, value: Any) -> str:
        """Return one SI value, or name, with three figures and its unit."""
        if self.names:
            return str(value)
        number = f"{float(self.of(float(value))):.3g}".replace("-", "−")
        return number if self.unit == "1" else f"{number} {pretty(self.unit)}"


def counted(n: int) -> str:
    """Return a number of cases in words."""
    return "1 case" if n == 1 else f"{n} cases"


def pretty(unit: str) -> str:
    """Return a unit as it is printed."""
    text = re.sub(r"(?<=[A-Za-z])[23](?![0-9])", lambda m: m[0].translate(_SUPERSCRIPT), unit)
    return re.sub(r"\bum\b", "µm", text).replace("degC", "°C")


def _label(words: str, unit: str) -> str:
    return words if unit in ("", "1") else f"{words} [{pretty(unit)}]"


def metric_scale(metric: str, values: Array) -> Scale:
    """Return how a figure stands on an axis, in the unit that suits its size.

    Parameters
    ----------
    metric : str
        Name of the figure.
    values : ndarray
        Its values [SI], also those of its limits.

    Returns
    -------
    Scale
        Name and unit.
    """
    unit, _ = DEFINITIONS[metric]
    words = metric.replace("_", " ")
    if metric == "valve_saturation":
        return Scale(_label(words, "%"), "%")
    held = np.abs(values[np.isfinite(values)])
    shown = practical_unit(unit, float(held.max()) if len(held) else 1.0)
    return Scale(_label(words, shown), shown)


def parameter_scale(result: StudyResult, path: str) -> Scale:
    """Return how a parameter stands on an axis, in the unit of the parameter file.

    Parameters
    ----------
    result : StudyResult
        The study.
    path : str
        "table.key" of a parameter that varies.

    Returns
    -------
    Scale
        Name and unit; for a choice its names in the order of their first appearance.
    """
    one = next(one for one in result.plan.inputs if one.path == path)
    words = path.replace(".", " ").replace("_", " ")
    words = re.sub(r"\b(\w+) \1\b", r"\1", words)
    group = next(group for group in result.factors if path in group)
    if len(group) > 1:  # it stands for those that vary with it
        words += f" and {len(group) - 1} more"
    if isinstance(one.values, tuple):
        return Scale(words, "", tuple(dict.fromkeys(result.plan.values(path))))
    return Scale(_label(words, one.spelling), one.spelling)


def limits_of(result: StudyResult, metric: str) -> list[float]:
    """Return the finite limits of a figure [SI]."""
    limit = result.plan.limits.get(metric)
    ends = () if limit is None else (limit.low, limit.high)
    return [end for end in ends if np.isfinite(end)]


def near_and_far(limits: Sequence[float], values: Array) -> tuple[list[float], list[float]]:
    """Return the limits that an axis can show with the values, and those it would be wasted on.

    Parameters
    ----------
    limits : sequence of float
        Limits [SI].
    values : ndarray
        Values [SI], nan where they are missing.

    Returns
    -------
    tuple of (list of float, list of float)
        Limits within the range of the values, widened by itself at both ends; and the others.
    """
    held = values[np.isfinite(values)]
    if len(held) == 0:
        return list(limits), []
    low, high = float(held.min()), float(held.max())
    reach = high - low or abs(high) or math.inf
    near = [one for one in limits if low - reach <= one <= high + reach]
    return near, [one for one in limits if one not in near]


def note_far_limits(ax: Axes, scale: Scale, far: Sequence[float]) -> None:
    """Put limits that are not shown into the legend."""
    for one in far:
        ax.plot([], [], linestyle="none", label=f"limit {scale.text(one)}, beyond the axis")


def axes(ax: Axes | None, size: tuple[float, float] = (6.4, 4.4)) -> Axes:
    """Return the axes given, or those of a new figure."""
    if ax is not None:
        return ax
    return Figure(figsize=size, layout="constrained").subplots()


def frame(ax: Axes, x: str, y: str, grid: Literal["both", "x", "y", ""] = "both") -> Axes:
    """Label the axes and draw a quiet grid."""
    ax.set_xlabel(x)
    ax.set_ylabel(y)
    if grid:
        ax.grid(True, axis=grid, color="0.85", linewidth=0.6)
    ax.set_axisbelow(True)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    return ax


def name_places(ax: Axes, which: str, scale: Scale) -> None:
    """Write the names of a choice at their places on an axis."""
    if not scale.names:
        return
    axis = ax.xaxis if which == "x" else ax.yaxis
    axis.set_ticks(range(len(scale.names)), [name.replace("_", " ") for name in scale.names])


def edges(centres: Array) -> tuple[Array, bool]:
    """Return the edges of cells around their centres, and whether they are spaced by ratio.

    Parameters
    ----------
    centres : ndarray, shape (n,)
        Rising or falling.

    Returns
    -------
    ndarray, shape (n + 1,)
        Edges.
    bool
        Whether a logarithmic axis shows the cells equally wide.
    """
    if len(centres) == 1:
        half = 0.5 * abs(float(centres[0])) or 0.5
        return np.array([centres[0] - half, centres[0] + half]), False
    steps, by_ratio = np.diff(centres), False
    if np.all(centres > 0.0) and len(centres) > 2:
        ratios = centres[1:] / centres[:-1]
        even, even_ratio = np.ptp(steps) / np.abs(steps).max(), np.ptp(ratios) / ratios.max()
        wide = centres.max() / centres.min() > 3.0
        by_ratio = bool(wide and even > 0.2 and even_ratio < even)
    if by_ratio:
        inner = np.sqrt(centres[1:] * centres[:-1])
        ends = (centres[0] ** 2 / inner[0], centres[-1] ** 2 / inner[-1])
    else:
        inner = 0.5 * (centres[1:] + centres[:-1])
        ends = (2.0 * centres[0] - inner[0], 2.0 * centres[-1] - inner[-1])
    return np.concatenate([[ends[0]], inner, [ends[1]]]), by_ratio


def legend_inside(ax: Axes, **options: Any) -> None:
    """Put the legend where it covers least, if there is anything to tell apart."""
    if ax.get_legend_handles_labels()[0] or options.get("handles"):
        style = {"loc": "best", "frameon": True, "framealpha": 0.85, "edgecolor": "none"}
        ax.legend(fontsize="small", **{**style, **options})


def legend_below(ax: Axes, handles: Sequence[Any], depth: float = -0.14) -> None:
    """Put a legend of one line under the axes, at the right."""
    if handles:
        ax.legend(
            handles=list(handles), loc="upper right", bbox_to_anchor=(1.0, depth),
            ncols=len(handles), fontsize="small", frameon=False, borderaxespad=0.0,
            handlelength=2.2, columnspacing=1.4,
        )  # fmt: skip


def rounded(values: Sequence[float], reach: float) -> list[str]:
    """Return numbers with as many decimals as tell a hundredth of a range apart."""
    decimals = 2 - math.floor(math.log10(reach)) if reach > 0.0 else 3
    texts = []
    for one in values:
        text = f"{round(one, decimals) + 0.0:.{min(max(decimals, 0), 9)}f}"
        text = text.rstrip("0").rstrip(".") if "." in text else text
        texts.append(text.replace("-", "−"))
    return texts


def chosen(metrics: Sequence[str] | None, result: StudyResult) -> list[str]:
    """Return the figures to show: those given, those with limits, or the usual ones that vary."""
    if metrics:
        return list(metrics)
    limited = [metric for metric in result.plan.limits if metric != "settled"]
    if limited:
        return limited
    found = []
    for metric in result.main_metrics:
        values = result.figure(metric)
        if metric != "settled" and (np.ptp(values[~np.isnan(values)]) > 0.0 or len(values) == 1):
            found.append(metric)
    return found[:4] or ["settled"]
