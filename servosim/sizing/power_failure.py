"""Where the axis goes when power fails: rest position of the valve, lock, brake, counterbalance.

The pump stops, solenoids and pilots drop out. What then holds the table against gravity is a brake,
a lock that closes without power (as valves and checks for this purpose do: common practice, the
data sheet has to say it) or the lands of a valve whose spool rests closed. A vented valve lets the
table run against its lands; one whose rest position isn't defined may drive it with whatever
pressure is left in accumulator and lines. Friction isn't counted on (own choice, safe side).

The oil of the side that fills can't pull: once a vented load runs so fast that this side would fall
below zero absolute pressure, it cavitates, and only the land of the side that carries holds back.

Sources. Orifice equation; leakage over area.
"""

from __future__ import annotations

import numpy as np

from servosim.components.oil import ATMOSPHERE
from servosim.sizing.calculation import Calculation, formula
from servosim.sizing.combinations import Array, Combinations, Flags, Numbers
from servosim.sizing.land_flow import land_coefficient, land_coefficient_b
from servosim.sizing.requirement import RequirementFile

BRAKED, LOCKED, CLOSED, VENTED, UNDEFINED = 0, 1, 2, 3, 4
HOLDERS = (
    "held by the brake",
    "held by the lock",
    "held by the closed spool, which leaks",
    "let go through the vented valve",
    "driven by what pressure is left: the spool's rest position is undefined",
)


@formula(
    "p_g",
    "pressure that gravity puts on the oil that carries it",
    "F_g/A",
    "Pa",
    "balance of forces, the other side empty",
    F_g=("gravity less counterbalance, greatest", "N"),
    A=("area of the side that carries", "m2"),
)
def gravity_pressure(F_g: Array, A: Array) -> Array:
    """Return the pressure that carries gravity [Pa]."""
    return F_g / A


@formula(
    "v_g",
    "velocity with which it sinks through leakage",
    "G*p_g/A",
    "m/s",
    "drift of a held load is leakage over area, from memory",
    G=("leakage over pressure", "m3/s/Pa"),
    p_g=("pressure that gravity puts on the oil", "Pa"),
    A=("area of the side that carries", "m2"),
)
def leaking_velocity(G: Array, p_g: Array, A: Array) -> Array:
    """Return the velocity with which a held load sinks through leakage [m/s]."""
    return G * p_g / A


@formula(
    "v_s",
    "velocity through fully open lands",
    "sqrt((F_g + A*p_S)/(A_A**3/K_A**2 + A_B**3/K_B**2))",
    "m/s",
    "two orifices in series with the piston (Merritt 1967, ch. 6, from memory)",
    F_g=("gravity less counterbalance, greatest", "N"),
    A=("larger area", "m2"),
    p_S=("pressure that is left", "Pa"),
    A_A=("area of side A", "m2"),
    A_B=("area of side B", "m2"),
    K_A=("flow over root of drop of a land at A", "m3/s/sqrt(Pa)"),
    K_B=("flow over root of drop of a land at B", "m3/s/sqrt(Pa)"),
)
def open_velocity(
    F_g: Array, A: Array, p_S: Array, A_A: Array, A_B: Array, K_A: Array, K_B: Array
) -> Array:
    """Return the velocity through fully open lands [m/s]."""
    return np.sqrt((F_g + A * p_S) / (A_A**3 / K_A**2 + A_B**3 / K_B**2))


@formula(
    "v_c",
    "velocity if the side that fills cavitates",
    "K_c/A_c*sqrt(maximum(F_g - A_f*p_a, 0)/A_c)",
    "m/s",
    "orifice equation of the side that carries, no pressure at all in the other",
    K_c=("flow over root of drop of a land of the side that carries", "m3/s/sqrt(Pa)"),
    A_c=("area of the side that carries", "m2"),
    F_g=("gravity less counterbalance, greatest", "N"),
    A_f=("area of the side that fills", "m2"),
    p_a=("pressure of the atmosphere", "Pa"),
)
def cavitating_velocity(K_c: Array, A_c: Array, F_g: Array, A_f: Array, p_a: Array) -> Array:
    """Return the velocity at which one land alone holds back, the other side empty [m/s]."""
    return K_c / A_c * np.sqrt(np.maximum(F_g - A_f * p_a, 0.0) / A_c)


@formula(
    "v_g",
    "velocity with which it runs",
    "maximum(v_s, v_c)",
    "m/s",
    "the faster: the side that fills cavitates as soon as both lands would pull",
    v_s=("through both lands", "m/s"),
    v_c=("if the side that fills cavitates", "m/s"),
)
def running_velocity(v_s: Array, v_c: Array) -> Array:
    """Return the velocity of a load that is let go [m/s]."""
    return np.maximum(v_s, v_c)


