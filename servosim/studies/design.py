"""From what a caller wants varied to the cases of a study."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from servosim.errors import Fault, ParameterError
from servosim.studies.parameters import Parameter, parameter_of
from servosim.studies.inputs import Input, Values
from servosim.studies.limits import Limit
from servosim.studies.plan import Plan

if TYPE_CHECKING:
    from servosim.axis import Axis

MOST_CASES = 100_000_000
LARGEST_SEED = 2**31 - 1
CASE, REPEAT = "case", "repeat"
NOISES = ("common", "varied")
# names that the results need for themselves
RESERVED = frozenset({CASE, REPEAT, "time", "status", "reason", "seed", "quantile"})


@dataclass
class _Dimension:
    """One dimension of the cases: its size, and the values along it by parameter."""

    name: str
    size: int
    values: list[tuple[Parameter, Values]] = field(default_factory=list)


def plan_of(
    axis: Axis,
    over: Mapping[Any, Any] | None = None,
    *,
    move: Mapping[str, Any] | None = None,
    cases: Sequence[Mapping[str, Any]] | None = None,
    samples: int | None = None,
    method: str = "latin_hypercube",
    correlation: Mapping[tuple[str, str], float] | None = None,
    seed: int = 0,
    noise: str = "common",
    repeats: int = 1,
    traces: Sequence[str] = (),
    limits: Mapping[str, Any] | None = None,
    tolerance: float | None = None,
    title: str = "",
) -> Plan:
    from servosim.simulate import TOLERANCE

    if move:
        axis = axis.replace({f"move.{key}": value for key, value in move.items()})
    faults: list[Fault] = []
    dimensions = []
    for key, variation in (over or {}).items():
        try:
            dimensions.append(_grid(axis, key, variation))
        except ParameterError as error:
            faults.extend(error.faults)
    if cases is not None:
        dimensions.append(_listed(axis, cases))
    if faults:
        raise ParameterError(faults)
    if repeats > 1:
        dimensions.append(_Dimension(REPEAT, repeats))
    shape = tuple(one.size for one in dimensions)
    n = math.prod(shape)
    inputs = []
    for one in dimensions:
        for parameter, values in one.values:
            name = parameter.path.partition(".")[2]
            inputs.append(
                Input(parameter.path, name, one.name, values, parameter.unit, parameter.spelling)
            )
    return Plan(
        axis=axis,
        dims=tuple(one.name for one in dimensions),
        shape=shape,
        inputs=tuple(inputs),
        seeds=np.full(n, axis.move.seed, dtype=np.int64),
        limits={name: Limit(*one) for name, one in (limits or {}).items()},
        traces=tuple(traces),
        tolerance=TOLERANCE if tolerance is None else tolerance,
        design={},
        title=title,
    )


def _grid(axis: Axis, key: Any, variation: Any) -> _Dimension:
    paths = (key,) if isinstance(key, str) else tuple(key)
    parameters = [parameter_of(axis.file, path) for path in paths]
    columns = []
    for parameter in parameters:
        values = [parameter.value(raw) for raw in variation]
        columns.append((parameter, _column(parameter, values)))
    name = parameters[0].path.partition(".")[2]
    return _Dimension(name, len(values), columns)


def _column(parameter: Parameter, values: Sequence[Any]) -> Values:
    if parameter.is_choice:
        return tuple(values)
    return np.array(values, dtype=np.float64)


def _listed(axis: Axis, cases: Sequence[Mapping[str, Any]]) -> _Dimension:
    paths = list(dict.fromkeys(path for case in cases for path in case))
    columns = []
    for path in paths:
        parameter = parameter_of(axis.file, path)
        left: Any = "" if parameter.is_choice else math.nan
        values = [parameter.value(case[path]) if path in case else left for case in cases]
        columns.append((parameter, _column(parameter, values)))
    return _Dimension(CASE, len(cases), columns)
