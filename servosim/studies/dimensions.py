"""From one variation, one list of cases or all distributions to one dimension of the cases."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from servosim.errors import Fault, ParameterError
from servosim.params._values import nearest, shown, shown_kind
from servosim.studies import samples as points_of
from servosim.studies.inputs import Values
from servosim.studies.parameters import Parameter, parameter_of
from servosim.studies.variations import Between, Sampled

if TYPE_CHECKING:
    from servosim.document import AxisFile

CASE = "case"
MOST_FAULTS = 20
_PART = 65536


@dataclass(frozen=True)
class Entry:
    """What varies together, and how.

    Parameters
    ----------
    paths : tuple
        Parameters as a caller named them.
    variation : object
        Values, :class:`Between` or a distribution.
    place : str
        Where it stands in a study file, "" for a caller.
    strict : bool
        Whether it comes from a file, where a bare number has no unit.
    """

    paths: tuple[Any, ...]
    variation: Any
    place: str = ""
    strict: bool = False

    @property
    def is_sampled(self) -> bool:
        """Whether cases are drawn from a distribution."""
        return isinstance(self.variation, Sampled)

    def named(self, faults: Iterable[Fault]) -> list[Fault]:
        """Return faults with their place in the study file."""
        found = list(faults)
        more = len(found) - MOST_FAULTS
        if more > 0:
            found[MOST_FAULTS:] = [Fault(what=f"{more} more values that cannot be used")]
        return [placed(fault, self.place) for fault in found]


def placed(fault: Fault, place: str) -> Fault:
    """Return a fault at a place of a study file, its own place as the key."""
    if not place:
        return fault
    key = ".".join(filter(None, (fault.table, fault.key)))
    return dataclasses.replace(fault, table=place, key=key)


@dataclass
class Dimension:
    """One dimension of the cases: its size, and the values along it by parameter."""

    name: str
    size: int
    values: list[tuple[Parameter, Values]] = field(default_factory=list)
    story: list[dict[str, Any]] = field(default_factory=list)


def column_of(parameter: Parameter, values: Sequence[Any]) -> Values:
    """Return values of one parameter as a plan holds them."""
    return tuple(values) if parameter.is_choice else np.array(values, dtype=np.float64)


def grid(file: AxisFile, entry: Entry) -> Dimension:
    """Return the dimension of a grid.

    Parameters
    ----------
    file : AxisFile
        The file that is varied.
    entry : Entry
        Parameters with their values or points.

    Returns
    -------
    Dimension
        With the path of its first parameter as its name.

    Raises
    ------
    ParameterError
        With every value that cannot be used.
    """
    parameters = [parameter_of(file, path) for path in entry.paths]
    rows = _rows(entry, parameters)
    faults: list[Fault] = []
    strict = entry.strict and not isinstance(entry.variation, Between)  # its points are SI numbers
    columns = []
    for parameter, column in zip(parameters, zip(*rows, strict=True), strict=True):
        values, more = _values(parameter, column, strict)
        columns.append(values)
        faults += more
    if not faults:
        seen: set[Any] = set()
        for row in zip(*columns, strict=True):
            if row in seen:
                words = ", ".join(map(Parameter.show, parameters, row))
                faults.append(parameters[0].fault(f"{words} stands twice", "each value once"))
            seen.add(row)
    if faults:
        raise ParameterError(faults)
    values_of = [
        (parameter, column_of(parameter, values))
        for parameter, values in zip(parameters, columns, strict=True)
    ]
    story = {"paths": [one.path for one in parameters], "points": len(rows)}
    return Dimension(parameters[0].path, len(rows), values_of, [story])


def _rows(entry: Entry, parameters: Sequence[Parameter]) -> list[tuple[Any, ...]]:
    """Return the raw values of all parameters of a grid, point by point."""
    variation, first = entry.variation, parameters[0]
    expected = f"a list of values such as [{first.field.example}], Between(...) or a distribution"
    if isinstance(variation, Between):
        columns = [variation.values(parameter, entry.strict) for parameter in parameters]
        return list(zip(*columns, strict=True))
    if hasattr(variation, "ppf") or hasattr(variation, "icdf"):
        what = "a distribution without a unit"
        raise ParameterError(first.fault(what, f"Distributed(..., '{first.spelling}')"))
    if isinstance(variation, np.ndarray):
        variation = variation.tolist()
    if not isinstance(variation, list | tuple | range):
        raise ParameterError(first.fault(f"{shown_kind(variation)} where values vary", expected))
    if not variation:
        raise ParameterError(first.fault("no values", expected))
    rows = []
    for value in variation:
        if not isinstance(value, list | tuple):
            rows.append((value,) * len(parameters))
        elif len(value) == len(parameters) > 1:
            rows.append(tuple(value))
        else:
            what = f"a list of {len(value)} entries as one value"
            count = f"one value, or one for each of the {len(parameters)} parameters"
            raise ParameterError(first.fault(what, count if len(parameters) > 1 else "one value"))
    return rows


def _values(
    parameter: Parameter, column: Iterable[Any], strict: bool
) -> tuple[list[Any], list[Fault]]:
    """Return the values of one parameter, and what is wrong with some."""
    values: list[Any] = []
    faults: list[Fault] = []
    for raw in column:
        try:
            values.append(parameter.value(raw, strict=strict))
        except ParameterError as error:
            faults.extend(error.faults)
    return values, faults


def listed(file: AxisFile, cases: Any, *, strict: bool = False) -> Dimension:
    """Return the dimension of a list of cases.

    Parameters
    ----------
    file : AxisFile
        The file that is varied.
    cases : sequence of mapping of str to object
        Values by path; what a case does not state stays as the file has it.
    strict : bool
        Whether they come from a file, where a bare number has no unit.

    Returns
    -------
    Dimension
        Named "case".

    Raises
    ------
    ParameterError
        With every fault found.
    """
    what = "a list of cases, each with values by path"
    if not isinstance(cases, list | tuple) or not cases:
        raise ParameterError(Fault("", "", "cases", f"{shown(cases)} where cases are listed", what))
    parameters: dict[Any, Parameter | None] = {}
    columns: dict[Any, list[Any]] = {}
    faults: list[Fault] = []
    for k, case in enumerate(cases):
        place = f"cases {k + 1}"
        if not isinstance(case, Mapping):
            faults.append(Fault("", place, "", f"{shown_kind(case)} as one case", what))
            continue
        for path, raw in case.items():
            try:
                if path not in parameters:
                    parameters[path] = None
                    parameters[path] = parameter_of(file, path)
                    left = "" if parameters[path].is_choice else math.nan  # type: ignore[union-attr]
                    columns[path] = [left] * len(cases)
                parameter = parameters[path]
                if parameter is not None:
                    columns[path][k] = parameter.value(raw, strict=strict)
            except ParameterError as error:
                faults.extend(placed(fault, place) for fault in error.faults)
    if faults:
        more = len(faults) - MOST_FAULTS
        if more > 0:
            faults[MOST_FAULTS:] = [Fault("", "cases", "", f"{more} more values cannot be used")]
        raise ParameterError(faults)
    values = [
        (parameter, column_of(parameter, columns[path]))
        for path, parameter in parameters.items()
        if parameter is not None
    ]
    return Dimension(CASE, len(cases), values)


@dataclass(frozen=True)
class Sampling:
    """How cases are drawn.

    Parameters
    ----------
    samples : int or None
        Number of points drawn, None if none are.
    method : str
        One of ``samples.METHODS``.
    correlation : mapping of (str, str) to float
        Rank correlation of two parameters.
    place : str
        Where the correlations stand in a study file, "" for a caller.
    """

    samples: int | None
    method: str
    correlation: Mapping[Any, Any] = field(default_factory=dict)
    place: str = ""


def sampled(
    file: AxisFile, entries: Sequence[Entry], how: Sampling, rng: np.random.Generator
) -> Dimension:
    """Return the dimension of all parameters that have a distribution.

    Parameters
    ----------
    file : AxisFile
        The file that is varied.
    entries : sequence of Entry
        Parameters with their distributions.
    how : Sampling
        How many cases, drawn how.
    rng : numpy.random.Generator
        Where chance comes from.

    Returns
    -------
    Dimension
        Named "case".

    Raises
    ------
    ParameterError
        With every fault found.
    """
    faults: list[Fault] = []
    groups: list[list[Parameter]] = []
    for entry in entries:
        try:
            parameters = [parameter_of(file, path) for path in entry.paths]
            _check_tied(parameters)
            probe = np.array([0.5])  # a distribution that is none says so before cases are drawn
            entry.variation.quantiles(probe, parameters[0], entry.strict)
            groups.append(parameters)
        except ParameterError as error:
            faults += entry.named(error.faults)
    if faults:
        raise ParameterError(faults)
    names = [parameters[0].path for parameters in groups]
    ranks = _ranks(groups, how)
    matrix = points_of.score_correlation(names, ranks) if ranks else None
    points = points_of.unit_points(how.method, how.samples or 1, names, rng)
    if matrix is not None:
        points_of.correlate(points, matrix, keep_values=how.method == "latin_hypercube")
    found = Dimension(CASE, len(points[0]))
    for k, (entry, parameters) in enumerate(zip(entries, groups, strict=True)):
        try:
            column = _quantiles(entry, parameters[0], points[k])
            points[k] = points[k][:0]  # a million cases are large
            outside = _outside(parameters, column)
        except ParameterError as error:
            faults += entry.named(error.faults)
            continue
        found.values += [(parameter, column) for parameter in parameters]
        paths = [one.path for one in parameters]
        found.story.append({"paths": paths, **entry.variation.story(), "outside": outside})
    if faults:
        raise ParameterError(faults)
    return found


def _quantiles(
    entry: Entry, parameter: Parameter, shares: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the values below which given shares lie; part by part, as the library needs room."""
    column = np.empty(len(shares))
    for begin in range(0, len(shares), _PART):
        part = slice(begin, begin + _PART)
        column[part] = entry.variation.quantiles(shares[part], parameter, entry.strict)
    return column + 0.0  # no negative zero


