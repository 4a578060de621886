"""The command line: what it prints, writes and returns."""

from __future__ import annotations

import csv
import dataclasses
import json
import os
import select
import signal
import subprocess
import sys
import threading
from contextlib import contextmanager
from importlib.metadata import version
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import xarray
from axis_files import AXIS_FILES
from typer.testing import CliRunner

import servosim
from servosim import cli, params
from servosim.cli import app
from servosim.commands.move_summary import shown, strict
from servosim.document import AxisFile
from servosim.params import edit

ROOT = Path(__file__).parents[1]
DEMO = str(ROOT / "params/tube_sheet_table.toml")
TEXT = Path(DEMO).read_text(encoding="utf-8")
SHORT = ("--set", "move.duration=0.3 s")
runner = CliRunner()


def run(*words: str, code: int = 0):
    """Run a command and check its exit code."""
    result = runner.invoke(app, list(words))
    assert result.exit_code == code, result.output
    assert "Traceback" not in result.output
    return result


def strict_json(text: str):
    """Read JSON and refuse what strict JSON does not have."""

    def refuse(name: str):
        raise AssertionError(f"{name} is not strict JSON")

    return json.loads(text, parse_constant=refuse)


@pytest.fixture(scope="module")
def demo():
    """The object that ``move --json`` prints for the demonstration axis."""
    return strict_json(run("move", DEMO, "--json").stdout)


class TestMove:
    def test_says_what_moved_and_how_it_went(self):
        lines = run("move", DEMO).stdout.splitlines()
        text = "\n".join(lines)
        axis = servosim.read_axis(DEMO)
        assert lines[0] == DEMO
        assert lines[1].strip() == axis.file.title
        assert "move        250 mm -> 400 mm, window +-5 um" in text
        assert "status      COMPLETE: The move ran to its end at 4.500 s." in text
        for name in servosim.metrics(servosim.simulate(axis)):
            assert sum(line.startswith(f"  {name.replace('_', ' ')}  ") for line in lines) == 1
        assert "not a release to run" in lines[-1]
        assert "isolate and bleed" in lines[-1]

    @pytest.mark.parametrize(
        ("kind", "words"),
        [
            # v1 = 84 mm/s, d = 0.3 m/s2, a = 0.4 m/s2, travel 150 mm; Kv = 22 1/s, w = 5 um
            # v1/d = 0.28 s, v1^2/2d = 11.76 mm, move 150/84 + 0.084/2 (1/0.4 + 1/0.3) = 2.0307 s
            ("trapezoid", "in 11.76 mm and 0.28 s; this move peaks at 84 mm/s and takes 2.031 s"),
            # v1/d + d/j = 0.28 + 0.075 = 0.355 s, half of that times v1 = 14.91 mm
            ("s_curve", "in 14.91 mm and 0.355 s; this move peaks at 84 mm/s"),
            # v1/Kv = 3.8182 mm, ln(v1/(Kv w))/Kv = ln(763.64)/22 = 0.30173 s
            ("exponential", "in 3.818 mm and 0.3017 s; this move peaks at 84 mm/s"),
            # 11.76 + d/(2 Kv^2) = 11.76 + 0.30992 = 12.070 mm
            # 0.28 - 1/22 + ln(0.3/(484 * 5e-6))/22 = 0.28 - 0.045455 + 0.219090 = 0.45364 s
            ("square_root", "in 12.07 mm and 0.4536 s; this move peaks at 84 mm/s"),
            ("step", "steps to the target at once"),
        ],
    )
    def test_closed_form_of_the_reference(self, kind, words):
        given = ("--set", f"reference.kind={kind}")
        if kind != "step":
            given += ("--set", "reference.velocity=84 mm/s")
        text = run("check", DEMO, *given).stdout
        assert f"reference   {kind}: " in text
        assert words in text

    def test_closed_form_of_stages(self):
        # 2 mm - 0.1 mm + 9e-6/0.6 = 1.915 mm if the creep velocity is reached: from 84 mm/s at
        # 5 m/s2 that takes (7.056e-3 - 9e-6)/10 = 0.70 mm; left are 0.1 mm - 0.0009 mm
        words = {"kind": "staged", "creep_velocity": "3 mm/s", "creep_distance": "2 mm"}
        words |= {"stop_distance": "0.1 mm", "deceleration": "5 m/s2", "velocity": "84 mm/s"}
        given = [part for k, v in words.items() for part in ("--set", f"reference.{k}={v}")]
        text = run("check", DEMO, *given).stdout
        # 2 mm - 0.1 mm + 9e-6/10 m = 1.9009 mm, four figures
        assert "stops from 84 mm/s in 1.901 mm; this move peaks at 84 mm/s (closed form" in text
        assert "comes to rest 99.1 um short of the target" in text

    def test_values_on_the_command_line_are_those_of_a_file(self, tmp_path, demo):
        changes = {"controller.velocity_gain": "15 1/s", "valve.rated_flow": "1.2 m3/h"}
        file = tmp_path / "axis.toml"
        file.write_text(edit(TEXT, changes), encoding="utf-8")
        words = [part for path, value in changes.items() for part in ("--set", f"{path}={value}")]
        one = strict_json(run("move", DEMO, "--json", *words).stdout)
        other = strict_json(run("move", str(file), "--json").stdout)
        assert one.pop("file") == DEMO
        assert other.pop("file") == str(file)
        assert one == other
        assert one["parameters"]["valve"]["rated_flow"] == pytest.approx(1.2 / 3600.0, rel=1e-15)
        assert one["metrics"] != demo["metrics"]

    def test_seed(self, demo):
        same = strict_json(run("move", DEMO, "--json", "--seed", "1").stdout)
        again = strict_json(run("move", DEMO, "--json", "--seed", "2").stdout)
        assert demo["parameters"]["move"]["seed"] == 1
        assert same == demo
        assert again["seed"] == 2
        assert again["metrics"] != demo["metrics"]

    def test_events_are_sentences(self):
        text = run("move", DEMO, "--set", "reference.velocity=200 mm/s").stdout
        assert "event       valve_saturation: The command is at its limit for " in text
        assert "warning     " in text


