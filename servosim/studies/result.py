"""The result of a study: labelled figures, and the questions that one asks of many cases."""

from __future__ import annotations

import difflib
import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from servosim._definitions import DEFINITIONS
from servosim._netcdf import write_dataset
from servosim._whole_file import whole_file
from servosim.errors import Fault, ParameterError
from servosim.result import Run, Status
from servosim.studies import sensitivity as _sensitivity
from servosim.studies.labelled import (
    EVENT_KINDS,
    Cases,
    Kept,
    coordinates_of,
    dataset_of,
)
from servosim.studies.limits import Limit, limits_of
from servosim.studies.selection import cases_at, draws_of, factors_of
from servosim.studies.sensitivity import Effect, Indices
from servosim.studies.statistics import (
    LOW_IS_WORSE,
    Failure,
    Share,
    Worst,
    Yield,
    failures_of,
    meets,
    percentiles_over,
    share_of,
    worst_first,
)

if TYPE_CHECKING:
    import xarray

    from servosim.studies.plan import Plan

__all__ = [
    "Cases",
    "Effect",
    "Failure",
    "Indices",
    "Kept",
    "Share",
    "StudyResult",
    "Worst",
    "Yield",
]

Array = NDArray[np.float64]
_MOST_BYTES = 60_000_000  # of the figures that stay in memory once they were read
USUAL = (
    "settled",
    "settling_time",
    "overshoot",
    "following_error_peak",
    "resting_error",
    "resting_error_locked",
    "lock_shift",
    "thrust_deflection",
    "unlock_bump",
    "pressure_max",
    "supply_pressure_min",
    "cavitation_time",
)


