"""What the commands share: faults in words, interrupts, progress, the files and text of a run.

Faults of a file or of an option go to stderr, one a line, with exit code 2; a run that did not
reach its end gives exit code 1, an interruption 130.
"""

from __future__ import annotations

import json
import os
import signal
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from servosim.errors import Fault, ParameterError, ServosimError, StudyError

if TYPE_CHECKING:
    from servosim.axis import Axis
    from servosim.result import Run

FAILED, REFUSED, INTERRUPTED = 1, 2, 130
FIGURES = (".png", ".svg", ".pdf")
DATA = (".nc", ".csv")
LARGEST_SEED = 2**31 - 1
COMPILING = "compiling the kernels, once for this version on this machine"

# arguments and options that several commands have
AxisName = Annotated[str, typer.Argument(metavar="FILE", help="Parameter file of the axis, TOML.")]
SetValues = Annotated[
    list[str] | None,
    typer.Option(
        "--set",
        metavar="TABLE.KEY=VALUE",
        help="A value in place of the file's, as the file would state it; may be repeated.",
    ),
]
AsJson = Annotated[
    bool, typer.Option("--json", help="Print one JSON object, SI units, and nothing else.")
]


@contextmanager
def speaking() -> Iterator[None]:
    """Turn what a user can mend into lines on stderr and an exit code."""
    try:
        yield
    except StudyError as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(FAILED) from None
    except ServosimError as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(REFUSED) from None
    except BrokenPipeError:
        raise
    except OSError as error:  # such as a full disk behind the output
        with suppress(OSError):
            typer.echo(f"the output could not be written: {error.strerror or error}", err=True)
        raise typer.Exit(FAILED) from None
    except KeyboardInterrupt as stop:
        typer.echo(str(stop) or "interrupted; nothing was written", err=True)
        raise typer.Exit(INTERRUPTED) from None


def output_faults(option: str, path: str | None, suffixes: tuple[str, ...]) -> list[Fault]:
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


def same_file(a: str, b: str) -> bool:
    """Return whether two paths name one file."""
    try:
        return os.path.samefile(a, b)
    except OSError:
        return False


def overrides(given: list[str] | None) -> tuple[dict[str, str], list[Fault]]:
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


def read_or_raise(file: str, given: list[str] | None, faults: list[Fault]) -> Axis:
    """Return the axis of a file, or raise with every fault of options and file.

    Parameters
    ----------
    file : str
        The file as the user named it.
    given : list of str or None
        What ``--set`` was given.
    faults : list of Fault
        Faults of other options, which are told with those of the file.

    Returns
    -------
    Axis
        The axis.

    Raises
    ------
    ParameterError
        If anything is wrong.
    """
    from servosim.axis import read_axis

    values, more = overrides(given)
    found = [*more, *faults]
    try:
        axis = read_axis(file, values)
    except ParameterError as error:
        raise ParameterError([*found, *error.faults]) from None
    if found:
        raise ParameterError(found)
    return axis


def seed_of(text: str | None) -> tuple[int | None, list[Fault]]:
    """Return the seed in a text, and what is wrong with it."""
    if text is None:
        return None, []
    if text.isascii() and text.isdecimal() and len(text) < 20 and int(text) <= LARGEST_SEED:
        return int(text), []
    expected = f"a whole number from 0 to {LARGEST_SEED}"
    return None, [Fault("--seed", "", "", f"{text!r} is no seed", expected)]


def write_each(steps: Iterable[tuple[str, Callable[[str], Any]]]) -> int:
    """Write what was asked for, each file by its own step, and say which were written.

    Parameters
    ----------
    steps : iterable of (str, callable)
        Path, and what writes a file there.

    Returns
    -------
    int
        0, or ``FAILED`` with a line on stderr for each file that could not be written.
    """
    code = 0
    for path, step in steps:
        try:
            step(path)
            typer.echo(f"written: {path}", err=True)
        except (OSError, ServosimError) as error:
            typer.echo(f"not written: {error}", err=True)
            code = FAILED
    return code


