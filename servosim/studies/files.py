"""Study files: TOML that names an axis, what varies in it and what its figures must keep to."""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from servosim.errors import Fault, ParameterError
from servosim.params._files import _load, shown_file
from servosim.params._values import nearest, shown, shown_kind, shown_name
from servosim.studies.dimensions import Entry, Sampling
from servosim.studies.plan import Plan
from servosim.studies.spellings import variation_of

_EXPECTED = {
    "string_type": 'a text in quotes, "..."',
    "int_type": "a whole number",
    "float_type": "a number",
    "list_type": "a list, [...]",
    "dict_type": "a table of values",
    "model_type": "keys with values below a line [[...]]",
    "too_short": "two entries",
    "too_long": "two entries",
}


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, populate_by_name=True)


class Vary(_Part):
    """One thing that varies: values, points from ... to, or a distribution.

    Which keys go together is told by :func:`servosim.studies.spellings.variation_of`.
    """

    parameter: str | None = None
    parameters: list[str] | None = None
    values: list[Any] | None = None
    begin: Any = Field(None, alias="from")
    to: Any = None
    points: int | None = None
    spacing: str | None = None
    distribution: str | None = None
    low: Any = None
    high: Any = None
    mode: Any = None
    mean: Any = None
    standard_deviation: Any = None
    median: Any = None
    factor: float | None = None
    unit: str | None = None
    shapes: list[float] | None = None
    location: float | None = None
    scale: float | None = None


class Correlation(_Part):
    """Rank correlation of two parameters."""

    between: list[str] = Field(min_length=2, max_length=2)
    rank: float


class StudyFile(_Part):
    """Everything that a study file can state."""

    title: str
    axis: str
    notes: str = ""
    move: dict[str, Any] | None = None
    samples: int | None = None
    method: str = "latin_hypercube"
    seed: int = 0
    noise: str = "common"
    repeats: int = 1
    traces: list[str] = Field(default_factory=list)
    tolerance: float | None = None
    vary: list[Vary] = Field(default_factory=list)
    cases: list[dict[str, Any]] | None = None
    correlation: list[Correlation] = Field(default_factory=list)
    limits: dict[str, Any] | None = None


def read_study(path: str | os.PathLike[str], overrides: Mapping[str, str] | None = None) -> Plan:
    """Return the plan in a study file.

    Parameters
    ----------
    path : str or os.PathLike
        The file. The axis that it names is looked for beside it.
    overrides : mapping of str to str, optional
        By path such as "controller.velocity_gain" the text that takes the place of the axis
        file's.

    Returns
    -------
    Plan
        Its cases.

    Raises
    ------
    ParameterError
        With every fault of the study, of the axis it names and of the overrides.

    Examples
    --------
    >>> plan = read_study("params/studies/gain_and_valve.toml")
    >>> plan.dims
    ('velocity_gain', 'rated_flow')
    """
    from servosim.axis import read_axis
    from servosim.studies.design import assemble

    file = Path(os.fsdecode(path))
    name = shown_file(str(file))
    data = _load(file, name)
    if "axis" not in data and "valve" in data and "cylinder" in data:
        what = "is the parameter file of an axis, and no study"
        expected = (
            f'a study file with axis = "{file.name}"; servosim move runs one move of this one'
        )
        raise ParameterError(Fault(name, "", "", what, expected))
    study, faults = _checked(data)
    entries, more = _entries(data, study)
    faults += more
    axis = None
    if isinstance(data.get("axis"), str):
        try:
            axis = read_axis(file.parent / data["axis"], dict(overrides or {}))
        except ParameterError as error:
            faults += _axis_faults(file, data["axis"], error)
    if axis is None or study is None:
        raise ParameterError(_in_file(faults, name))
    pairs, more = _pairs(study)
    try:
        plan = assemble(
            axis,
            entries,
            [*faults, *more],
            move=study.move,
            cases=None if study.cases is None else [_flat(case) for case in study.cases],
            sampling=Sampling(study.samples, study.method, pairs),
            seed=study.seed,
            noise=study.noise,
            repeats=study.repeats,
            traces=study.traces,
            limits=study.limits,
            tolerance=study.tolerance,
            title=study.title,
            strict=True,
        )
    except ParameterError as error:
        raise ParameterError(_in_file(error.faults, name)) from None
    if study.notes:
        plan.design["notes"] = study.notes
    return plan


