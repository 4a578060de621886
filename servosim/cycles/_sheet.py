"""A file of comma-separated values as lines and cells, before anything is made of their contents.

Read with ``csv`` of the standard library, one line of the file at a time: it keeps the text of
every number as it was written and the number of its line, which a reader that makes numbers at once
does not.
"""

from __future__ import annotations

import csv
import difflib
import io
import os
import re
from dataclasses import dataclass
from pathlib import Path

from servosim._text_file import content_of, decoded, refusal
from servosim.errors import Fault, ParameterError
from servosim.units import quoted

_LARGEST = 20_000_000
_SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs"}
_FIRST_LINE = re.compile(r"sep=([,;\t])[,;\t]*\s*", re.IGNORECASE)


@dataclass(frozen=True)
class Line:
    """One line of the file, numbered as in the file, with its cells or its remark.

    Parameters
    ----------
    number : int
        From 1.
    cells : tuple of str
        Contents without blanks at either end; one cell, the text behind "#", if it is a remark.
    """

    number: int
    cells: tuple[str, ...]


@dataclass(frozen=True)
class Sheet:
    """A file parted into header, rows and remarks.

    Parameters
    ----------
    name : str
        The file as the user named it.
    separator : str
        What parts the cells.
    comma : bool
        Whether decimals stand after a comma, as the file states.
    header : Line
        Names of the columns.
    rows : tuple of Line
        What stands below; as many cells as the header.
    ragged : tuple of int
        Numbers of the lines that were left out because their cells do not fit.
    remarks : tuple of Line
        Lines that begin with "#".
    """

    name: str
    separator: str
    comma: bool
    header: Line
    rows: tuple[Line, ...]
    ragged: tuple[int, ...]
    remarks: tuple[Line, ...]


def read_sheet(path: str | os.PathLike[str], faults: list[Fault]) -> Sheet:
    """Read a file and part it into lines and cells.

    Parameters
    ----------
    path : str or os.PathLike
        The file, UTF-8 with or without a byte order mark; cells parted by commas, semicolons or
        tabs.
    faults : list of Fault
        Takes what is wrong in single lines.

    Returns
    -------
    Sheet
        Lines whose cells do not fit the header are left out and are among the faults.

    Raises
    ------
    ParameterError
        If the file cannot be read, or has no header to read it by.
    """
    name = os.fsdecode(path)
    name = name if name.isprintable() else ascii(name)
    lines = list(enumerate(io.StringIO(_load(Path(os.fsdecode(path)), name), newline=None), 1))
    separator = ""
    if lines and (first := _FIRST_LINE.fullmatch(lines[0][1])):
        separator = first[1]
        lines = lines[1:]
    remarks, written = [], []
    for number, text in lines:
        remark = _remark(text)
        if remark is not None:
            remarks.append(Line(number, (remark,)))
        elif text.strip(" \t,;\r\n\N{NO-BREAK SPACE}"):
            written.append((number, text.rstrip("\r\n")))
        elif text.strip():
            written.append((number, ""))  # cells without contents
    while written and not written[-1][1]:  # as spreadsheets leave them below the table
        written.pop()
    while written and not written[0][1]:
        written.pop(0)
    if not written:
        raise ParameterError(
            Fault(name, "", "", "has no header", "a line such as 'target [mm],comment'")
        )
    comma = _decimal_comma(remarks, name, faults)
    number, text = written[0]
    separator = separator or _separator(text, number, name, comma)
    if comma and separator == ",":
        faults.append(
            Fault(
                name,
                "",
                f"line {number}",
                "the cells are parted by commas, and so would be the decimals of every number",
                "cells parted by semicolons, or decimals after a point",
            )
        )
    header = _cells(text, number, separator, name, faults)
    if header is None:
        raise ParameterError(faults)
    rows, ragged = _rows(written[1:], separator, len(header), name, faults)
    head = Line(number, header)
    return Sheet(name, separator, comma, head, tuple(rows), tuple(ragged), tuple(remarks))


