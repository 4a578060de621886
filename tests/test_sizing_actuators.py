"""Actuators: published examples, the axis' own equations, and laws that must hold for any numbers.

"Esposito" is A. Esposito, *Fluid Power with Applications*; "Bhavikatti" is S. S. Bhavikatti,
*Strength of Materials*; "Rabie" is M. G. Rabie, *Fluid Power Engineering*, 2009. "Exact" marks the
arithmetic of a stated formula or a model that is written out beside the check.
"""

import importlib
import itertools
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, linalg, optimize

from servosim.components.cylinder import Cylinder, cylinder_parameters
from servosim.components.oil import compressibility, oil_parameters
from servosim.linear import closed_forms
from servosim.params import Range
from servosim.sizing import holding, springs
from servosim.sizing.actuators import actuators_of, natural_frequency_along
from servosim.sizing.body_forms import POISSON, tube_modulus
from servosim.sizing.buckling import (
    END_FACTORS,
    buckling_load_of,
    euler_load,
    johnson_load,
    limiting_slenderness,
)
from servosim.sizing.calculation import Calculation, Formula
from servosim.sizing.combinations import (
    DOUBLE_ROD,
    PUMP,
    SCREW,
    SINGLE_ROD,
    Combinations,
)
from servosim.sizing.duty import duty_of
from servosim.sizing.forces import moving_force, oil_force, stall_force_in, stall_force_out
from servosim.sizing.power_failure import (
    BRAKED,
    CLOSED,
    HOLDERS,
    LOCKED,
    UNDEFINED,
    VENTED,
)
from servosim.sizing.requirement import read_requirement

PARAMS = Path(__file__).parent.parent / "params"
TABLE, SLIDE = PARAMS / "tube_sheet_requirement.toml", PARAMS / "vertical_slide_requirement.toml"
POUND, POUND_FORCE, PSI, INCH = 0.45359237, 4.4482216152605, 6894.757293168, 0.0254
G, BAR, REV = 9.80665, 1e5, 2.0 * math.pi
QUIET = Calculation()


READ = {}


def asked(path=TABLE, **overrides):
    """Return a requirement with some keys changed; a double underscore stands for the dot."""
    key = repr((path, overrides))
    if key not in READ:
        changes = {key.replace("__", "."): value for key, value in overrides.items()}
        READ[key] = read_requirement(path, changes)
    return READ[key]


def parts(n=1, **given):
    """Return combinations of a cylinder of 80/45 mm at 160 bar, or as given."""
    values = {
        "actuator": DOUBLE_ROD, "bore": 0.08, "rod": 0.045, "displacement": 0.0, "lead": 0.0,
        "pressure": 160 * BAR, "valve": 2, "arrangement": PUMP, **given,
    }  # fmt: skip
    whole = ("actuator", "valve", "arrangement")
    return Combinations(
        **{
            name: np.broadcast_to(np.asarray(value, dtype=np.intp if name in whole else float),
                                  (n,)).copy()
            for name, value in values.items()
        }
    )  # fmt: skip


SCREWS = {"actuator": SCREW, "bore": 0.0, "rod": 0.0, "displacement": 40e-6 / REV,
          "lead": 0.010 / REV}  # fmt: skip


def sized(requirement, c):
    """Return duty, actuators, and rules by name."""
    duty, _ = duty_of(requirement, QUIET)
    actuators, checks = actuators_of(requirement, duty, c, QUIET)
    return duty, actuators, {one.name: one for one in checks}


# --- every formula against its text and its units ----------------------------------------------

MODULES = ("kinematics", "loads", "body_forms", "springs", "buckling", "holding", "power_failure",
           "forces", "service_lines")  # fmt: skip
FORMULAS = [
    pytest.param(one, id=f"{module}.{one.name}")
    for module in MODULES
    for one in vars(importlib.import_module(f"servosim.sizing.{module}")).values()
    if isinstance(one, Formula) and one.function.__module__.endswith(module)
]
NAMES = {
    name: getattr(np, name)
    for name in ("pi", "sqrt", "exp", "log", "log10", "sin", "cos", "abs", "where", "minimum",
                 "maximum")
}  # fmt: skip
# typical sizes, so that no formula is tried where one of its terms vanishes
SIZES = {"Pa": 1e7, "m2": 5e-3, "m3": 5e-3, "N/m": 1e8, "kg": 800.0, "N": 5e3, "m3/s/Pa": 1e-13,
         "N s/m": 3e3, "K": 300.0, "m3/s": 1e-4, "m": 0.1, "1/K": 7e-4, "N/Pa": 5e-6, "N/m3": 1e13,
         "m3/s/sqrt(Pa)": 1e-7, "m3/rad": 6e-6, "m/rad": 1.6e-3, "Pa/K": 4e6}  # fmt: skip


