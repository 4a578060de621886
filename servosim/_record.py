"""Parameters as one block of memory for the compiled code.

A tuple of some two hundred numbers is handed to a kernel number by number, which costs more than
the kernel's arithmetic. A structured record is handed over as one pointer and read with the same
dots.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray


def _dtype(value: Any) -> Any:
    """Return the type of the memory that holds a named tuple, a number or an array."""
    if hasattr(value, "_fields"):
        return np.dtype([(name, _dtype(getattr(value, name))) for name in value._fields])
    array = np.asarray(value)
    kind = np.int64 if array.dtype.kind in "iub" else np.float64
    return np.dtype((kind, array.shape)) if array.shape else np.dtype(kind)


def _plain(value: Any) -> Any:
    if hasattr(value, "_fields"):
        return tuple(_plain(part) for part in value)
    return value


def block(values: list[Any]) -> NDArray[Any]:
    """Return named tuples of one kind as an array of records.

    Parameters
    ----------
    values : list of NamedTuple
        Nested named tuples of floats, integers, tuples of floats and arrays, all alike.

    Returns
    -------
    ndarray, shape (n,)
        Record array; ``result[k]`` is what a kernel takes, with the fields of the tuple.
    """
    array = np.zeros(len(values), dtype=_dtype(values[0])).view(np.recarray)
    for k, value in enumerate(values):
        array[k] = _plain(value)
    return array


def record(value: Any) -> Any:
    """Return one named tuple as a record, see :func:`block`.

    Parameters
    ----------
    value : NamedTuple
        Nested named tuple.

    Returns
    -------
    numpy.record
        Readable by the same names.
    """
    return block([value])[0]
