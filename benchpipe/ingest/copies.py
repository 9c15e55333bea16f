"""Copies of rows: the same measured values a second time in a run's logs, whatever their times and files.

Rows that :mod:`benchpipe.ingest.landmarks` finds alike are compared one by one, and on to both sides, also from one log
into the next. Values are the same where they are equal, or where one is the other printed with fewer digits.

A machine that repeats itself makes no copy. A stretch counts as one only where

- :data:`LEAST` of its rows differ from the row before,
- its values scatter by more than rounding can (:func:`_noisy`): a signal without noise may come again, and
- pieces of it do not come again and again near by (:func:`_again`), compared as closely as the stretch itself is.

Shorter stretches, and data whose noise is less than about one step of the last digit, are taken for honest rows.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchpipe.ingest.landmarks import read_landmarks
from benchpipe.ingest.readback import SampleReader
from benchpipe.ingest.rows import Rows, equal_rows, joined
from benchpipe.ingest.state import Copied, CopyState
from benchpipe.store.manifest import Source, key_of
from benchpipe.store.run_store import RunStore

LEAST = 256  # rows that differ from the row before
LEAST_NOISY = 0.125  # of these rows
LEAST_VOTES = 2  # landmarks at one distance
REACH = 1 << 13  # rows from one to the next of them: 32 times what is between two by leading bits
MOST_ALIKE = 8  # landmarks of one kind in all logs
MOST_OWN = 2  # in one log: it and a copy. What comes again more often is how the machine moves
MOST_TRIED = 1000  # distances, those with the most landmarks first
AT_ONCE = 1 << 12
ROUNDING = 8.0  # fourth differences of values that are half a step off at most, in steps: 0.5 (1 + 4 + 6 + 4 + 1)
FLOAT = 2.0**-23
SLACK = 1.01  # steps are found from floats
COARSER = 5.0  # times the step of a print, for one with fewer digits
PATTERN = 32  # rows that may come again
NEAR = 1 << 15  # rows to both sides
MOST_AGAIN = 3  # times: other copies
Whole = NDArray[np.int64]


class CopiedStretch(NamedTuple):
    """Consecutive samples of a log, by its own times, that stand in ``other`` too, there from ``other_us`` on."""

    first_us: int
    last_us: int
    rows: int
    other: str
    other_us: int


class _Pair(NamedTuple):
    """Landmarks of two places that are alike, at one distance on the axis of all samples."""

    distance: int
    at: Whole


def find_copies(store: RunStore, sources: list[Source], known: CopyState) -> tuple[list[Copied], CopyState]:
    """Find stretches of samples that stand in a run's logs twice.

    Parameters
    ----------
    store : RunStore
    sources : list of Source
        In the order of time; none that is another byte for byte.
    known : CopyState
        The state of the last time: what did not change is not compared again.

    Returns
    -------
    copies : list of Copied
    state : CopyState
    """
    marked = {s.file: key_of([p.sha256 for p in s.parts if p.table == "samples"]) for s in sources}
    old = {file for file, parts in known.parts.items() if marked.get(file) == parts}
    found = [one for one in known.found if {one.file, one.other} <= old]
    if len(old) < len(marked):  # some log is new, or has grown
        axis = _Axis(store, sources)
        for pair in _pairs(store, sources, axis, old):
            found += _compared(axis, pair)
    found = sorted(set(found))
    return found, CopyState(parts=marked, found=tuple(found))


def left_out(copies: list[Copied], best: list[str]) -> dict[str, tuple[CopiedStretch, ...]]:
    """Stretches of each log that are left out: of rows that stand twice, the first of those in the best log stay.

    Parameters
    ----------
    copies : list of Copied
    best : list of str
        Logs, the best first.
    """
    rank = {file: place for place, file in enumerate(best)}
    found: dict[str, list[tuple[int, int, CopiedStretch]]] = {}
    for one in copies:
        ends = [
            (rank[one.file], one.first, one.file, one.first_us, one.last_us),
            (rank[one.other], one.other_first, one.other, one.other_first_us, one.other_last_us),
        ]
        (*_, kept, kept_us, _), (_, first, file, first_us, last_us) = sorted(ends)
        stretch = CopiedStretch(first_us, last_us, one.rows, kept, kept_us)
        found.setdefault(file, []).append((first, first + one.rows, stretch))
    return {file: tuple(_merged(sorted(some))) for file, some in found.items()}


def _merged(stretches: list[tuple[int, int, CopiedStretch]]) -> Iterator[CopiedStretch]:
    """Stretches in order, those that overlap or touch as one."""
    begin, end, whole = stretches[0]
    for first, last, one in stretches[1:]:
        if first > end:
            yield whole
            begin, end, whole = first, last, one
        elif last > end:
            end = last
            whole = whole._replace(last_us=one.last_us, rows=end - begin)
    yield whole


class _Axis:
    """All samples of the logs, one after the other, numbered from 0."""

    def __init__(self, store: RunStore, sources: list[Source]) -> None:
        self.sources, self.begin = sources, np.cumsum([0, *(s.samples for s in sources)])
        self._reader = SampleReader(store)

    def rows(self, first: int, count: int) -> Rows:
        """So many samples from a number on, times by each log's own axis."""
        return joined([self._reader.rows(self.sources[k], a, b) for k, a, b in self.split(first, first + count)])

    def split(self, begin: int, end: int) -> Iterator[tuple[int, int, int]]:
        """Samples ``begin … end - 1`` as pieces: place of the log, and its own numbers."""
        for k in range(int(np.searchsorted(self.begin, begin, "right")) - 1, len(self.sources)):
            if self.begin[k] >= end:
                return
            a, b = max(begin, int(self.begin[k])), min(end, int(self.begin[k + 1]))
            if a < b:
                yield k, a - int(self.begin[k]), b - int(self.begin[k])

    def copied(self, begin: int, end: int, distance: int, *, exact: bool) -> Iterator[Copied]:
        """A stretch and its copy, as pieces of two logs each.

        Not those of two logs that are equal at the same times: such logs overlap, and are placed so.
        """
        for j, c, d in self.split(begin + distance, end + distance):
            start = int(self.begin[j]) - distance
            for k, a, b in self.split(start + c, start + d):
                other_first = a + int(self.begin[k]) - start
                own, other = self._ends(k, a, b), self._ends(j, other_first, other_first + b - a)
                if not (exact and own == other and j != k):
                    yield Copied(self.sources[k].file, a, *own, self.sources[j].file, other_first, *other, b - a)

    def _ends(self, k: int, first: int, end: int) -> tuple[int, int]:
        """Times of the first and last of some samples of a log."""
        first_us, last_us = (int(self._reader.rows(self.sources[k], at, at + 1).time_us[0]) for at in (first, end - 1))
        return first_us, last_us


