"""The exact counterparts of the textbooks' numbers: eigenvalues, static gains, steady states.

Linear numbers are those of the plants, which are derivatives of the equations that the simulation
integrates; errors at rest and in motion are steady states of the nonlinear equations themselves.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim._equilibrium import holding_velocity
from servosim.axis import Axis
from servosim.blocks import operating_point
from servosim.components.cylinder import chamber_compliance, volumes
from servosim.components.transducer import scale_value
from servosim.linear import closed_forms as forms
from servosim.linear.controllers import Controllers
from servosim.linear.loops import closed_matrices, delayed_output, systems
from servosim.linear.plants import Plants
from servosim.linear.responses import responses
from servosim.linear.sampling import sampled

Array = NDArray[np.float64]

_SLOW = 1e-3  # rad/s, far below every mode of an axis: a gain at rest
_OWN = 0.05  # least part of a mode that the table's velocity must have
_GAINS = np.geomspace(1e-2, 1e4, 61)  # tried for the limit of stability, 1/s
_FREQUENCIES = 3000
_PADE = 6  # order for the delay of a reading in a continuous loop


def hydraulic_modes(plants: Plants) -> tuple[Array, Array]:
    """Return natural frequency and damping ratio of the mode in which the table swings.

    Parameters
    ----------
    plants : Plants
        Plants.

    Returns
    -------
    omega, zeta : ndarray, shape (n,)
        Of the pair of eigenvalues in which the table's velocity takes the largest part, by the
        product of its right and left eigenvectors [rad/s, -]. Where no pair is left, because the
        mode is overdamped, of the two real eigenvalues with the largest part.
    """
    names = plants.states
    velocity = names.index("table_velocity" if "table_velocity" in names else "piston_velocity")
    values, right = np.linalg.eig(plants.A)
    left = np.linalg.pinv(right)
    part = np.abs(right[:, velocity, :] * left[:, :, velocity])
    omega, zeta = np.empty(len(values)), np.empty(len(values))
    for k, (roots, shares) in enumerate(zip(values, part, strict=True)):
        swings = (roots.imag > 1e-9 * np.abs(roots)) & (shares > _OWN)
        if np.any(swings):
            root = roots[np.argmax(np.where(swings, shares, -1.0))]
            omega[k], zeta[k] = abs(root), -root.real / abs(root)
            continue
        real = (np.abs(roots.imag) <= 1e-9 * np.abs(roots)) & (roots.real < -_SLOW)
        pair = roots.real[np.argsort(np.where(real, shares, -1.0))[-2:]]
        omega[k] = math.sqrt(abs(pair[0] * pair[1]))
        zeta[k] = -0.5 * (pair[0] + pair[1]) / omega[k]
    return omega, zeta


def velocity_gains(plants: Plants) -> Array:
    """Return what velocity of the table a command gives at the last, supply and all settled.

    Parameters
    ----------
    plants : Plants
        Plants.

    Returns
    -------
    ndarray, shape (n,)
        Velocity per full command [m/s].
    """
    u = plants.inputs.index("spool_command")
    y = plants.outputs.index("table_velocity")
    eye = np.eye(plants.A.shape[1])
    states = np.linalg.solve(1j * _SLOW * eye - plants.A, plants.B[:, :, [u]].astype(complex))
    return np.asarray((plants.C[:, [y]] @ states)[:, 0, 0].real)


def static_stiffness(plants: Plants, control: Controllers) -> Array:
    """Return the stiffness of the closed loops against a constant thrust, without integral.

    Parameters
    ----------
    plants : Plants
        Plants.
    control : Controllers
        Their controllers.

    Returns
    -------
    ndarray, shape (n,)
        Thrust over deflection of the table [N/m].
    """
    u, thrust = plants.inputs.index("spool_command"), plants.inputs.index("thrust")
    y = plants.C[:, [plants.outputs.index("scale_reading")]]
    p_A = plants.C[:, [plants.outputs.index("pressure_reading_a")]]
    p_B = plants.C[:, [plants.outputs.index("pressure_reading_b")]]
    # a constant reading and a constant correction are all that is left of the law at rest
    K = np.asarray(control.slope * control.numbers.K_v)[:, None, None]
    ratio, slow = control.area_ratio[:, None, None], control.estimate_slope[:, None, None]
    closed = plants.A + plants.B[:, :, [u]] @ (slow * (p_A - ratio * p_B) - K * y)
    eye = np.eye(plants.A.shape[1])
    states = np.linalg.solve(1j * _SLOW * eye - closed, plants.B[:, :, [thrust]].astype(complex))
    x = plants.C[:, [plants.outputs.index("table_position")]] @ states
    return -1.0 / np.asarray(x[:, 0, 0].real)


def _closable(plants: Plants, control: Controllers) -> Any:
    """Return what is closed to tell stability: sampled exactly, or with the scale's delay."""
    if control.sampled:
        return sampled(plants)
    delay = float(plants.points[0].axis.parameters.transducer.delay)
    return delayed_output(systems(plants), "scale_reading", delay, _PADE)


