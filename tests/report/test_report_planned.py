"""Whether a cycle test is over has one answer: block, pace, headline and the rig's health give the same."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from benchpipe.blocks.cyclic.plan import PlannedBy
from benchpipe.config.watching import HealthConfig
from benchpipe.health.gather import run_facts
from benchpipe.run import RunConfig, load_run
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore
from benchpipe.views.lab_rows import lab_row
from benchpipe.views.model import RunView
from benchpipe.views.run_view import run_view

GAP = {"counted": 1_206.0, "differences": [["gap", 1, 2, 10.0], ["stop", 3, 4, 1.0]]}
JUMP = {"counted": 1_206.0, "differences": [["stop", 3, 4, 1.0], ["unexplained", 1, 2, 10.0]]}


def shown(lab: Path, counted: dict[str, Any] | None, by: PlannedBy) -> tuple[RunView, bool]:
    """The healthy run with its cycles alone, 1,206 planned, 1,195 detected; and whether its rig may stand."""
    run = load_run(lab.parent / "healthy" / "plan.toml")
    block = next(b for b in run.plan.block if b.name == "durability")
    block = block.model_copy(update={"planned_cycles": 1_206, "planned_by": by})
    run = replace(run, plan=run.plan.model_copy(update={"block": (block,)}))
    store = RunStore(run.store, run.name)
    manifest = _with_count(store.manifest(), counted)
    facts = run_facts(run, manifest, store, HealthConfig(), datetime(2031, 1, 1, tzinfo=UTC))
    assert facts is not None
    return run_view(run, manifest, store), facts.over


def _with_count(manifest: Manifest, counted: dict[str, Any] | None) -> Manifest:
    step = manifest.steps["process"]
    kept = counted and {"detected": 1_195, "per_cycle": 1.0, "resets": 0, "rollovers": 0, **counted}
    state = step.state | {"durability": step.state["durability"] | {"counted": kept}}
    return manifest.model_copy(update={"steps": manifest.steps | {"process": step.model_copy(update={"state": state})}})


@pytest.mark.parametrize(
    ("counted", "by", "done", "over", "said"),
    [
        (GAP, "counter", 1_206, True, "cycle count: rig counter 1,206, detected 1,195; 1 at stops, 10 in logging gaps"),
        (GAP, "detected", 1_195, True, 'planned_by = "counter"'),
        (JUMP, "counter", 1_206, True, "10 cycles between counter and detection have no known reason"),
        (JUMP, "detected", 1_195, False, ""),
        (None, "counter", 1_195, False, "rig counter without values"),
        (None, "detected", 1_195, False, ""),
    ],
)
def test_done_has_one_answer(
    sample_lab: Path, counted: dict[str, Any] | None, by: PlannedBy, done: int, over: bool, said: str
) -> None:
    view, may_stand = shown(sample_lab, counted, by)
    (block,) = view.blocks
    assert (block.done, block.planned, block.ended, may_stand) == (done, 1_206, over, over)
    assert said in block.said
    assert view.pace is not None
    assert view.pace.done == done
    assert (view.pace.end_us is None) is over
    assert lab_row(view).cycles == f"{done:,}/1,206"


def test_a_run_whose_plan_is_done_does_not_wait_for_limits_on_blocks_that_it_does_not_have(sample_lab: Path) -> None:
    run: RunConfig = load_run(sample_lab.parent / "creeping-lock" / "plan.toml")
    store = RunStore(run.store, run.name)
    manifest = store.manifest()
    rows = store.read(manifest, "verdicts").to_pylist()
    absent = {r["block"] for r in rows} - {b.name for b in run.plan.block} - {"run"}
    assert absent  # limits on stance and proof blocks
    blocks = tuple(b for b in run.plan.block if b.kind != "cyclic")
    done = replace(run, plan=run.plan.model_copy(update={"block": blocks}))
    assert run_view(run, manifest, store).running
    assert not run_view(done, manifest, store).running
