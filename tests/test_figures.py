"""The compiled figures against those in array form, over real moves and over made-up ones."""

import dataclasses
import math

import numpy as np
import pytest
from axis_files import AXIS_FILES
from hypothesis import given, settings
from hypothesis import strategies as st
from reference.figures import figures_of
from test_parameter_files import CASES, case_of

from servosim import _figure_sums, _figures, _sequence, metrics, read_axis, simulate
from servosim._figure_spans import Spans, find_spans, new_spans
from servosim._record import record
from servosim._samples import RECORD
from servosim.metrics import DEFINITIONS
from servosim.program import thrust_at
from servosim.result import Status

# positions of half a metre hold 1e-16 m; a rate is taken over 0.3 s at least
ROUNDING = {"m": 2e-15, "m/s": 1e-14}


def judge(run):
    """Compare the figures of a run with those in array form, to rounding."""
    expected = figures_of(run)
    for name, metric in metrics(run).items():
        if expected[name] is None:
            assert metric.value is None, name
        else:
            rounding = ROUNDING.get(metric.unit, 0.0)
            assert metric.value == pytest.approx(expected[name], rel=1e-12, abs=rounding), name


def test_places_are_in_the_order_of_the_definitions():
    for place, name in enumerate(DEFINITIONS):
        assert getattr(_figures, name.upper()) == place
    assert len(DEFINITIONS) == _figures.N_FIGURES


class TestOfSimulatedMoves:
    @pytest.mark.parametrize("path", AXIS_FILES, ids=lambda p: p.stem)
    def test_as_filed(self, path):
        judge(simulate(read_axis(path)))

    @pytest.mark.parametrize("name", CASES)
    def test_of_every_choice(self, name):
        judge(case_of(name))

    def test_every_figure_is_held_by_some_move(self):
        held = set()
        for path in AXIS_FILES:
            held |= {
                name
                for name, metric in metrics(simulate(read_axis(path))).items()
                if metric.value is not None
            }
        assert held >= set(DEFINITIONS) - {"hold_drift_rate"}


