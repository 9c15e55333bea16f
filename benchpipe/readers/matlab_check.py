"""Verify the structure of MATLAB v5 files before the library reads them.

A damaged type code or flag makes the library look outside its tables, and ends the process. So
every element is walked first: its type is known, it ends inside the one that holds it, and a
matrix holds what its class asks for (MATLAB MAT-File Format, level 5: a tag of type and bytes,
then the data; elements up to 4 bytes are in the tag itself; all but packed ones are filled up
to a multiple of 8).
"""

from __future__ import annotations

import math
import struct
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from benchpipe.config.rig import RigConfig
from benchpipe.errors import InputError
from benchpipe.readers.batch import RawBatch
from benchpipe.readers.matlab import read_matlab

HEAD_BYTES = 128
WHOLE, LETTERS, MATRIX, PACKED = 5, 1, 14, 15  # types of elements: int32, int8, matrix, deflated
NUMBERS = frozenset((1, 2, 3, 4, 5, 6, 7, 9, 12, 13))
TEXTS = NUMBERS | {16, 17, 18}
WHOLE_ONLY, LETTERS_ONLY = frozenset((WHOLE, 6)), frozenset((LETTERS, 16))  # some programs write uint32 and UTF-8
MATRICES = frozenset((MATRIX,))
CELL, STRUCT, OBJECT, CHAR, SPARSE, FUNCTION, OPAQUE = 1, 2, 3, 4, 5, 16, 17  # classes
NUMERIC = range(6, 16)
COMPLEX = 0x0800
MOST_DEPTH = 32
MOST_TIMES = 1100  # deflate packs at most 1032:1

Element = tuple[int, memoryview]


def read_checked_matlab(path: Path, file: IO[bytes], rig: RigConfig) -> Iterator[RawBatch]:
    """Read a MATLAB v5 log, see :func:`benchpipe.readers.matlab.read_matlab`.

    Raises
    ------
    InputError
        As there, and where the file's structure is damaged.
    """
    must_be_sound(path, file)
    yield from read_matlab(path, file, rig)


def must_be_sound(path: Path, file: IO[bytes]) -> None:
    """Walk every element of a MATLAB v5 file; another kind of file is left to its reader. Goes back to the start.

    Raises
    ------
    InputError
        An element has no known type, or ends outside the file or the element that holds it.
    """
    file.seek(0)
    head = file.read(HEAD_BYTES)
    little = head[126:127] == b"I"
    if 0 not in head[:4] and head[125 if little else 124 : 126 if little else 125] == b"\1":
        try:
            for kind, inside in _elements(memoryview(file.read()), "<" if little else ">"):
                _top(kind, inside, "<" if little else ">")
        except (ValueError, struct.error, zlib.error) as error:
            raise InputError(f"not a MATLAB v5 file that can be read: {error}", where=path) from None
    file.seek(0)


def _elements(data: memoryview, order: str) -> Iterator[Element]:
    """Type and data of the elements that stand one after the other."""
    at = 0
    while at < len(data):
        kind, size = struct.unpack_from(order + "II", data, at)
        start, end = at + 8, at + 8 + (size + 7) // 8 * 8
        if kind >> 16:
            kind, size, start, end = kind & 0xFFFF, kind >> 16, at + 4, at + 8
            if size > 4:
                raise ValueError(f"a short element of {size} bytes")
        if start + size > len(data):
            raise ValueError(f"an element of {size:,} bytes reaches beyond its end")
        yield kind, data[start : start + size]
        at = start + size if kind == PACKED else end


def _top(kind: int, inside: memoryview, order: str) -> None:
    if kind == PACKED:
        for inner, data in _elements(_unpacked(inside), order):
            _must(inner == MATRIX, f"a packed element of the type {inner}")
            _matrix(data, order, 0)
        return
    _must(kind == MATRIX, f"an element of the unknown type {kind}")
    _matrix(inside, order, 0)


def _matrix(data: memoryview, order: str, depth: int) -> None:
    """A matrix holds its flags, its size, its name, and what its class asks for."""
    if not len(data):
        return
    _must(depth < MOST_DEPTH, f"more than {MOST_DEPTH} levels")
    (kind, head), *parts = _elements(data, order)
    _must(kind == 6 and len(head) == 8, "a matrix without flags")
    flags = struct.unpack(order + "I", head[:4])[0]
    shape = 1 if flags & 0xFF == OPAQUE else 2
    _must(len(parts) > shape, "a matrix that ends early")
    _must(shape == 1 or parts[0][0] in WHOLE_ONLY, "a matrix without a size")
    sizes = struct.unpack(f"{order}{len(parts[0][1]) // 4}i", parts[0][1]) if shape == 2 else (1,)
    _must(all(size >= 0 for size in sizes) and parts[shape - 1][0] in LETTERS_ONLY, "a matrix without a name")
    rest = parts[shape:]
    wanted = _wanted(flags, math.prod(sizes), rest, order)
    _must(len(rest) == len(wanted), f"a matrix of {len(rest)} parts instead of {len(wanted)}")
    for (part, inside), allowed in zip(rest, wanted, strict=True):
        _must(part in allowed, f"an element of the unknown type {part}")
        if part == MATRIX:
            _matrix(inside, order, depth + 1)


def _wanted(flags: int, cells: int, rest: list[Element], order: str) -> list[frozenset[int]]:
    """Types that the parts of a matrix may have, after its name."""
    of_class, matrices = flags & 0xFF, [MATRICES] * len(rest)  # as many as there are, and counted
    if of_class == CELL:
        _must(cells == len(rest), f"{cells:,} cells in {len(rest)} parts")
        return matrices
    if of_class in (STRUCT, OBJECT):
        first = [LETTERS_ONLY] if of_class == OBJECT else []
        _must(len(rest) >= len(first) + 2 and len(rest[len(first)][1]) == 4, "a struct without names of fields")
        length = struct.unpack(order + "i", rest[len(first)][1])[0]
        _must(length > 0, "a struct whose names of fields have no length")
        fields = len(rest[len(first) + 1][1]) // length * cells
        _must(fields == len(rest) - len(first) - 2, f"{fields:,} fields in {len(rest) - len(first) - 2} parts")
        return [*first, WHOLE_ONLY, LETTERS_ONLY, *matrices[len(first) + 2 :]]
    kinds = {
        CHAR: [TEXTS], SPARSE: [WHOLE_ONLY, WHOLE_ONLY, NUMBERS], FUNCTION: [MATRICES],
        OPAQUE: [LETTERS_ONLY, LETTERS_ONLY, MATRICES],
    }  # fmt: skip
    _must(of_class in kinds or of_class in NUMERIC, f"a matrix of the unknown class {of_class}")
    complex_part = [NUMBERS] if flags & COMPLEX and of_class in (SPARSE, *NUMERIC) else []
    return kinds.get(of_class, [NUMBERS]) + complex_part


def _must(holds: bool, fault: str) -> None:
    if not holds:
        raise ValueError(fault)


def _unpacked(data: memoryview) -> memoryview:
    unpacker = zlib.decompressobj()
    out = unpacker.decompress(data, MOST_TIMES * len(data) + 1024)
    if unpacker.unconsumed_tail or not unpacker.eof:
        raise ValueError("a packed element has no end")
    return memoryview(out)
