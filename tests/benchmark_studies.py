"""Speed of many moves at once, as ratios measured in one run: the benchmark's section on studies.

Run it as ``python tests/benchmark_studies.py`` (about half an hour), or with ``--quick`` for a look
of two minutes. It is no test: nothing here asserts a time. The moves are those of ``benchmark.py``.

- Moves per second and what a second worker adds are wall-clock times, medians of several rounds in
  which the ways of working take turns. Beside them stands how much of the machine other programs
  used meanwhile, in processors: the figures count only if that is next to nothing. Rounds without
  disturbance are preferred if there are any, and ``--patience`` waits for them.
- Ratios per core compare processor times of one thread, which others who want the processor hardly
  change. Lanes are compared with the single run's loop by the time inside the compiled loop
  alone, on both sides without the record of all states; with the rivals by the whole time of the
  ensemble, ready axes given, against the time inside the rivals' integrators.
- The accuracy of the ensemble is that of the single run, because its members are the same bits;
  both is measured on some of them.
- Rates of arithmetic: see ``benchmark_arithmetic.py``.
- Memory: a process of its own leads a million cases (``--million``) of few samples into a store.
  The size of a case's figures does not depend on how long its move is, so neither does the memory.
"""

from __future__ import annotations

import argparse
import json
import statistics
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))
SECTIONS = ("lanes", "accuracy", "rivals", "speed", "dask")


class _Clocked:
    """A compiled loop whose calls are timed by the processor time of their thread."""

    def __init__(self, loop: Callable[..., Any], place_of_counts: int) -> None:
        self.loop, self.place = loop, place_of_counts
        self.times: list[float] = []
        self.steps: list[float] = []  # of every move

    def __call__(self, *arguments: Any) -> Any:
        arguments[self.place][8] = 0  # no record of all states
        begin = time.thread_time()
        result = self.loop(*arguments)
        self.times.append(time.thread_time() - begin)
        self.steps += [result[3]] if result is not None else list(arguments[-1][3])
        return result


def warm_up(axes: Sequence[Any]) -> None:
    """Compile what is measured, if it is not in the cache."""
    import servosim
    from servosim.ensemble import ensemble

    ensemble(axes)
    servosim.metrics(servosim.simulate(axes[0]))


def lanes(axes: Sequence[Any], rounds: int) -> dict[str, float]:
    """Compare the loop over lanes with the loop over one move, in turn, whole sets only."""
    import servosim
    from servosim import _integrate
    from servosim._lanes import WIDTH
    from servosim.ensemble import ensemble

    loops = _integrate.run, _integrate.run_lanes
    ratios, alone, side = [], [], []
    try:
        for _ in range(rounds):
            one, many = _Clocked(loops[0], 8), _Clocked(loops[1], 6)
            _integrate.run, _integrate.run_lanes = one, many
            for first in range(0, len(axes) - WIDTH + 1, WIDTH):
                chosen = axes[first : first + WIDTH]
                ensemble(chosen)
                for axis in chosen:
                    servosim.simulate(axis, on_failure="return")
            alone.append(statistics.median(one.times))
            side.append(statistics.median(many.times) / WIDTH)
            ratios.append(sum(one.times) / sum(many.times))
    finally:
        _integrate.run, _integrate.run_lanes = loops
    return {
        "alone": statistics.median(alone),
        "lanes": statistics.median(side),
        "ratio": statistics.median(ratios),
        "steps": statistics.median(many.steps),
        "samples": round(axes[0].move.duration / axes[0].parameters.controller.period) + 1,
    }


def accuracy(axes: Sequence[Any]) -> dict[str, Any]:
    """Compare members of an ensemble with single runs, and those with runs a thousandfold tighter.

    Returns
    -------
    dict
        Shares of the members that are the same bits as their single runs, and that lie within 0.1
        um and 1 um of the tight run over the whole move: as they are, and with the tight run's
        readings replayed.
    """
    import servosim
    from servosim.ensemble import ensemble

    found = ensemble(axes, traces=("table_position", "pressure_a"))
    same, free, replayed = [], [], []
    for k, axis in enumerate(axes):
        run = servosim.simulate(axis)
        figures = {name: metric.value for name, metric in servosim.metrics(run).items()}
        ours = {name: values[k] for name, values in found.metrics.items()}
        equal = all(
            ours[name].tobytes() == np.float64(np.nan if value is None else value).tobytes()
            or (np.isnan(ours[name]) and value is None)
            for name, value in figures.items()
        )
        for name, values in found.traces.items():
            equal &= np.array_equal(values[k], run.traces[name])
        same.append(equal)
        tight = servosim.simulate(axis, tolerance=1e-9)
        again = servosim.simulate(axis, replay=tight)
        x = tight.state("table_position")
        free.append(np.abs(found.traces["table_position"][k] - x).max())
        replayed.append(np.abs(again.state("table_position") - x).max())
    return {
        "members": len(axes),
        "same_bits": float(np.mean(same)),
        **{
            f"{name}_{size}": float(np.mean(np.array(errors) <= size * 1e-6))
            for name, errors in (("free", free), ("replayed", replayed))
            for size in (0.1, 1.0)
        },
        "replayed_worst": float(max(replayed)),
    }


