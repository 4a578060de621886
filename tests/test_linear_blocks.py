"""Blocks joined by name against the assembled axis; linear forms against derivations by hand."""

import math
from pathlib import Path

import control
import numpy as np
import pytest
from axis_files import AXIS_FILES
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from servosim._blocks import differentiate
from servosim._equations import STATES, axis_rhs, nothing_held
from servosim.axis import read_axis
from servosim.blocks import (
    COMPONENTS,
    Block,
    axis_blocks,
    join,
    joined_system,
    linear_axis,
    linearise,
    operating_point,
    plant_blocks,
    system,
)
from servosim.components.controller import STATES as CONTROLLER_STATES
from servosim.errors import ParameterError

PARAMS = Path(__file__).parent.parent / "params"
FILES = AXIS_FILES
ATMOSPHERE = 101325.0

# demo table with a controller in which every term of the law acts
FULL_LAW = {
    "controller.kind": "continuous",
    "controller.computing_delay": None,
    "transducer.noise": "0 um",
    "transducer.resolution": "0 um",
    "transducer.pressure_noise": "0 bar",
    "transducer.pressure_resolution": "0 bar",
    "controller.integral_gain": "30 1/s2",
    "controller.acceleration_feedforward": "2 ms",
    "controller.load_pressure_correction": "square_root",
    "controller.correction_frequency": "1 Hz",
    "controller.correction_floor": "20 %",
}
PLUNGER = {
    "cylinder.kind": "plunger",
    "cylinder.rod_diameter": None,
    "table.counterbalance": "none",
    "table.counterbalance_force": None,
    "table.counterbalance_position": None,
    "table.counterbalance_area": None,
    "table.counterbalance_gas_volume": None,
    "table.counterbalance_exponent": None,
}


def _axes():
    axes = {path.stem: read_axis(path) for path in FILES}
    table = axes["tube_sheet_table"]
    axes["full law"] = table.replace(FULL_LAW)
    axes["plunger"] = axes["vertical_slide"].replace(PLUNGER)
    return axes


AXES = _axes()
# the numbers that derivations by hand below use, so that the demonstration file may change
TABLE = AXES["tube_sheet_table"].replace(
    {
        "oil.bulk_modulus": "1.5 GPa",
        "oil.bulk_modulus_temperature": "20 degC",
        "oil.bulk_modulus_temperature_slope": "4 MPa/K",
        "oil.temperature": "40 degC",
        "supply.pressure": "140 bar",
        "supply.return_pressure": "2 bar",
        "valve.natural_frequency": "90 Hz",
        "valve.damping_ratio": 0.8,
        "valve.null_shift_pressure": "0.005 %/bar",
        "valve.overlap_pa": "0.5 %",
        "valve.overlap_bt": "0.5 %",
        "valve.overlap_pb": "0.5 %",
        "valve.overlap_at": "0.5 %",
        "cylinder.bore_diameter": "80 mm",
        "cylinder.rod_diameter": "45 mm",
        "cylinder.stroke": "700 mm",
        "cylinder.dead_volume_a": "90 cm3",
        "cylinder.dead_volume_b": "90 cm3",
        "cylinder.line_volume_a": "60 cm3",
        "cylinder.line_volume_b": "60 cm3",
        "cylinder.seal_friction": "250 N",
        "cylinder.seal_breakaway": "330 N",
        "cylinder.seal_pressure_friction": "0.5 N/bar",
        "cylinder.seal_viscous": "600 N s/m",
        "table.mass": "650 kg",
        "table.workpiece_mass": "350 kg",
        "table.coulomb_coefficient": 0.05,
        "table.static_coefficient": 0.07,
        "table.normal_thrust_factor": 1,
        "table.stribeck_velocity": "4 mm/s",
        "table.stribeck_exponent": 2,
        "table.viscous_friction": "3000 N s/m",
        "table.bristle_stiffness": "80 N/um",
        "table.bristle_damping": "30 kN s/m",
        "structure.piston_mass": "25 kg",
        "transducer.scale_error": "0 um/m",
        "transducer.scale_temperature": "20 degC",
        "transducer.cyclic_error": "0.2 um",
        "transducer.cyclic_period": "20 um",
        "transducer.cyclic_phase": "0 deg",
        "transducer.time_constant": "0.1 ms",
        "transducer.pressure_time_constant": "1 ms",
        "controller.velocity_gain": "22 1/s",
        "controller.velocity_feedforward": "90 %",
        "controller.load_pressure_feedback": "4 (mm/s)/bar",
        "controller.filter_frequency": "200 Hz",
        "controller.overlap_compensation": "90 %",
        "controller.overlap_smoothing": "0.3 %",
    }
)
# the demo table as the textbooks see it: Coulomb friction, air and elastic walls left out
TEXTBOOK = TABLE.replace(
    {
        "table.coulomb_coefficient": 0,
        "table.static_coefficient": 0,
        "cylinder.seal_friction": "0 N",
        "cylinder.seal_breakaway": "0 N",
        "cylinder.seal_pressure_friction": "0 N/bar",
        "cylinder.wall": "rigid",
        "cylinder.wall_modulus": None,
        "oil.free_air": "0 %",
        "oil.bulk_modulus_pressure_slope": 0,
        "transducer.cyclic_error": "0 um",
    }
)


def _lockable(axis):
    return axis.file.lock.kind in ("blocking_valve", "pilot_check")


CENTRE = {
    "spool": (0.0, 1.2),
    "spool_rate": (0.0, 50.0),
    "piston_velocity": (0.0, 0.3),
    "table_velocity": (0.0, 0.3),
    "way_bristle": (0.0, 2e-5),
    "seal_bristle": (0.0, 2e-5),
    "pump_flow": (2e-4, 2e-4),
    "gas_temperature": (293.0, 20.0),
    "tank_temperature": (310.0, 20.0),
    "integral": (0.0, 1e-3),
    "filtered_velocity": (0.0, 0.3),
}


