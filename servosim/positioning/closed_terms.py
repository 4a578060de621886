"""The closed form of each cause of error: what it does to the place of the tool, with its formula.

Everything is a deviation, position less target. Where the loop's own sum at rest knows a share
(:mod:`servosim.linear.resting`) it is taken from there. A play of the valve lets the table rest
past its target as seen from where it came, because the spool lags the sinking command; friction
lets it rest short. By the closed forms both do so fully at every stop: what shakes the command
makes it less, which no closed form here knows.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np

from servosim.axis import Axis
from servosim.components.load import GRAVITY
from servosim.errors import ParameterError
from servosim.linear._resting_shares import resting_shares
from servosim.positioning.causes import Cause
from servosim.positioning.held_terms import HELD
from servosim.positioning.machines import with_controller
from servosim.positioning.scale_terms import SCALE
from servosim.positioning.surroundings import Surroundings, corners_of
from servosim.positioning.term import MERRITT, Term, both_sides

_SHARES = {  # name of a cause: name of the share in the sum at rest
    "threshold": "threshold",
    "hysteresis": "hysteresis",
    "friction over the pressure gain": "friction over the pressure gain",
    "noise of the scale": "noise",
    "noise of the pressure readings": "noise of the pressure readings",
    "dead zone of the integral": "dead zone of the integral",
}
_BIAS, _WEIGHT = "null bias left after the trim", "weight and leakage at rest"
_LEAKS = ("internal_leakage", "external_leakage_a", "external_leakage_b")
_NO_SHIFT = {"valve.null_shift_temperature": 0.0, "valve.null_shift_pressure": 0.0}
Numbers = tuple[tuple[str, float, str], ...]


def closed_term(cause: Cause, around: Surroundings) -> Term:
    """Return the closed form of a cause.

    Parameters
    ----------
    cause : Cause
        The cause.
    around : Surroundings
        Axis and conditions.

    Returns
    -------
    Term
        What it does at the file's values and in the test.

    Raises
    ------
    ParameterError
        If nothing holds the axis at rest.
    """
    if cause.name in HELD:
        return HELD[cause.name](cause, around.axis, around.targets)
    if cause.name in _SHARES:
        return _of_shares(cause, around)
    return (SCALE | _FORMS)[cause.name](cause, around)


def worst_of(cause: Cause, around: Surroundings) -> tuple[float, str]:
    """Return the largest size of a cause over the envelope's ends, one at a time, and where.

    Parameters
    ----------
    cause : Cause
        The cause.
    around : Surroundings
        Axis and conditions.

    Returns
    -------
    size : float
        Largest size [m].
    where : str
        The end, or ``"the file's values"``.
    """
    own = around.axis.file
    at_file = Surroundings(
        around.axis,
        around.targets,
        (own.oil.temperature,) * 2,
        (own.supply.pressure,) * 2,
        (own.table.workpiece_mass,) * 2,
        around.workpiece_heat,
    )
    best = closed_term(cause, at_file).size, "the file's values"
    for words, changes in corners_of(around.axis):
        try:
            corner = with_controller(around.axis.replace(changes), around.axis)
            f = corner.file
            there = Surroundings(
                corner,
                around.targets,
                (f.oil.temperature,) * 2,
                (f.supply.pressure,) * 2,
                (f.table.workpiece_mass,) * 2,
                around.workpiece_heat,
            )
            size = closed_term(cause, there).size
        except ParameterError:
            continue
        if size > best[0] * (1.0 + 1e-9):
            best = size, words
    return best


def _shares(axis: Axis, rated: Axis, position: float, **changes: Any) -> dict[str, float]:
    """Return the shares at rest by name, the controller's numbers kept [m], target less place."""
    paths = {
        "oil": "oil.temperature",
        "supply": "supply.pressure",
        "workpiece": "table.workpiece_mass",
    }
    other = {paths.get(k, k): v for k, v in changes.items()}
    made = with_controller(axis.replace(other), rated) if other else axis
    return {s.name: s.value for s in resting_shares(made, position).shares}


