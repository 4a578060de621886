"""The command ``stability``: what it asks for, prints, writes and returns."""

from __future__ import annotations

import dataclasses
import importlib
import json
import math
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

import servosim
from servosim import linear_plots as drawn
from servosim.cli import app
from servosim.commands import stability_command, stability_summary
from servosim.linear.envelope import NULL_SAYS_NOTHING

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "params/tube_sheet_table.toml"
SLOW = ("numba", "numpy", "control", "pint", "matplotlib", "scipy")
runner = CliRunner()
home = importlib.import_module("servosim.stability")


def run(*words, code=0):
    """Run the command and check its exit code."""
    result = runner.invoke(app, ["stability", *map(str, words)])
    assert result.exit_code == code, result.output
    assert "Traceback" not in result.output
    return result


def refuse_constant(name):
    raise AssertionError(f"{name} is not strict JSON")


@pytest.fixture(scope="module")
def found():
    """What the library says about the demonstration axis, at three positions along its stroke."""
    return home.stability(servosim.read_axis(DEMO), positions=3)


@pytest.fixture
def asked(monkeypatch, found):
    """Let the command find what is found already, and tell what it asked for."""
    seen = {"found": found}

    def fake(axis, position, **options):
        seen.update(options, axis=axis, position=position)
        return seen["found"]

    monkeypatch.setattr(home, "stability", fake)
    return seen


def rows_of(found):
    """Return the printed lines, a blank between words."""
    return [" ".join(line.split()) for line in stability_summary.summary(found)]


class TestFound:
    def test_loops_are_those_of_the_position(self, found):
        assert found.position == 0.4  # the target of the file's move
        assert {point.position for point in found.loops.points} == {0.4}
        assert {point.condition for point in found.loops.points} == {
            "null", "edge", "rest", "rapid",
        }  # fmt: skip
        least = np.minimum(found.loops.command.gain_margin, found.loops.position.gain_margin)
        assert found.loops.shown == np.argmin(least)

    def test_margins_are_read_off_the_responses(self, found):
        """Gain and phase at the crossings of the curves that are drawn."""
        loops = found.loops
        for margins, L in (
            (loops.command, loops.command_loop),
            (loops.position, loops.position_loop),
        ):
            x = np.log(loops.omega)
            at = math.log(margins.gain_frequency[loops.shown])
            there = np.interp(at, x, L.real) + 1j * np.interp(at, x, L.imag)
            assert -1.0 / there.real == pytest.approx(margins.gain_margin[loops.shown], rel=5e-3)
            assert abs(there.imag) < 0.01 * abs(there.real)
            at = math.log(margins.phase_frequency[loops.shown])
            there = np.interp(at, x, L.real) + 1j * np.interp(at, x, L.imag)
            assert abs(there) == pytest.approx(1.0, rel=5e-3)
            turn = abs(math.pi - abs(np.angle(there)))
            assert turn == pytest.approx(margins.phase_margin[loops.shown], abs=5e-3)
            peak = np.max(1.0 / np.abs(1.0 + L))
            assert peak == pytest.approx(margins.maximum_sensitivity[loops.shown], rel=5e-3)

    def test_compliance_without_the_loop_is_that_of_the_plant(self, found):
        """Closing the position loop adds stiffness at rest and little far above."""
        loops = found.loops
        slow, fast = 0, int(np.searchsorted(loops.omega, 2000.0))
        assert abs(loops.compliance[slow]) < 0.1 * abs(loops.open_compliance[slow])
        assert loops.compliance[fast] == pytest.approx(loops.open_compliance[fast], rel=0.05)
        # far above all resonances a mass is left, 1/(m w^2); 650 + 350 kg of table, 25 of piston
        mass = 1.0 / (abs(loops.open_compliance[fast]) * loops.omega[fast] ** 2)
        assert mass == pytest.approx(1025.0, rel=0.05)

    def test_locus_passes_the_limit_of_the_gain_margin(self, found):
        shown = found.loops.shown
        # without an integral the position loop is in proportion to the velocity gain
        limit = 22.0 * found.loops.position.gain_margin[shown]
        assert found.locus.limit == pytest.approx(limit, rel=1e-4)

    @pytest.mark.parametrize("position", [-1e-3, 0.8, math.nan])
    def test_a_position_outside_the_stroke(self, position):
        with pytest.raises(servosim.ParameterError, match="outside the stroke"):
            home.stability(servosim.read_axis(DEMO), position)

    def test_tells_how_far_it_is(self, found, monkeypatch):
        for name in ("compare", "along_stroke", "limit_cycles", "resting_band", "root_locus",
                     "envelope_margins", "loops_at"):  # fmt: skip
            held = getattr(found, {"compare": "comparison", "along_stroke": "stroke"}.get(
                name, name), found.loops)  # fmt: skip
            monkeypatch.setattr(home, name, lambda *a, held=held, **k: held)
        steps = []
        home.stability(found.axis, progress=lambda *step: steps.append(step))
        assert [done for _, done, _ in steps] == list(range(len(home.STAGES) + 1))
        assert {total for *_, total in steps} == {len(home.STAGES)}


