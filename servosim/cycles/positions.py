"""The list of positions: read from a file, checked, resolved to absolute targets.

A list is a file of comma-separated values (semicolons and tabs will do too) with a header. Columns
are found by name, units stand in the header:

========================== =====================================================================
column                     what stands there, and what an empty cell or a missing column means
========================== =====================================================================
``target [mm]``            position, or distance from the target before; always needed
``mode``                   ``absolute`` (default) or ``incremental``
``approach``               direction from which the target is approached: ``+`` (in extension),
                           ``-`` or ``any`` (default)
``speed [%]``              override of the rapid velocity; 100 %
``thrust along [N]``       thrust against extension; 0 N
``thrust normal [N]``      thrust onto the ways; 0 N
``feed time [s]``          time of full thrust; 0 s
``dwell [s]``              time the axis waits in position besides; 0 s
``auxiliary``              actions such as ``tool change | coolant``, parted by ``|``; none
``auxiliary time [s]``     their times, parted by ``|`` as well
``comment``                anything; nothing
========================== =====================================================================

A number is written in plain digits with a decimal point, without unit and without parting of
thousands. A file with semicolons or tabs may state ``# decimal = comma`` instead. Lines that begin
with ``#`` are remarks; ``# title = ...`` gives the list its title, and ``# total ...`` is a control
total (:mod:`servosim.cycles.totals`). Each line has as many cells as the header.

Targets are summed up and converted in exact arithmetic and rounded once, to the nearest float.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass

from servosim.cycles._cells import SEVERAL, Cells, cells_of, key_of
from servosim.cycles._columns import Column, columns_of, near
from servosim.cycles._numbers import plain, with_unit
from servosim.cycles._sheet import Line, Sheet, read_sheet
from servosim.cycles._targets import absolute_targets, check_places
from servosim.cycles.totals import Total, check_totals, totals_of
from servosim.errors import Fault, ParameterError
from servosim.units import parse, quoted


@dataclass(frozen=True)
class Position:
    """One position of a list and what happens there.

    Parameters
    ----------
    line : int
        Line of the file, or place among the targets typed by hand, from 1.
    target : float
        Where the table shall go [m], from the retracted end.
    approach : str
        "+" in extension, "-" in retraction, or "any".
    speed : float
        Override of the rapid velocity [1].
    thrust_along : float
        Thrust along the axis [N], positive against extension.
    thrust_normal : float
        Thrust across the axis [N], positive onto the ways.
    feed_time : float
        Time of full thrust [s].
    dwell : float
        Time the axis waits in position besides [s].
    auxiliary : tuple of (str, float)
        Actions done in position before the feed, in their order, with their times [s].
    comment : str
        Anything.
    overrun : bool
        Whether the position is only run through, so that the next one is approached from the
        wanted side: no lock, no tool.
    """

    line: int
    target: float
    approach: str = "any"
    speed: float = 1.0
    thrust_along: float = 0.0
    thrust_normal: float = 0.0
    feed_time: float = 0.0
    dwell: float = 0.0
    auxiliary: tuple[tuple[str, float], ...] = ()
    comment: str = ""
    overrun: bool = False


@dataclass(frozen=True)
class PositionList:
    """Positions in the order in which they are run.

    Parameters
    ----------
    positions : tuple of Position
        At least one.
    path : str
        File they were read from, as the user named it; "" if there is none.
    totals : tuple of Total
        Control totals with which the list was found to agree.
    title : str
        What the list is for.
    notes : tuple of str
        What a reader of the list should know: columns without a control total, lines left out.
    """

    positions: tuple[Position, ...]
    path: str = ""
    totals: tuple[Total, ...] = ()
    title: str = ""
    notes: tuple[str, ...] = ()


def read_positions(
    path: str | os.PathLike[str],
    *,
    stroke: float | None = None,
    start: float | None = None,
    units: Mapping[str, str] | None = None,
) -> PositionList:
    """Read a list of positions and check it against its control totals.

    Parameters
    ----------
    path : str or os.PathLike
        The file, as the head of this module describes it. It is never searched for.
    stroke : float, optional
        Stroke of the axis [m]; targets must lie from 0 to it.
    start : float, optional
        Position before the first target [m]; needed if that is incremental.
    units : mapping of str to str, optional
        Unit by name of the column, for columns whose heading states none.

    Returns
    -------
    PositionList
        Absolute targets, in SI units.

    Raises
    ------
    ParameterError
        With every fault of the file, by line and column.
    """
    check_places(stroke, start)
    faults: list[Fault] = []
    sheet = read_sheet(path, faults)
    columns = columns_of(sheet, units or {}, faults)
    cells = cells_of(sheet, columns, faults)
    if not sheet.rows and not sheet.ragged:
        faults.append(
            Fault(sheet.name, "", "", "has no positions", "at least one line below the header")
        )
    title = _title(sheet, faults)
    _swallowed(sheet, columns, faults)
    totals = totals_of(sheet, columns, faults)
    check_totals(totals, sheet, columns, cells, faults)
    targets: dict[int, float] = {}
    if "target" in columns:
        targets = absolute_targets(sheet, columns, cells, stroke, start, faults)
    positions = tuple(
        made
        for row in sheet.rows
        if (made := _position(row, targets, columns, cells, sheet, faults)) is not None
    )
    if faults:
        raise ParameterError(sorted(faults, key=_line_of))
    notes = (*_remarked(sheet), *_uncovered(totals, columns))
    return PositionList(positions, sheet.name, totals, title, notes)


def _line_of(fault: Fault) -> int:
    """Return the line a fault names, so that they stand in the order of the file."""
    match = re.match(r"line (\d+)", fault.key)
    return int(match[1]) if match else 0


def _title(sheet: Sheet, faults: list[Fault]) -> str:
    title = ""
    for remark in sheet.remarks:
        word, sign, text = remark.cells[0].partition("=")
        if not sign or not word.strip():
            continue
        word = word.strip().casefold()
        if word == "title":
            if title:
                key = f"line {remark.number}"
                faults.append(Fault(sheet.name, "", key, "a second title", "one title"))
            title = text.strip()
        elif (close := near(word, ("title", "decimal"))) and word not in ("decimal", "decimals"):
            what = f"{quoted(word)} is not known"
            key = f"line {remark.number}"
            faults.append(Fault(sheet.name, "", key, what, "'# title = ...' or no '='", close))
    return title


def _position(
    row: Line,
    targets: Mapping[int, float],
    columns: Mapping[str, Column],
    cells: Cells,
    sheet: Sheet,
    faults: list[Fault],
) -> Position | None:
    line = row.number

    def value(name: str, default: float) -> float:
        numbers = cells.numbers.get(name, {}).get(line)
        if not numbers:
            return default
        unit = columns[name].unit
        return parse(f"{numbers[0]} {unit}", unit)

    def text(name: str) -> str:
        return cells.texts.get(name, {}).get(line, "")

    auxiliary = _auxiliary(line, row, columns, cells, sheet, faults)
    along, normal = value("thrust along", 0.0), value("thrust normal", 0.0)
    feed_time = value("feed time", 0.0)
    if (along or normal) and feed_time == 0.0 and ("feed time", line) not in cells.faulty:
        name = "thrust along" if along else "thrust normal"
        column = columns[name]
        number = plain(cells.numbers[name][line][0])
        what = f"a thrust of {with_unit(number, column.unit)} without a feed time"
        expected = "a feed time above zero, or no thrust"
        if "feed time" not in columns:
            expected = "a column 'feed time [s]', or no thrust"
        faults.append(Fault(sheet.name, "", key_of(line, column), what, expected))
    if line not in targets:
        return None
    return Position(
        line,
        targets[line],
        text("approach") or "any",
        value("speed", 1.0),
        along,
        normal,
        feed_time,
        value("dwell", 0.0),
        auxiliary,
        text("comment"),
    )


def _auxiliary(
    line: int,
    row: Line,
    columns: Mapping[str, Column],
    cells: Cells,
    sheet: Sheet,
    faults: list[Fault],
) -> tuple[tuple[str, float], ...]:
    """Return the actions of a line with their times."""
    if "auxiliary" not in columns or "auxiliary time" not in columns:
        return ()
    if ("auxiliary", line) in cells.faulty or ("auxiliary time", line) in cells.faulty:
        return ()
    column, written = columns["auxiliary time"], cells.texts["auxiliary"][line]
    names = [name.strip() for name in written.split(SEVERAL)] if written else []
    times = cells.numbers["auxiliary time"].get(line, ())
    if len(names) != len(times) or not all(names):
        what = f"{len(times)} time{'s' * (len(times) != 1)}"
        if times:
            what += f" ({row.cells[column.place]} {column.unit})"
        named = f" ({', '.join(names)})" if names else ""
        what += f" for {len(names)} auxiliary action{'s' * (len(names) != 1)}{named}"
        expected = f"a name and a time for each, parted by '{SEVERAL}'; 0 for one that takes none"
        faults.append(Fault(sheet.name, "", key_of(line, column), what, expected))
        return ()
    return tuple(
        (name, parse(f"{number} {column.unit}", column.unit))
        for name, number in zip(names, times, strict=True)
    )


def _like_rows(sheet: Sheet) -> list[Line]:
    """Return the remarks that look like positions."""
    width = len(sheet.header.cells)
    plain_remarks = [one for one in sheet.remarks if "=" not in one.cells[0]]
    if width == 1:
        return [one for one in plain_remarks if re.match(r"[+-]?[0-9.,]+$", one.cells[0])]
    return [one for one in plain_remarks if one.cells[0].count(sheet.separator) == width - 1]


def _swallowed(sheet: Sheet, columns: Mapping[str, Column], faults: list[Fault]) -> None:
    """Refuse remarks that may be positions whose first cell is a text that begins with "#"."""
    first = [one for one in columns.values() if one.place == 0 and not one.unit]
    if not first or first[0].kind.choices:
        return
    for remark in _like_rows(sheet):
        what = f"{quoted('#' + remark.cells[0])} may be a remark or a position"
        expected = "'#' at the beginning of remarks alone; another column in the first place"
        key = key_of(remark.number, first[0])
        faults.append(Fault(sheet.name, "", key, what, expected))


def _remarked(sheet: Sheet) -> list[str]:
    """Return notes on remarks that look like positions taken out."""
    return [
        f"line {remark.number} begins with '#' and is no position: {quoted(remark.cells[0])}"
        for remark in _like_rows(sheet)
    ]


def _uncovered(totals: tuple[Total, ...], columns: Mapping[str, Column]) -> list[str]:
    """Return a note on what no control total guards."""
    covered = {total.column for total in totals}
    missing = ["lines"] if "lines" not in covered else []
    missing += [name for name, one in columns.items() if one.unit and name not in covered]
    return [f"no control total for: {', '.join(missing)}"] if missing else []
