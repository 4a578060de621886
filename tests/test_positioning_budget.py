"""The error budget: closed forms against simulation in their limits, sums against analysis."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import numpy as np
import pytest

from servosim.axis import read_axis
from servosim.components.valve_rating import null_pressure_gain
from servosim.errors import ParameterError
from servosim.linear.closed_forms import load_signal, null_drift_error, repeatable_error
from servosim.positioning.approaches import cycle_of
from servosim.positioning.budget import COMPARED, run_budget
from servosim.positioning.causes import REACHES, Cause, causes_of, changes_without
from servosim.positioning.closed_terms import closed_term, worst_of
from servosim.positioning.combined import combine
from servosim.positioning.effects import effect_of
from servosim.positioning.machines import with_controller
from servosim.positioning.remedies import halving
from servosim.positioning.surroundings import Surroundings, corners_of
from servosim.positioning.switched import simulate_causes
from servosim.positioning.term import Term, both_sides

PARAMS = Path(__file__).parent.parent / "params"
DEMO = read_axis(PARAMS / "tube_sheet_table.toml")
RIG = read_axis(PARAMS / "teaching_rig.toml")
FILES = [*sorted(PARAMS.glob("*_table.toml")), PARAMS / "vertical_slide.toml"]
SIDES = np.array([[1.0], [-1.0]])


def rig(**more):
    """The rig: ideal supply, friction that cannot stick, nothing that keeps it from its target."""
    return RIG.replace({key.replace("__", "."): value for key, value in more.items()})


def gain_of_rig():
    """Velocity of the rig over command, from its rating: q = K x sqrt(dp), two lands in series."""
    area = math.pi / 4.0 * (0.025**2 - 0.016**2)
    K = (5e-3 / 60.0) / math.sqrt(0.5 * 70e5)
    return K * math.sqrt(0.5 * RIG.file.supply.pressure) / area


def at_file(axis, targets):
    """The file's own values and no others."""
    f = axis.file
    ends = (f.oil.temperature, f.supply.pressure, f.table.workpiece_mass)
    return Surroundings(axis, np.asarray(targets), *((value, value) for value in ends))


def both_ways(axis, name, cycle=None):
    """Closed form of a cause and what it does alone in the simulation."""
    cycle = cycle or cycle_of(axis, targets=3)
    causes, _ = causes_of(axis)
    cause = next(one for one in causes if one.name == name)
    found = simulate_causes(axis, [cause], cycle, "unlocked")
    return closed_term(cause, at_file(axis, found.targets)), found.alone[name]


