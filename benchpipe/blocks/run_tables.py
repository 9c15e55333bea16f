"""The tables of a run that limits are judged on, read when a limit asks for them."""

from __future__ import annotations

from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore
from benchpipe.store.state import StateT


class RunTables:
    """Tables of one state of a run."""

    def __init__(self, store: RunStore, manifest: Manifest) -> None:
        self.store, self.manifest = store, manifest
        self._known: dict[str, pa.Table] = {}
        self.last_cycles: dict[str, int] = {}  # of blocks whose last cycle was looked for: a limit asks several times
        self.windows: dict[tuple[str, int, int], Any] = {}  # and where the rows of windows of cycles are

    def whole(self, table: str) -> pa.Table:
        """All rows of a table."""
        if table not in self._known:
            self._known[table] = self.store.read(self.manifest, table)
        return self._known[table]

    def block(self, table: str, block: str) -> pa.Table:
        """Rows of one block."""
        rows = self.whole(table)
        return rows.filter(pc.equal(rows.column("block"), block))

    def state(self, block: str, model: type[StateT]) -> StateT:
        """The fields of a model in what the process step keeps of a block; their defaults where it keeps none."""
        return self.manifest.block_state(block, model) or model()
