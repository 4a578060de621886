"""Traces against balances that hold for any move, and files that read back as they were."""

import csv
import dataclasses
import json
import math
import os
import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest
import xarray

from servosim import ParameterError, params, read_axis, simulate, units, write_csv, write_netcdf
from servosim._whole_file import whole_file
from servosim.axis import Axis
from servosim.document import AxisFile
from servosim.result import Status
from servosim.traces import SIGNALS

FILE = "params/tube_sheet_table.toml"
TEACHING = Path("params/teaching_rig.toml").resolve()
# values of the axis by which the balances are checked, worked out here from the file's numbers
AREA = math.pi / 4.0 * (0.080**2 - 0.045**2)
MASS = 650.0 + 350.0 + 25.0
SHORT = {"move.duration": "2 s", "thrust.mode": "time", "thrust.delay": "1 s"}
TWO = {
    "structure.masses": "two",
    "structure.coupling_stiffness": "150 N/um",
    "structure.coupling_damping": "20 kN s/m",
    "structure.backlash": "0 um",
    "structure.seal_bristle_stiffness": "20 N/um",
    "structure.seal_bristle_damping": "10 kN s/m",
}


@pytest.fixture(scope="module")
def run():
    """The demonstration move with the thrust while it moves."""
    changes = {
        "oil.free_air": "0.5 %",
        "cylinder.bore_diameter": "80 mm",
        "cylinder.rod_diameter": "45 mm",
        "table.mass": "650 kg",
        "table.workpiece_mass": "350 kg",
        "structure.piston_mass": "25 kg",
        "thrust.along": "100 N",
        "thrust.normal": "2500 N",
        **SHORT,
    }
    return simulate(read_axis(FILE).replace(changes))


@pytest.fixture(scope="module")
def two_masses():
    """The same axis with piston and table apart."""
    return simulate(read_axis(FILE).replace({**SHORT, **TWO}))


class TestSignals:
    def test_have_units_and_a_meaning(self):
        for name, (unit, meaning) in SIGNALS.items():
            assert units.group_of(unit), name
            assert units.si_unit(unit) == unit, name
            assert meaning.strip(), name

    def test_are_arrays_over_time(self, run):
        for name, values in run.traces.items():
            assert name in SIGNALS
            assert values.shape == run.time.shape, name
            assert values.dtype == np.float64, name
            assert np.isfinite(values).all(), name

    def test_that_the_axis_lacks_are_left_out(self, run, two_masses):
        assert set(SIGNALS) - set(run.traces) == {"seal_bristle"}
        assert set(SIGNALS) == set(two_masses.traces)
        lean = read_axis(FILE).replace(
            {
                **SHORT,
                "move.duration": "10 ms",
                "controller.stabilising_feedback": "none",
                "controller.load_pressure_feedback": None,
                "controller.high_pass_frequency": None,
                "transducer.pressure": "none",
                "transducer.pressure_resolution": None,
                "transducer.pressure_noise": None,
                "transducer.pressure_time_constant": None,
                "transducer.pressure_range": None,
                "supply.accumulator": "none",
                "supply.accumulator_volume": None,
                "supply.precharge_pressure": None,
                "supply.gas_exponent": None,
                "supply.gas_time_constant": None,
            }
        )
        missing = set(SIGNALS) - set(simulate(lean).traces)
        assert missing == {
            "seal_bristle",
            "gas_temperature",
            "measured_pressure_a",
            "measured_pressure_b",
        }

    @pytest.mark.parametrize("n", [0, 1, 7])
    def test_of_a_run_that_ended_early(self, run, n):
        short = dataclasses.replace(
            run,
            status=Status.INTERRUPTED,
            time=run.time[:n],
            states=run.states[:n],
            record=run.record[:n],
        )
        for name, values in short.traces.items():
            assert np.array_equal(values, run.traces[name][:n]), name
        assert short.data.sizes == {"time": n}


