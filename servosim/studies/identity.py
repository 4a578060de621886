"""What makes a study this one, in parts, so that a refusal can name what differs."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from servosim.params import dumps
from servosim.studies.chunk_files import digest
from servosim.studies.chunks import code_in_use
from servosim.studies.plan import Plan

_WORDS = {
    "code": "servosim or its equations",
    "axis": "the parameter file",
    "cases": "the number of cases",
    "inputs": "the varied parameters or their values",
    "seeds": "the seeds of the noise",
    "tolerance": "the tolerance",
    "traces": "the traces",
}
_SHOWN = ("code", "cases", "tolerance", "traces")


def parts_of(plan: Plan) -> dict[str, Any]:
    """Return what makes a study this one.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    dict
        Plain values; what is long stands as its digest.
    """
    values = [[one.path, one.dim, digest(one.values)] for one in plan.inputs]
    return {
        "code": code_in_use(),
        "axis": digest([dumps(plan.axis.file)]),
        "cases": len(plan),
        "inputs": digest([json.dumps([list(plan.dims), list(plan.shape), values])]),
        "seeds": digest(plan.seeds),
        "tolerance": plan.tolerance,
        "traces": list(plan.traces),
    }


def differences(held: Mapping[str, Any], now: Mapping[str, Any]) -> str:
    """Return in words what differs between two studies.

    Parameters
    ----------
    held, now : mapping
        Parts of the one that is kept, and of the one that is asked for.

    Returns
    -------
    str
        What differs, both values where they are short.
    """
    words = []
    for key, word in _WORDS.items():
        if held.get(key) != now[key]:
            words.append(f"{word} ({held.get(key)}, now {now[key]})" if key in _SHOWN else word)
    return ", ".join(words) or "how the cases are laid out"
