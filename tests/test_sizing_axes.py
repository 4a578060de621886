"""The axis of a candidate: complete, true to its parts, and run as it is written."""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_sizing_requirement import KEPT, SLIDE, TUBE, text_of
from typer.testing import CliRunner

from servosim.cli import app
from servosim.document import AxisFile
from servosim.errors import ParameterError
from servosim.params import dumps, read, write
from servosim.params import replace as changed
from servosim.sizing.axes import Parts, _motor_bristle, axis_of, parts_of, words_of, worst_move
from servosim.sizing.combinations import Combinations
from servosim.sizing.requirement import read_requirement

BAR, LITRE, REV = 1e5, 1e-3, 2.0 * math.pi
SIX = 1e-5  # relative: what six written figures may differ by

TABLE = read_requirement(TUBE)
SLIDING = read_requirement(SLIDE)

CYLINDER = Parts(
    actuator="double_rod", bore=0.08, rod=0.045, displacement=0.0, lead=0.0, valve=3,
    pressure=160 * BAR, dead_volume_a=9.012345678e-5, dead_volume_b=9.1e-5, line_volume_a=6.1e-5,
    line_volume_b=6.2e-5, hose_volume_a=0.0, hose_volume_b=0.0, wall_modulus=21e9,
    internal_leakage=0.0, external_leakage=0.0, seal_friction=250.0, seal_breakaway=330.0,
    seal_pressure_friction=0.48 / BAR, seal_viscous=600.0, piston_mass=20.0, worst_position=0.35,
    pump_flow=25 * LITRE / 60, accumulator_volume=2.5 * LITRE, precharge_pressure=115 * BAR,
    relief_pressure=180 * BAR, line_flow=22 * LITRE / 60, line_drop=3.3 * BAR,
    line_volume=0.5 * LITRE, tank_heat_capacity=180e3, cooling=60.0,
)  # fmt: skip
SCREW = replace(
    CYLINDER, actuator="motor_screw", bore=0.0, rod=0.0, displacement=40e-6 / REV, lead=0.01 / REV,
    piston_mass=15.0, accumulator_volume=0.0, precharge_pressure=0.0,
)  # fmt: skip
ROD = replace(
    CYLINDER, actuator="single_rod", bore=0.063, rod=0.028, pressure=100 * BAR, valve=3,
    relief_pressure=120 * BAR, precharge_pressure=72 * BAR, hose_volume_a=5e-5, hose_volume_b=4e-5,
    worst_position=0.21, line_volume=0.0,
)  # fmt: skip

sizes = st.floats(1e-5, 1e-2)
some_parts = st.builds(
    lambda single, bore, share, pressure, volumes, hose, gas, valve: replace(
        CYLINDER,
        actuator="single_rod" if single else "double_rod",
        bore=bore,
        rod=share * bore,
        pressure=pressure,
        relief_pressure=1.2 * pressure,
        precharge_pressure=0.7 * pressure,
        dead_volume_a=volumes[0],
        dead_volume_b=volumes[1],
        line_volume_a=volumes[2],
        line_volume_b=volumes[3],
        hose_volume_a=hose * volumes[2],
        hose_volume_b=hose * volumes[3],
        accumulator_volume=gas,
        valve=valve,
    ),
    st.booleans(),
    st.floats(0.03, 0.3),
    st.floats(0.2, 0.8),
    st.floats(50 * BAR, 300 * BAR),
    st.tuples(sizes, sizes, sizes, sizes),
    st.one_of(st.just(0.0), st.floats(0.01, 0.9)),
    st.one_of(st.just(0.0), st.floats(1e-4, 0.05)),
    st.integers(0, len(TABLE.valve) - 1),
)


