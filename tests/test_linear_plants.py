"""Compiled plants against the blocks joined by name, derivations by hand and symmetries."""

import math
from pathlib import Path

import control
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from test_parameter_files import CASES, axis_of

from servosim._equations import STATES, axis_rhs, nothing_held
from servosim._record import record
from servosim.axis import read_axis
from servosim.blocks import COMPONENTS, linear_axis, operating_point
from servosim.errors import ParameterError
from servosim.linear.plants import INPUTS, OUTPUTS, plants
from servosim.linear.points import Point

PARAMS = Path(__file__).parent.parent / "params"
TABLE = read_axis(PARAMS / "tube_sheet_table.toml")
RIG = read_axis(PARAMS / "teaching_rig.toml")
SCREW = read_axis(PARAMS / "screw_table.toml")
ATMOSPHERE = 101325.0

# usual sizes of signals, so that one tolerance fits all of a matrix
SIZES = (
    ("spool_rate", 10.0),
    ("spool", 1e-2),
    ("pressure", 1e5),
    ("flow", 1e-5),
    ("temperature", 1.0),
    ("velocity", 1e-3),
    ("thrust", 1e3),
    ("", 1e-5),
)
KINDS = {  # every kind of block is among them; half in motion, half at rest
    "as_filed_vertical": {"velocity": 0.03},
    "as_filed_screw": {"velocity": -0.02, "normal_thrust": 300.0},
    "single_rod": {"thrust": 30.0},
    "plunger_up": {"friction": "viscous"},
    "first_order_vertical": {"friction": "presliding"},
    "dual_gain": {"velocity": -0.02},
    "opening_table": {"velocity": 0.05, "thrust": 40.0},
    "piloted": {"friction": "viscous", "velocity": 0.02},
    "ideal_supply": {"thrust": -50.0},
    "fixed_pump_with_gas": {"velocity": -0.03},
    "lugre_plain": {"velocity": 0.003},
    "two_masses": {"velocity": 0.02},
    "constant_counterbalance": {"normal_thrust": 200.0},
    "scale_on_piston": {"friction": "presliding", "normal_thrust": 400.0},
    "blocking_valve": {"velocity": 0.001},
}


def _size(name):
    return next(size for part, size in SIZES if part in name)


def _scaled(matrix, rows, columns):
    left = np.array([1.0 / _size(n) for n in rows])
    right = np.array([_size(n) for n in columns])
    return left[:, None] * matrix * right[None, :]


def _without_null_shift(found, k=0):
    """Return A without the path of supply pressure through the valve's null."""
    A = found.A[k].copy()
    if "supply_pressure" in found.states:
        place = found.states.index("supply_pressure")
        A[:, place] -= found.null_shift_slope[k] * found.B[k, :, 0]
    return A


def _same(mine, theirs, tolerance):
    largest = np.max(abs(theirs), axis=1, keepdims=True) + 1e-9
    assert_allclose(mine / largest, theirs / largest, rtol=0.0, atol=tolerance)


class TestAgainstTheBlocks:
    """The blocks are the other way from the same equations to a derivative."""

    @pytest.mark.parametrize("name", KINDS)
    def test_every_kind_of_axis(self, name):
        base, changes, _ = CASES[name]
        axis = axis_of(base).replace(changes)
        how = {"position": 0.35 * axis.file.cylinder.stroke, **KINDS[name]}
        found = plants([Point(axis, **how)])
        at = operating_point(axis, **how)
        whole = linear_axis(axis, at, closed_loop=False)
        assert sorted(whole.state_labels) == sorted(found.states)
        x = [whole.state_labels.index(n) for n in found.states]
        u = [whole.input_labels.index(n) for n in INPUTS]
        A, B = whole.A[np.ix_(x, x)], whole.B[np.ix_(x, u)]
        names = found.states
        theirs = np.hstack([_scaled(A, names, names), _scaled(B, names, INPUTS)])
        mine = np.hstack(
            [
                _scaled(_without_null_shift(found), names, names),
                _scaled(found.B[0], names, INPUTS),
            ]
        )
        _same(mine, theirs, 1e-9)
        for row, output in enumerate(OUTPUTS):
            if output in whole.output_labels:
                assert_allclose(
                    found.C[0, row], whole.C[whole.output_labels.index(output)][x], atol=1e-12
                )
        for n, value in zip(names, found.x[0], strict=True):
            assert abs(value - at.states[n]) < 1e-6 * _size(n), n
        assert found.spool_command[0] == pytest.approx(at.states["spool"], abs=1e-10)

    @pytest.mark.parametrize("axis", [TABLE, SCREW], ids=["table", "screw"])
    def test_blocks_linearised_one_by_one_and_interconnected(self, axis):
        how = {"position": 0.6 * axis.file.cylinder.stroke, "velocity": 0.02}
        found = plants([Point(axis, **how)])
        at = operating_point(axis, **how)
        blocks = ("valve", "ports", "cylinder", "load", "supply", "transducer")
        parts = [COMPONENTS[name].linearise(axis, at) for name in blocks]
        whole = control.interconnect(
            parts, inputs=list(INPUTS), outputs=["scale_reading"], check_unused=False
        )
        names = [label.split("_", 1)[1] for label in whole.state_labels]
        x = [names.index(n) for n in found.states]
        theirs = np.hstack(
            [
                _scaled(whole.A[np.ix_(x, x)], found.states, found.states),
                _scaled(whole.B[x], found.states, INPUTS),
            ]
        )
        mine = np.hstack(
            [
                _scaled(_without_null_shift(found), found.states, found.states),
                _scaled(found.B[0], found.states, INPUTS),
            ]
        )
        _same(mine, theirs, 1e-9)

    def test_the_command_path_shifts_with_supply_pressure(self):
        axis = TABLE.replace({"valve.null_shift_pressure": "0.02 %/bar"})
        found = plants([Point(axis, 0.3)])
        at = operating_point(axis, position=0.3)
        path = COMPONENTS["command_path"].linearise(axis, at)
        slope = path.D[0, path.input_labels.index("supply_pressure")]
        assert found.null_shift_slope[0] == pytest.approx(slope, rel=1e-9)
        assert slope == pytest.approx(0.02e-2 / 1e5, rel=1e-9)


