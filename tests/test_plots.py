"""Figures: what they show is the run, in the unit that the axis says, and nothing else changes."""

import dataclasses
import math
import subprocess
import sys

import matplotlib
import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from servosim import ParameterError, _sequence, read_axis, simulate
from servosim import plots as drawn
from servosim._samples import RECORD
from servosim.panels.drawing import STYLES, phase_spans
from servosim.result import Status

PANELS = (
    drawn.plot_position,
    drawn.plot_error,
    drawn.plot_velocity,
    drawn.plot_spool,
    drawn.plot_pressures,
    drawn.plot_lock,
)
CLOSE, LOCKED, OPEN, FREE = 1.2, 1.23, 2.1, 2.13
# the eight colours of M. Okabe and K. Ito (from memory)
OKABE_ITO = {
    "#000000",
    "#E69F00",
    "#56B4E9",
    "#009E73",
    "#F0E442",
    "#0072B2",
    "#D55E00",
    "#CC79A7",
}


def locked_run(up=True):
    """Return a run of the demonstration axis with a trace that locks, is pushed, and opens."""
    axis = read_axis("params/tube_sheet_table.toml").replace(
        {
            "move.start": "250 mm" if up else "400 mm",
            "move.target": "400 mm" if up else "250 mm",
            "move.duration": "10 ms",
            "window.half_width": "5 um",
            "lock.kind": "blocking_valve",
            "thrust.mode": "locked",
            "thrust.along": "200 N",
            "thrust.normal": "1500 N",
            "thrust.delay": "0.2 s",
            "thrust.ramp": "20 ms",
            "thrust.feed_time": "0.3 s",
        }
    )
    stub = simulate(axis)
    n, i = 3001, axis.parameters.index
    t = np.arange(n) * 1e-3
    X, R = np.zeros((n, stub.states.shape[1])), np.zeros((n, len(RECORD)))
    sign = 1.0 if up else -1.0
    x = stub.move.target - sign * 0.15 * np.clip(1.0 - t / 0.9, 0.0, 1.0) + 2e-6
    X[:, i.piston_position] = X[:, i.table_position] = x
    X[:, i.piston_velocity] = X[:, i.table_velocity] = np.gradient(x, t)
    X[:, i.pressure_a], X[:, i.pressure_b], X[:, i.supply_pressure] = 7e6, 6e6, 14e6
    X[:, i.line_pressure_a], X[:, i.line_pressure_b] = 7.5e6, 5.5e6
    X[:, i.spool] = 0.25

    def put(name, values):
        R[:, RECORD.index(name)] = values

    locked = (t >= LOCKED) & (t < OPEN)
    put("measured_position", np.round(x / 1e-6) * 1e-6)
    put("reference_position", x)
    put("command", 0.3)
    put("lock_phase", np.select([t < CLOSE, t < LOCKED, t < OPEN, t < FREE], [0, 1, 2, 4], 5))
    for side in ("a", "b"):
        put(f"lock_area_{side}", ~locked)
        put(f"merged_{side}", ~locked)
    put("thrust", np.interp(t, np.array([0.2, 0.22, 0.52, 0.54]) + LOCKED, [0, 200, 200, 0]))
    put(
        "normal_thrust",
        np.interp(t, np.array([0.2, 0.22, 0.52, 0.54]) + LOCKED, [0, 1500, 1500, 0]),
    )
    memory = stub.memory.copy()
    for name, time in (
        ("T_CLOSE", CLOSE),
        ("T_LOCKED", LOCKED),
        ("T_OPEN", OPEN),
        ("T_FREE", FREE),
    ):
        memory[getattr(_sequence, name)] = time
    return dataclasses.replace(stub, time=t, states=X, record=R, memory=memory, events=())


@pytest.fixture(scope="module")
def run():
    """A move in extension that locks, is pushed, and opens."""
    return locked_run()


def cut(run, n, status=Status.NOT_FINITE):
    """Return the beginning of a run that broke off."""
    memory = run.memory.copy()
    for name in ("T_CLOSE", "T_LOCKED", "T_MATCH", "T_OPEN", "T_FREE"):
        if memory[getattr(_sequence, name)] > (n - 1) * 1e-3:
            memory[getattr(_sequence, name)] = math.nan
    return dataclasses.replace(
        run,
        status=status,
        message="It broke off.",
        time=run.time[:n],
        states=run.states[:n],
        record=run.record[:n],
        memory=memory,
    )


