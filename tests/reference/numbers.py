"""From the SI values of a parameter file to the numbers of the independent model.

Every derived number is derived here anew: flow coefficient and clearance of the lands, areas,
velocity gains, sampled filters. Nothing of the package's compiled code is called.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from scipy.linalg import expm
from scipy.optimize import brentq

from reference.plant import land_flow

ATMOSPHERE = 101325.0
GRAVITY = 9.80665
ZERO_CELSIUS = 273.15


def kinematic_viscosity(oil: Any, temperature: float) -> float:
    """Walther's line through both points, in mm2/s and K (ASTM D341), returned in m2/s."""

    def ordinate(nu: float) -> float:
        return math.log10(math.log10(nu * 1e6 + 0.7))

    x_1, x_2 = (
        math.log10(oil.viscosity_temperature_1),
        math.log10(oil.viscosity_temperature_2),
    )
    y_1, y_2 = ordinate(oil.viscosity_1), ordinate(oil.viscosity_2)
    y = y_1 + (y_2 - y_1) * (math.log10(temperature) - x_1) / (x_2 - x_1)
    return (10.0 ** (10.0**y) - 0.7) * 1e-6


def transition_drop(valve: Any, oil: Any, temperature: float) -> float:
    """Drop at which the jet of a land opened by the rated stroke reaches its transition number.

    Reynolds number with twice the gap as hydraulic diameter: Re = 2 x_n C_d sqrt(2 dp/rho)/nu.
    """
    rho = oil.density * (1.0 - oil.thermal_expansion * (temperature - ZERO_CELSIUS - 15.0))
    gap = 2.0 * valve.rated_stroke * valve.discharge_coefficient
    speed = valve.transition_reynolds * kinematic_viscosity(oil, temperature) / gap
    return 0.5 * rho * speed * speed


def opening_curve(valve: Any) -> tuple[list[float], list[float]]:
    if valve.opening == "dual_gain":
        return [0.0, valve.knee_opening, 1.0], [0.0, valve.knee_area, 1.0]
    if valve.opening == "table":
        return list(valve.opening_table), list(valve.area_table)
    return [0.0, 1.0], [0.0, 1.0]


def rated_lands(valve: Any, oil: Any) -> tuple[float, float]:
    """Flow coefficient at A and clearance, from rated flow and null leakage or pressure gain.

    Rated flow passes both lands of extension in series, so with equal lands each takes half of the
    rated drop: q_n = K a(1 - L) sqrt(dp_n/2).
    """
    xs, ys = (np.array(v) for v in opening_curve(valve))
    dp_t = transition_drop(valve, oil, valve.rating_temperature)
    p_s = valve.rating_pressure

    def area(L: float, c: float) -> float:
        o = 1.0 - L
        o = 0.5 * (o + math.sqrt(o * o + 4.0 * c * c))
        return float(np.interp(o, xs, ys)) + max(o - 1.0, 0.0)

    def coefficient(c: float) -> float:
        resistance = area(valve.overlap_pa, c) ** -2 + area(valve.overlap_bt, c) ** -2
        return valve.rated_flow * math.sqrt(resistance / valve.rated_pressure_drop)

    def port(xs_: float, c: float, K: float, supply: float, drain: float, sign: float) -> float:
        def net(p: float) -> float:
            return land_flow(sign * xs_ - supply, p_s - p, K, c, dp_t, xs, ys) - land_flow(
                -sign * xs_ - drain, p, K, c, dp_t, xs, ys
            )

        return brentq(net, 0.0, p_s, xtol=1e-6)

    def leakage(c: float) -> float:
        K = coefficient(c)
        ratio = valve.area_ratio
        a = port(0.0, c, K, valve.overlap_pa, valve.overlap_at, 1.0)
        b = port(0.0, c, K * ratio, valve.overlap_pb, valve.overlap_bt, -1.0)
        return land_flow(-valve.overlap_pa, p_s - a, K, c, dp_t, xs, ys) + land_flow(
            -valve.overlap_pb, p_s - b, K * ratio, c, dp_t, xs, ys
        )

    def gain(c: float) -> float:
        K, h = coefficient(c), 1e-5 * c
        drops = [
            port(x, c, K, valve.overlap_pa, valve.overlap_at, 1.0)
            - port(x, c, K, valve.overlap_pb, valve.overlap_bt, -1.0)
            for x in (-h, h)
        ]
        return (drops[1] - drops[0]) / (2.0 * h)

    def miss(log_c: float) -> float:
        c = math.exp(log_c)
        if valve.leakage_given == "pressure_gain":
            return math.log(gain(c) / valve.pressure_gain)
        return math.log(leakage(c) / (valve.null_leakage - valve.pilot_leakage))

    c = math.exp(brentq(miss, math.log(1e-8), 0.0, xtol=1e-13))
    return coefficient(c), c


