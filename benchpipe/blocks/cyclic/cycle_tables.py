"""A block's samples → tables of its cycles, in order, from where the last night ended."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from benchpipe.blocks.cutting import anchor_of, beginning, resumed
from benchpipe.blocks.cyclic.chunks import CycleChunk, after_change, chunk_of, joined, known, open_rows, without_rows
from benchpipe.blocks.cyclic.cycles import NEVER, CycleRows, CycleSettings, cycles_table, joined_rows
from benchpipe.blocks.cyclic.mode_changes import BatchEnds, Between, with_changes
from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.blocks.cyclic.tables import CYCLES
from benchpipe.blocks.cyclic.uncrossed import LastRanges, uncrossed_cycles
from benchpipe.blocks.rejected import Rejected, reject_losses
from benchpipe.blocks.state import Anchor
from benchpipe.columns import schema_of
from benchpipe.config.rig import RigConfig
from benchpipe.samples.inputs import SampleInput
from benchpipe.samples.lost import Losses, in_order, no_losses, together
from benchpipe.samples.signals import look_back_us, signal_columns, signal_units, signals_and_losses
from benchpipe.samples.stream import SampleBatch, map_samples
from benchpipe.store.run_store import RunStore

ROWS_AT_ONCE = 1 << 15
BEFORE_ALL: int = np.iinfo(np.int64).min


class CycleTables:
    """Tables of the cycles that ended, once through; then what is left at the end of the log.

    Parameters
    ----------
    anchor : Anchor or None
        Where the last night ended; None before the first.
    rejected : sequence of Rejected, optional
        Rejected rows of the block's logs.
    """

    def __init__(
        self,
        rig: RigConfig,
        store: RunStore,
        block: CyclicBlock,
        settings: CycleSettings,
        inputs: list[SampleInput],
        anchor: Anchor | None,
        rejected: Sequence[Rejected] = (),
    ) -> None:
        self._rig, self._store, self._block, self._settings = rig, store, block, settings
        self._inputs, self._before = inputs, anchor
        self._closed = anchor.closed if anchor else 0
        self._chunk = known(resumed(anchor, settings.cut) if anchor else beginning(settings.cut))
        self.schema = schema_of(CYCLES, signal_units(rig))
        self._rejects = no_losses()
        if rejected:
            from_us = anchor.time_us if anchor else None
            self._rejects = reject_losses(store, inputs, rejected, rig.mode, block.mode, from_us)
        self._dropped: list[Losses] = []
        # Losses up to that time belong to cycles that are done, but for so many rows of the nights before.
        self._last_us = anchor.time_us if anchor else BEFORE_ALL
        self._lost_before = anchor.lost if anchor else 0
        self._ranges = LastRanges(anchor.load_range, anchor.motion_range) if anchor else LastRanges()
        self._rows: Between | None = None  # from the last sample of the block on, where it asks for a mode
        self._change_us = anchor.change_us if anchor else 0

    def __iter__(self) -> Iterator[pa.Table]:
        return map(self._table, rows_at_once(self._pieces(), ROWS_AT_ONCE))

    def _pieces(self) -> Iterator[Sequence[CycleRows]]:
        """Rows as the chunks of samples give them."""
        for one, lost, ends in self._chunks():
            self._dropped += [lost] if len(lost) else []
            chunk = joined(self._chunk, self._after_change(one, ends), self._settings)
            self._chunk = without_rows(chunk)
            yield chunk.pieces

    def open_cycle(self) -> pa.Table:
        """The cycle in which the log ends, as a table (one row, or none)."""
        rows, uncrossed = self._open_rows()
        return cycles_table(rows, self._closed, self._settings, self.schema, self._lost_in(rows), uncrossed)

    @property
    def counter(self) -> tuple[int, float] | None:
        """The rig's counter at the last sample, with its time; None where there is none."""
        held = self._chunk.standing.held if self._chunk.standing else None
        return (int(held.time_us[-1]), float(held.counter[-1])) if held is not None and held.counter.size else None

    @property
    def anchor(self) -> Anchor | None:
        """Where to go on another night."""
        after = anchor_of(self._chunk.standing, self._closed) if self._chunk.standing else None
        if after is None:
            return self._before
        lost = self._lost_before + self._lost(after.time_us)
        return replace(after, lost=lost, load_range=self._ranges.load, motion_range=self._ranges.motion)

    @property
    def lost_at_end(self) -> int:
        """Rows lost after the last cycle, where none is open at the end of the log."""
        return 0 if len(self._open_rows()[0]) else self._lost_before + self._lost(NEVER)

    def _open_rows(self) -> tuple[CycleRows, NDArray[np.int64]]:
        rows = open_rows(self._chunk, self._settings, self._rows.change_us if self._rows is not None else 0)
        return _found(rows, uncrossed_cycles(rows, self._ranges)[0])

    def _after_change(self, chunk: CycleChunk, ends: BatchEnds | None) -> CycleChunk:
        """The next chunk, its first sample with the change of the mode before it."""
        if ends is None:
            return chunk
        rows = ends.head if self._rows is None else self._rows.followed_by(ends.head)
        if ends.tail is None:
            self._rows = rows
            return chunk
        self._rows = ends.tail
        change_us, self._change_us = rows.change_us or self._change_us, 0
        return after_change(chunk, change_us)

    def _chunks(self) -> Iterator[tuple[CycleChunk, Losses, BatchEnds | None]]:
        rig, block, settings = self._rig, self._block, self._settings

        def work(batch: SampleBatch) -> tuple[CycleChunk, Losses, BatchEnds | None]:
            signals, lost = signals_and_losses(batch, rig, block.mode)
            ends = None
            if rig.mode is not None and block.mode is not None:
                signals, ends = with_changes(batch, signals, rig.mode, block.mode)
            return chunk_of(signals, settings), together(lost, signals.time_us), ends

        return map_samples(
            work, self._store.folder, self._inputs, signal_columns(rig, block.mode),
            self._before.time_us if self._before else None, back_us=look_back_us(rig),
        )  # fmt: skip

    def _table(self, rows: CycleRows) -> pa.Table:
        uncrossed, self._ranges = uncrossed_cycles(rows, self._ranges)
        rows, uncrossed = _found(rows, uncrossed)
        table = cycles_table(rows, self._closed, self._settings, self.schema, self._lost_in(rows), uncrossed)
        self._closed += int(rows.closed.sum())
        if len(rows):
            self._last_us, self._lost_before = int(rows.last_us[-1]), 0
            self._rejects = self._rejects.after(self._last_us)
            self._dropped = [in_order(self._dropped).after(self._last_us)] if self._dropped else []
        return table

    def _lost_in(self, rows: CycleRows) -> NDArray[np.int64]:
        """Rows lost in each of the next cycles: after the last sample of the one before, before its next sample."""
        if not len(rows):
            return np.empty(0, np.int64)
        after_us = np.concatenate(([self._last_us], rows.last_us[:-1]))
        kinds = (self._rejects, in_order(self._dropped))
        lost: NDArray[np.int64] = np.sum([one.between(after_us, rows.after_us) for one in kinds], axis=0)
        lost[0] += self._lost_before
        return lost

    def _lost(self, until_us: int) -> int:
        """Rows lost after the last cycle that ended, up to a time."""
        after, until = np.array([self._last_us]), np.array([until_us])
        return sum(int(one.between(after, until)[0]) for one in (self._rejects, in_order(self._dropped)))


def rows_at_once(pieces: Iterable[Sequence[CycleRows]], most: int) -> Iterator[CycleRows]:
    """The same rows, so many at once and the rest at the end: a file's bytes do not depend on how they came."""
    waiting: list[CycleRows] = []
    for some in pieces:
        waiting += some
        while sum(map(len, waiting)) >= most:
            rows = joined_rows(waiting)
            yield rows.part(0, most)
            waiting = [rows.part(most, len(rows))] if len(rows) > most else []
    if any(map(len, waiting)):
        yield joined_rows(waiting)


def _found(rows: CycleRows, uncrossed: NDArray[np.int64]) -> tuple[CycleRows, NDArray[np.int64]]:
    """Rows without those between cycles in which nothing moved to and fro."""
    keep = ~rows.between | (uncrossed > 0)
    return rows.only(keep), uncrossed[keep]
