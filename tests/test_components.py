"""Laws of each block, against formulas, references and integration that owe nothing to the code."""

import functools
import math
from pathlib import Path

import numpy as np
import pytest
import scipy.integrate
import scipy.optimize
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st

from servosim._equilibrium import line_drop
from servosim._record import record
from servosim.axis import read_axis
from servosim.components import controller as controllers
from servosim.components import cylinder as cylinders
from servosim.components import friction as frictions
from servosim.components import load as loads
from servosim.components import lock as locks
from servosim.components import oil as oils
from servosim.components import supply as supplies
from servosim.components import transducer as transducers
from servosim.components import valve as valves
from servosim.components import valve_rating

FOLDER = Path(__file__).parent.parent / "params"
ATMOSPHERE = 101325.0
PSI, GALLON, INCH, POUND = 6894.757, 3.785412e-3, 0.0254, 0.45359237


@functools.cache
def axis_of(name):
    return read_axis(FOLDER / f"{name}.toml")


def rated(**changes):
    """Return the valve of the vertical slide with other values, rated with its oil."""
    file = axis_of("vertical_slide").file
    return record(valve_rating.rate_valve(file.valve.replace(**changes), file.oil))


def oil_numbers(**changes):
    return record(oils.oil_parameters(axis_of("vertical_slide").file.oil.replace(**changes)))


few = settings(max_examples=60, deadline=None)
openings = st.floats(-1.2, 1.2)
pressures = st.floats(-200e5, 200e5)


class TestOil:
    def test_viscosity_of_a_worked_sheet(self):
        # worked sheet of the Walther equation (ASTM D341, constant 0.7): 32 mm2/s at 40 degC and
        # 5.4 at 100 degC give A = 9.5259, B = 3.7449 and 8.5 mm2/s at 80 degC. The sheet adds 273
        # to the Celsius degrees; with 273.15 the constants are 9.53082 and 3.74658
        oil = axis_of("vertical_slide").file.oil.replace(
            viscosity_1="32 mm2/s", viscosity_2="5.4 mm2/s"
        )
        a, b = oils.walther_constants(oil)
        assert a == pytest.approx(9.53082, abs=1e-4)
        assert b == pytest.approx(3.74658, abs=1e-4)
        assert oils.viscosity(oil, 353.15) == pytest.approx(8.5e-6, rel=0.01)

    def test_modulus_of_oil_with_air(self):
        # 1 % of air at 1.01325 bar following p V^1.4, oil of 1.5 GPa: arithmetic of the formula
        oil = oil_numbers(
            bulk_modulus="1.5 GPa", bulk_modulus_pressure_slope=0.0, free_air="1 %",
            bulk_modulus_temperature_slope=0.0, polytropic_exponent=1.4,
        )  # fmt: skip
        for p_abs, modulus in ((10, 483.4), (50, 1324), (100, 1442), (200, 1482)):
            found = 1.0 / oils.compressibility(p_abs * 1e5 - ATMOSPHERE, oil)
            assert found == pytest.approx(modulus * 1e6, rel=1e-3)
        assert 1.0 / oils.compressibility(0.0, oil) == pytest.approx(14.05e6, rel=1e-3)

    def test_modulus_is_the_change_of_volume_over_pressure(self):
        # V(p) = (1 - a0) exp(-int dp/K_l) + a0 (p0/p)^(1/n), differentiated numerically
        oil = oil_numbers(free_air="2 %")
        K_l = float(oil.K_l0)

        def volume(p):
            liquid = (1.0 - 0.02) * (1.0 + oil.m * p / K_l) ** (-1.0 / oil.m)
            return liquid + 0.02 * (ATMOSPHERE / (p + ATMOSPHERE)) ** (1.0 / oil.n)

        for p in (0.0, 1e5, 10e5, 50e5):
            step = 1e-4 * (p + ATMOSPHERE)
            slope = -(volume(p + step) - volume(p - step)) / (2.0 * step)
            # the liquid's own shrinking, p/K, is left out of the fractions
            expected = slope / volume(p)
            assert oils.compressibility(p, oil) == pytest.approx(expected, rel=p / K_l + 1e-5)

    @given(st.floats(-0.9e5, 400e5), st.floats(0.0, 100e5))
    @few
    def test_oil_never_gets_softer_with_pressure(self, p, more):
        oil = oil_numbers()
        assert oils.compressibility(p + more, oil) <= oils.compressibility(p, oil)

    def test_limits(self):
        clean, aerated = oil_numbers(free_air=0.0), oil_numbers(free_air="1 %")
        file = axis_of("vertical_slide").file.oil
        # 4 MPa/K over the 20 K to 40 degC, and 10 times the pressure
        for p in (0.0, 100e5):
            expected = 1.0 / (1.5e9 - 4e6 * 20.0 + 10.0 * p)
            assert oils.compressibility(p, clean) == pytest.approx(expected, rel=1e-12)
        high = 5000e5
        ratio = oils.compressibility(high, aerated) / oils.compressibility(high, clean)
        assert ratio == pytest.approx(1.0, abs=5e-3)
        # below the floor the oil softens no further, even where pressure has no meaning
        floor = file.pressure_floor - ATMOSPHERE
        at_floor = oils.compressibility(floor, aerated)
        for below in (floor - 1.0, -ATMOSPHERE, -5e5):
            assert oils.compressibility(below, aerated) == at_floor
        assert oils.compressibility(floor + 1e3, aerated) < at_floor

    def test_trapped_oil_gains_eleven_bar_a_degree(self):
        # about 11 bar per degC for trapped oil (fluidpower.pro; within 15 % as oils differ), and
        # alpha K exactly
        file = axis_of("vertical_slide").file
        oil = oil_numbers(free_air=0.0, warming_rate="60 K/min", steel_expansion=0.0)
        c = cylinder_numbers(wall="rigid", hose="none")
        K = 1.5e9 - 4e6 * 20.0 + 10.0 * 100e5
        for merged in (0.0, 1.0):  # chambers and lines apart, or one volume
            u = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0, merged, merged, 0.2, 0.0)
            gains = cylinders.derivative(0.0, (100e5,) * 4, u, c, oil)
            assert gains == pytest.approx((file.oil.thermal_expansion * K,) * 4, rel=1e-9)
            assert gains[0] == pytest.approx(11e5, rel=0.15)


