"""The public names: which there are, what importing them costs, and what they promise."""

from __future__ import annotations

import ast
import importlib
import inspect
import pickle
import re
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

import pytest

import servosim

ROOT = Path(__file__).parents[1]
SLOW = {"numba", "numpy", "control", "pint", "pydantic", "matplotlib", "xarray", "scipy", "rich"}
PUBLIC = [name for name in servosim.__all__ if name != "__version__"]
FUNCTIONS = [name for name in PUBLIC if name.islower()]


def imported_after(program: str) -> set[str]:
    """Return the slow packages that a fresh interpreter holds after a program."""
    text = f"import sys\n{program}\nprint('IMPORTED', *sorted({SLOW!r} & set(sys.modules)))"
    done = subprocess.run(
        [sys.executable, "-c", text], capture_output=True, text=True, cwd=ROOT, check=True
    )
    return set(done.stdout.split("IMPORTED", 1)[1].split())


class TestNames:
    def test_all_is_sorted_and_complete(self):
        assert sorted(servosim.__all__) == servosim.__all__
        assert set(servosim.__all__) <= set(dir(servosim))

    @pytest.mark.parametrize("name", servosim.__all__)
    def test_every_name_is_there(self, name):
        assert getattr(servosim, name) is not None

    @pytest.mark.parametrize("name", PUBLIC)
    def test_every_name_is_the_object_of_its_module_and_documented(self, name):
        found = getattr(servosim, name)
        assert found.__name__ == name
        assert found is getattr(sys.modules[found.__module__], name)
        assert inspect.getdoc(found)

    def test_type_checkers_see_the_same_names(self):
        tree = ast.parse((ROOT / "servosim/__init__.py").read_text(encoding="utf-8"))
        seen = {
            alias.name: node.module
            for node in ast.walk(tree)
            if isinstance(node, ast.ImportFrom) and node.level == 1
            for alias in node.names
        }
        assert seen == servosim._HOME

    def test_unknown_name(self):
        with pytest.raises(AttributeError, match="no attribute 'simulat'"):
            _ = servosim.simulat

    def test_version_is_that_of_the_package(self):
        assert servosim.__version__ == version("servosim")

    @pytest.mark.parametrize("name", ["simulate", "metrics"])
    def test_a_function_is_not_hidden_by_the_module_of_its_name(self, name):
        importlib.import_module(f"servosim.{name}")
        assert inspect.isfunction(getattr(servosim, name))
        program = f"import servosim.{name}, servosim\nassert callable(servosim.{name})"
        assert "matplotlib" not in imported_after(program)

    def test_every_name_survives_a_star_import(self):
        names: dict[str, object] = {}
        exec("from servosim import *", names)
        assert set(servosim.__all__) <= set(names)


class TestImports:
    def test_the_package_alone_imports_nothing_slow(self):
        assert imported_after("import servosim") == set()

    def test_errors_import_nothing_slow(self):
        assert imported_after("from servosim import ParameterError") == set()

    @pytest.mark.parametrize(
        ("words", "allowed"),
        # the library of the command line may itself use pydantic and rich for a command
        [("--help", set()), ("--version", set()), ("move --help", {"pydantic", "rich"})],
    )
    def test_help_imports_nothing_slow(self, words, allowed):
        program = (
            "from servosim.cli import app\n"
            f"try:\n    app({words.split()!r})\nexcept SystemExit as end:\n    assert not end.code"
        )
        assert imported_after(program) <= allowed

    def test_a_move_needs_neither_plots_nor_linear_models(self):
        program = (
            "import servosim\n"
            "axis = servosim.read_axis('params/tube_sheet_table.toml')\n"
            "run = servosim.simulate(axis.replace({'move.duration': '0.01 s'}))\n"
            "servosim.metrics(run)"
        )
        assert not imported_after(program) & {"matplotlib", "control", "xarray"}


