"""Results of a study: what the figures of many cases say, how they are drawn, and the command."""

from __future__ import annotations

import itertools
import json
import math
import os
import pickle
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import xarray
from hypothesis import given, settings
from hypothesis import strategies as st
from study_cases import (
    AXIS,
    FLOW,
    GAIN,
    OIL,
    design_points,
    grid_result,
    plan_by_hand,
    problem_of,
    result_by_hand,
    sampled_result,
    varied,
)

from servosim import ParameterError, metrics, read_axis, simulate
from servosim._definitions import DEFINITIONS
from servosim._netcdf import room_of
from servosim.result import Event, Status
from servosim.studies.labelled import EVENT_KINDS
from servosim.studies.result import Kept, StudyResult
from servosim.studies.run import study
from servosim.studies.selection import cases_at, draws_of
from servosim.studies.sensitivity import (
    effect_on_grid,
    effects_of_samples,
    sobol_indices,
)
from servosim.studies.statistics import (
    failures_of,
    meets,
    percentiles_over,
    share_of,
    worst_first,
)


class TestQuestionsThatCannotBeAnswered:
    @pytest.mark.parametrize(
        ("ask", "words"),
        [
            (lambda one: one.figure(3), "3: no such figure"),
            (lambda one: one.figure(["overshoot"]), "no such figure"),
            (lambda one: one.percentiles("overshoot", 101.0), "percent: 101.0 %; expected 0 to"),
            (lambda one: one.percentiles("overshoot", (math.nan,)), "percent: nan %"),
            (
                lambda one: one.percentiles("overshoot", over="gain"),
                "over: 'gain' is no dimension of the study; expected rated_flow or velocity_gain",
            ),
            (lambda one: one.yield_(confidence=95), "confidence: 95; expected between 0 and 1"),
            (lambda one: one.yield_(at="rated_flow"), "at: 'rated_flow' is no point"),
            (lambda one: one.worst("overshoot", -1), "n: -1 cases"),
            (lambda one: one.worst("overshoot", 1.5), "n: 1.5 cannot be used"),
            (lambda one: one.rerun(1.5), "case: 1.5 cannot be used; expected a whole number"),
            (lambda one: one.rerun(True), "case: True cannot be used"),
            (lambda one: one.rerun("1"), "case: '1' cannot be used"),
            (lambda one: one.rerun(12), "no case 12; expected 0 to 11"),
        ],
    )
    def test_say_what_is_wrong(self, ask, words):
        with pytest.raises(ParameterError) as caught:
            ask(grid_result({"settling_time": {"high": "2.2 s"}}))
        assert words in str(caught.value)

    def test_one_percentage_will_do(self):
        # median of 2.0 ... 2.23, which are 12 values: the mean of the 6th and the 7th
        times = np.sort(grid_result().figure("settling_time"))
        found = grid_result().percentiles("settling_time", 50)
        assert found.values.tolist() == [pytest.approx((times[5] + times[6]) / 2, rel=1e-12)]


