"""Processes of a night: one that ends early is reported, the others go on, and none is left behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from benchpipe.cli.bugs import bug_report
from benchpipe.errors import ExitCode
from benchpipe.night import workers
from benchpipe.night.task import Task, WorkerEvent
from benchpipe.night.workers import RunLimits, work_apart
from tests.cli.commands import REPO, environment
from tests.conftest import copy_samples

pytestmark = pytest.mark.skipif(os.name != "posix", reason="signals")
RUNS = ("healthy", "wearing")


class Rules:
    """Retention rules that do something when they are looked at, in the process of the run."""

    def __init__(self, what: str, file: Path) -> None:
        self.what, self.file = what, file

    @property
    def drop_samples_after(self) -> None:
        if self.what == "sleep":
            self.file.write_text(str(os.getpid()))
            time.sleep(600)
        if self.what.startswith("SIG"):
            os.kill(os.getpid(), getattr(signal, self.what))
        if self.what == "leave":
            os._exit(3)
        if self.what == "once" and not self.file.exists():
            self.file.write_text("lost once")
            os.kill(os.getpid(), signal.SIGKILL)
        if self.what == "pids":
            with self.file.open("a") as file:
                file.write(f"{os.getpid()}\n")
        if self.what == "grow":
            held = bytearray(400 << 20)
            time.sleep(600)
            del held
        if self.what == "raise":
            raise ZeroDivisionError("ours")


def task(lab: Path, run: str, what: str = "") -> Task:
    rules = Rules(what, lab.parent / "pid")
    return Task(lab.parent / run / "plan.toml", lab.parent / "store", run, bug_report, rules)  # type: ignore[arg-type]


def ends(events: list[WorkerEvent]) -> dict[str, WorkerEvent]:
    return {event.task.name: event for event in events if event.kind == "ends"}


def alive(pid: int) -> bool:
    """Whether a process is there and no zombie."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def gone(pid: int) -> bool:
    """Wait until a process has ended."""
    for _ in range(300):
        if not alive(pid):
            return True
        time.sleep(0.1)
    return False


def test_runs_side_by_side_tell_what_they_do(tmp_path: Path) -> None:
    lab = copy_samples(tmp_path)
    events = list(work_apart([task(lab, run) for run in RUNS], 2))
    assert [event.kind for event in events[:2]] == ["begins", "begins"]
    assert {(e.task.name, e.text.split("/")[0]) for e in events if e.kind == "reads"} == {(run, "logs") for run in RUNS}
    done = {name: event.done for name, event in ends(events).items()}
    assert set(done) == set(RUNS)
    for run, one in done.items():
        assert one is not None
        assert (one.view.run, one.view.failed, one.view.judged) == (run, None, True)
        assert [use.step for use in one.steps] == ["ingest", "process", "drift", "check"]
        assert all(use.seconds > 0.0 and use.peak_mb > 20.0 for use in one.steps)


@pytest.mark.parametrize(
    ("what", "code", "said", "others"),
    [
        ("SIGKILL", ExitCode.INTERRUPTED, "SIGKILL", ["healthy"]), ("SIGTERM", ExitCode.INTERRUPTED, "SIGTERM", []),
        ("SIGSEGV", ExitCode.BUG, "SIGSEGV", []), ("leave", ExitCode.BUG, "exit code 3", []),
        ("raise", ExitCode.BUG, "ZeroDivisionError: ours", ["healthy"]),
    ],
)  # fmt: skip
def test_a_run_that_ends_early_is_reported_and_the_other_goes_on(
    sample_lab: Path, what: str, code: ExitCode, said: str, others: list[str]
) -> None:
    tasks = [task(sample_lab, "wearing", what), *(task(sample_lab, other) for other in others)]
    done = {name: event.done for name, event in ends(list(work_apart(tasks, 1))).items()}
    assert set(done) == {"wearing", *others}
    assert None not in done.values()
    bad = done.pop("wearing")
    assert bad is not None
    assert bad.code == code
    assert said in (bad.view.failed or "")
    assert all(good is not None and good.view.failed is None for good in done.values())


