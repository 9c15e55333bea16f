"""The judged figures of a state as a file: what a record carries, and what its verification makes again to compare."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from typing import Any

VERSION = 1


def figures_file(run: str, state: int, verdicts: Iterable[Mapping[str, Any]], budgets: Iterable[Mapping[str, Any]]) -> (
    bytes
):  # fmt: skip
    """Rows of the verdicts table and of its budgets as JSON, in their order. A value that is not known has no key, so
    that a column which a later version adds changes nothing."""
    document = {
        "version": VERSION,
        "run": run,
        "state": state,
        "verdicts": [_known(row) for row in verdicts],
        "budgets": [_known(row) for row in budgets],
    }
    return json.dumps(document, indent=1, sort_keys=True, allow_nan=False).encode()


def _known(row: Mapping[str, Any]) -> dict[str, Any]:
    return {
        name: value
        for name, value in row.items()
        if value is not None and not (isinstance(value, float) and not math.isfinite(value))
    }
