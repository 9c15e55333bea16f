"""Shares of a lab: each run in one, side by side, and together the same as one night."""

from __future__ import annotations

import os
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from benchpipe.cli.main import call
from benchpipe.errors import ConfigError, ExitCode, StoreBusyError
from benchpipe.night.glance import VIEWS
from benchpipe.night.shard import Shard
from benchpipe.run import load_run
from benchpipe.store.lock import hold_store
from benchpipe.store.shared_lock import share_store
from tests.cli.commands import environment
from tests.conftest import copy_samples
from tests.store.kept import tree

pytestmark = pytest.mark.skipif(os.name != "posix", reason="locks that are shared")
NOW = datetime(2031, 6, 1, 2, 0, tzinfo=UTC)
RUNS = ("healthy", "wearing", "creeping-lock")


@pytest.mark.parametrize("of", [1, 2, 3, 7, 1000])
def test_each_run_is_in_one_share(of: int) -> None:
    names = [f"run-{k}" for k in range(50)]
    shares = [{name for name in names if Shard(k, of).has(name)} for k in range(1, of + 1)]
    assert sum(map(len, shares)) == len(names)
    assert set().union(*shares) == set(names)
    assert of == 1 or max(map(len, shares)) < len(names)


@pytest.mark.parametrize("text", ["", "2", "0/2", "3/2", "1/0", "a/b", "1/2/3", "-1/2", "1.0/2", "9999999/9999999"])
def test_what_is_no_share_is_refused(text: str) -> None:
    with pytest.raises(ConfigError, match="--shard cannot be used"):
        Shard.parse(text)
    assert Shard.parse(" 2/8 ") == Shard(2, 8)


def test_shares_side_by_side_make_the_same_store_as_a_night(sample_lab: Path, tmp_path: Path) -> None:
    lab = copy_samples(tmp_path)
    jobs = [
        subprocess.Popen(
            [sys.executable, "-m", "benchpipe", "nightly", str(lab), "--shard", f"{k}/2"], cwd=tmp_path,
            env=environment(), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )
        for k in (1, 2)
    ]  # fmt: skip
    said = [job.communicate(timeout=300) for job in jobs]
    assert [job.returncode in (0, 10, 11) for job in jobs] == [True, True], said
    assert {run for run in RUNS for out, _ in said if run in out} == set(RUNS)
    assert not (lab.parent / "pages").exists()  # of the whole lab, so no share makes them
    assert call(["nightly", str(lab), "--brief"]) == 10
    assert tree(lab.parent / "store") == tree(sample_lab.parent / "store")
    assert (lab.parent / "pages" / "index.html").exists()
    assert len(list((lab.parent / "store" / VIEWS).glob("*.json"))) == 3


def test_a_share_and_a_whole_night_wait_for_each_other(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lab = copy_samples(tmp_path)
    store = lab.parent / "store"
    with share_store(store, ["wearing"]):
        assert call(["nightly", str(lab)]) == ExitCode.STORE_BUSY
        assert call(["nightly", str(lab), "--shard", "1/1"]) == ExitCode.STORE_BUSY
        assert "another job works on the run 'wearing'" in capsys.readouterr().err
        with share_store(store, ["healthy"]):
            pass
        with pytest.raises(StoreBusyError, match="'wearing'"), share_store(store, ["wearing"], wait_s=0.3):
            pass
    with hold_store(store), pytest.raises(StoreBusyError, match="holds the store"), share_store(store, ["wearing"]):
        pass
    with share_store(store, ["wearing"]):
        pass  # all were released
    assert not (store / "wearing").exists()


def test_a_share_without_a_run_says_so(sample_lab: Path, capsys: pytest.CaptureFixture[str]) -> None:
    empty = next(k for k in range(1, 50) if not any(Shard(k, 50).has(run) for run in RUNS))
    assert call(["nightly", str(sample_lab), "--shard", f"{empty}/50"]) == ExitCode.OK
    assert f"no run of the lab is in share {empty}/50" in capsys.readouterr().err
    assert call(["nightly", str(sample_lab), "--shard", "51/50"]) == ExitCode.USAGE


def test_a_stopped_job_that_wakes_after_its_run_was_done_elsewhere_is_refused(tmp_path: Path) -> None:
    lab = copy_samples(tmp_path)
    assert call(["nightly", str(lab), "--brief"]) == 10
    store = load_run(lab.parent / "wearing" / "plan.toml", lab.parent / "store").open_store()
    stopped = store.manifest()
    newer = store.commit(stopped)  # the other job, meanwhile
    before = tree(lab.parent / "store")
    with pytest.raises(StoreBusyError, match="by another job meanwhile"):
        store.commit(stopped)
    assert tree(lab.parent / "store") == before
    assert store.manifest() == newer
