"""A held load: creep, as a kind of block."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchpipe.blocks.base import BlockKind, Events
from benchpipe.blocks.hold.plan import HoldBlock
from benchpipe.blocks.hold.tables import CREEP_POINTS, HOLDS

if TYPE_CHECKING:
    from benchpipe.blocks.block import BlockTask, Found
    from benchpipe.blocks.charts import BlockCharts, ChartTask
    from benchpipe.blocks.figures import BlockView
    from benchpipe.blocks.measures import Measure
    from benchpipe.blocks.state import BlockState
    from benchpipe.store.manifest import Manifest
    from benchpipe.store.run_store import RunStore


def _measure(task: BlockTask[HoldBlock, BlockState]) -> Found:
    from benchpipe.blocks.hold.measure import hold_block

    return hold_block(task)


def _measures() -> tuple[Measure, ...]:
    from benchpipe.blocks.hold.limits import MEASURES

    return MEASURES


def _view(block: HoldBlock, units: dict[str, str], manifest: Manifest, store: RunStore) -> BlockView:
    from benchpipe.blocks.hold.view import hold_view

    return hold_view(block, units, manifest, store)


def _over(kind: BlockKind, block: HoldBlock, manifest: Manifest, store: RunStore) -> bool:
    """As many holds as planned have ended, or lasted to the last time that is reported."""
    parts = manifest.block_parts(block.name, "holds")
    holds = store.read_parts(parts, "holds", ["complete", "duration_s"]).to_pylist()
    last = max(block.report_at, default=0.0)
    return len([h for h in holds if h["complete"] or h["duration_s"] >= last]) >= block.planned_holds


def _charts(task: ChartTask) -> BlockCharts:
    from benchpipe.blocks.hold.charts import hold_charts

    return hold_charts(task)


HOLD = BlockKind(
    name="hold",
    config=HoldBlock,
    tables={"holds": HOLDS, "creep_points": CREEP_POINTS},
    measure=_measure,
    view=_view,
    charts=_charts,
    measures=_measures,
    events=Events("holds", "hold", "holds"),
    planned="planned_holds",
    over=_over,
)
