"""Figures of a tuning: what they show are the numbers handed in, in the units they state."""

from __future__ import annotations

import math

import numpy as np
import pytest
from matplotlib.figure import Figure

from servosim import tune_plots as drawn

T = np.linspace(0.0, 4.0, 4001)


def line(ax, label):
    """Return the line of an axes whose label begins so."""
    (found,) = [one for one in ax.get_lines() if str(one.get_label()).startswith(label)]
    return found


def approach(rate, swing=0.0):
    """Return the way left of a table that moves for 2 s and then comes to rest."""
    moving = 0.15 * (1.0 - T / 2.0) + 1e-3
    rest = 1e-3 * np.exp(-rate * (T - 2.0)) * (np.cos(swing * (T - 2.0)))
    return T, np.where(T < 2.0, moving, rest)


class TestErrors:
    def test_in_micrometres_with_window_and_settling(self):
        traces = {"file as it is": [approach(8.0)], "tuned": [approach(16.0)]}
        ax = drawn.plot_errors(
            traces, 5e-6, settling={"tuned": 2.33, "file as it is": 2.66}, overshoot=1e-6
        )
        shown = line(ax, "tuned, settled in 2.330 s")
        assert np.allclose(shown.get_xdata(), T)
        assert np.allclose(shown.get_ydata(), 1e6 * traces["tuned"][0][1])
        labels = ax.get_legend_handles_labels()[1]
        assert "window ±5 µm" in labels and "overshoot allowed, 1 µm" in labels
        assert line(ax, "overshoot allowed").get_ydata()[0] == pytest.approx(-1.0)
        assert ax.get_ylabel() == "way left to the target [µm]"

    def test_shows_how_the_moves_come_to_rest(self):
        ax = drawn.plot_errors({"a": [approach(8.0)], "b": [approach(20.0, 40.0)]}, 5e-6)
        begin, end = ax.get_xlim()
        # 1 mm falls to 30 um in ln(33)/20 = 0.18 s at the quicker one
        assert 1.8 < begin < 2.18 and end == pytest.approx(4.0)
        low, high = ax.get_ylim()
        assert low < -5.0 and 5.0 < high <= 100.0

    def test_overshoot_stays_in_sight(self):
        t, way = approach(4.0, 20.0)
        low, _ = drawn.plot_errors({"a": [(t, way)]}, 50e-6).get_ylim()
        assert low < 1e6 * way[way > -6.0 * 50e-6].min()

    def test_a_move_that_broke_off_or_never_came(self):
        broken = np.full(4001, np.nan)
        away = np.full(4001, 0.1)
        ax = drawn.plot_errors({"a": [(T, broken)], "b": [(T, away)]}, 5e-6)
        assert np.isfinite(ax.get_xlim()).all() and np.isfinite(ax.get_ylim()).all()


class TestTradeOff:
    margin = np.array([4.0, 2.0, 3.0])
    settling = np.array([2.9, 2.4, 2.6])
    overshoot = np.array([0.2e-6, 3e-6, 0.9e-6])

    def test_points_are_in_order_of_their_margin(self):
        figure = Figure()
        ax = drawn.plot_trade_off(
            self.margin, self.settling, self.overshoot, figure.subplots(), chosen=2, required=2.0,
            limit=1e-6,
        )  # fmt: skip
        curve = ax.get_lines()[0]
        # 20 lg of 2, 3, 4
        assert curve.get_xdata() == pytest.approx([6.0206, 9.5424, 12.0412], abs=1e-4)
        assert curve.get_ydata() == pytest.approx([2.4, 2.6, 2.9])
        assert line(ax, "proposed").get_xydata()[0] == pytest.approx([9.5424, 2.6], abs=1e-4)
        within = line(ax, "settling time, overshoot within").get_ydata()
        assert list(within) == [2.6, 2.9]
        assert list(line(ax, "settling time, overshoot too large").get_ydata()) == [2.4]
        (other,) = [one for one in figure.axes if one is not ax]
        assert other.get_lines()[0].get_ydata() == pytest.approx([3.0, 0.9, 0.2])
        assert other.get_ylabel() == "overshoot [µm]"

    def test_what_does_not_settle_leaves_a_gap(self):
        settling = np.array([2.9, np.nan, 2.6])
        ax = drawn.plot_trade_off(self.margin, settling, self.overshoot)
        assert np.isnan(ax.get_lines()[0].get_ydata()[0])
        assert np.isfinite(ax.get_ylim()).all()


class TestMarginsAlong:
    def test_both_margins_with_one_zero(self):
        figure = Figure()
        position = np.array([0.0, 0.2, 0.4])
        ax = drawn.plot_margins_along(
            position, np.array([0.7, 2.0, math.inf]), np.array([-0.1, math.pi / 3, math.pi / 4]),
            figure.subplots(), stretch=(0.1, 0.4), required=(2.0, math.pi / 4),
        )  # fmt: skip
        # 20 lg 0.7 and 20 lg 2; endless stands at the edge
        assert line(ax, "gain margin").get_ydata() == pytest.approx([-3.0980, 6.0206, 40.0], 1e-4)
        assert line(ax, "gain margin").get_xdata() == pytest.approx([0.0, 200.0, 400.0])
        (other,) = [one for one in figure.axes if one is not ax]
        shown = other.get_lines()[0].get_ydata()
        assert shown == pytest.approx([-5.7296, 60.0, 45.0], abs=1e-3)
        low, high = ax.get_ylim()
        assert other.get_ylim() == pytest.approx((6.0 * low, 6.0 * high))
        assert "asked for, 100 to 400 mm" in ax.get_legend_handles_labels()[1]
        assert ax.get_ylabel().endswith("[dB]") and other.get_ylabel().endswith("[deg]")


class TestHardware:
    def test_bars_go_from_the_axis_as_it_is(self):
        changes = {"quicker valve": 2.2, "less air": 2.5, "larger bore": math.nan}
        ax = drawn.plot_hardware(changes, 2.4, label="settling time", unit="s")
        widths = [bar.get_width() for bar in ax.patches]
        assert widths[:2] == pytest.approx([-0.2, 0.1])
        assert all(bar.get_x() in (2.4, pytest.approx(2.2)) for bar in ax.patches[:2])
        assert [text.get_text() for text in ax.texts] == ["2.2", "2.5", "not settled"]
        assert [text.get_text() for text in ax.get_yticklabels()] == list(changes)
        assert ax.get_xlabel() == "settling time [s]"

    def test_one_without_any_effect(self):
        ax = drawn.plot_hardware({"none": 2.0}, 2.0, label="settling time", unit="s")
        assert np.isfinite(ax.get_xlim()).all() and ax.get_xlim()[0] < 2.0 < ax.get_xlim()[1]
