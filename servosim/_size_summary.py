"""What the command line says of a sizing to people.

Pure functions of a result; nothing is printed or written here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

from servosim import units
from servosim._lines import columns, wrapped
from servosim._tune_summary import quantity_text
from servosim.sizing.findings import (
    Candidate,
    Figure,
    Relaxation,
    RuleCount,
    Standing,
    Tried,
    WhatIf,
)
from servosim.sizing.requirement import RequirementFile
from servosim.sizing.result import Sizing
from servosim.tuning.result import Constraint, Spread

MOST_RANKED = 12
_MOST_FAILED = 5
_MOST_RULES = 4

# columns of the second table: title in two lines, unit, name among figures or simulated ones
_SIMULATED, _ALGEBRA = "simulated", "figures"
_DECIDED: tuple[tuple[str, str, str, str, str], ...] = (
    ("natural", "freq.", "Hz", _ALGEBRA, "natural_frequency"),
    ("gain", "Kv", "1/s", _ALGEBRA, "velocity_gain"),
    ("gain", "margin", "dB", _SIMULATED, "gain_margin_command"),
    ("phase", "margin", "deg", _SIMULATED, "phase_margin_command"),
    ("settled", "in", "s", _SIMULATED, "settling_time"),
    ("over-", "shoot", "um", _SIMULATED, "overshoot"),
    ("resting", "error", "um", _SIMULATED, "resting_error"),
    ("deflec-", "tion", "um", _ALGEBRA, "deflection"),
    ("peak", "flow", "L/min", _ALGEBRA, "peak_flow"),
    ("motor", "power", "kW", _ALGEBRA, "motor_power"),
    ("", "heat", "kW", _ALGEBRA, "heat"),
)


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
        head = "INTERRUPTED: the ranking is that of what was moved by then"
    elif found.interrupted:
        head = "INTERRUPTED: nothing that keeps everything was found by then"
    elif found.feasible:
        head = "FEASIBLE: there are combinations that keep every rule and every goal"
    else:
        head = "NOT FEASIBLE: no combination on offer keeps every rule and every goal"
    lines = wrapped(head, "status      ")
    text = (
        f"{considered} combinations; {passing} keep every rule of the algebra; {tried} of them "
        f"tuned and moved, {found.moves} moves; {len(found.ranked)} keep everything"
    )
    lines += wrapped(text, "considered  ")
    if found.best is not None:
        lines += wrapped(found.best.candidate.words, "winner      ")
    return lines


def ranked_lines(found: Sizing) -> list[str]:
    """Return the combinations that keep everything, the best first, in two tables.

    Parameters
    ----------
    found : Sizing
        The result.

    Returns
    -------
    list of str
        Their parts, and the figures that decided; empty if there are none.
    """
    shown = found.ranked[:MOST_RANKED]
    if not shown:
        return []
    lines = _part_table(shown)
    left = len(found.ranked) - len(shown)
    if left:
        lines.append(f"  and {left} more, see --json")
    return [*lines, "", *_figure_table(shown)]


def _part_table(shown: Sequence[Tried]) -> list[str]:
    rows: list[Sequence[str]] = [
        ("rank", "actuator", "pressure", "valve", "pump", "accumulator", "motor")
    ]
    for one in shown:
        parts, figures = one.candidate.parts, one.candidate.figures
        rows.append(
            (
                f"{one.rank:4d}",
                actuator_text(parts),
                _part(parts, "pressure"),
                _valve(parts),
                _figure(figures.get("pump_flow")),
                _figure(figures.get("accumulator_volume")),
                _figure(figures.get("motor_power")),
            )
        )
    return columns(rows, "", left=(0, 1, 3))


def actuator_text(parts: Mapping[str, Figure | str]) -> str:
    """Return the actuator in a few letters.

    Parameters
    ----------
    parts : mapping of str to Figure or str
        Parts of a combination.

    Returns
    -------
    str
        Such as "double rod 63/36 mm".
    """
    kind = str(parts.get("actuator", "")).replace("_", " ")
    if "bore" in parts:
        bore, rod = (_number(parts.get(name)) for name in ("bore", "rod"))
        return f"{kind} {bore}/{rod} mm" if rod != "0" else f"{kind} {bore} mm"
    sizes = ", ".join(_part(parts, name) for name in ("displacement", "lead") if name in parts)
    return f"{kind} {sizes}".rstrip()


def _number(part: Figure | str | None) -> str:
    """Return a length in millimetres without its unit."""
    if not isinstance(part, Figure) or math.isnan(part.value):
        return "0"
    return f"{units.convert(part.value, 'mm'):.4g}"


def _part(parts: Mapping[str, Figure | str], name: str) -> str:
    part = parts.get(name, "-")
    return _figure(part) if isinstance(part, Figure) else part


def _valve(parts: Mapping[str, Figure | str]) -> str:
    return _part(parts, "valve")


def _figure(one: Figure | None) -> str:
    if one is None or (one.value == 0.0 and one.name == "accumulator_volume"):
        return "-"
    return quantity_text(one.value, one.shown_unit)


def _figure_table(shown: Sequence[Tried]) -> list[str]:
    """Return the figures that decided, units in the head."""
    chosen = [
        column for column in _DECIDED if any(not math.isnan(_decided(one, column)) for one in shown)
    ]
    heads: list[Sequence[str]] = [
        ("", *(first for first, *_ in chosen)),
        ("rank", *(second for _, second, *_ in chosen)),
        ("", *(f"[{unit}]" for _, _, unit, *_ in chosen)),
    ]
    rows = [
        (f"{one.rank:4d}", *(_bare(_decided(one, column), column[2]) for column in chosen))
        for one in shown
    ]
    return columns([*heads, *rows], "", left=(0,))


def _decided(one: Tried, column: tuple[str, str, str, str, str]) -> float:
    *_, place, name = column
    if place == _SIMULATED:
        spread = one.simulated.get(name)
        return math.nan if spread is None else spread.worst
    figure = one.candidate.figures.get(name)
    if name == "velocity_gain":
        return float(one.axis.file.controller.velocity_gain)
    return math.nan if figure is None else figure.value


def _bare(value: float, unit: str) -> str:
    """Return a number without its unit, three digits."""
    if math.isnan(value):
        return "-"
    if unit == "dB":
        return f"{20.0 * math.log10(value):.3g}" if 0.0 < value < math.inf else "-"
    if math.isinf(value):
        return "-"
    return f"{units.convert(float(value), unit) + 0.0:.3g}"


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
    lines = [*wrapped(f"{name}: {candidate.words}", ""), *_algebra_lines(candidate)]
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
    rows = [
        (f"  {one.words}", quantity_text(one.value, one.shown_unit))
        for one in candidate.figures.values()
        if not math.isnan(one.value)
    ]
    return ["by algebra", *columns(rows, "", left=(0,))] if rows else []


def _rule_lines(rules: Iterable[Standing], title: str) -> list[str]:
    rows: list[Sequence[str]] = [(title, "limit", "value", "left", "")]
    rows += [
        (
            f"  {one.name.replace('_', ' ')}",
            _limit(one),
            quantity_text(one.value, one.shown_unit),
            left_text(one.slack),
            "" if one.kept else "BROKEN",
        )
        for one in rules
    ]
    return _narrow(rows) if len(rows) > 1 else []


def _narrow(rows: Sequence[Sequence[str]]) -> list[str]:
    """Return rows as aligned lines; what is longest stands on a line of its own."""
    longest = 44
    lines, short = [], []
    for row in rows:
        short.append((row[0] if len(row[0]) <= longest else "", *row[1:]))
    for row, line in zip(rows, columns(short, "", left=(0, len(rows[0]) - 1)), strict=True):
        if len(row[0]) > longest:
            lines += wrapped(row[0].strip(), "  ")
        lines.append(line)
    return lines


def _limit(one: Standing | Constraint) -> str:
    text = quantity_text(one.limit, one.shown_unit)
    return f"at {'most' if one.upper else 'least'} {text}"


def left_text(slack: float) -> str:
    """Return what is left of a limit, as a share of it.

    Parameters
    ----------
    slack : float
        Share of the limit; below zero it is not kept.

    Returns
    -------
    str
        Such as "12 %"; "all" if the figure could not be found.

    Examples
    --------
    >>> left_text(0.123), left_text(-0.5), left_text(float("-inf")), left_text(1e6)
    ('12.3 %', '-50 %', 'no value', 'plenty')
    """
    if math.isnan(slack) or slack == -math.inf:
        return "no value"
    if abs(slack) >= 100.0:
        return "plenty" if slack > 0.0 else "far off"
    return f"{100.0 * slack:.3g} %"


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
    return _with_places(rows) if len(rows) > 1 else []


def _with_places(rows: Sequence[Sequence[str]]) -> list[str]:
    """Return rows as aligned lines, their last cell, the place, below where it is too long."""
    lines = []
    for row, line in zip(rows, columns([row[:-1] for row in rows], "", left=(0,)), strict=True):
        whole = f"{line}  {row[-1]}".rstrip()
        if len(whole) <= 96:
            lines.append(whole)
        else:
            lines += [line, *wrapped(row[-1], " " * 6)]
    return lines


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
            _limit(one),
            quantity_text(one.value, one.shown_unit),
            left_text(one.slack),
            "met" if one.kept else "MISSED",
        )
        for one in goals
    ]
    return _narrow(rows)


def rejected_lines(found: Sizing) -> list[str]:
    """Return what each rule of the algebra rejected, and how near the nearest came.

    Parameters
    ----------
    found : Sizing
        The result.

    Returns
    -------
    list of str
        A line for each rule that rejected something, and one that names the others.
    """
    if not found.rules:
        return []
    rows: list[Sequence[str]] = [
        ("rejected by algebra, by rule", "all", "by it alone", "limit", "nearest", "misses by")
    ]
    kept = []
    for one in found.rules:
        if not one.broken:
            kept.append(one.name.replace("_", " "))
            continue
        rows.append(_rule_row(one))
    lines = _narrow([(*row, "") for row in rows]) if len(rows) > 1 else []
    if kept:
        lines += wrapped(f"kept by all: {', '.join(kept)}", "  ")
    return lines


def _rule_row(one: RuleCount) -> Sequence[str]:
    near = one.nearest
    return (
        f"  {one.words}",
        str(one.broken),
        str(one.alone),
        one.limit_words,
        "-" if near is None else quantity_text(near.value, near.shown_unit),
        "-" if near is None else left_text(-near.slack if near.slack > -math.inf else near.slack),
    )


def failed_lines(found: Sizing) -> list[str]:
    """Return what was moved and missed a goal, the nearest first.

    Parameters
    ----------
    found : Sizing
        The result.

    Returns
    -------
    list of str
        The parts of each, and its worst goals; empty if there are none.
    """
    if not found.failed:
        return []
    lines = ["rejected in moves, the nearest first"]
    for one in found.failed[:_MOST_FAILED]:
        missed = "; ".join(_missed(goal) for goal in one.missed[:2])
        lines += wrapped(f"{one.candidate.words}: {missed}", "  ", "      ")
    left = len(found.failed) - _MOST_FAILED
    return [*lines, f"  and {left} more, see --json"] if left > 0 else lines


def _missed(one: Constraint) -> str:
    value = quantity_text(one.value, one.shown_unit)
    return f"{one.label} {value}, {_limit(one)}" + (f" ({one.where})" if one.where else "")


def what_if_lines(found: Sizing) -> list[str]:
    """Return how the choice stands under other circumstances, and beside its neighbours.

    Parameters
    ----------
    found : Sizing
        The result.

    Returns
    -------
    list of str
        For each change whether everything is still kept, and some figures.
    """
    if not found.what_if:
        return []
    names = ("natural_frequency", "motor_power")
    lines: list[str] = []
    for kind, title in (
        ("circumstance", "what if, with the winner's gains"),
        ("neighbour", "one size smaller or larger"),
    ):
        group = [one for one in found.what_if if one.kind == kind]
        if not group:
            continue
        rows: list[Sequence[str]] = [
            (title, "natural", "motor", "settled in", "overshoot", "error", "")
        ]
        for one in group:
            cells = [_figure(one.figures.get(name)) for name in names]
            moved = [
                _spread(one.simulated.get(name))
                for name in ("settling_time", "overshoot", "resting_error")
            ]
            rows.append((f"  {one.name}", *cells, *moved, "kept" if one.feasible else "BROKEN"))
        table = _narrow(rows)
        lines += table if not lines else ["", *table]
        for one in group:
            lines += _broken_words(one)
    return lines


def _broken_words(one: WhatIf) -> list[str]:
    parts = [
        f"{rule.words} {quantity_text(rule.value, rule.shown_unit)}, {_limit(rule)}"
        for rule in one.broken[:_MOST_RULES]
    ]
    parts += [_missed(goal) for goal in one.missed[:_MOST_RULES]]
    parts += [one.note] if one.note else []
    return wrapped(f"{one.name}: {'; '.join(parts)}", "  ", "      ") if parts else []


def _spread(one: Spread | None) -> str:
    return "-" if one is None else quantity_text(one.worst, one.shown_unit)


def conflict_lines(found: Sizing) -> list[str]:
    """Return what cannot be kept together, and the nearest changes that give a solution.

    Parameters
    ----------
    found : Sizing
        The result.

    Returns
    -------
    list of str
        Sentences, each change with what to give to ``--set``; empty if there is a solution.
    """
    lines = []
    for conflict in found.conflicts:
        lines += wrapped(conflict.sentence, "conflict    ")
    for one in found.relaxations:
        lines += _relaxation_lines(one)
    if not found.feasible and not found.interrupted and found.conflicts and not found.relaxations:
        lines += wrapped(
            "no change of one value or of two within reach gives a solution; other parts must be "
            "on offer",
            "relax       ",
        )
    return lines


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


def _relaxation_lines(one: Relaxation) -> list[str]:
    basis = "" if one.simulated else " (by algebra; moves must still show it)"
    lines = wrapped(f"{one.sentence}{basis}", "relax       ")
    options = " ".join(f'--set {change.key}="{change.text_after}"' for change in one.changes)
    return [*lines, f"              {options}"]