def random_arguments(made, seed):
    rng = np.random.default_rng(seed)
    return {
        name: rng.uniform(0.3, 1.7, 50) * SIZES.get(unit, 1.0)
        for name, (_, unit) in made.arguments.items()
    }


def test_there_are_formulas():
    assert len(FORMULAS) > 50


@pytest.mark.parametrize("made", FORMULAS)
def test_a_formula_computes_what_its_text_says(made):
    values = random_arguments(made, 1)
    text = eval(made.text, {"__builtins__": {}}, {**NAMES, **values})
    assert np.all(np.isfinite(made(**values)))
    np.testing.assert_allclose(made(**values), text, rtol=1e-12)


def factor(unit):
    """Return by what a number grows when metre, second, kilogram and kelvin are other ones."""
    base = {"m": 1.37, "s": 0.83, "kg": 1.19, "K": 1.07, "rad": 1.0, "1": 1.0}
    base["N"] = base["kg"] * base["m"] / base["s"] ** 2
    base["Pa"] = base["N"] / base["m"] ** 2
    base["sqrt(Pa)"] = math.sqrt(base["Pa"])
    found = 1.0
    for sign, part in zip([1, *([-1] * unit.count("/"))], unit.split("/"), strict=True):
        for symbol in part.split():
            name, power = (symbol, 1) if symbol in base else (symbol[:-1], int(symbol[-1]))
            found *= base[name] ** (sign * power)
    return found


@pytest.mark.parametrize("made", FORMULAS)
def test_a_formula_holds_in_any_units(made):
    values = random_arguments(made, 2)
    other = {name: value * factor(made.arguments[name][1]) for name, value in values.items()}
    np.testing.assert_allclose(made(**other), made(**values) * factor(made.unit), rtol=1e-9)


# --- published examples ------------------------------------------------------------------------


def test_pressure_of_a_cylinder_under_load():
    """Esposito, ex. 6-1: 2 in bore, 1 in rod, 1000 lb: 318 psi out, 425 psi in; 0.5 %."""
    area_a = math.pi / 4.0 * (2.0 * INCH) ** 2
    area_b = area_a - math.pi / 4.0 * INCH**2
    out = stall_force_out(A_A=area_a, p_S=318.0 * PSI, e=0.0, A_B=area_b, p_T=0.0)
    back = stall_force_in(A_B=area_b, p_S=425.0 * PSI, e=0.0, A_A=area_a, p_T=0.0)
    assert out / POUND_FORCE == pytest.approx(1000.0, rel=5e-3)
    assert back / POUND_FORCE == pytest.approx(1000.0, rel=5e-3)


def test_force_of_a_vertical_load_that_is_accelerated():
    """Esposito, ex. 6-4: 6000 lb lifted from rest to 8 ft/s in 0.5 s: 8981 lb."""
    weight = 6000.0 * POUND_FORCE
    M = weight / (32.2 * 12.0 * INCH)  # the book's gravity
    found = moving_force(
        F_ext=weight, M_t=M, M_p=0.0, a=8.0 * 12.0 * INCH / 0.5, M_g=0.0, g=G, theta=math.pi / 2,
        s=1.0, F_s=0.0, k_p=0.0, p_S=0.0, p_T=0.0, B_s=0.0, v=0.0,
    )  # fmt: skip
    assert found / POUND_FORCE == pytest.approx(8981.4, rel=1e-4)


def test_meter_out_intensifies_the_rod_side():
    """Esposito, ex. 8-6: 3.14 and 0.79 in2, 500 psi, 1000 lb: 242.6 psi behind the rod.

    The book meters out against a load that resists; a load that pushes has the other sign.
    """
    area_a, area_b = 3.14 * INCH**2, (3.14 - 0.79) * INCH**2
    found = holding.intensified_b(A_A=area_a, p_S=500.0 * PSI, F=1000.0 * POUND_FORCE, A_B=area_b)
    assert found / PSI == pytest.approx(242.6, rel=1e-3)
    pushed = holding.intensified_b(A_A=area_a, p_S=500.0 * PSI, F=-1000.0 * POUND_FORCE, A_B=area_b)
    assert pushed / PSI == pytest.approx((500.0 * 3.14 + 1000.0) / 2.35, rel=1e-9)


