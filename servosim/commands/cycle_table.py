"""The table of a cycle for people: a line for each position, or for those that tell the most."""

from __future__ import annotations

import math
from collections.abc import Sequence

from servosim import units
from servosim._lines import columns, wrapped
from servosim._practical import percentage
from servosim.commands.cycle_statistics import FIGURES, SIGNED, Statistic, outstanding, statistics
from servosim.cycles.result import PARTS, Cycle

MOST_LINES = 24
_EDGE = 3
# column of the table, what stands over it, unit, digits behind the point
_SHOWN = (
    ("target", "target", "mm", 3),
    ("move_time", "move", "s", 3),
    ("settling_time", "settled", "s", 3),
    ("error_before_lock", "before", "um", 2),
    ("error_locked", "locked", "um", 2),
    ("error_under_thrust", "thrust", "um", 2),
    ("drift", "drift", "um", 2),
    ("unlock_bump", "bump", "um", 2),
    ("time", "in all", "s", 3),
)
WORDS = {
    "move_time": "move, to the confirmed lock",
    "settling_time": "settling",
    "error_before_lock": "error before the lock",
    "error_locked": "error locked",
    "error_under_thrust": "error under thrust",
    "drift": "drift while locked",
    "unlock_bump": "bump as the lock opens",
    "time": "time of the position",
}
PART_WORDS = {
    "time_moving": "moving",
    "time_settling": "settling",
    "time_locking": "locking",
    "time_auxiliary": "auxiliary actions",
    "time_feed": "feed",
    "time_dwell": "dwell",
    "time_release": "release",
    "time_overruns": "overruns before an approach",
}


def number_text(value: float, unit: str, digits: int) -> str:
    """Return an SI value in a unit without naming it, "-" if there is none.

    Parameters
    ----------
    value : float
        Value [SI].
    unit : str
        Unit to show.
    digits : int
        Digits behind the point; fewer for a number of a thousand and more.

    Returns
    -------
    str
        Such as "-1.50".

    Examples
    --------
    >>> number_text(-1.5e-6, "um", 2), number_text(float("nan"), "s", 3)
    ('-1.50', '-')
    """
    if math.isnan(value):
        return "-"
    shown = units.convert(float(value), unit)
    return f"{shown:.{digits if abs(shown) < 1e4 else 0}f}"


def position_lines(cycle: Cycle, *, whole: bool = False) -> list[str]:
    """Return the table of the positions.

    Parameters
    ----------
    cycle : Cycle
        The cycle.
    whole : bool
        Whether all positions are shown, however many.

    Returns
    -------
    list of str
        All positions of a short list; of a long one the first, those that are the worst in
        something, and the last.
    """
    if not cycle.done:
        return []
    worst = outstanding(cycle) if cycle.totals["positions"] > 1.0 else {}
    if whole or cycle.done <= MOST_LINES:
        places = list(range(cycle.done))
    else:
        edges = {*range(_EDGE), *range(cycle.done - _EDGE, cycle.done)}
        places = sorted(edges | set(worst))
    held = [one for one in _SHOWN if not _empty(cycle, one[0])]
    rows: list[Sequence[str]] = [
        ("  line", *(f"{title} " for _, title, _, _ in held), ""),
        ("", *(f"{unit} " for _, _, unit, _ in held), ""),
    ]
    before = -1
    for place in places:
        if place != before + 1:
            rows.append(("  ...", *("" for _ in held), ""))
        before = place
        marked = worst.get(place, [])
        cells = [
            number_text(cycle.table[name][place], unit, d) + ("*" if name in marked else " ")
            for name, _, unit, d in held
        ]
        line = f"  {int(cycle.table['line'][place])}"
        rows.append((line, *cells, _remark(cycle, place)))
    if places[-1] != cycle.done - 1:
        rows.append(("  ...", *("" for _ in held), ""))
    head = "errors are target less position: before the lock, locked, under thrust"
    head += "; * the worst" if worst else ""
    if len(places) < cycle.done:
        some = f"first, worst and last of {cycle.done} (--all shows all, --output writes them)"
        head = f"{some}; {head}"
    return [*wrapped(head, "positions   "), *columns(rows, "", left=(0, len(held) + 1))]


def _empty(cycle: Cycle, name: str) -> bool:
    return all(math.isnan(value) for value in cycle.table[name])


def _remark(cycle: Cycle, place: int) -> str:
    """Return what is to be said of a position."""
    said = [cycle.comments[place]] if cycle.comments[place] else []
    if cycle.table["settled"][place] == 0.0:
        said.append("NOT SETTLED")
    return "; ".join(said)


def statistic_lines(cycle: Cycle) -> list[str]:
    """Return the figures over all positions.

    Parameters
    ----------
    cycle : Cycle
        The cycle.

    Returns
    -------
    list of str
        Mean, standard deviation, smallest and largest value with their lines.
    """
    found = statistics(cycle)
    if not found or max(one.count for one in found.values()) < 2:
        return []
    head = ("mean", "standard deviation", "smallest", "line", "largest", "line")
    rows: list[Sequence[str]] = [("over all positions", "", *head, "")]
    total = int(cycle.totals["positions"])
    for name in FIGURES:
        if name in found:
            rows.append(_statistic_row(name, found[name], total))
    return columns(rows, "", left=(0, 1, 8))


def _statistic_row(name: str, one: Statistic, total: int) -> Sequence[str]:
    unit, digits = ("um", 2) if name in SIGNED else ("s", 3)
    numbers = [number_text(x, unit, digits) for x in (one.mean, one.deviation, one.low, one.high)]
    mean, deviation, low, high = numbers
    lines = (str(one.low_line), str(one.high_line))
    held = f"{one.count} of {total}" if one.count != total else ""
    return (f"  {WORDS[name]}", unit, mean, deviation, low, lines[0], high, lines[1], held)


def time_lines(cycle: Cycle) -> list[str]:
    """Return where the time of a cycle goes.

    Parameters
    ----------
    cycle : Cycle
        The cycle.

    Returns
    -------
    list of str
        For each part its time, its share and the mean of a position.
    """
    whole, count = cycle.totals["cycle_time"], cycle.totals["positions"]
    if not whole > 0.0:
        return []
    rows: list[Sequence[str]] = [("where the time goes", "time", "share", "a position")]
    for name in (*PARTS, "time_overruns"):
        time = cycle.totals[name]
        if time == 0.0:
            continue
        mean = f"{time / count:.3f} s" if count else "-"
        share = f"{percentage(time / whole)} %"
        rows.append((f"  {PART_WORDS[name]}", f"{time:.1f} s", share, mean))
    mean = f"{whole / count:.3f} s" if count else "-"
    rows.append(("  cycle", f"{whole:.1f} s", "100 %", mean))
    return columns(rows, "")