def _check_tied(parameters: Sequence[Parameter]) -> None:
    """Refuse names, and parameters of different quantities, under one distribution."""
    first = parameters[0]
    for one in parameters:
        if one.is_choice:
            raise ParameterError(one.fault("names have no distribution", "a list of values"))
        if one.quantity != first.quantity:
            what = f"cannot have the distribution of {first.path}: its unit is {one.spelling}"
            raise ParameterError(one.fault(what, "parameters of the same quantity"))


def _outside(parameters: Sequence[Parameter], column: NDArray[np.float64]) -> int:
    """Return how many values the limits of the keys refuse; they become cases that are refused."""
    first = parameters[0]
    if np.isnan(column).any():
        what = "the distribution gives values that are no numbers"
        raise ParameterError(first.fault(what, "shapes and scales that the distribution allows"))
    if any(one.field.whole for one in parameters) and (column != np.rint(column)).any():
        what = "a whole number cannot have a continuous distribution"
        raise ParameterError(first.fault(what, "a discrete one such as stats.randint(1, 9)"))
    within = np.isfinite(column)
    for one in parameters:
        limits = one.field.limits
        within &= (column >= limits.get("low", -math.inf)) & (
            column <= limits.get("high", math.inf)
        )
        within &= (column > limits.get("above", -math.inf)) & (
            column < limits.get("below", math.inf)
        )
    if not within.any():
        what = f"no case is within the limits; the first is {first.show(float(column[0]))}"
        raise ParameterError(first.fault(what, first.field.bounds))
    return int(np.count_nonzero(~within))


