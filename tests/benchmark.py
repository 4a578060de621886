"""Speed and accuracy of the simulation, as ratios measured in one run.

Run it as ``python tests/benchmark.py`` (some minutes), or with ``--axes 5`` for a quick look;
``python tests/benchmark_studies.py`` is its section on many moves at once. It is no test: nothing
here asserts a time. It compares servosim with SciPy's and python-control's integrators on the same
axes: random variations of the demonstration table, 4 s moves, 1 kHz control, 0.1 um class.

- Accuracy: every move is run again with a tolerance a thousand times tighter. A reading that is
  rounded the other way, or a lock that closes a sample earlier, makes another move of it (noise,
  stick and slip carry a nanometre on), so the share of moves within 0.1 um and 0.05 bar is stated
  three times: of all, of those in which no decision differed, and of all with the controller shown
  the readings of the tight run, so that nothing can be decided differently.
- Rivals integrate the independent model of ``tests/reference``, started anew at each sample as the
  held inputs demand; only the time inside the integrator and its right side counts for them, not
  the Python of the sampled controller. Their tolerance is the loosest of the tried ones that keeps
  the class on the nominal move.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import statistics
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))
FILE = HERE.parent / "params" / "tube_sheet_table.toml"
DURATION = 4.0
POSITION_CLASS, PRESSURE_CLASS = 1e-7, 5e3
METHODS = ("RK45", "LSODA")
PLAIN = os.environ.get("NUMBA_DISABLE_JIT") == "1"


def random_changes(count: int) -> list[dict[str, float]]:
    """Return random variations of the demonstration table: values by path."""
    rng = np.random.default_rng(2026)
    return [
        {
            "table.workpiece_mass": rng.uniform(0.0, 900.0),
            "oil.free_air": 10.0 ** rng.uniform(-3.0, -2.0),
            "oil.temperature": rng.uniform(293.15, 328.15),
            "table.coulomb_coefficient": (mu := rng.uniform(0.01, 0.06)),
            "table.static_coefficient": mu * rng.uniform(1.0, 1.5),
            "table.bristle_stiffness": 10.0 ** rng.uniform(7.0, 7.6),
            "valve.natural_frequency": 2.0 * np.pi * rng.uniform(60.0, 120.0),
            "valve.rated_flow": rng.uniform(14.0, 20.0) / 6e4,
            "valve.hysteresis": rng.uniform(0.0006, 0.002),
            "controller.velocity_gain": rng.uniform(12.0, 25.0),
            "controller.load_pressure_feedback": rng.uniform(0.8e-8, 1.6e-8),
            "move.target": rng.uniform(0.26, 0.4),
            "thrust.along": rng.uniform(-100.0, 100.0),
            "move.seed": int(rng.integers(1, 1000)),
        }
        for _ in range(count)
    ]


def base_axis():
    """Return the demonstration table with the move of the benchmark."""
    import servosim

    return servosim.read_axis(FILE).replace({"move.duration": DURATION})


def random_axes(count: int):
    """Return the demonstration table and random variations of it."""
    base = base_axis()
    return [base, *(base.replace(changes) for changes in random_changes(count - 1))]


def _apart(a, b) -> tuple[float, float, bool]:
    """Return the largest differences of position and pressure, and whether a decision differed."""
    x = np.abs(a.state("table_position") - b.state("table_position")).max()
    names = ("pressure_a", "pressure_b", "line_pressure_a", "line_pressure_b")
    p = max(np.abs(a.state(n) - b.state(n)).max() for n in names)
    flipped = not np.array_equal(a.traces["measured_position"], b.traces["measured_position"])
    flipped |= not np.array_equal(a.traces["lock_phase"], b.traces["lock_phase"])
    return float(x), float(p), bool(flipped)


def own(axes) -> dict[str, Any]:
    """Measure servosim on all axes."""
    import servosim

    times, good, unflipped, good_unflipped, replayed, steps = [], 0, 0, 0, 0, []
    worst_x = worst_p = 0.0
    servosim.simulate(axes[0])
    for axis in axes:
        elapsed = []
        for _ in range(3):
            begin = time.perf_counter()
            run = servosim.simulate(axis)
            elapsed.append(time.perf_counter() - begin)
        times.append(min(elapsed))
        steps.append(run.steps / (len(run.time) - 1))
        tight = servosim.simulate(axis, tolerance=1e-9)
        x, p, flipped = _apart(run, tight)
        within = x <= POSITION_CLASS and p <= PRESSURE_CLASS
        good += within
        unflipped += not flipped
        good_unflipped += within and not flipped
        x, p, _ = _apart(servosim.simulate(axis, replay=tight), tight)
        replayed += x <= POSITION_CLASS and p <= PRESSURE_CLASS
        worst_x, worst_p = max(worst_x, x), max(worst_p, p)
    return {
        "states": len(axes[0].states),
        "time": statistics.median(times),
        "steps_per_sample": statistics.median(steps),
        "share": good / len(axes),
        "share_unflipped": good_unflipped / unflipped if unflipped else None,
        "unflipped": unflipped / len(axes),
        "replayed": replayed / len(axes),
        "worst_x": worst_x,
        "worst_p": worst_p,
    }


class _Solver:
    """Integrator of a rival, started anew at every corner; counts its own time."""

    def __init__(self, method: str, rtol: float) -> None:
        from reference import plant, steps
        from scipy import integrate

        self.kind = getattr(integrate, method)
        self.rtol, self.spent = rtol, 0.0
        self.rates, self.small = plant.rates, steps.NEGLIGIBLE * rtol / 1e-9

    def __call__(self, t, t_end, s, given):
        begin = time.thread_time()  # others who want the processor meanwhile don't count
        if PLAIN:  # lists, which plain Python reads faster than arrays
            numbers, held, course, plan = given
            rest = numbers, held.tolist(), course.tolist(), plan.tolist()

            def rates(time_, state):
                return self.rates(time_, state.tolist(), *rest)
        else:

            def rates(time_, state):
                return self.rates(time_, state, *given)

        solver = self.kind(
            rates,
            t,
            s,
            t_end,
            rtol=self.rtol,
            atol=self.small,
        )
        while solver.status == "running":
            solver.step()
        self.spent += time.thread_time() - begin
        return solver.y


class _Plain:
    """Numbers of the independent model as a plain object, for the plain Python right side."""

    def __init__(self, record: Any) -> None:
        for name in record.dtype.names:
            setattr(self, name, record[name].tolist())

    def __getitem__(self, name: str) -> Any:
        return getattr(self, name)


def _model(axis):
    """Return the independent model; without a compiler its numbers are plain Python."""
    from reference.moves import Axis

    model = Axis(axis.file)
    if PLAIN:
        model.n = _Plain(model.n)
        model.numbers = [model.n]
    return model


def _rival_move(axis, method: str, rtol: float):
    """Run a move of the independent model; return its trace and the integrator's time."""
    solver = _Solver(method, rtol)
    rng = np.random.default_rng(axis.file.move.seed)
    n_t = round(DURATION / axis.file.controller.period) + 1
    noise = np.ascontiguousarray(rng.standard_normal((n_t, 3)).T)
    trace = _model(axis).run(noise=noise, advance=solver)
    return trace, solver.spent


