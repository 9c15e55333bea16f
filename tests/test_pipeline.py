"""Nights: repeated, killed, damaged, in other orders, always the same tables."""

from __future__ import annotations

import gzip
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest

from benchpipe.cli.main import call
from benchpipe.errors import ConfigError, StoreBusyError, StoreError
from benchpipe.ledger.heads import NOTE as HEADS
from benchpipe.pipeline import work
from benchpipe.run import load_run
from benchpipe.store.identity import NOTE
from benchpipe.store.lock import hold_store
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore
from tests.cli.commands import environment, started
from tests.conftest import copy_samples
from tests.steps_done import with_run
from tests.store.kept import tables, tree

HOW_IT_CAME = ("history", "manifest.json", "quarantine")
RUNS = ("healthy", "wearing", "creeping-lock")
# A night that dies at a rename of the store: argv is the lab, the number of the rename, and before or after it.
DIES = """
import os, sys
from pathlib import Path
plain, left = Path.replace, int(sys.argv[2])
def replace(path, target):
    global left
    left -= 1
    if left < 0 and sys.argv[3] == "before":
        os._exit(99)
    result = plain(path, target)
    if left < 0:
        os._exit(99)
    return result
Path.replace = replace
from benchpipe.cli.main import call
sys.exit(call(["nightly", sys.argv[1], "--brief"]))
"""


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    """A lab that nobody has worked on."""
    return copy_samples(tmp_path)


@pytest.fixture
def worked(sample_lab: Path, tmp_path: Path) -> Path:
    """A copy of the lab that was worked through once."""
    shutil.copytree(sample_lab.parents[1], tmp_path, dirs_exist_ok=True)
    return tmp_path / "sample_runs" / "lab.toml"


def all_tables(lab: Path) -> dict[str, pa.Table]:
    """Every table of every run."""
    return {
        f"{run}.{name}": rows
        for run in RUNS
        for name, rows in tables(RunStore(lab.parent / "store", run)).items()
    }


def content(lab: Path) -> dict[str, Any]:
    """What the manifests say, but for how many commits it took and what damage was mended."""
    plain: dict[str, Any] = {"sequence": 0, "previous": None, "seal": ""}
    stores = {run: RunStore(lab.parent / "store", run) for run in RUNS}
    made = {run: store.manifest().model_copy(update=plain) for run, store in stores.items()}
    return {run: manifest.with_remark("ingest", "damaged", "", "") for run, manifest in made.items()}


@cache
def of_one_night(lab: Path) -> dict[str, pa.Table]:
    """Every table of the lab that was worked through once, and that no test changes."""
    return all_tables(lab)


def same_as_one_night(lab: Path, sample_lab: Path) -> None:
    """Finish the work, and hold everything against an undisturbed night."""
    assert call(["nightly", str(lab), "--brief"]) == 10
    assert content(lab) == content(sample_lab)
    assert all_tables(lab) == of_one_night(sample_lab)
    found, asked = (
        {name for name in tree(where.parent / "store") if name.split("/")[1] not in HOW_IT_CAME}
        for where in (lab, sample_lab)
    )
    assert found == asked


def test_a_repeated_night_changes_nothing(worked: Path, capsys: pytest.CaptureFixture[str]) -> None:
    store = worked.parent / "store"
    before = tree(store)
    times = {path: path.stat().st_mtime_ns for path in store.rglob("*.parquet")}
    assert call(["nightly", str(worked), "--brief"]) == 10
    assert call(["nightly", str(worked), "--brief"]) == 10
    assert tree(store) == before
    assert {path: path.stat().st_mtime_ns for path in store.rglob("*.parquet")} == times
    assert "reading" not in capsys.readouterr().err


def test_logs_are_only_read_and_two_labs_with_the_same_logs_have_the_same_bytes(lab: Path, sample_lab: Path) -> None:
    def raw(where: Path) -> dict[str, str]:
        made = ("store/", "pages/", NOTE, HEADS, ".benchpipe-pages")
        return {name: sha for name, sha in tree(where.parent).items() if not name.startswith(made)}

    before = raw(lab)
    for path in lab.parent.rglob("logs/*"):
        path.chmod(0o444)
    assert call(["nightly", str(lab), "--brief"]) == 10
    assert raw(lab) == before == raw(sample_lab)
    assert tree(lab.parent / "store") == tree(sample_lab.parent / "store")


