"""The textbooks' formulas of actuator and load, see :mod:`servosim.linear.closed_forms`."""

from __future__ import annotations

import numpy as np

from servosim.linear._form_values import Values, require_positive


def natural_frequency_double_rod(
    modulus: Values, area: Values, volume: Values, mass: Values
) -> Values:
    """Return the hydraulic natural frequency of a double-rod actuator in mid-stroke.

    Parameters
    ----------
    modulus : float or ndarray
        Bulk modulus of the oil [Pa].
    area : float or ndarray
        Piston area [m2].
    volume : float or ndarray
        Oil under pressure on both sides together, V_t [m3]. Some books state one side's volume:
        then the factor is 2, not 4.
    mass : float or ndarray
        Moved mass [kg].

    Returns
    -------
    float or ndarray
        ``sqrt(4 K A^2/(V_t M))`` [rad/s] (Merritt ch. 6).
    """
    require_positive(modulus=modulus, area=area, volume=volume, mass=mass)
    return np.sqrt(4.0 * modulus * area**2 / (volume * mass))


def damping_double_rod(
    total_flow_pressure: Values,
    modulus: Values,
    area: Values,
    volume: Values,
    mass: Values,
    viscous: Values = 0.0,
) -> Values:
    """Return the damping ratio of a double-rod actuator in mid-stroke.

    Parameters
    ----------
    total_flow_pressure : float or ndarray
        K_ce, the valve's K_c with leakage of the actuator, C_i + C_e/2 [m3/(s Pa)].
    modulus, area, volume, mass : float or ndarray
        See :func:`natural_frequency_double_rod` [Pa, m2, m3, kg].
    viscous : float or ndarray, optional
        Viscous friction [N s/m].

    Returns
    -------
    float or ndarray
        ``(K_ce/A) sqrt(K M/V_t) + (B/(4 A)) sqrt(V_t/(K M))`` [-] (Merritt ch. 6).
    """
    require_positive(modulus=modulus, area=area, volume=volume, mass=mass)
    root = np.sqrt(modulus * mass / volume)
    return total_flow_pressure / area * root + viscous / (4.0 * area * root)


def oil_stiffness(
    modulus: Values, area_a: Values, volume_a: Values, area_b: Values = 0.0, volume_b: Values = 1.0
) -> Values:
    """Return the stiffness of the oil locked in both chambers.

    Parameters
    ----------
    modulus : float or ndarray
        Bulk modulus [Pa].
    area_a, area_b : float or ndarray
        Piston areas [m2]; the second is zero for a plunger.
    volume_a, volume_b : float or ndarray
        Oil on each side [m3].

    Returns
    -------
    float or ndarray
        ``K (A_A^2/V_A + A_B^2/V_B)`` [N/m] (Merritt ch. 6 for equal areas).
    """
    require_positive(modulus=modulus, volume_a=volume_a, volume_b=volume_b)
    return modulus * (area_a**2 / volume_a + area_b**2 / volume_b)


def lock_stiffness(
    area_a: Values, compliance_a: Values, area_b: Values = 0.0, compliance_b: Values = 1.0
) -> Values:
    """Return the stiffness of an axis held by locked oil.

    Parameters
    ----------
    area_a, area_b : float or ndarray
        Piston areas [m2].
    compliance_a, compliance_b : float or ndarray
        Volume over pressure of each side between piston and lock [m3/Pa]: oil, walls.

    Returns
    -------
    float or ndarray
        ``A_A^2/C_A + A_B^2/C_B`` [N/m]: two springs in parallel.
    """
    require_positive(compliance_a=compliance_a, compliance_b=compliance_b)
    return area_a**2 / compliance_a + area_b**2 / compliance_b


def natural_frequency(stiffness: Values, mass: Values) -> Values:
    """Return the natural frequency of a mass on a spring, sqrt(k/M).

    Parameters
    ----------
    stiffness : float or ndarray
        Stiffness [N/m].
    mass : float or ndarray
        Mass [kg].

    Returns
    -------
    float or ndarray
        Natural frequency [rad/s].
    """
    require_positive(stiffness=stiffness, mass=mass)
    return np.sqrt(stiffness / mass)


def softest_position(
    area_a: float, area_b: float, stroke: float, dead_a: float = 0.0, dead_b: float = 0.0
) -> float:
    """Return where along the stroke the oil is softest and the natural frequency lowest.

    Parameters
    ----------
    area_a, area_b : float
        Piston areas [m2]; the second is zero for a plunger.
    stroke : float
        Stroke [m].
    dead_a, dead_b : float
        Oil on each side with the piston at that end, lines included [m3].

    Returns
    -------
    float
        Position from the retracted end [m]: ``V_A/V_B = (A_A/A_B)^(3/2)``, where the derivative of
        :func:`oil_stiffness` over position vanishes, or the end of the stroke before it.
    """
    require_positive(area_a=area_a, stroke=stroke)
    if area_b <= 0.0:
        return stroke
    ratio = (area_a / area_b) ** 1.5
    found = (ratio * (dead_b + area_b * stroke) - dead_a) / (area_a + ratio * area_b)
    return float(np.clip(found, 0.0, stroke))


