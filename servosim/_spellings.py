"""The closed list of unit spellings and the exact definitions behind them.

Conversion factors: 1 in = 25.4 mm and 1 lb = 0.45359237 kg (international yard and pound, 1959),
1 gal = 231 in3 (US), standard gravity 9.80665 m/s2 (3rd CGPM, 1901), all exact by definition;
from memory.
"""

from __future__ import annotations

import re

# First spelling of each group: the SI one, in which the numbers are held.
GROUPS: dict[str, str] = {
    "plain number": "1, %, ppm, mm/m, um/m",
    "length": "m, cm, mm, um, nm, in, ft",
    "time": "s, ms, us, min, h",
    "mass": "kg, g, t, lb",
    "force": "N, kN, MN, lbf",
    "pressure": "Pa, kPa, MPa, GPa, mbar, bar, psi",
    "volume": "m3, L, l, mL, ml, cm3, mm3, in3, gal",
    "flow": "m3/s, L/min, l/min, L/s, l/s, mL/min, cm3/min, cm3/s, mm3/s, m3/h, in3/s, gpm",
    "velocity": "m/s, cm/s, mm/s, um/s, m/min, mm/min, um/min, um/h, in/s, in/min, ft/s, ft/min",
    "acceleration": "m/s2, mm/s2, in/s2, ft/s2",
    "jerk": "m/s3, mm/s3, in/s3",
    "frequency": "rad/s, Hz, kHz, rpm, rev/s, deg/s",
    "angle": "rad, mrad, deg, rev",
    "rate": "1/s",
    "squared rate": "1/s2",
    "temperature difference": "K",
    "temperature": "K, degC, °C, degF",
    "temperature coefficient": "1/K, %/K, ppm/K, um/m/K",
    "temperature rate": "K/s, K/min, K/h",
    "pressure coefficient": "1/Pa, 1/kPa, 1/MPa, 1/GPa, 1/bar, 1/psi, %/bar, %/MPa",
    "pressure per temperature": "Pa/K, MPa/K, GPa/K, bar/K",
    "pressure rate": "Pa/s, MPa/s, bar/s, psi/s",
    "kinematic viscosity": "m2/s, mm2/s, cSt",
    "dynamic viscosity": "Pa s, mPa s, cP",
    "density": "kg/m3, g/cm3, kg/L, lb/ft3",
    "area": "m2, cm2, mm2, in2",
    "force per pressure": "N/Pa, N/bar, N/MPa, lbf/psi",
    "force rate": "N/s, kN/s",
    "stiffness": "N/m, N/mm, N/um, kN/m, kN/mm, kN/um, MN/m, lbf/in",
    "damping": "N s/m, kN s/m, N s/mm, lbf s/in",
    "reciprocal length": "1/m, 1/mm, 1/um",
    "time per length": "s/m, s/mm",
    "leakage": "m3/s/Pa, L/min/bar, l/min/bar, mL/min/bar, cm3/min/bar, cm3/s/bar, mm3/s/bar, "
    "L/min/MPa, in3/s/psi, gpm/psi",
    "orifice": "m3/s/sqrt(Pa), L/min/sqrt(bar), l/min/sqrt(bar), gpm/sqrt(psi)",
    "velocity per pressure": "m/s/Pa, (m/s)/Pa, m/s/bar, (m/s)/bar, mm/s/bar, (mm/s)/bar, "
    "m/s/MPa, (m/s)/MPa, (in/s)/psi",
    "displacement": "m3/rad, cm3/rad, cm3/rev, mL/rev, L/rev, in3/rev",
    "lead": "m/rad, m/rev, mm/rev, in/rev",
    "torque": "N m, kN m, lbf in, lbf ft",
    "torsional stiffness": "N m/rad, kN m/rad, N m/deg",
    "inertia": "kg m2, kg cm2, g cm2, lb in2",
    "power": "W, kW, hp",
    "energy": "J, kJ, MJ, kW h",
    "heat conductance": "W/K, kW/K",
    "heat capacity": "J/K, kJ/K, MJ/K",
    "specific heat": "J/kg/K, J/(kg K), kJ/kg/K, kJ/(kg K)",
    "voltage": "V, mV",
    "current": "A, mA",
    "voltage per length": "V/m, V/mm, mV/mm",
    "current per voltage": "A/V, mA/V",
}
DEFINITIONS = """
m = [length]; s = [time]; kg = [mass]; K = [temperature]; A = [current]; rad = [angle]
root_pascal = [root_pressure]
cm = 1e-2 m; mm = 1e-3 m; um = 1e-6 m; nm = 1e-9 m; in = 0.0254 m; ft = 12 in
ms = 1e-3 s; us = 1e-6 s; min = 60 s; h = 3600 s
g = 1e-3 kg; t = 1000 kg; lb = 0.45359237 kg
N = kg * m / s ** 2; kN = 1e3 N; MN = 1e6 N; lbf = 9.80665 lb * m / s ** 2
Pa = N / m ** 2; mPa = 1e-3 Pa; kPa = 1e3 Pa; MPa = 1e6 Pa; GPa = 1e9 Pa; bar = 1e5 Pa
mbar = 1e2 Pa; psi = lbf / in ** 2; cP = 1e-3 Pa * s
m2 = m ** 2; cm2 = cm ** 2; mm2 = mm ** 2; in2 = in ** 2; cSt = mm ** 2 / s
m3 = m ** 3; cm3 = cm ** 3; mm3 = mm ** 3; in3 = in ** 3; ft3 = ft ** 3
L = 1e-3 m ** 3; l = 1e-3 m ** 3; mL = 1e-6 m ** 3; ml = 1e-6 m ** 3
gal = 231 in ** 3; gpm = gal / min
s2 = s ** 2; s3 = s ** 3
mrad = 1e-3 rad; rev = 6.28318530717958647692528676655900576839434 rad; deg = rev / 360
rpm = rev / min; Hz = rev / s; kHz = 1e3 rev / s
percent = 1e-2; ppm = 1e-6
J = N * m; kJ = 1e3 J; MJ = 1e6 J; W = J / s; kW = 1e3 W; hp = 550 ft * lbf / s
V = W / A; mV = 1e-3 V; mA = 1e-3 A
root_bar = 316.227766016837933199889354443271853372 root_pascal
root_psi = 83.0346752457571868398718882316284749942 root_pascal
"""
DEGREES = ("degC = K; offset: 273.15", "degF = 5/9 K; offset: 45967/180")
EXPRESSIONS = {
    "°C": "degC", "%": "percent", "sqrt(Pa)": "root_pascal", "sqrt(bar)": "root_bar",
    "sqrt(psi)": "root_psi",
}  # fmt: skip
MICRO = ("\N{MICRO SIGN}", "\N{GREEK SMALL LETTER MU}")


def _with_micro(spellings: str) -> tuple[str, ...]:
    """Split a group's spellings and add the two micro signs to those written with "u"."""
    names = spellings.split(", ")
    micro = [
        re.sub(r"\bu(?=[ms]\b)", sign, name)
        for name in names
        if re.search(r"\bu[ms]\b", name)
        for sign in MICRO
    ]
    return (*names, *micro)


SPELLINGS: dict[str, tuple[str, ...]] = {
    group: _with_micro(spellings) for group, spellings in GROUPS.items()
}
"""Accepted spellings of each group of units, the SI spelling first."""
