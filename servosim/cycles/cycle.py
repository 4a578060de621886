"""Run a list of positions as one: every part begins where the one before has ended.

Pressures, spool, friction, supply, gas, temperature of the tank, the memories of valve and
controller and the locked position go on from part to part. The oil of the axis follows the tank: it
takes its temperature at the beginning of a part whenever that has changed by 0.1 K.

In position, in this order: lock, auxiliary actions, the tool's delay, feed with thrust, dwell,
release. Delay and ramp of the thrust are those of the file (``thrust.delay`` if its mode is
``locked``, ``thrust.ramp``); everything else that happens there stands in the list, so that a
position at which nothing happens is locked and released at once.

Not modelled: the oil in chambers and lines is as warm as the tank, everywhere; the phase of a
dither begins anew with every part. Memory grows with the longest position, not with the list: a
position may last for a million samples, which is 1000 s at 1 kHz.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from servosim import _sequence as sequence
from servosim._practical import practical_unit
from servosim._samples import RECORD
from servosim.axis import Axis
from servosim.cycles.carry import held_reference, next_move
from servosim.cycles.figures import COLUMNS
from servosim.cycles.moves import (
    approach_time,
    at_temperature,
    auxiliary_span,
    feed_span,
    free_to_turn,
    has_lock,
    planned,
    turning_time,
    with_release,
)
from servosim.cycles.orders import with_overruns
from servosim.cycles.positions import Position, PositionList
from servosim.cycles.result import COMPLETE, INTERRUPTED, STOPPED, Cycle
from servosim.cycles.rows import row_of
from servosim.cycles.sums import Warnings, table_of, totals_of
from servosim.cycles.timeline import Timeline
from servosim.errors import Fault, ParameterError
from servosim.program import Move
from servosim.result import Event, Run, Standing, Status
from servosim.simulate import simulate
from servosim.units import format_quantity, rounded_text
from servosim.version import __version__

PATIENCE = 10.0  # s
OVERRUN = 1e-3  # m
MOST_SAMPLES = 1_000_000  # at one position, held in memory at once: some 0.4 GB
_SOON = 0.3  # s after the reference in which a point that is run through is usually reached


def run_cycle(
    axis: Axis,
    positions: PositionList,
    *,
    start: float | None = None,
    seed: int | None = None,
    traces: float | None = None,
    patience: float = PATIENCE,
    overrun: float = OVERRUN,
    progress: Callable[[int, int], object] | None = None,
) -> Cycle:
    """Run a list of positions as one continuous run.

    Parameters
    ----------
    axis : Axis
        The axis. Its tables ``reference`` and ``window`` count for every move, of ``thrust`` delay
        and ramp.
    positions : PositionList
        The list. Where a position asks for a side from which it would not be reached, a point
        beyond it is run through first.
    start : float, optional
        Where the axis stands at first [m]; the start of the file's own move if not given.
    seed : int, optional
        Seed of the transducers' noise; that of the file if not given. Each position has its own
        noise, the first that of a single move with this seed.
    traces : float, optional
        Time between the points of the traces [s]; if not given 10 ms, and more for long cycles.
    patience : float, optional
        How long the axis may take to settle after the end of each reference [s].
    overrun : float, optional
        How far beyond a target the axis runs to approach it from the other side [m].
    progress : callable, optional
        Called after each position with the positions done and those in all, points that are only
        run through counted too.

    Returns
    -------
    Cycle
        What was done. It ends early, with all that was done, where a position does not settle or
        its lock does not open, where a run breaks off, or when the user interrupts it.

    Raises
    ------
    ParameterError
        If a target is outside the stroke, a position takes more than ``MOST_SAMPLES`` samples, an
        option is not allowed, or the axis cannot stand at its start.

    Examples
    --------
    >>> import servosim
    >>> from servosim.cycles import read_positions
    >>> axis = servosim.read_axis("params/tube_sheet_table.toml")
    >>> cycle = run_cycle(axis, read_positions("params/tube_sheet_positions.csv"))
    >>> cycle.status, cycle.done
    ('complete', 199)
    """
    first = axis.file.move.start if start is None else start
    seed = axis.file.move.seed if seed is None else seed
    _check(axis, positions, first, seed, traces, patience)
    stroke = axis.parameters.cylinder.L
    whole = with_overruns(positions, overrun=overrun, start=first, stroke=stroke)
    chain = _Chain(axis, first, seed, patience)
    timeline = Timeline(axis.parameters.controller.period, traces)
    done: list[tuple[tuple[float, ...], tuple[Event, ...], float]] = []
    status, message, last = COMPLETE, "", None
    steps = len(whole.positions)
    n = _in_place(whole, steps)
    try:
        for place, position in enumerate(whole.positions):
            run, reason = chain.run(position, place)
            if run is None or reason:
                status, last = STOPPED, run
                message = f"The cycle ends at {_named(position)} after {timeline.time:.1f} s, with "
                message += f"{_in_place(whole, place)} of {n} positions done. {reason}"
                break
            begin = timeline.time
            row = row_of(run, position, begin)
            timeline.add(run, place)
            done.append((row, _events(run, position, row), begin))
            chain.go_on(run)
            if progress is not None:
                progress(len(done), steps)
    except KeyboardInterrupt:
        status = INTERRUPTED
        count = _in_place(whole, len(done))
        message = f"Interrupted after {count} of {n} positions; what was done is kept."
    table = table_of([row for row, _, _ in done])
    totals = totals_of(table, axis.file.oil.temperature)
    warnings = Warnings()
    for position, (_, events, begin) in zip(whole.positions, done, strict=False):
        warnings.add(events, position, begin)
    if status == COMPLETE:
        message = f"All {n} positions were done in {totals['cycle_time']:.1f} s."
    return Cycle(
        axis=axis,
        positions=whole,
        table=table,
        events=tuple(tuple(event.sentence for event in events) for _, events, _ in done),
        totals=totals,
        warnings=warnings.all(),
        traces=timeline.traces(len(done)),
        interval=timeline.interval,
        status=status,
        message=message,
        last=last,
        seed=seed,
        version=__version__,
    )


class _Chain:
    """Runs one position after the other, each from where the last has ended."""

    def __init__(self, axis: Axis, start: float, seed: int, patience: float) -> None:
        self._file, self._seed, self._patience = with_release(axis), seed, patience
        self._axis, self._start = self._file, start
        self._standing: Standing | None = None

    def run(self, position: Position, place: int) -> tuple[Run | None, str]:
        """Return the run of a position, and why the cycle cannot go on from it, "" if it can."""
        if self._standing is not None:
            tank = float(self._standing.state[self._axis.parameters.index.tank_temperature])
            try:
                self._axis = at_temperature(self._file, self._axis, tank)
            except ParameterError as error:
                return None, f"The oil reaches {tank - 273.15:.1f} degC: {error}"
        seed = self._seed
        if place:
            seed = int(np.random.SeedSequence([self._seed, place]).generate_state(1)[0])
        if position.overrun:
            return self._through(position, seed)
        move = planned(self._axis, position, self._start, self._patience)
        run = self._simulate(self._axis, move, seed)
        return run, _reason(run, position)

    def go_on(self, run: Run) -> None:
        """Take over where a run has ended."""
        assert run.standing is not None  # a complete run that goes on has one
        self._standing = next_move(run.standing)
        self._start = held_reference(self._standing)

    def _simulate(self, axis: Axis, move: Move, seed: int) -> Run:
        return simulate(
            axis,
            move,
            seed=seed,
            begin_from=self._standing,
            goes_on=True,
            on_failure="return",
        )

    def _through(self, position: Position, seed: int) -> tuple[Run, str]:
        """Run to a point and turn there as soon as the reference is over and it is reached."""
        axis = free_to_turn(self._axis)
        move = planned(axis, position, self._start, self._patience)
        for patience in (_SOON, self._patience):
            longest = move._replace(duration=approach_time(axis, move) + patience)
            run = self._simulate(axis, longest, seed)
            if run.status != Status.COMPLETE:
                return run, run.message
            time = turning_time(longest, run)
            if not math.isnan(time):
                run = self._simulate(axis, move._replace(duration=time), seed)
                return run, "" if run.status == Status.COMPLETE else run.message
        error = abs(float(run.state("table_position")[-1]) - position.target)
        return run, f"The point to turn at was not reached: {_length(error)} are left."


def _reason(run: Run, position: Position) -> str:
    """Return why the cycle cannot go on after a run, "" if it can."""
    if run.status != Status.COMPLETE:
        return run.message
    said = {event.kind: event.sentence for event in run.events}
    if math.isnan(run.memory[sequence.T_LOCKED]):
        if "lock_never_closed" in said:
            return said["lock_never_closed"]
        error = abs(float(run.record[-1, RECORD.index("measured_position")]) - position.target)
        window = run.axis.parameters.lock.window
        return (
            f"It did not settle in {run.time[-1]:.1f} s: at the end the reading is "
            f"{_length(error)} off the target, the window is {_length(window)} and the dwell "
            f"{run.axis.parameters.lock.dwell:.3f} s. Trim the null, let an integral with dead "
            "zone help, or take a wider window."
        )
    if has_lock(run.axis) and math.isnan(run.memory[sequence.T_FREE]):
        return said.get("check_stays_shut", said.get("lock_never_opened", "It was not released."))
    if (
        run.standing is None
        or run.time[-1] > run.move.duration - 0.5 * run.axis.parameters.controller.period
    ):
        return "It was not released in time."
    return ""


def _events(run: Run, position: Position, row: tuple[float, ...]) -> tuple[Event, ...]:
    """Return what happened in a part; of a point that is run through not that it wasn't locked."""
    found = [e for e in run.events if not (position.overrun and e.kind == "lock_never_closed")]
    columns = dict(zip(COLUMNS, row, strict=True))
    if columns["settled"] == 0.0 and all(e.kind != "locked_outside_window" for e in found):
        error = columns["error_before_lock"]
        window = run.move.window
        sentence = (
            f"It was locked before it had settled in the window of {_length(window)}: a smaller "
            "window or a longer dwell of the lock."
        )
        time = float(run.memory[sequence.T_LOCKED])
        found.append(Event("unsettled", time, "table_position", error, window, 1, sentence))
    return tuple(found)


