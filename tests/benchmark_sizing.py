"""Time of a sizing and its shares, and whether its winner keeps what was claimed of it.

Run it as ``python tests/benchmark_sizing.py`` (about two minutes). It is no test: nothing here
asserts a time. The demonstration requirement is sized after the kernels are compiled; the time of
each stage is that between the reports of its progress. As a measure that does not depend on the
machine, the whole is also told in moves: how many moves of the winner one ensemble makes in that
time. Then the winner is moved on random axes inside its envelope, with other noise, against the
window and the settling time that were asked for.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path
from typing import Any

import numpy as np

FILE = Path(__file__).parents[1] / "params/tube_sheet_requirement.toml"
COMPILED_BY = Path(__file__).parents[1] / "params/tube_sheet_table.toml"


class Stages:
    """Time of each stage, from the reports of progress."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self._stage = "before the first report"
        self._last = time.perf_counter()

    def __call__(self, stage: str, done: int, total: int) -> None:
        """Note that a stage is at work."""
        self._note()
        self._stage = stage

    def _note(self) -> None:
        now = time.perf_counter()
        self.seconds[self._stage] = self.seconds.get(self._stage, 0.0) + now - self._last
        self._last = now

    def shares(self) -> dict[str, float]:
        """Return the share of each stage in the whole."""
        self._note()
        whole = sum(self.seconds.values())
        return {name: round(value / whole, 4) for name, value in self.seconds.items()}


def sized(file: Path, workers: int, tried: int | None) -> dict[str, Any]:
    """Return the sizing and its times."""
    import servosim
    from servosim.sizing.candidates import combinations_of
    from servosim.sizing.requirement import read_requirement
    from servosim.sizing.run import size
    from servosim.sizing.screening import screened

    servosim.ensemble([servosim.read_axis(COMPILED_BY)] * 16, workers=workers)  # compiles the rest
    requirement = read_requirement(file, {} if tried is None else {"choice.tried": str(tried)})
    c = combinations_of(requirement)
    begin = time.perf_counter()
    screened(requirement, c)
    algebra = time.perf_counter() - begin
    stages = Stages()
    begin, used = time.perf_counter(), time.process_time()
    found = size(requirement, workers=workers, progress=stages)
    whole = time.perf_counter() - begin
    return {
        "found": found,
        "combinations": len(c),
        "tried": len(found.ranked) + len(found.failed),
        "keep_everything": len(found.ranked),
        "time": whole,
        "processor": time.process_time() - used,
        "algebra_alone_to_whole": algebra / whole,
        "combinations_a_second": len(c) / algebra,
        "shares": stages.shares(),
        "moves": found.moves,
        "moves_a_second": found.moves / whole,
    }


def in_moves(found: Any, seconds: float, workers: int) -> float:
    """Return how many moves of the winner one ensemble makes in a time."""
    import servosim

    axes = [found.best.axis] * 800
    begin = time.perf_counter()
    servosim.ensemble(axes, seeds=range(800), workers=workers)
    return 800 * seconds / (time.perf_counter() - begin)


def kept(found: Any, count: int, workers: int) -> dict[str, Any]:
    """Return how the winner's own move goes on random axes inside its envelope."""
    import servosim
    from servosim.linear.points import CORNER_KEYS

    axis, rng = found.best.axis, np.random.default_rng(11)
    envelope = axis.file.envelope
    axes = [
        axis.replace(
            {name: float(rng.uniform(*getattr(envelope, key))) for key, name in CORNER_KEYS.items()}
        )
        for _ in range(count)
    ]
    result = servosim.ensemble(axes, seeds=range(1000, 1000 + count), workers=workers).metrics
    accuracy = found.requirement.accuracy
    return {
        "axes": count,
        "settled": float(np.mean(np.nan_to_num(result["settled"]))),
        "settling_time": float(np.nanmax(result["settling_time"])),
        "claimed": found.best.simulated["settling_time"].worst,
        "allowed": accuracy.settling_time,
        "overshoot_95": float(np.nanpercentile(result["overshoot"], 95.0)),
        "overshoot_allowed": accuracy.overshoot,
        "resting_error": float(np.nanmax(np.abs(result["resting_error"]))),
        "resting_error_allowed": accuracy.resting_error,
        "cavitation": float(np.nanmax(result["cavitation_time"])),
    }


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--file", type=Path, default=FILE)
    parser.add_argument("--axes", type=int, default=1000, help="random axes")
    parser.add_argument("--tried", type=int, default=None)
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    one = sized(options.file, options.workers, options.tried)
    found = one.pop("found")
    if found.best is not None:
        one["whole_in_moves_of_an_ensemble"] = in_moves(found, one["time"], options.workers)
        one["winner"] = found.best.candidate.words
        one["on_moves"] = kept(found, options.axes, options.workers)
    print(json.dumps(one, indent=1))


if __name__ == "__main__":
    main()
