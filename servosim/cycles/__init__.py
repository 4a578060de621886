"""Programs of positions: lists read and checked, targets typed by hand, orders of a list."""

from servosim.cycles.orders import least_travel, one_sided, travel, with_overruns
from servosim.cycles.positions import Position, PositionList, read_positions
from servosim.cycles.totals import Total
from servosim.cycles.typed import typed_positions

__all__ = [
    "Position",
    "PositionList",
    "Total",
    "least_travel",
    "one_sided",
    "read_positions",
    "travel",
    "typed_positions",
    "with_overruns",
]
