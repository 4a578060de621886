"""What the command line says of an axis and of a run: for people, and as one JSON object.

Pure functions of an axis or a run; nothing is printed or written here, and no figure is worked out
that another module does not define.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable
from typing import Any, NamedTuple

from servosim import units
from servosim._practical import practical_unit
from servosim._warnings import natural_frequency, oil_spring
from servosim.axis import Axis
from servosim.components.valve_rating import null_leakage, null_pressure_gain
from servosim.errors import Fault
from servosim.metrics import Metric, metrics
from servosim.motion import READS, Schedule, closed_form
from servosim.params import si
from servosim.result import Run
from servosim.units import position_text

CAUTION = (
    "Calculated, not a release to run: isolate and bleed before work on the hydraulics, start at "
    "low pressure and low gain, and heed the cautions in README.md."
)


class Derived(NamedTuple):
    """A number that follows from the file, as the kernels use it."""

    value: float  # SI
    unit: str
    definition: str


def derived(axis: Axis) -> dict[str, Derived]:
    """Return the numbers that the kernels use and that the file states only indirectly.

    Parameters
    ----------
    axis : Axis
        The axis.

    Returns
    -------
    dict of str to Derived
        Value [SI], its unit and what it is.
    """
    p = axis.parameters
    v, c, g = p.valve, p.cylinder, p.controller
    found = {
        "flow_coefficient_a": Derived(
            v.K_A, "m3/s/sqrt(Pa)", "flow of a wide open land at side A over the root of its drop"
        ),
        "flow_coefficient_b": Derived(v.K_B, "m3/s/sqrt(Pa)", "the same at side B"),
        "clearance": Derived(
            v.c, "1", "effective opening of a land at its edge, fraction of the rated stroke"
        ),
        "transition_pressure": Derived(
            v.dp_t, "Pa", "drop over a wide open land where laminar and turbulent flow meet"
        ),
        "area_a": Derived(c.A_A, "m2", "area on which pressure A extends the axis"),
        "area_b": Derived(c.A_B, "m2", "area on which pressure B retracts the axis"),
        "velocity_gain_extending": Derived(
            g.g_plus,
            "m/s",
            "velocity over opening beyond the overlap, extending, at the steady load",
        ),
        "velocity_gain_retracting": Derived(
            g.g_minus,
            "m/s",
            "velocity over opening beyond the overlap, retracting, at the steady load",
        ),
        "natural_frequency": Derived(
            natural_frequency(axis.file),
            "rad/s",
            "oil spring and moved mass in the middle of the stroke, lock open",
        ),
        "locked_stiffness": Derived(
            oil_spring(axis.file, axis.file.move.target, locked=True),
            "N/m",
            "stiffness of the oil locked in both chambers at the target, half the supply pressure",
        ),
        "presliding_stiffness": Derived(
            p.load.way.sigma_0 if p.load.way.model else 0.0,
            "N/m",
            "stiffness of the ways' bristles before they slide, in parallel with the locked oil",
        ),
        "viscosity": Derived(p.oil.nu, "m2/s", "kinematic viscosity at the oil's temperature"),
        "density": Derived(p.oil.rho, "kg/m3", "density of the oil at its temperature"),
    }
    if c.has_b:
        pressure = v.p_rating
        leakage = null_leakage(pressure, axis.record.valve) + v.q_pilot
        found["null_leakage"] = Derived(
            leakage, "m3/s", "at the rating pressure and the oil's temperature, with the pilot"
        )
        found["null_pressure_gain"] = Derived(
            null_pressure_gain(pressure, axis.record.valve),
            "Pa",
            "change of load pressure over spool travel at null, for a whole rated stroke",
        )
    return found


def schedule(axis: Axis) -> Schedule:
    """Return the closed forms of the file's move for an ideally followed reference.

    Parameters
    ----------
    axis : Axis
        The axis.

    Returns
    -------
    Schedule
        Stopping distance and times, see :func:`servosim.motion.closed_form`.
    """
    f = axis.file
    others = {"velocity_gain": f.controller.velocity_gain, "window": f.window.half_width}
    values = {
        name: others[name] if name in others else getattr(f.reference, name)
        for name in READS[f.reference.kind]
    }
    return closed_form(f.reference.kind, f.move.target - f.move.start, **values)


def warnings(axis: Axis) -> list[Fault]:
    """Return what the file allows but deserves a second look, with the file's name.

    Parameters
    ----------
    axis : Axis
        The axis.

    Returns
    -------
    list of Fault
        Empty if there is nothing to say.
    """
    return [dataclasses.replace(fault, file=axis.path) for fault in axis.file.warnings()]


def shown(value: float | None, unit: str) -> str:
    """Return an SI value in the unit of the trade, four figures.

    Parameters
    ----------
    value : float or None
        Value [SI].
    unit : str
        Its SI unit.

    Returns
    -------
    str
        Such as "4.2 um"; "-" if there is no value.

    Examples
    --------
    >>> shown(4.2e-6, "m"), shown(14e6, "Pa"), shown(None, "s")
    ('4.2 um', '140 bar', '-')
    """
    if value is None or math.isnan(value):
        return "-"
    if math.isinf(value):
        return "never" if unit == "s" else "without limit"
    unit = practical_unit(unit, value)
    number = f"{units.convert(float(value), unit) + 0.0:.4g}"
    return number if unit == "1" else f"{number} {unit}"


def _reference_line(axis: Axis) -> str:
    """Return how the reference stops, in closed form."""
    f, s = axis.file, schedule(axis)
    if f.reference.kind == "step":
        return "steps to the target at once; how the axis stops is up to the loop"
    stop_time = "" if math.isinf(s.stop.time) else f" and {shown(s.stop.time, 's')}"
    move_time = "" if math.isinf(s.move_time) else f" and takes {shown(s.move_time, 's')}"
    text = (
        f"stops from {shown(f.reference.velocity, 'm/s')} in {shown(s.stop.distance, 'm')}"
        f"{stop_time}; this move peaks at {shown(s.peak_velocity, 'm/s')}{move_time} (closed form, "
        "ideally followed)"
    )
    if s.remaining != 0.0:
        side = "short of" if s.remaining > 0.0 else "past"
        text += f"; it comes to rest {shown(abs(s.remaining), 'm')} {side} the target"
    return text


def heading(axis: Axis) -> list[str]:
    """Return the lines that say what is about to move.

    Parameters
    ----------
    axis : Axis
        The axis.

    Returns
    -------
    list of str
        File, title, move and reference.
    """
    f = axis.file
    return [
        axis.path,
        f"  {f.title}",
        "",
        f"move        {position_text(f.move.start)} -> {position_text(f.move.target)}, window "
        f"+-{shown(f.window.half_width, 'm')}, {shown(f.move.duration, 's')} simulated",
        f"reference   {f.reference.kind}: {_reference_line(axis)}",
    ]


def outcome(run: Run) -> list[str]:
    """Return the lines that say how a run ended and what deserves attention.

    Parameters
    ----------
    run : Run
        The run.

    Returns
    -------
    list of str
        Status, events, warnings.
    """
    lines = [f"status      {run.status.name}: {run.message}"]
    lines += [f"event       {event.kind}: {event.sentence}" for event in run.events]
    lines += [f"warning     {fault}" for fault in warnings(run.axis)]
    return lines


def table(rows: Iterable[tuple[str, str]]) -> list[str]:
    """Return names and values as aligned lines.

    Parameters
    ----------
    rows : iterable of (str, str)
        Name, and value with its unit.

    Returns
    -------
    list of str
        One line a row.
    """
    cells = [(name.replace("_", " "), value) for name, value in rows]
    width = max((len(name) for name, _ in cells), default=0)
    return [f"  {name:<{width}}  {value}" for name, value in cells]


def metric_lines(run: Run) -> list[str]:
    """Return the metrics of a run as aligned lines in units of the trade.

    Parameters
    ----------
    run : Run
        The run.

    Returns
    -------
    list of str
        One line a metric; "-" where the run does not hold what the metric needs.
    """
    found = metrics(run)
    return table((name, _shown_metric(name, one)) for name, one in found.items())


def _shown_metric(name: str, metric: Metric) -> str:
    """Return a metric as text; a question is answered, a share is a percentage."""
    if metric.value is not None and name == "settled":
        return "yes" if metric.value else "no"
    if metric.value is not None and name == "valve_saturation":
        return f"{100.0 * metric.value:.4g} %"
    return shown(metric.value, metric.unit)


def derived_lines(axis: Axis) -> list[str]:
    """Return the derived numbers of an axis as aligned lines.

    Parameters
    ----------
    axis : Axis
        The axis.

    Returns
    -------
    list of str
        One line a number.
    """
    return table((name, shown(one.value, one.unit)) for name, one in derived(axis).items())


def as_json(run: Run) -> dict[str, Any]:
    """Return everything about a run as values that strict JSON can hold.

    Parameters
    ----------
    run : Run
        The run.

    Returns
    -------
    dict
        Version, file, parameters [SI], status, metrics, warnings, derived numbers, and the closed
        forms of the reference; a value that is no finite number is None.
    """
    found, ideal = metrics(run), schedule(run.axis)
    return strict(
        {
            "servosim": run.version,
            "file": run.axis.path,
            "parameters": si(run.axis.file),
            "status": {
                "name": run.status.name,
                "code": int(run.status),
                "message": run.message,
                "time": run.time[-1] if len(run.time) else 0.0,
                "events": [dataclasses.asdict(event) for event in run.events],
            },
            "metrics": {name: dataclasses.asdict(one) for name, one in found.items()},
            "warnings": [str(fault) for fault in warnings(run.axis)],
            "derived": {name: one._asdict() for name, one in derived(run.axis).items()},
            "reference": {
                "kind": ideal.kind,
                "travel": ideal.travel,
                "peak_velocity": ideal.peak_velocity,
                "move_time": ideal.move_time,
                "remaining": ideal.remaining,
                "stopping_distance": ideal.stop.distance,
                "stopping_time": ideal.stop.time,
            },
            "seed": run.move.seed if run.options.get("seed") is None else run.options["seed"],
        }
    )


def strict(value: Any) -> Any:
    """Return a value with plain numbers, and None for every number that is not finite.

    Parameters
    ----------
    value : object
        Dictionaries, lists, texts, numbers, also those of numpy.

    Returns
    -------
    object
        The same in the types of JSON.

    Examples
    --------
    >>> strict({"a": float("nan"), "b": [1.0, True]})
    {'a': None, 'b': [1.0, True]}
    """
    if isinstance(value, dict):
        return {str(key): strict(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [strict(one) for one in value]
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value
