"""Many moves at once: each lane has the bits of the single run, whoever its neighbours are."""

import sys

import numpy as np
import pytest
from test_parameter_files import CASES, FOLDER, axis_of

import servosim
from servosim._lanes import WIDTH
from servosim._lockstep import Buffers, cases_of, run_set
from servosim.axis import read_axis
from servosim.ensemble import ensemble
from servosim.errors import ParameterError
from servosim.result import Status
from servosim.simulate import TOLERANCE


def changed(axis, rng, seed):
    """Return an axis with some numbers of most blocks changed, of the same kind."""
    f = axis.file
    changes = {
        "table.workpiece_mass": f.table.workpiece_mass * rng.uniform(0.5, 1.0),
        "controller.velocity_gain": f.controller.velocity_gain * rng.uniform(0.6, 1.4),
        "oil.free_air": f.oil.free_air * rng.uniform(0.5, 1.5),
        "oil.temperature": f.oil.temperature + rng.uniform(-5.0, 5.0),
        "valve.null_bias": f.valve.null_bias + rng.uniform(-2e-3, 2e-3),
        "table.coulomb_coefficient": f.table.coulomb_coefficient * rng.uniform(0.5, 1.0),
        "cylinder.dead_volume_a": f.cylinder.dead_volume_a * rng.uniform(0.8, 1.5),
        "move.seed": seed,
    }
    try:
        return axis.replace(changes)
    except ParameterError:
        return axis.replace({"move.seed": seed})


def same(a, b):
    return np.array_equal(a, b, equal_nan=True)


def assert_same_case(found, k, run):
    """Check a case of an ensemble against a run of its own, bit by bit."""
    assert found.status[k] == run.status
    for name, metric in servosim.metrics(run).items():
        value = np.nan if metric.value is None else metric.value
        assert same(found.metrics[name][k], value), (k, name)
    assert found.events[k] == tuple(dict.fromkeys(event.kind for event in run.events))


class TestLanesAgainstTheSingleRun:
    @pytest.mark.parametrize("name", CASES)
    def test_every_kind_of_axis_to_the_last_bit(self, name):
        file, changes, _ = CASES[name]
        axis = axis_of(file).replace(changes)
        rng = np.random.default_rng(len(name))
        axes = [changed(axis, rng, k) for k in range(WIDTH - 1)]  # one lane stays empty
        cases = cases_of(axes, None, None)
        (chosen,) = cases.sets
        ended = run_set(cases, chosen, TOLERANCE, True, Buffers())
        for lane in (0, WIDTH - 2):
            run = servosim.simulate(axes[chosen[lane]], on_failure="return")
            assert ended.status[lane] == run.status
            if run.status == Status.COMPLETE:
                assert same(ended.states[:, :, lane], run.states)
                assert same(ended.record[:, :, lane], run.record)
                assert same(ended.memory[:, lane], run.memory)

    @pytest.mark.parametrize("name", CASES)
    def test_figures_and_events_of_every_kind(self, name):
        file, changes, _ = CASES[name]
        axis = axis_of(file).replace(changes)
        rng = np.random.default_rng(len(name))
        axes = [changed(axis, rng, k) for k in range(3)]
        found = ensemble(axes)
        for k, each in enumerate(axes):
            assert_same_case(found, k, servosim.simulate(each, on_failure="return"))


@pytest.fixture(scope="module")
def demonstration():
    axis = read_axis(FOLDER / "tube_sheet_table.toml").replace(
        {"move.duration": "1.2 s", "move.target": "262 mm", "move.hold_time": "0.5 s"}
    )
    rng = np.random.default_rng(3)
    return [changed(axis, rng, k) for k in range(21)]


