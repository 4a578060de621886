"""One number for a candidate: time to settle if it keeps every demand, else how much is missing."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from servosim.tuning.bench import Outcomes
from servosim.tuning.demands import Demands

Array = NDArray[np.float64]

UNSETTLED = 1000.0  # offset of the cost of candidates that don't keep a demand
DISMISSED = 2000.0  # and of those whose margins are too small, which are not simulated
_TIE = 2e-3  # s, weight of overshoot and of the mean time among candidates as fast
_MOST = 10.0  # largest share of a limit by which one demand counts as missed


@dataclass(frozen=True)
class Terms:
    """How the demands stand for each candidate and case.

    Attributes
    ----------
    time : ndarray, shape (n_candidate, n_case)
        Longest time to settle over the seeds [s], the simulated time where one doesn't settle.
    missing : dict of str to ndarray, shape (n_candidate, n_case)
        By name of the demand, how much is missing as a share of its limit; negative if kept.
    values : dict of str to ndarray, shape (n_candidate, n_case)
        The values that were compared with the limits [SI].
    """

    time: Array
    missing: dict[str, Array]
    values: dict[str, Array]

    @property
    def violation(self) -> Array:
        """What is missing in all, by candidate and case, shape (n_candidate, n_case)."""
        return np.sum([np.clip(one, 0.0, _MOST) for one in self.missing.values()], axis=0)


def quantile(values: Array, share: float) -> Array:
    """Return the value that a share of the seeds at least keeps to, over the last axis."""
    n = values.shape[-1]
    place = min(max(math.ceil(share * n - 1e-9) - 1, 0), n - 1)
    return np.asarray(np.sort(values, axis=-1)[..., place])


def worst_of(values: Array, largest: bool = True) -> Array:
    """Return the largest or smallest over the seeds, nan if there is none."""
    filled = np.where(np.isnan(values), -np.inf if largest else np.inf, values)
    found = filled.max(axis=-1) if largest else filled.min(axis=-1)
    return np.where(np.isfinite(found), found, np.nan)


def terms_of(found: Outcomes, demands: Demands, tightness: float = 1.0) -> Terms:
    """Return how the demands stand.

    Parameters
    ----------
    found : Outcomes
        What the moves gave.
    demands : Demands
        With every default filled in.
    tightness : float
        Overshoot and limit cycle must keep to this share of their limits, because a search sees
        few seeds.

    Returns
    -------
    Terms
        By candidate and case.
    """
    f = found.figures
    assert demands.overshoot is not None and demands.pressure is not None
    assert demands.limit_cycle is not None and demands.resting_error is not None
    settled = np.nan_to_num(f["settled"]) > 0.5
    time = np.where(settled, f["settling_time"], found.duration)
    over = np.where(found.broken, np.inf, np.nan_to_num(f["overshoot"], nan=np.inf))
    overshoot = quantile(over, demands.overshoot_share)
    cycle = quantile(np.nan_to_num(f["limit_cycle_amplitude"]), demands.overshoot_share)
    rest = worst_of(np.abs(f["resting_error"]))
    pressure = worst_of(f["pressure_max"])
    cavitation = worst_of(f["cavitation_time"])
    limit = max(tightness * demands.overshoot, 1e-12)
    swing = max(tightness * demands.limit_cycle, 1e-12)
    unsettled = 1.0 - settled.mean(axis=-1)
    # how far from the window those rest that don't settle, so that the search feels its way
    far = np.nan_to_num(np.abs(f["resting_error"]) / demands.resting_error, nan=4.0)
    far = np.where(settled, 0.0, np.log1p(np.minimum(far, 1e4))).mean(axis=-1)
    missing = {
        "settled": np.where(unsettled > 0.0, unsettled + far, -1.0),
        "overshoot": _soft(overshoot / limit - 1.0),
        "limit_cycle_amplitude": _soft(np.nan_to_num(cycle) / swing - 1.0),
        "resting_error": _soft(np.nan_to_num(rest) / demands.resting_error - 1.0),
        "pressure_max": np.nan_to_num(pressure, nan=np.inf) / demands.pressure - 1.0,
        "cavitation_time": np.where(np.nan_to_num(cavitation) > 0.0, 1.0 + 10.0 * cavitation, -1.0),
    }
    values = {
        "settled": settled.mean(axis=-1),
        "overshoot": overshoot,
        "limit_cycle_amplitude": cycle,
        "resting_error": rest,
        "pressure_max": pressure,
        "cavitation_time": cavitation,
    }
    if demands.settling_time is not None:
        late = time.max(axis=-1)
        missing["settling_time"] = late / demands.settling_time - 1.0
        values["settling_time"] = late
    return Terms(time.max(axis=-1), missing, values)


def _soft(missing: Array) -> Array:
    """Return a share that is missing, large ones compressed so that all demands are heard."""
    return np.where(missing > 0.0, np.log1p(np.maximum(missing, 0.0)), missing)


def costs_of(terms: Terms, found: Outcomes, demands: Demands) -> Array:
    """Return the cost of each candidate, shape (n_candidate,).

    The worst case's time to settle [s], with a little of the mean time and of the overshoot to
    part equals; or, if a demand is missed, an offset and what is missing, the worst case foremost.
    """
    assert demands.overshoot is not None
    missing = terms.violation
    worst = missing.max(axis=1)
    time = terms.time.max(axis=1) + _TIE * terms.time.mean(axis=1)
    over = terms.values["overshoot"] / max(demands.overshoot, 1e-12)
    time = time + _TIE * np.clip(over.mean(axis=1), 0.0, 10.0)
    lost = UNSETTLED + worst + missing.mean(axis=1) + 1e-3 * terms.time.max(axis=1)
    return np.where(worst > 0.0, np.where(np.isfinite(lost), lost, 1.9 * UNSETTLED), time)
