"""Copies of rows: the same measured values a second time in a run's logs, whatever their times and files.

Rows that :mod:`benchpipe.ingest.landmarks` finds alike are compared one by one, and on to both sides, also from one log
into the next. Values are the same where they are equal, or where one is the other printed with fewer digits.

Each log is compared with itself and with the logs before it, as if none came after it. So the copies that it brings
depend on these alone, and are kept as long as they are the same: the nights on which logs come change nothing. Only
whether pieces of a copy come again near by is asked once more of the rows that followed.

A machine that repeats itself makes no copy. A stretch counts as one only where

- :data:`LEAST` of its rows differ from the row before,
- its values scatter by more than rounding can (:func:`_noisy`): a signal without noise may come again, and
- pieces of it do not come again and again near by (:func:`_again`), compared as closely as the stretch itself is.

Shorter stretches, and data whose noise is less than about one step of the last digit, are taken for honest rows.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import takewhile
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchpipe.ingest.landmark_pairs import AlikePlaces, pairs_by_log
from benchpipe.ingest.readback import SampleReader
from benchpipe.ingest.rows import Rows, equal_rows, joined
from benchpipe.ingest.state import ComparedLog, Copied, CopyState, FoundCopy
from benchpipe.store.manifest import Source, key_of
from benchpipe.store.run_store import RunStore

LEAST = 256  # rows that differ from the row before
LEAST_NOISY = 0.125  # of these rows
LEAST_VOTES = 2  # landmarks at one distance
AT_ONCE = 1 << 12
ROUNDING = 8.0  # fourth differences of values that are half a step off at most, in steps: 0.5 (1 + 4 + 6 + 4 + 1)
FLOAT = 2.0**-23
SLACK = 1.01  # steps are found from floats
COARSER = 5.0  # times the step of a print, for one with fewer digits
PATTERN = 32  # rows that may come again
NEAR = 1 << 15  # rows to both sides
AROUND = 1 << 7  # rows to both sides of where a copy ends that goes on in the next log
MOST_AGAIN = 3  # times: other copies
Whole = NDArray[np.int64]
Tolerance = tuple[float, ...]


class CopiedStretch(NamedTuple):
    """Consecutive samples of a log, by its own times, that stand in ``other`` too, there from ``other_us`` on."""

    first_us: int
    last_us: int
    rows: int
    other: str
    other_us: int


def find_copies(store: RunStore, sources: list[Source], known: CopyState) -> tuple[list[Copied], CopyState]:
    """Find stretches of samples that stand in a run's logs twice.

    Parameters
    ----------
    store : RunStore
    sources : list of Source
        In the order of time; none that is another byte for byte.
    known : CopyState
        The state of the last time: logs before the first that changed are not compared again.

    Returns
    -------
    copies : list of Copied
    state : CopyState
    """
    parts = [key_of([p.sha256 for p in s.parts if p.table == "samples"]) for s in sources]
    logs = list(known.logs)
    if [log.parts for log in logs] != parts:
        logs = [log for log, _ in takewhile(lambda one: one[0].parts == one[1], zip(logs, parts, strict=False))]
        axis, first = _Axis(SampleReader(store), sources), len(logs)
        for k, pairs in enumerate(pairs_by_log(store, sources, axis.begin, first), first):
            found = _compared(axis.until(k), pairs, logs[-1].found if logs else ())
            logs.append(ComparedLog(parts[k], tuple(found)))
        logs = list(_followed(axis, logs))
    pieces = {one for log in logs for copy in log.found if not copy.again for one in copy.pieces if not one.at_once}
    return sorted(pieces), CopyState(logs=tuple(logs))


def left_out(copies: list[Copied], files: list[str], best: list[str]) -> dict[str, tuple[CopiedStretch, ...]]:
    """Stretches of each log that are left out: of rows that stand twice, the first of those in the best log stay.

    Parameters
    ----------
    copies : list of Copied
    files : list of str
        Logs, in the order in which they were compared.
    best : list of str
        Logs, the best first.
    """
    rank = {file: place for place, file in enumerate(best)}
    found: dict[str, list[tuple[int, int, CopiedStretch]]] = {}
    for one in copies:
        file, other = files[one.log], files[one.other]
        ends = [
            (rank[file], one.first, file, one.first_us, one.last_us),
            (rank[other], one.other_first, other, one.other_first_us, one.other_last_us),
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

    def __init__(self, reader: SampleReader, sources: list[Source], begin: Whole | None = None) -> None:
        self.sources, self._reader = sources, reader
        self.begin = np.cumsum([0, *(s.samples for s in sources)]) if begin is None else begin

    @property
    def end(self) -> int:
        """How many samples there are."""
        return int(self.begin[-1])

    def until(self, log: int) -> _Axis:
        """The axis as if no log came after one."""
        return _Axis(self._reader, self.sources, self.begin[: log + 2])

    def rows(self, first: int, count: int) -> Rows:
        """So many samples from a number on, times by each log's own axis."""
        return joined([self._reader.rows(self.sources[k], a, b) for k, a, b in self.split(first, first + count)])

    def split(self, begin: int, end: int) -> Iterator[tuple[int, int, int]]:
        """Samples ``begin … end - 1`` as pieces: place of the log, and its own numbers."""
        for k in range(int(np.searchsorted(self.begin, begin, "right")) - 1, self.begin.size - 1):
            if self.begin[k] >= end:
                return
            a, b = max(begin, int(self.begin[k])), min(end, int(self.begin[k + 1]))
            if a < b:
                yield k, a - int(self.begin[k]), b - int(self.begin[k])

    def copied(
        self, begin: int, end: int, distance: int, tolerance: Tolerance, places: tuple[int, ...]
    ) -> FoundCopy:  # fmt: skip
        """A stretch that is a copy, as pieces of two logs each."""
        pieces, exact = [], not any(tolerance)
        for j, c, d in self.split(begin + distance, end + distance):
            start = int(self.begin[j]) - distance
            for k, a, b in self.split(start + c, start + d):
                other = a + int(self.begin[k]) - start
                own_us, other_us = self._ends(k, a, b), self._ends(j, other, other + b - a)
                pieces.append(Copied(k, a, *own_us, j, other, *other_us, b - a, exact=exact))
        return FoundCopy(tuple(pieces), tolerance, places, again=False)

    def end_of(self, copy: FoundCopy) -> tuple[int, int]:
        """Number of the sample after a stretch, and its distance to the copy."""
        last = copy.pieces[-1]
        first, other = (int(self.begin[k]) + at for k, at in ((last.log, last.first), (last.other, last.other_first)))
        return first + last.rows, other - first

    def _ends(self, k: int, first: int, end: int) -> tuple[int, int]:
        """Times of the first and last of some samples of a log."""
        first_us, last_us = (int(self._reader.rows(self.sources[k], at, at + 1).time_us[0]) for at in (first, end - 1))
        return first_us, last_us