def test_euler_by_the_stiffness_that_a_load_across_shows():
    """Bhavikatti, ex. 9.9.1: 5 m, 10 N in the middle bends it by 10 mm: P = 1028.08 N.

    E I = W L^3/(48 y); a round rod of steel with that E I.
    """
    length, stiffness = 5.0, 10.0 * 5.0**3 / (48.0 * 10e-3)
    diameter = (64.0 * stiffness / (math.pi * 206e9)) ** 0.25
    assert euler_load(E=206e9, d=diameter, L_k=length) == pytest.approx(1028.08, abs=0.01)


def test_euler_of_a_fixed_tube():
    """Bhavikatti, ex. 9.9.5: tube 200/160 mm, 4.5 m, fixed at both ends, E = 1e5 N/mm2: 9040 kN.

    The tube's moment of inertia is that of a round rod of (200^4 - 160^4)^(1/4) mm.
    """
    rod = (0.2**4 - 0.16**4) ** 0.25
    found = euler_load(E=1e11, d=rod, L_k=END_FACTORS["fixed_fixed"] * 4.5)
    assert found == pytest.approx(9040e3, rel=2e-3)


def test_safe_load_of_a_slender_rod():
    """Exact: d = 36 mm, L_k = 2 m, E = 206 GPa, safety 3.5: 11.97 kN."""
    found = buckling_load_of(np.array([0.036]), 2.0, "pinned_pinned", 206e9, 350e6, QUIET)
    assert found[0] / 3.5 == pytest.approx(11.97e3, rel=5e-4)


def test_oil_spring_of_a_single_rod():
    """Exact: 63/45 mm, 500 mm, 1.4 GPa: 25.22 N/um at 294.1 mm; 35.74 Hz with 500 kg."""
    a = math.pi / 4.0 * 0.063**2
    sides = {"A_A": a, "A_B": a - math.pi / 4.0 * 0.045**2, "K_A": 1.4e9, "K_B": 1.4e9,
             "V_A": 0.0, "V_B": 0.0, "L": 0.5}  # fmt: skip
    x = springs.softest_position_of(**sides, x_1=0.0, x_2=0.5)
    k = springs.oil_stiffness_of(**sides, z=1.0, x=x)
    assert x == pytest.approx(294.1e-3, abs=0.05e-3)
    assert k == pytest.approx(25.22e6, rel=2e-4)
    assert springs.one_mass_frequency(k_h=k, M_t=500.0, M_p=0.0) / REV == pytest.approx(
        35.74, abs=0.005
    )


@pytest.mark.parametrize(
    "bar, modulus",
    [(1.01325, 14.05), (10.0, 483.4), (50.0, 1324.0), (100.0, 1442.0), (200.0, 1482.0)],
)
def test_modulus_with_air(bar, modulus):
    """Exact arithmetic of Rabie, eqs 2.49-2.57: 1 % at the atmosphere, n = 1.4, 1.5 GPa; MPa.

    Rabie's mixture is referred to the volume under pressure, ours to the same: the remaining air.
    """
    found = springs.oil_modulus_of(a_0=0.01, p_0=101325.0, p=bar * BAR - 101325.0, n=1.4, K_l=1.5e9)
    assert found / 1e6 == pytest.approx(modulus, rel=1e-3 if bar > 2 else 1e-2)


def test_trapped_oil():
    """fluidpower.pro: about 11 bar/K in trapped oil; 15 %."""
    found = holding.trapped_pressure(alpha=7e-4 - 3 * 11.7e-6, K_e=1.6e9)
    assert found / BAR == pytest.approx(11.0, rel=0.15)


# --- columns and walls -------------------------------------------------------------------------