class TestBalances:
    """What must be true of the traces whatever the numbers of the axis."""

    def test_errors(self, run):
        t = run.traces
        assert t["error"][0] == pytest.approx(run.move.target - run.move.start, abs=1e-3)
        assert np.array_equal(t["error"], run.move.target - t["table_position"])
        lag = t["reference_position"] - t["table_position"]
        assert np.array_equal(t["following_error"], lag)

    def test_force_of_the_oil(self, run):
        t = run.traces
        assert t["hydraulic_force"] == pytest.approx(AREA * (t["pressure_a"] - t["pressure_b"]))
        assert t["load_pressure"] == pytest.approx(t["pressure_a"] - t["pressure_b"], abs=1e-3)

    def test_acceleration_is_the_rate_of_the_velocity(self, run):
        t, inside = run.traces, slice(300, 1700)
        rate = np.gradient(t["table_velocity"], run.time)
        wrong = np.abs(t["table_acceleration"] - rate)[inside]
        assert np.median(wrong) < 0.02 * np.abs(rate).max()

    def test_forces_make_the_acceleration(self, run):
        t = run.traces
        left = t["hydraulic_force"] - t["friction_force"] - t["thrust"]
        left -= t["end_stop_force"] + t["brake_force"]
        assert left / MASS == pytest.approx(t["table_acceleration"], abs=1e-9)

    def test_friction_grows_with_thrust_across(self, run):
        # Coulomb part: coefficient times 2500 N
        t = run.traces
        before = t["friction_force"][950:1000].mean()
        after = t["friction_force"][1100:1300].mean()
        coefficient = run.axis.file.table.coulomb_coefficient
        assert after - before == pytest.approx(coefficient * 2500.0, rel=0.15)
        assert t["normal_thrust"].max() == pytest.approx(2500.0)
        assert t["thrust"].max() == pytest.approx(100.0)

    def test_oil_that_flows_in_moves_the_piston(self, run):
        # sealed cylinder: the rest of 1 % is compression
        t = run.traces
        swept = AREA * (t["piston_position"] - t["piston_position"][0])
        for name in ("flow_a", "flow_b"):
            volume = np.concatenate(
                ([0.0], np.cumsum(0.5 * (t[name][1:] + t[name][:-1]) * np.diff(run.time)))
            )
            assert volume[-1] == pytest.approx(swept[-1], rel=0.01)
            assert np.abs(volume - swept).max() < 0.01 * swept[-1]

    def test_drawn_flow_is_the_rate_of_the_drawn_volume(self, run):
        t = run.traces
        drawn = np.cumsum(0.5 * (t["supply_flow"][1:] + t["supply_flow"][:-1])) * 1e-3
        assert t["drawn_volume"][1:] == pytest.approx(drawn, rel=0.01, abs=1e-8)
        assert (t["supply_flow"] >= np.maximum(t["flow_a"], 0.0)).all()

    def test_piston_and_table_are_one_or_two(self, run, two_masses):
        t = run.traces
        assert np.array_equal(t["piston_position"], t["table_position"])
        t = two_masses.traces
        stretch = t["piston_position"] - t["table_position"]
        assert 1e-7 < np.abs(stretch).max() < 1e-4

    def test_two_masses_have_the_force_balance_of_both(self, two_masses):
        t = two_masses.traces
        left = t["hydraulic_force"] - t["friction_force"] - t["thrust"]
        piston = np.gradient(t["piston_velocity"], two_masses.time)
        both = 1000.0 * t["table_acceleration"] + 25.0 * piston
        assert np.median(np.abs(left - both)[300:1700]) < 0.02 * np.abs(both).max()


class TestLocked:
    def test_lines_part_from_chambers_and_brake_holds(self):
        # closed from the first samples on, with a trigger that the start already fulfils
        axis = read_axis(FILE).replace(
            {
                "move.start": "330 mm",
                "move.target": "330 mm",
                "move.duration": "0.6 s",
                "lock.window": "1 mm",
                "lock.dwell": "0 ms",
                "lock.brake": "holding",
                "lock.brake_stiffness": "50 N/um",
                "lock.brake_damping": "10 kN s/m",
                "lock.brake_force": "5 kN",
                "lock.brake_closing_time": "20 ms",
                "lock.brake_opening_time": "20 ms",
                "thrust.mode": "locked",
                "thrust.along": "3 kN",
                "thrust.delay": "0.1 s",
            }
        )
        t = simulate(axis).traces
        held = t["brake"] == 1.0
        assert held.any() and not held[0]
        assert t["lock_phase"].max() >= 2.0
        assert t["lock_area_a"].min() == 0.0 and t["lock_area_a"].max() == 1.0
        assert np.abs(t["line_pressure_a"] - t["pressure_a"])[t["lock_area_a"] == 0.0].max() > 1e3
        # the thrust against extension is borne by brake, oil and friction together
        full = t["thrust"] > 2999.0
        assert full.any()
        borne = t["hydraulic_force"] - t["friction_force"] - t["brake_force"]
        assert np.median(borne[full]) == pytest.approx(3000.0, rel=0.01)
        assert (t["brake_force"][full] < 0.0).all()


