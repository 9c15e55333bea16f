"""Slow rolls from heel to toe and back, as a kind of block."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from benchpipe.blocks.base import BlockKind, Events, Misfit
from benchpipe.blocks.roll.plan import RollBlock, roll_fits
from benchpipe.blocks.roll.tables import ROLL_POINTS, ROLLS
from benchpipe.config.rig import RigConfig

if TYPE_CHECKING:
    from benchpipe.blocks.block import BlockTask, Found
    from benchpipe.blocks.charts import BlockCharts, ChartTask
    from benchpipe.blocks.figures import BlockView
    from benchpipe.blocks.measures import Measure
    from benchpipe.blocks.run_tables import RunTables
    from benchpipe.blocks.state import BlockState
    from benchpipe.store.manifest import Manifest
    from benchpipe.store.run_store import RunStore


def _measure(task: BlockTask[RollBlock, BlockState]) -> Found:
    from benchpipe.blocks.roll.measure import roll_block

    return roll_block(task)


def _measures() -> tuple[Measure, ...]:
    from benchpipe.blocks.roll.limits import MEASURES

    return MEASURES


def _view(block: RollBlock, units: dict[str, str], manifest: Manifest, store: RunStore) -> BlockView:
    from benchpipe.blocks.roll.view import roll_view

    return roll_view(block, units, manifest, store)


def _charts(task: ChartTask) -> BlockCharts:
    from benchpipe.blocks.roll.charts import roll_charts

    return roll_charts(task)


def _fits(block: Any, rig: RigConfig) -> Iterator[Misfit]:
    yield from roll_fits(block, rig)


def _done(events: Events, tables: RunTables, block: str) -> int:
    """Passes from heel to toe: those back are not asked for."""
    from benchpipe.blocks.roll.means import one_way

    return int(one_way(tables.block(events.table, block), "forward").num_rows)


def _over(kind: BlockKind, block: Any, manifest: Manifest, store: RunStore) -> bool:
    """Whether as many passes of its direction have a figure as the plan asks for."""
    from benchpipe.blocks.roll.means import roll_rows

    return bool(roll_rows(block, manifest, store).used.num_rows >= block.planned_passes)


ROLL = BlockKind(
    name="roll",
    config=RollBlock,
    tables={"rolls": ROLLS, "roll_points": ROLL_POINTS},
    measure=_measure,
    view=_view,
    charts=_charts,
    measures=_measures,
    events=Events("rolls", "roll", "passes"),
    planned="planned_passes",
    done=_done,
    over=_over,
    fits=_fits,
)
