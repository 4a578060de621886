"""The parameter file of an axis: its tables and the checks that need several of them."""

from __future__ import annotations

from typing import ClassVar

from servosim._faults import RULES, faults_of
from servosim._warnings import warnings_of
from servosim.components.controller import Controller
from servosim.components.cylinder import Cylinder
from servosim.components.load import Structure, Table
from servosim.components.lock import Lock
from servosim.components.oil import Oil
from servosim.components.supply import Supply
from servosim.components.transducer import Transducer
from servosim.components.valve import Valve
from servosim.errors import Fault
from servosim.params import Document, Rules, text
from servosim.program import Envelope, MoveTable, Reference, Thrust, Window


class AxisFile(Document):
    """Everything that describes one axis and its move."""

    rules: ClassVar[Rules] = Rules(RULES)

    title: str = text("What the axis is.")
    notes: str = text(
        "Anything a reader should know, such as that the data are invented.", absent=""
    )
    oil: Oil
    supply: Supply
    valve: Valve
    cylinder: Cylinder
    table: Table
    structure: Structure
    transducer: Transducer
    controller: Controller
    lock: Lock
    reference: Reference
    window: Window
    move: MoveTable
    thrust: Thrust
    envelope: Envelope

    def check(self) -> list[Fault]:
        """Return what several values together make impossible.

        Returns
        -------
        list of Fault
            Empty if the file is consistent.
        """
        return faults_of(self)

    def warnings(self) -> list[Fault]:
        """Return what is possible but deserves a second look.

        Returns
        -------
        list of Fault
            Empty if there is nothing to say.
        """
        return warnings_of(self)
