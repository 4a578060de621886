"""Labelled traces of a run: every signal by name with its unit, and files of them.

Positions and errors are those of the table at the tool, which is where accuracy is judged. Signs
are those of the axis: positive position, velocity and force of the oil are extension; thrust is
positive against extension; friction, end stop and brake are positive against a motion in
extension; flow_a counts into side A and flow_b out of side B.
"""

from __future__ import annotations

import csv
import json
import math
import os
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from servosim._equations import nothing_held
from servosim._netcdf import write_dataset
from servosim._record import record
from servosim._samples import RECORD
from servosim._sequence import PHASES
from servosim._signals import RECOMPUTED, recompute
from servosim._whole_file import whole_file
from servosim.params import dumps
from servosim.program import Move
from servosim.result import Run

if TYPE_CHECKING:
    import xarray

# name of a signal: SI unit and what it is
SIGNALS: dict[str, tuple[str, str]] = {
    "table_position": ("m", "true position of the table at the tool"),
    "piston_position": ("m", "position of the piston"),
    "scale_reading": ("m", "scale before delay, noise and rounding"),
    "measured_position": ("m", "position as the controller reads it"),
    "reference_position": ("m", "reference position, target for a reference over the distance"),
    "reference_velocity": ("m/s", "reference velocity"),
    "reference_acceleration": ("m/s2", "reference acceleration"),
    "error": ("m", "target minus true table position"),
    "following_error": ("m", "reference minus true table position"),
    "table_velocity": ("m/s", "velocity of the table"),
    "piston_velocity": ("m/s", "velocity of the piston"),
    "table_acceleration": ("m/s2", "acceleration of the table"),
    "command": ("1", "valve command of the controller, fraction of rated"),
    "spool_command": ("1", "command that acts on the spool, after null bias and hysteresis"),
    "spool": ("1", "spool position, fraction of rated stroke"),
    "pressure_a": ("Pa", "pressure in chamber A, gauge"),
    "pressure_b": ("Pa", "pressure in chamber B, gauge"),
    "line_pressure_a": ("Pa", "pressure in line A from valve to lock, gauge"),
    "line_pressure_b": ("Pa", "pressure in line B from valve to lock, gauge"),
    "measured_pressure_a": ("Pa", "pressure in chamber A as the controller reads it, gauge"),
    "measured_pressure_b": ("Pa", "pressure in chamber B as the controller reads it, gauge"),
    "load_pressure": ("Pa", "load pressure, A less B times the ratio of areas"),
    "supply_pressure": ("Pa", "supply pressure at the valve, gauge"),
    "pump_pressure": ("Pa", "pressure at the pump, gauge"),
    "pump_flow": ("m3/s", "flow of the pump"),
    "flow_a": ("m3/s", "flow through the valve into side A"),
    "flow_b": ("m3/s", "flow through the valve out of side B"),
    "supply_flow": ("m3/s", "flow drawn from the supply, with the pilot stage"),
    "hydraulic_force": ("N", "force of the oil on the load in extension"),
    "friction_force": ("N", "friction of ways and seals with its viscous part"),
    "end_stop_force": ("N", "force of the end stops"),
    "brake_force": ("N", "force of the holding brake"),
    "thrust": ("N", "thrust of the tool along the axis, against extension"),
    "normal_thrust": ("N", "thrust of the tool across the axis, onto the ways"),
    "lock_phase": ("1", "phase of the lock's sequence"),
    "lock_area_a": ("1", "open area of the lock on side A, fraction"),
    "lock_area_b": ("1", "open area of the lock on side B, fraction"),
    "brake": ("1", "holding brake, 1 engaged"),
    "integral": ("m/s", "integral of the controller"),
    "way_bristle": ("m", "deflection of the bristles of the ways"),
    "seal_bristle": ("m", "deflection of the bristles of the seals"),
    "gas_temperature": ("K", "temperature of the accumulator's gas"),
    "tank_temperature": ("K", "temperature of the oil in the tank"),
    "supplied_energy": ("J", "energy delivered by the pump since the start"),
    "mechanical_work": ("J", "work of the oil on the piston since the start"),
    "heat": ("J", "heat given to the oil since the start"),
    "drawn_volume": ("m3", "oil drawn from the supply since the start"),
}
# states that only some axes have; the others are always there, as themselves or as their twin
_OPTIONAL = ("pump_flow", "way_bristle", "seal_bristle", "gas_temperature")
_WITH_PRESSURE_TRANSDUCERS = ("measured_pressure_a", "measured_pressure_b")


