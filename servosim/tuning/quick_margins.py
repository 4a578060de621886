"""Margins of few points in a millisecond, read off a grid of frequencies.

For the thousands of candidates of a search. Crossings lie where straight pieces between the
frequencies cross, which is some per cent off at worst; what is proposed is judged by
:mod:`servosim.linear.margins`, which searches each crossing.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim.linear.family import LoopFamily, cuts
from servosim.linear.loops import closed_matrices
from servosim.linear.responses import responses
from servosim.linear.sampling import SampledPlants, sampled

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

_DOUBLINGS = 24  # powers of the closed loop's matrix: 2^24 samples are some hours
_FADED, _GROWN = 1e-9, 1e60


class QuickMargins:
    """Both margins of the loops of a family, for many gains.

    Parameters
    ----------
    family : LoopFamily
        The loops; points that mean nothing should be left out.
    lean : bool, optional
        Whether nothing but what the loops need is computed: six times quicker to make, for loops
        that are asked for few gains; the last digits differ.
    """

    def __init__(self, family: LoopFamily, lean: bool = False) -> None:
        self.family = family
        self._states: SampledPlants | None = None
        coarse = family.omega if lean else responses(family.plants).omega
        between = np.sqrt(coarse[:, 1:] * coarse[:, :-1])
        self.omega = np.sort(np.concatenate([coarse, between], axis=1), axis=1)
        if lean:
            self._reading, self._pressure = family.seen(self.omega)
            return
        seen = responses(family.plants, self.omega).plant
        ratio = family.controllers().area_ratio[:, None]
        self._reading = np.ascontiguousarray(seen[..., 0])
        self._pressure = seen[..., 1] - ratio * seen[..., 2]

    def __call__(self, gains: Mapping[str, Any]) -> tuple[Array, Array]:
        """Return gain margin [ratio] and phase margin [rad] of each loop, shape (2 n,).

        The loops opened at the command come first, then those opened at the position error. Of a
        loop that is not stable they say how it lies to the critical point, not that it is unstable.
        """
        forward, inner = self._paths(gains)
        with np.errstate(divide="ignore", invalid="ignore"):
            loops = np.concatenate(cuts(forward, inner))
            return _gain_margins(loops), _phase_margins(loops)

    def along(self, gains: Mapping[str, Any], factors: Array) -> tuple[Array, Array]:
        """Return the smallest margins with the position error's gains times each of some factors.

        On every other frequency, that is some per cent coarser still.

        Parameters
        ----------
        gains : mapping of str to float
            Gains [SI].
        factors : ndarray, shape (n_factor,)
            Factors of velocity gain and integral gain [-].

        Returns
        -------
        gain, phase : ndarray, shape (n_factor,)
            Smallest gain margin [ratio] and phase margin [rad] of all loops and both cuts.
        """
        forward, inner = (part[:, ::2] for part in self._paths(gains))
        shape = (len(factors), *forward.shape)
        with np.errstate(divide="ignore", invalid="ignore"):
            many = np.multiply.outer(factors, forward), np.broadcast_to(inner, shape)
            loops = np.concatenate(cuts(*many), axis=1)
            rows = loops.reshape(-1, shape[-1])
            gain, phase = _gain_margins(rows), _phase_margins(rows)
        return gain.reshape(len(factors), -1).min(axis=1), phase.reshape(len(factors), -1).min(
            axis=1
        )

    def _paths(self, gains: Mapping[str, Any]) -> tuple[ComplexArray, ComplexArray]:
        """Return the loop by way of the position error, and by all other ways."""
        error, reading, pressure = self.family.controllers(gains).paths(self.omega)
        return error * self._reading, reading * self._reading + pressure * self._pressure

    def stable(self, gains: Mapping[str, Any]) -> bool:
        """Tell whether all loops are stable.

        Of a sampled loop by powers of its matrix, which fade if and only if it is; they cost a
        tenth of the eigenvalues.
        """
        controllers = self.family.controllers(gains)
        if not controllers.sampled:
            return bool(self.family.stable(gains).all())
        if self._states is None:
            self._states = sampled(self.family.plants)
        power = closed_matrices(self._states, controllers)
        for _ in range(_DOUBLINGS):
            size = np.abs(power).max()
            if size < _FADED:
                return True
            if not size < _GROWN:
                return False
            power = power @ power
        return False


def _gain_margins(loops: ComplexArray) -> Array:
    """Return the least factor above one with which each loop passes through -1."""
    im = loops.imag
    rows, at = np.nonzero(im[:, 1:] * im[:, :-1] <= 0.0)
    share = im[rows, at] / (im[rows, at] - im[rows, at + 1])
    re = loops.real[rows, at] + share * (loops.real[rows, at + 1] - loops.real[rows, at])
    found = np.full(len(loops), np.inf)
    counts = (re < 0.0) & (re > -1.0)
    np.minimum.at(found, rows[counts], -1.0 / re[counts])
    return found


def _phase_margins(loops: ComplexArray) -> Array:
    """Return the least turn that takes each loop through -1."""
    size = np.log(np.abs(loops))
    rows, at = np.nonzero(size[:, 1:] * size[:, :-1] <= 0.0)
    share = size[rows, at] / (size[rows, at] - size[rows, at + 1])
    turn = np.angle(loops[rows, at + 1] / loops[rows, at])
    phase = np.angle(-loops[rows, at]) + share * turn
    phase = np.abs(np.angle(np.exp(1j * phase)))
    found = np.full(len(loops), np.inf)
    known = np.isfinite(phase)
    np.minimum.at(found, rows[known], phase[known])
    return found
