"""Compare rows of a file with the rows of earlier files of the run at the same times."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchpipe.ingest.clock import LATE, LEAST_UNLIKE
from benchpipe.ingest.early import found_before
from benchpipe.ingest.readback import rows_between, rows_until
from benchpipe.ingest.rows import Rows, equal_rows, joined
from benchpipe.readers.batch import Reject, stretches
from benchpipe.store.manifest import Source
from benchpipe.store.run_store import RunStore


class Earlier(NamedTuple):
    """A file that is placed already, and what its own times are moved by."""

    source: Source
    shift_us: int

    @property
    def end_us(self) -> int:
        """Time of its last row on the run's axis."""
        return (self.source.last_us or 0) + self.shift_us


@dataclass(frozen=True)
class Overlap:
    """First samples of a file at or before the end of the run so far.

    Attributes
    ----------
    same : int
        So many of them stand in earlier files, at the same time with the same content.
    late : tuple of (row, rows)
        The others, as stretches of rows of the file.
    again : bool
        They are the same rows again: most of them stand there, and so from the beginning on.
    early : tuple of (row, rows)
        Early rows of the file (:mod:`benchpipe.ingest.early`) that are in earlier files.
    """

    same: int
    late: tuple[tuple[int, int], ...]
    again: bool
    early: tuple[tuple[int, int], ...] = ()


NO_OVERLAP = Overlap(0, (), again=False)


def find_overlap(
    store: RunStore, earlier: list[Earlier], shift_us: int, later: Source, until_us: int, *, is_one: bool
) -> Overlap:
    """Hold the first samples of ``later``, moved by ``shift_us``, against earlier ones.

    Parameters
    ----------
    until_us : int
        End of the run's axis so far.
    is_one : bool
        Whatever the rows hold, the file goes on where the others end: it begins that little before it, or after it.
    """
    alike, unlike = 0, 0
    late: list[Reject] = []
    for piece in rows_until(store, later, until_us - shift_us):
        rows = piece.at(piece.time_us + shift_us)
        same = np.zeros(len(rows), bool)
        for one in earlier:
            same |= _stand_in(rows, store, one)
        if not is_one and (unlike + np.cumsum(~same) > alike + np.cumsum(same) + LEAST_UNLIKE).any():
            return NO_OVERLAP
        alike, unlike = alike + int(same.sum()), unlike + int((~same).sum())
        late += stretches(rows.row[~same], LATE)
    if not is_one and alike < unlike:
        return NO_OVERLAP
    early = found_before(store, earlier, shift_us, later) if later.early else ()
    return Overlap(alike, tuple((one.row, one.rows) for one in late), again=True, early=early)


def _stand_in(rows: Rows, store: RunStore, one: Earlier) -> NDArray[np.bool_]:
    """Which rows stand in an earlier file."""
    first, last = int(rows.time_us[0]) - one.shift_us, int(rows.time_us[-1]) - one.shift_us
    pieces = list(rows_between(store, one.source, first, last))
    if not pieces:
        return np.zeros(len(rows), bool)
    known = joined(pieces[::-1])
    at = np.minimum(np.searchsorted(known.time_us, rows.time_us - one.shift_us), len(known) - 1)
    same: NDArray[np.bool_] = known.time_us[at] == rows.time_us - one.shift_us
    return same & equal_rows(rows, known.part(at))
