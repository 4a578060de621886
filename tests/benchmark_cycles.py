"""Time of a whole list on one core, as ratios, and the memory it takes.

Run it as ``python tests/benchmark_cycles.py`` (half a minute). It is no test: nothing here asserts
a time. The demonstration list of 199 holes is run on the demonstration axis after its kernels are
compiled. Processor time is what counts on a machine that does other work too; it stands beside the
time that the machine itself would take, and beside that of bare moves of the same kind without what
a cycle adds to them. Lists of several lengths show whether the time for a hole and the memory grow.
"""

from __future__ import annotations

import argparse
import json
import time
import tracemalloc
from dataclasses import replace
from pathlib import Path
from typing import Any

PARAMS = Path(__file__).parents[1] / "params"


def timed(work: Any) -> tuple[Any, float, float]:
    """Return what a function returns, and the processor and wall time it took [s]."""
    begin, used = time.perf_counter(), time.process_time()
    found = work()
    return found, time.process_time() - used, time.perf_counter() - begin


def demonstration() -> tuple[Any, Any]:
    """Return the demonstration axis and list."""
    import servosim
    from servosim.cycles import read_positions

    axis = servosim.read_axis(PARAMS / "tube_sheet_table.toml")
    stroke = axis.parameters.cylinder.L
    return axis, read_positions(PARAMS / "tube_sheet_positions.csv", stroke=stroke)


def whole_list(repeats: int) -> dict[str, Any]:
    """Return times of the demonstration list, of reading it, and of its stops."""
    from servosim.cycles.cycle import run_cycle
    from servosim.cycles.stops import run_stops

    (axis, positions), reading, _ = timed(demonstration)
    run_cycle(axis, replace(positions, positions=positions.positions[:2]))  # compiles
    runs = [timed(lambda: run_cycle(axis, positions)) for _ in range(repeats)]
    cycle, used, wall = min(runs, key=lambda one: one[1])
    stops, used_stops, _ = timed(lambda: run_stops(axis, positions))
    machine = cycle.totals["cycle_time"]
    return {
        "positions": cycle.done,
        "status": cycle.status,
        "machine_time": machine,
        "processor_time": used,
        "wall_time": wall,
        "machine_over_processor_time": machine / used,
        "processor_time_a_position": used / cycle.done,
        "reading_axis_and_list": reading,
        "stops": len(stops),
        "processor_time_stops": used_stops,
    }


def bare_moves(count: int) -> dict[str, Any]:
    """Return what single moves take for a second of the machine, without table and traces."""
    import servosim

    axis, _ = demonstration()
    servosim.simulate(axis)
    runs, used, _ = timed(lambda: [servosim.simulate(axis, seed=k) for k in range(count)])
    machine = sum(float(run.time[-1]) for run in runs)
    return {"moves": count, "machine_over_processor_time": machine / used}


def growth(copies: tuple[int, ...]) -> list[dict[str, Any]]:
    """Return time a position and peak of memory for lists several times as long."""
    from servosim.cycles.cycle import run_cycle

    axis, positions = demonstration()
    rows = []
    for number in copies:
        longer = replace(positions, positions=positions.positions * number)
        cycle, used, _ = timed(lambda longer=longer: run_cycle(axis, longer))
        tracemalloc.start()
        run_cycle(axis, longer)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        rows.append(
            {
                "positions": cycle.done,
                "processor_time_a_position": used / cycle.done,
                "peak_memory": peak,
                "points_of_the_traces": len(cycle.traces["time"]),
            }
        )
    return rows


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--repeats", type=int, default=5, help="runs of the list, the best counts")
    parser.add_argument("--copies", type=int, nargs="*", default=[1, 2, 4], help="lengths of lists")
    options = parser.parse_args()
    found = {"list": whole_list(options.repeats), "bare_moves": bare_moves(50)}
    ratio = found["list"]["machine_over_processor_time"]
    bare = found["bare_moves"]["machine_over_processor_time"]
    found["cycle_over_bare_moves"] = {"processor_time": bare / ratio}
    found["growth"] = growth(tuple(options.copies))  # type: ignore[assignment]
    print(json.dumps(found, indent=1))


if __name__ == "__main__":
    main()
