"""What the command line says of an error budget, for people.

Pure functions of a result; nothing is printed or written here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from servosim import units
from servosim._lines import columns, wrapped
from servosim._practical import practical_unit
from servosim.commands.acceptance_summary import counted
from servosim.positioning.budget import COMPARED, LONG_COMPARED, Budget, Line
from servosim.positioning.causes import REACHES, SYSTEMATIC
from servosim.positioning.effects import Effect

CAUTION = (
    "These are calculations with the data of the file, not a release to run. Straightness, angles "
    "and warming of the machine, play of a screw, wear and the instrument are not in them."
)
WORDS = {
    "offset": "offset",
    "side": "reversal",
    "along": "along the axis",
    "stop": "stop to stop",
    "test": "over the test",
    "tool": "at the tool",
}
SUMS = {
    "closed": "closed forms",
    "alone": "simulated, each alone",
    "without": "simulated, each removed",
}
_SHORT = {"closed": "closed forms", "alone": "each alone", "without": "each removed"}
_PAIRS = 5
_GAPS = 4
_UNTOLD = (
    "warming of the workpiece (--workpiece-temperature): {w:.3g} um per kelvin and metre; the "
    "scale grows by {s:.3g} um per kelvin and metre; only what they differ by is left in the part"
)


def um(value: float, digits: int = 2) -> str:
    """Return a length in micrometres, without the unit."""
    return "-" if math.isnan(value) else f"{units.convert(value, 'um'):.{digits}f}"


def summary(found: Budget, name: str) -> list[str]:
    """Return everything that is said about a budget.

    Parameters
    ----------
    found : Budget
        The budget.
    name : str
        File of the axis.

    Returns
    -------
    list of str
        What was computed, the outcome, the ranked causes, sums, comparison with the simulated
        test, formulas, what would halve each cause, notes and caution.
    """
    lines = [*heading(found, name), "", *outcome(found), "", *ranked(found), "", *sums(found), ""]
    lines += [*compared(found), "", *reasons(found), "", *formulas(found), "", *remedies(found), ""]
    return [*lines, *notes(found), *wrapped(CAUTION, "caution     ")]


def sheet(found: Budget, name: str) -> list[str]:
    """Return the sheet: the summary under its name, with the version."""
    from servosim.version import __version__

    return ["ERROR BUDGET OF THE AXIS", "", *summary(found, name), "", f"servosim {__version__}"]


def heading(found: Budget, name: str) -> list[str]:
    """Return what was computed and for which conditions."""
    f, x = found.axis.file, found.cycle.targets
    lines = [name] + ([f"  {f.title}"] if f.title else [])
    ends = [f"{units.convert(float(end), 'mm'):.7g} mm" for end in (x[0], x[-1])]
    text = (
        f"{found.reading} position, position less target, at {counted(len(x), 'target')} from "
        f"{ends[0]} to {ends[1]}"
    )
    if any(one.cause.acts == "tool" for one in found.lines):
        text += "; at the tool with thrust and hold besides"
    lines += ["", *wrapped(text, "budget of   ")]
    e, c = f.envelope, found.conditions
    oil = " to ".join(units.rounded_text(T, "degC") for T in found.oil)
    parts = [f"oil {oil}"]
    if c.supply != "file":
        parts.append(
            "supply " + " to ".join(units.rounded_text(p, "bar") for p in e.supply_pressure)
        )
    if c.unknowns == "drawn":
        parts.append(
            "workpiece " + " to ".join(units.rounded_text(m, "kg") for m in e.workpiece_mass)
        )
    text = "the same as of the simulated test: " + ", ".join(parts)
    lines += wrapped(f"{text}; trim set anew for each machine's null bias", "conditions  ")
    s = found.switched
    text = f"{s.moves} moves with causes switched off and on, seed {found.seed}; below "
    lines += wrapped(
        f"{text}{um(s.floor)} um the noise of these moves tells nothing", "simulated   "
    )
    return lines


def outcome(found: Budget) -> list[str]:
    """Return the largest cause and the combined error, in words."""
    first, c = found.lines[0], found.closed
    text = f"{first.cause.name}, {um(first.rank)} um; {_remedy(first)}"
    lines = wrapped(text, "largest     ")
    low, _, high = c.interval
    text = (
        f"by closed forms offset {um(c.offset)} um, around it +-{um(c.worst_case)} um in the worst "
        f"case, +-{um(c.root_sum_square)} um as root of the sum of squares; 95 % of "
        f"{c.machines} drawn tests lie from {um(low)} to {um(high)} um"
    )
    return lines + wrapped(text, "at the tool ")


def ranked(found: Budget) -> list[str]:
    """Return the table of the causes, the largest first."""
    rows: list[Sequence[str]] = [
        ("sizes in um", "", "", *["closed form"] * 2, "at", *["simulated"] * 3, "A falls by"),
        ("cause, the largest first", "how it acts", "reaches", "in the test", "envelope", "",
         "alone", "in place", "envelope", "without it"),
    ]  # fmt: skip
    for one in found.lines:
        a = one.cause.acts
        rows.append(
            (
                f"  {one.cause.name}", WORDS[a], REACHES[a], um(one.term.size), um(one.worst),
                one.where.replace("the file's values", "file"), _or_none(one.alone),
                _or_none(one.without), um(one.without_worst), um(one.gains),
            )
        )  # fmt: skip
    lines = columns(rows, "", left=(0, 1, 2, 5))
    text = (
        "closed form: largest size in the test's conditions, and over the ends of the envelope, "
        "one at a time; alone: simulated with every other cause switched off (friction: to 1 %), "
        "at the file's values; in place: simulated with it and without it among all others, at the "
        "file's values and at the ends of the envelope. Systematic: "
        f"{', '.join(WORDS[one] for one in SYSTEMATIC)}; the rest is random or comes with the tool"
    )
    return [*lines, *wrapped(text, "            ")]


def sums(found: Budget) -> list[str]:
    """Return worst case, root of the sum of squares and draws of the three sums."""
    rows: list[Sequence[str]] = [
        ("error at the tool [um]", "offset", "worst case", "root sum square", "95 % of the draws")
    ]
    for key, one in found.sums.items():
        low, _, high = one.interval
        rows.append(
            (f"  {SUMS[key]}", um(one.offset), f"+-{um(one.worst_case)}",
             f"+-{um(one.root_sum_square)}", f"{um(low)} to {um(high)}")
        )  # fmt: skip
    return columns(rows, "")


def compared(found: Budget) -> list[str]:
    """Return the figures of ISO 230-2 by the sums beside those of the simulated test."""
    n = len(found.acceptance.tested)
    head = ["figures of ISO 230-2 [um], medians", f"test, {n} machines", "95 % of machines"]
    rows: list[Sequence[str]] = [[*head, "+-", *(_SHORT[k] for k in found.sums)]]
    for symbol in symbols_of(found):
        low, middle, high = found.tested[symbol]
        cells = [f"  {symbol}", um(middle), f"{um(low)} to {um(high)}"]
        cells.append(um(found.within("closed", symbol)))
        for key, one in found.sums.items():
            mark = "agrees" if found.agrees(key, symbol) else "differs"
            cells.append(f"{um(one.figures[symbol][1])} {mark}")
        rows.append(cells)
    lines = columns(rows, "", left=(0,))
    noise = um(found.switched.floor)
    text = (
        "+-: 95 % uncertainty of the test's median by its number of machines; the sums of "
        f"simulated effects may differ by the root of the squares of that and of {noise} um, what "
        "the noise does to them. What two causes make together is lost when each acts alone and "
        "counts twice when each is removed. Deflection and drift are in no test"
    )
    return [*lines, *wrapped(text, "            ")]


def reasons(found: Budget) -> list[str]:
    """Return why sums and simulated test differ: causes that act otherwise among the others."""
    symbols = symbols_of(found)
    off = [s for s in symbols if not found.agrees("closed", s)]
    if not off:
        text = "closed forms and simulated test agree in " + ", ".join(symbols)
    else:
        kept = [s for s in symbols if s not in off]
        text = f"closed forms and simulated test differ in {', '.join(off)}"
        text += f", agree in {', '.join(kept)}" if kept else ""
        text += "; causes work on each other, and a sum knows nothing of that"
    lines = wrapped(text, "compared    ")
    own = found.switched.figures[""]
    text = "the moves at the file's own values have " + ", ".join(
        f"{symbol} {um(own[symbol])}" for symbol in symbols
    )
    lines += wrapped(
        f"{text} um: what the test has besides comes of its conditions", "            "
    )
    if found.reading == "locked":
        text = "the same test has unlocked " + ", ".join(
            f"{symbol} {um(found.unlocked[symbol][1])}" for symbol in symbols
        )
        why = "the lock shuts wherever the table is inside its window, and shifts it"
        lines += wrapped(f"{text} um: {why}", "            ")
    for one in _gaps(found):
        lines += wrapped(_gap_words(found, one), "            ")
    floor = found.switched.floor
    pairs = [p for p in found.switched.pairs if p.effect.size > floor][:_PAIRS]
    if pairs:
        lines += wrapped("pairs, together less each alone:", "            ")
    for p in pairs:
        text = f"{p.names[0]} with {p.names[1]}: {um(p.effect.size)} um ({effect_words(p.effect)})"
        lines += wrapped(text, "              ")
    return lines


def _gaps(found: Budget) -> list[Line]:
    """Return the causes whose closed form is farthest from what they do in place."""
    s = found.switched
    floor = s.floor
    known = [one for one in found.lines if one.cause.name in s.without]
    gap = {one.cause.name: _gap(one) for one in known}
    far = [one for one in known if gap[one.cause.name] > floor and one.cause.acts != "test"]
    return sorted(far, key=lambda one: -gap[one.cause.name])[:_GAPS]


def _gap(one: Line) -> float:
    """Return by how much a cause in place misses its closed form, a range if that is one [m]."""
    there, most = one.without or 0.0, one.term.size
    least = most
    if one.term.law == "between":
        least = float(abs(one.term.table).max())
    return max(there - max(least, most), min(least, most) - there, 0.0)


def _gap_words(found: Budget, one: Line) -> str:
    name = one.cause.name
    effect = found.switched.without[name]
    text = (
        f"{name}: {um(one.term.size)} um by its closed form, {_or_none(one.alone)} um alone, "
        f"{_or_none(one.without)} um in place ({effect_words(effect)})"
    )
    if name.startswith("noise") and effect.size > one.term.size:
        return f"{text}: it shakes the command, which dithers threshold, hysteresis and friction"
    if (one.without or 0.0) < one.term.size:
        return f"{text}: the others mask a part of it"
    return f"{text}: the others let it do more"


def effect_words(effect: Effect) -> str:
    """Return the parts of an effect that are worth a word."""
    half = 0.5 * float(effect.along.max() - effect.along.min())
    parts = [
        ("offset", effect.offset, True),
        ("reversal", 2.0 * effect.side, True),
        ("along the axis +-", half, False),
        ("stop to stop +-", 2.0 * effect.stop, False),
    ]
    worth = [one for one in parts if abs(one[1]) >= 0.2 * effect.size]
    return ", ".join(
        f"{words} {um(value)}" if signed else f"{words}{um(value)}"
        for words, value, signed in worth
    )


def formulas(found: Budget) -> list[str]:
    """Return the closed forms with their numbers and sources."""
    lines = ["closed forms"]
    for one in found.lines:
        t = one.term
        numbers = ", ".join(f"{symbol} = {_practical(v, unit)}" for symbol, v, unit in t.numbers)
        text = f"{t.formula}; {numbers}" if numbers else t.formula
        parts = f"offset {um(t.offset)} um, +-{um(t.half_width)} um around it"
        lines.append(f"  {one.cause.name}: {parts}")
        lines += wrapped(text, "      ") + wrapped(f"source: {t.source}", "      ")
    return lines


def remedies(found: Budget) -> list[str]:
    """Return what would halve each cause."""
    lines = ["what would halve each, by its closed form"]
    for one in found.lines:
        lines += wrapped(f"{one.cause.name}: {_remedy(one)}", "  ", "      ")
    g = found.gain
    if g.names:
        names = ", ".join(g.names)
        text = f"controller.velocity_gain {g.gain:.4g} 1/s to {2.0 * g.gain:.4g} 1/s halves {names}"
        if math.isnan(g.limit):
            text += "; no limit of the gain is known here"
        else:
            state = "unstable" if g.margin <= 1.0 else f"a gain margin of {g.margin:.3g} left"
            text += f"; costs stability, {state}: the limit at null is {g.limit:.4g} 1/s"
        lines += wrapped(text, "  all by the command: ", "      ")
    return lines


def _remedy(one: Line) -> str:
    r = one.remedy
    if not r.changes:
        return f"no key of the file halves it; {one.cause.costs}"
    changes = ", ".join(
        f"{path} {_of_key(path, own)} to {_of_key(path, new)}"
        for path, (own, new) in r.changes.items()
    )
    return f"{changes}; costs: {one.cause.costs}"


def _of_key(path: str, value: float) -> str:
    """Return a value of the file in the unit of its key."""
    unit = _UNITS.get(path.split(".")[1], "")
    return units.rounded_text(value, unit) if unit else f"{value:.4g}"


_UNITS = {
    "resolution": "um", "scale_error": "um/m", "scale_temperature": "degC", "zero_offset": "um",
    "cyclic_error": "um", "noise": "um", "pressure_noise": "bar", "pressure_resolution": "bar",
    "threshold": "%", "hysteresis": "%", "null_trim": "%", "null_shift_temperature": "%/K",
    "null_shift_pressure": "%/bar", "seal_friction": "N", "seal_breakaway": "N",
    "seal_pressure_friction": "N/bar", "counterbalance_force": "N", "displaced_volume": "mm3",
    "along": "N", "dwell": "s", "leakage": "cm3/min/bar", "hold_time": "s",
    "integral_dead_zone": "um",
    "internal_leakage": "cm3/min/bar", "external_leakage_a": "cm3/min/bar",
    "external_leakage_b": "cm3/min/bar",
}  # fmt: skip


def notes(found: Budget) -> list[str]:
    """Return what the file does not state, and what deserves a second look."""
    f, lines = found.axis.file, []
    if found.absent:
        lines += wrapped(", ".join(found.absent), "none stated ")
    if "workpiece, thermal expansion" in found.absent:
        grows = (1e6 * f.oil.steel_expansion, 1e6 * f.transducer.scale_expansion)
        lines += wrapped(_UNTOLD.format(w=grows[0], s=grows[1]), "not told    ")
    s = found.switched
    if s.missing:
        text = f"{s.missing} of {s.moves} moves gave no position"
        lines += wrapped(text, "note        ")
    if s.left:
        text = (
            f"without {' and '.join(s.left)} the table never rests: it stays on where the others "
            "act alone"
        )
        lines += wrapped(text, "note        ")
    drift = next((one for one in found.lines if one.cause.name == "drift over the hold"), None)
    if drift is not None and (drift.alone or 0.0) > drift.term.size + s.floor:
        text = (
            f"the drift of {um(drift.alone or 0.0)} um in the simulation is more than leakage "
            f"makes ({um(drift.term.size)} um): friction and pressures that settle once the lock "
            "has shut"
        )
        lines += wrapped(text, "note        ")
    delays = f.lock.closing_delay_a, f.lock.closing_delay_b
    if "lock shift" in s.alone and delays[0] != delays[1]:
        text = "the sides of the lock close one after the other, which its closed form leaves out"
        lines += wrapped(text, "note        ")
    if f.controller.integral_gain > 0.0:
        text = "the integral takes what comes by the command down to its dead zone"
        lines += wrapped(text, "note        ")
    return lines


def symbols_of(found: Budget) -> tuple[str, ...]:
    """Return the symbols of the figures that are compared."""
    return LONG_COMPARED if math.isnan(found.tested["A"][1]) else COMPARED


def _or_none(value: float | None) -> str:
    return "-" if value is None else um(value)


def _practical(value: float, unit: str) -> str:
    """Return a number of a formula in the unit in which it is read."""
    own = {"m3/s/Pa": "cm3/min/bar", "N/m": "N/um", "m/s/Pa": "(mm/s)/bar", "1/K": "1/K"}
    if unit == "m3":
        return units.rounded_text(value, "mm3" if abs(value) < 1e-7 else "L")
    return units.rounded_text(value, own.get(unit) or practical_unit(unit, value))
