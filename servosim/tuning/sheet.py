"""The gain sheet: what to enter at the machine, in which order, in which units, and why."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from servosim.axis import Axis
from servosim.params import fields_of, shown_value
from servosim.tuning.machine_units import Scale, scale_of
from servosim.tuning.result import SheetRow
from servosim.tuning.unknowns import is_read
from servosim.tuning.written import text_of
from servosim.units import si_unit


class _Entry(NamedTuple):
    """What the sheet says about one key."""

    key: str
    name: str
    does: str
    enter: str


# in the order in which they are entered
_ENTRIES = (
    _Entry(
        "controller.null_trim",
        "null trim",
        "added to the command against the valve's null bias, so that the table rests at its target",
        "first, with a velocity gain of a tenth: change it in small steps until the table stops "
        "creeping, with oil at working temperature",
    ),
    _Entry(
        "controller.stabilising_feedback",
        "kind of stabilising feedback",
        "says which signal brings damping",
        "before any gain, the amplifier's feedback gain at zero",
    ),
    _Entry(
        "controller.high_pass_frequency",
        "corner of the high pass",
        "keeps steady load pressure out of the feedback, so that it costs no stiffness",
        "before the feedback's gain; from the value upwards, a low corner is the safer for damping",
    ),
    _Entry(
        "controller.filter_frequency",
        "natural frequency of the derivative filter",
        "makes velocity and acceleration from the position reading",
        "before the feedback's gain; lower it if the command is noisy",
    ),
    _Entry(
        "controller.load_pressure_feedback",
        "load-pressure feedback",
        "takes velocity off as load pressure changes: damps the mass on the oil spring",
        "from zero up to a quarter, with the velocity gain at a quarter; a wrong sign shows at "
        "once as ringing: back to zero and turn it. Then by halves",
    ),
    _Entry(
        "controller.acceleration_feedback",
        "acceleration feedback",
        "takes velocity off with acceleration: damps the mass on the oil spring",
        "from zero up to a quarter, with the velocity gain at a quarter; a wrong sign shows at "
        "once as ringing: back to zero and turn it. Then by halves",
    ),
    _Entry(
        "controller.velocity_gain",
        "velocity gain",
        "velocity per position error: the stiffness of the loop and its speed",
        "from a quarter of the value up, half of the rest at a time; back by a third if it rings",
    ),
    _Entry(
        "controller.overlap_smoothing",
        "smoothing of the overlap's jump",
        "opening over which the jump over the overlap is spread",
        "before the compensation; a larger one is the safer",
    ),
    _Entry(
        "controller.overlap_compensation",
        "overlap compensation",
        "share of the valve's overlap that the command jumps, so that it has no dead zone",
        "from zero up in steps of 20 %; go back by 20 % if the table hunts at rest",
    ),
    _Entry(
        "controller.velocity_feedforward",
        "velocity feed-forward",
        "share of the reference velocity that is given directly: takes away the lag",
        "from zero up in steps of 25 %, slow moves first; less if the table passes its target",
    ),
    _Entry(
        "controller.acceleration_feedforward",
        "acceleration feed-forward",
        "velocity per acceleration of the reference: makes up for the lag of valve and sampling",
        "after the velocity feed-forward, from zero by halves",
    ),
    _Entry(
        "controller.integral_dead_zone",
        "dead zone of the integral",
        "error that the integral leaves alone, so that it doesn't hunt against friction",
        "before the integral's gain; a larger one is the safer",
    ),
    _Entry(
        "controller.integral_limit",
        "limit of the integral",
        "largest velocity that the integral may ask for",
        "before the integral's gain",
    ),
    _Entry(
        "controller.integral_gain",
        "integral gain",
        "gathers the error that friction and null shift leave at rest",
        "last of the gains, from a tenth up; back to a half if the table hunts",
    ),
    _Entry(
        "reference.acceleration",
        "acceleration of the reference",
        "how quickly the table gets up to speed",
        "from half up",
    ),
    _Entry(
        "reference.jerk",
        "jerk of the reference",
        "how softly acceleration comes and goes",
        "from half up",
    ),
    _Entry(
        "reference.deceleration",
        "deceleration of the reference",
        "how hard the table brakes into its target",
        "from half up, watching the chamber pressures and the overshoot",
    ),
    _Entry(
        "lock.ahead_distance",
        "distance at which the lock closes",
        "remaining distance at which the lock is told to close on the moving table",
        "from the value of the file, a tenth at a time",
    ),
    _Entry(
        "lock.window",
        "window of the lock",
        "error within which the table must stay for the dwell before the lock closes",
        "last, when the scatter at rest has been seen: never wider than the part allows",
    ),
)


def sheet_of(
    original: Axis,
    tuned: Axis,
    limits: Mapping[str, str],
    searched: set[str],
) -> tuple[SheetRow, ...]:
    """Return the gain sheet.

    Parameters
    ----------
    original, tuned : Axis
        The axis before and after.
    limits : mapping of str to str
        By key what keeps the value from going further.
    searched : set of str
        Keys that were searched; they stand on the sheet even if they stay as they were.

    Returns
    -------
    tuple of SheetRow
        In the order in which to enter them; values that act on nothing are left out.
    """
    scale = scale_of(tuned)
    rows: list[SheetRow] = []
    for entry in _ENTRIES:
        if not is_read(tuned, entry.key):
            continue
        table, name = entry.key.split(".")
        before, after = getattr(original.file, table), getattr(tuned.file, table)
        value = getattr(after, name)
        changed = not is_read(original, entry.key) or getattr(before, name) != value
        if not changed and entry.key not in searched:
            continue
        kind: Any = type(after)
        field = fields_of(kind)[name]
        command, signal = _in_signal(tuned, scale, entry.key, value)
        rows.append(
            SheetRow(
                order=len(rows) + 1,
                key=entry.key,
                name=entry.name,
                symbol=field.symbol,
                before=getattr(before, name) if is_read(original, entry.key) else "",
                value=value,
                unit=si_unit(field.unit) if field.kind == "quantity" else "",
                text_before=shown_value(before, name),
                text=str(text_of(original, entry.key, value, 6)),
                command=command,
                signal=signal,
                does=entry.does,
                limited_by=limits.get(entry.key, ""),
                enter=entry.enter,
            )
        )
    return tuple(rows)


def _in_signal(axis: Axis, scale: Scale, key: str, value: Any) -> tuple[str, str]:
    """Return a value in per cent of command and in the signal's units."""
    name = key.split(".")[1]
    step = scale.signal.step
    if name == "velocity_gain":
        return scale.command(1e-3 * value, "/mm"), scale.signals(1e-3 * value, "/mm", value * step)
    if name == "load_pressure_feedback":
        return scale.command(1e5 * value, "/bar"), scale.signals(1e5 * value, "/bar")
    if name == "acceleration_feedback":
        return scale.command(value, "/(m/s2)"), scale.signals(value, "/(m/s2)")
    if name == "velocity_feedforward":
        return scale.command(1e-3 * value, "/(mm/s)"), scale.signals(1e-3 * value, "/(mm/s)")
    if name == "acceleration_feedforward":
        return scale.command(value, "/(m/s2)"), scale.signals(value, "/(m/s2)")
    if name == "integral_gain":
        return scale.command(1e-3 * value, "/(mm s)"), scale.signals(1e-3 * value, "/(mm s)")
    if name == "integral_limit":
        return scale.command(value, ""), scale.signals(value, "")
    if name == "null_trim":
        return scale.share(value)
    if name == "overlap_smoothing":
        return scale.share(value)
    if name == "overlap_compensation":
        p = axis.parameters.controller
        return scale.jump(value * p.L_plus, value * p.L_minus)
    if name in ("integral_dead_zone", "window", "ahead_distance") and step > 0.0:
        return "", f"{value / step:.3g} increments"
    return "", ""