def against_rivals(axes: Sequence[Any], rounds: int, moves: int) -> dict[str, Any]:
    """Compare processor times per move with SciPy's RK45 at the tolerance that keeps the class."""
    from benchmark import plain_rivals, rivals

    from servosim.ensemble import ensemble

    times = []
    for _ in range(rounds):
        begin = time.thread_time()
        ensemble(axes)
        times.append((time.thread_time() - begin) / len(axes))
    own = statistics.median(times)
    compiled = rivals(axes, moves, ("RK45",))
    plain = plain_rivals(compiled)
    return {
        "time": own,
        "rtol": compiled["RK45"]["rtol"],
        "compiled": compiled["RK45"]["time"] / own,
        "plain": plain["RK45"]["time"] / own,
    }


def table(found: dict[str, Any]) -> list[tuple[str, str, str]]:
    """Return rows of what was found: what, value, remark."""
    rows = []
    if "speed" in found:
        s = found["speed"]
        states = (
            f"{s['integrated']} integrated states, {s['quadratures']} of them quadratures, and "
            f"{s['exact']} readings followed exactly"
        )
        start = f"others used {s['start']['others']:.2f} processors"
        rows.append(("start and end of two processes", f"{s['start']['time']:.1f} s", start))
        rows.append(("moves", f"{s['count']}", f"of 4 s at 1 kHz, all different; {states}"))
        for name, text in (
            ("ensemble", "ensemble, ready axes"),
            ("threads", "study end to end, threads"),
            ("processes", "study end to end, processes"),
        ):
            for workers in (1, 2):
                one = s[f"{name} {workers}"]
                remark = f"others used {one['others']:.2f} processors"
                if workers == 2:
                    remark = f"scaling {one['scaling']:.2f}; " + remark
                rows.append((f"{text}, {workers} at work", f"{one['moves']:.0f} moves/s", remark))
    if "lanes" in found:
        k = found["lanes"]
        rows.append(
            (
                "lanes over single loop, one core",
                f"{k['ratio']:.2f}",
                f"{k['lanes'] * 1e3:.3f} and {k['alone'] * 1e3:.2f} ms a move, compiled loops",
            )
        )
    if "rivals" in found:
        r = found["rivals"]
        for name, text in (("plain", "Python"), ("compiled", "compiled")):
            remark = f"rtol {r['rtol']:g}; ensemble {r['time'] * 1e3:.3f} ms a move in all"
            rows.append((f"RK45, {text} right side, per core", f"{r[name]:.0f} times", remark))
    if "accuracy" in found:
        a = found["accuracy"]
        rows.append(("members bit-equal to single runs", f"{100 * a['same_bits']:.0f} %",
                     f"of {a['members']}"))  # fmt: skip
        for name, text in (
            ("replayed", "tight run's readings replayed"),
            ("free", "own readings"),
        ):
            share = f"{100 * a[f'{name}_0.1']:.0f} % and {100 * a[f'{name}_1.0']:.0f} %"
            remark = f"worst {a['replayed_worst'] * 1e9:.1f} nm" if name == "replayed" else ""
            rows.append((f"within 0.1 um and 1 um, {text}", share, remark))
    if "arithmetic" in found:
        m = found["arithmetic"]
        per = f"{m['right_side']:.0f}, {m['step']:.0f}, {m['sample']:.0f}"
        rows.append(("operations: right side, step, rest of a sample", per,
                     f"{m['move'] / 1e6:.1f} million a move"))  # fmt: skip
        peak, plain = m["peak"]["both"] / 1e9, m["peak"]["plain"] / 1e9
        rows.append(("peak of one core, lanes and single numbers",
                     f"{peak:.1f} and {plain:.1f} GFLOP/s",
                     f"sums and products, not fused; ratio {peak / plain:.1f}"))  # fmt: skip
        rows.append(("reached", f"{m['rate'] / 1e9:.1f} and {m['alone'] / 1e9:.1f} GFLOP/s",
                     f"{100 * m['share']:.0f} % and {100 * m['alone_share']:.0f} % of the "
                     "peaks"))  # fmt: skip
        busy, divides = 100 * m["adder_share"], 100 * m["divider_share"]
        rows.append(
            (
                "lanes' time that arithmetic needs at its peaks",
                f"{busy:.0f} % and {divides:.0f} %",
                f"sums and products; quotients and roots. About {100 - busy - divides:.0f} % is "
                f"none of it: results waited for, memory, choices ({100 * m['compare_share']:.0f} "
                "comparisons to 100 operations)",
            )
        )
    if "dask" in found:
        d = found["dask"]
        rows.append(
            (
                "dask over processes, two workers",
                f"{100 * d['overhead']:+.1f} %",
                f"{d['count']} moves in chunks of {d['chunk']}; {d['local']['time']:.1f} and "
                f"{d['processes']['time']:.1f} s; others used {d['local']['others']:.2f} and "
                f"{d['processes']['others']:.2f} processors",
            )
        )
        rows.append(
            (
                "the same without start and end",
                f"{100 * d['overhead_at_work']:+.1f} %",
                f"these took {d['start of local']['time']:.1f} and "
                f"{d['start of processes']['time']:.1f} s",
            )
        )
    if "memory" in found:
        y = found["memory"]
        rows.append(
            (
                "peak memory of the leading process",
                f"{y['led']:.0f} MB",
                f"{y['cases']} cases of {y['duration'] * 1e3:g} ms instead of 4 s, in a store of "
                f"{y['store']:.0f} MB, {y['time']:.0f} s; {y['before']:.0f} MB before, "
                f"{y['read']:.0f} MB after percentiles of a figure",
            )
        )
    return rows


