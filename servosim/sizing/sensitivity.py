"""How the choice stands if circumstances differ, or if a part is one size smaller or larger."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from servosim.axis import Axis
from servosim.document import AxisFile
from servosim.errors import ServosimError
from servosim.params import Range, replace
from servosim.sizing.combinations import Combinations
from servosim.sizing.findings import Figure, Standing, Tried, WhatIf
from servosim.sizing.goals import Goals
from servosim.sizing.requirement import RequirementFile
from servosim.sizing.screening import Screened, screened
from servosim.sizing.trials import replay
from servosim.sizing.value_texts import text_of, unit_of
from servosim.tuning.result import Constraint, Spread

_FROZEN = {  # series of the power unit: the column that holds what the winner has of it
    "pump_flows": "pump_flow",
    "accumulator_volumes": "accumulator_volume",
    "motor_powers": "motor_power",
    "tank_volumes": "tank_volume",
    "cooler_powers": "cooler_power",
}


@dataclass(frozen=True)
class Circumstance:
    """Something that may turn out differently.

    Attributes
    ----------
    name : str
        In words.
    asked : mapping of str to object
        Keys of the requirement and their other values [SI].
    built : mapping of str to object
        Keys of the axis file and their other values [SI].
    pressure : float
        Nominal pressure over the winner's [-].
    texts : mapping of str to str
        What to say of values that algebra has counted with already.
    """

    name: str
    asked: Mapping[str, Any]
    built: Mapping[str, Any]
    pressure: float = 1.0
    texts: Mapping[str, str] = field(default_factory=dict)


def circumstances(requirement: RequirementFile, axis: Axis) -> list[Circumstance]:
    """Return what is tried on the winner.

    Parameters
    ----------
    requirement : RequirementFile
        What was asked for.
    axis : Axis
        The winner's axis.

    Returns
    -------
    list of Circumstance
        Only such as change a value.
    """
    r, f = requirement, axis.file
    twenty = 1.2
    masses = {
        "table.mass": twenty * r.table.mass,
        "table.workpiece_mass": twenty * r.table.workpiece_mass,
        "conditions.workpiece_mass": _scaled(r.conditions.workpiece_mass, twenty),
    }
    moved = {
        "table.mass": twenty * f.table.mass,
        "table.workpiece_mass": twenty * f.table.workpiece_mass,
        "envelope.workpiece_mass": _scaled(f.envelope.workpiece_mass, twenty),
    }
    stiff = {"oil.bulk_modulus": 0.5 * r.oil.bulk_modulus}
    air = {
        "oil.free_air": 2.0 * r.oil.free_air,
        "conditions.free_air": _scaled(r.conditions.free_air, 2.0),
    }
    airy = {
        "oil.free_air": 2.0 * f.oil.free_air,
        "envelope.free_air": _scaled(f.envelope.free_air, 2.0),
    }
    less = {
        "supply.pressure": 0.9 * f.supply.pressure,
        "envelope.supply_pressure": _scaled(f.envelope.supply_pressure, 0.9),
    }
    low, high = r.conditions.temperature
    found = [
        Circumstance("moved masses 20 % larger", masses, moved),
        Circumstance("oil of half the bulk modulus", stiff, dict(stiff)),
        Circumstance("twice the free air in the oil", air, airy),
        Circumstance("supply pressure 10 % lower", {}, less, 0.9),
        Circumstance("friction 50 % larger", _frictions(r, f), _frictions(f, f)),
        _at(requirement, "oil as cold as it may be at work", low),
        _at(requirement, "oil as hot as it may be at work", high),
    ]
    return [one for one in found if one.asked or one.built]


def _scaled(value: Range, factor: float) -> Range:
    return Range(factor * value.low, factor * value.high)


def _frictions(file: Any, axis: AxisFile) -> dict[str, float]:
    """Return the friction of ways and seals of a requirement or an axis file, half as large again.

    Keys of another kind of actuator, not read or zero are left out.
    """
    keys = ["table.coulomb_coefficient", "table.static_coefficient", "table.viscous_friction"]
    seals = ("seal_friction", "seal_pressure_friction", "seal_viscous")
    if axis is file:
        keys += [f"cylinder.{name}" for name in (*seals, "seal_breakaway")]
    elif file.cylinder is None:
        if axis.cylinder.kind == "motor_screw":
            keys.append("screws.motor_friction")
        else:
            keys += [f"cylinders.{name}" for name in seals]
    found = {}
    for key in keys:
        table, name = key.split(".")
        held = getattr(file, table, None)
        if held is not None and name not in held._unread and getattr(held, name) > 0.0:
            found[key] = 1.5 * getattr(held, name)
    return found


def _at(requirement: RequirementFile, name: str, temperature: float) -> Circumstance:
    """Return one oil temperature throughout; the rules have looked at the whole range of it."""
    held = Range(temperature, temperature)
    built = {"envelope.temperature": held, "oil.temperature": temperature}
    said = text_of(temperature, unit_of(requirement, "oil.temperature"))
    return Circumstance(name, {}, built, texts={"oil.temperature": said})


def what_if(
    found: Screened, winner: Tried, goals: Goals, tell: Callable[[int, int], Any]
) -> Iterator[WhatIf]:
    """Yield how the winner stands under other circumstances, its parts and gains unchanged.

    Parameters
    ----------
    found : Screened
        All combinations.
    winner : Tried
        The winner.
    goals : Goals
        What must be kept in moves.
    tell : callable
        Told how many are done, of how many.

    Yields
    ------
    WhatIf
        Algebra with the power unit as it was chosen, and moves with the winner's gains.
    """
    k = winner.candidate.number
    one = found.combinations.take(np.array([k]))
    frozen = _with_chosen_parts(found, k)
    every = circumstances(found.requirement, winner.axis)
    for done, case in enumerate(every):
        tell(done, len(every))
        yield _under(frozen, one, winner, goals, case)
    tell(len(every), len(every))


def _with_chosen_parts(found: Screened, k: int) -> RequirementFile:
    """Return the requirement whose power unit has no other sizes than a combination's own."""
    changes = {}
    for key, name in _FROZEN.items():
        column = found.columns.get(name)
        value = float(column.values[k]) if column is not None else np.nan
        offered = getattr(found.requirement.power_unit, key)
        if np.isfinite(value) and any(abs(value - size) < 1e-9 + 1e-6 * size for size in offered):
            changes[f"power_unit.{key}"] = (value,)
    return replace(found.requirement, changes) if changes else found.requirement


