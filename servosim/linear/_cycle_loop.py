"""The linear loop of one point as functions of frequency, opened where a nonlinearity stands."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim.errors import ParameterError
from servosim.linear.controllers import Controllers, controllers
from servosim.linear.loops import closed_matrices
from servosim.linear.plants import Plants, plants
from servosim.linear.points import Point
from servosim.linear.sampling import sampled

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True)
class CycleLoop:
    """One plant with its controller, as functions of frequency.

    Attributes
    ----------
    plants : Plants
        One plant.
    control : Controllers
        Its controller.
    """

    plants: Plants
    control: Controllers

    @cached_property
    def system(self) -> Any:
        """Matrices of the plant: sampled with hold and delays, or continuous."""
        return sampled(self.plants) if self.control.sampled else self.plants

    @property
    def highest(self) -> float:
        """Highest frequency that means anything [rad/s]: Nyquist's, or far beyond the valve."""
        if self.control.sampled:
            return float(np.pi / self.control.period)
        return 1e4

    def plant(self, omega: Array, source: str, names: tuple[str, ...]) -> Complex:
        """Return responses of the plant alone.

        Parameters
        ----------
        omega : ndarray, shape (n_f,)
            Frequencies [rad/s].
        source : str
            Input, ``spool_command`` or ``thrust``.
        names : tuple of str
            Outputs.

        Returns
        -------
        ndarray of complex, shape (n_o, n_f)
            Responses [SI], at the samples if sampled.
        """
        # a command is held from sample to sample, a thrust runs on between them
        held = self.control.sampled and source == "spool_command"
        s = self.system if held else self.plants
        rows = [s.outputs.index(n) for n in names]
        B = s.B[0][:, [s.inputs.index(source)]].astype(complex)
        at = 1j * np.asarray(omega, dtype=float)
        at = np.exp(at * self.control.period) if held else at
        eye = np.eye(len(s.A[0]))
        states = np.linalg.solve(at[:, None, None] * eye - s.A[0], B[None])
        found = (s.C[0][rows] @ states)[:, :, 0].T
        if not held and "scale_reading" in names:
            delay = float(self.plants.points[0].axis.parameters.transducer.delay)
            found[names.index("scale_reading")] *= np.exp(-1j * omega * delay)
        return np.asarray(found)

    def paths(self, omega: Array) -> tuple[Complex, Complex]:
        """Return the command over the position reading and over the load pressure, sign turned."""
        error, reading, pressure = self.control.paths(np.asarray(omega, dtype=float)[None])
        return (error + reading)[0], pressure[0]

    def _split(self, omega: Array, source: str) -> tuple[Complex, Complex, Complex, Complex]:
        """Return reading, load pressure, table's position and spool over an input of the plant."""
        names = (
            "scale_reading",
            "pressure_reading_a",
            "pressure_reading_b",
            "table_position",
            "spool",
        )
        y, p_A, p_B, x, spool = self.plant(omega, source, names)
        return y, p_A - float(self.control.area_ratio[0]) * p_B, x, spool

    def at_command(self, omega: Array) -> tuple[Complex, Complex, Complex]:
        """Return the loop opened at the command, and position and spool over the command."""
        y, p_L, x, spool = self._split(omega, "spool_command")
        seen, pressure = self.paths(omega)
        return seen * y + pressure * p_L, x, spool

    def at_reading(self, omega: Array) -> tuple[Complex, Complex]:
        """Return the loop opened at the reading of the scale, and position over reading."""
        y, p_L, x, _ = self._split(omega, "spool_command")
        seen, pressure = self.paths(omega)
        return seen * y / (1.0 + pressure * p_L), x / y

    def at_pressure(self, omega: Array) -> tuple[Complex, Complex]:
        """Return the loop opened at the pressure readings, and position over pressure in A."""
        names = ("scale_reading", "pressure_reading_a", "pressure_reading_b", "table_position")
        y, p_A, p_B, x = self.plant(omega, "spool_command", names)
        seen, pressure = self.paths(omega)
        p_L = p_A - float(self.control.area_ratio[0]) * p_B
        return pressure * p_L / (1.0 + seen * y), x / p_A

    def admittance(self, omega: Array) -> tuple[Complex, Complex]:
        """Return velocity and position of the closed loop's table over a force in its direction."""
        names = ("table_velocity",)
        y, p_L, x, _ = self._split(omega, "spool_command")
        y_F, p_F, x_F, _ = self._split(omega, "thrust")
        v = self.plant(omega, "spool_command", names)[0]
        v_F = self.plant(omega, "thrust", names)[0]
        seen, pressure = self.paths(omega)
        command = -(seen * y_F + pressure * p_F) / (1.0 + seen * y + pressure * p_L)
        return -(v_F + v * command), -(x_F + x * command)

    def stable(self) -> bool:
        """Tell whether the linear loop is stable, by its eigenvalues."""
        roots = np.linalg.eigvals(closed_matrices(self.system, self.control))[0]
        if self.control.sampled:
            return bool(np.all(np.abs(roots) < 1.0))
        return bool(np.all(roots.real < 0.0))


def cycle_loop(point: Point) -> CycleLoop:
    """Return the loop of a point.

    Parameters
    ----------
    point : Point
        The point.

    Returns
    -------
    CycleLoop
        Its plant and controller.

    Raises
    ------
    ParameterError
        If the axis has no steady state there.
    """
    found = plants([point])
    if found.refused:
        raise ParameterError(found.refused[0][1])
    return CycleLoop(found, controllers(found))
