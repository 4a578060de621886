"""How fast the processor could compute, and how much arithmetic a move is.

The peak is measured with lanes that do nothing but multiply and add, independently of each other
and without fused operations, as in the kernels. The work is counted by running the Python source of
the kernels with numbers that count what is done to them; sums, differences, products, quotients and
square roots are operations, comparisons and choices are not. It is counted as the source is
written: what the compiler finds to be the same for all steps is counted every time. Run
``python tests/benchmark_studies.py`` for the whole.
"""

from __future__ import annotations

import json
import math
import operator
import os
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np

CHAINS = 8  # of additions, and as many of multiplications: more than the processor's delay needs
ROUNDS = 2_000_000
COUNTED = 0.25  # of the move is run with counting numbers, s
OPERATIONS = ("add", "multiply", "divide", "root")


def _rates() -> dict[str, Callable[..., None]]:
    """Return kernels that repeat one kind of operation on independent lanes."""
    import numba

    from servosim._lanes import as_row

    @numba.njit(error_model="numpy", nogil=True)
    def mixed(row: Any, n: int) -> None:
        a, b, c, d = row[0], row[1], row[2], row[3]
        e, f, g, h = row[4], row[5], row[6], row[7]
        i, j, k, m = row[8], row[9], row[10], row[11]
        o, p, q, r = row[12], row[13], row[14], row[15]
        more, factor = row[16], row[17]
        for _ in range(n):
            a, b, c, d = a + more, b + more, c + more, d + more
            e, f, g, h = e + more, f + more, g + more, h + more
            i, j, k, m = i * factor, j * factor, k * factor, m * factor
            o, p, q, r = o * factor, p * factor, q * factor, r * factor
        row[0], row[1], row[2], row[3], row[4], row[5], row[6], row[7] = a, b, c, d, e, f, g, h
        row[8], row[9], row[10], row[11] = i, j, k, m
        row[12], row[13], row[14], row[15] = o, p, q, r

    @numba.njit(error_model="numpy", nogil=True)
    def both(values: Any, n: int) -> None:
        mixed(as_row(values), n)

    @numba.njit(error_model="numpy", nogil=True)
    def plain(values: Any, n: int) -> None:
        mixed(values[:, 0].copy(), n)

    @numba.njit(error_model="numpy", nogil=True)
    def divide(values: Any, n: int) -> None:
        row = as_row(values)
        a, b, c, d = row[8], row[9], row[10], row[11]
        e, f, g, h = row[12], row[13], row[14], row[15]
        factor = row[17]
        for _ in range(n):
            a, b, c, d = a / factor, b / factor, c / factor, d / factor
            e, f, g, h = e / factor, f / factor, g / factor, h / factor
        row[8], row[9], row[10], row[11], row[12], row[13] = a, b, c, d, e, f
        row[14], row[15] = g, h

    @numba.njit(error_model="numpy", nogil=True)
    def root(values: Any, n: int) -> None:
        row = as_row(values)
        a, b, c, d = row[8], row[9], row[10], row[11]
        e, f, g, h = row[12], row[13], row[14], row[15]
        for _ in range(n):
            a, b, c, d = math.sqrt(a), math.sqrt(b), math.sqrt(c), math.sqrt(d)
            e, f, g, h = math.sqrt(e), math.sqrt(f), math.sqrt(g), math.sqrt(h)
        row[8], row[9], row[10], row[11], row[12], row[13] = a, b, c, d, e, f
        row[14], row[15] = g, h

    return {"both": both, "plain": plain, "divide": divide, "root": root}


def peak(repeats: int) -> dict[str, float]:
    """Measure the processor's rates on one core in operations a second, lanes counted one by one.

    Returns
    -------
    dict of str to float
        "both": additions and multiplications together; "plain": the same of single numbers instead
        of lanes; "divide", "root": these alone.
    """
    from servosim._lanes import WIDTH, aligned

    found = {}
    for name, function in _rates().items():
        values = aligned(18, WIDTH)
        values[:] = 1.5 + 0.01 * np.arange(18)[:, None]
        values[17] = 1.0 + 1e-7  # products and quotients stay in range
        function(values, 1000)
        mixed = name in ("both", "plain")
        rounds = ROUNDS if mixed else ROUNDS // 8
        times = []
        for _ in range(repeats):
            begin = time.thread_time()
            function(values, rounds)
            times.append(time.thread_time() - begin)
            values[8:16] = 1.5
        chains = CHAINS * (2 if mixed else 1)
        found[name] = rounds * chains * (1 if name == "plain" else WIDTH) / min(times)
    return found


_done: Counter[str] = Counter()