class TestMany:
    def test_each_point_is_as_if_alone(self):
        """Oils, masses and pressures of other points leave nothing behind."""
        axes = [
            TABLE,
            TABLE.replace({"oil.polytropic_exponent": 1.0, "oil.free_air": "2 %"}),
            TABLE.replace({"supply.pressure": "120 bar", "table.workpiece_mass": "0 kg"}),
        ]
        points = [
            Point(axis, x, v, friction=friction)
            for axis in axes
            for x, v, friction in ((0.1, 0.0, "sliding"), (0.5, 0.04, "viscous"))
        ] + [Point(axes[1], 0.2, friction="presliding")]
        together = plants(points)
        for k, point in enumerate(points):
            alone = plants([point])
            for name in ("A", "B", "C", "x", "flow_gain", "pressure_gain"):
                assert_allclose(getattr(together, name)[k], getattr(alone, name)[0], rtol=1e-12)

    def test_refusals_keep_the_others(self):
        points = [
            Point(TABLE, 0.3),
            Point(TABLE, 2.0),
            Point(TABLE, 0.3, 5.0),
            Point(TABLE, 0.3, thrust=1e5),
            Point(TABLE, 0.3, 0.01, friction="presliding"),
            Point(TABLE, 0.3, math.nan, condition="rapid"),
            Point(TABLE, 0.3, thrust=math.nan),
            Point(TABLE, 0.3, normal_thrust=math.inf),
            Point(TABLE, 0.4),
        ]
        found = plants(points)
        assert [p.position for p in found.points] == [0.3, 0.4]
        assert [p for p, _ in found.refused] == points[1:-1]
        texts = (
            "outside the stroke of 0.7 m",
            "no steady motion at 5 m/s: against this load valve and supply give 0.0",
            "nothing holds the load with a thrust of 100000 N",
            "presliding friction is one at rest",
            "no steady motion in this direction",
            "no thrust makes the spool rest in its centre",
            "normal_thrust inf isn't a finite number",
        )
        for (_, reason), text in zip(found.refused, texts, strict=True):
            assert text in reason

    def test_none_at_all(self):
        assert plants([]).A.shape[0] == 0
        found = plants([Point(TABLE, 9.0)])
        assert found.A.shape == (0, len(found.states), len(found.states))
        assert len(found.refused) == 1

    def test_other_errors(self):
        with pytest.raises(ParameterError, match=r"different states .*gas_temperature"):
            plants([Point(TABLE, 0.1), Point(RIG, 0.1)])
        with pytest.raises(ParameterError, match="dry is no form of friction"):
            plants([Point(TABLE, 0.1, friction="dry")])
        assert "no bristle" in plants([Point(RIG, 0.1, friction="presliding")]).refused[0][1]


