"""Requirement files: what is read, and which contradictions are named, with by how much."""

import math
import tomllib
from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from servosim import units
from servosim.components.valve_rating import rate_valve
from servosim.errors import ParameterError
from servosim.params import dumps, edit, read
from servosim.program import Reference
from servosim.sizing.asked_faults import quickest
from servosim.sizing.at_hand import valve_of
from servosim.sizing.requirement import RequirementFile, read_requirement

TUBE = "params/tube_sheet_requirement.toml"
SLIDE = "params/vertical_slide_requirement.toml"
FILES = (TUBE, SLIDE)

# ISO 3320 and ISO 3322, from memory.
BORES = (8, 10, 12, 16, 20, 25, 32, 40, 50, 63, 80, 100, 125, 140, 160, 180, 200, 220, 250)
RODS = (4, 5, 6, 8, 10, 12, 14, 16, 18, 20, 22, 25, 28, 32, 36, 40, 45, 50, 56, 63, 70, 80, 90, 100,
        110, 125, 140, 160, 180, 200, 220, 250)  # fmt: skip
PRESSURES = (6.3, 10, 16, 25, 40, 63, 100, 160, 200, 250, 315, 400, 500)

KEPT = """
[cylinder]
source = "it exists"
kind = "double_rod"
bore_diameter = "80 mm"
rod_diameter = "45 mm"
stroke = "720 mm"
dead_volume_a = "90 cm3"
dead_volume_b = "90 cm3"
line_volume_a = "60 cm3"
line_volume_b = "60 cm3"
wall = "elastic"
wall_modulus = "15 GPa"
hose = "none"
internal_leakage = "0 cm3/min/bar"
external_leakage_a = "0 cm3/min/bar"
external_leakage_b = "0 cm3/min/bar"
seal_friction = "250 N"
seal_breakaway = "330 N"
seal_pressure_friction = "0.5 N/bar"
seal_viscous = "600 N s/m"
end_stop_stiffness = "200 N/um"
end_stop_damping = "100 kN s/m"

[supply]
source = "it exists"
kind = "compensated_pump"
pressure = "140 bar"
return_pressure = "2 bar"
pump_flow = "20 L/min"
compensator_band = "4 bar"
compensator_time = "40 ms"
relief_pressure = "160 bar"
relief_gradient = "2 L/min/bar"
pump_line_volume = "1.5 L"
accumulator = "none"
line = "none"
ambient_temperature = "20 degC"
tank_heat_capacity = "180 kJ/K"
cooling = "60 W/K"
"""


def text_of(path):
    with open(path, encoding="utf-8") as stream:
        return stream.read()


def faults_of(path, overrides):
    with pytest.raises(ParameterError) as caught:
        read_requirement(path, overrides)
    return caught.value.faults


def faults_of_text(tmp_path, text):
    path = tmp_path / "requirement.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ParameterError) as caught:
        read_requirement(path)
    assert all(str(path) == fault.file for fault in caught.value.faults)
    return caught.value.faults


@pytest.mark.parametrize("path", FILES)
def test_the_examples_are_read_without_a_warning_and_written_back(path, tmp_path):
    f = read_requirement(path)
    assert f.warnings() == []
    assert "nvented" in f.notes
    copy = tmp_path / "copy.toml"
    copy.write_text(dumps(f), encoding="utf-8")
    assert read_requirement(copy) == f


@pytest.mark.parametrize("path", FILES)
def test_the_examples_use_the_preferred_series_and_offer_thousands_of_combinations(path):
    f = read_requirement(path)
    for values, series, unit in (
        (f.cylinders.bores, BORES, "mm"),
        (f.cylinders.rods, RODS, "mm"),
        (f.pressures.nominal, PRESSURES, "bar"),
    ):
        assert {round(units.convert(one, unit), 9) for one in values} <= set(series)
    low, high = f.cylinders.rod_share
    pairs = sum(low <= d / D <= high for D, d in product(f.cylinders.bores, f.cylinders.rods))
    actuators = pairs * (f.cylinders.double_rod + f.cylinders.single_rod)
    actuators += len(f.screws.displacements) * len(f.screws.leads)
    arrangements = f.power_unit.without_accumulator + f.power_unit.with_accumulator
    assert actuators * len(f.pressures.nominal) * len(f.valve) * arrangements > 2000


