"""A loop as one JSON object: everything that the command ``stability`` found, in SI units."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

import numpy as np

from servosim.commands.move_summary import strict, warnings
from servosim.linear.comparison import Compared
from servosim.linear.envelope import FIGURES, EnvelopeMargins
from servosim.linear.margins import Margins
from servosim.linear.points import Point
from servosim.stability import Stability
from servosim.version import __version__

_CUTS = ("command", "position")


def as_json(found: Stability) -> dict[str, Any]:
    """Return everything about a loop as values that strict JSON can hold.

    Parameters
    ----------
    found : Stability
        The result.

    Returns
    -------
    dict
        Version, file, position, formulas and exact numbers, margins, envelope, stroke, largest
        gain, limit cycles and band at rest, SI units; margins are ratios and radians; a value that
        is no finite number is None.
    """
    envelope = found.envelope
    return strict(
        {
            "servosim": __version__,
            "file": found.axis.path,
            "title": found.axis.file.title,
            "position": found.position,
            "comparison": {
                "condition": found.comparison.condition,
                "rows": [_compared_json(row) for row in found.comparison.rows],
                "notes": list(found.comparison.notes),
            },
            "margins": [
                {
                    **_point_json(point),
                    "meaningless": bool(found.loops.meaningless[k]),
                    "shown": k == found.loops.shown,
                    "command": _margins_json(found.loops.command, k),
                    "position": _margins_json(found.loops.position, k),
                }
                for k, point in enumerate(found.loops.points)
            ],
            "envelope": {
                "points": len(envelope.points),
                "meaningless": int(envelope.meaningless.sum()),
                "unstable": int((~envelope.command.stable & ~envelope.meaningless).sum()),
                "worst": _worst_json(envelope),
                "notes": list(envelope.notes()),
            },
            "stroke": _arrays(dataclasses.asdict(found.stroke)),
            "gain_limit": found.locus.limit,
            "stable_gains": [list(one) for one in found.locus.ranges],
            "limit_cycles": _arrays(_fields(found.limit_cycles)),
            "resting": _arrays(_fields(found.resting)),
            "warnings": [str(fault) for fault in warnings(found.axis)],
        }
    )


def _compared_json(row: Compared) -> dict[str, Any]:
    return {
        "name": row.name,
        "unit": row.unit,
        "formula": row.formula,
        "closed": row.closed,
        "exact": row.exact,
        "deviation": row.deviation,
        "reasons": [dataclasses.asdict(one) for one in row.reasons],
        "sentence": row.sentence,
    }


def _point_json(point: Point) -> dict[str, Any]:
    """Return where a point lies."""
    return {
        "condition": point.condition,
        "position": point.position,
        "velocity": point.velocity,
        "thrust": point.thrust,
        "friction": point.friction,
        "corner": dict(point.corner),
    }


def _margins_json(margins: Margins, row: int) -> dict[str, Any]:
    names = [one.name for one in dataclasses.fields(margins) if one.name != "cut"]
    return {name: getattr(margins, name)[row] for name in names}


def _worst_json(envelope: EnvelopeMargins) -> dict[str, Any]:
    if bool(np.all(envelope.meaningless)):
        return {}
    found = {}
    for figure in FIGURES:
        found[figure] = {
            cut: {
                "value": worst.value,
                "frequency": worst.frequency,
                "sentence": worst.sentence,
                **_point_json(envelope.points[worst.index]),
            }
            for cut in _CUTS
            for worst in [envelope.worst(figure, cut)]
        }
    return found


def _fields(one: Any) -> dict[str, Any]:
    """Return the fields of a result that hold numbers and words."""
    found = {f.name: getattr(one, f.name) for f in dataclasses.fields(one)}
    return {name: value for name, value in found.items() if not hasattr(value, "parameters")}


def _arrays(values: Mapping[str, Any]) -> dict[str, Any]:
    """Return values with arrays as lists and results as dictionaries."""

    def plain(value: Any) -> Any:
        if isinstance(value, np.ndarray):
            return value.tolist()
        if dataclasses.is_dataclass(value) and not isinstance(value, type):
            return _arrays(_fields(value))
        if hasattr(value, "_asdict"):
            return _arrays(value._asdict())
        if isinstance(value, Mapping):
            return _arrays(value)
        if isinstance(value, list | tuple):
            return [plain(one) for one in value]
        return value

    return {str(name): plain(value) for name, value in values.items()}
