"""A step is one declaration: the pipeline makes its key, skips or runs it, and commits once. The step here is a toy."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest

from benchpipe import pipeline
from benchpipe.check.run import CHECK
from benchpipe.errors import BenchpipeError, ConfigError
from benchpipe.ingest.run import INGEST
from benchpipe.pipeline import run_steps, work
from benchpipe.process.run import PROCESS
from benchpipe.steps import Night, StepKind, StepResult, StepTask
from benchpipe.store.manifest import Manifest, Step
from benchpipe.store.run_store import RunStore
from benchpipe.store.state import State
from benchpipe.tables import schema
from tests.ingest.taken import HEAD, Run, rows
from tests.store.kept import tables


class ToyState(State):
    """How often the toy has run, and how many cycles there were."""

    times: int
    cycles: int


def _run(task: StepTask[ToyState]) -> StepResult[ToyState]:
    """Count the cycles."""
    count = task.store.read(task.manifest, "cycles").num_rows
    row = {"step": "toy", "code": "toy", "where": "main", "count": count, "text": "cycles"}
    part = task.store.write("remarks", pa.Table.from_pylist([row], schema=schema("remarks")), task.key)
    times = 1 if task.past is None else task.past.times + 1
    return StepResult(ToyState(times=times, cycles=count), parts=(part,))


def _settings(night: Night) -> dict[str, object]:
    return {"specimen": night.run.plan.specimen}


TOY = StepKind(
    name="toy", version=1, parents=("process",), tables=("remarks",), state=ToyState, settings=_settings, run=_run
)


def with_toy(monkeypatch: pytest.MonkeyPatch, **changed: Any) -> None:
    """The pipeline with the toy between process and check."""
    monkeypatch.setattr(pipeline, "STEPS", (INGEST, PROCESS, replace(TOY, **changed), CHECK))


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """A run with one log that was worked on once, by all steps and the toy."""
    with_toy(monkeypatch)
    made = Run(tmp_path)
    made.write("a.csv", HEAD + rows(0, 600))
    assert work(made.config).worked == ("ingest", "process", "toy", "check")
    return made


def store_of(run: Run) -> RunStore:
    """Its store."""
    return RunStore(run.config.store, "run")


def toy_of(manifest: Manifest) -> Step:
    """What the toy made."""
    return manifest.steps["toy"]


def times(manifest: Manifest) -> int:
    """How often the toy has run."""
    return int(str(toy_of(manifest).state["times"]))


def test_a_step_whose_key_is_the_same_is_skipped(run: Run) -> None:
    before = store_of(run).manifest()
    assert times(before) == 1
    assert work(run.config).worked == ()
    assert store_of(run).manifest() == before


def test_each_step_that_ran_is_committed_once(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    assert store_of(run).manifest().sequence == 4
    commit, said = RunStore.commit, list[set[str]]()

    def counted(store: RunStore, manifest: Manifest) -> Manifest:
        said.append(set(manifest.steps))
        return commit(store, manifest)

    monkeypatch.setattr(RunStore, "commit", counted)
    run.write("a.csv", HEAD + rows(0, 900))
    assert work(run.config).worked == ("ingest", "process", "toy", "check")
    assert len(said) == 4
    said.clear()
    assert set(work(run.config, again=True).worked) == {"ingest", "process", "toy", "check"}
    assert said[0] == {"ingest"}  # with the samples goes what was made of them
    assert len(said) == 4


def test_another_version_or_setting_or_parent_makes_it_run_again(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    keys = {toy_of(store_of(run).manifest()).key}
    with_toy(monkeypatch, version=2)
    outcome = work(run.config)
    assert (outcome.worked, times(outcome.manifest), toy_of(outcome.manifest).version) == (("toy",), 2, 2)
    keys.add(toy_of(outcome.manifest).key)
    plan = run.folder / "plan.toml"
    plan.write_text(plan.read_text("utf-8").replace('"invented"', '"another"'), "utf-8")
    outcome = work(run.config)
    assert (outcome.worked, times(outcome.manifest)) == (("toy",), 3)
    keys.add(toy_of(outcome.manifest).key)
    run.write("a.csv", HEAD + rows(0, 900))
    outcome = work(run.config)
    assert (outcome.worked, times(outcome.manifest)) == (("ingest", "process", "toy", "check"), 4)
    keys.add(toy_of(outcome.manifest).key)
    assert len(keys) == 4
    assert work(run.config).worked == ()


def test_a_night_stopped_after_any_step_and_continued_is_one_pass(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with_toy(monkeypatch)
    found = []
    for name, stops in (("once", ()), ("stopped", ("ingest", "process", "toy"))):
        made = Run(tmp_path / name)
        made.write("a.csv", HEAD + rows(0, 600) + "x\n")
        for stop in stops:
            assert work(made.config, until=stop).worked == (stop,)
        work(made.config)
        manifest = store_of(made).manifest()
        found.append((tables(store_of(made)), manifest.steps, manifest.sequence))
    assert found[0] == found[1]


def test_a_part_of_a_table_that_is_not_declared_is_refused(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    before = store_of(run).manifest()
    with_toy(monkeypatch, version=2, tables=())
    with pytest.raises(BenchpipeError, match="the step 'toy' wrote the table 'remarks'"):
        work(run.config)
    assert store_of(run).manifest() == before


def test_a_lost_part_is_made_again_by_its_step_alone(run: Run) -> None:
    before = store_of(run).manifest()
    (part,) = toy_of(before).parts
    (store_of(run).folder / part.path).unlink()
    outcome = work(run.config)
    assert set(outcome.worked) == {"ingest", "toy"}  # the ingest reports the damage
    assert toy_of(outcome.manifest).parts == (part,)


def test_a_step_waits_for_its_parents(run: Run, tmp_path: Path) -> None:
    other = Run(tmp_path / "other")
    other.write("a.csv", HEAD + rows(0, 600))
    with pytest.raises(ConfigError, match="nothing of run 'run' is in the store yet"):
        run_steps(other.config, first="toy")
    run_steps(other.config, until="ingest")
    with pytest.raises(ConfigError, match="run 'run' is not processed yet") as error:
        run_steps(other.config, first="toy")
    assert "benchpipe process RUN" in str(error.value)


def test_what_it_kept_and_does_not_fit_is_rebuilt_and_reported(run: Run) -> None:
    store = store_of(run)
    before = store.manifest()
    step = toy_of(before).model_copy(update={"state": {"times": 5, "cycles": "many"}})
    store.commit(before.model_copy(update={"steps": {**before.steps, "toy": step}}))
    with pytest.raises(ConfigError, match="what the step 'toy' kept of 'run' is not of this version"):
        run_steps(run.config, first="check")
    outcome = work(run.config)
    assert outcome.worked == ("toy",)
    (remark,) = toy_of(outcome.manifest).remarks
    assert (remark.code, remark.where) == ("rebuilt", "run")
    assert "cycles: Input should be a valid integer" in remark.text
    assert toy_of(outcome.manifest).state == toy_of(before).state
    assert work(run.config).worked == ()


def test_the_manifest_is_read_once_a_night(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    read, times_read = RunStore.manifest, list[int]()

    def counted(store: RunStore) -> Manifest:
        times_read.append(1)
        return read(store)

    monkeypatch.setattr(RunStore, "manifest", counted)
    run.write("a.csv", HEAD + rows(0, 900))
    for _ in range(2):
        times_read.clear()
        work(run.config)
        assert len(times_read) == 1
