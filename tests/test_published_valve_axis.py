"""Published figures of valve and axis against the functions that the simulation uses.

Each check names its source beside it. "Wang" is Wang Chunxing, *Hydraulic Control Systems* (China
Machine Press), end-of-chapter problems; "Esposito" is A. Esposito, *Fluid Power with Applications*;
"Merritt" is H. E. Merritt, *Hydraulic Control Systems*, Wiley 1967 (always from memory). "Exact"
marks arithmetic of a stated formula, which is no published figure.
"""

import math
from pathlib import Path

import control
import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import optimize

from servosim._blocks import differentiate
from servosim._equilibrium import rest
from servosim._record import record
from servosim.axis import read_axis
from servosim.blocks import COMPONENTS, join, linearise, operating_point, plant_blocks
from servosim.components.controller import velocity_gains
from servosim.components.cylinder import cylinder_parameters
from servosim.components.valve import land_flow
from servosim.components.valve import output as valve_flows
from servosim.components.valve_rating import (
    blocked_port_pressure,
    null_leakage,
    null_pressure_gain,
    rate_valve,
    transition_pressure,
)

RIG = read_axis(Path(__file__).parent.parent / "params" / "teaching_rig.toml")
LITRE_PER_MINUTE = 1e-3 / 60.0
PSI = 6894.757293168
INCH = 0.0254
POUND_FORCE = 4.4482216152605

# the textbooks' axis: nothing rubs, only the valve leaks, the oil is equally stiff everywhere
BARE = {
    "oil.viscosity_temperature_1": "40 degC",
    "oil.temperature": "40 degC",
    "oil.density": "870 kg/m3",
    "oil.thermal_expansion": "0 1/K",
    "oil.bulk_modulus": "1.4 GPa",
    "oil.bulk_modulus_pressure_slope": 0,
    "oil.bulk_modulus_temperature_slope": "0 MPa/K",
    "oil.free_air": "0 %",
    "supply.return_pressure": "0 bar",
    "valve.overlap_pa": "0 %",
    "valve.overlap_bt": "0 %",
    "valve.overlap_pb": "0 %",
    "valve.overlap_at": "0 %",
    "valve.rating_temperature": "40 degC",
    "valve.pilot_leakage": "0 L/min",
    "cylinder.internal_leakage": "0 cm3/min/bar",
    "cylinder.seal_friction": "0 N",
    "cylinder.seal_breakaway": "0 N",
    "cylinder.seal_viscous": "0 N s/m",
    "table.coulomb_coefficient": 0,
    "table.static_coefficient": 0,
    "table.viscous_friction": "0 N s/m",
}


def _axis(changes):
    return RIG.replace({**BARE, **changes})


# --- valve -------------------------------------------------------------------------------------

SPOOL_STROKE = 0.5e-3  # any, the figures are those per metre


def _spool_valve(diameter, discharge, viscosity, clearance=1e-9, underlap=0.0):
    """Return the numbers of a full-periphery spool valve: W = pi d, openings over 0.5 mm."""
    W, rho = math.pi * diameter, 870.0
    nu = viscosity / rho
    axis = _axis(
        {
            "oil.viscosity_1": nu,
            "oil.viscosity_2": 0.2 * nu,
            "valve.rated_stroke": SPOOL_STROKE,
            "valve.discharge_coefficient": discharge,
            # the value at which the laminar limit is a slit's, pi b^2 W dp/(32 mu)
            "valve.transition_reynolds": 128.0 * discharge**2 / math.pi,
        }
    )
    K = discharge * W * SPOOL_STROKE * math.sqrt(2.0 / rho)
    L = -underlap / SPOOL_STROKE
    p = rate_valve(axis.file.valve, axis.file.oil)._replace(
        K_A=K, K_B=K, c=clearance / SPOOL_STROKE, L_PA=L, L_BT=L, L_PB=L, L_AT=L
    )
    return record(p)


