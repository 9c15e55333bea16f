"""Result of the work on one block."""

from __future__ import annotations

from dataclasses import dataclass, field

from benchpipe.blocks.state import BlockState
from benchpipe.store.manifest import Part, Remark


@dataclass
class Found:
    """Parts, remarks, and what the next night needs to know (of the model that the kind declares)."""

    parts: list[Part] = field(default_factory=list)
    remarks: list[Remark] = field(default_factory=list)
    state: BlockState = field(default_factory=BlockState)
