"""Where the figures of a page come from: logs, configuration, software, sign-offs, the rig, rows left out."""

from __future__ import annotations

import platform
from collections.abc import Iterator
from importlib.metadata import version
from pathlib import Path
from typing import Any

from benchpipe.blocks.charts import Axis, FigureTable
from benchpipe.run import RunConfig
from benchpipe.store.files import sha256_of
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore
from benchpipe.views.model import RunView
from benchpipe.views.page.model import Facts

LIBRARIES = ("numpy", "scipy", "pyarrow", "numba")


def origin_facts(run: RunConfig, manifest: Manifest) -> tuple[Facts, ...]:
    """Logs, configuration, software and sign-offs of a run."""
    logs = FigureTable(
        (Axis("log"), Axis("rows"), Axis("samples"), Axis("rejected"), Axis("SHA-256")),
        tuple((s.file, s.rows, s.samples, s.rejects, s.sha256) for s in manifest.sources),
    )
    files = [("plan", run.plan_path), ("rig", run.rig_path), *(("limits", one.file.path) for one in run.limits)]
    configs = FigureTable(
        (Axis("file"), Axis("is"), Axis("SHA-256 today")),
        tuple((path.name, what, _hash(path)) for what, path in files),
    )
    made = [("benchpipe", manifest.code), ("Python", platform.python_version())]
    made += [(name, version(name)) for name in LIBRARIES]
    steps = [(f"key of {name}", step.key) for name, step in manifest.steps.items()]
    software = FigureTable((Axis("software, steps and ledger"), Axis("version or hash")), (
        *made, *steps, ("ledger: manifest", f"{manifest.sequence}"), ("ledger: its seal", manifest.seal),
        ("ledger: hash of the one before", manifest.previous or "none"),
    ))  # fmt: skip
    signed = FigureTable(
        (Axis("who"), Axis("when"), Axis("verdict"), Axis("note"), Axis("manifest")),
        tuple((one.who, one.when, one.verdict, one.note, one.sequence) for one in manifest.signed),
    )
    return (
        Facts("logs", logs, "The rows of a log behind a figure: benchpipe trace RUN BLOCK --cycle N"),
        Facts("configuration", configs),
        Facts("software, keys and ledger", software),
        Facts("sign-offs", signed, "" if manifest.signed else "Not signed."),
    )


def rig_facts(run: RunConfig, view: RunView) -> tuple[Facts, ...]:
    """Channels of the rig and their calibration, and what is not well with it."""
    channels = FigureTable(
        (Axis("channel"), Axis("unit"), Axis("certificate"), Axis("valid until"), Axis("expanded uncertainty")),
        tuple(
            (c.name, c.unit, c.certificate, str(c.due) if c.due else None,
             f"{100.0 * c.uncertainty:g} %" if c.uncertainty is not None else None)
            for c in run.rig.channel
        ),
    )  # fmt: skip
    health = FigureTable(
        (Axis("what"), Axis("where"), Axis("text"), Axis("what to do")),
        tuple((one.code, one.where, one.text, one.do_next) for one in view.health),
    )
    well = "Nothing is wrong with it." if view.watched else "The rig is not watched: the lab file does not name it."
    if not view.running:
        well = "The run has ended: its rig is not watched."
    return Facts("health", health, "" if view.health else well), Facts("channels and calibration", channels)


def left_out_facts(view: RunView, manifest: Manifest, store: RunStore) -> Iterator[Facts]:
    """Rejected rows by reason with the first of each, and all remarks."""
    rejects = store.read(manifest, "rejects").to_pylist()
    first: dict[str, dict[str, Any]] = {}
    for row in rejects:
        first.setdefault(row["reason"], row)
    reasons = FigureTable(
        (Axis("rows"), Axis("reason"), Axis("first in"), Axis("row"), Axis("text")),
        tuple((count, why, first[why]["file"], first[why]["row"], first[why]["text"]) for why, count in view.reasons),
    )
    account = f"{view.rows:,} rows = {view.samples:,} samples + {view.rejects:,} rejected + {view.repeats:,} repeated."
    yield Facts("rejected rows", reasons, f"{account} All of them: benchpipe export RUN rejects")
    remarks = FigureTable(
        (Axis("where"), Axis("kind"), Axis("count"), Axis("text")),
        tuple((r.where, r.code, r.count, r.text) for r in view.remarks),
    )
    yield Facts("remarks", remarks, "" if view.remarks else "No remark.")


def _hash(path: Path) -> str:
    try:
        return sha256_of(path)
    except OSError:
        return "cannot be read"
