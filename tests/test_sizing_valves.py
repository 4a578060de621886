"""Valve of a sizing: chamber pressures, rated flow, resolution, lag, rules.

"Wang" is Wang Chunxing, *Hydraulic Control Systems* (China Machine Press), end-of-chapter problems;
"Esposito" is A. Esposito, *Fluid Power with Applications*; "Sullivan" is J. Sullivan, *Fluid Power:
Theory & Applications*, 4th ed.
"""

import math
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import optimize

from servosim.components.valve import output as land_flows
from servosim.components.valve_rating import rate_valve
from servosim.simulate import simulate
from servosim.sizing.actuators import actuators_of
from servosim.sizing.at_hand import valve_of
from servosim.sizing.axes import axis_of, parts_of
from servosim.sizing.calculation import Calculation
from servosim.sizing.candidates import combinations_of
from servosim.sizing.combinations import DOUBLE_ROD, SINGLE_ROD, Combinations
from servosim.sizing.duty import duty_of
from servosim.sizing.land_flow import (
    Leakage,
    Side,
    command_for,
    force_on_curve,
    land_coefficient,
    needed_rated_flow,
    state_at,
)
from servosim.sizing.lands import null_figures
from servosim.sizing.power import power_of
from servosim.sizing.requirement import read_requirement
from servosim.sizing.resolution import (
    counted_damping,
    crossing,
    crossing_coefficient,
    error_of,
    limit_share,
    loop_gain,
    null_velocity_gain,
    port_velocity,
    response_in_phase,
    smallest_command,
    steps_in_window,
)
from servosim.sizing.valve_paths import lock_loss
from servosim.sizing.valve_rules import with_reserve
from servosim.sizing.valves import flow_pressure_curve, valves_of

PARAMS = Path(__file__).parent.parent / "params"
TUBE = PARAMS / "tube_sheet_requirement.toml"
SLIDE = PARAMS / "vertical_slide_requirement.toml"
BAR, LITRE_PER_MINUTE = 1e5, 1e-3 / 60
INCH, PSI, POUND = 0.0254, 6894.757293168, 4.4482216152605
GALLON = 231 * INCH**3
TIGHT = Leakage(0.0, 0.0)


def area(bore: float, rod: float = 0.0) -> float:
    return math.pi / 4 * (bore**2 - rod**2)


