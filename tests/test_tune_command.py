"""The command ``tune``: what it asks for, prints, writes and returns."""

from __future__ import annotations

import dataclasses
import json
import math
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from typer.testing import CliRunner

import servosim
from servosim.cli import app
from servosim.commands import tune_command, tune_summary
from servosim.tuning import run as tuning_run
from servosim.tuning.demands import Demands, Effort
from servosim.tuning.result import (
    Assessment,
    Constraint,
    Diagnosis,
    HardwareChange,
    LoopStage,
    SheetRow,
    Spread,
    Stretch,
    StrokePoint,
    TradeOffPoint,
    Tuned,
)

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "params/tube_sheet_table.toml"
RIG = ROOT / "params/teaching_rig.toml"
runner = CliRunner()


def run(*words, code=0):
    """Run the command and check its exit code."""
    result = runner.invoke(app, ["tune", *map(str, words)])
    assert result.exit_code == code, result.output
    assert "Traceback" not in result.output
    return result


def refuse_constant(name):
    raise AssertionError(f"{name} is not strict JSON")


def assessment(settling, overshoot, margin):
    """Return figures and two demands; overshoot within 0.5 um, 6 dB of gain margin."""
    where = "workpiece 500 kg, 96 mm to 400 mm"
    six = 10 ** (6 / 20)
    return Assessment(
        {
            "settling_time": Spread(settling, 0.9 * settling, "s", "s", where),
            "overshoot": Spread(overshoot, math.nan, "m", "um", where),
            "gain_margin_command": Spread(margin, 2 * margin, "1", "dB", "rest at 250 mm"),
        },
        (
            Constraint(
                "overshoot", "overshoot of the table", overshoot, 0.5e-6, "m", "um", True,
                1.0 - overshoot / 0.5e-6, where,
            ),
            Constraint(
                "gain_margin_command", "gain margin at the valve", margin, six, "1", "dB", False,
                margin / six - 1.0, "rest at 250 mm",
            ),
        ),
        120,
    )  # fmt: skip


def tuned_of(axis=None, *, feasible=True, **changes):
    """Return a tuning made by hand: velocity gain 22 to 30 1/s."""
    axis = axis or servosim.read_axis(DEMO)
    row = SheetRow(
        2, "controller.velocity_gain", "velocity gain", "Kv", 22.0, 30.0, "1/s", "22 1/s", "30 1/s",
        "2.1 %/mm", "0.21 V/mm", "turns a position error into a velocity",
        "gain margin at the valve, rest at 250 mm", "raise from 10 1/s in steps of a tenth",
    )  # fmt: skip
    first = dataclasses.replace(
        row, order=1, key="controller.high_pass_frequency", name="high pass", symbol="",
        text_before="6 Hz", text="6 Hz", command="", signal="",
    )  # fmt: skip
    change = HardwareChange(
        "twice the valve bandwidth", {}, 2.2, 0.25, 0.0, 41.0, 48.0, "flow as before"
    )
    values = {
        "axis": axis.replace({"controller.velocity_gain": 30.0}),
        "original": axis,
        "demands": dataclasses.replace(Demands().of(axis), stroke=(0.1, 0.6)),
        "changes": {"controller.velocity_gain": 30.0},
        "texts": {"controller.velocity_gain": "30 1/s"},
        "before": assessment(2.8, 3e-6, 3.0),
        "after": assessment(2.45, 0.4e-6 if feasible else 0.9e-6, 2.5),
        "loops": (LoopStage("load_pressure", {}, 33.0, "gain margin, rest at 250 mm"),),
        "stretches": (
            Stretch(0.0, 0.7, 0.0, "none"),
            Stretch(0.1, 0.6, 31.0, "load_pressure"),
        ),
        "along_stroke": (
            StrokePoint(0.0, 0.5, -0.1, False),
            StrokePoint(0.35, 2.0, math.pi / 3, True),
        ),
        "trade_off": (
            TradeOffPoint(20.0, 2.9, 0.2e-6, 1.0, 3.5, 1.2, True, False),
            TradeOffPoint(30.0, 2.45, 0.4e-6, 1.0, 2.5, 1.1, True, True),
            TradeOffPoint(40.0, math.nan, 4e-6, 0.75, 1.5, 0.9, False, False),
        ),
        "sheet": (row, first),
        "diagnosis": Diagnosis((), ("The gain margin at the valve limits the gain.",), (change,)),
        "feasible": feasible,
        "failures": () if feasible else ("overshoot of the table 0.9 um, at most 0.5 um",),
        "notes": ("Margins are those of 7 positions.",),
        "moves": 4321,
    }
    return Tuned(**{**values, **changes})


