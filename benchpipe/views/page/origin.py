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
    software = FigureTable((Axis("software, steps and manifest"), Axis("version or hash")), (
        *made, *steps, ("state of the run", f"{manifest.sequence}"), ("seal of its manifest", manifest.seal),
        ("SHA-256 of the manifest before", manifest.previous or "none"),
    ))  # fmt: skip
    return (
        Facts("logs", logs, "The rows of a log behind a figure: benchpipe trace RUN BLOCK --cycle N"),
        Facts("configuration", configs),
        Facts("software and keys", software),
        Facts("sign-offs", _signed(manifest), " ".join(_signed_words(manifest))),
    )


def _signed(manifest: Manifest) -> FigureTable:
    """What 21 CFR 11.50 (a) has a signed document show: printed name, date and time, meaning; and why."""
    head = ("who", "role", "when", "meaning", "verdict", "reason", "deviation", "state", "ledger entry")
    rows = tuple(
        (one.who, one.role, one.when, one.meaning, one.verdict, one.note, one.deviation, one.sequence,
         one.entry if one.entry is not None else "unsigned by key")
        for one in manifest.signed
    )  # fmt: skip
    return FigureTable(tuple(map(Axis, head)), rows)


def _signed_words(manifest: Manifest) -> Iterator[str]:
    """Whether it is signed, and the head of the ledger, as ``verify`` takes it."""
    if not manifest.signed:
        yield "Not signed."
    if manifest.ledger is None:
        yield "The store has no ledger: no key has signed in it."
    else:
        head = f"{manifest.ledger.entries}:{manifest.ledger.sha256}"
        yield f"Head of the ledger: {head}. Compare it: benchpipe verify RUN --head {head}"


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
