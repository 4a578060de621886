"""Figures of the linear view: what they show are the arrays handed in, in the units they state."""

from __future__ import annotations

import math

import matplotlib
import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from servosim import linear_plots as drawn
from servosim.linear_plots import Loop

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
NATURAL, DAMPING = 200.0, 0.2
BLUE = "#0072B2"
OMEGA = np.unique(np.concatenate([np.geomspace(1.0, 2000.0, 801), np.linspace(150, 250, 401)]))


def third_order(gain, omega=OMEGA):
    """Return Kv/(s (s^2/w^2 + 2 z s/w + 1))."""
    s = 1j * omega
    return gain / (s * (s**2 / NATURAL**2 + 2 * DAMPING * s / NATURAL + 1))


@pytest.fixture(scope="module")
def loop():
    """A textbook loop with Kv = z w: exactly half of the limit 2 z w, reached at w.

    Its phase is -180 deg at w = 200 rad/s, where abs(L) = Kv/(2 z w) = 1/2.
    """
    L = third_order(DAMPING * NATURAL)
    at = int(np.argmin(np.abs(np.abs(L) - 1.0)))
    margins = {
        "gain_margin": 2.0,
        "gain_frequency": NATURAL,
        "phase_margin": math.pi + float(np.angle(L[at])),
        "phase_frequency": float(OMEGA[at]),
        "maximum_sensitivity": float(np.max(1.0 / np.abs(1.0 + L))),
        "sensitivity_frequency": float(OMEGA[np.argmax(1.0 / np.abs(1.0 + L))]),
    }
    return Loop("at the valve command", OMEGA, L, margins)


def line(ax, label):
    """Return the line of an axes whose label begins so."""
    (found,) = [one for one in ax.get_lines() if str(one.get_label()).startswith(label)]
    return found


def points(ax, marker):
    """Return the places of the marks of a kind."""
    found = [one.get_xydata() for one in ax.get_lines() if one.get_marker() == marker]
    return np.concatenate([one for one in found if len(one)])


class TestBode:
    def test_magnitude_and_phase_over_hertz(self, loop):
        above, below = drawn.plot_bode([loop])
        size, phase = line(above, "at the valve").get_xydata().T, None
        assert np.allclose(size[0], OMEGA / (2 * math.pi))
        assert np.allclose(size[1], 20 * np.log10(np.abs(loop.response)))
        phase = next(one for one in below.get_lines() if len(one.get_xdata()) == len(OMEGA))
        # -90 deg less that of the second order: from -90 far below to -270 far above
        exact = -90 - np.rad2deg(
            np.arctan2(2 * DAMPING * OMEGA / NATURAL, 1 - (OMEGA / NATURAL) ** 2)
        )
        assert np.allclose(phase.get_ydata(), exact, atol=1e-9)
        assert above.get_ylabel().endswith("[dB]") and below.get_ylabel() == "phase [deg]"
        assert below.get_xlabel() == "frequency [Hz]"

    def test_margins_are_marked_where_they_are_read(self, loop):
        above, below = drawn.plot_bode([loop])
        hertz = NATURAL / (2 * math.pi)
        # 1/2 is -6.02 dB
        assert any(np.allclose(one, [hertz, -6.0206], atol=1e-4) for one in points(above, "o"))
        assert any(np.allclose(one, [hertz, -180.0], atol=0.3) for one in points(below, "o"))
        bars = [one.get_ydata() for one in below.get_lines() if one.get_linewidth() > 2.0]
        (bar,) = bars
        assert bar[1] == pytest.approx(-180.0, abs=1e-6)
        assert bar[0] == pytest.approx(-180.0 + math.degrees(loop.margins["phase_margin"]))
        angle = math.degrees(loop.margins["phase_margin"])
        assert line(above, "at the valve").get_label().endswith(f": 6.0 dB, {angle:.0f}°")

    def test_a_loop_without_crossings_has_no_marks(self, loop):
        none = {"gain_margin": math.inf, "gain_frequency": math.nan, "phase_margin": math.nan}
        above, below = drawn.plot_bode([loop._replace(margins=none)])
        assert not [one for one in above.get_lines() if one.get_marker() == "o"]
        assert line(above, "at the valve").get_label() == "at the valve command"
        assert below.get_ylim()[0] < -270.0

    def test_draws_into_the_axes_given(self, loop):
        given = Figure().subplots(2, 1)
        above, below = drawn.plot_bode([loop], given)
        assert above is given[0] and below is given[1]

    def test_the_phase_begins_where_an_integrator_does(self):
        # the same loop with a phase wrapped by the computer at a turn
        L = third_order(10.0) * np.exp(-1j * OMEGA * 0.01)
        (curve,) = [
            one for one in drawn.plot_bode([Loop("late", OMEGA, L)])[1].get_lines()
            if len(one.get_xdata()) == len(OMEGA)
        ]  # fmt: skip
        assert -93.0 < curve.get_ydata()[0] < -89.0
        assert np.abs(np.diff(curve.get_ydata())).max() < 30.0
        assert curve.get_ydata()[-1] == pytest.approx(-270 - math.degrees(20.0), abs=3.0)


