"""The command ``cycle``: what it asks for, prints, writes and returns."""

from __future__ import annotations

import csv
import dataclasses
import json
import math
from pathlib import Path

import numpy as np
import pytest
import xarray
from typer.testing import CliRunner

import servosim
from servosim.cli import app
from servosim.commands import (
    cycle_command,
    cycle_compare,
    cycle_stop_text,
    cycle_summary,
    cycle_table,
)
from servosim.commands.cycle_compare import Variant, Way, arranged
from servosim.commands.cycle_statistics import outstanding, statistics
from servosim.commands.cycle_summary import Found
from servosim.cycles import cycle as cycles
from servosim.cycles.orders import travel
from servosim.cycles.positions import Position, PositionList
from servosim.cycles.result import COLUMNS, INTERRUPTED
from servosim.cycles.stops import run_stops
from servosim.cycles.sums import totals_of

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "params/tube_sheet_table.toml"
RIG = ROOT / "params/teaching_rig.toml"
runner = CliRunner()

LIST = """\
# title = Trial plate
# total lines = 4
# total target [mm] = 1240.500
target [mm],approach,thrust along [N],thrust normal [N],feed time [s],comment
300,any,100,2500,0.2,first
330,any,100,2500,0.2,second
280.5,any,,,,third
330,any,100,2500,0.2,fourth
"""


def run(*words, code=0):
    """Run the command and check its exit code."""
    result = runner.invoke(app, ["cycle", *map(str, words)])
    assert result.exit_code == code, result.output
    assert "Traceback" not in result.output
    return result


def squeezed(lines):
    """Return lines with single blanks."""
    return [" ".join(line.split()) for line in lines]


@pytest.fixture(scope="module")
def stops(short):
    """Two stops in the middle of the longest move of that cycle."""
    return run_stops(short.axis, short.positions, cases=("hold", "emergency_stop"))