@settings(max_examples=40, deadline=None)
@given(parts=some_parts)
def test_an_axis_has_the_areas_volumes_and_pressures_of_its_parts(parts):
    axis = axis_of(TABLE, parts)
    c, s = axis.parameters.cylinder, axis.parameters.supply
    full, rod = math.pi / 4 * parts.bore**2, math.pi / 4 * parts.rod**2
    side_a = full if parts.actuator == "single_rod" else full - rod
    assert pytest.approx(side_a, rel=1e-12) == c.A_A
    assert pytest.approx(full - rod, rel=1e-12) == c.A_B
    for key, name in (
        ("V_A0", "dead_volume_a"),
        ("V_B0", "dead_volume_b"),
        ("V_lA", "line_volume_a"),
        ("V_lB", "line_volume_b"),
    ):
        assert getattr(c, key) == pytest.approx(getattr(parts, name), rel=SIX)
    assert c.hose_A * TABLE.lines.hose_modulus == pytest.approx(parts.hose_volume_a, rel=SIX)
    assert c.hose_B * TABLE.lines.hose_modulus == pytest.approx(parts.hose_volume_b, rel=SIX)
    assert c.wall == pytest.approx(1 / 21e9, rel=SIX)
    assert pytest.approx(0.7) == c.L  # 680 mm and a reserve of 20 mm
    assert (s.p_set, s.q_max) == (parts.pressure, parts.pump_flow)
    assert s.gas == (parts.accumulator_volume > 0.0) and s.line == 1
    envelope = axis.file.envelope
    assert envelope.supply_pressure.low == pytest.approx(0.93 * parts.pressure, rel=SIX)
    assert envelope.supply_pressure.high == pytest.approx(1.07 * parts.pressure, rel=SIX)
    assert axis.parameters.load.M_inverse == pytest.approx(1.0 / (650 + 350 + 20), rel=SIX)


@settings(max_examples=25, deadline=None)
@given(parts=some_parts)
def test_an_axis_reads_back_bit_for_bit_from_what_is_written(parts, tmp_path_factory):
    axis = axis_of(TABLE, parts)
    path = tmp_path_factory.mktemp("axes") / "axis.toml"
    path.write_text(dumps(axis.file), encoding="utf-8")
    again = read(AxisFile, path)
    assert again == axis.file
    assert "'" + TABLE.title + "'" in again.notes and "nvented" in again.notes
    assert again.cylinder.source.startswith("sized")


@settings(max_examples=100, deadline=None)
@given(
    start=st.integers(0, 680),
    move=st.integers(-680, 680).filter(lambda one: abs(one) > 1),
    position=st.floats(0.0, 0.7),
)
def test_the_move_is_the_longest_one_and_ends_as_near_the_softest_place_as_the_travel_lets_it(
    start, move, position
):
    work = SimpleNamespace(start=start / 1000, distances=(move / 1000,), stroke=0.68)
    asked = SimpleNamespace(
        work=work, travel_begins=0.01, reference=SimpleNamespace(kind="trapezoid")
    )
    begin, end = worst_move(asked, position)
    assert end - begin == pytest.approx(move / 1000)
    assert min(begin, end) >= 0.01 - 1e-9 and max(begin, end) <= 0.69 + 1e-9
    # no shift of the move within the travel ends nearer
    for shift in (-1e-4, 1e-4):
        if min(begin, end) + shift >= 0.01 and max(begin, end) + shift <= 0.69:
            assert abs(end + shift - position) >= abs(end - position) - 1e-12


def test_of_moves_of_one_length_the_first_counts_with_its_direction():
    # down 150 mm, up 50 mm, and 100 mm back
    start, target = worst_move(SLIDING, 0.2)
    assert (start, target) == (pytest.approx(0.35), pytest.approx(0.2))
    # out 150 mm comes first, 150 mm back last; 350 mm is the middle of 700 mm
    start, target = worst_move(TABLE, 0.35)
    assert (start, target) == (pytest.approx(0.2), pytest.approx(0.35))


