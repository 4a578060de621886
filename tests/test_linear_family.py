"""Margins of real axes against python-control, eigenvalues and the equations of motion."""

from dataclasses import replace
from pathlib import Path

import control
import numpy as np
import pytest
from axis_files import AXIS_FILES
from numpy.testing import assert_allclose
from scipy import linalg

from servosim.axis import read_axis
from servosim.errors import ParameterError
from servosim.linear.family import DEMANDS, LoopFamily
from servosim.linear.loops import closed_loops, closed_matrices, open_loops
from servosim.linear.plants import plants
from servosim.linear.points import Point, condition_points
from servosim.linear.sampling import sampled

PARAMS = Path(__file__).parent.parent / "params"
FILES = AXIS_FILES
TABLE = read_axis(PARAMS / "tube_sheet_table.toml")
CONTINUOUS = {
    "controller.kind": "continuous",
    "controller.computing_delay": None,
    "transducer.noise": "0 um",
    "transducer.resolution": "0 um",
    "transducer.pressure_noise": "0 bar",
    "transducer.pressure_resolution": "0 bar",
}
ACCELERATION = {
    "controller.stabilising_feedback": "acceleration",
    "controller.acceleration_feedback": "1 ms",
    "controller.load_pressure_feedback": None,
    "controller.high_pass_frequency": None,
    "controller.velocity_feedback": "10 %",
}
GENTLE = {"k_p": 0.25e-8}  # m/s over Pa: half of the demo's, stable all along the stroke


def family(changes=(), position=0.35, **options):
    axis = TABLE.replace(dict(changes))
    return LoopFamily(axis, condition_points(axis, position, **options))


@pytest.fixture(scope="module")
def table():
    return family()


def scaled(controllers, factor):
    """Return controllers whose command counts by a factor: all feedback together."""
    return replace(
        controllers,
        slope=controllers.slope * factor,
        estimate_slope=controllers.estimate_slope * factor,
    )


def furthest(family, controllers):
    """Return how far the outermost eigenvalue lies beyond the limit, for each point."""
    poles = np.linalg.eigvals(closed_matrices(family._states, controllers))
    return np.abs(poles).max(axis=1) - 1.0 if controllers.sampled else poles.real.max(axis=1)


class TestAgainstPythonControl:
    @pytest.mark.parametrize(
        "changes",
        [
            {},
            {"controller.integral_gain": "40 1/s2"},
            ACCELERATION,
            {"transducer.delay": "1.6 ms", "controller.computing_delay": "0.3 ms"},
            CONTINUOUS,
        ],
        ids=["load pressure", "integral", "acceleration", "late", "continuous"],
    )
    @pytest.mark.parametrize("cut", ["command", "position"])
    def test_the_open_loop_in_the_form_of_states(self, changes, cut):
        axis = TABLE.replace(changes)
        point = condition_points(axis, 0.35, conditions=("edge",), directions=(1.0,))
        loops = LoopFamily(axis, point)
        m = dict(zip(("command", "position"), loops.margins(), strict=True))[cut]
        given = loops.plants if changes is CONTINUOUS else sampled(loops.plants)
        states = open_loops(given, loops.controllers(), cut)
        system = control.ss(states.A[0], states.B[0], states.C[0], states.D[0], states.period)
        # the whole curve first
        omega, *both = loops.loops()
        L = both[("command", "position").index(cut)][0]
        at = np.exp(1j * omega[0] * states.period) if states.period else 1j * omega[0]
        used = omega[0] > 0.05
        assert_allclose(L[used], system(at[used]), rtol=1e-5, atol=1e-10)
        # then the judge's own search on a grid that resolves it
        grid = np.unique(np.concatenate([omega[0], np.geomspace(1.0, omega[0, -1], 3000)]))
        z = np.exp(1j * grid * states.period) if states.period else 1j * grid
        gm, pm, _, at_gain, at_phase, _ = control.stability_margins(
            control.frd(system(z), grid, smooth=True)
        )
        assert m.stable[0]
        assert m.gain_margin[0] == pytest.approx(gm, rel=1e-4)
        assert m.gain_frequency[0] == pytest.approx(at_gain, rel=1e-4)
        assert m.phase_margin[0] == pytest.approx(abs(np.deg2rad(pm)), rel=1e-4)
        assert m.phase_frequency[0] == pytest.approx(at_phase, rel=1e-4)

    def test_closed_loops_of_the_other_form(self, table):
        # 1/(1 + L) at the position error is the reference's way to the error of the controller
        omega = np.array([2.0, 25.0, 140.0, 900.0])
        _, _, L = table.loops(omega)
        whole = closed_loops(sampled(table.plants), table.controllers())
        r, e = whole.inputs.index("reference_position"), whole.outputs.index("control_error")
        for k in range(len(table.points)):
            system = control.ss(
                whole.A[k], whole.B[k][:, [r]], whole.C[k][[e]], whole.D[k][[e]][:, [r]], 1e-3
            )
            assert_allclose(1.0 / (1.0 + L[k]), system(np.exp(1j * omega * 1e-3)), rtol=1e-6)


