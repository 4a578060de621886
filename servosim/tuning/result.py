"""What tuning an axis found: the tuned file, its figures, the sheet of gains and the diagnosis."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass
from os import PathLike
from typing import Any

import numpy as np

from servosim.axis import Axis
from servosim.params._files import write_text
from servosim.tuning.demands import Demands

CAUTIONS = (
    "These gains are calculated with the data of the file; they are not a release to run.",
    "Before any work on the hydraulics isolate the supply and bleed it; accumulators and locked "
    "oil stay under pressure after the pump has stopped, a vertical load comes down.",
    "Start at low pressure and low gain, the tool away from the work, with a way to stop that does "
    "not depend on this loop; raise one thing at a time and compare with the calculation.",
    "The hydraulic lock is part of the positioning and no safety function.",
)


@dataclass(frozen=True)
class Constraint:
    """One demand, and how the worst case stands to it.

    Attributes
    ----------
    name : str
        Key of the demand, such as ``"overshoot"`` or ``"gain_margin_command"``.
    label : str
        What it is, in words.
    value, limit : float
        Worst value and what it must keep to [SI], nan if it could not be told.
    unit : str
        SI unit.
    shown_unit : str
        Unit for people, such as ``"um"`` or ``"dB"``.
    upper : bool
        Whether the limit is the largest value that passes, else the smallest.
    slack : float
        How much is left, as a share of the limit; below zero it is not kept.
    where : str
        The worst case, in words.
    """

    name: str
    label: str
    value: float
    limit: float
    unit: str
    shown_unit: str
    upper: bool
    slack: float
    where: str

    @property
    def kept(self) -> bool:
        """Whether the demand is met."""
        return self.slack >= 0.0


@dataclass(frozen=True)
class Spread:
    """One figure over all cases and seeds.

    Attributes
    ----------
    worst, median : float
        Worst and median value [SI], nan if no move holds it.
    unit, shown_unit : str
        SI unit, and the unit for people.
    where : str
        The worst case, in words.
    """

    worst: float
    median: float
    unit: str
    shown_unit: str
    where: str


@dataclass(frozen=True)
class Assessment:
    """An axis with one set of gains, judged over the whole envelope.

    Attributes
    ----------
    figures : mapping of str to Spread
        ``settling_time``, ``overshoot`` (95th percentile over seeds), ``following_error_peak``,
        ``resting_error``, ``limit_cycle_amplitude``, margins of both cuts, pressures, cavitation.
    constraints : tuple of Constraint
        The demands, each with its worst case.
    moves : int
        Moves that were simulated for it.
    """

    figures: Mapping[str, Spread]
    constraints: tuple[Constraint, ...]
    moves: int

    @property
    def feasible(self) -> bool:
        """Whether every demand is met."""
        return all(one.kept for one in self.constraints)


@dataclass(frozen=True)
class SheetRow:
    """One line of the gain sheet.

    Attributes
    ----------
    order : int
        When to enter it at the machine, counted from 1.
    key : str
        Key of the file.
    name, symbol : str
        In words, and the letter of the formula.
    before, value : float or str
        SI value of the file, or the choice, and the proposed one.
    unit : str
        SI unit.
    text_before, text : str
        The same with the file's unit.
    command : str
        In per cent of command, such as ``"2.1 %/mm"``, or "".
    signal : str
        In the signal's own units as far as the file states them, such as ``"0.21 V/mm"``, or "".
    does : str
        What it does.
    limited_by : str
        What keeps it from going further.
    enter : str
        Safe way to enter it.
    """

    order: int
    key: str
    name: str
    symbol: str
    before: float | str
    value: float | str
    unit: str
    text_before: str
    text: str
    command: str
    signal: str
    does: str
    limited_by: str
    enter: str


@dataclass(frozen=True)
class TradeOffPoint:
    """One member of the family of gains along which speed is paid with margin and overshoot.

    Attributes
    ----------
    velocity_gain : float
        Velocity gain [1/s].
    settling_time, overshoot : float
        Worst of the cases [s, m]; settling time nan if a case does not settle.
    settled : float
        Share of the moves that settled [-].
    gain_margin, phase_margin : float
        Smaller of both cuts, worst of the envelope [ratio, rad].
    feasible : bool
        Whether every demand that these moves can tell is met.
    chosen : bool
        Whether it is the proposed one.
    """

    velocity_gain: float
    settling_time: float
    overshoot: float
    settled: float
    gain_margin: float
    phase_margin: float
    feasible: bool
    chosen: bool


@dataclass(frozen=True)
class HardwareChange:
    """What other hardware would give, with gains tuned anew for it.

    Attributes
    ----------
    name : str
        The change in words.
    changes : mapping of str to object
        Keys of the file and their other values [SI].
    settling_time : float
        Worst settling time with gains tuned anew [s], nan if a case does not settle.
    saved : float
        What that saves of the proposed file's [s].
    violation : float
        Sum of what is missing of the demands, as shares of the limits; zero if they are met.
    velocity_gain : float
        Velocity gain with it [1/s].
    highest_velocity_gain : float
        The highest that the margins admit over the envelope [1/s].
    note : str
        What must be said about it, or "".
    """

    name: str
    changes: Mapping[str, Any]
    settling_time: float
    saved: float
    violation: float
    velocity_gain: float
    highest_velocity_gain: float
    note: str


@dataclass(frozen=True)
class Diagnosis:
    """What limits the axis now, and what would let it go further.

    Attributes
    ----------
    active : tuple of Constraint
        The demands that stop the gains, the tightest first.
    sentences : tuple of str
        The same in words.
    changes : tuple of HardwareChange
        Ranked, the best first.
    """

    active: tuple[Constraint, ...]
    sentences: tuple[str, ...]
    changes: tuple[HardwareChange, ...]


@dataclass(frozen=True)
class LoopStage:
    """What the margins alone say about one kind of stabilising feedback.

    Attributes
    ----------
    kind : str
        ``"none"``, ``"acceleration"`` or ``"load_pressure"``.
    gains : mapping of str to float
        Keys of the controller that this kind takes, at their best [SI].
    velocity_gain : float
        Highest velocity gain with the margins that are demanded, over the whole envelope [1/s];
        zero if there is none.
    limited_by : str
        What stops it and where, in words.
    """

    kind: str
    gains: Mapping[str, float]
    velocity_gain: float
    limited_by: str


@dataclass(frozen=True)
class Stretch:
    """One stretch of the stroke, and what the margins admit over it.

    Attributes
    ----------
    low, high : float
        Its ends [m].
    velocity_gain : float
        Highest velocity gain with the margins that are wanted [1/s]; zero if there is none.
    kind : str
        Kind of stabilising feedback that admits it.
    """

    low: float
    high: float
    velocity_gain: float
    kind: str


@dataclass(frozen=True)
class StrokePoint:
    """Margins at one position, the worst of all corners and conditions.

    Attributes
    ----------
    position : float
        Position of the table [m].
    gain_margin, phase_margin : float
        Smaller of both cuts [ratio, rad].
    stable : bool
        Whether the linear loop is stable there, friction in its sliding form.
    """

    position: float
    gain_margin: float
    phase_margin: float
    stable: bool


@dataclass(frozen=True)
class Tuned:
    """What :func:`servosim.tune` found.

    Attributes
    ----------
    axis : Axis
        The axis with the proposed values.
    original : Axis
        The axis that was given.
    demands : Demands
        What it had to keep to, with every default filled in.
    changes : mapping of str to object
        Keys of the file that change, and their new values [SI].
    texts : mapping of str to object
        The same as the file writes them, with units; None for a key that is no longer read.
    before, after : Assessment
        The given and the proposed file over the whole envelope.
    loops : tuple of LoopStage
        First stage: each kind of stabilising feedback by margins alone.
    stretches : tuple of Stretch
        Stretches of the stroke that were looked at, the widest first; the one for which the
        proposal is meant is ``demands.stroke``.
    along_stroke : tuple of StrokePoint
        Margins of the proposal along the whole stroke.
    trade_off : tuple of TradeOffPoint
        Along a family of gains, the slowest first.
    sheet : tuple of SheetRow
        The gains in the order in which to enter them.
    diagnosis : Diagnosis
        What limits the axis, and the next best change of hardware.
    feasible : bool
        Whether every demand is met in every case that was simulated.
    failures : tuple of str
        Which demands are not met, by how much and where.
    notes : tuple of str
        What a reader must know about how this was found.
    moves : int
        Moves that were simulated in all.
    interrupted : bool
        Whether it was broken off; then this is the best that was known by then.
    cautions : tuple of str
        To be printed with every gain sheet.
    """

    axis: Axis
    original: Axis
    demands: Demands
    changes: Mapping[str, Any]
    texts: Mapping[str, Any]
    before: Assessment
    after: Assessment
    loops: tuple[LoopStage, ...]
    stretches: tuple[Stretch, ...]
    along_stroke: tuple[StrokePoint, ...]
    trade_off: tuple[TradeOffPoint, ...]
    sheet: tuple[SheetRow, ...]
    diagnosis: Diagnosis
    feasible: bool
    failures: tuple[str, ...]
    notes: tuple[str, ...]
    moves: int
    interrupted: bool = False
    cautions: tuple[str, ...] = CAUTIONS

    def text(self) -> str:
        """Return the given file with the new values, its comments kept.

        Returns
        -------
        str
            TOML. If the axis was not read from a file, or the file is no longer what was read, the
            tables are written anew.
        """
        from servosim.tuning.written import tuned_text

        return tuned_text(self.original, self.axis, self.texts)

    def write(self, path: str | PathLike[str]) -> None:
        """Write :meth:`text` beside a file and rename it.

        Parameters
        ----------
        path : str or path
            The file to write.

        Raises
        ------
        ParameterError
            If it cannot be written.
        """
        write_text(self.text(), path)

    def as_dict(self) -> dict[str, Any]:
        """Return everything as plain values for JSON, SI units, None for what is not known.

        Returns
        -------
        dict
            Names of the attributes; the axes are left out, ``text`` is the tuned file.
        """
        skipped = ("axis", "original")
        found = {f.name: _plain(getattr(self, f.name)) for f in fields(self)
                 if f.name not in skipped}  # fmt: skip
        return found | {"text": self.text()}


def _plain(value: Any) -> Any:
    """Return a value as JSON can hold it."""
    if is_dataclass(value) and not isinstance(value, type):
        extra = {"kept": value.kept} if isinstance(value, Constraint) else {}
        extra |= {"feasible": value.feasible} if isinstance(value, Assessment) else {}
        return {f.name: _plain(getattr(value, f.name)) for f in fields(value)} | extra
    if isinstance(value, Mapping):
        return {str(key): _plain(one) for key, one in value.items()}
    if isinstance(value, tuple | list | np.ndarray):
        return [_plain(one) for one in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
