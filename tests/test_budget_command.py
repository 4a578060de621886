"""The command ``budget``: what it prints, writes, refuses and returns."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from matplotlib import image
from typer.testing import CliRunner

from servosim.cli import app

ROOT = Path(__file__).parents[1]
RIG, DEMO = ROOT / "params/teaching_rig.toml", ROOT / "params/tube_sheet_table.toml"
BIAS = ("--set", "valve.null_bias=0.3 %", "--set", "transducer.scale_error=100 um/m")
runner = CliRunner()


def run(*words, code=0):
    """Run the command and check its exit code."""
    result = runner.invoke(app, ["budget", *map(str, words)])
    assert result.exit_code == code, result.output
    assert "Traceback" not in result.output
    return result


def refuse_constant(name):
    raise AssertionError(f"{name} is not strict JSON")


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = tmp_path_factory.mktemp("budget")
    figure, sheet = folder / "budget.png", folder / "budget.txt"
    result = run(RIG, *BIAS, "--figure", figure, "--sheet", sheet)
    return result, figure, sheet


def test_summary_names_causes_and_changes(written):
    text = written[0].stdout
    assert "null bias left after the trim" in text and "scale, linear error" in text
    assert "valve.null_bias" not in text.split("what would halve")[0]
    assert "transducer.scale_error 100 um/m to 50 um/m" in text
    assert "not a release to run" in text
    assert all(len(line) <= 180 for line in text.splitlines())


def test_sheet_and_figure(written):
    _, figure, sheet = written
    lines = sheet.read_text(encoding="utf-8").splitlines()
    assert lines[0] == "ERROR BUDGET OF THE AXIS" and lines[-1].startswith("servosim ")
    assert any("u_0 g/K_v" in line for line in lines)  # each formula stands on it
    assert any(line.strip().startswith("source:") for line in lines)
    pixels = image.imread(figure)[..., :3].reshape(-1, 3)
    for colour in ((0, 114, 178), (230, 159, 0), (213, 94, 0), (0, 158, 115)):
        near = np.abs(pixels - np.array(colour) / 255.0).max(axis=1) < 0.02
        assert near.sum() > 20, colour


def test_json_is_strict_and_seeded():
    first, second = (run(RIG, *BIAS, "--json", "--seed", 3, "--workers", n) for n in (1, 2))
    assert first.stdout == second.stdout
    found = json.loads(first.stdout, parse_constant=refuse_constant)
    causes = {one["name"]: one for one in found["causes"]}
    scale = causes["scale, linear error"]
    last = found["targets"][-1]
    assert scale["closed_form"]["size"] == pytest.approx(100e-6 * last, rel=1e-3)
    assert scale["systematic"] and scale["reaches"] == "M, E, A"
    assert scale["halved_by"]["changes"] == {
        "transducer.scale_error": [pytest.approx(100e-6), pytest.approx(50e-6)]
    }
    span = 100e-6 * (last - found["targets"][0])
    for name in ("closed", "alone", "without"):
        assert found["combined"][name]["figures"]["M"][1] == pytest.approx(span, rel=2e-3)
        assert found["test"]["agrees"][name]["M"] is True
    assert found["test"]["figures"]["M"][1] == pytest.approx(span, rel=2e-3)


def test_workpiece_that_is_warm():
    """A part of 25 degC drilled at a scale of 20 degC is too short once it has cooled."""
    words = (RIG, "--json", "--workpiece-temperature", "25 degC")
    found = json.loads(run(*words).stdout, parse_constant=refuse_constant)
    one = next(c for c in found["causes"] if c["name"] == "workpiece, thermal expansion")
    expected = 11.5e-6 * 5.0 * found["targets"][-1]
    assert one["closed_form"]["size"] == pytest.approx(expected, rel=1e-3)
    assert one["closed_form"]["offset"] < 0.0


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((RIG, "--position", "middle"), ["--position", "middle", "unlocked, locked"]),
        ((RIG, "--position", "locked"), ["'locked' is not read on this axis"]),
        ((RIG, "--figure", "budget.bmp"), ["--figure", "budget.bmp", ".png"]),
        ((RIG, "--sheet", "budget.pdf"), ["--sheet", "budget.pdf", ".txt"]),
        ((RIG, "--seed", "-1"), ["--seed", "-1"]),
        ((RIG, "--workpiece-temperature", "5 kg"), ["--workpiece-temperature"]),
        ((RIG, "--workpiece-temperature", "500 degC"), ["500 degC", "-20 degC to 100 degC"]),
        (("nothing.toml",), ["nothing.toml"]),
        ((RIG, "--set", "valve.null_bais=1 %"), ["null_bais", "null_bias"]),
    ],
)
def test_refusals(words, said, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    text = run(*words, code=2).output
    for part in said:
        assert part in text
    assert not list(tmp_path.iterdir())


def test_an_axis_that_never_rests_is_refused():
    """A loop with ten times its gain swings; there is nothing to take apart."""
    words = ("--set", "controller.velocity_gain=400 1/s", "--position", "unlocked")
    text = run(DEMO, *words, code=2).output
    assert "some targets were never reached" in text and "comes to rest" in text
