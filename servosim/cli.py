"""The command line: read files, call one function, write files.

Everything heavy is imported inside the commands, so that ``servosim --help`` answers at once.
Faults of a file or of an option go to stderr, one a line, with exit code 2; a run that did not
reach its end gives exit code 1, an interruption 130.
"""

from __future__ import annotations

import difflib
import sys
from typing import TYPE_CHECKING, Annotated, Any

import typer

from servosim.commands.acceptance_command import acceptance
from servosim.commands.budget_command import budget
from servosim.commands.cycle_command import cycle
from servosim.commands.size_command import SizeCommand, checked_requirement, size
from servosim.commands.stability_command import stability
from servosim.commands.study_command import study
from servosim.commands.terminal import (
    DATA,
    FIGURES,
    AsJson,
    AxisName,
    SetValues,
    noting_interrupts,
    output_faults,
    print_json,
    seed_of,
    speaking,
    tell,
    write_or_say,
)
from servosim.commands.terminal import read_or_raise as _read
from servosim.commands.terminal import watching as _watching
from servosim.commands.tune_command import tune
from servosim.errors import Fault, ParameterError

if TYPE_CHECKING:
    from servosim.document import AxisFile

app = typer.Typer(
    name="servosim",
    help="Simulates a hydraulically driven positioning axis before anyone touches hardware.",
    epilog="Results are calculations, not a release to run; see the cautions in README.md.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def main() -> None:
    """Run the command line."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    app()


@app.command()
def move(
    file: AxisName,
    values: SetValues = None,
    as_json: AsJson = False,
    figure: Annotated[
        str | None,
        typer.Option(metavar="PATH", help="Write a figure of the move: .png, .svg or .pdf."),
    ] = None,
    data: Annotated[
        str | None, typer.Option(metavar="PATH", help="Write the traces: .nc (NetCDF) or .csv.")
    ] = None,
    seed: Annotated[
        str | None,
        typer.Option(metavar="NUMBER", help="Seed of the noise in place of the file's."),
    ] = None,
) -> None:
    """Simulate the move of a file and say how it went."""
    with speaking():
        faults = output_faults("--figure", figure, FIGURES)
        faults += output_faults("--data", data, DATA)
        number, more = seed_of(seed)
        faults += more
        on = not as_json and sys.stderr.isatty()
        with noting_interrupts() as interrupted, _watching(on) as show:
            axis = _read(file, values, faults)
            from servosim.simulate import simulate

            def progress(done: int, total: int) -> None:
                if interrupted():
                    raise KeyboardInterrupt
                show(done, total)

            progress(0, 0)
            run = simulate(axis, seed=number, on_failure="return", progress=progress)
        code = write_or_say(run, figure, data)
        code = max(tell(run, as_json), code)
    raise typer.Exit(code)


@app.command()
def check(
    file: AxisName,
    values: SetValues = None,
    of_requirement: Annotated[
        bool, typer.Option("--requirement", help="It is a requirement file, as size reads it.")
    ] = False,
) -> None:
    """Read a file and report every fault, or the numbers that follow from it."""
    with speaking():
        if of_requirement:
            typer.echo("\n".join(checked_requirement(file, values)))
            return
        axis = _read(file, values, [])
        from servosim.commands import move_summary
        from servosim.errors import ParameterError
        from servosim.simulate import rest_faults

        if faults := rest_faults(axis):
            raise ParameterError(faults)
        lines = [*move_summary.heading(axis), "", *move_summary.derived_lines(axis), ""]
        found = move_summary.warnings(axis)
        lines += [f"warning     {fault}" for fault in found]
        number = len(found)
        lines.append(f"no faults, {number or 'no'} warning{'' if number == 1 else 's'}")
        typer.echo("\n".join(lines))


@app.command()
def schema(
    table: Annotated[
        str | None, typer.Argument(metavar="[TABLE]", help="One table of the file.")
    ] = None,
    as_text: Annotated[
        bool, typer.Option("--text", help="Lines to read instead of a JSON Schema.")
    ] = False,
    of_requirement: Annotated[
        bool, typer.Option("--requirement", help="Of a requirement file, as size reads it.")
    ] = False,
) -> None:
    """Print what a parameter file may hold, as a JSON Schema."""
    with speaking():
        from servosim import params
        from servosim.document import AxisFile
        from servosim.sizing.requirement import RequirementFile

        kind = RequirementFile if of_requirement else AxisFile
        places = params.places_of(kind)
        if table is not None and table not in places:
            nearest = "".join(difflib.get_close_matches(table, places, 1))
            expected = f"one of {', '.join(places)}"
            raise ParameterError(Fault("", "", repr(table), "no such table", expected, nearest))
        if not as_text:
            whole = params.schema(kind)
            print_json(whole if table is None else whole["$defs"][places[table].kind.__name__])
            return
        for name in [table] if table else places:
            typer.echo(f"[{name}] {(places[name].kind.__doc__ or '').strip()}")
            for key, field in params.fields_of(places[name].kind).items():
                typer.echo(f"  {key}: {_described(field)}")


def _described(field: Any) -> str:
    """Return what a key is, may hold, and when it is read."""
    from servosim import params

    words = [params.describe(field)]
    if field.options:
        words.append(f"One of {', '.join(field.options)}.")
    words += [f"Read if {key} is {' or '.join(map(str, ones))}." for key, ones in field.when]
    return " ".join(words)


@app.command()
def diff(
    a: Annotated[str, typer.Argument(metavar="A", help="Parameter file.")],
    b: Annotated[str, typer.Argument(metavar="B", help="Parameter file.")],
) -> None:
    """Print where two files differ in value; another spelling of a value is no difference."""
    with speaking():
        from servosim import params

        files: list[AxisFile] = []
        faults: list[Fault] = []
        for name in (a, b):
            try:
                files.append(_read(name, None, []).file)
            except ParameterError as error:
                faults.extend(error.faults)
        if faults:
            raise ParameterError(faults)
        found = params.diff(*files)
        typer.echo("\n".join(map(str, found)) if found else "no difference in value")


def _show_version(value: bool) -> None:
    if value:
        from servosim.version import __version__

        typer.echo(f"servosim {__version__}")
        raise typer.Exit


app.command()(acceptance)
app.command()(budget)
app.command()(cycle)
app.command()(stability)
app.command()(tune)
app.command(cls=SizeCommand)(size)
app.command()(study)


@app.callback()
def _options(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_show_version, is_eager=True, help="Print the version."),
    ] = False,
) -> None:
    """Take the options that belong to no command."""
