"""The command ``study``: many cases of one axis, and what they say."""

from __future__ import annotations

import difflib
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from servosim.commands.terminal import (
    DATA,
    FAILED,
    FIGURES,
    AsJson,
    duration,
    interruptible,
    output_faults,
    print_json,
    speaking,
    tell,
    write_each,
    write_or_say,
)
from servosim.errors import Fault, ParameterError

if TYPE_CHECKING:
    from servosim.studies.plan import Plan
    from servosim.studies.result import StudyResult
    from servosim.studies.run import Progress
    from servosim.studies.store import Store

_PARAMETERS = (".toml",)


def study(
    file: Annotated[
        str,
        typer.Argument(
            metavar="STUDY", help="Study file, TOML; or the folder of a finished study."
        ),
    ],
    output: Annotated[
        str | None,
        typer.Option(
            "--output",
            metavar="FOLDER",
            help="Keep finished cases in this folder; the same command then goes on there.",
        ),
    ] = None,
    workers: Annotated[
        int | None, typer.Option(metavar="NUMBER", min=1, help="How many workers share the cases.")
    ] = None,
    dask: Annotated[
        str | None,
        typer.Option(
            metavar="ADDRESS", help="Let a dask cluster work: its scheduler's address, or local."
        ),
    ] = None,
    figures: Annotated[
        list[str] | None,
        typer.Option(
            "--figure",
            metavar="PATH",
            help="Write a page of plots: .png, .svg or .pdf; may be repeated.",
        ),
    ] = None,
    metrics: Annotated[
        list[str] | None,
        typer.Option(
            "--metric",
            metavar="NAME",
            help="A figure of the move to plot, in place of those with limits; may be repeated.",
        ),
    ] = None,
    data: Annotated[
        str | None,
        typer.Option(metavar="PATH", help="Write the figures of all cases: .nc (NetCDF)."),
    ] = None,
    case: Annotated[
        int | None, typer.Option(metavar="NUMBER", help="Run one case alone, as move does.")
    ] = None,
    write: Annotated[
        str | None,
        typer.Option(metavar="PATH", help="With --case: write its parameter file, .toml, instead."),
    ] = None,
    worst: Annotated[
        str | None, typer.Option(metavar="NAME", help="List the worst cases of this figure.")
    ] = None,
    as_json: AsJson = False,
    fresh: Annotated[
        bool, typer.Option("--fresh", help="Begin anew where the folder holds another study.")
    ] = False,
) -> None:
    """Simulate the cases of a study file and say how they went."""
    with speaking():
        faults = [
            fault for one in figures or [] for fault in output_faults("--figure", one, FIGURES)
        ]
        faults += output_faults("--data", data, DATA if case is not None else DATA[:1])
        faults += output_faults("--write", write, _PARAMETERS)
        faults += _metric_faults("--worst", [worst] if worst is not None else [])
        faults += _metric_faults("--metric", metrics or [])
        faults += _pairing_faults(case, write, output, fresh, dask, figures, Path(file).is_dir())
        if case is not None:
            code = _one_case(_plan(file, faults), case, write, figures, data, as_json)
        elif Path(file).is_dir():
            code = _report(_opened(file, faults), file, figures, metrics, data, worst, as_json)
        else:
            plan = _plan(file, faults)
            result = _run(plan, output, workers, dask, fresh, not as_json and sys.stderr.isatty())
            code = _report(result, file, figures, metrics, data, worst, as_json)
    raise typer.Exit(code)


def _metric_faults(option: str, names: list[str]) -> list[Fault]:
    """Return which names are no figures."""
    if not names:
        return []
    from servosim._definitions import DEFINITIONS

    return [
        Fault(
            option, "", "", f"{name!r} is no figure of a move", "a name that servosim move prints",
            "".join(difflib.get_close_matches(name, DEFINITIONS, 1)),
        )
        for name in names
        if name not in DEFINITIONS
    ]  # fmt: skip


def _pairing_faults(
    case: int | None,
    write: str | None,
    output: str | None,
    fresh: bool,
    dask: str | None,
    figures: list[str] | None,
    finished: bool,
) -> list[Fault]:
    """Return which options have nothing to act on."""
    faults = []
    if write is not None and case is None:
        faults.append(Fault("--write", "", "", "no case is chosen", "--case NUMBER with it"))
    if case is not None and len(figures or []) > 1:
        faults.append(Fault("--figure", "", "", "several figures of one case", "one figure"))
    idle = case is not None or finished
    why = "one case is not kept" if case is not None else "the study is finished"
    for option, given in (("--output", output), ("--dask", dask), ("--fresh", fresh or None)):
        if given is not None and idle:
            faults.append(Fault(option, "", "", why, "the option without it"))
    if output is not None and not idle:
        from servosim.studies.store import store_path

        try:
            store_path(output)
        except ParameterError as error:
            faults += [replace(one, table="", key="--output") for one in error.faults]
    if fresh and output is None and not idle:
        faults.append(Fault("--fresh", "", "", "no folder is given", "--output FOLDER with it"))
    return faults