@pytest.mark.parametrize(
    "overrides, table, key, words",
    [
        # 250 + 500 = 750 mm is 70 mm beyond 680 mm; 500 mm fit if the cycle starts at 0 mm
        ({"work.distances": "500 mm"}, "work", "distances", ["500 mm", "70 mm", "start = 0 mm"]),
        # 250 - 300 = -50 mm
        ({"work.distances": "-300 mm"}, "work", "distances", ["-300 mm", "50 mm", "= 300 mm"]),
        # the pattern spans 700 mm: no start helps
        ({"work.distances": "-200 mm, 700 mm"}, "work", "distances", ["stroke of at least 700 mm"]),
        ({"work.distances": "150 mm, 0 mm"}, "work", "distances", ["move 2"]),
        ({"work.start": "700 mm"}, "work", "start", ["700 mm", "20 mm", "680 mm"]),
        ({"accuracy.half_width": "40 mm"}, "accuracy", "half_width", ["40000 um", "32 mm"]),
        ({"accuracy.half_width": "0.2 um"}, "accuracy", "half_width", ["0.2 um", "0.5 um"]),
        ({"lock.window": "0.2 um"}, "lock", "window", ["0.2 um", "0.5 um"]),
        ({"accuracy.hold_time": "1 s"}, "accuracy", "hold_time", ["1 s", "0.11 s", "1.11 s"]),
        ({"oil.temperature": "60 degC"}, "oil", "temperature", ["60 degC", "25 degC to 50 degC"]),
        ({"oil.free_air": "3 %"}, "oil", "free_air", ["3 %", "0.3 % to 1 %"]),
        ({"table.workpiece_mass": "600 kg"}, "table", "workpiece_mass", ["600 kg", "to 500 kg"]),
        ({"conditions.coldest_start": "30 degC"}, "conditions", "coldest_start", ["25 degC"]),
        ({"pressures.nominal": "100 bar, 63 bar"}, "pressures", "nominal", ["entry 2", "63 bar"]),
        ({"pressures.nominal": "1 bar, 63 bar"}, "pressures", "return_pressure",
         ["2 bar", "1 bar"]),
        ({"pressures.nominal": "400 bar"}, "pressures", "nominal", ["400 bar", "315 bar"]),
        ({"margins.chamber_pressure": "40 bar"}, "pressures", "nominal",
         ["63 bar", "40 bar", "margins.chamber_pressure"]),
        ({"power_unit.pump_flows": "4 L/min, 10 L/min, 6.3 L/min"}, "power_unit", "pump_flows",
         ["entry 3", "6.3 L/min", "10 L/min"]),
        ({"lines.bores": "8 mm, 8 mm"}, "lines", "bores", ["entry 2", "8 mm"]),
        ({"cylinders.rods": "4 mm, 5 mm"}, "cylinders", "rod_share",
         ["0.4 to 0.75", "5 mm", "32 mm", "0.156"]),
        ({"cylinders.double_rod": "false", "cylinders.single_rod": "false"}, "cylinders",
         "single_rod", ["both false"]),
        ({"cylinders.buckling_length": "600 mm"}, "cylinders", "buckling_length",
         ["600 mm", "700 mm"]),
        # 7 % of 250 bar are 17.5 bar
        ({"power_unit.relief_margin": "15 bar"}, "power_unit", "relief_margin",
         ["15 bar", "17.5 bar", "250 bar"]),
        ({"power_unit.compensator_band": "70 bar"}, "power_unit", "compensator_band",
         ["70 bar", "63 bar"]),
        ({"power_unit.with_accumulator": "false", "power_unit.without_accumulator": "false"},
         "power_unit", "with_accumulator", ["both false"]),
        ({"power_unit.oil_temperature": "18 degC"}, "power_unit", "oil_temperature", ["20 degC"]),
        ({"power_unit.oil_temperature": "65 degC"}, "power_unit", "oil_temperature", ["50 degC"]),
        ({"lines.service_length": "0 m"}, "lines", "service_length", ["neither pipe nor hose"]),
        # 1.01325 bar - 870 kg/m3 * 9.80665 m/s2 * 5 m
        ({"lines.suction_head": "5 m"}, "lines", "lowest_suction", ["0.8 bar", "0.586661 bar"]),
        ({"valve.3.name": "servo 4"}, "valve 3", "name", ["servo 4", "valve 1"]),
        ({"valve.2.pilot_leakage": "0.4 L/min"}, "valve 2", "pilot_leakage",
         ["0.4 L/min", "0.35 L/min"]),
        ({"valve.2.hysteresis": "0.01 %"}, "valve 2", "hysteresis", ["0.01 %", "0.03 %"]),
        ({"lock.kind": "spool", "valve.9.overlap": "-1 %"}, "valve 9", "overlap",
         ["-1 %", "spool"]),
        ({"transducer.pressure": "none"}, "transducer", "pressure", ["load pressure"]),
        ({"oil.viscosity_2": "60 mm2/s"}, "oil", "viscosity_2", ["60 mm2/s", "46 mm2/s"]),
        ({"reference.kind": "step"}, "reference", "kind", ["'s_curve'", "'square_root'"]),
        ({"table.static_coefficient": "0.01"}, "table", "static_coefficient", ["0.01", "0.05"]),
    ],
)  # fmt: skip
def test_contradictions_are_named_by_key_with_value_and_what_would_do(overrides, table, key, words):
    found = [one for one in faults_of(TUBE, overrides) if (one.table, one.key) == (table, key)]
    assert found, faults_of(TUBE, overrides)
    assert any(all(word in str(one) for word in words) for one in found), found
    assert all(one.expected and one.file for one in found)