def duration(seconds: float) -> str:
    """Return a time as people say it.

    Parameters
    ----------
    seconds : float
        The time [s].

    Returns
    -------
    str
        In its largest two units.

    Examples
    --------
    >>> duration(42.4), duration(200.0), duration(9000.0)
    ('42 s', '3 min 20 s', '2 h 30 min')
    """
    whole = max(round(seconds), 0)
    minutes, rest = divmod(whole, 60)
    hours, minutes_left = divmod(minutes, 60)
    if hours:
        return f"{hours} h {minutes_left} min"
    return f"{minutes} min {rest} s" if minutes else f"{rest} s"


def is_compiled() -> bool:
    """Return whether the kernels of many cases lie in the cache, so that none need compiling."""
    from servosim._jit import cache_folder

    folder = cache_folder()
    return folder is not None and any(folder.rglob("_integrate.run_lanes-*.nbi"))


@contextmanager
def progress_bar(on: bool) -> Iterator[Callable[[str, int, int], None]]:
    """Show on a terminal what takes time: compiling the kernels, and then how far the work is."""
    if not on:
        # without a terminal one line says why nothing comes for a while
        waiting = threading.Timer(2.0, lambda: typer.echo(COMPILING, err=True))
        waiting.daemon = True
        waiting.start()
        try:
            yield lambda text, done, total: waiting.cancel() if done > 0 else None
        finally:
            waiting.cancel()
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn

    columns = (SpinnerColumn(), TextColumn("{task.description}"), BarColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("reading the file", total=None)
        timer = threading.Timer(2.0, lambda: bar.update(task, description=COMPILING))
        timer.daemon = True
        timer.start()

        def show(text: str, done: int, total: int) -> None:
            if done > 0:
                timer.cancel()
                bar.update(task, description=text, completed=done, total=total)

        try:
            yield show
        finally:
            timer.cancel()


@contextmanager
def watching(on: bool) -> Iterator[Callable[[int, int], None]]:
    """Show on a terminal how far a move is, if it takes time."""
    with progress_bar(on) as show:
        yield lambda done, total: show(f"simulating, sample {done} of {total}", done, total)


@contextmanager
def interruptible(on: bool, first: str = "") -> Iterator[Callable[[str, int, int], None]]:
    """Show how far work is; after Ctrl-C it is broken off where it next tells that.

    Parameters
    ----------
    on : bool
        Whether a bar is shown.
    first : str, optional
        What is said until the work tells something, if nothing needs compiling.

    Yields
    ------
    callable
        Takes a text, what is done and how much there is; raises KeyboardInterrupt after Ctrl-C.
    """
    with noting_interrupts() as interrupted, progress_bar(on) as show:
        if first and is_compiled():
            show(first, 1, 10**9)

        def tell_progress(text: str, done: int, total: int) -> None:
            if interrupted():
                raise KeyboardInterrupt
            show(text, done, total)

        yield tell_progress


@contextmanager
def noting_interrupts() -> Iterator[Callable[[], bool]]:
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


def print_json(value: Mapping[str, Any]) -> None:
    """Print strict JSON."""
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


def write_or_say(run: Run, figure: str | None, data: str | None) -> int:
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


def tell(run: Run, as_json: bool) -> int:
    """Print a run and return the exit code that its status stands for."""
    from servosim.commands import move_summary
    from servosim.result import Status

    if as_json:
        print_json(move_summary.as_json(run))
        lines = [*move_summary.outcome(run), move_summary.CAUTION]
    else:
        lines = [*move_summary.heading(run.axis), *move_summary.outcome(run), ""]
        lines += [*move_summary.metric_lines(run), "", move_summary.CAUTION]
    typer.echo("\n".join(lines), err=as_json)
    codes = {Status.COMPLETE: 0, Status.INTERRUPTED: INTERRUPTED}
    return codes.get(run.status, FAILED)