class TestByHand:
    def test_newton_and_continuity(self):
        """Entries of the plant that two lines of algebra give, at rest with closed lands."""
        axis = TABLE
        found = plants([Point(axis, 0.2, friction="viscous")])
        p = axis.parameters
        at = {name: found.states.index(name) for name in found.states}
        A, x = found.A[0], found.x[0]
        mass = p.load.M_p + p.load.M_t
        v = at["piston_velocity"]
        assert A[v, at["pressure_a"]] == pytest.approx(p.cylinder.A_A / mass, rel=1e-9)
        assert A[v, at["pressure_b"]] == pytest.approx(-p.cylinder.A_B / mass, rel=1e-9)
        assert A[v, v] == pytest.approx(-(p.load.B + p.load.B_s) / mass, rel=1e-9)
        assert found.B[0, v, 1] == pytest.approx(-1.0 / mass, rel=1e-9)
        # softness of oil with air and of the wall, physics of the oil written anew
        p_A = x[at["pressure_a"]]
        o, absolute = axis.file.oil, x[at["pressure_a"]] + ATMOSPHERE
        warm = o.temperature - o.bulk_modulus_temperature
        liquid = o.bulk_modulus - o.bulk_modulus_temperature_slope * warm
        liquid += o.bulk_modulus_pressure_slope * p_A
        r = (ATMOSPHERE / absolute) ** (1.0 / o.polytropic_exponent)
        air, n = o.free_air, o.polytropic_exponent
        soft = ((1.0 - air) / liquid + air * r / (n * absolute)) / ((1.0 - air) + air * r)
        soft += 1.0 / axis.file.cylinder.wall_modulus
        volume = p.cylinder.V_A0 + p.cylinder.V_lA + p.cylinder.A_A * 0.2
        expected = -p.cylinder.A_A / (volume * soft)
        assert A[at["pressure_a"], v] == pytest.approx(expected, rel=1e-7)

    def test_flow_gain_and_its_meaning(self):
        """Differences of the land equation of an overlapped valve, written anew."""
        axis = SCREW
        v = axis.parameters.valve
        p_T = axis.parameters.supply.p_T
        found = plants([Point(axis, 0.4, friction="viscous")])
        p_A = p_B = found.x[0][found.states.index("pressure_a")]

        def land(o, drop, K):
            wide = 0.5 * (o + math.sqrt(o * o + 4.0 * v.c**2))
            dp_t = v.dp_t / (v.c**2 + max(o, 0.0) ** 2)
            return K * wide * drop / (drop**2 + dp_t**2) ** 0.25

        def flow(s, d):
            up, down = p_A + 0.5 * d, p_B - 0.5 * d
            into = land(s - v.L_PA, p_S - up, v.K_A) - land(-s - v.L_AT, up - p_T, v.K_A)
            out = land(s - v.L_BT, down - p_T, v.K_B) - land(-s - v.L_PB, p_S - down, v.K_B)
            return 0.5 * (into + out)

        p_S = found.x[0][found.states.index("supply_pressure")]
        gain = (flow(1e-6, 0.0) - flow(-1e-6, 0.0)) / 2e-6
        edge = (flow(0.06 + 1e-6, 0.0) - flow(0.06 - 1e-6, 0.0)) / 2e-6
        slope = (flow(0.0, -10.0) - flow(0.0, 10.0)) / 20.0
        assert found.spool_command[0] == pytest.approx(0.0, abs=1e-9)
        assert found.flow_gain[0] == pytest.approx(gain, rel=1e-6)
        assert found.flow_pressure_coefficient[0] == pytest.approx(slope, rel=1e-6)
        assert found.pressure_gain[0] == pytest.approx(gain / slope, rel=1e-6)
        assert gain < 0.2 * edge
        assert found.meaningless[0]

    def test_what_rests_inside_the_overlap_is_meaningless_and_what_moves_is_not(self):
        found = plants([Point(SCREW, 0.4), Point(SCREW, 0.4, 0.01), Point(TABLE_LIKE_SCREW, 0.4)])
        assert found.meaningless.tolist() == [True, False, False]


TABLE_LIKE_SCREW = SCREW.replace(
    {f"valve.overlap_{land}": "0 %" for land in ("pa", "bt", "pb", "at")}
)
SYMMETRIC = TABLE.replace(
    {
        "transducer.cyclic_error": "0 um",
        "cylinder.dead_volume_b": TABLE.file.cylinder.dead_volume_a,
        "cylinder.line_volume_b": TABLE.file.cylinder.line_volume_a,
    }
)
MIRROR = {"pressure_a": "pressure_b", "pressure_b": "pressure_a"}
MIRROR |= {f"pressure_reading_{a}": f"pressure_reading_{b}" for a, b in ("ab", "ba")}
ODD = ("spool", "spool_rate", "piston_position", "piston_velocity", "scale_reading")


