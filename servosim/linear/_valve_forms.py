"""The textbooks' formulas of the valve's coefficients, see :mod:`servosim.linear.closed_forms`."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from servosim.linear._form_values import Values, require_positive


class NullCoefficients(NamedTuple):
    """Valve coefficients at null.

    Attributes
    ----------
    flow_gain : float or ndarray
        K_q, load flow over spool travel [m3/s per unit of travel].
    flow_pressure : float or ndarray
        K_c, load flow lost over load pressure [m3/(s Pa)].
    pressure_gain : float or ndarray
        K_p = K_q/K_c, load pressure over spool travel [Pa per unit of travel].
    """

    flow_gain: Values
    flow_pressure: Values
    pressure_gain: Values


def spool_flow_gain(
    discharge: Values, gradient: Values, supply: Values, density: Values, load: Values = 0.0
) -> Values:
    """Return the flow gain of a spool with sharp edges.

    Parameters
    ----------
    discharge : float or ndarray
        Discharge coefficient C_d [-].
    gradient : float or ndarray
        Area gradient W, area over travel [m].
    supply, load : float or ndarray
        Supply pressure less return pressure, and load pressure in the direction of motion [Pa].
    density : float or ndarray
        Density of the oil [kg/m3].

    Returns
    -------
    float or ndarray
        ``K_q = C_d W sqrt((p_s - p_L)/rho)`` [m2/s] (Merritt ch. 5; Wang ch. 2).
    """
    require_positive(pressure_left=np.asarray(supply) - load, density=density)
    return discharge * gradient * np.sqrt((supply - load) / density)


def rated_flow_gain(
    rated_flow: Values, rated_drop: Values, supply: Values, load: Values = 0.0
) -> Values:
    """Return the flow gain that follows from a valve's rating.

    Parameters
    ----------
    rated_flow : float or ndarray
        Flow at full opening and the rated drop [m3/s].
    rated_drop, supply, load : float or ndarray
        Total drop over both lands at rating, supply less return pressure, load pressure [Pa].

    Returns
    -------
    float or ndarray
        ``K_q = q_n sqrt((p_s - p_L)/dp_n)`` per full stroke [m3/s]: the square-root law that
        ratings are converted by (common practice, no source).
    """
    require_positive(pressure_left=np.asarray(supply) - load, rated_drop=rated_drop)
    return rated_flow * np.sqrt((supply - load) / rated_drop)


def open_flow_pressure(flow: Values, supply: Values, load: Values = 0.0) -> Values:
    """Return the flow-pressure coefficient of an open valve from the flow it passes.

    Parameters
    ----------
    flow : float or ndarray
        Load flow [m3/s].
    supply, load : float or ndarray
        Supply less return pressure, and load pressure in the direction of motion [Pa].

    Returns
    -------
    float or ndarray
        ``K_c = q_L/(2 (p_s - p_L))`` [m3/(s Pa)], of two sharp edges in series (Merritt ch. 5).
    """
    require_positive(pressure_left=np.asarray(supply) - load)
    return np.abs(flow) / (2.0 * (supply - load))


def critical_centre(
    gradient: Values,
    clearance: Values,
    supply: Values,
    discharge: Values,
    density: Values,
    viscosity: Values,
) -> NullCoefficients:
    """Return the null coefficients of a critical-centre spool with radial clearance.

    Parameters
    ----------
    gradient, clearance : float or ndarray
        Area gradient W and radial clearance r_c [m].
    supply : float or ndarray
        Supply pressure [Pa].
    discharge : float or ndarray
        Discharge coefficient [-].
    density, viscosity : float or ndarray
        Density [kg/m3] and dynamic viscosity [Pa s].

    Returns
    -------
    NullCoefficients
        ``K_q = C_d W sqrt(p_s/rho)``, ``K_c = pi W r_c^2/(32 mu)`` (laminar leak through the
        clearance), ``K_p = K_q/K_c`` (Wang ch. 2; Merritt ch. 5).
    """
    require_positive(gradient=gradient, clearance=clearance, viscosity=viscosity)
    gain = spool_flow_gain(discharge, gradient, supply, density)
    leak = np.pi * gradient * clearance**2 / (32.0 * viscosity)
    return NullCoefficients(gain, leak, gain / leak)


def open_centre(leakage: Values, underlap: Values, supply: Values) -> NullCoefficients:
    """Return the null coefficients of an open-centre spool from its measured centre leakage.

    Parameters
    ----------
    leakage : float or ndarray
        Flow from supply to tank at null, of both sides together [m3/s].
    underlap : float or ndarray
        Underlap U, in units of travel.
    supply : float or ndarray
        Supply pressure [Pa].

    Returns
    -------
    NullCoefficients
        ``K_q = q_c/U``, ``K_c = q_c/(2 p_s)``, ``K_p = 2 p_s/U`` (Wang ch. 2; Merritt ch. 5).
    """
    require_positive(leakage=leakage, underlap=underlap, supply=supply)
    return NullCoefficients(leakage / underlap, leakage / (2.0 * supply), 2.0 * supply / underlap)


def leakage_flow_pressure(leakage: Values, supply: Values, *, laminar: bool = True) -> Values:
    """Return the flow-pressure coefficient at null from the leakage of the lands.

    Parameters
    ----------
    leakage : float or ndarray
        Leakage at null with blocked ports, without a pilot stage's share [m3/s].
    supply : float or ndarray
        Supply pressure at which it was measured [Pa].
    laminar : bool, optional
        Whether the clearance leaks in proportion to the drop, or to its root.

    Returns
    -------
    float or ndarray
        ``K_c = q/p_s`` for a laminar leak, ``q/(2 p_s)`` for a turbulent one (Merritt ch. 5).
    """
    require_positive(leakage=leakage, supply=supply)
    return leakage / supply if laminar else leakage / (2.0 * supply)


def spool_diameter(flow_gain: Values, supply: Values, discharge: Values, density: Values) -> Values:
    """Return the diameter of a spool with ports around its whole periphery.

    Parameters
    ----------
    flow_gain : float or ndarray
        Wanted K_q [m2/s].
    supply : float or ndarray
        Supply pressure [Pa].
    discharge : float or ndarray
        Discharge coefficient [-].
    density : float or ndarray
        Density [kg/m3].

    Returns
    -------
    float or ndarray
        ``d = K_q/(pi C_d sqrt(p_s/rho))`` [m] (Wang ch. 2).
    """
    require_positive(supply=supply, discharge=discharge, density=density)
    return flow_gain / (np.pi * discharge * np.sqrt(supply / density))