def _load_flow(xs, p_L, p_S, p):
    """Return the flow through both ports in series at a load pressure, tank at zero."""
    p_A, p_B = 0.5 * (p_S + p_L), 0.5 * (p_S - p_L)
    q = valve_flows(0.0, (xs, 0.0), (0.0, p_A, p_B, p_S, 0.0), p)
    return 0.5 * ((q[0] - q[3]) + (q[1] - q[2]))


def _flow_gain(p_S, p, at=0.0):
    """Return the slope of load flow over spool travel [m2/s]."""
    slope = differentiate(lambda xs: np.array([_load_flow(xs, 0.0, p_S, p)]), at, 1e-3)[0]
    return slope / SPOOL_STROKE


def _flow_pressure(p_S, p):
    """Return K_c0 [m3/(s Pa)]."""
    return -differentiate(lambda p_L: np.array([_load_flow(0.0, p_L, p_S, p)]), 0.0, 1e-3 * p_S)[0]


class TestCriticalCentre:
    """Wang ch. 2 problem 1: d = 8 mm, r_c = 5 um, 70e5 Pa, C_d = 0.62, 870 kg/m3, 1.4e-2 Pa s."""

    def test_flow_gain(self):
        """Published 1.4 m2/s, C_d W sqrt(p_s/rho); 1 %.

        The formula knows sharp edges and turbulent flow only, so the slope is taken 0.05 mm beside
        null, out of the laminar neighbourhood of a valve without clearance.
        """
        p = _spool_valve(8e-3, 0.62, 1.4e-2)
        assert _flow_gain(70e5, p, at=0.1) == pytest.approx(1.4, rel=0.01)
        # with 5 um clearance the edges themselves gain nearly as much at null (recomputed 1.3977)
        worn = _spool_valve(8e-3, 0.62, 1.4e-2, clearance=5e-6)
        assert _flow_gain(70e5, worn) == pytest.approx(1.3977, rel=0.015)

    def test_flow_pressure_coefficient(self):
        """Published 4.4e-12 m3/(s Pa), pi W r_c^2/(32 mu): laminar leak through the clearance; 1 %.

        The formula is the slit's laminar limit, so it is asked for at a pressure far below the
        transition pressure of this clearance (7 bar).
        """
        p = _spool_valve(8e-3, 0.62, 1.4e-2, clearance=5e-6)
        assert _flow_pressure(0.2e5, p) == pytest.approx(4.4e-12, rel=0.01)

    def test_pressure_gain(self):
        """Published 3.18e11 Pa/m, the ratio of the two; 1 %."""
        gain = _flow_gain(70e5, _spool_valve(8e-3, 0.62, 1.4e-2), at=0.1)
        leak = _flow_pressure(0.2e5, _spool_valve(8e-3, 0.62, 1.4e-2, clearance=5e-6))
        assert gain / leak == pytest.approx(3.18e11, rel=0.01)

    def test_turbulent_leak_is_softer_than_the_laminar_formula(self):
        """Exact: K_c between q/(2 p_s) (turbulent leak) and q/p_s (laminar) at any pressure."""
        p = _spool_valve(8e-3, 0.62, 1.4e-2, clearance=5e-6)
        for p_S, low, high in ((0.02e5, 0.99, 1.0001), (70e5, 0.5, 0.6), (1000e5, 0.4999, 0.502)):
            ratio = _flow_pressure(p_S, p) * p_S / null_leakage(p_S, p)
            assert low < ratio < high


