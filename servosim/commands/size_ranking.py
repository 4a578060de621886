"""The ranked combinations of a sizing as two tables: their parts, and the figures that decided.

Pure functions of a result; nothing is printed or written here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from servosim import units
from servosim._lines import columns
from servosim.commands.size_text import actuator_text, figure_text, part_text
from servosim.sizing.findings import Tried
from servosim.sizing.result import Sizing

MOST_RANKED = 12


# columns of the second table: title in two lines, unit, name among figures or simulated ones
_SIMULATED, _ALGEBRA = "simulated", "figures"
_DECIDED: tuple[tuple[str, str, str, str, str], ...] = (
    ("natural", "freq.", "Hz", _ALGEBRA, "natural_frequency"),
    ("gain", "Kv", "1/s", _ALGEBRA, "velocity_gain"),
    ("gain", "margin", "dB", _SIMULATED, "gain_margin_command"),
    ("phase", "margin", "deg", _SIMULATED, "phase_margin_command"),
    ("settled", "in", "s", _SIMULATED, "settling_time"),
    ("over-", "shoot", "um", _SIMULATED, "overshoot"),
    ("resting", "error", "um", _SIMULATED, "resting_error"),
    ("deflec-", "tion", "um", _ALGEBRA, "deflection"),
    ("peak", "flow", "L/min", _ALGEBRA, "peak_flow"),
    ("motor", "power", "kW", _ALGEBRA, "motor_power"),
    ("", "heat", "kW", _ALGEBRA, "heat"),
)


def ranked_lines(found: Sizing) -> list[str]:
    """Return the combinations that keep everything, the best first, in two tables.

    Parameters
    ----------
    found : Sizing
        The result.

    Returns
    -------
    list of str
        Their parts, and the figures that decided; empty if there are none.
    """
    shown = found.ranked[:MOST_RANKED]
    if not shown:
        return []
    lines = _part_table(shown)
    left = len(found.ranked) - len(shown)
    if left:
        lines.append(f"  and {left} more, see --json")
    return [*lines, "", *_figure_table(shown)]


def _part_table(shown: Sequence[Tried]) -> list[str]:
    rows: list[Sequence[str]] = [
        ("rank", "actuator", "pressure", "valve", "pump", "accumulator", "motor")
    ]
    for one in shown:
        parts, figures = one.candidate.parts, one.candidate.figures
        rows.append(
            (
                f"{one.rank:4d}",
                actuator_text(parts),
                part_text(parts, "pressure"),
                part_text(parts, "valve"),
                figure_text(figures.get("pump_flow")),
                figure_text(figures.get("accumulator_volume")),
                figure_text(figures.get("motor_power")),
            )
        )
    return columns(rows, "", left=(0, 1, 3))


def _figure_table(shown: Sequence[Tried]) -> list[str]:
    """Return the figures that decided, units in the head."""
    chosen = [
        column for column in _DECIDED if any(not math.isnan(_decided(one, column)) for one in shown)
    ]
    heads: list[Sequence[str]] = [
        ("", *(first for first, *_ in chosen)),
        ("rank", *(second for _, second, *_ in chosen)),
        ("", *(f"[{unit}]" for _, _, unit, *_ in chosen)),
    ]
    rows = [
        (f"{one.rank:4d}", *(_bare(_decided(one, column), column[2]) for column in chosen))
        for one in shown
    ]
    return columns([*heads, *rows], "", left=(0,))


def _decided(one: Tried, column: tuple[str, str, str, str, str]) -> float:
    *_, place, name = column
    if place == _SIMULATED:
        spread = one.simulated.get(name)
        return math.nan if spread is None else spread.worst
    figure = one.candidate.figures.get(name)
    if name == "velocity_gain":
        return float(one.axis.file.controller.velocity_gain)
    if name == "deflection" and "thrust_deflection" in one.simulated:
        return one.simulated["thrust_deflection"].worst
    return math.nan if figure is None else figure.value


def _bare(value: float, unit: str) -> str:
    """Return a number without its unit, three digits."""
    if math.isnan(value):
        return "-"
    if unit == "dB":
        return f"{20.0 * math.log10(value):.3g}" if 0.0 < value < math.inf else "-"
    if math.isinf(value):
        return "-"
    return f"{units.convert(float(value), unit) + 0.0:.3g}"
