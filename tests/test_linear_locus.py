"""Root loci against python-control, eigenvalues and the margins of the same loop."""

from pathlib import Path

import control
import numpy as np
import pytest
from axis_files import AXIS_FILES
from numpy.testing import assert_allclose

from servosim.axis import read_axis
from servosim.errors import ParameterError
from servosim.linear.family import LoopFamily
from servosim.linear.locus import Locus, root_locus
from servosim.linear.loops import closed_matrices, continuous_form, open_loops
from servosim.linear.plants import plants
from servosim.linear.points import Point, condition_points
from servosim.linear.sampling import sampled

PARAMS = Path(__file__).parent.parent / "params"
FILES = AXIS_FILES
TABLE = read_axis(PARAMS / "tube_sheet_table.toml")


def point_of(axis, condition="edge", position=None):
    x = 0.5 * axis.file.cylinder.stroke if position is None else position
    return condition_points(axis, x, conditions=(condition,), directions=(1.0,))[0]


def sorted_poles(poles):
    return np.sort_complex(np.round(poles, 9))


class TestPoles:
    @pytest.mark.parametrize("form", ["sampled", "continuous"])
    def test_as_python_control_has_them(self, form):
        point = point_of(TABLE)
        gains = np.array([0.0, 5.0, 22.0, 40.0, 60.0])
        found = root_locus(TABLE, point, form=form, velocity_gains=gains)
        loops = LoopFamily(TABLE, [point])
        c = loops.controllers({"K_v": 1.0})
        given = sampled(loops.plants) if form == "sampled" else loops.plants
        one = open_loops(given, c if form == "sampled" else continuous_form(c), "position")
        system = control.ss(one.A[0], one.B[0], one.C[0], one.D[0], one.period)
        for k, K in enumerate(gains):
            judge = control.feedback(K * system, 1).poles()
            distance = np.abs(found.poles[k][:, None] - judge[None, :])
            scale = 1.0 if form == "sampled" else np.maximum(np.abs(judge), 1.0)
            assert np.all((distance / scale).min(axis=1) < 1e-6)

    def test_root_locus_map(self):
        # the judge's own locus, from the transfer function of a loop of low order
        axis = read_axis(PARAMS / "teaching_rig.toml")
        point = point_of(axis)
        gains = np.array([2.0, 10.0, 30.0])
        found = root_locus(axis, point, form="continuous", velocity_gains=gains)
        loops = LoopFamily(axis, [point])
        one = open_loops(loops.plants, continuous_form(loops.controllers({"K_v": 1.0})), "position")
        system = control.ss(one.A[0], one.B[0], one.C[0], one.D[0])
        # as a transfer function, time in hundredths of a second so that its numbers are tame, and
        # without what no output sees
        zeros, poles = control.zeros(system) / 100.0, control.poles(system) / 100.0
        zeros = zeros[np.isfinite(zeros) & (np.abs(zeros) < 1e4)]
        for zero in zeros:
            twin = np.argmin(np.abs(poles - zero))
            assert abs(poles[twin] - zero) < 1e-6 * max(abs(zero), 1.0)
            poles = np.delete(poles, twin)
        shape = control.tf([1.0], np.poly(poles).real)
        gain = (system(150j) / shape(1.5j)).real
        judge = control.root_locus_map(gain * shape, gains).loci * 100.0
        for k in range(len(gains)):
            for pole in judge[k]:
                assert np.abs(found.poles[k] - pole).min() < 1e-5 * abs(pole)

    def test_frequency_and_damping(self):
        found = root_locus(TABLE, point_of(TABLE), velocity_gains=[22.0])
        judge = control.ss(np.diag([0.5]), [[1.0]], [[1.0]], 0.0, 1e-3)
        whole = LoopFamily(TABLE, [point_of(TABLE)])
        A = closed_matrices(sampled(whole.plants), whole.controllers())[0]
        n = len(A)
        judge = control.ss(A, np.zeros((n, 1)), np.zeros((1, n)), 0.0, 1e-3)
        omega, zeta, poles = control.damp(judge, doprint=False)
        for w, ratio, z in zip(omega, zeta, poles, strict=True):
            if abs(z) < 1e-3:  # its logarithm says nothing
                continue
            k = np.argmin(np.abs(found.poles[0] - z))
            assert found.natural_frequencies[0, k] == pytest.approx(w, rel=1e-6)
            assert found.damping_ratios[0, k] == pytest.approx(ratio, abs=1e-6)

    def test_each_column_follows_one_pole(self):
        found = root_locus(TABLE, point_of(TABLE))
        size = np.abs(np.diff(found.poles, axis=0)).max()
        assert size < 0.05
        for k in (0, len(found.velocity_gains) // 2):
            alone = root_locus(
                TABLE, found.point, velocity_gains=[found.velocity_gains[k] + 0.0]
            ).poles[0]
            assert_allclose(sorted_poles(found.poles[k]), sorted_poles(alone), atol=1e-6)


class TestLimit:
    @pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
    def test_an_eigenvalue_lies_on_it(self, path):
        axis = read_axis(path)
        point = point_of(axis)
        found = root_locus(axis, point)
        assert 0.0 < found.limit < np.inf
        there = root_locus(axis, point, velocity_gains=[found.limit]).poles[0]
        beyond = np.abs(there).max() - 1.0 if found.period else there.real.max()
        assert beyond == pytest.approx(0.0, abs=1e-6)
        before = root_locus(axis, point, velocity_gains=[0.999 * found.limit]).poles[0]
        assert (np.abs(before).max() < 1.0) if found.period else (before.real.max() < 0.0)

    @pytest.mark.parametrize("condition", ["null", "edge", "rapid"])
    def test_it_is_the_gain_margin_at_the_position_error(self, condition):
        point = point_of(TABLE, condition)
        found = root_locus(TABLE, point)
        m = LoopFamily(TABLE, [point]).margins()[1]
        assert found.limit == pytest.approx(22.0 * m.gain_margin[0], rel=1e-7)
        assert found.limit_frequency == pytest.approx(m.gain_frequency[0], rel=1e-6)

    def test_an_integral_asks_for_a_least_gain_too(self):
        found = root_locus(TABLE, point_of(TABLE), gains={"K_i": 50.0})
        low, high = found.limits
        assert 0.0 < low < 1.0 < high == found.limit

        def stable(K):
            gains = {"K_i": 50.0}
            poles = root_locus(TABLE, found.point, gains=gains, velocity_gains=[K]).poles
            return np.abs(poles).max() < 1.0

        assert not stable(0.99 * low)
        assert stable(1.01 * low)
        assert stable(0.99 * high)
        assert not stable(1.01 * high)

    def test_pressure_feedback_that_asks_for_a_high_gain(self):
        # at the end of the stroke the demo's pressure feedback alone is unstable
        found = root_locus(TABLE, point_of(TABLE, position=0.0))
        low, high = found.limits
        assert found.limit == high
        loops = LoopFamily(TABLE, [found.point])
        for K, stable in ((0.99 * low, False), (1.01 * low, True), (0.99 * high, True)):
            assert loops.stable({"K_v": K})[0] == stable
        assert not loops.stable({"K_v": 1.01 * high})[0]

    def test_a_loop_that_no_gain_stabilises(self):
        found = root_locus(TABLE, point_of(TABLE, position=0.0), gains={"k_p": 5e-8})
        assert found.limit == 0.0
        assert found.limits == ()
        assert np.isnan(found.limit_frequency)


class TestFaults:
    @pytest.mark.parametrize(
        "options, text",
        [
            ({"form": "discrete"}, 'choose "continuous" or "sampled"'),
            ({"velocity_gains": [2.0, 1.0]}, "growing gains"),
            ({"velocity_gains": [-1.0]}, "zero or more"),
            ({"velocity_gains": []}, "zero or more"),
        ],
    )
    def test_options(self, options, text):
        with pytest.raises(ParameterError, match=text):
            root_locus(TABLE, point_of(TABLE), **options)

    def test_no_steady_state(self):
        with pytest.raises(ParameterError, match="no plant at this point: no steady motion"):
            root_locus(TABLE, Point(TABLE, 0.3, 5.0))
        with pytest.raises(ParameterError, match="one plant"):
            points = condition_points(TABLE, 0.3, conditions=("edge",))
            root_locus(TABLE, points[0], given=plants(points))


class TestRanges:
    def test_a_range_that_does_not_begin_at_zero(self):
        """At the end of the stroke the pressure feedback alone is unstable: gains are two-sided."""
        point = Point(TABLE, 0.0)
        found = root_locus(TABLE, point)
        ((low, high),) = found.ranges
        assert 22.0 < low < high == found.limit
        plant = plants([point])
        for gain, stable in ((22.0, False), (0.98 * low, False), (1.02 * low, True),
                             (0.98 * high, True), (1.02 * high, False)):  # fmt: skip
            c = LoopFamily(TABLE, [point]).controllers({"velocity_gain": gain})
            poles = np.linalg.eigvals(closed_matrices(sampled(plant), c)[0])
            assert (np.max(np.abs(poles)) < 1.0) == stable

    @pytest.mark.parametrize(
        ("limits", "limit", "ranges", "sentence"),
        [
            ((), np.inf, ((0.0, np.inf),), "stable with any gain"),
            ((), 0.0, (), "no gain is stable"),
            ((5.0,), 5.0, ((0.0, 5.0),), "stable up to 5 1/s"),
            ((5.0,), np.inf, ((5.0, np.inf),), "stable above 5 1/s"),
            ((5.0, 8.0), 8.0, ((5.0, 8.0),), "stable from 5 1/s to 8 1/s"),
            ((5.0, 8.0), 5.0, ((0.0, 5.0), (8.0, np.inf)), "stable up to 5 1/s and above 8 1/s"),
            (
                (5.0, 8.0, 9.0),
                5.0,
                ((0.0, 5.0), (8.0, 9.0)),
                "stable up to 5 1/s and from 8 1/s to 9 1/s",
            ),
        ],
    )
    def test_from_the_gains_at_which_stability_changes(self, limits, limit, ranges, sentence):
        found = Locus(Point(TABLE, 0.1), "sampled", 1e-3, np.zeros(0), np.zeros((0, 0)),
                      limits, limit, np.nan)  # fmt: skip
        assert found.ranges == ranges
        assert found.sentence == sentence
