"""All combinations by algebra at once: rules, figures, and which of them are to be moved."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from servosim.sizing.actuators import Actuators, actuators_of
from servosim.sizing.calculation import Calculation
from servosim.sizing.candidates import parts_figures, parts_words
from servosim.sizing.combinations import Array, Check, Combinations, Flags, Numbers
from servosim.sizing.conflicts import kept_of, missing_of, slacks_of, standing_of
from servosim.sizing.duty import Duty, duty_of
from servosim.sizing.figure_words import FIGURES
from servosim.sizing.findings import Candidate, Column, Figure
from servosim.sizing.pattern import settled_after
from servosim.sizing.power import Power, power_of
from servosim.sizing.requirement import RequirementFile
from servosim.sizing.resolution import counted_damping, loop_gain, response_in_phase
from servosim.sizing.valves import Valves, valves_of

_CHUNK = 20_000  # rows at a time, for the sake of memory
_GAINS = np.geomspace(0.5, 500.0, 61)  # 1/s, between which settling times are interpolated
# of chambers it is the valves'
_RENAMED: dict[tuple[type, str], str] = {(Power, "lowest_pressure"): "lowest_supply_pressure"}
_OWN_TURN = 2  # every second choice is by preference alone


@dataclass(frozen=True)
class Worked:
    """The algebra of some combinations with everything that it is made of.

    Attributes
    ----------
    duty : Duty
        Points of the cycle.
    actuators, valves, power : Actuators, Valves, Power
        Figures of n combinations.
    checks : tuple of Check
        Every rule, each of shape (n,).
    columns : mapping of str to Column
        Every figure that is a single number, shape (n,).
    """

    duty: Duty
    actuators: Actuators
    valves: Valves
    power: Power
    checks: tuple[Check, ...]
    columns: Mapping[str, Column]


@dataclass(frozen=True)
class Screened:
    """The rules and figures of all combinations.

    Attributes
    ----------
    requirement : RequirementFile
        What was asked for.
    combinations : Combinations
        Of n of them.
    checks : tuple of Check
        Every rule, each of shape (n,).
    columns : mapping of str to Column
        Every figure, each of shape (n,).
    """

    requirement: RequirementFile
    combinations: Combinations
    checks: tuple[Check, ...]
    columns: Mapping[str, Column]

    @property
    def passes(self) -> Flags:
        """Which combinations keep every rule, shape (n,)."""
        return np.asarray(kept_of(self.checks).all(axis=1), dtype=bool)

    def candidate(self, k: int) -> Candidate:
        """Return everything that algebra knows of one row."""
        rules = sorted((standing_of(one, k) for one in self.checks), key=lambda one: one.slack)
        figures = {
            name: Figure(name, one.words, float(one.values[k]), one.unit, one.shown_unit)
            for name, one in self.columns.items()
        }
        words = parts_words(self.requirement, self.combinations, k)
        parts = parts_figures(self.requirement, self.combinations, k)
        return Candidate(k, words, parts, figures, tuple(rules))


def worked(
    requirement: RequirementFile, c: Combinations, calc: Calculation, *, figures: bool = True
) -> Worked:
    """Return the whole algebra of some combinations.

    Parameters
    ----------
    requirement : RequirementFile
        What is asked for.
    c : Combinations
        Parts.
    calc : Calculation
        Keeps the steps if it records; then there must be one combination alone.
    figures : bool, optional
        Whether the columns are wanted, else they are empty.

    Returns
    -------
    Worked
        Figures and rules.

    Raises
    ------
    ParameterError
        If the requirement cannot be meant.
    """
    n = len(c)
    with np.errstate(all="ignore"):  # what cannot be had is nan, and breaks its rule
        duty, checks = duty_of(requirement, calc)
        actuators, of_actuators = actuators_of(requirement, duty, c, calc)
        valves, of_valves = valves_of(requirement, duty, actuators, c, calc)
        power, of_power = power_of(requirement, duty, actuators, valves, c, calc)
        every = [_filled(one, n) for one in (*checks, *of_actuators, *of_valves, *of_power)]
        blocks = actuators, valves, power
        columns = _columns(requirement, every, blocks, c) if figures else {}
    return Worked(duty, actuators, valves, power, tuple(every), columns)


def screened(requirement: RequirementFile, c: Combinations) -> Screened:
    """Return rules and figures of all combinations.

    Parameters
    ----------
    requirement : RequirementFile
        What is asked for.
    c : Combinations
        All that is on offer.

    Returns
    -------
    Screened
        Of all of them.

    Raises
    ------
    ParameterError
        If the requirement cannot be meant.
    """
    parts = [worked(requirement, some, Calculation()) for some in _chunks(c)]
    checks = []
    for same in zip(*(one.checks for one in parts), strict=True):
        value = np.concatenate([one.value for one in same])
        limit = np.concatenate([one.limit for one in same])
        checks.append(dataclasses.replace(same[0], value=value, limit=limit))
    columns = {
        name: dataclasses.replace(
            one, values=np.concatenate([part.columns[name].values for part in parts])
        )
        for name, one in parts[0].columns.items()
    }
    return Screened(requirement, c, tuple(checks), columns)


def _chunks(c: Combinations) -> list[Combinations]:
    """Return combinations in portions that need little memory."""
    return [c.take(slice(k, k + _CHUNK)) for k in range(0, len(c), _CHUNK)]


def passing(requirement: RequirementFile, c: Combinations) -> Flags:
    """Return which of some combinations keep every rule of a requirement, shape (n,)."""
    parts = [
        kept_of(worked(requirement, some, Calculation(), figures=False).checks).all(axis=1)
        for some in _chunks(c)
    ]
    return np.concatenate(parts) if parts else np.zeros(0, dtype=bool)


def _filled(check: Check, n: int) -> Check:
    """Return a rule that has a value for each of n combinations."""
    value, limit = (np.broadcast_to(np.asarray(one, dtype=float), (n,)).copy()
                    for one in (check.value, check.limit))  # fmt: skip
    return dataclasses.replace(check, value=value, limit=limit)


def _columns(
    requirement: RequirementFile,
    checks: Sequence[Check],
    blocks: tuple[Actuators, Valves, Power],
    c: Combinations,
) -> dict[str, Column]:
    """Return every figure that is a single number for each combination."""
    found: dict[str, Column] = {}
    n = len(c)
    for block in blocks:
        for one in dataclasses.fields(block):
            value = getattr(block, one.name)
            name = _RENAMED.get((type(block), one.name), one.name)
            if name in FIGURES and isinstance(value, np.ndarray) and value.shape == (n,):
                found[name] = Column(*FIGURES[name], value.astype(float))
    actuators, valves, _ = blocks
    omega = actuators.natural_frequency
    spool = np.array([one.damping_ratio for one in requirement.valve])[c.valve]
    zeta = counted_damping(
        zeta=actuators.damping_ratio,
        feedback=float(requirement.controller.stabilising_feedback != "none"),
        response=response_in_phase(zeta_v=spool, r=valves.frequency / omega),
    )
    gain = loop_gain(zeta=zeta, omega=omega, share=valves.limit_share,
                     gain_margin=requirement.margins.gain_margin, needed=0.0)  # fmt: skip
    time = predicted_settling(requirement, gain)
    scarcest = slacks_of(checks).min(axis=1)
    for name, values in (
        ("velocity_gain_limit", gain),
        ("predicted_settling_time", time),
        ("scarcest", scarcest),
    ):
        found[name] = Column(*FIGURES[name], np.asarray(values, dtype=float))
    return found


def predicted_settling(requirement: RequirementFile, gain: Array) -> Array:
    """Return the settling time of the longest move with a velocity gain, by algebra [s].

    The reference followed ideally and what is left run in by a first-order lag, interpolated
    between gains that lie close together.

    Parameters
    ----------
    requirement : RequirementFile
        What is asked for.
    gain : ndarray, shape (n,)
        Velocity gain [1/s].

    Returns
    -------
    ndarray, shape (n,)
        Time [s], nan where the gain is.
    """
    times = np.array([settled_after(requirement, float(one)) for one in _GAINS])
    with np.errstate(all="ignore"):
        found: Array = np.interp(np.log(gain), np.log(_GAINS), times)
    return np.where(np.isfinite(gain) & (gain > 0.0), found, np.nan)


def preference(screened: Screened) -> Array:
    """Return what the requirement's preference makes of each combination: the less the better.

    Motor power, then the power of the shaft and the heat, which tell motors of one size apart;
    predicted settling time; deflection of the held table; or, with the opposite sign, what is left
    in the scarcest rule.

    Parameters
    ----------
    screened : Screened
        Figures and rules.

    Returns
    -------
    ndarray, shape (n,)
        Nan counts as infinite.
    """
    columns = screened.columns
    prefer = screened.requirement.choice.prefer

    def column(name: str) -> Array:
        return np.nan_to_num(columns[name].values, nan=np.inf, posinf=np.inf)

    if prefer == "settling_time":
        return column("predicted_settling_time")
    if prefer == "stiffness":
        return column("deflection")
    if prefer == "reserve":
        return -np.nan_to_num(columns["scarcest"].values, nan=-np.inf)
    finer = column("shaft_power") + column("heat")
    return column("motor_power") + 1e-4 * np.minimum(finer, 1e9)


def choose(screened: Screened, count: int, without: Sequence[int] = ()) -> Numbers:
    """Return the combinations that deserve to be moved, the most promising first.

    Every second one is the next by preference alone. The others take turns: for each actuator, each
    bore, motor and lead, each valve, each pressure, and each way to supply it, in the order of
    their best member, the best of their members that has not been chosen yet; and among these turns
    the ones with the shortest predicted settling time and with most left in the scarcest rule. So
    every size that passes by algebra has its chance in the moves, whatever it costs. Two that
    differ in rod or arrangement alone move nearly alike: the second of such twins is taken only
    if there is nothing else.

    Parameters
    ----------
    screened : Screened
        All combinations.
    count : int
        How many to choose at most.
    without : sequence of int, optional
        Rows that are not to be chosen.

    Returns
    -------
    ndarray of int
        Rows that keep every rule of the algebra.
    """
    c = screened.combinations
    passes = screened.passes.copy()
    passes[list(without)] = False
    liking = preference(screened)
    by_liking = [int(k) for k in np.argsort(liking, kind="stable") if passes[k]]
    queues = [by_liking, *_turns(screened, by_liking)]
    twins = {k: (c.actuator[k], c.bore[k], c.displacement[k], c.lead[k], c.pressure[k], c.valve[k])
             for k in by_liking}  # fmt: skip
    chosen: dict[int, None] = {}
    for twins_too in (False, True):
        taken = {twins[k] for k in chosen}
        places = [0] * len(queues)
        turn, other = 0, 0
        while len(chosen) < count and any(p < len(q) for p, q in zip(places, queues, strict=True)):
            if turn % _OWN_TURN == 0 or len(queues) == 1:
                which = 0
            else:
                which, other = 1 + other % (len(queues) - 1), other + 1
            turn += 1
            queue = queues[which]
            while places[which] < len(queue):
                k = queue[places[which]]
                places[which] += 1
                if k not in chosen and (twins_too or twins[k] not in taken):
                    chosen[k] = None
                    taken.add(twins[k])
                    break
    return np.array([*chosen], dtype=np.intp)


def _turns(screened: Screened, by_liking: list[int]) -> list[list[int]]:
    """Return the queues that take turns: one for each size of each part, then two by merit."""
    c = screened.combinations
    found: list[tuple[int, list[int]]] = []
    for values in (c.actuator, c.bore, c.displacement, c.valve, c.pressure, c.arrangement, c.lead):
        queues: dict[float, list[int]] = {}
        for place, k in enumerate(by_liking):
            queues.setdefault(float(values[k]), []).append(place)
        if len(queues) > 1:
            found += [(queue[0], [by_liking[p] for p in queue]) for queue in queues.values()]
    found.sort(key=lambda one: one[0])
    time = screened.columns["predicted_settling_time"].values
    left = screened.columns["scarcest"].values
    quick = sorted(by_liking, key=lambda k: (np.nan_to_num(time[k], nan=np.inf), k))
    safe = sorted(by_liking, key=lambda k: (-np.nan_to_num(left[k], nan=-np.inf), k))
    return [quick, safe, *(queue for _, queue in found)]


def nearest(screened: Screened, count: int) -> Numbers:
    """Return the rows that break rules, those that miss least in all first."""
    rows = np.flatnonzero(~screened.passes)
    missing = missing_of(screened.checks)[rows]
    found: Numbers = rows[np.lexsort((preference(screened)[rows], missing))[:count]]
    return found
