"""What keeps a tool from its target: each cause with the keys that state it and how it acts.

A cause is switched off by putting its keys to where they do nothing; the others, and the numbers of
the controller, stay. How it acts decides which figures of ISO 230-2 it reaches:

- ``offset``: the same at every stop. A, R and E are ranges and don't see it; it is the distance
  from the target that setting the zero takes away.
- ``side``: with one sign approaching in positive, the other in negative direction: the reversal B,
  and by it R, E and A.
- ``along``: another one at each target, the same each time: M, E and A.
- ``stop``: other from stop to stop: R and A.
- ``test``: changes in the course of a test, with the oil's temperature: R, and a little all others.
- ``tool``: while the tool works; no positioning test sees it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from typing import Any

from servosim.axis import Axis
from servosim.components.load import GRAVITY
from servosim.components.transducer import SCALE_REFERENCE_TEMPERATURE
from servosim.positioning.scatter import FRICTION_KEYS

REACHES = {
    "offset": "distance from the target alone",
    "side": "B, R, E, A",
    "along": "M, E, A",
    "stop": "R, A",
    "test": "R, A",
    "tool": "not in the test",
}
SYSTEMATIC = ("offset", "side", "along")
LEFT_OF_FRICTION = 0.01  # share with which friction counts as switched off: none has no bristle
AT_REST = 12.0  # time constants of the loop, after which the table no longer creeps
_LEAKAGES = ("internal_leakage", "external_leakage_a", "external_leakage_b")


@dataclass(frozen=True)
class Cause:
    """One cause of error.

    Attributes
    ----------
    name : str
        What it is called.
    acts : str
        How it acts, see ``REACHES``.
    keys : tuple of str
        ``"table.key"`` of the file that state it.
    off : dict of str to object
        Values of the file [SI] that switch it off; empty if no move of the simulation holds it.
    costs : str
        What less of it costs.
    """

    name: str
    acts: str
    keys: tuple[str, ...]
    off: dict[str, Any] = field(default_factory=dict)
    costs: str = ""


def causes_of(axis: Axis, workpiece_heat: float = 0.0) -> tuple[tuple[Cause, ...], tuple[str, ...]]:
    """Return what the file states, and the names of what it puts to nothing.

    Parameters
    ----------
    axis : Axis
        The axis.
    workpiece_heat : float, optional
        Temperature of the workpiece above 20 degC while it is drilled [K].

    Returns
    -------
    causes : tuple of Cause
        Those that have any size.
    absent : tuple of str
        Names of the others.
    """
    found, absent = [], []
    for cause, there in _all(axis):
        if there:
            found.append(cause)
        else:
            absent.append(cause.name)
    warm = Cause(
        "workpiece, thermal expansion", "tool", (), {},
        "drilling at an even temperature, or a correction by a measured one",
    )  # fmt: skip
    if workpiece_heat != 0.0:
        found.append(warm)
    else:
        absent.append(warm.name)
    return tuple(found), tuple(absent)


def changes_without(
    axis: Axis, causes: Collection[Cause], active: Collection[str], *, locked: bool
) -> dict[str, Any]:
    """Return the values of the file with which only some causes act.

    Parameters
    ----------
    axis : Axis
        The axis of the file.
    causes : collection of Cause
        All that can be switched off.
    active : collection of str
        Names of those that act.
    locked : bool
        Whether the lock is as the file has it; else it is left out, with its keys.

    Returns
    -------
    dict of str to object
        ``"table.key"`` to value [SI].
    """
    off = [one for one in causes if one.name not in active]
    changes = {key: value for one in off for key, value in one.off.items()}
    if any("valve.hysteresis" in one.off or "valve.threshold" in one.off for one in off):
        # the loop is made of the threshold and of what the wide play adds: each can go alone
        names = {one.name for one in off}
        v = axis.file.valve
        threshold = 0.0 if "threshold" in names else v.threshold
        beyond = 0.0 if "hysteresis" in names else v.hysteresis - v.threshold
        changes["valve.threshold"], changes["valve.hysteresis"] = threshold, threshold + beyond
    return {key: value for key, value in changes.items() if locked or not key.startswith("lock.")}


def _all(axis: Axis) -> Iterator[tuple[Cause, bool]]:
    """Return every cause, and whether the file gives it any size."""
    yield from _of_scale(axis)
    yield from _of_valve(axis)
    yield from _of_load(axis)
    yield from _of_integral(axis)
    yield from _of_lock(axis)


def _of_scale(axis: Axis) -> Iterator[tuple[Cause, bool]]:
    t = axis.file.transducer
    sampled = axis.file.controller.kind == "sampled"
    yield (
        Cause(
            "resolution", "stop", ("transducer.resolution",), {"transducer.resolution": 0.0},
            "a finer scale; its speed limit and the price",
        ),
        sampled and t.resolution > 0.0,
    )  # fmt: skip
    yield (
        Cause(
            "scale, linear error", "along", ("transducer.scale_error",),
            {"transducer.scale_error": 0.0},
            "a calibration against a laser, entered as a correction",
        ),
        t.scale_error != 0.0,
    )  # fmt: skip
    warm = t.scale_temperature - SCALE_REFERENCE_TEMPERATURE
    yield (
        Cause(
            "scale, thermal expansion", "along", ("transducer.scale_temperature",),
            {"transducer.scale_temperature": SCALE_REFERENCE_TEMPERATURE},
            "air-conditioning, or a scale that expands like the workpiece",
        ),
        abs(warm * t.scale_expansion) > 0.0,
    )  # fmt: skip
    yield (
        Cause(
            "offset of zero", "offset", ("transducer.zero_offset",),
            {"transducer.zero_offset": 0.0}, "setting the zero anew",
        ),
        t.zero_offset != 0.0,
    )  # fmt: skip
    yield (
        Cause(
            "cyclic error", "along", ("transducer.cyclic_error",),
            {"transducer.cyclic_error": 0.0}, "adjusting the reading head, or a better scale",
        ),
        t.cyclic_error > 0.0,
    )  # fmt: skip
    yield (
        Cause(
            "noise of the scale", "stop", ("transducer.noise",), {"transducer.noise": 0.0},
            "shielding, a better scale, or a filter and its lag",
        ),
        sampled and t.noise > 0.0,
    )  # fmt: skip
    pressures = sampled and t.pressure == "both_ports"
    keys = ("transducer.pressure_noise", "transducer.pressure_resolution")
    yield (
        Cause(
            "noise of the pressure readings", "stop", keys, dict.fromkeys(keys, 0.0),
            "better pressure transducers; the loop loses a dither",
        ),
        pressures
        and axis.file.controller.stabilising_feedback != "none"
        and t.pressure_noise + t.pressure_resolution > 0.0,
    )  # fmt: skip


def _of_valve(axis: Axis) -> Iterator[tuple[Cause, bool]]:
    v, e = axis.file.valve, axis.file.envelope
    better = "a better valve, or dither and its wear"
    yield (
        Cause("threshold", "side", ("valve.threshold",), {"valve.threshold": 0.0}, better),
        v.threshold > 0.0,
    )
    yield (
        Cause(
            "hysteresis", "side", ("valve.hysteresis",), {"valve.hysteresis": v.threshold}, better
        ),
        v.hysteresis > v.threshold,
    )
    trim = axis.file.controller.null_trim
    yield (
        Cause(
            "null bias left after the trim", "offset", ("controller.null_trim",),
            {"valve.null_bias": -trim}, "a trim set anew; the target then lies otherwise within "
            "the valve's loop, which matters if it is approached from one side",
        ),
        v.null_bias + trim != 0.0,
    )  # fmt: skip
    yield (
        Cause(
            "null shift with temperature", "test", ("valve.null_shift_temperature",),
            {"valve.null_shift_temperature": 0.0},
            "a cooler with a thermostat, or warming the oil before work",
        ),
        v.null_shift_temperature != 0.0
        and any(v.rating_temperature != T for T in (*e.temperature, axis.file.oil.temperature)),
    )  # fmt: skip
    yield (
        Cause(
            "null shift with supply", "stop", ("valve.null_shift_pressure",),
            {"valve.null_shift_pressure": 0.0},
            "a steadier supply: accumulator, pressure control",
        ),
        v.null_shift_pressure != 0.0
        and any(
            p != v.rating_pressure for p in (*e.supply_pressure, axis.file.supply.pressure)
        ),
    )  # fmt: skip


def _of_load(axis: Axis) -> Iterator[tuple[Cause, bool]]:
    f = axis.file
    less = dict.fromkeys(FRICTION_KEYS, 0.0)
    for path in FRICTION_KEYS:
        table, key = path.split(".")
        less[path] = LEFT_OF_FRICTION * getattr(getattr(f, table), key)
    yield (
        Cause(
            "friction over the pressure gain", "side", FRICTION_KEYS, less,
            "rolling guides or another lining, other seals; with it goes damping",
        ),
        any(value > 0.0 for value in less.values()),
    )  # fmt: skip
    weight, carried = axis.file.derive("load_parameters"), f.table.counterbalance != "none"
    whole = (weight.M_t + weight.M_g) * GRAVITY * weight.sin
    off = {"table.counterbalance": "constant", "table.counterbalance_force": whole}
    yield (
        Cause(
            "weight through the pressure gain", "offset", ("table.counterbalance_force",), off,
            "a counterbalance for half of what is left of the weight",
        ),
        whole != 0.0 or carried,
    )  # fmt: skip
    c = axis.parameters.cylinder
    yield (
        Cause(
            "unequal areas of the piston", "offset", (), {},
            "a double rod, or lands matched to the areas",
        ),
        c.A_B > 0.0 and c.A_A != c.A_B,
    )  # fmt: skip
    keys = tuple(
        f"cylinder.{key}" for key in _LEAKAGES if (getattr(f.cylinder, key, 0.0) or 0.0) > 0.0
    )
    yield (
        Cause(
            "leakage of the cylinder", "offset", keys, dict.fromkeys(keys, 0.0),
            "tighter seals, and their friction",
        ),
        bool(keys),
    )  # fmt: skip


def _of_lock(axis: Axis) -> Iterator[tuple[Cause, bool]]:
    f = axis.file
    valves = f.lock.kind in ("blocking_valve", "pilot_check")
    yield (
        Cause(
            "lock shift", "along", ("lock.displaced_volume",), {"lock.displaced_volume": 0.0},
            "a lock with a smaller or balanced moving element",
        ),
        valves and f.lock.displaced_volume != 0.0,
    )  # fmt: skip
    calm = max(f.lock.dwell, AT_REST / f.controller.velocity_gain)
    held = f.lock.kind != "none" or f.lock.brake != "none"
    yield (
        Cause(
            "creep when the lock shuts",
            "side",
            ("lock.dwell",),
            {"lock.dwell": calm},
            "time at each position",
        ),
        held and f.lock.trigger == "window_dwell" and f.lock.dwell < calm,
    )
    along = f.thrust.mode != "none" and f.thrust.along != 0.0
    yield (
        Cause(
            "deflection under thrust", "tool", ("thrust.along",), {"thrust.along": 0.0},
            "a sharper or smaller drill, less feed: time at each hole",
        ),
        along,
    )  # fmt: skip
    yield (
        Cause(
            "drift over the hold", "tool", ("lock.leakage",), {},
            "a seat valve in place of a spool, tighter seals, or a shorter hold",
        ),
        f.lock.kind != "none",
    )  # fmt: skip
    cylinder = axis.parameters.cylinder
    unequal = cylinder.moving == 1 and cylinder.A_A != cylinder.A_B
    low, high = f.envelope.temperature
    yield (
        Cause(
            "warming of the locked oil", "tool", ("move.hold_time",), {},
            "a shorter hold, or oil at a steady temperature",
        ),
        f.lock.kind != "none" and unequal and high > low and f.supply.cooling > 0.0,
    )  # fmt: skip


def _of_integral(axis: Axis) -> Iterator[tuple[Cause, bool]]:
    c = axis.file.controller
    yield (
        Cause(
            "dead zone of the integral", "side", ("controller.integral_dead_zone",), {},
            "hunting, if the dead zone no longer covers what friction and plays make of it",
        ),
        c.integral_gain > 0.0 and c.integral_dead_zone > 0.0,
    )  # fmt: skip