class TestShares:
    @pytest.mark.parametrize(
        ("passed", "n", "low", "high"),
        # R. G. Newcombe, Statistics in Medicine 17, 1998, table I, Wilson's score method without
        # continuity correction (from memory)
        [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611),
         (1, 29, 0.0061, 0.1718)],
    )  # fmt: skip
    def test_the_interval_is_that_of_wilson(self, passed, n, low, high):
        found = share_of(np.arange(n) < passed, 0.95, np.arange(n))
        assert (found.passed, found.n, found.share) == (passed, n, passed / n)
        assert found.low == pytest.approx(low, abs=5e-5)
        assert found.high == pytest.approx(high, abs=5e-5)

    def test_without_draws_there_is_no_interval(self):
        found = share_of(np.array([True, False, True]), 0.95, None)
        assert found.share == pytest.approx(2.0 / 3.0)
        assert math.isnan(found.low) and math.isnan(found.high)

    def test_cases_of_one_draw_do_not_count_as_independent(self):
        passed = np.repeat(np.arange(20) < 15, 50)
        many = share_of(passed, 0.95, np.arange(1000))
        few = share_of(passed, 0.95, np.repeat(np.arange(20), 50))
        single = share_of(np.arange(20) < 15, 0.95, np.arange(20))
        assert few.share == many.share == 0.75
        assert (few.low, few.high) == (single.low, single.high)
        assert few.high - few.low > 3.0 * (many.high - many.low)

    def test_cases_that_are_no_draws_are_not_counted(self):
        found = share_of(np.array([True, False, True]), 0.95, np.array([0, -1, 1]))
        assert (found.passed, found.n, found.share) == (2, 2, 1.0)

    def test_of_no_cases(self):
        found = share_of(np.zeros(0, dtype=bool), 0.95, np.zeros(0, dtype=np.int64))
        assert found.n == 0 and math.isnan(found.share)

    def test_a_missing_figure_fails_its_limit_and_the_ends_pass(self):
        values = np.array([np.nan, 1.0, 2.0, 3.0, 3.1])
        assert meets(values, -math.inf, 3.0).tolist() == [False, True, True, True, False]
        assert meets(values, 2.0, math.inf).tolist() == [False, False, True, True, True]
        assert meets(values, -math.inf, math.inf).tolist() == [False, True, True, True, True]


class TestYield:
    LIMITS = {"settling_time": {"high": "2.5 s"}}  # noqa: RUF012

    def test_counts_missing_and_failed_cases_as_not_passed(self):
        result, u, v = sampled_result(400, self.LIMITS, missing=[0, 1], status=[0] * 398 + [2, 2])
        good = 2.0 + u + 0.1 * v <= 2.5
        good[[0, 1, 398, 399]] = False
        found = result.yield_()
        assert found.overall.passed == good.sum() < 400 == found.overall.n
        assert found.overall == found.each["settling_time"]
        assert found.overall.low < found.overall.share < found.overall.high
        assert "400 samples drawn at random" in found.note
        assert result.passed().values.tolist() == good.tolist()

    def test_all_limits_together(self):
        result, _, _ = sampled_result(50)
        found = result.yield_({"settling_time": (2.2, 2.8), "settled": {"low": 1}})
        assert found.overall.passed == 0  # no case says whether it settled
        assert found.each["settled"].passed == 0 < found.each["settling_time"].passed

    def test_of_a_grid_is_a_count(self):
        found = grid_result(self.LIMITS).yield_({"settling_time": {"high": 2.095}})
        assert found.overall.passed == 4 and found.overall.n == 12  # 2.00 to 2.03 and none of 2.1
        assert math.isnan(found.overall.low)
        assert "a count over the grid (rated flow, velocity gain)" in found.note

    def test_at_a_point_of_the_grid(self):
        found = grid_result().yield_(self.LIMITS, at={"rated_flow": "16 L/min"})
        assert found.overall.n == 4
        exact = grid_result().yield_(
            self.LIMITS, at={"rated_flow": "16 L/min", "velocity_gain": 20.0}
        )
        assert exact.overall.n == 1

    @pytest.mark.parametrize(
        ("at", "words"),
        [
            ({"rated_flo": "16 L/min"}, "nearest name 'rated_flow'"),
            ({"rated_flow": "17 L/min"}, "expected 8 L/min or 16 L/min or 32 L/min"),
            ({"rated_flow": "17 bar"}, "17 bar"),
        ],
    )
    def test_says_what_is_no_point(self, at, words):
        with pytest.raises(ParameterError, match=words):
            grid_result().yield_(self.LIMITS, at=at)

    def test_without_limits(self):
        with pytest.raises(ParameterError, match="no limits"):
            grid_result().yield_()

    def test_samples_at_each_point_have_a_chance_there_alone(self):
        inputs = [varied(GAIN, "velocity_gain", [10.0, 20.0]), varied(OIL, "case", [300.0] * 30)]
        plan = plan_by_hand(("velocity_gain", "case"), (2, 30), inputs, design={"method": "sobol"})
        assert draws_of(plan, cases_at(plan, None))[0] is None
        draws, words = draws_of(plan, cases_at(plan, {"velocity_gain": "20 1/s"}))
        assert draws.tolist() == list(range(30)) and "30 samples" in words

    def test_a_list_of_cases_is_no_chance_and_repeats_are(self):
        listed = plan_by_hand(("case",), (3,), [varied(GAIN, "case", [10.0, 20.0, 30.0])])
        assert draws_of(listed, cases_at(listed, None))[0] is None
        repeats = plan_by_hand(("velocity_gain", "repeat"), (1, 4),
                               [varied(GAIN, "velocity_gain", [10.0])])  # fmt: skip
        assert draws_of(repeats, cases_at(repeats, None))[0].tolist() == [0, 1, 2, 3]

    def test_repeats_of_a_sample_are_one_draw(self):
        inputs = [varied(OIL, "case", [300.0, 301.0, 302.0])]
        plan = plan_by_hand(("case", "repeat"), (3, 2), inputs, design={"method": "random"})
        assert draws_of(plan, cases_at(plan, None))[0].tolist() == [0, 0, 1, 1, 2, 2]

    def test_of_a_sensitivity_design_the_mixed_rows_do_not_count(self):
        names = [OIL, GAIN]
        design = {"method": "sensitivity", "sensitivity": {"problem": problem_of(names)}}
        plan = plan_by_hand(("case",), (8,), [varied(OIL, "case", [300.0] * 8)], design=design)
        draws, _ = draws_of(plan, cases_at(plan, None))
        assert (draws >= 0).tolist() == [True, False, False, True] * 2


