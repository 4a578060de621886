"""What the tables of one block of the axis show to be impossible."""

from __future__ import annotations

from itertools import pairwise

from servosim import units
from servosim._parts import PARTS
from servosim.components.cylinder import Cylinder
from servosim.components.load import Structure, Table
from servosim.components.oil import Oil
from servosim.components.supply import Supply
from servosim.components.valve import KNOTS, Valve, ValveParameters
from servosim.errors import Fault
from servosim.params import Rule


def shown(value: float, unit: str) -> str:
    """Return a value in a unit, six figures."""
    return f"{units.convert(value, unit):.6g} {unit}"


def _cylinder_faults(c: Cylinder) -> list[Fault]:
    faults = []
    if c.kind in ("double_rod", "single_rod") and c.rod_diameter >= c.bore_diameter:
        faults.append(
            Fault(
                table="cylinder",
                key="rod_diameter",
                what=f"{shown(c.rod_diameter, 'mm')} leaves no piston area",
                expected=f"less than bore_diameter, {shown(c.bore_diameter, 'mm')}",
            )
        )
    if c.seal_breakaway < c.seal_friction:
        faults.append(
            Fault(
                table="cylinder",
                key="seal_breakaway",
                what=f"{shown(c.seal_breakaway, 'N')} is less than seal_friction",
                expected=f"at least {shown(c.seal_friction, 'N')}",
            )
        )
    for side in ("a", "b"):
        hose, line = getattr(c, f"hose_volume_{side}"), getattr(c, f"line_volume_{side}")
        if hose > line:
            faults.append(
                Fault(
                    table="cylinder",
                    key=f"hose_volume_{side}",
                    what=f"{shown(hose, 'cm3')} is more than the whole line",
                    expected=f"at most line_volume_{side}, {shown(line, 'cm3')}",
                )
            )
    return faults


def _table_faults(t: Table) -> list[Fault]:
    faults = []
    emptied = t.counterbalance_area * t.counterbalance_position
    if t.counterbalance == "accumulator" and t.counterbalance_gas_volume <= 1.05 * emptied:
        faults.append(
            Fault(
                table="table",
                key="counterbalance_gas_volume",
                what=f"{shown(t.counterbalance_gas_volume, 'L')} is gone before the table is down",
                expected=f"more than {shown(1.05 * emptied, 'L')}",
            )
        )
    if t.static_coefficient < t.coulomb_coefficient:
        faults.append(
            Fault(
                table="table",
                key="static_coefficient",
                what=f"{t.static_coefficient:g} is less than coulomb_coefficient",
                expected=f"at least {t.coulomb_coefficient:g}",
            )
        )
    return faults


def _bristle_faults(structure: Structure, t: Table) -> list[Fault]:
    faults = []
    if structure.masses == "two":
        for key in ("seal_bristle_stiffness", "seal_bristle_damping"):
            value, unit = getattr(structure, key), "N/um" if "stiff" in key else "N s/m"
            what = expected = ""
            if t.friction == "stribeck" and value > 0.0:
                what, expected = "not read when table.friction = 'stribeck'", "no such key"
            elif t.friction != "stribeck" and value == 0.0 and "stiff" in key:
                what = f"missing, but table.friction = '{t.friction}' has a bristle for the seals"
                expected = f"a value in {unit}"
            if what:
                faults.append(Fault(table="structure", key=key, what=what, expected=expected))
    return faults


def _rising(values: tuple[float, ...]) -> bool:
    return all(a < b for a, b in pairwise(values))


def _oil_faults(o: Oil) -> list[Fault]:
    if o.viscosity_temperature_1 == o.viscosity_temperature_2:
        return [
            Fault(
                table="oil",
                key="viscosity_temperature_2",
                what="both points of viscosity have the same temperature",
                expected="two temperatures, some 40 K apart",
            )
        ]
    warmer = o.viscosity_temperature_2 > o.viscosity_temperature_1
    if (o.viscosity_2 < o.viscosity_1) == warmer:
        return []
    size = "less" if warmer else "more"
    return [
        Fault(
            table="oil",
            key="viscosity_2",
            what=f"{shown(o.viscosity_2, 'mm2/s')} makes the oil thicker as it warms up",
            expected=f"{size} than viscosity_1, {shown(o.viscosity_1, 'mm2/s')}",
        )
    ]


