"""Plans of studies: cases as stated, samples as their distributions, files that rerun a case."""

from __future__ import annotations

import itertools
import json
import math
import pickle
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import ClassVar

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from typer.testing import CliRunner

import servosim
from servosim import (
    Between,
    Distributed,
    LogNormal,
    Normal,
    ParameterError,
    Plan,
    Triangular,
    Uniform,
    params,
    read_study,
)
from servosim.document import AxisFile
from servosim.params import fields_of, places_of
from servosim.simulate import TOLERANCE
from servosim.studies.design import plan_of
from servosim.studies.limits import Limit, limits_of
from servosim.studies.parameters import base_value, parameter_of
from servosim.studies.samples import score_correlation

ROOT = Path(__file__).parents[1]
FILE = ROOT / "params/tube_sheet_table.toml"
STUDIES = ROOT / "params/studies"
GAIN, FLOW = "controller.velocity_gain", "valve.rated_flow"
WARM, AIR, BIAS = "oil.temperature", "oil.free_air", "valve.null_bias"


@pytest.fixture(scope="module")
def axis():
    return servosim.read_axis(FILE)


def refusal(axis, *arguments, **options):
    """Return the lines with which a plan is refused."""
    with pytest.raises(ParameterError) as caught:
        plan_of(axis, *arguments, **options)
    return str(caught.value)


