"""What the command line says of a tuning: for people, and as one JSON object.

Pure functions of a result; nothing is printed or written here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from servosim import units
from servosim._lines import columns, wrapped
from servosim.commands.move_summary import heading, strict, warnings
from servosim.tuning.result import Constraint, SheetRow, Spread, Tuned
from servosim.version import __version__

if TYPE_CHECKING:
    from servosim.sizing.findings import Standing

_MOST_CHANGES = 8


def quantity_text(value: float, unit: str) -> str:
    """Return an SI value in a unit for people, four digits.

    Parameters
    ----------
    value : float
        Value [SI]; for ``"dB"`` a ratio.
    unit : str
        Unit to show, "1" for a bare number.

    Returns
    -------
    str
        Such as "7.5 um"; "-" if there is none.

    Examples
    --------
    >>> quantity_text(2.0, "dB"), quantity_text(7.5e-6, "um"), quantity_text(float("nan"), "s")
    ('6.021 dB', '7.5 um', '-')
    """
    if math.isnan(value):
        return "-"
    if math.isinf(value):
        return "without limit" if value > 0.0 else "-"
    if unit == "dB":
        return f"{20.0 * math.log10(value):.4g} dB" if value > 0.0 else "none"
    number = f"{units.convert(float(value), unit) + 0.0:.4g}"
    return number if unit in ("", "1") else f"{number} {unit}"


def _words(name: str) -> str:
    return name.replace("_", " ")


def summary(tuned: Tuned) -> list[str]:
    """Return everything that is said about a tuning.

    Parameters
    ----------
    tuned : Tuned
        The result.

    Returns
    -------
    list of str
        File, whether the demands are met, gain sheet, figures before and after, demands, what the
        margins alone admit, trade-off, diagnosis, notes and cautions.
    """
    lines = [*heading(tuned.original), "", *outcome(tuned), "", *sheet_lines(tuned), ""]
    lines += [*figure_lines(tuned), "", *demand_lines(tuned), ""]
    for part in (
        loop_lines(tuned),
        stroke_lines(tuned),
        trade_off_lines(tuned),
        diagnosis_lines(tuned),
    ):
        lines += [*part, ""] if part else []
    for note in tuned.notes:
        lines += wrapped(note, "note        ")
    lines += [f"warning     {fault}" for fault in warnings(tuned.axis)]
    for caution in tuned.cautions:
        lines += wrapped(caution, "caution     ")
    return lines


def outcome(tuned: Tuned) -> list[str]:
    """Return whether gains were found that keep to all demands, and what fails if not.

    Parameters
    ----------
    tuned : Tuned
        The result.

    Returns
    -------
    list of str
        A line of status, and one for each demand that is not met.
    """
    moves = f"{tuned.moves} moves simulated"
    if tuned.interrupted:
        head = f"INTERRUPTED: the best gains found until then; {moves}"
    elif tuned.feasible:
        head = f"FEASIBLE: every demand is met in every case that was tried; {moves}"
    else:
        head = (
            f"NOT FEASIBLE: no gains were found that meet every demand; the best found are below, "
            f"do not enter them as they are; {moves}"
        )
    lines = wrapped(head, "status      ")
    if tuned.demands.stroke is not None:
        low, high = (quantity_text(end, "mm") for end in tuned.demands.stroke)
        lines.append(f"holds for   {low} to {high} of the stroke")
    for failure in tuned.failures:
        lines += wrapped(failure, "not met     ")
    return lines


def sheet_lines(tuned: Tuned) -> list[str]:
    """Return the gain sheet in the order in which the gains are entered.

    Parameters
    ----------
    tuned : Tuned
        The result.

    Returns
    -------
    list of str
        For each gain its value before and after, in per cent of command and in the signal's unit,
        what it does, what it was limited by, and how to enter it.
    """
    lines = ["gain sheet, in the order in which to enter them at the machine"]
    for row in sorted(tuned.sheet, key=lambda row: row.order):
        lines.append(_sheet_head(row))
        for title, text in (
            ("does", row.does),
            ("limited by", row.limited_by),
            ("enter", row.enter),
        ):
            if text:
                lines += wrapped(text, f"      {title:<12}")
    return lines if tuned.sheet else [*lines, "  no gain is changed"]


def _sheet_head(row: SheetRow) -> str:
    """Return name, values and key of a gain."""
    symbol = f" {row.symbol}" if row.symbol else ""
    same = row.text == row.text_before
    values = f"{row.text} (unchanged)" if same else f"{row.text_before} -> {row.text}"
    others = ", ".join(filter(None, (row.command, row.signal)))
    return f"  {row.order:>2}  {row.name}{symbol}: {values}" + (
        f" = {others}" if others else ""
    ) + f"  [{row.key}]"  # fmt: skip


def figure_lines(tuned: Tuned) -> list[str]:
    """Return the figures of the file as it is and of the proposed one, side by side.

    Parameters
    ----------
    tuned : Tuned
        The result.

    Returns
    -------
    list of str
        Worst and median over all cases, before and after, and the worst case after of what is no
        demand.
    """
    demands = {one.name for one in tuned.after.constraints}
    rows = [("worst and median of all cases", "before", "median", "after", "median")]
    places = [""]
    for name, after in tuned.after.figures.items():
        before = tuned.before.figures.get(name)
        rows.append((f"  {_words(name)}", *_spread_cells(before), *_spread_cells(after)))
        places.append("" if name in demands else after.where)
    return _with_places(rows, places)


def _with_places(rows: Sequence[Sequence[str]], places: Sequence[str], left: int = 0) -> list[str]:
    """Return rows as aligned lines, each with what belongs to it below."""
    lines = []
    for line, place in zip(columns(rows, "", left=(0, left)), places, strict=True):
        lines += [line, *(wrapped(place, " " * 6) if place else [])]
    return lines


def _spread_cells(spread: Spread | None) -> tuple[str, str]:
    """Return worst and median value of a figure."""
    if spread is None:
        return "-", "-"
    unit = spread.shown_unit
    return quantity_text(spread.worst, unit), quantity_text(spread.median, unit)


def demand_lines(tuned: Tuned) -> list[str]:
    """Return how the proposed gains stand to each demand.

    Parameters
    ----------
    tuned : Tuned
        The result.

    Returns
    -------
    list of str
        Worst value before and after, limit, what is left, and the worst case.
    """
    before = {one.name: one for one in tuned.before.constraints}
    rows = [("demand", "limit", "before", "after", "left", "")]
    places = [""]
    for one in tuned.after.constraints:
        earlier = before.get(one.name)
        rows.append(
            (
                f"  {one.label}",
                limit_text(one),
                "-" if earlier is None else quantity_text(earlier.value, one.shown_unit),
                quantity_text(one.value, one.shown_unit),
                _left(one),
                "met" if one.kept else "NOT MET",
            )
        )
        places.append(one.where)
    return _with_places(rows, places, 5)


def limit_text(one: Constraint | Standing) -> str:
    """Return the limit of a demand or a rule, such as "at most 5 um"."""
    text = quantity_text(one.limit, one.shown_unit)
    return f"at {'most' if one.upper else 'least'} {text}"


def _left(one: Constraint) -> str:
    """Return what is left of a limit, as a share of it."""
    if math.isnan(one.slack):
        return "-"
    return f"{100.0 * one.slack:.3g} %" if abs(one.slack) < 100.0 else "far"


def loop_lines(tuned: Tuned) -> list[str]:
    """Return what the margins alone admit with each kind of stabilising feedback.

    Parameters
    ----------
    tuned : Tuned
        The result.

    Returns
    -------
    list of str
        Highest velocity gain of each kind, and what stops it.
    """
    if not tuned.loops:
        return []
    rows = [("by margins alone", "highest velocity gain")]
    places = [""]
    for one in tuned.loops:
        rows.append((f"  {_feedback(one.kind)}", _gain(one.velocity_gain)))
        places.append(f"stopped by {one.limited_by}" if one.limited_by else "")
    return _with_places(rows, places)


def stroke_lines(tuned: Tuned) -> list[str]:
    """Return what the margins admit over stretches of the stroke, and the proposal's along it.

    Parameters
    ----------
    tuned : Tuned
        The result.

    Returns
    -------
    list of str
        A line for each stretch, and one for each position.
    """
    lines = []
    rows: list[Sequence[str]]
    if tuned.stretches:
        rows = [("by margins, over a stretch of the stroke", "highest velocity gain", "with")]
        for one in tuned.stretches:
            ends = f"  {quantity_text(one.low, 'mm')} to {quantity_text(one.high, 'mm')}"
            rows.append((ends, _gain(one.velocity_gain), _feedback(one.kind)))
        lines += columns(rows, "", left=(0, 2))
    if tuned.along_stroke:
        rows = [("margins along the stroke, worst of all corners", "gain", "phase", "")]
        for point in tuned.along_stroke:
            gain, phase = point.gain_margin, point.phase_margin
            cells = (quantity_text(gain, "dB"), quantity_text(phase, "deg"))
            state = "" if point.stable else "UNSTABLE"
            rows.append((f"  {quantity_text(point.position, 'mm')}", *cells, state))
        lines += columns(rows, "", left=(0, 3))
    return lines


def head_lines(tuned: Tuned) -> list[str]:
    """Return what a tuned file says of itself in its first lines.

    Parameters
    ----------
    tuned : Tuned
        The result.

    Returns
    -------
    list of str
        Comments of TOML: what the values don't meet, where they hold, where the loop is unstable.
    """
    if not tuned.feasible:
        words = tuned.failures or ("the tuning did not come to its end",)
        lines = ["These values do NOT meet every demand of the tuning that wrote them:"]
        lines += [f"- {' '.join(one.split())}" for one in words]
    else:
        lines = [f"Gains tuned by servosim {__version__}: calculated, not a release to run."]
    if tuned.demands.stroke is not None:
        low, high = (quantity_text(end, "mm") for end in tuned.demands.stroke)
        lines.append(f"Margins and moves were demanded from {low} to {high} of the stroke.")
    ringing = [quantity_text(one.position, "mm") for one in tuned.along_stroke if not one.stable]
    if ringing:
        lines.append(f"At {', '.join(ringing)} the linear loop is UNSTABLE.")
    return [f"# {line}" for line in lines]


def _gain(value: float) -> str:
    return f"{value:.4g} 1/s" if value > 0.0 else "none"


def _feedback(kind: str) -> str:
    return "no stabilising feedback" if kind == "none" else _words(kind)


def trade_off_lines(tuned: Tuned) -> list[str]:
    """Return the trade-off between settling time, margins and overshoot.

    Parameters
    ----------
    tuned : Tuned
        The result.

    Returns
    -------
    list of str
        A line for each member of the family of gains.
    """
    if not tuned.trade_off:
        return []
    head = ("velocity gain", "settling", "overshoot", "settled", "gain margin", "phase margin")
    rows: list[Sequence[str]] = [(f"trade-off by {head[0]}", *head[1:], "")]
    for one in tuned.trade_off:
        marks = [] if one.feasible else ["demands not met"]
        marks = ["proposed", *marks] if one.chosen else marks
        rows.append(
            (
                f"  {one.velocity_gain:.4g} 1/s",
                quantity_text(one.settling_time, "s"),
                quantity_text(one.overshoot, "um"),
                f"{100.0 * one.settled:.4g} %",
                quantity_text(one.gain_margin, "dB"),
                quantity_text(one.phase_margin, "deg"),
                ", ".join(marks),
            )
        )
    return columns(rows, "", left=(0, 6))


def diagnosis_lines(tuned: Tuned) -> list[str]:
    """Return what limits the axis and what other hardware would give.

    Parameters
    ----------
    tuned : Tuned
        The result.

    Returns
    -------
    list of str
        Sentences, and a line for each change of hardware with its own simulated number.
    """
    found = tuned.diagnosis
    lines = []
    for sentence in found.sentences:
        lines += wrapped(sentence, "limits      ")
    if not found.changes:
        return lines
    head = ("other hardware, tuned anew", "settling", "saved", "velocity gain", "by margins", "")
    rows: list[Sequence[str]] = [head]
    for one in found.changes[:_MOST_CHANGES]:
        notes = [] if one.violation <= 0.0 else ["demands not met"]
        rows.append(
            (
                f"  {one.name}",
                quantity_text(one.settling_time, "s"),
                quantity_text(one.saved, "ms" if abs(one.saved) < 1.0 else "s"),
                f"{one.velocity_gain:.4g} 1/s",
                f"up to {one.highest_velocity_gain:.4g} 1/s",
                "; ".join([*notes, one.note] if one.note else notes),
            )
        )
    return [*lines, *columns(rows, "", left=(0, 5))]


def as_json(tuned: Tuned, seed: int) -> dict[str, Any]:
    """Return a tuning as values that strict JSON can hold.

    Parameters
    ----------
    tuned : Tuned
        The result.
    seed : int
        Seed it was made with.

    Returns
    -------
    dict
        Version, file, seed, warnings, and everything that was found, SI units; margins are ratios
        and radians; a value that is no finite number is None.
    """
    found: dict[str, Any] = {
        "servosim": __version__,
        "file": tuned.original.path,
        "title": tuned.original.file.title,
        "seed": seed,
        "warnings": [str(fault) for fault in warnings(tuned.axis)],
    }
    return strict(found | tuned.as_dict())
