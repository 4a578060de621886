"""Margins of one axis over its envelope, for many gains.

The margins of a candidate are looked at in few points, those that were the tightest for a spread of
gains; only what is proposed is looked at in all of them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim.axis import Axis
from servosim.linear.controllers import FILE_KEYS
from servosim.linear.envelope import point_in_words
from servosim.linear.family import LoopFamily
from servosim.linear.margins import Margins
from servosim.linear.points import CORNER_KEYS, Point, condition_points
from servosim.tuning.cases import sound_corners
from servosim.tuning.demands import Demands
from servosim.tuning.quick_margins import QuickMargins
from servosim.tuning.result import Constraint
from servosim.tuning.unknowns import get, moved_mass

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

CUTS = ("command", "position")
_FEW = 5  # tightest points that each of the trial gains names, at each cut
_TRIALS = (0.3, 1.0, 2.5)  # of the scale of the gains
_ROUGH = 0.015  # share of the limits by which quick margins may be too good
_WORDS = {"command": "valve's command", "position": "position error"}


def points_at(axis: Axis, positions: Sequence[float]) -> list[Point]:
    """Return the points of an envelope at some positions along the stroke [m]."""
    own = {key: get(axis, path) for key, path in CORNER_KEYS.items()}
    found: list[Point] = []
    for corner in ({}, *sound_corners(axis)[0]):
        other = {key: value for key, value in corner.items() if value != own[key]}
        if corner and not other:
            continue
        changes = {CORNER_KEYS[key]: value for key, value in other.items()}
        changed = axis.replace(changes) if changes else axis
        for position in positions:
            found += condition_points(changed, float(position), corner=other)
    return found


def points_alike(axis: Axis, before: Axis, points: Sequence[Point]) -> list[Point]:
    """Return the points of another axis at the same places, corners and conditions.

    Parameters
    ----------
    axis, before : Axis
        The other axis, and the one of the points; the ends of their envelopes may differ.
    points : sequence of Point
        Points of the latter.

    Returns
    -------
    list of Point
        In the same order.
    """
    found: list[Point] = []
    corners: dict[tuple[tuple[str, float], ...], Axis] = {}
    for point in points:
        corner = {}
        for key, value in point.corner.items():
            low, high = getattr(before.file.envelope, key)
            share = (value - low) / (high - low) if high > low else 0.0
            a, b = getattr(axis.file.envelope, key)
            corner[key] = a + share * (b - a)
        name = tuple(corner.items())
        if name not in corners:
            changes = {CORNER_KEYS[key]: value for key, value in corner.items()}
            corners[name] = axis.replace(changes) if changes else axis
        way = math.copysign(1.0, point.velocity)
        found += condition_points(corners[name], point.position, conditions=[point.condition],
                                  directions=[way], corner=corner)  # fmt: skip
    return found


class Loops:
    """Margins of one axis over its envelope, for many gains.

    Parameters
    ----------
    axis : Axis
        The axis of the file; its controller's numbers are those of every corner.
    demands : Demands
        The margins that are wanted.
    points : sequence of Point
        Where margins are taken.
    trials : sequence of float, optional
        Gains over their scale with which the tightest points are found at first [-].

    Attributes
    ----------
    known_frequency : float or None
        Natural frequency of the mass on the oil spring [rad/s], if it is known already.
    lean : bool
        Whether quick margins are made the quick way, see :class:`QuickMargins`.
    """

    def __init__(
        self,
        axis: Axis,
        demands: Demands,
        points: Sequence[Point],
        *,
        trials: Sequence[float] = _TRIALS,
    ) -> None:
        self.axis, self.demands, self.trials = axis, demands, trials
        self.known_frequency: float | None = None
        self.lean = False
        self.whole = LoopFamily(axis, points)
        self.all = self.whole
        self._few: dict[str, LoopFamily] = {}
        self._quick: dict[str, QuickMargins] = {}
        self._rows: dict[str, set[int]] = {}

    def restrict(self, low: float, high: float) -> None:
        """Let only points between two positions [m] count from now on."""
        at = np.array([point.position for point in self.whole.points])
        self.all = self.whole.take((at >= low - 1e-9) & (at <= high + 1e-9))
        self._few, self._quick, self._rows = {}, {}, {}

    def kind_of(self, changes: Mapping[str, Any]) -> str:
        """Return the kind of stabilising feedback that changes of the file lead to."""
        own = self.axis.file.controller.stabilising_feedback
        return str(changes.get("controller.stabilising_feedback", own))

    def gains(self, changes: Mapping[str, Any]) -> dict[str, float]:
        """Return the controller's gains with some keys of the file changed [SI]."""
        own = {k.split(".")[1]: v for k, v in changes.items() if k.startswith("controller.")}
        before, kind = self.axis.file.controller, self.kind_of(changes)
        found = {name: own.get(name, getattr(before, name)) for name in FILE_KEYS
                 if name != "correction_frequency"}  # fmt: skip
        if kind != "acceleration":
            found["acceleration_feedback"] = 0.0
        if kind != "load_pressure":
            found["load_pressure_feedback"] = 0.0
        return found

    @cached_property
    def natural_frequency(self) -> float:
        """Lowest natural frequency of the mass on the oil spring over the envelope [rad/s]."""
        if self.known_frequency is not None:
            return self.known_frequency
        poles = np.linalg.eigvals(self.all.plants.A)
        size = np.abs(poles)
        with np.errstate(invalid="ignore", divide="ignore"):
            damping = np.where(poles.imag > 1.0, -poles.real / size, np.inf)
        least = np.argmin(damping, axis=1)
        rows = np.arange(len(least))
        swings = np.isfinite(damping[rows, least])
        found = size[rows, least][swings]
        return float(found.min()) if len(found) else 0.1 / self.axis.file.controller.period

    def scales(self, kind: str) -> dict[str, float]:
        """Return a gain that raises the damping ratio by some 0.3, and a corner that suits it."""
        omega, c = self.natural_frequency, self.axis.file.controller
        if kind == "acceleration":
            return {
                "acceleration_feedback": min(0.6 / omega, 10.0),
                "filter_frequency": self.below_nyquist(max(5.0 * omega, c.filter_frequency)),
            }
        if kind == "load_pressure":
            area = self.axis.parameters.cylinder.A_A
            return {
                "load_pressure_feedback": 0.6 * area / (moved_mass(self.axis) * omega),
                "high_pass_frequency": self.below_nyquist(0.5 * omega),
            }
        return {}

    def below_nyquist(self, omega: float) -> float:
        """Return a frequency that the controller can make [rad/s]."""
        c = self.axis.file.controller
        return min(omega, 0.8 * math.pi / c.period) if c.kind == "sampled" else omega

    @property
    def kinds(self) -> list[str]:
        """Kinds of stabilising feedback whose tightest points are known."""
        return sorted(self._rows)

    def few(self, kind: str) -> LoopFamily:
        """Return the family of the tightest points for gains of one kind."""
        if kind not in self._few:
            self._rows[kind] = set()
            for trial in self.trials:
                self.learn(self._trial(kind, trial))
        return self._few[kind]

    def learn(self, changes: Mapping[str, Any]) -> None:
        """Add the tightest of all points for some gains to the few that are looked at."""
        kind = self.kind_of(changes)
        rows = self._rows.setdefault(kind, set())
        for margins in self.all.margins(self.gains(changes), peaks=False):
            tight = self.lacks(margins)
            tight[self.all.meaningless] = -math.inf
            named = np.argsort(-tight, kind="stable")[:_FEW]
            rows |= set(named[~self.all.meaningless[named]].tolist())
        self._few[kind] = self.all.take(np.array(sorted(rows)))
        self._quick.pop(kind, None)

    def _trial(self, kind: str, trial: float) -> dict[str, Any]:
        changes: dict[str, Any] = {
            "controller.stabilising_feedback": kind,
            "controller.velocity_gain": 0.2 * trial * self.natural_frequency,
        }
        for name, value in self.scales(kind).items():
            changes[f"controller.{name}"] = value * (trial if "feedback" in name else 1.0)
        return changes

    def shares(self, gain: Array, phase: Array) -> Array:
        """Return what is missing of margins [ratio, rad] as a share of the limits."""
        d = self.demands
        wanted = math.log(max(d.gain_margin, 1.0 + 1e-9))
        lacks = 1.0 - np.log(np.maximum(gain, 1e-6)) / wanted
        return np.maximum(lacks, 1.0 - phase / max(d.phase_margin, 1e-9))

    def lacks(self, margins: Margins) -> Array:
        """Return what is missing of both margins at each point, as a share of the limits."""
        gain, phase = _of_unstable(margins)
        worst = self.shares(gain, phase)
        return np.where(margins.stable, np.minimum(worst, 2.0), 2.0 + np.clip(worst, 0.0, 50.0))

    def lacking(self, family: LoopFamily, changes: Mapping[str, Any]) -> float:
        """Return the most that is missing in the points of a family, below zero if nothing is."""
        worst = -math.inf
        for margins in family.margins(self.gains(changes), peaks=False):
            lacks = self.lacks(margins)[~family.meaningless]
            worst = max(worst, float(lacks.max(initial=-math.inf)))
        return worst

    def quick(self, kind: str) -> QuickMargins:
        """Return the quick margins of the tightest points for gains of one kind."""
        if kind not in self._quick:
            self._quick[kind] = QuickMargins(self.few(kind), self.lean)
        return self._quick[kind]

    def missing_margins(self, changes: Mapping[str, Any]) -> float:
        """Return what is missing in the tightest points, roughly, be they stable or not."""
        quick, gains = self.quick(self.kind_of(changes)), self.gains(changes)
        return float(self.shares(*quick(gains)).max()) + _ROUGH

    def missing(self, changes: Mapping[str, Any]) -> float:
        """Return what is missing in the tightest points, below zero if nothing is, roughly."""
        quick, gains = self.quick(self.kind_of(changes)), self.gains(changes)
        worst = float(self.shares(*quick(gains)).max()) + _ROUGH
        if quick.stable(gains):
            return min(worst, 2.0)
        return 2.0 + min(max(worst, 0.0), 50.0)

    def constraints(self, changes: Mapping[str, Any], few: bool = False) -> tuple[Constraint, ...]:
        """Return gain and phase margin of both cuts with their worst points.

        Parameters
        ----------
        changes : mapping of str to object
            Keys of the file and their values [SI].
        few : bool
            Only in the tightest points.

        Returns
        -------
        tuple of Constraint
            ``gain_margin_command``, ``phase_margin_command`` and the same of the position.
        """
        family = self.few(self.kind_of(changes)) if few else self.all
        found = []
        d, meant = self.demands, ~family.meaningless
        both = family.margins(self.gains(changes), peaks=False)
        for cut, margins in zip(CUTS, both, strict=True):
            gain, phase = _of_unstable(margins)
            k = _smallest(gain, meant)
            slack = math.log(max(gain[k], 1e-6)) / math.log(max(d.gain_margin, 1.0 + 1e-9)) - 1.0
            where = _where(family, k, margins)
            found.append(
                Constraint(f"gain_margin_{cut}", f"gain margin at the {_WORDS[cut]}",
                           float(gain[k]), d.gain_margin, "1", "dB", False, slack, where)
            )  # fmt: skip
            k = _smallest(phase, meant)
            slack = float(phase[k]) / max(d.phase_margin, 1e-9) - 1.0
            where = _where(family, k, margins)
            found.append(
                Constraint(f"phase_margin_{cut}", f"phase margin at the {_WORDS[cut]}",
                           float(phase[k]), d.phase_margin, "rad", "deg", False, slack, where)
            )  # fmt: skip
        return tuple(found)

    def along(self, changes: Mapping[str, Any]) -> tuple[tuple[float, float, float, bool], ...]:
        """Return the smaller margins of both cuts along the whole stroke.

        Returns
        -------
        tuple of (float, float, float, bool)
            Position [m], gain margin [ratio], phase margin [rad] and whether the loop is stable.
        """
        family = self.whole
        at = np.array([round(point.position, 9) for point in family.points])
        both = family.margins(self.gains(changes), peaks=False)
        gains, phases = (np.minimum(*pair) for pair in zip(*map(_of_unstable, both), strict=True))
        stable = both[0].stable & both[1].stable
        found = []
        for position in np.unique(at):
            rows = (at == position) & ~family.meaningless
            if rows.any():
                least = float(np.nanmin(gains[rows])), float(np.nanmin(phases[rows]))
                found.append((float(position), *least, bool(stable[rows].all())))
        return tuple(found)

    @property
    def notes(self) -> list[str]:
        """What points have no margins, in sentences."""
        found = []
        refused = self.whole.plants.refused
        if refused:
            count = len(refused) + len(self.whole.points)
            found.append(f"{len(refused)} of {count} points of the envelope have no margins; the "
                         f"first of them: {refused[0][1]}")  # fmt: skip
        count = int(np.count_nonzero(self.whole.meaningless))
        if count:
            found.append(
                f"{count} points at the null of the overlapped valve are left out of the margins: "
                "the flow gain is near zero there, so that they mean nothing"
            )
        return found


def _of_unstable(margins: Margins) -> tuple[Array, Array]:
    """Return both margins, of unstable loops such as say so."""
    gain = np.where(margins.stable, margins.gain_margin, np.minimum(margins.gain_margin, 1.0))
    phase = np.where(margins.stable, margins.phase_margin, np.minimum(margins.phase_margin, 0.0))
    return gain, phase


def _where(family: LoopFamily, k: int, margins: Margins) -> str:
    words = point_in_words(family.points[k])
    return words if margins.stable[k] else f"unstable {words}"


def _smallest(values: Array, meant: Flags) -> int:
    """Return the place of the smallest of those values that mean something."""
    return int(np.argmin(np.where(meant & ~np.isnan(values), values, np.inf)))
