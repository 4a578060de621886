"""One case of a study as the text of a parameter file."""

from __future__ import annotations

import json
import math
import tomllib
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from servosim.errors import ParameterError
from servosim.params import dumps, edit, replace
from servosim.studies.parameters import Parameter, field_of

if TYPE_CHECKING:
    from servosim.document import AxisFile


def shown_changes(changes: Mapping[str, Any]) -> str:
    """Return values by path in words, with units."""
    return ", ".join(
        f"{path} = {Parameter(path, field_of(path)).show(value)}" for path, value in changes.items()
    )


def case_text(file: AxisFile, changes: Mapping[str, Any], name: str, note: str) -> str:
    """Return a parameter file with the values of a case.

    Parameters
    ----------
    file : AxisFile
        The file that is varied.
    changes : mapping of str to object
        Values by path, texts or SI numbers [SI unit of the key].
    name : str
        What is added to the title.
    note : str
        What is added to the notes.

    Returns
    -------
    str
        TOML text; it reads back to the same numbers, bit for bit. If the values are refused, so is
        the text.

    Raises
    ------
    ParameterError
        If a value is infinite and cannot be written.
    """
    try:
        text = dumps(replace(file, changes))
    except ParameterError:
        text = edit(dumps(file), {path: _raw(path, value) for path, value in changes.items()})
    head = {
        "title": f"{file.title.rstrip('.')}; {name}",
        "notes": " ".join(filter(None, (file.notes.rstrip(), note))),
    }
    # a text that the file leaves out has to stand above its tables
    missing = [key for key in head if key not in tomllib.loads(text)]
    lines = "".join(f"{key} = {json.dumps(head[key])}\n" for key in missing)
    return lines + edit(text, {key: head[key] for key in head if key not in missing})


def _raw(path: str, value: Any) -> Any:
    """Return a value as TOML holds it, without asking whether it makes sense."""
    one = Parameter(path, field_of(path))
    if isinstance(value, float) and not math.isfinite(value):
        what = f"the value {value} cannot be written in a file"
        raise ParameterError(one.fault(what, "a distribution without infinite values"))
    if one.field.kind == "switch":
        return value == "true"
    is_quantity = one.field.kind == "quantity" and one.field.unit != "1"
    return one.show(value) if is_quantity and not isinstance(value, str) else value