def _of_shares(cause: Cause, around: Surroundings) -> Term:
    """Return what the sum at rest knows: plays, friction, noise, dead zone."""
    axis, x = around.axis, around.middle
    name = _SHARES[cause.name]
    band = resting_shares(axis, x)
    share = next((s for s in band.shares if s.name == name), None)
    value = share.value if share is not None else 0.0
    zeros = np.zeros((2, len(around.targets)))
    slope: Numbers = ()
    if share is not None and share.command and not math.isnan(share.command):
        slope = (("command", share.command, "%"), ("error per command", value / share.command, "m"))
    if cause.name.startswith("noise"):
        t, c = axis.file.transducer, axis.parameters.controller
        numbers: Numbers = (("n", t.noise, "m"), ("K_v", c.K_v, "1/s"), ("T", c.period, "s"))
        if cause.name != "noise of the scale":
            numbers = (("k_p", c.k_p, "m/s/Pa"), ("n_p", t.pressure_noise, "Pa"))
            numbers += (("q_p", t.pressure_resolution, "Pa"),)
        text = share.formula if share is not None else ""
        return Term(
            cause, zeros, text, numbers, "variance of white noise behind a first-order loop",
            law="normal", width=value,
        )  # fmt: skip
    sign = -1.0 if cause.name.startswith("friction") else 1.0
    if cause.name == "dead zone of the integral":
        return Term(
            cause,
            both_sides(value, around.targets),
            "+-e_d, past the target: what the integral gathered on the way takes the table there, "
            "and it rests once that is taken back so far",
            (("e_d", value, "m"),),
            "definition",
        )
    table = both_sides(sign * value, around.targets)
    if cause.name.startswith("friction"):
        low, high = (
            _shares(axis, axis, x, workpiece=mass).get(name, 0.0) for mass in around.workpiece
        )
        return Term(
            cause, both_sides(-low, around.targets),
            "-+F_S/(A K_p): spool that holds F_S, by the controller's own slope",
            slope, f"{MERRITT} ch. 5 and 6, K_p by the lands' own equations",
            law="between", other=both_sides(-high, around.targets), at_file=table,
        )  # fmt: skip
    text = {"threshold": "+-t/2 of command", "hysteresis": "+-(H - t)/2 of command"}[cause.name]
    return Term(
        cause, table, f"{text}, by the controller's own slope", slope,
        "dead band over the gain: A. Esposito, Fluid Power with Applications, ex. 17-1",
    )  # fmt: skip


def _bias(cause: Cause, around: Surroundings) -> Term:
    axis = around.axis
    plain = axis.replace(_NO_SHIFT)
    value = -_shares(with_controller(plain, axis), axis, around.middle).get(_BIAS, 0.0)
    left = axis.file.valve.null_bias + axis.file.controller.null_trim
    c = axis.parameters.controller
    g = 0.5 * (c.g_plus + c.g_minus)
    return Term(
        cause, np.full((2, len(around.targets)), value),
        "u_0 g/K_v with u_0 = bias + trim, by the controller's own slope instead of g",
        (("u_0", left, "%"), ("g", g, "m/s"), ("K_v", c.K_v, "1/s"),
         ("u_0 g/K_v", left * g / c.K_v, "m")),
        "null drift over the loop's gain: Wang, Hydraulic Control Systems, ch. 6 (from memory)",
    )  # fmt: skip


def _shift_with_oil(cause: Cause, around: Surroundings) -> Term:
    axis, x, v = around.axis, around.middle, around.axis.file.valve

    def at(T: float) -> float:
        whole = _shares(axis, axis, x, oil=T)
        changes = {"valve.null_shift_temperature": 0.0, "oil.temperature": T}
        return whole.get(_BIAS, 0.0) - _shares(axis, axis, x, **changes).get(_BIAS, 0.0)

    values = [-at(T) for T in around.oil]
    own = -at(axis.file.oil.temperature)
    shape = (2, len(around.targets))
    return Term(
        cause, np.full(shape, values[0]),
        "(du_0/dT) (T - T_r) g/K_v, by the controller's own slope",
        (("du_0/dT", v.null_shift_temperature, "%/K"),
         ("T - T_r begin", around.oil[0] - v.rating_temperature, "K"),
         ("T - T_r end", around.oil[1] - v.rating_temperature, "K")),
        "null drift over the loop's gain: Wang, Hydraulic Control Systems, ch. 6 (from memory)",
        law="trend", other=np.full(shape, values[1]), at_file=np.full(shape, own),
    )  # fmt: skip