def test_factors_of_the_ends_solve_their_equations():
    """Exact: sin x = 0; tan x = x; cos x = 0; the doubled wave of two fixed ends.

    Fixed and pinned is rounded up to 0.7, on the safe side.
    """
    root = optimize.brentq(lambda x: math.sin(x) - x * math.cos(x), 4.0, 5.0)
    assert END_FACTORS["pinned_pinned"] == math.pi / math.pi
    assert END_FACTORS["fixed_guided"] == pytest.approx(math.pi / root, rel=2e-3)
    assert END_FACTORS["fixed_guided"] >= math.pi / root
    assert END_FACTORS["fixed_free"] == math.pi / (math.pi / 2.0)
    assert END_FACTORS["fixed_fixed"] == math.pi / (2.0 * math.pi)


def test_johnson_meets_euler_with_its_slope_and_the_yield_strength():
    E, R_e, d = 210e9, 350e6, 0.036
    limit = float(limiting_slenderness(E=E, R_e=R_e))

    def johnson(slender):
        return float(johnson_load(d=d, R_e=R_e, lambda_k=slender, E=E))

    def euler(slender):
        return float(euler_load(E=E, d=d, L_k=slender * d / 4.0))

    assert johnson(limit) == pytest.approx(euler(limit), rel=1e-12)
    step = 1e-4 * limit
    slope = [(f(limit + step) - f(limit - step)) / (2.0 * step) for f in (johnson, euler)]
    assert slope[0] == pytest.approx(slope[1], rel=1e-6)
    assert johnson(0.0) == pytest.approx(math.pi / 4.0 * d**2 * R_e)


@settings(max_examples=50)
@given(st.floats(0.012, 0.2), st.floats(0.1, 8.0), st.sampled_from(sorted(END_FACTORS)),
       st.floats(1.01, 2.0))  # fmt: skip
def test_buckling_falls_with_length_and_grows_with_the_rod(rod, length, mounting, more):
    def load(d, one):
        return float(buckling_load_of(np.array([d]), one, mounting, 206e9, 350e6, QUIET)[0])

    assert load(rod, more * length) < load(rod, length) < load(more * rod, length)
    # never above the elastic load nor above yield
    L_k = END_FACTORS[mounting] * length
    bound = min(euler_load(E=206e9, d=rod, L_k=L_k), 350e6 * math.pi / 4.0 * rod**2)
    assert load(rod, length) <= bound * (1.0 + 1e-12)


def test_modulus_of_a_thin_wall_is_that_of_the_hoop():
    """H. Mann, lecture notes, node 89: thin wall E t/d."""
    share = 1e-4
    assert tube_modulus(E=210e9, s=share, nu=0.3) == pytest.approx(210e9 * share, rel=1e-3)


def test_modulus_of_a_thick_wall_by_solving_the_tube():
    """Exact: equilibrium and Hooke's law of a tube without axial stress, integrated.

    (r sigma_r)' = sigma_h, u' = (sigma_r - nu sigma_h)/E, u/r = (sigma_h - nu sigma_r)/E; pressure
    one inside, none outside; the bore's volume grows by 2 u/r.
    """
    E, nu, inner, outer = 210e9, POISSON, 1.0, 1.2

    def outside(u_0):
        def rates(r, y):
            radial, u = y
            hoop = E * u / r + nu * radial
            return [(hoop - radial) / r, (radial - nu * hoop) / E]

        return integrate.solve_ivp(rates, (inner, outer), [-1.0, u_0], rtol=1e-10,
                                   atol=[1e-12, 1e-22]).y[0, -1]  # fmt: skip

    low, high = outside(0.0), outside(1e-10)
    u = 1e-10 * low / (low - high)
    assert tube_modulus(E=E, s=0.1, nu=nu) == pytest.approx(1.0 / (2.0 * u), rel=1e-6)


# --- the oil's spring against the axis' own equations --------------------------------------------


def test_modulus_is_that_of_the_oil_block():
    requirement = asked()
    for p, T, air in itertools.product((2e5, 30e5, 150e5), (298.15, 323.15), (0.003, 0.01)):
        block = oil_parameters(requirement.oil.replace(temperature=T, free_air=air))
        found = springs.oil_modulus(requirement.oil, np.array([p]), T, air, QUIET)
        assert 1.0 / found[0] == pytest.approx(compressibility(p, block), rel=1e-10)


