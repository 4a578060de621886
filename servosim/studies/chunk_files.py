"""One finished chunk as a NetCDF file: how it is written, and how it is read and checked.

Dimensions are case, metric, event and time. Every variable carries a digest of its numbers, which
is checked whenever it is read.
"""

from __future__ import annotations

import hashlib
import io
import json
from pathlib import Path
from typing import Any

import h5netcdf
import h5py
import numpy as np
from numpy.typing import NDArray

from servosim.errors import Fault, ParameterError
from servosim.studies.chunks import Figures, Span
from servosim.traces import SIGNALS
from servosim.version import __version__


def digest(values: Any) -> str:
    """Return a digest of numbers or texts.

    Parameters
    ----------
    values : array_like
        Numbers or texts; neither how they are stored nor the machine's order of bytes counts.

    Returns
    -------
    str
        Hexadecimal digits.
    """
    array = np.asarray(values)
    if array.dtype.kind in "OSU":
        data = json.dumps([str(text) for text in array.ravel()]).encode()
    else:
        data = np.ascontiguousarray(array, dtype=array.dtype.newbyteorder("<")).tobytes()
    return hashlib.sha256(data).hexdigest()


def file_image(figures: Figures, fingerprint: str) -> bytes:
    """Return the NetCDF file of a chunk.

    Made in memory, so that a full disk is met by one plain write.

    Parameters
    ----------
    figures : Figures
        The chunk.
    fingerprint : str
        Fingerprint of its study.

    Returns
    -------
    bytes
        The file.
    """
    text = h5py.string_dtype()
    n = len(figures.status)
    image = io.BytesIO()
    with h5netcdf.File(image, "w") as file:
        file.dimensions = {"case": n, "metric": len(figures.metrics)}
        file.attrs["title"] = f"{figures.span} of a study"
        file.attrs["fingerprint"] = fingerprint
        file.attrs["servosim_version"] = __version__
        file.attrs["cases"] = np.array(figures.span, dtype=np.int64)

        def put(name: str, dims: tuple[str, ...], values: Any, kind: Any = None) -> Any:
            array = np.asarray(values, dtype=object if kind is text else kind)
            variable = file.create_variable(name, dims, dtype=kind or array.dtype)
            variable[...] = array
            variable.attrs["digest"] = digest(array)
            return variable

        put("case", ("case",), np.arange(*figures.span, dtype=np.int64))
        put("status", ("case",), figures.status)
        put("reason", ("case",), figures.reasons, text)
        put("metric", ("metric",), list(figures.metrics), text)
        put("metrics", ("metric", "case"), np.stack(list(figures.metrics.values())))
        file.dimensions["event"] = max(len(figures.events), 1)
        events = figures.events or {"": np.zeros(n, dtype=np.bool_)}
        put("event", ("event",), list(events), text)
        put("events", ("event", "case"), np.stack(list(events.values())).astype(np.int8))
        if figures.traces and len(figures.time):
            file.dimensions["time"] = len(figures.time)
            put("time", ("time",), figures.time).attrs["units"] = "s"
            for name, values in figures.traces.items():
                variable = put(name, ("case", "time"), values)
                variable.attrs["units"], variable.attrs["long_name"] = SIGNALS[name]
        file.attrs["variables"] = " ".join(file.variables)
    return image.getvalue()


class Damaged(Exception):
    """A chunk file that is torn or whose numbers are not those that were written."""


class ChunkFile:
    """One chunk file, open for reading; each variable is checked against its digest."""

    def __init__(self, path: Path, span: Span, fingerprint: str) -> None:
        try:
            self.file = h5py.File(path, "r")
        except (OSError, RuntimeError, ValueError) as error:
            raise Damaged(f"{path}: cannot be read: {error}") from None
        self.path = path
        try:
            found = str(self.file.attrs["fingerprint"])
            held = Span(*(int(number) for number in self.file.attrs["cases"]))
        except (KeyError, OSError, RuntimeError, TypeError, ValueError) as error:
            self.file.close()
            raise Damaged(f"{path}: whose it is cannot be read: {error}") from None
        if found != fingerprint or held != span:
            self.file.close()
            raise ParameterError(
                Fault(
                    file=str(path),
                    what=f"holds {held} of the study {found[:16]}",
                    expected=f"{span} of the study {fingerprint[:16]}; this file was not written "
                    "here: move it away, the cases are then computed again",
                )
            )

    def __enter__(self) -> ChunkFile:
        return self

    def __exit__(self, *_: object) -> None:
        self.file.close()

    def names(self) -> list[str]:
        """Return the variables that were written."""
        try:
            return str(self.file.attrs["variables"]).split()
        except (KeyError, OSError, RuntimeError) as error:
            raise Damaged(f"{self.path}: its variables cannot be read: {error}") from None

    def read(self, name: str) -> NDArray[Any]:
        """Return a variable, as it was written."""
        try:
            variable = self.file[name]
            is_text = h5py.check_string_dtype(variable.dtype) is not None
            values = variable.asstr()[...] if is_text else variable[...]
            sound = digest(values) == variable.attrs["digest"]
        except (KeyError, OSError, RuntimeError, ValueError) as error:
            raise Damaged(f"{self.path}: {name} cannot be read: {error}") from None
        if not sound:
            raise Damaged(f"{self.path}: {name} is not what was written")
        array: NDArray[Any] = values
        return array

    def row(self, table: str, name: str, label: str) -> NDArray[Any]:
        """Return the row of a table that has a label."""
        labels = list(self.read(label))
        if name not in labels:
            raise Damaged(f"{self.path}: {name} is not there")
        array: NDArray[Any] = self.read(table)[labels.index(name)]
        return array
