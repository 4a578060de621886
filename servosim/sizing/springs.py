"""The oil as a spring: modulus, compliances, where along the travel it is softest, frequencies.

Both sides rest on a symmetric valve, whose lands share the supply so that the pressures of A and B
add up to those of supply and return; the load parts them. The modulus of each side is taken there,
in the oil of the requirement at a stated temperature and content of air.

Sources. M. G. Rabie, *Fluid Power Engineering*, McGraw-Hill 2009, section 2 (oil with free gas);
H. E. Merritt, *Hydraulic Control Systems*, Wiley 1967, ch. 5 and 6 (from memory).
"""

from __future__ import annotations

import numpy as np

from servosim.components.oil import ATMOSPHERE, Oil
from servosim.sizing.calculation import Calculation, formula
from servosim.sizing.combinations import Array

_MERRITT = "Merritt 1967, ch. 6, from memory"


@formula(
    "p_A",
    "pressure of side A at rest on a symmetric valve",
    "minimum(maximum((F + A_B*(p_S + p_T))/(A_A + A_B), p_T), p_S)",
    "Pa",
    "balance of forces with p_A + p_B = p_S + p_T",
    F=("force to be held", "N"),
    A_A=("area of side A", "m2"),
    A_B=("area of side B", "m2"),
    p_S=("supply pressure", "Pa"),
    p_T=("return pressure", "Pa"),
)
def rest_pressure_a(F: Array, A_A: Array, A_B: Array, p_S: Array, p_T: Array) -> Array:
    """Return the pressure of side A at rest [Pa]."""
    return np.minimum(np.maximum((F + A_B * (p_S + p_T)) / (A_A + A_B), p_T), p_S)


@formula(
    "p_B",
    "pressure of side B at rest on a symmetric valve",
    "minimum(maximum((A_A*(p_S + p_T) - F)/(A_A + A_B), p_T), p_S)",
    "Pa",
    "balance of forces with p_A + p_B = p_S + p_T",
    F=("force to be held", "N"),
    A_A=("area of side A", "m2"),
    A_B=("area of side B", "m2"),
    p_S=("supply pressure", "Pa"),
    p_T=("return pressure", "Pa"),
)
def rest_pressure_b(F: Array, A_A: Array, A_B: Array, p_S: Array, p_T: Array) -> Array:
    """Return the pressure of side B at rest [Pa]."""
    return np.minimum(np.maximum((A_A * (p_S + p_T) - F) / (A_A + A_B), p_T), p_S)


@formula(
    "K_l",
    "bulk modulus of the liquid",
    "K_0 - k_T*(T - T_0) + m*p",
    "Pa",
    "requirement, [oil]",
    K_0=("at zero pressure and its temperature", "Pa"),
    k_T=("fall with temperature", "Pa/K"),
    T=("temperature", "K"),
    T_0=("temperature of K_0", "K"),
    m=("growth with pressure", "1"),
    p=("pressure", "Pa"),
)
def liquid_modulus_of(K_0: Array, k_T: Array, T: Array, T_0: Array, m: Array, p: Array) -> Array:
    """Return the bulk modulus of the liquid [Pa]."""
    return K_0 - k_T * (T - T_0) + m * p


@formula(
    "K",
    "bulk modulus of the oil with its free air",
    "((1 - a_0) + a_0*(p_0/(p + p_0))**(1/n))"
    "/((1 - a_0)/K_l + a_0*(p_0/(p + p_0))**(1/n)/(n*(p + p_0)))",
    "Pa",
    "Rabie 2009, eqs 2.49-2.57, gas volume by p V^n from atmospheric pressure",
    a_0=("free air at atmospheric pressure", "1"),
    p_0=("atmospheric pressure", "Pa"),
    p=("pressure", "Pa"),
    n=("exponent of the air", "1"),
    K_l=("modulus of the liquid", "Pa"),
)
def oil_modulus_of(a_0: Array, p_0: Array, p: Array, n: Array, K_l: Array) -> Array:
    """Return the bulk modulus of oil with free air [Pa]."""
    kept = (p_0 / (p + p_0)) ** (1.0 / n)
    return ((1.0 - a_0) + a_0 * kept) / ((1.0 - a_0) / K_l + a_0 * kept / (n * (p + p_0)))


