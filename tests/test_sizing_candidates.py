"""What is on offer, and which of it is chosen to be moved."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import servosim
from servosim.params import replace
from servosim.sizing.candidates import combinations_of, parts_figures, parts_words
from servosim.sizing.combinations import ACCUMULATOR, DOUBLE_ROD, PUMP, SCREW, SINGLE_ROD, Check
from servosim.sizing.findings import Column
from servosim.sizing.screening import Screened, choose

REQUIREMENT = servosim.read_requirement("params/tube_sheet_requirement.toml")
OFFERED = combinations_of(REQUIREMENT)


class TestOffered:
    def test_every_combination_that_counting_by_hand_finds_once(self):
        r = REQUIREMENT
        low, high = r.cylinders.rod_share
        pairs = [(b, d) for b in r.cylinders.bores for d in r.cylinders.rods
                 if low <= d / b <= high]  # fmt: skip
        screws = len(r.screws.displacements) * len(r.screws.leads)
        kinds = r.cylinders.double_rod + r.cylinders.single_rod
        parts = kinds * len(pairs) + screws
        count = parts * len(r.pressures.nominal) * len(r.valve) * 2
        assert len(OFFERED) == count
        rows = {tuple(getattr(OFFERED, f.name)[k] for f in dataclasses.fields(OFFERED))
                for k in range(count)}  # fmt: skip
        assert len(rows) == count

    def test_a_screw_has_no_bore_and_a_cylinder_no_lead(self):
        screw = OFFERED.actuator == SCREW
        assert np.all((OFFERED.bore == 0.0) == screw)
        assert np.all((OFFERED.lead > 0.0) == screw)
        assert np.all((OFFERED.displacement > 0.0) == screw)

    def test_rods_stay_within_their_share(self):
        cylinder = OFFERED.actuator != SCREW
        share = OFFERED.rod[cylinder] / OFFERED.bore[cylinder]
        assert share.min() >= 0.4 and share.max() <= 0.75

    def test_what_is_not_wanted_is_not_offered(self):
        less = replace(REQUIREMENT, {"cylinders.single_rod": False, "screws": None,
                                     "power_unit.with_accumulator": False})  # fmt: skip
        c = combinations_of(less)
        assert set(c.actuator) == {DOUBLE_ROD} and set(c.arrangement) == {PUMP}

    def test_an_existing_cylinder_and_power_unit_are_kept(self):
        axis = servosim.read_axis("params/tube_sheet_table.toml").file
        cylinder = axis.cylinder.replace(stroke="700 mm")
        kept = replace(REQUIREMENT, {"cylinder": cylinder, "supply": axis.supply})
        c = combinations_of(kept)
        assert len(c) == len(REQUIREMENT.valve)
        assert set(c.bore) == {axis.cylinder.bore_diameter}
        assert set(c.rod) == {axis.cylinder.rod_diameter}
        assert set(c.pressure) == {axis.supply.pressure}
        gas = axis.supply.accumulator == "gas"
        assert set(c.arrangement) == {ACCUMULATOR if gas else PUMP}

    def test_nothing_on_offer_is_said(self):
        with pytest.raises(servosim.ParameterError, match=r"rod_share|no cylinder|on offer"):
            combinations_of(
                replace(REQUIREMENT, {"screws": None, "cylinders.rod_share": (0.001, 0.002)})
            )

    def test_too_much_on_offer_is_said(self):
        pressures = tuple(np.linspace(6e6, 25e6, 400))
        with pytest.raises(servosim.ParameterError, match=r"more than|[0-9],000 combinations"):
            combinations_of(replace(REQUIREMENT, {"pressures.nominal": pressures}))

    def test_words(self):
        k = int(np.flatnonzero((OFFERED.actuator == SINGLE_ROD) & (OFFERED.bore == 0.063))[0])
        assert parts_words(REQUIREMENT, OFFERED, k) == (
            "single rod 63/28 mm, 63 bar, servo 4, pump alone"
        )
        last = len(OFFERED) - 1
        assert parts_words(REQUIREMENT, OFFERED, last).startswith(
            "motor 63 cm3/rev on a screw of 20 mm/rev, 250 bar"
        )
        parts = parts_figures(REQUIREMENT, OFFERED, last)
        assert "bore" not in parts and parts["lead"].value == pytest.approx(0.02 / (2 * np.pi))


def made_up(passes: np.ndarray, power: np.ndarray, time: np.ndarray, left: np.ndarray) -> Screened:
    n = len(OFFERED)
    rule = Check("rule", "rule", "margins.buckling", np.where(passes, 0.0, 2.0), np.ones(n), "1",
                 "1", True, "made up")  # fmt: skip
    columns = {
        "motor_power": Column("power", "W", "kW", power),
        "shaft_power": Column("power", "W", "kW", 0.9 * power),
        "heat": Column("heat", "W", "kW", 0.1 * power),
        "predicted_settling_time": Column("time", "s", "s", time),
        "scarcest": Column("left", "1", "%", left),
        "deflection": Column("deflection", "m", "um", time * 1e-6),
    }
    return Screened(REQUIREMENT, OFFERED, (rule,), columns)


class TestChoice:
    @given(st.integers(0, 2**31), st.integers(1, 80), st.floats(0.001, 1.0))
    @settings(max_examples=20, deadline=None)
    def test_only_what_passes_each_once_the_preferred_first(self, seed, count, share):
        rng = np.random.default_rng(seed)
        n = len(OFFERED)
        passes = rng.random(n) < share
        power = rng.random(n)
        found = choose(made_up(passes, power, rng.random(n), rng.random(n)), count)
        assert len(found) == min(count, np.count_nonzero(passes))
        assert len(set(found.tolist())) == len(found) and passes[found].all()
        if len(found):
            assert power[found[0]] == power[passes].min()

    def test_every_size_that_passes_has_its_chance(self):
        n = len(OFFERED)
        # power grows with bore and pressure, so that preference alone sees small bores only
        power = OFFERED.bore + 1e-9 * OFFERED.pressure + 1e-3 * OFFERED.valve
        found = choose(made_up(np.ones(n, bool), power, power, -power), 100)
        for values in (OFFERED.bore, OFFERED.valve, OFFERED.pressure, OFFERED.actuator):
            assert set(values[found]) == set(values)

    def test_near_twins_come_last(self):
        n = len(OFFERED)
        found = choose(made_up(np.ones(n, bool), OFFERED.bore, OFFERED.bore, OFFERED.rod), 60)
        c = OFFERED
        looks = {(c.actuator[k], c.bore[k], c.displacement[k], c.lead[k], c.pressure[k], c.valve[k])
                 for k in found}  # fmt: skip
        assert len(looks) == len(found)

    def test_what_was_moved_is_left_out(self):
        n = len(OFFERED)
        everything = made_up(np.ones(n, bool), OFFERED.bore, OFFERED.bore, OFFERED.rod)
        first = choose(everything, 10)
        second = choose(everything, 10, without=first.tolist())
        assert not set(first.tolist()) & set(second.tolist())

    @pytest.mark.parametrize(
        ("prefer", "column"),
        [("settling_time", "predicted_settling_time"), ("stiffness", "deflection")],
    )
    def test_the_preference_of_the_file_counts(self, prefer, column):
        n = len(OFFERED)
        rng = np.random.default_rng(1)
        found = made_up(np.ones(n, bool), rng.random(n), rng.random(n), rng.random(n))
        found = dataclasses.replace(
            found, requirement=replace(REQUIREMENT, {"choice.prefer": prefer})
        )
        assert choose(found, 5)[0] == np.argmin(found.columns[column].values)
