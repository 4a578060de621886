"""Limit cycles: known loops solved by hand, and predictions that simulations confirm or refute."""

import math
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from servosim import simulate
from servosim.axis import read_axis
from servosim.errors import ParameterError
from servosim.linear import describing
from servosim.linear._cycle_elements import chain_of, land_curve, opening_curve
from servosim.linear._cycle_predictions import nearest_loop
from servosim.linear._cycle_runs import isolated, seen, swing
from servosim.linear._cycle_solver import solutions
from servosim.linear.limit_cycles import (
    CONFIRMED,
    DIFFERS,
    NEITHER,
    limit_cycles,
    predict,
)

PARAMS = Path(__file__).parent.parent / "params"
RIG = read_axis(PARAMS / "teaching_rig.toml")
TABLE = read_axis(PARAMS / "tube_sheet_table.toml").replace(
    {
        "controller.velocity_gain": "22 1/s",
        "controller.load_pressure_feedback": "0.5 (mm/s)/bar",
        "controller.high_pass_frequency": "6 Hz",
        "controller.overlap_compensation": "90 %",
        "controller.overlap_smoothing": "0.3 %",
        "valve.threshold": "0.03 %",
        "valve.hysteresis": "0.15 %",
    }
)
AT = 0.35


def _third_order(omega, K, zeta=0.3):
    s = 1j * np.asarray(omega)
    return K / (s * (s * s + 2.0 * zeta * s + 1.0))


class TestSolver:
    """Third-order loop K/(s (s^2 + 2 zeta s + 1)): it crosses -180 degrees at 1 with K/(2 zeta)."""

    A, W = np.geomspace(1e-2, 1e2, 200), np.geomspace(1e-2, 1e2, 300)

    def _solve(self, N, K):
        return solutions(
            lambda A, w: 1.0 + N(A)[:, None] * _third_order(w, K)[None], self.A, self.W
        )

    def test_saturation_makes_a_stable_swing_of_an_unstable_loop(self):
        """Exact: N = 2 zeta/K at frequency 1, a gain of twice the limit needs N = 1/2."""
        (found,) = self._solve(lambda A: describing.saturation(A, 1.0), 1.2)
        assert found.frequency == pytest.approx(1.0, rel=1e-9)
        assert describing.saturation(found.amplitude, 1.0) == pytest.approx(0.5, rel=1e-6)
        assert found.stable

    def test_dead_zone_makes_an_unstable_one(self):
        """Exact: the same gain; smaller swings see less of it and die, larger ones grow."""
        (found,) = self._solve(lambda A: describing.dead_zone(A, 1.0), 1.2)
        assert found.frequency == pytest.approx(1.0, rel=1e-9)
        assert describing.dead_zone(found.amplitude, 1.0) == pytest.approx(0.5, rel=1e-6)
        assert not found.stable

    def test_dead_zone_and_limit_make_both(self):
        """A dead zone of 1 and a limit at 5: unstable small, stable large, where N passes 1/2."""

        def _both(A):
            return describing.dead_zone(A, 1.0) - describing.dead_zone(A, 5.0)

        small, large = self._solve(_both, 1.2)
        assert (small.stable, large.stable) == (False, True)
        assert small.amplitude < 5.0 < large.amplitude

    def test_relay_always_swings(self):
        """Exact: 4 M/(pi A) = 2 zeta/K: A = 4 M K/(2 zeta pi)."""
        (found,) = self._solve(lambda A: describing.relay(A, 1.0), 0.3)
        assert found.amplitude == pytest.approx(4.0 * 0.3 / (0.6 * math.pi), rel=1e-6)
        assert found.stable

    def test_stable_loop_with_a_limit_has_none(self):
        assert self._solve(lambda A: describing.saturation(A, 1.0), 0.5) == ()

    def test_play_before_two_integrators_swings(self):
        """Classical: a play before a double integrator with a zero (PI on an integrator) swings.

        Judge: the balance itself, sampled on a fine grid, is nowhere smaller elsewhere.
        """

        def _balance(A, w):
            s = 1j * w
            loop = (1.0 + 0.5 / s) / s / (1.0 + 0.02 * s)
            return 1.0 + describing.play(A, 1.0)[:, None] * loop[None]

        found = solutions(_balance, self.A, self.W)
        assert len(found) >= 1
        for one in found:
            value = _balance(np.array([one.amplitude]), np.array([one.frequency]))
            assert abs(value[0, 0]) < 1e-7
        assert any(one.stable for one in found)