class TestText:
    def test_begins_with_file_position_and_limit(self, found):
        lines = stability_summary.summary(found)
        assert lines[0] == str(DEMO)
        assert lines[1].strip() == found.axis.file.title
        assert "position    400 mm, all else as in the file" in lines
        limit = f"{found.locus.limit:.4g} 1/s"
        assert f"velocity gain 22 1/s; stable up to {limit}" in "\n".join(lines)
        assert "not a release to run" in lines[-1]

    def test_a_gain_that_is_unstable_says_so(self, found):
        """At the end of the stroke 22 1/s is too little, and some larger gains are stable."""
        loops = home.loops_at(found.axis, 0.0)
        locus = home.root_locus(found.axis, loops.points[loops.shown])
        there = dataclasses.replace(found, position=0.0, loops=loops, locus=locus)
        ((low, high),) = locus.ranges
        text = f"velocity gain 22 1/s, UNSTABLE; stable from {low:.4g} 1/s to {high:.4g} 1/s"
        assert text in " ".join(" ".join(rows_of(there)).split())

    def test_no_gain_from_zero_on_is_none_in_both_tables(self, found):
        along = dataclasses.replace(
            found.stroke, limit_exact=np.where(found.stroke.position > 0.0, 30.0, 0.0)
        )
        row = dataclasses.replace(found.comparison["limit of the velocity gain"], exact=0.0)
        comparison = dataclasses.replace(found.comparison, rows=(row,))
        rows = rows_of(dataclasses.replace(found, stroke=along, comparison=comparison))
        assert any(r.startswith("limit of the velocity gain") and " none" in r for r in rows)
        assert any(r.startswith("0 mm ") and " none " in r for r in rows)
        assert any(r.startswith("none: the loop is unstable already") for r in rows)

    def test_a_frequency_that_is_the_same_everywhere_has_no_lowest(self, found):
        level = np.full_like(found.stroke.omega_exact, 90.0)
        along = dataclasses.replace(found.stroke, omega_exact=level)
        lines = stability_summary.stroke_lines(dataclasses.replace(found, stroke=along))
        assert not any("lowest" in one for one in lines)
        assert any(one.endswith("; the same everywhere") for one in lines)

    def test_rounding_in_a_share_of_the_error_is_nothing(self, found):
        share = dataclasses.replace(found.resting.shares[0], value=-1.2e-21, offset=True)
        resting = dataclasses.replace(found.resting, shares=(share,))
        rows = stability_summary.rest_lines(dataclasses.replace(found, resting=resting))
        assert "  0 um each time" in rows[1]

    def test_formula_and_exact_number_stand_side_by_side(self, found):
        row = found.comparison["natural frequency"]
        off = 100.0 * (row.closed / row.exact - 1.0)
        hertz = [f"{x / (2 * math.pi):.4g} Hz" for x in (row.closed, row.exact)]
        rows = rows_of(found)
        assert f"natural frequency {hertz[0]} {hertz[1]} {off:+.3g} %" in rows
        place = rows.index(f"natural frequency {hertz[0]} {hertz[1]} {off:+.3g} %")
        assert rows[place + 1].startswith("because of ")
        assert row.reasons[0].cause in rows[place + 1]

    def test_numbers_that_agree_need_no_reason(self, found):
        same = dataclasses.replace(found.comparison.rows[0], closed=1.0, exact=1.001, reasons=())
        assert stability_summary._reason(same) == ""
        none = dataclasses.replace(same, closed=math.nan)
        assert stability_summary._deviation(none) == "-"
        other = dataclasses.replace(same, closed=2.0)
        assert "none of which stands out" in stability_summary._reason(other)

    def test_margins_of_each_condition_at_both_cuts(self, found):
        rows = rows_of(found)
        assert "margins, loop opened at the valve's command" in rows
        start = rows.index("margins, loop opened at the position error")
        m = found.loops.position
        for k, point in enumerate(found.loops.points):
            row = rows[start + 2 + k]
            assert f"{20 * math.log10(m.gain_margin[k]):.4g} dB" in row
            assert f"{math.degrees(m.phase_margin[k]):.4g} deg" in row
            assert f"{1e3 * m.delay_margin[k]:.4g} ms" in row
            assert row.startswith(
                {"null": "spool", "edge": "just", "rest": "at", "rapid": "rapid"}[point.condition]
            )

    def test_worst_case_of_the_envelope_is_named(self, found):
        envelope = found.envelope
        stable = envelope.command.stable & ~envelope.meaningless
        gains = np.where(stable, envelope.position.gain_margin, np.inf)
        worst = int(np.argmin(gains))
        lines = stability_summary.envelope_lines(envelope)
        (at,) = [
            k
            for k, line in enumerate(lines)
            if line.strip().startswith("gain margin") and "position error" in line
        ]
        assert f"{20 * math.log10(gains[worst]):.4g} dB" in lines[at]
        place = " ".join(lines[at + 1].split() + lines[at + 2].split())
        point = envelope.points[worst]
        assert f"at {1e3 * point.position:g} mm" in place
        for value in (point.corner["workpiece_mass"],):
            assert f"workpiece {value:g} kg" in place

    def test_unstable_points_come_first(self, found):
        envelope = found.envelope
        stable = np.zeros_like(envelope.command.stable)
        stable[:5] = True
        command = dataclasses.replace(envelope.command, stable=stable)
        broken = dataclasses.replace(envelope, command=command)
        lines = stability_summary.envelope_lines(broken)
        count = int((~stable & ~envelope.meaningless).sum())
        assert sum(line.startswith("  UNSTABLE at ") for line in lines) == 4
        assert any(f"and {count - 4} more points at which" in line for line in lines)
        assert any(line.startswith("  gain margin") for line in lines)
        none = dataclasses.replace(
            envelope, command=dataclasses.replace(envelope.command, stable=stable & False)
        )
        assert "no point is left" in "\n".join(stability_summary.envelope_lines(none))

    def test_null_of_an_overlapped_valve_means_nothing(self, found):
        flags = np.array([point.condition == "null" for point in found.loops.points])
        loops = dataclasses.replace(found.loops, meaningless=flags)
        text = " ".join(
            " ".join(stability_summary.margin_lines(dataclasses.replace(found, loops=loops)))
            .split()
        )  # fmt: skip
        assert text.count("means nothing") == 2  # at each cut
        assert NULL_SAYS_NOTHING in text

    def test_stroke_names_the_lowest_frequency(self, found):
        along = found.stroke
        k = int(np.argmin(along.omega_exact))
        (row,) = [row for row in rows_of(found) if row.endswith("lowest frequency")]
        assert row.startswith(f"{1e3 * along.position[k]:g} mm ")
        assert f"{along.omega_exact[k] / (2 * math.pi):.4g} Hz" in row
        assert f"{along.omega_closed[k] / (2 * math.pi):.4g} Hz" in row

    def test_limit_cycles_with_their_verdict(self, found):
        rows = rows_of(found)
        for one in found.limit_cycles.cycles:
            assert any(row.startswith(one.mechanism) and one.verdict in row for row in rows)
        one = found.limit_cycles.cycles[0]
        seen = dataclasses.replace(
            one.seen, swings=True, amplitude=12e-6, frequency=2 * math.pi * 8.0
        )
        from servosim.linear.limit_cycles import Predicted

        predicted = Predicted(10e-6, 2 * math.pi * 7.5, True)
        swinging = dataclasses.replace(
            found.limit_cycles,
            cycles=(dataclasses.replace(one, predicted=predicted, seen=seen, verdict="both"),),
        )
        text = stability_summary.cycle_lines(dataclasses.replace(found, limit_cycles=swinging))
        assert " ".join(text[1].split()) == (
            f"{one.mechanism} +-10 um at 7.5 Hz +-12 um at 8 Hz both"
        )


