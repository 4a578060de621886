"""Plain values and arrays as bytes, for a file or another machine; nothing in them is code."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim.errors import Fault, ParameterError

_HEADER = "header"
NO_ARCHIVE = (KeyError, TypeError, ValueError, AttributeError, IndexError, OSError, EOFError,
              zipfile.BadZipFile)  # fmt: skip


def pack(header: Mapping[str, Any], arrays: Mapping[str, NDArray[Any]]) -> bytes:
    """Return plain values and arrays as bytes.

    Parameters
    ----------
    header : mapping of str to object
        What JSON holds.
    arrays : mapping of str to ndarray
        Numbers of any shape, by name.

    Returns
    -------
    bytes
        An archive that :func:`unpack` reads.
    """
    stream = io.BytesIO()
    text = np.frombuffer(json.dumps(header).encode(), dtype=np.uint8)
    np.savez(stream, allow_pickle=False, **{_HEADER: text}, **arrays)
    return stream.getvalue()


def unpack(packed: bytes) -> tuple[dict[str, Any], dict[str, NDArray[Any]]]:
    """Return the plain values and arrays in bytes.

    Parameters
    ----------
    packed : bytes
        What :func:`pack` gave.

    Returns
    -------
    header : dict
        Plain values.
    arrays : dict of str to ndarray
        The arrays by name.

    Raises
    ------
    ParameterError
        If the bytes are no such archive.
    """
    try:
        with np.load(io.BytesIO(packed), allow_pickle=False) as archive:
            header = json.loads(archive[_HEADER].tobytes())
            return header, {name: archive[name] for name in archive.files if name != _HEADER}
    except NO_ARCHIVE as error:
        raise no_plan(error) from None


def no_plan(error: Exception) -> ParameterError:
    """Return what to say about bytes that hold no plan."""
    what = f"no plan of a study that this version can read: {error}"
    return ParameterError(Fault(what=what, expected="what Plan.pack gave"))