def _random_state(axis, numbers, split):
    """Return a state vector of the axis and the same by name, anywhere it could be."""
    i, p, stroke = axis.parameters.index, axis.parameters, axis.file.cylinder.stroke
    x = np.zeros(len(STATES))
    for name, z in zip(STATES, numbers, strict=True):
        middle, half = CENTRE.get(name, (0.0, 0.0))
        if "pressure" in name or name == "load_estimate":
            middle, half = 0.5 * p.supply.p_set, 0.6 * p.supply.p_set
        if name in ("piston_position", "filtered_position", "scale_reading"):
            middle, half = 0.5 * stroke, 0.55 * stroke
        x[getattr(i, name)] = middle + half * z
    if i.table_position != i.piston_position:
        x[i.table_position] = x[i.piston_position] + 2e-5 * numbers[STATES.index("table_position")]
    if not p.cylinder.has_b:
        x[i.pressure_b] = x[i.line_pressure_b] = 0.0
    if not split:
        x[i.line_pressure_a], x[i.line_pressure_b] = x[i.pressure_a], x[i.pressure_b]
    if axis.file.supply.kind == "ideal":
        x[i.supply_pressure] = p.supply.p_set
        x[i.pump_flow] = p.supply.q_max
    if axis.file.supply.kind == "fixed_pump":
        x[i.pump_flow] = p.supply.q_max
    if axis.file.supply.accumulator == "none":
        x[i.gas_temperature] = p.supply.T_a
    if axis.file.transducer.pressure == "none":
        x[i.pressure_reading_a] = x[i.pressure_reading_b] = 0.0
    for n in (*STATES,):
        if n in ("supplied_energy", "mechanical_work", "heat", "drawn_volume"):
            x[getattr(i, n)] = 0.0
    return x, {n: x[getattr(i, n)] for n in STATES}


def _rates(axis, x, w):
    dx = np.zeros(len(STATES))
    axis_rhs(0.0, x, w, axis.record, axis.move, dx)
    return dx


_unit = st.floats(-1.0, 1.0, allow_nan=False)


class TestJoinedBlocksAreTheAxis:
    """Joined by name, the blocks give the rates that the simulation integrates."""

    @pytest.mark.parametrize("split", [False, True])
    @pytest.mark.parametrize("name", list(AXES))
    @settings(max_examples=15, deadline=None)
    @given(
        numbers=st.lists(_unit, min_size=len(STATES), max_size=len(STATES)),
        pushes=st.lists(_unit, min_size=8, max_size=8),
    )
    def test_rates(self, name, split, numbers, pushes):
        axis = AXES[name]
        if split and not _lockable(axis):
            return
        x, states = _random_state(axis, numbers, split)
        i = axis.parameters.index
        inputs = {
            "spool_command": 1.1 * pushes[0],
            "thrust": 5e3 * pushes[1],
            "normal_thrust": 5e3 * pushes[2],
            "lock_area_a": 0.5 + 0.5 * pushes[3],
            "lock_area_b": 0.5 + 0.5 * pushes[4],
            "displaced_flow_a": 1e-6 * pushes[5],
            "displaced_flow_b": -1e-6 * pushes[5],
            "brake_engaged": 1.0 if pushes[6] > 0.0 else 0.0,
            "brake_position": x[i.table_position] + 1e-5 * pushes[6],
            "reference_position": x[i.scale_reading] + 1e-3 * pushes[7],
        }
        w = nothing_held()._replace(
            spool_command=inputs["spool_command"],
            alive=1,
            integrating=1,
            reference=inputs["reference_position"],
            thrust=inputs["thrust"],
            normal=inputs["normal_thrust"],
            area_a=inputs["lock_area_a"],
            area_b=inputs["lock_area_b"],
            displaced_a=inputs["displaced_flow_a"],
            displaced_b=inputs["displaced_flow_b"],
            merged_a=0.0 if split else 1.0,
            merged_b=0.0 if split else 1.0,
            brake=inputs["brake_engaged"],
            brake_position=inputs["brake_position"],
        )
        blocks = axis_blocks(axis, split=split)
        whole = join(blocks)
        x_b = np.array([states[n] for n in whole.states])
        u_b = np.array([inputs.get(n, 0.0) for n in whole.inputs])
        if axis.file.controller.kind == "continuous":
            # memories of the plays that stand at the command itself: the play passes it unchanged
            signals = dict(zip(whole.outputs, whole.output(0.0, x_b, u_b), strict=True))
            p = axis.parameters.valve
            shift = p.bias + p.bias_pressure * (signals["supply_pressure"] - p.p_rating)
            w = w._replace(narrow=signals["command"] + shift, wide=signals["command"] + shift)
        expected = _rates(axis, x, w)
        wanted = np.array([expected[getattr(i, n)] for n in whole.states])
        assert_allclose(whole.derivative(0.0, x_b, u_b), wanted, rtol=1e-9, atol=1e-12)
        both = joined_system(blocks)
        assert_allclose(both.dynamics(0.0, x_b, u_b), wanted, rtol=1e-9, atol=1e-12)

    @pytest.mark.parametrize("name", list(AXES))
    def test_every_active_state_belongs_to_a_block(self, name):
        axis = AXES[name]
        i = axis.parameters.index
        whole = join(axis_blocks(axis, split=_lockable(axis)))
        assert {getattr(i, n) for n in whole.states} == set(range(axis.parameters.n_all))

    def test_control_library_names_the_blocks_signals(self):
        block = COMPONENTS["load"].block(TABLE)
        one = system(block)
        assert one.input_labels == list(block.inputs)
        assert one.output_labels == list(block.outputs)
        assert one.state_labels == list(block.states)


class TestJoinRefuses:
    def _gain(self, name, source, sink, factor, period=0.0):
        return Block(
            name,
            (),
            (source,),
            (sink,),
            lambda t, x, u: np.zeros(0),
            lambda t, x, u: factor * u,
            period,
        )

    def test_two_blocks_with_one_output(self):
        with pytest.raises(ParameterError, match="output b belongs to more than one block"):
            join([self._gain("one", "a", "b", 1.0), self._gain("two", "c", "b", 1.0)])

    def test_a_loop_without_a_state(self):
        whole = join([self._gain("one", "a", "b", 2.0), self._gain("two", "b", "c", 1.0)])
        assert_allclose(whole.output(0.0, np.zeros(0), np.ones(1)), [2.0, 2.0])
        # b = 2 a + external would need an adder; the plain ring a -> b -> a grows from any start
        ring = join(
            [
                Block(
                    "one",
                    (),
                    ("a",),
                    ("b",),
                    lambda t, x, u: np.zeros(0),
                    lambda t, x, u: 2.0 * u + 1.0,
                ),
                self._gain("two", "b", "a", 1.0),
            ]
        )
        with pytest.raises(ParameterError, match="depend on themselves"):
            ring.output(0.0, np.zeros(0), np.zeros(0))

    def test_two_periods(self):
        blocks = [self._gain("one", "a", "b", 1.0), self._gain("two", "b", "c", 1.0, 1e-3)]
        with pytest.raises(ParameterError, match="different sampling periods"):
            join(blocks)


