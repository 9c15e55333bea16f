"""Stretches in which the joint is stood on, as a kind of block."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchpipe.blocks.base import BlockKind, Events
from benchpipe.blocks.stance.plan import StanceBlock
from benchpipe.blocks.stance.tables import STANCES

if TYPE_CHECKING:
    from benchpipe.blocks.block import BlockTask, Found
    from benchpipe.blocks.charts import BlockCharts, ChartTask
    from benchpipe.blocks.figures import BlockView
    from benchpipe.blocks.measures import Measure
    from benchpipe.blocks.stance.state import StanceState
    from benchpipe.store.manifest import Manifest
    from benchpipe.store.run_store import RunStore


def _state() -> type[StanceState]:
    from benchpipe.blocks.stance.state import StanceState

    return StanceState


def _measure(task: BlockTask[StanceBlock, StanceState]) -> Found:
    from benchpipe.blocks.stance.measure import stance_block

    return stance_block(task)


def _measures() -> tuple[Measure, ...]:
    from benchpipe.blocks.stance.limits import MEASURES

    return MEASURES


def _view(block: StanceBlock, units: dict[str, str], manifest: Manifest, store: RunStore) -> BlockView:
    from benchpipe.blocks.stance.view import stance_view

    return stance_view(block, units, manifest, store)


def _charts(task: ChartTask) -> BlockCharts:
    from benchpipe.blocks.stance.charts import stance_charts

    return stance_charts(task)


STANCE = BlockKind(
    name="stance",
    config=StanceBlock,
    tables={"stances": STANCES},
    measure=_measure,
    view=_view,
    state=_state,
    charts=_charts,
    measures=_measures,
    events=Events("stances", "stance", "stance windows"),
    planned="planned_windows",
)
