"""Figures of a positioning test by the definitions of ISO 230-2.

Deviation ``x_ij``: position reached less target i in run j. Over the runs of one direction at one
target: mean and standard deviation ``s_i`` with n - 1. Then, with k = 2:

- reversal ``B_i = mean_i+ - mean_i-``; ``B = max |B_i|``, and its mean over the targets,
- repeatability in one direction ``R_i+ = 2 k s_i+``; ``R+ = max R_i+``; R- likewise,
- in both ``R_i = max(k s_i+ + k s_i- + |B_i|, R_i+, R_i-)``; ``R = max R_i``,
- systematic deviation ``E+ = max mean_i+ - min mean_i+``; E- likewise; E over both directions,
- mean bidirectional deviation ``M``: range of ``(mean_i+ + mean_i-)/2``,
- accuracy ``A+ = max(mean_i+ + k s_i+) - min(mean_i+ - k s_i+)``; A- likewise; A over both.

Source: ISO 230-2:2006 and 2014, clause 3, from memory. The older practice takes k = 3 (ISO
230-2:1988, from memory). Axes of more than 2000 mm are approached once in each direction; their
repeatabilities and accuracies are not evaluated (published: GOST ISO 230-2-2016, clause 6.2).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from servosim import units
from servosim.errors import Fault, ParameterError
from servosim.positioning.deviations import DIRECTIONS, Array, Deviations

PRACTICES: dict[str, float] = {"2s": 2.0, "3s": 3.0}
NEEDS_SCATTER = ("A", "A+", "A-", "R", "R+", "R-")
_DEFINITIONS = {
    "A": "bidirectional accuracy: largest mean + {k} s less smallest mean - {k} s, over all "
    "targets and both directions",
    "A+": "accuracy approaching in positive direction: largest mean + {k} s less smallest mean - "
    "{k} s",
    "A-": "accuracy approaching in negative direction: largest mean + {k} s less smallest mean - "
    "{k} s",
    "R": "bidirectional repeatability: largest over the targets of {k} s+ + {k} s- + |reversal|, "
    "{kk} s+ and {kk} s-",
    "R+": "repeatability approaching in positive direction: largest {kk} s",
    "R-": "repeatability approaching in negative direction: largest {kk} s",
    "B": "reversal of the axis: largest size of the difference between the means of both "
    "directions at a target",
    "Bmean": "mean reversal: mean over the targets of the mean in positive less the mean in "
    "negative direction",
    "E": "bidirectional systematic deviation: range of the means over all targets and both "
    "directions",
    "E+": "systematic deviation approaching in positive direction: range of the means",
    "E-": "systematic deviation approaching in negative direction: range of the means",
    "M": "mean bidirectional deviation: range over the targets of the mean of both directions' "
    "means",
}
SYMBOLS = tuple(_DEFINITIONS)
SIGNED = ("Bmean",)


class Place(NamedTuple):
    """Where a figure was decided."""

    target: int  # number of the target, from 0
    direction: str  # "+" or "-", "" for both together


@dataclass(frozen=True, eq=False)
class Evaluation:
    """What a test says.

    Attributes
    ----------
    deviations : Deviations
        The test.
    practice : str
        "2s" or "3s": half width of the bands, as a number of standard deviations.
    mean_positive, mean_negative : ndarray, shape (m,)
        Mean deviation of each target by direction of approach [m].
    mean_both : ndarray, shape (m,)
        Mean of the two [m].
    s_positive, s_negative : ndarray, shape (m,)
        Standard deviation with n - 1 [m]; nan for a single run.
    R_positive, R_negative, R_both : ndarray, shape (m,)
        Repeatability of each target by direction, and in both [m]; nan on a long axis.
    B_i : ndarray, shape (m,)
        Reversal of each target [m]: mean in positive less mean in negative direction.
    symbols : dict of str to float
        The figures of the axis [m] by the standard's symbols in the order of ``SYMBOLS``; nan if
        not evaluated.
    decided : dict of str to tuple of Place
        Where each was decided: the highest and the lowest place of a range, the place of a maximum;
        empty for the mean reversal and for what is not evaluated.
    """

    deviations: Deviations
    practice: str
    mean_positive: Array
    mean_negative: Array
    mean_both: Array
    s_positive: Array
    s_negative: Array
    R_positive: Array
    R_negative: Array
    R_both: Array
    B_i: Array
    symbols: dict[str, float]
    decided: dict[str, tuple[Place, ...]]

    @property
    def factor(self) -> float:
        """Half width of the bands as a number of standard deviations."""
        return PRACTICES[self.practice]

    @property
    def long_axis(self) -> bool:
        """Whether repeatability and accuracy are left out, as the standard has it."""
        return self.deviations.long_axis

    def by_direction(self) -> dict[str, tuple[Array, Array]]:
        """Return mean and standard deviation of the targets by direction, shapes (m,) [m]."""
        return {
            "+": (self.mean_positive, self.s_positive),
            "-": (self.mean_negative, self.s_negative),
        }


def definitions(practice: str = "2s") -> dict[str, str]:
    """Return what each figure is, in a sentence.

    Parameters
    ----------
    practice : str, optional
        "2s" or "3s".

    Returns
    -------
    dict of str to str
        By symbol.

    Examples
    --------
    >>> definitions("3s")["R+"]
    'repeatability approaching in positive direction: largest 6 s'
    """
    k = _factor(practice)
    return {
        symbol: text.format(k=f"{k:g}", kk=f"{2.0 * k:g}") for symbol, text in _DEFINITIONS.items()
    }


def figures(
    mean_positive: Any, mean_negative: Any, s_positive: Any, s_negative: Any, factor: float = 2.0
) -> dict[str, Array]:
    """Return the figures of one or many tests from the means and scatters of their targets.

    Parameters
    ----------
    mean_positive, mean_negative : array_like, shape (..., m)
        Mean deviation of each target by direction of approach [m].
    s_positive, s_negative : array_like, shape (..., m)
        Standard deviation [m]; nan where there is none.
    factor : float, optional
        Half width of the bands as a number of standard deviations.

    Returns
    -------
    dict of str to ndarray, shape (...)
        The figures [m] by the standard's symbols; nan where a scatter is missing.

    Examples
    --------
    >>> found = figures([0.0, 4.0], [-1.0, 2.0], [1.0, 1.0], [1.0, 0.5])
    >>> float(found["A"]), float(found["R"]), float(found["B"]), float(found["E"])
    (9.0, 5.0, 2.0, 5.0)
    """
    found = _places(mean_positive, mean_negative, s_positive, s_negative, factor)
    out: dict[str, Array] = {}
    for symbol in SYMBOLS:
        if symbol == "Bmean":
            out[symbol] = np.mean(found["B"][0], axis=-1)
        elif symbol == "B":
            out[symbol] = np.max(np.abs(found["B"][0]), axis=-1)
        else:
            top, bottom = found[symbol]
            out[symbol] = np.max(top, axis=-1)
            if bottom is not None:
                out[symbol] = out[symbol] - np.min(bottom, axis=-1)
    return out


def _places(
    mean_positive: Any, mean_negative: Any, s_positive: Any, s_negative: Any, k: float
) -> dict[str, tuple[Array, Array | None]]:
    """Return for each figure the values of which the greatest and the least are taken.

    Those over both directions have the targets of the positive direction first. There is no least
    for a maximum.
    """
    m_p, m_n, s_p, s_n = (
        np.asarray(x, dtype=np.float64)
        for x in (mean_positive, mean_negative, s_positive, s_negative)
    )
    means = np.concatenate([m_p, m_n], axis=-1)
    s = np.concatenate([s_p, s_n], axis=-1)
    B, middle = m_p - m_n, 0.5 * (m_p + m_n)
    return {
        "A": (means + k * s, means - k * s),
        "A+": (m_p + k * s_p, m_p - k * s_p),
        "A-": (m_n + k * s_n, m_n - k * s_n),
        "R": (_repeatability(B, s_p, s_n, k), None),
        "R+": (2.0 * k * s_p, None),
        "R-": (2.0 * k * s_n, None),
        "B": (B, None),
        "E": (means, means),
        "E+": (m_p, m_p),
        "E-": (m_n, m_n),
        "M": (middle, middle),
    }


def _repeatability(B: Array, s_p: Array, s_n: Array, k: float) -> Array:
    """Return the repeatability of each target in both directions."""
    across = k * s_p + k * s_n + np.abs(B)
    return np.maximum(across, np.maximum(2.0 * k * s_p, 2.0 * k * s_n))


def evaluate(deviations: Deviations, *, practice: str = "2s") -> Evaluation:
    """Return the figures of a test.

    Parameters
    ----------
    deviations : Deviations
        The test.
    practice : str, optional
        "2s" for bands of two standard deviations to each side (2006 and 2014 editions), "3s" for
        the three of the older practice.

    Returns
    -------
    Evaluation
        Figures of each target and of the axis.

    Raises
    ------
    ParameterError
        If a target lacks a direction, or has a single run in one although the axis is not a long
        one, so that it has no scatter; or if the practice is not known.

    Examples
    --------
    >>> test = Deviations([0.1, 0.5], [[1e-6, 3e-6], [2e-6, 2e-6]], [[0, 0], [1e-6, 1e-6]])
    >>> round(evaluate(test).symbols["B"] * 1e6, 6)
    2.0
    """
    k = _factor(practice)
    least = 1 if deviations.long_axis else 2
    if faults := _too_few(deviations, least):
        raise ParameterError(faults)
    m_p, s_p = mean_and_scatter(deviations.positive)
    m_n, s_n = mean_and_scatter(deviations.negative)
    places = _places(m_p, m_n, s_p, s_n, k)
    values = {name: float(x) for name, x in figures(m_p, m_n, s_p, s_n, k).items()}
    decided = {name: _decided(name, places, len(m_p)) for name in SYMBOLS}
    B = m_p - m_n
    R_p, R_n, R = 2.0 * k * s_p, 2.0 * k * s_n, _repeatability(B, s_p, s_n, k)
    if deviations.long_axis:
        values.update(dict.fromkeys(NEEDS_SCATTER, np.nan))
        decided.update(dict.fromkeys(NEEDS_SCATTER, ()))
        R_p = R_n = R = np.full_like(m_p, np.nan)
    return Evaluation(
        deviations=deviations,
        practice=practice,
        mean_positive=m_p,
        mean_negative=m_n,
        mean_both=0.5 * (m_p + m_n),
        s_positive=s_p,
        s_negative=s_n,
        R_positive=R_p,
        R_negative=R_n,
        R_both=R,
        B_i=B,
        symbols=values,
        decided=decided,
    )


def mean_and_scatter(x: Array) -> tuple[Array, Array]:
    """Return mean and standard deviation over the runs, nan left out.

    Parameters
    ----------
    x : ndarray, shape (m, n)
        Deviations [m], one in each row at least.

    Returns
    -------
    mean, scatter : ndarray, shape (m,)
        Mean and standard deviation with n - 1 [m], nan for a single run. Runs that agree give
        exactly none.
    """
    there = ~np.isnan(x)
    n = there.sum(axis=1)
    first = np.take_along_axis(x, np.argmax(there, axis=1)[:, None], axis=1)
    beside = np.where(there, x - first, 0.0)  # small numbers, and none if all runs agree
    mean = beside.sum(axis=1) / n
    squares = np.where(there, (beside - mean[:, None]) ** 2, 0.0).sum(axis=1)
    scatter = np.full(len(x), np.nan)
    several = n > 1
    scatter[several] = np.sqrt(squares[several] / (n[several] - 1))
    return first[:, 0] + mean, scatter


def _decided(
    symbol: str, places: Mapping[str, tuple[Array, Array | None]], m: int
) -> tuple[Place, ...]:
    """Return where a figure was decided."""
    if symbol == "Bmean":
        return ()
    top, bottom = places[symbol]
    if symbol == "B":
        top = np.abs(top)
    if np.isnan(top).any():
        return ()
    found = [int(np.argmax(top))] + ([] if bottom is None else [int(np.argmin(bottom))])
    sign = {"+": "+", "-": "-"}.get(symbol[-1], "")
    if len(top) == 2 * m:
        return tuple(Place(k % m, DIRECTIONS[k // m]) for k in found)
    return tuple(Place(k, sign) for k in found)


def _factor(practice: str) -> float:
    try:
        return PRACTICES[practice]
    except KeyError:
        expected = f"one of {', '.join(PRACTICES)}"
        raise ParameterError(
            Fault("", "", "practice", f"{practice!r} is not known", expected)
        ) from None


def _too_few(deviations: Deviations, least: int) -> list[Fault]:
    """Return which targets lack approaches."""
    faults = []
    for direction, counts in zip(DIRECTIONS, deviations.runs, strict=True):
        for target, n in zip(deviations.targets, counts, strict=True):
            if n >= least:
                continue
            where = f"target {units.convert(float(target), 'mm'):.9g} mm"
            if n == 0:
                what = f"no approach in direction {direction}"
                expected = f"{least} runs at least in each direction, 5 by the standard"
            else:
                what = f"a single run in direction {direction} has no standard deviation"
                expected = (
                    "2 runs at least, 5 by the standard; one is enough above 2000 mm of travel"
                )
            faults.append(Fault("", "", where, what, expected))
    return faults
