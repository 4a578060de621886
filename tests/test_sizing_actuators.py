"""Actuators: forces by hand, holding, power failure, rules, and laws for any numbers."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq
from sizing_parts import BAR, PARAMS, QUIET, REV, SCREWS, SLIDE, TABLE, G, asked, parts, sized

from servosim.components.cylinder import cylinder_parameters
from servosim.components.valve_rating import rate_valve
from servosim.params import Range
from servosim.sizing import holding, springs
from servosim.sizing.actuators import actuators_of
from servosim.sizing.at_hand import valve_of
from servosim.sizing.calculation import Calculation
from servosim.sizing.combinations import (
    SCREW,
    SINGLE_ROD,
)
from servosim.sizing.duty import duty_of
from servosim.sizing.forces import oil_force
from servosim.sizing.power_failure import (
    BRAKED,
    CLOSED,
    HOLDERS,
    LOCKED,
    UNDEFINED,
    VENTED,
    cavitating_velocity,
    open_velocity,
)
from servosim.sizing.requirement import read_requirement

# --- forces ------------------------------------------------------------------------------------


def test_force_of_the_heaviest_table_by_hand():
    """80/45 mm at 160 bar, 1150 kg, 0.4 m/s2, 0.1 m/s; the file's ways and seals."""
    _, a, rules = sized(asked(), parts())
    piston = 30.0 * 0.8**2
    seals = 450.0 * math.pi * (0.08 + 2 * 0.045) + 0.6e-5 * 0.8 * 162e5 + 600.0 * 0.1
    expected = 0.05 * 1150.0 * G + 3000.0 * 0.1 + (1150.0 + piston) * 0.4 + seals
    assert a.need_out[0] == pytest.approx(expected, rel=1e-12)
    assert a.need_in[0] == pytest.approx(expected, rel=1e-12)
    area = math.pi / 4.0 * (0.08**2 - 0.045**2)
    stall = area * (160e5 * 0.93 - 2e5)
    assert a.stall_out[0] == pytest.approx(stall, rel=1e-12)
    assert rules["force_reserve"].value[0] == pytest.approx(stall / expected - 1.0, rel=1e-12)
    assert a.load_share[0] == pytest.approx(expected / (area * 158e5), rel=1e-12)


def test_a_screw_multiplies_force_and_inertia_and_loses_some():
    """40 cm3/rev on 10 mm/rev: 40 cm2; 12 kg cm2 are (2 pi/h)^2 J = 473.7 kg; motor 12 rev/s."""
    _, a, _ = sized(asked(), parts(**SCREWS))
    assert a.area_a[0] == pytest.approx(40e-4)
    assert a.screw_mass[0] == pytest.approx(12e-4 * (2.0 * math.pi / 0.010) ** 2)
    friction = 0.6 * 2.0 * math.pi / 0.010
    rod = 0.05 * 1150.0 * G + 300.0 + (1150.0 + 15.0 + a.screw_mass[0]) * 0.4 + friction
    assert a.need_out[0] == pytest.approx(rod / 0.9, rel=1e-12)
    assert a.motor_speed[0] == pytest.approx(12.0 * REV)
    # work of one turn: torque 2 pi = force h
    assert a.motor_torque[0] * REV == pytest.approx(a.need_out[0] * 0.010)


def test_driven_back_a_screw_helps_to_brake():
    assert oil_force(F_m=900.0, s=1.0, eta=0.9) == pytest.approx(1000.0)
    assert oil_force(F_m=900.0, s=-1.0, eta=0.9) == pytest.approx(900.0 / 1.1)


bores = st.floats(0.03, 0.12)


@settings(max_examples=30)
@given(bores, st.floats(0.3, 0.8), st.floats(40.0, 300.0), st.floats(1.05, 1.6))
def test_more_bore_more_pressure_and_less_mass_are_better(bore, share, bar, more):
    requirement = asked()
    c = parts(4, bore=np.array([bore, more * bore, bore, bore]),
              rod=share * np.array([bore, more * bore, bore, bore]),
              pressure=np.array([bar, bar, more * bar, bar]) * BAR)  # fmt: skip
    _, a, _ = sized(requirement, c)
    assert a.stall_out[1] > a.stall_out[0] < a.stall_out[2]
    assert a.lock_stiffness[1] > a.lock_stiffness[0] <= a.lock_stiffness[2]
    assert a.deflection[1] < a.deflection[0]
    # equal areas give the same both ways
    np.testing.assert_allclose(a.stall_out, a.stall_in, rtol=1e-12)
    np.testing.assert_allclose(a.need_out, a.need_in, rtol=1e-12)
    _, heavy, _ = sized(asked(conditions__workpiece_mass=["0 kg", "2000 kg"]), c)
    assert np.all(heavy.natural_frequency < a.natural_frequency)
    assert np.all(heavy.need_out > a.need_out)
    _, airy, _ = sized(asked(conditions__free_air=["0.3 %", "3 %"]), c)
    assert np.all(airy.natural_frequency < a.natural_frequency)
    assert np.all(airy.deflection > a.deflection)


