"""Static load, hold, permanent set, as a kind of block."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchpipe.blocks.base import BlockKind, Events
from benchpipe.blocks.proof.plan import ProofBlock
from benchpipe.blocks.proof.tables import PROOFS

if TYPE_CHECKING:
    from benchpipe.blocks.block import BlockTask, Found
    from benchpipe.blocks.charts import BlockCharts, ChartTask
    from benchpipe.blocks.figures import BlockView
    from benchpipe.blocks.measures import Measure
    from benchpipe.blocks.state import BlockState
    from benchpipe.store.manifest import Manifest
    from benchpipe.store.run_store import RunStore


def _measure(task: BlockTask[ProofBlock, BlockState]) -> Found:
    from benchpipe.blocks.proof.measure import proof_block

    return proof_block(task)


def _measures() -> tuple[Measure, ...]:
    from benchpipe.blocks.proof.limits import MEASURES

    return MEASURES


def _view(block: ProofBlock, units: dict[str, str], manifest: Manifest, store: RunStore) -> BlockView:
    from benchpipe.blocks.proof.view import proof_view

    return proof_view(block, units, manifest, store)


def _charts(task: ChartTask) -> BlockCharts:
    from benchpipe.blocks.proof.charts import proof_charts

    return proof_charts(task)


PROOF = BlockKind(
    name="proof",
    config=ProofBlock,
    tables={"proofs": PROOFS},
    measure=_measure,
    view=_view,
    charts=_charts,
    measures=_measures,
    events=Events("proofs", "proof", "proofs"),
    planned="planned_proofs",
    after_pauses=True,
)
