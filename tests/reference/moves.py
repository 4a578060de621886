"""Moves of the independent model: sampled loop, lock's sequence, steps from corner to corner."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.integrate import quad
from scipy.optimize import brentq

from reference import plant as P
from reference.courses import course_of, plan_of, thrust_at, thrust_corners
from reference.numbers import numbers_of
from reference.rest import state_of_rest
from reference.steps import Advance, scipy_advance

FREE, CLOSING, LOCKED, MATCHING, OPENING, RELEASED = range(6)


@dataclass
class Trace:
    """What a move of the independent model leaves: samples, states, commands, readings, phases."""

    time: np.ndarray
    states: np.ndarray
    commands: np.ndarray
    readings: np.ndarray
    phases: np.ndarray
    closed_at: float
    locked_at: float
    opened_at: float
    free_at: float


class Axis:
    """One axis of the independent model with its control side."""

    def __init__(self, f: Any) -> None:
        self.f = f
        self.numbers = numbers_of(f)
        self.n = self.numbers[0]
        self.v = {name: self.n[name].tolist() for name in self.numbers.dtype.names}
        self.course, self.plan = course_of(f), plan_of(f)
        k = f.lock
        self.valves = k.kind in ("blocking_valve", "pilot_check")
        # checks that the opposite line lifts: always two volumes, areas that come and go
        self.opposite = k.kind == "pilot_check" and k.pilot == "opposite_line"
        self.brake = k.brake == "holding"
        self.timed = f.reference.kind in ("step", "trapezoid", "s_curve")

    # the lock's sequence -----------------------------------------------------------------------

    def _closing_end(self, closed_at: float) -> float:
        k, end = self.f.lock, closed_at
        if self.valves and not self.opposite:
            end += max(k.closing_delay_a, k.closing_delay_b) + k.closing_time
        if self.brake:
            end = max(end, closed_at + k.brake_closing_time)
        return end

    def _opening_end(self, opened_at: float) -> float:
        k, end = self.f.lock, opened_at
        if self.valves and not self.opposite:
            end += k.opening_time
        if self.brake:
            end = max(end, opened_at + k.brake_opening_time)
        return end

    def _alive(self, phase: int) -> bool:
        """Whether the loop gives the command; a valve's own centre locks by its null."""
        if phase == RELEASED:
            return self.taken_over  # from the sample on that reads where the table stands
        by_null = self.f.lock.kind == "spool" or self.opposite
        return phase == FREE or (phase == CLOSING and not by_null)

    def _sequence(self, t: float, y: float, close_at: float | None) -> None:
        k, eps, f = self.f.lock, 1e-9, self.f
        if self.phase == FREE and math.isnan(self.locked_at):
            if close_at is not None:
                fire = t >= close_at - eps
            elif k.trigger == "ahead":
                fire = abs(f.move.target - y) <= k.ahead_distance
            else:
                if abs(f.move.target - y) > k.window:
                    self.inside_since = math.nan
                elif math.isnan(self.inside_since):
                    self.inside_since = t
                fire = t - self.inside_since >= k.dwell - eps
            if fire and not self.valves and not self.brake and k.kind != "spool":
                self.locked_at = t
            elif fire:
                self.phase, self.closed_at = CLOSING, t
        elif self.phase == CLOSING:
            shut = not self.opposite or max(self.areas) == 0.0
            if k.kind == "spool":
                valve = f.valve
                shut = abs(self.spool) < min(
                    valve.overlap_pa, valve.overlap_bt, valve.overlap_pb, valve.overlap_at
                )
            if shut and t >= self._closing_end(self.closed_at) - eps:
                self.phase, self.locked_at = LOCKED, t
        elif self.phase == LOCKED and t >= self.locked_at + f.move.hold_time - eps:
            if k.kind in ("blocking_valve", "pilot_check") and k.prematch == "load_pressure":
                self.phase, self.matching_at = MATCHING, t
            else:
                self.phase, self.opened_at = OPENING, t
        elif self.phase == MATCHING and t >= self.matching_at + k.prematch_time - eps:
            self.phase, self.opened_at = OPENING, t

    def _lift(self, s: np.ndarray) -> None:
        """Whether each check opens or closes now: pilot against chamber over ratio and spring."""
        k = self.f.lock
        for i, (chamber, line, pilot) in enumerate(
            ((P.P_A, P.LINE_A, P.LINE_B), (P.P_B, P.LINE_B, P.LINE_A))
        ):
            needed = (s[chamber] - s[line]) / k.pilot_ratio + k.cracking_pressure
            self.courses[i] = 1.0 if s[pilot] - s[line] >= needed else -1.0

    def _area_rate(self, i: int) -> float:
        open_, course = self.areas[i], self.courses[i]
        ended = (course > 0.0 and open_ == 1.0) or (course < 0.0 and open_ == 0.0)
        return 0.0 if ended else course / self.f.lock.closing_time

    def _corners(self, t: float) -> list[float]:
        k, found = self.f.lock, []
        if self.opposite:
            for i in (0, 1):
                rate = self._area_rate(i)
                if rate:
                    found.append(t + ((1.0 if rate > 0.0 else 0.0) - self.areas[i]) / rate)
        if self.phase == CLOSING:
            if self.valves and not self.opposite:
                for delay in (k.closing_delay_a, k.closing_delay_b):
                    found += [self.closed_at + delay, self.closed_at + delay + k.closing_time]
            if self.brake:
                found.append(self.closed_at + k.brake_closing_time)
        elif self.phase == OPENING:
            found.append(self._opening_end(self.opened_at))
            if self.brake:
                found.append(self.opened_at + k.brake_opening_time)
        start = self.locked_at if self.f.thrust.mode == "locked" else 0.0
        if not math.isnan(start):
            found += list(start + thrust_corners(self.f))
        return found

    def _mixed(self, V_c: float, V_l: float, p_c: float, p_l: float, hose: float) -> float:
        """Pressure at which chamber and line meet when no oil is lost."""
        n, v = self.n, self.v

        def gained(V: float, p: float, p_0: float, soft: float) -> float:
            oil = quad(lambda x: P.oil_compressibility(x, n), p_0, p, epsabs=0.0, epsrel=1e-11)[0]
            return V * (oil + v["wall"] * (p - p_0)) + soft * (p - p_0)

        if abs(p_c - p_l) < 1e-3:
            return 0.5 * (p_c + p_l)
        return brentq(
            lambda p: gained(V_c, p, p_c, 0.0) + gained(V_l, p, p_l, hose), p_c, p_l, xtol=1e-4
        )

    def _act(self, t: float, s: np.ndarray) -> None:
        """Split, engage, mix at a corner or a sample."""
        k, v, eps = self.f.lock, self.v, 1e-11
        if self.phase in (CLOSING, LOCKED):
            # both may end at the sample that confirms the lock
            if self.brake and not self.braked and t >= self.closed_at + k.brake_closing_time - eps:
                self.braked, self.braked_at = True, s[P.X_T]
            if self.valves and not self.opposite:
                self.joined = [
                    self.joined[i] and t < self.closed_at + delay - eps
                    for i, delay in enumerate((k.closing_delay_a, k.closing_delay_b))
                ]
        if self.phase == OPENING:
            if self.brake and t >= self.opened_at + k.brake_opening_time - eps:
                self.braked = False
            if t >= self._opening_end(self.opened_at) - eps:
                self.phase, self.free_at = RELEASED, t
                if self.valves and not self.opposite:
                    if k.kind == "pilot_check":
                        for chamber, line in ((P.P_A, P.LINE_A), (P.P_B, P.LINE_B)):
                            lift = (s[chamber] - s[line]) / k.pilot_ratio + k.cracking_pressure
                            assert s[P.P_SUPPLY] - s[line] >= lift, "a check does not open"
                    sweep = v["moves"] * s[P.X_P]
                    V_a = v["dead_a"] + v["area_a"] * sweep
                    V_b = v["dead_b"] + v["area_b"] * (v["moves"] * v["stroke"] - sweep)
                    for V, line, i, j, hose in (
                        (V_a, v["line_a"], P.P_A, P.LINE_A, v["hose_a"]),
                        (V_b, v["line_b"], P.P_B, P.LINE_B, v["hose_b"]),
                    ):
                        s[i] = s[j] = self._mixed(V, line, s[i], s[j], hose)
                    self.joined = [True, True]

    def _hold(self, t: float) -> np.ndarray:
        """What is held from a time until the next corner."""
        f, k, held = self.f, self.f.lock, np.zeros(P.N_HELD)
        start = self.locked_at if f.thrust.mode == "locked" else 0.0
        if not math.isnan(start):
            # times are sums of decimal fractions: a corner counts as reached within rounding
            since = t - start + 1e-12
            held[P.THRUST], held[P.THRUST_RATE] = thrust_at(since, f, f.thrust.along or 0.0)
            held[P.NORMAL], held[P.NORMAL_RATE] = thrust_at(since, f, f.thrust.normal or 0.0)
        held[P.T_0], held[P.U_SPOOL] = t, self.spool_command
        held[P.JOINED_A], held[P.JOINED_B] = self.joined
        for i, (area, rate, push) in enumerate(
            ((P.AREA_A, P.AREA_A_RATE, P.PUSH_A), (P.AREA_B, P.AREA_B_RATE, P.PUSH_B))
        ):
            held[area] = 1.0
            if self.opposite:
                held[area], held[rate] = self.areas[i], self._area_rate(i)
                held[push] = -k.displaced_volume * held[rate]
            elif self.valves and self.phase == CLOSING:
                begin = self.closed_at + (k.closing_delay_a, k.closing_delay_b)[i]
                gone = (t - begin + 1e-12) / k.closing_time
                if gone >= 1.0:
                    held[area] = 0.0
                elif gone >= 0.0:
                    held[area], held[rate] = 1.0 - gone, -1.0 / k.closing_time
                    held[push] = k.displaced_volume / k.closing_time
            elif self.valves and self.phase in (LOCKED, MATCHING, OPENING):
                held[area] = 0.0
        held[P.BRAKED], held[P.BRAKED_AT] = float(self.braked), self.braked_at
        held[P.ALIVE] = float(self._alive(self.phase))
        held[P.COLLECTING] = float(self._alive(self.phase) and self.phase != CLOSING)
        held[P.FOLLOWING] = float(self.phase in (FREE, CLOSING))
        held[P.HELD_AT] = self.held_at
        held[P.MEMORY_NARROW], held[P.MEMORY_WIDE] = self.plays
        held[P.DITHER] = self._dither(t)
        return held

    # the controller ----------------------------------------------------------------------------

    def _dither(self, t: float) -> float:
        return self.v["dither"] * math.sin(self.v["dither_w"] * t)

    def _apply(self, t: float, u: float, p_s: float) -> None:
        self.spool_command, *self.plays = P.through_valve(
            u, *self.plays, p_s, self._dither(t), self.n
        )

    def _control(self, t: float, y: float, p_load: float, s: np.ndarray) -> float:
        """Command of the sampled controller; its filters advance by their exact sampled forms."""
        n, v = self.n, self.v
        r, v_r, a_r, speed = self.held_at, 0.0, 0.0, math.nan
        if self.phase in (FREE, CLOSING):
            if self.timed:
                r, v_r, a_r = P.reference_at(t + 1e-13, self.course)
            else:
                r = self.f.move.target
                speed = P.schedule(r - y, t, v["K_v"], self.plan)
            self.held_at = r
        if v["sampled"] == 0.0:
            return 0.0
        alive = self._alive(self.phase)
        straight = self.timed or math.isnan(speed)
        straight = straight or abs(speed - v["K_v"] * (r - y)) <= 1e-9 * abs(speed)
        if alive and self.phase != CLOSING and straight:
            rate = P.growth_of_integral(self.integral, r - y, n)
            self.integral = P.bounded(self.integral + v["period"] * rate, -v["v_i"], v["v_i"])
        y_f, v_f = self.filtered
        m = v["step"]
        self.filtered = m[0] * y_f + m[1] * v_f + m[2] * y, m[3] * y_f + m[4] * v_f + m[5] * y
        self.slow += v["fade_h"] * (p_load - self.slow)
        self.estimate += v["fade_c"] * (p_load - self.estimate)
        if not alive:
            if self.phase == MATCHING:
                line = s[P.LINE_A] - s[P.LINE_B] * v["area_b"] / v["area_a"]
                self.matched += v["period"] * self.f.lock.prematch_gain * (p_load - line)
            match = self.matched if self.phase in (MATCHING, OPENING) else 0.0
            return P.bounded(v["trim"] + match, -v["u_max"], v["u_max"])
        v_d = P.wanted(r, v_r, a_r, speed, y, p_load, self.integral, *self.filtered, self.slow, n)
        return P.opening_for(v_d, self.estimate, n)

    # the loop over the samples -----------------------------------------------------------------

    def run(
        self,
        *,
        commands: np.ndarray | None = None,
        close_at: float | None = None,
        noise: np.ndarray | None = None,
        advance: Advance | None = None,
        until_locked: bool = False,
    ) -> Trace:
        """Run the file's move.

        ``commands`` replaces the sampled controller's commands, ``close_at`` the lock's trigger
        (infinite: never), ``noise`` holds normal numbers for position and both pressures; with
        ``until_locked`` the trace ends at the sample that confirms the lock.
        """
        f, n, v = self.f, self.n, self.v
        s, command = state_of_rest(f, self.numbers)
        advance = scipy_advance() if advance is None else advance
        T = v["period"]
        n_t = round(f.move.duration / T) + 1
        self.phase, self.braked, self.braked_at = FREE, False, 0.0
        self.joined = [not self.opposite] * 2
        self.areas, self.courses = [1.0, 1.0], [0.0, 0.0]
        self.inside_since = self.closed_at = self.locked_at = math.nan
        self.matching_at = self.opened_at = self.free_at = math.nan
        self.held_at, self.integral, self.matched = f.move.start, s[P.INTEGRAL], 0.0
        self.filtered = s[P.FILTERED], 0.0
        self.slow, self.estimate = s[P.SLOW], s[P.ESTIMATE]
        at_spool = command + v["bias"] + v["bias_p"] * (s[P.P_SUPPLY] - v["p_rating"])
        self.plays, self.spool_command = [at_spool, at_spool], at_spool
        trace = Trace(
            np.arange(n_t) * T, np.zeros((n_t, P.N_STATES)), np.zeros(n_t), np.zeros(n_t),
            np.zeros(n_t, dtype=int), *[math.nan] * 4,
        )  # fmt: skip
        lateness = f.transducer.delay / T
        late = math.floor(lateness + 1e-9)
        part = f.transducer.delay - late * T
        part = 0.0 if part < 1e-9 * T else part
        heard = np.full(n_t, s[P.READING])
        self.taken_over = False
        for k in range(n_t):
            t = trace.time[k]
            if part == 0.0:
                heard[k] = s[P.READING]
            z = np.zeros(3) if noise is None else noise[:, k]
            y, p_load = self._read(heard[max(k - late, 0)], s, z)
            self.spool = s[P.SPOOL]
            self._sequence(t, y, close_at)
            self._act(t, s)
            if self.opposite:
                self._lift(s)
            if self.phase == RELEASED and not self.taken_over:
                self.held_at, self.taken_over = y, True
            u = self._control(t, y, p_load, s)
            if v["sampled"] == 0.0:
                u = float(v["trim"])
                if self._alive(self.phase):
                    u, _, _ = P.continuous_command(t, s, n, self._hold(t), self.course, self.plan)
                self._apply(t, u, s[P.P_SUPPLY])
            elif commands is not None:
                u = float(commands[k])
            u_time = t + f.controller.computing_delay if v["sampled"] == 1.0 else math.inf
            if u_time == t:
                self._apply(t, u, s[P.P_SUPPLY])
                u_time = math.inf
            trace.states[k], trace.commands[k] = s, u
            trace.readings[k], trace.phases[k] = y, self.phase
            if k == n_t - 1 or (until_locked and self.phase == LOCKED):
                break
            t_next = trace.time[k + 1]
            read_time = t_next - part if part > 0.0 else math.inf
            while t < t_next:
                ends = [*self._corners(t), u_time, read_time]
                if v["sampled"] == 0.0:
                    ends += list(self.course[:, 0])
                t_to = min([x for x in ends if t + 1e-11 < x < t_next - 1e-11] + [t_next])
                given = self.numbers, self._hold(t), self.course, self.plan
                s = self._to_stops(advance, t, t_to, s, given)
                if self.braked:  # a brake that slips takes its anchor along
                    reach = v["brake_F"] / v["brake_k"]
                    gap = P.bounded(s[P.X_T] - self.braked_at, -reach, reach)
                    self.braked_at = s[P.X_T] - gap
                if self.opposite:
                    for i in (0, 1):
                        end = self.areas[i] + self._area_rate(i) * (t_to - t)
                        near = round(end) if abs(end - round(end)) < 1e-9 else end
                        self.areas[i] = min(max(float(near), 0.0), 1.0)
                t = t_to
                if t >= u_time - 1e-11:
                    self._apply(t, u, s[P.P_SUPPLY])
                    u_time = math.inf
                if t >= read_time - 1e-11:
                    heard[k + 1], read_time = s[P.READING], math.inf
                if t < t_next:
                    self._act(t, s)
        for name in ("time", "states", "commands", "readings", "phases"):
            setattr(trace, name, getattr(trace, name)[: k + 1])
        trace.closed_at, trace.locked_at = self.closed_at, self.locked_at
        trace.opened_at, trace.free_at = self.opened_at, self.free_at
        return trace

    def _to_stops(
        self, advance: Advance, t: float, t_end: float, s: np.ndarray, given: tuple[Any, ...]
    ) -> np.ndarray:
        """Integrate to a corner; a spool that runs into its stop there loses its speed."""
        end = advance(t, t_end, s, given)
        if abs(end[P.SPOOL]) <= 1.0 or abs(s[P.SPOOL]) >= 1.0:
            return end
        side = math.copysign(1.0, end[P.SPOOL])
        at = brentq(
            lambda x: side * advance(t, x, s, given)[P.SPOOL] - 1.0 if x > t else -1.0,
            t, t_end, xtol=1e-13,
        )  # fmt: skip
        hit = advance(t, at, s, given)
        hit[P.SPOOL], hit[P.SPOOL_RATE] = side, 0.0
        return advance(at, t_end, hit, given)

    def _read(self, value: float, s: np.ndarray, z: np.ndarray) -> tuple[float, float]:
        """Reading of the scale and load pressure as the controller gets them."""
        g, v = self.f.transducer, self.v

        def stepped(x: float, step: float) -> float:
            return math.floor(x / step + 0.5) * step if step > 0.0 else x

        if v["sampled"] == 0.0:
            return value, 0.0
        y = stepped(value + g.noise * z[0], g.resolution)
        if v["has_gauges"] == 0.0:
            return y, 0.0
        a, b = (
            stepped(
                min(max(s[i] + g.pressure_noise * z[j], -g.pressure_range), g.pressure_range),
                g.pressure_resolution,
            )
            for i, j in ((P.READ_A, 1), (P.READ_B, 2))
        )
        return y, a - b * v["area_b"] / v["area_a"]
