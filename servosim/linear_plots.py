"""Figures of the linear view of an axis, one function each: data in, axes out.

Root locus, open loop (Bode, Nyquist, Nichols), stiffness, along the stroke, margins over the
envelope. Nothing here shows a window or changes a global setting; colours are those of
:mod:`servosim.plots`, and every line also has a style of its own, for print in black and white.
"""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.figure import Figure

from servosim.errors import Fault, ParameterError
from servosim.linear.envelope import EnvelopeMargins, point_in_words
from servosim.linear.margins import Margins
from servosim.panels.linear_panels import Array, Loop, plot_bode, plot_nichols, plot_nyquist
from servosim.panels.linear_views import (
    branches,
    plot_along_stroke,
    plot_envelope,
    plot_root_locus,
    plot_stiffness,
)

if TYPE_CHECKING:
    from servosim.stability import Loops, Stability

__all__ = [
    "KINDS",
    "Loop",
    "branches",
    "plot_along_stroke",
    "plot_bode",
    "plot_envelope",
    "plot_nichols",
    "plot_nyquist",
    "plot_root_locus",
    "plot_stability",
    "plot_stiffness",
]

KINDS = ("page", "bode", "nyquist", "nichols", "locus", "stiffness", "stroke", "envelope")
_CUTS = ("opened at the valve's command", "opened at the position error")
_WIDE, _NARROW = 120, 72  # letters in a line of the title
_REACH = 1.5  # of the natural frequency, up to which poles are shown
_CONDITIONS = {"null": "spool centred", "edge": "just open", "rest": "at rest", "rapid": "rapid"}
_BELOW, _ABOVE = 0.03, 20.0  # frequencies shown around the crossings


def plot_stability(found: Stability, kind: str = "page") -> Figure:
    """Draw the linear view of an axis on a page, or one part of it alone.

    Parameters
    ----------
    found : Stability
        The result of :func:`servosim.stability`.
    kind : str, optional
        One of ``KINDS``: all on a page, or one kind.

    Returns
    -------
    matplotlib.figure.Figure
        Open loop as Bode, Nyquist and Nichols draw it, root locus over the velocity gain, stiffness
        against thrust, margins over the envelope, and what changes along the stroke.

    Raises
    ------
    ParameterError
        If the kind is unknown.
    """
    if kind not in KINDS:
        expected = f"one of {', '.join(KINDS)}"
        raise ParameterError(Fault(what=f"no plot is called {kind!r}", expected=expected))
    draws = {
        "bode": _bode_into,
        "nyquist": lambda figure, cell, found: plot_nyquist(
            _loops_of(found.loops), figure.add_subplot(cell)
        ),
        "nichols": lambda figure, cell, found: plot_nichols(
            _loops_of(found.loops), figure.add_subplot(cell)
        ),
        "locus": _locus_into,
        "stiffness": _stiffness_into,
        "envelope": _envelope_into,
        "stroke": _stroke_into,
    }
    if kind == "page":
        figure = Figure(figsize=(13.0, 18.5), layout="constrained")
        grid = figure.add_gridspec(4, 2, height_ratios=(1.15, 1.0, 1.0, 0.85))
        for place, name in enumerate(("bode", "nyquist", "nichols", "locus", "stiffness",
                                      "envelope")):  # fmt: skip
            draws[name](figure, grid[divmod(place, 2)], found)
        draws["stroke"](figure, grid[3, :], found)
    else:
        size = {"stroke": (12.0, 4.2), "bode": (8.0, 7.0), "nyquist": (7.2, 7.0)}
        figure = Figure(figsize=size.get(kind, (8.6, 6.0)), layout="constrained")
        draws[kind](figure, figure.add_gridspec(1, 1)[0], found)
    lines = textwrap.wrap(_about(found, kind), _WIDE if kind in ("page", "stroke") else _NARROW)
    figure.suptitle("\n".join([found.axis.file.title, *lines]), fontsize="medium")
    return figure


def _about(found: Stability, kind: str) -> str:
    """Return in words where what is drawn holds."""
    point = found.loops.points[found.loops.shown]
    where = f"loop {point_in_words(point)}"
    if kind == "envelope":
        where = (
            f"{len(found.envelope.points)} points of the envelope, the lesser margin of both cuts"
        )
    elif kind == "stroke":
        valve = "spool centred" if found.stroke.condition == "null" else "lands just open"
        where = f"{valve}, all else as in the file"
    return f"{_friction(point.friction)} friction, {where}"


def _friction(kind: str) -> str:
    return {"viscous": "viscous", "presliding": "presliding"}.get(kind, "sliding")


def _mapping(margins: Margins, row: int) -> dict[str, float]:
    """Return the margins of one loop as they are marked."""
    names = ("gain_margin", "gain_frequency", "phase_margin", "phase_frequency",
             "maximum_sensitivity", "sensitivity_frequency")  # fmt: skip
    return {name: float(getattr(margins, name)[row]) for name in names}


