"""The whole of tuning with little effort: what it claims is simulated anew, on other machines."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

import servosim
from servosim.errors import ParameterError
from servosim.tuning.demands import Demands, Effort
from servosim.tuning.hardware import options_of
from servosim.tuning.run import tune

PARAMS = Path(__file__).parents[1] / "params"
LITTLE = Effort(
    population=6, generations=2, cases=4, seeds=2, rounds=2, trade_off=3, hardware=1, positions=2
)
STROKE = (0.05, 0.15)


@pytest.fixture(scope="module")
def rig() -> servosim.Axis:
    return servosim.read_axis(PARAMS / "teaching_rig.toml")


@pytest.fixture(scope="module")
def tuned(rig):
    return tune(rig, demands=Demands(stroke=STROKE), effort=LITTLE)


class TestPromise:
    def test_the_rig_is_tuned(self, tuned):
        assert tuned.feasible
        assert tuned.failures == ()
        assert tuned.after.feasible
        assert all(one.kept for one in tuned.after.constraints)

    def test_it_is_quicker_than_the_file(self, tuned):
        before, after = (a.figures["settling_time"].worst for a in (tuned.before, tuned.after))
        assert after < before

    def test_it_settles_on_other_masses_and_positions(self, tuned):
        """Moves that the tuning has not made: other workpieces, oil, pressure and places."""
        rng = np.random.default_rng(5)
        axes = []
        for _ in range(12):
            share = rng.random(4)
            axes.append(
                tuned.axis.replace(
                    {
                        "table.workpiece_mass": 20.0 * share[0],
                        "oil.temperature": 293.15 + 25.0 * share[1],
                        "supply.pressure": 50e5 + 20e5 * share[2],
                        "move.start": 0.05 + 0.02 * share[3],
                        "move.target": 0.13 + 0.02 * share[3],
                    }
                )
            )
        found = servosim.ensemble(axes)
        assert (found.metrics["settled"] == 1.0).all()
        assert found.metrics["overshoot"].max() <= 5e-6
        assert found.metrics["settling_time"].max() <= tuned.after.figures["settling_time"].worst

    def test_the_margins_are_those_of_the_written_file(self, tuned, tmp_path):
        from servosim.linear.family import LoopFamily
        from servosim.tuning.loop_gains import points_at

        path = tmp_path / "tuned.toml"
        tuned.write(path)
        axis = servosim.read_axis(path)
        family = LoopFamily(axis, points_at(axis, STROKE))
        command, position = family.margins()
        assert min(command.gain_margin.min(), position.gain_margin.min()) >= 1.9952
        assert min(command.phase_margin.min(), position.phase_margin.min()) >= math.pi / 4.0

    def test_the_file_runs_unchanged_and_is_the_axis(self, tuned, tmp_path):
        path = tmp_path / "tuned.toml"
        tuned.write(path)
        axis = servosim.read_axis(path)
        assert servosim.diff(axis.file, tuned.axis.file) == []
        assert servosim.simulate(axis).status == servosim.Status.COMPLETE
        assert "# Small rig for the classroom" in path.read_text()
        for key, value in tuned.changes.items():
            table, name = key.split(".")
            assert getattr(getattr(axis.file, table), name) == value


class TestResult:
    def test_json(self, tuned):
        found = json.loads(json.dumps(tuned.as_dict(), allow_nan=False))
        assert found["feasible"] is True
        assert found["sheet"][0]["order"] == 1
        assert found["text"] == tuned.text()
        assert found["after"]["constraints"][0]["kept"] is True

    def test_sheet_trade_off_diagnosis_and_cautions_are_there(self, tuned):
        assert {row.key for row in tuned.sheet} >= set(tuned.changes)
        assert all(row.limited_by for row in tuned.sheet if row.key in tuned.changes)
        gains = [point.velocity_gain for point in tuned.trade_off]
        assert gains == sorted(gains)
        chosen = [point for point in tuned.trade_off if point.chosen]
        assert len(chosen) == 1
        assert chosen[0].velocity_gain == tuned.changes["controller.velocity_gain"]
        margins = [point.gain_margin for point in tuned.trade_off]
        assert margins == sorted(margins, reverse=True)  # more gain, less margin
        assert tuned.diagnosis.sentences
        assert any("isolate the supply" in caution for caution in tuned.cautions)

    def test_changes_of_hardware_are_ranked(self, tuned):
        found = tuned.diagnosis.changes
        assert {one.name for one in found} == {one.name for one in options_of(tuned.original)}
        ranks = [(one.violation, one.settling_time) for one in found if one.settling_time > 0.0]
        assert ranks == sorted(ranks)

    def test_margins_along_the_stroke(self, tuned):
        places = [point.position for point in tuned.along_stroke]
        assert places == sorted(places)
        assert places[0] == pytest.approx(STROKE[0])

    def test_moves_are_counted(self, tuned):
        assert tuned.moves > tuned.before.moves + tuned.after.moves > 0


class TestRepeated:
    def test_the_same_seed_gives_the_same_whatever_the_workers(self, rig, tuned):
        few = Effort(**{**vars(LITTLE), "hardware": 0, "trade_off": 0})
        again = tune(rig, demands=Demands(stroke=STROKE), effort=few, workers=2)
        assert again.changes == tuned.changes
        assert again.after == tuned.after


class TestBad:
    def test_margins_that_no_gain_has(self, rig):
        few = Effort(**{**vars(LITTLE), "hardware": 0, "trade_off": 0})
        found = tune(rig, demands=Demands(stroke=STROKE, gain_margin=1e4), effort=few)
        assert not found.feasible
        assert any("gain margin" in one and "at least 80 dB" in one for one in found.failures)
        assert all(stage.velocity_gain == 0.0 for stage in found.loops)
        found.text()

    def test_an_overshoot_of_nothing_on_a_noisy_axis(self):
        demo = servosim.read_axis(PARAMS / "tube_sheet_table.toml")
        few = Effort(**{**vars(LITTLE), "hardware": 0, "trade_off": 0, "rounds": 1, "cases": 4})
        demands = Demands(
            overshoot=0.0, stroke=(0.25, 0.4), stabilising_feedback=("load_pressure",)
        )
        found = tune(demo, demands=demands, effort=few)
        assert not found.feasible
        failure = next(one for one in found.failures if one.startswith("overshoot"))
        assert "must be at most 0 um" in failure
        assert "workpiece" in failure

    def test_an_envelope_that_contradicts_itself(self, rig):
        few = Effort(**{**vars(LITTLE), "hardware": 0, "trade_off": 0})
        broken = rig.replace(
            {"envelope.supply_pressure": ["0.5 bar", "60 bar"], "supply.return_pressure": "2 bar"}
        )
        found = tune(broken, demands=Demands(stroke=STROKE), effort=few)
        assert not found.feasible
        assert "the envelope contradicts itself" in found.failures[0]
        assert "supply 0.5 bar" in found.failures[0]
        assert found.changes

    def test_options_that_cannot_be_meant(self, rig):
        with pytest.raises(ParameterError, match="workers"):
            tune(rig, workers=0)
        with pytest.raises(ParameterError, match="seed"):
            tune(rig, seed=-1)
        with pytest.raises(ParameterError, match="phase_margin"):
            tune(rig, demands=Demands(phase_margin=2.0))


class TestInterrupted:
    def _stopping(self, stage, count):
        seen = []

        def tell(name, done, total):
            seen.append(name)
            if seen.count(stage) >= count:
                raise KeyboardInterrupt

        return tell

    def test_before_anything_is_known_it_goes_through(self, rig):
        with pytest.raises(KeyboardInterrupt):
            tune(rig, effort=LITTLE, progress=self._stopping("margins", 1))

    def test_later_the_best_so_far_is_returned(self, rig):
        found = tune(
            rig,
            demands=Demands(stroke=STROKE),
            effort=Effort(**{**vars(LITTLE), "rounds": 1}),
            progress=self._stopping("hardware", 1),
        )
        assert found.interrupted
        assert found.changes
        assert any("broken off" in note for note in found.notes)
