"""Linear controllers against the kernels that the simulation runs."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from servosim._record import record
from servosim.axis import read_axis
from servosim.blocks import COMPONENTS, operating_point
from servosim.components.controller import law, opening_command, update
from servosim.errors import ParameterError
from servosim.linear.controllers import FILE_KEYS, INPUTS, controllers
from servosim.linear.plants import plants
from servosim.linear.points import Point, condition_points

PARAMS = Path(__file__).parent.parent / "params"
TABLE = read_axis(PARAMS / "tube_sheet_table.toml")
# a controller in which every term of the law acts
FULL = {
    "controller.integral_gain": "30 1/s2",
    "controller.acceleration_feedforward": "2 ms",
    "controller.velocity_feedback": "20 %",
    "controller.load_pressure_correction": "square_root",
    "controller.correction_frequency": "1 Hz",
    "controller.correction_floor": "20 %",
}
BY_ACCELERATION = {
    "controller.stabilising_feedback": "acceleration",
    "controller.acceleration_feedback": "3 ms",
    "controller.load_pressure_feedback": None,
    "controller.high_pass_frequency": None,
}
CONTINUOUS = {"controller.kind": "continuous", "controller.computing_delay": None}
QUIET = {
    "transducer.noise": "0 um",
    "transducer.resolution": "0 um",
    "transducer.pressure_noise": "0 bar",
    "transducer.pressure_resolution": "0 bar",
}


def at(changes, *, velocity=0.05, position=0.35):
    axis = TABLE.replace(changes)
    return axis, plants([Point(axis, position, velocity)])


class TestSlopes:
    @settings(max_examples=60)
    @given(
        v=st.floats(0.002, 0.08),
        sign=st.sampled_from([1.0, -1.0]),
        share=st.floats(0.0, 1.5),
        smoothing=st.floats(0.001, 0.05),
        load=st.floats(-2e6, 2e6),
    )
    def test_those_of_the_command_itself(self, v, sign, share, smoothing, load):
        axis = TABLE.replace(FULL)
        p = record(axis.parameters.controller._replace(k_o=share, delta_o=smoothing, u_max=10.0))
        v = sign * v
        command = opening_command(v, load, p)
        _, plant = at(FULL)
        c = controllers(plant)
        c = type(c)(**(vars(c) | {"command": np.array([command]), "estimate": np.array([load])}))
        c = c.with_gains({"overlap_compensation": share, "overlap_smoothing": smoothing})
        assert c.wanted_velocity[0] == pytest.approx(v, rel=1e-9)
        h = 1e-5 * abs(v)
        rise = (opening_command(v + h, load, p) - opening_command(v - h, load, p)) / (2.0 * h)
        assert c.slope[0] == pytest.approx(rise, rel=1e-6)
        h = 100.0
        rise = (opening_command(v, load + h, p) - opening_command(v, load - h, p)) / (2.0 * h)
        assert c.estimate_slope[0] == pytest.approx(rise, rel=1e-5, abs=1e-16)

    def test_without_overlap_compensation_it_is_one_over_the_velocity_gain(self):
        _, plant = at({"controller.overlap_compensation": "0 %"})
        c = controllers(plant)
        assert c.slope[0] == pytest.approx(1.0 / c.numbers.g_plus[0], rel=1e-12)
        assert c.estimate_slope[0] == 0.0

    def test_the_command_holds_against_bias_and_shift_of_the_null(self):
        # in the file's own units: 0.3 % bias at the rating's 20 degC and 70 bar, 0.005 %/K,
        # 0.003 %/bar, so that the command is what the spool needs less all these
        axis = TABLE
        plant = plants([Point(axis, 0.35)])
        p = axis.parameters.valve
        shift = p.bias + p.bias_pressure * (
            plant.x[0, plant.states.index("supply_pressure")] - p.p_rating
        )
        assert controllers(plant).command[0] == pytest.approx(plant.spool_command[0] - shift)

    def test_beyond_the_limit_is_told(self):
        axis = TABLE.replace({"controller.output_limit": "50 %"})
        given = plants(condition_points(TABLE, 0.35, conditions=("rapid",)))
        c = controllers(given, rated=axis)
        assert c.beyond_limit.all()
        assert not controllers(given).beyond_limit.any()


def judge_system(axis, sampled, velocity):
    """Return the controller's block, linearised by the differences of its own functions."""
    point = operating_point(axis, position=0.35, velocity=velocity)
    return COMPONENTS["sampled_controller" if sampled else "controller"].linearise(axis, point)


