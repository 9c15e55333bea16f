"""Nights of a lab whose logs come late, in pieces, twice, and whose store, disk and share fail.

Each night is drawn from a seed. At the end all logs have come, and the tables must be those of one
clean pass over them.
"""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from random import Random
from typing import Any
from unittest import mock

import pyarrow as pa

from benchpipe.errors import InputError, StoreError
from benchpipe.pipeline import work
from benchpipe.run import RunConfig, load_run
from benchpipe.store.mending import QUARANTINE
from benchpipe.store.run_store import HISTORY, MANIFEST, RunStore
from tests.cli.commands import environment
from tests.soak.rigs import Rig, three_rigs
from tests.store.kept import tables

REPO = Path(__file__).resolve().parents[2]
DIES = [sys.executable, "-m", "tests.soak.dies"]


@dataclass
class Share:
    """What of a rig's logs has come to the share."""

    folder: Path
    rig: Rig
    late: dict[str, int] = field(default_factory=dict)  # log: night it comes
    copies: dict[str, str] = field(default_factory=dict)

    def come(self, night: int, draw: Random, said: Counter[str], *, last: bool = False) -> None:
        """Bring the logs that come tonight, some not whole."""
        newest = next(reversed(self.rig.logs))
        if not last and draw.random() < 0.06:
            self.late[newest] = night + draw.randrange(1, 6)
            said["late log"] += 1
        if draw.random() < 0.02:
            done = draw.choice(list(self.rig.logs))
            if done != newest:
                self.copies.setdefault(done.replace(".csv", " (2).csv"), done)
                said["copy of a log"] += 1
        wanted = {name: text for name, text in self.rig.logs.items() if last or self.late.get(name, 0) <= night}
        wanted |= {copy: self.rig.logs[name] for copy, name in self.copies.items() if name in self.rig.logs}
        for path in (self.folder / "logs").glob("*.csv"):
            if f"logs/{path.name}" not in self.rig.logs and f"logs/{path.name}" not in self.copies:
                path.unlink()  # renamed
        for name, text in wanted.items():
            data = text.encode()
            if name == newest and not last and draw.random() < 0.25:
                said["log still being written"] += 1
                data = data[: draw.randrange(max(1, len(data) - 9000), len(data))]
            self._write(self.folder / name, data, draw)
        if draw.random() < 0.02:
            (self.folder / "logs" / f"empty_{night}.csv").write_bytes(b"")
            self.rig.logs = {f"logs/empty_{night}.csv": ""} | self.rig.logs
            said["empty log"] += 1

    def _write(self, path: Path, data: bytes, draw: Random) -> None:
        before = path.read_bytes() if path.exists() else None
        if before is not None and before.startswith(data):
            return
        path.write_bytes(data)
        if draw.random() < 0.1:  # the clock of the rig, or of the share, was wrong
            at = draw.randrange(1, 3 * 10**18)
            os.utime(path, ns=(at, at))


@contextmanager
def failing_store(draw: Random) -> Iterator[None]:
    """A disk that fills up, or fails, at some write, fsync or rename."""
    code = draw.choice([errno.ENOSPC, errno.EDQUOT, errno.EIO, errno.EACCES, errno.EROFS, errno.ESTALE])
    left = draw.randrange(12)
    target, name = draw.choice([(os, "fsync"), (Path, "replace"), (Path, "mkdir"), (Path, "open")])
    plain: Callable[..., Any] = getattr(target, name)

    def call(*arguments: Any, **named: Any) -> Any:
        nonlocal left
        if name != "open" or "xb" in arguments:
            left -= 1
            if left < 0:
                raise OSError(code, os.strerror(code))
        return plain(*arguments, **named)

    with mock.patch.object(target, name, call):
        yield


@contextmanager
def failing_logs(folder: Path, draw: Random) -> Iterator[None]:
    """A share that is gone, or fails at some log."""
    if draw.random() < 0.4:
        (folder / "logs").rename(folder / "away")
        try:
            yield
        finally:
            (folder / "away").rename(folder / "logs")
        return
    code = draw.choice([errno.EIO, errno.ESTALE, errno.EACCES])
    left = draw.randrange(4)
    plain = Path.open

    def call(path: Path, mode: str = "r", *arguments: Any, **named: Any) -> Any:
        nonlocal left
        if path.parent.name == "logs":
            left -= 1
            if left < 0:
                raise OSError(code, os.strerror(code))
        return plain(path, mode, *arguments, **named)

    with mock.patch.object(Path, "open", call):
        yield


def spoil(store: RunStore, draw: Random) -> str:
    """Damage some file of a store; return how."""
    parts = sorted(p for p in store.folder.rglob("*.parquet") if QUARANTINE not in p.parts)
    kind = draw.choice(["flip", "rot", "cut", "delete", "manifest", "no manifest", "manifest and copy"])
    if not parts or not (store.folder / MANIFEST).exists():
        return "nothing to damage"
    if kind.endswith("manifest"):
        _change(store.folder / MANIFEST, "delete" if kind.startswith("no") else draw.choice(["flip", "cut"]), draw)
    elif kind == "manifest and copy":
        _change(store.folder / MANIFEST, "flip", draw)
        _change(max((store.folder / HISTORY).iterdir()), draw.choice(["flip", "cut", "delete"]), draw)
    else:
        _change(draw.choice(parts), kind, draw)
    return f"damage: {kind}"


