"""The gain sheet in the machine's units against sums by hand, and the file that is written."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

import servosim
from servosim.tuning.lock_window import reading_error
from servosim.tuning.machine_units import scale_of
from servosim.tuning.result import LoopStage
from servosim.tuning.sheet import sheet_of
from servosim.tuning.unknowns import Unknown, integral_limit, unknowns_of
from servosim.tuning.written import text_of, texts_of, tuned_text

PARAMS = Path(__file__).parents[1] / "params"


@pytest.fixture(scope="module")
def demo() -> servosim.Axis:
    return servosim.read_axis(PARAMS / "tube_sheet_table.toml")


@pytest.fixture(scope="module")
def rig() -> servosim.Axis:
    return servosim.read_axis(PARAMS / "teaching_rig.toml")


class TestUnits:
    def test_velocity_gain_by_hand(self, rig):
        """The rig's own sum: 5 L/min sqrt(60/70) / 289.8 mm2 = 266 mm/s at full command."""
        axis = rig.replace(
            {
                "valve.signal": "voltage",
                "valve.rated_voltage": "10 V",
                "controller.output_counts": 32767,
            }
        )
        area = math.pi / 4.0 * (25e-3**2 - 16e-3**2)
        full = 5e-3 / 60.0 * (60.0 / 70.0) ** 0.5 / area
        assert full == pytest.approx(0.266, abs=0.001)
        rows = {row.key: row for row in sheet_of(rig, axis, {}, {"controller.velocity_gain"})}
        row = rows["controller.velocity_gain"]
        per_millimetre = 20.0 * 1e-3 / full  # of full command
        percent = float(row.command.removesuffix(" %/mm"))
        assert percent == pytest.approx(100.0 * per_millimetre, rel=2e-3)
        volts, counts = row.signal.split("; ")
        assert float(volts.removesuffix(" V/mm")) == pytest.approx(10.0 * per_millimetre, rel=5e-3)
        assert float(counts.removesuffix(" counts/mm")) == pytest.approx(
            32767.0 * per_millimetre, rel=5e-3
        )

    def test_current_and_increments(self, rig):
        axis = rig.replace(
            {
                "controller.kind": "sampled",
                "controller.computing_delay": "0 ms",
                "valve.signal": "current",
                "valve.rated_current": "40 mA",
                "controller.output_counts": 1000,
                "transducer.resolution": "5 um",
            }
        )
        p = axis.parameters.controller
        found = scale_of(axis).signals(1e-3 * 20.0, "/mm", 20.0 * 5e-6)
        current, counts = found.split("; ")
        assert float(current.split()[0]) == pytest.approx(40.0 * 0.02 / p.g_plus, rel=5e-3)
        assert float(counts.split()[0]) == pytest.approx(1000.0 * 1e-4 / p.g_plus, rel=5e-3)
        assert counts.endswith("counts/increment")

    def test_a_single_rod_has_a_number_for_each_direction(self):
        slide = servosim.read_axis(PARAMS / "vertical_slide.toml")
        slide = slide.replace({"supply.pressure": "90 bar"})
        found = scale_of(slide).command(1e-3 * 20.0, "/mm")
        assert "extending" in found
        assert "retracting" in found

    def test_nothing_stated_nothing_told(self, rig):
        assert scale_of(rig).signals(0.02, "/mm") == ""
        assert scale_of(rig).share(-0.004) == ("-0.4 %", "")

    def test_trim_in_volts_and_counts(self, demo):
        assert demo.file.valve.signal == "voltage"
        percent, signal = scale_of(demo).share(-0.00375)
        volts = -0.00375 * demo.file.valve.rated_voltage
        assert percent == "-0.375 %"
        assert signal.startswith(f"{volts:g} V")


class TestOrder:
    def test_safe_order(self, demo):
        tuned = demo.replace(
            {
                "controller.velocity_gain": 25.0,
                "controller.null_trim": -0.003,
                "controller.velocity_feedforward": 1.0,
                "controller.integral_gain": 50.0,
                "controller.load_pressure_feedback": 1e-8,
                "lock.window": 4e-6,
            }
        )
        rows = sheet_of(demo, tuned, {"controller.velocity_gain": "phase margin"}, set())
        keys = [row.key.split(".")[1] for row in rows]
        assert keys == [
            "null_trim",
            "load_pressure_feedback",
            "velocity_gain",
            "velocity_feedforward",
            "integral_gain",
            "window",
        ]
        assert [row.order for row in rows] == [1, 2, 3, 4, 5, 6]
        assert rows[2].limited_by == "phase margin"
        assert all(row.enter and row.does for row in rows)
        assert rows[2].text_before == "22 1/s"


