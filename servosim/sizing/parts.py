"""The parts of one candidate in plain numbers: all that an axis adds to its requirement."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from servosim.sizing.combinations import ACTUATORS, Combinations
from servosim.sizing.requirement import RequirementFile

if TYPE_CHECKING:
    from servosim.sizing.actuators import Actuators
    from servosim.sizing.power import Power


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
