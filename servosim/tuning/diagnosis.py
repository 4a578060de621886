"""What limits the axis now, in sentences, and which change of hardware would give most."""

from __future__ import annotations

import math
from collections.abc import Sequence

from servosim.axis import Axis
from servosim.tuning.cases import schedule_of, shown
from servosim.tuning.neighbours import Neighbour
from servosim.tuning.result import Assessment, Constraint, Diagnosis, HardwareChange, LoopStage
from servosim.tuning.words import comparison
from servosim.tuning.written import text_of

_TIGHT = 0.1  # slack below which a demand counts as one that stops the gains
_WORTH = 5e-3  # s, savings below this are not worth a word


def diagnosis_of(
    tuned: Axis,
    after: Assessment,
    neighbours: Sequence[Neighbour],
    usual: HardwareChange | None,
    changes: Sequence[HardwareChange],
    stages: Sequence[LoopStage],
) -> Diagnosis:
    """Return what limits an axis and what would let it go further.

    Parameters
    ----------
    tuned : Axis
        The axis with the proposed values.
    after : Assessment
        How it does.
    neighbours : sequence of Neighbour
        What each value changed alone does.
    usual : HardwareChange or None
        The axis as it is, after the same small search as the changes had.
    changes : sequence of HardwareChange
        Ranked.
    stages : sequence of LoopStage
        What the margins say about each kind of stabilising feedback.

    Returns
    -------
    Diagnosis
        The tightest demands, sentences and the changes.
    """
    active = tuple(sorted((one for one in after.constraints if _stops(one)), key=lambda c: c.slack))
    sentences = []
    sentences += _time_sentence(tuned, after)
    for one in active:
        verb = "is not kept" if not one.kept else "is used up"
        sentences.append(f"{one.label} {verb}: {comparison(one).split(': ', 1)[1]}")
    for near in neighbours:
        if near.key == "controller.velocity_gain" and near.up and near.forbidden:
            text = text_of(tuned, near.key, near.value)
            sentences.append(f"a velocity gain of {text} instead would miss: {near.words}")
    best = [s for s in stages if s.velocity_gain > 0.0]
    if best:
        words = ", ".join(f"{shown(s.velocity_gain, '1/s')} with {_kind(s.kind)}" for s in best)
        sentences.append(f"by margins alone the velocity gain may be up to {words}")
    elif stages:
        sentences.append(
            "no velocity gain has the margins that are wanted: " + stages[0].limited_by
        )
    sentences += _hardware_sentence(usual, changes)
    return Diagnosis(active, tuple(sentences), tuple(changes))


def _stops(one: Constraint) -> bool:
    """Tell whether a demand is missed or nearly used up."""
    if one.name in ("settled", "cavitation_time", "locked"):
        return not one.kept
    return one.slack < _TIGHT


def _kind(kind: str) -> str:
    return {
        "none": "no stabilising feedback",
        "acceleration": "acceleration feedback",
        "load_pressure": "load-pressure feedback",
    }[kind]


def _time_sentence(tuned: Axis, after: Assessment) -> list[str]:
    f = tuned.file
    worst = after.figures["settling_time"].worst
    travel = abs(f.move.target - f.move.start)
    reference = schedule_of(tuned, travel).move_time
    if not math.isfinite(worst) or not math.isfinite(reference) or f.reference.kind == "step":
        return []
    rest = worst - reference
    return [
        f"of the worst {shown(worst, 's', 4)} to settle, {shown(reference, 's', 4)} are the "
        f"reference's own; the loop adds {shown(rest, 's', 2)}"
        if rest > 0.0
        else f"the table settles {shown(-rest, 's', 2)} before the reference's own "
        f"{shown(reference, 's', 4)} are over"
    ]


def _hardware_sentence(
    usual: HardwareChange | None, changes: Sequence[HardwareChange]
) -> list[str]:
    if usual is None or not changes:
        return []
    best = changes[0]
    if usual.violation > 0.0:
        if best.violation <= 0.0:
            time = shown(best.settling_time, "s", 4)
            return [f"what is missing now, this would give: {best.name} (settles in {time})"]
        if best.violation < 0.9 * usual.violation:
            return [f"closest to what is wanted would come: {best.name}, which still is not enough"]
        return ["none of the changes of hardware that were tried gives what is missing"]
    chance = max(usual.saved if math.isfinite(usual.saved) else 0.0, _WORTH)
    if math.isfinite(best.saved) and best.saved > chance:
        return [
            f"the next best change of hardware: {best.name}, settles {1e3 * best.saved:.0f} ms "
            f"sooner with gains tuned anew (differences below {1e3 * chance:.0f} ms are the chance "
            "of the search)"
        ]
    return [f"none of the changes of hardware that were tried saves more than {1e3 * chance:.0f} "
            "ms, which is the chance of the search"]  # fmt: skip
