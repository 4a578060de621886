"""The command ``budget``: every cause of error, ranked, with what would halve it."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING, Annotated

import typer

from servosim.commands.terminal import (
    FIGURES,
    AsJson,
    AxisName,
    SetValues,
    interruptible,
    output_faults,
    print_json,
    read_or_raise,
    seed_of,
    speaking,
    write_each,
)
from servosim.errors import Fault, UnitError

if TYPE_CHECKING:
    from servosim.axis import Axis
    from servosim.positioning.budget import Budget

_SHEETS = (".txt",)
_POSITIONS = ("unlocked", "locked")


def budget(
    file: AxisName,
    values: SetValues = None,
    as_json: AsJson = False,
    figure: Annotated[
        str | None,
        typer.Option(metavar="PATH", help="Write a figure of the budget: .png, .svg or .pdf."),
    ] = None,
    sheet: Annotated[
        str | None, typer.Option(metavar="PATH", help="Write the sheet of the budget: .txt.")
    ] = None,
    position: Annotated[
        str | None,
        typer.Option(
            metavar="NAME",
            help="Which position is meant: locked, if the axis has a lock (the default), or "
            "unlocked, at rest in the loop.",
        ),
    ] = None,
    workpiece_temperature: Annotated[
        str | None,
        typer.Option(
            metavar="TEMPERATURE",
            help="Workpiece while it is drilled, such as '25 degC'; 20 degC if not given.",
        ),
    ] = None,
    workers: Annotated[
        int | None, typer.Option(metavar="NUMBER", min=1, help="How many workers share the moves.")
    ] = None,
    seed: Annotated[
        str | None,
        typer.Option(metavar="NUMBER", help="Seed of noise, machines and draws; 0 if not given."),
    ] = None,
) -> None:
    """Say what each cause of error costs at the tool, by formula and by simulation."""
    with speaking():
        faults = output_faults("--figure", figure, FIGURES)
        faults += output_faults("--sheet", sheet, _SHEETS)
        number, more = seed_of(seed)
        faults += more
        if position is not None and position not in _POSITIONS:
            expected = f"one of {', '.join(_POSITIONS)}"
            faults.append(Fault("--position", "", "", f"{position!r} is not known", expected))
        warm, more = _temperature(workpiece_temperature)
        axis = read_or_raise(file, values, faults + more)
        found = _run(axis, position, warm, number or 0, workers, as_json)
        name = file if file.isprintable() else ascii(file)
        if as_json:
            from servosim.commands.budget_json import as_json as json_of

            print_json(json_of(found, name))
        else:
            from servosim.commands.budget_summary import summary

            typer.echo("\n".join(summary(found, name)))
        code = _write(found, name, figure, sheet)
    raise typer.Exit(code)


def _temperature(text: str | None) -> tuple[float | None, list[Fault]]:
    """Return the temperature in a text [K], and what is wrong with it."""
    if text is None:
        return None, []
    from servosim.units import parse

    option = "--workpiece-temperature"
    try:
        value = parse(text, "degC")
    except UnitError as error:
        return None, [Fault(option, "", "", str(error))]
    if not 253.15 <= value <= 373.15:
        what = f"is {value - 273.15:g} degC"
        return None, [Fault(option, "", "", what, "-20 degC to 100 degC")]
    return value, []


def _run(
    axis: Axis,
    position: str | None,
    warm: float | None,
    seed: int,
    workers: int | None,
    quiet: bool,
) -> Budget:
    """Compute the budget, showing how far it is."""
    from servosim.positioning.budget import run_budget

    with interruptible(not quiet and sys.stderr.isatty(), "simulating the first moves") as show:

        def progress(done: int, total: int) -> None:
            show(f"simulating, {100 * done // max(total, 1)} %", done, total)

        return run_budget(
            axis,
            reading=position,
            workpiece_temperature=warm,
            seed=seed,
            workers=workers or os.cpu_count() or 1,
            progress=progress,
        )


def _write(found: Budget, name: str, figure: str | None, sheet: str | None) -> int:
    """Write what was asked for; return 0, or 1 with a line on stderr if it could not be done."""

    def write_figure(path: str) -> None:
        from servosim.budget_plots import plot_budget
        from servosim.plots import save_figure

        save_figure(plot_budget(found, name), path)

    def write_sheet(path: str) -> None:
        from servosim.commands.budget_summary import sheet as sheet_of
        from servosim.params._files import write_text

        write_text("\n".join([*sheet_of(found, name), ""]), path)

    steps = [(figure, write_figure), (sheet, write_sheet)]
    return write_each((path, step) for path, step in steps if path is not None)
