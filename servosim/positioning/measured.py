"""Measured deviations from a table in a file, checked line by line.

The file is CSV with a header; columns stand by name in any order: ``target [mm]``, ``direction``
(``+`` or ``-``: the side towards which the axis moved), ``run`` (a whole number), ``deviation
[um]`` (position reached less target). The unit of each length stands in the header. Comment lines
begin with ``#`` and are kept as remarks; columns with other names are not read and noted.
"""

from __future__ import annotations

import csv
import difflib
import os
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from servosim import units
from servosim._text_file import content_of, decoded, refusal
from servosim.errors import Fault, ParameterError, UnitError
from servosim.positioning.deviations import DIRECTIONS, Array, Deviations
from servosim.positioning.evaluation import evaluate

COLUMNS = {"target": "mm", "direction": "", "run": "", "deviation": "um"}
_LARGEST = 20_000_000
_MOST_FAULTS = 30
_FARTHEST = {"target": 1000.0, "deviation": 1.0}  # m; what is more cannot be meant
_UNUSUAL = 1e-3  # m, of a deviation
_LONGEST_REMARK = 200
_MINUS = "\u2212"  # the sign that word processors make of a hyphen
_DELIMITERS = ",;\t"
_WITH_UNIT = re.compile(r"[+-]?[0-9.]++(?:[eE][+-]?[0-9]+)?+\s*[^\s0-9.,_+-].*")


@dataclass(frozen=True)
class _Column:
    """A column of the file."""

    index: int
    title: str  # as it stands in the header
    unit: str


@dataclass(frozen=True)
class _Reading:
    """One line of the table."""

    line: int
    target: float
    written: str  # of the target, with its unit
    direction: str
    run: int
    deviation: float


def read_measured(path: str | os.PathLike[str]) -> Deviations:
    """Return the deviations in a file.

    Parameters
    ----------
    path : str or os.PathLike
        The table, CSV.

    Returns
    -------
    Deviations
        The test, runs in the order of their numbers; the travel is from the first to the last
        target.

    Raises
    ------
    ParameterError
        With every fault of the file by line and column: no number, unknown unit, missing column,
        no direction, a run twice, nan; or a target that lacks a direction or runs for a standard
        deviation.
    """
    name = os.fsdecode(path)
    name = name if name.isprintable() else ascii(name)
    lines = _text(Path(os.fsdecode(path)), name).splitlines()
    table = _Table(name, lines)
    readings = table.readings()
    if table.faults:
        raise ParameterError(_fewer(table.faults, name))
    found = _deviations(readings, table)
    try:
        evaluate(found)  # whether there are runs enough
    except ParameterError:
        raise ParameterError(_fewer(_missing(readings, found, name), name)) from None
    return found


def _text(path: Path, name: str) -> str:
    """Return the text of a file, or say why it cannot be read."""
    kind = "a CSV file"
    content = content_of(path, name, kind, _LARGEST, _sibling)
    if len(content) > _LARGEST:
        raise refusal(name, f"larger than {_LARGEST // 1_000_000} MB", kind)
    return decoded(content, name, kind)


def _sibling(path: Path) -> str:
    """Return the name of a file in the same folder that may have been meant, or ""."""
    try:
        names = [one.name for one in path.absolute().parent.iterdir()]
    except OSError:
        return ""
    return "".join(difflib.get_close_matches(path.name, names, 1))


