"""The conditions for which an error budget is computed: those of the test, ends of the envelope."""

from __future__ import annotations

from dataclasses import dataclass

from servosim.axis import Axis
from servosim.positioning.deviations import Array

_CORNERS = (
    ("workpiece", "table.workpiece_mass", "workpiece_mass"),
    ("oil", "oil.temperature", "temperature"),
    ("free air", "oil.free_air", "free_air"),
    ("supply", "supply.pressure", "supply_pressure"),
)


@dataclass(frozen=True, eq=False)
class Surroundings:
    """What the closed forms are computed for.

    Attributes
    ----------
    axis : Axis
        The axis of the file.
    targets : ndarray, shape (m,)
        Targets [m].
    oil : tuple of float
        Temperatures of the oil between which the test is taken [K].
    supply : tuple of float
        Pressures of the supply between which it varies from stop to stop [Pa].
    workpiece : tuple of float
        Masses of the workpiece between which machines differ [kg].
    workpiece_heat : float
        Temperature of the workpiece above 20 degC while it is drilled [K].
    """

    axis: Axis
    targets: Array
    oil: tuple[float, float]
    supply: tuple[float, float]
    workpiece: tuple[float, float]
    workpiece_heat: float = 0.0

    @property
    def middle(self) -> float:
        """Position for what hardly depends on it [m]."""
        return float(0.5 * (self.targets[0] + self.targets[-1]))


def corners_of(axis: Axis) -> tuple[tuple[str, dict[str, float]], ...]:
    """Return the ends of the envelope, one quantity at a time, with what each changes.

    Parameters
    ----------
    axis : Axis
        The axis.

    Returns
    -------
    tuple of (str, dict)
        Words such as ``"oil low"`` and the values of the file [SI]; those that are the file's own
        are left out.
    """
    found = []
    for words, path, name in _CORNERS:
        table, key = path.split(".")
        own = getattr(getattr(axis.file, table), key)
        for end, value in zip(("low", "high"), getattr(axis.file.envelope, name), strict=True):
            if value != own:
                found.append((f"{words} {end}", {path: value}))
    return tuple(found)
