"""Requirements and combinations for the tests of sizing, and what they come to."""

import math
from pathlib import Path

import numpy as np

from servosim.sizing.actuators import actuators_of
from servosim.sizing.calculation import Calculation
from servosim.sizing.combinations import DOUBLE_ROD, PUMP, SCREW, Combinations
from servosim.sizing.duty import duty_of
from servosim.sizing.requirement import read_requirement

PARAMS = Path(__file__).parent.parent / "params"
TABLE, SLIDE = PARAMS / "tube_sheet_requirement.toml", PARAMS / "vertical_slide_requirement.toml"
G, BAR, REV = 9.80665, 1e5, 2.0 * math.pi
QUIET = Calculation()
READ = {}


def asked(path=TABLE, **overrides):
    """Return a requirement with some keys changed; a double underscore stands for the dot."""
    key = repr((path, overrides))
    if key not in READ:
        changes = {key.replace("__", "."): value for key, value in overrides.items()}
        READ[key] = read_requirement(path, changes)
    return READ[key]


def parts(n=1, **given):
    """Return combinations of a cylinder of 80/45 mm at 160 bar, or as given."""
    values = {
        "actuator": DOUBLE_ROD, "bore": 0.08, "rod": 0.045, "displacement": 0.0, "lead": 0.0,
        "pressure": 160 * BAR, "valve": 2, "arrangement": PUMP, **given,
    }  # fmt: skip
    whole = ("actuator", "valve", "arrangement")
    return Combinations(
        **{
            name: np.broadcast_to(np.asarray(value, dtype=np.intp if name in whole else float),
                                  (n,)).copy()
            for name, value in values.items()
        }
    )  # fmt: skip


SCREWS = {"actuator": SCREW, "bore": 0.0, "rod": 0.0, "displacement": 40e-6 / REV,
          "lead": 0.010 / REV}  # fmt: skip


def sized(requirement, c):
    """Return duty, actuators, and rules by name."""
    duty, _ = duty_of(requirement, QUIET)
    actuators, checks = actuators_of(requirement, duty, c, QUIET)
    return duty, actuators, {one.name: one for one in checks}