class TestLand:
    @given(openings, pressures)
    @few
    def test_flow_is_odd_in_the_drop(self, o, dp):
        p = rated()
        assert valves.land_flow(o, -dp, p.K_A, p) == -valves.land_flow(o, dp, p.K_A, p)

    @given(openings, st.floats(0.0, 200e5), st.floats(1.0, 50e5), st.floats(1e-6, 0.5))
    @few
    def test_flow_rises_with_drop_and_opening(self, o, dp, more, wider):
        p = rated()
        q = valves.land_flow(o, dp, p.K_A, p)
        assert valves.land_flow(o, dp + more, p.K_A, p) > q
        assert valves.land_flow(o + wider, dp + more, p.K_A, p) > valves.land_flow(
            o, dp + more, p.K_A, p
        )

    @given(st.floats(-0.05, 0.05), st.sampled_from([0.0, 1e5, 70e5]))
    @few
    def test_flow_is_continuous_over_the_edge(self, o, dp):
        p = rated()
        step = 1e-9
        q_1, q_2 = (valves.land_flow(o + s, dp, p.K_A, p) for s in (-step, step))
        scale = p.K_A * math.sqrt(max(dp, 1.0))
        assert abs(q_2 - q_1) <= 4.0 * step * scale

    def test_a_closed_land_keeps_its_digits_deep_inside_the_overlap(self):
        # o_eff -> c^2/|o|: twice the overlap, half the opening
        p = rated()
        one, two = (valves.land_flow(o, 50e5, p.K_A, p) for o in (-0.5, -1.0))
        assert one / two == pytest.approx(2.0, rel=1e-3)

    def test_laminar_limit_is_the_slit_of_wuest(self):
        # q = pi b^2 W dp/(32 mu) with gap b and width W (Wuest, quoted by Merritt ch. 3: from
        # memory), for C_d = 0.611 and Re_t = 128 C_d^2/pi
        oil = axis_of("vertical_slide").file.oil
        p = rated(discharge_coefficient=0.611, transition_reynolds=128.0 * 0.611**2 / math.pi)
        rho, nu = oils.density(oil, oil.temperature), oils.viscosity(oil, oil.temperature)
        stroke = 0.5e-3
        W = p.K_A / (0.611 * stroke * math.sqrt(2.0 / rho))
        slit = math.pi * (p.c * stroke) ** 2 * W / (32.0 * rho * nu)
        assert valves.land_flow(0.0, 10.0, p.K_A, p) / 10.0 == pytest.approx(slit, rel=1e-6)

    @pytest.mark.parametrize("o", [0.0, 0.02, 0.5])
    def test_jet_turns_turbulent_at_its_reynolds_number(self, o):
        # the gap is the stroke times the hypotenuse of clearance and opening; where the Reynolds
        # number of the jet, on twice the gap, reaches 15 laminar and turbulent flow meet
        oil = axis_of("vertical_slide").file.oil
        p = rated(discharge_coefficient=0.611, transition_reynolds=15.0)
        rho, nu = oils.density(oil, oil.temperature), oils.viscosity(oil, oil.temperature)
        gap = 0.5e-3 * math.hypot(p.c, o)
        velocity = 15.0 * nu / (2.0 * gap)
        dp = 0.5 * rho * (velocity / 0.611) ** 2
        effective = 0.5 * (o + math.sqrt(o * o + 4.0 * p.c**2))
        turbulent = p.K_A * effective * math.sqrt(dp)
        found = valves.land_flow(o, dp, p.K_A, p)
        assert found == pytest.approx(turbulent / 2.0**0.25, rel=1e-9)
        # much more drop: the orifice equation
        far = valves.land_flow(o, 1e4 * dp, p.K_A, p)
        assert far == pytest.approx(100.0 * turbulent, rel=1e-7)

    def test_critical_centre_of_a_textbook_problem(self):
        # Wang Chunxing, Hydraulic Control Systems, ch. 2 problem 1: spool of 8 mm, clearance 5 um,
        # 70 bar, C_d = 0.62, 870 kg/m3, 0.014 Pa s: K_q0 = 1.4 m2/s, K_c0 = 4.4e-12 m3/(s Pa), 1 %.
        # The book's K_c0 is purely laminar, so it's compared at a small drop
        stroke, W, rho, mu = 0.5e-3, math.pi * 8e-3, 870.0, 1.4e-2
        Re = 128.0 * 0.62**2 / math.pi
        K = 0.62 * W * stroke * math.sqrt(2.0 / rho)
        dp_t = 0.5 * rho * (Re * mu / rho / (2.0 * 0.62 * stroke)) ** 2
        p = record(
            axis_of("vertical_slide").parameters.valve._replace(c=5e-6 / stroke, K_A=K, dp_t=dp_t)
        )
        flow = [valves.land_flow(x / stroke, 35e5, p.K_A, p) for x in (0.10e-3, 0.12e-3)]
        assert (flow[1] - flow[0]) / 0.02e-3 == pytest.approx(1.4, rel=0.01)
        assert valves.land_flow(0.0, 1.0, p.K_A, p) == pytest.approx(4.4e-12, rel=0.01)


def ports_blocked(xs, p_S, p):
    """Return the pressures of the blocked ports [Pa], each by its own balance of flows."""

    def balance(pressure, port):
        q = valves.output(0.0, (xs, 0.0), (0.0, pressure, pressure, p_S, 0.0), p)
        return q[0] - q[3] if port == "A" else q[2] - q[1]

    return tuple(scipy.optimize.brentq(balance, 0.0, p_S, args=(port,), xtol=1e-3) for port in "AB")


OVERLAPS = {
    "critical": {},
    "overlapped": {f"overlap_{land}": "4 %" for land in ("pa", "bt", "pb", "at")},
    "open": {f"overlap_{land}": "-0.2 %" for land in ("pa", "bt", "pb", "at")},
    "uneven": {"overlap_pa": "1.5 %", "overlap_at": "0.2 %", "overlap_bt": "-0.1 %"},
}


class TestRating:
    @pytest.mark.parametrize("overlaps", OVERLAPS)
    @pytest.mark.parametrize("drop", ["70 bar", "10 bar"])
    def test_rated_command_gives_rated_flow_through_both_lands(self, overlaps, drop):
        p = rated(rated_flow="20 L/min", rated_pressure_drop=drop, **OVERLAPS[overlaps])
        dp = float(drop.split()[0]) * 1e5

        def mismatch(middle):
            q = valves.output(0.0, (1.0, 0.0), (0.0, middle, middle, dp, 0.0), p)
            return q[0] - q[1]

        middle = scipy.optimize.brentq(mismatch, 0.01 * dp, 0.99 * dp, xtol=1e-3)
        q = valves.output(0.0, (1.0, 0.0), (0.0, middle, middle, dp, 0.0), p)
        assert q[0] == pytest.approx(20e-3 / 60.0, rel=2e-4)

    @pytest.mark.parametrize("overlaps", OVERLAPS)
    def test_null_leakage_comes_back(self, overlaps):
        p = rated(null_leakage="0.6 L/min", pilot_leakage="0.2 L/min", **OVERLAPS[overlaps])
        p_A, p_B = ports_blocked(0.0, 140e5, p)
        q = valves.output(0.0, (0.0, 0.0), (0.0, p_A, p_B, 140e5, 0.0), p)
        total = q[0] + q[2] + valves.pilot_flow(140e5, p)
        assert total == pytest.approx(0.6e-3 / 60.0, rel=1e-6)

    @pytest.mark.parametrize("overlaps", OVERLAPS)
    def test_pressure_gain_comes_back(self, overlaps):
        gain = {"overlapped": 2500e5, "open": 6000e5}.get(overlaps, 7000e5)
        p = rated(leakage_given="pressure_gain", pressure_gain=gain, **OVERLAPS[overlaps])
        step = 1e-3 * p.c
        up, down = ports_blocked(step, 140e5, p), ports_blocked(-step, 140e5, p)
        found = ((up[0] - up[1]) - (down[0] - down[1])) / (2.0 * step)
        assert found == pytest.approx(gain, rel=1e-3)

    @pytest.mark.parametrize("overlap", [-0.002, 0.0, 0.005])
    def test_orifice_limit_of_the_clearance(self, overlap):
        # e0 = (q_null - q_pilot)/(2 K sqrt(pS/2)), c^2 = e0 (e0 + L), K_p0 = 2 pS/sqrt(L^2 + 4c^2):
        # closed forms of the four lands without a laminar part (a very low transition)
        lands = {f"overlap_{land}": overlap for land in ("pa", "bt", "pb", "at")}
        p = rated(
            null_leakage="1.2 L/min", pilot_leakage="0.2 L/min", transition_reynolds=1.0, **lands
        )
        e0 = (1e-3 / 60.0) / (2.0 * p.K_A * math.sqrt(70e5))
        assert p.c == pytest.approx(math.sqrt(e0 * (e0 + overlap)), rel=2e-3)
        gain = valve_rating.null_pressure_gain(140e5, p)
        assert gain == pytest.approx(2.0 * 140e5 / math.hypot(overlap, 2.0 * p.c), rel=5e-3)

    def test_open_centre_of_a_textbook_problem(self):
        # Wang Chunxing, ch. 2 problem 2: underlap 0.05 mm, 70 bar, centre leakage 5 L/min: K_q0 =
        # 1.67 m2/s, K_c0 = 5.95e-12 m3/(s Pa), K_p0 = 2.8e11 Pa/m, 0.5 %. Stroke 0.5 mm; the rated
        # flow of such sharp edges is 27.5 L/min at 70 bar, a hair less leaves a clearance
        stroke = 0.5e-3
        lands = {f"overlap_{land}": "-10 %" for land in ("pa", "bt", "pb", "at")}
        p = rated(
            rated_flow="27.49 L/min", rated_pressure_drop="70 bar", null_leakage="5 L/min",
            pilot_leakage=0.0, rating_pressure="70 bar", transition_reynolds=1.0, **lands,
        )  # fmt: skip

        def load_flow(xs, p_L):
            u = (0.0, 35e5 + 0.5 * p_L, 35e5 - 0.5 * p_L, 70e5, 0.0)
            q = valves.output(0.0, (xs, 0.0), u, p)
            return q[0] - q[3]

        K_q = (load_flow(1e-4, 0.0) - load_flow(-1e-4, 0.0)) / (2e-4 * stroke)
        K_c = (load_flow(0.0, -1e4) - load_flow(0.0, 1e4)) / 2e4
        K_p = valve_rating.null_pressure_gain(70e5, p) / stroke
        assert K_q == pytest.approx(1.67, rel=5e-3)
        assert K_c == pytest.approx(5.95e-12, rel=5e-3)
        assert K_p == pytest.approx(2.8e11, rel=5e-3)

    def test_impossible_null_figures_are_marked(self):
        wide = {f"overlap_{land}": "-5 %" for land in ("pa", "bt", "pb", "at")}
        # an open centre leaks more than that by its underlap alone
        assert rated(null_leakage="0.3 L/min", **wide).c == -1.0

    def test_matched_spool_has_wider_lands_on_one_side(self):
        p = rated(area_ratio=0.5)
        assert pytest.approx(0.5, rel=1e-12) == p.K_B / p.K_A

    def test_cold_oil_leaks_less_at_the_same_clearance(self):
        file = axis_of("vertical_slide").file
        warm = valve_rating.rate_valve(file.valve, file.oil)
        cold = valve_rating.rate_valve(file.valve, file.oil.replace(temperature="10 degC"))
        assert cold.c == pytest.approx(warm.c, rel=1e-12)
        assert valve_rating.null_leakage(140e5, cold) < valve_rating.null_leakage(140e5, warm)


