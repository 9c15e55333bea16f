"""A held motion whose load relaxes, as a kind of block."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchpipe.blocks.base import BlockKind, Events
from benchpipe.blocks.relaxation.plan import RelaxationBlock
from benchpipe.blocks.relaxation.tables import RELAXATION_POINTS, RELAXATIONS

if TYPE_CHECKING:
    from benchpipe.blocks.block import BlockTask, Found
    from benchpipe.blocks.charts import BlockCharts, ChartTask
    from benchpipe.blocks.figures import BlockView
    from benchpipe.blocks.measures import Measure
    from benchpipe.blocks.state import BlockState
    from benchpipe.store.manifest import Manifest
    from benchpipe.store.run_store import RunStore


def _measure(task: BlockTask[RelaxationBlock, BlockState]) -> Found:
    from benchpipe.blocks.relaxation.measure import relaxation_block

    return relaxation_block(task)


def _measures() -> tuple[Measure, ...]:
    from benchpipe.blocks.relaxation.limits import MEASURES

    return MEASURES


def _view(block: RelaxationBlock, units: dict[str, str], manifest: Manifest, store: RunStore) -> BlockView:
    from benchpipe.blocks.relaxation.view import relaxation_view

    return relaxation_view(block, units, manifest, store)


def _charts(task: ChartTask) -> BlockCharts:
    from benchpipe.blocks.relaxation.charts import relaxation_charts

    return relaxation_charts(task)


RELAXATION = BlockKind(
    name="relaxation",
    config=RelaxationBlock,
    tables={"relaxations": RELAXATIONS, "relaxation_points": RELAXATION_POINTS},
    measure=_measure,
    view=_view,
    charts=_charts,
    measures=_measures,
    events=Events("relaxations", "relaxation", "relaxations"),
    planned="planned_relaxations",
)
