"""What the command line says of a study: for people, and as one JSON object.

Pure functions of a result; nothing is printed or written here.
"""

from __future__ import annotations

import math
import shlex
import textwrap
from collections.abc import Sequence
from typing import Any

import numpy as np

from servosim import units
from servosim._definitions import DEFINITIONS
from servosim._lines import columns
from servosim._practical import percentage
from servosim.commands.move_summary import CAUTION, shown, strict
from servosim.studies.limits import Limit
from servosim.studies.plan import Plan
from servosim.studies.result import Failure, Share, StudyResult, Worst
from servosim.studies.selection import RANDOM
from servosim.studies.statistics import percentiles_over
from servosim.version import __version__

PERCENT = (5.0, 50.0, 95.0)
CONFIDENCE = 0.95
_MOST_REASONS = 6
_WORST = 5
_WIDTH = 100
_INDENT = " " * 4


def figure_text(metric: str, value: float | None) -> str:
    """Return a figure in the unit of the trade; a share as a percentage.

    Parameters
    ----------
    metric : str
        Name of the figure.
    value : float or None
        Its value [SI].

    Returns
    -------
    str
        Four digits with the unit, "-" if there is none.
    """
    if metric == "valve_saturation" and value is not None and math.isfinite(value):
        return f"{100.0 * value:.4g} %"
    return shown(value, DEFINITIONS[metric][0])


def limit_text(metric: str, limit: Limit) -> str:
    """Return a limit in words."""
    low, high = (figure_text(metric, end) for end in (limit.low, limit.high))
    if math.isinf(limit.low):
        return f"at most {high}"
    return f"at least {low}" if math.isinf(limit.high) else f"{low} to {high}"


def changes_text(plan: Plan, changes: dict[str, Any]) -> str:
    """Return what makes a case, in the units of the parameter file, four digits."""
    parts = []
    spellings = {one.path: one.spelling for one in plan.inputs}
    for path, value in changes.items():
        if path == "move.seed":
            continue
        unit = spellings.get(path, "")
        if isinstance(value, str) or not unit:
            parts.append(f"{path} = {value}")
        else:
            number = f"{units.convert(float(value), unit) + 0.0:.4g}"
            parts.append(f"{path} = {number}" + ("" if unit == "1" else f" {unit}"))
    return ", ".join(parts)


def heading(name: str, plan: Plan) -> list[str]:
    """Return the lines that say what is about to be simulated.

    Parameters
    ----------
    name : str
        Study file or folder, as the user named it.
    plan : Plan
        The plan.

    Returns
    -------
    list of str
        File, title, axis, and how the cases are made.
    """
    method = str(plan.design.get("method") or "")
    drawn = f"samples {'for' if method == 'sensitivity' else 'by'} {_words(method)}"
    kinds = {"case": drawn if method in RANDOM else "cases of a list"}
    kinds["repeat"] = "repeats"
    for dim in plan.dims:
        others = sum(one.dim == dim for one in plan.inputs) - 1
        more = f" and {others} more" if others > 0 else ""
        kinds.setdefault(dim, f"values of {_words(dim)}{more}")
    sizes = " x ".join(
        f"{size} {kinds[dim]}" for dim, size in zip(plan.dims, plan.shape, strict=True)
    )
    return [
        name,
        f"  {plan.title}",
        "",
        f"axis        {': '.join(filter(None, (plan.axis.path, plan.axis.file.title)))}",
        f"cases       {plan.n}: {sizes or 'the axis as it is'}",
    ]


