"""Where a judged figure comes from: formula, settings as used, samples, and rows of logs."""

from __future__ import annotations

import tomllib
from dataclasses import asdict
from typing import Any

from benchpipe.blocks.registry import kind_of
from benchpipe.check.measures import measures_of
from benchpipe.errors import ConfigError, DamageError
from benchpipe.run import RunConfig
from benchpipe.store.configuration import Frozen, files_of_state, read_file
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore
from benchpipe.views.settings import settings_differ
from benchpipe.views.trace import traced

FORMULAS = {
    "median": "median of {m} over {things}", "mean": "mean of {m} over {things}", "max": "largest {m} of {things}",
    "min": "smallest {m} of {things}", "last": "{m} of the last of {things}", "count": "count: {m}",
    "share": "share of {things} counted by {m}",
    "change": "median of {m} over {things}, divided by its median over the baseline, less 1",
}  # fmt: skip
ALL = (1, 2**62)
NOT_SHOWN = ("name", "block", "measure", "source", "verified_by", "value", "values", "operator", "statistic")


def origin_of(run: RunConfig, store: RunStore, manifest: Manifest, row: dict[str, Any]) -> dict[str, Any]:
    """Origin of a row of the verdicts table.

    Returns
    -------
    dict
        ``what`` (``cycle``, ``hold`` ...; empty for a figure of the run as a whole), ``formula``, ``measured_as`` (what
        the measure is, its columns and table), ``corrected`` (whether temperature was taken out), ``settings``,
        ``figure`` and ``baseline`` (events, samples, times, logs with rows and SHA-256; None where there are none).
    """
    block = next((one for one in run.plan.block if one.name == row["block"]), None)
    events = kind_of(block.kind).events if block is not None else None
    measure = measures_of(run)[row["measure"]]
    things = events.plural if events is not None else "the run"
    plain = {"m": row["measure"], "things": things}
    formula = FORMULAS.get(row["statistic"], row["statistic"] + " of {m}").format(**plain)
    if row["correction"] is not None:
        formula += "; temperature taken out"
    found: dict[str, Any] = {
        "what": events.number if events is not None else "",
        "formula": formula,
        "measured_as": {"meaning": measure.meaning, "columns": list(measure.columns), "table": measure.table},
        "settings": _settings(run, store, manifest, row),
        "figure": None,
        "baseline": None,
        "logs_of_run": [{"file": s.file, "sha256": s.sha256} for s in manifest.sources] if events is None else [],
    }
    if events is None or (row["first"] is None and row["measured"] is None):
        return found
    ends = ALL if row["first"] is None or row["last"] is None else (row["first"], row["last"])  # a count is of all
    found["figure"] = _behind(run, store, manifest, row["block"], events.number, ends)
    window = getattr(block, "baseline", None) if row["statistic"] == "change" else None
    if window is not None:
        found["baseline"] = _behind(run, store, manifest, row["block"], events.number, (window[0], window[1]))
    return found


def _behind(
    run: RunConfig, store: RunStore, manifest: Manifest, block: str, what: str, ends: tuple[int, int]
) -> dict[str, Any] | None:
    """Events from one number to another: how many, their samples, and the rows of the logs."""
    try:
        found = traced(run, store, manifest, block, what, ends)
    except ConfigError:  # none has a number: incomplete cycles alone
        return None
    return {
        "first": found.first, "last": found.last, "events": found.count, "samples": found.samples,
        "first_us": found.first_us, "last_us": found.last_us, "logs": [asdict(one) for one in found.logs],
    }  # fmt: skip


def _settings(run: RunConfig, store: RunStore, manifest: Manifest, row: dict[str, Any]) -> dict[str, Any]:
    """Settings that a verdict was made with, as the store keeps them: files, and the tables of its limit and block."""
    try:
        files = files_of_state(store.folder, manifest)
        kept = [(one, read_file(store.folder, one)) for one in files if one.role in ("plan", "rig", "limits")]
    except DamageError as error:
        return {"files": [], "limit": {}, "limit_file": "", "block": {}, "note": error.what}
    limit_file, limit = _limit(kept, row)
    note = settings_differ(run, manifest, store)
    if not files:
        note = "not kept: an older version made this state"
    return {
        "files": [asdict(one) for one in files], "limit": limit, "limit_file": limit_file,
        "block": _block(kept, row), "note": note,
    }  # fmt: skip


def _limit(kept: list[tuple[Frozen, bytes]], row: dict[str, Any]) -> tuple[str, dict[str, Any]]:
    for one, data in kept:
        values = tomllib.loads(data.decode("utf-8-sig")) if one.role == "limits" else {}
        if values.get("name") == row["limits_file"]:
            limits = [limit for limit in values.get("limit", ()) if limit.get("name") == row["limit"]]
            return one.name, _plain(limits[0]) if limits else {}
    return "", {}


def _block(kept: list[tuple[Frozen, bytes]], row: dict[str, Any]) -> dict[str, Any]:
    plans = [tomllib.loads(data.decode("utf-8-sig")) for one, data in kept if one.role == "plan"]
    blocks = [block for plan in plans for block in plan.get("block", ()) if block.get("name") == row["block"]]
    return _plain(blocks[0]) if blocks else {}


def _plain(value: Any) -> Any:
    """TOML values as JSON holds them: dates as text."""
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    if isinstance(value, list):
        return [_plain(one) for one in value]
    return value if isinstance(value, str | bool | int | float) else str(value)