def _areas(cylinder: Any) -> tuple[float, float]:
    if cylinder.kind == "motor_screw":  # displacement and lead are given per radian
        area = cylinder.displacement / cylinder.screw_lead
        return area, area
    full = 0.25 * math.pi * cylinder.bore_diameter**2
    if cylinder.kind == "plunger":
        return full, 0.0
    ring = full - 0.25 * math.pi * cylinder.rod_diameter**2
    return (ring, ring) if cylinder.kind == "double_rod" else (full, ring)


def _plant_numbers(f: Any) -> dict[str, Any]:
    oil, c, table, body, supply = f.oil, f.cylinder, f.table, f.structure, f.supply
    area_a, area_b = _areas(c)
    motor = c.kind == "motor_screw"
    hose = c.hose == "flexible"
    mass_t = table.mass + table.workpiece_mass
    inertia = c.rotor_inertia / c.screw_lead**2 if motor else 0.0
    K_a, clearance = rated_lands(f.valve, oil)
    v = f.valve
    lugre = table.friction != "stribeck"
    pump = supply.kind != "ideal"
    return {
        "liquid": oil.bulk_modulus
        - oil.bulk_modulus_temperature_slope * (oil.temperature - oil.bulk_modulus_temperature),
        "stiffening": oil.bulk_modulus_pressure_slope,
        "air": oil.free_air,
        "polytropic": oil.polytropic_exponent,
        "floor": oil.pressure_floor,
        "growth": (oil.thermal_expansion - 3.0 * oil.steel_expansion) * oil.warming_rate,
        # valve
        "K_a": K_a,
        "K_b": K_a * v.area_ratio if c.kind != "plunger" else 0.0,  # no port B, no leak at it
        "clearance": clearance,
        "transition": transition_drop(v, oil, oil.temperature),
        "overlap": (v.overlap_pa, v.overlap_at, v.overlap_pb, v.overlap_bt),
        "second": float(v.dynamics == "second_order"),
        "omega": v.natural_frequency if v.dynamics == "second_order" else 0.0,
        "zeta": v.damping_ratio if v.dynamics == "second_order" else 0.0,
        "lag": v.time_constant if v.dynamics == "first_order" else 1.0,
        "top_speed": 1.0 / v.stroke_time,
        "piloted": float(v.piloted == "yes"),
        "p_rating": v.rating_pressure,
        "pilot": v.pilot_leakage,
        # actuator
        "area_a": area_a,
        "area_b": area_b,
        "moves": float(not motor),
        "has_b": float(c.kind != "plunger"),
        "stroke": c.stroke,
        "dead_a": c.dead_volume_a,  # with half of the displacement of a motor
        "dead_b": c.dead_volume_b,
        "line_a": c.line_volume_a,
        "line_b": c.line_volume_b,
        "wall": 1.0 / c.wall_modulus if c.wall == "elastic" else 0.0,
        "hose_a": c.hose_volume_a / c.hose_modulus if hose else 0.0,
        "hose_b": c.hose_volume_b / c.hose_modulus if hose else 0.0,
        "leak_i": c.internal_leakage,
        "leak_a": c.external_leakage_a,
        "leak_b": c.external_leakage_b,
        "seal_c": c.seal_friction,
        "seal_s": c.seal_breakaway,
        "seal_p": c.seal_pressure_friction,
        "seal_v": c.seal_viscous,
        "stop_k": c.end_stop_stiffness,
        "stop_c": c.end_stop_damping,
        "efficiency": c.screw_efficiency if motor else 1.0,
        # table
        "two": float(body.masses == "two"),
        "mass_p": body.piston_mass + inertia,
        "mass_t": mass_t,
        "weight_p": body.piston_mass * GRAVITY * math.sin(table.inclination),
        "weight_t": mass_t * GRAVITY * math.sin(table.inclination),
        "press": mass_t * GRAVITY * math.cos(table.inclination) + table.way_preload,
        "press_share": table.normal_thrust_factor,
        "mu_c": table.coulomb_coefficient,
        "mu_s": table.static_coefficient,
        "viscous": table.viscous_friction,
        "friction": {"lugre": 1.0, "lugre_plain": 2.0, "stribeck": 0.0}[table.friction],
        "v_s": table.stribeck_velocity,
        "exponent": table.stribeck_exponent,
        "v_0": 0.0 if lugre else table.smoothing_velocity,
        "bristle_k": table.bristle_stiffness if lugre else 1.0,
        "bristle_c": table.bristle_damping if lugre else 0.0,
        "bristle_v": table.bristle_damping_velocity if lugre else 1.0,
        "elastic": table.elastic_fraction if table.friction == "lugre" else 0.0,
        "seal_k": body.seal_bristle_stiffness if lugre and body.masses == "two" else 1.0,
        "seal_d": body.seal_bristle_damping if lugre and body.masses == "two" else 0.0,
        "couple_k": body.coupling_stiffness if body.masses == "two" else 0.0,
        "couple_c": body.coupling_damping if body.masses == "two" else 0.0,
        "backlash": body.backlash if body.masses == "two" else 0.0,
        "lift": {"none": 0.0, "constant": 1.0, "accumulator": 2.0}[table.counterbalance],
        "lift_force": table.counterbalance_force if table.counterbalance != "none" else 0.0,
        "lift_at": table.counterbalance_position if table.counterbalance == "accumulator" else 0.0,
        "lift_area": table.counterbalance_area if table.counterbalance == "accumulator" else 1.0,
        "lift_gas": table.counterbalance_gas_volume
        if table.counterbalance == "accumulator"
        else 1.0,
        "lift_n": table.counterbalance_exponent if table.counterbalance == "accumulator" else 1.0,
        # supply
        "source": {"ideal": 0.0, "compensated_pump": 1.0, "fixed_pump": 2.0}[supply.kind],
        "p_set": supply.pressure,
        "p_return": supply.return_pressure,
        "pump": supply.pump_flow if pump else 0.0,
        "band": supply.compensator_band if supply.kind == "compensated_pump" else 1.0,
        "pump_lag": supply.compensator_time if supply.kind == "compensated_pump" else 1.0,
        "relief": supply.relief_pressure
        if supply.kind == "compensated_pump"
        else (supply.pressure - supply.pump_flow / supply.relief_gradient if pump else 0.0),
        "relief_slope": supply.relief_gradient if pump else 0.0,
        "pump_volume": supply.pump_line_volume if pump else 1.0,
        "gas": float(supply.accumulator == "gas"),
        "gas_volume": supply.accumulator_volume if supply.accumulator == "gas" else 1.0,
        "precharge": (supply.precharge_pressure if supply.accumulator == "gas" else 0.0)
        + ATMOSPHERE,
        "kappa": supply.gas_exponent if supply.accumulator == "gas" else 1.4,
        "gas_time": supply.gas_time_constant if supply.accumulator == "gas" else 1.0,
        "lumped": float(supply.line == "lumped"),
        "line_drop": supply.line_drop if supply.line == "lumped" else 1.0,
        # the stated flow passes at the stated drop, which is also the transition
        "line_K": supply.line_flow * 2.0**0.25 / math.sqrt(supply.line_drop)
        if supply.line == "lumped"
        else 0.0,
        "line_volume": supply.line_volume if supply.line == "lumped" else 1.0,
        "ambient": supply.ambient_temperature,
    }


