"""A run's folder appears whole or not at all, and nothing is ever overwritten."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from simulated import hashes, scenario

from benchpipe.errors import ConfigError
from benchpipe.simulate import simulate
from benchpipe.simulate.writer import LogWriter

REPO = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize("kind", ["run", "empty folder", "file", "dangling link"])
def test_what_is_there_is_never_overwritten(tmp_path: Path, kind: str) -> None:
    folder = tmp_path / "run"
    if kind == "run":
        simulate(scenario(), folder)
    elif kind == "empty folder":  # someone may stand in it
        folder.mkdir()
    elif kind == "file":
        folder.write_text("a log")
    else:
        folder.symlink_to(tmp_path / "nowhere")
    before = hashes(tmp_path)
    with pytest.raises(ConfigError, match="never overwritten") as caught:
        simulate(scenario(seed=99), folder)
    assert caught.value.do_next is not None
    assert hashes(tmp_path) == before
    assert list(tmp_path.iterdir()) == [folder]


def test_a_folder_that_appears_meanwhile_is_kept(tmp_path: Path) -> None:
    note = tmp_path / "run" / "note.txt"

    def put(rows: int, total: int) -> None:
        note.parent.mkdir(exist_ok=True)
        note.write_text("mine")

    with pytest.raises(OSError, match="not empty"):
        simulate(scenario(), tmp_path / "run", progress=put)
    assert [path.relative_to(tmp_path).as_posix() for path in tmp_path.rglob("*")] == ["run", "run/note.txt"]


def test_a_folder_that_cannot_be_made_is_told_by_the_name_given(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("a log")
    with pytest.raises(ConfigError, match="cannot be made") as caught:
        simulate(scenario(), tmp_path / "file" / "run")
    assert caught.value.where == str(tmp_path / "file" / "run")


def test_an_interrupted_run_leaves_nothing(tmp_path: Path) -> None:
    def stop(rows: int, total: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        simulate(scenario(), tmp_path / "new" / "run", progress=stop)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("log", [{"gzip": True}, {"format": "parquet"}])
def test_a_full_disk_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, log: dict[str, Any]) -> None:
    write = LogWriter.write

    def full(self: LogWriter, parts: Any) -> None:
        write(self, parts)
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(LogWriter, "write", full)
    with pytest.raises(OSError, match="No space left"):
        simulate(scenario(log=log), tmp_path / "run")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(os.name != "posix", reason="Ctrl-C is a signal on POSIX")
def test_ctrl_c_leaves_nothing(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "benchpipe", "simulate", "healthy", "runs/new", "--cycles", "1000000"]
    paths = os.pathsep.join(filter(None, [str(REPO), os.environ.get("PYTHONPATH")]))
    process = subprocess.Popen(command, cwd=tmp_path, env={**os.environ, "PYTHONPATH": paths})
    end = time.monotonic() + 60.0
    while not list(tmp_path.glob("runs/.new.*.partial/logs/*")) and time.monotonic() < end:
        assert process.poll() is None
        time.sleep(0.02)
    process.send_signal(signal.SIGINT)
    assert process.wait(60.0) == 130
    assert list(tmp_path.iterdir()) == []
