"""A fleet of a thousand rigs on one object store, small days, real code: a night, one with a new day, an idle one."""

from __future__ import annotations

import os
from collections import Counter
from pathlib import Path

import pytest

from benchpipe.cli.bugs import bug_report
from benchpipe.errors import ExitCode
from benchpipe.night.lab import work_lab
from tests.ingest.taken import HEAD, PLAN, RIG, rows
from tests.store.objects import ADDRESS, Requests, objects, on_machine

RIGS = int(os.environ.get("BENCHPIPE_FLEET", "1000"))


def fleet(folder: Path) -> list[Path]:
    """Lab files of two machines, each with half of the rigs, on one store."""
    labs = []
    for machine in range(2):
        home = folder / f"machine-{machine}"
        names = [f"rig-{number:04}" for number in range(RIGS) if number % 2 == machine]
        for name in names:
            (home / name / "logs").mkdir(parents=True)
            (home / name / "rig.toml").write_text(RIG.format(log="", time='column = "t"', force=""), "utf-8")
            plan = PLAN.format(logs='["logs/*"]', blocks="").replace('name = "run"', f'name = "{name}"')
            (home / name / "plan.toml").write_text(plan, "utf-8")
        plans = ", ".join(f'"{name}/plan.toml"' for name in names)
        labs.append(home / "lab.toml")
        labs[-1].write_text(f'name = "fleet"\nstore = "{ADDRESS}"\nplans = [{plans}]\n', "utf-8")
    return labs


@pytest.mark.soak
def test_a_fleet_of_rigs_on_one_object_store(tmp_path: Path) -> None:
    pytest.importorskip("obstore", reason="the extra s3 is not installed")
    from obstore.store import MemoryStore

    memory, labs = MemoryStore(), fleet(tmp_path)
    for night in range(3):
        for machine, lab in enumerate(labs):
            if night < 2:
                for plan in lab.parent.glob("*/plan.toml"):
                    log = plan.parent / "logs" / f"{night}.csv"
                    log.write_text(HEAD + rows(300 * night, 300 * night + 300), "utf-8")
            requests = Requests(memory)
            with on_machine(tmp_path / f"cache-{machine}", requests):
                found = work_lab(lab, bug=bug_report)
            assert {view.failed for view in found.views} == {None}
            assert found.code is ExitCode.INCONCLUSIVE
            if night == 2:  # nothing new: one listing a run, four requests of the job, and notes of the other machine
                asked = Counter(requests.names)
                assert asked["list"] + asked["list_with_delimiter"] == RIGS // 2 + 4
                assert asked["get"] <= 3 * RIGS // 2
                assert sum(asked.values()) == asked["list"] + asked["list_with_delimiter"] + asked["get"]
    kept = objects(memory)
    sizes = {len(kept[f"rig-{number:04}/manifest.json"]) > 1000 for number in range(RIGS)}
    assert sizes == {True}
    assert len([name for name in kept if "/samples/" in name]) == 2 * RIGS
    alarms = {str(one["path"]).rpartition("/")[2] for one in memory.list(".nights/verified").collect()}
    assert alarms == {f"rig-{number:04}.json" for number in range(RIGS)}