def lifting(f: Any) -> float:
    """Force of the counterbalance where the move starts; gas by its absolute pressure."""
    t = f.table
    if t.counterbalance == "accumulator":
        V, A = t.counterbalance_gas_volume, t.counterbalance_area
        smaller = V / (V + A * (f.move.start - t.counterbalance_position))
        filled = t.counterbalance_force / A + ATMOSPHERE
        return A * (filled * smaller**t.counterbalance_exponent - ATMOSPHERE)
    return t.counterbalance_force if t.counterbalance == "constant" else 0.0


def _control_numbers(f: Any, n: dict[str, Any]) -> dict[str, Any]:
    s, c, k, v = f.transducer, f.controller, f.lock, f.valve
    wave = 2.0 * math.pi / s.cyclic_period
    area_a, area_b, K_a, K_b = n["area_a"], n["area_b"], n["K_a"], n["K_b"]
    p_s, p_t = f.supply.pressure, f.supply.return_pressure
    load = n["weight_p"] + n["weight_t"] - lifting(f)  # steady, where the move starts
    # orifice equations of both lands in series, force balance on the piston (Merritt 1967, ch. 6,
    # from memory)
    series = area_a**3 / K_a**2 + (area_b**3 / K_b**2 if area_b > 0.0 else 0.0)
    drop_out = area_a * p_s - area_b * p_t - load
    drop_in = area_b * p_s - area_a * p_t + load
    T = c.period
    w, z = c.filter_frequency, c.filter_damping
    held = np.zeros((3, 3))  # second-order filter with its input held over a period
    held[:2] = [[0.0, 1.0, 0.0], [-w * w, -2.0 * z * w, w * w]]
    step = expm(held * T)
    feedback = c.stabilising_feedback
    correct = c.load_pressure_correction == "square_root"
    valves = k.kind in ("blocking_valve", "pilot_check")
    brake = k.brake == "holding"
    corner_h = c.high_pass_frequency if feedback == "load_pressure" else 0.0
    corner_c = c.correction_frequency if correct else 0.0
    wide = v.hysteresis - (1.0 - v.wide_play_weight) * v.threshold
    bias = v.null_bias + v.null_shift_temperature * (f.oil.temperature - v.rating_temperature)
    return {
        "on_table": float(s.location == "table"),
        "gauge": 1.0 + s.scale_error - s.scale_expansion * (s.scale_temperature - 293.15),
        "offset": s.zero_offset,
        "wave": wave,
        "wave_size": s.cyclic_error,
        "wave_phase": s.cyclic_phase,
        "reading_lag": s.time_constant,
        "pressure_lag": s.pressure_time_constant if s.pressure != "none" else 1.0,
        "has_gauges": float(s.pressure != "none"),
        "sampled": float(c.kind == "sampled"),
        "K_v": c.velocity_gain,
        "k_ff": c.velocity_feedforward,
        "k_a": c.acceleration_feedforward,
        "K_i": c.integral_gain,
        "dead_zone": c.integral_dead_zone,
        "v_i": c.integral_limit,
        "k_acc": c.acceleration_feedback if feedback == "acceleration" else 0.0,
        "k_p": c.load_pressure_feedback if feedback == "load_pressure" else 0.0,
        "k_v": c.velocity_feedback,
        "w_h": corner_h,
        "w_f": w,
        "z_f": z,
        "w_c": corner_c,
        "correct": float(correct),
        "root_floor": c.correction_floor if correct else 1.0,
        "period": T,
        "step": (*step[0], *step[1]),
        "fade_h": 1.0 - math.exp(-corner_h * T),
        "fade_c": 1.0 - math.exp(-corner_c * T),
        "k_o": c.overlap_compensation,
        "jump_out": max(0.5 * (v.overlap_pa + v.overlap_bt), 0.0),
        "jump_in": max(0.5 * (v.overlap_pb + v.overlap_at), 0.0),
        "jump_width": c.overlap_smoothing,
        "trim": c.null_trim,
        "u_max": c.output_limit,
        "gain_out": math.sqrt(max(drop_out, 0.0) / series),
        "gain_in": math.sqrt(max(drop_in, 0.0) / series),
        "drop_out": drop_out,
        "drop_in": drop_in,
        "load": load,
        # command path
        "bias": bias,
        "bias_p": v.null_shift_pressure,
        "narrow": 0.5 * v.threshold,
        "wide": 0.5 * wide / v.wide_play_weight,
        "weight": v.wide_play_weight,
        "dither": v.dither_amplitude,
        "dither_w": v.dither_frequency,
        # lock
        # like the line: the stated flow passes at the stated drop, which is also the transition
        "lock_K": k.rated_flow * 2.0**0.25 / math.sqrt(k.rated_pressure_drop) if valves else 0.0,
        "lock_turn": k.rated_pressure_drop if valves else 1.0,
        "lock_leak": k.leakage if valves else 0.0,
        "check": float(k.kind == "pilot_check"),
        "crack": k.cracking_pressure if k.kind == "pilot_check" else 0.0,
        "brake_k": k.brake_stiffness if brake else 0.0,
        "brake_c": k.brake_damping if brake else 0.0,
        "brake_F": k.brake_force if brake else 0.0,
    }


def numbers_of(f: Any) -> np.ndarray:
    """Numbers of an axis as an array of one record, which plain compiled code reads by name."""
    values = _plant_numbers(f)
    values |= _control_numbers(f, values)
    xs, ys = opening_curve(f.valve)
    # behind its last knot the area grows like the opening
    values["curve_x"] = tuple(xs + [xs[-1] + k for k in range(1, 10 - len(xs))])
    values["curve_y"] = tuple(ys + [ys[-1] + k for k in range(1, 10 - len(xs))])
    dtype = [
        (name, "f8", (len(value),)) if isinstance(value, tuple) else (name, "f8")
        for name, value in values.items()
    ]
    record = np.zeros(1, dtype=dtype)
    for name, value in values.items():
        record[name][0] = value
    return record