class Counted:
    """A number that counts what is done to it."""

    __slots__ = ("value",)
    __array_ufunc__ = None  # numpy leaves operations with it to it
    __hash__ = None  # type: ignore[assignment]

    def __init__(self, value: Any) -> None:
        self.value = float(value)

    def __float__(self) -> float:
        return self.value

    def __int__(self) -> int:
        return int(self.value)

    def __bool__(self) -> bool:
        return bool(self.value)

    def __neg__(self) -> Counted:
        return Counted(-self.value)

    def __abs__(self) -> Counted:
        return Counted(abs(self.value))


def _quotient(a: float, b: float) -> float:
    """Divide as the compiled code does: by zero too."""
    return float(np.float64(a) / np.float64(b))


def _give(name: str, kind: str, function: Callable[[float, float], Any]) -> None:
    """Give :class:`Counted` an operation of two numbers, from both sides."""
    counts = kind != "compare"

    def forth(self: Counted, other: Any) -> Any:
        _done[kind] += 1
        result = function(self.value, float(other))
        return Counted(result) if counts else result

    def back(self: Counted, other: Any) -> Any:
        _done[kind] += 1
        return Counted(function(float(other), self.value))

    setattr(Counted, f"__{name}__", forth)
    if counts:
        setattr(Counted, f"__r{name}__", back)


_give("add", "add", operator.add)
_give("sub", "add", operator.sub)
_give("mul", "multiply", operator.mul)
_give("truediv", "divide", _quotient)
for _name in ("lt", "le", "gt", "ge", "eq", "ne"):
    _give(_name, "compare", getattr(operator, _name))


class _Mathematics:
    """Stands for the module ``math`` in the kernels."""

    def __getattr__(self, name: str) -> Any:
        return getattr(math, name)

    @staticmethod
    def sqrt(x: Any) -> Counted:
        _done["root"] += 1
        return Counted(math.sqrt(float(x)))

    @staticmethod
    def floor(x: Any) -> Counted:
        return Counted(math.floor(float(x)))

    @staticmethod
    def copysign(x: Any, y: Any) -> Counted:
        return Counted(math.copysign(float(x), float(y)))


def _counted(value: Any) -> Any:
    """Return nested tuples with their numbers counting; whole numbers stay."""
    if hasattr(value, "_fields"):
        return SimpleNamespace(**{n: _counted(getattr(value, n)) for n in value._fields})
    if isinstance(value, (tuple, list, np.ndarray)):
        return [_counted(one) for one in value]
    return Counted(value) if isinstance(value, float) else value


def _array(*shape: int, value: float = 0.0) -> Any:
    array = np.empty(shape, dtype=object)
    for place in np.ndindex(*shape):
        array[place] = Counted(value)
    return array


def _watch(module: Any, name: str, kind: str, within: dict[str, Counter[str]]) -> None:
    """Count apart what a function of a module does."""
    function = getattr(module, name)

    def watched(*arguments: Any) -> Any:
        before = _done.copy()
        result = function(*arguments)
        within[kind].update(_done - before)
        within[kind]["calls"] += 1
        return result

    setattr(module, name, watched)


def _replace_helpers() -> None:
    """Put counting helpers into every module of the kernels."""
    from servosim import _lanes

    def parts(x: Any) -> Any:
        m, k = _plain["parts"](float(x))
        return Counted(m), Counted(k)

    def scaled(x: Any, k: Any) -> Any:
        _done["multiply"] += 1
        return Counted(_plain["scaled"](float(x), float(k)))

    def guess(x: Any) -> Any:
        return Counted(_plain["guessed_fourth_root"](float(x)))

    names = {"parts": parts, "scaled": scaled, "guessed_fourth_root": guess}
    _plain = {name: getattr(_lanes, name) for name in names}
    for title, module in list(sys.modules.items()):
        if not title.startswith("servosim.") or module is _lanes:
            continue
        if getattr(module, "math", None) is math:
            module.math = _Mathematics()  # type: ignore[attr-defined]
        for name, function in names.items():
            if hasattr(module, name):
                setattr(module, name, function)


