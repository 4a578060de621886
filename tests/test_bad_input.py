"""Files and options that cannot be used: every fault is named, nothing is written."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from servosim import units
from servosim.cli import app
from servosim.params import edit

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "params/tube_sheet_table.toml"
TEXT = DEMO.read_text(encoding="utf-8")
TABLES = {name: table for name, table in tomllib.loads(TEXT).items() if isinstance(table, dict)}
KEYS = sorted(f"{name}.{key}" for name, table in TABLES.items() for key in table)
runner = CliRunner()

# what is done to the demonstration file: where the fault must stand and words it must hold
CHANGED = {
    "wrong dimension": ("valve.rated_flow", "16 bar", "is a pressure; write a flow in"),
    "unknown unit": ("lock.rated_pressure_drop", "4 mb", "unknown unit 'mb' in '4 mb'"),
    "no unit": ("valve.rated_stroke", "0.5", "has no unit; write the unit: '0.5 mm'"),
    "a bare number": ("valve.rated_stroke", 0.5, "unit"),
    "no number": ("cylinder.stroke", "long", "has no number"),
    "a list": ("cylinder.stroke", ["1 mm"], "list"),
    "decimal comma": ("cylinder.stroke", "0,7 m", "has a comma"),
    "not finite": ("table.mass", "inf kg", "is not finite"),
    "not a number": ("valve.damping_ratio", float("nan"), "nan"),
    "out of range": ("table.mass", "-3 kg", "-3 kg is out of range; expected more than 0 kg"),
    "below absolute zero": ("oil.temperature", "-300 degC", "below absolute zero"),
    "unknown choice": ("supply.kind", "pump", "expected one of 'ideal', 'compensated_pump'"),
    "unknown key": ("lock.windo", "4 um", "unknown key; nearest name 'window'"),
    "key not read": ("reference.creep_velocity", "3 mm/s", "not read when kind = 's_curve'"),
    "rod as thick as the bore": ("cylinder.rod_diameter", "80 mm", "leaves no piston area"),
    "target outside": ("move.target", "701 mm", "outside the stroke; expected 0 mm to 700 mm"),
    "start outside": ("move.start", "0.8 m", "800 mm is outside the stroke"),
    "window below a step": ("window.half_width", "0.4 um", "less than one step of the transducer"),
    "relief below set": ("supply.relief_pressure", "140 bar", "opens below the set pressure"),
    "no flow for lands": ("valve.pilot_leakage", "0.45 L/min", "leaves nothing for the lands"),
    "late command": ("controller.computing_delay", "2 ms", "more than one period"),
    "negative seed": ("move.seed", -1, "out of range"),
    "half a seed": ("move.seed", 1.5, "1.5"),
}


def file_with(folder: Path, changes: dict[str, object], *, without: tuple[str, ...] = ()) -> Path:
    """Write the demonstration file with other values and without some lines."""
    text = edit(TEXT, changes)
    for line in without:
        assert text.count(f"\n{line}") == 1
        text = "\n".join(one for one in text.split("\n") if not one.startswith(line))
    path = folder / "axis.toml"
    path.write_text(text, encoding="utf-8")
    return path


def refused(*words: str) -> list[str]:
    """Run a command that must be refused and return the lines of its faults."""
    result = runner.invoke(app, list(words))
    assert result.exit_code == 2, result.output
    assert isinstance(result.exception, SystemExit)
    assert result.stdout == ""
    assert "Traceback" not in result.stderr
    return result.stderr.splitlines()


class TestOneFault:
    @pytest.mark.parametrize("case", CHANGED)
    def test_in_a_file(self, case, tmp_path):
        path, value, words = CHANGED[case]
        table, key = path.split(".")
        file = file_with(tmp_path, {path: value})
        lines = [one for one in refused("check", str(file)) if f"[{table}] {key}: " in one]
        assert len(lines) == 1
        assert lines[0].startswith(f"{file} [{table}] {key}: ")
        assert words in lines[0]

    @pytest.mark.parametrize("case", [name for name, one in CHANGED.items() if type(one[1]) is str])
    def test_on_the_command_line(self, case):
        path, value, words = CHANGED[case]
        table, key = path.split(".")
        lines = refused("check", str(DEMO), "--set", f"{path}={value}")
        lines = [one for one in lines if f"[{table}] {key}: " in one]
        assert len(lines) == 1
        assert lines[0].startswith(f"--set [{table}] {key}: ")
        assert words in lines[0]

    def test_choices_that_contradict_each_other(self):
        (line,) = refused("check", str(DEMO), "--set", "transducer.pressure=none")
        assert line.startswith("--set [transducer] pressure: ")
        assert "but the controller uses the load pressure" in line

    def test_missing_key(self, tmp_path):
        file = file_with(tmp_path, {}, without=("bore_diameter",))
        (line,) = refused("check", str(file))
        assert line.startswith(f"{file} [cylinder] bore_diameter: missing")
        assert 'expected for example bore_diameter = "10 mm"' in line

    def test_missing_table(self, tmp_path):
        head, _, rest = TEXT.partition("[window]")
        file = tmp_path / "axis.toml"
        file.write_text(head + rest.split("\n", 2)[2], encoding="utf-8")
        (line,) = refused("check", str(file))
        assert line.startswith(f"{file} [window]")
        assert "missing" in line

    def test_key_wanted_by_the_chosen_model(self):
        lines = refused("check", str(DEMO), "--set", "reference.kind=staged")
        keys = ("creep_velocity", "creep_distance", "stop_distance")
        assert len(lines) == len(keys)
        for key, line in zip(keys, lines, strict=True):
            assert f"[reference] {key}: missing" in line
            assert "wanted when kind = 'staged'" in line

    @pytest.mark.parametrize("word", ["check", "move"])
    def test_no_such_file(self, word, tmp_path):
        (tmp_path / "axis.toml").write_text(TEXT, encoding="utf-8")
        (line,) = refused(word, str(tmp_path / "axes.toml"))
        assert "no such file" in line
        assert "nearest name 'axis.toml'" in line

    def test_a_folder(self, tmp_path):
        (line,) = refused("check", str(tmp_path))
        assert line == f"{tmp_path}: is a folder; expected a TOML file"

    def test_not_toml(self, tmp_path):
        file = tmp_path / "axis.toml"
        file.write_text("[valve]\nrated_flow = 16 L/min\n", encoding="utf-8")
        (line,) = refused("check", str(file))
        assert line.startswith(f"{file}: line 2, ")
        assert "quantities stand in quotes" in line

    def test_warning_is_no_fault(self):
        result = runner.invoke(app, ["check", str(DEMO), "--set", "reference.velocity=200 mm/s"])
        assert result.exit_code == 0
        (line,) = [one for one in result.stdout.splitlines() if one.startswith("warning")]
        assert f"{DEMO} [reference] velocity: 200 mm/s is faster than valve and supply give" in line
        assert result.stdout.endswith("no faults, 1 warning\n")


class TestManyFaults:
    def test_all_in_one_go(self, tmp_path):
        changes = {
            "valve.rated_flow": "16 bar",
            "lock.rated_pressure_drop": "4 mb",
            "lock.windo": "4 um",
            "reference.creep_velocity": "3 mm/s",
            "table.mass": "0 kg",
            "oil.free_air": "120 %",
        }
        file = file_with(tmp_path, changes, without=("bore_diameter",))
        lines = refused("check", str(file))
        places = [*changes, "cylinder.bore_diameter"]
        assert len(lines) == len(places)
        for path in places:
            table, key = path.split(".")
            assert sum(line.startswith(f"{file} [{table}] {key}: ") for line in lines) == 1

    def test_all_that_contradict_each_other_in_one_go(self):
        changes = {
            "cylinder.rod_diameter": "81 mm",
            "move.target": "701 mm",
            "window.half_width": "0.4 um",
            "controller.computing_delay": "2 ms",
            "supply.relief_pressure": "139 bar",
        }
        words = [part for path, value in changes.items() for part in ("--set", f"{path}={value}")]
        lines = refused("check", str(DEMO), *words)
        for path in changes:
            table, key = path.split(".")
            assert sum(f"[{table}] {key}: " in line for line in lines) == 1

    def test_of_options_and_file_together(self, tmp_path):
        lines = refused(
            "move",
            str(DEMO),
            *("--set", "lock.window"),
            *("--set", "table.mass=3 m"),
            *("--set", "valve.dither_amplitude=1 %"),
            *("--set", "valve.dither_amplitude=2 %"),
            *("--figure", str(tmp_path / "move.bmp")),
            *("--data", str(tmp_path / "no/such/folder/move.nc")),
        )
        text = "\n".join(lines)
        assert len(lines) == 5
        assert "--set: 'lock.window' is not a value for a key; expected table.key=VALUE" in text
        assert "--set: valve.dither_amplitude is given twice" in text
        assert "--set [table] mass: '3 m' is a length" in text
        assert "has no known suffix; expected .png or .svg or .pdf" in text
        assert "the folder of" in text
        assert list(tmp_path.iterdir()) == []

    def test_both_files_of_a_comparison(self, tmp_path):
        file = file_with(tmp_path, {"table.mass": "3 m"})
        lines = refused("diff", str(file), str(tmp_path / "none.toml"))
        assert len(lines) == 2
        assert f"{file} [table] mass" in lines[0]
        assert "no such file" in lines[1]


class TestNothingIsWritten:
    def test_after_faults(self, tmp_path):
        file = file_with(tmp_path, {"table.mass": "3 m"})
        outputs = [tmp_path / "move.png", tmp_path / "move.nc"]
        refused("move", str(file), "--figure", str(outputs[0]), "--data", str(outputs[1]))
        assert [one.name for one in tmp_path.iterdir()] == ["axis.toml"]

    @pytest.mark.parametrize("option", ["--figure", "--data"])
    def test_where_a_folder_stands(self, option, tmp_path):
        name = "a.png" if option == "--figure" else "a.csv"
        (tmp_path / name).mkdir()
        (line,) = refused("move", str(DEMO), option, str(tmp_path / name))
        assert line.startswith(f"{option}: ")
        assert "is a folder" in line

    def test_in_a_process_of_its_own(self, tmp_path):
        file = file_with(tmp_path, {"table.mass": "3 m"})
        words = [sys.executable, "-m", "servosim", "move", file.name, "--data", "move.csv"]
        done = subprocess.run(words, capture_output=True, text=True, cwd=tmp_path, check=False)
        assert (done.returncode, done.stdout) == (2, "")
        assert done.stderr.startswith("axis.toml [table] mass: '3 m' is a length")
        assert len(done.stderr.splitlines()) == 1
        assert [one.name for one in tmp_path.iterdir()] == ["axis.toml"]


class TestOptions:
    @pytest.mark.parametrize(
        "words",
        [
            ["move"],
            ["mov", str(DEMO)],
            ["move", str(DEMO), "--sed", "1"],
            ["check", str(DEMO), "extra"],
        ],
    )
    def test_wrong_use(self, words):
        lines = refused(*words)
        assert lines[0].startswith("Usage: ")

    @pytest.mark.parametrize("seed", ["-1", "x", "1.5", "", "2147483648", "1" * 5000, "²"])
    def test_no_seed(self, seed):
        (line,) = refused("move", str(DEMO), "--seed", seed)
        expected = "expected a whole number from 0 to 2147483647"
        assert line == f"--seed: {seed!r} is no seed; {expected}"

    def test_unknown_table_of_the_schema(self):
        (line,) = refused("schema", "locks")
        assert line.startswith("'locks': no such table; expected one of oil, supply, valve")
        assert line.endswith("nearest name 'lock'")


def judge(words: list[str], folder: Path, origin: str) -> None:
    """Check that a command took a strange file, or refused it line by line."""
    before = sorted(folder.iterdir())
    result = runner.invoke(app, words)
    assert result.exit_code in (0, 2), result.output
    assert result.exception is None or isinstance(result.exception, SystemExit)
    assert "Traceback" not in result.output
    assert sorted(folder.iterdir()) == before
    if result.exit_code == 2:
        assert result.stdout == ""
        lines = result.stderr.splitlines()
        assert lines
        assert all(line.startswith((origin, "--set")) for line in lines)
    else:
        assert "no faults" in result.stdout


NUMBERS = st.one_of(
    st.floats(allow_nan=True).map(repr),
    st.integers(-(10**30), 10**30).map(str),
    st.sampled_from(["0", "1e-300", "1e300", "-1", "1e5", "0.001", "5e-324", "3", "50"]),
)
UNITS = st.sampled_from(
    [
        *units.SPELLINGS["length"],
        "bar",
        "L/min",
        "s",
        "ms",
        "kg",
        "N",
        "N/um",
        "Hz",
        "%",
        "degC",
        "K",
        "1/s",
        "m/s2",
        "mb",
        "1/K",
        "N s/m",
        "L/min/bar",
        "um/m",
    ]
)
VALUES = st.one_of(
    st.tuples(NUMBERS, UNITS).map(" ".join),
    st.sampled_from(["none", "lugre", "ideal", "continuous", "step", "staged", "spool", "two"]),
    st.text(max_size=20),
)
FUZZ = settings(
    max_examples=60,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)


class TestFuzz:
    @FUZZ
    @given(st.dictionaries(st.sampled_from(KEYS), VALUES, min_size=1, max_size=4))
    def test_values_on_the_command_line(self, tmp_path, changes):
        words = [part for path, value in changes.items() for part in ("--set", f"{path}={value}")]
        judge(["check", str(DEMO), *words], tmp_path, str(DEMO))

    @FUZZ
    @given(
        st.dictionaries(
            st.sampled_from(KEYS),
            st.one_of(
                VALUES, st.floats(), st.integers(), st.booleans(), st.lists(VALUES, max_size=3)
            ),
            min_size=1,
            max_size=4,
        )
    )
    def test_values_in_a_file(self, tmp_path, changes):
        try:
            file = file_with(tmp_path, changes)
        except UnicodeEncodeError:
            return
        judge(["check", str(file)], tmp_path, str(file))

    @FUZZ
    @given(st.data())
    def test_lines_lost_doubled_or_spoiled(self, tmp_path, data):
        lines = TEXT.split("\n")
        for _ in range(data.draw(st.integers(1, 3))):
            place = data.draw(st.integers(0, len(lines) - 1))
            way = data.draw(st.sampled_from(["lose", "double", "cut", "insert"]))
            if way == "lose":
                del lines[place]
            elif way == "double":
                lines.insert(place, lines[place])
            elif way == "cut":
                lines[place] = lines[place][: data.draw(st.integers(0, len(lines[place])))]
            else:
                lines.insert(place, data.draw(st.text(max_size=15)))
        file = tmp_path / "axis.toml"
        file.write_text("\n".join(lines), encoding="utf-8", errors="replace")
        judge(["check", str(file)], tmp_path, str(file))

    @FUZZ
    @given(st.binary(max_size=200))
    def test_bytes(self, tmp_path, content):
        file = tmp_path / "axis.toml"
        file.write_bytes(content)
        judge(["check", str(file)], tmp_path, str(file))

    @FUZZ
    @given(st.lists(st.text(max_size=25), min_size=1, max_size=3))
    def test_any_text_after_set(self, tmp_path, texts):
        words = [f"--set={text}" for text in texts]
        judge(["check", str(DEMO), *words], tmp_path, str(DEMO))
