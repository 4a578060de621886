"""Closed forms of what the scale and the workpiece do to the place of the tool."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from servosim.components.transducer import SCALE_REFERENCE_TEMPERATURE
from servosim.positioning.causes import Cause
from servosim.positioning.surroundings import Surroundings
from servosim.positioning.term import Term


def _resolution(cause: Cause, around: Surroundings) -> Term:
    q = around.axis.file.transducer.resolution
    zeros = np.zeros((2, len(around.targets)))
    return Term(
        cause, zeros, "+-q/2, even", (("q", q, "m"),), "rounding to the nearest step",
        law="uniform", width=0.5 * q,
    )  # fmt: skip


def _scale(cause: Cause, around: Surroundings) -> Term:
    e = around.axis.file.transducer.scale_error
    x = around.targets
    return Term(
        cause, np.array([-x * e / (1.0 + e)] * 2), "-e_lin x/(1 + e_lin)",
        (("e_lin", e, "um/m"), ("x", float(x[-1]), "m")), "definition of a linear error",
    )  # fmt: skip


def _expansion(cause: Cause, around: Surroundings) -> Term:
    t, x = around.axis.file.transducer, around.targets
    warm = t.scale_temperature - SCALE_REFERENCE_TEMPERATURE
    grows = t.scale_expansion * warm
    return Term(
        cause, np.array([x * grows / (1.0 - grows)] * 2), "alpha_s (T_s - 20 degC) x",
        (("alpha_s", t.scale_expansion, "um/m/K"), ("T_s - 20 degC", warm, "K"),
         ("x", float(x[-1]), "m")),
        "linear expansion; 20 degC is the reference of length (ISO 1, from memory)",
    )  # fmt: skip


def _offset(cause: Cause, around: Surroundings) -> Term:
    e = around.axis.file.transducer.zero_offset
    return Term(
        cause, np.full((2, len(around.targets)), -e), "-e_0", (("e_0", e, "m"),), "definition"
    )


def _cyclic(cause: Cause, around: Surroundings) -> Term:
    t = around.axis.file.transducer
    angle = 2.0 * math.pi * around.targets / t.cyclic_period
    parts = [np.array([-t.cyclic_error * part(angle)] * 2) for part in (np.sin, np.cos)]
    own = t.cyclic_phase
    return Term(
        cause, parts[0], "-e_c sin(2 pi x/lambda + phi), phi by chance",
        (("e_c", t.cyclic_error, "m"), ("lambda", t.cyclic_period, "m")), "definition",
        law="phase", width=t.cyclic_error, other=parts[1],
        at_file=parts[0] * math.cos(own) + parts[1] * math.sin(own),
    )  # fmt: skip


def _workpiece(cause: Cause, around: Surroundings) -> Term:
    alpha, x = around.axis.file.oil.steel_expansion, around.targets
    grows = alpha * around.workpiece_heat
    return Term(
        cause, np.array([-x * grows / (1.0 + grows)] * 2), "-alpha_w (T_w - 20 degC) x",
        (("alpha_w, steel", alpha, "um/m/K"), ("T_w - 20 degC", around.workpiece_heat, "K"),
         ("x", float(x[-1]), "m")),
        "linear expansion; 20 degC is the reference of length (ISO 1, from memory)",
    )  # fmt: skip


SCALE: dict[str, Callable[[Cause, Surroundings], Term]] = {
    "resolution": _resolution,
    "scale, linear error": _scale,
    "scale, thermal expansion": _expansion,
    "workpiece, thermal expansion": _workpiece,
    "offset of zero": _offset,
    "cyclic error": _cyclic,
}