class TestNyquist:
    def test_the_circle_touches_the_curve(self, loop):
        ax = drawn.plot_nyquist([loop])
        circle = line(ax, "maximum sensitivity").get_xydata() @ [1, 1j]
        radius = np.abs(circle + 1.0)
        assert np.allclose(radius, radius[0])
        # the distance of L to -1 is nowhere smaller, and somewhere as small
        distance = np.abs(1.0 + loop.response)
        assert radius[0] == pytest.approx(distance.min(), rel=1e-12)
        mark = next(one for one in ax.get_lines() if one.get_marker() == "o")
        at = complex(*mark.get_xydata()[0])
        assert abs(at + 1.0) == pytest.approx(radius[0], rel=1e-3)

    def test_shows_the_point_and_the_curve_around_it(self, loop):
        ax = drawn.plot_nyquist([loop])
        assert np.allclose(points(ax, "+"), [[-1.0, 0.0]])
        assert ax.get_xlim()[0] < -1.3 and ax.get_aspect() == 1.0
        curve = line(ax, "at the valve")
        assert np.allclose(curve.get_xdata(), loop.response.real)
        assert np.allclose(curve.get_ydata(), loop.response.imag)


class TestNichols:
    def test_contours_are_those_of_the_closed_loop(self, loop):
        ax = drawn.plot_nichols([loop])
        (contours,) = [one for one in ax.collections if hasattr(one, "levels")]
        seen = 0
        for level, path in zip(contours.levels, contours.get_paths(), strict=True):
            if not len(path.vertices):
                continue
            phase, size = path.vertices.T
            L = 10 ** (size / 20) * np.exp(1j * np.deg2rad(phase))
            inside = (np.abs(1 + L) > 0.15) & (np.abs(L) < 20)
            closed = 20 * np.log10(np.abs(L / (1 + L)))[inside]
            assert np.allclose(closed, level, atol=0.1)
            seen += len(closed)
        assert seen > 1000

    def test_curve_and_margins(self, loop):
        ax = drawn.plot_nichols([loop])
        curve = line(ax, "at the valve")
        assert np.allclose(curve.get_ydata(), 20 * np.log10(np.abs(loop.response)))
        assert points(ax, "s")[0] == pytest.approx([-180.0, -6.0206], abs=0.3)
        assert points(ax, "o")[0] == pytest.approx(
            [-180.0 + math.degrees(loop.margins["phase_margin"]), 0.0], abs=0.3
        )


def locus(gains):
    """Return the poles of the textbook loop closed, in an order that changes from gain to gain."""
    rng = np.random.default_rng(5)
    found = [np.roots([1 / NATURAL**2, 2 * DAMPING / NATURAL, 1.0, gain]) for gain in gains]
    return np.array([one[rng.permutation(3)] for one in found])