POINTS = [
    {"velocity": 0.0, "friction": "viscous"},
    {"velocity": 0.0, "friction": "sliding"},
    {"velocity": 0.0, "friction": "presliding"},
    {"velocity": 0.03, "friction": "sliding"},
    {"velocity": -0.03, "friction": "viscous"},
    {"velocity": 0.0, "friction": "sliding", "thrust": 300.0},
]


def _point(axis, **how):
    return operating_point(axis, position=0.45 * axis.file.cylinder.stroke, **how)


def _cases():
    for name, axis in AXES.items():
        for how in POINTS:
            if how["friction"] == "presliding" and axis.file.table.friction == "stribeck":
                continue
            yield pytest.param(name, how, id=f"{name} {how}")
        if _lockable(axis):
            yield pytest.param(name, {"friction": "viscous", "lock": "closed"}, id=f"{name} locked")


MOVING = (
    "piston_position",
    "table_position",
    "scale_reading",
    "filtered_position",
)


class TestOperatingPoint:
    @pytest.mark.parametrize(("name", "how"), list(_cases()))
    def test_everything_but_the_positions_is_constant(self, name, how):
        axis = AXES[name]
        at = _point(axis, **how)
        v = how.get("velocity", 0.0)
        closed = how.get("lock") == "closed"
        for state, rate in at.rates.items():
            if state in MOVING:
                read = state in ("scale_reading", "filtered_position")
                scale = axis.parameters.transducer.scale if read else 1.0
                assert rate == pytest.approx(v * scale, rel=1e-9, abs=1e-12), state
            elif "pressure" in state and "reading" not in state:
                # flow over compliance: 1e5 Pa/s is a few mm3/s; chambers that leak can't rest
                limit = 1e9 if closed else 1e3
                assert abs(rate) < limit, state
            elif state == "spool_rate":
                assert abs(rate) < 1e-4, state
            else:
                assert abs(rate) < 1e-6, state

    @pytest.mark.parametrize("name", list(AXES))
    def test_the_simulation_agrees_that_it_is_steady(self, name):
        """At an operating point the very rates of the simulation vanish, bristles in sliding."""
        axis = AXES[name]
        v = 0.02
        at = _point(axis, velocity=v, friction="sliding")
        i = axis.parameters.index
        x = np.zeros(len(STATES))
        for n in reversed(STATES):
            if n in at.states:
                x[getattr(i, n)] = at.states[n]
        if axis.parameters.load.two:  # the point counts backlash as taken up, with gain one
            stretch = x[i.piston_position] - x[i.table_position]
            x[i.piston_position] += math.copysign(0.5 * axis.parameters.load.b, stretch)
        w = nothing_held()._replace(spool_command=at.states["spool"])
        dx = _rates(axis, x, w)
        mass = axis.parameters.load.M_p + axis.parameters.load.M_t
        force = axis.parameters.cylinder.A_A * axis.parameters.supply.p_set
        assert abs(dx[i.piston_velocity]) < 1e-6 * force / mass
        assert abs(dx[i.pressure_a]) < 1e3
        assert abs(dx[i.pressure_b]) < 1e3
        if axis.file.table.friction != "stribeck":
            assert abs(dx[i.way_bristle]) < 1e-12
        assert dx[i.piston_position] == v

    @pytest.mark.parametrize(
        ("how", "text"),
        [
            ({"position": 2.0}, "outside the stroke"),
            ({"position": 0.3, "friction": "dry"}, "no form of friction"),
            ({"position": 0.3, "lock": "half"}, "neither"),
            ({"position": 0.3, "velocity": 0.1, "lock": "closed"}, "at rest"),
            ({"position": 0.3, "velocity": 0.1, "friction": "presliding"}, "at rest"),
            ({"position": 0.3, "velocity": 5.0}, "no steady motion"),
            ({"position": 0.3, "velocity": math.nan}, "finite"),
            ({"position": 0.3, "thrust": 1e5}, "nothing holds"),
        ],
    )
    def test_refusals(self, how, text):
        with pytest.raises(ParameterError, match=text):
            operating_point(TABLE, **how)

    @pytest.mark.parametrize("end", [0.0, 1.0])
    def test_end_stops_do_not_act(self, end):
        """At the very end of the stroke the loaded coupling would press the piston on its stop."""
        axis = AXES["screw_table"]
        place = end * axis.file.cylinder.stroke
        push = -500.0 if end == 0.0 else 500.0
        at = operating_point(axis, position=place, thrust=push, friction="viscous")
        assert at.signals["end_stop_force"] == 0.0
        cylinder = COMPONENTS["cylinder"].linearise(axis, at)
        assert_allclose(cylinder.C[cylinder.output_labels.index("end_stop_force")], 0.0)
        assert_allclose(cylinder.D[cylinder.output_labels.index("end_stop_force")], 0.0)

    def test_refuses_what_the_axis_has_not(self):
        rig = AXES["teaching_rig"]
        with pytest.raises(ParameterError, match="no element between line and chamber"):
            operating_point(rig, position=0.1, lock="closed")
        with pytest.raises(ParameterError, match="no bristle"):
            operating_point(rig, position=0.1, friction="presliding")


def _scaled(A, names_out, names_in, scale):
    """Return a matrix without units, so that one tolerance fits all of it."""
    left = np.array([1.0 / scale(n) for n in names_out])
    right = np.array([scale(n) for n in names_in])
    return left[:, None] * A * right[None, :]


def _scale(name):
    for part, value in (
        ("reading_", 1e5),
        ("pressure", 1e5),
        ("estimate", 1e5),
        ("flow", 1e-5),
        ("spool_rate", 10.0),
        ("velocity", 1e-2),
        ("integral", 1e-2),
        ("position", 1e-3),
        ("reading", 1e-3),
        ("temperature", 1.0),
        ("thrust", 1e3),
        ("force", 1e3),
        ("seal", 1e3),
    ):
        if part in name:
            return value
    return 0.05