class TestLimitOfStability:
    @pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
    def test_margins_lead_there_on_every_axis(self, path):
        axis = read_axis(path)
        x = 0.45 * axis.file.cylinder.stroke
        loops = LoopFamily(axis, condition_points(axis, x, conditions=("edge", "rest")))
        c = loops.controllers()
        command, position = loops.margins()
        scale = c.period if c.sampled else 1.0
        stable = command.stable
        assert np.any(stable)
        for k in np.flatnonzero(stable & (command.gain_margin < 1e6)):
            beyond = furthest(loops, scaled(c, command.gain_margin[k]))[k]
            assert beyond == pytest.approx(0.0, abs=1e-6 * max(scale, 1e-3) * 1e3)
            assert furthest(loops, scaled(c, 0.99 * command.gain_margin[k]))[k] < 0.0
        if np.all(np.asarray(c.numbers.K_i) == 0.0):
            for k in np.flatnonzero(stable & (position.gain_margin < 1e6)):
                K_v = position.gain_margin[k] * c.numbers.K_v[k]
                beyond = furthest(loops, loops.controllers({"K_v": K_v}))[k]
                assert beyond == pytest.approx(0.0, abs=1e-6)

    def test_integral_and_velocity_gain_rise_together(self):
        # cut at the position error the gain that counts is that of error and integral together
        loops = family({"controller.integral_gain": "60 1/s2"}, conditions=("edge",))
        position = loops.margins()[1]
        for k, g in enumerate(position.gain_margin):
            c = loops.controllers({"K_v": g * 22.0, "K_i": g * 60.0})
            assert furthest(loops, c)[k] == pytest.approx(0.0, abs=1e-6)

    def test_delay_margin_is_that_of_a_later_scale(self):
        loops = family(conditions=("edge",), directions=(1.0,))
        position = loops.margins()[1]
        # of one crossing
        expected = position.phase_margin[0] / position.phase_frequency[0]
        assert position.delay_margin[0] == pytest.approx(expected, rel=1e-9)
        late = TABLE.replace({"transducer.delay": float(0.999 * position.delay_margin[0])})
        later = LoopFamily(
            late, condition_points(late, 0.35, conditions=("edge",), directions=(1.0,))
        )
        assert later.stable()[0]
        late = TABLE.replace({"transducer.delay": float(1.001 * position.delay_margin[0])})
        later = LoopFamily(
            late, condition_points(late, 0.35, conditions=("edge",), directions=(1.0,))
        )
        assert not later.stable()[0]

    def test_at_the_end_of_the_stroke_the_demo_has_too_much_pressure_feedback(self):
        # a finding, not a wish: the stiffer chamber makes the pressure loop faster than its delays
        ends = family(position=0.0, conditions=("edge",), directions=(1.0,))
        assert not ends.stable()[0]
        assert ends.margins()[0].gain_margin[0] < 1.0
        assert ends.stable(GENTLE)[0]


