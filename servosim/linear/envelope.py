"""Margins over the whole envelope of an axis, and the worst cases in words.

An envelope is every combination of stroke positions, corners of the file's ranges (workpiece,
temperature, air, supply pressure) and conditions of the valve. The controller keeps the numbers of
the file in every corner: it doesn't know that the pressure or the mass is another one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim._block_faults import shown
from servosim.axis import Axis
from servosim.errors import ParameterError
from servosim.linear.family import HighestGain, LoopFamily
from servosim.linear.margins import Margins
from servosim.linear.points import (
    CONDITIONS,
    Point,
    corner_in_words,
    cyclic_slope,
    envelope_points,
)

__all__ = [
    "FIGURES",
    "EnvelopeMargins",
    "HighestGain",
    "LoopFamily",
    "Worst",
    "envelope_margins",
    "point_in_words",
]

Flags = NDArray[np.bool_]

_CHUNK = 128  # points whose responses are in work at once
_CYCLIC = 0.05  # dB by the slope of the scale: less is not worth a word
_CUTS = {"command": "the valve's command", "position": "the position error"}
FIGURES = {  # name: words, unit, frequency, whether the largest is the worst
    "gain_margin": ("gain margin", "ratio", "gain_frequency", False),
    "gain_margin_low": ("low gain margin", "ratio", "", True),
    "phase_margin": ("phase margin", "deg", "phase_frequency", False),
    "delay_margin": ("delay margin", "ms", "", False),
    "maximum_sensitivity": ("maximum sensitivity", "ratio", "sensitivity_frequency", True),
    "bandwidth": ("bandwidth", "rad/s", "", False),
    "resonance_peak": ("resonance peak", "ratio", "resonance_frequency", True),
}
NULL_SAYS_NOTHING = (
    "at null of an overlapped valve the flow gain is near zero, margins there mean nothing"
)


@dataclass(frozen=True)
class Worst:
    """The worst case of one figure.

    Attributes
    ----------
    index : int
        Place of the point.
    figure : str
        One of ``FIGURES``.
    value : float
        The figure there [SI].
    cut : str
        Where the loop is opened: ``command`` or ``position``.
    frequency : float
        Frequency at which it stands [rad/s], nan if it has none.
    sentence : str
        Value, position, condition and corner in words.
    """

    index: int
    figure: str
    value: float
    cut: str
    frequency: float
    sentence: str


@dataclass(frozen=True)
class EnvelopeMargins:
    """Margins at all points of an envelope.

    Attributes
    ----------
    axis : Axis
        The axis as the file has it, whose controller is at work everywhere.
    points : tuple of Point
        Points that exist, shape (n,).
    command, position : Margins
        Margins of the loop opened at the valve's command and at the position error.
    meaningless : ndarray of bool, shape (n,)
        Points whose margins say nothing: at null of an overlapped valve.
    beyond_limit : ndarray of bool, shape (n,)
        Points that need more command than the controller's limit lets pass.
    refused : tuple of (Point, str)
        Points where the axis has no steady state, with the reason.
    """

    axis: Axis
    points: tuple[Point, ...]
    command: Margins
    position: Margins
    meaningless: Flags
    beyond_limit: Flags
    refused: tuple[tuple[Point, str], ...]

    def cut(self, name: str) -> Margins:
        """Return the margins at a cut, ``command`` or ``position``."""
        if name not in _CUTS:
            raise ParameterError(f'cut "{name}" is unknown; choose among {", ".join(_CUTS)}')
        return self.command if name == "command" else self.position

    def worst(self, figure: str, cut: str | None = None) -> Worst:
        """Return the worst case of a figure among the points that say something.

        Parameters
        ----------
        figure : str
            One of ``FIGURES``.
        cut : str, optional
            ``command`` or ``position``; the worse of both if not given.

        Returns
        -------
        Worst
            Where it stands, in numbers and words.

        Raises
        ------
        ParameterError
            If figure or cut is unknown, or no point says anything about the axis.
        """
        if figure not in FIGURES:
            raise ParameterError(f'figure "{figure}" is unknown; choose among {", ".join(FIGURES)}')
        if np.all(self.meaningless):
            raise ParameterError(
                f"none of {len(self.points)} points says anything about the axis: "
                f"{NULL_SAYS_NOTHING}; add points in motion"
            )
        _, _, frequency, largest = FIGURES[figure]
        found: tuple[float, int, str] | None = None
        for name in _CUTS if cut is None else (cut,):
            values = np.array(getattr(self.cut(name), figure), dtype=float)
            # an unstable loop has no bandwidth, which is worse than any
            bad = -np.inf if not largest else np.inf
            values = np.where(np.isnan(values), bad, values)
            sign = -1.0 if largest else 1.0
            ranked = np.where(self.meaningless, np.inf, sign * values)
            index = int(np.argmin(ranked))
            if found is None or ranked[index] < found[0]:
                found = float(ranked[index]), index, name
        assert found is not None
        index, name = found[1:]
        m = self.cut(name)
        value = float(getattr(m, figure)[index])
        at = float(getattr(m, frequency)[index]) if frequency else float("nan")
        text = _in_words(figure, value, at, name, self.points[index], bool(m.stable[index]))
        return Worst(index, figure, value, name, at, text)

    def notes(self) -> tuple[str, ...]:
        """Return in sentences what a reader must know before the figures."""
        found = []
        n = len(self.points)
        unstable = np.flatnonzero(~self.command.stable & ~self.meaningless)
        if len(unstable):
            found.append(
                f"{len(unstable)} of {n} loops are unstable, the first "
                f"{point_in_words(self.points[int(unstable[0])])}"
            )
        if np.any(self.meaningless):
            found.append(
                f"{np.count_nonzero(self.meaningless)} of {n} points are left out of the worst "
                f"cases: {NULL_SAYS_NOTHING}"
            )
        if np.any(self.beyond_limit):
            first = self.points[int(np.argmax(self.beyond_limit))]
            found.append(
                f"{np.count_nonzero(self.beyond_limit)} of {n} points need more command than "
                f"[controller] output_limit lets pass, the first {point_in_words(first)}; their "
                "margins are those of a loop without this limit"
            )
        if self.refused:
            point, reason = self.refused[0]
            found.append(
                f"{len(self.refused)} points have no steady state, the first "
                f"{point_in_words(point)}: {reason}"
            )
        found += [note for note in [cyclic_note(self.points)] if note]
        noted = [p for p in self.points if p.note]
        if noted:
            found.append(f"{len(noted)} of {n} points differ from what was asked: {noted[0].note}")
        return tuple(found)


def cyclic_note(points: Sequence[Point]) -> str:
    """Return what the cyclic error of the scale takes off the gain margins of points at rest.

    Within one period of the error the slope of the reading, and with it the gain of a loop at
    rest, goes from ``1 - 2 pi e_c/lambda`` to ``1 + 2 pi e_c/lambda``; a point stands somewhere.

    Parameters
    ----------
    points : sequence of Point
        The points.

    Returns
    -------
    str
        A sentence; empty if the points stand where the slope is greatest, or it hardly changes.
    """
    slopes = [(*cyclic_slope(p), p) for p in points]
    here, slope, point = min(
        ((here, most, p) for here, most, p in slopes if most > 0.0),
        default=(0.0, 0.0, None),
        key=lambda one: one[0] - one[1],
    )
    lost = 20.0 * np.log10((1.0 + slope) / max(1.0 + here, 1e-3))
    if point is None or lost < _CYCLIC:
        return ""
    period = point.axis.file.transducer.cyclic_period
    return (
        f"by the cyclic error of the scale the gain of a loop at rest is up to {100.0 * slope:.3g} "
        f"% greater or less, by the place within {shown(period, 'um')}: points at rest have up to "
        f"{lost:.2g} dB less gain margin elsewhere in this period than here"
    )


def point_in_words(point: Point) -> str:
    """Return position, condition and corner of a point in words.

    Parameters
    ----------
    point : Point
        The point.

    Returns
    -------
    str
        As a part of a sentence.
    """
    way = "extending" if point.velocity > 0.0 else "retracting"
    speed = f"{way} at {shown(abs(point.velocity), 'mm/s')}"
    conditions = {
        "null": "at rest with the spool centred",
        "rest": "at rest",
        "edge": f"{way} with the spool just outside the overlap",
        "rapid": speed,
    }
    condition = conditions.get(point.condition, speed if point.velocity != 0.0 else "at rest")
    parts = [f"at {shown(point.position, 'mm')}, {condition}"]
    if point.thrust != 0.0 and point.condition != "null":
        parts.append(f"thrust {shown(point.thrust, 'N')}")
    return ", ".join([*parts, corner_in_words(point.corner) or "all else as in the file"])


def _in_words(
    figure: str, value: float, frequency: float, cut: str, point: Point, stable: bool
) -> str:
    words, unit, _, _ = FIGURES[figure]
    where = point_in_words(point)
    if not stable:
        return f"{words}: the loop is unstable {where}"
    if np.isinf(value):
        text = "none that is finite"
    elif figure in ("gain_margin", "gain_margin_low", "maximum_sensitivity", "resonance_peak"):
        text = f"{value:.3g}" + (f" ({20.0 * np.log10(value):.1f} dB)" if value > 0.0 else "")
    else:
        text = shown(value, unit)
    at = f" at {frequency / (2.0 * np.pi):.3g} Hz" if frequency > 0.0 else ""
    return f"{words} {text}{at}, loop opened at {_CUTS[cut]}, {where}"


def envelope_margins(
    axis: Axis,
    *,
    positions: int = 11,
    conditions: Sequence[str] = CONDITIONS,
    gains: Mapping[str, float] | None = None,
    workers: int = 1,
    points: Sequence[Point] | None = None,
) -> EnvelopeMargins:
    """Return the margins of an axis over its whole envelope.

    Parameters
    ----------
    axis : Axis
        The axis, whose controller is at work at all points.
    positions : int, optional
        Number of positions [-] evenly over the stroke, both ends among them.
    conditions : sequence of str, optional
        See :func:`servosim.linear.points.condition_points`.
    gains : mapping of str to float, optional
        Gains [SI] instead of the file's.
    workers : int, optional
        Threads that share the points; the results don't depend on them.
    points : sequence of Point, optional
        Points instead of those of the file's envelope.

    Returns
    -------
    EnvelopeMargins
        Margins at both cuts, worst cases and notes.

    Raises
    ------
    ParameterError
        If an option can't be meant, a corner contradicts itself or no point has a steady state.

    Examples
    --------
    >>> from servosim.axis import read_axis
    >>> axis = read_axis("params/tube_sheet_table.toml")
    >>> found = envelope_margins(axis, positions=1, conditions=("rapid",))
    >>> bool(found.command.stable.all())
    True
    """
    if not isinstance(workers, int) or workers < 1:
        raise ParameterError(f"workers: {workers!r}; expected a whole number, one or more")
    if points is None:
        points = envelope_points(axis, positions=positions, conditions=conditions)
    family = LoopFamily(axis, points)
    n = len(family.points)
    chunks = [np.arange(k, min(k + _CHUNK, n)) for k in range(0, n, _CHUNK)]

    def work(rows: NDArray[np.intp]) -> tuple[Margins, Margins, Any]:
        part = family.take(rows)
        return *part.margins(gains), part.controllers(gains).beyond_limit

    if workers > 1 and len(chunks) > 1:
        with ThreadPoolExecutor(max_workers=workers) as pool:
            done = list(pool.map(work, chunks))
    else:
        done = [work(rows) for rows in chunks]
    return EnvelopeMargins(
        axis=axis,
        points=family.points,
        command=_joined([d[0] for d in done]),
        position=_joined([d[1] for d in done]),
        meaningless=family.meaningless,
        beyond_limit=np.concatenate([d[2] for d in done]),
        refused=family.plants.refused,
    )


def _joined(parts: Sequence[Margins]) -> Margins:
    """Return margins one after another."""
    names = [f.name for f in fields(Margins) if f.name != "cut"]
    values = {name: np.concatenate([getattr(p, name) for p in parts]) for name in names}
    return Margins(**values, cut=parts[0].cut)