class TestPublished:
    def test_load_matching_wang_3_4(self) -> None:
        # Wang ch. 3 problem 4: 300 kg, 0.08 sin(30 t) m, 140e5 Pa; published A = 1.64e-3 m2 and
        # no-load flow 4.82e-3 m3/s; greatest load power at 45 degrees with two thirds of p_s
        m, X, w, p_s, A = 300.0, 0.08, 30.0, 140e5, 1.64e-3
        t = np.linspace(0.0, math.pi / 2 / w, 2001)
        speed, force = X * w * np.cos(w * t), m * X * w**2 * np.sin(w * t)
        K = land_coefficient(rated_flow=4.82e-3, rated_drop=p_s)
        side = Side(A, K, 0.0)
        found = state_at(speed, force, p_s, 0.0, side, side, TIGHT)
        needed = needed_rated_flow(rated_flow=4.82e-3, w=found.share)
        hardest = int(np.argmax(needed))
        assert_allclose(needed[hardest], 4.82e-3, rtol=5e-3)
        # any actuator touches its valve's curve there: the load power's greatest point is tangent
        power = int(np.argmax(speed * force))
        assert_allclose(w * t[power], math.pi / 4, atol=1e-3)
        assert_allclose(force[power] / A / p_s, 2 / 3, rtol=5e-3)
        assert_allclose(needed[power], needed[hardest], rtol=2e-3)

    @pytest.mark.parametrize(
        ("phi", "out_a", "out_b", "in_a", "in_b"),
        [(2.0, 0.1111, 0.2222, 0.4444, 0.8889), (1.5, 0.2286, 0.3429, 0.5143, 0.7714)],
    )
    def test_single_rod_without_load(self, phi, out_a, out_b, in_a, in_b) -> None:
        # single rod on a symmetric valve (Merritt and others, from memory); arithmetic to 1e-4
        A, B = Side(phi * 1e-3, 1e-7, 0.0), Side(1e-3, 1e-7, 0.0)
        out = state_at(0.1, 0.0, 1.0, 0.0, A, B, TIGHT)
        inward = state_at(0.1, 0.0, 1.0, 0.0, B, A, TIGHT)
        assert_allclose([out.pressure_in, out.pressure_out], [out_a, out_b], atol=1e-4)
        assert_allclose([inward.pressure_out, inward.pressure_in], [in_a, in_b], atol=1e-4)
        # full opening: velocities are as the roots of the areas
        assert_allclose(inward.share / out.share, math.sqrt(phi), rtol=1e-12)

    def test_single_rod_example(self) -> None:
        # 50/36 mm, 40 L/min at 70 bar, 100 bar: 0.5443 and 0.3777 m/s; 10.05/20.86 bar out,
        # 43.32/89.95 bar in (formulas from memory, arithmetic exact)
        K = land_coefficient(rated_flow=40 * LITRE_PER_MINUTE, rated_drop=70 * BAR)
        A, B = Side(area(0.05), K, 0.0), Side(area(0.05, 0.036), K, 0.0)
        out = state_at(0.5443, 0.0, 100 * BAR, 0.0, A, B, TIGHT)
        inward = state_at(0.3777, 0.0, 100 * BAR, 0.0, B, A, TIGHT)
        assert_allclose([out.share, inward.share], 1.0, rtol=2e-4)
        assert_allclose([out.pressure_in, out.pressure_out], [10.05e5, 20.86e5], rtol=1e-3)
        assert_allclose([inward.pressure_out, inward.pressure_in], [43.32e5, 89.95e5], rtol=1e-3)

    def test_rating_is_converted_by_the_root(self) -> None:
        # Electrohydraulic valves, a technical look: Q = Q_N sqrt(dp/dp_N);
        # 40 L/min at 70 bar are 15.12 at 10 bar and 69.28 at 210 bar (arithmetic)
        found = [land_coefficient(rated_flow=q, rated_drop=p)
                 for q, p in ((40.0, 70.0), (15.12, 10.0), (69.28, 210.0))]  # fmt: skip
        assert_allclose(found, found[0], rtol=1e-4)

    def test_ports_at_thirty_metres_a_second(self) -> None:
        # Sizing of electro-hydraulic drive systems, training notes v3.6: port and largest flow
        table = {7.5: 75, 11.2: 180, 20: 550, 28: 1100, 32: 1500, 50: 3600, 8.2: 95, 16: 360}
        found = port_velocity(flow=np.array(list(table.values())) * LITRE_PER_MINUTE,
                              diameter=np.array(list(table)) * 1e-3)  # fmt: skip
        assert_allclose(found, 30.0, rtol=0.06)

    def test_meter_out_esposito_8_6(self) -> None:
        # Esposito ex. 8-6: 10 in/s, 3.14 in2 with rod 0.79 in2, 1000 lb, 500 psi, SG 0.9: 0.37;
        # nothing is lost at the inlet
        A = Side(3.14 * INCH**2, 1e6, 0.0)
        B = Side((3.14 - 0.79) * INCH**2, GALLON / 60 / math.sqrt(PSI), 0.0)
        found = state_at(10 * INCH, 1000 * POUND, 500 * PSI, 0.0, A, B, TIGHT)
        assert_allclose(found.share * math.sqrt(0.9), 0.3718, rtol=5e-4)
        assert_allclose(found.pressure_out / PSI, 242.6, rtol=1e-3)

    def test_valve_as_an_orifice(self) -> None:
        # Sullivan ex. 10.1: C_v = 5.41, 30 gpm, SG 0.85: 26.14 psi
        found = lock_loss(rated_drop=1.0, flow=30.0, rated_flow=5.41 / math.sqrt(0.85))
        assert_allclose(found, 26.14, rtol=1e-3)

    def test_repeatable_error_esposito_17_1(self) -> None:
        # Esposito ex. 17-1: 0.15 in3/s/mA, 0.20 in/in3, dead band 4 mA, gain omega_H/3 = 86.6:
        # 0.00138 in
        found = error_of(command=4.0, velocity_gain=0.15 * 0.20, K_v=259.9 / 3)
        assert_allclose(found, 0.00138, rtol=5e-3)

    def test_reserve(self) -> None:
        # Electrohydraulic valves, a technical look, p. 4: add 10 % to the rated flow
        assert_allclose(with_reserve(needed=2.0, reserve=0.1), 2.2)


