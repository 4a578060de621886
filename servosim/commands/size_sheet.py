"""The calculation of a sizing, step by step, as a sheet that a colleague can check by hand.

Each step stands with its formula, with the numbers in their place, with its result, unit and
source. Pure functions of the steps; nothing is printed or written here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby

from servosim._lines import columns, wrapped
from servosim.commands.formula_text import GAP
from servosim.commands.size_steps import Family, Written, families
from servosim.sizing.calculation import Step

_INDENT = " " * 8
_IN_SI = "numbers in SI units: m, kg, s, N, Pa, K, rad"


def _sections(steps: Sequence[Step]) -> Iterator[tuple[str, list[tuple[int, list[Step]]]]]:
    """Return the headings with their steps in groups, each with the number of its first."""
    for chapter, (title, group) in enumerate(groupby(steps, key=lambda one: one.section), 1):
        found, number = [], 1
        for one in families(list(group)):
            found.append((number, one))
            number += len(one)
        yield f"{chapter}  {title or 'Calculation'}", found


def sheet_lines(
    steps: Sequence[Step], title: str = "", head: Sequence[str] = (), *, plain: bool = False
) -> list[str]:
    """Return the sheet as text.

    Parameters
    ----------
    steps : sequence of Step
        The calculation.
    title : str, optional
        What was calculated.
    head : sequence of str, optional
        Sentences below the title.
    plain : bool, optional
        Whether only letters of ASCII may be used, for a terminal that has no others.

    Returns
    -------
    list of str
        Under each heading its steps: formula, numbers, result, inputs, source and note. Several
        steps of one formula in a row are a table.
    """
    lines = [title, "=" * len(title), ""] if title else []
    for sentence in head:
        lines += wrapped(sentence, "")
    lines += [""] if head else []
    for heading, group in _sections(steps):
        lines += [heading, "-" * len(heading), ""]
        chapter = heading.partition(" ")[0]
        for number, one in group:
            place = f"{chapter}.{number}"
            text = _step_lines if len(one) == 1 else _family_lines
            lines += [*text(place, one, plain), ""]
    return [line.replace(GAP, " ") for line in lines]


def _step_lines(number: str, steps: Sequence[Step], plain: bool) -> list[str]:
    """Return one step as text."""
    (step,) = steps
    one = Written(step, plain=plain)
    also = f" = {one.also}" if one.also else ""
    if not step.text:
        lines = wrapped(f"{step.words}: {one.symbol} = {one.result}{also}", f"{number:<8}")
        return lines + _remarks(step, False, step.note)
    lines = wrapped(step.words, f"{number:<8}")
    first = f"{_INDENT}{one.symbol} = "
    under = f"{' ' * (len(first) - 2)}= "
    lines += wrapped(one.formula, first)
    lines += wrapped(one.numbers, under, " " * len(under))
    lines += [f"{under}{one.result}{also}"]
    lines += wrapped(one.names, f"{_INDENT}with    ") if one.names else []
    return lines + _remarks(step, one.in_si, step.note)


def _remarks(step: Step, in_si: bool, note: str) -> list[str]:
    lines = wrapped(step.source, f"{_INDENT}source  ")
    lines += wrapped(_IN_SI, f"{_INDENT}units   ") if in_si else []
    return lines + (wrapped(note, f"{_INDENT}note    ") if note else [])


def _family_lines(number: str, steps: Sequence[Step], plain: bool) -> list[str]:
    """Return several steps of one formula as text with a table."""
    one = Family(steps, plain=plain)
    chapter, _, begin = number.partition(".")
    numbers = [f"{chapter}.{int(begin) + k}" for k in range(len(steps))]
    lines = wrapped(steps[0].words, f"{number} to {numbers[-1]}  ", _INDENT)
    lines += wrapped(one.formula, f"{_INDENT}{one.symbol} = ")
    lines += wrapped(one.names, f"{_INDENT}with    ") if one.names else []
    lines += wrapped(one.same, f"{_INDENT}in all  ") if one.same else []
    lines += _remarks(steps[0], one.in_si, "")
    rows = [(place, *cells) for place, cells in zip(numbers, one.rows, strict=True)]
    return [*lines, *columns([("", "", *one.head), *rows], _INDENT, left=(0, 1))]


def sheet_markdown(steps: Sequence[Step], title: str = "", head: Sequence[str] = ()) -> list[str]:
    """Return the sheet as Markdown.

    Parameters
    ----------
    steps : sequence of Step
        The calculation.
    title : str, optional
        What was calculated.
    head : sequence of str, optional
        Sentences below the title.

    Returns
    -------
    list of str
        The same as :func:`sheet_lines` says.
    """
    lines = [f"# {_escaped(title)}", ""] if title else []
    for sentence in head:
        lines += [_escaped(sentence), ""]
    for heading, group in _sections(steps):
        lines += [f"## {_escaped(heading)}", ""]
        chapter = heading.partition(" ")[0]
        for number, one in group:
            place = f"{chapter}.{number}"
            text = _step_markdown if len(one) == 1 else _family_markdown
            lines += [*text(place, one), ""]
    return [line.replace(GAP, " ") for line in lines]


def _step_markdown(number: str, steps: Sequence[Step]) -> list[str]:
    """Return one step as Markdown."""
    (step,) = steps
    one = Written(step)
    also = f" = {_escaped(one.also)}" if one.also else ""
    symbol, result = _escaped(one.symbol), f"**{_escaped(one.result)}**{also}"
    if not step.text:
        lines = [f"{number} {_escaped(step.words)}: {symbol} = {result}"]
    else:
        lines = [
            f"{number} {_escaped(step.words)}:",
            f"{symbol} = {_escaped(one.formula)}",
            f"= {_escaped(one.numbers)}",
            f"= {result}",
        ]
        lines += [f"with {_escaped(one.names)}"] if one.names else []
    return _broken([*lines, *_marked_remarks(step, one.in_si, step.note)])


def _marked_remarks(step: Step, in_si: bool, note: str) -> list[str]:
    lines = [f"*source: {_escaped(step.source)}*"]
    lines += [f"*{_IN_SI}*"] if in_si else []
    return lines + ([f"*note: {_escaped(note)}*"] if note else [])


def _family_markdown(number: str, steps: Sequence[Step]) -> list[str]:
    """Return several steps of one formula as Markdown with a table."""
    one = Family(steps)
    chapter, _, begin = number.partition(".")
    numbers = [f"{chapter}.{int(begin) + k}" for k in range(len(steps))]
    lines = [
        f"{number} to {numbers[-1]} {_escaped(steps[0].words)}:",
        f"{_escaped(one.symbol)} = {_escaped(one.formula)}",
    ]
    lines += [f"with {_escaped(one.names)}"] if one.names else []
    lines += [f"in all {_escaped(one.same)}"] if one.same else []
    lines += _marked_remarks(steps[0], one.in_si, "")
    cells = [(place, *row) for place, row in zip(numbers, one.rows, strict=True)]
    table = [_row(("", "", *one.head)), _row(("---", "---", *("---:" for _ in one.head)))]
    return [*_broken(lines), "", *table, *map(_row, cells)]


def _broken(lines: Sequence[str]) -> list[str]:
    """Return lines of one paragraph that stay lines."""
    return [f"{line}  " for line in lines[:-1]] + [*lines[-1:]]


def _row(cells: Sequence[str]) -> str:
    texts = (_escaped(cell).replace("|", "\\|") for cell in cells)
    return f"| {' | '.join(texts)} |"


_MARKS: Mapping[int, str] = str.maketrans({"<": "&lt;", ">": "&gt;", "*": "\\*"})


def _escaped(text: str) -> str:
    """Return a text without letters that Markdown takes for its own."""
    return text.translate(_MARKS)
