"""The textbooks' formulas of the position loop, see :mod:`servosim.linear.closed_forms`."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from servosim.linear._form_values import Values, require_positive


class LoopAnchor(NamedTuple):
    """A setting of the third-order loop with known properties.

    Attributes
    ----------
    damping : float
        Damping ratio of the axis that it needs [-].
    gain_share : float
        Velocity gain over natural frequency [-].
    overshoot : float
        Overshoot of a step [-].
    source : str
        Where it comes from.
    """

    damping: float
    gain_share: float
    overshoot: float
    source: str


# closed loop s^3/(w^2 K) + 2 zeta s^2/(w K) + s/K + 1 matched to the standard polynomials
LOOP_ANCHORS = {
    "triple_real_pole": LoopAnchor(
        math.sqrt(3.0) / 2.0, 1.0 / (3.0 * math.sqrt(3.0)), 0.0, "exact: (s + w/sqrt 3)^3"
    ),
    "butterworth": LoopAnchor(
        math.sqrt(0.5), 1.0 / (2.0 * math.sqrt(2.0)), 0.0815, "exact: Butterworth's polynomial"
    ),
    "itae": LoopAnchor(
        1.75 / (2.0 * math.sqrt(2.15)),
        2.15**-1.5,
        0.0198,
        "polynomial 1, 1.75, 2.15, 1 (Graham and Lathrop 1953, from memory)",
    ),
}


def limit_gain(omega: Values, zeta: Values) -> Values:
    """Return the velocity gain at which the third-order loop loses its stability.

    Parameters
    ----------
    omega, zeta : float or ndarray
        Natural frequency [rad/s] and damping ratio of the axis.

    Returns
    -------
    float or ndarray
        ``2 zeta omega`` [1/s] (Merritt ch. 6; Wang ch. 4).
    """
    require_positive(natural_frequency=omega)
    return 2.0 * zeta * omega


def gain_for_margin(omega: Values, zeta: Values, margin: float = 2.0) -> Values:
    """Return the velocity gain that leaves a gain margin.

    Parameters
    ----------
    omega, zeta : float or ndarray
        Natural frequency [rad/s] and damping ratio of the axis.
    margin : float, optional
        Gain margin as a ratio; 2 is 6.02 dB.

    Returns
    -------
    float or ndarray
        ``2 zeta omega/margin`` [1/s]; with 2, ``zeta omega`` (Wang ch. 4 and 6).
    """
    require_positive(margin=margin)
    return limit_gain(omega, zeta) / margin


def rule_gain(omega: Values) -> Values:
    """Return the open-loop gain of the rule of thumb, a third of the natural frequency.

    Parameters
    ----------
    omega : float or ndarray
        Natural frequency [rad/s].

    Returns
    -------
    float or ndarray
        ``omega/3`` [1/s] (A. Esposito, *Fluid Power with Applications*, ex. 17-1). It suits a
        damping ratio near 0.5 to 0.7 only: at 0.1 the loop is unstable with it.
    """
    require_positive(natural_frequency=omega)
    return omega / 3.0


def repeatable_error(dead_band: Values, amplifier: Values, transducer: Values) -> Values:
    """Return the error that a dead band of the valve leaves.

    Parameters
    ----------
    dead_band : float or ndarray
        Dead band of the valve, in units of its signal.
    amplifier : float or ndarray
        Gain from the error's signal to the valve's.
    transducer : float or ndarray
        Gain from position to the error's signal, per metre.

    Returns
    -------
    float or ndarray
        ``deadband/(G_A H)`` [m] (Esposito ex. 17-1).
    """
    require_positive(amplifier=amplifier, transducer=transducer)
    return dead_band / (amplifier * transducer)


def load_signal(force: Values, area: Values, pressure_gain: Values) -> Values:
    """Return the opening that a static force takes.

    Parameters
    ----------
    force : float or ndarray
        Force [N].
    area : float or ndarray
        Piston area [m2].
    pressure_gain : float or ndarray
        Load pressure over the valve's signal at null [Pa per unit of signal].

    Returns
    -------
    float or ndarray
        ``F/(A K_p)`` in units of the signal (Wang ch. 5).
    """
    require_positive(area=area, pressure_gain=pressure_gain)
    return force / (area * pressure_gain)


def static_stiffness(
    velocity_gain: Values, area: Values, total_flow_pressure: Values, feedback: Values = 0.0
) -> Values:
    """Return the stiffness of the closed loop against a constant force.

    Parameters
    ----------
    velocity_gain : float or ndarray
        K_v of the loop without integral [1/s].
    area : float or ndarray
        Piston area [m2].
    total_flow_pressure : float or ndarray
        K_ce, the valve's K_c with leakage of the actuator [m3/(s Pa)].
    feedback : float or ndarray, optional
        Velocity taken off per load pressure by a feedback without high pass [m/s/Pa].

    Returns
    -------
    float or ndarray
        ``K_v A^2/(K_ce + A k_p)`` [N/m] (Merritt ch. 6).
    """
    require_positive(area=area, velocity_gain=velocity_gain, K_ce=total_flow_pressure)
    return velocity_gain * area**2 / (total_flow_pressure + area * feedback)


def dynamic_stiffness(
    frequency: Values,
    velocity_gain: Values,
    omega: Values,
    zeta: Values,
    area: Values,
    total_flow_pressure: Values,
    hydraulic_stiffness: Values,
) -> NDArray[np.complex128]:
    """Return the stiffness of the closed loop against a force that oscillates.

    Parameters
    ----------
    frequency : float or ndarray
        Frequency of the force [rad/s].
    velocity_gain : float or ndarray
        K_v [1/s].
    omega, zeta : float or ndarray
        Natural frequency [rad/s] and damping ratio of the axis.
    area : float or ndarray
        Piston area [m2].
    total_flow_pressure : float or ndarray
        K_ce [m3/(s Pa)].
    hydraulic_stiffness : float or ndarray
        Stiffness of the locked oil k_h [N/m].

    Returns
    -------
    ndarray of complex
        Force over deflection [N/m], with ``s = j frequency``:
        ``(K_v A^2/K_ce) (1 + s/K_v + 2 zeta s^2/(w K_v) + s^3/(w^2 K_v))/(1 + s A^2/(k_h K_ce))``;
        for equal areas in mid-stroke ``A^2/(k_h K_ce)`` is ``V_t/(4 K K_ce)`` (Merritt ch. 6).
    """
    require_positive(natural_frequency=omega, stiffness=hydraulic_stiffness)
    s = 1j * np.asarray(frequency, dtype=float)
    static = static_stiffness(velocity_gain, area, total_flow_pressure)
    loop = 1.0 + s / velocity_gain * (1.0 + 2.0 * zeta * s / omega + (s / omega) ** 2)
    stiffness: NDArray[np.complex128] = np.asarray(
        static * loop / (1.0 + s * area**2 / (hydraulic_stiffness * total_flow_pressure))
    )
    return stiffness


def velocity_error(
    velocity: Values, velocity_gain: Values, feedforward: Values = 0.0, feedback: Values = 0.0
) -> Values:
    """Return the lag behind a reference of constant velocity.

    Parameters
    ----------
    velocity : float or ndarray
        Velocity [m/s].
    velocity_gain : float or ndarray
        K_v [1/s].
    feedforward, feedback : float or ndarray, optional
        Shares of the velocity that are fed forward and fed back [-].

    Returns
    -------
    float or ndarray
        ``v (1 - k_ff + k_v)/K_v`` [m] (Merritt ch. 6 for v/K_v).
    """
    require_positive(velocity_gain=velocity_gain)
    return velocity * (1.0 - feedforward + feedback) / velocity_gain


def load_error(force: Values, stiffness: Values) -> Values:
    """Return the deflection under a constant force, F over the static stiffness [m].

    Parameters
    ----------
    force : float or ndarray
        Force [N].
    stiffness : float or ndarray
        Static stiffness of the loop [N/m].

    Returns
    -------
    float or ndarray
        Deflection [m] (Merritt ch. 6).
    """
    require_positive(stiffness=stiffness)
    return force / stiffness


def null_drift_error(drift: Values, travel_gain: Values, velocity_gain: Values) -> Values:
    """Return the error that a drift of the valve's null leaves.

    Parameters
    ----------
    drift : float or ndarray
        Drift, in units of the valve's signal.
    travel_gain : float or ndarray
        Velocity of the axis per unit of the signal [m/s].
    velocity_gain : float or ndarray
        K_v [1/s].

    Returns
    -------
    float or ndarray
        ``u_0 g/K_v`` [m]; with an amplifier K_a and a transducer K_f it is ``i_0/(K_a K_f)``,
        because ``K_v = K_a K_f g`` (Wang ch. 6).
    """
    require_positive(velocity_gain=velocity_gain)
    return drift * travel_gain / velocity_gain
