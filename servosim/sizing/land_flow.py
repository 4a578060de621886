"""Both chambers' pressures and the opening of the valve for a velocity and a force of the oil.

Physics. Oil enters one chamber through one land and leaves the other through the second; both
lands open by the same command. With ``q_in`` and ``q_out`` given by velocity, areas and leakage,
the orifice equation of both lands and the balance of forces on the piston leave one unknown, the
opening: ``A_in p_in - A_out p_out = F`` with ``p_in = p_S - d_in - (q_in/(K_in w))^2`` and
``p_out = p_T + d_out + (q_out/(K_out w))^2``, hence
``w^2 = (A_in q_in^2/K_in^2 + A_out q_out^2/K_out^2)/F_left``. Areas and lands may be unequal. A
pressure below zero says that the oil would have to pull: there it cavitates.

Assumptions. Steady flow; lands turbulent and linear over their opening; no compression flow. Losses
between valve and chamber are those of service line and open lock.

Sources. Orifice equation and continuity, as H. E. Merritt, *Hydraulic Control Systems*, Wiley 1967,
ch. 6 has them for equal areas (from memory).
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from servosim.sizing.calculation import Calculation, formula
from servosim.sizing.combinations import Array

_SLOWEST = 1e-9  # m/s, in the place of zero, so that shares of flow stay defined
_LEAK_PASSES = 4
_LANDS = "orifice equation and continuity; Merritt, ch. 6 for equal areas (from memory)"


class Side(NamedTuple):
    """One side of the actuator and its land, as the motion meets it; arrays that broadcast.

    Attributes
    ----------
    area : ndarray
        Effective area of the piston [m2].
    coefficient : ndarray
        Flow over the root of the drop, land fully open [m3/s/sqrt(Pa)].
    loss : ndarray
        Pressure lost between valve and chamber [Pa].
    """

    area: Any
    coefficient: Any
    loss: Any


class Leakage(NamedTuple):
    """Leakage from chamber to chamber and from each chamber outward [m3/s/Pa]; arrays."""

    internal: Any
    external: Any


class Point(NamedTuple):
    """State of valve and chambers at a velocity, in the direction of the motion; arrays.

    Attributes
    ----------
    flow_in, flow_out : ndarray
        Flow into one chamber, out of the other [m3/s].
    force_left : ndarray
        What is left of the pressures' force for the lands [N].
    share : ndarray
        Opening of the lands over the full one [-]; nan where no opening will do.
    pressure_in, pressure_out : ndarray
        Chamber into which, and out of which, the oil flows [Pa].
    """

    flow_in: Array
    flow_out: Array
    force_left: Array
    share: Array
    pressure_in: Array
    pressure_out: Array


@formula(
    "K_A",
    "flow coefficient of the fully open lands at A",
    "rated_flow*sqrt(2/rated_drop)",
    "m3/s/sqrt(Pa)",
    "rating: total drop over both lands, half of it over each (common practice, no source)",
    rated_flow=("rated flow", "m3/s"),
    rated_drop=("rated drop over both lands", "Pa"),
)
def land_coefficient(rated_flow: Array, rated_drop: Array) -> Array:
    """Return flow over the root of the drop of one fully open land [m3/s/sqrt(Pa)]."""
    return rated_flow * np.sqrt(2.0 / rated_drop)


@formula(
    "K_B",
    "flow coefficient of the fully open lands at B",
    "K_A*area_ratio",
    "m3/s/sqrt(Pa)",
    "definition of the area ratio of a matched spool",
    K_A=("flow coefficient of the lands at A", "m3/s/sqrt(Pa)"),
    area_ratio=("area of the lands at B over those at A", "1"),
)
def land_coefficient_b(K_A: Array, area_ratio: Array) -> Array:
    """Return the coefficient of the lands at B [m3/s/sqrt(Pa)]."""
    return K_A * area_ratio


@formula(
    "q_in",
    "flow into the chamber",
    "area*speed + internal*(p_in - p_out) + external*p_in",
    "m3/s",
    "continuity",
    area=("piston area on the side of the inlet", "m2"),
    speed=("speed", "m/s"),
    internal=("leakage from chamber to chamber", "m3/s/Pa"),
    external=("leakage outward", "m3/s/Pa"),
    p_in=("pressure on the side of the inlet, from the pass before", "Pa"),
    p_out=("pressure on the side of the outlet, from the pass before", "Pa"),
)
def flow_into(
    area: Array, speed: Array, internal: Array, external: Array, p_in: Array, p_out: Array
) -> Array:
    """Return the flow into the chamber that grows [m3/s]."""
    return area * speed + internal * (p_in - p_out) + external * p_in


@formula(
    "q_out",
    "flow out of the other chamber",
    "maximum(area*speed + internal*(p_in - p_out) - external*p_out, 0)",
    "m3/s",
    "continuity",
    area=("piston area on the side of the outlet", "m2"),
    speed=("speed", "m/s"),
    internal=("leakage from chamber to chamber", "m3/s/Pa"),
    external=("leakage outward", "m3/s/Pa"),
    p_in=("pressure on the side of the inlet, from the pass before", "Pa"),
    p_out=("pressure on the side of the outlet, from the pass before", "Pa"),
)
def flow_out_of(
    area: Array, speed: Array, internal: Array, external: Array, p_in: Array, p_out: Array
) -> Array:
    """Return the flow out of the chamber that shrinks [m3/s]."""
    return np.maximum(area * speed + internal * (p_in - p_out) - external * p_out, 0.0)


@formula(
    "F_V",
    "force left for the lands",
    "A_in*(p_S - d_in) - A_out*(p_T + d_out) - F",
    "N",
    "balance of forces on the piston",
    A_in=("piston area on the side of the inlet", "m2"),
    p_S=("supply pressure", "Pa"),
    d_in=("loss from valve to chamber", "Pa"),
    A_out=("piston area on the side of the outlet", "m2"),
    p_T=("return pressure", "Pa"),
    d_out=("loss from chamber to valve", "Pa"),
    F=("force of the oil in the direction of the motion", "N"),
)
def force_left(
    A_in: Array, p_S: Array, d_in: Array, A_out: Array, p_T: Array, d_out: Array, F: Array
) -> Array:
    """Return what is left of the pressures' force for the lands [N]."""
    return A_in * (p_S - d_in) - A_out * (p_T + d_out) - F


