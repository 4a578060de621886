"""Steps of a bristle against exact solutions and against an independent integration."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad, solve_ivp
from test_parameter_files import axis_of

from servosim import simulate
from servosim._bristle_steps import N_BRISTLE, decay, next_deflection, weights
from servosim.components.friction import LUGRE, FrictionParameters, friction


def step(rate_of, z_0, h, speeds):
    """One step of a bristle alone; ``speeds`` is the sliding velocity at the stages' times."""
    b, z = np.zeros(N_BRISTLE), z_0
    k = rate_of(speeds[0], z)
    for s in range(1, 5):
        z = next_deflection(s, h, speeds[0], z_0, z, k, b)
        k = rate_of(speeds[min(s, 3)], z)
    return z


def parabola_weights(x):
    """Weights of values at 0, 1/2 and 1 in the integral of their parabola times exp(-x(1 - s))."""
    parabolas = (
        lambda s: (1.0 - s) * (1.0 - 2.0 * s),
        lambda s: 4.0 * s * (1.0 - s),
        lambda s: s * (2.0 * s - 1.0),
    )
    return [
        quad(lambda s, q=q: math.exp(-x * (1.0 - s)) * q(s), 0.0, 1.0, epsabs=1e-13, limit=200)[0]
        for q in parabolas
    ]


class TestWeights:
    @pytest.mark.parametrize("x", [0.1001, 0.3, 1.0, 3.1, 10.0, 60.0, 400.0])
    def test_they_integrate_a_parabola_under_the_decay(self, x):
        half, middle, whole, first, between, last = weights(x)
        exact_first, exact_between, exact_last = parabola_weights(x)
        assert half == pytest.approx(math.exp(-0.5 * x), rel=1e-14)
        assert whole == pytest.approx(math.exp(-x), rel=1e-13)
        assert middle == pytest.approx(-math.expm1(-0.5 * x) / (0.5 * x), rel=1e-13)
        # the sums of large terms lose digits where x is small: 1e-16/x^3
        digits = 1e-14 / min(x, 1.0) ** 3
        assert first == pytest.approx(exact_first, abs=digits)
        assert 2.0 * between == pytest.approx(exact_between, abs=2.0 * digits)
        assert last == pytest.approx(exact_last, abs=digits)

    def test_without_decay_they_are_the_classical_ones(self):
        assert weights(0.0) == (1.0, 1.0, 1.0, 1.0 / 6.0, 1.0 / 3.0, 1.0 / 6.0)


class TestDecay:
    def test_it_is_read_from_the_rate(self):
        assert decay(0.1, 2e-5, 0.1 - 3000.0 * 2e-5, 1e-3) == pytest.approx(3000.0, rel=1e-12)

    @pytest.mark.parametrize(
        ("v", "z", "rate"),
        [(0.1, 0.0, 0.1), (0.1, 2e-5, 0.1), (0.1, -2e-5, 0.1), (0.0, 1e-5, 0.0), (0.1, 1e-5, 0.2)],
    )
    def test_elastic_and_unbent_bristles_have_none(self, v, z, rate):
        assert decay(v, z, rate, 1e-3) == 0.0

    def test_a_step_of_no_length_has_none(self):
        assert decay(0.1, 2e-5, 0.04, 0.0) == 0.0

    def test_it_ends_where_doubles_end(self):
        assert decay(1.0, 1e-9, 0.0, 1e-3) * 1e-3 == pytest.approx(700.0)


class TestOneStep:
    @given(
        h=st.floats(1e-5, 2e-2),
        v=st.floats(-1.0, 1.0),
        rate=st.floats(10.0, 1e5),
        share=st.floats(-1.5, 1.5),
    )
    def test_constant_decay_and_speed_are_exact(self, h, v, rate, share):
        z_0 = share * v / rate
        if rate * h > 600.0 or 0.09 < rate * h < 0.11 or abs(z_0) < 1e-12 or share < 1e-3:
            return
        z = step(lambda w, z: w - rate * z, z_0, h, (v,) * 4)
        exact = v / rate + (z_0 - v / rate) * math.exp(-rate * h)
        # slow decays are left to the classical method: error of a step x^5/120
        slow = (rate * h) ** 5 / 100.0 if rate * h < 0.1 else 0.0
        assert z == pytest.approx(exact, abs=(1e-11 + slow) * abs(v / rate))

    @pytest.mark.parametrize("h", [1e-4, 1e-3, 1e-2, 0.1])
    def test_a_settled_bristle_stays_settled(self, h):
        p = FrictionParameters(**dict.fromkeys(FrictionParameters._fields, 0.0))._replace(
            model=LUGRE, sigma_0=3e7, v_s_inverse=250.0, delta=2.0, elastic=0.7
        )
        v, g = 0.09, 500.0
        settled = g / p.sigma_0
        z = step(lambda w, z: friction(w, z, g, g, p)[1], settled, h, (v,) * 4)
        assert z == pytest.approx(settled, rel=1e-12)

    def test_order_four_while_the_speed_changes(self):
        """Steps of the bristle alone under a given speed, against scipy."""
        p = FrictionParameters(**dict.fromkeys(FrictionParameters._fields, 0.0))._replace(
            model=LUGRE, sigma_0=1e6, v_s_inverse=10.0, delta=2.0, elastic=0.0
        )

        def rate(w, z):
            return friction(w, z, 500.0, 700.0, p)[1]

        def speed(t):
            return 0.1 + 0.03 * math.sin(8.0 * t)

        exact = solve_ivp(
            lambda t, z: [rate(speed(t), z[0])], (0.0, 0.25), [4e-4], rtol=1e-12, atol=1e-18
        ).y[0, -1]
        errors = []
        for n in (40, 80, 160):
            h, z = 0.25 / n, 4e-4
            for k in range(n):
                t = k * h
                at = (speed(t), speed(t + 0.5 * h), speed(t + 0.5 * h), speed(t + h))
                z = step(rate, z, h, at)
            errors.append(abs(z - exact))
        orders = np.log2(np.array(errors[:-1]) / np.array(errors[1:]))
        assert (orders > 3.5).all()


def test_a_stiff_bristle_does_not_shorten_the_steps():
    # at 85 mm/s a bristle of 300 N/um decays 3e4 times a second: thirty times in a sample
    axis = axis_of("tube_sheet_table").replace({"table.bristle_stiffness": "300 N/um"})
    run = simulate(axis)
    tight = simulate(axis, tolerance=1e-8, replay=run)
    apart = np.abs(run.state("table_position") - tight.state("table_position")).max()
    assert run.steps < 1.5 * len(run.time)
    assert apart < 50e-9
