"""Rows of the rolls table → figures over the passes of a block."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from benchpipe.blocks.figures import of_block
from benchpipe.blocks.roll.plan import RollBlock
from benchpipe.columns import floats
from benchpipe.kernels.rocker_passes import DIFFER, PassesMean, mean_of_passes
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore

Floats = NDArray[np.float64]


def measured(rows: pa.Table) -> pa.Table:
    """Passes with a figure."""
    return rows.filter(pc.is_valid(rows.column("curvature_per_m")))


def one_way(rows: pa.Table, direction: str) -> pa.Table:
    """Passes of one direction."""
    return rows.filter(pc.equal(rows.column("direction"), direction))


@dataclass(frozen=True)
class RollRows:
    """Passes of a block: all of them, and those of one direction that have a figure."""

    rows: pa.Table
    used: pa.Table

    def mean(self, column: str) -> PassesMean:
        """A column over the passes, blocked by plate."""
        plates = self.used.column("plate")
        known = floats(plates) if plates.null_count < len(plates) else None
        return mean_of_passes(floats(self.used.column(column)), known)

    @property
    def plates_differ(self) -> str:
        """What is to be said of plates that give other curvatures."""
        mean = self.mean("curvature_per_m")
        if mean.plates > 1 and mean.plates_p < DIFFER:
            return f"its {mean.plates} plates differ by more than their passes: the interval is that of these plates"
        return ""


def roll_rows(block: RollBlock, manifest: Manifest, store: RunStore, direction: str | None = None) -> RollRows:
    """Passes of a block of the plan, in its direction or another."""
    return rows_from(of_block(store.read(manifest, "rolls"), block.name), direction or block.direction)


def rows_from(rows: pa.Table, direction: str) -> RollRows:
    """Passes from the rows of a block."""
    return RollRows(rows, measured(one_way(rows, direction)))


def last_remark(rows: pa.Table) -> str:
    """What the table says of the last pass without a figure."""
    lost = rows.filter(pc.is_null(rows.column("curvature_per_m")))
    said: list[Any] = lost.column("remark").to_pylist()
    return str(said[-1] or "") if said else ""
