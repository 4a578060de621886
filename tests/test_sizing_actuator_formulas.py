"""Formulas of actuators: texts and units, published examples, the axis' own equations.

"Esposito" is A. Esposito, *Fluid Power with Applications*; "Bhavikatti" is S. S. Bhavikatti,
*Strength of Materials*; "Rabie" is M. G. Rabie, *Fluid Power Engineering*, 2009. "Exact" marks the
arithmetic of a stated formula or a model that is written out beside the check.
"""

import importlib
import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, linalg, optimize
from sizing_parts import BAR, PARAMS, QUIET, REV, SLIDE, G, asked, parts, sized

from servosim.components.cylinder import Cylinder, cylinder_parameters
from servosim.components.oil import compressibility, oil_parameters
from servosim.linear import closed_forms
from servosim.sizing import holding, springs
from servosim.sizing.actuators import natural_frequency_along
from servosim.sizing.body_forms import POISSON, tube_modulus
from servosim.sizing.buckling import (
    END_FACTORS,
    buckling_load_of,
    euler_load,
    johnson_load,
    limiting_slenderness,
)
from servosim.sizing.calculation import Formula
from servosim.sizing.combinations import (
    SINGLE_ROD,
)
from servosim.sizing.forces import moving_force, stall_force_in, stall_force_out

POUND_FORCE, PSI, INCH = 4.4482216152605, 6894.757293168, 0.0254


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


def test_damping_of_piston_and_table_joined_by_a_spring():
    """Eigenvalue of the six equations of two masses and two volumes, written down here anew."""
    (A, B), (V_A, V_B), (K_A, K_B) = (1.3e-3, 1.1e-3), (6e-5, 5e-5), (1.3e9, 1.2e9)
    M_t, M_p, k_s, c_s, B_t, B_p = 1150.0, 130.0, 250e6, 5e3, 3000.0, 400.0
    G, C_e, C_i = 4e-13, 1e-13, 1.5e-13
    lost = G + C_e + C_i
    matrix = np.array(  # table's and piston's position and velocity, pressures A and B
        [
            [0, 1, 0, 0, 0, 0],
            [-k_s / M_t, -(c_s + B_t) / M_t, k_s / M_t, c_s / M_t, 0, 0],
            [0, 0, 0, 1, 0, 0],
            [k_s / M_p, c_s / M_p, -k_s / M_p, -(c_s + B_p) / M_p, A / M_p, -B / M_p],
            [0, 0, 0, -A * K_A / V_A, -lost * K_A / V_A, C_i * K_A / V_A],
            [0, 0, 0, B * K_B / V_B, C_i * K_B / V_B, -lost * K_B / V_B],
        ]
    )
    root = min((one for one in np.linalg.eigvals(matrix) if one.imag > 1.0), key=abs)
    oil = A**2 * K_A / V_A + B**2 * K_B / V_B
    omega = springs.two_mass_frequency(k_h=oil, k_s=k_s, M_t=M_t, M_p=M_p)
    share = springs.piston_share(omega_h=omega, M_t=M_t, k_s=k_s)
    zeta = springs.coupled_damping_of(
        B_t=B_t, s_p=share, c_s=c_s, B_p=B_p, G=G, C_e=C_e, A_A=A, K_A=K_A, V_A=V_A, A_B=B,
        K_B=K_B, V_B=V_B, C_i=C_i, omega_h=omega, M_t=M_t, M_p=M_p,
    )  # fmt: skip
    assert abs(root) == pytest.approx(omega, rel=1e-3)
    assert -root.real / abs(root) == pytest.approx(zeta, rel=0.01)
    rigid = springs.coupled_damping_of(  # a stiff joint: the formula of one mass
        B_t=B_t, s_p=1.0, c_s=c_s, B_p=B_p, G=G, C_e=C_e, A_A=A, K_A=K_A, V_A=V_A, A_B=B,
        K_B=K_B, V_B=V_B, C_i=C_i, omega_h=omega, M_t=M_t, M_p=M_p,
    )  # fmt: skip
    one = springs.damping_of(B=B_t + B_p, G=G, C_e=C_e, A_A=A, K_A=K_A, V_A=V_A, A_B=B, K_B=K_B,
                             V_B=V_B, C_i=C_i, omega_h=omega, M=M_t + M_p)  # fmt: skip
    assert rigid == pytest.approx(one, rel=1e-12)


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
