"""The cases of a study as arrays: what makes each of them, and the file that reruns it.

A plan holds no object per case. What varies along a dimension is one array along it; the cases are
all combinations of the dimensions, the last one running fastest.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from servosim.errors import Fault, ParameterError
from servosim.params import dumps
from servosim.studies import archive
from servosim.studies.case_text import case_text, shown_changes
from servosim.studies.inputs import Input, Values
from servosim.studies.limits import Limit
from servosim.studies.parameters import Parameter, base_value, field_of, parameter_of
from servosim.version import __version__

if TYPE_CHECKING:
    from servosim.axis import Axis

SEED = "move.seed"
SEED_ARRAY = "seeds"
_FORMAT = 1


@dataclass(frozen=True, eq=False)
class Plan:
    """The cases of a study.

    Make it with :func:`servosim.studies.design.plan_of` or :func:`servosim.read_study`.

    Attributes
    ----------
    axis : Axis
        The axis whose values are varied, with its move.
    dims : tuple of str
        Dimensions of the cases; the last one runs fastest.
    shape : tuple of int
        Their sizes; the product is the number of cases.
    inputs : tuple of Input
        What varies, in the order in which it was stated.
    seeds : ndarray of int64, shape (n,)
        Seed of the noise of each case.
    limits : dict of str to Limit
        What the figures must keep to [SI].
    traces : tuple of str
        Signals to keep.
    tolerance : float
        Largest error of a step [-] relative to the scale of each state.
    design : dict
        How the cases were made, in plain values.
    title : str
        What the study is.
    first : int
        Number of the first case in the whole study.
    whole : int
        Number of cases of the whole study.
    """

    axis: Axis
    dims: tuple[str, ...]
    shape: tuple[int, ...]
    inputs: tuple[Input, ...]
    seeds: NDArray[np.int64]
    limits: dict[str, Limit]
    traces: tuple[str, ...]
    tolerance: float
    design: dict[str, Any] = field(default_factory=dict)
    title: str = ""
    first: int = 0
    whole: int = 0

    def __post_init__(self) -> None:
        if not self.whole:
            object.__setattr__(self, "whole", len(self))

    def __len__(self) -> int:
        return self.n

    @property
    def n(self) -> int:
        """Number of cases."""
        return math.prod(self.shape)

    def __getstate__(self) -> dict[str, Any]:
        return {one.name: getattr(self, one.name) for one in dataclasses.fields(self)}

    @property
    def paths(self) -> tuple[str, ...]:
        """The parameters that vary, "table.key"."""
        return tuple(one.path for one in self.inputs)

    @property
    def columns(self) -> dict[str, Values]:
        """Values of every case by path, shape (n,) [SI]; made anew each time it is asked for."""
        return {one.path: one.column(self.dims, self.shape) for one in self.inputs}

    @property
    def coordinates(self) -> dict[str, tuple[str, Any, str]]:
        """Dimension, values along it and SI unit, by name; a dimension's own name comes first."""
        found: dict[str, tuple[str, Any, str]] = {}
        own = {one.name for one in self.inputs}
        for dim, size in zip(self.dims, self.shape, strict=True):
            if dim not in own:
                begin = self.first if dim == "case" and len(self) < self.whole else 0
                found[dim] = (dim, np.arange(begin, begin + size), "1")
        for one in self.inputs:
            found[one.name] = (one.dim, one.values, one.unit)
        return found

    def values(self, path: str) -> Values:
        """Return the value of a parameter in every case, the file's own where a case leaves it.

        Parameters
        ----------
        path : str
            "table.key" of a parameter that varies.

        Returns
        -------
        ndarray of float64 or tuple of str, shape (n,)
            Values [SI unit]; nan or "" where the file does not read the key.

        Raises
        ------
        ParameterError
            If the study does not vary it.
        """
        one = next((one for one in self.inputs if one.path == path), None)
        if one is None:
            what, expected = f"{path!r} does not vary", " or ".join(self.paths)
            raise ParameterError(Fault(what=what, expected=expected))
        base = base_value(self.axis.file, parameter_of(self.axis.file, path))
        column = one.column(self.dims, self.shape)
        if isinstance(column, tuple):
            return tuple(name or str(base or "") for name in column)
        return np.where(np.isnan(column), np.nan if base is None else base, column)

    def _places(self, k: int) -> dict[str, int]:
        """Return where a case stands along each dimension."""
        if not 0 <= k < len(self):
            what = f"there is no case {self.first + k}"
            expected = f"{self.first} to {self.first + len(self) - 1}"
            raise ParameterError(Fault(what=what, expected=expected))
        places = {}
        for dim, size in zip(reversed(self.dims), reversed(self.shape), strict=True):
            k, places[dim] = divmod(k, size)
        return places

    def changes(self, k: int) -> dict[str, Any]:
        """Return everything that makes a case from the file.

        Parameters
        ----------
        k : int
            The case, counted from 0.

        Returns
        -------
        dict of str to float or int or str
            By path, as :meth:`servosim.Axis.replace` takes it [SI unit of the key]; with the seed
            of the noise.

        Raises
        ------
        ParameterError
            If there is no such case.
        """
        places = self._places(k)
        changes: dict[str, Any] = {}
        for one in self.inputs:
            value = one.values[places[one.dim]]
            if isinstance(value, str):
                if value:
                    changes[one.path] = value
            elif not math.isnan(value):
                changes[one.path] = Parameter(one.path, field_of(one.path)).given(float(value))
        changes[SEED] = int(self.seeds[k])
        return changes

    def case_axis(self, k: int) -> Axis:
        """Return the axis of a case, with its move.

        Parameters
        ----------
        k : int
            The case, counted from 0.

        Returns
        -------
        Axis
            Checked, with the seed of the case as that of its move.

        Raises
        ------
        ParameterError
            If its values cannot be used; naming the case and its values.
        """
        changes = self.changes(k)
        try:
            return self.axis.replace(changes)
        except ParameterError as error:
            name = f"case {self.first + k}"
            faults = [dataclasses.replace(fault, file=name) for fault in error.faults]
            faults.append(Fault(name, what=f"made of {shown_changes(changes)}"))
            raise ParameterError(faults) from None

    def case_file(self, k: int) -> str:
        """Return a parameter file of one case; ``servosim move`` reruns it to the same bits.

        Parameters
        ----------
        k : int
            The case, counted from 0.

        Returns
        -------
        str
            TOML text. A case whose values are refused gives a file that is refused likewise.

        Raises
        ------
        ParameterError
            If there is no such case, or a value is infinite and cannot be written.
        """
        from servosim.simulate import TOLERANCE

        changes = self.changes(k)
        study = f"the study '{self.title}'" if self.title else "a study"
        note = (
            f"Case {self.first + k} of {self.whole} of {study} (fingerprint {self.fingerprint}): "
            f"{shown_changes(changes)}."
        )
        if self.tolerance != TOLERANCE:
            note += f" It was run with tolerance {self.tolerance!r}, which a file does not state."
        return case_text(self.axis.file, changes, f"case {self.first + k}", note)

    def subset(self, first: int, last: int) -> Plan:
        """Return consecutive cases as a plan of their own.

        Parameters
        ----------
        first, last : int
            The first case, and the one behind the last, counted from 0.

        Returns
        -------
        Plan
            One dimension, "case". It knows its place in the whole study.

        Raises
        ------
        ParameterError
            If there are no such cases.
        """
        if not 0 <= first < last <= len(self):
            what = f"there are no cases {first} to {last - 1}"
            raise ParameterError(Fault(what=what, expected=f"0 to {len(self) - 1}, in this order"))
        places = dict(
            zip(self.dims, np.unravel_index(np.arange(first, last), self.shape), strict=True)
        )
        inputs = tuple(one.taken("case", places[one.dim]) for one in self.inputs)
        return dataclasses.replace(
            self,
            dims=("case",),
            shape=(last - first,),
            inputs=inputs,
            seeds=self.seeds[first:last].copy(),
            first=self.first + first,
        )

    @cached_property
    def fingerprint(self) -> str:
        """Hash of all that the figures depend on, with the version and its compiled sources.

        Title and limits are no part of it: another limit judges the same figures.
        """
        from servosim._jit import source_hash

        digest = hashlib.sha256(f"servosim {__version__} {source_hash()}\n".encode())
        header, arrays = self._parts()
        for name in ("title", "limits"):
            del header[name]
        digest.update(json.dumps(header, sort_keys=True).encode())
        for array in arrays.values():
            digest.update(array.tobytes())
        return digest.hexdigest()

    def _parts(self) -> tuple[dict[str, Any], dict[str, NDArray[Any]]]:
        """Return the plan as plain values, and as arrays in one order of bytes."""
        inputs, arrays = [], {SEED_ARRAY: self.seeds.astype("<i8")}
        for place, one in enumerate(self.inputs):
            about, arrays[f"input_{place}"] = one.parts()
            inputs.append(about)
        header = {
            "format": _FORMAT,
            "title": self.title,
            "axis": dumps(self.axis.file),
            "dims": list(self.dims),
            "shape": list(self.shape),
            "inputs": inputs,
            "limits": {name: [repr(one.low), repr(one.high)] for name, one in self.limits.items()},
            "traces": list(self.traces),
            "tolerance": repr(self.tolerance),
            "design": self.design,
            "first": self.first,
            "whole": self.whole,
        }
        return header, arrays

    def pack(self) -> bytes:
        """Return the plan as bytes, for a file or for another machine.

        Returns
        -------
        bytes
            An archive of plain arrays; the axis as the text of its file. Nothing in it is code.
        """
        return archive.pack(*self._parts())

    @staticmethod
    def unpack(packed: bytes) -> Plan:
        """Return the plan that :meth:`pack` gave.

        Parameters
        ----------
        packed : bytes
            The archive.

        Returns
        -------
        Plan
            Equal to the one that was packed, bit for bit.

        Raises
        ------
        ParameterError
            If it is no plan that this version can read.
        """
        header, arrays = archive.unpack(packed)
        try:
            return _joined(header, arrays)
        except archive.NO_ARCHIVE as error:
            if isinstance(error, ParameterError):
                raise
            raise archive.no_plan(error) from None


def _joined(header: Mapping[str, Any], arrays: Mapping[str, NDArray[Any]]) -> Plan:
    """Return the plan in an archive, which may raise anything if it is none."""
    from servosim.axis import Axis
    from servosim.document import AxisFile

    if header["format"] != _FORMAT:
        raise ValueError(f"format {header['format']}")
    limits = {
        name: Limit(float(low), float(high)) for name, (low, high) in header["limits"].items()
    }
    return Plan(
        axis=Axis(AxisFile(**tomllib.loads(header["axis"]))),
        dims=tuple(header["dims"]),
        shape=tuple(header["shape"]),
        inputs=tuple(
            Input.joined(about, arrays[f"input_{place}"])
            for place, about in enumerate(header["inputs"])
        ),
        seeds=arrays[SEED_ARRAY].astype(np.int64),
        limits=limits,
        traces=tuple(header["traces"]),
        tolerance=float(header["tolerance"]),
        design=dict(header["design"]),
        title=header["title"],
        first=header["first"],
        whole=header["whole"],
    )
