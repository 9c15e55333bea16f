"""Lock changes, as a kind of block."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from benchpipe.blocks.base import BlockKind, Events, Misfit
from benchpipe.blocks.locking.plan import LockingBlock
from benchpipe.blocks.locking.tables import LOCK_CHANGES
from benchpipe.config.rig import RigConfig
from benchpipe.errors import nearest

if TYPE_CHECKING:
    from benchpipe.blocks.block import BlockTask, Found
    from benchpipe.blocks.charts import BlockCharts, ChartTask
    from benchpipe.blocks.figures import BlockView
    from benchpipe.blocks.measures import Measure
    from benchpipe.blocks.state import BlockState
    from benchpipe.store.manifest import Manifest
    from benchpipe.store.run_store import RunStore


def _measure(task: BlockTask[LockingBlock, BlockState]) -> Found:
    from benchpipe.blocks.locking.measure import locking_block

    return locking_block(task)


def _measures() -> tuple[Measure, ...]:
    from benchpipe.blocks.locking.limits import MEASURES

    return MEASURES


def _view(block: LockingBlock, units: dict[str, str], manifest: Manifest, store: RunStore) -> BlockView:
    from benchpipe.blocks.locking.view import locking_view

    return locking_view(block, units, manifest, store)


def _fits(block: LockingBlock, rig: RigConfig) -> Iterator[Misfit]:
    if rig.mode is None:
        yield Misfit(
            "kind",
            f"block '{block.name}' counts lock changes, and the rig '{rig.name}' names no mode channel",
            'add mode = "CHANNEL" to the rig file, or remove the block',
        )
    known = {c.name: c.quantity for c in rig.channel}
    if block.asked_channel is not None and known.get(block.asked_channel) != rig.motion_quantity:
        yield Misfit(
            "asked_channel",
            f"block '{block.name}': asked_channel '{block.asked_channel}' is no channel of {rig.motion_quantity} "
            f"of the rig '{rig.name}'",
            expected=nearest(block.asked_channel, [n for n, q in known.items() if q == rig.motion_quantity]),
        )


def _charts(task: ChartTask) -> BlockCharts:
    from benchpipe.blocks.locking.charts import locking_charts

    return locking_charts(task)


LOCKING = BlockKind(
    name="locking",
    config=LockingBlock,
    tables={"lock_changes": LOCK_CHANGES},
    measure=_measure,
    view=_view,
    charts=_charts,
    measures=_measures,
    events=Events("lock_changes", "lock_change", "lock changes", in_order=False),
    planned="planned_changes",
    fits=_fits,
)
