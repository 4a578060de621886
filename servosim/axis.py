"""One axis: its parameter file, and the numbers that the compiled equations use."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from functools import cache, cached_property
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from servosim._equations import STATES, AxisParameters, StateIndex
from servosim._record import record
from servosim.components import controller as controller_block
from servosim.components import transducer as transducer_block
from servosim.document import AxisFile
from servosim.params import read, replace
from servosim.program import Move

if TYPE_CHECKING:
    from .linear.linearised import Linearised

_BLOCKS = tuple(
    f"{name}_parameters" for name in AxisParameters._fields if name not in ("index", "n_x", "n_all")
)


@cache
def _state_index(
    pump: str,
    line: str,
    lock: str,
    masses: str,
    friction: str,
    controller: str,
    cylinder: str,
    pressure: str,
    dynamics: str,
    accumulator: str,
) -> tuple[StateIndex, int, int]:
    """Return the place of each state, the number integrated and the number active, by the choices.

    With a sampled controller nothing but the samples reads the lagged readings: the loop advances
    them exactly after each step, and they stand behind the integrated states.
    """
    split, two = lock in ("blocking_valve", "pilot_check"), masses == "two"
    bristle, continuous = friction != "stribeck", controller == "continuous"
    double_acting = cylinder != "plunger"
    active = dict.fromkeys(STATES, True)
    active["spool_rate"] = dynamics == "second_order"
    active["pressure_b"] = double_acting
    active["supply_pressure"] = pump != "ideal"
    active["pump_flow"] = pump == "compensated_pump"
    active["gas_temperature"] = accumulator == "gas"
    active["way_bristle"], active["seal_bristle"] = bristle, bristle and two
    active["pressure_reading_a"] = active["pressure_reading_b"] = pressure == "both_ports"
    for name in controller_block.STATES:
        active[name] = continuous
    shared: dict[str, str] = {}
    if not split:
        shared |= {"line_pressure_a": "pressure_a", "line_pressure_b": "pressure_b"}
    elif not double_acting:
        active["line_pressure_b"] = False
    if line != "lumped":
        shared["pump_pressure"] = "supply_pressure"
    if not two:
        shared |= {"table_position": "piston_position", "table_velocity": "piston_velocity"}
    place: dict[str, int] = {}
    own = [name for name in STATES if name not in shared]
    readings = () if continuous else transducer_block.STATES
    integrated = [n for n in own if active[n] and n not in readings]
    following = [n for n in own if active[n] and n in readings]
    order = [*integrated, *following, *(n for n in own if not active[n])]
    for k, name in enumerate(order):
        place[name] = k
    for name, twin in shared.items():
        place[name] = place[twin]
    return StateIndex(**place), len(integrated), len(integrated) + len(following)


@dataclass(frozen=True)
class Axis:
    """One axis: its parameter file, and the numbers that the kernels use.

    Make it with :func:`read_axis`; change it with :meth:`replace`.

    Attributes
    ----------
    file : AxisFile
        Tables of the parameter file, SI units.
    path : str
        Where they were read, or "".
    """

    file: AxisFile
    path: str = ""

    @cached_property
    def parameters(self) -> AxisParameters:
        """Numbers for the kernels, SI units."""
        f = self.file
        index, n_x, n_all = _state_index(
            f.supply.kind,
            f.supply.line,
            f.lock.kind,
            f.structure.masses,
            f.table.friction,
            f.controller.kind,
            f.cylinder.kind,
            f.transducer.pressure,
            f.valve.dynamics,
            f.supply.accumulator,
        )
        of = f.derived()
        return AxisParameters._make((*map(of, _BLOCKS), index, n_x, n_all))

    @cached_property
    def record(self) -> AxisParameters:
        """The same numbers as one record, which is what the kernels take."""
        return cast(AxisParameters, record(self.parameters))

    @cached_property
    def move(self) -> Move:
        """The file's own move."""
        return cast(Move, self.file.derive("own_move"))

    def plan(self, **changes: str | float) -> Move:
        """Return the file's move with other positions or times, planned anew.

        Parameters
        ----------
        **changes : str or float
            Keys of the table ``move`` (start, target [m], duration, hold_time [s], seed [-]), as
            text with a unit or as SI values.

        Returns
        -------
        Move
            The move for :func:`servosim.simulate`.

        Raises
        ------
        ParameterError
            If a key is unknown or a value is not allowed.

        Examples
        --------
        >>> import servosim
        >>> axis = servosim.read_axis("params/tube_sheet_table.toml")
        >>> round(axis.plan(target="300 mm").target, 6)
        0.3
        """
        return self.replace({f"move.{key}": value for key, value in changes.items()}).move

    @property
    def states(self) -> tuple[str, ...]:
        """Names of the active states in their order."""
        index, n_all = self.parameters.index, self.parameters.n_all
        names = [""] * n_all
        for name in reversed(STATES):
            place = getattr(index, name)
            if place < n_all:
                names[place] = name
        return tuple(names)

    def replace(self, changes: dict[str, Any]) -> Axis:
        """Return an axis with some values changed.

        Parameters
        ----------
        changes : dict of str to str or float
            ``"table.key"`` to a text with unit or an SI value.

        Returns
        -------
        Axis
            A new, checked axis.

        Raises
        ------
        ParameterError
            If a name is unknown or a value is not allowed.
        """
        with suppress(ArithmeticError, ValueError):  # told to whom asks for them
            self.parameters, self.move  # noqa: B018  # for the new axis to share
        return Axis(replace(self.file, changes), self.path)

    def linearise(
        self,
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
        """Return plant, open and closed loop at one operating point, and the nonlinear axis.

        Values are SI, or texts with a unit.

        Parameters
        ----------
        position : float or str, optional
            Position of the table [m]; the target of the file's move if not given.
        velocity : float or str, optional
            Velocity of steady motion [m/s].
        load, normal_load : float or str, optional
            Thrust along the axis against extension, and across it [N].
        temperature, air, mass, supply_pressure : float or str, optional
            Temperature [K] and free air [-] of the oil, workpiece [kg] and supply pressure [Pa]
            instead of the file's. The controller keeps the numbers of the file.
        friction : str, optional
            ``viscous`` (Coulomb friction left out), ``sliding`` (slope of the steady curve, not
            below zero) or ``presliding`` (bristle as a spring to ground).
        lock : str, optional
            ``open``, or ``closed`` for the axis held by trapped oil.
        delay_order : int, optional
            Order [-] of Pade approximations of hold and delays in the continuous systems of a
            sampled controller; zero leaves them out. The sampled systems have them exactly.

        Returns
        -------
        Linearised
            Systems of the control library: ``plant``, ``open_loop``, ``position_loop``,
            ``closed_loop``, the same sampled, and ``nonlinear``.

        Raises
        ------
        ParameterError
            If there is no steady state at this point, or the request contradicts itself.

        Examples
        --------
        >>> import servosim
        >>> axis = servosim.read_axis("params/tube_sheet_table.toml")
        >>> at = axis.linearise(position="350 mm", velocity="10 mm/s")
        >>> at.closed_loop.output_labels[:2]
        ['position', 'error']
        """
        # relative on purpose: an absolute name would make the compile cache depend on it
        from .linear.linearised import linearise

        return linearise(
            self,
            position=position,
            velocity=velocity,
            load=load,
            normal_load=normal_load,
            temperature=temperature,
            air=air,
            mass=mass,
            supply_pressure=supply_pressure,
            friction=friction,
            lock=lock,
            delay_order=delay_order,
        )


def read_axis(path: str | PathLike[str], overrides: dict[str, str] | None = None) -> Axis:
    """Read a parameter file.

    Parameters
    ----------
    path : str or path
        TOML file.
    overrides : dict of str to str, optional
        ``"table.key"`` to a value as the file would state it.

    Returns
    -------
    Axis
        The axis.

    Raises
    ------
    ParameterError
        With every fault of the file.

    Examples
    --------
    >>> import servosim
    >>> axis = servosim.read_axis("params/tube_sheet_table.toml")
    >>> round(axis.file.supply.pressure / 1e5)
    140
    """
    return Axis(read(AxisFile, path, overrides or {}), str(Path(path)))
