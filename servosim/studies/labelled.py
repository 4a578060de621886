"""Labelled figures of many cases: where they are kept, and the data set over them.

The data set is lazy: it reads a variable when it is asked for it, and keeps none, so that a study
of a million cases on the disk opens at once.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import NDArray

from servosim._definitions import DEFINITIONS
from servosim.params import dumps
from servosim.result import Status
from servosim.traces import SIGNALS

if TYPE_CHECKING:
    import xarray

    from servosim.studies.plan import Plan

EVENT_KINDS = (
    "cavitation",
    "end_stop",
    "brake_slip",
    "check_stays_shut",
    "check_passes",
    "valve_saturation",
    "pressure_too_high",
    "supply_sags",
    "locked_outside_window",
    "opened_under_thrust",
    "lock_never_closed",
    "lock_never_opened",
)
Which = slice | NDArray[np.int64] | None


class Cases(Protocol):
    """What is known of the cases of a study, one after the other in the order of its plan."""

    @property
    def time(self) -> NDArray[np.float64]:
        """Samples of the traces [s]; empty without traces."""

    @property
    def version(self) -> str:
        """Version of servosim that simulated them."""

    def column(self, name: str, which: Which = None) -> NDArray[Any]:
        """Return a figure [SI], ``status``, ``reason`` or ``event_<kind>`` of the cases."""

    def trace(self, name: str, which: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return a signal of some cases [SI], shape (n_case, n_t)."""


