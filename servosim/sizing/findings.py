"""Pieces of the result of a sizing: one combination, one rule, one change, one conflict."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from servosim.axis import Axis
from servosim.sizing.combinations import Array
from servosim.tuning.result import Constraint, Spread


@dataclass(frozen=True)
class Figure:
    """One figure of one combination.

    Attributes
    ----------
    name, words : str
        Name with underscores, and what it is.
    value : float
        Value [SI], nan if there is none.
    unit, shown_unit : str
        SI unit, and the unit for people.
    """

    name: str
    words: str
    value: float
    unit: str
    shown_unit: str


@dataclass(frozen=True)
class Column:
    """One figure of all combinations.

    Attributes
    ----------
    words : str
        What it is.
    unit, shown_unit : str
        SI unit, and the unit for people.
    values : ndarray, shape (n,)
        Values [SI], nan where there is none.
    """

    words: str
    unit: str
    shown_unit: str
    values: Array


@dataclass(frozen=True)
class Standing:
    """How one combination stands to one rule of the algebra.

    Attributes
    ----------
    name, words, key : str
        Of the rule, as in :class:`servosim.sizing.combinations.Check`.
    value, limit : float
        The figure and what it must keep to [SI]; nan if it could not be found.
    unit, shown_unit : str
        SI unit, and the unit for people.
    upper : bool
        Whether the limit is the largest value that passes, else the least.
    slack : float
        What is left as a share of the limit; below zero the rule is broken.
    source : str
        Where the rule comes from.
    """

    name: str
    words: str
    key: str
    value: float
    limit: float
    unit: str
    shown_unit: str
    upper: bool
    slack: float
    source: str

    @property
    def kept(self) -> bool:
        """Whether the rule is kept."""
        return self.slack >= -1e-12


@dataclass(frozen=True)
class Candidate:
    """One combination with everything that is known of it.

    Attributes
    ----------
    number : int
        Row in ``Sizing.combinations``, of its checks and columns.
    words : str
        The parts in words.
    parts : mapping of str to Figure or str
        ``actuator``, ``bore``, ``rod`` or ``displacement``, ``lead``, ``pressure``, ``valve``
        (its name), ``rated_flow``, ``arrangement``.
    figures : mapping of str to Figure
        Everything by algebra that decided, see ``Sizing.columns``.
    rules : tuple of Standing
        Every rule of the algebra, the scarcest first.
    """

    number: int
    words: str
    parts: Mapping[str, Figure | str]
    figures: Mapping[str, Figure]
    rules: tuple[Standing, ...]

    @property
    def broken(self) -> tuple[Standing, ...]:
        """Rules of the algebra that are broken, the worst first."""
        return tuple(one for one in self.rules if not one.kept)


@dataclass(frozen=True)
class Tried:
    """One combination that was tuned and moved over its envelope.

    Attributes
    ----------
    candidate : Candidate
        Its parts, algebraic figures and rules.
    axis : Axis
        Axis file of it, with its gains.
    gains : mapping of str to object
        What tuning gave to the controller: keys of the axis file as texts with units.
    simulated : mapping of str to Spread
        Worst and median of ``settling_time``, ``overshoot``, ``resting_error``,
        ``gain_margin_command``, ``thrust_deflection`` and whatever else moves and margins told.
    goals : tuple of Constraint
        What had to be kept in moves and margins, and how it was.
    notes : tuple of str
        What must be said about it.
    rank : int
        Place among those that keep everything, from 1; 0 for those that don't.
    """

    candidate: Candidate
    axis: Axis
    gains: Mapping[str, Any]
    simulated: Mapping[str, Spread]
    goals: tuple[Constraint, ...]
    notes: tuple[str, ...] = ()
    rank: int = 0

    @property
    def missed(self) -> tuple[Constraint, ...]:
        """Goals that were not kept, the worst first."""
        return tuple(sorted((one for one in self.goals if not one.kept), key=lambda one: one.slack))

    @property
    def feasible(self) -> bool:
        """Whether every rule and every goal is kept."""
        return not self.candidate.broken and all(one.kept for one in self.goals)


@dataclass(frozen=True)
class RuleCount:
    """What one rule rejected.

    Attributes
    ----------
    name, words, key, source : str
        Of the rule.
    limit_words : str
        The limit with its unit; ``"... to ..."`` if it differs from combination to combination.
    broken : int
        How many combinations break it.
    alone : int
        How many break nothing else.
    nearest : Standing or None
        Of those that break it, the one that misses least.
    """

    name: str
    words: str
    key: str
    source: str
    limit_words: str
    broken: int
    alone: int
    nearest: Standing | None


@dataclass(frozen=True)
class WhatIf:
    """The winner, or a neighbour of it, under other circumstances.

    Attributes
    ----------
    name : str
        The change in words, such as ``"moved masses 20 % larger"``.
    kind : str
        ``"circumstance"``, or ``"neighbour"`` for a part one size smaller or larger.
    words : str
        The parts in words: those of the winner for a circumstance.
    changes : mapping of str to str
        Keys of the requirement and their other values with units; empty for a neighbour.
    broken : tuple of Standing
        Rules of the algebra that it breaks, the worst first.
    figures : mapping of str to Figure
        Algebraic figures with the change.
    simulated : mapping of str to Spread
        Figures of moves with the winner's gains; empty if none were made.
    missed : tuple of Constraint
        Goals that those moves miss, the worst first.
    note : str
        What must be said about it, or "".
    """

    name: str
    kind: str
    words: str
    changes: Mapping[str, str]
    broken: tuple[Standing, ...]
    figures: Mapping[str, Figure]
    simulated: Mapping[str, Spread]
    missed: tuple[Constraint, ...]
    note: str = ""

    @property
    def feasible(self) -> bool:
        """Whether everything that was looked at is still kept."""
        return not self.broken and not self.missed


@dataclass(frozen=True)
class Conflict:
    """Rules that no combination on offer keeps together, though it keeps any fewer of them.

    Attributes
    ----------
    rules : tuple of Standing
        As the best compromise stands to them; a single rule if nothing keeps that one alone.
    number : int
        Row of the best compromise: the least sum of what is missing in these rules.
    words : str
        Parts of it.
    sentence : str
        All of it in words.
    """

    rules: tuple[Standing, ...]
    number: int
    words: str
    sentence: str


@dataclass(frozen=True)
class Change:
    """One value of the requirement, relaxed.

    Attributes
    ----------
    key, words : str
        Key such as ``"accuracy.settling_time"``, and what it is.
    before, after : float
        Values [SI]; of a range the end that moves.
    unit : str
        SI unit.
    text_before, text_after : str
        The whole value as the file writes it, with unit; can be given to ``--set`` of the command.
    """

    key: str
    words: str
    before: float
    after: float
    unit: str
    text_before: str
    text_after: str


@dataclass(frozen=True)
class Relaxation:
    """The least change of one value, or of two, with which something on offer keeps every rule.

    Attributes
    ----------
    changes : tuple of Change
        One or two; of what moves showed every value that was changed.
    number : int
        Row of a combination that then keeps every rule of the algebra.
    words : str
        Parts of it.
    passing : int
        How many then keep every rule of the algebra.
    simulated : bool
        Whether it rests on moves (a settling time or window that was reached), else on algebra
        alone; moves must then still show that it settles.
    sentence : str
        All of it in words.
    """

    changes: tuple[Change, ...]
    number: int
    words: str
    passing: int
    simulated: bool
    sentence: str
