"""What the textbooks' formulas take, and what they refuse."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim.errors import ParameterError

Values = float | NDArray[np.float64]


def require_positive(**values: Any) -> None:
    """Refuse values that a formula divides by or takes the root of.

    Parameters
    ----------
    **values : float or ndarray
        Values by name [SI].

    Raises
    ------
    ParameterError
        With every value that isn't positive.
    """
    wrong = [f"{n.replace('_', ' ')} {v!r}" for n, v in values.items() if not np.all(v > 0.0)]
    if wrong:
        raise ParameterError(
            f"{', '.join(wrong)}: the formula needs positive numbers in SI units; check the values"
        )
