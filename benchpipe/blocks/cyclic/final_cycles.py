"""Index of final cycles: which Parquet part holds which numbers, so that readers need not load the whole table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from benchpipe.blocks.cyclic.state import FinalCycles
from benchpipe.columns import floats
from benchpipe.store.manifest import Manifest, Part
from benchpipe.store.run_store import RunStore
from benchpipe.store.tails import last_rows_of


@dataclass(frozen=True)
class SettledCycles:
    """Cycles of a block that are settled: parts, and the number of the last cycle in each."""

    store: RunStore
    parts: list[Part]
    ends: list[int]

    @property
    def last(self) -> int:
        """Number of the last cycle; 0 where there is none."""
        return self.ends[-1] if self.ends else 0

    def read(self, columns: list[str], first: int = 1, last: int | None = None) -> pa.Table:
        """Columns of the parts that hold the cycles from ``first`` to ``last``, or to the end where that is None.

        Parts that hold incomplete cycles alone go with the cycle before; from cycle 1 on, with the beginning too.
        """
        starts = [0, *self.ends][: len(self.ends)]
        wanted = [
            part
            for part, before, end in zip(self.parts, starts, self.ends, strict=True)
            if (end >= first or first <= 1) and (last is None or before < last)
        ]
        return self.store.read_parts(wanted, "cycles", columns)


def settled_cycles(block: str, store: RunStore, manifest: Manifest) -> SettledCycles | None:
    """The settled cycles of a block; None where it is not known in which part they are."""
    state = manifest.block_state(block, FinalCycles)
    parts = {part.path: part for part in manifest.table("cycles")}
    if state is None or state.ends is None or not parts.keys() >= {*state.settled}:
        return None
    return SettledCycles(store, [parts[path] for path in state.settled], [*state.ends])


@dataclass(frozen=True)
class LastCycles:
    """The newest complete cycles of a block.

    ``start_us`` holds their starts from the asked time on; ``first_us`` is the start of the
    block's first cycle where that lies in what was read.
    """

    done: int
    start_us: NDArray[np.int64]
    first_us: int | None


def last_cycles(block: str, manifest: Manifest, store: RunStore, since_us: int | None = None) -> LastCycles:
    """Read the newest cycles of a block, and no older part than is needed.

    Parameters
    ----------
    since_us : int, optional
        Starts from there on are wanted; without it only the number of the last one.
    """
    parts = cycle_parts(block, manifest)
    done, starts, first = 0, [np.empty(0, np.int64)], None
    while parts:
        part = parts.pop()
        table = last_rows_of(store.folder, [part], ["cycle", "start_us"], part.rows)
        if table is None:
            continue
        number = np.array(table.column("cycle").combine_chunks().fill_null(0))
        start = np.array(table.column("start_us"))[number > 0]
        done = max(done, int(number.max(initial=0)))
        if start.size:
            first = int(start[0]) if number[number > 0][0] == 1 else None
            starts.insert(1, start if since_us is None else start[start >= since_us])
            if since_us is None or start[0] < since_us:
                break
    return LastCycles(done, np.concatenate(starts), first)


def cycle_parts(block: str, manifest: Manifest) -> list[Part]:
    """Parts of the cycles table that belong to a block, in order."""
    return manifest.block_parts(block, "cycles")


def cycle_places(
    store: RunStore, manifest: Manifest, block: str, numbers: Sequence[int]
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
    """Number, start [us] and length [s] of those of some cycles that are complete; parts without any are not read."""
    parts = cycle_parts(block, manifest)
    settled = settled_cycles(block, store, manifest)
    if settled is not None:
        starts, own = [0, *settled.ends], {part.path for part in settled.parts}
        spans = zip(settled.parts, starts, settled.ends, strict=False)
        holds = [part for part, before, end in spans if any(before < n <= end for n in numbers)]
        parts = [*holds, *(part for part in parts if part.path not in own)]
    rows = store.read_parts(parts, "cycles", ["cycle", "start_us", "period_s", "complete"])
    number, period = floats(rows.column("cycle")), floats(rows.column("period_s"))
    whole = np.array(rows.column("complete"), bool) & np.isin(number, numbers) & np.isfinite(period)
    at = np.flatnonzero(whole)
    return number[at].astype(np.int64), np.array(rows.column("start_us"), np.int64)[at], period[at]