@pytest.fixture
def asked(monkeypatch):
    """Let the command find a tuning made by hand, and tell what it asked for."""
    seen = {}

    def fake(axis, **options):
        seen.update(options, axis=axis)
        return tuned_of(axis, **seen.get("changes", {}))

    monkeypatch.setattr(tuning_run, "tune", fake)
    return seen


class TestOptions:
    def test_demands_are_read_with_their_units(self, asked):
        words = ["--gain-margin", "8 dB", "--phase-margin", "50 deg", "--overshoot", "2 um"]
        words += ["--resting-error", "0.004 mm", "--pressure", "180 bar", "--directions", "own"]
        words += ["--settling-time", "2500 ms", "--seed", "7", "--workers", "2"]
        words += ["--stroke", "100 mm to 0.5 m"]
        run(DEMO, *words, "--effort", "quick", "--set", "controller.velocity_gain=20 1/s")
        demands = asked["demands"]
        assert demands.gain_margin == pytest.approx(10**0.4)
        assert demands.phase_margin == pytest.approx(50 * math.pi / 180)
        assert (demands.overshoot, demands.resting_error) == pytest.approx((2e-6, 4e-6))
        assert demands.pressure == pytest.approx(180e5)
        assert demands.settling_time == pytest.approx(2.5)
        assert demands.directions == "own"
        assert demands.stroke == pytest.approx((0.1, 0.5))
        assert (asked["seed"], asked["workers"]) == (7, 2)
        assert asked["effort"].population < Effort().population
        assert asked["axis"].file.controller.velocity_gain == 20.0

    def test_nothing_asked_are_the_defaults(self, asked):
        run(DEMO)
        assert asked["demands"] == Demands()
        assert asked["effort"] == Effort()
        assert asked["seed"] == 0 and asked["workers"] >= 1

    @pytest.mark.parametrize(
        ("words", "said"),
        [
            (["--gain-margin", "much"], "--gain-margin: 'much' is no number of decibels"),
            (["--gain-margin", "-3 dB"], "--gain-margin: "),
            (["--gain-margin", "nan"], "--gain-margin: 'nan' is no gain margin"),
            (["--phase-margin", "45"], "--phase-margin: '45' has no unit"),
            (["--phase-margin", "120 deg"], "--phase-margin: "),
            (["--overshoot", "2 bar"], "--overshoot: '2 bar' is a pressure"),
            (["--overshoot", "-2 um"], "--overshoot: "),
            (["--stroke", "100 mm"], "--stroke: '100 mm' is no range; write such as '100 mm to"),
            (["--stroke", "100 mm to 50"], "--stroke: '50' has no unit"),
            (["--stroke", "500 mm to 100 mm"], "--stroke: "),
            (["--stroke", "100 mm to 900 mm"], "--stroke: 0.9 m is outside the stroke"),
            (["--directions", "up"], "--directions: "),
            (["--effort", "huge"], "--effort: 'huge' is not known; expected one of quick"),
            (["--seed", "1.5"], "--seed: '1.5' is no seed"),
            (["--output", "a.json"], "--output: 'a.json' has no known suffix; expected .toml"),
            (["--output", str(DEMO)], "is the file that is read"),
            (["--figure", "a.gif"], "--figure: 'a.gif' has no known suffix"),
            (["--set", "controller.velocity_gian=2 1/s"], "velocity_gain"),
        ],
    )
    def test_faults_are_told_and_nothing_runs(self, words, said, monkeypatch):
        monkeypatch.setattr(tuning_run, "tune", None)
        result = run(DEMO, *words, code=2)
        assert said in result.stderr and result.stdout == ""

    def test_faults_of_options_and_file_come_together(self):
        text = run(DEMO, "--overshoot", "x", "--seed", "x", "--set", "a.b=1", code=2).stderr
        assert "--overshoot" in text and "--seed" in text and "a.b" in text

    def test_a_file_that_is_not_there(self, tmp_path):
        assert "no such file" in run(tmp_path / "none.toml", code=2).stderr


@pytest.fixture(scope="module")
def text():
    """What is printed of a tuning made by hand."""
    return "\n".join(tune_summary.summary(tuned_of()))


@pytest.fixture(scope="module")
def rows(text):
    """The same, a blank between words."""
    return [" ".join(line.split()) for line in text.splitlines()]