class TestMatrices:
    @pytest.mark.parametrize("sampled", [True, False])
    @pytest.mark.parametrize("feedback", [{}, BY_ACCELERATION])
    def test_derivatives_of_the_block(self, sampled, feedback):
        changes = FULL | feedback | ({} if sampled else CONTINUOUS | QUIET)
        # the point's filters lag as continuous ones do: a sampled update leaves them at rest alone
        velocity = 0.0 if sampled else 0.05
        axis, plant = at(changes, velocity=velocity)
        judge = judge_system(axis, sampled, velocity)
        states, A, B, C, D = controllers(plant).matrices(whole=True)
        rows = [states.index(n) for n in judge.state_labels]
        columns = [judge.input_labels.index(n) for n in INPUTS]
        assert_allclose(A[0][np.ix_(rows, rows)], judge.A, rtol=1e-6, atol=1e-6)
        assert_allclose(B[0][rows], judge.B[:, columns], rtol=1e-6, atol=1e-7)
        assert_allclose(C[0][:, rows], judge.C, rtol=1e-5, atol=1e-9)
        assert_allclose(D[0], judge.D[:, columns], rtol=1e-5, atol=1e-12)

    def test_samples_one_after_another_as_the_kernels_take_them(self):
        # small deviations around steady motion, a sample at a time through update and law
        axis, plant = at(FULL)
        c = controllers(plant)
        states, A, B, C, D = c.matrices(whole=True)
        p = record(axis.parameters.controller._replace(e_d=0.0, v_i=1e9))
        point = operating_point(axis, position=0.35, velocity=0.05)
        x0 = np.array([point.states[n] for n in states])
        names = ("reference_position", "reference_velocity", "reference_acceleration")
        u0 = np.array([point.signals.get(n, 0.0) for n in (*names, *INPUTS[3:])])
        rng = np.random.default_rng(3)
        size = np.array([1e-7, 1e-5, 1e-4, 1e-7, 10.0, 10.0])

        def inputs(u):
            return (u[0], u[1], u[2], 0.0, 0.0, u[3], u[4], u[5])

        moving, still = tuple(x0), tuple(x0)
        x = np.zeros(5)
        for k in range(20):
            u = size * rng.standard_normal(6)
            still = update(0.0, still, inputs(u0), False, p)
            moving = update(0.0, moving, inputs(u0 + u), False, p)
            change = law(moving, inputs(u0 + u), p) - law(still, inputs(u0), p)
            assert change == pytest.approx(float((C[0] @ x + D[0] @ u)[0]), rel=1e-3, abs=1e-9), k
            x = A[0] @ x + B[0] @ u

    @pytest.mark.parametrize("sampled", [True, False])
    @pytest.mark.parametrize("feedback", [{}, BY_ACCELERATION])
    def test_paths_are_their_transfer_functions(self, sampled, feedback):
        _, plant = at(FULL | feedback | ({} if sampled else CONTINUOUS | QUIET))
        c = controllers(plant)
        _, A, B, C, D = c.matrices()
        omega = np.array([0.3, 7.0, 90.0, 2500.0])
        error, reading, pressure = c.paths(omega[None])
        for k, w in enumerate(omega):
            s = np.exp(1j * w * c.period) if sampled else 1j * w
            G = C[0] @ np.linalg.solve(s * np.eye(A.shape[1]) - A[0], B[0]) + D[0]
            assert error[0, k] == pytest.approx(G[0, 0], rel=1e-9)
            assert error[0, k] + reading[0, k] == pytest.approx(-G[0, 3], rel=1e-9)
            assert pressure[0, k] == pytest.approx(-G[0, 4], rel=1e-9)
            assert pressure[0, k] * c.area_ratio[0] == pytest.approx(G[0, 5], rel=1e-9)
        one_by_one = c.paths(omega, np.zeros(4, dtype=int))
        for grid, single in zip((error, reading, pressure), one_by_one, strict=True):
            assert_allclose(single, grid[0], rtol=1e-13)

    def test_idle_states_are_left_out(self):
        _, plant = at({"controller.integral_gain": "0 1/s2"})
        assert controllers(plant).states == ("slow_pressure",)
        assert controllers(plant, {"k_p": 0.0}).states == ()


