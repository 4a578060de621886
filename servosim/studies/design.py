"""From what a caller wants varied to the plan of a study."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from servosim.errors import Fault, ParameterError
from servosim.params._values import shown
from servosim.studies.checks import MOST_CASES, option_faults, together_faults
from servosim.studies.dimensions import CASE, Dimension, Entry, Sampling, grid, listed, sampled
from servosim.studies.inputs import Input
from servosim.studies.limits import Limit, limits_of
from servosim.studies.parameters import parameter_of
from servosim.studies.plan import SEED, Plan
from servosim.studies.samples import problem_of

if TYPE_CHECKING:
    from servosim.axis import Axis

REPEAT = "repeat"
_SEEDS = 2**31  # the file's seed is below it
# names that the results need for themselves
_RESERVED = frozenset({CASE, REPEAT, "time", "status", "reason", "seed", "quantile", "metric"})


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
    """Return the plan of a study.

    Parameters
    ----------
    axis : Axis
        The axis whose values are varied.
    over : mapping, optional
        By path "table.key", or by a tuple of paths that vary together: a list of values or
        :class:`Between` for a dimension of a grid, or a distribution from which cases are drawn.
        The values of a list are texts with a unit, SI numbers, names or switches; for a tuple of
        paths also tuples with a value for each.
    move : mapping of str to object, optional
        Keys of the table ``move`` in place of the file's (target [m], duration [s], ...).
    cases : sequence of mapping of str to object, optional
        Cases one by one, values by path; what a case does not state stays as the file has it.
    samples : int, optional
        Number of cases drawn [-], wanted with distributions. For "sobol" and "sensitivity" a power
        of two.
    method : {"latin_hypercube", "sobol", "random", "sensitivity"}
        How they are drawn. "sensitivity" makes the samples * (d + 2) cases from which the indices
        of Sobol of d independent distributions follow.
    correlation : mapping of (str, str) to float, optional
        Rank correlation [-] of two parameters, through a Gaussian copula.
    seed : int, optional
        Seed of the samples and of what the noise needs beyond the file's own seed.
    noise : {"common", "varied"}
        Whether all cases have the noise of the file's own seed, so that they differ by their
        values alone, or each case one of its own.
    repeats : int, optional
        How often each case is run with another noise [-].
    traces : sequence of str, optional
        Signals to keep, see ``servosim.traces.SIGNALS``.
    limits : mapping of str to object, optional
        By name of a figure what it must keep to, see :func:`servosim.studies.limits.limits_of`.
    tolerance : float, optional
        Largest error of a step [-] relative to the scale of each state.
    title : str, optional
        What the study is.

    Returns
    -------
    Plan
        Cases over all combinations: the grid in the order of `over`, then "case" for what is
        listed or drawn, then "repeat".

    Raises
    ------
    ParameterError
        With every fault found.

    Examples
    --------
    >>> import servosim
    >>> axis = servosim.read_axis("params/tube_sheet_table.toml")
    >>> plan = plan_of(axis, {"controller.velocity_gain": ["18 1/s", "22 1/s"]}, repeats=3)
    >>> plan.dims, len(plan)
    (('velocity_gain', 'repeat'), 6)
    """
    from servosim.axis import Axis

    if not isinstance(axis, Axis):
        what = f"{shown(axis)} is no axis"
        raise ParameterError(Fault("", "", "axis", what, "one from servosim.read_axis(...)"))
    entries: list[Entry] = []
    faults: list[Fault] = []
    if not isinstance(over, Mapping | None):
        faults.append(Fault("", "", "over", f"{shown(over)}", "values by path"))
    else:
        for key, variation in (over or {}).items():
            paths = key if isinstance(key, tuple) else (key,)
            if paths:
                entries.append(Entry(paths, variation))
            else:
                faults.append(
                    Fault("", "", "over", "an empty tuple of paths", "('table.key', ...)")
                )
    return assemble(
        axis,
        entries,
        faults,
        move=move,
        cases=cases,
        sampling=Sampling(samples, method, correlation or {}),
        seed=seed,
        noise=noise,
        repeats=repeats,
        traces=traces,
        limits=limits,
        tolerance=tolerance,
        title=title,
    )


def assemble(
    axis: Axis,
    entries: Sequence[Entry],
    faults: Sequence[Fault] = (),
    *,
    move: Mapping[str, Any] | None,
    cases: Any,
    sampling: Sampling,
    seed: int,
    noise: str,
    repeats: int,
    traces: Sequence[str],
    limits: Mapping[str, Any] | None,
    tolerance: float | None,
    title: str,
    strict: bool = False,
) -> Plan:
    """Return the plan of entries, or raise what is wrong with them and what was wrong before.

    Parameters
    ----------
    axis : Axis
        The axis whose values are varied.
    entries : sequence of Entry
        What varies, and how.
    faults : sequence of Fault
        What is known to be wrong.
    move, cases, seed, noise, repeats, traces, limits, tolerance, title
        As for :func:`plan_of`.
    sampling : Sampling
        How cases are drawn.
    strict : bool
        Whether the values come from a file, where a bare number has no unit.

    Returns
    -------
    Plan
        The plan.

    Raises
    ------
    ParameterError
        With every fault.
    """
    from servosim.simulate import TOLERANCE

    found = [*faults, *option_faults(sampling, seed, noise, repeats, traces, tolerance)]
    if not isinstance(title, str):
        found.append(Fault("", "", "title", f"{shown(title)} cannot be used", "a text"))
    judged: dict[str, Limit] = {}
    try:
        axis = _moved(axis, move, strict)
    except ParameterError as error:
        found.extend(error.faults)
    try:
        judged = limits_of(limits, strict=strict)
    except ParameterError as error:
        found.extend(error.faults)
    is_sound = not found
    if is_sound:  # numpy's whole numbers overflow, and no JSON holds them
        samples = None if sampling.samples is None else int(sampling.samples)
        sampling = dataclasses.replace(sampling, samples=samples)
        seed, repeats = int(seed), int(repeats)
    streams = np.random.SeedSequence(seed if is_sound else 0).spawn(2)
    dimensions = _dimensions(axis, entries, cases, sampling, strict, found, streams[0])
    varied = [parameter for one in dimensions for parameter, _ in one.values]
    found += together_faults(axis, varied, noise, repeats, traces)
    if is_sound and repeats > 1:
        dimensions.append(Dimension(REPEAT, repeats))
    n = math.prod(one.size for one in dimensions)
    if not dimensions and not found:
        found.append(Fault(what="nothing varies", expected="values, cases or repeats"))
    elif n > MOST_CASES:
        found.append(Fault(what=f"{n} cases", expected=f"at most {MOST_CASES}"))
    if found:
        raise ParameterError(dict.fromkeys(found))
    names = _names([one.path for one in varied])
    drawn = [one for d in dimensions if d.name == CASE for one in d.story]
    story: dict[str, Any] = {
        "grid": [one for d in dimensions if d.name != CASE for one in d.story],
        "drawn": drawn,
        "samples": sampling.samples,
        "method": sampling.method if sampling.samples else "",
        "correlation": [[a, b, float(rank)] for (a, b), rank in sampling.correlation.items()],
        "listed": 0 if cases is None else len(cases),
        "seed": seed,
        "noise": noise,
        "repeats": repeats,
    }
    if sampling.method == "sensitivity" and sampling.samples:
        problem = problem_of([names[one["paths"][0]] for one in drawn])
        story["sensitivity"] = {
            "problem": problem,
            "samples": sampling.samples,
            "second_order": False,
        }
    inputs = tuple(
        Input(p.path, names[p.path], names.get(d.name, d.name), _frozen(v), p.unit, p.spelling)
        for d in dimensions
        for p, v in d.values
    )
    dims = tuple(names.get(one.name, one.name) for one in dimensions)
    shape = tuple(one.size for one in dimensions)
    own = next((one.column(dims, shape) for one in inputs if one.path == SEED), None)
    seeds = _seeds(n, axis.move.seed, noise, repeats, streams[1])
    if own is not None:
        stated = np.asarray(own, dtype=np.float64)
        seeds = np.where(np.isnan(stated), axis.move.seed, stated).astype(np.int64)
    return Plan(
        axis=axis,
        dims=dims,
        shape=shape,
        inputs=inputs,
        seeds=_frozen(seeds),
        limits=judged,
        traces=tuple(traces),
        tolerance=TOLERANCE if tolerance is None else float(tolerance),
        design=story,
        title=title,
    )


def _frozen(values: Any) -> Any:
    if isinstance(values, np.ndarray):
        values.setflags(write=False)
    return values


def _moved(axis: Axis, move: Any, strict: bool) -> Axis:
    """Return the axis with another move."""
    if move is None:
        return axis
    if not isinstance(move, Mapping):
        what = f"{shown(move)} is no change of the move"
        raise ParameterError(Fault("", "move", "", what, "keys of the table move with values"))
    faults: list[Fault] = []
    changes = {}
    for key, value in move.items():
        try:
            parameter = parameter_of(axis.file, f"move.{key}")
            changes[parameter.path] = parameter.given(parameter.value(value, strict=strict))
        except ParameterError as error:
            faults.extend(error.faults)
    if faults:
        raise ParameterError(faults)
    return axis.replace(changes)


def _dimensions(
    axis: Axis,
    entries: Sequence[Entry],
    cases: Any,
    sampling: Sampling,
    strict: bool,
    faults: list[Fault],
    stream: np.random.SeedSequence,
) -> list[Dimension]:
    """Return the dimensions of grid, list and samples; add what is wrong to the faults."""
    dimensions = []
    for entry in entries:
        if not entry.is_sampled:
            try:
                dimensions.append(grid(axis.file, entry))
            except ParameterError as error:
                faults += entry.named(error.faults)
    drawn = [entry for entry in entries if entry.is_sampled]
    if cases is not None:
        try:
            dimensions.append(listed(axis.file, cases, strict=strict))
        except ParameterError as error:
            faults += error.faults
        if drawn:
            what = "cases are listed and others drawn from distributions"
            faults.append(Fault("", "", "cases", what, "one of both in a study"))
    if drawn and sampling.samples is None:
        what = "missing, though parameters have a distribution"
        faults.append(Fault("", "", "samples", what, "the number of cases that are drawn"))
    elif not drawn and sampling.samples is not None and not faults:
        what = f"{shown(sampling.samples)}, but no parameter has a distribution"
        faults.append(Fault("", "", "samples", what, "a distribution, or no samples"))
    elif not drawn and sampling.correlation:
        what = "a correlation, but no parameter has a distribution"
        faults.append(Fault("", "", "correlation", what, "distributions"))
    if drawn:
        # with other faults a single case shows what is wrong with the distributions
        how = Sampling(1, "random", {}) if faults else sampling
        try:
            dimensions.append(sampled(axis.file, drawn, how, np.random.default_rng(stream)))
        except ParameterError as error:
            faults += error.faults
    return dimensions


def _names(paths: Sequence[str]) -> dict[str, str]:
    """Return a name for each path: its key, with the table before it where that is not clear."""
    from servosim._definitions import DEFINITIONS
    from servosim.traces import SIGNALS

    keys = [path.partition(".")[2] for path in paths]
    taken = {*_RESERVED, *DEFINITIONS, *SIGNALS}
    names: dict[str, str] = {}
    for path, key in zip(paths, keys, strict=True):
        name = key if keys.count(key) == 1 and key not in taken else path.replace(".", "_")
        while name in taken or name in names.values():
            name += "_input"
        names[path] = name
    return names


def _seeds(
    n: int, own: int, noise: str, repeats: int, stream: np.random.SeedSequence
) -> NDArray[np.int64]:
    """Return the seed of the noise of each case: no two the same where they are to differ."""
    begin = int(np.random.default_rng(stream).integers(_SEEDS))
    if noise == "varied":
        return (begin + np.arange(n, dtype=np.int64)) % _SEEDS
    others = (begin + np.arange(repeats, dtype=np.int64)) % _SEEDS
    others = others[others != own][: repeats - 1]
    return np.tile(np.concatenate(([own], others)).astype(np.int64), n // repeats)
