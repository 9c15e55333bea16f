"""What the shell is given when a run or a table is completed: nothing heavy is imported for it."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import typer

LAB_FILE = "lab.toml"
# Held by a test to be those of benchpipe.tables, whose import takes longer than a person waits for a key.
TABLES = (
    "samples", "rejects", "cycles", "loops", "holds", "creep_points", "relaxations", "relaxation_points", "sweeps",
    "incomplete_sweeps", "resistance", "resistance_points", "stances", "rolls", "roll_points", "proofs", "lock_changes",
    "trends", "drift_trends", "drift_bins", "events", "phases", "forecasts", "kept_loops", "verdicts", "budgets",
    "origins", "remarks", "landmarks", "early_rows",
)  # fmt: skip


def complete_runs(ctx: typer.Context, incomplete: str) -> list[str]:
    """Names of the runs of the lab that ``--lab`` named before, else of the one that is found from here; none where it
    or a plan cannot be read.
    """
    here, named = Path.cwd(), ctx.params.get("lab")
    lab = None if named is None else Path(named)
    if lab is None:
        lab = next((folder / LAB_FILE for folder in (here, *here.parents) if (folder / LAB_FILE).is_file()), None)
    if lab is None:
        return []
    lab = lab / LAB_FILE if lab.is_dir() else lab
    plans = _read(lab).get("plans", [])
    names = [_read(lab.parent / plan).get("name") for plan in plans if isinstance(plan, str)]
    return [name for name in names if isinstance(name, str) and name.startswith(incomplete) and name.isprintable()]


def complete_tables(incomplete: str) -> list[str]:
    """Names of tables."""
    return [name for name in TABLES if name.startswith(incomplete)]


def _read(path: Path) -> dict[str, Any]:
    try:
        with path.open("rb") as file:
            return tomllib.load(file)
    except (OSError, ValueError):
        return {}