def count_here(duration: float) -> dict[str, Any]:
    """Count the operations of the first part of the demonstration's move.

    Parameters
    ----------
    duration : float
        Time of the move that is run [s].

    Returns
    -------
    dict
        Operations of a right-hand side, of a step and of what else a sample needs, by kind; and how
        many of each a second of the move had.
    """
    from benchmark import base_axis

    from servosim import _integrate, _step
    from servosim import _sequence as sequence
    from servosim._equations import STATES, nothing_held
    from servosim._equilibrium import begin
    from servosim._figure_sums import N_GATHERED
    from servosim._samples import N_EVENTS, N_RECORD
    from servosim.simulate import TOLERANCE, error_scale, noise_of, samples_late

    axis = base_axis()
    p, m, n = axis.parameters, axis.move, len(STATES)
    n_t = round(duration / p.controller.period) + 1
    x, d = np.empty(n), np.empty(sequence.SIZE)
    begin(p, m, x, d)
    noise = noise_of(axis, m.seed, n_t)
    weight = 1.0 / error_scale(axis)
    counts = np.array([n_t, n, samples_late(axis), len(noise), 0, 0, 10**4, 10**9, 0])
    _replace_helpers()
    within: dict[str, Counter[str]] = {"step": Counter(), "right_side": Counter()}
    _watch(_integrate, "advance", "step", within)
    _watch(_step, "axis_rhs", "right_side", within)
    state, memory, weights = (np.array(_counted(v), dtype=object) for v in (x, d, weight))
    space = _array(_step.ROWS, n)
    _done.clear()
    status, samples, _, steps = _integrate.run(
        _counted(p), _counted(m), state, memory, _counted(nothing_held()),
        np.array(_counted(noise), dtype=object), np.zeros((0, 3)), _array(n_t + 1, 1), counts,
        weights, Counted(TOLERANCE), space, state.copy(), np.zeros((1, n)),
        np.zeros((1, N_RECORD)), _array(n_t + 1, 2), _array(N_RECORD),
        _array(sequence.SIZE), _array(N_GATHERED), _array(N_EVENTS, 4), _array(4, 2),
        np.zeros(2, dtype=np.int64),
    )  # fmt: skip
    if float(status) or float(samples) != n_t:
        raise RuntimeError(f"the counted run ended with status {float(status):g}")
    step, right = within["step"], within["right_side"]
    kinds = (*OPERATIONS, "compare")
    return {
        "samples": n_t,
        "steps": int(steps),
        "right_sides": right["calls"],
        "position": float(state[p.index.table_position]),
        "right_side": {kind: right[kind] / right["calls"] for kind in kinds},
        "step": {kind: step[kind] / step["calls"] for kind in kinds},
        "sample": {kind: (_done[kind] - step[kind]) / n_t for kind in kinds},
    }


def count(duration: float) -> dict[str, Any]:
    """Count in a process of its own, which runs the kernels uncompiled."""
    out = subprocess.run(
        [sys.executable, __file__, str(duration)],
        capture_output=True, text=True, env=dict(os.environ, NUMBA_DISABLE_JIT="1"),
    )  # fmt: skip
    if out.returncode:
        raise RuntimeError(out.stderr)
    return dict(json.loads(out.stdout))


def operations(by_kind: dict[str, float]) -> float:
    """Return how many operations there are in all."""
    return sum(by_kind[kind] for kind in OPERATIONS)


def arithmetic(
    step_count: float, samples: int, move_time: float, alone: float, repeats: int
) -> dict[str, Any]:
    """Return rate and share of the peak that lanes reach.

    Parameters
    ----------
    step_count : float
        Steps of a move.
    samples : int
        Samples of a move.
    move_time : float
        Time of the compiled code for a move in lanes on one core [s].
    alone : float
        The same for a single run [s].
    repeats : int
        Measurements of the peak.

    Returns
    -------
    dict
        Counts, rates and shares.
    """
    from benchmark import base_axis

    import servosim

    rates, counted = peak(repeats), count(COUNTED)
    run = servosim.simulate(base_axis().replace({"move.duration": COUNTED}))
    if run.state("table_position")[-1] != counted["position"]:
        raise RuntimeError("the counted run is another one than the compiled one")
    work = {
        kind: step_count * counted["step"][kind] + samples * counted["sample"][kind]
        for kind in (*OPERATIONS, "compare")
    }
    rate = operations(work) / move_time
    slow = work["divide"] / rates["divide"] + work["root"] / rates["root"]
    quick = (work["add"] + work["multiply"]) / rates["both"]
    return {
        "peak": rates,
        "counted": counted,
        "right_side": operations(counted["right_side"]),
        "step": operations(counted["step"]),
        "sample": operations(counted["sample"]),
        "move": operations(work),
        "compare_share": work["compare"] / operations(work),
        "rate": rate,
        "share": rate / rates["both"],
        "alone": operations(work) / alone,
        "alone_share": operations(work) / alone / rates["plain"],
        "divider_share": slow / move_time,
        "adder_share": quick / move_time,
    }


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parent))
    print(json.dumps(count_here(float(sys.argv[1]))))
