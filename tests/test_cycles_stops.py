"""Stops in the middle of a move, against kinematics, energy and the gas law."""

import json
import math

import numpy as np
import pytest

import servosim
from servosim import _sequence as sequence
from servosim.cycles import Position, PositionList
from servosim.cycles.result import STOP_FIGURES
from servosim.cycles.stops import CASES, cases_of, longest_move, run_stops

FILE = "params/tube_sheet_table.toml"
# nothing that takes energy away, and a lock that is shut at once
FREE = {
    "table.friction": "stribeck",
    "table.smoothing_velocity": "1 mm/s",
    "table.coulomb_coefficient": "0",
    "table.static_coefficient": "0",
    "table.viscous_friction": "0 N s/m",
    "cylinder.seal_friction": "0 N",
    "cylinder.seal_breakaway": "0 N",
    "cylinder.seal_pressure_friction": "0 N/bar",
    "cylinder.seal_viscous": "0 N s/m",
    "lock.closing_time": "0.01 ms",
    "lock.closing_delay_a": "0 ms",
    "lock.closing_delay_b": "0 ms",
    "lock.displaced_volume": "0 mm3",
}


def _axis(**more):
    return servosim.read_axis(FILE, more)


@pytest.fixture(scope="module")
def stops():
    return {one.case: one for one in run_stops(_axis())}


def _oil_spring(axis, x, p_A, p_B):
    """Return the stiffness of the locked cylinder [N/m] from areas, volumes, compressibility.

    1/K of the oil is 1/K_l and a_0 (p_0/p)^(1/n) / (n p) of its air; the wall adds its own.
    """
    c, oil = axis.file.cylinder, axis.file.oil
    area = math.pi / 4 * (c.bore_diameter**2 - c.rod_diameter**2)
    volumes = (c.dead_volume_a + area * x, c.dead_volume_b + area * (c.stroke - x))
    stiffness = 0.0
    for volume, pressure in zip(volumes, (p_A, p_B), strict=True):
        liquid = oil.bulk_modulus - oil.bulk_modulus_temperature_slope * (
            oil.temperature - oil.bulk_modulus_temperature
        )
        liquid += oil.bulk_modulus_pressure_slope * pressure
        n, whole = oil.polytropic_exponent, pressure + 101325.0
        air = oil.free_air * (101325.0 / whole) ** (1 / n) / (n * whole)
        stiffness += area**2 / (volume * (1 / liquid + air + 1 / c.wall_modulus))
    return stiffness


def test_a_locked_cylinder_stops_on_its_oil_spring():
    """1/2 m v^2 = 1/2 k x^2 in the limit of no friction and of a lock that closes at once.

    The limit is of small compression too: over the 20 bar of the stop the modulus changes by 1 %
    one way in one chamber and the other way in the other.
    """
    axis = _axis(**FREE)
    (stop,) = run_stops(axis, cases=["emergency_stop"], duration=0.3)
    f, run = stop.figures, stop.run
    p_A, p_B = run.state("pressure_a")[0], run.state("pressure_b")[0]
    k = _oil_spring(axis, f["fault_position"], p_A, p_B)
    mass = 650.0 + 350.0 + 25.0
    assert f["kinetic_energy"] == pytest.approx(0.5 * mass * f["fault_velocity"] ** 2, rel=1e-12)
    assert f["stopping_distance"] == pytest.approx(
        abs(f["fault_velocity"]) * math.sqrt(mass / k), rel=5e-3
    )
    assert f["stopping_time"] == pytest.approx(0.5 * math.pi * math.sqrt(mass / k), rel=1e-2)
    area = math.pi / 4 * (0.08**2 - 0.045**2)
    risen = max(run.extremes[0, 0] - p_A, run.extremes[1, 0] - p_B)
    halves = area / (area**2 / k) / 2  # k x over both areas, if the chambers share it evenly
    assert risen == pytest.approx(halves * f["stopping_distance"], rel=0.1)
    # no friction: at the turn the oil has taken all of the kinetic energy, as its spring does;
    # the turn lies between samples of 1 ms, half of which are (158/s 0.5 ms)^2 of the energy
    taken = -run.state("mechanical_work").min()
    assert taken == pytest.approx(f["kinetic_energy"], rel=1e-2)
    assert taken == pytest.approx(0.5 * k * f["stopping_distance"] ** 2, rel=1e-2)
    assert f["friction_work"] == 0.0
    assert abs(f["balance"]) < 1e-3 * f["kinetic_energy"]


