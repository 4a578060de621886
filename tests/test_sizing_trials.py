"""Candidates on trial: margins and figures that are claimed are found again by other means."""

from __future__ import annotations

import dataclasses
import itertools
import math
from pathlib import Path

import numpy as np
import pytest

import servosim
from servosim.linear.family import LoopFamily
from servosim.sizing.contenders import contender_of, half_of
from servosim.sizing.goals import Goals, goals_of
from servosim.sizing.margin_gains import stage_by_margins
from servosim.sizing.requirement import read_requirement
from servosim.sizing.trials import replay, try_axes
from servosim.sizing.verdicts import Group, constraints_of, figures_of
from servosim.tuning.bench import FIGURES, Outcomes
from servosim.tuning.cases import Case, Place
from servosim.tuning.loop_gains import points_at

PARAMS = Path(__file__).parents[1] / "params"
GOALS = Goals(
    moves=((0.24, 0.39), (0.39, 0.24)),
    travel=0.68,
    half_width=10e-6,
    settling_time=3.2,
    overshoot=8e-6,
    resting_error=9e-6,
    deflection=12e-6,
    hold_time=0.9,
    drift=5e-6,
    gain_margin=2.0,
    phase_margin=math.pi / 4.0,
    chamber_pressure=200e5,
    lowest_pressure=1e5,
)


@pytest.fixture(scope="module")
def demo() -> servosim.Axis:
    """The demonstration axis with four corners."""
    axis = servosim.read_axis(PARAMS / "tube_sheet_table.toml")
    return axis.replace(
        {
            "envelope.temperature": ["40 degC", "40 degC"],
            "envelope.free_air": ["0.5 %", "0.5 %"],
            "window.half_width": GOALS.half_width,
        }
    )


@pytest.fixture(scope="module")
def axes(demo):
    """One that can do it, one with a valve far too small, one that goes beyond its stroke."""
    small = {"valve.rated_flow": "2 L/min", "valve.null_leakage": "0.25 L/min"}
    return [demo, demo.replace(small), demo.replace({"cylinder.stroke": "405 mm"})]


@pytest.fixture(scope="module")
def trials(axes):
    return try_axes(axes, GOALS, workers=2, seed=3)


class TestClaims:
    def test_the_first_keeps_everything(self, trials):
        assert trials[0].feasible, trials[0].missed
        assert trials[0].moves > 0
        names = {one.name for one in trials[0].constraints}
        assert names >= {"settled", "locked", "settling_time", "overshoot", "resting_error",
                         "hold_drift", "thrust_deflection_peak", "pressure_max", "pressure_min",
                         "gain_margin_command", "phase_margin_position"}  # fmt: skip

    def test_margins_hold_on_the_exact_loops(self, trials):
        """All corners and positions of the moves, in loops made anew from the returned axis."""
        axis = trials[0].axis
        family = LoopFamily(axis, points_at(axis, [0.25, 0.29, 0.325, 0.37, 0.4]))
        counts = ~family.meaningless
        for cut, margins in zip(("command", "position"), family.margins(), strict=True):
            assert margins.stable[counts].all()
            gain, phase = margins.gain_margin[counts].min(), margins.phase_margin[counts].min()
            assert gain >= GOALS.gain_margin
            assert phase >= GOALS.phase_margin
            figures = trials[0].figures
            assert gain == pytest.approx(figures[f"gain_margin_{cut}"].worst, rel=0.03)
            assert phase == pytest.approx(figures[f"phase_margin_{cut}"].worst, rel=0.03)

    def test_corners_written_into_the_file_are_among_the_moves(self, trials):
        """The move command in each corner: no figure is worse than the worst that is told."""
        axis = trials[0].axis
        written = [
            axis.replace({"table.workpiece_mass": mass, "supply.pressure": pressure})
            for mass in axis.file.envelope.workpiece_mass
            for pressure in axis.file.envelope.supply_pressure
        ]
        for one in written:
            run = servosim.metrics(servosim.simulate(one))
            for name in ("settling_time", "overshoot", "resting_error", "resting_error_locked",
                         "thrust_deflection_peak", "hold_drift", "pressure_max"):  # fmt: skip
                assert abs(run[name].value) <= trials[0].figures[name].worst * (1.0 + 1e-12), name

    def test_other_noise_and_machines_keep_it_too(self, trials):
        """Machines inside the envelope, other seeds, starts between those that were tried."""
        rng = np.random.default_rng(8)
        axes, moves, seeds = [], [], []
        axis = trials[0].axis
        for k in range(24):
            share = rng.random(3)
            mass, pressure = axis.file.envelope.workpiece_mass, axis.file.envelope.supply_pressure
            made = axis.replace(
                {
                    "table.workpiece_mass": mass.low + share[0] * (mass.high - mass.low),
                    "supply.pressure": pressure.low + share[1] * (pressure.high - pressure.low),
                }
            )
            start, target = (0.25, 0.4) if k % 2 else (0.4, 0.25)
            axes.append(made)
            moves.append(made.plan(start=start + 0.01 * (share[2] - 0.5), target=target))
            seeds.append(900 + k)
        found = servosim.ensemble(axes, moves=moves, seeds=seeds)
        assert (found.metrics["settled"] == 1.0).all()
        assert not np.isnan(found.metrics["lock_time"]).any()
        assert found.metrics["overshoot"].max() <= GOALS.overshoot
        assert np.abs(found.metrics["resting_error_locked"]).max() <= GOALS.half_width

    def test_the_changes_are_those_of_the_axis(self, axes, trials):
        again = axes[0].replace(dict(trials[0].texts))
        assert servosim.diff(again.file, trials[0].axis.file) == []
        for key, value in trials[0].changes.items():
            table, name = key.split(".")
            assert getattr(getattr(trials[0].axis.file, table), name) == value

    def test_what_is_asked_for_is_not_exceeded(self, axes, trials):
        """Of the reference only the deceleration changes, and only downwards."""
        asked, made = axes[0].file.reference, trials[0].axis.file.reference
        assert made.deceleration <= asked.deceleration
        assert (made.velocity, made.acceleration, made.jerk) == (
            asked.velocity, asked.acceleration, asked.jerk)  # fmt: skip


