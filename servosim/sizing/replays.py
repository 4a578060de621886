"""A tuned axis under other circumstances, its controller's numbers left as they are."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from servosim.axis import Axis
from servosim.sizing.checks import whole_cases
from servosim.sizing.contenders import contender_of
from servosim.sizing.goals import Goals
from servosim.sizing.trial import Trial, gain_figure
from servosim.sizing.verdicts import Group, constraints_of, figures_of, margin_figures
from servosim.tuning.bench import Bench, Job, run_jobs
from servosim.tuning.loop_gains import Loops

_SEED = 121


def replay(
    axis: Axis, goals: Goals, changes: Mapping[str, Any] | Axis, *, workers: int = 1
) -> Trial:
    """Move a tuned axis under other circumstances, its controller's numbers left as they are.

    Parameters
    ----------
    axis : Axis
        With its gains.
    goals : Goals
        What it should keep to.
    changes : mapping of str to object, or Axis
        Keys of the axis file and their other values [SI], or the changed axis.
    workers : int, optional
        Threads that share the moves [-].

    Returns
    -------
    Trial
        Whole moves in every corner of the changed envelope.

    Raises
    ------
    ParameterError
        If the changed axis is not possible.
    """
    changed = changes if isinstance(changes, Axis) else axis.replace(dict(changes))
    contender = contender_of(0, changed, goals)
    bench = Bench(changed, control=axis)
    cases = whole_cases(contender)
    found = run_jobs([Job(bench, [{}], cases, (_SEED,))], workers)[0]
    group = Group(found, np.zeros(len(cases)), True)
    figures = figures_of([group])
    constraints = constraints_of(changed, goals, contender.demands, [group], figures)
    points = (*contender.loops.all.points, *contender.other_loops.all.points)
    margins = Loops(axis, contender.demands, points).constraints({})
    return Trial(
        axis=changed,
        changes={} if isinstance(changes, Axis) else dict(changes),
        texts={},
        stage=None,
        figures={**figures, **margin_figures(margins), **gain_figure(axis)},
        constraints=(*constraints, *margins),
        moves=bench.moves,
        notes=("the controller keeps its numbers",),
    )
