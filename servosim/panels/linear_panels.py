"""The panels of an open loop: over frequency, in the complex plane, and after Nichols."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from servosim.panels.drawing import BLACK, STYLES
from servosim.units import convert

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

_MINUS = str.maketrans("-", "−")
QUIET = "0.55"
_NICHOLS = (12.0, 6.0, 3.0, 1.0, 0.0, -1.0, -3.0, -6.0, -12.0, -20.0)  # closed loop [dB]


class Loop(NamedTuple):
    """The frequency response of an open loop, ready to be drawn.

    Attributes
    ----------
    label : str
        What tells it apart from others, such as where the loop is cut.
    omega : ndarray, shape (n_f,)
        Frequencies, rising [rad/s].
    response : ndarray, shape (n_f,), complex
        Response L for which the closed loop is 1/(1 + L) [-].
    margins : mapping of str to float
        Of ``gain_margin`` [ratio], ``gain_frequency`` [rad/s], ``phase_margin`` [rad],
        ``phase_frequency`` [rad/s], ``maximum_sensitivity`` [ratio] and ``sensitivity_frequency``
        [rad/s] those that are to be marked; a margin that does not exist is infinite or nan.
    """

    label: str
    omega: Array
    response: Complex
    margins: Mapping[str, float] = {}


def new_axes(ax: Axes | None, size: tuple[float, float] = (6.4, 4.6)) -> Axes:
    """Return the axes given, or those of a new figure."""
    if ax is not None:
        return ax
    return Figure(figsize=size, layout="constrained").subplots()


def frame(ax: Axes, x: str, y: str) -> Axes:
    """Label the axes and draw a quiet grid."""
    ax.set_xlabel(x)
    ax.set_ylabel(y)
    ax.grid(True, color="0.88", linewidth=0.6)
    ax.set_axisbelow(True)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    return ax


def legend_of(ax: Axes, **options: Any) -> None:
    """Put the legend where it covers least, if there is anything to tell apart."""
    if ax.get_legend_handles_labels()[0]:
        style = {"loc": "best", "framealpha": 0.9, "edgecolor": "none", "handlelength": 2.8}
        ax.legend(fontsize="small", **{**style, **options})


def hertz(omega: Any) -> Any:
    """Return an angular frequency [rad/s] in Hz."""
    return convert(omega, "Hz")


def decibels(ratio: Any) -> Any:
    """Return a ratio in dB."""
    with np.errstate(divide="ignore"):
        return 20.0 * np.log10(np.abs(ratio))


def signed(value: float, digits: int = 1) -> str:
    """Return a number with a true minus sign."""
    return f"{value:.{digits}f}".translate(_MINUS)


def unwrapped(response: Complex) -> Array:
    """Return the phase of a response without jumps [deg], beginning within -270 to 90 deg."""
    phase = np.rad2deg(np.unwrap(np.angle(response)))
    if len(phase) == 0:
        return phase
    turns = math.floor((float(phase[0]) + 270.0) / 360.0)
    return np.asarray(phase - 360.0 * turns, dtype=np.float64)


def _margin(loop: Loop, name: str) -> tuple[float, float] | None:
    """Return a margin and its frequency, if the loop has it."""
    size = loop.margins.get(f"{name}_margin", math.nan)
    omega = loop.margins.get(f"{name}_frequency", math.nan)
    return (size, omega) if math.isfinite(size) and math.isfinite(omega) else None


def plot_bode(
    loops: Sequence[Loop], axes: Sequence[Axes] | None = None, *, phase_low: float = -540.0
) -> tuple[Axes, Axes]:
    """Draw open loops over frequency, with their margins marked.

    Parameters
    ----------
    loops : sequence of Loop
        The loops, at most six.
    axes : sequence of two matplotlib.axes.Axes, optional
        Where magnitude and phase are drawn; axes of a new figure if none are given.
    phase_low : float, optional
        Lowest phase shown [deg].

    Returns
    -------
    tuple of two matplotlib.axes.Axes
        Magnitude [dB] and phase [deg] over frequency [Hz].
    """
    if axes is None:
        figure = Figure(figsize=(6.4, 5.6), layout="constrained")
        axes = figure.subplots(2, 1, sharex=True)
    above, below = axes[0], axes[1]
    lowest = -200.0
    for loop, (colour, style) in zip(loops, STYLES, strict=False):
        f, phase = hertz(loop.omega), unwrapped(loop.response)
        look = {"color": colour, "linestyle": style, "linewidth": 1.4}
        above.plot(f, decibels(loop.response), label=_with_margins(loop), **look)
        below.plot(f, phase, **look)
        lowest = min(lowest, float(np.nanmin(phase, initial=0.0)))
        _mark_margins(loop, phase, colour, above, below)
    above.axhline(0.0, color=BLACK, linewidth=0.8)
    for turn in (-180.0, -540.0):
        below.axhline(turn, color=BLACK, linewidth=0.8)
    for ax in (above, below):
        ax.set_xscale("log")
    frame(above, "", "open loop, magnitude [dB]")
    frame(below, "frequency [Hz]", "phase [deg]")
    above.tick_params(labelbottom=False)
    if loops:
        low, high = (hertz(pick) for pick in (loops[0].omega[0], loops[0].omega[-1]))
        below.set_xlim(low, high)
        above.set_xlim(low, high)
    finite = np.concatenate([decibels(loop.response) for loop in loops] or [np.zeros(1)])
    finite = finite[np.isfinite(finite)]
    above.set_ylim(max(float(finite.min()) - 5.0, -80.0), min(float(finite.max()) + 8.0, 80.0))
    below.set_yticks(np.arange(max(-540.0, 90.0 * math.floor(lowest / 90.0)), 91.0, 90.0))
    below.set_ylim(max(lowest, phase_low) - 12.0, 100.0 if _above(loops) else -60.0)
    legend_of(above, loc="lower left")
    return above, below


def _above(loops: Sequence[Loop]) -> bool:
    """Return whether a phase rises above -60 deg."""
    return any(float(np.nanmax(unwrapped(loop.response), initial=-90.0)) > -60.0 for loop in loops)


def _with_margins(loop: Loop) -> str:
    """Return the label of a loop with its margins."""
    parts = []
    if (found := _margin(loop, "gain")) is not None:
        parts.append(f"{signed(float(decibels(found[0])))} dB")
    if (found := _margin(loop, "phase")) is not None:
        parts.append(f"{signed(math.degrees(found[0]), 0)}°")
    return f"{loop.label}: {', '.join(parts)}" if parts else loop.label


def _mark_margins(loop: Loop, phase: Array, colour: str, above: Axes, below: Axes) -> None:
    """Draw each margin from the curve to the line it is counted from."""
    bar: dict[str, Any] = {"color": colour, "linewidth": 2.6, "solid_capstyle": "butt"}
    dot: dict[str, Any] = {"color": colour, "marker": "o", "markersize": 4.5, "linestyle": "none"}
    if (found := _margin(loop, "gain")) is not None:
        size, omega = found
        level = -float(decibels(size))
        above.plot([hertz(omega)] * 2, [level, 0.0], **bar)
        above.plot([hertz(omega)], [level], **dot)
        place = float(np.interp(math.log(omega), np.log(loop.omega), phase))
        below.plot([hertz(omega)], [place], **dot)
    if (found := _margin(loop, "phase")) is not None:
        size, omega = found
        place = float(np.interp(math.log(omega), np.log(loop.omega), phase))
        below.plot([hertz(omega)] * 2, [place, place - math.degrees(size)], **bar)
        below.plot([hertz(omega)], [place], **dot)
        above.plot([hertz(omega)], [0.0], **dot)


def plot_nyquist(
    loops: Sequence[Loop], ax: Axes | None = None, *, reach: float | None = None
) -> Axes:
    """Draw open loops in the complex plane around the point -1, with their largest sensitivity.

    Parameters
    ----------
    loops : sequence of Loop
        The loops, at most six; positive frequencies are drawn.
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.
    reach : float, optional
        Half the width of what is shown [-]; chosen by the curves if not given.

    Returns
    -------
    matplotlib.axes.Axes
        Imaginary over real part [-]. A circle around -1 that a curve just touches has the radius
        1/Ms, where Ms is its maximum sensitivity: the smaller it is, the nearer is instability.
    """
    ax = new_axes(ax, (5.6, 5.4))
    angle = np.linspace(0.0, 2.0 * np.pi, 361)
    ax.plot(np.cos(angle), np.sin(angle), color=QUIET, linewidth=0.9, linestyle=":",
            label="gain one")  # fmt: skip
    near = 0.4
    for loop, (colour, style) in zip(loops, STYLES, strict=False):
        L = loop.response
        ax.plot(L.real, L.imag, color=colour, linestyle=style, linewidth=1.4, label=loop.label)
        peak = loop.margins.get("maximum_sensitivity", math.nan)
        if math.isfinite(peak) and peak > 0.0:
            ax.plot(
                -1.0 + np.cos(angle) / peak, np.sin(angle) / peak, color=colour, linewidth=0.8,
                linestyle=style, alpha=0.7, label=f"maximum sensitivity {peak:.2f}",
            )  # fmt: skip
            near = max(near, 1.0 / peak)
        omega = loop.margins.get("sensitivity_frequency", math.nan)
        if math.isfinite(omega):
            at = _response_at(loop, omega)
            ax.plot([at.real], [at.imag], color=colour, marker="o", markersize=4.5)
    ax.plot([-1.0], [0.0], color=BLACK, marker="+", markersize=11, markeredgewidth=1.8)
    frame(ax, "real part [-]", "imaginary part [-]")
    half = reach or min(max([1.0 + near, *(_reach(loop.response) for loop in loops)]), 3.0)
    ax.set_aspect("equal", adjustable="box")
    ax.set_xlim(-1.08 * half, 0.92 * half)
    ax.set_ylim(-half, half)
    for line in (ax.axhline, ax.axvline):
        line(0.0, color=QUIET, linewidth=0.8)
    legend_of(ax, loc="upper right")
    return ax


def _reach(response: Complex) -> float:
    """Return how far a loop goes around the origin at the left of the axis."""
    left = response[(response.real < 0.0) & (np.abs(response.imag) < np.abs(response.real))]
    return 1.1 * float(np.max(np.abs(left), initial=1.0))


def _response_at(loop: Loop, omega: float) -> complex:
    """Return the response between two frequencies of the grid."""
    x = np.log(loop.omega)
    size = np.interp(math.log(omega), x, np.log(np.abs(loop.response)))
    phase = np.interp(math.log(omega), x, np.unwrap(np.angle(loop.response)))
    return complex(np.exp(size + 1j * phase))


def plot_nichols(loops: Sequence[Loop], ax: Axes | None = None) -> Axes:
    """Draw open loops as magnitude over phase, over the magnitude of the closed loop.

    Parameters
    ----------
    loops : sequence of Loop
        The loops, at most six.
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.

    Returns
    -------
    matplotlib.axes.Axes
        Magnitude [dB] over phase [deg] of the open loop L; contours are those of the closed loop's
        magnitude abs(L/(1 + L)) [dB].
    """
    ax = new_axes(ax)
    low, high = -30.0, 30.0
    left = min([-270.0, *(_leftmost(loop) for loop in loops)])
    phase, level = np.meshgrid(np.linspace(left, 0.0, 721), np.linspace(low, high, 361))
    grid = 10.0 ** (level / 20.0) * np.exp(1j * np.deg2rad(phase))
    with np.errstate(divide="ignore"):
        closed = 20.0 * np.log10(np.abs(grid / (1.0 + grid)))
    lines = ax.contour(
        phase, level, closed, levels=sorted(_NICHOLS), colors=QUIET, linewidths=0.7,
        linestyles="solid",
    )  # fmt: skip
    ax.clabel(
        lines, fmt=lambda value: f"{signed(value, 0)} dB", fontsize="x-small", inline_spacing=2
    )
    for loop, (colour, style) in zip(loops, STYLES, strict=False):
        angle, size = unwrapped(loop.response), decibels(loop.response)
        ax.plot(angle, size, color=colour, linestyle=style, linewidth=1.5, label=loop.label)
        for name, point in _margin_points(loop, angle):
            ax.plot(*point, color=colour, marker="o" if name == "phase" else "s", markersize=5)
    frame(ax, "phase of the open loop [deg]", "magnitude of the open loop [dB]")
    ax.set_xlim(left, 0.0)
    ax.set_ylim(low, high)
    ax.set_xticks(np.arange(left, 1.0, 45.0 if left > -361.0 else 90.0))
    ax.grid(False)
    for turn in np.arange(-180.0, left - 1.0, -360.0):
        ax.axvline(turn, color=QUIET, linewidth=0.8, linestyle=":")
        ax.plot([turn], [0.0], color=BLACK, marker="+", markersize=11, markeredgewidth=1.8)
    ax.axhline(0.0, color=QUIET, linewidth=0.8, linestyle=":")
    legend_of(ax, loc="upper left")
    return ax


def _leftmost(loop: Loop) -> float:
    """Return a phase below which the magnitude of a loop matters no more [deg]."""
    seen = unwrapped(loop.response)[np.abs(loop.response) > 0.3]
    lowest = float(np.min(seen, initial=0.0))
    return max(90.0 * math.floor(lowest / 90.0), -720.0)


def _margin_points(loop: Loop, phase: Array) -> list[tuple[str, tuple[list[float], list[float]]]]:
    """Return where the margins lie on the curve of a loop, phase [deg] and magnitude [dB]."""
    found = []
    for name in ("gain", "phase"):
        if (margin := _margin(loop, name)) is not None:
            size, omega = margin
            place = float(np.interp(math.log(omega), np.log(loop.omega), phase))
            level = -float(decibels(size)) if name == "gain" else 0.0
            found.append((name, ([place], [level])))
    return found
