"""Values of a requirement that can be relaxed step by step, each by an amount from zero up.

Sources. Nominal pressures of ISO 2944, bores of ISO 3320: from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from servosim.errors import ParameterError
from servosim.params import Range, get, places_of, replace
from servosim.params._tables import fields_of
from servosim.sizing.findings import Change
from servosim.sizing.looser import HIGH_END, WAYS, WITHIN
from servosim.sizing.requirement import RequirementFile
from servosim.sizing.value_texts import is_whole, raw_value, rounded, si_of, text_of, unit_of
from servosim.tuning.hardware import BORES
from servosim.units import group_of

PRESSURES = (16, 25, 40, 63, 100, 125, 160, 200, 250, 315, 400)  # bar
_MOST = 4.0  # largest amount: a value five times as large
_BAND = 20.0  # K, by which a temperature moves for an amount of one, where there is no range
_SMALL = 1e-3  # of the SI unit: what a value of zero grows by for an amount of one
_SHIFTED = {"lines.suction_head": 1.0}  # m, for an amount of one: either sign means something
_STIFFER = ("fixed_free", "pinned_pinned", "fixed_guided", "fixed_fixed")


@dataclass(frozen=True)
class Knob:
    """One value of the requirement that can be relaxed.

    Attributes
    ----------
    key, words : str
        Key, and the change in words, such as ``"settling time longer"``.
    amounts : tuple of float
        Amounts to try, rising; the only ones there are if ``steps``.
    steps : bool
        Whether nothing lies between the amounts: sizes of a series, choices.
    at : callable
        Returns the requirement with an amount of it, and the change.
    cost : callable
        Returns how large a change of an amount is, to compare different keys [-].
    """

    key: str
    words: str
    amounts: tuple[float, ...]
    steps: bool
    at: Callable[[float], tuple[RequirementFile, Change]]
    cost: Callable[[float], float]


def knobs_of(requirement: RequirementFile, keys: Sequence[str]) -> list[Knob]:
    """Return everything that can be turned of some keys.

    Parameters
    ----------
    requirement : RequirementFile
        What is to be relaxed.
    keys : sequence of str
        Keys such as ``"reference.velocity"``; ``"valve.rated_flow"`` means one more valve, a key
        of another value of ``[[valve]]`` that value of every valve. Keys that do not exist, are
        not read or cannot be relaxed are passed over.

    Returns
    -------
    list of Knob
        A value that may help either way gives two, a range one for each end.
    """
    found: list[Knob] = []
    for key in dict.fromkeys(keys):
        try:
            found += list(_knobs(requirement, key))
        except ParameterError:
            continue
    return found


def _knobs(requirement: RequirementFile, key: str) -> Iterator[Knob]:
    table, _, name = key.partition(".")
    if table == "valve":
        yield from _valve_knobs(requirement, name or "rated_flow")
        return
    places = places_of(RequirementFile)
    if table not in places or not name or getattr(requirement, table, None) is None:
        return
    kind: Any = places[table].kind
    fields = fields_of(kind)
    if name not in fields or name in getattr(requirement, table)._unread:
        return
    value, field = get(requirement, key), fields[name]
    if field.kind == "interval":
        yield from _range_knobs(requirement, key, value)
    elif field.kind in ("choice", "switch"):
        yield from _choice_knobs(requirement, key, value, field.options)
    elif field.many:
        yield from _series_knobs(requirement, key, value)
    elif field.kind in ("quantity", "number"):
        way = WAYS.get(key)
        if value == 0.0 and way == -1 and key not in _SHIFTED:
            return  # it cannot be less in size
        for one in (1, -1) if way is None else (way,):
            yield _value_knob(requirement, key, float(value), one)


def _moved(value: float, way: int, amount: float, scale: float | None) -> float:
    """Return a value moved by an amount: relative to itself, or to a scale."""
    if scale is not None:
        return value + way * amount * scale
    return value * (1.0 + amount) if way > 0 else value / (1.0 + amount)


def _grid(most: float = _MOST) -> tuple[float, ...]:
    """Return amounts from one per cent up, each twice the one before."""
    found = [0.01]
    while found[-1] * 2.0 < most:
        found.append(found[-1] * 2.0)
    return (*found, most)


def _value_knob(requirement: RequirementFile, key: str, value: float, way: int) -> Knob:
    """Return a knob of a single number."""
    name = key.split(".")[1]
    unit = unit_of(requirement, key)
    temperature = group_of(unit) == "temperature"
    scale = _BAND if temperature else _SHIFTED.get(key, None if value != 0.0 else _SMALL)
    words = f"{name.replace('_', ' ')} {'larger' if way > 0 else 'smaller'}"

    def at(amount: float) -> tuple[RequirementFile, Change]:
        after = _moved(value, way, amount, scale)
        step = abs(after - value)
        text, after = rounded(after, unit, step, math.copysign(1.0, after - value))
        changed = replace(requirement, {key: raw_value(requirement, key, text, after)})
        before = text_of(value, unit)
        return changed, Change(key, words, value, after, si_of(unit), before, text)

    def cost(amount: float) -> float:
        return amount if scale is not None else math.log1p(amount)

    return Knob(key, words, _grid(), is_whole(requirement, key), at, cost)


def _range_knobs(requirement: RequirementFile, key: str, value: Range) -> Iterator[Knob]:
    """Return knobs that narrow a range from above, and from below where both ends can hurt."""
    low, high = value
    unit = unit_of(requirement, key)
    name = key.split(".")[1].replace("_", " ")
    if high <= low:
        return
    for end in ("high",) if key in HIGH_END else ("high", "low"):
        words = f"{name}: {'highest smaller' if end == 'high' else 'lowest larger'}"

        def at(amount: float, end: str = end, words: str = words) -> tuple[RequirementFile, Change]:
            share = min(amount, 1.0) * (high - low)
            before, after = (high, high - share) if end == "high" else (low, low + share)
            text, after = rounded(after, unit, share, math.copysign(1.0, after - before))
            after = min(max(after, low), high)
            texts = [text_of(low, unit), text] if end == "high" else [text, text_of(high, unit)]
            held = Range(low, after) if end == "high" else Range(after, high)
            changed = replace(requirement, {key: held, **values_beside(requirement, key, held)})
            was = f"{text_of(low, unit)}, {text_of(high, unit)}"
            return changed, Change(key, words, before, after, si_of(unit), was, ", ".join(texts))

        yield Knob(key, words, _grid(1.0), False, at, lambda amount: amount)


def values_beside(requirement: RequirementFile, key: str, held: Range) -> dict[str, float]:
    """Return single values that must lie within a range, moved into it where they don't."""
    found = {}
    for other in WITHIN.get(key, ()):
        value = get(requirement, other)
        inside = min(max(value, held.low), held.high)
        if inside != value:
            found[other] = inside
    return found