class _Table:
    """The lines of a file on their way to readings; faults are gathered."""

    def __init__(self, name: str, lines: Sequence[str]) -> None:
        self.name = name
        self.faults: list[Fault] = []
        self.notes: list[str] = []
        self.remarks = [
            line.lstrip()[1:].strip()[:_LONGEST_REMARK]
            for line in lines
            if line.lstrip().startswith("#")
        ]
        self._lines = lines
        self._line = 0

    def _fault(self, column: str, what: str, expected: str = "", nearest: str = "") -> None:
        place = f"line {self._line}" + (f", column '{column}'" if column else "")
        self.faults.append(Fault(self.name, "", place, what, expected, nearest))

    def _rows(self) -> Iterator[list[str]]:
        """Yield the rows that hold something; ``_line`` is the line of the last one.

        A row is one line: a quote that is never closed cannot swallow the lines below it.
        """
        delimiter = ""
        for number, line in enumerate(self._lines, 1):
            if line.lstrip().startswith("#") or not line.strip():
                continue
            self._line = number
            delimiter = delimiter or max(_DELIMITERS, key=line.count)
            try:
                row = next(csv.reader([line], delimiter=delimiter, strict=True))
            except (csv.Error, StopIteration):
                what = f"{units.quoted(line.strip())} cannot be parted into cells"
                self._fault("", what, "quotes around a whole cell, or none")
                continue
            cells = [cell.strip() for cell in row]
            if any(cells):
                yield cells
        if not delimiter:
            self.faults.append(Fault(self.name, what="holds no table", expected=_expected()))

    def readings(self) -> list[_Reading]:
        """Return the readings, without those of faulty lines."""
        rows = self._rows()
        header = next(rows, None)
        if header is None:
            return []
        columns = self._columns(header)
        if len(columns) < len(COLUMNS):
            return []
        found: list[_Reading] = []
        seen: dict[tuple[float, str, int], int] = {}
        for cells in rows:
            if len(cells) != len(header):
                what = f"holds {len(cells)} cell{'s' * (len(cells) != 1)}"
                if len(cells) > len(header):
                    what += ": a decimal comma, or a separator too many"
                self._fault("", what, f"{len(header)} cells as in the header")
                continue
            one = self._reading(cells, columns)
            if one is None:
                continue
            before = seen.setdefault((one.target, one.direction, one.run), one.line)
            if before != one.line:
                what = f"run {one.run} at {one.written} in direction {one.direction} stands already"
                self._fault(columns["run"].title, f"{what} in line {before}", "each run once")
            found.append(one)
        if not found and not self.faults:
            self.faults.append(Fault(self.name, what="holds no deviations", expected="5 runs"))
        return found

    def _columns(self, header: Sequence[str]) -> dict[str, _Column]:
        """Return the columns by name, and note what is wrong with the header."""
        found: dict[str, _Column] = {}
        others: list[str] = []
        before = len(self.faults)
        for index, title in enumerate(header):
            match = re.fullmatch(r"([^\[\]]*?)\s*(?:\[([^\[\]]*)\])?", title)
            name = match[1].casefold() if match else title
            if name not in COLUMNS:
                others.append(title)
                continue
            if name in found:
                self._fault(title, "this column stands twice", "each column once")
            unit = (match[2] or "").strip() if match else ""
            found[name] = _Column(index, title, unit)
            self._check_unit(name, title, unit)
        for name in COLUMNS:
            if name not in found:
                close = difflib.get_close_matches(name, [one.casefold() for one in others], 1, 0.6)
                what = f"there is no column '{name}'"
                nearest = next((one for one in others if one.casefold() in close), "")
                self._fault("", what, _expected(), nearest)
        if len(self.faults) > before:
            return {}
        shown = ", ".join(f"'{one}'" for one in others if one)
        if shown:
            self.notes.append(f"not read: column {shown}")
        return found

    def _check_unit(self, name: str, title: str, unit: str) -> None:
        """Note what is wrong with the unit of a column."""
        usual = COLUMNS[name]
        if not usual:
            if unit:
                self._fault(title, f"{name} has no unit", f"'{name}'")
            return
        if not unit:
            self._fault(title, "has no unit", f"the unit in brackets, such as '{name} [{usual}]'")
            return
        try:
            units.parse(f"1 {unit}", usual)
        except UnitError as error:
            text = str(error).replace(f" in '1 {unit}'", "").replace(f"'1 {unit}'", f"'{unit}'")
            self._fault(title, text, f"a length, such as '{name} [{usual}]'")

    def _reading(self, cells: Sequence[str], columns: dict[str, _Column]) -> _Reading | None:
        """Return what a line says, or None with a note of what is wrong."""
        before = len(self.faults)
        target = self._length(cells, columns["target"])
        deviation = self._length(cells, columns["deviation"])
        for name, size in (("target", target), ("deviation", deviation)):
            if abs(size) > _FARTHEST[name]:
                what = f"{units.quoted(cells[columns[name].index])} is more than can be meant"
                expected = f"{_FARTHEST[name]:g} m at most; is the unit in the header right?"
                self._fault(columns[name].title, what, expected)
        text = cells[columns["direction"].index].replace(_MINUS, "-")
        if text not in DIRECTIONS:
            what = f"{units.quoted(text)} is no direction" if text else "is empty"
            self._fault(columns["direction"].title, what, "+ or -")
        number = cells[columns["run"].index]
        if not (number.isascii() and number.isdecimal() and len(number) <= 9):
            what = f"{units.quoted(number)} is no number of a run" if number else "is empty"
            self._fault(columns["run"].title, what, "a whole number such as 1")
        if len(self.faults) > before:
            return None
        written = f"{cells[columns['target'].index]} {columns['target'].unit}"
        return _Reading(self._line, target, written, text, int(number), deviation)

    def _length(self, cells: Sequence[str], column: _Column) -> float:
        """Return the length in a cell [m], or 0 with a note of what is wrong."""
        text = cells[column.index]
        expected = f"a number alone, in {column.unit}"
        if not text:
            self._fault(column.title, "is empty", expected)
            return 0.0
        if _WITH_UNIT.fullmatch(text):
            self._fault(column.title, f"{units.quoted(text)} is more than a number", expected)
            return 0.0
        try:
            return units.parse(f"{text} {column.unit}", "m")
        except UnitError as error:
            what = str(error).replace(repr(f"{text} {column.unit}"), repr(text), 1)
            self._fault(column.title, what.partition("; write ")[0], expected)
            return 0.0