def dies_at_a_rename(lab: Path, number: int, when: str) -> int:
    """Exit code of a night that dies at a rename, if it comes to it."""
    command = [sys.executable, "-c", DIES, str(lab), str(number), when]
    return subprocess.run(command, env=environment(), capture_output=True, check=False).returncode


def renames(lab: Path) -> int:
    """How many renames an undisturbed night does: a part or a manifest each."""
    files = tree(lab.parent / "store")
    return sum("/history/" in name or name.endswith(".parquet") for name in files) + sum(
        "/history/" in name for name in files
    )


@pytest.mark.parametrize(("part", "when"), [(0.3, "after"), (0.8, "before")])
def test_a_night_killed_at_a_rename_ends_with_the_same_tables(
    lab: Path, sample_lab: Path, part: float, when: str
) -> None:
    assert dies_at_a_rename(lab, int(part * renames(sample_lab)), when) == 99
    same_as_one_night(lab, sample_lab)


@pytest.mark.soak
def test_a_night_killed_at_every_rename_ends_with_the_same_tables(tmp_path: Path, sample_lab: Path) -> None:
    for number in range(renames(sample_lab)):
        for when in ("before", "after"):
            lab = copy_samples(tmp_path / f"{number}-{when}")
            assert dies_at_a_rename(lab, number, when) == 99
            same_as_one_night(lab, sample_lab)
            shutil.rmtree(lab.parents[1])


