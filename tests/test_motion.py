"""References: profiles in time, schedules in distance, and their closed forms.

No check value here is published: the expected numbers are worked by hand from constant
acceleration, or come from a numerical integration of the ideal reference that uses neither the
tables nor the closed forms of the package.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad, solve_ivp
from scipy.optimize import brentq

from servosim import motion
from servosim.errors import ParameterError
from servosim.motion import Profile, profile_at

velocities = st.floats(1e-3, 2.0)
accelerations = st.floats(0.02, 50.0)
jerks = st.floats(0.5, 5e3)
positions = st.floats(-3.0, 3.0)
times = st.sampled_from([0.0, 0.001, 0.37, -2.0, 900.0])
# a decade is drawn first, so that moves of micrometres are as frequent as moves of metres
travels = st.builds(lambda m, e: m * 10.0**e, st.floats(1.0, 9.99), st.integers(-7, -1))
signs = st.sampled_from([1.0, -1.0])


@st.composite
def timed(draw: st.DrawFn) -> tuple[Profile, dict[str, float]]:
    """A trapezoid (jerk infinite) or an S-curve with its limits."""
    start = draw(positions)
    target = start + draw(signs) * draw(travels)
    v, a, d, t_0 = draw(velocities), draw(accelerations), draw(accelerations), draw(times)
    limits = {"v": v, "a": a, "d": d, "j": math.inf, "t": t_0, "x": start, "y": target}
    if draw(st.booleans()):
        return motion.plan_trapezoid(start, target, v, a, d, t_0), limits
    limits["j"] = draw(jerks)
    return motion.plan_s_curve(start, target, v, a, d, limits["j"], t_0), limits


def _ramp(v: float, a: float, j: float) -> tuple[float, float]:
    """Time and distance from rest to v by integrating the acceleration min(j t, a, j (T - t))."""
    if math.isinf(j):
        return v / a, quad(lambda t: a * t, 0.0, v / a)[0]

    def reached(span: float, moment: int = 0) -> float:
        edges = sorted({0.0, min(a / j, span / 2), max(span - a / j, span / 2), span})
        return sum(
            quad(lambda t: min(j * t, a, j * (span - t)) * (span - t) ** moment, low, high)[0]
            for low, high in pairwise(edges)
        )

    shortest = max(v / a, math.sqrt(v / j))  # neither limit alone can be beaten
    span = brentq(lambda s: reached(s) / v - 1.0, shortest, 10.0 * (v / a + a / j), xtol=1e-15)
    return span, reached(span, 1)


def _fastest(length: float, v: float, a: float, d: float, j: float) -> tuple[float, float]:
    """Peak velocity and time of the move: the highest peak whose ramps fit into the length."""

    def excess(peak: float) -> float:
        return (_ramp(peak, a, j)[1] + _ramp(peak, d, j)[1]) / length - 1.0

    peak = v if excess(v) <= 0.0 else brentq(excess, v * 1e-9, v, xtol=1e-16, rtol=1e-13)
    (t_a, s_a), (t_d, s_d) = _ramp(peak, a, j), _ramp(peak, d, j)
    return peak, t_a + t_d + (length - s_a - s_d) / peak


class TestProfile:
    @given(timed())
    @settings(max_examples=150, deadline=None)
    def test_corners_are_read_exactly(self, case):
        p, _ = case
        for k in range(8):
            if p.t[k] < p.t_end:
                assert profile_at(p.t[k], p) == (p.x[k], p.v[k], p.a[k])

    @given(timed(), st.floats(0.0, 1e3))
    @settings(max_examples=100, deadline=None)
    def test_rests_exactly_outside(self, case, later):
        p, limits = case
        assert profile_at(p.t_end, p) == (limits["y"], 0.0, 0.0)
        assert profile_at(p.t_end + later, p) == (limits["y"], 0.0, 0.0)
        assert profile_at(math.inf, p) == (limits["y"], 0.0, 0.0)
        assert profile_at(np.nextafter(limits["t"], -math.inf), p) == (limits["x"], 0.0, 0.0)
        assert profile_at(limits["t"], p)[:2] == (limits["x"], 0.0)

    @given(timed())
    @settings(max_examples=150, deadline=None)
    def test_continuous(self, case):
        p, limits = case
        jitter = 8.0 * np.spacing(max(abs(limits["t"]), abs(p.t_end)))  # of the clock itself
        v, a = limits["v"], max(limits["a"], limits["d"])
        for t in motion.corners(p):
            before, after = profile_at(np.nextafter(t, -math.inf), p), profile_at(t, p)
            assert abs(after[0] - before[0]) <= v * jitter + 4e-15
            assert abs(after[1] - before[1]) <= a * jitter + 1e-14 * v
            if math.isfinite(limits["j"]):
                assert abs(after[2] - before[2]) <= limits["j"] * jitter + 1e-13 * a

    @given(timed())
    @settings(max_examples=100, deadline=None)
    def test_limits_and_monotone(self, case):
        p, limits = case
        direction = math.copysign(1.0, limits["y"] - limits["x"])
        edges = np.concatenate([p.t, np.nextafter(p.t, -math.inf)])  # where rounding shows
        grid = np.unique(np.append(np.linspace(limits["t"] - 0.1, p.t_end + 0.1, 301), edges))
        r, v, a = np.array([profile_at(t, p) for t in grid]).T
        jitter = 8.0 * np.spacing(np.abs(grid).max())
        assert np.all(direction * np.diff(r) >= -limits["v"] * jitter - 4e-15)
        assert np.all(direction * v >= 0.0)
        assert np.all(direction * v <= limits["v"] * (1 + 1e-13) + limits["a"] * jitter)
        assert np.all(direction * a <= limits["a"] * (1 + 1e-13))
        assert np.all(direction * a >= -limits["d"] * (1 + 1e-13))
        assert np.all(np.abs(p.j) <= limits["j"])
        assert min(limits["x"], limits["y"]) <= r.min() and r.max() <= max(limits["x"], limits["y"])

    @given(timed())
    @settings(max_examples=100, deadline=None)
    def test_velocity_is_the_slope_and_acceleration_its_slope(self, case):
        # inside a segment Simpson's rule is exact for v, the trapezoidal rule for a
        p, limits = case
        for low, high in pairwise(motion.corners(p)):
            t_0, t_2 = low + 0.1 * (high - low), low + 0.8 * (high - low)
            t_1 = 0.5 * (t_0 + t_2)
            (r_0, v_0, a_0), (_, v_1, _), (r_2, v_2, a_2) = (
                profile_at(t, p) for t in (t_0, t_1, t_2)
            )
            h = t_2 - t_0
            slack = 16.0 * np.spacing(max(abs(low), abs(high)))
            assert r_2 - r_0 == pytest.approx(
                h * (v_0 + 4.0 * v_1 + v_2) / 6.0, rel=1e-12, abs=limits["v"] * slack + 4e-15
            )
            bound = max(limits["a"], limits["d"]) * slack + 1e-14 * limits["v"]
            assert v_2 - v_0 == pytest.approx(0.5 * h * (a_0 + a_2), rel=1e-12, abs=bound)

    @given(timed())
    @settings(max_examples=60, deadline=None)
    def test_mirror(self, case):
        p, c = case
        if math.isinf(c["j"]):
            q = motion.plan_trapezoid(-c["x"], -c["y"], c["v"], c["a"], c["d"], c["t"])
        else:
            q = motion.plan_s_curve(-c["x"], -c["y"], c["v"], c["a"], c["d"], c["j"], c["t"])
        for t in np.linspace(c["t"], p.t_end, 40):
            assert profile_at(t, q) == tuple(-value for value in profile_at(t, p))

    @given(timed())
    @settings(max_examples=60, deadline=None)
    def test_as_fast_as_the_limits_allow(self, case):
        p, c = case
        length = abs(c["y"] - c["x"])
        peak, time = _fastest(length, c["v"], c["a"], c["d"], c["j"])
        slack = 1e-9 + np.spacing(abs(c["t"])) * 16.0 / time
        assert p.t_end - p.t[0] == pytest.approx(time, rel=slack)
        assert np.abs(p.v).max() == pytest.approx(peak, rel=1e-8)

    @pytest.mark.parametrize(
        ("limits", "count"),
        [
            # a2/j = 0.05 and d2/j = 0.2 m/s with a = 1, d = 2, j = 20
            ((1.0, 0.25, 1.0, 2.0, 20.0), 7),  # all seven
            ((1.0, 0.15, 1.0, 2.0, 20.0), 6),  # deceleration limit not reached
            ((1.0, 0.04, 1.0, 2.0, 20.0), 5),  # neither reached
            ((0.1, 9.0, 1.0, 2.0, 20.0), 6),  # no cruise, both reached
            ((0.03, 9.0, 1.0, 2.0, 20.0), 5),  # no cruise, one reached
            ((0.03, 9.0, 2.0, 1.0, 20.0), 5),  # the other one
            ((1e-4, 9.0, 1.0, 2.0, 20.0), 4),  # no cruise, neither reached
        ],
    )
    def test_degenerate_s_curves(self, limits, count):
        length, v, a, d, j = limits
        p = motion.plan_s_curve(0.2, 0.2 + length, v, a, d, j, 0.0)
        assert len(motion.corners(p)) == count + 1
        assert np.all(np.diff(p.t[: count + 1]) > 0.0)
        assert np.all(p.t[count:] == p.t_end) and np.all(p.x[count:] == 0.2 + length)
        peak, time = _fastest(length, v, a, d, j)
        assert p.t_end == pytest.approx(time, rel=1e-9)
        assert p.v.max() == pytest.approx(peak, rel=1e-8)

    def test_trapezoid_by_hand(self):
        # 0.3 m/s at 1 m/s2 takes 0.3 s and 0.045 m, at 2 m/s2 0.15 s and 0.0225 m; the rest of
        # 0.4 m, 0.3325 m, at 0.3 m/s
        p = motion.plan_trapezoid(0.5, 0.1, 0.3, 1.0, 2.0, 1.0)
        np.testing.assert_allclose(
            motion.corners(p), [1.0, 1.3, 1.3 + 0.3325 / 0.3, 1.45 + 0.3325 / 0.3], rtol=1e-15
        )
        np.testing.assert_allclose(p.x[:4], [0.5, 0.455, 0.1225, 0.1], rtol=1e-15)
        assert profile_at(1.1, p) == pytest.approx((0.495, -0.1, -1.0), rel=1e-12)

    def test_triangle_by_hand(self):
        # 0.06 m up at 1 and down at 2 m/s2: 0.04 m up to sqrt(0.08) m/s, 0.02 m down
        p = motion.plan_trapezoid(0.0, 0.06, 1.0, 1.0, 2.0, 0.0)
        assert len(motion.corners(p)) == 3
        assert p.x[1] == pytest.approx(0.04, rel=1e-15)
        assert p.v[1] == pytest.approx(math.sqrt(0.08), rel=1e-15)
        assert p.t_end == pytest.approx(1.5 * math.sqrt(0.08), rel=1e-15)

    def test_s_curve_by_hand(self):
        # 0.5 m/s with 1 m/s2 and 4 m/s3 both ways: jerk 0.25 s, constant 0.25 s, ramp 0.75 s and
        # 0.1875 m; first corner j t3/6 = 0.0104167 m; 0.625 m leave 0.25 m = 0.5 s of cruise
        p = motion.plan_s_curve(0.0, 0.625, 0.5, 1.0, 1.0, 4.0, 0.0)
        np.testing.assert_allclose(p.t, [0, 0.25, 0.5, 0.75, 1.25, 1.5, 1.75, 2.0], rtol=1e-15)
        np.testing.assert_allclose(p.v, [0, 0.125, 0.375, 0.5, 0.5, 0.375, 0.125, 0], rtol=1e-15)
        third = 4.0 * 0.25**3 / 6.0
        assert p.x[1] == pytest.approx(third, rel=1e-15)
        assert p.x[3:5] == pytest.approx([0.1875, 0.4375], rel=1e-15)
        assert p.x[6] == pytest.approx(0.625 - third, rel=1e-15)

    def test_step_and_no_move(self):
        p = motion.plan_step(0.1, 0.4, 0.5)
        assert profile_at(np.nextafter(0.5, 0.0), p) == (0.1, 0.0, 0.0)
        assert profile_at(0.5, p) == (0.4, 0.0, 0.0)
        assert list(motion.corners(p)) == [0.5]
        for q in (
            motion.plan_trapezoid(0.3, 0.3, 1.0, 1.0, 1.0, 2.0),
            motion.plan_s_curve(0.3, 0.3, 1.0, 1.0, 1.0, 9.0, 2.0),
        ):
            assert q.t_end == 2.0 and q.direction == 0.0
            assert [profile_at(t, q) for t in (1.0, 2.0, 3.0)] == [(0.3, 0.0, 0.0)] * 3

    def test_frozen(self):
        p = motion.plan_trapezoid(0.0, 1.0, 1.0, 1.0, 1.0, 0.0)
        with pytest.raises(ValueError, match="read-only"):
            p.x[0] = 1.0

    def test_written_into_a_used_table(self):
        # a loop that plans again from a measured position reuses its table
        table = np.full((5, 8), np.nan)
        motion.write_s_curve(table, 0.0, 1.0, 0.2, 1.0, 1.0, 20.0, 0.0)
        p = motion.write_trapezoid(table, 0.11, 0.3, 0.2, 1.0, 1.5, 4.0)
        q = motion.plan_trapezoid(0.11, 0.3, 0.2, 1.0, 1.5, 4.0)
        assert p[5:] == q[5:]
        assert all(np.array_equal(p[k], q[k]) for k in range(5))
        assert np.shares_memory(p.x, table)


def _schedule(x: float, d: float, Kv: float, v_max: float) -> float:
    """The square-root schedule as it is written down, two branches."""
    if abs(x) <= d / Kv**2:
        v = Kv * abs(x)
    else:
        v = math.sqrt(2.0 * d * (abs(x) - d / (2.0 * Kv**2)))
    return math.copysign(min(v, v_max), x)


gains = st.floats(2.0, 120.0)
distances = st.builds(lambda s, x: s * x, signs, travels)


class TestScheduleInDistance:
    @given(distances, accelerations, gains, velocities)
    @settings(max_examples=200, deadline=None)
    def test_square_root_as_written(self, x, d, Kv, v_max):
        got = motion.square_root_velocity(x, d, Kv, v_max)
        assert got == pytest.approx(_schedule(x, d, Kv, v_max), rel=1e-12)
        assert got == -motion.square_root_velocity(-x, d, Kv, v_max)
        assert abs(got) <= min(v_max, Kv * abs(x) * (1 + 1e-15))

    @given(distances, accelerations, gains)
    @settings(max_examples=200, deadline=None)
    def test_square_root_never_steeper_than_the_gain(self, x, d, Kv):
        x = abs(x)
        h = 1e-3 * x
        rise = motion.square_root_velocity(x + h, d, Kv, 1e3) - motion.square_root_velocity(
            x - h, d, Kv, 1e3
        )
        slope = rise / (2.0 * h)
        assert 0.0 < slope <= Kv * (1 + 1e-10)
        # deceleration along the schedule is v dv/dx
        assert slope * motion.square_root_velocity(x, d, Kv, 1e3) <= d * (1 + 1e-5)

    @given(accelerations, gains)
    @settings(max_examples=100, deadline=None)
    def test_square_root_joins_with_its_slope(self, d, Kv):
        x = d / Kv**2
        at, h = motion.square_root_velocity(x, d, Kv, 1e3), 1e-6 * x
        assert at == pytest.approx(d / Kv, rel=1e-14)
        below = (at - motion.square_root_velocity(x - h, d, Kv, 1e3)) / h
        above = (motion.square_root_velocity(x + h, d, Kv, 1e3) - at) / h
        assert below == pytest.approx(Kv, rel=1e-8)
        assert above == pytest.approx(Kv, rel=2e-6)

    def test_square_root_by_hand(self):
        # d = 1 m/s2, Kv = 20 1/s: join at 2.5 mm and 0.05 m/s; 0.16125 m gives sqrt(0.32) m/s
        assert motion.square_root_velocity(2.5e-3, 1.0, 20.0, 9.0) == pytest.approx(0.05)
        assert motion.square_root_velocity(-1e-3, 1.0, 20.0, 9.0) == pytest.approx(-0.02)
        expected = pytest.approx(math.sqrt(0.32))
        assert motion.square_root_velocity(0.16125, 1.0, 20.0, 9.0) == expected
        assert motion.square_root_velocity(0.16125, 1.0, 20.0, 0.2) == 0.2
        assert motion.square_root_velocity(2e-3, 1.0, 20.0, 0.03) == 0.03  # limit below the join
        assert motion.square_root_velocity(0.0, 1.0, 20.0, 9.0) == 0.0

    @given(distances, gains, velocities)
    @settings(max_examples=100, deadline=None)
    def test_exponential(self, x, Kv, v_max):
        expected = math.copysign(v_max if abs(x) > v_max / Kv else Kv * abs(x), x)
        assert motion.exponential_velocity(x, Kv, v_max) == pytest.approx(expected, rel=1e-14)

    @pytest.mark.parametrize(
        ("x", "v"),
        [(0.06, 0.3), (0.05, 0.01), (0.03, 0.01), (0.002, 0.0), (0.001, 0.0), (0.0, 0.0)],
    )
    def test_staged(self, x, v):
        assert motion.staged_velocity(x, 0.3, 0.01, 0.05, 0.002) == v
        assert motion.staged_velocity(-x, 0.3, 0.01, 0.05, 0.002) == -v

    @given(st.floats(-1, 1), st.floats(-1, 1), accelerations, st.floats(1e-4, 1e-2))
    @settings(max_examples=200, deadline=None)
    def test_ramp(self, v_0, v_s, a, dt):
        v = motion.ramp(v_0, v_s, a, dt)
        assert v * v_s >= 0.0 and abs(v) <= abs(v_s)
        assert v == -motion.ramp(-v_0, -v_s, a, dt)
        if v_0 * v_s > 0.0:
            assert abs(v) <= abs(v_0) + a * dt
        else:
            assert abs(v) <= a * dt  # grows from zero
        if abs(v) < abs(v_s):  # held back, so growing at the limit
            grown = abs(v) - (abs(v_0) if v_0 * v_s > 0.0 else 0.0)
            assert grown == pytest.approx(a * dt, rel=1e-9, abs=1e-15)

    def test_ramp_by_hand(self):
        assert motion.ramp(0.1, 0.5, 2.0, 0.01) == pytest.approx(0.12)
        assert motion.ramp(0.5, 0.1, 2.0, 0.01) == 0.1
        assert motion.ramp(0.5, 0.0, 2.0, 0.01) == 0.0
        assert motion.ramp(0.5, -0.3, 2.0, 0.01) == pytest.approx(-0.02)
        assert motion.ramp(0.0, 0.3, math.inf, 0.01) == 0.3


def _time_by_steps(x_0: float, w: float, velocity) -> float:
    """Time until the remaining distance x_0 has shrunk to w, by integration in time."""

    def arrived(t, x):
        return x[0] - w

    arrived.terminal = True
    span = 10.0 + 100.0 * x_0 / velocity(w)
    found = solve_ivp(
        lambda t, x: [-velocity(x[0])],
        (0.0, span),
        [x_0],
        events=arrived,
        rtol=1e-9,
        atol=1e-9 * w,
    )
    return float(found.t_events[0][0])


def _time_by_length(x_0: float, w: float, velocity, kinks: tuple[float, ...]) -> float:
    """Return the same as the integral of dx/v, over ln x because x spans decades."""
    edges = [math.log(w), *sorted(math.log(x) for x in kinks if w < x < x_0), math.log(x_0)]
    return sum(
        quad(lambda s: math.exp(s) / velocity(math.exp(s)), low, high, epsrel=1e-11)[0]
        for low, high in pairwise(edges)
    )


def _time_from_rest(length: float, w: float, a: float, velocity, kinks) -> float:
    """Time from rest: sqrt(2 a s) until it meets the schedule, from there along the schedule."""

    def behind(s):
        return math.sqrt(2.0 * a * s) / velocity(length - s) - 1.0

    s = brentq(behind, 0.0, length * (1.0 - 1e-12), xtol=1e-25, rtol=1e-13)
    if length - w <= s:
        return math.sqrt(2.0 * (length - w) / a)
    return math.sqrt(2.0 * s / a) + _time_by_length(length - s, w, velocity, kinks)


windows = st.builds(lambda m, e: m * 10.0**e, st.floats(1.0, 9.9), st.integers(-6, -3))


class TestClosedForms:
    @given(velocities, accelerations, gains, windows, st.booleans())
    @settings(max_examples=40, deadline=None)
    def test_stop_in_distance(self, v, d, Kv, w, square):
        def velocity(x):
            return _schedule(x, d, Kv, math.inf) if square else Kv * x

        values = {"velocity": v, "velocity_gain": Kv}
        if square:
            values["deceleration"] = d
        kind = "square_root" if square else "exponential"
        expected = brentq(lambda x: velocity(x) / v - 1.0, 1e-9, 1e4, xtol=1e-14)
        assert motion.stopping_distance(kind, **values) == pytest.approx(expected, rel=1e-9)
        time = motion.stopping_time(kind, window=w, **values)
        if w >= expected:
            assert time == 0.0
        else:
            assert time == pytest.approx(_time_by_steps(expected, w, velocity), rel=1e-6, abs=1e-9)
            by_length = _time_by_length(expected, w, velocity, (d / Kv**2,))
            assert time == pytest.approx(by_length, rel=1e-9, abs=1e-12)

    @given(travels, velocities, accelerations, accelerations, gains, windows, st.booleans())
    @settings(max_examples=40, deadline=None)
    def test_move_in_distance(self, length, v, a, d, Kv, w, square):
        def velocity(x):
            return min(v, _schedule(x, d, Kv, math.inf) if square else Kv * x)

        values = {"velocity": v, "velocity_gain": Kv, "acceleration": a, "window": w}
        if square:
            values["deceleration"] = d
        kind = "square_root" if square else "exponential"
        time = motion.move_time(kind, length, **values)
        if w >= length:
            assert time == 0.0
        else:
            limit = v / Kv if v <= d / Kv or not square else v * v / (2 * d) + d / (2 * Kv**2)
            found = _time_from_rest(length, w, a, velocity, (d / Kv**2, limit))
            assert time == pytest.approx(found, rel=1e-8, abs=1e-12)

    def test_square_root_peak_of_a_short_move(self):
        # d = a = 1 m/s2, Kv = 20 1/s, 41.25 mm: v2/2 + v2/2 + 1.25 mm = 41.25 mm, v = 0.2 m/s
        values = {"velocity": 1.0, "velocity_gain": 20.0, "acceleration": 1.0, "window": 1e-5}
        form = motion.closed_form("square_root", 0.04125, deceleration=1.0, **values)
        assert form.peak_velocity == pytest.approx(0.2, rel=1e-12)
        # 0.2 s up, (0.2 - 0.05)/1 s down to the join at 2.5 mm, then ln(250)/20 s
        assert form.move_time == pytest.approx(0.35 + math.log(250.0) / 20.0, rel=1e-12)
        # just above the join at 0.05 m/s: 1.8 + 1.8 + 1.25 mm, v = 0.06 m/s
        form = motion.closed_form("square_root", 0.00485, deceleration=1.0, **values)
        assert form.peak_velocity == pytest.approx(0.06, rel=1e-12)
        # just below it: v2/2 + v/20 = 0.8 + 2 mm, v = 0.04 m/s
        form = motion.closed_form("square_root", 0.0028, deceleration=1.0, **values)
        assert form.peak_velocity == pytest.approx(0.04, rel=1e-12)
        # exponential: v2/2 + v/20 = 15 mm at v = 0.13027756 m/s (root of a quadratic)
        form = motion.closed_form("exponential", 0.015, **values)
        v = form.peak_velocity
        assert v == pytest.approx(-0.05 + math.sqrt(0.0325), rel=1e-12)

    def test_square_root_stop_by_hand(self):
        # v = 0.3 m/s, d = 1 m/s2, Kv = 20 1/s: 45 + 1.25 mm; 0.3 - 0.05 + ln(2.5 mm/w)/20 s
        values = {"velocity": 0.3, "deceleration": 1.0, "velocity_gain": 20.0}
        assert motion.stopping_distance("square_root", **values) == pytest.approx(0.04625)
        for w, time in [
            (1e-5, 0.25 + math.log(250.0) / 20.0),
            (2.5e-3, 0.25),  # window at the join
            (6.25e-3, 0.2),  # beyond it: 0.1 m/s there
            (0.05, 0.0),  # beyond the stopping distance
        ]:
            found = motion.stopping_time("square_root", window=w, **values)
            assert found == pytest.approx(time, rel=1e-12, abs=1e-15)
        values["velocity"] = 0.04  # below d/Kv
        assert motion.stopping_distance("square_root", **values) == pytest.approx(0.002)
        time = motion.stopping_time("square_root", window=1e-4, **values)
        assert time == pytest.approx(math.log(20.0) / 20.0)

    @given(timed())
    @settings(max_examples=40, deadline=None)
    def test_timed(self, case):
        _, c = case
        length = abs(c["y"] - c["x"])
        values = {"velocity": c["v"], "acceleration": c["a"], "deceleration": c["d"]}
        kind = "trapezoid" if math.isinf(c["j"]) else "s_curve"
        if kind == "s_curve":
            values["jerk"] = c["j"]
        form = motion.closed_form(kind, c["y"] - c["x"], **values)
        peak, time = _fastest(length, c["v"], c["a"], c["d"], c["j"])
        assert form.peak_velocity == pytest.approx(peak, rel=1e-8)
        assert form.move_time == pytest.approx(time, rel=1e-9)
        assert motion.move_time(kind, length, **values) == form.move_time
        stop_time, stop_distance = _ramp(c["v"], c["d"], c["j"])  # braking is the ramp reversed
        assert form.stop.time == pytest.approx(stop_time, rel=1e-9)
        assert form.stop.distance == pytest.approx(stop_distance, rel=1e-9)
        del values["acceleration"]
        assert motion.stopping_distance(kind, **values) == form.stop.distance
        assert motion.stopping_time(kind, **values) == form.stop.time

    def test_step(self):
        form = motion.closed_form("step", -0.4)
        assert (form.travel, form.move_time, form.stop.distance, form.stop.time) == (0.4, 0, 0, 0)
        assert motion.stopping_distance("step") == motion.stopping_time("step") == 0.0


STAGED = {
    "velocity": 0.3,
    "acceleration": 1.0,
    "deceleration": 0.5,
    "creep_velocity": 0.1,
    "creep_distance": 0.1,
    "stop_distance": 0.01,
    "window": 0.0025,
}


def _simulate_staged(x: float, v: float, c: dict[str, float], dt: float) -> tuple[float, ...]:
    """Time to the window, distance left and peak, by small steps of the commanded velocity."""
    t, entered, peak = 0.0, math.nan, v
    a, d = c["acceleration"], c["deceleration"]
    while True:
        if x <= c["window"] and math.isnan(entered):
            entered = t
        command = motion.staged_velocity(
            x, c["velocity"], c["creep_velocity"], c["creep_distance"], c["stop_distance"]
        )
        if x < 0.0:
            command = 0.0  # past the target the valve stays shut
        v_next = v + min(max(command - v, -d * dt), a * dt)
        if v_next == 0.0 and v == 0.0:
            return (entered if abs(x) <= c["window"] else math.inf), x, peak
        x -= 0.5 * (v + v_next) * dt
        v, t = v_next, t + dt
        peak = max(peak, v)


class TestStaged:
    def test_stop_by_hand(self):
        # 0.3 to 0.1 m/s at 0.5 m/s2: 0.4 s and 80 mm; creep 10 mm: 0.1 s; from the stop at 10 mm
        # 0.1 m/s needs just 10 mm; at 2.5 mm left it runs at 0.05 m/s, 0.1 s after the stop
        form = motion.closed_form("staged", 0.6, **STAGED)
        assert form.stop.distance == pytest.approx(0.1, rel=1e-12)
        assert form.stop.time == pytest.approx(0.6, rel=1e-12)
        assert form.remaining == pytest.approx(0.0, abs=1e-15)
        # start: 0.3 s and 45 mm, then 455 mm at 0.3 m/s
        assert form.move_time == pytest.approx(0.3 + 0.455 / 0.3 + 0.6, rel=1e-12)
        assert form.peak_velocity == 0.3

    def test_rests_outside_the_window(self):
        # at 1 m/s2 the last 0.1 m/s need 5 mm only: 5 mm short of the target
        values = {**STAGED, "deceleration": 1.0}
        form = motion.closed_form("staged", 0.6, **values)
        assert form.remaining == pytest.approx(0.005, rel=1e-12)
        assert form.stop.distance == pytest.approx(0.095, rel=1e-12)
        assert form.move_time == form.stop.time == math.inf
        # too weak to reach the creep: 0.32/0.6 = 150 mm, 50 mm past the target
        form = motion.closed_form("staged", 0.6, **{**STAGED, "deceleration": 0.3})
        assert form.stop.distance == pytest.approx(0.15, rel=1e-12)
        assert form.remaining == pytest.approx(-0.05, rel=1e-12)
        assert form.stop.remaining == pytest.approx(-0.05, rel=1e-12)
        assert form.move_time == form.stop.time == math.inf  # runs through the window
        form = motion.closed_form("staged", 0.6, **{**STAGED, "deceleration": 0.3, "window": 0.06})
        # window reached 60 mm before the target: after 40 mm, at sqrt(0.09 - 0.024) m/s
        assert form.stop.time == pytest.approx((0.3 - math.sqrt(0.066)) / 0.3, rel=1e-12)

    @pytest.mark.parametrize("length", [0.6, 0.2, 0.13, 0.103, 0.1, 0.04, 0.013, 0.0101, 0.008])
    @pytest.mark.parametrize("change", [{}, {"deceleration": 0.45, "window": 0.004}])
    def test_moves_against_small_steps(self, length, change):
        values = {**STAGED, **change}
        dt = 2e-5
        time, left, peak = _simulate_staged(length, 0.0, values, dt)
        form = motion.closed_form("staged", length, **values)
        # the switching distances are met one step late at most
        assert form.remaining == pytest.approx(left, abs=0.3 * dt)
        assert form.peak_velocity == pytest.approx(peak, abs=2.0 * dt)
        if math.isinf(time) or math.isinf(form.move_time):
            assert time == form.move_time
        else:
            assert form.move_time == pytest.approx(time, abs=2e-3)

    def test_stop_commanded_at_the_target(self):
        # creep of 0.1 m/s at 0.5 m/s2 runs 10 mm past
        form = motion.closed_form("staged", 0.6, **{**STAGED, "stop_distance": 0.0})
        assert form.remaining == pytest.approx(-0.01, rel=1e-12)
        assert form.move_time == math.inf

    def test_not_far_enough_to_start(self):
        form = motion.closed_form("staged", 0.008, **STAGED)
        assert (form.peak_velocity, form.remaining, form.move_time) == (0.0, 0.008, math.inf)


class TestErrors:
    def test_unknown_kind(self):
        with pytest.raises(
            ParameterError, match=r"'square-root' is no kind.*nearest name 'square_"
        ):
            motion.closed_form("square-root", 0.5)

    def test_all_faults_at_once(self):
        with pytest.raises(ParameterError) as error:
            motion.closed_form("trapezoid", 0.5, velocity=0.0, acceleration=math.nan, jerk=3.0)
        text = str(error.value)
        assert "jerk: not read by the trapezoid reference" in text
        assert "velocity: 0.0 m/s is out of range" in text
        assert "acceleration: nan m/s2 is out of range" in text
        assert "deceleration: missing for the trapezoid reference; expected a finite" in text

    def test_misspelt_value(self):
        with pytest.raises(
            ParameterError, match=r"velocity_gian: not read.*nearest name 'velocity_gain'"
        ):
            motion.stopping_distance("exponential", velocity=1.0, velocity_gian=3.0)

    @pytest.mark.parametrize(
        ("change", "text"),
        [
            ({"creep_velocity": 0.4}, "creep_velocity: 0.4 m/s is more than velocity"),
            ({"stop_distance": 0.2}, "stop_distance: 0.2 m is more than creep_distance"),
            ({"window": 0.0}, "window: 0.0 m is out of range"),
            ({"stop_distance": -0.1}, "at least 0 m"),
        ],
    )
    def test_contradictions(self, change, text):
        with pytest.raises(ParameterError, match=text):
            motion.closed_form("staged", 0.5, **{**STAGED, **change})

    def test_plans(self):
        with pytest.raises(ParameterError, match="target: nan m of the step reference"):
            motion.plan_step(0.0, math.nan, 0.0)
        with pytest.raises(ParameterError, match=r"deceleration: -1.0 m/s2 is out of range"):
            motion.plan_trapezoid(0.0, 1.0, 1.0, 1.0, -1.0, 0.0)
        with pytest.raises(ParameterError, match="jerk: inf m/s3 is out of range"):
            motion.plan_s_curve(0.0, 1.0, 1.0, 1.0, 1.0, math.inf, 0.0)
        with pytest.raises(ParameterError, match="t_start: inf s"):
            motion.plan_trapezoid(0.0, 1.0, 1.0, 1.0, 1.0, math.inf)

    def test_infinite_acceleration_is_a_start_without_ramp(self):
        # 0.1 m at 10 1/s from 1 m/s: ln(0.1/0.001)/10 s
        time = motion.move_time(
            "exponential", 0.1, velocity=2.0, acceleration=math.inf, velocity_gain=10.0, window=1e-3
        )
        assert time == pytest.approx(math.log(100.0) / 10.0, rel=1e-12)