def _under(
    requirement: RequirementFile,
    c: Combinations,
    winner: Tried,
    goals: Goals,
    case: Circumstance,
) -> WhatIf:
    """Return how a combination stands under one circumstance."""
    texts = dict(case.texts) | {
        key: _said(requirement, key, value) for key, value in case.asked.items()
    }
    if case.pressure != 1.0:
        texts["pressures.nominal"] = text_of(case.pressure * float(c.pressure[0]), "bar")
    notes: list[str] = []
    broken: tuple[Standing, ...] = ()
    figures: Mapping[str, Figure] = {}
    try:
        changed = replace(requirement, dict(case.asked)) if case.asked else requirement
        weaker = Combinations(**{**vars(c), "pressure": case.pressure * c.pressure})
        candidate = screened(changed, weaker).candidate(0)
        broken, figures = candidate.broken, candidate.figures
    except ServosimError as error:
        notes.append(f"no algebra: {str(error).splitlines()[0]}")
    simulated: Mapping[str, Spread] = {}
    missed: tuple[Constraint, ...] = ()
    try:
        trial = replay(winner.axis, goals, dict(case.built))
        simulated = trial.figures
        missed = tuple(sorted((one for one in trial.constraints if not one.kept),
                              key=lambda one: one.slack))  # fmt: skip
        notes += trial.notes
    except ServosimError as error:
        notes.append(f"no moves: {str(error).splitlines()[0]}")
    return WhatIf(case.name, "circumstance", winner.candidate.words, texts, broken, figures,
                  simulated, missed, "; ".join(notes))  # fmt: skip


def _said(requirement: RequirementFile, key: str, value: Any) -> str:
    """Return a value of the requirement as a text."""
    unit = unit_of(requirement, key)
    values = value if isinstance(value, tuple) else (value,)
    return ", ".join(text_of(float(one), unit) for one in values)


def neighbours(found: Screened, k: int) -> dict[str, int]:
    """Return the combinations that differ from one in a single part by one size on offer.

    Parameters
    ----------
    found : Screened
        All combinations.
    k : int
        The one.

    Returns
    -------
    dict of str to int
        The difference in words, and the row: next smaller and larger bore (with the rod whose share
        of it is nearest), motor, lead, valve (by its flow at one drop) and pressure.
    """
    c, names = found.combinations, {}
    flows = np.array([one.rated_flow / np.sqrt(one.rated_pressure_drop)
                      for one in found.requirement.valve])  # fmt: skip
    flow = flows[c.valve]
    share = np.divide(c.rod, c.bore, out=np.zeros_like(c.rod), where=c.bore > 0.0)
    sizes = {
        "bore": c.bore, "displacement of the motor": c.displacement, "lead of the screw": c.lead,
        "valve": flow, "supply pressure": c.pressure,
    }  # fmt: skip
    for name, size in sizes.items():
        same = np.ones(len(c), dtype=bool)
        for other, held in (("bore", c.bore), ("displacement of the motor", c.displacement),
                            ("lead of the screw", c.lead), ("valve", c.valve),
                            ("supply pressure", c.pressure), ("", c.actuator),
                            ("", c.arrangement)):  # fmt: skip
            if other != name:
                same &= held == held[k]
        if name != "bore":
            same &= c.rod == c.rod[k]
        for way, word in ((-1.0, "smaller"), (1.0, "larger")):
            beyond = same & (way * (size - size[k]) > 1e-9 * abs(size[k])) & (size > 0.0)
            if not beyond.any():
                continue
            least = np.min(np.abs(size - size[k])[beyond])
            rows = np.flatnonzero(beyond & (np.abs(size - size[k]) <= least * (1.0 + 1e-9)))
            names[f"{name} one size {word}"] = int(rows[np.argmin(np.abs(share[rows] - share[k]))])
    return names


def neighbour(found: Screened, name: str, k: int, tried: Tried | None) -> WhatIf:
    """Return how a neighbour of the winner stands, with gains of its own.

    Parameters
    ----------
    found : Screened
        All combinations.
    name : str
        The difference in words.
    k : int
        Its row.
    tried : Tried or None
        What moves gave, if it was moved.

    Returns
    -------
    WhatIf
        Its rules and goals.
    """
    candidate = found.candidate(k)
    note = ""
    if tried is None:
        note = "rejected by algebra, not moved" if candidate.broken else "not moved"
    simulated, missed = (tried.simulated, tried.missed) if tried else ({}, ())
    return WhatIf(name, "neighbour", candidate.words, {}, candidate.broken, candidate.figures,
                  simulated, missed, note)  # fmt: skip
