"""What the plots of a sizing show: lines of the shown combination, and times over parts."""

from __future__ import annotations

from dataclasses import dataclass

from servosim.sizing.combinations import Array, Flags, Numbers


@dataclass(frozen=True)
class Locus:
    """The load of the cycle against what the valve gives.

    Attributes
    ----------
    words : tuple of str, length n_p
        What each point of the cycle is.
    velocity, force : ndarray, shape (n_p,)
        Of each point: velocity and force of the oil on the piston [m/s, N], positive in extension.
    opening : ndarray, shape (n_p,)
        Part of the full command that the point needs [-].
    curve_force : ndarray, shape (n_c,)
        Forces of the curves [N].
    full_out, full_in : ndarray, shape (n_c,)
        Velocity at full command, out and in [m/s]; ``full_in`` is below zero; nan beyond stall.
    used_out, used_in : ndarray, shape (n_c,)
        The same at the largest opening that the margins admit.
    used_opening : float
        That opening [-].
    stall_out, stall_in : float
        Forces at which it stands still [N]; ``stall_in`` is below zero.
    """

    words: tuple[str, ...]
    velocity: Array
    force: Array
    opening: Array
    curve_force: Array
    full_out: Array
    full_in: Array
    used_out: Array
    used_in: Array
    used_opening: float
    stall_out: float
    stall_in: float


@dataclass(frozen=True)
class AlongStroke:
    """Natural frequency along the stroke.

    Attributes
    ----------
    position : ndarray, shape (n_pos,)
        Positions from the retracted end, over the travel of the table [m].
    frequency : ndarray, shape (n_pos,)
        Natural frequency with the heaviest workpiece, most air and hottest oil [rad/s].
    needed : float
        Least that the margins admit for the motion [rad/s].
    lowest, lowest_position : float
        Lowest of it, and where [rad/s, m].
    """

    position: Array
    frequency: Array
    needed: float
    lowest: float
    lowest_position: float


@dataclass(frozen=True)
class SupplyCycle:
    """Flow and supply pressure over one cycle, by algebra.

    Attributes
    ----------
    time, flow, pressure : ndarray, shape (n_t,)
        Time [s], flow drawn from the supply [m3/s], supply pressure [Pa].
    mean_flow, pump_flow : float
        [m3/s].
    nominal_pressure, lowest_admitted : float
        Nominal pressure, and the nominal less the sag that is admitted [Pa].
    """

    time: Array
    flow: Array
    pressure: Array
    mean_flow: float
    pump_flow: float
    nominal_pressure: float
    lowest_admitted: float


@dataclass(frozen=True)
class SettlingPoints:
    """Settling time and power of the combinations that were moved, over their parts.

    Attributes
    ----------
    number : ndarray of int, shape (n_tried,)
        Row of each combination.
    words : tuple of str
        Its parts.
    area : ndarray, shape (n_tried,)
        Effective area of side A [m2].
    bore : ndarray, shape (n_tried,)
        Bore [m], nan for a motor with screw.
    rated_flow : ndarray, shape (n_tried,)
        Rated flow of the valve at a drop of 70 bar [m3/s].
    pressure : ndarray, shape (n_tried,)
        Nominal supply pressure [Pa].
    settling_time, predicted : ndarray, shape (n_tried,)
        Worst in moves and by algebra [s]; nan if it doesn't settle.
    motor_power : ndarray, shape (n_tried,)
        Power of the electric motor [W].
    kept : ndarray of bool, shape (n_tried,)
        Whether every rule and goal is kept.
    allowed : float
        Longest settling time that is allowed [s].
    """

    number: Numbers
    words: tuple[str, ...]
    area: Array
    bore: Array
    rated_flow: Array
    pressure: Array
    settling_time: Array
    predicted: Array
    motor_power: Array
    kept: Flags
    allowed: float


@dataclass(frozen=True)
class Curves:
    """Lines for the four plots; one that could not be had is None.

    Attributes
    ----------
    locus : Locus or None
        Load of the cycle against the valve.
    along_stroke : AlongStroke or None
        Natural frequency.
    supply : SupplyCycle or None
        Flow and pressure over the cycle.
    settling : SettlingPoints or None
        Of everything that was moved; None if nothing was.
    """

    locus: Locus | None
    along_stroke: AlongStroke | None
    supply: SupplyCycle | None
    settling: SettlingPoints | None
