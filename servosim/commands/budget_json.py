"""An error budget as one JSON object.

Pure functions of a result; nothing is printed or written here.
"""

from __future__ import annotations

from typing import Any

from servosim.commands.budget_summary import symbols_of
from servosim.commands.move_summary import strict
from servosim.positioning.budget import Budget, Line
from servosim.positioning.causes import REACHES, SYSTEMATIC
from servosim.positioning.combined import PERCENT, Combined
from servosim.positioning.effects import Effect


def as_json(found: Budget, name: str) -> dict[str, Any]:
    """Return everything about a budget as values that strict JSON can hold, SI units."""
    s = found.switched
    return strict(
        {
            "file": name,
            "title": found.axis.file.title,
            "position": found.reading,
            "seed": found.seed,
            "targets": found.cycle.targets.tolist(),
            "oil_temperature": list(found.oil),
            "conditions": found.conditions.as_dict(),
            "causes": [_line_json(found, one) for one in found.lines],
            "absent": list(found.absent),
            "percent": list(PERCENT),
            "combined": {key: _combined_json(one) for key, one in found.sums.items()},
            "test": {
                "machines": len(found.acceptance.tested),
                "figures": {k: list(v) for k, v in found.tested.items()},
                "uncertainty": dict(found.uncertainty),
                "agrees": {
                    key: {symbol: found.agrees(key, symbol) for symbol in symbols_of(found)}
                    for key in found.sums
                },
            },
            "floor": s.floor,
            "moves": s.moves,
            "pairs": [{"causes": list(p.names), **_effect_json(p.effect)} for p in s.pairs],
            "twice_the_gain": {
                "velocity_gain": found.gain.gain,
                "limit": found.gain.limit,
                "margin": found.gain.margin,
                "halves": list(found.gain.names),
            },
        }
    )


def _line_json(found: Budget, one: Line) -> dict[str, Any]:
    t, s, name = one.term, found.switched, one.cause.name
    effects = {"alone": s.alone.get(name), "in_place": s.without.get(name)}
    return {
        "name": name,
        "acts": one.cause.acts,
        "reaches": REACHES[one.cause.acts],
        "systematic": one.cause.acts in SYSTEMATIC,
        "closed_form": {
            "size": t.size,
            "offset": t.offset,
            "half_width": t.half_width,
            "formula": t.formula,
            "numbers": {symbol: value for symbol, value, _ in t.numbers},
            "source": t.source,
            "law": t.law,
            "largest": one.worst,
            "largest_at": one.where,
        },
        "simulated": {
            "size_alone": one.alone,
            "size_in_place": one.without,
            "largest": one.without_worst,
            "largest_at": one.without_where,
            "accuracy_falls_by": one.gains,
        }
        | {key: _effect_json(value) for key, value in effects.items() if value is not None},
        "halved_by": {
            "changes": {path: list(values) for path, values in one.remedy.changes.items()},
            "left": one.remedy.left,
            "costs": one.cause.costs,
        },
    }


def _effect_json(effect: Effect) -> dict[str, Any]:
    return {
        "size": effect.size,
        "offset": effect.offset,
        "reversal": 2.0 * effect.side,
        "along": effect.along.tolist(),
        "stop": effect.stop,
    }


def _combined_json(one: Combined) -> dict[str, Any]:
    return {
        "offset": one.offset,
        "worst_case": one.worst_case,
        "root_sum_square": one.root_sum_square,
        "interval": list(one.interval),
        "figures": {symbol: list(values) for symbol, values in one.figures.items()},
        "machines": one.machines,
    }