class TestOpenCentre:
    """Wang ch. 2 problem 2: underlap 0.05 mm, 70e5 Pa, centre leakage 5 L/min; 0.5 %."""

    U, P_S = 0.05e-3, 70e5

    def _valve(self):
        p = _spool_valve(8e-3, 0.62, 1.4e-2, clearance=1e-9, underlap=self.U)
        # two paths of two lands in series: scale the flow to the leakage that was measured
        scale = 5.0 * LITRE_PER_MINUTE / null_leakage(self.P_S, p)
        p = rate_valve(RIG.file.valve, RIG.file.oil)._replace(
            **{n: p[n].item() for n in ("L_PA", "L_BT", "L_PB", "L_AT", "c", "dp_t")},
            K_A=float(p.K_A) * scale,
            K_B=float(p.K_B) * scale,
        )
        return record(p)

    def test_leakage(self):
        assert null_leakage(self.P_S, self._valve()) == pytest.approx(5.0 * LITRE_PER_MINUTE)

    def test_flow_gain(self):
        """Published 1.67 m2/s."""
        assert _flow_gain(self.P_S, self._valve()) == pytest.approx(1.67, rel=0.005)

    def test_flow_pressure_coefficient(self):
        """Published 5.95e-12 m3/(s Pa)."""
        assert _flow_pressure(self.P_S, self._valve()) == pytest.approx(5.95e-12, rel=0.005)

    def test_pressure_gain(self):
        """Published 2.8e11 Pa/m."""
        gain = null_pressure_gain(self.P_S, self._valve()) / SPOOL_STROKE
        assert gain == pytest.approx(2.8e11, rel=0.005)


class TestSlit:
    """Laminar slit, R. von Wuest, quoted in Merritt ch. 3 (from memory); numbers exact."""

    WIDTH, DISCHARGE, DENSITY, VISCOSITY = 0.02, math.pi / (math.pi + 2.0), 870.0, 0.02

    def _lands(self, gap):
        axis = _axis(
            {
                "oil.viscosity_1": self.VISCOSITY / self.DENSITY,
                "oil.viscosity_2": "4e-6 m2/s",
                "valve.rated_stroke": SPOOL_STROKE,
                "valve.discharge_coefficient": self.DISCHARGE,
                "valve.transition_reynolds": 15.21,
            }
        )
        p = rate_valve(axis.file.valve, axis.file.oil)._replace(c=gap / SPOOL_STROKE)
        return record(p), axis

    def test_laminar_limit(self):
        """q = pi b^2 W dp/(32 mu) with transition at Re = 15.21."""
        gap = 4e-6
        p, _ = self._lands(gap)
        K = self.DISCHARGE * self.WIDTH * SPOOL_STROKE * math.sqrt(2.0 / self.DENSITY)
        expected = math.pi * gap**2 * self.WIDTH * 1.0 / (32.0 * self.VISCOSITY)
        assert land_flow(0.0, 1.0, K, p) == pytest.approx(expected, rel=2e-3)

    def test_transition_reynolds_number(self):
        """(0.611/0.1567)^2 = 15.21: where the laminar line meets the orifice's, Re = 2 q/(W nu)."""
        gap = 0.1e-3
        p, axis = self._lands(1e-9)
        o = gap / SPOOL_STROKE
        dp = transition_pressure(axis.file.valve, axis.file.oil, axis.file.oil.temperature) / o**2
        q = self.DISCHARGE * self.WIDTH * gap * math.sqrt(2.0 * dp / self.DENSITY)
        nu = self.VISCOSITY / self.DENSITY
        # the jet's velocity counts with the contracted section, which C_d stands for
        assert 2.0 * q / (self.WIDTH * nu) == pytest.approx((0.611 / 0.1567) ** 2, rel=2e-3)
        # there the smooth law gives 2^(-1/4) of the corner at which both lines meet
        K = self.DISCHARGE * self.WIDTH * SPOOL_STROKE * math.sqrt(2.0 / self.DENSITY)
        assert land_flow(o, dp, K, p) == pytest.approx(q * 2.0**-0.25, rel=1e-4)

    def test_orifice(self):
        """Esposito ex. 8-4: D = 1 in, C = 0.80, 100 psi, SG 0.9: 252 gpm; 0.5 %."""
        p, _ = self._lands(1e-12)
        K = 0.80 * math.pi / 4.0 * INCH**2 * math.sqrt(2.0 / 900.0)
        gallon_per_minute = 3.785411784e-3 / 60.0
        flow = land_flow(1.0, 100.0 * PSI, K, p) / gallon_per_minute
        assert flow == pytest.approx(252.0, rel=0.005)