@dataclass(frozen=True)
class StudyResult:
    """What the cases of a study gave.

    Statistics use the figures of cases that ran to their end; a case that failed, or whose run does
    not hold a figure, has nan there and passes no limit of it.

    Parameters
    ----------
    plan : Plan
        What was simulated.
    cases : Cases
        What came out, in memory or on the disk.
    """

    plan: Plan
    cases: Cases

    def __len__(self) -> int:
        return self.plan.n

    @cached_property
    def data(self) -> xarray.Dataset:
        """Labelled figures over the dimensions of the plan, read when they are asked for."""
        return dataset_of(self.plan, self.cases)

    def write_netcdf(self, path: str | os.PathLike[str]) -> None:
        """Write the labelled figures as NetCDF.

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
            write_dataset(self.data, beside)

    @cached_property
    def status(self) -> NDArray[np.int8]:
        """How each case ended, shape (n_case,), see :class:`servosim.Status`."""
        return np.asarray(self.cases.column("status"))

    def figure(self, metric: str) -> Array:
        """Return a figure of all cases in their order.

        Parameters
        ----------
        metric : str
            Name of the figure.

        Returns
        -------
        ndarray, shape (n_case,)
            Values [SI], nan where the case failed or its run does not hold the figure.

        Raises
        ------
        ParameterError
            If there is no such figure.
        """
        _known(metric)
        held = self._held
        if metric not in held:
            while held and sum(one.nbytes for one in held.values()) > _MOST_BYTES - 8 * len(self):
                held.pop(next(iter(held)))
            values = np.asarray(self.cases.column(metric), dtype=np.float64)
            values = np.where(self.status == Status.COMPLETE, values, np.nan)
            values.setflags(write=False)
            held[metric] = values
        return held[metric]

    @cached_property
    def _held(self) -> dict[str, Array]:
        """Figures that were read, the oldest first; the oldest are let go of."""
        return {}

    @cached_property
    def factors(self) -> tuple[tuple[str, ...], ...]:
        """Paths of the parameters that vary, those that vary together as one group."""
        return factors_of(self.plan)

    @cached_property
    def main_metrics(self) -> tuple[str, ...]:
        """Figures of a summary: those with limits, and the usual ones that any case holds."""
        others = [name for name in USUAL if name not in self.plan.limits]
        held = [name for name in others if not np.isnan(self.figure(name)).all()]
        return (*self.plan.limits, *held)

    def labelled(self, metric: str) -> xarray.DataArray:
        """Return a figure over the dimensions of the plan.

        Parameters
        ----------
        metric : str
            Name of the figure.

        Returns
        -------
        xarray.DataArray
            Values [SI], nan where the case failed or its run does not hold the figure.

        Raises
        ------
        ParameterError
            If there is no such figure.
        """
        return self._over(self.figure(metric), metric)

    def _over(self, values: NDArray[Any], name: str) -> xarray.DataArray:
        import xarray

        unit, definition = DEFINITIONS.get(name, ("1", ""))
        return xarray.DataArray(
            values.reshape(self.plan.shape),
            dims=self.plan.dims,
            coords=coordinates_of(self.plan),
            name=name,
            attrs={"units": unit, "long_name": definition},
        )

    def percentiles(
        self, metric: str, percent: float | Sequence[float] = (5.0, 50.0, 95.0), *, over: Any = None
    ) -> xarray.DataArray:
        """Return percentiles of a figure over the cases that hold it.

        Parameters
        ----------
        metric : str
            Name of the figure.
        percent : float or sequence of float, optional
            Which [%].
        over : str or sequence of str, optional
            Dimensions to take together; all of them if none are given.

        Returns
        -------
        xarray.DataArray
            Values [SI] over ``percentile`` and the other dimensions, nan where no case holds it.

        Raises
        ------
        ParameterError
            If there is no such figure.
        """
        import xarray

        labelled = self.labelled(metric)
        dims = list(self.plan.dims) if over is None else [over] if isinstance(over, str) else over
        for dim in dims:
            if dim not in labelled.dims:
                known = " or ".join(self.plan.dims)
                raise ParameterError(
                    Fault("", "", "over", f"{dim!r} is no dimension of the study", known)
                )
        percent = (percent,) if isinstance(percent, int | float) else tuple(percent)
        for one in percent:
            if not 0.0 <= one <= 100.0:
                raise ParameterError(Fault("", "", "percent", f"{one!r} %", "0 to 100 %"))
        axes = tuple(labelled.dims.index(dim) for dim in dims)
        rest = [dim for dim in labelled.dims if dim not in dims]
        kept = {k: v for k, v in labelled.coords.items() if set(v.dims) <= set(rest) and v.dims}
        found = xarray.DataArray(
            percentiles_over(labelled.values, axes, percent),
            dims=("percentile", *rest),
            coords=kept,
            name=metric,
            attrs=labelled.attrs,
        )
        return found.assign_coords(percentile=("percentile", list(percent), {"units": "%"}))

    def passed(self, limits: Mapping[str, Any] | None = None) -> xarray.DataArray:
        """Return which cases meet all limits.

        Parameters
        ----------
        limits : mapping of str to object, optional
            By figure, such as ``{"settling_time": {"high": "2.2 s"}}``; the plan's own if none are
            given.

        Returns
        -------
        xarray.DataArray
            True or false over the dimensions of the plan.

        Raises
        ------
        ParameterError
            If there are no limits or a figure is unknown.
        """
        met = np.ones(len(self), dtype=bool)
        for metric, one in self._limits(limits).items():
            met &= meets(self.figure(metric), one.low, one.high)
        return self._over(met, "passed")

    def _limits(self, limits: Mapping[str, Any] | None) -> Mapping[str, Limit]:
        found = self.plan.limits if limits is None else limits_of(limits)
        if not found:
            raise ParameterError(
                Fault(what="the study has no limits", expected="limits to judge by")
            )
        return found

    def yield_(
        self,
        limits: Mapping[str, Any] | None = None,
        *,
        at: Mapping[str, Any] | None = None,
        confidence: float = 0.95,
    ) -> Yield:
        """Return the share of the cases that meet the limits, with its confidence interval.

        Parameters
        ----------
        limits : mapping of str to object, optional
            By figure, such as ``{"settling_time": {"high": "2.2 s"}}``; the plan's own if none are
            given.
        at : mapping of str to float or str, optional
            Point of the grid whose cases count: dimension to value (text with unit, or SI).
        confidence : float, optional
            Of the interval [-].

        Returns
        -------
        Yield
            Overall, and of each limit. Cases that failed and figures that are missing don't pass. A
            share has an interval if its cases were drawn at random: over the points of a grid or a
            list of cases it is a count, and no chance.

        Raises
        ------
        ParameterError
            If there are no limits, or a name or value is unknown.
        """
        asked = self._limits(limits)
        _confident(confidence)
        which = cases_at(self.plan, at)
        draws, note = self.draws(at)
        flat = which.ravel()
        overall = np.ones(len(flat), dtype=bool)
        each = {}
        for metric, one in asked.items():
            met = meets(self.figure(metric)[flat], one.low, one.high)
            each[metric] = share_of(met, confidence, draws)
            overall &= met
        return Yield(share_of(overall, confidence, draws), each, confidence, note)

    def draws(self, at: Mapping[str, Any] | None = None) -> tuple[NDArray[np.int64] | None, str]:
        """Return which cases were drawn at random together, on which confidence stands.

        Parameters
        ----------
        at : mapping of str to float or str, optional
            Point of the grid whose cases count, see :meth:`yield_`.

        Returns
        -------
        ndarray of int, shape (n_case,), or None
            Number of the draw of each case, -1 for one that is a mixture of others; None if the
            cases were not drawn at random.
        str
            The same in words.

        Raises
        ------
        ParameterError
            If a name or value is unknown.
        """
        return draws_of(self.plan, cases_at(self.plan, at))

    def worst(self, metric: str, n: int = 5) -> tuple[Worst, ...]:
        """Return the worst cases of a figure, the worst first.

        Parameters
        ----------
        metric : str
            Name of the figure.
        n : int, optional
            How many at most.

        Returns
        -------
        tuple of Worst
            Number, seed, figure [SI] and changed values. The worst lie farthest toward the limit of
            the plan; without one they are the largest in size (the lowest of ``settled`` and of
            the lowest pressures). Cases without the figure are not among them, see
            :meth:`missing`.

        Raises
        ------
        ParameterError
            If there is no such figure.
        """
        values, limit = self.figure(metric), self.plan.limits.get(metric)
        n = _whole("n", n)
        if n < 0:
            raise ParameterError(Fault("", "", "n", f"{n} cases", "zero or more"))
        low, high = (-math.inf, math.inf) if limit is None else (limit.low, limit.high)
        found = worst_first(values, low, high, metric in LOW_IS_WORSE, n)
        return tuple(self._worst(int(k), float(values[k])) for k in found)

    def _worst(self, k: int, value: float) -> Worst:
        return Worst(k, int(self.plan.seeds[k]), value, dict(self.plan.changes(k)))

    def missing(self, metric: str) -> NDArray[np.int64]:
        """Return the cases that ran to their end and do not hold a figure.

        Parameters
        ----------
        metric : str
            Name of the figure.

        Returns
        -------
        ndarray of int, shape (n,)
            Case numbers.

        Raises
        ------
        ParameterError
            If there is no such figure.
        """
        return np.flatnonzero((self.status == Status.COMPLETE) & np.isnan(self.figure(metric)))

    @cached_property
    def failures(self) -> tuple[Failure, ...]:
        """Cases that did not run to their end, grouped by reason, the most frequent first."""
        failed = np.flatnonzero(self.status != Status.COMPLETE)
        if len(failed) == 0:
            return ()
        reasons = self.cases.column("reason", failed)
        return failures_of(self.status, dict(zip(failed.tolist(), map(str, reasons), strict=True)))

    @cached_property
    def events(self) -> dict[str, int]:
        """Number of cases with each kind of event, those with none left out."""
        counts = {kind: int(self.cases.column(f"event_{kind}").sum()) for kind in EVENT_KINDS}
        return {kind: count for kind, count in counts.items() if count}

    def rerun(self, case: int) -> Run:
        """Simulate one case alone; its figures are those of the study, bit for bit.

        Parameters
        ----------
        case : int
            Its number.

        Returns
        -------
        Run
            The whole run with its traces, also if it failed on the way.

        Raises
        ------
        ParameterError
            If there is no such case, or the case was refused.
        """
        from servosim.simulate import simulate

        axis = self.plan.case_axis(self._number(case))
        return simulate(axis, tolerance=self.plan.tolerance, on_failure="return")

    def write_case(self, case: int, path: str | os.PathLike[str]) -> None:
        """Write the parameter file of one case.

        Parameters
        ----------
        case : int
            Its number.
        path : str or os.PathLike
            The file, which ``servosim move`` runs; it is written beside and renamed.

        Raises
        ------
        ParameterError
            If there is no such case, or the file cannot be written.
        """
        text = self.plan.case_file(self._number(case))
        with whole_file(path) as beside:
            beside.write_text(text, encoding="utf-8", newline="\n")

    def _number(self, case: int) -> int:
        case = _whole("case", case)
        if not 0 <= case < len(self):
            raise ParameterError(Fault(what=f"no case {case}", expected=f"0 to {len(self) - 1}"))
        return case

    def sensitivity(
        self, metric: str, *, at: Mapping[str, Any] | None = None, confidence: float = 0.95
    ) -> Indices:
        """Return Sobol indices of a figure from a study made for them.

        Parameters
        ----------
        metric : str
            Name of the figure.
        at : mapping of str to float or str, optional
            Point of the grid, and repeat, if the study has such dimensions.
        confidence : float, optional
            Of the intervals [-].

        Returns
        -------
        Indices
            First-order and total indices of each parameter. Blocks of cases with a case that failed
            are left out and counted.

        Raises
        ------
        ParameterError
            If the study was not made by ``method="sensitivity"``, or too few blocks are whole.
        """
        design = self.plan.design.get("sensitivity")
        if not design:
            what = f"Sobol indices of a study by {self.plan.design.get('method', 'grid')}"
            raise ParameterError(Fault(what=what, expected='a study by method "sensitivity"'))
        _confident(confidence)
        which = cases_at(self.plan, at)
        others = [
            d for d, n in zip(self.plan.dims, which.shape, strict=True) if d != "case" and n > 1
        ]
        if others:
            what = "Sobol indices are those of one point of the grid"
            raise ParameterError(Fault(what=what, expected=f"at= for {', '.join(others)}"))
        values = self.figure(metric)[which.ravel()]
        paths = {one.name: one.path for one in self.plan.inputs if one.dim == "case"}
        names = [paths.get(name, name) for name in design["problem"]["names"]]
        return _sensitivity.sobol_indices(values, names, confidence=confidence)

    def effects(self, metric: str) -> tuple[Effect, ...]:
        """Return how the mean of a figure changes over the range of each parameter.

        Parameters
        ----------
        metric : str
            Name of the figure.

        Returns
        -------
        tuple of Effect
            The largest change first; each says how it was found. Parameters that vary together
            appear once.

        Raises
        ------
        ParameterError
            If there is no such figure.
        """
        return _sensitivity.effects_of(self.plan, self.factors, self.figure(metric))


def _known(metric: Any) -> None:
    if not isinstance(metric, str) or metric not in DEFINITIONS:
        nearest = "".join(difflib.get_close_matches(str(metric), DEFINITIONS, 1))
        raise ParameterError(
            Fault("", "", str(metric), "no such figure", "a name of servosim.metrics", nearest)
        )


def _whole(name: str, value: Any) -> int:
    if isinstance(value, bool | np.bool_) or not isinstance(value, int | np.integer):
        raise ParameterError(Fault("", "", name, f"{value!r} cannot be used", "a whole number"))
    return int(value)


def _confident(confidence: Any) -> None:
    if not isinstance(confidence, int | float) or not 0.0 < confidence < 1.0:
        expected = "between 0 and 1, such as 0.95"
        raise ParameterError(Fault("", "", "confidence", f"{confidence!r}", expected))
