"""Frequency responses by modes against systems solved at each frequency and python-control."""

from dataclasses import replace
from pathlib import Path

import control
import numpy as np
import pytest
from axis_files import AXIS_FILES
from numpy.testing import assert_allclose
from scipy import linalg

from servosim.axis import read_axis
from servosim.errors import ParameterError
from servosim.linear._frequency_grids import frequencies
from servosim.linear.modes import SEEN, modes
from servosim.linear.plants import plants
from servosim.linear.points import Point, condition_points
from servosim.linear.responses import responses
from servosim.linear.sampling import sampled
from servosim.linear.timing import timing_of

PARAMS = Path(__file__).parent.parent / "params"
FILES = AXIS_FILES
TABLE = read_axis(PARAMS / "tube_sheet_table.toml")
DELAYS = [  # of the command and of the scale, at a period of 1 ms
    ("0 ms", "0 ms"),
    ("1 ms", "0 ms"),
    ("0.4 ms", "2.3 ms"),
    ("0.9 ms", "0.3 ms"),
    ("0 ms", "3 ms"),
    ("1 ms", "0.7 ms"),
]


def timed(command, scale, **more):
    changes = {"controller.computing_delay": command, "transducer.delay": scale}
    return TABLE.replace(changes | more)


def points(axis):
    return condition_points(axis, 0.2, conditions=("rest", "rapid"), directions=(1.0,))


class TestSampled:
    @pytest.mark.parametrize("command, scale", DELAYS)
    def test_the_sampled_system_solved_at_each_frequency(self, command, scale):
        # the sampled systems come from matrix exponentials of the stretches between events
        plant = plants(points(timed(command, scale)))
        found = responses(plant)
        system = sampled(plant)
        z = np.exp(1j * found.omega * system.period)
        rows = [system.outputs.index(name) for name in SEEN]
        for k in range(len(plant.points)):
            eye = np.eye(len(system.states))
            B = np.broadcast_to(system.B[k][:, :1], (z.shape[1], len(eye), 1))
            X = np.linalg.solve(z[k][:, None, None] * eye - system.A[k], B)
            expected = (system.C[k][rows] @ X)[:, :, 0]
            assert_allclose(found.plant[k], expected[:, :3], rtol=1e-6)
            assert_allclose(found.position[k], expected[:, 3], rtol=1e-6)

    def test_hold_without_delay_as_python_control_has_it(self):
        axis = timed("0 ms", "0 ms", **{"valve.null_shift_pressure": "0 %/bar"})
        plant = plants([Point(axis, 0.3, 0.05)])
        omega = np.array([0.5, 20.0, 150.0, 1000.0, 3000.0])
        found = responses(plant, omega)
        u, y = plant.inputs.index("spool_command"), plant.outputs.index("scale_reading")
        system = control.ss(plant.A[0], plant.B[0][:, [u]], plant.C[0][[y]], 0.0)
        judge = control.c2d(system, 1e-3)(np.exp(1j * omega * 1e-3))
        assert_allclose(found.plant[0, :, 0], np.ravel(judge), rtol=1e-5)

    def test_a_command_that_swings_gives_this_amplitude_at_the_samples(self):
        # the equations over two thousand samples, late command and late reading, no modes at all
        axis = timed("0.4 ms", "1.25 ms", **{"valve.null_shift_pressure": "0 %/bar"})
        plant = plants([Point(axis, 0.3, 0.05)])
        T, d, D = timing_of(plant)
        u = plant.inputs.index("spool_command")
        p_A = plant.outputs.index("pressure_reading_a")
        A, B, C = plant.A[0], plant.B[0][:, u], plant.C[0]
        omega = 2.0 * np.pi * 20.0
        seen = responses(plant, [omega]).plant[0, 0]

        def step(x, held, time):
            big = linalg.expm(np.block([[A, B[:, None]], [np.zeros((1, len(A) + 1))]]) * time)
            return big[:-1, :-1] @ x + big[:-1, -1] * held

        # the swing that stays: start on it by the answer of the states at sample 0
        z = np.exp(1j * omega * T)
        to_command = linalg.expm(A * (T - d))
        M = linalg.expm(A * T)
        g_early = step(np.zeros(len(A)), 1.0, d)
        g_late = step(np.zeros(len(A)), 1.0, T - d)
        x = np.linalg.solve(z * np.eye(len(A)) - M, to_command @ g_early / z + g_late)
        # C x(t) a transport delay before the sample, stretch by stretch from the sample before it
        back = step(x / z**2, 1.0 / z**3, d)  # two samples ago, the command of three ago acts
        back = step(back, 1.0 / z**2, 2.0 * T - D - d)
        y = plant.outputs.index("scale_reading")
        assert seen[0] == pytest.approx(C[y] @ back, rel=1e-7)
        assert seen[1] == pytest.approx(C[p_A] @ x, rel=1e-7)


