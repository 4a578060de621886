"""Figures by which moves are judged: which value is the worst, and how it is shown."""

from __future__ import annotations

# name, whether the largest is the worst, whether its size counts, unit, shown unit
JUDGED: dict[str, tuple[bool, bool, str, str]] = {
    "settling_time": (True, False, "s", "s"),
    "overshoot": (True, False, "m", "um"),
    "following_error_peak": (True, False, "m", "mm"),
    "resting_error": (True, True, "m", "um"),
    "resting_error_locked": (True, True, "m", "um"),
    "lock_time": (True, False, "s", "s"),
    "lock_shift": (True, True, "m", "um"),
    "hold_drift": (True, True, "m", "um"),
    "thrust_deflection": (True, True, "m", "um"),
    "thrust_deflection_peak": (True, True, "m", "um"),
    "limit_cycle_amplitude": (True, False, "m", "um"),
    "pressure_max": (True, False, "Pa", "bar"),
    "pressure_min": (False, False, "Pa", "bar"),
    "supply_pressure_min": (False, False, "Pa", "bar"),
    "cavitation_time": (True, False, "s", "s"),
    "valve_saturation": (True, False, "1", "%"),
}
