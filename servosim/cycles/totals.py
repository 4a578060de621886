"""Control totals: the number of lines and the sums of columns, as the worksheet has them.

A list may carry them as remarks at its head or foot::

    # total lines = 200
    # total target [mm] = 70000.000
    # total feed time [s] = 480

The sum of a column is that of the numbers as they stand there, increments as increments; empty
cells add nothing, several times in one cell are added too. Sums are formed in decimal arithmetic on
the written text (``decimal`` of the standard library, no digit rounded), a total in another unit of
the same quantity is converted exactly, and both must be equal. So a digit, a sign or a point that
was changed in a column with a total cannot pass; two changes that cancel out, or positions in
another order, can.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Context, Decimal, localcontext

from servosim._spellings import GROUPS
from servosim.cycles._causes import likely_causes
from servosim.cycles._cells import Cells
from servosim.cycles._columns import KINDS, Column, near, parted, unit_fault
from servosim.cycles._numbers import (
    NotANumber,
    decimal_of,
    exact,
    exact_sum,
    in_unit,
    shown,
    with_unit,
)
from servosim.cycles._sheet import Line, Sheet
from servosim.errors import Fault
from servosim.units import group_of, quoted

_FIRST_WORDS = ("total", "totals", "control total", "sum", "checksum", "control sum")
_LINES = "lines"


@dataclass(frozen=True)
class Total:
    """A control total as the worksheet has it.

    Parameters
    ----------
    column : str
        Name of the column, or "lines" for their number.
    unit : str
        Unit in which it is written; "" for the number of lines.
    written : str
        The number as it stands in the file.
    line : int
        Line of the file.
    """

    column: str
    unit: str
    written: str
    line: int


def totals_of(
    sheet: Sheet, columns: Mapping[str, Column], faults: list[Fault]
) -> tuple[Total, ...]:
    """Return the control totals among the remarks of a file.

    Parameters
    ----------
    sheet : Sheet
        The file.
    columns : mapping of str to Column
        Its columns.
    faults : list of Fault
        Takes totals that cannot be read, or whose column is not there.

    Returns
    -------
    tuple of Total
        Those that can be checked.
    """
    found: dict[str, Total] = {}
    for remark in sheet.remarks:
        if not _means_a_total(remark.cells[0]):
            continue
        made = _total(remark, sheet, columns)
        if isinstance(made, Fault):
            faults.append(made)
        elif made is not None and made.column in found:
            first = found[made.column].line
            what = f"a second control total of '{made.column}'; the first is in line {first}"
            expected = "each total once"
            faults.append(Fault(sheet.name, "", f"line {remark.number}", what, expected))
        elif made is not None:
            found[made.column] = made
    return tuple(found.values())


def _means_a_total(text: str) -> bool:
    """Return whether a remark is meant as a control total, rightly written or not."""
    if re.match(r"(title|decimals?)\s*=", text, re.IGNORECASE):
        return False
    words = re.findall(r"[^\W\d_]+", text.casefold())
    starts = [" ".join(words[:count]) for count in (1, 2)]
    if any(difflib.get_close_matches(one, _FIRST_WORDS, n=1, cutoff=0.8) for one in starts):
        return True
    return "=" in text and any(word in _FIRST_WORDS for word in words)


def _total(remark: Line, sheet: Sheet, columns: Mapping[str, Column]) -> Total | Fault | None:
    """Return the total in a remark, what is wrong with it, or None if its column has a fault."""
    text = remark.cells[0]
    numeric = [one for one in columns.values() if one.unit]
    forms = ["'# total lines = 200'"] + [
        f"'# total {one.kind.name} [{one.unit}] = 123.4'" for one in numeric[:1]
    ]

    def fault(what: str, expected: str, nearest: str = "") -> Fault:
        return Fault(sheet.name, "", f"line {remark.number}", what, expected, nearest)

    match = re.fullmatch(r"total\s+([^=]*?)\s*=\s*([^=]*)", text, re.IGNORECASE)
    name = parted(match[1]) if match else None
    if match is None or name is None or not match[2].strip():
        close = "total" if re.match(r"total\b", text, re.IGNORECASE) is None else ""
        return fault(f"{quoted('# ' + text)} is no control total", " or ".join(forms), close)
    column, unit = name
    names = (_LINES, *(one.kind.name for one in numeric))
    headings = [parted(cell) for cell in sheet.header.cells]
    if column in columns and column not in names:
        return fault(f"a control total of '{column}', which holds text", f"{', '.join(names)}")
    if column not in names and any(one is not None and one[0] == column for one in headings):
        return None  # the heading is among the faults
    if column in KINDS and column not in columns and _unread(headings):
        return None  # perhaps it is one of the headings that are among the faults
    if column not in names:
        what = f"a control total of {quoted(column)}, which is no column of this list"
        return fault(what, f"one of {', '.join(names)}", near(column, names))
    try:
        number = decimal_of(match[2], comma=sheet.comma)
    except NotANumber as error:
        wanted = "a number" if column == _LINES else "a number, its unit in brackets before '='"
        return fault(f"the control total of '{column}': {quoted(match[2])} {error}", wanted)
    if column == _LINES:
        if unit is not None or number != number.to_integral_value() or number < 0:
            said = match[2] if unit is None else f"{match[2]} [{unit}]"
            return fault(f"{quoted(said)} is no number of lines", "a whole number without unit")
        return Total(column, "", match[2].strip(), remark.number)
    kind = columns[column].kind
    if unit is None:
        heading = f"'# total {column} [{columns[column].unit}] = {match[2]}'"
        return fault(f"the control total of '{column}' has no unit", heading)
    wrong = unit_fault(unit, kind)
    if wrong:
        group = group_of(kind.unit)
        return fault(f"the control total of '{column}': {wrong}", f"{group} in {GROUPS[group]}")
    return Total(column, unit, match[2].strip(), remark.number)


def _unread(headings: list[tuple[str, str | None] | None]) -> bool:
    """Return whether a heading names no column of a position list."""
    return any(one is None or (one[0] != "" and one[0] not in KINDS) for one in headings)


def check_totals(
    totals: tuple[Total, ...],
    sheet: Sheet,
    columns: Mapping[str, Column],
    cells: Cells,
    faults: list[Fault],
) -> None:
    """Compare the control totals with what the list adds up to.

    Parameters
    ----------
    totals : tuple of Total
        From the worksheet.
    sheet : Sheet
        The file.
    columns : mapping of str to Column
        Its columns.
    cells : Cells
        Their numbers. A column in which a cell cannot be read is not summed.
    faults : list of Fault
        Takes each total that does not agree.
    """
    surplus: int | None = None
    for total in totals:
        if total.column == _LINES:
            found = len(sheet.rows) + len(sheet.ragged)
            wanted = int(decimal_of(total.written, comma=sheet.comma))
            surplus = found - wanted
            if surplus:
                faults.append(_lines_fault(total, wanted, found, sheet))
    for total in totals:
        if total.column == _LINES:
            continue
        number = decimal_of(total.written, comma=sheet.comma)
        column = columns[total.column]
        if sheet.ragged or any(name == total.column for name, _ in cells.faulty):
            continue
        entries = [
            (line, one) for line, several in cells.numbers[total.column].items() for one in several
        ]
        found_sum = exact_sum(one for _, one in entries)
        if exact(found_sum, column.unit) != exact(number, total.unit):
            faults.append(_sum_fault(total, number, found_sum, column, entries, surplus, sheet))


def _lines_fault(total: Total, number: int, found: int, sheet: Sheet) -> Fault:
    apart = abs(found - number)
    what = (
        f"the worksheet has {number} line{'s' * (number != 1)}, the list {found}: "
        f"{apart} too {'many' if found > number else 'few'}"
    )
    expected = "every position of the worksheet once"
    return Fault(sheet.name, "", f"line {total.line}, total of the lines", what, expected)


def _sum_fault(
    total: Total,
    number: Decimal,
    found: Decimal,
    column: Column,
    entries: list[tuple[int, Decimal]],
    surplus: int | None,
    sheet: Sheet,
) -> Fault:
    """Return what the worksheet says, what the list adds up to, the difference, likely causes."""
    wanted, is_sum = exact(number, total.unit), exact(found, column.unit)
    in_column = in_unit(wanted, column.unit)
    # one unit for all three numbers, in which both sums have an end
    units = (column.unit, total.unit) if in_column is not None else (total.unit, column.unit)
    apart = is_sum - wanted
    written = with_unit(total.written, total.unit)
    what = f"the worksheet's control total is {written}"
    if units[0] != total.unit:
        what += f" ({shown(wanted, *units)})"
    what += f", the list adds up to {shown(is_sum, *units)}: {shown(abs(apart), *units)} "
    what += "too much" if apart > 0 else "too little"
    if in_unit(is_sum, total.unit) is None and abs(apart) <= abs(exact(_last(number), total.unit)):
        where = f"in the unit '{total.unit}' the decimals of this sum have no end"
        causes = [f"{where}: write the total in {column.unit}"]
    elif in_column is None:
        causes = []
    else:
        causes = likely_causes(found, _with_digits(number, total.unit, column), entries, surplus)
    if causes:
        what += f"; likely cause: {'; '.join(causes)}"
    key = f"line {total.line}, total of column '{column.heading}'"
    return Fault(sheet.name, "", key, what, "the numbers of the worksheet, in all its lines")


def _last(number: Decimal) -> Decimal:
    """Return one in the last digit of a number as it is written."""
    exponent = number.as_tuple().exponent
    return Decimal((0, (1,), exponent if isinstance(exponent, int) else 0))


def _with_digits(number: Decimal, unit: str, column: Column) -> Decimal:
    """Return a total in the unit of its column, with as many digits as are written.

    So 69.650 m are 69650. mm, and 69650.000 mm keep their three decimals.
    """
    made = in_unit(exact(number, unit), column.unit)
    last = in_unit(exact(_last(number), unit), column.unit)
    assert made is not None  # the caller asked for that
    if last is None or last.normalize().as_tuple().digits != (1,):
        return made
    with localcontext(Context(prec=200)):
        return made.quantize(last.normalize())
