"""Numbers of several cases side by side: the type that lets one equation serve many axes at once.

A kernel is written for plain numbers. Called with *lanes* in their place (eight doubles that the
processor adds, multiplies and compares in one instruction) the very same source becomes the kernel
of eight axes in lockstep, and each lane goes through the operations of the single case in the same
order: the results agree bit for bit. Parameters are lanes too; whole numbers (kinds, switches,
places) are one number for all lanes, so that only cases of one kind run together.

What a kernel must keep to: no ``if`` on a number that differs between lanes, but :func:`where`; no
``and``, ``or``, ``not`` on comparisons, but ``&``, ``|`` and :func:`no`; :func:`some` to skip work
that no lane needs.
"""

from __future__ import annotations

from servosim._lane_arithmetic import (
    guessed_fourth_root,
    isfinite,
    isnan,
    no,
    parts,
    scaled,
    some,
    where,
)
from servosim._lane_memory import (
    aligned,
    as_lanes,
    as_row,
    as_rows,
    as_stack,
    get,
    lane_dtype,
    put,
)
from servosim._lane_types import WIDTH

__all__ = [
    "WIDTH",
    "aligned",
    "as_lanes",
    "as_row",
    "as_rows",
    "as_stack",
    "get",
    "guessed_fourth_root",
    "isfinite",
    "isnan",
    "lane_dtype",
    "no",
    "parts",
    "put",
    "scaled",
    "some",
    "where",
]
