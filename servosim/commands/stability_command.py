"""The command ``stability``: what the linear loop of an axis says, and what the simulation does."""

from __future__ import annotations

import difflib
import os
import sys
from functools import partial
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
    speaking,
    write_each,
)
from servosim.errors import Fault, ParameterError, UnitError

if TYPE_CHECKING:
    from servosim.axis import Axis
    from servosim.stability import Stability

_KINDS = ("page", "bode", "nyquist", "nichols", "locus", "stiffness", "stroke", "envelope")
_MOST_POSITIONS = 1001


def stability(
    file: AxisName,
    values: SetValues = None,
    position: Annotated[
        str | None,
        typer.Option(metavar="LENGTH", help="Where the table stands; else the move's target."),
    ] = None,
    positions: Annotated[
        int,
        typer.Option(metavar="NUMBER", help="Positions along the stroke for the envelope."),
    ] = 11,
    as_json: AsJson = False,
    figure: Annotated[
        str | None, typer.Option(metavar="PATH", help="Write plots: .png, .svg or .pdf.")
    ] = None,
    kind: Annotated[
        str, typer.Option(metavar="NAME", help=f"With --figure: one of {', '.join(_KINDS)}.")
    ] = "page",
    workers: Annotated[
        int | None, typer.Option(metavar="NUMBER", min=1, help="How many workers share the points.")
    ] = None,
) -> None:
    """Put formulas, exact linear loop and simulation side by side: gains, margins, limit cycles."""
    with speaking():
        faults = output_faults("--figure", figure, FIGURES)
        at, more = _position(position)
        faults += more + _kind_faults(kind, figure)
        if not 1 <= positions <= _MOST_POSITIONS:
            expected = f"1 to {_MOST_POSITIONS}"
            faults.append(Fault("--positions", "", "", f"{positions} positions", expected))
        axis = read_or_raise(file, values, faults)
        found = _found(axis, at, positions, workers, not as_json)
        code = _tell(found, as_json)
        if figure is not None:
            code = max(code, write_each([(figure, partial(_write_figure, found, kind))]))
    raise typer.Exit(code)


def _position(text: str | None) -> tuple[float | None, list[Fault]]:
    """Return the position in a text, and what is wrong with it."""
    if text is None:
        return None, []
    from servosim.units import parse

    try:
        return parse(text, "mm"), []
    except UnitError as error:
        return None, [Fault("--position", "", "", str(error))]


def _kind_faults(kind: str, figure: str | None) -> list[Fault]:
    """Return what is wrong with the kind of the figure."""
    if kind not in _KINDS:
        nearest = "".join(difflib.get_close_matches(kind, _KINDS, 1))
        expected = f"one of {', '.join(_KINDS)}"
        return [Fault("--kind", "", "", f"{kind!r} is no plot", expected, nearest)]
    if kind != "page" and figure is None:
        return [Fault("--kind", "", "", "no figure is written", "--figure PATH with it")]
    return []


def _found(
    axis: Axis, position: float | None, positions: int, workers: int | None, show_it: bool
) -> Stability:
    """Work everything out, showing how far it is."""
    from servosim.stability import stability as work

    with interruptible(show_it and sys.stderr.isatty(), "reading the envelope") as show:

        def progress(stage: str, done: int, total: int) -> None:
            show(stage, max(done, 1), total)

        try:
            return work(
                axis,
                position,
                positions=positions,
                workers=workers or os.cpu_count() or 1,
                progress=progress,
            )
        except ParameterError as error:
            raise ParameterError([_at_the_file(one, axis) for one in error.faults]) from None


def _at_the_file(fault: Fault, axis: Axis) -> Fault:
    """Return a fault with the file it belongs to."""
    from dataclasses import replace

    return fault if fault.file else replace(fault, file=axis.path)


def _tell(found: Stability, as_json: bool) -> int:
    """Print what was found and return the exit code."""
    if as_json:
        from servosim.commands.move_summary import CAUTION
        from servosim.commands.stability_json import as_json as plain

        print_json(plain(found))
        typer.echo(CAUTION, err=True)
    else:
        from servosim.commands.stability_summary import summary

        typer.echo("\n".join(summary(found)))
    return 0


def _write_figure(found: Stability, kind: str, path: str) -> None:
    """Draw what was found on a page."""
    from servosim.linear_plots import plot_stability
    from servosim.plots import save_figure

    save_figure(plot_stability(found, kind), path)
