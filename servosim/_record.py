"""Parameters as blocks of memory for the compiled code, for one axis or for lanes of them.

A tuple of some two hundred numbers is handed to a kernel number by number, which costs more than
the kernel's arithmetic. A structured record is handed over as one pointer and read with the same
dots. Every number takes eight bytes, so that an ensemble is a matrix of such words, one row a case,
and a block of lanes is that matrix turned round.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim._lanes import WIDTH, aligned, lane_dtype


def _kind(owner: Any, name: str) -> Any:
    """Return the type of a field's numbers, by its annotation: a whole one may hold switches."""
    stated = owner.__annotations__[name]
    return np.int64 if getattr(stated, "__forward_arg__", stated) in ("int", int) else np.float64


def _dtype(value: Any, kind: Any = np.float64) -> np.dtype[Any]:
    """Return the type of the memory that holds a named tuple, a number or an array."""
    if hasattr(value, "_fields"):
        kinds = [(n, _dtype(getattr(value, n), _kind(type(value), n))) for n in value._fields]
        return np.dtype(kinds)
    return np.dtype((kind, np.shape(value))) if np.ndim(value) else np.dtype(kind)


@dataclass(frozen=True)
class _Parts:
    """Where a tuple holds others: their places, each with the same of the other."""

    inner: tuple[tuple[int, _Parts], ...]

    @classmethod
    def of(cls, value: Any) -> _Parts:
        """Return the parts of a value, by which its kin are flattened."""
        places = [k for k, part in enumerate(value) if not isinstance(part, (float, int))]
        return cls(tuple((k, cls.of(value[k])) for k in places))

    def flat(self, value: Any) -> tuple[float, ...]:
        """Return all numbers of a value, shape (n_words,)."""
        if not self.inner:
            return tuple(value)
        found: tuple[float, ...] = ()
        last = 0
        for k, parts in self.inner:
            found += tuple(value[last:k]) + parts.flat(value[k])
            last = k + 1
        return found + tuple(value[last:])


class Layout:
    """How named tuples of one kind lie in memory.

    Parameters
    ----------
    value : NamedTuple
        Nested named tuples of floats, integers, tuples of floats and arrays.

    Attributes
    ----------
    dtype, lanes : numpy.dtype
        Of one record, and of a block of lanes.
    n_words : int
        Numbers of one record, eight bytes each.
    """

    def __init__(self, value: Any) -> None:
        self.dtype = _dtype(value)
        self.lanes = lane_dtype(self.dtype)
        flags = np.zeros(1, self.dtype)
        _mark(flags[0], self.dtype)
        self._whole = flags.view(np.int64).astype(bool)
        self.n_words = len(self._whole)
        self._pack = struct.Struct("=" + "".join("q" if one else "d" for one in self._whole))
        self._parts = _Parts.of(value)
        self._record = np.dtype((np.record, self.dtype))  # what a view gives can be read with dots
        self._lanes = np.dtype((np.record, self.lanes))

    def words(self, value: Any) -> NDArray[np.float64]:
        """Return a tuple of this kind as words of memory, shape (n_words,)."""
        row = np.empty(self.n_words)
        self._pack.pack_into(row.data, 0, *self._parts.flat(value))
        return row

    def switches(self, rows: NDArray[np.float64]) -> NDArray[np.int64]:
        """Return the whole numbers of rows of words, shape (n_case, n_whole)."""
        return rows.view(np.int64)[:, self._whole]

    def records(self, rows: NDArray[np.float64]) -> Any:
        """Return rows of words, shape (n_case, n_words), as records, shape (n_case,)."""
        return np.ascontiguousarray(rows).view(self._record).reshape(len(rows))

    def block(self, rows: NDArray[np.float64]) -> Any:
        """Return rows of words, shape (WIDTH, n_words), as one record of lanes.

        Whole numbers are those of the first row.
        """
        words = aligned(self.n_words, WIDTH)
        words[:] = rows.T
        return words.reshape(-1).view(self._lanes)[0]


@dataclass(frozen=True)
class _Sample:
    """A value that stands for its kind: all of a kind have the same shapes."""

    kind: type
    value: Any = field(compare=False)


@lru_cache(maxsize=64)
def _layout(sample: _Sample) -> Layout:
    return Layout(sample.value)


def layout_of(value: Any) -> Layout:
    """Return the layout of a kind of named tuple, made once."""
    return _layout(_Sample(type(value), value))


def _mark(record: Any, dtype: np.dtype[Any]) -> None:
    """Set the whole numbers of a record to one, as marks of their places."""
    for name in dtype.names or ():
        if dtype[name].names:
            _mark(record[name], dtype[name])
        elif dtype[name].kind == "i":
            record[name] = 1


def block(values: Sequence[Any]) -> Any:
    """Return named tuples of one kind as an array of records.

    Parameters
    ----------
    values : sequence of NamedTuple
        Nested named tuples of floats, integers, tuples of floats and arrays, all alike.

    Returns
    -------
    ndarray, shape (n,)
        Record array; ``result[k]`` is what a kernel takes, with the fields of the tuple.
    """
    layout = layout_of(values[0])
    return layout.records(np.stack([layout.words(value) for value in values]))


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