@formula(
    "K_e",
    "modulus of oil and wall together",
    "1/(1/K + 1/K_w)",
    "Pa",
    "compliances add up (H. Mann, lecture notes, node 89)",
    K=("modulus of the oil", "Pa"),
    K_w=("modulus of the wall", "Pa"),
)
def joint_modulus(K: Array, K_w: Array) -> Array:
    """Return the modulus of oil in an elastic wall [Pa]."""
    return 1.0 / (1.0 / K + 1.0 / K_w)


@formula(
    "V_e",
    "dead volume of a side, with its hose as oil of the same compliance",
    "V_0 + V_l + K_e*V_h/K_h",
    "m3",
    "compliances add up",
    V_0=("oil to the lock", "m3"),
    V_l=("oil from lock to valve", "m3"),
    K_e=("modulus of oil and wall", "Pa"),
    V_h=("of it in a hose", "m3"),
    K_h=("modulus of the hose", "Pa"),
)
def dead_side(V_0: Array, V_l: Array, K_e: Array, V_h: Array, K_h: Array) -> Array:
    """Return the dead volume of a side as oil of one modulus [m3]."""
    return V_0 + V_l + K_e * V_h / K_h


@formula(
    "x_s",
    "position where the oil is softest, within the travel",
    "minimum(maximum((sqrt(A_A**3*K_A)*(V_B + A_B*L) - sqrt(A_B**3*K_B)*V_A)"
    "/(A_A*sqrt(A_B**3*K_B) + A_B*sqrt(A_A**3*K_A)), x_1), x_2)",
    "m",
    "zero of the derivative of the stiffness over the position",
    A_A=("area of side A", "m2"),
    A_B=("area of side B", "m2"),
    K_A=("modulus of side A", "Pa"),
    K_B=("modulus of side B", "Pa"),
    V_A=("dead volume of side A", "m3"),
    V_B=("dead volume of side B", "m3"),
    L=("stroke", "m"),
    x_1=("begin of the travel", "m"),
    x_2=("end of the travel", "m"),
)
def softest_position_of(
    A_A: Array,
    A_B: Array,
    K_A: Array,
    K_B: Array,
    V_A: Array,
    V_B: Array,
    L: Array,
    x_1: Array,
    x_2: Array,
) -> Array:
    """Return where along the travel the oil is softest [m]."""
    a, b = np.sqrt(A_A**3 * K_A), np.sqrt(A_B**3 * K_B)
    return np.minimum(np.maximum((a * (V_B + A_B * L) - b * V_A) / (A_A * b + A_B * a), x_1), x_2)


@formula(
    "k_h",
    "stiffness of the oil in both sides",
    "A_A**2*K_A/(V_A + z*A_A*x) + A_B**2*K_B/(V_B + z*A_B*(L - x))",
    "N/m",
    _MERRITT + ", each side with its own volume",
    A_A=("area of side A", "m2"),
    A_B=("area of side B", "m2"),
    K_A=("modulus of side A", "Pa"),
    K_B=("modulus of side B", "Pa"),
    V_A=("dead volume of side A", "m3"),
    V_B=("dead volume of side B", "m3"),
    z=("1 for a cylinder, 0 for a motor, whose volumes are constant", "1"),
    x=("position", "m"),
    L=("stroke", "m"),
)
def oil_stiffness_of(
    A_A: Array,
    A_B: Array,
    K_A: Array,
    K_B: Array,
    V_A: Array,
    V_B: Array,
    z: Array,
    x: Array,
    L: Array,
) -> Array:
    """Return the stiffness of the oil in both sides [N/m]."""
    return A_A**2 * K_A / (V_A + z * A_A * x) + A_B**2 * K_B / (V_B + z * A_B * (L - x))