def _loops_of(loops: Loops) -> list[Loop]:
    """Return both open loops over the frequencies that are worth a look."""
    found = []
    both = (loops.command, loops.position)
    seen = _seen(loops)
    for label, margins, response in zip(
        _CUTS, both, (loops.command_loop, loops.position_loop), strict=True
    ):
        marks = _mapping(margins, loops.shown)
        found.append(Loop(label, loops.omega[seen], response[seen], marks))
    return found


def _seen(loops: Loops) -> Any:
    """Return which frequencies lie around the crossings of the loops."""
    row = loops.shown
    at = np.array(
        [getattr(margins, name)[row] for margins in (loops.command, loops.position)
         for name in ("phase_frequency", "gain_frequency")]
    )  # fmt: skip
    crossed = np.abs(np.array([loops.command_loop, loops.position_loop])) < 1.0
    first = [loops.omega[np.argmax(one)] for one in crossed if one.any()]
    at = np.concatenate([at, first])
    at = at[np.isfinite(at) & (at > 0.0)]
    if not len(at):
        return np.ones(len(loops.omega), dtype=bool)
    return (loops.omega >= _BELOW * at.min()) & (loops.omega <= _ABOVE * at.max())


def _bode_into(figure: Figure, cell: Any, found: Stability) -> None:
    rows = cell.subgridspec(2, 1, hspace=0.0)
    above = figure.add_subplot(rows[0])
    plot_bode(_loops_of(found.loops), (above, figure.add_subplot(rows[1], sharex=above)))


def _locus_into(figure: Figure, cell: Any, found: Stability) -> None:
    locus = found.locus
    known = [locus.limit_frequency, *(r.exact for r in found.comparison.rows[:1])]
    frequency = max((one for one in known if math.isfinite(one)), default=0.0)
    plot_root_locus(
        locus.velocity_gains,
        locus.poles,
        figure.add_subplot(cell),
        present=found.axis.file.controller.velocity_gain,
        limit=locus.limit if 0.0 < locus.limit < math.inf else math.nan,
        period=locus.period,
        reach=_REACH * frequency if frequency > 0.0 else math.nan,
    )


def _stiffness_into(figure: Figure, cell: Any, found: Stability) -> None:
    loops = found.loops
    seen = _seen(loops)
    curves = {
        "position loop closed": (loops.omega[seen], loops.compliance[seen]),
        "position loop open": (loops.omega[seen], loops.open_compliance[seen]),
    }
    rows = {row.name: row.exact for row in found.comparison.rows}
    locked = rows.get("stiffness while locked", math.nan)
    static = {"oil locked": locked} if math.isfinite(locked) else {}
    plot_stiffness(curves, figure.add_subplot(cell), static=static)


def _envelope_into(figure: Figure, cell: Any, found: Stability) -> None:
    envelope = found.envelope
    kept = np.flatnonzero(~envelope.meaningless)
    gain, phase = lesser_margins(envelope)
    plot_envelope(
        gain[kept],
        phase[kept],
        [_CONDITIONS.get(envelope.points[k].condition, "as given") for k in kept],
        figure.add_subplot(cell),
        required=(10.0**0.3, math.pi / 4.0),
        stable=envelope.command.stable[kept],
        names=[point_in_words(envelope.points[k]).replace(", ", ",\n", 2) for k in kept],
    )


def lesser_margins(envelope: EnvelopeMargins) -> tuple[Array, Array]:
    """Return the lesser gain and phase margin of both cuts at each point.

    Parameters
    ----------
    envelope : EnvelopeMargins
        Margins over an envelope.

    Returns
    -------
    gain, phase : ndarray, shape (n,)
        Gain margin [ratio] and phase margin [rad].
    """
    both = (envelope.command, envelope.position)
    gain = np.fmin(*(np.asarray(margins.gain_margin) for margins in both))
    phase = np.fmin(*(np.asarray(margins.phase_margin) for margins in both))
    return gain, phase


def _stroke_into(figure: Figure, cell: Any, found: Stability) -> None:
    along = found.stroke
    columns = cell.subgridspec(1, 3)
    for place, (quantity, closed, exact, formula) in enumerate(
        (
            ("natural_frequency", along.omega_closed, along.omega_exact, "closed form"),
            ("damping", along.zeta_closed, along.zeta_exact, "closed form"),
            ("gain_limit", along.limit_closed, along.limit_exact, "closed form 2 \u03b6 \u03c9"),
        )
    ):
        gain = quantity == "gain_limit"
        plot_along_stroke(
            along.position,
            {"limit of the loop" if gain else "exact": exact, formula: closed},
            quantity,
            figure.add_subplot(columns[place]),
            present=found.axis.file.controller.velocity_gain if gain else math.nan,
        )