def test_a_pattern_that_fits_with_the_proposed_start_is_then_read():
    changes = {"work.distances": "500 mm", "accuracy.settling_time": "9 s"}
    (fault,) = faults_of(TUBE, changes)
    start = fault.expected.rpartition("start = ")[2]
    f = read_requirement(TUBE, {**changes, "work.start": start})
    assert f.longest_move == pytest.approx(0.5)


def test_a_settling_time_below_the_time_of_the_reference_says_what_velocity_would_do():
    # s-curve of 150 mm: v = 120 mm/s, a = 0.4, d = 0.3 m/s2, j = 4 m/s3, constant rates reached:
    # t = s/v + (v/a + a/j + v/d + d/j)/2
    least = 0.15 / 0.12 + 0.5 * (0.12 / 0.4 + 0.4 / 4 + 0.12 / 0.3 + 0.3 / 4)
    assert least == pytest.approx(1.6875)
    (fault,) = faults_of(TUBE, {"accuracy.settling_time": "1.65 s"})
    assert (fault.table, fault.key) == ("accuracy", "settling_time")
    assert "0.0375 s" in fault.what and "more than 1.6875 s" in fault.expected
    stated = fault.expected.rpartition("above ")[2]
    velocity = units.parse(stated, "mm/s")
    changes = {"accuracy.settling_time": "1.65 s"}
    read_requirement(TUBE, {**changes, "reference.velocity": f"{1.0001 * velocity!r} m/s"})
    faults_of(TUBE, {**changes, "reference.velocity": f"{0.999 * velocity!r} m/s"})
    # the time with this velocity, by the same kinematics
    by_hand = 0.15 / velocity + 0.5 * (velocity / 0.4 + 0.1 + velocity / 0.3 + 0.075)
    assert by_hand == pytest.approx(1.65, rel=1e-5)


def test_a_settling_time_that_no_velocity_reaches_asks_for_acceleration():
    # without limits of velocity and jerk 150 mm take sqrt(2 s (1/a + 1/d))
    assert math.sqrt(2.0 * 0.15 * (1.0 / 0.4 + 1.0 / 0.3)) > 1.0
    (fault,) = faults_of(TUBE, {"accuracy.settling_time": "1 s"})
    assert "no velocity is high enough" in fault.expected


@settings(max_examples=40, deadline=None)
@given(
    distance=st.floats(0.01, 2.0),
    v=st.floats(0.02, 1.0),
    a=st.floats(0.1, 5.0),
    d=st.floats(0.1, 5.0),
)
def test_the_quickest_time_of_a_trapezoid_is_that_of_kinematics(distance, v, a, d):
    reference = Reference(kind="trapezoid", velocity=v, acceleration=a, deceleration=d)
    peak = min(v, math.sqrt(2.0 * distance / (1.0 / a + 1.0 / d)))
    by_hand = distance / peak + 0.5 * peak * (1.0 / a + 1.0 / d)
    assert quickest(reference, distance, 1e-5) == pytest.approx(by_hand, rel=1e-9)