class TestWorst:
    @given(
        st.lists(st.one_of(st.just(math.nan), st.integers(-5, 5).map(float)), max_size=60),
        st.sampled_from([(-math.inf, math.inf), (-math.inf, 1.0), (0.0, math.inf), (-1.0, 2.0)]),
        st.booleans(),
        st.integers(1, 4),
    )
    @settings(max_examples=200, deadline=None)
    def test_is_that_of_a_plain_sort(self, values, limit, falls, n):
        low, high = limit

        def badness(x):
            if math.isfinite(low) and math.isfinite(high):
                return abs(x - 0.5)
            if math.isfinite(high):
                return x
            return -x if math.isfinite(low) or falls else abs(x)

        held = [k for k, x in enumerate(values) if not math.isnan(x)]
        wanted = sorted(held, key=lambda k: (-badness(values[k]), k))[:n]
        found = worst_first(np.array(values, dtype=float), low, high, falls, n)
        assert found.tolist() == wanted

    def test_names_case_seed_and_values(self):
        (first, second) = grid_result().worst("settling_time", 2)
        assert (first.case, first.seed, first.value) == (8, 108, pytest.approx(2.23))
        assert first.changes[FLOW] == pytest.approx(32.0 / 60000.0)
        assert first.changes[GAIN] == 10.0
        assert second.case == 9

    def test_without_the_figure_is_told_apart_from_failed(self):
        result, _, _ = sampled_result(40, missing=[3, 7], status=[0] * 39 + [1])
        assert result.missing("settling_time").tolist() == [3, 7]
        assert [one.status for one in result.failures] == ["NOT_FINITE"]

    def test_an_unknown_figure_is_refused_with_the_nearest(self):
        with pytest.raises(ParameterError, match="nearest name 'settling_time'"):
            grid_result().worst("setling_time")

    def test_reasons_that_differ_in_numbers_alone_are_one(self):
        status = np.array([0, 2, 2, 4, 2], dtype=np.int8)
        texts = {
            1: "At 0.25 s one sample needed more than 2000 steps.",
            2: "At 1.5e-3 s one sample needed more than 2000 steps.",
            3: "case 3 [oil] temperature: 95 degC; expected at most 90 degC",
            4: "At -7 s one sample needed more than 2000 steps.",
        }
        steps, refused = failures_of(status, texts)
        assert (steps.status, steps.count, steps.reason) == ("STEP_LIMIT", 3, texts[1])
        assert steps.cases.tolist() == [1, 2, 4]
        assert (refused.status, refused.count) == ("REFUSED", 1)