def line(ax, label):
    """Return the line of an axes with a label."""
    (found,) = [one for one in ax.get_lines() if one.get_label() == label]
    return found


class TestPanels:
    @pytest.mark.parametrize("draw", PANELS)
    def test_draw_into_the_axes_given_or_new_ones(self, run, draw):
        ax = Figure().subplots()
        assert draw(run, ax) is ax
        new = draw(run)
        assert isinstance(new, Axes)
        assert new.get_xlabel() == "time [s]"
        assert new.get_ylabel().endswith("]") and "[" in new.get_ylabel()
        assert new.get_xlim() == (0.0, 3.0)

    @pytest.mark.parametrize(
        ("draw", "label", "values"),
        [
            (drawn.plot_position, "table, true", lambda r: 1e3 * r.state("table_position")),
            (drawn.plot_velocity, "table, true", lambda r: 1e3 * r.state("table_velocity")),
            (drawn.plot_spool, "spool", lambda r: 100.0 * r.state("spool")),
            (drawn.plot_spool, "command", lambda r: np.full(3001, 30.0)),
            (drawn.plot_pressures, "chamber A", lambda r: np.full(3001, 70.0)),
            (drawn.plot_pressures, "chamber B", lambda r: np.full(3001, 60.0)),
            (drawn.plot_pressures, "supply", lambda r: np.full(3001, 140.0)),
            (drawn.plot_lock, "lock open, A", lambda r: 100.0 * r.record[:, 9]),
        ],
    )
    def test_show_the_run_in_practical_units(self, run, draw, label, values):
        shown = line(draw(run), label)
        assert np.allclose(shown.get_xdata(), run.time)
        assert np.allclose(shown.get_ydata(), values(run), rtol=1e-12)

    def test_error_has_its_own_scale(self, run):
        ax = drawn.plot_error(run)
        assert np.allclose(
            line(ax, "table, true").get_ydata(),
            1e6 * (run.move.target - run.state("table_position")),
        )
        low, high = ax.get_ylim()
        assert -12.0 < low < -5.0 and 5.0 < high < 12.0
        assert line(ax, "target").get_ydata()[0] == 0.0
        labels = ax.get_legend_handles_labels()[1]
        assert "window ±5 µm" in labels
        (window,) = [p for p in ax.patches if p.get_label() == "window ±5 µm"]
        assert (window.get_y(), window.get_height()) == pytest.approx((-5.0, 10.0))

    def test_error_outside_the_window_is_still_in_sight(self, run):
        X = run.states.copy()
        X[2500:, run.axis.parameters.index.table_position] -= 4e-5
        low, high = drawn.plot_error(dataclasses.replace(run, states=X)).get_ylim()
        assert low < -5.0 and 38.0 < high < 60.0

    def test_lines_are_drawn_only_while_they_are_parted(self, run):
        shown = line(drawn.plot_pressures(run), "line A, locked").get_ydata()
        parted = (run.time >= LOCKED) & (run.time < OPEN)
        assert np.allclose(shown[parted], 75.0)
        assert np.isnan(shown[~parted]).all()

    def test_thrust_stands_on_its_own_scale(self, run):
        figure = Figure()
        drawn.plot_lock(run, figure.subplots())
        force = figure.axes[1]
        assert force.get_ylabel() == "thrust [N]"
        assert [one.get_ydata().max() for one in force.get_lines()] == [200.0, 1500.0]

    def test_without_lock_and_brake_there_is_thrust_alone(self, run):
        axis = dataclasses.replace(run.axis)
        p = run.axis.parameters
        axis.__dict__["parameters"] = p._replace(lock=p.lock._replace(kind=0, brake=0))
        figure = Figure()
        ax = drawn.plot_lock(dataclasses.replace(run, axis=axis), figure.subplots())
        assert len(figure.axes) == 1
        assert ax.get_ylabel() == "thrust [N]"

    def test_reference_ends_with_the_lock(self, run):
        shown = line(drawn.plot_position(run), "reference").get_ydata()
        assert np.isfinite(shown[run.time < LOCKED]).all()
        assert np.isnan(shown[run.time >= LOCKED]).all()

    def test_limit_of_the_command_shows_when_it_is_near(self, run):
        assert "limit" not in drawn.plot_spool(run).get_legend_handles_labels()[1]
        R = run.record.copy()
        R[500:600, RECORD.index("command")] = -0.95
        ax = drawn.plot_spool(dataclasses.replace(run, record=R))
        assert line(ax, "limit").get_ydata()[0] == 100.0

    @pytest.mark.parametrize("draw", PANELS)
    def test_lines_differ_by_colour_and_by_style(self, run, draw):
        figure = Figure()
        draw(run, figure.subplots())
        seen = set()
        for ax in figure.axes:
            for one in ax.get_lines():
                if len(one.get_xdata()) == len(run.time):
                    assert matplotlib.colors.to_hex(one.get_color()).upper() in OKABE_ITO
                    how = (one.get_color(), one._unscaled_dash_pattern)
                    assert str(how) not in seen
                    seen.add(str(how))
        assert seen


