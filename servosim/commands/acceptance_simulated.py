"""What the command line says of a positioning test simulated on many virtual machines.

Pure functions of a result; nothing is printed or written here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from servosim import units
from servosim._lines import columns, wrapped
from servosim._practical import percentage
from servosim.commands.acceptance_causes import cause_lines, notes
from servosim.commands.acceptance_summary import (
    NAMES,
    counted,
    figure_lines,
    micrometres,
    target_lines,
)
from servosim.positioning.evaluation import SYMBOLS
from servosim.positioning.machines import unknowns_of
from servosim.positioning.population import LEVEL, PERCENT, Passing, Simulated

CAUTION = (
    "These are calculations with the data of the file, not a release to run. Straightness, angles "
    "and warming of the machine, wear, the instrument and its alignment are not in them."
)
_WORDS = {
    "unlocked": "the unlocked position: the loop holds the table, which has come to rest",
    "locked": "the locked position: just after the lock is confirmed closed by the file's sequence",
}
_HEAD = "SIMULATED POSITIONING TEST, cycle and figures by the definitions of ISO 230-2"


def summary(found: Simulated) -> list[str]:
    """Return everything that is said about a simulated test.

    Parameters
    ----------
    found : Simulated
        The result.

    Returns
    -------
    list of str
        How it was taken, verdict, figures of all machines, what was drawn, the median and the worst
        machine, notes and caution.
    """
    lines = [*heading(found), "", *outcome(found), "", *distribution_lines(found), ""]
    lines += [*passing_lines(found), "", *worst_lines(found), "", *cause_lines(found), ""]
    number = int(found.population.numbers[found.population.median])
    one = len(found.acceptance.tested) == 1
    which = "the machine" if one else "the median machine"
    lines += [f"test of {which}, number {number}; intervals by drawing its runs anew"]
    lines += ["", *figure_lines(found.median), "", *target_lines(found.median.evaluation), ""]
    for note in notes(found):
        lines += wrapped(note, "note        ")
    return [*lines, *wrapped(CAUTION, "caution     ")]


def sheet(found: Simulated) -> list[str]:
    """Return the results sheet: the summary under its name, with the version.

    Parameters
    ----------
    found : Simulated
        The result.

    Returns
    -------
    list of str
        The lines; there is nothing to sign, because no machine was tested.
    """
    from servosim.version import __version__

    return [_HEAD, "", *summary(found), "", f"servosim {__version__}"]


def heading(found: Simulated) -> list[str]:
    """Return what was simulated and how.

    Parameters
    ----------
    found : Simulated
        The result.

    Returns
    -------
    list of str
        File, title, cycle, which position is judged.
    """
    a = found.acceptance
    x = a.cycle.targets
    ends = [f"{units.convert(float(end), 'mm'):.7g} mm" for end in (x[0], x[-1])]
    lines = [found.name] + ([f"  {a.axis.file.title}"] if a.axis.file.title else [])
    text = (
        f"{counted(len(a.tested), 'virtual machine')} with seed {a.seed}, "
        f"{counted(len(x), 'target')} from {ends[0]} to {ends[1]}, "
        f"{counted(a.cycle.runs, 'run')} in each direction"
    )
    lines += ["", *wrapped(text, "simulated   ")]
    text = _WORDS[found.reading]
    if others := [one for one in a.readings if one != found.reading]:
        text += f"; the {others[0]} one stands beside, --position {others[0]} judges that"
    lines += wrapped(text, "judged      ")
    k = f"{found.median.evaluation.factor:g}"
    lines += wrapped(f"mean +-{k} s, s with n - 1", "bands       ")
    return lines


def outcome(found: Simulated) -> list[str]:
    """Return the verdict in words.

    Parameters
    ----------
    found : Simulated
        The result.

    Returns
    -------
    list of str
        The lines.
    """
    people, um = found.population, micrometres(found.median)
    limits = [f"{symbol} {um(limit, exact=True)}" for symbol, limit in people.limits.items()]
    passing = people.passing
    if passing is None:
        lacking = [symbol for symbol in people.limits if symbol not in people.each]
        text = f"{' and '.join(lacking)} {'is' if len(lacking) == 1 else 'are'} not evaluated on a "
        text += "long axis"
        head = "NO VERDICT" if found.given else "none, no tolerance was given"
        return wrapped(f"{head}: {text}", "verdict     ")
    if passing.machines == 1:
        kept = "the machine keeps to " if passing.passed else "the machine does not keep to "
    else:
        kept = f"{passing.passed} of {passing.machines} machines keep to "
    kept += f"{' and '.join(limits)}"
    if found.given:
        head = "PASS" if found.met else "FAIL"
        must = f"; {percentage(found.least_share)} % of the machines must"
        must = "" if passing.machines == 1 else must
        lines = wrapped(f"{head}: {kept}{must}", "verdict     ")
    else:
        head = "none, no tolerance was given; by common practice, which has no source"
        lines = wrapped(f"{head}: {kept}", "verdict     ")
    if passing.machines > 1:
        share = (
            f"{percentage(passing.share)} % of machines like these, {100.0 * LEVEL:g} % interval "
        )
        lines += wrapped(f"{share}{_interval(passing)}", "share       ")
    if found.given and found.doubtful:
        text = f"the interval reaches across {percentage(found.least_share)} %: more machines may "
        lines += wrapped(f"{text}tell otherwise (--machines)", "doubtful    ")
    if a := found.acceptance.interrupted:
        text = f"{len(found.acceptance.tested)} of {len(found.acceptance.asked)} machines were done"
        lines += wrapped(text, "interrupted ") if a else []
    return lines


def _interval(one: Passing) -> str:
    return f"{percentage(one.low)} to {percentage(one.high)} %"


def distribution_lines(found: Simulated) -> list[str]:
    """Return how the figures of the axis spread over the machines, by reading.

    Parameters
    ----------
    found : Simulated
        The result.

    Returns
    -------
    list of str
        A line for each symbol of the standard.
    """
    um = micrometres(found.median)
    people = list(found.populations.values())
    single = len(found.acceptance.tested) == 1  # of one there is no spread
    span = "" if single else f"{PERCENT[2] - PERCENT[0]:g} % of machines"
    word = "" if single else "median"
    head = ["", ""]
    for one in people:
        reading = f"{one.reading}: {word}" if word else one.reading
        head += [reading if len(people) > 1 else word, span]
    rows: list[Sequence[str]] = [head]
    for symbol in SYMBOLS:
        cells = [f"  {symbol}", NAMES[symbol]]
        for one in people:
            low, middle, high = one.percentiles(symbol)
            if math.isnan(middle):
                cells += ["not evaluated", ""]
            else:
                cells += [um(middle), "" if single else f"{um(low, unit=False)} to {um(high)}"]
        rows.append(cells)
    first, *rest = columns(rows, "", left=(0, 1))
    title = "figures of the machine" if single else "figures of the machines"
    return [title + first[len(title) :], *rest]


def passing_lines(found: Simulated) -> list[str]:
    """Return how many machines keep to each tolerance, by reading.

    Parameters
    ----------
    found : Simulated
        The result.

    Returns
    -------
    list of str
        A line for each tolerance and reading.
    """
    um = micrometres(found.median)
    head = "tolerance" if found.given else "common practice, no source"
    single = len(found.acceptance.tested) == 1
    titles = ("", "") if single else ("share", f"{100.0 * LEVEL:g} % interval")
    rows: list[Sequence[str]] = [(head, "largest", "", "", "keep to it", *titles)]
    for people in found.populations.values():
        for symbol, limit in people.limits.items():
            wide = f"+-{um(0.5 * limit, exact=True)}" if symbol.startswith("A") else ""
            cells = [f"  {symbol}  {NAMES[symbol]}", um(limit, exact=True), wide, people.reading]
            one = people.each.get(symbol)
            cells += (
                ["not evaluated", "", ""]
                if one is None
                else [
                    f"{one.passed} of {one.machines}",
                    "" if single else f"{percentage(one.share)} %",
                    "" if single else _interval(one),
                ]
            )
            rows.append(cells)
    return columns(rows, "", left=(0, 2, 3))


def worst_lines(found: Simulated) -> list[str]:
    """Return the worst machine, and how to test it alone.

    Parameters
    ----------
    found : Simulated
        The result.

    Returns
    -------
    list of str
        The lines; none for a single machine.
    """
    people, um = found.population, micrometres(found.median)
    place = people.worst
    number, drawn = int(people.numbers[place]), _drawn_words(found, place)
    made = f"; {drawn}" if drawn else ""
    if len(people.numbers) == 1:
        return wrapped(f"number {number}{made}", "machine     ")
    if people.complete[place]:
        symbols = [s for s in (*people.limits, "A", "R", "B", "E") if s in SYMBOLS]
        shown = [s for s in dict.fromkeys(symbols) if not math.isnan(people.figures[s][place])]
        text = ", ".join(f"{s} {um(float(people.figures[s][place]))}" for s in shown)
    else:
        tested = found.acceptance.tested[place]
        text = f"{counted(tested.missing[people.reading], 'stop')} gave no position"
    again = f"again alone with --machine {number} --seed {found.acceptance.seed}"
    return wrapped(f"number {number}: {text}{made}; {again}", "worst       ")


def _drawn_words(found: Simulated, place: int) -> str:
    """Return what was drawn for a machine, in words."""
    a = found.acceptance
    drawn = a.tested[place].machine.drawn
    return ", ".join(
        f"{one.words} {units.rounded_text(drawn[one.key], one.unit)}"
        for one in unknowns_of(a.axis, a.conditions)
    )
