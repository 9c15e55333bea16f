"""Landmarks of a log: places that its content tells, by which the same rows are found again under any clock and cut.

A row is one where the hash of its values says so, so that a copy has its landmarks at the same rows. Each is known by
the rows from there on: to the last bit, or by the leading bits of their values, which a copy printed with fewer digits
keeps in most places. Times, file names and numbers of rows take no part.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from benchpipe.ingest.rows import Rows, joined
from benchpipe.kernels.compiled import compiled
from benchpipe.store.manifest import Part, Source
from benchpipe.store.parts import read_part
from benchpipe.store.run_store import RunStore
from benchpipe.tables import LANDMARKS

WIDTH = 16  # rows by which a landmark is known
SPARSE = 4  # of those that are known by leading bits, every fourth: each may be rounded to the other side
SHIFT, NOT_EXACT, NOT_ROUNDED = (np.uint64(n) for n in (40, 63, 255))  # one row of 64 is a landmark, and one of 256
LEADING = np.uint32(15)  # bits of a float that are left away: 8 of its mantissa stay, 0.2 to 0.4 %
SCHEMA = pa.schema([("mark", pa.int64()), ("sample", pa.int64())])


class Landmarks:
    """Collects the landmarks of a log; ``before`` are the last rows of the nights before, ``samples`` of them in all."""

    def __init__(self, before: Rows | None = None, samples: int = 0) -> None:
        self._before = before
        self._next = samples - (len(before) if before is not None else 0)
        self._marks: list[NDArray[np.int64]] = []
        self._samples: list[NDArray[np.int64]] = []

    def add(self, rows: Rows) -> None:
        """Add the next samples of the log."""
        rows = rows if self._before is None else joined([self._before, rows])
        n = len(rows) - WIDTH + 1
        if n > 0:
            marks, at = np.empty(2 * n, np.int64), np.empty(2 * n, np.int64)
            count = _landmarks(_bits(rows), n, marks, at)
            self._marks.append(marks[:count].copy())
            self._samples.append(at[:count] + self._next)
            self._next += n
        self._before = rows.part(slice(max(n, 0), None))

    def write(self, store: RunStore, key: str) -> list[Part]:
        """The part of them, if there are any."""
        if not sum(map(len, self._marks)):
            return []
        table = pa.Table.from_arrays([np.concatenate(self._marks), np.concatenate(self._samples)], schema=SCHEMA)
        return [store.write(LANDMARKS, table, key)]


def read_landmarks(store: RunStore, source: Source) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Landmarks of a log, and the number (from 0) of the sample where each is."""
    tables = [read_part(store.folder, part) for part in source.parts if part.table == LANDMARKS]
    marks, samples = (
        np.concatenate([np.empty(0, np.int64), *(t.column(name).to_numpy() for t in tables)]) for name in SCHEMA.names
    )
    return marks, samples


def _bits(rows: Rows) -> NDArray[np.uint32]:
    """Values as whole numbers, shape (channels, n): minus zero is zero, all that is no value is the same."""
    found = np.empty((len(rows.values), len(rows)), np.float32)
    for k, values in enumerate(rows.values.values()):
        np.add(values, np.float32(0.0), out=found[k])
    return found.view(np.uint32)


@compiled
def _landmarks(bits: NDArray[np.uint32], n: int, marks: NDArray[np.int64], at: NDArray[np.int64]) -> int:
    """Landmarks among the first ``n`` rows.

    Parameters
    ----------
    bits : uint32 array, shape (channels, n + WIDTH - 1)
    n : int
    marks, at : int64 arrays, shape (2 n,); out

    Returns
    -------
    int
        How many there are.
    """
    prime = np.uint64(0x9E3779B97F4A7C15)
    half = np.uint32(1 << (LEADING - np.uint32(1)))
    exact, rounded = np.zeros(n, np.uint64), np.zeros(n, np.uint64)
    for c in range(bits.shape[0]):
        for i in range(n):
            exact[i] = (exact[i] ^ np.uint64(bits[c, i])) * prime
            rounded[i] = (rounded[i] ^ np.uint64((bits[c, i] + half) >> LEADING)) * prime
    count = 0
    for i in range(n):
        for kind in range(2):
            if (exact[i] >> SHIFT) & NOT_EXACT if kind == 0 else (rounded[i] >> SHIFT) & NOT_ROUNDED:
                continue
            known = np.uint64(0)
            for k in range(0, WIDTH, 1 if kind == 0 else SPARSE):
                for c in range(bits.shape[0]):
                    value = bits[c, i + k] if kind == 0 else (bits[c, i + k] + half) >> LEADING
                    known = (known ^ np.uint64(value)) * prime
                    known ^= known >> np.uint64(29)
            marks[count] = np.int64(known >> np.uint64(2)) * 2 + kind
            at[count] = i
            count += 1
    return count


def kinds(marks: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which landmarks are known by leading bits alone."""
    return (marks & 1).astype(bool)