def _axis_faults(file: Path, stated: str, error: ParameterError) -> Iterable[Fault]:
    """Return what is wrong with the file of the axis, or with its name in the study."""
    path, close = file.parent / stated, error.faults[0].nearest
    expected = "the parameter file of an axis, its path as seen from this file"
    if not path.is_file():
        what = f"{shown(stated)} is " + ("a folder" if path.is_dir() else "no file that is there")
        return [Fault("", "", "axis", what, expected, "" if close == file.name else close)]
    if any(fault.key == "vary" and not fault.table for fault in error.faults):
        return [Fault("", "", "axis", f"{shown(stated)} is a study itself", expected)]
    return error.faults


def _in_file(faults: Iterable[Fault], name: str) -> list[Fault]:
    """Return faults with the name of the study file where they have none, each once."""
    placed = (fault if fault.file else dataclasses.replace(fault, file=name) for fault in faults)
    return list(dict.fromkeys(placed))


def _checked(data: Mapping[str, Any]) -> tuple[StudyFile | None, list[Fault]]:
    """Return the contents of a file if their kinds are right, or what is wrong with them."""
    try:
        return StudyFile.model_validate(data), []
    except ValidationError as error:
        return None, list(dict.fromkeys(_fault(one) for one in error.errors()))


def _fault(error: Any) -> Fault:
    """Return what the checker of kinds found, in the words of the house."""
    where = [part for part in error["loc"] if part not in ("int", "float")]
    key = shown_name(where.pop()) if where and isinstance(where[-1], str) else ""
    kinds: dict[str, type[_Part]] = {"vary": Vary, "correlation": Correlation}
    table, number = (*where, 0, 0)[:2] if where else ("", 0)
    place = f"{table} {int(number) + 1}" if isinstance(number, int) and where[1:] else str(table)
    if error["type"] == "extra_forbidden":
        known = [one.alias or name for name, one in
                 kinds.get(str(table), StudyFile).model_fields.items()]  # fmt: skip
        close = nearest(key, known)
        return Fault(
            "", place, key, "unknown key", "" if close else f"one of {', '.join(known)}", close
        )
    if error["type"] == "missing":
        return Fault("", place, key, "missing", f'{key} = "..."')
    expected = _EXPECTED.get(error["type"], "")
    what = f"{shown_kind(error['input'])} cannot be used"
    if error["type"] in ("too_short", "too_long"):
        what = f"a list of {len(error['input'])} entries"
    if len(where) > 2:
        what = f"entry {int(where[-1]) + 1}: {what}"
    return Fault("", place, key or str(where[-2] if len(where) > 2 else ""), what, expected)


def _entries(data: Mapping[str, Any], study: StudyFile | None) -> tuple[list[Entry], list[Fault]]:
    """Return what varies, part by part, so that one wrong part hides no fault of another."""
    entries: list[Entry] = []
    faults: list[Fault] = []
    parts = data.get("vary")
    for k, raw in enumerate(parts if isinstance(parts, list) else [], 1):
        place = f"vary {k}"
        try:
            part = Vary.model_validate(raw) if study is None else study.vary[k - 1]
        except ValidationError:
            continue  # its kinds are wrong, which is known
        paths, more = _paths(part, place)
        variation, others = variation_of(part.model_dump(by_alias=True, exclude_unset=True), place)
        faults += [*more, *others]
        if paths and variation is not None:
            entries.append(Entry(paths, variation, place, strict=True))
    return entries, faults


def _paths(part: Vary, place: str) -> tuple[tuple[str, ...], list[Fault]]:
    if (part.parameter is None) == (part.parameters is None):
        what = "names no parameter" if part.parameter is None else "names parameters twice"
        return (), [Fault("", place, "", what, "parameter = ... or parameters = [...]")]
    paths = (part.parameter,) if part.parameter is not None else tuple(part.parameters or ())
    if not paths:
        return (), [Fault("", place, "parameters", "an empty list", '["table.key", ...]')]
    return paths, []


def _pairs(study: StudyFile) -> tuple[dict[tuple[str, str], float], list[Fault]]:
    """Return the correlations by pair, and which of them are stated twice."""
    found: dict[tuple[str, str], float] = {}
    faults = []
    for k, one in enumerate(study.correlation, 1):
        pair = (one.between[0], one.between[1])
        if pair in found:
            what = f"{shown(list(pair))} are correlated twice"
            faults.append(Fault("", f"correlation {k}", "between", what, "one rank for each pair"))
        found[pair] = one.rank
    return found, faults


def _flat(case: Mapping[str, Any]) -> dict[str, Any]:
    """Return the values of a case by path, whether its file has the paths in quotes or not."""
    flat: dict[str, Any] = {}
    for name, held in case.items():
        if isinstance(held, Mapping):
            flat |= {f"{name}.{key}": value for key, value in held.items()}
        else:
            flat[name] = held
    return flat
