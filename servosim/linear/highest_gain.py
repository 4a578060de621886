"""The largest velocity gain that keeps demanded margins at many points.

Each point by itself has a largest gain; the smallest of these counts. But a point may also ask for
a least gain, as an integral does, or a pressure feedback that turns the loop too far by itself: the
gain found is checked at all points together.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import elementwise

from servosim.linear.margins import Margins

Array = NDArray[np.float64]
Rows = NDArray[np.intp]
Judge = Callable[[Mapping[str, Any]], tuple[Margins, Margins]]

GAIN_MARGIN = 2.0
PHASE_MARGIN = np.pi / 4.0
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


def highest_gain(
    judge: Judge, n: int, gains: Mapping[str, Any], gain_margin: float, phase_margin: float
) -> HighestGain:
    """Return the largest velocity gain that keeps demanded margins at points that all count.

    Parameters
    ----------
    judge : callable
        ``judge(gains)`` returns the margins of all points at both cuts; a gain may be an array of
        shape (n,), one for each point.
    n : int
        Number of points [-].
    gains : mapping of str to float
        Other gains [SI].
    gain_margin, phase_margin : float
        Demanded margins [-], [rad].

    Returns
    -------
    HighestGain
        The gain, and what limits it.
    """
    gains = {k: v for k, v in gains.items() if k not in ("K_v", "velocity_gain")}

    def shares(K_v: Array) -> Array:
        both = judge({**gains, "K_v": K_v})
        return _shares(both, gain_margin, phase_margin)

    def held(log_K: Array, rows: Rows) -> Array:
        # all points are asked, each with its own gain; the search wants some of them
        K = np.full(n, _LOWEST_GAIN)
        K[rows] = np.exp(log_K)
        return np.asarray(np.min(shares(K), axis=0)[rows])

    rows = np.arange(n)
    # no gain above the one that makes it unstable, less the demanded margin, can do
    _, position = judge({**gains, "K_v": _LOWEST_GAIN})
    top = np.where(position.stable, position.gain_margin, np.inf) * _LOWEST_GAIN / gain_margin
    top = np.log(np.clip(np.where(np.isfinite(top), top, _HIGHEST_GAIN), _LOWEST_GAIN, 1e6))
    low, high = np.full(n, np.nan), top + 1e-9
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
    return _limited(judge, gains, limits, shares)


def _limited(
    judge: Judge, gains: dict[str, Any], limits: Array, shares: Callable[[Array], Array]
) -> HighestGain:
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
    both = judge({**gains, "K_v": nearest})
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