class TestLandFlow:
    def test_two_thirds_rule(self) -> None:
        # classical: most power at p_L = 2/3 p_s, q = q_0/sqrt(3), 0.38490 p_s q_0
        A, K, p = 2e-3, 1e-7, 140e5
        top = state_at(1.0, 0.0, p, 0.0, *[Side(A, K, 0.0)] * 2, TIGHT)
        v_0 = 1.0 / float(top.share)

        def loss(v: float) -> float:
            return -v * float(force_on_curve(A_in=A, p_S=p, d_in=0.0, A_out=A, p_T=0.0, d_out=0.0,
                                             K_in=K, K_out=K, speed=v, w=1.0))  # fmt: skip

        best = optimize.minimize_scalar(loss, bounds=(0.0, v_0), options={"xatol": 1e-12})
        assert_allclose(best.x / v_0, 1 / math.sqrt(3), rtol=1e-5)
        assert_allclose(-best.fun / (p * A * v_0), 0.38490, rtol=1e-5)

    @settings(max_examples=100, deadline=None)
    @given(
        A=st.floats(5e-4, 5e-2), ratio=st.floats(0.3, 3.0), lands=st.floats(0.3, 3.0),
        share=st.floats(-1.0, 0.9), speed=st.floats(1e-2, 1.0),
        leaking=st.sampled_from([0.0, 0.01, 0.1]),
    )  # fmt: skip
    def test_balances(self, A, ratio, lands, share, speed, leaking) -> None:
        p_S, p_T, K = 200e5, 3e5, 1e-7
        leak = leaking * A * min(ratio, 1.0) * speed / p_S
        B = A * ratio
        force = share * (A * p_S - B * p_T)
        inlet, outlet = Side(A, K, 2e5), Side(B, K * lands, 1e5)
        found = state_at(speed, force, p_S, p_T, inlet, outlet, Leakage(leak, leak))
        if not found.force_left > 0.0:
            assert np.isnan(found.share)
            return
        assert_allclose(A * found.pressure_in - B * found.pressure_out, force,
                        atol=1e-9 * A * p_S)  # fmt: skip
        drops = p_S - 2e5 - found.pressure_in, found.pressure_out - 1e5 - p_T
        for q, k, drop in zip((found.flow_in, found.flow_out), (K, K * lands), drops, strict=True):
            assert_allclose(k * found.share * np.sqrt(drop), q, rtol=1e-6)
        if leak == 0.0:
            assert_allclose([found.flow_in, found.flow_out], [A * speed, B * speed])
        else:
            p, q = found.pressure_in, found.pressure_out
            assert_allclose(found.flow_in, A * speed + leak * (2 * p - q), rtol=5e-3)

    def test_no_force_is_left(self) -> None:
        side = Side(1e-3, 1e-7, 0.0)
        found = state_at(0.1, 10001.0, 100e5, 0.0, side, side, TIGHT)
        assert np.isnan(found.share)
        assert state_at(0.1, 9999.0, 100e5, 0.0, side, side, TIGHT).share > 0.0

    def test_decelerating_mass_pulls_the_inlet_empty(self) -> None:
        # equal areas: (p_S + p_T)/2 - m d/(2 A), and no share of the valve's size in it
        A, m, d = 1e-3, 2000.0, 6.0
        for K in (1e-8, 1e-6):
            side = Side(A, K, 0.0)
            found = state_at(0.3, -m * d, 100e5, 0.0, side, side, TIGHT)
            assert_allclose(found.pressure_in, 50e5 - m * d / (2 * A))
            assert found.pressure_in < 0.0  # must be refused by the rule
            assert_allclose(found.pressure_out, 50e5 + m * d / (2 * A))

    def test_matched_spool_keeps_the_pressures_at_reversal(self) -> None:
        # lands as the areas: both drops are equal, no pressure jumps as the motion reverses
        A, B = Side(4e-3, 4e-8, 0.0), Side(2e-3, 2e-8, 0.0)
        out = state_at(0.1, 0.0, 120e5, 0.0, A, B, TIGHT)
        inward = state_at(0.1, 0.0, 120e5, 0.0, B, A, TIGHT)
        assert_allclose(120e5 - out.pressure_in, out.pressure_out)
        assert_allclose([out.pressure_in, out.pressure_out], [40e5, 80e5])
        assert_allclose([inward.pressure_out, inward.pressure_in], [40e5, 80e5])

    def test_lands_of_the_simulation_agree(self) -> None:
        requirement = read_requirement(TUBE)
        oil = requirement.oil
        for one in requirement.valve:
            numbers = rate_valve(valve_of(one, requirement.valves), oil)
            K_A = land_coefficient(rated_flow=one.rated_flow, rated_drop=one.rated_pressure_drop)
            A, B = area(0.08), area(0.08, 0.056)
            speed = 0.6 * one.rated_flow / A
            state = state_at(speed, 2e4, 150e5, 2e5, Side(A, K_A, 0.0),
                             Side(B, K_A * one.area_ratio, 0.0), TIGHT)  # fmt: skip
            u = float(command_for(overlap=one.overlap, w=state.share))
            inputs = (0.0, float(state.pressure_in), float(state.pressure_out), 150e5, 2e5)
            flows = land_flows(0.0, (u, 0.0), inputs, numbers)
            # clearance and the laminar part of the lands make up the rest
            assert_allclose(flows[0], A * speed, rtol=1e-2)
            assert_allclose(flows[1], B * speed, rtol=1e-2)

    def test_leakage_adds_to_the_flow(self) -> None:
        side = Side(1e-3, 1e-7, 0.0)
        found = state_at(0.1, 4000.0, 100e5, 0.0, side, side, Leakage(2e-13, 1e-13))
        p, q = found.pressure_in, found.pressure_out
        assert_allclose(found.flow_in, 1e-4 + 2e-13 * (p - q) + 1e-13 * p, rtol=1e-6)
        assert_allclose(found.flow_out, 1e-4 + 2e-13 * (p - q) - 1e-13 * q, rtol=1e-6)


