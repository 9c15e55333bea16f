"""A night over a lab: however many at once the same tables, what is new since the last, what it took."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from benchpipe.cli.bugs import bug_report
from benchpipe.cli.main import call
from benchpipe.night.lab import NightResult, work_lab
from benchpipe.store.notes import SAID, read_said
from benchpipe.store.step_uses import STEP_USES
from tests.cli.commands import started
from tests.conftest import copy_samples
from tests.store.kept import tree
from tests.test_pipeline import all_tables

NOW = datetime(2031, 6, 1, 2, 0, tzinfo=UTC)
DAY = timedelta(days=1)


@pytest.fixture
def worked(sample_lab: Path, tmp_path: Path) -> Path:
    """A copy of the lab that was worked through once, no night of it remembered."""
    shutil.copytree(sample_lab.parents[1], tmp_path, dirs_exist_ok=True)
    lab = tmp_path / "sample_runs" / "lab.toml"
    shutil.rmtree(lab.parent / "store" / ".nights")
    return lab


def night(lab: Path, now: datetime) -> NightResult:
    return work_lab(lab, bug=bug_report, now=now)


def new(found: NightResult) -> set[tuple[str, str, str]]:
    return {alarm.identity for view in found.views for alarm in view.alarms if alarm.new}


def test_any_number_at_once_gives_the_same_tables(sample_lab: Path, tmp_path: Path) -> None:
    lab = copy_samples(tmp_path)
    assert call(["nightly", str(lab), "--brief", "--jobs", "3"]) == 10
    assert all_tables(lab) == all_tables(sample_lab)
    assert tree(lab.parent / "store") == tree(sample_lab.parent / "store")


def test_a_name_to_be_watched_that_no_run_has_is_said(worked: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert night(worked, NOW).store == ()
    text = worked.read_text("utf-8")
    tell = '\n[[tell]]\nname = "them"\nruns = ["wearing", "creep"]\nenv = "NOBODY"\n'
    worked.write_text(text.replace("watch = []", 'watch = ["healhty", "wear*"]') + tell, "utf-8")
    found = night(worked, NOW).store
    assert [(one.code, one.where) for one in found] == [
        ("not-looked-at", "watch of [health]: healhty"), ("not-looked-at", "runs of [[tell]] 'them': creep"),
    ]  # fmt: skip
    assert "did you mean 'healthy'" in found[0].text
    call(["doctor", str(worked)])
    assert "did you mean 'healthy'" in " ".join(capsys.readouterr().out.split())
    worked.write_text(worked.read_text("utf-8").replace("healthy/plan.toml", "gone/plan.toml"), "utf-8")
    assert night(worked, NOW).store == ()  # it may be the name of the run that cannot be read


def test_new_is_what_last_night_did_not_say(worked: Path) -> None:
    first = night(worked, NOW)
    said = {alarm.identity for view in first.views for alarm in view.alarms}
    assert said
    assert new(first) == said
    assert set(read_said(worked.parent / "store")) == said
    assert new(night(worked, NOW + timedelta(hours=6))) == said  # the same morning
    assert new(night(worked, NOW + DAY)) == set()
    limits = worked.parents[1] / "configs" / "limits" / "drift.toml"
    limits.write_text(limits.read_text().replace('value = "-15 %"', 'value = "-50 %"'))
    gone = said - {alarm.identity for view in night(worked, NOW + 2 * DAY).views for alarm in view.alarms}
    assert {code for _, code, _ in gone} == {"limit-fail"}
    limits.write_text(limits.read_text().replace('value = "-50 %"', 'value = "-15 %"'))
    back = night(worked, NOW + 3 * DAY)
    assert new(back) == gone
    since = {alarm.identity: alarm.since for view in back.views for alarm in view.alarms}
    assert {since[identity] for identity in gone} == {NOW + 3 * DAY}
    assert {since[identity] for identity in said - gone} == {NOW}


def test_a_repeated_night_keeps_nothing_anew(worked: Path) -> None:
    night(worked, NOW)
    store = worked.parent / "store"
    before = {path: (path.stat().st_mtime_ns, path.read_bytes()) for path in store.rglob("*") if path.is_file()}
    ours = (".lock", "verified.json")  # the second says what had its turn to be verified
    before = {path: state for path, state in before.items() if path.name not in ours}
    night(worked, NOW + DAY)
    assert before == {path: (path.stat().st_mtime_ns, path.read_bytes()) for path in before}
    assert set(before) == {path for path in store.rglob("*") if path.is_file() and path.name not in ours}


def test_a_last_night_that_cannot_be_read_is_told_and_all_is_new(worked: Path) -> None:
    night(worked, NOW)
    store = worked.parent / "store"
    (store / SAID).write_text("{")
    found = night(worked, NOW + DAY)
    assert "last-night" in {code for _, code, _ in new(found)}
    assert len(new(found)) > 1
    assert "last-night" not in {a.code for view in night(worked, NOW + 2 * DAY).views for a in view.alarms}


def test_a_run_of_another_lab_on_the_store_keeps_its_alarms(worked: Path) -> None:
    night(worked, NOW)
    whole = worked.read_text()
    worked.write_text(whole.replace('  "wearing/plan.toml",\n', ""))
    assert "wearing" not in {view.run for view in night(worked, NOW + DAY).views}
    worked.write_text(whole)
    assert new(night(worked, NOW + 2 * DAY)) == set()


def test_what_the_steps_took_is_kept_from_the_night_that_worked(tmp_path: Path) -> None:
    lab = copy_samples(tmp_path)
    first = {view.run: view.steps for view in night(lab, NOW).views}
    assert all([use.step for use in uses] == ["ingest", "process", "drift", "check"] for uses in first.values())
    assert {view.run: view.steps for view in night(lab, NOW + DAY).views} == first
    (lab.parent / "store" / STEP_USES).write_text("[]")
    assert {view.steps for view in night(lab, NOW + DAY).views} == {()}


def test_junit_and_json_of_one_night(worked: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "night.xml"
    assert call(["nightly", str(worked), "--json", "--junit", str(file)]) == 10
    runs = json.loads(capsys.readouterr().out)["runs"]
    text = file.read_text(encoding="utf-8")
    for run in runs:
        assert f'<testsuite name="{run["run"]}"' in text
        assert {alarm["new"] for alarm in run["alarms"]} <= {True}
    assert text.count("<failure") == sum(row["due"] and row["verdict"] == "fail" for r in runs for row in r["limits"])


def test_a_junit_file_that_cannot_be_written_is_told_after_the_summary(
    worked: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("")
    assert call(["nightly", str(worked), "--brief", "--junit", str(tmp_path / "file" / "night.xml")]) == 12
    out, err = capsys.readouterr()
    assert "wearing" in out
    assert "it cannot be written there" in err


@pytest.mark.skipif(os.name != "posix", reason="signals")
def test_control_c_ends_all_processes_and_nothing_is_lost(sample_lab: Path, tmp_path: Path) -> None:
    lab = copy_samples(tmp_path)
    arguments = ["nightly", str(lab), "--brief", "--jobs", "2"]
    with started(arguments, lab.parent, stdout=subprocess.DEVNULL, start_new_session=True) as job:
        assert job.stderr is not None
        assert b"reading" in job.stderr.readline()
        os.killpg(job.pid, signal.SIGINT)
        err = job.stderr.read().decode()
        assert job.wait(60) == 130
    assert err.endswith("interrupted: nothing is lost, run the command again\n")
    assert "Traceback" not in err
    for _ in range(100):
        if not any(_group(int(path.name)) == job.pid for path in Path("/proc").glob("[0-9]*")):
            break
        time.sleep(0.1)
    else:
        pytest.fail("a process is left")
    assert call(["nightly", str(lab), "--brief"]) == 10
    assert all_tables(lab) == all_tables(sample_lab)


def _group(pid: int) -> int:
    try:
        return os.getpgid(pid)
    except OSError:
        return 0


def test_a_run_that_breaks_shows_what_the_store_has_of_it(worked: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (worked.parent / "wearing" / "logs" / "wearing_0009.csv.gz").write_bytes(b"a,b,c,d,e,f\n1,2,3,4,5,6\n" * 30)
    assert call(["nightly", str(worked), "--jobs", "1"]) in (10, 12)
    out = capsys.readouterr().out
    assert "NOT PROCESSED" in out
    before = out.split("As it was before, from the store:")[1]
    assert "stiffness lost" in before
    assert call(["nightly", str(worked), "--json", "--jobs", "1"]) in (10, 12)  # another run's limit fails too
    runs = {one["run"]: one for one in json.loads(capsys.readouterr().out)["runs"]}
    assert "stored" not in runs["wearing"]
    assert (runs["wearing"]["verdict"], runs["wearing"]["limits"]) == ("not evaluated", [])
