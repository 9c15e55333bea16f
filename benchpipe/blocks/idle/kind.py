"""Rows that are stored and not judged, as a kind of block."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchpipe.blocks.base import BlockKind
from benchpipe.blocks.idle.plan import IdleBlock

if TYPE_CHECKING:
    from benchpipe.blocks.block import BlockTask, Found
    from benchpipe.blocks.figures import BlockView
    from benchpipe.blocks.state import BlockState
    from benchpipe.store.manifest import Manifest
    from benchpipe.store.run_store import RunStore


def _measure(task: BlockTask[IdleBlock, BlockState]) -> Found:
    from benchpipe.blocks.block import Found

    return Found()


def _view(block: IdleBlock, units: dict[str, str], manifest: Manifest, store: RunStore) -> BlockView:
    from benchpipe.blocks.figures import BlockView

    return BlockView(block.name, block.kind, 0, None, ())


IDLE = BlockKind(name="idle", config=IdleBlock, tables={}, measure=_measure, view=_view)
