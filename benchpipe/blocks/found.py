"""Result of the work on one block."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from benchpipe.store.manifest import Part, Remark


@dataclass
class Found:
    """Parts, remarks, and what the next night needs to know."""

    parts: list[Part] = field(default_factory=list)
    remarks: list[Remark] = field(default_factory=list)
    state: dict[str, Any] = field(default_factory=dict)
