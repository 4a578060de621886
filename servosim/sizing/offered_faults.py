"""What a requirement file offers that cannot be: empty choices, series in disorder, parts unfit.

The limits of single keys stand with the keys; here are those that only several of them show.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import TYPE_CHECKING

from servosim._block_faults import BLOCK_RULES, shown
from servosim.components.load import GRAVITY
from servosim.components.oil import ATMOSPHERE
from servosim.errors import Fault
from servosim.sizing.asked_faults import fault
from servosim.sizing.fitting_faults import shared_faults, valve_faults
from servosim.sizing.kept_faults import kept_cylinder_faults, kept_supply_faults

if TYPE_CHECKING:
    from servosim.sizing.requirement import RequirementFile

_SERIES = (
    ("pressures", "nominal", "bar"),
    ("cylinders", "bores", "mm"),
    ("cylinders", "rods", "mm"),
    ("screws", "displacements", "cm3/rev"),
    ("screws", "leads", "mm/rev"),
    ("lines", "bores", "mm"),
    ("power_unit", "pump_flows", "L/min"),
    ("power_unit", "accumulator_volumes", "L"),
    ("power_unit", "motor_powers", "kW"),
    ("power_unit", "tank_volumes", "L"),
    ("power_unit", "cooler_powers", "kW"),
)
_PART = 1e-9  # of a share: sizes at the very end of a range belong to it


def _series_faults(f: RequirementFile) -> list[Fault]:
    found = []
    for table, key, unit in _SERIES:
        held = getattr(f, table)
        if held is None:
            continue
        values = getattr(held, key)
        for number, (before, after) in enumerate(pairwise(values), start=2):
            if after <= before:
                found.append(
                    fault(
                        table,
                        key,
                        f"entry {number}, {shown(after, unit)}, is not above the one before it, "
                        f"{shown(before, unit)}",
                        "each size once, the smallest first",
                    )
                )
                break
    return found


def _actuator_faults(f: RequirementFile) -> list[Fault]:
    """Return why no actuator can be chosen, or one of the tables offers none."""
    c, kept, found = f.cylinders, f.cylinder, []
    if kept is not None:
        return kept_cylinder_faults(f, kept)
    if c is None and f.screws is None:
        return [
            fault(
                "cylinders",
                "",
                "neither cylinders nor screws are offered, and none is kept",
                "a table [cylinders], [screws] or [cylinder]",
            )
        ]
    if c is None:
        return []
    if not c.double_rod and not c.single_rod:
        found.append(
            fault(
                "cylinders",
                "single_rod",
                "single_rod and double_rod are both false: the table offers no cylinder",
                "one of them true" + (", or no table [cylinders]" if f.screws else ""),
            )
        )
    low, high = c.rod_share
    shares = {rod / bore: (rod, bore) for bore in c.bores for rod in c.rods}
    if not any(low - _PART <= one <= high + _PART for one in shares):
        near = min(shares, key=lambda one: max(low - one, one - high))
        rod, bore = shares[near]
        found.append(
            fault(
                "cylinders",
                "rod_share",
                f"no rod is {low:g} to {high:g} of a bore; {shown(rod, 'mm')} over "
                f"{shown(bore, 'mm')} comes nearest with {near:.3g}",
                f"a range that holds {near:.3g}, or other bores and rods",
            )
        )
    if c.buckling_length < f.actuator_stroke:
        found.append(
            fault(
                "cylinders",
                "buckling_length",
                f"{shown(c.buckling_length, 'mm')} from mounting to mounting is less than the "
                "stroke alone",
                f"more than {shown(f.actuator_stroke, 'mm')}, the stroke with its reserve",
            )
        )
    return found


def _pressure_faults(f: RequirementFile) -> list[Fault]:
    """Return pressures that nothing on offer goes with."""
    found: list[Fault] = []
    pressures, where = f.pressures.nominal, ("pressures", "nominal")
    if f.supply is not None:
        found = [*BLOCK_RULES["supply_faults"].function(f.supply)]
        pressures, where = (f.supply.pressure,), ("supply", "pressure")
        if f.pressures.return_pressure != f.supply.return_pressure:
            found.append(
                fault(
                    "pressures",
                    "return_pressure",
                    f"{shown(f.pressures.return_pressure, 'bar')} is not that of the supply that "
                    "is kept",
                    shown(f.supply.return_pressure, "bar"),
                )
            )
        found += kept_supply_faults(f.supply, f.conditions.supply_variation)
    least, most = min(pressures), max(pressures)
    if least <= f.pressures.return_pressure:
        found.append(
            fault(
                "pressures",
                "return_pressure",
                f"{shown(f.pressures.return_pressure, 'bar')} is not below every supply pressure",
                f"less than {shown(least, 'bar')}",
            )
        )
    for limit, what, key in (
        (max((v.highest_pressure for v in f.valve), default=0.0), "every valve", "valve"),
        (f.margins.chamber_pressure, "what cylinder and hoses admit", "margins.chamber_pressure"),
    ):
        if least > limit > 0.0:
            found.append(
                fault(
                    *where,
                    f"{shown(least, 'bar')} and more is too much for {what}: "
                    f"{shown(limit, 'bar')} at most",
                    f"at most {shown(limit, 'bar')}, or another "
                    + ("highest_pressure of a [[valve]]" if key == "valve" else key),
                )
            )
    p, swing = f.power_unit, f.conditions.supply_variation * most
    if f.supply is None and p.relief_margin <= swing:
        found.append(
            fault(
                "power_unit",
                "relief_margin",
                f"{shown(p.relief_margin, 'bar')} lets the relief valve open within "
                f"conditions.supply_variation, {shown(swing, 'bar')} at {shown(most, 'bar')}",
                f"more than {shown(swing, 'bar')}, or less supply_variation",
            )
        )
    if f.supply is None and p.pump == "compensated_pump" and p.compensator_band >= least:
        found.append(
            fault(
                "power_unit",
                "compensator_band",
                f"{shown(p.compensator_band, 'bar')} is wider than the lowest nominal pressure",
                f"less than {shown(least, 'bar')}",
            )
        )
    return found


def _unit_faults(f: RequirementFile) -> list[Fault]:
    """Return why no power unit or line can be chosen."""
    p, c, found = f.power_unit, f.conditions, []
    if f.supply is None and not p.without_accumulator and not p.with_accumulator:
        found.append(
            fault(
                "power_unit",
                "with_accumulator",
                "with_accumulator and without_accumulator are both false: no unit is offered",
                "one of them true, or a table [supply]",
            )
        )
    if p.oil_temperature <= c.ambient_temperature:
        found.append(
            fault(
                "power_unit",
                "oil_temperature",
                f"{shown(p.oil_temperature, 'degC')} is not above the room's: no heat leaves",
                f"more than conditions.ambient_temperature, {shown(c.ambient_temperature, 'degC')}",
            )
        )
    if p.oil_temperature > c.temperature.high + _PART:
        found.append(
            fault(
                "power_unit",
                "oil_temperature",
                f"{shown(p.oil_temperature, 'degC')} is warmer than the oil at work may be",
                f"at most the highest of conditions.temperature, "
                f"{shown(c.temperature.high, 'degC')}",
            )
        )
    lines = f.lines
    still = ATMOSPHERE - f.oil.density * GRAVITY * lines.suction_head
    if lines.lowest_suction >= still:
        found.append(
            fault(
                "lines",
                "lowest_suction",
                f"{shown(lines.lowest_suction, 'bar')} is more than stands at the inlet of a pump "
                f"{shown(lines.suction_head, 'm')} above the oil at rest, {shown(still, 'bar')}",
                f"less than {shown(still, 'bar')}, or a lower lines.suction_head",
            )
        )
    if lines.service_length + lines.hose_length <= 0.0 and f.cylinder is None:
        found.append(
            fault(
                "lines",
                "service_length",
                "there is neither pipe nor hose between valve and cylinder",
                "a length above 0 m in service_length or hose_length; the bore of a block counts",
            )
        )
    return found


def offered_faults(f: RequirementFile) -> list[Fault]:
    """Return what is offered but cannot be chosen, fitted or run.

    Parameters
    ----------
    f : RequirementFile
        Whose tables are sound by themselves.

    Returns
    -------
    list of Fault
        Empty if there is something to choose everywhere.
    """
    return [
        *_series_faults(f),
        *_actuator_faults(f),
        *_pressure_faults(f),
        *_unit_faults(f),
        *valve_faults(f),
        *shared_faults(f),
    ]


def offered_warnings(f: RequirementFile) -> list[Fault]:
    """Return what is allowed but deserves a second look.

    Parameters
    ----------
    f : RequirementFile
        A file without faults.

    Returns
    -------
    list of Fault
        Empty if there is nothing to say.
    """
    found, w = [], f.accuracy.half_width
    for kept, table, keys in (
        (f.cylinder, "cylinders", "its bores and rods"),
        (f.cylinder, "screws", "its displacements and leads"),
        (f.supply, "pressures", "nominal"),
    ):
        if kept is not None and getattr(f, table) is not None:
            name = "supply" if table == "pressures" else "cylinder"
            found.append(fault(table, "", f"{keys} are not read: [{name}] is kept", "nothing else"))
    most = max(f.pressures.nominal) if f.supply is None else f.supply.pressure
    t = f.transducer
    if t.pressure != "none" and t.pressure_range < most:
        found.append(
            fault(
                "transducer",
                "pressure_range",
                f"{shown(t.pressure_range, 'bar')} is less than a supply pressure on offer",
                f"at least {shown(most, 'bar')}",
            )
        )
    locks = f.lock.kind != "none" or f.lock.brake != "none"
    if locks and f.lock.trigger == "window_dwell" and f.lock.window > w:
        found.append(
            fault(
                "lock",
                "window",
                f"{shown(f.lock.window, 'um')} lets the lock close outside the window",
                f"at most {shown(w, 'um')}",
            )
        )
    if f.accuracy.resting_error > w:
        found.append(
            fault(
                "accuracy",
                "resting_error",
                f"{shown(f.accuracy.resting_error, 'um')} is wider than the window, which rules",
                f"at most {shown(w, 'um')}",
            )
        )
    if f.accuracy.hold_time > f.work.dwell * (1.0 + _PART):
        found.append(
            fault(
                "accuracy",
                "hold_time",
                f"{shown(f.accuracy.hold_time, 's')} are longer than the dwell after each move",
                f"at most {shown(f.work.dwell, 's')}, if it is held for a dwell only",
            )
        )
    if f.conditions.workpiece_mass.high == 0.0 and f.table.workpiece_mass == 0.0:
        found.append(
            fault("conditions", "workpiece_mass", "no workpiece at all", "the heaviest workpiece")
        )
    if math.isclose(f.work.stroke_reserve, 0.0) and f.cylinder is None:
        found.append(
            fault(
                "work",
                "stroke_reserve",
                "0 mm: at the ends of its travel the table touches the end stops",
                "some millimetres",
            )
        )
    return found