def traces_of(run: Run) -> dict[str, NDArray[np.float64]]:
    """Return every signal of a run by name.

    Parameters
    ----------
    run : Run
        The run, whole or ended early.

    Returns
    -------
    dict of str to ndarray, shape (n_t,)
        SI units, see ``SIGNALS``. States that the axis doesn't have are left out: flow of a pump
        without a compensator, bristles of a friction without them, gas temperature without an
        accumulator, pressures read without transducers.

    Notes
    -----
    Signals that are no states follow from the states by the same compiled equations that the
    integration used.
    """
    p = run.axis.record
    out = np.empty((len(RECOMPUTED), len(run.time)))
    recompute(run.time, run.states, run.record, record(nothing_held()), p, out)
    recomputed = dict(zip(RECOMPUTED, out, strict=True))
    x, r = run.state("table_position"), run.record[:, RECORD.index("reference_position")]
    recomputed["error"] = run.move.target - x
    recomputed["following_error"] = r - x
    recomputed["integral"] = run.record[:, RECORD.index("sampled_integral")]
    active = set(run.axis.states)
    found = {}
    for name in SIGNALS:
        if name in _OPTIONAL and name not in active:
            continue
        if name in _WITH_PRESSURE_TRANSDUCERS and not run.axis.parameters.transducer.has_pressure:
            continue
        if name in recomputed:
            values = recomputed[name]
        elif name in RECORD:
            values = run.record[:, RECORD.index(name)]
        else:
            values = run.state(name)
        found[name] = np.ascontiguousarray(values)
    return found


def move_text(move: Move) -> str:
    """Return a move as JSON text, numbers in SI units.

    Parameters
    ----------
    move : Move
        The move.

    Returns
    -------
    str
        Object with the fields of the move; a number that is not finite is null.
    """

    def plain(value: Any) -> Any:
        if hasattr(value, "_fields"):
            return {name: plain(getattr(value, name)) for name in value._fields}
        if isinstance(value, np.ndarray):
            return [plain(part) for part in value.tolist()]
        if isinstance(value, float):
            return float(value) if math.isfinite(value) else None
        return value

    return json.dumps(plain(move), allow_nan=False)


def dataset_of(run: Run) -> xarray.Dataset:
    """Return the labelled traces of a run.

    Parameters
    ----------
    run : Run
        The run.

    Returns
    -------
    xarray.Dataset
        Variables over the coordinate ``time`` [s], each with ``units`` and ``long_name``. The
        attributes hold what is needed to make the run again: version, parameters as TOML text, the
        move as JSON text, seed, tolerance and fixed_steps; and title, status and message.
    """
    import xarray

    variables: dict[str, Any] = {}
    for name, values in run.traces.items():
        unit, meaning = SIGNALS[name]
        attributes: dict[str, Any] = {"units": unit, "long_name": meaning}
        if name == "lock_phase":
            attributes["flag_values"] = np.arange(float(len(PHASES)))
            attributes["flag_meanings"] = " ".join(PHASES)
        variables[name] = ("time", values, attributes)
    seed = run.options.get("seed")
    return xarray.Dataset(
        variables,
        coords={"time": ("time", run.time, {"units": "s", "long_name": "time"})},
        attrs={
            "title": run.axis.file.title,
            "version": run.version,
            "status": run.status.name,
            "message": run.message,
            "events": "\n".join(event.sentence for event in run.events),
            "parameters": dumps(run.axis.file),
            "move": move_text(run.move),
            "seed": int(run.move.seed if seed is None else seed),
            "tolerance": float(run.options.get("tolerance", math.nan)),
            "fixed_steps": int(run.options.get("fixed_steps", 0)),
        },
    )


def write_netcdf(run: Run, path: str | os.PathLike[str]) -> None:
    """Write the labelled traces of a run as NetCDF.

    Parameters
    ----------
    run : Run
        The run.
    path : str or os.PathLike
        The file; it is written beside and renamed.

    Raises
    ------
    ParameterError
        If the file cannot be written.
    """
    with whole_file(path) as beside:
        write_dataset(run.data, beside)


def write_csv(run: Run, path: str | os.PathLike[str]) -> None:
    """Write the traces of a run as text with commas, each column headed by name and unit.

    Parameters
    ----------
    run : Run
        The run.
    path : str or os.PathLike
        The file; it is written beside and renamed. Numbers are SI and read back bit for bit.

    Raises
    ------
    ParameterError
        If the file cannot be written.
    """
    traces = run.traces
    header = ["time [s]", *(f"{name} [{SIGNALS[name][0]}]" for name in traces)]
    rows = np.column_stack([run.time, *traces.values()]).tolist()
    with whole_file(path) as beside, beside.open("x", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(header)
        writer.writerows(rows)
