"""Points of an axis: what shall hold at them is asked of the equations of rest and motion."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from servosim._equilibrium import rest, steady_force
from servosim.axis import read_axis
from servosim.errors import ParameterError
from servosim.linear.plants import plants
from servosim.linear.points import (
    CONDITIONS,
    condition_points,
    envelope_corners,
    envelope_points,
)

PARAMS = Path(__file__).parent.parent / "params"
TABLE = read_axis(PARAMS / "tube_sheet_table.toml")
VERTICAL = read_axis(PARAMS / "vertical_slide.toml")
RIG = read_axis(PARAMS / "teaching_rig.toml")
AXES = {"table": TABLE, "vertical": VERTICAL, "rig": RIG}


def _of(points, condition):
    return [p for p in points if p.condition == condition]


class TestConditions:
    @pytest.mark.parametrize("name", AXES)
    @pytest.mark.parametrize("share", [0.0, 0.4, 1.0])
    def test_null_centres_the_spool(self, name, share):
        axis = AXES[name]
        point = condition_points(axis, share * axis.file.cylinder.stroke, conditions=["null"])[0]
        force, _ = steady_force(point.position, point.thrust, axis.record)
        assert abs(rest(force, axis.record).spool) < 1e-12

    def test_null_of_a_leaking_piston(self):
        """Leakage past the piston is far more than the valve's: pressures can hardly differ."""
        axis = RIG.replace(
            {
                "cylinder.internal_leakage": "60 cm3/min/bar",
                "valve.null_leakage": "0.0005 L/min",
                "valve.pilot_leakage": "0 L/min",
            }
        )
        point = condition_points(axis, 0.1, conditions=["null"])[0]
        found = plants([point])
        assert not found.refused
        assert abs(found.spool_command[0]) < 1e-9

    @pytest.mark.parametrize(
        ("overlaps", "edges"),
        [
            (("0.5 %", "0.5 %", "0.5 %", "0.5 %"), (0.015, -0.015)),
            (("1 %", "2 %", "0.5 %", "3 %"), (0.03, -0.04)),  # the later land of each direction
            (("-0.1 %", "-0.1 %", "-0.1 %", "-0.2 %"), (0.01, -0.01)),  # open at null
        ],
    )
    def test_edge_opens_the_lands_just_outside_their_overlap(self, overlaps, edges):
        lands = ("overlap_pa", "overlap_bt", "overlap_pb", "overlap_at")
        axis = TABLE.replace({f"valve.{n}": v for n, v in zip(lands, overlaps, strict=True)})
        points = condition_points(axis, 0.2, conditions=["edge"])
        found = plants(points)
        assert found.spool_command == pytest.approx(edges, rel=1e-9)
        assert [np.sign(p.velocity) for p in points] == [1.0, -1.0]

    def test_rest_and_rapid_are_as_the_file_says(self):
        points = condition_points(TABLE, 0.2, conditions=["rest", "rapid"])
        v = TABLE.file.reference.velocity
        assert [(p.velocity, p.thrust) for p in points] == [(0.0, 0.0), (v, 0.0), (-v, 0.0)]
        assert all(p.friction == "sliding" and p.note == "" for p in points)

    def test_rapid_beyond_reach_is_the_largest_velocity_and_says_so(self):
        axis = TABLE.replace({"reference.velocity": "1 m/s", "controller.output_limit": "60 %"})
        points = condition_points(axis, 0.2, conditions=["rapid"])
        found = plants(points)
        assert found.spool_command == pytest.approx([0.6, -0.6], rel=1e-9)
        assert "asks for 1 m/s" in points[0].note
        assert "give -0.0" in points[1].note
        # the pump gives out before the valve: more stroke adds no more than its sagging pressure
        starved = axis.replace({"controller.output_limit": "100 %"})
        point = condition_points(starved, 0.2, conditions=["rapid"])[0]
        flow, area = starved.file.supply.pump_flow, starved.parameters.cylinder.A_A
        assert point.velocity < flow / area
        assert not plants([point]).refused

    def test_a_step_has_no_velocity_of_its_own(self):
        axis = RIG.replace({"reference.kind": "step"})
        point = condition_points(axis, 0.1, conditions=["rapid"], directions=[1.0])[0]
        assert point.velocity > 0.0
        assert "states no velocity" in point.note

    def test_a_plunger_goes_back_by_its_weight_alone(self):
        """It hangs on its weight, but the thrust holds it up."""
        axis = RIG.replace({"cylinder.kind": "plunger", "table.inclination": "90 deg"})
        point = condition_points(axis, 0.1, conditions=["rapid"], directions=[-1.0])[0]
        assert point.velocity < 0.0
        found = plants([point, point._replace(thrust=-2000.0)])
        assert len(found.points) == 1
        assert "against this load valve and supply give 0." in found.refused[0][1]

    def test_unknown_condition(self):
        with pytest.raises(ParameterError, match="slow is not known; choose among null"):
            condition_points(TABLE, 0.2, conditions=["slow"])

    @settings(max_examples=40)
    @given(
        share=st.floats(0.001, 0.999),
        pressure=st.floats(90e5, 160e5),
        pump=st.floats(2e-4, 2e-3),
        forward=st.booleans(),
    )
    def test_any_part_of_the_largest_velocity_has_a_steady_state(
        self, share, pressure, pump, forward
    ):
        """Up to where valve or pump give out, corners of the pump's characteristic included."""
        axis = TABLE.replace(
            {
                "supply.pressure": pressure,
                "supply.pump_flow": pump,
                "supply.relief_pressure": pressure + 20e5,
                "supply.precharge_pressure": 0.7 * pressure,
                "reference.velocity": "9 m/s",
            }
        )
        direction = 1.0 if forward else -1.0
        point = condition_points(axis, 0.3, conditions=["rapid"], directions=[direction])[0]
        found = plants([point._replace(velocity=share * point.velocity)])
        assert not found.refused
        assert 0.0 < direction * found.spool_command[0] < 0.991


