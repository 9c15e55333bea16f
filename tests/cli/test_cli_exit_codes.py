"""Each exit code, produced once by what it stands for."""

from __future__ import annotations

import gzip
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest

from benchpipe.check.run import CHECK, CheckState
from benchpipe.cli.main import call
from benchpipe.errors import ExitCode
from benchpipe.steps import StepResult, StepTask
from benchpipe.views.exit_codes import SEVERITY
from tests.cli.commands import called, environment, playground, started
from tests.conftest import copy_samples
from tests.steps_done import with_run
from tests.store.test_store_lock import another_job


@pytest.fixture
def lab(sample_lab: Path, tmp_path: Path) -> Path:
    """A copy of the worked-through lab, to spoil."""
    return playground(sample_lab, tmp_path) / "sample_runs" / "lab.toml"


@pytest.fixture
def fresh(tmp_path: Path) -> Path:
    """A copy of the lab that nobody has worked on."""
    return copy_samples(tmp_path)


def test_0_when_nothing_fails(sample_lab: Path) -> None:
    assert call(["show", "healthy", "--lab", str(sample_lab)]) == 0


@pytest.mark.parametrize(
    ("arguments", "what"),
    [
        (["--bogus"], "No such option: --bogus"),
        (["sho"], "No such command 'sho'"),
        (["show"], "Missing argument"),
        (["show", "healthy", "--bogus"], "see 'benchpipe show --help'"),
        (["nightly", "--wait", "soon"], "Invalid value for '--wait'"),
        (["nightly", "--wait", "-1"], "Invalid value for '--wait'"),
        (["show", "healthi", "--lab", "LAB"], "did you mean 'healthy'?"),
        (["show", "no.toml"], "the file does not exist"),
        (["nightly", "no.toml"], "the file does not exist"),
        (["export", "healthy", "cycle", "--lab", "LAB"], "did you mean 'cycles'?"),
        (["trace", "healthy", "durability", "--lab", "LAB"], "give one of --cycle, --hold, --relaxation, --sweep"),
        (["trace", "healthy", "durable", "--cycle", "1", "--lab", "LAB"], "did you mean 'durability'?"),
        (["simulate", "healty", "x"], "did you mean 'healthy'?"),
        (["demo", "nowhere"], "the sample runs are not there"),
    ],
)  # fmt: skip
def test_2_for_usage_and_configuration(
    sample_lab: Path, arguments: list[str], what: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call([str(sample_lab) if word == "LAB" else word for word in arguments]) == 2
    out, err = capsys.readouterr()
    assert what in err
    assert out == ""


def test_2_without_a_command_shows_the_help(capsys: pytest.CaptureFixture[str]) -> None:
    assert call([]) == 2
    assert "Commands:" in capsys.readouterr().err


@pytest.mark.parametrize("command", ["process", "check", "export", "trace"])
def test_2_for_a_step_that_comes_too_early(
    fresh: Path, command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    more = {"export": ["cycles"], "trace": ["durability", "--cycle", "1"]}.get(command, [])
    assert call([command, "healthy", *more, "--lab", str(fresh)]) == 2
    assert "nothing of run 'healthy' is in the store yet" in capsys.readouterr().err


def test_10_for_a_limit_that_failed(sample_lab: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call(["show", "wearing", "--lab", str(sample_lab), "--json"]) == 10
    assert json.loads(capsys.readouterr().out)["exit_code"] == 10


def test_11_for_a_run_that_was_not_judged(fresh: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call(["show", "healthy", "--lab", str(fresh)]) == 11
    assert "NOT JUDGED YET" in capsys.readouterr().out


def test_11_for_a_value_too_near_its_limit(lab: Path, capsys: pytest.CaptureFixture[str]) -> None:
    limits = lab.parents[1] / "configs" / "limits" / "lockable-ankle.toml"
    limits.write_text(limits.read_text().replace('value = "24 deg"', 'value = "24.85 deg"'))
    assert call(["check", "healthy", "--lab", str(lab)]) == 11
    assert "INCONCLUSIVE" in capsys.readouterr().out


def test_11_where_every_row_was_rejected(fresh: Path, capsys: pytest.CaptureFixture[str]) -> None:
    logs = fresh.parent / "healthy" / "logs"
    shutil.rmtree(logs)
    logs.mkdir()
    head = "Time,Torque,Angle,Temperature,Cycle,Locked\ns,N·m,deg,°C,,\n"
    with gzip.open(logs / "healthy_0001.csv.gz", "wt", encoding="utf-8") as file:
        file.write(head + "0,00,-0,02,-0,015,21,78,0,1\n" * 5)
    fresh.write_text('name = "x"\nstore = "store"\nplans = ["healthy/plan.toml"]')
    assert call(["nightly", str(fresh)]) == 11
    text = capsys.readouterr().out
    assert "NOT EVALUATED" in text
    assert "5 rejected" in text
    assert "next: see why no row was taken, then correct the rig file:" in text
    assert f"  benchpipe export healthy --lab {fresh} rejects\n" in text


def test_12_for_a_log_that_cannot_be_used(fresh: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (fresh.parent / "healthy" / "logs" / "healthy_0001.csv.gz").write_bytes(b"a,b,c,d,e,f\n1,2,3,4,5,6\n" * 30)
    assert call(["ingest", "healthy", "--lab", str(fresh)]) == 12
    assert "healthy_0001.csv.gz" in capsys.readouterr().err


def test_12_for_a_damaged_store(lab: Path, capsys: pytest.CaptureFixture[str]) -> None:
    part = next((lab.parent / "store" / "healthy" / "verdicts").iterdir())
    part.write_bytes(part.read_bytes()[:-1])
    assert call(["show", "healthy", "--lab", str(lab)]) == 12
    assert str(part) in capsys.readouterr().err


def test_12_for_a_log_that_may_not_be_looked_at(
    fresh: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def refused(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied", "/share/logs")

    with_run(monkeypatch, "ingest", refused)
    assert call(["ingest", "healthy", "--lab", str(fresh)]) == 12
    assert capsys.readouterr().err == "error: Permission denied\n  where:    /share/logs\n"
    assert call(["nightly", str(fresh)]) == 12


def test_70_for_a_bug_with_a_report_to_send(
    fresh: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("ours")

    with_run(monkeypatch, "ingest", broken)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    assert call(["ingest", "healthy", "--lab", str(fresh)]) == 70
    err = capsys.readouterr().err
    assert "this is a bug in benchpipe (ZeroDivisionError: ours)" in err
    (report,) = tmp_path.glob("benchpipe-bug-*.txt")
    assert str(report) in err
    text = report.read_text()
    assert "Traceback" in text
    assert "arguments: ['ingest', 'healthy'," in text
    assert report.stat().st_mode & 0o777 == 0o600
    assert call(["ingest", "healthy", "--lab", str(fresh)]) == 70
    names = [path.stem.rpartition("-")[2] for path in tmp_path.glob("benchpipe-bug-*.txt")]
    assert len(set(names)) == 2
    assert str(os.getpid()) not in names


def test_70_is_written_to_the_terminal_where_no_file_can_be(
    fresh: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("ours")

    with_run(monkeypatch, "ingest", broken)
    monkeypatch.setattr(tempfile, "tempdir", "/nowhere/at/all")
    assert call(["ingest", "healthy", "--lab", str(fresh)]) == 70
    assert "Traceback" in capsys.readouterr().err


def test_75_while_another_job_holds_the_store(lab: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with another_job(lab.parent / "store") as job:
        for arguments in (["nightly", str(lab)], ["check", "healthy", "--lab", str(lab)]):
            assert call(arguments) == 75
            assert f"another job holds the store: process {job.pid}" in capsys.readouterr().err
        assert call(["show", "healthy", "--lab", str(lab)]) == 0  # to look needs no lock


def test_waiting_for_the_other_job(lab: Path) -> None:
    with another_job(lab.parent / "store", 0.5):
        assert call(["nightly", str(lab), "--wait", "30"]) == 10


def test_130_for_control_c_and_nothing_is_lost(fresh: Path, sample_lab: Path) -> None:
    with started(["nightly", str(fresh)], fresh.parent, stdout=subprocess.DEVNULL) as job:
        assert job.stderr is not None
        assert b"reading" in job.stderr.readline()
        job.send_signal(signal.SIGINT)
        err = job.stderr.read().decode()
        assert job.wait(60) == 130
    assert err.endswith("interrupted: nothing is lost, run the command again\n")
    assert "Traceback" not in err
    assert not list((fresh.parent / "store").rglob(".unfinished-*"))
    assert called(["nightly", str(fresh), "--brief"], fresh.parent)[0] == 10
    here, there = (json.loads(called(["show", "wearing", "--json"], where.parent)[1]) for where in (fresh, sample_lab))
    for found in (here, there):
        del found["runs"][0]["alarms"]  # they say since when
    assert here == there


def test_every_code_has_its_place_in_the_order_of_a_night() -> None:
    assert set(SEVERITY) == set(ExitCode)
    assert [int(code) for code in SEVERITY] == [70, 13, 69, 10, 12, 130, 2, 75, 11, 0]  # as README says


def test_one_broken_run_stops_no_other_and_the_worst_decides(
    fresh: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    root = fresh.parent
    (root / "broken").mkdir()
    (root / "broken" / "plan.toml").write_text("name = ")
    shutil.copytree(root / "healthy", root / "again")  # the same name twice
    shutil.copytree(root / "healthy", root / "garbled")
    garbled = root / "garbled" / "plan.toml"
    garbled.write_text(garbled.read_text().replace('name = "healthy"', 'name = "garbled"'))
    (root / "garbled" / "logs" / "healthy_0001.csv.gz").write_bytes(b"a,b,c,d,e,f\n1,2,3,4,5,6\n" * 30)
    plans = ["broken", "missing", "healthy", "again", "garbled", "wearing", "creeping-lock"]
    fresh.write_text('name = "x"\nstore = "store"\nplans = ' + json.dumps([f"{name}/plan.toml" for name in plans]))
    assert call(["nightly", str(fresh), "--json"]) == 10
    found = json.loads(capsys.readouterr().out)
    assert found["exit_code"] == 10
    names = [run["run"] for run in found["runs"]]
    assert set(names[:2]) == {"wearing", "creeping-lock"}
    assert names[2] == "garbled"
    assert names[-1] == "healthy"
    told = {run["run"]: run["failed"] for run in found["runs"]}
    assert "not valid TOML" in told["broken"]
    assert "does not exist" in told["missing"]
    assert "the name 'healthy' is taken by another run" in told["again"]
    assert told["healthy"] is None
    # and shown
    assert call(["nightly", str(fresh), "--details"]) == 10
    text = capsys.readouterr().out
    assert text.count("NOT PROCESSED") == 4
    assert "WITHIN LIMITS SO FAR" in text


def test_a_bug_in_one_run_is_worst_and_stops_no_other(
    fresh: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def broken(task: StepTask[CheckState]) -> StepResult[CheckState]:
        if task.run.name == "wearing":
            raise ZeroDivisionError("ours")
        return CHECK.run(task)

    with_run(monkeypatch, "check", broken)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    assert call(["nightly", str(fresh), "--brief", "--json"]) == 70
    runs = {run["run"]: run for run in json.loads(capsys.readouterr().out)["runs"]}
    assert "this is a bug in benchpipe" in runs["wearing"]["failed"]
    assert (runs["healthy"]["verdict"], runs["creeping-lock"]["verdict"]) == ("pass", "fail")


def test_brief_shows_a_line_a_run(sample_lab: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call(["nightly", str(sample_lab), "--brief"]) == 10
    text = capsys.readouterr().out
    assert "next:" not in text
    assert all(name in text for name in ("healthy", "wearing", "creeping-lock"))


def test_brief_says_why_a_run_could_not_be_worked_on(fresh: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (fresh.parent / "broken.toml").write_text("name = ")
    fresh.write_text('name = "x"\nstore = "store"\nplans = ["broken.toml"]')
    assert call(["nightly", str(fresh), "--brief"]) == 2
    assert "not valid TOML" in capsys.readouterr().out


def test_a_run_that_broke_keeps_its_name(fresh: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (fresh.parent / "healthy").rename(fresh.parent / "elsewhere")
    shutil.rmtree(fresh.parent / "elsewhere" / "logs")
    fresh.write_text('name = "x"\nstore = "store"\nplans = ["elsewhere/plan.toml"]')
    assert call(["nightly", str(fresh), "--json"]) == 12
    assert json.loads(capsys.readouterr().out)["runs"][0]["run"] == "healthy"


def test_a_folder_of_folders_names_them(fresh: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (fresh.parent / "healthy" / "plan.toml").unlink()
    assert call(["inspect", str(fresh.parent / "healthy")]) == 12
    assert "name a folder in it: logs, truth" in capsys.readouterr().err


def test_a_lab_is_found_in_a_folder_above(sample_lab: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(sample_lab.parent / "healthy" / "logs")
    assert call(["nightly", "--brief"]) == 10
    assert call(["show", "healthy"]) == 0
    assert call(["nightly", str(sample_lab.parent), "--brief"]) == 10


def test_an_idle_night_reads_no_log(lab: Path, capsys: pytest.CaptureFixture[str]) -> None:
    started_at = time.monotonic()
    assert call(["nightly", str(lab), "--brief"]) == 10
    assert time.monotonic() - started_at < 60.0
    assert "reading" not in capsys.readouterr().err


def test_the_environment_of_a_command_may_be_empty(sample_lab: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "benchpipe", "show", "healthy"], cwd=sample_lab.parent, capture_output=True,
        env={"PYTHONPATH": environment()["PYTHONPATH"]}, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
