"""Laws that must hold whatever the numbers: volume, energy, forces, symmetry, rest, warming.

They are checked on the package's own moves. Flows and compressibilities on the other side of the
balances come from the independent model in ``reference/``.
"""

import functools
import itertools
import math
from pathlib import Path

import numpy as np
import pytest
from axis_files import AXIS_FILES
from reference import plant as P
from reference.numbers import numbers_of
from scipy.integrate import cumulative_simpson, quad, solve_ivp
from scipy.interpolate import CubicSpline

from servosim import _sequence as sequence
from servosim import _step
from servosim._equations import STATES, axis_rhs, nothing_held
from servosim._equilibrium import initial_state
from servosim._record import record
from servosim._samples import RECORD
from servosim.axis import read_axis
from servosim.components import load as load_block
from servosim.simulate import simulate

FOLDER = Path(__file__).parent.parent / "params"
FILES = [path.stem for path in AXIS_FILES]


@functools.cache
def axis_of(name):
    return read_axis(FOLDER / f"{name}.toml")


class Quadrature:
    """Integrals in time over a run until its lock closes, by splines through the samples."""

    def __init__(self, run):
        self.run, self.n = run, numbers_of(run.axis.file)[0]
        closed = run.memory[sequence.T_CLOSE]
        end = round(closed / run.time[1]) if math.isfinite(closed) else len(run.time) - 1
        self.kept = slice(0, end + 1)
        self.fine = np.linspace(0.0, run.time[end], 4 * end + 1)

    def smooth(self, name):
        """Return a state and its rate on a finer grid."""
        spline = CubicSpline(self.run.time[self.kept], self.run.state(name)[self.kept])
        return spline(self.fine), spline(self.fine, 1)

    def integral(self, rate):
        """Return the integral of a rate on the fine grid, at the samples."""
        return cumulative_simpson(rate, x=self.fine, initial=0.0)[::4]

    def state(self, name):
        return self.run.state(name)[self.kept]

    @functools.cached_property
    def flows(self):
        s = np.zeros((len(self.fine), P.N_STATES))
        for name, place in (
            ("spool", P.SPOOL),
            ("line_pressure_a", P.LINE_A),
            ("line_pressure_b", P.LINE_B),
            ("supply_pressure", P.P_SUPPLY),
        ):
            s[:, place] = self.smooth(name)[0]
        return np.array([P.flows(row, self.n) for row in s]).T  # P-A, A-T, P-B, B-T

    @functools.cached_property
    def pilot(self):
        p_s = self.smooth("supply_pressure")[0]
        return self.n["pilot"] * np.sqrt(np.maximum(p_s, 0.0) / self.n["p_rating"])

    def soft(self, p):
        """Compressibility of the oil [1/Pa] at each pressure."""
        return np.array([P.oil_compressibility(one, self.n) for one in p])

    def volumes(self):
        """Return the volumes from piston to valve, sides A and B, on the fine grid."""
        n = self.n
        sweep = n["moves"] * self.smooth("piston_position")[0]
        return (
            n["dead_a"] + n["line_a"] + n["area_a"] * sweep,
            n["dead_b"] + n["line_b"] + n["area_b"] * (n["moves"] * n["stroke"] - sweep),
        )


@functools.cache
def quadrature_of(name, **changes):
    return Quadrature(simulate(axis_of(name).replace(dict(changes))))


@functools.cache
def rigid(name):
    """Return a move with nothing yielding but oil, at constant supply, with unequal areas."""
    changes = {
        "cylinder.wall": "rigid", "cylinder.hose": "none", "supply.kind": "ideal",
        "supply.accumulator": "none", "supply.line": "none",
    }  # fmt: skip
    return Quadrature(simulate(axis_of(name).replace(changes)))


def table_of(f, low, high):
    """Return a function by splines through the integral of f from zero, for many pressures."""
    grid = np.linspace(low, high, 201)
    steps = [quad(f, a, b, epsrel=1e-11)[0] for a, b in itertools.pairwise(grid)]
    start = quad(f, 0.0, low, epsrel=1e-11)[0]
    return CubicSpline(grid, start + np.concatenate([[0.0], np.cumsum(steps)]))


