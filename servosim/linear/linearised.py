"""One axis at one operating point, as linear systems of the control library with named signals."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from types import MappingProxyType
from typing import Any

import numpy as np

from servosim import units
from servosim._statespace import state_space
from servosim.axis import Axis
from servosim.blocks import linear_axis, operating_point
from servosim.errors import ParameterError
from servosim.linear.controllers import Controllers, controllers
from servosim.linear.loops import (
    Systems,
    closed_loops,
    continuous_form,
    delayed_input,
    delayed_output,
    open_loops,
    systems,
)
from servosim.linear.nonlinear import Nonlinear, nonlinear_loop, nonlinear_plant
from servosim.linear.plants import INPUTS, OUTPUTS, Plants, plants
from servosim.linear.points import Point, cyclic_slope
from servosim.linear.sampling import sampled

_CHANGES = {
    "temperature": "oil.temperature",
    "air": "oil.free_air",
    "mass": "table.workpiece_mass",
    "supply_pressure": "supply.pressure",
}
_CYCLIC = 1e-3  # of the slope of the scale: less is not worth a word
_MOST_ORDER = 10  # a Pade approximation of higher order has coefficients without digits left


@dataclass(frozen=True)
class Linearised:
    """The linear view of an axis at one point. Make it with :meth:`servosim.axis.Axis.linearise`.

    All systems take and give deviations from the point, in SI units. An open loop has the sign of
    its feedback taken out: closed it is 1/(1 + L).

    A continuous controller is continuous in both views. Of a sampled one the continuous systems
    hold the law behind its samples; half a period of hold, the computing delay and the transport
    delay of the scale are left out (``delay_order`` zero) or stand there as Pade approximations of
    that order. The sampled systems hold all three exactly.

    ``control.margin`` goes by polynomials, in which a sampled loop of this order has no digits left
    near z = 1: hand it a frequency response, ``control.margin(control.frequency_response(loop,
    omega))``, or ask :class:`servosim.linear.family.LoopFamily`.

    Attributes
    ----------
    point : Point
        The point, with the axis as it is there.
    lock : str
        ``open`` or ``closed``.
    delay_order : int
        Order of the Pade approximations in the continuous systems [-].
    rated : Axis
        Axis whose controller is at work: temperature, air, workpiece and supply pressure of the
        point change the plant and not the numbers in the controller.
    """

    point: Point
    lock: str
    delay_order: int
    rated: Axis
    _plants: Plants

    @property
    def operating_states(self) -> Mapping[str, float]:
        """Values of the plant's states at the point [SI]."""
        return MappingProxyType(
            dict(zip(self._plants.states, self._plants.x[0].tolist(), strict=True))
        )

    @property
    def operating_command(self) -> float:
        """Command of the spool at the point [-]."""
        return float(self._plants.spool_command[0])

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader of these systems must know, in sentences."""
        found = [self.point.note] if self.point.note else []
        if self._plants.meaningless[0]:
            found.append(
                "inside the overlap of the valve the flow gain is near zero: margins here say "
                "nothing about the axis in motion"
            )
        point = self.point
        slope, _ = cyclic_slope(point)
        if abs(slope) > _CYCLIC:
            found.append(
                f"the cyclic error of the scale makes the slope of its reading {1.0 + slope:.4g} "
                "at this place and for motions far smaller than its period, so that the closed "
                f"loop follows a reference by {1.0 / (1.0 + slope):.4g} of it; for larger ones set "
                "[transducer] cyclic_error to zero"
            )
        smoothed = point.axis.file.table.friction == "stribeck" and point.friction == "sliding"
        if smoothed and point.velocity == 0.0:
            found.append(
                '[table] friction = "stribeck" is smoothed around rest, and its steep slope there '
                "damps as no real table does: look at a point in motion too, or at the form "
                '"viscous"'
            )
        delay, late = self.delays
        if delay + late > 0.0 and self.lock == "open":
            how = f"as Pade approximations of order {self.delay_order}"
            found.append(
                f"the continuous systems hold {1e3 * delay:.4g} ms of hold and computing delay and "
                f"{1e3 * late:.4g} ms of the scale's delay "
                f"{how if self.delay_order else 'not at all'}; the sampled ones hold them exactly"
            )
        return tuple(found)

    @property
    def delays(self) -> tuple[float, float]:
        """Hold (half a period) and computing delay; transport delay of the scale [s]."""
        p = self.rated.parameters
        if p.controller.sampled == 0:
            return 0.0, 0.0
        return 0.5 * p.controller.period + p.controller.delay, p.transducer.delay

    @cached_property
    def plant(self) -> Any:
        """Plant from the controller's command and thrusts to the signals, control.StateSpace."""
        return _named(systems(self._plants), "plant")

    @cached_property
    def open_loop(self) -> Any:
        """Loop cut at the valve's command, where all paths of feedback meet."""
        return _named(open_loops(self._delayed, self._continuous), "open_loop")

    @cached_property
    def position_loop(self) -> Any:
        """Loop cut at the position error, stabilising feedback closed."""
        return _named(open_loops(self._delayed, self._continuous, "position"), "position_loop")

    @cached_property
    def closed_loop(self) -> Any:
        """Closed loop from references, thrusts and noise to position, error and the like."""
        return _named(closed_loops(self._delayed, self._continuous), "closed_loop")

    @cached_property
    def sampled_plant(self) -> Any:
        """Plant from the commands of the samples to the readings and signals at the samples."""
        return _named(systems(sampled(self._plants)), "sampled_plant")

    @cached_property
    def sampled_open_loop(self) -> Any:
        """Sampled loop cut at the command."""
        return _named(open_loops(sampled(self._plants), self._controllers), "sampled_open_loop")

    @cached_property
    def sampled_position_loop(self) -> Any:
        """Sampled loop cut at the position error, stabilising feedback closed."""
        loop = open_loops(sampled(self._plants), self._controllers, "position")
        return _named(loop, "sampled_position_loop")

    @cached_property
    def sampled_closed_loop(self) -> Any:
        """Sampled closed loop, from sample to sample."""
        return _named(closed_loops(sampled(self._plants), self._controllers), "sampled_closed_loop")

    @cached_property
    def nonlinear_start(self) -> Nonlinear:
        """Nonlinear axis from the spool's command on, with its states and inputs at the point."""
        known = self.operating_states
        return nonlinear_plant(
            self.point, self.lock, self._plants.states, known, self.operating_command
        )

    @property
    def nonlinear(self) -> Any:
        """Nonlinear axis from the spool's command on, control.NonlinearIOSystem."""
        return self.nonlinear_start.system

    @cached_property
    def nonlinear_loop_start(self) -> Nonlinear:
        """Nonlinear axis in its continuous loop, with its states and inputs at the point."""
        wanted = float(self._controllers.wanted_velocity[0])
        return nonlinear_loop(
            self.point, self._plants.states, self.operating_states, self.rated, wanted
        )

    @property
    def nonlinear_loop(self) -> Any:
        """Nonlinear axis in its continuous loop, control.NonlinearIOSystem."""
        return self.nonlinear_loop_start.system

    @cached_property
    def _controllers(self) -> Controllers:
        if self.lock == "closed":
            raise ParameterError(
                'lock = "closed": the position loop rests while the axis is locked, so there is no '
                'loop; choose lock = "open", or take the plant, whose path from thrust is the '
                "compliance of the held axis"
            )
        return controllers(self._plants, rated=self.rated)

    @property
    def _continuous(self) -> Controllers:
        return continuous_form(self._controllers)

    @property
    def _delayed(self) -> Systems:
        delay, late = self.delays
        system = delayed_input(systems(self._plants), "spool_command", delay, self.delay_order)
        return delayed_output(system, "scale_reading", late, self.delay_order)