class TestOpeningCurve:
    KNOTS = ((0.0, 0.1, 0.4, 0.7, 1.0), (0.0, 0.02, 0.25, 0.6, 1.0))

    def curve(self):
        return rated(opening="table", opening_table=self.KNOTS[0], area_table=self.KNOTS[1])

    def test_exact_at_the_knots_and_straight_between(self):
        p = self.curve()
        for o in np.linspace(0.0, 1.0, 41):
            expected = np.interp(o, *self.KNOTS)
            assert valves.area_fraction(o, p) == pytest.approx(expected, abs=1e-14)

    def test_two_gains(self):
        p = rated(opening="dual_gain", knee_opening="40 %", knee_area="10 %")
        assert valves.area_fraction(0.2, p) == pytest.approx(0.05, abs=1e-15)
        assert valves.area_fraction(0.4, p) == pytest.approx(0.10, abs=1e-15)
        assert valves.area_fraction(0.7, p) == pytest.approx(0.55, abs=1e-15)

    @given(st.floats(0.0, 1.2), st.floats(1e-6, 0.5))
    @few
    def test_area_never_falls(self, o, more):
        p = self.curve()
        assert valves.area_fraction(o + more, p) > valves.area_fraction(o, p)

    def test_rated_flow_holds_with_a_curve_too(self):
        p = self.curve()
        q = valves.output(0.0, (1.0, 0.0), (0.0, 35e5, 35e5, 70e5, 0.0), p)
        assert q[0] == pytest.approx(20e-3 / 60.0, rel=2e-4)


def run_plays(commands, p):
    narrow = wide = commands[0] + p.bias
    out = []
    for u in commands:
        u_h, narrow, wide = valves.command_path(u, narrow, wide, p.p_rating, 0.0, p)
        out.append(u_h)
    return np.array(out)


class TestCommandPath:
    @given(st.floats(0.0001, 0.005), st.floats(1.05, 8.0), st.floats(0.1, 0.9))
    @few
    def test_threshold_and_width_of_the_loop(self, t, ratio, w):
        H = t * ratio
        p = rated(
            threshold=t, hysteresis=H, wide_play_weight=w, null_bias=0.0,
            null_shift_temperature=0.0, null_shift_pressure=0.0,
        )  # fmt: skip
        n = 401
        up = np.linspace(-0.9, 0.9, n)
        run = run_plays(np.concatenate([up, up[::-1], up]), p)
        # the first branch starts in the middle of the plays; the closed loop counts
        back, forth = run[n : 2 * n][::-1], run[2 * n :]
        inner = np.abs(up) < 0.88 - H / w  # both plays are taken up
        assert (back - forth)[inner] == pytest.approx(H, rel=1e-9)
        # after a reversal the spool rests for exactly the threshold
        rest = run_plays(np.array([-0.5, 0.5, 0.5 - 0.999 * t, 0.5 - 1.01 * t]), p)
        assert rest[2] == rest[1]
        assert rest[3] < rest[2]

    def test_bias_and_its_shift_with_supply(self):
        p = rated(
            threshold=0.0, hysteresis=0.0, null_bias="0.5 %", null_shift_temperature="0.01 %/K",
            null_shift_pressure="0.02 %/bar", rating_temperature="30 degC",
        )  # fmt: skip
        u_h, _, _ = valves.command_path(0.1, 0.1, 0.1, p.p_rating + 10e5, 0.0, p)
        # 0.5 % bias, 10 K above the rating, 10 bar above the rating
        assert u_h == pytest.approx(0.1 + 0.005 + 0.001 + 0.002, rel=1e-9)

    def test_dither_rides_on_the_command(self):
        p = rated(threshold=0.0, hysteresis=0.0, null_bias=0.0)
        at = p.p_rating
        plain, with_dither = (
            valves.command_path(0.1, 0.1, 0.1, at, wave, p)[0] for wave in (0.0, 0.02)
        )
        assert with_dither - plain == pytest.approx(0.02, rel=1e-9)

    def test_the_spool_command_is_limited(self):
        p = rated()
        assert valves.command_path(5.0, 0.0, 0.0, p.p_rating, 0.0, p)[0] == 1.0
        assert valves.command_path(-5.0, 0.0, 0.0, p.p_rating, 0.0, p)[0] == -1.0


def stroke_of(p, command, end, p_S=140e5):
    """Return times and spool positions after a step of the command from rest at null."""

    def rates(t, x):
        return valves.derivative(t, (x[0], x[1]), (command, 0.0, 0.0, p_S, 0.0), p)

    times = np.linspace(0.0, end, 2001)
    found = scipy.integrate.solve_ivp(
        rates, (0.0, end), [0.0, 0.0], t_eval=times, rtol=1e-8, atol=1e-10, max_step=end / 200.0
    )
    return times, found.y[0]


class TestSpool:
    @pytest.mark.parametrize(
        "dynamics",
        [
            {"dynamics": "first_order", "time_constant": "0.2 ms"},
            {"dynamics": "second_order", "natural_frequency": "1500 Hz", "damping_ratio": 0.9},
        ],
        ids=["first", "second"],
    )
    def test_full_stroke_takes_the_stroke_time(self, dynamics):
        p = rated(stroke_time="10 ms", **dynamics)
        times, xs = stroke_of(p, 1.0, 0.02)
        # 10 % to 90 % at the limit of speed: eight tenths of the stroke time
        t_10, t_90 = np.interp((0.1, 0.9), xs, times)
        assert t_90 - t_10 == pytest.approx(8e-3, rel=2e-3)
        assert t_90 == pytest.approx(9e-3, rel=0.02)
        assert np.diff(xs).max() / (times[1] - times[0]) < 100.0 * (1.0 + 1e-6)

    def test_small_steps_are_the_usual_second_order(self):
        p = rated(natural_frequency="90 Hz", damping_ratio=0.6, stroke_time="8 ms")
        times, xs = stroke_of(p, 0.01, 0.02)
        w = 2.0 * math.pi * 90.0
        system = scipy.signal.TransferFunction([w * w], [1.0, 1.2 * w, w * w])
        _, expected = scipy.signal.step(system, T=times)
        assert xs == pytest.approx(0.01 * expected, abs=1e-6)

    def test_small_steps_are_the_usual_first_order(self):
        p = rated(dynamics="first_order", time_constant="3 ms", stroke_time="5 ms")
        times, xs = stroke_of(p, 0.01, 0.02)
        assert xs == pytest.approx(0.01 * (1.0 - np.exp(-times / 3e-3)), abs=1e-7)

    @given(st.floats(-1.0, 1.0), st.floats(-500.0, 500.0))
    @few
    def test_stops_let_the_spool_go_inward_only(self, u, vs):
        p = rated()
        for stop in (1.0, -1.0):
            v, a = valves.derivative(0.0, (stop, vs), (u, 0.0, 0.0, 140e5, 0.0), p)
            assert v * stop <= 0.0
            if vs * stop >= 0.0:
                assert v == 0.0
                assert a * stop <= 0.0

    def test_pilot_pressure_drives_the_speed(self):
        p = rated(
            piloted="yes", stroke_time="10 ms", dynamics="first_order", time_constant="0.2 ms"
        )
        # a quarter of the rating pressure halves the speed; no pressure, no motion
        for p_S, speed in ((140e5, 100.0), (35e5, 50.0), (0.0, 0.0)):
            v, _ = valves.derivative(0.0, (0.0, 0.0), (1.0, 0.0, 0.0, p_S, 0.0), p)
            assert v == pytest.approx(speed, rel=1e-9)
        assert valves.pilot_flow(35e5, p) == pytest.approx(0.5 * p.q_pilot, rel=1e-12)


