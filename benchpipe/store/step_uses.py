"""Seconds and memory that the steps of each run used when they last had work. For display only; no table."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

from benchpipe.store.notes import NIGHTS
from benchpipe.store.open_storage import keep_file

STEP_USES = f"{NIGHTS}/steps.json"
Uses = tuple[tuple[str, float, float], ...]


def read_step_uses(store: Path) -> dict[str, Uses]:
    """By run: step, seconds, peak memory [MB]. A file that cannot be read counts as empty, and is written again."""
    try:
        document = json.loads((store / STEP_USES).read_bytes())
        return {
            str(run): tuple((str(step), float(seconds), float(peak)) for step, seconds, peak in rows)
            for run, rows in document.items()
        }
    except (OSError, ValueError, TypeError, AttributeError):
        return {}


def write_step_uses(store: Path, uses: Mapping[str, Uses]) -> None:
    """Keep them."""
    keep_file(store / STEP_USES, json.dumps(uses, indent=1, sort_keys=True).encode())
