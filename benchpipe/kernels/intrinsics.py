"""Low-level steps for which numba has no function."""

from __future__ import annotations

from typing import Any

from llvmlite import ir
from numba import types
from numba.extending import intrinsic
from numba.np.arrayobj import make_array

_array: Any = make_array
_COUNTED: Any = types.MemInfoPointer(types.voidptr)  # type: ignore[no-untyped-call]


def _of_two(name: str) -> Any:
    """One of two finite numbers of one type."""

    @intrinsic
    def chosen(context: Any, a: Any, b: Any) -> Any:
        if a != b or not isinstance(a, types.Float):
            return None

        def build(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
            kind = arguments[0].type
            function = builder.module.declare_intrinsic(name, [kind], ir.FunctionType(kind, [kind, kind]))
            return builder.call(function, arguments, fastmath=("nnan", "nsz"))

        return a(a, b), build

    return chosen


# min and max of finite numbers that loops take in vectors; a compared ``<`` goes one by one.
smaller = _of_two("llvm.minnum")
larger = _of_two("llvm.maxnum")


@intrinsic
def _uncounted(context: Any, array: Any) -> Any:
    """The same array without a counted reference: counting costs a quarter of a short loop.

    The caller must hold the array until the kernel returns: never use it on one that the kernel made itself.
    """

    def build(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        seen = _array(signature.args[0])(context, builder, arguments[0])
        seen.meminfo = context.get_constant_null(_COUNTED)
        return seen._getvalue()

    return array(array), build


uncounted: Any = _uncounted