def test_four_times_the_mass_goes_twice_as_far():
    """x = v sqrt(m/k): four times the mass stop over twice the way, at the same velocity."""
    found = []
    for workpiece in ("350 kg", "3425 kg"):
        axis = _axis(**FREE, **{"table.workpiece_mass": workpiece, "reference.kind": "trapezoid"})
        (stop,) = run_stops(axis, cases=["emergency_stop"], duration=0.2, at=0.6)
        found.append(stop.figures["stopping_distance"] / stop.figures["fault_velocity"])
    assert found[1] / found[0] == pytest.approx(2.0, rel=0.02)


def test_energies_balance(stops):
    """Kinetic energy and work of the oil against friction and end stop, by sums over samples.

    The blow on an end stop lasts 7 ms, which samples of 1 ms tell to some hundredths.
    """
    for stop in stops.values():
        f = stop.figures
        blow = 0.0 if math.isnan(f["end_stop_velocity"]) else 0.1 * f["end_stop_work"]
        assert abs(f["balance"]) < 2e-3 * f["kinetic_energy"] + blow, stop.case
        assert f["friction_work"] > 0.0
    assert stops["feedback_lost"].figures["end_stop_work"] > 1.0


def test_a_hold_takes_the_way_of_its_deceleration(stops):
    """v T/2 with T = v/d + d/j for the S-curve, after the lag by which the table follows."""
    stop, v, d, j = stops["hold"], 0.0847, 0.3, 4.0
    before, run = stop.before, stop.run
    names = servosim._samples.RECORD
    lead = before.record[-1, names.index("reference_position")] - stop.figures["fault_position"]
    way = 0.5 * v * (v / d + d / j)
    assert run.move.target - run.move.start == pytest.approx(way, rel=1e-9)
    assert run.move.profile.t_end == pytest.approx(v / d + d / j, rel=1e-9)
    assert stop.figures["farthest"] == pytest.approx(way + lead, abs=run.move.window)
    assert stop.figures["stopping_distance"] == pytest.approx(way + lead, rel=5e-3)
    assert run.memory[sequence.PHASE] == sequence.LOCKED
    assert not math.isnan(stop.figures["lock_time"])


@pytest.mark.parametrize("at", [0.01, 0.05, 0.5, 0.9, 0.99])
@pytest.mark.parametrize("kind", ["s_curve", "trapezoid"])
def test_the_reference_of_a_hold_goes_on_from_where_it_is(kind, at):
    """Position and velocity, and the acceleration of an S-curve, do not jump; its limits hold."""
    (stop,) = run_stops(_axis(**{"reference.kind": kind}), cases=["hold"], at=at, duration=1.0)
    names = servosim._samples.RECORD
    r, v, a = (
        np.concatenate([run.record[:, names.index(f"reference_{name}")] for run in pair])
        for name in ("position", "velocity", "acceleration")
        for pair in [(stop.before, stop.run)]
    )
    n = len(stop.before.time)
    assert r[n] == pytest.approx(r[n - 1], abs=1e-12)
    assert v[n] == pytest.approx(v[n - 1], abs=1e-12)
    assert a.min() >= -0.3 - 1e-9
    assert v[-1] == 0.0 and v.min() >= 0.0
    # the position is the integral of the velocity, over 1 ms with an error of a h^2/4 at a corner
    np.testing.assert_allclose(np.diff(r[n:]), 0.5e-3 * (v[n:-1] + v[n + 1 :]), atol=2e-7)
    if kind == "s_curve":
        assert a[n] == pytest.approx(a[n - 1], abs=1e-9)
        assert np.abs(np.diff(a[n:])).max() <= 4.0 * 1e-3 * (1 + 1e-9)


@pytest.mark.parametrize("kind", ["step", "square_root", "staged", "exponential"])
def test_other_references_are_held_too(kind):
    more = {"reference.kind": kind}
    if kind == "staged":
        more |= {
            "reference.creep_velocity": "10 mm/s",
            "reference.creep_distance": "30 mm",
            "reference.stop_distance": "0.1 mm",
        }
    axis = servosim.read_axis(FILE).replace(more)
    (stop,) = run_stops(axis, cases=["hold"])
    f = stop.figures
    assert not math.isnan(f["stopping_distance"])
    v, rate = abs(f["fault_velocity"]), axis.file.reference.deceleration or 0.4
    if kind == "step":  # the spool shuts: 8 ms for its stroke, 2 zeta/omega = 3 ms, 2 ms to compute
        assert 0.0 < f["farthest"] < v * 0.03
    else:  # and the lag of the loop
        expected = 0.5 * v * v / rate + 0.1 * v / 22.0
        assert f["farthest"] == pytest.approx(expected, rel=0.1)
    assert f["lock_time"] > 0.0


