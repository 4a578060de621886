"""The command ``tune``: gains for an axis, and what limits them."""

from __future__ import annotations

import math
import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Any

import typer

from servosim.commands.terminal import (
    FAILED,
    FIGURES,
    INTERRUPTED,
    AsJson,
    AxisName,
    SetValues,
    duration,
    interruptible,
    output_faults,
    print_json,
    read_or_raise,
    same_file,
    seed_of,
    speaking,
    write_each,
)
from servosim.errors import Fault, ParameterError, UnitError

if TYPE_CHECKING:
    from servosim.axis import Axis
    from servosim.tuning.demands import Demands, Effort
    from servosim.tuning.result import Tuned

_PARAMETERS = (".toml",)
_EFFORTS: dict[str, dict[str, int]] = {
    "quick": {
        "population": 12,
        "generations": 6,
        "cases": 4,
        "seeds": 4,
        "rounds": 1,
        "trade_off": 5,
        "hardware": 0,
        "positions": 3,
    },
    "usual": {},
    "thorough": {"population": 36, "generations": 48, "cases": 16, "seeds": 40, "rounds": 5},
}


def tune(
    file: AxisName,
    values: SetValues = None,
    output: Annotated[
        str | None,
        typer.Option("--output", metavar="PATH", help="Write the file with its new values, .toml."),
    ] = None,
    as_json: AsJson = False,
    figure: Annotated[
        str | None,
        typer.Option(metavar="PATH", help="Write a page of plots: .png, .svg or .pdf."),
    ] = None,
    gain_margin: Annotated[
        str | None,
        typer.Option(metavar="DECIBELS", help="Least gain margin, such as 6 dB (the default)."),
    ] = None,
    phase_margin: Annotated[
        str | None,
        typer.Option(metavar="ANGLE", help="Least phase margin, such as 45 deg (the default)."),
    ] = None,
    overshoot: Annotated[
        str | None,
        typer.Option(
            metavar="LENGTH",
            help="Largest overshoot of the table; else the larger of one step of the transducer "
            "and a tenth of the window.",
        ),
    ] = None,
    resting_error: Annotated[
        str | None,
        typer.Option(
            metavar="LENGTH", help="Largest error at rest; else the half width of the window."
        ),
    ] = None,
    pressure: Annotated[
        str | None,
        typer.Option(
            metavar="PRESSURE",
            help="Highest pressure in a chamber; else 1.25 times the highest supply pressure.",
        ),
    ] = None,
    settling_time: Annotated[
        str | None,
        typer.Option(metavar="TIME", help="Longest time to settle; else as short as it gets."),
    ] = None,
    directions: Annotated[
        str,
        typer.Option(metavar="NAME", help="both, or own: the direction of the file's move alone."),
    ] = "both",
    stroke: Annotated[
        str | None,
        typer.Option(
            metavar="RANGE",
            help="Part of the stroke for which all this must hold, such as 100 mm to 500 mm; else "
            "as much around the file's move as leaves a gain of use.",
        ),
    ] = None,
    effort: Annotated[
        str, typer.Option(metavar="NAME", help="How much is tried: quick, usual or thorough.")
    ] = "usual",
    seed: Annotated[
        str | None, typer.Option(metavar="NUMBER", help="Seed of search and noise; 0 if not given.")
    ] = None,
    workers: Annotated[
        int | None, typer.Option(metavar="NUMBER", min=1, help="How many workers share the moves.")
    ] = None,
) -> None:
    """Propose gains from margins over the envelope and from simulated moves."""
    given = {
        "gain_margin": gain_margin,
        "phase_margin": phase_margin,
        "overshoot": overshoot,
        "resting_error": resting_error,
        "pressure": pressure,
        "settling_time": settling_time,
        "stroke": stroke,
    }
    with speaking():
        faults = output_faults("--output", output, _PARAMETERS)
        faults += output_faults("--figure", figure, FIGURES)
        if output is not None and same_file(file, output):
            what = f"{output!r} is the file that is read"
            faults.append(Fault("--output", "", "", what, "another name, to compare both"))
        number, more = seed_of(seed)
        faults += more
        if effort not in _EFFORTS:
            expected = f"one of {', '.join(_EFFORTS)}"
            faults.append(Fault("--effort", "", "", f"{effort!r} is not known", expected))
        demands, more = _demands(given, directions)
        faults += more
        axis = read_or_raise(file, values, faults)
        with _by_option():
            demands.of(axis)
        found = _tune(axis, demands, effort, number or 0, workers, not as_json)
        code = _tell(found, number or 0, as_json)
        code = max(code, _write_or_say(found, output, figure))
    raise typer.Exit(code)