class TestOneAndTheOther:
    def test_cuts_belong_to_one_closed_loop(self, table):
        omega = np.array([1.0, 30.0, 150.0, 1000.0])
        for gains in ({}, GENTLE, {"K_i": 50.0}):
            _, command, position = table.loops(omega, gains)
            _, inner, _ = table.loops(omega, {**gains, "K_v": 0.0, "K_i": 0.0})
            assert_allclose(1.0 + command, (1.0 + inner) * (1.0 + position), rtol=1e-9)

    def test_new_gains_are_those_of_a_new_file(self, table):
        axis = TABLE.replace(
            {
                "controller.velocity_gain": "15 1/s",
                "controller.load_pressure_feedback": "0.3 (mm/s)/bar",
                "controller.high_pass_frequency": "10 Hz",
                "controller.overlap_compensation": "60 %",
            }
        )
        keys = ("velocity_gain", "load_pressure_feedback", "high_pass_frequency")
        gains = {k: getattr(axis.file.controller, k) for k in (*keys, "overlap_compensation")}
        fresh = LoopFamily(axis, condition_points(axis, 0.35))
        for found, expected in zip(table.margins(gains), fresh.margins(), strict=True):
            for name, value in vars(expected).items():
                if name != "cut":
                    assert_allclose(getattr(found, name), value, rtol=1e-6, err_msg=name)

    def test_quick_margins_and_parts_are_the_same(self, table):
        rows = np.array([4, 1])
        for whole, quick, part in zip(
            table.margins(),
            table.margins(peaks=False),
            table.take(rows).margins(),
            strict=True,
        ):
            for name in ("stable", "gain_margin", "phase_margin", "delay_margin"):
                assert_allclose(getattr(quick, name), getattr(whole, name), rtol=1e-9)
                assert_allclose(getattr(part, name), getattr(whole, name)[rows], rtol=1e-6)

    def test_a_gain_for_each_point(self, table):
        K = np.linspace(10.0, 20.0, len(table.points))
        together = table.margins({"K_v": K})[1]
        for k in (0, 3):
            alone = table.margins({"K_v": K[k]})[1]
            assert together.gain_margin[k] == pytest.approx(alone.gain_margin[k], rel=1e-9)


class TestCompliance:
    def test_swinging_thrust_by_the_equations_of_motion(self):
        # the thrust as one more state, w' = j omega w, through the exact sampled closed loop
        axis = TABLE.replace({"valve.null_shift_pressure": "0 %/bar"})
        points = [Point(axis, 0.3, 0.04)]
        loops = LoopFamily(axis, points)
        plant, T = loops.plants, 1e-3
        whole = closed_matrices(sampled(plant), loops.controllers())[0]
        n_x = plant.A.shape[1]
        B = plant.B[0][:, plant.inputs.index("thrust")]
        C = plant.C[0][plant.outputs.index("table_position")]
        for omega in (0.5, 30.0, 150.0, 1200.0):
            big = np.zeros((n_x + 1, n_x + 1), dtype=complex)
            big[:n_x, :n_x], big[:n_x, n_x], big[n_x, n_x] = plant.A[0], B, 1j * omega
            pushed = np.zeros(len(whole), dtype=complex)
            pushed[:n_x] = linalg.expm(big * T)[:n_x, n_x]
            z = np.exp(1j * omega * T)
            x = np.linalg.solve(z * np.eye(len(whole)) - whole, pushed)
            _, found = loops.compliance([omega])
            assert found[0, 0] == pytest.approx(C @ x[:n_x], rel=1e-6)

    def test_at_rest_it_is_the_static_stiffness(self, table):
        # judged by the closed loop in the form of states
        _, found = table.compliance([1e-3])
        whole = closed_loops(sampled(table.plants), table.controllers())
        j, e = whole.inputs.index("thrust"), whole.outputs.index("position")
        for k in range(len(table.points)):
            A, B = whole.A[k], whole.B[k][:, j]
            static = whole.C[k][e] @ np.linalg.solve(np.eye(len(A)) - A, B)
            assert found[k, 0].real == pytest.approx(static, rel=1e-4)
            assert found[k, 0].real < 0.0


