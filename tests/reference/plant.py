"""Rates of the continuous part of an axis, written from the equations alone.

Own state vector, own names, plain scalar arithmetic; compiled plainly only to make it affordable.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

ATMOSPHERE = 101325.0

# places in the state vector
SPOOL, SPOOL_RATE, P_A, P_B, LINE_A, LINE_B, P_PUMP, P_SUPPLY, PUMP_FLOW, GAS = range(10)
X_P, V_P, X_T, V_T, BRISTLE, SEAL_BRISTLE, READING, READ_A, READ_B = range(10, 19)
INTEGRAL, FILTERED, FILTERED_RATE, SLOW, ESTIMATE = range(19, 24)
N_STATES = 24

# places in the vector of what is held between two corners of time
(T_0, U_SPOOL, THRUST, THRUST_RATE, NORMAL, NORMAL_RATE, AREA_A, AREA_A_RATE, AREA_B, AREA_B_RATE,
 PUSH_A, PUSH_B, JOINED_A, JOINED_B, BRAKED, BRAKED_AT, ALIVE, FOLLOWING, HELD_AT, MEMORY_NARROW,
 MEMORY_WIDE, DITHER, COLLECTING) = range(23)  # fmt: skip
N_HELD = 23


@njit
def bounded(value, low, high):
    return min(max(value, low), high)


@njit
def root_flow(dp, turn):
    """Flow per coefficient: proportional to dp below the transition, to its root above."""
    return dp / math.sqrt(math.hypot(dp, turn))


@njit
def interpolate(x, xs, ys):
    last = len(xs) - 1
    for i in range(1, last + 1):
        if x <= xs[i]:
            return ys[i - 1] + (ys[i] - ys[i - 1]) * (x - xs[i - 1]) / (xs[i] - xs[i - 1])
    return ys[last] + (x - xs[last])


@njit
def land_flow(opening, dp, K, clearance, transition, xs, ys):
    gap = 0.5 * (opening + math.sqrt(opening**2 + 4.0 * clearance**2))
    turn = transition / (clearance**2 + max(opening, 0.0) ** 2)
    return K * interpolate(gap, xs, ys) * root_flow(dp, turn)


@njit
def oil_compressibility(p, n):
    p_abs = max(p + ATMOSPHERE, n.floor)
    gas = n.air * (ATMOSPHERE / p_abs) ** (1.0 / n.polytropic)
    liquid = n.liquid + n.stiffening * (p_abs - ATMOSPHERE)
    return ((1.0 - n.air) / liquid + gas / (n.polytropic * p_abs)) / (1.0 - n.air + gas)


@njit
def stribeck(v, low, high, n):
    return low + (high - low) * math.exp(-((abs(v) / n.v_s) ** n.exponent))


@njit
def contact(v, z, low, high, stiffness, damping, n):
    """Friction without its viscous part, and the rate of the bristle (LuGre, elasto-plastic)."""
    level = stribeck(v, low, high, n)
    if n.friction == 0.0:
        return level * v / math.sqrt(v * v + n.v_0 * n.v_0), 0.0
    if level <= 0.0:
        return 0.0, 0.0
    sliding = level / stiffness
    plastic = 1.0
    if n.friction == 1.0:
        elastic = n.elastic * min(low, level) / stiffness
        if v * z <= 0.0 or abs(z) <= elastic:
            plastic = 0.0
        elif abs(z) < sliding:
            share = (abs(z) - elastic) / (sliding - elastic)  # 0 ... 1
            plastic = 0.5 * (1.0 - math.cos(math.pi * share))
    rate = v - plastic * abs(v) * z / sliding
    return stiffness * z + damping * math.exp(-((v / n.bristle_v) ** 2)) * rate, rate


@njit
def lift(x, n):
    """Counterbalance: gas behind a piston, absolute pressure times volume to the n constant."""
    if n.lift == 2.0:
        p_0 = n.lift_force / n.lift_area + ATMOSPHERE
        volume = n.lift_gas + n.lift_area * (x - n.lift_at)
        return n.lift_area * (p_0 * (n.lift_gas / volume) ** n.lift_n - ATMOSPHERE)
    return n.lift_force


@njit
def scale(x, n):
    return x * n.gauge + n.offset + n.wave_size * math.sin(n.wave * x + n.wave_phase)


@njit
def flows(s, n):
    """Flows through the lands P-A, A-T, P-B, B-T."""
    x, xs, ys = s[SPOOL], n.curve_x, n.curve_y
    c, turn, L = n.clearance, n.transition, n.overlap
    return (
        land_flow(x - L[0], s[P_SUPPLY] - s[LINE_A], n.K_a, c, turn, xs, ys),
        land_flow(-x - L[1], s[LINE_A] - n.p_return, n.K_a, c, turn, xs, ys),
        land_flow(-x - L[2], s[P_SUPPLY] - s[LINE_B], n.K_b, c, turn, xs, ys),
        land_flow(x - L[3], s[LINE_B] - n.p_return, n.K_b, c, turn, xs, ys),
    )


@njit
def lock_flow(dp, area, n):
    """From line to chamber."""
    q = n.lock_leak * dp + area * n.lock_K * root_flow(dp, n.lock_turn)
    if n.check == 1.0:
        q += (1.0 - area) * n.lock_K * root_flow(max(dp - n.crack, 0.0), n.lock_turn)
    return q


@njit
def opening_for(v_d, estimate, n):
    out = v_d >= 0.0
    gain = n.gain_out if out else n.gain_in
    if n.correct == 1.0:
        beyond = n.area_a * estimate - n.load
        left = 1.0 - beyond / n.drop_out if out else 1.0 + beyond / n.drop_in
        gain *= math.sqrt(max(left, n.root_floor))
    o = v_d / gain
    jump = n.jump_out if out else n.jump_in
    u = o + n.k_o * jump * o / math.hypot(o, n.jump_width) + n.trim
    return bounded(u, -n.u_max, n.u_max)


@njit
def wanted(r, v_r, a_r, scheduled, y, p_load, integral, y_f, v_f, slow, n):
    """Wanted velocity; ``scheduled`` is nan for references in time."""
    if math.isnan(scheduled):
        v = n.K_v * (r - y) + n.k_ff * v_r
    else:
        v = scheduled
    a_f = n.w_f**2 * (y - y_f) - 2.0 * n.z_f * n.w_f * v_f
    return v + n.k_a * a_r + integral - n.k_v * v_f - n.k_acc * a_f - n.k_p * (p_load - slow)


@njit
def growth_of_integral(integral, e, n):
    rate = 0.0
    if e > n.dead_zone:
        rate = n.K_i * (e - n.dead_zone)
    elif e < -n.dead_zone:
        rate = n.K_i * (e + n.dead_zone)
    if (rate > 0.0 and integral >= n.v_i) or (rate < 0.0 and integral <= -n.v_i):
        return 0.0
    return rate


@njit
def played(u, memory, half):
    return bounded(memory, u - half, u + half)


@njit
def through_valve(u, narrow, wide, p_s, dither, n):
    """Spool command after bias, plays and limit, and both memories of the plays."""
    u = u + n.bias + n.bias_p * (p_s - n.p_rating) + dither
    narrow, wide = played(u, narrow, n.narrow), played(u, wide, n.wide)
    u_h = (1.0 - n.weight) * narrow + n.weight * wide
    return bounded(u_h, -1.0, 1.0), narrow, wide


@njit
def reference_at(t, course):
    """Position, velocity, acceleration of the reference; rows t, r, v, a, j of ``course``."""
    k = 0
    for i in range(course.shape[0]):
        if t >= course[i, 0]:
            k = i
    h = t - course[k, 0]
    r, v, a, j = course[k, 1], course[k, 2], course[k, 3], course[k, 4]
    return (
        r + h * (v + h * (a / 2.0 + h * j / 6.0)),
        v + h * (a + h * j / 2.0),
        a + h * j,
    )


@njit
def schedule(rest, t, K_v, plan):
    """Velocity over the remaining distance; nan for a reference in time.

    ``plan``: kind, velocity, acceleration, deceleration, creep velocity, creep distance, stop
    distance, target.
    """
    kind = plan[0]
    if kind == 0.0:
        return math.nan
    d, x = plan[3], abs(rest)
    if kind == 1.0:  # square root, tangent to the proportional part
        v = K_v * x if x <= d / K_v**2 else math.sqrt(2.0 * d * (x - d / (2.0 * K_v**2)))
        v = min(v, plan[1])
    elif kind == 2.0:  # proportional
        v = min(K_v * x, plan[1])
    elif x > plan[5]:
        v = plan[1]
    elif x > plan[6]:
        v = plan[4]
    else:
        v = 0.0
    return math.copysign(min(v, plan[2] * max(t, 0.0)), rest)


@njit
def continuous_command(t, s, n, held, course, plan):
    """Command of a continuous controller before the valve's path, with what it used of r and y."""
    y = s[READING]
    p_load = s[READ_A] - s[READ_B] * n.area_b / n.area_a
    r, v_r, a_r, speed = held[HELD_AT], 0.0, 0.0, math.nan
    if held[FOLLOWING] == 1.0:
        r, v_r, a_r = reference_at(t, course)
        if plan[0] > 0.0:
            r, v_r, a_r = plan[7], 0.0, 0.0
            speed = schedule(plan[7] - y, t, n.K_v, plan)
    v_d = wanted(
        r, v_r, a_r, speed, y, p_load, s[INTEGRAL], s[FILTERED], s[FILTERED_RATE], s[SLOW], n
    )
    error = r - y
    if not math.isnan(speed) and abs(speed - n.K_v * error) > 1e-9 * abs(speed):
        error = 0.0  # nothing to integrate outside the straight part of a schedule
    return opening_for(v_d, s[ESTIMATE], n), error, p_load


