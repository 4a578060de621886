"""The standard test cycle: how many targets, where, and in which order they are approached."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import servosim
from servosim.positioning.standard_cycle import (
    standard_cycle,
    standard_number,
    standard_targets,
)


class TestTargets:
    @pytest.mark.parametrize(
        ("travel", "number"),
        # five per metre and five in all; mean interval of 250 mm above 2000 mm (from memory)
        [(0.1, 5), (1.0, 5), (1.2, 6), (1.201, 7), (2.0, 10), (2.25, 10), (3.0, 13), (10.0, 41)],
    )
    def test_number(self, travel, number):
        assert standard_number(travel) == number
        assert len(standard_targets(0.0, travel)) == number

    @settings(max_examples=60)
    @given(st.floats(-1.0, 1.0), st.floats(0.05, 5.0), st.integers(0, 2**31 - 1))
    def test_they_lie_in_order_between_the_ends(self, low, travel, seed):
        targets = standard_targets(low, low + travel, seed=seed)
        interval = travel / (len(targets) - 1)
        assert low <= targets[0] <= low + 0.301 * interval
        assert low + travel - 0.301 * interval <= targets[-1] <= low + travel
        gaps = np.diff(targets)
        assert gaps.min() > 0.39 * interval and gaps.max() < 1.61 * interval
        even = low + interval * np.arange(len(targets))
        assert np.abs(targets - even).max() <= 0.3 * interval + 1e-6

    def test_chance_spaces_them(self):
        targets = standard_targets(0.0, 0.6, seed=1)
        assert np.ptp(np.diff(targets)) > 0.005
        assert np.array_equal(targets, standard_targets(0.0, 0.6, seed=1))
        assert not np.array_equal(targets, standard_targets(0.0, 0.6, seed=2))
        assert np.allclose(targets * 1e6, np.round(targets * 1e6), atol=1e-6)  # whole micrometres

    def test_the_first_and_the_last_are_spaced_by_chance_as_well(self):
        ends = np.array([standard_targets(0.0, 0.6, seed=seed)[[0, -1]] for seed in range(20)])
        assert len(np.unique(ends[:, 0])) == len(np.unique(ends[:, 1])) == 20

    def test_a_number_of_ones_own(self):
        assert len(standard_targets(0.0, 0.6, number=9)) == 9

    @pytest.mark.parametrize(
        ("ends", "options", "words"),
        [
            ((0.5, 0.1), {}, "from 500 mm to 100 mm"),
            ((0.0, float("nan")), {}, "measured length"),
            ((0.0, 1.0), {"number": 1}, "number of targets: is 1"),
        ],
    )
    def test_refused(self, ends, options, words):
        with pytest.raises(servosim.ParameterError, match=words):
            standard_targets(*ends, **options)


TARGETS = np.array([0.1, 0.22, 0.3])


@pytest.mark.parametrize("kind", ["linear", "step"])
class TestApproaches:
    def test_every_target_as_often_from_each_side(self, kind):
        cycle = standard_cycle(TARGETS, kind=kind)
        taken = sorted((s.target, s.direction, s.run) for s in cycle.stops if s.target >= 0)
        assert taken == [(i, d, run) for i in range(3) for d in "+-" for run in range(1, 6)]

    def test_the_direction_is_the_one_in_which_the_table_comes(self, kind):
        stops = standard_cycle(TARGETS, kind=kind, overrun=0.01).stops
        for before, stop in itertools.pairwise(stops):
            way = stop.position - before.position
            assert (way > 0.0) == (stop.direction == "+")
            assert abs(way) > 1e-3
        assert stops[0].target == -1 and stops[0].position == pytest.approx(0.09)
        for stop in stops:
            if stop.target >= 0:
                assert stop.position == TARGETS[stop.target]


class TestCycle:
    def test_linear_goes_through_and_back(self):
        stops = standard_cycle(TARGETS, runs=2, overrun=0.01).stops
        assert [s.target for s in stops] == [-1, 0, 1, 2, -1, 2, 1, 0] * 2
        assert max(s.position for s in stops) == pytest.approx(0.31)

    def test_step_stays_at_a_target(self):
        stops = standard_cycle(TARGETS, runs=2, kind="step").stops
        assert [s.target for s in stops if s.target >= 0] == [0] * 4 + [1] * 4 + [2] * 4

    def test_one_run_above_two_metres(self):
        assert standard_cycle(np.array([0.0, 1.0, 2.0])).runs == 5
        assert standard_cycle(np.array([0.0, 1.0, 2.1])).runs == 1

    @pytest.mark.parametrize(
        ("options", "words"),
        [
            ({"runs": 0}, "runs: is 0"),
            ({"kind": "pilgrim"}, "'pilgrim' is no cycle"),
            ({"overrun": 0.0}, "overrun: is 0 mm"),
            ({"kind": "step", "overrun": 0.08}, "reaches the next target"),
            ({"targets": [0.3, 0.1]}, "do not ascend"),
        ],
    )
    def test_refused(self, options, words):
        targets = options.pop("targets", TARGETS)
        with pytest.raises(servosim.ParameterError, match=words):
            standard_cycle(targets, **options)