@formula(
    "w",
    "opening of the lands over the full one",
    "sqrt((A_in*(q_in/K_in)**2 + A_out*(q_out/K_out)**2)/F_V)",
    "1",
    _LANDS,
    A_in=("piston area on the side of the inlet", "m2"),
    q_in=("flow in", "m3/s"),
    K_in=("flow coefficient of the inlet's land", "m3/s/sqrt(Pa)"),
    A_out=("piston area on the side of the outlet", "m2"),
    q_out=("flow out", "m3/s"),
    K_out=("flow coefficient of the outlet's land", "m3/s/sqrt(Pa)"),
    F_V=("force left for the lands", "N"),
)
def opening_share(
    A_in: Array, q_in: Array, K_in: Array, A_out: Array, q_out: Array, K_out: Array, F_V: Array
) -> Array:
    """Return the opening of both lands as a share of the full one; nan if no force is left."""
    left = np.where(np.asarray(F_V) > 0.0, F_V, np.nan)
    return np.sqrt((A_in * (q_in / K_in) ** 2 + A_out * (q_out / K_out) ** 2) / left)


@formula(
    "p_in",
    "pressure of the chamber that fills",
    "p_S - d_in - (q_in/(K_in*w))**2",
    "Pa",
    _LANDS,
    p_S=("supply pressure", "Pa"),
    d_in=("loss from valve to chamber", "Pa"),
    q_in=("flow in", "m3/s"),
    K_in=("flow coefficient of the inlet's land", "m3/s/sqrt(Pa)"),
    w=("opening of the lands over the full one", "1"),
)
def pressure_of_inlet(p_S: Array, d_in: Array, q_in: Array, K_in: Array, w: Array) -> Array:
    """Return the pressure of the chamber that fills [Pa]."""
    return p_S - d_in - (q_in / (K_in * w)) ** 2


@formula(
    "p_out",
    "pressure of the chamber that empties",
    "p_T + d_out + (q_out/(K_out*w))**2",
    "Pa",
    _LANDS,
    p_T=("return pressure", "Pa"),
    d_out=("loss from chamber to valve", "Pa"),
    q_out=("flow out", "m3/s"),
    K_out=("flow coefficient of the outlet's land", "m3/s/sqrt(Pa)"),
    w=("opening of the lands over the full one", "1"),
)
def pressure_of_outlet(p_T: Array, d_out: Array, q_out: Array, K_out: Array, w: Array) -> Array:
    """Return the pressure of the chamber that empties [Pa]."""
    return p_T + d_out + (q_out / (K_out * w)) ** 2


@formula(
    "u",
    "command that opens the lands so far",
    "maximum(overlap + (1 - overlap)*w, 0)",
    "1",
    "linear lands with overlap, as the valve of the axis file",
    overlap=("overlap over the stroke", "1"),
    w=("opening of the lands over the full one", "1"),
)
def command_for(overlap: Array, w: Array) -> Array:
    """Return the command for an opening [-]."""
    return np.maximum(overlap + (1.0 - overlap) * w, 0.0)