@njit
def rates(t, s, numbers, held, course, plan):
    """Rates of all states at a time."""
    n = numbers[0]
    ds = np.zeros(N_STATES)
    h = t - held[T_0]
    q_pa, q_at, q_pb, q_bt = flows(s, n)
    p_a, p_b, p_s = s[P_A], s[P_B], s[P_SUPPLY]
    x_p, v_p, x_t, v_t = s[X_P], s[V_P], s[X_T], s[V_T]

    # spool
    u = held[U_SPOOL]
    if n.sampled == 0.0:
        u_c, error, p_load = continuous_command(t, s, n, held, course, plan)
        if held[ALIVE] == 1.0:
            u, _, _ = through_valve(
                u_c, held[MEMORY_NARROW], held[MEMORY_WIDE], p_s, held[DITHER], n
            )
        if held[COLLECTING] == 1.0:
            ds[INTEGRAL] = growth_of_integral(s[INTEGRAL], error, n)
        ds[FILTERED] = s[FILTERED_RATE]
        ds[FILTERED_RATE] = (
            n.w_f**2 * (s[READING] - s[FILTERED]) - 2.0 * n.z_f * n.w_f * s[FILTERED_RATE]
        )
        ds[SLOW] = n.w_h * (p_load - s[SLOW])
        ds[ESTIMATE] = n.w_c * (p_load - s[ESTIMATE])
    top = n.top_speed
    if n.piloted == 1.0:
        top *= math.sqrt(max(p_s, 0.0) / n.p_rating)
    if n.second == 1.0:
        v_c = bounded(n.omega / (2.0 * n.zeta) * (u - s[SPOOL]), -top, top)
        ds[SPOOL] = s[SPOOL_RATE]
        ds[SPOOL_RATE] = 2.0 * n.zeta * n.omega * (v_c - s[SPOOL_RATE])
        if abs(s[SPOOL]) >= 1.0 and s[SPOOL] * s[SPOOL_RATE] >= 0.0:
            # at its stop: pressed on, or about to leave
            ds[SPOOL] = 0.0
            if s[SPOOL] * ds[SPOOL_RATE] > 0.0:
                ds[SPOOL_RATE] = 0.0
    else:
        ds[SPOOL] = bounded((u - s[SPOOL]) / n.lag, -top, top)

    # oil columns
    sweep = n.moves * x_p
    volume_a = n.dead_a + n.area_a * sweep
    volume_b = n.dead_b + n.area_b * (n.moves * n.stroke - sweep)
    slip = n.leak_i * (p_a - p_b)
    into_a = -n.area_a * v_p - slip - n.leak_a * p_a
    into_b = n.area_b * v_p + slip - n.leak_b * p_b
    soft_a, soft_b = oil_compressibility(p_a, n) + n.wall, oil_compressibility(p_b, n) + n.wall
    if held[JOINED_A] == 1.0:
        whole = volume_a + n.line_a
        ds[P_A] = (q_pa - q_at + into_a + whole * n.growth) / (whole * soft_a + n.hose_a)
        ds[LINE_A] = ds[P_A]
    else:
        area = held[AREA_A] + h * held[AREA_A_RATE]
        q = lock_flow(s[LINE_A] - p_a, area, n)
        ds[P_A] = (q + into_a + held[PUSH_A] + volume_a * n.growth) / (volume_a * soft_a)
        soft = oil_compressibility(s[LINE_A], n) + n.wall
        ds[LINE_A] = (q_pa - q_at - q + n.line_a * n.growth) / (n.line_a * soft + n.hose_a)
    if n.has_b == 0.0:
        pass
    elif held[JOINED_B] == 1.0:
        whole = volume_b + n.line_b
        ds[P_B] = (q_pb - q_bt + into_b + whole * n.growth) / (whole * soft_b + n.hose_b)
        ds[LINE_B] = ds[P_B]
    else:
        area = held[AREA_B] + h * held[AREA_B_RATE]
        q = lock_flow(s[LINE_B] - p_b, area, n)
        ds[P_B] = (q + into_b + held[PUSH_B] + volume_b * n.growth) / (volume_b * soft_b)
        soft = oil_compressibility(s[LINE_B], n) + n.wall
        ds[LINE_B] = (q_pb - q_bt - q + n.line_b * n.growth) / (n.line_b * soft + n.hose_b)

    # piston and table
    drive = n.area_a * p_a - n.area_b * p_b
    # the screw takes its share of the power whichever way it flows, smoothly through 1 W
    power = drive * v_p
    drive -= (1.0 - n.efficiency) * drive * power / math.hypot(power, 1.0)
    if x_p > n.stroke:
        drive -= max(n.stop_k * (x_p - n.stroke) + n.stop_c * v_p, 0.0)
    elif x_p < 0.0:
        drive -= min(n.stop_k * x_p + n.stop_c * v_p, 0.0)
    on_seal = n.seal_p * (p_a + p_b)
    press = n.press + n.press_share * (held[NORMAL] + h * held[NORMAL_RATE])
    press = max(press, 0.0)
    against = held[THRUST] + h * held[THRUST_RATE] + n.weight_t - lift(x_t, n)
    if held[BRAKED] == 1.0:
        brake = n.brake_k * (x_t - held[BRAKED_AT]) + n.brake_c * v_t
        against += bounded(brake, -n.brake_F, n.brake_F)
    ds[X_P], ds[X_T] = v_p, v_t
    if n.two == 0.0:
        drag, ds[BRISTLE] = contact(
            v_p, s[BRISTLE],
            n.mu_c * press + n.seal_c + on_seal, n.mu_s * press + n.seal_s + on_seal,
            n.bristle_k, n.bristle_c, n,
        )  # fmt: skip
        drag += (n.viscous + n.seal_v) * v_p
        ds[V_P] = (drive - n.weight_p - against - drag) / (n.mass_p + n.mass_t)
        ds[V_T] = ds[V_P]
    else:
        drag, ds[BRISTLE] = contact(
            v_t, s[BRISTLE], n.mu_c * press, n.mu_s * press, n.bristle_k, n.bristle_c, n
        )
        seal, ds[SEAL_BRISTLE] = contact(
            v_p, s[SEAL_BRISTLE], n.seal_c + on_seal, n.seal_s + on_seal, n.seal_k, n.seal_d, n
        )
        gap = x_p - x_t
        pull = 0.0
        if abs(gap) > 0.5 * n.backlash or n.backlash == 0.0:
            free = math.copysign(0.5 * n.backlash, gap)
            pull = n.couple_k * (gap - free) + n.couple_c * (v_p - v_t)
            if n.backlash > 0.0 and pull * gap < 0.0:  # a flank pushes only
                pull = 0.0
        ds[V_P] = (drive - seal - n.seal_v * v_p - pull - n.weight_p) / n.mass_p
        ds[V_T] = (pull - drag - n.viscous * v_t - against) / n.mass_t

    # supply
    if n.source > 0.0:
        drawn = q_pa + q_pb + n.pilot * math.sqrt(max(p_s, 0.0) / n.p_rating)
        p_p = s[P_PUMP]
        leaving = drawn
        if n.lumped == 1.0:
            leaving = n.line_K * root_flow(p_p - p_s, n.line_drop)
        leaving += n.relief_slope * max(p_p - n.relief, 0.0)
        elastic = n.pump_volume * oil_compressibility(p_p, n)
        T = s[GAS]
        p_abs = p_p + ATMOSPHERE
        shrink = 0.0
        filled = n.gas == 1.0 and p_abs > n.precharge * T / n.ambient
        if filled:
            V = n.gas_volume * n.precharge / p_abs * T / n.ambient
            shrink = V * (T - n.ambient) / (n.kappa * n.gas_time * T)
            elastic += V / (n.kappa * p_abs)
        ds[P_PUMP] = (max(s[PUMP_FLOW], 0.0) - leaving - shrink) / elastic
        if n.lumped == 1.0:
            ds[P_SUPPLY] = (n.line_K * root_flow(p_p - p_s, n.line_drop) - drawn) / (
                n.line_volume * oil_compressibility(p_s, n)
            )
        else:
            ds[P_SUPPLY] = ds[P_PUMP]
        if n.source == 1.0:
            target = n.pump * bounded((n.p_set - p_p) / n.band, 0.0, 1.0)
            ds[PUMP_FLOW] = (target - s[PUMP_FLOW]) / n.pump_lag
        if n.gas == 1.0:
            cooling = (T - n.ambient) / n.gas_time
            if filled:  # from p V = m R T and the energy balance of the gas
                ds[GAS] = (n.kappa - 1.0) / n.kappa * T * ds[P_PUMP] / p_abs - cooling / n.kappa
            else:
                ds[GAS] = -cooling

    # readings
    ds[READING] = (scale(x_t if n.on_table == 1.0 else x_p, n) - s[READING]) / n.reading_lag
    if n.has_gauges == 1.0:
        ds[READ_A] = (p_a - s[READ_A]) / n.pressure_lag
        ds[READ_B] = (p_b - s[READ_B]) / n.pressure_lag
    return ds