class TestResolution:
    @settings(max_examples=60, deadline=None)
    @given(st.floats(0.02, 1.0), st.floats(0.3, 1.5), st.floats(0.5, 20.0))
    def test_limit_with_the_spools_lag(self, zeta: float, zeta_v: float, r: float) -> None:
        b = crossing_coefficient(zeta=zeta, zeta_v=zeta_v, r=r)
        share = limit_share(X=crossing(b=b, r=r), zeta=zeta, zeta_v=zeta_v, r=r)
        # the closed loop at that gain has a pair on the imaginary axis and none to the right
        open_loop = np.polymul(np.polymul([1.0, 2 * zeta, 1.0],
                                          [1 / r**2, 2 * zeta_v / r, 1.0]), [1.0, 0.0])  # fmt: skip
        for gain, stable in ((0.999, True), (1.001, False)):
            closed = np.polyadd(open_loop, [gain * 2 * zeta * float(share)])
            assert bool(np.roots(closed).real.max() < 0.0) is stable

    def test_three_times_the_frequency_costs_little(self) -> None:
        # what the rule of three is for: a slower spool takes away damping and gain
        def gain(r: float) -> float:
            spool = {"zeta_v": 0.8, "r": r}
            zeta = counted_damping(zeta=0.02, feedback=1.0, response=response_in_phase(**spool))
            b = crossing_coefficient(zeta=zeta, **spool)
            share = limit_share(X=crossing(b=b, r=r), zeta=zeta, **spool)
            return float(loop_gain(zeta=zeta, omega=1.0, share=share, gain_margin=2.0, needed=0.0))

        assert_allclose(gain(1e4), 1 / 3, rtol=1e-3)
        assert gain(1.0) < 0.5 * gain(1e4) < 0.7 * gain(1e4) < gain(3.0)

    @settings(max_examples=30, deadline=None)
    @given(st.floats(0.3, 1.5), st.floats(0.5, 20.0))
    def test_response_in_phase(self, zeta_v: float, r: float) -> None:
        exact = 1.0 / (1.0 + 2j * zeta_v / r + (1j / r) ** 2)
        assert_allclose(response_in_phase(zeta_v=zeta_v, r=r), exact.real, atol=1e-12)

    def test_rule_gain_with_feedback(self) -> None:
        # omega_h/3 (Esposito, ex. 17-1): 2 zeta omega_h with 6 dB at 1/3
        zeta = counted_damping(zeta=0.05, feedback=1.0, response=1.2)
        assert_allclose(loop_gain(zeta=zeta, omega=259.9, share=1.0, gain_margin=2.0, needed=0.0),
                        86.6, rtol=1e-3)  # fmt: skip
        assert counted_damping(zeta=0.05, feedback=0.0, response=1.0) == 0.05
        assert counted_damping(zeta=0.7, feedback=1.0, response=1.0) == 0.7

    def test_smallest_step_by_hand(self) -> None:
        # hysteresis 0.2 %, friction 0.05 %, 0.25 m/s at full command without overlap, 25 1/s
        u = smallest_command(threshold=0.0003, hysteresis=0.002, friction=0.0005)
        step = error_of(command=u, velocity_gain=null_velocity_gain(velocity=0.25, overlap=0.0),
                        K_v=25.0)  # fmt: skip
        assert_allclose(step, 15e-6)
        assert_allclose(steps_in_window(half_width=15e-6, step=step), 2.0)
        assert smallest_command(threshold=0.004, hysteresis=0.002, friction=0.0) == 0.004

    def test_underlap_doubles_the_gain(self) -> None:
        # open centre against critical centre at the same gradient: Wang ch. 2 (K_q0 = q_c/U)
        assert_allclose(null_velocity_gain(velocity=1.0, overlap=-0.02), 2 / 1.02)

    def test_null_leakage_is_the_rated_one_at_the_rating(self) -> None:
        requirement = read_requirement(TUBE, {
            "conditions.temperature": "25 degC, 40 degC", "power_unit.oil_temperature": "40 degC",
        })  # fmt: skip
        number = np.arange(len(requirement.valve))
        rating = np.full(len(number), requirement.valves.rating_pressure)
        lands, pilot, gain = null_figures(requirement, number, rating)
        stated = [one.null_leakage for one in requirement.valve]
        assert_allclose(lands + pilot, stated, rtol=1e-9)
        assert (gain > 0.0).all()


