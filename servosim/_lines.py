"""Text in lines: aligned columns, and sentences wrapped to a width."""

from __future__ import annotations

import textwrap
from collections.abc import Collection, Sequence

WIDTH = 100


def columns(
    rows: Sequence[Sequence[str]], indent: str = "  ", *, left: Collection[int] = (0,)
) -> list[str]:
    """Return rows of cells as aligned lines.

    Parameters
    ----------
    rows : sequence of sequence of str
        Cells, as many in each row.
    indent : str, optional
        What stands before each line.
    left : collection of int, optional
        Columns whose cells stand at the left, the first one if none are given; those of all others
        stand at the right.

    Returns
    -------
    list of str
        One line a row.
    """
    if not rows:
        return []
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    lines = []
    for row in rows:
        cells = [
            cell.ljust(width) if k in left else cell.rjust(width)
            for k, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append((indent + "  ".join(cells)).rstrip())
    return lines


def wrapped(text: str, first: str, rest: str | None = None) -> list[str]:
    """Return a text in lines of at most ``WIDTH`` letters.

    Parameters
    ----------
    text : str
        The text.
    first : str
        What stands before its first line.
    rest : str, optional
        What stands before the others; as many blanks as the first has letters if not given.

    Returns
    -------
    list of str
        The lines; the first is there even if the text is empty.

    Examples
    --------
    >>> wrapped("too little oil", "note  ")
    ['note  too little oil']
    """
    others = " " * len(first) if rest is None else rest
    lines = textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=others)
    return lines or [first.rstrip()]
