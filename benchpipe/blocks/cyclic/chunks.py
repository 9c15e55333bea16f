"""Cycles of one stretch of samples as a value that joins with its neighbours.

A chunk is cut without knowing its past: from its first sure boundary on, its cycles
are final; the samples up to there are kept raw as its head. Joining feeds the head of
the later chunk to the cut that the earlier one left, so that a cycle across the
border is measured from raw samples. Joining is associative, and gives the bits of one
pass: neighbours may be worked on anywhere, in any order, and joined in order.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from benchpipe.blocks.cutting import UNKNOWN, Pieces, Standing, cut_batch, end_of_log
from benchpipe.blocks.cyclic.cycles import CycleRows, CycleSettings, joined_rows, measure_pieces
from benchpipe.kernels.boundaries import NO_ROW
from benchpipe.kernels.loops import N_FIELDS
from benchpipe.samples.signals import Signals


@dataclass(frozen=True)
class CycleChunk:
    """What some consecutive samples hold, whatever comes before and after them.

    Attributes
    ----------
    head : Signals or None
        Samples up to and with the first sure boundary; all of them where there is none.
        None where the past is known.
    pieces : tuple of CycleRows
        Cycles that begin after the head and ended, in order.
    standing : Standing or None
        The cut at the last sample; None where all samples are head.
    """

    head: Signals | None
    pieces: tuple[CycleRows, ...]
    standing: Standing | None

    @property
    def rows(self) -> CycleRows:
        """All rows in one."""
        return joined_rows([no_rows(), *self.pieces])


def no_rows() -> CycleRows:
    """Rows of no cycle."""
    whole = np.empty(0, np.int64)
    truth = np.empty(0, bool)
    times = (whole, whole, whole)
    return CycleRows(
        np.empty((0, N_FIELDS)), truth, truth, whole, whole, *times, truth, np.empty(0), whole, whole, whole
    )  # fmt: skip


def known(standing: Standing) -> CycleChunk:
    """The chunk before all others: no samples, and a cut whose past is known."""
    return CycleChunk(None, (), standing)


def chunk_of(signals: Signals, settings: CycleSettings) -> CycleChunk:
    """Cut and measure samples whose past is not known."""
    (pieces,), standing = cut_batch(signals, settings.cut, UNKNOWN)
    if standing.scan.row == NO_ROW and pieces.boundary is None:
        return CycleChunk(signals.copy(), (), None)
    first = _first_boundary(pieces, standing)
    return CycleChunk(signals.part(0, first + 1).copy(), (measure_pieces(pieces, settings),), _own(standing))


def _first_boundary(pieces: Pieces, standing: Standing) -> int:
    """Place of the sample that begins the first cycle."""
    if pieces.boundary is not None:
        return pieces.boundary
    held = standing.held
    return len(pieces.signals) - (len(held) if held is not None else 0) + standing.scan.start


def _own(standing: Standing) -> Standing:
    """The same standing, not holding a whole batch in memory by a few of its samples."""
    return Standing(None if standing.held is None else standing.held.copy(), standing.scan)


def joined(earlier: CycleChunk, later: CycleChunk, settings: CycleSettings) -> CycleChunk:
    """Two neighbouring chunks as one.

    Raises
    ------
    ValueError
        The past of the later chunk is known: nothing can come before it.
    """
    if later.head is None:
        raise ValueError("nothing can be joined before a chunk whose past is known")
    if earlier.standing is None and earlier.head is not None:
        start = chunk_of(earlier.head.followed_by(later.head), settings)
        seam, standing, before = start.pieces, start.standing, start.head
    elif earlier.standing is not None:
        pieces, standing = cut_batch(later.head, settings.cut, earlier.standing)
        seam = (*earlier.pieces, *(measure_pieces(p, settings) for p in pieces if p.count))
        before = earlier.head
    if later.standing is None or standing is None:
        return CycleChunk(before, seam, None if standing is None else _own(standing))
    segments = standing.scan.segment - 1
    scan = later.standing.scan
    after = Standing(later.standing.held, scan._replace(segment=scan.segment + segments))
    return CycleChunk(before, (*seam, *(piece.later(segments) for piece in later.pieces)), after)


def without_rows(chunk: CycleChunk) -> CycleChunk:
    """The same chunk after its rows were taken."""
    return CycleChunk(chunk.head, (), chunk.standing)


def after_change(chunk: CycleChunk, change_us: int) -> CycleChunk:
    """The same chunk where the mode changed just before its first sample."""
    if chunk.head is None or not len(chunk.head) or not change_us:
        return chunk
    changes = chunk.head.change_us.copy()
    changes[0] = change_us
    return replace(chunk, head=replace(chunk.head, change_us=changes).copy())


def open_rows(chunk: CycleChunk, settings: CycleSettings, change_us: int = 0) -> CycleRows:
    """The cycle in which the log ends, or what comes after the last one, as rows (one, or none).

    ``change_us`` is that of the next sample, which is not there yet.
    """
    pieces = end_of_log(settings.cut, chunk.standing) if chunk.standing is not None else None
    return measure_pieces(pieces, settings, change_us) if pieces is not None else no_rows()