def _are_stable(closed: Array, control: Controllers) -> NDArray[np.bool_]:
    """Return whether closed loops with these matrices are stable."""
    roots = np.linalg.eigvals(closed)
    outermost = np.max(np.abs(roots) - 1.0 if control.sampled else roots.real, axis=1)
    return np.asarray(outermost < 0.0)


def limit_gains(plants: Plants, control: Controllers) -> Array:
    """Return the velocity gain from which on the closed loop is unstable.

    Parameters
    ----------
    plants : Plants
        Plants.
    control : Controllers
        Their controllers; all gains but the velocity gain stay.

    Returns
    -------
    ndarray, shape (n,)
        Smallest gain with an eigenvalue on the limit of stability [1/s]: zero if the loop is
        unstable with the smallest gain that is tried, infinite if none up to the largest makes it
        so. Sampled loops are taken exactly, with hold and delays.
    """
    plant = _closable(plants, control)
    still = closed_matrices(plant, control.with_gains({"velocity_gain": 0.0}))
    slope = closed_matrices(plant, control.with_gains({"velocity_gain": 1.0})) - still

    def _stable(gains: Array) -> NDArray[np.bool_]:
        return _are_stable(still + gains[:, None, None] * slope, control)

    n = len(still)
    fine = np.array([_stable(np.full(n, gain)) for gain in _GAINS])
    first = np.argmax(~fine, axis=0)
    never, always = ~fine[0], np.all(fine, axis=0)
    low, high = np.log(_GAINS[np.maximum(first - 1, 0)]), np.log(_GAINS[first])
    for _ in range(40):
        middle = 0.5 * (low + high)
        stable = _stable(np.exp(middle))
        low, high = np.where(stable, middle, low), np.where(stable, high, middle)
    return np.where(never, 0.0, np.where(always, np.inf, np.exp(high)))


def least_dynamic_stiffness(plants: Plants, control: Controllers) -> Array:
    """Return the smallest stiffness of the closed loops against a swinging thrust.

    Parameters
    ----------
    plants : Plants
        Plants.
    control : Controllers
        Their controllers.

    Returns
    -------
    ndarray, shape (n,)
        Thrust over deflection of the table [N/m]; nan where the loop is unstable.
    """
    omega, _ = hydraulic_modes(plants)
    nyquist = np.pi / control.period if control.sampled else np.inf
    top = min(nyquist, 10.0 * float(np.max(omega)))
    grid = np.geomspace(1e-2 * float(np.min(omega)), top, _FREQUENCIES)
    found = responses(plants, grid)
    error, reading, pressure = control.paths(found.omega)
    ratio = control.area_ratio[:, None]
    seen = error + reading
    p_L = found.plant[:, :, 1] - ratio * found.plant[:, :, 2]
    loop = found.plant[:, :, 0] * seen + p_L * pressure
    pushed = found.thrust[:, :, 1] - ratio * found.thrust[:, :, 2]
    command = -(seen * found.thrust[:, :, 0] + pressure * pushed) / (1.0 + loop)
    deflection = np.abs(found.thrust[:, :, 3] + found.position * command)
    least = 1.0 / np.max(deflection, axis=1)
    stable = _are_stable(closed_matrices(_closable(plants, control), control), control)
    return np.where(stable, least, np.nan)


