"""Gains by margins: quick margins against searched ones, stages against what they claim."""

from __future__ import annotations

import itertools
import math
from pathlib import Path

import numpy as np
import pytest

import servosim
from servosim.linear.points import condition_points
from servosim.tuning.demands import Demands
from servosim.tuning.loop_gains import Loops, points_alike, points_at
from servosim.tuning.loop_stages import (
    choose_stretch,
    positions_of,
    precise,
    stage_of,
    stretches,
)
from servosim.tuning.quick_margins import QuickMargins

PARAMS = Path(__file__).parents[1] / "params"


@pytest.fixture(scope="module")
def demo() -> servosim.Axis:
    return servosim.read_axis(PARAMS / "tube_sheet_table.toml")


@pytest.fixture(scope="module")
def loops(demo) -> Loops:
    return Loops(demo, Demands().of(demo), points_at(demo, [0.25, 0.35]))


@pytest.fixture(scope="module")
def rig_loops() -> Loops:
    rig = servosim.read_axis(PARAMS / "teaching_rig.toml")
    return Loops(rig, Demands().of(rig), points_at(rig, [0.1]))


def feedback(gain, velocity_gain):
    return {
        "controller.stabilising_feedback": "load_pressure",
        "controller.load_pressure_feedback": gain,
        "controller.high_pass_frequency": 80.0,
        "controller.velocity_gain": velocity_gain,
    }


class TestQuickMargins:
    @pytest.mark.parametrize("velocity_gain", [2.0, 8.0, 14.0])
    def test_they_are_those_of_the_search_to_a_few_per_cent(self, loops, velocity_gain):
        family = loops.all.take(np.arange(0, len(loops.all.points), 7))
        gains = loops.gains(feedback(8e-9, velocity_gain))
        gain, phase = QuickMargins(family)(gains)
        command, position = family.margins(gains, peaks=False)
        exact_gain = np.concatenate([command.gain_margin, position.gain_margin])
        exact_phase = np.concatenate([command.phase_margin, position.phase_margin])
        assert gain == pytest.approx(exact_gain, rel=0.02)
        assert np.abs(phase - exact_phase).max() < math.radians(2.0)

    @pytest.mark.parametrize("velocity_gain", [1.0, 10.0, 30.0, 50.0, 200.0])
    def test_powers_of_the_loop_fade_where_its_eigenvalues_say_so(self, loops, velocity_gain):
        family = loops.few("load_pressure")
        gains = loops.gains(feedback(8e-9, velocity_gain))
        assert QuickMargins(family).stable(gains) == bool(family.stable(gains).all())

    def test_a_continuous_loop(self, rig_loops):
        family = rig_loops.all
        for velocity_gain in (20.0, 2000.0):
            gains = rig_loops.gains({"controller.velocity_gain": velocity_gain})
            assert QuickMargins(family).stable(gains) == bool(family.stable(gains).all())


class TestLoops:
    def test_gains_of_another_kind_do_not_act(self, loops):
        gains = loops.gains({"controller.stabilising_feedback": "none"})
        assert gains["load_pressure_feedback"] == 0.0 == gains["acceleration_feedback"]
        assert gains["velocity_gain"] == loops.axis.file.controller.velocity_gain

    def test_half_the_gain_has_twice_the_gain_margin(self, loops):
        """Without stabilising feedback the loop is proportional to the velocity gain."""
        found = []
        for gain in (1.0, 2.0):
            changes = {
                "controller.stabilising_feedback": "none",
                "controller.velocity_gain": gain,
            }
            found.append({c.name: c.value for c in loops.constraints(changes)})
        for name in ("gain_margin_command", "gain_margin_position"):
            assert found[0][name] == pytest.approx(2.0 * found[1][name], rel=1e-4)

    def test_an_unstable_loop_is_said_to_be_one(self, loops):
        changes = {"controller.stabilising_feedback": "none", "controller.velocity_gain": 60.0}
        worst = min(loops.constraints(changes), key=lambda one: one.slack)
        assert worst.slack < 0.0
        assert worst.where.startswith("unstable")
        assert loops.missing(changes) > 0.0

    def test_the_worst_corner_is_named(self, loops):
        changes = feedback(8e-9, 10.0)
        for one in loops.constraints(changes):
            assert " mm" in one.where

    def test_points_alike_are_the_same_points_of_the_same_axis(self, demo, loops):
        points = loops.all.points[:20]
        for a, b in zip(points_alike(demo, demo, points), points, strict=True):
            assert (a.position, a.condition) == (b.position, b.condition)
            assert a.velocity == pytest.approx(b.velocity, rel=1e-9)
            assert dict(a.corner) == pytest.approx(dict(b.corner))

    def test_points_alike_follow_the_ends_of_another_envelope(self, demo):
        other = demo.replace({"envelope.workpiece_mass": ["0 kg", "900 kg"]})
        heavy = demo.replace({"table.workpiece_mass": 500.0})
        point = condition_points(heavy, 0.3, conditions=["rest"], corner={"workpiece_mass": 500.0})
        found = points_alike(other, demo, point)
        assert found[0].corner["workpiece_mass"] == pytest.approx(900.0)
        assert found[0].axis.file.table.workpiece_mass == pytest.approx(900.0)


