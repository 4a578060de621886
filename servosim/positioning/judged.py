"""A positioning test from its deviations to its verdict: one result for every kind of test."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from servosim.positioning.bootstrap import Uncertainty, uncertainty
from servosim.positioning.conformity import departures
from servosim.positioning.deviations import Deviations
from servosim.positioning.evaluation import Evaluation, evaluate
from servosim.positioning.verdicts import Verdict, verdicts

_FIGURES = 4  # digits of the largest figure of a test


@dataclass(frozen=True, eq=False)
class Judged:
    """A test with everything that is said about it.

    Attributes
    ----------
    name : str
        File of the deviations, or of the axis on which they were simulated.
    title : str
        What was tested, in a line.
    evaluation : Evaluation
        Its figures; the deviations are in it.
    uncertainty : Uncertainty or None
        Their intervals, None if there are too few runs for it.
    verdicts : tuple of Verdict
        The figures against their tolerances.
    notes : tuple of str
        Where the test departs from the standard one, and what else deserves a second look.
    """

    name: str
    title: str
    evaluation: Evaluation
    uncertainty: Uncertainty | None
    verdicts: tuple[Verdict, ...]
    notes: tuple[str, ...]

    @property
    def given(self) -> bool:
        """Whether somebody asked for the tolerances; else they are common practice."""
        return any(one.given for one in self.verdicts)

    @property
    def met(self) -> bool | None:
        """Whether every tolerance is kept; None if none is broken but one can't be judged."""
        found = [one.met for one in self.verdicts]
        if False in found:
            return False
        return None if None in found else True


def judge(
    deviations: Deviations,
    *,
    name: str,
    title: str = "",
    practice: str = "2s",
    tolerances: Mapping[str, float] | None = None,
    seed: int = 0,
    resamples: int = 2000,
) -> Judged:
    """Return the figures of a test, their uncertainty and their verdict.

    Parameters
    ----------
    deviations : Deviations
        The test.
    name : str
        File of the deviations, or of the axis on which they were simulated.
    title : str, optional
        What was tested, in a line.
    practice : str, optional
        "2s" or "3s", see :func:`servosim.positioning.evaluation.evaluate`.
    tolerances : mapping of str to float, optional
        Largest size allowed [m] by the standard's symbol; common practice if none are given.
    seed : int, optional
        Seed of the bootstrap.
    resamples : int, optional
        How often the bootstrap draws the runs anew.

    Returns
    -------
    Judged
        The result.

    Raises
    ------
    ParameterError
        If there are too few runs, or practice or tolerances are not known.
    """
    evaluation = evaluate(deviations, practice=practice)
    intervals = uncertainty(evaluation, seed=seed, resamples=resamples)
    return Judged(
        name=name,
        title=title,
        evaluation=evaluation,
        uncertainty=intervals,
        verdicts=verdicts(evaluation, tolerances, intervals),
        notes=(*departures(deviations), *deviations.notes),
    )


def decimals(evaluation: Evaluation) -> int:
    """Return how many decimals of a micrometre the figures of a test are stated with.

    Parameters
    ----------
    evaluation : Evaluation
        The test.

    Returns
    -------
    int
        As many as give the largest figure four digits, from 1 to 6.
    """
    largest = 1e6 * max(abs(x) for x in evaluation.symbols.values() if not math.isnan(x))
    if not largest > 0.0:
        return 2
    return min(max(_FIGURES - 1 - math.floor(math.log10(largest)), 1), 6)