class TestLinearForms:
    @pytest.mark.parametrize(("name", "how"), list(_cases()))
    def test_linear_blocks_joined_are_the_derivative_of_the_joined_blocks(self, name, how):
        axis = AXES[name]
        at = _point(axis, **how)
        blocks = axis_blocks(axis, operating_point=at, closed_loop=True)
        whole = linearise(join(blocks), at)
        parts = control.interconnect(
            [linearise(b, at) for b in blocks],
            inputs=whole.input_labels,
            outputs=whole.output_labels,
            check_unused=False,
        )
        x, u, y = whole.state_labels, whole.input_labels, whole.output_labels
        assert [n.split("_", 1)[1] for n in parts.state_labels if n.startswith("valve")] == [
            n for n in x if n.startswith("spool")
        ]
        for key, rows, columns in (("A", x, x), ("B", x, u), ("C", y, x), ("D", y, u)):
            mine = _scaled(getattr(whole, key), rows, columns, _scale)
            theirs = _scaled(getattr(parts, key), rows, columns, _scale)
            largest = np.max(abs(theirs), axis=1, keepdims=True) + 1e-9
            assert_allclose(mine / largest, theirs / largest, rtol=1e-6, atol=1e-7, err_msg=key)

    @pytest.mark.parametrize("axis", [TEXTBOOK, AXES["teaching_rig"]], ids=["table", "rig"])
    def test_whole_is_the_derivative_of_the_simulation(self, axis):
        """Without Coulomb friction the linear form has to be the Jacobian of axis_rhs itself."""
        at = _point(axis, friction="sliding")
        whole = linear_axis(axis, at, closed_loop=False)
        i = axis.parameters.index
        x = np.zeros(len(STATES))
        for n in reversed(STATES):
            if n in at.states:
                x[getattr(i, n)] = at.states[n]
        w = nothing_held()._replace(spool_command=at.states["spool"])
        steps = {"spool": 1e-5, "table_velocity": 1e-6, "piston_velocity": 1e-6}
        for column, name in enumerate(whole.state_labels):
            h = steps.get(name, 1e3 if "pressure" in name else 1e-6)
            up, down = x.copy(), x.copy()
            for same in (name, f"line_{name}") if name in ("pressure_a", "pressure_b") else (name,):
                up[getattr(i, same)] = x[getattr(i, name)] + h
                down[getattr(i, same)] = x[getattr(i, name)] - h
            slope = (_rates(axis, up, w) - _rates(axis, down, w)) / (2.0 * h)
            for row, state in enumerate(whole.state_labels):
                mine = whole.A[row, column]
                size = _scale(state) / _scale(name)
                assert mine == pytest.approx(slope[getattr(i, state)], rel=2e-4, abs=1e-3 * size), (
                    state,
                    name,
                )

    def test_never_squeezed(self):
        at = _point(TABLE)
        one = COMPONENTS["lock_a"].linearise(TABLE, at)
        assert one.D.shape == (1, 3)
        assert COMPONENTS["ports"].linearise(TABLE, at).A.shape == (0, 0)
        pick = linear_axis(TABLE, at)["piston_velocity", "spool_command"]
        assert pick(1j, squeeze=False).shape == (1, 1)

    def test_missing_value_is_named(self):
        at = _point(TABLE)
        block = Block("odd", (), ("nothing",), (), lambda t, x, u: x, lambda t, x, u: x)
        with pytest.raises(ParameterError, match="no value for nothing"):
            linearise(block, at)


class TestValveByHand:
    """Derivatives of the land equation of physics.md section 2, written out at null."""

    @pytest.mark.parametrize("overlap", [0.02, 0.004, -0.01])
    def test_null_coefficients(self, overlap):
        percent = f"{100.0 * overlap} %"
        keys = ("pa", "bt", "pb", "at")
        changes = {f"valve.overlap_{k}": percent for k in keys}
        changes["valve.null_leakage"] = "0.3 L/min" if overlap > 0 else "0.9 L/min"
        axis = TEXTBOOK.replace(changes)
        at = _point(axis)
        p = axis.parameters.valve
        p_S, p_T = at.states["supply_pressure"], axis.parameters.supply.p_T
        dp, o = 0.5 * (p_S - p_T), -overlap
        assert at.states["pressure_a"] == pytest.approx(p_T + dp, rel=1e-9)
        root = math.sqrt(o * o + 4.0 * p.c**2)
        o_eff, o_slope = 0.5 * (o + root), 0.5 * (1.0 + o / root)
        gap = p.c**2 + max(o, 0.0) ** 2
        dp_t = p.dp_t / gap
        r = dp * dp + dp_t * dp_t
        # d/do of K o_eff dp r^(-1/4), where an open land's transition pressure falls as it opens
        dp_t_slope = -p.dp_t / gap**2 * 2.0 * max(o, 0.0)
        gain = p.K_A * dp * (o_slope * r**-0.25 - 0.25 * o_eff * r**-1.25 * 2 * dp_t * dp_t_slope)
        flow = p.K_A * o_eff * r**-1.25 * (0.5 * dp * dp + dp_t * dp_t)  # d/d(dp)
        valve = COMPONENTS["valve"].linearise(axis, at)
        C, D = valve.C, valve.D
        y, u = valve.output_labels.index, valve.input_labels.index
        spool = valve.state_labels.index("spool")
        assert C[y("flow_pa"), spool] == pytest.approx(gain, rel=1e-6)
        assert C[y("flow_bt"), spool] == pytest.approx(gain, rel=1e-6)
        assert C[y("flow_at"), spool] == pytest.approx(-gain, rel=1e-6)
        assert C[y("flow_pb"), spool] == pytest.approx(-gain, rel=1e-6)
        assert D[y("flow_pa"), u("line_pressure_a")] == pytest.approx(-flow, rel=1e-6)
        assert D[y("flow_pa"), u("supply_pressure")] == pytest.approx(flow, rel=1e-6)
        assert D[y("flow_at"), u("line_pressure_a")] == pytest.approx(flow, rel=1e-6)
        assert D[y("flow_bt"), u("line_pressure_b")] == pytest.approx(flow, rel=1e-6)
        assert D[y("flow_bt"), u("return_pressure")] == pytest.approx(-flow, rel=1e-6)
        assert D[y("flow_pb"), u("line_pressure_b")] == pytest.approx(-flow, rel=1e-6)
        assert D[y("flow_pb"), u("line_pressure_a")] == pytest.approx(0.0, abs=1e-9 * flow)

    def test_spool(self):
        """A rate-limited second order is the plain second order for small signals."""
        valve = COMPONENTS["valve"].linearise(TABLE, _point(TABLE))
        omega, zeta = 2.0 * math.pi * 90.0, 0.8
        assert_allclose(valve.A, [[0, 1], [-(omega**2), -2 * zeta * omega]], rtol=1e-7, atol=1e-9)
        assert_allclose(valve.B[:, 0], [0, omega**2], rtol=1e-7, atol=1e-9)
        assert_allclose(valve.B[:, 1:], 0.0, atol=1e-9)

    def test_first_order_spool(self):
        rig = AXES["teaching_rig"]
        valve = COMPONENTS["valve"].linearise(rig, _point(rig))
        tau = rig.file.valve.time_constant
        assert_allclose(valve.A, [[-1.0 / tau]], rtol=1e-7)
        assert valve.B[0, 0] == pytest.approx(1.0 / tau, rel=1e-7)