def _choice_knobs(
    requirement: RequirementFile, key: str, value: Any, options: Sequence[str]
) -> Iterator[Knob]:
    """Return a knob of a choice that has an easier side."""
    easier: list[Any] = []
    if value is False:
        easier = [True]
    elif key == "conditions.power_failure" and value == "must_hold":
        easier = ["may_sink"]
    elif key == "cylinders.mounting":
        easier = list(_STIFFER[_STIFFER.index(value) + 1 :])
    elif key.startswith("lock.") or key == "table.counterbalance":
        easier = []  # what else would then have to be stated is not known
    if not easier:
        return
    name = key.split(".")[1].replace("_", " ")

    def at(amount: float) -> tuple[RequirementFile, Change]:
        after = easier[round(amount) - 1]
        said = str(after).lower() if isinstance(after, bool) else after
        was = str(value).lower() if isinstance(value, bool) else value
        change = Change(key, f"{name}: {said}", math.nan, math.nan, "", was, said)
        return replace(requirement, {key: after}), change

    amounts = tuple(float(k + 1) for k in range(len(easier)))
    yield Knob(key, f"{name}: another choice", amounts, True, at, lambda amount: 0.5 * amount)


def _series_knobs(
    requirement: RequirementFile, key: str, values: Sequence[float]
) -> Iterator[Knob]:
    """Return knobs that add one more size at either end of a series, or shorten a pattern."""
    unit, name = unit_of(requirement, key), key.split(".")[1].replace("_", " ")
    was = ", ".join(text_of(one, unit) for one in values)
    if key == "work.distances":
        yield _pattern_knob(requirement, key, values)
        return
    for way in (1, -1):
        size = _next(key, sorted(values), way)
        if size is None:
            continue

        def at(amount: float, size: float = size, way: int = way) -> tuple[RequirementFile, Change]:
            more = {key: tuple(sorted((*values, size)))}
            words = f"{name}: one size {'larger' if way > 0 else 'smaller'}"
            end = max(values) if way > 0 else min(values)
            text = ", ".join(text_of(one, unit) for one in sorted((*values, size)))
            change = Change(key, words, end, size, si_of(unit), was, text)
            return replace(requirement, more), change

        words = f"{name}: one size {'larger' if way > 0 else 'smaller'}"
        end = max(values) if way > 0 else min(values)
        ratio = abs(math.log(size / end)) if size > 0.0 and end > 0.0 else 1.0
        yield Knob(key, words, (1.0,), True, at, partial(_always, ratio))