def table_of(requirement, a, k=0):
    """Return the axis file's table of a candidate's cylinder, one side's areas by hand."""
    hose = float(a.hose_volume_a[k])
    return Cylinder(
        kind="single_rod", bore_diameter=0.063, rod_diameter=0.028,
        stroke=requirement.actuator_stroke, dead_volume_a=float(a.dead_volume_a[k]),
        dead_volume_b=float(a.dead_volume_b[k]), line_volume_a=float(a.line_volume_a[k]),
        line_volume_b=float(a.line_volume_b[k]), wall="elastic",
        wall_modulus=float(a.wall_modulus[k]), hose="flexible", hose_volume_a=hose,
        hose_volume_b=hose, hose_modulus=requirement.lines.hose_modulus, internal_leakage=0.0,
        external_leakage_a=0.0, external_leakage_b=0.0, seal_friction=0.0, seal_breakaway=0.0,
        seal_pressure_friction=0.0, seal_viscous=0.0, end_stop_stiffness=1e8, end_stop_damping=0.0,
    )  # fmt: skip


def test_stiffness_along_the_stroke_is_that_of_the_chambers_of_the_simulation():
    """The slide's cylinder: compliances of both chambers by the block's kernels, dense in x."""
    from servosim.components.cylinder import chamber_compliance, volumes

    requirement = asked(SLIDE)
    c = parts(actuator=SINGLE_ROD, bore=0.063, rod=0.028, pressure=100 * BAR)
    duty, a, _ = sized(requirement, c)
    p = cylinder_parameters(table_of(requirement, a))
    worst = requirement.oil.replace(temperature=323.15, free_air=0.01)
    oil = oil_parameters(worst)
    # rest on a symmetric valve at the lowest supply, carrying the heaviest slide
    supply, back = 94 * BAR, 1 * BAR
    force = duty.held_force[duty.held_thrust == 0.0].max() + a.weight_mass[0] * G
    p_A = (force + p.A_B * (supply + back)) / (p.A_A + p.A_B)
    p_B = supply + back - p_A
    places = np.linspace(requirement.travel_begins,
                         requirement.travel_begins + requirement.work.stroke, 2001)  # fmt: skip

    def stiffness(x, line):
        sums = 0.0
        for area, volume, pressure, extra, hose in zip(
            (p.A_A, p.A_B), volumes(x, p), (p_A, p_B), (p.V_lA, p.V_lB), (p.hose_A, p.hose_B),
            strict=True,
        ):  # fmt: skip
            compliance = chamber_compliance(volume + line * extra, pressure, p, oil) + line * hose
            sums += area**2 / compliance
        return sums

    mass = duty.heaviest + a.weight_mass[0]
    along = np.array([math.sqrt(stiffness(x, 1.0) / mass) for x in places])
    found = natural_frequency_along(requirement, duty, c, a, places)[0]
    np.testing.assert_allclose(found, along, rtol=1e-9)
    assert a.natural_frequency[0] == pytest.approx(along.min(), rel=1e-6)
    assert a.natural_position[0] == pytest.approx(places[along.argmin()], abs=places[1] - places[0])
    assert a.natural_position[0] != pytest.approx(0.5 * requirement.actuator_stroke, abs=0.02)
    locked = np.array([stiffness(x, 0.0) for x in places])
    assert a.lock_stiffness[0] == pytest.approx(locked.min(), rel=1e-6)
    assert a.deflection[0] == pytest.approx(150.0 / locked.min(), rel=1e-6)


@settings(max_examples=60)
@given(
    st.floats(1e-4, 1e-2), st.floats(0.3, 1.0), st.floats(1e-6, 1e-3), st.floats(1e-6, 1e-3),
    st.floats(0.05, 2.0),
)  # fmt: skip
def test_softest_place_is_the_textbooks(area, ratio, dead_a, dead_b, stroke):
    sides = {"A_A": area, "A_B": ratio * area, "V_A": dead_a, "V_B": dead_b, "L": stroke}
    x = springs.softest_position_of(**sides, K_A=1.4e9, K_B=1.4e9, x_1=0.0, x_2=stroke)
    expected = closed_forms.softest_position(area, ratio * area, stroke, dead_a, dead_b)
    assert x == pytest.approx(expected, rel=1e-9, abs=1e-12)
    # nowhere else on the stroke is it softer, whatever the moduli
    x = springs.softest_position_of(**sides, K_A=1.2e9, K_B=1.5e9, x_1=0.0, x_2=stroke)
    places = np.linspace(0.0, stroke, 301)
    k = springs.oil_stiffness_of(**sides, K_A=1.2e9, K_B=1.5e9, z=1.0, x=places)
    assert springs.oil_stiffness_of(**sides, K_A=1.2e9, K_B=1.5e9, z=1.0, x=x) <= k.min() * (
        1 + 1e-9
    )


