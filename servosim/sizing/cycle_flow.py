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


def cycle_steps(
    requirement: RequirementFile, cycle_time: float, stop: float | None = None
) -> CycleSteps:
    """Return the speed over one cycle, with its pauses.

    Parameters
    ----------
    requirement : RequirementFile
        Has moves and reference.
    cycle_time : float
        Time of a cycle [s]; moves that need longer make it longer.
    stop : float, optional
        Time of a stop after each move [s], what is left of the cycle after its last move; by
        default, and if there is no time for such stops, all pauses are alike.

    Returns
    -------
    CycleSteps
        Ramps in equal steps with velocity linear over time; what they leave of the distance is
        gone during the run-in.
    """
    moves = pattern_of(requirement, Calculation()).moves
    spare = max(cycle_time - sum(one.time for one in moves), 0.0)
    pauses = [spare / len(moves)] * len(moves)
    if stop is not None and stop < pauses[0]:
        pauses = [stop] * (len(moves) - 1) + [spare - stop * (len(moves) - 1)]
    step: list[float] = []
    speed: list[float] = []
    rising = (np.arange(_STEPS) + 0.5) / _STEPS
    for one, pause in zip(moves, pauses, strict=True):
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