class TestPercentiles:
    def test_leave_out_what_is_missing(self):
        values = np.array([[1.0, np.nan, 3.0, 5.0], [np.nan] * 4, [7.0, 7.0, 7.0, 9.0]])
        found = percentiles_over(values, (1,), (0.0, 50.0, 100.0))
        np.testing.assert_array_equal(
            found, [[1.0, np.nan, 7.0], [3.0, np.nan, 7.0], [5.0, np.nan, 9.0]]
        )

    @pytest.mark.parametrize("axes", [(0,), (1,), (2,), (0, 2), (2, 0), (0, 1, 2)])
    def test_over_any_dimensions(self, axes):
        values = np.random.default_rng(1).normal(size=(3, 4, 5))
        found = percentiles_over(values, axes, (5.0, 50.0))
        np.testing.assert_allclose(found, np.percentile(values, (5.0, 50.0), axis=axes), rtol=1e-14)

    def test_are_labelled(self):
        found = grid_result().percentiles("settling_time", (50.0,), over="velocity_gain")
        assert found.dims == ("percentile", "rated_flow")
        np.testing.assert_allclose(found.sel(percentile=50.0), [2.015, 2.115, 2.215])
        np.testing.assert_allclose(found["rated_flow"] * 60000.0, [8.0, 16.0, 32.0])
        assert found.attrs["units"] == "s"

    def test_leave_out_cases_that_failed(self):
        status = [0] * 12
        status[8] = Status.STEP_LIMIT
        result = grid_result(status=status)
        assert float(result.percentiles("settling_time", (100.0,))[0]) == pytest.approx(2.22)


class TestSensitivity:
    def test_of_the_function_of_ishigami(self):
        # f = sin x1 + a sin^2 x2 + b x3^4 sin x1 over -pi..pi (T. Ishigami and T. Homma, 1990, from
        # memory); its variances are integrals that can be worked out by hand:
        a, b, pi = 7.0, 0.1, math.pi
        alone = [0.5 * (1.0 + b * pi**4 / 5.0) ** 2, a**2 / 8.0, 0.0]
        pair = 8.0 * b**2 * pi**8 / 225.0  # of x1 with x3
        whole = sum(alone) + pair
        x = 2.0 * pi * design_points(2048, "abc") - pi
        y = np.sin(x[:, 0]) + a * np.sin(x[:, 1]) ** 2 + b * x[:, 2] ** 4 * np.sin(x[:, 0])
        found = sobol_indices(y, ("a", "b", "c"))
        np.testing.assert_allclose(found.first, np.array(alone) / whole, atol=0.03)
        totals = np.array([alone[0] + pair, alone[1], pair]) / whole
        np.testing.assert_allclose(found.total, totals, atol=0.03)
        assert np.all(np.abs(found.first - np.array(alone) / whole) < 2.0 * found.first_error)
        assert (found.blocks, found.left_out) == (2048, 0)

    def test_leaves_out_blocks_that_are_not_whole(self):
        x = design_points(64, "ab")
        y = x[:, 0] + 0.5 * x[:, 1]
        holed = y.copy()
        holed[[5, 6, 41]] = np.nan  # of the blocks 1 and 10
        found = sobol_indices(holed, ("a", "b"))
        rest = sobol_indices(np.delete(y, [*range(4, 8), *range(40, 44)]), ("a", "b"))
        assert (found.blocks, found.left_out) == (62, 2)
        np.testing.assert_array_equal(found.total, rest.total)
        np.testing.assert_array_equal(found.total_error, rest.total_error)

    def test_of_a_constant_is_zero(self):
        found = sobol_indices(np.full(32, 3.0), ("a", "b"))
        assert not found.first.any() and not found.total.any()

    def test_refuses_other_numbers_of_cases(self):
        with pytest.raises(ParameterError, match="multiple of 4"):
            sobol_indices(np.zeros(10), ("a", "b"))
        with pytest.raises(ParameterError, match="two blocks"):
            sobol_indices(np.array([1.0, np.nan, 1.0, 2.0, 1.0, 2.0, 3.0, 4.0]), ("a", "b"))

    def test_asks_for_a_study_made_for_it(self):
        with pytest.raises(ParameterError, match='"sensitivity"'):
            grid_result().sensitivity("settling_time")

    def test_asks_for_a_point_where_there_are_several(self):
        design = {"method": "sensitivity", "sensitivity": {"problem": problem_of([OIL])}}
        x = design_points(8, [OIL])[:, 0]
        inputs = [varied(GAIN, "velocity_gain", [10.0, 20.0]), varied(OIL, "case", 290.0 + x)]
        plan = plan_by_hand(("velocity_gain", "case"), (2, len(x)), inputs, design=design)
        result = result_by_hand(plan, {"overshoot": np.concatenate([x, 5.0 * x])})
        with pytest.raises(ParameterError, match="at= for velocity_gain"):
            result.sensitivity("overshoot")
        found = result.sensitivity("overshoot", at={"velocity_gain": "20 1/s"})
        assert found.factors == (OIL,)
        assert found.total[0] == pytest.approx(1.0, abs=0.1)