class TestHopeless:
    def test_a_valve_that_is_too_small_does_not_settle_in_time(self, axes, trials):
        """2 L/min at 70 bar give some 15 mm/s: 150 mm take 10 s where 3.2 s are allowed."""
        g = axes[1].parameters.controller.g_plus
        assert 0.15 / g > GOALS.settling_time
        assert not trials[1].feasible
        assert {"settled", "settling_time"} & {one.name for one in trials[1].missed}

    def test_an_axis_that_would_leave_its_stroke_is_given_up_with_the_reason(self, trials):
        assert not trials[2].feasible
        assert "405 mm" in trials[2].reason
        assert trials[2].moves == 0
        assert not all(one.kept for one in trials[2].constraints)

    def test_a_corner_that_is_impossible_is_told(self, demo):
        low = {"envelope.supply_pressure": ["105 bar", "600 bar"]}
        with pytest.raises(servosim.ParameterError):
            demo.replace(low)
        # precharge above the lowest supply pressure of the envelope
        low = {"envelope.supply_pressure": ["90 bar", "150 bar"]}
        (trial,) = try_axes([demo.replace(low)], GOALS)
        assert not trial.feasible
        assert "supply 90 bar" in trial.reason

    def test_margins_that_no_gain_has(self, demo):
        """90 degrees are not to be had with a delay of two milliseconds and a valve of 90 Hz."""
        goals = dataclasses.replace(GOALS, phase_margin=math.radians(89.9), gain_margin=9.9)
        (trial,) = try_axes([demo], goals)
        assert not trial.feasible
        assert trial.moves == 0
        assert "no velocity gain keeps the margins" in trial.reason