def _load(path: Path, name: str) -> str:
    """Return the text of a file, or say why it cannot be read."""
    kind = "a CSV file"
    content = content_of(path, name, kind, _LARGEST, _similar)
    if len(content) > _LARGEST:
        what = f"is larger than {_LARGEST // 1_000_000} MB"
        raise refusal(name, what, "a list of positions")
    if content.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\0" in content[:1000]:
        what = "is not UTF-8 but UTF-16 or no text at all"
        raise refusal(name, what, f"{kind} saved as UTF-8")
    return decoded(content, name, kind)


def _similar(path: Path) -> str:
    """Return the name of a file beside that may have been meant, or ""."""
    try:
        names = [one.name for one in list(path.parent.glob("*.csv"))[:200]]
    except (OSError, ValueError):
        names = []
    return "".join(difflib.get_close_matches(path.name, names, n=1))


def _remark(text: str) -> str | None:
    """Return the text of a line that begins with "#", or None.

    A spreadsheet adds empty cells behind it and may put it in quotes.
    """
    text = text.strip()
    bare = text.rstrip(",;\t ")
    if text.startswith("#"):
        return bare.lstrip("#").strip()
    if re.fullmatch(r'"#(?:[^"]|"")*"', bare):
        return bare[1:-1].replace('""', '"').lstrip("#").strip()
    return None


def _decimal_comma(remarks: list[Line], name: str, faults: list[Fault]) -> bool:
    """Return whether a remark states that decimals stand after a comma."""
    stated = ""
    for line in remarks:
        match = re.fullmatch(r"decimals?\s*=\s*(.*)", line.cells[0], re.IGNORECASE)
        if match is None:
            continue
        said = match[1].strip().casefold()
        if said not in ("comma", "point") or (stated and said != stated):
            faults.append(
                Fault(
                    name,
                    "",
                    f"line {line.number}",
                    f"{quoted(match[1])} does not say where the decimals stand",
                    "'# decimal = comma' or '# decimal = point', once",
                )
            )
        else:
            stated = said
    return stated == "comma"


def _separator(text: str, number: int, name: str, comma: bool) -> str:
    """Return what parts the cells of the header."""
    outside = re.sub(r'"[^"]*"|\[[^\]]*\]', "", text)
    used = [one for one in _SEPARATORS if one in outside]
    if len(used) > 1:
        kinds = " and ".join(_SEPARATORS[one] for one in used)
        raise ParameterError(
            Fault(
                name,
                "",
                f"line {number}",
                f"the header has {kinds}: it is not clear what parts the cells",
                "one of comma, semicolon and tab; names that contain one in quotes",
            )
        )
    if used:
        return used[0]
    return ";" if comma else ","


def _cells(
    text: str, number: int, separator: str, name: str, faults: list[Fault]
) -> tuple[str, ...] | None:
    """Return the cells of a line; a fault and None if its quotes do not match."""
    try:
        reader = csv.reader([text], delimiter=separator, strict=True, skipinitialspace=True)
        return tuple(cell.strip() for cell in next(reader))
    except (csv.Error, StopIteration):
        faults.append(
            Fault(
                name,
                "",
                f"line {number}",
                f"{quoted(text)} cannot be parted into cells: a quote stands alone or inside a "
                "cell",
                'a cell in quotes as a whole, and quotes inside it doubled: "3"" drill"',
            )
        )
        return None


def _rows(
    written: list[tuple[int, str]], separator: str, width: int, name: str, faults: list[Fault]
) -> tuple[list[Line], list[int]]:
    rows, ragged = [], []
    for number, text in written:
        cells = _cells(text, number, separator, name, faults)
        if cells is None:
            ragged.append(number)
        elif len(cells) != width:
            ragged.append(number)
            what = f"has {len(cells)} cell{'s' * (len(cells) != 1)}, the header {width}"
            if not text:
                what = "is empty, and positions follow below"
            elif len(cells) > width:
                what += f": {quoted(text)}; a decimal comma, or a separator too many"
            else:
                what += f": {quoted(text)}"
            expected = f"{width} cell{'s' * (width != 1)} parted by {_SEPARATORS[separator]}"
            if separator == ",":
                expected += ", decimals after a point"
            faults.append(Fault(name, "", f"line {number}", what, expected))
        else:
            rows.append(Line(number, cells))
    return rows, ragged