def test_the_quickest_time_of_a_schedule_over_the_distance_is_that_of_constant_deceleration():
    f = read_requirement(SLIDE)
    assert f.reference.kind == "square_root"
    v, a, d, s = 0.08, 0.4, 0.3, 0.15
    by_hand = s / v + 0.5 * v * (1.0 / a + 1.0 / d)
    found = quickest(f.reference, f.longest_move, f.accuracy.half_width)
    assert found == pytest.approx(by_hand, rel=2e-2)  # it ends at the window, not at the target


def test_a_staged_reference_that_stops_outside_the_window_is_a_fault(tmp_path):
    changes = {
        "reference.kind": "staged", "reference.creep_velocity": "5 mm/s",
        "reference.creep_distance": "10 mm", "reference.stop_distance": "2 mm",
    }  # fmt: skip
    (fault,) = faults_of(TUBE, changes)
    assert (fault.table, fault.key) == ("accuracy", "half_width")
    (fault,) = faults_of(TUBE, {**changes, "reference.creep_velocity": "500 mm/s"})
    assert fault.key == "creep_velocity" and "120 mm/s" in fault.expected
    (fault,) = faults_of(TUBE, {**changes, "reference.stop_distance": "12 mm"})
    assert fault.key == "stop_distance" and "10 mm" in fault.expected


def test_every_fault_is_told_at_once_and_unknown_keys_have_their_nearest_name():
    changes = {"work.start": "700 mm", "pressures.nominal": "100 bar, 63 bar"}
    assert {one.key for one in faults_of(TUBE, changes)} >= {"start", "nominal"}
    (fault,) = faults_of(TUBE, {"margins.buckeling": "3"})
    assert fault.nearest == "buckling"


def without(text, *heads):
    """Return a file without some of its tables."""
    lines, kept = [], True
    for line in text.splitlines(keepends=True):
        if line.startswith("["):
            kept = line.strip().strip("[]") not in heads
        if kept:
            lines.append(line)
    return "".join(lines)


def test_nothing_to_choose_from_is_a_fault(tmp_path):
    text = without(text_of(TUBE), "cylinders", "screws")
    (fault,) = faults_of_text(tmp_path, text)
    assert fault.table == "cylinders" and "[screws]" in fault.expected
    (fault,) = faults_of_text(tmp_path, "valve = []\n" + without(text_of(TUBE), "valve"))
    assert fault.table == "valve" and "no valve" in fault.what
    faults = faults_of_text(tmp_path, without(text_of(TUBE), "margins"))
    assert [one.table for one in faults] == ["margins"]


def test_screws_alone_are_enough(tmp_path):
    path = tmp_path / "requirement.toml"
    path.write_text(without(text_of(TUBE), "cylinders"), encoding="utf-8")
    assert read_requirement(path).cylinders is None


def test_a_cylinder_and_a_supply_that_exist_are_kept_and_the_series_said_to_be_unread(tmp_path):
    path = tmp_path / "requirement.toml"
    path.write_text(text_of(TUBE) + KEPT, encoding="utf-8")
    f = read_requirement(path)
    assert f.actuator_stroke == pytest.approx(0.72)
    assert f.travel_begins == pytest.approx(0.02)  # (720 - 680)/2 mm
    assert {one.table for one in f.warnings()} == {"cylinders", "screws", "pressures"}
    bare = read_requirement(TUBE)
    assert bare.actuator_stroke == pytest.approx(0.7)
    assert bare.travel_begins == pytest.approx(0.01)


