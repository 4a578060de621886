"""The linear form of the controller at many operating points: matrices and transfer functions.

The command is a bent function of the wanted velocity: the velocity gain of the direction, the
overlap's inverse, and the correction for the load. Its slopes are those of
:func:`servosim.components.controller.opening_command` where the point needs its command; limits of
the command and of the integral, and the integral's dead zone, pass with gain one.

Signs. The feedback is taken out: every transfer function here that leads from a reading is the
controller's with the sign turned, so that a closed loop is 1/(1 + L).
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim.axis import Axis
from servosim.components.controller import STATES, ControllerParameters
from servosim.errors import ParameterError
from servosim.linear._command_slopes import FILTER, filters, null_shifts, slopes
from servosim.linear.plants import Plants

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Rows = NDArray[np.intp]

INPUTS = (
    "reference_position",
    "reference_velocity",
    "reference_acceleration",
    "scale_reading",
    "pressure_reading_a",
    "pressure_reading_b",
)
OUTPUTS = ("command",)

FILE_KEYS = {  # key of the table [controller]: field of its numbers
    "velocity_gain": "K_v",
    "velocity_feedforward": "k_ff",
    "acceleration_feedforward": "k_a",
    "integral_gain": "K_i",
    "acceleration_feedback": "k_acc",
    "load_pressure_feedback": "k_p",
    "high_pass_frequency": "omega_h",
    "velocity_feedback": "k_v",
    "filter_frequency": "omega_f",
    "filter_damping": "zeta_f",
    "overlap_compensation": "k_o",
    "overlap_smoothing": "delta_o",
    "null_trim": "trim",
    "correction_frequency": "omega_c",
}


@dataclass(frozen=True)
class Controllers:
    """Linear controllers of many points.

    Attributes
    ----------
    numbers : ControllerParameters
        Numbers of the controllers [SI], each of shape (n,).
    command, estimate : ndarray, shape (n,)
        Command [-] and slow load pressure [Pa] that the points need.
    wanted_velocity : ndarray, shape (n,)
        Velocity for which the controller gives this command [m/s].
    slope : ndarray, shape (n,)
        Slope of the command over the wanted velocity there [s/m].
    estimate_slope : ndarray, shape (n,)
        Slope of the command over the slow load pressure, by the correction for the load [1/Pa].
    beyond_limit : ndarray of bool, shape (n,)
        Whether the point needs more command than the controller's limit lets pass.
    sampled : bool
        Sampled, or continuous.
    period, delay : float
        Sampling period and computing delay [s]; zero if continuous.
    has_pressure : bool
        Whether the pressures are read at all.
    """

    numbers: Any
    command: Array
    estimate: Array
    wanted_velocity: Array
    slope: Array
    estimate_slope: Array
    beyond_limit: NDArray[np.bool_]
    sampled: bool
    period: float
    delay: float
    has_pressure: bool

    def with_gains(self, gains: Mapping[str, Any]) -> Controllers:
        """Return the controllers with other gains.

        Parameters
        ----------
        gains : mapping of str to float, or to ndarray of shape (n,)
            Names of the file's table (``velocity_gain``) or of the numbers (``K_v``) to values
            [SI].

        Returns
        -------
        Controllers
            With the slopes and filters that follow from them.

        Raises
        ------
        ParameterError
            If a name is unknown, or a value can't act: not finite, a feedback of pressures that
            aren't read, a high pass without a frequency.
        """
        n = len(self.command)
        fields = {
            _field(name): np.array(np.broadcast_to(np.asarray(value, dtype=float), (n,)))
            for name, value in gains.items()
        }
        for name, values in fields.items():
            if not np.all(np.isfinite(values)):
                raise ParameterError(f"gain {name} = {values[0]} is no finite number")
        return self._renewed(self.numbers._replace(**fields))

    def _renewed(self, p: Any) -> Controllers:
        """Return controllers with these numbers, all that follows from them made anew."""
        if np.any(p.k_p != 0.0) and not self.has_pressure:
            raise ParameterError(
                "[controller] load_pressure_feedback: no pressures are read, so nothing is fed "
                'back; state [transducer] pressure = "both_ports" or choose acceleration feedback'
            )
        if np.any((p.k_p != 0.0) & ~(np.asarray(p.omega_h) > 0.0)):
            raise ParameterError(
                "[controller] high_pass_frequency: 0 rad/s with a feedback of load pressure would "
                "leave nothing of it; state the corner of the high pass"
            )
        if np.any(~(np.asarray(p.delta_o) > 0.0)):
            raise ParameterError("[controller] overlap_smoothing: expected a positive opening")
        p = p._replace(
            a_h=-np.expm1(-p.omega_h * self.period),
            a_c=-np.expm1(-p.omega_c * self.period),
            **filters(p, self.period),
        )
        wanted, slope, estimate_slope = slopes(self.command, self.estimate, p)
        return replace(
            self,
            numbers=p,
            wanted_velocity=wanted,
            slope=slope,
            estimate_slope=estimate_slope,
            beyond_limit=np.abs(self.command) > p.u_max,
        )

    def paths(
        self, omega: Array, rows: Rows | None = None
    ) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
        """Return the transfer functions from readings to command, with their signs turned.

        Parameters
        ----------
        omega : ndarray, shape (n, n_f), or (m,) with rows
            Frequencies [rad/s].
        rows : ndarray of int, shape (m,), optional
            Point of each frequency.

        Returns
        -------
        error, reading, pressure : ndarray of complex, shape of omega
            Command over position error [1/m] (velocity gain and integral); command over position
            reading by the stabilising feedback [1/m]; command over load pressure by stabilising
            feedback and correction [1/Pa].
        """
        p, T = self.numbers, self.period

        def at(values: Any) -> Any:
            array = np.asarray(values, dtype=float)
            return array[:, None] if rows is None else array[rows]

        one: Any = np.ones(np.shape(omega), dtype=complex)
        s = 1j * omega
        z = np.exp(s * T) if self.sampled else one
        slope = at(self.slope)
        error = slope * at(p.K_v) * one
        if np.any(p.K_i != 0.0):
            error = error + slope * at(p.K_i) * (T * z / (z - 1.0) if self.sampled else 1.0 / s)
        reading = pressure = 0.0 * one
        if np.any(p.k_v != 0.0) or np.any(p.k_acc != 0.0):
            w, zeta = at(p.omega_f), at(p.zeta_f)
            if self.sampled:
                F11, F12, F21, F22, G1, G2 = (at(getattr(p, name)) for name in FILTER)
                over = z / ((z - F11) * (z - F22) - F12 * F21)
                y_f = over * ((z - F22) * G1 + F12 * G2)
                v_f = over * (F21 * G1 + (z - F11) * G2)
                a_f = w * w * (1.0 - y_f) - 2.0 * zeta * w * v_f
            else:
                v_f = s * w * w / (s * s + 2.0 * zeta * w * s + w * w)
                a_f = s * v_f
            reading = one * slope * (at(p.k_v) * v_f + at(p.k_acc) * a_f)
        if np.any(p.k_p != 0.0):
            if self.sampled:
                high = (1.0 - at(p.a_h)) * (z - 1.0) / (z - 1.0 + at(p.a_h))
            else:
                high = s / (s + at(p.omega_h))
            pressure = slope * at(p.k_p) * high
        if np.any(self.estimate_slope != 0.0):
            if self.sampled:
                low = at(p.a_c) * z / (z - 1.0 + at(p.a_c))
            else:
                low = at(p.omega_c) / (s + at(p.omega_c))
            pressure = pressure - at(self.estimate_slope) * low
        return error, reading, pressure

    @property
    def area_ratio(self) -> Array:
        """Weight of the pressure in B in the load pressure, shape (n,) [-]."""
        return np.asarray(self.numbers.A_B) / np.asarray(self.numbers.A_A)

    @property
    def states(self) -> tuple[str, ...]:
        """Names of the states that act on the command."""
        p = self.numbers
        names: tuple[str, ...] = ("integral",) if np.any(p.K_i != 0.0) else ()
        if np.any(p.k_v != 0.0) or np.any(p.k_acc != 0.0):
            names += ("filtered_position", "filtered_velocity")
        names += ("slow_pressure",) if np.any(p.k_p != 0.0) else ()
        return names + (("load_estimate",) if np.any(self.estimate_slope != 0.0) else ())

    def matrices(
        self, *, whole: bool = False
    ) -> tuple[tuple[str, ...], Array, Array, Array, Array]:
        """Return the controllers in the form of states.

        Parameters
        ----------
        whole : bool, optional
            Whether states that act on nothing with these gains are kept.

        Returns
        -------
        states : tuple of str
            Names of the n_c states.
        A, B, C, D : ndarray, shapes (n, n_c, n_c), (n, n_c, 6), (n, 1, n_c), (n, 1, 6)
            From ``INPUTS`` (references and readings) to the command [SI]. Sampled:
            ``x[k+1] = A x[k] + B u[k]``, ``command[k] = C x[k] + D u[k]``, where x[k] are the
            states before sample k, as :func:`servosim.components.controller.update` takes them.
            The feedback's sign isn't turned here.
        """
        p, n, T = self.numbers, len(self.command), self.period
        names = STATES
        A, B = np.zeros((n, 5, 5)), np.zeros((n, 5, 6))
        p_L = np.zeros((n, 6))
        p_L[:, 4], p_L[:, 5] = 1.0, -self.area_ratio
        law, direct = np.zeros((n, 1, 5)), np.zeros((n, 1, 6))
        w2, damp = p.omega_f * p.omega_f, 2.0 * p.zeta_f * p.omega_f
        slope = self.slope
        law[:, 0, 0] = slope
        law[:, 0, 1] = slope * p.k_acc * w2
        law[:, 0, 2] = slope * (p.k_acc * damp - p.k_v)
        law[:, 0, 3] = slope * p.k_p
        law[:, 0, 4] = self.estimate_slope
        direct[:, 0, 0], direct[:, 0, 1], direct[:, 0, 2] = (
            slope * p.K_v,
            slope * p.k_ff,
            slope * p.k_a,
        )
        direct[:, 0, 3] = -slope * (p.K_v + p.k_acc * w2)
        direct[:, 0] -= (slope * p.k_p)[:, None] * p_L
        grown = p.K_i * T if self.sampled else p.K_i
        B[:, 0, 0], B[:, 0, 3] = grown, -grown
        if self.sampled:
            A[:, 0, 0] = 1.0
            A[:, 1, 1], A[:, 1, 2], A[:, 2, 1], A[:, 2, 2] = p.F11, p.F12, p.F21, p.F22
            B[:, 1, 3], B[:, 2, 3] = p.G1, p.G2
            A[:, 3, 3], A[:, 4, 4] = 1.0 - p.a_h, 1.0 - p.a_c
            B[:, 3], B[:, 4] = p.a_h[:, None] * p_L, p.a_c[:, None] * p_L
            C, D = law @ A, law @ B + direct
        else:
            A[:, 1, 2] = 1.0
            A[:, 2, 1], A[:, 2, 2], B[:, 2, 3] = -w2, -damp, w2
            A[:, 3, 3], A[:, 4, 4] = -p.omega_h, -p.omega_c
            B[:, 3], B[:, 4] = p.omega_h[:, None] * p_L, p.omega_c[:, None] * p_L
            C, D = law, direct
        if whole:
            return names, A, B, C, D
        kept = [names.index(name) for name in self.states]
        return self.states, A[:, kept][:, :, kept], B[:, kept], C[:, :, kept], D


def _field(name: str) -> str:
    """Return the field of the controller's numbers for a name of the file or of the field."""
    field = FILE_KEYS.get(name, name)
    if field in FILE_KEYS.values():
        return field
    known = [*FILE_KEYS, *FILE_KEYS.values()]
    close = difflib.get_close_matches(name, known, n=1)
    hint = f"; nearest name '{close[0]}'" if close else ""
    raise ParameterError(f"gain '{name}' is not one that acts on the linear loop{hint}")


