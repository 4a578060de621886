"""Simulates a hydraulically driven positioning axis before anyone touches hardware.

The public names are those of ``__all__``. Each is loaded when it is first used, so that
``import servosim`` costs nothing, and neither matplotlib nor control is imported before its time.
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:  # relative, so that the cache of kernels does not hang on the modules named here
    from .axis import Axis, read_axis
    from .document import AxisFile
    from .ensemble import Ensemble, ensemble
    from .errors import (
        Fault,
        ParameterError,
        ServosimError,
        SimulationError,
        StudyError,
        UnitError,
    )
    from .linear_plots import plot_stability
    from .metrics import Metric, metrics
    from .params import diff, schema
    from .plots import compare_moves, plot_move, save_figure
    from .program import Move
    from .result import Event, Run, Status
    from .simulate import simulate
    from .size_plots import plot_sizing
    from .sizing.requirement import RequirementFile, read_requirement
    from .sizing.result import Sizing
    from .sizing.run import size
    from .stability import Stability, stability
    from .studies.files import read_study
    from .studies.plan import Plan
    from .studies.result import StudyResult
    from .studies.run import study
    from .studies.variations import (
        Between,
        Distributed,
        LogNormal,
        Normal,
        Triangular,
        Uniform,
    )
    from .study_plots import plot_study
    from .traces import write_csv, write_netcdf
    from .tune_plots import plot_tuning
    from .tuning.demands import Demands
    from .tuning.result import Tuned
    from .tuning.run import tune
    from .version import __version__

__all__ = [
    "Axis",
    "AxisFile",
    "Between",
    "Demands",
    "Distributed",
    "Ensemble",
    "Event",
    "Fault",
    "LogNormal",
    "Metric",
    "Move",
    "Normal",
    "ParameterError",
    "Plan",
    "RequirementFile",
    "Run",
    "ServosimError",
    "SimulationError",
    "Sizing",
    "Stability",
    "Status",
    "StudyError",
    "StudyResult",
    "Triangular",
    "Tuned",
    "Uniform",
    "UnitError",
    "__version__",
    "compare_moves",
    "diff",
    "ensemble",
    "metrics",
    "plot_move",
    "plot_sizing",
    "plot_stability",
    "plot_study",
    "plot_tuning",
    "read_axis",
    "read_requirement",
    "read_study",
    "save_figure",
    "schema",
    "simulate",
    "size",
    "stability",
    "study",
    "tune",
    "write_csv",
    "write_netcdf",
]

_HOMES = {
    "axis": ("Axis", "read_axis"),
    "document": ("AxisFile",),
    "ensemble": ("Ensemble", "ensemble"),
    "errors": (
        "Fault",
        "ParameterError",
        "ServosimError",
        "SimulationError",
        "StudyError",
        "UnitError",
    ),
    "linear_plots": ("plot_stability",),
    "metrics": ("Metric", "metrics"),
    "params": ("diff", "schema"),
    "plots": ("compare_moves", "plot_move", "save_figure"),
    "program": ("Move",),
    "result": ("Event", "Run", "Status"),
    "simulate": ("simulate",),
    "size_plots": ("plot_sizing",),
    "sizing.requirement": ("RequirementFile", "read_requirement"),
    "sizing.result": ("Sizing",),
    "sizing.run": ("size",),
    "stability": ("Stability", "stability"),
    "studies.files": ("read_study",),
    "studies.plan": ("Plan",),
    "studies.result": ("StudyResult",),
    "studies.run": ("study",),
    "studies.variations": (
        "Between",
        "Distributed",
        "LogNormal",
        "Normal",
        "Triangular",
        "Uniform",
    ),
    "study_plots": ("plot_study",),
    "traces": ("write_csv", "write_netcdf"),
    "tune_plots": ("plot_tuning",),
    "tuning.demands": ("Demands",),
    "tuning.result": ("Tuned",),
    "tuning.run": ("tune",),
    "version": ("__version__",),
}
_HOME = {name: module for module, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'servosim' has no attribute '{name}'")
    value = getattr(import_module(f"servosim.{_HOME[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})


class _Package(ModuleType):
    """The package as a module on which a public name always means the public object.

    Importing ``servosim.simulate`` would otherwise put the module in the place of the function.
    """

    def __setattr__(self, name: str, value: Any) -> None:
        if not (name in _HOME and isinstance(value, ModuleType)):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package
