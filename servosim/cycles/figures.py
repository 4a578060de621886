"""What each figure of a cycle and of a stop is, in a sentence, and its SI unit."""

from __future__ import annotations

from servosim._definitions import DEFINITIONS


def _as_move(name: str) -> tuple[str, str]:
    """Return unit and definition of a figure that is that of a move."""
    return DEFINITIONS[name]


# column of the table: SI unit, definition; nan where a position doesn't hold the figure
COLUMNS: dict[str, tuple[str, str]] = {
    "line": ("1", "line of the list, or place among the targets typed by hand"),
    "overrun": ("1", "1 for a point that is only run through before the axis turns, else 0"),
    "begin": ("s", "time of the cycle at which the position begins"),
    "start": ("m", "reference at which the move begins"),
    "target": ("m", "target of the move"),
    "move_time": _as_move("lock_time"),
    "settled": _as_move("settled"),
    "settling_time": _as_move("settling_time"),
    "overshoot": _as_move("overshoot"),
    "error_before_lock": _as_move("resting_error"),
    "error_locked": _as_move("resting_error_locked"),
    "lock_shift": _as_move("lock_shift"),
    "error_under_thrust": (
        "m",
        "target less table position, mean over the second half of the feed",
    ),
    "deflection": _as_move("thrust_deflection"),
    "drift": _as_move("hold_drift"),
    "drift_rate": _as_move("hold_drift_rate"),
    "unlock_bump": (
        "m",
        "departure, with its sign, that is the largest from the position at the command to open, "
        "until the next motion may begin",
    ),
    "time_moving": (
        "s",
        "from the start to the end of the reference, to the command to close if that comes first; "
        "with a reference over the distance, to the window of the lock",
    ),
    "time_settling": (
        "s",
        "from there to the command to close; without a lock, to the end of the dwell in place",
    ),
    "time_locking": ("s", "from the command to close to the confirmed lock"),
    "time_auxiliary": ("s", "for the auxiliary actions"),
    "time_feed": ("s", "for the feed: the tool's delay, thrust rising, full and falling"),
    "time_dwell": ("s", "for the dwell of the list"),
    "time_release": ("s", "from the end of the hold until the next motion may begin"),
    "time": ("s", "for all of it"),
    "energy": _as_move("energy"),
    "work": _as_move("work"),
    "heat": _as_move("heat"),
    "drawn_volume": ("m3", "oil drawn from the supply, with the pilot stage"),
    "flow_mean": _as_move("flow_mean"),
    "flow_peak": _as_move("flow_peak"),
    "supply_pressure_min": _as_move("supply_pressure_min"),
    "pressure_max": _as_move("pressure_max"),
    "pressure_min": _as_move("pressure_min"),
    "cavitation_time": _as_move("cavitation_time"),
    "valve_saturation": _as_move("valve_saturation"),
    "oil_temperature": ("K", "temperature of the oil with which the position was computed"),
    "tank_temperature": ("K", "temperature of the oil in the tank at the end"),
    "gas_temperature": ("K", "temperature of the accumulator's gas at the end"),
}
# shares of a position's time, in the order in which they come; they add up to ``time``
PARTS = (
    "time_moving",
    "time_settling",
    "time_locking",
    "time_auxiliary",
    "time_feed",
    "time_dwell",
    "time_release",
)
TOTALS: dict[str, tuple[str, str]] = {
    "positions": ("1", "positions done, without points that are only run through"),
    "overruns": ("1", "points done that are only run through"),
    "cycle_time": ("s", "time of the cycle"),
    **{part: ("s", f"{COLUMNS[part][1]}; all positions, without overruns") for part in PARTS},
    "time_overruns": ("s", "for all points that are only run through"),
    "rate": ("1/s", "positions done over the cycle time"),
    "travel": ("m", "sum of the distances from start to target, overruns included"),
    "energy": ("J", "energy delivered by the pump"),
    "work": ("J", "work of the oil on the piston"),
    "heat": ("J", "heat given to the oil"),
    "drawn_volume": ("m3", "oil drawn from the supply, with the pilot stage"),
    "power_mean": ("W", "energy over the cycle time"),
    "heat_mean": ("W", "heat over the cycle time"),
    "flow_mean": ("m3/s", "drawn volume over the cycle time"),
    "flow_peak": ("m3/s", "largest mean over a sample of the flow drawn from the supply"),
    "supply_pressure_min": ("Pa", "lowest supply pressure at the valve, gauge"),
    "pressure_max": ("Pa", "highest pressure in a chamber, gauge"),
    "pressure_min": ("Pa", "lowest pressure in a chamber, gauge"),
    "tank_temperature_begin": ("K", "temperature of the oil in the tank at the beginning"),
    "tank_temperature_end": ("K", "temperature of the oil in the tank at the end"),
    "unsettled": ("1", "positions done that did not settle in the window before they were locked"),
    "error_before_lock": ("m", "error before the lock that is the largest in size, with its sign"),
    "error_locked": ("m", "locked error that is the largest in size, with its sign"),
    "error_under_thrust": ("m", "error under thrust that is the largest in size, with its sign"),
    "drift": ("m", "drift that is the largest in size, with its sign"),
}
TRACES: dict[str, tuple[str, str]] = {
    "time": ("s", "time of the cycle"),
    "position": ("m", "position of the table at the tool"),
    "error": ("m", "target of the move less table position"),
    "pressure_a": ("Pa", "pressure in chamber A, gauge"),
    "pressure_b": ("Pa", "pressure in chamber B, gauge"),
    "supply_pressure": ("Pa", "supply pressure at the valve, gauge"),
    "supply_flow": ("m3/s", "flow drawn from the supply, mean since the point before"),
    "lock_phase": ("1", "phase of the lock's sequence"),
    "thrust": ("N", "thrust of the tool along the axis, against extension"),
    "tank_temperature": ("K", "temperature of the oil in the tank"),
    "place": ("1", "place of the position in the list, from 0"),
}
STOP_FIGURES: dict[str, tuple[str, str]] = {
    "fault_time": ("s", "time of the fault from the start of the move"),
    "fault_position": ("m", "position of the table at the fault"),
    "fault_velocity": ("m/s", "velocity of the table at the fault"),
    "stopping_distance": (
        "m",
        "way of the table in the direction of its motion from the fault until its velocity has "
        "first fallen to a hundredth; none if it did not",
    ),
    "stopping_time": (
        "s",
        "from the fault until the velocity of the table has first fallen to a hundredth; none if "
        "it did not",
    ),
    "farthest": (
        "m",
        "largest way from the fault in the direction of the motion, whenever it came",
    ),
    "rest_time": (
        "s",
        "from the fault to the first sample from which the table stays within the window of "
        "where it ends; none if it still moves at the end",
    ),
    "end_position": ("m", "position of the table at the end of the run"),
    "end_error": ("m", "target of the move less the position at the end"),
    "end_velocity": ("m/s", "velocity of the table at the end of the run"),
    "deceleration_peak": (
        "m/s2",
        "largest deceleration against the motion at the fault, mean over a sample",
    ),
    "end_stop_velocity": (
        "m/s",
        "velocity at which the piston meets an end stop; none if it doesn't",
    ),
    "end_stop_force": ("N", "largest force of the end stop; none if it isn't met"),
    "pressure_max": ("Pa", "highest pressure in a chamber from the fault on, gauge"),
    "pressure_min": ("Pa", "lowest pressure in a chamber from the fault on, gauge"),
    "line_pressure_max": ("Pa", "highest pressure in a line between valve and lock, gauge"),
    "supply_pressure_min": ("Pa", "lowest supply pressure at the valve from the fault on, gauge"),
    "cavitation_time": ("s", "time with a chamber below the air-release pressure"),
    "lock_time": ("s", "from the fault to the confirmed lock; none if none closed"),
    "kinetic_energy": ("J", "kinetic energy of all that moves, at the fault"),
    "kinetic_energy_end": ("J", "kinetic energy of all that moves, at the end"),
    "oil_work": ("J", "work of the oil on the piston from the fault to the end"),
    "friction_work": ("J", "work against friction of ways and seals from the fault to the end"),
    "brake_work": ("J", "work against the brake from the fault to the end"),
    "end_stop_work": ("J", "work against the end stops from the fault to the end"),
    "thrust_work": ("J", "work against the thrust from the fault to the end"),
    "gravity_work": ("J", "work against gravity less that of a counterbalance, to the end"),
    "balance": (
        "J",
        "kinetic energy at the fault and work of the oil, less all the other works and the kinetic "
        "energy at the end: what sums over the samples leave open, and what a coupling stores and "
        "loses",
    ),
}