def test_are_the_same_bits_from_columns_of_a_wider_array():
    run = simulate(read_axis("params/tube_sheet_table.toml"))
    n, p, m = len(run.time), run.axis.record, record(run.move)
    gathered = _figure_sums.gather_traces(p, run.states, run.record[:, 0], run.extremes)
    traces = (run.state("table_position"), run.record[:, RECORD.index("reference_position")])
    found = []
    for lanes in (1, 16):
        x, r = (np.repeat(trace[:, None], lanes, axis=1)[:, lanes // 2] for trace in traces)
        table = np.full((3, _figures.N_FIGURES), np.nan)
        _figures.figures(p, m, run.memory, n, 1, x, r, gathered, new_spans(), table[1])
        found.append(table[1].tobytes())
    assert found[0] == found[1]


def test_spans_of_a_run_that_is_reused_are_written_anew():
    used = new_spans()
    for path in ("params/tube_sheet_table.toml", "params/teaching_rig.toml"):
        run, fresh = simulate(read_axis(path)), new_spans()
        for spans in (used, fresh):
            find_spans(run.axis.record, record(run.move), run.memory, len(run.time), 1, spans)
        for name in Spans._fields:
            assert getattr(used, name) == pytest.approx(getattr(fresh, name), rel=0, nan_ok=True)


class TestSums:
    LIMIT = 0.9

    def gathered(self, rows):
        sums = _figure_sums.NOTHING_GATHERED
        for row in rows:
            sums = _figure_sums.gather(sums, *row, 0.0, self.LIMIT)
        return sums

    def test_of_one_sample_have_no_growth(self):
        assert self.gathered([(7.0, 1.0, 1.0, 3.0, 0.1)]) == (7.0, 0.0, 0.0, -math.inf, 3.0)

    def test_count_each_limit_by_itself(self):
        rows = [
            (7.0, 1.0, -1.0, 0.0, 0.9),
            (5.0, -1.0, 1.0, 2.0, -0.95),
            (6.0, 0.0, 0.0, 3.0, 0.89),
        ]
        assert self.gathered(rows) == (5.0, 2.0, 2.0, 2.0, 3.0)

    @pytest.mark.parametrize("bad", [0, 1, 2])
    def test_never_forget_a_number_that_is_none(self, bad):
        rows = [[7.0, 1.0, 1.0, float(k), 0.1] for k in range(3)]
        rows[bad][0] = rows[bad][3] = math.nan
        low, _, _, growth, _ = self.gathered(rows)
        assert math.isnan(low) and math.isnan(growth)

    @pytest.mark.parametrize(("u_max", "expected"), [(0.4, 0.3996), (1.0, 0.999), (5.0, 0.999)])
    def test_limit_of_the_command(self, u_max, expected):
        assert _figure_sums.command_limit(u_max) == pytest.approx(expected)


PERIOD = 1e-3


@st.composite
def moments(draw):
    """Draw the times of a lock in their order, on the samples or between, the last ones missing."""
    steps = [draw(st.integers(0, longest)) for longest in (300, 60, 900, 200, 60)]
    known = draw(st.sampled_from((5, 5, 5, 4, 3, 2, 1, 0)))
    off = draw(st.sampled_from((0.0, 0.3, 1e-13)))
    times = PERIOD * (np.cumsum([500, *steps])[1:] + off)
    times[known:] = math.nan
    if draw(st.booleans()):
        times[2] = math.nan  # no pressures are matched
    return dict(zip(("T_CLOSE", "T_LOCKED", "T_MATCH", "T_OPEN", "T_FREE"), times, strict=True))


@st.composite
def shapes(draw):
    """Draw what a made-up trace is like: samples, distance, noise, a swing, how it ends."""
    return {
        "n": draw(st.sampled_from((1, 2, 40, 700, 1500, 2000, 2200, 2500))),
        "noise": draw(st.sampled_from((0.0, 1e-7, 3e-6, 1e-4))),
        "swing": draw(st.sampled_from((0.0, 1e-6, 2e-5, 2e-3))),
        "frequency": draw(st.floats(0.5, 60.0)),
        "fade": draw(st.sampled_from((0.0, 0.2, 4.0))),
        "quantum": draw(st.sampled_from((0.0, 1e-6))),
        "seed": draw(st.integers(0, 2**31)),
        "status": draw(st.sampled_from((Status.COMPLETE, Status.COMPLETE, Status.STEP_LIMIT))),
    }


def trace(shape, move, rng):
    """Return a table that goes towards its target in some way."""
    t = PERIOD * np.arange(shape["n"])
    swing = shape["swing"] * np.exp(-shape["fade"] * t) * np.sin(shape["frequency"] * 2 * np.pi * t)
    walk = shape["noise"] * rng.normal(size=len(t))
    x = move.target + (move.start - move.target) * np.exp(-25.0 * t) + walk + swing
    return np.round(x / shape["quantum"]) * shape["quantum"] if shape["quantum"] else x


@pytest.fixture(scope="module")
def stub():
    """A simulated move whose traces are then replaced."""
    changes = {
        "reference.kind": "trapezoid",
        "reference.jerk": None,
        "reference.velocity": "200 mm/s",
        "reference.acceleration": "2 m/s2",
        "reference.deceleration": "1 m/s2",
    }
    return simulate(read_axis("params/tube_sheet_table.toml").replace(changes))


class TestOfMadeUpMoves:
    """Whatever the traces and times, both forms agree on every figure and on what is not held."""

    @given(
        shape=shapes(),
        times=moments(),
        lock=st.sampled_from(((0, 0, 0), (1, 0, 0), (1, 1, 0), (0, 1, 0), (0, 0, 1), (3, 0, 1))),
        dwell=st.sampled_from((0.0, 0.01, 0.15)),
        thrust=st.sampled_from(((0, 2500.0), (1, 2500.0), (1, 0.0), (1, None))),
        delay=st.one_of(st.sampled_from((0.0, 0.04)), st.floats(0.0, 0.4)),
        feed=st.floats(0.01, 0.3),
        ends=st.sampled_from(((0.25, 0.4), (0.4, 0.25), (0.4, 0.4))),
        gains=st.sampled_from(((22.0, 0.0), (22.0, 1.0), (13.0, 0.0))),
        has_b=st.integers(0, 1),
    )
    @settings(max_examples=150, deadline=None)
    def test_agree(self, stub, shape, times, lock, dwell, thrust, delay, feed, ends, gains, has_b):
        rng, n = np.random.default_rng(shape["seed"]), shape["n"]
        kind, ahead, brake = lock
        whole = stub.axis.parameters
        parameters = whole._replace(
            lock=whole.lock._replace(kind=kind, ahead=ahead, brake=brake, dwell=dwell),
            controller=whole.controller._replace(K_v=gains[0], K_i=gains[1], u_max=0.9),
            cylinder=whole.cylinder._replace(has_b=has_b),
        )
        axis = dataclasses.replace(stub.axis)
        axis.__dict__.update(parameters=parameters, record=record(parameters))
        corners = delay + np.cumsum([0.0, 0.02, feed, 0.02])
        locked, normal = thrust
        move = stub.axis.plan(start=ends[0], target=ends[1])._replace(
            thrust_locked=locked,
            thrust_t=corners if normal is not None else np.full(4, np.inf),
            thrust_along=np.zeros(4),
            thrust_normal=np.array([0.0, 1.0, 1.0, 0.0]) * (normal or 0.0),
        )
        if kind == brake == 0:  # without a lock there is but the end of the dwell in place
            times = {name: math.nan if name != "T_LOCKED" else times[name] for name in times}
        memory = stub.memory.copy()
        for name, time in times.items():
            memory[getattr(_sequence, name)] = time
        begin = 0.0 if locked == 0 else times["T_LOCKED"]
        X = rng.normal(size=(n, stub.states.shape[1])) * 1e5
        R = np.zeros((n, len(RECORD)))
        X[:, parameters.index.table_position] = x = trace(shape, move, rng)
        R[:, RECORD.index("reference_position")] = x + 1e-4 * rng.normal(size=n)
        R[:, RECORD.index("command")] = 0.5 * rng.normal(size=n)
        if not math.isnan(begin):
            R[:, RECORD.index("normal_thrust")] = [
                thrust_at(k * PERIOD, begin, move.thrust_normal, move.thrust_t)[0] for k in range(n)
            ]
        run = dataclasses.replace(
            stub,
            axis=axis,
            move=move,
            status=shape["status"],
            time=np.arange(n) * PERIOD,
            states=X,
            record=R,
            memory=memory,
            extremes=rng.normal(size=(4, 2)) * 1e6,
        )
        judge(run)
