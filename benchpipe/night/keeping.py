"""Keep what the next night looks at: the view of a run as it is now, and all that it was made from."""

from __future__ import annotations

import time
from datetime import date
from pathlib import Path

from benchpipe.blocks.registry import KINDS, kind_of
from benchpipe.check.run import asks_for_calibration
from benchpipe.errors import BenchpipeError
from benchpipe.night.glance import MANIFEST, MadeFrom, RigNow, file_hash, glance_text, logs_seen, stats_below
from benchpipe.night.task import Task
from benchpipe.run import RunConfig
from benchpipe.store.manifest import Manifest
from benchpipe.verify.share import file_names
from benchpipe.views.kept_view import kept_text
from benchpipe.views.model import RunView

SETTLED_S = 2.0  # a config that was changed so shortly before may not be what was read of it


def kept_glance(
    task: Task, config: RunConfig, manifest: Manifest, view: RunView, rig: RigNow, *, settled: bool
) -> str:  # fmt: skip
    """The glance of a run that was worked on; empty where the next night has to look at it in full.

    That is so where a rule of the lab may yet drop its samples, a kind of test is of another package, its rig could
    not be looked at, or a log is not as it was taken.

    Parameters
    ----------
    view : RunView
        Without what depends on the hour.
    """
    waits = task.retention.drop_samples_after is not None and manifest.approved and not manifest.closed
    foreign = any(kind_of(block.kind) not in KINDS for block in config.plan.block)
    unknown = rig.facts is None and (rig.watched or rig.findings)
    if task.lab is None or waits or foreign or unknown:
        return ""
    taken = {source.file: [source.size, source.mtime_ns] for source in manifest.sources}
    try:
        logs, odd = logs_seen(config.folder, config.name, list(config.plan.logs))
        paths = (config.plan_path, config.rig_path, *(limits.file.path for limits in config.limits))
        if any(taken.get(name) != stat for name, stat in logs.items()) or any(map(_just_changed, paths)):
            return ""
        text = kept_text(view)
        made_from = MadeFrom(
            lab=str(task.lab.path), lab_sha256=task.lab.sha256,
            configs={str(path): file_hash(path) for path in paths},
            manifest=file_hash(config.store / config.name / MANIFEST),
            stored=stats_below(config.store / config.name), logs=logs, patterns=list(config.plan.logs), odd=odd,
            day=(task.today or date.today()).isoformat() if asks_for_calibration(config) else "",
        )  # fmt: skip
    except (OSError, BenchpipeError):
        return ""
    if text is None:
        return ""
    return glance_text(
        plan=task.plan, name=config.name, settled=settled, made_from=made_from, rig=rig, view_text=text,
        files=tuple(file_names(config.store / config.name, manifest)),
    )  # fmt: skip


def _just_changed(path: Path) -> bool:
    return path.stat().st_mtime > time.time() - SETTLED_S
