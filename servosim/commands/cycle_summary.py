"""What the command line says of a cycle for people.

Pure functions of a result; nothing is printed or written here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from servosim import units
from servosim._lines import columns, wrapped
from servosim.axis import Axis
from servosim.commands.cycle_compare import Variant, Way
from servosim.commands.cycle_statistics import statistics
from servosim.commands.cycle_stop_text import stop_lines
from servosim.commands.cycle_table import number_text, position_lines, statistic_lines, time_lines
from servosim.commands.move_summary import shown, table, warnings
from servosim.cycles.positions import PositionList
from servosim.cycles.result import COMPLETE, Cycle, Stop

CAUTION = (
    "Calculated, not a release to run: isolate and bleed before work on the hydraulics, start at "
    "low pressure and low gain, try a list without tool and workpiece first, and heed the cautions "
    "in README.md."
)


_ERRORS = ("locked, mean", "s", "worst", "worst under thrust")


@dataclass(frozen=True)
class Found:
    """All that was worked out for one call of the command.

    Parameters
    ----------
    positions : PositionList
        The list as it was read.
    way : Way
        Order and approach in which it was run.
    cycle : Cycle
        The run.
    variants : tuple of Variant
        Other ways, if they were asked for.
    stops : tuple of Stop
        Stops, if they were asked for.
    missing : tuple of str
        What was asked for and could not be worked out, and why.
    """

    positions: PositionList
    way: Way
    cycle: Cycle
    variants: tuple[Variant, ...] = ()
    stops: tuple[Stop, ...] = ()
    missing: tuple[str, ...] = ()


def summary(found: Found, *, whole: bool = False) -> list[str]:
    """Return everything that is said about a cycle.

    Parameters
    ----------
    found : Found
        What was worked out.
    whole : bool
        Whether the table has all positions, however many.

    Returns
    -------
    list of str
        The lines.
    """
    cycle = found.cycle
    lines = [*heading(cycle.axis, found), "", *outcome(found), ""]
    for part in (
        position_lines(cycle, whole=whole),
        statistic_lines(cycle),
        time_lines(cycle),
        total_lines(cycle),
        comparison_lines(found.variants),
        stop_lines(found.stops),
    ):
        lines += [*part, ""] if part else []
    return [*lines, *wrapped(CAUTION, "")]


def heading(axis: Axis, found: Found) -> list[str]:
    """Return the lines that say which list is run on which axis.

    Parameters
    ----------
    axis : Axis
        The axis.
    found : Found
        The list, its order and approach.

    Returns
    -------
    list of str
        File, list, control totals as they were checked, notes.
    """
    read, run = found.positions, found.cycle.positions
    targets = [one.target for one in read.positions]
    name = read.path or "targets typed by hand"
    lines = [axis.path, f"  {axis.file.title}", ""]
    lines += wrapped(f"{name}{': ' if read.title else ''}{read.title}", "list        ")
    count = f"1 position at {mm(targets[0])}"
    if len(targets) > 1:
        count = f"{len(targets)} positions from {mm(min(targets))} to {mm(max(targets))}"
    lines += wrapped(
        f"{count}; the axis begins at "
        f"{mm(found.way.start)}, the window is +-{shown(axis.file.window.half_width, 'm')}",
        " " * 12,
    )
    if found.way.order != "file" or found.way.approach != "any":
        lines += wrapped(found.way.name, "run as      ")
    overruns = sum(one.overrun for one in run.positions)
    if overruns:
        lines += wrapped(
            f"{_points(overruns)} run through first, "
            f"{mm(found.way.overrun)} beyond a target, to approach it from the side asked for",
            "overruns    ",
        )
    lines += total_check_lines(read)
    for note in dict.fromkeys([*read.notes, *run.notes]):
        lines += wrapped(note, "note        ")
    return lines


def mm(value: float) -> str:
    """Return a position in millimetres with all its figures.

    Parameters
    ----------
    value : float
        Position [m].

    Returns
    -------
    str
        Such as "412.5 mm".
    """
    return f"{units.convert(float(value), 'mm'):.9g} mm"


def total_check_lines(read: PositionList) -> list[str]:
    """Return the control totals with which a list was found to agree.

    Parameters
    ----------
    read : PositionList
        The list as it was read.

    Returns
    -------
    list of str
        Empty for targets typed by hand.
    """
    if not read.path:
        return []
    if not read.totals:
        return wrapped("the list carries none: nothing guards against a slip", "totals      ")
    said = ", ".join(f"{one.column} {one.written} {one.unit}".rstrip() for one in read.totals)
    return wrapped(f"the list agrees with its control totals: {said}", "totals      ")


def outcome(found: Found) -> list[str]:
    """Return how a cycle ended and what deserves attention.

    Parameters
    ----------
    found : Found
        What was worked out.

    Returns
    -------
    list of str
        Status, what happened and at which line first, warnings of the file.
    """
    cycle = found.cycle
    message = cycle.message
    if cycle.status == COMPLETE and cycle.totals["rate"] > 0.0:
        through = cycle.totals["overruns"]
        if through:
            message += f" {_points(int(through))} run through besides."
        message += f" That is {3600.0 * cycle.totals['rate']:.0f} positions an hour."
    lines = wrapped(f"{cycle.status.upper()}: {message}", "status      ")
    moves = "moves" if cycle.totals["overruns"] else "positions"  # of an overrun too
    for one in cycle.warnings:
        where = (
            f"at {one.count} of {cycle.done} {moves}, first at line {one.line} ({one.time:.1f} s)"
        )
        lines += wrapped(f"{one.kind.replace('_', ' ')} {where}: {one.sentence}", "event       ")
    for fault in warnings(cycle.axis):
        lines += wrapped(str(fault), "warning     ")
    for text in found.missing:
        lines += wrapped(text, "not done    ")
    return lines


def _points(number: int) -> str:
    """Return how many points there are, as the beginning of a sentence."""
    return f"{number} point is" if number == 1 else f"{number} points are"


def total_lines(cycle: Cycle) -> list[str]:
    """Return the totals of a cycle but for its time.

    Parameters
    ----------
    cycle : Cycle
        The cycle.

    Returns
    -------
    list of str
        Travel, energy, flow, pressures, temperatures.
    """
    if not cycle.done:
        return []
    t = cycle.totals
    chambers = f"{shown(t['pressure_min'], 'Pa')} to {shown(t['pressure_max'], 'Pa')}"
    begin, end = (units.convert(t[f"tank_temperature_{one}"], "degC") for one in ("begin", "end"))
    rows = [
        ("travel", f"{t['travel']:.4g} m"),
        ("energy from the pump", f"{shown(t['energy'], 'J')}, mean {shown(t['power_mean'], 'W')}"),
        ("work on the piston", shown(t["work"], "J")),
        ("heat into the oil", f"{shown(t['heat'], 'J')}, mean {shown(t['heat_mean'], 'W')}"),
        ("oil drawn", shown(t["drawn_volume"], "m3")),
        ("flow", f"mean {shown(t['flow_mean'], 'm3/s')}, peak {shown(t['flow_peak'], 'm3/s')}"),
        ("lowest supply pressure", shown(t["supply_pressure_min"], "Pa")),
        ("chamber pressures", chambers),
        ("oil in the tank", f"{begin:.1f} degC at the beginning, {end:.1f} degC at the end"),
    ]
    if t["unsettled"]:
        rows.append(("locked before they settled", f"{t['unsettled']:.0f} positions"))
    return ["totals", *table(rows)]


def comparison_lines(variants: Sequence[Variant]) -> list[str]:
    """Return orders and approaches side by side.

    Parameters
    ----------
    variants : sequence of Variant
        The ways in which the list was run.

    Returns
    -------
    list of str
        A line for each way, and why one could not be run.
    """
    if not variants:
        return []
    rows: list[Sequence[str]] = [
        ("orders and approaches", "time", "per", "travel", "energy", *_ERRORS),
        ("  s of the locked error: standard deviation", "s", "hour", "m", "kJ", *["um"] * 4),
    ]
    reasons = []
    for one in variants:
        if one.cycle is None:
            rows.append((f"  {one.way.name}", "impossible", *["-"] * 7))
            reasons.append(f"{one.way.name}: impossible, {one.reason}")
            continue
        cells = _variant_cells(one.cycle)
        if one.cycle.status != COMPLETE:  # what a part of the list took compares with nothing
            cells = [one.cycle.status, *["-"] * 7]
        rows.append((f"  {one.way.name}", *cells))
        if one.same:
            reasons.append(f"{one.way.name}: the same as {one.same}")
        elif one.cycle.status != COMPLETE:
            reasons.append(f"{one.way.name}: {one.cycle.message}")
    lines = columns(rows, "")
    for reason in reasons:
        lines += wrapped(reason, "  ")
    return lines


def _variant_cells(cycle: Cycle) -> list[str]:
    t, found = cycle.totals, statistics(cycle)
    cells = [f"{t['cycle_time']:.1f}", f"{3600.0 * t['rate']:.0f}"]
    cells += [f"{t['travel']:.3f}", f"{t['energy'] / 1e3:.4g}"]
    locked = found.get("error_locked")
    means = ("-", "-")
    if locked is not None:
        means = (number_text(locked.mean, "um", 2), number_text(locked.deviation, "um", 2))
    worst = [number_text(t[name], "um", 2) for name in ("error_locked", "error_under_thrust")]
    return [*cells, *means, *worst]