def _plan(file: str, faults: list[Fault]) -> Plan:
    """Return the plan of a study, or raise with every fault of options and file."""
    try:
        if Path(file).is_dir():
            plan = _folder(file).plan
        else:
            from servosim.studies.files import read_study

            plan = read_study(file)
    except ParameterError as error:
        raise ParameterError([*faults, *error.faults]) from None
    if faults:
        raise ParameterError(faults)
    return plan


def _folder(path: str) -> Store:
    """Return the store in a folder; say so if another servosim computed it."""
    from servosim.studies.store import open_store

    store = open_store(path)
    if store.fingerprint != store.plan.fingerprint:
        text = f"{path}: computed by servosim {store.version} with other equations; a case that is "
        typer.echo(f"{text}run again now may differ", err=True)
    return store


def _opened(folder: str, faults: list[Fault]) -> StudyResult:
    """Return the result that a folder holds."""
    from servosim.studies.result import StudyResult

    if faults:
        raise ParameterError(faults)
    store = _folder(folder)
    return StudyResult(store.plan, store)


def _one_case(
    plan: Plan,
    case: int,
    write: str | None,
    figures: list[str] | None,
    data: str | None,
    as_json: bool,
) -> int:
    """Write the parameter file of one case, or run it; return the exit code."""
    if write is not None:
        from servosim._whole_file import whole_file

        text = plan.case_file(case)
        with whole_file(write) as beside:
            beside.write_text(text, encoding="utf-8", newline="\n")
        typer.echo(f"written: {write}", err=True)
        return 0
    from servosim.simulate import simulate

    on = not as_json and sys.stderr.isatty()
    with interruptible(on) as show:
        axis = plan.case_axis(case)

        def progress(done: int, total: int) -> None:
            show(f"simulating, sample {done} of {total}", done, total)

        run = simulate(axis, tolerance=plan.tolerance, on_failure="return", progress=progress)
    code = write_or_say(run, figures[0] if figures else None, data)
    return max(tell(run, as_json), code)


def _run(
    plan: Plan, output: str | None, workers: int | None, dask: str | None, fresh: bool, on: bool
) -> StudyResult:
    """Run the cases, showing how far they are."""
    from servosim.studies.run import study as run_study

    with interruptible(on, "simulating the first cases") as show:

        def progress(state: Progress) -> None:
            show(_progress_text(state), state.done, state.total)

        return run_study(
            plan, store=output, executor=dask, workers=workers, fresh=fresh, progress=progress
        )


def _progress_text(state: Progress) -> str:
    """Return how far a study is, in words."""
    text = f"simulating, {state.done} of {state.total} cases"
    if state.failed:
        text += f", {state.failed} failed"
    if state.left is not None and state.done < state.total:
        text += f", {duration(state.left)} left"
    return text


def _report(
    result: StudyResult,
    name: str,
    figures: list[str] | None,
    metrics: list[str] | None,
    data: str | None,
    worst: str | None,
    as_json: bool,
) -> int:
    """Write what was asked for and print a summary; return the exit code."""
    from servosim.commands import study_summary
    from servosim.commands.move_summary import CAUTION

    if as_json:
        print_json(study_summary.as_json(result, name, worst))
        typer.echo(CAUTION, err=True)
    else:
        lines = [*study_summary.heading(name, result.plan)]
        lines += study_summary.summary(result, name, worst)
        typer.echo("\n".join(lines))
    code = _write_or_say(result, figures or [], metrics, data)
    failed = sum(one.count for one in result.failures)
    return max(code, FAILED if failed == len(result) else 0)


def _write_or_say(
    result: StudyResult, figures: list[str], metrics: list[str] | None, data: str | None
) -> int:
    """Write what was asked for; return 0, or 1 with a line on stderr if it could not be done."""
    steps: list[tuple[str, Any]] = []
    if data is not None:
        steps.append((data, result.write_netcdf))
    if figures:
        from servosim.plots import save_figure
        from servosim.study_plots import plot_study

        for path in figures:
            steps.append((path, lambda path: save_figure(plot_study(result, metrics), path)))
    return write_each(steps)
