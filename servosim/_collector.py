"""The interpreter's search for cycles of references rests while thousands of cases are worked on.

An axis is some hundred objects; each full search goes through those of all the axes that exist, and
cases by the thousand make it happen again and again. None of them is part of a cycle: what is no
longer used goes at once, as always.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def collector_rests() -> Iterator[None]:
    """Keep the search for cycles from running inside the block, if it was on before.

    Where several threads are inside such blocks it may begin again with the first that leaves;
    when all have left it is as it was.
    """
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()
