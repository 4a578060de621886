"""Lanes in memory: rows and tables of them, and records whose numbers are lanes."""

from __future__ import annotations

import math
import operator
from typing import Any

import numpy as np
from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.core.typing.templates import (
    AbstractTemplate,
    AttributeTemplate,
    infer_getattr,
    infer_global,
    signature,
)
from numba.extending import (
    intrinsic,
    lower_builtin,
    lower_getattr_generic,
    lower_setattr_generic,
    overload,
)

from servosim._lane_types import (
    DOUBLE,
    LONG,
    VECTOR,
    WIDTH,
    LaneRecordType,
    lanes,
    row,
    rows,
    stack,
)


def _load(builder: Any, pointer: Any) -> Any:
    wide = builder.bitcast(pointer, VECTOR.as_pointer())
    return builder.load(wide, align=8)


def _store(builder: Any, value: Any, pointer: Any) -> None:
    builder.store(value, builder.bitcast(pointer, VECTOR.as_pointer()), align=8)


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
    return builder.gep(data, [builder.mul(index, ir.Constant(LONG, WIDTH))])


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
        line = builder.fptosi(builder.extract_element(args[1], lane), LONG)
        place = builder.mul(line, table.step)
        if kind is stack:
            place = builder.add(place, builder.mul(table.table, ir.Constant(LONG, k)))
            place = builder.add(place, args[2])
        else:
            column = builder.mul(args[2], ir.Constant(LONG, WIDTH))
            place = builder.add(builder.add(place, column), ir.Constant(LONG, k))
        places.append(builder.gep(table.data, [place]))
    return places


@intrinsic
def _gather(typingctx: Any, table: Any, k: Any, c: Any) -> Any:
    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        value = ir.Constant(VECTOR, ir.Undefined)
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
    place = builder.gep(value, [ir.Constant(LONG, typ.record.offset(name))])
    if isinstance(front, LaneRecordType):
        return place
    if front is lanes:
        return _load(builder, place)
    if front is row:
        return builder.bitcast(place, DOUBLE.as_pointer())
    whole = context.get_value_type(front)
    return builder.load(builder.bitcast(place, whole.as_pointer()), align=8)


@lower_setattr_generic(LaneRecordType)
def _set_field(context: Any, builder: Any, sig: Any, args: Any, name: str) -> Any:
    typ, value = sig.args
    front, _ = _field(typ.record, name)
    place = builder.gep(args[0], [ir.Constant(LONG, typ.record.offset(name))])
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