class TestLimits:
    """One cause on an axis without any other, where the closed form is exact."""

    def test_null_bias_through_the_velocity_gain(self):
        axis = rig(valve__null_bias="0.3 %")
        term, effect = both_ways(axis, "null bias left after the trim")
        by_hand = 0.003 * gain_of_rig() / RIG.file.controller.velocity_gain
        # the rig's lands leak a little, so that null is not quite where the rating puts it
        np.testing.assert_allclose(term.table, by_hand, rtol=0.01)
        assert effect.offset == pytest.approx(by_hand, rel=0.01)
        assert abs(effect.side) < 2e-9 and np.ptp(effect.along) < 2e-9

    def test_growth_and_error_of_the_scale(self):
        axis = rig(
            transducer__scale_temperature="32 degC",
            transducer__scale_expansion="11.5 um/m/K",
            transducer__scale_error="20 um/m",
        )
        for name, share in (("scale, thermal expansion", 138e-6), ("scale, linear error", -20e-6)):
            term, effect = both_ways(axis, name)
            x = cycle_of(axis, targets=3).targets
            np.testing.assert_allclose(term.table, [x * share] * 2, rtol=2e-4)
            np.testing.assert_allclose(effect.table, [x * share] * 2, atol=3e-9)

    def test_offset_of_zero(self):
        term, effect = both_ways(rig(transducer__zero_offset="40 um"), "offset of zero")
        assert term.offset == -40e-6
        assert effect.offset == pytest.approx(-40e-6, abs=2e-9)

    def test_weight_through_the_pressure_gain(self):
        """F/(A K_p) of command about null: 30 kg on a slope of 1 degree."""
        axis = rig(table__inclination="1 deg", cylinder__internal_leakage="0 cm3/min/bar")
        term, effect = both_ways(axis, "weight through the pressure gain")
        f, area = axis.file, math.pi / 4.0 * (0.025**2 - 0.016**2)
        mass = f.table.mass + f.table.workpiece_mass + f.structure.piston_mass
        force = mass * 9.80665 * math.sin(math.radians(1.0))
        K_p = float(null_pressure_gain(f.supply.pressure, axis.record.valve))
        command = load_signal(force, area, K_p)
        by_hand = -command * axis.parameters.controller.g_plus / f.controller.velocity_gain
        np.testing.assert_allclose(term.table, by_hand, rtol=0.03)
        assert effect.offset == pytest.approx(by_hand, rel=0.03)

    def test_resolution_holds_within_half_a_step(self):
        axis = rig(controller__kind="sampled", controller__computing_delay="0 ms",
                   controller__output_counts=0, transducer__resolution="20 um")  # fmt: skip
        term, effect = both_ways(axis, "resolution")
        assert term.half_width == 10e-6 and term.law == "uniform"
        assert 1e-6 < np.max(np.abs(effect.table)) <= 10e-6 * 1.001

    def test_plays_let_the_table_rest_past_its_target(self):
        """Half the threshold of command, in the direction of the approach."""
        axis = rig(controller__kind="sampled", controller__computing_delay="0 ms",
                   controller__output_counts=0, valve__threshold="0.4 %",
                   valve__hysteresis="0.4 %")  # fmt: skip
        term, effect = both_ways(axis, "threshold")
        by_hand = 0.002 * gain_of_rig() / RIG.file.controller.velocity_gain
        np.testing.assert_allclose(term.table, both_sides(by_hand, term.table[0]), rtol=0.01)
        assert np.max(np.abs(effect.table)) <= by_hand * 1.02
        assert effect.side > 0.5 * by_hand

    def test_thrust_against_the_loop(self):
        """Without friction that sticks the loop gives way by F K_ce/(K_v A^2) at null."""
        cause = next(one for one in causes_of(RIG)[0] if one.name == "deflection under thrust")
        cycle = cycle_of(RIG, targets=3)
        term = closed_term(cause, at_file(RIG, cycle.targets))
        found = simulate_causes(RIG, [], cycle, "unlocked")
        np.testing.assert_allclose(found.tool[cause.name], term.table, rtol=0.02)


class TestLockedOil:
    def test_lock_shift_of_equal_areas_by_hand(self):
        """V_pop/A (V_B - V_A)/(V_A + V_B) k/(k + sigma_0), walls and modulus cancelling."""
        cause = next(one for one in causes_of(DEMO)[0] if one.name == "lock shift")
        x = np.array([0.1, 0.35, 0.6])
        term = closed_term(cause, at_file(DEMO, x))
        area = math.pi / 4.0 * (0.08**2 - 0.045**2)
        V_A, V_B = 90e-6 + area * x, 90e-6 + area * (0.7 - x)
        free = 20e-9 / area * (V_B - V_A) / (V_A + V_B)
        np.testing.assert_allclose(term.other, [free] * 2, rtol=1e-9, atol=1e-15)
        assert np.all(np.abs(term.table) <= np.abs(term.other))
        whole = DEMO.replace({"table.static_coefficient": 1.0, "table.coulomb_coefficient": 1.0})
        stuck = closed_term(cause, at_file(whole, x)).table[0]
        k = 30e6 * stuck[0] / (free[0] - stuck[0])  # stiffness of the oil that this ratio implies
        modulus = k * V_A[0] * V_B[0] / (V_A[0] + V_B[0]) / area**2
        assert 0.9e9 < modulus < 1.6e9  # 1.5 GPa with air and walls of 15 GPa

    def test_warming_of_unequal_areas(self):
        axis = read_axis(PARAMS / "vertical_slide.toml")
        causes, _ = causes_of(axis)
        assert "warming of the locked oil" in causes_of(DEMO)[1]  # equal areas shift by zero
        cause = next(one for one in causes if one.name == "warming of the locked oil")
        x = np.array([0.2])
        term = closed_term(cause, at_file(axis, x))
        A, B = math.pi / 4.0 * 0.063**2, math.pi / 4.0 * (0.063**2 - 0.028**2)
        c = axis.parameters.cylinder
        spring = A**2 / (c.V_A0 + A * 0.2) + B**2 / (c.V_B0 + B * 0.2)
        f = axis.file
        low, high = f.envelope.temperature
        rate = (high - low) * f.supply.cooling / f.supply.tank_heat_capacity
        grows = f.oil.thermal_expansion - 3.0 * f.oil.steel_expansion
        by_hand = (A - B) * grows * rate * f.move.hold_time / spring
        np.testing.assert_allclose(term.table, by_hand, rtol=1e-9)


