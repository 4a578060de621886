"""The command ``acceptance``: what it asks for, prints, writes and returns."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from matplotlib import image
from matplotlib.colors import to_hex
from typer.testing import CliRunner

import servosim
from servosim import acceptance_plots
from servosim.cli import app
from servosim.commands import acceptance_summary
from servosim.positioning.deviations import Deviations
from servosim.positioning.evaluation import SYMBOLS
from servosim.positioning.judged import judge

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "params/measured_deviations.csv"
AXIS = ROOT / "params/tube_sheet_table.toml"
SLOW = ("numba", "numpy", "control", "pint", "matplotlib", "scipy")
runner = CliRunner()

# The first table of test_positioning_evaluation, there worked by hand.
ROWS = {
    "100": ([2, 2, 3, 4, 4], [0.5, 0.5, 1, 1.5, 1.5]),
    "300": ([4.5, 4.5, 5, 5.5, 5.5], [2, 2, 4, 6, 6]),
    "550": ([-2, -2, -1, 0, 0], [-5, -5, -4, -3, -3]),
}
FIGURES = {
    "A": 14, "A+": 9, "A-": 14, "R": 8, "R+": 4, "R-": 8, "B": 3, "E": 9, "E+": 6, "E-": 8, "M": 7,
}  # fmt: skip


def run(*words, code=0):
    """Run the command and check its exit code."""
    result = runner.invoke(app, ["acceptance", *map(str, words)])
    assert result.exit_code == code, result.output
    assert "Traceback" not in result.output
    return result


def refuse_constant(name):
    raise AssertionError(f"{name} is not strict JSON")


def read(result):
    return json.loads(result.stdout, parse_constant=refuse_constant)


@pytest.fixture
def table(tmp_path):
    lines = ["# by hand", "target [mm],direction,run,deviation [um]"]
    for target, sides in ROWS.items():
        for direction, runs in zip("+-", sides, strict=True):
            lines += [f"{target},{direction},{k},{x}" for k, x in enumerate(runs, 1)]
    path = tmp_path / "by_hand.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


@pytest.fixture
def long(tmp_path):
    lines = ["target [mm],direction,run,deviation [um]"]
    for target, plus, minus in ((3.0, 2, 1), (1100.0, 4, 1), (2100.0, 3, 2)):
        lines += [f"{target},+,1,{plus}", f"{target},-,1,{minus}"]
    path = tmp_path / "long.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


class TestJson:
    def test_metrics_have_the_form_of_a_move(self, table):
        found = read(run("--measured", table, "--json"))
        assert list(found["metrics"]) == list(SYMBOLS)
        for symbol, one in found["metrics"].items():
            assert set(one) == {"value", "unit", "definition"}
            assert one["unit"] == "m" and one["definition"], symbol
        values = {name: found["metrics"][name]["value"] * 1e6 for name in FIGURES}
        assert values == pytest.approx(FIGURES, rel=1e-12)
        assert found["file"] == str(table)
        assert found["remarks"] == ["by hand"]

    def test_older_practice(self, table):
        found = read(run("--measured", table, "--json", "--practice", "3s"))
        assert found["metrics"]["A"]["value"] == pytest.approx(17e-6)
        assert found["metrics"]["R-"]["value"] == pytest.approx(12e-6)
        assert "6 s" in found["metrics"]["R-"]["definition"]
        assert found["test"]["practice"] == "3s"

    def test_intervals_places_and_targets(self, table):
        found = read(run("--measured", table, "--json", "--seed", "3"))
        spread = found["uncertainty"]
        assert (spread["level"], spread["seed"]) == (0.95, 3)
        assert set(spread["intervals"]) == set(SYMBOLS)
        low, high = spread["intervals"]["A"]
        assert 0.0 < low < 14e-6 < high
        assert found["decided_at"]["A"] == [
            {"target": 0.3, "direction": "-"}, {"target": 0.55, "direction": "-"},
        ]  # fmt: skip
        assert found["decided_at"]["R"] == [{"target": 0.3, "direction": "both"}]
        assert [one["B_i"] * 1e6 for one in found["targets"]] == pytest.approx([2, 1, 3])
        assert found["targets"][1]["s_negative"] == pytest.approx(2e-6)
        assert found["targets"][2]["runs_negative"] == 5
        assert any("3 targets" in text for text in found["warnings"])

    def test_a_long_axis_has_no_value_where_nothing_is_evaluated(self, long):
        found = read(run("--measured", long, "--json"))
        assert found["test"]["long_axis"] is True
        for symbol in ("A", "A+", "A-", "R", "R+", "R-"):
            assert found["metrics"][symbol]["value"] is None
        assert found["metrics"]["E"]["value"] == pytest.approx(3e-6)
        assert found["metrics"]["B"]["value"] == pytest.approx(3e-6)
        assert found["uncertainty"] is None

    def test_nothing_else_on_stdout(self, table):
        result = run("--measured", table, "--json")
        assert json.loads(result.stdout)
        assert "verdict" in result.stderr and "caution" not in result.stdout


class TestVerdict:
    def test_without_tolerances_nothing_fails(self, table):
        """R is 8 um, beyond common practice of 2.54 um, but nobody asked for that."""
        result = run("--measured", table)
        text = " ".join(result.stdout.split())
        assert "none, no tolerance was given; by common practice, which has no source" in text
        assert "R 8.00 um exceeds 2.54 um" in text
        found = read(run("--measured", table, "--json"))
        assert found["verdict"] is None
        assert [one["given"] for one in found["tolerances"]] == [False, False]

    @pytest.mark.parametrize(
        ("options", "code", "words"),
        [
            (("--tolerance-accuracy", "14 um"), 0, "PASS: A 14.00 um keeps to 14 um"),
            (("--tolerance-accuracy", "0.0139 mm"), 1, "FAIL: A 14.00 um exceeds 13.9 um"),
            (("--tolerance-accuracy", "+-7 um"), 0, "PASS: A 14.00 um keeps to 14 um"),
            (("--tolerance-accuracy", "±6.9 um"), 1, "FAIL: A 14.00 um exceeds 13.8 um"),
            (("--tolerance-repeatability", "8.1 um"), 0, "PASS: R 8.00 um keeps to 8.1 um"),
            (("--tolerance", "B=3.1um"), 0, "PASS: B 3.00 um keeps to 3.1 um"),
            (
                ("--tolerance", "E+ = 5 um", "--tolerance-accuracy", "20 um"),
                1,
                "FAIL: A 14.00 um keeps to 20 um; E+ 6.00 um exceeds 5 um",
            ),
        ],
    )
    def test_exit_code(self, table, options, code, words):
        result = run("--measured", table, *options, code=code)
        assert f"verdict     {words}" in result.stdout
        found = read(run("--measured", table, "--json", *options, code=code))
        assert found["verdict"] is (code == 0)

    def test_doubtful(self, table):
        text = " ".join(run("--measured", table, "--tolerance-accuracy", "14.1 um").stdout.split())
        assert "A is too close to its tolerance for 5 runs in a direction to tell" in text
        assert "more runs may make it fail" in text
        text = run("--measured", table, "--tolerance-accuracy", "100 um").stdout
        assert "doubtful    A" not in text
        assert "interval reaches across" not in text

    def test_what_is_not_evaluated_is_not_accepted(self, long):
        text = run("--measured", long, "--tolerance-accuracy", "100 um", code=1).stdout
        assert "NO VERDICT: A is not evaluated on a long axis" in text


class TestSheet:
    def test_numbers_of_the_summary(self, table):
        lines = [" ".join(line.split()) for line in run("--measured", table).stdout.splitlines()]
        assert any(line.startswith("A accuracy, bidirectional 14.00 um") for line in lines)
        assert any(line.endswith("300 mm - and 550 mm -") for line in lines)
        assert "300 5.00 0.50 2.00 4.00 2.00 8.00 4.50 1.00 8.00" in lines
        assert "550 -1.00 1.00 4.00 -4.00 1.00 4.00 -2.50 3.00 7.00" in lines
        assert "test 3 targets from 100 mm to 550 mm, 5 runs in each direction" in lines

    def test_text(self, table, tmp_path):
        path = tmp_path / "sheet.txt"
        result = run("--measured", table, "--sheet", path, "--tolerance-accuracy", "25.4 um")
        assert f"written: {path}" in result.stderr
        text = path.read_text(encoding="utf-8")
        assert text.startswith("POSITIONING TEST, figures by the definitions of ISO 230-2\n")
        for words in ("PASS", "+-12.7 um", "accepted by, date ___", "instrument, its calibration"):
            assert words in text
        assert max(map(len, text.splitlines())) <= 110
        assert not list(tmp_path.glob(".*"))

    def test_page(self, table, tmp_path):
        path = tmp_path / "sheet.pdf"
        run("--measured", table, "--sheet", path)
        assert path.read_bytes().startswith(b"%PDF")

    @pytest.mark.parametrize("targets", [8, 60])
    def test_everything_fits_on_the_page(self, targets):
        """The text ends within the page, and does not reach into the plot or past the edge."""
        rng = np.random.default_rng(0)
        x = 1e-6 * rng.standard_normal((2, targets, 5))
        found = judge(Deviations(np.linspace(0.0, 1.9, targets) ** 1.01, x[0], x[1]), name="page")
        figure = acceptance_plots.plot_sheet(found, acceptance_summary.sheet(found))
        figure.draw_without_rendering()
        (text,) = figure.subfigs[1].texts
        box, page, plot = text.get_window_extent(), figure.bbox, figure.subfigs[0].bbox
        assert page.x0 < box.x0 and box.x1 < page.x1
        assert page.y0 < box.y0 and box.y1 <= plot.y0 + 1.0
        assert figure.get_figwidth() == pytest.approx(8.27)
        if targets == 8:
            assert figure.get_figheight() == pytest.approx(11.69)


class TestFigure:
    def test_written(self, table, tmp_path):
        path = tmp_path / "test.png"
        run("--measured", table, "--figure", path)
        pixels = image.imread(path)
        assert pixels.shape[1] == 1650
        seen = {to_hex(one) for one in np.unique(pixels[..., :3].reshape(-1, 3), axis=0)}
        assert {"#0072b2", "#d55e00", "#cc79a7"} <= seen  # both directions and repeatability

    def test_curves_are_means_and_bands(self, table):
        """Values of the table by hand, in um over mm."""
        found = judge_of(table)
        ax = acceptance_plots.plot_deviations(found.evaluation, tolerance=25.4e-6)
        lines = {line.get_label(): line for line in ax.get_lines()}
        mean = lines["mean, approaching +"]
        assert list(mean.get_xdata()) == pytest.approx([100, 300, 550])
        assert list(mean.get_ydata()) == pytest.approx([3, 5, -1])
        assert list(lines["mean of both"].get_ydata()) == pytest.approx([2, 4.5, -2.5])
        curves = [list(line.get_ydata()) for line in ax.get_lines() if len(line.get_xdata()) == 3]
        for edge in ([5, 6, 1], [1, 4, -3], [2, 8, -2], [0, 0, -6]):
            assert any(curve == pytest.approx(edge) for curve in curves), edge
        levels = [line.get_ydata()[0] for line in ax.get_lines() if line.get_linestyle() == "-."]
        assert sorted(levels) == pytest.approx([-6, 8])  # A spans them
        edges = [line.get_ydata()[0] for line in ax.get_lines() if line.get_color() == "#009E73"]
        assert sorted(edges) == pytest.approx([1 - 12.7, 1 + 12.7])
        assert (ax.get_xlabel(), ax.get_ylabel()) == ("position [mm]", "deviation [µm]")

    def test_repeatability_by_target(self, table):
        ax = acceptance_plots.plot_repeatability(judge_of(table).evaluation, tolerance=2.54e-6)
        lines = {line.get_label(): list(line.get_ydata()) for line in ax.get_lines()}
        assert lines["repeatability, bidirectional"] == pytest.approx([5, 8, 7])
        assert lines["repeatability, approaching +"] == pytest.approx([4, 2, 4])
        assert lines["reversal"] == pytest.approx([2, 1, 3])
        assert "tolerance 2.54 µm" in lines

    def test_a_long_axis_has_no_bands(self, long):
        found = judge_of(long)
        ax = acceptance_plots.plot_deviations(found.evaluation)
        assert not ax.collections
        labels = [line.get_label() for line in ax.get_lines()]
        assert "E = 3.000 µm" in labels
        assert acceptance_plots.plot_acceptance(found).axes

    def test_one_target_and_no_scatter(self):
        found = judge(Deviations([0.1], [[0, 0]], [[0, 0]]), name="none", tolerances={"A": 1e-6})
        figure = acceptance_plots.plot_acceptance(found)
        figure.draw_without_rendering()
        assert "tolerances kept" in figure.get_suptitle()


def judge_of(path):
    from servosim.positioning.measured import read_measured

    return judge(read_measured(path), name=str(path))


QUICK = ("--machines", 3, "--runs", 2, "--seed", 5)


class TestSimulated:
    """The test on the demonstration axis, with few machines."""

    @pytest.fixture(scope="class")
    @classmethod
    def found(cls):
        return read(run(AXIS, *QUICK, "--json"))

    def test_json_has_the_form_of_a_measured_test(self, found, table):
        measured = read(run("--measured", table, "--json"))
        assert set(found) == set(measured) | {"simulated"}
        assert list(found["metrics"]) == list(SYMBOLS)
        for symbol, one in found["metrics"].items():
            assert set(one) == set(measured["metrics"][symbol])
            assert one["definition"] == measured["metrics"][symbol]["definition"]
        assert found["test"]["runs"] == [2, 2] and len(found["targets"]) == 5
        assert found["verdict"] is None

    def test_json_has_the_distribution(self, found):
        more = found["simulated"]
        assert (more["position"], more["machines"], more["seed"]) == ("unlocked", 3, 5)
        assert more["moves"] == 3 * 2 * 2 * 5 * 2  # machines, readings, directions, targets, runs
        assert list(more["positions"]) == ["unlocked", "locked"]
        for one in more["positions"].values():
            values = one["figures"]["A"]["values"]
            assert len(values) == 3 and one["machines"] == [0, 1, 2]
            assert one["figures"]["A"]["median"] == pytest.approx(np.median(values))
            assert one["passing"]["passed"] == sum(
                a <= 25.4e-6 and r <= 2.54e-6
                for a, r in zip(values, one["figures"]["R"]["values"], strict=True)
            )
        place = more["positions"]["unlocked"]["machines"].index(more["metrics_of_machine"])
        for symbol in SYMBOLS:
            value = more["positions"]["unlocked"]["figures"][symbol]["values"][place]
            assert found["metrics"][symbol]["value"] == value
        assert {one["key"] for one in more["drawn"]} == set(more["worst"]["drawn"])

    def test_the_worst_machine_again_alone(self, found):
        worst = found["simulated"]["worst"]
        options = ("--machine", worst["number"], "--runs", 2, "--seed", 5, "--workers", 1)
        again = read(run(AXIS, *options, "--json"))
        figures = {name: one["value"] for name, one in again["metrics"].items()}
        assert figures == worst["figures"]
        assert again["simulated"]["worst"]["drawn"] == worst["drawn"]

    def test_of_one_machine_there_is_no_spread(self):
        said = run(AXIS, "--machine", 1, "--runs", 2, "--targets", 2, "--workers", 1).stdout
        verdict = " ".join(said.partition("verdict")[2].partition("figures")[0].split())
        assert re.search("the machine (keeps|does not keep) to A 25.4 um and R 2.54 um$", verdict)
        assert "95 % of machines" not in said and "machines like these" not in said

    def test_data_are_read_as_measured(self, found, tmp_path):
        path = tmp_path / "median.csv"
        run(AXIS, *QUICK, "--data", path)
        measured = read(run("--measured", path, "--json"))
        for symbol in SYMBOLS:
            value = found["metrics"][symbol]["value"]
            assert measured["metrics"][symbol]["value"] == pytest.approx(value, rel=1e-9)

    @pytest.mark.parametrize(
        ("options", "code", "words"),
        [
            (("--tolerance-accuracy", "1 mm"), 0, "PASS: 3 of 3 machines keep to A 1000 um"),
            (("--tolerance-accuracy", "1 nm"), 1, "FAIL: 0 of 3 machines keep to A 0.001 um"),
            (
                ("--tolerance-accuracy", "1 nm", "--position", "locked", "--least-share", "1 %"),
                1,
                "1.0 % of the machines must",
            ),
        ],
    )
    def test_verdict(self, options, code, words):
        result = run(AXIS, *QUICK, *options, code=code)
        assert f"verdict     {words}" in result.stdout or words in result.stdout
        found = read(run(AXIS, *QUICK, *options, "--json", code=code))
        assert found["verdict"] is (code == 0)

    def test_text_says_what_was_drawn_and_what_was_not(self):
        text = " ".join(run(AXIS, *QUICK).stdout.split())
        for words in (
            "3 virtual machines with seed 5, 5 targets from",
            "judged the unlocked position: the loop holds the table",
            "the locked one stands beside, --position locked judges that",
            "none, no tolerance was given; by common practice, which has no source:",
            "workpiece 0 kg to 500 kg its envelope",
            "null bias -0.3 % to 0.3 % what the file states, either side",
            "trim set anew for each machine's null bias",
            "supply drawn evenly from 130 bar to 150 bar, the envelope",
            "it warms from 25 degC towards 50 degC, the envelope, time constant 50 min",
            "change of friction from stop to stop (--friction-variation)",
            "warming of the scale, which stays at 20 degC (--scale-warming)",
            "again alone with --machine",
            "2 runs in a direction where the standard asks for 5",
            "not a release to run",
        ):
            assert words in text, words

    def test_options_are_said(self):
        text = " ".join(
            run(
                AXIS, "--machine", 1, "--runs", 2, "--targets", 3, "--from", "200 mm", "--to",
                "0.5 m", "--supply", "machine", "--oil", "file", "--trim", "file",
                "--friction-variation", "10 %", "--scale-warming", "2 K", "--set",
                "valve.hysteresis=0.2 %",
            ).stdout.split()
        )  # fmt: skip
        for words in (
            "1 virtual machine with seed 0, 3 targets from 2",
            "oil at the file's 40 degC throughout",
            "supply 130 bar to 150 bar its envelope",
            "trim is the file's for every machine",
            "friction of ways and seals, evenly within +-10 %",
            "scale from 20 degC, +2 K over the test",
            "machine number 1; workpiece",
        ):
            assert words in text, words
        assert "not told by the file" not in text and "drawn evenly from 130" not in text

    def test_written(self, tmp_path):
        figure, page, text = (tmp_path / name for name in ("a.png", "s.pdf", "s.txt"))
        run(AXIS, *QUICK, "--figure", figure, "--sheet", page)
        run(AXIS, *QUICK, "--sheet", text)
        pixels = image.imread(figure)
        assert pixels.shape[1] == 1650
        assert page.read_bytes().startswith(b"%PDF")
        lines = text.read_text(encoding="utf-8").splitlines()
        assert lines[0].startswith("SIMULATED POSITIONING TEST")
        assert not any("accepted by" in line for line in lines)  # no machine was tested

    def test_a_long_axis_has_no_verdict_on_accuracy(self):
        long = ROOT / "params/screw_table.toml"
        options = ("--machines", 1, "--targets", 3, "--set", "lock.brake=none")
        result = run(long, *options, "--tolerance-accuracy", "1 mm", code=1)
        text = " ".join(result.stdout.split())
        assert "NO VERDICT: A is not evaluated on a long axis" in text
        assert "1 run in each direction" in text
        found = read(run(long, *options, "--tolerance", "E=1 mm", "--json"))
        assert found["metrics"]["A"]["value"] is None and found["verdict"] is True

    def test_interrupted(self, monkeypatch):
        """What is finished is told, with the exit code of an interruption."""
        from servosim.positioning import acceptance as module

        monkeypatch.setattr(module, "_ONCE", 40)
        ensemble, calls = module.ensemble, []

        def stops(*args, **more):
            calls.append(1)
            if len(calls) > 1:
                raise KeyboardInterrupt
            return ensemble(*args, **more)

        monkeypatch.setattr(module, "ensemble", stops)
        found = read(run(AXIS, *QUICK, "--json", code=130))
        assert found["simulated"]["interrupted"] is True
        assert (found["simulated"]["machines"], found["simulated"]["machines_asked"]) == (1, 3)

    def test_histogram(self):
        from servosim.positioning.acceptance import run_acceptance
        from servosim.positioning.population import simulated

        axis = servosim.read_axis(AXIS)
        tests = run_acceptance(axis, machines=4, runs=2)
        found = simulated(tests, name="n", tolerances={"R": 3e-6})
        ax = acceptance_plots.plot_spread(found, "R")
        for bars, people in zip(ax.containers, found.populations.values(), strict=True):
            assert sum(bar.get_height() for bar in bars) == 4
            edges = [bar.get_x() for bar in bars] + [bars[-1].get_x() + bars[-1].get_width()]
            counts, _ = np.histogram(people.figures["R"] * 1e6, edges)
            assert [bar.get_height() for bar in bars] == list(counts)
        (line,) = ax.get_lines()
        assert line.get_xdata()[0] == pytest.approx(3.0)
        assert ax.get_xlabel() == "R [\u00b5m]"
        figure = acceptance_plots.plot_simulated(found)
        figure.draw_without_rendering()
        assert "4 machines keep to the tolerances" in figure.get_suptitle()

    def test_a_tolerance_beyond_the_plot_is_told_in_the_legend(self, table):
        ax = acceptance_plots.plot_deviations(judge_of(table).evaluation, tolerance=1e-3)
        assert "tolerance 1000 \u00b5m, beyond the plot" in [
            one.get_label() for one in ax.get_lines()
        ]
        low, high = ax.get_ylim()
        assert high - low < 30.0

    @pytest.mark.parametrize(
        ("options", "words"),
        [
            (("--position", "up"), "--position: 'up' is not known; expected one of unlocked"),
            (("--machine", 1, "--machines", 2), "--machine: --machines is given too"),
            (("--supply", "x"), "--supply: 'x' is not known"),
            (("--pause", "5"), "--pause: '5' has no unit"),
            (("--pause=-5 s",), "--pause: is -5 s"),
            (("--scale-warming", "20 degC"), "--scale-warming: '20 degC' is a temperature"),
            (("--friction-variation", "100 %"), "--friction-variation: is 1; expected 0 to 0.95"),
            (("--least-share", "0 %"), "--least-share: is 0 %"),
            (("--runs", 1), "a single run has no standard deviation"),
            (("--from", "800 mm"), "low end: is 800 mm; expected 0 mm to 700 mm"),
            (("--set", "valve.x=1"), "valve] x: "),
            (("--data", "a.nc"), "--data: 'a.nc' has no known suffix"),
        ],
    )
    def test_refused(self, options, words):
        assert words in run(AXIS, *options, code=2).stderr

    def test_an_axis_without_lock_has_no_locked_position(self):
        rig = ROOT / "params/teaching_rig.toml"
        assert "the axis has no lock" in run(rig, "--position", "locked", code=2).stderr
        text = run(rig, "--machines", 2, "--runs", 2).stdout
        assert "locked:" not in text and "stands beside" not in text

    def test_an_axis_that_never_rests_in_its_window(self):
        """With its trim far off no lock closes, and that is said instead of figures."""
        options = ("--set", "controller.null_trim=1 %")
        result = run(AXIS, *QUICK, *options, "--position", "locked", code=1)
        assert "60 of 60 stops gave no position" in result.stderr
        assert "the table never came into the lock's window" in result.stderr
        text = " ".join(run(AXIS, *QUICK, *options).stdout.split())
        assert "60 of 60 locked stops gave no position; the 3 machines concerned" in text
        assert "60 of 60 unlocked stops were not inside the file's window" in text


class TestFaults:
    def test_of_options_and_file_together(self, table, tmp_path):
        path = tmp_path / "bad.csv"
        path.write_text("target [mm],direction,run,deviation [um]\n1,+,1,x\n", encoding="utf-8")
        result = run(
            "--measured", path, "--practice", "4s", "--seed", "x", "--sheet", "a.doc", "--figure",
            "nowhere/a.png", "--tolerance-accuracy", "5", "--tolerance", "Q=1 um", "--tolerance",
            "B", "--tolerance-repeatability", "+-1 um", code=2,
        )  # fmt: skip
        assert result.stdout == ""
        for words in (
            "--practice: '4s' is not known; expected one of 2s, 3s",
            "--seed: 'x' is no seed",
            "--sheet: 'a.doc' has no known suffix",
            "--figure: the folder of 'nowhere/a.png' does not exist",
            "--tolerance-accuracy: '5' has no unit",
            "--tolerance: 'Q' is no figure",
            "--tolerance: 'B' is no tolerance of a figure",
            "--tolerance-repeatability: a tolerance to both sides is no limit for R",
            "bad.csv line 2, column 'deviation [um]': 'x' has no number",
        ):
            assert words in result.stderr

    @pytest.mark.parametrize(
        ("options", "words"),
        [
            ((), "nothing to evaluate; expected the file of an axis, or --measured FILE"),
            (("axis.toml",), "axis.toml: no such file"),
            (
                ("--measured", DEMO, "--machines", 3),
                "--machines: a measured table is evaluated as it is",
            ),
            (("--measured", DEMO, "--position", "locked"), "--position: a measured table"),
            (("--measured", DEMO, "--data", "a.csv"), "--data: a measured table"),
            (("axis.toml", "--measured", DEMO), "'axis.toml' is given too"),
            (
                ("--measured", DEMO, "--tolerance-accuracy", "1 um", "--tolerance", "A=2 um"),
                "the tolerance of A is given twice",
            ),
            (("--measured", DEMO, "--tolerance-accuracy", "-1 um"), "-1 um for A"),
            (("--measured", DEMO, "--tolerance", "B=1 bar"), "--tolerance: '1 bar' is a pressure"),
            (("--measured", "none.csv"), "none.csv: no such file"),
        ],
    )
    def test_refused(self, options, words):
        assert words in run(*options, code=2).stderr

    def test_nothing_is_written_if_the_table_is_refused(self, tmp_path):
        bad = tmp_path / "bad.csv"
        bad.write_text("target [mm],direction,run,deviation [um]\n1,+,1,nan\n", encoding="utf-8")
        run(
            "--measured", bad, "--figure", tmp_path / "a.png", "--sheet", tmp_path / "a.txt", code=2
        )
        assert [one.name for one in tmp_path.iterdir()] == ["bad.csv"]

    def test_help_is_quick(self):
        text = f"""
import sys
from typer.testing import CliRunner
from servosim.cli import app
result = CliRunner().invoke(app, ["acceptance", "--help"])
assert result.exit_code == 0 and "--measured" in result.output
print(sorted(set({SLOW!r}) & set(sys.modules)))
"""
        done = subprocess.run(
            [sys.executable, "-c", text], capture_output=True, text=True, check=True, cwd=ROOT
        )
        assert done.stdout.strip() == "[]"