class TestWorkers:
    def test_one_thread_gives_the_same(self, axes, trials):
        alone = try_axes(axes, GOALS, workers=1, seed=3)
        for one, other in zip(alone, trials, strict=True):
            assert one.texts == other.texts
            assert one.moves == other.moves
            for name, spread in one.figures.items():
                assert spread.where == other.figures[name].where
                same = (spread.worst, spread.median), (
                    other.figures[name].worst, other.figures[name].median)  # fmt: skip
                np.testing.assert_array_equal(*same)

    def test_broken_off_by_the_keyboard(self, demo):
        """What was the best by then is judged; the others are missing."""

        def stop(stage: str, done: int, total: int) -> None:
            if stage == "search" and done == 2:
                raise KeyboardInterrupt

        found = try_axes([demo, demo.replace({"cylinder.stroke": "405 mm"})], GOALS, progress=stop)
        assert len(found) == 2
        assert found[0] is not None
        assert any("broken off" in note for note in found[0].notes)
        assert found[1].reason

    def test_broken_off_before_anything_is_known(self, demo):
        def stop(stage: str, done: int, total: int) -> None:
            raise KeyboardInterrupt

        assert try_axes([demo], GOALS, progress=stop) == [None]


class TestReplay:
    def test_an_unchanged_machine_gives_the_figures_of_its_own_move(self, trials):
        """One corner that is the file itself: the very numbers of a plain simulation."""
        axis = trials[0].axis
        own = axis.replace(
            {
                "envelope.workpiece_mass": [axis.file.table.workpiece_mass] * 2,
                "envelope.supply_pressure": [axis.file.supply.pressure] * 2,
            }
        )
        goals = dataclasses.replace(GOALS, moves=((0.24, 0.39),))
        found = replay(own, goals, {})
        (way,) = goals.places(own)
        move = own.plan(start=way.start, target=way.target)
        run = servosim.metrics(servosim.simulate(own, move, seed=121))
        for name in ("settling_time", "overshoot", "hold_drift", "thrust_deflection_peak"):
            assert found.figures[name].worst == abs(run[name].value)
        assert found.moves == 1

    def test_gains_stay_while_the_mass_grows(self, trials):
        """Twice the mass on the same oil spring: the loop swings more slowly, margins shrink."""
        axis = trials[0].axis
        heavy = {"table.mass": 2.0 * axis.file.table.mass}
        found = replay(axis, GOALS, heavy)
        assert found.axis.file.controller == axis.file.controller
        before = trials[0].figures["gain_margin_position"].worst
        assert found.figures["gain_margin_position"].worst < before

    def test_the_controller_keeps_its_numbers(self, demo):
        """At a lower pressure the velocity gain falls as its root: the table follows less well."""
        goals = dataclasses.replace(GOALS, moves=((0.24, 0.39),))
        low = {"supply.pressure": "125 bar", "envelope.supply_pressure": ["125 bar", "125 bar"]}
        kept = replay(demo, goals, low).figures["following_error_peak"].worst
        written = replay(demo.replace(low), goals, {}).figures["following_error_peak"].worst
        assert kept > 1.05 * written


class TestMargins:
    @pytest.mark.parametrize("kind", ["load_pressure", "acceleration"])
    def test_the_highest_velocity_gain_is_that_of_the_root_search(self, demo, kind):
        contender = contender_of(0, demo, GOALS)
        stage = stage_by_margins(contender.loops, kind)
        assert stage.velocity_gain > 0.0
        changes = {f"controller.{name}": value for name, value in stage.gains.items()}
        gains = contender.loops.gains(
            {
                "controller.stabilising_feedback": kind,
                "controller.integral_gain": 0.0,
                "controller.overlap_compensation": 0.65,
                "controller.overlap_smoothing": 0.009,
                **changes,
            }
        )
        exact = contender.loops.all.highest_velocity_gain(
            gains, gain_margin=GOALS.gain_margin, phase_margin=GOALS.phase_margin
        )
        assert 0.9 * exact.velocity_gain <= stage.velocity_gain <= 1.001 * exact.velocity_gain

    def test_half_of_the_corners_pairs_every_end_with_every_other(self):
        rows = half_of(16, 0)
        bits = {tuple(k >> n & 1 for n in range(4)) for k in rows}
        assert len(rows) == 8
        for a in range(4):
            for b in range(a):
                assert {(one[a], one[b]) for one in bits} == {(0, 0), (0, 1), (1, 0), (1, 1)}