def main() -> None:
    """Run the section and print a table."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--moves", type=int, help="moves of the ensemble (10000)")
    parser.add_argument("--rounds", type=int, help="rounds of each measurement (3)")
    parser.add_argument("--dask-moves", type=int, help="moves for dask, 0 for none (24000)")
    parser.add_argument("--million", type=int, nargs="?", const=1_000_000, default=0,
                        help="measure memory with so many cases")  # fmt: skip
    parser.add_argument("--quick", action="store_true", help="few moves and rounds")
    patience = "longest wait for a quiet machine before each measurement [s] (0)"
    parser.add_argument("--patience", type=float, default=0.0, help=patience)
    parser.add_argument("--only", nargs="+", choices=SECTIONS, default=SECTIONS, help="sections")
    parser.add_argument("--json", type=Path, help="file for everything that was found")
    options = parser.parse_args()
    preset = (200, 1, 0) if options.quick else (10_000, 3, 24_000)
    given = (options.moves, options.rounds, options.dask_moves)
    moves, rounds, clustered = (
        usual if own is None else own for own, usual in zip(given, preset, strict=True)
    )

    from benchmark import random_axes
    from benchmark_arithmetic import arithmetic
    from benchmark_workers import dask, memory, speed

    axes = random_axes(40 if options.quick else 200)
    warm_up(axes[:8])
    found: dict[str, Any] = {}
    if "lanes" in options.only:
        found["lanes"] = k = lanes(axes[:40], max(rounds, 3))
        work = k["steps"], k["samples"], k["lanes"], k["alone"]
        found["arithmetic"] = arithmetic(*work, max(rounds, 3))
    if "accuracy" in options.only:
        found["accuracy"] = accuracy(axes[: 8 if options.quick else 40])
    if "rivals" in options.only:
        found["rivals"] = against_rivals(axes, max(rounds, 3), 1 if options.quick else 3)
    if "speed" in options.only:
        found["speed"] = speed(moves, rounds, options.patience)
    if "dask" in options.only and clustered:
        found["dask"] = dask(clustered, rounds, options.patience)
    if options.million:
        found["memory"] = memory(options.million)
    rows = table(found)
    widths = [max(len(row[column]) for row in rows) for column in range(2)]
    for what, value, remark in rows:
        print(f"{what:<{widths[0]}}  {value:>{widths[1]}}  {remark}".rstrip())
    text = json.dumps(found, indent=1, default=float)
    if options.json:
        options.json.write_text(text + "\n", encoding="utf-8")
    else:
        print(text)


if __name__ == "__main__":
    main()