class TestRootLocus:
    gains = np.linspace(2.0, 160.0, 159)  # 2 z w = 80 1/s is among them

    def test_branches_do_not_jump(self):
        poles = locus(self.gains)
        found = drawn.branches(poles)
        for before, after in zip(poles, found, strict=True):
            assert np.allclose(np.sort_complex(before), np.sort_complex(after))
        assert np.abs(np.diff(found, axis=0)).max() < 8.0 < np.abs(np.diff(poles, axis=0)).max()

    def test_poles_lie_on_the_axis_at_the_limit(self):
        # characteristic equation of the third order at Kv = 2 z w: a pair at +-j w
        ax = drawn.plot_root_locus(self.gains, locus(self.gains), present=40.0, limit=80.0)
        at = line(ax, "at the limit, 80 1/s").get_xydata()
        assert any(np.allclose(one, [0.0, NATURAL], atol=1e-6) for one in at)
        present = line(ax, "at the file's gain, 40 1/s").get_xydata()
        exact = np.roots([1 / NATURAL**2, 2 * DAMPING / NATURAL, 1.0, 40.0])
        assert np.allclose(np.sort(present[:, 0]), np.sort(exact[exact.imag > -1e-9].real))
        assert (at[:, 1] >= -1e-9).all()
        low, high = ax.get_xlim()
        assert low < -NATURAL * DAMPING < high and ax.get_ylim()[1] > NATURAL

    def test_samples_show_in_the_plane_of_s(self):
        period = 1e-3
        z = np.exp(locus(self.gains) * period)
        z = np.concatenate([z, np.zeros((len(z), 1))], axis=1)  # a delay lies infinitely far
        ax = drawn.plot_root_locus(self.gains, z, limit=80.0, period=period)
        at = line(ax, "at the limit").get_xydata()
        assert any(np.allclose(one, [0.0, NATURAL], atol=1e-6) for one in at)

    def test_without_a_limit_there_is_one_kind_of_line(self):
        ax = drawn.plot_root_locus(self.gains[:20], locus(self.gains[:20]))
        labels = ax.get_legend_handles_labels()[1]
        assert "unstable" not in labels and "stable" in labels

    def test_colours_tell_stable_gains_from_others(self):
        ax = drawn.plot_root_locus(self.gains, locus(self.gains))
        lines = [one for one in ax.get_lines() if len(one.get_xdata()) == len(self.gains)]
        for one in lines:
            seen = np.isfinite(one.get_ydata())
            if one.get_color() == BLUE:
                assert self.gains[seen].max() <= 80.0 and (one.get_xdata()[seen] <= 1e-9).all()
            else:
                assert 79.0 <= self.gains[seen].min() <= 80.0


class TestStiffness:
    def test_is_the_inverse_of_the_compliance(self):
        omega = np.geomspace(1.0, 1000.0, 50)
        compliance = 1.0 / (3e7 * (1 - (omega / 160) ** 2 + 0.1j * omega / 160))
        ax = drawn.plot_stiffness({"loop closed": (omega, compliance)}, static={"locked": 5e7})
        shown = line(ax, "loop closed")
        assert np.allclose(shown.get_xdata(), omega / (2 * math.pi))
        # 1 N/um is 1e6 N/m
        assert np.allclose(shown.get_ydata(), 1e-6 / np.abs(compliance))
        assert line(ax, "locked, 50 N/µm").get_ydata()[0] == 50.0
        assert ax.get_ylabel() == "stiffness at the table [N/µm]"
        (other,) = ax.child_axes
        assert other.get_ylabel() == "compliance [µm/kN]"
        ax.set_ylim(10.0, 100.0)
        ax.figure.draw_without_rendering()
        # 10 N/um yield 100 um/kN
        assert sorted(other.get_ylim()) == pytest.approx([10.0, 100.0])


