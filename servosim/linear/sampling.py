"""Plants as a sampled controller sees them: hold, computing delay and delay of the scale, exactly.

Between two samples the spool's command changes once, when the computing delay is over. The state
at the next sample follows from matrix exponentials of the stretches between these times, without
an approximation of delay or hold. Thrusts are held from sample to sample.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from servosim.axis import Axis
from servosim.errors import ParameterError
from servosim.linear.exponentials import matrix_exponentials
from servosim.linear.plants import INPUTS, Plants

Array = NDArray[np.float64]

HELD = "held_spool_command"
_SCALES = (  # usual sizes of states, by what stands in their names, so that exponentials are tame
    ("spool_rate", 10.0),
    ("spool", 1e-2),
    ("pressure", 1e5),
    ("flow", 1e-5),
    ("temperature", 1.0),
    ("velocity", 1e-3),
    ("", 1e-5),
)
_SAME_TIME = 1e-9  # parts of a period closer than this are one


@dataclass(frozen=True)
class SampledPlants:
    """Sampled plants of many points, an ordinary sampled system each.

    ``x[k+1] = A x[k] + B u[k]`` and ``y[k] = C x[k]`` at the times of the samples. The command of
    sample k is the one that is computed from the readings of sample k.

    Attributes
    ----------
    states : tuple of str
        States of the plant; ``held_spool_command``, the one at work at the sample, before that of
        a command without computing delay; and, if the scale's reading comes late,
        ``delayed_reading_1`` and so on, the readings on their way.
    inputs, outputs : tuple of str
        Those of the plants. The outputs are values at the sample, but for ``scale_reading``: that
        is what the controller reads, which the transport delay makes older.
    A, B, C : ndarray, shapes (n, n_x, n_x), (n, n_x, n_u), (n, n_y, n_x)
        Matrices of the deviations [SI]; no input acts on an output of the same sample.
    period, delay : float
        Sampling period and computing delay [s].
    reading_delay : float
        Transport delay of the scale [s].
    """

    states: tuple[str, ...]
    inputs: tuple[str, ...]
    outputs: tuple[str, ...]
    A: Array
    B: Array
    C: Array
    period: float
    delay: float
    reading_delay: float


def state_scales(names: tuple[str, ...]) -> Array:
    """Return a usual size of each state, by its name.

    Parameters
    ----------
    names : tuple of str
        Names of states.

    Returns
    -------
    ndarray, shape (n_x,)
        Sizes [SI unit of each state].
    """
    return np.array([next(size for part, size in _SCALES if part in n) for n in names])


def exponentials(A: Array, B: Array, time: float) -> tuple[Array, Array]:
    """Return what states and held inputs become after a time.

    Parameters
    ----------
    A, B : ndarray, shapes (n, n_x, n_x), (n, n_x, n_u)
        Matrices of ``dx/dt = A x + B u``, of states and inputs of usual size about one.
    time : float
        Time [s].

    Returns
    -------
    Phi, Gamma : ndarray, shapes (n, n_x, n_x), (n, n_x, n_u)
        ``x(time) = Phi x(0) + Gamma u``.
    """
    n, n_x, n_u = B.shape
    both = np.zeros((n, n_x + n_u, n_x + n_u))
    both[:, :n_x, :n_x], both[:, :n_x, n_x:] = A * time, B * time
    after = matrix_exponentials(both)
    return after[:, :n_x, :n_x], after[:, :n_x, n_x:]


def _timing(axes: list[Axis]) -> tuple[float, float, float]:
    """Return period, computing delay and reading delay, which all axes must share."""
    found = set()
    for axis in axes:
        p = axis.parameters
        if p.controller.sampled == 0:
            raise ParameterError(
                '[controller] kind: "continuous" has no samples, so there is no sampled form; '
                'choose "sampled", or use the continuous one'
            )
        found.add((p.controller.period, p.controller.delay, p.transducer.delay))
    if len(found) != 1:
        raise ParameterError(
            f"these points have {len(found)} different sets of period, computing delay and delay "
            "of the scale; take the axes of each set by themselves"
        )
    return found.pop()


def sampled(plants: Plants) -> SampledPlants:
    """Return plants as their sampled controllers see them.

    Parameters
    ----------
    plants : Plants
        Plants whose controllers have the same period and delays, one at least.

    Returns
    -------
    SampledPlants
        Exact for commands held from one to the next and thrusts held from sample to sample.

    Raises
    ------
    ParameterError
        If a controller is continuous, there is no plant, or the times differ between the points.

    Notes
    -----
    For computing delay t_c < T: ``x(t_c) = Phi(t_c) x[k] + Gamma(t_c) s[k]``,
    ``s[k+1] = u[k] + b p_S(t_c)`` with b the shift of the null with supply pressure, and
    ``x[k+1] = Phi(T - t_c) x(t_c) + Gamma(T - t_c) s[k+1]``.
    """
    if not plants.points:
        raise ParameterError("none of the points exists, so there is nothing to sample")
    T, delay, late = _timing([point.axis for point in plants.points])
    whole = int(late / T + _SAME_TIME)
    part = late - whole * T
    part = 0.0 if part < _SAME_TIME * T else part
    scale = state_scales(plants.states)
    n, n_x, n_u = plants.B.shape
    spool, p_S, reading = (
        INPUTS.index("spool_command"),
        plants.outputs.index("supply_pressure"),
        plants.outputs.index("scale_reading"),
    )
    shift = plants.null_shift_slope[:, None] * plants.C[:, p_S]  # (n, n_x)
    held = plants.A - plants.B[:, :, spool, None] * shift[:, None, :]
    # in states of size one; the inputs keep their units
    A = held * scale / scale[:, None]
    B = plants.B / scale[:, None]
    to_reading, to_shift = plants.C[:, reading] * scale, shift * scale

    # everything that happens within a period, over the columns: states, held command, inputs
    x = np.zeros((n, n_x, n_x + 1 + n_u))
    x[:, range(n_x), range(n_x)] = 1.0
    s = np.zeros((n, x.shape[2]))
    s[:, n_x] = 1.0
    new = n_x + 1 + spool
    forces = np.zeros((n_u, x.shape[2]))
    for k in range(n_u):
        if k != spool:
            forces[k, n_x + 1 + k] = 1.0
    fetched = np.einsum("nx,nxc->nc", to_reading, x)
    actions = sorted([(delay, "command"), (T - part, "reading"), (T, "end")], key=lambda a: a[0])
    t = 0.0
    for time, action in actions:
        step = T - t if action == "end" else time - t
        if step > _SAME_TIME * T:
            Phi, Gamma = exponentials(A, B, step)
            u = np.broadcast_to(forces, (n, *forces.shape)).copy()
            u[:, spool] = s
            x = Phi @ x + Gamma @ u
            t += step
        if action == "command":
            s = np.einsum("nx,nxc->nc", to_shift, x)
            s[:, new] += 1.0
        elif action == "reading" and part > 0.0:
            fetched = np.einsum("nx,nxc->nc", to_reading, x)
    late_states = whole + (1 if part > 0.0 else 0)
    return _assembled(plants, x, s, fetched, scale, late_states, (T, delay, late))


def _assembled(
    plants: Plants,
    x: Array,
    s: Array,
    fetched: Array,
    scale: Array,
    late_states: int,
    times: tuple[float, float, float],
) -> SampledPlants:
    """Return the system of one period, with the readings on their way as states."""
    n, n_x, n_u = plants.B.shape
    names = tuple(f"delayed_reading_{k + 1}" for k in range(late_states))
    size = n_x + 1 + late_states
    A, B = np.zeros((n, size, size)), np.zeros((n, size, n_u))
    unit = np.concatenate([scale, [1.0]])
    A[:, :n_x, : n_x + 1] = x[:, :, : n_x + 1] * scale[:, None] / unit
    B[:, :n_x] = x[:, :, n_x + 1 :] * scale[:, None]
    A[:, n_x, : n_x + 1], B[:, n_x] = s[:, : n_x + 1] / unit, s[:, n_x + 1 :]
    C = np.zeros((n, plants.C.shape[1], size))
    C[:, :, :n_x] = plants.C
    if late_states:
        A[:, n_x + 1, : n_x + 1] = fetched[:, : n_x + 1] / unit
        B[:, n_x + 1] = fetched[:, n_x + 1 :]
        for k in range(1, late_states):
            A[:, n_x + 1 + k, n_x + k] = 1.0
        reading = plants.outputs.index("scale_reading")
        C[:, reading] = 0.0
        C[:, reading, -1] = 1.0
    states = (*plants.states, HELD, *names)
    return SampledPlants(states, plants.inputs, plants.outputs, A, B, C, *times)