@pytest.fixture
def plate(tmp_path):
    """A list of four positions with control totals."""
    path = tmp_path / "plate.csv"
    path.write_text(LIST, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def short():
    """A cycle of two positions."""
    axis = servosim.read_axis(DEMO)
    made = PositionList((Position(1, 0.26), Position(2, 0.25)))
    return cycles.run_cycle(axis, made)


def made_of(short, n, **columns):
    """Return a cycle whose table was written by hand: n positions of 5 s."""
    table = {name: np.full(n, math.nan) for name in COLUMNS}
    table["line"], table["overrun"] = np.arange(11.0, 11.0 + n), np.zeros(n)
    table["start"], table["target"] = np.full(n, 0.1), np.full(n, 0.2)
    table["settled"], table["time"] = np.ones(n), np.full(n, 5.0)
    for name in ("energy", "work", "heat", "drawn_volume", "flow_peak", "pressure_max"):
        table[name] = np.full(n, 2.0)
    for name in ("supply_pressure_min", "pressure_min", "tank_temperature"):
        table[name] = np.full(n, 310.0)
    for part, time in (("time_moving", 1.0), ("time_feed", 4.0)):
        table[part] = np.full(n, time)
    for part in ("settling", "locking", "auxiliary", "dwell", "release"):
        table[f"time_{part}"] = np.zeros(n)
    table |= {name: np.array(values) for name, values in columns.items()}
    positions = tuple(Position(11 + k, 0.2, comment=f"hole {k}") for k in range(n))
    return dataclasses.replace(
        short,
        table=table,
        positions=PositionList(positions),
        events=((),) * n,
        totals=totals_of(table, 313.15),
        warnings=(),
    )


class TestOptions:
    @pytest.mark.parametrize(
        ("words", "said"),
        [
            ([], "LIST: no positions; expected a list, or targets with --target"),
            (["LIST", "--target", "3 mm"], "expected a list or targets, not both"),
            (["none.csv"], "none.csv: no such file"),
            (["--target", "412.5"], "target 1: '412.5' has no unit"),
            (["--target", "3 bar"], "target 1: '3 bar' is a pressure"),
            (["--target", "nan mm"], "target 1: "),
            (["--target", "900 mm"], "'900 mm' is outside the stroke; expected 0 mm to 700 mm"),
            (["--target", "500 mm", "--target", "+300 mm"], "leads to 800 mm"),
            (["LIST", "--order", "best"], "--order: 'best' is not known; expected one of file, t"),
            (["LIST", "--approach", "up"], "--approach: 'up' is not known"),
            (
                ["LIST", "--start", "700.1 mm"],
                "--start: '700.1 mm' cannot be; expected 0 mm to 700",
            ),
            (["LIST", "--start", "-1 mm"], "--start: '-1 mm' cannot be"),
            (["LIST", "--overrun", "0 mm"], "--overrun: '0 mm' cannot be; expected more than 0 mm"),
            (["LIST", "--overrun", "1 s"], "--overrun: '1 s' is a time"),
            (["LIST", "--seed", "1.5"], "--seed: '1.5' is no seed"),
            (["LIST", "--unit", "target"], "--unit: 'target' states no unit"),
            (["LIST", "--unit", "target=bar"], "--unit: 'bar' is a unit of pressure"),
            (["LIST", "--unit", "tagret=mm"], "nearest name 'target'"),
            (["LIST", "--unit", "dwell=s", "--unit", "dwell=ms"], "dwell is stated twice"),
            (["--target", "3 mm", "--unit", "target=mm"], "--unit: there is no list"),
            (["LIST", "--output", "a.txt"], "--output: 'a.txt' has no known suffix; expected .csv"),
            (["LIST", "--data", "a.csv"], "--data: 'a.csv' has no known suffix; expected .nc"),
            (["LIST", "--figure", "a.gif"], "--figure: 'a.gif' has no known suffix"),
            (["LIST", "--figure", "a.png", "--stop-figure", "./a.png"], "written by --figure too"),
            (["LIST", "--output", "LIST"], "is read; expected another name"),
            (["LIST", "--set", "controller.velocity_gian=2 1/s"], "velocity_gain"),
            (["LIST", "--approach", "-", "--overrun", "650 mm"], "outside the stroke"),
        ],
    )
    def test_faults_are_told_and_nothing_runs(self, words, said, plate, monkeypatch):
        monkeypatch.setattr(cycles, "run_cycle", None)
        given = [str(plate) if word == "LIST" else word for word in words]
        result = run(DEMO, *given, code=2)
        assert said in result.stderr and result.stdout == ""

    def test_faults_of_options_axis_and_list_come_together(self, plate):
        words = ["--seed", "x", "--order", "y", "--start", "z"]
        text = run(DEMO, plate.with_name("none.csv"), *words, code=2).stderr
        assert all(one in text for one in ("--seed", "--order", "--start", "no such file"))

    def test_an_axis_that_is_not_there(self, plate):
        assert "no such file" in run(plate.with_name("a.toml"), plate, code=2).stderr

    def test_a_unit_that_the_heading_lacks(self, plate):
        text = LIST.replace("target [mm],", "target,")
        plate.write_text(text)
        assert "'target' has no unit" in run(DEMO, plate, code=2).stderr
        assert "COMPLETE" in run(DEMO, plate, "--unit", "target=mm").stdout


class TestTamperedLists:
    @pytest.mark.parametrize(
        ("old", "new", "said"),
        [
            ("280.5,", "280.6,", "0.1 mm too much"),
            ("330,any,100,2500,0.2,second\n", "", "1 too few"),
            ("280.5,", "285.0,", "4.5 mm too much"),
            ("300,any", "3O0,any", "3O0"),
            ("300,any", ",any", "line 5"),
            ("0.2,fourth", "nan,fourth", "line 8, column 'feed time [s]'"),
            ("target [mm],", "", "line 4"),
        ],
    )
    def test_refused_by_line_with_nothing_written(self, plate, tmp_path, old, new, said):
        text = LIST.replace(old, new, 1)
        assert text != LIST
        plate.write_text(text)
        out = tmp_path / "table.csv"
        result = run(DEMO, plate, "--output", out, code=2)
        assert said in result.stderr and str(plate) in result.stderr
        assert result.stdout == "" and not out.exists()


class TestTable:
    def test_of_a_short_list_all_lines_in_units_of_the_trade(self, short):
        cycle = made_of(
            short,
            3,
            move_time=[1.25, 1.5, 1.0],
            error_locked=[1.5e-6, -4.25e-6, math.nan],
            settled=[1.0, 0.0, 1.0],
        )
        lines = squeezed(cycle_table.position_lines(cycle))
        assert lines[1:3] == ["line target move locked in all", "mm s um s"]
        assert lines[3] == "11 200.000 1.250 1.50 5.000* hole 0"
        assert lines[4] == "12 200.000 1.500* -4.25* 5.000 hole 1; NOT SETTLED"
        assert lines[5] == "13 200.000 1.000 - 5.000 hole 2"

    def test_of_a_long_list_first_worst_and_last(self, short):
        errors = np.full(199, 1e-6)
        errors[[57, 120]] = -6e-6, 5.9e-6
        cycle = made_of(short, 199, error_under_thrust=errors)
        lines = squeezed(cycle_table.position_lines(cycle))
        first = [line.split()[0] for line in lines if line[:1].isdigit()]
        assert first == ["11", "12", "13", "68", "207", "208", "209"]
        assert sum(line == "..." for line in lines) == 2
        assert "68 200.000 -6.00* 5.000 hole 57" in lines
        whole = cycle_table.position_lines(cycle, whole=True)
        assert sum(line.strip()[:1].isdigit() for line in whole) == 199

    def test_statistics_against_sums_by_hand(self, short):
        # 2, 4, 9 um: mean 5, deviations -3, -1, 4, so that s = sqrt(26/2)
        cycle = made_of(short, 4, error_locked=[4e-6, 2e-6, 9e-6, math.nan])
        one = statistics(cycle)["error_locked"]
        assert (one.count, one.mean) == (3, pytest.approx(5e-6))
        assert one.deviation == pytest.approx(math.sqrt(13.0) * 1e-6)
        assert (one.low_line, one.high_line) == (12, 13)
        (row,) = [x for x in squeezed(cycle_table.statistic_lines(cycle)) if "locked um" in x]
        assert row == "error locked um 5.00 3.61 2.00 12 9.00 13 3 of 4"

    def test_points_only_run_through_are_in_no_statistic(self, short):
        cycle = made_of(
            short, 3, overrun=[1.0, 0.0, 0.0], time=[50.0, 5.0, 6.0], move_time=[9.0, 1.0, 2.0]
        )
        assert statistics(cycle)["time"].mean == pytest.approx(5.5)
        assert outstanding(cycle)[2] == ["move_time", "time"] and 0 not in outstanding(cycle)
        lines = squeezed(cycle_table.time_lines(cycle))
        assert "overruns before an approach 50.0 s 82.0 % 25.000 s" in lines
        assert "cycle 61.0 s 100 % 30.500 s" in lines

    def test_shares_of_the_time(self, short):
        lines = squeezed(cycle_table.time_lines(made_of(short, 4)))
        assert lines[1:] == [
            "moving 4.0 s 20.0 % 1.000 s",
            "feed 16.0 s 80.0 % 4.000 s",
            "cycle 20.0 s 100 % 5.000 s",
        ]

    def test_positions_an_hour(self, short):
        cycle = made_of(short, 4)
        found = Found(PositionList(()), Way("file", "any", 0.25, 1e-3), cycle)
        text = "\n".join(cycle_summary.outcome(found))
        assert "720 positions an hour" in text  # one in 5 s

    def test_a_cycle_in_which_nothing_was_done(self, short):
        cycle = dataclasses.replace(made_of(short, 0), status="stopped", message="It ends.")
        found = Found(PositionList((Position(1, 0.2),)), Way("file", "any", 0.25, 1e-3), cycle)
        text = "\n".join(cycle_summary.summary(found))
        assert "STOPPED: It ends." in text and "nan" not in text


class TestRuns:
    def test_a_list_with_files(self, plate, tmp_path):
        names = [tmp_path / name for name in ("t.csv", "d.nc", "f.png")]
        options = zip(("--output", "--data", "--figure"), names, strict=True)
        result = run(DEMO, plate, *(word for pair in options for word in pair))
        assert "Trial plate" in result.stdout
        said = " ".join(result.stdout.split())
        assert "agrees with its control totals: lines 4, target 1240.500 mm" in said
        assert "no control total for: thrust along, thrust normal, feed time" in said
        assert all(f"written: {name}" in result.stderr for name in names)
        axis = servosim.read_axis(DEMO)
        from servosim.cycles import read_positions

        alone = cycles.run_cycle(axis, read_positions(plate, stroke=0.7))
        with names[0].open(newline="") as stream:
            rows = list(csv.DictReader(stream))
        assert [row["comment"] for row in rows] == ["first", "second", "third", "fourth"]
        for name, (unit, _) in COLUMNS.items():
            cells = [row[f"{name} [{unit}]"] for row in rows]
            found = np.array([float(cell) if cell else math.nan for cell in cells])
            np.testing.assert_array_equal(found, alone.table[name])
        with xarray.open_dataset(names[1], engine="h5netcdf") as data:
            assert data.sizes["place"] == 4
            np.testing.assert_array_equal(data["error_locked"], alone.table["error_locked"])
        assert names[2].read_bytes()[:4] == b"\x89PNG"

    def test_typed_targets_are_the_list_of_them(self, tmp_path):
        listed = tmp_path / "list.csv"
        text = "target [mm],mode\n260,absolute\n-4.5,incremental\n+1.25,incremental\n"
        listed.write_text(text)
        words = ["--target", "260 mm", "--target", "-4.5 mm", "--target", "+1.25 mm"]
        typed = json.loads(run(DEMO, *words, "--json").stdout)
        read = json.loads(run(DEMO, listed, "--json").stdout)
        assert [one["target"] for one in typed["positions"]] == [0.26, 0.2555, 0.25675]
        for a, b in zip(typed["positions"], read["positions"], strict=True):
            assert {**a, "line": 0} == {**b, "line": 0}

    def test_json_is_strict_and_in_the_form_of_a_move(self, plate):
        def refuse(name):
            raise AssertionError(f"{name} is not strict JSON")

        result = run(DEMO, plate, "--json", "--seed", "5", "--start", "290 mm")
        found = json.loads(result.stdout, parse_constant=refuse)
        assert found["seed"] == 5 and found["list"]["start"] == 0.29
        assert found["list"]["control_totals"][1] == {
            "column": "target", "unit": "mm", "written": "1240.500", "line": 3,
        }  # fmt: skip
        assert found["status"]["name"] == "COMPLETE" and "COMPLETE" in result.stderr
        metric = found["metrics"]["cycle_time"]
        assert set(metric) == {"value", "unit", "definition"}
        assert metric["value"] == pytest.approx(sum(one["time"] for one in found["positions"]))
        third = found["positions"][2]  # without a tool
        assert third["error_under_thrust"] is None and third["comment"] == "third"
        # 10, 30, 49.5 and 49.5 mm, but for the error with which each move begins
        assert found["metrics"]["travel"]["value"] == pytest.approx(0.139, abs=5e-5)
        assert set(found["columns"]) == set(COLUMNS)

    def test_a_position_that_never_settles_keeps_what_was_done(self, tmp_path, monkeypatch):
        """From the third move on the valve's null is off by 2 %, and the table rests outside."""
        listed, out = tmp_path / "list.csv", tmp_path / "t.csv"
        listed.write_text("target [mm]\n260\n270\n255\n280\n")
        whole, moves = cycles.simulate, []

        def spoilt(axis, move, **options):
            moves.append(move.target)
            changed = axis.replace({"valve.null_bias": "2 %"}) if len(moves) > 2 else axis
            return whole(changed, move, **options)

        monkeypatch.setattr(cycles, "simulate", spoilt)
        result = run(DEMO, listed, "--output", out, "--json", code=1)
        found = json.loads(result.stdout)
        assert found["status"]["name"] == "STOPPED" and found["status"]["done"] == 2
        assert "line 4 (255 mm)" in found["status"]["message"]
        assert len(out.read_text().splitlines()) == 3

    def test_the_first_position_that_never_settles(self, tmp_path):
        out = tmp_path / "t.csv"
        words = ["--set", "valve.null_bias=2 %", "--target", "260 mm"]
        result = run(DEMO, *words, "--output", out, "--figure", tmp_path / "f.png", code=1)
        assert "STOPPED" in result.stdout and "The lock never closed" in result.stdout
        assert "no position was done" in result.stderr and not out.exists()

    def test_an_interruption_keeps_what_was_done(self, plate, tmp_path, monkeypatch):
        from contextlib import contextmanager

        calls = []

        @contextmanager
        def noting():
            yield lambda: calls.append(1) or len(calls) >= 2

        monkeypatch.setattr(cycle_command, "noting_interrupts", noting)
        out = tmp_path / "t.csv"
        result = run(DEMO, plate, "--output", out, "--compare", "--stops", code=130)
        assert "INTERRUPTED: Interrupted after 2 of 4 positions" in result.stdout
        assert "comparison and stops: interrupted before them" in result.stdout
        assert len(out.read_text().splitlines()) == 3

    def test_a_file_that_cannot_be_written(self, plate, tmp_path, monkeypatch):
        def full(self, path):
            raise OSError(28, "No space left on device")

        monkeypatch.setattr(type(short_cycle()), "write_csv", full)
        result = run(DEMO, plate, "--output", tmp_path / "t.csv", code=1)
        assert "not written" in result.stderr and "COMPLETE" in result.stdout

    def test_an_axis_without_accumulator_and_lock(self):
        text = run(RIG, "--target", "60 mm", "--target", "+20 mm").stdout
        assert "COMPLETE" in text and "nan" not in text


def short_cycle():
    """Return an empty cycle, for its class."""
    from servosim.cycles.result import Cycle

    return Cycle.__new__(Cycle)


class TestComparison:
    way = Way("file", "any", 0.25, 1e-3)

    def zigzag(self, *approaches):
        targets = (0.26, 0.30, 0.27, 0.29)
        made = [
            Position(k + 1, target, approach=approach)
            for k, (target, approach) in enumerate(zip(targets, approaches, strict=True))
        ]
        return PositionList(tuple(made))

    def test_a_list_as_it_stands_is_the_same(self):
        read = self.zigzag("any", "+", "-", "any")
        assert arranged(read, self.way, 0.7) is read

    def test_least_travel(self):
        made = arranged(self.zigzag(*["any"] * 4), dataclasses.replace(self.way, order="travel"), 1)
        assert [one.target for one in made.positions] == [0.26, 0.27, 0.29, 0.30]

    @pytest.mark.parametrize("side", ["+", "-"])
    def test_one_side_is_reached_from_that_side(self, side):
        for order in ("file", "travel"):
            way = dataclasses.replace(self.way, order=order, approach=side)
            made = arranged(self.zigzag(*["any"] * 4), way, 0.7).positions
            before = [self.way.start, *(one.target for one in made[:-1])]
            for start, one in zip(before, made, strict=True):
                if not one.overrun:
                    assert (one.target > start) == (side == "+")

    def test_of_passes_one_way_and_overruns_the_shorter(self):
        """Parted by actions, passes upwards would go back each time; overruns are shorter."""
        targets = (0.30, 0.29, 0.28, 0.31, 0.30, 0.29)
        made = [
            Position(k, x, auxiliary=(("slide", 1.0),) if k % 3 == 0 else ())
            for k, x in enumerate(targets)
        ]
        read = PositionList(tuple(made))
        way = Way("travel", "+", 0.25, 1e-3)
        # 50 + (10 + 1 + 1) * 2 + 30 mm with overruns; upwards 50 + (21 + 1) + 10 + 20 + ...
        assert travel(arranged(read, way, 0.7), start=0.25) == pytest.approx(0.05 + 0.048 + 0.03)

    def test_every_way_side_by_side(self, short):
        axis = short.axis
        read = self.zigzag("any", "any", "+", "any")
        first = Variant(self.way, read, cycles.run_cycle(axis, read))
        told = []
        found = cycle_compare.compared(
            axis, read, first, seed=None, progress=lambda *words: told.append(words)
        )
        assert [(one.way.order, one.way.approach) for one in found] == [
            (order, side) for order in ("file", "travel") for side in ("any", "+", "-")
        ]
        assert found[0] is first
        impossible = [one for one in found if one.cycle is None]
        assert [one.way.approach for one in impossible] == ["-", "-"]
        assert all("asks for an approach '+'" in one.reason for one in impossible)
        assert told and found[3].cycle.totals["travel"] < first.cycle.totals["travel"]
        lines = squeezed(cycle_summary.comparison_lines(found))
        (row,) = [x for x in lines if x.startswith("least travel, approaches of the list ")]
        totals = found[3].cycle.totals
        assert f" {totals['cycle_time']:.1f} {3600 * totals['rate']:.0f} " in row
        assert f"{1e6 * totals['error_locked']:.2f}" in row
        assert any("least travel, all from - impossible" in line for line in lines)
        alone = cycles.run_cycle(axis, found[3].made)
        np.testing.assert_array_equal(alone.table["time"], found[3].cycle.table["time"])

    def test_the_same_order_is_not_run_twice(self, short, monkeypatch):
        read = PositionList((Position(1, 0.26), Position(2, 0.27)))
        first = Variant(self.way, read, short)
        runs = []

        def counted(axis, positions, **options):
            runs.append(positions)
            return short

        monkeypatch.setattr(cycle_compare, "run_cycle", counted)
        found = cycle_compare.compared(
            short.axis, read, first, seed=None, progress=lambda *words: None
        )
        assert found[3].same == self.way.name and found[3].cycle is short
        assert len(runs) == 1  # from - alone: in order and from + they are as they stand

    def test_an_interrupted_way_is_the_last(self, short, monkeypatch):
        cut = dataclasses.replace(short, status=INTERRUPTED, message="Interrupted.")
        monkeypatch.setattr(cycle_compare, "run_cycle", lambda *a, **k: cut)
        read = self.zigzag(*["any"] * 4)
        first = Variant(self.way, read, short)
        found = cycle_compare.compared(
            short.axis, read, first, seed=None, progress=lambda *words: None
        )
        assert len(found) == 2 and found[-1].cycle.interrupted
        assert any("interrupted" in line for line in cycle_summary.comparison_lines(found))

    def test_by_the_command(self, plate):
        found = json.loads(run(DEMO, plate, "--json", "--compare", "--order", "travel").stdout)
        names = {one["name"]: one for one in found["comparison"]}
        assert len(names) == 6 and found["list"]["order"] == "travel"
        own = names["least travel, approaches of the list"]
        assert own["metrics"]["cycle_time"] == found["metrics"]["cycle_time"]["value"]
        assert "hold for the list as it was read" in " ".join(found["list"]["notes"])


class TestStops:
    def test_table_sentences_and_cautions(self, stops):
        text = " ".join(" ".join(cycle_stop_text.stop_lines(stops)).split())
        for one in stops:
            distance = one.figures["stopping_distance"]
            unit, scale = ("um", 1e6) if distance < 1e-3 else ("mm", 1e3)
            assert f"{scale * distance:.4g} {unit}" in text
            assert one.sentence in text
        assert text.count("Pressure waves, bursting hoses") == 1
        for word in (
            "Stored pressure",
            "Moving table",
            "no safety function",
            "ISO 12100",
            "local code",
            "licensed practice",
        ):
            assert word in text

    def test_energies_of_a_stop(self, stops):
        f = stops[1].figures
        text = " ".join(" ".join(cycle_stop_text.case_lines(stops[1])).split())
        # half the mass that moves times the square of its velocity at the fault
        load = stops[1].before.axis.parameters.load
        energy = 0.5 * (load.M_t + load.M_p) * f["fault_velocity"] ** 2
        assert f"motion at the fault {energy:.4g} J" in text
        assert f"spent on friction {f['friction_work']:.4g} J" in text
        assert "end stop" not in text

    def test_a_pressure_below_vacuum_is_called_one(self, stops):
        figures = stops[0].figures | {"pressure_min": -1.3e5, "pressure_max": 3e6}
        one = dataclasses.replace(stops[0], figures=figures)
        assert "vacuum to 30 bar" in "\n".join(cycle_stop_text.stop_lines([one]))

    def test_by_the_command(self, plate, tmp_path):
        out = tmp_path / "stops.png"
        result = run(DEMO, plate, "--json", "--stop-figure", out)
        found = json.loads(result.stdout)
        assert [one["case"] for one in found["stops"]] == [
            "hold", "supply_lost", "feedback_lost", "valve_stuck", "valve_dead", "emergency_stop",
        ]  # fmt: skip
        first = found["stops"][0]["figures"]["stopping_distance"]
        assert first["unit"] == "m" and first["value"] > 0.0
        assert any("licensed practice" in one for one in found["cautions"])
        assert out.read_bytes()[:4] == b"\x89PNG"

    def test_a_list_without_any_move(self, tmp_path):
        out = tmp_path / "stops.png"
        result = run(DEMO, "--target", "250 mm", "--stops", "--stop-figure", out, code=1)
        assert "no move: target and start are the same" in result.stdout
        assert "there are no stops" in result.stderr and not out.exists()