def summary(result: StudyResult, name: str, worst: str | None = None) -> list[str]:
    """Return what came out, as lines.

    Parameters
    ----------
    result : StudyResult
        The result.
    name : str
        Study file or folder, for the command that reruns a case.
    worst : str, optional
        Figure whose worst cases are listed; the first with a limit, or the first, if none is given.

    Returns
    -------
    list of str
        Cases and failures by reason, events, yield, percentiles, worst cases, how to rerun one.
    """
    failed = sum(one.count for one in result.failures)
    lines = [f"run         {len(result) - failed} to their end, {failed or 'none'} failed"]
    lines += _failure_lines(result.failures)
    settled = int((result.figure("settled") == 1.0).sum())
    lines.append(f"settled     {settled} of {len(result)}")
    lines += [
        f"event       {kind.replace('_', ' ')}: {_many(count)}"
        for kind, count in result.events.items()
    ]
    if result.plan.limits:
        lines += ["", *_yield_lines(result)]
    lines += ["", *_percentile_lines(result)]
    metric = worst or main_metric(result)
    if metric is not None:
        lines += ["", *_worst_lines(result, metric)]
    lines += [
        "",
        "one case alone, and its parameter file:",
        f"  servosim study {shlex.quote(name)} --case {_example(result, metric)}",
        f"  servosim study {shlex.quote(name)} --case {_example(result, metric)} --write case.toml",
        "",
        CAUTION,
    ]
    return lines


def main_metric(result: StudyResult) -> str | None:
    """Return the figure that a summary judges by: the first with a limit, or the first held."""
    names = [name for name in (*result.plan.limits, *result.main_metrics) if name != "settled"]
    return next(iter(names), next(iter(result.main_metrics), None))


def _many(count: int) -> str:
    return f"{count} case{'' if count == 1 else 's'}"


def _example(result: StudyResult, metric: str | None) -> int:
    """Return the number of a case worth a closer look."""
    found = result.worst(metric, 1) if metric is not None else ()
    return found[0].case if found else 0


def _failure_lines(failures: Sequence[Failure]) -> list[str]:
    lines = []
    for one in failures[:_MOST_REASONS]:
        reason = one.reason.strip().splitlines()
        lines.append(
            f"failed      {_many(one.count)} {one.status}, {_numbers(one.cases)}: "
            f"{reason[0] if reason else 'no reason given'}"
        )
    rest = failures[_MOST_REASONS:]
    if rest:
        count = sum(one.count for one in rest)
        lines.append(f"failed      {_many(count)} for {len(rest)} more reasons")
    return lines


def _numbers(cases: Any) -> str:
    """Return the first few case numbers."""
    shown_ones = ", ".join(str(int(one)) for one in cases[:5])
    return f"number {shown_ones}{', ...' if len(cases) > 5 else ''}"


def _share_cells(share: Share) -> tuple[str, str]:
    """Return a share and its interval as text."""
    within = f"{percentage(share.share)} %"
    if not math.isfinite(share.low):
        return within, "-"
    return within, f"{percentage(share.low)} to {percentage(share.high)} %"


def _yield_lines(result: StudyResult) -> list[str]:
    found = result.yield_(confidence=CONFIDENCE)
    rows = [("within limits", "limit", "cases", "share", f"{100 * CONFIDENCE:g} % interval")]
    for metric, share in found.each.items():
        limit = limit_text(metric, result.plan.limits[metric])
        rows.append((_words(metric), limit, f"{share.passed} of {share.n}", *_share_cells(share)))
    share = found.overall
    rows.append(("all of them", "", f"{share.passed} of {share.n}", *_share_cells(share)))
    note = "a case that failed, or lacks the figure, is not within"
    return [*columns(rows, ""), f"  {found.note}; {note}"]


def _words(metric: str) -> str:
    return metric.replace("_", " ")


def _percentile_lines(result: StudyResult) -> list[str]:
    rows = [("figure", *(f"{one:g} %" for one in PERCENT), "cases with it")]
    for metric in result.main_metrics:
        if metric == "settled":  # yes or no
            continue
        figures = result.figure(metric)
        values = percentiles_over(figures, (0,), PERCENT)
        count = int((~np.isnan(figures)).sum())
        cells = [figure_text(metric, float(value)) for value in values]
        rows.append((_words(metric), *cells, f"{count} of {len(result)}"))
    if len(rows) == 1:
        return ["no case holds a figure"]
    return [
        *columns(rows, ""),
        "  percentiles of the cases that ran to their end and hold the figure",
    ]