class TestRating:
    @pytest.mark.parametrize(("bar", "flow"), [(70.0, 40.0), (10.0, 15.12), (210.0, 69.28)])
    def test_pressure_drops_of_rating(self, bar, flow):
        """Q = Q_N sqrt(dp/dp_N), half of the drop over each land: trade rule, numbers exact."""
        axis = _axis({"valve.rated_flow": "40 L/min", "valve.rated_pressure_drop": "70 bar"})
        drop = bar * 1e5
        q = valve_flows(
            0.0,
            (1.0, 0.0),
            (0.0, 150e5 - 0.5 * drop, 0.5 * drop, 150e5, 0.0),
            axis.record.valve,
        )
        assert q[0] / LITRE_PER_MINUTE == pytest.approx(flow, rel=1e-3)
        assert q[1] / LITRE_PER_MINUTE == pytest.approx(flow, rel=1e-3)

    def test_two_thirds_rule(self):
        """Classical, exact: p_L q_L is largest at 2/3 p_s, with 0.57735 q_0 and 0.38490 p_s q_0."""
        axis, p_S = _axis({"valve.null_leakage": "0.001 L/min"}), 140e5
        p = axis.record.valve
        best = optimize.minimize_scalar(
            lambda s: -s * _load_flow(1.0, s * p_S, p_S, p), bounds=(0.1, 0.95), method="bounded"
        )
        q_0 = _load_flow(1.0, 0.0, p_S, p)
        assert best.x == pytest.approx(2.0 / 3.0, rel=1e-3)
        assert _load_flow(1.0, 2.0 / 3.0 * p_S, p_S, p) / q_0 == pytest.approx(0.57735, rel=1e-4)
        assert -best.fun / q_0 == pytest.approx(0.38490, rel=1e-4)

    def test_pressure_gain_of_a_servo_valve(self):
        """Over 30 % of supply for 1 % command, usually 60 to 80 % (J. L. Johnson, Power & Motion
        article 9494), with the null leakage of a small two-stage valve, 0.3 to 2 L/min (from
        memory) at 40 L/min rated flow."""
        for leakage in ("0.3 L/min", "0.8 L/min"):
            axis = _axis(
                {
                    "valve.rated_flow": "40 L/min",
                    "valve.null_leakage": leakage,
                    "valve.rating_pressure": "210 bar",
                }
            )
            p = axis.record.valve
            p_A = blocked_port_pressure(0.01, 0.0, 0.0, p.K_A, 210e5, 1.0, p)
            p_B = blocked_port_pressure(0.01, 0.0, 0.0, p.K_B, 210e5, -1.0, p)
            assert 0.3 < (p_A - p_B) / 210e5 < 0.95
            # the difference of both ports gains twice as much as one port (same article)
            assert p_A - p_B == pytest.approx(2.0 * (p_A - 105e5), rel=1e-6)

    def test_overlapped_spool_meters_pressure_behind_its_overlap(self):
        """22 % overlap: pressure is metered by about 27 % (J. L. Johnson, article 87725)."""
        lands = {f"valve.overlap_{n}": "22 %" for n in ("pa", "bt", "pb", "at")}
        axis = _axis({**lands, "valve.rated_flow": "40 L/min", "valve.null_leakage": "0.1 L/min"})
        p = axis.record.valve

        def _share(xs):
            p_A = blocked_port_pressure(xs, 0.22, 0.22, p.K_A, 210e5, 1.0, p)
            p_B = blocked_port_pressure(xs, 0.22, 0.22, p.K_B, 210e5, -1.0, p)
            return (p_A - p_B) / 210e5

        assert _share(0.27) > 0.95
        assert _share(0.05) < 0.5


