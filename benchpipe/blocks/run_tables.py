"""The tables of a run that limits are judged on, read when a limit asks for them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from benchpipe.blocks.cyclic.final_cycles import SettledCycles, settled_cycles
from benchpipe.columns import floats
from benchpipe.plan import Block
from benchpipe.process.order import SPANNED
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore

Spans = NDArray[np.int64]  # shape (2, n): starts and ends


@dataclass(frozen=True)
class CycleRows:
    """Rows of the cycles table that lie in a window of cycle numbers, incomplete ones among them.

    Attributes
    ----------
    table : pyarrow Table
        The columns asked for, and ``cycle``, ``complete``, ``start_us``.
    after : int64 array, shape (n,)
        Number of the last complete cycle before the end of each row; that of the row itself where it is complete.
    """

    table: pa.Table
    after: NDArray[np.int64]


class RunTables:
    """Tables of one state of a run."""

    def __init__(self, store: RunStore, manifest: Manifest) -> None:
        self._store, self._manifest = store, manifest
        self._known: dict[str, pa.Table] = {}

    def whole(self, table: str) -> pa.Table:
        """All rows of a table."""
        if table not in self._known:
            self._known[table] = self._store.read(self._manifest, table)
        return self._known[table]

    def block(self, table: str, block: str) -> pa.Table:
        """Rows of one block."""
        rows = self.whole(table)
        return rows.filter(pc.equal(rows.column("block"), block))

    def state(self, block: str) -> dict[str, Any]:
        """What the process step keeps of a block."""
        step = self._manifest.steps.get("process")
        return step.state.get(block, {}) if step else {}

    def begun(self, block: Block) -> bool:
        """Whether something of a block was measured that says when its time was."""
        if block.kind == "cyclic":
            return self.last_cycle(block.name) > 0
        return block.kind in SPANNED and self.block(SPANNED[block.kind], block.name).num_rows > 0

    def last_cycle(self, block: str) -> int:
        """Number of the last complete cycle of a block; 0 where there is none."""
        known = settled_cycles(block, self._store, self._manifest)
        rows = self._all(block, ["cycle"]) if known is None else self._tail(block, known, ["cycle"])
        return max(int(pc.max(rows.column("cycle")).as_py() or 0), known.last if known is not None else 0)

    def elsewhere(self, block: str) -> Spans:
        """When holds, sweeps, stance windows and proofs of other blocks took place: starts and ends, rising."""
        found = []
        for kind, table in SPANNED.items():
            if kind == "cyclic":
                continue
            length = "period_s" if kind == "sweep" else "duration_s"
            rows = self.whole(table).select(["block", "start_us", length])
            rows = rows.filter(pc.not_equal(rows.column("block"), block))
            start = np.array(rows.column("start_us"), np.int64)
            found.append(np.stack([start, start + np.rint(1e6 * floats(rows.column(length))).astype(np.int64)]))
        return np.concatenate(found, axis=1)

    def begun_us(self, block: str) -> int | None:
        """Time of the first complete cycle of a block."""
        start = self.window(block, [], 1, 1).table.column("start_us")
        return int(start[0].as_py()) if len(start) else None

    def window(self, block: str, columns: list[str], first: int, last: int) -> CycleRows:
        """Rows of the cycles from one number to another, and of the incomplete ones between them.

        An incomplete cycle lies in the window if the complete one before it does and is not the last, or if the
        window begins with the first cycle, or ends with the last, of the block.
        """
        columns = list(dict.fromkeys(["block", "cycle", "complete", "start_us", *columns]))
        end = self.last_cycle(block)
        rows = self._around(block, columns, first, last, whole=last >= end)
        complete = np.array(rows.column("complete"), bool)
        number = floats(rows.column("cycle"))
        known = np.flatnonzero(complete)
        before = int(number[known[0]]) - 1 if known.size else end
        after = before + np.cumsum(complete)
        least, most = (0 if first <= 1 else first), (last if last >= end else last - 1)
        inside = np.where(complete, (number >= first) & (number <= last), (after >= least) & (after <= most))
        return CycleRows(rows.filter(pa.array(inside)), after[inside])

    def _around(self, block: str, columns: list[str], first: int, last: int, *, whole: bool) -> pa.Table:
        """Rows of the parts that hold a window; with ``whole`` also what follows the last complete cycle."""
        known = settled_cycles(block, self._store, self._manifest)
        if known is None:
            return self._all(block, columns)
        settled = known.read(columns, first, None if whole else last)
        return pa.concat_tables([settled, self._tail(block, known, columns)]) if whole else settled

    def _tail(self, block: str, known: SettledCycles, columns: list[str]) -> pa.Table:
        """Rows that more of the log may change: the cycle in which it ends, complete where a record is a cycle."""
        paths = {part.path for part in known.parts}
        own = set(self.state(block).get("parts", ()))
        step = self._manifest.steps["process"]
        tail = [p for p in step.parts if p.table == "cycles" and p.path in own and p.path not in paths]
        return self._store.read_parts(tail, "cycles", columns)

    def _all(self, block: str, columns: list[str]) -> pa.Table:
        rows = self._store.read(self._manifest, "cycles", list(dict.fromkeys(["block", *columns])))
        return rows.filter(pc.equal(rows.column("block"), block))
