"""How fast a run goes: held against a reading of all its cycles."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchpipe.blocks.cyclic.final_cycles import LastCycles, last_cycles
from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.config.model import Quantity
from benchpipe.run import RunConfig, load_run
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore
from benchpipe.views.pace import DAY_US, Pace, pace_of

HOUR_US = DAY_US // 24


@pytest.fixture(scope="module")
def healthy(sample_lab: Path) -> tuple[RunConfig, RunStore]:
    run = load_run(sample_lab.parent / "healthy" / "plan.toml")
    return run, RunStore(run.store, run.name)


def block(planned: int | None, name: str = "b") -> CyclicBlock:
    return CyclicBlock(
        name=name, kind="cyclic", frequency="1 Hz", planned_cycles=planned,
        load_min=Quantity(10.0, "torque"), load_max=Quantity(70.0, "torque"),
    )  # fmt: skip


def paced(
    run: RunConfig, monkeypatch: pytest.MonkeyPatch, last_us: int, first_us: int | None, start: Any, planned: int | None
) -> Pace | None:
    """Pace of a run with these newest cycles."""
    tail = LastCycles(1000, np.asarray(start, np.int64), first_us)
    monkeypatch.setattr("benchpipe.views.pace.last_cycles", lambda *_: tail)
    one = replace(run, plan=run.plan.model_copy(update={"block": (block(planned),)}))
    return pace_of(one, Manifest(run="one"), None, last_us)  # type: ignore[arg-type]


def test_the_newest_cycles_are_those_of_the_table(healthy: tuple[RunConfig, RunStore]) -> None:
    _, store = healthy
    manifest = store.manifest()
    rows = [r for r in store.read(manifest, "cycles").to_pylist() if r["complete"] and r["block"] == "durability"]
    middle = rows[len(rows) // 2]["start_us"]
    found = last_cycles("durability", manifest, store, middle)
    assert found.done == rows[-1]["cycle"] == len(rows)
    assert found.first_us == rows[0]["start_us"]
    assert found.start_us.tolist() == [r["start_us"] for r in rows if r["start_us"] >= middle]
    assert last_cycles("durability", manifest, store).done == len(rows)
    assert last_cycles("nowhere", manifest, store).done == 0


def test_pace_over_a_young_run_is_from_its_first_cycle(
    healthy: tuple[RunConfig, RunStore], monkeypatch: pytest.MonkeyPatch
) -> None:
    start = np.arange(2 * 3600) * 1_000_000 + 5  # two hours at 1 Hz, then an hour's stop
    found = paced(healthy[0], monkeypatch, 3 * HOUR_US + 5, 5, start, 10_000)
    assert found == Pace(1000, 10_000, 57_600.0, 3 * HOUR_US + 5 + round(9000 / 57_600 * DAY_US))


def test_pace_over_an_old_run_is_that_of_its_last_day(
    healthy: tuple[RunConfig, RunStore], monkeypatch: pytest.MonkeyPatch
) -> None:
    last = 10 * DAY_US
    start = last - np.arange(30 * 3600)[::-1] * 1_000_000  # 30 h at 1 Hz are read
    found = paced(healthy[0], monkeypatch, last, None, start, 2_000_000)
    assert found is not None
    assert found.per_day == pytest.approx(86_400, abs=1)


@pytest.mark.parametrize(("planned", "start"), [(None, [1]), (1000, [1]), (5000, [])])
def test_nothing_to_expect(
    healthy: tuple[RunConfig, RunStore], monkeypatch: pytest.MonkeyPatch, planned: int | None, start: list[int]
) -> None:
    found = paced(healthy[0], monkeypatch, 2 * DAY_US, None, start, planned)
    assert found is not None
    assert found.end_us is None


def test_no_cyclic_block_has_no_pace(healthy: tuple[RunConfig, RunStore]) -> None:
    run, store = healthy
    holds = tuple(b for b in run.plan.block if b.kind == "hold")
    assert pace_of(replace(run, plan=run.plan.model_copy(update={"block": holds})), store.manifest(), store, 5) is None


@pytest.mark.parametrize(("seconds", "known"), [(150, False), (1700, False), (1900, True)])
def test_a_short_log_says_no_pace(
    healthy: tuple[RunConfig, RunStore], monkeypatch: pytest.MonkeyPatch, seconds: int, known: bool
) -> None:
    found = paced(healthy[0], monkeypatch, seconds * 1_000_000 + 5, 5, np.arange(seconds) * 1_000_000 + 5, 10_000)
    assert found is not None
    assert (found.done, found.per_day is not None, found.end_us is not None) == (1000, known, known)


def test_an_end_in_the_past_is_none() -> None:
    pace = Pace(10, 20, 5.0, 1000)
    assert [pace.seen_at(now).end_us for now in (999, 1000, 1001)] == [1000, None, None]
    assert Pace(10, 20, 5.0, None).seen_at(5) == Pace(10, 20, 5.0, None)
