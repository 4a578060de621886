"""Which way each value of a requirement is relaxed; what stands nowhere may help either way."""

from __future__ import annotations

_UP: dict[str, tuple[str, ...]] = {
    "accuracy": (
        "half_width",
        "settling_time",
        "overshoot",
        "resting_error",
        "deflection",
        "drift",
    ),
    "conditions": ("coldest_start",),
    "margins": ("highest_opening", "chamber_pressure", "port_velocity", "null_leakage_share"),
    "cylinders": ("seal_velocity", "rod_yield"),
    "screws": ("highest_speed", "brake_force", "brake_stiffness", "screw_stiffness"),
    "lines": ("pressure_velocity", "return_velocity", "suction_velocity", "pressure_loss"),
    "power_unit": ("sag", "oil_temperature", "tank_heat_transfer"),
    "work": ("stroke_reserve",),
}
_DOWN: dict[str, tuple[str, ...]] = {
    "work": ("cycles_per_hour", "dwell"),
    "accuracy": ("hold_time",),
    "conditions": ("supply_variation", "ambient_temperature"),
    "reference": ("velocity", "acceleration", "deceleration", "jerk"),
    "thrust": ("along", "normal"),
    "table": (
        "mass",
        "static_coefficient",
        "coulomb_coefficient",
        "viscous_friction",
        "inclination",
    ),
    "margins": (
        "force_reserve",
        "flow_reserve",
        "valve_to_axis_frequency",
        "axis_to_motion_frequency",
        "smallest_step",
        "buckling",
        "lowest_pressure",
        "gain_margin",
        "phase_margin",
    ),
    "cylinders": (
        "buckling_length",
        "internal_leakage",
        "lock_volume",
        "dead_length",
        "seal_friction",
    ),
    "screws": ("cross_leakage", "case_leakage", "lock_volume"),
    "lines": (
        "pressure_length",
        "return_length",
        "suction_length",
        "suction_head",
        "service_length",
        "hose_length",
        "pressure_fittings",
        "return_fittings",
        "suction_fittings",
        "service_fittings",
        "lowest_suction",
    ),
    "power_unit": ("flow_reserve", "pump_line_volume"),
    "lock": ("leakage", "displaced_volume"),
    "pressures": ("return_pressure",),
}
WAYS = {f"{table}.{name}": 1 for table, names in _UP.items() for name in names} | {
    f"{table}.{name}": -1 for table, names in _DOWN.items() for name in names
}
"""Key to 1 upwards, -1 downwards (in size, whatever its sign)."""
HIGH_END = ("conditions.workpiece_mass", "conditions.free_air")
"""Ranges that shrink from above alone; of others either end may hurt."""
WITHIN = {
    "conditions.workpiece_mass": ("table.workpiece_mass",),
    "conditions.temperature": ("oil.temperature", "power_unit.oil_temperature"),
    "conditions.free_air": ("oil.free_air",),
}
"""Single values that must lie within a range, and move with its ends."""
