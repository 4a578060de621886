"""What is possible in a parameter file but deserves a second look."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from servosim._block_faults import shown
from servosim._record import record
from servosim.components.controller import velocity_gains
from servosim.components.cylinder import chamber_compliance, volumes
from servosim.components.load import way_levels
from servosim.components.valve_rating import null_leakage, null_pressure_gain
from servosim.errors import Fault
from servosim.program import plan

if TYPE_CHECKING:
    from servosim.document import AxisFile


def _outside_envelope(f: AxisFile) -> list[Fault]:
    """Return the nominal values that lie outside the ranges over which the axis must work."""
    e = f.envelope
    found = []
    for key, value, unit, where in (
        ("workpiece_mass", f.table.workpiece_mass, "kg", "table.workpiece_mass"),
        ("temperature", f.oil.temperature, "degC", "oil.temperature"),
        ("free_air", f.oil.free_air, "%", "oil.free_air"),
        ("supply_pressure", f.supply.pressure, "bar", "supply.pressure"),
    ):
        low, high = getattr(e, key)
        if not low <= value <= high:
            found.append(
                Fault(
                    table="envelope",
                    key=key,
                    what=f"{where} = {shown(value, unit)} is outside",
                    expected=f"{shown(low, unit)} to {shown(high, unit)} to hold the nominal value",
                )
            )
    return found


def _velocity_warnings(f: AxisFile, gain: float) -> list[Fault]:
    """Return warnings of a reference that valve or pump cannot follow."""
    if f.reference.kind == "step":
        return []
    found, v = [], f.valve
    forward = f.move.target >= f.move.start
    overlap = v.overlap_pa + v.overlap_bt if forward else v.overlap_pb + v.overlap_at
    reach = gain * max(f.controller.output_limit - max(0.5 * overlap, 0.0), 0.0)
    limits = [(reach, "valve and supply give", "at steady load")]
    c = f.derive("cylinder_parameters")
    area = c.A_A if forward else c.A_B
    if f.supply.kind != "ideal" and f.supply.accumulator == "none" and area > 0.0:
        limits.append((f.supply.pump_flow / area, "the pump alone gives", "without accumulator"))
    for limit, what, where in limits:
        if f.reference.velocity > limit:
            found.append(
                Fault(
                    table="reference",
                    key="velocity",
                    what=f"{shown(f.reference.velocity, 'mm/s')} is faster than {what}",
                    expected=f"at most {shown(limit, 'mm/s')} {where}",
                )
            )
    return found


def _controller_warnings(f: AxisFile) -> list[Fault]:
    """Return warnings of settings of the loop that miss their purpose."""
    found, v = [], f.valve
    least = min(v.overlap_pa, v.overlap_bt, v.overlap_pb, v.overlap_at)
    if least < 0.0 < f.controller.overlap_compensation:
        found.append(
            Fault(
                table="controller",
                key="overlap_compensation",
                what=f"a land with {shown(-least, '%')} of underlap needs no jump",
                expected="0 %",
            )
        )
    t = f.transducer
    if t.pressure != "none" and t.pressure_range < f.supply.pressure:
        found.append(
            Fault(
                table="transducer",
                key="pressure_range",
                what=f"{shown(t.pressure_range, 'bar')} is less than the supply pressure",
                expected=f"at least {shown(f.supply.pressure, 'bar')}",
            )
        )
    if f.controller.load_pressure_correction == "square_root":
        limit = 0.2 * natural_frequency(f)
        if f.controller.correction_frequency > limit:
            found.append(
                Fault(
                    table="controller",
                    key="correction_frequency",
                    what=f"{shown(f.controller.correction_frequency, 'Hz')} takes damping off: it "
                    "isn't well below the axis' natural frequency",
                    expected=f"at most {shown(limit, 'Hz')}, a fifth of it",
                )
            )
    return found


def _force_warnings(f: AxisFile, force: float) -> list[Fault]:
    """Return a warning if little of the force on the load is left to break the friction away."""
    c = f.derive("cylinder_parameters")
    ways = way_levels(0.0, record(f.derive("bare_load")))[1]
    friction = ways + f.cylinder.seal_breakaway
    friction += f.cylinder.seal_pressure_friction * f.supply.pressure
    if force > 2.0 * friction:
        return []
    return [
        Fault(
            table="cylinder",
            key="bore_diameter" if c.moving else "displacement",
            what=f"{shown(force, 'N')} are left to move the axis, {shown(friction, 'N')} are "
            "needed to break its friction away",
            expected="at least twice the friction",
        )
    ]


def _time_warnings(f: AxisFile) -> list[Fault]:
    """Return warnings of times and windows that don't fit each other."""
    found = []

    def warn(table: str, key: str, what: str, expected: str) -> None:
        found.append(Fault(table=table, key=key, what=what, expected=expected))

    end = plan(f.reference, f.move.start, f.move.target).t_end
    if f.move.duration < end:
        warn(
            "move",
            "duration",
            f"{shown(f.move.duration, 's')} end before the reference does",
            f"more than {shown(end, 's')}",
        )
    locks = f.lock.kind != "none" or f.lock.brake != "none"
    by_window = f.lock.trigger == "window_dwell"
    if by_window and f.lock.dwell >= f.move.duration:
        warn(
            "lock",
            "dwell",
            f"{shown(f.lock.dwell, 'ms')} are longer than the whole move",
            f"less than {shown(f.move.duration, 's')}",
        )
    if locks and by_window and f.lock.window > f.window.half_width:
        warn(
            "lock",
            "window",
            f"{shown(f.lock.window, 'um')} lets the lock close outside the window",
            f"at most {shown(f.window.half_width, 'um')}",
        )
    if locks and f.thrust.mode == "locked":
        needed = f.thrust.delay + 2.0 * f.thrust.ramp + f.thrust.feed_time
        if needed > f.move.hold_time:
            warn(
                "move",
                "hold_time",
                f"{shown(f.move.hold_time, 's')} open the lock under thrust",
                f"at least {shown(needed, 's')}: delay, feed time and both ramps",
            )
    return found


