"""The textbooks' formulas against the textbooks' numbers, and against models written out here.

"Wang" is Wang Chunxing, *Hydraulic Control Systems* (China Machine Press), end-of-chapter problems;
"Esposito" is A. Esposito, *Fluid Power with Applications*; "Merritt" is H. E. Merritt, *Hydraulic
Control Systems*, Wiley 1967 (always from memory). "Exact" marks arithmetic of a stated formula or
the solution of a model that is written out beside the check; it is no published figure.
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import signal

from servosim.errors import ParameterError
from servosim.linear import closed_forms as forms

LITRE_PER_MINUTE = 1e-3 / 60.0
PSI, INCH, POUND_FORCE = 6894.757293168, 0.0254, 4.4482216152605


# --- valve -------------------------------------------------------------------------------------


def test_critical_centre():
    """Wang ch. 2 problem 1: published 1.4 m2/s, 4.4e-12 m3/(s Pa), 3.18e11 Pa/m; 1 %."""
    found = forms.critical_centre(math.pi * 8e-3, 5e-6, 70e5, 0.62, 870.0, 1.4e-2)
    assert found.flow_gain == pytest.approx(1.4, rel=0.01)
    assert found.flow_pressure == pytest.approx(4.4e-12, rel=0.01)
    assert found.pressure_gain == pytest.approx(3.18e11, rel=0.01)


def test_open_centre():
    """Wang ch. 2 problem 2: published 1.67 m2/s, 5.95e-12 m3/(s Pa), 2.8e11 Pa/m; 0.5 %."""
    found = forms.open_centre(5.0 * LITRE_PER_MINUTE, 0.05e-3, 70e5)
    assert found.flow_gain == pytest.approx(1.67, rel=0.005)
    assert found.flow_pressure == pytest.approx(5.95e-12, rel=0.005)
    assert found.pressure_gain == pytest.approx(2.8e11, rel=0.005)


def test_spool_diameter():
    """Wang ch. 2 problem 4: K_q0 = 2.072 m2/s, 210e5 Pa: published 6.85 mm; 0.5 %."""
    d = forms.spool_diameter(2.072, 210e5, 0.62, 870.0)
    assert d == pytest.approx(6.85e-3, rel=0.005)
    assert forms.spool_flow_gain(0.62, math.pi * d, 210e5, 870.0) == pytest.approx(2.072)


def test_gains_from_measured_differences():
    """Wang ch. 5 problem 1: 10 mA, 20e5 Pa, 60 L/min: K_q = 0.1 m3/(s A), K_p = 2e8 Pa/A; 0.1 %.

    The coefficients of a valve are tied by K_p = K_q/K_c; here a valve with these gains is one of
    open centre whose leakage gives the pressure gain over its underlap.
    """
    gain, pressure_gain = 60.0 * LITRE_PER_MINUTE / 10e-3, 20e5 / 10e-3
    assert gain == pytest.approx(0.1, rel=1e-3)
    assert pressure_gain == pytest.approx(2e8, rel=1e-3)
    underlap, supply = 2.0 * 70e5 / pressure_gain, 70e5
    found = forms.open_centre(gain * underlap, underlap, supply)
    assert (found.flow_gain, found.pressure_gain) == pytest.approx((0.1, 2e8), rel=1e-3)


def test_leakage_of_the_clearance():
    """Exact: the formula of the critical centre is the laminar one with its own leakage.

    q = pi W r_c^2 p_s/(32 mu) leaks at null (Wang ch. 2), so K_c = q/p_s; a turbulent leak goes
    with the root of the drop and has half of it.
    """
    W, r, p_s, mu = math.pi * 8e-3, 5e-6, 70e5, 1.4e-2
    leak = math.pi * W * r**2 * p_s / (32.0 * mu)
    K_c = forms.critical_centre(W, r, p_s, 0.62, 870.0, mu).flow_pressure
    assert forms.leakage_flow_pressure(leak, p_s) == pytest.approx(K_c, rel=1e-12)
    assert forms.leakage_flow_pressure(leak, p_s, laminar=False) == pytest.approx(0.5 * K_c)


def test_coefficients_are_slopes_of_the_orifice_equation():
    """Exact: q = q_n x sqrt((p_s - p_L)/dp_n) differentiated by finite differences."""
    q_n, dp_n, p_s, p_L, x = 40.0 * LITRE_PER_MINUTE, 70e5, 140e5, 30e5, 0.2

    def _flow(x, p_L):
        return q_n * x * math.sqrt((p_s - p_L) / dp_n)

    gain = (_flow(x + 1e-6, p_L) - _flow(x - 1e-6, p_L)) / 2e-6
    slope = (_flow(x, p_L - 1e2) - _flow(x, p_L + 1e2)) / 2e2
    assert forms.rated_flow_gain(q_n, dp_n, p_s, p_L) == pytest.approx(gain, rel=1e-8)
    assert forms.open_flow_pressure(_flow(x, p_L), p_s, p_L) == pytest.approx(slope, rel=1e-6)


@pytest.mark.parametrize(("bar", "flow"), [(70.0, 40.0), (10.0, 15.12), (210.0, 69.28)])
def test_rating_at_other_drops(bar, flow):
    """Q = Q_N sqrt(dp/dp_N): common practice, no source; numbers exact."""
    gain = forms.rated_flow_gain(40.0, 70e5, bar * 1e5)
    assert gain == pytest.approx(flow, rel=1e-3)


# --- actuator ----------------------------------------------------------------------------------


def test_system_accuracy():
    """Esposito ex. 17-1: w_H 259.9 rad/s (recomputed), gain w_H/3, error 0.00138 in; 0.5 %.

    The book's V is one side's volume, so V_t is twice that.
    """
    A, V, M, beta = 5.0 * INCH**2, 50.0 * INCH**3, 2.59 * POUND_FORCE / INCH, 175e3 * PSI
    omega = forms.natural_frequency_double_rod(beta, A, 2.0 * V, M)
    assert omega == pytest.approx(259.9, rel=5e-4)
    amplifier = forms.rule_gain(omega) / (0.15 * 0.20 * 4.0)  # mA/V
    assert amplifier == pytest.approx(724.0, rel=0.005)  # what the book carries on
    assert forms.repeatable_error(4.0, amplifier, 4.0) == pytest.approx(0.00138, rel=0.005)


def test_oil_spring_of_a_single_rod():
    """Exact: 63/45 mm, 500 mm, 1.4 GPa: 25.22 N/um at 294.1 mm, 35.74 Hz with 500 kg; 1e-4."""
    A, B = math.pi / 4.0 * 0.063**2, math.pi / 4.0 * (0.063**2 - 0.045**2)
    x = forms.softest_position(A, B, 0.5)
    assert x == pytest.approx(0.2941, abs=5e-5)
    k = forms.oil_stiffness(1.4e9, A, A * x, B, B * (0.5 - x))
    assert k == pytest.approx(25.22e6, rel=2e-4)
    assert k == pytest.approx(1.4e9 / 0.5 * (math.sqrt(A) + math.sqrt(B)) ** 2, rel=1e-12)
    assert forms.natural_frequency(k, 500.0) / (2.0 * math.pi) == pytest.approx(35.74, rel=2e-4)


areas = st.floats(5e-4, 2e-2)
volumes = st.floats(1e-6, 2e-3)


@settings(max_examples=30, deadline=None)
@given(areas, st.floats(0.1, 1.0), st.floats(0.05, 2.0), volumes, volumes)
def test_softest_position_is_the_minimum(area_a, ratio, stroke, dead_a, dead_b):
    """Exact: against a bounded numerical search."""
    area_b = ratio * area_a

    def _stiffness(x):
        return forms.oil_stiffness(
            1.4e9, area_a, dead_a + area_a * x, area_b, dead_b + area_b * (stroke - x)
        )

    found = forms.softest_position(area_a, area_b, stroke, dead_a, dead_b)
    grid = np.linspace(0.0, stroke, 2001)
    best = grid[np.argmin(_stiffness(grid))]
    assert found == pytest.approx(best, abs=0.6 * stroke / 2000.0)
    assert _stiffness(found) <= _stiffness(best) * (1.0 + 1e-12)


def test_softest_position_of_a_plunger_and_of_equal_areas():
    assert forms.softest_position(1e-3, 0.0, 0.7) == 0.7
    assert forms.softest_position(2e-3, 2e-3, 0.7, 1e-4, 1e-4) == pytest.approx(0.35)
    # much oil on side A alone: it is softest at the retracted end
    assert forms.softest_position(2e-3, 2e-3, 0.1, 1e-2, 1e-4) == 0.0


def _chambers(K, A, V, M, g, C_i, B):
    """Return the matrix of velocity and both pressures, written out from the balances."""
    C = np.array(V) / K
    return np.array(
        [
            [-B / M, A[0] / M, -A[1] / M],
            [-A[0] / C[0], -(g[0] + C_i) / C[0], C_i / C[0]],
            [A[1] / C[1], C_i / C[1], -(g[1] + C_i) / C[1]],
        ]
    )


@settings(max_examples=40, deadline=None)
@given(
    st.floats(0.3, 1.0),
    st.floats(0.05, 0.95),
    st.floats(0.0, 3.0),
    st.floats(0.0, 3.0),
    st.floats(0.0, 2.0),
    st.floats(0.0, 5e3),
)
def test_damping_against_eigenvalues(ratio, share, leak_a, leak_b, inner, B):
    """Exact: the eigenvalues of the balances, where damping is small; second order is left out."""
    K, M, L, A = 1.2e9, 1000.0, 0.7, 3.4e-3
    both = (A, ratio * A)
    V = (1e-4 + A * share * L, 1e-4 + ratio * A * (1.0 - share) * L)
    g, C_i = (leak_a * 1e-12, leak_b * 1e-12), inner * 1e-12
    roots = np.linalg.eigvals(_chambers(K, both, V, M, g, C_i, B))
    mode = roots[np.argmax(roots.imag)]
    omega = forms.natural_frequency(forms.oil_stiffness(K, A, V[0], both[1], V[1]), M)
    zeta = forms.damping(K, both, V, M, g, internal_leakage=C_i, viscous=B)
    assert abs(mode) == pytest.approx(omega, rel=0.01)
    assert -mode.real / abs(mode) == pytest.approx(zeta, rel=0.02, abs=1e-9)


def test_damping_of_a_double_rod_is_the_textbooks():
    """Merritt: (K_ce/A) sqrt(K M/V_t) + (B/4A) sqrt(V_t/(K M)), K_ce = K_c + C_i + C_e/2."""
    K, A, V, M, B = 1.4e9, 3e-3, 4e-3, 800.0, 900.0
    K_c, C_i, C_e = 5e-12, 2e-12, 1e-12
    general = forms.damping(
        K, (A, A), (V / 2.0, V / 2.0), M, (2.0 * K_c + C_e,) * 2, internal_leakage=C_i, viscous=B
    )
    book = forms.damping_double_rod(K_c + C_i + 0.5 * C_e, K, A, V, M, B)
    assert general == pytest.approx(book, rel=1e-12)
    omega = forms.natural_frequency_double_rod(K, A, V, M)
    k = forms.oil_stiffness(K, A, V / 2.0, A, V / 2.0)
    assert forms.natural_frequency(k, M) == pytest.approx(omega, rel=1e-12)


@settings(max_examples=30, deadline=None)
@given(st.floats(1e6, 1e9), st.floats(1e6, 1e9), st.floats(1.0, 500.0), st.floats(50.0, 5000.0))
def test_two_masses_against_eigenvalues(k_h, k_s, M_p, M_t):
    """Exact: generalised eigenvalues of the chain; far apart they lose digits."""
    stiffness = np.array([[k_h + k_s, -k_s], [-k_s, k_s]])
    roots = np.sort(np.linalg.eigvals(np.diag([1.0 / M_p, 1.0 / M_t]) @ stiffness).real)
    lower, upper, blocked = forms.two_masses(k_h, k_s, M_p, M_t)
    assert (lower, upper) == pytest.approx(np.sqrt(roots), rel=1e-6)
    assert blocked == pytest.approx(math.sqrt(k_s / M_t))
    assert lower < blocked < upper


def test_light_piston_has_both_springs_in_series():
    """Merritt ch. 6 (from memory): 1/k = 1/k_h + 1/k_s."""
    lower, _, _ = forms.two_masses(50e6, 80e6, 1e-4, 1000.0)
    k = 1.0 / (1.0 / 50e6 + 1.0 / 80e6)
    assert lower == pytest.approx(math.sqrt(k / 1000.0), rel=1e-6)


@pytest.mark.parametrize(
    ("ratio", "extend", "retract", "velocities"),
    [
        (2.0, (0.1111, 0.2222), (0.4444, 0.8889), 1.4142),
        (1.5, (0.2286, 0.3429), (0.5143, 0.7714), 1.2247),
    ],
)
def test_single_rod_on_a_symmetric_valve(ratio, extend, retract, velocities):
    """Merritt and others, from memory; numbers exact, 1e-4."""
    plus, minus = forms.steady_pressures(ratio, 1.0)
    assert plus == pytest.approx(extend, abs=1e-4)
    assert minus == pytest.approx(retract, abs=1e-4)
    if ratio == 2.0:
        jump = (minus[0] - plus[0], minus[1] - plus[1])
        assert jump == pytest.approx((0.3333, 0.6667), abs=1e-4)
    g = forms.velocity_gain((ratio, 1.0), (1.0, 1.0), 1.0)
    assert g[0] / g[1] == pytest.approx(velocities, rel=1e-4)


def test_single_rod_example():
    """Exact: 50/36 mm, 40 L/min at 70 bar, 100 bar: 0.5443 and 0.3777 m/s, 10.05 ... 89.95 bar."""
    A, B = math.pi / 4.0 * 0.05**2, math.pi / 4.0 * (0.05**2 - 0.036**2)
    K = 40.0 * LITRE_PER_MINUTE / math.sqrt(0.5 * 70e5)
    assert forms.velocity_gain((A, B), (K, K), 100e5) == pytest.approx((0.5443, 0.3777), abs=5e-5)
    plus, minus = forms.steady_pressures(A / B, 100.0)
    assert (*plus, *minus) == pytest.approx((10.05, 20.86, 43.32, 89.95), abs=5e-3)


def test_lock_stiffness_is_the_oils_with_rigid_walls():
    A, B, V, W, K = 3e-3, 2e-3, 5e-4, 7e-4, 1.3e9
    locked = forms.lock_stiffness(A, V / K, B, W / K)
    assert locked == pytest.approx(forms.oil_stiffness(K, A, V, B, W), rel=1e-12)


# --- loop --------------------------------------------------------------------------------------


def _closed(zeta, K, omega=1.0):
    """Return the denominator of the closed third-order loop K/(s (s^2/w^2 + 2 zeta s/w + 1))."""
    return [1.0 / omega**2, 2.0 * zeta / omega, 1.0, K]


def test_mechanical_hydraulic_servo():
    """Wang ch. 4 problem 1: 20e5 Pa, W = 2e-2 m, 20 cm2, 320 rad/s, 0.2; 64 1/s, 0.59 m2/s; 1.5 %.

    The feedback ratio K_v A/K_q is published as 0.21 to 0.22.
    """
    K_v = forms.gain_for_margin(320.0, 0.2)
    assert forms.limit_gain(320.0, 0.2) == pytest.approx(128.0, rel=1e-12)
    assert K_v == pytest.approx(64.0, rel=0.015)
    K_q = forms.spool_flow_gain(0.62, 2e-2, 20e5, 870.0)
    assert K_q == pytest.approx(0.59, rel=0.015)
    assert 0.21 <= round(K_v * 20e-4 / K_q, 2) <= 0.22
    # with exactly 6 dB, as the second sheet reckons
    exact = forms.gain_for_margin(320.0, 0.2, 10.0 ** (6.0 / 20.0))
    assert exact * 20e-4 / K_q == pytest.approx(0.2158, rel=2e-3)


def test_electrohydraulic_position_loop():
    """Wang ch. 6 problem 1: limit 45 1/s and 0.75 A/V, 6 dB 22.5 1/s and 0.375 A/V; 0.5 %.

    The amplifier's gains follow if the valve gives 20e-6 m3/s for each mA, though the sheet says A.
    The errors, 0.89 mm at 0.02 m/s and 3.2e-5 m for 0.6 mA, are from memory.
    """
    limit, half = forms.limit_gain(100.0, 0.225), forms.gain_for_margin(100.0, 0.225)
    assert (limit, half) == pytest.approx((45.0, 22.5), rel=0.005)
    travel = 20e-3 / 5e-6 * 0.03e-2  # m/s for each A: valve, motor, screw
    assert limit / (travel * 50.0) == pytest.approx(0.75, rel=0.005)
    amplifier = half / (travel * 50.0)
    assert amplifier == pytest.approx(0.375, rel=0.005)
    assert forms.velocity_error(0.02, half) == pytest.approx(0.89e-3, rel=0.005)
    assert forms.null_drift_error(0.6e-3, travel, half) == pytest.approx(3.2e-5, rel=0.005)


def test_static_error_from_load():
    """Wang ch. 5 problem 2: K_p = 5e5 Pa/mA, 50 cm2, 5e4 N: 20 mA. Exact."""
    assert forms.load_signal(5e4, 50e-4, 5e5) == pytest.approx(20.0, rel=1e-12)


def test_load_error_by_signal_or_by_stiffness():
    """Exact: the opening that the load takes, times K_q/A over K_v, is the load over stiffness."""
    K_q, K_c, A, K_v, F = 0.02, 4e-12, 3e-3, 25.0, 700.0
    opening = forms.load_signal(F, A, K_q / K_c)
    by_signal = forms.null_drift_error(opening, K_q / A, K_v)
    assert forms.load_error(F, forms.static_stiffness(K_v, A, K_c)) == pytest.approx(by_signal)


def test_following_error():
    """Exact: 0.2 m/s with 25 1/s lags by 8 mm; feed-forward takes its share, feedback adds."""
    assert forms.velocity_error(0.2, 25.0) == pytest.approx(8e-3, rel=1e-12)
    assert forms.velocity_error(0.2, 25.0, 0.9) == pytest.approx(0.8e-3, rel=1e-9)
    assert forms.velocity_error(0.2, 25.0, 0.9, 0.1) == pytest.approx(1.6e-3, rel=1e-9)


@pytest.mark.parametrize("zeta", [0.1, 0.2, 0.5])
def test_limit_and_half_of_it(zeta):
    """Merritt: 2 zeta w_h is the limit: poles at +-j w_h; exact: half of it has 6.02 dB."""
    roots = np.roots(_closed(zeta, forms.limit_gain(7.0, zeta), 7.0))
    worst = roots[np.argmax(roots.real)]
    assert abs(worst.real) < 1e-9 * 7.0
    assert abs(worst.imag) == pytest.approx(7.0, rel=1e-9)
    margin = forms.limit_gain(7.0, zeta) / forms.gain_for_margin(7.0, zeta)
    assert 20.0 * math.log10(margin) == pytest.approx(6.02, abs=5e-3)


def test_rule_of_thumb_is_unstable_at_low_damping():
    """Exact: w_h/3 with damping 0.1 lies beyond the limit of 0.2 w_h; with 0.5 it has a margin."""
    assert max(np.roots(_closed(0.1, forms.rule_gain(1.0))).real) > 0.0
    assert max(np.roots(_closed(0.5, forms.rule_gain(1.0))).real) < 0.0


def _step(zeta, K):
    """Return the step response of the closed loop until all of it has faded."""
    system = signal.TransferFunction([K], _closed(zeta, K))
    _, y = signal.step(system, T=np.linspace(0.0, 300.0, 60001))
    return y


@pytest.mark.parametrize("name", ["triple_real_pole", "butterworth", "itae"])
def test_overshoot_of_the_anchors(name):
    """Exact: 0, 8.15 % and 1.98 %; 0.5 % of the digits that are stated."""
    anchor = forms.LOOP_ANCHORS[name]
    overshoot = max(_step(anchor.damping, anchor.gain_share)) - 1.0
    stated = {"triple_real_pole": 0.0, "butterworth": 0.0815, "itae": 0.0198}[name]
    assert overshoot == pytest.approx(stated, abs=6e-5)
    assert anchor.overshoot == stated


def test_anchors():
    """Exact: 0.19245 w_h and sqrt(3)/2; 0.35355 and 0.7071; 0.3172 and 0.5967."""
    shares = {n: (a.damping, a.gain_share) for n, a in forms.LOOP_ANCHORS.items()}
    assert shares["triple_real_pole"] == pytest.approx((0.86603, 0.19245), abs=5e-6)
    assert shares["butterworth"] == pytest.approx((0.70711, 0.35355), abs=5e-6)
    assert shares["itae"] == pytest.approx((0.5967, 0.3172), abs=5e-5)
    # triple pole at -w/sqrt 3
    a = 1.0 / math.sqrt(3.0)
    zeta, K = shares["triple_real_pole"]
    assert_allclose(_closed(zeta, K), [1.0, 3.0 * a, 3.0 * a**2, a**3], rtol=1e-12)
    # Butterworth: -3 dB at w/sqrt 2
    zeta, K = shares["butterworth"]
    response = K / np.polyval(_closed(zeta, K), 1j / math.sqrt(2.0))
    assert abs(response) == pytest.approx(math.sqrt(0.5), rel=1e-6)


def test_overshoot_free_gain_at_low_damping():
    """Exact: with zeta = 0.1 a step passes its end by 0.01 % at 0.085 w_h, and ever more beyond."""
    assert max(_step(0.1, 0.085)) - 1.0 == pytest.approx(1e-4, rel=0.05)
    assert max(_step(0.1, 0.1)) > 1.0025


def test_dynamic_stiffness_of_a_loop_written_out():
    """Exact: position loop over velocity and both pressures, solved as matrices at frequencies."""
    K, A, V, M, K_c, K_v, K_q = 1.4e9, 3e-3, 2e-3, 900.0, 6e-12, 18.0, 0.02
    plant = np.zeros((4, 4))
    plant[1:, 1:] = _chambers(K, (A, A), (V, V), M, (2.0 * K_c,) * 2, 0.0, 0.0)
    plant[0, 1] = 1.0
    gain = K_v * A / K_q  # opening per error; an opening gives K_q into A and out of B
    plant[2, 0], plant[3, 0] = -gain * K_q * K / V, gain * K_q * K / V
    force = np.array([0.0, -1.0 / M, 0.0, 0.0])
    frequencies = np.array([1e-3, 1.0, 30.0, 130.0, 400.0])
    exact = np.array(
        [-1.0 / np.linalg.solve(1j * w * np.eye(4) - plant, force)[0] for w in frequencies]
    )
    k_h = forms.oil_stiffness(K, A, V, A, V)
    omega = forms.natural_frequency(k_h, M)
    zeta = forms.damping_double_rod(K_c, K, A, 2.0 * V, M)
    found = forms.dynamic_stiffness(frequencies, K_v, omega, zeta, A, K_c, k_h)
    assert_allclose(found, exact, rtol=1e-9)
    assert abs(found[0]) == pytest.approx(forms.static_stiffness(K_v, A, K_c), rel=1e-3)


# --- refusals ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: forms.natural_frequency(-1.0, 5.0), "stiffness -1.0"),
        (lambda: forms.natural_frequency_double_rod(1e9, 0.0, 1e-3, 5.0), "area 0.0"),
        (lambda: forms.rated_flow_gain(1e-4, 70e5, 50e5, 60e5), "pressure left"),
        (lambda: forms.velocity_gain((1e-3, 1e-3), (1e-7, 1e-7), 1e6, load=2e3), "in extension"),
        (lambda: forms.velocity_error(0.1, 0.0), "velocity gain 0.0"),
    ],
)
def test_values_that_have_no_answer(call, words):
    with pytest.raises(ParameterError, match=words):
        call()