def _pattern_knob(requirement: RequirementFile, key: str, values: Sequence[float]) -> Knob:
    """Return a knob that makes every move of the pattern shorter in the same proportion."""
    unit = unit_of(requirement, key)
    longest = max(range(len(values)), key=lambda k: abs(values[k]))

    def shorter(amount: float) -> tuple[RequirementFile, Change]:
        pairs = [
            rounded(one / (1.0 + amount), unit, 0.2 * abs(one) * amount / (1.0 + amount), 0.0)
            for one in values
        ]
        after = tuple(value for _, value in pairs)
        change = Change(key, "distances shorter", values[longest], after[longest], si_of(unit),
                        ", ".join(text_of(one, unit) for one in values),
                        ", ".join(text for text, _ in pairs))  # fmt: skip
        return replace(requirement, {key: after}), change

    return Knob(key, "distances shorter", _grid(), False, shorter, math.log1p)


def _always(cost: float, amount: float) -> float:
    return cost


def _next(key: str, values: list[float], way: int) -> float | None:
    """Return the next size beyond a series."""
    known: dict[str, Sequence[float]] = {
        "cylinders.bores": [1e-3 * one for one in BORES],
        "pressures.nominal": [1e5 * one for one in PRESSURES],
    }
    end = values[-1] if way > 0 else values[0]
    if key in known:
        series = known[key] if way > 0 else known[key][::-1]
        return next((one for one in series if way * (one - end) > 1e-3 * end), None)
    if end <= 0.0:
        return None
    positive = [one for one in values if one > 0.0]
    if len(positive) < 2:
        ratio = 1.6
    else:
        pair = positive[-2:] if way > 0 else positive[:2]
        ratio = pair[1] / pair[0]
    return float(f"{end * ratio**way:.2g}") if way > 0 else float(f"{end / ratio:.2g}")


def _valve_knobs(requirement: RequirementFile, name: str) -> Iterator[Knob]:
    """Return one more valve, or every valve with a better figure."""
    valves = requirement.valve
    if name == "rated_flow":
        for way in (1, -1):
            model = (max if way > 0 else min)(valves, key=lambda one: one.rated_flow)
            factor = 1.6**way

            def more(amount: float, model: Any = model, factor: float = factor) -> Any:
                flow = model.rated_flow * factor
                text = rounded(flow, "L/min", 0.05 * flow, 0.0)[0]
                grown = {
                    "name": f"{model.name}, wanted with {text}",
                    "rated_flow": text,
                    "null_leakage": model.null_leakage * factor,
                    "pilot_leakage": model.pilot_leakage * factor,
                    "port_diameter": model.port_diameter * math.sqrt(factor),
                }
                changed = replace(requirement, {"valve": (*valves, model.replace(**grown))})
                change = Change("valve.rated_flow", f"one more valve, of {text}",
                                model.rated_flow, flow, "m3/s",
                                text_of(model.rated_flow, "L/min"), text)  # fmt: skip
                return changed, change

            words = f"one valve {'larger' if way > 0 else 'smaller'}"
            yield Knob(
                "valve.rated_flow", words, (1.0,), True, more, partial(_always, math.log(1.6))
            )
        return
    ways = {"natural_frequency": 1, "highest_pressure": 1, "port_diameter": 1, "stroke_time": -1,
            "threshold": -1, "hysteresis": -1, "null_leakage": -1, "pilot_leakage": -1}  # fmt: skip
    if name not in ways:
        return
    way, unit = ways[name], fields_of(type(valves[0]))[name].unit

    def better(amount: float) -> tuple[RequirementFile, Change]:
        factor = _moved(1.0, way, amount, None)
        made = tuple(one.replace(**{name: factor * getattr(one, name)}) for one in valves)
        before = getattr(valves[0], name)
        text = f"{factor:.4g} times what each valve has"
        change = Change(f"valve.{name}", f"valves: {name.replace('_', ' ')} {factor:.4g} times",
                        before, factor * before, si_of(unit), "as stated", text)  # fmt: skip
        return replace(requirement, {"valve": made}), change

    words = f"valves: better {name.replace('_', ' ')}"
    yield Knob(f"valve.{name}", words, _grid(), False, better, math.log1p)