def stub(requirement, c: Combinations, **changes) -> tuple:
    """Return duty and actuators of combinations, with changed figures of the latter."""
    duty, _ = duty_of(requirement, Calculation())
    actuators, _ = actuators_of(requirement, duty, c, Calculation())
    return duty, replace(actuators, **changes)


def cylinders(n: int = 1, **parts) -> Combinations:
    values = {
        "actuator": DOUBLE_ROD, "bore": 0.08, "rod": 0.056, "displacement": 0.0, "lead": 0.0,
        "pressure": 160 * BAR, "valve": 3, "arrangement": 0,
    } | parts  # fmt: skip
    whole = ("actuator", "valve", "arrangement")
    return Combinations(**{
        key: np.broadcast_to(np.asarray(value, dtype=np.intp if key in whole else float), n).copy()
        for key, value in values.items()
    })  # fmt: skip


def check(checks: list, name: str):
    (found,) = [one for one in checks if one.name == name]
    return found


class TestValves:
    requirement = read_requirement(TUBE)

    def test_shapes_and_one_by_one(self) -> None:
        c = combinations_of(self.requirement).take(slice(0, None, 97))
        duty, actuators = stub(self.requirement, c)
        every, checks = valves_of(self.requirement, duty, actuators, c, Calculation())
        assert every.opening.shape == (len(c), len(duty.words))
        assert every.required_flow.shape == (len(c),)
        for k in (0, 7, len(c) - 1):
            one = c.take([k])
            alone, rules = valves_of(self.requirement, *stub(self.requirement, one), one,
                                     Calculation(records=True))  # fmt: skip
            for name, values in vars(alone).items():
                assert_allclose(values[0], getattr(every, name)[k], rtol=1e-12, err_msg=name)
            for rule, among in zip(rules, checks, strict=True):
                assert_allclose([rule.value[0], rule.limit[0]], [among.value[k], among.limit[k]])

    def test_required_flow_by_hand(self) -> None:
        # equal areas: q_N = A v sqrt(dp_N/(p_S - p_T - losses - F/A)), the rapid or accelerating
        # point, whichever needs more; nothing is lost in the lines
        requirement = read_requirement(TUBE, {
            "lines.service_length": "1 mm", "lines.service_fittings": "0", "lock.kind": "none",
        })  # fmt: skip
        c = cylinders()
        duty, actuators = stub(requirement, c)
        found, _ = valves_of(requirement, duty, actuators, c, Calculation())
        A = area(0.08, 0.056)
        p_S = 160e5 * 0.93 * 0.95 - 5e5
        left = p_S - 2e5 - duty.direction * actuators.force[0] / A
        expected = A * np.abs(duty.velocity) * np.sqrt(70e5 / left)
        assert_allclose(found.required_flow[0], expected.max(), rtol=1e-5)
        assert_allclose(found.opening[0], 0.005 + 0.995 * expected / (25 * LITRE_PER_MINUTE),
                        atol=1e-5)  # fmt: skip
        assert_allclose(found.peak_flow[0], A * 0.12, rtol=1e-9)
        assert_allclose(found.mean_flow[0], 2 * A * 0.182 / 18.0, rtol=1e-9)
        # velocity at full command against the heaviest rapid force, from the same sum
        rapid = np.array([one == "rapid" for one in duty.phase])
        top = np.sqrt(left[rapid].min() / 70e5) * 25 * LITRE_PER_MINUTE / A
        assert_allclose([found.velocity_out[0], found.velocity_in[0]], top, rtol=1e-4)

    def test_bigger_valve_opens_less_and_steps_wider(self) -> None:
        c = cylinders(5, valve=[2, 3, 4, 5, 6])
        duty, actuators = stub(self.requirement, c)
        found, checks = valves_of(self.requirement, duty, actuators, c, Calculation())
        assert (np.diff(found.rapid_opening) < 0.0).all()
        assert (np.diff(found.smallest_step) > 0.0).all()
        assert (np.diff(found.null_leakage) > 0.0).all()
        # the smallest is too small, the biggest too big, and each says so
        flow, big = check(checks, "valve_flow"), check(checks, "valve_too_big")
        assert not big.kept[-1] and flow.kept[-1]
        assert big.kept[0] or big.slack[0] > big.slack[-1]
        tiny = cylinders(valve=0)
        _, checks = valves_of(self.requirement, *stub(self.requirement, tiny), tiny, Calculation())
        assert not check(checks, "valve_flow").kept[0]

    def test_cavitation_in_deceleration(self) -> None:
        # a small cylinder, a heavy table, a hard stop: by hand (p_S + p_T)/2 + F/(2 A)
        hard = read_requirement(TUBE, {
            "reference.kind": "trapezoid", "reference.deceleration": "9.5 m/s2",
            "lines.service_length": "1 mm", "lines.service_fittings": "0", "lock.kind": "none",
        })  # fmt: skip
        c = cylinders(bore=0.04, rod=0.028)
        duty, actuators = stub(hard, c)
        found, checks = valves_of(hard, duty, actuators, c, Calculation())
        p_S, A = 160e5 * 0.93 * 0.95 - 5e5, area(0.04, 0.028)
        force = duty.direction * actuators.force[0]
        lowest = (p_S + 2e5) / 2 - np.abs(force).max() / (2 * A)
        assert_allclose(found.lowest_pressure[0], lowest, rtol=1e-4)
        rule = check(checks, "cavitation")
        assert not rule.kept[0] and rule.value[0] == found.lowest_pressure[0]
        # and the highest pressure with the highest supply
        assert_allclose(found.highest_pressure[0],
                        (160e5 * 1.07 + 2e5) / 2 + np.abs(force).max() / (2 * A),
                        rtol=1e-4)  # fmt: skip

    def test_out_of_reach_is_nan_and_breaks_its_rules(self) -> None:
        c = cylinders(bore=0.04, rod=0.028)
        duty, actuators = stub(self.requirement, c)
        heavy = replace(actuators, force=actuators.force * 40.0)
        found, checks = valves_of(self.requirement, duty, heavy, c, Calculation())
        assert np.isnan(found.required_flow[0]) and np.isnan(found.opening[0]).any()
        assert found.velocity_out[0] == 0.0
        for name in ("valve_flow", "valve_opening"):
            rule = check(checks, name)
            assert not rule.kept[0] and rule.slack[0] == -np.inf

    def test_rules_name_their_keys(self) -> None:
        c = cylinders()
        _, checks = valves_of(self.requirement, *stub(self.requirement, c), c, Calculation())
        for one in checks:
            assert one.key in one.relaxes and one.source and one.value.shape == (1,)
            for key in one.relaxes:
                table, name = key.split(".")
                assert hasattr(getattr(self.requirement, table), name), key

    def test_curve_holds_the_points(self) -> None:
        c = cylinders()
        duty, actuators = stub(self.requirement, c)
        valves, _ = valves_of(self.requirement, duty, actuators, c, Calculation())
        # a point that needs the whole valve lies on the curve: scale the valve to the point
        for place in (3, 11):
            w = (valves.opening[0, place] - 0.005) / 0.995
            out, inward = flow_pressure_curve(self.requirement, actuators, valves, 0,
                                              actuators.force[0, [place]], w)  # fmt: skip
            speed = out if duty.direction[place] > 0 else inward
            assert_allclose(speed, duty.velocity[place], rtol=1e-6)
        out, inward = flow_pressure_curve(self.requirement, actuators, valves, 0,
                                          np.array([-1e9, 0.0, 1e9]))  # fmt: skip
        assert np.isnan(out[2]) and np.isnan(inward[0]) and out[1] > 0.0 > inward[1]

    def test_steps_can_be_redone(self) -> None:
        c = cylinders(actuator=SINGLE_ROD, rod=0.045)
        calc = Calculation(records=True)
        valves, _ = valves_of(self.requirement, *stub(self.requirement, c), c, calc)
        names = {key: getattr(np, key) for key in ("sqrt", "pi", "minimum", "maximum", "where",
                                                   "log10")}  # fmt: skip
        redone = 0
        for one in calc.steps:
            assert one.unit and one.source, one
            if one.text:
                values = {key: value for key, _, value, _ in one.inputs}
                with np.errstate(all="ignore"):
                    value = eval(one.text, {"__builtins__": {}}, names | values)
                assert_allclose(one.value, value, rtol=1e-9, err_msg=one.words)
                redone += 1
        assert redone > 40
        (needed,) = [one.value for one in calc.steps if one.symbol == "q_N"]
        assert_allclose(needed, valves.required_flow[0], rtol=1e-12)
        (lowest, highest) = (
            min(one.value for one in calc.steps if one.section == f"Valve: {words}"
                and one.symbol in ("p_in", "p_out")) if words.startswith("lowest")
            else max(one.value for one in calc.steps if one.section == f"Valve: {words}"
                     and one.symbol in ("p_in", "p_out"))
            for words in ("lowest chamber pressure", "highest chamber pressure")
        )  # fmt: skip
        assert_allclose([lowest, highest], [valves.lowest_pressure[0], valves.highest_pressure[0]])

    def test_leakage_that_no_valve_has(self) -> None:
        # a rating that contradicts itself gives no null figures, and breaks the rules on null
        requirement = SimpleNamespace(
            oil=self.requirement.oil, conditions=self.requirement.conditions,
            valves=self.requirement.valves,
            valve=(self.requirement.valve[0].model_copy(update={"null_leakage": 1.6e-3}),),
        )  # fmt: skip
        assert np.isnan(null_figures(requirement, np.array([0]), np.array([140e5]))).all()