class TestAlongStroke:
    x = np.linspace(0.0, 0.8, 41)

    def test_lowest_point_is_marked(self):
        values = 150.0 + 400.0 * (self.x - 0.3) ** 2
        ax = drawn.plot_along_stroke(self.x, {"exact": values}, "natural_frequency")
        at = points(ax, "o")[0]
        assert at == pytest.approx([300.0, 150.0 / (2 * math.pi)])
        assert "lowest 23.9 Hz at 300 mm" in line(ax, "exact").get_label()
        assert ax.get_xlabel() == "position of the table [mm]"
        assert ax.get_xlim() == (0.0, 800.0)

    def test_a_level_curve_is_lowest_nowhere(self):
        ax = drawn.plot_along_stroke(self.x, {"exact": np.full(41, 150.0)}, "natural_frequency")
        assert line(ax, "exact, 23.9 Hz").get_label() == "exact, 23.9 Hz"

    def test_a_gain_that_does_not_exist(self):
        values = np.where(self.x > 0.0, 30.0, 0.0)
        ax = drawn.plot_along_stroke(self.x, {"limit": values}, "gain_limit")
        assert line(ax, "limit").get_label() == "limit, none at 0 mm"

    @pytest.mark.parametrize("quantity", ["damping", "gain_limit"])
    def test_other_quantities_in_their_own_unit(self, quantity):
        values = np.full(41, 0.25)
        values[7] = np.nan
        ax = drawn.plot_along_stroke(self.x, {"exact": values}, quantity, present=0.1)
        assert np.nanmax(line(ax, "exact").get_ydata()) == 0.25
        assert line(ax, "the file's, 0.1").get_ydata()[0] == pytest.approx(0.1)


class TestEnvelope:
    def test_margins_in_decibels_and_degrees(self):
        gain = np.array([2.0, 10.0, math.inf, 0.7])
        phase = np.array([math.pi / 3, math.pi / 4, math.inf, math.pi / 2])
        ax = drawn.plot_envelope(
            gain, phase, ["rest", "edge", "rest", "edge"], required=(2.0, math.pi / 4),
            stable=np.array([True, True, True, False]), names=["a", "b", "c", "d"],
        )  # fmt: skip
        rest = line(ax, "rest (2)").get_xydata()
        # 20 lg 2 = 6.0206 dB; what is endless stands at the edge, 40 dB and 120 deg
        assert rest == pytest.approx(np.array([[6.0206, 60.0], [40.0, 120.0]]), abs=1e-4)
        assert line(ax, "edge (1)").get_xydata() == pytest.approx(np.array([[20.0, 45.0]]))
        assert line(ax, "unstable (1)").get_xydata()[0] == pytest.approx([-3.0980, 90.0], abs=1e-4)
        assert "asked for: 6.02 dB, 45°" in ax.get_legend_handles_labels()[1]
        assert {text.get_text().split("\n")[0] for text in ax.texts} == {"d", "b"}

    def test_no_points_at_all(self):
        assert isinstance(drawn.plot_envelope(np.zeros(0), np.zeros(0), []), Axes)


def test_axes_given_are_used_and_nothing_global_changes(loop):
    before = dict(matplotlib.rcParams)
    gains = np.linspace(2.0, 100.0, 20)
    x = np.linspace(0.0, 1.0, 5)
    for draw in (
        lambda ax: drawn.plot_nyquist([loop], ax),
        lambda ax: drawn.plot_nichols([loop], ax),
        lambda ax: drawn.plot_root_locus(gains, locus(gains), ax),
        lambda ax: drawn.plot_stiffness({"a": (OMEGA, 1e-7 / (1 + loop.response))}, ax),
        lambda ax: drawn.plot_along_stroke(x, {"a": x + 1.0}, "damping", ax),
        lambda ax: drawn.plot_envelope(x + 1.0, x + 0.1, list("aabbb"), ax),
    ):
        ax = Figure().subplots()
        assert draw(ax) is ax
        assert ax.get_xlabel().endswith("]") and ax.get_ylabel().endswith("]")
    assert dict(matplotlib.rcParams) == before


def test_loops_differ_by_colour_and_by_style(loop):
    three = [loop, loop._replace(label="b", margins={}), loop._replace(label="c", margins={})]
    for ax in (drawn.plot_bode(three)[0], drawn.plot_nyquist(three), drawn.plot_nichols(three)):
        seen = {}
        for one in ax.get_lines():
            if len(one.get_xdata()) == len(OMEGA):
                colour = matplotlib.colors.to_hex(one.get_color()).upper()
                assert colour in OKABE_ITO
                seen[colour, str(one._unscaled_dash_pattern)] = one
        assert len(seen) == 3
