"""The command ``size``: what it asks for, prints, writes and returns."""

from __future__ import annotations

import dataclasses
import json
import math
import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from fake_sizing import fake_sizing
from typer.testing import CliRunner

import servosim
from servosim.cli import app
from servosim.commands import size_changes, size_command, size_summary, size_text
from servosim.sizing.findings import Figure, RuleCount, Standing
from servosim.sizing.requirement import read_requirement

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "params/tube_sheet_requirement.toml"
RUN = "servosim.sizing.run"
runner = CliRunner()


def run(*words, code=0):
    """Run the command and check its exit code."""
    result = runner.invoke(app, ["size", *map(str, words)])
    assert result.exit_code == code, result.output
    assert "Traceback" not in result.output
    return result


def refuse_constant(name):
    raise AssertionError(f"{name} is not strict JSON")


@pytest.fixture
def asked(monkeypatch):
    """Let the command find a made-up result, and tell what it asked for."""
    seen = {}

    def fake(requirement, **options):
        seen.update(options, requirement=requirement)
        found = fake_sizing(seen.get("feasible", True))
        return dataclasses.replace(found, **seen.get("changes", {}))

    monkeypatch.setitem(sys.modules, RUN, SimpleNamespace(size=fake))
    return seen


class TestOptions:
    def test_what_is_given_reaches_the_search(self, asked):
        words = ["--set", "accuracy.settling_time=2.4 s", "--tried", "7", "--seed", "11"]
        run(DEMO, *words, "--workers", "2")
        requirement = asked["requirement"]
        assert requirement.accuracy.settling_time == 2.4
        assert (requirement.choice.tried, requirement.choice.seed) == (7, 11)
        assert asked["workers"] == 2

    def test_nothing_given_is_what_the_file_says(self, asked):
        run(DEMO)
        assert asked["requirement"] == read_requirement(DEMO) and asked["workers"] >= 1

    @pytest.mark.parametrize(
        ("words", "said"),
        [
            (["--view", "side", "--figure", "a.png"], "--view: 'side' is not known; expected one"),
            (["--view", "locus"], "--view: nothing is drawn; expected --figure PATH"),
            (["--figure", "a.gif"], "--figure: 'a.gif' has no known suffix"),
            (["--sheet", "a.pdf"], "--sheet: 'a.pdf' has no known suffix; expected .txt or .md"),
            (["--sheet", "--json"], "--sheet: with --json nothing else is printed"),
            (["--output", "a.json"], "--output: 'a.json' has no known suffix; expected .toml"),
            (["--output", str(DEMO)], "is the file that is read"),
            (["--data", "a.csv"], "--data: 'a.csv' has no known suffix; expected .nc"),
            (["--seed", "x"], "--seed: 'x' is no seed"),
            (["--set", "work.stroek=1 m"], "stroke"),
            (["--set", "work.stroke=1 bar"], "'1 bar' is a pressure"),
            (["--set", "work.stroke"], "--set: 'work.stroke' is not a value for a key"),
        ],
    )
    def test_faults_are_told_and_nothing_runs(self, words, said, monkeypatch):
        monkeypatch.setitem(sys.modules, RUN, SimpleNamespace(size=None))
        result = run(DEMO, *words, code=2)
        assert said in result.stderr and result.stdout == ""

    def test_faults_of_options_and_file_come_together(self):
        text = run(DEMO, "--figure", "x", "--seed", "x", "--set", "a.b=1", code=2).stderr
        assert "--figure" in text and "--seed" in text and "a.b" in text

    def test_a_file_that_is_not_there_or_is_another_kind(self, tmp_path):
        assert "no such file" in run(tmp_path / "none.toml", code=2).stderr
        text = run(ROOT / "params/tube_sheet_table.toml", code=2).stderr
        assert "[work]" in text and "Traceback" not in text

    def test_the_sheet_needs_no_file(self):
        completed = size_command.sheet_completed
        assert completed(["a.toml", "--sheet"]) == ["a.toml", "--sheet", "-"]
        assert completed(["--sheet", "a.toml"]) == ["--sheet", "-", "a.toml"]
        assert completed(["--sheet", "b.md", "a.toml"]) == ["--sheet", "b.md", "a.toml"]
        assert completed(["--sheet", "-", "a.toml"]) == ["--sheet", "-", "a.toml"]
        assert completed(["--sheet=b.md", "a.toml"]) == ["--sheet=b.md", "a.toml"]


