"""What a bookkeeper looks for when two sums disagree: the slip that explains the difference.

A line left out or written twice gives its own amount, a wrong sign twice the amount, two digits
transposed or a point shifted a difference divisible by nine: common practice, no source (for the
ninths: 10 a + b - (10 b + a) = 9 (a - b)).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Context, Decimal, localcontext

from servosim.cycles._numbers import plain

_MOST = 3

Entry = tuple[int, Decimal]
"""Line of the file and a number that stands there."""


def likely_causes(
    found: Decimal, total: Decimal, entries: Sequence[Entry], surplus: int | None = None
) -> list[str]:
    """Return slips that would explain a difference between a sum and its control total.

    Parameters
    ----------
    found : decimal.Decimal
        Exact sum of the entries.
    total : decimal.Decimal
        What the worksheet says, in the same unit.
    entries : sequence of (int, decimal.Decimal)
        Lines and the numbers that were added.
    surplus : int, optional
        Lines more than the worksheet has; None if it has no total of the lines.

    Returns
    -------
    list of str
        Clauses for a message, the most particular first; empty if nothing explains it.
    """
    with localcontext(Context(prec=200)):
        return _causes(found, total, entries, surplus)


def _causes(
    found: Decimal, total: Decimal, entries: Sequence[Entry], surplus: int | None
) -> list[str]:
    difference = found - total
    causes = []
    if surplus == -1:
        causes.append(f"the line that is lacking holds {plain(-difference)}")
    once = [line for line, number in entries if number == difference]
    if once and (surplus is None or surplus > 0):
        causes.append(f"{_lines(once)} just this much: one position too many?")
    lacking = [line for line, number in entries if number == -difference]
    if lacking and surplus is None:
        causes.append(f"{_lines(lacking)} just this much: a position like it left out?")
    if surplus:
        return causes  # lines are lacking or too many, and one wrong number explains nothing
    signs = [line for line, number in entries if number * 2 == difference]
    if signs:
        causes.append(f"{_lines(signs)} half of it: a sign wrong?")
    slips = [
        (line, number, meant)
        for line, number in entries
        for meant in (*transposed(number), *shifted(number))
        if number - meant == difference
    ]
    for line, number, meant in slips[:_MOST]:
        causes.append(f"line {line}: {plain(number)} in the place of {plain(meant)}?")
    if len(slips) > _MOST:
        causes.append(f"and {len(slips) - _MOST} more lines like it")
    if found in transposed(total):
        causes.append("two digits of the control total itself transposed?")
    if causes:
        return causes
    if _is_rounded(found, total):
        return ["the control total is rounded: write all its digits"]
    steps = _steps(difference, [total, *(number for _, number in entries)])
    if steps % 9 == 0:
        causes.append(
            "it is divisible by nine: two digits transposed or a point shifted, in the list or on "
            "the worksheet?"
        )
    elif len(str(abs(steps)).rstrip("0")) == 1:
        causes.append("a single wrong digit would explain it")
    return causes


def _lines(lines: Sequence[int]) -> str:
    """Return "line 7 holds", or "lines 7, 9 hold"."""
    if len(lines) == 1:
        return f"line {lines[0]} holds"
    named = ", ".join(map(str, lines[:_MOST]))
    more = f" and {len(lines) - _MOST} more" if len(lines) > _MOST else ""
    return f"lines {named}{more} hold"


def transposed(number: Decimal) -> Iterator[Decimal]:
    """Give the numbers that become this one when two neighbouring digits are transposed.

    Parameters
    ----------
    number : decimal.Decimal
        As written; zeros at its end count as digits.

    Yields
    ------
    decimal.Decimal
        Each different from `number`.
    """
    sign, digits, _ = number.as_tuple()
    for place in range(len(digits) - 1):
        if digits[place] != digits[place + 1]:
            swapped = [*digits]
            swapped[place : place + 2] = digits[place + 1], digits[place]
            yield Decimal((sign, tuple(swapped), _exponent(number)))


def shifted(number: Decimal) -> Iterator[Decimal]:
    """Give the numbers whose decimal point stands one place beside this one's.

    Parameters
    ----------
    number : decimal.Decimal
        As written.

    Yields
    ------
    decimal.Decimal
        Ten times as much, and a tenth.
    """
    if number:
        yield number.scaleb(1)
        yield number.scaleb(-1)


def _exponent(number: Decimal) -> int:
    exponent = number.as_tuple().exponent
    return exponent if isinstance(exponent, int) else 0


def _is_rounded(found: Decimal, total: Decimal) -> bool:
    """Return whether the total is the sum with fewer decimals."""
    last = _exponent(total)
    return last > _exponent(found) and abs(found - total) * 2 <= Decimal((0, (1,), last))


def _steps(difference: Decimal, numbers: Sequence[Decimal]) -> int:
    """Return a difference in units of the last place that is written anywhere."""
    last = min(_exponent(number) for number in numbers)
    return int(difference.scaleb(-last))