# --- axis --------------------------------------------------------------------------------------


class TestSingleRod:
    """Single rod on a symmetric valve without load: Merritt and others, from memory; 1e-4."""

    def _axis(self, ratio):
        bore = 50e-3
        rod = bore * math.sqrt(1.0 - 1.0 / ratio)
        return _axis(
            {
                "cylinder.kind": "single_rod",
                "cylinder.bore_diameter": bore,
                "cylinder.rod_diameter": rod,
                "supply.pressure": "100 bar",
                "valve.rating_pressure": "100 bar",
                "valve.rated_flow": "40 L/min",
                "valve.rated_pressure_drop": "70 bar",
                "valve.null_leakage": "0.0001 L/min",
            }
        )

    @pytest.mark.parametrize(
        ("ratio", "extend", "retract"),
        [
            (2.0, (0.1111, 0.2222), (0.4444, 0.8889)),
            (1.5, (0.2286, 0.3429), (0.5143, 0.7714)),
            # 50/36 mm at 100 bar, in hundredths of supply
            (50.0**2 / (50.0**2 - 36.0**2), (0.1005, 0.2086), (0.4332, 0.8995)),
        ],
    )
    def test_pressures(self, ratio, extend, retract):
        axis = self._axis(ratio)
        plus = operating_point(axis, position=0.1, velocity=0.2, friction="viscous")
        minus = operating_point(axis, position=0.1, velocity=-0.2, friction="viscous")
        for at, shares in ((plus, extend), (minus, retract)):
            mine = (at.states["pressure_a"] / 100e5, at.states["pressure_b"] / 100e5)
            assert mine == pytest.approx(shares, abs=1e-4)
        if ratio == 2.0:  # the jump at reversal
            jump_A = minus.states["pressure_a"] - plus.states["pressure_a"]
            jump_B = minus.states["pressure_b"] - plus.states["pressure_b"]
            assert (jump_A / 100e5, jump_B / 100e5) == pytest.approx((0.3333, 0.6667), abs=1e-4)

    @pytest.mark.parametrize(("ratio", "expected"), [(2.0, 1.4142), (1.5, 1.2247)])
    def test_ratio_of_velocities(self, ratio, expected):
        p = self._axis(ratio).parameters
        plus, minus, _, _ = velocity_gains(
            p.cylinder.A_A, p.cylinder.A_B, p.valve.K_A, p.valve.K_B, 100e5, 0.0, 0.0
        )
        assert plus / minus == pytest.approx(expected, rel=1e-4)

    def test_velocities(self):
        """50/36 mm, 40 L/min at 70 bar, 100 bar: 0.5443 and 0.3777 m/s at full opening."""
        axis = self._axis(50.0**2 / (50.0**2 - 36.0**2))
        c = axis.parameters.controller
        assert (c.g_plus, c.g_minus) == pytest.approx((0.5443, 0.3777), abs=5e-5)
        # and the lands themselves move it so
        for v, share in ((0.5443, 0.9), (-0.3777, -0.9)):
            at = operating_point(axis, position=0.1, velocity=0.9 * v, friction="viscous")
            assert at.states["spool"] == pytest.approx(share, rel=2e-4)


def _own_mode(axis, at):
    kept = ("ports", "cylinder", "load", "supply", "valve")
    whole = join([b for b in plant_blocks(axis, form=at.form) if b.name in kept])
    roots = [r for r in np.linalg.eigvals(linearise(whole, at).A) if r.imag > 1e-3]
    assert len(roots) == 1
    return abs(roots[0]), -roots[0].real / abs(roots[0])


