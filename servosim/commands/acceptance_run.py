"""The simulated test of the command ``acceptance``: its options, its run, what is written."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import typer

from servosim.commands.terminal import (
    FAILED,
    INTERRUPTED,
    interruptible,
    print_json,
    read_or_raise,
    write_each,
)
from servosim.errors import Fault, ParameterError, SimulationError, UnitError

if TYPE_CHECKING:
    from servosim.axis import Axis
    from servosim.positioning.acceptance import Acceptance
    from servosim.positioning.judged import Judged
    from servosim.positioning.population import Simulated
    from servosim.positioning.scatter import Conditions

POSITIONS = ("unlocked", "locked")
_QUANTITIES = {  # option: unit
    "--from": "mm",
    "--to": "mm",
    "--pause": "s",
    "--warm-up": "s",
    "--friction-variation": "%",
    "--scale-warming": "K",
    "--least-share": "%",
}


@dataclass(frozen=True)
class Wish:
    """What was asked for of a simulated test, as the options state it; None if not given.

    Attributes
    ----------
    texts : mapping of str to str or None
        Options whose values are texts.
    machines, machine, runs, targets, workers : int or None
        Options whose values are numbers.
    values : list of str or None
        What ``--set`` was given.
    """

    texts: Mapping[str, str | None]
    machines: int | None
    machine: int | None
    runs: int | None
    targets: int | None
    workers: int | None
    values: list[str] | None

    def given(self) -> list[str]:
        """Return the options that were given."""
        numbers = {
            "--machines": self.machines,
            "--machine": self.machine,
            "--runs": self.runs,
            "--targets": self.targets,
            "--workers": self.workers,
            "--set": self.values,
        }
        return [name for name, value in (numbers | dict(self.texts)).items() if value is not None]


@dataclass(frozen=True)
class _Read:
    """The same, read."""

    numbers: dict[str, float]
    position: str
    conditions: Conditions


def simulate_test(
    file: str,
    wish: Wish,
    *,
    practice: str,
    tolerances: dict[str, float],
    seed: int,
    faults: list[Fault],
    quiet: bool,
) -> Simulated:
    """Return the test of the axis in a file.

    Parameters
    ----------
    file : str
        The file as the user named it.
    wish : Wish
        What was asked for.
    practice : str
        "2s" or "3s".
    tolerances : dict of str to float
        Largest sizes allowed [m] by symbol.
    seed : int
        Seed of targets, machines and noise.
    faults : list of Fault
        Faults of other options, told with those of the file.
    quiet : bool
        Whether nothing shows how far it is.

    Returns
    -------
    Simulated
        The test; of the machines that were finished if it was interrupted.

    Raises
    ------
    ParameterError
        If anything is wrong.
    """
    read, more = _read(wish)
    axis = read_or_raise(file, wish.values, [*faults, *more])
    from servosim.positioning.approaches import cycle_of

    ends = {"low": read.numbers.get("--from"), "high": read.numbers.get("--to")}
    cycle_of(axis, runs=wish.runs, targets=wish.targets, seed=seed, **ends)  # before it waits
    if read.position == "locked" and axis.file.lock.kind == axis.file.lock.brake == "none":
        what = "the axis has no lock"
        raise ParameterError(Fault("--position", "", "", what, "unlocked"))
    found = _run(axis, wish, read, ends, seed, quiet)
    from servosim.positioning.population import LEAST_SHARE, simulated

    try:
        return simulated(
            found,
            name=file if file.isprintable() else ascii(file),
            reading=read.position,
            practice=practice,
            tolerances=tolerances,
            least_share=read.numbers.get("--least-share", LEAST_SHARE),
        )
    except SimulationError as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(FAILED) from None


def _read(wish: Wish) -> tuple[_Read, list[Fault]]:
    """Return the options read, and what is wrong with them."""
    from servosim.positioning.scatter import Conditions
    from servosim.units import parse

    numbers: dict[str, float] = {}
    faults: list[Fault] = []
    for option, unit in _QUANTITIES.items():
        text = wish.texts.get(option)
        if text is None:
            continue
        try:
            numbers[option] = parse(text, unit)
        except UnitError as error:
            faults.append(Fault(option, "", "", str(error)))
    share = numbers.get("--least-share", 1.0)
    if not 0.0 < share <= 1.0:
        what = f"is {100.0 * share:g} %"
        faults.append(Fault("--least-share", "", "", what, "above 0 %, 100 % at most"))
    position = wish.texts.get("--position") or POSITIONS[0]
    if position not in POSITIONS:
        expected = f"one of {', '.join(POSITIONS)}"
        faults.append(Fault("--position", "", "", f"{position!r} is not known", expected))
    if wish.machine is not None and wish.machines is not None:
        what = "--machines is given too"
        faults.append(Fault("--machine", "", "", what, "one machine, or how many"))
    stated: dict[str, Any] = {
        key: wish.texts[option]
        for option, key in _CHOICES.items()
        if wish.texts.get(option) is not None
    }
    stated |= {key: numbers[option] for option, key in _NUMBERS.items() if option in numbers}
    try:
        conditions = Conditions(**stated)
    except ParameterError as error:
        names = {key: option for option, key in (_CHOICES | _NUMBERS).items()}
        faults += [
            Fault(names.get(one.key, one.key), "", "", one.what, one.expected)
            for one in error.faults
        ]
        conditions = Conditions()
    return _Read(numbers, position, conditions), faults


_CHOICES = {"--supply": "supply", "--oil": "oil", "--unknowns": "unknowns", "--trim": "trim"}
_NUMBERS = {
    "--pause": "pause",
    "--warm-up": "warm_up",
    "--friction-variation": "friction_variation",
    "--scale-warming": "scale_warming",
}


def _run(
    axis: Axis, wish: Wish, read: _Read, ends: dict[str, float | None], seed: int, quiet: bool
) -> Acceptance:
    """Take the tests, showing how far they are."""
    from servosim.positioning.acceptance import MACHINES, run_acceptance

    machines = [wish.machine] if wish.machine is not None else (wish.machines or MACHINES)
    with interruptible(not quiet and sys.stderr.isatty(), "simulating the first moves") as show:

        def progress(done: int, total: int) -> None:
            show(f"simulating, {done} of {total} moves", done, total)

        return run_acceptance(
            axis,
            machines=machines,
            runs=wish.runs,
            targets=wish.targets,
            low=ends["low"],
            high=ends["high"],
            seed=seed,
            conditions=read.conditions,
            workers=wish.workers or os.cpu_count() or 1,
            progress=progress,
        )


def tell(found: Simulated, as_json: bool) -> int:
    """Print a simulated test and return its exit code."""
    from servosim.commands import acceptance_simulated as words

    if as_json:
        from servosim.commands.acceptance_json import as_json as json_of

        print_json(json_of(found))
        lines = [*words.outcome(found), words.CAUTION]
    else:
        lines = words.summary(found)
    typer.echo("\n".join(lines), err=as_json)
    if found.acceptance.interrupted:
        return INTERRUPTED
    return FAILED if found.given and not found.met else 0


def write(found: Simulated, figure: str | None, sheet: str | None, data: str | None) -> int:
    """Write what was asked for; return 0, or 1 with a line on stderr if it could not be done."""
    steps: list[tuple[str, Callable[[str], None]]] = []
    if figure is not None:
        steps.append((figure, lambda path: _write_figure(found, path)))
    if sheet is not None:
        from servosim.commands.acceptance_simulated import sheet as lines_of

        steps.append((sheet, lambda path: write_sheet(found, lines_of(found), path)))
    if data is not None:
        steps.append((data, lambda path: _write_data(found, path)))
    return write_each(steps)


def _write_figure(found: Simulated, path: str) -> None:
    from servosim.acceptance_plots import plot_simulated
    from servosim.plots import save_figure

    save_figure(plot_simulated(found), path)


def write_sheet(found: Judged | Simulated, lines: Sequence[str], path: str) -> None:
    """Write the results sheet, as text or as a page with the plot.

    Parameters
    ----------
    found : Judged or Simulated
        The result.
    lines : sequence of str
        What the sheet says.
    path : str
        The file; ``.txt`` is text.
    """
    if path.lower().endswith(".txt"):
        from servosim.params._files import write_text

        write_text("\n".join([*lines, ""]), path)
        return
    from servosim.acceptance_plots import plot_sheet
    from servosim.plots import save_figure

    save_figure(plot_sheet(found, lines), path)


def _write_data(found: Simulated, path: str) -> None:
    """Write the deviations of the median machine as a table that ``--measured`` reads."""
    from servosim.commands.acceptance_json import table
    from servosim.params._files import write_text

    write_text("\n".join([*table(found), ""]), path)
