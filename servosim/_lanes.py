"""Numbers of several cases side by side: the type that lets one equation serve many axes at once.

A kernel is written for plain numbers. Called with *lanes* in their place (eight doubles that the
processor adds, multiplies and compares in one instruction) the very same source becomes the kernel
of eight axes in lockstep, and each lane goes through the operations of the single case in the same
order: the results agree bit for bit. Parameters are lanes too; whole numbers (kinds, switches,
places) are one number for all lanes, so that only cases of one kind run together.

What a kernel must keep to: no ``if`` on a number that differs between lanes, but :func:`where`; no
``and``, ``or``, ``not`` on comparisons, but ``&``, ``|`` and :func:`no`; :func:`some` to skip work
that no lane needs.
"""

from __future__ import annotations

import math
import operator
from typing import Any

import numpy as np
from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.core.typeconv import Conversion
from numba.core.typing.templates import (
    AbstractTemplate,
    AttributeTemplate,
    ConcreteTemplate,
    infer_getattr,
    infer_global,
    signature,
)
from numba.extending import (
    intrinsic,
    lower_builtin,
    lower_cast,
    lower_getattr_generic,
    lower_setattr_generic,
    models,
    overload,
    register_model,
)

WIDTH = 8
_ROOT_BITS = 0x4FEB030000000000  # 5/4 of the bits of 1, less what makes the guess even
_DOUBLE, _LONG = ir.DoubleType(), ir.IntType(64)
_VECTOR, _LONGS = ir.VectorType(_DOUBLE, WIDTH), ir.VectorType(_LONG, WIDTH)
_BITS = ir.VectorType(ir.IntType(1), WIDTH)


class LanesType(types.Type):
    """Eight doubles, one a case."""

    def __init__(self) -> None:
        super().__init__(name=f"lanes{WIDTH}")

    def can_convert_from(self, typingctx: Any, other: Any) -> Any:
        if isinstance(other, (types.Float, types.Integer)):
            return Conversion.safe
        return None


class MaskType(types.Type):
    """Eight truth values, one a case."""

    def __init__(self) -> None:
        super().__init__(name=f"mask{WIDTH}")

    def can_convert_from(self, typingctx: Any, other: Any) -> Any:
        return Conversion.safe if isinstance(other, types.Boolean) else None


class RowType(types.Type):
    """A row of lanes in memory, read and written by whole numbers."""

    def __init__(self) -> None:
        super().__init__(name=f"row{WIDTH}")


class RowsType(types.Type):
    """Rows of lanes in memory."""

    def __init__(self) -> None:
        super().__init__(name=f"rows{WIDTH}")


class LaneRecordType(types.Type):
    """A record whose numbers are lanes."""

    def __init__(self, record: Any) -> None:
        self.record = record
        super().__init__(name=f"lanes{WIDTH} of {record.name}")


lanes, mask, row, rows = LanesType(), MaskType(), RowType(), RowsType()


class StackType(types.Type):
    """Tables of one case behind another, read across: a lane from each."""

    def __init__(self) -> None:
        super().__init__(name=f"stack{WIDTH}")


stack = StackType()


def _primitive(kind: Any, backend: Any) -> None:
    class Model(models.PrimitiveModel):
        def __init__(self, manager: Any, front: Any) -> None:
            super().__init__(manager, front, backend)

    register_model(kind)(Model)


_primitive(LanesType, _VECTOR)
_primitive(MaskType, _BITS)
_primitive(RowType, _DOUBLE.as_pointer())
_primitive(LaneRecordType, ir.IntType(8).as_pointer())


@register_model(RowsType)
class _RowsModel(models.StructModel):
    def __init__(self, manager: Any, front: Any) -> None:
        super().__init__(
            manager, front, [("data", types.CPointer(types.float64)), ("step", types.intp)]
        )


@register_model(StackType)
class _StackModel(models.StructModel):
    def __init__(self, manager: Any, front: Any) -> None:
        members = [("data", types.CPointer(types.float64)), ("step", types.intp)]
        super().__init__(manager, front, [*members, ("table", types.intp)])


