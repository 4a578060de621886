"""The same list in several orders and approaches: the lists, and their runs side by side."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from servosim.axis import Axis
from servosim.cycles.cycle import run_cycle
from servosim.cycles.orders import least_travel, one_sided, travel, with_overruns
from servosim.cycles.positions import Position, PositionList
from servosim.cycles.result import Cycle
from servosim.errors import ParameterError

ORDERS = ("file", "travel")
APPROACHES = ("any", "+", "-")


@dataclass(frozen=True)
class Way:
    """How a list is run.

    Parameters
    ----------
    order : str
        ``file``, the order of the list, or ``travel``, that of the least travel.
    approach : str
        ``any``, as each position asks, or ``+`` or ``-`` for all.
    start : float
        Where the axis stands at first [m].
    overrun : float
        How far it runs beyond a target to approach it from the other side [m].
    """

    order: str
    approach: str
    start: float
    overrun: float

    @property
    def name(self) -> str:
        """What it is called in a comparison."""
        order = "order of the list" if self.order == "file" else "least travel"
        side = "approaches of the list" if self.approach == "any" else f"all from {self.approach}"
        return f"{order}, {side}"


@dataclass(frozen=True)
class Variant:
    """A list run in one way.

    Parameters
    ----------
    way : Way
        How.
    made : PositionList or None
        The list in this order, with this approach.
    cycle : Cycle or None
        The run; None if the list cannot be run like this.
    same : str
        Name of another way that is the same list, if there is one.
    reason : str
        Why it cannot be run.
    """

    way: Way
    made: PositionList | None = None
    cycle: Cycle | None = None
    same: str = ""
    reason: str = ""


def arranged(positions: PositionList, way: Way, stroke: float) -> PositionList:
    """Return a list in another order and with another approach.

    Parameters
    ----------
    positions : PositionList
        The list as it was read.
    way : Way
        How it shall be run.
    stroke : float
        Stroke of the axis [m].

    Returns
    -------
    PositionList
        The same list if it shall be run as it stands.

    Raises
    ------
    ParameterError
        If a position asks for the other side, or an overrun would leave the stroke.
    """
    if way.approach == "any":
        return positions if way.order == "file" else least_travel(positions, start=way.start)

    def from_one_side(some: PositionList) -> PositionList:
        return one_sided(
            some, overrun=way.overrun, side=way.approach, start=way.start, stroke=stroke
        )

    if way.order == "file":
        return from_one_side(positions)
    asked = [
        replace(one, approach=way.approach) if one.approach == "any" else one
        for one in positions.positions
    ]
    # passes that go that way alone, or the shortest way with overruns: what is shorter in the end
    made = [
        from_one_side(least_travel(some, start=way.start))
        for some in (positions, replace(positions, positions=tuple(asked)))
    ]
    return min(made, key=lambda one: travel(one, start=way.start))


def compared(
    axis: Axis,
    positions: PositionList,
    first: Variant,
    *,
    seed: int | None,
    progress: Callable[[str, int, int], object],
) -> list[Variant]:
    """Run a list in every order and approach.

    Parameters
    ----------
    axis : Axis
        The axis.
    positions : PositionList
        The list as it was read.
    first : Variant
        The way in which it was run already, which is not run again.
    seed : int or None
        Seed of the noise; that of the file if it is None.
    progress : callable
        Called after each position with the name of the way, the positions done and those in all.

    Returns
    -------
    list of Variant
        The order of the list first; one that is interrupted is the last.
    """
    found: list[Variant] = []
    for order in ORDERS:
        for approach in APPROACHES:
            way = replace(first.way, order=order, approach=approach)
            if way == first.way:
                found.append(first)
                continue
            found.append(_variant(axis, positions, way, seed, progress, [first, *found]))
            cycle = found[-1].cycle
            if cycle is not None and cycle.interrupted:
                return found
    return found


def _variant(
    axis: Axis,
    positions: PositionList,
    way: Way,
    seed: int | None,
    progress: Callable[[str, int, int], object],
    known: Sequence[Variant],
) -> Variant:
    try:
        made = arranged(positions, way, axis.parameters.cylinder.L)
        steps = _steps(axis, made, way)
        for one in known:
            if one.made is not None and _steps(axis, one.made, one.way) == steps:
                return Variant(way, one.made, one.cycle, one.same or one.way.name)
        cycle = run_cycle(
            axis,
            made,
            start=way.start,
            seed=seed,
            overrun=way.overrun,
            progress=lambda done, n: progress(way.name, done, n),
        )
    except ParameterError as error:
        first = str(error.faults[0])
        more = len(error.faults) - 1
        return Variant(way, reason=f"{first}; and {more} more like it" if more else first)
    return Variant(way, made, cycle)


def _steps(axis: Axis, positions: PositionList, way: Way) -> list[Position]:
    """Return what is run one after the other, whatever side was asked for."""
    stroke = axis.parameters.cylinder.L
    whole = with_overruns(positions, overrun=way.overrun, start=way.start, stroke=stroke)
    return [replace(one, approach="any") for one in whole.positions]
