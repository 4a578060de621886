"""What describing functions predict: every nonlinearity of an axis in its exact linear loop."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from servosim._equilibrium import rest, steady_force
from servosim.axis import Axis
from servosim.components.cylinder import output as cylinder_output
from servosim.components.load import way_levels
from servosim.errors import ParameterError
from servosim.linear import describing
from servosim.linear._cycle_elements import Chain, chain_of
from servosim.linear._cycle_loop import CycleLoop, cycle_loop
from servosim.linear._cycle_runs import isolated
from servosim.linear._cycle_solver import solutions
from servosim.linear.comparison import softest
from servosim.linear.plants import plants
from servosim.linear.points import Point, condition_points

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

_OPENINGS = np.geomspace(1e-6, 4.0, 260)
_LOWEST = 1e-2  # of the velocity gain: lowest frequency that is searched
_FREQUENCIES = 200
_UNSAMPLED = 0.5  # of Nyquist's frequency: friction acts between the samples too
_TURN = 0.08  # largest change of the logarithm of a response between two frequencies
_REFINED = 6  # times that a step of frequency may be halved
_CLOSED = 1e-4  # opening that counts as null
_LADDER = (0.003, 0.01, 0.03, 0.1, 0.2, 0.4, 0.7)  # openings in steady motion
_STEPS = np.geomspace(0.01, 100.0, 300)  # amplitudes of a reading in its steps
_VELOCITIES = np.geomspace(1e-9, 10.0, 260)  # amplitudes of friction's velocity, m/s


@dataclass(frozen=True)
class Predicted:
    """One limit cycle that the harmonic balance, or a theorem, predicts.

    Attributes
    ----------
    amplitude : float
        Of the table [m]; nan if only its existence is known.
    frequency : float
        Frequency [rad/s]; nan likewise.
    stable : bool
        Whether swings grow or shrink to it; an unstable one divides those that die from others.
    """

    amplitude: float
    frequency: float
    stable: bool


def _null_loop(axis: Axis, position: float) -> CycleLoop:
    return cycle_loop(condition_points(axis, position, conditions=("null",))[0])


def nearest_loop(axis: Axis, position: float) -> CycleLoop:
    """Return the loop just outside the overlap; where nothing moves so, that at null.

    Parameters
    ----------
    axis : Axis
        The axis.
    position : float
        Of the table [m].

    Returns
    -------
    CycleLoop
        The loop.

    Raises
    ------
    ParameterError
        If the axis has no steady state at null either.
    """
    try:
        points = condition_points(axis, position, conditions=("edge",), directions=(1.0,))
        return cycle_loop(points[0])
    except ParameterError:
        return _null_loop(axis, position)


def _grid(
    axis: Axis, loop: CycleLoop, response: Callable[[Array], Complex], top: float = 0.999
) -> Array:
    """Return frequencies between which a response neither turns nor grows much [rad/s]."""
    low = _LOWEST * axis.parameters.controller.K_v
    omega = np.geomspace(low, top * loop.highest, _FREQUENCIES)
    values = response(omega)
    for _ in range(_REFINED):
        coarse = np.flatnonzero(np.abs(np.log(values[1:] / values[:-1])) > _TURN)
        if not coarse.size:
            break
        middle = np.sqrt(omega[coarse] * omega[coarse + 1])
        omega = np.insert(omega, coarse + 1, middle)
        values = np.insert(values, coarse + 1, response(middle))
    return omega


class _Ladder:
    """Loops of a valve at null and ever more open, each over its own gains of curve and lands.

    A swing opens the valve by 2/pi of its amplitude on the mean, and an open valve takes more flow
    from the load pressure than one at null: it damps more.
    """

    def __init__(self, axis: Axis, position: float) -> None:
        g = axis.parameters.controller.g_plus
        points = [condition_points(axis, position, conditions=("null",))[0]]
        points += [Point(axis, position, o * g) for o in _LADDER]
        found = plants(points)
        refused = {id(point) for point, _ in found.refused}
        if not found.points:
            raise ParameterError(found.refused[0][1])
        self.opening = np.array(
            [
                o
                for o, point in zip((_CLOSED, *_LADDER), points, strict=True)
                if id(point) not in refused
            ]
        )
        self.loops = [cycle_loop(point) for point in found.points]
        self.known: dict[int, tuple[Complex, Complex, Complex]] = {}

    def at(self, omega: Array) -> tuple[Complex, Complex, Complex]:
        """Return loop and position over flow and asked opening, and spool over command.

        Shapes (n_openings, n_f).
        """
        if id(omega) not in self.known:
            rows = []
            for one in self.loops:
                L, x, spool = one.at_command(omega)
                flow_gain = float(one.plants.flow_gain[0])
                own = float(one.control.slope[0]) * one.control.numbers.g_plus[0]
                rows.append((L / (own * flow_gain), x / flow_gain, spool))
            found = tuple(np.array(column) for column in zip(*rows, strict=True))
            if len(omega) == 1:
                return found  # type: ignore[return-value]
            self.known[id(omega)] = found  # type: ignore[assignment]
        return self.known[id(omega)]

    def mixed(self, values: Complex, amplitude: Array) -> Complex:
        """Return values between the openings that amplitudes of the spool have on the mean."""
        if len(self.opening) == 1:
            return values
        at = np.log(np.clip(2.0 / np.pi * amplitude, self.opening[0], self.opening[-1]))
        steps = np.log(self.opening)
        place = np.clip(np.searchsorted(steps, at) - 1, 0, len(steps) - 2)
        share = (at - steps[place]) / (steps[place + 1] - steps[place])
        column = np.broadcast_to(np.arange(values.shape[1]), place.shape)
        low, high = values[place, column], values[place + 1, column]
        return np.asarray(low + share * (high - low))


def _valve_path(axis: Axis, position: float, chain: Chain) -> tuple[Predicted, ...]:
    """Return the swings that the elements between wanted velocity and flow sustain."""
    ladder = _Ladder(axis, position)
    omega = _grid(axis, ladder.loops[0], lambda w: ladder.loops[0].at_command(w)[0])

    def _gains(A: Array, spool: Complex) -> tuple[Complex, Array]:
        """Return the gain of all elements [m3/s] and the amplitude of the spool."""
        asked = A[:, None]
        curve = chain.curve(asked)
        command = np.abs(curve) * asked
        plays = chain.plays(command)
        at_lands = np.abs(plays) * command * np.abs(spool)[None]
        return curve * plays * chain.lands(at_lands), at_lands

    def _balance(A: Array, frequencies: Array) -> Complex:
        L, _, spool = ladder.at(frequencies)
        gain, opened = _gains(A, spool[0])
        return np.asarray(1.0 + gain * ladder.mixed(L, opened))

    found = []
    for one in solutions(_balance, _OPENINGS, omega):
        A = np.array([one.amplitude])
        _, x, spool = ladder.at(np.array([one.frequency]))
        gain, opened = _gains(A, spool[0])
        size = np.abs(ladder.mixed(x, opened) * gain)[0, 0] * one.amplitude
        found.append(Predicted(float(size), one.frequency, one.stable))
    return tuple(found)


def _rounding(
    axis: Axis, position: float, *, pressures: bool = False, between: bool = False
) -> tuple[Predicted, ...]:
    """Return the swings that the steps of a reading sustain, about a step or between two.

    Both pressures are rounded alike; that in A stands for their amplitude.
    """
    loop, t = _null_loop(axis, position), axis.file.transducer
    step = t.pressure_resolution if pressures else t.resolution
    opened = loop.at_pressure if pressures else loop.at_reading
    omega = _grid(axis, loop, lambda w: opened(w)[0])
    known = opened(omega)[0]

    def _balance(A: Array, frequencies: Array) -> Complex:
        L = known if frequencies is omega else opened(frequencies)[0]
        return np.asarray(1.0 + describing.quantiser(A, 1.0, between=between)[:, None] * L[None])

    found = []
    for one in solutions(_balance, _STEPS, omega):
        _, x = opened(np.array([one.frequency]))
        size = float(abs(x[0])) * one.amplitude * step
        found.append(Predicted(size, one.frequency, one.stable))
    return tuple(found)


def friction_levels(axis: Axis) -> tuple[float, float]:
    """Return the Coulomb and the static friction of ways and seals at rest [N].

    Parameters
    ----------
    axis : Axis
        The axis.

    Returns
    -------
    coulomb, static : float
        Levels [N], the seals' at the pressures of rest.
    """
    middle = 0.5 * axis.file.cylinder.stroke
    at = rest(float(steady_force(middle, 0.0, axis.record)[0]), axis.record)
    p = (float(at.p_A), float(at.p_B)) * 2
    seals = cylinder_output(0.0, p, (middle, 0.0), axis.record.cylinder)[2:]
    ways = way_levels(0.0, axis.record.load)
    return float(ways[0] + seals[0]), float(ways[1] + seals[1])


def _friction(axis: Axis, position: float) -> tuple[Predicted, ...]:
    """Return the swings that Coulomb friction as a relay over the velocity sustains."""
    level, _ = friction_levels(axis)
    bare = isolated(axis)
    loop = _null_loop(bare, position)
    omega = _grid(axis, loop, lambda w: loop.admittance(w)[0], _UNSAMPLED)
    known = loop.admittance(omega)[0]

    def _balance(A: Array, frequencies: Array) -> Complex:
        Y = known if frequencies is omega else loop.admittance(frequencies)[0]
        return np.asarray(1.0 + describing.relay(A, level)[:, None] * Y[None])

    return tuple(
        Predicted(one.amplitude / one.frequency, one.frequency, one.stable)
        for one in solutions(_balance, _VELOCITIES, omega)
    )


def predict(axis: Axis, position: float | None = None) -> dict[str, tuple[Predicted, ...]]:
    """Return the limit cycles that describing functions predict.

    Parameters
    ----------
    axis : Axis
        The axis.
    position : float, optional
        Position of the table [m]; where the oil is softest if not given.

    Returns
    -------
    dict of str to tuple of Predicted
        By mechanism, those that the axis has; an empty tuple where the balance has no solution.

    Raises
    ------
    ParameterError
        If the axis has no steady motion just outside the overlap.
    """
    x = softest(axis) if position is None else position
    v, c = axis.file.valve, axis.parameters.controller
    found: dict[str, tuple[Predicted, ...]] = {}
    overlaps = (v.overlap_pa, v.overlap_bt, v.overlap_pb, v.overlap_at)
    overlapped = any(o != 0.0 for o in overlaps) or c.k_o > 0.0
    plays = v.threshold > 0.0 or v.hysteresis > 0.0

    def _path(*kept: str) -> tuple[Predicted, ...]:
        one = isolated(axis, *kept)
        return _valve_path(one, x, chain_of(one))

    found["limits"] = _path()
    if overlapped:
        found["overlap"] = _path("overlap")
    if plays:
        found["hysteresis"] = _path("plays")
    if overlapped and plays:
        found["overlap and hysteresis"] = _path("overlap", "plays")
    if axis.file.transducer.resolution > 0.0 and c.sampled == 1:
        one = isolated(axis, "rounding")
        found["rounding"] = _rounding(one, x)
        found["rounding between steps"] = _rounding(one, x, between=True)
    if axis.file.transducer.pressure_resolution > 0.0 and c.sampled == 1 and c.k_p > 0.0:
        one = isolated(axis, "pressure rounding")
        found["pressure rounding"] = _rounding(one, x, pressures=True)
    if friction_levels(axis)[1] > 0.0:
        found["friction"] = _friction(axis, x)
    return found
