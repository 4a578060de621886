"""The band at rest: shares by hand on axes with one cause alone, and against simulated scatter."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from servosim.axis import read_axis
from servosim.components.valve_rating import null_pressure_gain
from servosim.errors import ParameterError
from servosim.linear import resting
from servosim.linear.resting import resting_band

PARAMS = Path(__file__).parent.parent / "params"
DEMO = read_axis(PARAMS / "tube_sheet_table.toml")
# nothing that keeps the table from its target
CLEAN = DEMO.replace(
    {
        **{f"valve.overlap_{n}": "0 %" for n in ("pa", "bt", "pb", "at")},
        "controller.velocity_gain": "20 1/s",
        "controller.overlap_compensation": "0 %",
        "controller.integral_gain": "0 1/s2",
        "controller.null_trim": "0 %",
        "supply.kind": "ideal",
        "supply.accumulator": "none",
        "valve.null_bias": "0 %",
        "valve.null_shift_pressure": "0 %/bar",
        "valve.threshold": "0 %",
        "valve.hysteresis": "0 %",
        "table.coulomb_coefficient": 0,
        "table.static_coefficient": 0,
        "cylinder.seal_friction": "0 N",
        "cylinder.seal_breakaway": "0 N",
        "cylinder.seal_pressure_friction": "0 N/bar",
        "transducer.resolution": "0 um",
        "transducer.cyclic_error": "0 um",
        "transducer.noise": "0 um",
        "transducer.pressure_noise": "0 bar",
        "transducer.pressure_resolution": "0 bar",
        "controller.load_pressure_feedback": "0.5 (mm/s)/bar",
        "controller.high_pass_frequency": "6 Hz",
    }
)
GAIN = CLEAN.parameters.controller.g_plus  # m/s for full command


def _value(found, name):
    return next(share.value for share in found.shares if share.name == name)


class TestSharesByHand:
    """Exact: one cause alone; without overlap an error e gives the command K_v e/g."""

    def _band(self, changes):
        return resting_band(CLEAN.replace(changes), 0.35, simulated=False)

    def test_nothing(self):
        found = self._band({})
        assert found.worst_case == pytest.approx(0.0, abs=1e-12)
        assert found.offset == pytest.approx(0.0, abs=1e-10)

    def test_bias_less_trim(self):
        found = self._band({"valve.null_bias": "0.5 %", "controller.null_trim": "-0.2 %"})
        assert found.offset == pytest.approx(-0.003 * GAIN / 20.0, rel=1e-6)

    def test_threshold_and_hysteresis(self):
        found = self._band({"valve.threshold": "0.1 %", "valve.hysteresis": "0.4 %"})
        assert _value(found, "threshold") == pytest.approx(0.0005 * GAIN / 20.0, rel=1e-6)
        assert found.worst_case == pytest.approx(0.002 * GAIN / 20.0, rel=1e-6)

    def test_friction_over_the_pressure_gain(self):
        """Small friction, where the pressure gain is constant: F/(A K_p) of command."""
        found = self._band({"cylinder.seal_friction": "20 N", "cylinder.seal_breakaway": "20 N"})
        p = CLEAN.parameters
        K_p = float(null_pressure_gain(p.supply.p_set, CLEAN.record.valve))
        expected = 20.0 / (p.cylinder.A_A * K_p) * GAIN / 20.0
        assert found.worst_case == pytest.approx(expected, rel=0.02)

    def test_weight(self):
        """Exact: an inclined axis needs M g sin(1 deg) at rest, (1000 + 25) kg."""
        found = self._band({"table.inclination": "1 deg"})
        tipped = CLEAN.replace({"table.inclination": "1 deg"}).parameters.controller
        p = CLEAN.parameters
        K_p = float(null_pressure_gain(p.supply.p_set, CLEAN.record.valve))
        force = 1025.0 * 9.80665 * math.sin(math.radians(1.0))
        expected = force / (p.cylinder.A_A * K_p) * tipped.g_plus / 20.0
        assert _value(found, "weight and leakage at rest") == pytest.approx(expected, rel=0.02)

    def test_scale_resolution_cycle_and_noise(self):
        found = self._band(
            {
                "transducer.scale_error": "10 um/m",
                "transducer.zero_offset": "2 um",
                "transducer.resolution": "1 um",
                "transducer.cyclic_error": "0.3 um",
                "transducer.noise": "0.2 um",
            }
        )
        # a scale that shows too much stops the table short
        assert found.offset == pytest.approx(0.35 * 10e-6 + 2e-6, rel=1e-4)
        T = CLEAN.parameters.controller.period
        shares = (0.5e-6, 0.3e-6, 3.0 * 0.2e-6 * math.sqrt(20.0 * T / (2.0 - 20.0 * T)))
        assert found.worst_case == pytest.approx(sum(shares), rel=1e-9)
        assert found.root_sum_square == pytest.approx(math.hypot(*shares), rel=1e-9)
        assert found.high - found.low == pytest.approx(2.0 * sum(shares), rel=1e-9)

    def test_integral_leaves_its_dead_zone(self):
        found = self._band(
            {
                "valve.null_bias": "0.1 %",
                "valve.hysteresis": "0.4 %",
                "controller.integral_gain": "30 1/s2",
                "controller.integral_dead_zone": "3 um",
                "controller.integral_limit": "5 mm/s",
            }
        )
        assert found.worst_case == pytest.approx(3e-6)
        assert found.offset == pytest.approx(0.0, abs=1e-9)
        tight = self._band(
            {
                "valve.null_bias": "1 %",
                "controller.integral_gain": "30 1/s2",
                "controller.integral_dead_zone": "3 um",
                "controller.integral_limit": "0.1 mm/s",
            }
        )
        left = (0.01 * GAIN - 0.1e-3) / 20.0
        assert _value(tight, "beyond the integral's limit") == pytest.approx(left, rel=1e-6)


class TestAgainstSimulation:
    def test_demo(self):
        """All moves rest inside the band, from both sides, and the offset shows in their mean."""
        found = resting_band(DEMO, 0.35, seeds=2)
        assert found.inside == 1.0
        assert "all within" in found.verdict
        assert found.scatter.still
        middle = 0.5 * (found.scatter.low + found.scatter.high)
        assert middle == pytest.approx(found.offset, abs=0.5 * found.worst_case)
        assert found.scatter.errors.shape == (4, 2, 2)

    def test_bias_alone_is_hit(self):
        """One cause without play: every move rests at the very offset."""
        found = resting_band(CLEAN.replace({"valve.null_bias": "0.5 %"}), 0.35, seeds=1)
        assert found.scatter.low == pytest.approx(found.offset, rel=0.01)
        assert found.scatter.high == pytest.approx(found.offset, rel=0.01)

    def test_noise_has_the_size_of_its_formula(self):
        """No friction, no play: the spread of 64 runs is near a third of the share.

        The mean over 50 ms takes some of it.
        """
        for changes in (
            {"transducer.noise": "1 um"},
            {"transducer.pressure_noise": "0.1 bar"},
        ):
            found = resting_band(CLEAN.replace(changes), 0.35, seeds=8)
            spread = float(np.std(found.scatter.errors))
            assert 0.4 < spread / (found.worst_case / 3.0) < 1.2

    def test_axis_without_causes_comes_home(self):
        """In the middle; towards the ends of the stroke this loop still rings a little."""
        found = resting_band(CLEAN, 0.35, seeds=1)
        assert np.all(np.abs(found.scatter.errors[0]) < 1e-8)
        assert np.all(np.abs(found.scatter.errors) < 1e-7)

    def test_hysteresis_alone_shows_as_reversal(self):
        """A play is left on the side of the approach: both directions rest nearly a loop apart."""
        axis = CLEAN.replace({"valve.hysteresis": "0.4 %"})
        found = resting_band(axis, 0.35, seeds=1)
        assert found.inside == 1.0
        assert abs(found.scatter.reversal) == pytest.approx(2.0 * found.worst_case, rel=0.15)

    def test_a_band_that_is_too_narrow_is_told(self, monkeypatch):
        """The verdict can fail: a band that knows nothing of the hysteresis must be refuted."""
        axis = CLEAN.replace({"valve.hysteresis": "0.4 %"})
        real = resting.resting_shares

        def _blind(axis, position):
            band = real(axis, position)
            return replace(band, low=0.1 * band.low, high=0.1 * band.high)

        monkeypatch.setattr(resting, "resting_shares", _blind)
        found = resting.resting_band(axis, 0.35, seeds=1)
        assert found.inside < 1.0
        assert "outside the predicted" in found.verdict


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: resting_band(DEMO, 9.0), "outside the stroke"),
        (lambda: resting_band(DEMO, seeds=0), "seeds 0"),
    ],
)
def test_refusals(call, words):
    with pytest.raises(ParameterError, match=words):
        call()
