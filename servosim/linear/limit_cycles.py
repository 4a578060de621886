"""Limit cycles: predicted by describing functions, confirmed or refuted by simulation.

The loop is the exact linear one, sampled with hold and delays; each nonlinearity of the axis stands
in it as a gain over the amplitude. Every solution of the harmonic balance is a predicted swing,
stable or not by Loeb's criterion. A simulation of the axis that keeps this nonlinearity alone,
started with a step of the predicted size, tells whether the swing is there. Last, the axis is
simulated with all that its file states. A command that alternates from sample to sample, at
Nyquist's frequency itself, isn't among the predictions.

Friction that is larger at rest than in motion has no describing function of its own; what it does
with an integral is known by a theorem: every stabilising setting hunts (B. Armstrong, B. Amin,
"PID control in the presence of static friction", Automatica 32(5), 1996).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from servosim.axis import Axis
from servosim.errors import ParameterError
from servosim.linear._cycle_predictions import (
    Predicted,
    friction_levels,
    nearest_loop,
    predict,
)
from servosim.linear._cycle_runs import Seen, isolated, quiet, swing
from servosim.linear.comparison import softest

__all__ = ["LimitCycle", "LimitCycles", "Predicted", "Seen", "limit_cycles", "predict"]

_SIZE = 1.5  # factor within which amplitudes agree
_PACE = 1.25  # and frequencies
_KICK = 4.0  # larger step that is tried before a predicted swing counts as not seen

CONFIRMED = "predicted and confirmed"
DIFFERS = "predicted and seen, with other sizes"
NOT_SEEN = "predicted but not seen"
NOT_PREDICTED = "seen but not predicted"
NEITHER = "neither predicted nor seen"


@dataclass(frozen=True)
class LimitCycle:
    """One prediction, or the lack of one, beside what a simulation shows.

    Attributes
    ----------
    mechanism : str
        The nonlinearity that makes it.
    predicted : Predicted or None
        None if there is no solution.
    seen : Seen
        The axis with this nonlinearity alone, after a step of the predicted amplitude.
    verdict : str
        Whether the two agree.
    sentence : str
        The same with sizes.
    """

    mechanism: str
    predicted: Predicted | None
    seen: Seen
    verdict: str
    sentence: str


@dataclass(frozen=True)
class LimitCycles:
    """What makes an axis swing by itself.

    Attributes
    ----------
    axis : Axis
        The axis.
    position : float
        Position of the table [m].
    cycles : tuple of LimitCycle
        One or more for each nonlinearity by itself, and for those of the valve's path together.
    whole : tuple of Seen
        The axis with all of its nonlinearities, noise left out: after a step that wakes them, and
        after one larger than any swing that is predicted, if there is one.
    stable : bool
        Whether the linear loop is stable.
    sentences : tuple of str
        All of it in words.
    """

    axis: Axis
    position: float
    cycles: tuple[LimitCycle, ...]
    whole: tuple[Seen, ...]
    stable: bool
    sentences: tuple[str, ...]


_KEPT = {
    "limits": (),
    "overlap": ("overlap",),
    "hysteresis": ("plays",),
    "overlap and hysteresis": ("overlap", "plays"),
    "rounding": ("rounding",),
    "rounding between steps": ("rounding",),
    "pressure rounding": ("pressure rounding",),
    "friction": ("friction",),
}
_CALLED = {
    "limits": "the limits of command and spool",
    "overlap": "overlap and its compensation",
    "hysteresis": "threshold and hysteresis of the valve",
    "overlap and hysteresis": "overlap, compensation and hysteresis together",
    "rounding": "the steps of the reading",
    "rounding between steps": "the steps of the reading, at rest between two of them",
    "pressure rounding": "the steps of the pressure readings",
    "friction": "friction",
}


def limit_cycles(axis: Axis, position: float | None = None) -> LimitCycles:
    """Return the limit cycles of an axis, predicted and simulated.

    Parameters
    ----------
    axis : Axis
        The axis.
    position : float, optional
        Position of the table [m]; where the oil is softest if not given.

    Returns
    -------
    LimitCycles
        Each prediction beside a simulation, and the whole axis.

    Raises
    ------
    ParameterError
        If the position lies outside the stroke, or the axis has no steady motion there.
    """
    x = softest(axis) if position is None else position
    if not 0.0 <= x <= axis.file.cylinder.stroke:
        raise ParameterError(
            f"position {x:g} m lies outside the stroke of {axis.file.cylinder.stroke:g} m; choose "
            "one inside"
        )
    stable = nearest_loop(axis, x).stable()
    cycles: list[LimitCycle] = []
    for mechanism, predicted in predict(axis, x).items():
        one = isolated(axis, *_KEPT[mechanism])
        if mechanism == "friction":
            predicted += _by_theorem(axis)
        usual = _usual_step(axis, mechanism)
        for each in predicted or (None,):
            cycles.append(_judged(mechanism, each, one, x, usual))
    steps = [max(_usual_step(axis, m) for m in ("overlap", "rounding"))]
    sizes = [c.predicted.amplitude for c in cycles if c.predicted is not None]
    kick = _KICK * max([size for size in sizes if math.isfinite(size)], default=0.0)
    steps += [kick] if kick > steps[0] else []
    whole = tuple(swing(quiet(axis), x, step) for step in steps)
    words = [] if stable else ["the linear loop is unstable just outside the overlap"]
    words += [cycle.sentence for cycle in cycles]
    words += [f"the axis with all that its file states: {_shown(one)}" for one in whole]
    return LimitCycles(axis, x, tuple(cycles), whole, stable, tuple(words))


def _by_theorem(axis: Axis) -> tuple[Predicted, ...]:
    """Return the hunting of an integral without dead zone against static friction."""
    c = axis.parameters.controller
    coulomb, static = friction_levels(axis)
    if c.K_i > 0.0 and c.e_d == 0.0 and static > coulomb:
        return (Predicted(math.nan, math.nan, True),)
    return ()


def _usual_step(axis: Axis, mechanism: str) -> float:
    """Return a step that surely wakes a nonlinearity, where none is predicted [m]."""
    c, v = axis.parameters.controller, axis.file.valve
    if mechanism.startswith("rounding"):
        return 5.0 * axis.file.transducer.resolution
    opening = max(v.overlap_pa, v.overlap_pb, 0.0) + v.hysteresis + 0.01
    return max(opening * max(c.g_plus, c.g_minus) / c.K_v, axis.file.window.half_width)


def _judged(
    mechanism: str, predicted: Predicted | None, axis: Axis, position: float, usual: float
) -> LimitCycle:
    """Return a prediction with what a simulation makes of it."""
    called = _CALLED[mechanism]
    # a target between two steps of the reading leaves it no rest, one on a step does
    grid, begin = axis.file.transducer.resolution, position
    half = 0.5 if mechanism == "rounding between steps" else 0.0
    if grid > 0.0:
        begin = round(position / grid) * grid

    def _run(step: float, frequency: float = math.nan) -> Seen:
        if grid > 0.0:
            step = (max(round(step / grid), 1) + half) * grid
        return swing(axis, begin, step, frequency)

    if predicted is None:
        found = _run(usual)
        verdict = NOT_PREDICTED if found.swings else NEITHER
        return LimitCycle(mechanism, None, found, verdict, f"{called}: {verdict}{_of(found)}")
    if math.isnan(predicted.amplitude):
        found = _run(usual)
        verdict = CONFIRMED if found.swings else NOT_SEEN
        why = "by the theorem: integral without dead zone, static friction above that of motion"
        words = f"{called}: hunting is {verdict} ({why}){_of(found)}"
        words += "" if found.swings else _not_rigid(axis)
        return LimitCycle(mechanism, predicted, found, verdict, words)
    size, pace = predicted.amplitude, predicted.frequency
    if predicted.stable:
        found = _run(size, pace)
        if not found.swings:
            found = _run(_KICK * size, pace)
        verdict = _verdict(predicted, found)
    else:
        small, found = _run(size / _KICK, pace), _run(_KICK * size, pace)
        verdict = CONFIRMED if found.swings and not small.swings else NOT_SEEN
    words = f"{called}: {_wanted(predicted)} {verdict}{_of(found)}"
    words += _not_rigid(axis) if mechanism == "friction" and verdict == NOT_SEEN else ""
    return LimitCycle(mechanism, predicted, found, verdict, words)


def _not_rigid(axis: Axis) -> str:
    """Return what the theorem doesn't know of the friction of an axis."""
    t, static = axis.file.table, friction_levels(axis)[1]
    give = ""
    if t.friction != "stribeck":
        give = f"it gives way elastically by {1e6 * static / t.bristle_stiffness:.3g} um and "
    return (
        "; this takes friction as rigid and its fall as sudden, here "
        f"{give}it falls over {1e3 * t.stribeck_velocity:.3g} mm/s"
    )