def cylinder_numbers(**changes):
    return record(
        cylinders.cylinder_parameters(axis_of("vertical_slide").file.cylinder.replace(**changes))
    )


class TestCylinder:
    def test_areas_of_a_textbook_cylinder(self):
        # A. Esposito, Fluid Power with Applications, ex. 6-1: 20 gpm into 2 in / 1 in move it at
        # 2.05 ft/s and back at 2.73 ft/s, 1000 lb need 318 and 425 psi; book rounds up, 0.5 %
        c = cylinder_numbers(bore_diameter=2.0 * INCH, rod_diameter=INCH)
        flow, load = 20.0 * GALLON / 60.0, 1000.0 * POUND * 9.80665
        assert flow / c.A_A / 0.3048 == pytest.approx(2.05, rel=5e-3)
        assert flow / c.A_B / 0.3048 == pytest.approx(2.73, rel=5e-3)
        assert load / c.A_A / PSI == pytest.approx(318.0, rel=5e-3)
        assert load / c.A_B / PSI == pytest.approx(425.0, rel=5e-3)
        assert cylinders.output(0.0, (318.3 * PSI, 0.0, 0.0, 0.0), (0.1, 0.0), c)[
            0
        ] == pytest.approx(load, rel=1e-3)

    def test_other_actuators(self):
        double = cylinder_numbers(kind="double_rod")
        assert double.A_A == double.A_B == pytest.approx(math.pi / 4.0 * (63.0**2 - 28.0**2) * 1e-6)
        plunger = cylinder_numbers(kind="plunger")
        assert pytest.approx(math.pi / 4.0 * 63.0**2 * 1e-6) == plunger.A_A
        assert plunger.A_B == plunger.has_b == 0
        # a motor of 200 cm3 with a lead of 40 mm displaces 200 cm3 over 40 mm of travel: 50 cm2;
        # its inertia over the square of the lead per radian is a mass
        motor = axis_of("screw_table").parameters.cylinder
        assert motor.A_A == motor.A_B == pytest.approx(50e-4, rel=1e-12)
        assert motor.screw_mass == pytest.approx(0.13 * (2.0 * math.pi / 0.04) ** 2, rel=1e-12)
        for x in (0.0, 2.0, 4.0):
            assert cylinders.volumes(x, motor) == (180e-6, 180e-6)

    @given(st.floats(0.0, 0.4))
    @few
    def test_what_one_side_gains_in_area_the_other_loses(self, x):
        c = cylinder_numbers()
        V_A, V_B = cylinders.volumes(x, c)
        assert pytest.approx(c.V_A0 + c.A_A * x, rel=1e-14) == V_A
        assert pytest.approx(c.V_B0 + c.A_B * (0.4 - x), rel=1e-14) == V_B

    def test_volumes_stay_those_of_the_ends_beyond_the_stroke(self):
        c = cylinder_numbers()
        assert cylinders.volumes(-0.01, c) == cylinders.volumes(0.0, c)
        assert cylinders.volumes(0.41, c) == cylinders.volumes(0.4, c)

    def test_softest_place_of_a_single_rod(self):
        # 63/45 mm, stroke 500 mm, no dead volume, 1.4 GPa: 25.22 N/um at 294.1 mm (arithmetic of
        # (K/L)(sqrt A1 + sqrt A2)^2)
        c = cylinder_numbers(
            rod_diameter="45 mm", stroke="500 mm", wall="rigid", hose="none",
            dead_volume_a="0.001 cm3", dead_volume_b="0.001 cm3",
        )  # fmt: skip
        oil = oil_numbers(
            free_air=0.0, bulk_modulus="1.4 GPa", bulk_modulus_pressure_slope=0.0,
            bulk_modulus_temperature_slope=0.0,
        )  # fmt: skip

        def stiffness(x):
            V_A, V_B = cylinders.volumes(x, c)
            C_A = cylinders.chamber_compliance(V_A, 50e5, c, oil)
            C_B = cylinders.chamber_compliance(V_B, 50e5, c, oil)
            return c.A_A**2 / C_A + c.A_B**2 / C_B

        found = scipy.optimize.minimize_scalar(stiffness, bounds=(0.01, 0.49), method="bounded")
        assert found.fun == pytest.approx(25.22e6, rel=1e-3)
        assert found.x == pytest.approx(0.2941, rel=2e-3)

    def rates(self, c, oil, **values):
        names = cylinders.INPUTS
        u = dict.fromkeys(names, 0.0) | {"merged_a": 1.0, "merged_b": 1.0, "piston_position": 0.1}
        x = values.pop("pressures")
        u |= values
        return cylinders.derivative(0.0, x, tuple(float(u[n]) for n in names), c, oil)

    def test_chamber_fills_by_its_flow_less_the_swept_volume(self):
        c, oil = cylinder_numbers(), oil_numbers()
        at = (40e5, 60e5, 40e5, 60e5)
        d = self.rates(
            c, oil, pressures=at, port_flow_a=2e-4, port_flow_b=1e-4, piston_velocity=0.05
        )
        for k, (q, swept, A, V_0, travel, p) in enumerate(
            (
                (2e-4, -1.0, c.A_A, 60e-6 + 80e-6, 0.1, 40e5),
                (-1e-4, 1.0, c.A_B, 60e-6 + 80e-6, 0.3, 60e5),
            )
        ):
            V = V_0 + A * travel
            C = V * (oils.compressibility(p, oil) + 1.0 / 20e9) + 60e-6 / 800e6
            assert d[k] == pytest.approx((q + swept * A * 0.05) / C, rel=1e-9)
            # with the lock open the line is the same oil
            assert d[2 + k] == d[k]

    def test_leakage_passes_on_what_it_takes(self):
        oil = oil_numbers(free_air=0.0)
        tight = cylinder_numbers()
        leaky = cylinder_numbers(
            internal_leakage="6 cm3/min/bar", external_leakage_a="12 cm3/min/bar"
        )
        at = (80e5, 30e5, 80e5, 30e5)
        one, two = (self.rates(c, oil, pressures=at) for c in (tight, leaky))
        flow = [
            (two[k] - one[k])
            * (
                cylinders.chamber_compliance(
                    cylinders.volumes(0.1, tight)[k] + 80e-6, at[k], tight, oil
                )
                + 60e-6 / 800e6
            )
            for k in range(2)
        ]
        inside, outside = 6e-6 / 60.0 * 50.0, 12e-6 / 60.0 * 80.0
        assert flow[0] == pytest.approx(-inside - outside, rel=1e-9)
        assert flow[1] == pytest.approx(inside, rel=1e-9)

    def test_closed_lock_parts_the_line_from_the_chamber(self):
        c, oil = cylinder_numbers(), oil_numbers()
        d = self.rates(
            c, oil, pressures=(40e5, 60e5, 20e5, 10e5), merged_a=0.0, merged_b=0.0,
            port_flow_a=1e-5, lock_flow_b=-2e-6, displaced_flow_a=3e-6,
        )  # fmt: skip
        V_A, V_B = cylinders.volumes(0.1, c)
        assert d[0] == pytest.approx(3e-6 / cylinders.chamber_compliance(V_A, 40e5, c, oil))
        assert d[1] == pytest.approx(-2e-6 / cylinders.chamber_compliance(V_B, 60e5, c, oil))
        line = cylinders.chamber_compliance(80e-6, 20e5, c, oil) + 60e-6 / 800e6
        assert d[2] == pytest.approx(1e-5 / line)
        line = cylinders.chamber_compliance(80e-6, 10e5, c, oil) + 60e-6 / 800e6
        assert d[3] == pytest.approx(2e-6 / line)

    @given(st.floats(-1e-3, 1e-3), st.sampled_from([0.0, 0.4]), st.floats(-1.0, 1.0))
    @few
    def test_end_stops_push_back_and_never_pull(self, deep, end, v):
        c, x = cylinder_numbers(), end + deep
        stop = cylinders.output(0.0, (0.0, 0.0, 0.0, 0.0), (x, v), c)[1]
        if 0.0 <= x <= 0.4:
            assert stop == 0.0
        elif x > 0.4:
            assert stop == pytest.approx(max(150e6 * (x - 0.4) + 60e3 * v, 0.0), rel=1e-9)
        else:
            assert stop == pytest.approx(min(150e6 * x + 60e3 * v, 0.0), rel=1e-9)

    def test_seals_rub_harder_under_pressure(self):
        c = cylinder_numbers()
        _, _, sliding, static = cylinders.output(0.0, (50e5, 30e5, 0.0, 0.0), (0.1, 0.0), c)
        # 80 N and 110 N, and 0.4 N for each of 80 bar
        assert sliding == pytest.approx(80.0 + 32.0)
        assert static == pytest.approx(110.0 + 32.0)

    def test_screw_loses_its_share_when_it_drives_and_asks_for_it_when_driven(self):
        c = axis_of("screw_table").parameters.cylinder
        for v, share in ((0.1, 0.92), (-0.1, 1.08)):
            force = cylinders.output(0.0, (30e5, 20e5, 0.0, 0.0), (1.0, v), c)[0]
            assert force == pytest.approx(50e-4 * 10e5 * share, rel=1e-6)


