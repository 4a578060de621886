"""State of rest of the independent model, found by a general root search."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from scipy.optimize import brentq, root

from reference import plant as P


def _balance(x: float, f: Any, numbers: np.ndarray) -> np.ndarray:
    """State with nothing moving and the measured body at x."""
    n = numbers[0]
    on_table = n["weight_t"] - P.lift(x, n)
    gap = 0.0
    if n["two"] == 1.0:
        gap = on_table / n["couple_k"] + 0.5 * n["backlash"] * np.sign(on_table)

    def state(z: np.ndarray) -> np.ndarray:
        s = np.zeros(P.N_STATES)
        s[P.SPOOL] = z[0] * 1e-2
        s[P.P_A] = s[P.LINE_A] = z[1] * 1e6
        s[P.P_B] = s[P.LINE_B] = z[2] * 1e6 if n["has_b"] == 1.0 else 0.0
        s[P.P_SUPPLY] = z[3] * 1e6 if n["source"] > 0.0 else n["p_set"]
        s[P.P_PUMP] = z[4] * 1e6 if n["lumped"] > 0.0 else s[P.P_SUPPLY]
        s[P.PUMP_FLOW] = z[5] * 1e-5
        s[P.GAS] = n["ambient"]
        s[P.X_T] = x if n["on_table"] == 1.0 else x - gap
        s[P.X_P] = s[P.X_T] + gap
        return s

    def left_over(z: np.ndarray) -> np.ndarray:
        s = state(z)
        q_pa, q_at, q_pb, q_bt = P.flows(s, n)
        a, b, p_s = s[P.P_A], s[P.P_B], s[P.P_SUPPLY]
        slip = n["leak_i"] * (a - b)
        out = np.zeros(6)
        out[0] = (q_pa - q_at - slip - n["leak_a"] * a) * 1e6
        out[1] = (q_pb - q_bt + slip - n["leak_b"] * b) * 1e6
        force = n["area_a"] * a - n["area_b"] * b
        out[2] = (force - n["weight_p"] - on_table) * 1e-3
        if n["has_b"] == 0.0:
            out[1] = z[2]
        out[3], out[4], out[5] = z[3] - n["p_set"] * 1e-6, z[4] - z[3], z[5]
        if n["source"] > 0.0:
            drawn = q_pa + q_pb + n["pilot"] * math.sqrt(max(p_s, 0.0) / n["p_rating"])
            relief = n["relief_slope"] * max(s[P.P_PUMP] - n["relief"], 0.0)
            if n["lumped"] == 1.0:
                line = n["line_K"] * P.root_flow(s[P.P_PUMP] - p_s, n["line_drop"])
                out[4] = (line - drawn) * 1e6
            out[3] = (s[P.PUMP_FLOW] - drawn - relief) * 1e6
            target = n["pump"]
            if n["source"] == 1.0:
                target *= (n["p_set"] - s[P.P_PUMP]) / n["band"]
            out[5] = (s[P.PUMP_FLOW] - target) * 1e6
        return out

    p_0, F = n["p_set"] * 1e-6, n["weight_p"] + on_table
    best = None
    for share in (0.5, 0.4, 0.3, 0.6, 0.2):
        b = share * p_0
        a = (F * 1e-6 + n["area_b"] * b) / n["area_a"]
        guess = np.array([0.0, a, b, 0.995 * p_0, 0.996 * p_0, n["pump"] * 1e4])
        found = root(left_over, guess, tol=1e-14, options={"xtol": 1e-14})
        error = float(np.max(np.abs(left_over(found.x))))
        if best is None or error < best[0]:
            best = error, found.x
        if error < 1e-9:
            break
    assert best is not None and best[0] < 1e-7, f"no state of rest found, {best}"
    return state(best[1])


def state_of_rest(f: Any, numbers: np.ndarray) -> tuple[np.ndarray, float]:
    """Whole state at the move's start with the loop closed, and the command that holds it."""
    n = numbers[0]
    timed = f.reference.kind in ("step", "trapezoid", "s_curve")

    def position(reading: float) -> float:
        return brentq(lambda x: P.scale(x, n) - reading, reading - 0.01, reading + 0.01, xtol=1e-15)

    x, v, integral = position(f.move.start), 0.0, 0.0
    for _ in range(4):
        s = _balance(x, f, numbers)
        command = s[P.SPOOL] - n["bias"] - n["bias_p"] * (s[P.P_SUPPLY] - n["p_rating"])
        p_load = s[P.P_A] - s[P.P_B] * n["area_b"] / n["area_a"]
        v = brentq(lambda w: P.opening_for(w, p_load, n) - command, -1.0, 1.0, xtol=1e-16)  # noqa: B023
        integral = float(np.clip(v, -n["v_i"], n["v_i"])) if n["K_i"] > 0.0 else 0.0
        error = (v - integral) / n["K_v"] if timed else 0.0
        x = position(f.move.start - error)
    s = _balance(x, f, numbers)
    s[P.READING] = s[P.FILTERED] = P.scale(x, n)
    s[P.READ_A], s[P.READ_B] = s[P.P_A], s[P.P_B]
    s[P.SLOW] = s[P.ESTIMATE] = s[P.P_A] - s[P.P_B] * n["area_b"] / n["area_a"]
    s[P.INTEGRAL] = integral
    return s, command