class TestErrors:
    @pytest.mark.parametrize(
        ("name", "base"),
        [
            ("ParameterError", ValueError),
            ("UnitError", ValueError),
            ("SimulationError", RuntimeError),
        ],
    )
    def test_each_error_is_also_a_built_in(self, name, base):
        kind = getattr(servosim, name)
        assert issubclass(kind, base)
        assert issubclass(kind, servosim.ServosimError)

    def test_a_parameter_error_says_one_fault_a_line_and_travels(self):
        faults = [
            servosim.Fault("axis.toml", "valve", "rated_flow", "0 L/min", "more than 0 L/min"),
            servosim.Fault("axis.toml", "lock", "windo", "unknown key", "", "window"),
        ]
        error = servosim.ParameterError(faults)
        assert str(error).splitlines() == [
            "axis.toml [valve] rated_flow: 0 L/min; expected more than 0 L/min",
            "axis.toml [lock] windo: unknown key; nearest name 'window'",
        ]
        assert pickle.loads(pickle.dumps(error)).faults == tuple(faults)


class TestDocstrings:
    @pytest.mark.parametrize("name", FUNCTIONS)
    def test_every_parameter_of_a_function_is_described(self, name):
        function = getattr(servosim, name)
        text = inspect.getdoc(function)
        section = re.split(r"\n\w[\w ]*\n-+\n", text.split("Parameters\n----------\n", 1)[1])[0]
        described = {
            part.strip()
            for line in section.splitlines()
            if line and not line.startswith(" ")
            for part in line.split(" : ")[0].split(",")
        }
        names = set(inspect.signature(function).parameters)
        assert described == names

    @pytest.mark.parametrize("name", FUNCTIONS)
    def test_every_function_says_what_it_returns(self, name):
        function = getattr(servosim, name)
        returns = inspect.signature(function).return_annotation
        assert ("Returns\n-------\n" in inspect.getdoc(function)) == (returns not in (None, "None"))


class TestReadme:
    TEXT = (ROOT / "README.md").read_text(encoding="utf-8")

    def blocks(self, language: str) -> list[str]:
        return re.findall(rf"^```{language}\n(.*?)^```$", self.TEXT, re.MULTILINE | re.DOTALL)

    @pytest.mark.parametrize("name", ["demonstration", "tests"])
    def test_the_marked_commands_are_one_line_each(self, name):
        pattern = rf"^<!-- command: {name} -->\n```sh\n(.*)\n```$"
        (line,) = re.findall(pattern, self.TEXT, re.MULTILINE)
        assert ".venv/bin/" in line

    def test_python_examples_run(self, tmp_path, monkeypatch, capsys):
        (tmp_path / "params").symlink_to(ROOT / "params")
        monkeypatch.chdir(tmp_path)
        for text in self.blocks("python"):
            exec(compile(text, "README.md", "exec"), {})
        assert "settling_time" in capsys.readouterr().out
        assert {"move.png", "move.nc"} <= {one.name for one in tmp_path.iterdir()}

    def test_commands_are_those_of_the_command_line(self):
        shown = {
            line.split("#")[0].split()[1]
            for block in self.blocks("sh")
            for line in block.splitlines()
            if line.startswith("servosim ")
        }
        from servosim.cli import app

        assert shown == {one.callback.__name__ for one in app.registered_commands}

    def test_every_metric_is_explained(self):
        from servosim.metrics import DEFINITIONS

        rows = [line.split("|")[1] for line in self.TEXT.splitlines() if line.startswith("| `")]
        explained = set(re.findall(r"`(\w+)`", " ".join(rows)))
        assert set(DEFINITIONS) == explained

    def test_every_table_and_every_demonstration_file_is_named(self):
        from servosim.params import places_of

        for table in places_of(servosim.AxisFile):
            assert f"`{table}`" in self.TEXT
        for path in (ROOT / "params").glob("*.toml"):
            assert f"`params/{path.name}`" in self.TEXT

    def test_the_toml_example_is_that_of_the_demonstration(self):
        import tomllib

        (text,) = self.blocks("toml")
        shown = tomllib.loads(text)["valve"]
        whole = (ROOT / "params/tube_sheet_table.toml").read_text(encoding="utf-8")
        held = tomllib.loads(whole)["valve"]
        assert {key: held[key] for key in shown if key != "source"} == {
            key: value for key, value in shown.items() if key != "source"
        }
