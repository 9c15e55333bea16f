"""A hold that is not there is told once its time has come (the invented sample run)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from benchpipe.pipeline import work
from benchpipe.run import load_run
from benchpipe.store.run_store import RunStore
from tests.conftest import copy_samples


def held_at_95(folder: Path, *, to_its_end: bool) -> tuple[list[str], dict[str, Any]]:
    """The healthy run with a hold that its load never comes to; remarks on it, and the verdict on its creep."""
    plan = copy_samples(folder).parent / "healthy" / "plan.toml"
    text = plan.read_text().replace('load = "60 N*m"', 'load = "95 N*m"', 1)
    if not to_its_end:  # the plan ends with the hold
        at = text.index('name = "held"')
        text = text[: text.index("[[block]]", at)]
    plan.write_text(text)
    run = load_run(plan)
    manifest = work(run).manifest
    remarks = [r.text for step in manifest.steps.values() for r in step.remarks if r.code == "no-hold"]
    rows = RunStore(run.store, run.name).read(manifest, "verdicts").to_pylist()
    (creep,) = (row for row in rows if row["measure"] == "creep")
    return remarks, creep


@pytest.mark.parametrize("to_its_end", [False, True])
def test_a_hold_that_never_came_is_told_once_the_plan_has_gone_on(tmp_path: Path, to_its_end: bool) -> None:
    remarks, creep = held_at_95(tmp_path, to_its_end=to_its_end)
    assert (creep["verdict"], creep["due"]) == ("not evaluated", to_its_end)
    assert len(remarks) == to_its_end
    assert all("no hold: the load" in text and "95 N*m" in text for text in remarks)