def _play_faults(v: Valve) -> list[Fault]:
    narrow, wide = v.threshold, (v.hysteresis - (1.0 - v.wide_play_weight) * v.threshold)
    if v.hysteresis >= narrow and wide / v.wide_play_weight >= narrow:
        return []
    return [
        Fault(
            table="valve",
            key="hysteresis",
            what=f"{shown(v.hysteresis, '%')} is less than the threshold",
            expected=f"at least {shown(narrow, '%')}",
        )
    ]


def _land_faults(v: Valve) -> list[Fault]:
    if v.leakage_given != "pressure_gain" and v.pilot_leakage >= v.null_leakage:
        return [
            Fault(
                table="valve",
                key="pilot_leakage",
                what=f"{shown(v.pilot_leakage, 'L/min')} leaves nothing for the lands",
                expected=f"less than null_leakage, {shown(v.null_leakage, 'L/min')}",
            )
        ]
    if v.opening == "table":
        good = len(v.opening_table) == len(v.area_table) and 2 <= len(v.area_table) <= KNOTS
        good = good and _rising(v.opening_table) and _rising(v.area_table)
        good = good and v.opening_table[0] == v.area_table[0] == 0.0
        if not good or v.opening_table[-1] != 1.0 or v.area_table[-1] != 1.0:
            return [
                Fault(
                    table="valve",
                    key="opening_table",
                    what="openings and areas don't make a curve",
                    expected=f"two lists of the same length, 2 to {KNOTS}, both rising from 0 % to "
                    "100 %",
                )
            ]
    return []


def _rating_faults(v: Valve, rated: ValveParameters) -> list[Fault]:
    if rated.c > 0.0:
        return []
    by_leakage = v.leakage_given != "pressure_gain"
    stated = shown(v.null_leakage, "L/min") if by_leakage else shown(v.pressure_gain, "bar")
    more = (rated.c == -1.0) == by_leakage
    return [
        Fault(
            table="valve",
            key="null_leakage" if by_leakage else "pressure_gain",
            what=f"no clearance of the lands gives {stated} with these overlaps",
            expected="a larger value, or more overlap"
            if more
            else "a smaller value, or less overlap",
        )
    ]


def _supply_faults(s: Supply) -> list[Fault]:
    faults = []

    def fault(key: str, what: str, expected: str) -> None:
        faults.append(Fault(table="supply", key=key, what=what, expected=expected))

    if s.return_pressure >= s.pressure:
        fault(
            "return_pressure",
            "not below the supply pressure",
            f"less than {shown(s.pressure, 'bar')}",
        )
    if s.kind == "ideal" and (s.accumulator != "none" or s.line != "none"):
        key = "accumulator" if s.accumulator != "none" else "line"
        fault(key, "an ideal supply has neither accumulator nor line", '"none", or a pump as kind')
    if s.kind == "compensated_pump":
        if s.relief_pressure <= s.pressure:
            fault(
                "relief_pressure",
                f"{shown(s.relief_pressure, 'bar')} opens below the set pressure",
                f"more than {shown(s.pressure, 'bar')}",
            )
        if s.compensator_band >= s.pressure:
            fault(
                "compensator_band",
                "wider than the set pressure",
                f"less than {shown(s.pressure, 'bar')}",
            )
    if s.kind == "fixed_pump" and s.pump_flow / s.relief_gradient >= s.pressure:
        fault(
            "relief_gradient", "the relief valve is open at zero pressure", "a steeper relief valve"
        )
    if s.accumulator == "gas" and s.precharge_pressure >= s.pressure:
        fault(
            "precharge_pressure",
            f"{shown(s.precharge_pressure, 'bar')} keeps the accumulator empty",
            f"less than {shown(s.pressure, 'bar')}",
        )
    return faults


BLOCK_RULES: dict[str, Rule] = {
    **PARTS,
    "cylinder_faults": Rule(_cylinder_faults, ("cylinder",)),
    "table_faults": Rule(_table_faults, ("table",)),
    "bristle_faults": Rule(_bristle_faults, ("structure", "table")),
    "oil_faults": Rule(_oil_faults, ("oil",)),
    "play_faults": Rule(_play_faults, ("valve",)),
    "land_faults": Rule(_land_faults, ("valve",)),
    "rating_faults": Rule(_rating_faults, ("valve", "rated_valve")),
    "supply_faults": Rule(_supply_faults, ("supply",)),
}
