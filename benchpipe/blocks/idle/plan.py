"""The plan's section of an idle block."""

from __future__ import annotations

from typing import Literal

from benchpipe.config.block import BlockConfig


class IdleBlock(BlockConfig):
    """Rows that are stored and not judged."""

    kind: Literal["idle"]
