"""The linear view of an axis: names, what is left out, and the nonlinear axis that it predicts."""

from pathlib import Path

import control
import numpy as np
import pytest
from numpy.testing import assert_allclose

from servosim.axis import read_axis
from servosim.errors import ParameterError
from servosim.linear.family import LoopFamily
from servosim.linear.linearised import linearise
from servosim.linear.points import Point
from servosim.linear.sampling import state_scales
from servosim.simulate import simulate

PARAMS = Path(__file__).parent.parent / "params"
TABLE = read_axis(PARAMS / "tube_sheet_table.toml")
SCREW = read_axis(PARAMS / "screw_table.toml")
VERTICAL = read_axis(PARAMS / "vertical_slide.toml")
RIG = read_axis(PARAMS / "teaching_rig.toml")
AXES = {"table": TABLE, "screw": SCREW, "vertical": VERTICAL}

# no plays, steps of a reading, noise or Coulomb friction: what is left is smooth
SMOOTH = {
    "transducer.resolution": 0.0,
    "transducer.noise": 0.0,
    "transducer.cyclic_error": 0.0,
    "transducer.pressure_noise": 0.0,
    "transducer.pressure_resolution": 0.0,
    "valve.threshold": 0.0,
    "valve.hysteresis": 0.0,
    "table.coulomb_coefficient": 0.0,
    "table.static_coefficient": 0.0,
    "cylinder.seal_friction": 0.0,
    "cylinder.seal_breakaway": 0.0,
    "cylinder.seal_pressure_friction": 0.0,
    "lock.kind": "none",
    "lock.brake": "none",
    "thrust.mode": "none",
    "reference.kind": "step",
    "move.duration": "0.3 s",
}
START = {"table": 0.3, "screw": 1.0, "vertical": 0.1}


def _smooth(name, step=0.0, more=None):
    start = START[name]
    backlash = {"structure.backlash": 0.0} if name == "screw" else {}
    axis = AXES[name].replace({**SMOOTH, **backlash, **(more or {}), "move.start": start})
    return axis.replace({"move.target": start + step})


def _follow(system, inputs):
    """Return the outputs of a sampled system, shape (n_t, n_y), for inputs by name."""
    n_t = len(next(iter(inputs.values())))
    u = np.zeros((n_t, system.ninputs))
    for name, values in inputs.items():
        u[:, system.input_labels.index(name)] = values
    x, rows = np.zeros(system.nstates), []
    for row in u:
        rows.append(system.C @ x + system.D @ row)
        x = system.A @ x + system.B @ row
    return dict(zip(system.output_labels, np.array(rows).T, strict=True))


class TestPrediction:
    """The sampled closed loop foretells small moves of the simulation, sample by sample."""

    @pytest.mark.parametrize("name", AXES)
    def test_a_small_step_of_the_reference(self, name):
        step = 0.1e-6  # the spool stays within a part of its clearance
        axis = _smooth(name, step)
        run = simulate(axis, tolerance=1e-6)
        n_t = len(run.state("table_position"))
        at = axis.linearise(position=START[name])
        seen = _follow(at.sampled_closed_loop, {"reference_position": np.full(n_t, step)})
        moved = run.state("table_position") - run.state("table_position")[0]
        assert_allclose(moved, seen["position"], atol=1e-3 * step)
        assert_allclose(step - moved, seen["error"], atol=1e-3 * step)
        for output, tolerance in (("spool", 2e-3), ("pressure_a", 1e-2)):
            change = run.state(output) - run.state(output)[0]
            largest = np.max(abs(seen[output]))
            assert_allclose(change, seen[output], atol=tolerance * largest + 1e-9)
        assert np.max(abs(seen["position"])) > 0.5 * step

    @pytest.mark.parametrize("name", ["table", "vertical"])
    def test_a_small_thrust(self, name):
        more = {
            "thrust.mode": "time",
            "thrust.along": "2 N",
            "thrust.normal": "0 N",
            "thrust.delay": "50 ms",
            "thrust.ramp": "0 ms",
            "thrust.feed_time": "10 s",
        }
        axis = _smooth(name, more=more)
        run = simulate(axis, tolerance=1e-6)
        moved = run.state("table_position") - run.state("table_position")[0]
        at = axis.linearise(position=START[name])
        times = np.arange(len(moved)) * axis.file.controller.period
        seen = _follow(at.sampled_closed_loop, {"thrust": np.where(times > 0.0499, 2.0, 0.0)})
        largest = np.max(abs(seen["position"]))
        assert_allclose(moved, seen["position"], atol=2e-3 * largest)
        assert seen["position"].min() < 0.0  # it gives way

    def test_a_continuous_loop(self):
        """A small step through the teaching rig's continuous law."""
        axis = RIG.replace(
            {
                key: value
                for key, value in SMOOTH.items()
                if not key.startswith(("transducer.pressure", "lock", "table"))
            }
            | {"table.coulomb_coefficient": 0.0, "table.static_coefficient": 0.0}
            | {"move.start": 0.1, "move.target": 0.1 + 2e-7}
        )
        run = simulate(axis, tolerance=1e-6)
        moved = run.state("table_position") - run.state("table_position")[0]
        at = axis.linearise(position=0.1)
        times = np.arange(len(moved)) * axis.file.controller.period
        loop = at.closed_loop["position", "reference_position"]
        seen = control.forced_response(loop, times, np.full(len(times), 2e-7)).outputs
        assert_allclose(moved, seen, atol=2e-3 * 2e-7)


