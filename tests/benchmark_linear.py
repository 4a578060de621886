"""Speed of the margins of many points, and whether they hold elsewhere in the envelope.

Run it as ``python tests/benchmark_linear.py`` (a minute or two), or with ``--quick`` for a look. It
is no test: nothing here asserts a time; ratios are of one run on one machine.

- Rivals: python-control with a system in the form of states for each point and each cut of the
  loop. Matrices are handed to it, so that only the library's own work counts. The plain way calls
  ``margin`` with the system, which for a sampled loop of some twenty states in SI units goes by way
  of ill-conditioned polynomials; the careful way calls it with the response over two thousand
  frequencies. The share of stable loops at which each agrees with servosim is stated beside it.
- Robustness: gains are chosen for margins over the points of an envelope (its corners, eleven
  positions, four conditions); then random axes inside the envelope, each at a random position, are
  asked whether they keep what was claimed.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import time
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

FILE = Path(__file__).parent.parent / "params" / "tube_sheet_table.toml"
FIGURES = ("gain_margin", "phase_margin", "delay_margin", "maximum_sensitivity")
# feedback with which the axis is stable over its whole envelope, friction damping nothing
PRESSURE_FEEDBACK, HIGH_PASS = 0.1e-8, 40.0 * 2.0 * np.pi  # m/s over Pa, rad/s
DEMANDED_GAIN, DEMANDED_PHASE = 1.5, np.deg2rad(15.0)


def timed(function: Callable[[], Any], repeats: int) -> tuple[float, Any]:
    """Return the least time of some repeats [s] and the last result."""
    least, result = float("inf"), None
    for _ in range(repeats):
        begin = time.perf_counter()
        result = function()
        least = min(least, time.perf_counter() - begin)
    return least, result


def speed(count: int, repeats: int, workers: int) -> dict[str, Any]:
    """Return the times of about so many points of the demonstration table's envelope."""
    import servosim
    from servosim.linear.envelope import envelope_margins
    from servosim.linear.family import LoopFamily
    from servosim.linear.points import envelope_points

    axis = servosim.read_axis(FILE)
    positions = max(round(count / len(envelope_points(axis, positions=1))), 1)
    points = envelope_points(axis, positions=positions)
    envelope_margins(axis, positions=1)  # compiles
    whole, found = timed(lambda: envelope_margins(axis, positions=positions), repeats)
    threads, _ = timed(
        lambda: envelope_margins(axis, positions=positions, workers=workers), repeats
    )
    plants, family = timed(lambda: LoopFamily(axis, points), repeats)
    few = family.take(np.linspace(0, len(family.points) - 1, 100).astype(int))
    few.margins()
    candidate, _ = timed(few.margins, 5 * repeats)
    quick, _ = timed(lambda: few.margins(peaks=False), 5 * repeats)
    return {
        "points": len(found.points),
        "envelope": whole,
        "envelope_threads": threads,
        "plants": plants,
        "candidate_of_100": candidate,
        "candidate_of_100_quick": quick,
    }


def rivals(count: int) -> dict[str, Any]:
    """Return the times of python-control's margins for a point and how often they agree."""
    import control

    import servosim
    from servosim.linear.family import LoopFamily
    from servosim.linear.loops import CUTS, open_loops
    from servosim.linear.points import envelope_points
    from servosim.linear.sampling import sampled

    axis = servosim.read_axis(FILE)
    points = envelope_points(axis, positions=3)
    chosen = np.random.default_rng(1).choice(len(points), min(count, len(points)), replace=False)
    family = LoopFamily(axis, [points[k] for k in chosen])
    plants, controllers = sampled(family.plants), family.controllers()
    loops = [open_loops(plants, controllers, cut) for cut in CUTS]
    ours = family.margins()
    period = plants.period
    grid = np.geomspace(0.01, np.pi / period, 2000)

    def plain(system: Any) -> tuple[float, float]:
        return control.margin(system)[:2]

    def careful(system: Any) -> tuple[float, float]:
        values = system(np.exp(1j * grid * period))
        return control.margin(control.frd(values, grid, smooth=True))[:2]

    found: dict[str, Any] = {"points": len(family.points)}
    for way in (plain, careful):
        spent, agree, judged = 0.0, {"gain_margin": 0, "phase_margin": 0}, 0
        for k in range(len(family.points)):
            for loop, mine in zip(loops, ours, strict=True):
                with warnings.catch_warnings():
                    warnings.simplefilter("ignore")
                    begin = time.perf_counter()
                    gain, phase = way(
                        control.StateSpace(loop.A[k], loop.B[k], loop.C[k], loop.D[k], period)
                    )
                    spent += time.perf_counter() - begin
                if not mine.stable[k]:
                    continue
                judged += 1
                # the library tells the margin that is nearer to one, above or below
                known = np.array([mine.gain_margin[k], mine.gain_margin_low[k]])
                agree["gain_margin"] += bool(np.any(np.isclose(gain, known, rtol=0.01)))
                turn = abs(np.deg2rad(phase))
                agree["phase_margin"] += bool(np.isclose(turn, mine.phase_margin[k], rtol=0.01))
        found[way.__name__] = {
            "time_per_point": spent / len(family.points),
            "agree": {name: number / max(judged, 1) for name, number in agree.items()},
        }
    return found