@formula(
    "omega_h",
    "natural frequency of one mass on the oil",
    "sqrt(k_h/(M_t + M_p))",
    "rad/s",
    _MERRITT,
    k_h=("stiffness of the oil", "N/m"),
    M_t=("table and workpiece", "kg"),
    M_p=("piston and rod, or nut and rotor", "kg"),
)
def one_mass_frequency(k_h: Array, M_t: Array, M_p: Array) -> Array:
    """Return the natural frequency of one mass on the oil [rad/s]."""
    return np.sqrt(k_h / (M_t + M_p))


@formula(
    "omega_h",
    "lower natural frequency of piston and table joined by a spring",
    "sqrt(2*k_h*k_s/(k_h*M_t + k_s*(M_t + M_p)"
    " + sqrt((k_h*M_t + k_s*(M_t + M_p))**2 - 4*k_h*k_s*M_t*M_p)))",
    "rad/s",
    "two masses in a chain, any text on vibrations",
    k_h=("stiffness of the oil", "N/m"),
    k_s=("stiffness from piston to table", "N/m"),
    M_t=("table and workpiece", "kg"),
    M_p=("piston and rod, or nut and rotor", "kg"),
)
def two_mass_frequency(k_h: Array, k_s: Array, M_t: Array, M_p: Array) -> Array:
    """Return the lower natural frequency of two masses [rad/s]."""
    both = k_h * M_t + k_s * (M_t + M_p)
    root = np.sqrt(both**2 - 4.0 * k_h * k_s * M_t * M_p)
    return np.sqrt(2.0 * k_h * k_s / (both + root))


@formula(
    "r_omega",
    "lowest natural frequency over the frequency that the motion needs",
    "omega_h/omega_m",
    "1",
    "definition",
    omega_h=("lowest natural frequency", "rad/s"),
    omega_m=("frequency that the motion needs", "rad/s"),
)
def frequency_ratio(omega_h: Array, omega_m: Array) -> Array:
    """Return the ratio of the axis' frequency to that of the motion [-]."""
    return omega_h / omega_m


@formula(
    "zeta_h",
    "damping ratio at that position, an estimate",
    "(B + ((G + C_e)*((A_A*K_A/V_A)**2 + (A_B*K_B/V_B)**2)"
    " + C_i*(A_A*K_A/V_A + A_B*K_B/V_B)**2)/omega_h**2)/(2*omega_h*M)",
    "1",
    "first order in the leakage; for equal areas Merritt 1967, ch. 6, from memory",
    B=("viscous friction", "N s/m"),
    G=("flow over pressure of a port of the centred valve", "m3/s/Pa"),
    C_e=("leakage of a side outward", "m3/s/Pa"),
    A_A=("area of side A", "m2"),
    K_A=("modulus of side A", "Pa"),
    V_A=("oil of side A there, hose as oil", "m3"),
    A_B=("area of side B", "m2"),
    K_B=("modulus of side B", "Pa"),
    V_B=("oil of side B there, hose as oil", "m3"),
    C_i=("leakage from side to side", "m3/s/Pa"),
    omega_h=("natural frequency", "rad/s"),
    M=("moved mass", "kg"),
)
def damping_of(
    B: Array,
    G: Array,
    C_e: Array,
    A_A: Array,
    K_A: Array,
    V_A: Array,
    A_B: Array,
    K_B: Array,
    V_B: Array,
    C_i: Array,
    omega_h: Array,
    M: Array,
) -> Array:
    """Return the damping ratio [-]."""
    a, b = A_A * K_A / V_A, A_B * K_B / V_B
    lost = (G + C_e) * (a**2 + b**2) + C_i * (a + b) ** 2
    return (B + lost / omega_h**2) / (2.0 * omega_h * M)


@formula(
    "s_p",
    "motion of the piston over that of the table at this frequency",
    "1 - omega_h**2*M_t/k_s",
    "1",
    "Newton's law of the table on its spring",
    omega_h=("natural frequency", "rad/s"),
    M_t=("table and workpiece", "kg"),
    k_s=("stiffness from piston to table", "N/m"),
)
def piston_share(omega_h: Array, M_t: Array, k_s: Array) -> Array:
    """Return the motion of the piston over that of the table [-]."""
    return 1.0 - omega_h**2 * M_t / k_s


