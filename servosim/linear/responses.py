"""Frequency responses of many plants at once, from command and thrust to what is seen."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from servosim.errors import ParameterError
from servosim.linear._frequency_grids import frequencies
from servosim.linear.modes import READINGS, SEEN, modes
from servosim.linear.plants import Plants
from servosim.linear.timing import Timing, timing_of

__all__ = ["READINGS", "SEEN", "Responses", "Timing", "responses", "timing_of"]

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]


@dataclass(frozen=True)
class Responses:
    """Frequency responses of many plants.

    Attributes
    ----------
    omega : ndarray, shape (n, n_f)
        Frequencies [rad/s].
    plant : ndarray of complex, shape (n, n_f, 3)
        From the command to the readings of scale [m] and pressures [Pa] at the samples; hold,
        computing delay and transport delay are in it.
    position : ndarray of complex, shape (n, n_f)
        From the command to the table's position [m], at the samples.
    thrust : ndarray of complex, shape (n, n_f, 4)
        From a thrust along the axis that swings in time [N] to the three readings and the table's
        position at the samples, the controller's command at rest.
    """

    omega: Array
    plant: ComplexArray
    position: ComplexArray
    thrust: ComplexArray


def responses(plants: Plants, omega: ArrayLike | None = None) -> Responses:
    """Return the frequency responses of plants.

    Parameters
    ----------
    plants : Plants
        The plants; the timing is that of their axes' controllers.
    omega : array_like, shape (n_f,) or (n, n_f), optional
        Frequencies [rad/s], at most Nyquist's of a sampled controller; a grid that resolves each
        plant if not given.

    Returns
    -------
    Responses
        From command and thrust to readings and position.

    Raises
    ------
    ParameterError
        If a frequency isn't positive or lies beyond Nyquist's, the axes of the points differ in
        their timing, or there is no point.
    """
    m = modes(plants)
    if omega is None:
        grid = frequencies(m.eigenvalues, m.timing)
    else:
        given = np.asarray(omega, dtype=float)
        grid = np.array(np.broadcast_to(given, (len(plants.points), given.shape[-1])))
        if not np.all((grid > 0.0) & (grid <= m.timing.highest * (1.0 + 1e-9))):
            raise ParameterError(
                f"frequencies from {np.min(grid):g} to {np.max(grid):g} rad/s: expected positive "
                f"ones up to {m.timing.highest:g} rad/s, where the samples of the controller end"
            )
    command, thrust = m.channels()(grid), m.channels(thrust=True)(grid)
    return Responses(
        omega=grid,
        plant=np.ascontiguousarray(command[:, :3].swapaxes(1, 2)),
        position=np.ascontiguousarray(command[:, 3]),
        thrust=np.ascontiguousarray(thrust.swapaxes(1, 2)),
    )
