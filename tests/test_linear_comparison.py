"""Formulas beside exact numbers: they meet on an ideal axis, and a known fault is found again."""

import math
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from servosim import metrics, simulate
from servosim.axis import read_axis
from servosim.errors import ParameterError
from servosim.linear import closed_forms as forms
from servosim.linear._exact_numbers import (
    hydraulic_modes,
    least_dynamic_stiffness,
    limit_gains,
)
from servosim.linear.comparison import along_stroke, compare, softest
from servosim.linear.controllers import controllers
from servosim.linear.plants import plants
from servosim.linear.points import Point, condition_points

RIG = read_axis(Path(__file__).parent.parent / "params" / "teaching_rig.toml")
TABLE = read_axis(Path(__file__).parent.parent / "params" / "tube_sheet_table.toml")

# what the textbooks' axis has: viscous friction, a turbulent valve with hardly a leak, no lags
IDEAL = {
    "table.coulomb_coefficient": 0.0,
    "table.static_coefficient": 0.0,
    "cylinder.seal_friction": 0.0,
    "cylinder.seal_breakaway": 0.0,
    "cylinder.internal_leakage": 0.0,
    "table.viscous_friction": "900 N s/m",
    "valve.null_leakage": "0.0005 L/min",
    "valve.transition_reynolds": 1.0,
    "valve.time_constant": "0.001 ms",
    "valve.stroke_time": "0.01 ms",
    "transducer.time_constant": "0.001 ms",
}
BARE = RIG.replace(IDEAL)
SMOOTH = {"table.viscous_friction": "0 N s/m", "cylinder.seal_viscous": "0 N s/m"}
SAMPLED = {"controller.kind": "sampled", "controller.computing_delay": "0 ms"}


class TestIdealAxis:
    """An axis that is what the textbooks take it for has the textbooks' numbers."""

    found = compare(BARE, condition="edge", reasons=False)

    @pytest.mark.parametrize(
        ("name", "tolerance"),
        [
            ("natural frequency", 2e-3),
            ("damping ratio", 5e-3),
            ("flow gain outside the overlap", 5e-3),
            ("velocity gain of the actuator", 5e-3),
            ("limit of the velocity gain", 1e-2),
            ("least dynamic stiffness", 2e-2),
            ("null-drift error", 5e-3),
        ],
    )
    def test_row(self, name, tolerance):
        row = self.found[name]
        assert row.closed == pytest.approx(row.exact, rel=tolerance)

    def test_velocity_error(self):
        """Exact: friction B v takes its share of the force for the valve's drops, A p_S."""
        p, row = BARE.parameters, self.found["velocity error"]
        v = RIG.file.reference.velocity
        left = 1.0 - (p.load.B + p.load.B_s) * v / (p.cylinder.A_A * p.supply.p_set)
        assert row.exact == pytest.approx(row.closed / math.sqrt(left), rel=5e-3)

    def test_hand_calculation(self):
        """Exact: sqrt(4 K A^2/(V_t M)) with the data in the head of the file, 361 rad/s."""
        assert self.found["natural frequency"].closed == pytest.approx(361.0, rel=2e-3)

    def test_leakage_of_the_actuator_damps(self):
        """Merritt: C_i counts fully in K_ce; with much of it the damping is nearly its alone."""
        axis = BARE.replace({**SMOOTH, "cylinder.internal_leakage": "60 cm3/min/bar"})
        row = compare(axis, condition="edge", names=["damping ratio"]).rows[0]
        assert row.closed == pytest.approx(row.exact, rel=1e-3)
        assert row.exact > 0.5
        assert row.reasons == ()

    def test_sentence(self):
        assert "agree within 1 %" in self.found["natural frequency"].sentence
        assert "no such number" in self.found["stiffness while locked"].sentence


