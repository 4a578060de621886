"""The tolerance keeps what it promises: every kind of axis within 0.1 um of a far tighter run."""

import numpy as np
import pytest
from test_parameter_files import CASES, axis_of

from servosim import simulate
from servosim._step import share_to_kink, share_to_switch
from servosim.components.valve import wanted_speed
from servosim.result import Status

CLASS = 100e-9  # m


def apart(axis, tolerance=1e-8, **options):
    """Return the largest distance of a run from a tight one with the same readings [m]."""
    tight = simulate(axis, tolerance=tolerance, on_failure="return")
    run = simulate(axis, replay=tight, on_failure="return", **options)
    assert run.status == tight.status == Status.COMPLETE
    return np.abs(run.state("table_position") - tight.state("table_position")).max(), run


@pytest.mark.parametrize("name", CASES)
def test_every_kind_keeps_a_tenth_of_a_micrometre(name):
    base, changes, _ = CASES[name]
    distance, _ = apart(axis_of(base).replace(changes))
    assert distance < CLASS


@pytest.mark.parametrize(
    "changes",
    [
        {"reference.kind": "step", "move.target": "280 mm"},
        {"reference.kind": "step", "move.target": "200 mm"},
    ],
)
def test_a_spool_that_meets_its_speed_limit(changes):
    axis = axis_of("tube_sheet_table").replace({**changes, "thrust.mode": "none"})
    distance, run = apart(axis)
    p, x = axis.parameters.valve, run.states[:, axis.parameters.index.spool]
    asked = [
        abs(wanted_speed(a, u, p)) for a, u in zip(x, run.traces["spool_command"], strict=True)
    ]
    assert max(asked) > p.rate  # or the test would say nothing
    assert distance < 0.5 * CLASS


class TestWhereAStepEnds:
    axis = axis_of("tube_sheet_table")

    def states(self, spool):
        x = np.zeros(len(self.axis.record.index))
        p = self.axis.parameters
        x[p.index.spool], x[p.index.supply_pressure] = spool, p.supply.p_set
        return x

    def test_in_front_of_the_limit_of_speed(self):
        p = self.axis.parameters.valve
        edge = p.rate / p.K_spool  # distance to the command at which the limit is just met
        share = share_to_kink(self.states(-3.0 * edge), self.states(0.0), 0.0, self.axis.record)
        assert share == pytest.approx(2.0 / 3.0)
        share = share_to_kink(self.states(-0.5 * edge), self.states(0.0), 0.0, self.axis.record)
        assert share == 1.0

    def test_in_front_of_a_switching_distance(self):
        rig = axis_of("teaching_rig").replace(CASES["staged"][1])
        m, i = rig.move, rig.parameters.index
        x, new = np.zeros(30), np.zeros(30)
        x[i.scale_reading] = m.target - m.d_creep - 3e-5
        new[i.scale_reading] = m.target - m.d_creep + 1e-5
        share = share_to_switch(x, new, rig.record, m)
        assert share == pytest.approx((3e-5 - 3e-9) / 4e-5)
        new[i.scale_reading] = m.target - m.d_creep + 5e-9
        assert share_to_switch(x, new, rig.record, m) == 1.0