class TestContinuous:
    @pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
    def test_every_axis_under_thrust_as_python_control_has_it(self, path):
        axis = read_axis(path).replace(
            {"transducer.delay": "0 ms", "valve.null_shift_pressure": "0 %/bar"}
        )
        plant = plants([Point(axis, 0.4 * axis.file.cylinder.stroke)])
        if not plant.points:
            pytest.skip(plant.refused[0][1])
        omega = np.array([0.2, 5.0, 60.0, 300.0])
        found = responses(plant, omega)
        u = plant.inputs.index("thrust")
        rows = [plant.outputs.index(name) for name in SEEN]
        judge = control.ss(plant.A[0], plant.B[0][:, [u]], plant.C[0][rows], np.zeros((4, 1)))
        expected = judge(1j * omega)[:, 0].T
        size = np.abs(expected).max(axis=0) + 1e-300  # pressures that nobody reads are zero
        assert_allclose(found.thrust[0] / size, expected / size, rtol=1e-5, atol=1e-8)

    def test_a_continuous_controller_has_neither_hold_nor_delay(self):
        axis = TABLE.replace(
            {
                "controller.kind": "continuous",
                "controller.computing_delay": None,
                "transducer.noise": "0 um",
                "transducer.resolution": "0 um",
                "transducer.pressure_noise": "0 bar",
                "transducer.pressure_resolution": "0 bar",
            }
        )
        plant = plants([Point(axis, 0.3, 0.05)])
        omega = np.array([0.5, 20.0, 150.0, 1e4])
        found = responses(plant, omega)
        u = plant.inputs.index("spool_command")
        rows = [plant.outputs.index(name) for name in SEEN]
        judge = control.ss(plant.A[0], plant.B[0][:, [u]], plant.C[0][rows], np.zeros((4, 1)))
        expected = judge(1j * omega)[:, 0].T
        assert_allclose(found.plant[0], expected[:, :3], rtol=1e-6)
        assert_allclose(found.position[0], expected[:, 3], rtol=1e-6)
        assert timing_of(plant) == (0.0, 0.0, 0.0)


class TestModes:
    def test_eigenvalues_that_coincide(self):
        # a critically damped valve has a double pole without a second eigenvector
        axis = timed("0.4 ms", "0.3 ms", **{"valve.damping_ratio": 1.0})
        plant = plants(points(axis))
        m = modes(plant)
        solved = replace(m, direct=np.arange(len(plant.points)))
        grid = frequencies(m.eigenvalues, m.timing)
        for thrust in (False, True):
            by_modes = m.channels(thrust=thrust)(grid)
            directly = solved.channels(thrust=thrust)(grid)
            size = np.abs(directly).max(axis=2, keepdims=True)
            assert_allclose(by_modes / size, directly / size, atol=1e-6)

    @pytest.mark.parametrize("command, scale", DELAYS)
    @pytest.mark.parametrize("thrust", [False, True])
    def test_direct_solutions_are_the_same(self, command, scale, thrust):
        plant = plants(points(timed(command, scale)))
        m = modes(plant)
        assert not len(m.direct)
        solved = replace(m, direct=np.array([1]))
        grid = np.tile(np.array([0.02, 3.0, 150.0, 2000.0]), (2, 1))
        expected = m.channels(thrust=thrust)(grid)
        assert_allclose(solved.channels(thrust=thrust)(grid)[1], expected[1], rtol=1e-6)
        rows = np.array([1, 0, 1, 1])
        single = solved.channels(thrust=thrust)(grid[0], rows)
        for k, row in enumerate(rows):
            assert_allclose(single[k], expected[row, :, k], rtol=1e-6)

    def test_a_grid_resolves_every_light_mode(self):
        plant = plants(condition_points(TABLE, 0.1))
        m = modes(plant)
        grid = frequencies(m.eigenvalues, m.timing)
        assert np.all(np.diff(grid, axis=1) > 0.0)
        assert_allclose(grid[:, -1], np.pi / 1e-3)
        for k in range(len(plant.points)):
            omega, zeta, _ = control.damp(
                control.ss(plant.A[k], plant.B[k], plant.C[k], 0.0), doprint=False
            )
            for w, ratio in zip(omega, zeta, strict=True):
                if 0.0 < ratio < 0.3 and 1.0 < w < 3000.0:
                    near = np.abs(grid[k] - w * np.sqrt(1.0 - ratio**2)).min()
                    assert near < 0.2 * ratio * w

    def test_long_dead_time_is_resolved(self):
        axis = TABLE.replace({"transducer.delay": "40 ms"})
        m = modes(plants([Point(axis, 0.3)]))
        grid = frequencies(m.eigenvalues, m.timing)
        assert np.max(np.diff(grid)) * 0.04 < 0.5


class TestFaults:
    @pytest.mark.parametrize("omega", [[1.0, 4000.0], [-1.0, 1.0], [0.0, 1.0]])
    def test_frequencies(self, omega):
        with pytest.raises(ParameterError, match=r"up to 3141.59 rad/s"):
            responses(plants([Point(TABLE, 0.3)]), omega)

    def test_controllers_of_two_timings(self):
        slow = TABLE.replace({"controller.period": "2 ms"})
        with pytest.raises(ParameterError, match="2 sets of period"):
            responses(plants([Point(TABLE, 0.3), Point(slow, 0.3)]))