def _expected() -> str:
    names = [f"'{name} [{unit}]'" if unit else f"'{name}'" for name, unit in COLUMNS.items()]
    return f"columns {', '.join(names[:-1])} and {names[-1]}"


def _fewer(faults: Sequence[Fault], name: str) -> list[Fault]:
    """Return the first faults, and how many more there are."""
    if len(faults) <= _MOST_FAULTS + 1:
        return list(faults)
    rest = Fault(name, what=f"and {len(faults) - _MOST_FAULTS} faults more")
    return [*faults[:_MOST_FAULTS], rest]


def _deviations(readings: Sequence[_Reading], table: _Table) -> Deviations:
    """Return readings as the deviations of a test."""
    cells: dict[float, dict[str, list[tuple[int, float]]]] = {}
    for one in readings:
        by_direction = cells.setdefault(one.target, {side: [] for side in DIRECTIONS})
        by_direction[one.direction].append((one.run, one.deviation))
    targets = sorted(cells)

    def side(direction: str) -> Array:
        rows = [sorted(cells[target][direction]) for target in targets]
        out = np.full((len(rows), max(map(len, rows))), np.nan)
        for row, runs in zip(out, rows, strict=True):
            row[: len(runs)] = [deviation for _, deviation in runs]
        return out

    largest = max(abs(one.deviation) for one in readings)
    if largest > _UNUSUAL:
        size = f"{units.convert(largest, 'mm'):.4g} mm"
        table.notes.append(
            f"deviations up to {size}: is the unit in the header of the table right?"
        )
    notes, remarks = tuple(table.notes), tuple(filter(None, table.remarks))
    return Deviations(np.array(targets), side("+"), side("-"), notes=notes, remarks=remarks)


def _missing(readings: Iterable[_Reading], found: Deviations, name: str) -> list[Fault]:
    """Return which targets lack approaches, by the first line that names them."""
    first: dict[float, _Reading] = {}
    for one in readings:
        first.setdefault(one.target, one)
    least = 1 if found.long_axis else 2
    faults = []
    for direction, counts in zip(DIRECTIONS, found.runs, strict=True):
        for target, n in zip(found.targets.tolist(), counts, strict=True):
            if n >= least:
                continue
            one = first[target]
            runs = "no run" if n == 0 else "a single run"
            what = f"target {one.written} has {runs} in direction {direction}"
            if n:
                what += ", too few for a standard deviation"
            expected = f"{least} runs at least in each direction, 5 by the standard"
            if found.long_axis:
                expected = "one run at least in each direction"
            faults.append(Fault(name, "", f"line {one.line}, column 'direction'", what, expected))
    return faults
