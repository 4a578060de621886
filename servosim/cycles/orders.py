"""The same positions in another order, or approached from one side: lists from lists.

On one axis the shortest way through a set of positions is a pass from one end to the other, after a
move to the nearer end; positions that ask for both directions take a pass up and a pass down. What
an order gains is compared by running both lists.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import pairwise

from servosim.cycles._targets import LONGEST
from servosim.cycles.positions import Position, PositionList
from servosim.errors import Fault, ParameterError
from servosim.units import format_quantity

_DROPPED = "the control totals of the worksheet hold for the list as it was read, not for this one"


def travel(positions: PositionList, *, start: float | None = None) -> float:
    """Return the way from target to target.

    Parameters
    ----------
    positions : PositionList
        The list.
    start : float, optional
        Position before the first target [m]; without it the way begins at the first target.

    Returns
    -------
    float
        Sum of the distances [m].
    """
    return _way([one.target for one in positions.positions], start)


def _way(targets: Sequence[float], start: float | None) -> float:
    places = list(targets) if start is None else [start, *targets]
    return sum(abs(after - before) for before, after in pairwise(places))


def least_travel(
    positions: PositionList, *, start: float | None = None, across_actions: bool = False
) -> PositionList:
    """Return the same positions in the order of the least travel.

    Positions to be approached in extension ("+") are taken in a pass upwards, those to be
    approached in retraction ("-") in a pass downwards, others in whichever makes the way shorter.
    Of equal targets the order stays. The first position of a pass may still be reached from the
    wrong side: see :func:`with_overruns`.

    Parameters
    ----------
    positions : PositionList
        The list.
    start : float, optional
        Position before the first target [m]. Without it the first pass goes upwards where both ways
        are as short.
    across_actions : bool
        Whether a position may pass one with auxiliary actions. A change of tool must stay between
        what is worked before and after it, so normally the list is parted before each position with
        actions, which stays the first of its part, and the parts keep their order.

    Returns
    -------
    PositionList
        The positions with their lines of the first list; without control totals, which a note says.

    Raises
    ------
    ParameterError
        If the list has overruns already.
    """
    if any(one.overrun for one in positions.positions):
        raise ParameterError(
            Fault(
                file=positions.path,
                what="a list with overruns cannot be put into another order",
                expected="the order first, the overruns afterwards",
            )
        )
    before, ordered = start, list[Position]()
    for part in _parts(positions.positions, across_actions):
        fixed = part[:1] if part[0].auxiliary and not across_actions else ()
        if fixed:
            ordered += fixed
            before = fixed[-1].target
        free = part[len(fixed) :]
        if free:
            ordered += _shortest(free, before)
            before = ordered[-1].target
    return _changed(positions, ordered, "put into the order of the least travel")


def _parts(positions: Sequence[Position], whole: bool) -> list[tuple[Position, ...]]:
    """Return the list parted before each position with auxiliary actions."""
    parts: list[list[Position]] = []
    for position in positions:
        if not parts or (position.auxiliary and not whole):
            parts.append([])
        parts[-1].append(position)
    return [tuple(part) for part in parts]


def _shortest(part: Sequence[Position], start: float | None) -> list[Position]:
    """Return the passes through some positions with the shortest way."""

    def up(approaches: str) -> list[Position]:
        return sorted((p for p in part if p.approach in approaches.split()), key=_target)

    def down(approaches: str) -> list[Position]:
        return sorted((p for p in part if p.approach in approaches.split()), key=_falling)

    orders = [
        [*up("+ any"), *down("-")],
        [*down("- any"), *up("+")],
        [*up("+"), *down("- any")],
        [*down("-"), *up("+ any")],
    ]
    return min(orders, key=lambda order: _way([one.target for one in order], start))


def _target(position: Position) -> float:
    return position.target


def _falling(position: Position) -> float:
    return -position.target


def with_overruns(
    positions: PositionList,
    *,
    overrun: float,
    start: float | None = None,
    stroke: float | None = None,
) -> PositionList:
    """Return the list with overruns wherever a target would be reached from the wrong side.

    Parameters
    ----------
    positions : PositionList
        The list; each position says from which side it wants to be approached.
    overrun : float
        How far beyond the target the axis runs before it comes back [m].
    start : float, optional
        Position before the first target [m]; without it the first target that asks for a side gets
        an overrun.
    stroke : float, optional
        Stroke of the axis [m], which an overrun must not leave.

    Returns
    -------
    PositionList
        With additional positions marked `overrun`, which bear the line of the position they belong
        to. A target equal to the one before it is
        not left again if that was reached from the side it asks for. Without control totals if any
        position was added, which a note says.

    Raises
    ------
    ParameterError
        If an overrun is not above zero, or leaves the stroke.
    """
    if not 0.0 < overrun <= LONGEST:
        raise ParameterError(f"an overrun of {overrun} m; expected more than 0 m")
    highest = LONGEST if stroke is None else stroke
    made: list[Position] = []
    faults: list[Fault] = []
    before, arrived = start, ""
    for position in positions.positions:
        sign = {"+": -1.0, "-": 1.0}.get(position.approach, 0.0)
        target = position.target
        beyond = target + sign * overrun
        if before is not None and before != target:
            arrived = "+" if target > before else "-"
        if sign and not position.overrun and arrived != position.approach:
            arrived = position.approach
            if not 0.0 <= beyond <= highest:
                what = (
                    f"the overrun of {_shown(overrun)} before {_shown(target)} ends at "
                    f"{_shown(beyond)}, outside the {'range' if stroke is None else 'stroke'}"
                )
                expected = f"0 mm to {_shown(highest)}: a smaller overrun, or the other side"
                key = f"line {position.line}"
                faults.append(Fault(positions.path, "", key, what, expected))
            comment = f"overrun before line {position.line}"
            made.append(Position(position.line, beyond, comment=comment, overrun=True))
        made.append(position)
        before = target
    if faults:
        raise ParameterError(faults)
    if len(made) == len(positions.positions):
        return positions
    return _changed(positions, made, f"given overruns of {_shown(overrun)}")


def one_sided(
    positions: PositionList,
    *,
    overrun: float,
    side: str = "+",
    start: float | None = None,
    stroke: float | None = None,
) -> PositionList:
    """Return the list with every target approached from the same side.

    Lost motion, hysteresis of the valve and friction then shift all targets the same way, and what
    is the same everywhere can be corrected.

    Parameters
    ----------
    positions : PositionList
        The list.
    overrun : float
        How far beyond a target the axis runs where it comes from the other side [m].
    side : str
        "+" to approach in extension, "-" in retraction.
    start : float, optional
        Position before the first target [m]; without it the first target gets an overrun.
    stroke : float, optional
        Stroke of the axis [m], which an overrun must not leave.

    Returns
    -------
    PositionList
        As :func:`with_overruns` makes it, with one approach for all.

    Raises
    ------
    ParameterError
        If the side is unknown, a position asks for the other side, or an overrun is not above zero
        or leaves the stroke.
    """
    if side not in ("+", "-"):
        raise ParameterError(f"side {side!r} is not known; expected '+' or '-'")
    other = "-" if side == "+" else "+"
    against = [one for one in positions.positions if one.approach == other]
    if against:
        raise ParameterError(
            Fault(
                positions.path,
                "",
                f"line {one.line}",
                f"asks for an approach '{other}', and the list is to be approached '{side}'",
                f"'{side}', 'any' or nothing",
            )
            for one in against
        )
    asked = tuple(
        one if one.overrun else replace(one, approach=side) for one in positions.positions
    )
    return with_overruns(
        replace(positions, positions=asked), overrun=overrun, start=start, stroke=stroke
    )


def _changed(positions: PositionList, made: Iterable[Position], how: str) -> PositionList:
    notes = tuple(one for one in positions.notes if not one.startswith("no control total"))
    new = (how, _DROPPED) if positions.totals else (how,)
    return replace(positions, positions=tuple(made), totals=(), notes=(*notes, *new))


def _shown(length: float) -> str:
    return format_quantity(round(length, 12), "mm")