def test_oil_spring_of_a_single_rod():
    """Exact: (beta/L)(sqrt A1 + sqrt A2)^2 = 25.22 N/um at 294.1 mm; 35.74 Hz with 500 kg."""
    axis = _axis(
        {
            "cylinder.kind": "single_rod",
            "cylinder.bore_diameter": "63 mm",
            "cylinder.rod_diameter": "45 mm",
            "cylinder.stroke": "500 mm",
            "cylinder.dead_volume_a": "0.001 cm3",
            "cylinder.dead_volume_b": "0.001 cm3",
            "cylinder.line_volume_a": "0.001 cm3",
            "cylinder.line_volume_b": "0.001 cm3",
            "valve.null_leakage": "0.001 L/min",
            "structure.piston_mass": "20 kg",
            "table.mass": "480 kg",
            "table.workpiece_mass": "0 kg",
        }
    )
    omega, _ = _own_mode(axis, operating_point(axis, position=0.2941, friction="viscous"))
    assert omega / (2.0 * math.pi) == pytest.approx(35.74, rel=5e-4)
    assert 500.0 * omega**2 == pytest.approx(25.22e6, rel=1e-3)


def test_system_accuracy():
    """Esposito ex. 17-1: repeatable error 0.00138 in; 0.5 %. V is the volume of one side.

    The axis' natural frequency is the product's; the rule w_h/3 and the rest are the book's.
    """
    A, V, M, beta = 5.0 * INCH**2, 50.0 * INCH**3, 2.59 * POUND_FORCE / INCH, 175e3 * PSI
    rod = 0.02
    bore = math.sqrt(4.0 * A / math.pi + rod**2)
    dead = V - 0.1 * A
    axis = _axis(
        {
            "oil.bulk_modulus": beta,
            "oil.bulk_modulus_temperature": "40 degC",
            "cylinder.bore_diameter": bore,
            "cylinder.rod_diameter": rod,
            "cylinder.stroke": "200 mm",
            "cylinder.dead_volume_a": dead - 1e-6,
            "cylinder.dead_volume_b": dead - 1e-6,
            "cylinder.line_volume_a": "1 cm3",
            "cylinder.line_volume_b": "1 cm3",
            "valve.null_leakage": "0.001 L/min",
            "structure.piston_mass": "2 kg",
            "table.mass": M - 2.0,
            "table.workpiece_mass": "0 kg",
        }
    )
    omega, _ = _own_mode(axis, operating_point(axis, position=0.1, friction="viscous"))
    assert omega == pytest.approx(259.9, rel=5e-4)  # recomputed from the book's data
    open_loop = omega / 3.0
    amplifier = open_loop / (0.15 * 0.20 * 4.0)  # mA/V: valve in3/s/mA, cylinder in/in3, 4 V/in
    assert 4.0 / (amplifier * 4.0) == pytest.approx(0.00138, rel=0.005)


def test_static_error_from_load():
    """Wang ch. 5 problem 2: K_p = 5e5 Pa/mA, 50 cm2, 5e4 N: 1e7 Pa and 20 mA (exact).

    The pressure gain is linear for small load pressures only, so a hundredth of the load is taken;
    the rated stroke stands for 1 A.
    """
    bore, rod = math.sqrt(4.0 * 50e-4 / math.pi + 0.02**2), 0.02
    axis = _axis(
        {
            "supply.pressure": "400 bar",
            "valve.rating_pressure": "400 bar",
            "valve.leakage_given": "pressure_gain",
            "valve.null_leakage": None,
            "valve.pressure_gain": 5e5 * 1000.0,
            "cylinder.bore_diameter": bore,
            "cylinder.rod_diameter": rod,
        }
    )
    balance = rest(500.0, axis.record)
    assert balance.p_A - balance.p_B == pytest.approx(1e7 / 100.0, rel=1e-6)
    assert balance.spool * 1000.0 == pytest.approx(20.0 / 100.0, rel=1e-3)


# --- loop --------------------------------------------------------------------------------------


