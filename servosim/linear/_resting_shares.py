"""What keeps an axis from its target at rest: each share of the error with its formula.

The command at which the table rests isn't one but a range: the plays of the command path hold
anything within them, and friction holds any pressure within its own. Every command is given by an
error; the controller's own function, inverted, tells by which.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from servosim._equations import AxisParameters
from servosim._equilibrium import holding_velocity, position_for, rest, steady_force
from servosim.axis import Axis
from servosim.components.controller import load_pressure
from servosim.components.cylinder import output as cylinder_output
from servosim.components.load import way_levels
from servosim.components.valve import null_shift
from servosim.errors import ParameterError

_SIGMAS = 3.0
_LEFT_OVER = 1e-8  # of the flow at full command


@dataclass(frozen=True)
class Share:
    """One share of the error at rest.

    Attributes
    ----------
    name : str
        Where it comes from.
    value : float
        Offset with its sign, or half of the width that it may vary by [m].
    offset : bool
        Whether it is the same each time.
    formula : str
        How it is computed.
    command : float
        Range of the command behind it [-], nan if none is.
    """

    name: str
    value: float
    offset: bool
    formula: str
    command: float = math.nan


@dataclass(frozen=True)
class Band:
    """Where an axis may rest at one position.

    Attributes
    ----------
    shares : tuple of Share
        Offsets first.
    low, high : float
        Target less table position in the worst case either way [m].
    """

    shares: tuple[Share, ...]
    low: float
    high: float

    @property
    def offset(self) -> float:
        """Sum of the offsets [m]."""
        return sum(s.value for s in self.shares if s.offset)

    @property
    def worst_case(self) -> float:
        """Sum of the half widths [m]."""
        return sum(s.value for s in self.shares if not s.offset)

    @property
    def root_sum_square(self) -> float:
        """Root of the sum of their squares [m]."""
        return math.sqrt(sum(s.value**2 for s in self.shares if not s.offset))


@dataclass(frozen=True)
class _Held:
    """The commands between which the axis rests, and how the controller answers them."""

    axis: Axis
    command: float  # in the middle
    slow: float  # load pressure, Pa
    shift: float
    spool: float
    by_friction: tuple[float, float]  # travel of the spool down and up

    def error(self, command: float) -> float:
        """Return the error by which the controller gives a command [m]."""
        c = self.axis.record.controller
        return float(holding_velocity(command, self.slow, self.axis.record)) / float(c.K_v)

    def half(self, down: float, up: float | None = None) -> float:
        """Return half of the change of the error over a range of commands around the middle [m]."""
        up = down if up is None else up
        return 0.5 * (self.error(self.command + up) - self.error(self.command - down))


def _held(axis: Axis, position: float) -> _Held:
    p = axis.record
    force = float(steady_force(position, 0.0, p)[0])
    at = rest(force, p)
    scale = float(p.valve.K_A * math.sqrt(p.supply.p_set))
    if not at.residual <= _LEFT_OVER * scale:
        raise ParameterError(
            f"nothing holds {force:g} N at rest, so there is no error at rest; raise the supply's "
            "pressure or lower the load"
        )
    both = (float(at.p_A), float(at.p_B)) * 2
    seals = cylinder_output(0.0, both, (position, 0.0), p.cylinder)[3]
    sticks = axis.file.table.friction != "stribeck"  # a curve without memory holds nothing
    static = float(way_levels(0.0, p.load)[1] + seals) if sticks else 0.0
    travel = [float(rest(force + f, p).spool) for f in (-static, static)]
    shift = float(null_shift(at.p_S, p.valve))
    slow = float(load_pressure(at.p_A, at.p_B, p.controller))
    slow = slow if p.transducer.has_pressure == 1 else 0.0
    spool = float(at.spool)
    return _Held(axis, spool - shift, slow, shift, spool, (spool - travel[0], travel[1] - spool))


def resting_shares(axis: Axis, position: float) -> Band:
    """Return the shares of the error at rest.

    Parameters
    ----------
    axis : Axis
        The axis.
    position : float
        Position of the table [m].

    Returns
    -------
    Band
        Shares and the ends of the worst case.

    Raises
    ------
    ParameterError
        If nothing holds the axis at rest.
    """
    h = _held(axis, position)
    f, p = axis.file, axis.parameters
    c, v, t = p.controller, f.valve, f.transducer
    plays = (1.0 - p.valve.w) * p.valve.r_narrow + p.valve.w * p.valve.r_wide
    threshold = min(0.5 * v.threshold, plays)
    down, up = plays + h.by_friction[0], plays + h.by_friction[1]
    by_bias = h.error(-h.shift)
    by_command = (
        Share(
            "null bias left after the trim",
            by_bias,
            True,
            "error that gives the command -(bias + shifts)",
            -h.shift - c.trim,
        ),
        Share(
            "weight and leakage at rest",
            h.error(h.command) - by_bias,
            True,
            "spool that holds F at rest, F/(A K_p) about null",
            h.spool,
        ),
        Share("threshold", h.half(threshold), False, "t/2 of command", threshold),
        Share("hysteresis", h.half(plays - threshold), False, "(H - t)/2", plays - threshold),
        Share(
            "friction over the pressure gain",
            h.half(*h.by_friction),
            False,
            "spool that holds +-F_S, F_S/(A K_p) about null",
            0.5 * sum(h.by_friction),
        ),
    )
    if c.K_i > 0.0:
        low = high = 0.0
        shares: tuple[Share, ...] = (Share("dead zone of the integral", c.e_d, False, "e_d"),)
        needed = max(abs(h.error(h.command + up)), abs(h.error(h.command - down))) * c.K_v
        if needed > c.v_i:  # the integral is clamped before it can take all of it
            beyond = (needed - c.v_i) / c.K_v
            shares += (Share("beyond the integral's limit", beyond, False, "(v_d - v_i)/K_v"),)
    else:
        low, high = h.error(h.command - down), h.error(h.command + up)
        shares = by_command
    scale = position - float(position_for(position, _without_cycle(axis)))
    shares += (
        Share("scale", scale, True, "target less where the scale shows it, cyclic error left out"),
        Share("resolution", 0.5 * t.resolution if c.sampled == 1 else 0.0, False, "q/2"),
        Share("cyclic error", t.cyclic_error, False, "e_c"),
        Share("noise", _noise(axis), False, "3 n sqrt(K_v T/(2 - K_v T))"),
        Share(
            "noise of the pressure readings",
            _pressure_noise(axis),
            False,
            "3 k_p n_p sqrt((1 + (A_B/A_A)^2) T/(2 (K_v + omega_h))), n_p^2 with q_p^2/12",
        ),
    )
    shares = tuple(s for s in shares if s.value != 0.0 or not math.isnan(s.command))
    others = sum(s.value for s in shares if not s.offset and s not in by_command)
    ordered = tuple(sorted(shares, key=lambda s: not s.offset))
    return Band(ordered, low + scale - others, high + scale + others)


def _without_cycle(axis: Axis) -> AxisParameters:
    """Return the numbers of the axis with a scale that has no cyclic error."""
    return axis.replace({"transducer.cyclic_error": 0.0}).record


def _noise(axis: Axis) -> float:
    """Return three times the position's root mean square by noise, of a first-order loop [m]."""
    c, t = axis.parameters.controller, axis.file.transducer
    share = c.K_v * c.period
    if c.sampled == 0 or t.noise == 0.0 or not share < 2.0:
        return 0.0
    return _SIGMAS * t.noise * math.sqrt(share / (2.0 - share))


def _pressure_noise(axis: Axis) -> float:
    """Return the same of noise and rounding of the pressures, by the stabilising feedback [m].

    White noise of the wanted velocity, held for a period, behind the high pass and in a first-order
    loop: ``int |j w/((j w + a)(j w + b))|^2 dw = pi/(a + b)``.
    """
    c, t = axis.parameters.controller, axis.file.transducer
    if c.sampled == 0 or c.k_p == 0.0:
        return 0.0
    square = t.pressure_noise**2 + t.pressure_resolution**2 / 12.0
    square *= (1.0 + (c.A_B / c.A_A) ** 2) * c.period / (2.0 * (c.K_v + c.omega_h))
    return _SIGMAS * c.k_p * math.sqrt(square)
