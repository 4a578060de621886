"""Where between two ends a zero is looked for next."""

from __future__ import annotations

from servosim._jit import inner_kernel


@inner_kernel
def next_share(
    x_1: float, f_1: float, x_2: float, f_2: float, x_3: float, f_3: float, least: float
) -> float:
    """Return where between x_1 and x_2, a bracket, a zero is looked for next, as a share of it.

    By inverse quadratic interpolation where that is safe, else in the middle (T. R. Chandrupatla,
    Advances in Engineering Software 28 (1997) 145, from memory).
    """
    xi, phi = (x_1 - x_2) / (x_3 - x_2), (f_1 - f_2) / (f_3 - f_2)
    if not (phi * phi < xi and (1.0 - phi) * (1.0 - phi) < 1.0 - xi):
        return 0.5
    share = f_1 / (f_2 - f_1) * f_3 / (f_2 - f_3)
    share += (x_3 - x_1) / (x_2 - x_1) * f_1 / (f_3 - f_1) * f_2 / (f_3 - f_2)
    return min(max(share, least), 1.0 - least)
