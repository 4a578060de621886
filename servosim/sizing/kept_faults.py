"""Whether a cylinder or a supply that exists can be kept for what is asked."""

from __future__ import annotations

from typing import TYPE_CHECKING

from servosim._block_faults import BLOCK_RULES, shown
from servosim.components.cylinder import Cylinder
from servosim.components.supply import Supply
from servosim.errors import Fault
from servosim.sizing.asked_faults import fault

if TYPE_CHECKING:
    from servosim.sizing.requirement import RequirementFile

_PART = 1e-9  # m; a stroke that is short by less is not short


def kept_cylinder_faults(f: RequirementFile, kept: Cylinder) -> list[Fault]:
    """Return why the cylinder that exists cannot be kept.

    Parameters
    ----------
    f : RequirementFile
        What is asked for.
    kept : Cylinder
        Its table [cylinder].

    Returns
    -------
    list of Fault
        Empty if it can.
    """
    found = [*BLOCK_RULES["cylinder_faults"].function(kept)]
    if kept.kind == "plunger":
        found.append(
            fault(
                "cylinder",
                "kind",
                "'plunger' is not sized: it drives in one direction alone",
                "'double_rod', 'single_rod' or 'motor_screw'",
            )
        )
    if kept.stroke < f.work.stroke - _PART:
        found.append(
            fault(
                "cylinder",
                "stroke",
                f"{shown(kept.stroke, 'mm')} is {shown(f.work.stroke - kept.stroke, 'mm')} less "
                "than the table must travel",
                f"at least work.stroke, {shown(f.work.stroke, 'mm')}, or a shorter travel",
            )
        )
    series = "screws" if kept.kind == "motor_screw" else "cylinders"
    if getattr(f, series) is None:
        found.append(
            fault(
                series,
                "",
                f"missing, but [cylinder] kind = '{kept.kind}' is judged by its limits",
                f"a table [{series}]; its series are not read",
            )
        )
    elif series == "cylinders" and f.cylinders and f.cylinders.buckling_length < kept.stroke:
        found.append(
            fault(
                "cylinders",
                "buckling_length",
                f"{shown(f.cylinders.buckling_length, 'mm')} from mounting to mounting is less "
                "than the stroke alone",
                f"more than {shown(kept.stroke, 'mm')}, the stroke of [cylinder]",
            )
        )
    return found


def kept_supply_faults(s: Supply, variation: float) -> list[Fault]:
    """Return what fails in a kept supply when its pressure varies as much as is stated.

    Parameters
    ----------
    s : Supply
        Table [supply].
    variation : float
        Share above and below its pressure [-].

    Returns
    -------
    list of Fault
        Empty if nothing does.
    """
    found = []
    high, low = s.pressure * (1.0 + variation), s.pressure * (1.0 - variation)
    if s.kind == "compensated_pump" and s.pressure < s.relief_pressure <= high:
        found.append(
            fault(
                "supply",
                "relief_pressure",
                f"{shown(s.relief_pressure, 'bar')} opens within conditions.supply_variation, up "
                f"to {shown(high, 'bar')}",
                f"more than {shown(high, 'bar')}, or less supply_variation",
            )
        )
    if s.accumulator == "gas" and low <= s.precharge_pressure < s.pressure:
        found.append(
            fault(
                "supply",
                "precharge_pressure",
                f"{shown(s.precharge_pressure, 'bar')} leaves the accumulator empty within "
                f"conditions.supply_variation, down to {shown(low, 'bar')}",
                f"less than {shown(low, 'bar')}, or less supply_variation",
            )
        )
    return found
