"""Targets typed by hand, such as "412.5 mm" or "+12.7 mm"."""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from fractions import Fraction

from servosim.cycles._numbers import decimal_of, exact, shown
from servosim.cycles._targets import LONGEST, check_places, exact_start
from servosim.cycles.positions import Position, PositionList
from servosim.errors import Fault, ParameterError, UnitError
from servosim.units import format_quantity, parse

_PARTS = re.compile(r"([+-]?[0-9.]+(?:[eE][+-]?[0-9]+)?)\s*(.*)", re.DOTALL)


def typed_positions(
    texts: Sequence[str], *, stroke: float | None = None, start: float | None = None
) -> PositionList:
    """Return the list of positions that a few texts state.

    Parameters
    ----------
    texts : sequence of str
        Each a number with a unit of length. With a sign, "+" or "-", it is a distance from the
        target before; without a sign a position.
    stroke : float, optional
        Stroke of the axis [m]; targets must lie from 0 to it.
    start : float, optional
        Position before the first target [m]; needed if that has a sign.

    Returns
    -------
    PositionList
        Absolute targets [m], distances added up exactly; nothing happens there.

    Raises
    ------
    ParameterError
        With every text that is not a target.

    Examples
    --------
    >>> [one.target for one in typed_positions(["412.5 mm", "+12.7 mm"]).positions]
    [0.4125, 0.4252]
    """
    check_places(stroke, start)
    if isinstance(texts, str | os.PathLike):
        raise ParameterError(f"{texts!r} is one text; expected a sequence of texts")
    faults: list[Fault] = []
    positions: list[Position] = []
    before = None if start is None else exact_start(start)
    told = False
    for place, text in enumerate(texts, 1):
        key = f"target {place}"
        try:
            parse(text, "mm")
            value = _exact(text)
        except (UnitError, ValueError) as error:
            faults.append(Fault(key=key, what=str(error)))
            before, told = None, True
            continue
        said = f"'{text.strip()}'"
        if text.strip()[0] in "+-":
            if before is None:
                if not told:
                    what = f"{said} has a sign and is a distance, and nothing stands before"
                    expected = "a position without a sign first, or a position to start from"
                    faults.append(Fault(key=key, what=what, expected=expected))
                told = True
                continue
            value += before
            said += f" leads to {shown(value, 'mm')}, which"
        before = value
        target, highest = float(value), LONGEST if stroke is None else stroke
        if not 0.0 <= target <= highest:
            what = f"{said} is outside the {'range' if stroke is None else 'stroke'}"
            expected = f"0 mm to {format_quantity(highest, 'mm')}"
            faults.append(Fault(key=key, what=what, expected=expected))
        positions.append(Position(place, target + 0.0))
    if not texts:
        faults.append(Fault(what="no targets", expected="at least one, such as '412.5 mm'"))
    if faults:
        raise ParameterError(faults)
    return PositionList(tuple(positions))


def _exact(text: str) -> Fraction:
    """Return the exact value [m] of a text that was found to be a length."""
    match = _PARTS.fullmatch(text.strip())
    if match is None:
        raise ValueError(f"'{text}' is not a number with a unit")
    return exact(decimal_of(match[1]), " ".join(match[2].split()))
