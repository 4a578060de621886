"""Bore of a line from its flow, and its loss by the Darcy-Weisbach equation, warm or cold.

Physics. The friction factor is 64/Re in laminar flow and follows Colebrook's equation above a
Reynolds number of 2300. Fittings lose velocity heads; in slow, cold oil they lose more, in
proportion to 1/Re.

Assumptions. Steady flow, round bores, oil of one temperature along the line. Between laminar and
turbulent flow the larger, turbulent factor counts.

Sources. *Esposito* is A. Esposito, *Fluid Power with Applications*, ch. 4 and 10; Colebrook's
equation as in the general library ``fluids``; two constants of a fitting after W. B. Hooper,
*Chemical Engineering*, 1981 (from memory).
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from servosim.sizing.calculation import Calculation, formula
from servosim.sizing.combinations import Array

LAMINAR = 2300.0
_LEAST_REYNOLDS = 1e-9
_TRIALS = 12


@formula(
    "d_min",
    "least bore for the mean velocity",
    "sqrt(4*flow/(pi*velocity))",
    "m",
    "continuity; Esposito, ex. 10-1 and 10-2",
    flow=("flow", "m3/s"),
    velocity=("highest mean velocity", "m/s"),
)
def least_bore(flow: Array, velocity: Array) -> Array:
    """Return the bore at which a flow has a given mean velocity [m]."""
    return np.sqrt(4.0 * flow / (np.pi * velocity))


@formula(
    "v",
    "mean velocity in the line",
    "4*flow/(pi*bore**2)",
    "m/s",
    "continuity; Esposito, ex. 10-1 and 10-2",
    flow=("flow", "m3/s"),
    bore=("bore", "m"),
)
def mean_velocity(flow: Array, bore: Array) -> Array:
    """Return the mean velocity of a flow in a bore [m/s]."""
    return 4.0 * flow / (np.pi * bore**2)


@formula(
    "Re",
    "Reynolds number",
    "velocity*bore/viscosity",
    "1",
    "Esposito, ex. 4-1 and 4-2",
    velocity=("mean velocity", "m/s"),
    bore=("bore", "m"),
    viscosity=("kinematic viscosity", "m2/s"),
)
def reynolds_number(velocity: Array, bore: Array, viscosity: Array) -> Array:
    """Return the Reynolds number of a flow in a bore [-]."""
    return velocity * bore / viscosity


@formula(
    "lambda",
    "friction factor, laminar below a Reynolds number of 2300",
    "64/reynolds",
    "1",
    "Hagen-Poiseuille; Esposito, ch. 4",
    reynolds=("Reynolds number", "1"),
)
def laminar_friction(reynolds: Array) -> Array:
    """Return the friction factor of laminar flow [-]."""
    return 64.0 / reynolds


@formula(
    "lambda",
    "friction factor, turbulent, put in to check it",
    "0.25/log10(roughness/(3.7*bore) + 2.51/(reynolds*sqrt(trial)))**2",
    "1",
    "Colebrook's equation, solved by iteration",
    roughness=("roughness", "m"),
    bore=("bore", "m"),
    reynolds=("Reynolds number", "1"),
    trial=("the same friction factor", "1"),
)
def turbulent_friction(roughness: Array, bore: Array, reynolds: Array, trial: Array) -> Array:
    """Return the right side of Colebrook's equation: its root put in gives itself [-]."""
    return 0.25 / np.log10(roughness / (3.7 * bore) + 2.51 / (reynolds * np.sqrt(trial))) ** 2


@formula(
    "zeta",
    "loss coefficient of the fittings at this Reynolds number",
    "coefficient*(1 + 1000/reynolds)",
    "1",
    "form of W. B. Hooper, Chemical Engineering 1981 (from memory); 1000 is a mean of fittings",
    coefficient=("sum of loss coefficients in turbulent flow", "1"),
    reynolds=("Reynolds number", "1"),
)
def fittings_coefficient(coefficient: Array, reynolds: Array) -> Array:
    """Return the sum of the loss coefficients, larger in slow or viscous flow [-]."""
    return coefficient * (1.0 + 1000.0 / reynolds)


@formula(
    "dp",
    "loss of the line with its fittings",
    "(friction*length/bore + fittings)*density/2*velocity**2",
    "Pa",
    "Darcy-Weisbach; Esposito, ch. 4",
    friction=("friction factor", "1"),
    length=("length", "m"),
    bore=("bore", "m"),
    fittings=("loss coefficient of the fittings", "1"),
    density=("density", "kg/m3"),
    velocity=("mean velocity", "m/s"),
)
def darcy_weisbach(
    friction: Array, length: Array, bore: Array, fittings: Array, density: Array, velocity: Array
) -> Array:
    """Return the loss of pressure in a line [Pa]."""
    return (friction * length / bore + fittings) * density / 2.0 * velocity**2


class Line(NamedTuple):
    """What a line is made of.

    Attributes
    ----------
    length : float
        Length [m].
    fittings : float
        Sum of the loss coefficients of its fittings in turbulent flow [-].
    roughness : float
        Roughness of the bore [m].
    """

    length: float
    fittings: float
    roughness: float


