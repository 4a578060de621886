"""Stops in the middle of a move: held by the operator, or because something fails.

A move runs undisturbed to a share of its way; there the fault happens and the run goes on from that
very sample with what is left. Nothing is supervised: what a machine's own control does about a
fault is not known here. The thrust of the tool is left out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from servosim import _sequence as sequence
from servosim._practical import practical_unit
from servosim.axis import Axis
from servosim.components.oil import ATMOSPHERE
from servosim.cycles.faults import CASES, fault_of, modelled
from servosim.cycles.moves import approach_time, has_lock, planned
from servosim.cycles.positions import Position, PositionList
from servosim.cycles.result import Stop
from servosim.cycles.stop_figures import figures_of, rest_time
from servosim.errors import Fault, ParameterError
from servosim.result import Event, Run, Status
from servosim.simulate import simulate
from servosim.units import convert

__all__ = ["CASES", "CAUTIONS", "cases_of", "longest_move", "run_stops"]

CAUTIONS = (
    "The hydraulic lock is no safety function, and neither is a valve or a controller as simulated "
    "here. Safe stops are governed by ISO 12100 and ISO 13849-1 and by the local code: by a risk "
    "assessment and validated components, whose failures no simulation of the sound ones tells.",
    "The figures hold for this axis as its file states it. Warmer oil, a heavier workpiece, worn "
    "ways, another place of the stroke or another moment of the move may stop later or with higher "
    "pressure: vary them before anything is built on a distance.",
)
_SETTLING = 2.0  # s, beyond the time in which the table crosses its stroke
_LONGEST = 60.0  # s
_AFTER_REST = 0.5  # s shown after the table has come to rest
_LEAST = 1.0  # s


def cases_of(axis: Axis) -> tuple[str, ...]:
    """Return the cases that an axis can have: an emergency stop needs a lock or a brake."""
    return tuple(case for case in CASES if case != "emergency_stop" or has_lock(axis))


def longest_move(
    axis: Axis, positions: PositionList | None = None, *, start: float | None = None
) -> tuple[float, Position]:
    """Return where the longest move begins [m], and its position.

    Parameters
    ----------
    axis : Axis
        The axis.
    positions : PositionList, optional
        The list; the file's own move if there is none.
    start : float, optional
        Position before the first target [m]; the start of the file's move if not given.

    Returns
    -------
    start : float
        Target before, or the start.
    position : Position
        The first with the longest way.
    """
    first = axis.file.move.start if start is None else start
    if positions is None:
        return first, Position(0, axis.file.move.target)
    begins = [first, *(one.target for one in positions.positions[:-1])]
    pairs = list(zip(begins, positions.positions, strict=True))
    return max(pairs, key=lambda pair: abs(pair[1].target - pair[0]))


def run_stops(
    axis: Axis,
    positions: PositionList | None = None,
    *,
    cases: Sequence[str] | None = None,
    at: float = 0.5,
    start: float | None = None,
    duration: float | None = None,
    seed: int | None = None,
) -> tuple[Stop, ...]:
    """Simulate stops in the middle of the longest move.

    Parameters
    ----------
    axis : Axis
        The axis, at rest at the start of the move.
    positions : PositionList, optional
        The list whose longest move it is; the file's own move if there is none.
    cases : sequence of str, optional
        Keys of ``CASES``; all that the axis can have if not given.
    at : float, optional
        Share of the way [-] at which it happens.
    start : float, optional
        Position before the first target [m]; the start of the file's move if not given.
    duration : float, optional
        Time simulated after the fault [s]; if not given, until the table rests, for as long as it
        takes to cross the stroke one and a half times, a minute at most.
    seed : int, optional
        Seed of the transducers' noise; that of the file if not given.

    Returns
    -------
    tuple of Stop
        In the order of the cases.

    Raises
    ------
    ParameterError
        If a case is not known or needs a lock, an option is not allowed, or the table does not get
        as far.
    """
    wanted = cases_of(axis) if cases is None else tuple(cases)
    _check(axis, wanted, at, duration)
    begin, position = longest_move(axis, positions, start=start)
    seed = axis.file.move.seed if seed is None else seed
    before = _until(axis, begin, position, at, seed)
    later = int(np.random.SeedSequence([seed, 1]).generate_state(1)[0])
    return tuple(_stop(case, before, later, duration) for case in wanted)


def _check(axis: Axis, cases: tuple[str, ...], at: float, duration: float | None) -> None:
    faults = []
    for case in cases:
        if case not in CASES:
            what, expected = f"{case!r} is not known", ", ".join(CASES)
            faults.append(Fault(key="cases", what=what, expected=expected))
        elif case not in cases_of(axis):
            what = f"{case!r} needs a lock or a brake, and the axis has neither"
            faults.append(Fault(key="cases", what=what, expected=", ".join(cases_of(axis))))
    if not 0.0 < at < 1.0:
        what = f"{at!r} of the way"
        faults.append(Fault(key="at", what=what, expected="more than 0, less than 1"))
    if duration is not None and not 0.0 < duration <= 3600.0:
        what = f"{duration!r} s after the fault"
        faults.append(Fault(key="duration", what=what, expected="more than 0 s, an hour at most"))
    if faults:
        raise ParameterError(faults)


def _until(axis: Axis, start: float, position: Position, at: float, seed: int) -> Run:
    """Return the move up to a share of its way."""
    way = position.target - start
    if way == 0.0:
        raise ParameterError(Fault(key="positions", what="no move: target and start are the same"))
    bare = Position(position.line, position.target, speed=position.speed)
    move = planned(axis, bare, start, _LEAST)
    move = move._replace(duration=approach_time(axis, move) + _LEAST)
    run = simulate(axis, move, seed=seed, on_failure="return")
    gone = (run.state("table_position") - run.state("table_position")[0]) / way >= at
    if not gone.any():
        what = f"the table does not get to {at:.0%} of its way from {_text(start, 'm')} to "
        what += f"{_text(position.target, 'm')}: {run.message}"
        raise ParameterError(Fault(key="at", what=what, expected="a move that can be run"))
    time = float(run.time[np.argmax(gone)])
    before = simulate(axis, move._replace(duration=time), seed=seed, goes_on=True)
    if before.memory[sequence.PHASE] != sequence.FREE:
        what = f"at {at:.0%} of its way the table is being locked already"
        raise ParameterError(Fault(key="at", what=what, expected="an earlier moment"))
    return before


def _stop(case: str, before: Run, seed: int, duration: float | None) -> Stop:
    fault = fault_of(case, before)
    speed = abs(float(before.state("table_velocity")[-1]))
    crossing = 1.5 * before.axis.parameters.cylinder.L / speed if speed > 0.0 else _LONGEST
    longest = min(crossing + _SETTLING, _LONGEST) if duration is None else duration

    def go(time: float) -> Run:
        move = fault.move._replace(duration=time)
        return simulate(fault.axis, move, seed=seed, begin_from=fault.standing, on_failure="return")

    run = go(longest)
    if duration is None and run.status == Status.COMPLETE:
        still = rest_time(run)
        enough = max(still + _AFTER_REST, _LEAST)
        if enough < longest:
            run = go(enough)
    figures = figures_of(run, float(before.time[-1]), before.move.target)
    kept = tuple(event for event in run.events if _tells(event, case))
    said = _sentence(run, figures, kept)
    words = modelled(case, before.axis)
    return Stop(case, CASES[case], before, run, figures, said, words, CAUTIONS, kept)


def _tells(event: Event, case: str) -> bool:
    """Tell whether an event adds to the sentence of a stop, and isn't the fault itself."""
    if event.kind in ("lock_never_closed", "locked_outside_window", "end_stop"):
        return False
    return event.kind != "valve_saturation" or case in ("hold", "supply_lost", "feedback_lost")


