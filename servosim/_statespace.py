"""The border to the control library: named matrices and functions become its systems.

The library is imported inside the functions, because it is slow to import and few need it. Systems
keep all their rows and columns: a response of one input and one output still has both axes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Equation = Callable[[float, NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]


def _matrix(value: ArrayLike, rows: int, columns: int, name: str) -> NDArray[np.float64]:
    matrix = np.asarray(value, dtype=float)
    if matrix.size == 0 and rows * columns == 0:
        return np.zeros((rows, columns))
    if matrix.shape != (rows, columns):
        raise ValueError(
            f"matrix {name} has shape {matrix.shape}, but the names of states, inputs and outputs "
            f"ask for {(rows, columns)}; give one row or column for each name"
        )
    return matrix


def state_space(
    A: ArrayLike,
    B: ArrayLike,
    C: ArrayLike,
    D: ArrayLike,
    *,
    states: Sequence[str],
    inputs: Sequence[str],
    outputs: Sequence[str],
    name: str,
    period: float = 0.0,
) -> Any:
    """Return a linear system whose states, inputs and outputs have names.

    Parameters
    ----------
    A, B, C, D : array_like
        Matrices of shapes (n_x, n_x), (n_x, n_u), (n_y, n_x), (n_y, n_u), SI units.
    states, inputs, outputs : sequence of str
        Names, which also state the shapes.
    name : str
        Name of the system.
    period : float, optional
        Sampling period [s]; zero for a continuous system.

    Returns
    -------
    control.StateSpace
        The system with all of its states kept.

    Raises
    ------
    ValueError
        If a matrix doesn't have the shape that the names ask for.
    """
    import control

    n_x, n_u, n_y = len(states), len(inputs), len(outputs)
    return control.StateSpace(
        _matrix(A, n_x, n_x, "A"),
        _matrix(B, n_x, n_u, "B"),
        _matrix(C, n_y, n_x, "C"),
        _matrix(D, n_y, n_u, "D"),
        period,
        states=list(states),
        inputs=list(inputs),
        outputs=list(outputs),
        name=name,
        remove_useless_states=False,
    )


def nonlinear_system(
    derivative: Equation,
    output: Equation,
    *,
    states: Sequence[str],
    inputs: Sequence[str],
    outputs: Sequence[str],
    name: str,
    period: float = 0.0,
) -> Any:
    """Return a nonlinear system whose states, inputs and outputs have names.

    Parameters
    ----------
    derivative, output : callable
        Functions of time [s], states and inputs that return arrays of shape (n_x,) and (n_y,);
        for a sampled system ``derivative`` returns the next states.
    states, inputs, outputs : sequence of str
        Names.
    name : str
        Name of the system.
    period : float, optional
        Sampling period [s]; zero for a continuous system.

    Returns
    -------
    control.NonlinearIOSystem
        The system.
    """
    import control

    def _rates(t: float, x: Any, u: Any, params: Any) -> NDArray[np.float64]:
        return derivative(t, np.atleast_1d(x), np.atleast_1d(u))

    def _values(t: float, x: Any, u: Any, params: Any) -> NDArray[np.float64]:
        return output(t, np.atleast_1d(x), np.atleast_1d(u))

    return control.NonlinearIOSystem(
        _rates,
        _values,
        inputs=list(inputs),
        outputs=list(outputs),
        states=list(states),
        name=name,
        dt=period,
    )


def interconnect(
    systems: Sequence[Any], *, inputs: Sequence[str], outputs: Sequence[str], name: str
) -> Any:
    """Return systems joined wherever an input has the name of an output.

    Parameters
    ----------
    systems : sequence of control.InputOutputSystem
        Systems with named signals.
    inputs : sequence of str
        Inputs of the whole.
    outputs : sequence of str
        Outputs of the whole.
    name : str
        Name of the whole.

    Returns
    -------
    control.InterconnectedSystem
        The whole; its states are named ``system_state``.
    """
    import control

    return control.interconnect(
        list(systems),
        inputs=list(inputs),
        outputs=list(outputs),
        name=name,
        check_unused=False,
    )