def test_a_lost_supply_empties_the_accumulator(stops):
    """The gas grows by what is drawn, less what the oil expands and what the pump still gave."""
    stop = stops["supply_lost"]
    run, supply = stop.run, stop.run.axis.file.supply
    pressure, gas = run.state("supply_pressure"), run.state("gas_temperature")
    content = supply.accumulator_volume * (supply.precharge_pressure + 101325.0)
    content /= supply.ambient_temperature
    volume = content * gas / (pressure + 101325.0)
    grown, drawn = volume[-1] - volume[0], run.state("drawn_volume")[-1]
    pumped = np.trapezoid(run.state("pump_flow"), run.time)
    oil = supply.pump_line_volume * (pressure[0] - pressure[-1]) / 1.5e9
    assert run.state("pump_flow")[-1] < 1e-6 * run.state("pump_flow")[0]
    assert grown == pytest.approx(drawn - pumped - oil, rel=2e-2)
    assert pressure[-1] < pressure[0] - 10e5
    assert abs(stop.figures["end_error"]) < 6e-6  # the accumulator brings it home


def test_without_an_accumulator_a_lost_supply_stops_the_table():
    axis = _axis(**{"supply.accumulator": "none"})
    (stop,) = run_stops(axis, cases=["supply_lost"])
    assert stop.figures["end_error"] > 0.03
    assert stop.figures["supply_pressure_min"] < 30e5


def test_frozen_readings_drive_the_table_into_its_end(stops):
    stop = stops["feedback_lost"]
    readings = stop.run.record[:, servosim._samples.RECORD.index("measured_position")]
    assert np.ptp(readings) == 0.0
    assert stop.figures["end_position"] == pytest.approx(0.7, abs=1e-3)
    assert stop.figures["end_stop_velocity"] > 0.0847
    # 46 kN: the whole supply on the piston's area, before the blow has passed
    assert stop.figures["end_stop_force"] > 140e5 * math.pi / 4 * (0.08**2 - 0.045**2) * 0.9
    assert np.ptp(stop.run.record[:, servosim._samples.RECORD.index("measured_pressure_a")]) > 1e5


def test_a_stuck_spool_stays(stops):
    stop = stops["valve_stuck"]
    spool = stop.run.state("spool")
    assert np.ptp(spool) < 1e-7 and spool[0] > 0.2
    assert stop.figures["end_position"] == pytest.approx(0.7, abs=1e-3)
    assert stop.figures["end_stop_velocity"] == pytest.approx(0.0847, rel=0.01)


def test_a_dead_valve_rests_at_its_null(stops):
    """Bias 0.3 %, its shift by pressure, and what the plays keep of the command: half the loop."""
    spool = stops["valve_dead"].run.state("spool")
    valve = stops["valve_dead"].run.axis.file.valve
    shift = valve.null_bias + valve.null_shift_pressure * (136.5e5 - valve.rating_pressure)
    assert abs(spool[-1] - shift) <= 0.5 * valve.hysteresis + 1e-9
    assert stops["valve_dead"].figures["stopping_distance"] < 2e-3


def test_a_lock_needs_its_time(stops):
    """Shut 30 ms after the fault: delay of 10 ms and closing time of 20 ms."""
    stop = stops["emergency_stop"]
    assert stop.figures["lock_time"] == pytest.approx(0.030, abs=1.1e-3)
    assert stop.run.memory[sequence.PHASE] == sequence.LOCKED
    late = run_stops(_axis(**{"lock.closing_time": "200 ms"}), cases=["emergency_stop"])[0]
    assert late.figures["lock_time"] == pytest.approx(0.210, abs=1.1e-3)


def test_a_brake_takes_the_energy():
    """A brake of 3 kN slips and takes its share of the kinetic energy."""
    brake = {
        "lock.kind": "none",
        "lock.brake": "holding",
        "lock.brake_stiffness": "200 N/um",
        "lock.brake_damping": "1000 N s/m",
        "lock.brake_force": "3 kN",
        "lock.brake_closing_time": "0 ms",
        "lock.brake_opening_time": "20 ms",
    }
    axis = servosim.read_axis(FILE).replace(brake)
    (stop,) = run_stops(axis, cases=["emergency_stop"])
    f = stop.figures
    assert f["brake_work"] > 0.1 * f["kinetic_energy"]
    assert abs(f["balance"]) < 0.05 * f["kinetic_energy"]


def test_no_stop_is_farther_than_the_farthest(stops):
    axis = servosim.read_axis("params/teaching_rig.toml")
    for stop in (*stops.values(), *run_stops(axis)):
        f = stop.figures
        assert f["farthest"] >= f["stopping_distance"], stop.case


def test_the_same_seed_gives_the_same_bits(stops):
    again = run_stops(_axis())
    for stop in again:
        np.testing.assert_array_equal(stop.run.states, stops[stop.case].run.states)
    other = run_stops(_axis(), seed=9, cases=["hold"])[0]
    assert not np.array_equal(other.run.states, stops["hold"].run.states)


