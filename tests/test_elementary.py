"""Powers, exponential and sine in arithmetic alone, against the mathematics library."""

import math

import numpy as np
import pytest

from servosim._elementary import (
    exp2,
    exponential,
    inverse_fourth_root,
    inverse_fourth_roots,
    log2,
    power,
    sine,
    sine_cosine,
)
from servosim._jit import kernel
from servosim._lanes import WIDTH, as_row, no, parts, scaled, some, where


@kernel
def _over(x, e, out):
    for k in range(x.shape[0]):
        out[0, k] = log2(x[k])
        out[1, k] = exp2(e[k])
        out[2, k] = power(x[k], e[k] * 0.1)
        out[3, k] = exponential(e[k])
        out[4, k], out[5, k] = sine_cosine(e[k])
        out[6, k] = sine(e[k])
        out[7, k] = inverse_fourth_root(x[k])


@kernel
def _over_lanes(x, e, out):
    a, b = as_row(x), as_row(e)
    for k in range(x.shape[0]):
        logarithm, raised = as_row(out[0]), as_row(out[1])
        logarithm[k], raised[k] = log2(a[k]), exp2(b[k])
        powers, exponentials = as_row(out[2]), as_row(out[3])
        powers[k], exponentials[k] = power(a[k], b[k] * 0.1), exponential(b[k])
        sines, cosines = as_row(out[4]), as_row(out[5])
        sines[k], cosines[k] = sine_cosine(b[k])
        alone, roots = as_row(out[6]), as_row(out[7])
        alone[k], roots[k] = sine(b[k]), inverse_fourth_root(a[k])


@pytest.fixture(scope="module")
def numbers():
    rng = np.random.default_rng(1)
    x = np.exp(rng.uniform(-40.0, 40.0, 4096))
    e = rng.uniform(-60.0, 60.0, 4096)
    out = np.empty((8, 4096))
    _over(x, e, out)
    return x, e, out


class TestAgainstTheLibrary:
    def test_logarithm(self, numbers):
        x, _, out = numbers
        assert out[0] == pytest.approx(np.log2(x), rel=4e-15, abs=1e-15)

    def test_power_of_two(self, numbers):
        _, e, out = numbers
        assert out[1] == pytest.approx(np.exp2(e), rel=5e-16)

    def test_power(self, numbers):
        x, e, out = numbers  # up to 2^350: the logarithm's last digit counts that often
        assert out[2] == pytest.approx(x ** (e * 0.1), rel=2e-13)

    def test_power_of_an_oil(self):
        for n in (1.0, 1.2, 1.4, 1.67):
            for ratio in np.geomspace(1e-2, 5e2, 200):
                assert power(ratio, -1.0 / n) == pytest.approx(ratio ** (-1.0 / n), rel=2e-15)

    def test_exponential(self, numbers):
        _, e, out = numbers
        assert out[3] == pytest.approx(np.exp(e), rel=1e-14)

    def test_sine_and_cosine(self, numbers):
        _, e, out = numbers
        assert out[4] == pytest.approx(np.sin(e), abs=2e-14)
        assert out[5] == pytest.approx(np.cos(e), abs=2e-14)
        assert out[6] == pytest.approx(np.sin(e), abs=2e-14)

    def test_inverse_fourth_root(self, numbers):
        x, _, out = numbers
        assert out[7] == pytest.approx(x**-0.25, rel=4e-16)
        for b in np.geomspace(1e-200, 1e200, 9):
            assert inverse_fourth_root(b) == pytest.approx(b**-0.25, rel=4e-16)

    def test_four_roots_are_those_of_one_each(self):
        b = (1e-30, 0.3, 7.0, 1e40)
        assert inverse_fourth_roots(*b) == tuple(inverse_fourth_root(each) for each in b)

    def test_sine_at_its_corners(self):
        for turns in (-0.5, -0.25, 0.0, 0.25, 0.5, 0.75, 1.0):
            angle = 2.0 * math.pi * turns
            assert sine(angle) == pytest.approx(math.sin(angle), abs=1e-15)
            found = sine_cosine(angle)
            assert found == pytest.approx((math.sin(angle), math.cos(angle)), abs=1e-15)

    def test_whole_powers_of_two_are_exact(self):
        for k in (-1022.0, -3.0, 0.0, 1.0, 52.0, 1023.0):
            assert exp2(k) == math.ldexp(1.0, int(k))

    def test_beyond_the_range_it_is_that_of_the_end(self):
        assert exp2(5000.0) == 2.0**1023
        assert exp2(-5000.0) == 2.0**-1022


class TestLanes:
    def test_same_bits_as_one_number(self, numbers):
        x, e, out = numbers
        lanes = np.empty((8, 4096 // WIDTH, WIDTH))
        _over_lanes(x.reshape(-1, WIDTH), e.reshape(-1, WIDTH), lanes)
        assert np.array_equal(lanes.reshape(8, -1), out)

    def test_plain_python_means_the_same(self):
        assert where(2.0 > 1.0, 3.0, 4.0) == 3.0
        assert some(True) and not some(False) and no(False)
        m, k = parts(12.0)
        assert (m, k) == (1.5, 3.0)
        assert scaled(m, k) == 12.0
