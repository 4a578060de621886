"""Time of a tuning, and whether its gains keep on other axes what was claimed of them.

Run it as ``python tests/benchmark_tuning.py`` (about a minute). It is no test: nothing here asserts
a time. The demonstration axis is tuned after its kernels are compiled; then its gains are tried on
random axes inside the envelope and positions inside the stretch of the stroke that was asked for:
their margins against the claimed ones, and their moves against window and overshoot.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path
from typing import Any

import numpy as np

FILE = Path(__file__).parents[1] / "params/tube_sheet_table.toml"


def tuned(workers: int, seed: int) -> dict[str, Any]:
    """Return the tuning and its times."""
    import servosim

    axis = servosim.read_axis(FILE)
    servosim.ensemble([axis] * 16, workers=workers)  # compiles what isn't compiled
    begin, used = time.perf_counter(), time.process_time()
    found = servosim.tune(axis, workers=workers, seed=seed)
    return {
        "found": found,
        "time": time.perf_counter() - begin,
        "processor": time.process_time() - used,
        "moves": found.moves,
        "feasible": found.feasible,
    }


def random_axes(axis: Any, count: int) -> list[Any]:
    """Return axes with random values inside the envelope of a file."""
    from servosim.linear.points import CORNER_KEYS

    rng = np.random.default_rng(11)
    envelope = axis.file.envelope
    return [
        axis.replace(
            {name: float(rng.uniform(*getattr(envelope, key))) for key, name in CORNER_KEYS.items()}
        )
        for _ in range(count)
    ]


def margins(found: Any, axes: list[Any]) -> dict[str, Any]:
    """Return the least margins of the tuned gains on the random axes, and the claimed ones."""
    from servosim.linear.family import LoopFamily
    from servosim.linear.points import condition_points, envelope_points

    low, high = found.demands.stroke
    rng = np.random.default_rng(12)
    points = [p for a in axes for p in condition_points(a, float(rng.uniform(low, high)))]
    claimed = [p for p in envelope_points(found.axis, positions=57) if low <= p.position <= high]
    rows: dict[str, Any] = {}
    for name, chosen in (("claimed", claimed), ("found", points)):
        family = LoopFamily(found.axis, chosen)
        both = family.margins({}, peaks=False)
        use = ~family.meaningless
        for cut, one in zip(("command", "position"), both, strict=True):
            rows[f"{name}, {cut}"] = {
                "gain_margin": float(20.0 * np.log10(one.gain_margin[use].min())),
                "phase_margin": float(np.degrees(one.phase_margin[use].min())),
                "unstable": int(np.count_nonzero(~one.stable)),
                "loops": len(family.points),
            }
    return rows


def moves(found: Any, axes: list[Any], workers: int) -> dict[str, Any]:
    """Return how the file's own move goes on the random axes, with noise of their own."""
    import servosim

    result = servosim.ensemble(axes, seeds=range(len(axes)), workers=workers).metrics
    return {
        "axes": len(axes),
        "settled": float(np.mean(np.nan_to_num(result["settled"]))),
        "settling_time": float(np.nanmax(result["settling_time"])),
        "claimed_settling_time": found.after.figures["settling_time"].worst,
        "overshoot_95": float(np.nanpercentile(result["overshoot"], 95.0)),
        "overshoot_allowed": found.demands.overshoot,
        "cavitation": float(np.nanmax(result["cavitation_time"])),
    }


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--axes", type=int, default=1000, help="random axes")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=0)
    options = parser.parse_args()
    one = tuned(options.workers, options.seed)
    found = one.pop("found")
    axes = random_axes(found.axis, options.axes)
    one["margins"], one["on_moves"] = margins(found, axes), moves(found, axes, options.workers)
    print(json.dumps(one, indent=1))


if __name__ == "__main__":
    main()