def _pairs(store: RunStore, sources: list[Source], axis: _Axis, old: set[str]) -> list[_Pair]:
    """Places that may be copies, of which one at least is in a log that is new or has grown."""
    fresh = {k: read_landmarks(store, s) for k, s in enumerate(sources) if s.file not in old}
    wanted = np.unique(np.concatenate([marks for marks, _ in fresh.values()]))
    pieces: list[tuple[Whole, Whole, Whole]] = []
    for k, source in enumerate(sources):
        marks, samples = fresh[k] if k in fresh else read_landmarks(store, source)
        if k not in fresh:
            which = np.isin(marks, wanted)
            marks, samples = marks[which], samples[which]
        pieces.append((marks, np.full(marks.size, k), samples + axis.begin[k]))
    mark, log, at = (np.concatenate(some) for some in zip(*pieces, strict=True))
    order = np.lexsort((at, mark))
    mark, log, at = mark[order], log[order], at[order]
    starts = np.flatnonzero(np.diff(mark, prepend=mark[:1] - 1))
    alike = np.repeat(np.diff(starts, append=mark.size), np.diff(starts, append=mark.size))
    begins = np.flatnonzero((np.diff(mark, prepend=mark[:1] - 1) != 0) | (np.diff(log, prepend=-1) != 0))
    own = np.repeat(np.diff(begins, append=mark.size), np.diff(begins, append=mark.size))  # alike in one log
    found_at, distance = [], []
    for lag in range(1, MOST_ALIKE):
        a, b = slice(0, -lag), slice(lag, None)
        same = (mark[a] == mark[b]) & (alike[a] <= MOST_ALIKE)
        few = np.flatnonzero(same & (own[a] <= MOST_OWN) & (own[b] <= MOST_OWN))
        found_at.append(at[few])
        distance.append(at[few + lag] - at[few])
    at, apart = np.concatenate(found_at), np.concatenate(distance)
    order = np.lexsort((at, apart))
    at, apart = at[order], apart[order]
    several = _near_another(at, apart)
    at, apart = at[several], apart[several]
    cuts = np.flatnonzero(np.diff(apart)) + 1
    pairs = [_Pair(int(apart[a]), at[a:b]) for a, b in pairwise([0, *cuts.tolist(), at.size]) if b > a]
    return sorted(pairs, key=lambda pair: (-pair.at.size, pair.distance))[:MOST_TRIED]


def _near_another(at: Whole, apart: Whole) -> NDArray[np.bool_]:
    """Landmarks, in the order of their distance and place, near another at that distance.

    One alone is where a machine came by once more: of millions of rows there are thousands, all over the logs.
    """
    close = (np.diff(apart) == 0) & (np.diff(at) <= REACH)
    near = np.zeros(at.size, np.bool_)
    near[1:] |= close
    near[:-1] |= close
    return near


