"""A kind of block of another package: how long the load stays above a level (invented, for a test)."""

from __future__ import annotations

from typing import Any, Literal

from benchpipe.blocks.base import BlockKind, Events
from benchpipe.columns import column
from benchpipe.config.block import BlockConfig
from benchpipe.config.model import Load


class DwellBlock(BlockConfig):
    """Stretches in which the load is above a level."""

    kind: Literal["dwell"]
    above: Load
    planned_dwells: int = 1


DWELLS = (
    column("block", "string", "", "block of the plan"),
    column("dwell", "int64", "1", "number of the stretch, from 1"),
    column("start_us", "int64", "us", "its first sample"),
    column("duration_s", "float64", "s", "its length"),
    column("samples", "int64", "1", "samples in it"),
    column("load_mean", "float64", "load", "mean load"),
)


def _measure(task: Any) -> Any:
    import numpy as np
    import pyarrow as pa

    from benchpipe.blocks.block import Found
    from benchpipe.columns import schema_of
    from benchpipe.samples.signals import block_signals, signal_units

    pieces = list(block_signals(task.store, task.inputs, task.rig, task.block))
    time = np.concatenate([piece.time_us for piece in pieces]) if pieces else np.empty(0, np.int64)
    load = np.concatenate([piece.load for piece in pieces]) if pieces else np.empty(0)
    inside = np.flatnonzero(load > task.block.above.value)
    rows = [
        {
            "block": task.block.name, "dwell": k, "start_us": int(time[at[0]]), "samples": len(at),
            "duration_s": 1e-6 * float(time[at[-1]] - time[at[0]]), "load_mean": float(load[at].mean()),
        }
        for k, at in enumerate(np.split(inside, np.flatnonzero(np.diff(inside) > 1) + 1), 1)
        if at.size
    ]  # fmt: skip
    table = pa.Table.from_pylist(rows, schema=schema_of(DWELLS, signal_units(task.rig)))
    return Found([task.store.write("dwells", table, task.key)] if rows else [])


def _view(block: Any, units: dict[str, str], manifest: Any, store: Any) -> Any:
    from benchpipe.blocks.figures import BlockView, Figure, of_block

    rows = of_block(store.read(manifest, "dwells"), block.name).to_pylist()
    figures = tuple(Figure("mean load", row["load_mean"], units["load"]) for row in rows[-1:])
    return BlockView(block.name, block.kind, len(rows), block.planned_dwells, figures, "dwelling")


def _measures() -> tuple[Any, ...]:
    from benchpipe.blocks.measures import Measure
    from benchpipe.blocks.values import Asked, Values, of_rows, values_of
    from benchpipe.columns import floats

    def lengths(asked: Asked, rows: Any) -> Values:
        value = floats(rows.column("duration_s"))
        return values_of(floats(rows.column("dwell")), value, 0.01 + 0.0 * value, len(value), what="dwell")

    values = of_rows("dwells", lengths)
    return (Measure("dwell_time", "dwell", "dwells", ("duration_s",), "s", 0, 0, "length", values=values),)


DWELL = BlockKind(
    name="dwell",
    config=DwellBlock,
    tables={"dwells": DWELLS},
    measure=_measure,
    view=_view,
    measures=_measures,
    events=Events("dwells", "dwell", "dwells"),
    planned="planned_dwells",
)