class TestSchema:
    def test_keys_of_a_requirement_can_be_looked_up(self):
        result = runner.invoke(app, ["schema", "work", "--text", "--requirement"])
        assert result.exit_code == 0 and "cycles_per_hour: " in result.stdout
        result = runner.invoke(app, ["schema", "--requirement"])
        assert set(json.loads(result.stdout)["properties"]) >= {"work", "margins", "valve"}

    def test_a_requirement_can_be_checked_alone(self):
        result = runner.invoke(app, ["check", str(DEMO), "--requirement"])
        number = len(fake_sizing().combinations)
        assert result.exit_code == 0 and f"{number} combinations" in result.stdout
        assert result.stdout.endswith("no faults\n")
        words = ["check", str(DEMO), "--requirement", "--set", "accuracy.settling_time=0.1 s"]
        result = runner.invoke(app, words)
        assert result.exit_code == 2 and "settling_time" in result.stderr

    def test_an_axis_file_has_none_of_them(self):
        result = runner.invoke(app, ["schema", "work"])
        assert result.exit_code == 2 and "no such table" in result.stderr


class TestSummary:
    @pytest.fixture
    def text(self):
        return "\n".join(size_summary.summary(fake_sizing(), "r.toml"))

    @pytest.fixture
    def rows(self, text):
        """The same, a blank between words."""
        return [" ".join(line.split()) for line in text.splitlines()]

    def test_says_what_was_asked(self):
        values = {
            "table.mass": "650 kg", "work.stroke": "680 mm", "work.cycles_per_hour": "200",
            "work.dwell": "1.5 s", "accuracy.half_width": "5 um", "accuracy.drift": "4 um",
            "accuracy.settling_time": "2.6 s", "accuracy.hold_time": "2 s", "thrust.along": "90 N",
        }  # fmt: skip
        lines = size_summary.asked_lines(read_requirement(DEMO, values))
        flat = " ".join(" ".join(lines).split())
        assert "650 kg and a workpiece of 0 to 500 kg, horizontal, stroke 680 mm" in flat
        assert "moves of +150, +32, -32 mm, 200 cycles an hour, 1.5 s at each place" in flat
        assert "window of +-5 um within 2.6 s" in flat and "drift 4 um in 2 s" in flat
        assert "under 90 N" in flat

    def test_says_how_many_were_looked_at(self, text):
        found = fake_sizing()
        number = f"{len(found.combinations)} combinations; {int(found.passes.sum())} keep every"
        assert number in text and "3 keep everything" in " ".join(text.split())

    def test_ranks_with_parts_and_figures(self, rows):
        for one in fake_sizing().ranked:
            parts, figures = one.candidate.parts, one.candidate.figures
            bore, rod = (round(1e3 * parts[name].value) for name in ("bore", "rod"))
            power = figures["motor_power"].value / 1e3
            kind = parts["actuator"].replace("_", " ")
            assert (
                f"{one.rank} {kind} {bore}/{rod} mm {round(parts['pressure'].value / 1e5)} bar "
                f"{parts['valve']} - - {power:.4g} kW"
            ) in rows
            # the gain of the axis file is 22 1/s
            hertz = figures["natural_frequency"].value / (2 * math.pi)
            time = one.simulated["settling_time"].worst
            assert f"{one.rank} {hertz:.3g} 22 {time:.3g} 2 3 {power:.3g}" in rows
        place = rows.index("rank freq. Kv in shoot error power")
        assert rows[place + 1] == "[Hz] [1/s] [s] [um] [um] [kW]"

    def test_tells_the_winner_with_rules_goals_and_gains(self, text, rows):
        best = fake_sizing().best
        assert f"the winner: {best.candidate.words}" in text
        assert "settling time at most 2.6 s 1.9 s 26.9 % met" in rows
        value = best.candidate.figures["natural_frequency"].value
        hertz, left = value / (2 * math.pi), 100 * (value / 150.0 - 1.0)
        # 150 rad/s are 23.87 Hz
        assert left < 50.0
        assert f"natural frequency at least 23.87 Hz {hertz:.4g} Hz {left:.3g} %" in rows
        assert "more than half of the limit left: force reserve" in rows
        assert "controller.velocity_gain = 21 1/s" in text

    def test_groups_the_rejected_by_rule(self, rows):
        place = rows.index("Stall force above the greatest force of the cycle")
        found = fake_sizing()
        broken = int(np.count_nonzero(~found.checks[0].kept))
        assert rows[place - 1].startswith(f"force reserve {broken} 7 4 kN")

    def test_tells_what_other_circumstances_do(self, rows):
        for begin, end in (("moved masses 20 % larger ", "kept"), ("bore one size ", "BROKEN")):
            assert any(line.startswith(begin) and line.endswith(end) for line in rows)

    def test_ends_with_every_caution(self, text):
        flat = " ".join(text.replace("caution ", " ").split())
        for one in fake_sizing().cautions:
            assert one in flat
        for word in ("isolate", "bleed", "ISO 4413", "ISO 12100", "licensed", "vertical"):
            assert word in flat

    @pytest.mark.parametrize("feasible", [True, False])
    def test_keeps_to_the_width(self, feasible):
        lines = size_summary.summary(fake_sizing(feasible), "r.toml")
        assert max(map(len, lines)) <= 100

    def test_without_a_solution_says_conflict_and_relaxation(self):
        text = "\n".join(size_summary.summary(fake_sizing(False), "r.toml"))
        assert "NOT FEASIBLE" in text and "the nearest combination: " in text
        assert "conflict    nothing on offer keeps the force reserve" in text
        assert '--set margins.force_reserve="10 %"' in text
        assert "moves must still show it" in text
        assert "winner" not in text and "BROKEN" in text

    def test_says_so_if_no_change_helps(self):
        found = dataclasses.replace(fake_sizing(False), relaxations=())
        for one in (found, dataclasses.replace(found, conflicts=())):
            text = " ".join("\n".join(size_changes.conflict_lines(one)).split())
            assert "no change of one value or of two was found" in text

    def test_a_change_of_a_listed_part_has_no_option(self):
        found = fake_sizing(False)
        (one,) = found.relaxations
        change = dataclasses.replace(one.changes[0], key="valve.natural_frequency")
        one = dataclasses.replace(one, changes=(change,))
        lines = size_changes.conflict_lines(dataclasses.replace(found, relaxations=(one,)))
        assert not any("--set" in line for line in lines)

    def test_a_screw_is_named_by_motor_and_lead(self):
        parts = {
            "actuator": "motor_screw",
            "displacement": Figure("displacement", "motor", 25e-6 / (2 * math.pi), "m3/rad",
                                   "cm3/rev"),
            "lead": Figure("lead", "screw", 0.01 / (2 * math.pi), "m/rad", "mm/rev"),
        }  # fmt: skip
        assert size_text.actuator_text(parts) == "motor 25 cm3/rev, screw 10 mm/rev"

    def test_a_rule_without_any_value(self):
        none = Standing("pump_flow", "Pump", "power_unit.pump_flows", math.nan, 1e-3, "m3/s",
                        "L/min", False, -math.inf, "definition")  # fmt: skip
        count = RuleCount("pump_flow", "Pump for the flow", "power_unit.pump_flows", "definition",
                          "60 L/min", 12, 0, none)  # fmt: skip
        found = dataclasses.replace(fake_sizing(), rules=(count,))
        rows = [" ".join(line.split()) for line in size_summary.rejected_lines(found)]
        assert "pump flow 12 0 60 L/min - no value" in rows and "Pump for the flow" in rows