def _rival_error(axis, method: str, rtol: float, commands, tight) -> float:
    from reference import plant
    from reference.moves import Axis

    trace = Axis(axis.file).run(
        commands=commands, close_at=tight.closed_at, advance=_Solver(method, rtol)
    )
    return float(np.abs(trace.states[:, plant.X_T] - tight.states[:, plant.X_T]).max())


def tolerance_for(axis, method: str) -> float:
    """Return the loosest tolerance with which a rival keeps the class, commands given."""
    from reference.moves import Axis

    free, _ = _rival_move(axis, "DOP853", 1e-8)
    tight = Axis(axis.file).run(
        commands=free.commands, close_at=free.closed_at, advance=_Solver("DOP853", 1e-9)
    )
    for rtol in (1e-3, 1e-4, 1e-5, 1e-6, 1e-7):
        if _rival_error(axis, method, rtol, free.commands, tight) <= POSITION_CLASS:
            return rtol
    return 1e-8


def rivals(axes, moves: int, methods: tuple[str, ...] = METHODS) -> dict[str, Any]:
    """Time the rivals' integrators; in a process without a compiler the right side is Python."""
    found: dict[str, Any] = {}
    for method in methods:
        rtol = float(os.environ.get(f"RTOL_{method}", "0")) or tolerance_for(axes[0], method)
        _rival_move(axes[0], method, rtol)
        times = [_rival_move(axis, method, rtol)[1] for axis in axes[:moves]]
        found[method] = {"rtol": rtol, "time": statistics.median(times)}
    return found


