"""The quick power against the library's own."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from servosim._power import power, power_table

LOGARITHMS = st.floats(math.log(2.0**-16), math.log(2.0**16) - 1e-9)


class TestPower:
    @settings(deadline=None)
    @given(LOGARITHMS, st.floats(-1.0, -0.5))
    def test_equals_the_library(self, logarithm, exponent):
        x = math.exp(logarithm)
        assert power(x, power_table(exponent)) == pytest.approx(x**exponent, rel=4e-15)

    def test_has_no_steps_where_its_parts_meet(self):
        # derivatives of the stiffness are taken by differences: a step would spoil them
        table = power_table(-1.0 / 1.2)
        for k in (-3, 0, 5):
            for part in range(33):
                x = 2.0**k * (1.0 + part / 32.0)
                below, above = np.nextafter(x, 0.0), np.nextafter(x, np.inf)
                assert power(below, table) == pytest.approx(power(above, table), rel=2e-15)

    def test_beyond_its_range_it_keeps_the_last_octave(self):
        table = power_table(-0.8)
        assert power(2.0**-20, table) == power(2.0**-16, table)
        assert math.isfinite(power(1e300, table))
