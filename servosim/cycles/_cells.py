"""What stands in the cells of a position list, each judged by itself."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from functools import cache

from servosim.cycles._columns import Column, Kind, near
from servosim.cycles._numbers import NotANumber, decimal_of, with_unit
from servosim.cycles._sheet import Line, Sheet
from servosim.errors import Fault, UnitError
from servosim.units import format_quantity, parse, quoted

SEVERAL = "|"


@dataclass(frozen=True)
class Cells:
    """The readable contents of the columns.

    Parameters
    ----------
    texts : dict of str to dict of int to str
        By column and line what stands in a column of text.
    numbers : dict of str to dict of int to tuple of decimal.Decimal
        By column and line the numbers of a cell; empty cells are left out.
    faulty : set of (str, int)
        Columns and lines with a fault.
    """

    texts: dict[str, dict[int, str]]
    numbers: dict[str, dict[int, tuple[Decimal, ...]]]
    faulty: set[tuple[str, int]]


def key_of(line: int, column: Column) -> str:
    """Return the place of a cell as faults name it.

    Parameters
    ----------
    line : int
        Line of the file.
    column : Column
        Its column.

    Returns
    -------
    str
        Such as "line 12, column 'target [mm]'".
    """
    return f"line {line}, column '{column.heading}'"


def cells_of(sheet: Sheet, columns: Mapping[str, Column], faults: list[Fault]) -> Cells:
    """Return what stands in the cells, each judged by itself.

    Parameters
    ----------
    sheet : Sheet
        The file.
    columns : mapping of str to Column
        Its columns.
    faults : list of Fault
        Takes every cell that cannot be read.

    Returns
    -------
    Cells
        Texts and numbers.
    """
    cells = Cells(
        {name: {} for name, one in columns.items() if not one.unit},
        {name: {} for name, one in columns.items() if one.unit},
        set(),
    )
    for row in sheet.rows:
        for name, column in columns.items():
            text = row.cells[column.place]
            if column.unit:
                numbers, found = _numbers(text, column, sheet)
                if numbers:
                    cells.numbers[name][row.number] = numbers
            else:
                text, found = _text(text, column, row, columns, sheet)
                cells.texts[name][row.number] = text
            if found is not None:
                what, expected, nearest = found
                key = key_of(row.number, column)
                faults.append(Fault(sheet.name, "", key, what, expected, nearest))
                cells.faulty.add((name, row.number))
    return cells


_Wrong = tuple[str, str, str] | None


def _numbers(text: str, column: Column, sheet: Sheet) -> tuple[tuple[Decimal, ...], _Wrong]:
    """Return the numbers of a cell, and what is wrong with them."""
    kind, unit = column.kind, column.unit
    if not text:
        return (), ("has no target", f"a number in {unit}", "") if kind.name == "target" else None
    parts = text.split(SEVERAL) if kind.name == "auxiliary time" else [text]
    numbers = []
    example = "412,5" if sheet.comma else "412.5"
    for part in parts:
        try:
            number = decimal_of(part, comma=sheet.comma)
        except NotANumber as error:
            where = "" if unit == "1" else f" in {unit}"
            expected = f"a number{where} such as {example}"
            if "," in part and not sheet.comma and sheet.separator != ",":
                expected += ", or '# decimal = comma' at the head of the file"
            return (), (f"{quoted(part.strip())} {error}", expected, "")
        outside = _outside(number, unit, kind)
        if outside:
            return (), (f"{quoted(with_unit(part.strip(), unit))} {outside[0]}", outside[1], "")
        numbers.append(number)
    return tuple(numbers), None


def _outside(number: Decimal, unit: str, kind: Kind) -> tuple[str, str] | None:
    """Return what is wrong with a number of a column and what would do; None if it is inside."""
    try:
        value = parse(f"{number} {unit}", kind.unit)
    except UnitError as error:
        return f"cannot be held: {error}", "a number of a usual size"
    if not kind.low:
        return None
    low, high = _limits(kind)
    too_low = value < low or (kind.above and value == low)
    if not too_low and value <= high:
        return None
    lowest, highest = (format_quantity(limit, unit) for limit in (low, high))
    expected = f"more than {lowest}, at most {highest}" if kind.above else f"{lowest} to {highest}"
    return "is too low" if too_low else "is too high", expected


@cache
def _limits(kind: Kind) -> tuple[float, float]:
    """Return the limits of a column in SI units."""
    return parse(kind.low, kind.unit), parse(kind.high, kind.unit)


def _text(
    text: str, column: Column, row: Line, columns: Mapping[str, Column], sheet: Sheet
) -> tuple[str, _Wrong]:
    """Return the text of a cell in its proper spelling, and what is wrong with it."""
    kind = column.kind
    if kind.choices:
        said = text.casefold()
        if not said or said in kind.choices:
            return said, None
        named = ", ".join(f"'{one}'" for one in kind.choices)
        return "", (
            f"{quoted(text)} is not known",
            f"{named} or an empty cell",
            near(said, kind.choices),
        )
    if not text.isprintable():
        return "", (f"{quoted(text)} has characters that cannot be printed", "words", "")
    if kind.name == "comment" and sheet.separator == "," and text.isascii() and text.isdigit():
        left = [one for one in columns.values() if one.place == column.place - 1 and one.unit]
        if left and row.cells[left[0].place]:
            whole = f"{row.cells[left[0].place]},{text}"
            what = f"{quoted(text)} is a bare number beside a number: a decimal comma in '{whole}'?"
            return "", (what, "decimals after a point; a word in the comment, as in 'hole 5'", "")
    return text, None