class TestHighestVelocityGain:
    @pytest.mark.parametrize("gains", [{}, {"K_i": 40.0}], ids=["", "integral"])
    def test_it_keeps_the_margins_and_a_little_more_does_not(self, gains):
        loops = family(conditions=("edge", "rapid"))
        gains = {**GENTLE, **gains}
        found = loops.highest_velocity_gain(gains, gain_margin=2.0, phase_margin=np.deg2rad(30.0))
        assert found.velocity_gain == found.nearest > 1.0
        assert found.demand in DEMANDS

        def kept(K_v):
            both = loops.margins({**gains, "K_v": K_v})
            return all(
                np.all(m.stable)
                and np.min(m.gain_margin) >= 2.0
                and np.max(m.gain_margin_low) <= 0.5
                and np.min(m.phase_margin) >= np.deg2rad(30.0)
                for m in both
            )

        assert kept(found.velocity_gain * (1.0 - 1e-5))
        assert not any(kept(found.velocity_gain * f) for f in (1.0001, 1.01, 1.1, 1.5, 3.0))
        assert found.velocity_gain == pytest.approx(np.min(found.limits), rel=1e-9)

    def test_which_margin_and_where(self):
        loops = family(conditions=("edge",), directions=(1.0,))
        found = loops.highest_velocity_gain(GENTLE, gain_margin=2.0, phase_margin=0.1)
        m = loops.margins({**GENTLE, "K_v": found.velocity_gain})
        values = {
            "gain margin at the command": m[0].gain_margin[0] / 2.0,
            "gain margin at the position error": m[1].gain_margin[0] / 2.0,
            "phase margin at the command": m[0].phase_margin[0] / 0.1,
            "phase margin at the position error": m[1].phase_margin[0] / 0.1,
        }
        assert found.demand == min(values, key=values.get)
        assert min(values.values()) == pytest.approx(1.0, rel=1e-4)

    def test_a_least_gain_beside_the_highest(self):
        # pressure feedback alone turns too far at the command; the position loop turns it back
        loops = family(conditions=("null", "edge"), directions=(1.0,), position=0.05)
        with_least = loops.highest_velocity_gain({"k_p": 0.2e-8})
        low, high = (
            loops.margins({"k_p": 0.2e-8, "K_v": K})[0].phase_margin.min() for K in (0.01, 15.0)
        )
        assert low < np.pi / 4.0 < high
        assert with_least.velocity_gain > 15.0

    def test_none_keeps_them(self):
        loops = family(position=0.0, conditions=("edge",))
        found = loops.highest_velocity_gain({})
        assert found.velocity_gain == 0.0
        assert np.all(found.limits == 0.0)
        assert found.nearest > 0.0

    @pytest.mark.parametrize(
        "demand, text",
        [({"gain_margin": 1.0}, "factor above one"), ({"phase_margin": 0.0}, "expected 0 to pi")],
    )
    def test_demands_that_cannot_be_meant(self, table, demand, text):
        with pytest.raises(ParameterError, match=text):
            table.highest_velocity_gain(**demand)


class TestNullOfAnOverlap:
    def test_it_is_left_out(self):
        axis = TABLE.replace({f"valve.overlap_{land}": "10 %" for land in ("pa", "bt", "pb", "at")})
        loops = LoopFamily(axis, condition_points(axis, 0.3, conditions=("null", "edge")))
        assert loops.meaningless.tolist() == [True, False, False]
        found = loops.highest_velocity_gain({"k_p": 0.2e-8}, phase_margin=0.3)
        assert np.isnan(found.limits[0])
        assert found.point in (1, 2)
        with pytest.raises(ParameterError, match="near zero"):
            loops.take(np.array([0])).highest_velocity_gain()

    def test_no_point_at_all(self):
        with pytest.raises(ParameterError, match="none of 0 points"):
            LoopFamily(TABLE, [])
        with pytest.raises(ParameterError, match="no loop"):
            LoopFamily(TABLE, [Point(TABLE, 0.3, 5.0)])


def test_given_plants_are_used():
    points = condition_points(TABLE, 0.35, conditions=("rest",))
    given = plants(points)
    assert LoopFamily(TABLE, points, given).plants is given