def _change(path: Path, kind: str, draw: Random) -> None:
    stat, data = path.stat(), path.read_bytes()
    if kind == "delete":
        path.unlink()
    elif kind == "cut":
        path.write_bytes(data[: draw.randrange(len(data))])
    else:
        at = draw.randrange(len(data))
        path.write_bytes(data[:at] + bytes([data[at] ^ (1 << draw.randrange(8))]) + data[at + 1 :])
        if kind == "rot":
            os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))


class Year:
    """A lab of three rigs, and its nights. ``said`` counts what was done to it."""

    def __init__(self, folder: Path, seed: int) -> None:
        self.folder, self.draw, self.said = folder, Random(seed), Counter[str]()
        shutil.copytree(REPO / "configs", folder / "configs")
        self.shares = [Share(folder / "lab" / rig.name, rig) for rig in three_rigs()]
        for share in self.shares:
            (share.folder / "logs").mkdir(parents=True)
            for name, text in share.rig.files().items():
                (share.folder / name).write_text(text, encoding="utf-8")

    def run(self, share: Share, store: str = "store") -> RunConfig:
        """A run as the commands see it."""
        return load_run(share.folder / "plan.toml", self.folder / store)

    def night(self, number: int) -> None:
        """A day of the rigs, and the night after it."""
        for share in self.shares:
            share.rig.day(number, self.draw)
            share.come(number, self.draw, self.said)
            self._work(share, date(2031, 1, 1) + timedelta(days=number + self.draw.choice([0, 0, 0, -400, 400])))

    def _work(self, share: Share, today: date) -> None:
        run, draw = self.run(share), self.draw
        if not any((share.folder / "logs").iterdir()):
            self.said["nothing came yet"] += 1
            return
        what = draw.random()
        if what < 0.06:
            self.said["no night"] += 1
            return
        if what < 0.10:
            point = str(draw.randrange(60))
            done = subprocess.run(
                [*DIES, str(share.folder / "plan.toml"), str(run.store), point], env=environment(), check=False,
                capture_output=True, cwd=REPO,
            )  # fmt: skip
            self.said["killed" if done.returncode == 99 else "not killed in time"] += 1
            assert done.returncode in (99, 0), done.stderr.decode()
            return
        if what < 0.15:
            with failing_store(draw):
                self._fails("store failed", run, today, StoreError)
            return
        if what < 0.19:
            with failing_logs(share.folder, draw):
                self._fails("logs failed", run, today, InputError)
            return
        if what < 0.25:
            self.said[spoil(RunStore(run.store, run.name), draw)] += 1
        for _ in range(2 if what > 0.95 else 1):
            try:
                work(run, today=today)
            except StoreError as error:
                if "and the log it was made from" not in error.what:
                    raise
                self.said["waits for a log"] += 1  # damaged, and its log renamed: the new name has not come yet
                return
            self.said["night"] += 1

    def _fails(self, kind: str, run: RunConfig, today: date, error: type[Exception]) -> None:
        try:
            work(run, today=today)
            self.said[f"{kind}, not met"] += 1
        except error:
            self.said[kind] += 1

    def end(self, number: int) -> None:
        """All logs come; one more night, and all must be as one clean pass makes it."""
        today = date(2032, 6, 1)
        for share in self.shares:
            share.come(number, self.draw, Counter(), last=True)
            run, clean = self.run(share), self.run(share, "clean")
            work(run, today=today, verify=True)
            work(clean, today=today)
            same(RunStore(run.store, run.name), RunStore(clean.store, clean.name))
            self.said.update(share.rig.said)


def same(store: RunStore, clean: RunStore) -> None:
    """Hold all tables, the account and what is remarked of logs and blocks against those of a clean pass."""
    made, wanted = tables(store), tables(clean)
    assert made.keys() == wanted.keys(), f"{store.run}: {sorted(made)} and {sorted(wanted)}"
    for name, table in wanted.items():
        difference = first_difference(made[name], table)
        assert not difference, f"{store.run}: {name}: {difference}"
    accounts = store.manifest().account(), clean.manifest().account()
    assert accounts[0] == accounts[1], f"{store.run}: {accounts}"
    here, there = remarks(store), remarks(clean)
    unlike = [one for one in here if one not in there], [one for one in there if one not in here]
    assert here == there, f"{store.run}: {unlike}"


def first_difference(made: pa.Table, wanted: pa.Table) -> str:
    """Where two tables differ; empty if they are equal to the last bit."""
    if made.schema != wanted.schema:
        return f"schemas {made.schema} and {wanted.schema}"
    if made.num_rows == wanted.num_rows:
        unlike = [name for name in wanted.column_names if _bits(made.column(name)) != _bits(wanted.column(name))]
        if not unlike:
            return ""
        made, wanted = made.select(unlike), wanted.select(unlike)
    a, b = made.to_pylist(), wanted.to_pylist()
    at = next((k for k, (x, y) in enumerate(zip(a, b, strict=False)) if repr(x) != repr(y)), min(len(a), len(b)))
    return f"{len(a)} and {len(b)} rows, from row {at}:\n{a[at : at + 2]}\n{b[at : at + 2]}"


def _bits(column: pa.ChunkedArray) -> Any:
    """A column to the last bit: which values are there, and what they are."""
    if pa.types.is_floating(column.type):
        return column.is_valid().to_pylist(), column.fill_null(0.0).to_numpy().tobytes()
    return column.to_pylist()


def remarks(store: RunStore) -> list[tuple[str, str, int, str]]:
    """Everything remarked, but for what tells how it came to be."""
    manifest = store.manifest()
    found = [r for s in manifest.sources for r in s.remarks]
    found += [r for step in manifest.steps.values() for r in step.remarks]
    return sorted((r.code, r.where, r.count, r.text) for r in found if r.code not in ("damaged", "renamed"))