@formula(
    "zeta_h",
    "damping ratio at that position, an estimate",
    "(B_t + (1 - s_p)**2*c_s + s_p**2*(B_p + ((G + C_e)*((A_A*K_A/V_A)**2 + (A_B*K_B/V_B)**2)"
    " + C_i*(A_A*K_A/V_A + A_B*K_B/V_B)**2)/omega_h**2))/(2*omega_h*(M_t + s_p**2*M_p))",
    "1",
    "first order in the leakage, energy lost in a period of this mode over its energy",
    B_t=("viscous friction of the ways", "N s/m"),
    s_p=("motion of the piston over that of the table", "1"),
    c_s=("damping from piston to table", "N s/m"),
    B_p=("viscous friction of the seals", "N s/m"),
    G=("flow over pressure of a port of the centred valve", "m3/s/Pa"),
    C_e=("leakage of a side outward", "m3/s/Pa"),
    A_A=("area of side A", "m2"),
    K_A=("modulus of side A", "Pa"),
    V_A=("oil of side A there, hose as oil", "m3"),
    A_B=("area of side B", "m2"),
    K_B=("modulus of side B", "Pa"),
    V_B=("oil of side B there, hose as oil", "m3"),
    C_i=("leakage from side to side", "m3/s/Pa"),
    omega_h=("natural frequency", "rad/s"),
    M_t=("table and workpiece", "kg"),
    M_p=("piston and rod, or nut and rotor", "kg"),
)
def coupled_damping_of(
    B_t: Array, s_p: Array, c_s: Array, B_p: Array, G: Array, C_e: Array, A_A: Array, K_A: Array,
    V_A: Array, A_B: Array, K_B: Array, V_B: Array, C_i: Array, omega_h: Array, M_t: Array,
    M_p: Array,
) -> Array:  # fmt: skip
    """Return the damping ratio of piston and table joined by a spring [-]."""
    a, b = A_A * K_A / V_A, A_B * K_B / V_B
    lost = (G + C_e) * (a**2 + b**2) + C_i * (a + b) ** 2
    moved = B_t + (1.0 - s_p) ** 2 * c_s + s_p**2 * (B_p + lost / omega_h**2)
    return moved / (2.0 * omega_h * (M_t + s_p**2 * M_p))


@formula(
    "G",
    "flow over pressure of a port of the centred valve, least",
    "(q_0 - q_p)/p_r",
    "m3/s/Pa",
    "turbulent leakage, q_0/(2 p_S) of each of two lands (Merritt 1967, ch. 5, from memory)",
    q_0=("null leakage", "m3/s"),
    q_p=("the pilot's share of it", "m3/s"),
    p_r=("supply pressure at which it is rated", "Pa"),
)
def port_conductance(q_0: Array, q_p: Array, p_r: Array) -> Array:
    """Return flow over pressure of a port of the centred valve [m3/s/Pa]."""
    return (q_0 - q_p) / p_r


def oil_modulus(
    oil: Oil, pressure: Array, temperature: float, air: float, calc: Calculation, note: str = ""
) -> Array:
    """Return the bulk modulus of the oil with its air at a state.

    Parameters
    ----------
    oil : Oil
        Table of the oil.
    pressure : ndarray
        Gauge pressure [Pa].
    temperature : float
        Temperature [K].
    air : float
        Free air at atmospheric pressure [-].
    calc : Calculation
        Keeps the steps.
    note : str, optional
        Which side it is.

    Returns
    -------
    ndarray
        Bulk modulus [Pa], as the oil's block has it above its floor of pressure.
    """
    liquid = calc.of(
        liquid_modulus_of,
        note,
        K_0=oil.bulk_modulus,
        k_T=oil.bulk_modulus_temperature_slope,
        T=temperature,
        T_0=oil.bulk_modulus_temperature,
        m=oil.bulk_modulus_pressure_slope,
        p=pressure,
    )
    found: Array = calc.of(
        oil_modulus_of,
        note,
        a_0=air,
        p_0=ATMOSPHERE,
        p=pressure,
        n=oil.polytropic_exponent,
        K_l=liquid,
    )
    return found
