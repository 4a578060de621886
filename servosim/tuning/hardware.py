"""Changes of hardware, and what each would give with gains tuned anew.

Sources. Bores of the preferred series: ISO 3320 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from servosim.axis import Axis
from servosim.errors import ParameterError
from servosim.params import Range
from servosim.tuning.bench import Bench
from servosim.tuning.cases import Case, short_axis
from servosim.tuning.demands import Demands, Effort
from servosim.tuning.loop_gains import Loops, points_alike
from servosim.tuning.loop_stages import stage_of
from servosim.tuning.result import HardwareChange
from servosim.tuning.search import Found, Search
from servosim.tuning.unknowns import SLOWEST, get, is_read

BORES = (8, 10, 12, 16, 20, 25, 32, 40, 50, 63, 80, 100, 125, 160, 200, 250, 320, 400, 500)
_DISPLACEMENT = 1.25  # next larger motor: steps of the series R10 (own choice)
_POPULATION, _CASES = 14, 10
_STAGE_GENERATIONS = 6
_SEEDS = (11, 12)


@dataclass(frozen=True)
class Option:
    """One change of hardware.

    Attributes
    ----------
    name : str
        In words.
    changes : mapping of str to object
        Keys of the file and their values [SI].
    note : str
        What must be said about it, or "".
    """

    name: str
    changes: Mapping[str, Any]
    note: str = ""


def options_of(axis: Axis) -> list[Option]:
    """Return the changes of hardware that mean something for an axis.

    Parameters
    ----------
    axis : Axis
        The axis.

    Returns
    -------
    list of Option
        Only such as the file has something to change for.
    """
    f = axis.file
    v, c = f.valve, f.controller
    found = [_valve(axis)]
    if v.hysteresis > 0.0 or v.threshold > 0.0:
        halves = {"valve.hysteresis": 0.5 * v.hysteresis, "valve.threshold": 0.5 * v.threshold}
        found.append(Option("valve with half the hysteresis and threshold", halves))
    if v.null_shift_temperature != 0.0 or v.null_shift_pressure != 0.0:
        found.append(
            Option(
                "valve with half the null shift",
                {
                    "valve.null_shift_temperature": 0.5 * v.null_shift_temperature,
                    "valve.null_shift_pressure": 0.5 * v.null_shift_pressure,
                },
            )
        )
    found += _feedback(axis)
    found += _volumes(axis)
    if f.oil.free_air > 0.0 or f.envelope.free_air.high > 0.0:
        air = f.envelope.free_air
        changes = {
            "oil.free_air": 0.5 * f.oil.free_air,
            "envelope.free_air": Range(0.5 * air.low, 0.5 * air.high),
        }
        found.append(Option("oil with half the free air", changes))
    found += _bore(axis)
    if c.kind == "sampled":
        faster = {
            "controller.period": 0.5 * c.period,
            "controller.computing_delay": 0.5 * c.computing_delay,
        }
        found.append(Option("half the sampling period and computing delay", faster))
    return found


def _valve(axis: Axis) -> Option:
    v = axis.file.valve
    if v.dynamics == "second_order":
        changes = {"valve.natural_frequency": 2.0 * v.natural_frequency}
    else:
        changes = {"valve.time_constant": 0.5 * v.time_constant}
    return Option(
        "valve of twice the bandwidth", {**changes, "valve.stroke_time": 0.5 * v.stroke_time}
    )


def _feedback(axis: Axis) -> list[Option]:
    """Return pressure transducers, if there are none."""
    f = axis.file
    if f.transducer.pressure != "none":
        return []
    exact = f.controller.kind == "continuous"
    highest = max(f.supply.pressure, f.envelope.supply_pressure.high)
    changes: dict[str, Any] = {
        "transducer.pressure": "both_ports",
        "transducer.pressure_resolution": 0.0 if exact else 1e-4 * highest,
        "transducer.pressure_noise": 0.0 if exact else 2e-4 * highest,
        "transducer.pressure_time_constant": 0.5e-3,
        "transducer.pressure_range": 2.0 * highest,
    }
    note = "transducers with a lag of 0.5 ms, noise of 0.02 % of the supply pressure (own choice)"
    return [Option("pressure transducers, feedback of load pressure", changes, note)]


def _volumes(axis: Axis) -> list[Option]:
    names = ("dead_volume_a", "dead_volume_b", "line_volume_a", "line_volume_b",
             "hose_volume_a", "hose_volume_b")  # fmt: skip
    keys = [f"cylinder.{name}" for name in names if hasattr(axis.file.cylinder, name)]
    changes = {
        key: 0.5 * getattr(axis.file.cylinder, key.split(".")[1])
        for key in keys
        if is_read(axis, key) and getattr(axis.file.cylinder, key.split(".")[1]) > 0.0
    }
    return [Option("half the dead volume: shorter hoses and lines", changes)] if changes else []


def _bore(axis: Axis) -> list[Option]:
    """Return the next larger bore or motor, valve and pump larger in the same proportion."""
    c = axis.file.cylinder
    name, area = "", 1.0
    changes: dict[str, Any] = {}
    if is_read(axis, "cylinder.displacement") and c.displacement > 0.0:
        area, name = _DISPLACEMENT, "motor of a displacement 25 % larger"
        changes["cylinder.displacement"] = area * c.displacement
    else:
        larger = [b for b in BORES if 1e-3 * b > 1.02 * c.bore_diameter]
        if not larger:
            return []
        name = f"next larger bore, {larger[0]} mm (ISO 3320, from memory)"
        changes["cylinder.bore_diameter"] = 1e-3 * larger[0]
        wider = axis.replace(changes).parameters.cylinder
        area = wider.A_A / axis.parameters.cylinder.A_A
    for key in ("valve.rated_flow", "valve.null_leakage", "valve.pilot_leakage",
                "supply.pump_flow", "supply.line_flow", "supply.relief_gradient"):  # fmt: skip
        if is_read(axis, key):
            changes[key] = area * get(axis, key)
    return [Option(name, changes, "valve and pump larger in the same proportion")]


def _rank(one: HardwareChange) -> tuple[float, float]:
    """Order by what is missing, then by the time to settle."""
    return one.violation, one.settling_time if math.isfinite(one.settling_time) else math.inf


@dataclass
class Workshop:
    """Tries changes of hardware against the axis as it is, all with the same effort.

    Attributes
    ----------
    axis : Axis
        The axis of the file.
    search : Search
        The search that led to the proposed values, with its worst cases.
    loops : Loops
        Margins of the axis as it is.
    found : Found
        Where it ended.
    changes : mapping of str to object
        The proposed values [SI].
    delay : float
        Time by which the file's move is longer than the short one [s].
    """

    axis: Axis
    demands: Demands
    effort: Effort
    search: Search
    loops: Loops
    found: Found
    changes: Mapping[str, Any]
    delay: float

    def rank(
        self, tell: Callable[[str, int, int], Any]
    ) -> tuple[HardwareChange | None, tuple[HardwareChange, ...]]:
        """Return the axis as it is, and the changes of hardware, the best first."""
        if self.effort.hardware < 1:
            return None, ()
        options = options_of(self.axis)
        tell("hardware", 0, len(options) + 1)
        usual = self._tried(Option("as it is", {}), None)
        tried = []
        for k, option in enumerate(options, 1):
            tell("hardware", k, len(options) + 1)
            tried.append(self._tried(option, usual))
        tell("hardware", len(options) + 1, len(options) + 1)
        order = sorted(tried, key=_rank)
        return usual, tuple(order)

    def _tried(self, option: Option, usual: HardwareChange | None) -> HardwareChange:
        """Return what one change gives, with gains tuned anew by a small search."""
        nan = math.nan
        try:
            axis = self.axis.replace(dict(option.changes)) if option.changes else self.axis
            return self._searched(axis, option, usual)
        except ParameterError as error:
            note = f"not possible: {str(error).splitlines()[0]}"
            return HardwareChange(option.name, option.changes, nan, nan, math.inf, nan, nan, note)

    def _searched(self, axis: Axis, option: Option, usual: HardwareChange | None) -> HardwareChange:
        demands = self.demands
        if axis.file.transducer.pressure != self.axis.file.transducer.pressure:
            kinds = (*demands.stabilising_feedback, "load_pressure")
            demands = Demands(**{**vars(demands), "stabilising_feedback": kinds})
        kinds = sorted(
            {self.found.stage.kind}
            | (set(demands.stabilising_feedback) - set(self.demands.stabilising_feedback))
        )
        points = [p for kind in self.loops.kinds for p in self.loops.few(kind).points]
        loops = Loops(axis, demands, points_alike(axis, self.axis, points))
        before = self.found.stage
        begin = {**before.gains, "velocity_gain": max(before.velocity_gain, 1e-3)}
        stages = [
            stage_of(loops, kind, self.search.seed, begin if kind == before.kind else None,
                     _STAGE_GENERATIONS)
            for kind in kinds
        ]  # fmt: skip
        best = max(stages, key=lambda one: one.velocity_gain)
        stage = best
        if best.kind == before.kind:  # ranges about what is known to be of use
            stage = replace(before, velocity_gain=max(best.velocity_gain, before.velocity_gain))
        chosen = self.search.active[:_CASES]
        cases = [self._moved(self.search.cases[k], axis) for k in chosen]
        effort = Effort(
            **{
                **vars(self.effort),
                "population": _POPULATION,
                "cases": len(cases),
                "generations": self.effort.hardware,
            }
        )
        bench = Bench(short_axis(axis, SLOWEST), self.search.bench.workers)
        search = Search(axis, demands, effort, bench, cases, loops, self.search.seed, 1.0,
                        list(range(len(cases))))  # fmt: skip
        ratio = 1.0
        if before.velocity_gain > 0.0 and best.velocity_gain > 0.0:
            ratio = best.velocity_gain / before.velocity_gain
        gain = float(self.changes.get("controller.velocity_gain",
                                      self.axis.file.controller.velocity_gain))  # fmt: skip
        same = {key: value for key, value in self.changes.items() if not isinstance(value, str)}
        known = [same, {**same, "controller.velocity_gain": gain * ratio}]
        begun = search.begin(stage, integral=self.found.integral, gentle=self.found.gentle,
                             known=known)  # fmt: skip
        ended = search.improve(begun)
        self.search.bench.moves += bench.moves
        _, terms, found = search.judge([ended.changes], cases, _SEEDS, 1.0)
        settled = bool(np.all(np.nan_to_num(found.figures["settled"]) > 0.5))
        time = float(terms.time.max()) + self.delay if settled else math.nan
        violation = max(float(terms.violation.max()), loops.missing(ended.changes), 0.0)
        saved = usual.settling_time - time if usual is not None else 0.0
        return HardwareChange(
            option.name, option.changes, time, saved, violation,
            float(ended.changes["controller.velocity_gain"]), best.velocity_gain, option.note,
        )  # fmt: skip

    def _moved(self, case: Case, axis: Axis) -> Case:
        """Return a case with the ends of its ranges where the changed axis has them."""
        before, after = self.axis.file.envelope, axis.file.envelope
        corner = {}
        for key, value in case.corner.items():
            low, high = getattr(before, key)
            share = (value - low) / (high - low) if high > low else 0.0
            a, b = getattr(after, key)
            corner[key] = a + share * (b - a)
        return Case(corner, case.place)
