"""Studies come to the same bits whoever computes them and whatever befalls them on the way."""

import functools
import itertools
import json
import multiprocessing
import os
import signal
import subprocess
import sys
import textwrap
import time
import tracemalloc
import types
from concurrent.futures import BrokenExecutor, Executor, Future, ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
import xarray
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from servosim._definitions import DEFINITIONS
from servosim.axis import read_axis
from servosim.errors import ParameterError, StudyError
from servosim.metrics import metrics
from servosim.result import Status
from servosim.simulate import simulate
from servosim.studies import executors, run, store
from servosim.studies.chunks import Figures, Span, chunk_size, compute, spans_of, task_of
from servosim.studies.design import plan_of
from servosim.studies.labelled import EVENT_KINDS
from servosim.studies.plan import Plan
from servosim.studies.run import study

FOLDER = Path(__file__).parent.parent / "params"
# two of these cannot be made: a target outside the stroke, a weight that the supply cannot lift
CASES = [
    {"controller.velocity_gain": f"{gain} 1/s", "table.mass": f"{mass} kg"}
    for gain, mass in itertools.product((10, 14, 18, 22, 26), (300, 400, 500, 600))
] + [{"move.target": "2 m"}, {"table.inclination": "90 deg", "table.mass": "50 t"}]
TRACES = ("table_position", "pressure_a")


def make_plan(cases=CASES, duration="0.05 s", traces=TRACES):
    axis = read_axis(FOLDER / "tube_sheet_table.toml")
    return plan_of(
        axis, cases=cases, move={"duration": duration}, noise="varied", seed=3, traces=traces
    )


def bits(result):
    """Return everything that a study found, as bytes."""
    names = ["status", *DEFINITIONS, *(f"event_{kind}" for kind in EVENT_KINDS)]
    found = {name: result.cases.column(name).tobytes() for name in names}
    found["reason"] = tuple(result.cases.column("reason"))
    every = np.arange(result.plan.n)
    for name in result.plan.traces:
        found[name] = result.cases.trace(name, every).tobytes()
    found["time"] = result.cases.time.tobytes()
    return found


@functools.cache
def undisturbed():
    return bits(study(make_plan()))


def chunk_files(folder):
    return sorted(path.name for path in folder.glob("cases_*.nc"))


class TestFigures:
    def test_each_case_is_what_one_run_of_it_gives(self):
        # the plan's own axis, simulated alone and without any of the machinery
        plan = make_plan()
        result = study(plan, chunk=7)
        for k in range(plan.n):
            assert result.cases.column("status")[k] in (Status.COMPLETE, Status.REFUSED)
            if result.cases.column("status")[k] == Status.REFUSED:
                assert f"case {k}" in result.cases.column("reason")[k]
                assert all(np.isnan(result.cases.column(name)[k]) for name in DEFINITIONS)
                continue
            alone = simulate(plan.case_axis(k))
            for name, metric in metrics(alone).items():
                value = np.nan if metric.value is None else metric.value
                np.testing.assert_array_equal(result.cases.column(name)[k], value, name)
            trace = result.cases.trace("table_position", np.array([k]))[0]
            np.testing.assert_array_equal(trace, alone.traces["table_position"])
            np.testing.assert_array_equal(result.cases.time, alone.time)
        assert np.count_nonzero(result.cases.column("status") == Status.REFUSED) == 2

    def test_noise_differs_from_case_to_case(self):
        # else equal bits of reordered work would show nothing
        plan = make_plan([{"table.mass": 400.0}] * 3, "0.3 s")
        peaks = study(plan).cases.column("following_error_peak")
        assert len(set(peaks)) == 3


class _Backwards(Executor):
    """Computes nothing until it is full, and then what came last first."""

    def __init__(self, size):
        self.size, self.held, self.most = size, [], 0

    def submit(self, function, *args):
        future = Future()
        self.held.append((future, function, args))
        self.most = max(self.most, len(self.held))
        if len(self.held) == self.size:
            self.flush()
        return future

    def flush(self):
        while self.held:
            future, function, args = self.held.pop()
            future.set_result(function(*args))


