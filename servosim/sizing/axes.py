"""From one candidate to a complete axis file: cylinder, valve, supply, move and envelope.

What the requirement states as an axis file does is taken over unchanged; so is a cylinder or a
supply that is kept. The rest is written with six figures in the units of its keys, so that the file
reads as a person would write it, and is simulated as it reads.
"""

from __future__ import annotations

import math
from typing import Any

from servosim import units
from servosim.axis import Axis
from servosim.components.cylinder import Cylinder
from servosim.components.load import GRAVITY, Structure
from servosim.components.lock import Lock
from servosim.components.supply import Supply
from servosim.document import AxisFile
from servosim.errors import Fault, ParameterError
from servosim.program import Envelope, MoveTable, Thrust, Window
from servosim.sizing.at_hand import valve_of
from servosim.sizing.parts import Parts, parts_of
from servosim.sizing.pattern import targets_of
from servosim.sizing.requirement import RequirementFile

__all__ = ["Parts", "axis_of", "parts_of", "words_of", "worst_move"]

LONGEST_HOLD = 10.0  # s; longer holds are simulated for so long, which shows any creep
_TAIL = 0.2  # s of rest before the end of the move
_LEAST_FEED = 0.5  # s of full thrust, if a hold is shortened
_NEAR = 1e-9  # m; moves of the same length differ by less
_WRITTEN = {
    "dead_volume_a": "cm3",
    "dead_volume_b": "cm3",
    "line_volume_a": "cm3",
    "line_volume_b": "cm3",
    "wall_modulus": "GPa",
    "internal_leakage": "cm3/min/bar",
    "seal_friction": "N",
    "seal_breakaway": "N",
    "seal_pressure_friction": "N/bar",
    "seal_viscous": "N s/m",
}


def axis_of(
    requirement: RequirementFile, parts: Parts, *, move: tuple[float, float] | None = None
) -> Axis:
    """Return the axis of one candidate, complete and ready to be simulated, tuned and written.

    Parameters
    ----------
    requirement : RequirementFile
        What is asked for.
    parts : Parts
        The candidate.
    move : (float, float), optional
        Start and target of its move from the retracted end [m]; otherwise the longest move of the
        cycle where the axis is softest, see :func:`worst_move`.

    Returns
    -------
    Axis
        With the controller of the requirement, which is not tuned to it.

    Raises
    ------
    ParameterError
        If no axis can be made of these parts.
    """
    f = requirement
    start, target = worst_move(f, parts.worst_position) if move is None else move
    lock, (thrust, hold, remark) = _lock(f, parts), _held(f)
    notes = " ".join(filter(None, (f.notes, f"Sized from the requirement '{f.title}'.", remark)))
    nominal = parts.pressure if f.supply is None else f.supply.pressure
    swing = f.conditions.supply_variation
    pressures: Any = [_text(nominal * (1.0 + one), "bar") for one in (-swing, swing)]
    return Axis(
        AxisFile(
            title=f"{f.title}: {words_of(f, parts)}",
            notes=notes,
            oil=f.oil,
            supply=f.supply or _supply(f, parts),
            valve=valve_of(f.valve[parts.valve], f.valves),
            cylinder=f.cylinder or _cylinder(f, parts),
            table=f.table,
            structure=_structure(f, parts),
            transducer=f.transducer,
            controller=f.controller,
            lock=lock,
            reference=f.reference,
            window=Window(source=f.accuracy.source, half_width=f.accuracy.half_width),
            move=MoveTable(
                source="longest move of the requirement",
                start=_text(start, "mm"),
                target=_text(target, "mm"),
                duration=_text(_duration(f, lock, hold), "s"),
                hold_time=hold,
                seed=f.choice.seed,
            ),
            thrust=thrust,
            envelope=Envelope(
                source="conditions of the requirement",
                workpiece_mass=f.conditions.workpiece_mass,
                temperature=f.conditions.temperature,
                free_air=f.conditions.free_air,
                supply_pressure=pressures,
            ),
        )
    )


def worst_move(requirement: RequirementFile, position: float) -> tuple[float, float]:
    """Return start and target of the longest move of a cycle, ending where the axis is softest.

    Parameters
    ----------
    requirement : RequirementFile
        What is asked for.
    position : float
        Where the natural frequency is lowest, from the retracted end [m].

    Returns
    -------
    start, target : float
        From the retracted end [m]. The move keeps its direction and stays within the table's
        travel; of several of the same length the first counts.
    """
    moves = targets_of(requirement)
    longest = max(abs(target - start) for start, target in moves)
    move = next(b - a for a, b in moves if abs(b - a) > longest - _NEAR)
    low = requirement.travel_begins
    high = low + requirement.work.stroke
    first, last = (low + move, high) if move > 0.0 else (low, high + move)
    target = min(max(position, first), last)
    return target - move, target


