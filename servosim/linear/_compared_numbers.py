"""What is compared of an axis: each number by its formula and from the axis' own equations."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cached_property
from typing import NamedTuple

from servosim.axis import Axis
from servosim.errors import ParameterError
from servosim.linear import _exact_numbers as exact
from servosim.linear import closed_forms as forms
from servosim.linear._textbook_numbers import Textbook, least_dynamic_stiffness, textbook
from servosim.linear.controllers import Controllers, controllers
from servosim.linear.plants import Plants, plants
from servosim.linear.points import condition_points

DRIFT = 0.01  # drift of the valve's null, fraction of the rated command


class Numbers:
    """Both kinds of numbers of one axis at one position, each computed when it is asked for."""

    def __init__(
        self, axis: Axis, position: float, condition: str, force: float, leak: Axis | None = None
    ) -> None:
        self.axis, self.position, self.condition, self.force = axis, position, condition, force
        self.leak_axis = axis if leak is None else leak
        self.K_v = axis.parameters.controller.K_v

    @cached_property
    def without_integral(self) -> Axis:
        return self.axis.replace({"controller.integral_gain": 0.0})

    def _plants(self, condition: str, axis: Axis | None = None) -> Plants:
        found = plants(
            condition_points(
                axis or self.axis, self.position, conditions=(condition,), directions=(1.0,)
            )
        )
        if found.refused:
            raise ParameterError(found.refused[0][1])
        return found

    @cached_property
    def null(self) -> Plants:
        return self._plants("null")

    @cached_property
    def leak(self) -> float:
        """Flow-pressure coefficient at null, of an axis that may differ in the kind of its leak."""
        plant = self.null
        if self.leak_axis is not self.axis:
            plant = self._plants("null", self.leak_axis)
        return float(plant.flow_pressure_coefficient[0])

    @cached_property
    def softer(self) -> float:
        """How much of the loop's static stiffness is left with that leak."""
        if self.leak_axis is self.axis:
            return 1.0
        c = self.axis.parameters.cylinder
        actuator = c.C_i + 0.25 * (c.C_eA + c.C_eB)
        return (float(self.null.flow_pressure_coefficient[0]) + actuator) / (self.leak + actuator)

    @cached_property
    def edge(self) -> Plants:
        return self._plants("edge")

    @property
    def plant(self) -> Plants:
        return self.null if self.condition == "null" else self.edge

    @cached_property
    def control(self) -> Controllers:
        return controllers(self.plant)

    @cached_property
    def modes(self) -> tuple[float, float]:
        omega, zeta = exact.hydraulic_modes(self.plant)
        return float(omega[0]), float(zeta[0])

    @cached_property
    def book(self) -> Textbook:
        return textbook(self.axis, self.position, self.condition)

    @cached_property
    def book_at_null(self) -> Textbook:
        return textbook(self.axis, self.position, "null")

    @property
    def velocity(self) -> float:
        reference = self.axis.file.reference
        return reference.velocity if reference.kind != "step" else 0.1 * self.book.velocity_gain


class Row(NamedTuple):
    """Name, unit and formula of a number, and how both kinds of it are computed."""

    name: str
    unit: str
    formula: str
    closed: Callable[[Numbers], float]
    exact: Callable[[Numbers], float]

    def values(self, numbers: Numbers) -> tuple[float, float]:
        """Return the number by its formula and exactly; nan where there is none."""
        found = []
        for compute in (self.closed, self.exact):
            try:
                found.append(float(compute(numbers)))
            except ParameterError:
                found.append(math.nan)
        return found[0], found[1]


def _static(n: Numbers, book: Textbook) -> float:
    return float(forms.static_stiffness(n.K_v, book.areas[0], book.total_flow_pressure))


def _locked(axis: Axis, book: Textbook) -> float:
    """Return the stiffness of the oil that is locked in, without air and in rigid walls."""
    kind, c = axis.file.lock.kind, axis.parameters.cylinder
    if kind == "none" or c.moving == 0:
        return math.nan
    lines = (0.0, 0.0) if kind == "spool" else (c.V_lA, c.V_lB)  # a spool locks the lines in too
    C = tuple((V - line) / book.modulus for V, line in zip(book.volumes, lines, strict=True))
    return float(forms.lock_stiffness(book.areas[0], C[0], book.areas[1], C[1]))


