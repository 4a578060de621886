"""A cycle as one JSON object: pure functions of what was worked out."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

from servosim.commands.cycle_compare import Variant
from servosim.commands.cycle_statistics import statistics
from servosim.commands.cycle_stop_text import CAUTIONS
from servosim.commands.cycle_summary import Found
from servosim.commands.move_summary import strict, warnings
from servosim.cycles.result import COLUMNS, STOP_FIGURES, TOTALS, Cycle
from servosim.params import si


def as_json(found: Found) -> dict[str, Any]:
    """Return a cycle as values that strict JSON can hold.

    Parameters
    ----------
    found : Found
        What was worked out.

    Returns
    -------
    dict
        Version, file, parameters, list with its control totals, status with what happened, totals,
        statistics and the table with their definitions, comparison and stops if they were asked
        for; SI units, None for a figure that is not held.
    """
    cycle, read = found.cycle, found.positions
    values: dict[str, Any] = {
        "servosim": cycle.version,
        "file": cycle.axis.path,
        "parameters": si(cycle.axis.file),
        "seed": cycle.seed,
        "list": {
            "path": read.path,
            "title": read.title,
            "positions": len(read.positions),
            "control_totals": [dataclasses.asdict(one) for one in read.totals],
            "notes": list(dict.fromkeys([*read.notes, *cycle.positions.notes])),
            **dataclasses.asdict(found.way),
        },
        "status": {
            "name": cycle.status.upper(),
            "message": cycle.message,
            "time": cycle.totals["cycle_time"],
            "done": cycle.done,
            "events": [dataclasses.asdict(one) for one in cycle.warnings],
            "missing": list(found.missing),
        },
        "metrics": _metrics(cycle.totals, TOTALS),
        "statistics": {
            name: {"unit": COLUMNS[name][0], **dataclasses.asdict(one)}
            for name, one in statistics(cycle).items()
        },
        "columns": {
            name: {"unit": unit, "definition": said} for name, (unit, said) in COLUMNS.items()
        },
        "positions": cycle.as_dict()["positions"],
        "warnings": [str(fault) for fault in warnings(cycle.axis)],
    }
    if found.variants:
        values["comparison"] = [_variant(one) for one in found.variants]
    if found.stops:
        values["stops"] = [
            one.as_dict() | {"figures": _metrics(one.figures, STOP_FIGURES)} for one in found.stops
        ]
        values["cautions"] = list(CAUTIONS)
    return strict(values)


def _metrics(
    values: Mapping[str, float], definitions: Mapping[str, tuple[str, str]]
) -> dict[str, Any]:
    """Return figures in the form of those of a move."""
    return {
        name: {"value": value, "unit": definitions[name][0], "definition": definitions[name][1]}
        for name, value in values.items()
    }


def _variant(one: Variant) -> dict[str, Any]:
    """Return a way of running the list, with its totals."""
    head = {"name": one.way.name, **dataclasses.asdict(one.way)}
    cycle: Cycle | None = one.cycle
    if cycle is None:
        return {**head, "status": "IMPOSSIBLE", "message": one.reason}
    named = {name: dataclasses.asdict(each) for name, each in statistics(cycle).items()}
    return {
        **head,
        "status": cycle.status.upper(),
        "message": cycle.message,
        "same_as": one.same,
        "metrics": dict(cycle.totals),
        "statistics": named,
    }
