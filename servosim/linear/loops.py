"""Loops of plants and controllers in the form of states, open and closed, many at once.

Continuous plants go with controllers in continuous form, sampled plants with sampled ones.

Signs. An open loop has the sign of the feedback taken out: closed it is 1/(1 + L).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from servosim.errors import ParameterError
from servosim.linear.controllers import INPUTS as CONTROLLER_INPUTS
from servosim.linear.controllers import Controllers
from servosim.linear.plants import Plants
from servosim.linear.sampling import SampledPlants

Array = NDArray[np.float64]

READINGS = ("scale_reading", "pressure_reading_a", "pressure_reading_b")
CLOSED_INPUTS = (
    "reference_position",
    "reference_velocity",
    "reference_acceleration",
    "thrust",
    "normal_thrust",
    "noise",
)
CLOSED_OUTPUTS = (
    "position",
    "error",
    "control_error",
    "velocity",
    "spool",
    "pressure_a",
    "pressure_b",
    "supply_pressure",
    "command",
)
CUTS = ("command", "position")
_CALLED = {"position": "table_position", "velocity": "table_velocity"}


@dataclass(frozen=True)
class Systems:
    """Linear systems of many points.

    Attributes
    ----------
    states, inputs, outputs : tuple of str
        Names in the order of the matrices.
    A, B, C, D : ndarray, shapes (n, n_x, n_x), (n, n_x, n_u), (n, n_y, n_x), (n, n_y, n_u)
        Matrices [SI].
    period : float
        Sampling period [s]; zero if continuous.
    """

    states: tuple[str, ...]
    inputs: tuple[str, ...]
    outputs: tuple[str, ...]
    A: Array
    B: Array
    C: Array
    D: Array
    period: float = 0.0


def systems(plants: Plants | SampledPlants) -> Systems:
    """Return plants as systems, with the matrix from inputs to outputs, which is zero."""
    period = plants.period if isinstance(plants, SampledPlants) else 0.0
    D = np.zeros((*plants.C.shape[:2], plants.B.shape[2]))
    return Systems(
        plants.states, plants.inputs, plants.outputs, plants.A, plants.B, plants.C, D, period
    )


def _rows(system: Systems, names: tuple[str, ...]) -> list[int]:
    return [system.outputs.index(n) for n in names]


def pade(delay: float, order: int) -> tuple[Array, Array, Array, float]:
    """Return the Pade approximation of a delay in the form of states.

    Parameters
    ----------
    delay : float
        Delay [s].
    order : int
        Order of numerator and denominator [-].

    Returns
    -------
    A, B, C : ndarray, shapes (order, order), (order,), (order,)
        Matrices; the input acts on the output at once by the last.
    D : float
        One for an even order, minus one for an odd one.

    Notes
    -----
    ``exp(-s T) ~ Q(-sT)/Q(sT)`` with ``Q(x) = sum_k (2n - k)! n!/((2n)! k! (n - k)!) x^k``. Time is
    measured in delays, so that the companion form has coefficients of similar size.

    References
    ----------
    G. A. Baker, P. Graves-Morris, *Pade Approximants*, Cambridge 1996, section 1.2 (from memory).
    """
    c = [1.0]
    for k in range(order):  # ratio of neighbours of the coefficients
        c.append(c[-1] * (order - k) / ((2 * order - k) * (k + 1.0)))
    q = np.array(c) / c[-1]  # monic
    sign = np.array([(-1.0) ** k for k in range(order + 1)])
    direct = sign[-1]
    A, B = np.zeros((order, order)), np.zeros(order)
    A[:-1, 1:] = np.eye(order - 1)
    A[-1] = -q[:-1]
    B[-1] = 1.0
    C = sign[:-1] * q[:-1] - direct * q[:-1]
    return A / delay, B / delay, C, float(direct)


def delayed_input(system: Systems, name: str, delay: float, order: int) -> Systems:
    """Return systems with a Pade approximation of a delay before one input, see :func:`pade`."""
    if delay <= 0.0 or order <= 0:
        return system
    A_d, B_d, C_d, D_d = pade(delay, order)
    j, (n, n_x, n_u) = system.inputs.index(name), system.B.shape
    column, through = system.B[:, :, j], system.D[:, :, j]
    A = np.zeros((n, n_x + order, n_x + order))
    A[:, :n_x, :n_x], A[:, n_x:, n_x:] = system.A, A_d
    A[:, :n_x, n_x:] = column[:, :, None] * C_d
    B = np.concatenate([system.B, np.zeros((n, order, n_u))], axis=1)
    B[:, :n_x, j] = D_d * column
    B[:, n_x:, j] = B_d
    C = np.concatenate([system.C, through[:, :, None] * C_d], axis=2)
    D = system.D.copy()
    D[:, :, j] = D_d * through
    names = tuple(f"{name}_delay_{k + 1}" for k in range(order))
    return replace(system, states=(*system.states, *names), A=A, B=B, C=C, D=D)


def delayed_output(system: Systems, name: str, delay: float, order: int) -> Systems:
    """Return systems with a Pade approximation of a delay behind one output, see :func:`pade`."""
    if delay <= 0.0 or order <= 0:
        return system
    A_d, B_d, C_d, D_d = pade(delay, order)
    j, (n, n_x) = system.outputs.index(name), system.B.shape[:2]
    row, through = system.C[:, j], system.D[:, j]
    A = np.zeros((n, n_x + order, n_x + order))
    A[:, :n_x, :n_x], A[:, n_x:, n_x:] = system.A, A_d
    A[:, n_x:, :n_x] = B_d[:, None] * row[:, None, :]
    B = np.concatenate([system.B, B_d[:, None] * through[:, None, :]], axis=1)
    C = np.concatenate([system.C, np.zeros((n, system.C.shape[1], order))], axis=2)
    C[:, j, :n_x], C[:, j, n_x:] = D_d * row, C_d
    D = system.D.copy()
    D[:, j] = D_d * through
    names = tuple(f"{name}_delay_{k + 1}" for k in range(order))
    return replace(system, states=(*system.states, *names), A=A, B=B, C=C, D=D)


def _checked(plants: Plants | SampledPlants | Systems, controllers: Controllers) -> Systems:
    system = plants if isinstance(plants, Systems) else systems(plants)
    if controllers.sampled != (system.period > 0.0):
        kinds = ("continuous", "sampled")
        raise ParameterError(
            f"{kinds[system.period > 0.0]} plants and {kinds[controllers.sampled]} controllers "
            "don't make a loop; sample the plants, or take the controllers' continuous form"
        )
    return system


def continuous_form(controllers: Controllers) -> Controllers:
    """Return controllers with the continuous law behind their samples.

    Parameters
    ----------
    controllers : Controllers
        Sampled or continuous controllers.

    Returns
    -------
    Controllers
        The same gains and filters in continuous form; period and delay act nowhere in them.
    """
    return replace(controllers, sampled=False, period=0.0, delay=0.0)


def _joined(
    system: Systems, controllers: Controllers, error_only: bool = False
) -> tuple[tuple[str, ...], Array, Array, Array, Array, Array, Array]:
    """Return states, A and the controller's parts of the joined states, loop closed.

    The last four are the controller's B and D for its inputs, without the loop, and C of the
    readings. With ``error_only`` the reading doesn't act through the position error.
    """
    own, A_c, B_c, C_c, D_c = controllers.matrices()
    if error_only:
        r, y = CONTROLLER_INPUTS.index("reference_position"), 3
        B_c, D_c = B_c.copy(), D_c.copy()
        B_c[:, :, y] += B_c[:, :, r]
        D_c[:, :, y] += D_c[:, :, r]
    B_u = system.B[:, :, system.inputs.index("spool_command"), None]
    C_y = system.C[:, _rows(system, READINGS)]
    n, n_x = C_y.shape[0], C_y.shape[2]
    A = np.zeros((n, n_x + len(own), n_x + len(own)))
    A[:, :n_x, :n_x] = system.A + B_u @ D_c[:, :, 3:] @ C_y
    A[:, :n_x, n_x:] = B_u @ C_c
    A[:, n_x:, :n_x] = B_c[:, :, 3:] @ C_y
    A[:, n_x:, n_x:] = A_c
    command = np.concatenate([D_c[:, :, 3:] @ C_y, C_c], axis=2)
    return (*system.states, *own), A, B_u, B_c, D_c, command, C_y


def closed_matrices(plants: Plants | SampledPlants | Systems, controllers: Controllers) -> Array:
    """Return the matrices whose eigenvalues tell whether the closed loops are stable.

    Parameters
    ----------
    plants : Plants, SampledPlants or Systems
        Plants of the points.
    controllers : Controllers
        Controllers of the same points, sampled if the plants are.

    Returns
    -------
    ndarray, shape (n, n_x, n_x)
        ``dx/dt = A x``, or ``x[k+1] = A x[k]`` [SI].

    Raises
    ------
    ParameterError
        If one is sampled and the other isn't.
    """
    return _joined(_checked(plants, controllers), controllers)[1]


def closed_loops(plants: Plants | SampledPlants | Systems, controllers: Controllers) -> Systems:
    """Return the closed loops.

    Parameters
    ----------
    plants : Plants, SampledPlants or Systems
        Plants of the points.
    controllers : Controllers
        Controllers of the same points, sampled if the plants are.

    Returns
    -------
    Systems
        From references, thrusts and the noise of the scale's reading to what ``CLOSED_OUTPUTS``
        names: ``error`` is reference less table, ``control_error`` what the controller sees of it,
        ``position`` and ``velocity`` are the table's.

    Raises
    ------
    ParameterError
        If one is sampled and the other isn't.
    """
    system = _checked(plants, controllers)
    states, A, B_u, B_c, D_c, command, C_y = _joined(system, controllers)
    n, n_x, size = len(A), system.A.shape[1], A.shape[1]
    B = np.zeros((n, size, len(CLOSED_INPUTS)))
    D = np.zeros((n, len(CLOSED_OUTPUTS), len(CLOSED_INPUTS)))
    through = np.zeros((n, 1, len(CLOSED_INPUTS)))
    for j, name in enumerate(CLOSED_INPUTS):
        if name in system.inputs:
            B[:, :n_x, j] = system.B[:, :, system.inputs.index(name)]
            continue
        k = CONTROLLER_INPUTS.index("scale_reading" if name == "noise" else name)
        through[:, :, j] = D_c[:, :, k]
        B[:, :n_x, j] = (B_u @ D_c[:, :, k, None])[:, :, 0]
        B[:, n_x:, j] = B_c[:, :, k]
    C = np.zeros((n, len(CLOSED_OUTPUTS), size))
    r, noise = CLOSED_INPUTS.index("reference_position"), CLOSED_INPUTS.index("noise")
    for j, name in enumerate(CLOSED_OUTPUTS):
        if name == "command":
            C[:, j], D[:, j] = command[:, 0], through[:, 0]
        elif name == "error":
            C[:, j, :n_x] = -system.C[:, system.outputs.index("table_position")]
            D[:, j, r] = 1.0
        elif name == "control_error":
            C[:, j, :n_x] = -C_y[:, 0]
            D[:, j, r], D[:, j, noise] = 1.0, -1.0
        else:
            C[:, j, :n_x] = system.C[:, system.outputs.index(_CALLED.get(name, name))]
    return Systems(states, CLOSED_INPUTS, CLOSED_OUTPUTS, A, B, C, D, system.period)


def open_loops(
    plants: Plants | SampledPlants | Systems, controllers: Controllers, cut: str = "command"
) -> Systems:
    """Return the open loops, one input and one output each.

    Parameters
    ----------
    plants : Plants, SampledPlants or Systems
        Plants of the points.
    controllers : Controllers
        Controllers of the same points, sampled if the plants are.
    cut : str, optional
        ``command``: all paths of feedback are cut where they meet, at the valve's command, from
        the command that acts to the one that comes back, its sign turned. ``position``: cut at the
        position error, stabilising feedback closed, from the error to the reading of the scale.

    Returns
    -------
    Systems
        L with the loop closed as 1/(1 + L).

    Raises
    ------
    ParameterError
        If one is sampled and the other isn't, or the cut is unknown.
    """
    system = _checked(plants, controllers)
    if cut not in CUTS:
        raise ParameterError(f'cut "{cut}" is unknown; choose among {", ".join(CUTS)}')
    states, A, B_u, B_c, D_c, command, C_y = _joined(system, controllers, cut == "position")
    n, n_x, size = len(A), system.A.shape[1], A.shape[1]
    B, C, D = np.zeros((n, size, 1)), np.zeros((n, 1, size)), np.zeros((n, 1, 1))
    if cut == "command":
        # the plant alone drives the controller, whose command doesn't reach it
        A = A.copy()
        A[:, :n_x] = 0.0
        A[:, :n_x, :n_x] = system.A
        B[:, :n_x] = B_u
        C = -command
        return Systems(states, ("command",), ("returned_command",), A, B, C, D, system.period)
    r = CONTROLLER_INPUTS.index("reference_position")
    B[:, :n_x, 0] = (B_u @ D_c[:, :, r, None])[:, :, 0]
    B[:, n_x:, 0] = B_c[:, :, r]
    C[:, 0, :n_x] = C_y[:, 0]
    return Systems(states, ("control_error",), ("scale_reading",), A, B, C, D, system.period)
