"""Rows as a table: nulls where a figure is not known."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa

from benchpipe.config.rig import RigConfig
from benchpipe.samples.signals import signal_units
from benchpipe.tables import schema


def rows_table(table: str, rows: list[dict[str, Any]], rig: RigConfig) -> pa.Table:
    """Rows → Arrow; NaN becomes null."""
    plain = [{k: None if isinstance(v, float) and not np.isfinite(v) else v for k, v in r.items()} for r in rows]
    return pa.Table.from_pylist(plain, schema=schema(table, signal_units(rig)))