class TestVolume:
    @pytest.mark.parametrize("name", FILES)
    def test_drawn_volume_is_what_the_lands_and_the_pilot_pass(self, name):
        q = quadrature_of(name)
        drawn = q.integral(q.flows[0] + q.flows[2] + q.pilot)
        found = q.state("drawn_volume")
        # splines through the samples of a spool that follows noise resolve no more; the state
        # itself is within 2e-8 of a run of a hundred-thousandth of the tolerance
        assert np.abs(found - drawn).max() < 3e-6 * found[-1]

    @pytest.mark.parametrize("name", FILES)
    def test_every_litre_is_swept_compressed_leaked_or_returned(self, name):
        # C dp/dt = q - A v - leakage on each side, summed over the move
        q = quadrature_of(name)
        n = q.n
        _, q_at, _, q_bt = q.flows
        V_a, V_b = q.volumes()
        (a, da), (b, db) = q.smooth("pressure_a"), q.smooth("pressure_b")
        x = q.state("piston_position")
        swept = (x - x[0]) * (n["area_a"] - n["area_b"])
        taken = (V_a * (q.soft(a) + n["wall"]) + n["hose_a"]) * da
        taken += (V_b * (q.soft(b) + n["wall"]) + n["hose_b"]) * db
        gone = q_at + q_bt + n["leak_a"] * a + n["leak_b"] * b + q.pilot
        left = q.state("drawn_volume") - swept - q.integral(taken + gone)
        assert np.abs(left).max() < 2e-6 * q.state("drawn_volume")[-1]

    def test_mass_misses_by_pressure_over_modulus(self):
        # Volumetric flows: a litre that leaves at supply pressure arrives as a litre at chamber
        # pressure. The mass that goes missing is (pS - p)/K of it (section 11 of the equations).
        q = rigid("vertical_slide")
        n = q.n
        a, b = q.smooth("pressure_a")[0], q.smooth("pressure_b")[0]
        p_s = n["p_set"]
        thick = table_of(lambda p: P.oil_compressibility(p, n), 0.0, 1.05 * p_s)

        def dense(p):
            return np.exp(thick(p))

        q_pa, q_at, q_pb, q_bt = q.flows
        V_a, V_b = q.volumes()
        mass = V_a * dense(a) + V_b * dense(b)
        returned = q.integral(dense(a) * q_at + dense(b) * q_bt)
        supplied = dense(p_s) * (q.state("drawn_volume") - q.integral(q.pilot))
        missing = supplied - returned - (mass[::4] - mass[0])
        K_a, K_b = 1.0 / q.soft(0.5 * (p_s + a)), 1.0 / q.soft(0.5 * (p_s + b))
        predicted = q.integral(q_pa * (p_s - a) / K_a + q_pb * (p_s - b) / K_b)
        assert missing[-1] == pytest.approx(predicted[-1], rel=0.02)
        # some 30 to 40 bar over 1.4 GPa: a few tenths of a per cent
        assert 1e-3 < missing[-1] / supplied[-1] < 1e-2


