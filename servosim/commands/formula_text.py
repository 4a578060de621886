"""Formulas as people write them: powers raised, roots drawn, numbers in the place of their names.

A formula comes as text in Python's notation. It is read by Python's own parser, so that what is
written down has the order of operations of what is computed.
"""

from __future__ import annotations

import ast
import math
from collections.abc import Mapping
from functools import lru_cache
from types import CodeType
from typing import Any, NamedTuple

import numpy as np

GREEK = {
    name: letter
    for names, letters in (
        (
            "alpha beta gamma delta epsilon zeta eta theta kappa lambda mu nu xi pi rho sigma tau "
            "phi chi psi omega",
            "αβγδεζηθκλμνξπρστφχψω",
        ),
        ("Gamma Delta Theta Lambda Xi Pi Sigma Phi Psi Omega", "ΓΔΘΛΞΠΣΦΨΩ"),
    )
    for name, letter in zip(names.split(), letters, strict=True)
}
RAISED = str.maketrans("0123456789-", "⁰¹²³⁴⁵⁶⁷⁸⁹⁻")
GAP = "\N{NO-BREAK SPACE}"  # between number and unit, which stay on one line

_SUM, _PRODUCT, _SIGN, _POWER, _ATOM = range(5)
_COMPARED: dict[type[ast.cmpop], str] = {
    ast.Lt: "<", ast.LtE: "≤", ast.Gt: ">", ast.GtE: "≥", ast.Eq: "=", ast.NotEq: "≠",
}  # fmt: skip
_CALLED = {
    "minimum": "min", "maximum": "max", "log": "ln", "log10": "lg", "arctan": "atan",
    "arcsin": "asin", "arccos": "acos",
}  # fmt: skip
_PLAIN = str.maketrans(
    {"·": "*", "≤": "<=", "≥": ">=", "≠": "!=", "−": "-", "µ": "u", "°": "", GAP: " "}
)


_NUMPY: dict[str, Any] = {
    name: one for name in dir(np) if callable(one := getattr(np, name)) and name[0].islower()
} | {"pi": math.pi, "inf": math.inf, "abs": abs, "min": min, "max": max}


@lru_cache(maxsize=1000)
def _compiled(text: str) -> CodeType:
    return compile(text, "<formula>", "eval")


class _Piece(NamedTuple):
    """Part of a formula, and how tightly it holds together."""

    text: str
    strength: int
    unit: bool = False  # whether it is a number with a unit behind it


def names_in(text: str) -> set[str]:
    """Return the names in a formula, functions and pi left out.

    Parameters
    ----------
    text : str
        The formula in Python's notation.

    Returns
    -------
    set of str
        Its arguments; empty if it cannot be read.
    """
    try:
        tree = ast.parse(text, mode="eval")
    except SyntaxError:
        return set()
    called = {id(one.func) for one in ast.walk(tree) if isinstance(one, ast.Call)}
    return {
        one.id
        for one in ast.walk(tree)
        if isinstance(one, ast.Name) and id(one) not in called and one.id != "pi"
    }


def value_of(text: str, values: Mapping[str, float]) -> float:
    """Return what a formula gives.

    Parameters
    ----------
    text : str
        The formula in Python's notation, with the names of numpy's functions; it stands in this
        program and never in a file.
    values : mapping of str to float
        Its arguments [SI].

    Returns
    -------
    float
        The result [SI]; nan if it cannot be worked out.
    """
    known = {**_NUMPY, **values}
    try:
        with np.errstate(all="ignore"):
            return float(eval(_compiled(text), {"__builtins__": {}}, known))
    except Exception:
        return math.nan


def pretty(text: str, shown: Mapping[str, str] | None = None, *, plain: bool = False) -> str:
    """Return a formula as people write it.

    Parameters
    ----------
    text : str
        The formula in Python's notation.
    shown : mapping of str to str, optional
        What to write in the place of names, such as ``"12 L/min"``, a no-break space before the
        unit; else the names stay.
    plain : bool, optional
        Whether only letters of ASCII may be used.

    Returns
    -------
    str
        The formula; the text itself if it is no expression.

    Examples
    --------
    >>> pretty("sqrt(4*q/(pi*v**2))")
    '√(4·q/(π·v²))'
    >>> pretty("2*dp_n/rho", plain=True)
    '2*dp_n/rho'
    """
    try:
        tree = ast.parse(text, mode="eval").body
        found = _Writer(dict(shown or {}), plain).piece(tree).text
    except (SyntaxError, NotImplementedError):
        found = text
    return found.translate(_PLAIN) if plain and shown is None else found


def symbol_text(name: str, *, plain: bool = False) -> str:
    """Return a name with Greek letters.

    Parameters
    ----------
    name : str
        Such as ``"omega_h"`` or ``"dp"``.
    plain : bool, optional
        Whether only letters of ASCII may be used.

    Returns
    -------
    str
        Such as "ω_h" or "Δp".

    Examples
    --------
    >>> symbol_text("omega_h"), symbol_text("dp_n"), symbol_text("density")
    ('ω_h', 'Δp_n', 'density')
    """
    if plain:
        return name
    parts = [GREEK.get(part, part) for part in name.split("_")]
    if len(parts[0]) == 2 and parts[0][0] == "d" and parts[0][1] in "pVTxQqv":
        parts[0] = f"Δ{parts[0][1]}"
    return "_".join(parts)


