"""The cases of a study as arrays: what makes each of them, and the file that reruns it.

A plan holds no object per case. What varies along a dimension is one array along it; the cases are
all combinations of the dimensions, the last one running fastest.
"""

from __future__ import annotations

import base64
import dataclasses
import hashlib
import json
import math
import tomllib
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from servosim.errors import Fault, ParameterError
from servosim.params import dumps, edit
from servosim.studies.parameters import Parameter, base_value, field_of, parameter_of
from servosim.version import __version__

if TYPE_CHECKING:
    from servosim.axis import Axis

SEED = "move.seed"
_FORMAT = 1

Array = NDArray[np.float64]
Values = Array | tuple[str, ...]


@dataclass(frozen=True)
class Limit:
    """What a figure must keep to.

    Parameters
    ----------
    low, high : float, optional
        Lowest and highest value that passes [SI unit of the figure].
    """

    low: float = -math.inf
    high: float = math.inf


@dataclass(frozen=True, eq=False)
class Input:
    """One parameter and its values along a dimension.

    Attributes
    ----------
    path : str
        "table.key".
    name : str
        Its name in the results.
    dim : str
        The dimension along which it varies.
    values : ndarray of float64 or tuple of str
        One value for each place along the dimension [unit]; names for a choice. Where a case of a
        list leaves the value of the file: nan, or "".
    unit, spelling : str
        SI unit, and unit in which the file shows it; "" for a choice.
    """

    path: str
    name: str
    dim: str
    values: Values
    unit: str
    spelling: str


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
        return {one.path: self._column(one) for one in self.inputs}

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

    def _column(self, one: Input) -> Values:
        place = self.dims.index(one.dim)
        before, after = math.prod(self.shape[:place]), math.prod(self.shape[place + 1 :])
        if isinstance(one.values, tuple):
            inner = [name for name in one.values for _ in range(after)]
            return tuple(inner) * before
        return np.tile(np.repeat(one.values, after), before)

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
        column = self._column(one)
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
            faults.append(Fault(name, what=f"made of {self._shown(changes)}"))
            raise ParameterError(faults) from None

    def _shown(self, changes: Mapping[str, Any]) -> str:
        """Return the changes of a case in words."""
        return ", ".join(
            f"{path} = {Parameter(path, field_of(path)).show(value)}"
            for path, value in changes.items()
        )

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
        changes = self.changes(k)
        try:
            text = dumps(self.axis.replace(changes).file)
        except ParameterError:
            text = edit(dumps(self.axis.file), self._raw(k, changes))
        number = self.first + k
        title = self.axis.file.title.rstrip(".")
        study = f"the study '{self.title}'" if self.title else "a study"
        notes = [
            self.axis.file.notes.rstrip(),
            f"Case {number} of {self.whole} of {study} (fingerprint {self.fingerprint}): "
            f"{self._shown(changes)}.",
        ]
        from servosim.simulate import TOLERANCE

        if self.tolerance != TOLERANCE:
            notes.append(
                f"The study was run with tolerance {self.tolerance!r}, which a file does not state."
            )
        head = {"title": f"{title}; case {number}", "notes": " ".join(filter(None, notes))}
        return _with_head(text, head)

    def _raw(self, k: int, changes: Mapping[str, Any]) -> dict[str, Any]:
        """Return changes as TOML holds them, without asking whether they make sense."""
        raw: dict[str, Any] = {}
        for path, value in changes.items():
            one = Parameter(path, field_of(path))
            if isinstance(value, float) and not math.isfinite(value):
                what = f"case {self.first + k} has the value {value}, which no file can hold"
                raise ParameterError(one.fault(what, "a distribution without infinite values"))
            if one.field.kind == "switch":
                raw[path] = value == "true"
            elif isinstance(value, float) and one.field.kind == "quantity" and one.unit != "1":
                raw[path] = one.show(value)
            else:
                raw[path] = value
        return raw

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
        inputs = tuple(
            dataclasses.replace(one, dim="case", values=_taken(one.values, places[one.dim]))
            for one in self.inputs
        )
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
        """Hash of everything the figures depend on, with the version and its compiled sources."""
        from servosim._jit import source_hash

        digest = hashlib.sha256(f"servosim {__version__} {source_hash()}\n".encode())
        header, arrays = self._parts()
        digest.update(json.dumps(header, sort_keys=True).encode())
        for array in arrays.values():
            digest.update(array.tobytes())
        return digest.hexdigest()

    def _parts(self) -> tuple[dict[str, Any], dict[str, NDArray[Any]]]:
        """Return the plan as plain values and as arrays in the order of bytes of any machine."""
        inputs, arrays = [], {"seeds": self.seeds.astype("<i8")}
        for one in self.inputs:
            about: dict[str, Any] = {
                "path": one.path,
                "name": one.name,
                "dim": one.dim,
                "unit": one.unit,
                "spelling": one.spelling,
            }
            if isinstance(one.values, tuple):
                about["names"] = names = sorted(set(one.values))
                index = {name: place for place, name in enumerate(names)}
                arrays[one.path] = np.array([index[name] for name in one.values], dtype="<i8")
            else:
                arrays[one.path] = np.asarray(one.values, dtype="<f8")
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

    def pack(self) -> dict[str, Any]:
        """Return the plan in plain values that JSON holds, for another machine.

        Returns
        -------
        dict
            The axis as the text of its file, arrays as compressed bytes in base 64.
        """
        header, arrays = self._parts()
        packed = {
            name: base64.b64encode(zlib.compress(array.tobytes(), 1)).decode("ascii")
            for name, array in arrays.items()
        }
        return {**header, "arrays": packed}

    @staticmethod
    def unpack(packed: Mapping[str, Any]) -> Plan:
        """Return the plan that :meth:`pack` gave.

        Parameters
        ----------
        packed : mapping
            Plain values.

        Returns
        -------
        Plan
            Equal to the one that was packed, bit for bit.

        Raises
        ------
        ParameterError
            If it is no plan that this version can read.
        """
        try:
            return _unpacked(packed)
        except ParameterError:
            raise
        except (KeyError, TypeError, ValueError, AttributeError, zlib.error) as error:
            what = f"no plan that this version can read: {error!r}"
            raise ParameterError(Fault(what=what, expected="what Plan.pack gave")) from None


