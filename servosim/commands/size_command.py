"""The command ``size``: cylinder, valve and power unit for what a table must do."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperCommand

from servosim.commands.terminal import (
    DATA,
    FAILED,
    FIGURES,
    INTERRUPTED,
    AsJson,
    SetValues,
    duration,
    interruptible,
    output_faults,
    overrides,
    print_json,
    same_file,
    seed_of,
    speaking,
    write_each,
)
from servosim.errors import Fault, ParameterError

if TYPE_CHECKING:
    from servosim.sizing.requirement import RequirementFile
    from servosim.sizing.result import Sizing

_PARAMETERS = (".toml",)
_SHEETS = (".txt", ".md")
_VIEWS = ("locus", "frequency", "supply", "settling")
_PRINTED = "-"


class SizeCommand(TyperCommand):
    """The command, whose option ``--sheet`` may stand without a file."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Read the words of the command line, ``--sheet`` completed."""
        return super().parse_args(ctx, sheet_completed(args))


def sheet_completed(args: list[str]) -> list[str]:
    """Return the words of a command line with a dash behind a lone ``--sheet``.

    Parameters
    ----------
    args : list of str
        The words.

    Returns
    -------
    list of str
        What follows ``--sheet`` is its file unless it is an option or a requirement, ``.toml``.

    Examples
    --------
    >>> sheet_completed(["a.toml", "--sheet", "--json"])
    ['a.toml', '--sheet', '-', '--json']
    >>> sheet_completed(["--sheet", "a.md", "a.toml"])
    ['--sheet', 'a.md', 'a.toml']
    """
    words: list[str] = []
    for place, word in enumerate(args):
        words.append(word)
        following = args[place + 1] if place + 1 < len(args) else "--"
        is_value = following == _PRINTED or not (
            following.startswith("-") or following.lower().endswith(_PARAMETERS)
        )
        if word == "--sheet" and not is_value:
            words.append(_PRINTED)
    return words


def size(
    file: Annotated[
        str, typer.Argument(metavar="FILE", help="Requirement file of the axis, TOML.")
    ],
    values: SetValues = None,
    output: Annotated[
        str | None,
        typer.Option("--output", metavar="PATH", help="Write the winner's axis file, .toml."),
    ] = None,
    as_json: AsJson = False,
    figure: Annotated[
        str | None,
        typer.Option(metavar="PATH", help="Write a page of plots: .png, .svg or .pdf."),
    ] = None,
    view: Annotated[
        str | None,
        typer.Option(metavar="NAME", help=f"With --figure: {', '.join(_VIEWS)} alone."),
    ] = None,
    sheet: Annotated[
        str | None,
        typer.Option(
            metavar="[PATH]",
            help="Print the calculation step by step in place of the summary, or write it: .md "
            "(Markdown) or .txt.",
        ),
    ] = None,
    data: Annotated[
        str | None,
        typer.Option(metavar="PATH", help="Write all combinations, labelled: .nc (NetCDF)."),
    ] = None,
    tried: Annotated[
        int | None,
        typer.Option(
            metavar="NUMBER", min=1, help="How many are tuned and moved; else the file's."
        ),
    ] = None,
    seed: Annotated[
        str | None,
        typer.Option(metavar="NUMBER", help="Seed of search and noise; else the file's."),
    ] = None,
    workers: Annotated[
        int | None, typer.Option(metavar="NUMBER", min=1, help="How many workers share the moves.")
    ] = None,
) -> None:
    """Choose cylinder, valve and power unit for a requirement; tune and move the best of them."""
    with speaking():
        faults = output_faults("--output", output, _PARAMETERS)
        faults += output_faults("--figure", figure, FIGURES)
        faults += output_faults("--data", data, DATA[:1])
        if sheet is not None and sheet != _PRINTED:
            faults += output_faults("--sheet", sheet, _SHEETS)
        faults += _pairing_faults(file, output, figure, view, sheet, as_json)
        number, more = seed_of(seed)
        faults += more
        requirement = _read(file, values, tried, number, faults)
        found = _size(requirement, workers, not as_json)
        code = _tell(found, file, sheet == _PRINTED, as_json)
        code = max(code, _write_or_say(found, file, output, figure, view, sheet, data))
    raise typer.Exit(code)


def _pairing_faults(
    file: str,
    output: str | None,
    figure: str | None,
    view: str | None,
    sheet: str | None,
    as_json: bool,
) -> list[Fault]:
    """Return which options do not go together."""
    faults = []
    if output is not None and same_file(file, output):
        what = f"{output!r} is the file that is read"
        faults.append(Fault("--output", "", "", what, "another name"))
    if view is not None and view not in _VIEWS:
        expected = f"one of {', '.join(_VIEWS)}"
        faults.append(Fault("--view", "", "", f"{view!r} is not known", expected))
    if view is not None and figure is None:
        faults.append(Fault("--view", "", "", "nothing is drawn", "--figure PATH with it"))
    if sheet == _PRINTED and as_json:
        what = "with --json nothing else is printed"
        faults.append(Fault("--sheet", "", "", what, "a path; the JSON holds the sheet, too"))
    return faults