def _oil_stiffness(axis, pressure):
    """Return K of oil with free air, physics.md section 1."""
    o = axis.file.oil
    K_l = o.bulk_modulus - o.bulk_modulus_temperature_slope * (
        o.temperature - o.bulk_modulus_temperature
    )
    K_l += o.bulk_modulus_pressure_slope * pressure
    r = (ATMOSPHERE / (pressure + ATMOSPHERE)) ** (1.0 / o.polytropic_exponent)
    gas = o.free_air * r
    liquid = 1.0 - o.free_air
    n = o.polytropic_exponent
    return 1.0 / ((liquid / K_l + gas / (n * (pressure + ATMOSPHERE))) / (liquid + gas))


class TestCylinderByHand:
    """Balances of both chambers, physics.md section 3, at a steady point."""

    @pytest.mark.parametrize("name", ["tube_sheet_table", "vertical_slide"])
    def test_merged(self, name):
        axis = AXES[name].replace(
            {
                "cylinder.internal_leakage": "2 cm3/min/bar",
                "cylinder.external_leakage_a": "0.5 cm3/min/bar",
                "cylinder.external_leakage_b": "0.3 cm3/min/bar",
            }
        )
        at, f = _point(axis), axis.file.cylinder
        cylinder = COMPONENTS["cylinder"].linearise(axis, at)
        full = math.pi / 4.0 * f.bore_diameter**2
        ring = full - math.pi / 4.0 * f.rod_diameter**2
        A_A, A_B = (ring, ring) if f.kind == "double_rod" else (full, ring)
        V_A = f.dead_volume_a + f.line_volume_a + A_A * at.position
        V_B = f.dead_volume_b + f.line_volume_b + A_B * (f.stroke - at.position)
        K_A = _oil_stiffness(axis, at.states["pressure_a"])
        K_B = _oil_stiffness(axis, at.states["pressure_b"])
        hose_A = f.hose_volume_a / f.hose_modulus if f.hose == "flexible" else 0.0
        hose_B = f.hose_volume_b / f.hose_modulus if f.hose == "flexible" else 0.0
        C_A = V_A * (1.0 / K_A + 1.0 / f.wall_modulus) + hose_A
        C_B = V_B * (1.0 / K_B + 1.0 / f.wall_modulus) + hose_B
        bar = 1e-6 / 60.0 / 1e5
        C_i, C_eA, C_eB = 2 * bar, 0.5 * bar, 0.3 * bar
        A = [[-(C_i + C_eA) / C_A, C_i / C_A], [C_i / C_B, -(C_i + C_eB) / C_B]]
        assert cylinder.state_labels == ["pressure_a", "pressure_b"]
        assert_allclose(cylinder.A, A, rtol=1e-6)
        u = cylinder.input_labels.index
        assert_allclose(cylinder.B[:, u("port_flow_a")], [1.0 / C_A, 0.0], rtol=1e-6)
        assert_allclose(cylinder.B[:, u("port_flow_b")], [0.0, -1.0 / C_B], rtol=1e-6)
        assert_allclose(cylinder.B[:, u("displaced_flow_b")], [0.0, 1.0 / C_B], rtol=1e-6)
        velocity = cylinder.B[:, u("piston_velocity")]
        assert_allclose(velocity, [-A_A / C_A, A_B / C_B], rtol=1e-6)
        # volumes act on rates only while pressures change: 1 mm counts less than 1 nm/s
        position = cylinder.B[:, u("piston_position")] * 1e-3
        assert np.all(abs(position) < 1e-9 * abs(velocity))
        force = cylinder.C[cylinder.output_labels.index("hydraulic_force")]
        assert_allclose(force, [A_A, -A_B], rtol=1e-7)
        seal = cylinder.C[cylinder.output_labels.index("seal_coulomb")]
        assert_allclose(seal, [f.seal_pressure_friction] * 2, rtol=1e-6)

    def test_split(self):
        at, f = _point(TABLE, lock="closed"), TABLE.file.cylinder
        cylinder = COMPONENTS["cylinder"].linearise(TABLE, at)
        A = math.pi / 4.0 * (f.bore_diameter**2 - f.rod_diameter**2)
        K = _oil_stiffness(TABLE, at.states["pressure_a"])
        C_A = (f.dead_volume_a + A * at.position) * (1.0 / K + 1.0 / f.wall_modulus)
        C_l = f.line_volume_a * (1.0 / K + 1.0 / f.wall_modulus)
        x, u = cylinder.state_labels.index, cylinder.input_labels.index
        B = cylinder.B
        assert B[x("pressure_a"), u("piston_velocity")] == pytest.approx(-A / C_A, rel=1e-6)
        assert B[x("pressure_a"), u("lock_flow_a")] == pytest.approx(1.0 / C_A, rel=1e-6)
        assert B[x("pressure_a"), u("port_flow_a")] == pytest.approx(0.0, abs=1e-6 / C_A)
        assert B[x("line_pressure_a"), u("port_flow_a")] == pytest.approx(1.0 / C_l, rel=1e-6)
        assert B[x("line_pressure_a"), u("lock_flow_a")] == pytest.approx(-1.0 / C_l, rel=1e-6)

    def test_closed_lock_leaks_in_proportion(self):
        axis = TABLE.replace({"lock.leakage": "0.6 cm3/min/bar"})
        lock = COMPONENTS["lock_b"].linearise(axis, _point(axis, lock="closed"))
        G = 0.6e-6 / 60.0 / 1e5
        assert_allclose(lock.D[0, :2], [-G, G], rtol=1e-6)