class TestEnvelope:
    def test_all_corners_and_the_file(self):
        corners = envelope_corners(TABLE)
        assert len(corners) == 17
        assert corners[0] == (TABLE, {})
        assert len(envelope_corners(TABLE, middle=False)) == 16
        axis, corner = corners[1]
        e = TABLE.file.envelope
        assert corner == {
            "workpiece_mass": e.workpiece_mass[0],
            "temperature": e.temperature[0],
            "free_air": e.free_air[0],
            "supply_pressure": e.supply_pressure[0],
        }
        assert axis.file.table.workpiece_mass == e.workpiece_mass[0]
        assert axis.file.oil.temperature == e.temperature[0]
        assert axis.file.oil.free_air == e.free_air[0]
        assert axis.file.supply.pressure == e.supply_pressure[0]

    def test_what_equals_the_file_is_no_difference(self):
        same = TABLE.file.oil.free_air
        axis = TABLE.replace(
            {
                "envelope.free_air": [same, same],
                "envelope.temperature": [TABLE.file.oil.temperature, 330.0],
            }
        )
        corners = envelope_corners(axis)
        assert len(corners) == 9
        assert not any("free_air" in corner for _, corner in corners)
        assert sum("temperature" in corner for _, corner in corners) == 4

    def test_a_corner_that_contradicts_the_file_is_named(self):
        axis = TABLE.replace({"envelope.supply_pressure": ["130 bar", "190 bar"]})
        with pytest.raises(ParameterError, match=r"in a corner of \[envelope\] .*supply 190 bar\)"):
            envelope_corners(axis)

    def test_points_over_the_stroke(self):
        points = envelope_points(RIG, positions=3)
        per_place = 2 + 2 * 2
        assert len(points) == 17 * 3 * per_place
        assert {p.position for p in points} == {0.0, 0.1, 0.2}
        assert {p.condition for p in points} == set(CONDITIONS)
        assert len(_of(points, "edge")) == 17 * 3 * 2
        one = envelope_points(RIG, positions=1, conditions=["rest"])
        assert len(one) == 17
