"""Sampled plants against SciPy, against small steps that follow every event, and an integrator."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import integrate, linalg, signal

from servosim.axis import read_axis
from servosim.errors import ParameterError
from servosim.linear.plants import INPUTS, plants
from servosim.linear.points import Point
from servosim.linear.sampling import HELD, sampled, state_scales

PARAMS = Path(__file__).parent.parent / "params"
TABLE = read_axis(PARAMS / "tube_sheet_table.toml")
SCREW = read_axis(PARAMS / "screw_table.toml")
RIG = read_axis(PARAMS / "teaching_rig.toml")
SHIFTING = TABLE.replace({"valve.null_shift_pressure": "0.5 %/bar"})  # far more than usual
STILL = TABLE.replace({"valve.null_shift_pressure": "0 %/bar"})


def _timed(axis, period, delay, late):
    return axis.replace(
        {
            "controller.period": period,
            "controller.computing_delay": delay,
            "transducer.delay": late,
            "controller.filter_frequency": min(axis.file.controller.filter_frequency, 0.2 / period),
        }
    )


def _held(found):
    """Return A without the null's shift, B, the shift's row and size-one scales."""
    shift = found.null_shift_slope[0] * found.C[0, found.outputs.index("supply_pressure")]
    A = found.A[0] - np.outer(found.B[0, :, 0], shift)
    scale = state_scales(found.states)
    return A * scale / scale[:, None], found.B[0] / scale[:, None], shift * scale, scale


def _run(system, commands):
    """Return the reading that the controller sees and the table's position, sample by sample."""
    rows = [system.outputs.index(n) for n in ("scale_reading", "table_position")]
    x, seen = np.zeros(len(system.states)), []
    for u in commands:
        seen.append(system.C[0][rows] @ x)
        x = system.A[0] @ x + system.B[0] @ u
    return np.array(seen)


def _events(found, period, delay, late, commands, step):
    """Follow all events of the samples in time; ``step(x, held, thrusts, h)`` carries the state."""
    _, _, shift, scale = _held(found)
    out = [found.C[0, found.outputs.index(n)] * scale for n in ("scale_reading", "table_position")]
    n = len(commands)
    times = {round(k * period, 12) for k in range(n + 1)}
    times |= {round(k * period + delay, 12) for k in range(n)}
    times |= {round(k * period - late, 12) for k in range(n) if k * period >= late}
    x, held, t = np.zeros(len(scale)), 0.0, 0.0
    read, seen = {}, []
    for time in sorted(time for time in times if time <= (n - 1) * period + 1e-12):
        thrusts = commands[min(int(t / period + 1e-6), n - 1)][1:]
        if time > t:
            x = step(x, held, thrusts, time - t)
            t = time
        k = round((t - delay) / period)
        if abs(k * period + delay - t) < 1e-10 and 0 <= k < n:
            held = commands[k][0] + shift @ x
        read[t] = out[0] @ x
        k = round(t / period)
        if abs(k * period - t) < 1e-10:
            before = round(k * period - late, 12)
            seen.append((read.get(before, 0.0) if before >= 0.0 else 0.0, out[1] @ x))
    return np.array(seen)


def _random_commands(n, seed=5):
    return np.random.default_rng(seed).normal(size=(n, 3)) * [1e-2, 100.0, 100.0]