def _check(
    axis: Axis,
    positions: PositionList,
    start: float,
    seed: int,
    traces: float | None,
    patience: float,
) -> None:
    """Refuse what cannot be run."""
    faults = []
    if not positions.positions:
        faults.append(Fault(positions.path, what="no positions", expected="at least one"))
    stroke, period = axis.parameters.cylinder.L, axis.parameters.controller.period
    expected = f"0 mm to {format_quantity(stroke, 'mm')}"
    for one in positions.positions:
        longest = auxiliary_span(one) + feed_span(axis, one) + one.dwell
        if longest > MOST_SAMPLES * period:
            faults.append(_too_long(one, longest, period, positions.path))
        if not 0.0 <= one.target <= stroke:
            what = f"{format_quantity(one.target, 'mm')} is outside the stroke"
            faults.append(Fault(positions.path, "", f"line {one.line}, target", what, expected))
    if not 0.0 <= start <= stroke:
        what = f"{format_quantity(start, 'mm')} is outside the stroke"
        faults.append(Fault(key="start", what=what, expected=expected))
    if not isinstance(seed, int) or isinstance(seed, bool) or seed < 0:
        what = f"{seed!r}"
        faults.append(Fault(key="seed", what=what, expected="a whole number, zero or more"))
    if traces is not None and not 0.0 < traces < math.inf:
        what = f"{traces!r} s between the points of the traces"
        faults.append(Fault(key="traces", what=what, expected="more than 0 s"))
    if not 0.0 < patience < 3600.0:
        what = f"{patience!r} s to settle"
        faults.append(Fault(key="patience", what=what, expected="more than 0 s, less than an hour"))
    if faults:
        raise ParameterError(faults)


def _too_long(position: Position, time: float, period: float, path: str) -> Fault:
    """Return that a position takes more samples than are held in memory."""
    what = f"{time:.7g} s in position are {round(time / period)} samples of "
    what += f"{rounded_text(period, 'ms')}, all held in memory at once"
    expected = f"{MOST_SAMPLES * period:.4g} s at most; a longer wait in several lines with the "
    expected += "same target, or a longer sampling period"
    return Fault(path, "", f"line {position.line}", what, expected)


def _in_place(positions: PositionList, steps: int) -> int:
    """Return how many of the first steps of a list are positions, not points run through."""
    return sum(not one.overrun for one in positions.positions[:steps])


def _named(position: Position) -> str:
    what = "the point before" if position.overrun else "the position of"
    return f"{what} line {position.line} ({format_quantity(position.target, 'mm')})"


def _length(value: float) -> str:
    return rounded_text(value, practical_unit("m", value))
