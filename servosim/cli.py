"""The command line: read files, call one function, write files.

Everything heavy is imported inside the commands, so that ``servosim --help`` answers at once.
Faults of a file or of an option go to stderr, one a line, with exit code 2; a run that did not
reach its end gives exit code 1, an interruption 130.
"""

from __future__ import annotations

import difflib
import json
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from servosim.errors import Fault, ParameterError, ServosimError

if TYPE_CHECKING:
    from servosim.axis import Axis
    from servosim.document import AxisFile
    from servosim.result import Run

FAILED, REFUSED, INTERRUPTED = 1, 2, 130
FIGURES = (".png", ".svg", ".pdf")
DATA = (".nc", ".csv")
_LARGEST_SEED = 2**31 - 1
_COMPILING = "compiling the kernels, once for this version on this machine"

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

_File = Annotated[str, typer.Argument(metavar="FILE", help="Parameter file of the axis, TOML.")]
_Set = Annotated[
    list[str] | None,
    typer.Option(
        "--set",
        metavar="TABLE.KEY=VALUE",
        help="A value in place of the file's, as the file would state it; may be repeated.",
    ),
]


def main() -> None:
    """Run the command line."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    app()


@contextmanager
def _speaking() -> Iterator[None]:
    """Turn what a user can mend into lines on stderr and an exit code."""
    try:
        yield
    except ServosimError as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(REFUSED) from None
    except BrokenPipeError:
        raise
    except OSError as error:  # such as a full disk behind the output
        with suppress(OSError):
            typer.echo(f"the output could not be written: {error.strerror or error}", err=True)
        raise typer.Exit(FAILED) from None
    except KeyboardInterrupt:
        typer.echo("interrupted; nothing was written", err=True)
        raise typer.Exit(INTERRUPTED) from None


def _overrides(given: list[str] | None) -> tuple[dict[str, str], list[Fault]]:
    """Return the values of ``--set`` by path, and what is wrong with how they are written."""
    values: dict[str, str] = {}
    faults = []
    for text in given or []:
        path, sign, value = (part.strip() for part in text.partition("="))
        if not sign or not path:
            what = f"{text!r} is not a value for a key"
            faults.append(Fault("--set", "", "", what, "table.key=VALUE"))
        elif path in values:
            faults.append(Fault("--set", "", "", f"{path} is given twice", "one value for it"))
        else:
            values[path] = value
    return values, faults


def _seed(text: str | None) -> tuple[int | None, list[Fault]]:
    """Return the seed in a text, and what is wrong with it."""
    if text is None:
        return None, []
    if text.isascii() and text.isdecimal() and len(text) < 20 and int(text) <= _LARGEST_SEED:
        return int(text), []
    expected = f"a whole number from 0 to {_LARGEST_SEED}"
    return None, [Fault("--seed", "", "", f"{text!r} is no seed", expected)]


def _output_faults(option: str, path: str | None, suffixes: tuple[str, ...]) -> list[Fault]:
    """Return why a file could not be written."""
    if path is None:
        return []
    name, file = path, Path(path)
    folder = file.absolute().parent

    def refuse(what: str, expected: str) -> list[Fault]:
        return [Fault(option, "", "", what, expected)]

    if file.suffix.lower() not in suffixes:
        return refuse(f"{name!r} has no known suffix", " or ".join(suffixes))
    if file.is_dir():
        return refuse(f"{name!r} is a folder", "the path of a file")
    if not folder.is_dir():
        return refuse(f"the folder of {name!r} does not exist", "a folder that exists")
    if not os.access(folder, os.W_OK):
        return refuse(f"the folder of {name!r} cannot be written", "a folder that can be written")
    return []


def _read(file: str, given: list[str] | None, faults: list[Fault]) -> Axis:
    """Return the axis, or raise with every fault of options and file."""
    from servosim.axis import read_axis

    values, more = _overrides(given)
    found = [*more, *faults]
    try:
        axis = read_axis(file, values)
    except ParameterError as error:
        raise ParameterError([*found, *error.faults]) from None
    if found:
        raise ParameterError(found)
    return axis


@contextmanager
def _watching(on: bool) -> Iterator[Callable[[int, int], None]]:
    """Show on a terminal what takes time: compiling the kernels, and the samples of a long move."""
    if not on:
        # without a terminal one line says why nothing comes for a while
        waiting = threading.Timer(2.0, lambda: typer.echo(_COMPILING, err=True))
        waiting.daemon = True
        waiting.start()
        try:
            yield lambda done, total: waiting.cancel() if done > 0 else None
        finally:
            waiting.cancel()
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn

    columns = (SpinnerColumn(), TextColumn("{task.description}"), BarColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("reading the file", total=None)
        timer = threading.Timer(2.0, lambda: bar.update(task, description=_COMPILING))
        timer.daemon = True
        timer.start()

        def show(done: int, total: int) -> None:
            if done > 0:
                timer.cancel()
                text = f"simulating, sample {done} of {total}"
                bar.update(task, description=text, completed=done, total=total)

        try:
            yield show
        finally:
            timer.cancel()


@contextmanager
def _noting_interrupts() -> Iterator[Callable[[], bool]]:
    """Note Ctrl-C instead of raising wherever the program happens to be; a second one ends it."""
    if threading.current_thread() is not threading.main_thread():
        yield lambda: False
        return
    noted: list[int] = []

    def note(number: int, frame: object) -> None:
        if noted:
            os._exit(INTERRUPTED)  # nothing is being written while interrupts are noted
        noted.append(number)
        typer.echo("\nstopping; once more to stop at once", err=True)

    before = signal.signal(signal.SIGINT, note)
    try:
        yield lambda: bool(noted)
    finally:
        signal.signal(signal.SIGINT, before)


def _print_json(value: Mapping[str, Any]) -> None:
    typer.echo(json.dumps(value, indent=2, allow_nan=False, ensure_ascii=False))


def _write(run: Run, figure: str | None, data: str | None) -> list[str]:
    """Write what was asked for and return the paths written."""
    written = []
    if data is not None:
        from servosim.traces import write_csv, write_netcdf

        (write_csv if data.lower().endswith(".csv") else write_netcdf)(run, data)
        written.append(data)
    if figure is not None:
        from servosim.plots import plot_move, save_figure

        save_figure(plot_move(run), figure)
        written.append(figure)
    return written


def _write_or_say(run: Run, figure: str | None, data: str | None) -> int:
    """Write what was asked for; return 0, or 1 with a line on stderr if it could not be done."""
    if (figure or data) and len(run.time) < 2:
        typer.echo("nothing was computed that could be written", err=True)
        return FAILED
    try:
        for path in _write(run, figure, data):
            typer.echo(f"written: {path}", err=True)
    except (OSError, ServosimError) as error:
        typer.echo(f"not written: {error}", err=True)
        return FAILED
    return 0


@app.command()
def move(
    file: _File,
    values: _Set = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print one JSON object, SI units, and nothing else.")
    ] = False,
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
    with _speaking():
        faults = _output_faults("--figure", figure, FIGURES)
        faults += _output_faults("--data", data, DATA)
        number, more = _seed(seed)
        faults += more
        on = not as_json and sys.stderr.isatty()
        with _noting_interrupts() as interrupted, _watching(on) as show:
            axis = _read(file, values, faults)
            from servosim.simulate import simulate

            def progress(done: int, total: int) -> None:
                if interrupted():
                    raise KeyboardInterrupt
                show(done, total)

            progress(0, 0)
            run = simulate(axis, seed=number, on_failure="return", progress=progress)
        code = _write_or_say(run, figure, data)
        code = max(_tell(run, as_json), code)
    raise typer.Exit(code)


def _tell(run: Run, as_json: bool) -> int:
    """Print a run and return the exit code that its status stands for."""
    from servosim import _summary
    from servosim.result import Status

    if as_json:
        _print_json(_summary.as_json(run))
        lines = [*_summary.outcome(run), _summary.CAUTION]
    else:
        lines = [*_summary.heading(run.axis), *_summary.outcome(run), ""]
        lines += [*_summary.metric_lines(run), "", _summary.CAUTION]
    typer.echo("\n".join(lines), err=as_json)
    codes = {Status.COMPLETE: 0, Status.INTERRUPTED: INTERRUPTED}
    return codes.get(run.status, FAILED)


@app.command()
def check(file: _File, values: _Set = None) -> None:
    """Read a file and report every fault, or the numbers that follow from it."""
    with _speaking():
        axis = _read(file, values, [])
        from servosim import _summary
        from servosim.errors import ParameterError
        from servosim.simulate import rest_faults

        if faults := rest_faults(axis):
            raise ParameterError(faults)
        lines = [*_summary.heading(axis), "", *_summary.derived_lines(axis), ""]
        found = _summary.warnings(axis)
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
) -> None:
    """Print what a parameter file may hold, as a JSON Schema."""
    with _speaking():
        from servosim import params
        from servosim.document import AxisFile

        places = params.places_of(AxisFile)
        if table is not None and table not in places:
            nearest = "".join(difflib.get_close_matches(table, places, 1))
            expected = f"one of {', '.join(places)}"
            raise ParameterError(Fault("", "", repr(table), "no such table", expected, nearest))
        if not as_text:
            whole = params.schema(AxisFile)
            _print_json(whole if table is None else whole["$defs"][places[table].kind.__name__])
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
    with _speaking():
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


@app.callback()
def _options(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_show_version, is_eager=True, help="Print the version."),
    ] = False,
) -> None:
    """Take the options that belong to no command."""