class TestNetcdf:
    def test_reads_back_as_it_was(self, run, tmp_path):
        path = tmp_path / "move.nc"
        write_netcdf(run, path)
        with xarray.open_dataset(path, engine="h5netcdf") as read:
            xarray.testing.assert_identical(read.load(), run.data)
        assert [p.name for p in tmp_path.iterdir()] == ["move.nc"]

    def test_variables_say_what_they_are(self, run):
        data = run.data
        assert data["time"].attrs["units"] == "s"
        assert set(data.data_vars) == set(run.traces)
        for name, variable in data.data_vars.items():
            assert (variable.attrs["units"], variable.attrs["long_name"]) == SIGNALS[name]
        assert data["lock_phase"].attrs["flag_meanings"].split()[2] == "locked"

    def test_attributes_are_enough_to_make_the_run_again(self, run, tmp_path):
        about = run.data.attrs
        assert about["version"] == run.version
        assert about["status"] == "COMPLETE"
        path = tmp_path / "again.toml"
        path.write_text(about["parameters"], encoding="utf-8")
        axis = Axis(params.read(AxisFile, path))
        again = simulate(
            axis,
            seed=about["seed"],
            tolerance=about["tolerance"],
            fixed_steps=about["fixed_steps"],
        )
        assert np.array_equal(again.states, run.states)

    def test_the_move_is_strict_json(self, run):
        axis = run.axis.replace(
            {
                "thrust.mode": "none",
                **dict.fromkeys(
                    f"thrust.{key}" for key in ("along", "normal", "delay", "ramp", "feed_time")
                ),
            }
        )
        text = dataclasses.replace(run, move=axis.move).data.attrs["move"]

        def refuse(constant):
            raise ValueError(constant)

        move = json.loads(text, parse_constant=refuse)
        assert move["target"] == run.move.target
        assert move["thrust_t"] == [None] * 4
        assert move["profile"]["t"] == run.move.profile.t.tolist()

    def test_the_seed_is_the_one_that_was_used(self, run):
        other = dataclasses.replace(run, options={**run.options, "seed": 7})
        assert other.data.attrs["seed"] == 7
        assert run.data.attrs["seed"] == run.move.seed


class TestText:
    def test_reads_back_bit_for_bit(self, run, tmp_path):
        path = tmp_path / "move.csv"
        write_csv(run, path)
        with path.open(encoding="utf-8", newline="") as stream:
            header, *rows = csv.reader(stream)
        names = list(run.traces)
        assert header[0] == "time [s]"
        assert header[1:] == [f"{name} [{SIGNALS[name][0]}]" for name in names]
        table = np.array(rows, dtype=float)
        assert np.array_equal(table[:, 0], run.time)
        for k, name in enumerate(names):
            assert np.array_equal(table[:, k + 1], run.traces[name]), name


class TestWholeFile:
    def test_missing_folder_is_said_in_words(self, run, tmp_path):
        for write in (write_csv, write_netcdf):
            with pytest.raises(ParameterError, match=r"nowhere.*cannot be written.*folder"):
                write(run, tmp_path / "nowhere" / "move.out")

    def test_a_file_in_the_way_stays_if_writing_fails(self, tmp_path):
        path = tmp_path / "move.csv"
        path.write_text("before")
        with pytest.raises(RuntimeError), whole_file(path) as beside:
            beside.write_text("half")
            raise RuntimeError
        assert path.read_text() == "before"
        assert os.listdir(tmp_path) == ["move.csv"]

    def test_a_file_in_the_way_is_replaced_whole(self, tmp_path):
        path = tmp_path / "move.csv"
        path.write_text("before")
        path.chmod(0o640)
        with whole_file(path) as beside:
            assert beside.suffix == ".csv"
            beside.write_text("after")
            assert path.read_text() == "before"
        assert path.read_text() == "after"
        assert path.stat().st_mode & 0o777 == 0o640


def test_parameters_are_toml(run):
    assert tomllib.loads(run.data.attrs["parameters"])["oil"]["free_air"] == "0.5 %"


class TestFullDisk:
    def test_a_run_that_has_no_room_is_not_written(self, tmp_path):
        resource = pytest.importorskip("resource")
        script = f"""
import resource, sys
import servosim
axis = servosim.read_axis({str(TEACHING)!r}, {{"move.duration": "0.2 s"}})
run = servosim.simulate(axis)
resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))
try:
    servosim.write_netcdf(run, {str(tmp_path / "move.nc")!r})
except servosim.ParameterError as error:
    sys.exit(str(error))
"""
        assert resource.RLIMIT_FSIZE is not None
        done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
        assert done.returncode == 1, done.stderr
        assert "move.nc: cannot be written: " in done.stderr
        assert done.stderr.count("\n") == 1
        assert not list(tmp_path.iterdir())