class TestLoadByHand:
    """Newton's law of physics.md section 4, with the forms of friction."""

    def test_one_mass_viscous(self):
        load = COMPONENTS["load"].linearise(TABLE, _point(TABLE, friction="viscous"))
        M, B = 650.0 + 350.0 + 25.0, 3000.0 + 600.0
        assert load.state_labels == ["piston_position", "piston_velocity"]
        assert_allclose(load.A, [[0, 1], [0, -B / M]], rtol=1e-7, atol=1e-9)
        u = load.input_labels.index
        assert load.B[1, u("hydraulic_force")] == pytest.approx(1.0 / M, rel=1e-7)
        assert load.B[1, u("thrust")] == pytest.approx(-1.0 / M, rel=1e-7)
        assert load.B[1, u("normal_thrust")] == 0.0

    def test_presliding_is_a_spring_to_ground(self):
        load = COMPONENTS["load"].linearise(TABLE, _point(TABLE, friction="presliding"))
        M = 1025.0
        A = [[0, 1], [-80e6 / M, -(30e3 + 3600.0) / M]]
        assert_allclose(load.A, A, rtol=1e-6, atol=1e-9)

    @pytest.mark.parametrize("v", [0.001, 0.003, -0.003, 0.02])
    def test_sliding_slope(self, v):
        """g'(v) of the Stribeck curve by hand; below zero the slope is cut off at zero."""
        at = _point(TABLE, velocity=v, friction="sliding")
        load = COMPONENTS["load"].linearise(TABLE, at)
        f, M = TABLE.file, 1025.0
        N = 1000.0 * 9.80665
        pressed = 0.5 / 1e5 * (at.states["pressure_a"] + at.states["pressure_b"])
        F_c, F_s = 0.05 * N + 250.0 + pressed, 0.07 * N + 330.0 + pressed
        s = v / f.table.stribeck_velocity
        e = math.exp(-s * s)
        slope = 3600.0 - (F_s - F_c) * e * 2.0 * abs(s) / f.table.stribeck_velocity
        assert load.A[1, 1] == pytest.approx(-max(slope, 0.0) / M, rel=1e-6, abs=1e-9)
        u, sign = load.input_labels.index, math.copysign(1.0, v)
        assert load.B[1, u("seal_coulomb")] == pytest.approx(-sign * (1.0 - e) / M, rel=1e-6)
        assert load.B[1, u("seal_static")] == pytest.approx(-sign * e / M, rel=1e-6)
        pressing = sign * (0.05 * (1.0 - e) + 0.07 * e) / M
        assert load.B[1, u("normal_thrust")] == pytest.approx(-pressing, rel=1e-6)
        # and the point itself carries the whole friction of that velocity
        friction = sign * (F_c + (F_s - F_c) * e) + 3600.0 * v
        assert at.signals["friction_force"] == pytest.approx(friction, rel=1e-7)
        assert at.signals["hydraulic_force"] == pytest.approx(friction, rel=1e-6)

    def test_two_masses(self):
        axis = AXES["screw_table"]
        load = COMPONENTS["load"].linearise(axis, _point(axis, friction="viscous", thrust=200.0))
        f, c = axis.file, axis.file.cylinder
        # rotor inertia along the screw: J (2 pi / h)^2 with the lead h per turn
        lead_per_turn = c.screw_lead * 2.0 * math.pi
        M_p = f.structure.piston_mass + c.rotor_inertia * (2.0 * math.pi / lead_per_turn) ** 2
        M_t = f.table.mass + f.table.workpiece_mass
        k, d = f.structure.coupling_stiffness, f.structure.coupling_damping
        B, B_s = f.table.viscous_friction, c.seal_viscous
        A = [
            [0, 1, 0, 0],
            [-k / M_p, -(d + B_s) / M_p, k / M_p, d / M_p],
            [0, 0, 0, 1],
            [k / M_t, d / M_t, -k / M_t, -(d + B) / M_t],
        ]
        assert load.state_labels == [
            "piston_position",
            "piston_velocity",
            "table_position",
            "table_velocity",
        ]
        assert_allclose(load.A, A, rtol=1e-6, atol=1e-6)


class TestSupplyByHand:
    def test_pump_with_accumulator(self):
        """Oil and adiabatic gas share the pressure; the compensator is a first-order lag."""
        axis = TABLE.replace(
            {
                "supply.compensator_band": "4 bar",
                "supply.compensator_time": "40 ms",
                "supply.pump_flow": "20 L/min",
                "supply.pump_line_volume": "1.5 L",
                "supply.accumulator_volume": "2.5 L",
                "supply.precharge_pressure": "100 bar",
                "supply.gas_exponent": 1.4,
                "supply.gas_time_constant": "20 s",
                "supply.ambient_temperature": "20 degC",
            }
        )
        at = _point(axis)
        supply = COMPONENTS["supply"].linearise(axis, at)
        p = at.states["supply_pressure"]
        K = _oil_stiffness(axis, p)
        p_abs, T = p + ATMOSPHERE, 293.15
        V = 2.5e-3 * (100e5 + ATMOSPHERE) / p_abs  # gas at ambient temperature
        C = 1.5e-3 / K + V / (1.4 * p_abs)
        assert supply.state_labels == ["supply_pressure", "pump_flow", "gas_temperature"]
        # a warmer gas cools and shrinks: V/(kappa tau T) for each degree above ambient
        assert_allclose(supply.A[0], [0.0, 1.0 / C, -V / (28.0 * T) / C], rtol=1e-6, atol=1e-6)
        q_max = 20e-3 / 60.0
        assert_allclose(supply.A[1], [-q_max / 4e5 / 0.04, -1.0 / 0.04, 0.0], rtol=1e-6, atol=1e-15)
        assert_allclose(supply.B[:, 0], [-1.0 / C, 0.0, -0.4 * T / (1.4 * p_abs) / C], rtol=1e-6)


class TestTwoContacts:
    def test_two_masses_slide_on_two_curves(self):
        """Ways and seals each have their own Stribeck slope, cut off at zero each by itself."""
        axis = AXES["screw_table"].replace(
            {
                "table.coulomb_coefficient": 0.004,
                "table.static_coefficient": 0.005,
                "table.stribeck_velocity": "4 mm/s",
                "table.stribeck_exponent": 2,
                "table.viscous_friction": "80 kN s/m",
                "cylinder.seal_friction": "100 N",
                "cylinder.seal_breakaway": "180 N",
                "cylinder.seal_viscous": "25 kN s/m",
            }
        )
        v, f = 0.003, axis.file
        at = _point(axis, velocity=v, friction="sliding")
        assert abs(at.rates["piston_velocity"]) < 1e-7
        assert abs(at.rates["table_velocity"]) < 1e-7
        load = COMPONENTS["load"].linearise(axis, at)
        s = v / 0.004
        fall = math.exp(-s * s) * 2.0 * s / 0.004
        N = (f.table.mass + f.table.workpiece_mass) * 9.80665 + f.table.way_preload
        way = 80e3 - 0.001 * N * fall
        seal = 25e3 - 80.0 * fall
        assert way > 0.0
        assert seal > 0.0
        c, d = f.cylinder, f.structure.coupling_damping
        M_p = f.structure.piston_mass + c.rotor_inertia / c.screw_lead**2
        M_t = f.table.mass + f.table.workpiece_mass
        assert load.A[1, 1] == pytest.approx(-(d + seal) / M_p, rel=1e-6)
        assert load.A[3, 3] == pytest.approx(-(d + way) / M_t, rel=1e-6)

    def test_falling_curve_of_the_seals_alone_is_cut_off(self):
        axis = AXES["screw_table"].replace(
            {
                "table.stribeck_velocity": "4 mm/s",
                "table.stribeck_exponent": 2,
                "cylinder.seal_friction": "100 N",
                "cylinder.seal_breakaway": "180 N",
                "cylinder.seal_viscous": "1 kN s/m",
            }
        )
        at = _point(axis, velocity=0.003, friction="sliding")
        assert at.form.seal_slope == 0.0
        # the force of the point stays the whole friction of that velocity
        assert abs(at.rates["piston_velocity"]) < 1e-7


