"""Studies made by hand: plans and figures whose answers a test can state."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
from SALib.sample.sobol import sample as sobol_sample

from servosim import read_axis
from servosim._definitions import DEFINITIONS
from servosim.studies.inputs import Input
from servosim.studies.limits import limits_of
from servosim.studies.parameters import parameter_of
from servosim.studies.plan import Plan
from servosim.studies.result import Kept, StudyResult

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "params/tube_sheet_table.toml"
AXIS = read_axis(DEMO)
GAIN, FLOW, OIL = "controller.velocity_gain", "valve.rated_flow", "oil.temperature"


def varied(path, dim, values):
    """Return one input of a plan."""
    one = parameter_of(AXIS.file, path)
    held = tuple(values) if isinstance(values[0], str) else np.array(values, dtype=np.float64)
    return Input(path, path.partition(".")[2], dim, held, one.unit, one.spelling)


def plan_by_hand(dims, shape, inputs, *, limits=None, design=None, traces=()):
    """Return a plan whose figures a test makes up."""
    seeds = 100 + np.arange(math.prod(shape))
    found = limits_of(limits)
    return Plan(
        AXIS, dims, shape, tuple(inputs), seeds, found, traces, 1e-6, design or {}, "By hand"
    )


def result_by_hand(plan, figures, status=None, reasons=None, **more):
    """Return a result with figures that a test makes up; all others are missing."""
    columns = {name: np.full(plan.n, np.nan) for name in DEFINITIONS}
    columns |= {name: np.asarray(values, dtype=np.float64) for name, values in figures.items()}
    columns["status"] = np.zeros(plan.n, np.int8) if status is None else np.asarray(status, np.int8)
    columns["reason"] = np.full(plan.n, "", dtype=object)
    for case, text in (reasons or {}).items():
        columns["reason"][case] = text
    return StudyResult(plan, Kept(columns, version="1.2.3", **more))


def grid_result(limits=None, **more):
    """Return a 3 x 4 grid: settling time rises with flow and falls with gain."""
    flow, gain = np.array([8.0, 16.0, 32.0]) / 60000.0, np.array([10.0, 15.0, 20.0, 25.0])
    inputs = [varied(FLOW, "rated_flow", flow), varied(GAIN, "velocity_gain", gain)]
    plan = plan_by_hand(("rated_flow", "velocity_gain"), (3, 4), inputs, limits=limits)
    times = 2.0 + 0.1 * np.arange(3)[:, None] + 0.01 * np.arange(4)[::-1]
    return result_by_hand(plan, {"settling_time": times.ravel()}, **more)


def sampled_result(n=400, limits=None, missing=(), status=None):
    """Return samples of oil temperature and gain; settling time 2 + u + 0.1 v exactly."""
    u, v = np.random.default_rng(5).permuted(np.tile((np.arange(n) + 0.5) / n, (2, 1)), axis=1)
    inputs = [varied(OIL, "case", 290.0 + 30.0 * u), varied(GAIN, "case", 10.0 + 20.0 * v)]
    plan = plan_by_hand(
        ("case",), (n,), inputs, limits=limits, design={"method": "latin_hypercube"}
    )
    times = 2.0 + u + 0.1 * v
    times[list(missing)] = np.nan
    return result_by_hand(plan, {"settling_time": times}, status), u, v


def problem_of(names):
    """Return the problem that SALib is asked to solve."""
    return {"num_vars": len(names), "names": list(names), "bounds": [[0.0, 1.0]] * len(names)}


def design_points(n, names):
    """Return the shares at which a study for sensitivity has its cases."""
    return sobol_sample(problem_of(names), n, calc_second_order=False, seed=3)