def test_before_the_fault_it_is_the_move(stops):
    whole = servosim.simulate(_axis().replace({"thrust.mode": "none"}))
    for stop in stops.values():
        n = len(stop.before.time)
        np.testing.assert_array_equal(stop.before.states, whole.states[:n])
        traces = stop.traces()
        assert len({len(values) for values in traces.values()}) == 1
        assert traces["time"][n - 1] == 0.0
        here = stop.run.state("table_position")[0]
        assert traces["table_position"][n - 1] == here == stop.figures["fault_position"]
        assert here == pytest.approx(0.325, abs=2e-4)
        step = np.abs(np.diff(traces["supplied_energy"])).max()
        assert step < 140e5 * 20e-3 / 60 * 1.1e-3  # the pump's whole flow over a sample


def test_words_and_numbers_are_complete(stops):
    assert set(stops) == set(CASES) == set(cases_of(_axis()))
    for stop in stops.values():
        assert set(stop.figures) == set(STOP_FIGURES)
        said = json.loads(json.dumps(stop.as_dict(), allow_nan=False))
        assert said["sentence"].startswith("From 84.")
        assert "ISO 13849-1" in said["cautions"][0] and "ISO 12100" in said["cautions"][0]
        assert "no safety function" in said["cautions"][0]
        assert any("not modelled" in one or "are not" in one for one in said["modelled"])
    assert "end stop" in stops["valve_stuck"].sentence


def test_a_schedule_over_the_distance_does_not_start_anew():
    """Without its pump the axis still has its accumulator: at first nothing changes at all."""
    axis = servosim.read_axis("params/vertical_slide.toml")
    for stop in run_stops(axis, cases=["supply_lost", "feedback_lost"]):
        u = servosim._samples.RECORD.index("command")
        n = len(stop.before.time)
        command = np.concatenate([stop.before.record[:, u], stop.run.record[:, u]])
        assert np.abs(np.diff(command[n - 50 : n + 5])).max() < 0.02
    with pytest.raises(servosim.errors.ParameterError, match="held back"):
        run_stops(axis, at=0.01)


def test_the_longest_move_of_a_list():
    positions = PositionList((Position(2, 0.3), Position(3, 0.5), Position(4, 0.42)))
    start, position = longest_move(_axis(), positions)
    assert (start, position.line) == (0.3, 3)
    (stop,) = run_stops(_axis(), positions, cases=["hold"])
    assert stop.figures["fault_position"] == pytest.approx(0.4, abs=2e-4)
    assert longest_move(_axis())[1].target == 0.4


@pytest.mark.parametrize(
    "more",
    [
        {"lock.kind": "none"},
        {"supply.kind": "ideal"},
        {"supply.kind": "fixed_pump"},
        {"structure.masses": "two", "structure.coupling_stiffness": "300 N/um"},
        {"table.inclination": "90 deg", "table.counterbalance": "constant"},
    ],
)
def test_other_axes_stop(more):
    if "structure.masses" in more:
        more = more | {
            "structure.coupling_damping": "20 kN s/m",
            "structure.backlash": "0 um",
            "structure.seal_bristle_stiffness": "30 N/um",
        }
    if "table.inclination" in more:
        more = more | {"table.counterbalance_force": "9 kN"}
    if more.get("supply.kind") == "ideal":
        more = more | {"supply.accumulator": "none"}
    axis = servosim.read_axis(FILE).replace(more)
    for stop in run_stops(axis):
        f = stop.figures
        assert stop.run.status == servosim.Status.COMPLETE, stop.run.message
        met = not math.isnan(f["end_stop_velocity"])
        worked = abs(f["oil_work"]) + abs(f["gravity_work"])
        blow = 0.15 * f["end_stop_work"] if met else 0.0
        # the damping of a coupling is none of the works
        open_share = 0.03 if "structure.masses" in more else 0.01
        limit = open_share * (f["kinetic_energy"] + worked) + blow
        assert abs(f["balance"]) < limit, stop.case
    assert ("emergency_stop" in cases_of(axis)) == ("lock.kind" not in more)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"cases": ["broken"]}, "not known"),
        ({"at": 0.0}, "of the way"),
        ({"at": 1.0}, "of the way"),
        ({"duration": -1.0}, "after the fault"),
        ({"positions": PositionList((Position(1, 0.25),))}, "no move"),
    ],
)
def test_what_cannot_be_run_is_refused(options, said):
    with pytest.raises(servosim.errors.ParameterError, match=said):
        run_stops(_axis(), **options)


def test_an_emergency_stop_needs_a_lock():
    with pytest.raises(servosim.errors.ParameterError, match="neither"):
        run_stops(_axis(**{"lock.kind": "none"}), cases=["emergency_stop"])