class TestFriction:
    # Canudas de Wit, Olsson, Astrom, Lischinsky, IEEE Trans. Automatic Control 40(3), 1995, table I
    PAPER = frictions.FrictionParameters(
        model=frictions.LUGRE_PLAIN, v_s_inverse=1000.0, delta=2.0, v_0=1.0, sigma_0=1e5,
        sigma_1=math.sqrt(1e5), v_d_inverse=1e-9, elastic=0.7,
    )  # fmt: skip

    @pytest.mark.parametrize(
        ("v", "force"),
        [
            (1e-4, 1.4951),
            (5e-4, 1.3896),
            (1e-3, 1.1843),
            (2e-3, 1.0100),
            (5e-3, 1.0020),
            (0.1, 1.0400),
        ],
    )
    def test_steady_friction_of_the_published_set(self, v, force):
        # parameters as printed (sigma_2 = 0.4 N s/m, F_C = 1 N, F_S = 1.5 N); forces are arithmetic
        p = record(self.PAPER)
        z = frictions.steady_level(v, 1.0, 1.5, p) / 1e5
        found, z_rate = frictions.friction(v, z, 1.0, 1.5, p)
        assert z_rate == pytest.approx(0.0, abs=1e-15)
        assert found + 0.4 * v == pytest.approx(force, abs=6e-5)

    @given(st.floats(-0.2, 0.2), st.floats(-1.0, 1.0))
    @few
    def test_elastic_below_breakaway(self, v, part):
        p = record(self.PAPER._replace(model=frictions.LUGRE))
        z = part * 0.7 * 1.0 / 1e5
        assert frictions.friction(v, z, 1.0, 1.5, p)[1] == v

    @given(st.floats(1e-5, 0.2), st.floats(0.0, 1.0))
    @few
    def test_between_breakaway_and_sliding_the_bristle_gives_way_gradually(self, v, part):
        # Dupont et al., IEEE Trans. Automatic Control 47(5), 2002 (from memory): dz/dt =
        # v (1 - alpha z/z_ss), alpha rising from 0 at break-away to 1 at z_ss as half a sine wave
        p = record(self.PAPER._replace(model=frictions.LUGRE))
        g = frictions.steady_level(v, 1.0, 1.5, p)
        z_ba, z_ss = 0.7 * min(1.0, g) / 1e5, g / 1e5
        z = z_ba + part * (z_ss - z_ba)
        alpha = 0.5 - 0.5 * math.cos(math.pi * part)
        z_rate = frictions.friction(v, z, 1.0, 1.5, p)[1]
        assert z_rate == pytest.approx(v * (1.0 - alpha * z / z_ss), abs=1e-9 * v)

    @given(st.floats(1e-6, 0.2), st.sampled_from([frictions.LUGRE, frictions.LUGRE_PLAIN]))
    @few
    def test_bristle_stops_growing_at_the_steady_level(self, v, model):
        p = record(self.PAPER._replace(model=model))
        z = frictions.steady_level(v, 1.0, 1.5, p) / 1e5
        assert frictions.friction(v, 1.001 * z, 1.0, 1.5, p)[1] <= 1e-12
        assert frictions.friction(v, 0.5 * z, 1.0, 1.5, p)[1] > 0.0

    @given(st.floats(-0.2, 0.2))
    @few
    def test_memoryless_curve_is_odd_and_opposes(self, v):
        p = record(self.PAPER._replace(model=frictions.STRIBECK, v_0=1e-3))
        force, _ = frictions.friction(v, 0.0, 1.0, 1.5, p)
        assert force * v >= 0.0
        assert frictions.friction(-v, 0.0, 1.0, 1.5, p)[0] == -force
        assert abs(force) <= 1.5

    def test_frictionless_contact_has_no_force(self):
        p = record(self.PAPER)
        assert frictions.friction(0.1, 1e-5, 0.0, 0.0, p) == (0.0, 0.0)


def load_numbers(name="vertical_slide", **changes):
    """Return the load of a file with some values of its table replaced."""
    f = axis_of(name).file
    table = f.table.replace(**changes)
    return loads.load_parameters(table, f.structure, f.cylinder.seal_viscous, 0.0)


STILL = (0.2, 0.0, 0.2, 0.0, 0.0, 0.0)
NO_PUSH = (0.0,) * 8


class TestLoad:
    def test_textbook_loads(self):
        # A. Esposito, ex. 6-3: 6000 lb at 30 deg pull with 3000 lb; ex. 6-4: vertical, from rest
        # to 8 ft/s in 0.5 s take 8981 lb
        pound_force = POUND * 9.80665
        bare = {"counterbalance": "none", "workpiece_mass": 0.0, "mass": 6000.0 * POUND - 18.0}
        slope = record(load_numbers(inclination="30 deg", **bare))
        push = (3000.0 * pound_force, *(0.0,) * 7)
        assert loads.derivative(0.0, STILL, push, slope)[1] == pytest.approx(0.0, abs=1e-9)
        upright = record(load_numbers(**bare))
        push = (8981.4 * pound_force, *(0.0,) * 7)
        found = loads.derivative(0.0, STILL, push, upright)[1]
        assert found == pytest.approx(8.0 * 0.3048 / 0.5, rel=1e-3)

    @given(st.floats(-0.1, 0.1), st.floats(1.0, 1.67))
    @few
    def test_gas_of_the_counterbalance_follows_its_law(self, dx, n):
        p = record(load_numbers(counterbalance_exponent=n))
        force = loads.counterbalance_force(0.2 + dx, p)
        volume = 3e-3 + 6e-4 * dx
        # the law holds for absolute pressure; the atmosphere stands on the other side of the piston
        absolute, at_first = force + 6e-4 * 101325.0, 1250.0 + 6e-4 * 101325.0
        assert absolute * volume**n == pytest.approx(at_first * 3e-3**n, rel=1e-12)

    def test_other_counterbalances(self):
        assert (
            loads.counterbalance_force(0.3, record(load_numbers(counterbalance="constant")))
            == 1250.0
        )
        assert loads.counterbalance_force(0.3, record(load_numbers(counterbalance="none"))) == 0.0

    @given(st.floats(-50e-6, 50e-6), st.floats(-0.1, 0.1))
    @few
    def test_backlash_lets_go_inside_and_is_stiff_outside(self, dx, dv):
        p = record(load_numbers("screw_table"))
        force = loads.coupling_force(dx, dv, p)
        half = 5e-6
        if abs(dx) <= half:
            assert force == 0.0
        else:
            beyond = dx - math.copysign(half, dx)
            wanted = 150e6 * beyond + 80e3 * dv
            if wanted * dx < 0.0:
                wanted = 0.0  # a flank pushes and never pulls
            assert force == pytest.approx(wanted, rel=1e-9, abs=1e-6)

    @given(st.floats(-1e-3, 1e-3), st.floats(-0.5, 0.5))
    @few
    def test_brake_holds_up_to_its_force(self, dx, v):
        p = axis_of("screw_table").parameters.load
        force = loads.brake_force(1.0 + dx, v, 1.0, 1.0, p)
        assert abs(force) <= 25e3
        wanted = 400e6 * dx + 400e3 * v
        assert force == pytest.approx(min(max(wanted, -25e3), 25e3), rel=1e-6, abs=1e-3)
        assert loads.brake_force(1.0 + dx, v, 0.0, 1.0, p) == 0.0

    def test_friction_of_the_ways_grows_with_the_load_on_them(self):
        p = record(load_numbers("screw_table"))
        weight = 11000.0 * 9.80665 + 20e3
        for normal in (0.0, 4e3):
            sliding, static = loads.way_levels(normal, p)
            assert sliding == pytest.approx(0.008 * (weight + normal), rel=1e-12)
            assert static == pytest.approx(0.010 * (weight + normal), rel=1e-12)
        # a thrust that lifts the table leaves no negative friction
        assert loads.way_levels(-1e6, p) == (0.0, 0.0)
        # nothing of the weight lies on vertical ways
        assert loads.way_levels(0.0, record(load_numbers()))[0] == pytest.approx(0.05 * 2500.0)

    @given(st.floats(-1e4, 1e4), st.floats(-100e-6, 100e-6), st.floats(-0.2, 0.2))
    @few
    def test_inner_forces_move_no_centre_of_mass(self, force, dx, dv):
        p = record(load_numbers("screw_table", coulomb_coefficient=0.0, static_coefficient=0.0))
        x = (1.0 + dx, dv, 1.0, 0.0, 0.0, 0.0)
        d = loads.derivative(0.0, x, (force, *(0.0,) * 7), p)
        seals = p.B_s * dv
        assert d[1] * p.M_p + d[3] * p.M_t == pytest.approx(force - seals, rel=1e-9, abs=1e-6)

    def test_turning_inertia_has_no_weight(self):
        f = axis_of("vertical_slide").file
        p = record(
            loads.load_parameters(f.table.replace(counterbalance="none"), f.structure, 0.0, 500.0)
        )
        weight = 378.0 * 9.80665
        held = (weight, *(0.0,) * 7)
        assert loads.derivative(0.0, STILL, held, p)[1] == pytest.approx(0.0, abs=1e-12)
        lifted = (weight + 878.0, *(0.0,) * 7)
        assert loads.derivative(0.0, STILL, lifted, p)[1] == pytest.approx(1.0, rel=1e-9)

    def test_thrust_works_against_extension(self):
        p = record(load_numbers())
        rest = loads.derivative(0.0, STILL, NO_PUSH, p)[1]
        pushed = loads.derivative(0.0, STILL, (0.0, 0.0, 0.0, 0.0, 100.0, 0.0, 0.0, 0.0), p)[1]
        assert pushed - rest == pytest.approx(-100.0 / 378.0, rel=1e-9)