@pytest.mark.parametrize(
    "changes, table, key, words",
    [
        ({"cylinder.stroke": "600 mm"}, "cylinder", "stroke", ["600 mm", "80 mm", "680 mm"]),
        ({"cylinder.rod_diameter": "80 mm"}, "cylinder", "rod_diameter", ["80 mm"]),
        ({"supply.relief_pressure": "130 bar"}, "supply", "relief_pressure", ["130 bar"]),
        # 7 % above and below 140 bar
        ({"supply.relief_pressure": "145 bar"}, "supply", "relief_pressure", ["149.8 bar"]),
        ({"supply.accumulator": "gas", "supply.accumulator_volume": "1 L",
          "supply.precharge_pressure": "135 bar", "supply.gas_exponent": 1.4,
          "supply.gas_time_constant": "20 s"}, "supply", "precharge_pressure", ["130.2 bar"]),
        ({"pressures.return_pressure": "3 bar"}, "pressures", "return_pressure", ["3 bar",
                                                                              "2 bar"]),
        ({"supply.pressure": "330 bar", "supply.relief_pressure": "350 bar"}, "supply",
         "pressure", ["330 bar", "315 bar"]),
        ({"cylinders.buckling_length": "710 mm"}, "cylinders", "buckling_length", ["720 mm"]),
    ],
)  # fmt: skip
def test_parts_that_cannot_be_kept_are_named(tmp_path, changes, table, key, words):
    faults = faults_of_text(tmp_path, edit(text_of(TUBE) + KEPT, changes))
    found = [one for one in faults if (one.table, one.key) == (table, key)]
    assert any(all(word in str(one) for word in words) for one in found), faults


def test_a_kept_plunger_and_a_kept_cylinder_without_its_limits_are_faults(tmp_path):
    text = without(text_of(TUBE), "cylinders") + KEPT
    (fault,) = faults_of_text(tmp_path, text)
    assert fault.table == "cylinders" and "[cylinder]" in fault.what
    plunger = text_of(TUBE) + KEPT.replace('"double_rod"', '"plunger"').replace(
        'rod_diameter = "45 mm"\n', ""
    )
    (fault,) = faults_of_text(tmp_path, plunger)
    assert (fault.table, fault.key) == ("cylinder", "kind")


def test_screws_have_a_brake_that_cannot_close_ahead_of_the_target_alone():
    changes = {"lock.kind": "none", "lock.trigger": "ahead", "lock.ahead_distance": "10 um"}
    (fault,) = faults_of(TUBE, changes)
    assert (fault.table, fault.key) == ("lock", "trigger") and "[screws]" in fault.what


@pytest.mark.parametrize(
    "changes, table, key",
    [
        ({"transducer.pressure_range": "200 bar"}, "transducer", "pressure_range"),
        ({"lock.window": "8 um"}, "lock", "window"),
        ({"accuracy.hold_time": "2 s"}, "accuracy", "hold_time"),
        ({"accuracy.resting_error": "9 um"}, "accuracy", "resting_error"),
        ({"work.stroke_reserve": "0 mm"}, "work", "stroke_reserve"),
    ],
)
def test_what_deserves_a_second_look_is_said(changes, table, key):
    (warning,) = read_requirement(TUBE, changes).warnings()
    assert (warning.table, warning.key) == (table, key) and warning.expected


def test_a_valve_at_hand_is_the_valve_of_an_axis_with_the_same_figures():
    f = read_requirement(SLIDE)
    stated = tomllib.loads(text_of(SLIDE))["valve"]
    for one, texts in zip(f.valve, stated, strict=True):
        made = valve_of(one, f.valves)
        assert made.rated_flow == units.parse(texts["rated_flow"], "L/min")
        assert {made.overlap_pa, made.overlap_bt, made.overlap_pb, made.overlap_at} == {
            units.parse(texts["overlap"], "%")
        }
        assert (made.signal, made.rated_current) == ("current", 0.04)
        rated = rate_valve(made, f.oil)
        # two lands in series at rated command: q = K (1 - L) sqrt(dp/2), clearance and laminar
        # part are small against an open land
        by_hand = made.rated_flow / (
            (1.0 - made.overlap_pa) * math.sqrt(0.5 * made.rated_pressure_drop)
        )
        assert pytest.approx(by_hand, rel=2e-2) == rated.K_A
        assert rated.K_B == rated.K_A


def test_a_matched_spool_has_its_ratio_the_way_of_the_axis_file():
    f = read_requirement(TUBE, {"valve.3.area_ratio": "0.5"})
    rated = rate_valve(valve_of(f.valve[2], f.valves), f.oil)
    assert pytest.approx(0.5 * rated.K_A) == rated.K_B


def test_the_file_is_a_document_like_any_other(tmp_path):
    text = edit(text_of(TUBE), {"work.cycles_per_hour": 100.0})
    path = tmp_path / "requirement.toml"
    path.write_text(text, encoding="utf-8")
    assert read(RequirementFile, path).work.cycles_per_hour == 100.0