class TestText:
    def test_sheet_is_in_the_order_of_entering(self, rows):
        first, second = (next(k for k, row in enumerate(rows) if row.startswith(n)) for n in "12")
        assert first < second
        assert rows[first] == "1 high pass: 6 Hz (unchanged) [controller.high_pass_frequency]"
        assert rows[second] == (
            "2 velocity gain Kv: 22 1/s -> 30 1/s = 2.1 %/mm, 0.21 V/mm [controller.velocity_gain]"
        )
        assert "limited by gain margin at the valve, rest at 250 mm" in rows
        assert "enter raise from 10 1/s in steps of a tenth" in rows

    def test_figures_before_and_after(self, rows):
        place = rows.index("settling time 2.8 s 2.52 s 2.45 s 2.205 s")
        assert rows[place + 1] == "workpiece 500 kg, 96 mm to 400 mm"
        assert "overshoot 3 um - 0.4 um -" in rows
        # 3, 6, 2.5 and 5 as ratios are 20 lg of them in decibels
        assert "gain margin command 9.542 dB 15.56 dB 7.959 dB 13.98 dB" in rows

    def test_demands(self, rows):
        place = rows.index("overshoot of the table at most 0.5 um 3 um 0.4 um 20 % met")
        assert rows[place + 1] == "workpiece 500 kg, 96 mm to 400 mm"
        # 2.5/1.9953 - 1 = 25.3 %
        row = "gain margin at the valve at least 6 dB 9.542 dB 7.959 dB 25.3 % met"
        assert rows[rows.index(row) + 1] == "rest at 250 mm"

    def test_trade_off_and_diagnosis(self, rows):
        assert "20 1/s 2.9 s 0.2 um 100 % 10.88 dB 68.75 deg" in rows
        assert "30 1/s 2.45 s 0.4 um 100 % 7.959 dB 63.03 deg proposed" in rows
        assert "40 1/s - 4 um 75 % 3.522 dB 51.57 deg demands not met" in rows
        assert "limits The gain margin at the valve limits the gain." in rows
        assert ("twice the valve bandwidth 2.2 s 250 ms 41 1/s up to 48 1/s flow as before") in rows
        place = rows.index("load pressure 33 1/s")
        assert rows[place + 1] == "stopped by gain margin, rest at 250 mm"

    def test_stroke(self, rows):
        assert "holds for 100 mm to 600 mm of the stroke" in rows
        assert "0 mm to 700 mm none no stabilising feedback" in rows
        assert "100 mm to 600 mm 31 1/s load pressure" in rows
        # 20 lg 0.5 = -6.021 dB; pi/3 are 60 deg
        assert "0 mm -6.021 dB -5.73 deg UNSTABLE" in rows
        assert "350 mm 6.021 dB 60 deg" in rows

    def test_status_and_cautions(self, text, rows):
        assert any(row.startswith("status FEASIBLE: every demand is met") for row in rows)
        assert "4321 moves simulated" in text
        assert "note        Margins are those of 7 positions." in text
        assert "not a release to run" in text and "isolate the supply" in " ".join(rows)
        assert max(len(line) for line in text.splitlines() if "  enter" in line) <= 100

    def test_gains_that_miss_a_demand_are_called_so(self):
        rows = [" ".join(x.split()) for x in tune_summary.summary(tuned_of(feasible=False))]
        assert any(row.startswith("status NOT FEASIBLE: no gains were found") for row in rows)
        assert "not met overshoot of the table 0.9 um, at most 0.5 um" in rows
        assert any("-80 % NOT MET" in row for row in rows)

    def test_what_was_not_worked_out_is_left_out(self):
        bare = tuned_of(
            loops=(),
            stretches=(),
            along_stroke=(),
            trade_off=(),
            sheet=(),
            diagnosis=Diagnosis((), (), ()),
        )
        text = "\n".join(tune_summary.summary(bare))
        assert "no gain is changed" in text
        assert "trade-off" not in text and "hardware" not in text and "by margins" not in text


