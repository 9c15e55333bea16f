"""What the step of verdicts is made from, what it keeps, and what of the plan a limit waits for (invented runs)."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest

from benchpipe.blocks.cyclic.state import Counted
from benchpipe.blocks.idle.plan import IdleBlock
from benchpipe.check.run import CHECK
from benchpipe.config.limits import OF_DRIFT
from benchpipe.run import RunConfig
from benchpipe.steps import Night
from benchpipe.store.manifest import Manifest, Placed, Source, Stamps, Step
from benchpipe.store.run_store import RunStore
from benchpipe.tables import schema
from tests.check.judged import TODAY, cycles, judge, limit, rows, run_with
from tests.config.written import RIG
from tests.steps_done import check_run

PEAK = limit("peak_load", "90 N*m")
DAYS = limit("days_to_calibration", "0 d", operator=">=", block="run")
CREEP = limit("creep_end", "1 deg", block="held")
HELD: dict[str, Any] = {"block": "held", "hold": 1, "duration_s": 1800.0, "samples": 1000}


def source(tick_us: int | None, file: str = "logs/a.csv") -> Source:
    """A log whose clock counts in such steps."""
    stamps = None if tick_us is None else Stamps(tick_us=tick_us, first_us=0, first_rows=1, last_us=9, last_rows=1)
    return Source(file=file, size=1, mtime_ns=1, sha256="0", key="0", rows=9, samples=9, rejects=0, first_us=0,
                  last_us=1, native_last_us=1, parts=(), stamps=stamps)  # fmt: skip


def manifest_of(run: RunConfig, *sources: Source, **more: Any) -> Manifest:
    """A manifest with these logs, and ``state``, ``steps`` or tables."""
    state, steps = more.pop("state", {}), more.pop("steps", {})
    store = RunStore(run.store, run.name)
    parts = tuple(
        store.write(name, pa.Table.from_pylist(content, schema=schema(name)), "0" * 64)
        for name, content in more.items()
    )
    logs = sources or (source(None),)
    return Manifest(
        run=run.name, sequence=store.manifest().sequence, sources=logs,
        placed=tuple(Placed(file=one.file, shift_us=0, after_us=None, repeats=0) for one in logs),
        steps={"process": Step(key="0", version=1, parts=parts, state=state), **steps},
    )  # fmt: skip


def settings(run: RunConfig, manifest: Manifest) -> dict[str, Any]:
    return CHECK.settings(Night(run, RunStore(run.store, run.name), manifest, today=TODAY))


def verdicts(run: RunConfig, manifest: Manifest) -> list[dict[str, Any]]:
    store = RunStore(run.store, run.name)
    rows: list[dict[str, Any]] = store.read(check_run(run, store, manifest, today=TODAY), "verdicts").to_pylist()
    return rows


# --- what verdicts are made from ----------------------------------------------------------------------------


def test_verdicts_are_made_from_limits_rig_and_plan(tmp_path: Path) -> None:
    run = run_with(tmp_path, PEAK)
    found = settings(run, manifest_of(run))
    assert json.loads(json.dumps(found)) == found
    assert set(found) == {"limits", "rig", "blocks", "today"}
    assert found["limits"] == [run.limits[0].config.model_dump(mode="json")]
    assert found["blocks"] == [block.model_dump(mode="json") for block in run.plan.block]
    whole = run.rig.model_dump(mode="json")
    assert set(whole) - set(found["rig"]) == {"log", "name"}  # how a log is written says nothing of its figures
    assert all(whole[key] == of for key, of in found["rig"].items())
    assert found["today"] == ""


def test_the_day_counts_where_a_limit_asks_for_it(tmp_path: Path) -> None:
    run = run_with(tmp_path, PEAK, DAYS)
    assert settings(run, manifest_of(run))["today"] == "2031-06-01"


def test_the_analysis_of_drift_counts_where_a_limit_asks_for_it(tmp_path: Path) -> None:
    drift = {"drift": Step(key="of drift", version=1, parts=())}
    plain = run_with(tmp_path / "a", PEAK)
    assert "drift" not in settings(plain, manifest_of(plain, steps=drift))
    for statistic in OF_DRIFT[:2]:
        run = run_with(tmp_path / statistic, PEAK, limit("energy_j", "1 %", statistic=statistic))
        assert settings(run, manifest_of(run, steps=drift))["drift"] == "of drift"
        assert "drift" not in settings(run, manifest_of(run))


@pytest.mark.parametrize(
    ("ticks", "stated", "resolution"),
    [((None,), None, None), ((0,), None, None), ((100_000,), None, 0.1), ((0, 100_000, 50_000), None, 0.1),
     ((100_000, None), None, 0.1), ((100_000,), "0.02 s", 0.02)],
)  # fmt: skip
def test_the_steps_of_a_clock_are_those_the_rig_file_states_or_the_logs_show(
    tmp_path: Path, ticks: tuple[int | None, ...], stated: str | None, resolution: float | None
) -> None:
    rate = 'sample_rate = "50 Hz"\n'
    rig = RIG if stated is None else RIG.replace(rate, f'{rate}resolution = "{stated}"\n')
    run = run_with(tmp_path, limit("period_s", "3 s"), rig=rig)
    sources = [source(tick, f"logs/{i}.csv") for i, tick in enumerate(ticks)]
    found = settings(run, manifest_of(run, *sources))["rig"]["time"]["resolution"]
    assert found == (None if resolution is None else pytest.approx(resolution))
    store = RunStore(run.store, run.name)
    new = check_run(run, store, manifest_of(run, *sources, cycles=cycles(600, period_s=1.0)), today=TODAY)
    budget = {row["part"]: row["standard_u"] for row in store.read(new, "budgets").to_pylist()}
    assert ("resolution of the clock" in budget) is (resolution is not None)


# --- what is kept -------------------------------------------------------------------------------------------


def test_what_is_kept_is_each_verdict_in_short_and_the_day_it_is_of(tmp_path: Path) -> None:
    run = run_with(tmp_path, PEAK, CREEP)
    store = RunStore(run.store, run.name)
    new = check_run(run, store, manifest_of(run, cycles=cycles(600)), today=TODAY)
    peak = {"limits_file": "own", "limit": "peak_load", "block": "durability", "verdict": "pass", "due": True,
            "measured": 80.0, "unit": "N*m"}  # fmt: skip
    creep = {"limits_file": "own", "limit": "creep_end", "block": "held", "verdict": "not evaluated", "due": False,
             "measured": None, "unit": "deg"}  # fmt: skip
    assert json.loads(json.dumps(new.steps["check"].state)) == {"today": "", "verdicts": [peak, creep]}
    assert {part.table for part in new.steps["check"].parts} == {"verdicts", "budgets"}
    budgets = store.read(new, "budgets").to_pylist()
    assert {(row["limit"], row["block"]) for row in budgets} == {("peak_load", "durability")}
    with_day = run_with(tmp_path / "day", DAYS)
    new = check_run(with_day, RunStore(with_day.store, with_day.name), manifest_of(with_day), today=TODAY)
    assert new.steps["check"].state["today"] == "2031-06-01"


# --- what a limit waits for ---------------------------------------------------------------------------------


def by_counter(run: RunConfig) -> RunConfig:
    block = run.plan.block[0].model_copy(update={"planned_by": "counter"})
    return replace(run, plan=run.plan.model_copy(update={"block": (block, *run.plan.block[1:])}))


@pytest.mark.parametrize(("counter", "due"), [(1000.0, True), (991.0, False)])
def test_a_hold_waits_for_the_count_that_decides(tmp_path: Path, counter: float, due: bool) -> None:
    run = by_counter(run_with(tmp_path, CREEP))
    stops = (("stop", 0, 1, counter - 990.0),)
    state = {"durability": {"counted": asdict(Counted(990, counter, 1.0, differences=stops))}}
    (row,) = verdicts(run, manifest_of(run, cycles=cycles(990), holds=[], state=state))
    assert (row["verdict"], row["due"]) == ("not evaluated", due)
    over = "no hold was found in the logs of block 'held'"
    assert row["remark"] == (over if due else "no hold yet, 'durability' before it is at 991 of 1,000 cycles")


def test_where_detection_decides_a_counter_that_shows_less_holds_nothing_up(tmp_path: Path) -> None:
    run = run_with(tmp_path, CREEP)
    state = {"durability": {"counted": asdict(Counted(1000, 900.0, 1.0, differences=(("gap", 0, 1, -100.0),)))}}
    (row,) = verdicts(run, manifest_of(run, cycles=cycles(1000), holds=[], state=state))
    assert (row["verdict"], row["due"]) == ("not evaluated", True)


def test_a_hold_whose_time_is_over_waits_for_nothing(tmp_path: Path) -> None:
    run = run_with(tmp_path, CREEP)
    sweep = rows("sweeps", 1, block="free", sweep=1)
    for sweeps, due in (([], False), (sweep, True)):
        (row,) = judge(run, cycles=cycles(500), holds=[], sweeps=sweeps)
        assert row["due"] is due


@pytest.mark.parametrize(("gone_on", "due"), [(False, False), (True, True)])
def test_a_block_without_a_hold_is_remarked_once_its_time_is_over(tmp_path: Path, gone_on: bool, due: bool) -> None:
    run = run_with(tmp_path, CREEP)
    state = {"held": {"no_hold": "the load came to 95 N*m only"}}
    sweeps = rows("sweeps", int(gone_on), block="free", sweep=1)
    tables: dict[str, Any] = {"cycles": cycles(500), "holds": [], "sweeps": sweeps}
    new = check_run(run, RunStore(run.store, run.name), manifest_of(run, state=state, **tables), today=TODAY)
    found = [(one.step, one.code, one.where, one.count, one.text) for one in new.steps["check"].remarks]
    assert found == [("check", "no-hold", "held", 1, "no hold: the load came to 95 N*m only")] * due


def test_a_log_of_another_block_is_no_log_of_this_one(tmp_path: Path) -> None:
    run = run_with(tmp_path, CREEP)
    own = [b.model_copy(update={"files": ("b*.csv",)}) if b.name == "held" else b for b in run.plan.block]
    run = replace(run, plan=run.plan.model_copy(update={"block": tuple(own)}))
    held = rows("holds", 1, **HELD, creep_end=0.1, creep_end_u=0.001)
    for file, verdict in (("a1.csv", "not evaluated"), ("b1.csv", "pass")):
        (row,) = verdicts(run, manifest_of(run, source(None, file), holds=held))
        assert row["verdict"] == verdict
        assert row["remark"] == ("" if verdict == "pass" else "no log of this block yet")


def test_what_a_hold_did_to_the_load_is_no_cycle_that_broke_off(tmp_path: Path) -> None:
    run = run_with(tmp_path, limit("peak_load", "90 N*m", statistic="max"), head='decision = "simple"')
    begun = [1_000_000 * i for i in range(10)]
    made = cycles(10, start_us=begun, peak_load=[80.0] * 9 + [120.0], complete=[True] * 9 + [False])
    made[9]["cycle"] = None
    held = rows("holds", 1, **HELD, start_us=9_500_000)
    assert [judge(run, cycles=made, holds=some)[0]["verdict"] for some in ([], held)] == ["fail", "pass"]


def test_a_block_in_which_nothing_is_measured_hides_no_cycle(tmp_path: Path) -> None:
    run = run_with(tmp_path, PEAK)
    idle = IdleBlock(name="rest", kind="idle")
    run = replace(run, plan=run.plan.model_copy(update={"block": (*run.plan.block, idle)}))
    (row,) = judge(run, cycles=cycles(600))
    assert row["verdict"] == "pass"


def test_a_plan_of_one_block_has_limits_on_the_run_too(tmp_path: Path) -> None:
    run = run_with(tmp_path, DAYS)
    alone = replace(run, plan=run.plan.model_copy(update={"block": run.plan.block[:1]}))
    assert [row["block"] for row in judge(alone, cycles=[])] == ["run"]


def test_a_measure_of_the_run_is_a_row_of_the_run(tmp_path: Path) -> None:
    due = RIG.replace('unit = "deg"', 'unit = "deg"\ndue = 2031-06-11')
    due = due.replace('unit = "N*m"', 'unit = "N*m"\ndue = 2031-06-12')
    row, peak = judge(run_with(tmp_path / "a", DAYS, PEAK, rig=due), cycles=cycles(600))
    assert (peak["limit"], peak["verdict"]) == ("peak_load", "pass")
    assert (row["block"], row["limit"], row["unit"]) == ("run", "days_to_calibration", "s")
    assert (row["used"], row["of"], row["measured"], row["margin"]) == (2, 2, 864_000.0, 864_000.0)
    assert (row["verdict"], row["due"], row["guard"], row["remark"]) == ("pass", True, 0.0, "")
    (row,) = judge(run_with(tmp_path / "b", DAYS), cycles=[])
    assert (row["verdict"], row["due"], row["block"]) == ("not evaluated", True, "run")
    assert row["remark"] == "channel 'torque' of the rig file has no due date"


def test_a_kind_that_the_plan_does_not_have_is_a_row_of_that_kind(tmp_path: Path) -> None:
    run = run_with(tmp_path, limit("creep_end", "1 deg", block="hold"))
    without = replace(run, plan=run.plan.model_copy(update={"block": run.plan.block[:1]}))
    (row,) = judge(without, cycles=cycles(9))
    assert (row["block"], row["unit"], row["verdict"], row["due"]) == ("hold", "deg", "not evaluated", False)
    assert row["remark"] == "not applicable: the plan has no hold block"
