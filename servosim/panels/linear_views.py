"""The panels of what varies: poles with the gain, stiffness with frequency, loops by place.

And the margins of many points of an envelope.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from servosim.panels.drawing import BLACK, BLUE, GREEN, ORANGE, PURPLE, SKY, STYLES, VERMILION
from servosim.panels.linear_panels import (
    QUIET,
    Array,
    Complex,
    decibels,
    frame,
    hertz,
    legend_of,
    new_axes,
    signed,
)
from servosim.units import convert

_ON_THE_LIMIT = 1e-9  # of the frequencies shown: a pole that counts as on the axis
_FLAT = 1e-6  # of its value: a curve that changes less is level
_DAMPING = (0.1, 0.2, 0.4, 0.7)
_MARKS = ("o", "s", "^", "D", "v", "P")
_COLOURS = (BLUE, VERMILION, BLACK, PURPLE, ORANGE, SKY)
_MOST_MARGIN = (40.0, 120.0)  # dB, deg: what lies beyond is drawn at the edge
_LEAST_MARGIN = (-6.0, -20.0)  # the same below


def plot_root_locus(
    gains: Array,
    poles: Complex,
    ax: Axes | None = None,
    *,
    present: float = math.nan,
    limit: float = math.nan,
    period: float = 0.0,
    reach: float = math.nan,
) -> Axes:
    """Draw how the closed loop's poles move with the velocity gain.

    Parameters
    ----------
    gains : ndarray, shape (n_g,)
        Velocity gains, rising [1/s].
    poles : ndarray, shape (n_g, n_p), complex
        Poles of the closed loop at each gain, in any order [1/s], or of z if a period is given.
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.
    present, limit : float, optional
        Gain of the file and the gain at which the loop becomes unstable [1/s]; marked at the
        nearest gain of the locus.
    period : float, optional
        Period of the samples [s]; poles of z are then drawn at s = ln(z)/period.
    reach : float, optional
        Frequency up to which poles are shown [rad/s]; chosen by the poles if not given.

    Returns
    -------
    matplotlib.axes.Axes
        Imaginary part [rad/s] over real part [1/s] of the upper half plane, whose mirror image is
        the lower half; lines of equal damping ratio go out from the origin.
    """
    ax = new_axes(ax)
    s = branches(_as_s(poles, period))
    far = reach if math.isfinite(reach) else _locus_reach(s)
    with np.errstate(invalid="ignore"):
        worst = np.max(np.where(np.isfinite(s.real), s.real, -np.inf), axis=1, initial=-np.inf)
    stable = worst <= _ON_THE_LIMIT * max(far, 1.0)
    for part, colour, style, label in (
        (stable, BLUE, "-", "stable"),
        (~stable, VERMILION, (0, (4, 1.5)), "unstable"),
    ):
        joined = part.copy()
        if label == "unstable":  # drawn from the last stable gain on, so that both parts meet
            joined[:-1] |= part[1:]
            joined[1:] |= part[:-1]
        shown = np.where(joined[:, None], s, complex(np.nan, np.nan))
        if part.any():
            ax.plot(shown.real, shown.imag, color=colour, linestyle=style, linewidth=1.2)
            ax.plot([], [], color=colour, linestyle=style, linewidth=1.2, label=label)
    if len(gains):
        _mark_poles(ax, s[0], "x", BLACK, f"at {gains[0]:.3g} 1/s")
    if math.isfinite(present):
        nearest = s[int(np.argmin(np.abs(gains - present)))]
        _mark_poles(ax, nearest, "s", GREEN, f"at the file's gain, {present:.4g} 1/s")
    if math.isfinite(limit):
        nearest = s[int(np.argmin(np.abs(gains - limit)))]
        _mark_poles(ax, nearest, "o", VERMILION, f"at the limit, {limit:.4g} 1/s")
    left, right = -1.15 * far, 0.35 * far
    frame(ax, "real part [1/s]", "imaginary part [rad/s]")
    ax.set_xlim(left, right)
    ax.set_ylim(-0.03 * far, 1.1 * far)
    ax.axvspan(0.0, right, color=ORANGE, alpha=0.12, linewidth=0)
    ax.axvline(0.0, color=BLACK, linewidth=0.9)
    _damping_lines(ax, left, 1.1 * far)
    if period > 0.0 and np.pi / period < 1.1 * far:
        ax.axhline(np.pi / period, color=PURPLE, linestyle="-.", linewidth=1.0,
                   label="half the sampling frequency")  # fmt: skip
    legend_of(ax, loc="upper left")
    return ax


def _as_s(poles: Complex, period: float) -> Complex:
    """Return poles in the plane of s; a pole at z = 0 lies infinitely far away."""
    if period <= 0.0:
        return np.asarray(poles, dtype=np.complex128)
    z = np.asarray(poles, dtype=np.complex128)
    with np.errstate(divide="ignore", invalid="ignore"):
        s = np.log(np.where(np.abs(z) > 1e-12, z, np.nan)) / period
    return np.asarray(s)


def branches(poles: Complex) -> Complex:
    """Return poles in such an order that each column is one branch of the locus.

    Parameters
    ----------
    poles : ndarray, shape (n_g, n_p), complex
        Poles at each gain in any order; nan where there is none.

    Returns
    -------
    ndarray, shape (n_g, n_p), complex
        The same poles, those of neighbouring gains paired so that they move least in sum.
    """
    found = np.array(poles, dtype=np.complex128)
    for k in range(1, len(found)):
        step = np.abs(found[k - 1][:, None] - found[k][None, :])
        step = np.where(np.isfinite(step), step, 1e12)
        found[k] = found[k][linear_sum_assignment(step)[1]]
    return found


def _locus_reach(s: Complex) -> float:
    """Return a frequency that holds the lightly damped poles."""
    flat = s[np.isfinite(s)]
    swinging = flat[(flat.imag > 1e-6) & (flat.real > -1.5 * np.abs(flat.imag))]
    sizes = np.abs(swinging) if len(swinging) else np.abs(flat)
    return 1.5 * float(np.min(sizes[sizes > 0.0], initial=np.inf)) if len(sizes) else 1.0


def _mark_poles(ax: Axes, s: Complex, marker: str, colour: str, label: str) -> None:
    """Mark the poles of one gain; open marks, so that they may lie over each other."""
    seen = s[np.isfinite(s) & (s.imag > -1e-9)]
    ax.plot(
        seen.real, seen.imag, linestyle="none", marker=marker, color=colour, markersize=7,
        markerfacecolor="none", markeredgewidth=1.6, label=label,
    )  # fmt: skip


def _damping_lines(ax: Axes, left: float, high: float) -> None:
    """Draw lines of equal damping ratio and name them where they leave the axes."""
    for ratio in _DAMPING:
        slope = math.sqrt(1.0 - ratio**2) / ratio
        end = min(-left, high / slope)
        ax.plot([0.0, -end], [0.0, slope * end], color=QUIET, linewidth=0.7, linestyle=":")
        ax.annotate(
            f"{ratio:g}", (-0.97 * end, 0.97 * slope * end), fontsize="x-small", color="0.35",
            ha="center", va="center", bbox={"pad": 0.6, "fc": "white", "lw": 0},
        )  # fmt: skip


def plot_stiffness(
    curves: Mapping[str, tuple[Array, Complex]],
    ax: Axes | None = None,
    *,
    static: Mapping[str, float] | None = None,
) -> Axes:
    """Draw the stiffness against thrust over its frequency.

    Parameters
    ----------
    curves : mapping of str to (ndarray, ndarray)
        What each curve is, to frequencies [rad/s] and compliance, the table's way over the thrust
        that causes it [m/N], complex; at most six.
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.
    static : mapping of str to float, optional
        Stiffness to mark by a level line [N/m].

    Returns
    -------
    matplotlib.axes.Axes
        Stiffness [N/um] over frequency [Hz]; a second scale shows the compliance [um/kN].
    """
    ax = new_axes(ax)
    ends = []
    for (label, (omega, compliance)), (colour, style) in zip(curves.items(), STYLES, strict=False):
        with np.errstate(divide="ignore"):
            stiffness = convert(1.0 / np.abs(compliance), "N/um")
        ax.plot(hertz(omega), stiffness, color=colour, linestyle=style, lw=1.5, label=label)
        lowest = int(np.argmin(stiffness))
        ax.plot([hertz(omega[lowest])], [stiffness[lowest]], color=colour, marker="o", ms=4.5)
        ends += [hertz(omega[0]), hertz(omega[-1])]
    for (label, level), style in zip((static or {}).items(), (":", "-.", "--"), strict=False):
        text = f"{label}, {float(convert(level, 'N/um')):.3g} N/µm"
        ax.axhline(float(convert(level, "N/um")), color=QUIET, ls=style, lw=1.1, label=text)
    ax.set_xscale("log")
    ax.set_yscale("log")
    frame(ax, "frequency of the thrust [Hz]", "stiffness at the table [N/µm]")
    if ends:
        ax.set_xlim(min(ends), max(ends))
    # 1 N/um is 1000 um/kN
    other = ax.secondary_yaxis("right", functions=(_thousandth, _thousandth))
    other.set_ylabel("compliance [µm/kN]")
    legend_of(ax)
    return ax


def _thousandth(values: Any) -> Any:
    """Return stiffness [N/um] as compliance [um/kN], or the other way round."""
    with np.errstate(divide="ignore"):
        return 1000.0 / np.asarray(values, dtype=np.float64)


_ALONG = {
    "natural_frequency": ("natural frequency [Hz]", "Hz", "Hz"),
    "damping": ("damping ratio [-]", "1", ""),
    "gain_limit": ("velocity gain [1/s]", "1/s", "1/s"),
}


def plot_along_stroke(
    position: Array,
    curves: Mapping[str, Array],
    quantity: str,
    ax: Axes | None = None,
    *,
    present: float = math.nan,
    lowest: bool = True,
) -> Axes:
    """Draw how a number of the loop varies along the stroke.

    Parameters
    ----------
    position : ndarray, shape (n,)
        Positions of the table, rising [m].
    curves : mapping of str to ndarray, shape (n,)
        What each curve is, to its values [SI]; at most six.
    quantity : str
        ``natural_frequency`` [rad/s], ``damping`` [-] or ``gain_limit`` [1/s].
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.
    present : float, optional
        The file's own value [SI], drawn as a level line.
    lowest : bool, optional
        Whether the lowest point of each curve is marked.

    Returns
    -------
    matplotlib.axes.Axes
        The quantity in practical units over the position [mm].
    """
    ax = new_axes(ax)
    title, unit, shown = _ALONG[quantity]
    x = convert(position, "mm")
    for (label, values), (colour, style) in zip(curves.items(), STYLES, strict=False):
        y = convert(values, unit)
        text = label
        if lowest and np.isfinite(y).any():
            k = int(np.nanargmin(y))
            ax.plot([x[k]], [y[k]], color=colour, marker="o", ms=5, linestyle="none")
            size = f"lowest {float(y[k]):.3g} {shown}".rstrip() if y[k] > 0.0 else "none"
            text = f"{label}, {size} at {float(x[k]):.0f} mm"
            if np.isfinite(y).all() and np.ptp(y) <= _FLAT * abs(y[k]):
                text = f"{label}, {size}".replace("lowest ", "")
        ax.plot(x, y, color=colour, linestyle=style, linewidth=1.5, label=text)
    if math.isfinite(present):
        level = float(convert(present, unit))
        ax.axhline(level, color=GREEN, ls="-.", lw=1.3, label=f"the file's, {level:.4g} {shown}")
    frame(ax, "position of the table [mm]", title)
    if len(x):
        ax.set_xlim(float(x[0]), float(x[-1]))
    _, top = ax.get_ylim()
    ax.set_ylim(0.0, 1.3 * top)
    legend_of(ax, loc="upper center")
    return ax


def plot_envelope(
    gain_margin: Array,
    phase_margin: Array,
    groups: Sequence[str],
    ax: Axes | None = None,
    *,
    required: tuple[float, float] | None = None,
    stable: NDArray[np.bool_] | None = None,
    names: Sequence[str] | None = None,
) -> Axes:
    """Draw the gain and phase margins of all points of the envelope.

    Parameters
    ----------
    gain_margin : ndarray, shape (n,)
        Gain margins [ratio]; infinite where there is none.
    phase_margin : ndarray, shape (n,)
        Phase margins [rad]; infinite where there is none.
    groups : sequence of str
        What each point belongs to, such as the operating condition; told apart by marks.
    ax : matplotlib.axes.Axes, optional
        Where to draw; axes of a new figure if none are given.
    required : tuple of float, optional
        Gain margin [ratio] and phase margin [rad] that are asked for.
    stable : ndarray of bool, shape (n,), optional
        Which points are stable; the others are crossed out.
    names : sequence of str, optional
        What each point is, to name the two with the lowest margins.

    Returns
    -------
    matplotlib.axes.Axes
        Phase margin [deg] over gain margin [dB], a mark for each point; what has more than 40 dB or
        120 deg, or no crossing at all, is drawn at the edge, and so is what has less than -6 dB or
        -20 deg.
    """
    ax = new_axes(ax)
    x = np.clip(decibels(gain_margin), _LEAST_MARGIN[0], _MOST_MARGIN[0])
    y = np.clip(np.rad2deg(phase_margin), _LEAST_MARGIN[1], _MOST_MARGIN[1])
    ok = np.ones(len(x), dtype=bool) if stable is None else np.asarray(stable, dtype=bool)
    kinds = list(dict.fromkeys(groups))
    for k, kind in enumerate(kinds):
        mine = np.array([one == kind for one in groups]) & ok
        ax.plot(
            x[mine], y[mine], linestyle="none", marker=_MARKS[k % len(_MARKS)], markersize=5,
            color=_COLOURS[k % len(_COLOURS)], markerfacecolor="none", markeredgewidth=1.0,
            alpha=0.75, label=f"{kind or 'points'} ({int(mine.sum())})",
        )  # fmt: skip
    if (~ok).any():
        ax.plot(
            x[~ok], y[~ok], linestyle="none", marker="x", markersize=7, markeredgewidth=1.8,
            color=BLACK, label=f"unstable ({int((~ok).sum())})",
        )  # fmt: skip
    if required is not None:
        level, angle = float(decibels(required[0])), math.degrees(required[1])
        label = f"asked for: {level:.3g} dB, {angle:.3g}°"
        ax.axvline(level, color=GREEN, linestyle="--", linewidth=1.4, label=label)
        ax.axhline(angle, color=GREEN, linestyle="--", linewidth=1.4)
    if names is not None and len(x):
        for k in dict.fromkeys((int(np.nanargmin(x)), int(np.nanargmin(y)))):
            size = f"{signed(float(x[k]))} dB, {signed(float(y[k]), 0)}°" if ok[k] else "unstable"
            _name_point(ax, float(x[k]), float(y[k]), f"{names[k]}\n{size}")
    frame(ax, "gain margin [dB]", "phase margin [deg]")
    ax.set_xlim(min(0.0, float(np.min(x, initial=0.0)) - 2.0), None)
    ax.set_ylim(min(0.0, float(np.min(y, initial=0.0)) - 5.0), None)
    legend_of(ax)
    return ax


def _name_point(ax: Axes, x: float, y: float, name: str) -> None:
    """Ring one point and say what it is."""
    ax.plot([x], [y], marker="o", markersize=12, markerfacecolor="none", color=BLACK, mew=1.0)
    ax.annotate(
        name, (x, y), xytext=(10, 0),
        textcoords="offset points", fontsize="x-small", va="center",
        bbox={"pad": 1.0, "fc": "white", "lw": 0, "alpha": 0.85},
    )  # fmt: skip
