"""What only several tables of a parameter file together show to be impossible."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from servosim._block_faults import BLOCK_RULES, shown
from servosim.components.controller import Controller
from servosim.components.cylinder import Cylinder, CylinderParameters
from servosim.components.lock import Lock
from servosim.components.oil import Oil
from servosim.components.supply import Supply
from servosim.components.transducer import Transducer
from servosim.components.valve import Valve
from servosim.errors import Fault
from servosim.params import Rule
from servosim.program import Reference, Window

if TYPE_CHECKING:
    from servosim.document import AxisFile

MOST_SAMPLES = 2_000_000  # some 750 MB of states and records


def _loop_faults(
    c: Controller,
    lock: Lock,
    transducer: Transducer,
    valve: Valve,
    window: Window,
    duration: float,
) -> list[Fault]:
    faults = []

    def fault(table: str, key: str, what: str, expected: str) -> None:
        faults.append(Fault(table=table, key=key, what=what, expected=expected))

    if c.kind == "sampled" and c.computing_delay > c.period:
        fault(
            "controller",
            "computing_delay",
            f"{shown(c.computing_delay, 'ms')} is more than one period",
            f"at most {shown(c.period, 'ms')}",
        )
    uses_pressure = c.stabilising_feedback == "load_pressure"
    uses_pressure = uses_pressure or c.load_pressure_correction == "square_root"
    uses_pressure = uses_pressure or lock.prematch == "load_pressure"
    if uses_pressure and transducer.pressure == "none":
        fault(
            "transducer",
            "pressure",
            '"none", but the controller uses the load pressure',
            '"both_ports"',
        )
    if c.kind == "continuous":
        for key in ("delay", "noise", "resolution"):
            if getattr(transducer, key) > 0.0:
                fault(
                    "transducer",
                    key,
                    "not read when controller.kind = 'continuous'",
                    "zero, or a sampled controller",
                )
        if transducer.pressure != "none":
            for key in ("pressure_noise", "pressure_resolution"):
                if getattr(transducer, key) > 0.0:
                    fault(
                        "transducer",
                        key,
                        "not read when controller.kind = 'continuous'",
                        "zero, or a sampled controller",
                    )
    if valve.dither_amplitude > 0.0:
        highest = math.pi / c.period
        if not 0.0 < valve.dither_frequency < highest:
            fault(
                "valve",
                "dither_frequency",
                f"{shown(valve.dither_frequency, 'Hz')} can't be sampled every "
                f"{shown(c.period, 'ms')}",
                f"more than 0 Hz and less than {shown(highest, 'Hz')}",
            )
    samples = duration / c.period
    if samples > MOST_SAMPLES:
        fault(
            "move",
            "duration",
            f"{shown(duration, 's')} are {samples:.3g} samples, more than memory holds",
            f"at most {shown(MOST_SAMPLES * c.period, 's')} with this period",
        )
    closes_by_window = lock.kind != "none" or lock.brake != "none"
    closes_by_window = closes_by_window and lock.trigger == "window_dwell"
    if closes_by_window and lock.window < transducer.resolution:
        fault(
            "lock",
            "window",
            f"{shown(lock.window, 'um')} is less than one step of the transducer",
            f"at least {shown(transducer.resolution, 'um')}",
        )
    if window.half_width < transducer.resolution:
        fault(
            "window",
            "half_width",
            f"{shown(window.half_width, 'um')} is less than one step of the transducer",
            f"at least {shown(transducer.resolution, 'um')}",
        )
    return faults


def _place_faults(
    start: float, target: float, duration: float, c: Cylinder, r: Reference, controller: Controller
) -> list[Fault]:
    faults = []
    for key, place in (("start", start), ("target", target)):
        if place > c.stroke:
            faults.append(
                Fault(
                    table="move",
                    key=key,
                    what=f"{shown(place, 'mm')} is outside the stroke",
                    expected=f"0 mm to {shown(c.stroke, 'mm')}",
                )
            )
    if r.kind == "staged":
        if r.creep_velocity > r.velocity:
            faults.append(
                Fault(
                    table="reference",
                    key="creep_velocity",
                    what=f"{shown(r.creep_velocity, 'mm/s')} is more than the rapid velocity",
                    expected=f"at most {shown(r.velocity, 'mm/s')}",
                )
            )
        if r.stop_distance > r.creep_distance:
            faults.append(
                Fault(
                    table="reference",
                    key="stop_distance",
                    what=f"{shown(r.stop_distance, 'mm')} is more than creep_distance",
                    expected=f"at most {shown(r.creep_distance, 'mm')}",
                )
            )
    if duration < controller.period:
        faults.append(
            Fault(
                table="move",
                key="duration",
                what=f"{shown(duration, 's')} is less than one sampling period",
                expected=f"at least {shown(controller.period, 's')}",
            )
        )
    return faults


def _load_faults(c: CylinderParameters, supply: Supply, load: float) -> list[Fault]:
    """Return what keeps the supply from moving the axis against its steady load."""
    faults = []
    for sign, push in ((1.0, c.A_A * supply.pressure), (-1.0, c.A_B * supply.pressure)):
        back = c.A_B if sign > 0 else c.A_A
        if push - back * supply.return_pressure - sign * load <= 0.0 and not (
            sign < 0 and c.has_b == 0
        ):
            way = "extend" if sign > 0 else "retract"
            faults.append(
                Fault(
                    table="cylinder",
                    key="bore_diameter" if c.moving else "displacement",
                    what=f"the supply can't {way} the axis against its load of {shown(load, 'N')}",
                    expected="more area, more pressure or less load",
                )
            )
        elif sign < 0 and c.has_b == 0 and load <= c.A_A * supply.return_pressure:
            faults.append(
                Fault(
                    table="cylinder",
                    key="kind",
                    what="nothing retracts a plunger: its load is not above the return pressure",
                    expected="a load that pushes the plunger in, or a double-acting cylinder",
                )
            )
    return faults


def _lock_faults(
    k: Lock, v: Valve, oil: Oil, supply: Supply, controller: Controller
) -> list[Fault]:
    faults = []
    if k.kind == "pilot_check" and k.pilot == "opposite_line":
        vented = v.overlap_at < 0.0 < v.overlap_pa and v.overlap_bt < 0.0 < v.overlap_pb
        if not vented:
            faults.append(
                Fault(
                    table="lock",
                    key="pilot",
                    what="the opposite line holds the checks open, because the valve's centre "
                    "doesn't vent both lines to tank",
                    expected="underlap at A to T and B to T with overlap at P to A and P to B, or "
                    'pilot = "solenoid"',
                )
            )
    if k.kind == "spool":
        if min(v.overlap_pa, v.overlap_pb, v.overlap_at, v.overlap_bt) <= 0.0:
            faults.append(
                Fault(
                    table="lock",
                    key="kind",
                    what='"spool" needs a centre that is closed',
                    expected="overlap on all four lands, or an element of its own",
                )
            )
        else:
            least = min(v.overlap_pa, v.overlap_pb, v.overlap_at, v.overlap_bt)
            warm = v.null_shift_temperature * (oil.temperature - v.rating_temperature)
            pressed = v.null_shift_pressure * (supply.pressure - v.rating_pressure)
            null = v.null_bias + warm + pressed + controller.null_trim
            if abs(null) >= least:
                faults.append(
                    Fault(
                        table="lock",
                        key="kind",
                        what=f"with bias, shifts and trim the spool rests at {shown(null, '%')}, "
                        "outside its overlap, and doesn't lock",
                        expected=f"within +-{shown(least, '%')}: trim the null, or more overlap",
                    )
                )
    if k.kind == "none" and k.brake == "holding" and k.trigger == "ahead":
        faults.append(
            Fault(
                table="lock",
                key="trigger",
                what="a brake without a lock would close on a moving table",
                expected='"window_dwell"',
            )
        )
    return faults


RULES: dict[str, Rule] = {
    **BLOCK_RULES,
    "loop_faults": Rule(
        _loop_faults, ("controller", "lock", "transducer", "valve", "window", "duration")
    ),
    "place_faults": Rule(
        _place_faults, ("start", "target", "duration", "cylinder", "reference", "controller")
    ),
    "lock_faults": Rule(_lock_faults, ("lock", "valve", "oil", "supply", "controller")),
    "load_faults": Rule(_load_faults, ("cylinder_parameters", "supply", "steady_load")),
}


def faults_of(f: AxisFile) -> list[Fault]:
    """Return the faults of a file whose tables are sound by themselves.

    Parameters
    ----------
    f : AxisFile
        The file.

    Returns
    -------
    list of Fault
        Empty if the file is consistent.
    """
    of = f.derived()
    shape = [*of("cylinder_faults"), *of("table_faults"), *of("bristle_faults")]
    oil, lands = of("oil_faults"), of("land_faults")
    found = [*shape, *oil, *of("play_faults"), *lands]
    if not oil and not lands:  # without a viscosity or a curve no valve can be rated
        found += of("rating_faults")
    for check in ("supply_faults", "loop_faults", "place_faults", "lock_faults"):
        found += of(check)
    if not shape:  # without a piston area no load can be moved
        found += of("load_faults")
    return found
