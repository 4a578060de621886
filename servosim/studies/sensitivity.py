"""Which parameter moves a figure: Sobol indices, and the change over each parameter's range.

Sources. First-order and total indices: A. Saltelli and others, "Variance based sensitivity analysis
of model output", Computer Physics Communications 181, 2010 (from memory), computed by SALib.
Change over a range: means, conditional means and a straight regression are textbook statistics.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from servosim.errors import Fault, ParameterError

if TYPE_CHECKING:
    from servosim.studies.plan import Plan

Array = NDArray[np.float64]
PARTS = 10  # equal shares of the samples whose means are compared
LEAST_IN_PART = 20  # samples in a share below which a straight line is fitted instead
_RESAMPLES = 200


@dataclass(frozen=True)
class Indices:
    """Sobol indices of one figure.

    Attributes
    ----------
    factors : tuple of str
        Paths of the parameters; of those that vary together the first.
    first, total : ndarray, shape (n_factor,)
        Share of the variance that the parameter causes alone; and with all it takes part in [-].
    first_error, total_error : ndarray, shape (n_factor,)
        Half width of the confidence interval, from resampling [-].
    confidence : float
        Of the intervals [-].
    blocks, left_out : int
        Blocks of cases used; blocks left out because one of their cases failed or does not hold
        the figure. If there are many of these, the indices are those of the rest.
    """

    factors: tuple[str, ...]
    first: Array
    first_error: Array
    total: Array
    total_error: Array
    confidence: float
    blocks: int
    left_out: int


@dataclass(frozen=True)
class Effect:
    """How the mean of a figure changes over the range of one parameter.

    Attributes
    ----------
    parameter : str
        Path of the parameter, or of the first of those that vary together.
    at : tuple
        Low and high value of the parameter [SI], or the two choices with the lowest and the
        highest mean.
    means : tuple of (float, float)
        Mean of the figure [SI] there, over everything else that varies.
    error : float
        Standard error of their difference [SI]; nan on a grid.
    span : tuple of (float, float)
        Lowest and highest mean [SI] over the whole range: wider than the ends if the figure turns
        in between.
    method : str
        ``means at the ends``, ``conditional means`` or ``regression``.
    """

    parameter: str
    at: tuple[Any, Any]
    means: tuple[float, float]
    error: float
    span: tuple[float, float]
    method: str

    @property
    def change(self) -> float:
        """Mean at the high end less mean at the low end [SI]."""
        return self.means[1] - self.means[0]


def sobol_indices(
    values: Array, factors: Sequence[str], *, confidence: float = 0.95, seed: int = 1
) -> Indices:
    """Return first-order and total Sobol indices.

    Parameters
    ----------
    values : ndarray, shape (n_block (n_factor + 2),)
        Figures in the order of the design: of each block the row A, one row for each factor in
        which that factor comes from B, and the row B.
    factors : sequence of str
        Names of the factors.
    confidence : float, optional
        Of the intervals [-].
    seed : int, optional
        Seed of the resampling, from 1 on.

    Returns
    -------
    Indices
        Shares of the variance. A figure that does not vary has none: all are zero.

    Raises
    ------
    ParameterError
        If the number of cases is no multiple of the block, or fewer than two blocks are whole.
    """
    d = len(factors)
    if d == 0 or len(values) % (d + 2):
        what = f"{len(values)} cases for Sobol indices of {d} parameters"
        raise ParameterError(Fault(what=what, expected=f"a multiple of {d + 2} cases"))
    blocks = values.reshape(-1, d + 2)
    whole = blocks[~np.isnan(blocks).any(axis=1)]
    left_out = len(blocks) - len(whole)
    if len(whole) < 2:
        what = f"{len(blocks)} blocks of cases, in {left_out} of which the figure is missing"
        raise ParameterError(Fault(what=what, expected="at least two blocks that are whole"))
    if np.ptp(whole) == 0.0:
        zero = np.zeros(d)
        return Indices(tuple(factors), zero, zero, zero, zero, confidence, len(whole), left_out)
    from SALib.analyze import sobol

    found = sobol.analyze(
        {"num_vars": d, "names": list(factors), "bounds": [[0.0, 1.0]] * d},
        whole.ravel(),
        calc_second_order=False,
        num_resamples=_RESAMPLES,
        conf_level=confidence,
        seed=max(seed, 1),  # SALib takes 0 for none
    )
    first, first_error, total, total_error = (
        np.asarray(found[name]) for name in ("S1", "S1_conf", "ST", "ST_conf")
    )
    return Indices(
        tuple(factors), first, first_error, total, total_error, confidence, len(whole), left_out
    )


def effect_on_grid(
    parameter: str, place: Array | Sequence[Any], values: Array, axis: int
) -> Effect | None:
    """Return the change of a figure's mean over one dimension of a grid.

    Parameters
    ----------
    parameter : str
        Path of the parameter.
    place : ndarray or sequence of str
        Its values along the dimension [SI], or choices.
    values : ndarray
        Figures [SI] over the dimensions of the grid.
    axis : int
        Number of the dimension.

    Returns
    -------
    Effect or None
        None if fewer than two values hold the figure. Cases without the figure are left out.
    """
    rows = np.moveaxis(values, axis, 0).reshape(values.shape[axis], -1)
    means = _means(rows)
    held = np.flatnonzero(~np.isnan(means))
    if len(held) < 2:
        return None
    span = (float(np.nanmin(means)), float(np.nanmax(means)))
    if isinstance(place[0], str):
        ends = [held[np.argmin(means[held])], held[np.argmax(means[held])]]
    else:
        numbers = np.asarray(place, dtype=np.float64)[held]
        ends = [held[np.argmin(numbers)], held[np.argmax(numbers)]]
    at = (place[ends[0]], place[ends[1]])
    two = (float(means[ends[0]]), float(means[ends[1]]))
    return Effect(parameter, at, two, float("nan"), span, "means at the ends")


def _means(rows: Array) -> Array:
    """Return the mean of each row without what is missing, nan for a row that holds nothing."""
    held = ~np.isnan(rows)
    count = held.sum(axis=1)
    total = np.where(held, rows, 0.0).sum(axis=1)
    return np.divide(total, count, out=np.full(len(rows), np.nan), where=count > 0)


def effects_of_samples(columns: Mapping[str, Any], values: Array) -> tuple[Effect, ...]:
    """Return the change of a figure's mean over the range of each sampled parameter.

    Parameters
    ----------
    columns : mapping of str to ndarray or tuple of str, shape (n_case,)
        Values of the parameters [SI] or choices, by path.
    values : ndarray, shape (n_case,)
        Figures [SI]; cases without it are left out.

    Returns
    -------
    tuple of Effect
        For choices the means of the two extreme ones. For numbers the means over the lowest and
        the highest tenth of the samples, which stand for the 5 % and the 95 % point of the
        parameter; with fewer than 200 samples a straight regression on all numbers together,
        between the same points; a parameter that the regression cannot tell from the others is
        left out. Of parameters that are correlated, conditional means hold the effects of both.
    """
    held = ~np.isnan(values)
    y = values[held]
    numbers = {
        name: np.asarray(column, dtype=np.float64)[held]
        for name, column in columns.items()
        if not isinstance(column[0], str)
    }
    numbers = {name: x for name, x in numbers.items() if len(x) and np.ptp(x) > 0.0}  # nan: unread
    fitted: dict[str, Effect] = {}
    if len(y) < PARTS * LEAST_IN_PART:
        fitted = _regression(numbers, y)
    found = []
    for name, column in columns.items():
        one: Effect | None = None
        if isinstance(column[0], str):
            one = _over_choices(name, np.asarray(column, dtype=object)[held], y)
        elif name in numbers:
            many = len(y) >= PARTS * LEAST_IN_PART
            one = _conditional(name, numbers[name], y) if many else fitted.get(name)
        if one is not None:
            found.append(one)
    return tuple(found)


def _over_choices(name: str, x: NDArray[Any], y: Array) -> Effect | None:
    options = sorted(set(x.tolist()))
    parts = [y[x == option] for option in options]
    if len(options) < 2:
        return None
    means = [float(part.mean()) for part in parts]
    low, high = int(np.argmin(means)), int(np.argmax(means))
    at, two = (options[low], options[high]), (means[low], means[high])
    return Effect(name, at, two, _error(parts[low], parts[high]), two, "conditional means")


def _error(a: Array, b: Array) -> float:
    """Return the standard error of the difference of two means."""
    if min(len(a), len(b)) < 2:
        return float("nan")
    return float(np.sqrt(a.var(ddof=1) / len(a) + b.var(ddof=1) / len(b)))


def _conditional(name: str, x: Array, y: Array) -> Effect:
    order = np.argsort(x, kind="stable")
    parts = np.array_split(order, PARTS)
    means = [float(y[part].mean()) for part in parts]
    first, last = parts[0], parts[-1]
    at = (float(np.median(x[first])), float(np.median(x[last])))
    span = (min(means), max(means))
    error = _error(y[first], y[last])
    return Effect(name, at, (means[0], means[-1]), error, span, "conditional means")


def _regression(numbers: Mapping[str, Array], y: Array) -> dict[str, Effect]:
    """Return effects from one straight fit of the figure to all parameters."""
    n = len(y)
    scaled: dict[str, Array] = {}
    matrix = np.ones((n, 1))
    for name, x in numbers.items():  # those that follow from the ones before are left out
        more = np.column_stack([matrix, (x - x.mean()) / x.std()])
        if np.linalg.matrix_rank(more) == more.shape[1]:
            scaled[name], matrix = more[:, -1], more
    spare = n - matrix.shape[1]
    if not scaled or spare < 2:
        return {}
    slopes, *_ = np.linalg.lstsq(matrix, y, rcond=None)
    rest = y - matrix @ slopes
    covariance = np.linalg.inv(matrix.T @ matrix) * float(rest @ rest) / spare
    found = {}
    for k, (name, x) in enumerate(scaled.items(), 1):
        ends = np.percentile(x, [5.0, 95.0])
        low, high = np.percentile(numbers[name], [5.0, 95.0]).tolist()
        two = (float(slopes[0] + slopes[k] * ends[0]), float(slopes[0] + slopes[k] * ends[1]))
        error = float(np.sqrt(covariance[k, k]) * (ends[1] - ends[0]))
        span = (min(two), max(two))
        found[name] = Effect(name, (low, high), two, error, span, "regression")
    return found


def effects_of(plan: Plan, factors: Sequence[Sequence[str]], values: Array) -> tuple[Effect, ...]:
    """Return how the mean of a figure changes over the range of each parameter of a plan.

    Parameters
    ----------
    plan : Plan
        The plan.
    factors : sequence of sequence of str
        Paths of the parameters that vary together.
    values : ndarray, shape (n_case,)
        Figures of its cases [SI].

    Returns
    -------
    tuple of Effect
        The widest first; of parameters that vary together the first stands for all.
    """
    found: list[Effect | None] = []
    sampled: dict[str, Any] = {}
    inputs = {one.path: one for one in plan.inputs}
    for path, *_ in factors:
        one = inputs[path]
        if one.dim == "case":
            sampled[path] = plan.values(path)
        else:
            axis = plan.dims.index(one.dim)
            found.append(effect_on_grid(path, one.values, values.reshape(plan.shape), axis))
    found += effects_of_samples(sampled, values) if sampled else ()
    held = [one for one in found if one is not None]
    return tuple(sorted(held, key=lambda one: -(one.span[1] - one.span[0])))