class TestWhoComputes:
    @pytest.mark.parametrize("chunk", [1, 5, 1000])
    def test_size_of_chunks_changes_no_bit(self, chunk, tmp_path):
        assert bits(study(make_plan(), chunk=chunk, store=tmp_path / "a")) == undisturbed()

    @pytest.mark.parametrize("executor", ["threads", None])  # without a name: processes
    def test_workers_change_no_bit(self, executor):
        assert bits(study(make_plan(), executor=executor, workers=2, chunk=4)) == undisturbed()

    def test_order_changes_no_bit_and_little_is_out_at_a_time(self, tmp_path, monkeypatch):
        # two workers may have four chunks out; with fewer left over the executor must not wait
        pool = _Backwards(4)
        cases = CASES[:20]
        plan = make_plan(cases)
        expected = bits(study(plan))
        found = bits(study(plan, executor=pool, workers=2, chunk=1, store=tmp_path / "a"))
        assert found == expected
        assert pool.most == 4

    def test_an_executor_of_the_user_stays_open(self):
        with ThreadPoolExecutor(2) as pool:
            assert bits(study(make_plan(), executor=pool, chunk=4)) == undisturbed()
            assert pool.submit(int, "3").result() == 3

    def test_a_dask_cluster_changes_no_bit(self, tmp_path):
        distributed = pytest.importorskip("distributed")
        with distributed.LocalCluster(
            n_workers=1, threads_per_worker=2, processes=False, dashboard_address=None
        ) as cluster:
            address = cluster.scheduler_address
            found = bits(study(make_plan(), executor=address, chunk=4, store=tmp_path / "a"))
        assert found == undisturbed()

    def test_nobody_there(self):
        pytest.importorskip("distributed")
        with pytest.raises(ParameterError, match="no dask scheduler answers"):
            executors.crew_of("inproc://127.0.0.1/1/1", None)

    def test_without_distributed_it_says_what_to_install(self, monkeypatch):
        monkeypatch.setitem(sys.modules, "distributed", None)
        with pytest.raises(ParameterError, match=r"pip install 'servosim\[dask\]'"):
            executors.crew_of("local", 2)

    @pytest.mark.parametrize(
        ("executor", "workers", "text"),
        [
            ("thread", 2, 'expected "threads"'),
            (None, 0, "workers: 0"),
            (None, True, "workers: True"),
            (3, None, "executor: 3"),
        ],
    )
    def test_refused(self, executor, workers, text):
        with pytest.raises(ParameterError, match=text):
            executors.crew_of(executor, workers)

    @pytest.mark.parametrize(
        ("workers", "cases", "kind", "width"),
        [
            (None, 10**6, executors.Crew, 1),
            (1, 10**6, executors.Crew, 1),
            (np.int64(2), 8000, executors._Threads, 2),
            (5, 8, executors._Threads, 5),
            (5, 8001, executors._Processes, 5),
        ],
    )
    def test_threads_for_some_cases_and_processes_for_very_many(self, workers, cases, kind, width):
        crew = executors.crew_of(None, workers, cases)
        try:
            assert type(crew) is kind
            assert crew.width == width
        finally:
            crew.close(at_once=True)

    def test_threads_say_how_far_they_are_within_a_chunk(self):
        # in one chunk of 46 cases: 0 < done < 46 is told while no chunk is finished
        told = []
        plan = make_plan((CASES * 6)[:46], "0.3 s", traces=())
        look = executors._Threads._look

        def slowly(self, span, done, total):
            look(self, span, done, total)
            time.sleep(0.3)  # longer than two looks of the leading thread are apart

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(executors._Threads, "_look", slowly)
            study(plan, executor="threads", workers=1, progress=lambda one: told.append(one.done))
        assert any(0 < done < 46 for done in told)
        assert told == sorted(told)
        assert told[-1] == 46

    @pytest.mark.parametrize("executor", [None, "threads"])
    def test_what_the_callers_function_raises_is_his_own(self, executor):
        def fail(one):
            raise ZeroDivisionError("in the caller's function")

        with pytest.raises(ZeroDivisionError, match="in the caller's function"):
            study(make_plan(), executor=executor, progress=fail)

    @pytest.mark.parametrize(
        ("options", "words"),
        [({"progress": 3}, "progress: 3"), ({"chunk": True}, "chunk: True")],
    )
    def test_options_of_another_kind_are_refused(self, options, words):
        with pytest.raises(ParameterError, match=words):
            study(make_plan(), **options)

    def test_a_worker_with_other_equations_is_refused(self):
        task = task_of(make_plan(), Span(0, 2))._replace(code="servosim 0, equations other")
        with pytest.raises(StudyError, match="led by servosim 0, equations other"):
            compute(task)

    def test_a_failure_that_no_case_explains_names_the_cases(self, monkeypatch, tmp_path):
        whole = executors.compute

        def fails_later(task, watch=None):
            if task.span.first == 8:
                raise ZeroDivisionError("by chance")
            return whole(task, watch)

        monkeypatch.setattr(executors, "compute", fails_later)
        with pytest.raises(StudyError, match=r"cases 8 to 11 .*ZeroDivisionError: by chance"):
            study(make_plan(), chunk=4, store=tmp_path / "a")
        assert len(chunk_files(tmp_path / "a.study")) == 2