def _read(
    file: str,
    given: list[str] | None,
    tried: int | None,
    seed: int | None,
    faults: list[Fault],
) -> RequirementFile:
    """Return the requirement, or raise with every fault of options and file."""
    from servosim.sizing.requirement import read_requirement

    values, more = overrides(given)
    found = [*more, *faults]
    for path, value in (("choice.tried", tried), ("choice.seed", seed)):
        if value is not None:
            values[path] = str(value)
    try:
        requirement = read_requirement(file, values)
    except ParameterError as error:
        raise ParameterError([*found, *error.faults]) from None
    if found:
        raise ParameterError(found)
    return requirement


def checked_requirement(file: str, given: list[str] | None) -> list[str]:
    """Return what a requirement asks for and offers, in lines.

    Parameters
    ----------
    file : str
        The requirement file.
    given : list of str or None
        What ``--set`` was given.

    Returns
    -------
    list of str
        File, title, work, accuracy and how many combinations there are.

    Raises
    ------
    ParameterError
        With every fault of the file.
    """
    requirement = _read(file, given, None, None, [])
    from servosim.commands.size_summary import asked_lines
    from servosim.sizing.candidates import combinations_of

    count = len(combinations_of(requirement))
    lines = [file, f"  {requirement.title}", "", *asked_lines(requirement)]
    return [*lines, f"on offer    {count} combinations", "", "no faults"]


def _size(requirement: RequirementFile, workers: int | None, show_it: bool) -> Sizing:
    """Size the axis, showing how far it is."""
    from servosim.sizing.run import size as run

    with interruptible(show_it and sys.stderr.isatty(), "reading the requirement") as show:
        begun: dict[str, tuple[float, int]] = {}

        def progress(stage: str, done: int, total: int) -> None:
            begin, first = begun.setdefault(stage, (time.monotonic(), done))
            text = f"{stage}, {done} of {total}"
            if first < done < total:
                left = (time.monotonic() - begin) / (done - first) * (total - done)
                text = f"{text}, {duration(left)} left"
            show(text, done, total)

        return run(requirement, workers=workers or os.cpu_count() or 1, progress=progress)


def _tell(found: Sizing, file: str, only_sheet: bool, as_json: bool) -> int:
    """Print a sizing and return its exit code."""
    from servosim.commands import size_json, size_summary

    if as_json:
        print_json(size_json.as_json(found, file, found.requirement.choice.seed))
        lines = [*size_summary.outcome(found), *found.cautions]
    elif only_sheet:
        lines = _sheet(found, file, plain=not _can_print())
    else:
        lines = size_summary.summary(found, file)
    typer.echo("\n".join(lines), err=as_json)
    if found.interrupted:
        return INTERRUPTED
    return 0 if found.feasible else FAILED


def _can_print() -> bool:
    """Return whether the output takes the letters of a formula."""
    try:
        "√·²ω".encode(sys.stdout.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def _sheet(found: Sizing, file: str, *, markdown: bool = False, plain: bool = False) -> list[str]:
    """Return the sheet of the winner, or of the nearest combination."""
    from servosim.commands.size_sheet import sheet_lines, sheet_markdown
    from servosim.commands.size_summary import outcome, sheet_head

    head = sheet_head(found, file)
    title = f"Sizing: {found.requirement.title}"
    if not found.sheet:
        return [title, "", *outcome(found), "", "nothing was worked out that could be written down"]
    if markdown:
        return sheet_markdown(found.sheet, title, head)
    return sheet_lines(found.sheet, title, head, plain=plain)


def _write_or_say(
    found: Sizing,
    file: str,
    output: str | None,
    figure: str | None,
    view: str | None,
    sheet: str | None,
    data: str | None,
) -> int:
    """Write what was asked for; return 0, or 1 with a line on stderr if it could not be done."""
    steps: list[tuple[str, Callable[[str], None]]] = []
    if output is not None:
        steps.append((output, found.write))
    if figure is not None:
        steps.append((figure, lambda path: _write_figure(found, path, view)))
    if sheet is not None and sheet != _PRINTED:
        steps.append((sheet, lambda path: _write_sheet(found, file, path)))
    if data is not None:
        steps.append((data, lambda path: _write_data(found, path)))
    code = write_each(steps)
    if output is not None and code == 0 and found.interrupted:
        typer.echo(f"beware: {output} is the best of an interrupted run", err=True)
    return code


def _write_figure(found: Sizing, path: str, view: str | None) -> None:
    """Draw the sizing on a page."""
    from servosim.plots import save_figure
    from servosim.size_plots import plot_sizing

    save_figure(plot_sizing(found, view), path)


def _write_sheet(found: Sizing, file: str, path: str) -> None:
    """Write the sheet."""
    from servosim.params._files import write_text

    lines = _sheet(found, file, markdown=path.lower().endswith(".md"))
    write_text("\n".join([*lines, ""]), path)


def _write_data(found: Sizing, path: str) -> None:
    """Write all combinations as NetCDF."""
    from servosim._netcdf import write_dataset
    from servosim._whole_file import whole_file

    with whole_file(Path(path)) as beside:
        write_dataset(found.dataset(), beside)