def _taken(values: Values, places: NDArray[np.intp]) -> Values:
    if isinstance(values, tuple):
        return tuple(values[place] for place in places.tolist())
    return values[places]


def _with_head(text: str, head: Mapping[str, str]) -> str:
    """Return a parameter file with other texts above its tables."""
    given = tomllib.loads(text)
    if all(key in given for key in head):
        return edit(text, head)
    lines = "".join(f"{key} = {json.dumps(head[key])}\n" for key in head if key not in given)
    return lines + edit(text, {key: value for key, value in head.items() if key in given})


def _unpacked(packed: Mapping[str, Any]) -> Plan:
    """Return the plan in plain values, which may raise anything if they are no plan."""
    from servosim.axis import Axis
    from servosim.document import AxisFile

    if packed["format"] != _FORMAT:
        raise ValueError(f"format {packed['format']}")

    def array(name: str, kind: str) -> NDArray[Any]:
        held = zlib.decompress(base64.b64decode(packed["arrays"][name], validate=True))
        return np.frombuffer(held, dtype=kind).astype(kind[1:])

    inputs = []
    for about in packed["inputs"]:
        one = dict(about)
        names = one.pop("names", None)
        values: Values
        if names is None:
            values = array(one["path"], "<f8")
        else:
            values = tuple(names[place] for place in array(one["path"], "<i8").tolist())
        inputs.append(Input(values=values, **one))
    return Plan(
        axis=Axis(AxisFile(**tomllib.loads(packed["axis"]))),
        dims=tuple(packed["dims"]),
        shape=tuple(packed["shape"]),
        inputs=tuple(inputs),
        seeds=array("seeds", "<i8"),
        limits={
            name: Limit(float(low), float(high)) for name, (low, high) in packed["limits"].items()
        },
        traces=tuple(packed["traces"]),
        tolerance=float(packed["tolerance"]),
        design=dict(packed["design"]),
        title=packed["title"],
        first=packed["first"],
        whole=packed["whole"],
    )
