"""How a study file states a variation, and which of its keys go together."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from servosim.errors import Fault
from servosim.params._values import nearest, shown
from servosim.studies.variations import (
    Between,
    Distributed,
    LogNormal,
    Normal,
    Sampled,
    Triangular,
    Uniform,
)

_NAMING = ("parameter", "parameters")
# distribution: class, keys that must be there, keys that may
_OWN: dict[str, tuple[Any, tuple[str, ...], tuple[str, ...]]] = {
    "uniform": (Uniform, ("low", "high"), ()),
    "normal": (Normal, ("mean", "standard_deviation"), ("low", "high")),
    "triangular": (Triangular, ("low", "mode", "high"), ()),
    "log_normal": (LogNormal, ("median", "factor"), ()),
}
_LIBRARY = (("unit",), ("shapes", "location", "scale"))
_WAYS = "values = [...], from = ... with to and points, or distribution = ..."


def variation_of(
    given: Mapping[str, Any], place: str
) -> tuple[list[Any] | Between | Sampled | None, list[Fault]]:
    """Return the variation that the keys of one part of a study file state.

    Parameters
    ----------
    given : mapping of str to object
        The keys and their raw values.
    place : str
        Where they stand, for the faults.

    Returns
    -------
    variation : list or Between or Sampled or None
        None if there are faults.
    faults : list of Fault
        What is wrong with the keys; their values are checked where the parameter is known.
    """
    ways = [key for key in ("values", "from", "distribution") if key in given]
    if len(ways) != 1:
        what = f"{' and '.join(ways)} together" if ways else "does not say how it varies"
        return None, [Fault("", place, "", what, _WAYS)]
    way = ways[0]
    needed: tuple[str, ...]
    allowed: tuple[str, ...]
    if way == "values":
        faults = _key_faults(given, place, "a list of values", ("values",), ())
        return (None if faults else given["values"]), faults
    if way == "from":
        needed, allowed = ("from", "to", "points"), ("spacing",)
        faults = _key_faults(given, place, "points from ... to", needed, allowed)
        if faults:
            return None, faults
        spacing = given.get("spacing", "linear")
        return Between(given["from"], given["to"], given["points"], spacing), []
    name = given["distribution"]
    if name in _OWN:
        kind, needed, allowed = _OWN[name]
        faults = _key_faults(given, place, f"the distribution {name}", needed, allowed)
        values = {key: given[key] for key in (*needed, *allowed) if key in given}
        return (None if faults else kind(**values)), faults
    return _from_library(given, place, name)


def _key_faults(
    given: Mapping[str, Any],
    place: str,
    what: str,
    needed: tuple[str, ...],
    allowed: tuple[str, ...],
) -> list[Fault]:
    """Return which keys are missing, and which would not be read."""
    read = (*needed, *allowed)
    faults = [
        Fault("", place, key, f"missing, wanted for {what}", f"{key} = ...")
        for key in needed
        if key not in given
    ]
    for key in given:
        if key not in (*read, *_NAMING, "distribution"):
            faults.append(Fault("", place, key, f"not read for {what}", ", ".join(read)))
    return faults


def _from_library(
    given: Mapping[str, Any], place: str, name: str
) -> tuple[Distributed | None, list[Fault]]:
    """Return a distribution of scipy by its name there."""
    from scipy import stats

    kinds = (stats.rv_continuous, stats.rv_discrete)
    known = {key: one for key, one in vars(stats).items() if isinstance(one, kinds)}
    if name not in known:
        close = nearest(name, [*_OWN, *known])
        expected = f"one of {', '.join(_OWN)}, or a distribution of scipy.stats"
        return None, [Fault("", place, "distribution", f"unknown: {shown(name)}", expected, close)]
    one, shapes = known[name], given.get("shapes", [])
    faults = _key_faults(given, place, f"the distribution {name} of scipy", *_LIBRARY)
    if len(shapes) != one.numargs:
        what = f"{len(shapes)} shapes for the distribution {name}"
        expected = f"shapes = [{one.shapes}]" if one.numargs else "none"
        faults.append(Fault("", place, "shapes", what, expected))
    scale = {} if isinstance(one, stats.rv_discrete) else {"scale": given.get("scale", 1.0)}
    if "scale" in given and not scale:
        faults.append(Fault("", place, "scale", f"not read for {name}, which is discrete"))
    if faults:
        return None, faults
    return Distributed(one(*shapes, loc=given.get("location", 0.0), **scale), given["unit"]), []