class TestDifferences:
    def test_extrapolation_is_better_than_its_smallest_step(self):
        """exp at 1 with steps from 0.3: the last plain difference would be off by 4e-7."""
        slope = differentiate(lambda x: np.array([math.exp(x), x]), 1.0, 0.3)
        assert_allclose(slope, [math.e, 1.0], rtol=1e-10)

    def test_kink_gives_the_mean_slope(self):
        assert_allclose(differentiate(lambda x: np.array([max(x, 3.0 * x)]), 0.0, 0.1), [2.0])


class TestControlByHand:
    def test_transducer(self):
        load = COMPONENTS["transducer"].linearise(TEXTBOOK, _point(TEXTBOOK))
        assert_allclose(np.diag(load.A), [-1e4, -1e3, -1e3], rtol=1e-7)
        assert load.B[0, 1] == pytest.approx(1e4, rel=1e-7)
        assert load.B[0, 0] == 0.0

    def test_cyclic_error_adds_its_slope_at_rest_only(self):
        """ds/dx = 1 + e_c (2 pi/lambda) cos(2 pi x/lambda): 6 % for 0.2 um over 20 um."""
        at = operating_point(TABLE, position=0.35)
        reading = COMPONENTS["transducer"].linearise(TABLE, at)
        slope = 1.0 + 0.2e-6 * 2.0 * math.pi / 20e-6 * math.cos(2.0 * math.pi * 0.35 / 20e-6)
        assert reading.B[0, 1] == pytest.approx(1e4 * slope, rel=1e-6)
        moving = operating_point(TABLE, position=0.35, velocity=0.01)
        reading = COMPONENTS["transducer"].linearise(TABLE, moving)
        assert reading.B[0, 1] == pytest.approx(1e4, rel=1e-7)

    def test_law(self):
        """du/dr = Kv (1 + k_o L delta^2/(o^2 + delta^2)^1.5)/g, and the rest in proportion."""
        axis = TABLE
        at = _point(axis, velocity=0.03)
        law = COMPONENTS["controller"].linearise(axis, at)
        c, p = axis.file.controller, axis.parameters
        A = math.pi / 4.0 * (0.08**2 - 0.045**2)
        K = p.valve.K_A
        gain = math.sqrt((A * 138e5) / (2.0 * A**3 / K**2))
        # opening that the law wants: the command less trim, with the overlap's smoothed inverse
        command = at.signals["command"] - c.null_trim
        L, delta = 0.005, c.overlap_smoothing

        def _u(o):
            return o + 0.9 * L * o / math.sqrt(o * o + delta * delta)

        low, high = 0.0, 1.0
        for _ in range(80):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if _u(middle) < command else (low, middle)
        o = 0.5 * (low + high)
        slope = 1.0 + 0.9 * L * delta**2 / (o * o + delta * delta) ** 1.5
        u, x = law.input_labels.index, law.state_labels.index
        D = law.D[0]
        assert D[u("reference_position")] == pytest.approx(22.0 * slope / gain, rel=1e-6)
        assert D[u("reference_velocity")] == pytest.approx(0.9 * slope / gain, rel=1e-6)
        k_p = 4e-3 / 1e5
        assert D[u("pressure_reading_a")] == pytest.approx(-k_p * slope / gain, rel=1e-6)
        assert D[u("pressure_reading_b")] == pytest.approx(k_p * slope / gain, rel=1e-6)
        assert law.C[0, x("slow_pressure")] == pytest.approx(k_p * slope / gain, rel=1e-6)
        assert D[u("scale_reading")] == pytest.approx(-22.0 * slope / gain, rel=1e-5)

    def test_integral_acts_inside_its_dead_zone(self):
        """Dead zone and clamp pass with gain one: the linear integral sees every error."""
        axis = AXES["full law"]
        law = COMPONENTS["controller"].linearise(axis, _point(axis))
        row = law.state_labels.index("integral")
        assert law.B[row, law.input_labels.index("reference_position")] == pytest.approx(30.0)
        idle = COMPONENTS["controller"].linearise(TABLE, _point(TABLE))
        assert "integral" not in idle.state_labels

    def test_sampled_law_tends_to_the_continuous_one(self):
        """(A_d - 1)/Ts -> A and B_d/Ts -> B with the period, and the same direct gain."""
        axis = TABLE.replace({"controller.period": "0.05 ms", "controller.computing_delay": "0 ms"})
        at = _point(axis, velocity=0.03)
        sampled = COMPONENTS["sampled_controller"].linearise(axis, at)
        law = COMPONENTS["controller"].linearise(axis, at)
        assert sampled.dt == pytest.approx(5e-5)
        w = 2.0 * math.pi * 200.0
        scale = np.diag([1.0, w, 1.0])
        fast = np.linalg.inv(scale) @ (sampled.A - np.eye(3)) @ scale / 5e-5
        slow = np.linalg.inv(scale) @ law.A @ scale
        assert_allclose(fast, slow, atol=0.06 * 2.0 * w)
        # the exact sampled form has the poles exp(s Ts) of the continuous one
        poles = np.sort_complex(np.exp(np.linalg.eigvals(law.A) * 5e-5))
        assert_allclose(np.sort_complex(np.linalg.eigvals(sampled.A)), poles, rtol=1e-8)
        assert set(CONTROLLER_STATES) >= set(sampled.state_labels)

    def test_command_path(self):
        path = COMPONENTS["command_path"].linearise(TABLE, _point(TABLE))
        assert_allclose(path.D[0], [1.0, 0.00005 / 1e5, 1.0], rtol=1e-6)


