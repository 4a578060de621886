"""What a sized axis must keep to in moves and margins, from the requirement file."""

from __future__ import annotations

import math
from dataclasses import dataclass

from servosim.axis import Axis
from servosim.sizing.pattern import targets_of
from servosim.sizing.requirement import RequirementFile
from servosim.tuning.cases import Place
from servosim.tuning.demands import Demands

_SWING = 0.25  # of the window's half width: largest swing that counts as rest (own choice)
_MOST_PLACES = 8  # of one cycle that are moved, the extreme ones first
_SAME = 1e-9  # m


@dataclass(frozen=True)
class Goals:
    """What every candidate must keep to over the envelope of its file.

    Attributes
    ----------
    moves : tuple of (float, float)
        Starts and targets of one cycle, from the beginning of the table's travel [m].
    travel : float
        The table's travel [m].
    half_width : float
        Half the width of the window [m].
    settling_time : float
        Longest time from the start of the longest move into the window to stay [s].
    overshoot, resting_error : float
        Largest overshoot, and largest error at rest before the lock closes [m].
    deflection : float
        Largest departure of the held table under thrust [m].
    hold_time : float
        Time for which it is held [s].
    drift : float
        Largest drift in this time [m].
    gain_margin, phase_margin : float
        Least margins [ratio, rad].
    chamber_pressure, lowest_pressure : float
        Highest and lowest pressure in a chamber [Pa].
    """

    moves: tuple[tuple[float, float], ...]
    travel: float
    half_width: float
    settling_time: float
    overshoot: float
    resting_error: float
    deflection: float
    hold_time: float
    drift: float
    gain_margin: float
    phase_margin: float
    chamber_pressure: float
    lowest_pressure: float

    def begin(self, axis: Axis) -> float:
        """Return the position of an axis at which the table's travel begins [m].

        Half of what the cylinder's stroke is longer than the travel.
        """
        return 0.5 * (axis.file.cylinder.stroke - self.travel)

    def places(self, axis: Axis) -> list[Place]:
        """Return the moves that are tried: those of the cycle, and the file's own.

        Of a cycle of many moves those with the farthest targets, the longest and the shortest in
        each direction.

        Parameters
        ----------
        axis : Axis
            The axis.

        Returns
        -------
        list of Place
            Positions of the cylinder, each move once.
        """
        begin = self.begin(axis)
        ways = [Place(begin + a, begin + b) for a, b in self.moves]
        own = axis.file.move
        found: list[Place] = []
        for one in (*_extremes(ways), Place(own.start, own.target)):
            if not any(_same(one, other) for other in found):
                found.append(one)
        return found

    def stretch(self, axis: Axis) -> tuple[float, float]:
        """Return the lowest and the highest position that the moves come to [m]."""
        ends = [x for one in self.places(axis) for x in (one.start, one.target)]
        return min(ends), max(ends)

    def demands(self, axis: Axis) -> Demands:
        """Return the same as demands on tuning.

        Parameters
        ----------
        axis : Axis
            The axis: its transducers tell which stabilising feedback is possible.

        Returns
        -------
        Demands
            Every seed must keep to the overshoot.
        """
        return Demands(
            overshoot=self.overshoot,
            overshoot_share=1.0,
            gain_margin=self.gain_margin,
            phase_margin=self.phase_margin,
            resting_error=self.resting_error,
            pressure=self.chamber_pressure,
            limit_cycle=max(axis.file.transducer.resolution, _SWING * self.half_width),
            settling_time=self.settling_time,
            stroke=self.stretch(axis),
        ).of(axis)


def goals_of(requirement: RequirementFile) -> Goals:
    """Return what candidates must keep to.

    Parameters
    ----------
    requirement : RequirementFile
        What is asked for.

    Returns
    -------
    Goals
        In SI units.
    """
    accuracy, margins = requirement.accuracy, requirement.margins
    return Goals(
        moves=tuple((float(a), float(b)) for a, b in targets_of(requirement)),
        travel=requirement.work.stroke,
        half_width=accuracy.half_width,
        settling_time=accuracy.settling_time,
        overshoot=accuracy.overshoot,
        resting_error=accuracy.resting_error,
        deflection=accuracy.deflection,
        hold_time=accuracy.hold_time,
        drift=accuracy.drift,
        gain_margin=margins.gain_margin,
        phase_margin=margins.phase_margin,
        chamber_pressure=margins.chamber_pressure,
        lowest_pressure=margins.lowest_pressure,
    )


def _same(a: Place, b: Place) -> bool:
    """Tell whether two moves are the same but for rounding."""
    return max(abs(a.start - b.start), abs(a.target - b.target)) < _SAME


def _extremes(ways: list[Place]) -> list[Place]:
    """Return all moves if they are few, else the extreme ones."""
    if len(ways) <= _MOST_PLACES:
        return ways
    found: list[Place] = []
    for way in (1.0, -1.0):
        some = [one for one in ways if math.copysign(1.0, one.target - one.start) == way]
        if some:
            lengths = [abs(one.target - one.start) for one in some]
            targets = [one.target for one in some]
            found += [
                some[lengths.index(max(lengths))],
                some[targets.index(min(targets))],
                some[targets.index(max(targets))],
                some[lengths.index(min(lengths))],
            ]
    return found
