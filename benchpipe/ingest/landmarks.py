"""Landmarks of a log: places that its content determines, by which the same rows are found under any clock and cut.

A row is one where the hash of its values says so, so that a copy has its landmarks at the same rows. Each is known by
the rows from there on: to the last bit, or by the leading bits of their values, which a copy printed with fewer digits
keeps in most places. Times, file names and numbers of rows take no part.
"""

from __future__ import annotations

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from benchpipe.ingest.rows import Rows, joined
from benchpipe.kernels.compiled import compiled
from benchpipe.store.manifest import Part, Source
from benchpipe.store.run_store import RunStore
from benchpipe.tables import schema

WIDTH = 16  # rows by which a landmark is known
SPARSE = 4  # of those that are known by leading bits, every fourth: each may be rounded to the other side
CUT = 15  # bits of a float that are left away then: 8 of its mantissa stay, 0.2 to 0.4 %
EVERY = (64, 256)  # rows to a landmark by all bits, and to one by leading bits
TABLE = "landmarks"


class Landmarks:
    """Collects the landmarks of a log; two channels, which may be one, say where they are.

    ``samples`` of the log were taken in the nights before, and ``before`` are the last of them.
    """

    def __init__(self, channels: tuple[str, str], before: Rows | None = None, samples: int = 0) -> None:
        self._channels, self._before = channels, before
        self._next = samples - (len(before) if before is not None else 0)
        self._marks: list[NDArray[np.int64]] = []
        self._samples: list[NDArray[np.int64]] = []

    def add(self, rows: Rows) -> None:
        """Add the next samples of the log."""
        if self._before is not None:  # those that begin before these rows
            first = joined([self._before, rows.part(slice(0, WIDTH - 1))])
            self._next += self._find(first)
            if len(rows) < WIDTH - 1:
                self._before = first.part(slice(max(len(first) - WIDTH + 1, 0), None))
                return
        self._next += self._find(rows)
        last = np.arange(max(len(rows) - WIDTH + 1, 0), len(rows))
        self._before = rows.part(last)  # a copy: the rows need not be kept for it

    def _find(self, rows: Rows) -> int:
        """Find the landmarks that lie in some rows whole: at how many rows one may be."""
        n = len(rows) - WIDTH + 1
        if n <= 0:
            return 0
        one, other = (rows.values[name].view(np.uint32) for name in self._channels)
        which = np.empty(n, np.bool_)
        _choose(one, other, which)
        at = np.flatnonzero(which)
        for kind in range(len(EVERY)):
            of_kind = at[_of_kind(one, other, at, kind)]
            marks = np.zeros(of_kind.size, np.uint64)
            for values in rows.values.values():
                _know(values.view(np.uint32), of_kind, KEYS[kind], CUT if kind else 0, marks)
            self._marks.append((marks & ~np.uint64(1)).view(np.int64) | kind)
            self._samples.append(of_kind + self._next)
        return n

    def write(self, store: RunStore, key: str) -> list[Part]:
        """The part of them, if there are any."""
        if not sum(map(len, self._marks)):
            return []
        arrays = [pa.array(np.concatenate(some)) for some in (self._marks, self._samples)]
        return [store.write(TABLE, pa.Table.from_arrays(arrays, schema=schema(TABLE)), key)]


def read_landmarks(store: RunStore, source: Source) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Landmarks of a log, and the number (from 0) of the sample where each is."""
    table = store.read_parts([part for part in source.parts if part.table == TABLE], TABLE)
    return table.column("mark").to_numpy(), table.column("sample").to_numpy()


P, Q, MINUS_ZERO, HALF, BITS = (np.uint32(n) for n in (0x9E3779B1, 0x85EBCA77, 1 << 31, 1 << CUT - 1, CUT))
LEAST = tuple(np.uint32((1 << 32) // every) for every in EVERY)
_EACH = [pow(0xD1342543DE82EF95, k + 1, 1 << 64) for k in range(WIDTH)]
KEYS = tuple(np.array([n * (k % every == 0) for k, n in enumerate(_EACH)], np.uint64) for every in (1, SPARSE))


@compiled
def _mixed(one: np.uint32, other: np.uint32) -> tuple[np.uint32, np.uint32]:
    """What says of a row whether it is a landmark, by all bits and by leading ones: 32 bits wide, eight at once."""
    a = np.uint32(0) if one == MINUS_ZERO else one
    b = np.uint32(0) if other == MINUS_ZERO else other
    exact = np.uint32(np.uint32(np.uint32(a * P) + b) * Q)
    a, b = np.uint32(np.uint32(a + HALF) >> BITS), np.uint32(np.uint32(b + HALF) >> BITS)
    return exact, np.uint32(np.uint32(np.uint32(a * P) + b) * Q)


@compiled
def _choose(one: NDArray[np.uint32], other: NDArray[np.uint32], which: NDArray[np.bool_]) -> None:
    """Rows that may be landmarks.

    Parameters
    ----------
    one, other : uint32 arrays, shape (n or more,)
        Bits of the float32 values of two channels.
    which : bool array, shape (n,); out
    """
    for i in range(which.size):
        exact, rounded = _mixed(one[i], other[i])
        which[i] = (exact < LEAST[0]) | (rounded < LEAST[1])


@compiled
def _of_kind(
    one: NDArray[np.uint32], other: NDArray[np.uint32], at: NDArray[np.int64], kind: int
) -> NDArray[np.bool_]:
    """Which of some rows are landmarks of a kind: none where all stands still."""
    found = np.empty(at.size, np.bool_)
    for k in range(at.size):
        i = at[k]
        mixed = _mixed(one[i], other[i])
        still = i > 0 and one[i] == one[i - 1] and other[i] == other[i - 1]
        found[k] = mixed[kind] < LEAST[kind] and not still
    return found


@compiled
def _know(
    bits: NDArray[np.uint32], at: NDArray[np.int64], keys: NDArray[np.uint64], cut: int, marks: NDArray[np.uint64]
) -> None:
    """Add what one channel holds from each landmark on to what it is known by.

    Parameters
    ----------
    bits : uint32 array, shape (n + WIDTH - 1,)
    at : int64 array, shape (k,)
        Rows of the landmarks.
    keys : uint64 array, shape (WIDTH,)
        An odd number for each row; 0 for one that takes no part.
    cut : int
        Bits that are left away.
    marks : uint64 array, shape (k,); in and out
    """
    half = np.uint64((1 << cut) >> 1)
    for k in range(at.size):
        known = marks[k]
        for j in range(keys.size):
            bit = bits[at[k] + j]
            value = np.uint64(0 if bit == MINUS_ZERO else bit)
            known += (((value + half) >> np.uint64(cut)) + np.uint64(1)) * keys[j]
        known ^= known >> np.uint64(31)
        marks[k] = known * np.uint64(0xBF58476D1CE4E5B9)