def plain_rivals(compiled: dict[str, Any]) -> dict[str, Any]:
    """Time the same rivals at the same tolerances with a Python right side, on one move."""
    environment = dict(os.environ, NUMBA_DISABLE_JIT="1")
    for method, found in compiled.items():
        environment[f"RTOL_{method}"] = str(found["rtol"])
    out = subprocess.run(
        [sys.executable, str(HERE / "benchmark.py"), "--rivals", *compiled],
        capture_output=True, text=True, check=True, env=environment,
    )  # fmt: skip
    return dict(json.loads(out.stdout))


def python_control(axis) -> float:
    """Time python-control on the recorded commands of one move, compiled right side."""
    import control
    from reference import plant
    from reference.moves import Axis

    model = Axis(axis.file)
    trace = model.run(advance=_Solver("RK45", 1e-5))
    held = model._hold(0.0)
    held[plant.ALIVE] = 0.0
    held[plant.AREA_A] = held[plant.AREA_B] = held[plant.JOINED_A] = held[plant.JOINED_B] = 1.0

    def update(t, x, u, params):
        held[plant.U_SPOOL] = u[0]
        return plant.rates(t, x, model.numbers, held, model.course, model.plan)

    system = control.NonlinearIOSystem(
        update, None, inputs=1, states=plant.N_STATES, outputs=plant.N_STATES
    )
    begin = time.perf_counter()
    control.input_output_response(
        system,
        trace.time,
        trace.commands,
        trace.states[0],
        solve_ivp_kwargs={"rtol": 1e-6, "atol": 1e-6},
    )
    return time.perf_counter() - begin


def cold_and_warm() -> dict[str, float]:
    """Time the first result of a fresh process with a warm cache, and the bare import."""
    result = (
        "import time; t = time.perf_counter(); import servosim; "
        f"r = servosim.simulate(servosim.read_axis({str(FILE)!r})); servosim.metrics(r); "
        "print(time.perf_counter() - t)"
    )
    bare = "import time; t = time.perf_counter(); import servosim; print(time.perf_counter() - t)"
    found = {}
    for name, code in (("first_result", result), ("import", bare)):
        times = []
        for _ in range(4):
            out = subprocess.run(
                [sys.executable, "-c", code], capture_output=True, text=True, check=True
            )
            times.append(float(out.stdout))
        found[name] = min(times)
    return found


def main() -> None:
    """Run the benchmark and print a table."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument(
        "--axes", type=int, default=40, help="number of axes for speed and accuracy"
    )
    parser.add_argument("--moves", type=int, default=3, help="moves of each rival")
    parser.add_argument("--rivals", nargs="+", choices=METHODS, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.rivals:
        print(json.dumps(rivals(random_axes(1), 1, tuple(options.rivals))))
        return
    axes = random_axes(max(options.axes, options.moves))
    mine = own(axes)
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    t = float(mine["time"])
    print(
        f"servosim: {mine['states']} states, {t * 1e3:.2f} ms a move of {DURATION:g} s "
        f"({mine['steps_per_sample']:.2f} steps a sample), memory {memory:.0f} MB"
    )
    print(f"  within 0.1 um and 0.05 bar: {100 * float(mine['share']):.0f} % of {len(axes)} moves")
    print(
        f"  no decision differed: {100 * float(mine['unflipped']):.0f} %, of these within: "
        + ("-" if mine["share_unflipped"] is None else f"{100 * mine['share_unflipped']:.0f} %")
    )
    print(
        f"  shown the tight run's readings: {100 * mine['replayed']:.0f} % within, worst "
        f"{mine['worst_x'] * 1e9:.1f} nm and {mine['worst_p'] / 1e5:.5f} bar"
    )
    start = cold_and_warm()
    print(
        f"  fresh process, warm cache: first result {start['first_result']:.2f} s, "
        f"import {start['import']:.3f} s"
    )
    compiled = rivals(axes, options.moves)
    plain = plain_rivals(compiled)
    for method in METHODS:
        for name, found in (("compiled", compiled), ("Python", plain)):
            row = found[method]
            print(
                f"SciPy {method}, {name} right side, rtol {row['rtol']:g}: "
                f"{row['time']:.2f} s, ratio {row['time'] / t:.0f}"
            )
    spent = python_control(axes[0])
    print(f"python-control, compiled right side: {spent:.2f} s, ratio {spent / t:.0f}")


if __name__ == "__main__":
    main()