class TestPhases:
    def test_are_those_of_lock_and_thrust(self, run):
        expected = [
            ("closing", CLOSE, LOCKED),
            ("locked", LOCKED, OPEN),
            ("opening", OPEN, FREE),
            ("thrust", LOCKED + 0.2, LOCKED + 0.54),
        ]
        for found, wanted in zip(phase_spans(run), expected, strict=True):
            assert found[0] == wanted[0]
            assert found[1:] == pytest.approx(wanted[1:])

    def test_end_with_the_run(self, run):
        assert phase_spans(cut(run, 1301)) == [
            ("closing", CLOSE, LOCKED),
            ("locked", LOCKED, pytest.approx(1.3)),
        ]
        assert phase_spans(cut(run, 100)) == []

    def test_are_named_above_the_panel(self, run):
        ax = drawn.plot_error(run)
        assert [text.get_text() for text in ax.texts] == ["locked", "thrust"]
        assert list(drawn.plot_velocity(run).texts) == []


class TestInset:
    @pytest.mark.parametrize("up", [True, False])
    def test_covers_no_curve(self, up):
        run = locked_run(up)
        figure = Figure(figsize=(9.0, 4.0))
        ax = drawn.plot_position(run, figure.subplots())
        (small,) = ax.child_axes
        figure.canvas.draw()
        box = small.get_window_extent()
        shown = line(ax, "table, true").get_xydata()
        x, y = ax.transData.transform(shown).T
        inside = (x >= box.x0) & (x <= box.x1) & (y >= box.y0) & (y <= box.y1)
        assert not inside.any()
        target = ax.transData.transform((0.0, 1e3 * run.move.target))[1]
        assert not box.y0 <= target <= box.y1

    def test_shows_window_and_target_around_settling(self, run):
        (small,) = drawn.plot_position(run).child_axes
        begin, end = small.get_xlim()
        assert 0.6 < begin < 0.9 and end == 3.0
        assert line(small, "target").get_ydata()[0] == 0.0
        assert small.get_ylim()[0] < -5.0 and small.get_ylim()[1] > 5.0

    def test_is_left_out_where_there_is_no_room(self, run):
        assert drawn.plot_position(cut(run, 500)).child_axes == []
        assert drawn.plot_position(run, inset=False).child_axes == []


