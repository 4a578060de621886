"""A positioning test simulated on many virtual machines as one JSON object, and as a table.

Pure functions of a result; nothing is printed or written here.
"""

from __future__ import annotations

import math
from typing import Any

from servosim import units
from servosim.commands.acceptance_causes import notes
from servosim.commands.acceptance_summary import as_json_of_test
from servosim.commands.move_summary import strict
from servosim.positioning.evaluation import SYMBOLS
from servosim.positioning.machines import unknowns_of
from servosim.positioning.population import LEVEL, PERCENT, Passing, Population, Simulated


def as_json(found: Simulated) -> dict[str, Any]:
    """Return everything about a simulated test as values that strict JSON can hold.

    Parameters
    ----------
    found : Simulated
        The result.

    Returns
    -------
    dict
        The form of a measured test with the figures of the median machine, and under
        ``simulated`` the distribution over all machines, the share that passes, the worst machine,
        and what was drawn; SI units.
    """
    a, people = found.acceptance, found.population
    tests = as_json_of_test(found.median)
    tests["verdict"] = found.met if found.given else None
    tests["warnings"] = notes(found)
    tests["simulated"] = {
        "position": found.reading,
        "seed": a.seed,
        "machines_asked": len(a.asked),
        "machines": len(a.tested),
        "interrupted": a.interrupted,
        "moves": a.moves,
        "metrics_of_machine": int(people.numbers[people.median]),
        "least_share": found.least_share,
        "doubtful": found.doubtful,
        "duration": a.duration,
        "oil_temperature": list(a.oil),
        "conditions": a.conditions.as_dict(),
        "drawn": [
            {"key": one.key, "low": one.low, "high": one.high, "reason": one.reason}
            for one in unknowns_of(a.axis, a.conditions)
        ],
        "positions": {name: _population_json(one) for name, one in found.populations.items()},
        "worst": _machine_json(found, people.worst),
        "median": _machine_json(found, people.median),
    }
    return strict(tests)


def _population_json(people: Population) -> dict[str, Any]:
    """Return the figures of all machines for one reading."""
    names = ("low", "median", "high")
    return {
        "percent": list(PERCENT),
        "figures": {
            symbol: dict(zip(names, people.percentiles(symbol), strict=True))
            | {"values": people.figures[symbol].tolist()}
            for symbol in SYMBOLS
        },
        "machines": people.numbers.tolist(),
        "passing": None if people.passing is None else _passing_json(people.passing),
        "each": {symbol: _passing_json(one) for symbol, one in people.each.items()},
    }


def _passing_json(one: Passing) -> dict[str, Any]:
    return {
        "passed": one.passed,
        "machines": one.machines,
        "share": one.share,
        "level": LEVEL,
        "interval": [one.low, one.high],
    }


def _machine_json(found: Simulated, place: int) -> dict[str, Any]:
    """Return one machine: number, what was drawn, its figures."""
    people = found.population
    tested = found.acceptance.tested[place]
    return {
        "number": tested.machine.number,
        "drawn": dict(tested.machine.drawn),
        "missing": tested.missing[people.reading],
        "figures": {symbol: float(people.figures[symbol][place]) for symbol in SYMBOLS},
    }


def table(found: Simulated) -> list[str]:
    """Return the deviations of the median machine in the form of a measured table.

    Parameters
    ----------
    found : Simulated
        The result.

    Returns
    -------
    list of str
        Lines of CSV: remarks, head, a row for each stop; no digit is lost.
    """
    a, test = found.acceptance, found.median.evaluation.deviations
    number = int(found.population.numbers[found.population.median])
    lines = [
        f"# simulated, {found.reading} position: machine {number}, seed {a.seed}, of {found.name}",
        "target [mm],direction,run,deviation [um]",
    ]
    for i, target in enumerate(test.targets):
        where = units.convert(float(target), "mm")
        for direction, values in test.by_direction().items():
            for run, value in enumerate(values[i], 1):
                if not math.isnan(value):
                    size = units.convert(float(value), "um")
                    lines.append(f"{where!r},{direction},{run},{size!r}")
    return lines