class TestOptions:
    def test_are_handed_on(self, asked):
        run(DEMO, "--position", "35 cm", "--positions", "5", "--workers", "2", "--set",
            "controller.velocity_gain=20 1/s")  # fmt: skip
        assert asked["position"] == pytest.approx(0.35)
        assert (asked["positions"], asked["workers"]) == (5, 2)
        assert asked["axis"].file.controller.velocity_gain == 20.0

    @pytest.mark.parametrize(
        ("words", "said"),
        [
            (["--position", "350"], "--position: '350' has no unit"),
            (["--positions", "0"], "--positions: 0 positions; expected 1 to"),
            (["--figure", "a.gif"], "--figure: 'a.gif' has no known suffix"),
            (["--figure", "a.png", "--kind", "nyquits"], "nearest name 'nyquist'"),
            (["--kind", "bode"], "--kind: no figure is written; expected --figure PATH with it"),
            (["--set", "controller.velocity_gian=2 1/s"], "velocity_gain"),
        ],
    )
    def test_faults_are_told_and_nothing_runs(self, words, said, monkeypatch):
        monkeypatch.setattr(home, "stability", None)
        result = run(DEMO, *words, code=2)
        assert said in result.stderr and result.stdout == ""

    def test_a_position_outside_the_stroke(self):
        text = run(DEMO, "--position", "2 m", code=2).stderr
        assert (
            text == f"{DEMO}: position 2000 mm lies outside the stroke; expected 0 mm to 700 mm\n"
        )

    def test_kinds_are_those_that_can_be_drawn(self):
        assert stability_command._KINDS == drawn.KINDS

    @pytest.mark.parametrize("command", ["stability", "tune"])
    def test_help_answers_without_what_is_slow(self, command):
        program = (
            "import sys\nfrom servosim.cli import app\ntry:\n"
            f"    app([{command!r}, '--help'])\nexcept SystemExit:\n    pass\n"
            f"print('IMPORTED', *sorted(set({SLOW!r}) & set(sys.modules)))"
        )
        done = subprocess.run(
            [sys.executable, "-c", program], capture_output=True, text=True, cwd=ROOT, check=True
        )
        assert done.stdout.split("IMPORTED")[1].split() == []
        assert "--set" in done.stdout


