"""Integration from one corner of time to the next: SciPy's own, and a pair of its compiled."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numba import njit
from scipy.integrate import DOP853, RK45

from reference import plant as P

# absolute errors that count as nothing, in the order of the state vector
NEGLIGIBLE = np.array(
    [
        *(1e-9, 1e-6, *[1e-1] * 6, 1e-11, 1e-7, *[1e-12, 1e-10] * 2, 1e-13, 1e-13),
        *(1e-12, 1e-1, 1e-1, 1e-10, 1e-12, 1e-10, 1e-1, 1e-1),
    ]
)

# a scale's cyclic error turns at some kHz on the way: a longer step could match its ends by chance
LONGEST_STEP = 0.25e-3

Advance = Callable[[float, float, np.ndarray, tuple[Any, ...]], np.ndarray]


def scipy_advance(rtol: float = 1e-9) -> Advance:
    """Integrate by SciPy's explicit method of order eight, started anew at every corner."""
    memory = {"step": 1e-4}

    def advance(t: float, t_end: float, s: np.ndarray, given: tuple[Any, ...]) -> np.ndarray:
        solver = DOP853(
            lambda time, state: P.rates(time, state, *given),
            t,
            s,
            t_end,
            rtol=rtol,
            atol=NEGLIGIBLE,
            first_step=min(memory["step"], t_end - t),
            max_step=LONGEST_STEP,
        )
        while solver.status == "running":
            asked = solver.h_abs
            message = solver.step()
            if solver.status == "failed":
                raise RuntimeError(f"SciPy gave up at {solver.t:.6f} s: {message}")
            memory["step"] = asked if solver.status == "finished" else solver.h_abs
        return solver.y

    return advance


@njit
def _pair(t, t_end, h, s, numbers, held, course, plan, rtol, small, A, B, C, E):
    """Adaptive steps of an embedded pair whose tables are handed in."""
    stages = len(C)
    K = np.empty((stages + 1, s.shape[0]))
    s = s.copy()
    while t_end - t > 1e-13:
        step = min(h, t_end - t)
        K[0] = P.rates(t, s, numbers, held, course, plan)
        for i in range(1, stages):
            y = s.copy()
            for j in range(i):
                y += step * A[i, j] * K[j]
            K[i] = P.rates(t + C[i] * step, y, numbers, held, course, plan)
        new = s.copy()
        for j in range(stages):
            new += step * B[j] * K[j]
        K[stages] = P.rates(t + step, new, numbers, held, course, plan)
        worst = 0.0
        for k in range(s.shape[0]):
            error = 0.0
            for j in range(stages + 1):
                error += step * E[j] * K[j, k]
            size = small[k] + rtol * max(abs(s[k]), abs(new[k]))
            worst = max(worst, abs(error) / size)
        if worst <= 1.0:
            t += step
            s = new
            if step < h:
                continue
        h = min(step * min(max(0.9 * (worst + 1e-10) ** -0.2, 0.2), 4.0), LONGEST_STEP)
    return s, h


def compiled_advance(rtol: float = 1e-7) -> Advance:
    """Integrate by the pair of SciPy's RK45 (its tables), compiled: for many moves."""
    memory = {"step": 1e-4}
    tables = RK45.A, RK45.B, RK45.C, RK45.E

    def advance(t: float, t_end: float, s: np.ndarray, given: tuple[Any, ...]) -> np.ndarray:
        s, memory["step"] = _pair(
            t, t_end, memory["step"], s, *given, rtol, 1e2 * NEGLIGIBLE, *tables
        )
        return s

    return advance