def test_what_is_stated_as_in_an_axis_file_is_taken_over_unchanged():
    for asked, parts in ((TABLE, CYLINDER), (SLIDING, ROD)):
        f = axis_of(asked, parts).file
        for name in ("oil", "table", "transducer", "controller", "lock", "reference", "thrust"):
            assert getattr(f, name) == getattr(asked, name)
        assert f.window.half_width == asked.accuracy.half_width
        assert f.envelope.workpiece_mass == asked.conditions.workpiece_mass
        assert f.envelope.temperature == asked.conditions.temperature
        assert f.envelope.free_air == asked.conditions.free_air


def test_a_motor_has_the_area_of_displacement_over_lead_and_the_brake_of_the_series():
    axis = axis_of(TABLE, SCREW)
    c = axis.parameters.cylinder
    assert c.A_A == c.A_B == pytest.approx(40e-6 / 0.01)  # both over one revolution
    # 12 kg cm2 seen through 10 mm a revolution
    assert c.screw_mass == pytest.approx(12e-4 * (REV / 0.01) ** 2)
    f = axis.file
    assert f.lock.brake == "holding" and f.lock.brake_force == TABLE.screws.brake_force
    assert f.lock.replace(brake="none") == TABLE.lock
    assert f.structure.piston_mass == 15.0
    assert f.supply.accumulator == "none"


def test_a_screw_gives_way_even_where_cylinders_are_one_mass():
    """Algebra counts its stiffness: moves and margins of a rigid screw would promise too much."""
    assert TABLE.structure.masses == "one"
    made = axis_of(TABLE, SCREW).file.structure
    assert made.masses == "two" and made.backlash == 0.0
    assert made.coupling_stiffness == TABLE.screws.screw_stiffness
    assert made.coupling_damping == TABLE.screws.screw_damping
    # the motor's friction gives way as far as that of the ways: 250 N against 0.05 * 1000 kg * g
    share = 250.0 / (0.05 * 1000.0 * 9.80665)
    assert made.seal_bristle_stiffness == pytest.approx(share * 30e6, rel=1e-3)
    assert made.seal_bristle_damping == pytest.approx(share * 30e3, rel=1e-3)
    assert axis_of(TABLE, CYLINDER).file.structure.masses == "one"
    smooth = SimpleNamespace(friction="stribeck")
    assert "seal_bristle_stiffness" not in _motor_bristle(SimpleNamespace(table=smooth), SCREW)


def test_a_screw_of_two_masses_is_as_stiff_as_the_series_says():
    two = TABLE.structure.replace(
        masses="two", coupling_stiffness=1e9, coupling_damping=1.0, backlash=0.0,
        seal_bristle_stiffness=1e7, seal_bristle_damping=1e3,
    )  # fmt: skip
    asked = changed(TABLE, {"structure": two})
    made = axis_of(asked, SCREW).file.structure
    assert made.coupling_stiffness == asked.screws.screw_stiffness
    assert made.coupling_damping == asked.screws.screw_damping
    rod = axis_of(asked, CYLINDER).file.structure
    assert rod.coupling_stiffness == 1e9 and rod.piston_mass == 20.0


def test_a_cylinder_and_a_supply_that_exist_are_taken_over_unchanged(tmp_path):
    path = tmp_path / "requirement.toml"
    path.write_text(text_of(TUBE) + KEPT, encoding="utf-8")
    asked = read_requirement(path)
    f = axis_of(asked, replace(CYLINDER, pressure=140 * BAR)).file
    assert f.cylinder == asked.cylinder and f.supply == asked.supply
    assert f.structure == asked.structure
    assert f.envelope.supply_pressure.high == pytest.approx(1.07 * 140 * BAR)
    start, target = worst_move(asked, 0.36)
    assert (f.move.start, f.move.target) == pytest.approx((start - 0.01, target - 0.01))
    assert f.title.count("(kept)") == 2


