"""One job at a time: another process that holds the store is named, a dead one is not waited for."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from benchpipe.errors import ExitCode, StoreBusyError, StoreError
from benchpipe.store.lock import HOLDER, hold_store

HOLD = (
    "import sys, time\nfrom pathlib import Path\nfrom benchpipe.store.lock import hold_store\n"
    "with hold_store(Path(sys.argv[1])):\n print('held', flush=True)\n time.sleep(float(sys.argv[2]))\n"
)


@contextmanager
def another_job(store: Path, seconds: float = 60.0) -> Iterator[subprocess.Popen[str]]:
    """A process that holds the store."""
    with subprocess.Popen([sys.executable, "-c", HOLD, store, str(seconds)], stdout=subprocess.PIPE, text=True) as job:
        assert job.stdout is not None
        assert job.stdout.readline() == "held\n"
        try:
            yield job
        finally:
            job.kill()


def test_a_store_held_by_another_process_is_busy_and_names_it(tmp_path: Path) -> None:
    with another_job(tmp_path) as job, pytest.raises(StoreBusyError) as caught, hold_store(tmp_path):
        pass
    assert caught.value.exit_code is ExitCode.STORE_BUSY
    assert f"another job holds the store: process {job.pid} on " in caught.value.what
    assert caught.value.where == str(tmp_path)


def test_a_second_job_may_wait(tmp_path: Path) -> None:
    with another_job(tmp_path, 0.5), hold_store(tmp_path, wait_s=30.0):
        assert json.loads((tmp_path / HOLDER).read_text())["pid"] == os.getpid()


def test_waiting_ends(tmp_path: Path) -> None:
    started = time.monotonic()
    with another_job(tmp_path), pytest.raises(StoreBusyError), hold_store(tmp_path, wait_s=0.3):
        pass
    assert time.monotonic() - started >= 0.3


def test_a_dead_job_does_not_hold_the_store(tmp_path: Path) -> None:
    with another_job(tmp_path) as job:
        job.send_signal(signal.SIGKILL)
        job.wait()
        assert json.loads((tmp_path / HOLDER).read_text())["pid"] == job.pid  # what it left behind
        with hold_store(tmp_path):
            assert json.loads((tmp_path / HOLDER).read_text())["pid"] == os.getpid()


def test_a_job_leaves_nothing_but_the_lock_file(tmp_path: Path) -> None:
    with hold_store(tmp_path / "store"):
        pass
    assert {path.name for path in (tmp_path / "store").iterdir()} <= {".lock"}


def test_the_same_process_cannot_hold_it_twice(tmp_path: Path) -> None:
    with hold_store(tmp_path), pytest.raises(StoreBusyError), hold_store(tmp_path):
        pass


def test_it_is_let_go_when_the_job_breaks(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="broken"), hold_store(tmp_path):
        raise ValueError("broken")
    with hold_store(tmp_path):
        pass


@pytest.mark.parametrize("text", ["", "[]", "{}", "null", "\xff"])
def test_a_holder_file_that_says_nothing_is_no_crash(tmp_path: Path, text: str) -> None:
    with another_job(tmp_path):
        (tmp_path / HOLDER).write_text(text, encoding="latin-1")
        with pytest.raises(StoreBusyError) as caught, hold_store(tmp_path):
            pass
    assert caught.value.what == "another job holds the store"


def test_a_store_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError), hold_store(tmp_path / "file" / "store"):
        pass


@pytest.mark.skipif(os.name != "posix", reason="links need a right of their own elsewhere")
def test_a_link_that_leads_nowhere_is_no_new_store(tmp_path: Path) -> None:
    (tmp_path / "store").symlink_to(tmp_path / "share")
    with pytest.raises(StoreError, match="leads nowhere") as found, hold_store(tmp_path / "store"):
        pass
    assert found.value.got == str(tmp_path / "share")
    assert not (tmp_path / "share").exists()
    (tmp_path / "share").mkdir()
    with hold_store(tmp_path / "store"):
        assert (tmp_path / "share" / ".lock").exists()