def supply_numbers(**changes):
    return supplies.supply_parameters(axis_of("vertical_slide").file.supply.replace(**changes))


class TestSupply:
    def test_characteristic_of_the_compensated_pump(self):
        p = record(supply_numbers())
        full = 20e-3 / 60.0
        for pressure, share in ((0.0, 1.0), (77e5, 1.0), (78.5e5, 0.5), (80e5, 0.0), (90e5, 0.0)):
            assert supplies.pump_target(pressure, p) == pytest.approx(share * full, abs=1e-12)

    def test_relief_valve_opens_at_its_pressure(self):
        p = record(supply_numbers())
        assert supplies.relief_flow(94.9e5, p) == 0.0
        assert supplies.relief_flow(97e5, p) == pytest.approx(2.0 * 3e-3 / 60.0, rel=1e-9)

    def test_relief_valve_passes_all_of_a_fixed_pump_at_the_stated_pressure(self):
        p = axis_of("screw_table").parameters.supply
        assert supplies.relief_flow(60e5, p) == pytest.approx(60e-3 / 60.0, rel=1e-9)
        assert supplies.pump_target(30e5, p) == supplies.pump_target(90e5, p) == 60e-3 / 60.0

    def test_heat_of_a_relief_valve(self):
        # A. Esposito, ex. 8-2: 1000 psi and 20 gpm over a relief valve are 11.7 hp (11.669), 0.5 %
        p = record(
            supply_numbers(
                kind="fixed_pump", pressure=1000.0 * PSI, pump_flow=20.0 * GALLON / 60.0,
                accumulator="none", line="none",
            )
        )  # fmt: skip
        state = (1000.0 * PSI, 1000.0 * PSI, 20.0 * GALLON / 60.0, 293.15, 313.15)
        delivered, lost = supplies.losses(state, p)
        assert lost / 745.7 == pytest.approx(11.669, rel=1e-3)
        assert delivered == pytest.approx(lost, rel=1e-9)

    def test_line_loses_its_stated_drop_at_its_stated_flow(self):
        axis = axis_of("vertical_slide")
        p = axis.parameters.supply
        stated = 20e-3 / 60.0
        assert supplies.line_flow(80e5, 77e5, p) == pytest.approx(stated, rel=1e-9)
        assert supplies.line_flow(77e5, 80e5, p) == pytest.approx(-stated, rel=1e-9)
        assert line_drop(stated, axis.record) == pytest.approx(3e5, rel=1e-9)

    @given(st.floats(1e-6, 1e-3))
    @few
    def test_loss_and_flow_of_the_line_are_inverse(self, q):
        axis = axis_of("vertical_slide")
        drop = line_drop(q, axis.record)
        p = axis.parameters.supply
        assert supplies.line_flow(50e5, 50e5 - drop, p) == pytest.approx(q, rel=1e-6)

    def emptied(self, tau, seconds=100.0):
        """Return pressure and gas temperature after 5 gal are drawn from 20.049 gal at 3000 psi."""
        p = supply_numbers(
            pressure=3300.0 * PSI, relief_pressure=3600.0 * PSI, line="none",
            pump_line_volume="1 cm3", accumulator_volume=20.049 * GALLON,
            precharge_pressure=1500.0 * PSI, gas_time_constant=tau, gas_exponent=1.4,
        )  # fmt: skip
        # the pump is off: no flow whatever the pressure
        p = record(p._replace(q_max=0.0))
        oil = oil_numbers(free_air=0.0)
        drawn = 5.0 * GALLON / seconds

        def rates(t, x):
            d = supplies.derivative(t, (x[0], x[0], 0.0, x[1], 313.15), (drawn, 0.0), p, oil)
            return d[0], d[3]

        found = scipy.integrate.solve_ivp(
            rates, (0.0, seconds), [3000.0 * PSI, float(p.T_a)], method="LSODA", rtol=1e-9,
            atol=(1.0, 1e-6),
        )  # fmt: skip
        return found.y[0][-1], found.y[1][-1], p

    def test_slow_gas_is_isothermal(self):
        # J. Sullivan, Fluid Power: Theory & Applications, ex. 12.4: 5 gal between 3000 and 2000
        # psig at a precharge of 1500 psig need 20.049 gal
        pressure, temperature, p = self.emptied(1e-3)
        assert pressure / PSI == pytest.approx(2000.0, rel=1e-3)
        assert temperature == pytest.approx(p.T_a, abs=0.01)

    def test_fast_gas_is_adiabatic(self):
        # p V^1.4 and p V/T constant, from the volume that isothermal filling leaves at 3000 psi
        pressure, temperature, p = self.emptied(3600.0, seconds=0.5)
        p_1 = 3000.0 * PSI + ATMOSPHERE
        V_1 = 20.049 * GALLON * (1500.0 * PSI + ATMOSPHERE) / p_1
        V_2 = V_1 + 5.0 * GALLON
        # half a second against an hour of time constant
        assert pressure + ATMOSPHERE == pytest.approx(p_1 * (V_1 / V_2) ** 1.4, rel=2e-4)
        same_gas = (pressure + ATMOSPHERE) * V_2 / (p_1 * V_1)
        assert temperature / p.T_a == pytest.approx(same_gas, rel=2e-4)

    def test_gas_below_precharge_is_rigid(self):
        p = record(supply_numbers())
        assert supplies.gas_compliance(50e5, float(p.T_a), p) == (0.0, 0.0)
        C, _ = supplies.gas_compliance(80e5, float(p.T_a), p)
        V = 2e-3 * (55e5 + ATMOSPHERE) / (80e5 + ATMOSPHERE)
        assert pytest.approx(V / (1.4 * (80e5 + ATMOSPHERE)), rel=1e-9) == C

    def test_tank_warms_by_what_it_gets_less_what_it_gives_off(self):
        p = record(supply_numbers())
        d = supplies.derivative(
            0.0, (80e5, 80e5, 0.0, float(p.T_a), 313.15), (0.0, 3e3), p, oil_numbers()
        )
        assert d[4] == pytest.approx((3e3 - 40.0 * 20.0) / 150e3, rel=1e-9)

    def test_ideal_supply_does_not_give_way(self):
        p = axis_of("teaching_rig").parameters.supply
        d = supplies.derivative(
            0.0, (60e5, 60e5, 0.0, 293.15, 293.15), (1e-3, 0.0), p, oil_numbers()
        )
        assert d == (0.0, 0.0, 0.0, 0.0, 0.0)


def transducer_numbers(**changes):
    table = axis_of("vertical_slide").file.transducer.replace(**changes)
    return transducers.transducer_parameters(table)


