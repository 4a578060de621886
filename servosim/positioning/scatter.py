"""What differs from stop to stop of a simulated positioning test, each cause taken from the file.

- **Noise** of the transducers: other random numbers in each move.
- **Oil**: it warms over the test, ``T = T_1 + (T_0 - T_1) exp(-t/tau)``, from the low to the high
  end of the file's envelope with the time constant of its tank, heat capacity over cooling. Null
  shift, viscosity, leakage and stiffness follow.
- **Supply**: pressure drawn evenly between the ends of its envelope, anew for each stop.
- Plays of the valve (threshold, hysteresis) and bristles of the friction are where the move has
  brought them: they need no draw.

What a file cannot tell is an option and zero if not given: how much the friction varies from stop
to stop, and how much the scale warms during the test.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from servosim.axis import Axis
from servosim.errors import Fault, ParameterError
from servosim.positioning.deviations import Array
from servosim.positioning.standard_cycle import TestCycle

SUPPLIES = ("stop", "machine", "file")
OILS = ("warming", "file")
UNKNOWNS = ("drawn", "file")
TRIMS = ("anew", "file")
FRICTION_KEYS = (
    "table.coulomb_coefficient",
    "table.static_coefficient",
    "cylinder.seal_friction",
    "cylinder.seal_breakaway",
    "cylinder.seal_pressure_friction",
)
_STOPS = 1  # stream of random numbers, beside that of the machine's unknowns
_LARGEST_SEED = 2**31 - 1
_CHOICES = {"supply": SUPPLIES, "oil": OILS, "unknowns": UNKNOWNS, "trim": TRIMS}


@dataclass(frozen=True)
class Conditions:
    """How a test is taken, beside targets and runs.

    Attributes
    ----------
    supply : str
        Pressure drawn for each ``stop``, once for each ``machine``, or that of the ``file``.
    oil : str
        ``warming`` from the low to the high end of the envelope, or the temperature of the
        ``file``.
    unknowns : str
        What is fixed in a machine but not known: ``drawn`` for each, or as in the ``file``.
    trim : str
        Whether each machine's null trim is set ``anew`` for its own null bias, as the file's is for
        the file's, or is that of the ``file``; a file without trim has machines without.
    pause : float
        Time at rest at each target, for the reading [s].
    warm_up : float
        Time for which the oil had warmed before the test [s].
    friction_variation : float
        Half width by which friction of ways and seals differs from stop to stop, evenly, as a share
        of the file's [-].
    scale_warming : float
        Rise of the scale's temperature over the test, in proportion to time [K].
    """

    supply: str = "stop"
    oil: str = "warming"
    unknowns: str = "drawn"
    trim: str = "anew"
    pause: float = 5.0
    warm_up: float = 0.0
    friction_variation: float = 0.0
    scale_warming: float = 0.0

    def __post_init__(self) -> None:
        faults = []
        for name, choices in _CHOICES.items():
            value = getattr(self, name)
            if value not in choices:
                expected = f"one of {', '.join(choices)}"
                faults.append(Fault("", "", name, f"{value!r} is not known", expected))
        ranges = {
            "pause": (0.0, math.inf, "s"),
            "warm_up": (0.0, math.inf, "s"),
            "friction_variation": (0.0, 0.95, ""),
            "scale_warming": (-50.0, 50.0, "K"),
        }
        for name, (low, high, unit) in ranges.items():
            value = getattr(self, name)
            if not (math.isfinite(value) and low <= value <= high):
                expected = (
                    f"{low:g} to {high:g} {unit}"
                    if math.isfinite(high)
                    else f"{low:g} {unit} or more"
                )
                what = f"is {value:g} {unit}".rstrip()
                faults.append(Fault("", "", name, what, expected.rstrip()))
        if faults:
            raise ParameterError(faults)

    def as_dict(self) -> dict[str, str | float]:
        """Return the conditions by name, SI units."""
        return {one.name: getattr(self, one.name) for one in fields(self)}


@dataclass(frozen=True, eq=False)
class Stops:
    """What holds at each stop of one machine's test, in the order of the cycle.

    Attributes
    ----------
    seeds : ndarray of int, shape (n,)
        Seeds of the transducers' noise.
    oil : ndarray, shape (n,)
        Oil temperature [K].
    supply : ndarray, shape (n,)
        Supply pressure [Pa].
    friction : ndarray, shape (n,)
        Friction over the file's [-].
    scale : ndarray, shape (n,)
        Temperature of the scale [K].
    """

    seeds: NDArray[np.int64]
    oil: Array
    supply: Array
    friction: Array
    scale: Array


def time_constant(axis: Axis) -> float:
    """Return the time constant with which the tank warms [s], infinite without cooling."""
    s = axis.file.supply
    return s.tank_heat_capacity / s.cooling if s.cooling > 0.0 else math.inf


def oil_temperatures(axis: Axis, times: Array, conditions: Conditions) -> Array:
    """Return the oil's temperature at times of a test.

    Parameters
    ----------
    axis : Axis
        The axis.
    times : ndarray
        Times since the test began [s].
    conditions : Conditions
        How the test is taken.

    Returns
    -------
    ndarray
        Temperatures [K]. Without cooling in the file the tank's time constant is infinite and the
        oil stays at the low end of its envelope.
    """
    f = axis.file
    if conditions.oil == "file":
        return np.full(np.shape(times), f.oil.temperature)
    low, high = f.envelope.temperature
    fade = np.exp(-(np.asarray(times) + conditions.warm_up) / time_constant(axis))
    return np.asarray(high + (low - high) * fade, dtype=np.float64)


def stops_of(
    axis: Axis,
    cycle: TestCycle,
    times: Array,
    conditions: Conditions,
    seed: int,
    number: int,
    supply: float,
) -> Stops:
    """Return what holds at each stop of one machine's test.

    Parameters
    ----------
    axis : Axis
        The axis of the file.
    cycle : TestCycle
        The stops.
    times : ndarray, shape (n,)
        When each is read, since the test began [s].
    conditions : Conditions
        How the test is taken.
    seed, number : int
        Seed of the whole, and number of the machine.
    supply : float
        Pressure of this machine where it does not change from stop to stop [Pa].

    Returns
    -------
    Stops
        The same for the same seed and number, whatever else is run.
    """
    n = len(cycle.stops)
    rng = np.random.default_rng([seed, number, _STOPS])
    seeds = rng.integers(0, _LARGEST_SEED, n)
    shares = rng.random((2, n))
    pressure = np.full(n, supply)
    if conditions.supply == "stop":
        low, high = axis.file.envelope.supply_pressure
        pressure = low + (high - low) * shares[0]
    whole = float(times[-1]) if n and times[-1] > 0.0 else 1.0
    return Stops(
        seeds=seeds,
        oil=oil_temperatures(axis, times, conditions),
        supply=pressure,
        friction=1.0 + conditions.friction_variation * (2.0 * shares[1] - 1.0),
        scale=axis.file.transducer.scale_temperature
        + conditions.scale_warming * np.asarray(times) / whole,
    )


def changes_of(axis: Axis, stops: Stops, k: int, conditions: Conditions) -> dict[str, float]:
    """Return the values of the file that hold at one stop.

    Parameters
    ----------
    axis : Axis
        The axis of the file.
    stops : Stops
        What holds at each.
    k : int
        Number of the stop, from 0.
    conditions : Conditions
        How the test is taken.

    Returns
    -------
    dict of str to float
        ``"table.key"`` to value [SI]; those that differ from the file's alone.
    """
    f = axis.file
    found = {"oil.temperature": float(stops.oil[k]), "supply.pressure": float(stops.supply[k])}
    if conditions.scale_warming != 0.0:
        found["transducer.scale_temperature"] = float(stops.scale[k])
    if conditions.friction_variation != 0.0:
        factor = float(stops.friction[k])
        for path in FRICTION_KEYS:
            table, key = path.split(".")
            found[path] = factor * getattr(getattr(f, table), key)
    same = {"oil.temperature": f.oil.temperature, "supply.pressure": f.supply.pressure}
    return {path: value for path, value in found.items() if value != same.get(path)}
