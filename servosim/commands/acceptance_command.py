"""The command ``acceptance``: a positioning test, its figures and its verdict."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated

import typer

from servosim.commands.acceptance_run import Wish, simulate_test, tell, write
from servosim.commands.terminal import (
    FAILED,
    FIGURES,
    AsJson,
    SetValues,
    output_faults,
    print_json,
    seed_of,
    speaking,
    write_each,
)
from servosim.errors import Fault, ParameterError, UnitError

if TYPE_CHECKING:
    from servosim.positioning.judged import Judged

_SHEETS = (".txt", *FIGURES)
_TABLES = (".csv",)
_PRACTICES = ("2s", "3s")
_WIDTH_SIGNS = ("+-", "+/-", "\u00b1")


def acceptance(
    axis: Annotated[
        str | None,
        typer.Argument(
            metavar="AXIS", help="Parameter file of the axis on which the test is simulated."
        ),
    ] = None,
    values: SetValues = None,
    measured: Annotated[
        str | None,
        typer.Option(
            metavar="FILE",
            help="Evaluate a measured table instead, CSV with columns target [mm], direction "
            "(+ or -), run, deviation [um].",
        ),
    ] = None,
    as_json: AsJson = False,
    figure: Annotated[
        str | None,
        typer.Option(metavar="PATH", help="Write the plot of the test: .png, .svg or .pdf."),
    ] = None,
    sheet: Annotated[
        str | None,
        typer.Option(
            metavar="PATH",
            help="Write the results sheet: .txt, or .pdf, .png, .svg with the plot.",
        ),
    ] = None,
    data: Annotated[
        str | None,
        typer.Option(
            metavar="PATH",
            help="Write the deviations of the median machine, .csv, as --measured reads them.",
        ),
    ] = None,
    accuracy: Annotated[
        str | None,
        typer.Option(
            "--tolerance-accuracy",
            metavar="LENGTH",
            help="Largest bidirectional accuracy A: '25.4 um', or '+-12.7 um' for the same.",
        ),
    ] = None,
    repeatability: Annotated[
        str | None,
        typer.Option(
            "--tolerance-repeatability",
            metavar="LENGTH",
            help="Largest bidirectional repeatability R, such as '2.54 um'.",
        ),
    ] = None,
    tolerance: Annotated[
        list[str] | None,
        typer.Option(
            "--tolerance",
            metavar="SYMBOL=LENGTH",
            help="Largest size of another figure, such as 'B=5 um'; may be repeated.",
        ),
    ] = None,
    least_share: Annotated[
        str | None,
        typer.Option(
            metavar="PERCENT", help="Share of machines that must pass; 95 % if not given."
        ),
    ] = None,
    practice: Annotated[
        str,
        typer.Option(metavar="NAME", help="Bands of 2s, as ISO 230-2 has it since 2006, or 3s."),
    ] = "2s",
    position: Annotated[
        str | None,
        typer.Option(
            metavar="NAME",
            help="Which position the tolerances mean: unlocked, at rest in the loop, or locked.",
        ),
    ] = None,
    machines: Annotated[
        int | None,
        typer.Option(metavar="NUMBER", min=1, help="How many virtual machines; 200 if not given."),
    ] = None,
    machine: Annotated[
        int | None,
        typer.Option(metavar="NUMBER", min=0, help="Test this machine alone, such as the worst."),
    ] = None,
    runs: Annotated[
        int | None,
        typer.Option(metavar="NUMBER", min=1, help="Runs in each direction; 5, or 1 over 2000 mm."),
    ] = None,
    targets: Annotated[
        int | None,
        typer.Option(metavar="NUMBER", min=2, help="Targets; as many as the standard asks for."),
    ] = None,
    low: Annotated[
        str | None,
        typer.Option("--from", metavar="LENGTH", help="Low end of the measured length."),
    ] = None,
    high: Annotated[
        str | None, typer.Option("--to", metavar="LENGTH", help="High end of the measured length.")
    ] = None,
    supply: Annotated[
        str | None,
        typer.Option(
            metavar="NAME",
            help="Pressure from its envelope at each stop (the default), for each machine, or the "
            "file's: stop, machine, file.",
        ),
    ] = None,
    oil: Annotated[
        str | None,
        typer.Option(
            metavar="NAME",
            help="Oil warming through its envelope (the default), or the file's: warming, file.",
        ),
    ] = None,
    unknowns: Annotated[
        str | None,
        typer.Option(
            metavar="NAME",
            help="Workpiece, air, null bias, cyclic phase: drawn for each machine (the default), "
            "or as in the file: drawn, file.",
        ),
    ] = None,
    trim: Annotated[
        str | None,
        typer.Option(
            metavar="NAME",
            help="Null trim set anew for each machine's bias (the default), or the file's: anew, "
            "file.",
        ),
    ] = None,
    pause: Annotated[
        str | None,
        typer.Option(metavar="TIME", help="Rest at each target for the reading; 5 s if not given."),
    ] = None,
    warm_up: Annotated[
        str | None,
        typer.Option(
            metavar="TIME",
            help="For how long the oil had warmed before the test; 0 s if not given.",
        ),
    ] = None,
    friction_variation: Annotated[
        str | None,
        typer.Option(metavar="PERCENT", help="By how much friction differs between stops, +-."),
    ] = None,
    scale_warming: Annotated[
        str | None,
        typer.Option(
            metavar="KELVIN", help="By how much the scale warms over the test, such as '2 K'."
        ),
    ] = None,
    workers: Annotated[
        int | None, typer.Option(metavar="NUMBER", min=1, help="How many workers share the moves.")
    ] = None,
    seed: Annotated[
        str | None, typer.Option(metavar="NUMBER", help="Seed of the draws; 0 if not given.")
    ] = None,
) -> None:
    """Take a positioning test by ISO 230-2 on a simulated axis, or evaluate a measured one.

    Exit code 1 if a tolerance given is not kept.
    """
    texts = {
        "--position": position,
        "--from": low,
        "--to": high,
        "--supply": supply,
        "--oil": oil,
        "--unknowns": unknowns,
        "--trim": trim,
        "--pause": pause,
        "--warm-up": warm_up,
        "--friction-variation": friction_variation,
        "--scale-warming": scale_warming,
        "--least-share": least_share,
        "--data": data,
    }
    wish = Wish(texts, machines, machine, runs, targets, workers, values)
    with speaking():
        faults = output_faults("--figure", figure, FIGURES)
        faults += output_faults("--sheet", sheet, _SHEETS) + output_faults("--data", data, _TABLES)
        number, more = seed_of(seed)
        faults += more
        tolerances, more = _tolerances(accuracy, repeatability, tolerance)
        faults += more
        if practice not in _PRACTICES:
            expected = f"one of {', '.join(_PRACTICES)}"
            faults.append(Fault("--practice", "", "", f"{practice!r} is not known", expected))
        faults += _source_faults(axis, measured, wish)
        if axis is None or measured is not None:
            if faults:
                raise ParameterError([*faults, *_faults_of(measured)])
            found = _evaluated(str(measured), practice, tolerances, number or 0)
            code = _tell(found, as_json)
            code = max(code, _write(found, figure, sheet))
        else:
            made = simulate_test(
                axis,
                wish,
                practice=practice,
                tolerances=tolerances,
                seed=number or 0,
                faults=faults,
                quiet=as_json,
            )
            code = tell(made, as_json)
            code = max(code, write(made, figure, sheet, data))
    raise typer.Exit(code)


def _source_faults(axis: str | None, measured: str | None, wish: Wish) -> list[Fault]:
    """Return what is wrong with where the deviations come from."""
    if axis is not None and measured is not None:
        what = f"{axis!r} is given too; a measured table is evaluated by itself"
        return [Fault("--measured", "", "", what, "either an axis or a measured table")]
    if axis is None and measured is None:
        what = "there is nothing to evaluate"
        expected = "the file of an axis, or --measured FILE with a table of deviations"
        return [Fault("acceptance", "", "", what, expected)]
    if measured is None:
        return []
    what = "a measured table is evaluated as it is"
    return [Fault(one, "", "", what, "the option with an axis") for one in wish.given()]


def _faults_of(measured: str | None) -> tuple[Fault, ...]:
    """Return what is wrong with a measured table, to be told with the faults of the options."""
    if measured is None:
        return ()
    from servosim.positioning.measured import read_measured

    try:
        read_measured(measured)
    except ParameterError as error:
        return error.faults
    return ()


def _evaluated(path: str, practice: str, tolerances: dict[str, float], seed: int) -> Judged:
    """Return a measured table with everything that is said about it."""
    from servosim.positioning.judged import judge
    from servosim.positioning.measured import read_measured

    return judge(
        read_measured(path),
        name=path if path.isprintable() else ascii(path),
        title="measured deviations",
        practice=practice,
        tolerances=tolerances,
        seed=seed,
    )


def _tolerances(
    accuracy: str | None, repeatability: str | None, others: list[str] | None
) -> tuple[dict[str, float], list[Fault]]:
    """Return the tolerances by symbol, and what is wrong with them."""
    given: list[tuple[str, str, str | None]] = [
        ("--tolerance-accuracy", "A", accuracy),
        ("--tolerance-repeatability", "R", repeatability),
    ]
    faults = []
    for text in others or []:
        symbol, sign, size = (part.strip() for part in text.partition("="))
        if not sign:
            what = f"{text!r} is no tolerance of a figure"
            faults.append(Fault("--tolerance", "", "", what, "SYMBOL=LENGTH, such as 'B=5 um'"))
        else:
            given.append(("--tolerance", symbol, size))
    found: dict[str, float] = {}
    for option, symbol, length in given:
        if length is None:
            continue
        if symbol in found:
            what = f"the tolerance of {symbol} is given twice"
            faults.append(Fault(option, "", "", what, "one for each figure"))
        value, more = _tolerance(option, symbol, length)
        faults += more
        found[symbol] = value
    return found, faults


def _tolerance(option: str, symbol: str, text: str) -> tuple[float, list[Fault]]:
    """Return one tolerance [m], and what is wrong with it."""
    from servosim.positioning.verdicts import tolerance_faults
    from servosim.units import parse

    width, signs = 1.0, [one for one in _WIDTH_SIGNS if text.strip().startswith(one)]
    if signs:
        text, width = text.strip().removeprefix(signs[0]), 2.0
        if not symbol.startswith("A"):
            what = f"a tolerance to both sides is no limit for {symbol}"
            return 1.0, [Fault(option, "", "", what, "a length without +-")]
    try:
        value = width * parse(text, "um")
    except UnitError as error:
        return 1.0, [Fault(option, "", "", str(error))]
    return value, [
        Fault(option, "", "", one.what, one.expected) for one in tolerance_faults({symbol: value})
    ]


def _tell(found: Judged, as_json: bool) -> int:
    """Print a test and return its exit code."""
    from servosim.commands import acceptance_summary

    if as_json:
        print_json(acceptance_summary.as_json(found))
        lines = [*acceptance_summary.outcome(found), acceptance_summary.CAUTION]
    else:
        lines = acceptance_summary.summary(found)
    typer.echo("\n".join(lines), err=as_json)
    return FAILED if found.given and not found.met else 0


def _write(found: Judged, figure: str | None, sheet: str | None) -> int:
    """Write what was asked for; return 0, or 1 with a line on stderr if it could not be done."""
    steps: list[tuple[str, Callable[[str], None]]] = []
    if figure is not None:
        steps.append((figure, lambda path: _write_figure(found, path)))
    if sheet is not None:
        from servosim.commands.acceptance_run import write_sheet
        from servosim.commands.acceptance_summary import sheet as lines_of

        steps.append((sheet, lambda path: write_sheet(found, lines_of(found), path)))
    return write_each(steps)


def _write_figure(found: Judged, path: str) -> None:
    """Draw the test."""
    from servosim.acceptance_plots import plot_acceptance
    from servosim.plots import save_figure

    save_figure(plot_acceptance(found), path)