def _named(system: Systems, name: str) -> Any:
    """Return the first of systems as one of the control library."""
    return state_space(
        system.A[0],
        system.B[0],
        system.C[0],
        system.D[0],
        states=system.states,
        inputs=system.inputs,
        outputs=system.outputs,
        name=name,
        period=system.period,
    )


def _si(value: float | str, unit: str) -> float:
    return units.parse(value, unit) if isinstance(value, str) else float(value)


def _locked(point: Point) -> Plants:
    """Return the plant of an axis that is held by its closed lock."""
    at = operating_point(
        point.axis,
        position=point.position,
        velocity=point.velocity,
        thrust=point.thrust,
        normal_thrust=point.normal_thrust,
        friction=point.friction,
        lock="closed",
    )
    whole = linear_axis(point.axis, at, closed_loop=False)
    names = tuple(whole.state_labels)
    C = np.zeros((len(OUTPUTS), len(names)))
    for row, name in enumerate(OUTPUTS):
        if name in names:
            C[row, names.index(name)] = 1.0
        else:
            C[row] = whole.C[whole.output_labels.index(name)]
    shift = point.axis.parameters.valve.bias_pressure
    B = whole.B[:, [whole.input_labels.index(name) for name in INPUTS]]
    A = whole.A + shift * B[:, :1] * C[OUTPUTS.index("supply_pressure")]
    nothing = np.full(1, math.nan)
    return Plants(
        points=(point,),
        refused=(),
        states=names,
        inputs=INPUTS,
        outputs=OUTPUTS,
        A=A[None],
        B=B[None],
        C=C[None],
        x=np.array([[at.states[name] for name in names]]),
        spool_command=np.array([at.states["spool"]]),
        flow_gain=nothing,
        flow_pressure_coefficient=nothing,
        pressure_gain=nothing,
        null_shift_slope=np.array([shift]),
        meaningless=np.zeros(1, dtype=bool),
    )


