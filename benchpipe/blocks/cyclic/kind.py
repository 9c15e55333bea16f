"""Load cycling, as a kind of block."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from benchpipe.blocks.base import BlockKind, Events, Misfit
from benchpipe.blocks.cut_config import sampled
from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.blocks.cyclic.tables import CYCLES, LOOPS, TRENDS
from benchpipe.config.rig import RigConfig

if TYPE_CHECKING:
    from benchpipe.blocks.block import BlockTask, Found
    from benchpipe.blocks.charts import BlockCharts, ChartTask
    from benchpipe.blocks.cyclic.state import CyclicState
    from benchpipe.blocks.figures import BlockView
    from benchpipe.blocks.measures import Measure
    from benchpipe.blocks.run_tables import RunTables
    from benchpipe.store.manifest import Manifest
    from benchpipe.store.run_store import RunStore


def _state() -> type[CyclicState]:
    from benchpipe.blocks.cyclic.state import CyclicState

    return CyclicState


def _measure(task: BlockTask[CyclicBlock, CyclicState]) -> Found:
    from benchpipe.blocks.cyclic.measure import cyclic_block

    return cyclic_block(task)


def _measures() -> tuple[Measure, ...]:
    from benchpipe.blocks.cyclic.limits import MEASURES

    return MEASURES


def _view(block: CyclicBlock, units: dict[str, str], manifest: Manifest, store: RunStore) -> BlockView:
    from benchpipe.blocks.cyclic.view import cyclic_view

    return cyclic_view(block, units, manifest, store)


def _fits(block: CyclicBlock, rig: RigConfig) -> Iterator[Misfit]:
    if block.planned_by == "counter" and rig.counter is None:
        yield Misfit(
            "planned_by",
            f"block '{block.name}' ends by the rig's counter, and the rig '{rig.name}' names no counter channel",
            'add counter = "CHANNEL" to the rig file, or write planned_by = "detected"',
        )
    if block.boundary != "row":
        yield from sampled(block, rig)
        return
    missing = [name for name, axis in (("load", rig.load), ("motion", rig.motion)) if axis.valley is None]
    if missing:
        yield Misfit(
            "boundary",
            f"block '{block.name}': each row is a cycle, and the rig '{rig.name}' names no channel of the valleys",
            f'add valley = "CHANNEL" to [{"] and [".join(missing)}] of the rig file',
        )


def _over(kind: BlockKind, block: CyclicBlock, manifest: Manifest, store: RunStore) -> bool:
    from benchpipe.blocks.cyclic.final_cycles import last_cycles
    from benchpipe.blocks.cyclic.planned_end import block_end

    return block_end(block, manifest, last_cycles(block.name, manifest, store).done).over


def _done(events: Events, tables: RunTables, block: str) -> int:
    from benchpipe.blocks.cyclic.run_cycles import last_cycle

    return last_cycle(tables, block)


def _charts(task: ChartTask) -> BlockCharts:
    from benchpipe.blocks.cyclic.charts import cyclic_charts

    return cyclic_charts(task)


CYCLIC = BlockKind(
    name="cyclic",
    config=CyclicBlock,
    tables={"cycles": CYCLES, "loops": LOOPS, "trends": TRENDS},
    measure=_measure,
    view=_view,
    state=_state,
    charts=_charts,
    measures=_measures,
    events=Events("cycles", "cycle", "cycles", length="period_s"),
    planned="planned_cycles",
    fits=_fits,
    done=_done,
    over=_over,
)
