"""What is said of a sizing under other circumstances, and of a requirement without solution.

Pure functions of a result; nothing is printed or written here.
"""

from __future__ import annotations

from collections.abc import Sequence

from servosim._lines import wrapped
from servosim.commands.size_text import figure_text, missed_text, narrow
from servosim.commands.tune_summary import limit_text, quantity_text
from servosim.sizing.findings import Relaxation, WhatIf
from servosim.sizing.result import Sizing
from servosim.tuning.result import Spread

_LISTED = "valve."
_MOST_RULES = 3  # of what a change breaks


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
            cells = [figure_text(one.figures.get(name)) for name in names]
            moved = [
                _spread(one.simulated.get(name))
                for name in ("settling_time", "overshoot", "resting_error")
            ]
            rows.append((f"  {one.name}", *cells, *moved, "kept" if one.feasible else "BROKEN"))
        table = narrow(rows)
        lines += table if not lines else ["", *table]
        for one in group:
            lines += _broken_words(one)
        lines += _note_lines(group)
    return lines


def _broken_words(one: WhatIf) -> list[str]:
    """Return the worst of what a change breaks."""
    parts = [
        f"{rule.name.replace('_', ' ')} {quantity_text(rule.value, rule.shown_unit)}, "
        f"{limit_text(rule)}"
        for rule in one.broken
    ]
    parts += [missed_text(goal, where=False) for goal in one.missed]
    if len(parts) > _MOST_RULES:
        parts[_MOST_RULES:] = [f"and {len(parts) - _MOST_RULES} more"]
    return wrapped(f"{one.name}: {'; '.join(parts)}", "  ", "      ") if parts else []


def _note_lines(group: Sequence[WhatIf]) -> list[str]:
    """Return each note once, with what it is said of unless that is all of them."""
    lines = []
    for note in dict.fromkeys(one.note for one in group if one.note):
        names = [one.name for one in group if one.note == note]
        of = "all" if len(names) == len(group) else ", ".join(names)
        lines += wrapped(f"{of}: {note}", "  ", "      ")
    return lines


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
    if not found.feasible and not found.interrupted and not found.relaxations:
        text = (
            "no change of one value or of two was found that gives a solution; see what misses "
            "least below, and offer other parts"
        )
        lines += wrapped(text, "relax       ")
    return lines


def _relaxation_lines(one: Relaxation) -> list[str]:
    basis = "" if one.simulated else " (by algebra; moves must still show it)"
    lines = wrapped(f"{one.sentence}{basis}", "relax       ")
    if any(change.key.startswith(_LISTED) for change in one.changes):
        return lines  # parts of a list have no option
    options = " ".join(f'--set {change.key}="{change.text_after}"' for change in one.changes)
    return [*lines, f"              {options}"]