@pytest.mark.parametrize(
    ("changes", "name", "cause"),
    [
        ({"oil.free_air": "2 %"}, "natural frequency", "free air"),
        (
            {"cylinder.wall": "elastic", "cylinder.wall_modulus": "3 GPa"},
            "natural frequency",
            "walls",
        ),
        (
            {
                "structure.masses": "two",
                "structure.coupling_stiffness": "8 N/um",
                "structure.coupling_damping": "50 N s/m",
                "structure.backlash": "0 um",
                "transducer.location": "table",
            },
            "natural frequency",
            "structure",
        ),
        ({"valve.time_constant": "4 ms"}, "limit of the velocity gain", "valve's own motion"),
        (
            {**SAMPLED, "controller.period": "2 ms"},
            "limit of the velocity gain",
            "sampling",
        ),
        (
            {f"valve.overlap_{n}": "2 %" for n in ("pa", "bt", "pb", "at")},
            "null-drift error",
            "overlap",
        ),
        (
            {**SMOOTH, "table.coulomb_coefficient": 0.2, "table.static_coefficient": 0.2},
            "velocity error",
            "Coulomb",
        ),
    ],
)
def test_one_fault_is_named(changes, name, cause):
    """Of one thing that isn't ideal the reason must be this thing, and nearly the whole of it."""
    row = compare(BARE.replace(changes), condition="edge", names=[name])[name]
    assert abs(row.deviation) > 0.01
    assert cause in row.reasons[0].cause
    assert row.reasons[0].removed > 0.75
    assert row.explained >= row.reasons[0].removed - 1e-12
    assert cause in row.sentence


def test_two_faults_share_the_deviation():
    """Air softens the oil, walls soften it too: each takes the share that it has alone."""
    changes = {
        "oil.free_air": "1 %",
        "cylinder.wall": "elastic",
        "cylinder.wall_modulus": "10 GPa",
    }
    row = compare(BARE.replace(changes), condition="edge", names=["natural frequency"]).rows[0]
    assert {r.idealisation for r in row.reasons} == {"oil without air", "rigid walls and hoses"}
    assert sum(r.removed for r in row.reasons) == pytest.approx(row.explained)
    assert row.explained > 0.9


