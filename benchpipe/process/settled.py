"""Cycles that nothing to come can change, and in which part each is: so that nobody reads them all."""

from __future__ import annotations

from dataclasses import dataclass

import pyarrow as pa

from benchpipe.store.manifest import Manifest, Part
from benchpipe.store.run_store import RunStore


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
    step = manifest.steps.get("process")
    state = step.state.get(block, {}) if step else {}
    if step is None or "ends" not in state:
        return None
    parts = {part.path: part for part in step.parts}
    return SettledCycles(store, [parts[path] for path in state["settled"]], state["ends"])