def damping(
    modulus: Values,
    areas: tuple[Values, Values],
    volumes: tuple[Values, Values],
    mass: Values,
    flow_pressures: tuple[Values, Values],
    *,
    internal_leakage: Values = 0.0,
    viscous: Values = 0.0,
) -> Values:
    """Return the damping ratio anywhere along the stroke, equal areas or not.

    Parameters
    ----------
    modulus : float or ndarray
        Bulk modulus [Pa].
    areas, volumes : tuple of float or ndarray
        Piston areas [m2] and oil [m3] of sides A and B.
    mass : float or ndarray
        Moved mass [kg].
    flow_pressures : tuple of float or ndarray
        Flow lost over pressure at each port [m3/(s Pa)], valve and external leakage. A port of a
        symmetric valve loses ``2 K_c``, because K_c counts over the load pressure of both.
    internal_leakage : float or ndarray, optional
        Leakage from chamber to chamber [m3/(s Pa)].
    viscous : float or ndarray, optional
        Viscous friction [N s/m].

    Returns
    -------
    float or ndarray
        ``zeta = (B + a' G a/omega^2)/(2 omega M)`` [-] with ``a = (A_A/C_A, -A_B/C_B)``,
        ``C = V/K`` and G the matrix of the conductances.

    Notes
    -----
    To first order in the leakage: at the natural frequency a chamber's pressure is
    ``-A v/(s C)``, the leakage takes ``G p`` from it, and the force that this changes is in phase
    with the velocity. For equal areas in mid-stroke it is :func:`damping_double_rod`.
    """
    require_positive(modulus=modulus, mass=mass, volume_a=volumes[0], volume_b=volumes[1])
    a, b = areas[0] * modulus / volumes[0], areas[1] * modulus / volumes[1]
    square = oil_stiffness(modulus, areas[0], volumes[0], areas[1], volumes[1]) / mass
    lost = flow_pressures[0] * a**2 + flow_pressures[1] * b**2 + internal_leakage * (a + b) ** 2
    return (viscous + lost / square) / (2.0 * np.sqrt(square) * mass)


def two_masses(
    stiffness: Values, coupling: Values, piston: Values, table: Values
) -> tuple[Values, Values, Values]:
    """Return the natural frequencies of piston and table joined by a spring, and the table's own.

    Parameters
    ----------
    stiffness : float or ndarray
        Stiffness of the oil behind the piston [N/m].
    coupling : float or ndarray
        Stiffness from piston to table [N/m].
    piston, table : float or ndarray
        Masses [kg].

    Returns
    -------
    lower, upper, blocked : float or ndarray
        Both natural frequencies without damping, and that of the table with the piston held, where
        the response of the piston has its notch [rad/s].

    Notes
    -----
    Roots of ``M_p M_t w^4 - ((k_h + k_s) M_t + k_s M_p) w^2 + k_h k_s = 0``: two masses in a chain
    (any text on vibrations). With a light piston the lower one is that of both springs in series,
    ``1/w^2 = M_t (1/k_h + 1/k_s)`` (Merritt ch. 6).
    """
    require_positive(stiffness=stiffness, coupling=coupling, piston=piston, table=table)
    half = 0.5 * ((stiffness + coupling) / piston + coupling / table)
    product = stiffness * coupling / (piston * table)
    upper = half + np.sqrt(half**2 - product)
    return np.sqrt(product / upper), np.sqrt(upper), np.sqrt(coupling / table)


def velocity_gain(
    areas: tuple[Values, Values],
    coefficients: tuple[Values, Values],
    supply: Values,
    return_pressure: Values = 0.0,
    load: Values = 0.0,
) -> tuple[Values, Values]:
    """Return the velocity for full opening in extension and retraction, unequal areas too.

    Parameters
    ----------
    areas : tuple of float or ndarray
        Piston areas A and B [m2].
    coefficients : tuple of float or ndarray
        Flow over the root of the drop of the fully open lands at A and B [m3/s/sqrt(Pa)].
    supply, return_pressure : float or ndarray
        Pressures [Pa].
    load : float or ndarray
        Steady load against extension [N].

    Returns
    -------
    plus, minus : float or ndarray
        Velocities [m/s]:
        ``g+ = sqrt[(A_A pS - A_B pT - F)/(A_A^3/K_A^2 + A_B^3/K_B^2)]`` and
        ``g- = sqrt[(A_B pS - A_A pT + F)/(A_A^3/K_A^2 + A_B^3/K_B^2)]``, two orifices in series
        with the piston (Merritt ch. 6 for equal areas).
    """
    both = areas[0] ** 3 / coefficients[0] ** 2 + areas[1] ** 3 / coefficients[1] ** 2
    plus = areas[0] * supply - areas[1] * return_pressure - load
    minus = areas[1] * supply - areas[0] * return_pressure + load
    require_positive(force_left_in_extension=plus, force_left_in_retraction=minus)
    return np.sqrt(plus / both), np.sqrt(minus / both)


def steady_pressures(
    ratio: Values, supply: Values
) -> tuple[tuple[Values, Values], tuple[Values, Values]]:
    """Return the pressures of an unloaded single rod moving steadily on a symmetric valve.

    Parameters
    ----------
    ratio : float or ndarray
        Ratio of areas, A_A/A_B [-].
    supply : float or ndarray
        Supply pressure, tank at zero [Pa].

    Returns
    -------
    extending, retracting : tuple of float or ndarray
        Pressures of A and B [Pa]: ``p_s/(1 + phi^3)`` and phi times it; ``phi^2 p_s/(1 + phi^3)``
        and phi times it (Merritt and others, from memory). They jump as the motion reverses.
    """
    require_positive(ratio=ratio)
    share = supply / (1.0 + ratio**3)
    return (share, ratio * share), (ratio**2 * share, ratio**3 * share)
