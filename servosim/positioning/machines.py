"""Virtual machines: what is fixed in a machine but not known before it stands, drawn for each.

Drawn evenly, between the ends that the file states:

- **workpiece** and **free air** of the oil: over their envelopes. A test is taken with one of each.
- **null bias** of the valve: within plus or minus what the file states, because a valve of the same
  make may be off to either side. Its trim is set anew, as whoever commissions the machine does,
  unless that is switched off; a file without trim has machines without.
- **phase of the cyclic error**: over the whole circle, because where a target lies within a period
  of the scale is chance.
- **supply pressure**, over its envelope, if it does not vary from stop to stop.

Not drawn is what the file states as one number and no range: threshold, hysteresis, shifts of null,
friction, overlaps, leakage, transducers. The controller keeps the file's numbers, but for its trim.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from servosim.axis import Axis
from servosim.positioning.scatter import Conditions

_MACHINE = 0  # stream of random numbers, beside that of the stops


@dataclass(frozen=True)
class Unknown:
    """One value that is drawn for each machine.

    Attributes
    ----------
    key : str
        ``"table.key"`` of the file.
    low, high : float
        Ends between which it is drawn, evenly [SI].
    unit : str
        Unit in which it is said.
    words : str
        What it is.
    reason : str
        Why between these ends.
    """

    key: str
    low: float
    high: float
    unit: str
    words: str
    reason: str


@dataclass(frozen=True)
class Machine:
    """One virtual machine.

    Attributes
    ----------
    number : int
        Its number, which with the seed makes it anew.
    drawn : mapping of str to float
        What was drawn for it: ``"table.key"`` to value [SI].
    """

    number: int
    drawn: Mapping[str, float]


def unknowns_of(axis: Axis, conditions: Conditions) -> tuple[Unknown, ...]:
    """Return what is drawn for each machine.

    Parameters
    ----------
    axis : Axis
        The axis of the file.
    conditions : Conditions
        How the test is taken.

    Returns
    -------
    tuple of Unknown
        Those with any width; none if the unknowns are those of the file.
    """
    return tuple(one for one, _ in _drawn(axis, conditions))


def machine_of(axis: Axis, conditions: Conditions, seed: int, number: int) -> Machine:
    """Return one virtual machine.

    Parameters
    ----------
    axis : Axis
        The axis of the file.
    conditions : Conditions
        How the test is taken.
    seed, number : int
        Seed of the whole, and number of the machine.

    Returns
    -------
    Machine
        The same for the same seed and number; an unknown that is not drawn changes no other.
    """
    shares = np.random.default_rng([seed, number, _MACHINE]).random(len(_all(axis)))
    drawn = {
        one.key: float(one.low + shares[place] * (one.high - one.low))
        for one, place in _drawn(axis, conditions)
    }
    return Machine(number, MappingProxyType(drawn))


def changes_of_machine(axis: Axis, machine: Machine, conditions: Conditions) -> dict[str, float]:
    """Return the values of the file that make a machine, with its trim.

    Parameters
    ----------
    axis : Axis
        The axis of the file.
    machine : Machine
        The machine.
    conditions : Conditions
        How the test is taken.

    Returns
    -------
    dict of str to float
        ``"table.key"`` to value [SI].
    """
    f = axis.file
    changes = dict(machine.drawn)
    trim = f.controller.null_trim
    if "valve.null_bias" in changes and conditions.trim == "anew" and trim != 0.0:
        changes["controller.null_trim"] = trim - (changes["valve.null_bias"] - f.valve.null_bias)
    return changes


def with_controller(axis: Axis, rated: Axis) -> Axis:
    """Return an axis whose controller has the numbers of another one's.

    Parameters
    ----------
    axis : Axis
        The axis at a stop, with its own oil, load and supply.
    rated : Axis
        The axis for which the controller was set up.

    Returns
    -------
    Axis
        Gains divided by the velocity gains of the rated axis; its trim is that of the stop's.
    """
    own = axis.parameters
    control = rated.parameters.controller._replace(trim=own.controller.trim)
    made = Axis(axis.file, axis.path)
    vars(made)["parameters"] = own._replace(controller=control)
    return made


def _drawn(axis: Axis, conditions: Conditions) -> list[tuple[Unknown, int]]:
    """Return the unknowns that are drawn, with their places in the stream of numbers."""
    if conditions.unknowns == "file":
        return []
    return [
        (one, place)
        for place, one in enumerate(_all(axis))
        if one.high > one.low and (one.key != "supply.pressure" or conditions.supply == "machine")
    ]


def _all(axis: Axis) -> tuple[Unknown, ...]:
    """Return all that may be drawn, in an order that stays."""
    f = axis.file
    e, bias = f.envelope, abs(f.valve.null_bias)
    turn = math.pi if f.transducer.cyclic_error > 0.0 else 0.0
    within = "its envelope"
    return (
        Unknown("table.workpiece_mass", *e.workpiece_mass, "kg", "workpiece", within),
        Unknown("oil.free_air", *e.free_air, "%", "free air", within),
        Unknown(
            "valve.null_bias", -bias, bias, "%", "null bias", "what the file states, either side"
        ),
        Unknown(
            "transducer.cyclic_phase", -turn, turn, "deg", "phase of the cyclic error",
            "the whole circle",
        ),
        Unknown("supply.pressure", *e.supply_pressure, "bar", "supply", within),
    )  # fmt: skip
