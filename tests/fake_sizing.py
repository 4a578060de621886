"""Made-up results of a sizing, for tests of what is said and drawn of one."""

from __future__ import annotations

import dataclasses
import math
from functools import cache

import numpy as np

import servosim
from servosim.sizing.calculation import Step
from servosim.sizing.candidates import combinations_of, parts_figures, parts_words
from servosim.sizing.combinations import Check
from servosim.sizing.curves import AlongStroke, Curves, Locus, SettlingPoints, SupplyCycle
from servosim.sizing.findings import (
    Candidate,
    Change,
    Column,
    Conflict,
    Figure,
    Relaxation,
    RuleCount,
    Standing,
    Tried,
    WhatIf,
)
from servosim.sizing.requirement import read_requirement
from servosim.sizing.result import Sizing
from servosim.tuning.result import Constraint, Spread

REQUIREMENT = "params/tube_sheet_requirement.toml"
PLACES = (4, 40, 400)  # rows that are ranked, or failed if nothing is feasible


def _standing(check: Check, k: int) -> Standing:
    return Standing(
        check.name, check.words, check.key, float(check.value[k]), float(check.limit[k]),
        check.unit, check.shown_unit, check.upper, float(check.slack[k]), check.source,
    )  # fmt: skip


@cache
def fake_sizing(feasible: bool = True) -> Sizing:
    """Return a result whose parts are those of the demonstration and whose figures are made up."""
    requirement = read_requirement(REQUIREMENT)
    c = combinations_of(requirement)
    n = len(c)
    force = np.where(c.bore > 0.0, 0.6 * c.bore**2 * c.pressure, 3000.0)
    limit = np.full(n, 4000.0 if feasible else 1e9)
    checks = (
        Check("force_reserve", "Stall force above the greatest force of the cycle",
              "margins.force_reserve", force, limit, "N", "kN", False,
              "common practice, no source", ("margins.force_reserve", "reference.acceleration")),
        Check("natural_frequency", "Lowest natural frequency against that of the motion",
              "margins.axis_to_motion_frequency", np.where(c.bore > 0, 6e3 * c.bore, np.nan),
              np.full(n, 150.0), "rad/s", "Hz", False, "common practice, no source", ()),
    )  # fmt: skip
    columns = {
        "motor_power": Column("power of the electric motor", "W", "kW", 1e-4 * c.pressure),
        "natural_frequency": Column("lowest natural frequency", "rad/s", "Hz", checks[1].value),
    }

    def candidate(k: int) -> Candidate:
        figures = {
            key: Figure(key, one.words, float(one.values[k]), one.unit, one.shown_unit)
            for key, one in columns.items()
        }
        rules = sorted((_standing(one, k) for one in checks), key=lambda one: one.slack)
        return Candidate(k, parts_words(requirement, c, k), parts_figures(requirement, c, k),
                         figures, tuple(rules))  # fmt: skip

    axis = servosim.read_axis("params/tube_sheet_table.toml")
    passes = np.all([one.kept for one in checks], axis=0)
    places = np.flatnonzero(passes)[list(PLACES)] if feasible else np.array(PLACES)

    def tried(place: int, k: int) -> Tried:
        time = 1.9 + 0.1 * place if feasible else math.nan
        simulated = {
            "settling_time": Spread(time, time - 0.05, "s", "s", "workpiece 500 kg, oil 25 degC"),
            "overshoot": Spread(2e-6, 1e-6, "m", "um", "workpiece 0 kg"),
            "resting_error": Spread(3e-6, 1e-6, "m", "um", "workpiece 0 kg"),
        }
        goals = (
            Constraint("settling_time", "settling time", time, 2.6, "s", "s", True,
                       (2.6 - time) / 2.6 if feasible else -math.inf, "workpiece 500 kg"),
            Constraint("overshoot", "overshoot", 2e-6, 5e-6, "m", "um", True, 0.6, "any"),
        )  # fmt: skip
        gains = {"controller.velocity_gain": "21 1/s"}
        return Tried(candidate(k), axis, gains, simulated, goals, ("a made-up note",),
                     place + 1 if feasible else 0)  # fmt: skip

    all_tried = tuple(tried(place, int(k)) for place, k in enumerate(places))
    missing = sorted(
        np.flatnonzero(~passes),
        key=lambda k: sum(min(max(-one.slack[k], 0.0), 10.0) for one in checks),
    )
    shown = int(places[0])
    worst = checks[0]
    return Sizing(
        requirement=requirement,
        combinations=c,
        checks=checks,
        columns=columns,
        passes=passes,
        chosen=places.astype(np.intp),
        ranked=all_tried if feasible else (),
        failed=() if feasible else all_tried,
        nearest=tuple(candidate(int(k)) for k in missing[:20]),
        rules=tuple(
            RuleCount(one.name, one.words, one.key, one.source, "4 kN",
                      int(np.count_nonzero(~one.kept)), 7, _standing(one, int(missing[0])))
            for one in checks
        ),
        sheet=(
            Step("Duty", "a", "acceleration", "", "m/s2", "requirement, [reference]", (), 0.4),
            Step("Duty", "F", "force of inertia", "m*a", "N", "definition",
                 (("m", "mass", 1150.0, "kg"), ("a", "acceleration", 0.4, "m/s2")), 460.0,
                 "heaviest workpiece"),
        ),
        curves=_curves(all_tried, requirement.accuracy.settling_time),
        what_if=(
            WhatIf("moved masses 20 % larger", "circumstance", all_tried[0].candidate.words,
                   {"table.mass": "780 kg"}, (), candidate(shown).figures,
                   all_tried[0].simulated, ()),
            WhatIf("bore one size smaller", "neighbour", parts_words(requirement, c, 0), {},
                   (dataclasses.replace(_standing(worst, 0), slack=-0.2),), {}, {}, (),
                   "breaks a rule, not moved"),
        ) if feasible else (),
        conflicts=() if feasible else (
            Conflict((_standing(worst, shown),), shown, parts_words(requirement, c, shown),
                     "nothing on offer keeps the force reserve; the best misses it by 99 %"),
        ),
        relaxations=() if feasible else (
            Relaxation((Change("margins.force_reserve", "force reserve", 0.3, 0.1, "1", "30 %",
                               "10 %"),), shown, parts_words(requirement, c, shown), 12, False,
                       "a force reserve of 10 % instead of 30 %"),
        ),
        notes=("made up for tests",),
        moves=120,
    )  # fmt: skip


