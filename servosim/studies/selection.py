"""Which cases of a plan are meant, and which of them were drawn at random."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from servosim import units
from servosim.errors import Fault, ParameterError, UnitError

if TYPE_CHECKING:
    from servosim.studies.inputs import Input
    from servosim.studies.plan import Plan

RANDOM = ("latin_hypercube", "sobol", "random", "sensitivity")
CASE, REPEAT = "case", "repeat"


def cases_at(plan: Plan, at: Mapping[str, Any] | None) -> NDArray[np.int64]:
    """Return the numbers of the cases at a point of the grid.

    Parameters
    ----------
    plan : Plan
        The plan.
    at : mapping of str to float or str or int, or None
        Dimension to its value: a text with unit, an SI value, a choice, or the number of a sample
        or repeat.

    Returns
    -------
    ndarray of int
        As many dimensions as the plan, those chosen with size one.

    Raises
    ------
    ParameterError
        If a dimension or a value is unknown.
    """
    which = np.arange(plan.n).reshape(plan.shape)
    if not isinstance(at, Mapping | None):
        what = f"{at!r} is no point of the grid"
        raise ParameterError(Fault("", "", "at", what, "a value by dimension, {...}"))
    for name, value in (at or {}).items():
        if name not in plan.dims:
            nearest = "".join(difflib.get_close_matches(name, plan.dims, 1))
            known = " or ".join(plan.dims)
            raise ParameterError(Fault("", "", name, "no dimension of the study", known, nearest))
        place = _place(plan, name, value)
        which = np.take(which, [place], axis=plan.dims.index(name))
    return which


def _place(plan: Plan, name: str, value: Any) -> int:
    """Return where a dimension has a value."""
    size = plan.shape[plan.dims.index(name)]
    one = next((one for one in plan.inputs if one.dim == name), None)
    if one is None or name == CASE:
        if isinstance(value, int | np.integer) and 0 <= value < size:
            return int(value)
        raise ParameterError(Fault("", "", name, f"no number {value!r}", f"0 to {size - 1}"))
    if isinstance(one.values, tuple):
        found = [k for k, held in enumerate(one.values) if held == value]
        shown = " or ".join(one.values)
    else:
        try:
            number = units.parse(value, one.spelling) if isinstance(value, str) else float(value)
        except (UnitError, TypeError, ValueError) as error:
            raise ParameterError(Fault("", "", name, str(error))) from None
        close = np.isclose(one.values, number, rtol=1e-9, atol=1e-300)
        found = np.flatnonzero(close).tolist()
        ends = [units.format_quantity(held, one.spelling) for held in one.values[:12].tolist()]
        shown = " or ".join(ends)
    if not found:
        raise ParameterError(Fault("", "", name, f"the study has no {value!r}", shown))
    return int(found[0])


def draws_of(plan: Plan, which: NDArray[np.int64]) -> tuple[NDArray[np.int64] | None, str]:
    """Return which cases were drawn at random together, on which confidence stands.

    Parameters
    ----------
    plan : Plan
        The plan.
    which : ndarray of int
        Cases that count, as many dimensions as the plan.

    Returns
    -------
    ndarray of int, shape (n_case,), or None
        Number of the draw of each case, -1 for one that is a mixture of others; None if the cases
        were not drawn at random.
    str
        The same in words.
    """
    sizes = dict(zip(plan.dims, which.shape, strict=True))
    grid = [dim for dim, size in sizes.items() if size > 1 and dim not in (CASE, REPEAT)]
    if grid:
        words = ", ".join(dim.replace("_", " ") for dim in grid)
        return None, f"a count over the grid ({words}), not a chance"
    place = np.indices(which.shape)
    if CASE in sizes and plan.design.get("method") in RANDOM:
        draws = place[plan.dims.index(CASE)].ravel()
        if plan.design.get("sensitivity"):
            # only rows A and B are drawn anew, the others mix the two
            block = len(plan.design["sensitivity"]["problem"]["names"]) + 2
            draws = np.where(np.isin(draws % block, (0, block - 1)), draws, -1)
            n = len(np.unique(draws[draws >= 0]))
            return draws, f"the {n} samples of the design that are drawn anew"
        return draws, f"{sizes[CASE]} samples drawn at random"
    if sizes.get(CASE, 1) > 1:
        return None, "a count over the list of cases, not a chance"
    if sizes.get(REPEAT, 1) > 1:
        return place[plan.dims.index(REPEAT)].ravel(), f"{sizes[REPEAT]} repeats with other noise"
    return None, "a single case, not a chance"


def factors_of(plan: Plan) -> tuple[tuple[str, ...], ...]:
    """Return which parameters vary together.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    tuple of tuple of str
        Paths of each group in the order of the plan: those along one dimension of a grid, and those
        whose samples are the same numbers.
    """
    groups: list[list[Input]] = []
    for one in plan.inputs:
        group = next((group for group in groups if _together(group[0], one)), None)
        if group is None:
            groups.append([one])
        else:
            group.append(one)
    return tuple(tuple(one.path for one in group) for group in groups)


def _together(a: Input, b: Input) -> bool:
    if a.dim != b.dim:
        return False
    if a.dim != CASE:
        return True
    if isinstance(a.values, tuple) or isinstance(b.values, tuple):
        return a.values is b.values or (type(a.values) is type(b.values) and a.values == b.values)
    return bool(np.array_equal(a.values, b.values))
