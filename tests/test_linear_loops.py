"""Loops against python-control's own joining, and against identities of feedback."""

from pathlib import Path

import control
import numpy as np
import pytest
from numpy.testing import assert_allclose

from servosim.axis import read_axis
from servosim.blocks import COMPONENTS, operating_point
from servosim.errors import ParameterError
from servosim.linear.controllers import controllers
from servosim.linear.loops import (
    CLOSED_INPUTS,
    CLOSED_OUTPUTS,
    closed_loops,
    closed_matrices,
    continuous_form,
    delayed_input,
    delayed_output,
    open_loops,
    pade,
    systems,
)
from servosim.linear.plants import plants
from servosim.linear.points import Point
from servosim.linear.sampling import sampled, state_scales

PARAMS = Path(__file__).parent.parent / "params"
TABLE = read_axis(PARAMS / "tube_sheet_table.toml")
SCREW = read_axis(PARAMS / "screw_table.toml")
RIG = read_axis(PARAMS / "teaching_rig.toml")
# every term of the law acts
FULL = TABLE.replace(
    {
        "controller.integral_gain": "30 1/s2",
        "controller.acceleration_feedforward": "2 ms",
        "controller.velocity_feedback": "20 %",
        "controller.load_pressure_correction": "square_root",
        "controller.correction_frequency": "1 Hz",
        "controller.correction_floor": "20 %",
        "valve.null_shift_pressure": "0.05 %/bar",
    }
)
ACCELERATION = TABLE.replace(
    {
        "controller.stabilising_feedback": "acceleration",
        "controller.acceleration_feedback": "1 ms",
    }
)
AXES = {"table": TABLE, "screw": SCREW, "full law": FULL, "acceleration": ACCELERATION}


def _points(axis):
    stroke = axis.file.cylinder.stroke
    return [Point(axis, 0.3 * stroke, 0.02), Point(axis, 0.7 * stroke, -0.04, 200.0)]


def _of(system, k, s):
    """Return the transfer matrix of one of many systems at a complex frequency."""
    size = state_scales(system.states)  # pascals and metres in one matrix cost digits
    A, B = system.A[k] * size / size[:, None], system.B[k] / size[:, None]
    x = np.linalg.solve(s * np.eye(len(A)) - A, B)
    return (system.C[k] * size) @ x + system.D[k]


def _pair(axis, is_sampled):
    found = plants(_points(axis))
    control_side = controllers(found)
    if is_sampled:
        return sampled(found), control_side
    return found, continuous_form(control_side)


def _frequencies(system):
    omega = np.array([3.0, 40.0, 300.0, 1500.0])
    return np.exp(1j * omega * system.period) if system.period else 1j * omega


class TestAgainstTheControlLibrary:
    @pytest.mark.parametrize("name", AXES)
    def test_continuous_loops_are_the_blocks_interconnected(self, name):
        axis = AXES[name]
        point = _points(axis)[0]
        at = operating_point(axis, position=point.position, velocity=point.velocity)
        mine = closed_loops(*_pair(axis, False))
        names = ("valve", "ports", "cylinder", "load", "supply", "transducer")
        parts = [COMPONENTS[n].linearise(axis, at) for n in (*names, "controller", "command_path")]
        inputs = ["reference_position", "reference_velocity", "reference_acceleration"]
        outputs = ["table_position", "pressure_a", "supply_pressure", "command"]
        whole = control.interconnect(
            parts, inputs=[*inputs, "thrust"], outputs=outputs, check_unused=False
        )
        rows = [CLOSED_OUTPUTS.index(n.replace("table_", "")) for n in outputs]
        columns = [CLOSED_INPUTS.index(n) for n in (*inputs, "thrust")]
        for s in _frequencies(mine):
            theirs = whole(s)
            largest = np.max(abs(theirs), axis=1, keepdims=True)
            assert_allclose(
                _of(mine, 0, s)[np.ix_(rows, columns)] / largest, theirs / largest, atol=1e-7
            )

    @pytest.mark.parametrize("name", AXES)
    def test_sampled_loops_are_plant_and_law_interconnected(self, name):
        """The controller's own linear form, sample by sample, joined by python-control."""
        axis = AXES[name]
        # at rest, where states of the continuous law are those of the sampled one too
        point = Point(axis, 0.1, thrust=150.0)
        at = operating_point(axis, position=point.position, thrust=point.thrust)
        found = plants([point])
        plant, control_side = sampled(found), controllers(found)
        mine = closed_loops(plant, control_side)
        law = COMPONENTS["sampled_controller"].linearise(axis, at)
        readings = ["scale_reading", "pressure_reading_a", "pressure_reading_b"]
        rows = [plant.outputs.index(n) for n in ("table_position", *readings)]
        size = state_scales(plant.states)
        body = control.StateSpace(
            plant.A[0] * size / size[:, None],
            plant.B[0][:, :1] / size[:, None],
            plant.C[0][rows] * size,
            np.zeros((4, 1)),
            plant.period,
            inputs=["command"],
            outputs=["table_position", *readings],
            name="body",
            remove_useless_states=False,
        )
        whole = control.interconnect(
            [body, law],
            inputs=["reference_position", "reference_velocity"],
            outputs=["table_position", "command"],
            check_unused=False,
        )
        z = _frequencies(mine)
        for s in z:
            theirs = whole(s)
            ours = _of(mine, 0, s)[np.ix_([0, CLOSED_OUTPUTS.index("command")], [0, 1])]
            largest = np.max(abs(theirs), axis=1, keepdims=True)
            assert_allclose(ours / largest, theirs / largest, atol=1e-7)
        largest_pole = np.max(abs(np.linalg.eigvals(closed_matrices(plant, control_side)[0])))
        assert largest_pole == pytest.approx(np.max(abs(whole.poles())), rel=1e-9)