def test_all_candidates_together_are_each_alone():
    """Vectorised, alone, and recorded."""
    requirement = asked()
    rng = np.random.default_rng(3)
    kind = rng.integers(0, 3, 40)
    bore = np.where(kind == SCREW, 0.0, rng.uniform(0.03, 0.16, 40))
    c = parts(40, actuator=kind, bore=bore, rod=0.5 * bore,
              displacement=np.where(kind == SCREW, 40e-6 / REV, 0.0),
              lead=np.where(kind == SCREW, 0.01 / REV, 0.0),
              pressure=rng.choice([63.0, 160.0, 250.0], 40) * BAR,
              valve=rng.integers(0, 10, 40))  # fmt: skip
    duty, together, checks = sized(requirement, c)
    for k in range(40):
        calc = Calculation(records=True)
        alone, rules = actuators_of(requirement, duty, c.take([k]), calc)
        for name, values in vars(together).items():
            np.testing.assert_array_equal(values[k], getattr(alone, name)[0], err_msg=name)
        for rule in rules:
            assert rule.value[0] == checks[rule.name].value[k]
        assert len(calc.steps) > 30


def test_an_existing_cylinder_has_its_own_data():
    requirement = asked()
    kept = read_requirement(TABLE)
    from servosim import read_axis

    axis = read_axis(PARAMS / "tube_sheet_table.toml")
    kept = requirement.model_copy(update={"cylinder": axis.file.cylinder})
    _, a, rules = sized(kept, parts(2, bore=0.08, rod=0.045))
    p = cylinder_parameters(axis.file.cylinder)
    for name, value in (
        ("area_a", p.A_A), ("dead_volume_a", 90e-6), ("line_volume_b", 60e-6),
        ("seal_friction", 250.0), ("seal_breakaway", 330.0), ("wall_modulus", 15e9),
        ("weight_mass", requirement.structure.piston_mass),
    ):  # fmt: skip
        np.testing.assert_allclose(getattr(a, name), value, rtol=1e-12)
    assert rules["cylinder_stroke"].value[0] == axis.file.cylinder.stroke


# --- held table ----------------------------------------------------------------------------------


def test_warming_of_a_single_rod():
    """Exact: physics of trapped oil, (A_A - A_B) alpha dT/(A_A^2/V_A + A_B^2/V_B)."""
    A, B, V_A, V_B, K = 3e-3, 2e-3, 6e-4, 5e-4, 1.3e9
    k = springs.oil_stiffness_of(A_A=A, A_B=B, K_A=K, K_B=K, V_A=V_A, V_B=V_B, z=0.0, x=0.0, L=1.0)
    found = holding.warming_shift(A_A=A, K_A=K, A_B=B, K_B=K, alpha=6.655e-4, k_h=k)
    assert found == pytest.approx((A - B) * 6.655e-4 / (A**2 / V_A + B**2 / V_B), rel=1e-12)
    same = holding.warming_shift(A_A=A, K_A=K, A_B=A, K_B=K, alpha=6.655e-4, k_h=k)
    assert same == 0.0


def test_drift_through_lock_and_warming_by_hand():
    requirement = asked(SLIDE, lock__leakage="0.02 cm3/min/bar", oil__warming_rate="-0.3 K/min",
                        accuracy__hold_time="2 s")  # fmt: skip
    c = parts(actuator=SINGLE_ROD, bore=0.063, rod=0.028, pressure=100 * BAR)
    duty, a, rules = sized(requirement, c)
    area = math.pi / 4.0 * (0.063**2 - 0.028**2)
    held = duty.held_force[duty.held_thrust == 0.0].max() + a.weight_mass[0] * G
    p_A = (held + area * 95 * BAR) / (a.area_a[0] + area)
    p_B = 95 * BAR - p_A
    across = max(106 * BAR - min(p_A, p_B), max(p_A, p_B) - 1 * BAR)
    leaked = 0.02e-6 / 60.0 / BAR * across * 2.0 / area
    warmed = a.warming_shift[0] * 0.3 / 60.0 * 2.0
    assert rules["drift"].value[0] == pytest.approx(leaked + warmed, rel=1e-9)


def test_a_motor_is_held_by_its_brake_alone():
    _, a, rules = sized(asked(), parts(**SCREWS))
    assert a.lock_stiffness[0] == pytest.approx(250e6)
    assert a.drift[0] == 0.0
    assert a.deflection[0] == pytest.approx(100.0 / 250e6)
    assert rules["brake"].value[0] == pytest.approx(5000.0 / 100.0 - 1.0)