def velocity_error(axis: Axis, position: float, velocity: float) -> float:
    """Return reference less table position in steady motion, without the integral [m].

    Parameters
    ----------
    axis : Axis
        The axis; its integral must be off.
    position, velocity : float
        Of the table [m, m/s].

    Raises
    ------
    ParameterError
        If it can't move so.
    """
    at = operating_point(axis, position=position, velocity=velocity)
    p = axis.parameters.transducer
    body = "table_position" if p.on_table == 1 else "piston_position"
    read = float(scale_value(at.states[body], axis.record.transducer))
    lag = float(p.scale) * velocity * float(p.delay)  # the delayed reading is older still
    return at.signals["reference_position"] - lag - read


def load_error(axis: Axis, position: float, thrust: float) -> float:
    """Return how far a thrust pushes the axis away from where it rested [m].

    Parameters
    ----------
    axis : Axis
        The axis; its integral must be off.
    position : float
        Of the table [m].
    thrust : float
        Against extension [N].

    Raises
    ------
    ParameterError
        If nothing holds the thrust.
    """
    errors = []
    for force in (0.0, thrust):
        at = operating_point(axis, position=position, thrust=force)
        errors.append(at.signals["reference_position"] - at.states["scale_reading"])
    return errors[1] - errors[0]


def null_drift_error(axis: Axis, position: float, drift: float) -> float:
    """Return how far a drift of the valve's null moves the axis [m].

    Parameters
    ----------
    axis : Axis
        The axis; its integral must be off.
    position : float
        Of the table [m].
    drift : float
        Change of the command that the spool's null needs [-], from the present one.

    Raises
    ------
    ParameterError
        If nothing holds the axis at rest.
    """
    at = operating_point(axis, position=position)
    c = axis.record.controller
    before, slow = at.signals["command"], at.states["load_estimate"]
    moved = [float(holding_velocity(u, slow, axis.record)) for u in (before, before + drift)]
    return (moved[1] - moved[0]) / float(c.K_v)


def lock_stiffness(axis: Axis, position: float) -> float:
    """Return the stiffness of the table against thrust while the lock holds the oil [N/m].

    Parameters
    ----------
    axis : Axis
        The axis.
    position : float
        Of the table [m].

    Raises
    ------
    ParameterError
        If nothing holds the axis at rest.
    """
    at = operating_point(axis, position=position)
    p, r = axis.parameters, axis.record
    V = volumes(at.states["piston_position"], r.cylinder)
    sides = zip(V, (at.states["pressure_a"], at.states["pressure_b"]), strict=True)
    C_A, C_B = (float(chamber_compliance(v, q, r.cylinder, r.oil)) for v, q in sides)
    if axis.file.lock.kind == "spool":  # it locks lines and hoses in too
        c, oil = r.cylinder, r.oil
        pressures = at.states["pressure_a"], at.states["pressure_b"]
        C_A += float(chamber_compliance(c.V_lA, pressures[0], c, oil)) + p.cylinder.hose_A
        C_B += float(chamber_compliance(c.V_lB, pressures[1], c, oil)) + p.cylinder.hose_B
    A_A, A_B = p.cylinder.A_A, p.cylinder.A_B
    k = float(forms.lock_stiffness(A_A, C_A, A_B, C_B))
    return k if p.load.two == 0 else 1.0 / (1.0 / k + 1.0 / p.load.k_s)
