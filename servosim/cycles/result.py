"""What a run over a list of positions returns: table, totals, warnings, traces; and a stop."""

from __future__ import annotations

import csv
import math
import os
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from servosim._netcdf import write_dataset
from servosim._whole_file import whole_file
from servosim.axis import Axis
from servosim.cycles.figures import COLUMNS, PARTS, STOP_FIGURES, TOTALS, TRACES
from servosim.cycles.positions import PositionList
from servosim.params import dumps
from servosim.result import Event, Run

if TYPE_CHECKING:
    import xarray

__all__ = ["COLUMNS", "PARTS", "STOP_FIGURES", "TOTALS", "TRACES", "Cycle", "Stop", "Warned"]

COMPLETE, STOPPED, INTERRUPTED = "complete", "stopped", "interrupted"


@dataclass(frozen=True)
class Warned:
    """One kind of event over the whole cycle.

    Attributes
    ----------
    kind : str
        Kind of the event, see :class:`servosim.result.Event`, or ``unsettled``.
    count : int
        Positions at which it happened.
    line : int
        Line of the list where it happened first.
    time : float
        Time of the cycle when it happened first [s].
    sentence : str
        What happened there, and what to try; the time in it counts from the start of that move.
    """

    kind: str
    count: int
    line: int
    time: float
    sentence: str


@dataclass(frozen=True)
class Cycle:
    """A list of positions, run as one.

    Attributes
    ----------
    axis : Axis
        The axis.
    positions : PositionList
        The list that was to be run.
    table : dict of str to ndarray, shape (n,)
        Columns of ``COLUMNS`` [SI] for the n positions that were done, overruns among them; nan
        where a position doesn't hold a figure.
    events : tuple of tuple of str
        Of each position what happened, in sentences.
    totals : dict of str to float
        Figures of ``TOTALS`` [SI] over what was done; nan where there is none.
    warnings : tuple of Warned
        What happened, by kind, the most frequent first.
    traces : dict of str to ndarray, shape (n_t,)
        Signals of ``TRACES`` [SI] over the time of the cycle, decimated: each is the value at its
        sample, so that peaks between are missing, which stand in the table.
    interval : float
        Time between the points of the traces [s].
    status : str
        ``complete``; ``stopped`` if a position could not be done; ``interrupted`` by the user.
    message : str
        How it ended, with line, reason and remedy.
    last : Run or None
        The run of the position at which the cycle stopped, from its beginning, else None.
    seed : int
        Seed of the noise.
    version : str
        Version of servosim.
    """

    axis: Axis
    positions: PositionList
    table: dict[str, NDArray[np.float64]]
    events: tuple[tuple[str, ...], ...]
    totals: dict[str, float]
    warnings: tuple[Warned, ...]
    traces: dict[str, NDArray[np.float64]]
    interval: float
    status: str
    message: str
    last: Run | None
    seed: int
    version: str

    @property
    def interrupted(self) -> bool:
        """Whether the user interrupted it."""
        return self.status == INTERRUPTED

    @property
    def done(self) -> int:
        """Number of positions that were done, overruns among them."""
        return len(self.table["line"])

    @property
    def comments(self) -> tuple[str, ...]:
        """Comment of each position that was done."""
        return tuple(one.comment for one in self.positions.positions[: self.done])

    def dataset(self) -> xarray.Dataset:
        """Return table and traces, labelled.

        Returns
        -------
        xarray.Dataset
            Columns of the table over ``place``, traces over ``trace_time`` [s] with the prefix
            ``trace_``, each with ``units`` and ``long_name``; totals in the attributes with the
            prefix ``total_``, and what is needed to run the cycle again.
        """
        import xarray

        variables: dict[str, Any] = {}
        for name, values in self.table.items():
            unit, meaning = COLUMNS[name]
            variables[name] = ("place", values, {"units": unit, "long_name": meaning})
        for name, values in self.traces.items():
            if name != "time":
                unit, meaning = TRACES[name]
                labels = {"units": unit, "long_name": meaning}
                variables[f"trace_{name}"] = ("trace_time", values, labels)
        variables["comment"] = ("place", np.array(self.comments, dtype=str))
        variables["events"] = ("place", np.array(["\n".join(e) for e in self.events], dtype=str))
        labels = {"units": "s", "long_name": TRACES["time"][1]}
        time = ("trace_time", self.traces["time"], labels)
        return xarray.Dataset(
            variables,
            coords={"place": np.arange(self.done), "trace_time": time},
            attrs={
                "title": self.positions.title or self.axis.file.title,
                "list": self.positions.path,
                "version": self.version,
                "status": self.status,
                "message": self.message,
                "warnings": "\n".join(f"{w.kind}: {w.count}" for w in self.warnings),
                "parameters": dumps(self.axis.file),
                "seed": self.seed,
                "trace_interval": self.interval,
                **{f"total_{name}": value for name, value in self.totals.items()},
            },
        )

    def write_netcdf(self, path: str | os.PathLike[str]) -> None:
        """Write table and traces as NetCDF.

        Parameters
        ----------
        path : str or os.PathLike
            The file; it is written beside and renamed.

        Raises
        ------
        ParameterError
            If the file cannot be written.
        """
        with whole_file(path) as beside:
            write_dataset(self.dataset(), beside)

    def as_dict(self) -> dict[str, Any]:
        """Return everything but the traces in plain values for JSON; a figure not held is None.

        Returns
        -------
        dict
            ``status``, ``message``, ``seed``, ``version``, ``list``, ``totals``, ``warnings`` and
            ``positions``, one object for each that was done; SI units.
        """
        rows = []
        for k in range(self.done):
            row: dict[str, Any] = {
                name: _plain(values[k].item(), name) for name, values in self.table.items()
            }
            row["comment"], row["events"] = self.comments[k], list(self.events[k])
            rows.append(row)
        return {
            "status": self.status,
            "message": self.message,
            "seed": self.seed,
            "version": self.version,
            "list": self.positions.path,
            "title": self.positions.title,
            "positions_in_list": len(self.positions.positions),
            "totals": {name: _plain(value, name) for name, value in self.totals.items()},
            "warnings": [vars(warned).copy() for warned in self.warnings],
            "positions": rows,
        }

    def write_csv(self, path: str | os.PathLike[str]) -> None:
        """Write the table as text with commas, each column headed by name and unit.

        Parameters
        ----------
        path : str or os.PathLike
            The file; it is written beside and renamed. Numbers are SI and read back bit for bit; an
            empty cell is a figure that a position doesn't hold.

        Raises
        ------
        ParameterError
            If the file cannot be written.
        """
        header = [f"{name} [{COLUMNS[name][0]}]" for name in self.table]
        with whole_file(path) as beside, beside.open("x", encoding="utf-8", newline="") as stream:
            writer = csv.writer(stream, lineterminator="\n")
            writer.writerow([*header, "comment", "events"])
            for k, row in enumerate(zip(*self.table.values(), strict=True)):
                named = zip(self.table, row, strict=True)
                cells = [_plain(value.item(), name) for name, value in named]
                writer.writerow([*cells, self.comments[k], " ".join(self.events[k])])