def test_what_joins_two_masses_gives_way_too():
    requirement = asked()
    structure = requirement.structure.replace(masses="two", coupling_stiffness=1e8,
                                              coupling_damping=1e4, backlash=0.0)  # fmt: skip
    two = requirement.model_copy(update={"structure": structure})
    _, one, _ = sized(requirement, parts())
    _, both, _ = sized(two, parts())
    assert both.deflection[0] == pytest.approx(one.deflection[0] + 100.0 / 1e8, rel=1e-9)
    assert both.natural_frequency[0] < one.natural_frequency[0]


def test_without_lock_and_brake_the_loop_holds_and_no_sum_judges_it():
    requirement = asked()
    free = requirement.model_copy(update={"lock": requirement.lock.replace(kind="none")})
    _, a, rules = sized(free, parts())
    assert np.isnan(a.deflection[0]) and np.isnan(a.lock_stiffness[0])
    assert rules["deflection"].kept[0] and rules["drift"].kept[0]


def test_lines_stay_with_the_chambers_if_the_spool_is_the_lock():
    requirement = asked()
    spool = requirement.model_copy(update={"lock": requirement.lock.replace(kind="spool")})
    _, a, _ = sized(requirement, parts())
    _, b, _ = sized(spool, parts())
    assert b.lock_stiffness[0] < a.lock_stiffness[0]
    mass = 1150.0 + a.weight_mass[0]
    assert b.lock_stiffness[0] == pytest.approx(b.natural_frequency[0] ** 2 * mass, rel=1e-9)


# --- power failure -------------------------------------------------------------------------------


def failed(lock, rest, brake=False, path=SLIDE, workpiece=80.0):
    """Return what holds the slide, how fast it sinks, and whether the rule is kept."""
    requirement = asked(path)
    locks = requirement.lock.replace(kind=lock)
    valves = tuple(one.replace(rest_position=rest) for one in requirement.valve)
    requirement = requirement.model_copy(
        update={
            "lock": locks,
            "valve": valves,
            "conditions": requirement.conditions.replace(workpiece_mass=Range(0.0, workpiece)),
        }
    )
    given = SCREWS if brake else {"actuator": SINGLE_ROD, "bore": 0.063, "rod": 0.028}
    _, a, rules = sized(requirement, parts(**given, pressure=100 * BAR))
    return int(a.holder[0]), float(a.sinking_velocity[0]), bool(rules["power_failure"].kept[0])


def test_a_lock_or_a_brake_holds_whatever_the_valve_does():
    for rest in ("blocked", "vented", "undefined"):
        assert failed("pilot_check", rest) == (LOCKED, 0.0, True)
        assert failed("none", rest, brake=True) == (BRAKED, 0.0, True)


def test_without_lock_a_vertical_slide_sinks_runs_or_is_driven():
    sinking, running, driven = (failed("none", rest) for rest in ("blocked", "vented", "undefined"))
    assert (sinking[0], running[0], driven[0]) == (CLOSED, VENTED, UNDEFINED)
    assert 0.0 < sinking[1] < running[1] < driven[1]
    assert not (sinking[2] or running[2] or driven[2])
    # more weight, faster
    assert failed("none", "vented", workpiece=200.0)[1] > running[1]
    # the balance of forces once more: the side that fills gives no pull beyond the atmosphere's
    requirement = asked(SLIDE)
    valve = requirement.valve[2]
    K = valve.rated_flow / math.sqrt(valve.rated_pressure_drop / 2.0)
    duty, a, _ = sized(requirement, parts(actuator=SINGLE_ROD, bore=0.063, rod=0.028,
                                          pressure=100 * BAR))  # fmt: skip
    gravity = duty.held_force[duty.held_thrust == 0.0].max() + a.weight_mass[0] * G
    A, B = a.area_a[0], a.area_b[0]

    def left(v):
        return A * (A * v / K) ** 2 - B * max(-((B * v / K) ** 2), -1.01325 * BAR) - gravity

    assert (B * running[1] / K) ** 2 > 1.01325 * BAR  # it cavitates
    assert running[1] == pytest.approx(brentq(left, 1e-3, 10.0), rel=1e-9)
    # a light load leaves both lands in series
    assert open_velocity(F_g=100.0, A=A, p_S=0.0, A_A=A, A_B=B, K_A=K, K_B=K) > cavitating_velocity(
        K_c=K, A_c=A, F_g=100.0, A_f=B, p_a=1.01325 * BAR
    )


