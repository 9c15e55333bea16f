"""What an older or another program kept and does not fit is rebuilt from logs and samples, and reported."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

import pytest

from benchpipe.cli.main import call
from benchpipe.drift.kept import KeptWatch
from benchpipe.drift.watch import FORMAT
from benchpipe.pipeline import work
from benchpipe.store.manifest import Manifest, Remark
from benchpipe.store.run_store import RunStore
from tests.drift.test_drift_step import CYCLES, DAY
from tests.drift.test_drift_step import made as drifting
from tests.drift.test_drift_step import tables as drift_tables
from tests.ingest.taken import HEAD, Run, rows
from tests.ingest.test_second import FOUND, Two
from tests.retention.unsigned import unsigned_by_key
from tests.store.kept import tables

Spoil = Callable[[dict[str, Any]], object]
BLOCKS = """
[[block]]
name = "free"
kind = "sweep"
low = "100 mm"
high = "800 mm"
frequency = "0.2 Hz"
resistance_between = ["200 mm", "700 mm"]
usable_load = "3 N"
[[block]]
name = "stood"
kind = "stance"
load_min = "5 N"
load_max = "900 N"
settling_time = "0.2 s"
window = "60 s"
[[block]]
name = "held"
kind = "hold"
load = "400 N"
report_at = ["1 s"]
"""


@pytest.fixture
def lab_copy(sample_lab: Path, tmp_path: Path) -> Path:
    """A lab that was worked through once."""
    shutil.copytree(sample_lab.parents[1], tmp_path, dirs_exist_ok=True)
    return tmp_path / "sample_runs" / "lab.toml"


def made(folder: Path) -> Run:
    """A run of two logs; the last row of the second has no end yet."""
    run = Run(folder, blocks=BLOCKS)
    run.write("a.csv", HEAD + rows(0, 700) + "x,y\n")
    run.write("b.csv", HEAD + rows(700, 1500) + "x,y\n15.0")
    return run


def grow(run: Run) -> None:
    """More rows in the last log."""
    run.write("b.csv", HEAD + rows(700, 1500) + "x,y\n" + rows(1500, 2300))


def store_of(run: Run | Two) -> RunStore:
    """Its store."""
    return RunStore(run.config.store, "run")


def spoil_step(run: Run | Two, step: str, spoil: Spoil) -> None:
    """Change the state of a step, as a sound manifest."""
    store = store_of(run)
    manifest = store.manifest()
    document = manifest.model_dump(mode="json")
    spoil(document["steps"][step]["state"])
    store.commit(Manifest.model_validate(document))


def spoil_log(run: Run, spoil: Spoil) -> None:
    """Change the reading state of the last log."""
    store = store_of(run)
    document = store.manifest().model_dump(mode="json")
    spoil(document["sources"][-1]["state"])
    store.commit(Manifest.model_validate(document))


def rebuilt(manifest: Manifest) -> list[Remark]:
    """Remarks on what was rebuilt."""
    return [r for step in manifest.steps.values() for r in step.remarks if r.code == "rebuilt"]


def keys(manifest: Manifest) -> dict[str, str]:
    """Keys of the steps."""
    return {name: step.key for name, step in manifest.steps.items()}


BLOCK: dict[str, tuple[str, Spoil]] = {
    "another type": ("main", lambda s: s["main"]["anchor"].update(time_us="12:30")),
    "a value is missing": ("main", lambda s: s["main"]["anchor"].pop("armed")),
    "an unknown reason": ("main", lambda s: s["main"].update(counted={"detected": 1, "counted": 1.0})),
    "no parts": ("main", lambda s: s["main"].pop("parts")),
    "no key": ("held", lambda s: s["held"].pop("key")),
    "another part": ("main", lambda s: s["main"].update(settled=["cycles/gone.parquet"])),
    "other numbers of parts": ("main", lambda s: s["main"]["ends"].append(3)),
    "other numbers of longest runs": ("main", lambda s: s["main"]["longest"].append([0, 0, 0, 0, None])),
    "odd sums": ("main", lambda s: s["main"]["sums"]["periods"].update(counts=["3"])),
    "parts of loops": ("main", lambda s: s["main"]["loops"].update(parts=["loops/gone.parquet"])),
    "no state at all": ("main", lambda s: s.update(main=[])),
    "the same number of another type": ("main", lambda s: s["main"].update(lost_at_end=0.0)),
    "sweeps": ("free", lambda s: s["free"].update(anchor={"at": 3})),
    "stance": ("stood", lambda s: s["stood"]["anchor"].update(taken=1)),
    "identity": ("stood", lambda s: s["stood"].update(inputs="all")),
}


@pytest.mark.parametrize("grown", [False, True])
@pytest.mark.parametrize("how", BLOCK)
def test_a_block_that_does_not_fit_is_rebuilt_and_reported(tmp_path: Path, how: str, grown: bool) -> None:
    block, spoil = BLOCK[how]
    run, fresh = made(tmp_path / "a"), made(tmp_path / "b")
    for one in (run, fresh):
        work(one.config)
    spoil_step(run, "process", spoil)
    for one in (run, fresh) if grown else ():
        grow(one)
    found, asked = work(run.config).manifest, work(fresh.config).manifest
    (remark,) = rebuilt(found)
    assert (remark.step, remark.where) == ("process", block)
    assert "is not of this version" in remark.text
    assert (tables(store_of(run)), keys(found)) == (tables(store_of(fresh)), keys(asked))
    if not grown:
        assert found.steps["process"].state == asked.steps["process"].state
    assert work(run.config).worked == ()
    assert rebuilt(store_of(run).manifest()) == [remark]


INGEST: dict[str, Spoil] = {
    "no account": lambda s: s.pop("account"),
    "copies": lambda s: s["copies"][0].update(logs=[["logs/a.csv", 3]]),
    "zeros": lambda s: s.update(zeros={"force": {"key": 3}}),
}


@pytest.mark.parametrize("how", INGEST)
def test_an_ingest_that_does_not_fit_is_rebuilt_and_reported(tmp_path: Path, how: str) -> None:
    run = made(tmp_path)
    before = work(run.config).manifest
    kept = tables(store_of(run))
    spoil_step(run, "ingest", INGEST[how])
    outcome = work(run.config)
    assert (outcome.worked, outcome.read) == (("ingest",), ())
    (remark,) = rebuilt(outcome.manifest)
    assert (remark.step, remark.where) == ("ingest", "run")
    assert outcome.manifest.steps["ingest"].state == before.steps["ingest"].state
    assert (tables(store_of(run)), keys(outcome.manifest)) == (kept, keys(before))
    assert work(run.config).worked == ()


DRIFT: dict[str, Spoil] = {
    "another format": lambda w: w.update(format=99, bins={}),
    "no bins": lambda w: w.pop("bins"),
    "bins of no measures": lambda w: w["bins"].pop("measures"),
    "an event of another kind": lambda w: w.update(events=[{"measure": "energy_j"}]),
    "baselines": lambda w: w.update(baselines=[1]),
    "events in a word": lambda w: w.update(events="none"),
}


@pytest.mark.parametrize("how", DRIFT)
def test_a_watch_over_drift_that_does_not_fit_begins_again_and_is_reported(tmp_path: Path, how: str) -> None:
    early, late = CYCLES - 3 * DAY, CYCLES
    run = drifting(tmp_path / "a", early)
    work(run)
    store = run.open_store()
    document = store.manifest().model_dump(mode="json")
    (block,) = document["steps"]["drift"]["state"]["blocks"].values()
    DRIFT[how](block["watch"])
    store.commit(Manifest.model_validate(document))
    found, asked = (work(drifting(tmp_path / name, late)).manifest for name in ("a", "b"))
    (remark,) = rebuilt(found)
    assert (remark.step, "is not of this version" in remark.text) == ("drift", True)
    fresh = drifting(tmp_path / "b", late)
    assert drift_tables(run, found) == drift_tables(fresh, asked)
    assert watched(found) == watched(asked)


def watched(manifest: Manifest) -> Any:
    """What is kept of the watch over the block."""
    return manifest.steps["drift"].state["blocks"]["main"]["watch"]  # type: ignore[index,call-overload]


def test_the_format_of_a_watch_is_the_one_that_is_kept() -> None:
    assert KeptWatch.model_fields["format"].annotation == Literal[FORMAT]  # type: ignore[valid-type]


LOG: dict[str, Spoil] = {
    "reader": lambda s: s["reader"].update(offset="18 kB"),
    "layout": lambda s: s["reader"]["layout"].pop("width"),
    "clock": lambda s: s["clock"].update(shift_us=0.5),
    "ticks": lambda s: s["ticks"].update(place=[1, 2]),
    "no counts": lambda s: s.pop("outside"),
    "tail": lambda s: s.update(tail="rejects/gone.parquet"),
}


@pytest.mark.parametrize("how", LOG)
def test_a_log_that_does_not_fit_is_read_again_and_reported(tmp_path: Path, how: str) -> None:
    run, fresh, told = made(tmp_path / "a"), made(tmp_path / "b"), list[str]()
    work(run.config)
    spoil_log(run, LOG[how])
    for one in (run, fresh):
        grow(one)
    outcome = work(run.config, on_progress=told.append)
    asked = work(fresh.config).manifest
    assert outcome.read == ("logs/b.csv",)
    assert told[0].startswith("logs/b.csv again: what was kept of it is not of this version (")
    (remark,) = rebuilt(outcome.manifest)
    assert (remark.step, remark.where) == ("ingest", "logs/b.csv")
    assert tables(store_of(run))["samples"] == tables(store_of(fresh))["samples"]
    assert outcome.manifest.account() == asked.account()
    assert outcome.manifest.sources[-1].state == asked.sources[-1].state
    assert work(run.config).worked == ()


@pytest.mark.parametrize("spoil", [lambda s: s.pop("tail"), LOG["tail"], lambda s: s.update(tail=["x"])])
def test_a_log_whose_open_end_is_not_known_is_read_again_at_once(tmp_path: Path, spoil: Spoil) -> None:
    run = made(tmp_path)
    before = work(run.config).manifest
    kept = tables(store_of(run))
    spoil_log(run, spoil)
    outcome = work(run.config)
    assert (outcome.worked, outcome.read) == (("ingest",), ("logs/b.csv",))
    assert [r.where for r in rebuilt(outcome.manifest)] == ["logs/b.csv"]
    assert outcome.manifest.sources == before.sources
    assert (tables(store_of(run)), keys(outcome.manifest)) == (kept, keys(before))


def test_what_no_night_needs_of_a_log_is_left_alone(tmp_path: Path) -> None:
    run = made(tmp_path)
    work(run.config)
    spoil_log(run, LOG["reader"])
    assert work(run.config).worked == ()


@pytest.mark.parametrize(
    "spoil", [lambda s: s["second"].update(lines=[[0, "late"]]), lambda s: s["second"].update(windows=[{"points": 1}])]
)
def test_two_loggers_are_joined_again(tmp_path: Path, spoil: Spoil) -> None:
    run = Two(tmp_path, FOUND)
    for second in range(0, 30, 10):
        run.motion(f"motion_{second}.csv", second, second + 10)
        run.load(f"load_{second}.csv", second, second + 10)
    before = work(run.config).manifest
    kept = store_of(run).read(before, "cycles")
    spoil_step(run, "ingest", spoil)
    outcome = work(run.config)
    assert len(rebuilt(outcome.manifest)) == 1
    assert outcome.manifest.steps["ingest"].state == before.steps["ingest"].state
    assert (store_of(run).read(outcome.manifest, "cycles"), keys(outcome.manifest)) == (kept, keys(before))


def test_more_that_another_version_kept_is_ignored(tmp_path: Path) -> None:
    run = made(tmp_path)
    work(run.config)
    spoil_step(run, "process", lambda s: s["main"].update(mood="good"))
    spoil_step(run, "check", lambda s: s.update(mood="good"))
    assert work(run.config).worked == ()


def test_a_signed_and_closed_run_of_another_version_opens_and_shows(
    lab_copy: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    where = ["healthy", "--lab", str(lab_copy)]
    assert call(["show", *where]) in (0, 10)
    shown = capsys.readouterr().out
    store = RunStore(lab_copy.parent / "store", "healthy")
    unsigned_by_key(store, store.manifest(), "A. Reviewer, laboratory", "", datetime.now(UTC))
    assert call(["drop", *where]) == 0
    document = store.manifest().model_dump(mode="json")
    document["steps"]["process"]["state"]["durability"]["anchor"] = "a string"
    document["steps"]["process"]["state"]["free"] = 3
    document["steps"]["ingest"]["state"] = {"copies": "none"}
    closed = store.commit(Manifest.model_validate(document))
    capsys.readouterr()
    assert call(["nightly", str(lab_copy), "--brief"]) == 10
    assert store.manifest() == closed
    assert call(["show", *where]) in (0, 10)
    again = capsys.readouterr().out
    assert "1,195" in shown
    assert "1,195" in again
