"""What the command line says of a positioning test: for people, as a sheet, and as one JSON object.

Pure functions of a result; nothing is printed or written here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from servosim import units
from servosim._lines import columns, wrapped
from servosim.commands.move_summary import strict
from servosim.positioning.evaluation import SYMBOLS, Evaluation, Place, definitions
from servosim.positioning.judged import Judged, decimals
from servosim.positioning.verdicts import Verdict
from servosim.version import __version__

NAMES = {
    "A": "accuracy, bidirectional",
    "A+": "accuracy, approaching +",
    "A-": "accuracy, approaching -",
    "R": "repeatability, bidirectional",
    "R+": "repeatability, approaching +",
    "R-": "repeatability, approaching -",
    "B": "reversal, largest",
    "Bmean": "reversal, mean with its sign",
    "E": "systematic deviation, bidirectional",
    "E+": "systematic deviation, approaching +",
    "E-": "systematic deviation, approaching -",
    "M": "mean bidirectional deviation, range",
}
CAUTION = (
    "The uncertainty of the instrument, its alignment and the temperature of table and scale are "
    "not in these figures."
)
_INTERVALS = (
    "The intervals tell where the figure of very many runs is expected, by drawing the runs anew, "
    "taken as independent of each other; from five runs they are right in some 83 to 97 of 100 "
    "cases."
)
_FORM = (
    ("machine, serial number", "axis"),
    ("instrument, its calibration", "place of the line of measurement"),
    ("feed to the targets", "dwell at the targets"),
    ("temperature at start and end", "expansion compensated with"),
    ("lock, load on the table", "compensations in use"),
    ("tested by, date", "accepted by, date"),
)
_PER_TARGET = (
    "mean_positive",
    "s_positive",
    "R_positive",
    "mean_negative",
    "s_negative",
    "R_negative",
    "mean_both",
    "B_i",
    "R_both",
)


def summary(found: Judged) -> list[str]:
    """Return everything that is said about a test.

    Parameters
    ----------
    found : Judged
        The result.

    Returns
    -------
    list of str
        File, how it was tested, verdict, figures with their intervals, tolerances, figures of each
        target, notes and caution.
    """
    lines = [*heading(found), "", *outcome(found), "", *figure_lines(found), ""]
    lines += [*tolerance_lines(found), "", *target_lines(found.evaluation), ""]
    for note in found.notes:
        lines += wrapped(note, "note        ")
    if found.uncertainty is not None:
        lines += wrapped(_INTERVALS, "intervals   ")
    return [*lines, *wrapped(CAUTION, "caution     ")]


def sheet(found: Judged) -> list[str]:
    """Return the results sheet: the summary, with the lines to fill in by hand and to sign.

    Parameters
    ----------
    found : Judged
        The result.

    Returns
    -------
    list of str
        The lines.
    """
    head = "POSITIONING TEST, figures by the definitions of ISO 230-2"
    lines = [head, "", *summary(found), "", "to fill in by hand"]
    for pair in _FORM:
        lines += ["", "  ".join(f"{text} ".ljust(48, "_") for text in pair)]
    return [*lines, "", f"servosim {__version__}"]


def heading(found: Judged) -> list[str]:
    """Return what was tested and how.

    Parameters
    ----------
    found : Judged
        The result.

    Returns
    -------
    list of str
        File, title, remarks, targets and runs, practice.
    """
    test = found.evaluation.deviations
    lines = [found.name] + ([f"  {found.title}"] if found.title else [])
    for remark in test.remarks:
        lines += wrapped(remark, "  ")
    ends = [f"{units.convert(float(x), 'mm'):.7g} mm" for x in test.targets[[0, -1]]]
    runs = np.concatenate(test.runs)
    least, most = int(runs.min()), int(runs.max())
    number = f"{least}" if least == most else f"{least} to {most}"
    k = f"{found.evaluation.factor:g}"
    return [
        *lines,
        "",
        f"test        {counted(len(test.targets), 'target')} from {ends[0]} to {ends[1]}, "
        f"{number} run{'' if most == 1 else 's'} in each direction",
        f"bands       mean +-{k} s, s with n - 1"
        + ("" if found.evaluation.practice == "2s" else ": older practice"),
        "deviation   position reached less target; + approached towards larger positions, - back",
    ]


def counted(n: int, word: str) -> str:
    """Return a number with its word, in the plural if there are several."""
    return f"{n} {word}{'' if n == 1 else 's'}"


def outcome(found: Judged) -> list[str]:
    """Return the verdict in words.

    Parameters
    ----------
    found : Judged
        The result.

    Returns
    -------
    list of str
        The lines.
    """
    um = micrometres(found)
    parts = []
    for one in found.verdicts:
        if one.met is None:
            parts.append(f"{one.symbol} is not evaluated on a long axis")
        else:
            sign = "keeps to" if one.met else "exceeds"
            parts.append(f"{one.symbol} {um(one.value)} {sign} {um(one.limit, exact=True)}")
    text = "; ".join(parts)
    if found.given:
        head = {True: "PASS", False: "FAIL", None: "NO VERDICT"}[found.met]
        lines = wrapped(f"{head}: {text}", "verdict     ")
    else:
        head = "none, no tolerance was given; by common practice, which has no source"
        lines = wrapped(f"{head}: {text}", "verdict     ")
    for one in found.verdicts:
        if one.doubtful:
            change = "fail" if one.met else "pass"
            lines += wrapped(
                f"{one.symbol} is too close to its tolerance for {_runs(found)} in a direction to "
                f"tell: its interval reaches across; more runs may make it {change}",
                "doubtful    ",
            )
    return lines


def _runs(found: Judged) -> str:
    least = int(min(runs.min() for runs in found.evaluation.deviations.runs))
    return counted(least, "run")


def figure_lines(found: Judged) -> list[str]:
    """Return the figures of the axis with their intervals and where they were decided.

    Parameters
    ----------
    found : Judged
        The result.

    Returns
    -------
    list of str
        A line for each symbol of the standard.
    """
    e, um = found.evaluation, micrometres(found)
    level = "" if found.uncertainty is None else f"{100.0 * found.uncertainty.level:g} % interval"
    rows: list[Sequence[str]] = [("figure", "", "", level, "decided at")]
    for symbol in SYMBOLS:
        value = e.symbols[symbol]
        text = "not evaluated" if math.isnan(value) else um(value)
        interval = ""
        if found.uncertainty is not None:
            low, high = found.uncertainty.intervals[symbol]
            interval = f"{um(low, unit=False)} to {um(high)}"
        places = " and ".join(_place(e, one) for one in e.decided[symbol])
        rows.append((f"  {symbol}", NAMES[symbol], text, interval, places))
    return columns(rows, "", left=(0, 1, 4))


def _place(e: Evaluation, place: Place) -> str:
    target = f"{units.convert(float(e.deviations.targets[place.target]), 'mm'):.7g} mm"
    return f"{target} {place.direction}".rstrip()


def tolerance_lines(found: Judged) -> list[str]:
    """Return the figures against their tolerances.

    Parameters
    ----------
    found : Judged
        The result.

    Returns
    -------
    list of str
        A line for each tolerance.
    """
    um = micrometres(found)
    head = "tolerance" if found.given else "common practice, no source"
    rows: list[Sequence[str]] = [(head, "largest", "", "found", "share of it", "")]
    for one in found.verdicts:
        wide = f"+-{um(0.5 * one.limit, exact=True)}" if one.symbol.startswith("A") else ""
        percent = 100.0 * one.value / one.limit
        share = "-" if one.met is None else f"{percent:{'.3g' if percent < 1000.0 else '.0f'}} %"
        value = "not evaluated" if one.met is None else um(one.value)
        cells = (um(one.limit, exact=True), wide, value, share, _verdict(one))
        rows.append((f"  {one.symbol}  {NAMES[one.symbol]}", *cells))
    return columns(rows, "", left=(0, 5))


def _verdict(one: Verdict) -> str:
    if one.met is None:
        return "not judged"
    return ("met" if one.met else "NOT MET") + (", doubtful" if one.doubtful else "")


def target_lines(e: Evaluation) -> list[str]:
    """Return the figures of each target.

    Parameters
    ----------
    e : Evaluation
        The test.

    Returns
    -------
    list of str
        A line for each target.
    """
    places = decimals(e)
    head = ("target [mm]", "mean +", "s +", "R +", "mean -", "s -", "R -", "mean", "B", "R")
    rows: list[Sequence[str]] = [(head[0], *head[1:-1], f"{head[-1]}  [um]")]
    for i, target in enumerate(e.deviations.targets):
        cells = []
        for name in _PER_TARGET:
            value = float(getattr(e, name)[i])
            number = f"{units.convert(value, 'um'):.{places}f}" if not math.isnan(value) else "-"
            cells.append(number.replace("-0." + "0" * places, "0." + "0" * places))
        cells[-1] += "      "  # as wide as the unit in the head
        rows.append((f"  {units.convert(float(target), 'mm'):.7g}", *cells))
    return columns(rows, "")


class Micrometres:
    """Lengths in micrometres, all with as many decimals."""

    def __init__(self, places: int) -> None:
        self._places = places

    def __call__(self, value: float, *, unit: bool = True, exact: bool = False) -> str:
        """Return a length [m] in micrometres, with its unit or without."""
        number = float(units.convert(float(value), "um"))
        text = f"{number:.6g}" if exact else f"{number + 0.0:.{self._places}f}"
        return f"{text} um" if unit else text


def micrometres(found: Judged) -> Micrometres:
    """Return how the lengths of a test are written."""
    return Micrometres(decimals(found.evaluation))


def as_json(found: Judged) -> dict[str, Any]:
    """Return everything about a test as values that strict JSON can hold.

    Parameters
    ----------
    found : Judged
        The result.

    Returns
    -------
    dict
        Version, file, how it was tested, metrics by the standard's symbols, their intervals, where
        they were decided, tolerances, figures of each target; SI units. A value that is not
        evaluated is None.
    """
    return strict(as_json_of_test(found))


def as_json_of_test(found: Judged) -> dict[str, Any]:
    """Return the same with numbers that JSON may not hold, for who adds to it."""
    e, test = found.evaluation, found.evaluation.deviations
    meaning = definitions(e.practice)
    spread = found.uncertainty
    return {
        "servosim": __version__,
        "file": found.name,
        "title": found.title,
        "remarks": list(test.remarks),
        "test": {
            "practice": e.practice,
            "travel": test.travel,
            "long_axis": e.long_axis,
            "targets": len(test.targets),
            "runs": [int(runs.min()) for runs in test.runs],
        },
        "metrics": {
            symbol: {"value": e.symbols[symbol], "unit": "m", "definition": meaning[symbol]}
            for symbol in SYMBOLS
        },
        "uncertainty": None
        if spread is None
        else {
            "level": spread.level,
            "resamples": spread.resamples,
            "seed": spread.seed,
            "intervals": {symbol: list(ends) for symbol, ends in spread.intervals.items()},
        },
        "decided_at": {
            symbol: [
                {"target": test.targets[one.target], "direction": one.direction or "both"}
                for one in places
            ]
            for symbol, places in e.decided.items()
        },
        "tolerances": [
            {
                "symbol": one.symbol,
                "limit": one.limit,
                "value": one.value,
                "met": one.met,
                "doubtful": one.doubtful,
                "given": one.given,
            }
            for one in found.verdicts
        ],
        "verdict": found.met if found.given else None,
        "targets": [
            {"target": target}
            | {name: getattr(e, name)[i] for name in _PER_TARGET}
            | {"runs_positive": test.runs[0][i], "runs_negative": test.runs[1][i]}
            for i, target in enumerate(test.targets)
        ],
        "warnings": list(found.notes),
    }
