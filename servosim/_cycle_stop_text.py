"""What the command line says of stops in the middle of a move, with the cautions beside."""

from __future__ import annotations

from collections.abc import Sequence

from servosim import units
from servosim._lines import columns, wrapped
from servosim._summary import shown
from servosim.cycles.result import Stop

CAUTIONS = (
    "Stored pressure: accumulator, lines and locked chambers stay under pressure after the pump "
    "has stopped, and a load that hangs comes down when its oil is let go. Isolate, bleed and "
    "support before anyone reaches in.",
    "Moving table: with the feedback lost or the valve open it runs to its end stop, and with the "
    "valve at null it creeps. Nobody belongs in its way, at whatever distance it has stopped here.",
    "Safety functions (ISO 13849-1, ISO 4413, the local code) are designed and verified by "
    "licensed practice, not by this program.",
)
_COLUMNS = (
    ("from", "fault_velocity"),
    ("stops in", "stopping_distance"),
    ("after", "stopping_time"),
    ("farthest", "farthest"),
    ("pressures", ""),
    ("locked", "lock_time"),
    ("ends at", "end_position"),
    ("off target", "end_error"),
)
_UNITS = {
    "fault_velocity": "m/s",
    "stopping_distance": "m",
    "stopping_time": "s",
    "farthest": "m",
    "lock_time": "s",
    "end_position": "m",
    "end_error": "m",
}


def stop_lines(stops: Sequence[Stop]) -> list[str]:
    """Return how each stop went.

    Parameters
    ----------
    stops : sequence of Stop
        The cases, of one move.

    Returns
    -------
    list of str
        A table, for each case a sentence, its energies, and how it is modelled; the cautions.
    """
    if not stops:
        return []
    before = stops[0].before
    start, target = before.move.start, before.move.target
    way = before.state("table_position")[-1] - start
    lines = wrapped(
        f"in the move from {shown(start, 'm')} to {shown(target, 'm')}, after {shown(way, 'm')} at "
        f"{shown(before.time[-1], 's')}; every case from the same moment",
        "stops       ",
    )
    rows: list[Sequence[str]] = [("  case", *(title for title, _ in _COLUMNS))]
    for one in stops:
        cells = [_cell(one, name) for _, name in _COLUMNS]
        rows.append((f"  {one.case.replace('_', ' ')}", *cells))
    lines += columns(rows, "")
    for one in stops:
        lines += ["", *case_lines(one)]
    return [*lines, "", *caution_lines(stops)]


def _cell(stop: Stop, name: str) -> str:
    if not name:
        f = stop.figures
        low, high = (units.convert(f[f"pressure_{end}"], "bar") for end in ("min", "max"))
        return f"{low:.3g} to {high:.3g} bar"
    return shown(stop.figures[name], _UNITS[name])


def case_lines(stop: Stop) -> list[str]:
    """Return the words about one stop.

    Parameters
    ----------
    stop : Stop
        The case.

    Returns
    -------
    list of str
        What happens, how it went, where the energy goes, what is left out.
    """
    f = stop.figures
    lines = wrapped(f"{stop.title}: {stop.sentence}", f"{'  case':<12}")
    for event in stop.events:
        lines += wrapped(f"{event.kind}: {event.sentence}", f"{'  event':<12}")
    energy = f"{shown_energy(f['kinetic_energy'])} of motion at the fault and "
    energy += f"{shown_energy(f['oil_work'])} of work by the oil went into friction "
    energy += f"({shown_energy(f['friction_work'])})"
    others = (("brake", "the brake"), ("end_stop", "the end stop"), ("gravity", "gravity"))
    for name, word in others:
        if abs(f[f"{name}_work"]) > 0.0:
            energy += f", {word} ({shown_energy(f[f'{name}_work'])})"
    left = f["kinetic_energy_end"]
    energy += f"; {shown_energy(left) if left >= 1e-3 else 'nothing'} of the motion is left"
    lines += wrapped(energy + ".", f"{'  energy':<12}")
    return [*lines, *wrapped(" ".join(stop.modelled), f"{'  modelled':<12}")]


def shown_energy(value: float) -> str:
    """Return an energy for people.

    Parameters
    ----------
    value : float
        Energy [J].

    Returns
    -------
    str
        In J with three figures.
    """
    return f"{value:.3g} J"


def caution_lines(stops: Sequence[Stop]) -> list[str]:
    """Return what must not be concluded from stops.

    Parameters
    ----------
    stops : sequence of Stop
        The cases.

    Returns
    -------
    list of str
        Each caution once.
    """
    said = dict.fromkeys(one for stop in stops for one in stop.cautions)
    lines = []
    for text in (*said, *CAUTIONS):
        lines += wrapped(text, "caution     ")
    return lines
