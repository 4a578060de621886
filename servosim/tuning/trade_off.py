"""Speed against margin and overshoot along a family of gains."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from servosim.tuning.loop_gains import Loops
from servosim.tuning.objective import quantile
from servosim.tuning.result import TradeOffPoint
from servosim.tuning.search import Search
from servosim.tuning.unknowns import get

_SLOWEST, _FASTEST = 0.5, 1.4  # of the proposed velocity gain
_SEEDS = (31, 32)


def trade_off(
    search: Search, loops: Loops, changes: Mapping[str, Any], count: int, delay: float
) -> tuple[TradeOffPoint, ...]:
    """Return the family with other velocity gains, an integral in proportion to their square.

    Parameters
    ----------
    search : Search
        Simulates the short moves.
    loops : Loops
        Tells margins.
    changes : mapping of str to object
        The proposed values [SI].
    count : int
        Members of the family, the proposed one among them.
    delay : float
        Time by which the file's move is longer [s].

    Returns
    -------
    tuple of TradeOffPoint
        The slowest first; none for a count of zero.
    """
    if count < 1:
        return ()
    below = np.geomspace(_SLOWEST, 1.0, count - count // 3)[:-1]
    above = np.geomspace(1.0, _FASTEST, count // 3 + 1)
    gain = float(
        changes.get("controller.velocity_gain", get(search.axis, "controller.velocity_gain"))
    )
    integral = float(
        changes.get("controller.integral_gain", get(search.axis, "controller.integral_gain"))
    )
    factors = np.concatenate([below, above])
    family = []
    for factor in factors.tolist():
        one = {**changes, "controller.velocity_gain": gain * factor}
        if integral > 0.0:
            one["controller.integral_gain"] = integral * factor**2
        family.append(one)
    _, terms, found = search.judge(family, search.cases, _SEEDS, 1.0)
    points = []
    for k, factor in enumerate(factors.tolist()):
        margins = loops.constraints(family[k], few=True)
        gains = [c.value for c in margins if c.name.startswith("gain_margin")]
        phases = [c.value for c in margins if c.name.startswith("phase_margin")]
        settled = float(np.mean(np.nan_to_num(found.figures["settled"][k]) > 0.5))
        over = np.nan_to_num(found.figures["overshoot"][k], nan=math.inf)
        overshoot = float(quantile(over, search.demands.overshoot_share).max())
        points.append(
            TradeOffPoint(
                velocity_gain=gain * factor,
                settling_time=float(terms.time[k].max()) + delay if settled == 1.0 else math.nan,
                overshoot=overshoot if math.isfinite(overshoot) else math.nan,
                settled=settled,
                gain_margin=min(gains, default=math.nan),
                phase_margin=min(phases, default=math.nan),
                feasible=bool(terms.violation[k].max() <= 0.0) and all(c.kept for c in margins),
                chosen=factor == 1.0,
            )
        )
    return tuple(points)
