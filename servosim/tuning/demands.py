"""What tuning must keep to, and how much work it may take."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

from servosim.axis import Axis
from servosim.errors import Fault, ParameterError

KINDS = ("none", "acceleration", "load_pressure")
DIRECTIONS = ("both", "own")
_PRESSURE = 1.25  # highest pressure over the highest supply pressure, if none is stated: own choice


@dataclass(frozen=True)
class Demands:
    """What the tuned axis must keep to in every corner of the file's envelope.

    Attributes
    ----------
    overshoot : float, optional
        Largest overshoot of the table's true position [m]; by default the larger of one step of the
        transducer and a tenth of the window.
    overshoot_share : float
        Share of the seeds of each case that must keep to it, and to the limit of swings [-].
    gain_margin : float
        Least gain margin [ratio] at the valve's command and at the position error; by default 6 dB.
    phase_margin : float
        Least phase margin at both places [rad]; by default 45 degrees.
    resting_error : float, optional
        Largest error at rest [m]; by default the half width of the window.
    pressure : float, optional
        Highest pressure in a chamber [Pa]; by default 1.25 times the highest supply pressure of the
        envelope, at most the range of the pressure transducers (own choice).
    limit_cycle : float, optional
        Largest amplitude that still counts as rest [m]; by default as for the overshoot.
    settling_time : float, optional
        Longest time to settle [s]; by default it is only made short.
    directions : str
        ``"both"`` directions of the file's move, or its ``"own"`` alone, for a machine that always
        comes from that side.
    stroke : tuple of float, optional
        Positions [m] between which margins and moves must keep to all this. By default as much of
        the stroke, around the file's own move, as leaves a gain of use.
    stabilising_feedback : tuple of str
        Kinds that may be proposed; those that the hardware can't do are left out.
    """

    overshoot: float | None = None
    overshoot_share: float = 0.95
    gain_margin: float = 10.0 ** (6.0 / 20.0)
    phase_margin: float = math.pi / 4.0
    resting_error: float | None = None
    pressure: float | None = None
    limit_cycle: float | None = None
    settling_time: float | None = None
    directions: str = "both"
    stroke: tuple[float, float] | None = None
    stabilising_feedback: tuple[str, ...] = KINDS

    def of(self, axis: Axis) -> Demands:
        """Return the demands with every default filled in for an axis.

        Parameters
        ----------
        axis : Axis
            The axis.

        Returns
        -------
        Demands
            All but ``settling_time`` and ``stroke`` given.

        Raises
        ------
        ParameterError
            With every demand that cannot be meant.
        """
        self.check()
        f = axis.file
        small = max(f.transducer.resolution, 0.1 * f.window.half_width)
        pressure = _PRESSURE * max(f.envelope.supply_pressure.high, f.supply.pressure)
        has_pressure = f.transducer.pressure == "both_ports"
        if has_pressure:
            pressure = min(pressure, f.transducer.pressure_range)
        kinds = tuple(
            kind for kind in self.stabilising_feedback if kind != "load_pressure" or has_pressure
        )
        if self.stroke is not None and self.stroke[1] > f.cylinder.stroke:
            raise ParameterError(
                Fault("", "demands", "stroke", f"{self.stroke[1]:g} m is outside the stroke",
                      f"0 m to {f.cylinder.stroke:g} m")
            )  # fmt: skip
        return dataclasses.replace(
            self,
            overshoot=small if self.overshoot is None else self.overshoot,
            resting_error=f.window.half_width if self.resting_error is None else self.resting_error,
            pressure=pressure if self.pressure is None else self.pressure,
            limit_cycle=small if self.limit_cycle is None else self.limit_cycle,
            stabilising_feedback=kinds or ("none",),
        )

    def check(self) -> None:
        """Refuse demands that cannot be meant.

        Raises
        ------
        ParameterError
            With every fault, its key the name of the field.
        """
        faults = []

        def fault(key: str, what: str, expected: str) -> None:
            faults.append(Fault("", "demands", key, what, expected))

        for key in ("overshoot", "limit_cycle"):
            value = getattr(self, key)
            if value is not None and not (math.isfinite(value) and value >= 0.0):
                fault(key, f"{value!r} m", "zero or more")
        for key, unit in (("resting_error", "m"), ("pressure", "Pa"), ("settling_time", "s")):
            value = getattr(self, key)
            if value is not None and not (math.isfinite(value) and value > 0.0):
                fault(key, f"{value!r} {unit}", "more than zero")
        if not 0.0 < self.overshoot_share <= 1.0:
            fault("overshoot_share", f"{self.overshoot_share!r}", "more than 0, at most 1")
        if not (math.isfinite(self.gain_margin) and self.gain_margin >= 1.0):
            fault("gain_margin", f"{self.gain_margin!r} as a ratio", "1 or more; 6 dB is 1.995")
        if not 0.0 <= self.phase_margin < math.pi / 2.0:
            fault("phase_margin", f"{self.phase_margin!r} rad", "0 to less than pi/2; 45 deg is "
                  "0.785")  # fmt: skip
        if self.directions not in DIRECTIONS:
            fault("directions", f"{self.directions!r}", f"one of {', '.join(DIRECTIONS)}")
        if self.stroke is not None and not 0.0 <= self.stroke[0] < self.stroke[1] < math.inf:
            fault("stroke", f"{self.stroke!r} m", "two positions, the lower first")
        unknown = [kind for kind in self.stabilising_feedback if kind not in KINDS]
        if unknown or not self.stabilising_feedback:
            fault("stabilising_feedback", f"{self.stabilising_feedback!r}",
                  f"some of {', '.join(KINDS)}")  # fmt: skip
        if faults:
            raise ParameterError(faults)


@dataclass(frozen=True)
class Effort:
    """How much work the tuning may take; the result depends on it, and on nothing of the machine.

    Attributes
    ----------
    population : int
        Candidates side by side.
    generations : int
        Generations of one round of the search.
    cases : int
        Cases with which a candidate is searched: the worst ones of the envelope, named anew
        after each round.
    seeds : int
        Seeds of the transducers' noise for each case of the final check.
    rounds : int
        Rounds before the check; a check that fails asks for one or two more.
    trade_off : int
        Members of the trade-off's family of gains.
    hardware : int
        Generations of the search for each change of hardware; 0 leaves them out.
    positions : int
        Positions along the stroke at which margins are taken.
    """

    population: int = 20
    generations: int = 5
    cases: int = 16
    seeds: int = 20
    rounds: int = 6
    trade_off: int = 9
    hardware: int = 4
    positions: int = 5