class TestGrid:
    def test_every_combination_once_the_last_dimension_fastest(self, axis):
        gains, biases, kinds = [18.0, 22.0], [-0.001, 0.0, 0.002], ["none", "blocking_valve"]
        plan = plan_of(axis, {GAIN: gains, BIAS: biases, "lock.kind": kinds})
        assert plan.dims == ("velocity_gain", "null_bias", "kind")
        assert plan.shape == (2, 3, 2)
        assert len(plan) == plan.n == 12
        for k, case in enumerate(itertools.product(gains, biases, kinds)):
            found = plan.changes(k)
            assert (found[GAIN], found[BIAS], found["lock.kind"]) == case
            assert tuple(column[k] for column in plan.columns.values()) == case

    def test_values_are_read_with_their_units_and_kept_exactly(self, axis):
        plan = plan_of(axis, {FLOW: ["12 L/min", 0.0003], WARM: ("25 degC", 300.0)})
        # 12 L/min = 12e-3/60 m3/s, 25 degC = 298.15 K, by definition
        assert plan.columns[FLOW].tolist() == [0.0002, 0.0002, 0.0003, 0.0003]
        assert plan.columns[WARM].tolist() == [298.15, 300.0] * 2
        assert plan.coordinates["rated_flow"][2] == "m3/s"

    @pytest.mark.parametrize(
        "values",
        [np.array([18.0, 20.0]), (18.0, 20.0), range(18, 22, 2), [np.float32(18), np.int64(20)]],
    )
    def test_all_sequences_will_do(self, axis, values):
        assert plan_of(axis, {GAIN: values}).columns[GAIN].tolist() == [18.0, 20.0]

    def test_parameters_that_vary_as_one(self, axis):
        overlaps = tuple(f"valve.overlap_{edge}" for edge in ("pa", "pb", "at", "bt"))
        series = (FLOW, "valve.natural_frequency")
        plan = plan_of(
            axis,
            {overlaps: Between("0 %", "1 %", 3), series: [("8 L/min", "120 Hz"), (5e-4, 400.0)]},
        )
        assert plan.shape == (3, 2)
        for k in range(6):
            case = plan.changes(k)
            assert {case[path] for path in overlaps} == {0.005 * (k // 2)}
            assert case[FLOW] == (8e-3 / 60, 5e-4)[k % 2]
        assert plan.changes(0)[series[1]] == pytest.approx(2 * math.pi * 120, rel=1e-15)
        assert plan.coordinates["natural_frequency"][0] == "rated_flow"

    def test_points_between_have_one_distance_or_one_ratio(self, axis):
        even = plan_of(axis, {WARM: Between("20 degC", "50 degC", 4)}).columns[WARM]
        assert even.tolist() == [293.15, 303.15, 313.15, 323.15]
        grown = plan_of(axis, {GAIN: Between(1.0, "64 1/s", 7, "logarithmic")}).columns[GAIN]
        assert grown.tolist() == [1, 2, 4, 8, 16, 32, 64]
        down = plan_of(axis, {BIAS: Between("0.6 %", 0.0, 3)}).columns[BIAS]
        assert down.tolist() == [0.006, 0.003, 0.0]

    def test_names_stay_apart(self, axis):
        plan = plan_of(
            axis,
            {
                "supply.pressure": ["130 bar", "140 bar"],
                "transducer.pressure": ["both_ports", "none"],
                "lock.brake": ["none"],  # the name of a signal
                "window.half_width": ["5 um"],
            },
        )
        assert plan.dims == ("supply_pressure_input", "transducer_pressure", "lock_brake",
                             "half_width")  # fmt: skip
        assert len(set(plan.coordinates)) == 4

    def test_a_million_cases_hold_no_object_each(self, axis):
        paths = [BIAS, AIR, "valve.overlap_pa", "valve.overlap_at", "valve.overlap_pb",
                 "valve.overlap_bt"]  # fmt: skip
        plan = plan_of(axis, {path: Between("0.1 %", "1 %", 10) for path in paths})
        assert plan.n == 1_000_000
        assert sum(one.values.size for one in plan.inputs) == 60
        case = plan.changes(123_456)
        assert [round(case[path] / 0.001) - 1 for path in paths] == [1, 2, 3, 4, 5, 6]
        assert "at most 100000000" in refusal(
            axis, {path: Between("0.1 %", "1 %", 10) for path in paths}, repeats=1000
        )

    @pytest.mark.parametrize(
        ("over", "words"),
        [
            ({"valve.rated_flo": [1]}, "[valve] rated_flo: unknown key; nearest name 'rated_flow'"),
            ({"valv.rated_flow": [1]}, "nearest name 'valve.rated_flow'"),
            ({3: [1]}, "3 is no name of a parameter"),
            ({FLOW: ["1 L/min", "3 bar"]}, "'3 bar' is a pressure; write a flow in m3/s, L/min"),
            ({FLOW: ["-1 L/min"]}, "-1 L/min is out of range; expected more than 0 L/min"),
            ({FLOW: [math.nan]}, "nan is not finite"),
            ({FLOW: [True]}, "the switch true where a quantity is wanted"),
            ({FLOW: []}, "[valve] rated_flow: no values; expected a list"),
            ({FLOW: "1 L/min"}, "the text '1 L/min' where values vary; expected a list"),
            ({FLOW: {1.0, 2.0}}, "where values vary"),
            ({FLOW: ["1 L/min", "1000 mL/min"]}, "1 L/min stands twice; expected each value once"),
            ({FLOW: [["1 L/min", "2 L/min"]]}, "a list of 2 entries as one value"),
            (
                {FLOW: Between("1 L/min", "2 L/min", 1)},
                "1 points between two values",
            ),
            (
                {FLOW: Between("1 L/min", "2 L/min", 3, "log")},
                "spacing 'log'; expected linear",
            ),
            ({BIAS: Between("-1 %", "1 %", 3, "logarithmic")}, "no logarithmic spacing from -1 %"),
            ({"lock.kind": ["none", "nix"]}, "unknown choice 'nix'; expected one of 'none'"),
            ({"lock.kind": Between("none", "spool")}, "names have nothing between them"),
            ({"lock": ["none"]}, "cannot be varied; expected a key"),
            ({"title": ["none"]}, "[title]: a text cannot be varied"),
            ({"envelope.temperature": [1]}, "a range cannot be varied"),
            ({"valve.opening_table": [1]}, "[valve] opening_table: a list cannot be varied"),
            ({"supply.line_volume": ["1 L"]}, "line_volume: not read when line = 'none'"),
            ({FLOW: [1e-4], (FLOW,): [2e-4]}, "[valve] rated_flow: varies twice in this study"),
            ({FLOW: stats.norm(1, 2)}, "without a unit; expected Distributed(..., 'L/min')"),
            ({}, "nothing varies; expected values, cases or repeats"),
            ([FLOW], "over: ['valve.rated_flow']; expected values by path"),
            ({(): [1]}, "over: an empty tuple of paths"),
        ],
    )
    def test_what_cannot_vary_is_refused(self, axis, over, words):
        assert words in refusal(axis, over)

    def test_what_is_no_axis_is_refused(self):
        with pytest.raises(ParameterError, match="axis: 3 is no axis"):
            plan_of(3, {FLOW: ["10 L/min"]})

    def test_numbers_of_numpy_are_numbers(self, axis):
        # the design is kept as JSON, which knows none of numpy's
        plan = plan_of(
            axis, {BIAS: Uniform(0.0, 0.001)}, samples=np.int64(4), method="sensitivity",
            seed=np.uint32(3), repeats=np.int8(2),
        )  # fmt: skip
        assert Plan.unpack(plan.pack()).design == plan.design
        assert plan.design["samples"] == 4

    def test_every_fault_at_once(self, axis):
        lines = refusal(
            axis,
            {FLOW: ["1 bar"], "oil.nothing": [1], BIAS: Uniform(0.1, 0.0)},
            samples=0,
            method="sobel",
            seed=-1,
            noise="loud",
            repeats=1.5,
            traces=["table_positon"],
            limits={"overshot": {"high": "1 um"}},
            tolerance=0,
            move={"target": "900 mm", "goal": 1},
        ).splitlines()
        said = """samples: 0|method: 'sobel'|seed: -1|noise: 'loud'|repeats: 1.5|tolerance: 0
            nearest name 'table_position'|nearest name 'overshoot'|[move] goal
            '1 bar' is a pressure|[oil] nothing|low end 10 %""".replace("\n", "|").split("|")
        for words in said:
            assert sum(words.strip() in line for line in lines) == 1, words


class TestCases:
    def test_a_case_changes_what_it_states_and_no_more(self, axis):
        plan = plan_of(
            axis,
            cases=[{GAIN: "18 1/s"}, {}, {"lock.kind": "none", WARM: "25 degC"}],
        )
        seed = {"move.seed": axis.move.seed}
        assert [plan.changes(k) for k in range(3)] == [
            {GAIN: 18.0, **seed},
            seed,
            {"lock.kind": "none", WARM: 298.15, **seed},
        ]
        assert plan.dims == ("case",)
        assert plan.values(GAIN).tolist() == [18.0, 22.0, 22.0]  # 22 1/s in the file
        assert plan.values("lock.kind") == ("blocking_valve", "blocking_valve", "none")
        assert np.isnan(plan.columns[WARM]).tolist() == [True, True, False]

    def test_a_grid_of_lists(self, axis):
        plan = plan_of(axis, {GAIN: [18.0, 22.0]}, cases=[{WARM: 300.0}, {WARM: 310.0}])
        assert plan.dims == ("velocity_gain", "case")
        found = [(plan.changes(k)[GAIN], plan.changes(k)[WARM]) for k in range(4)]
        assert found == [(18, 300), (18, 310), (22, 300), (22, 310)]

    def test_a_key_that_a_choice_opens(self, axis):
        cases = [{"supply.line": "lumped", "supply.line_volume": "1 L"}, {GAIN: 20.0}]
        plan = plan_of(axis, cases=cases)
        assert np.isnan(plan.values("supply.line_volume")[1])

    @pytest.mark.parametrize(
        ("cases", "words"),
        [
            ([{GAIN: "18 bar"}, {FLOW: "x"}], "[cases 2] valve.rated_flow: 'x' has no number"),
            (
                [{"valve.rated_flo": 1}],
                "[cases 1] valve.rated_flo: unknown key; nearest name 'rated_",
            ),
            ([3], "[cases 1]: the number 3 as one case"),
            ([], "cases: [] where cases are listed"),
            ({GAIN: [1]}, "where cases are listed"),
        ],
    )
    def test_wrong_cases_are_refused(self, axis, cases, words):
        assert words in refusal(axis, cases=cases)

    def test_no_list_beside_distributions(self, axis):
        lines = refusal(axis, {WARM: Uniform(300.0, 310.0)}, cases=[{GAIN: 18.0}], samples=4)
        assert "cases are listed and others drawn" in lines


def normal_share(x, mean, deviation):
    return 0.5 * (1.0 + math.erf((x - mean) / deviation / math.sqrt(2.0)))


def cut_share(x):
    low, high = normal_share(0.05, 0.1, 0.04), normal_share(0.12, 0.1, 0.04)
    return (normal_share(x, 0.1, 0.04) - low) / (high - low)


def triangle_share(x):
    low, mode, high = 0.002, 0.003, 0.01
    if x < mode:
        return (x - low) ** 2 / (high - low) / (mode - low)
    return 1.0 - (high - x) ** 2 / (high - low) / (high - mode)


class TestDistributions:
    # each with its share of cases below a value, written from the definition
    CASES = (
        ("oil.free_air", Uniform("0.2 %", "1.2 %"), lambda x: (x - 0.002) / 0.01),
        (WARM, Normal("40 degC", "3 K"), lambda x: normal_share(x, 313.15, 3.0)),
        ("oil.free_air", Normal("10 %", "4 %", "5 %", "12 %"), cut_share),
        ("oil.free_air", Triangular("0.2 %", "0.3 %", 0.01), triangle_share),
        (
            "cylinder.seal_friction",
            LogNormal("250 N", 1.2),
            lambda x: normal_share(math.log(x), math.log(250.0), math.log(1.2)),
        ),
        (
            "table.workpiece_mass",
            Distributed(stats.expon(scale=0.2), "t"),
            lambda x: 1.0 - math.exp(-x / 200.0),
        ),
        (
            WARM,
            Distributed(stats.uniform(20.0, 30.0), "degC"),
            lambda x: (x - 293.15) / 30.0,
        ),
        (
            "table.coulomb_coefficient",
            Distributed(stats.beta(1, 2, loc=0.02, scale=0.1), "1"),
            lambda x: 1.0 - (1.0 - (x - 0.02) / 0.1) ** 2,
        ),
        (
            "table.inclination",
            Distributed(stats.uniform(0.0, 90.0), "deg"),
            lambda x: x / (math.pi / 2.0),
        ),
    )

    @pytest.mark.parametrize(("path", "variation", "share"), CASES)
    def test_layers_of_a_latin_hypercube_hold_one_case_each(self, axis, path, variation, share):
        n = 500
        plan = plan_of(axis, {path: variation}, samples=n)
        layers = np.sort([math.floor(share(x) * n) for x in plan.columns[path]])
        # a value at the very edge of a layer may fall into the next by rounding
        assert np.abs(layers - np.arange(n)).max() <= 1
        assert np.count_nonzero(layers != np.arange(n)) <= 2

    def test_a_discrete_distribution_gives_its_values(self, axis):
        plan = plan_of(axis, {WARM: Distributed(stats.randint(25, 29), "degC")}, samples=400)
        found, counts = np.unique(np.round(plan.columns[WARM] - 273.15, 9), return_counts=True)
        assert found.tolist() == [25, 26, 27, 28]
        assert counts.tolist() == [100] * 4

    def test_nothing_heaps_up_at_a_cut(self, axis):
        column = plan_of(axis, {AIR: Normal("1 %", "1 %", 0.0, "2 %")}, samples=1000).columns[AIR]
        assert len(np.unique(column)) == 1000
        assert column.min() > 0.0
        assert column.max() < 0.02

    @pytest.mark.parametrize(
        ("path", "variation", "words"),
        [
            (WARM, Uniform("50 degC", "20 degC"), "the low end 50 degC is not below the high"),
            (WARM, Normal("40 degC", "5 degC"), "'5 degC' is a temperature; write a temperature d"),
            (WARM, Normal("40 degC", "0 K"), "a standard deviation of '0 K'; expected more than"),
            (WARM, Normal("40 degC", 1.0, "40 degC", "30 degC"), "is not below the high end"),
            (AIR, Triangular("1 %", "3 %", "2 %"), "the likeliest value 3 % is not between"),
            (AIR, LogNormal("1 %", 1.0), "a factor of 1; expected more than 1"),
            (AIR, LogNormal("-1 %", 1.1), "a median of -1 %; expected more than zero"),
            (AIR, Distributed(3, "%"), "3 is no distribution"),
            (AIR, Distributed(stats.beta(-1, 2), "%"), "gives values that are no numbers"),
            (AIR, Distributed(stats.beta(1, 2), "bar"), "is a pressure"),
            (AIR, Uniform("30 %", "50 %"), "no case is within the limits"),
            ("lock.kind", Uniform(0, 1), "names have no distribution"),
            ("move.seed", Uniform(0, 9), "a whole number cannot have a continuous distribution"),
            ((AIR, WARM), Uniform(0, 0.01), "cannot have the distribution of oil.free_air"),
        ],
    )
    def test_what_is_no_distribution_is_refused(self, axis, path, variation, words):
        assert words in refusal(axis, {path: variation}, samples=8)

    def test_samples_and_distributions_come_together(self, axis):
        assert "samples: missing" in refusal(axis, {WARM: Uniform(300.0, 310.0)})
        assert "no parameter has a distribution" in refusal(axis, {WARM: [300.0]}, samples=8)

    def test_whole_numbers_stay_whole(self, axis):
        plan = plan_of(axis, {"move.seed": Distributed(stats.randint(5, 9), "1")}, samples=8)
        assert sorted(plan.seeds.tolist()) == [5, 5, 6, 6, 7, 7, 8, 8]
        assert isinstance(plan.changes(0)["move.seed"], int)


class TestSamples:
    OVER: ClassVar = {
        WARM: Uniform("20 degC", "40 degC"),
        AIR: Uniform(0.002, 0.01),
        GAIN: [18.0, 22.0],
    }

    @pytest.mark.parametrize("method", ["latin_hypercube", "sobol", "random", "sensitivity"])
    def test_a_seed_gives_the_same_cases_again_and_another_seed_others(self, axis, method):
        plans = [plan_of(axis, self.OVER, samples=16, method=method, seed=s) for s in (3, 3, 4)]
        assert plans[0].fingerprint == plans[1].fingerprint != plans[2].fingerprint
        assert (plans[0].columns[WARM] == plans[1].columns[WARM]).all()
        assert not (plans[0].columns[WARM] == plans[2].columns[WARM]).any()

    def test_the_same_cases_at_every_point_of_a_grid(self, axis):
        plan = plan_of(axis, self.OVER, samples=8)
        assert (plan.dims, plan.shape) == (("velocity_gain", "case"), (2, 8))
        for k in range(8):
            low, high = plan.changes(k), plan.changes(8 + k)
            assert (low.pop(GAIN), high.pop(GAIN)) == (18.0, 22.0)
            assert low == high

    def test_a_sobol_sequence_is_even_in_every_dimension_and_pair(self, axis):
        # elementary intervals of a net in base 2, I. M. Sobol 1967, from memory
        plan = plan_of(axis, self.OVER | {GAIN: [20.0]}, samples=64, method="sobol")
        warm = (plan.columns[WARM] - 293.15) / 20.0
        air = (plan.columns[AIR] - 0.002) / 0.008
        assert sorted(np.floor(warm * 64).tolist()) == list(range(64))
        assert sorted(np.floor(air * 64).tolist()) == list(range(64))
        cells = np.floor(warm * 8) * 8 + np.floor(air * 8)
        assert sorted(cells.tolist()) == list(range(64))

    def test_a_number_that_is_no_power_of_two_is_refused(self, axis):
        for method in ("sobol", "sensitivity"):
            lines = refusal(axis, self.OVER, samples=100, method=method)
            assert "samples: 100 samples" in lines
            assert "expected 64 or 128" in lines

    def test_random_cases_fill_the_range(self, axis):
        plan = plan_of(axis, self.OVER | {GAIN: [20.0]}, samples=4000, method="random")
        # Kolmogorov's test: a wrong law would fail it, chance in one of a million seeds
        share = (plan.columns[WARM] - 293.15) / 20.0
        assert stats.kstest(share, "uniform").pvalue > 1e-6
        assert abs(stats.spearmanr(share, plan.columns[AIR])[0]) < 5.0 / math.sqrt(4000)

    def test_values_outside_the_limits_are_cases_that_are_refused(self, axis):
        # half of a normal distribution about the highest temperature allowed, 100 degC
        plan = plan_of(axis, {WARM: Normal("100 degC", "5 K")}, samples=20)
        assert plan.design["drawn"][0]["outside"] == 10
        refused = []
        for k in range(20):
            try:
                plan.case_axis(k)
            except ParameterError as error:
                refused.append(k)
                assert f"case {k} [oil] temperature: " in str(error)
                assert "at most 100 degC" in str(error)
                assert f"case {k}: made of oil.temperature = " in str(error)
        assert refused == np.flatnonzero(plan.columns[WARM] > 373.15).tolist()
        assert len(refused) == 10

    def test_indices_of_a_sum_follow_from_the_points_for_sensitivities(self, axis):
        from SALib.analyze import sobol

        over = {WARM: Uniform(300.0, 301.0), AIR: Uniform(0.0, 0.01), BIAS: Uniform(0.0, 0.01)}
        plan = plan_of(axis, over, samples=512, method="sensitivity")
        about = plan.design["sensitivity"]
        assert plan.n == 512 * (3 + 2)
        columns = plan.columns
        figure = columns[WARM] + 200.0 * columns[AIR]
        problem = about["problem"]
        assert problem["names"] == ["temperature", "free_air", "null_bias"]
        found = sobol.analyze(problem, figure, calc_second_order=False, seed=1)
        # variances of the two parts are 1/12 and 4/12, and none of the third [EXACT]
        np.testing.assert_allclose(found["S1"], [0.2, 0.8, 0.0], atol=0.02)
        np.testing.assert_allclose(found["ST"], [0.2, 0.8, 0.0], atol=0.02)


class TestCorrelation:
    OVER: ClassVar = {
        WARM: Uniform("20 degC", "40 degC"),
        AIR: LogNormal("0.5 %", 1.5),
        BIAS: Normal("0 %", "0.2 %"),
    }

    @pytest.mark.parametrize("method", ["latin_hypercube", "sobol", "random"])
    def test_ranks_are_correlated_as_stated_whatever_the_distributions(self, axis, method):
        ranks = {(WARM, AIR): -0.6, (BIAS, AIR): 0.5}
        plan = plan_of(axis, self.OVER, samples=4096, method=method, correlation=ranks)
        for pair, rank in {**ranks, (WARM, BIAS): 0.0}.items():
            # five standard errors of a rank correlation of 4096 pairs
            assert stats.spearmanr(*(plan.columns[p] for p in pair))[0] == pytest.approx(
                rank, abs=5.0 / math.sqrt(4096)
            )

    def test_layers_remain(self, axis):
        n = 256
        plan = plan_of(axis, self.OVER, samples=n, correlation={(WARM, AIR): 0.7})
        layers = np.sort(np.floor((plan.columns[WARM] - 293.15) / 20.0 * n))
        assert np.abs(layers - np.arange(n)).max() <= 1
        share = [normal_share(math.log(x / 0.005), 0.0, math.log(1.5)) for x in plan.columns[AIR]]
        assert np.abs(np.sort(np.floor(np.array(share) * n)) - np.arange(n)).max() <= 1

    def test_scores_of_a_rank(self):
        # 2 sin(pi/12) = (sqrt(6) - sqrt(2))/2 [EXACT]
        matrix = score_correlation(["a", "b"], {(0, 1): 0.5})
        assert matrix[0, 1] == pytest.approx((math.sqrt(6.0) - math.sqrt(2.0)) / 2.0, rel=1e-14)

    def test_ranks_that_contradict_each_other_name_the_pair_and_what_would_do(self, axis):
        ranks = {(WARM, AIR): 0.9, (WARM, BIAS): 0.9, (AIR, BIAS): -0.5}
        lines = refusal(axis, self.OVER, samples=8, correlation=ranks)
        assert "contradicts the others" in lines
        named = [pair for pair in ranks if f"between {pair[0]} and {pair[1]} contra" in lines]
        assert len(named) == 1
        low, high = (
            float(lines.split("expected between ")[1].split()[i].strip(",")) for i in (0, 2)
        )
        for rank, is_possible in ((low + 0.02, 1), (high - 0.02, 1), (low - 0.02, 0)):
            changed = {**ranks, named[0]: rank}
            if is_possible:
                plan_of(axis, self.OVER, samples=8, correlation=changed)
            else:
                refusal(axis, self.OVER, samples=8, correlation=changed)

    @pytest.mark.parametrize(
        ("ranks", "words"),
        [
            ({(WARM, "oil.density"): 0.5}, "oil.density is not drawn from a distribution"),
            ({(WARM, GAIN): 0.5}, f"{GAIN} is not drawn from a distribution"),
            ({(WARM, AIR): 1.0}, "a rank correlation of 1.0 between"),
            ({(WARM, AIR): "0.5"}, "a rank correlation of '0.5'"),
            ({(WARM, WARM): 0.5}, "vary as one"),
            ({(WARM, AIR): 0.5, (AIR, WARM): 0.5}, "are correlated twice"),
            ({WARM: 0.5}, "is no pair of parameters"),
        ],
    )
    def test_what_is_no_correlation_is_refused(self, axis, ranks, words):
        over = {**self.OVER, GAIN: [18.0]}
        assert words in refusal(axis, over, samples=8, correlation=ranks)

    def test_no_correlation_with_sensitivities_or_without_distributions(self, axis):
        ranks = {(WARM, AIR): 0.5}
        lines = refusal(axis, self.OVER, samples=8, correlation=ranks, method="sensitivity")
        assert "independent inputs only" in lines
        assert "no parameter has a distribution" in refusal(axis, {GAIN: [1]}, correlation=ranks)


class TestNoise:
    OVER: ClassVar = {GAIN: [18.0, 20.0, 22.0]}

    def test_in_common_is_the_files_own(self, axis):
        assert plan_of(axis, self.OVER).seeds.tolist() == [axis.move.seed] * 3
        moved = plan_of(axis, self.OVER, move={"seed": 77, "target": "300 mm"})
        assert moved.seeds.tolist() == [77] * 3
        assert moved.case_axis(0).move.target == 0.3

    def test_varied_is_another_one_each(self, axis):
        seeds = plan_of(axis, self.OVER, noise="varied", repeats=50).seeds
        assert len(set(seeds.tolist())) == 150
        assert seeds.min() >= 0
        assert seeds.max() < 2**31
        again = plan_of(axis, self.OVER, noise="varied", repeats=50, seed=1).seeds
        assert not set(seeds.tolist()) & set(again.tolist())

    def test_repeats_in_common_are_the_same_for_every_case(self, axis):
        plan = plan_of(axis, self.OVER, repeats=4)
        assert (plan.dims, plan.shape) == (("velocity_gain", "repeat"), (3, 4))
        seeds = plan.seeds.reshape(3, 4)
        assert (seeds == seeds[0]).all()
        assert seeds[0, 0] == axis.move.seed
        assert len(set(seeds[0].tolist())) == 4
        assert [plan.changes(k)["move.seed"] for k in range(4)] == seeds[0].tolist()

    def test_no_repeat_has_the_files_own_seed_again(self, axis):
        second = int(plan_of(axis, repeats=3).seeds[1])
        seeds = plan_of(axis, repeats=3, move={"seed": second}).seeds.tolist()
        assert seeds[0] == second
        assert len(set(seeds)) == 3

    def test_noise_alone_is_a_study(self, axis):
        plan = plan_of(axis, repeats=5)
        assert (plan.dims, plan.shape, plan.paths) == (("repeat",), (5,), ())

    def test_stated_seeds(self, axis):
        plan = plan_of(axis, cases=[{"move.seed": 5}, {}, {"move.seed": 9}])
        assert plan.seeds.tolist() == [5, axis.move.seed, 9]
        assert plan.case_axis(2).move.seed == 9
        for options in ({"repeats": 2}, {"noise": "varied"}):
            assert "gives seeds to the noise too" in refusal(axis, {"move.seed": [1, 2]}, **options)


class TestOptions:
    def test_limits_in_every_form(self):
        found = limits_of(
            {
                "settling_time": {"high": "2200 ms"},
                "overshoot": (None, 1e-6),
                "resting_error": ("-5 um", "5 um"),
                "settled": Limit(low=1.0),
            }
        )
        assert found == {
            "settling_time": Limit(high=2.2),
            "overshoot": Limit(high=1e-6),
            "resting_error": Limit(-5e-6, 5e-6),
            "settled": Limit(1.0),
        }

    @pytest.mark.parametrize(
        ("raw", "words"),
        [
            ({"settling": {"high": 1}}, "[limits] settling: unknown figure; nearest name 'settl"),
            ({"overshoot": {"high": "1 s"}}, "'1 s' is a time; write a length"),
            ({"overshoot": {"hig": "1 um"}}, "is no limit; expected {low"),
            ({"overshoot": "1 um"}, "'1 um' is no limit"),
            ({"overshoot": {}}, "is no limit"),
            ({"overshoot": (2.0, 1.0)}, "the low end 2 m is above the high end 1 m"),
            ({"overshoot": {"high": math.nan}}, "the high end is not a number"),
            ({"overshoot": (None, None)}, "both ends are open"),
            ([3], "is no table of figures"),
        ],
    )
    def test_wrong_limits_are_refused(self, raw, words):
        with pytest.raises(ParameterError) as caught:
            limits_of(raw)
        assert words in str(caught.value)

    def test_traces_need_samples_in_common(self, axis):
        lines = refusal(axis, {"controller.period": [0.001, 0.002]}, traces=["table_position"])
        assert "no samples in common" in lines
        assert plan_of(axis, {GAIN: [1.0]}, traces=["table_position"]).traces == ("table_position",)
        assert "traces: 'table_position'" in refusal(axis, {GAIN: [1.0]}, traces="table_position")

    def test_tolerance(self, axis):
        assert plan_of(axis, {GAIN: [1.0]}).tolerance == TOLERANCE
        assert plan_of(axis, {GAIN: [1.0]}, tolerance=1e-5).tolerance == 1e-5


def quantities(axis):
    """Return every number of the parameter file that is read."""
    found = []
    for table, place in places_of(AxisFile).items():
        for key, field in fields_of(place.kind).items():
            if field.kind in ("quantity", "number") and not field.many:
                parameter = parameter_of(axis.file, f"{table}.{key}")
                if base_value(axis.file, parameter) is not None:
                    found.append(parameter)
    return found


NUMBERS = quantities(servosim.read_axis(FILE))


class TestCaseFile:
    @given(data=st.data())
    @settings(max_examples=120, deadline=None)
    def test_every_number_survives_its_file(self, axis, data):
        one = data.draw(st.sampled_from(NUMBERS))
        limits = one.field.limits
        low = max(limits.get("low", -1e12), limits.get("above", -1e12))
        high = min(limits.get("high", 1e12), limits.get("below", 1e12))
        if one.field.whole:
            value = float(data.draw(st.integers(int(low), int(high))))
        else:
            value = data.draw(st.floats(low, high, allow_subnormal=False).filter(one.field.admits))
        plan = plan_of(axis, cases=[{one.path: value}])
        table, key = one.path.split(".")
        text = plan.case_file(0)
        raw = tomllib.loads(text)[table][key]
        assert one.value(raw, strict=True) == value
        try:
            made = plan.case_axis(0).file
        except ParameterError:
            return  # refused with the others; the file says so too
        again = AxisFile(**tomllib.loads(text))
        again = params.replace(again, {"title": made.title, "notes": made.notes})
        assert again == made
        assert getattr(getattr(made, table), key) == value

    def test_there_are_numbers_of_every_table(self):
        assert len(NUMBERS) > 100

    def test_the_command_line_reruns_a_case_to_the_same_bits(self, axis, tmp_path):
        over = {
            GAIN: Uniform("15 1/s", "25 1/s"),
            WARM: Normal("40 degC", "3 K"),
            FLOW: ["16 L/min", 2.345678901234567e-4],
        }
        move = {"duration": "0.4 s"}
        plan = plan_of(axis, over, samples=2, noise="varied", move=move, title="Gain of the table")
        path = tmp_path / "case.toml"
        path.write_text(plan.case_file(3), encoding="utf-8")
        run = servosim.simulate(plan.case_axis(3))
        again = servosim.simulate(servosim.read_axis(path))
        assert run.record.tobytes() == again.record.tobytes()
        assert run.state("table_position").tobytes() == again.state("table_position").tobytes()
        from servosim.cli import app

        done = CliRunner().invoke(app, ["move", str(path), "--json"])
        assert done.exit_code == 0, done.output
        told = json.loads(done.stdout)["metrics"]
        for name, metric in servosim.metrics(run).items():
            held = told[name]
            assert (held["value"] if isinstance(held, dict) else held) == metric.value

    def test_it_says_which_study_and_case(self, axis):
        plan = plan_of(axis, {FLOW: ["10 L/min", "20 L/min"]}, title="Valves", tolerance=1e-6)
        held = tomllib.loads(plan.subset(1, 2).case_file(0))
        assert held["title"].endswith("; case 1")
        assert "Case 1 of 2 of the study 'Valves'" in held["notes"]
        assert "valve.rated_flow = 20 L/min, move.seed = 1" in held["notes"]
        assert "tolerance 1e-06" in held["notes"]
        assert axis.file.notes in held["notes"]

    def test_a_file_without_notes_gets_some(self, axis):
        plan = plan_of(axis.replace({"notes": None}), {GAIN: [20.0]})
        text = plan.case_file(0)
        assert tomllib.loads(text)["notes"].startswith("Case 0 of 1 of a study")
        AxisFile(**tomllib.loads(text))

    def test_a_refused_case_has_a_file_that_is_refused_likewise(self, axis, tmp_path):
        plan = plan_of(axis, {WARM: Normal("100 degC", "5 K")}, samples=4)
        k = int(np.argmax(plan.columns[WARM]))
        path = tmp_path / "case.toml"
        path.write_text(plan.case_file(k), encoding="utf-8")
        with pytest.raises(ParameterError, match=r"\[oil\] temperature: .* at most 100 degC"):
            servosim.read_axis(path)

    def test_an_infinite_value_has_no_file(self, axis):
        # an inverse of a distribution that reaches infinity
        class Far:
            def ppf(self, u):
                return np.where(u > 0.5, np.inf, 0.01)

        plan = plan_of(axis, {AIR: Distributed(Far(), "1")}, samples=2)
        k = int(np.argmax(plan.columns[AIR]))
        with pytest.raises(ParameterError, match=r"oil\.free_air = inf"):
            plan.case_axis(k)
        with pytest.raises(ParameterError, match="inf cannot be written"):
            plan.case_file(k)

    def test_no_case_beyond_the_last(self, axis):
        plan = plan_of(axis, {GAIN: [20.0, 22.0]})
        for k in (-1, 2):
            with pytest.raises(ParameterError, match=f"no case {k}; expected 0 to 1"):
                plan.changes(k)


@pytest.fixture(scope="module")
def plan(axis):
    over = {
        GAIN: [18.0, 22.0],
        "lock.kind": ["none", "blocking_valve"],
        WARM: Uniform("20 degC", "40 degC"),
        AIR: Uniform("0.2 %", "1 %"),
    }
    limits = {"settling_time": {"high": "2 s"}}
    return plan_of(axis, over, samples=5, repeats=3, noise="varied", limits=limits,
                       traces=["table_position"], title="Robust gain")  # fmt: skip


class TestPlan:
    def test_it_travels_as_bytes(self, plan):
        again = Plan.unpack(plan.pack())
        assert again.fingerprint == plan.fingerprint
        for name in ("dims", "shape", "limits", "traces", "tolerance", "design", "title", "first",
                     "whole"):  # fmt: skip
            assert getattr(again, name) == getattr(plan, name)
        assert again.axis.file == plan.axis.file
        for k in range(plan.n):
            assert again.changes(k) == plan.changes(k)
        assert again.case_file(7) == plan.case_file(7)

    def test_it_travels_as_a_pickle(self, plan):
        again = pickle.loads(pickle.dumps(plan))
        assert again.fingerprint == plan.fingerprint
        assert again.case_axis(3).file == plan.case_axis(3).file

    def test_a_part_is_those_cases(self, plan):
        part = plan.subset(13, 31)
        assert (part.dims, part.shape, part.first, part.whole) == (("case",), (18,), 13, plan.n)
        assert [part.changes(k) for k in range(18)] == [plan.changes(k) for k in range(13, 31)]
        assert part.coordinates["case"][1].tolist() == list(range(13, 31))
        inner = Plan.unpack(part.pack()).subset(2, 4)
        assert inner.first == 15
        assert inner.changes(1) == plan.changes(16)
        assert len(part.pack()) < 20_000
        for first, last in ((0, 0), (5, 3), (-1, 2), (0, plan.n + 1)):
            with pytest.raises(ParameterError, match="there are no cases"):
                plan.subset(first, last)

    def test_coordinates_are_those_of_a_labelled_array(self, plan):
        assert plan.dims == ("velocity_gain", "kind", "case", "repeat")
        found = plan.coordinates
        for name, dim in (("velocity_gain", "velocity_gain"), ("kind", "kind"),
                          ("temperature", "case"), ("free_air", "case"), ("repeat", "repeat"),
                          ("case", "case")):  # fmt: skip
            assert found[name][0] == dim
            assert len(found[name][1]) == plan.shape[plan.dims.index(dim)]
        assert found["kind"][1:] == (("none", "blocking_valve"), "")
        assert found["temperature"][2] == "K"

    def test_the_fingerprint_is_that_of_the_figures(self, axis):
        def of(axis=axis, gain=20.0, **options):
            return plan_of(axis, {GAIN: [gain, 22.0]}, **options).fingerprint

        same = of()
        assert same == of(limits={"overshoot": {"high": 1e-6}}, title="Other")
        other = axis.replace({"table.mass": "651 kg"})
        changed = [of(gain=math.nextafter(20.0, 21.0)), of(tolerance=1e-6), of(noise="varied"),
                   of(repeats=2), of(traces=["error"]), of(axis=other)]  # fmt: skip
        assert len({same, *changed}) == 7

    def test_the_fingerprint_is_the_same_in_every_process(self, axis):
        over = '{"oil.free_air": servosim.Distributed(stats.beta(2, 3), "%")}'
        program = (
            "import servosim\nfrom scipy import stats\n"
            "from servosim.studies.design import plan_of\n"
            f"axis = servosim.read_axis({str(FILE)!r})\n"
            f"print(plan_of(axis, {over}, samples=9).fingerprint)"
        )
        done = subprocess.run(
            [sys.executable, "-c", program], capture_output=True, text=True, cwd=ROOT, check=True
        )
        plan = plan_of(axis, {AIR: Distributed(stats.beta(2, 3), "%")}, samples=9)
        assert done.stdout.strip() == plan.fingerprint

    @pytest.mark.parametrize("packed", [b"", b"PK\x03\x04", b"x" * 100, "text", None])
    def test_foreign_bytes_are_refused(self, packed):
        with pytest.raises(ParameterError, match="no plan of a study"):
            Plan.unpack(packed)

    def test_torn_bytes_are_refused(self, plan):
        packed = plan.pack()
        with pytest.raises(ParameterError, match="no plan of a study"):
            Plan.unpack(packed[: len(packed) // 2])

    def test_its_arrays_cannot_be_changed(self, plan):
        with pytest.raises(ValueError, match="read-only"):
            plan.seeds[0] = 1
        with pytest.raises(ValueError, match="read-only"):
            plan.coordinates["temperature"][1][0] = 1.0

    def test_importing_it_is_cheap(self):
        program = (
            "import sys, servosim.studies.plan, servosim.studies.files\n"
            "print(sorted({'numba', 'matplotlib', 'scipy', 'SALib', 'pandas'} & set(sys.modules)))"
        )
        done = subprocess.run(
            [sys.executable, "-c", program], capture_output=True, text=True, cwd=ROOT, check=True
        )
        assert done.stdout.strip() == "[]"


STUDY = """
title = "Invented"
axis = "axis.toml"
samples = 8
seed = 3
repeats = 2
traces = ["table_position"]
tolerance = 1e-5

[move]
target = "300 mm"

[[vary]]
parameter = "controller.velocity_gain"
from = "10 1/s"
to = "30 1/s"
points = 3

[[vary]]
parameters = ["valve.rated_flow", "valve.natural_frequency"]
values = [["8 L/min", "120 Hz"], ["16 L/min", "90 Hz"]]

[[vary]]
parameter = "oil.temperature"
distribution = "normal"
mean = "40 degC"
standard_deviation = "3 K"
low = "30 degC"

[[vary]]
parameter = "oil.free_air"
distribution = "beta"
shapes = [2, 3]
scale = 1.5
unit = "%"

[[correlation]]
between = ["oil.temperature", "oil.free_air"]
rank = -0.5

[limits]
overshoot = { high = "1 um" }
"""


@pytest.fixture
def write(tmp_path):
    (tmp_path / "axis.toml").write_text(FILE.read_text(encoding="utf-8"), encoding="utf-8")

    def write(text):
        path = tmp_path / "study.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


class TestStudyFile:
    def test_it_is_the_plan_that_the_same_words_in_python_make(self, axis, write):
        plan = read_study(write(STUDY))
        twin = plan_of(
            axis,
            {
                GAIN: Between("10 1/s", "30 1/s", 3),
                (FLOW, "valve.natural_frequency"): [("8 L/min", "120 Hz"), ("16 L/min", "90 Hz")],
                WARM: Normal("40 degC", "3 K", low="30 degC"),
                AIR: Distributed(stats.beta(2, 3, loc=0.0, scale=1.5), "%"),
            },
            samples=8,
            seed=3,
            repeats=2,
            traces=["table_position"],
            tolerance=1e-5,
            move={"target": "300 mm"},
            correlation={(WARM, AIR): -0.5},
            limits={"overshoot": {"high": "1 um"}},
            title="Invented",
        )
        assert plan.fingerprint == twin.fingerprint
        assert (plan.title, plan.limits) == (twin.title, twin.limits)

    def test_cases_with_and_without_quotes(self, write):
        text = 'title = "x"\naxis = "axis.toml"\n[[cases]]\n"oil.temperature" = "25 degC"\n'
        plan = read_study(
            write(text + '[[cases]]\noil.free_air = "1 %"\noil.density = "880 kg/m3"')
        )
        seed = {"move.seed": 1}
        assert plan.changes(0) == {WARM: 298.15, **seed}
        assert plan.changes(1) == {AIR: 0.01, "oil.density": 880.0, **seed}

    def test_values_of_the_axis_in_place_of_its_files(self, write):
        plan = read_study(write(STUDY), {"table.mass": "700 kg"})
        assert plan.axis.file.table.mass == 700.0
        with pytest.raises(ParameterError, match=r"--set \[table\] mas: unknown key"):
            read_study(write(STUDY), {"table.mas": "700 kg"})

    @pytest.mark.parametrize("path", sorted(STUDIES.glob("*.toml")), ids=lambda path: path.stem)
    def test_every_demonstration_can_be_computed(self, path):
        plan = read_study(path)
        assert "nvented" in path.read_text(encoding="utf-8")
        for k in (0, plan.n // 2, plan.n - 1):
            plan.case_axis(k)
        assert all(one.get("outside", 0) == 0 for one in plan.design["drawn"])
        assert plan.limits

    def test_there_are_demonstrations_of_a_map_and_of_tolerances(self):
        plans = [read_study(path) for path in sorted(STUDIES.glob("*.toml"))]
        assert {len(plan.dims) for plan in plans} == {1, 2}

    def test_every_fault_at_once(self, write):
        path = write(
            """
            axis = "axis.toml"
            titel = "x"
            seed = "3"
            samples = 8
            [[vary]]
            parameter = "oil.temperature"
            distribution = "norml"
            [[vary]]
            parameter = "oil.free_air"
            values = "1 %"
            [[vary]]
            parameter = "oil.free_air"
            values = ["1 %"]
            to = "3 %"
            [[vary]]
            parameter = "oil.density"
            [[correlation]]
            between = ["oil.temperature"]
            rank = 0.5
            """
        )
        with pytest.raises(ParameterError) as caught:
            read_study(path)
        lines = str(caught.value).splitlines()
        assert all(line.startswith(str(path)) for line in lines)
        for words in (
            "titel: unknown key; nearest name 'title'",
            "title: missing",
            "seed: the text '3' cannot be used; expected a whole number",
            "[vary 1] distribution: unknown: 'norml'",
            "[vary 2] values: the text '1 %' cannot be used; expected a list",
            "[vary 3] to: not read for a list of values",
            "[vary 4]: does not say how it varies; expected values = [...]",
            "[correlation 1] between: a list of 1 entries; expected two entries",
        ):
            assert sum(words in line for line in lines) == 1, words

    @pytest.mark.parametrize(
        ("before", "after", "words"),
        [
            ('from = "10 1/s"', "from = 10", "[vary 1] controller.velocity_gain: the number 10"),
            ("points = 3", "points = 1", "[vary 1] controller.velocity_gain: 1 points between"),
            ("points = 3", "", "[vary 1] points: missing, wanted for points from ... to"),
            ('"30 1/s"', '"3e9 1/s"', "[vary 1] controller.velocity_gain: 3e9 1/s is out of range"),
            (
                'mean = "40 degC"',
                "mean = 40",
                "[vary 3] oil.temperature: the number 40 has no unit",
            ),
            ('mean = "40 degC"', "", "[vary 3] mean: missing, wanted for the distribution normal"),
            ('"normal"', '"uniform"', "[vary 3] mean: not read for the distribution uniform"),
            ("shapes = [2, 3]", "shapes = [2]", "[vary 4] shapes: 1 shapes for the distribution b"),
            ('unit = "%"', 'unit = "bar"', "[vary 4] oil.free_air: '0 bar' is a pressure"),
            ("rank = -0.5", "rank = -1.5", "[correlation]: a rank correlation of -1.5 between"),
            ('"oil.free_air"]', '"oil.fre_air"]', "nearest name 'oil.free_air'"),
            ('high = "1 um"', "high = 1", "[limits] overshoot: the number 1 has no unit"),
            ('target = "300 mm"', "target = 300", "[move] target: the number 300 has no unit"),
            ("samples = 8", "", "samples: missing, though parameters have a distribution"),
            ('"axis.toml"', '"axes.toml"', "axis: 'axes.toml' is no file that is there"),
            ('"axis.toml"', '"study.toml"', "axis: 'study.toml' is a study itself"),
            ('"axis.toml"', '"."', "axis: '.' is a folder"),
            ('parameter = "oil.temperature"', "", "[vary 3]: names no parameter"),
            ("seed = 3", "seed = ", "line 5"),
        ],
    )
    def test_one_fault_says_where_it_is(self, write, before, after, words):
        assert before in STUDY
        path = write(STUDY.replace(before, after))
        with pytest.raises(ParameterError) as caught:
            read_study(path)
        assert words in str(caught.value)
        assert str(path.parent) in str(caught.value)

    def test_an_axis_in_the_place_of_a_study(self):
        path = FILE
        with pytest.raises(ParameterError) as caught:
            read_study(path)
        assert str(caught.value).startswith(f"{path}: is the parameter file of an axis")
        assert len(caught.value.faults) == 1

    def test_no_such_study(self, write, tmp_path):
        write(STUDY)
        with pytest.raises(ParameterError, match=r"no such file.*nearest name 'study.toml'"):
            read_study(tmp_path / "stdy.toml")