class TestJson:
    def test_is_the_only_thing_on_stdout(self):
        result = run("move", DEMO, "--json", *SHORT)
        assert result.stdout.startswith("{")
        strict_json(result.stdout)
        assert "not a release to run" in result.stderr

    def test_keys(self, demo):
        assert list(demo)[:5] == ["servosim", "file", "parameters", "status", "metrics"]
        assert {"warnings", "derived"} <= set(demo)
        assert demo["servosim"] == version("servosim")
        assert demo["file"] == DEMO

    def test_parameters_are_si_values(self, demo):
        p = demo["parameters"]
        assert p["supply"]["pressure"] == 140e5
        assert p["supply"]["return_pressure"] == 2e5
        assert p["cylinder"]["bore_diameter"] == 0.08
        assert p["oil"]["temperature"] == 40 + 273.15
        assert p["oil"]["free_air"] == 0.005
        # 90 Hz are 180 pi rad/s, 16 L/min are 16/60000 m3/s
        assert p["valve"]["natural_frequency"] == pytest.approx(180 * np.pi, rel=1e-15)
        assert p["valve"]["rated_flow"] == pytest.approx(16 / 60000, rel=1e-15)
        assert p["title"].startswith("Tube-sheet")
        assert "creep_velocity" not in p["reference"]

    def test_status(self, demo):
        status = demo["status"]
        assert (status["name"], status["code"]) == ("COMPLETE", 0)
        assert status["time"] == pytest.approx(4.5, abs=1e-9)
        assert status["message"].startswith("The move ran to its end")
        names = {"kind", "time", "state", "value", "limit", "samples", "sentence"}
        assert all(set(event) == names for event in status["events"])

    def test_metrics_are_those_of_the_library(self, demo):
        found = servosim.metrics(servosim.simulate(servosim.read_axis(DEMO)))
        assert list(demo["metrics"]) == list(found)
        for name, metric in found.items():
            assert demo["metrics"][name] == dataclasses.asdict(metric)

    def test_derived_numbers(self, demo):
        found = {name: one["value"] for name, one in demo["derived"].items()}
        area = np.pi / 4 * (0.08**2 - 0.045**2)
        assert found["area_a"] == pytest.approx(area, rel=1e-12)
        assert found["area_b"] == pytest.approx(area, rel=1e-12)
        # null leakage as stated by the file, whose rating pressure and temperature it has
        assert found["null_leakage"] == pytest.approx(0.45 / 60000, rel=1e-9)
        # with two like lands in series, p_S - p_T = 138 bar at no load: v = K sqrt(dp/2)/A
        v = found["flow_coefficient_a"] * np.sqrt(138e5 / 2) / area
        assert found["velocity_gain_extending"] == pytest.approx(v, rel=1e-9)
        # rated flow at rated drop, 35 bar over each land, opened by 1 - 0.5 % of overlap:
        # the effective opening is (o + sqrt(o^2 + 4 c^2))/2
        opening = (0.995 + np.sqrt(0.995**2 + 4 * found["clearance"] ** 2)) / 2
        flow = found["flow_coefficient_a"] * opening * np.sqrt(35e5)
        assert flow == pytest.approx(16 / 60000, rel=1e-9)
        assert all(one["unit"] and one["definition"] for one in demo["derived"].values())

    def test_warnings(self):
        words = ("--set", "reference.velocity=200 mm/s", *SHORT)
        found = strict_json(run("move", DEMO, "--json", *words).stdout)["warnings"]
        # nor does the move last as long as its reference
        assert [text.split(":")[0] for text in found] == [
            f"{DEMO} [reference] velocity",
            f"{DEMO} [move] duration",
        ]
        assert "200 mm/s is faster" in found[0]

    def test_reference(self, demo):
        found = demo["reference"]
        time = 0.0847 / 0.3 + 0.3 / 4.0  # v/d + d/j
        assert found["stopping_distance"] == pytest.approx(0.0847 / 2 * time, rel=1e-12)
        assert found["stopping_time"] == pytest.approx(time, rel=1e-12)

    def test_infinite_values_are_null(self):
        words = {"kind": "staged", "creep_velocity": "3 mm/s", "creep_distance": "2 mm"}
        words |= {"stop_distance": "1 mm", "deceleration": "5 m/s2"}
        given = [part for k, v in words.items() for part in ("--set", f"reference.{k}={v}")]
        found = strict_json(run("move", DEMO, "--json", *given, *SHORT).stdout)
        assert found["reference"]["move_time"] is None


