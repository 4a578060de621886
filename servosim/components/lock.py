"""Hydraulic lock between valve and cylinder, and its holding brake.

Physics. A blocking valve in both lines, or pilot-operated checks. While it closes its area ramps
from one to zero, each side after its own delay, and its moving element displaces a signed volume
into the chamber. Closed, it leaks in proportion to the pressure over it; a check lets oil pass from
line to chamber. On opening, chamber and line mix. An overlapped spool at its centre can serve as a
lock without an element of its own.

Assumptions. An open lock has no pressure loss; the ramp is linear in time; what the element of a
blocking valve or piloted check displaced stays in the oil when it opens; for the matching of
pressures before opening, the lines' pressures are known without error.

Validity. Closing times longer than the time of a pressure wave in the line.

Sources. Orifice equation; opening of a pilot-operated check
``p_pilot - p_l >= (p - p_l)/R + p_cr`` by the balance of forces on its poppet and pilot piston.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

from servosim._jit import inner_kernel, kernel
from servosim.components.orifice import coefficient, flow_through
from servosim.params import Table, choice, number, quantity

INPUTS = ("pressure", "line_pressure", "area")
OUTPUTS = ("lock_flow",)

NONE, BLOCKING, CHECK, SPOOL = 0, 1, 2, 3
_VALVES = ("blocking_valve", "pilot_check")
_ANY = ("blocking_valve", "pilot_check", "spool")


class Lock(Table):
    """Hydraulic lock of the axis and the logic that closes and opens it."""

    kind: Literal["none", "blocking_valve", "pilot_check", "spool"] = choice(
        "Element that locks the cylinder: none, valve in both lines, checks, or the spool's centre."
    )
    trigger: Literal["window_dwell", "ahead"] = choice(
        "Close after a dwell inside the lock's window, or at a distance ahead of the target."
    )
    window: float = quantity(
        "um",
        above=0,
        high="100 mm",
        when={"trigger": ("window_dwell",)},
        doc="Window, plus or minus.",
    )
    dwell: float = quantity(
        "ms", low=0, high="10 s", when={"trigger": ("window_dwell",)}, doc="Time inside the window."
    )
    ahead_distance: float = quantity(
        "um",
        above=0,
        high="1 m",
        when={"trigger": ("ahead",)},
        doc="Remaining distance at closing.",
    )
    closing_time: float = quantity(
        "ms", above=0, high="5 s", when={"kind": _VALVES}, doc="Ramp of the area from one to zero."
    )
    closing_delay_a: float = quantity(
        "ms",
        low=0,
        high="1 s",
        when={"kind": _VALVES, "pilot": ("solenoid",)},
        doc="Command to begin of closing, side A.",
    )
    closing_delay_b: float = quantity(
        "ms",
        low=0,
        high="1 s",
        when={"kind": _VALVES, "pilot": ("solenoid",)},
        doc="Command to begin of closing, side B.",
    )
    opening_time: float = quantity(
        "ms",
        low=0,
        high="5 s",
        when={"kind": _VALVES, "pilot": ("solenoid",)},
        doc="Command to confirmed open.",
    )
    release_dwell: float = quantity(
        "ms", low=0, high="10 s", when={"kind": _ANY}, doc="Confirmed open to the next motion."
    )
    rated_flow: float = quantity(
        "L/min", above=0, high="5000 L/min", when={"kind": _VALVES}, doc="Flow at the stated drop."
    )
    rated_pressure_drop: float = quantity(
        "bar", above=0, high="100 bar", when={"kind": _VALVES}, doc="Drop of the open element."
    )
    leakage: float = quantity(
        "cm3/min/bar",
        low=0,
        high="1 L/min/bar",
        when={"kind": _VALVES},
        symbol="G_lk",
        doc="Leakage of the closed element, each side.",
    )
    displaced_volume: float = quantity(
        "mm3",
        low="-100 cm3",
        high="100 cm3",
        when={"kind": _VALVES},
        symbol="V_pop",
        doc="Oil pushed into each chamber by the closing element (signed).",
    )
    pilot: Literal["solenoid", "opposite_line"] = choice(
        "What opens a pilot-operated check.", when={"kind": ("pilot_check",)}, unread="solenoid"
    )
    pilot_ratio: float = number(
        low=1,
        high=20,
        when={"kind": ("pilot_check",)},
        symbol="R",
        doc="Pilot area over seat area.",
    )
    cracking_pressure: float = quantity(
        "bar", low=0, high="20 bar", when={"kind": ("pilot_check",)}, symbol="p_cr", doc="Spring."
    )
    prematch: Literal["none", "load_pressure"] = choice(
        "Match the lines' pressure to the chambers' before opening.",
        when={"kind": _VALVES},
        unread="none",
    )
    prematch_time: float = quantity(
        "ms",
        above=0,
        high="10 s",
        when={"prematch": ("load_pressure",)},
        doc="Time of the matching.",
    )
    prematch_gain: float = quantity(
        "%/bar",
        above=0,
        high="1 %/bar",
        when={"prematch": ("load_pressure",)},
        doc="Command gathered per second over the difference of load pressure.",
    )
    brake: Literal["none", "holding"] = choice("Holding brake that closes with the lock.")
    brake_stiffness: float = quantity(
        "N/um", above=0, high="1e5 N/um", when={"brake": ("holding",)}, doc="Stiffness to ground."
    )
    brake_damping: float = quantity(
        "N s/m", low=0, high="1e8 N s/m", when={"brake": ("holding",)}, doc="Damping to ground."
    )
    brake_force: float = quantity(
        "N", above=0, high="10000 kN", when={"brake": ("holding",)}, doc="Force at which it slips."
    )
    brake_closing_time: float = quantity(
        "ms", low=0, high="5 s", when={"brake": ("holding",)}, doc="Command to engaged."
    )
    brake_opening_time: float = quantity(
        "ms", low=0, high="5 s", when={"brake": ("holding",)}, doc="Command to released."
    )


class LockParameters(NamedTuple):
    """Numbers of the lock for the kernels."""

    kind: int
    ahead: int
    window: float
    dwell: float
    ahead_distance: float
    t_close: float
    delay_A: float
    delay_B: float
    t_open: float
    release_dwell: float
    K: float
    dp_t: float
    G: float
    V_pop: float
    opposite: int
    R: float
    p_cr: float
    prematch: int
    t_prematch: float
    k_prematch: float
    brake: int
    t_brake_close: float
    t_brake_open: float


def lock_parameters(lock: Lock) -> LockParameters:
    """Return the numbers that the kernels use.

    Parameters
    ----------
    lock : Lock
        Table of the lock.

    Returns
    -------
    LockParameters
        Plain numbers, SI. The element's flow is laminar well below its rated drop, quadratic above
        (own choice).
    """
    has_valve = lock.kind in _VALVES
    return LockParameters(
        kind={"none": NONE, "blocking_valve": BLOCKING, "pilot_check": CHECK, "spool": SPOOL}[
            lock.kind
        ],
        ahead=int(lock.trigger == "ahead"),
        window=lock.window,
        dwell=lock.dwell,
        ahead_distance=lock.ahead_distance,
        t_close=lock.closing_time,
        delay_A=lock.closing_delay_a,
        delay_B=lock.closing_delay_b,
        t_open=lock.opening_time,
        release_dwell=lock.release_dwell,
        K=coefficient(lock.rated_flow, lock.rated_pressure_drop) if has_valve else 0.0,
        dp_t=lock.rated_pressure_drop if has_valve else 1.0,
        G=lock.leakage,
        V_pop=lock.displaced_volume,
        opposite=int(lock.pilot == "opposite_line"),
        R=lock.pilot_ratio if lock.kind == "pilot_check" else 1.0,
        p_cr=lock.cracking_pressure,
        prematch=int(lock.prematch == "load_pressure"),
        t_prematch=lock.prematch_time,
        k_prematch=lock.prematch_gain,
        brake=int(lock.brake == "holding"),
        t_brake_close=lock.brake_closing_time,
        t_brake_open=lock.brake_opening_time,
    )


@inner_kernel
def output(t: float, u: tuple[float, float, float], p: LockParameters) -> float:
    """Return the flow from line to chamber through one side of the lock [m3/s].

    ``q = G (p_l - p) + area K dp/(dp^2 + dp_t^2)^(1/4)``; a check also passes what lies above its
    cracking pressure from line to chamber.
    """
    dp = u[1] - u[0]
    q = p.G * dp + u[2] * flow_through(p.K, dp, p.dp_t)
    if p.kind == CHECK:
        q += (1.0 - u[2]) * flow_through(p.K, max(dp - p.p_cr, 0.0), p.dp_t)
    return q


@kernel
def pilot_opens(p_pilot: float, p_chamber: float, p_line: float, p: LockParameters) -> bool:
    """Tell whether the pilot pressure lifts a check: p_pilot - p_l >= (p - p_l)/R + p_cr."""
    return p_pilot - p_line >= (p_chamber - p_line) / p.R + p.p_cr