def oil_spring(f: AxisFile, position: float, *, locked: bool) -> float:
    """Return the stiffness of the oil on both sides, half the supply pressure in it.

    Parameters
    ----------
    f : AxisFile
        The axis.
    position : float
        Position of the piston [m].
    locked : bool
        Whether the lock keeps the lines apart from the chambers.

    Returns
    -------
    float
        Stiffness [N/m] ``A_A^2/C_A + A_B^2/C_B``.
    """
    c, oil = f.derive("cylinder_parameters"), f.derive("oil_parameters")
    half = 0.5 * f.supply.pressure
    V_A, V_B = volumes(position, c)
    C_A, C_B = chamber_compliance(V_A, half, c, oil), chamber_compliance(V_B, half, c, oil)
    if not locked:
        C_A += chamber_compliance(c.V_lA, half, c, oil) + c.hose_A
        C_B += chamber_compliance(c.V_lB, half, c, oil) + c.hose_B
    return float(c.A_A**2 / C_A + c.A_B**2 / C_B)


def natural_frequency(f: AxisFile) -> float:
    """Return the hydraulic natural frequency of an axis in the middle of its stroke.

    Parameters
    ----------
    f : AxisFile
        The axis.

    Returns
    -------
    float
        Frequency [rad/s] ``sqrt(k/M)`` with the lock open (H. E. Merritt, *Hydraulic Control
        Systems*, Wiley 1967, ch. 6, from memory).
    """
    mass = f.table.mass + f.table.workpiece_mass + f.structure.piston_mass
    mass += f.derive("cylinder_parameters").screw_mass
    return math.sqrt(oil_spring(f, 0.5 * f.cylinder.stroke, locked=False) / mass)


def warnings_of(f: AxisFile) -> list[Fault]:
    """Return the warnings of a file without faults.

    Parameters
    ----------
    f : AxisFile
        The file.

    Returns
    -------
    list of Fault
        Empty if there is nothing to say.
    """
    found = _outside_envelope(f)
    c, rated, load = (
        f.derive("cylinder_parameters"),
        f.derive("rated_valve"),
        f.derive("steady_load"),
    )
    plus, minus, force_plus, force_minus = velocity_gains(
        c.A_A, c.A_B, rated.K_A, rated.K_B, f.supply.pressure, f.supply.return_pressure, load
    )
    forward = f.move.target >= f.move.start
    found += _velocity_warnings(f, plus if forward else minus)
    found += _controller_warnings(f)
    found += _force_warnings(f, force_plus if forward else force_minus)
    found += _time_warnings(f)
    if f.cylinder.kind == "motor_screw" and f.lock.brake == "none":
        found.append(
            Fault(
                table="lock",
                key="brake",
                what="trapped oil doesn't hold a motor: its case leakage lets the table creep",
                expected='"holding" for a long hold',
            )
        )
    if f.valve.leakage_given == "both":
        gain = null_pressure_gain(f.valve.rating_pressure, record(rated))
        found.append(
            Fault(
                table="valve",
                key="pressure_gain",
                what=f"{shown(f.valve.pressure_gain, 'bar')} was stated, the null leakage gives "
                f"{shown(gain, 'bar')} ({100.0 * (gain / f.valve.pressure_gain - 1.0):+.1f} %)",
                expected="",
            )
        )
    elif f.valve.leakage_given == "pressure_gain":
        total = null_leakage(f.valve.rating_pressure, record(rated)) + f.valve.pilot_leakage
        if total > 0.1 * f.valve.rated_flow:
            found.append(
                Fault(
                    table="valve",
                    key="pressure_gain",
                    what=f"implies a null leakage of {shown(total, 'L/min')}",
                    expected="a few per cent of rated flow",
                )
            )
    return found