class TestOutput:
    def test_json_is_strict_and_alone(self, asked):
        result = run(DEMO, "--json", "--seed", "3")
        found = json.loads(result.stdout, parse_constant=refuse_constant)
        assert list(found)[:5] == ["servosim", "file", "title", "seed", "warnings"]
        assert found["seed"] == 3 and found["feasible"] is True
        assert found["changes"] == {"controller.velocity_gain": 30.0}
        assert found["trade_off"][2]["settling_time"] is None
        assert found["after"]["figures"]["overshoot"]["worst"] == 0.4e-6
        assert "not a release to run" in result.stderr

    def test_files(self, asked, tmp_path):
        file, page = tmp_path / "tuned.toml", tmp_path / "page.png"
        said = run(DEMO, "--output", file, "--figure", page).stderr
        assert f"written: {file}" in said and f"written: {page}" in said and "beware" not in said
        assert page.read_bytes().startswith(b"\x89PNG")
        head, text = file.read_text(encoding="utf-8").split("\n\n", 1)
        assert head.startswith("# Gains tuned by servosim") and "not a release to run" in head
        assert all(line.startswith("# ") for line in head.splitlines())
        # the same file with its comments, but for the value
        before = DEMO.read_text(encoding="utf-8").splitlines()
        differing = [(a, b) for a, b in zip(before, text.splitlines(), strict=True) if a != b]
        assert [b.split("#")[0].strip() for _, b in differing] == ['velocity_gain = "30 1/s"']
        assert servosim.read_axis(file).file.controller.velocity_gain == 30.0
        assert sorted(one.name for one in tmp_path.iterdir()) == ["page.png", "tuned.toml"]

    def test_gains_that_miss_a_demand_give_one_and_say_so_in_the_file(self, asked, tmp_path):
        asked["changes"] = {"feasible": False}
        result = run(DEMO, code=1)
        assert "NOT FEASIBLE" in result.stdout and "written" not in result.stderr
        file = tmp_path / "tuned.toml"
        result = run(DEMO, "--output", file, code=1)
        assert f"beware: {file} does not meet every demand" in result.stderr
        head = file.read_text(encoding="utf-8").splitlines()[:2]
        assert "do NOT meet every demand" in head[0]
        assert head[1] == "# - overshoot of the table 0.9 um, at most 0.5 um"
        assert servosim.read_axis(file).file.controller.velocity_gain == 30.0

    def test_an_output_that_cannot_be_written(self, asked, tmp_path, monkeypatch):
        from servosim.tuning.result import Tuned

        def full(self):
            raise OSError(28, "No space left on device")

        monkeypatch.setattr(Tuned, "text", full)
        result = run(DEMO, "--output", tmp_path / "a.toml", code=1)
        assert "not written: " in result.stderr and "status      FEASIBLE" in result.stdout
        assert list(tmp_path.iterdir()) == []


class TestInterrupts:
    def test_what_was_found_is_kept_and_called_so(self, asked, tmp_path):
        asked["changes"] = {"interrupted": True, "feasible": False}
        file = tmp_path / "tuned.toml"
        result = run(DEMO, "--output", file, code=130)
        assert "INTERRUPTED: the best gains found until then" in result.stdout
        assert "beware" in result.stderr and file.exists()

    def test_before_anything_was_found(self, monkeypatch):
        def interrupt(axis, **options):
            raise KeyboardInterrupt

        monkeypatch.setattr(tuning_run, "tune", interrupt)
        assert "interrupted; nothing was written" in run(DEMO, code=130).stderr

    @pytest.mark.skipif(os.name == "nt", reason="needs signals of POSIX")
    def test_a_signal_stops_it(self, tmp_path):
        words = [sys.executable, "-u", "-m", "servosim", "tune", str(RIG), "--effort", "thorough"]
        process = subprocess.Popen(
            words, stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT
        )
        try:
            time.sleep(5.0)  # by then it either runs or still reads: both may be stopped
            process.send_signal(signal.SIGINT)
            out, said = process.communicate(timeout=180)
        finally:
            process.kill()
        assert process.returncode == 130, (out, said)
        assert "Traceback" not in said
        assert "INTERRUPTED" in out or "nothing was written" in said


class TestProgress:
    def test_time_left_is_that_of_the_stage(self):
        now = iter([10.0, 14.0, 20.0])
        clock = tune_command._Clock(lambda: next(now))
        assert clock.text("searching", 0, 24) == "searching, 0 of 24"
        # 6 of 24 in 4 s: 18 more take 12 s
        assert clock.text("searching", 6, 24) == "searching, 6 of 24, 12 s left"
        assert clock.text("checking", 5, 5) == "checking, 5 of 5"


class TestWhole:
    def test_from_file_to_file(self, tmp_path, monkeypatch):
        """A very short search: what the file says is what was found, met or not."""
        few = {"population": 6, "generations": 2, "cases": 2, "seeds": 1, "rounds": 1}
        few |= {"trade_off": 3, "hardware": 0, "positions": 2}
        monkeypatch.setitem(tune_command._EFFORTS, "quick", few)
        file = tmp_path / "tuned.toml"
        words = ("--effort", "quick", "--json", "--output", file)
        result = runner.invoke(app, ["tune", str(RIG), *map(str, words)])
        assert result.exit_code in (0, 1), result.output
        found = json.loads(result.stdout, parse_constant=refuse_constant)
        assert result.exit_code == (0 if found["feasible"] else 1)
        assert found["changes"]
        axis = servosim.read_axis(file)
        for path, value in found["changes"].items():
            table, key = path.split(".")
            now = getattr(getattr(axis.file, table), key)
            assert now == value if isinstance(value, str) else now == pytest.approx(value)
        kept = [one["slack"] >= 0.0 for one in found["after"]["constraints"]]
        assert all(kept) == found["feasible"]
        assert [point["chosen"] for point in found["trade_off"]].count(True) == 1


def test_numbers_for_people():
    text = tune_summary.quantity_text
    assert text(math.inf, "dB") == "without limit" and text(0.0, "dB") == "none"
    assert text(math.pi / 4, "deg") == "45 deg"
    assert text(1.4e7, "bar") == "140 bar"