class TestEffects:
    def test_on_a_grid_are_means_at_the_ends(self):
        gain, flow = grid_result().effects("settling_time")[::-1]
        assert (flow.parameter, gain.parameter) == (FLOW, GAIN)
        assert flow.method == gain.method == "means at the ends"
        assert flow.means == pytest.approx((2.015, 2.215))
        assert gain.means == pytest.approx((2.13, 2.10))
        assert gain.change == pytest.approx(-0.03)
        assert math.isnan(gain.error)

    def test_a_turn_in_between_shows_in_the_span(self):
        values = np.array([1.0, 0.2, 0.5, 3.0, 1.5])
        one = effect_on_grid(GAIN, np.array([5.0, 1.0, 2.0, 3.0, 4.0]), values, 0)
        assert one.at == (1.0, 5.0) and one.means == (0.2, 1.0)  # in the order of the parameter
        assert one.span == (0.2, 3.0)

    def test_choices_are_ranked(self):
        values = np.array([[3.0, 3.0], [1.0, np.nan], [2.0, 2.0]])
        one = effect_on_grid("lock.kind", ("none", "a", "b"), values, 0)
        assert one.at == ("a", "none") and one.means == (1.0, 3.0)
        assert effect_on_grid("lock.kind", ("none", "a"), np.array([[1.0], [np.nan]]), 0) is None

    def test_of_many_samples_are_conditional_means(self):
        result, _, _ = sampled_result(1000)
        oil, gain = result.effects("settling_time")
        assert (oil.parameter, gain.parameter) == (OIL, GAIN)
        # the mean of u over its lowest tenth is 0.05, over its highest 0.95
        assert oil.change == pytest.approx(0.9, abs=2.5 * oil.error)
        assert gain.change == pytest.approx(0.09, abs=2.5 * gain.error)
        assert oil.at == pytest.approx((290.0 + 1.5, 290.0 + 28.5), abs=0.1)
        assert oil.error < 0.01 < 0.02 < gain.error < 0.06  # the spread of the other over 100 cases
        assert oil.method == "conditional means"

    def test_of_few_samples_are_a_regression(self):
        result, u, v = sampled_result(60, missing=[4])
        oil, gain = result.effects("settling_time")
        assert oil.method == gain.method == "regression"
        kept = np.arange(60) != 4
        low, high = np.percentile(u[kept], [5.0, 95.0])  # the figure is exactly straight
        assert oil.change == pytest.approx(high - low, rel=1e-9)
        low, high = np.percentile(v[kept], [5.0, 95.0])
        assert gain.change == pytest.approx(0.1 * (high - low), rel=1e-9)
        assert oil.error < 1e-9

    def test_the_error_of_a_regression_covers_the_truth(self):
        rng = np.random.default_rng(8)
        missed = 0
        for _ in range(60):
            x = rng.uniform(size=(80, 2))
            y = 3.0 * x[:, 0] + rng.normal(size=80)
            one = effects_of_samples({"a": x[:, 0], "b": x[:, 1]}, y)[0]
            truth = 3.0 * (one.at[1] - one.at[0])
            missed += abs(one.change - truth) > 2.0 * one.error
        assert missed <= 9  # of 60 at 4.9 % each: more than nine come once in 1500 times

    def test_parameters_that_vary_together_are_one(self):
        result, u, _ = sampled_result(60)
        plan = result.plan
        twin = varied("supply.ambient_temperature", "case", 290.0 + 30.0 * u)
        tied = plan_by_hand(plan.dims, plan.shape, [plan.inputs[0], twin, plan.inputs[1]])
        again = StudyResult(tied, result.cases)
        assert [one.parameter for one in again.effects("settling_time")] == [OIL, GAIN]

    def test_what_follows_from_others_does_not_spoil_a_regression(self):
        rng = np.random.default_rng(8)
        a, b = rng.uniform(size=(2, 50))
        found = effects_of_samples({"a": a, "b": b, "c": a + b}, 2.0 * a)
        assert [one.parameter for one in found] == ["a", "b"]
        assert found[0].change == pytest.approx(2.0 * (found[0].at[1] - found[0].at[0]))

    def test_choices_among_samples(self):
        column = ("lugre", "stribeck") * 10
        values = np.array([1.0, 2.0] * 10) + np.repeat(np.arange(10) % 2 * 0.1, 2)
        (one,) = effects_of_samples({"table.friction": column}, values)
        assert one.at == ("lugre", "stribeck")
        assert one.change == pytest.approx(1.0)
        # two means of ten values, each 0 or 0.1 half of the time, with n - 1 = 9
        assert one.error == pytest.approx(math.sqrt(2.0 * (10.0 / 9.0) * 0.05**2 / 10.0))


