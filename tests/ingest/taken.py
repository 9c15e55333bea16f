"""A small run on disk whose logs a test writes, and all that was taken of them."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa

from benchpipe.run import RunConfig, load_run
from benchpipe.samples.inputs import sample_inputs
from benchpipe.samples.stream import stream_samples
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore
from tests.steps_done import ingest_run

RIG = """
name = "rig"
[log]
{log}
[time]
{time}
sample_rate = "100 Hz"
[[channel]]
name = "force"
column = "F"
unit = "N"
{force}
[[channel]]
name = "stroke"
column = "x"
unit = "mm"
[load]
channel = "force"
[motion]
channel = "stroke"
"""
PLAN = """
name = "run"
specimen = "invented"
rig = "rig.toml"
logs = {logs}
[[block]]
name = "main"
kind = "cyclic"
frequency = "1 Hz"
load_min = "5 N"
load_max = "80 N"
{blocks}
"""
HEAD = "t,F,x\n"
DATED = 'column = "t"\nkind = "datetime"\nformat = "%Y-%m-%d %H:%M:%S.%f"'


@dataclass(frozen=True)
class Taken:
    """All of a run's samples, rejects and remarks."""

    manifest: Manifest
    read: tuple[str, ...]
    samples: list[tuple[Any, ...]]
    rejects: list[dict[str, Any]]
    codes: dict[str, int]
    texts: str


class Run:
    """A run in a folder. ``take`` ingests it and holds the account to add up."""

    def __init__(
        self, folder: Path, *, log: str = "", time: str = 'column = "t"', force: str = "", logs: str = '["logs/*"]',
        blocks: str = "",
    ) -> None:  # fmt: skip
        self.folder = folder
        (folder / "logs").mkdir(parents=True, exist_ok=True)
        (folder / "rig.toml").write_text(RIG.format(log=log, time=time, force=force), "utf-8")
        (folder / "plan.toml").write_text(PLAN.format(logs=logs, blocks=blocks), "utf-8")

    def write(self, name: str, text: str | bytes) -> Path:
        """Write a log."""
        path = self.folder / "logs" / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    @property
    def config(self) -> RunConfig:
        """The run as the commands see it."""
        return load_run(self.folder / "plan.toml", store=self.folder / "store")

    def take(self, *, again: bool = False) -> Taken:
        """Ingest, and read everything back."""
        run = self.config
        store = RunStore(run.store, run.name)
        result = ingest_run(run, store, again=again)
        manifest = result.manifest
        samples = [
            (int(t), batch.file.rpartition("/")[2], int(row), float(force), float(stroke))
            for batch in stream_samples(store.folder, sample_inputs(manifest), ["row", "force", "stroke"])
            for t, row, force, stroke in zip(
                batch.time_us, batch.columns["row"], batch.columns["force"], batch.columns["stroke"], strict=True
            )
        ]
        rejects: pa.Table = store.read(manifest, "rejects")
        remarks = [r for s in manifest.sources for r in s.remarks] + list(manifest.steps["ingest"].remarks)
        account = manifest.account()
        assert account.rows == account.samples + account.rejects + account.repeats
        assert account.samples == len(samples)
        assert account.rejects == sum(rejects.column("rows").to_pylist())
        assert manifest.steps["ingest"].state["account"] == account._asdict()
        assert all(a[0] < b[0] for a, b in itertools.pairwise(samples))
        codes = {r.code: r.count for r in remarks}
        return Taken(manifest, result.read, samples, rejects.to_pylist(), codes, "\n".join(r.text for r in remarks))


def rows(first: int, last: int, *, step: float = 0.01, shift: float = 0.0) -> str:
    """Rows ``first … last - 1`` at 100 Hz, whose content tells them apart."""
    return "".join(f"{k * step + shift:.2f},{k * 3 % 997},{k * 7 % 991}\n" for k in range(first, last))


def dated(first: str, count: int, content: int = 0) -> str:
    """Rows at 100 Hz from a second on."""
    lines = []
    hour, minute, second = map(int, first[11:].split(":"))
    for k in range(count):
        whole = hour * 3600 + minute * 60 + second + k // 100
        clock = f"{whole // 3600:02}:{whole // 60 % 60:02}:{whole % 60:02}.{k % 100:02}0"
        lines.append(f"{first[:10]} {clock},{content + k},{k % 50}\n")
    return "".join(lines)
