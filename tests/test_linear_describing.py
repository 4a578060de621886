"""Describing functions: table values, limits, and integration of the very nonlinearities.

Formulas are those of Gelb and Vander Velde 1968 and Atherton 1975, from memory; therefore each is
integrated here, the valve's play and the scale's rounding by the functions of the simulation.
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from servosim.components.transducer import rounded
from servosim.components.valve import play as valve_play
from servosim.errors import ParameterError
from servosim.linear import describing

AMPLITUDES = np.array([0.05, 0.4, 0.5000001, 0.7, 1.0, 1.7, 6.0])


def _integral(operator, A, memory=0.0, samples=20001):
    """Return b and a of the first harmonic by the trapezoid over a period, memory settled."""
    theta = np.linspace(0.0, 2.0 * math.pi, samples)
    for _ in range(2):
        y = np.empty(samples)
        for k, u in enumerate((A * np.sin(theta)).tolist()):
            y[k], memory = operator(u, memory)
    b = np.trapezoid(y * np.sin(theta), theta) / math.pi
    a = np.trapezoid(y * np.cos(theta), theta) / math.pi
    return complex(b, a) / A


def _no_memory(function):
    return lambda u, memory: (function(u), memory)


def _dead(u, half=0.5, gain=2.0):
    return gain * (u - min(max(u, -half), half))


def _relay(u, state, level=3.0, zone=0.4, hysteresis=0.2):
    """Return the output of a relay with dead zone and hysteresis, and its state -1, 0, 1."""
    on, off = zone + hysteresis, zone - hysteresis
    if u > on:
        state = 1.0
    elif u < -on:
        state = -1.0
    elif (state > 0.0 and u < off) or (state < 0.0 and u > -off):
        state = 0.0
    return level * state, state


CASES = {
    "dead zone": (lambda A: describing.dead_zone(A, 0.5, 2.0), _no_memory(_dead)),
    "saturation": (
        lambda A: describing.saturation(A, 0.5, 2.0),
        _no_memory(lambda u: 2.0 * min(max(u, -0.5), 0.5)),
    ),
    "two slopes": (
        lambda A: describing.two_slopes(A, 0.5, 3.0, 1.0),
        _no_memory(lambda u: u + 2.0 * min(max(u, -0.5), 0.5)),
    ),
    "Coulomb friction": (
        lambda A: describing.relay(A, 3.0),
        _no_memory(lambda u: 3.0 * math.copysign(1.0, u)),
    ),
    "relay": (lambda A: describing.relay(A, 3.0, 0.4, 0.2), _relay),
    "play of the valve": (
        lambda A: describing.play(A, 0.5),
        lambda u, memory: (valve_play(u, memory, 0.5),) * 2,
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_formulas_against_integration(name):
    formula, operator = CASES[name]
    amplitudes = AMPLITUDES
    exact = np.array([_integral(operator, A) for A in amplitudes])
    assert_allclose(formula(amplitudes), exact, atol=2e-3 * max(abs(exact)))


def test_rounding_of_the_scale():
    """The scale rounds an input by the simulation's own function."""
    formula = describing.quantiser(AMPLITUDES, 1.0)
    # not at the very corner of the first rise, where the integral hits one sample or none
    for A, found in zip(AMPLITUDES.tolist(), formula, strict=True):
        if A != 0.5000001:
            exact = _integral(_no_memory(lambda u: float(rounded(u, 1.0))), A)
            assert found == pytest.approx(exact, abs=3e-3)


def test_rounding_about_a_rise():
    """The same function, half a step aside; the mean of the output doesn't count."""
    formula = describing.quantiser(AMPLITUDES, 1.0, between=True)
    for A, found in zip(AMPLITUDES.tolist(), formula, strict=True):
        if A != 1.0:  # where the next rises are just touched
            exact = _integral(_no_memory(lambda u: float(rounded(u + 0.5, 1.0)) - 0.5), A)
            assert found == pytest.approx(exact, rel=1e-3, abs=3e-3)


def test_functions_that_integrate_agree_with_the_formulas():
    curve = describing.of_curve(lambda u: 2.0 * (u - np.clip(u, -0.5, 0.5)), AMPLITUDES)
    assert_allclose(curve, describing.dead_zone(AMPLITUDES, 0.5, 2.0), atol=1e-3)
    memory = describing.of_memory(CASES["play of the valve"][1], AMPLITUDES)
    assert_allclose(memory, describing.play(AMPLITUDES, 0.5), atol=2e-3)


class TestTableValues:
    """Closed values of the formulas at handy amplitudes; exact."""

    def test_dead_zone_at_twice_its_half_width(self):
        """f(1/2) = (2/pi) (pi/6 + sqrt(3)/4) = 0.60900."""
        assert describing.dead_zone(2.0, 1.0) == pytest.approx(1.0 - 0.6089977810, abs=1e-9)
        assert describing.saturation(2.0, 1.0) == pytest.approx(0.6089977810, abs=1e-9)

    def test_play_at_twice_its_half_width(self):
        """r = 1/2: 1/2 - j/pi."""
        assert describing.play(2.0, 1.0) == pytest.approx(complex(0.5, -1.0 / math.pi), abs=1e-12)

    def test_friction(self):
        assert describing.relay(0.5, 2.0) == pytest.approx(16.0 / math.pi)

    def test_largest_gain_of_rounding(self):
        """4/pi at an amplitude of 1/sqrt 2 steps."""
        A = np.linspace(0.4, 3.0, 26001)
        N = describing.quantiser(A, 1.0).real
        assert max(N) == pytest.approx(4.0 / math.pi, rel=1e-6)
        assert A[np.argmax(N)] == pytest.approx(math.sqrt(0.5), abs=2e-4)


@settings(max_examples=40, deadline=None)
@given(st.floats(1e-3, 1e3), st.floats(1e-3, 1e3), st.floats(0.1, 10.0))
def test_limits(amplitude, width, gain):
    """Small and large amplitudes; a dead zone and a limit share the gain between them."""
    both = describing.dead_zone(amplitude, width, gain) + describing.saturation(
        amplitude, width, gain
    )
    assert both == pytest.approx(gain, rel=1e-9)
    lost = describing.play(amplitude, width, gain)
    assert lost.imag <= 0.0
    assert 0.0 <= lost.real <= gain * (1.0 + 1e-12)
    if amplitude <= width:
        assert abs(lost) < 1e-12 * gain
        assert abs(describing.dead_zone(amplitude, width, gain)) < 1e-12 * gain
    if amplitude >= 300.0 * width:
        assert lost == pytest.approx(gain, rel=0.01)
        assert describing.quantiser(amplitude, width) == pytest.approx(1.0, rel=0.01)


def test_shapes_are_those_of_the_amplitudes():
    A = np.full((2, 3), 0.8)
    for found in (
        describing.dead_zone(A, 0.5),
        describing.relay(A, 1.0, 0.1, 0.05),
        describing.play(A, 0.5),
        describing.quantiser(A, 0.3),
        describing.quantiser(A, 0.0),
        describing.of_curve(np.tanh, A),
    ):
        assert found.shape == (2, 3)
        assert found.dtype == complex


def test_refusals():
    with pytest.raises(ParameterError, match="amplitude 0"):
        describing.play([1.0, 0.0], 0.5)
    with pytest.raises(ParameterError, match=r"half width -0\.1"):
        describing.play(1.0, -0.1)
