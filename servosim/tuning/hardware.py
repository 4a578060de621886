"""Changes of hardware, and what each would give with gains tuned anew.

Sources. Bores of the preferred series: ISO 3320 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import partial
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
from servosim.tuning.result import HardwareChange, LoopStage
from servosim.tuning.search import Found, Search
from servosim.tuning.unknowns import SLOWEST, changes_of, get, is_read, lag_of, moved_mass

BORES = (8, 10, 12, 16, 20, 25, 32, 40, 50, 63, 80, 100, 125, 160, 200, 250, 320, 400, 500)
_DISPLACEMENT = 1.25  # next larger motor: steps of the series R10 (own choice)
_POPULATION, _CASES = 12, 10
_STAGE_GENERATIONS, _SCALED = 6, 4
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
    parts = ("hysteresis", "threshold", "null_shift_temperature", "null_shift_pressure")
    halves = {f"valve.{name}": 0.5 * getattr(v, name) for name in parts if getattr(v, name) != 0.0}
    if halves:
        name = "valve with half the hysteresis, threshold and null shift"
        found.append(Option(name, halves))
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
    """Tries changes of hardware against the axis as it is.

    The axis as it is is searched once more, in the few worst cases; what that leads to is where the
    search for each change begins, so that all are compared on equal terms.

    Attributes
    ----------
    axis : Axis
        The axis of the file.
    demands : Demands
        With every default filled in.
    effort : Effort
        Generations of each search.
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
    moves : list of int
        Moves of each search, noted down as it ends.
    """

    axis: Axis
    demands: Demands
    effort: Effort
    search: Search
    loops: Loops
    found: Found
    changes: Mapping[str, Any]
    delay: float
    moves: list[int] = field(default_factory=list)

    def rank(
        self, tell: Callable[[str, int, int], Any]
    ) -> tuple[HardwareChange | None, tuple[HardwareChange, ...]]:
        """Return the axis as it is, and the changes of hardware, the best first.

        What the axis as it is ``saved`` is what one more search of it brought: smaller differences
        are the chance of the search.
        """
        if self.effort.hardware < 1:
            return None, ()
        options = options_of(self.axis)
        tell("hardware", 0, len(options) + 1)
        begun = [dict(self.changes)]
        usual = self._tried(Option("as it is", {}), None, begun, 2 * self.effort.hardware)
        again = self._tried(Option("as it is", {}), usual, begun, self.effort.hardware)
        reference = min(usual, again, key=_rank)
        tried = []
        with ThreadPoolExecutor(max_workers=self.search.bench.workers) as pool:
            try:
                # side by side: while one runs its moves, another has its margins computed
                one = partial(
                    self._tried, usual=reference, begun=begun, generations=self.effort.hardware
                )
                for k, change in enumerate(pool.map(one, options), 1):
                    tell("hardware", k, len(options) + 1)
                    tried.append(change)
            except BaseException:
                pool.shutdown(cancel_futures=True)
                raise
        self.search.bench.moves += sum(self.moves)
        tell("hardware", len(options) + 1, len(options) + 1)
        return replace(reference, saved=abs(again.saved)), tuple(sorted(tried, key=_rank))

    def _tried(
        self,
        option: Option,
        usual: HardwareChange | None,
        begun: list[dict[str, Any]],
        generations: int,
    ) -> HardwareChange:
        """Return what one change gives with gains tuned anew."""
        nan = math.nan
        try:
            axis = self.axis.replace(dict(option.changes)) if option.changes else self.axis
            return self._searched(axis, option, usual, begun, generations)
        except ParameterError as error:
            note = f"not possible: {str(error).splitlines()[0]}"
            return HardwareChange(option.name, option.changes, nan, nan, math.inf, nan, nan, note)

    def _searched(
        self,
        axis: Axis,
        option: Option,
        usual: HardwareChange | None,
        begun: list[dict[str, Any]],
        generations: int,
    ) -> HardwareChange:
        demands, before = self.demands, self.found.stage
        if axis.file.transducer.pressure != self.axis.file.transducer.pressure:
            more = (*demands.stabilising_feedback, "load_pressure")
            demands = replace(demands, stabilising_feedback=more)
        kinds = {before.kind} | set(demands.stabilising_feedback) - set(
            self.demands.stabilising_feedback
        )
        points = [p for kind in self.loops.kinds for p in self.loops.few(kind).points]
        loops = Loops(axis, demands, points_alike(axis, self.axis, points))
        known = {**before.gains, "velocity_gain": max(before.velocity_gain, 1e-3)}
        seed = self.search.seed
        stages = [
            stage_of(loops, kind, seed, known if kind == before.kind else None, _STAGE_GENERATIONS)
            for kind in sorted(kinds)
        ]
        stage = max(stages, key=lambda one: one.velocity_gain)
        places = self.search.active[:_CASES]
        cases = [self._moved(self.search.cases[k], axis) for k in places]
        effort = replace(
            self.effort, population=_POPULATION, cases=len(cases), generations=generations
        )
        bench = Bench(short_axis(axis, SLOWEST), self.search.bench.workers if usual is None else 1)
        search = Search(axis, demands, effort, bench, cases, loops, seed, 1.0,
                        list(range(len(cases))))  # fmt: skip
        wide = replace(stage, velocity_gain=max(stage.velocity_gain, before.velocity_gain))
        scaled = [
            _lagged(_scaled(one, before, stage), one, self.axis, axis) for one in begun[:_SCALED]
        ]
        ended = search.improve(
            search.begin(
                wide,
                integral=self.found.integral,
                gentle=self.found.gentle,
                known=[*begun[:1], *scaled, *begun[1:]],
            )
        )
        self.moves.append(bench.moves)
        if usual is None:
            begun[:] = [ended.changes] + [
                changes_of(ended.unknowns, one, ended.fixed) for one in ended.population
            ]
        _, terms, found = search.judge([ended.changes], cases, _SEEDS, 1.0)
        settled = bool(np.all(np.nan_to_num(found.figures["settled"]) > 0.5))
        time = float(terms.time.max()) + self.delay if settled else math.nan
        violation = max(float(terms.violation.max()), loops.missing(ended.changes), 0.0)
        saved = usual.settling_time - time if usual is not None else 0.0
        gain = float(ended.changes["controller.velocity_gain"])
        return HardwareChange(option.name, option.changes, time, saved, violation, gain,
                              stage.velocity_gain, option.note)  # fmt: skip

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


def _scaled(changes: Mapping[str, Any], before: LoopStage, after: LoopStage) -> dict[str, Any]:
    """Return gains in the proportion in which the margins of two axes admit them."""
    found = {key: one for key, one in changes.items() if not isinstance(one, str)}
    key = "controller.velocity_gain"
    if before.velocity_gain > 0.0 and after.velocity_gain > 0.0 and key in found:
        found[key] *= after.velocity_gain / before.velocity_gain
    for name, value in after.gains.items():
        key = f"controller.{name}"
        if key in found and before.gains.get(name, 0.0) > 0.0:
            found[key] *= value / before.gains[name]
    return found


def _lagged(
    changes: Mapping[str, Any], own: Mapping[str, Any], before: Axis, after: Axis
) -> dict[str, Any]:
    """Return gains with the acceleration feed-forward that the other axis' lag asks for.

    Parameters
    ----------
    changes, own : mapping of str to object
        The gains, and those from which they were scaled [SI].
    before, after : Axis
        The axis of the latter, and that of the former.
    """
    found = {key: one for key, one in changes.items() if not isinstance(one, str)}
    key = "controller.acceleration_feedforward"
    if key in found:
        found[key] = own[key] + _lag(after, found) - _lag(before, own)
    return found


def _lag(axis: Axis, changes: Mapping[str, Any]) -> float:
    """Return the velocity that an acceleration asks for in advance, over it [s]."""
    lag = lag_of(axis) + changes.get("controller.acceleration_feedback", 0.0)
    fed_back = changes.get("controller.load_pressure_feedback", 0.0)
    return float(lag + fed_back * moved_mass(axis) / axis.parameters.cylinder.A_A)