class TestWorkedExamples:
    def test_null_drift(self):
        """Wang, Hydraulic Control Systems, ch. 6 problem 1, part 4 (from memory): 3.2e-5 m."""
        K_a, K_f = 0.375, 50.0  # A/V, V/m
        travel = 22.5 / (K_a * K_f)  # m/s per ampere, K_v = 22.5 1/s
        assert null_drift_error(0.6e-3, travel, 22.5) == pytest.approx(3.2e-5, rel=1e-3)

    def test_load(self):
        """Wang ch. 5 problem 2 (published): 5e4 N on 50e-4 m2 and 5e5 Pa/mA take 20 mA."""
        assert load_signal(5e4, 50e-4, 5e5) == pytest.approx(20.0, rel=1e-12)

    def test_dead_band(self):
        """Esposito, Fluid Power with Applications, ex. 17-1 (published): 0.00138 in."""
        frequency = 5.0 * math.sqrt(2.0 * 175000.0 / (50.0 * 2.59))
        amplifier = frequency / 3.0 / (0.15 * 0.20 * 4.0)
        assert repeatable_error(4.0, amplifier, 4.0) == pytest.approx(0.00138, rel=5e-3)

    def test_the_budget_has_the_same_formula(self):
        """A play of the valve over the gain, in the terms of the example: dead band/(G_A H)."""
        axis = rig(controller__kind="sampled", controller__computing_delay="0 ms",
                   controller__output_counts=0, valve__threshold="0.4 %",
                   valve__hysteresis="0.4 %")  # fmt: skip
        cause = next(one for one in causes_of(axis)[0] if one.name == "threshold")
        term = closed_term(cause, at_file(axis, [0.1]))
        c = axis.parameters.controller
        both = repeatable_error(0.004, c.K_v / c.g_plus, 1.0)
        assert 2.0 * term.half_width == pytest.approx(both, rel=1e-6)


def term_of(acts="stop", law="none", width=0.0, table=0.0, other=None, m=5):
    made = Cause("made up", acts, ())
    shape = np.broadcast_to(table, (2, m)).astype(float)
    other = None if other is None else np.broadcast_to(other, (2, m)).astype(float)
    return Term(made, shape, "", (), "", law=law, width=width, other=other)


class TestSums:
    WARMED = np.zeros((2, 5, 5))

    def test_worst_case_and_root_of_squares(self):
        found = combine(
            [term_of(law="uniform", width=3.0), term_of(law="uniform", width=4.0),
             term_of("offset", table=-2.0), term_of("side", table=12.0 * SIDES)],
            self.WARMED, machines=10,
        )  # fmt: skip
        assert found.offset == pytest.approx(-2.0)
        assert found.worst_case == pytest.approx(19.0)
        assert found.root_sum_square == pytest.approx(13.0)
        assert found.worst == pytest.approx(21.0)

    def test_remainder_counts_once(self):
        remainder = 3.0 + 1.0 * SIDES + np.zeros((2, 5))
        found = combine([term_of("side", table=2.0 * SIDES)], self.WARMED, remainder=remainder)
        assert found.offset == pytest.approx(3.0)
        assert found.worst_case == pytest.approx(3.0)
        assert found.figures["B"][1] == pytest.approx(6.0)
        assert found.interval[0] == pytest.approx(0.0) and found.interval[2] == pytest.approx(6.0)

    def test_two_uniforms_make_a_triangle(self):
        """95 % of the sum of two equal ones lie within 2 w (1 - sqrt(0.05))."""
        found = combine([term_of(law="uniform", width=1.0)] * 2, self.WARMED, machines=4000)
        edge = 2.0 * (1.0 - math.sqrt(0.05))
        np.testing.assert_allclose(found.interval, [-edge, 0.0, edge], atol=0.015)

    def test_normal_counts_three_deviations(self):
        found = combine([term_of(law="normal", width=3.0)], self.WARMED, machines=4000)
        np.testing.assert_allclose(found.interval, [-1.96, 0.0, 1.96], atol=0.03)

    def test_phase_is_an_arcsine_and_fixed_in_a_machine(self):
        term = term_of("along", "phase", 1.0, 1.0, 0.0)  # cos(phi), the same at every target
        found = combine([term], self.WARMED, machines=4000)
        edge = math.sin(0.475 * math.pi)
        np.testing.assert_allclose(found.interval, [-edge, 0.0, edge], atol=0.1)
        assert found.figures["R"][1] == pytest.approx(0.0, abs=1e-12)

    @pytest.mark.parametrize(
        ("acts", "table", "expected"),
        [
            ("offset", 5.0, {"A": 0, "R": 0, "B": 0, "E": 0, "M": 0}),
            ("side", 2.0 * SIDES, {"A": 4, "R": 4, "B": 4, "E": 4, "M": 0}),
            ("along", np.arange(5.0), {"A": 4, "R": 0, "B": 0, "E": 4, "M": 4}),
            ("tool", 7.0, {"A": 0, "R": 0, "B": 0, "E": 0, "M": 0}),
        ],
    )
    def test_what_reaches_which_figure(self, acts, table, expected):
        found = combine([term_of(acts, table=table)], self.WARMED, machines=3)
        for symbol, value in expected.items():
            assert found.figures[symbol][1] == pytest.approx(value, abs=1e-12), symbol
            # what the words about a cause promise, and nothing besides
            promised = acts != "tool" and symbol in REACHES[acts].replace(",", "").split()
            assert promised == (value > 0), symbol
        assert found.interval[2] == pytest.approx(np.max(table), rel=0.05)

    def test_trend_follows_the_oil(self):
        """Warming by the run, from 0 to 4: s = 4 sqrt(2.5)/4, R+ = 4 s."""
        warmed = np.broadcast_to(np.arange(5.0) / 4.0, (2, 5, 5))
        found = combine([term_of("test", "trend", 0.0, 0.0, 4.0)], warmed, machines=2)
        assert found.figures["R+"][1] == pytest.approx(4.0 * math.sqrt(2.5))
        assert found.figures["B"][1] == pytest.approx(0.0, abs=1e-12)

    def test_seed_alone_decides(self):
        terms = [term_of(law="uniform", width=1.0), term_of(law="normal", width=1.0)]
        one, same, other = (
            combine(terms, self.WARMED, machines=300, seed=seed) for seed in (1, 1, 2)
        )
        assert one.interval == same.interval and one.figures == same.figures
        assert one.interval != other.interval