class TestEnergy:
    @pytest.mark.parametrize("name", FILES)
    def test_what_is_supplied_works_heats_or_compresses(self, name):
        # Pressure times each volume balance: what neither works nor heats is p C dp/dt of chambers,
        # lines and supply, and p times the flow into the accumulator.
        q = quadrature_of(name)
        n = q.n
        V_a, V_b = q.volumes()
        (a, da), (b, db) = q.smooth("pressure_a"), q.smooth("pressure_b")
        kept = a * (V_a * (q.soft(a) + n["wall"]) + n["hose_a"]) * da
        kept += b * (V_b * (q.soft(b) + n["wall"]) + n["hose_b"]) * db
        if n["source"]:
            p, dp = q.smooth("pump_pressure")
            into = n["pump_volume"] * q.soft(p) * dp
            if n["gas"]:
                T, absolute = q.smooth("gas_temperature")[0], p + P.ATMOSPHERE
                V = n["gas_volume"] * n["precharge"] / absolute * T / n["ambient"]
                into += V / n["kappa"] * (dp / absolute + (T / n["ambient"] - 1.0) * n["ambient"]
                                          / (n["gas_time"] * T))  # fmt: skip
            kept += p * into
            if n["lumped"]:
                p, dp = q.smooth("supply_pressure")
                kept += p * n["line_volume"] * q.soft(p) * dp
        left = q.state("supplied_energy") - q.state("mechanical_work") - q.state("heat")
        assert np.abs(left - q.integral(kept)).max() < 2e-6 * q.state("supplied_energy")[-1]

    def test_residual_is_the_compression_of_the_swept_volume(self):
        # The energy of compressed oil is V e(p) with e = int p/K dp. Volumetric flows keep p C dp
        # and lose the part that comes with the volume itself: the balance misses int e dV, about
        # p/(2K) of p V swept: half a per cent at 140 bar.
        q = rigid("vertical_slide")
        n = q.n
        a, b = q.smooth("pressure_a")[0], q.smooth("pressure_b")[0]
        energy = table_of(lambda p: p * P.oil_compressibility(p, n), 0.0, 1.05 * n["p_set"])
        V_a, V_b = q.volumes()
        v = q.smooth("piston_position")[1]
        stored = (V_a * energy(a) + V_b * energy(b))[::4]
        given = q.state("supplied_energy") - q.state("mechanical_work") - q.state("heat")
        residual = given - (stored - stored[0])
        predicted = -q.integral(n["area_a"] * v * energy(a) - n["area_b"] * v * energy(b))
        swept = q.integral(np.abs(v) * (n["area_a"] * a + n["area_b"] * b))
        assert np.abs(residual - predicted).max() < 1e-6 * swept[-1]
        # the chambers partly make up for each other; either alone has p/(2K) of its p V
        alone = q.integral(np.abs(v) * n["area_a"] * energy(a))[-1]
        mean = 0.5 * a[len(a) // 2] * q.soft([a[len(a) // 2]])[0]
        assert alone / q.integral(np.abs(v) * n["area_a"] * a)[-1] == pytest.approx(mean, rel=0.3)
        assert np.abs(residual).max() > 100.0 * np.abs(residual - predicted).max()


class TestRest:
    @pytest.mark.parametrize(
        "name, changes",
        [
            *[(name, {}) for name in FILES],
            ("tube_sheet_table", {"cylinder.kind": "single_rod"}),
            ("tube_sheet_table", {"table.inclination": "10 deg"}),
            ("screw_table", {"table.inclination": "-5 deg", "lock.brake": "holding"}),
            ("vertical_slide", {"table.counterbalance": "constant"}),
            ("vertical_slide", {"oil.temperature": "25 degC", "supply.pressure": "85 bar"}),
        ],
    )
    def test_initial_state_is_an_equilibrium(self, name, changes):
        axis = axis_of(name).replace(changes)
        x, _, _, command = initial_state(axis.move.start, axis.move.kind == 0, axis.record)
        w = nothing_held()._replace(
            spool_command=x[axis.parameters.index.spool], reference=axis.move.start
        )
        dx = np.zeros(len(STATES))
        axis_rhs(0.0, x, record(w), axis.record, record(axis.move), dx)
        # against what a real disturbance would make: 1 m/s2, 1e9 Pa/s, 10 L/min in 10 ms ...
        size = {"m": 1.0, "m/s": 1.0, "Pa": 1e9, "m3/s": 1e-2, "K": 1.0, "1": 1.0, "1/s": 1e3}
        from servosim._equations import STATE_UNITS

        ignored = ("tank_temperature", "integral")
        quadratures = ("supplied_energy", "mechanical_work", "heat", "drawn_volume")
        for state in axis.states:
            if state not in (*ignored, *quadratures):
                rate = dx[getattr(axis.parameters.index, state)]
                assert abs(rate) < 1e-10 * size[STATE_UNITS[state]], state
        assert abs(command) < 0.1

    @pytest.mark.parametrize("name", FILES)
    def test_forces_balance_by_hand(self, name):
        axis = axis_of(name)
        x, *_ = initial_state(axis.move.start, axis.move.kind == 0, axis.record)
        i, n = axis.parameters.index, numbers_of(axis.file)[0]
        oil = n["area_a"] * x[i.pressure_a] - n["area_b"] * x[i.pressure_b]
        weight = n["weight_p"] + n["weight_t"] - P.lift(x[i.table_position], n)
        assert oil == pytest.approx(weight, abs=1e-4)

    def test_an_axis_asked_to_stay_stays(self):
        axis = axis_of("vertical_slide").replace(
            {
                "move.target": axis_of("vertical_slide").file.move.start,
                "reference.kind": "s_curve", "reference.jerk": "5 m/s3", "move.duration": "0.15 s",
                "transducer.resolution": 0.0, "transducer.noise": 0.0,
                "transducer.pressure_resolution": 0.0, "transducer.pressure_noise": 0.0,
            }
        )  # fmt: skip
        run = simulate(axis)
        assert np.ptp(run.state("table_position")) < 1e-12
        assert np.ptp(run.state("pressure_a")) < 1.0


class TestMirror:
    """A double-rod axis seen from its other end: x to L - x, A to B, command to its opposite."""

    QUIET = ("transducer.resolution", "transducer.noise", "transducer.cyclic_error")

    @pytest.mark.parametrize("name", ["tube_sheet_table", "teaching_rig"])
    def test_both_ends_see_the_same_move(self, name):
        axis = axis_of(name)
        changes = dict.fromkeys(self.QUIET, 0.0)
        changes |= {"valve.null_shift_pressure": 0.0, "transducer.scale_expansion": 0.0}
        if axis.file.transducer.pressure != "none":
            changes |= {"transducer.pressure_resolution": 0.0, "transducer.pressure_noise": 0.0}
        axis = axis.replace(changes)
        f, L = axis.file, axis.file.cylinder.stroke
        assert f.cylinder.kind == "double_rod"
        other = axis.replace(
            {
                "move.start": L - f.move.start, "move.target": L - f.move.target,
                "valve.null_bias": -f.valve.null_bias,
                "controller.null_trim": -f.controller.null_trim,
                "thrust.along": -f.thrust.along,
            }
        )  # fmt: skip
        here, there = simulate(axis), simulate(other)
        for state in ("piston_position", "table_position"):
            assert np.abs(here.state(state) + there.state(state) - L).max() < 1e-9
        for state, twin in (("pressure_a", "pressure_b"), ("line_pressure_b", "line_pressure_a")):
            assert np.abs(here.state(state) - there.state(twin)).max() < 10.0
        assert np.abs(here.state("spool") + there.state("spool")).max() < 1e-7
        # a table on its way, not a table at rest
        assert np.ptp(here.state("table_position")) > 0.05
        # and an axis that isn't symmetric has no such twin
        skew = {"cylinder.dead_volume_a": 1.05 * f.cylinder.dead_volume_a}
        skewed = simulate(axis.replace(skew)), simulate(other.replace(skew))
        sum_of = skewed[0].state("table_position") + skewed[1].state("table_position")
        assert np.abs(sum_of - L).max() > 1e-8


class TestDrift:
    """A table on its bristles under a bias and an oscillation, both together below break-away."""

    @staticmethod
    def creep(friction):
        # oscillation of 10 Hz; position compared at the same phase, after the first ten periods
        axis = axis_of("tube_sheet_table")
        table = axis.file.table.model_copy(update={"friction": friction, "bristle_damping": 30e3})
        p = load_block.load_parameters(table, axis.file.structure, 0.0, 0.0)
        low, high = load_block.way_levels(0.0, p)
        bias, swing = 0.40 * low, 0.25 * low
        assert bias + swing < axis.file.table.elastic_fraction * low < high

        def rates(t, x):
            force = bias + swing * math.sin(2.0 * math.pi * 10.0 * t)
            inputs = (force, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
            return load_block.derivative(t, tuple(x), inputs, p)

        times = np.arange(1.0, 4.05, 0.1)
        found = solve_ivp(
            rates, (0.0, 4.0), [0.0] * 6, method="LSODA", rtol=1e-9,
            atol=[1e-14, 1e-12, 1e-14, 1e-12, 1e-14, 1e-14], t_eval=times[times <= 4.0],
        )  # fmt: skip
        assert found.success
        return abs(found.y[0, -1] - found.y[0, 0])

    def test_elasto_plastic_bristle_holds(self):
        assert self.creep("lugre") < 1e-9

    def test_plain_bristle_creeps(self):
        assert self.creep("lugre_plain") > 1e-8


class TestWarming:
    """Locked oil warms up; no friction, no air, a modulus that stays, rigid walls."""

    @staticmethod
    @functools.cache
    def held(kind, target):
        axis = axis_of("tube_sheet_table").replace(
            {
                "cylinder.kind": kind, "move.start": target - 0.01, "move.target": target,
                "oil.free_air": 0.0, "oil.bulk_modulus_pressure_slope": 0.0,
                "oil.bulk_modulus": "1.6 GPa", "oil.temperature": "20 degC",
                "oil.warming_rate": "60 K/min", "cylinder.wall": "rigid",
                "table.coulomb_coefficient": 0.0, "table.static_coefficient": 0.0,
                "cylinder.seal_friction": 0.0, "cylinder.seal_breakaway": 0.0,
                "cylinder.seal_pressure_friction": 0.0, "thrust.mode": "none",
                # so that the closing rings down: at the creep of warming it is a force of 10 N
                "table.viscous_friction": "200 kN s/m", "reference.velocity": "20 mm/s",
                "lock.window": "500 um", "window.half_width": "600 um",
                "transducer.noise": 0.0, "transducer.pressure_noise": 0.0,
            }
        )  # fmt: skip
        run = simulate(axis)
        phase = run.record[:, RECORD.index("lock_phase")]
        k = np.flatnonzero(phase == sequence.LOCKED)[[300, -1]]  # after the closing has rung down
        rise = axis.file.oil.warming_rate * (run.time[k[1]] - run.time[k[0]])
        assert rise > 0.4
        return run, k, rise

    @pytest.mark.parametrize("target", [0.2, 0.35, 0.6])
    def test_equal_areas_do_not_shift_anywhere(self, target):
        run, k, rise = self.held("double_rod", target)
        x = run.state("table_position")[k]
        # 1/1000 of what one side alone would give
        V = run.axis.parameters.cylinder.A_A * target
        alone = 6.6e-4 * rise * V / run.axis.parameters.cylinder.A_A
        assert abs(x[1] - x[0]) < 1e-3 * alone

    @pytest.mark.parametrize("target", [0.2, 0.35, 0.6])
    def test_single_rod_shifts_by_the_formula(self, target):
        # dx = (A_A - A_B) a dT/(A_A^2/V_A + A_B^2/V_B), a of oil less that of the steel's volume
        run, k, rise = self.held("single_rod", target)
        f = run.axis.file
        n = numbers_of(f)[0]
        x = run.state("table_position")[k]
        V_a = f.cylinder.dead_volume_a + n["area_a"] * x[0]
        V_b = f.cylinder.dead_volume_b + n["area_b"] * (f.cylinder.stroke - x[0])
        growth = f.oil.thermal_expansion - 3.0 * f.oil.steel_expansion
        soft = n["area_a"] ** 2 / V_a + n["area_b"] ** 2 / V_b
        expected = (n["area_a"] - n["area_b"]) * growth * rise / soft
        assert expected > 5e-6
        assert x[1] - x[0] == pytest.approx(expected, rel=0.02)

    def test_trapped_oil_gains_eleven_bar_per_kelvin(self):
        # 11.17 bar/K (90 psi/degF): fluidpower.pro, trapped oil; within 15 % as its digits justify.
        # A double rod does not move, so its oil cannot yield.
        run, k, rise = self.held("double_rod", 0.35)
        for side in ("pressure_a", "pressure_b"):
            p = run.state(side)[k]
            assert (p[1] - p[0]) / rise == pytest.approx(11.17e5, rel=0.15)
            exact = 1.6e9 * (7e-4 - 3.0 * 11.5e-6)
            assert (p[1] - p[0]) / rise == pytest.approx(exact, rel=1e-3)


def trees(order):
    """Return the rooted trees of an order, each as the sorted tuple of its branches."""
    if order == 1:
        return [()]
    found = set()
    for first in range(1, order):
        for branch in trees(first):
            for rest in trees(order - first):
                found.add(tuple(sorted((*rest, branch))))
    return sorted(found)


def nodes(tree):
    return 1 + sum(nodes(branch) for branch in tree)


def density(tree):
    return nodes(tree) * math.prod(density(branch) for branch in tree)


def weight(tree, A):
    """Elementary weight of each stage."""
    result = np.ones(len(A))
    for branch in tree:
        result *= A @ weight(branch, A)
    return result


class TestOrderConditions:
    """Conditions of a Runge-Kutta pair: one for each rooted tree (J. C. Butcher, from memory)."""

    A = np.hstack([_step.A, np.zeros((5, 1))])
    b = A[4]

    def test_there_are_eight_up_to_order_four(self):
        assert [len(trees(k)) for k in range(1, 5)] == [1, 1, 2, 4]

    def test_stages_stand_at_the_sums_of_their_rows(self):
        assert self.A.sum(axis=1) == pytest.approx(np.array(_step.C), abs=5e-15)
        assert np.array_equal(self.A, np.tril(self.A, -1))

    @pytest.mark.parametrize("tree", [tree for k in range(1, 5) for tree in trees(k)])
    def test_solution_has_order_four(self, tree):
        assert self.b @ weight(tree, self.A) == pytest.approx(1.0 / density(tree), abs=5e-15)

    def test_solution_has_no_higher_order(self):
        missed = [self.b @ weight(tree, self.A) - 1.0 / density(tree) for tree in trees(5)]
        assert np.abs(missed).max() > 1e-3

    @pytest.mark.parametrize("tree", [tree for k in range(1, 4) for tree in trees(k)])
    def test_embedded_solution_has_order_three(self, tree):
        other = self.b - _step.E
        assert other @ weight(tree, self.A) == pytest.approx(1.0 / density(tree), abs=5e-15)

    def test_embedded_solution_has_no_higher_order(self):
        missed = [_step.E @ weight(tree, self.A) for tree in trees(4)]
        assert np.abs(missed).max() > 1e-3
