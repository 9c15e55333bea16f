"""Text read many bytes at a time: a word is a uint64 whose lowest byte comes first in the text."""

from __future__ import annotations

import numpy as np

from benchpipe.kernels.compiled import compiled, deferred

LONG = 64  # bytes that are searched at once
HIGH = np.uint64(0x8080808080808080)
ZEROS = np.uint64(0x3030303030303030)
_ABOVE_NINE = np.uint64(0x7676767676767676)
_PAIRS = np.uint64(0x000000FF000000FF)


word_at, found_at, item, put, lowest_bit, bits = deferred(
    "benchpipe.kernels.word_steps", "word_at", "found_at", "item", "put", "lowest_bit", "bits"
)


@compiled
def no_digits(word: np.uint64) -> np.uint64:
    """HIGH bits of the bytes that are no digit, right up to the first that is not ASCII; ``word`` is text ^ ZEROS.

    Parameters
    ----------
    word : uint64
        Eight bytes of text ^ ZEROS, so that a digit is a byte from 0 to 9.

    Returns
    -------
    uint64
        The highest bit of each byte that is no digit; what follows the first byte that is not ASCII means nothing.
    """
    return ((word + _ABOVE_NINE) | word) & HIGH


@compiled
def eight_digits(word: np.uint64) -> np.uint64:
    """The number of eight digits, each a byte from 0 to 9: neighbours are put together, then pairs, then fours.

    Parameters
    ----------
    word : uint64
        Eight bytes from 0 to 9; the first digit of the text is the lowest byte.

    Returns
    -------
    uint64
        From 0 to 99,999,999.
    """
    word = word * np.uint64(10) + (word >> np.uint64(8))
    low = (word & _PAIRS) * np.uint64(100 + (1000000 << 32))
    high = ((word >> np.uint64(16)) & _PAIRS) * np.uint64(1 + (10000 << 32))
    return (low + high) >> np.uint64(32)