class TestExactNumbers:
    def test_mode_of_two_masses(self):
        """Exact: the lower root of the chain of oil, piston, coupling and table; damping small."""
        axis = BARE.replace(
            {
                "table.viscous_friction": "0 N s/m",
                "cylinder.seal_viscous": "0 N s/m",
                "structure.masses": "two",
                "structure.piston_mass": "9 kg",
                "structure.coupling_stiffness": "5 N/um",
                "structure.coupling_damping": "0 N s/m",
                "structure.backlash": "0 um",
            }
        )
        p = axis.parameters
        A, V = p.cylinder.A_A, p.cylinder.A_A * 0.1 + p.cylinder.V_A0 + p.cylinder.V_lA
        k_h = forms.oil_stiffness(1.4e9, A, V, A, V)
        lower, _, _ = forms.two_masses(k_h, 5e6, 9.0, p.load.M_t)
        found = plants([Point(axis, 0.1, friction="viscous")])
        assert hydraulic_modes(found)[0][0] == pytest.approx(lower, rel=1e-3)

    def test_overdamped_mode(self):
        """Exact: roots of M s^2 + B s + k for a friction that lets nothing swing."""
        axis = BARE.replace({"table.viscous_friction": "60 kN s/m", "valve.null_leakage": 1e-10})
        p = axis.parameters
        A, V = p.cylinder.A_A, p.cylinder.A_A * 0.1 + p.cylinder.V_A0 + p.cylinder.V_lA
        k, M = forms.oil_stiffness(1.4e9, A, V, A, V), p.load.M_p + p.load.M_t
        omega, zeta = hydraulic_modes(plants([Point(axis, 0.1, friction="viscous")]))
        assert omega[0] == pytest.approx(math.sqrt(k / M), rel=1e-3)
        assert zeta[0] == pytest.approx(
            (p.load.B + p.load.B_s) / (2.0 * math.sqrt(k * M)), rel=1e-3
        )
        assert zeta[0] > 1.0

    def test_limit_gain_is_where_a_simulation_begins_to_swing(self):
        """A small step dies out 10 % below the limit and grows 10 % above it, sampled or not."""
        base = BARE.replace(
            {
                **SAMPLED,
                # a clearance in which such small swings stay, so that the valve is linear
                "valve.null_leakage": "0.2 L/min",
                "controller.period": "2 ms",
                "controller.computing_delay": "2 ms",
                "reference.kind": "step",
                "thrust.mode": "none",
                "move.start": "100 mm",
                "move.target": "100.001 mm",
                "move.duration": "1.5 s",
            }
        )
        found = plants(condition_points(base, 0.1, conditions=("null",)))
        limit = float(limit_gains(found, controllers(found))[0])
        swings = []
        for share in (0.9, 1.1):
            run = simulate(base.replace({"controller.velocity_gain": share * limit}))
            x = run.state("table_position")
            swings.append(np.ptp(x[-100:]) / np.ptp(x[300:400]))
        assert swings[0] < 0.5
        assert swings[1] > 1.0

    def test_errors_are_those_of_a_simulation(self):
        """The rig's lag on the ramp and its give under the weight, from its own move; 1 %."""
        run = simulate(RIG)
        figures = metrics(run)
        found = compare(RIG, 0.15, reasons=False, names=["velocity error", "load error"])
        lag = figures["following_error_steady"].value
        assert found["velocity error"].exact == pytest.approx(lag, rel=0.01)
        give = abs(figures["thrust_deflection"].value)
        assert found["load error"].exact == pytest.approx(give, rel=0.01)

    def test_cyclic_error_of_the_scale_is_noted_where_it_acts(self):
        """The slope of the reading is 1 + 2 pi 0.2/20 at 350 mm, a whole number of periods."""
        said = "makes the slope of its reading 1.063 at this place"
        assert any(said in note for note in compare(TABLE, 0.35, reasons=False).notes)
        # a quarter of a period farther the error has no slope
        at = compare(TABLE, 0.350005, reasons=False)
        assert not any("cyclic" in note for note in at.notes)

    def test_dynamic_stiffness_of_a_loop_that_is_stable_between_two_gains_only(self):
        """At the end of the stroke the demonstration axis is stable from some 77 to 158 1/s."""
        found = plants(
            [Point(read_axis(Path(__file__).parent.parent / "params/tube_sheet_table.toml"), 0.0)]
        )
        control = controllers(found)
        stiffness = [
            float(least_dynamic_stiffness(found, control.with_gains({"velocity_gain": gain}))[0])
            for gain in (22.0, 120.0, 200.0)
        ]
        assert np.isfinite(stiffness).tolist() == [False, True, False]
        assert stiffness[1] > 0.0


class TestAlongStroke:
    def test_equal_areas_are_mirror_symmetric(self):
        found = along_stroke(BARE, positions=5, condition="edge")
        for values in (found.omega_exact, found.zeta_exact, found.limit_exact):
            assert_allclose(values, values[::-1], rtol=1e-4)
        assert found.softest_closed == pytest.approx(0.1)
        assert found.softest_exact == pytest.approx(0.1)
        assert_allclose(found.omega_closed, found.omega_exact, rtol=5e-3)
        assert_allclose(found.zeta_closed, found.zeta_exact, rtol=0.02)
        assert_allclose(found.limit_closed, found.limit_exact, rtol=0.02)

    def test_softest_position_of_the_demo(self):
        assert softest(TABLE) == pytest.approx(0.35)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: compare(BARE, condition="rapid"), 'condition "rapid"'),
        (lambda: compare(BARE, names=["natural frequncy"]), "nearest name 'natural frequency'"),
        (lambda: compare(BARE, 3.0), "outside the stroke"),
        (lambda: along_stroke(BARE, positions=1), "positions 1"),
    ],
)
def test_refusals(call, words):
    with pytest.raises(ParameterError, match=words):
        call()
