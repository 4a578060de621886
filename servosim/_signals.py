"""Signals that are no states, recomputed at the samples by the axis' own equations.

Kept apart from :mod:`servosim.traces`, so that naming and writing signals changes no compiled code.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim._equations import AxisParameters, load_inputs, load_states, valve_flows
from servosim._jit import kernel
from servosim._samples import RECORD
from servosim.components import controller as controller_block
from servosim.components import load as load_block
from servosim.components import valve as valve_block

RECOMPUTED = (
    "flow_a",
    "flow_b",
    "supply_flow",
    "hydraulic_force",
    "friction_force",
    "end_stop_force",
    "brake_force",
    "load_pressure",
    "table_acceleration",
)

_THRUST = RECORD.index("thrust")
_NORMAL = RECORD.index("normal_thrust")
_AREA_A = RECORD.index("lock_area_a")
_AREA_B = RECORD.index("lock_area_b")
_BRAKE = RECORD.index("brake")
_BRAKE_POSITION = RECORD.index("brake_position")
_MERGED_A = RECORD.index("merged_a")
_MERGED_B = RECORD.index("merged_b")


@kernel
def recompute(
    time: NDArray[np.float64],
    X: NDArray[np.float64],
    R: NDArray[np.float64],
    w: Any,
    p: AxisParameters,
    out: NDArray[np.float64],
) -> None:
    """Write the signals of each sample into ``out``.

    Parameters
    ----------
    time : ndarray, shape (n_t,)
        Samples [s].
    X : ndarray, shape (n_t, n_states)
        States at the samples, SI units.
    R : ndarray, shape (n_t, n_record)
        Record at the samples, see ``servosim._samples.RECORD``.
    w : record of Held
        Held inputs, overwritten.
    p : AxisParameters
        Numbers of the axis.
    out : ndarray, shape (len(RECOMPUTED), n_t)
        Written in place, SI units, in the order of ``RECOMPUTED``.
    """
    i = p.index
    for k in range(time.shape[0]):
        t, x, row = time[k], X[k], R[k]
        w.t_0 = t
        w.thrust, w.normal = row[_THRUST], row[_NORMAL]
        w.area_a, w.area_b = row[_AREA_A], row[_AREA_B]
        w.merged_a, w.merged_b = row[_MERGED_A], row[_MERGED_B]
        w.brake, w.brake_position = row[_BRAKE], row[_BRAKE_POSITION]
        q_PA, q_BT, q_PB, q_AT = valve_flows(t, x, p)
        states = load_states(x, p)
        inputs = load_inputs(t, x, w, p)
        rates = load_block.derivative(t, states, inputs, p.load)
        out[0, k] = q_PA - q_AT
        out[1, k] = q_BT - q_PB
        out[2, k] = q_PA + q_PB + valve_block.pilot_flow(x[i.supply_pressure], p.valve)
        out[3, k] = inputs[0]
        out[4, k] = load_block.output(t, states, inputs, p.load)[4]
        out[5, k] = inputs[1]
        out[6, k] = load_block.brake_force(
            x[i.table_position], x[i.table_velocity], w.brake, w.brake_position, p.load
        )
        out[7, k] = controller_block.load_pressure(x[i.pressure_a], x[i.pressure_b], p.controller)
        out[8, k] = rates[3]
