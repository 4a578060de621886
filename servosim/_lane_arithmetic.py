"""Arithmetic, comparison and choice of lanes, each the same operation as that of plain numbers."""

from __future__ import annotations

import math
import operator
from typing import Any

import numpy as np
from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.core.typing.templates import AbstractTemplate, infer_global, signature
from numba.extending import lower_builtin

from servosim._lane_types import (
    BITS,
    DOUBLE,
    LONG,
    LONGS,
    VECTOR,
    WIDTH,
    MaskType,
    alike,
    lanes,
    mask,
    operation,
)

_ROOT_BITS = 0x4FEB030000000000  # 5/4 of the bits of 1, less what makes the guess even


def where(condition: Any, a: Any, b: Any) -> Any:
    """Return ``a`` where the condition holds, else ``b``; both are computed."""
    return a if condition else b


def some(condition: Any) -> bool:
    """Tell whether a condition holds in any lane."""
    return bool(condition)


def no(condition: Any) -> Any:
    """Return the opposite of a condition, lane by lane."""
    return not condition


@infer_global(where)
class _Where(AbstractTemplate):
    def generic(self, args: Any, kws: Any) -> Any:
        if len(args) != 3 or not isinstance(args[0], (types.Boolean, MaskType)):
            return None
        value = self.context.unify_types(args[1], args[2])
        if isinstance(args[0], MaskType) and not isinstance(value, MaskType):
            value = lanes
        return signature(value, args[0], value, value)