@dataclass(frozen=True)
class Stop:
    """A stop in the middle of a move.

    Attributes
    ----------
    case : str
        Key of :data:`servosim.cycles.stops.CASES`.
    title : str
        What happens, in a few words.
    before : Run
        The move up to the fault.
    run : Run
        From the fault on; its time counts from the fault.
    figures : dict of str to float
        Figures of ``STOP_FIGURES`` [SI]; nan where there is none.
    sentence : str
        How it went, in words.
    modelled : tuple of str
        How the fault is brought into the simulation, and what of it is left out.
    cautions : tuple of str
        What must not be concluded.
    events : tuple of Event
        What happened after the fault; times count from it.
    """

    case: str
    title: str
    before: Run
    run: Run
    figures: dict[str, float]
    sentence: str
    modelled: tuple[str, ...]
    cautions: tuple[str, ...]
    events: tuple[Event, ...]

    def traces(self) -> Mapping[str, NDArray[np.float64]]:
        """Return the signals before and after the fault as one.

        Returns
        -------
        mapping of str to ndarray, shape (n_t,)
            Signals of ``servosim.traces.SIGNALS`` and ``time`` [SI], which is zero at the fault;
            quantities that are summed up over time count from the start of the move.
        """
        first, second = self.before.traces, self.run.traces
        joined = {}
        for name, values in first.items():
            later = second[name]
            if name in ("supplied_energy", "mechanical_work", "heat", "drawn_volume"):
                later = later + values[-1]
            joined[name] = np.concatenate([values[:-1], later])
        time = self.before.time - self.before.time[-1]
        joined["time"] = np.concatenate([time[:-1], self.run.time])
        return joined

    def as_dict(self) -> dict[str, Any]:
        """Return case, figures and words in plain values for JSON; a figure not held is None."""
        return {
            "case": self.case,
            "title": self.title,
            "sentence": self.sentence,
            "figures": {name: _plain(value, name) for name, value in self.figures.items()},
            "events": [event.sentence for event in self.events],
            "modelled": list(self.modelled),
            "cautions": list(self.cautions),
        }


_WHOLE = ("line", "positions", "overruns", "unsettled", "overrun")


def _plain(value: float, name: str) -> float | int | None:
    """Return a number for JSON: None for one that is not finite, whole ones as such."""
    if not math.isfinite(value):
        return None
    return int(value) if name in _WHOLE else value
