"""Whether valves, lock, oil and controller of a requirement go together in any axis made of them.

The rules are those of the axis' own file, asked before there is one.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

from servosim._block_faults import BLOCK_RULES, shown
from servosim._faults import RULES
from servosim.components.valve import Valve
from servosim.components.valve_rating import rate_valve
from servosim.errors import Fault, ParameterError
from servosim.program import Window
from servosim.sizing.asked_faults import fault
from servosim.sizing.valve_at_hand import valve_of

if TYPE_CHECKING:
    from servosim.sizing.requirement import RequirementFile


def valve_faults(f: RequirementFile) -> list[Fault]:
    """Return the valves that the lock, the oil or their own figures make impossible.

    Parameters
    ----------
    f : RequirementFile
        Whose tables are sound by themselves.

    Returns
    -------
    list of Fault
        The place of each is ``valve`` with its number in the list, from one.
    """
    if not f.valve:
        return [fault("valve", "", "no valve is at hand", "one or more heads [[valve]]")]
    found: list[Fault] = []
    names: dict[str, int] = {}
    oil_sound = not BLOCK_RULES["oil_faults"].function(f.oil)
    for number, one in enumerate(f.valve, start=1):
        table = f"valve {number}"
        if one.name in names:
            found.append(
                fault(
                    table,
                    "name",
                    f"'{one.name}' is also the name of valve {names[one.name]}",
                    "another name for each valve",
                )
            )
        names[one.name] = number
        try:
            made = valve_of(one, f.valves)
        except ParameterError as error:
            found += [fault(table, each.key, each.what, each.expected) for each in error.faults]
            continue
        own = [*BLOCK_RULES["play_faults"].function(made)]
        own += BLOCK_RULES["land_faults"].function(made)
        if not own and oil_sound:
            own += BLOCK_RULES["rating_faults"].function(made, rate_valve(made, f.oil))
        found += [fault(table, each.key, each.what, each.expected) for each in own]
        found += _unlocked_by(f, made, table)
    return found


def _unlocked_by(f: RequirementFile, valve: Valve, table: str) -> list[Fault]:
    """Return why the lock cannot hold with a valve at any of the pressures."""
    pressures = f.pressures.nominal if f.supply is None else (f.supply.pressure,)
    check: Any = RULES["lock_faults"].function
    found: list[Fault] = []
    for pressure in pressures:
        supply = SimpleNamespace(pressure=pressure)
        found = [
            one
            for one in check(f.lock, valve, f.oil, supply, f.controller)
            if one.key != "trigger"  # no matter of the valve, see below
        ]
        if not found:
            return []
    return [
        fault(
            table,
            "overlap",
            f"{shown(valve.overlap_pa, '%')} doesn't go with lock.{one.key} = "
            f"'{getattr(f.lock, one.key)}': {one.what}",
            f"{one.expected}; or this valve left out",
        )
        for one in found
    ]


def shared_faults(f: RequirementFile) -> list[Fault]:
    """Return the faults of tables that are taken over into the axis' own file.

    Parameters
    ----------
    f : RequirementFile
        Whose tables are sound by themselves.

    Returns
    -------
    list of Fault
        Those that the axis' own file would have whatever parts are chosen.
    """
    found = [
        *BLOCK_RULES["table_faults"].function(f.table),
        *BLOCK_RULES["bristle_faults"].function(f.structure, f.table),
        *BLOCK_RULES["oil_faults"].function(f.oil),
    ]
    check: Any = RULES["loop_faults"].function
    window = Window(half_width=f.accuracy.half_width)
    no_dither = SimpleNamespace(dither_amplitude=0.0)
    for one in check(f.controller, f.lock, f.transducer, no_dither, window, 0.0):
        table = "accuracy" if one.table == "window" else one.table
        found.append(fault(table, one.key, one.what, one.expected))
    offers_screws = f.screws is not None and f.cylinder is None
    braked = f.lock.brake != "none" or offers_screws
    if f.lock.kind == "none" and braked and f.lock.trigger == "ahead":
        found.append(
            fault(
                "lock",
                "trigger",
                "a brake without a lock would close on a moving table"
                + ("; every motor of [screws] has one" if offers_screws else ""),
                '"window_dwell"',
            )
        )
    return found
