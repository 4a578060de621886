"""Figures of a cycle and of stops: what they show are the numbers of the result, in their units."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from matplotlib.figure import Figure

import servosim
from servosim import cycle_plots as drawn
from servosim.cycles.cycle import run_cycle
from servosim.cycles.positions import Position, PositionList
from servosim.cycles.stops import run_stops
from servosim.plots import save_figure

FILE = "params/tube_sheet_table.toml"


def line(ax, label):
    """Return the line of an axes with this label."""
    (found,) = [one for one in ax.get_lines() if one.get_label() == label]
    return found


@pytest.fixture(scope="module")
def cycle():
    """Three positions, the second with a tool and an action."""
    tool = {"thrust_along": 100.0, "thrust_normal": 2500.0, "feed_time": 0.3}
    made = (
        Position(2, 0.26),
        Position(3, 0.28, auxiliary=(("coolant", 0.5),), **tool),
        Position(4, 0.27, approach="+"),
    )
    return run_cycle(servosim.read_axis(FILE), PositionList(made, title="Trial plate"))


@pytest.fixture(scope="module")
def stops(cycle):
    """A hold and an emergency stop."""
    return run_stops(cycle.axis, cycle.positions, cases=("hold", "emergency_stop"))


class TestTimeline:
    def test_path_in_millimetres_with_the_locked_positions(self, cycle):
        ax = drawn.plot_path(cycle)
        shown = line(ax, "table").get_ydata()
        assert np.allclose(shown, 1e3 * cycle.traces["position"])
        places = line(ax, "locked")
        held = cycle.table["overrun"] == 0.0
        assert np.allclose(places.get_ydata()[held], [260.0, 280.0, 270.0])
        # the second is locked at the end of its own move, after the whole time of the first
        first = cycle.table["time"][0] + cycle.table["move_time"][1]
        assert places.get_xdata()[1] == pytest.approx(first)
        assert ax.get_ylabel() == "position [mm]"

    def test_errors_in_micrometres_with_the_window(self, cycle):
        ax = drawn.plot_hole_errors(cycle)
        for name, label in (
            ("error_before_lock", "before the lock"),
            ("error_locked", "locked"),
            ("error_under_thrust", "under thrust"),
        ):
            np.testing.assert_allclose(line(ax, label).get_ydata(), 1e6 * cycle.table[name])
        assert "window ±5 µm" in ax.get_legend_handles_labels()[1]
        assert "not settled" not in ax.get_legend_handles_labels()[1]

    def test_what_did_not_settle_is_marked(self, cycle):
        table = cycle.table | {"settled": np.array([1.0, 0.0, math.nan, 1.0])}
        ax = drawn.plot_hole_errors(dataclasses.replace(cycle, table=table))
        marked = line(ax, "not settled").get_ydata()
        assert marked == pytest.approx(1e6 * cycle.table["error_before_lock"][1:2])

    def test_supply_in_bar_never_below_the_lowest(self, cycle):
        ax = drawn.plot_supply(cycle)
        supply, low = line(ax, "supply"), line(ax, "lowest of a move")
        assert np.allclose(supply.get_ydata(), cycle.traces["supply_pressure"] / 1e5)
        assert low.get_ydata().min() <= supply.get_ydata().min() + 1e-9
        assert low.get_xdata()[-1] == cycle.totals["cycle_time"]  # the last one to its end

    def test_temperatures_in_degrees(self, cycle):
        ax = drawn.plot_temperatures(cycle)
        tank = line(ax, "oil in the tank").get_ydata()
        assert tank[0] == pytest.approx(cycle.axis.file.oil.temperature - 273.15)
        gas = line(ax, "accumulator's gas").get_ydata()
        assert gas == pytest.approx(cycle.table["gas_temperature"] - 273.15)

    def test_shares_are_the_whole_time(self, cycle):
        ax = drawn.plot_time_shares(cycle)
        widths = [bar.get_width() for bar in ax.patches]
        assert sum(widths) == pytest.approx(cycle.totals["cycle_time"])
        names = [text.get_text() for text in ax.get_yticklabels()]
        assert "overruns" in names and "auxiliary actions" in names and "dwell" not in names
        assert widths[names.index("auxiliary actions")] == pytest.approx(0.5)

    def test_the_page(self, cycle, tmp_path):
        figure = drawn.plot_cycle(cycle)
        assert "Trial plate" in figure.get_suptitle()
        assert "3 positions in" in figure.get_suptitle()
        save_figure(figure, tmp_path / "page.svg")
        assert b"</svg>" in (tmp_path / "page.svg").read_bytes()[-100:]

    def test_a_cycle_that_broke_off_says_so(self, cycle):
        cut = dataclasses.replace(cycle, status="stopped", message="The cycle ends at line 5.")
        assert "The cycle ends at line 5." in drawn.plot_cycle(cut).get_supxlabel()

    def test_nothing_done_is_refused(self, cycle):
        empty = {name: values[:0] for name, values in cycle.table.items()}
        with pytest.raises(servosim.ParameterError, match="no position was done"):
            drawn.plot_cycle(dataclasses.replace(cycle, table=empty))


class TestStops:
    def test_position_from_the_fault_with_the_stop(self, stops):
        for stop in stops:
            ax = drawn.plot_stop_position(stop)
            table = line(ax, "table")
            t, x = table.get_xdata(), table.get_ydata()
            at = int(np.argmin(np.abs(t)))
            assert x[at] == pytest.approx(1e3 * stop.figures["fault_position"])
            (time,), (place,) = line(ax, "stopped").get_data()
            # the marked place lies on the curve
            assert place == pytest.approx(np.interp(time, t, x), abs=2e-3)
            assert ax.get_xlim() == pytest.approx((-stop.before.time[-1], stop.run.time[-1]))

    def test_pressures_in_bar(self, stops):
        stop = stops[1]
        ax = drawn.plot_stop_pressures(stop)
        t = line(ax, "chamber A").get_xdata()
        highest = max(line(ax, f"chamber {s}").get_ydata()[t >= 0.0].max() for s in "AB")
        assert highest == pytest.approx(stop.figures["pressure_max"] / 1e5)
        low, high = drawn.plot_stop_pressures(stop, close=True).get_xlim()
        # an axis stopped at speed swings at once
        assert low < 0.05 and 0.0 < high < 0.5

    def test_the_page(self, stops, tmp_path):
        figure = drawn.plot_stops(stops)
        assert len(figure.subfigs) == 2
        titles = [one.get_suptitle() for one in figure.subfigs]
        assert titles[0].startswith("operator's hold: stops in ")
        distance = 1e3 * stops[0].figures["stopping_distance"]
        assert f"stops in {distance:.3g} mm" in titles[0]
        assert "no safety function" in figure.get_supxlabel().replace("\n", " ")
        assert "ISO 12100" in figure.get_supxlabel().replace("\n", " ")
        save_figure(figure, tmp_path / "page.png")

    def test_one_that_never_stops(self, stops):
        names = ("stopping_distance", "stopping_time", "rest_time")
        figures = stops[0].figures | dict.fromkeys(names, math.nan)
        never = dataclasses.replace(stops[0], figures=figures)
        figure = drawn.plot_stops([never])
        assert "does not stop in" in figure.subfigs[0].get_suptitle()
        ax = drawn.plot_stop_position(never, Figure().subplots())
        assert "stopped" not in ax.get_legend_handles_labels()[1]

    def test_none_are_refused(self):
        with pytest.raises(servosim.ParameterError, match="no stops to draw"):
            drawn.plot_stops([])
