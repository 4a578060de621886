"""When the controllers of plants read and when their commands act."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from servosim.errors import ParameterError
from servosim.linear.plants import Plants


class Timing(NamedTuple):
    """When a controller reads and when its command acts.

    Attributes
    ----------
    period : float
        Sampling period [s]; zero for a continuous controller.
    delay : float
        From the sample to the command [s], at most one period.
    reading_delay : float
        Transport delay of the scale [s].
    """

    period: float
    delay: float
    reading_delay: float

    @property
    def highest(self) -> float:
        """Highest frequency of the loop, Nyquist's [rad/s]; infinite if continuous."""
        return float(np.pi / self.period) if self.period > 0.0 else float("inf")


def timing_of(plants: Plants) -> Timing:
    """Return the timing that all points of plants share.

    Parameters
    ----------
    plants : Plants
        The plants.

    Returns
    -------
    Timing
        Of the controller and of the scale.

    Raises
    ------
    ParameterError
        If the axes of the points differ in it, or there is no point.
    """
    found = set()
    for axis in {id(point.axis): point.axis for point in plants.points}.values():
        c, D = axis.parameters.controller, float(axis.parameters.transducer.delay)
        sampled = c.sampled == 1
        found.add(Timing(float(c.period), float(c.delay), D) if sampled else Timing(0.0, 0.0, 0.0))
    if len(found) != 1:
        raise ParameterError(
            f"these {len(plants.points)} points have {len(found)} sets of period, computing delay "
            "and transport delay; take the axes of each set by themselves"
        )
    return found.pop()
