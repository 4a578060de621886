"""Nonlinearities of an axis as gains over the amplitude, in the order in which a signal meets them.

Between the wanted velocity and the flow stand the controller's opening curve (overlap inverse,
limit), the plays of the command path, the spool's own motion and the lands with their overlap.
Each is the describing function of the very function that the simulation calls.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from servosim._equilibrium import rest, steady_force
from servosim.axis import Axis
from servosim.components.controller import opening_command
from servosim.components.valve import output as land_flows
from servosim.linear import describing

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

Gain = Callable[[Array], Complex]

_SPAN = (1e-6, 4.0)  # amplitudes of openings for which the curves are integrated
_TABLE = 500
_POINTS = 1001  # of half a curve


def _linear(amplitude: Array) -> Complex:
    return np.ones(np.shape(amplitude), dtype=complex)


@dataclass(frozen=True)
class Chain:
    """Gains of the elements, each over the amplitude at its own input.

    Attributes
    ----------
    curve : callable
        Command over the opening that is asked for, by the controller; the amplitude is that of the
        opening [-].
    plays : callable
        Of the command path, over the amplitude of the command [-].
    lands : callable
        Load flow over spool [m3/s], over the amplitude of the spool [-].
    """

    curve: Gain = _linear
    plays: Gain = _linear
    lands: Gain = _linear


def _tabulated(function: Callable[[Array], Array]) -> Gain:
    """Return the describing function of a curve, between amplitudes that were integrated once."""
    amplitudes = np.geomspace(*_SPAN, _TABLE)
    gains = describing.of_curve(function, amplitudes)
    x = np.log(amplitudes)

    def _gain(amplitude: Array) -> Complex:
        at = np.log(np.clip(amplitude, *_SPAN))
        beyond = np.maximum(amplitude / _SPAN[1], 1.0)  # a limited output fades as 1/amplitude
        found = np.interp(at, x, gains.real) + 1j * np.interp(at, x, gains.imag)
        return np.asarray(found / beyond)

    return _gain


def opening_curve(axis: Axis) -> Callable[[Array], Array]:
    """Return the command over the opening that is asked for, mean of both directions, no trim.

    Parameters
    ----------
    axis : Axis
        The axis.

    Returns
    -------
    callable
        Command [-] for an array of openings [-], from the controller's own function.
    """
    c = axis.record.controller
    asked = np.concatenate([-np.geomspace(4.0, 1e-7, _POINTS), np.geomspace(1e-7, 4.0, _POINTS)])
    g = [float(c.g_plus if o >= 0.0 else c.g_minus) for o in asked]
    given = np.array(
        [float(opening_command(o * k, 0.0, c)) for o, k in zip(asked.tolist(), g, strict=True)]
    ) - float(c.trim)
    return lambda o: np.interp(o, asked, given)


def land_curve(axis: Axis) -> Callable[[Array], Array]:
    """Return the load flow over the spool at the pressures of rest [m3/s].

    Parameters
    ----------
    axis : Axis
        The axis.

    Returns
    -------
    callable
        Flow [m3/s] for an array of spool positions [-], by the lands themselves; the stops of the
        spool are part of it.
    """
    force = float(steady_force(0.5 * axis.file.cylinder.stroke, 0.0, axis.record)[0])
    at = rest(force, axis.record)
    pressures = (0.0, at.p_A, at.p_B, at.p_S, axis.record.supply.p_T)
    middle = float(at.spool)
    c = axis.parameters.cylinder
    areas = c.A_A**2 + c.A_B**2

    def _flow(xs: float) -> float:
        """Return the flow that moves the piston, both sides weighted by their areas."""
        q = land_flows(0.0, (xs, 0.0), pressures, axis.record.valve)
        return float(c.A_A * (c.A_A * (q[0] - q[3]) + c.A_B * (q[1] - q[2])) / areas)

    travel = np.concatenate([-np.geomspace(1.0, 1e-7, _POINTS), np.geomspace(1e-7, 1.0, _POINTS)])
    flow = np.array([_flow(middle + s) for s in travel.tolist()])
    return lambda s: np.interp(s, travel, flow)


def chain_of(axis: Axis, *, overlap: bool = True, plays: bool = True) -> Chain:
    """Return the elements of an axis.

    Parameters
    ----------
    axis : Axis
        The axis.
    overlap : bool, optional
        Whether the curve of the controller acts, with its limit.
    plays : bool, optional
        Whether the plays of the command path act.

    Returns
    -------
    Chain
        Gains; those that don't act are one.
    """
    v = axis.record.valve
    w, narrow, wide = float(v.w), float(v.r_narrow), float(v.r_wide)

    def _plays(amplitude: Array) -> Complex:
        path = (1.0 - w) * describing.play(amplitude, narrow)
        return np.asarray(path + w * describing.play(amplitude, wide))

    return Chain(
        curve=_tabulated(opening_curve(axis)) if overlap else _linear,
        plays=_plays if plays and max(narrow, wide) > 0.0 else _linear,
        lands=_tabulated(land_curve(axis)),
    )