class TestFiles:
    def test_traces_as_text(self, tmp_path):
        path = tmp_path / "move.csv"
        run("move", DEMO, *SHORT, "--data", str(path))
        with path.open(encoding="utf-8", newline="") as stream:
            header, *rows = csv.reader(stream)
        moved = servosim.simulate(servosim.read_axis(DEMO, {"move.duration": "0.3 s"}))
        assert header[:2] == ["time [s]", "table_position [m]"]
        values = np.array(rows, dtype=float)
        assert len(values) == 301
        assert np.array_equal(values[:, 1], moved.state("table_position"))
        assert [one.name for one in tmp_path.iterdir()] == ["move.csv"]

    def test_traces_as_netcdf(self, tmp_path):
        path = tmp_path / "move.NC"
        run("move", DEMO, *SHORT, "--data", str(path))
        moved = servosim.simulate(servosim.read_axis(DEMO, {"move.duration": "0.3 s"}))
        with xarray.open_dataset(path, engine="h5netcdf") as data:
            assert np.array_equal(data["table_position"].values, moved.state("table_position"))
            assert data["table_position"].attrs["units"] == "m"
        assert [one.name for one in tmp_path.iterdir()] == ["move.NC"]

    @pytest.mark.parametrize(
        ("name", "start"), [("a.png", b"\x89PNG"), ("a.svg", b"<?xml"), ("a.PDF", b"%PDF")]
    )
    def test_figure(self, name, start, tmp_path):
        run("move", DEMO, *SHORT, "--figure", str(tmp_path / name))
        assert (tmp_path / name).read_bytes().startswith(start)
        assert [one.name for one in tmp_path.iterdir()] == [name]

    def test_files_are_named_on_stderr(self, tmp_path):
        path = tmp_path / "move.csv"
        result = run("move", DEMO, "--json", *SHORT, "--data", str(path))
        assert f"written: {path}" in result.stderr
        strict_json(result.stdout)

    def test_a_file_is_replaced(self, tmp_path):
        path = tmp_path / "move.csv"
        path.write_text("old", encoding="utf-8")
        run("move", DEMO, *SHORT, "--data", str(path))
        assert path.read_text(encoding="utf-8").startswith("time [s],")

    def test_a_folder_that_vanishes_during_the_run(self, tmp_path, monkeypatch):
        folder = tmp_path / "gone"
        folder.mkdir()
        simulate = servosim.simulate

        def vanishing(*arguments, **options):
            folder.rmdir()
            return simulate(*arguments, **options)

        monkeypatch.setattr(sys.modules["servosim.simulate"], "simulate", vanishing)
        result = run("move", DEMO, *SHORT, "--data", str(folder / "move.csv"), code=1)
        assert "not written: " in result.stderr
        assert "status      COMPLETE" in result.stdout