def _verdict(predicted: Predicted, found: Seen) -> str:
    if not found.swings:
        return NOT_SEEN
    size = found.amplitude / predicted.amplitude
    pace = found.frequency / predicted.frequency
    alike = 1.0 / _SIZE <= size <= _SIZE and 1.0 / _PACE <= pace <= _PACE
    return CONFIRMED if alike else DIFFERS


def _wanted(predicted: Predicted) -> str:
    kind = (
        "a swing" if predicted.stable else "an unstable swing (larger ones grow, smaller ones die)"
    )
    size, pace = 1e6 * predicted.amplitude, predicted.frequency / (2.0 * math.pi)
    return f"{kind} of {size:.3g} um at {pace:.3g} Hz is"


def _of(found: Seen) -> str:
    return f"; simulated: {_shown(found)}"


def _shown(found: Seen) -> str:
    if not found.swings:
        return f"it comes to rest after a step of {1e6 * found.step:.3g} um"
    if math.isinf(found.amplitude):
        return f"the run broke off after a step of {1e6 * found.step:.3g} um"
    pace: Any = found.frequency / (2.0 * math.pi)
    size = 1e6 * found.amplitude
    return f"it swings by {size:.3g} um at {pace:.3g} Hz after a step of {1e6 * found.step:.3g} um"
