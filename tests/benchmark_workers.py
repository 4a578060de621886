"""Many moves by several workers: speed, what dask costs, and the memory of the leading process.

Run ``python tests/benchmark_studies.py``, whose docstring says how it is measured.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).parent
QUIET = 0.05  # processors that others may use in a round that counts
MEGABYTE = 1024.0  # in the unit of the peak, kB
SHORT = 0.004  # duration of a move of the measurement of memory, s
_MEMORY = """
import sys
from pathlib import Path
import servosim

def peak():  # unlike that of getrusage, it does not begin with the memory of the calling process
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(line.split()[1] for line in lines if line.startswith("VmHWM"))

if __name__ == "__main__":
    file, store, cases, duration = sys.argv[1:]
    axis = servosim.read_axis(file)
    before = peak()
    result = servosim.study(
        axis,
        {
            "table.workpiece_mass": servosim.Uniform("0 kg", "900 kg"),
            "controller.velocity_gain": servosim.Uniform("12 1/s", "25 1/s"),
        },
        samples=int(cases), method="random", move={"duration": float(duration)}, store=store,
        executor="processes", workers=2,
    )
    led = peak()
    result.percentiles("supply_pressure_min", (5.0, 95.0))
    read = peak()
    print(before, led, read, len(result))
"""


def _used() -> tuple[float, float, float]:
    """Return wall clock, processor time of this process and its children, and of the machine."""
    machine = 0.0
    if Path("/proc/stat").exists():
        fields = [float(f) for f in Path("/proc/stat").read_text().split("\n")[0].split()[1:9]]
        machine = (sum(fields) - fields[3] - fields[4]) / os.sysconf("SC_CLK_TCK")
    return time.perf_counter(), sum(os.times()[:4]), machine


def _await_quiet(patience: float) -> None:
    """Wait until others leave the machine alone, for a time at most [s]."""
    end = time.perf_counter() + patience
    while time.perf_counter() < end:
        begin = np.array(_used())
        time.sleep(0.5)
        wall, own, machine = np.array(_used()) - begin
        if machine - own < QUIET * wall:
            return


def in_turn(
    ways: dict[str, Callable[[], Any]], rounds: int, patience: float
) -> dict[str, dict[str, float]]:
    """Time several ways of working in turn.

    Parameters
    ----------
    ways : dict of str to callable
        The ways.
    rounds : int
        How often each is timed.
    patience : float
        Longest wait for a quiet machine before each [s].

    Returns
    -------
    dict of str to dict
        By way: median wall-clock time and processor time [s], and what others used of the machine
        meanwhile [processors].
    """
    seen: dict[str, list[tuple[float, float, float]]] = {name: [] for name in ways}
    for _ in range(rounds):
        for name, way in ways.items():
            _await_quiet(patience)
            begin = np.array(_used())
            way()
            wall, own, machine = np.array(_used()) - begin
            seen[name].append((wall, own, max(machine - own, 0.0) / wall))
    found = {}
    for name, rows in seen.items():
        quiet = [row for row in rows if row[2] < QUIET] or rows
        wall, own, others = (statistics.median(column) for column in zip(*quiet, strict=True))
        found[name] = {"time": wall, "processor": own, "others": others}
    return found


def speed(count: int, rounds: int, patience: float) -> dict[str, Any]:
    """Measure moves per second of the ensemble and of whole studies, by one and two workers."""
    from benchmark import base_axis, random_axes, random_changes

    import servosim
    from servosim._equations import QUADRATURES
    from servosim.ensemble import ensemble

    base, changes, axes = base_axis(), random_changes(count), random_axes(count)
    for axis in axes:
        _ = axis.parameters, axis.move
    ways: dict[str, Callable[[], Any]] = {}
    for workers in (1, 2):
        ways[f"ensemble {workers}"] = lambda w=workers: ensemble(axes, workers=w)
        for kind in ("threads", "processes"):
            ways[f"{kind} {workers}"] = lambda k=kind, w=workers: servosim.study(
                base, cases=changes, executor=k, workers=w
            )
    ways["start"] = lambda: servosim.study(
        base, cases=changes[:16], executor="processes", workers=2
    )
    found = in_turn(ways, rounds, patience)
    p = axes[0].parameters
    for name in ("ensemble", "threads", "processes"):
        for workers in (1, 2):
            found[f"{name} {workers}"]["moves"] = count / found[f"{name} {workers}"]["time"]
        found[f"{name} 2"]["scaling"] = found[f"{name} 1"]["time"] / found[f"{name} 2"]["time"]
    return {
        "count": count,
        "integrated": p.n_x,
        "quadratures": len(QUADRATURES),
        "exact": p.n_all - p.n_x,
        **found,
    }


def dask(count: int, rounds: int, patience: float) -> dict[str, Any]:
    """Compare a study on a cluster of dask with one on processes, two workers each."""
    from benchmark import base_axis, random_changes

    import servosim
    from servosim.studies.chunks import chunk_size
    from servosim.studies.design import plan_of

    base, changes = base_axis(), random_changes(count)
    plan, few = plan_of(base, cases=changes), plan_of(base, cases=changes[:16])
    ways: dict[str, Callable[[], Any]] = {
        kind: lambda k=kind: servosim.study(plan, executor=k, workers=2, chunk=3000)
        for kind in ("processes", "local")
    }
    for kind in ("processes", "local"):
        ways[f"start of {kind}"] = lambda k=kind: servosim.study(few, executor=k, workers=2)
    found: dict[str, Any] = dict(in_turn(ways, rounds, patience))
    found["overhead"] = found["local"]["time"] / found["processes"]["time"] - 1.0
    at_work = [
        found[kind]["time"] - found[f"start of {kind}"]["time"] for kind in ("local", "processes")
    ]
    found["overhead_at_work"] = at_work[0] / at_work[1] - 1.0
    return {"count": count, "chunk": chunk_size(plan, 3000, 2), **found}


def memory(count: int) -> dict[str, Any]:
    """Measure the peak memory of the process that leads a study of many cases into a store."""
    with tempfile.TemporaryDirectory() as folder:
        script = Path(folder) / "lead.py"
        script.write_text(_MEMORY)
        base = HERE.parent / "params" / "tube_sheet_table.toml"
        begin = time.perf_counter()
        out = subprocess.run(
            [sys.executable, script, base, Path(folder) / "many.study", str(count), str(SHORT)],
            capture_output=True, text=True,
        )  # fmt: skip
        elapsed = time.perf_counter() - begin
        if out.returncode:
            raise RuntimeError(out.stderr)
        size = sum(f.stat().st_size for f in Path(folder).rglob("*") if f.is_file())
    before, led, read, cases = (float(word) for word in out.stdout.split())
    return {
        "cases": int(cases),
        "duration": SHORT,
        "time": elapsed,
        "store": size / 1e6,
        "before": before / MEGABYTE,
        "led": led / MEGABYTE,
        "read": read / MEGABYTE,
    }
