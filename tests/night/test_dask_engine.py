"""The engine elsewhere: the same store as from here, whatever is lost on the way."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from benchpipe.cli.bugs import bug_report
from benchpipe.cli.main import call
from benchpipe.errors import ConfigError, InputError
from benchpipe.night import dask_engine
from benchpipe.night.dask_engine import DaskExecutor, _other
from benchpipe.night.dask_worker import program_facts
from benchpipe.night.lab import work_lab
from benchpipe.night.task import Task, WorkerEvent
from benchpipe.store.identity import note_store
from tests.cli.commands import environment
from tests.conftest import copy_samples
from tests.night.test_night_workers import Rules, alive
from tests.store.kept import tree

distributed = pytest.importorskip("distributed")
pytestmark = [
    pytest.mark.skipif(os.name != "posix", reason="signals"),
    pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::DeprecationWarning", "ignore::UserWarning"),
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]
NOW = datetime(2031, 6, 1, 2, 0, tzinfo=UTC)
RUNS = ("healthy", "wearing", "creeping-lock")


@pytest.fixture(scope="module")
def cluster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A scheduler and two workers on loopback, each a process of its own."""
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address=None,
        local_directory=str(tmp_path_factory.mktemp("dask")), silence_logs=50,
    ) as made:  # fmt: skip
        yield made


def with_engine(lab: Path, scheduler: str, more: str = "") -> Path:
    text = lab.read_text("utf-8")
    lab.write_text(f'{text}\n[engine]\nkind = "dask"\nscheduler = "{scheduler}"\n{more}', "utf-8")
    return lab


def tasks(lab: Path, runs: tuple[str, ...], what: str = "") -> list[Task]:
    note_store(lab, lab.parent / "store", runs)
    rules: Any = Rules(what, lab.parent / "pid")
    return [Task(lab.parent / run / "plan.toml", lab.parent / "store", run, bug_report, rules) for run in runs]


def ended(events: list[WorkerEvent]) -> dict[str, WorkerEvent]:
    return {event.task.name: event for event in events if event.kind == "ends"}


def test_a_store_from_workers_is_the_same_to_the_last_byte(cluster: Any, sample_lab: Path, tmp_path: Path) -> None:
    lab = with_engine(copy_samples(tmp_path), cluster.scheduler_address)
    events: list[WorkerEvent] = []
    night = work_lab(lab, bug=bug_report, now=NOW, watch=events.append)
    assert [view.failed for view in night.views] == [None] * 3
    assert {event.task.name for event in events if event.kind == "reads"} == set(RUNS)
    assert tree(lab.parent / "store") == tree(sample_lab.parent / "store")
    again: list[WorkerEvent] = []
    work_lab(lab, bug=bug_report, now=NOW, watch=again.append)
    assert {event.kind for event in again} <= {"begins", "ends"}  # nothing was read again


def test_the_run_of_a_lost_worker_is_done_by_another(cluster: Any, sample_lab: Path, tmp_path: Path) -> None:
    lab = copy_samples(tmp_path)
    engine = DaskExecutor(cluster.scheduler_address, lab)
    events: list[WorkerEvent] = []
    pids: dict[str, int] = {}
    for event in engine.work(tasks(lab, RUNS)):
        events.append(event)
        if event.kind == "reads" and not pids:
            with distributed.Client(cluster.scheduler_address, set_as_default=False) as client:
                busy = {address: keys for address, keys in client.processing().items() if keys}
                pids = client.run(os.getpid, workers=list(busy))
            os.kill(next(iter(pids.values())), signal.SIGKILL)
    assert "again" in {event.kind for event in events}
    assert "is gone" in next(event.text for event in events if event.kind == "again")
    done = ended(events)
    assert set(done) == set(RUNS)
    assert [one.done.view.failed for one in done.values() if one.done is not None] == [None] * 3
    kept = {name: data for name, data in tree(lab.parent / "store").items() if not name.startswith(".")}
    assert kept == {name: data for name, data in tree(sample_lab.parent / "store").items() if not name.startswith(".")}


