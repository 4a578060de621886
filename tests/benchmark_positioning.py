"""Time and memory of the positioning test on virtual machines.

Run it as ``python tests/benchmark_positioning.py`` (a minute). It is no test: nothing here asserts
a time. Each measurement runs in a process of its own, after the kernels are compiled, and says how
much of the machine's processors others used meanwhile (0: none, 1: as much as there is): times with
much of that say nothing, the processor's time says how long it takes on a machine left alone.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]
FILE = ROOT / "params/tube_sheet_table.toml"


def busy() -> float:
    """Return the processor time that the whole machine has used [s]."""
    fields = [float(x) for x in Path("/proc/stat").read_text().split("\n", 1)[0].split()[1:9]]
    idle = fields[3] + fields[4]
    return (sum(fields) - idle) / os.sysconf("SC_CLK_TCK")


def acceptance(machines: int, workers: int, unlocked_alone: bool) -> dict[str, Any]:
    """Return time and memory of a test on so many machines."""
    import servosim
    from servosim.positioning.acceptance import run_acceptance
    from servosim.positioning.population import population

    axis = servosim.read_axis(FILE)
    if unlocked_alone:
        axis = axis.replace({"lock.kind": "none"})
    run_acceptance(axis, machines=1, runs=2, workers=workers)  # compiles what isn't compiled
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    others, begin, used = busy(), time.perf_counter(), time.process_time()
    found = run_acceptance(axis, machines=machines, workers=workers)
    people = population(found, "unlocked")
    span, own = time.perf_counter() - begin, time.process_time() - used
    others = (busy() - others - own) / (span * (os.cpu_count() or 1))
    low, middle, high = people.percentiles("A")
    return {
        "machines": machines,
        "moves": found.moves,
        "workers": workers,
        "seconds": round(span, 2),
        "processor_seconds": round(own, 2),
        "moves_per_processor_second": round(found.moves / own),
        "others": round(max(others, 0.0), 2),
        "memory_MB": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024),
        "memory_before_MB": round(before / 1024),
        "A_um": [round(1e6 * x, 3) for x in (low, middle, high)],
    }


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--machines", type=int, default=200)
    parser.add_argument("--one", type=json.loads, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.one:
        print(json.dumps(acceptance(**options.one)))
        return
    rows = []
    for workers, alone in ((2, True), (2, False), (1, False)):
        one = {"machines": options.machines, "workers": workers, "unlocked_alone": alone}
        command = [sys.executable, __file__, "--one", json.dumps(one)]
        done = subprocess.run(command, capture_output=True, text=True, check=True, cwd=ROOT)
        rows.append(json.loads(done.stdout) | {"readings": 1 if alone else 2})
    print(json.dumps({"acceptance": rows}, indent=1))


if __name__ == "__main__":
    main()
