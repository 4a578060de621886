"""Flow drawn from the supply over one cycle, in steps that are the same for every combination."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from servosim.sizing.calculation import Calculation
from servosim.sizing.combinations import Array
from servosim.sizing.pattern import pattern_of
from servosim.sizing.requirement import RequirementFile

_STEPS = 12  # of each ramp


class CycleSteps(NamedTuple):
    """Steps of one cycle.

    Attributes
    ----------
    step : ndarray, shape (n_t,)
        Length of each [s].
    speed_out, speed_in : ndarray, shape (n_t,)
        Mean speed in extension and in retraction over each step [m/s].
    """

    step: Array
    speed_out: Array
    speed_in: Array


def cycle_steps(requirement: RequirementFile, cycle_time: float) -> CycleSteps:
    """Return the speed over one cycle, its pauses shared out after each move.

    Parameters
    ----------
    requirement : RequirementFile
        Has moves and reference.
    cycle_time : float
        Time of a cycle [s]; moves that need longer make it longer.

    Returns
    -------
    CycleSteps
        Ramps in equal steps with velocity linear over time; what they leave of the distance is
        gone during the run-in.
    """
    moves = pattern_of(requirement, Calculation()).moves
    pause = max(cycle_time - sum(one.time for one in moves), 0.0) / len(moves)
    step: list[float] = []
    speed: list[float] = []
    rising = (np.arange(_STEPS) + 0.5) / _STEPS
    for one in moves:
        covered = one.peak * (one.rapid + 0.5 * (one.accelerating + one.decelerating))
        left = max(one.distance - covered, 0.0)
        peak = one.peak * min(1.0, one.distance / covered)
        run_in = max(one.run_in, 1e-9)
        for time, shape in (
            (one.accelerating, peak * rising),
            (one.rapid, peak * np.ones(1)),
            (one.decelerating, peak * rising[::-1]),
            (run_in, left / run_in * np.ones(1)),
            (pause, np.zeros(1)),
        ):
            step += [time / len(shape)] * len(shape)
            speed += list(one.direction * shape)
    signed = np.array(speed)
    return CycleSteps(np.array(step), np.maximum(signed, 0.0), np.maximum(-signed, 0.0))


def drawn_flow(steps: CycleSteps, area_a: Array, area_b: Array, leakage: Array) -> Array:
    """Return the flow drawn in each step.

    Parameters
    ----------
    steps : CycleSteps
        Of the cycle.
    area_a, area_b, leakage : ndarray, shape (n,)
        Piston areas [m2]; flow that is always drawn [m3/s].

    Returns
    -------
    ndarray, shape (n, n_t)
        Flow [m3/s].
    """
    moved = area_a[:, None] * steps.speed_out + area_b[:, None] * steps.speed_in
    return np.asarray(moved + leakage[:, None])