def _splat(builder: Any, value: Any, kind: Any) -> Any:
    if isinstance(value, ir.Constant):
        return ir.Constant(kind, [value.constant] * WIDTH)
    one = builder.insert_element(
        ir.Constant(kind, ir.Undefined), value, ir.Constant(ir.IntType(32), 0)
    )
    zeros = ir.Constant(ir.VectorType(ir.IntType(32), WIDTH), None)
    return builder.shuffle_vector(one, ir.Constant(kind, ir.Undefined), zeros)


@lower_cast(types.Float, LanesType)
def _float_to_lanes(context: Any, builder: Any, fromty: Any, toty: Any, value: Any) -> Any:
    return _splat(builder, context.cast(builder, value, fromty, types.float64), _VECTOR)


@lower_cast(types.Integer, LanesType)
def _int_to_lanes(context: Any, builder: Any, fromty: Any, toty: Any, value: Any) -> Any:
    return _splat(builder, context.cast(builder, value, fromty, types.float64), _VECTOR)


@lower_cast(types.Boolean, MaskType)
def _bool_to_mask(context: Any, builder: Any, fromty: Any, toty: Any, value: Any) -> Any:
    return _splat(builder, value, _BITS)


# arithmetic and comparison


def _operation(function: Any, cases: list[Any]) -> None:
    @infer_global(function)
    class _Template(ConcreteTemplate):
        pass

    _Template.cases = cases


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
    _operation(_function, [_PAIR])

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
    _operation(_function, [signature(mask, lanes, lanes)])

    def _compare(context: Any, builder: Any, sig: Any, args: Any, _sign: str = _sign) -> Any:
        return builder.fcmp_ordered(_sign, *args)

    lower_builtin(_function, lanes, lanes)(_compare)

_operation(operator.ne, [signature(mask, lanes, lanes)])


