"""Viscosity and density as steps of the sheet: the oil's block, and a worked sheet."""

import pytest
from sizing_parts import TABLE, asked

from servosim.commands.formula_text import value_of
from servosim.commands.size_steps import is_homogeneous
from servosim.components.oil import density, viscosity
from servosim.sizing.calculation import Calculation
from servosim.sizing.oil_states import viscosity_at, viscosity_ordinate, viscosity_slope, write_oil


def test_steps_come_to_what_lines_are_counted_with():
    requirement, calc = asked(TABLE), Calculation(records=True)
    write_oil(requirement, calc)
    oil, conditions = requirement.oil, requirement.conditions
    places = (conditions.temperature.low, conditions.coldest_start, conditions.temperature.high)
    found = {
        name: [one.value for one in calc.steps if one.symbol == name] for name in ("nu", "rho")
    }
    assert found["nu"] == pytest.approx([viscosity(oil, T) for T in places], rel=1e-12)
    assert found["rho"] == pytest.approx([density(oil, T) for T in places], rel=1e-12)
    silent = Calculation()
    write_oil(requirement, silent)
    assert not silent.steps


def test_worked_sheet_of_the_walther_equation():
    """32 mm2/s at 40 degC and 5.4 at 100 degC: B = 3.7449, 8.5 mm2/s at 80 degC (worked sheet,
    T = degC + 273, document 361017004 of a sharing site; reference 4.2)."""
    Y_1, Y_2 = (viscosity_ordinate(nu=one * 1e-6, nu_u=1e-6) for one in (32.0, 5.4))
    b = viscosity_slope(Y_1=Y_1, Y_2=Y_2, T_1=313.0, T_2=373.0)
    assert b == pytest.approx(3.7449, abs=1e-4)
    assert viscosity_at(nu_u=1e-6, Y_1=Y_1, b=b, T=353.0, T_1=313.0) == pytest.approx(
        8.5e-6, rel=0.01
    )


def test_steps_say_what_they_compute():
    calc = Calculation(records=True)
    write_oil(asked(TABLE), calc)
    for step in calc.steps:
        values = {name: value for name, _, value, _ in step.inputs}
        assert value_of(step.text, values) == pytest.approx(step.value, rel=1e-12)
        assert is_homogeneous(step)  # practical units may be put in