@formula(
    "q_N",
    "rated flow that the point needs",
    "rated_flow*w",
    "m3/s",
    "flow over the root of the drop (Electrohydraulic valves, a technical look, p. 4)",
    rated_flow=("rated flow of this valve", "m3/s"),
    w=("opening of the lands over the full one, this valve", "1"),
)
def needed_rated_flow(rated_flow: Array, w: Array) -> Array:
    """Return the rated flow, at the valve's rated drop, with which full opening would do [m3/s]."""
    return rated_flow * w


@formula(
    "F_curve",
    "force that is left at a velocity",
    "A_in*(p_S - d_in) - A_out*(p_T + d_out) - (A_in**3/K_in**2 + A_out**3/K_out**2)*(speed/w)**2",
    "N",
    _LANDS,
    A_in=("piston area on the side of the inlet", "m2"),
    p_S=("supply pressure", "Pa"),
    d_in=("loss from valve to chamber", "Pa"),
    A_out=("piston area on the side of the outlet", "m2"),
    p_T=("return pressure", "Pa"),
    d_out=("loss from chamber to valve", "Pa"),
    K_in=("flow coefficient of the inlet's land", "m3/s/sqrt(Pa)"),
    K_out=("flow coefficient of the outlet's land", "m3/s/sqrt(Pa)"),
    speed=("speed", "m/s"),
    w=("opening of the lands over the full one", "1"),
)
def force_on_curve(
    A_in: Array, p_S: Array, d_in: Array, A_out: Array, p_T: Array, d_out: Array,
    K_in: Array, K_out: Array, speed: Array, w: Array,
) -> Array:  # fmt: skip
    """Return the force in the direction of the motion at a speed and an opening [N]."""
    lands = A_in**3 / K_in**2 + A_out**3 / K_out**2
    return A_in * (p_S - d_in) - A_out * (p_T + d_out) - lands * (speed / w) ** 2


def state_at(
    speed: Any,
    force: Any,
    supply: Any,
    tank: Any,
    inlet: Side,
    outlet: Side,
    leakage: Leakage,
    calc: Calculation | None = None,
    note: str = "",
) -> Point:
    """Return opening, flows and pressures at a speed and a force; everything broadcasts.

    Parameters
    ----------
    speed : float or ndarray
        Speed in the direction of the motion [m/s], zero or more.
    force : float or ndarray
        Force of the oil on the piston in that direction [N].
    supply, tank : float or ndarray
        Supply and return pressure at the valve [Pa].
    inlet, outlet : Side
        Side that fills and side that empties.
    leakage : Leakage
        Of the actuator.
    calc : Calculation, optional
        Where the steps of the last pass are kept.
    note : str, optional
        Remark for the sheet.

    Returns
    -------
    Point
        Nan where no opening of the lands leaves enough force.
    """
    silent, calc = Calculation(), Calculation() if calc is None else calc
    slow = np.maximum(np.asarray(speed, dtype=float), _SLOWEST)
    p_in: Any = 0.0
    p_out: Any = 0.0
    passes = _LEAK_PASSES if _some(leakage) else 0
    for _ in range(passes):
        found = _pass(silent, "", slow, force, supply, tank, inlet, outlet, leakage, p_in, p_out)
        p_in, p_out = np.nan_to_num(found.pressure_in), np.nan_to_num(found.pressure_out)
    return _pass(calc, note, slow, force, supply, tank, inlet, outlet, leakage, p_in, p_out)


def _some(leakage: Leakage) -> bool:
    return any(np.any(np.asarray(one) > 0.0) for one in leakage)


def _pass(
    calc: Calculation, note: str, speed: Any, force: Any, supply: Any, tank: Any,
    inlet: Side, outlet: Side, leakage: Leakage, p_in: Any, p_out: Any,
) -> Point:  # fmt: skip
    leaks = {"internal": leakage.internal, "external": leakage.external}
    q_in = calc.of(flow_into, note, area=inlet.area, speed=speed, p_in=p_in, p_out=p_out, **leaks)
    q_out = calc.of(flow_out_of, area=outlet.area, speed=speed, p_in=p_in, p_out=p_out, **leaks)
    left = calc.of(force_left, A_in=inlet.area, p_S=supply, d_in=inlet.loss, A_out=outlet.area,
                   p_T=tank, d_out=outlet.loss, F=force)  # fmt: skip
    w = calc.of(opening_share, A_in=inlet.area, q_in=q_in, K_in=inlet.coefficient,
                A_out=outlet.area, q_out=q_out, K_out=outlet.coefficient, F_V=left)  # fmt: skip
    return Point(
        q_in,
        q_out,
        left,
        w,
        calc.of(pressure_of_inlet, p_S=supply, d_in=inlet.loss, q_in=q_in,
                K_in=inlet.coefficient, w=w),
        calc.of(pressure_of_outlet, p_T=tank, d_out=outlet.loss, q_out=q_out,
                K_out=outlet.coefficient, w=w),
    )  # fmt: skip
