"""What the command line says of a sizing to people.

Pure functions of a result; nothing is printed or written here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

from servosim import units
from servosim._lines import columns, wrapped
from servosim.commands.size_changes import conflict_lines, what_if_lines
from servosim.commands.size_ranking import ranked_lines
from servosim.commands.size_text import (
    left_text,
    missed_text,
    narrow,
    parts_lines,
    with_places,
)
from servosim.commands.tune_summary import limit_text, quantity_text
from servosim.sizing.figure_words import FIGURES
from servosim.sizing.findings import Candidate, RuleCount, Standing
from servosim.sizing.requirement import RequirementFile
from servosim.sizing.result import Sizing
from servosim.tuning.result import Constraint, Spread

_MOST_FAILED = 5
# the figures of algebra stand under these headings, each from the figure named on
_GROUPS = {
    "area_a": "actuator",
    "required_flow": "valve",
    "mean_flow": "power unit",
    "velocity_gain_limit": "altogether",
}
_SCARCE = 0.5  # of a limit: a rule with more left is only named


def summary(found: Sizing, file: str = "") -> list[str]:
    """Return everything that is said about a sizing.

    Parameters
    ----------
    found : Sizing
        The result.
    file : str, optional
        Name of the requirement's file.

    Returns
    -------
    list of str
        What was asked for, the outcome, the ranked combinations, the winner with all its figures,
        what rejected the others, sensitivity, conflicts and relaxations, notes and cautions.
    """
    lines = [file] if file else []
    lines += [f"  {found.requirement.title}", "", *asked_lines(found.requirement), ""]
    lines += [*outcome(found), ""]
    for part in (
        conflict_lines(found),
        ranked_lines(found),
        shown_lines(found),
        rejected_lines(found),
        failed_lines(found),
        what_if_lines(found),
    ):
        lines += [*part, ""] if part else []
    for note in found.notes:
        lines += wrapped(note, "note        ")
    for caution in found.cautions:
        lines += wrapped(caution, "caution     ")
    return lines


def asked_lines(requirement: RequirementFile) -> list[str]:
    """Return what was asked for.

    Parameters
    ----------
    requirement : RequirementFile
        The requirement.

    Returns
    -------
    list of str
        What must move and how, and what must be kept.
    """
    work, accuracy, reference = requirement.work, requirement.accuracy, requirement.reference
    low, high = requirement.conditions.workpiece_mass
    q = quantity_text
    moves = ", ".join(f"{units.convert(one, 'mm'):+.6g}" for one in work.distances)
    incline = requirement.table.inclination
    lie = "horizontal" if incline == 0.0 else f"inclined by {q(incline, 'deg')}"
    work_words = (
        f"{q(requirement.table.mass, 'kg')} and a workpiece of {units.convert(low, 'kg'):.6g} to "
        f"{q(high, 'kg')}, {lie}, stroke {q(work.stroke, 'mm')}; moves of {moves} mm, "
        f"{work.cycles_per_hour:.6g} cycles an hour, {q(work.dwell, 's')} at each place"
    )
    speed = getattr(reference, "velocity", None)
    if speed is not None and math.isfinite(speed):
        work_words += f"; rapid {q(speed, 'mm/s')}"
    thrust = requirement.thrust
    push = getattr(thrust, "along", None)
    pushed = f" under {q(push, 'N')}" if push else ""
    kept_words = (
        f"in the window of +-{q(accuracy.half_width, 'um')} within "
        f"{q(accuracy.settling_time, 's')}, overshoot at most {q(accuracy.overshoot, 'um')}, error "
        f"at rest {q(accuracy.resting_error, 'um')}, deflection {q(accuracy.deflection, 'um')}"
        f"{pushed}, drift {q(accuracy.drift, 'um')} in {q(accuracy.hold_time, 's')}"
    )
    return [*wrapped(work_words, "work        "), *wrapped(kept_words, "accuracy    ")]


def outcome(found: Sizing) -> list[str]:
    """Return whether a combination was found that keeps everything, and how many were looked at.

    Parameters
    ----------
    found : Sizing
        The result.

    Returns
    -------
    list of str
        Status, what was considered, and the winner in one line.
    """
    considered, passing = len(found.combinations), int(found.passes.sum())
    tried = len(found.ranked) + len(found.failed)
    if found.interrupted and found.feasible:
        head = (
            "INTERRUPTED: the ranking is that of what was moved by then; fewer moves stand behind "
            "it than behind a whole run"
        )
    elif found.interrupted:
        head = "INTERRUPTED: nothing that keeps everything was found by then"
    elif found.feasible:
        head = "FEASIBLE: there are combinations that keep every rule and every goal"
    elif passing > tried:
        head = (
            f"NOT FEASIBLE: none of the combinations that were moved keeps every goal; "
            f"{passing - tried} more keep every rule but were not moved, see --tried"
        )
    else:
        head = "NOT FEASIBLE: no combination on offer keeps every rule and every goal"
    lines = wrapped(head, "status      ")
    text = (
        f"{considered} combinations; {passing} keep every rule of the algebra; {tried} of them "
        f"tuned and moved, {found.moves} moves; {len(found.ranked)} keep everything"
    )
    lines += wrapped(text, "considered  ")
    if found.best is not None:
        title = "best so far " if found.interrupted else "winner      "
        lines += wrapped(found.best.candidate.words, title)
    return lines


def shown_lines(found: Sizing) -> list[str]:
    """Return the winner with all its figures; without one, the nearest combination.

    Parameters
    ----------
    found : Sizing
        The result.

    Returns
    -------
    list of str
        Parts, figures by algebra, rules with what is left of each, figures of moves, goals, gains.
    """
    tried = next(iter((*found.ranked, *found.failed)), None)
    if tried is not None and not found.feasible and found.nearest and tried.candidate.broken:
        tried = None
    candidate = tried.candidate if tried is not None else found.shown
    if candidate is None:
        return []
    name = "the winner" if found.feasible else "the nearest combination"
    lines = [*wrapped(f"{name}: {candidate.words}", ""), *parts_lines(candidate)]
    lines += _algebra_lines(candidate)
    lines += _rule_lines(candidate.rules, "rules, the scarcest first")
    if tried is not None:
        lines += _simulated_lines(tried.simulated)
        lines += goal_lines(tried.goals)
        gains = ", ".join(f"{key} = {value}" for key, value in tried.gains.items())
        lines += wrapped(gains, "gains       ") if gains else []
        for note in tried.notes:
            lines += wrapped(note, "note        ")
    return lines


def _algebra_lines(candidate: Candidate) -> list[str]:
    """Return every figure of algebra under its heading."""
    order = [*FIGURES, *(name for name in candidate.figures if name not in FIGURES)]
    rows: list[tuple[str, str]] = []
    heading = "others"
    for name in order:
        heading = _GROUPS.get(name, heading)
        one = candidate.figures.get(name)
        if one is None or math.isnan(one.value):
            continue
        if heading:
            rows.append((f"by algebra: {heading}", ""))
            heading = ""
        rows.append((f"  {one.words}", quantity_text(one.value, one.shown_unit)))
    return columns(rows, "", left=(0,))


def _rule_lines(rules: Iterable[Standing], title: str) -> list[str]:
    """Return how a combination stands to each rule; those with much left are only named."""
    rows: list[Sequence[str]] = [(title, "limit", "value", "left", "")]
    others = []
    for one in rules:
        name = one.name.replace("_", " ")
        if one.slack > _SCARCE:
            others.append(name)
            continue
        value, left = quantity_text(one.value, one.shown_unit), left_text(one.slack)
        state = "" if one.kept else "BROKEN"
        rows.append((f"  {name}", limit_text(one), value, left, state))
    lines = narrow(rows) if len(rows) > 1 else []
    if others:
        lines += wrapped(f"more than half of the limit left: {', '.join(others)}", "  ")
    return lines


def _simulated_lines(simulated: Mapping[str, Spread]) -> list[str]:
    rows: list[Sequence[str]] = [("in moves and margins over the envelope", "worst", "median", "")]
    rows += [
        (
            f"  {name.replace('_', ' ')}",
            quantity_text(one.worst, one.shown_unit),
            quantity_text(one.median, one.shown_unit),
            one.where,
        )
        for name, one in simulated.items()
    ]
    return with_places(rows) if len(rows) > 1 else []


def goal_lines(goals: Sequence[Constraint]) -> list[str]:
    """Return how a combination stands to each goal of moves and margins.

    Parameters
    ----------
    goals : sequence of Constraint
        The goals.

    Returns
    -------
    list of str
        Limit, worst value, what is left; and the worst case of what is missed.
    """
    if not goals:
        return []
    rows: list[Sequence[str]] = [("goals of moves and margins", "limit", "worst", "left", "")]
    rows += [
        (
            f"  {one.label}",
            limit_text(one),
            quantity_text(one.value, one.shown_unit),
            left_text(one.slack),
            "met" if one.kept else "MISSED",
        )
        for one in goals
    ]
    return narrow(rows)


def rejected_lines(found: Sizing) -> list[str]:
    """Return what each rule of the algebra rejected, and how near the nearest came.

    Parameters
    ----------
    found : Sizing
        The result.

    Returns
    -------
    list of str
        Two lines for each rule that rejected something, and one that names the others.
    """
    if not found.rules:
        return []
    rows: list[Sequence[str]] = [
        ("rejected by algebra, by rule", "all", "alone", "limit", "nearest", "misses by")
    ]
    words, kept = [""], []
    for one in found.rules:
        if one.broken:
            rows.append(_rule_row(one))
            words.append(one.words)
        else:
            kept.append(one.name.replace("_", " "))
    lines = []
    for line, text in zip(columns(rows, ""), words, strict=True):
        lines += [line, *(wrapped(text, " " * 6) if text else [])]
    if kept:
        lines += wrapped(f"kept by all: {', '.join(kept)}", "  ")
    return lines


def _rule_row(one: RuleCount) -> Sequence[str]:
    near = one.nearest
    return (
        f"  {one.name.replace('_', ' ')}",
        str(one.broken),
        str(one.alone),
        one.limit_words,
        "-" if near is None else quantity_text(near.value, near.shown_unit),
        "-" if near is None else left_text(-near.slack if near.slack > -math.inf else near.slack),
    )


def failed_lines(found: Sizing) -> list[str]:
    """Return what was moved and missed a goal: by goal, and the nearest of them.

    Parameters
    ----------
    found : Sizing
        The result.

    Returns
    -------
    list of str
        A line for each goal that was missed, then the parts of the nearest combinations with their
        worst goals; empty if there are none.
    """
    if not found.failed:
        return []
    rows: list[Sequence[str]] = [
        ("rejected in moves, by goal", "all", "alone", "limit", "nearest", "misses by")
    ]
    missed: dict[str, list[tuple[Constraint, bool]]] = {}
    for one in found.failed:
        for goal in one.missed:
            missed.setdefault(goal.label, []).append((goal, len(one.missed) == 1))
    for label, goals in sorted(missed.items(), key=lambda item: -len(item[1])):
        near = max((goal for goal, _ in goals), key=lambda goal: goal.slack)
        rows.append(
            (
                f"  {label}", str(len(goals)), str(sum(alone for _, alone in goals)),
                limit_text(near), quantity_text(near.value, near.shown_unit),
                left_text(-near.slack if near.slack > -math.inf else near.slack),
            )
        )  # fmt: skip
    lines = narrow([(*row, "") for row in rows]) if missed else []
    lines.append("the nearest of them")
    for one in found.failed[:_MOST_FAILED]:
        text = "; ".join(missed_text(goal) for goal in one.missed[:2])
        lines += wrapped(f"{one.candidate.words}: {text}", "  ", "      ")
    left = len(found.failed) - _MOST_FAILED
    return [*lines, f"  and {left} more, see --json"] if left > 0 else lines


def sheet_head(found: Sizing, file: str = "") -> list[str]:
    """Return the sentences at the head of the sheet.

    Parameters
    ----------
    found : Sizing
        The result.
    file : str, optional
        Name of the requirement's file.

    Returns
    -------
    list of str
        What the sheet is of, how its numbers are to be read, and the cautions.
    """
    shown = found.shown
    what = "the winner" if found.feasible else "the nearest combination, NOT FEASIBLE"
    lines = [f"Requirement: {file}."] if file else []
    lines += [f"Calculation of {what}: {shown.words}."] if shown is not None else []
    lines.append(
        "Each step: formula, the same with numbers, result. Numbers stand with as many digits as "
        "it takes to come to the printed result; units convert as usual, a frequency in a formula "
        "is one in rad/s. What moves showed is no part of this sheet."
    )
    return [*lines, *found.cautions]