@dataclass(frozen=True)
class Kept:
    """Cases kept in memory.

    Parameters
    ----------
    columns : mapping of str to ndarray, shape (n_case,)
        Figures [SI], ``status``, ``reason`` and ``event_<kind>``.
    traces : mapping of str to ndarray, shape (n_case, n_t), optional
        Signals [SI].
    time : ndarray, shape (n_t,), optional
        Samples of the traces [s].
    version : str, optional
        Version of servosim.
    """

    columns: Mapping[str, NDArray[Any]]
    traces: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)
    time: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    version: str = ""

    def column(self, name: str, which: Which = None) -> NDArray[Any]:
        """Return a column of the cases.

        Parameters
        ----------
        name : str
            A figure, ``status``, ``reason`` or ``event_<kind>``; an event that no case has may be
            missing.
        which : slice or ndarray, optional
            Cases wanted; all if none are given.

        Returns
        -------
        ndarray, shape (n,)
            Figures in SI units.
        """
        if name.startswith("event_") and name not in self.columns:
            values: NDArray[Any] = np.zeros(len(self.columns["status"]), dtype=bool)
        else:
            values = self.columns[name]
        return values if which is None else values[which]

    def trace(self, name: str, which: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return a signal of some cases.

        Parameters
        ----------
        name : str
            Name of the signal.
        which : ndarray of int, shape (n,)
            Cases wanted.

        Returns
        -------
        ndarray, shape (n, n_t)
            Values [SI].
        """
        return self.traces[name][which]


def coordinates_of(plan: Plan) -> dict[str, Any]:
    """Return the coordinates of a study's data set.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    dict of str to (dims, values, attributes)
        Parameters [SI], number and seed of each case.
    """
    found: dict[str, Any] = {}
    for name, (dim, values, unit) in plan.coordinates.items():
        held = np.asarray(values, dtype=object) if _texts(values) else np.asarray(values)
        found[name] = (dim, held, {"units": unit} if unit else {})
    shape = plan.shape
    number = np.arange(plan.n).reshape(shape)
    what = "number of the case, as the command line takes it"
    found["case_number"] = (plan.dims, number, {"units": "1", "long_name": what})
    seeds = np.asarray(plan.seeds).reshape(shape)
    found["seed"] = (plan.dims, seeds, {"units": "1", "long_name": "seed of the noise"})
    return found


def _texts(values: Any) -> bool:
    return len(values) > 0 and isinstance(values[0], str)


def dataset_of(plan: Plan, cases: Cases) -> xarray.Dataset:
    """Return the labelled figures of a study.

    Parameters
    ----------
    plan : Plan
        What was simulated.
    cases : Cases
        What came out.

    Returns
    -------
    xarray.Dataset
        Over the dimensions of the plan: figures with ``units`` and ``long_name``, ``status`` with
        its meanings, ``reason``, ``event_<kind>``, and signals over ``time`` too. Parameters, case
        numbers and seeds are coordinates. Values are read when they are asked for.
    """
    import xarray

    variables: dict[str, Any] = {}

    def add(name: str, dtype: Any, attributes: dict[str, Any]) -> None:
        variables[name] = (plan.dims, _lazy(plan, cases, name, dtype), attributes)

    for name, (unit, definition) in DEFINITIONS.items():
        add(name, np.float64, {"units": unit, "long_name": definition})
    flags = {
        "flag_values": np.array([int(one) for one in Status], dtype=np.int8),
        "flag_meanings": " ".join(one.name.lower() for one in Status),
    }
    add("status", np.int8, {"long_name": "how the case ended", **flags})
    add("reason", np.object_, {"long_name": "why the case did not run to its end"})
    for kind in EVENT_KINDS:
        words = kind.replace("_", " ")
        add(f"event_{kind}", np.bool_, {"long_name": f"whether the case has the event {words}"})
    coordinates = coordinates_of(plan)
    if len(cases.time):
        coordinates["time"] = ("time", cases.time, {"units": "s", "long_name": "time"})
        for name in plan.traces:
            unit, meaning = SIGNALS[name]
            lazy = _lazy(plan, cases, name, np.float64, len(cases.time))
            given = {"units": unit, "long_name": meaning}
            variables[name] = ((*plan.dims, "time"), lazy, given)
    limits = {
        name: [end if math.isfinite(end) else None for end in (one.low, one.high)]
        for name, one in plan.limits.items()
    }
    return xarray.Dataset(
        variables,
        coords=coordinates,
        attrs={
            "title": plan.title or plan.axis.file.title,
            "version": cases.version,
            "fingerprint": str(getattr(cases, "fingerprint", "")) or plan.fingerprint,
            "design": json.dumps(plan.design, ensure_ascii=False),
            "parameters": dumps(plan.axis.file),
            "tolerance": float(plan.tolerance),
            "limits": json.dumps(limits),
        },
    )


def _lazy(plan: Plan, cases: Cases, name: str, dtype: Any, samples: int = 0) -> Any:
    """Return an array that reads its values when it is indexed."""
    from xarray.core import indexing

    return indexing.LazilyIndexedArray(_bare(plan, cases, name, dtype, samples))


def _bare(plan: Plan, cases: Cases, name: str, dtype: Any, samples: int) -> Any:
    """Return the array behind :func:`_lazy`; a pickle of it is what this is called with."""
    from xarray.backends import BackendArray
    from xarray.core import indexing

    class Lazy(BackendArray):
        """One variable of the cases, in the shape of the plan."""

        def __init__(self) -> None:
            self.dtype = np.dtype(dtype)
            self.shape = (*plan.shape, samples) if samples else plan.shape

        def __reduce__(self) -> Any:
            return _bare, (plan, cases, name, dtype, samples)

        def __getitem__(self, key: Any) -> Any:
            basic = indexing.IndexingSupport.BASIC
            return indexing.explicit_indexing_adapter(key, self.shape, basic, self._get)

        def _get(self, key: tuple[Any, ...]) -> NDArray[Any]:
            n_dims = len(plan.shape)
            if not samples and all(one == slice(None) for one in key):
                return cases.column(name).reshape(plan.shape)
            which = np.arange(plan.n).reshape(plan.shape)[key[:n_dims]]
            flat, back = np.unique(which, return_inverse=True)
            if samples:
                values = cases.trace(name, flat)[back.ravel()][..., key[n_dims]]
                return values.reshape((*np.shape(which), *values.shape[1:]))
            return cases.column(name, flat)[back.ravel()].reshape(np.shape(which))

    return Lazy()
