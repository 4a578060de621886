"""Worst cases of an envelope, in numbers and in words."""

from pathlib import Path

import numpy as np
import pytest
from axis_files import AXIS_FILES

from servosim.axis import read_axis
from servosim.errors import ParameterError
from servosim.linear.envelope import (
    FIGURES,
    LoopFamily,
    cyclic_note,
    envelope_margins,
    point_in_words,
)
from servosim.linear.points import Point, condition_points, envelope_points

PARAMS = Path(__file__).parent.parent / "params"
FILES = AXIS_FILES
# gains with which the axis is stable over its whole envelope, friction damping nothing
TABLE = read_axis(PARAMS / "tube_sheet_table.toml").replace(
    {
        "controller.velocity_gain": "3 1/s",
        "controller.load_pressure_feedback": "0.15 (mm/s)/bar",
        "controller.high_pass_frequency": "40 Hz",
    }
)
KEYS = {
    "workpiece_mass": "table.workpiece_mass",
    "temperature": "oil.temperature",
    "free_air": "oil.free_air",
    "supply_pressure": "supply.pressure",
}
LARGEST = {"gain_margin_low", "maximum_sensitivity", "resonance_peak"}


@pytest.fixture(scope="module")
def table():
    return envelope_margins(TABLE, positions=3)


class TestWorst:
    @pytest.mark.parametrize("figure", FIGURES)
    @pytest.mark.parametrize("cut", ["command", "position", None])
    def test_no_point_is_worse(self, table, figure, cut):
        worst = table.worst(figure, cut)
        margins = [table.command, table.position] if cut is None else [table.cut(cut)]
        values = np.concatenate([getattr(m, figure) for m in margins])
        expected = values.max() if figure in LARGEST else values.min()
        assert np.isfinite(expected)
        assert worst.value == expected
        assert getattr(table.cut(worst.cut), figure)[worst.index] == expected

    def test_in_words(self, table):
        worst = table.worst("gain_margin")
        point = table.points[worst.index]
        decibels = 20.0 * np.log10(worst.value)
        for part in (
            f"gain margin {worst.value:.3g} ({decibels:.1f} dB)",
            f"at {worst.frequency / (2.0 * np.pi):.3g} Hz",
            f"at {1000.0 * point.position:.6g} mm",
        ):
            assert part in worst.sentence
        opened = {"command": "the valve's command", "position": "the position error"}
        assert f"loop opened at {opened[worst.cut]}" in worst.sentence

    def test_an_unstable_loop_is_the_worst_and_is_named(self):
        # the pressure feedback of the demo is too much at the ends of the stroke
        axis = read_axis(PARAMS / "tube_sheet_table.toml")
        found = envelope_margins(axis, positions=3, conditions=("edge",))
        for figure in FIGURES:
            assert "unstable" in found.worst(figure).sentence
        assert any("loops are unstable, the first at 0 mm" in note for note in found.notes())

    def test_the_null_of_an_overlapped_valve_is_left_out_and_said(self):
        lands = {f"valve.overlap_{land}": "10 %" for land in ("pa", "bt", "pb", "at")}
        axis = TABLE.replace(lands)
        points = condition_points(axis, 0.3, conditions=("null", "edge"))
        found = envelope_margins(axis, points=points)
        assert found.meaningless.tolist() == [True, False, False]
        for figure in FIGURES:
            assert found.worst(figure).index != 0
        assert any(
            "1 of 3 points" in note and "the flow gain is near zero" in note
            for note in found.notes()
        )
        alone = envelope_margins(axis, points=points[:1])
        with pytest.raises(ParameterError, match="none of 1 points says anything"):
            alone.worst("gain_margin")

    def test_points_that_do_not_exist_are_told(self):
        points = [Point(TABLE, 0.3), Point(TABLE, 0.3, 5.0, condition="rapid")]
        found = envelope_margins(TABLE, points=points)
        assert len(found.points) == 1
        assert any("1 points have no steady state" in note for note in found.notes())

    def test_a_limit_of_the_command_is_told(self):
        axis = TABLE.replace({"controller.output_limit": "40 %"})
        points = condition_points(axis, 0.3, conditions=("edge", "rapid"))
        rapid = [p for p in envelope_margins(TABLE, points=points).points if p.velocity > 0.05]
        found = envelope_margins(axis, points=points)
        assert found.beyond_limit.sum() >= len(rapid)
        assert any("output_limit" in note for note in found.notes())


class TestWhole:
    @pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
    def test_every_file_has_one(self, path):
        axis = read_axis(path)
        found = envelope_margins(axis, positions=2)
        assert len(found.points) + len(found.refused) == len(envelope_points(axis, positions=2))
        for figure in ("gain_margin", "phase_margin", "maximum_sensitivity"):
            assert found.worst(figure).sentence
        n = len(found.points)
        for m in (found.command, found.position):
            assert all(len(v) == n for k, v in vars(m).items() if k != "cut")

    def test_chunks_and_threads_change_nothing(self):
        points = envelope_points(TABLE, positions=2, conditions=("null", "rapid", "rest"))
        alone = envelope_margins(TABLE, points=points)
        threaded = envelope_margins(TABLE, points=points, workers=2)
        at_once = LoopFamily(TABLE, points).margins()
        for name, cut in (("command", at_once[0]), ("position", at_once[1])):
            for key, value in vars(alone.cut(name)).items():
                if key != "cut":
                    np.testing.assert_array_equal(getattr(threaded.cut(name), key), value)
                    np.testing.assert_allclose(getattr(cut, key), value, rtol=1e-6)

    def test_the_controller_stays_that_of_the_file(self):
        # at 150 bar the valve gives more flow than the controller reckons with: less margin
        corner = TABLE.replace({"supply.pressure": "150 bar"})
        point = condition_points(corner, 0.3, conditions=("rapid",), directions=(1.0,))
        file = condition_points(TABLE, 0.3, conditions=("rapid",), directions=(1.0,))
        found = envelope_margins(TABLE, points=[*file, *point])
        own = envelope_margins(corner, points=point)
        low, high = found.position.gain_margin
        assert high < own.position.gain_margin[0]
        assert found.position.gain_margin[0] == low

    def test_gains_can_be_tried(self, table):
        gentle = envelope_margins(TABLE, points=table.points, gains={"velocity_gain": 1.5})
        assert gentle.worst("gain_margin", "position").value > (
            1.8 * table.worst("gain_margin", "position").value
        )


