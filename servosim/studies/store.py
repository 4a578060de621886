"""The folder in which a study keeps what is finished, whole at any moment.

A store is a folder ``<name>.study``: ``study.json`` says whose it is, ``plan.npz`` holds the plan,
and each finished chunk is one NetCDF file ``cases_<first>_<last>.nc`` with the dimensions case,
metric, event and time. Only the process that leads the study writes here.

Why a NetCDF file a chunk rather than one Zarr store: a chunk has some forty variables, and one
rename makes all of them appear at once. In Zarr each variable's piece is an object of its own, a
piece that is missing reads as the fill value, so a study that was killed between two of them would
show figures that are not there; a journal beside it would have to mend that. HDF5 is a dependency
already, each file can be opened with xarray on its own, a variable of a chunk is read without the
others, and the one file that a user wants in the end is made from these chunk by chunk.

A file that is torn or damaged is computed again when the study is run again; a sound one of another
study is refused. Two processes that lead the same study at once do each other no harm: they write
the same numbers, each file whole.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim._definitions import DEFINITIONS
from servosim._whole_file import whole_file
from servosim.errors import Fault, ParameterError, StudyError
from servosim.studies.chunk_files import ChunkFile, Damaged, file_image
from servosim.studies.chunks import Figures, Span, spans_of
from servosim.studies.identity import (
    HEADER,
    differences,
    header_of,
    new_header,
    parts_of,
    refusal,
)
from servosim.studies.plan import Plan

SUFFIX = ".study"
PLAN = "plan.npz"
_EVENT = "event_"
_Which = slice | NDArray[np.int64] | None


def store_path(path: str | os.PathLike[str]) -> Path:
    """Return the folder of a store.

    Parameters
    ----------
    path : str or path
        As the user named it, with or without the suffix ``.study``.

    Returns
    -------
    pathlib.Path
        The folder.

    Raises
    ------
    ParameterError
        If that is no name of a folder.
    """
    try:
        folder = Path(path)
    except TypeError:
        what = f"{path!r} is no path"
        raise ParameterError(Fault("", "", "store", what, "the name of a folder")) from None
    if not folder.name or folder.name == "..":
        what = f"{str(path)!r} names no folder to make"
        raise ParameterError(Fault("", "", "store", what, "a name, such as 'map.study'"))
    return folder if folder.suffix == SUFFIX else folder.with_name(folder.name + SUFFIX)


def _file_name(span: Span) -> str:
    return f"cases_{span.first:08d}_{span.last:08d}.nc"


class Store:
    """A study's folder: the plan, and the figures of the chunks that are finished.

    Attributes
    ----------
    path : pathlib.Path
        The folder.
    plan : Plan
        The plan of all cases.
    version : str
        Version of servosim that computed it.
    spans : list of Span
        All chunks in order.
    """

    def __init__(self, path: Path, plan: Plan, header: dict[str, Any]) -> None:
        self.path, self.plan = path, plan
        self.version: str = header["version"]
        self.fingerprint: str = header["fingerprint"]
        self.spans = spans_of(len(plan), header["chunk"])

    def _chunk(self, span: Span) -> ChunkFile:
        return ChunkFile(self.path / _file_name(span), span, self.fingerprint)

    def finished(self) -> list[Span]:
        """Return the chunks whose files are there, without reading them."""
        names = {path.name for path in self.path.glob("cases_*.nc")}
        return [span for span in self.spans if _file_name(span) in names]

    def sound(self, look: Callable[[], Any] = lambda: None) -> list[Span]:
        """Return the chunks whose files are there and hold what was written, reading all of them.

        Parameters
        ----------
        look : callable, optional
            Called before each file; what it raises ends the check.

        Returns
        -------
        list of Span
            In order; a torn or damaged file is left out.

        Raises
        ------
        ParameterError
            If a file is one of another study.
        """
        good = []
        for span in self.finished():
            look()
            if self._is_sound(span):
                good.append(span)
        return good

    def _is_sound(self, span: Span) -> bool:
        try:
            with self._chunk(span) as chunk:
                for name in chunk.names():
                    chunk.read(name)
        except Damaged:
            return False
        return True

    def add(self, figures: Figures) -> None:
        """Write the file of a finished chunk.

        Parameters
        ----------
        figures : Figures
            The chunk.

        Raises
        ------
        StudyError
            If it cannot be written; what was finished before stays as it is.
        """
        image = file_image(figures, self.fingerprint)
        try:
            _keep(self.path / _file_name(figures.span), image, f"the figures of {figures.span}")
        except StudyError:
            # another process that leads the same study may have finished, and tidied up
            if not self._is_sound(figures.span):
                raise

    def tidy(self) -> None:
        """Remove what a killed process may have left half written, once all chunks are there."""
        for path in self.path.glob(".cases_*.nc"):
            path.unlink(missing_ok=True)

    def _need(self, span: Span) -> ChunkFile:
        """Return the file of a chunk that must be there."""
        if not (self.path / _file_name(span)).exists():
            done = sum(last - first for first, last in self.finished())
            raise StudyError(
                f"{self.path}: {span} are not computed yet, {done} of {len(self.plan)} cases are: "
                "run the same study again to finish it"
            )
        return self._chunk(span)

    def _gather(
        self,
        which: _Which,
        take: Callable[[ChunkFile, NDArray[np.int64]], NDArray[Any]],
    ) -> NDArray[Any]:
        """Return what ``take`` gives for the cases, chunk by chunk, in the order asked for."""
        wanted = np.arange(len(self.plan), dtype=np.int64)[slice(None) if which is None else which]
        order = np.argsort(wanted, kind="stable")
        rising = wanted[order]
        ends = np.searchsorted(rising, [span.last for span in self.spans])
        found: NDArray[Any] | None = None
        begin = 0
        for span, end in zip(self.spans, ends, strict=True):
            if end == begin and not (found is None and span is self.spans[-1]):
                continue
            try:
                with self._need(span) as chunk:
                    piece = take(chunk, rising[begin:end] - span.first)
            except Damaged as error:
                raise StudyError(
                    f"{error}. Run the same study again: this chunk is then computed anew"
                ) from None
            if found is None:
                found = np.empty((len(wanted), *piece.shape[1:]), dtype=piece.dtype)
            found[order[begin:end]] = piece
            begin = end
        assert found is not None
        return found

    def column(self, name: str, which: _Which = None) -> NDArray[Any]:
        """Return one figure of each case.

        Parameters
        ----------
        name : str
            A metric, ``status``, ``reason``, or ``event_<kind>``.
        which : slice or ndarray of int64, optional
            The cases; all if not given.

        Returns
        -------
        ndarray, shape (n_case,)
            Figures [SI]; int8 for the status, bool for an event, texts for reasons.

        Raises
        ------
        StudyError
            If a chunk is missing or damaged.
        KeyError
            If there is no such figure.
        """
        if name not in DEFINITIONS and name not in ("status", "reason") and _EVENT not in name:
            raise KeyError(name)

        def take(chunk: ChunkFile, rows: NDArray[np.int64]) -> NDArray[Any]:
            if name in ("status", "reason"):
                return chunk.read(name)[rows]
            if name in DEFINITIONS:
                return chunk.row("metrics", name, "metric")[rows]
            kind = name.removeprefix(_EVENT)
            if kind not in chunk.read("event"):
                return np.zeros(len(rows), dtype=np.bool_)
            return chunk.row("events", kind, "event")[rows].astype(np.bool_)

        return self._gather(which, take)

    def trace(self, name: str, which: _Which = None) -> NDArray[np.float64]:
        """Return a trace of each case.

        Parameters
        ----------
        name : str
            One of the plan's traces.
        which : slice or ndarray of int64, optional
            The cases; all if not given.

        Returns
        -------
        ndarray, shape (n_case, n_t)
            Values at ``time`` [SI], nan after the end of a run.

        Raises
        ------
        StudyError
            If a chunk is missing or damaged.
        KeyError
            If the study kept no such trace.
        """
        if name not in self.plan.traces:
            raise KeyError(name)

        def take(chunk: ChunkFile, rows: NDArray[np.int64]) -> NDArray[np.float64]:
            whole = np.full((len(rows), len(self.time)), np.nan)
            if name in chunk.names():  # else none of its cases could begin
                values = chunk.read(name)[rows]
                whole[:, : values.shape[1]] = values
            return whole

        return self._gather(which, take)

    @cached_property
    def time(self) -> NDArray[np.float64]:
        """Samples of the traces [s], those of the longest run; empty without traces."""
        longest = np.zeros(0)
        if self.plan.traces:
            for span in self.spans:
                with self._need(span) as chunk:
                    if "time" in chunk.names():
                        longest = max(longest, chunk.read("time"), key=len)
        return longest


def _keep(path: Path, data: bytes, what: str) -> None:
    """Write a file of a store whole, or say that the study cannot go on."""
    try:
        with whole_file(path) as place:
            place.write_bytes(data)
    except ParameterError as error:
        raise StudyError(
            f"The study stopped, because {what} could not be kept: {error.faults[0].file}: "
            f"{error.faults[0].what}. The disk may be full, or the folder gone or not to be "
            "written: make room."
        ) from None


def open_store(path: str | os.PathLike[str]) -> Store:
    """Open the folder of a study for reading.

    Parameters
    ----------
    path : str or path
        The folder.

    Returns
    -------
    Store
        Its plan and figures. The study may be unfinished: what is missing is refused when asked.

    Raises
    ------
    ParameterError
        If the folder is not that of a study.
    """
    folder = Path(path) if Path(path).is_dir() else store_path(path)
    header = header_of(folder)
    try:
        plan = Plan.unpack((folder / PLAN).read_bytes())
    except (OSError, ParameterError) as error:
        what = f"{PLAN} cannot be read: {error}"
        raise refusal(folder, what, "the plan of the study; run it again to write it") from None
    return Store(folder, plan, header)


def _others(folder: Path) -> list[str]:
    """Return what lies in a folder and is no part of a store."""
    return sorted(
        path.name
        for path in folder.iterdir()
        if path.name not in (HEADER, PLAN) and not path.match("*cases_*.nc")
        and not path.match(".study.*.json") and not path.match(".plan.*.npz")
    )  # fmt: skip


def prepare_store(
    path: str | os.PathLike[str], plan: Plan, chunk: int, *, fresh: bool = False
) -> Store:
    """Open the store of a plan to go on with it, or make it.

    Parameters
    ----------
    path : str or path
        The folder, with or without the suffix ``.study``.
    plan : Plan
        The plan.
    chunk : int
        Cases of a chunk, if the store is made; one that is there keeps its own.
    fresh : bool, optional
        Whether a store of another study is emptied instead of refused.

    Returns
    -------
    Store
        The store.

    Raises
    ------
    ParameterError
        If the folder holds another study or something else, or cannot be written.
    """
    folder = store_path(path)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        foreign = _others(folder)
    except OSError as error:
        what = f"cannot be used as a folder: {error.strerror or error}"
        raise refusal(folder, what, "a folder that can be made and written") from None
    if (folder / HEADER).exists():
        try:
            header = header_of(folder)
            if header["fingerprint"] == plan.fingerprint:
                return Store(folder, plan, header)
            what = (
                f"is the store of the study {header['fingerprint'][:16]}, this is "
                f"{plan.fingerprint[:16]}; what differs: "
                f"{differences(header['parts'], parts_of(plan))}"
            )
            expected = (
                "another name for this study, or the old one to be emptied on purpose "
                "(fresh=True, --fresh)"
            )
            raise refusal(folder, what, expected)
        except ParameterError:
            if not fresh:
                raise
        (folder / HEADER).unlink(missing_ok=True)
        for old in folder.glob("cases_*.nc"):
            old.unlink()
    elif foreign:
        what = f"holds {', '.join(foreign[:3])} and is no store of a study"
        raise refusal(folder, what, "a folder that is empty, new, or the store of this study")
    header = new_header(plan, chunk)
    text = json.dumps(header, ensure_ascii=False, indent=1) + "\n"
    _keep(folder / PLAN, plan.pack(), "its plan")
    _keep(folder / HEADER, text.encode(), "what it is")
    return Store(folder, plan, header)
