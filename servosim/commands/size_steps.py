"""Steps of a calculation in words and numbers, with as many digits as a reader needs.

Numbers are put into a formula in practical units if the formula holds in any units, else in SI.
They have as many digits as it takes to come to the printed result again.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby

from servosim import units
from servosim.commands.formula_text import GAP, names_in, pretty, symbol_text, unit_text, value_of
from servosim.commands.size_numbers import (
    DIGITS,
    argument_text,
    number_text,
    practical,
    read_back,
    with_unit,
)
from servosim.errors import UnitError
from servosim.sizing.calculation import Step

_MOST_DIGITS = 15
_LEAST_FAMILY = 3  # steps of one formula in a row that make a table

# a second reading of a result, in units that hide a factor or an offset
_ALSO = {
    "rad/s": "Hz", "K": "degC", "m3/rad": "cm3/rev", "m/rad": "mm/rev", "rad": "deg",
}  # fmt: skip
_COLDEST = 150.0  # K: what is less is a difference of temperatures

# factors of the base units, without a simple ratio; an angle is a plain number
_FACTORS = {
    "[length]": 1.37, "[time]": 0.83, "[mass]": 1.19, "[temperature]": 1.07, "[current]": 1.11,
    "[angle]": 1.0,
}  # fmt: skip


def is_homogeneous(step: Step) -> bool:
    """Return whether a formula holds in any units, so that practical ones may be put in.

    Parameters
    ----------
    step : Step
        The step.

    Returns
    -------
    bool
        Whether it gives the same result when metre, second, kilogram and kelvin are other ones.
        Angles count as plain numbers.

    Notes
    -----
    Every number is scaled by its dimension with factors that have no simple ratio; the result must
    scale by its own. A formula with a constant that has a unit does not.
    """
    try:
        factors = {name: _factor(unit) for name, _, _, unit in step.inputs}
        expected = step.value * _factor(step.unit)
    except UnitError:
        return False
    values = {name: value * factors[name] for name, _, value, _ in step.inputs}
    found = value_of(step.text, values)
    scale = max((abs(value) for value in values.values() if math.isfinite(value)), default=1.0)
    return math.isclose(found, expected, rel_tol=1e-6, abs_tol=0.0 if expected else 1e-9 * scale)


def _factor(unit: str) -> float:
    """Return by what a number grows when the base units are other ones."""
    if unit in ("", "1"):
        return 1.0
    text = re.sub(r"sqrt\((\w+)\)", r"\1**0.5", unit).replace(" ", "*")
    text = re.sub(r"([A-Za-z])(\d)", r"\1**\2", text)
    names = {name: _factor_of_one(name) for name in names_in(text)}
    return value_of(text, names)


def _factor_of_one(unit: str) -> float:
    """Return the factor of a unit that has a name of its own, such as N."""
    found = 1.0
    for name, exponent in units.dimension_of(unit).items():
        found *= _FACTORS[name] ** float(exponent)
    return found


def _needs_si(step: Step) -> bool:
    """Return whether numbers must be put in in SI units."""
    return bool(step.text) and not is_homogeneous(step)


def _arguments(
    step: Step, shown: Mapping[str, str], unit: str, pinned: Mapping[str, str] | None = None
) -> dict[str, str]:
    """Return the arguments with as many digits as the printed result needs.

    `shown` are the units of the arguments, `unit` that of the result, `pinned` arguments that are
    printed already.
    """
    pinned = pinned or {}
    wanted = number_text(step.value, step.unit, unit)
    texts: dict[str, str] = {}
    for digits in range(DIGITS, _MOST_DIGITS + 1):
        texts = {
            name: pinned.get(name) or argument_text(value, si, shown[name], digits)
            for name, _, value, si in step.inputs
        }
        values = {
            name: read_back(texts[name], value, shown[name], si)
            for name, _, value, si in step.inputs
        }
        if number_text(value_of(step.text, values), step.unit, unit) == wanted:
            break
    return texts


class Written:
    """One step in words and numbers.

    Parameters
    ----------
    step : Step
        The step.
    plain : bool, optional
        Whether only letters of ASCII may be used.

    Attributes
    ----------
    symbol, formula, numbers, result, also : str
        Letter, formula, the same with numbers, the result, and its second reading such as hertz or
        degrees Celsius; empty where there is none.
    names : str
        What each letter stands for.
    in_si : bool
        Whether the numbers stand in SI units because the formula has a constant with a unit.
    """

    def __init__(self, step: Step, *, plain: bool = False) -> None:
        self.symbol = symbol_text(step.symbol, plain=plain)
        self.formula = pretty(step.text, plain=plain) if step.text else ""
        si = _needs_si(step)
        self.in_si = si
        unit = step.unit if si else practical(step.value, step.unit)
        self.result = with_unit(number_text(step.value, step.unit, unit), plain)
        self.also = _second(step, plain)
        self.names, self.numbers = "", ""
        if step.text:
            shown = {n: u if si else practical(value, u) for n, _, value, u in step.inputs}
            texts = _arguments(step, shown, unit)
            filled = {name: with_unit(text, plain) for name, text in texts.items()}
            self.numbers = pretty(step.text, filled, plain=plain)
            self.names = names_of(step, plain)


def names_of(step: Step, plain: bool = False) -> str:
    """Return what each letter of a formula stands for, those left out that say it themselves."""
    used = names_in(step.text)
    parts = [
        f"{symbol_text(name, plain=plain)}: {words}"
        for name, words, *_ in step.inputs
        if name != words and (name in used or not used)
    ]
    return "; ".join(parts)


def _second(step: Step, plain: bool) -> str:
    unit = _ALSO.get(step.unit, "")
    if not unit or not math.isfinite(step.value):
        return ""
    if unit == "degC" and step.value < _COLDEST:
        return ""
    return with_unit(number_text(step.value, step.unit, unit), plain)


class Family:
    """Several steps of one formula in a row, for a table.

    Parameters
    ----------
    steps : sequence of Step
        The steps.
    plain : bool, optional
        Whether only letters of ASCII may be used.

    Attributes
    ----------
    symbol, formula, names : str
        As of :class:`Written`.
    same : str
        Arguments that are the same in all of them, with their values.
    head : tuple of str
        Of each argument that differs, and of the result, its letter and unit.
    rows : list of tuple of str
        Note, arguments and result of each.
    in_si : bool
        As of :class:`Written`.
    """

    def __init__(self, steps: Sequence[Step], *, plain: bool = False) -> None:
        first = steps[0]
        self.symbol = symbol_text(first.symbol, plain=plain)
        self.formula = pretty(first.text, plain=plain)
        self.names = names_of(first, plain)
        self.in_si = any(map(_needs_si, steps))
        columns = {
            name: [step.inputs[k][2] for step in steps] for k, (name, *_) in enumerate(first.inputs)
        }
        si = {name: unit for name, _, _, unit in first.inputs}
        shown = {
            name: si[name] if self.in_si else practical(_largest(values), si[name])
            for name, values in columns.items()
        }
        unit = first.unit
        if not self.in_si:
            unit = practical(_largest([step.value for step in steps]), first.unit)
        differing = [name for name, values in columns.items() if len({*map(repr, values)}) > 1]
        used = names_in(first.text)
        fixed = [name for name in columns if name not in differing and name in used]
        texts = [_arguments(step, shown, unit) for step in steps]
        most = {name: max((text[name] for text in texts), key=len) for name in fixed}
        texts = [_arguments(step, shown, unit, most) for step in steps]
        self.same = ", ".join(
            f"{symbol_text(name, plain=plain)} = {with_unit(most[name], plain)}" for name in fixed
        )
        self.head = (
            *(_headed(name, shown[name], plain) for name in differing),
            _headed(first.symbol, unit, plain),
        )
        self.rows = [
            (
                step.note,
                *(text[name].partition(GAP)[0] for name in differing),
                number_text(step.value, step.unit, unit).partition(GAP)[0],
            )
            for step, text in zip(steps, texts, strict=True)
        ]


def _headed(name: str, unit: str, plain: bool) -> str:
    symbol = symbol_text(name, plain=plain)
    return symbol if unit in ("", "1") else f"{symbol} [{unit_text(unit, plain=plain)}]"


def _largest(values: Sequence[float]) -> float:
    return max((abs(value) for value in values if math.isfinite(value)), default=0.0)


def families(steps: Sequence[Step]) -> Iterator[list[Step]]:
    """Return steps in groups: those of one formula in a row together, every other one alone.

    Parameters
    ----------
    steps : sequence of Step
        Steps of one section.

    Yields
    ------
    list of Step
        At least three of one formula, or a single step.
    """
    for _, group in groupby(steps, key=_kind):
        one = list(group)
        if len(one) >= _LEAST_FAMILY and one[0].text:
            yield one
        else:
            yield from ([step] for step in one)


def _kind(step: Step) -> tuple[object, ...]:
    names = tuple((name, words, unit) for name, words, _, unit in step.inputs)
    return (step.symbol, step.words, step.text, step.unit, step.source, names)
