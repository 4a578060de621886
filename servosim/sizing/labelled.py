"""All combinations of a sizing as a labelled data set, one row for each."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from servosim.sizing.combinations import ACTUATORS, ARRANGEMENTS
from servosim.version import __version__

if TYPE_CHECKING:
    import xarray

    from servosim.sizing.result import Sizing

STATUS = (
    "rejected by algebra",
    "passes algebra, not moved",
    "rejected in moves",
    "keeps everything",
)
_PARTS = {  # name: words, unit
    "bore": ("bore", "m"),
    "rod": ("rod", "m"),
    "displacement": ("displacement of the motor", "m3/rad"),
    "lead": ("lead of the screw", "m/rad"),
    "pressure": ("nominal supply pressure at the valve", "Pa"),
}


def status_of(sizing: Sizing) -> np.ndarray[Any, np.dtype[np.int8]]:
    """Return what became of each combination, shape (n,): numbers of :data:`STATUS`."""
    status = np.where(sizing.passes, 1, 0).astype(np.int8)
    status[[one.candidate.number for one in sizing.failed if not one.candidate.broken]] = 2
    status[[one.candidate.number for one in sizing.ranked]] = 3
    return status


def dataset_of(sizing: Sizing) -> xarray.Dataset:
    """Return parts, figures, slack of every rule and what was simulated.

    Parameters
    ----------
    sizing : Sizing
        The result.

    Returns
    -------
    xarray.Dataset
        Over the dimension ``combination``; units in the attributes of each variable. Names of
        simulated figures begin with ``simulated_``, those of slacks with ``slack_``.
    """
    import xarray

    c, n = sizing.combinations, len(sizing.combinations)
    over = ("combination",)
    names = np.array([one.name for one in sizing.requirement.valve])
    data: dict[str, Any] = {
        "actuator": (over, np.array(ACTUATORS)[c.actuator]),
        "valve": (over, names[c.valve]),
        "arrangement": (over, np.array(ARRANGEMENTS)[c.arrangement]),
    }
    for key, (words, unit) in _PARTS.items():
        values = np.asarray(getattr(c, key), dtype=float)
        data[key] = (over, np.where(values > 0.0, values, np.nan), _described(words, unit))
    for key, one in sizing.columns.items():
        data[key] = (over, one.values, _described(one.words, one.unit))
    for check in sizing.checks:
        about = {"long_name": check.words, "units": "1", "key": check.key, "source": check.source}
        data[f"slack_{check.name}"] = (over, check.slack, about)
    data["status"] = (over, status_of(sizing), {
        "long_name": "what became of it", "flag_values": np.arange(len(STATUS), dtype=np.int8),
        "flag_meanings": " ".join(word.replace(", ", "_").replace(" ", "_") for word in STATUS),
    })  # fmt: skip
    for key, (values, unit) in _simulated(sizing, n).items():
        about = _described(f"worst {key.replace('_', ' ')} in moves and margins", unit)
        data[f"simulated_{key}"] = (over, values, about)
    rank = np.zeros(n, dtype=np.int64)
    for tried in sizing.ranked:
        rank[tried.candidate.number] = tried.rank
    data["rank"] = (over, rank, {"long_name": "place among those that keep everything; 0: none"})
    return xarray.Dataset(
        data,
        coords={"combination": np.arange(n)},
        attrs={"title": sizing.requirement.title, "source": f"servosim {__version__}, sizing"},
    )


def _described(words: str, unit: str) -> dict[str, str]:
    return {"long_name": words, "units": unit}


def _simulated(
    sizing: Sizing, n: int
) -> dict[str, tuple[np.ndarray[Any, np.dtype[np.float64]], str]]:
    """Return the worst of every simulated figure over all rows, nan where none was moved."""
    found: dict[str, tuple[np.ndarray[Any, np.dtype[np.float64]], str]] = {}
    for tried in (*sizing.ranked, *sizing.failed):
        for key, spread in tried.simulated.items():
            values, _ = found.setdefault(key, (np.full(n, np.nan), spread.unit))
            values[tried.candidate.number] = spread.worst
    return found
