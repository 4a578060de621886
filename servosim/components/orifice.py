"""A restriction that is laminar at small and quadratic at large pressure drops.

Physics. ``q = K dp / (dp^2 + dp_t^2)^(1/4)`` passes smoothly from a flow in proportion to the drop
to one in proportion to its root, around the transition pressure dp_t; it has no root of zero in its
derivative.

Sources. Usual smoothing of the orifice equation; the transition of a line or an element of a lock
lies at its stated drop (own choice).
"""

from __future__ import annotations

import math

from servosim._jit import inner_kernel, kernel


def coefficient(flow: float, drop: float) -> float:
    """Return the coefficient of a restriction whose transition lies at its stated drop.

    Parameters
    ----------
    flow, drop : float
        Stated flow [m3/s] and drop [Pa].

    Returns
    -------
    float
        Coefficient [m3/s/sqrt(Pa)]: at dp = dp_t the flow equation gives ``K sqrt(dp) / 2^(1/4)``.
    """
    return 2.0**0.25 * flow / math.sqrt(drop)


@inner_kernel
def flow_through(K: float, dp: float, dp_t: float) -> float:
    """Return the flow at a drop [m3/s]."""
    return K * dp / math.sqrt(math.sqrt(dp * dp + dp_t * dp_t))


@kernel
def drop_at(q: float, K: float, dp_t: float) -> float:
    """Return the drop at a flow [Pa], the inverse of :func:`flow_through` for q of zero or more."""
    y = (q / K) ** 2
    return math.sqrt(0.5 * (y * y + math.sqrt(y * y * y * y + 4.0 * y * y * dp_t * dp_t)))
