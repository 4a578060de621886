"""What a simulation returns: the run, its status, and its labelled traces."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from servosim.axis import Axis
from servosim.program import Move

if TYPE_CHECKING:
    import xarray


class Status(IntEnum):
    """How a run ended."""

    COMPLETE = 0
    NOT_FINITE = 1
    STEP_LIMIT = 2
    INTERRUPTED = 3
    REFUSED = 4  # it could not begin


@dataclass(frozen=True)
class Event:
    """Something a user must know about a run.

    Attributes
    ----------
    kind : str
        ``cavitation``, ``end_stop``, ``brake_slip``, ``check_stays_shut``, ``check_passes``,
        ``valve_saturation``, ``pressure_too_high``, ``supply_sags``, ``locked_outside_window``,
        ``opened_under_thrust``,
        ``lock_never_closed``, ``lock_never_opened``.
    time : float
        First time [s].
    state : str
        Name of the state concerned.
    value, limit : float
        Its value then and the limit that it passed [SI unit of the state].
    samples : int
        Number of samples for which it held.
    sentence : str
        What happened, when, and what to try.
    """

    kind: str
    time: float
    state: str
    value: float
    limit: float
    samples: int
    sentence: str


@dataclass(frozen=True)
class Standing:
    """Where a run ended, so that another can go on from there.

    Attributes
    ----------
    state : ndarray, shape (n_states,)
        All states at the last sample [SI].
    memory : ndarray, shape (n_memory,)
        Memory of sequence, plays and controller before that sample, which the next run does again.
    """

    state: NDArray[np.float64]
    memory: NDArray[np.float64]


@dataclass(frozen=True)
class Run:
    """One simulated move.

    Attributes
    ----------
    axis : Axis
        The axis that moved.
    move : Move
        The move.
    status : Status
        How the run ended.
    message : str
        The same in a sentence, with time, state, value, limit and remedy if it failed.
    events : tuple of Event
        What happened on the way.
    time : ndarray, shape (n_t,)
        Samples [s].
    states : ndarray, shape (n_t, n_states)
        States at the samples [SI], in the order of ``axis.parameters.index``.
    record : ndarray, shape (n_t, n_record)
        What the control side did, see ``servosim._samples.RECORD``.
    memory : ndarray
        Memory of sequence and controller after the run.
    extremes : ndarray, shape (4, 2)
        Highest pressure of A and B, lowest of A and B [Pa], each with its time [s].
    steps : int
        Integration steps.
    compile_time, run_time : float
        Seconds spent in making the kernels ready and in the run.
    version : str
        Version of servosim.
    options : dict
        Options of the simulation, with which it can be made again.
    standing : Standing or None
        Where another run can go on, if that was asked for.
    """

    axis: Axis
    move: Move
    status: Status
    message: str
    events: tuple[Event, ...]
    time: NDArray[np.float64]
    states: NDArray[np.float64]
    record: NDArray[np.float64]
    memory: NDArray[np.float64]
    extremes: NDArray[np.float64]
    steps: int
    compile_time: float
    run_time: float
    version: str
    options: dict[str, Any] = field(default_factory=dict)
    standing: Standing | None = None

    def state(self, name: str) -> NDArray[np.float64]:
        """Return the trace of a state.

        Parameters
        ----------
        name : str
            Name, see ``servosim._equations.STATES``.

        Returns
        -------
        ndarray, shape (n_t,)
            Values at the samples [SI].
        """
        column: NDArray[np.float64] = self.states[:, getattr(self.axis.parameters.index, name)]
        return column

    @cached_property
    def traces(self) -> dict[str, NDArray[np.float64]]:
        """Every signal by name, shape (n_t,), SI units; see ``servosim.traces.SIGNALS``."""
        from servosim.traces import traces_of

        return traces_of(self)

    @cached_property
    def data(self) -> xarray.Dataset:
        """Labelled traces over ``time`` with units, parameters and version in the attributes."""
        from servosim.traces import dataset_of

        return dataset_of(self)