class TestTrace:
    """What counts as a swing, on traces that are written out."""

    T = np.arange(0.0, 10.0, 1e-3)

    def test_sine(self):
        found = seen(self.T, 0.1 + 3e-6 * np.sin(20.0 * self.T), 1e-5)
        assert found.swings
        assert found.amplitude == pytest.approx(3e-6, rel=1e-3)
        assert found.frequency == pytest.approx(20.0, rel=5e-3)

    def test_fading_sine(self):
        x = 3e-6 * np.exp(-0.2 * self.T) * np.sin(20.0 * self.T)
        assert not seen(self.T, x, 1e-5).swings

    @pytest.mark.parametrize("x", [0.0 * T, 1e-6 * T, 1e-10 * np.sin(20.0 * T)])
    def test_rest_and_creep(self, x):
        assert not seen(self.T, x, 1e-5).swings


class TestElements:
    def test_curve_of_the_controller(self):
        """Exact: 100 % compensation with hardly any smoothing is a jump of L before the opening."""
        axis = TABLE.replace(
            {"controller.overlap_compensation": "100 %", "controller.overlap_smoothing": "0.001 %"}
        )
        L = axis.parameters.controller.L_plus
        A = np.array([0.01, 0.05, 0.3])
        expected = 1.0 + describing.relay(A, L)
        found = chain_of(axis).curve(A)
        assert found == pytest.approx(expected, rel=5e-3)

    def test_limit_of_the_command(self):
        """Exact: far beyond full command the output is a square wave of it."""
        A = np.array([3.0])
        straight = TABLE.replace({"controller.overlap_compensation": "0 %"})
        found = chain_of(straight).curve(A)
        assert found == pytest.approx(describing.saturation(A, 1.0), rel=5e-3)

    def test_compensation_undoes_the_overlap(self):
        """Curve and lands one after the other: nearly the straight line of a valve without."""
        axis = TABLE.replace(
            {"controller.overlap_compensation": "100 %", "controller.overlap_smoothing": "0.05 %"}
        )
        asked = np.array([0.02, 0.05, 0.1])
        flow = land_curve(axis)(opening_curve(axis)(asked))
        bare = land_curve(TABLE)(asked)
        assert flow[1] / flow[0] == pytest.approx(2.5, rel=0.06)
        assert np.all(flow > bare)

    def test_plays_are_those_of_the_command_path(self):
        """Exact: wide swings pass; near the loop's width the gain is far below one and lags."""
        chain = chain_of(TABLE)
        gains = chain.plays(np.array([0.002, 0.5]))
        assert gains[1] == pytest.approx(1.0, abs=0.02)
        assert abs(gains[0]) < 0.8
        assert gains[0].imag < -0.1

    def test_loop_is_stable_below_its_limit_alone(self):
        for gain, stable in (("22 1/s", True), ("45 1/s", False)):
            axis = isolated(TABLE.replace({"controller.velocity_gain": gain}))
            assert nearest_loop(axis, AT).stable() == stable


def _close(predicted, found):
    """Amplitude within 15 %, frequency within 5 %: what one nonlinearity alone allows."""
    assert found.swings
    assert found.amplitude == pytest.approx(predicted.amplitude, rel=0.15)
    assert found.frequency == pytest.approx(predicted.frequency, rel=0.05)


