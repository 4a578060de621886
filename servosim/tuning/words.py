"""Sentences about demands: by how much they are kept or missed, and where."""

from __future__ import annotations

import math
from collections.abc import Sequence

from servosim.tuning.bench import Outcomes
from servosim.tuning.cases import shown
from servosim.tuning.objective import Terms
from servosim.tuning.result import Constraint

LABELS = {
    "settled": "not every move settles",
    "overshoot": "overshoot",
    "limit_cycle_amplitude": "swing at rest",
    "resting_error": "error at rest",
    "pressure_max": "chamber pressure",
    "cavitation_time": "cavitation",
    "settling_time": "time to settle",
}
UNITS = {
    "settled": "%",
    "overshoot": "um",
    "limit_cycle_amplitude": "um",
    "resting_error": "um",
    "pressure_max": "bar",
    "cavitation_time": "s",
    "settling_time": "s",
}


def quantity(value: float, unit: str) -> str:
    """Return a value for people; a ratio in dB, an angle in degrees."""
    if unit == "dB":
        if math.isinf(value):
            return "unlimited"
        return f"{20.0 * math.log10(value):.3g} dB" if value > 0.0 else "none"
    if math.isinf(value):
        return "unlimited"
    return shown(value, unit)


def comparison(one: Constraint) -> str:
    """Return a demand's worst value and its limit in words."""
    word = "at most" if one.upper else "at least"
    place = f", {one.where}" if one.where else ""
    value, limit = (quantity(v, one.shown_unit) for v in (one.value, one.limit))
    if one.name == "settled":
        return f"{one.label}: {value}, must be {limit}{place}"
    return f"{one.label}: {value}, must be {word} {limit}{place}"


def failures_of(constraints: Sequence[Constraint]) -> tuple[str, ...]:
    """Return the demands that are missed, each in a sentence, the worst first."""
    missed = sorted((one for one in constraints if not one.kept), key=lambda one: one.slack)
    return tuple(comparison(one) for one in missed)


def worst_term(terms: Terms, found: Outcomes, candidate: int) -> str:
    """Return the demand that a candidate misses most, with value and case, or ""."""
    worst, words = 0.0, ""
    for name, missing in terms.missing.items():
        k = int(missing[candidate].argmax())
        if missing[candidate, k] > worst:
            worst = float(missing[candidate, k])
            value = quantity(float(terms.values[name][candidate, k]), UNITS[name])
            words = f"{LABELS[name]} ({value}; {found.cases[k].words})"
    return words