class TestBrokenRuns:
    @pytest.fixture
    def failing(self, monkeypatch):
        """Let every run break off after so many samples, as if a state had blown up."""

        def breaking_off(samples: int) -> None:
            whole = servosim.simulate

            def simulate(axis, **options):
                assert options["on_failure"] == "return"
                found = whole(axis, **options)
                return dataclasses.replace(
                    found,
                    status=servosim.Status.NOT_FINITE,
                    message="The state stopped being a finite number.",
                    time=found.time[:samples],
                    states=found.states[:samples],
                    record=found.record[:samples],
                )

            monkeypatch.setattr(sys.modules["servosim.simulate"], "simulate", simulate)

        return breaking_off

    def test_a_run_that_fails_says_why_and_keeps_what_it_has(self, tmp_path, failing):
        failing(100)
        path = tmp_path / "move.csv"
        result = run("move", DEMO, "--data", str(path), code=1)
        assert "status      NOT_FINITE: The state stopped being a finite number." in result.stdout
        assert len(path.read_text(encoding="utf-8").splitlines()) == 101

    def test_a_run_that_fails_prints_json(self, failing):
        failing(100)
        found = strict_json(run("move", DEMO, "--json", code=1).stdout)
        assert found["status"]["name"] == "NOT_FINITE"
        assert found["status"]["code"] == 1
        assert found["status"]["time"] == pytest.approx(0.099, abs=1e-12)
        assert found["metrics"]["settling_time"]["value"] is None

    def test_a_run_without_samples_writes_nothing(self, tmp_path, failing):
        failing(0)
        words = ("--data", str(tmp_path / "move.csv"), "--figure", str(tmp_path / "move.png"))
        result = run("move", DEMO, *words, code=1)
        assert "nothing was computed that could be written" in result.stderr
        assert list(tmp_path.iterdir()) == []

    def test_a_real_failure(self):
        """A piston that runs into a chamber without any volume."""
        sets = {"dead_volume_a": "1e-6 cm3", "line_volume_a": "1e-6 cm3"}
        words = [one for k, v in sets.items() for one in ("--set", f"cylinder.{k}={v}")]
        words += ["--set", "move.start=0 mm", "--json"]
        result = runner.invoke(app, ["move", DEMO, *words])
        found = strict_json(result.stdout)
        assert result.exit_code == (0 if found["status"]["name"] == "COMPLETE" else 1)

    def test_an_interruption_keeps_what_it_has(self, tmp_path, monkeypatch):
        def interrupt(done: int, total: int) -> None:
            if done > 0:
                raise KeyboardInterrupt

        @contextmanager
        def watching(on: bool):
            yield interrupt

        monkeypatch.setattr(cli, "_watching", watching)
        path = tmp_path / "move.csv"
        words = ("--set", "move.duration=120 s", "--data", str(path))
        result = run("move", DEMO, *words, code=130)
        assert "status      INTERRUPTED: The move was interrupted at " in result.stdout
        assert "what was computed is kept" in result.stdout
        last = path.read_text(encoding="utf-8").splitlines()[-1]
        assert 0.0 < float(last.split(",")[0]) < 120.0

    @pytest.mark.skipif(
        threading.current_thread() is not threading.main_thread(), reason="signals reach it alone"
    )
    def test_the_signal_of_an_interruption(self, monkeypatch):
        handlers = []

        @contextmanager
        def watching(on: bool):
            def show(done: int, total: int) -> None:
                if done > 0 and not handlers:
                    handlers.append(signal.getsignal(signal.SIGINT))
                    signal.raise_signal(signal.SIGINT)

            yield show

        before = signal.getsignal(signal.SIGINT)
        monkeypatch.setattr(cli, "_watching", watching)
        result = run("move", DEMO, "--set", "move.duration=120 s", "--json", code=130)
        assert strict_json(result.stdout)["status"]["name"] == "INTERRUPTED"
        assert "stopping; once more to stop at once" in result.stderr
        assert handlers != [before]
        assert signal.getsignal(signal.SIGINT) is before

    def test_an_interruption_while_reading(self, monkeypatch):
        def interrupt(*_):
            raise KeyboardInterrupt

        monkeypatch.setattr(cli, "_read", interrupt)
        result = run("move", DEMO, code=130)
        assert result.stderr == "interrupted; nothing was written\n"
        assert result.stdout == ""


