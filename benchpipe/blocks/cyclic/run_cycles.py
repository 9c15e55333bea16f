"""Cycles of a run's tables: the last, a window of them, and what of other blocks lies in their time."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from benchpipe.blocks.base import Events
from benchpipe.blocks.cyclic.final_cycles import SettledCycles, settled_cycles
from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.blocks.cyclic.planned_end import PlannedEnd, block_end
from benchpipe.blocks.run_tables import RunTables
from benchpipe.columns import floats

Spans = NDArray[np.int64]  # shape (2, n): starts and ends
WINDOWS = 8  # of which the rows are kept


@dataclass(frozen=True)
class WindowRows:
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


def end_of(block: CyclicBlock, tables: RunTables, planned: int | None = None) -> PlannedEnd:
    """Whether a block has come to its planned end, or to the cycles ``planned`` that a limit asks for."""
    return block_end(block, tables.manifest, last_cycle(tables, block.name), planned)


def last_cycle(tables: RunTables, block: str) -> int:
    """Number of the last complete cycle of a block; 0 where there is none."""
    if block not in tables.last_cycles:
        known = settled_cycles(block, tables.store, tables.manifest)
        rows = _all(tables, block, ["cycle"]) if known is None else _tail(tables, block, known, ["cycle"])
        settled = known.last if known is not None else 0
        tables.last_cycles[block] = max(int(pc.max(rows.column("cycle")).as_py() or 0), settled)
    return tables.last_cycles[block]


def begun_us(tables: RunTables, block: str) -> int | None:
    """Time of the first complete cycle of a block."""
    start = cycle_window(tables, block, [], 1, 1).table.column("start_us")
    return int(start[0].as_py()) if len(start) else None


def elsewhere(tables: RunTables, block: str, others: Iterable[Events]) -> Spans:
    """When events of other blocks took place: starts and ends."""
    found = [np.empty((2, 0), np.int64)]
    for events in others:
        rows = tables.whole(events.table).select(["block", "start_us", events.length])
        rows = rows.filter(pc.not_equal(rows.column("block"), block))
        start = np.array(rows.column("start_us"), np.int64)
        found.append(np.stack([start, start + np.rint(1e6 * floats(rows.column(events.length))).astype(np.int64)]))
    return np.concatenate(found, axis=1)


def cycle_window(tables: RunTables, block: str, columns: list[str], first: int, last: int) -> WindowRows:
    """Rows of the cycles from one number to another, and of the incomplete ones between them.

    An incomplete cycle lies in the window if the complete one before it does and is not the last, or if the
    window begins with the first cycle, or ends with the last, of the block.
    """
    found = _place(tables, block, first, last)
    rows, whole = found.table, last >= last_cycle(tables, block)
    other = [name for name in dict.fromkeys(columns) if name not in rows.column_names]
    if other:
        values = _around(tables, block, other, first, last, whole=whole).filter(found.inside)
        for name in other:
            rows = rows.append_column(values.schema.field(name), values.column(name))
    return WindowRows(rows, found.after)


@dataclass(frozen=True, eq=False)
class _Window:
    """Where the rows of a window are: many limits ask for the same one, for other columns each."""

    table: pa.Table
    after: NDArray[np.int64]
    inside: pa.Array


def _place(tables: RunTables, block: str, first: int, last: int) -> _Window:
    key = (block, first, last)
    found: _Window | None = tables.windows.get(key)
    if found is None:
        end = last_cycle(tables, block)
        rows = _around(tables, block, ["cycle", "complete", "start_us"], first, last, whole=last >= end)
        complete, number = np.array(rows.column("complete"), bool), floats(rows.column("cycle"))
        known = np.flatnonzero(complete)
        before = int(number[known[0]]) - 1 if known.size else end
        after = before + np.cumsum(complete)
        least, most = (0 if first <= 1 else first), (last if last >= end else last - 1)
        inside = np.where(complete, (number >= first) & (number <= last), (after >= least) & (after <= most))
        kept = pa.array(inside)
        if len(tables.windows) >= WINDOWS:
            tables.windows.pop(next(iter(tables.windows)))
        found = _Window(rows.select(["cycle", "complete", "start_us"]).filter(kept), after[inside], kept)
        tables.windows[key] = found
    return found


def _around(tables: RunTables, block: str, columns: list[str], first: int, last: int, *, whole: bool) -> pa.Table:
    """Rows of the parts that hold a window; with ``whole`` also what follows the last complete cycle."""
    known = settled_cycles(block, tables.store, tables.manifest)
    if known is None:
        return _all(tables, block, columns)
    settled = known.read(columns, first, None if whole else last)
    if not whole:
        return settled
    # Parts of an older version have other columns, and more that may be null.
    return pa.concat_tables([settled, _tail(tables, block, known, columns)], promote_options="default")


def _tail(tables: RunTables, block: str, known: SettledCycles, columns: list[str]) -> pa.Table:
    """Rows that more of the log may change: the cycle in which it ends, complete where a record is a cycle."""
    paths = {part.path for part in known.parts}
    tail = [part for part in tables.manifest.block_parts(block, "cycles") if part.path not in paths]
    return tables.store.read_parts(tail, "cycles", columns)


def _all(tables: RunTables, block: str, columns: list[str]) -> pa.Table:
    rows = tables.store.read(tables.manifest, "cycles", list(dict.fromkeys(["block", *columns])))
    return rows.filter(pc.equal(rows.column("block"), block))