def _curves(tried: tuple[Tried, ...], allowed: float) -> Curves:
    forces = np.linspace(-9000.0, 9000.0, 61)
    with np.errstate(invalid="ignore"):
        full = 0.3 * np.sqrt(1.0 - forces / 8000.0), -0.25 * np.sqrt(1.0 + forces / 7000.0)
    points = np.array([0.0, 0.12, 0.12, 0.0, -0.12, -0.12])
    load = np.array([900.0, 1100.0, 600.0, -200.0, -900.0, -500.0])
    locus = Locus(
        tuple(f"point {k}" for k in range(6)), points, load, np.abs(points) / 0.2,
        forces, full[0], full[1], 0.9 * full[0], 0.9 * full[1], 0.9, 8000.0, -7000.0,
    )  # fmt: skip
    position = np.linspace(0.0, 0.68, 41)
    along = AlongStroke(position, 250.0 + 400.0 * (position - 0.34) ** 2, 180.0, 250.0, 0.34)
    time = np.linspace(0.0, 18.0, 200)
    flow = np.where(np.mod(time, 6.0) < 1.5, 2.5e-4, 1e-5)
    supply = SupplyCycle(
        time, flow, 16e6 - 5e5 * (np.mod(time, 6.0) < 1.5), 5e-5, 1e-4, 16e6, 15.2e6
    )
    count = len(tried)
    settling = SettlingPoints(
        np.array([one.candidate.number for one in tried]),
        tuple(one.candidate.words for one in tried),
        np.linspace(1e-3, 3e-3, count),
        np.array([0.05, 0.063, np.nan]),
        np.array([16.0, 25.0, 40.0]) / 60e3,
        np.full(count, 16e6),
        np.array([one.simulated["settling_time"].worst for one in tried]),
        np.full(count, 1.8),
        np.array([1.5e3, 2.2e3, 3e3]),
        np.array([one.feasible for one in tried]),
        allowed,
    )
    return Curves(locus, along, supply, settling)