class TestIdentities:
    @pytest.mark.parametrize("is_sampled", [False, True])
    @pytest.mark.parametrize("name", AXES)
    def test_cut_at_the_command(self, name, is_sampled):
        """det(s - A closed)/det(s - A open) = 1 + L, whatever the states are."""
        plant, control_side = _pair(AXES[name], is_sampled)
        loop, closed = open_loops(plant, control_side), closed_matrices(plant, control_side)
        assert loop.inputs == ("command",)
        for k in range(2):
            for s in _frequencies(loop):
                ratio = np.prod(s - np.linalg.eigvals(closed[k]))
                ratio /= np.prod(s - np.linalg.eigvals(loop.A[k]))
                assert _of(loop, k, s)[0, 0] + 1.0 == pytest.approx(ratio, rel=1e-6)

    @pytest.mark.parametrize("is_sampled", [False, True])
    @pytest.mark.parametrize("name", AXES)
    def test_cut_at_the_position_error(self, name, is_sampled):
        """Noise of the reading comes back as 1/(1 + L) of itself if no feedback derives it."""
        plant, control_side = _pair(AXES[name], is_sampled)
        loop, closed = (
            open_loops(plant, control_side, "position"),
            closed_loops(plant, control_side),
        )
        r = CLOSED_INPUTS.index("reference_position")
        for k in range(2):
            for s in _frequencies(loop):
                L = _of(loop, k, s)[0, 0]
                seen = _of(closed, k, s)[CLOSED_OUTPUTS.index("control_error"), r]
                assert seen == pytest.approx(1.0 / (1.0 + L), rel=1e-6)

    def test_both_cuts_are_one_where_position_alone_is_fed_back(self):
        plain = TABLE.replace({"controller.stabilising_feedback": "none"})
        for is_sampled in (False, True):
            pair = _pair(plain, is_sampled)
            loops = [open_loops(*pair, cut) for cut in ("command", "position")]
            for s in _frequencies(loops[0]):
                one, other = (_of(loop, 0, s)[0, 0] for loop in loops)
                assert one == pytest.approx(other, rel=1e-8)

    def test_error_and_steady_values(self):
        """A position loop with integrating plant and no load: position follows the reference."""
        closed = closed_loops(*_pair(RIG, False))
        slow = _of(closed, 0, 1e-4j)
        r, v = CLOSED_INPUTS.index("reference_position"), CLOSED_INPUTS.index("reference_velocity")
        position, error = (CLOSED_OUTPUTS.index(n) for n in ("position", "error"))
        scale = RIG.parameters.transducer.scale
        assert slow[position, r] == pytest.approx(1.0 / scale, rel=1e-4)
        assert slow[error, r] == pytest.approx(1.0 - slow[position, r], abs=1e-12)
        # following error over velocity is (1 - k_ff)/K_v in the absence of other lags: the
        # feed-forward alone moves the axis by k_ff/K_v
        c = RIG.file.controller
        expected = c.velocity_feedforward / c.velocity_gain / scale
        assert slow[position, v].real == pytest.approx(expected, rel=1e-4)


class TestPade:
    @pytest.mark.parametrize("order", [1, 2, 3, 5, 8])
    def test_against_the_control_library(self, order):
        A, B, C, D = pade(1.7e-3, order)
        theirs = control.tf(*control.pade(1.7e-3, order))
        for s in 1j * np.array([10.0, 300.0, 1200.0]):
            ours = C @ np.linalg.solve(s * np.eye(order) - A, B) + D
            assert ours == pytest.approx(theirs(s), rel=1e-9)
            assert abs(ours) == pytest.approx(1.0, rel=1e-9)
        phase = C @ np.linalg.solve(100j * np.eye(order) - A, B) + D
        assert phase == pytest.approx(np.exp(-0.17j), rel=0.17 ** (2 * order + 1) + 1e-12)

    def test_before_and_behind_a_plant(self):
        found = plants(_points(TABLE))
        plain = systems(found)
        before = delayed_input(plain, "spool_command", 2e-3, 4)
        behind = delayed_output(plain, "scale_reading", 2e-3, 4)
        y = plain.outputs.index("scale_reading")
        for s in (5j, 80j):
            one, other, bare = (_of(system, 1, s) for system in (before, behind, plain))
            assert one[y, 0] == pytest.approx(bare[y, 0] * np.exp(-2e-3 * s), rel=1e-8)
            assert other[y, 0] == pytest.approx(one[y, 0], rel=1e-9)
            assert one[y, 1] == pytest.approx(bare[y, 1], rel=1e-9)
            assert other[y, 1] == pytest.approx(bare[y, 1] * np.exp(-2e-3 * s), rel=1e-8)
            assert other[0, 0] == pytest.approx(bare[0, 0], rel=1e-9)
        assert delayed_input(plain, "spool_command", 0.0, 4) is plain
        assert delayed_output(plain, "scale_reading", 2e-3, 0) is plain


class TestRefusals:
    def test_mixed_kinds(self):
        found = plants(_points(TABLE))
        with pytest.raises(ParameterError, match="continuous plants and sampled controllers"):
            closed_matrices(found, controllers(found))
        with pytest.raises(ParameterError, match="sampled plants and continuous controllers"):
            open_loops(sampled(found), continuous_form(controllers(found)))

    def test_unknown_cut(self):
        with pytest.raises(ParameterError, match="choose among command, position"):
            open_loops(*_pair(TABLE, True), "somewhere")
