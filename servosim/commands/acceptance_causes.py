"""What a simulated positioning test drew, what it left out, and what deserves a second look.

Pure functions of a result; nothing is printed or written here.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator

from servosim._lines import columns, wrapped
from servosim.commands.acceptance_summary import counted
from servosim.positioning.machines import unknowns_of
from servosim.positioning.population import Simulated
from servosim.positioning.scatter import time_constant
from servosim.units import rounded_text

_EVENTS = {
    "cavitation": "oil cavitated",
    "end_stop": "the piston met an end stop",
    "brake_slip": "the brake slipped",
    "check_stays_shut": "a check stayed shut",
    "check_passes": "a check passed oil",
    "pressure_too_high": "pressures were beyond what the oil's data hold for",
    "supply_sags": "the supply sagged",
    "lock_never_closed": "the lock did not close",
    "locked_outside_window": "the table stood outside the file's window once locked",
}


def cause_lines(found: Simulated) -> list[str]:
    """Return what differs between machines and between stops, and what was taken as none.

    Parameters
    ----------
    found : Simulated
        The result.

    Returns
    -------
    list of str
        The lines.
    """
    a = found.acceptance
    rows = [
        (
            f"  {one.words}",
            f"{rounded_text(one.low, one.unit)} to {rounded_text(one.high, one.unit)}",
            one.reason,
        )
        for one in unknowns_of(a.axis, a.conditions)
    ]
    lines = ["drawn for each machine, evenly, fixed during its test"]
    lines += columns(rows, "", left=(0, 1, 2)) or ["  nothing: every machine is the file's"]
    if "valve.null_bias" in a.tested[0].machine.drawn:
        trimmed = a.axis.file.controller.null_trim != 0.0 and a.conditions.trim == "anew"
        text = (
            "trim set anew for each machine's null bias, as the file's is for its own"
            if trimmed
            else "trim is the file's for every machine"
            if a.axis.file.controller.null_trim != 0.0
            else "the file has no trim: the bias is left in the position"
        )
        lines.append(f"  {text}")
    lines.append("different at each stop")
    for text in _at_stops(found):
        lines += wrapped(text, "  ")
    missing = list(_taken_as_none(found))
    if missing:
        lines.append("not told by the file, taken as none")
        for text in missing:
            lines += wrapped(text, "  ")
    return lines


def _at_stops(found: Simulated) -> Iterator[str]:
    """Return what differs from stop to stop, in words."""
    a = found.acceptance
    f, c = a.axis.file, a.conditions
    yield "noise of the transducers; where plays of the valve and friction come to rest"
    minutes = f"{a.duration / 60.0:.3g} min"
    if c.oil == "file":
        yield f"oil at the file's {rounded_text(f.oil.temperature, 'degC')} throughout"
    else:
        tau = time_constant(a.axis)
        how = f"time constant {tau / 60.0:.3g} min" if math.isfinite(tau) else "no cooling stated"
        ends = [rounded_text(t, "degC") for t in f.envelope.temperature]
        before = f", warmed for {c.warm_up / 60.0:.3g} min before" if c.warm_up > 0.0 else ""
        span = " to ".join(rounded_text(t, "degC") for t in a.oil)
        yield (
            f"oil from {span} over the test of {minutes}: it warms from {ends[0]} towards "
            f"{ends[1]}, the envelope, {how}{before}"
        )
    ends = [rounded_text(p, "bar") for p in f.envelope.supply_pressure]
    if c.supply == "stop":
        yield f"supply drawn evenly from {ends[0]} to {ends[1]}, the envelope"
    elif c.supply == "file" or "supply.pressure" not in a.tested[0].machine.drawn:
        yield f"supply at the file's {rounded_text(f.supply.pressure, 'bar')} throughout"
    if c.friction_variation > 0.0:
        yield f"friction of ways and seals, evenly within +-{100.0 * c.friction_variation:.3g} %"
    if c.scale_warming != 0.0:
        begin = rounded_text(f.transducer.scale_temperature, "degC")
        yield f"scale from {begin}, {c.scale_warming:+.3g} K over the test"


def _taken_as_none(found: Simulated) -> Iterator[str]:
    """Return what has no source in the file, and the options that state it."""
    c = found.acceptance.conditions
    if c.friction_variation == 0.0:
        yield "change of friction from stop to stop (--friction-variation)"
    if c.scale_warming == 0.0:
        at = rounded_text(found.acceptance.axis.file.transducer.scale_temperature, "degC")
        yield f"warming of the scale, which stays at {at} (--scale-warming)"


def notes(found: Simulated) -> list[str]:
    """Return what deserves a second look.

    Parameters
    ----------
    found : Simulated
        The result.

    Returns
    -------
    list of str
        Departures from the standard test, stops that failed, events of the moves.
    """
    a = found.acceptance
    stops = 2 * a.cycle.runs * len(a.cycle.targets) * len(a.tested)
    out = list(found.median.notes)
    for people in found.populations.values():
        gone = sum(one.missing[people.reading] for one in a.tested)
        if gone:
            n = int((~people.complete).sum())
            out.append(
                f"{gone} of {stops} {people.reading} stops gave no position; the {n} machines "
                "concerned do not pass and are not in the figures"
            )
    unsettled = sum(one.unsettled for one in a.tested)
    if unsettled:
        out.append(f"{unsettled} of {stops} unlocked stops were not inside the file's window")
    events: Counter[str] = Counter()
    for one in a.tested:
        events.update(one.events)
    for kind, words in _EVENTS.items():
        if events[kind]:
            out.append(f"{words} in {events[kind]} of {a.moves} moves")
    reasons = [one.reason for one in a.tested if one.reason]
    if reasons:
        out.append(
            f"moves of {counted(len(reasons), 'machine')} broke off, the first: {reasons[0]}"
        )
    return out
