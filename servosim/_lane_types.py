"""The types of lanes for the compiler: what they are in its intermediate code, and in memory.

The compiler's own extension interface is used: a type, its data model, and what is written for each
operation. Eight doubles are one vector value of the intermediate code, so that nothing is left to
the compiler's search for loops that it could vectorise.
"""

from __future__ import annotations

from typing import Any

from llvmlite import ir
from numba import types
from numba.core.typeconv import Conversion
from numba.core.typing.templates import ConcreteTemplate, infer_global
from numba.extending import lower_cast, models, register_model

WIDTH = 8
DOUBLE, LONG = ir.DoubleType(), ir.IntType(64)
VECTOR, LONGS = ir.VectorType(DOUBLE, WIDTH), ir.VectorType(LONG, WIDTH)
BITS = ir.VectorType(ir.IntType(1), WIDTH)


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


_primitive(LanesType, VECTOR)
_primitive(MaskType, BITS)
_primitive(RowType, DOUBLE.as_pointer())
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


def splat(builder: Any, value: Any, kind: Any) -> Any:
    if isinstance(value, ir.Constant):
        return ir.Constant(kind, [value.constant] * WIDTH)
    one = builder.insert_element(
        ir.Constant(kind, ir.Undefined), value, ir.Constant(ir.IntType(32), 0)
    )
    zeros = ir.Constant(ir.VectorType(ir.IntType(32), WIDTH), None)
    return builder.shuffle_vector(one, ir.Constant(kind, ir.Undefined), zeros)


@lower_cast(types.Float, LanesType)
def _float_to_lanes(context: Any, builder: Any, fromty: Any, toty: Any, value: Any) -> Any:
    return splat(builder, context.cast(builder, value, fromty, types.float64), VECTOR)


@lower_cast(types.Integer, LanesType)
def _int_to_lanes(context: Any, builder: Any, fromty: Any, toty: Any, value: Any) -> Any:
    return splat(builder, context.cast(builder, value, fromty, types.float64), VECTOR)


@lower_cast(types.Boolean, MaskType)
def _bool_to_mask(context: Any, builder: Any, fromty: Any, toty: Any, value: Any) -> Any:
    return splat(builder, value, BITS)


def operation(function: Any, cases: list[Any]) -> None:
    @infer_global(function)
    class _Template(ConcreteTemplate):
        pass

    _Template.cases = cases


def alike(value: Any, number: int | float) -> Any:
    """Return a constant of the type of a value: one number, or eight."""
    if isinstance(value.type, ir.VectorType):
        return ir.Constant(value.type, [number] * WIDTH)
    return ir.Constant(value.type, number)