class TestSymmetries:
    @settings(max_examples=25)
    @given(
        place=st.floats(0.02, 0.98),
        velocity=st.sampled_from([0.0, 1e-4, 0.003, -0.02, 0.06]),
        thrust=st.floats(-3e3, 3e3),
        normal=st.floats(-2e3, 5e3),
        friction=st.sampled_from(["viscous", "sliding", "presliding"]),
    )
    def test_mirror_of_an_equal_area_cylinder(self, place, velocity, thrust, normal, friction):
        """Seen in a mirror the axis is itself: A and B change places, every motion its sign."""
        velocity = 0.0 if friction == "presliding" else velocity
        stroke = SYMMETRIC.file.cylinder.stroke
        here = Point(SYMMETRIC, place * stroke, velocity, thrust, normal, friction)
        there = here._replace(position=stroke - here.position, velocity=-velocity, thrust=-thrust)
        found = plants([here, there])
        names = found.states
        turn = np.zeros((len(names), len(names)))
        for k, name in enumerate(names):
            turn[k, names.index(MIRROR.get(name, name))] = -1.0 if name in ODD else 1.0
        signs = np.diag([-1.0, -1.0, 1.0])
        mirrored = np.hstack(
            [
                _scaled(turn @ found.A[1] @ turn.T, names, names),
                _scaled(turn @ found.B[1] @ signs, names, INPUTS),
            ]
        )
        mine = np.hstack([_scaled(found.A[0], names, names), _scaled(found.B[0], names, INPUTS)])
        # the null shift has a sign of its own: it moves the spool one way in both
        place = names.index("supply_pressure")
        shift = found.null_shift_slope[0]
        for matrix, column in ((mine, found.B[0, :, :1]), (mirrored, turn @ found.B[1, :, :1])):
            matrix[:, place] -= _scaled(shift * column, names, ["supply_pressure"])[:, 0]
        _same(mine, mirrored, 1e-6)
        assert_allclose(found.spool_command[0], -found.spool_command[1], atol=1e-9)

    @settings(max_examples=20)
    @given(mass=st.floats(0.0, 3000.0), place=st.floats(0.0, 1.0))
    def test_mass_acts_on_acceleration_alone(self, mass, place):
        """Viscous friction, level ways: Newton's law times the mass doesn't know the mass."""
        heavy = TABLE.replace({"table.workpiece_mass": mass})
        x = place * TABLE.file.cylinder.stroke
        found = plants([Point(axis, x, friction="viscous") for axis in (TABLE, heavy)])
        v = found.states.index("piston_velocity")
        masses = [a.parameters.load.M_p + a.parameters.load.M_t for a in (TABLE, heavy)]
        rows = np.concatenate([found.A, found.B], axis=2)
        assert_allclose(rows[1, v] * masses[1], rows[0, v] * masses[0], rtol=1e-8, atol=1e-6)
        others = [k for k in range(len(found.states)) if k != v]
        assert_allclose(rows[1, others], rows[0, others], rtol=1e-10, atol=1e-10)

    @settings(max_examples=25)
    @given(
        velocity=st.floats(0.002, 0.07),
        forward=st.booleans(),
        thrust=st.floats(-3e3, 3e3),
        place=st.floats(0.0, 1.0),
    )
    def test_the_simulation_is_steady_where_the_plant_is_taken(
        self, velocity, forward, thrust, place
    ):
        axis = TABLE
        v = velocity if forward else -velocity
        found = plants([Point(axis, place * axis.file.cylinder.stroke, v, thrust)])
        i = axis.parameters.index
        x, dx = np.zeros(len(STATES)), np.zeros(len(STATES))
        for name, value in zip(found.states, found.x[0], strict=True):
            x[getattr(i, name)] = value
        x[i.line_pressure_a], x[i.line_pressure_b] = x[i.pressure_a], x[i.pressure_b]
        x[i.tank_temperature] = axis.file.oil.temperature
        # the bristle of steady sliding carries the Stribeck level of physics.md section 4
        p = axis.parameters
        N = p.load.M_t * 9.80665 + p.load.N_0
        seal = p.cylinder.seal_p * (x[i.pressure_a] + x[i.pressure_b])
        F_c = p.load.mu_c * N + p.cylinder.seal_c + seal
        F_s = p.load.mu_s * N + p.cylinder.seal_s + seal
        g = F_c + (F_s - F_c) * math.exp(-((abs(v) / axis.file.table.stribeck_velocity) ** 2))
        x[i.way_bristle] = math.copysign(g / axis.file.table.bristle_stiffness, v)
        w = record(nothing_held())
        w.spool_command, w.thrust = found.spool_command[0], thrust
        axis_rhs(0.0, x, w, axis.record, record(axis.move), dx)
        force = p.cylinder.A_A * p.supply.p_set
        assert dx[i.piston_position] == v
        assert abs(dx[i.piston_velocity]) * (p.load.M_p + p.load.M_t) < 1e-6 * force
        assert abs(dx[i.pressure_a]) < 1e3
        assert abs(dx[i.pressure_b]) < 1e3
        assert abs(dx[i.supply_pressure]) < 1e3
        assert abs(dx[i.scale_reading] - v * p.transducer.scale) < 1e-3 * abs(v)