def _compared(axis: _Axis, pair: _Pair) -> Iterator[Copied]:
    """Stretches at one distance that are copies."""
    done = -1
    for at in pair.at.tolist():
        if at < done:
            continue
        tolerance = _tolerance(axis, at, at + pair.distance)
        begin = at - _alike(axis, at, pair.distance, tolerance, -1)
        end = at + _alike(axis, at, pair.distance, tolerance, 1)
        done = max(end, at + 1)
        votes = int(((pair.at >= begin) & (pair.at < end)).sum())
        if votes < LEAST_VOTES or not _tells(axis, begin, end, pair.distance, tolerance):
            continue
        yield from axis.copied(begin, end, pair.distance, exact=not tolerance.any())


def _alike(axis: _Axis, at: int, distance: int, tolerance: NDArray[np.float64], way: int) -> int:
    """Rows from a place on that are alike, forward or backward (there without the row itself)."""
    count, total = 0, int(axis.begin[-1])
    while True:
        begin = at + count if way > 0 else max(at - count - AT_ONCE, 0)
        end = min(begin + AT_ONCE, total - distance) if way > 0 else at - count
        if begin >= end:
            return count
        same = _same(axis.rows(begin, end - begin), axis.rows(begin + distance, end - begin), tolerance)
        same = same if way > 0 else same[::-1]
        if not same.all():
            return count + int(np.argmin(same))
        count += same.size


def _same(one: Rows, other: Rows, tolerance: NDArray[np.float64]) -> NDArray[np.bool_]:
    if not tolerance.any():
        return equal_rows(one, other)
    same: NDArray[np.bool_] = np.ones(len(one), np.bool_)
    for (name, a), most in zip(one.values.items(), tolerance, strict=True):
        b = other.values[name]
        far = np.abs(a.astype(np.float64) - b) > most + 2 * FLOAT * np.abs(a)
        same &= ~far & (np.isnan(a) == np.isnan(b))
    return same


def _tolerance(axis: _Axis, one: int, other: int) -> NDArray[np.float64]:
    """By how much values of each channel may differ: a step of the coarser print, which may be rounded or cut off.

    Nothing where both are printed alike.
    """
    count = min(AT_ONCE, int(axis.begin[-1]) - other)
    a, b = axis.rows(one, count), axis.rows(other, count)
    steps = [sorted((_step(v), _step(b.values[n]))) for n, v in a.values.items()]
    return np.array([SLACK * most if most > COARSER * least else 0.0 for least, most in steps])


def _step(values: NDArray[np.float32]) -> float:
    """Step of the last digit: the least difference between values; 0 where there is one value."""
    steps = np.diff(np.unique(values[np.isfinite(values)].astype(np.float64)))
    steps = steps[steps > 4 * FLOAT * np.nanmax(np.abs(values))] if steps.size else steps
    return float(steps.min(initial=np.inf)) if steps.size else 0.0


def _tells(axis: _Axis, begin: int, end: int, distance: int, tolerance: NDArray[np.float64]) -> bool:
    """Whether a stretch is long and noisy enough not to be the same twice by itself."""
    moved, noisy = 0, 0
    for a in range(begin, end, AT_ONCE):
        count = min(AT_ONCE, end - a)
        one, other = axis.rows(a, count), axis.rows(a + distance, count)
        rounded = other if tolerance.any() and _coarser(other, one) else one
        moved += int((~equal_rows(rounded.part(slice(1, None)), rounded.part(slice(0, -1)))).sum())
        noisy += int(np.any([_noisy(values) for values in rounded.values.values()], axis=0).sum())
    if moved < LEAST - 1 or noisy < LEAST_NOISY * moved:
        return False
    places = (begin, (begin + end - PATTERN) // 2, end - PATTERN)
    return all(_again(axis, at, tolerance) <= MOST_AGAIN for at in places)


def _again(axis: _Axis, at: int, tolerance: NDArray[np.float64]) -> int:
    """How often a few rows come again near by, as closely as they were compared: what the machine does each cycle."""
    begin, end = max(at - NEAR, 0), min(at + NEAR, int(axis.begin[-1]))
    rows, starts = axis.rows(begin, end - begin), np.arange(end - begin - PATTERN + 1)
    for k in range(PATTERN):
        wanted = rows.part(np.full(starts.size, at - begin + k))
        starts = starts[_same(rows.part(starts + k), wanted, tolerance)]
    return starts.size - 1


def _coarser(one: Rows, other: Rows) -> bool:
    return sum(_step(v) > _step(other.values[n]) for n, v in one.values.items()) * 2 > len(one.values)


def _noisy(values: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Rows at which a channel scatters: fourth differences of turning sign, each more than rounding makes them."""
    if values.size < 6:
        return np.zeros(max(values.size - 5, 0), bool)
    fourth = np.diff(values.astype(np.float64), 4)
    least = ROUNDING * _step(values)
    high, turned = np.abs(fourth) > least, fourth[1:] * fourth[:-1] < 0
    found: NDArray[np.bool_] = high[1:] & high[:-1] & turned
    return found
