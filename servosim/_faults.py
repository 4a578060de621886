"""What only several tables of a parameter file together show to be impossible."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import TYPE_CHECKING

from servosim import units
from servosim._record import record
from servosim.components.cylinder import cylinder_parameters
from servosim.components.load import GRAVITY, counterbalance_force, load_parameters
from servosim.components.valve import KNOTS
from servosim.components.valve_rating import rate_valve
from servosim.errors import Fault

if TYPE_CHECKING:
    from servosim.document import AxisFile


MOST_SAMPLES = 2_000_000  # some 750 MB of states and records


def faults_of(f: AxisFile) -> list[Fault]:
    """Return the faults of a file whose tables are sound by themselves.

    Parameters
    ----------
    f : AxisFile
        The file.

    Returns
    -------
    list of Fault
        Empty if the file is consistent.
    """
    shape, oil = _cylinder_faults(f), _oil_faults(f)
    # without a viscosity no valve can be rated
    found = [*shape, *oil, *_valve_faults(f, can_rate=not oil)]
    found += [*_supply_faults(f), *_loop_faults(f)]
    found += [*_place_faults(f), *_lock_faults(f)]
    if not shape:  # without a piston area no load can be moved
        found += _load_faults(f)
    return found


def shown(value: float, unit: str) -> str:
    """Return a value in a unit, six figures."""
    return f"{units.convert(value, unit):.6g} {unit}"


def _cylinder_faults(f: AxisFile) -> list[Fault]:
    c, faults = f.cylinder, []
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
    t = f.table
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
    if f.structure.masses == "two":
        for key in ("seal_bristle_stiffness", "seal_bristle_damping"):
            value, unit = getattr(f.structure, key), "N/um" if "stiff" in key else "N s/m"
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


def _oil_faults(f: AxisFile) -> list[Fault]:
    o = f.oil
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


def _valve_faults(f: AxisFile, *, can_rate: bool) -> list[Fault]:
    v, faults = f.valve, []

    def fault(key: str, what: str, expected: str) -> None:
        faults.append(Fault(table="valve", key=key, what=what, expected=expected))

    narrow, wide = v.threshold, (v.hysteresis - (1.0 - v.wide_play_weight) * v.threshold)
    if v.hysteresis < narrow or wide / v.wide_play_weight < narrow:
        fault(
            "hysteresis",
            f"{shown(v.hysteresis, '%')} is less than the threshold",
            f"at least {shown(narrow, '%')}",
        )
    if v.leakage_given != "pressure_gain" and v.pilot_leakage >= v.null_leakage:
        fault(
            "pilot_leakage",
            f"{shown(v.pilot_leakage, 'L/min')} leaves nothing for the lands",
            f"less than null_leakage, {shown(v.null_leakage, 'L/min')}",
        )
        return faults
    if v.opening == "table":
        good = len(v.opening_table) == len(v.area_table) and 2 <= len(v.area_table) <= KNOTS
        good = good and _rising(v.opening_table) and _rising(v.area_table)
        good = good and v.opening_table[0] == v.area_table[0] == 0.0
        if not good or v.opening_table[-1] != 1.0 or v.area_table[-1] != 1.0:
            fault(
                "opening_table",
                "openings and areas don't make a curve",
                f"two lists of the same length, 2 to {KNOTS}, both rising from 0 % to 100 %",
            )
            return faults
    if not can_rate:
        return faults
    rated = rate_valve(v, f.oil)
    if rated.c <= 0.0:
        by_leakage = v.leakage_given != "pressure_gain"
        key = "null_leakage" if by_leakage else "pressure_gain"
        stated = shown(v.null_leakage, "L/min") if by_leakage else shown(v.pressure_gain, "bar")
        more = (rated.c == -1.0) == by_leakage
        fault(
            key,
            f"no clearance of the lands gives {stated} with these overlaps",
            "a larger value, or more overlap" if more else "a smaller value, or less overlap",
        )
    return faults


def _supply_faults(f: AxisFile) -> list[Fault]:
    s, faults = f.supply, []

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


def _loop_faults(f: AxisFile) -> list[Fault]:
    c, faults = f.controller, []

    def fault(table: str, key: str, what: str, expected: str) -> None:
        faults.append(Fault(table=table, key=key, what=what, expected=expected))

    if c.kind == "sampled" and c.computing_delay > c.period:
        fault(
            "controller",
            "computing_delay",
            f"{shown(c.computing_delay, 'ms')} is more than one period",
            f"at most {shown(c.period, 'ms')}",
        )
    uses_pressure = c.stabilising_feedback == "load_pressure"
    uses_pressure = uses_pressure or c.load_pressure_correction == "square_root"
    uses_pressure = uses_pressure or f.lock.prematch == "load_pressure"
    if uses_pressure and f.transducer.pressure == "none":
        fault(
            "transducer",
            "pressure",
            '"none", but the controller uses the load pressure',
            '"both_ports"',
        )
    if c.kind == "continuous":
        for key in ("delay", "noise", "resolution"):
            if getattr(f.transducer, key) > 0.0:
                fault(
                    "transducer",
                    key,
                    "not read when controller.kind = 'continuous'",
                    "zero, or a sampled controller",
                )
        if f.transducer.pressure != "none":
            for key in ("pressure_noise", "pressure_resolution"):
                if getattr(f.transducer, key) > 0.0:
                    fault(
                        "transducer",
                        key,
                        "not read when controller.kind = 'continuous'",
                        "zero, or a sampled controller",
                    )
    if f.valve.dither_amplitude > 0.0:
        highest = math.pi / c.period
        if not 0.0 < f.valve.dither_frequency < highest:
            fault(
                "valve",
                "dither_frequency",
                f"{shown(f.valve.dither_frequency, 'Hz')} can't be sampled every "
                f"{shown(c.period, 'ms')}",
                f"more than 0 Hz and less than {shown(highest, 'Hz')}",
            )
    samples = f.move.duration / c.period
    if samples > MOST_SAMPLES:
        fault(
            "move",
            "duration",
            f"{shown(f.move.duration, 's')} are {samples:.3g} samples, more than memory holds",
            f"at most {shown(MOST_SAMPLES * c.period, 's')} with this period",
        )
    closes_by_window = f.lock.kind != "none" or f.lock.brake != "none"
    closes_by_window = closes_by_window and f.lock.trigger == "window_dwell"
    if closes_by_window and f.lock.window < f.transducer.resolution:
        fault(
            "lock",
            "window",
            f"{shown(f.lock.window, 'um')} is less than one step of the transducer",
            f"at least {shown(f.transducer.resolution, 'um')}",
        )
    if f.window.half_width < f.transducer.resolution:
        fault(
            "window",
            "half_width",
            f"{shown(f.window.half_width, 'um')} is less than one step of the transducer",
            f"at least {shown(f.transducer.resolution, 'um')}",
        )
    return faults


def _place_faults(f: AxisFile) -> list[Fault]:
    faults = []
    stroke = f.cylinder.stroke
    for key in ("start", "target"):
        if getattr(f.move, key) > stroke:
            faults.append(
                Fault(
                    table="move",
                    key=key,
                    what=f"{shown(getattr(f.move, key), 'mm')} is outside the stroke",
                    expected=f"0 mm to {shown(stroke, 'mm')}",
                )
            )
    r = f.reference
    if r.kind == "staged":
        if r.creep_velocity > r.velocity:
            faults.append(
                Fault(
                    table="reference",
                    key="creep_velocity",
                    what=f"{shown(r.creep_velocity, 'mm/s')} is more than the rapid velocity",
                    expected=f"at most {shown(r.velocity, 'mm/s')}",
                )
            )
        if r.stop_distance > r.creep_distance:
            faults.append(
                Fault(
                    table="reference",
                    key="stop_distance",
                    what=f"{shown(r.stop_distance, 'mm')} is more than creep_distance",
                    expected=f"at most {shown(r.creep_distance, 'mm')}",
                )
            )
    if f.move.duration < f.controller.period:
        faults.append(
            Fault(
                table="move",
                key="duration",
                what=f"{shown(f.move.duration, 's')} is less than one sampling period",
                expected=f"at least {shown(f.controller.period, 's')}",
            )
        )
    return faults


def _load_faults(f: AxisFile) -> list[Fault]:
    """Return what keeps the supply from moving the axis against its steady load."""
    faults = []
    c = cylinder_parameters(f.cylinder)
    load = steady_load(f)
    for sign, push in ((1.0, c.A_A * f.supply.pressure), (-1.0, c.A_B * f.supply.pressure)):
        back = c.A_B if sign > 0 else c.A_A
        if push - back * f.supply.return_pressure - sign * load <= 0.0 and not (
            sign < 0 and c.has_b == 0
        ):
            way = "extend" if sign > 0 else "retract"
            faults.append(
                Fault(
                    table="cylinder",
                    key="bore_diameter" if c.moving else "displacement",
                    what=f"the supply can't {way} the axis against its load of {shown(load, 'N')}",
                    expected="more area, more pressure or less load",
                )
            )
        elif sign < 0 and c.has_b == 0 and load <= c.A_A * f.supply.return_pressure:
            faults.append(
                Fault(
                    table="cylinder",
                    key="kind",
                    what="nothing retracts a plunger: its load is not above the return pressure",
                    expected="a load that pushes the plunger in, or a double-acting cylinder",
                )
            )
    return faults


def _lock_faults(f: AxisFile) -> list[Fault]:
    k, faults = f.lock, []
    if k.kind == "pilot_check" and k.pilot == "opposite_line":
        v = f.valve
        vented = v.overlap_at < 0.0 < v.overlap_pa and v.overlap_bt < 0.0 < v.overlap_pb
        if not vented:
            faults.append(
                Fault(
                    table="lock",
                    key="pilot",
                    what="the opposite line holds the checks open, because the valve's centre "
                    "doesn't vent both lines to tank",
                    expected="underlap at A to T and B to T with overlap at P to A and P to B, or "
                    'pilot = "solenoid"',
                )
            )
    if k.kind == "spool":
        v = f.valve
        if min(v.overlap_pa, v.overlap_pb, v.overlap_at, v.overlap_bt) <= 0.0:
            faults.append(
                Fault(
                    table="lock",
                    key="kind",
                    what='"spool" needs a centre that is closed',
                    expected="overlap on all four lands, or an element of its own",
                )
            )
        else:
            least = min(v.overlap_pa, v.overlap_pb, v.overlap_at, v.overlap_bt)
            warm = v.null_shift_temperature * (f.oil.temperature - v.rating_temperature)
            pressed = v.null_shift_pressure * (f.supply.pressure - v.rating_pressure)
            null = v.null_bias + warm + pressed + f.controller.null_trim
            if abs(null) >= least:
                faults.append(
                    Fault(
                        table="lock",
                        key="kind",
                        what=f"with bias, shifts and trim the spool rests at {shown(null, '%')}, "
                        "outside its overlap, and doesn't lock",
                        expected=f"within +-{shown(least, '%')}: trim the null, or more overlap",
                    )
                )
    if k.kind == "none" and k.brake == "holding" and k.trigger == "ahead":
        faults.append(
            Fault(
                table="lock",
                key="trigger",
                what="a brake without a lock would close on a moving table",
                expected='"window_dwell"',
            )
        )
    return faults


def steady_load(f: AxisFile) -> float:
    """Return the steady load against extension at the move's start, gravity less counterbalance.

    Parameters
    ----------
    f : AxisFile
        The axis.

    Returns
    -------
    float
        Load [N].
    """
    load = load_parameters(f.table, f.structure, 0.0, 0.0)
    weight = (load.M_t + load.M_g) * GRAVITY * load.sin
    return float(weight - counterbalance_force(f.move.start, record(load)))