class TestProgress:
    def test_is_silent_without_a_terminal(self, capsys):
        with cli._watching(False) as show:
            show(1, 2)
        assert capsys.readouterr() == ("", "")

    @pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs a terminal of POSIX")
    def test_is_shown_on_a_terminal_on_stderr_alone(self, monkeypatch):
        own, other = os.openpty()
        with os.fdopen(other, "w", encoding="utf-8") as terminal:
            monkeypatch.setattr(sys, "stderr", terminal)
            monkeypatch.setenv("TERM", "xterm")
            with cli._watching(True) as show:
                show(0, 4501)
                show(1200, 4501)
            text = ""
            while "sample 1200" not in text and select.select([own], [], [], 1.0)[0]:
                text += os.read(own, 65536).decode("utf-8", errors="replace")
        os.close(own)
        assert "simulating, sample 1200 of 4501" in text

    def test_the_commands_ask_for_it_only_on_a_terminal(self, monkeypatch):
        asked = []
        watching = cli._watching

        def noting(on: bool):
            asked.append(on)
            return watching(False)

        monkeypatch.setattr(cli, "_watching", noting)
        run("move", DEMO, *SHORT)
        run("move", DEMO, *SHORT, "--json")
        assert asked == [False, False]


class TestCheck:
    def test_prints_numbers_that_follow_from_the_file(self):
        text = run("check", DEMO).stdout
        assert "  area a                    34.36 cm2" in text
        assert text.endswith("no faults, no warnings\n")

    @pytest.mark.parametrize("path", AXIS_FILES, ids=lambda p: p.stem)
    def test_takes_every_demonstration_file(self, path):
        assert "no faults" in run("check", str(path)).stdout


