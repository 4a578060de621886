"""The requirement file: what the table must do, what there is to choose from, what is kept."""

from __future__ import annotations

import os
from itertools import accumulate, pairwise

from servosim.components.controller import Controller
from servosim.components.cylinder import Cylinder
from servosim.components.load import Structure
from servosim.components.load import Table as LoadTable
from servosim.components.lock import Lock
from servosim.components.oil import Oil
from servosim.components.supply import Supply
from servosim.components.transducer import Transducer
from servosim.errors import Fault
from servosim.params import Document, read, text
from servosim.program import Reference, Thrust
from servosim.sizing.asked import Accuracy, Choice, Conditions, Margins, Work
from servosim.sizing.asked_faults import asked_faults
from servosim.sizing.at_hand import (
    Cylinders,
    Lines,
    PowerUnit,
    Pressures,
    Screws,
    ValveAtHand,
    ValveData,
)
from servosim.sizing.offered_faults import offered_faults, offered_warnings


class RequirementFile(Document):
    """Everything that the sizing of one axis starts from.

    The tables of an axis' own file mean what they mean there; their positions count from the
    retracted end of the cylinder. A part that is kept, ``[cylinder]`` or ``[supply]``, stands in
    the place of its series.
    """

    title: str = text("What the axis is for.")
    notes: str = text(
        "Anything a reader should know, such as that the data are invented.", absent=""
    )
    work: Work
    reference: Reference
    accuracy: Accuracy
    conditions: Conditions
    thrust: Thrust
    oil: Oil
    table: LoadTable
    structure: Structure
    transducer: Transducer
    controller: Controller
    lock: Lock
    pressures: Pressures
    cylinders: Cylinders | None = None
    screws: Screws | None = None
    valves: ValveData
    valve: tuple[ValveAtHand, ...]
    lines: Lines
    power_unit: PowerUnit
    margins: Margins
    choice: Choice
    cylinder: Cylinder | None = None
    supply: Supply | None = None

    def check(self) -> list[Fault]:
        """Return what several values together make impossible.

        Returns
        -------
        list of Fault
            Empty if the file is consistent.
        """
        return [*asked_faults(self), *offered_faults(self)]

    def warnings(self) -> list[Fault]:
        """Return what is possible but deserves a second look.

        Returns
        -------
        list of Fault
            Empty if there is nothing to say.
        """
        return offered_warnings(self)

    @property
    def actuator_stroke(self) -> float:
        """Travel of the actuator [m]: with the reserve, or that of the cylinder that is kept."""
        if self.cylinder is not None:
            return self.cylinder.stroke
        return self.work.stroke + self.work.stroke_reserve

    @property
    def travel_begins(self) -> float:
        """Position of the actuator [m] where the table's travel begins; it lies in the middle."""
        return 0.5 * (self.actuator_stroke - self.work.stroke)

    @property
    def longest_move(self) -> float:
        """Length of the longest move of a cycle [m], the return among them."""
        work = self.work
        places = [*accumulate(work.distances, initial=work.start), work.start]
        return max(abs(b - a) for a, b in pairwise(places))


def read_requirement(
    path: str | os.PathLike[str], overrides: dict[str, str] | None = None
) -> RequirementFile:
    """Read a requirement file.

    Parameters
    ----------
    path : str or path
        TOML file.
    overrides : dict of str to str, optional
        ``"table.key"`` to a value as the file would state it.

    Returns
    -------
    RequirementFile
        Checked, in SI units.

    Raises
    ------
    ParameterError
        With every fault of the file.
    """
    return read(RequirementFile, path, overrides or {})
