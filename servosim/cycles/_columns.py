"""The columns of a position list: their names, units and limits, and the header that has them."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass

from servosim._spellings import GROUPS, SPELLINGS
from servosim.cycles._sheet import Sheet
from servosim.errors import Fault, UnitError
from servosim.units import group_of, quoted

_HEADING = re.compile(r"([^\[\]]*?)\s*(?:\[\s*([^\[\]]*?)\s*\])?")


@dataclass(frozen=True)
class Kind:
    """What a column of one name holds.

    Parameters
    ----------
    name : str
        Name as it stands in the header.
    unit : str
        A unit of its quantity, as people write it; "" if the column holds text.
    low, high : str
        Limits with their units; "" for none.
    above : bool
        Whether the lower limit itself is too low.
    choices : tuple of str
        Texts that may stand in the column; empty if any may.
    """

    name: str
    unit: str = ""
    low: str = ""
    high: str = ""
    above: bool = False
    choices: tuple[str, ...] = ()


KINDS: dict[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind("target", "mm"),
        Kind("mode", choices=("absolute", "incremental")),
        Kind("approach", choices=("+", "-", "any")),
        Kind("speed", "%", "0 %", "200 %", above=True),
        Kind("thrust along", "N", "-10000 kN", "10000 kN"),
        Kind("thrust normal", "N", "-10000 kN", "10000 kN"),
        Kind("feed time", "s", "0 s", "3600 s"),
        Kind("dwell", "s", "0 s", "3600 s"),
        Kind("auxiliary"),
        Kind("auxiliary time", "s", "0 s", "3600 s"),
        Kind("comment"),
    )
}


@dataclass(frozen=True)
class Column:
    """A column as it stands in a file.

    Parameters
    ----------
    kind : Kind
        What it holds.
    place : int
        Place among the cells, from 0.
    unit : str
        Unit of its numbers; "" if it holds text.
    heading : str
        The header's cell as it is written.
    """

    kind: Kind
    place: int
    unit: str
    heading: str


def folded(name: str) -> str:
    """Return a name as it is compared: small letters, single blanks, no underscores.

    Parameters
    ----------
    name : str
        Such as "Thrust_along".

    Returns
    -------
    str
        Such as "thrust along".
    """
    return " ".join(name.replace("_", " ").casefold().split())


def parted(text: str) -> tuple[str, str | None] | None:
    """Return name and unit of a text such as "target [mm]"; None if it is not of this form.

    Parameters
    ----------
    text : str
        Heading of a column or of a total.

    Returns
    -------
    tuple of (str, str or None) or None
        Folded name and unit; the unit is None if there are no brackets.
    """
    match = _HEADING.fullmatch(text.strip())
    if match is None:
        return None
    unit = match[2]
    return folded(match[1]), None if unit is None else " ".join(unit.split())


def near(name: str, known: Mapping[str, object] | tuple[str, ...]) -> str:
    """Return the known name closest to a name, or "".

    Parameters
    ----------
    name : str
        What was found.
    known : mapping or tuple of str
        What may stand there.

    Returns
    -------
    str
        The closest of the known names.
    """
    found = difflib.get_close_matches(name[:60], tuple(known), n=1, cutoff=0.6)
    return found[0] if found else ""


def unit_fault(unit: str, kind: Kind) -> str:
    """Return what is wrong with the unit of a column, or "".

    Parameters
    ----------
    unit : str
        What stands in the brackets.
    kind : Kind
        The column's kind, with numbers.

    Returns
    -------
    str
        A clause for a message.
    """
    group = group_of(kind.unit)
    if unit in SPELLINGS[group]:
        return ""
    try:
        return f"'{unit}' is a unit of {group_of(unit)}"
    except UnitError as error:
        return str(error)


def columns_of(sheet: Sheet, units: Mapping[str, str], faults: list[Fault]) -> dict[str, Column]:
    """Return the columns of a file by name.

    Parameters
    ----------
    sheet : Sheet
        The file.
    units : mapping of str to str
        Unit by name of the column, for headings that have none.
    faults : list of Fault
        Takes what is wrong in the header.

    Returns
    -------
    dict of str to Column
        Those that can be read.
    """
    header = sheet.header
    found: dict[str, Column] = {}

    def fault(place: int, what: str, expected: str, nearest: str = "") -> None:
        key = f"line {header.number}, column {place + 1}"
        faults.append(Fault(sheet.name, "", key, what, expected, nearest))

    names = [parted(cell) for cell in header.cells]
    if not any(name is not None and name[0] in KINDS for name in names):
        faults.append(
            Fault(
                sheet.name,
                "",
                f"line {header.number}",
                f"{quoted(sheet.separator.join(header.cells))} is not a header: it names no column "
                "of a position list",
                "a line such as 'target [mm],approach,comment' above the positions",
                near((names[0] or ("",))[0], KINDS),
            )
        )
        return {}
    stated = {folded(name): unit for name, unit in units.items()}
    for place, (cell, name) in enumerate(zip(header.cells, names, strict=True)):
        if not cell:
            if any(row.cells[place] for row in sheet.rows):
                fault(place, "has contents but no name", "the name of a column")
            continue
        if name is None or name[0] not in KINDS:
            close = near(folded(cell) if name is None else name[0], KINDS)
            fault(place, f"unknown column {quoted(cell)}", f"one of {', '.join(KINDS)}", close)
            continue
        kind = KINDS[name[0]]
        if kind.name in found:
            first = found[kind.name].place + 1
            fault(place, f"{quoted(cell)} stands already in column {first}", "each column once")
            continue
        unit = name[1]
        if not kind.unit:
            if unit is not None:
                fault(place, f"{quoted(cell)} has a unit, and the column holds text", kind.name)
            unit = ""
        elif unit is None and kind.name not in stated:
            fault(
                place,
                f"{quoted(cell)} has no unit",
                f"a unit such as '{kind.name} [{kind.unit}]'",
            )
            unit = None
        elif unit is not None and stated.get(kind.name, unit) != unit:
            fault(
                place,
                f"{quoted(cell)} disagrees with the unit {stated[kind.name]} stated outside the "
                "file",
                "one unit",
            )
            unit = None
        else:
            unit = unit if unit is not None else stated[kind.name]
            wrong = unit_fault(unit, kind)
            if wrong:
                group = group_of(kind.unit)
                fault(place, f"{quoted(cell)}: {wrong}", f"{group} in {GROUPS[group]}")
                unit = None
        found[kind.name] = Column(kind, place, unit if unit is not None else "?", cell)
    if "target" not in found:
        key = f"line {header.number}"
        faults.append(
            Fault(sheet.name, "", key, "there is no column 'target'", "a column 'target [mm]'")
        )
    for name_, other in (("auxiliary", "auxiliary time"), ("auxiliary time", "auxiliary")):
        if name_ in found and other not in found:
            kind = KINDS[other]
            heading = f"{other} [{kind.unit}]" if kind.unit else other
            fault(
                found[name_].place,
                f"'{name_}' stands without '{other}'",
                f"a column '{heading}' too",
            )
    return {name_: column for name_, column in found.items() if column.unit != "?"}