def _compared(axis: _Axis, pairs: list[AlikePlaces], before: Iterable[FoundCopy]) -> Iterator[FoundCopy]:
    """Copies that the last log of an axis brings; ``before`` are those that the log before it brought."""
    border = int(axis.begin[-2])
    done: dict[int, int] = {}
    for copy in before:
        at, distance = axis.end_of(copy)
        if at + distance == border and distance not in done:
            end = at + _alike(axis, at, distance, copy.tolerance, 1)
            if end > at and _goes_on(axis, end, copy):
                done[distance] = end
                yield axis.copied(at, end, distance, copy.tolerance, copy.places)
    for pair in pairs:
        yield from _stretches(axis, pair, border, done.get(pair.distance, -1))


def _goes_on(axis: _Axis, end: int, copy: FoundCopy) -> bool:
    """Whether alike rows right behind a copy, up to an end, belong to it.

    They do not where they end at rest, which is alike without being copied. Nor do they where the copy comes again near
    by: that is asked once, in the log with which all that is near is known.
    """
    if axis.begin[-2] < max(copy.places) + NEAR <= axis.end and _comes_again(axis, copy.places, copy.tolerance):
        return False
    return _again(axis, end - PATTERN, copy.tolerance, AROUND) <= MOST_AGAIN


def _stretches(axis: _Axis, pair: AlikePlaces, border: int, done: int) -> Iterator[FoundCopy]:
    """Copies at one distance that reach behind a border; rows before ``done`` were compared already."""
    for at in pair.at.tolist():
        if at < done:
            continue
        tolerance = _tolerance(axis, at, at + pair.distance)
        begin = at - _alike(axis, at, pair.distance, tolerance, -1)
        end = at + _alike(axis, at, pair.distance, tolerance, 1)
        done = max(end, at + 1)
        votes = int(((pair.at >= begin) & (pair.at < end)).sum())
        if end + pair.distance <= border or votes < LEAST_VOTES:
            continue
        places = (begin, (begin + end - PATTERN) // 2, end - PATTERN)
        if _tells(axis, begin, end, pair.distance, tolerance) and not _comes_again(axis, places, tolerance):
            yield axis.copied(begin, end, pair.distance, tolerance, places)


def _followed(axis: _Axis, logs: list[ComparedLog]) -> Iterator[ComparedLog]:
    """Logs with their copies, and whether pieces of these come again in the rows that followed."""
    known: dict[tuple[tuple[int, ...], Tolerance], bool] = {}
    for k, log in enumerate(logs):
        found = list(log.found)
        for n, copy in enumerate(found):
            of = copy.places, copy.tolerance
            if max(copy.places) + NEAR > axis.begin[k + 1]:
                known[of] = known[of] if of in known else _comes_again(axis, *of)
                found[n] = copy._replace(again=known[of])
        yield log._replace(found=tuple(found))


def _alike(axis: _Axis, at: int, distance: int, tolerance: Tolerance, way: int) -> int:
    """Rows from a place on that are alike, forward or backward (there without the row itself)."""
    count = 0
    while True:
        begin = at + count if way > 0 else max(at - count - AT_ONCE, 0)
        end = min(begin + AT_ONCE, axis.end - distance) if way > 0 else at - count
        if begin >= end:
            return count
        same = _same(axis.rows(begin, end - begin), axis.rows(begin + distance, end - begin), tolerance)
        same = same if way > 0 else same[::-1]
        if not same.all():
            return count + int(np.argmin(same))
        count += same.size


def _same(one: Rows, other: Rows, tolerance: Tolerance) -> NDArray[np.bool_]:
    if not any(tolerance):
        return equal_rows(one, other)
    same: NDArray[np.bool_] = np.ones(len(one), np.bool_)
    for (name, a), most in zip(one.values.items(), tolerance, strict=True):
        b = other.values[name]
        far = np.abs(a.astype(np.float64) - b) > most + 2 * FLOAT * np.abs(a)
        same &= ~far & (np.isnan(a) == np.isnan(b))
    return same


def _tolerance(axis: _Axis, one: int, other: int) -> Tolerance:
    """By how much values of each channel may differ: a step of the coarser print, which may be rounded or cut off.

    Nothing where both are printed alike.
    """
    count = min(AT_ONCE, axis.end - other)
    a, b = axis.rows(one, count), axis.rows(other, count)
    steps = [sorted((_step(v), _step(b.values[n]))) for n, v in a.values.items()]
    return tuple(SLACK * most if most > COARSER * least else 0.0 for least, most in steps)


def _step(values: NDArray[np.float32]) -> float:
    """Step of the last digit: the least difference between values; 0 where there is one value."""
    steps = np.diff(np.unique(values[np.isfinite(values)].astype(np.float64)))
    steps = steps[steps > 4 * FLOAT * np.nanmax(np.abs(values))] if steps.size else steps
    return float(steps.min(initial=np.inf)) if steps.size else 0.0


def _tells(axis: _Axis, begin: int, end: int, distance: int, tolerance: Tolerance) -> bool:
    """Whether a stretch is long and noisy enough not to be the same twice by itself."""
    moved, noisy = 0, 0
    for a in range(begin, end, AT_ONCE):
        count = min(AT_ONCE, end - a)
        one, other = axis.rows(a, count), axis.rows(a + distance, count)
        rounded = other if any(tolerance) and _coarser(other, one) else one
        moved += int((~equal_rows(rounded.part(slice(1, None)), rounded.part(slice(0, -1)))).sum())
        noisy += int(np.any([_noisy(values) for values in rounded.values.values()], axis=0).sum())
    return moved >= LEAST - 1 and noisy >= LEAST_NOISY * moved


def _comes_again(axis: _Axis, places: tuple[int, ...], tolerance: Tolerance) -> bool:
    """Whether the rows at one of some places come again too often to be copies."""
    return any(_again(axis, at, tolerance, NEAR) > MOST_AGAIN for at in places)


def _again(axis: _Axis, at: int, tolerance: Tolerance, near: int) -> int:
    """How often a few rows come again near by, as closely as they were compared: what the machine does each cycle."""
    begin, end = max(at - near, 0), min(at + near, axis.end)
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
