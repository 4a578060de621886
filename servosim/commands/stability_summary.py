"""What the command line says of a loop to people.

Pure functions of a result; nothing is printed or written here.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np

from servosim import units
from servosim._lines import columns, wrapped
from servosim._practical import practical_unit
from servosim.commands.move_summary import CAUTION, heading, warnings
from servosim.linear._reasons import AGREES
from servosim.linear.comparison import Compared
from servosim.linear.envelope import (
    NULL_SAYS_NOTHING,
    EnvelopeMargins,
    cyclic_note,
    point_in_words,
)
from servosim.linear.limit_cycles import Predicted, Seen
from servosim.linear.margins import Margins
from servosim.linear.points import Point
from servosim.stability import Stability

_MOST_ROWS = 11
_MOST_UNSTABLE = 4
_LEVEL = 1e-6  # of a frequency that is the same along the stroke
_NOTHING = 1e-13  # m, of a share of the error at rest: less is rounding
_SMOOTHED = (
    "stribeck friction has its jump at standstill smoothed, and the smoothed slope damps the spool "
    "centred and at rest as no real friction does: trust the margins of the conditions in motion"
)
_NO_GAIN = (
    "none: the loop is unstable already with a very small gain; a larger one may be stable all the "
    "same, see the gains of a run at that position"
)
_UNITS = {"rad/s": "Hz", "N/m": "N/um", "m3/(s Pa)": "mL/min/bar", "rad": "deg"}
_READ = {  # figures of an envelope, and how they are read
    "gain_margin": "dB",
    "phase_margin": "rad",
    "delay_margin": "s",
    "maximum_sensitivity": "1",
    "bandwidth": "rad/s",
    "resonance_peak": "dB",
}
_CUTS = {"command": "at the valve's command", "position": "at the position error"}


def number(value: float, unit: str) -> str:
    """Return an SI value in the unit in which people of the trade read it, four digits.

    Parameters
    ----------
    value : float
        Value [SI].
    unit : str
        Its SI unit; ``"dB"`` for a ratio that is read in decibels.

    Returns
    -------
    str
        Such as "25.6 Hz"; "-" if there is none.

    Examples
    --------
    >>> number(160.8, "rad/s"), number(2.0, "dB"), number(3.2e6, "N/m")
    ('25.59 Hz', '6.021 dB', '3.2 N/um')
    """
    if math.isnan(value):
        return "-"
    if math.isinf(value):
        return "without limit"
    if unit == "dB":
        return f"{20.0 * math.log10(value):.4g} dB" if value > 0.0 else "none"
    if unit == "s" and abs(value) < 1.0:
        return f"{1e3 * value + 0.0:.4g} ms"
    shown = _UNITS.get(unit) or practical_unit(unit, value)
    text = f"{units.convert(float(value), shown) + 0.0:.4g}"
    return text if shown == "1" else f"{text} {shown}"


def summary(found: Stability) -> list[str]:
    """Return everything that is said about a loop.

    Parameters
    ----------
    found : Stability
        The result.

    Returns
    -------
    list of str
        Formulas beside exact numbers, margins at the position and over the envelope, the loop along
        the stroke, limit cycles, the band at rest, warnings and the caution.
    """
    axis = found.axis
    lines = [*heading(axis)[:2], ""]
    lines += [f"position    {units.position_text(found.position)}, all else as in the file"]
    words = point_in_words(found.loops.points[found.loops.shown])
    gain = number(axis.file.controller.velocity_gain, "1/s")
    gain += "" if found.loops.command.stable[found.loops.shown] else ", UNSTABLE"
    lines += wrapped(f"velocity gain {gain}; {found.locus.sentence} ({words})", "gain        ")
    for part in (
        comparison_lines(found),
        margin_lines(found),
        envelope_lines(found.envelope),
        stroke_lines(found),
        cycle_lines(found),
        rest_lines(found),
    ):
        lines += ["", *part]
    lines += ["", *(f"warning     {fault}" for fault in warnings(axis)), CAUTION]
    return lines


def comparison_lines(found: Stability) -> list[str]:
    """Return formulas beside exact numbers, with the reason where they part.

    Parameters
    ----------
    found : Stability
        The result.

    Returns
    -------
    list of str
        A line for each number, and its reason below.
    """
    rows: list[Sequence[str]] = [("number", "formula", "exact", "formula off by")]
    reasons = [""]
    for row in found.comparison.rows:
        closed, exact = _compared(row, row.closed), _compared(row, row.exact)
        rows.append((row.name, closed, exact, _deviation(row)))
        reasons.append(_reason(row))
    lines = []
    for line, reason in zip(columns(rows, ""), reasons, strict=True):
        lines.append(line)
        lines += wrapped(reason, "    ") if reason else []
    for note in found.comparison.notes:
        lines += wrapped(note, "note        ")
    return lines


def _compared(row: Compared, value: float) -> str:
    """Return one of the two numbers of a row; a largest gain of zero is none."""
    return _gain(value) if row.name == "limit of the velocity gain" else number(value, row.unit)


def _deviation(row: Compared) -> str:
    value = row.deviation
    if not math.isfinite(value):
        return "-"
    return f"{100.0 * value:+.3g} %"


def _reason(row: Compared) -> str:
    """Return why a formula and the exact number part, in words."""
    if not (math.isfinite(row.deviation) and abs(row.deviation) > AGREES):
        return ""
    if not row.reasons:
        return "because of several things together, none of which stands out"
    parts = [f"{one.cause} ({100.0 * one.removed:.0f} % of it)" for one in row.reasons]
    return f"because of {', then '.join(parts)}"


def _condition(point: Point) -> str:
    """Return the condition of the valve at a point in a few words."""
    way = "" if point.velocity == 0.0 else ", out" if point.velocity > 0.0 else ", back"
    names = {"null": "spool centred", "rest": "at rest", "edge": "just open", "rapid": "rapid"}
    return names.get(point.condition, point.condition or "as given") + way


def margin_lines(found: Stability) -> list[str]:
    """Return the margins of the file's axis at the position, in each condition of the valve.

    Parameters
    ----------
    found : Stability
        The result.

    Returns
    -------
    list of str
        A line for each condition and cut.
    """
    head = ("gain", "at", "phase", "at", "delay", "sensitivity", "bandwidth", "resonance")
    lines = []
    for cut, title in _CUTS.items():
        m: Margins = getattr(found.loops, cut)
        rows: list[Sequence[str]] = [("", *head, "")]
        for k, point in enumerate(found.loops.points):
            note = "" if bool(m.stable[k]) else "UNSTABLE"
            if found.loops.meaningless[k]:
                note = "means nothing"
            rows.append(
                (
                    _condition(point),
                    number(float(m.gain_margin[k]), "dB"),
                    number(float(m.gain_frequency[k]), "rad/s"),
                    number(float(m.phase_margin[k]), "rad"),
                    number(float(m.phase_frequency[k]), "rad/s"),
                    number(float(m.delay_margin[k]), "s"),
                    number(float(m.maximum_sensitivity[k]), "1"),
                    number(float(m.bandwidth[k]), "rad/s"),
                    number(float(m.resonance_peak[k]), "dB"),
                    note,
                )
            )
        lines += [f"margins, loop opened {title}", *columns(rows, left=(0, 9))]
    if found.loops.meaningless.any():
        lines += wrapped(NULL_SAYS_NOTHING, "note        ")
    cyclic = cyclic_note(found.loops.points)
    if cyclic:
        lines += wrapped(cyclic, "note        ")
    if found.axis.file.table.friction == "stribeck":
        lines += wrapped(_SMOOTHED, "note        ")
    return lines


def envelope_lines(envelope: EnvelopeMargins) -> list[str]:
    """Return the worst margins of an envelope, each with its case, and what must be known.

    Parameters
    ----------
    envelope : EnvelopeMargins
        Margins over the envelope.

    Returns
    -------
    list of str
        A sentence for each figure and cut.
    """
    lines = [f"worst of {len(envelope.points)} points of the envelope"]
    stable = np.asarray(envelope.command.stable, dtype=bool)
    unstable = np.flatnonzero(~stable & ~envelope.meaningless)
    for k in unstable[:_MOST_UNSTABLE]:
        lines += wrapped(f"UNSTABLE {point_in_words(envelope.points[k])}", "  ", "    ")
    if len(unstable) > _MOST_UNSTABLE:
        more = len(unstable) - _MOST_UNSTABLE
        lines.append(f"  and {more} more points at which the loop is unstable; of the others:")
    # what is left says how near the stable loops are
    left = dataclasses.replace(envelope, meaningless=envelope.meaningless | ~stable)
    if bool(np.all(left.meaningless)):
        lines.append("  no point is left that says anything about the axis")
    else:
        lines += _worst_lines(left)
    for note in envelope.notes():
        lines += wrapped(note, "note        ")
    return lines


def _worst_lines(envelope: EnvelopeMargins) -> list[str]:
    """Return the worst of each margin at each cut, and where it stands."""
    rows: list[Sequence[str]] = []
    places = []
    for figure in _READ:
        told: set[tuple[str, int]] = set()
        for cut, title in _CUTS.items():
            worst = envelope.worst(figure, cut)
            value = number(worst.value, _READ[figure])
            if (value, worst.index) in told:  # without stabilising feedback both cuts are one
                rows[-1] = (rows[-1][0], "at both", *rows[-1][2:])
                continue
            told.add((value, worst.index))
            at = number(worst.frequency, "rad/s") if worst.frequency > 0.0 else "-"
            rows.append((figure.replace("_", " "), title, value, at))
            places.append(point_in_words(envelope.points[worst.index]))
    lines = []
    for line, place in zip(columns(rows, left=(0, 1)), places, strict=True):
        lines += [line, *wrapped(place, "      ")]
    return lines


def stroke_lines(found: Stability) -> list[str]:
    """Return natural frequency, damping and largest gain along the stroke.

    Parameters
    ----------
    found : Stability
        The result.

    Returns
    -------
    list of str
        A line for each of some positions, exact numbers beside those of the formulas.
    """
    along = found.stroke
    n = len(along.position)
    chosen = set(np.linspace(0, n - 1, min(n, _MOST_ROWS)).round().astype(int).tolist())
    lowest = int(np.argmin(along.omega_exact))
    level = bool(np.ptp(along.omega_exact) <= _LEVEL * along.omega_exact[lowest])
    chosen |= set() if level else {lowest}
    head = ("along the stroke", "frequency", "formula", "damping", "formula", "largest gain",
            "2 zeta omega", "")  # fmt: skip
    rows: list[Sequence[str]] = [head]
    for k in sorted(chosen):
        rows.append(
            (
                f"  {units.position_text(float(along.position[k]))}",
                number(float(along.omega_exact[k]), "rad/s"),
                number(float(along.omega_closed[k]), "rad/s"),
                number(float(along.zeta_exact[k]), "1"),
                number(float(along.zeta_closed[k]), "1"),
                _gain(float(along.limit_exact[k])),
                number(float(along.limit_closed[k]), "1/s"),
                "lowest frequency" if k == lowest and not level else "",
            )
        )
    where = "spool centred" if along.condition == "null" else "lands just open"
    soft = number(along.softest_closed, "m")
    note = "the same everywhere" if level else f"by the formula the frequency is lowest at {soft}"
    lines = [*columns(rows, "", left=(0, 7)), f"  {where}; {note}"]
    if bool(np.any(along.limit_exact[sorted(chosen)] <= 0.0)):
        lines += wrapped(_NO_GAIN, "  ")
    return lines


def cycle_lines(found: Stability) -> list[str]:
    """Return the limit cycles that are predicted, and what a simulation makes of each.

    Parameters
    ----------
    found : Stability
        The result.

    Returns
    -------
    list of str
        A line for each prediction and nonlinearity, and one for the axis as it is.
    """
    cycles = found.limit_cycles
    rows: list[Sequence[str]] = [("limit cycles", "predicted", "simulated", "verdict")]
    for one in cycles.cycles:
        rows.append((f"  {one.mechanism}", _predicted(one.predicted), _seen(one.seen), one.verdict))
    for seen in cycles.whole:
        rows.append(("  the axis as it is", "-", _seen(seen), ""))
    lines = columns(rows, "", left=(0, 3))
    if not cycles.stable:
        lines += wrapped("the linear loop is unstable just outside the overlap", "note        ")
    return lines


def _predicted(one: Predicted | None) -> str:
    """Return the size of a predicted swing."""
    if one is None:
        return "none"
    if math.isnan(one.amplitude):
        return "hunting of some size"
    size = f"+-{number(one.amplitude, 'm')} at {number(one.frequency, 'rad/s')}"
    return size if one.stable else f"{size}, unstable"


def _seen(one: Seen) -> str:
    """Return what a simulation does."""
    if not one.swings:
        return f"comes to rest after {number(one.step, 'm')}"
    if math.isinf(one.amplitude):
        return f"breaks off after {number(one.step, 'm')}"
    return f"+-{number(one.amplitude, 'm')} at {number(one.frequency, 'rad/s')}"


def rest_lines(found: Stability) -> list[str]:
    """Return what the error at rest is made of, and what simulated moves leave.

    Parameters
    ----------
    found : Stability
        The result.

    Returns
    -------
    list of str
        A line for each share, their sums, and the verdict of the simulation.
    """
    rest = found.resting
    rows: list[Sequence[str]] = [("error at rest", "", "")]
    for share in rest.shares:
        size = number(share.value if abs(share.value) > _NOTHING else 0.0, "m")
        text = f"{size} each time" if share.offset else f"+-{size}"
        rows.append((f"  {share.name}", text, share.formula))
    band = f"{number(rest.low, 'm')} to {number(rest.high, 'm')}"
    rows.append(("  all in the worst case", band, "target less table position"))
    rows.append(("  as root of the squares", f"+-{number(rest.root_sum_square, 'm')}", ""))
    lines = columns(rows, "", left=(0, 2))
    lines += wrapped(rest.verdict, "  ")
    for note in rest.notes:
        lines += wrapped(note, "note        ")
    return lines


def _gain(limit: float) -> str:
    """Return the largest stable velocity gain, or that there is none."""
    return number(limit, "1/s") if limit > 0.0 else "none"