def _demands(given: dict[str, str | None], directions: str) -> tuple[Demands, list[Fault]]:
    """Return what the options demand, and what is wrong with them."""
    from servosim.tuning.demands import Demands

    found: dict[str, Any] = {}
    faults = []
    for name, text in given.items():
        if text is None:
            continue
        try:
            found[name] = _READ[name](text)
        except (UnitError, ValueError) as error:
            faults.append(Fault(_option(name), "", "", str(error)))
    demands = Demands(**found, directions=directions)
    try:
        with _by_option():
            demands.check()
    except ParameterError as error:
        faults += error.faults
    return demands, faults


@contextmanager
def _by_option() -> Iterator[None]:
    """Name the option in the place of the demand that it states."""
    try:
        yield
    except ParameterError as error:
        raise ParameterError(
            [replace(one, file=_option(one.key), table="", key="") for one in error.faults]
        ) from None


def _option(name: str) -> str:
    return f"--{name.replace('_', '-')}"


def _decibels(text: str) -> float:
    """Return a ratio from a number of decibels."""
    number = text.strip().removesuffix("dB").strip()
    try:
        value = float(number)
    except ValueError:
        raise UnitError(f"{text!r} is no number of decibels; write such as '6 dB'") from None
    if not math.isfinite(value) or abs(value) > 200.0:
        raise UnitError(f"{text!r} is no gain margin; write such as '6 dB'")
    return float(10.0 ** (value / 20.0))


def _in(unit: str) -> Callable[[str], float]:
    """Return what reads a quantity of the dimension of a unit."""

    def read(text: str) -> float:
        from servosim.units import parse

        return parse(text, unit)

    return read


def _range(text: str) -> tuple[float, float]:
    """Return both ends of a range of positions."""
    low, word, high = text.partition(" to ")
    if not word:
        raise UnitError(f"{text!r} is no range; write such as '100 mm to 500 mm'")
    read = _in("mm")
    return read(low), read(high)


_READ: dict[str, Callable[[str], Any]] = {
    "gain_margin": _decibels,
    "phase_margin": _in("deg"),
    "overshoot": _in("um"),
    "resting_error": _in("um"),
    "pressure": _in("bar"),
    "settling_time": _in("s"),
    "stroke": _range,
}


def _tune(
    axis: Axis, demands: Demands, effort: str, seed: int, workers: int | None, show_it: bool
) -> Tuned:
    """Tune the axis, showing how far it is."""
    from servosim.tuning.demands import Effort
    from servosim.tuning.run import tune as run

    work: Effort = Effort(**_EFFORTS[effort])
    with interruptible(show_it and sys.stderr.isatty(), "reading the envelope") as show:
        clock = _Clock()

        def progress(stage: str, done: int, total: int) -> None:
            show(clock.text(stage, done, total), done, total)

        return run(
            axis,
            demands=demands,
            effort=work,
            seed=seed,
            workers=workers or os.cpu_count() or 1,
            progress=progress,
        )


class _Clock:
    """How long a stage still takes, by what it took so far."""

    def __init__(self, now: Callable[[], float] = time.monotonic) -> None:
        self._now = now
        self._stage = ""
        self._begin = 0.0
        self._first = 0

    def text(self, stage: str, done: int, total: int) -> str:
        """Return how far a stage is and how long it still takes, in words."""
        if stage != self._stage:
            self._stage, self._begin, self._first = stage, self._now(), done
        text = f"{stage}, {done} of {total}"
        fresh = done - self._first
        if fresh <= 0 or done >= total:
            return text
        left = (self._now() - self._begin) / fresh * (total - done)
        return f"{text}, {duration(left)} left"


def _tell(found: Tuned, seed: int, as_json: bool) -> int:
    """Print a tuning and return its exit code."""
    from servosim.commands import tune_summary

    if as_json:
        print_json(tune_summary.as_json(found, seed))
        lines = [*tune_summary.outcome(found), *found.cautions]
    else:
        lines = tune_summary.summary(found)
    typer.echo("\n".join(lines), err=as_json)
    if found.interrupted:
        return INTERRUPTED
    return 0 if found.feasible else FAILED


def _write_or_say(found: Tuned, output: str | None, figure: str | None) -> int:
    """Write what was asked for; return 0, or 1 with a line on stderr if it could not be done."""
    steps: list[tuple[str, Callable[[str], None]]] = []
    if output is not None:
        steps.append((output, lambda path: _write_file(found, path)))
    if figure is not None:
        steps.append((figure, lambda path: _write_figure(found, path)))
    code = write_each(steps)
    if output is not None and code == 0 and not found.feasible:
        typer.echo(f"beware: {output} does not meet every demand; its head says which", err=True)
    return code


def _write_file(found: Tuned, path: str) -> None:
    """Write the tuned file; its head says where it holds, or that it doesn't meet the demands."""
    from servosim.commands.tune_summary import head_lines
    from servosim.params._files import write_text

    write_text("\n".join([*head_lines(found), "", found.text()]), path)


def _write_figure(found: Tuned, path: str) -> None:
    """Draw the tuning on a page."""
    from servosim.plots import save_figure
    from servosim.tune_plots import plot_tuning

    save_figure(plot_tuning(found), path)