def robustness(count: int) -> dict[str, Any]:
    """Return the share of random axes inside the envelope that keep what was claimed of it."""
    import servosim
    from servosim.linear.envelope import envelope_margins
    from servosim.linear.family import LoopFamily
    from servosim.linear.points import CORNER_KEYS, condition_points, envelope_points

    axis = servosim.read_axis(FILE)
    feedback = {"k_p": PRESSURE_FEEDBACK, "omega_h": HIGH_PASS}
    points = envelope_points(axis, positions=11)
    best = LoopFamily(axis, points).highest_velocity_gain(
        feedback, gain_margin=DEMANDED_GAIN, phase_margin=DEMANDED_PHASE
    )
    gains = {**feedback, "K_v": best.nearest}
    claimed = envelope_margins(axis, points=points, gains=gains)
    rng = np.random.default_rng(7)
    tried = []
    for _ in range(count):
        changes = {}
        for key, name in CORNER_KEYS.items():
            low, high = getattr(axis.file.envelope, key)
            changes[name] = float(rng.uniform(low, high))
        at = float(rng.uniform(0.0, axis.file.cylinder.stroke))
        tried += condition_points(axis.replace(changes), at)
    found = envelope_margins(axis, points=tried, gains=gains)
    per_axis = len(tried) // count
    rows = {}
    for cut in ("command", "position"):
        for figure in FIGURES:
            largest = figure == "maximum_sensitivity"
            claim = claimed.worst(figure, cut).value
            values = np.where(found.meaningless, claim, getattr(found.cut(cut), figure)).reshape(
                -1, per_axis
            )
            share = claim / values.max(axis=1) if largest else values.min(axis=1) / claim
            rows[f"{figure} at the {cut}"] = {
                "claimed": claim,
                "kept": float(np.mean(share >= 1.0)),
                "kept_within_a_hundredth": float(np.mean(share >= 0.99)),
                "least": float(share.min()),
            }
    return {
        "axes": count,
        "loops": len(found.points),
        "unstable": int(np.count_nonzero(~found.command.stable)),
        "velocity_gain": best.nearest,
        "keeps_demands": best.velocity_gain > 0.0,
        "limited_by": best.demand,
        "figures": rows,
    }


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--quick", action="store_true", help="fewer points, axes and repeats")
    parser.add_argument("--points", type=int, default=1000, help="points of the envelope")
    parser.add_argument("--axes", type=int, default=1000, help="random axes")
    parser.add_argument("--workers", type=int, default=2, help="threads of the second time")
    parser.add_argument("--json", help="file for the numbers")
    options = parser.parse_args()
    quick = options.quick
    fast = speed(options.points, 2 if quick else 5, options.workers)
    slow = rivals(5 if quick else 40)
    held = robustness(50 if quick else options.axes)
    each = fast["envelope"] / fast["points"]
    ratios = {way: slow[way]["time_per_point"] / each for way in ("plain", "careful")}
    print(f"{platform.machine()}, {os.cpu_count()} cores, numpy {np.__version__}")
    print(
        f"{fast['points']} points of the envelope: {fast['envelope']:.3f} s in one thread, "
        f"{fast['envelope_threads']:.3f} s with {options.workers} workers "
        f"(plants {fast['plants']:.3f} s)"
    )
    print(
        f"new gains at 100 points: {1e3 * fast['candidate_of_100']:.1f} ms, "
        f"{1e3 * fast['candidate_of_100_quick']:.1f} ms without peaks"
    )
    for way, ratio in ratios.items():
        agree = slow[way]["agree"]
        print(
            f"python-control, {way}: {1e3 * slow[way]['time_per_point']:.1f} ms a point, "
            f"{ratio:.0f} times as long; agrees within 1 % with {100.0 * agree['gain_margin']:.0f} "
            f"% of gain margins, {100.0 * agree['phase_margin']:.0f} % of phase margins"
        )
    print(
        f"robustness: velocity gain {held['velocity_gain']:.3f} 1/s, limited by "
        f"{held['limited_by']}{'' if held['keeps_demands'] else ' (demands not met)'}; "
        f"{held['axes']} random axes, {held['loops']} loops, {held['unstable']} unstable"
    )
    for name, row in held["figures"].items():
        print(
            f"  {name:34s} claimed {row['claimed']:.4g}: kept by {100.0 * row['kept']:.1f} %, "
            f"within 1 % by {100.0 * row['kept_within_a_hundredth']:.1f} %, worst share "
            f"{row['least']:.4f}"
        )
    if options.json:
        Path(options.json).write_text(
            json.dumps(
                {"speed": fast, "rivals": slow, "ratios": ratios, "robustness": held}, indent=1
            )
        )


if __name__ == "__main__":
    main()
