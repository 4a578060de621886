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
from dataclasses import replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from servosim.axis import Axis
from servosim.errors import ParameterError
from servosim.linear._frequency_grids import frequencies, inside, sharp_poles
from servosim.linear.controllers import Controllers, controllers
from servosim.linear.highest_gain import (
    DEMANDS,
    GAIN_MARGIN,
    PHASE_MARGIN,
    HighestGain,
    highest_gain,
)
from servosim.linear.loops import closed_matrices
from servosim.linear.margins import Margins, margins
from servosim.linear.modes import Modes, modes
from servosim.linear.plants import Plants, plants
from servosim.linear.points import Point
from servosim.linear.sampling import SampledPlants, sampled

__all__ = ["DEMANDS", "GAIN_MARGIN", "PHASE_MARGIN", "HighestGain", "LoopFamily", "cuts"]

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Flags = NDArray[np.bool_]
Rows = NDArray[np.intp]

_LIMIT = 1e-9  # of a pole's real part or of |z| - 1: on the limit counts as stable only below it


def cuts(forward: ComplexArray, inner: ComplexArray) -> tuple[ComplexArray, ComplexArray]:
    """Return the loops opened at the command and at the position error.

    Parameters
    ----------
    forward, inner : ndarray of complex
        The loop by way of the position error, and by all other ways [-].

    Returns
    -------
    command, position : ndarray of complex
        Closed they are 1/(1 + L); at the second cut the other ways are closed already.
    """
    return forward + inner, forward / (1.0 + inner)


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
        return frequencies(self.modes.eigenvalues, self.modes.timing)

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

    def seen(self, omega: Array) -> tuple[ComplexArray, ComplexArray]:
        """Return what the controllers see of a command, at the samples.

        Parameters
        ----------
        omega : ndarray, shape (n, n_f)
            Frequencies [rad/s].

        Returns
        -------
        reading, pressure : ndarray of complex, shape (n, n_f)
            Position reading [m] and load pressure [Pa] over the command [-].
        """
        both = np.asarray(self._channels(omega))
        return np.ascontiguousarray(both[:, 0]), np.ascontiguousarray(both[:, 1])

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
            command, position = cuts(forward, inner)
            return np.where(rows < n, command, position)

        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            omega, forward, inner = self._resolved(c)
            loops = np.concatenate(cuts(forward, inner))
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
        return w, *cuts(forward, inner)

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
        found = highest_gain(
            lambda tried: judged.margins(tried, peaks=False),
            len(judged.points),
            gains or {},
            gain_margin,
            phase_margin,
        )
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
        own = sharp_poles(omega, inner)
        if own is None:
            return omega, forward, inner
        own = inside(omega, own)
        parts = (omega, forward, inner), (own, *self._paths(c, own, None, self._channels(own)))
        whole = [np.concatenate(pair, axis=1) for pair in zip(*parts, strict=True)]
        order = np.argsort(whole[0], axis=1, kind="stable")
        w, forward, inner = (np.take_along_axis(values, order, axis=1) for values in whole)
        return np.asarray(w), np.asarray(forward), np.asarray(inner)
