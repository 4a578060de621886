"""The valves at hand: tables of their data sheets, and the valve of an axis made of one."""

from __future__ import annotations

from functools import lru_cache
from typing import Any, Literal

from servosim.components.valve import Valve
from servosim.params import Table, choice, number, quantity, text

_OWN_FIGURES = (
    "rated_flow",
    "rated_pressure_drop",
    "rated_stroke",
    "null_leakage",
    "pilot_leakage",
    "natural_frequency",
    "damping_ratio",
    "stroke_time",
    "threshold",
    "hysteresis",
    "null_bias",
    "null_shift_temperature",
    "null_shift_pressure",
)
_OVERLAPS = ("overlap_pa", "overlap_bt", "overlap_pb", "overlap_at")
_SHARED_FIGURES = (
    "rating_pressure",
    "rating_temperature",
    "discharge_coefficient",
    "transition_reynolds",
    "wide_play_weight",
)


class ValveData(Table):
    """What all the valves at hand have in common."""

    rating_pressure: float = quantity(
        "bar", above=0, high="500 bar", doc="Supply pressure at which leakage is rated."
    )
    rating_temperature: float = quantity(
        "degC", low="-20 degC", high="100 degC", doc="Oil at which flow and leakage are rated."
    )
    discharge_coefficient: float = number(low=0.3, high=1, symbol="C_d", doc="Of the lands.")
    transition_reynolds: float = number(
        low=1, high=500, doc="Reynolds number where laminar and turbulent flow meet."
    )
    wide_play_weight: float = number(
        above=0, below=1, doc="Weight of the wide play of hysteresis, see the axis' own file."
    )
    signal: Literal["none", "voltage", "current"] = choice(
        "Kind of the command's signal, for a sheet of gains in its unit.", absent="none"
    )
    rated_voltage: float = quantity(
        "V", above=0, high="100 V", when={"signal": ("voltage",)}, doc="Signal at full command."
    )
    rated_current: float = quantity(
        "mA", above=0, high="10 A", when={"signal": ("current",)}, doc="Signal at full command."
    )


class ValveAtHand(Table):
    """One valve at hand, by the figures of its data sheet."""

    name: str = text("What to call it.")
    kind: Literal["servo", "proportional"] = choice("Kind, for words and comparison alone.")
    rated_flow: float = quantity(
        "L/min",
        above=0,
        high="5000 L/min",
        symbol="q_n",
        doc="Flow at full command and rated drop, side A.",
    )
    rated_pressure_drop: float = quantity(
        "bar", above=0, high="400 bar", symbol="dp_n", doc="Drop over both lands for that flow."
    )
    rated_stroke: float = quantity(
        "mm", low="0.01 mm", high="20 mm", symbol="x_n", doc="Stroke of the spool."
    )
    overlap: float = quantity(
        "%", low="-50 %", high="50 %", doc="Overlap of all four lands over the stroke."
    )
    area_ratio: float = number(
        low=0.1, high=10, absent=1.0, symbol="K_B/K_A", doc="Lands and flow at B over those at A."
    )
    null_leakage: float = quantity(
        "L/min", above=0, high="100 L/min", doc="Leakage with the spool centred, with the pilot's."
    )
    pilot_leakage: float = quantity("L/min", low=0, high="50 L/min", doc="Pilot stage's share.")
    natural_frequency: float = quantity(
        "Hz", above=0, high="2 kHz", symbol="f_v", doc="Natural frequency for small signals."
    )
    damping_ratio: float = number(low=0.1, high=3, symbol="zeta_v", doc="Damping ratio.")
    stroke_time: float = quantity("ms", above=0, high="5 s", doc="Time from closed to full stroke.")
    threshold: float = quantity("%", low=0, high="10 %", doc="Threshold.")
    hysteresis: float = quantity("%", low=0, high="20 %", doc="Hysteresis, full loop.")
    null_bias: float = quantity("%", low="-20 %", high="20 %", doc="Spool command at no command.")
    null_shift_temperature: float = quantity(
        "%/K", low="-1 %/K", high="1 %/K", doc="Shift of the null with temperature."
    )
    null_shift_pressure: float = quantity(
        "%/bar", low="-1 %/bar", high="1 %/bar", doc="Shift of the null with supply pressure."
    )
    port_diameter: float = quantity("mm", above=0, high="200 mm", doc="Diameter of the ports.")
    highest_pressure: float = quantity(
        "bar", above=0, high="700 bar", doc="Highest supply pressure."
    )
    rest_position: Literal["blocked", "vented", "undefined"] = choice(
        "Where the spool goes without power: all ports blocked, A and B to tank, or not defined."
    )


@lru_cache(maxsize=512)
def valve_of(at_hand: ValveAtHand, data: ValveData) -> Valve:
    """Return the valve as an axis' own file states it.

    Parameters
    ----------
    at_hand : ValveAtHand
        Its figures.
    data : ValveData
        What all valves have in common.

    Returns
    -------
    Valve
        The same figures; all lands have the same overlap, the opening is linear, the spool's loop
        is of second order.

    Raises
    ------
    ParameterError
        If the figures contradict each other.
    """
    figures: dict[str, Any] = {key: getattr(at_hand, key) for key in _OWN_FIGURES}
    figures |= {key: getattr(data, key) for key in _SHARED_FIGURES}
    figures |= dict.fromkeys(_OVERLAPS, at_hand.overlap)
    if at_hand.area_ratio != 1.0:
        figures["area_ratio"] = at_hand.area_ratio
    if data.signal != "none":
        figures["signal"] = data.signal
        figures[f"rated_{data.signal}"] = getattr(data, f"rated_{data.signal}")
    return Valve(
        source=f"{at_hand.name}; {at_hand.source}" if at_hand.source else at_hand.name,
        **figures,
        leakage_given="null_leakage",
        opening="linear",
        dynamics="second_order",
        piloted="no",
    )