def colebrook(reynolds: ArrayLike, relative_roughness: ArrayLike) -> Any:
    """Return the turbulent friction factor by Colebrook's equation.

    Parameters
    ----------
    reynolds : float or ndarray
        Reynolds number [-].
    relative_roughness : float or ndarray
        Roughness over bore [-].

    Returns
    -------
    float or ndarray
        Friction factor [-]: ``1/sqrt(f) = -2 log10(r/3.7 + 2.51/(Re sqrt(f)))``.

    Notes
    -----
    Newton's method on ``1/sqrt(f)``, from Haaland's explicit form. Below a Reynolds number of 1000
    the equation has no meaning and is taken at 1000.
    """
    Re = np.maximum(np.asarray(reynolds, dtype=float), 1000.0)
    r = np.asarray(relative_roughness, dtype=float)
    x = -1.8 * np.log10((r / 3.7) ** 1.11 + 6.9 / Re)
    for _ in range(_TRIALS):
        inner = r / 3.7 + 2.51 * x / Re
        slope = 1.0 + 2.0 / np.log(10.0) * 2.51 / Re / inner
        x = x - (x + 2.0 * np.log10(inner)) / slope
    return 1.0 / x**2


def bore_for(flow: ArrayLike, velocity: ArrayLike, series: ArrayLike) -> Array:
    """Return the smallest bore of a series in which the mean velocity keeps its limit.

    Parameters
    ----------
    flow : float or ndarray
        Flow [m3/s], without sign.
    velocity : float or ndarray
        Highest mean velocity [m/s].
    series : sequence of float
        Bores to choose from [m], in any order.

    Returns
    -------
    ndarray
        Bore [m] in the shape of the flow; nan where even the largest is too small.
    """
    needed = least_bore(flow=np.asarray(flow, dtype=float), velocity=np.asarray(velocity))
    return smallest_of(needed, series)


def smallest_of(needed: ArrayLike, series: ArrayLike) -> Array:
    """Return the smallest size of a series that is at least what is needed.

    Parameters
    ----------
    needed : float or ndarray
        What is needed [unit of the series]; a part in 1e9 less passes.
    series : sequence of float
        Sizes, in any order.

    Returns
    -------
    ndarray
        Size in the shape of what is needed; nan where none is large enough.
    """
    sizes = np.append(np.sort(np.asarray(series, dtype=float)), np.nan)
    least = np.asarray(needed, dtype=float) * (1.0 - 1e-9)
    place = np.searchsorted(sizes[:-1], least)
    return sizes[np.where(np.isnan(least), len(sizes) - 1, place)]


def or_largest(found: Array, series: tuple[float, ...]) -> Array:
    """Return a size that was found, the largest of the series where none was.

    Parameters
    ----------
    found : ndarray
        Size of the series, or nan.
    series : tuple of float
        The series.

    Returns
    -------
    ndarray
        Something to go on counting with; the rule that is broken stands elsewhere.
    """
    return np.where(np.isnan(found), max(series), found)


def loss(
    flow: ArrayLike,
    bore: ArrayLike,
    line: Line,
    viscosity: ArrayLike,
    density: ArrayLike,
    calc: Calculation | None = None,
    note: str = "",
) -> Array:
    """Return the loss of pressure of a line with its fittings.

    Parameters
    ----------
    flow : float or ndarray
        Flow [m3/s]; its sign does not count.
    bore : float or ndarray
        Bore [m].
    line : Line
        Length [m], loss coefficients [-] and roughness [m].
    viscosity : float or ndarray
        Kinematic viscosity [m2/s].
    density : float or ndarray
        Density [kg/m3].
    calc : Calculation, optional
        Where the steps are kept.
    note : str, optional
        Remark for the sheet, such as which line in which oil.

    Returns
    -------
    ndarray
        Loss [Pa], without sign.
    """
    calc = Calculation() if calc is None else calc
    size, d = np.abs(np.asarray(flow, dtype=float)), np.asarray(bore, dtype=float)
    v = calc.of(mean_velocity, note, flow=size, bore=d)
    Re = calc.of(reynolds_number, velocity=v, bore=d, viscosity=viscosity)
    Re = np.maximum(Re, _LEAST_REYNOLDS)
    f = _friction(calc, Re, line.roughness, d)
    zeta = calc.of(fittings_coefficient, coefficient=line.fittings, reynolds=Re)
    found: Array = calc.of(darcy_weisbach, note, friction=f, length=line.length, bore=d,
                           fittings=zeta, density=density, velocity=v)  # fmt: skip
    return found


def _friction(calc: Calculation, Re: Array, roughness: float, bore: Array) -> Array:
    """Return the friction factor; of a single one the formula that holds is written down."""
    turbulent = np.asarray(Re >= LAMINAR)
    if not turbulent.any():
        return np.asarray(calc.of(laminar_friction, reynolds=Re))
    root = colebrook(Re, roughness / bore)
    if turbulent.all():
        return np.asarray(calc.of(turbulent_friction, roughness=roughness, bore=bore, reynolds=Re,
                                  trial=root))  # fmt: skip
    return np.where(turbulent, root, laminar_friction(reynolds=Re))