class TestAgainstSimulation:
    def test_limits_hold_an_unstable_loop(self):
        """20 % over the largest gain: the swing grows until open lands damp it and limits hold."""
        axis = TABLE.replace({"controller.velocity_gain": "40 1/s"})
        predicted = [one for one in predict(axis, AT)["limits"] if one.stable]
        (one,) = predicted
        _close(one, swing(isolated(axis), AT, one.amplitude, one.frequency))

    def test_overcompensated_overlap(self):
        """150 % of the overlap jumped, near the largest gain: a relay is left, and it swings."""
        axis = TABLE.replace(
            {
                "controller.velocity_gain": "34 1/s",
                "controller.overlap_compensation": "150 %",
                "controller.overlap_smoothing": "0.1 %",
            }
        )
        (one,) = predict(axis, AT)["overlap"]
        assert one.stable
        _close(one, swing(isolated(axis, "overlap"), AT, one.amplitude, one.frequency))

    @pytest.mark.parametrize("gain", ["15 1/s", "34 1/s"])
    def test_reading_between_two_steps(self, gain):
        """A target half a step aside never reads zero: a relay of half a step, and no friction."""
        axis = TABLE.replace({"controller.velocity_gain": gain})
        (one,) = predict(axis, AT)["rounding between steps"]
        assert one.stable
        step = axis.file.transducer.resolution
        _close(one, swing(isolated(axis, "rounding"), AT, 1.5 * step, one.frequency))

    def test_undercompensated_overlap_comes_to_rest(self):
        axis = TABLE.replace({"controller.overlap_compensation": "50 %"})
        assert predict(axis, AT)["overlap"] == ()
        assert not swing(isolated(axis, "overlap"), AT, 80e-6).swings

    def test_hysteresis_with_an_integral(self):
        """Play and two integrators: the classical slow swing; its frequency is flat and off."""
        axis = TABLE.replace(
            {"controller.integral_gain": "60 1/s2", "controller.integral_dead_zone": "0 um"}
        )
        (one,) = predict(axis, AT)["hysteresis"]
        assert one.stable
        found = swing(isolated(axis, "plays"), AT, one.amplitude, one.frequency)
        assert found.swings
        assert found.amplitude == pytest.approx(one.amplitude, rel=0.15)
        assert found.frequency == pytest.approx(one.frequency, rel=0.25)

    def test_unstable_swing_divides(self):
        """Hysteresis hides an unstable loop from small swings: a quarter dies, four times grows."""
        axis = TABLE.replace({"controller.velocity_gain": "40 1/s"})
        one = next(p for p in predict(axis, AT)["hysteresis"] if not p.stable)
        bare = isolated(axis, "plays")
        small = swing(bare, AT, 0.25 * one.amplitude, one.frequency)
        large = swing(bare, AT, 4.0 * one.amplitude, one.frequency)
        assert large.swings
        assert large.amplitude > one.amplitude
        assert small.amplitude < 0.25 * one.amplitude
        assert not small.swings

    def test_axis_of_the_demo_is_quiet(self):
        found = limit_cycles(TABLE, AT)
        assert found.stable
        verdicts = {c.mechanism: c.verdict for c in found.cycles}
        # a target between two steps never reads zero; the pressures rest anywhere between two
        assert verdicts.pop("rounding between steps") == CONFIRMED
        assert verdicts.pop("pressure rounding") in (CONFIRMED, DIFFERS)
        assert set(verdicts.values()) == {NEITHER}
        assert all(c.seen.amplitude < 0.5e-6 for c in found.cycles if c.seen.swings)
        assert not any(one.swings for one in found.whole)
        assert "comes to rest" in found.sentences[-1]

    def test_unstable_loop_is_told(self):
        found = limit_cycles(RIG.replace({"controller.velocity_gain": "600 1/s"}))
        assert not found.stable
        assert "unstable" in found.sentences[0]
        limits = [c for c in found.cycles if c.mechanism == "limits" and c.predicted is not None]
        assert limits
        assert all(c.seen.swings for c in limits)
        assert "predicted and" in limits[-1].sentence


