"""Text read many bytes at a time: a word is a uint64 whose lowest byte comes first in the text."""

from __future__ import annotations

from typing import Any

import numpy as np
from llvmlite import ir
from numba import types
from numba.extending import intrinsic
from numba.np.arrayobj import make_array

from benchpipe.kernels.compiled import compiled

LONG = 64  # bytes that are searched at once
HIGH = np.uint64(0x8080808080808080)
ZEROS = np.uint64(0x3030303030303030)
_ABOVE_NINE = np.uint64(0x7676767676767676)
_PAIRS = np.uint64(0x000000FF000000FF)
_array: Any = make_array


def _load(context: Any, builder: Any, signature: Any, arguments: Any, kind: Any) -> Any:
    """What is in an array of bytes from a place on, whatever that is a multiple of."""
    first = _array(signature.args[0])(context, builder, arguments[0]).data
    loaded = builder.load(builder.bitcast(builder.gep(first, [arguments[1]]), kind.as_pointer()))
    loaded.align = 1
    return loaded


@intrinsic
def _word_at(context: Any, data: Any, index: Any) -> Any:
    """The word at a place in an array of bytes. The caller knows that eight bytes stand there."""

    def build(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return _load(context, builder, signature, arguments, ir.IntType(64))

    return types.uint64(data, types.int64), build


@intrinsic
def _found_at(context: Any, data: Any, index: Any, wanted: Any) -> Any:
    """Which of the LONG bytes at a place equal one: bit 0 is the first. The caller knows that so many stand there."""

    def build(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        kind = ir.VectorType(ir.IntType(8), LONG)
        text = _load(context, builder, signature, arguments, kind)
        one = builder.insert_element(ir.Constant(kind, ir.Undefined), arguments[2], ir.Constant(ir.IntType(32), 0))
        same = ir.Constant(ir.VectorType(ir.IntType(32), LONG), [0] * LONG)
        wanted = builder.shuffle_vector(one, ir.Constant(kind, ir.Undefined), same)
        return builder.bitcast(builder.icmp_unsigned("==", text, wanted), ir.IntType(64))

    return types.uint64(data, types.int64, types.uint8), build


@intrinsic
def _item(context: Any, array: Any, index: Any) -> Any:
    """An item of a contiguous array; the place is not below zero, which costs three instructions to look after."""

    def build(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        first = _array(signature.args[0])(context, builder, arguments[0]).data
        return builder.load(builder.gep(first, [arguments[1]]))

    return array.dtype(array, types.int64), build


@intrinsic
def _put(context: Any, array: Any, index: Any, value: Any) -> Any:
    """Set an item of a contiguous array; as :func:`item`."""

    def build(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        first = _array(signature.args[0])(context, builder, arguments[0]).data
        builder.store(arguments[2], builder.gep(first, [arguments[1]]))
        return context.get_dummy_value()

    return types.void(array, types.int64, array.dtype), build


@intrinsic
def _lowest_bit(context: Any, word: Any) -> Any:
    """Place of the lowest bit that is set; 64 where there is none."""

    def build(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return builder.cttz(arguments[0], ir.Constant(ir.IntType(1), 0))

    return types.int64(types.uint64), build


@intrinsic
def _bits(context: Any, word: Any) -> Any:
    """How many bits are set."""

    def build(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return builder.ctpop(arguments[0])

    return types.int64(types.uint64), build


word_at: Any = _word_at
found_at: Any = _found_at
item: Any = _item
put: Any = _put
lowest_bit: Any = _lowest_bit
bits: Any = _bits


@compiled
def no_digits(word: np.uint64) -> np.uint64:
    """HIGH bits of the bytes that are no digit, right up to the first that is not ASCII; ``word`` is text ^ ZEROS."""
    return ((word + _ABOVE_NINE) | word) & HIGH


@compiled
def eight_digits(word: np.uint64) -> np.uint64:
    """The number of eight digits, each a byte from 0 to 9: neighbours are put together, then pairs, then fours."""
    word = word * np.uint64(10) + (word >> np.uint64(8))
    low = (word & _PAIRS) * np.uint64(100 + (1000000 << 32))
    high = ((word >> np.uint64(16)) & _PAIRS) * np.uint64(1 + (10000 << 32))
    return (low + high) >> np.uint64(32)
