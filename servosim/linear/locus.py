"""Closed-loop poles against the velocity gain, and the gain at which a loop turns unstable.

The matrix of a closed loop is a straight function of the velocity gain, so that two of them give
the poles for any gain. The sampled locus is exact in hold, computing delay and transport delay. The
continuous one is the textbook's: the controller's law without samples and delays.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq, linear_sum_assignment

from servosim.axis import Axis
from servosim.errors import ParameterError
from servosim.linear.controllers import controllers
from servosim.linear.loops import closed_matrices, continuous_form
from servosim.linear.plants import Plants, plants
from servosim.linear.points import Point
from servosim.linear.sampling import sampled

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

FORMS = ("sampled", "continuous")
_LOWEST, _HIGHEST, _SEARCHED = 1e-2, 1e4, 400  # gains among which stability is looked for, 1/s
_SHOWN, _BEYOND = 160, 2.0  # gains of a locus, and how far it goes beyond its limit
_DEEP = 1e-9  # 1/s beyond the limit from which a pole is unstable: less is rounding


@dataclass(frozen=True)
class Locus:
    """Closed-loop poles of one point against the velocity gain.

    Attributes
    ----------
    point : Point
        Where the plant is taken.
    form : str
        ``sampled`` or ``continuous``.
    period : float
        Sampling period [s], zero if continuous.
    velocity_gains : ndarray, shape (n_K,)
        Growing gains [1/s].
    poles : ndarray of complex, shape (n_K, n_x)
        Poles of each gain, z [-] of the sampled loop and s [1/s] of the continuous; a column
        follows one pole.
    limits : tuple of float
        Gains [1/s] at which the loop turns from stable to unstable or back.
    limit : float
        Upper end of the lowest range of gains that are stable [1/s]; infinite if it has none, zero
        if no gain is stable.
    limit_frequency : float
        Frequency of the pole that turns unstable there [rad/s], nan if there is none.
    """

    point: Point
    form: str
    period: float
    velocity_gains: Array
    poles: ComplexArray
    limits: tuple[float, ...]
    limit: float
    limit_frequency: float

    @property
    def ranges(self) -> tuple[tuple[float, float], ...]:
        """Ranges of the velocity gain in which the loop is stable [1/s], none or more.

        The first may begin at zero, the last may end at infinity.
        """
        from_the_start = self.limit == (self.limits[0] if self.limits else np.inf)
        ends = ((0.0,) if from_the_start else ()) + self.limits
        ends += (np.inf,) if len(ends) % 2 else ()
        return tuple(zip(ends[::2], ends[1::2], strict=True))

    @property
    def sentence(self) -> str:
        """Which velocity gains are stable, such as "stable up to 34.2 1/s"."""
        parts = []
        for low, high in self.ranges:
            if high == np.inf:
                parts.append(f"above {low:.4g} 1/s" if low > 0.0 else "with any gain")
            else:
                parts.append(
                    (f"from {low:.4g} 1/s to" if low > 0.0 else "up to") + f" {high:.4g} 1/s"
                )
        return f"stable {' and '.join(parts)}" if parts else "no gain is stable"

    @property
    def continuous_poles(self) -> ComplexArray:
        """Poles as s [1/s]; of a sampled loop log(z)/T, minus infinity for a pole z = 0."""
        if self.form == "continuous":
            return self.poles
        with np.errstate(divide="ignore"):
            return np.asarray(np.log(self.poles) / self.period)

    @property
    def natural_frequencies(self) -> Array:
        """Natural frequency of each pole, shape (n_K, n_x) [rad/s]."""
        return np.abs(self.continuous_poles)

    @property
    def damping_ratios(self) -> Array:
        """Damping ratio of each pole, shape (n_K, n_x) [-]; one for a pole at rest."""
        s = self.continuous_poles
        with np.errstate(invalid="ignore", divide="ignore"):
            ratio = -s.real / np.abs(s)
        return np.where(np.isfinite(ratio), ratio, 1.0)


def root_locus(
    axis: Axis,
    point: Point,
    *,
    form: str | None = None,
    velocity_gains: ArrayLike | None = None,
    gains: Mapping[str, float] | None = None,
    given: Plants | None = None,
) -> Locus:
    """Return the closed-loop poles of a point against the velocity gain.

    Parameters
    ----------
    axis : Axis
        Axis whose controller is at work.
    point : Point
        Where the plant is taken.
    form : str, optional
        ``sampled`` or ``continuous``; that of the axis' controller if not given.
    velocity_gains : array_like, shape (n_K,), optional
        Growing gains [1/s]; some up to twice the limit of stability if not given.
    gains : mapping of str to float, optional
        Other gains [SI] instead of the file's.
    given : Plants, optional
        Plant of the point, if it is at hand.

    Returns
    -------
    Locus
        Poles, and the gains at which stability changes.

    Raises
    ------
    ParameterError
        If the point has no steady state, the form or a gain can't be meant.
    """
    plant = plants([point]) if given is None else given
    if len(plant.points) != 1:
        reason = "; ".join(text for _, text in plant.refused)
        raise ParameterError(
            f"no plant at this point: {reason}" if reason else "expected one plant"
        )
    c = controllers(plant, gains, axis)
    if form is None:
        form = "sampled" if c.sampled else "continuous"
    if form not in FORMS or (form == "sampled" and not c.sampled):
        raise ParameterError(
            f'form "{form}": choose "continuous"' + (' or "sampled"' if c.sampled else "")
        )
    as_sampled = form == "sampled"
    period = c.period if as_sampled else 0.0
    states = sampled(plant) if as_sampled else plant
    none, one = (c.with_gains({"K_v": K}) for K in (0.0, 1.0))
    if not as_sampled:
        none, one = continuous_form(none), continuous_form(one)
    start = closed_matrices(states, none)[0]
    rise = closed_matrices(states, one)[0] - start

    def poles(K: Array) -> ComplexArray:
        return np.asarray(np.linalg.eigvals(start + K[:, None, None] * rise), dtype=complex)

    def excess(K: Array) -> Array:
        found = poles(np.atleast_1d(K))
        # both in 1/s, so that one threshold does
        rate = np.log(np.abs(found)) / period if as_sampled else found.real
        return np.asarray(np.max(rate, axis=1))

    with np.errstate(divide="ignore"):
        limits, limit = _limits(excess)
    frequency = float("nan")
    if 0.0 < limit < np.inf:
        there = poles(np.array([limit]))[0]
        top = there[int(np.argmax(np.abs(there) if as_sampled else there.real))]
        frequency = float(abs(np.angle(top)) / period if as_sampled else abs(top.imag))
    if velocity_gains is None:
        end = limits[-1] if limits else 0.0
        end = _BEYOND * max(end, float(c.numbers.K_v[0]))
        shown = np.linspace(0.0, end, _SHOWN)
    else:
        shown = np.asarray(velocity_gains, dtype=float)
        if shown.ndim != 1 or not len(shown) or not np.all(np.isfinite(shown) & (shown >= 0.0)):
            raise ParameterError("velocity_gains: expected finite gains, zero or more")
        if np.any(np.diff(shown) <= 0.0):
            raise ParameterError("velocity_gains: expected growing gains")
    return Locus(point, form, period, shown, _followed(poles(shown)), limits, limit, frequency)


def _limits(excess: Callable[[Array], Array]) -> tuple[tuple[float, ...], float]:
    """Return the gains at which stability changes, and the end of the lowest stable range."""

    def beyond(K: float) -> float:
        return float(excess(np.array([K]))[0]) - _DEEP

    tried = np.geomspace(_LOWEST, _HIGHEST, _SEARCHED)
    unstable = excess(tried) > _DEEP
    changes = np.flatnonzero(unstable[1:] != unstable[:-1])
    limits = tuple(
        float(brentq(beyond, tried[k], tried[k + 1], xtol=1e-300, rtol=1e-14)) for k in changes
    )
    if not unstable[0]:
        return limits, limits[0] if limits else np.inf
    if not limits:
        return limits, 0.0
    return limits, limits[1] if len(limits) > 1 else np.inf


def _followed(poles: ComplexArray) -> ComplexArray:
    """Return the poles so that each column follows one of them from gain to gain."""
    found = poles.copy()
    for k in range(1, len(found)):
        ahead = found[k - 1] if k == 1 else 2.0 * found[k - 1] - found[k - 2]
        cost = np.abs(ahead[:, None] - poles[k][None, :])
        found[k] = poles[k][linear_sum_assignment(cost)[1]]
    return found