class TestGoals:
    def test_of_the_demonstration(self):
        requirement = read_requirement(PARAMS / "tube_sheet_requirement.toml")
        goals = goals_of(requirement)
        assert goals.half_width == requirement.accuracy.half_width
        assert goals.gain_margin == requirement.margins.gain_margin
        starts = [0.25, 0.4, 0.432, 0.4]  # 250 mm and then +150, +32, -32 mm
        assert [start for start, _ in goals.moves] == pytest.approx(starts)
        assert goals.moves[-1][1] == pytest.approx(0.25)

    def test_moves_stand_in_the_middle_of_a_longer_stroke(self, demo):
        """700 mm of stroke for 680 mm of travel: 10 mm are left at each end."""
        assert GOALS.begin(demo) == pytest.approx(0.01)
        places = GOALS.places(demo)
        assert places[0].start == pytest.approx(0.25)
        assert GOALS.stretch(demo) == pytest.approx((0.25, 0.4))

    def test_of_many_moves_the_extreme_ones_are_tried(self, demo):
        rng = np.random.default_rng(4)
        stops = [0.1, *rng.uniform(0.1, 0.6, 30), 0.1]
        moves = tuple(itertools.pairwise(stops))
        goals = dataclasses.replace(GOALS, moves=moves)
        places = goals.places(demo)
        assert len(places) <= 9
        assert goals.stretch(demo) == pytest.approx((0.01 + min(stops), 0.01 + max(stops)))
        longest = max(abs(b - a) for a, b in moves)
        assert max(abs(p.target - p.start) for p in places) == pytest.approx(longest)


def _group(whole: bool, delay: float = 0.0, **values: list[float]) -> Group:
    """Return moves of one candidate, one seed a case, from figures by hand."""
    n = len(next(iter(values.values())))
    figures = {name: np.full((1, n, 1), np.nan) for name in FIGURES}
    figures["settled"][:] = figures["pressure_min"][:] = 1.0
    for name, numbers in values.items():
        figures[name] = np.array(numbers).reshape(1, n, 1)
    cases = tuple(Case({"temperature": 300.0 + k}, Place(0.0, 0.1)) for k in range(n))
    outcomes = Outcomes(figures, np.zeros((1, n, 1), dtype=bool), cases, 3.0)
    return Group(outcomes, np.full(n, delay), whole)


class TestVerdicts:
    def test_the_worst_of_all_groups_with_its_case(self):
        short = _group(False, 0.5, settling_time=[1.0, 1.4], overshoot=[1e-6, 0.0])
        whole = _group(True, settling_time=[1.6, 1.8], overshoot=[3e-6, 2e-6])
        figures = figures_of([short, whole])
        assert figures["settling_time"].worst == pytest.approx(1.9)  # 1.4 and 0.5 more
        assert figures["settling_time"].where == short.outcomes.cases[1].words
        assert figures["overshoot"].worst == 3e-6
        assert figures["settling_time"].median == pytest.approx(1.7)

    def test_a_move_that_never_settles_is_worse_than_any_other(self, demo):
        whole = _group(True, settling_time=[1.6, math.nan], settled=[1.0, 0.0],
                       overshoot=[0.0, 0.0])  # fmt: skip
        figures = figures_of([whole])
        assert math.isnan(figures["settling_time"].worst)
        assert figures["settling_time"].where == whole.outcomes.cases[1].words
        found = {one.name: one for one in
                 constraints_of(demo, GOALS, GOALS.demands(demo), [whole], figures)}  # fmt: skip
        assert not found["settled"].kept
        assert not found["settling_time"].kept
        assert found["settled"].value == 0.0

    def test_sizes_count_and_limits_are_the_goals(self, demo):
        whole = _group(True, settling_time=[1.0], overshoot=[0.0], resting_error=[-20e-6],
                       hold_drift=[-6e-6], thrust_deflection_peak=[-3e-6], lock_time=[1.2],
                       pressure_min=[0.5e5], pressure_max=[150e5])  # fmt: skip
        figures = figures_of([whole])
        found = {one.name: one for one in
                 constraints_of(demo, GOALS, GOALS.demands(demo), [whole], figures)}  # fmt: skip
        assert found["resting_error"].slack == pytest.approx(1.0 - 20.0 / 9.0)
        assert found["hold_drift"].slack == pytest.approx(1.0 - 6.0 / 5.0)
        assert found["thrust_deflection_peak"].slack == pytest.approx(0.75)
        assert found["pressure_min"].slack == pytest.approx(-0.5)
        assert found["pressure_max"].slack == pytest.approx(0.25)
        assert found["locked"].kept