class TestNonlinear:
    @pytest.mark.parametrize("name", AXES)
    def test_starts_in_a_steady_state(self, name):
        at = _smooth(name).linearise(position=START[name], velocity=0.02)
        for start in (at.nonlinear_start, at.nonlinear_loop_start):
            rates = start.system.dynamics(0.0, start.states, start.inputs)
            for state, rate in zip(start.system.state_labels, rates, strict=True):
                moves = state.endswith("position") or state == "scale_reading"
                scale = AXES[name].parameters.transducer.scale if "table" not in state else 1.0
                expected = 0.02 * (scale if state in ("scale_reading", "filtered_position") else 1)
                if moves:
                    assert rate == pytest.approx(expected, rel=1e-6), state
                else:
                    assert abs(rate) < (1e3 if "pressure" in state else 1e-5), state

    @pytest.mark.parametrize("name", AXES)
    @pytest.mark.parametrize("velocity", [0.0, 0.02])
    def test_the_control_librarys_differences_are_the_plant(self, name, velocity):
        axis = _smooth(name)
        at = axis.linearise(position=START[name], velocity=velocity)
        start = at.nonlinear_start
        theirs = control.linearize(start.system, start.states, start.inputs, eps=1e-7)
        names = at.plant.state_labels
        size = state_scales(tuple(names))
        kept = [start.system.state_labels.index(n) for n in names]
        A = at.plant.A.copy()
        if "supply_pressure" in names:
            shift = axis.parameters.valve.bias_pressure
            A[:, names.index("supply_pressure")] -= shift * at.plant.B[:, 0]
        # their one step suits fractions and metres; pascals are asked with a step of their own
        wide = control.linearize(start.system, start.states, start.inputs, eps=100.0)
        both = theirs.A[np.ix_(kept, kept)]
        pressures = [k for k, n in enumerate(names) if "pressure" in n]
        both[:, pressures] = wide.A[np.ix_(kept, kept)][:, pressures]
        flows = [k for k, n in enumerate(names) if n == "gas_temperature"]
        mine, other = A * size / size[:, None], both * size / size[:, None]
        largest = np.max(abs(mine), axis=1, keepdims=True) + 1e-6
        mine, other = mine / largest, other / largest
        mine[:, flows] = other[:, flows] = 0.0
        assert_allclose(other, mine, atol=2e-3)

    def test_response_of_the_nonlinear_loop(self):
        """python-control integrates it; a small step is that of the closed loop."""
        axis = _smooth("table").replace({"supply.kind": "ideal", "supply.accumulator": "none"})
        at = axis.linearise(position=0.3)
        start = at.nonlinear_loop_start
        times = np.linspace(0.0, 0.03, 31)
        u = np.tile(start.inputs[:, None], (1, len(times)))
        u[0] += 1e-6
        response = control.input_output_response(
            start.system, times, u, start.states,
            solve_ivp_kwargs={"method": "LSODA", "rtol": 1e-8, "atol": 1e-11},
        )  # fmt: skip
        row = start.system.output_labels.index("position")
        moved = response.outputs[row] - response.outputs[row, 0]
        linear = at.closed_loop["position", "reference_position"]
        seen = control.forced_response(linear, times, np.full(len(times), 1e-6)).outputs
        assert_allclose(moved, seen, atol=2e-2 * np.max(abs(seen)))
        error = start.system.output_labels.index("error")
        assert response.outputs[error, 0] == pytest.approx(u[0, 0] - response.outputs[row, 0])

    def test_bristles_and_end_stops_are_there(self):
        at = TABLE.linearise(position=0.3, friction="presliding")
        start = at.nonlinear_start
        assert "way_bristle" in start.system.state_labels
        beyond = start.states.copy()
        beyond[start.system.state_labels.index("piston_position")] = -1e-4
        row = start.system.state_labels.index("piston_velocity")
        inside = start.system.dynamics(0.0, start.states, start.inputs)[row]
        assert start.system.dynamics(0.0, beyond, start.inputs)[row] > inside + 1.0


