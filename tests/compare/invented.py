"""Invented readings and studies, and copies of a worked-through run under other names."""

from __future__ import annotations

import json
import math
import shutil
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from benchpipe.compare.result import RunReading
from benchpipe.compare.study import StudyConfig
from benchpipe.store.run_store import MANIFEST, RunStore

PLAIN = RunReading(
    run="", variant="", specimen="", rig="Rig One", day="", operator="", order=None, bumper_set="", value=math.nan,
    unit="N*m/deg", own_u=0.0, shared_u=0.0, first=1, last=100, n_used=100, load_range=75.0, motion_range=10.0,
    state="finished", note="",
)  # fmt: skip


def reading(variant: str, specimen: str, value: float, **more: Any) -> RunReading:
    """One reading, its run named after variant and specimen."""
    named = {"run": f"{variant}-{specimen}", "variant": variant, "specimen": specimen, "value": value}
    return replace(PLAIN, **(named | more))


def readings(values: dict[str, Iterable[float]], *, paired: bool = False, **more: Any) -> list[RunReading]:
    """Readings of each variant, their specimens shared between variants where ``paired``."""
    return [
        reading(variant, str(i) if paired else f"{variant}{i}", value, **more)
        for variant, some in values.items()
        for i, value in enumerate(some)
    ]


def study(variants: Iterable[str], **more: Any) -> StudyConfig:
    """A study of one measure; its runs are only named."""
    names = list(variants)
    plain: dict[str, Any] = {
        "name": "invented", "variants": names, "reference": names[0],
        "family": "single" if len(names) == 2 else "dunnett",
        "measure": [{"name": "secant_stiffness", "block": "durability"}],
        "run": [{"plan": "p.toml", "variant": name, "specimen": "s"} for name in names],
    }  # fmt: skip
    return StudyConfig.model_validate(plain | more)


def cloned(lab: Path, source: str, name: str, stiffness: float = 1.0) -> Path:
    """A copy of a worked-through run of a lab under another name, its stiffness times a factor; returns its plan."""
    folder = lab.parent / name
    shutil.copytree(lab.parent / source, folder, ignore=shutil.ignore_patterns("logs", "truth"))
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    plan.write_text(text.replace(f'name = "{source}"', f'name = "{name}"', 1), encoding="utf-8")
    store = lab.parent / "store"
    shutil.copytree(store / source, store / name, ignore=shutil.ignore_patterns("samples", "history", MANIFEST))
    manifest = RunStore(store, source).manifest().model_copy(update={"run": name})
    copy = RunStore(store, name)
    step, parts = manifest.steps["process"], []
    state = json.dumps(step.state)
    for part in manifest.table("cycles"):
        rows = copy.read_parts([part], "cycles")
        at = rows.column_names.index("secant_stiffness")
        scaled = pc.multiply(rows.column(at), pa.scalar(stiffness, pa.float32()))
        rows = rows.set_column(at, rows.schema.field(at), scaled)
        parts.append(copy.write("cycles", rows, name + part.sha256[:8]))
        state = state.replace(part.path, parts[-1].path)
    kept = tuple(part for part in step.parts if part.table != "cycles")
    step = step.model_copy(update={"parts": (*kept, *parts), "state": json.loads(state)})
    copy.commit(manifest.model_copy(update={"steps": {**manifest.steps, "process": step}}))
    return plan
