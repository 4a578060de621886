"""Where a test departs from the standard cycle, in words."""

from __future__ import annotations

import numpy as np

from servosim import units
from servosim.positioning.deviations import Array, Deviations
from servosim.positioning.standard_cycle import RUNS, standard_number

_EVEN = 1e-6  # m by which even spacings may differ


def departures(test: Deviations) -> tuple[str, ...]:
    """Return what an ISO 230-2 test asks for and a test lacks.

    Parameters
    ----------
    test : Deviations
        The test.

    Returns
    -------
    tuple of str
        Sentences: number of targets, number of runs, spacing.
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
    return tuple(found)


def _filled(test: Deviations) -> list[Array]:
    """Return the deviations with runs that were not taken as the first one of their row."""
    return [np.where(np.isnan(x), x[:, :1], x) for x in (test.positive, test.negative)]