def test_the_move_lasts_until_the_lock_has_opened_again():
    f = axis_of(TABLE, CYLINDER).file
    k = f.lock
    end = TABLE.accuracy.settling_time + k.dwell + k.closing_delay_a + k.closing_time
    end += f.move.hold_time + k.opening_time + k.release_dwell
    assert end < f.move.duration < end + 0.5
    assert f.move.hold_time == TABLE.accuracy.hold_time
    braked = axis_of(TABLE, SCREW).file.move.duration
    assert braked == pytest.approx(f.move.duration + 2 * 0.06, abs=0.011)


def test_a_long_hold_is_shortened_in_the_move_and_the_file_says_so():
    held = {"accuracy.hold_time": "1 h", "thrust.feed_time": "30 min"}
    f = axis_of(read_requirement(TUBE, held), CYLINDER).file
    assert f.move.hold_time == 10.0
    t = f.thrust
    assert t.delay + 2 * t.ramp + t.feed_time == pytest.approx(10.0, rel=SIX)
    assert "3600 s" in f.notes and "10 s" in f.notes
    short = axis_of(TABLE, CYLINDER).file
    assert "is simulated for" not in short.notes


def test_words_of_a_candidate():
    assert words_of(TABLE, CYLINDER) == (
        "double rod 80/45 x 700 mm, servo 25, 160 bar, accumulator 2.5 L"
    )
    assert words_of(TABLE, SCREW).startswith("motor 40 cm3/rev, screw 10 mm/rev, 700 mm, servo 25")


@pytest.mark.parametrize("key", ["pump_flow", "relief_pressure", "dead_volume_a", "piston_mass"])
def test_a_size_that_no_series_holds_is_an_error_and_no_file(key):
    with pytest.raises(ParameterError):
        axis_of(TABLE, replace(CYLINDER, **{key: math.nan}))


def test_a_rod_as_wide_as_its_bore_is_an_error():
    with pytest.raises(ParameterError, match="rod_diameter"):
        axis_of(TABLE, replace(CYLINDER, rod=0.08))


def test_parts_are_picked_from_the_arrays_of_all_candidates():
    n, k = 4, 2
    c = Combinations(
        actuator=np.array([0, 0, 1, 2]), bore=np.array([0.05, 0.06, 0.08, 0.0]),
        rod=np.array([0.02, 0.03, 0.04, 0.0]), displacement=np.zeros(n), lead=np.zeros(n),
        pressure=np.full(n, 1e7), valve=np.arange(n), arrangement=np.zeros(n, dtype=int),
    )  # fmt: skip

    class Columns:
        """Every column has its own number, and the candidate's behind the point."""

        def __init__(self):
            self.asked = {}

        def __getattr__(self, name):
            self.asked[name] = float(len(self.asked) + 1)
            return self.asked[name] + np.arange(n) / 10

    actuators, power = Columns(), Columns()
    made = parts_of(TABLE, c, actuators, power, k)
    assert (made.actuator, made.bore, made.rod, made.valve) == ("single_rod", 0.08, 0.04, 2)
    named = {"worst_position": "natural_position", "piston_mass": "weight_mass"}
    for name in ("dead_volume_b", "hose_volume_a", "seal_viscous", *named):
        assert getattr(made, name) == pytest.approx(actuators.asked[named.get(name, name)] + 0.2)
    named = {"line_flow": "peak_flow", "line_drop": "pressure_loss"}
    for name in ("pump_flow", "line_volume", "cooling", *named):
        assert getattr(made, name) == pytest.approx(power.asked[named.get(name, name)] + 0.2)


@pytest.mark.parametrize("asked, parts", [(TABLE, CYLINDER), (SLIDING, ROD)])
def test_the_file_is_moved_by_the_command_line_as_it_is_written(asked, parts, tmp_path):
    path = tmp_path / "axis.toml"
    write(axis_of(asked, parts).file, path)
    result = CliRunner().invoke(app, ["move", str(path)])
    assert result.exit_code == 0, result.output
    assert "COMPLETE" in result.output and "thrust deflection" in result.output
