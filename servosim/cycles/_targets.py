"""Targets as positions: distances added up exactly, the limits of the stroke."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from fractions import Fraction

from servosim.cycles._cells import Cells, key_of
from servosim.cycles._columns import Column
from servosim.cycles._numbers import exact, shown, with_unit
from servosim.cycles._sheet import Sheet
from servosim.errors import Fault, ParameterError
from servosim.units import format_quantity

LONGEST = 20.0
"""The longest stroke that a parameter file may state [m]."""


def absolute_targets(
    sheet: Sheet,
    columns: Mapping[str, Column],
    cells: Cells,
    stroke: float | None,
    start: float | None,
    faults: list[Fault],
) -> dict[int, float]:
    """Return the absolute targets of a list, distances added up exactly.

    Parameters
    ----------
    sheet : Sheet
        The file.
    columns : mapping of str to Column
        Its columns; "target" is among them.
    cells : Cells
        Their contents.
    stroke, start : float, optional
        Stroke of the axis and position before the first target [m].
    faults : list of Fault
        Takes targets outside the stroke, and distances from nowhere.

    Returns
    -------
    dict of int to float
        Target by line [m].
    """
    column, highest = columns["target"], LONGEST if stroke is None else stroke
    limits = f"{format_quantity(0.0, column.unit)} to {format_quantity(highest, column.unit)}"
    limits += ", the stroke" if stroke is not None else ""
    before: Fraction | None = None if start is None else exact_start(start)
    told = False  # whether a fault says already why it is not known where an increment starts
    left_out = list(sheet.ragged)
    targets: dict[int, float] = {}

    def fault(line: int, what: str, expected: str) -> None:
        faults.append(Fault(sheet.name, "", key_of(line, column), what, expected))

    for row in sheet.rows:
        line, text = row.number, row.cells[column.place]
        if left_out and left_out[0] < line:
            before, told = None, True
            left_out = [one for one in left_out if one > line]
        numbers = cells.numbers["target"].get(line)
        mode = cells.texts.get("mode", {}).get(line, "")
        if numbers is None or ("mode", line) in cells.faulty:
            before, told = None, True
            continue
        place = f"'{with_unit(text, column.unit)}'"
        if not mode and text.startswith("+"):
            fault(line, f"{place} has a sign '+' and no mode", "'absolute' or 'incremental'")
            before, told = None, True
            continue
        if mode == "incremental":
            if before is None:
                if not told:
                    expected = "'absolute' for the first position, or a position to start from"
                    fault(line, f"{place} is incremental, and nothing stands before", expected)
                told = True
                continue
            before += exact(numbers[0], column.unit)
            place += f" leads to {shown(before, column.unit)}, which"
        else:
            before = exact(numbers[0], column.unit)
        target = float(before)
        if not 0.0 <= target <= highest:
            what = f"{place} is outside the {'stroke' if stroke is not None else 'range'}"
            if not mode and numbers[0] < 0:
                what += "; a distance needs the mode 'incremental'"
            fault(line, what, limits)
        targets[line] = target + 0.0
    return targets


def check_places(stroke: float | None, start: float | None) -> None:
    """Refuse a stroke or a position to start from that cannot be one.

    Parameters
    ----------
    stroke, start : float, optional
        Stroke of the axis and position before the first target [m].

    Raises
    ------
    ParameterError
        If the stroke is not above zero, or the start outside the stroke.
    """
    if stroke is not None and not 0.0 < stroke <= LONGEST:
        raise ParameterError(f"a stroke of {stroke} m; expected more than 0 m, at most {LONGEST} m")
    highest = LONGEST if stroke is None else stroke
    if start is not None and not 0.0 <= start <= highest:
        raise ParameterError(f"a start at {start} m; expected 0 m to {highest} m")


def exact_start(start: float) -> Fraction:
    """Return the position that the shortest text of a float states.

    Parameters
    ----------
    start : float
        Position [m].

    Returns
    -------
    fractions.Fraction
        The same position [m], such as 1/4 for 0.25 or 1/10 for 0.1.
    """
    return Fraction(Decimal(repr(float(start))))
