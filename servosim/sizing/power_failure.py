"""Where the axis goes when power fails: rest position of the valve, lock, brake, counterbalance.

The pump stops, solenoids and pilots drop out. What then holds the table against gravity is a brake,
a lock that closes without power (as valves and checks for this purpose do: common practice, the
data sheet has to say it) or the lands of a valve whose spool rests closed. A vented valve lets the
table run against its lands; one whose rest position isn't defined may drive it with whatever
pressure is left in accumulator and lines. Friction isn't counted on (own choice, safe side).

Sources. Orifice equation; leakage over area.
"""

from __future__ import annotations

import numpy as np

from servosim.sizing.calculation import Calculation, formula
from servosim.sizing.combinations import Array, Combinations, Flags, Numbers
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
    A=("smaller area", "m2"),
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
    A=("smaller area", "m2"),
)
def leaking_velocity(G: Array, p_g: Array, A: Array) -> Array:
    """Return the velocity with which a held load sinks through leakage [m/s]."""
    return G * p_g / A


@formula(
    "v_g",
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
    "K_A",
    "flow over root of drop of a fully open land at A",
    "q_n*sqrt((1 + 1/r**2)/dp_n)",
    "m3/s/sqrt(Pa)",
    "orifice equation, both lands in series at rated flow",
    q_n=("rated flow", "m3/s"),
    r=("lands at B over those at A", "1"),
    dp_n=("rated drop over both lands", "Pa"),
)
def land_coefficient(q_n: Array, r: Array, dp_n: Array) -> Array:
    """Return flow over root of drop of a land at A [m3/s/sqrt(Pa)]."""
    return q_n * np.sqrt((1.0 + 1.0 / r**2) / dp_n)


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
    gravity: Array,
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
    gravity : ndarray
        Greatest size of gravity less counterbalance [N].
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
    smaller = np.where(area_b > 0.0, np.minimum(area_a, area_b), area_a)

    def valve(key: str) -> Array:
        return np.array([getattr(one, key) for one in requirement.valve], dtype=float)[c.valve]

    found = np.zeros(len(c))
    rows = np.flatnonzero((holder == LOCKED) | (holder == CLOSED))
    if len(rows):
        lands = 2.0 * (valve("null_leakage") - valve("pilot_leakage"))
        lands = lands / requirement.valves.rating_pressure
        closing = np.where(holder == LOCKED, requirement.lock.leakage, lands)
        p_g = calc.of(gravity_pressure, F_g=gravity[rows], A=smaller[rows])
        found[rows] = calc.of(
            leaking_velocity,
            HOLDERS[holder[rows[0]]] if len(rows) == 1 else "",
            G=(leakage + closing)[rows],
            p_g=p_g,
            A=smaller[rows],
        )
    rows = np.flatnonzero(holder >= VENTED)
    if len(rows):
        left = np.where(holder == UNDEFINED, c.pressure, 0.0)[rows]
        ratio = valve("area_ratio")[rows]
        K_A = calc.of(
            land_coefficient,
            q_n=valve("rated_flow")[rows],
            r=ratio,
            dp_n=valve("rated_pressure_drop")[rows],
        )
        found[rows] = calc.of(
            open_velocity,
            HOLDERS[holder[rows[0]]] if len(rows) == 1 else "",
            F_g=gravity[rows],
            A=np.maximum(area_a, area_b)[rows],
            p_S=left,
            A_A=area_a[rows],
            A_B=area_b[rows],
            K_A=K_A,
            K_B=ratio * K_A,
        )
    slips: Flags = (holder == BRAKED) & (brake < gravity)
    return np.where(slips, np.inf, found)