def linearise(
    axis: Axis,
    *,
    position: float | str | None = None,
    velocity: float | str = 0.0,
    load: float | str = 0.0,
    normal_load: float | str = 0.0,
    temperature: float | str | None = None,
    air: float | str | None = None,
    mass: float | str | None = None,
    supply_pressure: float | str | None = None,
    friction: str = "sliding",
    lock: str = "open",
    delay_order: int = 0,
) -> Linearised:
    """Return the linear view of an axis at one operating point.

    See :meth:`servosim.axis.Axis.linearise`.

    Parameters
    ----------
    axis : Axis
        The axis.
    position, velocity, load, normal_load : float or str, optional
        Of the table [m], [m/s]; thrust along the axis against extension and across it [N].
    temperature, air, mass, supply_pressure : float or str, optional
        Instead of the file's [K], [-], [kg], [Pa].
    friction : str, optional
        Form of friction.
    lock : str, optional
        ``open`` or ``closed``.
    delay_order : int, optional
        Order of the Pade approximations [-].

    Returns
    -------
    Linearised
        The systems.

    Raises
    ------
    ParameterError
        If there is no steady state at this point, or the request contradicts itself.
    """
    if not 0 <= delay_order <= _MOST_ORDER:
        raise ParameterError(
            f"delay_order = {delay_order} is no order of a Pade approximation; "
            f"choose 0 to {_MOST_ORDER}, 3 is usual"
        )
    if lock not in ("open", "closed"):
        raise ParameterError(f'lock = "{lock}" is neither "open" nor "closed"')
    given = {
        "temperature": temperature,
        "air": air,
        "mass": mass,
        "supply_pressure": supply_pressure,
    }
    changes = {_CHANGES[name]: value for name, value in given.items() if value is not None}
    changed = axis.replace(changes) if changes else axis
    place = axis.file.move.target if position is None else _si(position, "m")
    point = Point(
        changed, place, _si(velocity, "m/s"), _si(load, "N"), _si(normal_load, "N"), friction
    )
    if lock == "closed":
        return Linearised(point, lock, delay_order, axis, _locked(point))
    found = plants([point])
    if found.refused:
        raise ParameterError(found.refused[0][1])
    return Linearised(point, lock, delay_order, axis, found)
