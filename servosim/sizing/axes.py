"""From one candidate to a complete axis file: cylinder, valve, supply, move and envelope.

What the requirement states as an axis file does is taken over unchanged; so is a cylinder or a
supply that is kept. The rest is written with six figures in the units of its keys, so that the file
reads as a person would write it, and is simulated as it reads.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from servosim import units
from servosim.axis import Axis
from servosim.components.cylinder import Cylinder
from servosim.components.load import Structure
from servosim.components.lock import Lock
from servosim.components.supply import Supply
from servosim.document import AxisFile
from servosim.errors import Fault, ParameterError
from servosim.program import Envelope, MoveTable, Thrust, Window
from servosim.sizing.at_hand import valve_of
from servosim.sizing.combinations import ACTUATORS, Combinations
from servosim.sizing.pattern import targets_of
from servosim.sizing.requirement import RequirementFile

if TYPE_CHECKING:
    from servosim.sizing.actuators import Actuators
    from servosim.sizing.power import Power

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


@dataclass(frozen=True)
class Parts:
    """What one candidate adds to its requirement; SI units.

    Attributes
    ----------
    actuator : str
        ``double_rod``, ``single_rod`` or ``motor_screw``.
    bore, rod : float
        Of a cylinder [m]; zero for a motor.
    displacement, lead : float
        Of motor and screw [m3/rad, m/rad]; zero for a cylinder.
    valve : int
        Which of the valves at hand, from zero.
    pressure : float
        Nominal supply pressure [Pa].
    dead_volume_a, dead_volume_b, line_volume_a, line_volume_b : float
        Oil from actuator to lock and from lock to valve [m3].
    hose_volume_a, hose_volume_b : float
        Share of the lines that is hose [m3].
    wall_modulus : float
        Pressure over relative growth of the volume inside the walls [Pa].
    internal_leakage, external_leakage : float
        Past the piston, and outward from each side [m3/s/Pa].
    seal_friction, seal_breakaway : float
        Coulomb and static friction without pressure [N].
    seal_pressure_friction, seal_viscous : float
        Friction over the sum of pressures [N/Pa], and over velocity [N s/m].
    piston_mass : float
        Piston with rod, or nut of the screw, without the rotor [kg].
    worst_position : float
        Where the natural frequency is lowest, from the retracted end [m].
    pump_flow : float
        Flow of the pump [m3/s].
    accumulator_volume, precharge_pressure : float
        Gas volume, zero for none, and precharge [m3, Pa].
    relief_pressure : float
        Where the relief valve opens [Pa].
    line_flow, line_drop, line_volume : float
        Loss of the pressure line at a flow, and its oil [m3/s, Pa, m3]; no volume for no line.
    tank_heat_capacity, cooling : float
        Of tank and oil [J/K], and heat given off over the room's temperature [W/K].
    """

    actuator: str
    bore: float
    rod: float
    displacement: float
    lead: float
    valve: int
    pressure: float
    dead_volume_a: float
    dead_volume_b: float
    line_volume_a: float
    line_volume_b: float
    hose_volume_a: float
    hose_volume_b: float
    wall_modulus: float
    internal_leakage: float
    external_leakage: float
    seal_friction: float
    seal_breakaway: float
    seal_pressure_friction: float
    seal_viscous: float
    piston_mass: float
    worst_position: float
    pump_flow: float
    accumulator_volume: float
    precharge_pressure: float
    relief_pressure: float
    line_flow: float
    line_drop: float
    line_volume: float
    tank_heat_capacity: float
    cooling: float


def parts_of(
    requirement: RequirementFile,
    c: Combinations,
    actuators: Actuators,
    power: Power,
    k: int,
) -> Parts:
    """Return the parts of one candidate.

    Parameters
    ----------
    requirement : RequirementFile
        What is asked for.
    c : Combinations
        All candidates.
    actuators, power : Actuators, Power
        What was computed for them.
    k : int
        Which of them.

    Returns
    -------
    Parts
        Plain numbers, SI.
    """

    def of(values: Any) -> float:
        return float(values[k])

    actuator, unit = actuators, power
    return Parts(
        actuator=ACTUATORS[int(c.actuator[k])],
        bore=of(c.bore),
        rod=of(c.rod),
        displacement=of(c.displacement),
        lead=of(c.lead),
        valve=int(c.valve[k]),
        pressure=of(c.pressure),
        dead_volume_a=of(actuator.dead_volume_a),
        dead_volume_b=of(actuator.dead_volume_b),
        line_volume_a=of(actuator.line_volume_a),
        line_volume_b=of(actuator.line_volume_b),
        hose_volume_a=of(actuator.hose_volume_a),
        hose_volume_b=of(actuator.hose_volume_b),
        wall_modulus=of(actuator.wall_modulus),
        internal_leakage=of(actuator.internal_leakage),
        external_leakage=of(actuator.external_leakage),
        seal_friction=of(actuator.seal_friction),
        seal_breakaway=of(actuator.seal_breakaway),
        seal_pressure_friction=of(actuator.seal_pressure_friction),
        seal_viscous=of(actuator.seal_viscous),
        piston_mass=of(actuator.weight_mass),
        worst_position=of(actuator.natural_position),
        pump_flow=of(unit.pump_flow),
        accumulator_volume=of(unit.accumulator_volume),
        precharge_pressure=of(unit.precharge_pressure),
        relief_pressure=of(unit.relief_pressure),
        line_flow=of(unit.peak_flow),
        line_drop=of(unit.pressure_loss),
        line_volume=of(unit.line_volume),
        tank_heat_capacity=of(unit.tank_heat_capacity),
        cooling=of(unit.cooling),
    )


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
    """Return the table of the structure with the candidate's own masses and screw."""
    if f.cylinder is not None:
        return f.structure
    values: dict[str, Any] = {"piston_mass": _text(p.piston_mass, "kg")}
    if p.actuator == "motor_screw" and f.structure.masses == "two" and f.screws is not None:
        values["coupling_stiffness"] = f.screws.screw_stiffness
        values["coupling_damping"] = f.screws.screw_damping
    return f.structure.replace(**values)


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
