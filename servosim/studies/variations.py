"""How a parameter varies: points of a grid, or a distribution from which cases are drawn.

Values are texts with a unit or SI numbers. A distribution is one of scipy's; the classes here give
the usual ones in the words of a drawing or a data sheet, with units. Where a parameter has no unit,
plain numbers are its values.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servosim import units
from servosim.errors import ParameterError
from servosim.params._values import nearest, shown
from servosim.studies.parameters import Parameter

Array = NDArray[np.float64]
Value = str | float
SPACINGS = ("linear", "logarithmic")
MOST_POINTS = 1_000_000
_DIGITS = 12


@dataclass(frozen=True)
class Between:
    """Points of a grid from one value to another, both included.

    Parameters
    ----------
    low, high : str or float
        First and last value, as text with a unit or in SI units.
    points : int
        Number of points, two at least.
    spacing : {"linear", "logarithmic"}
        Whether neighbours have the same distance or the same ratio.

    Notes
    -----
    The points between the ends are rounded to twelve digits in the unit of the key, so that they
    read well in files and tables.
    """

    low: Value
    high: Value
    points: int = 5
    spacing: str = "linear"

    def values(self, parameter: Parameter, strict: bool = False) -> list[Any]:
        """Return the points as values of a parameter [SI unit]; its limits are checked by it."""
        if parameter.is_choice:
            raise ParameterError(parameter.fault("names have nothing between them", "a list"))
        points = self.points
        if isinstance(points, bool) or not isinstance(points, int) or not points >= 2:
            what = f"{shown(points)} points between two values"
            raise ParameterError(parameter.fault(what, "a whole number, 2 or more"))
        if points > MOST_POINTS:
            raise ParameterError(parameter.fault(f"{points} points", f"at most {MOST_POINTS}"))
        if self.spacing not in SPACINGS:
            what = f"unknown spacing {shown(self.spacing)}"
            close = nearest(str(self.spacing), SPACINGS)
            raise ParameterError(parameter.fault(what, " or ".join(SPACINGS), close))
        ends = [parameter.value(end, strict=strict) for end in (self.low, self.high)]
        if ends[0] == ends[1]:
            raise ParameterError(parameter.fault(f"both ends are {parameter.show(ends[0])}"))
        unit = parameter.spelling
        low, high = (units.convert(float(end), unit) for end in ends)
        if self.spacing == "linear":
            inner = np.linspace(low, high, points)[1:-1]
        elif low * high <= 0.0:
            what = f"no logarithmic spacing from {parameter.show(ends[0])}"
            raise ParameterError(parameter.fault(what, "both ends above zero, or linear spacing"))
        else:
            inner = np.geomspace(low, high, points)[1:-1]
        return [ends[0], *(units.parse(f"{x:.{_DIGITS}g} {unit}", unit) for x in inner), ends[1]]


class Sampled:
    """Base of the distributions: cases are drawn from them."""

    def quantiles(self, u: Array, parameter: Parameter, strict: bool = False) -> Array:
        """Return the values below which given shares of all cases lie.

        Parameters
        ----------
        u : ndarray, shape (n,)
            Shares between 0 and 1, exclusive [-].
        parameter : Parameter
            What varies.
        strict : bool
            Whether the values come from a file, where a bare number has no unit.

        Returns
        -------
        ndarray, shape (n,)
            Values [SI unit of the parameter]; its limits are not applied.

        Raises
        ------
        ParameterError
            If the distribution is none.
        """
        raise NotImplementedError

    def story(self) -> dict[str, Any]:
        """Return what the distribution is in plain values."""
        given = {one.name: getattr(self, one.name) for one in fields(self)}  # type: ignore[arg-type]
        plain = {
            name: value if isinstance(value, str) else float(value)
            for name, value in given.items()
            if value is not None
        }
        return {"distribution": _word(type(self).__name__), **plain}


def _word(name: str) -> str:
    return "".join(f"_{sign.lower()}" if sign.isupper() else sign for sign in name).lstrip("_")


def _ordered(parameter: Parameter, low: float, high: float) -> None:
    if not low < high:
        what = f"the low end {parameter.show(low)} is not below the high end {parameter.show(high)}"
        raise ParameterError(parameter.fault(what, "the lowest value first"))


def _number(parameter: Parameter, value: Any, strict: bool) -> float:
    return parameter.number(value, parameter.spelling, strict=strict)


@dataclass(frozen=True)
class Uniform(Sampled):
    """Every value between two is as likely as any other.

    Parameters
    ----------
    low, high : str or float
        Ends, as text with a unit or in SI units.
    """

    low: Value
    high: Value

    def quantiles(self, u: Array, parameter: Parameter, strict: bool = False) -> Array:
        """Return the values below which given shares lie, see :meth:`Sampled.quantiles`."""
        from scipy import stats

        low, high = (_number(parameter, end, strict) for end in (self.low, self.high))
        _ordered(parameter, low, high)
        return np.clip(stats.uniform(low, high - low).ppf(u), low, high)  # ends were rounded


@dataclass(frozen=True)
class Normal(Sampled):
    """Normal distribution, cut off at one or both ends if wanted.

    Parameters
    ----------
    mean : str or float
        Mean of the distribution before it is cut off, as text with a unit or in SI units.
    standard_deviation : str or float
        Its standard deviation; of a temperature in K.
    low, high : str or float, optional
        Nothing lies beyond them: the distribution in between is scaled up, and no value heaps up
        at an end.
    """

    mean: Value
    standard_deviation: Value
    low: Value | None = None
    high: Value | None = None

    def quantiles(self, u: Array, parameter: Parameter, strict: bool = False) -> Array:
        """Return the values below which given shares lie, see :meth:`Sampled.quantiles`."""
        from scipy import stats

        mean = _number(parameter, self.mean, strict)
        deviation = parameter.number(self.standard_deviation, parameter.difference, strict=strict)
        if not deviation > 0.0:
            what = f"a standard deviation of {shown(self.standard_deviation)}"
            raise ParameterError(parameter.fault(what, "more than zero"))
        low = -math.inf if self.low is None else _number(parameter, self.low, strict)
        high = math.inf if self.high is None else _number(parameter, self.high, strict)
        if low == -math.inf and high == math.inf:
            return np.asarray(stats.norm(mean, deviation).ppf(u))
        _ordered(parameter, low, high)
        ends = (low - mean) / deviation, (high - mean) / deviation
        return np.clip(stats.truncnorm(*ends, mean, deviation).ppf(u), low, high)


@dataclass(frozen=True)
class Triangular(Sampled):
    """Triangular distribution: the guess of lowest, likeliest and highest value.

    Parameters
    ----------
    low, mode, high : str or float
        Lowest, likeliest and highest value, as text with a unit or in SI units.
    """

    low: Value
    mode: Value
    high: Value

    def quantiles(self, u: Array, parameter: Parameter, strict: bool = False) -> Array:
        """Return the values below which given shares lie, see :meth:`Sampled.quantiles`."""
        from scipy import stats

        low, mode, high = (_number(parameter, x, strict) for x in (self.low, self.mode, self.high))
        _ordered(parameter, low, high)
        if not low <= mode <= high:
            what = f"the likeliest value {parameter.show(mode)} is not between the ends"
            raise ParameterError(parameter.fault(what, "low, mode, high in this order"))
        place = (mode - low) / (high - low)
        return np.clip(stats.triang(place, low, high - low).ppf(u), low, high)


@dataclass(frozen=True)
class LogNormal(Sampled):
    """Log-normal distribution, for what is never negative and varies by a factor.

    Parameters
    ----------
    median : str or float
        Half of the cases lie below it; as text with a unit or in SI units, above zero.
    factor : float
        About two thirds of the cases lie between median / factor and median * factor: the
        exponential of the standard deviation of the logarithm [-], more than 1.
    """

    median: Value
    factor: float

    def quantiles(self, u: Array, parameter: Parameter, strict: bool = False) -> Array:
        """Return the values below which given shares lie, see :meth:`Sampled.quantiles`."""
        from scipy import stats

        median = _number(parameter, self.median, strict)
        factor = parameter.number(self.factor, "1")
        if not median > 0.0:
            what = f"a median of {parameter.show(median)}"
            raise ParameterError(parameter.fault(what, "more than zero"))
        if not factor > 1.0:
            raise ParameterError(parameter.fault(f"a factor of {factor:g}", "more than 1"))
        return np.asarray(stats.lognorm(math.log(factor), scale=median).ppf(u))


@dataclass(frozen=True)
class Distributed(Sampled):
    """Any distribution of scipy, its numbers in a unit.

    Parameters
    ----------
    distribution : object
        A frozen distribution of ``scipy.stats`` such as ``stats.beta(2, 3, loc=1, scale=4)``, or
        anything else with a method ``ppf`` or ``icdf``.
    unit : str
        Unit of its numbers, "1" for a parameter without unit.
    """

    distribution: Any
    unit: str

    def quantiles(self, u: Array, parameter: Parameter, strict: bool = False) -> Array:
        """Return the values below which given shares lie, see :meth:`Sampled.quantiles`."""
        inverse = getattr(self.distribution, "ppf", None) or getattr(
            self.distribution, "icdf", None
        )
        if not callable(inverse):
            what = f"{shown(self.distribution)} is no distribution"
            raise ParameterError(parameter.fault(what, "a frozen one such as stats.beta(2, 3)"))
        zero = parameter.number(f"0 {self.unit}", parameter.spelling)
        scale = parameter.number(f"1 {self.unit}", parameter.spelling) - zero
        numbers = np.asarray(inverse(u), dtype=np.float64)
        if numbers.shape != u.shape:
            what = f"the distribution gives values of shape {numbers.shape}"
            raise ParameterError(parameter.fault(what, "one distribution of single numbers"))
        return zero + numbers * scale

    def story(self) -> dict[str, Any]:
        """Return what the distribution is in plain values; the same in every process."""
        one = self.distribution
        name = getattr(getattr(one, "dist", one), "name", type(one).__name__)
        story: dict[str, Any] = {"distribution": str(name), "unit": self.unit}
        arguments = [*getattr(one, "args", ()), *getattr(one, "kwds", {}).values()]
        if all(isinstance(value, int | float | np.number) for value in arguments):
            story["arguments"] = [float(value) for value in getattr(one, "args", ())]
            story |= {key: float(value) for key, value in getattr(one, "kwds", {}).items()}
        return story
