"""The tuned values as a file holds them: rounded texts with units, comments kept."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import tomlkit

from servosim._spellings import SPELLINGS
from servosim.axis import Axis
from servosim.document import AxisFile
from servosim.errors import ParameterError
from servosim.params import diff, dumps, edit, fields_of, read
from servosim.params._tables import given_of
from servosim.units import convert, group_of

DIGITS = 3  # what an engineer enters at a machine


def plain(number: float) -> str:
    """Return a number without exponent and without needless zeros."""
    return np.format_float_positional(number, trim="-")


def text_of(axis: Axis, key: str, value: Any, digits: int = DIGITS) -> Any:
    """Return a value as the file holds it, in the unit that the file uses for it.

    Parameters
    ----------
    axis : Axis
        The axis of the file.
    key : str
        Key of the file.
    value : float or str
        The value [SI].
    digits : int
        Digits that are kept [-].

    Returns
    -------
    str or float or int
        A text with unit, or a number for a key without one.
    """
    if isinstance(value, str):
        return value
    table, name = key.split(".")
    held = getattr(axis.file, table)
    kind: Any = type(held)
    field = fields_of(kind)[name]
    if field.kind == "number":
        return int(value) if field.whole else float(f"{value:.{digits}g}")
    unit = field.unit
    given = given_of(held).get(name)
    if isinstance(given, str):
        match = re.fullmatch(r"\s*[-+0-9.eE]+\s*(.*?)\s*", given)
        if match and match[1] in SPELLINGS[group_of(unit)]:
            unit = match[1]
    return f"{plain(float(f'{convert(float(value), unit):.{digits}g}'))} {unit}"


def texts_of(axis: Axis, changes: Mapping[str, Any]) -> dict[str, Any]:
    """Return changes as rounded texts, only those that differ from the file.

    Parameters
    ----------
    axis : Axis
        The axis of the file.
    changes : mapping of str to object
        Keys of the file and their values [SI].

    Returns
    -------
    dict of str to object
        As the file holds them.
    """
    found = {}
    for key, value in changes.items():
        table, name = key.split(".")
        held = getattr(axis.file, table)
        if name not in held._unread and getattr(held, name) == value:
            continue
        found[key] = text_of(axis, key, value)
    return found


def tuned_text(original: Axis, tuned: Axis, texts: Mapping[str, Any]) -> str:
    """Return the original file with new values, its comments kept.

    Parameters
    ----------
    original, tuned : Axis
        The axis before and after.
    texts : mapping of str to object
        Changed keys as the file holds them.

    Returns
    -------
    str
        TOML that reads back to the tuned axis. The tables are written anew, without comments, if
        the file that was read is not there any more or says something else by now.
    """
    try:
        if not original.path or diff(read(AxisFile, original.path), original.file):
            return dumps(tuned.file)
        before = Path(original.path).read_text(encoding="utf-8-sig")
        text = _without(edit(before, texts), _dropped(original, tuned))
    except (OSError, ParameterError):
        return dumps(tuned.file)
    return text


def _dropped(original: Axis, tuned: Axis) -> list[tuple[str, str]]:
    """Return keys that the original gives and the tuned file's choices leave unread."""
    found = []
    for table in AxisFile.model_fields:
        before, after = getattr(original.file, table), getattr(tuned.file, table)
        if before is after or isinstance(before, str):
            continue
        found += [(table, key) for key in given_of(before) if key in after._unread]
    return found


def _without(text: str, keys: list[tuple[str, str]]) -> str:
    """Return a TOML text without some keys."""
    if not keys:
        return text
    file = tomlkit.parse(text)
    for table, key in keys:
        held: Any = file[table]
        if key in held:
            del held[key]
    return tomlkit.dumps(file)