def kill_at_random(lab: Path, sample_lab: Path, seed: int, times: int) -> None:
    """Kill nights at random moments, then finish."""
    draw = random.Random(seed)
    for _ in range(times):
        with started(["nightly", str(lab)], lab.parent, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as job:
            time.sleep(draw.uniform(0.2, 3.0))
            job.send_signal(signal.SIGKILL)
            job.wait(60)
    same_as_one_night(lab, sample_lab)


def test_nights_killed_at_random_end_with_the_same_tables(lab: Path, sample_lab: Path) -> None:
    kill_at_random(lab, sample_lab, 2, 3)


@pytest.mark.soak
def test_many_nights_killed_at_random_end_with_the_same_tables(tmp_path: Path, sample_lab: Path) -> None:
    for seed in range(100, 200):
        lab = copy_samples(tmp_path / str(seed))
        kill_at_random(lab, sample_lab, seed, 5)
        shutil.rmtree(lab.parents[1])


def test_leftovers_go_even_when_there_is_nothing_new(worked: Path) -> None:
    store = worked.parent / "store"
    before = tree(store)
    (store / "healthy" / "cycles" / ".unfinished-0123").write_bytes(b"half")
    (store / "healthy" / "cycles" / "0000000000000000-00000000.parquet").write_bytes(b"never named")
    assert call(["nightly", str(worked), "--brief"]) == 10
    assert tree(store) == before


@pytest.mark.parametrize("table", ["samples", "cycles", "verdicts", "loops"])
@pytest.mark.parametrize("rotten", [False, True])
def test_damage_is_mended_from_the_logs_by_the_next_night(
    worked: Path, sample_lab: Path, table: str, rotten: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    part = min((worked.parent / "store" / "wearing" / table).iterdir())
    plain, stat = part.read_bytes(), part.stat()
    spoilt = plain[:40] + bytes([plain[40] ^ 1]) + plain[41:]
    part.write_bytes(spoilt)
    if rotten:  # the disk did it: the file's time says nothing
        os.utime(part, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    assert call(["nightly", str(worked)]) == 10
    noticed = not rotten or table == "verdicts"  # what no step and no summary reads is found when it is read
    assert ("1 file(s) of the store were damaged" in " ".join(capsys.readouterr().out.split())) == noticed
    if rotten:
        work(load_run(worked.parent / "wearing" / "plan.toml"), verify=True)
    same_as_one_night(worked, sample_lab)
    kept = worked.parent / "store" / "wearing" / "quarantine" / f"0001-{table}-{part.name}"
    assert (kept.read_bytes(), part.read_bytes()) == (spoilt, plain)


def test_touched_logs_are_not_read_again(worked: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = all_tables(worked)
    for path in worked.parent.rglob("logs/*"):
        os.utime(path, ns=(1, 1))
    assert call(["nightly", str(worked), "--brief"]) == 10
    assert "reading" not in capsys.readouterr().err
    assert all_tables(worked) == before


def test_a_log_that_comes_later_gives_the_same_tables(lab: Path, sample_lab: Path, tmp_path: Path) -> None:
    held_back = {}
    for run in ("healthy", "wearing"):
        last = sorted((lab.parent / run / "logs").iterdir())[-1]
        held_back[last] = shutil.move(last, tmp_path / f"{run}-last")
    call(["nightly", str(lab), "--brief"])
    for last, kept in held_back.items():
        shutil.move(kept, last)
    assert call(["nightly", str(lab), "--brief"]) == 10
    found = all_tables(lab)
    for name, rows in of_one_night(sample_lab).items():
        assert found[name] == rows, name


def test_an_empty_log_is_remarked_and_stops_nothing(lab: Path) -> None:
    text = gzip.decompress((lab.parent / "healthy" / "logs" / "healthy_0001.csv.gz").read_bytes())
    head = b"\n".join(text.split(b"\n")[:40])
    rows = head.split(b"\n")
    first = next(i for i, line in enumerate(rows) if line[:1].isdigit())
    (lab.parent / "healthy" / "logs" / "healthy_0003.csv").write_bytes(b"\n".join(rows[:first]) + b"\n")
    plan = lab.parent / "healthy" / "plan.toml"
    plan.write_text(plan.read_text().replace('["logs/*.csv.gz"]', '["logs/*.csv.gz", "logs/*.csv"]'))
    assert call(["nightly", str(lab), "--brief"]) == 10
    manifest = RunStore(lab.parent / "store", "healthy").manifest()
    assert [remark.text for source in manifest.sources for remark in source.remarks] == ["the log holds no rows"]


def test_steps_ask_for_the_step_before(lab: Path) -> None:
    run = load_run(lab.parent / "healthy" / "plan.toml")
    with pytest.raises(ConfigError, match="nothing of run 'healthy' is in the store yet"):
        work(run, first="process")
    outcome = work(run, until="ingest")
    assert outcome.worked == ("ingest",)
    assert len(outcome.read) == 2
    with pytest.raises(ConfigError, match="run 'healthy' is not processed yet"):
        work(run, first="check")
    assert work(run, first="process", until="process").worked == ("process",)
    assert work(run, first="check", today=date(2031, 6, 1)).worked == ("check",)
    again = work(run)
    assert (again.worked, again.read) == (("drift",), ())  # no verdict waits for it
    again = work(run)
    assert (again.worked, again.read) == ((), ())
    assert set(again.seconds) == {"ingest", "process", "drift", "check"}


def test_work_holds_the_store(lab: Path) -> None:
    run = load_run(lab.parent / "healthy" / "plan.toml")
    with hold_store(run.store), pytest.raises(StoreBusyError):
        work(run)


def test_a_changed_limit_is_judged_anew_and_nothing_else_is_done(worked: Path) -> None:
    limits = worked.parents[1] / "configs" / "limits" / "drift.toml"
    limits.write_text(limits.read_text().replace('value = "25 %"', 'value = "50 %"'))
    outcome = work(load_run(worked.parent / "wearing" / "plan.toml"))
    assert outcome.worked == ("drift", "check")  # a limit on a change has a forecast


def test_a_changed_block_is_processed_anew_and_the_others_are_kept(worked: Path) -> None:
    before = RunStore(worked.parent / "store", "healthy").manifest()
    plan = worked.parent / "healthy" / "plan.toml"
    plan.write_text(plan.read_text().replace('"1 min", "10 min", "25 min"', '"1 min", "10 min", "20 min"'))
    outcome = work(load_run(plan))
    assert outcome.worked == ("process", "drift", "check")

    def parts(manifest: Manifest, table: str) -> list[str]:
        return [part.path for part in manifest.table(table)]

    for table in ("samples", "cycles", "loops", "trends", "sweeps"):
        assert parts(outcome.manifest, table) == parts(before, table)
    assert parts(outcome.manifest, "creep_points") != parts(before, "creep_points")


def test_a_step_that_fails_leaves_what_was_committed_before(
    lab: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise StoreError("it cannot be written there: No space left on device")

    run = load_run(lab.parent / "healthy" / "plan.toml")
    with monkeypatch.context() as patch:
        with_run(patch, "process", full)
        with pytest.raises(StoreError):
            work(run)
    manifest = RunStore(run.store, run.name).manifest()
    assert (manifest.sequence, set(manifest.steps)) == (1, {"ingest"})
    assert work(run).worked == ("process", "drift", "check")
