"""What a controller's numbers give at a point: sampled filters and slopes of the command."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim.components.controller import step_invariant_filter
from servosim.linear.plants import Plants

Array = NDArray[np.float64]

FILTER = ("F11", "F12", "F21", "F22", "G1", "G2")


def filters(p: Any, period: float) -> dict[str, Array]:
    """Return the sampled derivative filters, one for each pair of frequency and damping."""
    pairs = np.stack([np.asarray(p.omega_f), np.asarray(p.zeta_f)], axis=1)
    kinds, which = np.unique(pairs, axis=0, return_inverse=True)
    filters = np.array([step_invariant_filter(w, zeta, period) for w, zeta in kinds])
    return dict(zip(FILTER, filters[which.reshape(-1)].T, strict=True))


def slopes(command: Array, estimate: Array, p: Any) -> tuple[Array, Array, Array]:
    """Return the wanted velocity of a command and both slopes of the command, see Controllers.

    The opening that gives the command follows from Newton's steps: the command over the opening is
    concave, so that steps from below stay below and can't miss.
    """
    c = command - p.trim
    size = np.abs(c)
    # exactly between the directions the smaller velocity gain gives the greater loop gain
    forward = np.where(c == 0.0, p.g_plus <= p.g_minus, c > 0.0)
    sign = np.where(forward, 1.0, -1.0)
    g = np.where(forward, p.g_plus, p.g_minus)
    jump = p.k_o * np.where(forward, p.L_plus, p.L_minus)
    o = np.maximum(size / (1.0 + jump / p.delta_o), size - jump)
    for _ in range(60):
        root = np.sqrt(o * o + p.delta_o * p.delta_o)
        rise = 1.0 + jump * p.delta_o * p.delta_o / root**3
        step = (size - o - jump * o / root) / rise
        o = o + step
        if np.all(np.abs(step) <= 1e-15):
            break
    root = np.sqrt(o * o + p.delta_o * p.delta_o)
    rise = 1.0 + jump * p.delta_o * p.delta_o / root**3
    by_estimate = np.zeros_like(g)
    if np.any(p.correct == 1):
        drop = np.where(forward, p.drop_plus, p.drop_minus)
        ratio = (drop - sign * (p.A_A * estimate - p.F_nominal)) / drop
        corrects = np.asarray(p.correct) == 1
        g = np.where(corrects, g * np.sqrt(np.maximum(ratio, p.floor)), g)
        free = corrects & (ratio > p.floor)
        # do/de = -o g'/g, and g'/g is half of ratio'/ratio
        share = 0.5 * p.A_A / (drop * np.where(free, ratio, 1.0))
        by_estimate = np.where(free, rise * o * share, 0.0)
    return sign * o * g, rise / g, by_estimate


def null_shifts(plants: Plants) -> Array:
    """Return what bias and shifts of the null add to the command at the points [-]."""
    shifts = np.empty(len(plants.points))
    place = plants.states.index("supply_pressure") if "supply_pressure" in plants.states else -1
    for k, point in enumerate(plants.points):
        p = point.axis.parameters
        p_S = plants.x[k, place] if place >= 0 else p.supply.p_set
        shifts[k] = p.valve.bias + p.valve.bias_pressure * (p_S - p.valve.p_rating)
    return shifts