class TestPrinted:
    def test_the_summary(self, asked):
        result = run(DEMO)
        assert "FEASIBLE" in result.stdout and result.stderr == ""

    def test_strict_json_and_nothing_else(self, asked):
        result = run(DEMO, "--json")
        found = json.loads(result.stdout, parse_constant=refuse_constant)
        assert found["feasible"] and found["file"] == str(DEMO)
        assert found["seed"] == read_requirement(DEMO).choice.seed
        assert found["servosim"] == servosim.__version__
        assert found["ranked"][0]["simulated"]["settling_time"]["worst"] == 1.9
        assert found["considered"] == len(fake_sizing().combinations)
        assert [step["symbol"] for step in found["sheet"]] == ["a", "F"]
        assert "caution" not in result.stdout.split("cautions")[0] and "FEASIBLE" in result.stderr

    def test_the_sheet_in_place_of_the_summary(self, asked):
        text = run(DEMO, "--sheet").stdout
        assert "force of inertia" in text and "460 N" in text and "rank" not in text
        assert "isolate" in text

    def test_without_steps_the_sheet_says_so(self, asked):
        asked["changes"] = {"sheet": ()}
        assert "nothing was worked out" in run(DEMO, "--sheet").stdout


class TestWritten:
    def test_every_file(self, asked, tmp_path):
        words = ["--output", tmp_path / "axis.toml", "--figure", tmp_path / "page.png"]
        words += ["--sheet", tmp_path / "sheet.md", "--data", tmp_path / "all.nc"]
        result = run(DEMO, *words)
        assert result.stderr.count("written: ") == 4
        assert servosim.read_axis(tmp_path / "axis.toml").file == fake_sizing().best.axis.file
        assert (tmp_path / "page.png").read_bytes().startswith(b"\x89PNG")
        assert (tmp_path / "sheet.md").read_text(encoding="utf-8").startswith("# Sizing: ")
        assert sorted(one.name for one in tmp_path.iterdir()) == [
            "all.nc", "axis.toml", "page.png", "sheet.md",
        ]  # fmt: skip

    def test_the_sheet_as_text_and_one_view_alone(self, asked, tmp_path):
        sheet, page = tmp_path / "sheet.txt", tmp_path / "page.svg"
        run(DEMO, "--sheet", sheet, "--figure", page, "--view", "frequency")
        assert "F = m·a" in sheet.read_text(encoding="utf-8")
        assert page.exists()

    def test_no_axis_without_a_winner(self, asked, tmp_path):
        asked["feasible"] = False
        file = tmp_path / "axis.toml"
        result = run(DEMO, "--output", file, code=1)
        assert "not written: " in result.stderr and not file.exists()
        assert "no combination keeps every rule" in result.stderr
        assert "NOT FEASIBLE" in result.stdout

    def test_a_folder_that_cannot_hold_it(self, asked, tmp_path):
        result = run(DEMO, "--output", tmp_path / "none" / "a.toml", code=2)
        assert "does not exist" in result.stderr


class TestInterrupts:
    def test_a_partial_ranking_is_kept_and_called_so(self, asked, tmp_path):
        asked["changes"] = {"interrupted": True}
        file = tmp_path / "axis.toml"
        result = run(DEMO, "--output", file, code=130)
        assert "INTERRUPTED: the ranking is that of what was moved by then" in result.stdout
        assert file.exists() and "rank" in result.stdout and "best so far" in result.stdout
        assert f"beware: {file} is the best of an interrupted run" in result.stderr

    def test_before_anything_was_found(self, monkeypatch):
        def interrupt(requirement, **options):
            raise KeyboardInterrupt

        monkeypatch.setitem(sys.modules, RUN, SimpleNamespace(size=interrupt))
        assert "interrupted; nothing was written" in run(DEMO, code=130).stderr


def test_what_is_left_in_words():
    text = size_text.left_text
    assert text(0.0) == "0 %" and text(math.nan) == "no value" and text(-200.0) == "far off"