def words_of(requirement: RequirementFile, parts: Parts) -> str:
    """Return the parts of a candidate in words, for a title.

    Parameters
    ----------
    requirement : RequirementFile
        Whose parts they are.
    parts : Parts
        The candidate.

    Returns
    -------
    str
        Such as ``"double rod 63/36 x 700 mm, servo 16, 160 bar, 2.5 L accumulator"``.
    """
    kept, supply = requirement.cylinder, requirement.supply
    stroke = _figure(requirement.actuator_stroke, "mm")
    if parts.actuator == "motor_screw":
        what = f"motor {_text(parts.displacement, 'cm3/rev', 4)}, screw "
        what += f"{_text(parts.lead, 'mm/rev', 4)}, {stroke} mm"
    else:
        what = f"{parts.actuator.replace('_', ' ')} {_figure(parts.bore, 'mm')}/"
        what += f"{_figure(parts.rod, 'mm')} x {stroke} mm"
    said = [what + (" (kept)" if kept is not None else ""), requirement.valve[parts.valve].name]
    if supply is not None:
        said.append(f"{_text(supply.pressure, 'bar', 4)} (kept)")
    else:
        said.append(_text(parts.pressure, "bar", 4))
        if parts.accumulator_volume > 0.0:
            said.append(f"accumulator {_text(parts.accumulator_volume, 'L', 4)}")
    return ", ".join(said)


def _figure(value: float, unit: str) -> str:
    return f"{units.convert(value, unit):.4g}"


def _text(value: float, unit: str, digits: int = 6) -> Any:
    """Return a value as a person writes it in a file, which a table takes for a number.

    Raises
    ------
    ParameterError
        If it is no number: the series hold no size that would do.
    """
    if not math.isfinite(value):
        raise ParameterError(
            Fault(what=f"a value in {unit} of this candidate could not be found: {value}",
                  expected="a size that the series of the requirement hold")
        )  # fmt: skip
    return f"{units.convert(value, unit):.{digits}g} {unit}"


def _cylinder(f: RequirementFile, p: Parts) -> Cylinder:
    """Return the table of the cylinder, or of the motor with its screw."""
    offered: Any = f.screws if p.actuator == "motor_screw" else f.cylinders
    if offered is None:
        table = "screws" if p.actuator == "motor_screw" else "cylinders"
        raise ParameterError(Fault(table=table, what="no such table to make a candidate from"))
    values: dict[str, Any] = {"bore_diameter": p.bore, "rod_diameter": p.rod}
    if p.actuator == "motor_screw":
        values = {
            "displacement": p.displacement,
            "screw_lead": p.lead,
            "rotor_inertia": offered.rotor_inertia,
            "screw_efficiency": offered.screw_efficiency,
        }
    values["kind"], values["hose"] = p.actuator, "none"
    if p.hose_volume_a > 0.0 or p.hose_volume_b > 0.0:
        values["hose"] = "flexible"
        values["hose_volume_a"] = _text(p.hose_volume_a, "cm3")
        values["hose_volume_b"] = _text(p.hose_volume_b, "cm3")
        values["hose_modulus"] = f.lines.hose_modulus
    for key, unit in _WRITTEN.items():
        values[key] = _text(getattr(p, key), unit)
    for side in ("a", "b"):
        values[f"external_leakage_{side}"] = _text(p.external_leakage, "cm3/min/bar")
    return Cylinder(
        source="sized" + (f"; {offered.source}" if offered.source else ""),
        stroke=_text(f.actuator_stroke, "mm"),
        wall="elastic",
        end_stop_stiffness=offered.end_stop_stiffness,
        end_stop_damping=offered.end_stop_damping,
        **values,
    )


