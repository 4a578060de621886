"""Algebra of sizing against the linear plants and the moves of the axis that is made of it."""

import numpy as np
import pytest
from sizing_parts import SCREWS, SLIDE, TABLE, asked, parts

from servosim.linear.plants import plants
from servosim.linear.points import condition_points
from servosim.metrics import metrics
from servosim.simulate import simulate
from servosim.sizing.axes import axis_of, parts_of
from servosim.sizing.calculation import Calculation
from servosim.sizing.combinations import DOUBLE_ROD, SINGLE_ROD
from servosim.sizing.pattern import targets_of
from servosim.sizing.screening import worked

# tight motors: what leaks from a side lowers the pressures of rest, which algebra leaves out
TIGHT = {"screws__case_leakage": "0 cm3/min/bar", "screws__cross_leakage": "0 cm3/min/bar"}


@pytest.mark.parametrize(
    ("path", "given"),
    [
        (TABLE, {"actuator": DOUBLE_ROD}),
        (TABLE, {"actuator": SINGLE_ROD, "valve": 4}),
        (TABLE, {**SCREWS, "valve": 1}),
        (SLIDE, {"actuator": SINGLE_ROD, "bore": 0.05, "rod": 0.028, "pressure": 100e5}),
    ],
)
def test_lowest_natural_frequency_is_that_of_the_plant(path, given):
    """In the worst oil at the lowest supply; the axis is written and linearised as it stands."""
    requirement, c = asked(path, **TIGHT), parts(**given)
    found = worked(requirement, c, Calculation())
    axis = axis_of(requirement, parts_of(requirement, c, found.actuators, found.power, 0))
    conditions = requirement.conditions
    lowest = c.pressure[0] * (1.0 - conditions.supply_variation)
    axis = axis.replace({
        "table.workpiece_mass": f"{conditions.workpiece_mass.high} kg",
        "oil.temperature": f"{conditions.temperature.high} K",
        "oil.free_air": f"{100.0 * conditions.free_air.high} %",
        "supply.kind": "ideal",
        "supply.line": "none",
        "supply.accumulator": "none",
        "supply.pressure": f"{lowest} Pa",
    })  # fmt: skip
    place = float(found.actuators.natural_position[0])
    plant = plants(condition_points(axis, place, conditions=("rest",)))
    omega, zeta = (float(getattr(found.actuators, name)[0])
                   for name in ("natural_frequency", "damping_ratio"))  # fmt: skip
    roots = np.linalg.eigvals(plant.A[0])
    root = min(roots[roots.imag > 1.0], key=lambda one: abs(abs(one) - omega))
    assert abs(root) == pytest.approx(omega, rel=0.005)
    # null leakage is between turbulent and laminar, and the clearance is that of another pressure
    assert -root.real / abs(root) == pytest.approx(zeta, rel=0.4)


def test_mean_flow_and_work_over_a_cycle_are_those_of_its_moves():
    """Every move of the cycle simulated, in the oil in which the valve leaks most."""
    requirement, c = asked(TABLE), parts(valve=3)
    found = worked(requirement, c, Calculation())
    axis = axis_of(requirement, parts_of(requirement, c, found.actuators, found.power, 0))
    moves = targets_of(requirement)
    time = 3600.0 / requirement.work.cycles_per_hour
    drawn, work = 0.0, 0.0
    for start, target in moves:
        run = simulate(axis.replace({
            "move.start": f"{start} m",
            "move.target": f"{target} m",
            "move.duration": f"{time / len(moves)} s",
            "oil.temperature": f"{requirement.conditions.temperature.high} K",
            "table.workpiece_mass": "0 kg",
        }))  # fmt: skip
        drawn += float(run.traces["drawn_volume"][-1])
        work += float(metrics(run)["work"].value)
    assert drawn / time == pytest.approx(found.power.mean_flow[0], rel=0.02)
    assert work / time == pytest.approx(found.power.work[0], rel=0.1)
