"""The loops of many points with the plants kept, so that other gains are judged in milliseconds.

Plants, their modes and their responses over frequency are made once. For new gains the controllers'
transfer functions are multiplied in, and crossings and peaks are searched with the exact response.

Cuts. ``command``: the loop is opened at the command of the valve, where all feedback meets.
``position``: it is opened at the position error, stabilising feedback closed. A required margin has
to hold at both: the first bounds what the gain of the valve may do, the second what velocity gain
and scale may.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import elementwise

from servosim.axis import Axis
from servosim.errors import ParameterError
from servosim.linear.controllers import Controllers, controllers
from servosim.linear.loops import closed_matrices
from servosim.linear.margins import Margins, margins
from servosim.linear.modes import Modes, frequencies, inside, modes
from servosim.linear.plants import Plants, plants
from servosim.linear.points import Point
from servosim.linear.sampling import SampledPlants, sampled

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Flags = NDArray[np.bool_]
Rows = NDArray[np.intp]

GAIN_MARGIN = 2.0
PHASE_MARGIN = np.pi / 4.0
_LIMIT = 1e-9  # of a pole's real part or of |z| - 1: on the limit counts as stable only below it
_SHARP = 0.6  # |1 + L| of the inner loop below which its poles get frequencies of their own
_BESIDE = np.array([-3.0, -1.5, -0.7, 0.0, 0.7, 1.5, 3.0])  # in half widths of a peak
_LOWEST_GAIN, _HIGHEST_GAIN = 1e-2, 1e3  # of velocity gains that are tried, 1/s
_TRIALS = 16
_KEPT = 1e-5  # by which a margin may fall short for the search to have ended
DEMANDS = (
    "gain margin at the command",
    "gain margin at the position error",
    "phase margin at the command",
    "phase margin at the position error",
    "stability",
)


@dataclass(frozen=True)
class HighestGain:
    """The largest velocity gain that keeps demanded margins.

    Attributes
    ----------
    velocity_gain : float
        The gain [1/s]; zero if none keeps them.
    limits : ndarray, shape (n,)
        The largest gain of each point by itself [1/s], zero if none; nan where a point says
        nothing about the axis.
    point : int
        Place of the point that limits.
    demand : str
        Which of ``DEMANDS`` limits.
    margin : float
        That margin at the gain, or at the nearest one [-] or [rad].
    frequency : float
        Frequency at which it stands [rad/s], nan if there is none.
    nearest : float
        The gain, or if none keeps the margins the one that comes nearest to it [1/s].
    """

    velocity_gain: float
    limits: Array
    point: int
    demand: str
    margin: float
    frequency: float
    nearest: float


class LoopFamily:
    """The loops of many points of one axis.

    Parameters
    ----------
    axis : Axis
        Axis whose controller is at work at all points, also in the corners of an envelope.
    points : sequence of Point
        Where plants are taken.
    given : Plants, optional
        Their plants, if they are at hand.

    Attributes
    ----------
    axis : Axis
        As given.
    plants : Plants
        Plants of the points that exist.
    points : tuple of Point
        Points that exist, shape (n,).
    meaningless : ndarray of bool, shape (n,)
        Points whose margins say nothing about the axis: at the null of an overlapped valve.
    """

    def __init__(self, axis: Axis, points: Sequence[Point], given: Plants | None = None) -> None:
        self.axis = axis
        self.plants = plants(points) if given is None else given
        if not self.plants.points:
            reasons = "; ".join(reason for _, reason in self.plants.refused[:1])
            raise ParameterError(
                f"none of {len(points)} points has a steady state, so there is no loop"
                + (f": {reasons}" if reasons else "; give one point at least")
            )
        self.points = self.plants.points
        self.meaningless: Flags = np.asarray(self.plants.meaningless, dtype=bool)

    @cached_property
    def modes(self) -> Modes:
        """The plants by their modes."""
        return modes(self.plants)

    @cached_property
    def _controllers(self) -> Controllers:
        return controllers(self.plants, rated=self.axis)

    @cached_property
    def _states(self) -> Plants | SampledPlants:
        """What closes to the matrices whose eigenvalues tell stability."""
        return sampled(self.plants) if self._controllers.sampled else self.plants

    @cached_property
    def omega(self) -> Array:
        """Frequencies of the grid, shape (n, n_f) [rad/s]."""
        return frequencies(self.modes)

    @cached_property
    def _mix(self) -> Array:
        """Weights of what is seen in position reading and load pressure."""
        mix = np.zeros((len(self.points), 2, 4))
        mix[:, 0, 0] = mix[:, 1, 1] = 1.0
        mix[:, 1, 2] = -self._controllers.area_ratio
        return mix

    @cached_property
    def _channels(self) -> Any:
        return self.modes.channels(self._mix)

    @cached_property
    def _grid(self) -> ComplexArray:
        """Position reading and load pressure over the command, shape (n, 2, n_f)."""
        return np.asarray(self._channels(self.omega))

    def controllers(self, gains: Mapping[str, Any] | None = None) -> Controllers:
        """Return the controllers with other gains.

        Parameters
        ----------
        gains : mapping of str to float or ndarray of shape (n,), optional
            See :meth:`servosim.linear.controllers.Controllers.with_gains`.

        Returns
        -------
        Controllers
            One for each point.
        """
        return self._controllers.with_gains(gains) if gains else self._controllers

    def stable(self, gains: Mapping[str, Any] | None = None) -> Flags:
        """Return whether each closed loop is stable, by its eigenvalues.

        Parameters
        ----------
        gains : mapping of str to float, optional
            Gains [SI] instead of the file's.

        Returns
        -------
        ndarray of bool, shape (n,)
            Whether all eigenvalues lie inside the limit.
        """
        return self._stable(self.controllers(gains))

    def _stable(self, c: Controllers) -> Flags:
        poles = np.linalg.eigvals(closed_matrices(self._states, c))
        if c.sampled:
            return np.asarray(np.max(np.abs(poles), axis=1) < 1.0 - _LIMIT * c.period)
        return np.asarray(np.max(poles.real, axis=1) < -_LIMIT)

    def margins(
        self,
        gains: Mapping[str, Any] | None = None,
        *,
        stable: ArrayLike | None = None,
        peaks: bool = True,
    ) -> tuple[Margins, Margins]:
        """Return the margins of all loops at both cuts.

        Parameters
        ----------
        gains : mapping of str to float or ndarray of shape (n,), optional
            Gains [SI] instead of the file's, by the keys of the table or the names of the numbers.
        stable : array_like of bool, shape (n,), optional
            Whether the closed loops are stable, if that is known already.
        peaks : bool, optional
            Whether sensitivity, bandwidth and resonance are sought too; they are nan otherwise,
            which takes a third of the time.

        Returns
        -------
        command, position : Margins
            At the valve's command, and at the position error.

        Raises
        ------
        ParameterError
            If a gain is unknown or can't act.
        """
        c = self.controllers(gains)
        n = len(self.points)
        ok = self._stable(c) if stable is None else np.broadcast_to(np.asarray(stable), (n,))

        def evaluate(omega: Array, rows: Rows) -> ComplexArray:
            k = np.mod(rows, n)
            forward, inner = self._paths(c, omega, k)
            return np.where(rows < n, forward + inner, forward / (1.0 + inner))

        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            omega, forward, inner = self._resolved(c)
            loops = np.concatenate([forward + inner, forward / (1.0 + inner)])
            both = margins(
                loops,
                np.tile(omega, (2, 1)),
                evaluate,
                stable=np.tile(ok, 2),
                cut="command",
                peaks=peaks,
            )
        return both.take(slice(0, n)), both.take(slice(n, None), "position")

    def loops(
        self, omega: ArrayLike | None = None, gains: Mapping[str, Any] | None = None
    ) -> tuple[Array, ComplexArray, ComplexArray]:
        """Return the open loops over frequency.

        Parameters
        ----------
        omega : array_like, shape (n_f,) or (n, n_f), optional
            Frequencies [rad/s]; a grid that resolves the loops if not given.
        gains : mapping of str to float, optional
            Gains [SI] instead of the file's.

        Returns
        -------
        omega : ndarray, shape (n, n_f)
            Frequencies [rad/s].
        command, position : ndarray of complex, shape (n, n_f)
            Loops [-] opened at the command and at the position error; closed they are 1/(1 + L).
        """
        c = self.controllers(gains)
        if omega is None:
            w, forward, inner = self._resolved(c)
        else:
            w = self._given(omega)
            forward, inner = self._paths(c, w, None, np.asarray(self._channels(w)))
        return w, forward + inner, forward / (1.0 + inner)

    def compliance(
        self, omega: ArrayLike | None = None, gains: Mapping[str, Any] | None = None
    ) -> tuple[Array, ComplexArray]:
        """Return how far a thrust along the axis moves the table in the closed loop.

        Parameters
        ----------
        omega : array_like, shape (n_f,) or (n, n_f), optional
            Frequencies [rad/s]; a grid that resolves the loops if not given.
        gains : mapping of str to float, optional
            Gains [SI] instead of the file's.

        Returns
        -------
        omega : ndarray, shape (n, n_f)
            Frequencies of the thrust [rad/s].
        compliance : ndarray of complex, shape (n, n_f)
            Position of the table over thrust [m/N], negative at rest: a thrust against extension
            moves it back. Of a sampled controller the position at the samples.
        """
        c = self.controllers(gains)
        w = self._resolved(c)[0] if omega is None else self._given(omega)
        mix = np.concatenate([self._mix, np.zeros((len(w), 1, 4))], axis=1)
        mix[:, 2, 3] = 1.0
        moved, pushed = self.modes.channels(mix)(w), self.modes.channels(mix, thrust=True)(w)
        error, reading, pressure = c.paths(w)
        answered = (error + reading) * pushed[:, 0] + pressure * pushed[:, 1]
        loop = (error + reading) * moved[:, 0] + pressure * moved[:, 1]
        return w, pushed[:, 2] - moved[:, 2] * answered / (1.0 + loop)

    def highest_velocity_gain(
        self,
        gains: Mapping[str, float] | None = None,
        *,
        gain_margin: float = GAIN_MARGIN,
        phase_margin: float = PHASE_MARGIN,
    ) -> HighestGain:
        """Return the largest velocity gain that keeps demanded margins at all points that count.

        Parameters
        ----------
        gains : mapping of str to float, optional
            Other gains [SI] instead of the file's.
        gain_margin : float, optional
            Demanded gain margin [-], above one.
        phase_margin : float, optional
            Demanded phase margin [rad], above zero.

        Returns
        -------
        HighestGain
            The gain, the point and the demand that limit it; points may also ask for a least gain,
            so that none keeps the margins of all.

        Raises
        ------
        ParameterError
            If a demand can't be meant, or no point says anything about the axis.
        """
        if not (np.isfinite(gain_margin) and gain_margin > 1.0):
            raise ParameterError(f"gain_margin = {gain_margin:g}: expected a factor above one")
        if not 0.0 < phase_margin < np.pi:
            raise ParameterError(f"phase_margin = {phase_margin:g} rad: expected 0 to pi")
        if np.all(self.meaningless):
            raise ParameterError(
                f"all {len(self.points)} points lie at the null of an overlapped valve, where the "
                "flow gain is near zero and margins mean nothing; add points in motion"
            )
        judged = self.take(~self.meaningless)
        found = _highest(judged, dict(gains or {}), gain_margin, phase_margin)
        limits = np.full(len(self.points), np.nan)
        limits[~self.meaningless] = found.limits
        place = int(np.flatnonzero(~self.meaningless)[found.point])
        return replace(found, limits=limits, point=place)

    def take(self, chosen: Flags | Rows) -> LoopFamily:
        """Return the family of some of the points, with what was made for them."""
        rows = np.arange(len(self.points))[chosen]
        if len(rows) == len(self.points):
            return self
        p = self.plants
        arrays = {
            name: value[rows]
            for name, value in vars(p).items()
            if isinstance(value, np.ndarray) and len(value) == len(self.points)
        }
        taken = type(p)(**(vars(p) | arrays | {"points": tuple(p.points[k] for k in rows)}))
        return LoopFamily(self.axis, taken.points, taken)

    def _given(self, omega: ArrayLike) -> Array:
        w = np.asarray(omega, dtype=float)
        w = np.array(np.broadcast_to(w, (len(self.points), w.shape[-1])))
        highest = self.modes.timing.highest
        if not np.all((w > 0.0) & (w <= highest * (1.0 + 1e-9))):
            raise ParameterError(
                f"frequencies from {np.min(w):g} to {np.max(w):g} rad/s: expected positive ones up "
                f"to {highest:g} rad/s, where the samples of the controller end"
            )
        return w

    def _paths(
        self, c: Controllers, omega: Array, rows: Rows | None, seen: ComplexArray | None = None
    ) -> tuple[ComplexArray, ComplexArray]:
        """Return the loop by way of the position error and the rest of it."""
        error, reading, pressure = c.paths(omega, rows)
        if rows is not None:
            y, p_L = self._channels(omega, rows).T
        else:
            assert seen is not None
            y, p_L = seen[:, 0], seen[:, 1]
        return error * y, reading * y + pressure * p_L

    def _resolved(self, c: Controllers) -> tuple[Array, ComplexArray, ComplexArray]:
        """Return frequencies and both parts of the loop; sharp poles of the inner loop resolved."""
        omega = self.omega
        forward, inner = self._paths(c, omega, None, self._grid)
        own = _sharp_poles(omega, inner)
        if own is None:
            return omega, forward, inner
        own = inside(omega, own)
        parts = (omega, forward, inner), (own, *self._paths(c, own, None, self._channels(own)))
        whole = [np.concatenate(pair, axis=1) for pair in zip(*parts, strict=True)]
        order = np.argsort(whole[0], axis=1, kind="stable")
        w, forward, inner = (np.take_along_axis(values, order, axis=1) for values in whole)
        return np.asarray(w), np.asarray(forward), np.asarray(inner)


def _sharp_poles(omega: Array, inner: ComplexArray) -> Array | None:
    """Return frequencies around poles of 1/(1 + inner) near the limit of stability, shape (n, m).

    A step of Newton's from the lowest places of |1 + inner| tells how far beside the frequency axis
    the pole lies, and so how wide its peak is.
    """
    distance = np.abs(1.0 + inner)
    middle = distance[:, 1:-1]
    low = (middle <= distance[:, :-2]) & (middle <= distance[:, 2:]) & (middle < _SHARP)
    if not np.any(low):
        return None
    rows, places = np.nonzero(low)
    order = np.lexsort((middle[rows, places], rows))
    rows, places = rows[order], places[order] + 1
    rank = np.arange(len(rows)) - np.searchsorted(rows, rows)
    rows, places, rank = rows[rank < 2], places[rank < 2], rank[rank < 2]
    run = omega[rows, places + 1] - omega[rows, places - 1]
    slope = (inner[rows, places + 1] - inner[rows, places - 1]) / run
    step = -(1.0 + inner[rows, places]) / slope
    half = np.clip(np.abs(step.imag), 1e-6 * omega[rows, places], run)
    own = np.full((len(omega), 2, len(_BESIDE)), np.nan)
    centre = omega[rows, places] + np.clip(step.real, -0.5 * run, 0.5 * run)
    own[rows, rank] = centre[:, None] + half[:, None] * _BESIDE
    return own.reshape(len(omega), -1)


def _shares(both: tuple[Margins, Margins], gain_margin: float, phase_margin: float) -> Array:
    """Return each margin over what is demanded of it, in logarithms, shape (4, n)."""
    rows = []
    with np.errstate(divide="ignore"):
        for m in both:
            margin = np.minimum(m.gain_margin, 1.0 / m.gain_margin_low)
            rows.append(np.log(np.where(m.stable, margin, m.gain_margin) / gain_margin))
        for m in both:
            # a phase margin may be negative, so that its share isn't a logarithm
            share = np.where(np.isfinite(m.phase_margin), m.phase_margin / phase_margin, 1e3)
            rows.append(np.where(share > 1.0, np.log(np.maximum(share, 1.0)), share - 1.0))
    return np.clip(np.array(rows), -50.0, 50.0)


def _highest(
    family: LoopFamily, gains: dict[str, Any], gain_margin: float, phase_margin: float
) -> HighestGain:
    """Do what :meth:`LoopFamily.highest_velocity_gain` says for points that all count."""
    gains = {k: v for k, v in gains.items() if k not in ("K_v", "velocity_gain")}
    n = len(family.points)

    def shares(K_v: Array) -> Array:
        both = family.margins({**gains, "K_v": K_v}, peaks=False)
        return _shares(both, gain_margin, phase_margin)

    def held(log_K: Array, rows: Rows) -> Array:
        # all points are asked, each with its own gain; the search wants some of them
        K = np.full(n, _LOWEST_GAIN)
        K[rows] = np.exp(log_K)
        return np.asarray(np.min(shares(K), axis=0)[rows])

    rows = np.arange(n)
    # no gain above the one that makes it unstable, less the demanded margin, can do
    _, position = family.margins({**gains, "K_v": _LOWEST_GAIN}, peaks=False)
    top = np.where(position.stable, position.gain_margin, np.inf) * _LOWEST_GAIN / gain_margin
    top = np.log(np.clip(np.where(np.isfinite(top), top, _HIGHEST_GAIN), _LOWEST_GAIN, 1e6))
    low, high = np.full(n, np.nan), top * (1.0 + 0.0) + 1e-9
    left = rows
    before = high.copy()
    for trial in high[None, :] + np.linspace(0.0, 1.0, _TRIALS)[:, None] ** 1.5 * (
        np.log(_LOWEST_GAIN) - high
    ):
        keeps = held(trial[left], left) >= 0.0
        low[left[keeps]], high[left[keeps]] = trial[left[keeps]], before[left[keeps]]
        left = left[~keeps]
        before = trial
        if not len(left):
            break
    limits = np.zeros(n)
    found = rows[np.isfinite(low)]
    limits[found] = np.exp(low[found])
    open_ = found[high[found] > low[found]]
    if len(open_):
        sought = elementwise.find_root(
            held,
            (low[open_], high[open_]),
            args=(open_,),
            tolerances={"xatol": 1e-7, "xrtol": 1e-9},
            maxiter=60,
        )
        keeps = np.where(sought.f_x >= 0.0, sought.x, sought.x - 2e-7)
        limits[open_] = np.exp(np.where(np.isfinite(keeps), keeps, low[open_]))
    return _limited(family, gains, limits, shares)


def _limited(family: LoopFamily, gains: dict[str, Any], limits: Array, shares: Any) -> HighestGain:
    """Return the gain that all points keep, and which of them limits it."""
    n = len(limits)

    def least(K: float) -> float:
        return float(np.min(shares(np.full(n, K))))

    K = nearest = float(np.min(limits))
    kept = K > 0.0 and least(K) >= -_KEPT
    if not kept:
        # some points ask for a least gain too: the highest of the gains below that all keep
        top = max(K, _LOWEST_GAIN) if K > 0.0 else _HIGHEST_GAIN
        trials = np.geomspace(top, _LOWEST_GAIN, 2 * _TRIALS)
        values = np.array([least(trial) for trial in trials])
        keeps = np.flatnonzero(values >= 0.0)
        kept = len(keeps) > 0 and K > 0.0
        if kept:
            low, high = trials[keeps[0]], trials[max(keeps[0] - 1, 0)]
            for _ in range(30):
                middle = np.sqrt(low * high)
                low, high = (middle, high) if least(middle) >= 0.0 else (low, middle)
            nearest = float(low)
        else:
            nearest = float(trials[int(np.argmax(values))])
    values = shares(np.full(n, nearest))
    which, point = np.unravel_index(int(np.argmin(values)), values.shape)
    both = family.margins({**gains, "K_v": nearest}, peaks=False)
    m = both[int(which) % 2]
    stable = bool(m.stable[point])
    margin, at = (
        (m.phase_margin, m.phase_frequency) if which > 1 else (m.gain_margin, m.gain_frequency)
    )
    return HighestGain(
        velocity_gain=nearest if kept else 0.0,
        limits=limits,
        point=int(point),
        demand=DEMANDS[int(which)] if stable else DEMANDS[4],
        margin=float(margin[point]),
        frequency=float(at[point]),
        nearest=nearest,
    )