# an axis that is the theorem's: leakage makes opening a force, friction is stiff and falls at once
STICKING = RIG.replace(
    {
        "controller.integral_gain": "200 1/s2",
        "controller.integral_dead_zone": "0 um",
        "controller.integral_limit": "50 mm/s",
        "cylinder.internal_leakage": "60 cm3/min/bar",
        "cylinder.seal_friction": "0 N",
        "cylinder.seal_breakaway": "0 N",
        "table.friction": "lugre",
        "table.coulomb_coefficient": 0.2,
        "table.static_coefficient": 0.2,
        "table.stribeck_velocity": "0.5 mm/s",
        "table.bristle_stiffness": "5000 N/um",
        "table.bristle_damping": "10 kN s/m",
        "table.bristle_damping_velocity": "5 mm/s",
        "table.elastic_fraction": "70 %",
        "reference.kind": "step",
        "thrust.mode": "none",
        "move.start": "100 mm",
        "move.target": "101 mm",
        "move.duration": "60 s",
    }
)


class TestStickingAndIntegral:
    """The pair of theorems on an integral and friction, each with a simulation.

    With more friction at rest than in motion every stabilising setting hunts (Armstrong and Amin,
    Automatica 32(5), 1996); with equal friction the position converges through ever smaller sticks
    and slips (Ruderman, arXiv 2006.08977, 2020).
    """

    @pytest.mark.parametrize(
        ("velocity_gain", "integral_gain"),
        [(20.0, 200.0), (12.0, 100.0), (30.0, 300.0), (8.0, 40.0)],
    )
    def test_more_friction_at_rest_hunts_for_every_setting(self, velocity_gain, integral_gain):
        axis = STICKING.replace(
            {
                "table.static_coefficient": 0.4,
                "controller.velocity_gain": velocity_gain,
                "controller.integral_gain": integral_gain,
            }
        )
        assert nearest_loop(isolated(axis), 0.1).stable()
        run = simulate(axis)
        x = run.state("table_position") - 0.101
        before, last = np.ptp(x[30000:45000]), np.ptp(x[45000:])
        assert last > 100e-6
        assert last == pytest.approx(before, rel=0.05)

    def test_equal_friction_creeps_into_rest(self):
        """It sticks ever closer and ever longer; the last micrometres hang on the tolerance."""
        run = simulate(STICKING)
        x = np.abs(run.state("table_position") - 0.101)
        sizes = [np.max(x[1000 * a : 1000 * b]) for a, b in ((2, 10), (15, 25), (35, 45), (50, 60))]
        assert sizes[0] > 5e-6
        assert sizes[1] < 0.6 * sizes[0]
        assert all(late <= 1.02 * early for early, late in pairwise(sizes))
        assert sizes[-1] < 3.5e-6

    def test_the_theorem_is_confirmed_by_name(self):
        found = limit_cycles(STICKING.replace({"table.static_coefficient": 0.4}), 0.1)
        hunting = [c for c in found.cycles if c.mechanism == "friction"]
        assert [c.verdict for c in hunting] == [CONFIRMED]
        assert "hunting" in hunting[0].sentence
        equal = limit_cycles(STICKING, 0.1)
        assert [c.verdict for c in equal.cycles if c.mechanism == "friction"] == [NEITHER]

    def test_dead_zone_of_the_integral_ends_it(self):
        axis = STICKING.replace(
            {"table.static_coefficient": 0.4, "controller.integral_dead_zone": "1 mm"}
        )
        run = simulate(axis)
        x = run.state("table_position")
        assert np.ptp(x[-10000:]) < 1e-6


def test_position_outside_the_stroke():
    with pytest.raises(ParameterError, match="outside the stroke"):
        limit_cycles(TABLE, 3.0)