class TestAgainstSciPy:
    def test_without_delays_it_is_a_zero_order_hold(self):
        axis = _timed(STILL, 1e-3, 0.0, 0.0)
        found = plants([Point(axis, 0.2)])
        mine = sampled(found)
        A, B, _, scale = _held(found)
        n_x = len(scale)
        Ad, Bd, *_ = signal.cont2discrete((A, B, np.eye(n_x), np.zeros(B.shape)), 1e-3)
        assert mine.states[-1] == HELD
        assert len(mine.states) == n_x + 1
        assert_allclose(mine.A[0, :n_x, :n_x] * scale / scale[:, None], Ad, atol=1e-11)
        assert_allclose(mine.B[0, :n_x] / scale[:, None], Bd, atol=1e-9)
        # a command at once: what was held before acts on nothing
        assert_allclose(mine.A[0, :n_x, n_x], 0.0)

    def test_a_delay_of_one_period_is_the_last_command(self):
        axis = _timed(STILL, 1e-3, 1e-3, 0.0)
        found = plants([Point(axis, 0.2, 0.02)])
        mine = sampled(found)
        A, B, _, scale = _held(found)
        n_x = len(scale)
        both = np.zeros((n_x + 3, n_x + 3))
        both[:n_x, :n_x], both[:n_x, n_x:] = A, B
        after = linalg.expm(1e-3 * both)
        assert_allclose(mine.A[0, :n_x, n_x] / scale, after[:n_x, n_x], atol=1e-9)
        assert_allclose(mine.B[0, :n_x, 0], 0.0)
        assert_allclose(mine.B[0, :n_x, 1:] / scale[:, None], after[:n_x, n_x + 1 :], atol=1e-9)
        assert mine.B[0, n_x].tolist() == [1.0, 0.0, 0.0]

    def test_whole_periods_of_reading_delay_are_a_row_of_memories(self):
        axis = _timed(STILL, 1e-3, 0.0, 3e-3)
        mine = sampled(plants([Point(axis, 0.2)]))
        assert mine.states[-3:] == tuple(f"delayed_reading_{k}" for k in (1, 2, 3))
        undelayed = sampled(plants([Point(_timed(STILL, 1e-3, 0.0, 0.0), 0.2)]))
        commands = _random_commands(30)
        late, direct = _run(mine, commands)[:, 0], _run(undelayed, commands)[:, 0]
        assert_allclose(late[3:], direct[:-3], atol=1e-15)
        assert_allclose(late[:3], 0.0)

    def test_fractional_delays_against_an_integrator(self):
        """An implicit integrator from event to event knows no matrix exponential."""
        period, delay, late = 2e-3, 0.7e-3, 1.3e-3
        found = plants([Point(_timed(SHIFTING, period, delay, late), 0.25, 0.01)])
        A, B, _, _ = _held(found)

        def step(x, held, thrusts, h):
            u = B @ np.array([held, *thrusts])
            solution = integrate.solve_ivp(
                lambda t, y: A @ y + u, (0.0, h), x, "Radau", jac=A, rtol=1e-9, atol=1e-12
            )
            return solution.y[:, -1]

        commands = _random_commands(8)
        expected = _events(found, period, delay, late, commands, step)
        mine = _run(sampled(found), commands)
        assert_allclose(mine, expected, atol=1e-7 * np.max(abs(expected)))


class TestDelays:
    @settings(max_examples=25)
    @given(
        parts=st.integers(0, 12),
        late=st.integers(0, 40),
        period=st.sampled_from([0.5e-3, 1.2e-3, 3e-3]),
        seed=st.integers(0, 1000),
        screw=st.booleans(),
    )
    def test_any_delays(self, parts, late, period, seed, screw):
        """Twelfths of a period, stepped one by one with the exponential of a twelfth."""
        axis = SCREW if screw else SHIFTING
        part = period / 12
        delay = parts * part
        axis = _timed(axis, period, delay, late * part)
        found = plants([Point(axis, 0.3, 0.02)])
        A, B, _, _ = _held(found)
        n_x = len(A)
        both = np.zeros((n_x + 3, n_x + 3))
        both[:n_x, :n_x], both[:n_x, n_x:] = A, B
        small = linalg.expm(both * part)

        def step(x, held, thrusts, h):
            y = np.concatenate([x, [held, *thrusts]])
            for _ in range(round(h / part)):
                y = small @ y
            return y[:n_x]

        commands = _random_commands(9, seed)
        expected = _events(found, period, delay, late * part, commands, step)
        mine = _run(sampled(found), commands)
        assert_allclose(mine, expected, atol=1e-9 * np.max(abs(expected)))

    def test_each_point_is_as_if_alone(self):
        points = [Point(TABLE, 0.1), Point(TABLE, 0.6, 0.05), Point(TABLE, 0.3, friction="viscous")]
        together = sampled(plants(points))
        for k, point in enumerate(points):
            alone = sampled(plants([point]))
            for name in ("A", "B", "C"):
                assert_allclose(getattr(together, name)[k], getattr(alone, name)[0], rtol=1e-11)
        assert (together.period, together.delay) == (1e-3, TABLE.file.controller.computing_delay)


class TestRefusals:
    def test_continuous(self):
        with pytest.raises(ParameterError, match="has no samples"):
            sampled(plants([Point(RIG, 0.1)]))

    def test_different_times(self):
        other = TABLE.replace({"controller.computing_delay": "0.5 ms"})
        with pytest.raises(ParameterError, match="2 different sets of period"):
            sampled(plants([Point(TABLE, 0.1), Point(other, 0.1)]))

    def test_nothing(self):
        with pytest.raises(ParameterError, match="none of the points exists"):
            sampled(plants([]))
        found = plants([Point(TABLE, 0.1)])
        with pytest.raises(ParameterError, match="none of the points exists"):
            sampled(replace(found, points=()))

    def test_inputs_are_those_of_the_plants(self):
        mine = sampled(plants([Point(TABLE, 0.1)]))
        assert mine.inputs == INPUTS
