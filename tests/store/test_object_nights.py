"""A night of the sample runs on an object store on loopback writes what it writes to a folder, to the last byte."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from benchpipe.cli.bugs import bug_report
from benchpipe.cli.main import call
from benchpipe.mirrors import HOME
from benchpipe.night.lab import work_lab
from benchpipe.store.open_storage import storage_of
from tests.conftest import copy_samples
from tests.store.loopback import s3_server
from tests.store.objects import credentials, files, objects, on_machine

pytest.importorskip("obstore", reason="the extra s3 is not installed")
NOW = datetime(2031, 6, 1, 2, 0, tzinfo=UTC)


@pytest.fixture
def on_s3(tmp_path: Path) -> Path:
    """The sample lab, without a store; its store is on an object store."""
    lab = copy_samples(tmp_path)
    text = lab.read_text("utf-8")
    assert text.count('store = "store"') == 1
    lab.write_text(text.replace('store = "store"', 'store = "s3://lab/bench"'), "utf-8")
    return lab


@pytest.fixture
def server(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    """A client of a server on loopback that the environment names."""
    pytest.importorskip("moto.server", reason="moto[server] is not installed")
    from benchpipe.store.object_client import open_client

    with s3_server() as endpoint:
        credentials(monkeypatch, endpoint)
        monkeypatch.setenv(HOME, str(tmp_path / "cache"))
        storage_of.cache_clear()
        yield open_client("s3://lab/bench")
        storage_of.cache_clear()


def same_as_folder(client: Any, sample_lab: Path) -> None:
    folder, there = files(sample_lab.parent / "store"), objects(client)
    assert set(there) == set(folder)
    assert [name for name in folder if folder[name] != there[name]] == []
    assert sum(name.endswith("manifest.json") for name in folder) == 3


def test_a_night_in_memory_is_that_of_a_folder(sample_lab: Path, on_s3: Path, tmp_path: Path) -> None:
    from obstore.store import MemoryStore

    memory = MemoryStore()
    with on_machine(tmp_path / "cache", memory):
        work_lab(on_s3, bug=bug_report, now=NOW)
    same_as_folder(memory, sample_lab)


def test_a_night_over_http_is_that_of_a_folder_and_all_commands_read_it(
    sample_lab: Path, on_s3: Path, server: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    assert call(["nightly", str(on_s3), "--brief"]) == 10
    same_as_folder(server, sample_lab)
    capsys.readouterr()
    shown = []
    for lab in (on_s3, sample_lab):
        call(["show", "healthy", "--lab", str(lab)])
        shown.append(capsys.readouterr().out)
    assert shown[0] == shown[1]
    monkeypatch.setenv(HOME, str(tmp_path / "another"))  # a machine that has nothing of it
    assert call(["verify", "--lab", str(on_s3)]) in (0, 11)
    capsys.readouterr()
    assert call(["show", "healthy", "--lab", str(on_s3)]) == 0
    assert capsys.readouterr().out == shown[0]


def test_doctor_tries_an_object_store(on_s3: Path, server: Any, capsys: pytest.CaptureFixture[str]) -> None:
    assert call(["doctor", str(on_s3), "--json"]) == 0
    found = {(row["topic"], row["state"]): row["text"] for row in json.loads(capsys.readouterr().out)["found"]}
    assert "keeps to conditions of a write" in found["store", "ok"] or "no other job" in found["store", "ok"]
    assert "MB/s there" in found["speed", "ok"]
    assert "s3%3A" not in "".join(found.values())
    assert objects(server) == {}


@pytest.mark.soak
@pytest.mark.parametrize("jobs", [2, 4, 8])
def test_any_number_of_workers_writes_the_same(sample_lab: Path, on_s3: Path, server: Any, jobs: int) -> None:
    assert call(["nightly", str(on_s3), "--brief", "--jobs", str(jobs)]) == 10
    same_as_folder(server, sample_lab)
    limits = on_s3.parents[1] / "configs" / "limits" / "drift.toml"
    limits.write_text(limits.read_text("utf-8").replace('value = "-15 %"', 'value = "-50 %"'), "utf-8")
    os.utime(limits, (1, 1))
    for log in on_s3.parent.glob("*/logs/*"):  # the logs alone look new: this process reads the manifests
        os.utime(log)
    storage_of.cache_clear()
    call(["nightly", str(on_s3), "--brief", "--jobs", str(jobs)])  # verdicts are made again, in other processes
    for run in ("healthy", "wearing", "creeping-lock"):  # of the parts that the other processes have committed
        named = json.loads(bytes(server.get(f".nights/verified/{run}.json").bytes()))["runs"][run]
        manifest = json.loads(bytes(server.get(f"{run}/manifest.json").bytes()))
        parts = [part["path"] for step in manifest["steps"].values() for part in step["parts"]]
        assert {f"part {path}" for path in parts} <= set(named)
