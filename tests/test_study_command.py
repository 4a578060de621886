"""The command ``study``: what it prints, writes and returns."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import xarray
from study_cases import grid_result, sampled_result
from typer.testing import CliRunner

import servosim
from servosim._definitions import DEFINITIONS
from servosim.cli import app
from servosim.commands import study_command, study_summary
from servosim.studies.run import Progress

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "params/tube_sheet_table.toml"
STUDY = f"""
title = "Gain of a short move"
axis = "{DEMO}"
seed = 3
noise = "varied"

[move]
duration = "0.4 s"

[[vary]]
parameter = "controller.velocity_gain"
values = ["15 1/s", "22 1/s", "30 1/s"]

[limits]
pressure_max = {{ high = "200 bar" }}
flow_peak = {{ high = "1 L/min" }}
"""
runner = CliRunner()


def run(*words, code=0):
    """Run a command and check its exit code."""
    result = runner.invoke(app, ["study", *map(str, words)])
    assert result.exit_code == code, result.output
    assert "Traceback" not in result.output
    return result


@pytest.fixture
def file(tmp_path):
    """Return the path of a small study file."""
    path = tmp_path / "gain.toml"
    path.write_text(STUDY, encoding="utf-8")
    return path


def refuse_constant(name):
    raise AssertionError(f"{name} is not strict JSON")


class TestSummary:
    def test_says_what_ran_and_how_it_went(self, file):
        text = run(file).stdout
        lines = text.splitlines()
        assert lines[0] == str(file)
        assert lines[1] == "  Gain of a short move"
        assert "cases       3: 3 values of velocity gain" in lines
        assert "run         3 to their end, none failed" in lines
        rows = [" ".join(line.split()) for line in lines]
        assert "pressure max at most 200 bar 3 of 3 100 % -" in rows
        assert "flow peak at most 1 L/min 0 of 3 0 % -" in rows
        assert "all of them 0 of 3 0 % -" in rows
        assert "a count over the grid (velocity gain), not a chance" in text
        assert f"servosim study {file} --case " in text
        assert "not a release to run" in lines[-1]

    def test_figures_are_those_of_the_cases(self, file):
        found = json.loads(run(file, "--json").stdout, parse_constant=refuse_constant)
        axis = servosim.read_axis(DEMO).replace({"move.duration": "0.4 s"})
        highest = []
        for k, case in enumerate(("15 1/s", "22 1/s", "30 1/s")):
            seed = servosim.read_study(file).seeds[k]
            changed = axis.replace({"controller.velocity_gain": case})
            one = servosim.metrics(servosim.simulate(changed, seed=int(seed)))["pressure_max"]
            highest.append(one.value)
        shown = found["percentiles"]["pressure_max"]
        assert (shown["unit"], shown["cases"]) == ("Pa", 3)
        np.testing.assert_allclose(
            [shown["5"], shown["50"], shown["95"]], np.percentile(highest, [5, 50, 95]), rtol=1e-12
        )
        worst = found["worst"]["cases"]
        assert found["worst"]["metric"] == "pressure_max"  # the first with a limit
        assert [one["value"] for one in worst] == sorted(highest, reverse=True)
        assert found["yield"]["overall"] == {
            "passed": 0, "cases": 3, "share": 0.0, "low": None, "high": None,
        }  # fmt: skip
        assert found["cases"] == {"all": 3, "complete": 3, "failed": 0}

    def test_worst_of_another_figure(self, file):
        text = run(file, "--worst", "energy").stdout
        assert "worst of energy" in text
        assert "controller.velocity_gain = " in text

    def test_shares_have_intervals_where_cases_are_drawn(self):
        limits = {"settling_time": {"high": "2.5 s"}}
        result, _, _ = sampled_result(400, limits, missing=[3], status=[2, 4] + [0] * 398)
        share = result.yield_().overall
        text = "\n".join(study_summary.summary(result, "a study.toml"))
        assert 0.1 < share.low < share.share < share.high < 0.9  # one decimal does
        within = f"{100 * share.share:.1f} %  {100 * share.low:.1f} to {100 * share.high:.1f} %"
        assert within in text
        assert "run         398 to their end, 2 failed" in text
        assert "1 case STEP_LIMIT, number 0" in text
        assert "without it: 1 case, number 3" in text
        assert "397 of 400" in text
        assert "servosim study 'a study.toml' --case " in text

    def test_numbers_are_in_practical_units(self):
        result = grid_result({"overshoot": {"high": "5 um"}})
        result.cases.columns["overshoot"][:] = np.linspace(0.0, 22e-6, 12)
        result.cases.columns["flow_peak"][:] = 1e-3 / 6.0
        text = "\n".join(study_summary.summary(result, "s.toml", "flow_peak"))
        assert "at most 5 um" in text
        assert " 11 um " in text  # the median of 0 to 22 um
        assert "10 L/min" in text
        assert "valve.rated_flow = 8 L/min" in text

    def test_nothing_held(self):
        result = grid_result({"overshoot": {"high": "5 um"}}, status=[2] * 12)
        text = "\n".join(study_summary.summary(result, "s.toml"))
        assert "0 to their end, 12 failed" in text
        assert "0 of 12" in text

    @pytest.mark.parametrize(
        ("left", "words"),
        [(None, "12 of 40 cases"), (75.0, "12 of 40 cases, 2 failed, 1 min 15 s left")],
    )
    def test_progress_in_words(self, left, words):
        state = Progress(12, 40, 0 if left is None else 2, 5.0, left)
        assert study_command._progress_text(state) == f"simulating, {words}"


class TestFiles:
    def test_writes_plots_and_data(self, file, tmp_path):
        page, more, data = (tmp_path / name for name in ("a.png", "b.svg", "c.nc"))
        found = run(file, "--figure", page, "--figure", more, "--metric", "energy", "--data", data)
        said = [line for line in found.stderr.splitlines() if line.startswith("written")]
        assert said == [f"written: {path}" for path in (data, page, more)]
        assert page.read_bytes().startswith(b"\x89PNG")
        assert "energy" in more.read_text(encoding="utf-8")
        with xarray.open_dataset(data, engine="h5netcdf") as found:
            assert found.sizes == {"velocity_gain": 3}
            assert set(DEFINITIONS) <= set(found)
            assert np.isfinite(found["pressure_max"]).all()

    def test_a_folder_is_gone_on_with_and_looked_at_again(self, file, tmp_path):
        folder = tmp_path / "kept.study"
        first = run(file, "--output", folder, "--json").stdout
        before = {path: path.stat().st_mtime_ns for path in folder.glob("cases_*")}
        assert before
        again = run(file, "--output", folder, "--json").stdout
        assert again == first
        assert {path: path.stat().st_mtime_ns for path in folder.glob("cases_*")} == before
        seen = json.loads(run(folder, "--json").stdout)
        same = json.loads(first)
        for key in ("percentiles", "yield", "cases", "fingerprint"):
            assert seen[key] == same[key]

    def test_a_folder_of_another_study_is_refused_unless_fresh(self, file, tmp_path):
        folder = tmp_path / "kept.study"
        run(file, "--output", folder)
        file.write_text(STUDY.replace("30 1/s", "31 1/s"), encoding="utf-8")
        assert "kept.study" in run(file, "--output", folder, code=2).stderr
        assert "3 to their end" in run(file, "--output", folder, "--fresh").stdout

    def test_an_output_that_cannot_be_written(self, file, tmp_path, monkeypatch):
        from servosim.studies.result import StudyResult

        def full(self, path):
            raise OSError(28, "No space left on device")

        monkeypatch.setattr(StudyResult, "write_netcdf", full)
        found = run(file, "--data", tmp_path / "c.nc", code=1)
        assert "not written" in found.stderr and "run         3 to their end" in found.stdout


class TestOneCase:
    def test_its_file_moves_to_the_same_figures(self, file, tmp_path):
        case = tmp_path / "case.toml"
        assert run(file, "--case", 1, "--write", case).stderr == f"written: {case}\n"
        alone = runner.invoke(app, ["move", str(case), "--json"])
        there = json.loads(run(file, "--case", 1, "--json").stdout)
        assert json.loads(alone.stdout)["metrics"] == there["metrics"]
        found = json.loads(run(file, "--json", "--worst", "energy").stdout)
        (kept,) = [one["value"] for one in found["worst"]["cases"] if one["case"] == 1]
        assert there["metrics"]["energy"]["value"] == kept

    def test_is_shown_as_move_shows_it(self, file, tmp_path):
        found = run(
            file, "--case", 2, "--data", tmp_path / "one.csv", "--figure", tmp_path / "a.png"
        )
        assert "status      COMPLETE" in found.stdout
        assert (tmp_path / "one.csv").exists() and (tmp_path / "a.png").exists()

    def test_no_such_case(self, file):
        assert "expected 0 to 2" in run(file, "--case", 3, code=2).stderr


class TestFaults:
    @pytest.mark.parametrize(
        ("words", "said"),
        [
            (["--figure", "a.gif"], "--figure: 'a.gif' has no known suffix"),
            (["--data", "a.csv"], "--data: 'a.csv' has no known suffix; expected .nc"),
            (["--worst", "setling_time"], "nearest name 'settling_time'"),
            (["--metric", "over"], "--metric: 'over' is no figure"),
            (["--write", "a.toml"], "--write: no case is chosen; expected --case NUMBER"),
            (["--fresh"], "--fresh: no folder is given"),
            (["--output", ""], "--output: '' names no folder to make"),
            (["--output", "."], "--output: '.' names no folder to make"),
            (["--case", "1", "--output", "a"], "--output: one case is not kept"),
            (
                ["--case", "1", "--figure", "a.png", "--figure", "b.png"],
                "--figure: several figures",
            ),
        ],
    )
    def test_of_options_are_told_and_nothing_runs(self, file, words, said, monkeypatch):
        monkeypatch.setattr(study_command, "_run", None)
        assert said in run(file, *words, code=2).stderr

    def test_of_options_and_file_come_together(self, file):
        file.write_text(STUDY.replace("velocity_gain", "velocity_gian"), encoding="utf-8")
        text = run(file, "--worst", "over", "--fresh", code=2).stderr
        assert "--worst" in text and "--fresh" in text and "velocity_gian" in text

    def test_a_file_that_is_not_there(self, tmp_path):
        assert "no such file" in run(tmp_path / "none.toml", code=2).stderr

    def test_a_folder_that_is_no_study(self, tmp_path):
        assert str(tmp_path) in run(tmp_path, code=2).stderr

    def test_a_study_that_stops_gives_one(self, file, monkeypatch):
        def stop(*args):
            raise servosim.StudyError("the disk is full")

        monkeypatch.setattr(study_command, "_run", stop)
        assert run(file, code=1).stderr == "the disk is full\n"

    def test_single_failures_give_zero_and_nothing_but_failures_one(self, file):
        low = STUDY.replace('["15 1/s", "22 1/s", "30 1/s"]', '["15 1/s", "22 1/s"]')
        refused = low.replace("controller.velocity_gain", "move.target").replace(
            '["15 1/s", "22 1/s"]', '["400 mm", "900 mm"]'
        )
        file.write_text(refused, encoding="utf-8")
        text = run(file).stdout
        assert "run         1 to their end, 1 failed" in text
        assert "failed      1 case REFUSED, number 1: " in text
        file.write_text(refused.replace('"400 mm"', '"800 mm"'), encoding="utf-8")
        assert "0 to their end, 2 failed" in run(file, code=1).stdout


class TestInterrupts:
    def test_say_what_is_kept(self, file, monkeypatch):
        def interrupt(*args):
            raise KeyboardInterrupt("interrupted: 2 of 3 cases are kept")

        monkeypatch.setattr(study_command, "_run", interrupt)
        assert run(file, code=130).stderr == "interrupted: 2 of 3 cases are kept\n"

    @pytest.mark.skipif(not hasattr(os, "kill") or os.name == "nt", reason="needs signals of POSIX")
    def test_a_signal_stops_a_study_that_can_be_gone_on_with(self, file, tmp_path):
        many = STUDY.replace('values = ["15 1/s", "22 1/s", "30 1/s"]',
                             'from = "10 1/s"\nto = "30 1/s"\npoints = 4000')  # fmt: skip
        file.write_text(many, encoding="utf-8")
        folder = tmp_path / "kept.study"
        words = [sys.executable, "-m", "servosim", "study", str(file), "--output", str(folder)]
        process = subprocess.Popen(words, stderr=subprocess.PIPE, text=True, cwd=ROOT)
        try:
            while not (folder / "study.json").exists() and process.poll() is None:
                time.sleep(0.05)
            process.send_signal(signal.SIGINT)
            said = process.communicate(timeout=120)[1]
        finally:
            process.kill()
        assert process.returncode == 130
        assert "run the same study again to go on" in said
        assert "Traceback" not in said


def test_durations_are_said_as_people_do():
    found = [study_command.duration(s) for s in (0.2, 59.6, 61.0, 3599.0, 3600.0, 90061.0)]
    assert found == ["0 s", "1 min 0 s", "1 min 1 s", "59 min 59 s", "1 h 0 min", "25 h 1 min"]