def test_what_carries_decides_how_fast_a_held_load_sinks():
    """Leakage over the area that carries: the piston above, the ring where the load pulls."""
    for inclination, carrying in ((90.0, math.pi / 4 * 0.063**2),
                                  (-90.0, math.pi / 4 * (0.063**2 - 0.028**2))):  # fmt: skip
        requirement = asked(SLIDE, lock__leakage="1 cm3/min/bar")
        table = requirement.table.replace(inclination=math.radians(inclination),
                                          counterbalance="none")  # fmt: skip
        requirement = requirement.model_copy(update={"table": table})
        _, a, _ = sized(requirement, parts(actuator=SINGLE_ROD, bore=0.063, rod=0.028))
        force = (390.0 + a.weight_mass[0]) * G
        expected = 1e-6 / 60.0 / BAR * force / carrying**2
        assert a.sinking_velocity[0] == pytest.approx(expected, rel=1e-9)


def test_a_matched_spool_has_the_lands_of_the_simulation():
    """Rated flow holds on side A; K_B is the ratio of it, in every sum."""
    requirement = asked(SLIDE)
    valve = requirement.valve[2].replace(area_ratio=0.5, rest_position="vented")
    requirement = requirement.model_copy(update={
        "valve": (*requirement.valve[:2], valve, *requirement.valve[3:]),
        "lock": requirement.lock.replace(kind="none"),
    })  # fmt: skip
    _, a, _ = sized(requirement, parts(actuator=SINGLE_ROD, bore=0.063, rod=0.028,
                                       pressure=100 * BAR))  # fmt: skip
    numbers = rate_valve(valve_of(valve, requirement.valves), requirement.oil)
    duty, *_ = sized(requirement, parts())
    gravity = duty.held_force[duty.held_thrust == 0.0].max() + a.weight_mass[0] * G
    A, B = a.area_a[0], a.area_b[0]
    full = 1.0 - valve.overlap  # opening of a land at full command, over the stroke
    K_A, K_B = numbers.K_A * full, numbers.K_B * full
    both = math.sqrt(gravity / (A**3 / K_A**2 + B**3 / K_B**2))
    alone = K_A / A * math.sqrt((gravity - B * 1.01325 * BAR) / A)
    assert a.sinking_velocity[0] == pytest.approx(max(both, alone), rel=1e-3)


def test_a_horizontal_table_stays_unless_pressure_drives_it():
    assert failed("none", "vented", path=TABLE, workpiece=500.0)[1:] == (0.0, True)
    assert failed("none", "undefined", path=TABLE, workpiece=500.0)[2] is False


def test_every_holder_has_words():
    assert len(HOLDERS) == max(BRAKED, LOCKED, CLOSED, VENTED, UNDEFINED) + 1


# --- rules -------------------------------------------------------------------------------------


def test_pressure_intensification_of_a_single_rod():
    """Twice the area: twice the supply and the load on the ring."""
    requirement = asked()
    bore = 0.063
    c = parts(actuator=SINGLE_ROD, bore=bore, rod=bore / math.sqrt(2.0), pressure=160 * BAR)
    _, a, rules = sized(requirement, c)
    least = a.force[0][np.array(duty_of(requirement, QUIET)[0].direction) > 0].min()
    least = min(least, 0.0)  # held without load
    expected = 2.0 * 160e5 * 1.07 - least / a.area_b[0]
    assert rules["pressure_intensification"].value[0] == pytest.approx(expected, rel=1e-9)
    assert not rules["pressure_intensification"].kept[0]


def test_rules_name_keys_that_exist():
    from servosim.params._tables import fields_of, places_of

    requirement = asked()
    _, _, rules = sized(requirement, parts())
    places = places_of(type(requirement))
    for rule in rules.values():
        for key in (rule.key, *rule.relaxes):
            table, name = key.split(".")
            assert name in fields_of(places[table].kind), key
        assert rule.value.shape == rule.limit.shape == (1,)


def test_a_rod_too_thin_for_its_length_breaks_the_rule_by_what_is_missing():
    """Pinned rod of 36 mm, 2 m, 206 GPa: 41.9 kN; an 80 mm bore at 160 bar pushes with more."""
    requirement = asked(cylinders__mounting="pinned_pinned", cylinders__buckling_length="2 m",
                        cylinders__rod_modulus="206 GPa")  # fmt: skip
    c = parts(actuator=SINGLE_ROD, bore=0.08, rod=0.036)
    _, _, rules = sized(requirement, c)
    area = math.pi / 4.0 * 0.08**2
    push = area * 160e5 * 1.07 - (area - math.pi / 4.0 * 0.036**2) * 2e5
    assert rules["buckling"].value[0] == pytest.approx(3.5 * 11.97e3 / push, rel=5e-4)
    assert not rules["buckling"].kept[0]


def test_no_line_of_the_series_breaks_its_rule():
    requirement = asked(lines__bores=["2 mm"])
    _, _, rules = sized(requirement, parts())
    assert not rules["service_line"].kept[0]