def _loop(zeta, omega=None):
    """Return spool to position of an axis damped by viscous friction, its K_q/A and frequency.

    Built from the product's linear blocks, joined by the control library. The spool itself is left
    out, as the third-order loop of the textbooks does.
    """
    axis = _axis({"valve.null_leakage": "0.0001 L/min"})
    if omega is not None:  # the mass makes the frequency
        A = axis.parameters.cylinder.A_A
        V = A * axis.file.cylinder.stroke
        V += 2.0 * (axis.file.cylinder.dead_volume_a + axis.file.cylinder.line_volume_a)
        mass = 4.0 * 1.4e9 * A**2 / (V * omega**2)
        axis = axis.replace(
            {
                "structure.piston_mass": "1 kg",
                "table.mass": mass - 1.0,
                "table.workpiece_mass": "0 kg",
            }
        )
    middle = 0.5 * axis.file.cylinder.stroke
    bare = operating_point(axis, position=middle, friction="viscous")
    omega_h, _ = _own_mode(axis, bare)
    mass = axis.parameters.load.M_p + axis.parameters.load.M_t
    axis = axis.replace({"table.viscous_friction": float(2.0 * zeta * omega_h * mass)})
    at = operating_point(axis, position=middle, friction="viscous")
    valve = COMPONENTS["valve"].linearise(axis, at)
    spool = valve.state_labels.index("spool")
    lands = control.ss(
        [],
        [],
        [],
        np.hstack([valve.C[:, [spool]], valve.D[:, 1:]]),
        inputs=["spool", *valve.input_labels[1:]],
        outputs=valve.output_labels,
        name="lands",
    )
    parts = [COMPONENTS[n].linearise(axis, at) for n in ("ports", "cylinder", "load", "supply")]
    plant = control.interconnect(
        [lands, *parts],
        inputs=["spool"],
        outputs=["piston_position", "piston_velocity"],
        check_unused=False,
    )
    gain = plant["piston_velocity", "spool"](1e-3j).real
    return plant["piston_position", "spool"] / gain, gain, omega_h, axis