def _supply(f: RequirementFile, p: Parts) -> Supply:
    """Return the table of the power unit."""
    u = f.power_unit
    values: dict[str, Any] = {"accumulator": "none", "line": "none"}
    values["tank_heat_capacity"] = _text(p.tank_heat_capacity, "kJ/K")
    values["cooling"] = _text(p.cooling, "W/K")
    if u.pump == "compensated_pump":
        values["compensator_band"] = u.compensator_band
        values["compensator_time"] = u.compensator_time
        values["relief_pressure"] = _text(p.relief_pressure, "bar")
    if p.accumulator_volume > 0.0:
        values["accumulator"] = "gas"
        values["accumulator_volume"] = p.accumulator_volume
        values["precharge_pressure"] = _text(p.precharge_pressure, "bar")
        values["gas_exponent"] = u.gas_exponent
        values["gas_time_constant"] = u.gas_time_constant
    if p.line_volume > 0.0 and p.line_drop > 0.0:
        values["line"] = "lumped"
        values["line_flow"] = _text(p.line_flow, "L/min")
        values["line_drop"] = _text(p.line_drop, "bar")
        values["line_volume"] = _text(p.line_volume, "L")
    return Supply(
        source="sized" + (f"; {u.source}" if u.source else ""),
        kind=u.pump,
        pressure=p.pressure,
        return_pressure=f.pressures.return_pressure,
        pump_flow=p.pump_flow,
        relief_gradient=u.relief_gradient,
        pump_line_volume=u.pump_line_volume,
        ambient_temperature=f.conditions.ambient_temperature,
        **values,
    )


def _structure(f: RequirementFile, p: Parts) -> Structure:
    """Return the table of the structure with the candidate's own masses; a screw always gives way.

    Algebra counts with the screw's stiffness, so moves and margins do too, even where piston and
    table of a cylinder are one mass.
    """
    if f.cylinder is not None:
        return f.structure
    values: dict[str, Any] = {"piston_mass": _text(p.piston_mass, "kg")}
    if p.actuator == "motor_screw" and f.screws is not None:
        values["coupling_stiffness"] = f.screws.screw_stiffness
        values["coupling_damping"] = f.screws.screw_damping
        if f.structure.masses == "one":
            values |= {"masses": "two", "backlash": "0 um"} | _motor_bristle(f, p)
    return f.structure.replace(**values)


def _motor_bristle(f: RequirementFile, p: Parts) -> dict[str, Any]:
    """Return the bristle of the motor's friction, for which a requirement with one mass has no key.

    It gives way as far as that of the ways before it slides (own choice): as much less stiff as
    its friction is smaller.
    """
    table = f.table
    if table.friction == "stribeck":
        return {}
    load = (table.mass + table.workpiece_mass) * GRAVITY * math.cos(table.inclination)
    ways = table.coulomb_coefficient * (max(load, 0.0) + table.way_preload)
    share = p.seal_friction / ways if p.seal_friction > 0.0 and ways > 0.0 else 1.0
    return {
        "seal_bristle_stiffness": _text(share * table.bristle_stiffness, "N/um", 4),
        "seal_bristle_damping": _text(share * table.bristle_damping, "N s/m", 4),
    }


def _lock(f: RequirementFile, p: Parts) -> Lock:
    """Return the table of the lock; a motor of the series has its brake."""
    if p.actuator != "motor_screw" or f.cylinder is not None or f.screws is None:
        return f.lock
    s = f.screws
    return f.lock.replace(
        brake="holding",
        brake_stiffness=s.brake_stiffness,
        brake_damping=s.brake_damping,
        brake_force=s.brake_force,
        brake_closing_time=s.brake_closing_time,
        brake_opening_time=s.brake_opening_time,
    )


def _held(f: RequirementFile) -> tuple[Thrust, float, str]:
    """Return thrust and time held in the simulated move, with a remark if they are shortened."""
    thrust, hold = f.thrust, f.accuracy.hold_time
    lead = thrust.delay + 2.0 * thrust.ramp if thrust.mode == "locked" else 0.0
    longest = max(LONGEST_HOLD, lead + _LEAST_FEED)
    if hold <= longest:
        return thrust, hold, ""
    if thrust.mode == "locked" and thrust.feed_time > longest - lead:
        thrust = thrust.replace(feed_time=_text(longest - lead, "s"))
    shown = _text(hold, "s", 4), _text(longest, "s", 4)
    return thrust, longest, f"The hold of {shown[0]} is simulated for {shown[1]} only."


def _duration(f: RequirementFile, lock: Lock, hold: float) -> float:
    """Return the time of the whole move [s]: settled, locked, held, released."""
    time = f.accuracy.settling_time + hold + _TAIL
    if lock.trigger == "window_dwell":
        time += lock.dwell
    time += max(lock.closing_delay_a, lock.closing_delay_b) + lock.closing_time
    time += lock.opening_time + lock.release_dwell + lock.prematch_time
    time += lock.brake_closing_time + lock.brake_opening_time
    return math.ceil(100.0 * time - 1e-6) / 100.0