def with_rules(lab: Path, what: str, file: Path, runs: tuple[str, ...] = RUNS) -> list[Task]:
    """Tasks whose rules write to one file."""
    made = [task(lab, run, what) for run in runs]
    for one in made:
        one.retention.file = file  # type: ignore[attr-defined]
    return made


def test_a_process_takes_one_run_after_the_other(sample_lab: Path, tmp_path: Path) -> None:
    assert set(ends(list(work_apart(with_rules(sample_lab, "pids", tmp_path / "pids"), 1)))) == set(RUNS)
    assert len(set((tmp_path / "pids").read_text().split())) == 1


def test_a_process_that_holds_much_after_a_run_is_replaced(
    sample_lab: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(workers, "KEEP_MB", 1.0)
    events = list(work_apart(with_rules(sample_lab, "pids", tmp_path / "pids"), 1))
    assert all(one.done is not None and one.done.view.failed is None for one in ends(events).values())
    assert len(set((tmp_path / "pids").read_text().split())) == 2


def test_a_run_that_was_lost_once_is_tried_again_and_reported(sample_lab: Path, tmp_path: Path) -> None:
    events = list(work_apart(with_rules(sample_lab, "once", tmp_path / "lost", RUNS[:1]), 2))
    assert [event.kind for event in events] == ["begins", "again", "ends"]
    assert "SIGKILL" in events[1].text
    assert events[2].done is not None
    assert events[2].done.view.failed is None


@pytest.mark.parametrize(
    ("what", "limits", "words"),
    [
        ("grow", RunLimits(memory_mb=300.0), "allowed are 300 MB"),
        ("sleep", RunLimits(time_s=2.0), "allowed are 2 s"),
    ],
)
def test_a_run_that_takes_more_than_it_may_is_ended(
    sample_lab: Path, tmp_path: Path, what: str, limits: RunLimits, words: str
) -> None:
    events = list(work_apart(with_rules(sample_lab, what, tmp_path / "file", RUNS[:1]), 1, limits))
    assert [event.kind for event in events] == ["begins", "again", "ends"]
    assert words in events[1].text
    done = events[2].done
    assert done is not None
    assert done.code == ExitCode.INTERRUPTED
    assert words in (done.view.failed or "")
    assert "[engine]" in (done.view.failed or "")


def test_leaving_early_leaves_no_process(sample_lab: Path, tmp_path: Path) -> None:
    one = task(sample_lab, "healthy", "sleep")
    one.retention.file = tmp_path / "pid"  # type: ignore[attr-defined]
    events = work_apart([one], 2)
    assert next(events).kind == "begins"
    while not (tmp_path / "pid").exists():
        time.sleep(0.05)
    time.sleep(0.1)
    pid = int((tmp_path / "pid").read_text())
    assert alive(pid)
    events.close()
    assert gone(pid)


def test_processes_end_with_a_job_that_is_killed(sample_lab: Path, tmp_path: Path) -> None:
    program = (
        "from pathlib import Path\nfrom tests.night.test_night_workers import task\n"
        "from benchpipe.night.workers import work_apart\n"
        f"one = task(Path({str(sample_lab)!r}), 'healthy', 'sleep')\n"
        f"one.retention.file = Path({str(tmp_path / 'pid')!r})\n"
        "list(work_apart([one], 2))\n"
    )
    with subprocess.Popen([sys.executable, "-c", program], cwd=REPO, env=environment()) as job:
        while not (tmp_path / "pid").exists():
            assert job.poll() is None
            time.sleep(0.05)
        time.sleep(0.1)
        pid = int((tmp_path / "pid").read_text())
        assert alive(pid)
        job.send_signal(signal.SIGKILL)
        job.wait(30)
    assert gone(pid)