def test_parts_of_an_effect():
    """Offset 1, side 2, along -1 0 1, and noise that makes none of them."""
    rng = np.random.default_rng(0)
    fixed = 1.0 + 2.0 * SIDES + np.array([-1.0, 0.0, 1.0])
    x = fixed[..., None] + 0.1 * rng.standard_normal((2, 3, 400))
    found = effect_of(x, x)
    assert found.offset == pytest.approx(1.0, abs=0.01)
    assert found.side == pytest.approx(2.0, abs=0.01)
    np.testing.assert_allclose(found.along, [-1.0, 0.0, 1.0], atol=0.02)
    assert found.stop == pytest.approx(0.1, rel=0.05)
    np.testing.assert_allclose(found.table, fixed, atol=0.03)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
class TestEveryFile:
    def test_causes_can_be_switched_off(self, path):
        axis = read_axis(path)
        causes, absent = causes_of(axis)
        assert not {one.name for one in causes} & set(absent)
        names = {one.name for one in causes}
        for active in [set(), *({name} for name in names)]:
            changes = changes_without(axis, causes, active, locked=True)
            assert axis.replace(changes).parameters is not None
        assert changes_without(axis, causes, names, locked=True) == {}

    def test_halving_halves(self, path):
        axis = read_axis(path)
        x = cycle_of(axis).targets[:3]
        around = at_file(axis, x)
        for cause in causes_of(axis)[0]:
            remedy, whole = halving(cause, around), closed_term(cause, around).size
            if not remedy.changes:
                continue
            changes = {key: new for key, (_, new) in remedy.changes.items()}
            made = with_controller(axis.replace(changes), axis)
            mended = next((one for one in causes_of(made)[0] if one.name == cause.name), cause)
            left = closed_term(mended, at_file(made, x)).size / whole
            assert left == pytest.approx(0.5, abs=0.02), cause.name


def test_plays_are_switched_apart():
    causes, _ = causes_of(DEMO)
    v = DEMO.file.valve
    only = changes_without(DEMO, causes, {"threshold"}, locked=False)
    assert only["valve.threshold"] == only["valve.hysteresis"] == v.threshold
    only = changes_without(DEMO, causes, {"hysteresis"}, locked=False)
    assert only["valve.threshold"] == 0.0
    assert only["valve.hysteresis"] == pytest.approx(v.hysteresis - v.threshold)
    assert not any(key.startswith("lock.") for key in only)


