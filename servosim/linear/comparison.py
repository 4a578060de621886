"""The textbooks' formulas beside the exact numbers of an axis, and why they differ.

Each number is computed twice, by its formula (:mod:`servosim.linear.closed_forms`) and from the
axis' own equations. The reason for a deviation is not guessed: the exact number and the formula are
computed again with one thing of the axis taken as ideal at a time, and what removes most of the
deviation is named with the share that it removes.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from servosim.axis import Axis
from servosim.errors import ParameterError
from servosim.linear import _exact_numbers as exact
from servosim.linear import closed_forms as forms
from servosim.linear._compared_numbers import ROWS, Numbers
from servosim.linear._reasons import AGREES, WORTH_NAMING, Reason, deviation, reasons_of
from servosim.linear._textbook_numbers import textbook
from servosim.linear.controllers import controllers
from servosim.linear.plants import plants
from servosim.linear.points import Point, condition_points, cyclic_slope

Array = NDArray[np.float64]

_NONE = "its loop is unstable with this gain or the axis lacks what it begins with"
_CYCLIC = 1e-3  # of the slope of the scale: less is not worth a word
_FORCE_SHARE = 0.01  # of the piston's force, where the file has no thrust along the axis


@dataclass(frozen=True)
class Compared:
    """One number by its formula and exactly.

    Attributes
    ----------
    name : str
        What it is.
    unit : str
        SI unit.
    formula : str
        The textbooks' formula.
    closed, exact : float
        By the formula and from the equations of the axis [SI]; nan where there is none.
    reasons : tuple of Reason
        What the deviation comes from, in the order in which it goes; empty if the two agree.
    explained : float
        Share of the deviation that goes with all of them together [-]; nan if the two agree.
    """

    name: str
    unit: str
    formula: str
    closed: float
    exact: float
    reasons: tuple[Reason, ...] = ()
    explained: float = math.nan

    @property
    def deviation(self) -> float:
        """Formula over exact number, less one [-]."""
        return deviation(self.closed, self.exact)

    @property
    def sentence(self) -> str:
        """Where the two part, and why, in words."""
        if math.isnan(self.exact):
            return f"{self.name}: there is no such number for this axis"
        if math.isnan(self.closed):
            return f"{self.name}: the formula gives none, {_NONE}; exactly it is {self.exact:.4g}"
        if math.isinf(self.exact):
            return f"{self.name}: nothing limits the axis here, the formula says {self.closed:.4g}"
        if abs(self.deviation) <= AGREES:
            return f"{self.name}: formula and axis agree within {100.0 * AGREES:g} %"
        head = f"{self.name}: the formula is {100.0 * self.deviation:+.1f} % off"
        if not self.reasons:
            return f"{head}; nothing taken as ideal removes {100.0 * WORTH_NAMING:g} % of it"
        parts = [f"{r.cause} ({100.0 * r.removed:.0f} % of it)" for r in self.reasons]
        return f"{head}, by {', then '.join(parts)}"


@dataclass(frozen=True)
class Comparison:
    """Formulas and exact numbers of an axis at one position.

    Attributes
    ----------
    axis : Axis
        The axis.
    position : float
        Position of the table [m].
    condition : str
        Where the valve stands for frequency, damping, limit and stiffness: ``null``, or ``edge``
        (lands just open) where the overlap leaves no flow gain at null.
    rows : tuple of Compared
        The numbers.
    notes : tuple of str
        What a reader must know.
    """

    axis: Axis
    position: float
    condition: str
    rows: tuple[Compared, ...]
    notes: tuple[str, ...]

    def __getitem__(self, name: str) -> Compared:
        """Return a number by its name."""
        return next(row for row in self.rows if row.name == name)


@dataclass(frozen=True)
class AlongStroke:
    """Formulas and exact numbers along the stroke, arrays of shape (n,).

    Attributes
    ----------
    position : ndarray
        Positions of the table [m].
    omega_closed, omega_exact : ndarray
        Natural frequency [rad/s].
    zeta_closed, zeta_exact : ndarray
        Damping ratio [-].
    limit_closed, limit_exact : ndarray
        Largest velocity gain [1/s].
    softest_closed, softest_exact : float
        Where the natural frequency is lowest [m]: by the formula, and the lowest of the positions.
    condition : str
        Where the valve stands, ``null`` or ``edge``.
    """

    position: Array
    omega_closed: Array
    omega_exact: Array
    zeta_closed: Array
    zeta_exact: Array
    limit_closed: Array
    limit_exact: Array
    softest_closed: float
    softest_exact: float
    condition: str


def condition_of(axis: Axis, position: float) -> str:
    """Return where the valve should stand for the linear numbers of an axis.

    Parameters
    ----------
    axis : Axis
        The axis.
    position : float
        Position of the table [m].

    Returns
    -------
    str
        ``null``, or ``edge`` if the overlap leaves so little flow gain at null that frequency and
        gains there say nothing about the loop.
    """
    found = plants(condition_points(axis, position, conditions=("null",)))
    return "edge" if not found.points or bool(found.meaningless[0]) else "null"


def compare(
    axis: Axis,
    position: float | None = None,
    *,
    condition: str | None = None,
    thrust: float | None = None,
    reasons: bool = True,
    names: Sequence[str] | None = None,
) -> Comparison:
    """Return the textbooks' numbers of an axis beside the exact ones, with the reasons.

    Parameters
    ----------
    axis : Axis
        The axis.
    position : float, optional
        Position of the table [m]; where the oil is softest if not given.
    condition : {"null", "edge"}, optional
        Where the valve stands for frequency, damping, limit and stiffness; see
        :func:`condition_of`.
    thrust : float, optional
        Thrust along the axis for the load error [N]; the file's, or a hundredth of the piston's
        force if it has none.
    reasons : bool, optional
        Whether the reasons are searched, which computes the numbers some dozens of times.
    names : sequence of str, optional
        Which numbers; all if not given.

    Returns
    -------
    Comparison
        The numbers.

    Raises
    ------
    ParameterError
        If position or condition isn't one of the axis, or it has no steady state there.
    """
    p = axis.parameters
    if position is None:
        position = softest(axis)
    overlapped = False
    if condition is None:
        condition = condition_of(axis, position)
        overlapped = condition == "edge"
    if condition not in ("null", "edge"):
        raise ParameterError(f'condition "{condition}" is unknown; choose "null" or "edge"')
    force = thrust if thrust is not None else axis.file.thrust.along
    if force == 0.0:
        force = _FORCE_SHARE * p.cylinder.A_A * p.supply.p_set
    known = [row.name for row in ROWS]
    wanted = known if names is None else names
    for name in wanted:
        if name not in known:
            close = difflib.get_close_matches(name, known, n=1)
            hint = f"; nearest name '{close[0]}'" if close else ""
            raise ParameterError(f"names: '{name}' is not compared{hint}")
    chosen = [known.index(name) for name in wanted]
    base = Numbers(axis, position, condition, force)
    base.plant, base.book  # noqa: B018  # an axis without them is refused here
    values = [ROWS[k].values(base) for k in chosen]
    nothing: list[tuple[tuple[Reason, ...], float]] = [((), math.nan)] * len(chosen)
    found = reasons_of(base, chosen, values) if reasons else nothing
    rows = tuple(
        Compared(ROWS[k].name, ROWS[k].unit, ROWS[k].formula, *value, *why)
        for k, value, why in zip(chosen, values, found, strict=True)
    )
    return Comparison(axis, position, condition, rows, _notes(base, overlapped))


def softest(axis: Axis) -> float:
    """Return where along the stroke the oil of an axis is softest, by the formula [m]."""
    c = axis.parameters.cylinder
    if c.moving == 0:
        return 0.5 * c.L
    return forms.softest_position(c.A_A, c.A_B, c.L, c.V_A0 + c.V_lA, c.V_B0 + c.V_lB)


def _notes(n: Numbers, overlapped: bool) -> tuple[str, ...]:
    notes = []
    if n.condition == "edge":
        taken = "frequency, damping, limit and stiffness are taken with the lands just open"
        why = "at null the overlap leaves so little flow gain that numbers there say nothing"
        notes.append(f"{taken}: {why} about the loop" if overlapped else taken)
    slope, _ = cyclic_slope(Point(n.axis, n.position))
    if n.condition == "null" and abs(slope) > _CYCLIC:
        notes.append(
            f"the cyclic error of the scale makes the slope of its reading {1.0 + slope:.4g} at "
            "this place; stiffness and largest gain are exact with it"
        )
    if n.axis.parameters.controller.K_i > 0.0:
        notes.append(
            "errors and static stiffness are those of the loop without its integral, which takes "
            "them down to its dead zone"
        )
    return tuple(notes)


def along_stroke(axis: Axis, *, positions: int = 21, condition: str | None = None) -> AlongStroke:
    """Return natural frequency, damping and largest gain along the stroke, both ways.

    Parameters
    ----------
    axis : Axis
        The axis.
    positions : int, optional
        Number of positions [-] evenly over the stroke, both ends among them.
    condition : {"null", "edge"}, optional
        Where the valve stands; see :func:`condition_of`, asked where the oil is softest.

    Returns
    -------
    AlongStroke
        The table.

    Raises
    ------
    ParameterError
        If there are fewer than two positions, or the axis has no steady state at one of them.
    """
    if positions < 2:
        raise ParameterError(f"positions {positions}: at least the two ends of the stroke, 2")
    if condition is None:
        condition = condition_of(axis, softest(axis))
    x = np.linspace(0.0, axis.file.cylinder.stroke, positions)
    books = [textbook(axis, float(s), condition) for s in x]
    found = plants(
        [
            point
            for s in x.tolist()
            for point in condition_points(axis, s, conditions=(condition,), directions=(1.0,))
        ]
    )
    if found.refused:
        raise ParameterError(found.refused[0][1])
    omega, zeta = exact.hydraulic_modes(found)
    closed = np.array([book.omega for book in books]), np.array([book.zeta for book in books])
    return AlongStroke(
        position=x,
        omega_closed=closed[0],
        omega_exact=omega,
        zeta_closed=closed[1],
        zeta_exact=zeta,
        limit_closed=np.asarray(forms.limit_gain(*closed)),
        limit_exact=exact.limit_gains(found, controllers(found)),
        softest_closed=softest(axis),
        softest_exact=float(x[np.argmin(omega)]),
        condition=condition,
    )
