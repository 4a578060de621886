"""The textbooks' formulas of valve, actuator and loop, each with its source.

They hold for one point of the axis with its parts taken as ideal: sharp edges, a supply of constant
pressure, oil of one stiffness, rigid bodies. What the axis really does is the linear form of its
equations; :mod:`servosim.linear.comparison` puts both side by side.

All functions are pure, take floats or arrays that broadcast, and use SI units. A spool's travel may
be in metres or as a fraction of the rated stroke: gains then count per metre or per full stroke.

Sources. *Merritt* is H. E. Merritt, *Hydraulic Control Systems*, Wiley 1967 (from memory), *Wang*
is Wang Chunxing, *Hydraulic Control Systems*, China Machine Press, end-of-chapter problems.
"""

from __future__ import annotations

from servosim.linear._actuator_forms import (
    damping,
    damping_double_rod,
    lock_stiffness,
    natural_frequency,
    natural_frequency_double_rod,
    oil_stiffness,
    softest_position,
    steady_pressures,
    two_masses,
    velocity_gain,
)
from servosim.linear._form_values import Values
from servosim.linear._loop_forms import (
    LOOP_ANCHORS,
    LoopAnchor,
    dynamic_stiffness,
    gain_for_margin,
    limit_gain,
    load_error,
    load_signal,
    null_drift_error,
    repeatable_error,
    rule_gain,
    static_stiffness,
    velocity_error,
)
from servosim.linear._valve_forms import (
    NullCoefficients,
    critical_centre,
    leakage_flow_pressure,
    open_centre,
    open_flow_pressure,
    rated_flow_gain,
    spool_diameter,
    spool_flow_gain,
)

__all__ = [
    "LOOP_ANCHORS",
    "LoopAnchor",
    "NullCoefficients",
    "Values",
    "critical_centre",
    "damping",
    "damping_double_rod",
    "dynamic_stiffness",
    "gain_for_margin",
    "leakage_flow_pressure",
    "limit_gain",
    "load_error",
    "load_signal",
    "lock_stiffness",
    "natural_frequency",
    "natural_frequency_double_rod",
    "null_drift_error",
    "oil_stiffness",
    "open_centre",
    "open_flow_pressure",
    "rated_flow_gain",
    "repeatable_error",
    "rule_gain",
    "softest_position",
    "spool_diameter",
    "spool_flow_gain",
    "static_stiffness",
    "steady_pressures",
    "two_masses",
    "velocity_error",
    "velocity_gain",
]
