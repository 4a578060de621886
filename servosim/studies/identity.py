"""Whose a store is: its header, and what makes a study this one, so that a refusal can name it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from servosim.errors import Fault, ParameterError
from servosim.params import dumps
from servosim.studies.chunk_files import digest
from servosim.studies.chunks import code_in_use
from servosim.studies.plan import Plan
from servosim.version import __version__

HEADER = "study.json"
_FORMAT = 1

_WORDS = {
    "code": "servosim or its equations",
    "axis": "the parameter file",
    "cases": "the number of cases",
    "inputs": "the varied parameters or their values",
    "seeds": "the seeds of the noise",
    "tolerance": "the tolerance",
    "traces": "the traces",
}
_SHOWN = ("code", "cases", "tolerance", "traces")


def parts_of(plan: Plan) -> dict[str, Any]:
    """Return what makes a study this one.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    dict
        Plain values; what is long stands as its digest.
    """
    values = [[one.path, one.dim, digest(one.values)] for one in plan.inputs]
    return {
        "code": code_in_use(),
        "axis": digest([dumps(plan.axis.file)]),
        "cases": len(plan),
        "inputs": digest([json.dumps([list(plan.dims), list(plan.shape), values])]),
        "seeds": digest(plan.seeds),
        "tolerance": plan.tolerance,
        "traces": list(plan.traces),
    }


def differences(held: Mapping[str, Any], now: Mapping[str, Any]) -> str:
    """Return in words what differs between two studies.

    Parameters
    ----------
    held, now : mapping
        Parts of the one that is kept, and of the one that is asked for.

    Returns
    -------
    str
        What differs, both values where they are short.
    """
    words = []
    for key, word in _WORDS.items():
        if held.get(key) != now[key]:
            words.append(f"{word} ({held.get(key)}, now {now[key]})" if key in _SHOWN else word)
    return ", ".join(words) or "how the cases are laid out"


def refusal(folder: Path, what: str, expected: str) -> ParameterError:
    """Return the error that refuses a folder.

    Parameters
    ----------
    folder : pathlib.Path
        The folder.
    what, expected : str
        What is wrong with it, and what would do.

    Returns
    -------
    ParameterError
        To be raised.
    """
    return ParameterError(Fault(file=str(folder), what=what, expected=expected))


def new_header(plan: Plan, chunk: int) -> dict[str, Any]:
    """Return the header of a store.

    Parameters
    ----------
    plan : Plan
        The plan.
    chunk : int
        Cases of a chunk [-].

    Returns
    -------
    dict
        Plain values.
    """
    return {
        "format": _FORMAT,
        "title": plan.title,
        "version": __version__,
        "fingerprint": plan.fingerprint,
        "chunk": chunk,
        "parts": parts_of(plan),
    }


def header_of(folder: Path) -> dict[str, Any]:
    """Return the header of a store that is there.

    Parameters
    ----------
    folder : pathlib.Path
        The folder.

    Returns
    -------
    dict
        Plain values.

    Raises
    ------
    ParameterError
        If it is not the folder of a study.
    """
    try:
        header = json.loads((folder / HEADER).read_text(encoding="utf-8"))
        if header["format"] != _FORMAT:
            raise refusal(
                folder, f"is a study of the layout {header['format']}", f"layout {_FORMAT}"
            )
        str(header["fingerprint"]), str(header["version"]), dict(header["parts"])
        if int(header["chunk"]) < 1:
            raise ValueError(f"chunks of {header['chunk']} cases")
    except (OSError, ValueError, KeyError, TypeError) as error:
        if isinstance(error, ParameterError):
            raise
        what = f"{HEADER} cannot be read: {error}"
        raise refusal(folder, what, "the folder of a study, as study() writes it") from None
    found: dict[str, Any] = header
    return found