def unit_text(unit: str, *, plain: bool = False) -> str:
    """Return the spelling of a unit with raised powers.

    Parameters
    ----------
    unit : str
        Such as ``"m3/s/sqrt(Pa)"``.
    plain : bool, optional
        Whether only letters of ASCII may be used.

    Returns
    -------
    str
        Such as "m³/s/√Pa".

    Examples
    --------
    >>> unit_text("m3/s/sqrt(Pa)"), unit_text("N s/m"), unit_text("um"), unit_text("1/s2")
    ('m³/s/√Pa', 'N·s/m', 'µm', '1/s²')
    """
    if plain:
        return unit
    letters = []
    for k, letter in enumerate(unit):
        raised = letter.isdigit() and k > 0 and unit[k - 1].isalpha()
        letters.append(letter.translate(RAISED) if raised else letter)
    found = "".join(letters).replace(" ", "·")
    for before, after in (("sqrt(Pa)", "√Pa"), ("sqrt(bar)", "√bar"), ("degC", "°C")):
        found = found.replace(before, after)
    return f"µ{found[1:]}" if found.startswith("um") else found


class _Writer:
    """Writes an expression, brackets only where they are needed."""

    def __init__(self, shown: Mapping[str, str], plain: bool) -> None:
        self._shown = shown
        self._plain = plain
        self._times = ("*" if plain else "·") if not shown else (" * " if plain else " · ")
        self._over = " / " if shown else "/"

    def piece(self, node: ast.AST) -> _Piece:
        """Return an expression."""
        if isinstance(node, ast.Constant) and isinstance(node.value, int | float):
            return _Piece(f"{node.value:.12g}".replace("e-0", "e-"), _ATOM)
        if isinstance(node, ast.Name):
            return self._name(node.id)
        if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
            return _Piece(f"-{self._within(node.operand, _PRODUCT)}", _SIGN)
        if isinstance(node, ast.BinOp):
            return self._joined(node)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            return self._call(node.func.id, node.args)
        if isinstance(node, ast.Compare) and len(node.ops) == 1:
            sign = _COMPARED[type(node.ops[0])]
            sign = sign.translate(_PLAIN) if self._plain else sign
            sides = (self.piece(one).text for one in (node.left, node.comparators[0]))
            return _Piece(f" {sign} ".join(sides), _SUM - 1)
        if isinstance(node, ast.IfExp):
            return self._either(node.test, node.body, node.orelse)
        raise NotImplementedError(ast.dump(node))

    def _name(self, name: str) -> _Piece:
        if name in self._shown:
            text = self._shown[name]
            if text.startswith("-"):
                return _Piece(f"({text})", _ATOM)
            return _Piece(text, _ATOM, GAP in text)
        return _Piece(symbol_text(name, plain=self._plain), _ATOM)

    def _within(self, node: ast.AST, least: int) -> str:
        """Return an expression, in brackets if it holds less tightly than it must."""
        found = self.piece(node)
        return f"({found.text})" if found.strength < least else found.text

    def _joined(self, node: ast.BinOp) -> _Piece:
        if isinstance(node.op, ast.Add):
            left, right = self._within(node.left, _SUM), self._within(node.right, _PRODUCT)
            return _Piece(f"{left} + {right}", _SUM)
        if isinstance(node.op, ast.Sub):
            left, right = self._within(node.left, _SUM), self._within(node.right, _PRODUCT)
            return _Piece(f"{left} - {right}", _SUM)
        if isinstance(node.op, ast.Mult):
            left, right = self._within(node.left, _PRODUCT), self._within(node.right, _PRODUCT)
            return _Piece(f"{left}{self._times}{right}", _PRODUCT)
        if isinstance(node.op, ast.Div):
            right_piece = self.piece(node.right)
            alone = right_piece.strength >= _POWER and not right_piece.unit
            right = right_piece.text if alone else f"({right_piece.text})"
            return _Piece(f"{self._within(node.left, _PRODUCT)}{self._over}{right}", _PRODUCT)
        if isinstance(node.op, ast.Pow):
            return self._power(node.left, node.right)
        raise NotImplementedError(ast.dump(node))

    def _power(self, base: ast.AST, exponent: ast.AST) -> _Piece:
        found = self.piece(base)
        if isinstance(exponent, ast.Constant) and exponent.value == 0.5:
            return self._root(base)
        whole = isinstance(exponent, ast.Constant) and isinstance(exponent.value, int)
        alone = found.strength >= _ATOM and not found.unit
        text = found.text if alone else f"({found.text})"
        if whole and not self._plain:
            assert isinstance(exponent, ast.Constant)
            return _Piece(f"{text}{str(exponent.value).translate(RAISED)}", _POWER)
        return _Piece(f"{text}^{self._within(exponent, _ATOM)}", _POWER)

    def _root(self, inside: ast.AST) -> _Piece:
        found = self.piece(inside).text
        return _Piece(f"sqrt({found})" if self._plain else f"√({found})", _ATOM)

    def _call(self, name: str, arguments: list[ast.expr]) -> _Piece:
        if name == "sqrt":
            return self._root(arguments[0])
        if name in ("abs", "absolute"):
            inside = self.piece(arguments[0]).text
            if isinstance(arguments[0], ast.Name):  # no brackets around a sign
                inside = inside.removeprefix("(").removesuffix(")")
            return _Piece(f"|{inside}|", _ATOM)
        if name == "where":
            return self._either(*arguments)
        inside = ", ".join(self.piece(one).text for one in arguments)
        return _Piece(f"{_CALLED.get(name, name)}({inside})", _ATOM)

    def _either(self, test: ast.AST, one: ast.AST, other: ast.AST) -> _Piece:
        """Return a choice; brackets keep it together."""
        texts = (self.piece(part).text for part in (one, test, other))
        first, condition, second = texts
        return _Piece(f"[{first} if {condition}, else {second}]", _ATOM)