class TestTransducer:
    def test_errors_of_the_scale_add_up(self):
        p = record(
            transducer_numbers(
                scale_error="20 um/m", scale_expansion="10 um/m/K", scale_temperature="25 degC",
                zero_offset="7 um", cyclic_error="2 um", cyclic_period="20 um",
            )
        )  # fmt: skip
        # at 0.3 m: 6 um too long, 15 um lost by growth of 5 K; a quarter of a period on 2 um more
        assert transducers.scale_value(0.3, p) - 0.3 == pytest.approx(
            (6 - 15 + 7) * 1e-6, abs=1e-11
        )
        at = 0.3 + 5e-6
        expected = at * (1.0 + 20e-6 - 50e-6) + 7e-6 + 2e-6
        assert transducers.scale_value(at, p) == pytest.approx(expected, abs=1e-11)

    @given(st.floats(-1.0, 1.0), st.sampled_from([1e-7, 1e-6, 5e-6, 1e-3]))
    @few
    def test_rounding_is_to_the_nearest_step(self, value, step):
        found = transducers.rounded(value, step)
        assert abs(found - value) <= 0.5 * step * (1.0 + 1e-6)
        assert found / step == pytest.approx(round(found / step), abs=1e-6)
        assert transducers.rounded(value, 0.0) == value

    def test_pressure_reading_stays_in_its_range(self):
        p = record(transducer_numbers())
        assert transducers.pressure_sample(500e5, 0.0, p) == pytest.approx(160e5)
        assert transducers.pressure_sample(-1e5, 0.0, p) == 0.0
        # two standard deviations of 0.05 bar, rounded to 0.05 bar
        assert transducers.pressure_sample(50e5, 2.0, p) == pytest.approx(50.1e5)

    def test_readings_lag_by_their_time_constants(self):
        on_piston = record(transducer_numbers(location="piston", cyclic_error=0.0))
        d = transducers.derivative(0.0, (0.1, 40e5, 50e5), (0.1001, 0.2, 41e5, 48e5), on_piston)
        assert d[0] == pytest.approx(1e-4 / 1e-4)
        assert d[1] == pytest.approx(1e5 / 1e-3)
        assert d[2] == pytest.approx(-2e5 / 1e-3)
        on_table = record(transducer_numbers(location="table", cyclic_error=0.0))
        d = transducers.derivative(0.0, (0.1, 40e5, 50e5), (0.1001, 0.2, 41e5, 48e5), on_table)
        assert d[0] == pytest.approx(0.1 / 1e-4)


def controller_numbers(
    areas=(30e-4, 20e-4), coefficients=(2e-7, 2e-7), pressures=(80e5, 1e5), load=0.0,
    overlaps=(0.05, 0.05), **changes,
):  # fmt: skip
    table = axis_of("vertical_slide").file.controller.replace(**changes)
    return controllers.controller_parameters(table, areas, coefficients, pressures, load, overlaps)


def steady_velocity(A_A, A_B, K_A, K_B, p_S, p_T, F, forward):
    """Return the speed at which both full openings pass what the piston sweeps, by root search."""

    def missing(v):
        # pressures behind the orifice equations of the land that feeds and the one that drains
        if forward:
            p_A, p_B = p_S - (A_A * v / K_A) ** 2, p_T + (A_B * v / K_B) ** 2
        else:
            p_A, p_B = p_T + (A_A * v / K_A) ** 2, p_S - (A_B * v / K_B) ** 2
        force = A_A * p_A - A_B * p_B - F
        return force if forward else -force

    return scipy.optimize.brentq(missing, 0.0, 10.0, xtol=1e-14)


