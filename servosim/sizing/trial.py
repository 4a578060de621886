"""One candidate, tuned and moved: what is handed back of it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from servosim.axis import Axis
from servosim.sizing.contenders import Contender
from servosim.sizing.verdicts import margin_figures
from servosim.tuning.result import Constraint, LoopStage, Spread


@dataclass(frozen=True)
class Trial:
    """One candidate, tuned and moved.

    Attributes
    ----------
    axis : Axis
        With its gains.
    changes : mapping of str to object
        Keys of the file that tuning changed, and their values [SI].
    texts : mapping of str to object
        The same as the file writes them, with units.
    stage : LoopStage or None
        What the margins alone admit; None if it came to none.
    figures : mapping of str to Spread
        ``settling_time``, ``overshoot``, ``resting_error``, ``thrust_deflection_peak``, margins of
        both cuts, pressures ... each with its worst case; a settling time of nan has not settled.
    constraints : tuple of Constraint
        What it must keep to.
    moves : int
        Moves that were simulated for it.
    notes : tuple of str
        What a reader must know.
    reason : str
        Why it was given up before its moves, or "".
    """

    axis: Axis
    changes: Mapping[str, Any]
    texts: Mapping[str, Any]
    stage: LoopStage | None
    figures: Mapping[str, Spread]
    constraints: tuple[Constraint, ...]
    moves: int
    notes: tuple[str, ...] = ()
    reason: str = ""

    @property
    def feasible(self) -> bool:
        """Whether everything is kept in every case that was simulated."""
        return not self.reason and all(one.kept for one in self.constraints)

    @property
    def missed(self) -> tuple[Constraint, ...]:
        """What is not kept, the worst first."""
        return tuple(sorted((one for one in self.constraints if not one.kept),
                            key=lambda one: one.slack))  # fmt: skip


def missing_of(trial: Trial) -> tuple[float, float]:
    """Return what is missing in all, then the time to settle: the smaller the better."""
    missing = sum(min(-one.slack, 10.0) for one in trial.missed)
    time = trial.figures["settling_time"].worst if "settling_time" in trial.figures else math.nan
    return missing, time if math.isfinite(time) else math.inf


def gain_figure(axis: Axis) -> dict[str, Spread]:
    """Return the velocity gain as a figure [1/s], so that it is told like all others."""
    value = axis.file.controller.velocity_gain
    return {"velocity_gain": Spread(value, value, "1/s", "1/s", "")}


def given_up(
    axis: Axis, stage: LoopStage | None, margins: Sequence[Constraint], reason: str
) -> Trial:
    """Return the trial of a candidate that never moved."""
    failed = Constraint("moved", reason, math.nan, math.nan, "1", "1", False, -1.0, "")
    return Trial(axis, {}, {}, stage, margin_figures(margins), (failed, *margins), 0, (), reason)


def without_gain(contender: Contender) -> Trial:
    """Return the trial of a candidate for which no gain has the margins."""
    stage = contender.stage
    assert stage is not None
    reason = f"no velocity gain keeps the margins over the envelope: {stage.limited_by}"
    changes = {"controller.stabilising_feedback": stage.kind,
               **{f"controller.{name}": value for name, value in stage.gains.items()}}  # fmt: skip
    changes["controller.velocity_gain"] = 0.02 * contender.loops.natural_frequency
    return given_up(contender.axis, stage, contender.loops.constraints(changes), reason)