class TestThirdOrderLoop:
    """Loop K_v/(s (s^2/w^2 + 2 zeta s/w + 1)): rules Merritt (from memory), numbers exact."""

    @pytest.mark.parametrize("zeta", [0.1, 0.2, 0.5])
    def test_stability_limit(self, zeta):
        """K_v = 2 zeta w_h is the limit, and K_v = zeta w_h has 6.02 dB to it; 0.5 %."""
        plant, _, omega, _ = _loop(zeta)
        margin, _, crossing, _ = control.margin(plant)
        assert margin == pytest.approx(2.0 * zeta * omega, rel=5e-3)
        assert crossing == pytest.approx(omega, rel=5e-3)
        half, _, _, _ = control.margin(zeta * omega * plant)
        assert 20.0 * math.log10(half) == pytest.approx(6.02, abs=0.03)

    def test_rule_of_thumb_is_unstable_at_low_damping(self):
        """Gains of 0.3 to 0.4 w_h need damping of 0.5 or more: with 0.1 the limit is 0.2 w_h."""
        plant, _, omega, _ = _loop(0.1)
        for share, stable in ((0.19, True), (0.21, False), (0.3, False)):
            poles = control.feedback(share * omega * plant, 1).poles()
            assert (max(poles.real) < 1e-6) == stable

    def _closed(self, zeta, share):
        plant, _, omega, _ = _loop(zeta)
        return control.feedback(share * omega * plant, 1), omega

    def test_triple_real_pole(self):
        """zeta = sqrt(3)/2 and K_v = w_h/(3 sqrt 3): all poles at -w_h/sqrt 3."""
        closed, omega = self._closed(math.sqrt(3.0) / 2.0, 1.0 / (3.0 * math.sqrt(3.0)))
        a = omega / math.sqrt(3.0)
        # the mean of both pressures is a mode of its own, slow and out of the loop
        own = [p for p in closed.poles() if abs(p) > 0.01 * a]
        assert len(own) == 3
        polynomial = np.poly(own)
        assert_allclose(polynomial.real, [1.0, 3.0 * a, 3.0 * a**2, a**3], rtol=5e-3)

    def _overshoot(self, closed, omega):
        t = np.linspace(0.0, 40.0 / omega, 8001)
        y = control.step_response(closed, t).outputs
        return np.max(y) - 1.0

    def test_butterworth(self):
        """zeta = 0.7071, K_v = 0.35355 w_h: -3 dB at w_h/sqrt 2, overshoot 8.15 %."""
        closed, omega = self._closed(1.0 / math.sqrt(2.0), 0.35355)
        assert abs(closed(1j * omega / math.sqrt(2.0))) == pytest.approx(
            1.0 / math.sqrt(2.0), rel=5e-3
        )
        assert self._overshoot(closed, omega) == pytest.approx(0.0815, abs=5e-4)

    def test_itae(self):
        """zeta = 0.5967, K_v = 0.3172 w_h: overshoot 1.98 %."""
        closed, omega = self._closed(0.5967, 0.3172)
        assert self._overshoot(closed, omega) == pytest.approx(0.0198, abs=3e-4)

    def test_mechanical_hydraulic_servo(self):
        """Wang ch. 4 problem 1: 20e5 Pa, W = 2e-2 m, 20 cm2, 320 rad/s, zeta 0.2, 6 dB; 1.5 %.

        Published K_v = 64 1/s, K_q = 0.59 m2/s, feedback ratio 0.21 to 0.22.
        """
        plant, _, omega, _ = _loop(0.2, omega=320.0)
        assert omega == pytest.approx(320.0, rel=1e-3)
        margin, _, _, _ = control.margin(plant)
        K_v = margin / 10.0 ** (6.0 / 20.0)
        assert K_v == pytest.approx(64.0, rel=0.015)
        p = _spool_valve(2e-2 / math.pi, 0.62, 1.4e-2)
        K_q = _flow_gain(20e5, p, at=0.1)
        assert K_q == pytest.approx(0.59, rel=0.015)
        assert 0.21 <= round(K_v * 20e-4 / K_q, 2) <= 0.22

    def test_electrohydraulic_position_loop(self):
        """Wang ch. 6 problem 1: motor 5e-6 m3/rad on a screw of 0.03e-2 m/rad, 50 V/m; 0.5 %.

        Published: limit 45 1/s and 0.75 A/V, with 6 dB 22.5 1/s and 0.375 A/V. The amplifier's
        figures follow if the valve gives 20e-6 m3/s for each mA, though the sheet says A.
        """
        plant, _, omega, _ = _loop(0.225, omega=100.0)
        assert omega == pytest.approx(100.0, rel=1e-3)
        margin, _, _, _ = control.margin(plant)
        assert margin == pytest.approx(45.0, rel=5e-3)
        screw = read_axis(Path(__file__).parent.parent / "params" / "screw_table.toml").replace(
            {
                "cylinder.displacement": 5e-6,
                "cylinder.screw_lead": 0.03e-2,
            }
        )
        area = cylinder_parameters(screw.file.cylinder).A_A  # piston that the motor stands for
        amplifier = margin * area / (20e-3 * 50.0)
        assert amplifier == pytest.approx(0.75, rel=5e-3)
        assert 0.5 * amplifier == pytest.approx(0.375, rel=5e-3)
        # velocity error 0.89 mm at 0.02 m/s; null drift of 0.6 mA: 3.2e-5 m (from memory)
        assert 0.02 / (0.5 * margin) == pytest.approx(0.89e-3, rel=5e-3)
        assert 0.6e-3 / (0.5 * amplifier * 50.0) == pytest.approx(3.2e-5, rel=5e-3)