class TestSizes:
    def test_every_worker_gets_several_chunks(self):
        plan = make_plan([{"table.mass": 400.0}] * 4000, traces=())
        for width in (2, 5):
            assert len(spans_of(4000, chunk_size(plan, 3000, width))) >= 4 * width
        assert chunk_size(plan, 3000, 1) == 3000
        few = make_plan([{"table.mass": 400.0}] * 65, traces=())
        assert len(spans_of(65, chunk_size(few, 3000, 8))) >= 8
        assert chunk_size(plan, 100, 2) == 100

    def test_traces_make_chunks_smaller(self):
        plan = make_plan([{"table.mass": 400.0}] * 4000, "4.5 s")
        samples = 4.5 / plan.axis.parameters.controller.period
        size = chunk_size(plan, 3000, 1)
        assert 0.5 * 64e6 < size * samples * 2 * 8 <= 64e6
        # of many workers all that is out together is bounded
        wide = chunk_size(plan, 3000, 100)
        assert 0.5 * 256e6 < wide * samples * 2 * 8 * 200 <= 256e6

    def test_spans_are_all_cases_once(self):
        assert spans_of(7, 3) == [(0, 3), (3, 6), (6, 7)]
        assert str(Span(3, 6)) == "cases 3 to 5"
        assert str(Span(6, 7)) == "case 6"


