"""Where everything passes by algebra and nothing in moves: what would be kept, and it is shown."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from servosim.errors import ServosimError
from servosim.params import get, replace
from servosim.sizing.findings import Change, Relaxation, Tried
from servosim.sizing.looser import WAYS
from servosim.sizing.relaxations import change_words
from servosim.sizing.requirement import RequirementFile
from servosim.sizing.value_texts import rounded, si_of, text_of, unit_of

Shown = Callable[[RequirementFile, int], bool]

KEYS = {  # goal: key of the requirement that sets it
    "settling_time": "accuracy.settling_time",
    "settled": "accuracy.half_width",
    "overshoot": "accuracy.overshoot",
    "resting_error": "accuracy.resting_error",
    "resting_error_locked": "accuracy.half_width",
    "limit_cycle_amplitude": "accuracy.half_width",
    "thrust_deflection_peak": "accuracy.deflection",
    "hold_drift": "accuracy.drift",
    "gain_margin_command": "margins.gain_margin",
    "gain_margin_position": "margins.gain_margin",
    "phase_margin_command": "margins.phase_margin",
    "phase_margin_position": "margins.phase_margin",
    "pressure_max": "margins.chamber_pressure",
    "pressure_min": "margins.lowest_pressure",
}
_ROOM = (1.01, 1.1, 1.35)  # of what is missing; the next is tried if moves don't show it
_WIDEST = 8.0  # times the window that is tried for what doesn't settle
_PROPOSALS = 3


@dataclass(frozen=True)
class _Proposal:
    """Keys and the values that one combination kept."""

    tried: Tried
    values: dict[str, float]
    cost: float


def moved_relaxations(
    requirement: RequirementFile, failed: Sequence[Tried], shows: Shown
) -> Iterator[Relaxation]:
    """Yield changes with which a combination that failed in moves keeps everything in moves.

    What each missed goal reached is asked for instead: a settling time that is reached, an error
    that is kept. Of what did not settle at all the window is widened to the error at rest that was
    seen. The smallest such changes are then tried: the combination is tuned and moved anew for the
    changed requirement, with some more room if need be.

    Parameters
    ----------
    requirement : RequirementFile
        What was asked for.
    failed : sequence of Tried
        Combinations that keep every rule of the algebra and missed goals.
    shows : callable
        Tells whether a combination, by its row, keeps everything of another requirement, in moves.

    Yields
    ------
    Relaxation
        At most three, each shown by moves.
    """
    for one in _proposals(requirement, failed)[:_PROPOSALS]:
        for room in _ROOM:
            try:
                changed, changes = _asked(requirement, one.values, room)
            except ServosimError:
                break
            if shows(changed, one.tried.candidate.number):
                said = " and ".join(change_words(change) for change in changes)
                words = one.tried.candidate.words
                told = f"with {said}, {words} keeps everything, tuned alone, as moves show"
                yield Relaxation(changes, one.tried.candidate.number, words, 1, True, told)
                break


def _proposals(requirement: RequirementFile, failed: Sequence[Tried]) -> list[_Proposal]:
    """Return what the nearest would keep: for each set of keys the smallest change."""
    best: dict[tuple[str, ...], _Proposal] = {}
    for tried in failed:
        values = _kept_values(requirement, tried)
        if values is None or not values:
            continue
        cost = sum(
            abs(math.log(max(abs(value), 1e-30) / max(abs(get(requirement, key)), 1e-30)))
            for key, value in values.items()
        )
        keys = tuple(sorted(values))
        if keys not in best or cost < best[keys].cost:
            best[keys] = _Proposal(tried, values, cost)
    return sorted(best.values(), key=lambda one: (len(one.values), one.cost))


def _kept_values(requirement: RequirementFile, tried: Tried) -> dict[str, float] | None:
    """Return the keys whose goals were missed, and the values that would have been kept."""
    values: dict[str, float] = {}
    for goal in tried.missed:
        key = KEYS.get(goal.name)
        if key is None:
            return None
        value = goal.value
        if goal.name in ("settling_time", "settled") and (
            goal.name == "settled" or not math.isfinite(value)
        ):
            key, value = "accuracy.half_width", _error_seen(tried)
        elif goal.name == "limit_cycle_amplitude":  # the limit is a share of the window
            value = requirement.accuracy.half_width * goal.value / goal.limit
        if not math.isfinite(value) or value > _WIDEST * get(requirement, key) > 0.0:
            return None
        way = WAYS.get(key, 1)
        now = get(requirement, key)
        wanted = max(value, now) if way > 0 else min(value, now)
        known = values.get(key, wanted)
        values[key] = max(known, wanted) if way > 0 else min(known, wanted)
    return values


def _error_seen(tried: Tried) -> float:
    """Return the largest error at rest that was seen, swing included [m]; nan if none was."""
    seen = [tried.simulated[name].worst for name in ("resting_error", "limit_cycle_amplitude")
            if name in tried.simulated]  # fmt: skip
    finite = [one for one in seen if math.isfinite(one)]
    return sum(finite) if finite else math.nan


def _asked(
    requirement: RequirementFile, values: dict[str, float], room: float
) -> tuple[RequirementFile, tuple[Change, ...]]:
    """Return the requirement with other values, a little easier still, and the changes."""
    changes, texts = [], {}
    for key, value in values.items():
        now, unit = get(requirement, key), unit_of(requirement, key)
        eased = now + room * (value - now)
        if value == now:
            eased = now * (room if WAYS.get(key, 1) > 0 else 1.0 / room)
        text, after = rounded(eased, unit, 2.0 * abs(eased - now), math.copysign(1.0, eased - now))
        keys = [key]
        if key == "accuracy.half_width":  # errors that the window admits are admitted at rest
            keys += [other for other in ("accuracy.resting_error", "accuracy.overshoot")
                     if get(requirement, other) == now and other not in values]  # fmt: skip
        for one in keys:
            name = one.split(".")[1].replace("_", " ")
            words = f"{name} {'larger' if after > now else 'smaller'}"
            changes.append(Change(one, words, now, after, si_of(unit), text_of(now, unit), text))
            texts[one] = after
    return replace(requirement, texts), tuple(changes)
