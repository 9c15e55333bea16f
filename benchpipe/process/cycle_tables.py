"""A block's samples → tables of its cycles, in order, from where the last night ended."""

from __future__ import annotations

from collections.abc import Iterator

import pyarrow as pa

from benchpipe.config.plan import CyclicBlock
from benchpipe.config.rig import RigConfig
from benchpipe.process.cutting import Anchor, anchor_of, beginning, resumed
from benchpipe.process.cycle_chunks import CycleChunk, chunk_of, joined, known, open_rows, without_rows
from benchpipe.process.cycles import CycleRows, CycleSettings, cycles_table, joined_rows
from benchpipe.process.signals import look_back_us, signal_columns, signal_units, to_signals
from benchpipe.store.run_store import RunStore
from benchpipe.store.samples import SampleBatch, SampleInput, map_samples
from benchpipe.tables import schema

ROWS_AT_ONCE = 1 << 15


class CycleTables:
    """Tables of the cycles that ended, once through; then what is left at the end of the log.

    Parameters
    ----------
    anchor : Anchor or None
        Where the last night ended; None before the first.
    """

    def __init__(
        self,
        rig: RigConfig,
        store: RunStore,
        block: CyclicBlock,
        settings: CycleSettings,
        inputs: list[SampleInput],
        anchor: Anchor | None,
    ) -> None:
        self._rig, self._store, self._block, self._settings = rig, store, block, settings
        self._inputs, self._before = inputs, anchor
        self._closed = anchor.closed if anchor else 0
        self._chunk = known(resumed(anchor, settings.cut) if anchor else beginning(settings.cut))
        self.schema = schema("cycles", signal_units(rig))

    def __iter__(self) -> Iterator[pa.Table]:
        waiting: list[CycleRows] = []
        for one in self._chunks():
            chunk = joined(self._chunk, one, self._settings)
            waiting += chunk.pieces
            self._chunk = without_rows(chunk)
            if sum(map(len, waiting)) >= ROWS_AT_ONCE:
                yield self._table(joined_rows(waiting))
                waiting = []
        if waiting:
            yield self._table(joined_rows(waiting))

    def open_cycle(self) -> pa.Table:
        """The cycle in which the log ends, as a table (one row, or none)."""
        rows = open_rows(self._chunk, self._settings)
        return cycles_table(rows, self._closed, self._settings, self.schema)

    @property
    def anchor(self) -> Anchor | None:
        """Where to go on another night."""
        after = anchor_of(self._chunk.standing, self._closed) if self._chunk.standing else None
        return after or self._before

    def _chunks(self) -> Iterator[CycleChunk]:
        rig, block, settings = self._rig, self._block, self._settings

        def work(batch: SampleBatch) -> CycleChunk:
            return chunk_of(to_signals(batch, rig, block.mode), settings)

        return map_samples(
            work, self._store.folder, self._inputs, signal_columns(rig, block.mode),
            self._before.time_us if self._before else None, back_us=look_back_us(rig),
        )  # fmt: skip

    def _table(self, rows: CycleRows) -> pa.Table:
        table = cycles_table(rows, self._closed, self._settings, self.schema)
        self._closed += int(rows.closed.sum())
        return table
