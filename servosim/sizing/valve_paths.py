"""Between supply and piston: pressures counted with, losses, and the speed that a force leaves.

Physics. Service line and open lock take pressure from the oil on its way in and out, most in the
coldest oil at work.

Sources. Darcy-Weisbach equation (:mod:`servosim.sizing.lines`), orifice equation.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from servosim.components.oil import density, viscosity
from servosim.sizing import land_flow as lands
from servosim.sizing.calculation import Calculation, formula
from servosim.sizing.combinations import Array
from servosim.sizing.land_flow import Leakage
from servosim.sizing.lines import Line, loss
from servosim.sizing.requirement import RequirementFile

if TYPE_CHECKING:
    from servosim.sizing.actuators import Actuators
    from servosim.sizing.valves import Valves

_HALVINGS = 36


@formula(
    "p_low",
    "lowest supply pressure in motion",
    "nominal*(1 - variation)*(1 - sag) - loss",
    "Pa",
    "requirement: variation of the supply, largest sag and largest loss of the line, all at once",
    nominal=("nominal supply pressure", "Pa"),
    variation=("variation of the supply", "1"),
    sag=("largest fall in a move", "1"),
    loss=("largest loss from power unit to valve", "Pa"),
)
def lowest_supply_of(nominal: Array, variation: Array, sag: Array, loss: Array) -> Array:
    """Return the lowest supply pressure to count with [Pa]."""
    return nominal * (1.0 - variation) * (1.0 - sag) - loss


@formula(
    "p_high",
    "highest supply pressure",
    "nominal*(1 + variation)",
    "Pa",
    "requirement: variation of the supply",
    nominal=("nominal supply pressure", "Pa"),
    variation=("variation of the supply", "1"),
)
def highest_supply_of(nominal: Array, variation: Array) -> Array:
    """Return the highest supply pressure to count with [Pa]."""
    return nominal * (1.0 + variation)


@formula(
    "d_L",
    "loss of the open lock",
    "rated_drop*(flow/rated_flow)**2",
    "Pa",
    "orifice equation",
    rated_drop=("drop of the open element", "Pa"),
    flow=("flow", "m3/s"),
    rated_flow=("flow at that drop", "m3/s"),
)
def lock_loss(rated_drop: Array, flow: Array, rated_flow: Array) -> Array:
    """Return the loss of an open lock [Pa]."""
    return rated_drop * (flow / rated_flow) ** 2


@formula(
    "d",
    "loss between valve and chamber",
    "line + lock",
    "Pa",
    "sum",
    line=("loss of the service line", "Pa"),
    lock=("loss of the open lock", "Pa"),
)
def path_loss(line: Array, lock: Array) -> Array:
    """Return the loss between valve and chamber [Pa]."""
    return line + lock


class AxisLands(NamedTuple):
    """What the points of a direction share; every array has the shape (n, 1)."""

    area_a: Array
    area_b: Array
    K_A: Array
    K_B: Array
    bore: Array
    leakage: Leakage


def axis_lands(actuators: Actuators, K_A: Array, K_B: Array) -> AxisLands:
    """Return what the points of an axis share.

    Parameters
    ----------
    actuators : Actuators
        Areas, leakage and bore of the service lines.
    K_A, K_B : ndarray, shape (n,)
        Flow coefficients of the lands [m3/s/sqrt(Pa)].

    Returns
    -------
    AxisLands
        Arrays of shape (n, 1).
    """

    def column(values: Any) -> Array:
        return np.broadcast_to(np.asarray(values, dtype=float), K_A.shape)[:, None]

    a = actuators
    leakage = Leakage(column(a.internal_leakage), column(a.external_leakage))
    return AxisLands(column(a.area_a), column(a.area_b), column(K_A), column(K_B),
                 column(a.service_bore), leakage)  # fmt: skip


def losses_of(requirement: RequirementFile, bore: Array) -> Callable[..., Any]:
    """Return the loss between valve and chamber over the flow, in the coldest oil at work.

    Parameters
    ----------
    requirement : RequirementFile
        Has lines, lock and oil.
    bore : ndarray
        Bore of the service lines [m].

    Returns
    -------
    callable
        Takes a flow [m3/s], and optionally a calculation and a note; returns the loss [Pa].
    """
    oil, coldest = requirement.oil, requirement.conditions.temperature.low
    nu, rho = viscosity(oil, coldest), density(oil, coldest)
    lines, lock = requirement.lines, requirement.lock
    line = Line(lines.service_length + lines.hose_length, lines.service_fittings, lines.roughness)
    locked = lock.kind in ("blocking_valve", "pilot_check")

    def lost(flow: Any, calc: Calculation | None = None, note: str = "") -> Any:
        calc = Calculation() if calc is None else calc
        pipe = loss(flow, bore, line, nu, rho, calc, note)
        element: Any = np.zeros_like(pipe)
        if locked:
            element = calc.of(lock_loss, note, rated_drop=lock.rated_pressure_drop,
                              flow=flow, rated_flow=lock.rated_flow)  # fmt: skip
        return calc.of(path_loss, note, line=pipe, lock=element)

    return lost


def speed_at(
    force: Array,
    share: Any,
    supply: Array,
    tank: float,
    axis: AxisLands,
    loss_of: Callable[..., Any],
    sign: float,
) -> Array:
    """Return the speed at which a force is left, by halving; zero where it cannot be moved.

    Parameters
    ----------
    force : ndarray, shape (n, n_f)
        Force of the oil in the direction of the motion [N].
    share : float or ndarray
        Opening of the lands over the full one [-].
    supply : ndarray, shape (n, 1)
        Supply pressure [Pa].
    tank : float
        Return pressure [Pa].
    axis : tuple
        Areas and coefficients, shape (n, 1).
    loss_of : callable
        Loss over flow [Pa].
    sign : float
        One in extension, minus one in retraction.

    Returns
    -------
    ndarray, shape (n, n_f)
        Speed [m/s].
    """
    A_in, A_out = (axis.area_a, axis.area_b) if sign > 0 else (axis.area_b, axis.area_a)
    K_in, K_out = (axis.K_A, axis.K_B) if sign > 0 else (axis.K_B, axis.K_A)
    lands_alone = A_in**3 / K_in**2 + A_out**3 / K_out**2
    left = np.maximum(A_in * supply - A_out * tank - force, 0.0)
    low, high = np.zeros_like(left), share * np.sqrt(left / lands_alone)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        spare = lands.force_on_curve(
            A_in=A_in, p_S=supply, d_in=loss_of(A_in * middle), A_out=A_out, p_T=tank,
            d_out=loss_of(A_out * middle), K_in=K_in, K_out=K_out, speed=middle, w=share,
        ) > force  # fmt: skip
        low, high = np.where(spare, middle, low), np.where(spare, high, middle)
    return 0.5 * (low + high)


def write_force_at(
    speed: float, supply: float, tank: float, axis: AxisLands, loss_of: Callable[..., Any],
    sign: float, calc: Calculation,
) -> None:  # fmt: skip
    """Keep the step that shows which force full opening leaves at a speed, of one combination.

    Parameters
    ----------
    speed : float
        Speed [m/s].
    supply, tank : float
        Supply and return pressure [Pa].
    axis : AxisLands
        Areas and coefficients, shape (1, 1).
    loss_of : callable
        Loss over flow [Pa].
    sign : float
        One in extension, minus one in retraction.
    calc : Calculation
        Keeps the step.
    """
    sides = ((axis.area_a, axis.K_A), (axis.area_b, axis.K_B))
    (A_in, K_in), (A_out, K_out) = (
        tuple(float(one[0, 0]) for one in side) for side in (sides if sign > 0 else sides[::-1])
    )
    calc.of(lands.force_on_curve, "to check by: the force above, leakage left out", A_in=A_in,
            p_S=supply, d_in=loss_of(A_in * speed), A_out=A_out, p_T=tank,
            d_out=loss_of(A_out * speed), K_in=K_in, K_out=K_out, speed=speed, w=1.0)  # fmt: skip


def flow_pressure_curve(
    requirement: RequirementFile,
    actuators: Actuators,
    valves: Valves,
    k: int,
    force: Array,
    command_share: float = 1.0,
) -> tuple[Array, Array]:
    """Return the velocity that one combination's valve leaves over the force of the oil.

    Parameters
    ----------
    requirement : RequirementFile
        What is asked for.
    actuators : Actuators
        Areas and service bore.
    valves : Valves
        Coefficients and lowest supply.
    k : int
        Which combination.
    force : ndarray, shape (n_f,)
        Force of the oil on the piston [N], positive in extension.
    command_share : float, optional
        Opening of the lands over the full one [-].

    Returns
    -------
    out, inward : ndarray, shape (n_f,)
        Velocity [m/s], ``inward`` below zero; nan where the force is beyond stall.
    """
    row, all_of = slice(k, k + 1), axis_lands(actuators, valves.coefficient_a, valves.coefficient_b)
    leakage = Leakage(all_of.leakage.internal[row], all_of.leakage.external[row])
    one = AxisLands(all_of.area_a[row], all_of.area_b[row], all_of.K_A[row], all_of.K_B[row],
                all_of.bore[row], leakage)  # fmt: skip
    supply = valves.lowest_supply[k : k + 1, None]
    tank, loss_of = requirement.pressures.return_pressure, losses_of(requirement, one.bore)
    found = []
    for sign in (1.0, -1.0):
        towards = sign * np.asarray(force, dtype=float)[None, :]
        speed = speed_at(towards, command_share, supply, tank, one, loss_of, sign)[0]
        found.append(np.where(speed > 0.0, sign * speed, np.nan))
    return found[0], found[1]
