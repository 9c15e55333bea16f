"""From one to eight workers of a scheduler: the same store to the last byte."""

from __future__ import annotations

import os
import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest

from benchpipe.cli.bugs import bug_report
from benchpipe.night.lab import work_lab
from benchpipe.night.task import WorkerEvent
from tests.conftest import copy_samples
from tests.store.kept import tree

distributed = pytest.importorskip("distributed")
pytestmark = [
    pytest.mark.skipif(os.name != "posix", reason="signals"),
    pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::DeprecationWarning", "ignore::UserWarning"),
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]
NOW = datetime(2031, 6, 1, 2, 0, tzinfo=UTC)
MOST = 8
RUNS = 9


@pytest.mark.soak
def test_one_to_eight_workers_give_the_same_bytes(tmp_path: Path) -> None:
    lab = copy_samples(tmp_path / "here").parent / "bumper-study" / "lab.toml"
    work_lab(lab, bug=bug_report, now=NOW)
    here = tree(lab.parent / "store")
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address=None,
        local_directory=str(tmp_path / "dask"), silence_logs=50,
    ) as cluster:  # fmt: skip
        engine = f'\n[engine]\nkind = "dask"\nscheduler = "{cluster.scheduler_address}"\n'
        for workers in range(1, MOST + 1):
            cluster.scale(workers)
            with distributed.Client(cluster) as client:
                client.wait_for_workers(workers)
            folder = tmp_path / f"by-{workers}"
            study = copy_samples(folder).parent / "bumper-study"
            (study / "lab.toml").write_text((study / "lab.toml").read_text("utf-8") + engine, "utf-8")
            events: list[WorkerEvent] = []
            night = work_lab(study / "lab.toml", bug=bug_report, now=NOW, watch=events.append)
            assert [view.failed for view in night.views] == [None] * RUNS
            assert len([event for event in events if event.kind == "reads"]) == RUNS
            assert tree(study / "store") == here, f"{workers} workers"
            shutil.rmtree(folder)
