"""The axis as blocks with named signals, and the linear form of each at an operating point.

The linear forms are derivatives of what the simulation integrates, not a second model.
:data:`COMPONENTS` has one entry for each block, with its exact form and its linear one;
:func:`linear_axis` is the derivative of the blocks joined.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from servosim import _axis_blocks as parts
from servosim._axis_blocks import control_blocks, plant_blocks, sampled_controller
from servosim._blocks import Block, join, joined_system, linear_system, system
from servosim._load_form import Form, load
from servosim._operating_point import OperatingPoint, operating_point
from servosim.axis import Axis

__all__ = [
    "COMPONENTS",
    "Block",
    "Component",
    "OperatingPoint",
    "axis_blocks",
    "control_blocks",
    "join",
    "joined_system",
    "linear_axis",
    "linearise",
    "operating_point",
    "plant_blocks",
    "sampled_controller",
    "system",
]


@dataclass(frozen=True)
class Component:
    """One block of an axis.

    Attributes
    ----------
    name : str
        Name of the block.
    make : callable
        ``make(axis, split, form)`` returns the block; the exact one if ``form`` is None.
    """

    name: str
    make: Callable[[Axis, bool, Form | None], Block]

    def block(self, axis: Axis, *, split: bool = False) -> Block:
        """Return the exact block.

        Parameters
        ----------
        axis : Axis
            The axis.
        split : bool, optional
            Whether chambers and lines have pressures of their own.

        Returns
        -------
        Block
            The block that the simulation integrates.
        """
        return self.make(axis, split, None)

    def linearise(self, axis: Axis, operating_point: OperatingPoint) -> Any:
        """Return the block's linear form.

        Parameters
        ----------
        axis : Axis
            The axis.
        operating_point : OperatingPoint
            Where, with which form of friction, lock open or closed.

        Returns
        -------
        control.StateSpace
            Deviations from the operating point, with the block's names, SI units.
        """
        at = operating_point
        return linearise(self.make(axis, at.lock == "closed", at.form), at)


COMPONENTS = MappingProxyType(
    {
        c.name: c
        for c in (
            Component("valve", lambda axis, split, form: parts.valve(axis)),
            Component("ports", lambda axis, split, form: parts.ports(axis)),
            Component("lock_a", lambda axis, split, form: parts.lock(axis, "a")),
            Component("lock_b", lambda axis, split, form: parts.lock(axis, "b")),
            Component("cylinder", lambda axis, split, form: parts.cylinder(axis, split, form)),
            Component("load", lambda axis, split, form: load(axis, form)),
            Component("supply", lambda axis, split, form: parts.supply(axis, form)),
            Component("transducer", lambda axis, split, form: parts.transducer(axis, form)),
            Component("controller", lambda axis, split, form: parts.controller(axis, form)),
            Component(
                "sampled_controller",
                lambda axis, split, form: parts.sampled_controller(axis, form),
            ),
            Component("command_path", lambda axis, split, form: parts.command_path(axis)),
        )
    }
)


def linearise(block: Block, operating_point: OperatingPoint) -> Any:
    """Return the linear form of a block, the derivative of its own functions.

    Parameters
    ----------
    block : Block
        A block of the axis for which the point was made, or several joined.
    operating_point : OperatingPoint
        Values of the block's states and inputs.

    Returns
    -------
    control.StateSpace
        Deviations from the operating point, with the block's names, SI units.

    Raises
    ------
    ParameterError
        If the point has no value for a state or input of the block, or the derivative isn't finite.
    """
    return linear_system(block, operating_point.states, operating_point.signals)


def axis_blocks(
    axis: Axis,
    *,
    split: bool = False,
    operating_point: OperatingPoint | None = None,
    closed_loop: bool | None = None,
) -> tuple[Block, ...]:
    """Return the blocks of an axis, to be joined by the names of their signals.

    Parameters
    ----------
    axis : Axis
        The axis.
    split : bool, optional
        Whether chambers and lines have pressures of their own; an operating point decides it.
    operating_point : OperatingPoint, optional
        The blocks in the form for this point; the exact blocks if not given.
    closed_loop : bool, optional
        Whether the controller's continuous law is among them; by default if the axis has one.

    Returns
    -------
    tuple of Block
        The blocks.
    """
    form = None
    if operating_point is not None:
        split, form = operating_point.lock == "closed", operating_point.form
    if closed_loop is None:
        closed_loop = axis.file.controller.kind == "continuous"
    control = control_blocks(axis, form=form) if closed_loop else ()
    return (*plant_blocks(axis, split=split, form=form), *control)


def linear_axis(
    axis: Axis, operating_point: OperatingPoint, *, closed_loop: bool | None = None
) -> Any:
    """Return the linear form of the whole axis.

    Parameters
    ----------
    axis : Axis
        The axis.
    operating_point : OperatingPoint
        Where, with which form of friction, lock open or closed.
    closed_loop : bool, optional
        Whether the controller's continuous law is part of it; by default if the axis has one. A
        sampled controller has its own linear form in :data:`COMPONENTS`.

    Returns
    -------
    control.StateSpace
        From the free inputs (the spool's command or the reference, thrust) to every signal.
    """
    blocks = axis_blocks(axis, operating_point=operating_point, closed_loop=closed_loop)
    return linearise(join(blocks), operating_point)
