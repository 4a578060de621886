"""What the requirement file asks for: the work, its accuracy, and the conditions it is done in."""

from __future__ import annotations

from typing import Literal

from servosim.params import Range, Table, choice, interval, number, quantity


class Work(Table):
    """The moves of one cycle, and how often it is gone through."""

    distances: tuple[float, ...] = quantity(
        "mm",
        many=True,
        low="-20 m",
        high="20 m",
        doc="Moves of one cycle in their order, positive out; what is left to the start is gone "
        "back in one more move.",
    )
    start: float = quantity(
        "mm",
        low=0,
        high="20 m",
        doc="Position where a cycle starts, from the beginning of the table's travel.",
    )
    dwell: float = quantity(
        "s",
        low=0,
        high="3600 s",
        doc="Time in position after each move, locked if it can be.",
    )
    cycles_per_hour: float = number(above=0, high=100000, doc="Cycles of all these moves an hour.")
    stroke: float = quantity("mm", above=0, high="20 m", doc="Travel the table must have.")
    stroke_reserve: float = quantity(
        "mm", low=0, high="1 m", doc="Travel of the cylinder beyond that, half of it at each end."
    )


class Accuracy(Table):
    """What the axis must keep to at its targets."""

    half_width: float = quantity(
        "um", above=0, high="100 mm", symbol="w", doc="Half the width of the window."
    )
    settling_time: float = quantity(
        "s",
        above=0,
        high="3600 s",
        doc="Longest time from the start of the longest move until it stays in the window.",
    )
    overshoot: float = quantity("um", low=0, high="100 mm", doc="Largest overshoot of the table.")
    resting_error: float = quantity(
        "um", above=0, high="100 mm", doc="Largest error at rest, before the lock closes."
    )
    deflection: float = quantity(
        "um", above=0, high="100 mm", doc="Largest deflection of the held table under thrust."
    )
    hold_time: float = quantity("s", above=0, high="3600 s", doc="Time it is held in position.")
    drift: float = quantity("um", above=0, high="100 mm", doc="Largest drift over that time.")


class Conditions(Table):
    """Range of conditions in which all this must be kept."""

    workpiece_mass: Range = interval("kg", low=0, high="1000 t", doc="Workpiece.")
    temperature: Range = interval("degC", low="-20 degC", high="100 degC", doc="Oil when at work.")
    coldest_start: float = quantity(
        "degC", low="-40 degC", high="60 degC", doc="Coldest oil with which the pump is started."
    )
    free_air: Range = interval("%", low=0, high="20 %", doc="Free air at atmospheric pressure.")
    supply_variation: float = quantity(
        "%", low=0, high="50 %", doc="Supply pressure above and below its nominal value."
    )
    ambient_temperature: float = quantity(
        "degC", low="-20 degC", high="60 degC", doc="Room in which tank and coolers stand."
    )
    power_failure: Literal["must_hold", "may_sink"] = choice(
        "Whether the table must stay where it is when power fails."
    )


class Margins(Table):
    """Safety margins and rules; each says what is demanded beyond the bare sum."""

    force_reserve: float = quantity(
        "%",
        low=0,
        high="200 %",
        doc="Stall force above the greatest force of the cycle.",
    )
    flow_reserve: float = quantity(
        "%", low=0, high="200 %", doc="Flow of the valve above what the cycle needs of it."
    )
    highest_opening: float = quantity(
        "%",
        above=0,
        high="100 %",
        doc="Largest part of the valve's command used at rapid velocity in the worst condition.",
    )
    valve_to_axis_frequency: float = number(
        above=0, high=100, doc="Least ratio of the valve's frequency at 90 degrees to the axis'."
    )
    axis_to_motion_frequency: float = number(
        above=0,
        high=100,
        doc="Least ratio of the lowest natural frequency to the frequency the motion needs.",
    )
    smallest_step: float = number(
        above=0,
        high=1000,
        doc="Window over the smallest step that threshold and hysteresis let the axis make, least.",
    )
    buckling: float = number(above=1, high=20, doc="Safety against buckling.")
    chamber_pressure: float = quantity(
        "bar", above=0, high="1000 bar", doc="Highest pressure that cylinder and hoses admit."
    )
    lowest_pressure: float = quantity(
        "bar", low=0, high="100 bar", doc="Lowest chamber pressure in motion, gauge."
    )
    port_velocity: float = quantity(
        "m/s", above=0, high="100 m/s", doc="Highest oil velocity in the valve's ports."
    )
    null_leakage_share: float = quantity(
        "%", above=0, high="1000 %", doc="Largest null leakage over the mean flow of the cycle."
    )
    gain_margin: float = number(
        low=1, high=10, doc="Least gain margin of the loop as a ratio; 6 dB is 2."
    )
    phase_margin: float = quantity(
        "deg", low=0, below="90 deg", doc="Least phase margin of the loop."
    )


class Choice(Table):
    """How the winner is chosen and how many candidates are simulated."""

    prefer: Literal["motor_power", "settling_time", "stiffness", "reserve"] = choice(
        "What ranks the combinations that meet everything: least motor power, shortest settling "
        "time, least deflection, or most left of what is scarcest."
    )
    tried: int = number(low=1, high=2000, doc="Combinations that are tuned and moved.")
    seed: int = number(low=0, high=2**31 - 1, doc="Seed of the search and of the noise.")