def test_worst_end_of_the_envelope():
    """Null shift: 0.002 %/K, 15 K below the rating, 10 K above: the low end is the worse one."""
    cause = next(one for one in causes_of(DEMO)[0] if one.name == "null shift with temperature")
    size, where = worst_of(cause, at_file(DEMO, [0.35]))
    assert where == "oil low" and "workpiece low" in dict(corners_of(DEMO))
    at_ends = [
        closed_term(
            cause, dataclasses.replace(at_file(DEMO, [0.35]), oil=(T, T))
        ).size for T in DEMO.file.envelope.temperature
    ]  # fmt: skip
    assert size == pytest.approx(at_ends[0], rel=1e-6)
    assert at_ends[0] / at_ends[1] == pytest.approx(1.5, rel=0.02)


@pytest.fixture(scope="module")
def demo():
    return run_budget(DEMO, machines=4, workers=2)


class TestDemonstration:
    def test_alone_they_do_what_the_closed_forms_say(self, demo):
        """Within what the smallest effects leave open: a tenth of a micrometre, or a tenth."""
        for name in ("null bias left after the trim", "friction over the pressure gain"):
            line = next(one for one in demo.lines if one.cause.name == name)
            at = closed_term(line.cause, at_file(DEMO, demo.switched.targets))
            table = at.table if at.at_file is None else at.at_file
            alone = demo.switched.alone[name]
            np.testing.assert_allclose(alone.table, table, atol=0.15e-6, rtol=0.1)

    def test_lock_shift_lies_between_stuck_and_free(self, demo):
        alone = demo.switched.alone["lock shift"]
        cause = next(one.cause for one in demo.lines if one.cause.name == "lock shift")
        term = closed_term(cause, at_file(DEMO, demo.switched.targets))
        span = np.ptp(alone.along)
        assert 0.9 * np.ptp(term.table[0]) < span < 1.1 * np.ptp(term.other[0])

    def test_noise_of_the_pressures_masks_the_plays(self, demo):
        """Alone it hardly moves the table, among the others it frees it: that is no sum."""
        noise = next(
            one for one in demo.lines if one.cause.name == "noise of the pressure readings"
        )
        assert noise.without > 3.0 * noise.alone
        assert noise.alone == pytest.approx(noise.term.size, abs=0.1e-6)

    def test_ranking_and_sums(self, demo):
        ranks = [one.rank for one in demo.lines]
        assert ranks == sorted(ranks, reverse=True)
        closed = demo.closed
        assert closed.root_sum_square <= closed.worst_case
        assert abs(closed.interval[0]) <= closed.worst and abs(closed.interval[2]) <= closed.worst
        for symbol in COMPARED:
            gap = abs(closed.figures[symbol][1] - demo.tested[symbol][1])
            assert demo.agrees("closed", symbol) == (gap <= demo.within("closed", symbol))

    def test_sum_is_near_the_test(self, demo):
        """A of the locked position is made by the shift of the lock, which all of them know."""
        A = demo.tested["A"][1]
        for one in demo.sums.values():
            assert 0.6 * A < one.figures["A"][1] < 1.6 * A

    def test_workers_change_nothing(self):
        causes = [one for one in causes_of(DEMO)[0] if one.name in ("threshold", "resolution")]
        cycle = cycle_of(DEMO, targets=2)
        one, two = (simulate_causes(DEMO, causes, cycle, "unlocked", workers=n) for n in (1, 2))
        for name in one.alone:
            np.testing.assert_array_equal(one.alone[name].table, two.alone[name].table)
            np.testing.assert_array_equal(one.without[name].table, two.without[name].table)
        assert one.floor == two.floor


def test_halving_in_the_simulation():
    axis = rig(valve__null_bias="0.3 %", controller__null_trim="0.1 %")
    causes, _ = causes_of(axis)
    cause = next(one for one in causes if one.name == "null bias left after the trim")
    remedy = halving(cause, at_file(axis, [0.1]))
    mended = axis.replace({key: new for key, (_, new) in remedy.changes.items()})
    effects = [both_ways(one, cause.name)[1].offset for one in (axis, mended)]
    assert effects[1] / effects[0] == pytest.approx(0.5, abs=0.01)


def test_refusals():
    with pytest.raises(ParameterError, match="'locked' is not read"):
        run_budget(RIG, reading="locked")
    with pytest.raises(ParameterError, match="envelope"):
        run_budget(DEMO.replace({"envelope.supply_pressure": ["20 bar", "150 bar"]}))