ROWS = (
    Row(
        "natural frequency",
        "rad/s",
        "sqrt(K/M (A_A^2/V_A + A_B^2/V_B))",
        lambda n: n.book.omega,
        lambda n: n.modes[0],
    ),
    Row(
        "damping ratio",
        "1",
        "(K_ce/A) sqrt(K M/V_t) + (B/4A) sqrt(V_t/(K M))",
        lambda n: n.book.zeta,
        lambda n: n.modes[1],
    ),
    Row(
        "flow gain at null",
        "m3/s",
        "q_n sqrt((p_S - p_T - p_L)/dp_n)",
        lambda n: n.book.flow_gain,
        lambda n: n.null.flow_gain[0],
    ),
    Row(
        "flow gain outside the overlap",
        "m3/s",
        "q_n sqrt((p_S - p_T - p_L)/dp_n)",
        lambda n: n.book.flow_gain,
        lambda n: n.edge.flow_gain[0],
    ),
    Row(
        "flow-pressure coefficient at null",
        "m3/(s Pa)",
        "q_leak/p_S",
        lambda n: n.book_at_null.flow_pressure,
        lambda n: n.leak,
    ),
    Row(
        "pressure gain at null",
        "Pa",
        "K_q/K_c",
        lambda n: n.book_at_null.flow_gain / n.book_at_null.flow_pressure,
        lambda n: n.null.flow_gain[0] / n.leak,
    ),
    Row(
        "velocity gain of the actuator",
        "m/s",
        "sqrt((A_A p_S - A_B p_T - F)/(A_A^3/K_A^2 + A_B^3/K_B^2))",
        lambda n: n.book.velocity_gain,
        lambda n: float(exact.velocity_gains(n.edge)[0]),
    ),
    Row(
        "limit of the velocity gain",
        "1/s",
        "2 zeta omega",
        lambda n: float(forms.limit_gain(n.book.omega, n.book.zeta)),
        lambda n: float(exact.limit_gains(n.plant, n.control)[0]),
    ),
    Row(
        "static stiffness",
        "N/m",
        "K_v A^2/K_ce",
        lambda n: _static(n, n.book),
        lambda n: (
            float(exact.static_stiffness(n.plant, n.control)[0])
            * (n.softer if n.condition == "null" else 1.0)
        ),
    ),
    Row(
        "least dynamic stiffness",
        "N/m",
        "(K_v A^2/K_ce) |1 + s/K_v + 2 zeta s^2/(w K_v) + s^3/(w^2 K_v)|/|1 + s A^2/(k_h K_ce)|",
        lambda n: (
            least_dynamic_stiffness(n.book, n.K_v)
            if n.K_v < forms.limit_gain(n.book.omega, n.book.zeta)
            else math.nan
        ),
        lambda n: float(exact.least_dynamic_stiffness(n.plant, n.control)[0]),
    ),
    Row(
        "velocity error",
        "m",
        "v (1 - k_ff + k_v)/K_v",
        lambda n: float(
            forms.velocity_error(
                n.velocity,
                n.K_v,
                n.axis.parameters.controller.k_ff,
                n.axis.parameters.controller.k_v,
            )
        ),
        lambda n: exact.velocity_error(n.without_integral, n.position, n.velocity),
    ),
    Row(
        "load error",
        "m",
        "F K_ce/(K_v A^2)",
        lambda n: float(forms.load_error(n.force, _static(n, n.book_at_null))),
        lambda n: exact.load_error(n.without_integral, n.position, n.force) / n.softer,
    ),
    Row(
        "null-drift error",
        "m",
        "u_0 g/K_v",
        lambda n: float(forms.null_drift_error(DRIFT, n.book.velocity_gain, n.K_v)),
        lambda n: exact.null_drift_error(n.without_integral, n.position, DRIFT),
    ),
    Row(
        "stiffness while locked",
        "N/m",
        "A_A^2/C_A + A_B^2/C_B",
        lambda n: _locked(n.axis, n.book),
        lambda n: (
            exact.lock_stiffness(n.axis, n.position)
            if n.axis.file.lock.kind != "none" and n.axis.parameters.cylinder.moving == 1
            else math.nan
        ),
    ),
)