class TestOutput:
    def test_json_is_strict_and_alone(self, asked, found):
        result = run(DEMO, "--json")
        said = json.loads(result.stdout, parse_constant=refuse_constant)
        assert list(said)[:4] == ["servosim", "file", "title", "position"]
        assert said["position"] == 0.4 and said["gain_limit"] == found.locus.limit
        assert said["stable_gains"] == [[0.0, pytest.approx(found.locus.limit)]]
        assert len(said["margins"]) == len(found.loops.points)
        first = said["margins"][0]
        assert first["command"]["gain_margin"] == found.loops.command.gain_margin[0]
        row = next(one for one in said["comparison"]["rows"] if one["name"] == "damping ratio")
        assert row["exact"] == found.comparison["damping ratio"].exact
        worst = said["envelope"]["worst"]["phase_margin"]["position"]
        assert set(worst["corner"]) <= {
            "workpiece_mass", "temperature", "free_air", "supply_pressure",
        }  # fmt: skip
        assert len(said["stroke"]["position"]) == len(found.stroke.position)
        assert [one["mechanism"] for one in said["limit_cycles"]["cycles"]] == [
            one.mechanism for one in found.limit_cycles.cycles
        ]
        assert "not a release to run" in result.stderr

    @pytest.mark.parametrize("kind", drawn.KINDS)
    def test_every_kind_is_drawn_with_units(self, found, kind):
        figure = drawn.plot_stability(found, kind)
        axes = [ax for ax in figure.axes if ax.get_visible()]
        assert axes
        for ax in axes:
            labels = [ax.get_xlabel(), ax.get_ylabel()]
            assert all(one.endswith("]") for one in labels if one)
        assert found.axis.file.title in figure.get_suptitle()

    def test_an_unknown_kind(self, found):
        with pytest.raises(servosim.ParameterError, match="no plot is called 'bodes'"):
            drawn.plot_stability(found, "bodes")

    def test_title_says_where_the_drawing_holds(self, found):
        """Margins of the envelope and curves along the stroke are not those of one position."""
        titles = {
            kind: " ".join(drawn.plot_stability(found, kind).get_suptitle().split())
            for kind in ("nyquist", "stroke", "envelope")
        }
        assert "loop at 400 mm" in titles["nyquist"]
        assert f"{len(found.envelope.points)} points of the envelope" in titles["envelope"]
        assert "spool centred, all else as in the file" in titles["stroke"]
        assert not any("400 mm" in titles[kind] for kind in ("stroke", "envelope"))

    def test_figure_is_written(self, asked, tmp_path):
        page = tmp_path / "nyquist.svg"
        said = run(DEMO, "--figure", page, "--kind", "nyquist").stderr
        assert f"written: {page}" in said
        assert page.read_text(encoding="utf-8").startswith("<?xml")

    def test_a_figure_that_cannot_be_written(self, asked, tmp_path, monkeypatch):
        def full(*arguments):
            raise OSError(28, "No space left on device")

        monkeypatch.setattr("servosim.plots.save_figure", full)
        result = run(DEMO, "--figure", tmp_path / "a.png", code=1)
        assert "not written: " in result.stderr and "limit cycles" in result.stdout

    def test_an_interruption(self, monkeypatch):
        def interrupt(*arguments, **options):
            raise KeyboardInterrupt

        monkeypatch.setattr(home, "stability", interrupt)
        assert "interrupted; nothing was written" in run(DEMO, code=130).stderr


def test_numbers_for_people():
    text = stability_summary.number
    assert text(math.inf, "dB") == "without limit" and text(0.0, "dB") == "none"
    assert text(math.pi / 3, "rad") == "60 deg" and text(0.0042, "s") == "4.2 ms"
    # 1 L/min/bar is 1/60000 m3/s over 1e5 Pa
    assert text(1e-3 / 6e9, "m3/(s Pa)") == "1 mL/min/bar"
    assert text(math.nan, "N/m") == "-"