class TestSchema:
    def test_is_the_json_schema_of_the_library(self):
        found = strict_json(run("schema").stdout)
        assert found == servosim.schema(AxisFile)
        jsonschema.Draft202012Validator.check_schema(found)

    @pytest.mark.parametrize("table", list(params.places_of(AxisFile)))
    def test_of_one_table(self, table):
        whole = servosim.schema(AxisFile)
        reference = whole["properties"][table]["$ref"].rsplit("/", 1)[1]
        assert strict_json(run("schema", table).stdout) == whole["$defs"][reference]

    def test_as_text(self):
        text = run("schema", "lock", "--text").stdout
        lines = text.splitlines()
        assert lines[0].startswith("[lock] ")
        (line,) = [one for one in lines if one.startswith("  dwell: ")]
        assert "Unit ms, at least 0 ms and at most 10 s. Read if trigger is window_dwell." in line

    def test_as_text_of_all_tables(self):
        lines = run("schema", "--text").stdout.splitlines()
        tables = [line.split("]")[0][1:] for line in lines if line.startswith("[")]
        assert tables == list(params.places_of(AxisFile))


class TestDiff:
    def test_of_equal_values_in_other_spellings(self, tmp_path):
        other = tmp_path / "other.toml"
        other.write_text(edit(TEXT, {"supply.pressure": "14 MPa"}), encoding="utf-8")
        assert run("diff", DEMO, str(other)).stdout == "no difference in value\n"

    def test_names_each_value(self, tmp_path):
        changes = {"supply.pressure": "139 bar", "window.half_width": "6 um"}
        other = tmp_path / "other.toml"
        other.write_text(edit(TEXT, changes), encoding="utf-8")
        assert run("diff", DEMO, str(other)).stdout.splitlines() == [
            "[supply] pressure: 140 bar -> 139 bar",
            "[window] half_width: 5 um -> 6 um",
        ]


class TestAround:
    def test_version(self):
        assert run("--version").stdout == f"servosim {version('servosim')}\n"

    def test_as_a_module(self):
        words = [sys.executable, "-m", "servosim", "check", DEMO]
        done = subprocess.run(words, capture_output=True, text=True, check=True)
        assert done.stdout == run("check", DEMO).stdout
        assert done.stderr == ""

    def test_help_names_the_commands_and_the_caution(self):
        text = run("--help").stdout
        for word in ("move", "check", "schema", "diff", "--version", "not a release to run"):
            assert word in text

    def test_nothing_asked_is_answered_by_the_help(self):
        assert "Usage: " in run(code=2).output


class TestShown:
    @pytest.mark.parametrize(
        ("value", "unit", "text"),
        [
            (4.2e-6, "m", "4.2 um"),
            (-0.9996e-3, "m", "-999.6 um"),
            (0.15, "m", "150 mm"),
            (0.0, "m", "0 um"),
            (0.084, "m/s", "84 mm/s"),
            (1e-8, "m/s", "0.6 um/min"),
            (2e-5, "m/s", "0.02 mm/s"),
            (0.0, "m/s", "0 mm/s"),
            (1.4e7, "Pa", "140 bar"),
            (1 / 6e4, "m3/s", "1 L/min"),
            (7773.0, "J", "7.773 kJ"),
            (2.1183, "s", "2.118 s"),
            (0.25, "1", "0.25"),
            (None, "m", "-"),
            (float("nan"), "m", "-"),
            (float("inf"), "s", "never"),
        ],
    )
    def test_units_of_the_trade(self, value, unit, text):
        assert shown(value, unit) == text

    def test_strict_values(self):
        given = {"a": np.float64(1.5), "b": (float("inf"), np.int64(3)), "c": None, "d": True}
        assert strict(given) == {"a": 1.5, "b": [None, 3], "c": None, "d": True}
        assert json.dumps(strict(given), allow_nan=False)
