"""The JSON document of one or more runs: versioned, for other programs.

``version`` rises when a field changes its meaning or goes; new fields may come
without. Numbers are in the units that stand beside them; null is "not measured".
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from typing import Any

from benchpipe import __version__
from benchpipe.errors import ExitCode
from benchpipe.report.caution import CAUTION
from benchpipe.report.view import RunView

VERSION = 1


def document(views: list[RunView], exit_code: ExitCode) -> dict[str, Any]:
    """All of a set of runs as plain values."""
    return {
        "document": "benchpipe runs",
        "version": VERSION,
        "code": __version__,
        "exit_code": int(exit_code),
        "caution": CAUTION,
        "runs": [_plain(_run(view)) for view in views],
    }


def to_json(views: list[RunView], exit_code: ExitCode) -> str:
    """The document as text."""
    return json.dumps(document(views, exit_code), indent=1, ensure_ascii=False, allow_nan=False)


def _run(view: RunView) -> dict[str, Any]:
    fields = asdict(view)
    fields["remarks"] = [r.model_dump() for r in view.remarks]
    fields["reasons"] = [{"reason": reason, "rows": rows} for reason, rows in view.reasons]
    return fields


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(v) for key, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