class TestWritten:
    def test_texts_keep_the_unit_of_the_file_and_three_digits(self, demo):
        assert text_of(demo, "controller.velocity_gain", 23.4567) == "23.5 1/s"
        assert text_of(demo, "controller.null_trim", -0.0031416) == "-0.314 %"
        assert text_of(demo, "lock.window", 4.5e-6) == "4.5 um"
        assert text_of(demo, "controller.load_pressure_feedback", 1.23456e-8) == "1.23 (mm/s)/bar"
        assert text_of(demo, "controller.integral_gain", 12345.0) == "12300 1/s2"

    def test_what_stays_is_not_written(self, demo):
        same = {
            "controller.velocity_gain": 22.0,
            "controller.stabilising_feedback": "load_pressure",
        }
        assert texts_of(demo, same) == {}

    def test_comments_stay_and_the_file_reads_back(self, demo, tmp_path):
        texts = texts_of(demo, {"controller.velocity_gain": 17.0, "reference.deceleration": 0.25})
        tuned = demo.replace(texts)
        path = tmp_path / "tuned.toml"
        path.write_text(tuned_text(demo, tuned, texts))
        assert servosim.diff(servosim.read_axis(path).file, tuned.file) == []
        before = (PARAMS / "tube_sheet_table.toml").read_text().splitlines()
        after = path.read_text().splitlines()
        changed = [(a, b) for a, b in zip(before, after, strict=True) if a != b]
        assert changed == [
            ('velocity_gain = "22 1/s"', 'velocity_gain = "17 1/s"'),
            ('deceleration = "0.3 m/s2"', 'deceleration = "0.25 m/s2"'),
        ]

    def test_another_kind_of_feedback_drops_its_keys_and_brings_others(self, demo, tmp_path):
        texts = texts_of(
            demo,
            {
                "controller.stabilising_feedback": "acceleration",
                "controller.acceleration_feedback": 1e-3,
            },
        )
        tuned = demo.replace(texts)
        text = tuned_text(demo, tuned, texts)
        path = tmp_path / "tuned.toml"
        path.write_text(text)
        assert "load_pressure_feedback" not in text
        assert "high_pass_frequency" not in text
        assert 'acceleration_feedback = "1 ms"' in text
        assert "# against null bias" in text
        back = servosim.read_axis(path)  # strict: a key that isn't read would be a fault
        assert servosim.diff(back.file, tuned.file) == []

    def test_a_file_that_changed_meanwhile_is_not_mixed_with_old_values(self, tmp_path):
        path = tmp_path / "axis.toml"
        path.write_text((PARAMS / "teaching_rig.toml").read_text())
        axis = servosim.read_axis(path)
        path.write_text(path.read_text().replace('"25 mm"', '"32 mm"'))
        texts = {"controller.velocity_gain": "30 1/s"}
        text = tuned_text(axis, axis.replace(texts), texts)
        assert '"25 mm"' in text
        assert '"32 mm"' not in text


class TestUnknowns:
    def test_shares_and_values(self):
        plain, log = Unknown("a.b", 1.0, 3.0, 2.0), Unknown("a.b", 1.0, 100.0, 10.0, log=True)
        assert plain.value(0.5) == 2.0
        assert log.value(0.5) == pytest.approx(10.0)
        assert plain.share(9.0) == 1.0
        assert log.share(10.0) == pytest.approx(0.5)

    def test_only_what_the_file_reads_is_searched(self, demo, rig):
        stage = LoopStage("none", {}, 20.0, "")
        assert "controller.overlap_compensation" not in {u.key for u in unknowns_of(rig, stage)}
        keys = {u.key for u in unknowns_of(demo, stage)}
        assert "controller.overlap_compensation" in keys
        assert "controller.integral_gain" not in keys
        assert "controller.integral_gain" in {
            u.key for u in unknowns_of(demo, stage, integral=True)
        }
        slide = servosim.read_axis(PARAMS / "vertical_slide.toml")  # acts on remaining distance
        assert "controller.velocity_feedforward" not in {u.key for u in unknowns_of(slide, stage)}

    def test_the_integral_can_make_up_for_the_null_and_hardly_more(self, demo):
        p = demo.parameters.controller
        stray = 0.5 * (0.005e-2 * 25.0 + 0.003e-2 * 20.0 + 0.15e-2 + 0.03e-2)
        limit = integral_limit(demo) / p.g_plus
        assert stray < limit < 3.0 * stray

    def test_the_reading_is_off_by_noise_cycle_and_half_a_step(self, demo):
        assert reading_error(demo) == pytest.approx(0.2e-6 + 3.0 * 0.1e-6 + 0.25e-6)