def _worst_lines(result: StudyResult, metric: str) -> list[str]:
    found = result.worst(metric, _WORST)
    lines = [f"worst of {_words(metric)}"]
    rows = [
        (f"case {one.case}", f"seed {one.seed}", figure_text(metric, one.value)) for one in found
    ]
    for line, one in zip(columns(rows), found, strict=True):
        lines.append(line)
        text = changes_text(result.plan, one.changes)
        lines += textwrap.wrap(text, _WIDTH, initial_indent=_INDENT, subsequent_indent=_INDENT)
    missing = result.missing(metric)
    if len(missing):
        lines.append(f"  without it: {_many(len(missing))}, {_numbers(missing)}")
    return lines


def as_json(result: StudyResult, name: str, worst: str | None = None) -> dict[str, Any]:
    """Return a study as values that strict JSON can hold.

    Parameters
    ----------
    result : StudyResult
        The result.
    name : str
        Study file or folder.
    worst : str, optional
        Figure whose worst cases are listed; the first with a limit, or the first, if none is given.

    Returns
    -------
    dict
        Version, plan, failures, events, yield, percentiles and worst cases in SI units; a value
        that is no finite number is None.
    """
    plan, metric = result.plan, worst or main_metric(result)
    failed = sum(one.count for one in result.failures)
    return strict(
        {
            "servosim": __version__,
            "file": name,
            "title": plan.title,
            "axis": plan.axis.path,
            "fingerprint": plan.fingerprint,
            "dims": dict(zip(plan.dims, plan.shape, strict=True)),
            "parameters": list(plan.paths),
            "design": plan.design,
            "cases": {"all": len(result), "complete": len(result) - failed, "failed": failed},
            "failures": [
                {
                    "status": one.status,
                    "reason": one.reason,
                    "count": one.count,
                    "cases": one.cases[:1000].tolist(),
                }
                for one in result.failures
            ],
            "events": result.events,
            "yield": _yield_json(result) if plan.limits else None,
            "percentiles": {one: _percentiles_json(result, one) for one in result.main_metrics},
            "worst": None if metric is None else _worst_json(result, metric),
        }
    )


def _percentiles_json(result: StudyResult, metric: str) -> dict[str, Any]:
    figures = result.figure(metric)
    unit, definition = DEFINITIONS[metric]
    values = percentiles_over(figures, (0,), PERCENT)
    return {
        "unit": unit,
        "definition": definition,
        "cases": int((~np.isnan(figures)).sum()),
        **{f"{one:g}": float(value) for one, value in zip(PERCENT, values, strict=True)},
    }


def _yield_json(result: StudyResult) -> dict[str, Any]:
    found = result.yield_(confidence=CONFIDENCE)

    def plain(share: Share) -> dict[str, Any]:
        return {
            "passed": share.passed,
            "cases": share.n,
            "share": share.share,
            "low": share.low,
            "high": share.high,
        }

    each = {
        metric: {
            "limit": {"low": plan_limit.low, "high": plan_limit.high},
            **plain(found.each[metric]),
        }
        for metric, plan_limit in result.plan.limits.items()
    }
    return {
        "overall": plain(found.overall),
        "each": each,
        "confidence": found.confidence,
        "note": found.note,
    }


def _worst_json(result: StudyResult, metric: str) -> dict[str, Any]:
    def plain(one: Worst) -> dict[str, Any]:
        return {"case": one.case, "seed": one.seed, "value": one.value, "changes": one.changes}

    missing = result.missing(metric)
    return {
        "metric": metric,
        "unit": DEFINITIONS[metric][0],
        "cases": [plain(one) for one in result.worst(metric, _WORST)],
        "without": {"count": len(missing), "cases": missing[:1000].tolist()},
    }
