"""Named arrays and numbers that compiled functions share through one pointer.

A compiled function that takes a tuple of fifty arrays takes some three hundred words, and counts
references to each array whenever it calls another: measured, that made the event loop twenty times
slower and its compilation last ten minutes. A :class:`Shared` takes one pointer instead, to a table
of addresses; ``s.items`` in compiled code reads the address and is the array. Python keeps the
arrays alive while the compiled code runs. Nothing here knows what is shared.
"""

from __future__ import annotations

from collections.abc import Mapping
from hashlib import blake2b
from typing import Any

import llvmlite.ir
import numba
import numpy as np
from numba.core import cgutils, types
from numba.core.imputils import impl_ret_borrowed
from numba.core.typing.templates import AttributeTemplate
from numba.extending import (
    infer_getattr,
    intrinsic,
    lower_getattr_generic,
    models,
    register_model,
)
from numba.np.arrayobj import make_array, populate_array
from numpy.typing import NDArray

__all__ = ["Shared", "addresses", "shared"]

Words = NDArray[np.int64]


class Shared(types.Type):
    """The compiler's type of a table of addresses: field names and what they are, in order."""

    def __init__(self, fields: tuple[tuple[str, Any], ...]) -> None:
        self.kinds = dict(fields)
        self.at: dict[str, int] = {}
        words = 0
        for name, kind in fields:
            self.at[name] = words
            words += 1 + kind.ndim if isinstance(kind, types.Array) else 1
        # A short name: the compiler spells it out in that of every function.
        digest = blake2b(repr(fields).encode(), digest_size=8).hexdigest()
        super().__init__(name=f"Shared({digest})")


register_model(Shared)(models.OpaqueModel)


def shared(fields: Mapping[str, Any]) -> Any:
    """Return what turns a table of addresses into a :class:`Shared`, in compiled code.

    Args:
        fields: by name, a NumPy array of the right type and number of axes, or ``int`` or ``bool``.
    """
    kind = Shared(tuple((name, _kind(value)) for name, value in fields.items()))

    @intrinsic  # type: ignore[untyped-decorator]
    def attach(_: Any, table: Any) -> Any:
        def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
            array = make_array(signature.args[0])(context, builder, arguments[0])
            return builder.bitcast(array.data, cgutils.voidptr_t)

        return kind(table), generate

    return attach


def addresses(values: Mapping[str, Any]) -> Words:
    """The table of addresses of arrays, and of numbers themselves, in the order of the fields.

    The caller keeps the arrays.

    Raises:
        TypeError: an array is not contiguous in C's order.
    """
    words: list[int] = []
    for name, value in values.items():
        if isinstance(value, np.ndarray):
            if not value.flags.c_contiguous:
                raise TypeError(f"{name} is not contiguous")
            words += [value.ctypes.data, *value.shape]
        else:
            words.append(int(value))
    return np.array(words, dtype=np.int64)


def _kind(value: Any) -> Any:
    if isinstance(value, np.ndarray):
        return types.Array(numba.from_dtype(value.dtype), value.ndim, "C", aligned=True)
    return types.boolean if value is bool else types.int64


@infer_getattr
class _Fields(AttributeTemplate):  # type: ignore[misc]
    """Which fields there are."""

    key = Shared

    def generic_resolve(self, kind: Shared, name: str) -> Any:
        """The type of a field."""
        return kind.kinds.get(name)


@lower_getattr_generic(Shared)  # type: ignore[untyped-decorator]
def _read_field(context: Any, builder: Any, kind: Shared, pointer: Any, name: str) -> Any:
    """Load a number, or an address and a shape. They never change while a function runs."""
    word = llvmlite.ir.IntType(64)
    table = builder.bitcast(pointer, word.as_pointer())
    never_changes = builder.module.add_metadata([])

    def load(at: int) -> Any:
        value = builder.load(builder.gep(table, [word(at)]))
        value.set_metadata("invariant.load", never_changes)
        return value

    first, field = kind.at[name], kind.kinds[name]
    if not isinstance(field, types.Array):
        value = load(first)
        return builder.icmp_signed("!=", value, word(0)) if field == types.boolean else value
    array = make_array(field)(context, builder)
    itemsize = context.get_abi_sizeof(context.get_data_type(field.dtype))
    shape = [load(first + 1 + axis) for axis in range(field.ndim)]
    strides = [word(itemsize)]
    for length in reversed(shape[1:]):
        strides.insert(0, builder.mul(strides[0], length))
    data = builder.inttoptr(load(first), context.get_data_type(field.dtype).as_pointer())
    populate_array(
        array, data=data, shape=shape, strides=strides, itemsize=word(itemsize), meminfo=None
    )
    return impl_ret_borrowed(context, builder, field, array._getvalue())  # noqa: SLF001
