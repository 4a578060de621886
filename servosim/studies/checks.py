"""What is wrong with the options of a study, or with what it varies together."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from servosim.errors import Fault, ParameterError
from servosim.params._values import nearest, shown
from servosim.studies.dimensions import Sampling
from servosim.studies.parameters import Parameter, base_value
from servosim.studies.plan import SEED
from servosim.studies.samples import METHODS

if TYPE_CHECKING:
    from servosim.axis import Axis

MOST_CASES = 100_000_000
NOISES = ("common", "varied")
_PERIOD = "controller.period"


def _is_whole(value: Any, least: int) -> bool:
    is_integer = isinstance(value, int | np.integer) and not isinstance(value, bool)
    return is_integer and value >= least


def option_faults(
    sampling: Sampling, seed: Any, noise: Any, repeats: Any, traces: Any, tolerance: Any
) -> list[Fault]:
    """Return what is wrong with the options on their own."""
    from servosim.traces import SIGNALS

    found: list[Fault] = []

    def refuse(key: str, raw: Any, expected: str, close: str = "") -> None:
        found.append(Fault("", "", key, f"{shown(raw)} cannot be used", expected, close))

    if sampling.samples is not None and not _is_whole(sampling.samples, 1):
        refuse("samples", sampling.samples, "a whole number, 1 or more")
    elif sampling.samples is not None and sampling.samples > MOST_CASES:
        refuse("samples", sampling.samples, f"at most {MOST_CASES}")
    if sampling.method not in METHODS:
        close = nearest(str(sampling.method), METHODS)
        refuse("method", sampling.method, f"one of {', '.join(METHODS)}", close)
    if not isinstance(sampling.correlation, Mapping):
        refuse("correlation", sampling.correlation, "a rank by pair of names")
    if not _is_whole(seed, 0):
        refuse("seed", seed, "a whole number, zero or more")
    if noise not in NOISES:
        refuse("noise", noise, " or ".join(NOISES), nearest(str(noise), NOISES))
    if not _is_whole(repeats, 1):
        refuse("repeats", repeats, "a whole number, 1 or more")
    if isinstance(traces, str) or not isinstance(traces, Iterable):
        refuse("traces", traces, "a list of signals")
    else:
        names = list(traces)
        for name in names:
            if not isinstance(name, str) or name not in SIGNALS:
                refuse("traces", name, "a name of a signal", nearest(str(name), SIGNALS))
        if not found and len(set(names)) < len(names):
            refuse("traces", names, "each signal once")
    if tolerance is not None:
        is_number = isinstance(tolerance, int | float) and not isinstance(tolerance, bool)
        if not is_number or not 0.0 < tolerance < math.inf:
            refuse("tolerance", tolerance, "a number, more than zero")
    return found


def together_faults(
    axis: Axis, varied: Sequence[Parameter], noise: Any, repeats: Any, traces: Any
) -> list[Fault]:
    """Return what is wrong with the parameters together."""
    found: list[Fault] = []
    chosen = {one.path.partition(".")[0] for one in varied if one.is_choice}
    seen: set[str] = set()
    for one in varied:
        table = one.path.partition(".")[0]
        if one.path in seen:
            found.append(one.fault("varies twice in this study", "one variation of it"))
        elif table not in chosen and base_value(axis.file, one) is None:
            found += _unread_faults(axis, one)
        seen.add(one.path)
    if SEED in seen and (noise == "varied" or repeats != 1):
        what = "varies, and the study gives seeds to the noise too"
        found.append(Fault("", "move", "seed", what, "one of both"))
    if traces and _PERIOD in seen:
        what = "varies, so that the cases have no samples in common to keep traces at"
        found.append(Fault("", "controller", "period", what, "no traces"))
    return found


def _unread_faults(axis: Axis, one: Parameter) -> list[Fault]:
    """Return why a parameter is not read, with the choices of the file as they are."""
    try:
        axis.replace({one.path: one.field.example.strip('"')})
    except ParameterError as error:
        same = [fault for fault in error.faults if f"{fault.table}.{fault.key}" == one.path]
        return [fault for fault in same if fault.what.startswith("not read")]
    return []
