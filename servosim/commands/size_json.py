"""A sizing as one JSON object: everything that the command ``size`` found, in SI units."""

from __future__ import annotations

from typing import Any

from servosim.commands.move_summary import strict
from servosim.sizing.result import Sizing
from servosim.version import __version__


def as_json(found: Sizing, file: str, seed: int) -> dict[str, Any]:
    """Return a sizing as values that strict JSON can hold.

    Parameters
    ----------
    found : Sizing
        The result.
    file : str
        Name of the requirement's file.
    seed : int
        Seed it was made with.

    Returns
    -------
    dict
        Version, file, seed, and everything that was found, SI units with the unit beside; margins
        are ratios and radians; a value that is no finite number is None.
    """
    return strict({"servosim": __version__, "file": file, "seed": seed} | found.as_dict())