@lower_builtin(operator.ne, lanes, lanes)
def _differ(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    return builder.fcmp_unordered("!=", *args)


for _function, _name in (
    (operator.and_, "and_"),
    (operator.or_, "or_"),
    (operator.xor, "xor"),
    (operator.iand, "and_"),
    (operator.ior, "or_"),
):
    _operation(_function, [signature(mask, mask, mask)])

    def _logic(context: Any, builder: Any, sig: Any, args: Any, _name: str = _name) -> Any:
        return getattr(builder, _name)(*args)

    lower_builtin(_function, mask, mask)(_logic)

_operation(operator.neg, [signature(lanes, lanes)])
_operation(operator.pos, [signature(lanes, lanes)])


@lower_builtin(operator.neg, lanes)
def _negative(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    return builder.fneg(args[0])


@lower_builtin(operator.pos, lanes)
def _positive(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    return args[0]


for _function, _name in (
    (math.sqrt, "sqrt"),
    (abs, "fabs"),
    (math.fabs, "fabs"),
    (math.floor, "floor"),
):
    _operation(_function, [signature(lanes, lanes)])

    def _unary(context: Any, builder: Any, sig: Any, args: Any, _name: str = _name) -> Any:
        kind = ir.FunctionType(_VECTOR, [_VECTOR])
        function = cgutils.get_or_insert_function(builder.module, kind, f"llvm.{_name}.v{WIDTH}f64")
        return builder.call(function, args)

    lower_builtin(_function, lanes)(_unary)


for _function, _sign in ((min, "<"), (max, ">")):
    _operation(_function, [_PAIR])

    def _extreme(context: Any, builder: Any, sig: Any, args: Any, _sign: str = _sign) -> Any:
        first, second = args  # as for plain numbers: the second wins only if it is beyond
        return builder.select(builder.fcmp_ordered(_sign, second, first), second, first)

    lower_builtin(_function, lanes, lanes)(_extreme)

# choices


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


_operation(some, [signature(types.boolean, types.boolean), signature(types.boolean, mask)])
_operation(no, [signature(types.boolean, types.boolean), signature(mask, mask)])


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
    return builder.xor(args[0], ir.Constant(_BITS, [1] * WIDTH))


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


_operation(
    parts,
    [signature(types.UniTuple(t, 2), t) for t in (types.float64, lanes)],
)
_operation(guessed_fourth_root, [signature(t, t) for t in (types.float64, lanes)])
_operation(scaled, [signature(t, t, t) for t in (types.float64, lanes)])
_operation(isfinite, [signature(types.boolean, types.float64), signature(mask, lanes)])
_operation(isnan, [signature(types.boolean, types.float64), signature(mask, lanes)])
_operation(math.copysign, [_PAIR])


def _alike(value: Any, number: int | float) -> Any:
    """Return a constant of the type of a value: one number, or eight."""
    if isinstance(value.type, ir.VectorType):
        return ir.Constant(value.type, [number] * WIDTH)
    return ir.Constant(value.type, number)


def _whole(builder: Any, value: Any) -> Any:
    return builder.bitcast(value, _LONGS if isinstance(value.type, ir.VectorType) else _LONG)


def _double(builder: Any, value: Any) -> Any:
    return builder.bitcast(value, _VECTOR if isinstance(value.type, ir.VectorType) else _DOUBLE)


_MAGIC = 2.0**52  # a whole number below it, put into its last bits, is added to it
_MAGIC_BITS = 0x4330000000000000


@lower_builtin(parts, types.float64)
@lower_builtin(parts, lanes)
def _parts(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    bits = _whole(builder, args[0])
    biased = builder.lshr(bits, _alike(bits, 52))
    biased = builder.and_(biased, _alike(bits, 0x7FF))
    moved = _double(builder, builder.or_(biased, _alike(bits, _MAGIC_BITS)))
    k = builder.fsub(moved, _alike(moved, _MAGIC + 1023.0))
    m = builder.and_(bits, _alike(bits, 0x000FFFFFFFFFFFFF))
    m = _double(builder, builder.or_(m, _alike(bits, 0x3FF0000000000000)))
    return context.make_tuple(builder, sig.return_type, (m, k))


@lower_builtin(scaled, types.float64, types.float64)
@lower_builtin(scaled, lanes, lanes)
def _scaled(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    moved = builder.fadd(args[1], _alike(args[1], _MAGIC + 1023.0))
    bits = _whole(builder, moved)
    bits = builder.shl(bits, _alike(bits, 52))
    return builder.fmul(args[0], _double(builder, bits))


@lower_builtin(guessed_fourth_root, types.float64)
@lower_builtin(guessed_fourth_root, lanes)
def _guessed_fourth_root(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    bits = _whole(builder, args[0])
    quarter = builder.lshr(bits, _alike(bits, 2))
    return _double(builder, builder.sub(_alike(bits, _ROOT_BITS), quarter))


@lower_builtin(isfinite, types.float64)
@lower_builtin(isfinite, lanes)
def _isfinite(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    zero = builder.fsub(args[0], args[0])  # undefined for both
    return builder.fcmp_ordered("==", zero, _alike(zero, 0.0))


@lower_builtin(isnan, types.float64)
@lower_builtin(isnan, lanes)
def _isnan(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    return builder.fcmp_unordered("uno", args[0], args[0])


@lower_builtin(math.copysign, lanes, lanes)
def _copysign(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    kind = ir.FunctionType(_VECTOR, [_VECTOR, _VECTOR])
    name = f"llvm.copysign.v{WIDTH}f64"
    return builder.call(cgutils.get_or_insert_function(builder.module, kind, name), args)


# memory


def _load(builder: Any, pointer: Any) -> Any:
    wide = builder.bitcast(pointer, _VECTOR.as_pointer())
    return builder.load(wide, align=8)


def _store(builder: Any, value: Any, pointer: Any) -> None:
    builder.store(value, builder.bitcast(pointer, _VECTOR.as_pointer()), align=8)


@infer_global(operator.getitem)
class _GetItem(AbstractTemplate):
    def generic(self, args: Any, kws: Any) -> Any:
        if len(args) != 2:
            return None
        held, index = args
        if held is row and isinstance(index, types.Integer):
            return signature(lanes, row, types.intp)
        if held is rows and isinstance(index, types.Integer):
            return signature(row, rows, types.intp)
        if held is rows and isinstance(index, types.BaseTuple) and len(index) == 2:
            return signature(lanes, rows, types.UniTuple(types.intp, 2))
        return None


@infer_global(operator.setitem)
class _SetItem(AbstractTemplate):
    def generic(self, args: Any, kws: Any) -> Any:
        if len(args) != 3:
            return None
        held, index, _ = args
        if held is row and isinstance(index, types.Integer):
            return signature(types.none, row, types.intp, lanes)
        if held is rows and isinstance(index, types.BaseTuple) and len(index) == 2:
            return signature(types.none, rows, types.UniTuple(types.intp, 2), lanes)
        return None


def _place(builder: Any, data: Any, index: Any) -> Any:
    return builder.gep(data, [builder.mul(index, ir.Constant(_LONG, WIDTH))])


def _row_of(context: Any, builder: Any, held: Any, index: Any) -> Any:
    table = cgutils.create_struct_proxy(rows)(context, builder, value=held)
    return builder.gep(table.data, [builder.mul(index, table.step)])


@lower_builtin(operator.getitem, row, types.intp)
def _row_get(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    return _load(builder, _place(builder, *args))


@lower_builtin(operator.setitem, row, types.intp, lanes)
def _row_set(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    _store(builder, args[2], _place(builder, args[0], args[1]))
    return context.get_dummy_value()


@lower_builtin(operator.getitem, rows, types.intp)
def _rows_row(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    return _row_of(context, builder, args[0], args[1])


@lower_builtin(operator.getitem, rows, types.UniTuple(types.intp, 2))
def _rows_get(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    r, c = cgutils.unpack_tuple(builder, args[1])
    return _load(builder, _place(builder, _row_of(context, builder, args[0], r), c))


@lower_builtin(operator.setitem, rows, types.UniTuple(types.intp, 2), lanes)
def _rows_set(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    r, c = cgutils.unpack_tuple(builder, args[1])
    _store(builder, args[2], _place(builder, _row_of(context, builder, args[0], r), c))
    return context.get_dummy_value()


@intrinsic
def as_row(typingctx: Any, array: Any) -> Any:
    """Return a contiguous array of shape (n, WIDTH) as a row of lanes."""

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        return context.make_array(sig.args[0])(context, builder, args[0]).data

    return signature(row, array), code


def get(table: Any, k: Any, c: int) -> Any:
    """Return an entry of a table, in lanes each from its own row."""
    return table[int(k), c]


def put(table: Any, k: Any, c: int, value: Any) -> None:
    """Write an entry of a table, in lanes each into its own row."""
    table[int(k), c] = value


def _entries(context: Any, builder: Any, kind: Any, args: Any) -> list[Any]:
    """Return the places of one entry for each lane."""
    table = cgutils.create_struct_proxy(kind)(context, builder, value=args[0])
    places = []
    for k in range(WIDTH):
        lane = ir.Constant(ir.IntType(32), k)
        line = builder.fptosi(builder.extract_element(args[1], lane), _LONG)
        place = builder.mul(line, table.step)
        if kind is stack:
            place = builder.add(place, builder.mul(table.table, ir.Constant(_LONG, k)))
            place = builder.add(place, args[2])
        else:
            column = builder.mul(args[2], ir.Constant(_LONG, WIDTH))
            place = builder.add(builder.add(place, column), ir.Constant(_LONG, k))
        places.append(builder.gep(table.data, [place]))
    return places


@intrinsic
def _gather(typingctx: Any, table: Any, k: Any, c: Any) -> Any:
    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        value = ir.Constant(_VECTOR, ir.Undefined)
        for lane, place in enumerate(_entries(context, builder, table, args)):
            number = builder.load(place)
            value = builder.insert_element(value, number, ir.Constant(ir.IntType(32), lane))
        return value

    return signature(lanes, table, lanes, types.intp), code


@intrinsic
def _scatter(typingctx: Any, table: Any, k: Any, c: Any, value: Any) -> Any:
    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        for lane, place in enumerate(_entries(context, builder, table, args)):
            number = builder.extract_element(args[3], ir.Constant(ir.IntType(32), lane))
            builder.store(number, place)
        return context.get_dummy_value()

    return signature(types.none, table, lanes, types.intp, lanes), code


@overload(get)
def _get(table: Any, k: Any, c: Any) -> Any:
    def alone(table: Any, k: Any, c: Any) -> Any:
        return table[int(k), c]

    def across(table: Any, k: Any, c: Any) -> Any:
        return _gather(table, k, c)

    return alone if isinstance(table, types.Array) else across


@overload(put)
def _put(table: Any, k: Any, c: Any, value: Any) -> Any:
    def alone(table: Any, k: Any, c: Any, value: Any) -> Any:
        table[int(k), c] = value

    def across(table: Any, k: Any, c: Any, value: Any) -> Any:
        _scatter(table, k, c, value)

    return alone if isinstance(table, types.Array) else across


@intrinsic
def as_stack(typingctx: Any, array: Any) -> Any:
    """Return a contiguous array of shape (WIDTH, m, n) as a stack of tables to be read across."""

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        held = context.make_array(sig.args[0])(context, builder, args[0])
        shape = cgutils.unpack_tuple(builder, held.shape)
        tables = cgutils.create_struct_proxy(stack)(context, builder)
        tables.data, tables.step = held.data, shape[2]
        tables.table = builder.mul(shape[1], shape[2])
        return tables._getvalue()

    return signature(stack, array), code


@intrinsic
def as_rows(typingctx: Any, array: Any) -> Any:
    """Return a contiguous array of shape (m, n, WIDTH) as rows of lanes."""

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        held = context.make_array(sig.args[0])(context, builder, args[0])
        shape = cgutils.unpack_tuple(builder, held.shape)
        table = cgutils.create_struct_proxy(rows)(context, builder)
        table.data = held.data
        table.step = builder.mul(shape[1], shape[2])
        return table._getvalue()

    return signature(rows, array), code


@intrinsic
def as_lanes(typingctx: Any, record: Any) -> Any:
    """Return a record of blocks, see ``_record.lane_block``, as a record of lanes."""

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        return builder.bitcast(args[0], ir.IntType(8).as_pointer())

    return signature(LaneRecordType(record), record), code


def _field(record: Any, name: str) -> tuple[Any, Any]:
    kind = record.typeof(name)
    if isinstance(kind, types.Record):
        return LaneRecordType(kind), kind
    if isinstance(kind.dtype, types.Integer):
        return kind.dtype, kind
    return (lanes if kind.ndim == 1 else row), kind


@infer_getattr
class _RecordAttributes(AttributeTemplate):
    key = LaneRecordType

    def generic_resolve(self, held: Any, name: str) -> Any:
        if name not in held.record.fields:
            return None
        return _field(held.record, name)[0]


@lower_getattr_generic(LaneRecordType)
def _get_field(context: Any, builder: Any, typ: Any, value: Any, name: str) -> Any:
    front, _ = _field(typ.record, name)
    place = builder.gep(value, [ir.Constant(_LONG, typ.record.offset(name))])
    if isinstance(front, LaneRecordType):
        return place
    if front is lanes:
        return _load(builder, place)
    if front is row:
        return builder.bitcast(place, _DOUBLE.as_pointer())
    whole = context.get_value_type(front)
    return builder.load(builder.bitcast(place, whole.as_pointer()), align=8)


@lower_setattr_generic(LaneRecordType)
def _set_field(context: Any, builder: Any, sig: Any, args: Any, name: str) -> Any:
    typ, value = sig.args
    front, _ = _field(typ.record, name)
    place = builder.gep(args[0], [ir.Constant(_LONG, typ.record.offset(name))])
    if front is lanes:
        _store(builder, context.cast(builder, args[1], value, lanes), place)
    else:
        word = context.cast(builder, args[1], value, front)
        builder.store(word, builder.bitcast(place, word.type.as_pointer()), align=8)


def lane_dtype(dtype: Any) -> Any:
    """Return the memory of lanes for that of one case: each number WIDTH times.

    Whole numbers are written WIDTH times too, though the first counts alone: so every field begins
    at a multiple of the vector's length.
    """
    if dtype.names:
        return np.dtype([(name, lane_dtype(dtype[name])) for name in dtype.names])
    base, shape = dtype.subdtype if dtype.subdtype else (dtype, ())
    return np.dtype((base, (*shape, WIDTH)))


def aligned(*shape: int) -> Any:
    """Return an array of zeros that begins at a multiple of the vector's length in memory."""
    size = math.prod(shape)
    words = np.zeros(size + WIDTH)
    first = -(words.ctypes.data // 8) % WIDTH
    return words[first : first + size].reshape(shape)
