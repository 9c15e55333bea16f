"""Explain one verdict: rule, limit, value, values used and left out, the budget of its uncertainty, and its origin."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from benchpipe.check.signing import standing
from benchpipe.errors import ConfigError, nearest
from benchpipe.run import RunConfig
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore
from benchpipe.views.origin import origin_of
from benchpipe.views.raw_rows import RawRows, raw_rows
from benchpipe.views.trace import LogState, log_states, logs_after, traced

MOST_ROWS = 200  # of one log, in an explanation


def explained(
    run: RunConfig, store: RunStore, manifest: Manifest, block: str, limit: str, limits_file: Path | None = None
) -> dict[str, Any]:
    """A row of the verdicts table with the rows of its budget, and where its figure comes from (``origin``).

    Parameters
    ----------
    block, limit : str
        As they stand in the verdicts.
    limits_file : Path, optional
        The limit file, or its name as verdicts give it, where two have a limit of that name.

    Raises
    ------
    ConfigError
        The run was not judged, there is no such verdict, or more than one.
    """
    if "check" not in manifest.steps:
        raise ConfigError(f"run '{run.name}' was not judged yet", do_next="judge it first: benchpipe nightly LAB")
    rows = store.read(manifest, "verdicts").to_pylist()
    here = [row for row in rows if row["block"] == block]
    if not here:
        known = list(dict.fromkeys(row["block"] for row in rows))
        raise ConfigError(f"no limit was judged on a block '{block}'", expected=nearest(block, known))
    found = [row for row in here if row["limit"] == limit]
    if not found:
        known = [row["limit"] for row in here]
        raise ConfigError(f"block '{block}' has no limit '{limit}'", expected=nearest(limit, known))
    found = _of_file(found, run, limits_file)
    if len(found) != 1:
        files = {s.config.name: s.file.path for s in run.limits}
        choices = [f"{files.get(row['limits_file'], row['limits_file'])} ({_asks(row)})" for row in found]
        raise ConfigError(
            f"{len(found) or 'no'} limits '{limit}' of block '{block}' fit", expected="; ".join(choices) or None,
            do_next="name one limit file of the plan: --limits FILE",
        )  # fmt: skip
    (row,) = found
    of = ("limits_file", "limit", "block")
    budget = [b for b in store.read(manifest, "budgets").to_pylist() if all(b[k] == row[k] for k in of)]
    signed = standing(store, manifest)
    origin = origin_of(run, store, manifest, row)
    return {"run": run.name, **row, "budget": budget, "signed": signed.who if signed else "", "origin": origin}


def _of_file(rows: list[dict[str, Any]], run: RunConfig, limits_file: Path | None) -> list[dict[str, Any]]:
    """Rows of one limit file, by its path or its name."""
    if limits_file is None:
        return rows
    names = {s.config.name for s in run.limits if s.file.path.resolve() == limits_file.resolve()}
    return [row for row in rows if row["limits_file"] in (names or {str(limits_file)})]


def _asks(row: dict[str, Any]) -> str:
    """What a limit asks for, in short."""
    unit, scale = ("%", 100.0) if row["unit"] == "1" else (row["unit"], 1.0)
    return f"{row['operator']} {scale * row['value']:.6g} {unit}, {row['verdict']}"


def rows_behind(
    run: RunConfig, store: RunStore, manifest: Manifest, found: dict[str, Any]
) -> tuple[str, tuple[RawRows, ...], dict[str, LogState]]:
    """Raw rows behind an explained figure, and whether their logs are as they were taken.

    They are of the cycle, hold or sweep that an extreme value is of, else of the last one that was used.

    Returns
    -------
    called : str
        Of what they are, such as ``cycle 1,180``; empty where the figure is of no such thing.
    rows : tuple of RawRows
        For each log; at most :data:`MOST_ROWS` of each.
    states : dict of LogState
        By log.
    """
    what = found["origin"]["what"]
    named = re.fullmatch(r"(after )?[a-z ]+ ([\d,]+)", found["at"] or "")
    number = int(named[2].replace(",", "")) if named else found["last"]
    if not what or number is None:
        return "", (), {}
    called = f"{what.replace('_', ' ')} {number:,}"
    if named and named[1]:  # an incomplete one has no number of its own
        called, logs = f"after {called}", logs_after(run, store, manifest, found["block"], what, number)
    else:
        logs = traced(run, store, manifest, found["block"], what, number).logs
    rows = tuple(raw_rows(run, store, manifest, one, MOST_ROWS) for one in logs)
    return called, rows, log_states(run, manifest, logs)