def _sentence(run: Run, figures: dict[str, float], events: tuple[Event, ...]) -> str:
    """Return how a stop went, in words."""
    f = figures
    if run.status != Status.COMPLETE:
        return run.message
    speed = _text(abs(f["fault_velocity"]), "m/s")
    if math.isnan(f["stopping_distance"]):
        head = f"The table does not stop within {run.time[-1]:.1f} s from {speed}"
        head += f": it has gone {_text(f['farthest'], 'm')} and moves at "
        head += f"{_text(f['end_velocity'], 'm/s')}."
    else:
        head = f"From {speed} the table stops in {_text(f['stopping_distance'], 'm')} and "
        head += f"{f['stopping_time']:.3f} s."
        if f["farthest"] > 1.01 * f["stopping_distance"] + 2.0 * run.move.window:
            head += f" It goes on to {_text(f['farthest'], 'm')} from where the fault came."
    said = [head]
    if not math.isnan(f["end_stop_velocity"]):
        hit, force = _text(abs(f["end_stop_velocity"]), "m/s"), f["end_stop_force"] / 1e3
        said.append(f"It runs into its end stop at {hit}, with {force:.3g} kN.")
    still = "rests" if not math.isnan(f["rest_time"]) else "is last seen"
    where = f"It {still} at {_text(f['end_position'], 'm')}, "
    left = f["end_error"] * math.copysign(1.0, run.state("table_velocity")[0])
    if abs(left) <= run.move.window:
        where += "in the window of the target."
    else:
        where += f"{_text(abs(left), 'm')} {'short of' if left > 0.0 else 'past'} the target."
    said.append(where)
    lowest, highest = _text(f["pressure_min"], "Pa"), _text(f["pressure_max"], "Pa")
    if f["pressure_min"] < -ATMOSPHERE:
        said.append(
            f"Chambers between a vacuum and {highest}: the computed {lowest} cannot be, there the "
            "oil column breaks, and what comes after is not what the equations say."
        )
    else:
        said.append(f"Chambers between {lowest} and {highest}.")
    if any(event.kind == "cavitation" for event in events):
        said.append(f"The oil cavitates for {f['cavitation_time']:.3f} s.")
    return " ".join(said)


def _text(value: float, unit: str) -> str:
    shown = practical_unit(unit, value)
    return f"{convert(value, shown):.4g} {shown}"