class TestSimulation:
    @pytest.mark.parametrize("actuator", [DOUBLE_ROD, SINGLE_ROD])
    @pytest.mark.parametrize("way", [1.0, -1.0])
    def test_the_valve_reaches_the_velocity(self, actuator: int, way: float) -> None:
        # a reference faster than the valve: the table then runs at the velocity of full command
        requirement = read_requirement(TUBE, {
            "lines.service_length": "1 mm", "lines.service_fittings": "0", "lock.kind": "none",
            "conditions.workpiece_mass": "500 kg, 500 kg", "table.workpiece_mass": "500 kg",
        })  # fmt: skip
        c = cylinders(actuator=actuator)
        duty, actuators = stub(requirement, c)
        valves, _ = valves_of(requirement, duty, actuators, c, Calculation())
        power, _ = power_of(requirement, duty, actuators, valves, c, Calculation())
        expected = float((valves.velocity_out if way > 0 else valves.velocity_in)[0])
        axis = axis_of(requirement, parts_of(requirement, c, actuators, power, 0),
                       move=(0.06, 0.64)[:: int(way)])  # fmt: skip
        axis = axis.replace({
            "supply.kind": "ideal",
            "supply.line": "none",
            "supply.accumulator": "none",
            "supply.pressure": f"{valves.lowest_supply[0]} Pa",
            "table.workpiece_mass": "500 kg",
            "reference.kind": "trapezoid",
            "reference.velocity": f"{1.3 * expected} m/s",
            "reference.acceleration": "1 m/s2",
            "reference.deceleration": "1 m/s2",
            "controller.output_limit": "100 %",
            "move.duration": "1.6 s",
            "thrust.mode": "none",
        })  # fmt: skip
        run = simulate(axis)
        traces = run.traces
        late = (run.time > 1.2) & (run.time < 1.6)
        velocity = way * float(traces["table_velocity"][late].mean())
        spool = way * float(traces["spool"][late].mean())
        assert spool == pytest.approx(1.0, abs=5e-3)
        # friction of the seals is counted at stated pressures, lands have their clearance
        assert velocity == pytest.approx(expected, rel=0.02)
