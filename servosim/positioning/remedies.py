"""The change that would halve a cause: which key of the file to which value, and what it costs."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from scipy import optimize

from servosim.axis import Axis
from servosim.components.transducer import SCALE_REFERENCE_TEMPERATURE
from servosim.errors import ParameterError
from servosim.linear.comparison import compare
from servosim.positioning.causes import Cause
from servosim.positioning.closed_terms import closed_term
from servosim.positioning.machines import with_controller
from servosim.positioning.surroundings import Surroundings

_NEAR = 0.01  # of the half, that counts as it
_LEAST = 1e-3
_BY_COMMAND = (
    "threshold",
    "hysteresis",
    "null bias left after the trim",
    "null shift with temperature",
    "null shift with supply",
    "friction over the pressure gain",
    "weight through the pressure gain",
    "leakage of the cylinder",
)


@dataclass(frozen=True)
class Remedy:
    """A change that halves a cause by its closed form.

    Attributes
    ----------
    changes : dict of str to tuple of float
        ``"table.key"`` to the file's value and the one that halves the cause [SI]; empty if none
        was found.
    left : float
        Share of the cause that is left [-].
    costs : str
        What the change costs.
    """

    changes: dict[str, tuple[float, float]]
    left: float
    costs: str


@dataclass(frozen=True)
class GainRemedy:
    """What twice the velocity gain would do: it halves all that comes by the valve's command.

    Attributes
    ----------
    gain, limit : float
        The file's velocity gain and the largest stable one at null [1/s].
    names : tuple of str
        Causes that it halves.
    """

    gain: float
    limit: float
    names: tuple[str, ...]

    @property
    def margin(self) -> float:
        """Gain margin that twice the gain would leave, stable above 1 [-]."""
        return self.limit / (2.0 * self.gain)


def halving(cause: Cause, around: Surroundings) -> Remedy:
    """Return the change that halves a cause by its closed form.

    Parameters
    ----------
    cause : Cause
        The cause.
    around : Surroundings
        Axis and conditions.

    Returns
    -------
    Remedy
        All its keys are changed by the same share, found by root search where the closed form is
        curved.
    """
    axis = around.axis
    whole = closed_term(cause, around).size
    if not whole > 0.0:
        return Remedy({}, 1.0, cause.costs)

    def left(share: float) -> float:
        made = with_controller(axis.replace(_scaled(cause, axis, share)), axis)
        there = Surroundings(
            made, around.targets, around.oil, around.supply, around.workpiece, around.workpiece_heat
        )
        return closed_term(cause, there).size / whole

    try:
        share, found = 0.5, left(0.5)
        if abs(found - 0.5) > 0.5 * _NEAR:
            if left(_LEAST) > 0.5:
                return Remedy({}, left(_LEAST), cause.costs)
            share = float(optimize.brentq(lambda s: left(s) - 0.5, _LEAST, 1.0, xtol=1e-4))
            found = left(share)
        to = _scaled(cause, axis, share)
    except ParameterError:
        return Remedy({}, 1.0, cause.costs)
    changes = {}
    for path, value in to.items():
        table, key = path.split(".")
        own = getattr(getattr(axis.file, table), key)
        if value != own:
            changes[path] = (float(own), float(value))
    return Remedy(changes, found, cause.costs)


def twice_the_gain(axis: Axis, names: tuple[str, ...]) -> GainRemedy:
    """Return what twice the velocity gain would leave of the margin.

    Parameters
    ----------
    axis : Axis
        The axis.
    names : tuple of str
        Causes of the budget.

    Returns
    -------
    GainRemedy
        The limit is that of the exact linear form.
    """
    try:
        limit = compare(axis, reasons=False, names=["limit of the velocity gain"]).rows[0].exact
    except ParameterError:  # no steady state to linearise
        limit = math.nan
    gain = axis.file.controller.velocity_gain
    return GainRemedy(gain, float(limit), tuple(n for n in names if n in _BY_COMMAND))


def _scaled(cause: Cause, axis: Axis, share: float) -> dict[str, Any]:
    """Return the values of the file with which the keys of a cause are less [SI]."""
    f = axis.file
    v, t = f.valve, f.transducer
    beyond = v.hysteresis - v.threshold
    special: dict[str, dict[str, Any]] = {
        "threshold": {
            "valve.threshold": share * v.threshold,
            "valve.hysteresis": share * v.threshold + beyond,
        },
        "hysteresis": {"valve.hysteresis": v.threshold + share * beyond},
        "null bias left after the trim": {
            "controller.null_trim": share * (v.null_bias + f.controller.null_trim) - v.null_bias
        },
        "scale, thermal expansion": {
            "transducer.scale_temperature": SCALE_REFERENCE_TEMPERATURE
            + share * (t.scale_temperature - SCALE_REFERENCE_TEMPERATURE)
        },
    }
    if cause.name == "creep when the lock shuts":
        return {"lock.dwell": f.lock.dwell - math.log(share) / f.controller.velocity_gain}
    if cause.name in special:
        return special[cause.name]
    if cause.name == "weight through the pressure gain":
        whole = cause.off["table.counterbalance_force"]
        own = f.table.counterbalance_force if f.table.counterbalance != "none" else 0.0
        if f.table.counterbalance == "none":
            force = whole + share * (own - whole)
            return {"table.counterbalance": "constant", "table.counterbalance_force": force}
        return {"table.counterbalance_force": whole + share * (own - whole)}
    out: dict[str, Any] = {}
    for path in cause.keys:
        table, key = path.split(".")
        out[path] = share * getattr(getattr(f, table), key)
    return out
