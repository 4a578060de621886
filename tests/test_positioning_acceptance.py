"""The positioning test on virtual machines, against closed forms and other ways to run it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize, stats

import servosim
from servosim import _sequence as sequence
from servosim.positioning import acceptance as module
from servosim.positioning.acceptance import Acceptance, run_acceptance
from servosim.positioning.approaches import (
    approach_distance,
    approaches_of,
    cycle_of,
    stop_times,
)
from servosim.positioning.deviations import Deviations
from servosim.positioning.evaluation import evaluate
from servosim.positioning.machines import (
    Machine,
    changes_of_machine,
    machine_of,
    unknowns_of,
    with_controller,
)
from servosim.positioning.population import passing_of, population, simulated
from servosim.positioning.scatter import Conditions, changes_of, oil_temperatures, stops_of
from servosim.positioning.standard_cycle import standard_cycle

RIG, DEMO = "params/teaching_rig.toml", "params/tube_sheet_table.toml"
STILL = Conditions(supply="file", oil="file", unknowns="file")  # every run like the other
OPEN = {"lock.kind": "none", "lock.brake": "none", "thrust.mode": "none"}


def rig(**more):
    """The rig by hand: ideal supply, no hysteresis, no noise, friction that cannot stick."""
    return servosim.read_axis(RIG, {key.replace("__", "."): text for key, text in more.items()})


def velocity_gain(axis):
    """Velocity of the rig over command, from its rating: q = K x sqrt(dp), both lands in series."""
    area = math.pi / 4.0 * (0.025**2 - 0.016**2)
    K = (5e-3 / 60.0) / math.sqrt(0.5 * 70e5)
    return K * math.sqrt(0.5 * axis.file.supply.pressure) / area


def deviations(axis, conditions=STILL, reading="unlocked", **options):
    found = run_acceptance(axis, machines=1, conditions=conditions, **options)
    (one,) = found.tested
    assert one.missing[reading] == 0
    return found, one.deviations[reading]


class TestLimits:
    def test_without_any_cause_nothing_deviates(self):
        _, test = deviations(rig())
        figures = evaluate(test).symbols
        assert figures["R+"] == figures["R-"] == 0.0
        assert figures["R"] < 2e-9 and figures["E"] < 2e-9  # it creeps in without end

    def test_growth_of_the_scale(self):
        """The reading is x (1 - alpha dT), so the table stands at the target over that."""
        axis = rig(
            transducer__scale_temperature="32 degC", transducer__scale_expansion="11.5 um/m/K"
        )
        _, test = deviations(axis)
        figures = evaluate(test).symbols
        span = test.targets[-1] - test.targets[0]
        growth = 1.0 / (1.0 - 11.5e-6 * 12.0) - 1.0
        assert figures["E"] == pytest.approx(span * growth, abs=1e-9)
        assert figures["R+"] == figures["R-"] == 0.0
        expected = np.repeat(test.targets[:, None] * growth, 5, axis=1)
        np.testing.assert_allclose(test.positive, expected, atol=1e-9)

    def test_null_bias_through_the_velocity_gain(self):
        """At rest the spool is centred, u = -u0, so the loop needs the error -u0 g/Kv."""
        axis = rig(valve__null_bias="0.4 %")
        _, test = deviations(axis)
        expected = 0.004 * velocity_gain(axis) / 20.0
        assert expected > 20e-6
        np.testing.assert_allclose(test.positive, expected, rtol=2e-3)
        np.testing.assert_allclose(test.negative, expected, rtol=2e-3)
        assert evaluate(test).symbols["E"] < 1e-3 * expected

    def test_resolution(self):
        """The table stops as the rounded reading meets the target: half a step before, from both
        sides, less what it goes on in the loop's delay.
        """
        step = 10e-6
        axis = rig(
            transducer__resolution="10 um", controller__kind="sampled",
            controller__computing_delay="1 ms",
        )  # fmt: skip
        targets = np.array([20e-3, 60e-3, 100e-3, 140e-3, 180e-3])
        _, test = deviations(axis, targets=targets, runs=2)
        late = 20.0 * step * 12e-3  # creep over delay, hold, spool and lag of the scale
        assert np.all((test.positive > -0.5 * step) & (test.positive < -0.5 * step + late))
        assert np.all((test.negative < 0.5 * step) & (test.negative > 0.5 * step - late))
        figures = evaluate(test).symbols
        assert step - 2.0 * late < figures["B"] < step
        assert figures["R+"] == figures["R-"] == 0.0

    def test_cyclic_error_of_each_machine(self):
        """The table stands where position and cyclic error give the target, at the phase drawn."""
        axis = rig(transducer__cyclic_error="2 um", transducer__cyclic_period="1 mm")
        targets = 0.02 + np.arange(4) * 0.03025
        conditions = Conditions(supply="file", oil="file")
        found = run_acceptance(
            axis, machines=3, targets=targets, runs=2, conditions=conditions, seed=4
        )
        phases = [one.machine.drawn["transducer.cyclic_phase"] for one in found.tested]
        assert np.ptp(phases) > 0.3
        for one, phase in zip(found.tested, phases, strict=True):
            for x, row in zip(targets, one.deviations["unlocked"].positive, strict=True):

                def off(e, x=x, phase=phase):
                    return e + 2e-6 * math.sin(2.0 * math.pi * (x + e) / 1e-3 + phase)

                expected = optimize.brentq(off, -3e-6, 3e-6)
                np.testing.assert_allclose(row, expected, atol=5e-9)

    def test_null_that_shifts_as_the_oil_warms(self):
        """Five minutes at each target: the moves hardly count in the time."""
        axis = rig(valve__null_shift_temperature="0.02 %/K")
        conditions = replace(STILL, oil="warming", pause=300.0)
        found, test = deviations(axis, conditions, targets=[0.03, 0.1, 0.17], runs=3)
        tau = 40e3 / 10.0
        order = [1, 2, 3, 6, 5, 4]  # minutes of a run: up, and down again
        unit = 2e-4 * velocity_gain(axis) / 20.0  # m for each kelvin
        expected = np.empty((2, 3, 3))
        for run in range(3):
            for place, k in enumerate(order):
                t = 303.0 * (6 * run + k)
                oil = 45.0 - 25.0 * math.exp(-t / tau)
                expected[place // 3, place % 3, run] = unit * (oil - 40.0)
        size = np.abs(expected).max()
        np.testing.assert_allclose(test.positive, expected[0], atol=0.02 * size)
        np.testing.assert_allclose(test.negative, expected[1], atol=0.02 * size)
        s = np.std(expected, axis=2, ddof=1).max()
        figures = evaluate(test).symbols
        assert max(figures["R+"], figures["R-"]) == pytest.approx(4.0 * s, rel=0.03)
        assert found.oil[0] == pytest.approx(293.15 + 25.0 * 303.0 / tau, abs=0.2)

    def test_null_that_shifts_with_the_supply(self):
        """Evenly drawn from 50 to 70 bar: standard deviation 20 bar/sqrt(12)."""
        axis = rig(valve__null_shift_pressure="0.02 %/bar")
        conditions = replace(STILL, supply="stop")
        found = run_acceptance(axis, machines=8, conditions=conditions)
        every = np.concatenate(
            [one.deviations["unlocked"].positive.ravel() for one in found.tested]
            + [one.deviations["unlocked"].negative.ravel() for one in found.tested]
        )
        unit = 2e-4 * velocity_gain(axis) / 20.0  # m for each bar; the gain's numbers stay
        assert np.std(every) == pytest.approx(unit * 20.0 / math.sqrt(12.0), rel=0.1)
        pressures = stats.uniform(-10.0 * unit, 20.0 * unit)
        assert stats.kstest(every, pressures.cdf).pvalue > 0.01
        assert np.abs(every).max() < 10.03 * unit
        assert np.abs(every).max() > 9.5 * unit

    def test_warming_of_the_scale(self):
        axis = rig(transducer__scale_expansion="11.5 um/m/K")
        conditions = replace(STILL, scale_warming=2.0)
        _, test = deviations(axis, conditions)
        last = test.negative[0, -1]  # the last target of the test
        assert last == pytest.approx(test.targets[0] * 11.5e-6 * 2.0, rel=0.01)
        first = test.positive[0, 0]
        assert 0.0 < first < 0.05 * last

    def test_friction_that_varies_is_an_option(self):
        """Dry friction through the pressure gain: with none varying all runs are alike."""
        axis = servosim.read_axis(DEMO, {
            "transducer.noise": "0 um", "transducer.pressure_noise": "0 bar",
            "transducer.resolution": "0 um", "transducer.pressure_resolution": "0 bar",
        }).replace(OPEN)  # fmt: skip
        _, same = deviations(axis, runs=2)
        assert evaluate(same).symbols["R+"] < 1e-9
        _, other = deviations(axis, replace(STILL, friction_variation=0.2), runs=2)
        assert evaluate(other).symbols["R+"] > 20e-9


class TestShortMoves:
    """Moves that start near their target, over the whole way, and from where the last one ended."""

    SEEDS, CHAINS = 20, 10

    @pytest.fixture
    def base(self):
        return servosim.read_axis(DEMO).replace(OPEN)

    @pytest.fixture
    def cycle(self, base):
        return cycle_of(base, runs=2)

    @pytest.fixture
    def short(self, base, cycle):
        return self.errors(base, cycle, False, 0)

    def errors(self, base, cycle, whole, begin):
        ways = approaches_of(base, cycle, whole=whole)
        seeds = range(begin, begin + self.SEEDS * len(ways.moves))
        moves = list(ways.moves) * self.SEEDS
        found = servosim.ensemble([base] * len(moves), moves=moves, seeds=seeds, workers=2)
        errors = found.metrics["resting_error"].reshape(self.SEEDS, 2, -1)
        return np.concatenate(list(errors.transpose(1, 0, 2)))  # both runs are alike

    def agree(self, a, b):
        gap = a.mean(axis=0) - b.mean(axis=0)
        noise = np.sqrt(a.var(axis=0, ddof=1) / len(a) + b.var(axis=0, ddof=1) / len(b))
        assert np.all(np.abs(gap) < 4.0 * noise), (gap, noise)
        assert np.all(noise < 0.1e-6)  # a difference of 0.4 um would have shown
        assert np.std(a) == pytest.approx(np.std(b), rel=0.35)

    def test_are_shorter(self, base, cycle):
        ways = approaches_of(base, cycle)
        lengths = [abs(move.target - move.start) for move in ways.moves]
        assert max(lengths) == pytest.approx(approach_distance(base))
        whole = [
            abs(one.target - one.start) for one in approaches_of(base, cycle, whole=True).moves
        ]
        assert max(whole) > 2.0 * max(lengths)
        # the outer targets are approached from where the table turns
        assert min(lengths) == pytest.approx(min(whole)) == pytest.approx(cycle.overrun)

    def test_the_velocity_is_reached_before_it_brakes(self, base, cycle):
        move = approaches_of(base, cycle).moves[2]
        run = servosim.simulate(base, move)
        speed = np.abs(run.state("table_velocity"))
        assert speed.max() == pytest.approx(base.file.reference.velocity, rel=0.02)
        assert np.count_nonzero(speed > 0.97 * speed.max()) * 1e-3 > 5.0 / 22.0

    def test_whole_way(self, base, cycle, short):
        self.agree(short, self.errors(base, cycle, True, 10_000))

    def test_from_the_stop_before(self, base, cycle, short):
        """Pressures, plays, bristles, filters: all as the stop before has left them."""
        ways = approaches_of(base, cycle, whole=True)
        errors = []
        for chain in range(self.CHAINS):
            standing, row = None, []
            turns = iter(ways.moves)
            before = cycle.stops[0].position
            for k, stop in enumerate(cycle.stops[1:], 1):
                if stop.target >= 0:
                    move = next(turns)
                else:
                    plan = base.plan(start=before, target=stop.position)
                    move = plan._replace(duration=ways.moves[0].duration)
                before = stop.position
                seed = 50_000 + 100 * chain + k
                run = servosim.simulate(
                    base, move._replace(hold_time=60.0), seed=seed, begin_from=standing,
                    goes_on=True,
                )  # fmt: skip
                standing = self.freed(run.standing)
                if stop.target >= 0:
                    row.append(move.target - run.state("table_position")[-20:].mean())
            errors += [row[: len(row) // 2], row[len(row) // 2 :]]
        self.agree(short, np.array(errors))

    def freed(self, standing):
        memory = standing.memory.copy()
        memory[sequence.PHASE] = sequence.FREE
        for place in (sequence.T_INSIDE, sequence.T_CLOSE, sequence.T_LOCKED, sequence.T_OPEN,
                      sequence.T_FREE, sequence.T_MATCH):  # fmt: skip
            memory[place] = np.nan
        for place in (sequence.MATCH, sequence.BLOCKED, sequence.TAKEN_OVER):
            memory[place] = 0.0
        return servosim.result.Standing(standing.state, memory)


class TestMachines:
    def test_same_bits_with_other_workers_and_alone(self):
        axis = servosim.read_axis(DEMO)
        crowd = run_acceptance(axis, machines=3, runs=2, seed=5, workers=2)
        alone = run_acceptance(axis, machines=[2], runs=2, seed=5)
        for reading in ("unlocked", "locked"):
            for side in ("positive", "negative"):
                a = getattr(crowd.tested[2].deviations[reading], side)
                b = getattr(alone.tested[0].deviations[reading], side)
                np.testing.assert_array_equal(a, b)
        assert crowd.tested[2].machine == alone.tested[0].machine
        first = crowd.tested[0].deviations["unlocked"].positive
        assert not np.any(first == crowd.tested[2].deviations["unlocked"].positive)

    def test_a_stop_is_a_move_of_the_machine(self):
        """One stop again by the single run, put together from the file by hand."""
        axis = servosim.read_axis(DEMO)
        conditions = Conditions()
        found = run_acceptance(axis, machines=[4], runs=2, seed=1, conditions=conditions)
        (one,) = found.tested
        cycle = found.cycle
        k = next(
            k for k, s in enumerate(cycle.stops) if (s.target, s.direction, s.run) == (2, "-", 2)
        )
        times = stop_times(axis, cycle, 5.0)
        stops = stops_of(axis, cycle, times, conditions, 1, 4, axis.file.supply.pressure)
        drawn = one.machine.drawn
        changes = {
            **drawn,
            "oil.temperature": stops.oil[k],
            "supply.pressure": stops.supply[k],
            "thrust.mode": "none",
        }
        # the trim stays as far from the bias as the file's is: 0.3 % and -0.375 %
        changes["controller.null_trim"] = -0.00075 - drawn["valve.null_bias"]
        made = with_controller(axis.replace(changes), axis)
        for gain in ("g_plus", "g_minus", "K_v"):
            assert getattr(made.parameters.controller, gain) == getattr(
                axis.parameters.controller, gain
            )
        assert made.parameters.controller.trim == changes["controller.null_trim"]
        ways = approaches_of(made, cycle)
        move = ways.moves[ways.places.index(k)]
        run = servosim.simulate(made, move, seed=int(stops.seeds[k]))
        expected = -servosim.metrics(run)["resting_error_locked"].value
        assert one.deviations["locked"].negative[2, 1] == pytest.approx(expected, abs=1e-12)

    def test_draws_are_even_between_the_ends_of_the_file(self):
        axis = servosim.read_axis(DEMO)
        conditions = Conditions(supply="machine")
        machines = [machine_of(axis, conditions, 9, k).drawn for k in range(400)]
        ends = {
            "table.workpiece_mass": (0.0, 500.0),
            "oil.free_air": (0.003, 0.01),
            "valve.null_bias": (-0.003, 0.003),
            "transducer.cyclic_phase": (-math.pi, math.pi),
            "supply.pressure": (130e5, 150e5),
        }
        assert {one.key: (one.low, one.high) for one in unknowns_of(axis, conditions)} == {
            key: pytest.approx(pair) for key, pair in ends.items()
        }
        for key, (low, high) in ends.items():
            values = np.array([one[key] for one in machines])
            assert stats.kstest(values, stats.uniform(low, high - low).cdf).pvalue > 1e-3, key
        assert abs(np.corrcoef([list(one.values()) for one in machines], rowvar=False)
                   - np.eye(5)).max() < 0.2  # fmt: skip

    def test_what_is_not_drawn_changes_no_other_draw(self):
        axis = servosim.read_axis(DEMO)
        all_of_them = machine_of(axis, Conditions(), 0, 3).drawn
        fewer = machine_of(axis.replace({"valve.null_bias": 0.0}), Conditions(), 0, 3).drawn
        assert "valve.null_bias" not in fewer
        assert dict(fewer) == {k: v for k, v in all_of_them.items() if k != "valve.null_bias"}
        assert not machine_of(axis, Conditions(unknowns="file"), 0, 3).drawn

    def test_trim(self):
        axis = servosim.read_axis(DEMO)
        machine = Machine(0, {"valve.null_bias": -0.001})
        anew = changes_of_machine(axis, machine, Conditions())
        assert anew["controller.null_trim"] == pytest.approx(-0.00375 + 0.004)
        kept = changes_of_machine(axis, machine, Conditions(trim="file"))
        assert "controller.null_trim" not in kept
        without = axis.replace({"controller.null_trim": 0.0})
        assert "controller.null_trim" not in changes_of_machine(without, machine, Conditions())

    def test_conditions_of_the_stops(self):
        axis = servosim.read_axis(DEMO)
        cycle = cycle_of(axis)
        times = stop_times(axis, cycle, 5.0)
        assert len(times) == 60 and np.all(np.diff(times) > 0.0)
        conditions = Conditions(friction_variation=0.1, scale_warming=3.0, warm_up=600.0)
        stops = stops_of(axis, cycle, times, conditions, 0, 0, 1.4e7)
        assert len(set(stops.seeds.tolist())) == 60
        assert stops.supply.min() >= 130e5 and stops.supply.max() <= 150e5
        assert 0.9 <= stops.friction.min() < 0.92 and 1.08 < stops.friction.max() <= 1.1
        assert stops.scale[-1] == pytest.approx(296.15)
        assert stops.oil[0] == pytest.approx(323.15 - 25.0 * math.exp(-(600.0 + times[0]) / 3000.0))
        changes = changes_of(axis, stops, 7, conditions)
        assert changes["cylinder.seal_friction"] == pytest.approx(250.0 * stops.friction[7])
        assert changes["table.static_coefficient"] == pytest.approx(0.07 * stops.friction[7])
        still = stops_of(axis, cycle, times, STILL, 0, 0, axis.file.supply.pressure)
        assert changes_of(axis, still, 7, STILL) == {}
        assert np.all(still.seeds == stops.seeds)

    def test_oil_without_cooling_stays_cold(self):
        axis = servosim.read_axis(DEMO, {"supply.cooling": "0 W/K"})
        oil = oil_temperatures(axis, np.array([0.0, 1e4]), Conditions())
        assert oil.tolist() == [298.15, 298.15]

    def test_an_interruption_keeps_the_machines_that_are_done(self, monkeypatch):
        monkeypatch.setattr(module, "_ONCE", 20)  # one machine at a time
        seen = []

        def stop(done, total):
            seen.append((done, total))
            if done > 45:
                raise KeyboardInterrupt

        found = run_acceptance(rig(), machines=9, runs=2, conditions=STILL, progress=stop)
        assert found.interrupted and [one.machine.number for one in found.tested] == [0, 1]
        assert len(found.asked) == 9 and found.moves == 40
        assert seen[0][1] == 9 * 20

        def at_once(done, total):
            raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            run_acceptance(rig(), machines=2, runs=2, conditions=STILL, progress=at_once)

    def test_a_long_axis_is_approached_once(self):
        axis = servosim.read_axis("params/screw_table.toml").replace(OPEN)
        found = run_acceptance(axis, machines=1, targets=[0.3, 1.4, 2.6])
        assert found.cycle.runs == 1 and found.moves == 6
        people = population(found, "unlocked", tolerances={"A": 1e-3, "E": 1e-3})
        assert np.isnan(people.figures["A"]).all() and people.figures["E"][0] > 0.0
        assert people.passing is None and people.each["E"].passed == 1
        assert simulated(found, name="x", tolerances={"A": 1e-3}).met is None
        assert simulated(found, name="x", tolerances={"E": 1e-3}).met is True


class TestPopulation:
    @pytest.fixture
    def acceptance(self):
        """Four machines by hand, with A of 8, 4, 12 um and one with a stop missing."""
        targets = np.array([0.1, 0.2])
        tested = []
        for k, size in enumerate((8e-6, 4e-6, 12e-6, 2e-6)):
            up = np.array([[0.0, 0.0, 0.0], [size, size, size]])
            if k == 3:
                up[0, 1] = np.nan
            one = Deviations(targets, up, np.zeros((2, 3)) + 0.5 * size)
            tested.append(
                module.Tested(
                    Machine(k, {}), {"unlocked": one}, {"unlocked": int(k == 3)}, 0, {}, ""
                )
            )
        return Acceptance(
            servosim.read_axis(RIG), standard_cycle(targets, runs=3), Conditions(), 7,
            (0, 1, 2, 3), tuple(tested), ("unlocked",), 60.0, (290.0, 300.0), 48,
        )  # fmt: skip

    def test_figures_and_order(self, acceptance):
        people = population(acceptance, "unlocked", tolerances={"A": 9e-6})
        np.testing.assert_allclose(people.figures["A"][:3], [8e-6, 4e-6, 12e-6])
        np.testing.assert_allclose(people.figures["B"][:3], [4e-6, 2e-6, 6e-6])
        assert np.isnan(people.figures["A"][3])
        assert people.order.tolist() == [1, 0, 2, 3]
        assert (people.median, people.worst) == (0, 3)
        low, middle, high = people.percentiles("A")
        assert middle == pytest.approx(8e-6)
        assert (low, high) == (pytest.approx(4.2e-6), pytest.approx(11.8e-6))

    def test_share_of_machines(self, acceptance):
        """Two of four; Wilson by hand: (p + z2/2n +- z sqrt(p(1-p)/n + z2/4n2))/(1 + z2/n)."""
        people = population(acceptance, "unlocked", tolerances={"A": 9e-6, "B": 5e-6})
        assert (people.passing.passed, people.passing.machines) == (2, 4)
        z2 = stats.norm.ppf(0.975) ** 2
        half = math.sqrt(z2 * (0.25 / 4 + z2 / 64)) / (1 + z2 / 4)
        assert people.passing.low == pytest.approx(0.5 - half)
        assert people.passing.high == pytest.approx(0.5 + half)
        assert people.each["A"].passed == people.each["B"].passed == 2
        strict = population(acceptance, "unlocked", tolerances={"A": 9e-6, "B": 3e-6})
        assert strict.passing.passed == 1 and strict.each["A"].passed == 2

    def test_a_tolerance_that_is_just_kept(self, acceptance):
        assert population(acceptance, "unlocked", tolerances={"A": 8e-6}).passing.passed == 2

    def test_verdict(self, acceptance):
        found = simulated(acceptance, name="n", tolerances={"A": 9e-6})
        assert found.met is False and found.doubtful is False  # 50 %, at most 85 %
        found = simulated(acceptance, name="n", tolerances={"A": 9e-6}, least_share=0.4)
        assert found.met is True and found.doubtful is True
        assert found.median.evaluation.symbols["A"] == pytest.approx(8e-6)
        assert not simulated(acceptance, name="n").given

    def test_all_pass(self):
        one = passing_of(np.ones(50, dtype=bool))
        z2 = stats.norm.ppf(0.975) ** 2
        assert (one.share, one.high) == (1.0, 1.0)
        assert one.low == pytest.approx(1.0 / (1.0 + z2 / 50))

    def test_nothing_to_evaluate(self, acceptance):
        none = replace(acceptance, tested=acceptance.tested[3:])
        with pytest.raises(servosim.SimulationError, match="1 of 12 stops gave no position"):
            simulated(none, name="n")

    def test_a_reading_that_is_not_taken(self, acceptance):
        with pytest.raises(servosim.ParameterError, match="'locked' is not read on this axis"):
            population(acceptance, "locked")


class TestFaults:
    @pytest.mark.parametrize(
        ("options", "words"),
        [
            ({"machines": 0}, "machines: 0; expected one machine"),
            ({"machines": [-1]}, "expected one machine at least, from 0"),
            ({"runs": 1}, "runs: a single run has no standard deviation"),
            ({"low": -0.01}, "low end: is -10 mm; expected 0 mm to 200 mm"),
            ({"high": 0.3}, "high end: is 300 mm"),
            ({"low": 0.15, "high": 0.05}, "measured length"),
            ({"targets": [0.05, 0.2]}, "from 50 mm to 200 mm; expected targets clear of both ends"),
            ({"targets": []}, "targets: none"),
            ({"targets": [0.1, 0.05]}, "targets: do not ascend"),
            ({"targets": 1}, "number of targets: is 1"),
        ],
    )
    def test_refused(self, options, words):
        with pytest.raises(servosim.ParameterError, match=words):
            run_acceptance(rig(), **options)

    @pytest.mark.parametrize(
        ("stated", "words"),
        [
            ({"supply": "often"}, "supply: 'often' is not known; expected one of stop, machine"),
            ({"oil": ""}, "oil: '' is not known"),
            ({"unknowns": 3}, "unknowns: 3 is not known"),
            ({"trim": "no"}, "trim: 'no' is not known"),
            ({"pause": -1.0}, "pause: is -1 s; expected 0 s or more"),
            ({"warm_up": math.nan}, "warm_up: is nan s"),
            ({"friction_variation": 1.0}, "friction_variation: is 1; expected 0 to 0.95"),
            ({"scale_warming": 80.0}, "scale_warming: is 80 K; expected -50 to 50 K"),
        ],
    )
    def test_conditions(self, stated, words):
        with pytest.raises(servosim.ParameterError, match=words):
            Conditions(**stated)

    def test_an_envelope_that_contradicts_the_file(self):
        axis = servosim.read_axis(DEMO)
        wide = axis.replace({"envelope.supply_pressure": [13e6, 20e6]})  # relief opens at 160 bar
        with pytest.raises(servosim.ParameterError, match="the envelope contradicts itself"):
            run_acceptance(wide, machines=1)
        assert run_acceptance(wide, machines=1, runs=2, conditions=STILL).tested