def inside(axis, rng):
    """Return an axis with random values of everything that its envelope ranges over."""
    changes = {}
    for key, name in KEYS.items():
        low, high = getattr(axis.file.envelope, key)
        changes[name] = float(rng.uniform(low, high))
    return axis.replace(changes)


def test_claimed_margins_hold_inside_the_envelope():
    conditions = ("null", "edge", "rest", "rapid")
    claimed = envelope_margins(TABLE, positions=7, conditions=conditions)
    assert claimed.command.stable.all()
    rng = np.random.default_rng(20)
    points = [
        point
        for _ in range(30)
        for point in condition_points(
            inside(TABLE, rng), float(rng.uniform(0.0, TABLE.file.cylinder.stroke))
        )
    ]
    found = envelope_margins(TABLE, points=points)
    assert found.command.stable.all()
    # corners and seven positions bound what lies between them but for small bends
    for cut in ("command", "position"):
        for figure in ("gain_margin", "phase_margin"):
            assert found.worst(figure, cut).value > 0.98 * claimed.worst(figure, cut).value


class TestWords:
    @pytest.mark.parametrize(
        "point, text",
        [
            (Point(TABLE, 0.35), "at 350 mm, at rest, all else as in the file"),
            (
                Point(TABLE, 0.1, -0.02, condition="rapid", corner={"workpiece_mass": 500.0}),
                "at 100 mm, retracting at 20 mm/s, workpiece 500 kg",
            ),
            (
                Point(
                    TABLE,
                    0.7,
                    0.01,
                    condition="edge",
                    corner={"free_air": 0.01, "temperature": 298.15},
                ),
                "at 700 mm, extending with the spool just outside the overlap, air 1 %, "
                "oil at 25 degC",
            ),
            (
                Point(TABLE, 0.35, thrust=100.0, corner={"supply_pressure": 150e5}),
                "at 350 mm, at rest, thrust 100 N, supply 150 bar",
            ),
        ],
    )
    def test_a_point(self, point, text):
        assert point_in_words(point) == text


class TestCyclicError:
    """The slope of a cyclic error of the scale is a part of the loop's gain at rest."""

    AXIS = TABLE.replace(
        {
            "transducer.cyclic_error": "0.2 um",
            "transducer.cyclic_period": "20 um",
            "transducer.cyclic_phase": "0 deg",
        }
    )

    def rest(self, position):
        return condition_points(self.AXIS, position, conditions=("rest",))

    def test_what_it_takes_off_the_margin_elsewhere_in_the_period(self):
        # cos is one on whole periods, zero a quarter and minus one half of a period farther
        best, middle, worst = self.rest(0.40001), self.rest(0.400005), self.rest(0.4)
        gains = [
            LoopFamily(self.AXIS, points).margins()[1].gain_margin[0]
            for points in (best, middle, worst)
        ]
        slope = 2.0 * np.pi * 0.2 / 20.0
        # broken at the position error the whole loop is in proportion to the slope of the reading
        assert gains[0] / gains[2] == pytest.approx((1.0 + slope) / (1.0 - slope), rel=1e-4)
        for points, gain in ((best, gains[0]), (middle, gains[1])):
            lost = 20.0 * np.log10(gain / gains[2])
            assert f"up to {lost:.2g} dB less gain margin" in cyclic_note(points)
            assert "up to 6.28 % greater or less, by the place within 20 um" in cyclic_note(points)

    def test_silent_where_nothing_is_lost(self):
        assert cyclic_note(self.rest(0.4)) == ""
        moving = condition_points(self.AXIS, 0.40001, conditions=("edge", "rapid"))
        assert cyclic_note(moving) == ""
        without = self.AXIS.replace({"transducer.cyclic_error": 0.0})
        assert cyclic_note(condition_points(without, 0.40001, conditions=("rest",))) == ""

    def test_among_the_notes_of_an_envelope(self):
        found = envelope_margins(self.AXIS, points=self.rest(0.40001))
        assert cyclic_note(found.points) in found.notes()


class TestFaults:
    def test_figure(self, table):
        with pytest.raises(ParameterError, match='figure "gain" is unknown; choose among gain_mar'):
            table.worst("gain")

    def test_cut(self, table):
        with pytest.raises(ParameterError, match='cut "valve" is unknown'):
            table.worst("gain_margin", "valve")

    @pytest.mark.parametrize("workers", [0, 1.5])
    def test_workers(self, workers):
        with pytest.raises(ParameterError, match="workers"):
            envelope_margins(TABLE, positions=1, workers=workers)