class TestStages:
    def test_the_highest_gain_keeps_the_margins_and_a_higher_one_does_not(self, loops):
        stage = stage_of(loops, "load_pressure", 0)
        assert stage.velocity_gain > 5.0
        at = {
            "controller.stabilising_feedback": stage.kind,
            "controller.velocity_gain": stage.velocity_gain,
            **{f"controller.{name}": value for name, value in stage.gains.items()},
        }
        assert all(one.kept for one in loops.constraints(at))
        higher = {**at, "controller.velocity_gain": 1.35 * stage.velocity_gain}
        assert not all(one.kept for one in loops.constraints(higher))

    def test_without_feedback_it_is_what_the_family_finds(self, rig_loops):
        """An independent search for the same number: root by root instead of by population."""
        d = rig_loops.demands
        exact = rig_loops.all.highest_velocity_gain(
            rig_loops.gains({"controller.stabilising_feedback": "none"}),
            gain_margin=d.gain_margin,
            phase_margin=d.phase_margin,
        )
        stage = stage_of(rig_loops, "none", 0)
        assert stage.velocity_gain <= 1.001 * exact.velocity_gain
        assert stage.velocity_gain == pytest.approx(exact.velocity_gain, rel=0.08)

    def test_damping_admits_more_gain(self, loops):
        """Merritt 1967, ch. 6, from memory: Kv < 2 zeta omega; feedback of pressure raises zeta."""
        none = stage_of(loops, "none", 0)
        damped = stage_of(loops, "load_pressure", 0)
        assert damped.velocity_gain > 5.0 * none.velocity_gain

    def test_margins_that_no_gain_has_leave_zero_and_say_why(self, demo):
        greedy = Demands(gain_margin=1e6).of(demo)
        found = stage_of(Loops(demo, greedy, points_at(demo, [0.35])), "none", 0)
        assert found.velocity_gain == 0.0
        assert "gain margin" in found.limited_by


class TestStretch:
    def test_stretches_are_nested_from_the_stroke_to_the_move(self, demo):
        levels = stretches(demo)
        assert levels[0] == (0.0, 0.7)
        assert levels[-1] == pytest.approx((0.25, 0.4))
        for wide, narrow in itertools.pairwise(levels):
            assert wide[0] < narrow[0] < narrow[1] < wide[1]

    def test_ends_of_all_stretches_are_positions(self, demo):
        levels = stretches(demo)
        found = positions_of(levels, 5)
        assert {round(x, 9) for pair in levels for x in pair} <= set(found)

    def test_a_stretch_that_is_demanded_stays(self, demo):
        demands = Demands(stroke=(0.3, 0.35), stabilising_feedback=("load_pressure",)).of(demo)
        loops = Loops(demo, demands, points_at(demo, [0.3, 0.35]))
        kept, stages, looked = choose_stretch(loops, demands, 0)
        assert kept.stroke == (0.3, 0.35)
        assert [one.kind for one in stages] == ["load_pressure"]
        assert len(looked) == 1

    def test_precision_asks_for_gain(self, demo):
        """g u/w by hand: the velocity gain times what the null strays, over the window."""
        v, e = demo.file.valve, demo.file.envelope
        stray = 0.5 * (
            v.null_shift_temperature * (e.temperature.high - e.temperature.low)
            + v.null_shift_pressure * (e.supply_pressure.high - e.supply_pressure.low)
            + v.hysteresis
            + v.threshold
        )
        p = demo.parameters.controller
        assert precise(demo) == pytest.approx(p.g_plus * stray / 5e-6)
