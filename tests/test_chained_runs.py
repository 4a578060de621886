"""Runs that go on from the end of another."""

import numpy as np
import pytest

import servosim
from servosim import _sequence as sequence
from servosim._equations import QUADRATURES
from servosim.motion import plan_s_curve

FILE = "params/tube_sheet_table.toml"
QUIET = {"transducer.noise": "0 um", "transducer.pressure_noise": "0 bar"}


def _axis(**more):
    return servosim.read_axis(FILE, QUIET | more)


@pytest.mark.parametrize("cut", [0.7, 2.34, 2.8, 3.3])
def test_a_run_in_two_parts_is_the_run_in_one(cut):
    """Cut while it moves, while the lock closes, while it is held, and after its release.

    The second part counts its time from the cut and chooses its first step anew: the difference is
    rounding and what the integrator's tolerance admits (1 Pa in a line that closes).
    """
    axis = _axis()
    move, r = axis.move, axis.file.reference
    whole = servosim.simulate(axis)
    first = servosim.simulate(axis, move._replace(duration=cut), goes_on=True)
    end = first.time[-1]
    assert first.standing is not None
    memory = first.standing.memory.copy()
    for place in (sequence.T_INSIDE, sequence.T_CLOSE, sequence.T_LOCKED, sequence.T_OPEN,
                  sequence.T_FREE, sequence.T_MATCH):  # fmt: skip
        memory[place] -= end
    profile = plan_s_curve(
        move.start, move.target, r.velocity, r.acceleration, r.deceleration, r.jerk, -end
    )
    rest = move._replace(duration=move.duration - end, profile=profile)
    standing = servosim.result.Standing(first.standing.state, memory)
    second = servosim.simulate(axis, rest, begin_from=standing)
    n = len(first.time) - 1
    i = axis.parameters.index
    for name in ("table_position", "pressure_a", "pressure_b", "spool"):
        size = np.abs(whole.state(name)).max()
        np.testing.assert_allclose(
            second.state(name), whole.state(name)[n:], rtol=0.0, atol=1e-6 * size
        )
    for name in QUADRATURES:  # counted anew
        column = getattr(i, name)
        both = first.states[-1, column] + second.states[-1, column]
        np.testing.assert_allclose(both, whole.states[-1, column], rtol=1e-9)


def test_a_run_that_goes_on_ends_when_the_axis_is_free():
    axis = _axis()
    run = servosim.simulate(axis, axis.move._replace(duration=20.0), goes_on=True)
    assert run.status == servosim.Status.COMPLETE
    free = run.memory[sequence.T_FREE] + axis.file.lock.release_dwell
    assert run.time[-1] == pytest.approx(free, abs=1e-9)
    without = _axis(**{"lock.kind": "none"})
    run = servosim.simulate(without, without.move._replace(duration=20.0), goes_on=True)
    held = run.memory[sequence.T_LOCKED] + without.move.hold_time
    assert run.time[-1] == pytest.approx(held, abs=1e-9)


def test_only_a_run_that_goes_on_has_a_standing():
    axis = _axis()
    assert servosim.simulate(axis).standing is None
