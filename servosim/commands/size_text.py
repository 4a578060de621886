"""Pieces of what is said about a sizing: parts, limits and figures as text, aligned rows.

Pure functions; nothing is printed or written here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from servosim import units
from servosim._lines import WIDTH, columns, wrapped
from servosim.commands.tune_summary import limit_text, quantity_text
from servosim.sizing.findings import Candidate, Figure
from servosim.tuning.result import Constraint


def actuator_text(parts: Mapping[str, Figure | str]) -> str:
    """Return the actuator in a few letters.

    Parameters
    ----------
    parts : mapping of str to Figure or str
        Parts of a combination.

    Returns
    -------
    str
        Such as "double rod 63/36 mm" or "motor 25 cm3/rev, screw 10 mm/rev".
    """
    kind = str(parts.get("actuator", "")).replace("_", " ")
    if "bore" in parts:
        bore, rod = (_number(parts.get(name)) for name in ("bore", "rod"))
        return f"{kind} {bore}/{rod} mm" if rod != "0" else f"{kind} {bore} mm"
    motor, screw = (part_text(parts, name) for name in ("displacement", "lead"))
    return f"motor {motor}, screw {screw}"


def _number(part: Figure | str | None) -> str:
    """Return a length in millimetres without its unit."""
    if not isinstance(part, Figure) or math.isnan(part.value):
        return "0"
    return f"{units.convert(part.value, 'mm'):.4g}"


def part_text(parts: Mapping[str, Figure | str], name: str) -> str:
    """Return one of the parts, a dash if it is not among them."""
    part = parts.get(name, "-")
    return figure_text(part) if isinstance(part, Figure) else part


def figure_text(one: Figure | None) -> str:
    """Return a figure with its unit; a dash if there is none, also for no accumulator."""
    if one is None or (one.value == 0.0 and one.name == "accumulator_volume"):
        return "-"
    return quantity_text(one.value, one.shown_unit)


def parts_lines(candidate: Candidate) -> list[str]:
    """Return what is to be bought and laid, in sentences.

    Parameters
    ----------
    candidate : Candidate
        A combination.

    Returns
    -------
    list of str
        Actuator, valve, pump with motor, accumulator, tank and cooler, lines; what has no value is
        left out.
    """
    parts = candidate.parts

    def figure(name: str) -> str:
        one = candidate.figures.get(name)
        known = one is not None and math.isfinite(one.value) and one.value != 0.0
        return figure_text(one) if known else ""

    def sentence(*pieces: tuple[str, str]) -> str:
        return ", ".join(words.format(text) for words, text in pieces if text)

    accumulator = figure("accumulator_volume")
    unit = sentence(
        ("pump {}", figure("pump_flow")),
        ("set to {}", figure("set_pressure")),
        ("relief valve {}", figure("relief_pressure")),
        ("electric motor {}", figure("motor_power")),
        ("accumulator {}", accumulator),
        ("precharged to {}", figure("precharge_pressure") if accumulator else ""),
        ("tank {}", figure("tank_volume")),
        ("cooler {}", figure("cooler_power") or ("none" if "cooler_power" in candidate.figures
                                                 else "")),
    )  # fmt: skip
    lines = sentence(
        ("pressure {}", figure("pressure_bore")),
        ("return {}", figure("return_bore")),
        ("suction {}", figure("suction_bore")),
        ("valve to cylinder {}", figure("service_bore")),
    )
    flow = part_text(parts, "rated_flow") if "rated_flow" in parts else ""
    found = wrapped(actuator_text(parts), "actuator    ")
    found += wrapped(part_text(parts, "valve") + (f", {flow}" if flow else ""), "valve       ")
    found += wrapped(f"{part_text(parts, 'pressure')} nominal; {unit}", "power unit  ")
    return found + (wrapped(f"bores: {lines}", "lines       ") if lines else [])


def left_text(slack: float) -> str:
    """Return what is left of a limit, as a share of it.

    Parameters
    ----------
    slack : float
        Share of the limit; below zero it is not kept.

    Returns
    -------
    str
        Such as "12 %"; "no value" if the figure could not be found.

    Examples
    --------
    >>> left_text(0.123), left_text(-0.5), left_text(float("-inf")), left_text(1e6)
    ('12.3 %', '-50 %', 'no value', 'plenty')
    """
    if math.isnan(slack) or slack == -math.inf:
        return "no value"
    if abs(slack) >= 100.0:
        return "plenty" if slack > 0.0 else "far off"
    return f"{100.0 * slack:.3g} %"


def missed_text(one: Constraint, *, where: bool = True) -> str:
    """Return a goal that was missed, with its limit and the worst case if that is wanted."""
    value = quantity_text(one.value, one.shown_unit)
    place = f" ({one.where})" if where and one.where else ""
    return f"{one.label} {value}, {limit_text(one)}{place}"


def narrow(rows: Sequence[Sequence[str]]) -> list[str]:
    """Return rows as aligned lines; a first cell that is too long stands on a line of its own."""
    beside = sum(2 + max(map(len, column)) for column in list(zip(*rows, strict=True))[1:])
    longest = min(44, WIDTH - beside)
    lines, short = [], []
    for row in rows:
        short.append((row[0] if len(row[0]) <= longest else "", *row[1:]))
    for row, line in zip(rows, columns(short, "", left=(0, len(rows[0]) - 1)), strict=True):
        if len(row[0]) > longest:
            lines += wrapped(row[0].strip(), "  ")
        lines.append(line)
    return lines


def with_places(rows: Sequence[Sequence[str]]) -> list[str]:
    """Return rows as aligned lines, their last cell, the place, below where it is too long."""
    lines = []
    for row, line in zip(rows, columns([row[:-1] for row in rows], "", left=(0,)), strict=True):
        whole = f"{line}  {row[-1]}".rstrip()
        if len(whole) <= 96:
            lines.append(whole)
        else:
            lines += [line, *wrapped(row[-1], " " * 6)]
    return lines
