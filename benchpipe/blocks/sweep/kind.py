"""Slow motion through the free range, as a kind of block."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchpipe.blocks.base import BlockKind, Events
from benchpipe.blocks.cut_config import sampled
from benchpipe.blocks.sweep.plan import SweepBlock
from benchpipe.blocks.sweep.tables import INCOMPLETE_SWEEPS, RESISTANCE, RESISTANCE_POINTS, SWEEPS

if TYPE_CHECKING:
    from benchpipe.blocks.block import BlockTask, Found
    from benchpipe.blocks.charts import BlockCharts, ChartTask
    from benchpipe.blocks.figures import BlockView
    from benchpipe.blocks.measures import Measure
    from benchpipe.blocks.sweep.state import SweepState
    from benchpipe.store.manifest import Manifest
    from benchpipe.store.run_store import RunStore


def _state() -> type[SweepState]:
    from benchpipe.blocks.sweep.state import SweepState

    return SweepState


def _measure(task: BlockTask[SweepBlock, SweepState]) -> Found:
    from benchpipe.blocks.sweep.measure import sweep_block

    return sweep_block(task)


def _measures() -> tuple[Measure, ...]:
    from benchpipe.blocks.sweep.limits import MEASURES

    return MEASURES


def _view(block: SweepBlock, units: dict[str, str], manifest: Manifest, store: RunStore) -> BlockView:
    from benchpipe.blocks.sweep.view import sweep_view

    return sweep_view(block, units, manifest, store)


def _charts(task: ChartTask) -> BlockCharts:
    from benchpipe.blocks.sweep.charts import sweep_charts

    return sweep_charts(task)


SWEEP = BlockKind(
    name="sweep",
    config=SweepBlock,
    tables={
        "sweeps": SWEEPS,
        "incomplete_sweeps": INCOMPLETE_SWEEPS,
        "resistance": RESISTANCE,
        "resistance_points": RESISTANCE_POINTS,
    },
    measure=_measure,
    view=_view,
    state=_state,
    charts=_charts,
    measures=_measures,
    events=Events("sweeps", "sweep", "sweeps", length="period_s"),
    planned="planned_sweeps",
    fits=sampled,
)
