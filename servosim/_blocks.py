"""What a block is to Python, how blocks join by the names of their signals, and their derivative.

A block has states, inputs and outputs, each with a name, and two functions on arrays in the order
of these names. Blocks join wherever an input of one has the name of an output of another; the
joined blocks are again a block. The linear form of any block is the derivative of its functions.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim._statespace import Equation, interconnect, nonlinear_system, state_space
from servosim.errors import ParameterError

Vector = NDArray[np.float64]

_HALVINGS = 9
# first step of the differences, by what stands in the name of the signal; later steps are halves
_STEPS = (
    ("spool_rate", 1e-2),
    ("spool", 2e-3),
    ("command", 1e-3),
    ("pressure", 2e4),
    ("flow", 1e-6),
    ("acceleration", 1e-3),
    ("velocity", 1e-4),
    ("integral", 1e-4),
    ("bristle", 1e-8),
    ("reading", 1e-6),
    ("position", 1e-6),
    ("temperature", 0.1),
    ("thrust", 1.0),
    ("force", 1.0),
    ("seal", 1.0),
    ("area", 1e-3),
    ("heat", 1.0),
    ("load_estimate", 2e4),
)


@dataclass(frozen=True)
class Block:
    """One block with named signals.

    Attributes
    ----------
    name : str
        Name of the block.
    states, inputs, outputs : tuple of str
        Names in the order of the arrays.
    derivative : callable
        ``derivative(t, x, u)`` returns the rates of the states, shape (n_x,) [SI unit of the state
        per second]; for a sampled block the states of the next sample.
    output : callable
        ``output(t, x, u)`` returns the outputs, shape (n_y,) [SI].
    period : float
        Sampling period [s]; zero for a continuous block.
    """

    name: str
    states: tuple[str, ...]
    inputs: tuple[str, ...]
    outputs: tuple[str, ...]
    derivative: Equation
    output: Equation
    period: float = 0.0


def kernel_block(
    name: str,
    *,
    states: Sequence[str],
    inputs: Sequence[str],
    outputs: Sequence[str],
    kernel_states: Sequence[str] = (),
    kernel_inputs: Sequence[str],
    fixed: Mapping[str, float] | None = None,
    same: Mapping[str, str] | None = None,
    rates: Callable[..., tuple[float, ...]] | None = None,
    values: Callable[..., tuple[float, ...]],
    period: float = 0.0,
) -> Block:
    """Return a block around compiled functions that take tuples.

    Parameters
    ----------
    name : str
        Name of the block.
    states, inputs, outputs : sequence of str
        Names that the block shows.
    kernel_states, kernel_inputs : sequence of str
        Names in the order of the tuples that the functions take.
    fixed : mapping of str to float, optional
        Values [SI] of kernel states and inputs that the block doesn't show; zero if not given.
    same : mapping of str to str, optional
        Kernel state or input to the one whose value it has.
    rates, values : callable
        Functions of time [s], states and inputs that return the rates in the order of
        ``kernel_states`` and the values in the order of ``outputs``.
    period : float, optional
        Sampling period [s].

    Returns
    -------
    Block
        The block.
    """
    fixed, same = fixed or {}, same or {}

    def _plan(wanted: Sequence[str], own: Sequence[str]) -> list[tuple[int, float]]:
        places = [same.get(n, n) for n in wanted]
        return [
            (list(own).index(n) if n in own else -1, float(fixed.get(w, 0.0)))
            for w, n in zip(wanted, places, strict=True)
        ]

    plan_x, plan_u = _plan(kernel_states, states), _plan(kernel_inputs, inputs)
    shown = [list(kernel_states).index(n) for n in states]

    def _fill(plan: list[tuple[int, float]], v: Vector) -> tuple[float, ...]:
        numbers = [float(value) for value in v]
        return tuple(numbers[k] if k >= 0 else constant for k, constant in plan)

    def _derivative(t: float, x: Vector, u: Vector) -> Vector:
        if rates is None:
            return np.zeros(0)
        all_rates = rates(t, _fill(plan_x, x), _fill(plan_u, u))
        return np.array([all_rates[k] for k in shown], dtype=float)

    def _output(t: float, x: Vector, u: Vector) -> Vector:
        return np.array(values(t, _fill(plan_x, x), _fill(plan_u, u)), dtype=float)

    return Block(name, tuple(states), tuple(inputs), tuple(outputs), _derivative, _output, period)


def join(blocks: Sequence[Block], name: str = "axis") -> Block:
    """Return blocks joined by the names of their signals, as one block.

    Parameters
    ----------
    blocks : sequence of Block
        Continuous blocks, or sampled ones of one period.
    name : str, optional
        Name of the whole.

    Returns
    -------
    Block
        Its states are those of all blocks in turn, its outputs all their outputs, its inputs those
        that no block gives.

    Raises
    ------
    ParameterError
        If two blocks have a state or an output in common, if their periods differ, or, when it is
        evaluated, if outputs depend on themselves.
    """
    states = [n for b in blocks for n in b.states]
    outputs = [n for b in blocks for n in b.outputs]
    for kind, names in (("state", states), ("output", outputs)):
        twice = sorted({n for n in names if names.count(n) > 1})
        if twice:
            raise ParameterError(
                f"{name}: {kind} {', '.join(twice)} belongs to more than one block; "
                "rename it in one of them"
            )
    if len({b.period for b in blocks}) > 1:
        raise ParameterError(
            f"{name}: blocks of different sampling periods "
            f"({', '.join(f'{b.name} {b.period:g} s' for b in blocks)}) can't be joined; "
            "turn the continuous blocks into sampled ones first"
        )
    given = set(outputs)
    inputs = list(dict.fromkeys(n for b in blocks for n in b.inputs if n not in given))
    place = {n: k for k, n in enumerate([*outputs, *inputs])}
    n_y = len(outputs)
    wires = [np.array([place[n] for n in b.inputs], dtype=int) for b in blocks]
    x_ends = np.cumsum([0] + [len(b.states) for b in blocks])
    y_ends = np.cumsum([0] + [len(b.outputs) for b in blocks])
    parts = range(len(blocks))

    def _signals(t: float, x: Vector, u: Vector) -> Vector:
        signals = np.concatenate([np.zeros(n_y), u])
        for _ in range(len(blocks) + 1):
            before = signals.copy()
            for k in parts:
                own = x[x_ends[k] : x_ends[k + 1]]
                signals[y_ends[k] : y_ends[k + 1]] = blocks[k].output(t, own, signals[wires[k]])
            if np.array_equal(before, signals, equal_nan=True):
                return signals
        loose = [n for n in outputs if before[place[n]] != signals[place[n]]]
        raise ParameterError(
            f"{name}: outputs {', '.join(loose)} depend on themselves without a state between; "
            "put a state into this loop"
        )

    def _derivative(t: float, x: Vector, u: Vector) -> Vector:
        signals = _signals(t, x, u)
        return np.concatenate(
            [
                blocks[k].derivative(t, x[x_ends[k] : x_ends[k + 1]], signals[wires[k]])
                for k in parts
            ]
        )

    def _output(t: float, x: Vector, u: Vector) -> Vector:
        return _signals(t, x, u)[:n_y]

    period = blocks[0].period if blocks else 0.0
    return Block(name, tuple(states), tuple(inputs), tuple(outputs), _derivative, _output, period)


def system(block: Block) -> Any:
    """Return a block as a system of the control library.

    Parameters
    ----------
    block : Block
        The block.

    Returns
    -------
    control.NonlinearIOSystem
        The same block, with the same names.
    """
    return nonlinear_system(
        block.derivative,
        block.output,
        states=block.states,
        inputs=block.inputs,
        outputs=block.outputs,
        name=block.name,
        period=block.period,
    )


def joined_system(blocks: Sequence[Block], name: str = "axis") -> Any:
    """Return blocks joined by the control library instead of :func:`join`.

    Parameters
    ----------
    blocks : sequence of Block
        The blocks.
    name : str, optional
        Name of the whole.

    Returns
    -------
    control.InterconnectedSystem
        The whole, with the inputs and outputs of :func:`join`.
    """
    whole = join(blocks, name)
    systems = [system(b) for b in blocks]
    return interconnect(systems, inputs=whole.inputs, outputs=whole.outputs, name=name)


def _step(signal: str) -> float:
    return next((step for part, step in _STEPS if part in signal), 1e-3)


def differentiate(function: Callable[[float], Vector], at: float, step: float) -> Vector:
    """Return the derivative of a smooth function of one number.

    Parameters
    ----------
    function : callable
        Function of a number that returns an array of shape (n,).
    at : float
        Where to differentiate, in the function's unit.
    step : float
        First step, in the same unit; it is halved and the differences are extrapolated.

    Returns
    -------
    ndarray, shape (n,)
        Derivative, the extrapolation with the least difference from its neighbours. At a kink it is
        the mean of the slopes on both sides.

    References
    ----------
    C. J. F. Ridders, "Accurate computation of F'(x) and F'(x)F''(x)", Advances in Engineering
    Software 4(2), 1982 (from memory): central differences, polynomial extrapolation to step zero.
    """
    best = error = np.zeros(0)
    row: list[Vector] = []
    for k in range(_HALVINGS):
        h = step / 2.0**k
        width = (at + h) - (at - h)  # what the floating numbers really differ by
        new = [(function(at + h) - function(at - h)) / width]
        if k == 0:
            best, error = new[0], np.full_like(new[0], np.inf)
        for j in range(k):
            factor = 4.0 ** (j + 1)
            new.append((factor * new[j] - row[j]) / (factor - 1.0))
            guess = np.maximum(abs(new[j + 1] - new[j]), abs(new[j + 1] - row[j]))
            better = guess < error
            best = np.where(better, new[j + 1], best)
            error = np.where(better, guess, error)
        row = new
    return best


def jacobian(
    block: Block, states: Mapping[str, float], signals: Mapping[str, float]
) -> tuple[Vector, Vector, Vector, Vector]:
    """Return the derivative of a block's functions by its states and inputs.

    Parameters
    ----------
    block : Block
        The block.
    states : mapping of str to float
        Value of each of its states [SI].
    signals : mapping of str to float
        Value of each of its inputs [SI].

    Returns
    -------
    A, B, C, D : ndarray
        Shapes (n_x, n_x), (n_x, n_u), (n_y, n_x), (n_y, n_u), SI units.

    Raises
    ------
    ParameterError
        If a value is missing or the derivative isn't finite.
    """
    missing = [n for n in block.states if n not in states]
    missing += [n for n in block.inputs if n not in signals]
    if missing:
        raise ParameterError(
            f"block {block.name}: no value for {', '.join(missing)} at the operating point; "
            "it was made for blocks of another form, make both with the same lock and friction"
        )
    n_x = len(block.states)
    names = [*block.states, *block.inputs]
    point = [states[n] for n in block.states] + [signals[n] for n in block.inputs]
    v = np.array(point, dtype=float)
    columns = np.zeros((n_x + len(block.outputs), len(names)))
    for k, signal in enumerate(names):

        def _both(value: float, k: int = k) -> Vector:
            w = v.copy()
            w[k] = value
            x, u = w[:n_x], w[n_x:]
            return np.concatenate([block.derivative(0.0, x, u), block.output(0.0, x, u)])

        columns[:, k] = differentiate(_both, v[k], _step(signal))
    if not np.all(np.isfinite(columns)):
        row, column = np.argwhere(~np.isfinite(columns))[0]
        which = [*block.states, *block.outputs][row]
        raise ParameterError(
            f"block {block.name}: the derivative of {which} by {names[column]} isn't finite at "
            f"{names[column]} = {v[column]:g} (SI); choose an operating point away from this limit"
        )
    rates, values = columns[:n_x], columns[n_x:]
    return rates[:, :n_x], rates[:, n_x:], values[:, :n_x], values[:, n_x:]


def linear_system(block: Block, states: Mapping[str, float], signals: Mapping[str, float]) -> Any:
    """Return the linear form of a block, the derivative of its functions.

    Parameters
    ----------
    block : Block
        The block.
    states, signals : mapping of str to float
        Values of its states and inputs [SI].

    Returns
    -------
    control.StateSpace
        Deviations from these values, with the block's names.

    Raises
    ------
    ParameterError
        If a value is missing or the derivative isn't finite.
    """
    return state_space(
        *jacobian(block, states, signals),
        states=block.states,
        inputs=block.inputs,
        outputs=block.outputs,
        name=block.name,
        period=block.period,
    )