@lower_builtin(where, types.Boolean, types.Any, types.Any)
@lower_builtin(where, mask, types.Any, types.Any)
def _where(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    return builder.select(*args)


operation(some, [signature(types.boolean, types.boolean), signature(types.boolean, mask)])
operation(no, [signature(types.boolean, types.boolean), signature(mask, mask)])


@lower_builtin(some, types.boolean)
def _some_scalar(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    return args[0]


@lower_builtin(some, mask)
def _some_lane(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    whole = builder.bitcast(args[0], ir.IntType(WIDTH))
    return builder.icmp_unsigned("!=", whole, ir.Constant(ir.IntType(WIDTH), 0))


@lower_builtin(no, types.boolean)
def _no_scalar(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    return builder.not_(args[0])


@lower_builtin(no, mask)
def _no_lane(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    return builder.xor(args[0], ir.Constant(BITS, [1] * WIDTH))


# arithmetic and comparison

_PAIR = signature(lanes, lanes, lanes)
_function: Any
for _function, _name in (
    (operator.add, "fadd"),
    (operator.sub, "fsub"),
    (operator.mul, "fmul"),
    (operator.truediv, "fdiv"),
    (operator.iadd, "fadd"),
    (operator.isub, "fsub"),
    (operator.imul, "fmul"),
    (operator.itruediv, "fdiv"),
):
    operation(_function, [_PAIR])

    def _binary(context: Any, builder: Any, sig: Any, args: Any, _name: str = _name) -> Any:
        return getattr(builder, _name)(*args)

    lower_builtin(_function, lanes, lanes)(_binary)

for _function, _sign in (
    (operator.lt, "<"),
    (operator.le, "<="),
    (operator.gt, ">"),
    (operator.ge, ">="),
    (operator.eq, "=="),
):
    operation(_function, [signature(mask, lanes, lanes)])

    def _compare(context: Any, builder: Any, sig: Any, args: Any, _sign: str = _sign) -> Any:
        return builder.fcmp_ordered(_sign, *args)

    lower_builtin(_function, lanes, lanes)(_compare)

operation(operator.ne, [signature(mask, lanes, lanes)])


@lower_builtin(operator.ne, lanes, lanes)
def _differ(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    return builder.fcmp_unordered("!=", *args)


for _function, _name in (
    (operator.and_, "and_"),
    (operator.or_, "or_"),
    (operator.iand, "and_"),
    (operator.ior, "or_"),
):
    operation(_function, [signature(mask, mask, mask)])

    def _logic(context: Any, builder: Any, sig: Any, args: Any, _name: str = _name) -> Any:
        return getattr(builder, _name)(*args)

    lower_builtin(_function, mask, mask)(_logic)

operation(operator.neg, [signature(lanes, lanes)])


@lower_builtin(operator.neg, lanes)
def _negative(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    return builder.fneg(args[0])


for _function, _name in (
    (math.sqrt, "sqrt"),
    (abs, "fabs"),
    (math.fabs, "fabs"),
    (math.floor, "floor"),
):
    operation(_function, [signature(lanes, lanes)])

    def _unary(context: Any, builder: Any, sig: Any, args: Any, _name: str = _name) -> Any:
        kind = ir.FunctionType(VECTOR, [VECTOR])
        function = cgutils.get_or_insert_function(builder.module, kind, f"llvm.{_name}.v{WIDTH}f64")
        return builder.call(function, args)

    lower_builtin(_function, lanes)(_unary)


for _function, _sign in ((min, "<"), (max, ">")):
    operation(_function, [_PAIR])

    def _extreme(context: Any, builder: Any, sig: Any, args: Any, _sign: str = _sign) -> Any:
        first, second = args  # as for plain numbers: the second wins only if it is beyond
        return builder.select(builder.fcmp_ordered(_sign, second, first), second, first)

    lower_builtin(_function, lanes, lanes)(_extreme)

# the parts of a double


def parts(x: Any) -> Any:
    """Return mantissa, from 1 to 2, and exponent of a positive number."""
    m, k = math.frexp(x)
    return 2.0 * m, float(k - 1)


def scaled(x: Any, k: Any) -> Any:
    """Return a number times two to a whole power from -1022 to 1023."""
    return math.ldexp(x, int(k))


def guessed_fourth_root(x: Any) -> Any:
    """Return x^(-1/4) of a positive number, within 4 %, from its bits."""
    bits = int(np.float64(x).view(np.int64))
    return float(np.int64(_ROOT_BITS - (bits >> 2)).view(np.float64))


def isfinite(x: Any) -> Any:
    """Tell whether a number is neither infinite nor undefined."""
    return math.isfinite(x)


def isnan(x: Any) -> Any:
    """Tell whether a number is undefined."""
    return math.isnan(x)


operation(
    parts,
    [signature(types.UniTuple(t, 2), t) for t in (types.float64, lanes)],
)
operation(guessed_fourth_root, [signature(t, t) for t in (types.float64, lanes)])
operation(scaled, [signature(t, t, t) for t in (types.float64, lanes)])
operation(isfinite, [signature(types.boolean, types.float64), signature(mask, lanes)])
operation(isnan, [signature(types.boolean, types.float64), signature(mask, lanes)])
operation(math.copysign, [_PAIR])


def _whole(builder: Any, value: Any) -> Any:
    return builder.bitcast(value, LONGS if isinstance(value.type, ir.VectorType) else LONG)


def _double(builder: Any, value: Any) -> Any:
    return builder.bitcast(value, VECTOR if isinstance(value.type, ir.VectorType) else DOUBLE)


_MAGIC = 2.0**52  # a whole number below it, put into its last bits, is added to it
_MAGIC_BITS = 0x4330000000000000


@lower_builtin(parts, types.float64)
@lower_builtin(parts, lanes)
def _parts(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    bits = _whole(builder, args[0])
    biased = builder.lshr(bits, alike(bits, 52))
    biased = builder.and_(biased, alike(bits, 0x7FF))
    moved = _double(builder, builder.or_(biased, alike(bits, _MAGIC_BITS)))
    k = builder.fsub(moved, alike(moved, _MAGIC + 1023.0))
    m = builder.and_(bits, alike(bits, 0x000FFFFFFFFFFFFF))
    m = _double(builder, builder.or_(m, alike(bits, 0x3FF0000000000000)))
    return context.make_tuple(builder, sig.return_type, (m, k))


@lower_builtin(scaled, types.float64, types.float64)
@lower_builtin(scaled, lanes, lanes)
def _scaled(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    moved = builder.fadd(args[1], alike(args[1], _MAGIC + 1023.0))
    bits = _whole(builder, moved)
    bits = builder.shl(bits, alike(bits, 52))
    return builder.fmul(args[0], _double(builder, bits))


@lower_builtin(guessed_fourth_root, types.float64)
@lower_builtin(guessed_fourth_root, lanes)
def _guessed_fourth_root(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    bits = _whole(builder, args[0])
    quarter = builder.lshr(bits, alike(bits, 2))
    return _double(builder, builder.sub(alike(bits, _ROOT_BITS), quarter))


@lower_builtin(isfinite, types.float64)
@lower_builtin(isfinite, lanes)
def _isfinite(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    zero = builder.fsub(args[0], args[0])  # undefined for both
    return builder.fcmp_ordered("==", zero, alike(zero, 0.0))


@lower_builtin(isnan, types.float64)
@lower_builtin(isnan, lanes)
def _isnan(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    return builder.fcmp_unordered("uno", args[0], args[0])


@lower_builtin(math.copysign, lanes, lanes)
def _copysign(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    kind = ir.FunctionType(VECTOR, [VECTOR, VECTOR])
    name = f"llvm.copysign.v{WIDTH}f64"
    return builder.call(cgutils.get_or_insert_function(builder.module, kind, name), args)
