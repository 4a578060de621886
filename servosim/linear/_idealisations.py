"""What can be taken as ideal in an axis, one thing at a time, by other values of its file."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

from servosim.axis import Axis
from servosim.document import AxisFile
from servosim.errors import ParameterError

Changes = dict[str, Any]

_LEAST_LEAKAGE = 1e-3  # of the lands' leakage: the search of the clearance needs some


class Idealisation(NamedTuple):
    """One thing taken as ideal.

    Attributes
    ----------
    name : str
        What is ideal then.
    cause : str
        What makes a difference without it, for a sentence.
    changes : callable
        From the tables of a file to the values that make it ideal.
    leak_alone : bool
        Whether it is taken so for the flow-pressure coefficient at null alone.
    not_for : tuple of str
        Numbers whose very formula begins with what would be taken away.
    """

    name: str
    cause: str
    changes: Callable[[AxisFile], Changes]
    leak_alone: bool = False
    not_for: tuple[str, ...] = ()


def _fast_valve(f: AxisFile) -> Changes:
    return {
        "valve.dynamics": "first_order",
        "valve.time_constant": 1e-6,
        "valve.stroke_time": 1e-6,
    }


def _no_sampling(f: AxisFile) -> Changes:
    found: Changes = {"transducer.delay": 0.0}
    if f.controller.kind == "sampled":
        found |= {"controller.computing_delay": 0.0, "controller.period": 0.05e-3}
    return found


def _fast_transducers(f: AxisFile) -> Changes:
    found: Changes = {"transducer.time_constant": 1e-6}
    if f.transducer.pressure != "none":
        found["transducer.pressure_time_constant"] = 1e-6
    return found


def _ideal_supply(f: AxisFile) -> Changes:
    found: Changes = {"supply.kind": "ideal", "supply.accumulator": "none", "supply.line": "none"}
    return found | {"valve.null_shift_pressure": 0.0}


def _no_leakage(f: AxisFile) -> Changes:
    return {
        "cylinder.internal_leakage": 0.0,
        "cylinder.external_leakage_a": 0.0,
        "cylinder.external_leakage_b": 0.0,
    }


def _no_coulomb(f: AxisFile) -> Changes:
    return {
        "table.coulomb_coefficient": 0.0,
        "table.static_coefficient": 0.0,
        "cylinder.seal_friction": 0.0,
        "cylinder.seal_breakaway": 0.0,
        "cylinder.seal_pressure_friction": 0.0,
    }


def _no_viscous(f: AxisFile) -> Changes:
    return {"table.viscous_friction": 0.0, "cylinder.seal_viscous": 0.0}


def _no_overlap(f: AxisFile) -> Changes:
    lands = {f"valve.overlap_{n}": 0.0 for n in ("pa", "bt", "pb", "at")}
    return {**lands, "controller.overlap_compensation": 0.0}


def _sharp_edges(f: AxisFile) -> Changes:
    if f.valve.leakage_given == "pressure_gain":
        return {"valve.pressure_gain": f.valve.pressure_gain / _LEAST_LEAKAGE}
    leak = (f.valve.null_leakage - f.valve.pilot_leakage) * _LEAST_LEAKAGE
    return {"valve.null_leakage": f.valve.pilot_leakage + leak}


def _laminar(f: AxisFile) -> Changes:
    return {"valve.transition_reynolds": 500.0}


def _turbulent(f: AxisFile) -> Changes:
    return {"valve.transition_reynolds": 1.0}


def _null_in_place(f: AxisFile) -> Changes:
    return {
        "valve.null_bias": 0.0,
        "valve.null_shift_temperature": 0.0,
        "valve.null_shift_pressure": 0.0,
        "controller.null_trim": 0.0,
    }


def _rated_here(f: AxisFile) -> Changes:
    return {
        "valve.rating_pressure": f.supply.pressure,
        "valve.rating_temperature": f.oil.temperature,
    }


def _no_feedback(f: AxisFile) -> Changes:
    return {"controller.stabilising_feedback": "none", "controller.velocity_feedback": 0.0}


_OF_THE_LEAK = ("flow-pressure coefficient at null", "pressure gain at null", "load error")
IDEALISATIONS = (
    Idealisation("valve infinitely fast", "the valve's own motion", _fast_valve),
    Idealisation("no sampling and no delay", "sampling, computing and delay", _no_sampling),
    Idealisation("transducers without lag", "the lag of the transducers", _fast_transducers),
    Idealisation("oil without air", "free air in the oil", lambda f: {"oil.free_air": 0.0}),
    Idealisation(
        "rigid walls and hoses",
        "walls and hoses that give way",
        lambda f: {"cylinder.wall": "rigid", "cylinder.hose": "none"},
    ),
    Idealisation(
        "oil equally stiff at any pressure",
        "oil that stiffens with pressure",
        lambda f: {"oil.bulk_modulus_pressure_slope": 0.0},
    ),
    Idealisation(
        "piston and table one rigid mass",
        "the structure between piston and table",
        lambda f: {"structure.masses": "one"},
    ),
    Idealisation("supply of constant pressure", "the supply that sags", _ideal_supply),
    Idealisation("no leakage of the actuator", "leakage of the actuator", _no_leakage),
    Idealisation("no Coulomb friction", "Coulomb friction and its slope", _no_coulomb),
    Idealisation("no viscous friction", "viscous friction", _no_viscous),
    Idealisation("no overlap", "overlap of the valve and its compensation", _no_overlap),
    Idealisation(
        "sharp edges", "leakage through the valve's clearance", _sharp_edges, not_for=_OF_THE_LEAK
    ),
    Idealisation("laminar leak", "a leak at null that is not laminar", _laminar, True),
    Idealisation(
        "turbulent flow in any gap",
        "flow that is not turbulent in a narrow gap",
        _turbulent,
        not_for=_OF_THE_LEAK,
    ),
    Idealisation(
        "valve rated at its own pressure and temperature",
        "a valve rated at another pressure or temperature",
        _rated_here,
    ),
    Idealisation("valve's null in place", "what is left of the valve's null bias", _null_in_place),
    Idealisation(
        "straight opening curve",
        "the valve's bent opening curve",
        lambda f: {"valve.opening": "linear"},
    ),
    Idealisation("no stabilising feedback", "the stabilising feedback", _no_feedback),
    Idealisation("no integral", "the integral", lambda f: {"controller.integral_gain": 0.0}),
    Idealisation(
        "no correction for the load",
        "the correction of the gain for the load",
        lambda f: {"controller.load_pressure_correction": "none"},
    ),
)


def idealised(axis: Axis, idealisation: Idealisation) -> Axis | None:
    """Return an axis with one thing taken as ideal.

    Parameters
    ----------
    axis : Axis
        The axis.
    idealisation : Idealisation
        What shall be ideal.

    Returns
    -------
    Axis or None
        None if it is ideal already, or if the rest of the file doesn't allow it.
    """
    try:
        changed = axis.replace(idealisation.changes(axis.file))
    except ParameterError:
        return None
    return None if changed.file == axis.file else changed
