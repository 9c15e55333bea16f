"""Steps on words and bytes for which numba has no function; :mod:`benchpipe.kernels.byte_scan` names them."""

from __future__ import annotations

from typing import Any

from llvmlite import ir
from numba import types
from numba.extending import intrinsic
from numba.np.arrayobj import make_array

from benchpipe.kernels.byte_scan import LONG

_array: Any = make_array


def _load(context: Any, builder: Any, signature: Any, arguments: Any, kind: Any) -> Any:
    """What is in an array of bytes from a place on, whatever that is a multiple of."""
    first = _array(signature.args[0])(context, builder, arguments[0]).data
    loaded = builder.load(builder.bitcast(builder.gep(first, [arguments[1]]), kind.as_pointer()))
    loaded.align = 1
    return loaded


@intrinsic
def word_at(context: Any, data: Any, index: Any) -> Any:
    """The word at a place in an array of bytes. The caller knows that eight bytes stand there.

    Parameters
    ----------
    context : numba typing context
    data : array of uint8, shape (n,), contiguous
    index : int64
        First of the eight bytes: 0 … n - 8, not verified.

    Returns
    -------
    uint64
        The lowest byte is the first in the array.
    """

    def build(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return _load(context, builder, signature, arguments, ir.IntType(64))

    return types.uint64(data, types.int64), build


@intrinsic
def found_at(context: Any, data: Any, index: Any, wanted: Any) -> Any:
    """Which of the LONG bytes at a place equal one: bit 0 is the first. The caller knows that so many stand there.

    Parameters
    ----------
    context : numba typing context
    data : array of uint8, shape (n,), contiguous
    index : int64
        First of the bytes: 0 … n - LONG, not verified.
    wanted : uint8
        The byte that is looked for.

    Returns
    -------
    uint64
        A bit for each byte.
    """

    def build(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        kind = ir.VectorType(ir.IntType(8), LONG)
        text = _load(context, builder, signature, arguments, kind)
        one = builder.insert_element(ir.Constant(kind, ir.Undefined), arguments[2], ir.Constant(ir.IntType(32), 0))
        same = ir.Constant(ir.VectorType(ir.IntType(32), LONG), [0] * LONG)
        wanted = builder.shuffle_vector(one, ir.Constant(kind, ir.Undefined), same)
        return builder.bitcast(builder.icmp_unsigned("==", text, wanted), ir.IntType(64))

    return types.uint64(data, types.int64, types.uint8), build


@intrinsic
def item(context: Any, array: Any, index: Any) -> Any:
    """An item of a contiguous array; the place is not below zero, which costs three instructions to look after.

    Parameters
    ----------
    context : numba typing context
    array : array, shape (n,), contiguous
    index : int64
        0 … n - 1, not verified.

    Returns
    -------
    scalar
        Of the array's kind.
    """

    def build(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        first = _array(signature.args[0])(context, builder, arguments[0]).data
        return builder.load(builder.gep(first, [arguments[1]]))

    return array.dtype(array, types.int64), build


@intrinsic
def put(context: Any, array: Any, index: Any, value: Any) -> Any:
    """Set an item of a contiguous array; as :func:`item`.

    Parameters
    ----------
    context : numba typing context
    array : array, shape (n,), contiguous
    index : int64
        0 … n - 1, not verified.
    value : scalar
        Of the array's kind.

    Returns
    -------
    None
        ``array`` is changed in its place.
    """

    def build(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        first = _array(signature.args[0])(context, builder, arguments[0]).data
        builder.store(arguments[2], builder.gep(first, [arguments[1]]))
        return context.get_dummy_value()

    return types.void(array, types.int64, array.dtype), build


@intrinsic
def lowest_bit(context: Any, word: Any) -> Any:
    """Place of the lowest bit that is set; 64 where there is none.

    Parameters
    ----------
    context : numba typing context
    word : uint64

    Returns
    -------
    int64
        From 0, the lowest place, to 64.
    """

    def build(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return builder.cttz(arguments[0], ir.Constant(ir.IntType(1), 0))

    return types.int64(types.uint64), build


@intrinsic
def bits(context: Any, word: Any) -> Any:
    """How many bits are set.

    Parameters
    ----------
    context : numba typing context
    word : uint64

    Returns
    -------
    int64
        From 0 to 64.
    """

    def build(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return builder.ctpop(arguments[0])

    return types.int64(types.uint64), build