def test_a_run_that_takes_too_long_is_reported(
    cluster: Any, sample_lab: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(dask_engine, "TRIES", 1)
    one = tasks(sample_lab, ("healthy",), "sleep")
    one[0].retention.file = tmp_path / "pid"  # type: ignore[attr-defined]
    events = list(DaskExecutor(cluster.scheduler_address, sample_lab, 3.0).work(one))
    done = ended(events)["healthy"].done
    assert done is not None
    assert "allowed are 3 s" in (done.view.failed or "")
    os.kill(int((tmp_path / "pid").read_text()), signal.SIGKILL)


def test_a_night_that_is_left_leaves_no_run_behind(
    cluster: Any, sample_lab: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    one = tasks(sample_lab, ("healthy",), "sleep")
    one[0].retention.file = tmp_path / "pid"  # type: ignore[attr-defined]
    events = DaskExecutor(cluster.scheduler_address, sample_lab).work(one)
    assert next(events).kind == "begins"
    for _ in range(300):
        if (tmp_path / "pid").exists():
            break
        time.sleep(0.1)
    time.sleep(0.1)
    pid = int((tmp_path / "pid").read_text() or "0")
    began = time.monotonic()
    monkeypatch.setattr(dask_engine, "STOPS_S", 3.0)
    events.close()  # type: ignore[attr-defined]
    assert time.monotonic() - began >= 3.0  # it waited for the run, which looks at nothing while it sleeps
    if pid and alive(pid):
        os.kill(pid, signal.SIGKILL)


def test_a_worker_of_another_program_is_refused(
    cluster: Any, sample_lab: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(dask_engine, "program_facts", lambda *a: {**program_facts(*a), "benchpipe": "9.9.9"})
    with pytest.raises(InputError, match="can work on the runs") as refused:
        list(DaskExecutor(cluster.scheduler_address, sample_lab).work(tasks(sample_lab, ("healthy",))))
    assert "here 9.9.9" in str(refused.value)
    assert "nothing is lost" in str(refused.value)


@pytest.mark.parametrize(
    ("theirs", "words"),
    [
        ({"benchpipe": "1", "numpy": "2"}, ""), ({"benchpipe": "0", "numpy": "2"}, "benchpipe 0, here 1"),
        ({"benchpipe": "not installed"}, "benchpipe not installed, here 1, numpy not known, here 2"),
        (OSError("away"), "it did not answer (away)"), (None, "it did not answer"),
    ],
)  # fmt: skip
def test_what_of_a_program_is_another(theirs: object, words: str) -> None:
    assert _other({"benchpipe": "1", "numpy": "2"}, theirs) == words


def test_without_a_scheduler_one_error_says_what_to_do(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(dask_engine, "ANSWERS_S", 1.0)
    lab = with_engine(copy_samples(tmp_path), "tcp://127.0.0.1:9")
    assert call(["nightly", str(lab)]) == 2
    error = capsys.readouterr().err
    assert "no scheduler answers at tcp://127.0.0.1:9" in error
    assert 'kind = "local"' in error
    assert not (lab.parent / "store" / "healthy").exists()


def test_without_the_extra_one_error_says_what_to_do(sample_lab: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(ConfigError, match="not installed") as error:
        list(DaskExecutor("tcp://127.0.0.1:9", sample_lab).work([]))
    assert "benchpipe[dask]" in str(error.value)


@pytest.mark.parametrize(
    ("section", "words"),
    [
        ('kind = "dask"', "needs the address"), ('kind = "dask"\nscheduler = "here"', "needs the address"),
        ('scheduler = "tcp://a:1"', "is for kind"), ('kind = "ray"', "known: dask, local"),
        ('kind = "dask"\nscheduler = "tcp://a:1"\nmemory_mb = 5', "--memory-limit"),
        ("memory_mb = 0", "greater than 0"),
    ],
)  # fmt: skip
def test_a_section_that_does_not_fit_is_refused(
    tmp_path: Path, section: str, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    lab = tmp_path / "lab.toml"
    lab.write_text(f'name = "a"\nstore = "store"\nplans = ["plan.toml"]\n[engine]\n{section}\n', "utf-8")
    assert call(["nightly", str(lab)]) == 2
    assert words in capsys.readouterr().err


def test_workers_and_scheduler_started_by_hand_do_a_night(
    sample_lab: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As the guide has it: a scheduler, a worker, and a night, each a command."""
    lab = copy_samples(tmp_path)
    monkeypatch.setattr(dask_engine, "ANSWERS_S", 60.0)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    address = f"tcp://127.0.0.1:{port}"
    dask = [sys.executable, "-m", "dask"]
    scheduler = [*dask, "scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard"]
    worker = [*dask, "worker", address, "--nthreads", "1", "--no-dashboard"]
    options: dict[str, Any] = {
        "cwd": tmp_path, "env": environment(PYTHONWARNINGS="default"), "stdout": subprocess.DEVNULL,
        "stderr": subprocess.DEVNULL,
    }  # fmt: skip
    with subprocess.Popen(scheduler, **options) as first, subprocess.Popen(worker, **options) as second:
        try:
            assert call(["nightly", str(with_engine(lab, address)), "--brief"]) == 10
        finally:
            for one in (second, first):
                one.terminate()
    assert tree(lab.parent / "store") == tree(sample_lab.parent / "store")
