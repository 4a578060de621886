"""Parameter files: TOML in, every fault at once; TOML out, the texts as they were."""

from __future__ import annotations

import dataclasses
import os
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar

import tomlkit
import tomlkit.exceptions

from servosim._text_file import content_of, decoded, refusal
from servosim._whole_file import whole_file
from servosim.errors import Fault, ParameterError
from servosim.params._changes import Changes, raw
from servosim.params._tables import Document, build, resolve_document
from servosim.params._values import nearest, shown, shown_name

_Document = TypeVar("_Document", bound=Document)
_LARGEST = 4_000_000
_ON_COMMAND_LINE = "--set"
# What the TOML reader finds and what a writer of parameter files most likely did.
_MEANINGS = {
    "Cannot overwrite a value": "this key stands twice in its table",
    "Cannot declare": "this table stands twice in the file",
    "Invalid value": "no value; texts and quantities stand in quotes",
    "Expected newline or end of document": "something behind the value; quantities stand in quotes",
    "Expected '=' after a key": "a key without '=', or a name with blanks or strange characters",
    "Unterminated string": "a quote is not closed",
    'Expected "\'"': "a quote is not closed",
    "Illegal character '\\n'": "a quote is not closed on its line",
}


def read(
    document_class: type[_Document],
    path: str | os.PathLike[str],
    overrides: Mapping[str, str] | None = None,
) -> _Document:
    """Return the document in a TOML file, with some values changed if wanted.

    Parameters
    ----------
    document_class : type
        Subclass of Document that states the tables.
    path : str or os.PathLike
        The file. It is never searched for.
    overrides : mapping of str to str, optional
        By path such as "controller.velocity_gain" the text that takes the place of the file's.

    Returns
    -------
    Document
        Checked, in SI units. It remembers the texts of the file.

    Raises
    ------
    ParameterError
        With every fault of the file and of the overrides; also if the file cannot be read.
    """
    name = shown_file(os.fsdecode(path))
    data = _load(Path(os.fsdecode(path)), name)
    made = Changes(document_class, data, strict=True)
    made.apply(overrides or {})
    faults = [dataclasses.replace(fault, file=_ON_COMMAND_LINE) for fault in made.faults]
    try:
        found = resolve_document(document_class, made.data, strict=True, droppable=made.droppable())
        if not faults:
            return build(document_class, found, "")
    except ParameterError as error:
        for fault in error.faults:
            is_override = (fault.table, fault.key) in made.changed
            file = fault.file or (_ON_COMMAND_LINE if is_override else name)
            faults.append(dataclasses.replace(fault, file=file))
    raise ParameterError(faults)


def _load(path: Path, name: str) -> dict[str, Any]:
    """Return the raw contents of a file, or say why it cannot be read."""
    kind = "a TOML file"
    content = content_of(path, name, kind, _LARGEST, _similar)
    if len(content) > _LARGEST:
        raise refusal(name, f"larger than {_LARGEST // 1_000_000} MB", kind)
    return _parse(decoded(content, name, kind), name)


def shown_file(name: str) -> str:
    """Return the name of a file as it can stand on one line of a message."""
    return name if name.isprintable() else shown(name)


def _similar(path: Path) -> str:
    """Return the name of a file beside that may have been meant, or ""."""
    try:
        siblings = [one.name for one in list(path.parent.glob("*.toml"))[:200]]
    except (OSError, ValueError):
        siblings = []
    return nearest(path.name, siblings)


def _parse(text: str, name: str) -> dict[str, Any]:
    """Return the contents of a TOML text, or say where it is none."""
    expected = 'lines such as key = "10 mm" below a line [table]'
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        match = re.fullmatch(r"(.*) \(at (?:line (\d+), column (\d+)|end of document)\)",
                             str(error), re.DOTALL)  # fmt: skip
        message = match[1] if match else str(error)
        if match and match[2]:
            place = f"line {match[2]}, column {match[3]}"
        else:
            place = f"line {len(text.splitlines())}, end of the file"
        meant = [ours for theirs, ours in _MEANINGS.items() if message.startswith(theirs)]
        what = f"{place}: {meant[0] if meant else 'not TOML: ' + shown_file(message)}"
    except RecursionError:
        what = "not TOML: nested too deep"
    except (ValueError, OverflowError):
        what = "not TOML: a number too long to be read"
    raise ParameterError(Fault(name, "", "", what, expected))


def dumps(document: Document) -> str:
    """Return a document as TOML, with the texts its values were read from.

    Parameters
    ----------
    document : Document
        What to write. Keys that are not read or were left out are not written.

    Returns
    -------
    str
        Reads back to an equal document, bit for bit.
    """
    file = tomlkit.document()
    for name, held in raw(document).items():
        if isinstance(held, dict):
            file.add(name, _toml_table(held))
        elif isinstance(held, list):
            tables = tomlkit.aot()
            for one in held:
                tables.append(_toml_table(one))
            file.add(name, tables)
        else:
            file.add(name, tomlkit.item(_toml_value(held)))
    return tomlkit.dumps(file)


def _toml_table(values: Mapping[str, Any]) -> Any:
    table = tomlkit.table()
    for key, value in values.items():
        table.add(key, _toml_value(value))
    return table


def _toml_value(value: Any) -> Any:
    return list(value) if isinstance(value, tuple) else value


def write(document: Document, path: str | os.PathLike[str]) -> None:
    """Write a document to a file; the file is whole or as it was, never half written.

    Parameters
    ----------
    document : Document
        What to write.
    path : str or os.PathLike
        The file; it is written beside and renamed.

    Raises
    ------
    ParameterError
        If the file cannot be written.
    """
    write_text(dumps(document), path)


def write_text(text: str, path: str | os.PathLike[str]) -> None:
    """Write a text beside a file and rename it, see :func:`write`."""
    with whole_file(path) as beside, beside.open("x", encoding="utf-8", newline="\n") as stream:
        stream.write(text)


def edit(text: str, changes: Mapping[str, Any]) -> str:
    """Return the text of a TOML file with other values; comments and order stay.

    Parameters
    ----------
    text : str
        Contents of the file.
    changes : mapping of str to object
        By path such as "valve.rated_flow" the new value as TOML holds it: text with a unit,
        number, switch or list. A key that is not in its table is added to it.

    Returns
    -------
    str
        The new contents. Whether the values make sense is found when they are read.

    Raises
    ------
    ParameterError
        If the text is not TOML or has no such table.
    """
    _parse(text, "")
    try:
        file = tomlkit.parse(text)
    except (tomlkit.exceptions.TOMLKitError, ValueError, RecursionError) as error:
        raise ParameterError(Fault(what=f"not TOML: {shown(str(error))}")) from None
    for path, value in changes.items():
        *heads, key = path.split(".")
        held: Any = file
        for head in heads:
            is_list = isinstance(held, list) and head.isdecimal()
            if is_list and 0 < int(head) <= len(held):
                held = held[int(head) - 1]
            elif isinstance(held, Mapping) and isinstance(held.get(head), Mapping | list):
                held = held[head]
            else:
                known = [str(one) for one in held] if isinstance(held, Mapping) else []
                close = nearest(head, known)
                raise ParameterError(Fault("", shown_name(head), "", "no such table", "", close))
        if not isinstance(held, Mapping):
            raise ParameterError(Fault("", "", shown_name(path), "is in no table", "table.key"))
        held[key] = _toml_value(value)  # type: ignore[index]
    return tomlkit.dumps(file)
