"""Where a test departs from the standard cycle, in words."""

from __future__ import annotations

import math

import numpy as np

from servosim import units
from servosim.positioning.deviations import Array, Deviations
from servosim.positioning.standard_cycle import RUNS, standard_number

_EVEN = 1e-6  # m by which even spacings may differ
_OUTSIDE = 8.0  # standard deviations; by chance once in very many tests
_LEAST_OTHERS = 3  # runs beside one that is held against them
_LEAST_FREEDOM = 10  # degrees of freedom of the scatter of all other runs


def departures(test: Deviations) -> tuple[str, ...]:
    """Return what an ISO 230-2 test asks for and a test lacks.

    Parameters
    ----------
    test : Deviations
        The test.

    Returns
    -------
    tuple of str
        Sentences: number of targets, number of runs, spacing, a run far from the others.
    """
    found = []
    m, wanted = len(test.targets), standard_number(test.travel)
    travel = f"{units.convert(test.travel, 'mm'):.6g} mm"
    if m < wanted:
        found.append(
            f"{m} target{'s' if m > 1 else ''} over {travel}: the standard asks for {wanted}"
        )
    runs = np.concatenate(test.runs)
    least, most = int(runs.min()), int(runs.max())
    if test.long_axis:
        found.append(
            f"travel {travel}, over 2000 mm: repeatabilities and accuracies are not evaluated, as "
            "the standard has it"
        )
    elif least < RUNS:
        found.append(
            f"{least} runs in a direction where the standard asks for {RUNS}: the standard "
            "deviations rest on few numbers"
        )
    if least != most:
        found.append(f"the number of runs differs between targets or directions, {least} to {most}")
    if least > 1 and all(np.all(np.ptp(x, axis=1) == 0.0) for x in _filled(test)):
        found.append("all runs agree to the last digit: the instrument may be too coarse for them")
    gaps = np.diff(test.targets)
    if len(gaps) > 1 and float(np.ptp(gaps)) < _EVEN:
        found.append(
            "the targets are evenly spaced: a periodic error of scale or screw of the same period "
            "would not show; the standard spaces them by chance"
        )
    if outlier := _outlier(test):
        found.append(outlier)
    return tuple(found)


def _outlier(test: Deviations) -> str:
    """Return which run lies far from the others of its target and direction, "" if none does.

    Its distance from their mean is held against their own scatter and that of all other targets and
    directions together, whichever is more.
    """
    cells = [
        (target, sign, row[~np.isnan(row)])
        for sign, x in test.by_direction().items()
        for target, row in zip(test.targets.tolist(), x, strict=True)
    ]
    squares = [float(np.sum((runs - np.mean(runs)) ** 2)) for _, _, runs in cells]
    freedom = [len(runs) - 1 for _, _, runs in cells]
    worst, said = _OUTSIDE, ""
    for k, (target, sign, runs) in enumerate(cells):
        rest = sum(freedom) - freedom[k]
        if len(runs) <= _LEAST_OTHERS or rest < _LEAST_FREEDOM:
            continue
        pooled = math.sqrt((math.fsum(squares) - squares[k]) / rest)
        for j, run in enumerate(runs.tolist()):
            others = np.delete(runs, j)
            away = abs(run - float(np.mean(others)))
            scatter = max(pooled, float(np.std(others, ddof=1)))
            if scatter > 0.0 and away > worst * scatter * math.sqrt(1.0 + 1.0 / len(others)):
                worst = away / scatter / math.sqrt(1.0 + 1.0 / len(others))
                said = (
                    f"a deviation of {units.convert(run, 'um'):.6g} um at "
                    f"{units.convert(target, 'mm'):.7g} mm in direction {sign} lies "
                    f"{units.convert(away, 'um'):.3g} um from the mean of the other runs there, "
                    f"{away / scatter:.3g} times the scatter: a slip in writing it down?"
                )
    return said


def _filled(test: Deviations) -> list[Array]:
    """Return the deviations with runs that were not taken as the first one of their row."""
    return [np.where(np.isnan(x), x[:, :1], x) for x in (test.positive, test.negative)]