class TestGains:
    def test_by_either_name_and_as_the_file_would_have_them(self):
        changed = {
            "controller.velocity_gain": "31 1/s",
            "controller.integral_gain": "12 1/s2",
            "controller.load_pressure_feedback": "0.2 (mm/s)/bar",
            "controller.high_pass_frequency": "9 Hz",
            "controller.overlap_compensation": "70 %",
            "controller.filter_frequency": "150 Hz",
            "controller.velocity_feedback": "5 %",
        }
        axis = TABLE.replace(changed)
        given = plants([Point(TABLE, 0.35, 0.05)])
        expected = controllers(given, rated=axis)
        keys = [name.split(".")[1] for name in changed]
        values = {key: getattr(axis.file.controller, key) for key in keys}
        for gains in (values, {FILE_KEYS[key]: value for key, value in values.items()}):
            found = controllers(given, gains)
            for name in expected.numbers._fields:
                left, right = getattr(found.numbers, name), getattr(expected.numbers, name)
                assert_allclose(left, right, rtol=1e-12, err_msg=name)
            assert_allclose(found.slope, expected.slope, rtol=1e-12)

    def test_a_corner_keeps_the_numbers_that_the_machine_was_set_to(self):
        corner = TABLE.replace({"supply.pressure": "150 bar"})
        given = plants([Point(corner, 0.35, 0.05)])
        own, rated = controllers(given), controllers(given, rated=TABLE)
        assert rated.numbers.g_plus[0] == TABLE.parameters.controller.g_plus
        assert own.numbers.g_plus[0] > rated.numbers.g_plus[0]

    @pytest.mark.parametrize(
        "gains, text",
        [
            ({"velocity_gian": 1.0}, "nearest name 'velocity_gain'"),
            ({"a_h": 0.1}, "'a_h' is not one that acts"),
            ({"K_v": float("nan")}, "K_v = nan is no finite number"),
            ({"high_pass_frequency": 0.0}, "high_pass_frequency"),
            ({"overlap_smoothing": 0.0}, "expected a positive opening"),
        ],
    )
    def test_faults(self, gains, text):
        _, plant = at({})
        with pytest.raises(ParameterError, match=text):
            controllers(plant, gains)

    def test_pressures_that_nobody_reads(self):
        blind = {
            "transducer.pressure": "none",
            **{
                f"transducer.pressure_{key}": None
                for key in ("resolution", "noise", "time_constant", "range")
            },
            "controller.stabilising_feedback": "none",
            "controller.load_pressure_feedback": None,
            "controller.high_pass_frequency": None,
        }
        _, plant = at(blind)
        with pytest.raises(ParameterError, match="no pressures are read"):
            controllers(plant, {"load_pressure_feedback": 1e-9, "high_pass_frequency": 30.0})

    def test_controllers_of_two_kinds(self):
        slow = TABLE.replace({"controller.period": "2 ms"})
        given = plants([Point(TABLE, 0.35), Point(slow, 0.35)])
        with pytest.raises(ParameterError, match="differ in kind, period"):
            controllers(given)