def _ranks(groups: Sequence[Sequence[Parameter]], how: Sampling) -> dict[tuple[int, int], float]:
    """Return the rank correlations by the places of the parameters, or raise every fault."""
    place = {one.path: k for k, parameters in enumerate(groups) for one in parameters}
    found: dict[tuple[int, int], float] = {}
    faults: list[Fault] = []

    def refuse(what: str, expected: str = "", close: str = "") -> None:
        faults.append(Fault("", how.place or "correlation", "", what, expected, close))

    if how.correlation and how.method == "sensitivity":
        refuse("sensitivities are defined for independent inputs only", "no correlation")
    for pair, rank in how.correlation.items():
        if not isinstance(pair, tuple) or len(pair) != 2:
            refuse(f"{shown(pair)} is no pair of parameters", "two names, ('a.b', 'c.d')")
            continue
        unknown = [name for name in pair if name not in place]
        for name in unknown:
            what = f"{name} is not drawn from a distribution"
            refuse(what, "two parameters that are", nearest(str(name), place))
        is_number = isinstance(rank, int | float | np.number) and not isinstance(rank, bool)
        if not is_number or not -1.0 < float(rank) < 1.0:
            what = f"a rank correlation of {shown(rank)} between {pair[0]} and {pair[1]}"
            refuse(what, "between -1 and 1, exclusive; what moves as one is stated as one")
        elif not unknown:
            i, j = sorted(place[name] for name in pair)
            if i == j:
                refuse(f"{pair[0]} and {pair[1]} vary as one", "two that vary on their own")
            elif (i, j) in found:
                refuse(f"{pair[0]} and {pair[1]} are correlated twice", "one rank for each pair")
            else:
                found[i, j] = float(rank)
    if faults:
        raise ParameterError(faults)
    return found