class TestPage:
    def test_has_five_panels_over_one_time(self, run):
        figure = drawn.plot_move(run)
        panels = [ax for ax in figure.axes if ax.get_ylabel() != "thrust [N]"]
        labels = [
            "position [mm]",
            "velocity [mm/s]",
            "spool [%]",
            "pressure [bar]",
            "lock open [%]",
        ]
        assert [ax.get_ylabel() for ax in panels] == labels
        assert {ax.get_xlim() for ax in panels} == {(0.0, 3.0)}
        title = figure.get_suptitle()
        assert "250 mm to 400 mm" in title
        assert "settling 0.900 s" in title
        assert "resting error −2.0 µm" in title

    @pytest.mark.parametrize("n", [1, 2, 3, 50, 500, 1210, 2000])
    def test_of_a_run_that_broke_off_says_so(self, run, n, tmp_path):
        figure = drawn.plot_move(cut(run, n))
        assert "It broke off." in figure.get_supxlabel()
        drawn.save_figure(figure, tmp_path / "page.png")

    def test_of_a_state_that_became_infinite(self, run, tmp_path):
        broken = cut(run, 1000)
        X = broken.states.copy()
        X[990:] = np.nan
        drawn.save_figure(
            drawn.plot_move(dataclasses.replace(broken, states=X)), tmp_path / "page.png"
        )

    def test_of_a_move_without_length(self, run, tmp_path):
        move = run.move._replace(start=run.move.target)
        X = run.states.copy()
        X[:, run.axis.parameters.index.table_position] = move.target + 1e-6
        figure = drawn.plot_move(dataclasses.replace(run, move=move, states=X))
        drawn.save_figure(figure, tmp_path / "page.png")
        low, high = figure.axes[0].get_ylim()
        assert low < 400.0 < high and high - low < 1.0

    def test_of_simulated_moves(self, tmp_path):
        axis = read_axis("params/tube_sheet_table.toml").replace({"move.duration": "0.5 s"})
        figure = drawn.plot_move(simulate(axis))
        assert "lock never closed" in figure.get_supxlabel()
        drawn.save_figure(figure, tmp_path / "page.png")


class TestComparison:
    def test_draws_each_run_in_each_panel(self, run):
        figure = drawn.compare_moves([run, locked_run(False), cut(run, 500)], ["a", "b", "c"])
        for ax in figure.axes:
            assert sum(len(one.get_xdata()) in (3001, 500) for one in ax.get_lines()) == 3
        assert figure.axes[0].get_legend_handles_labels()[1] == ["a", "b", "c"]
        assert figure.axes[2].get_ylabel() == "target less position [µm]"

    @pytest.mark.parametrize(("runs", "labels"), [(0, 0), (2, 1), (7, 7)])
    def test_refuses_what_cannot_be_told_apart(self, run, runs, labels):
        with pytest.raises(ParameterError, match=f"{runs} runs with {labels} labels"):
            drawn.compare_moves([run] * runs, ["x"] * labels)

    def test_styles_are_all_different(self):
        assert len({colour for colour, _ in STYLES}) == len(STYLES)
        assert len({str(style) for _, style in STYLES}) == len(STYLES)
        assert {colour for colour, _ in STYLES} < OKABE_ITO


class TestFile:
    @pytest.mark.parametrize(
        ("suffix", "start"), [(".png", b"\x89PNG"), (".svg", b"<?xml"), (".PDF", b"%PDF")]
    )
    def test_is_written_by_its_suffix(self, run, tmp_path, suffix, start):
        path = tmp_path / f"error{suffix}"
        drawn.save_figure(drawn.plot_error(run).figure, path)
        assert path.read_bytes().startswith(start)
        assert [p.name for p in tmp_path.iterdir()] == [path.name]

    @pytest.mark.parametrize("name", ["error.gif", "error", "error.py"])
    def test_of_another_kind_is_refused(self, run, tmp_path, name):
        with pytest.raises(ParameterError, match=r"\.png, \.svg, \.pdf"):
            drawn.save_figure(drawn.plot_error(run).figure, tmp_path / name)
        assert list(tmp_path.iterdir()) == []

    def test_in_a_missing_folder_is_refused(self, run, tmp_path):
        with pytest.raises(ParameterError, match="cannot be written"):
            drawn.save_figure(drawn.plot_error(run).figure, tmp_path / "nowhere" / "error.png")


class TestNothingElseChanges:
    def test_settings_stay_as_they_were(self, run, tmp_path):
        before = dict(matplotlib.rcParams)
        drawn.save_figure(drawn.plot_move(run), tmp_path / "page.png")
        assert dict(matplotlib.rcParams) == before

    def test_the_library_is_loaded_late_and_without_its_state_machine(self):
        code = (
            "import sys, servosim, servosim.metrics, servosim.simulate, servosim.traces\n"
            "assert 'matplotlib' not in sys.modules and 'xarray' not in sys.modules\n"
            "assert 'scipy.optimize' not in sys.modules and 'pint' not in sys.modules\n"
            "import servosim.plots\n"
            "assert 'matplotlib.figure' in sys.modules\n"
            "assert 'matplotlib.pyplot' not in sys.modules\n"
        )
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
        assert done.returncode == 0, done.stderr