def _modes(axis, at):
    """Return natural frequency [rad/s] and damping ratio of the axis' own oscillation."""
    kept = ("cylinder", "load", "valve", "ports", "supply")
    blocks = [b for b in plant_blocks(axis, form=at.form) if b.name in kept]
    roots = np.linalg.eigvals(linearise(join(blocks), at).A)
    spool = np.linalg.eigvals(COMPONENTS["valve"].linearise(axis, at).A)
    own = [r for r in roots if r.imag > 1e-3 and all(abs(r - s) > 1e-6 * abs(r) for s in spool)]
    assert len(own) == 1
    return abs(own[0]), -own[0].real / abs(own[0])


# volumes without dead corners, and a valve whose null leaks little, as the formulas assume
IDEAL_SUPPLY = {
    "supply.kind": "ideal",
    "supply.return_pressure": "0 bar",
    "supply.pump_flow": None,
    "supply.compensator_band": None,
    "supply.compensator_time": None,
    "supply.relief_pressure": None,
    "supply.relief_gradient": None,
    "supply.pump_line_volume": None,
    "supply.accumulator": "none",
    "supply.accumulator_volume": None,
    "supply.precharge_pressure": None,
    "supply.gas_exponent": None,
    "supply.gas_time_constant": None,
}


class TestTextbookLimits:
    """H. E. Merritt, Hydraulic Control Systems, Wiley 1967, ch. 6 (from memory)."""

    @pytest.mark.parametrize("leakage", ["0.25 L/min", "0.5 L/min"])
    def test_double_rod_at_mid_stroke(self, leakage):
        axis = TEXTBOOK.replace(IDEAL_SUPPLY).replace({"valve.null_leakage": leakage})
        at = operating_point(axis, position=0.35, friction="viscous")
        omega, zeta = _modes(axis, at)
        f = axis.file
        K = 1.5e9 - 4e6 * 20.0
        A, M, B = math.pi / 4.0 * (0.08**2 - 0.045**2), 1025.0, 3600.0
        V_t = 2.0 * (150e-6) + A * 0.7
        p, dp = axis.parameters.valve, 70e5
        o = -f.valve.overlap_pa
        o_eff = 0.5 * (o + math.sqrt(o * o + 4.0 * p.c**2))
        dp_t = p.dp_t / p.c**2
        r = dp * dp + dp_t * dp_t
        land = p.K_A * o_eff * r**-1.25 * (0.5 * dp * dp + dp_t * dp_t)
        # a port has two lands; load flow over load pressure of both ports in series is half of it
        K_c = 0.5 * 2.0 * land
        assert omega == pytest.approx(math.sqrt(4.0 * K * A**2 / (V_t * M)), rel=5e-3)
        expected = K_c / A * math.sqrt(K * M / V_t) + B / (4.0 * A) * math.sqrt(V_t / (K * M))
        assert zeta == pytest.approx(expected, rel=5e-3)

    def _single(self):
        return TEXTBOOK.replace(IDEAL_SUPPLY).replace(
            {
                "cylinder.kind": "single_rod",
                "cylinder.bore_diameter": "63 mm",
                "cylinder.rod_diameter": "45 mm",
                "cylinder.stroke": "500 mm",
                "cylinder.dead_volume_a": "0.001 cm3",
                "cylinder.dead_volume_b": "0.001 cm3",
                "cylinder.line_volume_a": "0.001 cm3",
                "cylinder.line_volume_b": "0.001 cm3",
                "oil.bulk_modulus": "1.4 GPa",
                "oil.bulk_modulus_temperature_slope": "0 MPa/K",
                "table.mass": "475 kg",
                "table.workpiece_mass": "0 kg",
                "table.viscous_friction": "0 N s/m",
                "cylinder.seal_viscous": "0 N s/m",
                "valve.null_leakage": "0.21 L/min",
                "move.target": "300 mm",
            }
        )

    @pytest.mark.parametrize("x", [0.05, 0.2, 0.2941, 0.45])
    def test_single_rod(self, x):
        axis = self._single()
        omega, _ = _modes(axis, operating_point(axis, position=x, friction="viscous"))
        A_A, A_B = math.pi / 4.0 * 0.063**2, math.pi / 4.0 * (0.063**2 - 0.045**2)
        V_A, V_B = A_A * x + 2e-9, A_B * (0.5 - x) + 2e-9
        expected = math.sqrt(1.4e9 / 500.0 * (A_A**2 / V_A + A_B**2 / V_B))
        assert omega == pytest.approx(expected, rel=5e-3)

    def test_softest_place_of_a_single_rod(self):
        """(beta/L)(sqrt A1 + sqrt A2)^2 = 25.22 N/um at 294.1 mm, 35.74 Hz with 500 kg.

        Arithmetic of the formula with 63/45 mm, 500 mm and 1.4 GPa, no published figure.
        """
        axis = self._single()
        places = np.linspace(0.2941 - 0.02, 0.2941 + 0.02, 9)
        found = [
            _modes(axis, operating_point(axis, position=float(x), friction="viscous"))[0]
            for x in places
        ]
        assert places[int(np.argmin(found))] == pytest.approx(0.2941, abs=1e-9)
        assert min(found) / (2.0 * math.pi) == pytest.approx(35.74, rel=1e-3)

    def test_locked_stiffness(self):
        """k = A^2/C_A + A^2/C_B of the chambers alone, physics.md section 9."""
        axis = TEXTBOOK.replace({"table.viscous_friction": "0 N s/m"})
        at = operating_point(axis, position=0.2, friction="viscous", lock="closed")
        omega, _ = _modes_locked(axis, at)
        A, K = math.pi / 4.0 * (0.08**2 - 0.045**2), 1.42e9
        C_A, C_B = (90e-6 + A * 0.2) / K, (90e-6 + A * 0.5) / K
        assert omega == pytest.approx(math.sqrt((A**2 / C_A + A**2 / C_B) / 1025.0), rel=1e-5)


def _modes_locked(axis, at):
    blocks = [
        b
        for b in plant_blocks(axis, split=True, form=at.form)
        if b.name in ("cylinder", "load", "lock_a", "lock_b")
    ]
    roots = [r for r in np.linalg.eigvals(linearise(join(blocks), at).A) if r.imag > 1e-3]
    assert len(roots) == 1
    return abs(roots[0]), -roots[0].real / abs(roots[0])
