"""The textbooks' formulas with the numbers of an axis.

What the textbooks know of an axis: areas, volumes and mass, the stiffness of oil without air in
rigid walls, the rating of a valve with sharp edges, a constant supply. What they leave out (air,
walls, overlap, the valve's own motion, samples, delays, a feedback of load pressure) is left out.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from servosim._equilibrium import steady_force
from servosim.axis import Axis
from servosim.components.cylinder import volumes
from servosim.components.oil import liquid_modulus
from servosim.errors import ParameterError
from servosim.linear import closed_forms as forms
from servosim.linear.points import EDGE_OPENING


class Textbook(NamedTuple):
    """Numbers that the textbooks' formulas use, of one axis at one position.

    Attributes
    ----------
    modulus : float
        Bulk modulus of the liquid, without air, at half the supply pressure [Pa].
    areas, volumes : tuple of float
        Piston areas [m2] and oil of each side with its line [m3].
    mass, viscous : float
        Moved mass [kg] and viscous friction of ways and seals [N s/m].
    velocity_gain : float
        Velocity for full opening in extension, under the weight of the axis [m/s].
    flow_gain : float
        Load flow per full opening, ``A_A g`` [m3/s].
    ports : tuple of float
        Flow lost over pressure at each port [m3/(s Pa)].
    flow_pressure : float
        K_c, load flow lost over load pressure [m3/(s Pa)].
    total_flow_pressure : float
        K_ce, with the leakage of the actuator [m3/(s Pa)].
    stiffness, omega, zeta : float
        Stiffness of the oil [N/m], natural frequency [rad/s] and damping ratio [-].
    """

    modulus: float
    areas: tuple[float, float]
    volumes: tuple[float, float]
    mass: float
    viscous: float
    velocity_gain: float
    flow_gain: float
    ports: tuple[float, float]
    flow_pressure: float
    total_flow_pressure: float
    stiffness: float
    omega: float
    zeta: float


def load_share(areas: tuple[float, float]) -> tuple[float, float]:
    """Return how a load pressure divides on both chambers: rise of A, fall of B [-]."""
    square = areas[0] ** 2 + areas[1] ** 2
    return areas[0] ** 2 / square, areas[0] * areas[1] / square


def textbook(axis: Axis, position: float, condition: str) -> Textbook:
    """Return what the textbooks make of an axis at a position.

    Parameters
    ----------
    axis : Axis
        The axis.
    position : float
        Position of the table [m].
    condition : {"null", "edge"}
        Whether the valve stands at null, where its clearance leaks, or passes the flow of lands
        opened by ``EDGE_OPENING``.

    Returns
    -------
    Textbook
        Its numbers.

    Raises
    ------
    ParameterError
        If the supply can't move the load, or the file states no leakage from which the formula
        for null could start.
    """
    p, f = axis.parameters, axis.file
    c, s = p.cylinder, p.supply
    areas = (c.A_A, c.A_B)
    force = float(steady_force(position, 0.0, axis.record)[0])
    K_A = f.valve.rated_flow * math.sqrt(2.0 / f.valve.rated_pressure_drop)
    K = (K_A, K_A * f.valve.area_ratio)
    g = float(forms.velocity_gain(areas, K, s.p_set, s.p_T, force)[0])
    weight = load_share(areas)
    if condition == "null":
        leak = f.valve.null_leakage - f.valve.pilot_leakage
        if f.valve.leakage_given == "pressure_gain":
            # K_c = K_q/K_p with the stated pressure gain, a load pressure of both ports
            flow = f.valve.rated_flow * math.sqrt(f.valve.rating_pressure)
            K_c = flow / math.sqrt(f.valve.rated_pressure_drop) / f.valve.pressure_gain
        elif leak > 0.0:
            K_c = float(forms.leakage_flow_pressure(leak, f.valve.rating_pressure))
        else:
            raise ParameterError("[valve] null_leakage: no leakage of the lands is left for K_c")
        ports = (2.0 * K_c, 2.0 * K_c)
    else:
        v = EDGE_OPENING * g
        drops = tuple((a * g / k) ** 2 for a, k in zip(areas, K, strict=True))
        ports = tuple(  # type: ignore[assignment]
            0.5 * a * v / d if d > 0.0 else 0.0 for a, d in zip(areas, drops, strict=True)
        )
        K_c = areas[0] * (areas[0] * ports[0] * weight[0] + areas[1] * ports[1] * weight[1])
        K_c /= areas[0] ** 2 + areas[1] ** 2
    V_A, V_B = volumes(position, c)
    oil = (float(V_A) + c.V_lA, float(V_B) + c.V_lB)
    modulus = liquid_modulus(f.oil, f.oil.temperature)
    modulus += f.oil.bulk_modulus_pressure_slope * 0.5 * s.p_set
    mass, viscous = p.load.M_p + p.load.M_t, p.load.B + p.load.B_s
    stiffness = forms.oil_stiffness(modulus, areas[0], oil[0], areas[1], oil[1])
    leaks = (ports[0] + c.C_eA, ports[1] + c.C_eB)
    zeta = forms.damping(modulus, areas, oil, mass, leaks, internal_leakage=c.C_i, viscous=viscous)
    return Textbook(
        modulus=modulus,
        areas=areas,
        volumes=oil,
        mass=mass,
        viscous=viscous,
        velocity_gain=g,
        flow_gain=areas[0] * g,
        ports=ports,
        flow_pressure=float(K_c),
        total_flow_pressure=float(K_c + c.C_i + 0.25 * (c.C_eA + c.C_eB)),
        stiffness=float(stiffness),
        omega=float(forms.natural_frequency(stiffness, mass)),
        zeta=float(zeta),
    )


def least_dynamic_stiffness(book: Textbook, velocity_gain: float) -> float:
    """Return the smallest stiffness of the textbook's loop over all frequencies [N/m].

    Parameters
    ----------
    book : Textbook
        The textbook's numbers.
    velocity_gain : float
        K_v of the loop [1/s].
    """
    frequencies = np.geomspace(1e-2, 10.0, 3000) * book.omega
    found = forms.dynamic_stiffness(
        frequencies,
        velocity_gain,
        book.omega,
        book.zeta,
        book.areas[0],
        book.total_flow_pressure,
        book.stiffness,
    )
    return float(np.min(np.abs(found)))
