"""What is odd about a block's cycles, in sentences."""

from __future__ import annotations

import numpy as np
import pyarrow as pa

from benchpipe.store.manifest import Remark
from benchpipe.tables import FLAG_MEANING


def cycle_remarks(block: str, cycles: pa.Table) -> list[Remark]:
    """One remark for each flag that some cycles carry."""
    flags = np.array(cycles.column("flags"))
    remarks = []
    for flag, meaning in FLAG_MEANING.items():
        count = int(((flags & int(flag)) != 0).sum())
        if count:
            name = (flag.name or "").lower().replace("_", " ")
            text = f"{count:,} cycle(s) {name}: {meaning}"
            remarks.append(Remark(step="process", code=name.replace(" ", "-"), where=block, count=count, text=text))
    return remarks
