"""Corner points of the duty cycle: velocity, acceleration and force on the table.

For each direction the points are taken from its longest move with the limits of the reference; for
each point the lightest and the heaviest workpiece, the least and the greatest counterbalance along
the way, and with or without the thrust if it acts in time.

Signs: positive is extension; a positive force must be overcome by the oil in extension.
Positions of the requirement count from the beginning of the table's travel, those of the result
from the retracted end of the cylinder.

Sources. Newton's law; friction as in ``components/load.py``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from servosim.components.load import GRAVITY
from servosim.components.oil import ATMOSPHERE
from servosim.sizing.calculation import Calculation
from servosim.sizing.combinations import Array, Check, Numbers
from servosim.sizing.corners import Corner, corners_of
from servosim.sizing.loads import (
    allowed_cycle_time,
    counterbalance_at,
    external_force_of,
    held_force_of,
    locking_time_of,
    motion_frequency_of,
    needed_cycle_time,
    way_friction,
)
from servosim.sizing.pattern import Move, pattern_of
from servosim.sizing.requirement import RequirementFile


@dataclass(frozen=True)
class Duty:
    """What one cycle asks of any actuator.

    Attributes
    ----------
    words : tuple of str
        What each point is, (n_p,).
    phase : tuple of str
        Phase of each point, see ``corners.PHASES``.
    direction, velocity, acceleration, table_mass, external_force, duration : ndarray, shape (n_p,)
        Direction +1 or -1, velocity [m/s], acceleration [m/s2], table with workpiece [kg], force
        on the table [N] of ways, gravity, counterbalance and thrust, without inertia and seals;
        time of the phase in a cycle [s]. Over one variant the times add up to the moving time.
    variant : ndarray of int, shape (n_p,)
        Which combination of mass, counterbalance and thrust a point belongs to, from zero.
    cycle_time : float
        Time there is for a cycle [s].
    moving_time, dwell_time, locking_time : float
        Of it in motion, in position, and for closing and opening the lock [s].
    shortest_stop : float
        Time of one stop, in position and for the lock [s].
    travel_out, travel_in : float
        Travel of a cycle in each direction [m].
    longest_move, longest_time : float
        Longest move [m], and its time until the window with the velocity gain needed [s].
    longest_start, longest_target : float
        Where it starts and ends, on the cylinder [m].
    lowest_position, highest_position : float
        Range of the pattern on the cylinder [m].
    peak_out, peak_in : float
        Highest velocity in each direction [m/s].
    motion_frequency : float
        What the motion needs of the axis [rad/s]: the quickest change of velocity as half a period
        of a cosine, at least the velocity gain that is needed (own choice).
    velocity_gain_needed : float
        Least velocity gain that brings the longest move into its window in time [1/s].
    held_words : tuple of str
        What each of the forces on the held table is, (n_h,).
    held_force, held_mass, held_thrust : ndarray, shape (n_h,)
        Force on the held table without friction [N], table with workpiece [kg], thrust in it [N].
    thrust : float
        Thrust along the axis that comes upon the held table, positive against extension [N].
    """

    words: tuple[str, ...]
    phase: tuple[str, ...]
    direction: Array
    velocity: Array
    acceleration: Array
    table_mass: Array
    external_force: Array
    duration: Array
    variant: Numbers
    cycle_time: float
    moving_time: float
    dwell_time: float
    locking_time: float
    shortest_stop: float
    travel_out: float
    travel_in: float
    longest_move: float
    longest_time: float
    longest_start: float
    longest_target: float
    lowest_position: float
    highest_position: float
    peak_out: float
    peak_in: float
    motion_frequency: float
    velocity_gain_needed: float
    held_words: tuple[str, ...]
    held_force: Array
    held_mass: Array
    held_thrust: Array
    thrust: float

    @property
    def heaviest(self) -> float:
        """Table with its heaviest workpiece [kg]."""
        return float(self.table_mass.max())

    @property
    def lightest(self) -> float:
        """Table with its lightest workpiece [kg]."""
        return float(self.table_mass.min())


class _Variant(NamedTuple):
    """One combination of what may vary without the motion."""

    words: str
    mass: float
    counterbalance: float
    thrust: float
    normal: float


def _variants(
    requirement: RequirementFile, low: float, high: float, calc: Calculation
) -> tuple[list[_Variant], list[_Variant]]:
    """Return what may vary in motion, and when held."""
    table, thrust = requirement.table, requirement.thrust
    masses = [
        (words, table.mass + workpiece)
        for words, workpiece in zip(("lightest workpiece", "heaviest workpiece"),
                                    requirement.conditions.workpiece_mass, strict=True)
    ]  # fmt: skip
    if masses[0][1] == masses[1][1]:
        masses = [("", masses[0][1])]
    balances = [("", table.counterbalance_force)]
    if table.counterbalance == "accumulator":
        given = {
            "F_0": table.counterbalance_force,
            "A": table.counterbalance_area,
            "p_0": ATMOSPHERE,
            "V_0": table.counterbalance_gas_volume,
            "x_0": table.counterbalance_position,
            "n": table.counterbalance_exponent,
        }
        with calc.section("Forces: counterbalance"):
            least = float(calc.of(counterbalance_at, "fully out", x=high, **given))
            most = float(calc.of(counterbalance_at, "fully in", x=low, **given))
        balances = [("least counterbalance", least), ("greatest counterbalance", most)]
    pushes = [("", 0.0, 0.0)]
    moving, held = pushes, pushes
    if thrust.mode != "none":
        held = [*pushes, ("with thrust", thrust.along, thrust.normal)]
    if thrust.mode == "time":
        moving = held

    def combined(pushes: list[tuple[str, float, float]]) -> list[_Variant]:
        return [
            _Variant(", ".join(filter(None, (words, balance, push))), mass, force, along, normal)
            for words, mass in masses
            for balance, force in balances
            for push, along, normal in pushes
        ]

    return combined(moving), combined(held)


def _locking_time(requirement: RequirementFile, calc: Calculation) -> float:
    """Return the time that closing and opening the lock add to each dwell [s]."""
    lock = requirement.lock
    if lock.kind == "none":
        return 0.0
    return float(
        calc.of(
            locking_time_of,
            t_d=lock.dwell if lock.trigger == "window_dwell" else 0.0,
            t_v=max(lock.closing_delay_a, lock.closing_delay_b),
            t_c=lock.closing_time,
            t_o=lock.opening_time,
            t_r=lock.release_dwell,
        )
    )


def _forces(
    requirement: RequirementFile,
    points: list[tuple[float, Corner, _Variant]],
    words: tuple[str, ...],
    calc: Calculation,
) -> Array:
    """Return the force on the table at each point [N], shape (n_p,)."""
    table = requirement.table
    friction: dict[tuple[bool, float, float], float] = {}
    with calc.section("Forces: friction of the ways"):
        for _, corner, variant in points:
            key = corner.static, variant.mass, variant.normal
            if key not in friction:
                mu = table.static_coefficient if corner.static else table.coulomb_coefficient
                friction[key] = float(
                    calc.of(way_friction, "static" if corner.static else "sliding", mu=mu,
                            M=variant.mass, g=GRAVITY, theta=table.inclination,
                            N_0=table.way_preload, n_T=table.normal_thrust_factor,
                            F_N=variant.normal)
                )  # fmt: skip
    with calc.section("Forces: duty points"):
        return np.array(
            [
                float(calc.of(external_force_of, note, s=s,
                              F_c=friction[corner.static, variant.mass, variant.normal],
                              B=table.viscous_friction, v=s * corner.velocity, M=variant.mass,
                              g=GRAVITY, theta=table.inclination, F_cb=variant.counterbalance,
                              F_L=variant.thrust))
                for note, (s, corner, variant) in zip(words, points, strict=True)
            ]
        )  # fmt: skip


def duty_of(requirement: RequirementFile, calc: Calculation) -> tuple[Duty, list[Check]]:
    """Return the duty of one cycle, and the rules that no actuator can change.

    Parameters
    ----------
    requirement : RequirementFile
        What is asked for.
    calc : Calculation
        Keeps the steps.

    Returns
    -------
    duty : Duty
        Its corner points.
    checks : list of Check
        Of shape (1,): cycle time, travel, settling time of the reference alone.

    Raises
    ------
    ParameterError
        If nothing moves, or by steps.
    """
    work, table = requirement.work, requirement.table
    pattern = pattern_of(requirement, calc)
    begin = requirement.travel_begins
    places = [place for one in pattern.moves for place in (one.start, one.target)]
    moving, held = _variants(requirement, min(places), max(places), calc)
    points, words, which = [], [], []
    for number, variant in enumerate(moving):
        for s, way in ((1.0, "out"), (-1.0, "in")):
            if any(one.direction == s for one in pattern.moves):
                for corner in corners_of(requirement, pattern, s):
                    points.append((s, corner, variant))
                    words.append(", ".join(filter(None, (f"{corner.phase}, {way}", variant.words))))
                    which.append(number)
    force = _forces(requirement, points, tuple(words), calc)
    with calc.section("Forces: held table"):
        held_force = np.array(
            [
                float(calc.of(held_force_of, one.words, M=one.mass, g=GRAVITY,
                              theta=table.inclination, F_cb=one.counterbalance, F_L=one.thrust))
                for one in held
            ]
        )  # fmt: skip
    moves = pattern.moves
    with calc.section("Motion: frequency and cycle"):
        quick = min(moves, key=lambda one: one.quickest)
        frequency = float(
            calc.of(motion_frequency_of,
                    f"peak velocity of {1e3 * quick.peak:.6g} mm/s in the move of "
                    f"{1e3 * quick.distance:.6g} mm",
                    t_a=quick.quickest, K_v=pattern.velocity_gain)
        )  # fmt: skip
        for one in moves:
            calc.given("t_s", "time from the start to the window", one.time, "s",
                       "as the longest move", f"move of {1e3 * one.distance:.6g} mm, "
                       + ("out" if one.direction > 0.0 else "in"))  # fmt: skip
        cycle = float(calc.of(allowed_cycle_time, N=work.cycles_per_hour / 3600.0))
        moving_time, locking = (
            math.fsum(one.time for one in moves),
            _locking_time(requirement, calc),
        )
        needed = calc.of(needed_cycle_time, t_mov=moving_time, n=float(len(moves)),
                         t_dw=work.dwell, t_lk=locking)  # fmt: skip

    def travel(s: float) -> float:
        return math.fsum(one.distance for one in moves if one.direction == s)

    def peak(s: float) -> float:
        return max((one.peak for one in moves if one.direction == s), default=0.0)

    duty = Duty(
        words=tuple(words),
        phase=tuple(corner.phase for _, corner, _ in points),
        direction=np.array([s for s, _, _ in points]),
        velocity=np.array([s * corner.velocity + 0.0 for s, corner, _ in points]),
        acceleration=np.array([s * corner.acceleration + 0.0 for s, corner, _ in points]),
        table_mass=np.array([variant.mass for _, _, variant in points]),
        external_force=force,
        duration=np.array([corner.duration for _, corner, _ in points]),
        variant=np.array(which, dtype=np.intp),
        cycle_time=cycle,
        moving_time=moving_time,
        dwell_time=len(moves) * work.dwell,
        locking_time=len(moves) * locking,
        shortest_stop=work.dwell + locking,
        travel_out=travel(1.0),
        travel_in=travel(-1.0),
        longest_move=pattern.longest.distance,
        longest_time=pattern.longest.time,
        longest_start=begin + pattern.longest.start,
        longest_target=begin + pattern.longest.target,
        lowest_position=begin + min(places),
        highest_position=begin + max(places),
        peak_out=peak(1.0),
        peak_in=peak(-1.0),
        motion_frequency=frequency,
        velocity_gain_needed=pattern.velocity_gain,
        held_words=tuple(one.words for one in held),
        held_force=held_force,
        held_mass=np.array([one.mass for one in held]),
        held_thrust=np.array([one.thrust for one in held]),
        thrust=requirement.thrust.along if requirement.thrust.mode != "none" else 0.0,
    )
    return duty, _checks(requirement, pattern.longest, places, float(needed), cycle)


def _checks(
    requirement: RequirementFile, longest: Move, places: list[float], needed: float, cycle: float
) -> list[Check]:
    """Return the rules of the cycle, shape (1,)."""
    stroke = requirement.work.stroke

    def one(name: str, words: str, key: str, value: float, limit: float, unit: tuple[str, str],
            source: str, relaxes: tuple[str, ...]) -> Check:  # fmt: skip
        return Check(name, words, key, np.array([value]), np.array([limit]), *unit, True, source,
                     relaxes)  # fmt: skip

    quicker = ("reference.velocity", "reference.acceleration", "reference.deceleration")
    return [
        one("cycle_time", "All moves and dwells of a cycle fit into its time",
            "work.cycles_per_hour", needed, cycle, ("s", "s"), "definition",
            ("work.cycles_per_hour", "work.dwell", "accuracy.settling_time", *quicker)),
        one("travel", "The pattern stays within the table's travel", "work.stroke",
            max(*places, *(stroke - place for place in places)), stroke, ("m", "mm"), "definition",
            ("work.stroke",)),
        one("reference_time", "The reference of the longest move ends within the settling time",
            "accuracy.settling_time", longest.reference_time,
            requirement.accuracy.settling_time, ("s", "s"), "kinematics",
            ("accuracy.settling_time", *quicker)),
    ]  # fmt: skip
