"""Every combination of parts that a requirement offers, and what each is called."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping

import numpy as np

from servosim.errors import Fault, ParameterError
from servosim.sizing.combinations import (
    ACCUMULATOR,
    ACTUATORS,
    ARRANGEMENTS,
    DOUBLE_ROD,
    PUMP,
    SCREW,
    SINGLE_ROD,
    Combinations,
)
from servosim.sizing.findings import Figure
from servosim.sizing.requirement import RequirementFile
from servosim.units import convert

MOST = 300_000
_HOLDS = 1e-9  # of a share: rods at the very end of the range belong to it

Actuator = tuple[int, float, float, float, float]  # kind, bore, rod, displacement, lead


def combinations_of(requirement: RequirementFile) -> Combinations:
    """Return every combination that the requirement offers.

    Cylinders of each bore with each rod whose share of the bore is within ``cylinders.rod_share``,
    with one rod or two as the file admits; each motor with each lead; each at every nominal
    pressure, with every valve, with a pump alone and with an accumulator. A part that is kept,
    ``[cylinder]`` or ``[supply]``, stands in the place of its series.

    Parameters
    ----------
    requirement : RequirementFile
        What is offered.

    Returns
    -------
    Combinations
        All of them, in the order of the series.

    Raises
    ------
    ParameterError
        If nothing is offered, or more than can be looked at.
    """
    parts = [*_actuators(requirement)]
    if not parts:
        share = requirement.cylinders.rod_share if requirement.cylinders else (0.0, 1.0)
        raise ParameterError(
            Fault("", "cylinders", "rods", "no cylinder, and no motor with screw, is on offer",
                  f"a rod of {100 * share[0]:g} % to {100 * share[1]:g} % of a bore with "
                  "double_rod or single_rod true, a table [screws], or a table [cylinder]")
        )  # fmt: skip
    pressures, arrangements = _supplies(requirement)
    valves = range(len(requirement.valve))
    count = len(parts) * len(pressures) * len(valves) * len(arrangements)
    if not valves or not pressures or not arrangements:
        lacking = [
            words
            for words, offered in (("valve", valves), ("nominal pressure", pressures),
                                   ("pump, alone or with accumulator,", arrangements))
            if not len(offered)
        ]  # fmt: skip
        raise ParameterError(
            Fault("", "", "", f"no {' and no '.join(lacking)} is on offer", "one or more")
        )
    if count > MOST:
        raise ParameterError(
            Fault("", "", "", f"{count:,} combinations are on offer",
                  f"at most {MOST:,}: shorter series or fewer valves")
        )  # fmt: skip
    of_part, of_pressure, valve, arrangement = (
        grid.ravel()
        for grid in np.meshgrid(
            np.arange(len(parts)), np.arange(len(pressures)), np.array(valves),
            np.array(arrangements), indexing="ij",
        )
    )  # fmt: skip
    kind, bore, rod, displacement, lead = (
        np.array(one)[of_part] for one in zip(*parts, strict=True)
    )
    return Combinations(
        actuator=kind.astype(np.intp),
        bore=bore.astype(float),
        rod=rod.astype(float),
        displacement=displacement.astype(float),
        lead=lead.astype(float),
        pressure=np.array(pressures, dtype=float)[of_pressure],
        valve=valve.astype(np.intp),
        arrangement=arrangement.astype(np.intp),
    )


def _actuators(requirement: RequirementFile) -> Iterator[Actuator]:
    """Return each actuator once: the one that is kept, or those of the series."""
    kept, c, s = requirement.cylinder, requirement.cylinders, requirement.screws
    if kept is not None:
        if kept.kind == "motor_screw":
            yield SCREW, 0.0, 0.0, kept.displacement, kept.screw_lead
        elif kept.kind == "plunger":
            raise ParameterError(
                Fault("", "cylinder", "kind", "a plunger cannot be positioned both ways",
                      "'double_rod', 'single_rod' or 'motor_screw'")
            )  # fmt: skip
        else:
            kind = ACTUATORS.index(kept.kind)
            yield kind, kept.bore_diameter, kept.rod_diameter, 0.0, 0.0
        return
    if c is not None:
        kinds = [DOUBLE_ROD] * c.double_rod + [SINGLE_ROD] * c.single_rod
        low, high = c.rod_share
        for kind, bore, rod in itertools.product(kinds, _series(c.bores), _series(c.rods)):
            if low - _HOLDS <= rod / bore <= high + _HOLDS:
                yield kind, bore, rod, 0.0, 0.0
    if s is not None:
        for displacement, lead in itertools.product(_series(s.displacements), _series(s.leads)):
            yield SCREW, 0.0, 0.0, displacement, lead


def _supplies(requirement: RequirementFile) -> tuple[list[float], list[int]]:
    """Return the nominal pressures and the arrangements to choose from."""
    kept, unit = requirement.supply, requirement.power_unit
    if kept is not None:
        return [kept.pressure], [ACCUMULATOR if kept.accumulator == "gas" else PUMP]
    arrangements = [PUMP] * unit.without_accumulator + [ACCUMULATOR] * unit.with_accumulator
    return _series(requirement.pressures.nominal), arrangements


def _series(values: tuple[float, ...]) -> list[float]:
    """Return a series, each size once, the smallest first."""
    return sorted({*values})


def parts_words(requirement: RequirementFile, c: Combinations, k: int) -> str:
    """Return the parts of one combination in words.

    Parameters
    ----------
    requirement : RequirementFile
        Whose valves they are.
    c : Combinations
        All combinations.
    k : int
        Which of them.

    Returns
    -------
    str
        Such as ``"double rod 63/36 mm, 160 bar, servo 25, pump with accumulator"``.
    """
    if c.actuator[k] == SCREW:
        size = f"motor {_plain(c.displacement[k], 'cm3/rev')} cm3/rev on a screw of "
        size += f"{_plain(c.lead[k], 'mm/rev')} mm/rev"
    else:
        size = "double rod" if c.actuator[k] == DOUBLE_ROD else "single rod"
        size += f" {_plain(c.bore[k], 'mm')}/{_plain(c.rod[k], 'mm')} mm"
    valve = requirement.valve[c.valve[k]].name
    pressure = f"{_plain(c.pressure[k], 'bar')} bar"
    return f"{size}, {pressure}, {valve}, {ARRANGEMENTS[c.arrangement[k]]}"


def parts_figures(
    requirement: RequirementFile, c: Combinations, k: int
) -> Mapping[str, Figure | str]:
    """Return the parts of one combination by name.

    Parameters
    ----------
    requirement : RequirementFile
        Whose valves they are.
    c : Combinations
        All combinations.
    k : int
        Which of them.

    Returns
    -------
    mapping of str to Figure or str
        Only what there is: a screw has no bore.
    """
    valve = requirement.valve[c.valve[k]]
    found: dict[str, Figure | str] = {"actuator": ACTUATORS[c.actuator[k]]}

    def put(name: str, words: str, value: float, unit: str, shown: str) -> None:
        found[name] = Figure(name, words, float(value), unit, shown)

    if c.actuator[k] == SCREW:
        put("displacement", "displacement of the motor", c.displacement[k], "m3/rad", "cm3/rev")
        put("lead", "lead of the screw", c.lead[k], "m/rad", "mm/rev")
    else:
        put("bore", "bore", c.bore[k], "m", "mm")
        put("rod", "rod", c.rod[k], "m", "mm")
    put("pressure", "nominal supply pressure at the valve", c.pressure[k], "Pa", "bar")
    found["valve"] = valve.name
    put("rated_flow", "rated flow of the valve", valve.rated_flow, "m3/s", "L/min")
    put("rated_pressure_drop", "drop over both lands for it", valve.rated_pressure_drop, "Pa",
        "bar")  # fmt: skip
    found["arrangement"] = ARRANGEMENTS[c.arrangement[k]]
    return found


def _plain(value: float, unit: str) -> str:
    return f"{float(f'{convert(float(value), unit):.5g}'):g}"