class TestSystems:
    def test_names(self):
        at = TABLE.linearise(position="350 mm", velocity="10 mm/s", load="1 kN")
        assert at.point.position == 0.35
        assert (at.point.velocity, at.point.thrust) == (0.01, 1000.0)
        assert at.plant.input_labels == ["spool_command", "thrust", "normal_thrust"]
        assert at.closed_loop.input_labels == [
            "reference_position",
            "reference_velocity",
            "reference_acceleration",
            "thrust",
            "normal_thrust",
            "noise",
        ]
        for name in ("position", "error", "spool", "pressure_a", "pressure_b", "supply_pressure"):
            assert name in at.closed_loop.output_labels
            assert name in at.sampled_closed_loop.output_labels
        assert at.open_loop.name == "open_loop"
        assert (at.closed_loop.dt, at.sampled_closed_loop.dt) == (0.0, 1e-3)
        assert at.open_loop.D.shape == (1, 1)
        assert at.operating_states["piston_velocity"] == 0.01
        assert at.operating_command == pytest.approx(at.operating_states["spool"])

    def test_margins_of_the_control_library(self):
        at = VERTICAL.linearise(position=0.2, velocity=0.02)
        gain, phase, *_ = control.margin(at.position_loop)
        assert gain > 1.0
        assert phase > 0.0
        assert at.position_loop.poles().size == at.position_loop.nstates

    @pytest.mark.parametrize("velocity", [0.0, 0.03])
    def test_delays_in_the_continuous_view(self, velocity):
        """With its delays the continuous loop is the sampled one well below the sampling rate."""
        # position alone is fed back, so that all delays lie in one path
        axis = SCREW.replace({"controller.stabilising_feedback": "none"})
        at = [axis.linearise(position=1.0, velocity=velocity, delay_order=k) for k in (0, 4)]
        period = SCREW.file.controller.period
        for omega in (5.0, 30.0, 60.0):
            exact = at[0].sampled_position_loop(np.exp(1j * omega * period))
            delayed, bare = at[1].position_loop(1j * omega), at[0].position_loop(1j * omega)
            assert abs(delayed / exact - 1.0) < 0.3 * (omega * period) ** 2 + 5e-3
            angle = np.angle(exact / bare)
            c, s = SCREW.file.controller, SCREW.file.transducer
            expected = -omega * (0.5 * period + c.computing_delay + s.delay)
            assert angle == pytest.approx(expected, rel=0.01)
        assert "not at all" in at[0].notes[-1]
        assert "order 4" in at[1].notes[-1]

    def test_other_oil_mass_and_pressure_change_the_plant_alone(self):
        still = {"valve.null_shift_temperature": "0 %/K", "valve.null_shift_pressure": "0 %/bar"}
        axis = TABLE.replace(still)
        usual = axis.linearise(position=0.3)
        other = axis.linearise(
            position=0.3, temperature="25 degC", air="1 %", mass="0 kg", supply_pressure="150 bar"
        )
        file = other.point.axis.file
        assert (file.oil.temperature, file.oil.free_air) == (298.15, 0.01)
        assert (file.table.workpiece_mass, file.supply.pressure) == (0.0, 150e5)
        by_hand = axis.replace(
            {
                "oil.temperature": 298.15,
                "oil.free_air": 0.01,
                "table.workpiece_mass": 0.0,
                "supply.pressure": 150e5,
            }
        )
        assert_allclose(other.plant.A, by_hand.linearise(position=0.3).plant.A)
        # the controller doesn't know: its direct path is that of the file's velocity gain
        v = other.closed_loop.output_labels.index("command")
        r = other.closed_loop.input_labels.index("reference_velocity")
        ratio = other.closed_loop.D[v, r] / usual.closed_loop.D[v, r]
        retuned = by_hand.linearise(position=0.3)
        assert ratio == pytest.approx(1.0, rel=1e-9)
        kinder = retuned.closed_loop.D[v, r] / usual.closed_loop.D[v, r]
        assert kinder == pytest.approx(np.sqrt(138.0 / 148.0), rel=1e-6)

    def test_the_target_is_the_usual_place(self):
        assert TABLE.linearise().point.position == TABLE.file.move.target

    def test_locked_axis(self):
        """Trapped oil holds it: compliance under thrust is one over both chambers' stiffness."""
        at = TABLE.linearise(position=0.3, friction="viscous", lock="closed")
        assert "line_pressure_a" in at.plant.state_labels
        path = at.plant["table_position", "thrust"]
        p = TABLE.parameters
        A, names = at.plant.A, at.plant.state_labels
        v = names.index("piston_velocity")
        # k = A_A^2/C_A + A_B^2/C_B with A/C from the plant's own rate of pressure over velocity
        stiffness = -p.cylinder.A_A * A[names.index("pressure_a"), v]
        stiffness += p.cylinder.A_B * A[names.index("pressure_b"), v]
        assert path(0.5j).real == pytest.approx(-1.0 / stiffness, rel=1e-3)
        start = at.nonlinear_start
        rates = start.system.dynamics(0.0, start.states, start.inputs)
        assert abs(rates[start.system.state_labels.index("piston_velocity")]) < 1e-6
        with pytest.raises(ParameterError, match="position loop rests while the axis is locked"):
            at.closed_loop  # noqa: B018

    def test_null_inside_the_overlap_is_said(self):
        assert any("say nothing" in note for note in SCREW.linearise(position=1.0).notes)
        moving = SCREW.linearise(position=1.0, velocity=0.05)
        assert not any("say nothing" in note for note in moving.notes)

    def test_smoothed_friction_at_rest_is_said(self):
        assert any("smoothed" in note for note in RIG.linearise(position=0.1).notes)
        for how in ({"velocity": 0.02}, {"friction": "viscous"}):
            assert RIG.linearise(position=0.1, **how).notes == ()

    def test_cyclic_error_at_rest_is_said(self):
        """Slope of the reading 1 + 2 pi 0.2/20 at whole periods; the loop ends where it reads r."""
        at = TABLE.linearise(position=0.4)
        slope = 1.0 + 0.02 * np.pi
        end = at.closed_loop["position", "reference_position"](1e-6j).real
        assert end == pytest.approx(1.0 / slope, rel=1e-6)
        (note,) = [note for note in at.notes if "cyclic error" in note]
        assert f"{slope:.4g} at this place" in note and f"by {1.0 / slope:.4g} of it" in note
        # a quarter of a period further the error is level; in motion period after period passes
        for how in ({"position": 0.400005}, {"position": 0.4, "velocity": 0.02}):
            assert not any("cyclic" in note for note in TABLE.linearise(**how).notes)

    def test_margins_of_sampled_loops_by_their_responses(self):
        """The control library's margins of a sampled loop's response are those of the family."""
        loop = TABLE.linearise(position=0.4).sampled_position_loop
        omega = np.geomspace(1.0, 3000.0, 3000)
        gain, phase, *_ = control.margin(control.frequency_response(loop, omega))
        own = LoopFamily(TABLE, [Point(TABLE, 0.4)]).margins(peaks=False)[1]
        assert gain == pytest.approx(own.gain_margin[0], rel=1e-4)
        assert np.radians(phase) == pytest.approx(own.phase_margin[0], rel=1e-4)


class TestRefusals:
    @pytest.mark.parametrize(
        ("how", "text"),
        [
            ({"position": 2.0}, "outside the stroke"),
            ({"position": 0.3, "velocity": 5.0}, "no steady motion at 5 m/s"),
            ({"position": 0.3, "load": 1e5}, "nothing holds the load"),
            ({"position": 0.3, "friction": "dry"}, "no form of friction"),
            ({"position": 0.3, "lock": "half"}, "neither"),
            ({"position": 0.3, "delay_order": 40}, "choose 0 to 10"),
            ({"position": "3 bar"}, "bar"),
            ({"position": 0.3, "velocity": np.nan}, "velocity nan isn't a finite number"),
        ],
    )
    def test_what_is_not_there(self, how, text):
        with pytest.raises(ValueError, match=text):
            linearise(TABLE, **how)

    def test_continuous_controllers_have_no_samples(self):
        at = RIG.linearise(position=0.1)
        assert at.closed_loop.dt == 0.0
        assert at.delays == (0.0, 0.0)
        with pytest.raises(ParameterError, match="has no samples"):
            at.sampled_closed_loop  # noqa: B018
