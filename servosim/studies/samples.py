"""Points in the unit cube from which cases are drawn, with rank correlation where wanted.

Correlation. What is stated is the rank correlation (Spearman) of two parameters, which doesn't
depend on their distributions. The dependence is that of a Gaussian copula: normal scores with the
correlation ``r = 2 sin(pi rank / 6)`` are drawn and mapped back to shares (relation of the two
correlations of a normal pair: K. Pearson 1907, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim.errors import Fault, ParameterError
from servosim.params._values import nearest, shown

Array = NDArray[np.float64]
METHODS = ("latin_hypercube", "sobol", "random", "sensitivity")
_LEAST_SHARE, _LARGEST_SHARE = 2.0**-54, 1.0 - 2.0**-53
_LEAST_EIGENVALUE = 1e-10


def unit_points(method: str, n: int, names: Sequence[str], rng: np.random.Generator) -> list[Array]:
    """Return points in the unit cube.

    Parameters
    ----------
    method : str
        One of ``METHODS``.
    n : int
        Number of points; for "sensitivity" of its base points.
    names : sequence of str
        What varies, one name a dimension of the cube.
    rng : numpy.random.Generator
        Where chance comes from.

    Returns
    -------
    list of ndarray, shape (n,)
        For each dimension shares between 0 and 1, exclusive [-]; n (d + 2) for "sensitivity".

    Raises
    ------
    ParameterError
        If there is no such method, or it needs another number of points.
    """
    if method not in METHODS:
        what, close = f"unknown method {shown(method)}", nearest(str(method), METHODS)
        raise ParameterError(Fault("", "", "method", what, f"one of {', '.join(METHODS)}", close))
    if method in ("sobol", "sensitivity") and n & (n - 1):
        power = 2 ** math.floor(math.log2(n))
        what = f"{n} samples; a Sobol sequence is even over the ranges for powers of two only"
        raise ParameterError(Fault("", "", "samples", what, f"{power} or {2 * power}"))
    from scipy.stats import qmc

    if method == "random":
        columns = [rng.random(n) for _ in names]
    elif method == "latin_hypercube":  # its columns are independent: one at a time needs less room
        columns = [qmc.LatinHypercube(1, rng=rng).random(n)[:, 0] for _ in names]
    elif method == "sobol":
        columns = list(qmc.Sobol(len(names), rng=rng).random(n).T)
    else:
        columns = list(_sensitivity_points(n, names, rng).T)
    for column in columns:
        np.clip(column, _LEAST_SHARE, _LARGEST_SHARE, out=column)  # 0 and 1 have no quantile
    return columns


def problem_of(names: Sequence[str]) -> dict[str, Any]:
    """Return what the analysis of sensitivities has to know about the points."""
    return {"num_vars": len(names), "names": list(names), "bounds": [[0.0, 1.0]] * len(names)}


def _sensitivity_points(n: int, names: Sequence[str], rng: np.random.Generator) -> Array:
    """Return the points of A. Saltelli's design for first-order and total indices of Sobol."""
    from SALib.sample import sobol

    points = sobol.sample(problem_of(names), n, calc_second_order=False, seed=rng)
    return np.array(points, dtype=np.float64)


def score_correlation(
    names: Sequence[str], ranks: Mapping[tuple[int, int], float]
) -> NDArray[np.float64]:
    """Return the correlation of the normal scores that gives wanted rank correlations.

    Parameters
    ----------
    names : sequence of str
        What varies.
    ranks : mapping of (int, int) to float
        Rank correlation [-] of two of them by their places.

    Returns
    -------
    ndarray, shape (d, d)
        Symmetric and positive definite.

    Raises
    ------
    ParameterError
        If no set of cases can have these correlations, naming the pair that fits least.
    """
    matrix = np.eye(len(names))
    for (i, j), rank in ranks.items():
        matrix[i, j] = matrix[j, i] = 2.0 * math.sin(math.pi * rank / 6.0)
    values, vectors = np.linalg.eigh(matrix)
    if values[0] > _LEAST_EIGENVALUE:
        return matrix
    # the share of each pair in the direction in which the variance would be none or negative
    worst = min(ranks, key=lambda pair: vectors[pair[0], 0] * vectors[pair[1], 0] * matrix[pair])
    what = (
        f"a rank correlation of {ranks[worst]:g} between {names[worst[0]]} and {names[worst[1]]} "
        "contradicts the others: no cases can have all of them"
    )
    raise ParameterError(Fault("", "correlation", "", what, _possible(matrix, worst)))


def _possible(matrix: Array, pair: tuple[int, int]) -> str:
    """Return in words which rank correlations of a pair go with the others, "" if none."""
    others = [k for k in range(len(matrix)) if k not in pair]
    rest = matrix[np.ix_(others, others)]
    ties = matrix[np.ix_(pair, others)]
    if np.linalg.eigvalsh(rest)[0] <= _LEAST_EIGENVALUE:
        return "weaker correlations"
    left = np.eye(2) - ties @ np.linalg.solve(rest, ties.T)
    if min(left[0, 0], left[1, 1]) <= 0.0:
        return "weaker correlations"
    middle, half = -left[0, 1], math.sqrt(left[0, 0] * left[1, 1])
    ends = [6.0 / math.pi * math.asin(max(-1.0, min(1.0, x)) / 2.0)
            for x in (middle - half, middle + half)]  # fmt: skip
    return f"between {ends[0]:.2f} and {ends[1]:.2f}, or others changed"


def correlate(columns: list[Array], matrix: Array, *, keep_values: bool) -> None:
    """Give points in the unit cube a rank correlation, in place.

    Parameters
    ----------
    columns : list of ndarray, shape (n,)
        Independent shares between 0 and 1, exclusive [-].
    matrix : ndarray, shape (d, d)
        Correlation of the normal scores.
    keep_values : bool
        Whether each column keeps its values and only their order changes, so that the layers of a
        Latin hypercube remain.
    """
    from scipy.special import ndtr, ndtri

    root = np.linalg.cholesky(matrix)
    tied = [k for k in range(len(matrix)) if np.count_nonzero(matrix[k]) > 1]
    scores = {k: ndtri(columns[k]) for k in tied}
    for k in tied:
        # summed one after another: the same bits on every machine
        score = root[k, k] * scores[k]
        for other in tied:
            if other < k and root[k, other] != 0.0:
                score += root[k, other] * scores[other]
        if keep_values:
            columns[k][np.argsort(score, kind="stable")] = np.sort(columns[k])
        else:
            columns[k] = np.clip(ndtr(score), _LEAST_SHARE, _LARGEST_SHARE)
