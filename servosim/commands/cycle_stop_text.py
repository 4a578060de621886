"""What the command line says of stops in the middle of a move, with the cautions beside."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from servosim._lines import columns, wrapped
from servosim.commands.move_summary import shown
from servosim.cycles.result import Stop
from servosim.panels.cycle_words import pressure_range

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
_SPENT = (
    ("brake", "the brake"),
    ("end_stop", "the end stop"),
    ("thrust", "the thrust"),
    ("gravity", "gravity"),
)
_LEAST = 1e-3  # J
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
    way = abs(before.state("table_position")[-1] - start)
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
    first = stops[0].modelled if len(stops) > 1 else ()
    common = [said for said in first if all(said in one.modelled for one in stops)]
    for one in stops:
        lines += ["", *case_lines(one, common)]
    if common:
        lines += ["", *wrapped(" ".join(common), "  all cases ")]
    return [*lines, "", *caution_lines(stops)]


def _cell(stop: Stop, name: str) -> str:
    if not name:
        f = stop.figures
        return pressure_range(f["pressure_min"], f["pressure_max"])
    return shown(stop.figures[name], _UNITS[name])


def case_lines(stop: Stop, common: Collection[str] = ()) -> list[str]:
    """Return the words about one stop.

    Parameters
    ----------
    stop : Stop
        The case.
    common : collection of str, optional
        What is left out of how it is modelled, because it holds for all cases.

    Returns
    -------
    list of str
        What happens, how it went, where the energy goes, what is left out.
    """
    f = stop.figures
    lines = wrapped(f"{stop.title}: {stop.sentence}", f"{'  case':<12}")
    for event in stop.events:
        lines += wrapped(f"{event.kind}: {event.sentence}", f"{'  event':<12}")
    energy = f"motion at the fault {shown_energy(f['kinetic_energy'])}, work of the oil "
    energy += f"{shown_energy(f['oil_work'])}; spent on friction {shown_energy(f['friction_work'])}"
    for name, word in _SPENT:
        if abs(f[f"{name}_work"]) > _LEAST:
            energy += f", on {word} {shown_energy(f[f'{name}_work'])}"
    energy += f"; motion at the end {shown_energy(f['kinetic_energy_end'])}, the balance leaves "
    lines += wrapped(f"{energy}{shown_energy(f['balance'])} open", f"{'  energy':<12}")
    own = [one for one in stop.modelled if one not in common]
    return [*lines, *(wrapped(" ".join(own), f"{'  modelled':<12}") if own else [])]


def shown_energy(value: float) -> str:
    """Return an energy for people.

    Parameters
    ----------
    value : float
        Energy [J].

    Returns
    -------
    str
        In J with four figures; nothing below a thousandth.
    """
    return f"{value if abs(value) > _LEAST else 0.0:.4g} J"


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