def controllers(
    plants: Plants, gains: Mapping[str, float] | None = None, rated: Axis | None = None
) -> Controllers:
    """Return the linear form of the controllers at the points of plants.

    Parameters
    ----------
    plants : Plants
        The plants.
    gains : mapping of str to float, optional
        Gains instead of the file's, see :meth:`Controllers.with_gains`.
    rated : Axis, optional
        Axis whose controller is at work at all points: in a corner of an envelope it keeps the
        velocity gains that it was set to. Otherwise each point has its own axis' controller.

    Returns
    -------
    Controllers
        One for each plant.

    Raises
    ------
    ParameterError
        If the controllers don't share their kind, period and delay, a direction has no velocity
        gain, or a gain can't act.
    """
    n = len(plants.points)
    rows = [(rated or point.axis).parameters.controller for point in plants.points]
    if rated is None and len({(r.sampled, r.period, r.delay) for r in rows}) > 1:
        raise ParameterError(
            "the controllers of these points differ in kind, period or computing delay; take each "
            "kind by itself"
        )
    first = rows[0] if rows else rated.parameters.controller if rated else None
    if first is None:
        raise ParameterError("no plant: none of the points exists, or none was asked for")
    numbers: Any
    if rated is not None:
        numbers = ControllerParameters._make(np.full(n, float(v)) for v in first)
    else:
        numbers = ControllerParameters._make(np.array(rows, dtype=float).T)
    lost = ~((np.asarray(numbers.g_plus) > 0.0) & (np.asarray(numbers.g_minus) > 0.0))
    if np.any(lost):
        raise ParameterError(
            "the controller has a velocity gain of zero in one direction: the nominal load is more "
            "than supply pressure and piston can move; raise [supply] pressure or the areas"
        )
    estimate = np.zeros(n)
    has_pressure = "pressure_reading_a" in plants.states
    if has_pressure:
        p_A = plants.x[:, plants.states.index("pressure_reading_a")]
        p_B = plants.x[:, plants.states.index("pressure_reading_b")]
        estimate = p_A - p_B * numbers.A_B / numbers.A_A
    empty = np.zeros(n)
    sampled = bool(first.sampled == 1)
    bare = Controllers(
        numbers=numbers,
        command=plants.spool_command - null_shifts(plants),
        estimate=estimate,
        wanted_velocity=empty,
        slope=empty,
        estimate_slope=empty,
        beyond_limit=np.zeros(n, dtype=bool),
        sampled=sampled,
        period=float(first.period) if sampled else 0.0,
        delay=float(first.delay) if sampled else 0.0,
        has_pressure=has_pressure,
    )
    return bare.with_gains(gains or {})