class TestStore:
    def test_a_finished_study_computes_nothing(self, tmp_path, monkeypatch):
        expected = undisturbed()
        first = study(make_plan(), chunk=4, store=tmp_path / "a")
        monkeypatch.setattr(executors, "compute", None)
        again = study(make_plan(), chunk=9, store=tmp_path / "a.study")
        assert bits(again) == bits(first) == expected

    def test_what_is_missing_or_torn_is_computed_and_nothing_else(self, tmp_path, monkeypatch):
        expected, folder = undisturbed(), tmp_path / "a.study"
        study(make_plan(), chunk=4, store=folder)
        names = chunk_files(folder)
        (folder / names[1]).unlink()
        half = (folder / names[2]).read_bytes()
        (folder / names[2]).write_bytes(half[: len(half) // 2])
        (folder / names[3]).write_bytes(b"")
        kept = {name: (folder / name).read_bytes() for name in (names[0], names[4], names[5])}
        computed, whole = [], executors.compute

        def noting(task, watch=None):
            computed.append(task.span)
            return whole(task, watch)

        monkeypatch.setattr(executors, "compute", noting)
        assert bits(study(make_plan(), store=folder)) == expected
        assert computed == [(4, 8), (8, 12), (12, 16)]
        assert {name: (folder / name).read_bytes() for name in kept} == kept

    @pytest.mark.parametrize("variable", ["metrics", "status", "pressure_a", "reason"])
    def test_one_wrong_number_is_noticed(self, tmp_path, variable):
        import h5py

        folder = tmp_path / "a.study"
        result = study(make_plan(), chunk=6, store=folder)
        with h5py.File(folder / chunk_files(folder)[3], "r+") as file:
            held = file[variable]
            if variable == "reason":
                held[2] = "all is well"
            else:
                values = held[...]
                values.flat[-1] = 7
                held[...] = values
        with pytest.raises(StudyError, match=f"{variable} is not what was written"):
            if variable in TRACES:
                result.cases.trace(variable)
            else:
                result.cases.column("overshoot" if variable == "metrics" else variable)
        assert bits(study(make_plan(), store=folder)) == undisturbed()

    def test_another_study_is_refused_and_told_apart(self, tmp_path):
        plan, other = make_plan(), make_plan(CASES[:5], traces=())
        study(plan, store=tmp_path / "a")
        with pytest.raises(ParameterError) as caught:
            study(other, store=tmp_path / "a")
        text = str(caught.value)
        assert plan.fingerprint[:16] in text
        assert other.fingerprint[:16] in text
        assert "the number of cases (22, now 5)" in text
        assert "the traces" in text
        assert "the parameter file" not in text
        assert bits(study(plan, store=tmp_path / "a")) == undisturbed()

    def test_another_version_is_refused(self, tmp_path):
        folder = tmp_path / "a.study"
        study(make_plan(), store=folder)
        header = json.loads((folder / store.HEADER).read_text())
        header["fingerprint"] = "f" * 64
        header["parts"]["code"] = "servosim 9.9, equations 0123"
        (folder / store.HEADER).write_text(json.dumps(header))
        with pytest.raises(ParameterError, match=r"servosim or its equations \(servosim 9\.9"):
            study(make_plan(), store=folder)

    def test_another_study_is_replaced_on_purpose(self, tmp_path):
        study(make_plan(CASES[:5]), store=tmp_path / "a", chunk=2)
        (tmp_path / "a.study" / "notes.txt").write_text("mine")
        assert bits(study(make_plan(), store=tmp_path / "a", fresh=True)) == undisturbed()
        assert len(chunk_files(tmp_path / "a.study")) == 1
        assert (tmp_path / "a.study" / "notes.txt").read_text() == "mine"

    def test_the_same_study_goes_on_though_another_would_be_replaced(self, tmp_path, monkeypatch):
        expected = bits(study(make_plan(), store=tmp_path / "a"))
        monkeypatch.setattr(executors, "compute", None)
        assert bits(study(make_plan(), store=tmp_path / "a", fresh=True)) == expected

    def test_two_that_lead_the_same_study_do_no_harm(self, tmp_path):
        with ThreadPoolExecutor(2) as pool:
            both = [pool.submit(study, make_plan(), chunk=3, store=tmp_path / "a") for _ in "ab"]
            assert [bits(one.result()) for one in both] == [undisturbed()] * 2
        assert not list((tmp_path / "a.study").glob(".*"))

    def test_what_another_kept_in_the_meantime_is_enough(self, tmp_path, monkeypatch):
        plan = make_plan()
        study(plan, chunk=22, store=tmp_path / "a")
        kept = store.open_store(tmp_path / "a")

        def nowhere(path):
            raise ParameterError("cannot be written")

        monkeypatch.setattr(store, "whole_file", nowhere)
        figures = compute(task_of(plan, Span(0, 22)))
        kept.add(figures)
        (kept.path / chunk_files(kept.path)[0]).unlink()
        with pytest.raises(StudyError, match="figures of cases 0 to 21 could not be kept"):
            kept.add(figures)

    def test_a_chunk_of_another_study_is_refused(self, tmp_path):
        study(make_plan(), store=tmp_path / "a", chunk=22)
        study(make_plan(duration="0.06 s"), store=tmp_path / "b", chunk=22)
        name = chunk_files(tmp_path / "a.study")[0]
        (tmp_path / "b.study" / name).replace(tmp_path / "a.study" / name)
        with pytest.raises(ParameterError, match=r"holds cases 0 to 21 of the study \w{16}"):
            study(make_plan(), store=tmp_path / "a")

    def test_a_folder_of_something_else_is_refused(self, tmp_path):
        folder = tmp_path / "a.study"
        folder.mkdir()
        (folder / "letter.txt").write_text("dear")
        with pytest.raises(ParameterError, match=r"letter\.txt and is no store"):
            study(make_plan(), store=folder)
        assert [path.name for path in folder.iterdir()] == ["letter.txt"]

    @pytest.mark.parametrize("name", ["", ".", "..", "/", 3])
    def test_what_names_no_folder_is_refused(self, name):
        with pytest.raises(ParameterError, match=r"store: .* (no folder|no path)"):
            store.store_path(name)

    def test_a_file_in_its_place_is_refused(self, tmp_path):
        (tmp_path / "a.study").write_text("")
        with pytest.raises(ParameterError, match="cannot be used as a folder"):
            study(make_plan(), store=tmp_path / "a")

    def test_it_can_be_read_without_the_plan(self, tmp_path):
        study(make_plan(), store=tmp_path / "a", chunk=4)
        opened = store.open_store(tmp_path / "a.study")
        assert opened.plan.fingerprint == make_plan().fingerprint
        assert bits(run.StudyResult(opened.plan, opened)) == undisturbed()

    def test_what_is_not_computed_is_not_read(self, tmp_path):
        study(make_plan(), store=tmp_path / "a", chunk=4)
        (tmp_path / "a.study" / chunk_files(tmp_path / "a.study")[1]).unlink()
        opened = store.open_store(tmp_path / "a")
        assert len(opened.column("status", slice(8, None))) == 14
        with pytest.raises(StudyError, match="cases 4 to 7 are not computed yet, 18 of 22"):
            opened.column("status")

    def test_no_store_there(self, tmp_path):
        with pytest.raises(ParameterError, match=r"study\.json cannot be read"):
            store.open_store(tmp_path / "nothing")

    @pytest.mark.parametrize("which", [slice(3, 17, 5), np.array([21, 0, 9, 9, 4]), None])
    def test_some_cases_are_those_of_all(self, tmp_path, which):
        whole = study(make_plan())
        kept = study(make_plan(), store=tmp_path / "a", chunk=4)
        rows = slice(None) if which is None else which
        for name in ("status", "reason", "position_error_peak", "event_cavitation"):
            if name in DEFINITIONS or name in ("status", "reason", "event_cavitation"):
                expected = whole.cases.column(name)[rows]
                np.testing.assert_array_equal(kept.cases.column(name, which), expected)
        trace = whole.cases.trace("pressure_a", np.arange(22))[rows]
        np.testing.assert_array_equal(kept.cases.trace("pressure_a", which), trace)

    def test_a_chunk_opens_as_netcdf(self, tmp_path):
        result = study(make_plan(), store=tmp_path / "a", chunk=4)
        name = chunk_files(tmp_path / "a.study")[2]
        with xarray.open_dataset(tmp_path / "a.study" / name, engine="h5netcdf") as data:
            assert data.sizes["case"] == 4
            assert list(data["case"].values) == [8, 9, 10, 11]
            one = data["metrics"].sel(metric="following_error_peak").values
            which = slice(8, 12)
            expected = result.cases.column("following_error_peak", which)
            np.testing.assert_array_equal(one, expected)
            assert data["pressure_a"].attrs["units"] == "Pa"

    def test_runs_of_unlike_length_end_in_nan(self, tmp_path):
        cases = [{"move.duration": f"{d} s"} for d in (0.02, 0.05, 0.03)]
        result = study(make_plan(cases), store=tmp_path / "a", chunk=1)
        traces = result.cases.trace("table_position")
        period = result.plan.axis.parameters.controller.period
        for trace, d in zip(traces, (0.02, 0.05, 0.03), strict=True):
            assert np.count_nonzero(~np.isnan(trace)) == round(d / period) + 1
        assert result.cases.time[-1] == pytest.approx(0.05)


numbers = arrays.arrays(
    np.float64, 4, elements=st.floats(allow_nan=True, allow_infinity=True, width=64)
)
# h5 strings end at a zero byte; no text of an error holds one
texts = st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\0"), max_size=20)


@settings(max_examples=25, deadline=None)
@given(
    st.lists(numbers, min_size=2, max_size=2),
    st.lists(texts, min_size=4, max_size=4),
    st.lists(st.booleans(), min_size=4, max_size=4),
)
def test_figures_come_back_bit_for_bit(tmp_path_factory, figures, reasons, happened):
    names = list(DEFINITIONS)[:2]
    held = Figures(
        Span(0, 4),
        np.array([0, 1, 2, 4], dtype=np.int8),
        tuple(reasons),
        dict(zip(names, figures, strict=True)),
        {"end_stop": np.array(happened)},
    )
    plan = make_plan([{"table.mass": 400.0}] * 4, traces=())
    kept = store.prepare_store(tmp_path_factory.mktemp("s") / "a", plan, 4)
    kept.add(held)
    assert kept.sound() == [Span(0, 4)]
    for name, values in held.metrics.items():
        assert kept.column(name).tobytes() == values.tobytes()
    assert list(kept.column("reason")) == reasons
    assert list(kept.column("event_end_stop")) == happened
    assert list(kept.column("status")) == [0, 1, 2, 4]


def test_memory_does_not_grow_with_the_cases(tmp_path, monkeypatch):
    def invented(task, watch=None):
        n = task.span.last - task.span.first
        figures = {name: np.full(n, float(task.span.first)) for name in DEFINITIONS}
        return Figures(task.span, np.zeros(n, np.int8), ("",) * n, figures, {})

    monkeypatch.setattr(executors, "compute", invented)

    def peak(n):
        plan = make_plan([{"table.mass": 400.0}] * 10, traces=())
        one = plan.inputs[0]
        # many cases without the time to list them
        many = Plan(
            plan.axis, ("case",), (n,),
            (type(one)(one.path, one.name, "case", np.full(n, 400.0), one.unit, one.spelling),),
            np.zeros(n, dtype=np.int64), {}, (), plan.tolerance,
        )  # fmt: skip
        assert many.fingerprint
        tracemalloc.start()
        result = study(many, store=tmp_path / f"n{n}", chunk=2000)
        found = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        column = result.cases.column("overshoot")
        assert np.array_equal(column, 2000.0 * (np.arange(n) // 2000))
        return found

    peak(2_000)  # what is imported and cached once
    few, many = peak(6_000), peak(40_000)
    # kept figures would take 8 bytes for each of some thirty metrics; plan and seeds take 16
    assert many - few < 0.25 * 34_000 * 8 * len(DEFINITIONS)


class TestProgress:
    def test_it_counts_up_and_says_what_is_left(self, tmp_path):
        said = []
        study(make_plan(), chunk=4, store=tmp_path / "a", progress=said.append)
        assert [one.done for one in said] == sorted(one.done for one in said)
        assert (said[-1].done, said[-1].total, said[-1].failed) == (22, 22, 2)
        assert said[-1].left == 0.0
        assert all(one.left > 0.0 for one in said if 0 < one.done < 22)

    def test_the_pace_leaves_out_what_was_found_and_the_start(self, tmp_path, monkeypatch):
        folder = tmp_path / "a.study"
        study(make_plan(), chunk=2, store=folder)
        for name in chunk_files(folder)[3:]:  # cases 6 to 21
            (folder / name).unlink()
        now, whole, said = [1000.0], executors.compute, []

        def slowly(task, watch=None):
            # workers start and compile for 100 s, then each case takes 3 s
            now[0] += 6.0 + (100.0 if task.span.first == 6 else 0.0)
            return whole(task)

        monkeypatch.setattr(executors, "compute", slowly)
        monkeypatch.setattr(run, "clock", types.SimpleNamespace(monotonic=lambda: now[0]))
        study(make_plan(), store=folder, progress=said.append)
        assert said[0].left is None
        assert [one.left for one in said if one.done == 8] == [53.0 * 14]
        steady = [one for one in said if one.done > 8]
        assert [one.left for one in steady] == [3.0 * (22 - one.done) for one in steady]
        assert said[-1].left == 0.0

    @pytest.mark.parametrize("executor", [None, "threads", "processes"])
    def test_an_interruption_keeps_what_is_finished(self, tmp_path, executor):
        def stop(one):
            if one.done >= 4:
                raise KeyboardInterrupt

        workers = 2 if executor else None
        with pytest.raises(KeyboardInterrupt, match=r"kept in .*a\.study; run the same study"):
            study(
                make_plan(), chunk=2, store=tmp_path / "a", progress=stop,
                executor=executor, workers=workers,
            )  # fmt: skip
        assert len(chunk_files(tmp_path / "a.study")) >= 2 - (executor is None)
        assert bits(study(make_plan(), store=tmp_path / "a")) == undisturbed()

    def test_without_a_store_it_says_that_all_is_lost(self):
        def stop(one):
            raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt, match="lost, because the study has no store"):
            study(make_plan(), progress=stop)


class TestKilledWorker:
    def test_its_chunk_is_computed_again(self, tmp_path):
        killed = []

        def kill_one(one):
            workers = multiprocessing.active_children()
            if one.done and not killed and workers:
                killed.append(workers[0].pid)
                os.kill(workers[0].pid, signal.SIGKILL)

        plan = make_plan(CASES * 6, "0.3 s", traces=())
        result = study(
            plan, store=tmp_path / "a", executor="processes", workers=2, chunk=6, progress=kill_one
        )
        assert killed
        assert bits(result) == bits(study(plan, executor="threads", workers=2))

    def test_after_three_times_it_stops_and_names_the_cases(self, tmp_path):
        killed = []

        def kill_all(one):
            for worker in multiprocessing.active_children():
                killed.append(worker.pid)
                os.kill(worker.pid, signal.SIGKILL)

        with pytest.raises(StudyError, match=r"computed cases 0 to 4.* 3 times.*too little memory"):
            study(
                make_plan(), store=tmp_path / "a", executor="processes", workers=1, chunk=5,
                progress=kill_all,
            )  # fmt: skip
        assert len(set(killed)) == 3
        assert bits(study(make_plan(), store=tmp_path / "a")) == undisturbed()

    def test_a_broken_executor_of_the_user_is_not_replaced(self, tmp_path):
        class Broken(Executor):
            def submit(self, function, *args):
                future = Future()
                future.set_exception(BrokenExecutor("a worker died"))
                return future

        text = r"worker process that computed cases 0 to 4(?s:.*)lost, because the study has no"
        with pytest.raises(StudyError, match=text):
            study(make_plan(), executor=Broken(), workers=1, chunk=5)

    def test_only_the_chunk_that_kills_is_blamed(self):
        # a pool in which one chunk kills all that is out, as a worker's death does
        computed, renewed = [], []

        class Pool(executors.Crew):
            width, ahead = 2, 2

            def __init__(self):
                self.out = []

            def submit(self, task, watch):
                future = Future()
                self.out.append((future, task))
                if len(self.out) == 4 or task[0] >= 8 or renewed:
                    guilty = any(held == Span(4, 6) for _, held in self.out)
                    for one, held in self.out:
                        if guilty:
                            one.set_exception(BrokenExecutor())
                        else:
                            one.set_result(held)
                    self.out = []
                return future

            def renew(self):
                renewed.append(True)
                return True

        with pytest.raises(StudyError, match=r"computed cases 4 to 5 was killed or ended 3 times"):
            executors.work(
                Pool(), spans_of(10, 2), lambda span: span, computed.append, lambda a, b: None
            )
        assert len(renewed) == 2
        assert {Span(0, 2), Span(2, 4)} <= set(computed)
        assert Span(4, 6) not in computed


SCRIPT = """
import multiprocessing, os, sys, time
sys.path.insert(0, {tests!r})
import test_study_runs as here
from servosim.errors import StudyError
from servosim.studies.run import study

def say(one):
    pids = [child.pid for child in multiprocessing.active_children()]
    print(one.done, *pids, flush=True)
    if one.done >= {hold}:
        time.sleep(100.0)  # until the blow comes

if __name__ == "__main__":
    plan = here.long_plan()
    if {limit}:
        import resource
        resource.setrlimit(resource.RLIMIT_FSIZE, ({limit}, {limit}))
    try:
        study(
            plan, store={folder!r}, chunk=4, executor={executor!r}, workers={workers}, progress=say
        )
    except StudyError as error:
        print(error, file=sys.stderr)
        sys.exit(1)
    except KeyboardInterrupt as error:
        print(error, file=sys.stderr)
        sys.exit(130)
"""


def long_plan():
    """Return a plan of many chunks."""
    return make_plan(CASES * 3, traces=("table_position",))


@functools.cache
def long_bits():
    return bits(study(long_plan()))


def begin(tmp_path, workers=None, hold=12, limit=0, executor=None):
    """Start a study in a process of its own, the leader of its group.

    It holds on when so many cases are done, so that what befalls it does so in its midst. With a
    limit, no file can become longer than that, as on a disk that is full.
    """
    values = {
        "tests": str(Path(__file__).parent),
        "folder": str(tmp_path / "a"),
        "executor": executor,
        "workers": workers,
        "hold": hold,
        "limit": limit,
    }
    script = tmp_path / "script.py"
    script.write_text(textwrap.dedent(SCRIPT).format(**values))
    return subprocess.Popen(
        [sys.executable, str(script)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def until(process, done):
    """Read what a study says until so many cases are done; return its workers."""
    workers = set()
    for line in process.stdout:
        number, *pids = map(int, line.split())
        workers |= set(pids)
        if number >= done:
            return workers
    raise AssertionError(process.stderr.read())


def is_alive(pid):
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state != "Z"


needs_proc = pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="reads /proc")


class TestDisturbed:
    @needs_proc
    def test_a_killed_master_leaves_whole_chunks_and_no_workers(self, tmp_path):
        process = begin(tmp_path, workers=2, executor="processes")
        workers = until(process, 12)
        os.kill(process.pid, signal.SIGKILL)
        process.communicate()
        assert workers
        for _ in range(200):
            if not any(map(is_alive, workers)):
                break
            time.sleep(0.05)
        assert not any(map(is_alive, workers))
        kept = store.open_store(tmp_path / "a")
        assert 3 <= len(kept.finished()) < len(kept.spans)
        assert kept.sound() == kept.finished()
        before = {name: (kept.path / name).read_bytes() for name in chunk_files(kept.path)}
        # what a process leaves that is killed while it writes
        (kept.path / ".cases_00000000_00000004.0123456789ab.nc").write_bytes(b"half")
        assert bits(study(long_plan(), store=tmp_path / "a")) == long_bits()
        assert {name: (kept.path / name).read_bytes() for name in before} == before
        assert not list(kept.path.glob(".*"))

    @pytest.mark.parametrize(
        ("executor", "workers"), [(None, None), ("threads", 2), ("processes", 2)]
    )
    def test_an_interrupted_master_says_how_to_go_on(self, tmp_path, executor, workers):
        process = begin(tmp_path, workers, executor=executor)
        until(process, 12)
        os.killpg(process.pid, signal.SIGINT)  # as a terminal does: to the workers too
        _, said = process.communicate(timeout=60)
        assert process.returncode == 130
        assert said.startswith("interrupted: ")
        assert said.count("\n") == 1
        assert "run the same study again to go on" in said
        kept = store.open_store(tmp_path / "a")
        assert kept.sound() == kept.finished() != kept.spans
        assert bits(study(long_plan(), store=tmp_path / "a")) == long_bits()

    def test_a_full_disk_is_one_clear_message(self, tmp_path):
        resource = pytest.importorskip("resource")
        assert resource.RLIMIT_FSIZE is not None
        process = begin(tmp_path)
        until(process, 12)
        os.kill(process.pid, signal.SIGKILL)
        process.communicate()
        folder = tmp_path / "a.study"
        kept = store.open_store(folder)
        before = {name: (folder / name).read_bytes() for name in chunk_files(folder)}
        size = min(map(len, before.values()))
        process = begin(tmp_path, hold=1000, limit=size // 2)
        _, said = process.communicate(timeout=60)
        assert process.returncode == 1, said
        assert said.count("\n") == 1
        assert "could not be kept" in said
        assert "make room" in said
        assert "run the same study again to go on" in said
        assert {name: (folder / name).read_bytes() for name in before} == before
        assert chunk_files(folder) == sorted(before)
        assert not list(folder.glob(".cases*"))
        assert kept.sound() == kept.finished()
        assert bits(study(long_plan(), store=tmp_path / "a")) == long_bits()
