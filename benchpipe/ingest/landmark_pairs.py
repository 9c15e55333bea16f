"""Landmarks of a run's logs that are alike and lie near others at the same distance: where copies of rows may be.

A landmark is looked for in its own log and the logs before it, and others like it are counted up to the end of its
log. So the logs that follow, and the nights on which logs come, change nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchpipe.ingest.landmarks import TABLE, read_landmarks
from benchpipe.store.manifest import Source
from benchpipe.store.run_store import RunStore

REACH = 1 << 13  # rows from one landmark to the next at a distance: 32 times what is between two by leading bits
MOST_ALIKE = 8  # landmarks of one kind in a log and all before it
MOST_OWN = 2  # in one log: it and a copy. What comes again more often is how the machine moves
MOST_TRIED = 1000  # distances for each log, those with the most landmarks first
MOST_SORTED = 1 << 20  # landmarks of new logs at once: six days at 100 Hz
FIRST_BITS = 24  # of a mark: they leave away nearly all marks of old logs that no new log has
Whole = NDArray[np.int64]


class AlikePlaces(NamedTuple):
    """Landmarks of two places that are alike, at one distance on the axis of all samples."""

    distance: int
    at: Whole


def pairs_by_log(store: RunStore, sources: list[Source], begin: Whole, first: int) -> Iterator[list[AlikePlaces]]:
    """Find, for each log from one on, places that may be copies.

    The later of two places is in the log, or at most :data:`REACH` before it: a stretch that goes on in the log may
    have been too short to tell before.

    Parameters
    ----------
    store : RunStore
    sources : list of Source
        In the order of time.
    begin : int64 array, shape (logs + 1,)
        Number of the first sample of each log among all samples, and how many there are.
    first : int
        The first log that is new or has changed.
    """
    counts = [sum(part.rows for part in s.parts if part.table == TABLE) for s in sources]
    while first < len(sources):
        end = first + max(int(np.searchsorted(np.cumsum(counts[first:]), MOST_SORTED, "right")), 1)
        at, later = _alike(store, sources[:end], begin, first)
        for k in range(first, end):
            a, b = np.searchsorted(later, (begin[k] - REACH, begin[k + 1]))
            yield _by_distance(at[a:b], later[a:b] - at[a:b])
        first = end


def _alike(store: RunStore, sources: list[Source], begin: Whole, first: int) -> tuple[Whole, Whole]:
    """Two places of each pair of landmarks that are alike, in the order of the later one."""
    since = int(begin[first]) - REACH  # where the first of the later ones may be
    near = max(int(np.searchsorted(begin, since, "right")) - 1, 0)
    recent = {k: read_landmarks(store, source) for k, source in enumerate(sources) if k >= near}
    wanted = np.zeros(1 << FIRST_BITS, np.bool_)
    for k, (marks, samples) in recent.items():
        wanted[_first_bits(marks[samples >= since - begin[k]])] = True
    pieces: list[tuple[Whole, Whole, Whole]] = []
    for k, source in enumerate(sources):
        marks, samples = recent[k] if k in recent else read_landmarks(store, source)
        if k < first:
            which = wanted[_first_bits(marks)]
            marks, samples = marks[which], samples[which]
        pieces.append((marks, np.full(marks.size, k), samples + begin[k]))
    mark, log, at = (np.concatenate(some) for some in zip(*pieces, strict=True))
    order = np.argsort(mark, kind="stable")  # those of one mark stay in the order of their places
    mark, log, at = mark[order], log[order], at[order]
    differs = np.diff(mark, prepend=mark[:1] - 1) != 0
    begins = np.flatnonzero(differs | (np.diff(log, prepend=-1) != 0))
    own = np.diff(begins, append=mark.size)  # alike in one log
    so_far = begins + own - np.flatnonzero(differs)[np.cumsum(differs)[begins] - 1]  # and in all before it
    own, so_far = np.repeat(own, own), np.repeat(so_far, own)
    found: list[tuple[Whole, Whole]] = []
    for lag in range(1, MOST_ALIKE):
        a, b = slice(0, -lag), slice(lag, None)
        rare = (so_far[b] <= MOST_ALIKE) & (own[a] <= MOST_OWN) & (own[b] <= MOST_OWN)
        few = np.flatnonzero((mark[a] == mark[b]) & rare & (at[b] >= since))
        found.append((at[few], at[few + lag]))
    one, later = (np.concatenate(some) for some in zip(*found, strict=True))
    order = np.argsort(later, kind="stable")
    return one[order], later[order]


def _first_bits(marks: Whole) -> NDArray[np.uint64]:
    return marks.view(np.uint64) >> np.uint64(64 - FIRST_BITS)


def _by_distance(at: Whole, apart: Whole) -> list[AlikePlaces]:
    """Landmarks that are near another at their distance: the distances with the most first."""
    order = np.lexsort((at, apart))
    at, apart = at[order], apart[order]
    several = _near_another(at, apart)
    at, apart = at[several], apart[several]
    cuts = np.flatnonzero(np.diff(apart)) + 1
    pairs = [AlikePlaces(int(apart[a]), at[a:b]) for a, b in pairwise([0, *cuts.tolist(), at.size]) if b > a]
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