class Counting:
    """Cases that count how often they are read."""

    def __init__(self, kept):
        self.kept, self.read = kept, []
        self.time, self.version = kept.time, kept.version

    def column(self, name, which=None):
        self.read.append((name, None if which is None else len(which)))
        return self.kept.column(name, which)

    def trace(self, name, which):
        self.read.append((name, len(which)))
        return self.kept.trace(name, which)


class TestData:
    def traced(self):
        result = grid_result(reasons={5: "because", 2: ""}, status=[0] * 5 + [1] + [0] * 6)
        plan, kept = result.plan, result.cases
        plan = plan_by_hand(plan.dims, plan.shape, plan.inputs, traces=("table_position",))
        signal = np.arange(12.0)[:, None] + np.linspace(0.0, 0.5, 7)
        cases = Counting(
            Kept(kept.columns, {"table_position": signal}, np.arange(7) * 1e-3, "1.2.3")
        )
        return StudyResult(plan, cases), signal

    def test_reads_a_variable_when_it_is_asked_for(self):
        result, _ = self.traced()
        data = result.data
        assert result.cases.read == []
        assert data["settling_time"].dims == ("rated_flow", "velocity_gain")
        assert result.cases.read == []
        assert data["settling_time"].values[2, 0] == pytest.approx(2.23)
        assert result.cases.read == [("settling_time", None)]
        assert float(data["settling_time"][1, 2]) == pytest.approx(2.11)
        assert result.cases.read[1:] == [("settling_time", 1)]

    def test_indexing_is_that_of_an_array(self):
        result, signal = self.traced()
        times = np.asarray(result.cases.kept.columns["settling_time"]).reshape(3, 4)
        signal = signal.reshape(3, 4, 7)
        data = result.data
        pieces = [slice(None), slice(1, 3), slice(None, None, -1), 2, [2, 0]]
        for rows, columns in itertools.product(pieces, pieces):
            found = data["settling_time"].isel(rated_flow=rows, velocity_gain=columns)
            np.testing.assert_array_equal(found, times[rows][..., columns])
            found = data["table_position"].isel(rated_flow=rows, velocity_gain=columns, time=3)
            np.testing.assert_array_equal(found, signal[..., 3][rows][..., columns])
        np.testing.assert_array_equal(
            data["table_position"].isel(time=slice(2, 5)), signal[..., 2:5]
        )
        np.testing.assert_array_equal(data["table_position"], signal)

    def test_says_what_everything_is(self):
        data = self.traced()[0].data
        for name, (unit, definition) in DEFINITIONS.items():
            assert data[name].attrs == {"units": unit, "long_name": definition}
        assert data["table_position"].attrs["units"] == "m"
        assert data["rated_flow"].attrs["units"] == "m3/s"
        np.testing.assert_array_equal(data["velocity_gain"], [10.0, 15.0, 20.0, 25.0])
        assert data["case_number"].values.ravel().tolist() == list(range(12))
        assert data["seed"].values.ravel().tolist() == list(range(100, 112))
        assert data.attrs["version"] == "1.2.3"
        assert "[valve]" in data.attrs["parameters"]
        assert data["status"].attrs["flag_meanings"].split()[2] == "step_limit"

    def test_it_travels_as_a_pickle(self):
        result, signal = self.traced()
        assert result.data["table_position"].shape == (3, 4, 7)  # made before it travels
        for data in (
            pickle.loads(pickle.dumps(result)).data,
            pickle.loads(pickle.dumps(result.data)),
        ):
            for name in DEFINITIONS:
                np.testing.assert_array_equal(data[name], result.data[name])
            np.testing.assert_array_equal(data["table_position"], signal.reshape(3, 4, 7))

    def test_a_full_disk_is_told_in_the_words_of_the_system(self, tmp_path, monkeypatch):
        result, _ = self.traced()

        def full(*args, **options):
            raise OSError(
                "Unable to create file (file write failed: errno = 28, error message = 'x')"
            )

        monkeypatch.setattr(xarray.Dataset, "to_netcdf", full)
        with pytest.raises(ParameterError) as caught:
            result.write_netcdf(tmp_path / "study.nc")
        assert f"cannot be written: {os.strerror(28)};" in str(caught.value)
        assert not list(tmp_path.iterdir())

    @pytest.mark.parametrize("size", [20_000, 100_000])
    def test_what_has_no_room_is_not_written(self, tmp_path, size):
        resource = pytest.importorskip("resource")
        script = f"""
import resource, sys
sys.path.insert(0, {str(Path(__file__).parent)!r})
from study_cases import grid_result
import servosim
result = grid_result()
result.data.load()
resource.setrlimit(resource.RLIMIT_FSIZE, ({size}, {size}))
try:
    result.write_netcdf({str(tmp_path / "study.nc")!r})
except servosim.ParameterError as error:
    sys.exit(str(error))
"""
        assert resource.RLIMIT_FSIZE is not None
        done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
        assert done.returncode == 1
        assert done.stderr.count("\n") == 1
        assert "study.nc: cannot be written: " in done.stderr
        assert not list(tmp_path.iterdir())

    def test_the_room_taken_is_enough_and_not_much_more(self, tmp_path):
        result, _ = self.traced()
        result.write_netcdf(tmp_path / "study.nc")
        size = (tmp_path / "study.nc").stat().st_size
        assert size <= room_of(result.data) <= size + 100_000

    def test_written_and_read_back(self, tmp_path):
        result, signal = self.traced()
        result.write_netcdf(tmp_path / "study.nc")
        with xarray.open_dataset(tmp_path / "study.nc", engine="h5netcdf") as found:
            for name in DEFINITIONS:
                np.testing.assert_array_equal(found[name], result.data[name])
            np.testing.assert_array_equal(found["table_position"], signal.reshape(3, 4, 7))
            assert found["reason"].values.ravel().tolist() == [
                "because" if k == 5 else "" for k in range(12)
            ]
            assert found["status"].values.ravel()[5] == 1
            assert found["event_cavitation"].dtype == bool
            assert found.attrs["fingerprint"] == result.plan.fingerprint
            assert json.loads(found.attrs["limits"]) == {}

    def test_choices_and_samples_are_coordinates(self, tmp_path):
        inputs = [varied("controller.kind", "kind", ["sampled", "continuous"]),
                  varied(OIL, "case", [300.0, 310.0, 320.0])]  # fmt: skip
        plan = plan_by_hand(("kind", "case"), (2, 3), inputs, design={"method": "random"},
                            limits={"overshoot": {"high": "1 um"}})  # fmt: skip
        result = result_by_hand(plan, {"overshoot": np.arange(6.0)})
        result.write_netcdf(tmp_path / "study.nc")
        with xarray.open_dataset(tmp_path / "study.nc", engine="h5netcdf") as found:
            assert found["kind"].values.tolist() == ["sampled", "continuous"]
            assert found["temperature"].dims == ("case",)
            assert float(found["overshoot"].sel(kind="continuous")[1]) == 4.0
            assert json.loads(found.attrs["limits"]) == {"overshoot": [None, 1e-6]}

    def test_the_kinds_of_event_are_those_of_events(self):
        words = Event.__doc__.split("kind : str")[1].split("time : float")[0]
        assert set(EVENT_KINDS) == {word.strip("`,. \n") for word in words.split()}


