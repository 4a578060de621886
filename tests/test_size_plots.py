"""Figures of a sizing: what they show are the numbers handed in, in the units they state."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from fake_sizing import fake_sizing

from servosim import size_plots as drawn
from servosim.sizing.curves import AlongStroke, Curves, Locus, SettlingPoints, SupplyCycle


def line(ax, label):
    """Return the line of an axes whose label begins so."""
    (found,) = [one for one in ax.get_lines() if str(one.get_label()).startswith(label)]
    return found


def labels(ax):
    return [text.get_text() for text in ax.get_legend().get_texts()]


def locus(opening=(0.5, 0.95, math.nan)):
    """Return a load of three points against a valve without load dependence."""
    forces = np.linspace(-10e3, 10e3, 5)
    flat = np.full(5, 0.2)
    return Locus(
        ("rapid, out", "accelerating, out", "rapid, in"),
        np.array([0.1, 0.12, -0.3]), np.array([500.0, 2500.0, -800.0]), np.array(opening),
        forces, flat, -flat, 0.9 * flat, -0.9 * flat, 0.9, 8000.0, -6000.0,
    )  # fmt: skip


class TestLocus:
    def test_in_millimetres_a_second_over_kilonewtons(self):
        ax = drawn.plot_load_locus(locus())
        assert line(ax, "valve, full command").get_ydata() == pytest.approx([200.0] * 5)
        assert line(ax, "valve, full command").get_xdata()[0] == pytest.approx(-10.0)
        used = line(ax, "valve, 90 % of the command").get_ydata()
        assert used == pytest.approx([180.0] * 5)
        assert ax.get_ylabel() == "velocity [mm/s]" and ax.get_xlabel().endswith("[kN]")

    def test_points_beyond_the_margins_are_told_apart(self):
        ax = drawn.plot_load_locus(locus())
        assert line(ax, "points of the cycle").get_xydata().tolist() == [[0.5, 100.0]]
        beyond = line(ax, "beyond the margins").get_xydata()
        assert beyond == pytest.approx(np.array([[2.5, 120.0], [-0.8, -300.0]]))

    def test_points_are_named_the_neediest_first(self):
        texts = labels(drawn.plot_load_locus(locus()))
        assert texts[-3:] == [
            "1  rapid, in: not reached", "2  accelerating, out: 95 %", "3  rapid, out: 50 %",
        ]  # fmt: skip

    def test_stall_and_every_point_are_in_sight(self):
        ax = drawn.plot_load_locus(locus())
        low, high = ax.get_xlim()
        assert low < -6.0 and 8.0 < high < 10.0
        assert ax.get_ylim()[0] < -300.0 and not ax.child_axes

    def test_a_load_far_below_stall_is_shown_large_and_the_whole_beside(self):
        forces = np.linspace(-100e3, 100e3, 41)
        one = dataclasses.replace(
            locus(), curve_force=forces, full_out=np.full(41, 0.2), full_in=np.full(41, -0.2),
            used_out=np.full(41, 0.18), used_in=np.full(41, -0.18), stall_out=90e3, stall_in=-80e3,
        )  # fmt: skip
        ax = drawn.plot_load_locus(one)
        low, high = ax.get_xlim()
        # from -0.8 to 2.5 kN, and as much again at each side
        assert (low, high) == pytest.approx((-4.1, 5.8))
        (whole,) = ax.child_axes
        assert whole.get_xlim()[0] < -80.0 and whole.get_xlim()[1] > 90.0
        assert "stall, -80 and 90 kN" in labels(ax)


def test_natural_frequency_in_hertz_over_millimetres():
    x = np.array([0.0, 0.3, 0.6])
    along = AlongStroke(x, np.array([500.0, 200.0, 450.0]), 150.0, 200.0, 0.3)
    ax = drawn.plot_frequency_along(along)
    shown = line(ax, "natural frequency")
    assert shown.get_xdata() == pytest.approx([0.0, 300.0, 600.0])
    # 500/(2 pi) and so on
    assert shown.get_ydata() == pytest.approx([79.577, 31.831, 71.620], abs=1e-3)
    assert line(ax, "needed: 23.9 Hz").get_ydata()[0] == pytest.approx(23.873, abs=1e-3)
    assert line(ax, "lowest: 31.8 Hz at 300 mm").get_xydata()[0, 0] == pytest.approx(300.0)


def test_flow_and_pressure_over_the_cycle():
    time = np.linspace(0.0, 10.0, 11)
    flow = np.where(time < 2.0, 3e-4, 1e-5)
    cycle = SupplyCycle(time, flow, np.linspace(14e6, 13.5e6, 11), 7e-5, 1e-4, 14e6, 13.3e6)
    ax = drawn.plot_supply_cycle(cycle)
    assert line(ax, "flow drawn").get_ydata()[0] == pytest.approx(18.0)
    assert line(ax, "mean flow, 4.2 L/min").get_ydata()[0] == pytest.approx(4.2)
    (other,) = [one for one in ax.figure.axes if one is not ax]
    assert other.get_lines()[0].get_ydata()[-1] == pytest.approx(135.0)
    assert other.get_ylabel() == "supply pressure [bar]"
    # the pressure stays above the flow
    low, high = other.get_ylim()
    share_of_pressure = (133.0 - low) / (high - low)
    assert 18.0 / ax.get_ylim()[1] < share_of_pressure
    assert "lowest admitted, 133 bar" in labels(ax)


class TestSettling:
    def points(self, **changes):
        values = {
            "number": np.array([3, 1, 2, 7]),
            "words": ("a", "b", "c", "d"),
            "area": np.full(4, 2e-3),
            "bore": np.array([0.05, 0.05, 0.063, math.nan]),
            "rated_flow": np.array([10.0, 20.0, 20.0, 40.0]) / 60e3,
            "pressure": np.full(4, 14e6),
            "settling_time": np.array([2.0, 2.2, 3.0, math.nan]),
            "predicted": np.full(4, 1.9),
            "motor_power": np.full(4, 2e3),
            "kept": np.array([True, True, False, False]),
            "allowed": 2.6,
        }
        return SettlingPoints(**{**values, **changes})

    def test_a_line_for_each_bore(self):
        ax = drawn.plot_settling(self.points())
        assert line(ax, "bore 50 mm").get_xydata() == pytest.approx(
            np.array([[10.0, 2.0], [20.0, 2.2]])
        )
        assert line(ax, "winner").get_xydata() == pytest.approx(np.array([[10.0, 2.0]]))
        assert line(ax, "allowed, 2.6 s").get_ydata()[0] == 2.6
        assert {"bore 63 mm", "motor with screw", "open: misses a goal",
                "cross: does not settle"} <= set(labels(ax))  # fmt: skip

    def test_what_does_not_settle_stands_above_all_others(self):
        ax = drawn.plot_settling(self.points())
        (cross,) = [
            one for one in ax.get_lines() if one.get_marker() == "x" and len(one.get_xdata())
        ]
        assert cross.get_xdata() == pytest.approx([40.0])
        assert 3.0 < cross.get_ydata()[0] < ax.get_ylim()[1]

    def test_nothing_that_settles(self):
        ax = drawn.plot_settling(
            self.points(settling_time=np.full(4, math.nan), kept=np.zeros(4, dtype=bool))
        )
        assert np.isfinite(ax.get_ylim()).all() and "winner" not in labels(ax)


class TestPage:
    def test_all_four(self):
        figure = drawn.plot_sizing(fake_sizing())
        titles = [ax.get_title(loc="left") for ax in figure.axes]
        assert [one for one in titles if one] == [view[2] for view in drawn.VIEWS.values()]
        assert fake_sizing().shown.words in figure.get_suptitle()

    def test_one_alone(self):
        figure = drawn.plot_sizing(fake_sizing(), "settling")
        assert len(figure.axes) == 1 and figure.axes[0].get_ylabel().startswith("worst settling")

    def test_without_a_solution_it_says_so(self):
        assert "nearest combination" in drawn.plot_sizing(fake_sizing(False)).get_supxlabel()

    def test_nothing_to_draw(self):
        for curves in (None, Curves(None, None, None, None)):
            figure = drawn.plot_sizing(dataclasses.replace(fake_sizing(), curves=curves))
            assert "nothing was worked out" in figure.axes[0].texts[0].get_text()