class TestNeighboursDoNotMatter:
    def test_order_sets_and_workers(self, demonstration):
        found = ensemble(demonstration)
        order = np.random.default_rng(1).permutation(len(demonstration))
        other = ensemble([demonstration[k] for k in order], workers=3)
        alone = ensemble(demonstration[4:5])
        for name, values in found.metrics.items():
            assert same(values[order], other.metrics[name]), name
            assert same(values[4:5], alone.metrics[name]), name
        assert [found.events[k] for k in order] == other.events

    def test_kinds_and_lengths_may_be_mixed(self, demonstration):
        others = [
            demonstration[0].replace({"move.duration": "0.9 s"}),
            demonstration[1].replace({"supply.line": "lumped", "supply.line_flow": "30 L/min",
                                      "supply.line_drop": "3 bar", "supply.line_volume": "1 L"}),
            demonstration[2].replace({"transducer.delay": "2.3 ms"}),
            demonstration[3].replace({"controller.period": "0.5 ms",
                                      "controller.computing_delay": "0.2 ms"}),
        ]  # fmt: skip
        mixed = [*others, *demonstration[4:6]]
        found = ensemble(mixed)
        for k, axis in enumerate(mixed):
            assert_same_case(found, k, servosim.simulate(axis))

    def test_one_that_breaks_off_leaves_its_neighbours_alone(self, demonstration):
        axes = [axis.replace({"supply.accumulator": "none"}) for axis in demonstration[:4]]
        clean = ensemble(axes)
        axes[1] = axes[1].replace({"supply.pump_line_volume": "1e-12 L"})  # a pole of 1e9 1/s
        found = ensemble(axes)
        run = servosim.simulate(axes[1], on_failure="return")
        assert run.status == Status.STEP_LIMIT
        assert found.status[1] == run.status
        assert found.reasons[1] == run.message
        for name, values in clean.metrics.items():
            assert same(np.delete(values, 1), np.delete(found.metrics[name], 1)), name

    def test_one_that_holds_up_its_neighbours_is_run_alone(self, demonstration):
        stiff = demonstration[1].replace({"table.bristle_stiffness": "100000 N/um"})
        stiff = stiff.replace({"move.duration": "0.1 s"})
        found = ensemble([stiff])
        assert_same_case(found, 0, servosim.simulate(stiff))

    def test_one_that_cannot_begin_is_refused_with_its_reason(self, demonstration):
        leaking = demonstration[0].replace({"cylinder.internal_leakage": "10 L/min/bar"})
        heavy = {"table.inclination": "90 deg", "table.workpiece_mass": "2500 kg"}
        leaking = leaking.replace(heavy)
        with pytest.raises(ParameterError) as refused:
            servosim.simulate(leaking)
        found = ensemble([leaking, demonstration[1]])
        assert found.status[0] == Status.REFUSED
        assert found.reasons[0] == str(refused.value)
        assert found.status[1] == Status.COMPLETE


class TestInterface:
    def test_seeds_are_those_given(self, demonstration):
        found = ensemble(demonstration[:3], seeds=[7, 8, 9])
        for k in range(3):
            assert_same_case(found, k, servosim.simulate(demonstration[k], seed=7 + k))

    def test_moves_are_those_given(self, demonstration):
        moves = [axis.plan(target="256 mm") for axis in demonstration[:2]]
        found = ensemble(demonstration[:2], moves=moves)
        for k in range(2):
            assert_same_case(found, k, servosim.simulate(demonstration[k], moves[k]))

    def test_traces_are_those_of_the_run(self, demonstration):
        axes = [demonstration[0], demonstration[1].replace({"move.duration": "0.8 s"})]
        found = ensemble(axes, traces=["table_position", "pressure_a"])
        for k, axis in enumerate(axes):
            run = servosim.simulate(axis)
            n = len(run.time)
            for name in ("table_position", "pressure_a"):
                assert same(found.traces[name][k, :n], run.traces[name])
                assert np.isnan(found.traces[name][k, n:]).all()
        assert len(found.time) == found.traces["table_position"].shape[1]

    def test_without_lanes_each_runs_alone(self, demonstration, monkeypatch):
        axes = demonstration[:3]
        found = ensemble(axes, traces=["table_position"])
        monkeypatch.setattr(sys.modules["servosim.ensemble"], "COMPILES", False)
        other = ensemble(axes, traces=["table_position"])
        for name, values in found.metrics.items():
            assert same(values, other.metrics[name]), name
        assert found.events == other.events
        assert same(found.traces["table_position"], other.traces["table_position"])

    @pytest.mark.parametrize(
        ("options", "named"),
        [
            ({"seeds": [1]}, "seeds: 1 for 2 axes"),
            ({"moves": []}, "moves: 0 for 2 axes"),
            ({"seeds": [1, -2]}, "seeds: -2"),
            ({"tolerance": 0.0}, "tolerance: 0.0"),
            ({"workers": 0}, "workers: 0"),
            ({"traces": ["table_positon"]}, "nearest: table_position"),
        ],
    )
    def test_options_that_cannot_be_meant(self, demonstration, options, named):
        with pytest.raises(ParameterError, match=named):
            ensemble(demonstration[:2], **options)

    def test_no_axes_give_nothing(self):
        found = ensemble([])
        assert len(found.status) == 0
        assert all(len(values) == 0 for values in found.metrics.values())

    def test_progress_counts_every_case(self, demonstration):
        seen = []
        ensemble(demonstration, progress=lambda done, total: seen.append((done, total)))
        assert seen[-1] == (21, 21)
        assert [done for done, _ in seen] == sorted(done for done, _ in seen)

    def test_an_interruption_passes_through(self, demonstration):
        def stop(done, total):
            raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            ensemble(demonstration, workers=2, progress=stop)
