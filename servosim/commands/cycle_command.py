"""The command ``cycle``: a list of positions run as one, its table, totals and stops."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated, NamedTuple

import typer

from servosim.commands.terminal import (
    FAILED,
    FIGURES,
    INTERRUPTED,
    AsJson,
    AxisName,
    SetValues,
    noting_interrupts,
    output_faults,
    print_json,
    progress_bar,
    read_or_raise,
    seed_of,
    speaking,
    write_each,
)
from servosim.errors import Fault, ParameterError, UnitError

if TYPE_CHECKING:
    from servosim.axis import Axis
    from servosim.commands.cycle_compare import Way
    from servosim.commands.cycle_summary import Found
    from servosim.cycles.positions import PositionList
    from servosim.cycles.result import Stop

_OVERRUN = "1 mm"
_ORDERS = ("file", "travel")
_APPROACHES = ("any", "+", "-")


class _Source(NamedTuple):
    """Where the positions come from."""

    path: str | None
    typed: list[str]
    units: dict[str, str]


def cycle(
    file: AxisName,
    positions: Annotated[
        str | None,
        typer.Argument(metavar="LIST", help="List of positions, CSV; or --target instead."),
    ] = None,
    target: Annotated[
        list[str] | None,
        typer.Option(
            metavar="LENGTH",
            help="A target in the place of a list, '412.5 mm', or with a sign a distance from the "
            "one before, '+12.7 mm'; may be repeated.",
        ),
    ] = None,
    values: SetValues = None,
    start: Annotated[
        str | None,
        typer.Option(metavar="LENGTH", help="Where the axis begins; else the file's move.start."),
    ] = None,
    order: Annotated[
        str, typer.Option(metavar="NAME", help="file: as the list has it, or travel: the least.")
    ] = "file",
    approach: Annotated[
        str, typer.Option(metavar="SIDE", help="any: as the list asks, or + or - for all.")
    ] = "any",
    overrun: Annotated[
        str,
        typer.Option(
            metavar="LENGTH", help="How far beyond a target to turn for the other approach."
        ),
    ] = _OVERRUN,
    unit: Annotated[
        list[str] | None,
        typer.Option(
            metavar="COLUMN=UNIT",
            help="Unit of a column whose heading has none, such as target=mm; may be repeated.",
        ),
    ] = None,
    compare: Annotated[
        bool, typer.Option("--compare", help="Run every order and approach, side by side.")
    ] = False,
    stops: Annotated[
        bool, typer.Option("--stops", help="Simulate stops in the middle of the longest move.")
    ] = False,
    as_json: AsJson = False,
    whole: Annotated[
        bool, typer.Option("--all", help="Show every position, however long the list.")
    ] = False,
    output: Annotated[
        str | None,
        typer.Option(metavar="PATH", help="Write the table of all positions, SI units: .csv."),
    ] = None,
    data: Annotated[
        str | None,
        typer.Option(metavar="PATH", help="Write table and traces over the cycle: .nc (NetCDF)."),
    ] = None,
    figure: Annotated[
        str | None,
        typer.Option(metavar="PATH", help="Write the timeline of the cycle: .png, .svg or .pdf."),
    ] = None,
    stop_figure: Annotated[
        str | None,
        typer.Option(metavar="PATH", help="Write the stops as plots: .png, .svg or .pdf."),
    ] = None,
    seed: Annotated[
        str | None,
        typer.Option(metavar="NUMBER", help="Seed of the noise in place of the file's."),
    ] = None,
) -> None:
    """Run a list of positions as one continuous cycle and say how it went."""
    with speaking():
        outputs = {
            "--output": (output, (".csv",)),
            "--data": (data, (".nc",)),
            "--figure": (figure, FIGURES),
            "--stop-figure": (stop_figure, FIGURES),
        }
        faults = _output_faults(outputs, (file, positions))
        number, more = seed_of(seed)
        faults += [*more, *_choice("--order", order, _ORDERS)]
        faults += _choice("--approach", approach, _APPROACHES)
        stated, more = _units(unit, positions is not None)
        source = _Source(positions, target or [], stated)
        faults += [*more, *_source_faults(source)]
        places = {"--start": start, "--overrun": overrun}
        axis, found, read = _read(file, values, source, places, faults)
        from servosim.commands.cycle_compare import Way

        way = Way(order, approach, found["--start"], found["--overrun"])
        wanted = _Wanted(compare, stops or stop_figure is not None, not as_json)
        done = _run(axis, read, way, number, wanted)
        code = _tell(done, as_json, whole)
        code = max(code, _write(done, output, data, figure, stop_figure))
    raise typer.Exit(code)


class _Wanted(NamedTuple):
    """What is worked out beside the cycle, and whether progress is shown."""

    compare: bool
    stops: bool
    show: bool


def _choice(option: str, text: str, known: tuple[str, ...]) -> list[Fault]:
    if text in known:
        return []
    return [Fault(option, "", "", f"{text!r} is not known", f"one of {', '.join(known)}")]


def _output_faults(
    outputs: dict[str, tuple[str | None, tuple[str, ...]]], read: tuple[str | None, ...]
) -> list[Fault]:
    """Return why a file could not be written, or must not."""
    faults = []
    seen: dict[str, str] = {}
    for option, (path, suffixes) in outputs.items():
        if path is None:
            continue
        faults += output_faults(option, path, suffixes)
        place = os.path.realpath(path)
        if any(one is not None and os.path.realpath(one) == place for one in read):
            faults.append(Fault(option, "", "", f"{path!r} is read", "another name"))
        if place in seen:
            what = f"{path!r} is written by {seen[place]} too"
            faults.append(Fault(option, "", "", what, "another name"))
        seen.setdefault(place, option)
    return faults


def _units(given: list[str] | None, has_list: bool) -> tuple[dict[str, str], list[Fault]]:
    """Return the units stated for columns without one, and what is wrong with them."""
    from servosim.cycles._columns import KINDS, folded, near, unit_fault

    found: dict[str, str] = {}
    faults = []
    numeric = [name for name, kind in KINDS.items() if kind.unit]
    if given and not has_list:
        faults.append(Fault("--unit", "", "", "there is no list", "a list beside it"))
    for text in given or []:
        name, sign, unit = (part.strip() for part in text.partition("="))
        column = folded(name)
        wrong, nearest = "", ""
        expected = "a column and its unit, such as 'target=mm'"
        if not sign or not unit:
            wrong = f"{text!r} states no unit"
        elif column not in numeric:
            wrong, expected = f"{name!r} is no column of numbers", f"one of {', '.join(numeric)}"
            nearest = near(column, tuple(numeric))
        elif column in found:
            wrong, expected = f"{column} is stated twice", "one unit for it"
        elif fault := unit_fault(unit, KINDS[column]):
            wrong, expected = fault, f"a unit such as '{column}={KINDS[column].unit}'"
        if wrong:
            faults.append(Fault("--unit", "", "", wrong, expected, nearest))
        else:
            found[column] = unit
    return found, faults


def _source_faults(source: _Source) -> list[Fault]:
    """Return what is wrong with where the positions come from."""
    if source.path is None and not source.typed:
        return [Fault("", "", "LIST", "no positions", "a list, or targets with --target")]
    if source.path is not None and source.typed:
        what = f"targets beside the list {source.path!r}"
        return [Fault("--target", "", "", what, "a list or targets, not both")]
    return []


def _read(
    file: str,
    values: list[str] | None,
    source: _Source,
    places: dict[str, str | None],
    faults: list[Fault],
) -> tuple[Axis, dict[str, float], PositionList]:
    """Return axis, start and overrun [m], and list, or raise with every fault of all of them."""
    try:
        axis = read_or_raise(file, values, [])
    except ParameterError as error:
        raise ParameterError([*faults, *error.faults]) from None
    found = _lengths(axis, places, faults)
    read: PositionList | None = None
    if (source.path is None) != (not source.typed):
        try:
            read = _positions(axis, source, found["--start"])
        except ParameterError as error:
            faults = [*faults, *error.faults]
    if faults or read is None:
        raise ParameterError(faults)
    return axis, found, read


def _lengths(axis: Axis, places: dict[str, str | None], faults: list[Fault]) -> dict[str, float]:
    """Return start and overrun [m], and add what is wrong with them to the faults."""
    from servosim.units import format_quantity, parse

    stroke = axis.parameters.cylinder.L
    found = {"--start": axis.file.move.start, "--overrun": parse(_OVERRUN, "mm")}
    for option, text in places.items():
        if text is None:
            continue
        try:
            value = parse(text, "mm")
        except (UnitError, ValueError) as error:
            faults.append(Fault(option, "", "", str(error)))
            continue
        lowest = value > 0.0 if option == "--overrun" else value >= 0.0
        if lowest and value <= stroke:
            found[option] = value
            continue
        end = f"{format_quantity(stroke, 'mm')}, the stroke"
        expected = f"more than 0 mm, at most {end}" if option == "--overrun" else f"0 mm to {end}"
        faults.append(Fault(option, "", "", f"{text!r} cannot be", expected))
    return found


def _positions(axis: Axis, source: _Source, start: float) -> PositionList:
    """Return the positions, from a list or typed by hand."""
    stroke = axis.parameters.cylinder.L
    if source.path is not None:
        from servosim.cycles.positions import read_positions

        return read_positions(source.path, stroke=stroke, start=start, units=source.units)
    from servosim.cycles.typed import typed_positions

    return typed_positions(source.typed, stroke=stroke, start=start)


def _run(axis: Axis, read: PositionList, way: Way, seed: int | None, wanted: _Wanted) -> Found:
    """Run the list in the way asked for, then what is wanted beside it."""
    from servosim.commands.cycle_compare import Variant, arranged, compared
    from servosim.commands.cycle_summary import Found
    from servosim.cycles.cycle import run_cycle
    from servosim.cycles.stops import run_stops

    made = arranged(read, way, axis.parameters.cylinder.L)
    on = wanted.show and sys.stderr.isatty()
    with noting_interrupts() as interrupted, progress_bar(on) as show:

        def progress(name: str, done: int, n: int) -> None:
            if interrupted():
                raise KeyboardInterrupt
            show(f"{name}: position {done} of {n}", done, n)

        cycle = run_cycle(
            axis,
            made,
            start=way.start,
            seed=seed,
            overrun=way.overrun,
            progress=lambda done, n: progress("cycle", done, n),
        )
        variants: list[Variant] = []
        stops: tuple[Stop, ...] = ()
        missing: list[str] = []
        if cycle.interrupted and (wanted.compare or wanted.stops):
            missing.append("comparison and stops: interrupted before them")
        if wanted.compare and not cycle.interrupted:
            variants = compared(axis, read, Variant(way, made, cycle), seed=seed, progress=progress)
        if wanted.stops and not interrupted():
            try:
                stops = run_stops(axis, made, start=way.start, seed=seed)
            except ParameterError as error:
                missing.append(f"stops: {error}")
        elif wanted.stops and not cycle.interrupted:
            missing.append("stops: interrupted before them")
    return Found(read, way, cycle, tuple(variants), stops, tuple(missing))


def _tell(found: Found, as_json: bool, whole: bool) -> int:
    """Print a cycle and return its exit code."""
    from servosim.commands import cycle_summary
    from servosim.cycles.result import COMPLETE
    from servosim.result import Status

    if as_json:
        from servosim.commands.cycle_json import as_json as values_of

        print_json(values_of(found))
        lines = [*cycle_summary.outcome(found), cycle_summary.CAUTION]
    else:
        lines = cycle_summary.summary(found, whole=whole)
    typer.echo("\n".join(lines), err=as_json)
    cut = [one.cycle for one in found.variants if one.cycle is not None]
    if any(one.interrupted for one in [found.cycle, *cut]):
        return INTERRUPTED
    failed = any(one.run.status != Status.COMPLETE for one in found.stops)
    return FAILED if found.cycle.status != COMPLETE or found.missing or failed else 0


def _write(
    found: Found,
    output: str | None,
    data: str | None,
    figure: str | None,
    stop_figure: str | None,
) -> int:
    """Write what was asked for; return 0, or 1 with a line on stderr if it could not be done."""
    cycle = found.cycle
    steps: list[tuple[str, Callable[[str], object]]] = []
    code = 0
    if cycle.done:
        for path, step in ((output, cycle.write_csv), (data, cycle.write_netcdf)):
            if path is not None:
                steps.append((path, step))
        if figure is not None:
            steps.append((figure, lambda path: _draw_cycle(found, path)))
    elif output or data or figure:
        typer.echo("no position was done that could be written", err=True)
        code = FAILED
    if stop_figure is not None and found.stops:
        steps.append((stop_figure, lambda path: _draw_stops(found, path)))
    elif stop_figure is not None:
        typer.echo(f"not written: {stop_figure}, there are no stops", err=True)
        code = FAILED
    return max(code, write_each(steps))


def _draw_cycle(found: Found, path: str) -> None:
    """Draw the cycle on a page."""
    from servosim.cycle_plots import plot_cycle
    from servosim.plots import save_figure

    save_figure(plot_cycle(found.cycle), path)


def _draw_stops(found: Found, path: str) -> None:
    """Draw the stops on a page."""
    from servosim.cycle_plots import plot_stops
    from servosim.plots import save_figure

    save_figure(plot_stops(found.stops), path)