class TestController:
    @given(
        st.floats(5e-4, 5e-3), st.floats(0.3, 1.0), st.floats(0.4, 2.5), st.floats(0.0, 5e5),
        st.floats(-0.3, 0.3),
    )  # fmt: skip
    @few
    def test_velocity_gains_are_the_steady_state_of_the_orifices(self, A, ratio, lands, p_T, part):
        A_B, K_A, p_S = ratio * A, 2e-7, 100e5
        F = part * A_B * p_S
        found = controllers.velocity_gains(A, A_B, K_A, lands * K_A, p_S, p_T, F)
        for k, forward in enumerate((True, False)):
            if found[2 + k] > 0.01 * A * p_S:
                v = steady_velocity(A, A_B, K_A, lands * K_A, p_S, p_T, F, forward)
                assert found[k] == pytest.approx(v, rel=1e-9)

    def test_velocity_gains_of_a_single_rod(self):
        # 50/36 mm, 40 L/min at 70 bar, 100 bar, no load: 0.5443 and 0.3777 m/s (arithmetic of the
        # orifice equations)
        A_A, A_B = (math.pi / 4.0 * d for d in (50e-3**2, 50e-3**2 - 36e-3**2))
        K = 40e-3 / 60.0 / math.sqrt(35e5)
        plus, minus, _, _ = controllers.velocity_gains(A_A, A_B, K, K, 100e5, 0.0, 0.0)
        assert plus == pytest.approx(0.5443, abs=1e-4)
        assert minus == pytest.approx(0.3777, abs=1e-4)

    def test_a_plunger_comes_down_by_its_load_only(self):
        _, minus, _, drop = controllers.velocity_gains(1e-3, 0.0, 1e-7, 0.0, 100e5, 0.0, 900.0)
        # 9 bar over the one land: v = K sqrt(9 bar)/A
        assert drop == 900.0
        assert minus == pytest.approx(1e-7 * math.sqrt(9e5) / 1e-3, rel=1e-12)
        assert controllers.velocity_gains(1e-3, 0.0, 1e-7, 0.0, 100e5, 0.0, -1.0)[1] == 0.0

    @pytest.mark.parametrize("zeta", [0.4, 0.7, 1.0, 1.6])
    @pytest.mark.parametrize("omega", [50.0, 800.0, 3000.0])
    def test_sampled_filter_is_the_step_invariant_one(self, zeta, omega):
        F11, F12, F21, F22, G1, G2 = controllers.step_invariant_filter(omega, zeta, 1e-3)
        system = (
            np.array([[0.0, 1.0], [-omega * omega, -2.0 * zeta * omega]]),
            np.array([[0.0], [omega * omega]]),
            np.eye(2),
            np.zeros((2, 1)),
        )
        F, G, *_ = scipy.signal.cont2discrete(system, 1e-3, method="zoh")
        scale = np.array([[1.0, 1.0], [omega, 1.0]])
        assert np.abs((np.array([[F11, F12], [F21, F22]]) - F) / scale).max() < 1e-9
        assert np.abs((np.array([[G1], [G2]]) - G) / np.array([[1.0], [omega]])).max() < 1e-9

    def test_sampled_and_continuous_states_agree_over_a_held_input(self):
        p = record(
            controller_numbers(
                high_pass_frequency="5 Hz", integral_gain="3 1/s2",
                load_pressure_correction="square_root", correction_frequency="1 Hz",
                correction_floor="5 %",
            )
        )  # fmt: skip
        u = (0.1003, 0.0, 0.0, 0.0, 0.0, 0.1, 50e5, 40e5)
        start = (1e-4, 0.0999, 0.01, 20e5, 10e5)
        sampled = controllers.update(0.0, start, u, False, p)

        def rates(t, x):
            return controllers.derivative(t, tuple(float(v) for v in x), u, p)

        found = scipy.integrate.solve_ivp(
            rates, (0.0, float(p.period)), start, rtol=1e-10, atol=1e-14, method="RK45"
        )
        assert sampled == pytest.approx(tuple(found.y[:, -1]), rel=1e-6)

    @given(st.floats(-0.4, 0.4))
    @few
    def test_overlap_inverse_leaves_the_wanted_opening(self, o):
        p = record(
            controller_numbers(
                overlaps=(0.05, 0.08), overlap_compensation="100 %", overlap_smoothing="0.01 %",
                null_trim=0.0,
            )
        )  # fmt: skip
        g = p.g_plus if o >= 0.0 else p.g_minus
        u = controllers.opening_command(o * g, 0.0, p)
        overlap = 0.05 if u >= 0.0 else 0.08
        if abs(o) > 0.01:
            assert math.copysign(abs(u) - overlap, u) == pytest.approx(o, abs=1e-5)
        # half of it leaves half of the overlap to be crossed
        half = record(
            controller_numbers(
                overlaps=(0.05, 0.08), overlap_compensation="50 %", overlap_smoothing="0.01 %",
                null_trim=0.0,
            )
        )  # fmt: skip
        assert abs(controllers.opening_command(o * g, 0.0, half)) <= abs(u)

    def test_the_jump_is_spread_and_has_no_step(self):
        p = record(controller_numbers(overlap_compensation="100 %", overlap_smoothing="1 %"))
        trim = controllers.opening_command(0.0, 0.0, p)
        assert trim == pytest.approx(-0.004)
        tiny = 1e-9 * p.g_plus
        up, down = (controllers.opening_command(s * tiny, 0.0, p) for s in (1.0, -1.0))
        # slope at null: 1 + L/delta on either side
        assert (up - trim) / 1e-9 == pytest.approx(6.0, rel=1e-3)
        assert (trim - down) / 1e-9 == pytest.approx(6.0 * p.g_plus / p.g_minus, rel=1e-3)

    def test_command_is_limited(self):
        p = record(controller_numbers(output_limit="60 %"))
        assert controllers.opening_command(10.0, 0.0, p) == 0.6
        assert controllers.opening_command(-10.0, 0.0, p) == -0.6

    @given(st.floats(-1e-3, 1e-3), st.floats(-2e-3, 2e-3))
    @few
    def test_integral_has_a_dead_zone_and_a_clamp(self, e, integral):
        p = record(
            controller_numbers(
                integral_gain="10 1/s2", integral_dead_zone="50 um", integral_limit="1 mm/s"
            )
        )
        rate = controllers.integral_rate(integral, (e, *(0.0,) * 7), p)
        outside = math.copysign(max(abs(e) - 50e-6, 0.0), e)
        if abs(integral) >= 1e-3 and outside * integral > 0.0:
            assert rate == 0.0
        else:
            assert rate == pytest.approx(10.0 * outside, rel=1e-9, abs=1e-15)
        u = (e, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
        after = controllers.update(0.0, (integral, 0.0, 0.0, 0.0, 0.0), u, False, p)
        assert abs(after[0]) <= 1e-3
        frozen = controllers.update(0.0, (integral, 0.0, 0.0, 0.0, 0.0), u, True, p)
        assert frozen[0] == integral

    @given(st.floats(-0.6, 0.6), st.floats(-0.3, 0.3))
    @few
    def test_root_correction_makes_up_for_the_load(self, part, foreseen):
        # with the load known the command times the loaded velocity gain is the wanted velocity
        A_A, A_B, K, p_S, p_T = 30e-4, 20e-4, 2e-7, 80e5, 1e5
        p = record(
            controller_numbers(
                load=foreseen * (A_B * p_S - A_A * p_T), correction_frequency="2 Hz",
                load_pressure_correction="square_root", correction_floor="5 %",
                overlap_compensation=0.0, null_trim=0.0,
            )
        )  # fmt: skip
        F = part * (A_B * p_S - A_A * p_T)
        for v in (0.01, -0.01):
            u = controllers.opening_command(v, F / A_A, p)
            gain = steady_velocity(A_A, A_B, K, K, p_S, p_T, F, v > 0.0)
            assert u * gain == pytest.approx(v, rel=1e-9)

    def test_root_correction_stops_at_its_floor(self):
        p = record(
            controller_numbers(
                load_pressure_correction="square_root", correction_frequency="2 Hz",
                correction_floor="25 %", overlap_compensation=0.0, null_trim=0.0,
            )
        )  # fmt: skip
        stalled = controllers.opening_command(0.01, 1e9, p)
        assert stalled == pytest.approx(2.0 * 0.01 / p.g_plus, rel=1e-9)

    def test_law_in_its_parts(self):
        p = record(
            controller_numbers(
                velocity_gain="20 1/s", velocity_feedforward="90 %",
                acceleration_feedforward="2 ms", overlap_compensation=0.0, null_trim=0.0,
                load_pressure_feedback="1 (mm/s)/bar", velocity_feedback="10 %",
            )
        )  # fmt: skip
        rest = (0.0, 0.1, 0.0, 20e5, 0.0)

        def wanted(states=rest, r=0.1, v=0.0, a=0.0, v_s=0.0, scheduled=0.0, y=0.1, p_A=40e5):
            # load pressure is p_A less two thirds of p_B: 40 - 20 = 20 bar, the slow part
            u = controllers.law(states, (r, v, a, v_s, scheduled, y, p_A, 30e5), p)
            return u * (p.g_plus if u > 0.0 else p.g_minus)

        assert wanted() == 0.0
        assert wanted(r=0.101) == pytest.approx(0.02)
        assert wanted(v=0.05) == pytest.approx(0.045)
        assert wanted(a=-0.5) == pytest.approx(-1e-3)
        assert wanted(states=(3e-4, 0.1, 0.0, 20e5, 0.0)) == pytest.approx(3e-4)
        assert wanted(states=(0.0, 0.1, 0.04, 20e5, 0.0)) == pytest.approx(-0.004)
        assert wanted(p_A=45e5) == pytest.approx(-5e-3)
        # a schedule over the distance takes the place of error and feed-forward
        assert wanted(r=0.2, v=0.3, v_s=0.03, scheduled=1.0) == pytest.approx(0.03)

    def test_steady_load_pressure_is_not_fed_back(self):
        p = record(controller_numbers(high_pass_frequency="2 Hz"))
        u = (0.1, 0.0, 0.0, 0.0, 0.0, 0.1, 60e5, 30e5)
        x = (0.0, 0.1, 0.0, 0.0, 0.0)
        for _ in range(3000):
            x = controllers.update(0.0, x, u, False, p)
        assert x[3] == pytest.approx(60e5 - 20e5, rel=1e-9)


class TestLock:
    def numbers(self, **changes):
        table = axis_of("vertical_slide").file.lock.replace(**changes)
        return record(locks.lock_parameters(table))

    @pytest.mark.parametrize(
        "changes",
        [{"kind": "blocking_valve"}, {"cracking_pressure": "1 bar"}],
        ids=["valve", "check"],
    )
    def test_open_element_passes_its_rated_flow_at_its_rated_drop(self, changes):
        p = self.numbers(**changes)
        # laminar part below a hundredth of the drop costs 1/4 of its square
        assert locks.output(0.0, (40e5, 45e5, 1.0), p) == pytest.approx(40e-3 / 60.0, rel=1e-4)
        assert locks.output(0.0, (45e5, 40e5, 1.0), p) == pytest.approx(-40e-3 / 60.0, rel=1e-4)

    @given(pressures, st.floats(0.0, 1.0))
    @few
    def test_blocking_valve_is_odd_and_proportional_to_its_area(self, dp, area):
        p = self.numbers(kind="blocking_valve")
        q = locks.output(0.0, (0.0, dp, area), p)
        assert locks.output(0.0, (dp, 0.0, area), p) == -q
        assert q == pytest.approx(area * locks.output(0.0, (0.0, dp, 1.0), p), abs=1e-18)

    def test_closed_elements(self):
        tight, leaky = (
            self.numbers(kind="blocking_valve", leakage=g) for g in (0.0, "6 cm3/min/bar")
        )
        assert locks.output(0.0, (50e5, 10e5, 0.0), tight) == 0.0
        assert locks.output(0.0, (50e5, 10e5, 0.0), leaky) == pytest.approx(-40.0 * 6e-6 / 60.0)

    @given(st.floats(0.0, 200e5), st.floats(0.0, 200e5))
    @few
    def test_check_lets_oil_in_and_never_out(self, chamber, line):
        p = self.numbers(cracking_pressure="5 bar")
        q = locks.output(0.0, (chamber, line, 0.0), p)
        assert q >= 0.0
        assert (q > 0.0) == (line - chamber > 5e5)

    @given(
        st.floats(0.0, 200e5), st.floats(0.0, 300e5), st.floats(0.0, 100e5), st.floats(1.0, 12.0)
    )
    @few
    def test_pilot_lifts_a_check_by_the_balance_of_its_forces(self, pilot, chamber, line, R):
        # on a pilot piston R times the seat: (p_pilot - p_line) R against (p - p_line) and the
        # spring's R p_cr
        p = self.numbers(pilot_ratio=R, cracking_pressure="3 bar")
        force = (pilot - line) * R - (chamber - line) - R * 3e5
        if abs(force) > 1.0:
            assert locks.pilot_opens(pilot, chamber, line, p) == (force > 0.0)

    def test_pilot_ratio_of_the_trade(self):
        # p_pilot >= (p_locked - p_back)/ratio, with the cracking pressure on top (from memory)
        p = self.numbers(pilot_ratio=4.0, cracking_pressure=0.0)
        assert locks.pilot_opens(50.1e5, 200e5, 0.0, p)
        assert not locks.pilot_opens(49.9e5, 200e5, 0.0, p)