def _shift_with_supply(cause: Cause, around: Surroundings) -> Term:
    axis, x, v = around.axis, around.middle, around.axis.file.valve

    def at(p: float) -> float:
        whole = _shares(axis, axis, x, supply=p)
        changes = {"valve.null_shift_pressure": 0.0, "supply.pressure": p}
        return whole.get(_BIAS, 0.0) - _shares(axis, axis, x, **changes).get(_BIAS, 0.0)

    low, high = (-at(p) for p in around.supply)
    own, shape = -at(axis.file.supply.pressure), (2, len(around.targets))
    return Term(
        cause, np.full(shape, 0.5 * (low + high)),
        "(du_0/dp) (p_S - p_r) g/K_v, by the controller's own slope",
        (("du_0/dp", v.null_shift_pressure, "%/bar"),
         ("p_S - p_r least", around.supply[0] - v.rating_pressure, "Pa"),
         ("p_S - p_r most", around.supply[1] - v.rating_pressure, "Pa")),
        "null drift over the loop's gain: Wang, Hydraulic Control Systems, ch. 6 (from memory)",
        law="uniform", width=0.5 * abs(high - low), at_file=np.full(shape, own),
    )  # fmt: skip


def _without_leakage(axis: Axis) -> dict[str, float]:
    return {
        f"cylinder.{key}": 0.0
        for key in _LEAKS
        if (getattr(axis.file.cylinder, key, 0.0) or 0.0) > 0.0
    }


def _weight(cause: Cause, around: Surroundings) -> Term:
    axis = around.axis
    tight = _without_leakage(axis)

    def at(x: float, **changes: Any) -> float:
        whole = _shares(axis, axis, x, **tight, **changes).get(_WEIGHT, 0.0)
        carried = _shares(axis, axis, x, **tight, **changes, **cause.off).get(_WEIGHT, 0.0)
        return carried - whole

    own = np.array([[at(float(x)) for x in around.targets]] * 2)
    ends = [at(around.middle, supply=p) for p in around.supply]
    c = axis.parameters.cylinder
    off, t = cause.off["table.counterbalance_force"], axis.file.table
    carried = t.counterbalance_force if t.counterbalance != "none" else 0.0
    return Term(
        cause, own, "-F/(A K_p): spool that holds F, by the controller's own slope",
        (("weight along the axis", off, "N"), ("counterbalance", carried, "N"), ("A", c.A_A, "m2")),
        f"{MERRITT} ch. 6; K_p by the lands' own equations",
        law="uniform", width=0.5 * abs(ends[1] - ends[0]),
    )  # fmt: skip


def _unequal_areas(cause: Cause, around: Surroundings) -> Term:
    axis, x, c = around.axis, around.middle, around.axis.parameters.cylinder
    weight = axis.file.derive("load_parameters")
    whole = (weight.M_t + weight.M_g) * GRAVITY * weight.sin
    balanced: dict[str, Any] = _without_leakage(axis)
    if whole != 0.0 or axis.file.table.counterbalance != "none":
        balanced |= {"table.counterbalance": "constant", "table.counterbalance_force": whole}
    value = -_shares(axis, axis, x, **balanced).get(_WEIGHT, 0.0)
    return Term(
        cause, np.full((2, len(around.targets)), value),
        "spool at which both chambers balance without load, by the controller's own slope",
        (("A_A", c.A_A, "m2"), ("A_B", c.A_B, "m2")),
        "balance of the flows through the lands, by their own equations",
    )  # fmt: skip


def _leakage(cause: Cause, around: Surroundings) -> Term:
    axis, x = around.axis, around.middle
    whole = _shares(axis, axis, x).get(_WEIGHT, 0.0)
    tight = _shares(axis, axis, x, **_without_leakage(axis)).get(_WEIGHT, 0.0)
    f = axis.file.cylinder
    numbers = tuple((key.replace("_", " "), getattr(f, key) or 0.0, "m3/s/Pa") for key in _LEAKS)
    return Term(
        cause, np.full((2, len(around.targets)), tight - whole),
        "-q_leak/(K_q) of spool, by the controller's own slope",
        numbers, f"{MERRITT} ch. 6, K_ce = K_c + C_tp",
    )  # fmt: skip


_FORMS: dict[str, Callable[[Cause, Surroundings], Term]] = {
    "null bias left after the trim": _bias,
    "null shift with temperature": _shift_with_oil,
    "null shift with supply": _shift_with_supply,
    "weight through the pressure gain": _weight,
    "unequal areas of the piston": _unequal_areas,
    "leakage of the cylinder": _leakage,
}