@given(st.floats(1e6, 1e9), st.floats(1e6, 1e9), st.floats(10.0, 1e4), st.floats(1.0, 1e3))
def test_two_masses_have_the_eigenvalue_of_their_matrices(k_h, k_s, table, piston):
    found = springs.two_mass_frequency(k_h=k_h, k_s=k_s, M_t=table, M_p=piston)
    K = np.array([[k_h + k_s, -k_s], [-k_s, k_s]])
    lowest = linalg.eigh(K, np.diag([piston, table]), eigvals_only=True)[0]
    assert found == pytest.approx(math.sqrt(lowest), rel=1e-6)
    assert found == pytest.approx(closed_forms.two_masses(k_h, k_s, piston, table)[0], rel=1e-6)
    # joined stiffly they are one mass, from below
    rigid = springs.one_mass_frequency(k_h=k_h, M_t=table, M_p=piston)
    assert found < rigid
    stiff = springs.two_mass_frequency(k_h=k_h, k_s=1e6 * k_h, M_t=table, M_p=piston)
    assert stiff == pytest.approx(rigid, rel=1e-3)


def test_damping_is_the_textbooks():
    """For equal areas in mid-stroke Merritt's (from memory), for others the closed form."""
    areas, volumes, K, M = (4e-3, 3e-3), (1.2e-3, 0.9e-3), 1.3e9, 900.0
    omega = math.sqrt(closed_forms.oil_stiffness(K, areas[0], volumes[0], areas[1], volumes[1]) / M)
    found = springs.damping_of(
        B=3000.0,
        G=4e-12,
        C_e=1e-13,
        A_A=areas[0],
        K_A=K,
        V_A=volumes[0],
        A_B=areas[1],
        K_B=K,
        V_B=volumes[1],
        C_i=2e-13,
        omega_h=omega,
        M=M,
    )
    expected = closed_forms.damping(K, areas, volumes, M, (4.1e-12, 4.1e-12),
                                    internal_leakage=2e-13, viscous=3000.0)  # fmt: skip
    assert found == pytest.approx(expected, rel=1e-12)


def test_rest_pressures_carry_the_force_and_share_the_supply():
    """The valve of the simulation, at null with equal lands, rests where the sums say."""
    from servosim import read_axis
    from servosim._equilibrium import rest

    axis = read_axis(PARAMS / "vertical_slide.toml")
    p = axis.parameters.cylinder
    for force in (0.0, 1500.0, 2500.0):
        found = rest(force, axis.record)
        supply, back = float(found.p_S), axis.parameters.supply.p_T
        ours = [f(F=force, A_A=p.A_A, A_B=p.A_B, p_S=supply, p_T=back)
                for f in (springs.rest_pressure_a, springs.rest_pressure_b)]  # fmt: skip
        assert p.A_A * ours[0] - p.A_B * ours[1] == pytest.approx(force, abs=1e-6)
        # laminar and turbulent leakage share it a little differently: the valve's own within 5 %
        assert ours[0] == pytest.approx(found.p_A, rel=0.05)
        assert ours[1] == pytest.approx(found.p_B, rel=0.05)


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
    friction = 1.5 * 2.0 * math.pi / 0.010
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
    assert a.lock_stiffness[0] == pytest.approx(100e6)
    assert a.drift[0] == 0.0
    assert a.deflection[0] == pytest.approx(100.0 / 100e6)
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
    # the orifices in series once more: what gravity gives is lost in both lands
    requirement = asked(SLIDE)
    valve = requirement.valve[2]
    K = valve.rated_flow / math.sqrt(valve.rated_pressure_drop / 2.0)
    duty, a, _ = sized(requirement, parts(actuator=SINGLE_ROD, bore=0.063, rod=0.028,
                                          pressure=100 * BAR))  # fmt: skip
    gravity = duty.held_force[duty.held_thrust == 0.0].max() + a.weight_mass[0] * G
    lost = sum(A * (A * running[1] / K) ** 2 for A in (a.area_a[0], a.area_b[0]))
    assert lost == pytest.approx(gravity, rel=1e-9)


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
