"""Everything the linear view says about the loop of an axis, in one call."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim.axis import Axis
from servosim.errors import Fault, ParameterError
from servosim.linear.comparison import AlongStroke, Comparison, along_stroke, compare
from servosim.linear.envelope import EnvelopeMargins, envelope_margins
from servosim.linear.family import LoopFamily
from servosim.linear.limit_cycles import LimitCycles, limit_cycles
from servosim.linear.locus import Locus, root_locus
from servosim.linear.margins import Margins
from servosim.linear.points import Point, condition_points
from servosim.linear.resting import Resting, resting_band

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Progress = Callable[[str, int, int], Any]

_STEP, _SMALL, _PASSES = 0.06, 0.05, 8  # of a curve from point to point, below which it is straight
STAGES = ("formulas and exact numbers", "along the stroke", "margins", "limit cycles", "rest")


@dataclass(frozen=True)
class Loops:
    """The loops of the file's axis at one position, in each condition of the valve.

    Attributes
    ----------
    points : tuple of Point
        Where they are taken, shape (n,).
    command, position : Margins
        Their margins, opened at the valve's command and at the position error.
    meaningless : ndarray of bool, shape (n,)
        Whether the margins say nothing, at null of an overlapped valve.
    shown : int
        The point whose responses follow: the one with the least gain margin that means anything.
    omega : ndarray, shape (n_f,)
        Frequencies [rad/s].
    command_loop, position_loop : ndarray of complex, shape (n_f,)
        Open loops [-] at both cuts; closed they are 1/(1 + L).
    compliance, open_compliance : ndarray of complex, shape (n_f,)
        Table over thrust [m/N] with the position loop, and without it.
    """

    points: tuple[Point, ...]
    command: Margins
    position: Margins
    meaningless: NDArray[np.bool_]
    shown: int
    omega: Array
    command_loop: Complex
    position_loop: Complex
    compliance: Complex
    open_compliance: Complex


@dataclass(frozen=True)
class Stability:
    """The linear view of an axis, and what the nonlinear one makes of it.

    Attributes
    ----------
    axis : Axis
        The axis.
    position : float
        Position of the table for all that is told of one position [m].
    comparison : Comparison
        The textbooks' formulas beside the exact numbers.
    stroke : AlongStroke
        Natural frequency, damping and largest gain along the stroke.
    loops : Loops
        Loops at the position, with their margins and responses.
    locus : Locus
        Poles of the closed loop over the velocity gain, at the point that is shown.
    envelope : EnvelopeMargins
        Margins over the whole envelope of the file.
    limit_cycles : LimitCycles
        Limit cycles that the describing functions predict, with the simulation's verdict.
    resting : Resting
        Band of the error at rest.
    """

    axis: Axis
    position: float
    comparison: Comparison
    stroke: AlongStroke
    loops: Loops
    locus: Locus
    envelope: EnvelopeMargins
    limit_cycles: LimitCycles
    resting: Resting


def _silent(stage: str, done: int, total: int) -> None:
    return None


def stability(
    axis: Axis,
    position: float | None = None,
    *,
    positions: int = 11,
    workers: int = 1,
    progress: Progress | None = None,
) -> Stability:
    """Return what formulas, exact linear loop and simulation say about the loop of an axis.

    Parameters
    ----------
    axis : Axis
        The axis.
    position : float, optional
        Position of the table [m]; the target of the file's move if not given.
    positions : int, optional
        Positions along the stroke at which the envelope is judged [-].
    workers : int, optional
        Threads that share the points of the envelope; the results don't depend on them.
    progress : callable, optional
        Called with what comes next, how many steps are done, and how many there are.

    Returns
    -------
    Stability
        What was found.

    Raises
    ------
    ParameterError
        If the position lies outside the stroke, or the axis has no steady state there.

    Examples
    --------
    >>> import servosim
    >>> axis = servosim.read_axis("params/teaching_rig.toml")
    >>> found = servosim.stability(axis, positions=1)
    >>> bool(found.envelope.command.stable.all())
    True
    """
    at = axis.file.move.target if position is None else float(position)
    stroke = axis.file.cylinder.stroke
    if not 0.0 <= at <= stroke:
        raise ParameterError(
            Fault(
                what=f"position {1e3 * at:g} mm lies outside the stroke",
                expected=f"0 mm to {1e3 * stroke:g} mm",
            )
        )
    show = progress or _silent
    total = len(STAGES)

    def step(k: int) -> None:
        show(STAGES[k], k, total)

    step(0)
    comparison = compare(axis, at)
    step(1)
    along = along_stroke(axis, condition=comparison.condition)
    step(2)
    loops = loops_at(axis, at)
    locus = root_locus(axis, loops.points[loops.shown])
    envelope = envelope_margins(axis, positions=positions, workers=workers)
    step(3)
    cycles = limit_cycles(axis, at)
    step(4)
    rest = resting_band(axis, at, workers=workers)
    show(STAGES[-1], total, total)
    return Stability(axis, at, comparison, along, loops, locus, envelope, cycles, rest)


def loops_at(axis: Axis, position: float) -> Loops:
    """Return the loops of an axis at one position in all conditions of the valve.

    Parameters
    ----------
    axis : Axis
        The axis.
    position : float
        Position of the table [m].

    Returns
    -------
    Loops
        Margins at both cuts, and the responses of the point with the least gain margin.

    Raises
    ------
    ParameterError
        If there is no steady state in any condition.
    """
    family = LoopFamily(axis, condition_points(axis, position))
    command, at_error = family.margins()
    least = np.minimum(command.gain_margin, at_error.gain_margin)
    least = np.where(family.meaningless, np.inf, np.where(np.isnan(least), np.inf, least))
    shown = int(np.argmin(least))
    one = family.take(np.array([shown]))
    omega = _drawn(one)
    _, command_loop, position_loop = one.loops(omega)
    _, closed = one.compliance(omega)
    _, opened = one.compliance(omega, {"velocity_gain": 0.0, "integral_gain": 0.0})
    return Loops(
        family.points,
        command,
        at_error,
        family.meaningless,
        shown,
        omega,
        command_loop[0],
        position_loop[0],
        closed[0],
        opened[0],
    )


def _drawn(one: LoopFamily) -> Array:
    """Return frequencies between which neither loop of one point bends by much."""
    omega = one.loops()[0][0]
    for _ in range(_PASSES):
        loops = np.concatenate(one.loops(omega)[1:])
        sizes = np.maximum(np.abs(loops), _SMALL)
        steps = np.abs(np.diff(loops, axis=1)) / np.minimum(sizes[:, 1:], sizes[:, :-1])
        wide = np.flatnonzero((steps > _STEP).any(axis=0))
        if not len(wide):
            break
        omega = np.sort(np.concatenate([omega, np.sqrt(omega[wide] * omega[wide + 1])]))
    return omega