@pytest.fixture(scope="module")
def short():
    """A study of a short move, really run, one of whose cases is refused."""
    axis = AXIS.replace({"move.duration": "0.4 s", "transducer.noise": "0.5 um"})
    over = {GAIN: ["10 1/s", "25 1/s"], "table.workpiece_mass": ["0 kg", "400 kg"]}
    return study(
        axis, over, noise="varied", seed=4, limits={"following_error_peak": {"high": "1 mm"}}
    )


def same_figures(run, result, case):
    """Tell whether a run has the figures of a case, bit for bit."""
    found = [math.nan if one.value is None else one.value for one in metrics(run).values()]
    kept = [result.cases.column(name)[case] for name in DEFINITIONS]
    return np.array_equal(np.array(found), np.array(kept), equal_nan=True)


class TestRerun:
    @pytest.mark.parametrize("case", range(4))
    def test_is_the_case_to_the_bit(self, short, case):
        assert same_figures(short.rerun(case), short, case)
        assert not same_figures(short.rerun(case), short, (case + 1) % 4)

    def test_the_file_of_a_case_moves_to_the_same_bits(self, short, tmp_path):
        short.write_case(3, tmp_path / "case.toml")
        run = simulate(read_axis(tmp_path / "case.toml"))
        assert same_figures(run, short, 3)

    def test_no_such_case(self, short, tmp_path):
        with pytest.raises(ParameterError, match="expected 0 to 3"):
            short.rerun(4)
        with pytest.raises(ParameterError, match="no case -1"):
            short.write_case(-1, tmp_path / "case.toml")

    def test_the_main_figures_are_those_with_limits_first(self, short):
        assert short.main_metrics[0] == "following_error_peak"
        assert "resting_error_locked" not in short.main_metrics  # the move is too short for it