def carrying_side(held: Array, area_a: Array) -> Flags:
    """Return whether side A carries what is held, shape (n,).

    Parameters
    ----------
    held : ndarray, shape (n, n_h)
        Forces that the oil has to carry, positive in extension [N].
    area_a : ndarray, shape (n,)
        Area of side A [m2], for the shape.

    Returns
    -------
    ndarray of bool
        True where the greatest of them pushes on side A, or none pushes at all.
    """
    worst = np.abs(held).argmax(axis=1)
    found: Flags = held[np.arange(len(area_a)), worst] >= 0.0
    return found


def holder_of(requirement: RequirementFile, c: Combinations, brake: Array) -> Numbers:
    """Return what holds each candidate when power fails.

    Parameters
    ----------
    requirement : RequirementFile
        Lock and valves.
    c : Combinations
        Which valve each has.
    brake : ndarray
        Force of the holding brake [N], zero without one, shape (n,).

    Returns
    -------
    ndarray of int
        Index into ``HOLDERS``, shape (n,).
    """
    at_rest = {"blocked": CLOSED, "vented": VENTED, "undefined": UNDEFINED}
    found = np.array([at_rest[one.rest_position] for one in requirement.valve])[c.valve]
    if requirement.lock.kind in ("blocking_valve", "pilot_check"):
        found = np.full(len(c), LOCKED)
    return np.where(brake > 0.0, BRAKED, found).astype(np.intp)


def sinking_velocity(
    requirement: RequirementFile,
    c: Combinations,
    holder: Numbers,
    areas: tuple[Array, Array],
    leakage: Array,
    held: Array,
    brake: Array,
    calc: Calculation,
) -> Array:
    """Return how fast each candidate moves when power has failed.

    Parameters
    ----------
    requirement : RequirementFile
        Lock and valves.
    c : Combinations
        Parts of each candidate.
    holder : ndarray of int
        As :func:`holder_of` has it.
    areas : tuple of ndarray
        Areas of sides A and B [m2].
    leakage : ndarray
        Of the actuator over pressure [m3/s/Pa].
    held : ndarray, shape (n, n_h)
        Gravity less counterbalance, positive if the oil has to push in extension [N].
    brake : ndarray
        Force of the holding brake [N].
    calc : Calculation
        Keeps the steps.

    Returns
    -------
    ndarray
        Velocity [m/s], shape (n,).
    """
    area_a, area_b = areas
    gravity, on_a = np.abs(held).max(axis=1), carrying_side(held, area_a)
    on_a |= area_b == 0.0  # a plunger has no other side
    carrying, filling = np.where(on_a, area_a, area_b), np.where(on_a, area_b, area_a)

    def valve(key: str) -> Array:
        return np.array([getattr(one, key) for one in requirement.valve], dtype=float)[c.valve]

    found = np.zeros(len(c))
    rows = np.flatnonzero((holder == LOCKED) | (holder == CLOSED))
    if len(rows):
        lands = 2.0 * (valve("null_leakage") - valve("pilot_leakage"))
        lands = lands / requirement.valves.rating_pressure
        closing = np.where(holder == LOCKED, requirement.lock.leakage, lands)
        p_g = calc.of(gravity_pressure, F_g=gravity[rows], A=carrying[rows])
        found[rows] = calc.of(
            leaking_velocity,
            HOLDERS[holder[rows[0]]] if len(rows) == 1 else "",
            G=(leakage + closing)[rows],
            p_g=p_g,
            A=carrying[rows],
        )
    rows = np.flatnonzero(holder >= VENTED)
    if len(rows):
        left = np.where(holder == UNDEFINED, c.pressure, 0.0)[rows]
        K_A = calc.of(
            land_coefficient,
            rated_flow=valve("rated_flow")[rows],
            rated_drop=valve("rated_pressure_drop")[rows],
        )
        K_B = calc.of(land_coefficient_b, K_A=K_A, area_ratio=valve("area_ratio")[rows])
        both = calc.of(
            open_velocity,
            F_g=gravity[rows],
            A=np.maximum(area_a, area_b)[rows],
            p_S=left,
            A_A=area_a[rows],
            A_B=area_b[rows],
            K_A=K_A,
            K_B=K_B,
        )
        empty = calc.of(
            cavitating_velocity,
            K_c=np.where(on_a[rows], K_A, K_B),
            A_c=carrying[rows],
            F_g=gravity[rows],
            A_f=filling[rows],
            p_a=ATMOSPHERE,
        )
        note = HOLDERS[holder[rows[0]]] if len(rows) == 1 else ""
        found[rows] = calc.of(running_velocity, note, v_s=both, v_c=empty)
    slips: Flags = (holder == BRAKED) & (brake < gravity)
    return np.where(slips, np.inf, found)
