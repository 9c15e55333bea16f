"""Each night verifies a share of all files: every file once in the time that is set, whatever nights are missed."""

from __future__ import annotations

import json
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from benchpipe.errors import ExitCode
from benchpipe.night.lab import work_lab
from benchpipe.run import RunConfig, load_run
from benchpipe.verify import share
from benchpipe.verify.line import Line
from benchpipe.verify.share import VERIFIED, SharedRun, _due, verified_since, verify_share
from tests.verify.labs import RUNS, write_kept

DAY_S = 86_400.0
START = datetime(2031, 5, 1, 5, 30, tzinfo=UTC)


@pytest.fixture
def lab(sample_lab: Path, tmp_path: Path) -> Path:
    shutil.copytree(sample_lab.parents[1], tmp_path, dirs_exist_ok=True)
    (tmp_path / "sample_runs" / "store" / VERIFIED).unlink(missing_ok=True)
    return tmp_path / "sample_runs" / "lab.toml"


def runs_of(lab: Path) -> list[RunConfig]:
    return [load_run(lab.parent / run / "plan.toml") for run in RUNS]


def test_every_file_has_its_turn_once_in_the_time(lab: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    runs, looked = list(map(SharedRun.of, runs_of(lab))), list[str]()

    def noted(run: RunConfig, file: share._File) -> Line | None:
        looked.append(f"{run.name}/{file.name}")
        return None

    monkeypatch.setattr(share, "_verified", noted)
    for night in range(10):
        assert verify_share(lab.parent / "store", runs, 10 * DAY_S, START + timedelta(days=night)) == []
        assert night or not looked  # they were read and hashed in the first night
    assert 0 < len(looked) == len(set(looked))
    verify_share(lab.parent / "store", runs, 10 * DAY_S, START + timedelta(days=10))
    every = sorted(looked)
    assert every == sorted(set(every))
    tables = sum(len(one.manifest().parts()) + len(one.manifest().sources) for one in runs)
    assert len(every) == tables + sum(len(one.files) + 1 for one in runs_of(lab))  # settings files and their list
    verify_share(lab.parent / "store", runs, 10 * DAY_S, START + timedelta(days=25))  # nights that were missed
    assert sorted(looked) == sorted([*every, *every])
    verify_share(lab.parent / "store", runs, 10 * DAY_S, START + timedelta(days=25, minutes=1))
    assert len(looked) == 2 * len(every)


def test_a_turn_is_spread_over_the_time() -> None:
    names = [f"log {number}" for number in range(1000)]
    nights = [sum(_due(name, day * DAY_S, (day + 1) * DAY_S, 10 * DAY_S) for name in names) for day in range(10)]
    assert sum(nights) == 1000
    assert min(nights) > 60  # 100 ± 9.5 expected


def test_a_changed_byte_is_found_and_the_night_says_so(lab: Path) -> None:
    store = lab.parent / "store"
    log = sorted((lab.parent / "wearing" / "logs").iterdir())[0]
    first = work_lab(lab, bug=lambda *_: "", now=START)
    assert first.code == ExitCode.LIMIT_FAILED
    assert verified_since(store, "wearing") == START.timestamp()
    data = log.read_bytes()
    write_kept(log, data[:-1] + bytes([data[-1] ^ 1]))
    later = work_lab(lab, bug=lambda *_: "", now=START + timedelta(days=31))
    assert later.code == ExitCode.CHANGED
    (found,) = [one for one in later.store if one.code == "changed"]
    assert found.text.startswith(f"wearing: log logs/{log.name} changed: its first {len(data):,} bytes are not")
    assert verified_since(store, "wearing") == START.timestamp()  # of the log that changed
    write_kept(log, data)
    assert work_lab(lab, bug=lambda *_: "", now=START + timedelta(days=32)).code == ExitCode.LIMIT_FAILED
    assert verified_since(store, "healthy") == (START + timedelta(days=31)).timestamp()


def test_a_settings_file_has_its_turn(lab: Path) -> None:
    store, runs = lab.parent / "store", list(map(SharedRun.of, runs_of(lab)))
    verify_share(store, runs, DAY_S, START)
    path = sorted((store / "wearing" / "configuration").glob("*.toml"))[0]
    path.write_bytes(path.read_bytes() + b"#")
    later = verify_share(store, runs, DAY_S, START + timedelta(days=2))
    assert [(line.run, line.what) for line in later] == [("wearing", f"configuration/{path.name}")]


def test_a_note_that_cannot_be_read_is_written_again(lab: Path) -> None:
    store = lab.parent / "store"
    for text in ("", "[]", '{"version": 9}', '{"version": 1, "runs": {"wearing": 3}}'):
        (store / VERIFIED).write_text(text)
        assert verified_since(store, "wearing") is None
        verify_share(store, list(map(SharedRun.of, runs_of(lab))), DAY_S, START)
        assert set(json.loads((store / VERIFIED).read_bytes())["runs"]) == set(RUNS)
